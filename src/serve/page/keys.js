// Every key in one table: what is pressed, what it does, who may. The table is also what the page shows on demand.

import { byId, el, kept } from "./dom.js";

const typing = (node) => node instanceof HTMLElement && (node.isContentEditable || (node.matches("input, textarea, select") && !["range", "checkbox", "radio", "button", "submit"].includes(node.type)));

/** `table`: rows `{ key, shown, does, operator, act }`; `role()` says who sits here. */
export function listen(table, role) {
  const box = byId("keys-dialog");
  let single = kept.get("keys") !== "off";
  const show = () => {
    const rows = table.filter((row) => !row.operator || role() === "operator");
    const choice = el("input", { type: "checkbox", checked: single, onchange: (e) => { single = e.target.checked; kept.set("keys", single ? "on" : "off"); } });
    box.replaceChildren(
      el("h2", { id: "keys-title" }, "Keys"),
      el("dl", { class: "keys" }, rows.map((row) => el("div", {}, el("dt", {}, (row.shown ?? row.key.toUpperCase()).split(" ").map((k) => el("kbd", {}, k))), el("dd", {}, row.does)))),
      el("p", { class: "soft" }, "While a reading is being typed these keys are letters; Escape leaves the field."),
      el("label", { class: "tick" }, choice, el("span", {}, "Use these keys")),
      el("div", { class: "buttons" }, el("button", { type: "button", class: "main", autofocus: true, onclick: () => box.close() }, "Close")));
    box.showModal();
  };
  document.addEventListener("keydown", (e) => {
    if (e.ctrlKey || e.altKey || e.metaKey || e.defaultPrevented) return;
    if (typing(e.target)) { if (e.key === "Escape" && !e.target.closest("dialog")) { e.target.blur(); byId("task").focus(); } return; }
    if (document.querySelector("dialog[open]")) return;
    if (e.key === "?") { e.preventDefault(); show(); return; }
    if (!single) return;
    // Keys that a focused control needs itself.
    if (e.target.matches?.("input[type=range]") && e.key.startsWith("Arrow")) return;
    if (e.target.matches?.("input[type=radio], input[type=checkbox]") && (e.key === " " || e.key.startsWith("Arrow"))) return;
    if (e.target.matches?.("button, a, summary, [tabindex='0']") && (e.key === " " || e.key === "Enter")) return;
    const row = table.find((r) => r.key === (e.key.length === 1 ? e.key.toLowerCase() : e.key));
    if (!row || (row.operator && role() !== "operator")) return;
    e.preventDefault();
    row.act();
  });
  return show;
}
