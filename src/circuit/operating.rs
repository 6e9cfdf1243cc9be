//! The operating point: the circuit at rest, by damped Newton with source stepping.

use indexmap::IndexMap;
use nalgebra::{Complex, DMatrix, DVector};

use super::error::CircuitError;
use super::netlist::Circuit;
use super::part::{Kind, Node};
use super::sparse::{SparseSolver, Workspace};
use super::system::{Device, System, pot_ohms, stamp_conductances, unknown};
use super::topology::islands_without_dc_path;

/// Largest residual current at a node that counts as solved.
pub const RESIDUAL_LIMIT_A: f64 = 1e-12;
/// Residual allowed in proportion to the currents that meet there: rounding makes more of it pointless.
pub(super) const RELATIVE_RESIDUAL: f64 = 1e-10;
/// Newton's last step must be below this, in proportion to the voltage (and 1 V).
pub(super) const STEP_LIMIT: f64 = 1e-9;
const MOST_ITERATIONS: usize = 200;
/// Nodes behind capacitors only are held by a leak this small.
pub(super) const LEAK_SIEMENS: f64 = 1e-12;
/// A device's port voltage moves at most this much in one iteration.
pub(super) const LARGEST_MOVE_V: f64 = 40.0;
/// Source stepping gives up below this step.
const SMALLEST_SOURCE_STEP: f64 = 1e-4;

/// The state of one part at rest.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct PartAtRest {
    /// Voltage across the part (first minus second terminal; plate to cathode for a valve).
    pub volts: f64,
    /// Current through it (into the plate for a valve).
    pub amperes: f64,
    /// Heat in it: for a valve, that of the plate.
    pub watts: f64,
    /// For a valve: grid to cathode.
    pub grid_volts: Option<f64>,
    /// For a pentode: screen to cathode, screen current, heat in the screen.
    pub screen: Option<ScreenAtRest>,
}

/// The screen of a pentode at rest.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ScreenAtRest {
    pub volts: f64,
    pub amperes: f64,
    pub watts: f64,
}

/// The circuit at rest.
#[derive(Clone, Debug)]
pub struct OperatingPoint {
    /// All unknowns of the system.
    pub unknowns: Vec<f64>,
    /// Largest residual current left.
    pub residual_a: f64,
    /// Newton iterations spent in all.
    pub iterations: usize,
    node_volts: Vec<f64>,
    parts: IndexMap<String, PartAtRest>,
}

impl OperatingPoint {
    /// Finds the operating point of a circuit with its sources at their constant values.
    ///
    /// # Errors
    /// [`CircuitError::NoOperatingPoint`] if Newton does not reach the residual,
    /// [`CircuitError::Singular`] if the equations have no single answer, and what
    /// [`System::new`] refuses.
    pub fn solve(circuit: &Circuit) -> Result<Self, CircuitError> {
        let system = System::new(circuit)?;
        Self::of_system(circuit, &system)
    }

    /// The same for a system that is at hand already.
    pub fn of_system(circuit: &Circuit, system: &System) -> Result<Self, CircuitError> {
        let mut solver = Solver::new(circuit, system);
        solver.run()?;
        let x = solver.x;
        let mut node_volts = vec![0.0];
        node_volts.extend_from_slice(&x.as_slice()[..system.nodes]);
        let parts = parts_at_rest(circuit, system, &node_volts, x.as_slice());
        Ok(Self {
            unknowns: x.as_slice().to_vec(),
            residual_a: solver.residual_a,
            iterations: solver.iterations,
            node_volts,
            parts,
        })
    }

    /// Voltage of a node to ground.
    pub fn node_volts(&self, node: Node) -> f64 {
        self.node_volts.get(node.0).copied().unwrap_or(0.0)
    }

    /// The state of a part.
    pub fn part(&self, name: &str) -> Option<&PartAtRest> {
        self.parts.get(name)
    }

    /// Every part with its state.
    pub fn parts(&self) -> impl Iterator<Item = (&str, &PartAtRest)> {
        self.parts.iter().map(|(n, p)| (n.as_str(), p))
    }
}

struct Solver<'a> {
    circuit: &'a Circuit,
    system: &'a System,
    g: DMatrix<f64>,
    /// The entries of `g` that are not zero: row, column, value.
    entries: Vec<(usize, usize, f64)>,
    order: Order,
    sources: DVector<f64>,
    x: DVector<f64>,
    residual_a: f64,
    iterations: usize,
}

