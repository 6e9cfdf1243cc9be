//! Corner frequencies: of the whole amp and of each section in it.
//!
//! A *section* is what one capacitor does between two places of the circuit:
//! - a coupling capacitor, from the side that is driven to the side behind it: a high-pass;
//! - a bypass capacitor at a cathode, from the valve's grid to its cathode: a low-pass of the
//!   cathode's voltage, which is where the stage's gain begins to rise.
//!
//! Its corner is the frequency at which the ratio of the two voltages is 3 dB below its own
//! highest value, on the side that the capacitor cuts. Both voltages can be rendered and measured, so
//! that the figure from the circuit has a counterpart from audio.

use nalgebra::Complex;

use crate::circuit::{CircuitError, GROUND, Kind, LinearCircuit, Node};

/// -3 dB: half the power.
pub const CORNER_DB: f64 = 3.010_299_956_639_812;
/// Corners are looked for between these.
pub const SEARCH_HZ: [f64; 2] = [0.1, 200_000.0];
const POINTS_PER_DECADE: f64 = 60.0;

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
    /// Where the ratio starts and ends.
    pub from: Node,
    pub to: Node,
    /// Which side the capacitor cuts.
    pub side: Side,
}

/// A corner and the parts that move it.
#[derive(Clone, Debug, PartialEq)]
pub struct Corner {
    pub frequency_hz: f64,
    pub side: Side,
}

/// Level of a gain in dB.
pub fn decibels(gain: Complex<f64>) -> f64 {
    20.0 * gain.norm().log10()
}

/// Logarithmic grid of the search.
pub fn search_grid() -> Vec<f64> {
    let [low, high] = SEARCH_HZ;
    let n = ((high / low).log10() * POINTS_PER_DECADE).round() as usize;
    (0..=n).map(|k| low * (high / low).powf(k as f64 / n as f64)).collect()
}

/// The corner of a ratio relative to its highest value: the crossing nearest to that value on the
/// side asked for. `level_db(frequency_hz)` gives the ratio anywhere; `None` if it does not fall far enough.
pub fn section_corner<E>(
    grid: &[f64],
    levels_db: &[f64],
    side: Side,
    level_db: impl FnMut(f64) -> Result<f64, E>,
) -> Result<Option<Corner>, E> {
    let peak = highest(levels_db);
    crossing_from(grid, levels_db, peak, side, level_db)
}

/// The low and high corners of a whole amp: 3 dB below its lowest and its highest maximum.
/// A maximum counts if it is within 20 dB of the highest; a hump on a slope does not.
pub fn amp_corner<E>(
    grid: &[f64],
    levels_db: &[f64],
    side: Side,
    level_db: impl FnMut(f64) -> Result<f64, E>,
) -> Result<Option<Corner>, E> {
    let top = levels_db[highest(levels_db)];
    let is_maximum = |&i: &usize| {
        let left = i == 0 || levels_db[i] >= levels_db[i - 1];
        let right = i + 1 == levels_db.len() || levels_db[i] > levels_db[i + 1];
        left && right && levels_db[i] > top - 20.0
    };
    let mut maxima = (0..levels_db.len()).filter(is_maximum);
    let start = match side {
        Side::Low => maxima.next(),
        Side::High => maxima.next_back(),
    };
    match start {
        Some(start) => crossing_from(grid, levels_db, start, side, level_db),
        None => Ok(None),
    }
}

fn highest(levels_db: &[f64]) -> usize {
    let better = |best: usize, i: usize| if levels_db[i] > levels_db[best] { i } else { best };
    (1..levels_db.len()).fold(0, better)
}

/// From a maximum outwards to the first grid interval that crosses -3 dB, then by bisection.
fn crossing_from<E>(
    grid: &[f64],
    levels_db: &[f64],
    start: usize,
    side: Side,
    mut level_db: impl FnMut(f64) -> Result<f64, E>,
) -> Result<Option<Corner>, E> {
    let target = levels_db[start] - CORNER_DB;
    let below = |i: &usize| levels_db[*i] < target;
    let found = match side {
        Side::Low => (0..start).rev().find(below).map(|i| (i, i + 1)),
        Side::High => (start + 1..grid.len()).find(below).map(|i| (i, i - 1)),
    };
    let Some((outside, inside)) = found else { return Ok(None) };
    let (mut outside, mut inside) = (grid[outside].ln(), grid[inside].ln());
    // 40 halvings of a sixtieth of a decade: far below any tolerance, and always ends.
    for _ in 0..40 {
        let middle = 0.5 * (outside + inside);
        if level_db(middle.exp())? < target {
            outside = middle;
        } else {
            inside = middle;
        }
    }
    Ok(Some(Corner { frequency_hz: (0.5 * (outside + inside)).exp(), side }))
}

/// The sections of a circuit that the signal passes: coupling capacitors whose far side is nearly
/// dead at the bottom of the search, and cathode bypasses. Capacitors on supplies are none of them.
///
/// # Errors
/// As [`LinearCircuit::gains`].
pub fn sections(
    linear: &LinearCircuit,
    source: &str,
) -> Result<Vec<SectionPlan>, CircuitError> {
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
    let gains = linear.gains(source, &[a, b], &[SEARCH_HZ[0]])?;
    let (va, vb) = (gains[0][0].norm(), gains[1][0].norm());
    let quiet = 1e-12;
    if va.max(vb) < quiet {
        return Ok(None);
    }
    const LOST: f64 = 0.7;
    Ok(if vb < LOST * va {
        Some([a, b])
    } else if va < LOST * vb {
        Some([b, a])
    } else {
        None
    })
}

/// The exact corner of a section.
///
/// # Errors
/// As [`LinearCircuit::gains`].
pub fn exact_section_corner(
    linear: &LinearCircuit,
    source: &str,
    plan: &SectionPlan,
) -> Result<Option<Corner>, CircuitError> {
    let ratio = |f: &[f64]| -> Result<Vec<f64>, CircuitError> {
        let g = linear.gains(source, &[plan.from, plan.to], f)?;
        Ok(g[0].iter().zip(&g[1]).map(|(from, to)| decibels(to / from)).collect())
    };
    let grid = search_grid();
    let levels = ratio(&grid)?;
    section_corner(&grid, &levels, plan.side, |f| Ok(ratio(&[f])?[0]))
}

/// The exact low or high corner of the whole circuit.
///
/// # Errors
/// As [`LinearCircuit::gains`].
pub fn exact_amp_corner(
    linear: &LinearCircuit,
    source: &str,
    output: Node,
    side: Side,
) -> Result<Option<Corner>, CircuitError> {
    let transfer = linear.transfer(source, output)?;
    let grid = search_grid();
    let levels: Vec<f64> = transfer.gains(&grid)?.into_iter().map(decibels).collect();
    amp_corner(&grid, &levels, side, |f| Ok(decibels(transfer.gain(f)?)))
}
