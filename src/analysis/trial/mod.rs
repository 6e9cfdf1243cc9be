//! Trying out other values: what of a circuit has to be solved again when some of its parts change.
//!
//! A changed capacitor leaves the operating point as it is, and so does a resistor or a pot that no
//! direct voltage stands across: the old state still satisfies every equation. Such parts are
//! tried through a [`Multiport`](crate::circuit::Multiport), exactly. The others need the
//! operating point again, from a near start ([`Bench`]).

mod bench;
mod part;

pub use bench::Bench;
pub use part::{BIAS_VOLTS, added, admittances, keeps_bias, ports};
