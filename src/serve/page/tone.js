// What the line does, for ears while the eyes are at the eyepiece. Off until it is asked for.
// Short pips, higher and quicker the nearer the line is to its turning point; two rising notes when it has turned;
// a low double note when it is lost. Tells `bench:tone` what is played, for who can't hear it.

const FAR = { arcsec: 600, px: 60 }; // where the lowest pip begins

export class Tone {
  #context = null;
  #timer = null;
  #turn = null;
  #unit = "px";
  #count = null;
  #phase = null;

  get on() { return this.#context !== null; }

  /** Must be called from a key or a press: browsers allow sound only then. */
  switch(on) {
    if (on === this.on) return;
    if (on) {
      this.#context = new AudioContext();
      this.#beat();
    } else {
      clearTimeout(this.#timer);
      this.#context.close();
      this.#context = null;
    }
  }

  /** What is played next follows from the turn's state. Lost lines and turns sound at once. */
  follow(turn, unit) {
    const [count, phase] = [turn?.count ?? 0, turn?.phase ?? null];
    if (this.on && this.#count !== null && count > this.#count) this.turned();
    else if (this.on && phase === "lost" && this.#phase !== null && this.#phase !== "lost") this.lost();
    [this.#turn, this.#unit, this.#count, this.#phase] = [turn, unit, count, phase];
  }

  turned() { this.#note(660, 0, 0.22, "triangle", 0.32); this.#note(990, 0.2, 0.5, "triangle", 0.32); this.#tell("turned"); }

  lost() { this.#note(150, 0, 0.16, "square", 0.12); this.#note(150, 0.24, 0.16, "square", 0.12); this.#tell("lost"); }

  #beat() {
    const distance = this.#turn?.distance;
    let pause = 400;
    if (typeof distance === "number" && ["moving", "near", "turned"].includes(this.#phase)) {
      const far = FAR[this.#unit] ?? FAR.px;
      const part = Math.min(1, Math.log1p(Math.abs(distance)) / Math.log1p(far)); // 0 at the turning point
      const pitch = 880 * 2 ** (-2.5 * part);
      this.#note(pitch, 0, 0.07, "sine", 0.2);
      this.#tell("pip", pitch);
      pause = 140 + 460 * part;
    }
    this.#timer = setTimeout(() => { if (this.on) this.#beat(); }, pause);
  }

  #note(pitch, after, long, shape, loud) {
    const context = this.#context;
    if (!context) return;
    const start = context.currentTime + after;
    const source = new OscillatorNode(context, { type: shape, frequency: pitch });
    const level = new GainNode(context, { gain: 0 });
    level.gain.setValueAtTime(0, start);
    level.gain.linearRampToValueAtTime(loud, start + 0.008);
    level.gain.setTargetAtTime(0, start + 0.4 * long, 0.2 * long);
    source.connect(level).connect(context.destination);
    source.start(start);
    source.stop(start + 1.6 * long);
  }

  #tell(what, pitch_hz = null) { document.dispatchEvent(new CustomEvent("bench:tone", { detail: { what, pitch_hz } })); }
}
