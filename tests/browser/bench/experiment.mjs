// The practice experiment through the page, from the camera's scale to the index, compared with its truth; what the
// keyboard alone can do; what is refused. Footage, readings and truth are those of sample-frames/bench-3.

import { readFileSync, writeFileSync } from "node:fs";
import { dirname, join } from "node:path";
import { pause } from "../chromium.mjs";
import { act, must, replay } from "./live.mjs";
import { inspected, lights, SIZES } from "./looks.mjs";
import { Bench, folder, remove } from "./server.mjs";

/** Rows of a CSV file with quoted fields, as objects. */
function table(path) {
  const rows = readFileSync(path, "utf8").trim().split(/\r?\n/).map((line) => [...line.matchAll(/("(?:[^"]|"")*"|[^,]*)(?:,|$)/g)].slice(0, -1).map((m) => m[1].replace(/^"|"$/g, "").replaceAll('""', '"')));
  const [heads, ...rest] = rows;
  return rest.map((row) => Object.fromEntries(heads.map((head, i) => [head, row[i] ?? ""])));
}

/** An angle as people write it, in degrees; null where there is none. */
export function degrees(text) {
  const m = /(-|−)?\s*(\d+)\s*°\s*(?:(\d+)\s*′\s*(?:([\d.]+)\s*″)?)?/.exec(text ?? "");
  return m ? (m[1] ? -1 : 1) * (Number(m[2]) + Number(m[3] ?? 0) / 60 + Number(m[4] ?? 0) / 3600) : null;
}

/** Hands a file in through the page and waits until the program has it. */
async function handIn(page, bench, path) {
  const name = path.split("/").at(-1);
  await page.press("#hand-in");
  const { root } = await page.ask("DOM.getDocument");
  const { nodeId } = await page.ask("DOM.querySelector", { nodeId: root.nodeId, selector: "#clip-dialog input[type=file]" });
  await page.ask("DOM.setFileInputFiles", { nodeId, files: [path] });
  await page.until("!document.querySelector('#clip-dialog progress').hidden || document.querySelector('.upload-say').textContent.length > 0", 5_000);
  await page.until("document.querySelector('#clip-dialog progress').hidden", 30_000);
  const said = await page.text(".upload-say");
  await page.key("Escape");
  await page.until("!document.querySelector('dialog[open]')");
  await page.until(`document.getElementById("source").textContent.includes(${JSON.stringify(name.replace(/\.\w+$/, ""))})`, 10_000)
    .catch(async () => { throw new Error(`${name} was handed in, but the source shown is "${await page.text("#source")}"; it was said: ${said}`); });
  return said;
}

const go = async (page, step, line = null) => {
  const label = `[...document.querySelectorAll("#steps .step")].find((n) => ${line
    ? `n.closest(".of-line")?.getAttribute("aria-label") === ${JSON.stringify(line)} && n.getAttribute("aria-label").toLowerCase().includes(${JSON.stringify(step)})`
    : `!n.closest(".of-line") && n.getAttribute("aria-label").toLowerCase().startsWith(${JSON.stringify(step)})`})`;
  await page.until(`!!${label}`);
  await page.value(`(${label}).setAttribute("data-go", "")`);
  await page.press("[data-go]");
  // The very button that was pressed: one that is replaced meanwhile would lose the press, and the focus.
  await page.until("document.querySelector('[data-go]')?.getAttribute('aria-current') === 'step'", 5_000);
  await page.value("document.querySelector('[data-go]')?.removeAttribute('data-go')");
};

/** Types a reading, looks at how it was understood, keeps it, and waits until the program says that it is kept. */
async function keep(page, bench, window_1, window_2, { faults, doubts = null } = {}) {
  await page.until("document.querySelector('#offset').textContent !== '–'", 10_000);
  const before = (await bench.state()).readings.length;
  for (const [name, text] of [["window_1", window_1], ["window_2", window_2]]) {
    await page.press(`input[name=${name}]`);
    await page.value("document.activeElement.select()");
    await page.type(text || " ");
  }
  const wanted = degrees(window_1.replace("'", "′").replace('"', "″"));
  let understood = "";
  for (let tries = 0; tries < 60 && degrees(understood) !== wanted; tries += 1) { await pause(50); understood = await page.text("#understood"); }
  if (faults) must(faults, Math.abs(degrees(understood) - wanted) < 1e-6, `"${window_1}" was understood as "${understood}"`);
  await page.press(".reading button.main");
  // A doubt about what had been typed half way stays until the answer to the whole has come: one that lasts is meant.
  const doubted = () => page.value("!!document.querySelector('.despite')?.getClientRects().length");
  let lasting = 0;
  await pause(200);
  while (lasting < 8 && await doubted() && (await bench.state()).readings.length === before) { lasting += 1; await pause(200); }
  if (lasting === 8) {
    const doubt = await page.text("#understood .doubt");
    if (!doubts) throw new Error(`a reading of the practice experiment is doubted: ${doubt}`);
    doubts.push(doubt);
    await page.press(".despite");
  }
  for (let tries = 0; ; tries += 1) {
    const { readings } = await bench.state();
    if (readings.length === before + 1) return readings.at(-1);
    if (tries > 100) throw new Error(`${window_1} was not kept: ${await page.text("#said")}`);
    await pause(50);
  }
}

const startExperiment = async (page, lamp, lines) => {
  await page.key("1");
  await page.press(`.choose input[value="${lamp}"]`);
  await page.until("document.querySelectorAll('.choose input[name=line]').length > 0");
  const boxes = await page.value("[...document.querySelectorAll('.choose input[name=line]')].map((n) => [n.value, n.checked])");
  for (const [name, checked] of boxes) if (checked !== lines.includes(name)) await page.press(`.choose input[name=line][value="${name}"]`);
  await page.press(".choose button[type=submit]");
  await page.until("!document.querySelector('.choose')", 5_000);
  await page.key("2");
};

/** After a power cut and a start all is there again, the strips of the sweeps that were kept as well. */
async function resumed(page, bench, sweeps, faults, save) {
  const strip = "document.querySelector('.kept-strip')";
  /** Pixels of the strip that are drawn on, and the sentences of its turning points. */
  const drawn = async () => {
    await page.key("Escape");
    await page.key("3");
    await page.until(`document.querySelectorAll(".sweep-list > li").length === ${sweeps}`, 10_000);
    await page.press(".sweep-list > li:last-child > button");
    await page.until(`${strip}?.width > 100 && document.querySelectorAll(".turn-list li").length > 0`, 5_000);
    await pause(300);
    return page.value(`[[...${strip}.getContext("2d").getImageData(0, 0, ${strip}.width, ${strip}.height).data].filter((v, i) => i % 4 === 3 && v > 128).length, document.querySelector(".sweep-more:not([hidden])").innerText]`);
  };
  await page.size(1366, 768);
  const before = await drawn();
  await page.press(".sweep-list > li:last-child > button");
  await page.until(`!${strip}`, 2_000).catch(() => faults.push("the strip of a sweep can't be hidden"));
  await bench.kill();
  await page.until("document.documentElement.dataset.link !== 'live'", 12_000);
  await bench.start();
  await page.until("document.documentElement.dataset.link === 'live'", 15_000);
  await page.until("document.getElementById('no-picture')", 3_000).catch(() => faults.push("after a start without a source the picture from before still stands"));
  const after = await drawn();
  must(faults, before[0] > 1_000 && Math.abs(after[0] - before[0]) < 0.02 * before[0], `the strip of a kept sweep has ${before[0]} pixels before and ${after[0]} after a start`);
  must(faults, after[1] === before[1], `of a kept sweep is said before "${before[1]}" and after a start "${after[1]}"`);
  for (const [size, [width, height]] of Object.entries(SIZES)) {
    await page.size(width, height);
    await pause(250);
    for (const fault of (await inspected(page, size === "phone")).faults) faults.push(`${size}, kept sweep: ${fault}`);
    if (save) { await page.value(`${strip}.scrollIntoView({ block: "center" })`); await page.picture(join(save, `kept-sweep-${size}.png`)); }
  }
}

/** The whole practice experiment, with the page loaded anew in the middle. */
export async function experiment({ browser, program, footage, save }) {
  const faults = [];
  const truth = JSON.parse(readFileSync(join(footage, "truth.json"), "utf8"));
  const rows = table(join(footage, "readings.csv"));
  const lines = rows.filter((r) => r.target === "line");
  const logbook = folder("experiment");
  // The circle as in the practice bench; the camera's scale is what is measured here.
  const profile = join(folder("profile"), "bench.toml");
  writeFileSync(profile, readFileSync(join(footage, "bench.toml"), "utf8").replace(/\[camera\][^[]*/, ""));
  const bench = await Bench.start(program, logbook, ["--bench", profile]);
  const page = await browser.page();
  const picture = (name) => save ? page.picture(join(save, `experiment-${name}.png`)) : null;
  try {
    await page.size(1366, 768);
    await page.go(bench.address);
    await page.until("document.documentElement.dataset.link === 'live'");
    await startExperiment(page, "mercury", lines.map((l) => l.line));

    for (const row of table(join(footage, "scale.csv"))) {
      await go(page, "camera scale"); // after five the program would go on, but more are better
      await handIn(page, bench, join(footage, row.frame));
      await keep(page, bench, row.window_1, row.window_2, { faults });
    }
    await picture("scale");
    const scale = Number(/[−-]?[\d.]+/.exec((await bench.state()).experiment.scale?.text ?? "")?.[0].replace("−", "-"));
    must(faults, Math.abs(Math.abs(scale) - Math.abs(truth.arcsec_per_px)) < 0.15, `scale ${scale}″ a pixel, truth ${truth.arcsec_per_px}`);

    for (const row of rows.filter((r) => r.target.startsWith("face"))) {
      await go(page, "refracting angle");
      await handIn(page, bench, join(footage, row.footage));
      await keep(page, bench, row.window_1, row.window_2, { faults });
    }
    const angle = degrees((await bench.state()).experiment.refracting_angle?.text);
    must(faults, angle !== null && Math.abs(angle - truth.prism_angle_deg) * 3600 < 20, `refracting angle ${angle}°, truth ${truth.prism_angle_deg}°`);

    // Loaded anew in the middle, with a reading half typed.
    await go(page, "central", lines[0].line);
    await page.press("input[name=window_1]");
    await page.type("251 35");
    const kept = (await bench.state()).readings.length;
    await page.go(bench.address);
    await page.until("document.querySelector('input[name=window_1]')?.value === '251 35'", 10_000).catch(() => faults.push("what was typed is gone after the page was loaded anew"));
    await page.key("Escape");
    await page.key("3");
    await page.until(`document.querySelectorAll(".reading-list li").length === ${kept}`, 5_000).catch(() => faults.push("readings are missing after the page was loaded anew"));
    await page.key("2");

    const sets = [...new Set(lines.map((l) => l.set))];
    const doubts = [];
    let turned = 0;
    for (const set of sets) {
      const own = lines.filter((l) => l.set === set), first = own[0].line;
      await go(page, "sweep", first);
      await handIn(page, bench, join(footage, own[0].footage));
      await act(page, { do: "pause" });
      await act(page, { do: "seek", t_s: 0 });
      await act(page, { do: "speed", times: 2 });
      await page.value("document.activeElement.blur()");
      await page.key("t");
      await page.until("document.querySelector('#task button.main').getAttribute('aria-pressed') === 'true'", 5_000);
      await page.until("document.getElementById('play').getAttribute('aria-label') === 'Play'");
      await page.key(" ");
      for (let tries = 0; !(await bench.state()).source.ended; tries += 1) {
        if (tries > 300) throw new Error(`${own[0].footage} does not end`);
        await pause(100);
      }
      // Two lines in the field: the one of a step is said by pressing on it, counted from the left.
      if (own.length > 1) await page.press("#lines-seen button", Number(own[0].pick) - 1);
      if (set === sets[0]) await picture("sweep");
      await page.value("document.activeElement.blur()");
      await page.key("t");
      await page.until("/sweep is kept/.test(document.getElementById('said').textContent)", 10_000);
      for (const other of own.slice(1)) {
        await go(page, "sweep", other.line);
        await page.press("#lines-seen button", Number(other.pick) - 1);
        await pause(300);
      }
      for (const row of own) {
        const swept = (await bench.state()).sweeps.some((sweep) => sweep.lines.some((l) => l.name === row.line && l.turned));
        must(faults, swept, `${row.line}: the sweep was not seen to turn`);
        if (swept) turned += 1;
        await go(page, "reading", row.line);
        if (row === lines[0]) {
          const wrong = row.window_1.replace(/^(\d+)/, (d) => String(Number(d) + 1));
          await page.press("input[name=window_1]");
          await page.type(wrong);
          await page.press("input[name=window_2]");
          await page.type(row.window_2);
          await page.until("document.querySelector('#understood .doubt')", 5_000).catch(async () => faults.push(`a wrong degree (${wrong}) is not doubted: ${await page.text("#understood")}`));
          await picture("doubt");
        }
        // Before its own central image is read a line's deviation is preliminary and may be doubted.
        await keep(page, bench, row.window_1, row.window_2, { faults, doubts });
      }
      const image = rows.find((r) => r.target === "central" && r.set === set);
      await go(page, "central", first);
      await handIn(page, bench, join(footage, image.footage));
      await keep(page, bench, image.window_1, image.window_2, { faults });
      if (set === sets[0]) await picture("central");
    }
    must(faults, turned === lines.length, `${turned} of ${lines.length} lines turned`);

    await page.key("Escape");
    await page.key("3");
    await page.until(`document.querySelectorAll("#results .lines tbody tr").length === ${lines.length}`, 10_000);
    await page.until("!!document.querySelector('#results .drawing .curve')", 10_000);
    await picture("results");
    const shown = await page.value(`[...document.querySelectorAll("#results .lines tbody tr")].map((r) => [...r.children].map((c) => c.innerText))`);
    const state = await bench.state();
    const pulls = [];
    for (const line of truth.lines) {
      const row = shown.find((r) => r[0] === line.line);
      const stated = state.results.lines.find((l) => l.name === line.line);
      if (!row || !stated) { faults.push(`${line.line} is missing from the results`); continue; }
      const pull = (stated.n - line.n) / stated.u_n;
      pulls.push(pull);
      must(faults, Math.abs(pull) < 4, `${line.line}: n = ${stated.n} ± ${stated.u_n}, truth ${line.n}: ${pull.toFixed(1)} u off`);
      must(faults, stated.u_n > 2e-6 && stated.u_n < 1.5e-4, `${line.line}: the uncertainty of n is ${stated.u_n}`);
      // What is shown is what was measured, to the digits shown.
      const figure = Number(/\d\.\d+/.exec(row[1])?.[0]);
      must(faults, Math.abs(figure - line.n) < 6 * stated.u_n + 1e-6, `${line.line}: the page shows n = ${row[1]}, truth ${line.n}`);
      must(faults, Math.abs(degrees(row[2]) - line.deviation_deg) * 3600 < 40, `${line.line}: the page shows a deviation of ${row[2]}, truth ${line.deviation_deg}°`);
    }
    must(faults, doubts.length <= 2, `${doubts.length} right readings were doubted: ${doubts[0]}`);
    must(faults, pulls.length === truth.lines.length, `${pulls.length} of ${truth.lines.length} indices`);

    // The full page at every size, by day and by night: nothing cut off, nothing sideways, no light but red.
    const blank = await browser.page();
    for (const [size, [width, height]] of Object.entries(SIZES)) {
      await page.size(width, height);
      for (const dress of ["day", "night"]) {
        if (await page.value("document.documentElement.dataset.palette") !== dress) await page.key("n");
        for (const [nth, view] of ["aids", "measure", "results"].entries()) {
          await page.key(String(nth + 1));
          await pause(250);
          const seen = await inspected(page, size === "phone");
          for (const fault of seen.faults) faults.push(`${size}, ${dress}, ${view}: ${fault}`);
          const png = await page.picture(save ? join(save, `full-${view}-${size}-${dress}.png`) : null);
          if (dress === "night") {
            const { other, at } = await lights(blank, png);
            must(faults, other <= 8, `${size}, night, ${view}: green or blue of ${other} of 255 at ${at}`);
          }
          if (save && view === "results") await page.picture(join(save, `full-results-${size}-${dress}-whole.png`), true);
        }
      }
    }
    await blank.close();
    await page.size(1366, 768);
    if (await page.value("document.documentElement.dataset.palette") === "night") await page.key("n");
    await page.key("3");

    // A reading struck out with a reason leaves the results, stays in the list, and comes back.
    const last = state.readings.at(-1).id;
    await page.press(`.reading-list li[data-key="${last}"] button`);
    await page.type("practice");
    await page.key("Enter");
    await page.until(`/practice/.test(document.querySelector('.reading-list li[data-key="${last}"]').innerText)`, 5_000).catch(() => faults.push("the reason of a struck reading is not shown"));
    await page.press(`.reading-list li[data-key="${last}"] button`);
    await page.until(`!/practice/.test(document.querySelector('.reading-list li[data-key="${last}"]').innerText)`, 5_000).catch(() => faults.push("a struck reading does not come back"));
    for (const [name, start] of [["report.html", "<!"], ["report.pdf", "%PDF"], ["result.json", "{"], ["result.csv", ""], ["readings.csv", ""], ["logbook.jsonl", "{"]]) {
      try {
        const text = await (await bench.download(name)).text();
        must(faults, text.length > 200 && text.trimStart().startsWith(start), `${name} is no such file: ${text.slice(0, 40)}`);
      } catch (e) { faults.push(e.message); }
    }
    faults.push(...page.faults);
    const foreign = page.asked.filter((url) => !url.startsWith(bench.origin) && !/^(data|blob):/.test(url));
    must(faults, foreign.length === 0, `something is fetched from elsewhere: ${foreign.slice(0, 3)}`);
    must(faults, page.asked.length > 20, "no request was seen: the check sees nothing");
    await resumed(page, bench, sets.length, faults, save);
    const rms = Math.sqrt(pulls.reduce((s, p) => s + p * p, 0) / Math.max(1, pulls.length));
    return { faults, said: `scale ${scale}″/px (truth ${truth.arcsec_per_px.toFixed(3)}), angle ${angle?.toFixed(4)}° (${truth.prism_angle_deg.toFixed(4)}°), indices ${pulls.map((p) => `${p >= 0 ? "+" : ""}${p.toFixed(1)}`).join(" ")} u off, rms ${rms.toFixed(2)}; ${doubts.length} doubts` };
  } catch (e) {
    await picture("stopped");
    throw e;
  } finally { await page.close(); await bench.stop(); remove(logbook); remove(dirname(profile)); }
}

/** No mouse at all: the lamp chosen, a reading typed and kept, struck out, sound and palette changed, every focus visible. */
export async function keyboard({ browser, program, footage }) {
  const faults = [];
  const logbook = folder("keyboard");
  const bench = await Bench.start(program, logbook, ["--source", join(footage, "line-2.mp4")]);
  const page = await browser.page();
  const tabTo = async (selector, most = 80) => {
    for (let n = 0; n < most; n += 1) {
      if (await page.value(`document.activeElement?.matches(${JSON.stringify(selector)}) ?? false`)) return;
      await page.key("Tab");
    }
    throw new Error(`${selector} is not reached by ${most} tabs`);
  };
  try {
    await page.size(1366, 768);
    await page.go(bench.address);
    await page.until("Number(document.getElementById('picture').dataset.seq) > 0", 20_000);
    await page.value("document.addEventListener('mousedown', () => { window.mouseUsed = true; }, true)");
    // Every stop on the way through the page shows where it is.
    await page.key("2");
    let stops = 0;
    for (const unseen = new Set(); stops < 40; stops += 1) {
      await page.key("Tab");
      const at = await page.value(`(() => { const n = document.activeElement; if (!n || n === document.body) return null; const s = getComputedStyle(n), b = n.getBoundingClientRect(); return { what: n.id || n.innerText?.slice(0, 30) || n.tagName, ring: parseFloat(s.outlineWidth) >= 2 && s.outlineStyle !== "none", seen: b.bottom > 0 && b.top < innerHeight && b.width > 0 }; })()`);
      if (!at) break;
      if (!at.ring && !unseen.has(at.what)) { unseen.add(at.what); faults.push(`focus on "${at.what}" is not to be seen`); }
      if (!at.seen) faults.push(`focus goes to "${at.what}", which is out of sight`);
    }
    must(faults, stops >= 8, `only ${stops} stops by the tab key`);
    await page.value("document.activeElement.blur()");

    await page.key("1");
    await tabTo(".choose input[name=lamp]");
    await page.key(" ");
    await page.until("document.querySelectorAll('.choose input[name=line]').length > 0", 5_000);
    must(faults, await page.value("/ultraviolet|hot|voltage/i.test(document.querySelector('.caution-place').innerText)"), "no caution where the lamp is chosen");
    await tabTo(".choose button[type=submit]");
    await page.key("Enter");
    await page.until("!document.querySelector('.choose')", 5_000);
    await page.value("document.activeElement.blur()");
    await page.key("2");
    // On to the camera scale, and a reading kept.
    for (let n = 0; n < 3 && !(await page.value("!!document.querySelector('input[name=window_1]')")); n += 1) { await page.key("]"); await pause(400); }
    await page.key("w");
    await page.until("document.activeElement?.name === 'window_1'", 3_000);
    await page.type("202 49 30");
    await page.key("Tab");
    await page.type("22 49 30");
    await page.until("/202/.test(document.querySelector('#understood').textContent)", 5_000).catch(() => faults.push("it is not shown how a reading is understood"));
    await page.key("Enter");
    await pause(400);
    if (await page.value("document.activeElement?.matches('.despite') ?? false")) await page.key("Enter");
    let readings = [];
    for (let n = 0; n < 60 && readings.length === 0; n += 1) { readings = (await bench.state()).readings; await pause(50); }
    must(faults, readings.length === 1, `a reading typed and kept by keys is not there: ${await page.text("#said")}`);
    await page.key("Escape");
    // Palette, sound, keys on demand, pause.
    const was = await page.value("document.documentElement.dataset.palette");
    await page.key("n");
    must(faults, await page.value("document.documentElement.dataset.palette") !== was, "N does not change the palette");
    await page.value("window.tones = []; document.addEventListener('bench:tone', (e) => window.tones.push(e.detail))");
    must(faults, await page.value("document.getElementById('sound').getAttribute('aria-pressed')") === "false", "sound is not off at first");
    await page.key("s");
    must(faults, await page.value("document.getElementById('sound').getAttribute('aria-pressed')") === "true", "S does not switch the sound on");
    await replay(page);
    await page.value("window.spoken = []; new MutationObserver(() => window.spoken.push(document.getElementById('spoken').textContent)).observe(document.getElementById('spoken'), { childList: true, characterData: true, subtree: true })");
    await pause(8_500);
    const tones = await page.value("window.tones");
    const pitches = tones.filter((t) => t.what === "pip").map((t) => t.pitch_hz);
    must(faults, pitches.length > 5 && Math.max(...pitches) > 1.5 * Math.min(...pitches), `the pitch does not follow the line: ${pitches.length} pips`);
    must(faults, tones.some((t) => t.what === "turned"), "no tone when the line turned");
    const spoken = await page.value("window.spoken");
    must(faults, spoken.length <= 4, `the live region chatters: ${spoken.length} times in 8.5 s: ${spoken.slice(0, 3)}`);
    await page.key("s");
    await page.key("?");
    await page.until("document.getElementById('keys-dialog').open", 3_000).catch(() => faults.push("? does not show the keys"));
    await page.key("Escape");
    // Struck out by keys.
    await page.key("3");
    await tabTo(".reading-list button");
    await page.key("Enter");
    await page.until("document.activeElement?.name === 'reason'", 3_000);
    await page.type("typed by keys only");
    await page.key("Enter");
    await page.until("/typed by keys only/.test(document.querySelector('.reading-list').innerText)", 5_000).catch(() => faults.push("a reading can't be struck out by keys"));
    const end = (await bench.state()).readings;
    must(faults, end.length === 1 && end[0].struck === "typed by keys only", "the struck reading is gone or not struck");
    must(faults, !(await page.value("window.mouseUsed ?? false")), "the mouse was used");
    faults.push(...page.faults);
    return { faults, said: `${stops} stops by tab, ${pitches.length} pips, ${spoken.length} announcements in 8.5 s` };
  } finally { await page.close(); await bench.stop(); remove(logbook); }
}

/** What is no video is refused in a sentence, and the source stays. */
export async function refusal({ browser, program, footage }) {
  const faults = [];
  const logbook = folder("refusal");
  const bench = await Bench.start(program, logbook, ["--source", join(footage, "line-2.mp4")]);
  const page = await browser.page();
  const letter = join(logbook, "..", `letter-${process.pid}.mp4`);
  try {
    writeFileSync(letter, "This is a letter and no video.\n".repeat(2000));
    await page.size(390, 844);
    await page.go(bench.address);
    await page.until("document.documentElement.dataset.link === 'live' && !!document.getElementById('source').textContent");
    await pause(500);
    const before = (await bench.state()).source.name;
    await page.press("#hand-in");
    const { root } = await page.ask("DOM.getDocument");
    const { nodeId } = await page.ask("DOM.querySelector", { nodeId: root.nodeId, selector: "#clip-dialog input[type=file]" });
    await page.ask("DOM.setFileInputFiles", { nodeId, files: [letter] });
    await page.until("document.querySelector('.upload-say').textContent.length > 20 && document.querySelector('#clip-dialog progress').hidden", 15_000);
    const said = await page.text(".upload-say");
    must(faults, /video|clip|picture|read/i.test(said) && !/has arrived/i.test(said), `a letter is not refused clearly: ${said}`);
    must(faults, (await bench.state()).source.name === before, "a refused file has become the source");
    await page.key("Escape");
    await handIn(page, bench, join(footage, "line-4.mp4"));
    must(faults, /line-4/.test((await bench.state()).source.name), "a clip handed in is not the source");
    faults.push(...page.faults);
    return { faults, said: `"${said}"` };
  } finally { await page.close(); await bench.stop(); remove(logbook); remove(letter); }
}
