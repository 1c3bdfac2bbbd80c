// Joins the page: state comes in, each part shows its share of it, keys and presses go out as actions.

import { Choice, showAids } from "./aids.js";
import { byId, kept, setAttribute, setIcon, setText } from "./dom.js";
import { HandIn, invite } from "./dialogs.js";
import { Guide } from "./guide.js";
import { listen } from "./keys.js";
import { Link, takeKey } from "./link.js";
import { Results } from "./results.js";
import { Strip } from "./strip.js";
import { Tone } from "./tone.js";
import { View } from "./view.js";

const root = document.documentElement;
takeKey();
addEventListener("hashchange", () => { if (location.hash.length > 8) { takeKey(); location.reload(); } });

const link = new Link();
const tone = new Tone();
let state = null;

// What is said to people: a line at the foot for eyes, a polite region for readers of the screen, seldom.

let saidTimer = null;
const spoken = { last: "", at: 0, waiting: null };

function speak(text) {
  if (!text || text === spoken.last) return;
  const pause = Math.max(0, 3_000 - (performance.now() - spoken.at));
  clearTimeout(spoken.waiting);
  spoken.waiting = setTimeout(() => { spoken.at = performance.now(); spoken.last = text; setText(byId("spoken"), text); }, pause);
}

function say({ ok, said }) {
  const box = byId("said");
  if (!said) return;
  box.textContent = ok ? said : `Not done: ${said}`;
  box.dataset.ok = String(ok);
  box.hidden = false;
  clearTimeout(saidTimer);
  saidTimer = setTimeout(() => { box.hidden = true; }, ok ? 5_000 : 12_000);
  spoken.last = "";
  speak(box.textContent);
}

async function act(name, fields) {
  const answer = await link.act(name, fields);
  if (name !== "go" || !answer.ok) say(answer);
  return answer;
}
act.say = say;

// Views and palettes.

let view = "measure";

function look(name) {
  view = name;
  root.dataset.view = name;
  for (const tab of document.querySelectorAll(".tab")) setAttribute(tab, "aria-pressed", String(tab.dataset.view === name));
  for (const panel of document.querySelectorAll(".panel")) panel.hidden = panel.dataset.for !== name;
  kept.set("view", name);
  if (innerWidth < 900) scrollTo(0, 0);
}

function dress(night) {
  root.dataset.palette = night ? "night" : "day";
  kept.set("palette", root.dataset.palette);
  const button = byId("palette");
  setAttribute(button, "aria-pressed", String(night));
  setIcon(button, night ? "day" : "night");
  setText(button.querySelector(".word"), night ? "Day" : "Night");
  setAttribute(button, "aria-label", night ? "Day palette" : "Night palette");
  const paper = getComputedStyle(root).getPropertyValue("--paper").trim();
  document.querySelector("meta[name=theme-color]").content = paper;
  repaint();
}

function repaint() {
  eye.repaint();
  strip.repaint();
  results.repaint();
}

/** Three steps of brightness at night. */
function dim() {
  if (root.dataset.palette !== "night") return;
  root.dataset.dim = String((Number(root.dataset.dim ?? 0) + 1) % 3);
  kept.set("dim", root.dataset.dim);
  repaint();
}

function sound(on) {
  tone.switch(on);
  const button = byId("sound");
  setAttribute(button, "aria-pressed", String(on));
  setIcon(button, on ? "sound" : "silent");
  setText(button.querySelector(".word"), on ? "Sound on" : "Sound off");
  speak(on ? "Sound on" : "Sound off");
}

const guide = new Guide(link, act, look);
const eye = new View((line) => guide.select(line.id));
const strip = new Strip(byId("strip"));
const choice = new Choice(act);
const results = new Results(act, link);
const handIn = new HandIn(link, say);

// What the state shows.

const PHASES = { waiting: ["open", "Waiting"], moving: ["fair", "Moving"], near: ["fair", "Near the turn"], turned: ["yes", "Turned"], lost: ["poor", "Line lost"], reversed_by_hand_maybe: ["warn", "Reversed by hand?"] };

