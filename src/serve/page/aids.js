// Setting up: one row an aid, with its bar, the best so far held on it, and what to do. Also the choice of lamp and
// lines, where the lamp's cautions stand. Words and figures are the program's.

import { byId, changed, el, icon, keyed, setAttribute, setIcon, setText } from "./dom.js";

const capital = (word) => word.charAt(0).toUpperCase() + word.slice(1);

const VERDICTS = { good: "good", fair: "fair", poor: "poor" };

function row() {
  return el("li", { class: "aid" },
    el("p", { class: "aid-name" }), el("p", { class: "aid-verdict" }, icon("open"), el("span")),
    el("p", { class: "aid-value figures" }), el("p", { class: "aid-best figures" }),
    el("div", { class: "meter", role: "meter", "aria-valuemin": "0", "aria-valuemax": "100" },
      el("div", { class: "meter-fill" }), el("div", { class: "meter-best" })),
    el("p", { class: "aid-say" }));
}

function bring(node, aid) {
  const part = (name) => node.querySelector(`.${name}`);
  setText(part("aid-name"), aid.label);
  setText(part("aid-value"), aid.value ? `${aid.value} ${aid.unit ?? ""}`.trim() : "not seen");
  setText(part("aid-best"), aid.best ? `best ${aid.best}` : "");
  setText(part("aid-say"), aid.say);
  const verdict = VERDICTS[aid.verdict] ? aid.verdict : null;
  setAttribute(node, "data-verdict", verdict);
  setIcon(part("aid-verdict"), verdict ?? "open");
  setText(part("aid-verdict").querySelector("span"), verdict ? VERDICTS[verdict] : "");
  const meter = part("meter");
  const inside = (f) => Math.round(1000 * Math.min(1, Math.max(0, f))) / 10;
  // An aid that never had a bar needs no room for one; one that had keeps it, so that nothing jumps.
  const bar = aid.fraction !== null && aid.fraction !== undefined;
  if (bar) meter.dataset.had = "";
  setAttribute(meter, "data-empty", bar ? null : "");
  setAttribute(meter, "aria-label", aid.label);
  setAttribute(meter, "aria-valuenow", Math.round(inside(aid.fraction ?? 0)));
  setAttribute(meter, "aria-valuetext", [aid.value ?? "not seen", aid.unit, aid.best && `best ${aid.best}`].filter(Boolean).join(", "));
  part("meter-fill").style.width = `${inside(aid.fraction ?? 0)}%`;
  const best = part("meter-best");
  best.hidden = aid.best_fraction === null || aid.best_fraction === undefined;
  best.style.left = `${inside(aid.best_fraction ?? 0)}%`;
}

export function showAids(state) {
  keyed(byId("aids"), state.picture?.aids ?? [], (a) => a.key, row, bring);
}

export class Choice {
  #box = byId("choice");
  #other = changed();
  #open = false;
  #act;
  #state = null;

