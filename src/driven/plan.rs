//! A circuit prepared for running in time.

use std::sync::Arc;

use nalgebra::Complex;

use super::block::{Child, PlannedBlock, PlannedDevice};
use super::device::FastLaw;
use super::discrete::{Discrete, Terminals, device_ports, seen_at};
use super::equaliser;
use super::error::DrivenError;
use super::modal::Base;
use super::oversample::OversamplingPlan;
use super::panels::Panels;
use super::partition::{self, Block, Partition};
use super::processor::DrivenProcessor;
use super::quality::Quality;
use super::running::{MOST_PORTS, MOST_TEARS};
use crate::circuit::system::{DeviceLaw, MAX_PORTS, System, unknown};
use crate::circuit::{Circuit, Kind, LinearCircuit, Node, OperatingPoint};

/// A valve as the report names it.
#[derive(Clone, Debug)]
pub struct PlannedValve {
    /// Reference designator.
    pub name: String,
    /// Grid to cathode at rest.
    pub bias_volts: f64,
    /// Plate current at rest.
    pub idle_plate_a: f64,
}

/// Steps of the supply for each sample outside, where there are as many: what comes through its capacitors is
/// slow. With two, the 80th harmonic of the current that a tone of 1.2 kHz draws came out 80 Hz off the tone, 88 dB
/// below it.
const SUPPLY_STEPS: usize = 4;
/// A supply is cut off where its capacitors hold it still for this share of a sample outside. With a fourth,
/// larkspur-22 on filter capacitors of 3 uF is -84 dB from itself uncut instead of -87.
const HELD_SAMPLES: f64 = 0.5;

/// Into how many parts a step is divided in which the circuit does something sudden, and how often: parts
/// likewise.
pub const PARTS: usize = 4;
pub const DIVISIONS: usize = 2;

/// The supply as a block of its own.
#[derive(Clone, Debug)]
pub struct PlannedSupply {
    pub block: PlannedBlock,
    /// After how many internal steps it makes one.
    pub every: usize,
    /// Number of supply nodes.
    pub nodes: usize,
    /// Where their voltages are among the solver's outputs.
    pub first_output: usize,
}

/// How a plan is made, beside the circuit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Options {
    pub quality: Quality,
    /// Cut the circuit at its grids; the answer is the same, the cost lower.
    pub cut: bool,
    /// Evaluate valves by fast forms rather than by their exact laws.
    pub fast_valves: bool,
    /// Divide steps in which the circuit does something sudden, from [`Quality::Standard`] on. What waits for
    /// the slowest block, not for all of them, is better off without.
    pub divide: bool,
}

impl Default for Options {
    fn default() -> Self {
        Self { quality: Quality::default(), cut: true, fast_valves: true, divide: true }
    }
}

/// A circuit prepared for running at one sample rate: immutable, to be shared between processors.
#[derive(Clone, Debug)]
pub struct DrivenPlan {
    pub(super) blocks: Vec<PlannedBlock>,
    /// The same for the parts of a divided step, and for the parts of such parts; none where no step is divided.
    pub(super) finer: Vec<Vec<PlannedBlock>>,
    /// Which of them Newton's method runs through, and which follow.
    pub(super) core: Vec<usize>,
    pub(super) tails: Vec<usize>,
    pub(super) supply: Option<PlannedSupply>,
    pub(super) oversampling: OversamplingPlan,
    /// One filter for each output.
    pub(super) equalisers: Vec<Vec<f64>>,
    pub(super) valves: Vec<PlannedValve>,
    /// Voltage of each output at rest.
    pub(super) rest_output_volts: Vec<f64>,
    /// Outputs that the input's source holds itself.
    pub(super) straight_outputs: Vec<usize>,
    sample_rate_hz: f64,
    quality: Quality,
}

impl DrivenPlan {
    /// Prepares a circuit: the signal in volts replaces the voltage of the source `input`, and the
    /// voltages of the nodes `outputs` (to ground, less their values at rest) come out.
    ///
    /// # Errors
    /// No operating point, no such source, a singular system, a sample rate out of range.
    pub fn new(
        circuit: &Circuit,
        input: &str,
        outputs: &[Node],
        sample_rate_hz: f64,
        quality: Quality,
    ) -> Result<Self, DrivenError> {
        let options = Options { quality, ..Options::default() };
        Self::with_options(circuit, input, outputs, sample_rate_hz, options)
    }

