//! One block while it runs: a step of Newton's method with the blocks below as linear loads.
//!
//! At the guess `v*` each device is `i = f + D (v - v*)`. With `v = p + D_u u + K i` that gives
//! `(I - D K) i = f + D (p - v*) + D D_u u`, one linear system in the currents of the ports that
//! conduct at all. Its solution is linear in the drive `u`, so the current that the block draws
//! from the block above is `j0 + Y u`: that block takes it as one more device. Going up from the
//! last block and down again is one Newton step of the whole circuit, by block elimination.
//!
//! The number of ports is a compile-time bound, so that the small loops are unrolled.

use std::any::Any;

use super::block::PlannedBlock;
use super::fast::Softplus;
use super::panels::padded;
use crate::circuit::system::MAX_PORTS;

/// Most cut nodes through which one block is driven.
pub const MOST_TEARS: usize = 4;
/// Most ports of one block.
pub const MOST_PORTS: usize = 40;

/// Currents and slopes below these are taken as none.
const NO_CURRENT_A: f64 = 1e-15;
const NO_SLOPE_S: f64 = 1e-13;

const COLUMNS: usize = 1 + MOST_TEARS;

/// What a block tells the block above and hears from it, for one child block.
#[derive(Clone, Copy, Debug, Default)]
pub struct Exchange {
    /// Voltages of the cut nodes (deviation from rest), from above.
    pub drive: [f64; MOST_TEARS],
    /// Load current at no drive, and its slope, from below.
    pub load_a: [f64; MOST_TEARS],
    pub load_s: [[f64; MOST_TEARS]; MOST_TEARS],
}

/// The running part of a block, whatever its size.
pub trait Kernel: Send + Sync + std::fmt::Debug {
    /// Starts a step: what the history and the input alone give, and a guess.
    fn begin(&mut self, plan: &PlannedBlock, known: &[f64]);
    /// Linearises and solves for the currents as functions of the drive. `exchanges` has one entry
    /// for each block of the plan, `own` is this block's.
    fn eliminate(
        &mut self,
        plan: &PlannedBlock,
        softplus: &Softplus,
        exchanges: &mut [Exchange],
        own: usize,
    );
    /// Puts in the drive and moves the guess; returns the largest move of a device's port, in units
    /// of what that port tolerates.
    fn substitute(&mut self, plan: &PlannedBlock, exchanges: &mut [Exchange], own: usize) -> f64;
    /// Ends the step: outputs (deviation from rest) and the next history.
    fn finish(&mut self, plan: &PlannedBlock, outputs: &mut [f64]);
    /// Voltage of a port.
    fn port_volts(&self, port: usize) -> f64;
    /// Whether every port voltage is finite.
    fn is_finite(&self) -> bool;
    /// Gives up a step: the history stays, the ports go back.
    fn abandon(&mut self);
    /// Remembers what the step is to reach, and starts over from the last step's solution.
    fn open_path(&mut self);
    /// Sets how far the way from the last step to this one is gone.
    fn set_path(&mut self, share: f64);
    /// Takes the present solution as the start of the next stretch of the way, or goes back to it.
    fn keep(&mut self);
    fn go_back(&mut self);
    /// Goes on with another plan of the same shape.
    fn change_plan(&mut self, old: &PlannedBlock, new: &PlannedBlock);
    /// Goes on where another kernel stands, which was made for `old`, a plan of the same shape as
    /// this one's; whether it is of the same shape. Allocates nothing.
    fn take_over(&mut self, other: &dyn Kernel, old: &PlannedBlock, new: &PlannedBlock) -> bool;
    /// Itself, for [`Kernel::take_over`].
    fn as_any(&self) -> &dyn Any;
    /// A copy of itself.
    fn boxed_clone(&self) -> Box<dyn Kernel>;
}

/// A kernel with room for the ports of a block, at rest.
pub fn kernel(plan: &PlannedBlock) -> Box<dyn Kernel> {
    macro_rules! fitting {
        ($($size:literal),*) => {
            match plan.ports {
                $(0..=$size => Box::new(Bounded::<$size>::new(plan)) as Box<dyn Kernel>,)*
                _ => Box::new(Bounded::<MOST_PORTS>::new(plan)),
            }
        };
    }
    fitting!(2, 3, 4, 5, 6, 8, 10, 12, 16)
}

/// The law of one port at the guess: its current there, and slopes by the voltages of the ports
/// from `first` on.
struct Port<'a, const Q: usize> {
    first: usize,
    slopes: &'a [f64],
    current: f64,
    guess: &'a [f64; Q],
}

