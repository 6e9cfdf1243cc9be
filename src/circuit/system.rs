//! Modified nodal analysis: the list of parts as equations.
//!
//! Unknowns `x` are the node voltages (ground left out) followed by branch currents and
//! inner variables. With the currents `i` of the valves and diodes,
//!
//! ```text
//! G x + E dz/dt + N i(P x) = b,      z = F x
//! ```
//!
//! The storage term is kept factored, one state `z` for each capacitor, inductor or winding,
//! scaled so that z^2 / 2 is the stored energy. This keeps the states of picofarads and henries
//! comparable, gives the poles from an ordinary eigenproblem, and is the form that the
//! time-domain engine discretises. C. Ho, A. Ruehli, P. Brennan, "The modified nodal approach to
//! network analysis", IEEE Trans. CAS 22(6), 1975.

use indexmap::IndexMap;
use nalgebra::{DMatrix, DVector};

use super::error::CircuitError;
use super::netlist::Circuit;
use super::part::{Kind, Node};
use crate::valves::{PentodeLaw, TriodeLaw};
use std::sync::Arc;

/// A short list of (index, coefficient).
pub type Sparse = Vec<(usize, f64)>;

/// One storage state: `E` column and `F` row of it.
#[derive(Clone, Debug)]
pub struct Storage {
    /// Index of the part in the circuit's list.
    pub part: usize,
    /// Rows of the equations that its derivative enters.
    pub into: Sparse,
    /// z as a combination of unknowns.
    pub of: Sparse,
}

/// The law of a nonlinear part.
#[derive(Clone, Debug)]
pub enum DeviceLaw {
    /// Ports: grid-cathode, plate-cathode.
    Triode(Arc<dyn TriodeLaw>),
    /// Ports: grid-cathode, screen-cathode, plate-cathode.
    Pentode(Arc<dyn PentodeLaw>),
    /// One port, anode-cathode.
    Diode {
        /// Saturation current.
        saturation_a: f64,
        /// Emission coefficient times thermal voltage (volts).
        slope_v: f64,
    },
}

/// Thermal voltage at 300.15 K (27 degrees Celsius), k T / q.
const THERMAL_V: f64 = 0.025_864_926;

/// Above this exponent a diode's exponential goes on as a straight line.
const DIODE_EXPONENT_LIMIT: f64 = 80.0;

/// Most ports that one device has.
pub const MAX_PORTS: usize = 3;

/// Currents and conductances of a device at its port voltages; unused entries are zero.
#[derive(Clone, Copy, Debug, Default)]
pub struct DeviceCurrents {
    /// Current into each port's upper terminal.
    pub current_a: [f64; MAX_PORTS],
    /// `by_voltage_s[i][j]`: d current i / d voltage j.
    pub by_voltage_s: [[f64; MAX_PORTS]; MAX_PORTS],
}

impl DeviceLaw {
    /// Number of ports.
    pub fn ports(&self) -> usize {
        match self {
            DeviceLaw::Triode(_) => 2,
            DeviceLaw::Pentode(_) => 3,
            DeviceLaw::Diode { .. } => 1,
        }
    }

    /// Currents and conductances at the port voltages.
    pub fn currents(&self, volts: &[f64; MAX_PORTS]) -> DeviceCurrents {
        let mut out = DeviceCurrents::default();
        match self {
            DeviceLaw::Triode(law) => {
                let t = law.currents(volts[0], volts[1]);
                out.current_a = [t.grid_a, t.plate_a, 0.0];
                out.by_voltage_s[0] = [t.grid_by_grid_s, t.grid_by_plate_s, 0.0];
                out.by_voltage_s[1] = [t.plate_by_grid_s, t.plate_by_plate_s, 0.0];
            }
            DeviceLaw::Pentode(law) => {
                let p = law.currents(volts[0], volts[1], volts[2]);
                out.current_a = p.current_a;
                out.by_voltage_s = p.by_voltage_s;
            }
            DeviceLaw::Diode { saturation_a, slope_v } => {
                let e = volts[0] / slope_v;
                let (value, slope) = if e < DIODE_EXPONENT_LIMIT {
                    (e.exp_m1(), e.exp())
                } else {
                    let top = DIODE_EXPONENT_LIMIT.exp();
                    (top * (1.0 + e - DIODE_EXPONENT_LIMIT), top)
                };
                out.current_a[0] = saturation_a * value;
                out.by_voltage_s[0][0] = saturation_a * slope / slope_v;
            }
        }
        out
    }
}

