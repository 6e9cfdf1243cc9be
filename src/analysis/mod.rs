//! What a clip or a process shows when it is measured.

pub mod breakup;
pub mod corners;
mod crossings;
pub mod dials;
mod difference;
mod pitch;
mod spectrum;
pub mod spread;
pub mod stages;
mod sweep;
pub mod tone;
mod tone_words;
mod transform;
pub mod trial;
pub mod values;

pub use crossings::{
    CrossingError, HALF_POWER_DB, HalfPower, LevelCurve, Reference, crossings, half_power_corners,
    one_by_one,
};
pub use difference::{Difference, DifferenceError, DifferenceFit, difference};
pub use pitch::{GUITAR_STRINGS, Pitch};
pub use spectrum::{Spectrum, SpectrumError, SpectrumMeter, band_energy_db};
pub use sweep::{MeasureError, MeasuredResponse, Separation, Sweep, SweepPlan, measure};
pub use tone_words::tone_words;
