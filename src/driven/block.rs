//! The constant part of one block, laid out for running.

use nalgebra::DMatrix;

use super::device::FastLaw;
use super::discrete::Discrete;
use super::modal::modes;
use super::panels::{Panels, padded};
use crate::circuit::system::MAX_PORTS;

/// A device of a block.
#[derive(Clone, Debug)]
pub struct PlannedDevice {
    pub law: FastLaw,
    pub first_port: usize,
    pub ports: usize,
    pub rest_current: [f64; MAX_PORTS],
    /// Index in the plan's list of valves, if it is one.
    pub valve: Option<usize>,
}

/// A block that hangs on cut nodes of this one.
#[derive(Clone, Copy, Debug)]
pub struct Child {
    pub block: usize,
    pub first_port: usize,
    pub tears: usize,
    /// Whether it draws current at all.
    pub loads: bool,
    /// Whether it is outside of Newton's method.
    pub tail: bool,
}

/// The constant part of a block.
#[derive(Clone, Debug)]
pub struct PlannedBlock {
    pub states: usize,
    /// What is known at the start of a step, by index in the solver's list: the signal or supply
    /// voltages, which are the first inputs (for the supply: the currents drawn).
    pub knowns: Vec<usize>,
    pub tears: usize,
    pub ports: usize,
    pub devices: Vec<PlannedDevice>,
    pub children: Vec<Child>,
    pub loads: bool,
    /// Linear, drawing no current, with nothing but such blocks below: it follows once the others are
    /// solved.
    pub tail: bool,
    /// (row in `y`, index in the plan's outputs).
    pub outputs: Vec<usize>,
    /// Port voltages at rest.
    pub rest_volts: Vec<f64>,
    /// One over the move (volts) that counts as converged, for each device port.
    pub exactness: Vec<f64>,
    /// Error (volts) that kept slopes may leave at each device port.
    pub errors_v: Vec<f64>,
    /// One over the error of a current (amperes) that kept slopes may leave.
    pub current_exactness: Vec<f64>,
    /// History at rest (all else is a deviation from it), of every capacitor and winding.
    pub rest_states: Vec<f64>,
    /// From the running states (modes) to those of capacitors and windings, and back.
    pub to_states: DMatrix<f64>,
    pub from_states: DMatrix<f64>,
    /// What each running state keeps of itself and takes from its neighbour, padded; or the whole
    /// matrix where there are no good modes.
    pub diagonal: Vec<f64>,
    pub cross: Vec<f64>,
    pub dense: Option<Panels>,
    /// `[B L]`.
    pub inputs: Panels,
    /// `[C D_ext; Cj D_ext]`: columns are states, then the external input.
    pub to_ports: Panels,
    /// `[Cy Dy Ky]`.
    pub to_outputs: Panels,
    /// Row-major, ports x ports.
    pub k: Vec<f64>,
    /// Row-major, ports x tears.
    pub d: Vec<f64>,
    /// Row-major, tears x ports, and tears x tears.
    pub kj: Vec<f64>,
    pub dj: Vec<f64>,
}

fn row_major(m: &DMatrix<f64>) -> Vec<f64> {
    m.row_iter().flat_map(|r| r.iter().copied().collect::<Vec<_>>()).collect()
}

fn beside(blocks: &[&DMatrix<f64>]) -> DMatrix<f64> {
    let columns = blocks.iter().map(|b| b.ncols()).sum();
    let mut m = DMatrix::zeros(blocks[0].nrows(), columns);
    let mut at = 0;
    for b in blocks {
        m.columns_mut(at, b.ncols()).copy_from(b);
        at += b.ncols();
    }
    m
}

fn below(upper: &DMatrix<f64>, lower: &DMatrix<f64>) -> DMatrix<f64> {
    let mut m = DMatrix::zeros(upper.nrows() + lower.nrows(), upper.ncols());
    m.rows_mut(0, upper.nrows()).copy_from(upper);
    m.rows_mut(upper.nrows(), lower.nrows()).copy_from(lower);
    m
}

impl PlannedBlock {
    /// An error in a current that is drawn from the block above moves the voltages there, and by way
    /// of the cut nodes those here: both count in what an error may be.
    pub fn mind_the_block_above(&mut self, above: &Self, own: usize) {
        let Some(child) = above.children.iter().find(|c| c.block == own) else { return };
        let (q, m) = (self.ports, self.tears);
        for t in 0..m {
            let node = child.first_port + t;
            let impedance = |c: usize| above.k[c * above.ports + node].abs();
            let there = above.errors_v.iter().enumerate();
            let there = there.map(|(c, e)| impedance(c) / e).fold(0.0, f64::max);
            let here = self.errors_v.iter().enumerate();
            let here = here.map(|(c, e)| self.d[c * m + t].abs() / e).fold(0.0, f64::max);
            let each = there + impedance(node) * here;
            for (port, exactness) in self.current_exactness.iter_mut().enumerate() {
                *exactness += self.kj[t * q + port].abs() * each;
            }
        }
    }

    /// Lays out the matrices of a discretised block.
    pub fn set_matrices(&mut self, m: &Discrete) {
        let n = self.states;
        let (c, cj, cy, b, l);
        match modes(&m.a) {
            Some(modal) => {
                (self.diagonal, self.cross, self.dense) = (modal.diagonal, modal.cross, None);
                (self.to_states, self.from_states) = (modal.to_states, modal.from_states);
                c = &m.c * &self.to_states;
                cj = &m.cj * &self.to_states;
                cy = &m.cy * &self.to_states;
                b = &self.from_states * &m.b;
                l = &self.from_states * &m.l;
            }
            None => {
                (self.diagonal, self.cross) = (vec![0.0; n], vec![0.0; n]);
                self.dense = Some(Panels::new(&m.a));
                self.to_states = DMatrix::identity(n, n);
                self.from_states = DMatrix::identity(n, n);
                (c, cj, cy) = (m.c.clone(), m.cj.clone(), m.cy.clone());
                (b, l) = (m.b.clone(), m.l.clone());
            }
        }
        self.diagonal.resize(padded(n), 0.0);
        self.cross.resize(padded(n), 0.0);
        self.inputs = Panels::new(&beside(&[&b, &l]));
        let external = self.knowns.len();
        let d_external = m.d.columns(0, external).into_owned();
        let dj_external = m.dj.columns(0, external).into_owned();
        self.to_ports =
            Panels::new(&below(&beside(&[&c, &d_external]), &beside(&[&cj, &dj_external])));
        self.to_outputs = Panels::new(&beside(&[&cy, &m.dy, &m.ky]));
        self.k = row_major(&m.k);
        self.d = row_major(&m.d.columns(external, self.tears).into_owned());
        self.kj = row_major(&m.kj);
        self.dj = row_major(&m.dj.columns(external, self.tears).into_owned());
    }
}