#[derive(Clone, Debug)]
struct Bounded<const Q: usize> {
    /// `k[c][b]`: voltage of port c per current of port b; and the same by columns.
    k: [[f64; Q]; Q],
    k_columns: [[f64; Q]; Q],
    /// By cut node above, then port.
    d: [[f64; Q]; MOST_TEARS],
    kj: [[f64; Q]; MOST_TEARS],
    dj: [[f64; MOST_TEARS]; MOST_TEARS],
    exactness: [f64; Q],
    device_ports: usize,

    v: [f64; Q],
    last: [f64; Q],
    before: [f64; Q],
    earlier: [f64; Q],
    f: [f64; Q],
    slopes: [[f64; MAX_PORTS]; Q],
    active: [usize; Q],
    count: usize,
    /// Currents as `solution[0] + solution[1..] u`, by active port.
    solution: [[f64; COLUMNS]; Q],

    /// `[s, u, i]`, so that the update is one product.
    x: Vec<f64>,
    next: Vec<f64>,
    /// Port voltages without currents and drives from above, then drawn currents likewise.
    p: Vec<f64>,
    p_start: Vec<f64>,
    p_last: Vec<f64>,
    p_target: Vec<f64>,
    kept: [f64; Q],
    outputs: Vec<f64>,
    zeros: Vec<f64>,
}

impl<const Q: usize> Bounded<Q> {
    fn new(plan: &PlannedBlock) -> Self {
        let (q, m) = (plan.ports, plan.tears);
        let rows = padded(q + m);
        let mut p_start = vec![0.0; rows];
        p_start[..q].copy_from_slice(&plan.rest_volts);
        let mut rest = [0.0; Q];
        rest[..q].copy_from_slice(&plan.rest_volts);
        let mut new = Self {
            k: [[0.0; Q]; Q],
            k_columns: [[0.0; Q]; Q],
            d: [[0.0; Q]; MOST_TEARS],
            kj: [[0.0; Q]; MOST_TEARS],
            dj: [[0.0; MOST_TEARS]; MOST_TEARS],
            exactness: [0.0; Q],
            device_ports: 0,
            v: rest,
            last: rest,
            before: rest,
            earlier: rest,
            f: [0.0; Q],
            slopes: [[0.0; MAX_PORTS]; Q],
            active: [0; Q],
            count: 0,
            solution: [[0.0; COLUMNS]; Q],
            x: vec![0.0; plan.states + plan.knowns.len() + m + q],
            next: vec![0.0; padded(plan.states)],
            p: p_start.clone(),
            p_last: p_start.clone(),
            p_target: p_start.clone(),
            p_start,
            kept: rest,
            outputs: vec![0.0; padded(plan.outputs.len())],
            zeros: vec![0.0; padded(plan.states.max(plan.outputs.len()))],
        };
        new.set_matrices(plan);
        new
    }

    fn set_matrices(&mut self, plan: &PlannedBlock) {
        let (q, m) = (plan.ports, plan.tears);
        for r in 0..q {
            for c in 0..q {
                self.k[r][c] = plan.k[r * q + c];
                self.k_columns[c][r] = plan.k[r * q + c];
            }
            for t in 0..m {
                self.d[t][r] = plan.d[r * m + t];
                self.kj[t][r] = plan.kj[t * q + r];
            }
        }
        for t in 0..m {
            for u in 0..m {
                self.dj[t][u] = plan.dj[t * m + u];
            }
        }
        self.device_ports = plan.exactness.len();
        self.exactness[..self.device_ports].copy_from_slice(&plan.exactness);
    }

    /// Adds the line of one active port: `sum over c of slope_c (K row c)` on the left, its share of
    /// the known voltages and of the drives on the right.
    // Each argument lives in registers or on the caller's stack; a struct of them would be rebuilt for
    // every line of every step.
    #[allow(clippy::too_many_arguments)]
    #[inline(always)]
    fn line(
        &self,
        row: usize,
        port: &Port<'_, Q>,
        tears: usize,
        left: &mut [[f64; Q]; Q],
        right: &mut [[f64; COLUMNS]; Q],
    ) {
        let (left, right) = (&mut left[row], &mut right[row]);
        right[0] = port.current;
        right[1..].fill(0.0);
        left.fill(0.0);
        for (c, &slope) in port.slopes.iter().enumerate() {
            let at = port.first + c;
            let k = &self.k[at];
            for (x, &active) in left.iter_mut().zip(&self.active[..self.count]) {
                *x -= slope * k[active];
            }
            right[0] += slope * (self.p[at] - port.guess[at]);
            for t in 0..tears {
                right[1 + t] += slope * self.d[t][at];
            }
        }
        left[row] += 1.0;
    }
}

