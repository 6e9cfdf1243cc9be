//! Corner frequencies: of the whole amp and of each section in it.
//!
//! A *section* is what one capacitor does between two places of the circuit:
//! - a coupling capacitor, from the side that is driven to the side behind it: a high-pass;
//! - a bypass capacitor at a cathode, from the valve's grid to its cathode: a low-pass of the
//!   cathode's voltage, which is where the stage's gain begins to rise.
//!
//! Its corner is the frequency at which the ratio of the two voltages has half the power of its own
//! highest value, on the side that the capacitor cuts. Where hardly anything drives a section, what
//! comes round by the supply can be more: no highest value is looked for there. Both voltages can be
//! rendered and measured, so that the figure from the circuit has a counterpart from audio.

use nalgebra::Complex;

use super::crossings::{
    CrossingError, HALF_POWER_DB, LevelCurve, Reference, crossings, half_power_corners,
};
use crate::circuit::{CircuitError, GROUND, Kind, LinearCircuit, Node, Part};

/// Corners are looked for, and can be measured, between these.
pub const SEARCH_HZ: [f64; 2] = [0.5, 20_000.0];
/// A local maximum further below the highest point than this is a hump on a slope.
const MAXIMUM_WITHIN_DB: f64 = 20.0;
const POINTS_PER_OCTAVE: f64 = 24.0;
/// From here on it is looked at from which side a capacitor is driven.
const BOTTOM_HZ: f64 = 0.05;
/// A section counts as driven where its driven side is no further below the most that it gets.
const DRIVEN_WITHIN_DB: f64 = 80.0;
/// Where a cathode follows its grid by less, bypassing it adds less than 1 dB of gain: -20 lg(1 - 0.1).
const FOLLOWS_DB: f64 = -20.0;
/// A coupling that rises by more over the last octave of the search has its corner above 14 kHz: half of the power
/// of what it comes to is not in the search, or too near to its end to be told.
const RISES_BY_DB: f64 = 3.0;

/// Which side of a response a corner bounds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Side {
    /// The response falls below the corner.
    Low,
    /// The response falls above the corner.
    High,
}

/// A place in the circuit whose corner can be stated and measured.
#[derive(Clone, Debug, PartialEq)]
pub struct SectionPlan {
    /// The capacitor.
    pub part: String,
    /// The ratio is the voltage at `to` over that at `from`.
    pub from: Node,
    pub to: Node,
    /// Which side the capacitor cuts.
    pub side: Side,
    /// From where to where it is driven at all.
    pub driven_hz: [f64; 2],
}

/// A corner and the point that it is 3 dB below of.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Corner {
    pub frequency_hz: f64,
    pub reference_hz: f64,
    pub side: Side,
}

/// Level of a gain in dB.
pub fn decibels(gain: Complex<f64>) -> f64 {
    20.0 * gain.norm().log10()
}

/// The corner on one side of a curve's point at `reference_hz`; `None` if it does not fall far enough
/// within the search.
///
/// # Errors
/// If the curve is not a number somewhere.
pub fn corner_beside(
    level_db: &mut LevelCurve,
    reference_hz: f64,
    side: Side,
) -> Result<Option<Corner>, CrossingError> {
    let [low, high] = SEARCH_HZ;
    let found = half_power_corners(level_db, Reference::At { hz: reference_hz }, low, high)?;
    let hz = match side {
        Side::Low => found.low_hz,
        Side::High => found.high_hz,
    };
    Ok(hz.map(|frequency_hz| Corner { frequency_hz, reference_hz, side }))
}

