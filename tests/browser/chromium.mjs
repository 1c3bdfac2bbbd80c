// Chromium driven over its debugging protocol through pipes: no port is opened, no package is needed.

import { spawn } from "node:child_process";
import { mkdtempSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";

export const pause = (ms) => new Promise((done) => { setTimeout(done, ms); });

/** One page of the browser. What goes wrong in it is gathered in `faults`. */
class Page {
  faults = [];
  asked = [];
  #call;
  #session;

  constructor(call, session) { this.#call = call; this.#session = session; }

  ask(method, params = {}) { return this.#call(method, params, this.#session); }

  hear({ method, params }) {
    // A server that is away makes failing requests, which the tests do on purpose.
    if (method === "Log.entryAdded" && params.entry.level === "error" && params.entry.source !== "network") this.faults.push(`console: ${params.entry.text}`);
    if (method === "Runtime.exceptionThrown") this.faults.push(`exception: ${params.exceptionDetails.exception?.description ?? params.exceptionDetails.text}`);
    if (method === "Runtime.consoleAPICalled" && params.type === "error") this.faults.push(`console: ${JSON.stringify(params.args)}`);
    if (method === "Network.requestWillBeSent") this.asked.push(params.request.url);
  }

  async size(width, height) {
    await this.ask("Emulation.setDeviceMetricsOverride", { width, height, deviceScaleFactor: 1, mobile: width < 600 });
  }

  async go(url) {
    await this.ask("Page.navigate", { url });
    await this.until("document.readyState === 'complete'", 20_000);
  }

  /** The value of an expression in the page; promises are awaited. */
  async value(expression) {
    const { result, exceptionDetails } = await this.ask("Runtime.evaluate", { expression, returnByValue: true, awaitPromise: true });
    if (exceptionDetails) throw new Error(`${expression.slice(0, 90)}: ${exceptionDetails.exception?.description ?? exceptionDetails.text}`);
    return result.value;
  }

  /** Waits until an expression is true, and says which was not. */
  async until(expression, within_ms = 10_000) {
    const end = Date.now() + within_ms;
    for (;;) {
      let last;
      try { last = await this.value(expression); } catch (e) { last = undefined; if (Date.now() > end) throw e; }
      if (last) return last;
      if (Date.now() > end) throw new Error(`not within ${within_ms / 1000} s: ${expression.slice(0, 200)}`);
      await pause(60);
    }
  }

  text(selector) { return this.value(`document.querySelector(${JSON.stringify(selector)})?.innerText ?? null`); }

  /** A press of the mouse in the middle of what is seen; fails if something else lies there. */
  async press(selector, nth = 0) {
    const at = await this.value(`(() => {
      const node = [...document.querySelectorAll(${JSON.stringify(selector)})].filter((n) => n.getClientRects().length)[${nth}];
      if (!node) return null;
      node.scrollIntoView({ block: "center", inline: "center" });
      const b = node.getBoundingClientRect(), x = b.left + b.width / 2, y = b.top + b.height / 2;
      const top = document.elementFromPoint(x, y);
      return { x, y, hit: !!top && (node.contains(top) || top.contains(node)), over: top?.outerHTML.slice(0, 80) };
    })()`);
    if (!at) throw new Error(`nothing to press: ${selector}`);
    if (!at.hit) throw new Error(`${selector} is covered by ${at.over}`);
    for (const type of ["mousePressed", "mouseReleased"]) await this.ask("Input.dispatchMouseEvent", { type, x: at.x, y: at.y, button: "left", clickCount: 1 });
  }

  /** One key, by its name in the standard for keyboard events. */
  async key(key, modifiers = 0) {
    const codes = { Enter: 13, Escape: 27, Tab: 9, " ": 32, ArrowLeft: 37, ArrowRight: 39, ArrowDown: 40, ArrowUp: 38 };
    const text = key === "Enter" ? "\r" : key.length === 1 ? key : undefined;
    const params = { key, text, modifiers, windowsVirtualKeyCode: codes[key] ?? key.toUpperCase().charCodeAt(0), code: codes[key] ? key === " " ? "Space" : key : undefined };
    await this.ask("Input.dispatchKeyEvent", { type: text ? "keyDown" : "rawKeyDown", ...params });
    await this.ask("Input.dispatchKeyEvent", { type: "keyUp", ...params, text: undefined });
  }

  async type(text) { for (const letter of text) await this.ask("Input.insertText", { text: letter }); }

  /** The screen as PNG bytes, also written to `file` where given. */
  async picture(file = null, whole = false) {
    const { data } = await this.ask("Page.captureScreenshot", { format: "png", captureBeyondViewport: whole });
    const bytes = Buffer.from(data, "base64");
    if (file) writeFileSync(file, bytes);
    return bytes;
  }

  async close() { await this.ask("Page.close").catch(() => {}); }
}

/** Starts the browser. `page(profile)` opens a page; pages of one profile share what the browser keeps. */
export async function chromium(program = process.env.CHROMIUM ?? "chromium") {
  const profile = mkdtempSync(join(tmpdir(), "bench-check-"));
  const browser = spawn(program, ["--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--disable-background-timer-throttling", "--disable-backgrounding-occluded-windows",
    "--disable-renderer-backgrounding", "--autoplay-policy=no-user-gesture-required", "--remote-debugging-pipe", `--user-data-dir=${profile}`, "about:blank"],
  { stdio: ["ignore", "ignore", "ignore", "pipe", "pipe"] });
  process.on("exit", () => browser.kill("SIGKILL"));
  let number = 0, missing = null, unread = Buffer.alloc(0);
  const waiting = new Map(), pages = new Map();
  browser.stdio[4].on("data", (chunk) => {
    unread = Buffer.concat([unread, chunk]);
    for (let end = unread.indexOf(0); end >= 0; end = unread.indexOf(0)) {
      const message = JSON.parse(unread.subarray(0, end).toString());
      unread = unread.subarray(end + 1);
      const answer = waiting.get(message.id);
      if (!answer) { pages.get(message.sessionId)?.hear(message); continue; }
      waiting.delete(message.id);
      if (message.error) answer.fail(new Error(`${answer.method}: ${message.error.message}`));
      else answer.done(message.result);
    }
  });
  const call = (method, params = {}, sessionId = undefined) => new Promise((done, fail) => {
    if (missing) { fail(new Error(`cannot start ${program}: ${missing.message}`)); return; }
    const id = ++number;
    waiting.set(id, { done, fail, method });
    browser.stdio[3].write(`${JSON.stringify({ id, method, params, sessionId })}\0`);
  });
  browser.stdio[3].on("error", () => {});
  const ended = new Promise((done) => { browser.once("exit", done); browser.once("error", done); });
  browser.once("exit", () => { for (const { fail } of waiting.values()) fail(new Error(`${program} ended before it answered`)); });
  browser.once("error", (e) => { missing = e; for (const { fail } of waiting.values()) fail(new Error(`cannot start ${program}: ${e.message}`)); });
  return {
    async page(context = undefined) {
      const { targetId } = await call("Target.createTarget", { url: "about:blank", newWindow: true, browserContextId: context }); // a page behind another is drawn once a second
      const { sessionId } = await call("Target.attachToTarget", { targetId, flatten: true });
      const page = new Page(call, sessionId);
      pages.set(sessionId, page);
      for (const domain of ["Page", "Log", "Runtime", "Network"]) await page.ask(`${domain}.enable`);
      await page.ask("Emulation.setFocusEmulationEnabled", { enabled: true });
      return page;
    },
    async stranger() { return (await call("Target.createBrowserContext")).browserContextId; },
    async close() {
      call("Browser.close").catch(() => {});
      const late = setTimeout(() => browser.kill("SIGKILL"), 5_000);
      await ended;
      clearTimeout(late);
      try { rmSync(profile, { recursive: true, force: true, maxRetries: 10, retryDelay: 100 }); } catch { /* left to the system */ }
    },
  };
}
