// The connection to the program: state as it changes, frames as they are wanted, actions one at a time.
// Says `live`, `lost`, `gone` or `refused`, never measures anything.

const SILENCE_MS = 8_000; // the program says something at least every 2 s
const AGAIN_MS = 1_000;

let key = null;

/** Takes the key out of the address bar, which is projected and photographed, and keeps it for this tab. */
export function takeKey() {
  const given = location.hash.slice(1);
  try {
    if (given.length >= 8) {
      sessionStorage.setItem("bench.key", given);
      history.replaceState(null, "", location.pathname);
    }
    key = sessionStorage.getItem("bench.key");
  } catch { key = given || null; }
}

const headers = (more = {}) => ({ "X-Bench": "1", ...(key ? { "X-Bench-Key": key } : {}), ...more });

/** The address of a download; only these carry the key, because a link can't send a header. */
export const download = (name) => `/api/${name}${key ? `?key=${encodeURIComponent(key)}` : ""}`;

const wait = (ms) => new Promise((done) => { setTimeout(done, ms); });

/** A signal that fires after `ms` or when `outer` does. */
function within(ms, outer) {
  const control = new AbortController();
  const timer = setTimeout(() => control.abort(), ms);
  const stop = () => control.abort();
  outer?.addEventListener("abort", stop, { once: true });
  return { signal: control.signal, done: () => { clearTimeout(timer); outer?.removeEventListener("abort", stop); } };
}

async function sentence(answer, otherwise) {
  try { return (await answer.json()).said ?? otherwise; } catch { return otherwise; }
}

export class Link extends EventTarget {
  #status = "connecting";
  #heard = performance.now();
  #newest = { seq: null, comes: true };

