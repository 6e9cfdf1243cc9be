//! The constant part of one block, laid out for running.

use std::sync::Arc;

use nalgebra::DMatrix;

use super::device::FastLaw;
use super::discrete::Discrete;
use super::modal::{Base, modes};
use super::panels::{Panels, padded};
use crate::circuit::system::MAX_PORTS;
use crate::simd::{QUAD, Quad};

/// A device of a block.
#[derive(Clone, Debug)]
pub struct PlannedDevice {
    pub law: Arc<FastLaw>,
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
    /// Whether an output is among them that the user asked for, so that they are needed in every step.
    pub asked_for: bool,
    /// Port voltages at rest.
    pub rest_volts: Vec<f64>,
    /// By device, then by block below that draws current: its first port, and how many it has.
    pub places: Vec<(usize, usize)>,
    /// One over the move (volts) that counts as converged, for each device port.
    pub exactness: Vec<f64>,
    /// Error (volts) that kept slopes may leave at each device port.
    pub errors_v: Vec<f64>,
    /// One over the error of a port's current (amperes) that kept slopes may leave.
    pub current_exactness: Vec<f64>,
    /// The part of it that is due to what is drawn from the block above.
    pub load_exactness: Vec<f64>,
    /// History at rest (all else is a deviation from it), of every capacitor and winding.
    pub rest_states: Vec<f64>,
    /// What the running states are made of: the modes of the block.
    pub base: Base,
    /// What each running state keeps of itself and takes from its neighbour; or the whole matrix where
    /// there are no good modes.
    pub diagonal: Vec<Quad>,
    pub cross: Vec<Quad>,
    pub dense: Option<Panels>,
    /// `[B L]`: what inputs and port currents add to the next history.
    pub inputs: Panels,
    /// What the history (padded) and known inputs, drives, and port currents add to the ports' voltages
    /// and, below them, to the currents drawn from the cut nodes.
    pub to_ports: DMatrix<f64>,
    pub drives: DMatrix<f64>,
    pub coupling: DMatrix<f64>,
    /// `[Cy Dy Ky]`, the history padded.
    pub to_outputs: Panels,
}

/// A list in quads, filled up with zeros.
fn quads(list: &[f64]) -> Vec<Quad> {
    let at = |k: usize| list.get(k).copied().unwrap_or(0.0);
    let quad = |q: usize| Quad(std::array::from_fn(|k| at(q * QUAD + k)));
    (0..list.len().div_ceil(QUAD)).map(quad).collect()
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
    /// of the cut nodes those here: both count in what an error may be, on either side.
    pub fn mind_the_block_above(&mut self, above: &mut Self, own: usize) {
        let Some(child) = above.children.iter().find(|c| c.block == own).copied() else { return };
        let (q, m) = (self.ports, self.tears);
        for t in 0..m {
            let node = child.first_port + t;
            let impedance = |c: usize| above.coupling[(c, node)].abs();
            let there = above.errors_v.iter().enumerate();
            let there = there.map(|(c, e)| impedance(c) / e).fold(0.0, f64::max);
            // What a volt at each cut node moves here.
            let here = |u: usize| {
                let each = self.errors_v.iter().enumerate();
                each.map(|(c, e)| self.drives[(c, u)].abs() / e).fold(0.0, f64::max)
            };
            let here: f64 = (0..m).map(|u| impedance(child.first_port + u) * here(u)).sum();
            for port in 0..q {
                let drawn = self.coupling[(q + t, port)].abs();
                self.current_exactness[port] += drawn * (there + here);
                self.load_exactness[port] += drawn * (there + here);
            }
            above.current_exactness[node] += here;
        }
    }

    /// Lays out the matrices of a discretised block; in the base of another one, the same piece of the circuit
    /// at another step, where that is given: modes do not depend on the step, so that the history of the one is
    /// that of the other without a change of coordinates.
    pub fn set_matrices(&mut self, m: &Discrete, like: Option<&Self>) {
        let n = self.states;
        self.base = match like {
            Some(like) => like.base.clone(),
            None => modes(&m.a).unwrap_or_else(|| Base::of_states(n)),
        };
        let (diagonal, cross);
        (diagonal, cross, self.dense) = match self.base.update(&m.a) {
            Some(update) => (update.diagonal, update.cross, None),
            None => {
                let whole = self.base.seen(&m.a).resize_horizontally(padded(n), 0.0);
                (vec![], vec![], Some(Panels::new(&whole)))
            }
        };
        let [c, cj, cy] = [&m.c, &m.cj, &m.cy].map(|m| m * &self.base.to_states);
        let [b, l] = [&m.b, &m.l].map(|m| &self.base.from_states * m);
        (self.diagonal, self.cross) = (quads(&diagonal), quads(&cross));
        let external = self.knowns.len();
        let d = below(&m.d, &m.dj);
        // A product takes the padded history.
        let wide = |m: DMatrix<f64>| m.resize_horizontally(padded(n), 0.0);
        self.to_ports = beside(&[&wide(below(&c, &cj)), &d.columns(0, external).into_owned()]);
        self.drives = d.columns(external, self.tears).into_owned();
        self.coupling = below(&m.k, &m.kj);
        self.inputs = Panels::new(&beside(&[&b, &l]));
        self.to_outputs = Panels::new(&beside(&[&wide(cy), &m.dy, &m.ky]));
    }

    /// Linear, with nothing below it and nothing drawn from above.
    #[inline(always)]
    pub fn has_no_ports(&self) -> bool {
        self.ports == 0 && !self.loads
    }

    /// Where port currents are among history, inputs and currents.
    #[inline(always)]
    pub fn currents_at(&self) -> usize {
        self.padded_states() + self.knowns.len() + self.tears
    }

    /// History in whole quads.
    #[inline(always)]
    pub fn padded_states(&self) -> usize {
        padded(self.states)
    }

    /// Number of devices and of blocks below that draw current.
    #[inline(always)]
    pub fn lines(&self) -> usize {
        self.places.len()
    }

    /// Once it is known which blocks below draw current: where they and the devices are, and what an
    /// error of each current may be.
    pub fn set_lines(&mut self) {
        let below = self.children.iter().filter(|c| c.loads).map(|c| (c.first_port, c.tears));
        let all = self.devices.iter().map(|d| (d.first_port, d.ports)).chain(below);
        self.places = all.collect();
        // What a current of one ampere in a port moves, in units of the errors that may be left.
        let moved = |port: usize| {
            let each = self.errors_v.iter().enumerate();
            each.map(|(c, e)| self.coupling[(c, port)].abs() / e).fold(0.0, f64::max)
        };
        self.current_exactness = (0..self.ports).map(moved).collect();
        self.load_exactness = vec![0.0; self.ports];
    }
}