impl<const Q: usize> Kernel for Bounded<Q> {
    #[inline(always)]
    fn begin(&mut self, plan: &PlannedBlock, known: &[f64]) {
        for (x, &index) in self.x[plan.states..].iter_mut().zip(&plan.knowns) {
            *x = known[index];
        }
        let count = plan.states + plan.knowns.len();
        plan.to_ports.product(&self.p_start, &self.x[..count], &mut self.p);
        for k in 0..Q {
            self.v[k] = 3.0 * (self.last[k] - self.before[k]) + self.earlier[k];
            self.earlier[k] = self.before[k];
            self.before[k] = self.last[k];
        }
    }

    #[inline(always)]
    fn eliminate(
        &mut self,
        plan: &PlannedBlock,
        softplus: &Softplus,
        exchanges: &mut [Exchange],
        own: usize,
    ) {
        let m = plan.tears;
        let mut count = 0;
        for device in &plan.devices {
            let first = device.first_port;
            let mut volts = [0.0; MAX_PORTS];
            volts[..device.ports].copy_from_slice(&self.v[first..first + device.ports]);
            let c = device.law.currents(softplus, &volts);
            for k in 0..device.ports {
                let port = first + k;
                self.f[port] = c.current_a[k] - device.rest_current[k];
                self.slopes[port] = c.by_voltage_s[k];
                let s = &c.by_voltage_s[k];
                let conducts = self.f[port].abs() > NO_CURRENT_A
                    || s[0].abs().max(s[1].abs()).max(s[2].abs()) > NO_SLOPE_S;
                self.active[count] = port;
                count += usize::from(conducts);
            }
        }
        let own_count = count;
        for child in plan.children.iter().filter(|c| c.loads) {
            for k in 0..child.tears {
                self.active[count] = child.first_port + k;
                count += 1;
            }
        }
        self.count = count;

        let mut left = [[0.0; Q]; Q];
        let mut right = [[0.0; COLUMNS]; Q];
        let mut row = 0;
        for device in &plan.devices {
            let (first, ports) = (device.first_port, device.ports);
            while row < own_count && self.active[row] < first + ports {
                let port = self.active[row];
                let slopes = &self.slopes[port][..ports];
                let line = Port { first, slopes, current: self.f[port], guess: &self.v };
                self.line(row, &line, m, &mut left, &mut right);
                row += 1;
            }
        }
        let zero = [0.0; Q];
        for child in plan.children.iter().filter(|c| c.loads) {
            let load = &exchanges[child.block];
            for k in 0..child.tears {
                let slopes = &load.load_s[k][..child.tears];
                let first = child.first_port;
                let line = Port { first, slopes, current: load.load_a[k], guess: &zero };
                self.line(row, &line, m, &mut left, &mut right);
                row += 1;
            }
        }
        solve(&mut left, &mut right, count, 1 + m);
        self.solution = right;

        if plan.loads {
            let load = &mut exchanges[own];
            for t in 0..m {
                load.load_a[t] = self.p[plan.ports + t];
                load.load_s[t] = self.dj[t];
                for (row, &port) in self.active[..count].iter().enumerate() {
                    load.load_a[t] += self.kj[t][port] * self.solution[row][0];
                    for u in 0..m {
                        load.load_s[t][u] += self.kj[t][port] * self.solution[row][1 + u];
                    }
                }
            }
        }
    }

    #[inline(always)]
    fn substitute(&mut self, plan: &PlannedBlock, exchanges: &mut [Exchange], own: usize) -> f64 {
        let (q, m) = (plan.ports, plan.tears);
        let drive_at = plan.states + plan.knowns.len();
        let drive = exchanges[own].drive;
        self.x[drive_at..drive_at + m].copy_from_slice(&drive[..m]);
        let mut v = [0.0; Q];
        v[..q].copy_from_slice(&self.p[..q]);
        for t in 0..m {
            for k in 0..Q {
                v[k] += self.d[t][k] * drive[t];
            }
        }
        let currents = &mut self.x[drive_at + m..];
        currents.fill(0.0);
        for (row, &port) in self.active[..self.count].iter().enumerate() {
            let s = &self.solution[row];
            let mut i = s[0];
            for t in 0..m {
                i += s[1 + t] * drive[t];
            }
            currents[port] = i;
            let column = &self.k_columns[port];
            for k in 0..Q {
                v[k] += column[k] * i;
            }
        }
        let mut largest = 0.0f64;
        for k in 0..Q {
            // Ports that are no device's have an exactness of zero.
            largest = largest.max((v[k] - self.v[k]).abs() * self.exactness[k]);
        }
        self.v = v;
        for child in &plan.children {
            let from = &v[child.first_port..child.first_port + child.tears];
            exchanges[child.block].drive[..child.tears].copy_from_slice(from);
        }
        largest
    }