/// The counterpart of a corner on another curve: relative to the same point, within half an octave.
/// A measured curve is asked for few values this way.
///
/// # Errors
/// If the curve is not a number somewhere.
pub fn corner_near(
    level_db: &mut LevelCurve,
    like: &Corner,
) -> Result<Option<Corner>, CrossingError> {
    const NEAR: f64 = std::f64::consts::SQRT_2;
    let [low, high] = SEARCH_HZ;
    let target_db =
        level_db(&[like.reference_hz]).first().map_or(f64::NAN, |db| db + HALF_POWER_DB);
    let (from, to) = ((like.frequency_hz / NEAR).max(low), (like.frequency_hz * NEAR).min(high));
    let all = crossings(level_db, target_db, from, to)?;
    let away = |hz: &f64| (hz / like.frequency_hz).ln().abs();
    let nearest = all.into_iter().min_by(|a, b| away(a).total_cmp(&away(b)));
    Ok(nearest.map(|frequency_hz| Corner { frequency_hz, ..*like }))
}

/// Frequencies at which levels are first looked at, from one on to the end of the search.
fn grid(low: f64) -> Vec<f64> {
    let high = SEARCH_HZ[1];
    let n = ((high / low).log2() * POINTS_PER_OCTAVE).ceil() as usize;
    (0..=n).map(|k| (low * (high / low).powf(k as f64 / n as f64)).min(high)).collect()
}

/// From where to where a section is driven at all, by the levels at its driven side.
fn driven_range(hz: &[f64], levels_db: &[f64]) -> [f64; 2] {
    let top = levels_db.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let driven = |k: &usize| levels_db[*k] >= top - DRIVEN_WITHIN_DB;
    let ends = [(0..hz.len()).find(driven), (0..hz.len()).rfind(driven)];
    [
        ends[0].map_or(SEARCH_HZ[0], |k| hz[k].max(SEARCH_HZ[0])),
        ends[1].map_or(SEARCH_HZ[1], |k| hz[k]),
    ]
}

/// The corner of a section's ratio. A coupling's is on the low side of its highest point where the section is
/// driven. A bypassed cathode follows its grid below the corner, by a share that is less than one: where the ratio
/// is more, a supply moves the cathode, and where it never comes to [`FOLLOWS_DB`], nothing is gained above.
///
/// # Errors
/// If the curve is not a number somewhere.
pub fn section_corner(
    level_db: &mut LevelCurve,
    driven: [f64; 2],
    side: Side,
) -> Result<Option<Corner>, CrossingError> {
    let around = match side {
        Side::Low => Some(driven),
        Side::High => followed(level_db, driven),
    };
    let Some([low, high]) = around.filter(|[low, high]| low < high) else { return Ok(None) };
    let found = half_power_corners(level_db, Reference::Highest, low, high)?;
    let Some(hz) = found.reference_hz else { return Ok(None) };
    // What still rises at the end of the search has its highest point, and its corner, beyond.
    let end = SEARCH_HZ[1];
    if side == Side::Low && hz > 0.99 * end {
        let levels = level_db(&[0.5 * end, end]);
        if levels[1] - levels[0] > RISES_BY_DB {
            return Ok(None);
        }
    }
    corner_beside(level_db, hz, side)
}

/// Around which frequency a cathode follows its grid most: the maximum of their ratio that is nearest to the
/// corner, so the highest in frequency; or the lower end of the range where it is driven.
fn followed(level_db: &mut LevelCurve, driven: [f64; 2]) -> Option<[f64; 2]> {
    let hz: Vec<f64> =
        grid(SEARCH_HZ[0]).into_iter().filter(|hz| (driven[0]..=driven[1]).contains(hz)).collect();
    let levels = level_db(&hz);
    let last = hz.len().checked_sub(1)?;
    let is_maximum = |&k: &usize| {
        let below = k == 0 || levels[k] >= levels[k - 1];
        let above = k == last || levels[k] > levels[k + 1];
        below && above && (FOLLOWS_DB..=0.0).contains(&levels[k])
    };
    let at = (0..=last).rfind(is_maximum)?;
    Some([hz[at.saturating_sub(1)], hz[(at + 1).min(last)]])
}

