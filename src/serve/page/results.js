// Results as they grow, the readings behind them (struck out with a reason, never deleted), and what can be taken home.

import { byId, changed, clock, el, enlarged, icon, keyed, setAttribute, setText } from "./dom.js";
import { download } from "./link.js";
import { indexPlot } from "./plot.js";
import { Sweeps } from "./sweeps.js";

const KINDS = { scale: "scale", face: "face of the prism", line: "line", central: "central image" };
const FILES = [["report.html", "Report (page)"], ["report.pdf", "Report (PDF)"], ["result.csv", "Results (CSV)"], ["result.json", "Results (JSON)"], ["readings.csv", "Readings (CSV)"], ["logbook.jsonl", "Logbook"]];

/** Lowers what follows an underscore: n_d becomes n with a small d. */
const symbols = (text) => text.split(/(_(?:[A-Za-z0-9′]|,(?=[A-Z]))+)/).map((part) => part.startsWith("_") ? el("sub", {}, part.slice(1)) : part);

/** A table that scrolls in its own box where the page is narrow. */
function table(name, heads, rows) {
  return el("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": name },
    // The roles are said although they are a table's own: on a phone each row is laid out as a card, which would take them away.
    el("table", { role: "table" }, el("thead", { role: "rowgroup" }, el("tr", { role: "row" }, heads.map(([text, kind]) => el("th", { scope: "col", role: "columnheader", class: kind }, text)))),
      el("tbody", { role: "rowgroup" }, rows.map((row) => el("tr", { role: "row" }, row.map((cell, i) => el(i ? "td" : "th", { scope: i ? null : "row", role: i ? "cell" : "rowheader", class: heads[i][1], "data-head": heads[i][0] }, cell ?? "")))))));
}

export class Results {
  #act;
  #strike;
  #state = null;
  #parts;
  #others = {};
  #sweeps;