/// The order of elimination that the first Jacobian asks for, kept for the others as long as it does.
#[derive(Default)]
enum Order {
    #[default]
    Unknown,
    Known(Box<KnownOrder>),
    /// There is none.
    None,
}

struct KnownOrder {
    solver: SparseSolver,
    workspace: Workspace,
    no_storage: DMatrix<f64>,
}

impl Order {
    /// The answer, if it is exact to rounding.
    fn solve(
        &mut self,
        jacobian: &DMatrix<f64>,
        system: &System,
        right: &DVector<f64>,
    ) -> Option<DVector<f64>> {
        let zero = Complex::new(0.0, 0.0);
        if let Self::Unknown = self {
            let no_storage = DMatrix::zeros(jacobian.nrows(), jacobian.ncols());
            let solver = SparseSolver::new(jacobian, &no_storage, zero, &system.device_places());
            *self = solver.map_or(Self::None, |solver| {
                let workspace = solver.workspace();
                Self::Known(Box::new(KnownOrder { solver, workspace, no_storage }))
            });
        }
        let Self::Known(known) = self else { return None };
        let KnownOrder { solver, workspace, no_storage } = &mut **known;
        if !solver.reload(jacobian, no_storage) {
            return None;
        }
        let right: Vec<(usize, f64)> =
            right.iter().copied().enumerate().filter(|(_, v)| *v != 0.0).collect();
        solver.factor(workspace, &[zero]);
        let [fine, ..] = solver.substitute(workspace, &right, &[zero]);
        let step = DVector::from_fn(jacobian.nrows(), |u, _| workspace.value(u, 0).re);
        (fine && step.iter().all(|v| v.is_finite())).then_some(step)
    }
}

/// What is not zero in a matrix: row, column, value.
pub(super) fn entries(matrix: &DMatrix<f64>) -> Vec<(usize, usize, f64)> {
    let rows = matrix.nrows();
    let all = matrix.iter().enumerate().filter(|(_, v)| **v != 0.0);
    all.map(|(at, v)| (at % rows, at / rows, *v)).collect()
}

/// The residual `G x + N i(P x) - b`, and for each row the sum of the magnitudes that meet in it.
struct Residual {
    value: DVector<f64>,
    scale: DVector<f64>,
}

impl Residual {
    /// Largest residual in proportion to what rounding and the limit allow; 1 or below is solved.
    fn excess(&self) -> f64 {
        let mut worst = 0.0f64;
        for (v, s) in self.value.iter().zip(self.scale.iter()) {
            let e = v.abs() / (RESIDUAL_LIMIT_A + RELATIVE_RESIDUAL * s);
            if !e.is_finite() {
                return f64::INFINITY;
            }
            worst = worst.max(e);
        }
        worst
    }
}

impl<'a> Solver<'a> {
    fn new(circuit: &'a Circuit, system: &'a System) -> Self {
        let mut g = system.static_part.clone();
        for node in islands_without_dc_path(circuit) {
            if let Some(i) = unknown(node) {
                g[(i, i)] += LEAK_SIEMENS;
            }
        }
        Self {
            circuit,
            system,
            entries: entries(&g),
            order: Order::default(),
            g,
            sources: system.constant_sources(),
            x: DVector::zeros(system.size),
            residual_a: f64::INFINITY,
            iterations: 0,
        }
    }

    /// Raises the sources from zero to full; halves the step where Newton fails.
    fn run(&mut self) -> Result<(), CircuitError> {
        // All at once works for nearly every circuit; steps are the fallback.
        if self.newton(1.0)? {
            return Ok(());
        }
        self.x.fill(0.0);
        let (mut reached, mut step) = (0.0, 0.1);
        while reached < 1.0 {
            let start = self.x.clone();
            let level = f64::min(reached + step, 1.0);
            if self.newton(level)? {
                reached = level;
                step *= 2.0;
            } else {
                self.x = start;
                step *= 0.5;
                if step < SMALLEST_SOURCE_STEP {
                    return Err(self.failure(level));
                }
            }
        }
        Ok(())
    }

    fn failure(&self, level: f64) -> CircuitError {
        let residual = self.residual(&self.x, level).value;
        let row = residual.iter().take(self.system.nodes).enumerate();
        let (worst, value) = row
            .fold((0, 0.0f64), |best, (i, v)| if v.abs() > best.1 { (i, v.abs()) } else { best });
        CircuitError::NoOperatingPoint {
            residual_a: value,
            node: self.circuit.node_name(Node(worst + 1)).to_owned(),
            iterations: self.iterations,
        }
    }