  get status() { return this.#status; }

  #tell(type, detail) { this.dispatchEvent(new CustomEvent(type, { detail })); }

  #be(status, why = null) {
    if (status === this.#status && status !== "refused") return;
    const was = this.#status;
    this.#status = status;
    this.#tell("status", { status, was, why });
  }

  /** Reads events until the page is closed, and connects anew whenever the program was away. */
  async follow() {
    for (;;) {
      const control = new AbortController();
      const watch = setInterval(() => {
        if (performance.now() - this.#heard > SILENCE_MS) control.abort();
      }, 500);
      this.#heard = performance.now();
      try {
        const answer = await fetch("/api/events", { headers: headers(), signal: control.signal, cache: "no-store" });
        if (answer.status === 401 || answer.status === 403) {
          this.#be("refused", await sentence(answer, "The program asks for the key in the address that it printed."));
        } else if (answer.ok && answer.body) {
          await this.#read(answer.body.getReader());
          if (this.#status !== "gone") this.#be("lost");
        } else this.#be("lost");
      } catch { if (this.#status !== "gone") this.#be("lost"); }
      clearInterval(watch);
      control.abort();
      await wait(AGAIN_MS);
    }
  }

  async #read(reader) {
    const text = new TextDecoder();
    let unread = "";
    for (;;) {
      const { value, done } = await reader.read();
      if (done) return;
      this.#heard = performance.now();
      unread = (unread + text.decode(value, { stream: true })).replaceAll("\r\n", "\n");
      for (let end = unread.indexOf("\n\n"); end >= 0; end = unread.indexOf("\n\n")) {
        this.#event(unread.slice(0, end));
        unread = unread.slice(end + 2);
      }
    }
  }

  #event(block) {
    let name = "message";
    const data = [];
    for (const line of block.split("\n")) {
      if (line.startsWith("event:")) name = line.slice(6).trim();
      else if (line.startsWith("data:")) data.push(line.slice(5).replace(/^ /, ""));
    }
    if (name === "gone") this.#be("gone");
    else if (name === "state" && data.length > 0) {
      const state = JSON.parse(data.join("\n"));
      const { seq, playing, kind } = state.source;
      this.#newest = { seq, comes: playing && kind !== "none" };
      this.#be("live");
      this.#tell("state", state);
    }
  }

  /**
   * Asks for frames for ever, fit for a view of `wide()` pixels of the screen, and hands each to `draw(sight, blob)`; the next is
   * asked for when that is done, so a slow browser is served fewer. Nothing is asked for while the page is not seen, nor while a
   * picture stands: a request that waits takes one of the few connections that a browser has for all its windows.
   */
  async frames(wide, draw) {
    let after = 0;
    let back = false;
    this.addEventListener("status", ({ detail }) => { if (detail.status === "live") back = true; });
    for (;;) {
      if (document.hidden) {
        await new Promise((seen) => { document.addEventListener("visibilitychange", seen, { once: true }); });
      }
      if (this.#status !== "live") { await wait(100); continue; }
      if (back) { after = 0; back = false; } // another run of the program counts its frames anew
      if (!this.#newest.comes && this.#newest.seq <= after) { await wait(50); continue; }
      const limit = within(15_000);
      try {
        const answer = await fetch(`/api/frame?after=${after}&wide=${wide()}`, { headers: headers(), signal: limit.signal, cache: "no-store" });
        if (answer.status === 200) {
          const body = await answer.arrayBuffer();
          const length = new DataView(body).getUint32(0, true);
          const sight = JSON.parse(new TextDecoder().decode(new Uint8Array(body, 4, length)));
          after = sight.seq;
          await draw(sight, new Blob([new Uint8Array(body, 4 + length)], { type: "image/jpeg" }));
        } else if (answer.status !== 204) await wait(500);
      } catch { await wait(300); }
      limit.done();
    }
  }

  /** Does one thing and gives what the program said. Never throws. */
  async act(name, fields = {}) {
    const limit = within(20_000);
    try {
      const answer = await fetch("/api/do", {
        method: "POST", signal: limit.signal, cache: "no-store",
        headers: headers({ "Content-Type": "application/json" }),
        body: JSON.stringify({ do: name, ...fields }),
      });
      const said = await answer.json();
      return { ...said, ok: answer.ok && said.ok !== false };
    } catch {
      return { ok: false, unknown: true, said: "The program did not answer, so it is not known whether this was done: look again when the connection is back." };
    } finally { limit.done(); }
  }

  /** Sends a clip; `progress(sent, total)` is called on the way. Gives `{ answer, stop }`: a promise of `{ok, said}`, and how to stop it. */
  send(file, progress) {
    const request = new XMLHttpRequest(); // fetch tells nothing of what has been sent
    const answer = new Promise((done) => {
      request.open("POST", `/api/clip?name=${encodeURIComponent(file.name)}`);
      for (const [name, value] of Object.entries(headers({ "Content-Type": "application/octet-stream" }))) request.setRequestHeader(name, value);
      request.upload.addEventListener("progress", (e) => progress(e.loaded, file.size));
      request.addEventListener("load", () => {
        let told = {};
        try { told = JSON.parse(request.responseText); } catch { /* said below */ }
        const ok = request.status >= 200 && request.status < 300 && told.ok !== false;
        done({ ok, said: told.said ?? (ok ? "It has arrived." : `The program refused it (${request.status}).`) });
      });
      request.addEventListener("error", () => done({ ok: false, said: "It did not get through: the connection broke, or the program refused it for its size. Nothing was kept." }));
      request.addEventListener("abort", () => done({ ok: false, said: "Stopped. Nothing was kept." }));
      request.send(file);
    });
    return { answer, stop: () => request.abort() };
  }

  /** A sweep that was kept, or null where it can't be had. */
  async sweep(id) {
    const limit = within(20_000);
    try {
      const answer = await fetch(`/api/sweep/${id}`, { headers: headers(), signal: limit.signal, cache: "no-store" });
      return answer.ok ? await answer.json() : null;
    } catch { return null; } finally { limit.done(); }
  }

  /** The picture of the viewer's address, as an address that an image may show. */
  async picture(name) {
    const answer = await fetch(`/api/${name}`, { headers: headers(), cache: "no-store" });
    if (!answer.ok) throw new Error(await sentence(answer, "The code can't be shown."));
    return URL.createObjectURL(await answer.blob());
  }
}
