//! A clip of a job, and its way through a version in bounded memory.

use super::plan::{RenderError, VersionPlan};
use super::run::VersionRun;
use crate::amp;
use crate::audio::{ChannelChoice, Recording};

/// A recording with the volts that it stands for.
#[derive(Clone, Debug)]
pub struct ClipSource {
    /// The clip's name in the job.
    pub name: String,
    pub recording: Recording,
    /// Volts of full scale.
    pub peak_volts: f64,
}

impl ClipSource {
    /// Opens a clip of a job and reads it through, so that what is wrong with it is known before
    /// anything is computed.
    ///
    /// # Errors
    /// [`RenderError::Audio`].
    pub fn open(spec: &amp::Clip) -> Result<ClipSource, RenderError> {
        let choice = match spec.channel {
            None => ChannelChoice::Mix,
            Some(n) => ChannelChoice::One(u16::try_from(n).unwrap_or(u16::MAX)),
        };
        let recording = Recording::open(&spec.path, choice)?;
        Ok(ClipSource { name: spec.name.clone(), recording, peak_volts: spec.peak.0 })
    }

    /// Samples per second at which the clip is rendered.
    pub fn sample_rate_hz(&self) -> u32 {
        self.recording.sample_rate_hz()
    }

    /// Frames at that rate.
    pub fn frames(&self) -> u64 {
        self.recording.frames()
    }
}

/// Runs a clip, and silence of `tail_s` after it, through a version. Each block of the answer, aligned
/// with the clip and as long as clip and silence, goes to `take`; `passed` is told how many frames
/// went in. Returns the run, which knows how the valves were driven.
///
/// # Errors
/// [`RenderError::Audio`], [`RenderError::NotFinite`], or what `take` gives back.
pub fn run_clip(
    clip: &ClipSource,
    plan: &VersionPlan,
    tail_s: f64,
    mut take: impl FnMut(&[f64]) -> Result<(), RenderError>,
    passed: &(dyn Fn(u64) + Sync),
) -> Result<VersionRun, RenderError> {
    let mut run = plan.start();
    let mut to_skip = run.delay_frames();
    let mut handed_on = 0usize;
    let mut volts = Vec::new();
    let mut answer = Vec::new();
    let mut give = |volts: &[f64]| -> Result<(), RenderError> {
        answer.resize(volts.len(), 0.0);
        run.process_into(volts, &mut answer);
        let skipped = to_skip.min(answer.len());
        to_skip -= skipped;
        let heard = &answer[skipped..];
        if let Some(bad) = heard.iter().position(|s| !s.is_finite()) {
            let version = plan.name().to_owned();
            return Err(RenderError::NotFinite { version, frame: handed_on + bad });
        }
        handed_on += heard.len();
        take(heard)
    };
    let mut blocks = clip.recording.blocks()?;
    while let Some(block) = blocks.next_block()? {
        volts.clear();
        volts.extend(block.iter().map(|s| s * clip.peak_volts));
        give(&volts)?;
        passed(volts.len() as u64);
    }
    let tail = (tail_s * plan.sample_rate_hz()) as usize + plan.delay_frames();
    let silence = [0.0; 4096];
    let mut left = tail;
    while left > 0 {
        let now = left.min(silence.len());
        give(&silence[..now])?;
        left -= now;
    }
    Ok(run)
}