    fn residual(&self, x: &DVector<f64>, level: f64) -> Residual {
        let mut value = &self.sources * -level;
        let mut scale = self.sources.abs() * level;
        for &(r, c, g) in &self.entries {
            value[r] += g * x[c];
            scale[r] += (g * x[c]).abs();
        }
        for device in &self.system.devices {
            let currents = device.law.currents(&device.port_volts(x.as_slice()));
            for (port, i) in device.ports.iter().zip(currents.current_a) {
                for (row, sign) in [(port[0], 1.0), (port[1], -1.0)] {
                    if let Some(r) = row {
                        value[r] += sign * i;
                        scale[r] += i.abs();
                    }
                }
            }
        }
        Residual { value, scale }
    }

    /// Newton at one level of the sources; `Ok(false)` if it does not settle.
    fn newton(&mut self, level: f64) -> Result<bool, CircuitError> {
        let mut residual = self.residual(&self.x, level);
        for _ in 0..MOST_ITERATIONS {
            self.iterations += 1;
            let mut jacobian = self.g.clone();
            for device in &self.system.devices {
                let currents = device.law.currents(&device.port_volts(self.x.as_slice()));
                stamp_conductances(&mut jacobian, device, &currents);
            }
            let step = match self.order.solve(&jacobian, self.system, &residual.value) {
                Some(step) => step,
                None => self.dense_solve(jacobian, &residual.value)?,
            };
            let fraction = self.limited(&step);
            // Halve until the residual falls; after a few halvings go on all the same, since the
            // residual of exponential laws may have to rise before it falls.
            let mut scale = fraction;
            let before = residual.value.norm();
            let mut trial = &self.x - &step * scale;
            let mut next = self.residual(&trial, level);
            for _ in 0..8 {
                if next.value.norm() <= before || next.excess() <= 1.0 {
                    break;
                }
                scale *= 0.5;
                trial = &self.x - &step * scale;
                next = self.residual(&trial, level);
            }
            self.x = trial;
            residual = next;
            let moved =
                step.iter().zip(self.x.iter()).map(|(s, x)| (s * scale).abs() / x.abs().max(1.0));
            let moved = moved.fold(0.0, f64::max);
            if fraction == 1.0 && scale == 1.0 && moved < STEP_LIMIT && residual.excess() <= 1.0 {
                self.residual_a =
                    residual.value.iter().take(self.system.nodes).fold(0.0, |m, v| m.max(v.abs()));
                return Ok(true);
            }
        }
        Ok(false)
    }

    /// By dense elimination: where the order that was chosen at first does not do any more.
    fn dense_solve(
        &self,
        jacobian: DMatrix<f64>,
        right: &DVector<f64>,
    ) -> Result<DVector<f64>, CircuitError> {
        let lu = jacobian.lu();
        lu.solve(right)
            .filter(|step| step.iter().all(|v| v.is_finite()))
            .ok_or_else(|| singular(self.circuit, self.system, lu.u()))
    }

    /// The share of a Newton step that moves no device's port by more than the limit.
    fn limited(&self, step: &DVector<f64>) -> f64 {
        let largest =
            |d: &Device| d.port_volts(step.as_slice()).iter().fold(0.0f64, |m, v| m.max(v.abs()));
        let move_v = self.system.devices.iter().map(largest).fold(0.0, f64::max);
        if move_v > LARGEST_MOVE_V { LARGEST_MOVE_V / move_v } else { 1.0 }
    }
}

/// Names the unknown whose pivot vanished.
pub(super) fn singular<T>(circuit: &Circuit, system: &System, upper: DMatrix<T>) -> CircuitError
where
    T: nalgebra::ComplexField<RealField = f64>,
{
    let pivots = (0..system.size).map(|i| upper[(i, i)].clone().modulus());
    let worst = pivots
        .enumerate()
        .fold((0, f64::INFINITY), |best, (i, p)| if p < best.1 { (i, p) } else { best })
        .0;
    if worst < system.nodes {
        let node = Node(worst + 1);
        let part = circuit.parts().find(|p| p.kind.nodes().contains(&node));
        return CircuitError::Singular {
            part: part.map_or("?", |p| &p.name).to_owned(),
            node: circuit.node_name(node).to_owned(),
        };
    }
    let owner = system.branches.iter().rev().find(|(_, first)| **first <= worst).map(|(p, _)| *p);
    let part = owner.and_then(|i| circuit.parts().nth(i));
    let node = part.and_then(|p| p.kind.nodes().first().copied());
    CircuitError::Singular {
        part: part.map_or("?", |p| &p.name).to_owned(),
        node: node.map_or("?", |n| circuit.node_name(n)).to_owned(),
    }
}

