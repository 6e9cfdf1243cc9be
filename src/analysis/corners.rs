//! Corner frequencies: of the whole amp and of each section in it.
//!
//! A *section* is what one capacitor does between two places of the circuit:
//! - a coupling capacitor, from the side that is driven to the side behind it: a high-pass;
//! - a bypass capacitor at a cathode, from the valve's grid to its cathode: a low-pass of the
//!   cathode's voltage, which is where the stage's gain begins to rise.
//!
//! Its corner is the frequency at which the ratio of the two voltages has half the power of its own
//! highest value, on the side that the capacitor cuts. Both voltages can be rendered and measured, so
//! that the figure from the circuit has a counterpart from audio.

use nalgebra::Complex;

use super::crossings::{
    CrossingError, HALF_POWER_DB, LevelCurve, Reference, crossings, half_power_corners,
};
use crate::circuit::{CircuitError, GROUND, Kind, LinearCircuit, Node};

/// Corners are looked for, and can be measured, between these.
pub const SEARCH_HZ: [f64; 2] = [0.5, 20_000.0];
/// A local maximum further below the highest point than this is a hump on a slope.
const MAXIMUM_WITHIN_DB: f64 = 20.0;
const POINTS_PER_OCTAVE: f64 = 24.0;

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

/// The corner of a ratio on one side of its highest point.
///
/// # Errors
/// If the curve is not a number somewhere.
pub fn section_corner(
    level_db: &mut LevelCurve,
    side: Side,
) -> Result<Option<Corner>, CrossingError> {
    let [low, high] = SEARCH_HZ;
    let found = half_power_corners(level_db, Reference::Highest, low, high)?;
    let hz = match side {
        Side::Low => found.low_hz,
        Side::High => found.high_hz,
    };
    let pair = hz.zip(found.reference_hz);
    Ok(pair.map(|(frequency_hz, reference_hz)| Corner { frequency_hz, reference_hz, side }))
}

/// The corner of a whole amp: beside its lowest maximum on the low side, its highest on the high side.
///
/// # Errors
/// If the curve is not a number somewhere.
pub fn amp_corner(level_db: &mut LevelCurve, side: Side) -> Result<Option<Corner>, CrossingError> {
    let [low, high] = SEARCH_HZ;
    let n = ((high / low).log2() * POINTS_PER_OCTAVE).ceil() as usize;
    let hz = |k: usize| low * (high / low).powf(k as f64 / n as f64);
    let levels = level_db(&(0..=n).map(hz).collect::<Vec<f64>>());
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
        Some(k) => corner_beside(level_db, hz(k).clamp(low, high), side),
        None => Ok(None),
    }
}

/// The sections of a circuit that the signal passes: coupling capacitors whose far side has lost
/// level at the bottom of the search, and cathode bypasses. Capacitors on supplies are none of them.
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
    let mut plans = Vec::new();
    for part in circuit.parts() {
        let Kind::Capacitor { between: [a, b], .. } = part.kind else { continue };
        let plan = if a != GROUND && b != GROUND {
            coupling(linear, source, [a, b])?.map(|[from, to]| (from, to, Side::Low))
        } else {
            let node = if a == GROUND { b } else { a };
            cathodes.iter().find(|(k, _)| *k == node).map(|&(k, grid)| (grid, k, Side::High))
        };
        if let Some((from, to, side)) = plan {
            plans.push(SectionPlan { part: part.name.clone(), from, to, side });
        }
    }
    Ok(plans)
}

/// The two sides of a coupling capacitor, the driven one first; `None` where both sides carry nearly
/// the same at the bottom of the search (then it has no corner of 3 dB) or neither carries anything.
fn coupling(
    linear: &LinearCircuit,
    source: &str,
    [a, b]: [Node; 2],
) -> Result<Option<[Node; 2]>, CircuitError> {
    const BOTTOM_HZ: f64 = 0.05;
    const QUIET: f64 = 1e-12;
    const LOST: f64 = 0.7;
    let gains = linear.gains(source, &[a, b], &[BOTTOM_HZ])?;
    let (va, vb) = (gains[0][0].norm(), gains[1][0].norm());
    Ok(if va.max(vb) < QUIET {
        None
    } else if vb < LOST * va {
        Some([a, b])
    } else if va < LOST * vb {
        Some([b, a])
    } else {
        None
    })
}
