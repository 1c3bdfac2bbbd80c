// Opens a report in headless Chromium at phone and laptop width, on screen light and dark, and prints it.
// Fails if the page scrolls sideways, if any text leaves its drawing or two labels of a drawing cover each
// other, if anything is fetched, or if the console shows an error.
//
//   node tests/browser/report.mjs REPORT.html [--save FOLDER] [--chromium PROGRAM]
//
// Exit status: 0 all well, 1 the page has faults (each on a line of standard error), 2 it could not be looked at.
// Needs Node 18 or later and Chromium; no packages. Speaks the DevTools protocol over pipes, opens no port.

import { spawn } from "node:child_process";
import { mkdtempSync, mkdirSync, rmSync, writeFileSync, existsSync } from "node:fs";
import { tmpdir } from "node:os";
import { join, resolve } from "node:path";
import { pathToFileURL } from "node:url";

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

const profile = mkdtempSync(join(tmpdir(), "report-check-"));
const browser = spawn(
  program,
  ["--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--remote-debugging-pipe", `--user-data-dir=${profile}`, "about:blank"],
  { stdio: ["ignore", "ignore", "ignore", "pipe", "pipe"] },
);

let number = 0;
const waiting = new Map();
let listen = () => {};
let unread = Buffer.alloc(0);
browser.stdio[4].on("data", (chunk) => {
  unread = Buffer.concat([unread, chunk]);
  for (let end = unread.indexOf(0); end >= 0; end = unread.indexOf(0)) {
    const message = JSON.parse(unread.subarray(0, end).toString());
    unread = unread.subarray(end + 1);
    const answer = waiting.get(message.id);
    if (!answer) { listen(message); continue; }
    waiting.delete(message.id);
    if (message.error) answer.fail(new Error(`${answer.method}: ${message.error.message}`));
    else answer.done(message.result);
  }
});
const call = (method, params = {}, sessionId = undefined) =>
  new Promise((done, fail) => {
    const id = ++number;
    waiting.set(id, { done, fail, method });
    browser.stdio[3].write(`${JSON.stringify({ id, method, params, sessionId })}\0`);
  });

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

async function check() {
  const faults = [];
  const { targetId } = await call("Target.createTarget", { url: "about:blank" });
  const { sessionId } = await call("Target.attachToTarget", { targetId, flatten: true });
  const ask = (method, params) => call(method, params, sessionId);
  const url = pathToFileURL(resolve(report)).href;
  let loaded = () => {};
  listen = ({ method, params }) => {
    if (method === "Page.loadEventFired") loaded();
    if (method === "Log.entryAdded" && params.entry.level === "error") faults.push(`console: ${params.entry.text}`);
    if (method === "Runtime.exceptionThrown") faults.push(`exception: ${params.exceptionDetails.text}`);
    if (method === "Runtime.consoleAPICalled" && params.type === "error") faults.push(`console: ${JSON.stringify(params.args)}`);
    if (method === "Network.requestWillBeSent" && params.request.url !== url && !params.request.url.startsWith("data:")) {
      faults.push(`fetches ${params.request.url}`);
    }
  };
  for (const domain of ["Page", "Log", "Runtime", "Network"]) await ask(`${domain}.enable`);
  for (const [width, height, scheme] of [[375, 812, "light"], [375, 812, "dark"], [1280, 800, "light"], [1280, 800, "dark"]]) {
    await ask("Emulation.setDeviceMetricsOverride", { width, height, deviceScaleFactor: width < 600 ? 2 : 1, mobile: width < 600 });
    await ask("Emulation.setEmulatedMedia", { features: [{ name: "prefers-color-scheme", value: scheme }] });
    const load = new Promise((done) => { loaded = done; });
    await ask("Page.navigate", { url });
    await load;
    const { result, exceptionDetails } = await ask("Runtime.evaluate", { expression: `(${look})()`, returnByValue: true });
    if (exceptionDetails) throw new Error(exceptionDetails.exception?.description ?? exceptionDetails.text);
    for (const fault of result.value.faults) faults.push(`${width} px, ${scheme}: ${fault}`);
    console.log(`${width} px, ${scheme}: ${result.value.drawings} drawings, ${result.value.texts} texts in them`);
    if (save) {
      const { data } = await ask("Page.captureScreenshot", { format: "png", captureBeyondViewport: true });
      writeFileSync(join(save, `${width}-${scheme}.png`), Buffer.from(data, "base64"));
    }
  }
  for (const [name, paperWidth, paperHeight] of [["a4", 8.27, 11.69], ["letter", 8.5, 11]]) {
    const { data } = await ask("Page.printToPDF", { paperWidth, paperHeight, preferCSSPageSize: false, printBackground: false });
    const pdf = Buffer.from(data, "base64");
    if (pdf.length < 1000) faults.push(`${name}: the print is empty`);
    if (save) writeFileSync(join(save, `${name}.pdf`), pdf);
  }
  return faults;
}

const limit = setTimeout(() => { console.error("the browser did not answer within 120 s"); leave(2); }, 120_000);
function leave(status) {
  clearTimeout(limit);
  const tidy = () => {
    // Helper processes of the browser may still be writing; a profile left behind is no fault of the page.
    try { rmSync(profile, { recursive: true, force: true, maxRetries: 10, retryDelay: 100 }); } catch { /* left to the system */ }
    process.exit(status);
  };
  if (browser.exitCode !== null || browser.signalCode !== null) { tidy(); return; }
  browser.once("exit", tidy);
  call("Browser.close").catch(() => {});
  setTimeout(() => browser.kill("SIGKILL"), 5_000).unref();
}
browser.stdio[3].on("error", () => {});
browser.on("exit", () => { for (const { fail } of waiting.values()) fail(new Error(`${program} ended before it answered`)); });
browser.on("error", (e) => {
  console.error(`cannot start ${program}: ${e.message}`);
  rmSync(profile, { recursive: true, force: true });
  process.exit(2);
});
check().then(
  (faults) => {
    const once = [...new Set(faults)];
    for (const fault of once) console.error(fault);
    leave(once.length ? 1 : 0);
  },
  (e) => { console.error(e.message); leave(2); },
);
