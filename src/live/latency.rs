//! How long sound takes from the output back to the input, by a cable between them.

use super::error::LiveError;
use crate::audio::Noise;

/// Length of the burst, and its peak: quiet enough for a loudspeaker that should not be there.
const BURST_FRAMES: usize = 2048;
const BURST_PEAK: f64 = 0.1;
/// Silence before each burst.
const LEAD_FRAMES: usize = 4800;
/// The loop may take up to half a second at 48 kHz.
pub const MOST_LAG_FRAMES: usize = 24_000;
/// Bursts that are played, one after the other.
const BURSTS: usize = 3;
/// How much of what is heard must be the burst, as a share of its energy.
const LEAST_SHARE: f64 = 0.25;
/// Bursts may not differ by more.
const AGREE_FRAMES: f64 = 1.0;

/// Sample numbers at which bursts begin.
fn starts() -> impl Iterator<Item = usize> {
    (0..BURSTS).map(|k| LEAD_FRAMES + k * (LEAD_FRAMES + BURST_FRAMES + MOST_LAG_FRAMES))
}

fn burst() -> Vec<f64> {
    let mut noise = Noise::new(7);
    (0..BURST_FRAMES).map(|_| BURST_PEAK * noise.triangular()).collect()
}

/// What is to be played.
pub fn signal() -> Vec<f64> {
    let mut all = Vec::new();
    for start in starts() {
        all.resize(start, 0.0);
        all.extend(burst());
    }
    all
}

/// Frames of input that are needed.
pub fn frames() -> usize {
    signal().len() + MOST_LAG_FRAMES
}

/// What was found.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Loop {
    /// From a sample that is played to the same sample heard, both counted in the output's callback.
    pub lag_frames: f64,
    /// Level of what came back against what was played.
    pub level_db: f64,
}

/// Looks for the bursts in what was heard while [`signal`] was played.
///
/// # Errors
/// [`LiveError::Latency`] if nothing of it came back, or at changing times.
pub fn measure(heard: &[f64]) -> Result<Loop, LiveError> {
    let wrong = |what: &str| Err(LiveError::Latency { what: what.to_owned() });
    let played = burst();
    let energy: f64 = played.iter().map(|x| x * x).sum();
    let mut found: Vec<(f64, f64)> = Vec::new();
    for start in starts() {
        let Some(heard) = heard.get(start..start + BURST_FRAMES + MOST_LAG_FRAMES) else {
            return wrong("the input stopped before the measurement was over");
        };
        let (mut best, mut at) = (0.0f64, 0);
        let product = |lag: usize| -> f64 {
            heard[lag..lag + BURST_FRAMES].iter().zip(&played).map(|(h, p)| h * p).sum()
        };
        for lag in 0..MOST_LAG_FRAMES {
            let sum = product(lag);
            if sum.abs() > best.abs() {
                (best, at) = (sum, lag);
            }
        }
        let there: f64 = heard[at..at + BURST_FRAMES].iter().map(|x| x * x).sum();
        if there <= 0.0 || best * best / (energy * there) < LEAST_SHARE {
            return wrong(
                "nothing of what was played came back; connect the output to the input by a cable, \
                 and turn both up to a middle level",
            );
        }
        // The peak between samples, by the parabola through three; at the very edge there are none.
        let shift = if (1..MOST_LAG_FRAMES - 1).contains(&at) {
            let sides = [product(at - 1), product(at + 1)];
            let bend = sides[0] - 2.0 * best + sides[1];
            if bend == 0.0 { 0.0 } else { 0.5 * (sides[0] - sides[1]) / bend }
        } else {
            0.0
        };
        found.push((at as f64 + shift.clamp(-0.5, 0.5), best / energy));
    }
    let lags = found.iter().map(|f| f.0);
    let (low, high) = (lags.clone().fold(f64::MAX, f64::min), lags.clone().fold(0.0, f64::max));
    if high - low > AGREE_FRAMES {
        return wrong(&format!(
            "the delay changed from {low:.0} to {high:.0} frames while it was measured: blocks were \
             lost, or the clocks have not settled; try a larger buffer"
        ));
    }
    let count = found.len() as f64;
    let level = found.iter().map(|f| f.1.abs()).sum::<f64>() / count;
    Ok(Loop { lag_frames: lags.sum::<f64>() / count, level_db: 20.0 * level.log10() })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn back(lag: usize, gain: f64, noise_peak: f64) -> Vec<f64> {
        let mut noise = Noise::new(3);
        let played = signal();
        (0..frames())
            .map(|n| {
                let x = n.checked_sub(lag).and_then(|k| played.get(k)).copied().unwrap_or(0.0);
                gain * x + noise_peak * noise.triangular()
            })
            .collect()
    }

    #[test]
    fn a_loop_is_found_to_the_sample() {
        for lag in [0, 1, 777, 20_000] {
            let found = measure(&back(lag, -0.5, 0.01)).expect("a loop");
            assert!((found.lag_frames - lag as f64).abs() < 0.1, "{lag}: {found:?}");
            assert!((found.level_db + 6.02).abs() < 0.2, "{found:?}");
        }
    }

    #[test]
    fn no_loop_is_told() {
        let error = measure(&back(100, 0.0, 0.1)).expect_err("no loop").to_string();
        assert!(error.contains("by a cable"), "{error}");
        assert!(measure(&[0.0; 100]).is_err());
    }
}
