//! Cuts a circuit into blocks at the grids of its valves.
//!
//! A grid is a one-way door apart from its current: what drives it sees only the current that
//! flows into grid conduction and the two capacitances of the grid. So nets (nodes joined by
//! linear parts, or by the plate-cathode path of a valve) are blocks, and a valve whose grid lies
//! in another net hangs its block below that one. The driving block later sees the driven one as
//! the exact linearised load at each step, so cutting changes the cost of a solve, not its answer.
//! Ideal sources are known voltages and join nothing. What feeds back is one block.
//!
//! A supply node behind a filter capacitor cannot move within a step: 20 uF that feed 10 mA move by
//! a tenth of a millivolt in 1/384000 s, along a line that the last steps foretell to well below a
//! microvolt. Such nodes are cut, too: the blocks see them as known voltages, and the currents
//! that they draw then move the supply, a block of its own without valves.

use std::collections::{BTreeMap, BTreeSet};

use super::error::DrivenError;
use crate::circuit::{Circuit, GROUND, Kind, Node, Winding};

/// One block: a circuit of its own, driven through sources that stand for the cut nodes.
#[derive(Clone, Debug)]
pub struct Block {
    /// The block's parts between nodes of the same names.
    pub circuit: Circuit,
    /// The block that drives the cut nodes; it comes earlier in the list.
    pub parent: Option<usize>,
    /// Cut nodes: name, and the name of the source that stands for it here.
    pub tears: Vec<(String, String)>,
    /// Supply nodes that it draws from: name, and the name of the source that stands for it here.
    pub supplies: Vec<(String, String)>,
}

/// A circuit in blocks.
#[derive(Clone, Debug)]
pub struct Partition {
    /// Driving blocks before driven ones.
    pub blocks: Vec<Block>,
    /// The parts between supply nodes, and the nodes, if there are any to cut.
    pub supply: Option<(Block, Vec<String>)>,
}

impl Partition {
    /// Whether a valve or diode is among the parts between supply nodes.
    pub fn has_device_in_supply(&self) -> bool {
        self.supply.iter().any(|(block, _)| block.circuit.parts().any(|p| is_device(&p.kind)))
    }
}

/// Sets of nodes, joined step by step.
struct Nets {
    parent: Vec<usize>,
    known: Vec<bool>,
}

impl Nets {
    fn root(&self, mut i: usize) -> usize {
        while self.parent[i] != i {
            i = self.parent[i];
        }
        i
    }

    fn join(&mut self, a: usize, b: usize) -> bool {
        let (a, b) = (self.root(a), self.root(b));
        self.parent[a.max(b)] = a.min(b);
        a != b
    }

    fn join_all(&mut self, nodes: &[Node]) {
        let free: Vec<usize> = nodes.iter().map(|n| n.0).filter(|&n| !self.known[n]).collect();
        for pair in free.windows(2) {
            self.join(pair[0], pair[1]);
        }
    }
}

/// Nodes whose equations a part belongs to, and nodes that only control it.
struct Reach {
    owners: Vec<Node>,
    controls: Vec<Node>,
}

fn reach(circuit: &Circuit, kind: &Kind) -> Reach {
    let all = kind.nodes();
    match kind {
        Kind::Triode { plate, grid, cathode, .. } => {
            Reach { owners: vec![*plate, *cathode], controls: vec![*grid] }
        }
        Kind::Pentode { plate, screen, grid, cathode, .. } => {
            Reach { owners: vec![*plate, *screen, *cathode], controls: vec![*grid] }
        }
        Kind::VoltageControlledSource { plus, minus, control, .. } => {
            Reach { owners: vec![*plus, *minus], controls: control.to_vec() }
        }
        Kind::Section { input, output, .. } => {
            Reach { owners: vec![*output], controls: vec![*input] }
        }
        // The sensed capacitor's state is part of the source's equation: one block with it.
        Kind::CurrentControlledSource { sensed, .. } => {
            let mut owners = all;
            if let Some(part) = circuit.part(sensed) {
                owners.extend(part.kind.nodes());
            }
            Reach { owners, controls: vec![] }
        }
        _ => Reach { owners: all, controls: vec![] },
    }
}

fn is_device(kind: &Kind) -> bool {
    matches!(kind, Kind::Triode { .. } | Kind::Pentode { .. } | Kind::Diode { .. })
}

