// Stand-in server while the page is being built: node tests/browser/mock.mjs PORT
import { createServer } from "node:http";
import { readFileSync, existsSync } from "node:fs";
import { join, dirname } from "node:path";
import { fileURLToPath } from "node:url";
import { deflateSync, crc32 as crc } from "node:zlib";

const here = dirname(fileURLToPath(import.meta.url));
const folder = join(here, "../../src/serve/page");
const port = Number(process.argv[2] ?? 8123);
const role = process.argv[3] ?? "operator";

const table = new Uint32Array(256).map((_, n) => { for (let k = 0; k < 8; k++) n = n & 1 ? 0xedb88320 ^ (n >>> 1) : n >>> 1; return n >>> 0; });
const crc32 = crc ?? ((b) => { let c = 0xffffffff; for (const x of b) c = table[(c ^ x) & 255] ^ (c >>> 8); return (c ^ 0xffffffff) >>> 0; });
const chunk = (name, data) => { const b = Buffer.alloc(12 + data.length); b.writeUInt32BE(data.length, 0); b.write(name, 4, "latin1"); data.copy(b, 8); b.writeUInt32BE(crc32(b.subarray(4, 8 + data.length)), 8 + data.length); return b; };
const W = 640, H = 480;
function png(lines) {
  const raw = Buffer.alloc((W * 3 + 1) * H);
  for (let y = 0; y < H; y++) for (let x = 0; x < W; x++) {
    const r = Math.hypot(x - 324, y - 240);
    let g = r < 227 ? 70 + 4 * Math.sin(x * 12.9 + y * 78.2) : 8;
    const hx = 322 + 0.031 * (y - 245.6), hy = 245.6 - 0.031 * (x - 322);
    for (const l of lines) { const d = (x - l) / 3.2; if (r < 227 && y > 60 && y < 425) g += 165 * Math.exp(-d * d); }
    if (r < 227 && (Math.abs(x - hx) < 1.8 || Math.abs(y - hy) < 1.8)) g *= 0.35;
    const o = y * (W * 3 + 1) + 1 + 3 * x;
    raw[o] = g * 0.8; raw[o + 1] = Math.min(255, g * 1.05); raw[o + 2] = g * 0.7;
  }
  const ihdr = Buffer.from([0, 0, W >> 8, W & 255, 0, 0, H >> 8, H & 255, 8, 2, 0, 0, 0]);
  return Buffer.concat([Buffer.from([137, 80, 78, 71, 13, 10, 26, 10]), chunk("IHDR", ihdr), chunk("IDAT", deflateSync(raw, { level: 1 })), chunk("IEND", Buffer.alloc(0))]);
}
const t0 = Date.now();
const now = () => (Date.now() - t0) / 1000;
const where = (t) => 291 - 1.2 * Math.pow(Math.abs(((t + 14) % 24) - 12), 1.6);
const K = -11.17;
let seq = 0;
const names = ["Hg 579.1", "Hg 577.0", "Hg 546.1", "Hg 491.6", "Hg 435.8", "Hg 404.7"], nms = [579.067, 576.961, 546.075, 491.607, 435.8335, 404.6565];
const ns = [1.620801, 1.620993, 1.624115, 1.631162, 1.64205, 1.650676];
const lamps = [{ key: "mercury", label: "Mercury", lines: names.map((name, i) => ({ name, wavelength_nm: nms[i] })), cautions: ["A mercury lamp emits ultraviolet light: keep its housing or filter on. A broken lamp releases mercury. The rules of your laboratory come first."] },
  { key: "sodium", label: "Sodium", lines: [{ name: "Na D", wavelength_nm: 589.3 }], cautions: ["The lamp gets hot."] }];
const g = { step: "reading", line: "Hg 546.1", kind: "line", sweeping: null };
let started = true;
const readings = [{ id: 1, kind: "scale", line: null, window_1: "251°00′30″", window_2: "71°01′30″", offset_text: "−177.121 px ± 0.004 px", at: "2026-11-25T10:11:12Z", struck: null, doubt: null, frames: "frames/0001" },
  { id: 17, kind: "line", line: "Hg 579.1", window_1: "203°11′30″", window_2: "23°11′30″", offset_text: "347.2″ ± 0.3″", at: "2026-11-25T10:21:12Z", struck: null, doubt: "Half a degree off what the other lines say.", frames: "frames/0017" },
  { id: 18, kind: "line", line: "Hg 577.0", window_1: "203°41′30″", window_2: "23°41′30″", offset_text: "279.7″ ± 0.3″", at: "2026-11-25T10:25:12Z", struck: "half-degree mark missed", doubt: null, frames: null }];
