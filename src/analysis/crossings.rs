//! Where a curve passes a level: corner frequencies of any response, computed or measured.

use thiserror::Error;

/// Half of the power, in dB: 10 lg 0.5. The "-3 dB" of every corner frequency, to the last digit.
pub const HALF_POWER_DB: f64 = -3.010_299_956_639_812;

/// Points an octave on which crossings are looked for before they are pinned down. Two crossings
/// closer than a step (1.5 %) may be missed, both of them.
const POINTS_PER_OCTAVE: f64 = 48.0;

/// Why there are no crossings to be had.
#[derive(Clone, Debug, Error, PartialEq)]
pub enum CrossingError {
    #[error(
        "cannot look for corners from {low_hz} to {high_hz} Hz; the range must rise from above 0"
    )]
    Range { low_hz: f64, high_hz: f64 },
    #[error("the curve is not a number at {hz} Hz")]
    NotANumber { hz: f64 },
    #[error("the reference of {reference_hz} Hz is outside of the range, {low_hz} to {high_hz} Hz")]
    Reference { reference_hz: f64, low_hz: f64, high_hz: f64 },
}

/// A curve: takes frequencies in hertz and returns the level at each in decibels; minus infinity is
/// allowed. Many at once, because a circuit is solved at several frequencies side by side.
pub type LevelCurve<'a> = dyn FnMut(&[f64]) -> Vec<f64> + 'a;

/// A curve from what gives one level at a time.
pub fn one_by_one(mut level_db: impl FnMut(f64) -> f64) -> impl FnMut(&[f64]) -> Vec<f64> {
    move |hz| hz.iter().map(|&hz| level_db(hz)).collect()
}

/// Points that an interval is cut at in each round of a search: as many as a circuit is solved at
/// side by side.
const CUTS: usize = 8;

/// All frequencies from `low_hz` to `high_hz` at which `level_db` passes `target_db`, rising, exact
/// to 1e-12 of themselves.
///
/// The curve is sampled on a grid of 48 points an octave, and each change of side pinned down by
/// sectioning on a logarithmic scale.
///
/// # Errors
/// If the range is empty, or the curve is not a number somewhere.
pub fn crossings(
    level_db: &mut LevelCurve,
    target_db: f64,
    low_hz: f64,
    high_hz: f64,
) -> Result<Vec<f64>, CrossingError> {
    let grid = sample(level_db, low_hz, high_hz)?;
    crossings_of(level_db, &grid, target_db)
}

/// The same on a grid that has been sampled already.
fn crossings_of(
    level_db: &mut LevelCurve,
    grid: &[(f64, f64)],
    target_db: f64,
) -> Result<Vec<f64>, CrossingError> {
    let mut found = Vec::new();
    for pair in grid.windows(2) {
        let above = [pair[0].1 >= target_db, pair[1].1 >= target_db];
        if above[0] != above[1] {
            found.push(section(level_db, target_db, [pair[0].0, pair[1].0], above[0])?);
        }
    }
    Ok(found)
}

/// Relative to what a curve is "3 dB down".
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Reference {
    /// The highest point of the range, pinned down between grid points.
    Highest,
    /// The level at a frequency.
    At { hz: f64 },
    /// A level in decibels.
    Level { db: f64 },
}

/// The half-power corners of a curve around its reference.
#[derive(Clone, Debug, PartialEq)]
pub struct HalfPower {
    /// Where the reference was taken; `None` for a given level.
    pub reference_hz: Option<f64>,
    pub reference_db: f64,
    /// The nearest corner below the reference; `None` if the curve stays up to the end of the range.
    pub low_hz: Option<f64>,
    /// The nearest corner above the reference.
    pub high_hz: Option<f64>,
    /// Every crossing of the half-power level in the range, rising. With dips or peaks in the curve
    /// there are more than two.
    pub all_hz: Vec<f64>,
}

/// Finds where a curve has half the power of its reference.
///
/// With a given level the corners are counted from the highest point of the range.
///
/// # Errors
/// If the range is empty, the reference lies outside of it, or the curve is not a number somewhere.
pub fn half_power_corners(
    level_db: &mut LevelCurve,
    reference: Reference,
    low_hz: f64,
    high_hz: f64,
) -> Result<HalfPower, CrossingError> {
    let grid = sample(level_db, low_hz, high_hz)?;
    let (from_hz, reference_hz, reference_db) = match reference {
        Reference::At { hz } => {
            if !(low_hz..=high_hz).contains(&hz) {
                return Err(CrossingError::Reference { reference_hz: hz, low_hz, high_hz });
            }
            (hz, Some(hz), checked(level_db, hz)?)
        }
        Reference::Highest => {
            let (hz, db) = highest(level_db, &grid)?;
            (hz, Some(hz), db)
        }
        Reference::Level { db } => {
            let (hz, _) = highest(level_db, &grid)?;
            (hz, None, db)
        }
    };
    let all_hz = crossings_of(level_db, &grid, reference_db + HALF_POWER_DB)?;
    let below = all_hz.iter().copied().rfind(|&hz| hz < from_hz);
    let above = all_hz.iter().copied().find(|&hz| hz > from_hz);
    Ok(HalfPower { reference_hz, reference_db, low_hz: below, high_hz: above, all_hz })
}

