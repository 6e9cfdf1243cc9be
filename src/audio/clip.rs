//! One channel of sound in memory.

/// One channel of sound: samples with full scale at ±1, and their rate.
#[derive(Clone, Debug, PartialEq)]
pub struct Clip {
    pub samples: Vec<f64>,
    pub sample_rate_hz: u32,
}

impl Clip {
    /// How long the clip lasts, in seconds.
    pub fn duration_s(&self) -> f64 {
        self.samples.len() as f64 / f64::from(self.sample_rate_hz)
    }

    /// The largest magnitude of any sample (1 is full scale); 0 for an empty clip.
    pub fn peak(&self) -> f64 {
        peak(&self.samples)
    }

    /// The first sample that is not a number or infinite, if there is one.
    pub fn first_not_finite(&self) -> Option<usize> {
        self.samples.iter().position(|s| !s.is_finite())
    }

    /// The clip with every sample multiplied by `gain`.
    pub fn scaled(&self, gain: f64) -> Clip {
        Clip {
            samples: self.samples.iter().map(|s| s * gain).collect(),
            sample_rate_hz: self.sample_rate_hz,
        }
    }
}

/// The largest magnitude in `samples`, 0 if there are none.
pub(super) fn peak(samples: &[f64]) -> f64 {
    samples.iter().fold(0.0, |top, s| s.abs().max(top))
}
