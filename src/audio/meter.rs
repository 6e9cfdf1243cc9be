//! Loudness and true peak after ITU-R BS.1770-5, block by block.

use ebur128::{Channel, EbuR128, Mode};

use super::clip::peak;
use super::error::AudioError;

/// How a loudness was found.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LoudnessKind {
    /// Gated integrated loudness of BS.1770.
    Integrated,
    /// The clip is shorter than one gating block of 400 ms: K-weighted level of the whole clip,
    /// without gating.
    Short,
    /// Every block lies below the absolute gate of -70 LUFS: measured with the clip raised to full
    /// scale, and lowered again by calculation.
    BelowGate,
    /// Nothing but silence: there is no loudness.
    Silent,
}

/// The loudness of a clip.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Loudness {
    /// Loudness in LUFS; minus infinity for silence.
    pub lufs: f64,
    /// The largest true peak of any channel, in dB relative to full scale (dBTP); minus infinity
    /// for silence.
    pub true_peak_dbtp: f64,
    pub kind: LoudnessKind,
}

/// Steps in which gating blocks begin: a quarter of 400 ms.
const STEPS_PER_BLOCK: usize = 4;
/// Below the smallest step of a 32 bit integer lies nothing that anyone recorded.
const SILENCE: f64 = 1e-10;
/// What the true-peak filter may still hold back at the end, in samples (12 at four times the rate).
const TRUE_PEAK_TAIL: usize = 24;

/// Measures loudness as the samples come, in little memory: 8 bytes for each 100 ms.
#[derive(Debug)]
pub struct LoudnessMeter {
    meter: EbuR128,
    channels: usize,
    step_frames: usize,
    /// Frames given since the last step ended.
    in_step: usize,
    steps: usize,
    frames: u64,
    block_energies: Vec<f64>,
    peak: f64,
}

impl LoudnessMeter {
    /// A meter for one channel (weight 1, as a centre loudspeaker) or two (left and right).
    ///
    /// # Errors
    /// If there are no or more than two channels, or the sample rate is outside of what the meter
    /// takes.
    pub fn new(channels: usize, sample_rate_hz: u32) -> Result<LoudnessMeter, AudioError> {
        let map: &[Channel] = match channels {
            1 => &[Channel::Center],
            2 => &[Channel::Left, Channel::Right],
            _ => return Err(failed("one or two channels are needed")),
        };
        let mut meter = EbuR128::new(channels as u32, sample_rate_hz, Mode::M | Mode::TRUE_PEAK)
            .map_err(|error| failed(&format!("{error} (at {sample_rate_hz} Hz)")))?;
        meter.set_channel_map(map).map_err(|error| failed(&error.to_string()))?;
        Ok(LoudnessMeter {
            meter,
            channels,
            // Rounded as in `ebur128`, whose window of 400 ms is read at each step.
            step_frames: (sample_rate_hz as usize + 5) / 10,
            in_step: 0,
            steps: 0,
            frames: 0,
            block_energies: Vec::new(),
            peak: 0.0,
        })
    }

    /// The next samples, one slice for each channel.
    ///
    /// # Errors
    /// If the slices are not as many as there are channels, differ in length, or hold a sample that
    /// is not finite.
    pub fn add(&mut self, channels: &[&[f64]]) -> Result<(), AudioError> {
        let frames = channels.first().map_or(0, |c| c.len());
        if channels.len() != self.channels || channels.iter().any(|c| c.len() != frames) {
            return Err(failed("all channels of the meter need samples, as many each"));
        }
        if channels.iter().any(|c| c.iter().any(|s| !s.is_finite())) {
            return Err(failed("a sample is not a finite number"));
        }
        self.peak = channels.iter().fold(self.peak, |top, c| top.max(peak(c)));
        self.frames += frames as u64;
        self.feed(channels)
    }

    fn feed(&mut self, channels: &[&[f64]]) -> Result<(), AudioError> {
        let frames = channels.first().map_or(0, |c| c.len());
        let mut at = 0;
        while at < frames {
            let next = frames.min(at + self.step_frames - self.in_step);
            let mut part = [&[][..]; 2];
            for (part, channel) in part.iter_mut().zip(channels) {
                *part = &channel[at..next];
            }
            self.push(part)?;
            self.in_step += next - at;
            at = next;
            if self.in_step == self.step_frames {
                self.in_step = 0;
                self.steps += 1;
                if self.steps >= STEPS_PER_BLOCK {
                    let momentary = self
                        .meter
                        .loudness_momentary()
                        .map_err(|error| failed(&error.to_string()))?;
                    self.block_energies.push(energy(momentary));
                }
            }
        }
        Ok(())
    }

