//! The constant part of one block, laid out for running.

use nalgebra::DMatrix;

use super::device::FastLaw;
use super::discrete::Discrete;
use super::panels::Panels;
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
    /// (row in `y`, index in the plan's outputs).
    pub outputs: Vec<usize>,
    /// Port voltages at rest.
    pub rest_volts: Vec<f64>,
    /// One over the move (volts) that counts as converged, for each device port.
    pub exactness: Vec<f64>,
    /// History at rest (all else is a deviation from it).
    pub rest_states: Vec<f64>,
    /// `[C D_ext; Cj D_ext]`: columns are states, then the external input.
    pub to_ports: Panels,
    /// `[A B L]`.
    pub update: Panels,
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
    /// Lays out the matrices of a discretised block.
    pub fn set_matrices(&mut self, m: &Discrete) {
        let external = self.knowns.len();
        let d_external = m.d.columns(0, external).into_owned();
        let dj_external = m.dj.columns(0, external).into_owned();
        self.to_ports =
            Panels::new(&below(&beside(&[&m.c, &d_external]), &beside(&[&m.cj, &dj_external])));
        self.update = Panels::new(&beside(&[&m.a, &m.b, &m.l]));
        self.to_outputs = Panels::new(&beside(&[&m.cy, &m.dy, &m.ky]));
        self.k = row_major(&m.k);
        self.d = row_major(&m.d.columns(external, self.tears).into_owned());
        self.kj = row_major(&m.kj);
        self.dj = row_major(&m.dj.columns(external, self.tears).into_owned());
    }
}
