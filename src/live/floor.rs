//! Keeps the arithmetic out of denormal numbers, in safe Rust.
//!
//! The processor's own switch for that (flush to zero) is out of reach without unsafe code. After
//! digital silence has lasted for a while, noise of a picovolt takes its place: everything that would
//! die away towards the smallest numbers there are then stays some hundred orders of magnitude above
//! them, and some ten below hearing. White noise passes every coupling capacitor, which a constant
//! would not.

use crate::audio::Noise;

/// Peak of the noise.
const FLOOR_V: f64 = 1e-12;
/// Input below this counts as silence; no converter's last bit is that small.
const SILENCE_V: f64 = 1e-15;
/// Silence shorter than this is left alone: nothing decays to denormals so soon.
const PATIENCE_S: f64 = 0.02;

/// See the module.
#[derive(Clone, Debug)]
pub struct Floor {
    noise: Noise,
    silent_frames: usize,
    patience_frames: usize,
}

impl Floor {
    /// For one sample rate.
    pub fn new(sample_rate_hz: f64) -> Self {
        let patience_frames = (PATIENCE_S * sample_rate_hz) as usize;
        Self { noise: Noise::new(1), silent_frames: 0, patience_frames }
    }

    /// Puts the floor under a stretch of input; what is no number becomes silence.
    pub fn apply(&mut self, volts: &mut [f64]) {
        for x in volts {
            if !x.is_finite() {
                *x = 0.0;
            }
            if x.abs() > SILENCE_V {
                self.silent_frames = 0;
                continue;
            }
            if self.silent_frames < self.patience_frames {
                self.silent_frames += 1;
                continue;
            }
            *x = FLOOR_V * self.noise.triangular();
        }
    }
}