    /// The same with every choice open.
    ///
    /// # Errors
    /// As [`DrivenPlan::new`].
    pub fn with_options(
        circuit: &Circuit,
        input: &str,
        outputs: &[Node],
        sample_rate_hz: f64,
        options: Options,
    ) -> Result<Self, DrivenError> {
        if !(8_000.0..=768_000.0).contains(&sample_rate_hz) {
            return Err(DrivenError::BadRate { sample_rate_hz });
        }
        if outputs.is_empty() {
            return Err(DrivenError::NoOutput);
        }
        let Some(Kind::Source { plus, minus, .. }) = circuit.part(input).map(|p| &p.kind) else {
            return Err(DrivenError::NoInput { part: input.to_owned() });
        };
        let input_nodes = [*plus, *minus];
        let point = OperatingPoint::solve(circuit)?;
        let oversampling = OversamplingPlan::new(options.quality.doublings(sample_rate_hz));
        let internal_rate_hz = sample_rate_hz * oversampling.factor() as f64;
        let supply_every = (oversampling.factor() / SUPPLY_STEPS).max(1);
        let mut pieces = partition::whole(circuit);
        if options.cut {
            let cut = partition::cut(circuit, input, HELD_SAMPLES / sample_rate_hz)?;
            // A block driven through more nodes than a kernel has room for stays uncut, and so does a
            // circuit with a valve between its supplies alone: supplies are taken for linear.
            let fits = cut.blocks.iter().all(|b| b.tears.len() <= MOST_TEARS);
            if fits && !cut.has_device_in_supply() {
                pieces = cut;
            }
        }
        let mut valves = Vec::new();
        let mut maker = Maker {
            circuit,
            input,
            outputs,
            system: System::new(circuit)?,
            point: &point,
            step_s: 1.0 / internal_rate_hz,
            supply_every,
            options,
            valves: &mut valves,
            found: vec![false; outputs.len()],
        };
        let (blocks, supply) = maker.blocks(&pieces, &[])?;
        let mut finer = Vec::new();
        if options.divide && options.quality.divides() {
            for _ in 0..DIVISIONS {
                maker.step_s /= PARTS as f64;
                finer.push(maker.blocks(&pieces, &blocks)?.0);
            }
        }
        let straight_outputs = (0..outputs.len())
            .filter(|&k| !maker.found[k] && outputs[k] == input_nodes[0])
            .collect();
        let equalisers =
            equalisers(circuit, &point, input, outputs, sample_rate_hz, internal_rate_hz)?;
        let (tails, core) = (0..blocks.len()).partition(|&k| blocks[k].tail);
        Ok(Self {
            blocks,
            finer,
            core,
            tails,
            supply,
            oversampling,
            equalisers,
            valves,
            rest_output_volts: outputs.iter().map(|&n| point.node_volts(n)).collect(),
            straight_outputs,
            sample_rate_hz,
            quality: options.quality,
        })
    }

    /// Its blocks for all lengths of steps.
    pub(super) fn all_blocks(&self) -> impl Iterator<Item = &PlannedBlock> {
        self.blocks.iter().chain(self.finer.iter().flatten())
    }

    /// Makes a processor at rest.
    pub fn processor(self: &Arc<Self>) -> DrivenProcessor {
        DrivenProcessor::new(self.clone())
    }

    /// Samples by which the outputs lag the input. All plans of one quality and sample rate have
    /// the same.
    pub fn delay_samples(&self) -> usize {
        self.oversampling.delay_samples() + equaliser::DELAY
    }

    /// Internal steps for each sample.
    pub fn oversampling(&self) -> usize {
        self.oversampling.factor()
    }

    /// The sample rate outside.
    pub fn sample_rate_hz(&self) -> f64 {
        self.sample_rate_hz
    }

    /// The quality it was made for.
    pub fn quality(&self) -> Quality {
        self.quality
    }

    /// Number of outputs.
    pub fn outputs(&self) -> usize {
        self.rest_output_volts.len()
    }

