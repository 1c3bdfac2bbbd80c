// The sweeps that were kept, the newest first: what turned in each, and on request its strip with all turning points and why
// each counts or not. They are in the logbook, so they are here after a start of the program, too.

import { changed, clock, el, icon, keyed, setAttribute, setText } from "./dom.js";
import { Strip } from "./strip.js";

const passes = (n) => `${n} ${n === 1 ? "pass" : "passes"}`;

/** What became of a sweep, in a line. */
function summary(sweep) {
  const turned = sweep.lines.filter((l) => l.turned);
  if (turned.length === 0) return "no line turned";
  return turned.map((l) => `${l.name ?? "a line without a name"}: ${passes(l.passes)}`).join(", ");
}

export class Sweeps {
  #box;
  #link;
  #list = el("ol", { class: "sweep-list" });
  #open = new Map();
  #scale = null;

  constructor(box, link) {
    this.#box = box;
    this.#link = link;
    box.append(el("h2", {}, "Sweeps"), this.#list);
    box.hidden = true;
  }

  repaint() { for (const { strip } of this.#open.values()) strip?.repaint(); }

  show({ sweeps = [], experiment }) {
    this.#box.hidden = sweeps.length === 0;
    this.#scale = experiment?.scale?.text ?? null;
    keyed(this.#list, [...sweeps].reverse(), (s) => s.id, (s) => this.#row(s), (node, s) => {
      const [head, what, button, more] = node.children;
      setText(head, `Sweep ${s.id}  ·  ${clock(s.at)}`);
      setText(what, summary(s));
      setAttribute(button, "aria-label", `${more.hidden ? "Show" : "Hide"} the strip of sweep ${s.id}`);
      node.sweep = s;
      // Its lines may get their names later, and the camera's scale its value.
      if (this.#open.get(s.id)?.other([s.lines, this.#scale])) this.#fill(s.id, more);
    });
  }

  #row(first) {
    const { id } = first;
    const more = el("div", { class: "sweep-more", hidden: true });
    const button = el("button", { type: "button", class: "quiet", "aria-expanded": "false", onclick: () => {
      const open = more.hidden;
      more.hidden = !open;
      setText(button, open ? "Hide the strip" : "Show the strip");
      setAttribute(button, "aria-expanded", String(open));
      setAttribute(button, "aria-label", `${open ? "Hide" : "Show"} the strip of sweep ${id}`);
      // One that is closed keeps nothing.
      if (!open) { this.#open.delete(id); more.replaceChildren(); return; }
      const other = changed();
      other([node.sweep.lines, this.#scale]);
      this.#open.set(id, { other, strip: null });
      this.#fill(id, more);
    } }, "Show the strip");
    const node = el("li", {}, el("p", { class: "reading-head figures" }), el("p", { class: "sweep-what figures" }), button, more);
    return node;
  }

  async #fill(id, more) {
    const sweep = await this.#link.sweep(id);
    const open = this.#open.get(id);
    if (!open) return;
    if (!sweep) { open.strip = null; more.replaceChildren(el("p", { class: "soft" }, "It could not be had from the program; hide it and show it again.")); return; }
    const name = (line) => sweep.lines.find((l) => l.line === line)?.name ?? (sweep.lines.length > 1 ? `line ${line} from the left` : "the line");
    const { strip } = sweep;
    const canvas = strip.points.length > 0 ? el("canvas", { class: "kept-strip", role: "img", "aria-label": `Offset against time in sweep ${id}, with ${strip.turns.filter((t) => t.counted).length} turning points that count` }) : null;
    const figures = sweep.lines.filter((l) => l.turned && l.text).map((l) => `${name(l.line)}: turning point at ${l.text} from the hair`);
    const turns = strip.turns.map((t) => el("li", {}, icon(t.counted ? "yes" : "warn"), el("span", {}, `${(t.t_s - sweep.begin_s).toFixed(1)} s, ${name(t.line_id)}: ${t.why}`)));
    more.replaceChildren(...[
      canvas ?? el("p", { class: "soft" }, "Its track is not in the logbook; the turning points are."),
      ...figures.map((text) => el("p", { class: "figures" }, text)),
      turns.length > 0 ? el("ul", { class: "turn-list figures" }, turns) : el("p", { class: "soft" }, "No line came back in it."),
      el("p", { class: "soft kept-as" }, [`${sweep.frames} frames`, sweep.recording && `recording ${sweep.recording}`, sweep.track && `track ${sweep.track}`].filter(Boolean).join("  ·  ")),
    ]);
    open.strip = null;
    if (!canvas) return;
    open.strip = new Strip(canvas);
    const active = sweep.lines.find((l) => l.turned)?.line ?? sweep.lines[0]?.line ?? null;
    open.strip.show({ ...strip, kept: { begin: sweep.begin_s, end: sweep.end_s } }, { distance: null }, active);
  }
}
