// Keys. They can be switched off, and never act while someone types.

class Keys {
  constructor(transport, listen, trial, answer) {
    const stretch = (from, to) => transport.setStretch(from, to, true);
    this.actions = {
      " ": () => transport.toggle(),
      ArrowLeft: () => transport.seek(transport.position - 1),
      ArrowRight: () => transport.seek(transport.position + 1),
      Home: () => transport.seek(transport.repeat ? transport.stretch.from : 0),
      "[": () => stretch(transport.position, Math.max(transport.stretch.to, transport.position)),
      "]": () => stretch(Math.min(transport.stretch.from, transport.position), transport.position),
      l: () => transport.setStretch(transport.stretch.from, transport.stretch.to, !transport.repeat),
      w: () => stretch(0, transport.seconds),
      d: () => listen.chooseDifference(),
      m: () => listen.setLoudness(transport.loudness === "matched" ? "asLoud" : "matched"),
      u: () => listen.lift?.click(),
      n: () => !trial?.running && listen.nextClip(),
      t: () => trial?.start(),
      f: () => trial?.answer(0),
      s: () => trial?.answer(1),
      c: () => answer.copy(),
    };
    for (let digit = 1; digit <= 9; digit += 1) {
      this.actions[digit] = () => (trial?.running ? digit <= 3 && trial.hear(digit - 1) : this.version(listen, digit - 1));
    }
    document.addEventListener("keydown", (event) => this.press(event));
  }

  version(listen, number) {
    if (number < job.versions.length) listen.choose(number);
  }

  press(event) {
    if (event.ctrlKey || event.metaKey || event.altKey || event.defaultPrevented) return;
    const key = event.key.length === 1 ? event.key.toLowerCase() : event.key;
    const action = this.actions[key];
    if (!action || !find("keys-on").checked || this.own(event.target, key)) return;
    if (event.repeat && !key.startsWith("Arrow")) return;
    event.preventDefault();
    action();
  }

  /** Whether the focused element needs this key itself. */
  own(element, key) {
    if (element.matches("textarea, select, input[type=number]")) return true;
    const steers = key.startsWith("Arrow") || key === "Home";
    if (element.matches("input[type=range], input[type=radio], [tabindex='0']") && steers) return true;
    if (key !== " ") return false;
    return element.matches("button, summary, a, input[type=checkbox], input[type=radio]:not(:checked)");
  }
}