    /// Voltages of the outputs at rest; the processor's outputs are deviations from these.
    pub fn rest_output_volts(&self) -> &[f64] {
        &self.rest_output_volts
    }

    /// The valves, in the order of the circuit.
    pub fn valves(&self) -> &[PlannedValve] {
        &self.valves
    }

    /// Number of blocks, and the number of ports and of states of each: what a step costs.
    pub fn block_sizes(&self) -> Vec<(usize, usize)> {
        self.blocks.iter().map(|b| (b.ports, b.states)).collect()
    }
}

fn equalisers(
    circuit: &Circuit,
    point: &OperatingPoint,
    input: &str,
    outputs: &[Node],
    sample_rate_hz: f64,
    internal_rate_hz: f64,
) -> Result<Vec<Vec<f64>>, DrivenError> {
    let linear = LinearCircuit::new(circuit, point)?;
    let exact_hz: Vec<f64> = equaliser::grid().map(|share| share * sample_rate_hz).collect();
    let seen: Vec<Complex<f64>> = exact_hz.iter().map(|&f| seen_at(f, internal_rate_hz)).collect();
    let mut all = Vec::new();
    for &node in outputs {
        let transfer = linear.transfer(input, node)?;
        let exact: Vec<Complex<f64>> = transfer.gains(&exact_hz)?;
        let discrete: Vec<Complex<f64>> = transfer.gains_at(seen.len(), |k| seen[k])?;
        all.push(equaliser::fit(&exact, &discrete));
    }
    Ok(all)
}

/// What a block has beside its matrices.
struct Shape {
    knowns: Vec<usize>,
    children: Vec<Child>,
    outputs: Vec<usize>,
    ports: usize,
}

struct Maker<'a> {
    circuit: &'a Circuit,
    input: &'a str,
    outputs: &'a [Node],
    system: System,
    point: &'a OperatingPoint,
    step_s: f64,
    /// How many of them the supply takes for one of its own.
    supply_every: usize,
    options: Options,
    valves: &'a mut Vec<PlannedValve>,
    found: Vec<bool>,
}

