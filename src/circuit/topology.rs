//! Which nodes hang together: found by joining the nodes of each part.

use super::error::CircuitError;
use super::netlist::Circuit;
use super::part::{Kind, Node};

/// Sets of nodes that are joined.
struct Islands(Vec<usize>);

impl Islands {
    fn root(&mut self, mut i: usize) -> usize {
        while self.0[i] != i {
            self.0[i] = self.0[self.0[i]];
            i = self.0[i];
        }
        i
    }

    fn join(&mut self, a: Node, b: Node) {
        let (a, b) = (self.root(a.0), self.root(b.0));
        let (low, high) = (a.min(b), a.max(b));
        self.0[high] = low;
    }
}

/// Pairs of nodes that a part joins; with `direct_current` only those that it joins for DC.
fn links(kind: &Kind, direct_current: bool) -> Vec<[Node; 2]> {
    use super::part::GROUND;
    match kind {
        Kind::Resistor { between, .. }
        | Kind::Rheostat { between, .. }
        | Kind::Inductor { between, .. } => vec![*between],
        Kind::Capacitor { between, .. } => {
            if direct_current {
                vec![]
            } else {
                vec![*between]
            }
        }
        Kind::Windings { windings, .. } => windings.iter().map(|w| w.between).collect(),
        Kind::Source { plus, minus, .. }
        | Kind::VoltageControlledSource { plus, minus, .. }
        | Kind::CurrentControlledSource { plus, minus, .. } => vec![[*plus, *minus]],
        Kind::Potentiometer { hot, wiper, cold, .. } => vec![[*hot, *wiper], [*wiper, *cold]],
        Kind::Triode { plate, grid, cathode, .. } => vec![[*plate, *cathode], [*grid, *cathode]],
        Kind::Pentode { plate, screen, grid, cathode, .. } => {
            vec![[*plate, *cathode], [*screen, *cathode], [*grid, *cathode]]
        }
        Kind::Diode { anode, cathode, .. } => vec![[*anode, *cathode]],
        Kind::Section { output, .. } => vec![[*output, GROUND]],
    }
}

fn islands(circuit: &Circuit, direct_current: bool) -> Islands {
    let mut islands = Islands((0..circuit.node_count()).collect());
    for part in circuit.parts() {
        for [a, b] in links(&part.kind, direct_current) {
            islands.join(a, b);
        }
    }
    islands
}

/// Every node must hang on ground through some part.
pub fn check_grounded(circuit: &Circuit) -> Result<(), CircuitError> {
    let mut islands = islands(circuit, false);
    match (1..circuit.node_count()).find(|&i| islands.root(i) != 0) {
        None => Ok(()),
        Some(i) => Err(CircuitError::FloatingNode { node: circuit.node_name(Node(i)).to_owned() }),
    }
}

/// One node of each island that no direct current can reach (behind capacitors only): its voltage
/// at rest is whatever leaks there.
pub fn islands_without_dc_path(circuit: &Circuit) -> Vec<Node> {
    let mut islands = islands(circuit, true);
    (1..circuit.node_count()).filter(|&i| islands.root(i) == i).map(Node).collect()
}