/// A nonlinear part: each port's voltage is a difference of unknowns, and its current enters
/// the same two rows.
#[derive(Clone, Debug)]
pub struct Device {
    /// Index of the part in the circuit's list.
    pub part: usize,
    /// Upper and lower unknown of each port; `None` is ground.
    pub ports: Vec<[Option<usize>; 2]>,
    /// Its law.
    pub law: DeviceLaw,
}

impl Device {
    /// The port voltages at `x`.
    pub fn port_volts(&self, x: &[f64]) -> [f64; MAX_PORTS] {
        let at = |u: Option<usize>| u.map_or(0.0, |i| x[i]);
        let mut v = [0.0; MAX_PORTS];
        for (v, port) in v.iter_mut().zip(&self.ports) {
            *v = at(port[0]) - at(port[1]);
        }
        v
    }
}

/// A source's place in the equations.
#[derive(Clone, Debug)]
pub struct SourceRow {
    /// Row whose right side is the source's voltage; the branch current is the unknown of the same index.
    pub row: usize,
    /// Its constant part.
    pub volts: f64,
}

/// The equations of a circuit.
#[derive(Clone, Debug)]
pub struct System {
    /// Number of unknowns.
    pub size: usize,
    /// Number of node voltages among them (they come first).
    pub nodes: usize,
    /// `G`, the static linear part.
    pub static_part: DMatrix<f64>,
    /// Factors of the storage term.
    pub storage: Vec<Storage>,
    /// Valves and diodes.
    pub devices: Vec<Device>,
    /// Sources by part name.
    pub sources: IndexMap<String, SourceRow>,
    /// First branch unknown of each part that has one, by part index.
    pub branches: IndexMap<usize, usize>,
}

/// The unknown of a node: its voltage; `None` is ground.
pub fn unknown(node: Node) -> Option<usize> {
    node.0.checked_sub(1)
}

struct Stamper {
    g: DMatrix<f64>,
    next_branch: usize,
    storage: Vec<Storage>,
    devices: Vec<Device>,
    sources: IndexMap<String, SourceRow>,
    branches: IndexMap<usize, usize>,
}

/// How many branch unknowns a part needs.
fn branch_count(kind: &Kind) -> usize {
    match kind {
        Kind::Inductor { .. }
        | Kind::Source { .. }
        | Kind::VoltageControlledSource { .. }
        | Kind::CurrentControlledSource { .. } => 1,
        Kind::Windings { windings, .. } => windings.len(),
        Kind::Section { .. } => 4,
        _ => 0,
    }
}

impl Stamper {
    fn add(&mut self, row: Option<usize>, column: Option<usize>, value: f64) {
        if let (Some(r), Some(c)) = (row, column) {
            self.g[(r, c)] += value;
        }
    }

    fn conductance(&mut self, between: [Node; 2], siemens: f64) {
        let [a, b] = between.map(unknown);
        self.add(a, a, siemens);
        self.add(b, b, siemens);
        self.add(a, b, -siemens);
        self.add(b, a, -siemens);
    }

    /// Current of unknown `branch` flows from `between[0]` to `between[1]`; the branch row gets the voltage.
    fn branch(&mut self, between: [Node; 2], branch: usize) {
        let [a, b] = between.map(unknown);
        for (node, sign) in [(a, 1.0), (b, -1.0)] {
            self.add(node, Some(branch), sign);
            self.add(Some(branch), node, sign);
        }
    }

