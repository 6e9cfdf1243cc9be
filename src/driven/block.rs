//! One block while it runs: a step of Newton's method with the blocks below as linear loads.
//!
//! At the guess `v*` each device is `i = f + D (v - v*)`. With `v = p + D_u u + K i` that gives
//! `(I - D K) i = f + D (p - v*) + D D_u u`, one linear system in the currents of the ports that
//! conduct at all. Its solution is linear in the drive `u`, so the current that the block draws
//! from the block above is `j0 + Y u`: that block takes it as one more device. Going up from the
//! last block and down again is one Newton step of the whole circuit, by block elimination.

use nalgebra::DMatrix;

use super::device::FastLaw;
use super::discrete::Discrete;
use super::fast::Softplus;
use super::panels::{Panels, padded};
use crate::circuit::system::MAX_PORTS;

/// A device of a block.
#[derive(Clone, Debug)]
pub struct PlannedDevice {
    pub law: FastLaw,
    pub first_port: usize,
    pub ports: usize,
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
    pub parent: Option<usize>,
    /// First of this block's ports in the parent's list.
    pub parent_port: usize,
    pub states: usize,
    /// 1 if the circuit's input drives this block; it is then the first input.
    pub external: usize,
    pub tears: usize,
    pub ports: usize,
    pub devices: Vec<PlannedDevice>,
    pub children: Vec<Child>,
    pub loads: bool,
    /// (row in `y`, index in the plan's outputs).
    pub outputs: Vec<usize>,
    /// Port voltages and currents at rest.
    pub rest_volts: Vec<f64>,
    pub rest_current: Vec<f64>,
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
        let external = self.external;
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

/// What changes from step to step.
#[derive(Clone, Debug)]
pub struct RunningBlock {
    /// `[s, u, i]`, so that the update is one product.
    x: Vec<f64>,
    next: Vec<f64>,
    /// Port voltages without currents and drives from above, then drawn currents likewise.
    p: Vec<f64>,
    p_start: Vec<f64>,
    /// Guess, and the solution of the last step and the one before.
    pub v: Vec<f64>,
    pub last: Vec<f64>,
    before: Vec<f64>,
    /// Device currents (deviation from rest) and slopes at the guess.
    f: Vec<f64>,
    slopes: Vec<[f64; MAX_PORTS]>,
    active: Vec<usize>,
    /// Augmented system, row-major.
    work: Vec<f64>,
    /// Solution: `a`, then columns `Bu`; ports x (1 + tears).
    solution: Vec<f64>,
    /// Load on the block above.
    j0: Vec<f64>,
    y_load: Vec<f64>,
    outputs: Vec<f64>,
    zeros: Vec<f64>,
}

/// Currents and slopes below these are taken as none.
const NO_CURRENT_A: f64 = 1e-13;
const NO_SLOPE_S: f64 = 1e-12;

impl RunningBlock {
    /// At rest.
    pub fn new(plan: &PlannedBlock) -> Self {
        let (q, m) = (plan.ports, plan.tears);
        let x = plan.states + plan.external + m + q;
        let rows = padded(q + m);
        let mut p_start = vec![0.0; rows];
        p_start[..q].copy_from_slice(&plan.rest_volts);
        Self {
            x: vec![0.0; x],
            next: vec![0.0; padded(plan.states)],
            p: vec![0.0; rows],
            p_start,
            v: plan.rest_volts.clone(),
            last: plan.rest_volts.clone(),
            before: plan.rest_volts.clone(),
            f: vec![0.0; q],
            slopes: vec![[0.0; MAX_PORTS]; q],
            active: Vec::with_capacity(q),
            work: vec![0.0; q * (q + 1 + m)],
            solution: vec![0.0; q * (1 + m)],
            j0: vec![0.0; m],
            y_load: vec![0.0; m * m],
            outputs: vec![0.0; padded(plan.outputs.len())],
            zeros: vec![0.0; padded(plan.states.max(plan.outputs.len()))],
        }
    }

    /// Starts a step: what the history and the input alone give, and a guess.
    #[inline(always)]
    pub fn begin(&mut self, plan: &PlannedBlock, external: f64) {
        if plan.external == 1 {
            self.x[plan.states] = external;
        }
        let known = plan.states + plan.external;
        plan.to_ports.product(&self.p_start, &self.x[..known], &mut self.p);
        for ((v, l), b) in self.v.iter_mut().zip(&self.last).zip(&mut self.before) {
            *v = 2.0 * l - *b;
            *b = *l;
        }
    }