function showNow() {
  const { picture, guide: g } = state;
  const verdict = byId("verdict");
  const judged = picture?.say ? picture : null; // nothing is said of a picture that is not there
  setAttribute(verdict, "data-good", judged ? String(judged.good) : null);
  setIcon(verdict, !judged ? "open" : judged.good ? "yes" : "warn");
  setText(verdict.querySelector("span"), judged?.say ?? "Waiting for a picture");
  setText(byId("say"), g.say);
  setAttribute(byId("say"), "data-long", g.say.length > 120 ? "" : null);
  for (const part of ["table", "telescope"]) {
    const locked = g.locked?.[part] !== false;
    const item = byId(`lock-${part}`);
    setAttribute(item, "data-locked", String(locked));
    setIcon(item, locked ? "locked" : "free");
    setText(item.querySelector(".how"), locked ? "locked" : "may turn");
  }
}

function showOffset() {
  const { offset, turn } = state;
  const [value, u] = (offset?.text ?? "").split(/\s*±\s*/);
  setText(byId("offset"), value || "–");
  setAttribute(byId("offset"), "data-long", (value ?? "").length > 8 ? "" : null);
  setText(byId("offset-u"), u ? `± ${u}` : "");
  setText(byId("offset-name"), offset?.name ?? "");
  const side = byId("side");
  const words = !offset ? "No line, or no hairs, in the picture" : offset.right_of_hair ? "right of the hair" : "left of the hair";
  setText(side, words);
  setAttribute(side, "data-side", offset ? offset.right_of_hair ? "right" : "left" : null);
  setText(byId("slim"), offset ? `${offset.name ?? "Line"}  ${offset.text}${turn?.text ? `   ·   ${turn.text}` : ""}` : "No offset now");
}

function showTurn() {
  const { turn, track, offset } = state;
  const [symbol, words] = PHASES[turn?.phase] ?? PHASES.waiting;
  const box = byId("turn");
  setAttribute(box, "data-phase", turn?.phase ?? "waiting");
  setIcon(box, symbol);
  setText(byId("phase"), words);
  setText(byId("turns"), turn?.count ? `${turn.count} ${turn.count === 1 ? "turn" : "turns"} counted` : "");
  // The figure is written large, what it is a distance from small.
  const [, figure, rest] = /^([−-]?[\d.,\u202f\u2009]+\s?(?:″|px)?)\s*(.*)$/.exec(turn?.text ?? "") ?? [null, turn?.text ? "" : "–", turn?.text ?? ""];
  setText(byId("distance"), figure);
  setText(byId("distance-rest"), rest);
  setText(byId("turn-say"), turn?.say ?? "");
  const active = turn?.line_id ?? offset?.line_id ?? null;
  eye.select(offset?.line_id ?? active, offset?.name ?? null);
  strip.show(track, turn, active);
  setAttribute(byId("strip"), "aria-label", `Offset against time. ${turn?.text ?? ""} ${turn?.count ?? 0} turning points counted.`);
  tone.follow(turn, track?.unit ?? "px");
}

function showSource() {
  const { source, role } = state;
  setText(byId("source"), source.kind === "none" ? "No source: hand in a clip, or start the program with one" : source.trouble ?? source.name);
  setAttribute(byId("source"), "data-trouble", source.trouble ? "" : null);
  const age = eye.age_ms;
  setText(byId("rate"), source.kind === "none" ? "" : source.kind === "clip" && !source.playing ? "held" : [`${source.fps_analysed?.toFixed(0) ?? 0} frames a second`, source.lost ? `${source.lost} lost` : null, age === null ? null : `${Math.round(age / 10) * 10} ms old`].filter(Boolean).join(" · "));
  const clip = source.kind === "clip";
  byId("transport").hidden = !clip || role !== "operator";
  if (clip) {
    setIcon(byId("play"), source.playing ? "pause" : "play");
    setAttribute(byId("play"), "aria-label", source.playing ? "Pause" : "Play");
    const scrub = byId("scrub");
    if (source.duration_s) setAttribute(scrub, "max", source.duration_s);
    const t_s = source.t_s ?? 0; // no frame has come yet
    if (!scrub.dataset.held) scrub.value = String(t_s);
    setAttribute(scrub, "aria-valuetext", `${t_s.toFixed(1)} seconds`);
    setText(byId("clock"), `${t_s.toFixed(1)}${source.duration_s ? ` / ${source.duration_s.toFixed(1)}` : ""} s${source.speed && source.speed !== 1 ? ` ×${source.speed}` : ""}`);
  }
}

