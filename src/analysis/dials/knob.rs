//! A knob: what it is called, which pots it turns, and how.

use crate::units::{Position, Taper};

/// A control of a circuit.
#[derive(Clone, Debug, PartialEq)]
pub struct Knob {
    /// By which files and command lines name it.
    pub name: String,
    /// Designators of the pots on its shaft.
    pub pots: Vec<String>,
    pub taper: Taper,
    /// Clockwise moves the wiper towards the cold end.
    pub reversed: bool,
    /// Where it stands.
    pub position: Position,
}

impl Knob {
    /// Share of the track between the cold end and the wiper at a share of the rotation (0 to 1).
    pub fn fraction(&self, turn: f64) -> f64 {
        let share = self.taper.fraction(Position::from_turn(turn));
        if self.reversed { 1.0 - share } else { share }
    }
}
