// The bench page in a real browser against the real program: node tests/browser/bench.mjs PATH_TO_LINETURN
//
//   [--save FOLDER]       keeps pictures of every screen
//   [--only NAME[,NAME]]  some of the checks
//   [--footage FOLDER]    the practice experiment (sample-frames/bench-3)
//
// Exit status: 0 all well, 1 faults (each on a line of standard error), 2 it could not be looked at.
// Needs Node 20 or later and Chromium; no packages.

import { existsSync, mkdirSync } from "node:fs";
import { dirname, join, resolve } from "node:path";
import { fileURLToPath } from "node:url";
import { chromium } from "./chromium.mjs";
import { experiment, keyboard, refusal } from "./bench/experiment.mjs";
import { latency, looks, lost, marks, night, together, unplugged, viewers } from "./bench/live.mjs";
import { Bench, folder, remove } from "./bench/server.mjs";

const args = process.argv.slice(2);
const option = (name) => {
  const at = args.indexOf(name);
  return at < 0 ? undefined : args.splice(at, 2)[1];
};
const save = option("--save");
const only = option("--only")?.split(",");
const footage = resolve(option("--footage") ?? join(dirname(fileURLToPath(import.meta.url)), "../../sample-frames/bench-3"));
const [given] = args;
if (!given || args.length !== 1 || !existsSync(given)) {
  console.error("usage: node tests/browser/bench.mjs PATH_TO_LINETURN [--save FOLDER] [--only NAME,NAME] [--footage FOLDER]");
  process.exit(2);
}
const program = resolve(given);
if (save) mkdirSync(save, { recursive: true });

/** Checks that share one program with a clip that plays; the others start their own. */
const SHARED = { looks, night, together };
const OWN = { marks, experiment, keyboard, refusal, viewers, lost, unplugged, latency };

const browser = await chromium();
const faults = [];
let broken = false;

async function run(name, check, more = {}) {
  if (only && !only.includes(name)) return;
  const start = Date.now();
  try {
    const late = new Promise((_, fail) => { setTimeout(() => fail(new Error("not done within 4 minutes")), 240_000).unref(); });
    const { faults: found, said } = await Promise.race([check({ browser, program, footage, save, ...more }), late]);
    for (const fault of found) faults.push(`${name}: ${fault}`);
    console.log(`${name}: ${found.length ? `${found.length} faults` : "well"}; ${said} (${((Date.now() - start) / 1000).toFixed(0)} s)`);
  } catch (e) {
    faults.push(`${name}: ${e.stack?.split("\n").slice(0, 3).join(" | ") ?? e}`);
    console.log(`${name}: stopped (${((Date.now() - start) / 1000).toFixed(0)} s)`);
  }
}

const limit = setTimeout(() => { console.error("not done within 15 minutes"); process.exit(2); }, 15 * 60_000);
const logbook = folder("shared");
let bench = null;
try {
  if (!only || only.some((name) => SHARED[name])) {
    bench = await Bench.start(program, logbook, ["--source", join(footage, "line-2.mp4")]);
    for (const [name, check] of Object.entries(SHARED)) await run(name, check, { bench });
  }
  for (const [name, check] of Object.entries(OWN)) await run(name, check);
} catch (e) {
  broken = true;
  console.error(e.message);
}
clearTimeout(limit);
await bench?.stop();
remove(logbook);
await browser.close();
for (const fault of faults) console.error(fault);
process.exit(broken ? 2 : faults.length ? 1 : 0);
