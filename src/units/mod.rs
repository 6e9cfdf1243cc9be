//! Physical quantities, their notation, preferred values, knob positions and tapers.

mod quantity;

pub use quantity::{Amperes, Farads, Henries, Hertz, Ohms, Volts, Watts};