impl Maker<'_> {
    /// All blocks for the present step, each in the base of the like one if such are given.
    fn blocks(
        &mut self,
        partition: &Partition,
        like: &[PlannedBlock],
    ) -> Result<(Vec<PlannedBlock>, Option<PlannedSupply>), DrivenError> {
        // Whatever step they were last made for.
        self.valves.clear();
        self.found.fill(false);
        let nodes: &[String] = partition.supply.as_ref().map_or(&[], |s| &s.1);
        let mut planned: Vec<PlannedBlock> = Vec::new();
        // Outputs of the solver: those asked for, then the currents drawn from supply nodes, then
        // the voltages of these.
        let mut draws: Vec<usize> = Vec::new();
        for (index, piece) in partition.blocks.iter().enumerate() {
            let system = System::new(&piece.circuit)?;
            let node = |name: &str| piece.circuit.find_node(name).and_then(unknown);
            let row = |source: &str| system.sources.get(source).map(|s| s.row);
            let mut terminals = Terminals::default();
            let mut knowns = Vec::new();
            if let Some(row) = row(self.input) {
                knowns.push(0);
                terminals.input_rows.push(row);
            }
            let mut outputs = Vec::new();
            for (name, source) in &piece.supplies {
                let (Some(row), Some(k)) = (row(source), nodes.iter().position(|n| n == name))
                else {
                    continue;
                };
                knowns.push(1 + k);
                terminals.input_rows.push(row);
                // The current into the source: what the supply node gets back.
                outputs.push(self.outputs.len() + draws.len());
                terminals.outputs.push(row);
                draws.push(k);
            }
            for row in piece.tears.iter().filter_map(|(_, source)| row(source)) {
                terminals.input_rows.push(row);
                terminals.tear_rows.push(row);
            }
            let mut next_port = device_ports(&system);
            let mut children = Vec::new();
            let below = partition.blocks.iter().enumerate();
            for (k, below) in below.filter(|(_, b)| b.parent == Some(index)) {
                terminals.driven.extend(below.tears.iter().filter_map(|(name, _)| node(name)));
                let tears = below.tears.len();
                children.push(Child {
                    block: k,
                    first_port: next_port,
                    tears,
                    loads: true,
                    tail: false,
                });
                next_port += tears;
            }
            if next_port > MOST_PORTS {
                return Err(DrivenError::TooLarge { ports: next_port });
            }
            let cut_here = piece.tears.iter().chain(&piece.supplies);
            let torn: Vec<&str> = cut_here.map(|t| t.0.as_str()).collect();
            self.find_outputs(&piece.circuit, &torn, &mut outputs, &mut terminals);
            let shape = Shape { knowns, children, outputs, ports: next_port };
            let block =
                self.block(piece, &system, &terminals, shape, self.step_s, like.get(index))?;
            if let Some(parent) = piece.parent {
                for child in planned[parent].children.iter_mut().filter(|c| c.block == index) {
                    child.loads = block.loads;
                }
            }
            planned.push(block);
        }
        planned.iter_mut().for_each(PlannedBlock::set_lines);
        for index in 0..planned.len() {
            if let Some(parent) = partition.blocks[index].parent {
                let (above, below) = planned.split_at_mut(index);
                below[0].mind_the_block_above(&mut above[parent], index);
            }
        }
        for index in (0..planned.len()).rev() {
            let block = &planned[index];
            let tail = !block.loads
                && block.devices.is_empty()
                && partition.blocks[index].parent.is_some()
                && block.children.iter().all(|c| c.tail);
            planned[index].tail = tail;
            if let Some(parent) = partition.blocks[index].parent {
                for child in planned[parent].children.iter_mut().filter(|c| c.block == index) {
                    child.tail = tail;
                }
            }
        }
        let supply = match &partition.supply {
            Some((piece, nodes)) => Some(self.supply(piece, nodes, &draws)?),
            None => None,
        };
        Ok((planned, supply))
    }

    /// Looks in a block for nodes that are outputs.
    fn find_outputs(
        &mut self,
        circuit: &Circuit,
        torn: &[&str],
        outputs: &mut Vec<usize>,
        terminals: &mut Terminals,
    ) {
        for (k, &output) in self.outputs.iter().enumerate() {
            let name = self.circuit.node_name(output);
            if self.found[k] || torn.contains(&name) {
                continue;
            }
            if let Some(u) = circuit.find_node(name).and_then(unknown) {
                self.found[k] = true;
                outputs.push(k);
                terminals.outputs.push(u);
            }
        }
    }

    fn supply(
        &mut self,
        piece: &Block,
        nodes: &[String],
        draws: &[usize],
    ) -> Result<PlannedSupply, DrivenError> {
        let system = System::new(&piece.circuit)?;
        let at = |name: &str| piece.circuit.find_node(name).and_then(unknown);
        let mut terminals = Terminals::default();
        let first_output = self.outputs.len() + draws.len();
        let mut outputs = Vec::new();
        for (k, name) in nodes.iter().enumerate() {
            if let Some(u) = at(name) {
                outputs.push(first_output + k);
                terminals.outputs.push(u);
            }
        }
        let mut knowns = Vec::new();
        for (k, &node) in draws.iter().enumerate() {
            if let Some(u) = nodes.get(node).and_then(|n| at(n)) {
                knowns.push(self.outputs.len() + k);
                terminals.input_rows.push(u);
            }
        }
        self.find_outputs(&piece.circuit, &[], &mut outputs, &mut terminals);
        // What is asked for is to be as fine as all else.
        let asked_for = outputs.iter().any(|&k| k < self.outputs.len());
        let every = if asked_for { 1 } else { self.supply_every };
        let shape = Shape { knowns, children: vec![], outputs, ports: 0 };
        let step_s = self.step_s * every as f64;
        let mut block = self.block(piece, &system, &terminals, shape, step_s, None)?;
        block.set_lines();
        Ok(PlannedSupply { block, every, nodes: nodes.len(), first_output })
    }

    fn block(
        &mut self,
        piece: &Block,
        system: &System,
        terminals: &Terminals,
        shape: Shape,
        step_s: f64,
        like: Option<&PlannedBlock>,
    ) -> Result<PlannedBlock, DrivenError> {
        let matrices = Discrete::new(&piece.circuit, system, terminals, step_s)?;
        let (devices, mut rest_volts) = self.devices(piece, system);
        let rest_states = self.rest_states(piece, system);
        let exactness = devices
            .iter()
            .flat_map(|d| d.law.tolerances_v().into_iter().take(d.ports))
            .map(|t| 1.0 / t)
            .collect();
        let errors_v: Vec<f64> =
            devices.iter().flat_map(|d| d.law.errors_v().into_iter().take(d.ports)).collect();
        rest_volts.resize(shape.ports, 0.0);
        let loads = [&matrices.cj, &matrices.dj, &matrices.kj]
            .into_iter()
            .any(|m| m.iter().any(|v| *v != 0.0));
        let none = || nalgebra::DMatrix::zeros(0, 0);
        let empty = Panels::new(&none());
        let mut block = PlannedBlock {
            states: system.storage.len(),
            knowns: shape.knowns,
            tears: terminals.tear_rows.len(),
            ports: shape.ports,
            devices,
            children: shape.children,
            loads,
            tail: false,
            asked_for: shape.outputs.iter().any(|&k| k < self.outputs.len()),
            outputs: shape.outputs,
            rest_volts,
            rest_states,
            exactness,
            errors_v,
            current_exactness: vec![],
            load_exactness: vec![],
            places: vec![],
            base: Base::of_states(0),
            diagonal: vec![],
            cross: vec![],
            dense: None,
            to_ports: none(),
            drives: none(),
            coupling: none(),
            inputs: empty.clone(),
            to_outputs: empty,
        };
        block.set_matrices(&matrices, like);
        Ok(block)
    }

    /// The storage states of a block at rest.
    fn rest_states(&self, piece: &Block, system: &System) -> Vec<f64> {
        let mut x = vec![0.0; system.size];
        for (name, volts) in piece.circuit.node_names().skip(1).zip(&mut x) {
            *volts = self.circuit.find_node(name).map_or(0.0, |n| self.point.node_volts(n));
        }
        for (&part, &first) in &system.branches {
            let name = piece.circuit.parts().nth(part).map_or("", |p| p.name.as_str());
            let there = self.circuit.parts().position(|p| p.name == name);
            let Some(from) = there.and_then(|p| self.system.branches.get(&p)) else { continue };
            let after = system.branches.values().copied().filter(|&b| b > first).min();
            for k in 0..after.unwrap_or(system.size) - first {
                x[first + k] = self.point.unknowns.get(from + k).copied().unwrap_or(0.0);
            }
        }
        system.storage.iter().map(|s| s.of.iter().map(|&(i, v)| v * x[i]).sum()).collect()
    }

    /// The devices of a block and their port voltages at rest.
    fn devices(&mut self, piece: &Block, system: &System) -> (Vec<PlannedDevice>, Vec<f64>) {
        let mut devices = Vec::new();
        let mut volts = Vec::new();
        for d in &system.devices {
            let at = |u: Option<usize>| {
                u.and_then(|i| self.circuit.find_node(piece.circuit.node_name(Node(i + 1))))
                    .map_or(0.0, |n| self.point.node_volts(n))
            };
            let first_port = volts.len();
            volts.extend(d.ports.iter().map(|p| at(p[0]) - at(p[1])));
            let mut v = [0.0; MAX_PORTS];
            v[..d.ports.len()].copy_from_slice(&volts[first_port..]);
            let name = piece.circuit.parts().nth(d.part).map_or("", |p| p.name.as_str());
            let law = if self.options.fast_valves {
                FastLaw::shared(&d.law)
            } else {
                Arc::new(FastLaw::Exact(d.law.clone()))
            };
            // By the very functions that run, so that rest is rest to the last digit.
            let rest_current = law.currents(&v).current_a;
            let valve = (!matches!(d.law, DeviceLaw::Diode { .. })).then(|| {
                self.valves.push(PlannedValve {
                    name: name.to_owned(),
                    bias_volts: v[0],
                    idle_plate_a: d.law.currents(&v).current_a[d.ports.len() - 1],
                });
                self.valves.len() - 1
            });
            devices.push(PlannedDevice {
                law,
                first_port,
                ports: d.ports.len(),
                rest_current,
                valve,
            });
        }
        (devices, volts)
    }
}
