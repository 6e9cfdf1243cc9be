//! Clips as files that a browser can unpack, small enough for mail.
//!
//! Takes arrive as floating point, FLAC and WAV carry integers. Each take is brought to the full
//! scale of 16 bits, with triangular dither of two steps peak to peak, and played back with the
//! inverse gain: the noise that this adds lies 98 dB below the take's own full scale, under the
//! noise of any amp. 24 bits would double the page for noise that nobody hears. What was made into
//! integers is then embedded without loss.

use flacenc::bitsink::ByteSink;
use flacenc::component::BitRepr;
use flacenc::error::Verify;
use flacenc::source::MemSource;

use crate::audio::Noise;

/// Bits per embedded sample.
pub(super) const BITS: u32 = 16;

/// Largest integer that a take's peak is scaled to: one dither step and one rounding below the end.
const PEAK_STEPS: f64 = 32765.0;

/// The same for every take, so that the same job makes the same bytes.
const DITHER_SEED: u64 = 1;

/// A take as integers and the gain that undoes the scaling.
pub(super) struct Quantised {
    pub steps: Vec<i16>,
    /// Factor from a full scale of 1.0 in the file to a full scale of 1.0 in the take.
    pub gain: f64,
}

/// A finished file.
pub(super) struct SoundFile {
    pub bytes: Vec<u8>,
    pub kind: Kind,
}

/// Which container a [`SoundFile`] is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Kind {
    Flac,
    Wav,
}

/// Largest magnitude of a take.
pub(super) fn peak(samples: &[f32]) -> f64 {
    samples.iter().fold(0.0, |peak: f64, &sample| peak.max(f64::from(sample).abs()))
}

/// Root of the mean square of a take.
pub(super) fn rms(samples: &[f32]) -> f64 {
    let sum: f64 = samples.iter().map(|&sample| f64::from(sample).powi(2)).sum();
    if samples.is_empty() { 0.0 } else { (sum / samples.len() as f64).sqrt() }
}

/// Makes integers of finite samples. Silence stays silence.
pub(super) fn quantise(samples: &[f32]) -> Quantised {
    let peak = peak(samples);
    if peak == 0.0 {
        return Quantised { steps: vec![0; samples.len()], gain: 1.0 };
    }
    let scale = PEAK_STEPS / peak;
    let mut dither = Noise::new(DITHER_SEED);
    let steps = samples
        .iter()
        // Within +-32767 by the choice of PEAK_STEPS, so the cast never saturates.
        .map(|&sample| (f64::from(sample) * scale + dither.triangular()).round() as i16)
        .collect();
    Quantised { steps, gain: 32768.0 / scale }
}

/// Shortest block of a FLAC stream (RFC 9639, section 8.2).
const SHORTEST_BLOCK: usize = 16;

/// FLAC, or WAV where that is smaller (noise) or there are too few samples for FLAC.
pub(super) fn pack(steps: &[i16], sample_rate_hz: u32) -> SoundFile {
    let wav = wav(steps, sample_rate_hz);
    match flac(steps, sample_rate_hz) {
        Some(bytes) if bytes.len() < wav.len() => SoundFile { bytes, kind: Kind::Flac },
        _ => SoundFile { bytes: wav, kind: Kind::Wav },
    }
}

fn flac(steps: &[i16], sample_rate_hz: u32) -> Option<Vec<u8>> {
    if steps.len() < SHORTEST_BLOCK {
        return None;
    }
    let mut config = flacenc::config::Encoder::default();
    // Fixed predictors would make the demo's page smaller by less than a hundredth, and the wait longer.
    config.subframe_coding.use_fixed = false;
    let config = config.into_verified().ok()?;
    let samples: Vec<i32> = steps.iter().map(|&step| i32::from(step)).collect();
    let source = MemSource::from_samples(&samples, 1, BITS as usize, sample_rate_hz as usize);
    let mut stream =
        flacenc::encode_with_fixed_block_size(&config, source, config.block_size).ok()?;
    // The header's smallest block must leave out the last one (RFC 9639, section 8.2); the encoder
    // counts it, and some decoders then refuse a clip whose rest is short.
    let block = config.block_size.min(steps.len());
    stream.stream_info_mut().set_block_sizes(block, block).ok()?;
    let mut sink = ByteSink::new();
    stream.write(&mut sink).ok()?;
    Some(sink.into_inner())
}

