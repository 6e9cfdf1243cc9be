//! Why a linear path could not be made.

use thiserror::Error;

use crate::circuit::CircuitError;

/// Why a linear path could not be made.
#[derive(Clone, Debug, Error, PartialEq)]
pub enum LinearError {
    #[error(
        "a sample rate of {sample_rate_hz} Hz is outside 44100 to 192000 Hz; convert the clip first"
    )]
    Rate { sample_rate_hz: f64 },
    #[error(
        "the circuit is not stable: something grows near {frequency_hz:.1} Hz by a factor of e every {:.3e} s; look at its feedback", 1.0 / growth_per_s
    )]
    Unstable { frequency_hz: f64, growth_per_s: f64 },
    #[error(
        "the fitted filter is off by {error_db:.3} dB below 16 kHz, more than 0.1 dB: no clip is made from it"
    )]
    Fit { error_db: f64 },
    #[error(transparent)]
    Circuit(#[from] CircuitError),
}