/// The levels at some frequencies, each with its frequency.
fn levels(level_db: &mut LevelCurve, hz: &[f64]) -> Result<Vec<(f64, f64)>, CrossingError> {
    let points: Vec<(f64, f64)> = hz.iter().copied().zip(level_db(hz)).collect();
    match points.iter().find(|(_, db)| db.is_nan()) {
        Some(&(hz, _)) => Err(CrossingError::NotANumber { hz }),
        None => Ok(points),
    }
}

fn checked(level_db: &mut LevelCurve, hz: f64) -> Result<f64, CrossingError> {
    Ok(levels(level_db, &[hz])?.first().map_or(f64::NEG_INFINITY, |(_, db)| *db))
}

/// The curve on a logarithmic grid that includes both ends exactly.
fn sample(
    level_db: &mut LevelCurve,
    low_hz: f64,
    high_hz: f64,
) -> Result<Vec<(f64, f64)>, CrossingError> {
    if !(low_hz > 0.0 && low_hz < high_hz && high_hz.is_finite()) {
        return Err(CrossingError::Range { low_hz, high_hz });
    }
    let octaves = (high_hz / low_hz).log2();
    let steps = (octaves * POINTS_PER_OCTAVE).ceil().max(2.0) as usize;
    let at = |step: usize| {
        if step == steps {
            high_hz
        } else {
            (low_hz * (octaves * step as f64 / steps as f64).exp2()).min(high_hz)
        }
    };
    levels(level_db, &(0..=steps).map(at).collect::<Vec<f64>>())
}

/// Points that cut an interval into equal ratios.
fn cuts([low_hz, high_hz]: [f64; 2]) -> [f64; CUTS] {
    let ratio = high_hz / low_hz;
    std::array::from_fn(|k| low_hz * ratio.powf((k + 1) as f64 / (CUTS + 1) as f64))
}

/// Narrows the interval between two grid points on opposite sides of the target.
fn section(
    level_db: &mut LevelCurve,
    target_db: f64,
    [mut low_hz, mut high_hz]: [f64; 2],
    low_is_above: bool,
) -> Result<f64, CrossingError> {
    while high_hz > low_hz * (1.0 + 1e-12) {
        let points = levels(level_db, &cuts([low_hz, high_hz]))?;
        let before = (low_hz, high_hz);
        for &(hz, db) in &points {
            if (db >= target_db) != low_is_above {
                high_hz = hz;
                break;
            }
            low_hz = hz;
        }
        if (low_hz, high_hz) == before || low_hz >= high_hz {
            break;
        }
    }
    Ok((low_hz * high_hz).sqrt())
}

/// The highest point: the best of the grid, then sections between its neighbours.
fn highest(level_db: &mut LevelCurve, grid: &[(f64, f64)]) -> Result<(f64, f64), CrossingError> {
    let mut best = 0;
    for (index, point) in grid.iter().enumerate() {
        if point.1 > grid[best].1 {
            best = index;
        }
    }
    let mut top = grid[best];
    let mut low_hz = grid[best.saturating_sub(1)].0;
    let mut high_hz = grid[(best + 1).min(grid.len() - 1)].0;
    // Each round keeps two of nine sections, so 12 narrow a step of 1.5 % to 1e-9; a maximum is
    // flatter than that can show.
    for _ in 0..12 {
        if high_hz <= low_hz * (1.0 + 4.0 * f64::EPSILON) {
            break;
        }
        let mut points = vec![(low_hz, f64::NEG_INFINITY)];
        points.extend(levels(level_db, &cuts([low_hz, high_hz]))?);
        points.push((high_hz, f64::NEG_INFINITY));
        let mut at = 1;
        for k in 1..=CUTS {
            if points[k].1 > points[at].1 {
                at = k;
            }
        }
        if points[at].1 > top.1 {
            top = points[at];
        }
        (low_hz, high_hz) = (points[at - 1].0, points[at + 1].0);
    }
    Ok(top)
}