    fn capacitor(&mut self, part: usize, between: [Node; 2], farads: f64) {
        if farads == 0.0 || between[0] == between[1] {
            return;
        }
        let root = farads.sqrt();
        let of: Sparse = [(between[0], root), (between[1], -root)]
            .into_iter()
            .filter_map(|(n, v)| unknown(n).map(|i| (i, v)))
            .collect();
        self.storage.push(Storage { part, into: of.clone(), of });
    }

    fn take_branches(&mut self, part: usize, count: usize) -> usize {
        let first = self.next_branch;
        self.next_branch += count;
        self.branches.insert(part, first);
        first
    }

    fn windings(&mut self, part: usize, windings: &[super::part::Winding], coupling: f64) {
        let first = self.take_branches(part, windings.len());
        for (k, w) in windings.iter().enumerate() {
            self.branch(w.between, first + k);
            self.add(Some(first + k), Some(first + k), -w.ohms);
        }
        // L = D K D with D = diag(sqrt L): factor the matrix of coupling factors, which is well
        // scaled whatever the inductances, and put D back.
        let roots: Vec<f64> = windings.iter().map(|w| w.henries.sqrt()).collect();
        let k =
            DMatrix::from_fn(
                windings.len(),
                windings.len(),
                |i, j| {
                    if i == j { 1.0 } else { coupling }
                },
            );
        for column in semidefinite_factor(k) {
            let of: Sparse = column
                .iter()
                .enumerate()
                .filter(|(_, v)| **v != 0.0)
                .map(|(i, v)| (first + i, v * roots[i]))
                .collect();
            let into = of.iter().map(|&(i, v)| (i, -v)).collect();
            self.storage.push(Storage { part, into, of });
        }
    }

    /// H = (n0 + n1 s + n2 s^2) / (1 + d1 s + d2 s^2) in controllable form with a time scale tau,
    /// inner unknowns w, p = tau dw/dt, q = tau dp/dt.
    fn section(&mut self, part: usize, input: Node, output: Node, n: [f64; 3], d: [f64; 2]) {
        let first = self.take_branches(part, 4);
        let [w, p, q, out] = [first, first + 1, first + 2, first + 3];
        let tau = if d[1] > 0.0 {
            d[1].sqrt()
        } else if d[0] > 0.0 {
            d[0]
        } else {
            1.0
        };
        self.add(Some(w), Some(p), 1.0);
        self.add(Some(p), Some(q), 1.0);
        let root = tau.sqrt();
        for u in [w, p] {
            self.storage.push(Storage { part, into: vec![(u, -root)], of: vec![(u, root)] });
        }
        self.add(Some(q), Some(w), 1.0);
        self.add(Some(q), Some(p), d[0] / tau);
        self.add(Some(q), Some(q), d[1] / (tau * tau));
        self.add(Some(q), unknown(input), -1.0);
        // The output's current is free: an ideal source drives the node.
        self.add(unknown(output), Some(out), 1.0);
        self.add(Some(out), unknown(output), 1.0);
        self.add(Some(out), Some(w), -n[0]);
        self.add(Some(out), Some(p), -n[1] / tau);
        self.add(Some(out), Some(q), -n[2] / (tau * tau));
    }

    fn device(&mut self, part: usize, upper: &[Node], lower: Node, law: DeviceLaw) {
        let ports = upper.iter().map(|&n| [unknown(n), unknown(lower)]).collect();
        self.devices.push(Device { part, ports, law });
    }