const before = { phase: null, count: 0, say: "", warn: "" };

/** Tells the readers of the screen what changed and matters; never the running figures. */
function announce() {
  const { turn, guide: g } = state;
  const warn = (g.warn ?? []).map((w) => w.message).join(" ");
  if (warn && warn !== before.warn) speak(warn);
  else if ((turn?.count ?? 0) > before.count) speak(`Turned. ${turn.say}`);
  else if (turn?.phase === "lost" && before.phase !== "lost") speak(`Line lost. ${turn.say}`);
  else if (g.say !== before.say) speak(g.say);
  Object.assign(before, { phase: turn?.phase ?? null, count: turn?.count ?? 0, say: g.say, warn });
}

link.addEventListener("state", ({ detail }) => {
  state = detail;
  root.dataset.role = state.role;
  byId("invite").hidden = !state.share;
  if (state.source.seq === 0) eye.clear();
  showNow();
  showOffset();
  showTurn();
  showSource();
  showAids(state);
  choice.show(state);
  guide.show(state);
  guide.seen(eye.sight);
  results.show(state);
  handIn.show(state.upload);
  announce();
});

// Connection.

let lostAt = null;
let lostTimer = null;

/** One banner for what makes figures stale: a lost connection comes before a camera that is silent. */
const banner = { link: "", camera: "" };

function showBanner(cause, text) {
  banner[cause] = text;
  const box = byId("banner");
  setText(box, banner.link || banner.camera);
  box.hidden = !box.textContent;
}

link.addEventListener("status", ({ detail: { status, was, why } }) => {
  root.dataset.link = status;
  const words = { connecting: "Connecting", live: "Connected", lost: "Connection lost", gone: "Program ended", refused: "No admittance" };
  setText(byId("link-text"), words[status]);
  setIcon(document.querySelector(".link"), { live: "good", connecting: "open" }[status] ?? "poor");
  clearInterval(lostTimer);
  if (status === "live") {
    if (lostAt !== null) say({ ok: true, said: "The connection is back. The figures are live again." });
    lostAt = null;
    showBanner("link", "");
    return;
  }
  if (status === "refused") { showBanner("link", why); return; }
  if (status === "connecting") return;
  if (lostAt === null) {
    lostAt = new Date();
    if (was === "live" && tone.on) tone.lost();
  }
  const clock = lostAt.toLocaleTimeString([], { hour: "2-digit", minute: "2-digit", second: "2-digit", hourCycle: "h23" });
  showBanner("link", status === "gone"
    ? `The program was ended at ${clock}. All figures here are stale. Start it again: everything that was kept is there, and this page goes on by itself.`
    : `Connection lost at ${clock}. All figures here are stale. Trying again; nothing that was kept is lost.`);
});

let drawnAt = performance.now();

link.frames(() => eye.wide, async (sight, blob) => {
  await eye.draw(sight, blob);
  drawnAt = performance.now();
  guide.seen(sight);
});

// A source that should give pictures and gives none for this long: what stands here is stale.
const STILL_MS = 4_000;
document.addEventListener("visibilitychange", () => { drawnAt = performance.now(); });
setInterval(() => {
  const source = state?.source;
  const due = link.status === "live" && !document.hidden && (["camera", "network"].includes(source?.kind) || (source?.kind === "clip" && source.playing));
  if (!due) drawnAt = performance.now();
  const still = performance.now() - drawnAt > STILL_MS;
  setAttribute(root, "data-still", still ? "" : null);
  showBanner("camera", still ? `No picture comes any more: the figures are stale. ${source.trouble ?? "Look at the camera and its cable."}` : "");
}, 500);
link.follow();

// Keys and presses.

const viewOf = (name) => () => look(name);
const playPause = () => { if (state?.source.kind === "clip") quiet(state.source.playing ? "pause" : "play"); };
const seek = (t_s) => { if (state?.source.kind === "clip") quiet("seek", { t_s: Math.max(0, Math.min(state.source.duration_s ?? t_s, t_s)) }); };

const speed = (times) => { if (state?.source.kind === "clip") quiet("speed", { times: Math.min(16, Math.max(0.125, (state.source.speed ?? 1) * times)) }); };