/// Nodes held by ideal sources to ground, directly or through one another.
fn known_nodes(circuit: &Circuit) -> Vec<bool> {
    let mut known = vec![false; circuit.node_count()];
    known[GROUND.0] = true;
    loop {
        let mut more = false;
        for part in circuit.parts() {
            if let Kind::Source { plus, minus, .. } = part.kind
                && known[plus.0] != known[minus.0]
            {
                known[plus.0] = true;
                known[minus.0] = true;
                more = true;
            }
        }
        if !more {
            return known;
        }
    }
}

/// The whole circuit as one block.
pub fn whole(circuit: &Circuit) -> Partition {
    let block = Block { circuit: circuit.clone(), parent: None, tears: vec![], supplies: vec![] };
    Partition { blocks: vec![block], supply: None }
}

/// How many times the conductance of a supply node's capacitor in one step of the supply must exceed all
/// other conductances there, for the node to count as still within the step. With so many the cut path is
/// -87 dB from the uncut one at worst (`tests/driven_path.rs`).
const STILLNESS: f64 = 25.0;
/// Allowance for what windings and valves conduct at a supply node.
const OTHER_SIEMENS: f64 = 0.02;

/// Nodes that their filter capacitors hold still within a step.
fn supply_nodes(circuit: &Circuit, known: &[bool], step_s: f64) -> Vec<usize> {
    let count = circuit.node_count();
    let (mut farads_at, mut siemens_at) = (vec![0.0; count], vec![OTHER_SIEMENS; count]);
    let mut moves = vec![false; count];
    for part in circuit.parts() {
        match &part.kind {
            Kind::Capacitor { between: [a, b], farads } => {
                for (at, other) in [(a, b), (b, a)] {
                    if known[other.0] {
                        farads_at[at.0] += farads;
                    }
                }
            }
            Kind::Resistor { between, ohms } => {
                between.iter().for_each(|n| siemens_at[n.0] += 1.0 / ohms);
            }
            Kind::Triode { grid, cathode, .. } | Kind::Pentode { grid, cathode, .. } => {
                moves[grid.0] = true;
                moves[cathode.0] = true;
            }
            Kind::Windings { .. } => {}
            other => other.nodes().iter().for_each(|n| moves[n.0] = true),
        }
    }
    (1..count)
        .filter(|&n| {
            !known[n] && !moves[n] && 2.0 / step_s * farads_at[n] > STILLNESS * siemens_at[n]
        })
        .collect()
}

/// The circuit cut at its grids.
///
/// `step_s` is for how long a capacitor has to hold a supply still.
///
/// # Errors
/// [`DrivenError::NoInput`] if `input` is no source.
pub fn cut(circuit: &Circuit, input: &str, step_s: f64) -> Result<Partition, DrivenError> {
    let no_input = || DrivenError::NoInput { part: input.to_owned() };
    let Some(Kind::Source { plus, minus, .. }) = circuit.part(input).map(|p| &p.kind) else {
        return Err(no_input());
    };
    let driven_nodes = [*plus, *minus].map(|n| n.0);
    let mut known = known_nodes(circuit);
    let still = supply_nodes(circuit, &known, step_s);
    still.iter().for_each(|&n| known[n] = true);
    let mut nets = Nets { parent: (0..circuit.node_count()).collect(), known };
    let reaches: Vec<Reach> = circuit.parts().map(|p| reach(circuit, &p.kind)).collect();
    for r in &reaches {
        nets.join_all(&r.owners);
    }
    let homes: Vec<Option<usize>> = reaches.iter().map(|r| home(&nets, r)).collect();
    while merge_once(&mut nets, circuit, &reaches, &homes, driven_nodes) {}
    let blocks = build(circuit, &nets, &reaches, &homes, &still)?;
    Ok(Partition { blocks, supply: supply(circuit, &homes, &still)? })
}

/// The parts between supply nodes.
fn supply(
    circuit: &Circuit,
    homes: &[Option<usize>],
    still: &[usize],
) -> Result<Option<(Block, Vec<String>)>, DrivenError> {
    if still.is_empty() {
        return Ok(None);
    }
    let mut block =
        Block { circuit: Circuit::new(), parent: None, tears: vec![], supplies: vec![] };
    let mut held = BTreeSet::new();
    for (part, home) in circuit.parts().zip(homes) {
        let nodes = part.kind.nodes();
        if home.is_none() && nodes.iter().any(|n| still.contains(&n.0)) {
            held.extend(nodes.iter().map(|n| n.0).filter(|n| *n != 0 && !still.contains(n)));
            copy(circuit, &mut block.circuit, &part.name, &part.kind)?;
        }
    }
    add_sources(circuit, &mut block.circuit, held)?;
    let names = still.iter().map(|&n| circuit.node_name(Node(n)).to_owned()).collect();
    Ok(Some((block, names)))
}

