// The picture in the eyepiece, and the marks around what was found in it.
// The picture has a canvas of its own, so nothing is ever painted over it but the marks, and these stand at the
// ends and beside a line, in the gutter and outside the field: never on the line.

import { byId, colours, enlarged } from "./dom.js";
import { Loupe } from "./loupe.js";

const GUTTER = { left: 18, right: 18, top: 38, bottom: 30 }; // pixels around the picture, at 16 px a letter

/** Where a line's axis is at a height, pixels of the frame. */
function axis(line, y) {
  const d = y - line.y_ref_px;
  return line.x_px + Math.tan(line.tilt_deg * Math.PI / 180) * d + line.curvature_per_px / 2 * d * d;
}

export class View {
  #box = byId("view");
  #picture = byId("picture");
  #marks = byId("marks");
  #nothing = byId("no-picture");
  #bitmap = null;
  #red = false;
  #sight = null;
  #active = null;
  #activeName = null;
  #paint = null;
  #loupe = new Loupe();
  #ages = [];
  #onpick;

  /** `onpick(line)` is called with the line that was pointed at. */
  constructor(onpick) {
    this.#onpick = onpick;
    new ResizeObserver(() => this.redraw()).observe(this.#box);
    this.#marks.addEventListener("click", (e) => this.#pick(e));
    this.repaint();
  }

  /** Reads the colours of the palette anew; at night the picture itself is lit in red only. */
  repaint() {
    const red = document.documentElement.dataset.palette === "night";
    if (red !== this.#red) { this.#red = red; this.#show(); }
    this.#paint = colours("mark-line", "mark-hair", "mark-halo", "mark-ink", "mark-soft");
    this.redraw();
  }

  /** Which line the figures are about, and its name where it has one. */
  select(id, name) {
    if (id === this.#active && name === this.#activeName) return;
    [this.#active, this.#activeName] = [id, name];
    this.redraw();
  }

  get sight() { return this.#sight; }

  /** Pixels of the screen that the picture is wide. */
  get wide() {
    const { zoom, scale, w } = this.#place();
    return Math.max(1, Math.round(zoom * scale * w * Math.min(2, window.devicePixelRatio || 1)));
  }

  /** Median age of the last pictures when they were drawn, in ms, by this computer's clock; null on another computer. */
  get age_ms() {
    if (this.#ages.length === 0) return null;
    const sorted = [...this.#ages].sort((a, b) => a - b);
    return sorted[sorted.length >> 1];
  }

  /** Draws a frame; done when it is on its way to the screen. Tells `bench:drawn` what was drawn when. */
  async draw(sight, blob) {
    const bitmap = await createImageBitmap(blob);
    await new Promise(requestAnimationFrame);
    this.#bitmap?.close();
    this.#bitmap = bitmap; // kept for a change of palette while the picture stands
    this.#show();
    if (this.#nothing.isConnected) this.#nothing.remove();
    const size = this.#sight ? `${this.#sight.width}x${this.#sight.height}` : "";
    this.#sight = sight;
    if (size !== `${sight.width}x${sight.height}`) this.#box.style.setProperty("--ratio", String(sight.width / sight.height));
    this.redraw();
    const drawn_ms = performance.timeOrigin + performance.now();
    const age = drawn_ms - sight.taken_ms;
    if (age >= 0 && age < 60_000) this.#ages.push(age); // else the clocks of two computers differ
    if (this.#ages.length > 60) this.#ages.shift();
    this.#picture.dataset.seq = sight.seq;
    this.#picture.dispatchEvent(new CustomEvent("bench:drawn", { bubbles: true, detail: { sight, drawn_ms } }));
  }

  /** There is no picture any more, as of a source before this one or of a program that was started anew. */
  clear() {
    if (!this.#bitmap) return;
    this.#bitmap.close();
    [this.#bitmap, this.#sight] = [null, null];
    this.#picture.width = 0;
    this.#ages = [];
    this.#box.append(this.#nothing);
    this.redraw();
  }

  #show() {
    const bitmap = this.#bitmap;
    if (!bitmap) return;
    const { width, height } = bitmap;
    if (this.#picture.width !== width || this.#picture.height !== height) {
      this.#picture.width = width;
      this.#picture.height = height;
    }
    const pen = this.#picture.getContext("2d", { alpha: false, willReadFrequently: true });
    pen.drawImage(bitmap, 0, 0);
    if (!this.#red) return;
    // Every colour of the picture counts alike, so that a violet line is as bright at night as a red one.
    const all = pen.getImageData(0, 0, width, height);
    const { data } = all;
    for (let i = 0; i < data.length; i += 4) {
      data[i] = (data[i] + data[i + 1] + data[i + 2]) / 3;
      data[i + 1] = 0;
      data[i + 2] = 0;
    }
    pen.putImageData(all, 0, 0);
  }

  #place() {
    const zoom = enlarged();
    const width = this.#box.clientWidth / zoom, height = this.#box.clientHeight / zoom;
    const { width: w, height: h } = this.#sight ?? { width: 4, height: 3 };
    const scale = Math.max(0.01, Math.min((width - GUTTER.left - GUTTER.right) / w, (height - GUTTER.top - GUTTER.bottom) / h));
    const left = GUTTER.left + (width - GUTTER.left - GUTTER.right - scale * w) / 2;
    const top = GUTTER.top + (height - GUTTER.top - GUTTER.bottom - scale * h) / 2;
    return { zoom, width, height, w, h, scale, left, top };
  }

  redraw() {
    const place = this.#place();
    const { zoom, width, height, w, h, scale, left, top } = place;
    // (0, 0) is the centre of the top-left pixel, so the picture's edge lies at -1/2. Of a picture that was made smaller,
    // columns and rows that make no whole pixel are missing.
    const pixel = zoom * scale * (this.#sight?.divisor ?? 1);
    const [pw, ph] = this.#bitmap ? [pixel * this.#bitmap.width, pixel * this.#bitmap.height] : [zoom * scale * w, zoom * scale * h];
    Object.assign(this.#picture.style, { left: `${zoom * left}px`, top: `${zoom * top}px`, width: `${pw}px`, height: `${ph}px` });
    const ratio = zoom * Math.min(2, window.devicePixelRatio || 1);
    const marks = this.#marks;
    const [mw, mh] = [Math.round(width * ratio), Math.round(height * ratio)];
    if (marks.width !== mw || marks.height !== mh) { marks.width = mw; marks.height = mh; }
    const pen = marks.getContext("2d");
    pen.setTransform(ratio, 0, 0, ratio, 0, 0);
    pen.clearRect(0, 0, width, height);
    if (!this.#sight) { this.#loupe.show(null, null, null, place, null); return; }
    const at = { x: (x) => left + (x + 0.5) * scale, y: (y) => top + (y + 0.5) * scale };
    this.#hairs(pen, place, at);
    this.#lines(pen, place, at);
    this.#loupe.show(this.#bitmap ? this.#picture : null, this.#sight, this.#active, place, this.#paint["mark-hair"]);
  }

  /** Switches the loupe on or off; says which. */
  magnify() {
    this.#loupe.on = !this.#loupe.on;
    this.redraw();
    return this.#loupe.on;
  }

  /** A stroke with a dark edge, so that it shows on any picture. */
  #stroke(pen, colour, width, path) {
    pen.beginPath();
    path();
    pen.lineCap = "round";
    pen.lineJoin = "round";
    pen.strokeStyle = this.#paint["mark-halo"];
    pen.lineWidth = width + 2.5;
    pen.stroke();
    pen.strokeStyle = colour;
    pen.lineWidth = width;
    pen.stroke();
  }

  /** Arrowheads in the gutter where the hairs leave the picture, and the hairs drawn on outside the field. */
  #hairs(pen, { w, h, scale, left, top }, at) {
    const { cross_hairs: hairs, field } = this.#sight;
    if (!hairs) return;
    const colour = this.#paint["mark-hair"];
    const turn = Math.tan(hairs.rotation_deg * Math.PI / 180);
    const ends = [
      [hairs.x_px + turn * hairs.y_px, -0.5, 0, -1],
      [hairs.x_px - turn * (h - 1 - hairs.y_px), h - 0.5, 0, 1],
      [-0.5, hairs.y_px - turn * hairs.x_px, -1, 0],
      [w - 0.5, hairs.y_px + turn * (w - 1 - hairs.x_px), 1, 0],
    ];
    for (const [x, y, dx, dy] of ends) {
      const px = Math.min(left + scale * w, Math.max(left, at.x(x)));
      const py = Math.min(top + scale * h, Math.max(top, at.y(y)));
      pen.beginPath();
      pen.moveTo(px + 3 * dx, py + 3 * dy);
      pen.lineTo(px + 12 * dx + 6 * dy, py + 12 * dy + 6 * dx);
      pen.lineTo(px + 12 * dx - 6 * dy, py + 12 * dy - 6 * dx);
      pen.closePath();
      pen.fillStyle = colour;
      pen.fill();
      if (field) {
        const reach = Math.hypot(x - field.x_px, y - field.y_px);
        const part = (field.radius_px + 6) / reach;
        if (part < 0.97) {
          this.#stroke(pen, colour, 1.2, () => {
            pen.moveTo(px, py);
            pen.lineTo(at.x(field.x_px + (x - field.x_px) * part), at.y(field.y_px + (y - field.y_px) * part));
          });
        }
      }
    }
  }

  /** Where the marks on one side of a line at a height begin and how long they may be: beyond a neighbour that is too near, and short of the next. */
  #room(line, side, y, gap, long, scale) {
    const clear = 9; // half a mark's width, and a bar
    const others = this.#sight.lines.filter((other) => other !== line)
      .map((other) => ({ at: side * (axis(other, y) - axis(line, y)) * scale, half: 0.5 * other.width_px * scale + clear }))
      .filter((other) => other.at > 0).sort((a, b) => a.at - b.at);
    let from = gap;
    for (const other of others) if (from > other.at - other.half) from = Math.max(from, other.at + other.half);
    const next = others.find((other) => other.at > from);
    return { gap: from, long: next ? Math.min(long, next.at - next.half - from) : long };
  }

  #lines(pen, { width, height, scale, left, top, w }, at) {
    const { lines, cross_hairs: hairs } = this.#sight;
    const colour = this.#paint["mark-line"];
    pen.font = "600 13px system-ui, 'DejaVu Sans', sans-serif";
    pen.textBaseline = "middle";
    const taken = [];
    // The active line comes first and so gets its name written; the others theirs where there is room.
    for (const line of [...lines].sort((a, b) => (b.id === this.#active) - (a.id === this.#active) || a.x_px - b.x_px)) {
      const active = line.id !== null && line.id === this.#active;
      const gap = Math.max(9, 0.5 * line.width_px * scale * 2.2 + 6), long = active ? 16 : 9;
      const room = (y) => [-1, 1].map((side) => this.#room(line, side, y, gap, long, scale));
      const weight = active ? 2.6 : 1.4;
      if (line.under_hair) pen.setLineDash([4, 4]);
      // Brackets beyond both ends: bars above and below, legs at the sides.
      const high = Math.max(at.y(line.top_px) - 4, top + 3), low = Math.min(at.y(line.bottom_px) + 4, top + scale * this.#sight.height - 3);
      for (const [y, inward, row] of [[high, 1, line.top_px], [low, -1, line.bottom_px]]) {
        const x = at.x(axis(line, row)), [before, behind] = room(row);
        this.#stroke(pen, colour, weight, () => {
          pen.moveTo(x - before.gap, y + inward * 11); pen.lineTo(x - before.gap, y); pen.lineTo(x - before.gap + 5, y);
          pen.moveTo(x + behind.gap, y + inward * 11); pen.lineTo(x + behind.gap, y); pen.lineTo(x + behind.gap - 5, y);
        });
      }
      pen.setLineDash([]);
      // Ticks on both sides at the height of the crossing, where the line's position is stated.
      const x = at.x(line.x_px), y = at.y(line.y_ref_px), [before, behind] = room(line.y_ref_px);
      this.#stroke(pen, colour, weight, () => {
        for (const [side, { gap: from, long: length }] of [[-1, before], [1, behind]]) {
          if (length < 4) continue;
          const tip = x + side * from;
          pen.moveTo(tip, y); pen.lineTo(tip + side * length, y);
          if (active && length > 8) { pen.moveTo(tip + side * 6, y - 5); pen.lineTo(tip, y); pen.lineTo(tip + side * 6, y + 5); }
        }
      });
      // Its name in the gutter, where there is room.
      const name = `${line.name ?? (active ? this.#activeName : null) ?? (line.id === null ? "line" : `line ${line.id}`)}${line.saturated ? ", too bright" : ""}`;
      const wide = pen.measureText(name).width;
      const start = Math.min(width - wide - 6, Math.max(6, at.x(axis(line, line.top_px)) - wide / 2));
      if (taken.every(([from, to]) => start > to + 10 || start + wide < from - 10)) {
        pen.fillStyle = active ? this.#paint["mark-ink"] : this.#paint["mark-soft"];
        pen.fillText(name, start, Math.max(9, top - 28));
        if (active) pen.fillRect(start, Math.max(18, top - 19), wide, 2);
        taken.push([start, start + wide]);
      }
      // The offset as a measure in the lower gutter: from the hair to the line.
      if (active && hairs) {
        const foot = Math.min(height - 10, top + scale * this.#sight.height + 18), from = at.x(hairs.x_px);
        const side = Math.sign(x - from);
        pen.strokeStyle = pen.fillStyle = colour;
        pen.lineWidth = 2;
        pen.beginPath();
        pen.moveTo(from, foot - 6); pen.lineTo(from, foot + 6);
        pen.moveTo(x, foot - 6); pen.lineTo(x, foot + 6);
        pen.moveTo(from, foot); pen.lineTo(x, foot);
        if (Math.abs(x - from) > 12) { pen.moveTo(x - side * 7, foot - 4); pen.lineTo(x - side, foot); pen.lineTo(x - side * 7, foot + 4); }
        pen.stroke();
      }
    }
    // Whatever mark would lie on a line after all, its neighbour's as well: the light stays bare from end to end.
    pen.save();
    pen.globalCompositeOperation = "destination-out";
    pen.lineCap = "butt";
    for (const line of lines) {
      pen.beginPath();
      for (let row = line.top_px; row < line.bottom_px; row += 8) pen.lineTo(at.x(axis(line, row)), at.y(row));
      pen.lineTo(at.x(axis(line, line.bottom_px)), at.y(line.bottom_px));
      pen.lineWidth = line.width_px * scale + 5;
      pen.stroke();
    }
    pen.restore();
  }

  #pick(e) {
    if (!this.#sight) return;
    const { zoom, left, scale } = this.#place();
    const box = this.#marks.getBoundingClientRect();
    const x = ((e.clientX - box.left) / zoom - left) / scale - 0.5;
    const nearest = this.#sight.lines.filter((l) => l.id !== null).sort((a, b) => Math.abs(a.x_px - x) - Math.abs(b.x_px - x))[0];
    if (nearest && Math.abs(nearest.x_px - x) * scale < 40) this.#onpick(nearest);
  }
}
