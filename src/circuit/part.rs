//! Parts of a circuit and the nodes they stand between.

use crate::valves::{PentodeType, TriodeType};

/// A node of a circuit; `GROUND` is node 0.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Node(pub usize);

/// The reference node, written `0` or `ground` in files.
pub const GROUND: Node = Node(0);

/// One winding of a set of coupled windings.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Winding {
    /// Start (dotted end) and finish.
    pub between: [Node; 2],
    /// Self-inductance.
    pub henries: f64,
    /// Winding resistance in series; zero is allowed.
    pub ohms: f64,
}

/// What a part is. Values are in SI units: ohms, farads, henries, volts.
#[derive(Clone, Debug)]
pub enum Kind {
    Resistor {
        between: [Node; 2],
        ohms: f64,
    },
    Capacitor {
        between: [Node; 2],
        farads: f64,
    },
    Inductor {
        between: [Node; 2],
        henries: f64,
    },
    /// Coupled windings, all pairs with the same coupling factor (0 to 1).
    Windings {
        windings: Vec<Winding>,
        coupling: f64,
    },
    /// A voltage source with a constant part; the input of the circuit is a
    /// source of 0 V whose signal is set by the analysis.
    Source {
        plus: Node,
        minus: Node,
        volts: f64,
    },
    /// A potentiometer as three terminals. `fraction` is the share of the track
    /// between `cold` and the wiper; each side keeps at least `end_ohms`.
    Potentiometer {
        hot: Node,
        wiper: Node,
        cold: Node,
        ohms: f64,
        fraction: f64,
        end_ohms: f64,
    },
    /// A potentiometer wired as a variable resistor: max(fraction * ohms, end_ohms).
    Rheostat {
        between: [Node; 2],
        ohms: f64,
        fraction: f64,
        end_ohms: f64,
    },
    Triode {
        plate: Node,
        grid: Node,
        cathode: Node,
        valve: TriodeType,
    },
    Pentode {
        plate: Node,
        screen: Node,
        grid: Node,
        cathode: Node,
        valve: PentodeType,
    },
    /// Junction diode: I = is (exp(V / (n vt)) - 1), with a series-free ideal law.
    Diode {
        anode: Node,
        cathode: Node,
        saturation_a: f64,
        emission: f64,
    },
    /// Ideal controlled source: V(plus, minus) = gain * V(control[0], control[1]).
    VoltageControlledSource {
        plus: Node,
        minus: Node,
        control: [Node; 2],
        gain: f64,
    },
    /// Ideal source controlled by the current through a capacitor:
    /// V(plus, minus) = ohms * current from `between[0]` to `between[1]` of the capacitor `sensed`.
    CurrentControlledSource {
        plus: Node,
        minus: Node,
        sensed: String,
        ohms: f64,
    },
    /// A linear section V(out) = H(s) V(input), H = (n0 + n1 s + n2 s^2) / (1 + d1 s + d2 s^2),
    /// with an ideal input and an ideal output. Acoustics use it: cone break-up, box, baffle.
    Section {
        input: Node,
        output: Node,
        numerator: [f64; 3],
        denominator: [f64; 2],
    },
}

/// A named part.
#[derive(Clone, Debug)]
pub struct Part {
    /// Reference designator: R12, C5, V1A.
    pub name: String,
    pub kind: Kind,
}

impl Kind {
    /// Every node that the part touches, in the order of its terminals.
    pub fn nodes(&self) -> Vec<Node> {
        match self {
            Kind::Resistor { between, .. }
            | Kind::Capacitor { between, .. }
            | Kind::Inductor { between, .. }
            | Kind::Rheostat { between, .. } => between.to_vec(),
            Kind::Windings { windings, .. } => windings.iter().flat_map(|w| w.between).collect(),
            Kind::Source { plus, minus, .. }
            | Kind::CurrentControlledSource { plus, minus, .. } => {
                vec![*plus, *minus]
            }
            Kind::Potentiometer { hot, wiper, cold, .. } => vec![*hot, *wiper, *cold],
            Kind::Triode { plate, grid, cathode, .. } => vec![*plate, *grid, *cathode],
            Kind::Pentode { plate, screen, grid, cathode, .. } => {
                vec![*plate, *screen, *grid, *cathode]
            }
            Kind::Diode { anode, cathode, .. } => vec![*anode, *cathode],
            Kind::VoltageControlledSource { plus, minus, control, .. } => {
                vec![*plus, *minus, control[0], control[1]]
            }
            Kind::Section { input, output, .. } => vec![*input, *output],
        }
    }
}
