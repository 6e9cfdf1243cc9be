//! The last thing before the loudspeakers.

/// Peaks are kept below this share of full scale: -1 dB.
pub const CEILING: f64 = 0.891_250_938_133_745_5;
/// After a peak the gain comes back by 63 % in this time.
const RELEASE_S: f64 = 0.1;
/// So close to one, the gain is one.
const NEARLY_ONE: f64 = 1e-6;

/// A peak limiter without delay: a sample above the ceiling turns the gain down at once, to just what
/// brings it to the ceiling; the gain comes back within a few tenths of a second. Below the ceiling
/// nothing is changed, not by one digit.
#[derive(Clone, Debug)]
pub struct Limiter {
    gain: f64,
    keep: f64,
    /// The lowest gain since it was last asked for.
    lowest: f64,
    pub on: bool,
}

impl Limiter {
    /// For one sample rate.
    pub fn new(sample_rate_hz: f64, on: bool) -> Self {
        Self { gain: 1.0, keep: (-1.0 / (RELEASE_S * sample_rate_hz)).exp(), lowest: 1.0, on }
    }

    /// One sample; what is no number becomes silence. Without the limiter, what is above full scale is cut off there, as any converter
    /// would.
    #[inline(always)]
    pub fn sample(&mut self, x: f64) -> f64 {
        if !x.is_finite() {
            return 0.0;
        }
        if !self.on {
            return x.clamp(-1.0, 1.0);
        }
        if self.gain < 1.0 {
            self.gain = 1.0 - (1.0 - self.gain) * self.keep;
            if self.gain > 1.0 - NEARLY_ONE {
                self.gain = 1.0;
            }
        }
        let size = x.abs();
        if size * self.gain > CEILING {
            self.gain = CEILING / size;
        }
        self.lowest = self.lowest.min(self.gain);
        (x * self.gain).clamp(-CEILING, CEILING)
    }

    /// The lowest gain since the last call.
    pub fn take_lowest(&mut self) -> f64 {
        std::mem::replace(&mut self.lowest, self.gain)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn is_transparent_below_and_holds_above() {
        let mut limiter = Limiter::new(48_000.0, true);
        for n in 0..1000 {
            let x = 0.89 * (0.1 * f64::from(n)).sin();
            assert_eq!(limiter.sample(x), x);
        }
        for n in 0..10_000 {
            let y = limiter.sample(7.0 * (0.1 * f64::from(n)).sin());
            assert!(y.abs() <= CEILING, "{y}");
        }
        let lowest = limiter.take_lowest();
        assert!((lowest - CEILING / 7.0).abs() < 1e-3, "{lowest}");
        // Two seconds later it is out of the way again, exactly.
        for _ in 0..96_000 {
            limiter.sample(0.0);
        }
        assert_eq!(limiter.sample(0.5), 0.5);
        assert_eq!(limiter.sample(f64::INFINITY), 0.0);
        assert_eq!(limiter.sample(0.5), 0.5);
    }
}
