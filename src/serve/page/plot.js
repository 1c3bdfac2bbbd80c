// Index against wavelength: the measured lines with their error bars, the fitted curve with its band, and below, on
// the same scale of wavelengths, what is left over. All values are the program's; here they are only placed.

import { svg } from "./dom.js";
import { niceStep } from "./strip.js";

const path = (points) => points.map(([x, y], i) => `${i ? "L" : "M"}${x.toFixed(1)} ${y.toFixed(1)}`).join("");

function ticks(lo, hi, most) {
  const step = niceStep(hi - lo, most);
  const digits = Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
  const list = [];
  for (let v = Math.ceil(lo / step - 1e-9) * step; v <= hi + 1e-9 * step; v += step) list.push([v, v.toFixed(digits).replace("-", "−")]);
  return list;
}

/** Room around the smallest and largest of `values`. */
function widened(values, part) {
  const lo = Math.min(...values), hi = Math.max(...values);
  const more = part * (hi - lo || Math.abs(hi) * 1e-3 || 1);
  return [lo - more, hi + more];
}

/** An SVG `width` of its own units wide for `results.lines` and `results.curve` (of the contract of the page); null while there is no index. */
export function indexPlot(lines, curve, width) {
  const left_over = new Map((curve?.measured ?? []).map((m) => [m.name, m]));
  const measured = lines.filter((l) => typeof l.n === "number").map((l) => ({
    name: l.name, wavelength_nm: l.wavelength_nm, n: l.n, half: l.expanded_n ?? l.u_n ?? 0,
    residual: left_over.get(l.name)?.residual_1e5, half_residual: left_over.get(l.name)?.residual_expanded_1e5,
  }));
  if (measured.length === 0) return null;
  const points = curve?.points ?? [];
  const wide = Math.max(280, width), tall = Math.min(380, Math.max(230, 0.5 * wide));
  const left = 62, right = 14, residual = measured.some((l) => typeof l.residual === "number");
  const low = residual ? 130 : 0, height = tall + low + 34;
  const [x0, x1] = widened([...measured.map((l) => l.wavelength_nm), ...points.map((p) => p[0])], points.length ? 0.02 : 0.15);
  const [y0, y1] = widened([...measured.flatMap((l) => [l.n - l.half, l.n + l.half]), ...points.flatMap((p) => [p[2], p[3]])], 0.09);
  const x = (nm) => left + (nm - x0) / (x1 - x0) * (wide - left - right);
  const y = (n) => 10 + (y1 - n) / (y1 - y0) * (tall - 20);
  const text = (at, up, words, attributes = {}) => svg("text", { x: at, y: up, ...attributes }, words);
  const rule = (a, b, c, d) => svg("line", { x1: a, y1: b, x2: c, y2: d, class: "rule" });
  const root = svg("svg", { class: "drawing", viewBox: `0 0 ${wide} ${height}`, role: "img", "aria-label": `Index against wavelength for ${measured.length} ${measured.length === 1 ? "line" : "lines"}${curve ? ` with the curve ${curve.name}` : ""}; the figures are in the table` });

  for (const [n, words] of ticks(y0, y1, tall / 50)) root.append(rule(left, y(n), wide - right, y(n)), text(left - 6, y(n) + 4, words, { class: "end" }));
  for (const [nm, words] of ticks(x0, x1, wide / 90)) root.append(rule(x(nm), 10, x(nm), height - 34), text(x(nm), height - 18, words, { class: "middle" }));
  root.append(text((left + wide - right) / 2, height - 3, "wavelength, nm", { class: "middle soft" }), text(wide - right - 6, 24, "index n", { class: "soft end" }));

  if (points.length > 1) {
    root.append(
      svg("path", { class: "band", d: `${path(points.map((p) => [x(p[0]), y(p[3])]))}${path([...points].reverse().map((p) => [x(p[0]), y(p[2])])).replace("M", "L")}Z` }),
      svg("path", { class: "curve", d: path(points.map((p) => [x(p[0]), y(p[1])])) }));
  }
  const bar = (at, top, bottom) => svg("path", { class: "error", d: `M${at - 4} ${top}h8M${at} ${top}V${bottom}M${at - 4} ${bottom}h8` });
  let free = -Infinity;
  for (const line of [...measured].sort((a, b) => a.wavelength_nm - b.wavelength_nm)) {
    const [px, py] = [x(line.wavelength_nm), y(line.n)];
    root.append(bar(px, y(line.n + line.half), y(line.n - line.half)), svg("circle", { class: "point", cx: px, cy: py, r: 4 }));
    // Above and to the right of a point there is room: index falls with wavelength.
    const long = line.name.length * 7.4;
    if (px > free && px + 8 + long < wide - 60) {
      root.append(text(px + 8, py - 7, line.name, { class: "name" }));
      free = px + 8 + long;
    }
  }
  if (residual) {
    const have = measured.filter((l) => typeof l.residual === "number");
    const most = 1.15 * Math.max(...have.map((l) => Math.abs(l.residual) + (l.half_residual ?? 0)), 1e-6);
    const top = tall + 26, z = (v) => top + (most - v) / (2 * most) * (low - 20);
    for (const [v, words] of ticks(-most, most, 5)) root.append(rule(left, z(v), wide - right, z(v)), text(left - 6, z(v) + 4, words, { class: "end" }));
    root.append(svg("line", { x1: left, x2: wide - right, y1: z(0), y2: z(0), class: "curve" }), text(left + 6, top - 6, "measured − curve, 10⁻⁵", { class: "soft" }));
    for (const line of have) {
      const px = x(line.wavelength_nm);
      if (line.half_residual) root.append(bar(px, z(line.residual + line.half_residual), z(line.residual - line.half_residual)));
      root.append(svg("circle", { class: "point", cx: px, cy: z(line.residual), r: 4 }));
    }
  }
  return root;
}