/** What is seen at once need not be said. */
async function quiet(name, fields) {
  const answer = await link.act(name, fields);
  if (!answer.ok) say(answer);
}

const showKeys = listen([
  { key: "1", does: "Set up: the aids, the lamp", act: viewOf("aids") },
  { key: "2", does: "Measure", act: viewOf("measure") },
  { key: "3", does: "Results and readings", act: viewOf("results") },
  { key: "w", does: "Type a reading (or reach the step's button)", operator: true, act: () => { look("measure"); guide.focus(); } },
  { key: "Enter", shown: "Enter", does: "Keep the reading that is typed", operator: true, act: () => { look("measure"); guide.focus(); } },
  { key: "t", does: "Start or end the sweep", operator: true, act: () => guide.sweep() },
  { key: "l", does: "Next line in the picture", operator: true, act: () => guide.next(eye.sight) },
  { key: "[", does: "One step back in the experiment", operator: true, act: () => guide.move(-1) },
  { key: "]", does: "One step on", operator: true, act: () => guide.move(1) },
  { key: "b", does: "Forget the best so far", operator: true, act: () => act("reset_best") },
  { key: "o", does: "Have the offset read out by the screen reader", act: () => { spoken.last = ""; spoken.at = -1e9; speak(state?.offset ? `${state.offset.text}, ${state.offset.right_of_hair ? "right" : "left"} of the hair. ${state.turn?.text ?? ""}` : "No offset now."); } },
  { key: "s", does: "Sound on or off", act: () => sound(!tone.on) },
  { key: "n", does: "Night or day palette", act: () => dress(root.dataset.palette !== "night") },
  { key: "d", does: "Dim the night palette, in three steps", act: dim },
  { key: "m", does: "The loupe at the hair, on or off", act: () => say({ ok: true, said: eye.magnify() ? "The loupe is on: it shows where the line is near the hair." : "The loupe is off." }) },
  { key: "f", does: "Full screen", act: () => { if (document.fullscreenElement) document.exitFullscreen(); else root.requestFullscreen?.().catch(() => {}); } },
  { key: " ", shown: "Space", does: "Play or pause the clip", operator: true, act: playPause },
  { key: "-", does: "Play the clip half as fast", operator: true, act: () => speed(0.5) },
  { key: "+", does: "Twice as fast", operator: true, act: () => speed(2) },
  { key: ",", does: "One frame back", operator: true, act: () => { if (state?.source.kind === "clip") quiet("step", { frames: -1 }); } },
  { key: ".", does: "One frame on", operator: true, act: () => { if (state?.source.kind === "clip") quiet("step", { frames: 1 }); } },
  { key: "ArrowLeft", shown: "←", does: "Two seconds back in the clip", operator: true, act: () => seek((state?.source.t_s ?? 0) - 2) },
  { key: "ArrowRight", shown: "→", does: "Two seconds on", operator: true, act: () => seek((state?.source.t_s ?? 0) + 2) },
  { key: "?", does: "These keys", act: () => {} },
], () => state?.role ?? "viewer");

for (const tab of document.querySelectorAll(".tab")) tab.addEventListener("click", viewOf(tab.dataset.view));
byId("sound").addEventListener("click", () => sound(!tone.on));
byId("palette").addEventListener("click", () => dress(root.dataset.palette !== "night"));
byId("keys").addEventListener("click", showKeys);
byId("hand-in").addEventListener("click", () => handIn.open());
byId("invite").addEventListener("click", () => invite(link, state.share));
byId("reset-best").addEventListener("click", () => act("reset_best"));
byId("play").addEventListener("click", playPause);
byId("step-back").addEventListener("click", () => quiet("step", { frames: -1 }));
byId("step-on").addEventListener("click", () => quiet("step", { frames: 1 }));
const scrub = byId("scrub");
let scrubTimer = null;
scrub.addEventListener("input", () => {
  scrub.dataset.held = "yes";
  clearTimeout(scrubTimer);
  scrubTimer = setTimeout(() => { seek(Number(scrub.value)); delete scrub.dataset.held; }, 80);
});

dress(root.dataset.palette === "night");
look(["aids", "measure", "results"].includes(kept.get("view")) ? kept.get("view") : "measure");
root.dataset.link = "connecting";
