//! Loudness and true peak after ITU-R BS.1770-5, and clips made equally loud.

use ebur128::{Channel, EbuR128, Mode};

use super::clip::{Clip, peak};
use super::error::AudioError;

/// True peaks of loudness-matched clips stay at or below this, so that no player clips them.
/// -1 dBTP is the maximum permitted true peak level of EBU R 128.
pub const TRUE_PEAK_CEILING_DBTP: f64 = -1.0;

/// Length of a gating block of BS.1770, in seconds.
const BLOCK_S: f64 = 0.4;

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

/// Measures one channel (weight 1, as a centre loudspeaker) or two (left and right).
///
/// # Errors
/// If there are no or more than two channels, they differ in length, the sample rate is outside of
/// what the meter takes, or a sample is not finite.
pub fn measure_loudness(channels: &[&[f64]], sample_rate_hz: u32) -> Result<Loudness, AudioError> {
    measure_scaled(channels, sample_rate_hz, 1.0)
}

/// Measures as if every sample were multiplied by `gain`.
fn measure_scaled(
    channels: &[&[f64]],
    sample_rate_hz: u32,
    gain: f64,
) -> Result<Loudness, AudioError> {
    let failed = |reason: String| AudioError::Loudness { reason };
    let frames = match channels {
        [one] => one.len(),
        [left, right] if left.len() == right.len() => left.len(),
        _ => return Err(failed("one or two channels of one length are needed".to_owned())),
    };
    if channels.iter().any(|c| c.iter().any(|s| !s.is_finite())) {
        return Err(failed("a sample is not a finite number".to_owned()));
    }
    let top = channels.iter().fold(0.0, |top: f64, c| top.max(peak(c))) * gain;
    // Below the smallest step of a 32 bit integer lies nothing that anyone recorded.
    if top < 1e-10 {
        return Ok(Loudness {
            lufs: f64::NEG_INFINITY,
            true_peak_dbtp: f64::NEG_INFINITY,
            kind: LoudnessKind::Silent,
        });
    }
    let measured = run_meter(channels, sample_rate_hz, gain, frames)?;
    if measured.lufs.is_finite() {
        return Ok(measured);
    }
    // Everything was gated out: look at it from close by.
    let raise = 1.0 / top;
    let close = run_meter(channels, sample_rate_hz, gain * raise, frames)?;
    if !close.lufs.is_finite() {
        return Err(failed("the clip holds no sound that the meter weighs".to_owned()));
    }
    let kind = if close.kind == LoudnessKind::Short { close.kind } else { LoudnessKind::BelowGate };
    Ok(Loudness { lufs: close.lufs - decibels(raise), kind, ..measured })
}

fn run_meter(
    channels: &[&[f64]],
    sample_rate_hz: u32,
    gain: f64,
    frames: usize,
) -> Result<Loudness, AudioError> {
    let failed = |error: ebur128::Error| AudioError::Loudness {
        reason: format!("{error} (at {sample_rate_hz} Hz)"),
    };
    let count = channels.len() as u32;
    let mut meter =
        EbuR128::new(count, sample_rate_hz, Mode::I | Mode::TRUE_PEAK).map_err(failed)?;
    let map: &[Channel] =
        if count == 1 { &[Channel::Center] } else { &[Channel::Left, Channel::Right] };
    meter.set_channel_map(map).map_err(failed)?;

    // Scaled in blocks, so that trying a gain does not take a copy of the clip.
    let mut blocks = vec![Vec::with_capacity(BLOCK_FRAMES); channels.len()];
    let mut feed = |from: usize, to: usize, meter: &mut EbuR128| {
        for (block, channel) in blocks.iter_mut().zip(channels) {
            block.clear();
            block.extend((from..to).map(|n| channel.get(n).map_or(0.0, |s| s * gain)));
        }
        let views: Vec<&[f64]> = blocks.iter().map(Vec::as_slice).collect();
        meter.add_frames_planar_f64(&views).map_err(failed)
    };
    let block_frames = (BLOCK_S * f64::from(sample_rate_hz)).ceil() as usize;
    let short = frames < block_frames;
    // A short clip is followed by silence up to one block; a full one by the few samples that the
    // true-peak filter still holds back (12 at four times the rate).
    let padded = if short { block_frames } else { frames };
    let mut at = 0;
    while at < padded {
        let next = (at + BLOCK_FRAMES).min(padded);
        feed(at, next, &mut meter)?;
        at = next;
    }
    let mut lufs = meter.loudness_global().map_err(failed)?;
    if short {
        // The block's mean square was taken over more time than the clip lasts.
        lufs += 10.0 * (padded as f64 / frames as f64).log10();
    }
    feed(padded, padded + TRUE_PEAK_TAIL, &mut meter)?;
    let mut top: f64 = 0.0;
    for channel in 0..count {
        top = top.max(meter.true_peak(channel).map_err(failed)?);
    }
    let kind = if short { LoudnessKind::Short } else { LoudnessKind::Integrated };
    Ok(Loudness { lufs, true_peak_dbtp: decibels(top), kind })
}

