//! What a part is to the rest of the circuit when its value moves.

use crate::circuit::system::pot_ohms;
use crate::circuit::{Admittance, Kind, OperatingPoint, Port};

/// A direct voltage across a part below this does not count. With all of it lost, the bias of
/// a valve behind the part moves by no more than this, a few millionths of its usual volts.
pub const BIAS_VOLTS: f64 = 1e-5;

/// The places at which a part touches the circuit; empty for kinds whose value cannot be tried.
pub fn ports(name: &str, kind: &Kind) -> Vec<Port> {
    match kind {
        Kind::Resistor { between, .. }
        | Kind::Capacitor { between, .. }
        | Kind::Rheostat { between, .. } => vec![Port::Between(*between)],
        Kind::Potentiometer { hot, wiper, cold, .. } => {
            vec![Port::Between([*hot, *wiper]), Port::Between([*wiper, *cold])]
        }
        Kind::Inductor { .. } => vec![Port::Branch(name.to_owned())],
        _ => Vec::new(),
    }
}

/// What a part stands for at its [`ports`].
pub fn admittances(kind: &Kind) -> Vec<Admittance> {
    let siemens = |constant| Admittance { constant, by_s: 0.0 };
    match kind {
        Kind::Resistor { ohms, .. } => vec![siemens(1.0 / ohms)],
        Kind::Capacitor { farads, .. } => vec![Admittance { constant: 0.0, by_s: *farads }],
        Kind::Inductor { henries, .. } => vec![Admittance { constant: 0.0, by_s: -henries }],
        Kind::Rheostat { ohms, fraction, end_ohms, .. } => {
            vec![siemens(1.0 / pot_ohms(*ohms, *fraction, *end_ohms).1)]
        }
        Kind::Potentiometer { ohms, fraction, end_ohms, .. } => {
            let (upper, lower) = pot_ohms(*ohms, *fraction, *end_ohms);
            vec![siemens(1.0 / upper), siemens(1.0 / lower)]
        }
        _ => Vec::new(),
    }
}

/// What has to be added at a part's ports to turn one value of it into another.
pub fn added(from: &Kind, to: &Kind) -> impl Iterator<Item = Admittance> {
    admittances(to).into_iter().zip(admittances(from)).map(|(to, from)| Admittance {
        constant: to.constant - from.constant,
        by_s: to.by_s - from.by_s,
    })
}

/// Whether a part's value can move while the operating point stays.
pub fn keeps_bias(kind: &Kind, at_rest: Option<&OperatingPoint>) -> bool {
    // Without valves and diodes everything is linear anyway.
    let Some(point) = at_rest else { return true };
    let volts = |a, b| (point.node_volts(a) - point.node_volts(b)).abs();
    match kind {
        Kind::Capacitor { .. } | Kind::Inductor { .. } => true,
        Kind::Resistor { between: [a, b], .. } | Kind::Rheostat { between: [a, b], .. } => {
            volts(*a, *b) < BIAS_VOLTS
        }
        Kind::Potentiometer { hot, wiper, cold, .. } => {
            volts(*hot, *wiper) < BIAS_VOLTS && volts(*wiper, *cold) < BIAS_VOLTS
        }
        _ => false,
    }
}
