// All voices of one clip, started in the same instant. Choosing another voice only moves gains, so
// the playing position cannot shift and nothing can stop.

/** Length of a cross-fade, in seconds. */
const FADE = 0.02;
/** How far ahead changes are ordered, so that they never arrive late, in seconds. */
const AHEAD = 0.015;

const CURVE_POINTS = 129;
const quarter = (n) => (n / (CURVE_POINTS - 1)) * (Math.PI / 2);
const curve = (shape) => Float32Array.from({ length: CURVE_POINTS }, (_, n) => shape(n));
// Equal power: the squares of the two add up to one. The ends are exact.
const RISE = curve((n) => (n === CURVE_POINTS - 1 ? 1 : Math.sin(quarter(n))));
const FALL = curve((n) => (n === CURVE_POINTS - 1 ? 0 : Math.cos(quarter(n))));
// What a cross-fade from a voice to a copy of itself comes to.
const SELF = curve((n) => (n === CURVE_POINTS - 1 ? 1 : RISE[n] + FALL[n]));

/** One gain that is only ever moved by curves, one after the other. */
class Fader {
  constructor(context, start) {
    this.node = context.createGain();
    this.node.gain.value = start;
    this.value = start;
    this.free = 0;
  }

  /** Runs through a curve, not before the last one has ended; gives the time it ends. */
  run(points, when) {
    const start = Math.max(when, this.free);
    this.node.gain.setValueCurveAtTime(points, start, FADE);
    this.value = points[points.length - 1];
    this.free = start + FADE + 0.001;
    return start + FADE;
  }
}

class Deck {
  /**
   * `levels` holds one factor per voice. `stretch` is null, or the part to repeat in seconds.
   */
  constructor(context, buffers, levels, voice, stretch) {
    this.context = context;
    this.stretch = stretch;
    this.voice = voice;
    this.whole = new Fader(context, 0);
    this.whole.node.connect(context.destination);
    this.voices = buffers.map((buffer, number) => {
      const source = context.createBufferSource();
      source.buffer = stretch ? seamless(context, buffer, stretch) : buffer;
      const level = new Fader(context, levels[number]);
      const choice = new Fader(context, number === voice ? 1 : 0);
      source.connect(level.node).connect(choice.node).connect(this.whole.node);
      if (stretch) {
        source.loop = true;
        source.loopStart = stretch.from;
        source.loopEnd = stretch.to;
      }
      return { source, level, choice };
    });
  }

  /** Starts every voice at `when`, `offset` seconds into the clip. */
  start(when, offset, ended) {
    this.when = when;
    this.offset = offset;
    this.whole.run(RISE, when);
    for (const { source } of this.voices) source.start(when, offset);
    this.voices[0].source.onended = ended;
  }

  /** Fades out and ends. */
  stop(when) {
    this.voices[0].source.onended = null;
    const end = this.whole.run(FALL, when);
    for (const { source } of this.voices) source.stop(end + 0.01);
  }

  /** Cross-fades to a voice. With `always`, to itself as well: then no ear can tell which it was. */
  choose(voice, when, always) {
    const from = this.voices[this.voice].choice;
    const to = this.voices[voice].choice;
    const start = Math.max(when, from.free, to.free);
    if (voice !== this.voice) {
      from.run(FALL, start);
      to.run(RISE, start);
    } else if (always) {
      to.run(SELF, start);
    }
    this.voice = voice;
  }

  /** Moves each voice to its new loudness. */
  setLevels(levels, when) {
    this.voices.forEach(({ level }, number) => {
      if (level.value !== levels[number]) {
        level.run(Float32Array.of(level.value, levels[number]), when);
      }
    });
  }

  /** Seconds into the clip. */
  position(time) {
    const straight = this.offset + Math.max(0, time - this.when);
    if (!this.stretch || straight < this.stretch.to) return straight;
    const { from, to } = this.stretch;
    return from + ((straight - from) % (to - from));
  }
}

/**
 * A copy whose stretch repeats without a click: its end fades, with equal power, into what comes
 * before its start, so that the jump back lands where the music goes on by itself.
 */
function seamless(context, buffer, stretch) {
  const copy = context.createBuffer(1, buffer.length, buffer.sampleRate);
  const original = buffer.getChannelData(0);
  const data = copy.getChannelData(0);
  data.set(original);
  const from = Math.round(stretch.from * buffer.sampleRate);
  const to = Math.min(Math.round(stretch.to * buffer.sampleRate), data.length);
  const fade = Math.min(Math.round(FADE * buffer.sampleRate), Math.floor((to - from) / 2));
  for (let n = 0; n < fade; n += 1) {
    const turn = ((n + 1) / fade) * (Math.PI / 2);
    const before = original[from - fade + n] ?? 0;
    data[to - fade + n] = original[to - fade + n] * Math.cos(turn) + before * Math.sin(turn);
  }
  return copy;
}
