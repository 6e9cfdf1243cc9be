// The strip with the outline: tap to go somewhere, drag to mark what repeats.

class Strip {
  constructor(transport) {
    this.transport = transport;
    this.box = find("strip");
    this.svg = this.box.querySelector("svg");
    this.region = this.box.querySelector(".region");
    this.head = this.box.querySelector(".head");
    this.width = this.svg.viewBox.baseVal.width;
    this.drag = null;
    this.box.addEventListener("pointerdown", (event) => this.press(event));
    this.box.addEventListener("pointermove", (event) => this.move(event));
    this.box.addEventListener("pointerup", (event) => this.release(event));
    this.box.addEventListener("pointercancel", () => this.cancel());
  }

  /** Shows the outline of one voice of one clip. */
  show(clip, voice) {
    for (const wave of this.box.querySelectorAll(".wave")) {
      const chosen = Number(wave.dataset.clip) === clip && Number(wave.dataset.voice) === voice;
      wave.classList.toggle("shown", chosen);
    }
  }

  seconds(event) {
    const { left, width } = this.svg.getBoundingClientRect();
    const share = Math.max(0, Math.min((event.clientX - left) / width, 1));
    return share * this.transport.seconds;
  }

  press(event) {
    if (event.button !== 0) return;
    this.drag = { x: event.clientX, from: this.seconds(event), far: false };
    this.box.setPointerCapture(event.pointerId);
  }

  move(event) {
    if (!this.drag) return;
    this.drag.far ||= Math.abs(event.clientX - this.drag.x) > 8;
    if (this.drag.far) this.mark(this.drag.from, this.seconds(event), true);
  }

  release(event) {
    const drag = this.drag;
    this.drag = null;
    if (!drag) return;
    if (drag.far) this.transport.setStretch(drag.from, this.seconds(event), true);
    else this.transport.seek(drag.from);
  }

  cancel() {
    this.drag = null;
    this.draw();
  }

  mark(from, to, on) {
    const scale = this.width / this.transport.seconds;
    this.region.setAttribute("x", Math.min(from, to) * scale);
    this.region.setAttribute("width", on ? Math.abs(to - from) * scale : 0);
  }

  draw() {
    const { stretch, repeat, position, seconds } = this.transport;
    if (!this.drag?.far) this.mark(stretch.from, stretch.to, repeat);
    this.head.setAttribute("transform", `translate(${(position / seconds) * this.width} 0)`);
  }
}
