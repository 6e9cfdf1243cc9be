//! An electric guitar, from the pick to the end of its cable.

mod noises;
pub mod pickup;
mod player;
pub mod string;
mod takes;

pub use takes::takes;

/// Sample rate of the takes.
pub const SAMPLE_RATE_HZ: u32 = 48_000;

/// The peak volts at the amp's input that full scale of the takes stands for. A hard strum on a
/// passive pickup gives about one volt (common practice, no source); twice that leaves headroom.
pub const FULL_SCALE_VOLTS: f64 = 2.0;
