// What a careful eye would see: nothing cut off, nothing that scrolls sideways, targets that a thumb hits, text that
// can be read, names for those who can't see, and at night no light but red.

export const SIZES = { phone: [390, 844], laptop: [1366, 768], projector: [1920, 1080] };

/** Runs in the page. Contrast by WCAG 2.2, success criteria 1.4.3 and 1.4.11; targets by 2.5.5 (44 px). */
function inspect(thumb) {
  const faults = [];
  const root = document.documentElement;
  const seen = (node) => node.getClientRects().length > 0 && getComputedStyle(node).visibility !== "hidden" && !node.closest(".unseen, .unseen-file") && getComputedStyle(node).clipPath === "none";
  const say = (node) => `<${node.tagName.toLowerCase()}${node.id ? ` #${node.id}` : ""}${typeof node.className === "string" && node.className ? ` .${node.className}` : ""}> "${(node.innerText ?? "").slice(0, 40)}"`;
  if (root.scrollWidth > root.clientWidth) faults.push(`scrolls sideways: ${root.scrollWidth} px in ${root.clientWidth} px`);
  const modal = document.querySelector("dialog[open]");
  const scope = modal ?? document.body;
  for (const node of scope.querySelectorAll("*")) {
    if (!seen(node) || node.closest("svg") || node.closest(".scroll")) continue;
    const box = node.getBoundingClientRect();
    if (box.right > root.clientWidth + 1 || box.left < -1) faults.push(`${say(node)} leaves the screen at the side`);
    const style = getComputedStyle(node);
    if (style.overflowX === "hidden" && style.textOverflow !== "ellipsis" && node.scrollWidth > node.clientWidth + 1 && node.innerText) faults.push(`${say(node)} is cut off at the side`);
    if (style.overflowY === "hidden" && node.scrollHeight > node.clientHeight + 1 && node.innerText && node !== document.body && !style.webkitLineClamp?.match(/\d/)) faults.push(`${say(node)} is cut off below: ${node.scrollHeight} px in ${node.clientHeight} px`);
    const own = [...node.childNodes].some((c) => c.nodeType === 3 && c.textContent.trim());
    if (own && node.scrollWidth > node.clientWidth + 1 && style.display !== "inline" && style.overflowX === "visible") faults.push(`${say(node)} runs over its edge`);
  }
  if (thumb) {
    for (const node of scope.querySelectorAll("button, a[href], input, label.tick")) {
      if (!seen(node) || node.matches(".skip") || (node.matches("input") && node.closest("label"))) continue;
      const box = node.getBoundingClientRect();
      if (box.width < 43.5 || box.height < 43.5) faults.push(`${say(node)} is ${box.width.toFixed(0)} by ${box.height.toFixed(0)} px, too small for a thumb`);
    }
  }
  const rgb = (text) => { const m = text.match(/[\d.]+/g)?.map(Number) ?? [0, 0, 0, 0]; return { r: m[0], g: m[1], b: m[2], a: m[3] ?? 1 }; };
  const light = ({ r, g, b }) => { const f = (v) => { v /= 255; return v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; }; return 0.2126 * f(r) + 0.7152 * f(g) + 0.0722 * f(b); };
  const ground = (node) => { for (let n = node; n; n = n.parentElement) { const c = rgb(getComputedStyle(n).backgroundColor); if (c.a > 0.9) return c; } return rgb(getComputedStyle(root).backgroundColor); };
  let least = Infinity, texts = 0;
  for (const node of scope.querySelectorAll("*")) {
    if (!seen(node) || node.closest("svg") || node.matches(":disabled, :disabled *") || node.closest("[aria-disabled=true]")) continue;
    if (![...node.childNodes].some((c) => c.nodeType === 3 && c.textContent.trim())) continue;
    const style = getComputedStyle(node);
    const [a, b] = [light(rgb(style.color)), light(ground(node))];
    const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
    const size = parseFloat(style.fontSize);
    const large = size >= 24 || (size >= 18.66 && Number(style.fontWeight) >= 700);
    texts += 1;
    least = Math.min(least, ratio);
    if (ratio < (large ? 3 : 4.5)) faults.push(`${say(node)} has a contrast of ${ratio.toFixed(1)}`);
    if (size < 11.5) faults.push(`${say(node)} is written ${size.toFixed(1)} px high`);
  }
  return { faults: [...new Set(faults)].slice(0, 12), texts, least };
}

/** What is wrong with the page as it stands, or as it would stand with this warning and this sentence on what to do. */
export const inspected = (page, thumb = false, warning = null, sentence = null) => page.value(`(() => {
  const [warning, sentence] = ${JSON.stringify([warning, sentence])}, say = document.getElementById("say"), said = say.textContent, item = document.createElement("li");
  item.append(document.querySelector("svg.icon").cloneNode(true), Object.assign(document.createElement("span"), { textContent: warning }));
  if (warning) { document.getElementById("warnings").replaceChildren(item); say.textContent = sentence; }
  const found = (${inspect})(${thumb});
  item.remove();
  say.textContent = said;
  return found;
})()`);

/** Largest red, and largest of green and blue, in a picture of the screen; `blank` is a page that decodes it. */
export async function lights(blank, png) {
  return blank.value(`(async () => {
    const bytes = Uint8Array.from(atob(${JSON.stringify(png.toString("base64"))}), (c) => c.charCodeAt(0));
    const bitmap = await createImageBitmap(new Blob([bytes], { type: "image/png" }));
    const canvas = new OffscreenCanvas(bitmap.width, bitmap.height), pen = canvas.getContext("2d");
    pen.drawImage(bitmap, 0, 0);
    const { data } = pen.getImageData(0, 0, bitmap.width, bitmap.height);
    let red = 0, other = 0, at = null, lit = 0;
    for (let i = 0; i < data.length; i += 4) {
      if (data[i] > red) red = data[i];
      if (data[i] > 40) lit += 1;
      const worst = Math.max(data[i + 1], data[i + 2]);
      if (worst > other) { other = worst; at = [i / 4 % bitmap.width, Math.floor(i / 4 / bitmap.width)]; }
    }
    return { red, other, at, lit };
  })()`);
}

/** Names of what can be operated, as a screen reader hears them: a list of what has none. */
export async function nameless(page) {
  const { nodes } = await page.ask("Accessibility.getFullAXTree");
  const roles = new Set(["button", "textbox", "slider", "checkbox", "radio", "link", "meter", "dialog", "img", "tab"]);
  return nodes.filter((n) => !n.ignored && roles.has(n.role?.value) && !n.name?.value?.trim()).map((n) => `${n.role.value} without a name`);
}
