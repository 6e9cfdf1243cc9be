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
        "the circuit is not stable: something near {frequency_hz:.1} Hz has a damping ratio of {damping:.1e}, so it grows or rings for ever; look at its feedback, or give its coil a resistance"
    )]
    Unstable { frequency_hz: f64, damping: f64 },
    #[error(
        "the fitted filter is off by {error_db:.3} dB below 16 kHz, more than 0.1 dB: no clip is made from it"
    )]
    Fit { error_db: f64 },
    #[error(transparent)]
    Circuit(#[from] CircuitError),
}
