//! Whether the low-end trim holds in every amp, not only in the one with every part at its value.

use serde::Serialize;

use super::bands::{Percentiles, percentiles};

/// What a trim is to do, and on what.
#[derive(Clone, Debug, PartialEq)]
pub struct TrimPlan {
    /// Power of the clip per hertz at the plan's frequencies, in any unit; all ones for even noise.
    pub clip_power: Vec<f64>,
    /// Energy below this is to go.
    pub below_hz: f64,
    pub at_least_db: f64,
    /// Lowest string: its level is to stay.
    pub string_hz: f64,
    pub at_most_db: f64,
}

/// The trim over the draws.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct TrimSpread {
    pub below_hz: f64,
    /// Energy lost below that, dB, with every part at its value, and over the draws.
    pub lost_db: f64,
    pub lost_bands_db: Percentiles,
    pub string_hz: f64,
    /// Change of level at the lowest string.
    pub string_db: f64,
    pub string_bands_db: Percentiles,
    /// Share of draws in which both limits are kept.
    pub holds: f64,
}

/// Level at any frequency, by a straight line over log frequency.
pub fn level_at(frequencies_hz: &[f64], levels_db: &[f64], hz: f64) -> f64 {
    let n = frequencies_hz.len();
    let above = frequencies_hz.partition_point(|f| *f < hz).clamp(1, n - 1);
    let (f0, f1) = (frequencies_hz[above - 1], frequencies_hz[above]);
    let share = ((hz / f0).ln() / (f1 / f0).ln()).clamp(0.0, 1.0);
    levels_db[above - 1] + share * (levels_db[above] - levels_db[above - 1])
}

impl TrimPlan {
    /// Energy below the limit of a clip that went through levels, in the plan's unit.
    fn energy(&self, frequencies_hz: &[f64], levels_db: &[f64]) -> f64 {
        let power = |k: usize| self.clip_power[k] * 10f64.powf(levels_db[k] / 10.0);
        let mut energy = 0.0;
        for k in 1..frequencies_hz.len() {
            let (f0, f1) = (frequencies_hz[k - 1], frequencies_hz[k]);
            if f0 >= self.below_hz {
                break;
            }
            // The last piece is cut at the limit; power goes on a straight line within a piece.
            let share = ((self.below_hz - f0) / (f1 - f0)).min(1.0);
            let (p0, p1) = (power(k - 1), power(k));
            let end = p0 + (p1 - p0) * share;
            energy += 0.5 * (p0 + end) * share * (f1 - f0);
        }
        energy
    }

    fn figures(&self, frequencies_hz: &[f64], [before, after]: [&[f64]; 2]) -> [f64; 2] {
        let energy = |levels: &[f64]| self.energy(frequencies_hz, levels);
        let lost = 10.0 * (energy(before) / energy(after)).log10();
        let string = level_at(frequencies_hz, after, self.string_hz)
            - level_at(frequencies_hz, before, self.string_hz);
        [lost, string]
    }

    fn holds(&self, [lost, string]: [f64; 2]) -> bool {
        lost >= self.at_least_db && string.abs() <= self.at_most_db
    }
}

/// The trim in the nominal amp and over pairs of draws (before, after).
pub fn trimmed(
    plan: &TrimPlan,
    frequencies_hz: &[f64],
    nominal: [&[f64]; 2],
    pairs: &[[&[f64]; 2]],
) -> TrimSpread {
    let [lost_db, string_db] = plan.figures(frequencies_hz, nominal);
    let all: Vec<[f64; 2]> = pairs.iter().map(|p| plan.figures(frequencies_hz, *p)).collect();
    let band = |k: usize| percentiles(all.iter().map(|f| f[k]).collect()).unwrap_or_default();
    TrimSpread {
        below_hz: plan.below_hz,
        lost_db,
        lost_bands_db: band(0),
        string_hz: plan.string_hz,
        string_db,
        string_bands_db: band(1),
        holds: all.iter().filter(|f| plan.holds(**f)).count() as f64 / all.len().max(1) as f64,
    }
}