  constructor(act, link) {
    this.#act = act;
    const part = (name) => el("section", { class: `part ${name}` });
    this.#parts = Object.fromEntries(["head", "plot", "lines", "budget", "glasses", "readings", "sweeps", "take", "note"].map((name) => [name, part(name)]));
    for (const name of Object.keys(this.#parts)) this.#others[name] = changed();
    const { head, plot, lines, budget, glasses, readings, sweeps, take, note: notes } = this.#parts;
    // Two columns that are as long as what is in them; on a phone one below the other.
    const column = (...parts) => el("div", { class: "column" }, parts);
    byId("results").append(head, column(plot, lines, budget, glasses, sweeps), column(readings), take, notes);
    new ResizeObserver(() => this.#plot()).observe(this.#parts.plot);
    this.#strike = this.#dialog();
    this.#sweeps = new Sweeps(this.#parts.sweeps, link);
    this.#readingsFrame();
    this.#takeHome();
  }

  #write(name, value, build) {
    if (!this.#others[name](value)) return;
    const content = build();
    this.#parts[name].hidden = content === null;
    if (content) this.#parts[name].replaceChildren(...content.filter(Boolean));
  }

  show(state) {
    this.#state = state;
    const r = state.results;
    const lines = r?.lines ?? [];
    this.#write("head", [r?.standard, r?.coverage, r?.improve_first, r?.why_not, r?.cautions, state.experiment?.refracting_angle, state.kept?.trouble], () => [
      el("h2", {}, "Results"),
      !r || r.why_not ? el("p", { class: "why-not" }, r?.why_not ?? "Nothing has been measured yet.") : null,
      el("dl", { class: "standard" }, [
        ...(state.experiment?.refracting_angle ? [["Refracting angle", state.experiment.refracting_angle.text]] : []),
        ...(r?.standard ?? []).map((s) => [s.label, s.text, s.name]),
      ].map(([label, text, name]) => el("div", {}, el("dt", {}, symbols(label), name && name !== label ? `, ${name}` : null), el("dd", { class: "figures" }, text)))),
      r?.coverage && el("p", { class: "soft" }, r.coverage, r.improve_first ? ` ${r.improve_first}` : ""),
      r?.cautions?.length ? el("ul", { class: "cautions" }, r.cautions.map((c) => el("li", {}, icon("warn"), el("span", {}, c.message)))) : null,
      state.kept?.trouble ? el("ul", { class: "cautions" }, el("li", {}, icon("warn"), el("span", {}, `Logbook: ${state.kept.trouble}`))) : null,
    ]);
    this.#write("lines", lines, () => lines.length === 0 ? null : [
      el("h2", {}, "Lines"),
      table("Lines", [["line"], ["index n", "num"], ["deviation", "num"], ["wavelength, nm", "num"], ["measured − curve, 10⁻⁵", "num"]],
        lines.map((l) => [l.name, l.n_text, l.deviation, l.wavelength_nm.toFixed(3), l.residual_1e5_text])),
    ]);
    if (this.#others.plot([lines, r?.curve])) this.#plot();
    this.#write("budget", r?.budget, () => r?.budget?.length ? [
      el("h2", {}, "What the uncertainty consists of"),
      el("ul", { class: "shares" }, r.budget.map((b) => {
        const fill = el("div", { class: "meter-fill" });
        fill.style.width = `${Math.min(100, 100 * b.share).toFixed(1)}%`;
        return el("li", {}, el("span", { class: "share-name" }, b.cause), el("span", { class: "figures share-text" }, symbols(b.text)), el("div", { class: "meter", "aria-hidden": "true" }, fill), b.remedy && el("span", { class: "soft remedy" }, b.remedy));
      })),
    ] : null);
    this.#write("glasses", r?.glasses, () => r?.glasses?.length ? [
      el("h2", {}, "Which glass it may be"),
      el("ol", { class: "glass-list" }, r.glasses.map((g) => el("li", {}, el("b", {}, g.name), el("span", {}, g.say)))),
    ] : null);
    this.#readings(state);
    this.#sweeps.show(state);
    // A report needs a result; readings and logbook are there from the first.
    for (const file of this.#parts.take.querySelectorAll("[data-result]")) file.hidden = lines.length === 0;
    const kept = this.#parts.take.querySelector(".kept");
    setText(kept, state.kept ? `Everything kept is in ${state.kept.dir}: ${state.kept.records} records.` : "");
    this.#parts.note.querySelector("form").hidden = state.role !== "operator";
    keyed(this.#parts.note.querySelector("ul"), (state.notes ?? []).map((text, at) => ({ text, at })), (n) => n.at, () => el("li"), (node, n) => setText(node, n.text));
  }

  /** Reads the colours of the palette anew. */
  repaint() { this.#sweeps.repaint(); }

  #plot() {
    const r = this.#state?.results;
    const drawn = r ? indexPlot(r.lines ?? [], r.curve, this.#parts.plot.clientWidth / enlarged()) : null;
    // Never hidden, only empty: its width must be known when the first index comes.
    this.#parts.plot.replaceChildren(...(drawn ? [el("h2", {}, "Index against wavelength"), drawn, el("p", { class: "soft" }, `${r.curve?.name ? `Curve: ${r.curve.name}, with its band. ` : ""}Bars and band: ${r.coverage?.replace("± is the ", "") ?? "the stated uncertainty."}`)] : []));
  }

  #readingsFrame() {
    this.#parts.readings.append(el("h2", {}, "Readings"), el("p", { class: "soft none" }, "No reading has been kept yet."), el("ol", { class: "reading-list" }));
  }

  #readings({ readings = [], role }) {
    this.#parts.readings.querySelector(".none").hidden = readings.length > 0;
    keyed(this.#parts.readings.querySelector(".reading-list"), [...readings].reverse(), (r) => r.id,
      () => el("li", {}, el("p", { class: "reading-head" }), el("p", { class: "reading-value figures" }), el("p", { class: "reading-more soft figures" }), el("p", { class: "reading-doubt" }),
        el("button", { type: "button", class: "quiet" })),
      (node, r) => {
        const [head, value, more, doubt, button] = node.children;
        setText(head, `${r.id} · ${KINDS[r.kind] ?? r.kind}${r.line ? ` ${r.line}` : ""}`);
        setText(value, [r.window_1, r.window_2].filter(Boolean).join("  ·  "));
        setText(more, [r.offset_text && `offset ${r.offset_text}`, clock(r.at), r.frames && `picture ${r.frames.split("/").at(-1)}`].filter(Boolean).join("  ·  "));
        setText(doubt, r.struck !== null ? `Struck out: ${r.struck}` : r.doubt ?? "");
        doubt.hidden = !doubt.textContent;
        setAttribute(node, "data-struck", r.struck !== null ? "" : null);
        button.hidden = role !== "operator";
        setText(button, r.struck !== null ? "Count it again" : "Strike out");
        setAttribute(button, "aria-label", `${button.textContent}: reading ${r.id}, ${head.textContent}`);
        button.onclick = () => { if (r.struck !== null) this.#act("unstrike", { id: r.id }); else this.#strike(r, value.textContent); };
      });
  }

  #dialog() {
    const box = byId("strike-dialog");
    const what = el("p", { class: "figures" });
    const reason = el("input", { type: "text", name: "reason", required: true, maxlength: "200", autocomplete: "off" });
    let id = null;
    box.append(el("form", { method: "dialog" },
      el("h2", { id: "strike-title" }, "Strike out a reading"), what,
      el("label", { class: "field" }, el("span", {}, "Why? The reading stays in the logbook with this reason."), reason),
      el("div", { class: "buttons" }, el("button", { type: "submit", class: "main" }, "Strike it out"), el("button", { type: "button", class: "quiet", onclick: () => box.close() }, "Leave it"))));
    box.querySelector("form").addEventListener("submit", (e) => {
      e.preventDefault();
      if (!reason.value.trim()) return;
      this.#act("strike", { id, reason: reason.value.trim() });
      box.close();
    });
    return (reading, words) => { id = reading.id; setText(what, `Reading ${reading.id}: ${words}`); reason.value = ""; box.showModal(); reason.focus(); };
  }

  #takeHome() {
    this.#parts.take.append(el("h2", {}, "To take home"),
      el("ul", { class: "files" }, FILES.map(([name, label]) => el("li", { "data-result": /^re(port|sult)/.test(name) ? "" : null }, el("a", { class: "button", href: download(name), download: name.startsWith("report.html") ? null : name, target: name === "report.html" ? "_blank" : null, rel: "noopener" }, label)))),
      el("p", { class: "kept soft" }));
    const note = el("input", { type: "text", name: "text", maxlength: "500", autocomplete: "off" });
    this.#parts.note.append(el("h2", {}, "Notes"), el("ul", { class: "notes" }), el("form", {
      onsubmit: async (e) => {
        e.preventDefault();
        if (note.value.trim() && (await this.#act("note", { text: note.value.trim() })).ok) note.value = "";
      },
    }, el("label", { class: "field" }, el("span", {}, "Write a note into the logbook"), note), el("button", { type: "submit", class: "quiet" }, "Write it")));
  }
}
