// What comes out of the page's audio graph, sample by sample. The page's own buttons and keys are
// used; only the audio context is put in the place of a real one: an OfflineAudioContext that stops
// at given times, so that every sample can be compared with the clips.

import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import { after, before, test } from "node:test";
import { launch, open } from "./browser.mjs";

const RATE = 48000;
/** The page's cross-fade and lead, in frames; deck.js. */
const FADE = 960;
const LEAD = 720;

let browser;
before(async () => { browser = await launch(); });
after(() => browser.close());

/** Runs before the page's script. */
function rig() {
  const Real = window.OfflineAudioContext;
  window.Real = Real;
  window.AudioContext = class extends Real {
    constructor({ sampleRate }) {
      super(1, sampleRate * 5, sampleRate);
      window.rig = this;
    }
    resume() { return Promise.resolve(); }
  };
  // The page unpacks its clips before it starts them; a rendering begun earlier would hear nothing.
  const start = AudioBufferSourceNode.prototype.start;
  AudioBufferSourceNode.prototype.start = function (...when) {
    window.started = (window.started ?? 0) + 1;
    return start.apply(this, when);
  };
  window.playing = async () => {
    while (!window.started) await new Promise((done) => setTimeout(done, 20));
  };
  /** Plays, does each [seconds, key] in turn, and gives everything that was heard. */
  window.perform = async (steps) => {
    const press = (key) => document.body.dispatchEvent(new KeyboardEvent("keydown", { key, bubbles: true }));
    press(" ");
    await window.playing();
    await window.unpacked();
    for (const [seconds, key] of steps) {
      window.rig.suspend(seconds).then(async () => {
        press(key);
        await new Promise((done) => setTimeout(done, 0));
        await Real.prototype.resume.call(window.rig);
      });
    }
    window.heard = (await window.rig.startRendering()).getChannelData(0);
    return window.heard.length;
  };
  /** The clips, unpacked by the browser, at the levels that the page's data names. */
  window.unpacked = async (loudness = "matched") => {
    const job = JSON.parse(document.getElementById("job").textContent);
    window.voices = await Promise.all(job.clips[0].voices.map(async (voice) => {
      const text = document.getElementById(`sound-${voice.sound}`).textContent;
      const bytes = Uint8Array.from(atob(text), (letter) => letter.charCodeAt(0));
      const buffer = await new Real(1, 1, job.clips[0].rate).decodeAudioData(bytes.buffer);
      return buffer.getChannelData(0).map((sample) => sample * voice[loudness]);
    }));
    return window.voices.map((voice) => voice.length);
  };
  /** Largest difference between what was heard and one voice, frames `from` to `to`. */
  window.farthest = (voice, from, to, shift) => {
    let most = 0;
    for (let n = from; n < to; n += 1) {
      most = Math.max(most, Math.abs(window.heard[n] - window.voices[voice][n - shift]));
    }
    return most;
  };
  window.largestStep = (data, from, to) => {
    let most = 0;
    for (let n = Math.max(1, from); n < to; n += 1) most = Math.max(most, Math.abs(data[n] - data[n - 1]));
    return most;
  };
}

async function offline(prepare) {
  const opened = await open(browser, "job", {}, rig);
  await opened.page.waitForFunction(() => document.documentElement.classList.contains("live"));
  if (prepare) await prepare(opened.page);
  return opened;
}

test("a switch is sample-aligned, free of gaps and clicks, and of equal power", async () => {
  const { page, faults, context } = await offline();
  await page.evaluate(() => window.perform([[1, "4"]]));
  const found = await page.evaluate(([lead, fade]) => {
    const { heard, voices } = window;
    const a = (n) => voices[0][n - lead];
    const b = (n) => voices[3][n - lead];
    // Where the first voice ends and the second begins, exactly.
    let last = lead + fade;
    while (Math.abs(heard[last] - a(last)) < 1e-6) last += 1;
    let first = heard.length - 1;
    while (Math.abs(heard[first] - b(first)) < 1e-6) first -= 1;
    let fadeError = 0;
    let slope = 0;
    for (let n = last; n <= first; n += 1) {
      // The first sample that differs is the first after the start of the fade.
      const turn = ((n - last + 1) / fade) * (Math.PI / 2);
      fadeError = Math.max(fadeError, Math.abs(heard[n] - Math.cos(turn) * a(n) - Math.sin(turn) * b(n)));
      slope = Math.max(slope, (Math.abs(a(n)) + Math.abs(b(n))) * (Math.PI / 2 / fade));
    }
    const own = Math.max(
      window.largestStep(voices[0], last - lead, first - lead),
      window.largestStep(voices[3], last - lead, first - lead),
    );
    // What the largest step would be without a fade, at the worst moment of the same stretch.
    let hard = 0;
    for (let n = last; n <= first; n += 1) hard = Math.max(hard, Math.abs(b(n) - a(n - 1)));
    return {
      last, first, fadeError, hard,
      step: window.largestStep(heard, last, first + 1),
      bound: Math.SQRT2 * own + slope,
      between: window.farthest(0, lead + fade, last, lead),
      afterwards: window.farthest(3, first + 1, heard.length, lead),
    };
  }, [LEAD, FADE]);
  console.log(`switch: ${JSON.stringify(found)}`);
  assert.ok(found.between < 1e-6 && found.afterwards < 1e-6, "every sample is the voice's own");
  assert.ok(found.first - found.last + 1 <= FADE + 1, "the fade takes 20 ms");
  const asked = Math.ceil(RATE / 128) * 128;
  assert.ok(found.last - asked <= LEAD + 2 && found.last >= asked, "it starts within 15 ms of the key");
  assert.ok(found.fadeError < 2e-4, "its shape is that of equal power");
  assert.ok(found.step <= found.bound, "no step beyond the signals' own and the fade's slope");
  assert.ok(found.hard > found.bound, "a hard switch would be caught by this check");
  assert.deepEqual(faults, []);
  await context.close();
});

