// Small words for building and changing the page. Nothing here knows what is measured.
// Styles are never written as text: the page's content security policy allows none.

const SVG = "http://www.w3.org/2000/svg";

function fill(node, attributes, children) {
  for (const [name, value] of Object.entries(attributes ?? {})) {
    if (value === null || value === undefined || value === false) continue;
    if (name.startsWith("on")) node.addEventListener(name.slice(2), value);
    else node.setAttribute(name, value === true ? "" : String(value));
  }
  node.append(...children.flat().filter((c) => c !== null && c !== undefined && c !== false));
  return node;
}

/** An HTML element: `el("p", { class: "say" }, "text", child)`. `onclick` and its like take functions. */
export const el = (tag, attributes, ...children) => fill(document.createElement(tag), attributes, children);

/** The same for SVG. */
export const svg = (tag, attributes, ...children) => fill(document.createElementNS(SVG, tag), attributes, children);

/** One of the symbols in page.html, for the eye only. */
export const icon = (name) => svg("svg", { class: "icon", "aria-hidden": "true" }, svg("use", { href: `#i-${name}` }));

/** Another symbol in an icon that is there. */
export function setIcon(holder, name) {
  const use = holder.querySelector("use");
  if (use && use.getAttribute("href") !== `#i-${name}`) use.setAttribute("href", `#i-${name}`);
}

export const byId = (id) => document.getElementById(id);

/** Text is written only when it has changed, so that nothing is drawn or read out anew for nothing. */
export function setText(node, text) {
  const wanted = text ?? "";
  if (node.textContent !== wanted) node.textContent = wanted;
}

export function setAttribute(node, name, value) {
  if (value === null || value === undefined || value === false) node.removeAttribute(name);
  else if (node.getAttribute(name) !== String(value)) node.setAttribute(name, String(value));
}

/**
 * Makes `parent` hold one child an item, in order, keeping the children (and so the focus) whose key stays.
 * `make(item)` builds a child, `update(child, item)` brings one up to date.
 */
export function keyed(parent, items, keyOf, make, update) {
  const old = new Map([...parent.children].map((child) => [child.dataset.key, child]));
  let before = parent.firstElementChild;
  for (const item of items) {
    const key = String(keyOf(item));
    let child = old.get(key);
    if (child) old.delete(key);
    else { child = make(item); child.dataset.key = key; }
    if (child === before) before = before.nextElementSibling;
    else parent.insertBefore(child, before);
    update?.(child, item);
  }
  for (const child of old.values()) child.remove();
}

/** Remembers what was shown and says whether `value` differs from it: parts of the page are rebuilt only then. */
export function changed() {
  let last;
  return (value) => {
    const now = JSON.stringify(value);
    if (now === last) return false;
    last = now;
    return true;
  };
}

/** The time of day of a record, with the day before it where that is not today. */
export function clock(text) {
  const at = new Date(text);
  if (Number.isNaN(at.getTime())) return text;
  const day = (date) => [date.getFullYear(), date.getMonth() + 1, date.getDate()].map((n) => String(n).padStart(2, "0")).join("-");
  const time = at.toLocaleTimeString([], { hour: "2-digit", minute: "2-digit", hourCycle: "h23" });
  return day(at) === day(new Date()) ? time : `${day(at)} ${time}`;
}

/** Settings of this browser; one that keeps nothing still works. */
export const kept = {
  get(name) { try { return localStorage.getItem(`bench.${name}`); } catch { return null; } },
  set(name, value) { try { localStorage.setItem(`bench.${name}`, value); } catch { /* forgotten at the next visit */ } },
};

/** How much larger than 16 px the page is written (on a projector it is): drawings grow with it. */
export const enlarged = () => (parseFloat(getComputedStyle(document.documentElement).fontSize) || 16) / 16;

/** The colours of the palette for what is drawn on a canvas, read anew when the palette changes. */
export function colours(...names) {
  const style = getComputedStyle(document.documentElement);
  return Object.fromEntries(names.map((name) => [name, style.getPropertyValue(`--${name}`).trim()]));
}
