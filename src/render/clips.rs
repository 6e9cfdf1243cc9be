//! Clips through every version: as loud as the amp would be, and matched in loudness.

use std::path::Path;

use super::plan::{RenderError, RenderPath, VersionPlan};
use super::source::{ClipSource, run_clip};
use super::tape::{Tape, TapeWriter};
use crate::amp::Job;
use crate::audio::{Clip, LoudnessMeter, MatchedClip, MeasuredLoudness, match_measured};
use crate::parallel;

/// Silence that is added after a clip, so that what rings on is heard to its end.
pub const TAIL_S: f64 = 0.5;
/// Peak of the loudest version of a clip, as a gain; -1 dB leaves room for peaks between samples.
const HEADROOM: f64 = 0.891_250_938_133_745_5;

/// A clip as one version renders it.
#[derive(Debug)]
pub struct RenderedClip {
    /// The version's name.
    pub version: String,
    /// In the unit of the output node: volts, or pascals at 1 m where a speaker's sound is heard.
    pub tape: Tape,
    /// The largest magnitude on the tape.
    pub peak: f64,
    /// The gain that makes all versions of the clip equally loud, with the loudness before and after.
    pub matched: MatchedClip,
    /// Integrated loudness with the set's common scale, in LUFS.
    pub as_loud_lufs: f64,
}

impl RenderedClip {
    /// The start of it, at most so long, times `gain`.
    ///
    /// # Errors
    /// [`RenderError::Audio`].
    pub fn excerpt(&self, most_s: f64, gain: f64) -> Result<Clip, RenderError> {
        let sample_rate_hz = self.tape.sample_rate_hz();
        let most = (most_s * f64::from(sample_rate_hz)) as u64;
        let frames = usize::try_from(self.tape.frames().min(most)).unwrap_or(usize::MAX);
        let mut samples = vec![0.0; frames];
        self.tape.read(0, &mut samples)?;
        samples.iter_mut().for_each(|s| *s *= gain);
        Ok(Clip { samples, sample_rate_hz })
    }
}

/// One clip through every version.
#[derive(Debug)]
pub struct ClipSet {
    /// The clip's name in the job.
    pub name: String,
    /// What full scale of a written file stands for is 1 / scale: one gain for all versions, so that
    /// they stay as loud against each other as the amp would be.
    pub scale: f64,
    /// Common loudness of the matched clips, in LUFS.
    pub matched_lufs: f64,
    /// In the order of the versions.
    pub versions: Vec<RenderedClip>,
}

/// Renders every clip through every version of a job, all of them in parallel. What does not fit
/// into memory overflows into `folder`; `passed` is told how many frames went through a version.
///
/// # Errors
/// [`RenderError`].
pub fn render_clips(
    job: &Job,
    clips: &[ClipSource],
    path: RenderPath,
    folder: &Path,
    passed: &(dyn Fn(u64) + Sync),
) -> Result<Vec<ClipSet>, RenderError> {
    let states: Vec<_> = job.versions().collect();
    let pairs: Vec<_> = clips.iter().flat_map(|c| states.iter().map(move |s| (c, *s))).collect();
    let takes: Vec<Take> = parallel::try_map(&pairs, |(clip, state)| {
        let plan = VersionPlan::new(state, path, f64::from(clip.sample_rate_hz()))?;
        take(clip, &plan, folder, passed)
    })?;
    let mut takes = takes.into_iter();
    clips.iter().map(|clip| set(&clip.name, takes.by_ref().take(states.len()).collect())).collect()
}

/// A clip that went through a version.
struct Take {
    version: String,
    tape: Tape,
    loudness: MeasuredLoudness,
}

fn take(
    clip: &ClipSource,
    plan: &VersionPlan,
    folder: &Path,
    passed: &(dyn Fn(u64) + Sync),
) -> Result<Take, RenderError> {
    let rate_hz = clip.sample_rate_hz();
    let mut meter = LoudnessMeter::new(1, rate_hz)?;
    let mut tape = TapeWriter::new(rate_hz, folder);
    let record = |block: &[f64]| {
        meter.add(&[block])?;
        Ok(tape.write(block)?)
    };
    run_clip(clip, plan, TAIL_S, record, passed)?;
    let loudness = meter.finish()?;
    Ok(Take { version: plan.name().to_owned(), tape: tape.finish()?, loudness })
}

fn set(name: &str, takes: Vec<Take>) -> Result<ClipSet, RenderError> {
    let peak = takes.iter().map(|t| t.loudness.peak()).fold(0.0, f64::max);
    let scale = if peak > 0.0 { HEADROOM / peak } else { 1.0 };
    let measured: Vec<MeasuredLoudness> = takes.iter().map(|t| t.loudness.clone()).collect();
    let matched = match_measured(&measured, None)?;
    let versions = takes
        .into_iter()
        .zip(matched.clips)
        .map(|(take, matched)| {
            Ok(RenderedClip {
                version: take.version,
                peak: take.loudness.peak(),
                as_loud_lufs: take.loudness.at_gain(scale)?.lufs,
                tape: take.tape,
                matched,
            })
        })
        .collect::<Result<_, RenderError>>()?;
    Ok(ClipSet { name: name.to_owned(), scale, matched_lufs: matched.lufs, versions })
}
