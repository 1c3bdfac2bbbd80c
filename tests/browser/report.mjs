// Opens a report in headless Chromium at phone and laptop width, on screen light and dark, and prints it.
// Fails if the page scrolls sideways, if any text leaves its drawing or two labels of a drawing cover each
// other, if anything is fetched, or if the console shows an error.
//
//   node tests/browser/report.mjs REPORT.html [--save FOLDER] [--chromium PROGRAM]
//
// Exit status: 0 all well, 1 the page has faults (each on a line of standard error), 2 it could not be looked at.
// Needs Node 18 or later and Chromium; no packages. Speaks the DevTools protocol over pipes, opens no port.

import { existsSync, mkdirSync, writeFileSync } from "node:fs";
import { join, resolve } from "node:path";
import { pathToFileURL } from "node:url";
import { chromium } from "./chromium.mjs";

const args = process.argv.slice(2);
const option = (name) => {
  const at = args.indexOf(name);
  return at < 0 ? undefined : args.splice(at, 2)[1];
};
const save = option("--save");
const program = option("--chromium") ?? process.env.CHROMIUM ?? "chromium";
const [report] = args;
if (!report || args.length !== 1 || !existsSync(report)) {
  console.error("usage: node tests/browser/report.mjs REPORT.html [--save FOLDER] [--chromium PROGRAM]");
  process.exit(2);
}
if (save) mkdirSync(save, { recursive: true });

// Runs inside the page.
function look() {
  const faults = [];
  const root = document.documentElement;
  if (root.scrollWidth > root.clientWidth) {
    const wide = [...document.body.querySelectorAll("*")]
      .filter((e) => !e.closest(".scroll") && e.getBoundingClientRect().right > root.clientWidth + 0.5)
      .slice(0, 3)
      .map((e) => `<${e.tagName.toLowerCase()} class="${e.getAttribute("class") ?? ""}">`);
    faults.push(`the page scrolls sideways: ${root.scrollWidth} px in ${root.clientWidth} px; ${wide.join(", ")}`);
  }
  let drawings = 0, texts = 0, smallest = Infinity;
  for (const svg of document.querySelectorAll("svg")) {
    const frame = svg.getBoundingClientRect();
    if (frame.width === 0) continue;
    drawings += 1;
    const name = svg.querySelector("title")?.textContent ?? svg.getAttribute("class");
    const seen = [];
    for (const text of svg.querySelectorAll("text")) {
      const box = text.getBoundingClientRect();
      texts += 1;
      smallest = Math.min(smallest, parseFloat(getComputedStyle(text).fontSize) * frame.width / svg.viewBox.baseVal.width);
      const out = box.left < frame.left - 0.5 || box.right > frame.right + 0.5 || box.top < frame.top - 0.5 || box.bottom > frame.bottom + 0.5;
      if (out) faults.push(`"${text.textContent}" leaves the drawing "${name}"`);
      for (const other of seen) {
        const w = Math.min(box.right, other.box.right) - Math.max(box.left, other.box.left);
        const h = Math.min(box.bottom, other.box.bottom) - Math.max(box.top, other.box.top);
        if (w > 1 && h > 0.3 * Math.min(box.height, other.box.height)) {
          faults.push(`"${text.textContent}" covers "${other.text}" in "${name}"`);
        }
      }
      seen.push({ box, text: text.textContent });
    }
    for (const e of svg.querySelectorAll("path")) {
      if (/NaN|inf/.test(e.getAttribute("d") ?? "")) faults.push(`a path of "${name}" has a coordinate that is not a number`);
    }
  }
  if (texts > 0 && smallest < 9) faults.push(`text of a drawing is only ${smallest.toFixed(1)} px high`);
  if (document.querySelectorAll("main section").length === 0) faults.push("the page has no sections");
  return { faults, drawings, texts };
}

async function check(browser) {
  const faults = [];
  const page = await browser.page();
  const url = pathToFileURL(resolve(report)).href;
  for (const [width, height, scheme] of [[375, 812, "light"], [375, 812, "dark"], [1280, 800, "light"], [1280, 800, "dark"]]) {
    await page.ask("Emulation.setDeviceMetricsOverride", { width, height, deviceScaleFactor: width < 600 ? 2 : 1, mobile: width < 600 });
    await page.ask("Emulation.setEmulatedMedia", { features: [{ name: "prefers-color-scheme", value: scheme }] });
    await page.go(url);
    const seen = await page.value(`(${look})()`);
    for (const fault of seen.faults) faults.push(`${width} px, ${scheme}: ${fault}`);
    console.log(`${width} px, ${scheme}: ${seen.drawings} drawings, ${seen.texts} texts in them`);
    if (save) {
      await page.picture(join(save, `${width}-${scheme}.png`), true);
    }
  }
  for (const [name, paperWidth, paperHeight] of [["a4", 8.27, 11.69], ["letter", 8.5, 11]]) {
    const { data } = await page.ask("Page.printToPDF", { paperWidth, paperHeight, preferCSSPageSize: false, printBackground: false });
    const pdf = Buffer.from(data, "base64");
    if (pdf.length < 1000) faults.push(`${name}: the print is empty`);
    if (save) writeFileSync(join(save, `${name}.pdf`), pdf);
  }
  faults.push(...page.faults);
  for (const asked of page.asked) if (asked !== url && !asked.startsWith("data:")) faults.push(`fetches ${asked}`);
  return faults;
}

const limit = setTimeout(() => { console.error("the browser did not answer within 120 s"); process.exit(2); }, 120_000);
let status = 0;
const browser = await chromium(program);
try {
  const once = [...new Set(await check(browser))];
  for (const fault of once) console.error(fault);
  status = once.length ? 1 : 0;
} catch (e) {
  console.error(e.message);
  status = 2;
}
clearTimeout(limit);
await browser.close();
process.exit(status);
