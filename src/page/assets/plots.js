// Reading values off a plot: by pointing, by tapping, or with the slider below it.

function levelText(db) {
  const rounded = Math.round(db * 10) / 10;
  const sign = rounded < 0 ? "\u2212" : rounded > 0 ? "+" : "";
  return `${sign}${Math.abs(rounded).toFixed(1)} dB`;
}

function frequencyText(hz) {
  return hz >= 1000 ? `${(hz / 1000).toFixed(2)} kHz` : `${hz.toFixed(1)} Hz`;
}

class PlotReader {
  constructor(figure) {
    const number = Number(figure.dataset.plot);
    this.figure = figure;
    this.plot = job.plots[number];
    this.slider = figure.querySelector("[data-reading]");
    this.output = figure.querySelector("[data-values]");
    this.slider.addEventListener("input", () => this.read(Number(this.slider.value)));
    for (const svg of figure.querySelectorAll("svg[data-span]")) {
      for (const kind of ["pointermove", "pointerdown"]) {
        svg.addEventListener(kind, (event) => this.point(svg, event));
      }
    }
  }

  point(svg, event) {
    const box = svg.getBoundingClientRect();
    const x = ((event.clientX - box.left) / box.width) * svg.viewBox.baseVal.width;
    const { left, span, low, high } = svg.dataset;
    const share = Math.max(0, Math.min((x - left) / span, 1));
    const hz = low * (high / low) ** share;
    let nearest = 0;
    this.plot.hz.forEach((known, index) => {
      if (Math.abs(Math.log(known / hz)) < Math.abs(Math.log(this.plot.hz[nearest] / hz))) nearest = index;
    });
    this.slider.value = nearest;
    this.read(nearest);
  }

  read(index) {
    const hz = this.plot.hz[index];
    const values = this.plot.series.map(({ name, db }) => `${name} ${levelText(db[index])}`);
    const text = `${frequencyText(hz)}: ${values.join("; ")}`;
    this.output.textContent = text;
    this.slider.setAttribute("aria-valuetext", text);
    this.figure.classList.add("read");
    for (const svg of this.figure.querySelectorAll("svg[data-span]")) {
      const { left, span, low, high } = svg.dataset;
      const share = Math.log(hz / low) / Math.log(high / low);
      const x = Number(left) + span * Math.max(0, Math.min(share, 1));
      svg.querySelector(".cursor").setAttribute("transform", `translate(${x} 0)`);
    }
  }
}

/** Reads pairs of positions off two dial scales. */
class DialReader {
  constructor(figure) {
    this.figure = figure;
    this.rows = job.dials[Number(figure.dataset.dial)];
    this.slider = figure.querySelector("[data-dial-reading]");
    this.output = figure.querySelector("output");
    this.svg = figure.querySelector("svg");
    this.slider.addEventListener("input", () => this.read(Number(this.slider.value)));
    for (const kind of ["pointermove", "pointerdown"]) {
      this.svg.addEventListener(kind, (event) => this.point(event));
    }
  }

  /** Where a position lies in the drawing. */
  across(position) {
    const { left, span } = this.svg.dataset;
    return Number(left) + (position / 10) * Number(span);
  }

  point(event) {
    const box = this.svg.getBoundingClientRect();
    const x = ((event.clientX - box.left) / box.width) * this.svg.viewBox.baseVal.width;
    let nearest = 0;
    this.rows.forEach((row, index) => {
      if (Math.abs(this.across(row.here) - x) < Math.abs(this.across(this.rows[nearest].here) - x)) nearest = index;
    });
    this.slider.value = nearest;
    this.read(nearest);
  }

  read(index) {
    const { here, there, words } = this.rows[index];
    this.output.textContent = words;
    this.slider.setAttribute("aria-valuetext", words);
    this.figure.classList.add("read");
    const { top, bottom } = this.svg.dataset;
    // A stub where nothing below answers.
    const end = there === null ? `v12` : `L${this.across(there)} ${bottom}`;
    this.svg.querySelector(".cursor").setAttribute("d", `M${this.across(here)} ${top}${end}`);
  }
}