    /// Takes the last solution as the guess, where extrapolating led astray.
    pub fn restart(&mut self) {
        self.v.copy_from_slice(&self.last);
    }

    /// Linearises and solves for the currents as functions of the drive; `below` holds the running
    /// blocks after this one, the first of them with index `offset`.
    #[inline(always)]
    pub fn eliminate(
        &mut self,
        plan: &PlannedBlock,
        softplus: &Softplus,
        below: &[RunningBlock],
        offset: usize,
    ) {
        let (q, m) = (plan.ports, plan.tears);
        self.active.clear();
        for device in &plan.devices {
            let first = device.first_port;
            let mut volts = [0.0; MAX_PORTS];
            volts[..device.ports].copy_from_slice(&self.v[first..first + device.ports]);
            let c = device.law.currents(softplus, &volts);
            for k in 0..device.ports {
                self.f[first + k] = c.current_a[k] - plan.rest_current[first + k];
                self.slopes[first + k] = c.by_voltage_s[k];
                if c.current_a[k].abs() > NO_CURRENT_A
                    || c.by_voltage_s[k].iter().any(|s| s.abs() > NO_SLOPE_S)
                    || self.f[first + k].abs() > NO_CURRENT_A
                {
                    self.active.push(first + k);
                }
            }
        }
        for child in plan.children.iter().filter(|c| c.loads) {
            self.active.extend(child.first_port..child.first_port + child.tears);
        }

        let n = self.active.len();
        let width = n + 1 + m;
        self.work[..n * width].fill(0.0);
        let mut row = 0;
        for device in &plan.devices {
            let (first, ports) = (device.first_port, device.ports);
            while row < n && self.active[row] < first + ports {
                let port = self.active[row];
                let line = &mut self.work[row * width..(row + 1) * width];
                line[n] = self.f[port];
                for (c, &slope) in self.slopes[port][..ports].iter().enumerate() {
                    let at = first + c;
                    add_row(line, slope, &plan.k[at * q..(at + 1) * q], &self.active);
                    line[n] += slope * (self.p[at] - self.v[at]);
                    for t in 0..m {
                        line[n + 1 + t] += slope * plan.d[at * m + t];
                    }
                }
                line[row] += 1.0;
                row += 1;
            }
        }
        for child in plan.children.iter().filter(|c| c.loads) {
            let load = &below[child.block - offset];
            for k in 0..child.tears {
                let line = &mut self.work[row * width..(row + 1) * width];
                line[n] = load.j0[k];
                for c in 0..child.tears {
                    let (at, slope) = (child.first_port + c, load.y_load[k * child.tears + c]);
                    add_row(line, slope, &plan.k[at * q..(at + 1) * q], &self.active);
                    line[n] += slope * self.p[at];
                    for t in 0..m {
                        line[n + 1 + t] += slope * plan.d[at * m + t];
                    }
                }
                line[row] += 1.0;
                row += 1;
            }
        }
        solve_in_place(&mut self.work, n, width);
        let columns = 1 + m;
        self.solution.fill(0.0);
        for (row, &port) in self.active.iter().enumerate() {
            let from = &self.work[row * width + n..(row + 1) * width];
            self.solution[port * columns..(port + 1) * columns].copy_from_slice(from);
        }
        if plan.loads {
            for t in 0..m {
                let kj = &plan.kj[t * q..(t + 1) * q];
                self.j0[t] = self.p[q + t];
                for u in 0..m {
                    self.y_load[t * m + u] = plan.dj[t * m + u];
                }
                for &port in &self.active {
                    let column = &self.solution[port * columns..(port + 1) * columns];
                    self.j0[t] += kj[port] * column[0];
                    for u in 0..m {
                        self.y_load[t * m + u] += kj[port] * column[1 + u];
                    }
                }
            }
        }
    }

