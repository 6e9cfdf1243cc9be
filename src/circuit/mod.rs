//! A circuit as a list of parts between named nodes, and everything that follows from the list.

pub(crate) mod eigen;
mod error;
mod multiport;
mod near;
mod netlist;
mod operating;
mod part;
mod poles;
mod response;
mod sparse;
pub mod system;
mod topology;

pub use error::CircuitError;
pub use multiport::{Admittance, Multiport, Port};
pub use near::{NearbyRest, RestWorkspace};
pub use netlist::Circuit;
pub use operating::{OperatingPoint, PartAtRest, RESIDUAL_LIMIT_A, ScreenAtRest};
pub use part::{GROUND, Kind, Node, Part, Winding};
pub use poles::Sensitivity;
pub use response::{LinearCircuit, Transfer};
