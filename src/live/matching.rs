//! Gains: how loud a version is played, as loud as the amp would be or all equally loud.

use super::error::LiveError;
use super::voice::VoicePlan;
use crate::amp::AmpState;
use crate::audio::{Clip, match_loudness};
use crate::driven::Quality;
use crate::parallel;
use crate::render::RenderPath;

/// Peak of the loudest version with the reference clip: 6 dB are left for playing harder than it.
const HEADROOM: f64 = 0.5;
/// So much of the reference clip is listened to.
const MOST_S: f64 = 5.0;

/// Gains of one version, from the unit of its output node to full scale.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Gains {
    /// One gain for all versions: as loud against each other as the amp would be.
    pub as_is: f64,
    /// All equally loud by ITU-R BS.1770 with the reference clip.
    pub matched: f64,
}

/// Finds the gains with a reference clip in volts. Versions are matched with their knobs where they
/// stand; a knob that is moved later is heard as what it does.
///
/// The driven path is run at its draft quality here: what is finer about the others lies far below
/// what moves a loudness.
///
/// # Errors
/// [`LiveError::Render`], [`LiveError::Audio`].
pub fn match_versions(
    states: &[AmpState],
    path: RenderPath,
    reference_volts: &[f64],
    sample_rate_hz: u32,
) -> Result<Vec<Gains>, LiveError> {
    let rate_hz = f64::from(sample_rate_hz);
    let path = match path {
        RenderPath::Linear => RenderPath::Linear,
        RenderPath::Driven(_) | RenderPath::DrivenEvenly(_) => RenderPath::Driven(Quality::Draft),
    };
    let frames = reference_volts.len().min((MOST_S * rate_hz) as usize);
    let clips: Vec<Clip> = parallel::try_map(states, |state| {
        let mut samples = vec![0.0; frames];
        VoicePlan::new(state, path, rate_hz)?
            .voice()
            .process_into(&reference_volts[..frames], &mut samples);
        samples.iter_mut().filter(|y| !y.is_finite()).for_each(|y| *y = 0.0);
        Ok::<_, LiveError>(Clip { samples, sample_rate_hz })
    })?;
    let peak = clips.iter().map(Clip::peak).fold(0.0, f64::max);
    let as_is = if peak > 0.0 { HEADROOM / peak } else { 1.0 };
    let clips: Vec<Clip> = clips.iter().map(|c| c.scaled(as_is)).collect();
    let references: Vec<&Clip> = clips.iter().collect();
    let matched = match_loudness(&references, None)?;
    // The loudest peak of the matched ones is brought to the same headroom.
    let top = |gain: f64, clip: &Clip| gain * clip.peak();
    let loudest = matched.clips.iter().zip(&clips).map(|(m, c)| top(m.gain, c)).fold(0.0, f64::max);
    let lower = if loudest > 0.0 { HEADROOM / loudest } else { 1.0 };
    Ok(matched.clips.iter().map(|m| Gains { as_is, matched: as_is * m.gain * lower }).collect())
}
