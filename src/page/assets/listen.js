// The fields of "Listen".

const calm = matchMedia("(prefers-reduced-motion: reduce)");

class Listen {
  constructor(transport) {
    this.transport = transport;
    this.strip = new Strip(transport);
    this.locked = false;
    find("play").addEventListener("click", () => transport.toggle());
    find("seek").addEventListener("input", () => transport.seek(Number(find("seek").value)));
    for (const id of ["loop", "loop-from", "loop-to"]) {
      find(id).addEventListener("change", () => this.readStretch());
    }
    find("loop-whole").addEventListener("click", () => transport.setStretch(0, transport.seconds, true));
    for (const radio of document.querySelectorAll("#listen .choices input")) {
      radio.addEventListener("change", () => this.choose(Number(radio.value)));
    }
    for (const radio of document.querySelectorAll("input[name=clip]")) {
      radio.addEventListener("change", () => this.setClip(Number(radio.value)));
    }
    for (const radio of document.querySelectorAll("input[name=loudness]")) {
      radio.addEventListener("change", () => this.setLoudness(radio.value));
    }
    this.lift = find("lift");
    this.lift?.addEventListener("change", () => transport.setLift(this.lift.checked));
    transport.addEventListener("change", () => this.show());
    find("keys").open = matchMedia("(hover: hover)").matches;
    this.setClip(0);
    this.setLoudness("matched");
  }

  get voices() {
    return job.clips[this.transport.clip].voices;
  }

  radios(clip = this.transport.clip) {
    return [...document.querySelectorAll(`input[name=voice-${clip}]`)];
  }

  setClip(clip) {
    for (const element of document.querySelectorAll("#listen [data-clip]:not(.wave)")) {
      element.hidden = Number(element.dataset.clip) !== clip;
    }
    const radio = document.querySelector(`input[name=clip][value="${clip}"]`);
    if (radio) radio.checked = true;
    const voice = Math.min(this.transport.voice, job.clips[clip].voices.length - 1);
    if (clip !== this.transport.clip) this.transport.setClip(clip, voice);
    this.transport.setStretch(0, this.transport.seconds, false);
    find("seek").max = this.transport.seconds.toFixed(1);
    const lift = Math.max(...this.voices.map((v) => v.lift));
    if (this.lift) {
      find("lift-field").hidden = lift < 1.06;
    }
    this.choose(voice);
    voicesOf(clip).catch((error) => tellTrouble(`A clip cannot be unpacked (${error.message ?? error}).`));
  }

  nextClip() {
    if (job.clips.length > 1) this.setClip((this.transport.clip + 1) % job.clips.length);
  }

  choose(voice) {
    const radio = this.radios()[voice];
    if (!radio || this.locked) return;
    radio.checked = true;
    this.transport.choose(voice);
    this.strip.show(this.transport.clip, voice);
    this.showLift(voice);
    say(radio.closest("label").querySelector("b").textContent);
  }

  /** The first difference, or the one after the difference that plays. */
  chooseDifference() {
    const takes = job.versions.length;
    const count = this.voices.length - takes;
    if (count === 0) return;
    const now = this.transport.voice - takes;
    this.choose(takes + (now < 0 ? 0 : (now + 1) % count));
  }

  /** How much lifting is worth: of the difference that is chosen, or at most. */
  showLift(voice) {
    if (!this.lift) return;
    const decibels = (lift) => Math.round(20 * Math.log10(lift));
    const chosen = voice >= job.versions.length;
    const most = decibels(Math.max(...this.voices.map(({ lift }) => lift)));
    find("lift-db").textContent = chosen ? decibels(this.voices[voice].lift) : `up to ${most}`;
  }

  setLoudness(loudness) {
    if (this.locked) return;
    this.transport.setLoudness(loudness);
    document.querySelector(`input[name=loudness][value=${loudness}]`).checked = true;
    const words = loudness === "matched"
      ? "The differences in loudness beside the versions are taken out, so that the louder one does not win by being louder. All clips of a set are turned by these amounts to the same loudness after ITU-R BS.1770."
      : "The differences in loudness beside the versions are left in, as the amp would have them at the same knob positions.";
    find("loudness-words").textContent = words;
    find("listen").dataset.loudness = loudness;
    for (const element of document.querySelectorAll("#listen .loud[data-db]")) {
      const db = Number(element.dataset.db);
      element.dataset.note = Math.abs(db) < 0.05 ? "" : loudness === "matched" ? "taken out" : "left in";
    }
  }

  /** During a trial nothing here may show or change what plays. */
  lock(locked) {
    this.locked = locked;
    for (const id of ["clips", "loudness"]) if (find(id)) find(id).disabled = locked;
    for (const set of document.querySelectorAll("#listen .choices")) set.disabled = locked;
    if (this.lift) this.lift.disabled = locked;
    this.transport.setLoudness(locked ? "matched" : document.querySelector("input[name=loudness]:checked").value);
    this.transport.setLift(!locked && Boolean(this.lift?.checked));
    if (locked) this.strip.show(this.transport.clip, -1);
    else this.choose(this.radios().findIndex((radio) => radio.checked));
  }

  readStretch() {
    const [from, to] = ["loop-from", "loop-to"].map((id) => Number(find(id).value));
    this.transport.setStretch(from, to, find("loop").checked);
  }

  show() {
    const { playing, repeat, stretch, seconds } = this.transport;
    const word = playing ? "Pause" : "Play";
    if (find("play-word").textContent !== word) find("play-word").textContent = word;
    find("whole").textContent = timeText(seconds);
    find("loop").checked = repeat;
    for (const [id, value] of [["loop-from", stretch.from], ["loop-to", stretch.to]]) {
      if (document.activeElement !== find(id)) find(id).value = value.toFixed(1);
      find(id).max = seconds.toFixed(1);
    }
    this.showPosition();
    if (playing && !this.clock) this.tick();
  }

  /** Follows the position: smoothly, or twice a second for those who want no motion. */
  tick() {
    const again = () => {
      this.clock = null;
      this.showPosition();
      if (this.transport.playing) this.tick();
    };
    this.clock = calm.matches ? setTimeout(again, 500) : requestAnimationFrame(again);
  }

  showPosition() {
    const { position, seconds } = this.transport;
    const text = timeText(position);
    if (find("now").textContent !== text) find("now").textContent = text;
    const seek = find("seek");
    // A slider that moves under its reader's hands is read out over and over.
    if (document.activeElement !== seek || !this.transport.playing) seek.value = position;
    seek.setAttribute("aria-valuetext", `${position.toFixed(1)} of ${seconds.toFixed(1)} seconds`);
    this.strip.draw();
  }
}