    /// Puts in the drive and moves the guess; returns the largest move of a device's port (volts).
    #[inline(always)]
    pub fn substitute(
        &mut self,
        plan: &PlannedBlock,
        above: Option<&RunningBlock>,
        share: f64,
    ) -> f64 {
        let (q, m) = (plan.ports, plan.tears);
        let (drive_at, current_at) = (plan.states + plan.external, plan.states + plan.external + m);
        if let Some(above) = above {
            let from = &above.v[plan.parent_port..plan.parent_port + m];
            self.x[drive_at..current_at].copy_from_slice(from);
        }
        let (head, currents) = self.x.split_at_mut(current_at);
        let drive = &head[drive_at..];
        for (i, row) in currents.iter_mut().zip(self.solution.chunks_exact(1 + m)) {
            *i = row[0];
            for (b, u) in row[1..].iter().zip(drive) {
                *i += b * u;
            }
        }
        let device_ports = plan.children.first().map_or(q, |c| c.first_port);
        let mut largest = 0.0f64;
        for at in 0..q {
            let mut v = self.p[at];
            for (d, u) in plan.d[at * m..(at + 1) * m].iter().zip(drive) {
                v += d * u;
            }
            let k = &plan.k[at * q..(at + 1) * q];
            for &port in &self.active {
                v += k[port] * currents[port];
            }
            let step = v - self.v[at];
            if at < device_ports {
                // A NaN must not pass for a small step.
                largest = if step.abs() <= largest { largest } else { step.abs() };
                self.v[at] += share * step;
            } else {
                self.v[at] = v;
            }
        }
        largest
    }

    /// Ends the step: outputs (deviation from rest) and the next history.
    #[inline(always)]
    pub fn finish(&mut self, plan: &PlannedBlock, outputs: &mut [f64]) {
        if !plan.outputs.is_empty() {
            let count = self.outputs.len();
            plan.to_outputs.product(&self.zeros[..count], &self.x, &mut self.outputs);
            for (&index, &y) in plan.outputs.iter().zip(&self.outputs) {
                outputs[index] = y;
            }
        }
        plan.update.product(&self.zeros[..self.next.len()], &self.x, &mut self.next);
        self.x[..plan.states].copy_from_slice(&self.next[..plan.states]);
        self.last.copy_from_slice(&self.v);
    }

    /// Whether every port voltage is finite.
    #[inline(always)]
    pub fn is_finite(&self) -> bool {
        self.v.iter().all(|v| v.is_finite())
    }

    /// Gives up a step: the history stays, the ports go back.
    pub fn abandon(&mut self) {
        self.v.copy_from_slice(&self.last);
        self.before.copy_from_slice(&self.last);
    }

    /// Goes on with another plan of the same shape. What is at rest there differs, so the history
    /// and the ports, kept as deviations from rest, are referred to the new rest.
    pub fn change_plan(&mut self, old: &PlannedBlock, new: &PlannedBlock) {
        for (s, (was, is)) in self.x.iter_mut().zip(old.rest_states.iter().zip(&new.rest_states)) {
            *s += was - is;
        }
        self.p_start[..new.ports].copy_from_slice(&new.rest_volts);
        self.before.copy_from_slice(&self.last);
    }
}

/// `line[b] -= slope K[., active[b]]`.
#[inline(always)]
fn add_row(line: &mut [f64], slope: f64, k: &[f64], active: &[usize]) {
    for (x, &port) in line.iter_mut().zip(active) {
        *x -= slope * k[port];
    }
}

/// Gauss elimination of the first `n` columns of `n` rows of `width`; the rest become the solution.
/// Rows are exchanged only where the diagonal is small: the matrices are near the identity for
/// networks of resistors and valves.
#[inline(always)]
fn solve_in_place(work: &mut [f64], n: usize, width: usize) {
    for pivot in 0..n {
        if work[pivot * width + pivot].abs() < 0.05 {
            exchange(work, n, width, pivot);
        }
        let (upper, lower) = work.split_at_mut((pivot + 1) * width);
        let line = &mut upper[pivot * width..];
        let inverse = 1.0 / line[pivot];
        for x in &mut line[pivot + 1..] {
            *x *= inverse;
        }
        for other in lower.chunks_exact_mut(width).take(n - pivot - 1) {
            let factor = other[pivot];
            for (o, x) in other[pivot + 1..].iter_mut().zip(&line[pivot + 1..]) {
                *o -= factor * x;
            }
        }
    }
    for pivot in (1..n).rev() {
        let (upper, lower) = work.split_at_mut(pivot * width);
        let line = &lower[n..width];
        for other in upper.chunks_exact_mut(width) {
            let factor = other[pivot];
            for (o, x) in other[n..].iter_mut().zip(line) {
                *o -= factor * x;
            }
        }
    }
}

#[cold]
fn exchange(work: &mut [f64], n: usize, width: usize, pivot: usize) {
    let best = (pivot..n)
        .max_by(|&a, &b| work[a * width + pivot].abs().total_cmp(&work[b * width + pivot].abs()))
        .unwrap_or(pivot);
    if best != pivot {
        for k in 0..width {
            work.swap(best * width + k, pivot * width + k);
        }
    }
}
