// The blind trial. What is hidden is known to this object alone: it is drawn by lot in each round
// and stands in no element, attribute or label.

class Trial {
  #hidden = 0;
  #right = 0;
  #round = 0;

  constructor(transport, listen) {
    this.transport = transport;
    this.listen = listen;
    this.running = false;
    find("trial-start").addEventListener("click", () => this.start());
    find("trial-stop").addEventListener("click", () => this.stop());
    find("trial-is-first").addEventListener("click", () => this.answer(0));
    find("trial-is-second").addEventListener("click", () => this.answer(1));
    for (const radio of document.querySelectorAll("input[name=trial-voice]")) {
      radio.addEventListener("change", () => this.hear(Number(radio.value)));
    }
  }

  start() {
    if (this.running) return;
    this.pair = [find("trial-first"), find("trial-second")].map((list) => list.selectedIndex);
    if (this.pair[0] === this.pair[1]) {
      find("trial-second").setCustomValidity("Pick two different versions.");
      find("trial-second").reportValidity();
      find("trial-second").setCustomValidity("");
      say("Pick two different versions.");
      return;
    }
    this.rounds = Number(find("trial-rounds").value);
    this.running = true;
    this.#right = 0;
    this.#round = 0;
    this.names = this.pair.map((version) => job.versions[version].name);
    find("trial-first-name").textContent = this.names[0];
    find("trial-second-name").textContent = this.names[1];
    find("trial-of").textContent = this.rounds;
    this.listen.lock(true);
    this.show("trial-run");
    // Rounds take as long as they take, so the clip goes round.
    const { repeat, stretch, seconds } = this.transport;
    this.before = { ...stretch, repeat };
    if (!repeat) this.transport.setStretch(0, seconds, true);
    this.draw();
    if (!this.transport.playing) this.transport.play();
  }

  /** Draws what is hidden in the next round. */
  draw() {
    this.#hidden = crypto.getRandomValues(new Uint8Array(1))[0] & 1;
    this.#round += 1;
    find("trial-round").textContent = this.#round;
    const start = document.querySelector("input[name=trial-voice][value='2']");
    start.checked = true;
    start.focus();
    this.hear(2);
    say(`Round ${this.#round} of ${this.rounds}. The hidden one.`);
  }

  /** 0 the first, 1 the second, 2 the hidden one. */
  hear(which) {
    if (!this.running) return;
    const radio = document.querySelector(`input[name=trial-voice][value='${which}']`);
    radio.checked = true;
    this.transport.choose(this.pair[which === 2 ? this.#hidden : which], true);
  }

  answer(guess) {
    if (!this.running) return;
    if (guess === this.#hidden) this.#right += 1;
    if (this.#round < this.rounds) {
      this.draw();
      return;
    }
    const right = this.#right;
    this.finish();
    const chance = chanceOfGuessing(right, this.rounds);
    find("trial-result").textContent = plainSentence(right, this.rounds, ...this.names);
    find("trial-chance").textContent = `Right: ${right} of ${this.rounds}. Chance by guessing alone: ${chance.toFixed(6)}.`;
    this.show("trial-end");
    find("trial-plan").hidden = false;
    find("trial-end").focus();
    say(find("trial-result").textContent);
  }

  /** A trial that is broken off counts for nothing: stopping when it goes well is no test. */
  stop() {
    if (!this.running) return;
    this.finish();
    this.show("trial-plan");
    find("trial-start").focus();
    say("Trial stopped. It counts for nothing.");
  }

  finish() {
    this.running = false;
    this.#hidden = 0;
    this.transport.pause();
    this.transport.setStretch(this.before.from, this.before.to, this.before.repeat);
    this.listen.lock(false);
  }

  show(id) {
    for (const part of ["trial-plan", "trial-run", "trial-end"]) find(part).hidden = part !== id;
  }
}