    fn push(&mut self, samples: [&[f64]; 2]) -> Result<(), AudioError> {
        let given = self.meter.add_frames_planar_f64(&samples[..self.channels]);
        given.map_err(|error| failed(&error.to_string()))
    }

    /// Ends the clip.
    ///
    /// # Errors
    /// If the meter fails.
    pub fn finish(mut self) -> Result<MeasuredLoudness, AudioError> {
        let block_frames = self.step_frames * STEPS_PER_BLOCK;
        let frames = self.frames;
        let short = frames < block_frames as u64;
        // A short clip is followed by silence up to one block, and its mean square taken over the
        // time that it lasts.
        let silence = vec![0.0; if short { block_frames - frames as usize } else { 0 }];
        self.feed(&vec![&silence[..]; self.channels])?;
        if short && frames > 0 {
            for energy in &mut self.block_energies {
                *energy *= block_frames as f64 / frames as f64;
            }
        }
        let silence = [0.0; TRUE_PEAK_TAIL];
        self.push([&silence, &silence])?;
        let mut true_peak = self.peak;
        for channel in 0..self.channels as u32 {
            let found =
                self.meter.true_peak(channel).map_err(|error| failed(&error.to_string()))?;
            true_peak = true_peak.max(found);
        }
        Ok(MeasuredLoudness {
            block_energies: self.block_energies,
            short,
            frames,
            peak: self.peak,
            true_peak,
        })
    }
}

/// All that is needed to tell the loudness of a clip, as it is or with a gain.
#[derive(Clone, Debug, PartialEq)]
pub struct MeasuredLoudness {
    /// Weighted mean square of each gating block.
    block_energies: Vec<f64>,
    short: bool,
    frames: u64,
    peak: f64,
    true_peak: f64,
}

impl MeasuredLoudness {
    /// Frames that were measured.
    pub fn frames(&self) -> u64 {
        self.frames
    }

    /// The largest magnitude of any sample.
    pub fn peak(&self) -> f64 {
        self.peak
    }

    /// The loudness of the clip with every sample multiplied by `gain`.
    ///
    /// Not simply that of the clip plus the gain in decibels: the absolute gate stays where it is.
    ///
    /// # Errors
    /// If the clip holds nothing that the meter weighs, such as a constant voltage.
    pub fn at_gain(&self, gain: f64) -> Result<Loudness, AudioError> {
        let top = self.peak * gain.abs();
        // A gain that is not a number counts as silence, too.
        if top.is_nan() || top < SILENCE {
            return Ok(Loudness {
                lufs: f64::NEG_INFINITY,
                true_peak_dbtp: f64::NEG_INFINITY,
                kind: LoudnessKind::Silent,
            });
        }
        let true_peak_dbtp = decibels(self.true_peak * gain.abs());
        if let Some(lufs) = self.gated(gain * gain) {
            let kind = if self.short { LoudnessKind::Short } else { LoudnessKind::Integrated };
            return Ok(Loudness { lufs, true_peak_dbtp, kind });
        }
        // Everything was gated out: look at it from close by.
        let raise = 1.0 / self.peak;
        let Some(close) = self.gated(raise * raise) else {
            return Err(failed("the clip holds no sound that the meter weighs"));
        };
        let kind = if self.short { LoudnessKind::Short } else { LoudnessKind::BelowGate };
        Ok(Loudness { lufs: close - decibels(raise) + decibels(gain.abs()), true_peak_dbtp, kind })
    }

    /// Gating of BS.1770 on energies multiplied by `scale`; `None` if no block passes.
    fn gated(&self, scale: f64) -> Option<f64> {
        let mean_above = |gate: f64| {
            let passing = self.block_energies.iter().map(|e| e * scale).filter(|&e| e >= gate);
            let (sum, count) = passing.fold((0.0, 0u32), |(sum, n), e| (sum + e, n + 1));
            (count > 0).then(|| sum / f64::from(count))
        };
        let absolute = energy(-70.0);
        let relative = 0.1 * mean_above(absolute)?;
        let mean = mean_above(absolute.max(relative))?;
        Some(-0.691 + 10.0 * mean.log10())
    }
}

/// The weighted mean square that BS.1770 calls a loudness of so many LUFS.
fn energy(lufs: f64) -> f64 {
    10f64.powf((lufs + 0.691) / 10.0)
}

pub(super) fn decibels(gain: f64) -> f64 {
    20.0 * gain.log10()
}

#[cold]
fn failed(reason: &str) -> AudioError {
    AudioError::Loudness { reason: reason.to_owned() }
}