/// A canonical 44-byte header and the samples.
fn wav(steps: &[i16], sample_rate_hz: u32) -> Vec<u8> {
    let data_bytes = steps.len() as u32 * 2;
    let mut bytes = Vec::with_capacity(44 + steps.len() * 2);
    bytes.extend(b"RIFF");
    bytes.extend((36 + data_bytes).to_le_bytes());
    bytes.extend(b"WAVEfmt ");
    bytes.extend(16_u32.to_le_bytes());
    bytes.extend(1_u16.to_le_bytes());
    bytes.extend(1_u16.to_le_bytes());
    bytes.extend(sample_rate_hz.to_le_bytes());
    bytes.extend((sample_rate_hz * 2).to_le_bytes());
    bytes.extend(2_u16.to_le_bytes());
    bytes.extend((BITS as u16).to_le_bytes());
    bytes.extend(b"data");
    bytes.extend(data_bytes.to_le_bytes());
    bytes.extend(steps.iter().flat_map(|step| step.to_le_bytes()));
    bytes
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tone(length: usize) -> Vec<f32> {
        (0..length).map(|n| (n as f32 * 0.05).sin() * 0.3 / (1.0 + n as f32 * 1e-4)).collect()
    }

    fn noise(length: usize) -> Vec<i16> {
        let mut noise = Noise::new(7);
        (0..length).map(|_| (noise.triangular() * 32767.0) as i16).collect()
    }

    /// Decoded by an independent program (claxon for FLAC, hound for WAV).
    fn unpack(file: &SoundFile) -> (Vec<i32>, u32, u32) {
        match file.kind {
            Kind::Flac => {
                let mut reader = claxon::FlacReader::new(file.bytes.as_slice()).unwrap();
                let info = reader.streaminfo();
                assert_eq!(info.channels, 1);
                let samples = reader.samples().map(Result::unwrap).collect();
                (samples, info.sample_rate, info.bits_per_sample)
            }
            Kind::Wav => {
                let mut reader = hound::WavReader::new(file.bytes.as_slice()).unwrap();
                let spec = reader.spec();
                assert_eq!(spec.channels, 1);
                let samples = reader.samples::<i32>().map(Result::unwrap).collect();
                (samples, spec.sample_rate, u32::from(spec.bits_per_sample))
            }
        }
    }

    #[test]
    fn files_come_back_bit_exact() {
        for length in [1, 2, 15, 16, 31, 33, 4095, 4096, 4097, 50_001] {
            for rate in [8_000, 44_100, 48_000, 96_000] {
                for steps in [quantise(&tone(length)).steps, noise(length), vec![0; length]] {
                    let file = pack(&steps, rate);
                    let (back, back_rate, bits) = unpack(&file);
                    assert_eq!((back_rate, bits), (rate, BITS));
                    assert!(
                        back.iter().eq(steps
                            .iter()
                            .map(|&s| i32::from(s))
                            .collect::<Vec<_>>()
                            .iter())
                    );
                }
            }
        }
    }

    #[test]
    fn extremes_come_back_bit_exact() {
        let square: Vec<i16> =
            (0..9_000).map(|n| if n / 37 % 2 == 0 { i16::MAX } else { i16::MIN }).collect();
        let (back, ..) = unpack(&pack(&square, 48_000));
        assert!(back.into_iter().eq(square.iter().map(|&s| i32::from(s))));
    }

    #[test]
    fn playing_is_smaller_as_flac_and_noise_is_wav() {
        let playing = quantise(&tone(48_000)).steps;
        let file = pack(&playing, 48_000);
        assert_eq!(file.kind, Kind::Flac);
        assert!(file.bytes.len() < 48_000 * 2 * 2 / 3);
        let file = pack(&noise(48_000), 48_000);
        assert!(file.bytes.len() <= 44 + 2 * 48_000);
    }

    #[test]
    fn quantising_adds_only_the_noise_of_dither() {
        // Triangular dither of two steps plus rounding: variance 2/12 + 1/12 = a quarter of a
        // step squared (Lipshitz, Wannamaker, Vanderkooy, JAES 40(5), 1992).
        let samples = tone(200_000);
        let quantised = quantise(&samples);
        let step = quantised.gain / 32768.0;
        let error: f64 = samples
            .iter()
            .zip(&quantised.steps)
            .map(|(&sample, &s)| ((f64::from(s) * step - f64::from(sample)) / step).powi(2))
            .sum::<f64>()
            / samples.len() as f64;
        assert!((error - 0.25).abs() < 0.005, "variance {error} steps squared");
        let largest = quantised.steps.iter().map(|s| s.unsigned_abs()).max();
        assert!(largest.is_some_and(|s| (32_700..=32_767).contains(&s)));
    }

    #[test]
    fn silence_stays_silence() {
        let quantised = quantise(&[0.0; 100]);
        assert!(quantised.steps.iter().all(|&s| s == 0));
        assert_eq!(quantised.gain, 1.0);
    }
}