const BLOCK_FRAMES: usize = 1 << 14;
const TRUE_PEAK_TAIL: usize = 24;

fn decibels(gain: f64) -> f64 {
    20.0 * gain.log10()
}

fn from_decibels(level_db: f64) -> f64 {
    10f64.powf(level_db / 20.0)
}

/// One clip of a set made equally loud.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MatchedClip {
    /// What to multiply the clip by.
    pub gain: f64,
    /// The same in decibels.
    pub gain_db: f64,
    /// The clip as it was.
    pub before: Loudness,
    /// The clip with its gain.
    pub after: Loudness,
}

/// A set of clips made equally loud.
#[derive(Clone, Debug, PartialEq)]
pub struct MatchedSet {
    /// The loudness that all have with their gains (silent ones excepted), in LUFS; minus infinity
    /// if all are silent.
    pub lufs: f64,
    /// In the order of the clips.
    pub clips: Vec<MatchedClip>,
}

/// Finds the gain of each clip that makes all equally loud with no true peak above
/// [`TRUE_PEAK_CEILING_DBTP`]: as loud as that allows, but no louder than `wanted_lufs` if given.
///
/// Silent clips keep a gain of 1. Each result is measured again with its gain, and corrected where
/// the gain moved blocks across the absolute gate, so that the match holds to 0.01 LU.
///
/// # Errors
/// As [`measure_loudness`].
pub fn match_loudness(clips: &[&Clip], wanted_lufs: Option<f64>) -> Result<MatchedSet, AudioError> {
    let mut before = Vec::with_capacity(clips.len());
    for clip in clips {
        before.push(measure_loudness(&[&clip.samples], clip.sample_rate_hz)?);
    }
    let audible = || before.iter().filter(|l| l.kind != LoudnessKind::Silent);
    let allowed = audible()
        .map(|l| l.lufs + TRUE_PEAK_CEILING_DBTP - l.true_peak_dbtp)
        .fold(f64::INFINITY, f64::min);
    if allowed == f64::INFINITY {
        let clips = before
            .into_iter()
            .map(|l| MatchedClip { gain: 1.0, gain_db: 0.0, before: l, after: l })
            .collect();
        return Ok(MatchedSet { lufs: f64::NEG_INFINITY, clips });
    }
    let mut target = wanted_lufs.map_or(allowed, |wanted| wanted.min(allowed));

    // Gating makes loudness not quite proportional to gain, so the true peak of a corrected clip
    // may come out above the ceiling; then all go down together. Two rounds have always been enough.
    for _ in 0..MOST_ROUNDS {
        let matched = match_to(clips, &before, target)?;
        let over = matched
            .iter()
            .map(|m| m.after.true_peak_dbtp - TRUE_PEAK_CEILING_DBTP)
            .fold(f64::NEG_INFINITY, f64::max);
        if over <= 1e-9 {
            return Ok(MatchedSet { lufs: target, clips: matched });
        }
        target -= over + 1e-6;
    }
    Err(AudioError::Loudness { reason: "no common loudness below the peak limit found".to_owned() })
}

const MOST_ROUNDS: usize = 20;
/// A match is good at this, in LU; the design asks for 0.1.
const CLOSE_LU: f64 = 0.01;

fn match_to(
    clips: &[&Clip],
    before: &[Loudness],
    target_lufs: f64,
) -> Result<Vec<MatchedClip>, AudioError> {
    let mut matched = Vec::with_capacity(clips.len());
    for (clip, &was) in clips.iter().zip(before) {
        if was.kind == LoudnessKind::Silent {
            matched.push(MatchedClip { gain: 1.0, gain_db: 0.0, before: was, after: was });
            continue;
        }
        let mut gain_db = target_lufs - was.lufs;
        let mut round = 0;
        let after = loop {
            let gain = from_decibels(gain_db);
            let now = measure_scaled(&[&clip.samples], clip.sample_rate_hz, gain)?;
            let short_by = target_lufs - now.lufs;
            if short_by.abs() < CLOSE_LU {
                break now;
            }
            round += 1;
            if round > MOST_ROUNDS {
                return Err(AudioError::Loudness {
                    reason: format!("no gain brings the clip to {target_lufs:.2} LUFS"),
                });
            }
            gain_db += short_by;
        };
        matched.push(MatchedClip { gain: from_decibels(gain_db), gain_db, before: was, after });
    }
    Ok(matched)
}
