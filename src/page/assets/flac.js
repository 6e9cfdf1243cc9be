// For browsers that cannot decode FLAC: unpack it here and hand them a WAV.
// One channel, as this sheet's clips are. Format: RFC 9639.

class BitReader {
  constructor(bytes, start) {
    this.bytes = bytes;
    this.bit = start * 8;
  }

  /** Unsigned number of up to 32 bits. */
  take(count) {
    let value = 0;
    while (count > 0) {
      const left = 8 - (this.bit & 7);
      const some = Math.min(left, count);
      const byte = this.bytes[this.bit >> 3];
      value = value * 2 ** some + ((byte >> (left - some)) & ((1 << some) - 1));
      this.bit += some;
      count -= some;
    }
    return value;
  }

  /** Two's complement number. */
  signed(count) {
    const value = this.take(count);
    return value >= 2 ** (count - 1) ? value - 2 ** count : value;
  }

  /** Number of zero bits before the next one. */
  unary() {
    let zeros = 0;
    while (this.take(1) === 0) {
      zeros += 1;
      if (this.bit > this.bytes.length * 8) throw new Error("the clip is cut short");
    }
    return zeros;
  }
}

const FIXED_PREDICTORS = [[], [1], [2, -1], [3, -3, 1], [4, -6, 4, -1]];

/** Samples as integers, and what the header says of them. */
function unpackFlac(bytes) {
  const info = new BitReader(bytes, 8 + 10);
  const rate = info.take(20);
  const channels = info.take(3) + 1;
  const bits = info.take(5) + 1;
  const total = info.take(4) * 2 ** 32 + info.take(32);
  if (channels !== 1) throw new Error("more than one channel");
  let at = 4;
  for (let last = false; !last; ) {
    last = bytes[at] >= 128;
    at += 4 + bytes[at + 1] * 65536 + bytes[at + 2] * 256 + bytes[at + 3];
  }
  const samples = new Int32Array(total);
  for (let done = 0; done < total; ) {
    const reader = new BitReader(bytes, at);
    done += unpackFrame(reader, bits, samples, done);
    at = Math.ceil(reader.bit / 8) + 2;
  }
  return { samples, rate, bits };
}

/** One frame; gives its number of samples. */
function unpackFrame(reader, bits, samples, done) {
  if (reader.take(14) !== 0x3ffe) throw new Error("a frame does not start where it should");
  reader.take(2);
  const sizeCode = reader.take(4);
  const rateCode = reader.take(4);
  reader.take(8);
  const lead = reader.take(8);
  for (let mask = 0x40; lead >= 0xc0 && lead & mask; mask >>= 1) reader.take(8);
  let size = sizeCode >= 8 ? 256 * 2 ** (sizeCode - 8) : 576 * 2 ** (sizeCode - 2);
  if (sizeCode === 1) size = 192;
  if (sizeCode === 6) size = reader.take(8) + 1;
  if (sizeCode === 7) size = reader.take(16) + 1;
  if (rateCode === 12) reader.take(8);
  if (rateCode === 13 || rateCode === 14) reader.take(16);
  reader.take(8);
  unpackSubframe(reader, bits, samples.subarray(done, done + size));
  return size;
}

function unpackSubframe(reader, bits, block) {
  reader.take(1);
  const kind = reader.take(6);
  const wasted = reader.take(1) ? reader.unary() + 1 : 0;
  const depth = bits - wasted;
  if (kind === 0) {
    block.fill(reader.signed(depth));
  } else if (kind === 1) {
    for (let n = 0; n < block.length; n += 1) block[n] = reader.signed(depth);
  } else if (kind >= 8 && kind <= 12) {
    const order = kind - 8;
    for (let n = 0; n < order; n += 1) block[n] = reader.signed(depth);
    unpackResidual(reader, order, block);
    predict(block, FIXED_PREDICTORS[order], 0);
  } else if (kind >= 32) {
    const order = kind - 31;
    for (let n = 0; n < order; n += 1) block[n] = reader.signed(depth);
    const precision = reader.take(4) + 1;
    const shift = reader.signed(5);
    const weights = Array.from({ length: order }, () => reader.signed(precision));
    unpackResidual(reader, order, block);
    predict(block, weights, shift);
  } else {
    throw new Error("an unknown kind of subframe");
  }
  if (wasted > 0) for (let n = 0; n < block.length; n += 1) block[n] *= 2 ** wasted;
}

function unpackResidual(reader, order, block) {
  const width = reader.take(2) === 0 ? 4 : 5;
  const parts = 2 ** reader.take(4);
  const each = block.length / parts;
  for (let part = 0; part < parts; part += 1) {
    const parameter = reader.take(width);
    const raw = parameter === 2 ** width - 1 ? reader.take(5) : -1;
    for (let n = part === 0 ? order : part * each; n < (part + 1) * each; n += 1) {
      if (raw >= 0) {
        block[n] = raw === 0 ? 0 : reader.signed(raw);
      } else {
        const folded = reader.unary() * 2 ** parameter + reader.take(parameter);
        block[n] = folded % 2 === 0 ? folded / 2 : -(folded + 1) / 2;
      }
    }
  }
}

/** Adds to each residual what the samples before it foretell. */
function predict(block, weights, shift) {
  for (let n = weights.length; n < block.length; n += 1) {
    let sum = 0;
    for (let k = 0; k < weights.length; k += 1) sum += weights[k] * block[n - 1 - k];
    block[n] += Math.floor(sum / 2 ** shift);
  }
}

/** The same clip as a WAV file. */
function wavFromFlac(bytes) {
  const { samples, rate, bits } = unpackFlac(bytes);
  const width = bits / 8;
  const view = new DataView(new ArrayBuffer(44 + samples.length * width));
  const words = [["RIFF", 0], ["WAVEfmt ", 8], ["data", 36]];
  for (const [word, at] of words) {
    for (let n = 0; n < word.length; n += 1) view.setUint8(at + n, word.charCodeAt(n));
  }
  view.setUint32(4, 36 + samples.length * width, true);
  view.setUint32(16, 16, true);
  view.setUint16(20, 1, true);
  view.setUint16(22, 1, true);
  view.setUint32(24, rate, true);
  view.setUint32(28, rate * width, true);
  view.setUint16(32, width, true);
  view.setUint16(34, bits, true);
  view.setUint32(40, samples.length * width, true);
  for (let n = 0; n < samples.length; n += 1) {
    for (let byte = 0; byte < width; byte += 1) {
      view.setUint8(44 + n * width + byte, (samples[n] >> (8 * byte)) & 255);
    }
  }
  return view.buffer;
}
