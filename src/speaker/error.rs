//! What can be wrong with a speaker file.

use thiserror::Error;

/// What is wrong with a speaker.
#[derive(Clone, Debug, Error, PartialEq)]
pub enum SpeakerError {
    /// Not the TOML of a speaker; the message names line and key.
    #[error("{file}: {message}")]
    File { file: String, message: String },
    /// A value that no speaker can have.
    #[error("{file}: {key} is {value}; it must be {must}")]
    Value { file: String, key: String, value: f64, must: &'static str },
    /// The stated range of use and the model disagree.
    #[error(
        "{file}: range_of_use.{key} says {stated_hz:.0} Hz, but the model is {below_midband_db} dB below its midband at {model_hz:.1} Hz; correct the range, or the driver, cabinet and cone"
    )]
    Range { file: String, key: &'static str, stated_hz: f64, model_hz: f64, below_midband_db: f64 },
    /// The model never falls by that much on one side of the midband.
    #[error(
        "{file}: the model does not fall {below_midband_db} dB below its midband {side} it between 5 Hz and 40 kHz; a speaker needs such a limit"
    )]
    NoLimit { file: String, side: &'static str, below_midband_db: f64 },
}
