//! Loudspeakers: a small-signal electro-mechanical model that becomes parts of the circuit.
//!
//! A speaker file gives the driver (voice coil, motor, moving parts), the cabinet, how many
//! drivers stand in it and how they are connected, the cone's own resonances, and the range in
//! which the speaker reproduces. [`Speaker::expand`] turns that into lumped parts of a
//! [`crate::circuit::Circuit`], so that the source resistance of the output valves and the
//! feedback damp the cone, and so that the sound pressure is one more node of the same circuit.
//!
//! | quantity | unit |
//! |---|---|
//! | pressure at 1 m on the axis | pascals, as volts of the node `NAME.pressure` |
//! | everything inside | SI: ohms, henries, kilograms, metres per newton, ... |
//!
//! It is a model for small signals: the cone's travel has no end stop, the coil does not heat up.

mod acoustics;
mod coil;
mod driver;
mod error;
mod expand;
mod file;
mod presets;

pub use acoustics::{AcousticSection, Cabinet, RangeOfUse};
pub use coil::{Ladder, LadderError, LossySection, SemiInductance};
pub use driver::{AIR_DENSITY_KG_PER_M3, Driver, SOUND_SPEED_M_PER_S, Wiring};
pub use error::SpeakerError;
pub use expand::SpeakerNodes;
pub use presets::{preset, preset_names};

/// A loudspeaker: drivers in a cabinet.
#[derive(Clone, Debug)]
pub struct Speaker {
    pub title: String,
    /// Where the values come from.
    pub source: String,
    pub notes: String,
    /// The load that the output transformer's tap is made for.
    pub nominal_ohms: f64,
    pub driver: Driver,
    pub wiring: Wiring,
    pub cabinet: Cabinet,
    /// Cone resonances and rolloff, applied to the pressure one after the other.
    pub cone: Vec<AcousticSection>,
    pub range_of_use: RangeOfUse,
}
