//! In which band, and with which weights, two responses are held against each other.

use thiserror::Error;

/// What is wrong with a band or its weights.
#[derive(Clone, Debug, Error, PartialEq)]
pub enum BandError {
    #[error(
        "the band from {low_hz} Hz to {high_hz} Hz is none; give two rising frequencies above 0 Hz and below 1 MHz"
    )]
    Edges { low_hz: f64, high_hz: f64 },
    #[error(
        "the weights must rise in frequency and be zero or above, with at least one above zero inside of the band"
    )]
    Weights,
}

/// A band of frequencies with weights that sum to one.
#[derive(Clone, Debug, PartialEq)]
pub struct Band {
    low_hz: f64,
    high_hz: f64,
    frequencies_hz: Vec<f64>,
    weights: Vec<f64>,
}

/// Points for each octave: a tone control's curves bend over octaves.
const POINTS_PER_OCTAVE: f64 = 8.0;
/// What the strings and a loudspeaker make of a guitar, roughly.
const USUAL_HZ: [f64; 2] = [70.0, 6000.0];

impl Default for Band {
    fn default() -> Self {
        let [low, high] = USUAL_HZ;
        Self::even(low, high)
    }
}

impl Band {
    fn even(low_hz: f64, high_hz: f64) -> Self {
        let octaves = (high_hz / low_hz).log2();
        let steps = (octaves * POINTS_PER_OCTAVE).ceil().max(1.0) as usize;
        let at = |k: usize| low_hz * (high_hz / low_hz).powf(k as f64 / steps as f64);
        let frequencies_hz: Vec<f64> = (0..=steps).map(at).collect();
        // Trapezoids over log frequency: the two ends count half.
        let weight = |k: usize| if k == 0 || k == steps { 0.5 } else { 1.0 } / steps as f64;
        let weights = (0..=steps).map(weight).collect();
        Self { low_hz, high_hz, frequencies_hz, weights }
    }

    /// A band with the same weight for every octave.
    ///
    /// # Errors
    /// [`BandError::Edges`].
    pub fn new(low_hz: f64, high_hz: f64) -> Result<Self, BandError> {
        let fits = low_hz.is_finite() && low_hz > 0.0 && high_hz > low_hz && high_hz < 1e6;
        if fits {
            Ok(Self::even(low_hz, high_hz))
        } else {
            Err(BandError::Edges { low_hz, high_hz })
        }
    }

    /// The same band with weights given at some frequencies (Hz, weight), straight lines over log
    /// frequency between them and level beyond them.
    ///
    /// # Errors
    /// [`BandError::Weights`].
    pub fn weighted(mut self, points: &[(f64, f64)]) -> Result<Self, BandError> {
        let rising = points.windows(2).all(|p| p[0].0 < p[1].0);
        let sane =
            points.iter().all(|p| p.0 > 0.0 && p.0.is_finite() && p.1 >= 0.0 && p.1.is_finite());
        if points.is_empty() || !rising || !sane {
            return Err(BandError::Weights);
        }
        for (f, w) in self.frequencies_hz.iter().zip(&mut self.weights) {
            *w *= interpolated(points, *f);
        }
        let sum: f64 = self.weights.iter().sum();
        if !(sum > 0.0 && sum.is_finite()) {
            return Err(BandError::Weights);
        }
        self.weights.iter_mut().for_each(|w| *w /= sum);
        Ok(self)
    }

    /// Lower edge.
    pub fn low_hz(&self) -> f64 {
        self.low_hz
    }

    /// Upper edge.
    pub fn high_hz(&self) -> f64 {
        self.high_hz
    }

    /// The points at which responses are taken.
    pub fn frequencies_hz(&self) -> &[f64] {
        &self.frequencies_hz
    }

    /// The weight of each point; they sum to one.
    pub fn weights(&self) -> &[f64] {
        &self.weights
    }

    /// How far `there` is from `here`, both in dB at [`Self::frequencies_hz`].
    pub fn distance(&self, here_db: &[f64], there_db: &[f64]) -> Distance {
        let mut mean = 0.0;
        let mut square = 0.0;
        for ((w, h), t) in self.weights.iter().zip(here_db).zip(there_db) {
            let d = t - h;
            mean += w * d;
            square += w * d * d;
        }
        Distance {
            shape_db: (square - mean * mean).max(0.0).sqrt(),
            level_db: mean,
            whole_db: square.sqrt(),
        }
    }
}

fn interpolated(points: &[(f64, f64)], hz: f64) -> f64 {
    let after = points.iter().position(|p| p.0 >= hz);
    match after {
        Some(0) => points[0].1,
        Some(i) => {
            let ((f0, w0), (f1, w1)) = (points[i - 1], points[i]);
            w0 + (w1 - w0) * (hz / f0).ln() / (f1 / f0).ln()
        }
        None => points[points.len() - 1].1,
    }
}

/// How far two responses are apart.
#[derive(Clone, Copy, Debug, Default, PartialEq, serde::Serialize)]
pub struct Distance {
    /// Weighted RMS difference in dB with the levels made equal.
    pub shape_db: f64,
    /// Level of the second over that of the first: the weighted mean of the difference.
    pub level_db: f64,
    /// Weighted RMS difference in dB with nothing made equal; its square is the sum of the
    /// other two's squares.
    pub whole_db: f64,
}

impl Distance {
    /// What is made small: the shape alone where a level offset is allowed, or the whole.
    pub fn goal_db(&self, offset_allowed: bool) -> f64 {
        if offset_allowed { self.shape_db } else { self.whole_db }
    }
}
