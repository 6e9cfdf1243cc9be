//! What can be wrong with a circuit.

use thiserror::Error;

use super::part::Kind;

/// What is wrong with a circuit, in the words of its own parts and nodes.
#[derive(Clone, Debug, Error, PartialEq)]
pub enum CircuitError {
    #[error("part {part} is there twice; give each part its own designator")]
    DuplicatePart { part: String },
    #[error("part {part}: {what} is {value}; it must be {must}")]
    BadValue { part: String, what: &'static str, value: f64, must: &'static str },
    #[error("part {part} senses {sensed}, which is no capacitor of this circuit")]
    BadSense { part: String, sensed: String },
    #[error(
        "node {node} is not connected to ground through any part; connect it, or remove what hangs on it"
    )]
    FloatingNode { node: String },
    #[error("there is no node {node}; {hint}")]
    UnknownNode { node: String, hint: String },
    #[error("there is no part {part}")]
    UnknownPart { part: String },
    #[error(
        "the equations have no single answer near part {part} or node {node}: sources in parallel or in a loop, or a node with no path"
    )]
    Singular { part: String, node: String },
    #[error(
        "the operating point was not found: the largest residual is {residual_a:.3e} A at node {node} after {iterations} iterations; check the supplies and the bias of the valves there"
    )]
    NoOperatingPoint { residual_a: f64, node: String, iterations: usize },
    #[error("a value that is not finite arose at {place}")]
    NotFinite { place: String },
}

fn positive(part: &str, what: &'static str, value: f64) -> Result<(), CircuitError> {
    if value.is_finite() && value > 0.0 {
        Ok(())
    } else {
        Err(CircuitError::BadValue { part: part.to_owned(), what, value, must: "above zero" })
    }
}

fn within(
    part: &str,
    what: &'static str,
    value: f64,
    low: f64,
    high: f64,
    must: &'static str,
) -> Result<(), CircuitError> {
    if value.is_finite() && (low..=high).contains(&value) {
        Ok(())
    } else {
        Err(CircuitError::BadValue { part: part.to_owned(), what, value, must })
    }
}

/// Checks the values of a part, whoever made it.
pub(super) fn check_values(part: &str, kind: &Kind) -> Result<(), CircuitError> {
    let any = f64::MAX;
    match kind {
        Kind::Resistor { ohms, .. } => positive(part, "the resistance", *ohms),
        Kind::Capacitor { farads, .. } => positive(part, "the capacitance", *farads),
        Kind::Inductor { henries, .. } => positive(part, "the inductance", *henries),
        Kind::Windings { windings, coupling } => {
            within(part, "the coupling", *coupling, 0.0, 1.0, "from 0 to 1")?;
            for w in windings {
                positive(part, "a winding's inductance", w.henries)?;
                within(part, "a winding's resistance", w.ohms, 0.0, any, "zero or above")?;
            }
            Ok(())
        }
        Kind::Source { volts, .. } => within(part, "the voltage", *volts, -any, any, "finite"),
        Kind::Potentiometer { ohms, fraction, end_ohms, .. }
        | Kind::Rheostat { ohms, fraction, end_ohms, .. } => {
            positive(part, "the resistance", *ohms)?;
            within(part, "the position", *fraction, 0.0, 1.0, "from 0 to 1")?;
            positive(part, "the end resistance", *end_ohms)
        }
        Kind::Triode { valve, .. } => {
            let c = valve.capacitances;
            for f in [c.grid_cathode_f, c.grid_plate_f, c.plate_cathode_f] {
                within(part, "a capacitance", f, 0.0, any, "zero or above")?;
            }
            Ok(())
        }
        Kind::Pentode { valve, .. } => {
            let c = valve.capacitances;
            for f in [c.grid_plate_f, c.grid_cathode_f] {
                within(part, "a capacitance", f, 0.0, any, "zero or above")?;
            }
            Ok(())
        }
        Kind::Diode { saturation_a, emission, .. } => {
            positive(part, "the saturation current", *saturation_a)?;
            positive(part, "the emission coefficient", *emission)
        }
        Kind::VoltageControlledSource { gain, .. } => {
            within(part, "the gain", *gain, -any, any, "finite")
        }
        Kind::CurrentControlledSource { ohms, .. } => {
            within(part, "the transresistance", *ohms, -any, any, "finite")
        }
        Kind::Section { numerator, denominator, .. } => {
            for v in numerator.iter().chain(denominator) {
                within(part, "a coefficient", *v, -any, any, "finite")?;
            }
            Ok(())
        }
    }
}
