//! A circuit as a list of parts between named nodes, and everything that follows from the list.

mod error;
mod netlist;
mod part;

pub use error::CircuitError;
pub use netlist::Circuit;
pub use part::{GROUND, Kind, Node, Part, Winding};
