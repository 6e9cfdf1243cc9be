// The job and its clips, unpacked when they are first needed.

const job = JSON.parse(document.getElementById("job").textContent);
const find = (id) => document.getElementById(id);
const unpacked = new Map();

/** Promise of a clip's voices as audio buffers, all equally long. */
function voicesOf(clip) {
  if (!unpacked.has(clip)) {
    const { rate, voices } = job.clips[clip];
    unpacked.set(clip, Promise.all(voices.map((voice) => unpack(voice.sound, rate))));
  }
  return unpacked.get(clip);
}

async function unpack(number, rate) {
  const element = find(`sound-${number}`);
  const bytes = Uint8Array.from(atob(element.textContent), (letter) => letter.charCodeAt(0));
  // A context at the clip's own rate, so that unpacking does not resample.
  const context = new OfflineAudioContext(1, 1, rate);
  try {
    return await context.decodeAudioData(bytes.slice().buffer);
  } catch (refusal) {
    if (element.dataset.kind !== "flac") throw refusal;
    return context.decodeAudioData(wavFromFlac(bytes));
  }
}

/** Tells those who listen to the page with a screen reader. */
function say(text) {
  find("said").textContent = text;
}

/** Says openly that something does not work here. */
function tellTrouble(text) {
  find("trouble").textContent = text;
  find("trouble").hidden = false;
}

/** Seconds as minutes, seconds and tenths. */
function timeText(seconds) {
  const tenths = Math.floor(seconds * 10 + 1e-6);
  const rest = tenths % 600;
  return `${Math.floor(tenths / 600)}:${String(Math.floor(rest / 10)).padStart(2, "0")}.${rest % 10}`;
}