test("forty hurried switches leave no gap and no click", async () => {
  const { page, faults, context } = await offline();
  // Forty keys, every fifth only 8 ms after the one before it: closer than one fade.
  const steps = Array.from({ length: 40 }, (_, n) => [0.2 + n * 0.1 - (n % 5 === 4 ? 0.092 : 0), String(1 + ((n * 7) % 4))]);
  await page.evaluate((list) => window.perform(list), steps);
  const found = await page.evaluate(([lead, fade]) => {
    const { heard, voices } = window;
    let pure = 0;
    let longest = 0;
    let mixed = 0;
    for (let n = lead + fade; n < heard.length; n += 1) {
      const near = voices.slice(0, 4).some((voice) => Math.abs(heard[n] - voice[n - lead]) < 1e-6);
      if (near) { pure += 1; mixed = 0; } else { mixed += 1; longest = Math.max(longest, mixed); }
    }
    const own = Math.max(...voices.slice(0, 4).map((voice) => window.largestStep(voice, 0, heard.length)));
    const peak = Math.max(...voices.slice(0, 4).map((voice) => voice.reduce((most, s) => Math.max(most, Math.abs(s)), 0)));
    return {
      pure: pure / (heard.length - lead - fade), longest,
      step: window.largestStep(heard, lead, heard.length),
      bound: Math.SQRT2 * own + 2 * peak * (Math.PI / 2 / fade),
      loudest: heard.reduce((most, s) => Math.max(most, Math.abs(s)), 0),
    };
  }, [LEAD, FADE]);
  console.log(`hurried: ${JSON.stringify(found)}`);
  assert.ok(found.pure > 0.6, "outside the fades each sample is one voice's own, at the same position");
  assert.ok(found.longest <= 3 * (FADE + 96), "fades follow each other and end");
  assert.ok(found.step <= found.bound);
  assert.ok(found.loudest < 1, "nothing clips");
  assert.deepEqual(faults, []);
  await context.close();
});

test("a stretch repeats without a gap or a click", async () => {
  const { page, faults, context } = await offline(async (page) => {
    await page.fill("#loop-from", "1.0");
    await page.fill("#loop-to", "1.5");
    await page.check("#loop");
    await page.locator("#play").focus();
  });
  await page.evaluate(() => window.perform([[2, "4"]]));
  const found = await page.evaluate(([lead, fade, rate]) => {
    const { heard, voices } = window;
    const round = rate / 2;
    const place = (n) => rate + ((n - lead) % round);
    let error = 0;
    let gap = 0;
    for (let n = lead + fade; n < heard.length; n += 1) {
      const inside = (n - lead) % round < round - fade;
      const switching = n > 2 * rate && n < 2 * rate + 2 * fade + lead;
      const voice = n < 2 * rate ? 0 : 3;
      if (inside && !switching) error = Math.max(error, Math.abs(heard[n] - voices[voice][place(n)]));
    }
    // The seam fades into what comes before the stretch, so a later round starts as music goes on.
    const seam = lead + round;
    const before = voices[0][rate - 1];
    const own = window.largestStep(voices[0], rate - fade, rate + round);
    let hard = Math.abs(voices[0][rate] - voices[0][rate + round - 1]);
    let run = 0;
    for (let n = lead + fade; n < heard.length; n += 1) {
      run = heard[n] === 0 ? run + 1 : 0;
      gap = Math.max(gap, run);
    }
    return {
      error, gap, own, hard, before, seamSample: heard[seam - 1],
      step: window.largestStep(heard, seam - fade - 10, seam + 10),
      slope: 2 * 0.7 * (Math.PI / 2 / fade),
    };
  }, [LEAD, FADE, RATE]);
  console.log(`stretch: ${JSON.stringify(found)}`);
  assert.ok(found.error < 1e-6, "each round is the clip's own samples");
  assert.ok(Math.abs(found.seamSample - found.before) < 1e-6, "the last sample is the one before the stretch");
  assert.ok(found.step <= Math.SQRT2 * found.own + found.slope);
  assert.ok(found.gap < 3);
  assert.deepEqual(faults, []);
  await context.close();
});

