//! Physical quantities, their notation, preferred values, knob positions and tapers.

mod dimension;
mod error;
mod notation;
mod position;
mod quantity;
mod series;
mod taper;

pub use error::UnitError;
pub use position::Position;
pub use quantity::{
    Amperes, Decibels, Farads, Henries, Hertz, Ohms, Percent, Quantity, Seconds, Volts, Watts,
};
pub use series::Series;
pub use taper::{Measured, Taper};
