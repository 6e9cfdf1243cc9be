//! How finely this computer can step a circuit in time.
//!
//! A sound card waits for nobody: a block that comes late is a gap that everyone hears, while what a
//! finer step adds is heard by nobody who plays a guitar. So each version is run over the loudest stretch
//! of the reference clip, where the solver has most to do, and the finest quality is taken that leaves
//! half of the time of a block free: while two versions fade into one another both run.

use std::time::Instant;

use super::error::LiveError;
use super::voice::VoicePlan;
use crate::amp::AmpState;
use crate::driven::Quality;
use crate::render::RenderPath;

/// Qualities to choose from, the best first: those that are finer than the default are for who asks for them.
const CHOICE: [Quality; 3] = [Quality::Standard, Quality::Fair, Quality::Draft];
/// Largest share of the time of a block that the slowest one may take.
const MOST_LOAD: f64 = 0.5;
/// From here on a block may come late while nothing fades at all: the computer has more to do than this.
const UNSAFE_LOAD: f64 = 0.8;
/// So much of the reference is run, half of it before its peak, and how many times: whatever else the computer
/// does in between is not to count.
const STRETCH_S: f64 = 0.3;
const RUNS: usize = 3;

/// What was chosen, and why.
#[derive(Clone, Debug, PartialEq)]
pub struct Pace {
    pub quality: Quality,
    /// Share of the time of a block that its slowest block took.
    pub load: f64,
    /// The next finer one and its share, where that was too much.
    pub too_slow: Option<(Quality, f64)>,
}

impl std::fmt::Display for Pace {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let percent = |load: f64| (100.0 * load).ceil();
        let name = self.quality.name();
        write!(
            f,
            "{name} takes up to {:.0} % of a block's time on this computer",
            percent(self.load)
        )?;
        if let Some((finer, load)) = self.too_slow {
            write!(f, ", {} up to {:.0} %", finer.name(), percent(load))?;
        }
        if self.load > UNSAFE_LOAD {
            write!(f, "; that is too much to be safe from gaps: take larger blocks, or --linear")?;
        }
        Ok(())
    }
}

/// The finest quality that keeps up, by the share of the time of a block that each takes.
///
/// # Errors
/// What `load` returns.
fn choose<E>(mut load: impl FnMut(Quality) -> Result<f64, E>) -> Result<Pace, E> {
    let mut too_slow = None;
    let mut taken = (CHOICE[0], load(CHOICE[0])?);
    for quality in &CHOICE[1..] {
        if taken.1 <= MOST_LOAD {
            break;
        }
        too_slow = Some(taken);
        taken = (*quality, load(*quality)?);
    }
    Ok(Pace { quality: taken.0, load: taken.1, too_slow })
}

/// Runs all versions on this thread and chooses.
///
/// # Errors
/// [`LiveError::Render`].
pub fn quality_in_time(
    states: &[AmpState],
    reference_volts: &[f64],
    sample_rate_hz: f64,
    block_frames: usize,
) -> Result<Pace, LiveError> {
    let stretch = loudest(reference_volts, (STRETCH_S * sample_rate_hz) as usize);
    let block_frames = block_frames.max(1);
    let block_s = block_frames as f64 / sample_rate_hz;
    choose(|quality| {
        let mut most = 0.0f64;
        for state in states {
            let plan = VoicePlan::new(state, RenderPath::DrivenEvenly(quality), sample_rate_hz)?;
            most = most.max(slowest_block_s(&plan, stretch, block_frames) / block_s);
            // The next ones cannot make it good.
            if most > MOST_LOAD && quality != Quality::Draft {
                break;
            }
        }
        Ok(most)
    })
}

/// The stretch round the largest peak.
fn loudest(volts: &[f64], frames: usize) -> &[f64] {
    let peak = (0..volts.len()).max_by(|&a, &b| volts[a].abs().total_cmp(&volts[b].abs()));
    let start =
        peak.unwrap_or(0).saturating_sub(frames / 2).min(volts.len().saturating_sub(frames));
    &volts[start..volts.len().min(start + frames)]
}

/// Seconds that the slowest block takes; each is the fastest of several runs.
fn slowest_block_s(plan: &VoicePlan, volts: &[f64], block_frames: usize) -> f64 {
    let mut fastest = vec![f64::INFINITY; volts.len() / block_frames];
    let mut output = vec![0.0; block_frames];
    for _ in 0..RUNS {
        let mut voice = plan.voice();
        for (block, seconds) in volts.chunks_exact(block_frames).zip(&mut fastest) {
            let start = Instant::now();
            voice.process_into(block, &mut output);
            *seconds = seconds.min(start.elapsed().as_secs_f64());
        }
    }
    fastest.into_iter().fold(0.0, f64::max)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pace(loads: [f64; 3]) -> Pace {
        let load = |quality| {
            let at = CHOICE.iter().position(|q| *q == quality).expect("one of the choice");
            Ok::<_, ()>(loads[at])
        };
        choose(load).expect("a choice")
    }

    #[test]
    fn the_finest_that_keeps_up_is_taken() {
        let fast = pace([0.3, 0.2, 0.1]);
        assert_eq!((fast.quality, fast.too_slow), (Quality::Standard, None));
        let middling = pace([0.7, 0.4, 0.2]);
        assert_eq!(middling.too_slow, Some((Quality::Standard, 0.7)));
        assert_eq!(
            middling.to_string(),
            "fair takes up to 40 % of a block's time on this computer, standard up to 70 %"
        );
        let slow = pace([3.0, 2.0, 0.9]);
        assert_eq!((slow.quality, slow.load), (Quality::Draft, 0.9));
        assert!(slow.to_string().contains("--linear"), "{slow}");
    }

    #[test]
    fn the_loudest_stretch_has_the_peak_in_it() {
        let mut volts = vec![0.0; 1000];
        for (at, first) in [(5, 0), (500, 450), (990, 900)] {
            volts.fill(0.0);
            volts[at] = -1.0;
            let stretch = loudest(&volts, 100);
            assert_eq!((stretch.len(), stretch[at - first]), (100, -1.0));
        }
        assert_eq!(loudest(&volts[..50], 100).len(), 50);
        assert_eq!(loudest(&[], 100).len(), 0);
    }
}
