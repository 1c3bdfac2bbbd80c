// The active line near the hair, enlarged, in a corner of the view where nothing is measured: beside the field, and
// never over a line. It shows the picture as it stands and measures nothing.

import { byId, kept } from "./dom.js";

const SIDES = [128, 112, 96, 80]; // pixels, at 16 px a letter: the largest that has room beside the field
const EDGE = 8; // between it and the edge of the view
const LEAST = 20, MOST = 64; // pixels of the frame that it shows; a line farther from the hair needs no loupe
const CLEAR = 14; // between it and the marks of a line

export class Loupe {
  #canvas = byId("loupe");
  #on = kept.get("loupe") !== "off";

  get on() { return this.#on; }
  set on(on) { this.#on = on; kept.set("loupe", on ? "on" : "off"); }

  /** Shows what `picture` (a canvas) has of the line of number `active`; hidden where there is no room or no need. */
  show(picture, sight, active, place, colour) {
    const part = this.#on && picture ? this.#part(sight, active) : null;
    const corner = part && this.#corner(sight, place);
    this.#canvas.hidden = !corner;
    if (!corner) return;
    const { zoom } = place;
    const { side } = corner;
    Object.assign(this.#canvas.style, { left: `${zoom * corner.left}px`, top: `${zoom * corner.top}px`, width: `${zoom * side}px`, height: `${zoom * side}px` });
    const size = Math.round(zoom * side * Math.min(2, window.devicePixelRatio || 1));
    if (this.#canvas.width !== size) this.#canvas.width = this.#canvas.height = size;
    const pen = this.#canvas.getContext("2d", { alpha: false });
    pen.fillStyle = "#000";
    pen.fillRect(0, 0, size, size);
    const k = sight.divisor ?? 1, { x, y, wide } = part;
    pen.imageSmoothingQuality = "high";
    // The frame's pixel (0, 0) reaches from -1/2 to 1/2.
    pen.drawImage(picture, (x - wide / 2 + 0.5) / k, (y - wide / 2 + 0.5) / k, wide / k, wide / k, 0, 0, size, size);
    // Where the hair is, told at the rim only.
    const at = size * ((sight.cross_hairs.x_px - x) / wide + 0.5), rim = 0.07 * size;
    pen.fillStyle = colour;
    for (const [from, tip] of [[0, rim], [size, size - rim]]) {
      pen.beginPath();
      pen.moveTo(at - 0.6 * rim, from);
      pen.lineTo(at + 0.6 * rim, from);
      pen.lineTo(at, tip);
      pen.fill();
    }
  }

  /** The square of the frame that it shows: line and hair at the height at which the line's place is stated, a little beside the level hair. */
  #part(sight, active) {
    const hairs = sight?.cross_hairs;
    const line = sight?.lines.find((l) => l.id !== null && l.id === active);
    if (!hairs || !line) return null;
    const off = line.x_px - hairs.x_px;
    const wide = Math.max(LEAST, 2.2 * Math.abs(off) + 3 * line.width_px);
    return wide > MOST * sight.width / 640 ? null : { x: hairs.x_px + off / 2, y: hairs.y_px, wide };
  }

  /** A lower corner of the view beside the field, where no line nor its marks come near; none where there is no such corner. */
  #corner(sight, place) {
    for (const side of SIDES) {
      for (const left of [place.width - side - EDGE, EDGE]) {
        const corner = { side, left, top: place.height - side - EDGE };
        if (left >= EDGE && this.#free(corner, sight, place)) return corner;
      }
    }
    return null;
  }

  #free({ side, left: from, top: high }, sight, { height, scale, left, top }) {
    const x = (px) => left + (px + 0.5) * scale, y = (px) => top + (px + 0.5) * scale;
    if (high < 0.4 * height) return false;
    const apart = (at, reach) => at + reach < from || at - reach > from + side;
    const lines = sight.lines.every((line) => {
      const lean = Math.abs(Math.tan(line.tilt_deg * Math.PI / 180)) * (line.bottom_px - line.top_px) * scale;
      return y(line.bottom_px) + 12 < high || apart(x(line.x_px), Math.max(9, 1.1 * line.width_px * scale + 6) + CLEAR + lean);
    });
    // The arrowheads of the hairs and the measure of the offset stand in the gutters.
    const hairs = apart(x(sight.cross_hairs.x_px), 12) && y(sight.cross_hairs.y_px) + 24 < high;
    const { field } = sight;
    const near = (value, low, width) => Math.max(low - value, value - low - width, 0);
    const outside = !field || Math.hypot(near(x(field.x_px), from, side), near(y(field.y_px), high, side)) > field.radius_px * scale;
    return lines && hairs && outside;
  }
}