    #[inline(always)]
    fn finish(&mut self, plan: &PlannedBlock, outputs: &mut [f64]) {
        if !plan.outputs.is_empty() {
            let count = self.outputs.len();
            plan.to_outputs.product(&self.zeros[..count], &self.x, &mut self.outputs);
            for (&index, &y) in plan.outputs.iter().zip(&self.outputs) {
                outputs[index] = y;
            }
        }
        plan.update.product(&self.zeros[..self.next.len()], &self.x, &mut self.next);
        self.x[..plan.states].copy_from_slice(&self.next[..plan.states]);
        self.last = self.v;
        std::mem::swap(&mut self.p_last, &mut self.p);
    }

    fn port_volts(&self, port: usize) -> f64 {
        self.v.get(port).copied().unwrap_or(0.0)
    }

    fn is_finite(&self) -> bool {
        self.v.iter().all(|v| v.is_finite())
    }

    fn abandon(&mut self) {
        self.v = self.last;
        self.before = self.last;
        self.earlier = self.last;
    }

    fn open_path(&mut self) {
        self.p_target.copy_from_slice(&self.p);
        self.kept = self.last;
        self.v = self.last;
    }

    fn set_path(&mut self, share: f64) {
        for ((p, from), to) in self.p.iter_mut().zip(&self.p_last).zip(&self.p_target) {
            *p = from + share * (to - from);
        }
    }

    fn keep(&mut self) {
        self.kept = self.v;
    }

    fn go_back(&mut self) {
        self.v = self.kept;
    }

    fn change_plan(&mut self, old: &PlannedBlock, new: &PlannedBlock) {
        // The history is kept as a deviation from rest; what is at rest differs.
        for (s, (was, is)) in self.x.iter_mut().zip(old.rest_states.iter().zip(&new.rest_states)) {
            *s += was - is;
        }
        self.p_start[..new.ports].copy_from_slice(&new.rest_volts);
        self.set_matrices(new);
        self.before = self.last;
        self.earlier = self.last;
    }

    fn take_over(&mut self, other: &dyn Kernel, old: &PlannedBlock, new: &PlannedBlock) -> bool {
        let Some(other) = other.as_any().downcast_ref::<Self>() else { return false };
        if self.x.len() != other.x.len() || self.p.len() != other.p.len() {
            return false;
        }
        self.x.copy_from_slice(&other.x);
        self.p.copy_from_slice(&other.p);
        self.p_last.copy_from_slice(&other.p_last);
        self.v = other.v;
        self.last = other.last;
        self.change_plan(old, new);
        // Only guesses: with nothing changed, the answer is the same to the last digit.
        self.before = other.before;
        self.earlier = other.earlier;
        true
    }

    fn as_any(&self) -> &dyn Any {
        self
    }

    fn boxed_clone(&self) -> Box<dyn Kernel> {
        Box::new(self.clone())
    }
}

/// Gauss elimination; the right sides become the solution. Rows are exchanged only where the
/// diagonal is small: the matrices are near the identity for networks of resistors and valves.
#[inline(always)]
fn solve<const Q: usize>(
    left: &mut [[f64; Q]; Q],
    right: &mut [[f64; COLUMNS]; Q],
    n: usize,
    columns: usize,
) {
    for pivot in 0..n {
        if left[pivot][pivot].abs() < 0.05 {
            exchange(left, right, n, pivot);
        }
        let inverse = 1.0 / left[pivot][pivot];
        let (line, known) = (left[pivot], right[pivot]);
        for row in pivot + 1..n {
            let factor = left[row][pivot] * inverse;
            for (x, y) in left[row][..n].iter_mut().zip(&line).skip(pivot + 1) {
                *x -= factor * y;
            }
            for (x, y) in right[row][..columns].iter_mut().zip(&known) {
                *x -= factor * y;
            }
        }
        left[pivot][pivot] = inverse;
    }
    for pivot in (0..n).rev() {
        let inverse = left[pivot][pivot];
        for x in &mut right[pivot][..columns] {
            *x *= inverse;
        }
        let known = right[pivot];
        for row in 0..pivot {
            let factor = left[row][pivot];
            for (x, y) in right[row][..columns].iter_mut().zip(&known) {
                *x -= factor * y;
            }
        }
    }
}

#[cold]
fn exchange<const Q: usize>(
    left: &mut [[f64; Q]; Q],
    right: &mut [[f64; COLUMNS]; Q],
    n: usize,
    pivot: usize,
) {
    let size = |row: usize| left[row][pivot].abs();
    let best = (pivot..n).max_by(|&a, &b| size(a).total_cmp(&size(b))).unwrap_or(pivot);
    left.swap(best, pivot);
    right.swap(best, pivot);
}
