//! Sines in stretches of samples, by least squares.

use std::f64::consts::TAU;

use nalgebra::{DMatrix, DVector};

/// Peak volts and phase (degrees, against a cosine) of harmonics 0 to `count`. The first sample is
/// the one numbered `start`; the time of sample 0 is zero.
pub fn harmonics(
    samples: &[f64],
    start: usize,
    sample_rate_hz: f64,
    frequency_hz: f64,
    count: usize,
) -> Vec<(f64, f64)> {
    let columns = 2 * count + 1;
    let basis = DMatrix::from_fn(samples.len(), columns, |n, c| {
        let turns = frequency_hz * (start + n) as f64 / sample_rate_hz;
        let angle = TAU * (turns * c.div_ceil(2) as f64).fract();
        if c == 0 {
            1.0
        } else if c % 2 == 1 {
            angle.cos()
        } else {
            angle.sin()
        }
    });
    let fit = (basis.transpose() * &basis)
        .cholesky()
        .expect("a well-posed fit")
        .solve(&(basis.transpose() * DVector::from_column_slice(samples)));
    let mut all = vec![(fit[0], 0.0)];
    for k in 1..=count {
        let (c, s) = (fit[2 * k - 1], fit[2 * k]);
        all.push((c.hypot(s), (-s).atan2(c).to_degrees()));
    }
    all
}

/// Root of the sum of squares of harmonics 2 and up, in percent of the fundamental.
pub fn thd_percent(harmonics: &[(f64, f64)]) -> f64 {
    let above: f64 = harmonics.iter().skip(2).map(|h| h.0 * h.0).sum();
    100.0 * above.sqrt() / harmonics[1].0
}