    fn part(&mut self, index: usize, name: &str, kind: &Kind) {
        match kind {
            Kind::Resistor { between, ohms } => self.conductance(*between, 1.0 / ohms),
            Kind::Capacitor { between, farads } => self.capacitor(index, *between, *farads),
            Kind::Inductor { between, henries } => {
                let branch = self.take_branches(index, 1);
                self.branch(*between, branch);
                let root = henries.sqrt();
                self.storage.push(Storage {
                    part: index,
                    into: vec![(branch, -root)],
                    of: vec![(branch, root)],
                });
            }
            Kind::Windings { windings, coupling } => self.windings(index, windings, *coupling),
            Kind::Source { plus, minus, volts } => {
                let row = self.take_branches(index, 1);
                self.branch([*plus, *minus], row);
                self.sources.insert(name.to_owned(), SourceRow { row, volts: *volts });
            }
            Kind::Potentiometer { hot, wiper, cold, ohms, fraction, end_ohms } => {
                let (upper, lower) = pot_ohms(*ohms, *fraction, *end_ohms);
                self.conductance([*hot, *wiper], 1.0 / upper);
                self.conductance([*wiper, *cold], 1.0 / lower);
            }
            Kind::Rheostat { between, ohms, fraction, end_ohms } => {
                self.conductance(*between, 1.0 / pot_ohms(*ohms, *fraction, *end_ohms).1);
            }
            Kind::Triode { plate, grid, cathode, valve } => {
                let law = DeviceLaw::Triode(valve.law.clone());
                self.device(index, &[*grid, *plate], *cathode, law);
                let c = valve.capacitances;
                self.capacitor(index, [*grid, *cathode], c.grid_cathode_f);
                self.capacitor(index, [*grid, *plate], c.grid_plate_f);
                self.capacitor(index, [*plate, *cathode], c.plate_cathode_f);
            }
            Kind::Pentode { plate, screen, grid, cathode, valve } => {
                let law = DeviceLaw::Pentode(valve.law.clone());
                self.device(index, &[*grid, *screen, *plate], *cathode, law);
                let c = valve.capacitances;
                self.capacitor(index, [*grid, *plate], c.grid_plate_f);
                self.capacitor(index, [*grid, *cathode], c.grid_cathode_f);
            }
            Kind::Diode { anode, cathode, saturation_a, emission } => {
                let law =
                    DeviceLaw::Diode { saturation_a: *saturation_a, slope_v: emission * THERMAL_V };
                self.device(index, &[*anode], *cathode, law);
            }
            Kind::VoltageControlledSource { plus, minus, control, gain } => {
                let row = self.take_branches(index, 1);
                self.branch([*plus, *minus], row);
                self.add(Some(row), unknown(control[0]), -gain);
                self.add(Some(row), unknown(control[1]), *gain);
            }
            Kind::CurrentControlledSource { plus, minus, .. } => {
                let row = self.take_branches(index, 1);
                self.branch([*plus, *minus], row);
            }
            Kind::Section { input, output, numerator, denominator } => {
                self.section(index, *input, *output, *numerator, *denominator);
            }
        }
    }
}

/// Resistance of the two sides of a pot: hot to wiper, wiper to cold.
pub fn pot_ohms(ohms: f64, fraction: f64, end_ohms: f64) -> (f64, f64) {
    (((1.0 - fraction) * ohms).max(end_ohms), (fraction * ohms).max(end_ohms))
}

/// Columns u_k with K = sum u_k u_k^T for a positive semidefinite K (Cholesky that stops a column
/// where the rest has vanished, as with windings coupled perfectly).
fn semidefinite_factor(mut k: DMatrix<f64>) -> Vec<Vec<f64>> {
    let n = k.nrows();
    let mut columns = Vec::new();
    for j in 0..n {
        let pivot = k[(j, j)];
        if pivot <= 1e-14 {
            continue;
        }
        let root = pivot.sqrt();
        let column: Vec<f64> = (0..n).map(|i| if i < j { 0.0 } else { k[(i, j)] / root }).collect();
        for r in j..n {
            for c in j..n {
                k[(r, c)] -= column[r] * column[c];
            }
        }
        columns.push(column);
    }
    columns
}

