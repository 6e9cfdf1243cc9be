//! Clips made equally loud.

use super::clip::Clip;
use super::error::AudioError;
use super::meter::{Loudness, LoudnessKind, LoudnessMeter, MeasuredLoudness};

/// True peaks of loudness-matched clips stay at or below this, so that no player clips them.
/// -1 dBTP is the maximum permitted true peak level of EBU R 128.
pub const TRUE_PEAK_CEILING_DBTP: f64 = -1.0;

/// Measures a whole clip of one channel (weight 1) or two (left and right).
///
/// # Errors
/// As [`LoudnessMeter::new`] and [`LoudnessMeter::add`].
pub fn measure_loudness(channels: &[&[f64]], sample_rate_hz: u32) -> Result<Loudness, AudioError> {
    let mut meter = LoudnessMeter::new(channels.len(), sample_rate_hz)?;
    meter.add(channels)?;
    meter.finish()?.at_gain(1.0)
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

impl MatchedClip {
    fn untouched(silent: Loudness) -> MatchedClip {
        MatchedClip { gain: 1.0, gain_db: 0.0, before: silent, after: silent }
    }
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
/// # Errors
/// As [`measure_loudness`].
pub fn match_loudness(clips: &[&Clip], wanted_lufs: Option<f64>) -> Result<MatchedSet, AudioError> {
    let mut measured = Vec::with_capacity(clips.len());
    for clip in clips {
        let mut meter = LoudnessMeter::new(1, clip.sample_rate_hz)?;
        meter.add(&[&clip.samples])?;
        measured.push(meter.finish()?);
    }
    match_measured(&measured, wanted_lufs)
}

/// The same for clips that were measured as they passed, and are too long to be kept.
///
/// Silent clips keep a gain of 1. Where a gain moves blocks across the absolute gate it is
/// corrected, so the match holds to [`MATCHED_WITHIN_LU`].
///
/// # Errors
/// If a clip holds nothing that the meter weighs.
pub fn match_measured(
    clips: &[MeasuredLoudness],
    wanted_lufs: Option<f64>,
) -> Result<MatchedSet, AudioError> {
    let mut before = Vec::with_capacity(clips.len());
    for clip in clips {
        before.push(clip.at_gain(1.0)?);
    }
    let allowed = before
        .iter()
        .filter(|l| l.kind != LoudnessKind::Silent)
        .map(|l| l.lufs + TRUE_PEAK_CEILING_DBTP - l.true_peak_dbtp)
        .fold(f64::INFINITY, f64::min);
    if allowed == f64::INFINITY {
        let clips = before.into_iter().map(MatchedClip::untouched).collect();
        return Ok(MatchedSet { lufs: f64::NEG_INFINITY, clips });
    }
    let mut target = wanted_lufs.map_or(allowed, |wanted| wanted.min(allowed));

    // Gating makes loudness not quite proportional to gain, so the true peak of a corrected clip
    // may come out above the ceiling; then all go down together.
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
/// Matched clips are brought this close together, in LU.
pub const MATCHED_WITHIN_LU: f64 = 0.01;
/// What is allowed where gating leaves no gain that comes so close.
const ALLOWED_LU: f64 = 0.1;

fn match_to(
    clips: &[MeasuredLoudness],
    before: &[Loudness],
    target_lufs: f64,
) -> Result<Vec<MatchedClip>, AudioError> {
    let mut matched = Vec::with_capacity(clips.len());
    for (clip, &was) in clips.iter().zip(before) {
        if was.kind == LoudnessKind::Silent {
            matched.push(MatchedClip::untouched(was));
            continue;
        }
        let mut gain_db = target_lufs - was.lufs;
        let mut best: Option<(f64, f64, Loudness)> = None;
        for _ in 0..MOST_ROUNDS {
            let now = clip.at_gain(from_decibels(gain_db))?;
            let short_by = target_lufs - now.lufs;
            if best.is_none_or(|(off, ..)| short_by.abs() < off) {
                best = Some((short_by.abs(), gain_db, now));
            }
            if short_by.abs() < MATCHED_WITHIN_LU {
                break;
            }
            gain_db += short_by;
        }
        // Where a block hops across the gate and back, the nearest is taken if it is near enough.
        let Some((_, gain_db, after)) = best.filter(|(off, ..)| *off < ALLOWED_LU) else {
            return Err(AudioError::Loudness {
                reason: format!("no gain brings the clip to {target_lufs:.2} LUFS"),
            });
        };
        matched.push(MatchedClip { gain: from_decibels(gain_db), gain_db, before: was, after });
    }
    Ok(matched)
}
