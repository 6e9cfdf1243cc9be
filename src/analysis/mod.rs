//! What a clip or a process shows when it is measured.

pub mod corners;
mod crossings;
mod difference;
mod pitch;
mod spectrum;
mod sweep;
mod tone_words;
mod transform;

pub use crossings::{
    CrossingError, HALF_POWER_DB, HalfPower, Reference, crossings, half_power_corners,
};
pub use difference::{Difference, DifferenceError, difference};
pub use pitch::{GUITAR_STRINGS, Pitch};
pub use spectrum::{Spectrum, SpectrumError, band_energy_db};
pub use sweep::{MeasureError, MeasuredResponse, Separation, SweepPlan, measure};
pub use tone_words::tone_words;
