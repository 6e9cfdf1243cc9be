//! What changed between two renderings, with the mere change of level taken out.

use thiserror::Error;

/// What is left of `after` when the best-fitting multiple of `before` is taken away.
#[derive(Clone, Debug, PartialEq)]
pub struct Difference {
    /// The factor on `before` that makes the rest smallest in the least-squares sense; 0 if
    /// `before` is silent.
    pub gain: f64,
    /// `after - gain * before`, sample by sample.
    pub samples: Vec<f64>,
    /// Energy of the rest relative to that of `after`, in dB: 0 if they have nothing in common,
    /// minus infinity if they differ by level alone.
    pub rest_db: f64,
}

/// Why there is no difference to be taken.
#[derive(Clone, Debug, Error, PartialEq)]
pub enum DifferenceError {
    #[error("the clips to compare have {before} and {after} samples; they must be of one length")]
    Lengths { before: usize, after: usize },
    #[error("a sample of the clips to compare is not a finite number")]
    NotFinite,
}

/// Finds the gain as the samples come; the difference itself is then taken in a second pass.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct DifferenceFit {
    before_energy: f64,
    shared: f64,
}

impl DifferenceFit {
    /// The next samples of both clips.
    ///
    /// # Errors
    /// If they differ in number or hold a sample that is not finite.
    pub fn add(&mut self, before: &[f64], after: &[f64]) -> Result<(), DifferenceError> {
        if before.len() != after.len() {
            return Err(DifferenceError::Lengths { before: before.len(), after: after.len() });
        }
        self.before_energy += energy(before);
        self.shared += before.iter().zip(after).map(|(b, a)| a * b).sum::<f64>();
        // A sample of `after` that is not finite shows in the product unless it meets a zero; then
        // infinity and NaN both give NaN, and show as well.
        if self.before_energy.is_finite() && self.shared.is_finite() {
            Ok(())
        } else {
            Err(DifferenceError::NotFinite)
        }
    }

    /// The factor on `before` that leaves least of `after - gain * before`: g = Σab / Σbb, the
    /// normal equation of linear least squares; 0 if `before` is silent.
    pub fn gain(&self) -> f64 {
        if self.before_energy > 0.0 { self.shared / self.before_energy } else { 0.0 }
    }
}

fn energy(samples: &[f64]) -> f64 {
    samples.iter().map(|s| s * s).sum()
}

/// Takes `before` away from `after` with the gain of [`DifferenceFit`]. The rest is orthogonal to
/// `before`, so what is heard is only what changed besides the level.
///
/// # Errors
/// If the clips differ in length or hold a sample that is not finite.
pub fn difference(before: &[f64], after: &[f64]) -> Result<Difference, DifferenceError> {
    let mut fit = DifferenceFit::default();
    fit.add(before, after)?;
    let gain = fit.gain();
    let samples: Vec<f64> = before.iter().zip(after).map(|(b, a)| a - gain * b).collect();
    let rest = energy(&samples);
    let rest_db =
        if rest > 0.0 { 10.0 * (rest / energy(after)).log10() } else { f64::NEG_INFINITY };
    Ok(Difference { gain, samples, rest_db })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn level_alone_leaves_nothing() {
        let before = [0.5, -0.25, 0.125, 0.75];
        let after = before.map(|s| -2.0 * s);
        let found = difference(&before, &after).expect("same length");
        assert_eq!(found.gain, -2.0);
        assert_eq!(found.samples, [0.0; 4]);
        assert_eq!(found.rest_db, f64::NEG_INFINITY);
    }

    #[test]
    fn rest_is_orthogonal_and_as_large_as_expected() {
        let before: Vec<f64> = (0..4800).map(|n| (n as f64 * 0.1).sin()).collect();
        let added: Vec<f64> = (0..4800).map(|n| 0.1 * (n as f64 * 0.37).sin()).collect();
        let after: Vec<f64> = before.iter().zip(&added).map(|(b, n)| 0.5 * b + n).collect();
        let found = difference(&before, &after).expect("same length");
        assert!((found.gain - 0.5).abs() < 1e-3, "gain {}", found.gain);
        let dot: f64 = found.samples.iter().zip(&before).map(|(r, b)| r * b).sum();
        assert!(dot.abs() < 1e-9, "not orthogonal: {dot}");
        // Amplitudes 0.5 and 0.1: the rest has 0.01 of 0.26 of the energy, -14.150 dB.
        assert!((found.rest_db + 14.150).abs() < 0.01, "rest {} dB", found.rest_db);
    }

    #[test]
    fn silence_and_wrong_lengths() {
        let silent = [0.0; 3];
        let found = difference(&silent, &[1.0, 2.0, 3.0]).expect("same length");
        assert_eq!((found.gain, found.rest_db), (0.0, 0.0));
        let error = difference(&silent, &[1.0]).expect_err("lengths differ");
        assert_eq!(error, DifferenceError::Lengths { before: 3, after: 1 });
        for bad in [f64::NAN, f64::INFINITY] {
            assert_eq!(difference(&silent, &[bad, 0.0, 0.0]), Err(DifferenceError::NotFinite));
            assert_eq!(difference(&[bad, 0.0, 0.0], &silent), Err(DifferenceError::NotFinite));
        }
    }
}