fn parts_at_rest(
    circuit: &Circuit,
    system: &System,
    node_volts: &[f64],
    x: &[f64],
) -> IndexMap<String, PartAtRest> {
    let between = |[a, b]: [Node; 2]| node_volts[a.0] - node_volts[b.0];
    let through = |volts: f64, ohms: f64| PartAtRest {
        volts,
        amperes: volts / ohms,
        watts: volts * volts / ohms,
        ..Default::default()
    };
    let mut map = IndexMap::new();
    for (index, part) in circuit.parts().enumerate() {
        let branch = system.branches.get(&index).map_or(0.0, |&b| x[b]);
        let state = match &part.kind {
            Kind::Resistor { between: nodes, ohms } => through(between(*nodes), *ohms),
            Kind::Rheostat { between: nodes, ohms, fraction, end_ohms } => {
                through(between(*nodes), pot_ohms(*ohms, *fraction, *end_ohms).1)
            }
            Kind::Potentiometer { hot, wiper, cold, ohms, fraction, end_ohms } => {
                let (upper, lower) = pot_ohms(*ohms, *fraction, *end_ohms);
                let (u, l) = (
                    through(between([*hot, *wiper]), upper),
                    through(between([*wiper, *cold]), lower),
                );
                PartAtRest {
                    volts: u.volts + l.volts,
                    amperes: u.amperes,
                    watts: u.watts + l.watts,
                    ..Default::default()
                }
            }
            Kind::Capacitor { between: nodes, .. } => {
                PartAtRest { volts: between(*nodes), ..Default::default() }
            }
            Kind::Inductor { between: nodes, .. } => {
                PartAtRest { volts: between(*nodes), amperes: branch, ..Default::default() }
            }
            Kind::Windings { windings, .. } => {
                let first = system.branches[&index];
                let heat = windings.iter().zip(&x[first..]).map(|(w, i)| i * i * w.ohms).sum();
                PartAtRest {
                    volts: windings.first().map_or(0.0, |w| between(w.between)),
                    amperes: branch,
                    watts: heat,
                    ..Default::default()
                }
            }
            Kind::Source { plus, minus, .. }
            | Kind::VoltageControlledSource { plus, minus, .. }
            | Kind::CurrentControlledSource { plus, minus, .. } => {
                let volts = between([*plus, *minus]);
                // The branch current flows into plus: what the source gives is its negative.
                PartAtRest { volts, amperes: -branch, watts: 0.0, ..Default::default() }
            }
            Kind::Section { output, .. } => {
                PartAtRest { volts: node_volts[output.0], ..Default::default() }
            }
            Kind::Triode { plate, grid, cathode, valve } => {
                let (vg, vp) = (between([*grid, *cathode]), between([*plate, *cathode]));
                let i = valve.law.currents(vg, vp);
                PartAtRest {
                    volts: vp,
                    amperes: i.plate_a,
                    watts: vp * i.plate_a,
                    grid_volts: Some(vg),
                    screen: None,
                }
            }
            Kind::Pentode { plate, screen, grid, cathode, valve } => {
                let [vg, vs, vp] = [grid, screen, plate].map(|n| between([*n, *cathode]));
                let i = valve.law.currents(vg, vs, vp).current_a;
                PartAtRest {
                    volts: vp,
                    amperes: i[2],
                    watts: vp * i[2],
                    grid_volts: Some(vg),
                    screen: Some(ScreenAtRest { volts: vs, amperes: i[1], watts: vs * i[1] }),
                }
            }
            Kind::Diode { anode, cathode, .. } => {
                let volts = between([*anode, *cathode]);
                let amperes = system
                    .devices
                    .iter()
                    .find(|d| d.part == index)
                    .map_or(0.0, |d| d.law.currents(&d.port_volts(x)).current_a[0]);
                PartAtRest { volts, amperes, watts: volts * amperes, ..Default::default() }
            }
        };
        map.insert(part.name.clone(), state);
    }
    map
}