/// A node of the net that a part belongs to: of its owners, or of its controls if all owners are
/// held by sources. `None` if everything is held.
fn home(nets: &Nets, r: &Reach) -> Option<usize> {
    r.owners.iter().chain(&r.controls).map(|n| n.0).find(|&n| !nets.known[n])
}

/// Links between nets, driving to driven.
fn links(nets: &Nets, reaches: &[Reach], homes: &[Option<usize>]) -> BTreeSet<(usize, usize)> {
    let mut set = BTreeSet::new();
    for (r, home) in reaches.iter().zip(homes) {
        let Some(home) = *home else { continue };
        for control in r.controls.iter().filter(|c| !nets.known[c.0]) {
            let (from, to) = (nets.root(control.0), nets.root(home));
            if from != to {
                set.insert((from, to));
            }
        }
    }
    set
}

fn reachable(links: &BTreeSet<(usize, usize)>, start: &BTreeSet<usize>) -> BTreeSet<usize> {
    let mut seen = start.clone();
    let mut waiting: Vec<usize> = start.iter().copied().collect();
    while let Some(at) = waiting.pop() {
        for &(_, to) in links.iter().filter(|l| l.0 == at) {
            if seen.insert(to) {
                waiting.push(to);
            }
        }
    }
    seen
}

/// Joins one group of nets that cannot be apart: rings, side branches that drive the path without
/// being driven, and nets with two drivers. False when there is none left.
fn merge_once(
    nets: &mut Nets,
    circuit: &Circuit,
    reaches: &[Reach],
    homes: &[Option<usize>],
    driven_nodes: [usize; 2],
) -> bool {
    let links = links(nets, reaches, homes);
    for &(from, to) in &links {
        if reachable(&links, &BTreeSet::from([to])).contains(&from) {
            return nets.join(from, to);
        }
    }
    let mut start = BTreeSet::new();
    for (part, home) in circuit.parts().zip(homes) {
        let touches = part.kind.nodes().iter().any(|n| n.0 != 0 && driven_nodes.contains(&n.0));
        if let (true, Some(home)) = (touches, home) {
            start.insert(nets.root(*home));
        }
    }
    let path = reachable(&links, &start);
    for &(from, to) in &links {
        if !path.contains(&from) {
            return nets.join(from, to);
        }
    }
    let mut driver: BTreeMap<usize, usize> = BTreeMap::new();
    for &(from, to) in &links {
        if let Some(other) = driver.insert(to, from) {
            nets.join(other, to);
            nets.join(from, to);
            return true;
        }
    }
    // A driving net without valves is cheaper as part of what it drives.
    for &(from, to) in &links {
        let has_device = circuit.parts().zip(homes).any(|(part, home)| {
            is_device(&part.kind) && home.is_some_and(|h| nets.root(h) == from)
        });
        let loads = circuit
            .parts()
            .zip(homes)
            .any(|(part, home)| is_device(&part.kind) && home.is_some_and(|h| nets.root(h) == to));
        // So is a row of nets without valves as one.
        if !has_device && (loads || !drives_device(&links, circuit, nets, homes, to)) {
            return nets.join(from, to);
        }
    }
    false
}

/// Whether a net or one below it holds a valve or a diode.
fn drives_device(
    links: &BTreeSet<(usize, usize)>,
    circuit: &Circuit,
    nets: &Nets,
    homes: &[Option<usize>],
    net: usize,
) -> bool {
    let below = reachable(links, &BTreeSet::from([net]));
    circuit.parts().zip(homes).any(|(part, home)| {
        is_device(&part.kind) && home.is_some_and(|h| below.contains(&nets.root(h)))
    })
}

