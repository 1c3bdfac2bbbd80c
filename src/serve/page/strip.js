// Offset against time, as on a paper strip: the line's way, its turning points, and how far it is from the last one.
// Lines are told apart by their dashes, turning points by their shape.

import { byId, colours, enlarged } from "./dom.js";

const DASHES = [[], [7, 4], [2, 4], [9, 3, 2, 3]];

/** A step of 1, 2 or 5 times a power of ten that divides `span` into at most `most` parts. */
export function niceStep(span, most) {
  const raw = span / most;
  const power = 10 ** Math.floor(Math.log10(raw));
  return [1, 2, 5, 10].map((m) => m * power).find((s) => s >= raw) ?? 10 * power;
}

export class Strip {
  #canvas;
  #paint = null;
  #track = null;
  #turn = null;
  #active = null;
  #range = null;

  /** Drawn on `canvas`. */
  constructor(canvas) {
    this.#canvas = canvas;
    new ResizeObserver(() => this.redraw()).observe(canvas);
    this.repaint();
  }

  repaint() { this.#paint = colours("ink", "soft", "rule", "mark", "other"); this.redraw(); }

  /** Shows what goes on, up to now; a `track` with `kept` is one of a sweep that was kept, from its beginning to its end. */
  show(track, turn, active) {
    if (track?.unit !== this.#track?.unit) this.#range = null;
    [this.#track, this.#turn, this.#active] = [track, turn, active];
    this.redraw();
  }

  /** Grows at once with the offsets and shrinks only when much room is left, so that the picture stays calm. */
  #span(values) {
    let lo = Math.min(...values), hi = Math.max(...values);
    const least = this.#track.unit === "arcsec" ? 10 : 1;
    const middle = (lo + hi) / 2, half = Math.max(least / 2, 0.53 * (hi - lo));
    [lo, hi] = [middle - half, middle + half];
    const old = this.#range;
    if (!old || lo < old[0] || hi > old[1] || hi - lo < 0.4 * (old[1] - old[0])) this.#range = [lo, hi];
    return this.#range;
  }

  redraw() {
    const zoom = enlarged();
    const width = this.#canvas.clientWidth / zoom, height = this.#canvas.clientHeight / zoom;
    if (width === 0 || height === 0) return;
    const ratio = zoom * Math.min(2, window.devicePixelRatio || 1);
    const [cw, ch] = [Math.round(width * ratio), Math.round(height * ratio)];
    if (this.#canvas.width !== cw || this.#canvas.height !== ch) { this.#canvas.width = cw; this.#canvas.height = ch; }
    const pen = this.#canvas.getContext("2d");
    pen.setTransform(ratio, 0, 0, ratio, 0, 0);
    pen.clearRect(0, 0, width, height);
    const { ink, soft, rule, mark, other } = this.#paint;
    const size = 12;
    pen.font = `${size}px system-ui, "DejaVu Sans", sans-serif`;
    const edge = { left: 52, right: 12, top: 8, bottom: 20 };
    const points = this.#track?.points ?? [];
    if (points.length < 2) {
      pen.fillStyle = soft;
      pen.textAlign = "center";
      pen.fillText(this.#track?.kept ? "No line was followed in it." : "No line has been followed yet.", width / 2, height / 2);
      return;
    }
    // Not much empty paper at the beginning.
    const end = this.#track.kept?.end ?? points.at(-1)[0];
    const span = this.#track.kept ? Math.max(1e-3, end - this.#track.kept.begin) : Math.min(this.#track.window_s, Math.max(12, 1.1 * (end - points[0][0])));
    const start = end - span;
    const known = this.#track.turns.filter((t) => t.offset !== null);
    const turns = known.filter((t) => t.t_s >= start);
    const shown = points.filter((p) => p[0] >= start && (this.#active === null || p[3] === this.#active || !points.some((q) => q[3] === this.#active)));
    const [lo, hi] = this.#span([...(shown.length ? shown : points).map((p) => p[1]), ...turns.filter((t) => t.line_id === this.#active).map((t) => t.offset)]);
    const x = (t) => edge.left + (t - start) / (end - start) * (width - edge.left - edge.right);
    const room = 22; // for the marks of turning points beyond the extremes
    const y = (v) => edge.top + room + (hi - v) / (hi - lo) * (height - edge.top - edge.bottom - 2 * room);
    // Rules with their figures.
    const step = niceStep(hi - lo, Math.max(2, Math.floor(height / 44)));
    pen.lineWidth = 1;
    pen.textBaseline = "middle";
    const more = room * (hi - lo) / Math.max(1, height - edge.top - edge.bottom - 2 * room);
    for (let v = Math.ceil((lo - more) / step) * step; v <= hi + more; v += step) {
      pen.strokeStyle = rule;
      pen.beginPath(); pen.moveTo(edge.left, y(v)); pen.lineTo(width - edge.right, y(v)); pen.stroke();
      pen.fillStyle = soft;
      pen.textAlign = "right";
      const digits = Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
      pen.fillText(`${v < -step / 2 ? "−" : ""}${Math.abs(v).toFixed(digits)}${this.#track.unit === "arcsec" ? "″" : ""}`, edge.left - 6, y(v));
    }
    if (this.#track.unit !== "arcsec") { pen.textAlign = "left"; pen.fillText("px", 2, edge.top + 4); }
    pen.textAlign = "center";
    const every = niceStep(span, Math.max(2, Math.floor(width / 110)));
    const kept = this.#track.kept ?? null;
    for (let n = 0; n * every < span; n += 1) {
      const back = Number((n * every).toFixed(6));
      const at = x(kept ? start + back : end - back);
      pen.strokeStyle = rule;
      pen.beginPath(); pen.moveTo(at, height - edge.bottom); pen.lineTo(at, height - edge.bottom + 4); pen.stroke();
      pen.textAlign = n > 0 ? "center" : kept ? "left" : "right";
      pen.fillStyle = soft;
      const words = kept ? `${back} s` : n === 0 ? "now" : `${back} s ago`;
      pen.fillText(words, n > 0 ? at : kept ? edge.left : width - edge.right, height - 8);
    }
    pen.save();
    pen.beginPath(); pen.rect(edge.left, 0, width - edge.left - edge.right + 8, height - edge.bottom); pen.clip();
    // The hair itself.
    if (lo < 0 && hi > 0) {
      pen.strokeStyle = soft; pen.lineWidth = 1.5;
      pen.beginPath(); pen.moveTo(edge.left, y(0)); pen.lineTo(width - edge.right, y(0)); pen.stroke();
    }
    const ids = [...new Set(points.map((p) => p[3]))].sort((a, b) => a - b);
    ids.forEach((id, nth) => {
      const own = points.filter((p) => p[3] === id);
      const main = id === this.#active || ids.length === 1;
      pen.strokeStyle = main ? ink : soft;
      pen.lineWidth = main ? 2.2 : 1.2;
      pen.setLineDash(main ? [] : DASHES[1 + nth % 3]);
      pen.beginPath();
      own.forEach(([t, v], i) => { if (i === 0 || t - own[i - 1][0] > 1) pen.moveTo(x(t), y(v)); else pen.lineTo(x(t), y(v)); });
      pen.stroke();
      pen.setLineDash([]);
      const last = own.at(-1);
      if (main && !kept && last[0] > end - 1) { pen.fillStyle = ink; pen.beginPath(); pen.arc(x(last[0]), y(last[1]), 4.5, 0, 7); pen.fill(); }
    });
    let number = 0, lastAt = -Infinity;
    for (const turn of known) {
      if (turn.counted) number += 1;
      if (turn.t_s < start) continue;
      // Two lines that turn together: their numbers stand one beside the other.
      const beside = turn.counted && x(turn.t_s) - lastAt < 20 ? 14 : 0;
      if (turn.counted) lastAt = x(turn.t_s);
      this.#turning(pen, turn, number, x(turn.t_s), y(turn.offset), points, { mark, other, ink, beside });
    }
    // From the last turning point to where the line is now.
    const extreme = [...known].reverse().find((t) => t.counted && t.line_id === this.#active);
    const now = points.findLast((p) => p[3] === this.#active);
    if (extreme && now && this.#turn?.distance !== null) {
      pen.strokeStyle = mark; pen.lineWidth = 1.5; pen.setLineDash([5, 4]);
      const from = Math.max(edge.left, x(extreme.t_s));
      pen.beginPath(); pen.moveTo(from, y(extreme.offset)); pen.lineTo(x(now[0]), y(extreme.offset)); pen.stroke();
      pen.setLineDash([]);
      pen.lineWidth = 2;
      pen.beginPath(); pen.moveTo(x(now[0]), y(extreme.offset)); pen.lineTo(x(now[0]), y(now[1])); pen.stroke();
    }
    pen.restore();
  }

  #turning(pen, turn, number, x, y, points, { mark, other, ink, beside }) {
    // The triangle stands beyond the extreme and points at it.
    const near = points.filter((p) => p[3] === turn.line_id && Math.abs(p[0] - turn.t_s) < 3);
    const mean = near.reduce((sum, p) => sum + p[1], 0) / Math.max(1, near.length);
    const up = turn.offset >= mean ? -1 : 1; // the side away from the track, in screen direction
    const base = y + up * 5;
    pen.lineWidth = 2;
    pen.beginPath();
    if (turn.counted) {
      pen.moveTo(x, base); pen.lineTo(x - 8, base + up * 13); pen.lineTo(x + 8, base + up * 13); pen.closePath();
      pen.fillStyle = mark; pen.fill();
      pen.font = "700 12px system-ui, 'DejaVu Sans', sans-serif"; pen.textAlign = "left";
      pen.fillText(String(number), x + 11 + beside, base + up * 8);
    } else {
      const c = base + up * 8;
      pen.strokeStyle = other;
      pen.moveTo(x, c - 6); pen.lineTo(x + 6, c); pen.lineTo(x, c + 6); pen.lineTo(x - 6, c); pen.closePath();
      pen.moveTo(x - 9, c + 9); pen.lineTo(x + 9, c - 9);
      pen.stroke();
    }
    pen.strokeStyle = ink;
  }
}
