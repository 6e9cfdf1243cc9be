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

/// All frequencies from `low_hz` to `high_hz` at which `level_db` passes `target_db`, rising, exact
/// to 1e-12 of themselves.
///
/// `level_db` takes hertz and returns decibels; minus infinity is allowed. It is sampled on a grid
/// of 48 points an octave, and each change of side pinned down by bisection on a logarithmic scale.
///
/// # Errors
/// If the range is empty, or the curve is not a number somewhere.
pub fn crossings(
    level_db: &mut dyn FnMut(f64) -> f64,
    target_db: f64,
    low_hz: f64,
    high_hz: f64,
) -> Result<Vec<f64>, CrossingError> {
    let grid = sample(level_db, low_hz, high_hz)?;
    let mut found = Vec::new();
    for pair in grid.windows(2) {
        let above = [pair[0].1 >= target_db, pair[1].1 >= target_db];
        if above[0] != above[1] {
            found.push(bisect(level_db, target_db, pair[0].0, pair[1].0, above[0])?);
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
    level_db: &mut dyn FnMut(f64) -> f64,
    reference: Reference,
    low_hz: f64,
    high_hz: f64,
) -> Result<HalfPower, CrossingError> {
    let (from_hz, reference_hz, reference_db) = match reference {
        Reference::At { hz } => {
            if !(low_hz..=high_hz).contains(&hz) {
                return Err(CrossingError::Reference { reference_hz: hz, low_hz, high_hz });
            }
            (hz, Some(hz), checked(level_db, hz)?)
        }
        Reference::Highest => {
            let (hz, db) = highest(level_db, low_hz, high_hz)?;
            (hz, Some(hz), db)
        }
        Reference::Level { db } => {
            let (hz, _) = highest(level_db, low_hz, high_hz)?;
            (hz, None, db)
        }
    };
    let all_hz = crossings(level_db, reference_db + HALF_POWER_DB, low_hz, high_hz)?;
    let below = all_hz.iter().copied().rfind(|&hz| hz < from_hz);
    let above = all_hz.iter().copied().find(|&hz| hz > from_hz);
    Ok(HalfPower { reference_hz, reference_db, low_hz: below, high_hz: above, all_hz })
}

fn checked(level_db: &mut dyn FnMut(f64) -> f64, hz: f64) -> Result<f64, CrossingError> {
    let level = level_db(hz);
    if level.is_nan() { Err(CrossingError::NotANumber { hz }) } else { Ok(level) }
}

/// The curve on a logarithmic grid that includes both ends exactly.
fn sample(
    level_db: &mut dyn FnMut(f64) -> f64,
    low_hz: f64,
    high_hz: f64,
) -> Result<Vec<(f64, f64)>, CrossingError> {
    if !(low_hz > 0.0 && low_hz < high_hz && high_hz.is_finite()) {
        return Err(CrossingError::Range { low_hz, high_hz });
    }
    let octaves = (high_hz / low_hz).log2();
    let steps = (octaves * POINTS_PER_OCTAVE).ceil().max(2.0) as usize;
    let mut grid = Vec::with_capacity(steps + 1);
    for step in 0..=steps {
        let hz = if step == steps {
            high_hz
        } else {
            (low_hz * (octaves * step as f64 / steps as f64).exp2()).min(high_hz)
        };
        grid.push((hz, checked(level_db, hz)?));
    }
    Ok(grid)
}

/// Halves the interval between two grid points on opposite sides of the target.
fn bisect(
    level_db: &mut dyn FnMut(f64) -> f64,
    target_db: f64,
    mut low_hz: f64,
    mut high_hz: f64,
    low_is_above: bool,
) -> Result<f64, CrossingError> {
    while high_hz > low_hz * (1.0 + 1e-12) {
        let middle_hz = (low_hz * high_hz).sqrt();
        if middle_hz <= low_hz || middle_hz >= high_hz {
            break;
        }
        if (checked(level_db, middle_hz)? >= target_db) == low_is_above {
            low_hz = middle_hz;
        } else {
            high_hz = middle_hz;
        }
    }
    Ok((low_hz * high_hz).sqrt())
}

/// The highest point: the best of the grid, then golden sections between its neighbours.
fn highest(
    level_db: &mut dyn FnMut(f64) -> f64,
    low_hz: f64,
    high_hz: f64,
) -> Result<(f64, f64), CrossingError> {
    const GOLDEN: f64 = 0.618_033_988_749_894_8;
    let grid = sample(level_db, low_hz, high_hz)?;
    let mut best = 0;
    for (index, point) in grid.iter().enumerate() {
        if point.1 > grid[best].1 {
            best = index;
        }
    }
    let mut left = grid[best.saturating_sub(1)].0.ln();
    let mut right = grid[(best + 1).min(grid.len() - 1)].0.ln();
    let mut top = grid[best];
    // 40 sections narrow a step of 1.5 % to 1e-10; a maximum is flatter than that can show.
    for _ in 0..40 {
        let a = right - GOLDEN * (right - left);
        let b = left + GOLDEN * (right - left);
        let (at_a, at_b) = (checked(level_db, a.exp())?, checked(level_db, b.exp())?);
        for point in [(a.exp(), at_a), (b.exp(), at_b)] {
            if point.1 > top.1 {
                top = point;
            }
        }
        if at_a > at_b {
            right = b;
        } else {
            left = a;
        }
    }
    Ok(top)
}