fn build(
    circuit: &Circuit,
    nets: &Nets,
    reaches: &[Reach],
    homes: &[Option<usize>],
    still: &[usize],
) -> Result<Vec<Block>, DrivenError> {
    let links = links(nets, reaches, homes);
    let parent_of: BTreeMap<usize, usize> = links.iter().map(|&(from, to)| (to, from)).collect();
    let mut order: Vec<usize> = Vec::new();
    let roots: BTreeSet<usize> = homes.iter().flatten().map(|&h| nets.root(h)).collect();
    // Parents first: the links form a forest, so this ends.
    while order.len() < roots.len() {
        for &r in &roots {
            let ready = parent_of.get(&r).is_none_or(|p| order.contains(p));
            if ready && !order.contains(&r) {
                order.push(r);
            }
        }
    }
    let mut blocks = Vec::new();
    for &root in &order {
        let mut block =
            Block { circuit: Circuit::new(), parent: None, tears: vec![], supplies: vec![] };
        let mut fed: BTreeSet<usize> = BTreeSet::new();
        let mut torn: BTreeSet<usize> = BTreeSet::new();
        let mut held: BTreeSet<usize> = BTreeSet::new();
        for (part, home) in circuit.parts().zip(homes) {
            if home.is_none_or(|h| nets.root(h) != root) || is_held_source(nets, &part.kind) {
                continue;
            }
            for n in part.kind.nodes().iter().filter(|n| n.0 != 0) {
                if still.contains(&n.0) {
                    fed.insert(n.0);
                } else if nets.known[n.0] {
                    held.insert(n.0);
                } else if nets.root(n.0) != root {
                    torn.insert(n.0);
                }
            }
            copy(circuit, &mut block.circuit, &part.name, &part.kind)?;
        }
        add_sources(circuit, &mut block.circuit, held)?;
        block.tears = stand_in(circuit, &mut block.circuit, &torn)?;
        block.supplies = stand_in(circuit, &mut block.circuit, &fed)?;
        block.parent = parent_of.get(&root).and_then(|p| order.iter().position(|r| r == p));
        blocks.push(block);
    }
    Ok(blocks)
}

/// Sources that stand for cut nodes: the names of nodes and sources.
fn stand_in(
    from: &Circuit,
    to: &mut Circuit,
    nodes: &BTreeSet<usize>,
) -> Result<Vec<(String, String)>, DrivenError> {
    let mut names = Vec::new();
    for &n in nodes {
        let name = from.node_name(Node(n)).to_owned();
        let source = format!("drive of {name}");
        let plus = to.node(&name);
        to.add(&source, Kind::Source { plus, minus: GROUND, volts: 0.0 })?;
        names.push((name, source));
    }
    Ok(names)
}

fn is_held_source(nets: &Nets, kind: &Kind) -> bool {
    matches!(kind, Kind::Source { plus, minus, .. } if nets.known[plus.0] && nets.known[minus.0])
}

/// Adds the sources that hold these nodes, and those that hold their other ends.
fn add_sources(
    circuit: &Circuit,
    target: &mut Circuit,
    mut held: BTreeSet<usize>,
) -> Result<(), DrivenError> {
    loop {
        let mut more = false;
        for part in circuit.parts() {
            let Kind::Source { plus, minus, .. } = part.kind else { continue };
            let touches = held.contains(&plus.0) || held.contains(&minus.0);
            if touches && target.part(&part.name).is_none() {
                held.extend([plus.0, minus.0].into_iter().filter(|&n| n != 0));
                copy(circuit, target, &part.name, &part.kind)?;
                more = true;
            }
        }
        if !more {
            return Ok(());
        }
    }
}

/// Adds a part between the nodes of the same names.
fn copy(from: &Circuit, to: &mut Circuit, name: &str, kind: &Kind) -> Result<(), DrivenError> {
    let mut at = |n: &mut Node| *n = to.node(from.node_name(*n));
    let mut kind = kind.clone();
    match &mut kind {
        Kind::Resistor { between, .. }
        | Kind::Capacitor { between, .. }
        | Kind::Inductor { between, .. }
        | Kind::Rheostat { between, .. } => between.iter_mut().for_each(at),
        Kind::Windings { windings, .. } => {
            windings.iter_mut().flat_map(|w: &mut Winding| w.between.iter_mut()).for_each(at);
        }
        Kind::Source { plus, minus, .. } | Kind::CurrentControlledSource { plus, minus, .. } => {
            [plus, minus].into_iter().for_each(at);
        }
        Kind::Potentiometer { hot, wiper, cold, .. } => {
            [hot, wiper, cold].into_iter().for_each(at);
        }
        Kind::Triode { plate, grid, cathode, .. } => {
            [plate, grid, cathode].into_iter().for_each(at);
        }
        Kind::Pentode { plate, screen, grid, cathode, .. } => {
            [plate, screen, grid, cathode].into_iter().for_each(at);
        }
        Kind::Diode { anode, cathode, .. } => [anode, cathode].into_iter().for_each(at),
        Kind::VoltageControlledSource { plus, minus, control, .. } => {
            [plus, minus].into_iter().chain(control.iter_mut()).for_each(&mut at);
        }
        Kind::Section { input, output, .. } => [input, output].into_iter().for_each(at),
    }
    to.add(name, kind)?;
    Ok(())
}