impl System {
    /// Stamps every part of the circuit.
    ///
    /// # Errors
    /// [`CircuitError::FloatingNode`], [`CircuitError::BadSense`].
    pub fn new(circuit: &Circuit) -> Result<Self, CircuitError> {
        super::topology::check_grounded(circuit)?;
        let nodes = circuit.node_count() - 1;
        let size = nodes + circuit.parts().map(|p| branch_count(&p.kind)).sum::<usize>();
        let mut stamper = Stamper {
            g: DMatrix::zeros(size, size),
            next_branch: nodes,
            storage: Vec::new(),
            devices: Vec::new(),
            sources: IndexMap::new(),
            branches: IndexMap::new(),
        };
        for (index, part) in circuit.parts().enumerate() {
            stamper.part(index, &part.name, &part.kind);
        }
        let mut system = Self {
            size,
            nodes,
            static_part: stamper.g,
            storage: stamper.storage,
            devices: stamper.devices,
            sources: stamper.sources,
            branches: stamper.branches,
        };
        system.connect_senses(circuit)?;
        Ok(system)
    }

    /// A source that senses a capacitor's current: the derivative of that capacitor's state enters its row.
    fn connect_senses(&mut self, circuit: &Circuit) -> Result<(), CircuitError> {
        for (index, part) in circuit.parts().enumerate() {
            let Kind::CurrentControlledSource { sensed, ohms, .. } = &part.kind else { continue };
            let wrong =
                || CircuitError::BadSense { part: part.name.clone(), sensed: sensed.clone() };
            let (target, farads) = circuit
                .parts()
                .enumerate()
                .find_map(|(i, p)| match p.kind {
                    Kind::Capacitor { farads, .. } if p.name == *sensed => Some((i, farads)),
                    _ => None,
                })
                .ok_or_else(wrong)?;
            let row = self.branches[&index];
            let state = self.storage.iter_mut().find(|s| s.part == target).ok_or_else(wrong)?;
            state.into.push((row, -ohms * farads.sqrt()));
        }
        Ok(())
    }

    /// The right side with every source at its constant value.
    pub fn constant_sources(&self) -> DVector<f64> {
        let mut b = DVector::zeros(self.size);
        for s in self.sources.values() {
            b[s.row] = s.volts;
        }
        b
    }

    /// `G` with every device replaced by its conductances at `x`.
    pub fn linearised(&self, x: &[f64]) -> DMatrix<f64> {
        let mut g = self.static_part.clone();
        for device in &self.devices {
            let currents = device.law.currents(&device.port_volts(x));
            stamp_conductances(&mut g, device, &currents);
        }
        g
    }

    /// Every place (row, column) of `G` that a device's conductances may fill.
    pub fn device_places(&self) -> Vec<(usize, usize)> {
        let mut places = Vec::new();
        for device in &self.devices {
            let ends: Vec<usize> = device.ports.iter().flatten().copied().flatten().collect();
            for &row in &ends {
                for &column in &ends {
                    if !places.contains(&(row, column)) {
                        places.push((row, column));
                    }
                }
            }
        }
        places
    }

    /// `C = E F` as a dense matrix.
    pub fn storage_matrix(&self) -> DMatrix<f64> {
        let mut c = DMatrix::zeros(self.size, self.size);
        for s in &self.storage {
            for &(row, e) in &s.into {
                for &(column, f) in &s.of {
                    c[(row, column)] += e * f;
                }
            }
        }
        c
    }
}

/// Adds a device's conductances to `g`.
pub fn stamp_conductances(g: &mut DMatrix<f64>, device: &Device, currents: &DeviceCurrents) {
    for (i, out) in device.ports.iter().enumerate() {
        for (j, control) in device.ports.iter().enumerate() {
            let s = currents.by_voltage_s[i][j];
            for (row, row_sign) in [(out[0], 1.0), (out[1], -1.0)] {
                for (column, column_sign) in [(control[0], 1.0), (control[1], -1.0)] {
                    if let (Some(r), Some(c)) = (row, column) {
                        g[(r, c)] += s * row_sign * column_sign;
                    }
                }
            }
        }
    }
}