function sight() {
  const t = now(), a = where(t), b = a - 58;
  const line = (id, x, name) => ({ id, name, x_px: x, y_ref_px: 245.6, tilt_deg: 0.1, curvature_per_px: 0, width_px: 5.3, top_px: 60, bottom_px: 424, peak_level: 0.83, saturated: false, under_hair: false, offset_px: x - 322.1, u_px: 0.004 });
  return { seq: ++seq, t_s: t, taken_ms: Date.now(), width: W, height: H, cross_hairs: { x_px: 322.1, y_px: 245.6, rotation_deg: -1.78, u_x_px: 0.01 }, field: { x_px: 324, y_px: 240, radius_px: 227 }, lines: [line(1, a, "Hg 546.1"), line(2, b, null)], levels: { stray: 0.02, brightest: 0.83 } };
}
const aid = (key, label, value, best, unit, fraction, best_fraction, verdict, say) => ({ key, label, value, best, unit, fraction, best_fraction, verdict, say });
function state() {
  const t = now(), points = [];
  for (let s = Math.max(0, t - 60); s <= t; s += 0.1) { points.push([s, (where(s) - 322.1) * K, 0.3, 1]); points.push([s, (where(s) - 58 - 322.1) * K, 0.3, 2]); }
  const turns = [];
  for (let s = 10 % 24 - 0; s < t; s += 24) turns.push({ t_s: s - 8 + 0, offset: (where(s - 8) - 322.1) * K, u: 0.3, line_id: 1, counted: true, why: "least deviation" });
  turns.length = 0;
  for (let k = 0; ; k++) { const s = k * 12 - 2; if (s > t) break; if (s >= 0) turns.push({ t_s: s, offset: (where(s) - 322.1) * K, u: 0.3, line_id: 1, counted: k % 2 === 0, why: k % 2 ? "the hand turned back here" : "counted" }); }
  const off = (where(t) - 322.1) * K, d = (where(t) - 291) * K;
  const text = `${off < 0 ? "−" : ""}${Math.abs(off).toFixed(1)}″ ± 0.3″`;
  const steps = [{ key: "aids", label: "Set up", done: true, line: null, n: 0 }, { key: "scale", label: "Camera scale", done: true, line: null, n: 9 }, { key: "prism", label: "Refracting angle", done: true, line: null, n: 2 }];
  names.forEach((line, i) => { for (const [key, label] of [["sweep", "Sweep"], ["reading", "Reading"], ["central", "Central image"]]) steps.push({ key, label: `${label} ${line}`, done: i < 2 || (i === 2 && key === "sweep"), line, n: i < 2 ? 1 : 0 }); });
  steps.push({ key: "results", label: "Results", done: false, line: null, n: 0 });
  return {
    lineturn: "0.1.0", role, share: { viewer_address: "http://192.168.1.20:7878/#v7sd8f6sd8f76sd8f7d" },
    source: { name: "line-2.mp4", kind: "clip", playing: true, ended: false, t_s: t % 61, duration_s: 61, fps_analysed: 29.9, lost: 0, trouble: null },
    picture: { good: Math.floor(t / 20) % 2 === 0, say: Math.floor(t / 20) % 2 ? "The slit is a little dim: move the lamp until the bar reaches its mark." : "The picture is good.", aids: [
      aid("brightness", "Brightness of the slit", "0.62", "0.71", "of full scale", 0.62, 0.71, "fair", "It was brighter: move the lamp back a little."),
      aid("saturation", "Brightest point", "0.83", null, "of full scale", 0.83, null, "good", "Nothing is cut off."),
      aid("sharpness", "Width of the slit image", "5.3", "5.1", "px", 0.71, 0.75, "good", "Sharp."),
      aid("slit_tilt", "Tilt against the hair", "1.9", "0.2", "°", 0.9, 0.1, "poor", "Turn the slit a little to the left."),
      aid("stray_light", "Stray light", "0.02", null, "of full scale", 0.1, null, "good", "The cloth keeps the light out."),
      aid("shade", "Shade", null, null, "", null, null, null, "Nothing shades the light."),
      aid("face_height", "Height of the slit image, face 1", "12", "11", "px from the crossing", 0.3, 0.25, "fair", "Level the table with screw 2.")] },
    offset: { line_id: 1, name: "Hg 546.1", value_arcsec: off, text, right_of_hair: off < 0 },
    track: { window_s: 60, points: points.slice(-600), unit: "arcsec", turns },
    turn: { line_id: 1, phase: Math.abs(d) < 15 ? "turned" : "moving", distance: d, text: `${Math.abs(d).toFixed(1)}″ past the turning point`, say: "Turn the table back through the turn once more.", count: turns.filter((x) => x.counted).length },
    guide: { ...g, steps, say: g.step === "sweep" ? "Lock the telescope and turn the table slowly until the line has turned, then back again." : "Lock both, read the circle at both windows and type what they show.", locked: { table: g.step !== "sweep", telescope: g.step !== "central" }, warn: Math.floor(t / 15) % 2 ? [{ code: "leave", message: "The line is about to leave the field on the left: turn the table back a little." }] : [] },
    experiment: { lamp: started ? "mercury" : null, lamps, lines: names.map((name, i) => ({ name, wavelength_nm: nms[i], chosen: true })), bench: "Bench 3", refracting_angle: { text: "59° 59′ 58″ ± 4″" }, scale: { text: "−11.148″/px ± 0.032″/px" } },
    readings,
    results: { lines: names.map((name, i) => ({ name, wavelength_nm: nms[i], deviation: "48° 35′ 34″ ± 6″", n: ns[i], u_n: 0.00003, n_text: `${ns[i].toFixed(6)} ± 0.000031`, residual: [0.9, -0.8, 2.2, -3.9, 1.6, 0.2][i], u_residual: 3 })),
      curve: { name: "Cauchy, 2 terms", points: Array.from({ length: 40 }, (_, i) => { const nm = 395 + i * 5, n = 1.5969 + 8.19e3 / nm ** 2 + 1.2e8 / nm ** 4 - 0.0057 + 0.0; return [nm, n + 0.0033, n + 0.0031, n + 0.0035]; }) },
      standard: [{ label: "n_d", text: "1.620058 ± 0.000028" }, { label: "n_F − n_C", text: "0.017015 ± 0.000061" }, { label: "Abbe number V_d", text: "36.44 ± 0.13" }],
      budget: [{ cause: "refracting angle", share: 0.62, text: "62 %" }, { cause: "circle division", share: 0.31, text: "31 %" }, { cause: "finding the line", share: 0.07, text: "7 %" }],
      glasses: [{ name: "F2", p: 0.71, say: "fits: 7 of 10 such experiments would lie farther off" }, { name: "F5", p: 0.001, say: "does not fit" }], cautions: ["Only one central image was read after the table moved."], why_not: null },
    cautions: lamps[0].cautions, kept: { dir: "practice/logbook", records: 41, trouble: null }, upload: null,
  };
}
const types = { js: "text/javascript", css: "text/css", svg: "image/svg+xml", html: "text/html" };
createServer((q, a) => {
  const url = new URL(q.url, "http://x");
  a.setHeader("Content-Security-Policy", "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; connect-src 'self'; form-action 'none'; base-uri 'none'; frame-ancestors 'none'");
  const file = url.pathname === "/" ? "page.html" : url.pathname.startsWith("/page/") ? url.pathname.slice(6) : null;
  if (file && existsSync(join(folder, file))) { a.setHeader("Content-Type", types[file.split(".").pop()]); a.end(readFileSync(join(folder, file))); return; }
  if (url.pathname === "/api/events") {
    a.setHeader("Content-Type", "text/event-stream");
    const send = () => a.write(`event: state\ndata: ${JSON.stringify(state())}\n\n`);
    send(); const timer = setInterval(send, 150); q.on("close", () => clearInterval(timer)); return;
  }
  if (url.pathname === "/api/frame") {
    setTimeout(() => { const s = sight(), j = Buffer.from(JSON.stringify(s)), n = Buffer.alloc(4); n.writeUInt32LE(j.length); a.end(Buffer.concat([n, j, png(s.lines.map((l) => l.x_px))])); }, 60); return;
  }
  if (url.pathname === "/api/invite.svg") { a.setHeader("Content-Type", "image/svg+xml"); a.end(`<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 21 21"><rect width="21" height="21" fill="#fff"/>${Array.from({ length: 200 }, (_, i) => `<rect x="${(i * 7) % 21}" y="${(i * 11) % 21}" width="1" height="1"/>`).join("")}</svg>`); return; }
  if (url.pathname === "/api/do") {
    let body = ""; q.on("data", (d) => { body += d; }); q.on("end", () => {
      const d = JSON.parse(body); let r = { ok: true, said: `done: ${d.do}` };
      if (d.do === "go") { g.step = d.step; g.line = d.line; g.kind = { scale: "scale", prism: "face", reading: "line", central: "central" }[d.step] ?? null; }
      if (d.do === "start_sweep") g.sweeping = d.line; if (d.do === "end_sweep") g.sweeping = null;
      if (d.do === "start_experiment") started = true;
      if (d.do === "understand") r.understood = { window_1: `${d.window_1.split(" ")[0]}° 14′ 30″`, window_2: d.window_2, deviation: "48° 35′ 34″", n: "1.6241", doubt: d.window_1.startsWith("9") ? "This is half a degree off what the other lines say: is it 202° 49′ 30″?" : null };
      if (d.do === "keep") { readings.push({ id: readings.length + 20, kind: d.kind, line: d.line, window_1: d.window_1, window_2: d.window_2, offset_text: "1″", at: new Date().toISOString(), struck: null, doubt: null, frames: null }); r.said = "Kept: reading 23 of Hg 546.1, on disk."; }
      if (d.do === "strike") readings.find((x) => x.id === d.id).struck = d.reason; if (d.do === "unstrike") readings.find((x) => x.id === d.id).struck = null;
      if (d.do === "unchoose") started = false;
      a.setHeader("Content-Type", "application/json"); a.end(JSON.stringify(r)); }); return;
  }
  if (url.pathname === "/api/clip") { let n = 0; q.on("data", (d) => { n += d.length; }); q.on("end", () => { a.statusCode = 415; a.end(JSON.stringify({ ok: false, said: "This is no video that can be read: send MP4, MOV, AVI or Y4M." })); }); return; }
  a.statusCode = 404; a.end("{}");
}).listen(port, "127.0.0.1");
