// What plays, from where, how loud.

/** Shortest stretch that can be repeated, in seconds. */
const SHORTEST_STRETCH = 0.2;

class Transport extends EventTarget {
  constructor() {
    super();
    this.clip = 0;
    this.voice = 0;
    this.loudness = "matched";
    this.lift = false;
    this.repeat = false;
    this.stretch = { from: 0, to: this.seconds };
    this.deck = null;
    this.rest = 0;
    this.context = null;
    this.wanted = false;
    this.move = null;
  }

  get seconds() {
    return job.clips[this.clip].seconds;
  }

  /** Whether it plays, or will as soon as the clip is unpacked. */
  get playing() {
    return this.wanted;
  }

  /** Seconds into the clip. */
  get position() {
    if (this.move) return this.move.to;
    if (!this.deck) return this.rest;
    return Math.min(this.deck.position(this.context.currentTime), this.seconds);
  }

  /** Must be called from a key or a tap: browsers allow no sound before. */
  async play() {
    if (!this.context) {
      const rate = job.clips[this.clip].rate;
      try {
        this.context = new AudioContext({ sampleRate: rate, latencyHint: "interactive" });
      } catch {
        this.context = new AudioContext();
      }
    }
    this.wanted = true;
    this.tell();
    try {
      await Promise.all([this.context.resume(), voicesOf(this.clip)]);
      await this.restart(this.position);
    } catch (error) {
      this.pause();
      tellTrouble(`This browser cannot play the clips (${error.message ?? error}). Another browser may.`);
    }
  }

  pause() {
    this.rest = this.position;
    clearTimeout(this.move?.timer);
    this.move = null;
    this.deck?.stop(this.soon());
    this.deck = null;
    this.wanted = false;
    this.tell();
  }

  toggle() {
    if (this.wanted) this.pause();
    else this.play();
  }

  seek(seconds) {
    this.rest = Math.max(0, Math.min(seconds, this.seconds));
    if (this.deck) this.moveTo(this.rest);
    this.tell();
  }

  /** Goes on from another place, once the last fade is over: hurried moves must not pile up. */
  moveTo(seconds) {
    if (this.move) {
      this.move.to = seconds;
      return;
    }
    const go = () => {
      const { to } = this.move;
      this.move = null;
      this.restart(to);
    };
    const wait = Math.max(0, this.deck.whole.free - this.soon());
    this.move = { to: seconds, timer: setTimeout(go, wait * 1000) };
  }

  choose(voice, always = false) {
    this.voice = voice;
    this.deck?.choose(voice, this.soon(), always);
  }

  setLoudness(loudness) {
    this.loudness = loudness;
    this.deck?.setLevels(this.levels(), this.soon());
  }

  setLift(lift) {
    this.lift = lift;
    this.deck?.setLevels(this.levels(), this.soon());
  }

  /** The part to repeat, and whether to; puts right what cannot be. */
  setStretch(from, to, repeat) {
    const [low, high] = [Math.min(from, to), Math.max(from, to)].map((s) => (Number.isFinite(s) ? s : 0));
    const start = Math.max(0, Math.min(low, this.seconds - SHORTEST_STRETCH));
    this.stretch = { from: start, to: Math.min(this.seconds, Math.max(high, start + SHORTEST_STRETCH)) };
    this.repeat = repeat;
    if (this.deck) this.moveTo(this.position);
    this.tell();
  }

  /** Another clip, from its start. */
  async setClip(clip, voice) {
    const goOn = this.wanted;
    this.pause();
    this.clip = clip;
    this.voice = voice;
    this.rest = 0;
    this.repeat = false;
    this.stretch = { from: 0, to: this.seconds };
    this.tell();
    if (goOn) await this.play();
  }

  levels() {
    return job.clips[this.clip].voices.map(
      (voice) => voice[this.loudness] * (this.lift ? voice.lift : 1),
    );
  }

  soon() {
    return this.context ? this.context.currentTime + AHEAD : 0;
  }

  /** Takes over from what plays now, with a fade, at a position. */
  async restart(position) {
    const clip = this.clip;
    const buffers = await voicesOf(clip);
    if (!this.wanted || clip !== this.clip) return;
    const rate = buffers[0].sampleRate;
    // On whole samples, so that nothing has to be interpolated.
    const whole = (seconds) => Math.round(seconds * rate) / rate;
    const { from, to } = this.stretch;
    const stretch = this.repeat ? { from: whole(from), to: whole(to) } : null;
    const atEnd = position > this.seconds - 0.01;
    const outside = stretch ? position < stretch.from || position >= stretch.to : atEnd;
    const offset = outside ? (stretch?.from ?? 0) : whole(position);
    const when = Math.ceil(this.soon() * this.context.sampleRate) / this.context.sampleRate;
    this.deck?.stop(when);
    const deck = new Deck(this.context, buffers, this.levels(), this.voice, stretch);
    deck.start(when, offset, () => this.ended(deck));
    this.deck = deck;
    this.tell();
  }

  ended(deck) {
    if (deck !== this.deck) return;
    this.deck = null;
    this.rest = 0;
    this.wanted = false;
    this.tell();
  }

  tell() {
    this.dispatchEvent(new Event("change"));
  }
}
