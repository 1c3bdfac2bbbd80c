// Inviting viewers by a code, and handing in a recorded clip, with progress and a clear refusal.

import { byId, el, setText } from "./dom.js";

export async function invite(link, share) {
  const box = byId("invite-dialog");
  const place = el("div", { class: "code" }, el("p", {}, "Drawing the code…"));
  box.replaceChildren(
    el("h2", { id: "invite-title" }, "Invite viewers"),
    el("p", {}, "A phone that scans this sees everything and can change nothing."),
    place,
    el("p", { class: "address figures" }, share.viewer_address),
    el("div", { class: "buttons" }, el("button", { type: "button", class: "main", onclick: () => box.close() }, "Close")));
  box.showModal();
  try {
    const address = await link.picture("invite.svg");
    const picture = el("img", { src: address, alt: "QR code of the viewers' address" });
    box.addEventListener("close", () => URL.revokeObjectURL(address), { once: true });
    place.replaceChildren(picture);
  } catch (e) { setText(place.firstElementChild, e.message); }
}

const megabytes = (bytes) => `${(bytes / 1e6).toFixed(1)} MB`;

export class HandIn {
  #box = byId("clip-dialog");
  #say = el("p", { class: "upload-say", role: "status" });
  #bar = el("progress", { max: "1", value: "0", hidden: true, "aria-label": "How much has arrived" });
  #stop = null;

  constructor(link, say) {
    const file = el("input", { type: "file", accept: "video/*,image/png,image/jpeg,image/tiff,.avi,.mp4,.mov,.y4m,.mkv", name: "clip", class: "unseen-file" });
    const choose = el("button", { type: "button", class: "main", onclick: () => file.click() }, "Choose, or film one now");
    const stop = el("button", { type: "button", class: "quiet", hidden: true, onclick: () => this.#stop?.() }, "Stop");
    this.#box.append(
      el("h2", { id: "clip-title" }, "Hand in a clip or a picture"),
      el("p", {}, "A clip or a picture taken through the eyepiece takes the place of the camera. What is neither is refused, and nothing of it is kept."),
      file, this.#bar, this.#say,
      el("div", { class: "buttons" }, choose, stop, el("button", { type: "button", class: "quiet", onclick: () => this.#box.close() }, "Close")));
    file.addEventListener("change", async () => {
      const clip = file.files[0];
      if (!clip) return;
      choose.disabled = true;
      stop.hidden = false;
      this.#bar.hidden = false;
      this.#bar.value = 0;
      const way = link.send(clip, (sent, total) => {
        this.#bar.value = total ? sent / total : 0;
        setText(this.#say, sent < total ? `${megabytes(sent)} of ${megabytes(total)} sent` : "All sent; the program looks at it.");
      });
      this.#stop = way.stop;
      const answer = await way.answer;
      choose.disabled = false;
      stop.hidden = this.#bar.hidden = true;
      file.value = "";
      setText(this.#say, answer.said);
      say(answer);
    });
  }

  open() { setText(this.#say, ""); this.#box.showModal(); }

  /** What the program says of a clip on its way, also one that another browser sends. */
  show(upload) { if (upload?.say && this.#box.open && this.#bar.hidden) setText(this.#say, upload.say); }
}
