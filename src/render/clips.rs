//! One clip through every version: as loud as the amp would be, and matched in loudness.

use rayon::prelude::*;

use super::plan::{RenderError, VersionPlan};
use crate::amp;
use crate::audio::{
    ChannelChoice, Clip, MatchedClip, match_loudness, measure_loudness, read_wav, to_working_rate,
};

/// Silence that is added after a clip, so that what rings on is heard to its end.
pub const TAIL_S: f64 = 0.5;
/// Peak of the loudest version of a clip, as a gain; -1 dB leaves room for peaks between samples.
const HEADROOM: f64 = 0.891_250_938_133_745_5;

/// A clip as one version renders it.
#[derive(Clone, Debug)]
pub struct RenderedClip {
    /// The version's name.
    pub version: String,
    /// In the unit of the output node: volts, or pascals at 1 m where a speaker's sound is heard.
    pub clip: Clip,
    /// The gain that makes all versions of the clip equally loud, with the loudness before and after.
    pub matched: MatchedClip,
    /// Integrated loudness with the set's common scale, in LUFS.
    pub as_loud_lufs: f64,
}

/// One clip through every version.
#[derive(Clone, Debug)]
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

/// Reads a clip of a job at a rate at which circuits are rendered.
///
/// # Errors
/// [`RenderError::Audio`].
pub fn load_clip(spec: &amp::Clip) -> Result<Clip, RenderError> {
    let choice = match spec.channel {
        None => ChannelChoice::Mix,
        Some(n) => ChannelChoice::One(u16::try_from(n).unwrap_or(u16::MAX)),
    };
    let clip = read_wav(&spec.path, choice)?;
    Ok(to_working_rate(&clip)?.into_owned())
}

/// Renders a clip through every version, versions in parallel. `peak_volts` is what full scale of the
/// recording stands for; `done` is told after each version.
///
/// # Errors
/// [`RenderError::NotFinite`], [`RenderError::Audio`].
pub fn render_clip(
    name: &str,
    dry: &Clip,
    peak_volts: f64,
    plans: &[VersionPlan],
    done: &(dyn Fn() + Sync),
) -> Result<ClipSet, RenderError> {
    let tail = (TAIL_S * f64::from(dry.sample_rate_hz)) as usize;
    let mut volts: Vec<f64> = dry.samples.iter().map(|s| s * peak_volts).collect();
    volts.resize(volts.len() + tail, 0.0);
    // Collecting in order keeps the answer the same whatever the number of threads.
    let clips: Vec<Clip> = plans
        .par_iter()
        .map(|plan| {
            let samples = plan.render(&volts);
            if let Some(frame) = samples.iter().position(|s| !s.is_finite()) {
                return Err(RenderError::NotFinite { version: plan.name().to_owned(), frame });
            }
            done();
            Ok(Clip { samples, sample_rate_hz: dry.sample_rate_hz })
        })
        .collect::<Result<_, _>>()?;
    let peak = clips.iter().map(Clip::peak).fold(0.0, f64::max);
    let scale = if peak > 0.0 { HEADROOM / peak } else { 1.0 };
    let references: Vec<&Clip> = clips.iter().collect();
    let set = match_loudness(&references, None)?;
    let mut versions = Vec::with_capacity(clips.len());
    for ((clip, plan), matched) in clips.iter().zip(plans).zip(set.clips) {
        let scaled = clip.scaled(scale);
        let as_loud = measure_loudness(&[&scaled.samples], scaled.sample_rate_hz)?;
        versions.push(RenderedClip {
            version: plan.name().to_owned(),
            clip: clip.clone(),
            matched,
            as_loud_lufs: as_loud.lufs,
        });
    }
    Ok(ClipSet { name: name.to_owned(), scale, matched_lufs: set.lufs, versions })
}
