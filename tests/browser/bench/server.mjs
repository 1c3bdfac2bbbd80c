// The program under test: `lineturn bench` with a logbook of its own, ended (or killed) by the check that started it.

import { spawn } from "node:child_process";
import { mkdtempSync, rmSync } from "node:fs";
import { createServer } from "node:net";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { pause } from "../chromium.mjs";

/** A port that nobody has just now. */
export const freePort = () => new Promise((done, fail) => {
  const server = createServer();
  server.once("error", fail);
  server.listen(0, "127.0.0.1", () => { const { port } = server.address(); server.close(() => done(port)); });
});

export const folder = (name) => mkdtempSync(join(tmpdir(), `bench-${name}-`));
export const remove = (path) => rmSync(path, { recursive: true, force: true, maxRetries: 5, retryDelay: 100 });

/** Nothing that was started outlives the checks, however these end. */
const alive = new Set();
process.on("exit", () => { for (const child of alive) child.kill("SIGKILL"); });
for (const signal of ["SIGINT", "SIGTERM"]) process.on(signal, () => process.exit(2));

export class Bench {
  #child = null;
  #said = "";

  constructor(program, logbook, port, more) { Object.assign(this, { program, logbook, port, more }); }

  /** Starts the program and waits until it has printed its address. */
  static async start(program, logbook, more = [], port = null) {
    const bench = new Bench(program, logbook, port ?? await freePort(), more);
    await bench.start();
    return bench;
  }

  async start() {
    this.#said = "";
    const child = spawn(this.program, ["bench", "--no-open", "--port", String(this.port), "--logbook", this.logbook, ...this.more], { stdio: ["ignore", "pipe", "pipe"] });
    this.#child = child;
    alive.add(child);
    child.once("exit", () => alive.delete(child));
    for (const stream of [child.stdout, child.stderr]) stream.on("data", (text) => { this.#said += text; });
    for (let tries = 0; this.addresses.length === 0; tries += 1) {
      if (child.exitCode !== null || tries > 200) throw new Error(`lineturn bench printed no address: ${this.#said.slice(0, 500)}`);
      await pause(100);
    }
  }

  /** Addresses in the order in which they were printed: the operator's, then the viewers'. */
  get addresses() { return [...this.#said.matchAll(/https?:\/\/[^\s"'<>]+/g)].map((m) => m[0]).filter((a) => a.includes(`:${this.port}`)); }
  get address() { return this.addresses[0]; }
  get origin() { return new URL(this.address).origin; }
  get said() { return this.#said; }

  #end(signal) {
    const child = this.#child;
    if (!child || child.exitCode !== null || child.signalCode !== null) return Promise.resolve();
    const ended = new Promise((done) => { child.once("exit", done); });
    child.kill(signal);
    const late = setTimeout(() => child.kill("SIGKILL"), 5_000);
    return ended.then(() => clearTimeout(late));
  }

  /** As the person at the keyboard ends it. */
  stop() { return this.#end("SIGINT"); }
  /** As a power cut ends it. */
  kill() { return this.#end("SIGKILL"); }

  /** As a network that is gone while the connection stands. */
  freeze() { this.#child.kill("SIGSTOP"); }
  thaw() { this.#child.kill("SIGCONT"); }

  /** State as the program tells it, for comparison with what the page shows. */
  async state(key = null) {
    const answer = await fetch(`${this.origin}/api/state`, { headers: { "X-Bench": "1", ...(key ? { "X-Bench-Key": key } : {}) } });
    if (!answer.ok) throw new Error(`/api/state: ${answer.status}`);
    return answer.json();
  }

  async download(name) {
    const answer = await fetch(`${this.origin}/api/${name}`, { headers: { "X-Bench": "1" } });
    if (!answer.ok) throw new Error(`/api/${name}: ${answer.status}: ${(await answer.text()).slice(0, 200)}`);
    return answer;
  }
}