test("equally loud and as the amp would be: the gains are what the page says", async () => {
  const { page, faults, context } = await offline((page) => page.keyboard.press("4"));
  await page.evaluate(() => window.perform([[2, "m"]]));
  const matched = await page.evaluate(([lead, fade]) => window.farthest(3, lead + fade, 2 * 48000, lead), [LEAD, FADE]);
  assert.ok(matched < 1e-6);
  await page.evaluate(() => window.unpacked("asLoud"));
  const asLoud = await page.evaluate(([lead, fade]) => window.farthest(3, 2 * 48000 + lead + 2 * fade, window.heard.length, lead), [LEAD, FADE]);
  assert.ok(asLoud < 1e-6);
  const words = await page.locator(".choice:visible .loud").nth(3).textContent();
  const said = Number(/([\d.]+)\sdB (louder|softer)/.exec(words)[1]);
  const [first, last] = await page.evaluate(() => {
    const { voices } = JSON.parse(document.getElementById("job").textContent).clips[0];
    return [voices[0], voices[3]];
  });
  const gained = 20 * Math.log10((last.asLoud / first.asLoud) / (last.matched / first.matched));
  assert.ok(Math.abs(gained - said) < 0.06, `${gained} dB against "${words}"`);
  assert.deepEqual(faults, []);
  await context.close();
});

test("the difference is one more voice at the same place, and can be lifted", async () => {
  const { page, faults, context } = await offline();
  await page.evaluate(() => window.perform([[1, "d"], [2, "u"]]));
  const found = await page.evaluate(([lead, fade]) => {
    const { voices } = JSON.parse(document.getElementById("job").textContent).clips[0];
    const plain = window.farthest(4, 48128 + lead + 2 * fade, 2 * 48000, lead);
    window.voices[4] = window.voices[4].map((sample) => sample * voices[4].lift);
    const lifted = window.farthest(4, 2 * 48128 + lead + 2 * fade, window.heard.length, lead);
    return { plain, lifted, lift: voices[4].lift };
  }, [LEAD, FADE]);
  assert.ok(found.plain < 1e-6 && found.lifted < 1e-5 && found.lift > 2, JSON.stringify(found));
  assert.deepEqual(faults, []);
  await context.close();
});

test("a browser without a FLAC decoder gets the same samples through the page's own", async () => {
  const { page, faults, context } = await offline();
  await page.evaluate(() => window.perform([]));
  const without = await open(browser, "job", {}, `(${rig})();
    window.refused = 0;
    window.waves = 0;
    const decode = OfflineAudioContext.prototype.decodeAudioData;
    OfflineAudioContext.prototype.decodeAudioData = function (data) {
      const start = String.fromCharCode(...new Uint8Array(data, 0, 4));
      if (start === "fLaC") { window.refused += 1; return Promise.reject(new DOMException("no decoder", "EncodingError")); }
      if (start === "RIFF") window.waves += 1;
      return decode.call(this, data);
    };
    window.unpacked = async () => {};`);
  await without.page.waitForFunction(() => document.documentElement.classList.contains("live"));
  await without.page.evaluate(() => window.perform([]));
  const [refused, waves] = await without.page.evaluate(() => [window.refused, window.waves]);
  assert.ok(refused >= 7 && waves === refused, `${refused} clips were refused as FLAC, ${waves} taken as WAV`);
  const excerpt = (from) => from.evaluate(() => Array.from(window.heard.subarray(20000, 20400)));
  const [native, own] = [await excerpt(page), await excerpt(without.page)];
  assert.ok(native.some((sample) => Math.abs(sample) > 0.01), "there is sound");
  assert.deepEqual(own, native);
  // Every one of the clips, unpacked by the browser and by the page's own decoder.
  const decoder = readFileSync(new URL("../../src/page/assets/flac.js", import.meta.url), "utf8");
  const every = await page.evaluate(`(async () => {
    ${decoder}
    const job = JSON.parse(document.getElementById("job").textContent);
    const found = [];
    for (const { rate, voices } of job.clips) {
      for (const { sound } of voices) {
        const element = document.getElementById("sound-" + sound);
        if (element.dataset.kind !== "flac") continue;
        const bytes = Uint8Array.from(atob(element.textContent), (letter) => letter.charCodeAt(0));
        const unpack = async (file) => (await new Real(1, 1, rate).decodeAudioData(file)).getChannelData(0);
        const [here, there] = [await unpack(wavFromFlac(bytes)), await unpack(bytes.slice().buffer)];
        found.push(here.length === there.length && here.every((sample, n) => sample === there[n]));
      }
    }
    return found;
  })()`);
  assert.ok(every.length >= 7 && every.every(Boolean), `bit for bit in each clip: ${every}`);
  assert.deepEqual([...faults, ...without.faults], []);
  await context.close();
  await without.context.close();
});