  constructor(act) { this.#act = act; }

  show(state) {
    this.#state = state;
    const { experiment = {}, role, cautions } = state;
    const chosen = (experiment.lines ?? []).filter((l) => l.chosen).map((l) => l.name);
    if (!this.#other([role, experiment.lamp, experiment.lamps, chosen, experiment.bench, experiment.scale, experiment.scale_why_not, experiment.refracting_angle, cautions, this.#open])) return;
    // Until a lamp is chosen that comes first, afterwards the aids do.
    if (experiment.lamp && !this.#open) this.#box.parentElement.append(this.#box);
    else this.#box.parentElement.prepend(this.#box);
    this.#box.replaceChildren(...(role === "operator" && (this.#open || !experiment.lamp) ? this.#form(experiment, chosen) : this.#summary(experiment, chosen, role, cautions)));
  }

  #summary({ lamp, bench, scale, scale_why_not: why, refracting_angle: angle }, chosen, role, cautions) {
    const label = lamp && capital(lamp);
    const pair = (name, text) => text ? [el("dt", {}, name), el("dd", { class: "figures" }, text)] : [];
    return [
      el("div", { class: "choice-head" },
        el("h2", {}, "Experiment"),
        role === "operator" && el("button", { type: "button", class: "quiet", onclick: () => { this.#open = true; this.show(this.#state); this.#box.querySelector("input")?.focus(); } }, "Change")),
      lamp
        ? el("dl", { class: "pairs" }, pair("Lamp", label), pair("Lines", chosen.join(", ")), pair("Refracting angle", angle?.text), pair("Camera scale", scale?.text ?? why), pair("Bench", bench))
        : el("p", {}, "The lamp has not been chosen yet."),
      this.#cautions(cautions),
    ];
  }

  #cautions(list) {
    return list?.length ? el("ul", { class: "cautions", "aria-label": "Cautions" }, list.map((c) => el("li", {}, icon("warn"), el("span", {}, c)))) : null;
  }

  #form({ lamp, lamps = [], u_refracting_angle_arcsec: u, typed_angle: typed, u_typed_angle_arcsec: u_typed }, chosen) {
    const caution = el("div", { class: "caution-place", "aria-live": "polite" });
    const lines = el("div", { class: "ticks" });
    const measured = el("fieldset", { hidden: !lamp }, el("legend", {}, "Lines to measure"), lines);
    const pick = (key) => {
      measured.hidden = false;
      const one = lamps.find((l) => l.name === key);
      caution.replaceChildren(...[this.#cautions(one && [one.caution, ...(this.#state.cautions ?? []).slice(-1)])].filter(Boolean));
      lines.replaceChildren(...(one?.lines ?? []).map((line) => el("label", { class: "tick" },
        el("input", { type: "checkbox", name: "line", value: line.name, checked: key !== lamp || chosen.length === 0 || chosen.includes(line.name) }),
        el("span", {}, line.name))));
    };
    const form = el("form", { class: "choose" },
      el("fieldset", {}, el("legend", {}, "Which lamp stands before the slit?"),
        el("div", { class: "ticks" }, lamps.map((l) => el("label", { class: "tick" },
          el("input", { type: "radio", name: "lamp", value: l.name, checked: l.name === lamp, onchange: () => pick(l.name) }), el("span", {}, capital(l.name)))))),
      caution,
      measured,
      el("div", { class: "angle" },
        el("label", { class: "field" }, el("span", {}, "Refracting angle, if it is known (else it is measured)"),
          el("input", { type: "text", name: "angle", inputmode: "text", autocomplete: "off", spellcheck: "false", placeholder: "60 00 00", value: typed })),
        el("label", { class: "field" }, el("span", {}, "± standard uncertainty, ″"),
          el("input", { type: "text", name: "u_angle", inputmode: "decimal", autocomplete: "off", spellcheck: "false", placeholder: String(u ?? ""), value: u_typed, "aria-label": "Standard uncertainty of the refracting angle in seconds of arc" }))),
      el("div", { class: "buttons" },
        el("button", { type: "submit", class: "main" }, lamp ? "Start anew with these" : "Start the experiment"),
        lamp && el("button", { type: "button", class: "quiet", onclick: () => { this.#open = false; this.show(this.#state); } }, "Leave it")));
    if (lamp) pick(lamp);
    form.addEventListener("submit", async (e) => {
      e.preventDefault();
      const data = new FormData(form);
      const answer = await this.#act("start_experiment", { lamp: data.get("lamp"), lines: data.getAll("line"), refracting_angle: data.get("angle").trim() || null, u_refracting_angle: data.get("u_angle").trim() || null });
      if (answer.ok) { this.#open = false; this.show(this.#state); }
    });
    return [el("h2", {}, "Experiment"), lamps.length ? form : el("p", {}, "The program has named no lamp yet.")];
  }
}
