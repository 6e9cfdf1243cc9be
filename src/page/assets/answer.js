// The answer: a short text to copy or to mail. It is only ever put together here.

/** One position as a clock position; 7:00 is 0, 5:00 is 10. */
function clockText(position) {
  const minutes = Math.round(position * 60) + 7 * 60;
  return `${((Math.floor(minutes / 60) + 11) % 12) + 1}:${String(minutes % 60).padStart(2, "0")}`;
}

class Answer {
  constructor() {
    this.picked = null;
    this.settings = [];
    for (const radio of document.querySelectorAll("input[name=answer]")) {
      radio.addEventListener("change", () => this.pick(radio.value));
    }
    find("remark").addEventListener("input", () => this.write());
    find("copy").addEventListener("click", () => this.copy());
    const chosen = document.querySelector("input[name=answer]:checked");
    this.pick(chosen ? chosen.value : "none");
  }

  pick(value) {
    this.picked = value === "none" ? null : job.versions[Number(value)];
    this.settings = (this.picked?.controls ?? []).map(([label, position]) => ({ label, position }));
    find("answer-knobs").replaceChildren(...this.settings.map((setting) => this.field(setting)));
    this.write();
  }

  /** A slider for one knob, with its clock position. */
  field(setting) {
    const field = document.createElement("label");
    field.className = "setting";
    const name = document.createElement("span");
    name.textContent = setting.label;
    const slider = document.createElement("input");
    Object.assign(slider, { type: "range", min: 0, max: 10, step: 0.25, value: setting.position });
    const place = document.createElement("output");
    const show = () => {
      place.textContent = `${clockText(setting.position)} (${setting.position})`;
      slider.setAttribute("aria-valuetext", place.textContent);
    };
    slider.addEventListener("input", () => {
      setting.position = Number(slider.value);
      show();
      this.write();
    });
    show();
    field.append(name, slider, place);
    return field;
  }

  write() {
    const remark = find("remark").value.trim();
    const lines = [
      `Answer to the audition sheet: ${job.title}`,
      `Amplifier: ${job.amp}`,
      `Job digest: ${job.digest}`,
      `I choose: ${this.picked ? this.picked.name : "not decided"}`,
    ];
    if (this.settings.length > 0) {
      const places = this.settings.map(
        ({ label, position }) => `${label} ${clockText(position)} (${position})`,
      );
      lines.push(`Knobs: ${places.join(", ")}`);
    }
    if (remark) lines.push(`Remark: ${remark}`);
    find("letter").value = lines.join("\n");
    find("letter").rows = Math.max(9, lines.join("\n").split("\n").length + 3);
    const part = encodeURIComponent;
    const address = part(job.email).replaceAll("%40", "@");
    const body = part(lines.join("\n").replaceAll(/\r?\n/g, "\r\n"));
    find("mail").href = `mailto:${address}?subject=${part(`Answer: ${job.title}`)}&body=${body}`;
    find("copied").textContent = "";
  }

  async copy() {
    const letter = find("letter");
    let done = false;
    try {
      await navigator.clipboard.writeText(letter.value);
      done = true;
    } catch {
      // Older browsers, and pages opened in a mail program's viewer.
      letter.select();
      done = document.execCommand("copy");
    }
    find("copied").textContent = done ? "Copied." : "Please copy the marked text by hand.";
    say(find("copied").textContent);
  }
}