test("in a trial the hidden one is heard, and its switch cannot be told from any other", async () => {
  const { page, faults, context } = await open(browser, "job", {}, `(${rig})();
    crypto.getRandomValues = (list) => { list[0] = window.secret ?? 0; return list; };`);
  await page.waitForFunction(() => document.documentElement.classList.contains("live"));
  await page.keyboard.press("t");
  // From the hidden one (here: the first) to the first: the same voice, with a fade all the same.
  await page.evaluate(() => { document.getElementById("play-word").textContent = "Play"; });
  await page.evaluate(async () => {
    window.waiting = window.rig;
    await window.unpacked();
    const press = (key) => document.body.dispatchEvent(new KeyboardEvent("keydown", { key, bubbles: true }));
    await window.playing();
    window.rig.suspend(1).then(async () => { press("1"); await Real.prototype.resume.call(window.rig); });
    window.heard = (await window.rig.startRendering()).getChannelData(0);
  });
  const found = await page.evaluate(([lead, fade]) => {
    const { heard, voices } = window;
    let first = lead;
    while (heard[first] === 0) first += 1;
    const shift = first - 1;
    // The start may lie a little later than asked, by whole blocks.
    let best = 0;
    for (let start = 0; start < 4800; start += 1) {
      if (Math.abs(heard[30000] - voices[0][30000 - start]) < 1e-7 && Math.abs(heard[31000] - voices[0][31000 - start]) < 1e-7) { best = start; break; }
    }
    let swell = 0;
    for (let n = 48128; n < 48128 + lead + 2 * fade; n += 1) {
      const plain = voices[0][n - best];
      if (Math.abs(plain) > 0.01) swell = Math.max(swell, heard[n] / plain);
    }
    return { best, shift, swell };
  }, [LEAD, FADE]);
  assert.equal(found.best, LEAD, "the hidden one is the voice that was drawn");
  assert.ok(Math.abs(found.swell - Math.SQRT2) < 0.01, `swell ${found.swell}, as in any fade of equal power between like signals`);
  assert.deepEqual(faults, []);
  await context.close();
});

test("with a real audio context it plays on while versions are switched", async () => {
  const { page, faults, context } = await open(browser, "job", {}, () => {
    const connect = AudioNode.prototype.connect;
    AudioNode.prototype.connect = function (target, ...rest) {
      if (target instanceof AudioDestinationNode && !window.tap) {
        window.tap = new AnalyserNode(this.context, { fftSize: 2048 });
      }
      if (target instanceof AudioDestinationNode) connect.call(this, window.tap);
      return connect.call(this, target, ...rest);
    };
  });
  const seconds = async () => {
    const [minutes, rest] = (await page.textContent("#now")).split(":");
    return Number(minutes) * 60 + Number(rest);
  };
  const loudness = () => page.evaluate(() => {
    const data = new Float32Array(2048);
    window.tap.getFloatTimeDomainData(data);
    return Math.sqrt(data.reduce((sum, s) => sum + s * s, 0) / data.length);
  });
  await page.click("#play");
  await page.waitForFunction(() => document.getElementById("now").textContent > "0:00.5", null);
  let last = await seconds();
  let since = Date.now();
  for (const key of ["2", "3", "4", "d", "1"]) {
    await page.keyboard.press(key);
    await page.waitForTimeout(300);
    const now = await seconds();
    const waited = (Date.now() - since) / 1000;
    since = Date.now();
    assert.ok(now > last && now < last + waited + 0.5, `position goes on: ${last} to ${now} in ${waited} s`);
    assert.ok((await loudness()) > 1e-4, "there is sound");
    last = now;
  }
  await page.keyboard.press(" ");
  await page.waitForTimeout(200);
  assert.equal(await loudness(), 0, "pause is silence");
  const rest = await seconds();
  assert.ok(rest >= last);
  await page.keyboard.press("ArrowLeft");
  assert.ok(Math.abs((await seconds()) - (rest - 1)) < 0.11);
  assert.deepEqual(faults, []);
  await context.close();
});