/// The corner of a whole amp: beside its lowest maximum on the low side, its highest on the high side.
///
/// # Errors
/// If the curve is not a number somewhere.
pub fn amp_corner(level_db: &mut LevelCurve, side: Side) -> Result<Option<Corner>, CrossingError> {
    let hz = grid(SEARCH_HZ[0]);
    let n = hz.len() - 1;
    let levels = level_db(&hz);
    let top = levels.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let is_maximum = |&k: &usize| {
        let left = k == 0 || levels[k] >= levels[k - 1];
        let right = k == n || levels[k] > levels[k + 1];
        left && right && levels[k] > top - MAXIMUM_WITHIN_DB
    };
    let mut maxima = (0..=n).filter(is_maximum);
    let at = match side {
        Side::Low => maxima.next(),
        Side::High => maxima.next_back(),
    };
    match at {
        Some(k) => corner_beside(level_db, hz[k], side),
        None => Ok(None),
    }
}

/// The sections of a circuit that the signal passes: coupling capacitors whose far side has lost
/// level at the lowest frequency that drives them, and cathode bypasses. Capacitors on supplies are none of them.
///
/// # Errors
/// As [`LinearCircuit::gains`].
pub fn sections(linear: &LinearCircuit, source: &str) -> Result<Vec<SectionPlan>, CircuitError> {
    let circuit = linear.circuit();
    let cathodes: Vec<(Node, Node)> = circuit
        .parts()
        .filter_map(|p| match p.kind {
            Kind::Triode { grid, cathode, .. } | Kind::Pentode { grid, cathode, .. } => {
                Some((cathode, grid))
            }
            _ => None,
        })
        .collect();
    let hz = grid(BOTTOM_HZ);
    // Every node in one go: a solution has them all.
    let ends = |part: &Part| match part.kind {
        Kind::Capacitor { between, .. } => Some(between),
        _ => None,
    };
    let mut nodes: Vec<Node> = circuit.parts().filter_map(ends).flatten().collect();
    nodes.extend(cathodes.iter().map(|(_, grid)| *grid));
    nodes.sort_unstable();
    nodes.dedup();
    let gains = linear.gains(source, &nodes, &hz)?;
    let gains = |node: Node| nodes.binary_search(&node).ok().map(|at| gains[at].as_slice());
    let mut plans = Vec::new();
    for part in circuit.parts() {
        let Some([a, b]) = ends(part) else { continue };
        let plan = if a != GROUND && b != GROUND {
            let turned = gains(a).zip(gains(b)).and_then(|(ga, gb)| is_driven_from_first(ga, gb));
            turned.map(|forward| if forward { (a, b, Side::Low) } else { (b, a, Side::Low) })
        } else {
            let node = if a == GROUND { b } else { a };
            cathodes.iter().find(|(k, _)| *k == node).map(|&(k, grid)| (grid, k, Side::High))
        };
        if let Some((from, to, side)) = plan {
            let levels: Vec<f64> =
                gains(from).unwrap_or_default().iter().copied().map(decibels).collect();
            let driven_hz = driven_range(&hz, &levels);
            plans.push(SectionPlan { part: part.name.clone(), from, to, side, driven_hz });
        }
    }
    Ok(plans)
}

