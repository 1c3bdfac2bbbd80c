// The guided experiment: the step's task (a reading to type, a sweep to start), and the steps with what is done.
// How a reading was understood, what is doubtful about it and whether it was kept is said by the program.

import { byId, changed, el, icon, keyed, setAttribute, setIcon, setText } from "./dom.js";

const TITLES = { aids: "Set up", scale: "Camera scale", prism: "Refracting angle", sweep: "Sweep", reading: "Circle reading", central: "Central image", results: "Results" };
const SHORT = { sweep: "sweep", reading: "reading", central: "central" };
const KINDS = { scale: "scale", prism: "face", reading: "line", central: "central" };

/** What was typed stays with its step, also when the page is loaded anew. */
const typed = {
  get(step) { try { return JSON.parse(sessionStorage.getItem(`bench.typed.${step}`)) ?? ["", ""]; } catch { return ["", ""]; } },
  set(step, windows) { try { sessionStorage.setItem(`bench.typed.${step}`, JSON.stringify(windows)); } catch { /* typed again */ } },
};

export class Guide {
  #task = byId("task");
  #steps = byId("steps");
  #link;
  #act;
  #look;
  #state = null;
  #otherTask = changed();
  #otherSteps = changed();

  /** `act(name, fields)` does and says so; `look(view)` changes the view. */
  constructor(link, act, look) { [this.#link, this.#act, this.#look] = [link, act, look]; }

  show(state) {
    this.#state = state;
    const { guide, experiment, role, offset } = state;
    const line = guide.line ?? null;
    if (this.#otherTask([guide.step, line, guide.in_sweep, role, experiment?.lamp])) {
      const focused = this.#task.contains(document.activeElement);
      this.#task.replaceChildren(...this.#build(guide, line, role, experiment));
      if (focused) (this.#task.querySelector("input, button.main") ?? this.#task).focus();
    }
    const with_ = this.#task.querySelector(".with-offset");
    // A line's reading belongs to the turning point of its sweep, all others to what is seen when they are kept.
    if (with_) setText(with_, guide.step === "reading" ? "It is kept with the offset of the turning point in the line's sweep." : offset?.text ? `It is kept with the offset measured at that moment, now ${offset.text}.` : "No offset is measured now: is the line in the picture, and are the hairs to be seen?");
    const count = this.#task.querySelector(".turn-count");
    if (count) setText(count, `${state.turn?.count ?? 0} counted so far`);
    const swept = this.#task.querySelector(".sweeps-kept");
    if (swept) {
      const own = (state.sweeps ?? []).flatMap((s) => s.lines.filter((l) => l.name === line).map((l) => ({ id: s.id, ...l })));
      setText(swept, own.map((l) => `Sweep ${l.id} is kept: ${l.turned ? `turned, ${l.passes} ${l.passes === 1 ? "pass" : "passes"}` : "the line did not turn"}.`).join(" "));
    }
    if (this.#otherSteps([guide.steps, guide.step, line, role])) this.#course(guide, line, role);
    keyed(byId("warnings"), guide.warn ?? [], (w) => `${w.code} ${w.message}`, () => el("li", {}, icon("warn"), el("span")), (node, w) => setText(node.querySelector("span"), w.message));
  }

  #at(guide, line) { return guide.steps.findIndex((s) => s.key === guide.step && (s.line ?? null) === (s.line ? line : null)); }

  /** The step before (-1) or after (+1) the present one. */
  move(by) {
    if (!this.#state || this.#state.role !== "operator") return;
    const { guide } = this.#state;
    const to = guide.steps[this.#at(guide, guide.line ?? null) + by];
    if (to) this.#act("go", { step: to.key, line: to.line ?? null });
  }

  /** Starts or ends the sweep. */
  sweep() {
    const guide = this.#state?.guide;
    if (!guide || this.#state.role !== "operator") return;
    const line = guide.line ?? null;
    if (!guide.in_sweep && guide.step !== "sweep") { this.#act.say({ ok: false, said: "A sweep is started at a line's step “sweep”: choose that first." }); return; }
    this.#act(guide.in_sweep ? "end_sweep" : "start_sweep", { line });
  }

  /** Puts the cursor where a reading is typed, else on the step's button. */
  focus() { (this.#task.querySelector("input") ?? this.#task.querySelector("button.main") ?? this.#task).focus(); }

  #build(guide, line, role, experiment) {
    const head = el("h2", {}, TITLES[guide.step] ?? guide.step, line && ["sweep", "reading", "central"].includes(guide.step) ? el("span", { class: "of" }, line) : null);
    if (role !== "operator") return [head, el("p", { class: "soft" }, "You are watching. Readings are kept by whoever has the operator's address.")];
    if (!experiment?.lamp) {
      return [el("h2", {}, "Experiment"), el("p", {}, "First say which lamp and which lines: the program then knows the steps."),
        el("div", { class: "buttons" }, el("button", { type: "button", class: "main", onclick: () => this.#look("aids") }, "Choose the lamp"))];
    }
    const onward = this.#onward(guide, line);
    if (KINDS[guide.step]) return [head, this.#reading(guide, line, KINDS[guide.step]), onward];
    if (guide.step === "sweep") {
      const running = guide.in_sweep;
      return [head,
        el("div", { class: "buttons" },
          el("button", { type: "button", class: "main big", "aria-pressed": String(running), onclick: () => this.sweep() },
            el("kbd", {}, "T"), running ? "End the sweep" : "Start the sweep")),
        el("p", { class: "soft" }, running ? "The sweep is being recorded. " : "Start it, then turn the table through the turning point and back. ", el("span", { class: "turn-count figures" })),
        el("p", { class: "sweeps-kept figures" }),
        onward];
    }
    if (guide.step === "results") return [head, el("div", { class: "buttons" }, el("button", { type: "button", class: "main", onclick: () => this.#look("results") }, el("kbd", {}, "3"), "See the results")), onward];
    return [head, el("div", { class: "buttons" }, el("button", { type: "button", class: "quiet", onclick: () => this.#look("aids") }, el("kbd", {}, "1"), "See the setting-up aids")), onward];
  }

  #onward(guide, line) {
    const at = this.#at(guide, line);
    const button = (by, key) => {
      const step = guide.steps[at + by];
      if (!step) return null;
      const label = `${step.line && step.line !== line ? `${step.line}, ` : ""}${(TITLES[step.key] ?? step.label).toLowerCase()}`;
      return el("button", { type: "button", class: "quiet onward", onclick: () => this.move(by) },
        by < 0 ? [el("kbd", {}, key), el("span", {}, `Back: ${label}`)] : [el("span", {}, `On: ${label}`), el("kbd", {}, key)]);
    };
    return el("div", { class: "buttons ends" }, button(-1, "["), button(1, "]"));
  }

  #reading(guide, line, kind) {
    const place = `${guide.step}.${line ?? ""}`;
    const [first, second] = typed.get(place);
    const input = (name, label, value) => el("label", { class: "field" }, el("span", {}, label),
      el("input", { type: "text", name, value, inputmode: "text", autocomplete: "off", autocapitalize: "off", spellcheck: "false", placeholder: "132 14 30", "aria-describedby": "understood" }));
    const understood = el("div", { class: "understood", id: "understood", role: "status", "aria-live": "polite" });
    const keep = el("button", { type: "submit", class: "main" }, "Keep");
    const despite = el("button", { type: "button", class: "quiet despite", hidden: true }, "Keep in spite of the doubt");
    const form = el("form", { class: "reading", novalidate: true },
      el("div", { class: "windows" }, input("window_1", "Window 1", first), input("window_2", "Window 2, if any", second), keep),
      understood,
      despite,
      el("p", { class: "with-offset soft figures" }));
    const fields = () => ({ kind, line, window_1: form.window_1.value.trim(), window_2: form.window_2.value.trim() || null });
    let doubt = null, asked = 0, timer = null;
    const say = (answer) => {
      const u = answer.understood ?? {};
      doubt = answer.ok ? u.doubt ?? null : null;
      const item = (name, text) => text ? [el("div", {}, el("dt", {}, name), el("dd", { class: "figures" }, text))] : [];
      understood.replaceChildren(...(answer.ok
        ? [el("dl", { class: "pairs" }, item("Understood as", [u.window_1, u.window_2].filter(Boolean).join(" and ")), item("Deviation", u.deviation), item("Index", u.n), item("With the offset", u.offset)),
          u.preliminary && el("p", { class: "soft" }, u.preliminary),
          doubt && el("p", { class: "doubt" }, icon("warn"), el("span", {}, doubt))].filter(Boolean)
        : [el("p", { class: "doubt" }, icon("warn"), el("span", {}, answer.said))]));
      despite.hidden = !doubt;
      setAttribute(keep, "aria-disabled", doubt || !answer.ok ? "true" : null);
    };
    const understand = async () => {
      const now = ++asked;
      if (!fields().window_1) { doubt = null; despite.hidden = true; understood.replaceChildren(); setAttribute(keep, "aria-disabled", null); return; }
      const answer = await this.#link.act("understand", fields());
      if (now === asked) say(answer);
    };
    const save = async (anyway) => {
      clearTimeout(timer);
      await understand();
      if (!fields().window_1) { this.#act.say({ ok: false, said: "Type what window 1 of the circle shows first." }); form.window_1.focus(); return; }
      if (doubt && !anyway) { despite.focus(); return; }
      keep.disabled = despite.disabled = true;
      const answer = await this.#act("keep", { ...fields(), despite_doubt: anyway });
      keep.disabled = despite.disabled = false;
      if (!answer.ok) { if (!answer.unknown) keep.focus(); return; }
      typed.set(place, ["", ""]);
      if (!form.isConnected) return;
      form.reset();
      form.window_1.value = form.window_2.value = "";
      doubt = null;
      despite.hidden = true;
      understood.replaceChildren();
      form.window_1.focus();
    };
    form.addEventListener("input", () => {
      typed.set(place, [form.window_1.value, form.window_2.value]);
      clearTimeout(timer);
      timer = setTimeout(understand, 150);
    });
    form.addEventListener("submit", (e) => { e.preventDefault(); save(false); });
    despite.addEventListener("click", () => save(true));
    if (first) understand();
    return form;
  }

  /** The steps stay the nodes they are: a button that is replaced while it is pressed is not pressed, and loses the focus. */
  #course(guide, line, role) {
    const general = guide.steps.filter((s) => !s.line);
    const lines = [...new Set(guide.steps.filter((s) => s.line).map((s) => s.line))];
    const make = (s) => {
      const parts = [icon("open"), el("span", { class: "step-name" }), el("span", { class: "n figures" })];
      return role === "operator"
        ? el("button", { class: "step", type: "button", onclick: () => this.#act("go", { step: s.key, line: s.line ?? null }) }, parts)
        : el("span", { class: "step", role: "img" }, parts);
    };
    const update = (node, s) => {
      const here = s.key === guide.step && (!s.line || s.line === line);
      setIcon(node, s.done ? "yes" : here ? "right" : "open");
      setText(node.querySelector(".step-name"), (s.line ? SHORT : TITLES)[s.key] ?? s.label);
      setText(node.querySelector(".n"), String(s.n));
      node.querySelector(".n").hidden = !(s.n > 1);
      setAttribute(node, "data-done", s.done ? "" : null);
      setAttribute(node, "aria-current", here ? "step" : null);
      setAttribute(node, "aria-label", `${s.label}${s.line && !s.label.includes(s.line) ? ` ${s.line}` : ""}${s.done ? ", done" : ""}${s.n ? `, ${s.n} kept` : ""}`);
    };
    const key = (s) => `${role} ${s.key}`;
    if (!this.#steps.firstElementChild) this.#steps.append(el("div", { class: "course-row" }), el("div", { class: "course-lines" }));
    const [row, ofLines] = this.#steps.children;
    const last = (s) => s.key === "results";
    keyed(row, [...general.filter((s) => !last(s)), ...general.filter(last)], key, make, update);
    keyed(ofLines, lines, (name) => name, (name) => el("div", { class: "of-line", role: "group", "aria-label": name }),
      (group, name) => keyed(group, [null, ...guide.steps.filter((s) => s.line === name)], (s) => s ? key(s) : "name",
        (s) => s ? make(s) : el("b", { class: "course-name" }, name), (node, s) => { if (s) update(node, s); }));
  }

  /** The lines in the picture as buttons: pressing one says that it is the line of this step. */
  seen(sight) {
    const state = this.#state;
    if (!state) return;
    const box = byId("lines-seen");
    const lines = (sight?.lines ?? []).filter((l) => l.id !== null); // a line gets its number after some frames
    box.hidden = lines.length < 2;
    if (box.hidden) return;
    const active = state.offset?.line_id ?? null;
    keyed(box, [...lines].sort((a, b) => a.x_px - b.x_px), (l) => l.id,
      () => state.role === "operator"
        ? el("button", { type: "button", class: "chip", onclick: (e) => this.select(Number(e.currentTarget.dataset.key)) }, icon("open"), el("span"))
        : el("span", { class: "chip" }, icon("open"), el("span")),
      (node, l) => {
        setText(node.querySelector("span"), l.name ?? (l.id === active ? state.offset.name : null) ?? `line ${l.id}`);
        setIcon(node, l.id === active ? "good" : "open");
        setAttribute(node, state.role === "operator" ? "aria-pressed" : "data-active", String(l.id === active));
      });
  }

  select(id) {
    if (this.#state?.role === "operator") this.#act("select_line", { line_id: id, name: this.#state.guide.line ?? null });
  }

  /** Selects the next line to the right of the selected one. */
  next(sight) {
    const lines = (sight?.lines ?? []).filter((l) => l.id !== null).sort((a, b) => a.x_px - b.x_px);
    if (lines.length < 2) return;
    const at = lines.findIndex((l) => l.id === this.#state?.offset?.line_id);
    this.select(lines[(at + 1) % lines.length].id);
  }
}
