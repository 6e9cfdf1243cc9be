//! Takes the frequency warp of the discretisation out of the small-signal response.
//!
//! The rule answers at f as the circuit does at another frequency
//! ([`seen_at`](super::discrete::seen_at)), which at eight times 48 kHz is 0.6 % off at 16 kHz: some tenths
//! of a decibel where a loudspeaker's response falls steeply. The ratio of the two responses is smooth, so a
//! short filter outside restores it.

use nalgebra::{Complex, DMatrix, DVector};

/// Taps of the filter.
pub const TAPS: usize = 32;
// The product with the past goes by fours.
const _: () = assert!(TAPS.is_multiple_of(4));
/// Its delay in samples.
pub const DELAY: usize = 15;

/// The band in which the fit is tight, as a share of the sample rate.
const FITTED_BAND: f64 = 20.0 / 48.0;
/// Weight of the rest.
const OUTSIDE_WEIGHT: f64 = 0.02;
/// Ratios further from one than this (in a deep notch) are not followed.
const LARGEST_RATIO: f64 = 2.0;

/// Frequencies at which both responses are needed, as shares of the sample rate.
pub fn grid() -> impl Iterator<Item = f64> {
    (1..=192).map(|k| f64::from(k) / 192.0 * 0.495)
}

/// Fits the filter to `exact / discrete`, given on [`grid`]; least squares on the complex ratio
/// with a delay of [`DELAY`] samples.
pub fn fit(exact: &[Complex<f64>], discrete: &[Complex<f64>]) -> Vec<f64> {
    let mut right = DVector::<f64>::zeros(TAPS);
    // Of the normal equations, by the distance from the diagonal.
    let mut by_lag = [0.0; TAPS];
    for ((share, e), d) in grid().zip(exact).zip(discrete) {
        let ratio = e / d;
        let one = Complex::new(1.0, 0.0);
        let size = ratio.norm();
        let usable = size.is_finite() && size < LARGEST_RATIO && size > 1.0 / LARGEST_RATIO;
        let ratio = if usable { ratio } else { one };
        let weight = if share <= FITTED_BAND { 1.0 } else { OUTSIDE_WEIGHT };
        let omega = std::f64::consts::TAU * share;
        let target = ratio * Complex::new(0.0, -omega * DELAY as f64).exp();
        for r in 0..TAPS {
            let (sin_r, cos_r) = (omega * r as f64).sin_cos();
            right[r] += weight * (target.re * cos_r - target.im * sin_r);
            by_lag[r] += weight * cos_r;
        }
    }
    let mut normal = DMatrix::from_fn(TAPS, TAPS, |r, c| by_lag[r.abs_diff(c)]);
    for k in 0..TAPS {
        normal[(k, k)] += 1e-9;
    }
    match normal.cholesky() {
        Some(factor) => factor.solve(&right).as_slice().to_vec(),
        None => {
            let mut taps = vec![0.0; TAPS];
            taps[DELAY] = 1.0;
            taps
        }
    }
}