/// Whether the first side of a coupling capacitor drives the second or the other way round; `None` where both
/// sides carry nearly the same at the lowest frequency that drives it (then it has no corner of 3 dB) or neither
/// carries anything.
fn is_driven_from_first(first: &[Complex<f64>], second: &[Complex<f64>]) -> Option<bool> {
    const QUIET: f64 = 1e-12;
    const LOST: f64 = 0.7;
    const WITHIN_DB: f64 = 60.0;
    let sizes = || first.iter().zip(second).map(|(a, b)| [a.norm(), b.norm()]);
    let top = sizes().flatten().fold(QUIET, f64::max);
    // Below that, what comes round by the supply may be more than what comes from the input.
    let least = (top * 10f64.powf(-WITHIN_DB / 20.0)).max(QUIET);
    let [a, b] = sizes().find(|[a, b]| a.max(*b) > least)?;
    match (b < LOST * a, a < LOST * b) {
        (true, _) => Some(true),
        (_, true) => Some(false),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::crossings::one_by_one;

    /// A bypass in closed form, 3 dB down at 71 Hz, behind couplings that take 120 dB off for each decade below
    /// 20 Hz; and with what a supply brings round, which is the more the less comes the usual way.
    #[test]
    fn what_comes_by_the_supply_makes_no_corner() {
        let driven_db = |hz: f64| 120.0 * (hz / 20.0).log10().min(0.0);
        let bypass = |hz: f64| 1.0 / (1.0 + (hz / 71.0).powi(2));
        for by_supply_db in [f64::NEG_INFINITY, -140.0] {
            let by_supply = |hz: f64| 10f64.powf((by_supply_db - driven_db(hz)) / 10.0);
            let mut ratio = one_by_one(|hz| 10.0 * (0.4 * bypass(hz) + by_supply(hz)).log10());
            let hz = grid(BOTTOM_HZ);
            let driven =
                driven_range(&hz, &hz.iter().map(|&hz| driven_db(hz)).collect::<Vec<f64>>());
            // -80 dB at 20 Hz less two thirds of a decade.
            assert!(
                (driven[0] / 4.31 - 1.0).abs() < 0.03 && driven[1] == SEARCH_HZ[1],
                "{driven:?}"
            );
            let corner = section_corner(&mut ratio, driven, Side::High).unwrap().unwrap();
            assert!((corner.frequency_hz / 71.0 - 1.0).abs() < 0.01, "{corner:?}");
        }
    }

    /// A corner below the range in which a section is driven is found all the same.
    #[test]
    fn a_corner_may_lie_where_little_is_driven() {
        let mut high_pass = one_by_one(|hz| -10.0 * (1.0 + (2.0 / hz).powi(2)).log10());
        let corner = section_corner(&mut high_pass, [100.0, 5_000.0], Side::Low).unwrap().unwrap();
        // 3 dB below its level at 5 kHz.
        assert!((corner.frequency_hz / 2.0 - 1.0).abs() < 1e-6, "{corner:?}");
    }

    /// The end of the search is no place from which a corner is 3 dB down.
    #[test]
    fn a_corner_beyond_the_search_is_none() {
        for (corner_hz, found) in [(1e6, false), (30e3, false), (2e3, true)] {
            let mut high_pass =
                one_by_one(|hz| -10.0 * (1.0 + f64::powi(corner_hz / hz, 2)).log10());
            let corner = section_corner(&mut high_pass, SEARCH_HZ, Side::Low).unwrap();
            assert_eq!(corner.is_some(), found, "{corner_hz} Hz: {corner:?}");
        }
    }

    /// At the bottom of the search more reaches the phase inverter of this amp by its supply than by the capacitor
    /// in front of it, which is driven from the tone controls all the same. It sees the grid leak of 1 MΩ,
    /// bootstrapped at the tail: its corner lies below the 7.2 Hz of 22 nF and 1 MΩ, though not by far.
    #[test]
    fn a_coupling_is_driven_from_the_side_of_the_input() {
        let amp = crate::amp::AmpFile::preset("hawthorn-50").unwrap();
        let built = amp.state().circuit().unwrap();
        let point = crate::circuit::OperatingPoint::solve(&built.circuit).unwrap();
        let linear = LinearCircuit::new(&built.circuit, &point).unwrap();
        let plans = sections(&linear, crate::amp::INPUT_PART).unwrap();
        let plan = plans.iter().find(|p| p.part == "C8").unwrap();
        let ends = [plan.from, plan.to].map(|n| built.circuit.node_name(n));
        assert_eq!(ends, ["tone", "g3a"]);
        let gains = |hz: &[f64]| linear.gains(crate::amp::INPUT_PART, &[plan.from, plan.to], hz);
        let mut ratio = |hz: &[f64]| {
            let gains = gains(hz).unwrap();
            gains[1].iter().zip(&gains[0]).map(|(to, from)| decibels(to / from)).collect()
        };
        let corner = section_corner(&mut ratio, plan.driven_hz, Side::Low).unwrap().unwrap();
        assert!((3.6..7.2).contains(&corner.frequency_hz), "{corner:?}");
    }
}
