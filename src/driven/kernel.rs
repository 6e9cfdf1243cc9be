//! One block while it runs: a step of Newton's method with the blocks below as linear loads.
//!
//! At the guess `v*` each device is `i = f + D (v - v*)`. With `v = p + D_u u + K i` that gives
//! `(I - D K) i = f + D (p - v*) + D D_u u`, one linear system in the currents of the ports that
//! conduct at all. Its solution is linear in the drive `u`, so the current that the block draws
//! from the block above is `j0 + Y u`: that block takes it as one more device. Going up from the
//! last block and down again is one Newton step of the whole circuit, by block elimination.
//!
//! The slopes `D` barely change from step to step, so the inverse of `I - D K` is kept. What slopes
//! of an earlier step leave in a current is known, `(D - D_kept) (v - v*)`; where that is not
//! negligible, the slopes are taken anew.
//!
//! The number of ports is a compile-time bound, so that the small loops are unrolled.

use std::any::Any;

use super::block::PlannedBlock;
use super::panels::padded;
use super::statistics::ValveTally;
use crate::circuit::system::MAX_PORTS;

/// Most cut nodes through which one block is driven.
pub const MOST_TEARS: usize = 4;
/// Most ports of one block.
pub const MOST_PORTS: usize = 40;

/// Currents and slopes below these are taken as none.
const NO_CURRENT_A: f64 = 1e-15;
const NO_SLOPE_S: f64 = 1e-13;

/// What a block tells the block above and hears from it, for one child block.
#[derive(Clone, Copy, Debug, Default)]
pub struct Exchange {
    /// Voltages of the cut nodes (deviation from rest), from above.
    pub drive: [f64; MOST_TEARS],
    /// Load current at no drive, and its slope, from below.
    pub load_a: [f64; MOST_TEARS],
    pub load_s: [[f64; MOST_TEARS]; MOST_TEARS],
    /// Whether the slope is another than in the step before.
    pub renewed: bool,
}

/// The running part of a block, whatever its size.
pub trait Kernel: Send + Sync + std::fmt::Debug {
    /// Starts a step: what the history and the input alone give, and a guess.
    fn begin(&mut self, plan: &PlannedBlock, known: &[f64]);
    /// Linearises and solves for the currents as functions of the drive; with `renew` by the slopes
    /// at the guess, else by kept ones if they will do. `exchanges` has one entry for each block of
    /// the plan, `own` is this block's.
    fn eliminate(
        &mut self,
        plan: &PlannedBlock,
        exchanges: &mut [Exchange],
        own: usize,
        renew: bool,
    );
    /// Puts in the drive and moves the guess; returns the largest error that is left, in units of
    /// what is tolerated.
    fn substitute(&mut self, plan: &PlannedBlock, exchanges: &mut [Exchange], own: usize) -> f64;
    /// Goes half the way back to the guess before: Newton's method can swing to and fro across a corner
    /// of a law.
    fn shorten(&mut self);
    /// Ends the step: outputs (deviation from rest), how far the valves were driven, and the next
    /// history.
    fn finish(&mut self, plan: &PlannedBlock, outputs: &mut [f64], valves: &mut [ValveTally]);
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
    fitting!(0, 2, 4, 6, 8, 10, 12, 14, 16, 20, 24)
}

/// The memory of one list with the values of another: lists of one shape have room for each other.
fn refilled<T: Copy>(own: &mut Vec<T>, other: &[T]) -> Vec<T> {
    let mut list = std::mem::take(own);
    list.clear();
    list.extend_from_slice(other);
    list
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
    current_exactness: [f64; Q],

    v: [f64; Q],
    last: [f64; Q],
    before: [f64; Q],
    earlier: [f64; Q],
    f: [f64; Q],
    slopes: [[f64; MAX_PORTS]; Q],
    /// Bits of the ports that conduct at the guess.
    conducting: u64,

    /// Kept: the ports that conducted (bits and list), the first `own` of them devices'; their
    /// slopes; by line of the system the column of the inverse; and by active port the columns of K.
    active_bits: u64,
    active: [usize; Q],
    own: usize,
    count: usize,
    kept_slopes: [[f64; MAX_PORTS]; Q],
    inverse: [[f64; Q]; Q],
    response: [[f64; Q]; Q],
    /// Currents by drive, by cut node and active port; load slopes.
    by_drive: [[f64; Q]; MOST_TEARS],
    load_s: [[f64; MOST_TEARS]; MOST_TEARS],
    /// How far the guess was off in the last step, and whether the slopes were found worn out.
    miss: [f64; Q],
    step: [f64; Q],
    worn: bool,
    first: bool,
    /// Currents at no drive, then with it, by active port.
    current: [f64; Q],

    /// `[s, u, i]`, so that the outputs are one product.
    x: Vec<f64>,
    next: Vec<f64>,
    /// Columns of `[B L]` in use: inputs, then active ports; and what goes with them.
    columns: Vec<usize>,
    values: Vec<f64>,
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
        let inputs = plan.knowns.len() + m;
        let mut new = Self {
            k: [[0.0; Q]; Q],
            k_columns: [[0.0; Q]; Q],
            d: [[0.0; Q]; MOST_TEARS],
            kj: [[0.0; Q]; MOST_TEARS],
            dj: [[0.0; MOST_TEARS]; MOST_TEARS],
            exactness: [0.0; Q],
            current_exactness: [0.0; Q],
            v: rest,
            last: rest,
            before: rest,
            earlier: rest,
            f: [0.0; Q],
            slopes: [[0.0; MAX_PORTS]; Q],
            conducting: 0,
            active_bits: 0,
            active: [0; Q],
            own: 0,
            count: 0,
            kept_slopes: [[0.0; MAX_PORTS]; Q],
            inverse: [[0.0; Q]; Q],
            response: [[0.0; Q]; Q],
            by_drive: [[0.0; Q]; MOST_TEARS],
            load_s: [[0.0; MOST_TEARS]; MOST_TEARS],
            miss: [0.0; Q],
            step: [0.0; Q],
            worn: true,
            first: true,
            current: [0.0; Q],
            x: vec![0.0; plan.states + inputs + q],
            next: vec![0.0; padded(plan.states)],
            columns: (0..inputs + q).collect(),
            values: vec![0.0; inputs + q],
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
        let devices = plan.exactness.len();
        self.exactness[..devices].copy_from_slice(&plan.exactness);
        self.current_exactness[..devices].copy_from_slice(&plan.current_exactness);
        self.worn = true;
    }

    /// Device currents and slopes at the guess, and which ports conduct.
    #[inline(always)]
    fn evaluate(&mut self, plan: &PlannedBlock) {
        let mut conducting = 0;
        for device in &plan.devices {
            let first = device.first_port;
            let mut volts = [0.0; MAX_PORTS];
            for k in 0..device.ports {
                volts[k] = self.v[first + k];
            }
            let c = device.law.currents(&volts);
            for k in 0..device.ports {
                let port = first + k;
                let f = c.current_a[k] - device.rest_current[k];
                let s = &c.by_voltage_s[k];
                self.f[port] = f;
                self.slopes[port] = *s;
                let conducts = f.abs() > NO_CURRENT_A
                    || s[0].abs().max(s[1].abs()).max(s[2].abs()) > NO_SLOPE_S;
                conducting |= u64::from(conducts) << port;
            }
        }
        self.conducting = conducting;
    }

    /// Whether the kept slopes will leave a tolerable error if the guess is as far off as last time.
    #[inline(always)]
    fn serves(&self, plan: &PlannedBlock, step: &[f64; Q]) -> bool {
        self.conducting & !self.active_bits == 0 && self.wear(plan, step) <= 1.0
    }

    /// Error of the currents that kept slopes leave after a step of the guess, in units of what is
    /// tolerated.
    #[inline(always)]
    fn wear(&self, plan: &PlannedBlock, step: &[f64; Q]) -> f64 {
        let mut largest = 0.0f64;
        for device in &plan.devices {
            let (first, ports) = (device.first_port, device.ports);
            for port in first..first + ports {
                let mut error = 0.0;
                for c in 0..ports {
                    error += (self.slopes[port][c] - self.kept_slopes[port][c]) * step[first + c];
                }
                largest = largest.max(error.abs() * self.current_exactness[port]);
            }
        }
        largest
    }

    /// Takes the slopes at the guess: which ports conduct, the inverse of `I - D K` for them, and what
    /// follows from it.
    fn renew(&mut self, plan: &PlannedBlock, exchanges: &[Exchange]) {
        let m = plan.tears;
        let mut count = 0;
        self.active_bits = self.conducting;
        for port in 0..plan.exactness.len() {
            self.active[count] = port;
            count += usize::from(self.conducting >> port & 1 == 1);
        }
        self.own = count;
        for child in plan.children.iter().filter(|c| c.loads) {
            for k in 0..child.tears {
                self.active[count] = child.first_port + k;
                count += 1;
            }
        }
        self.count = count;
        self.kept_slopes = self.slopes;

        let mut left = [[0.0; Q]; Q];
        let mut driven = [[0.0; Q]; MOST_TEARS];
        let active = self.active;
        let mut line = |row: usize, first: usize, slopes: &[f64]| {
            for (c, &slope) in slopes.iter().enumerate() {
                let k = &self.k[first + c];
                for (x, &port) in left[row].iter_mut().zip(&active[..count]) {
                    *x -= slope * k[port];
                }
                for t in 0..m {
                    driven[t][row] += slope * self.d[t][first + c];
                }
            }
            left[row][row] += 1.0;
        };
        let mut row = 0;
        for device in &plan.devices {
            let (first, ports) = (device.first_port, device.ports);
            while row < self.own && active[row] < first + ports {
                line(row, first, &self.kept_slopes[active[row]][..ports]);
                row += 1;
            }
        }
        for child in plan.children.iter().filter(|c| c.loads) {
            let load = &exchanges[child.block].load_s;
            for slopes in load.iter().take(child.tears) {
                line(row, child.first_port, &slopes[..child.tears]);
                row += 1;
            }
        }
        let inverse = inverted(&mut left, count);
        for b in 0..count {
            for a in 0..count {
                self.inverse[b][a] = inverse[a][b];
            }
            self.response[b] = self.k_columns[active[b]];
        }
        self.load_s = self.dj;
        for t in 0..m {
            for a in 0..count {
                let sum = (0..count).map(|b| inverse[a][b] * driven[t][b]).sum::<f64>();
                self.by_drive[t][a] = sum;
                for u in 0..m {
                    self.load_s[u][t] += self.kj[u][active[a]] * sum;
                }
            }
        }
        let inputs = plan.knowns.len() + m;
        for a in 0..count {
            self.columns[inputs + a] = inputs + active[a];
        }
        self.worn = false;
    }
}

impl<const Q: usize> Kernel for Bounded<Q> {
    fn begin(&mut self, plan: &PlannedBlock, known: &[f64]) {
        for k in 0..plan.knowns.len() {
            self.x[plan.states + k] = known[plan.knowns[k]];
        }
        let count = plan.states + plan.knowns.len();
        plan.to_ports.product(&self.p_start, &self.x[..count], &mut self.p);
        for k in 0..Q {
            self.v[k] = 3.0 * (self.last[k] - self.before[k]) + self.earlier[k];
            self.earlier[k] = self.before[k];
            self.before[k] = self.last[k];
        }
        self.first = true;
    }

    fn eliminate(
        &mut self,
        plan: &PlannedBlock,
        exchanges: &mut [Exchange],
        own: usize,
        renew: bool,
    ) {
        let m = plan.tears;
        self.evaluate(plan);
        let mut renew = renew || self.worn || !self.serves(plan, &self.miss);
        for child in &plan.children {
            renew |= child.loads && exchanges[child.block].renewed;
        }
        if renew {
            self.renew(plan, exchanges);
        }
        let mut current = [0.0; Q];
        let mut row = 0;
        for device in &plan.devices {
            let (first, ports) = (device.first_port, device.ports);
            while row < self.own && self.active[row] < first + ports {
                let port = self.active[row];
                let mut right = self.f[port];
                for c in 0..ports {
                    let at = first + c;
                    right += self.kept_slopes[port][c] * (self.p[at] - self.v[at]);
                }
                for k in 0..Q {
                    current[k] += self.inverse[row][k] * right;
                }
                row += 1;
            }
        }
        for child in &plan.children {
            if !child.loads {
                continue;
            }
            let load = &exchanges[child.block];
            for k in 0..child.tears {
                let mut right = load.load_a[k];
                for c in 0..child.tears {
                    right += load.load_s[k][c] * self.p[child.first_port + c];
                }
                for k in 0..Q {
                    current[k] += self.inverse[row][k] * right;
                }
                row += 1;
            }
        }
        self.current = current;
        if plan.loads {
            let load = &mut exchanges[own];
            load.load_s = self.load_s;
            load.renewed = renew;
            for t in 0..m {
                let mut sum = self.p[plan.ports + t];
                for a in 0..self.count {
                    sum += self.kj[t][self.active[a]] * current[a];
                }
                load.load_a[t] = sum;
            }
        }
    }

    fn substitute(&mut self, plan: &PlannedBlock, exchanges: &mut [Exchange], own: usize) -> f64 {
        let (q, m) = (plan.ports, plan.tears);
        let drive_at = plan.states + plan.knowns.len();
        let drive = exchanges[own].drive;
        let mut v = [0.0; Q];
        for k in 0..q {
            v[k] = self.p[k];
        }
        for t in 0..m {
            self.x[drive_at + t] = drive[t];
            for k in 0..Q {
                v[k] += self.d[t][k] * drive[t];
                self.current[k] += self.by_drive[t][k] * drive[t];
            }
        }
        for a in 0..self.count {
            for k in 0..Q {
                v[k] += self.response[a][k] * self.current[a];
            }
        }
        let mut step = [0.0; Q];
        let mut largest = 0.0f64;
        for k in 0..Q {
            step[k] = v[k] - self.v[k];
            // Ports that are no device's have an exactness of zero.
            largest = largest.max(step[k].abs() * self.exactness[k]);
        }
        let wear = self.wear(plan, &step);
        self.worn = wear > 1.0;
        if self.first {
            self.miss = step;
            self.first = false;
        }
        self.v = v;
        self.step = step;
        for child in &plan.children {
            for t in 0..child.tears {
                exchanges[child.block].drive[t] = v[child.first_port + t];
            }
        }
        largest.max(wear)
    }

    fn shorten(&mut self) {
        for k in 0..Q {
            self.v[k] -= 0.5 * self.step[k];
        }
    }

    fn finish(&mut self, plan: &PlannedBlock, outputs: &mut [f64], valves: &mut [ValveTally]) {
        for device in &plan.devices {
            if let Some(tally) = device.valve.and_then(|v| valves.get_mut(v)) {
                tally.add(self.v[device.first_port]);
            }
        }
        let (n, m) = (plan.states, plan.tears);
        let inputs = plan.knowns.len() + m;
        let count = inputs + self.count;
        for k in 0..inputs {
            self.values[k] = self.x[n + k];
        }
        for a in 0..self.count {
            self.values[inputs + a] = self.current[a];
        }
        if !plan.outputs.is_empty() {
            let currents = &mut self.x[n + inputs..];
            for i in &mut *currents {
                *i = 0.0;
            }
            for a in 0..self.count {
                currents[self.active[a]] = self.current[a];
            }
            let rows = self.outputs.len();
            plan.to_outputs.product(&self.zeros[..rows], &self.x, &mut self.outputs);
            for k in 0..plan.outputs.len() {
                outputs[plan.outputs[k]] = self.outputs[k];
            }
        }
        let states = &self.x[..n];
        if let Some(dense) = &plan.dense {
            dense.product(&self.zeros[..self.next.len()], states, &mut self.next);
        } else {
            let (diagonal, cross) = (&plan.diagonal[..n], &plan.cross[..n]);
            let next = &mut self.next[..n];
            for k in 0..n / 2 {
                let (a, b) = (2 * k, 2 * k + 1);
                next[a] = diagonal[a] * states[a] + cross[a] * states[b];
                next[b] = diagonal[b] * states[b] + cross[b] * states[a];
            }
            if n % 2 == 1 {
                next[n - 1] = diagonal[n - 1] * states[n - 1];
            }
        }
        plan.inputs.add_columns(&self.columns[..count], &self.values[..count], &mut self.next);
        for k in 0..n {
            self.x[k] = self.next[k];
        }
        self.last = self.v;
        std::mem::swap(&mut self.p_last, &mut self.p);
    }

    fn is_finite(&self) -> bool {
        self.v.iter().all(|v| v.is_finite())
    }

    fn abandon(&mut self) {
        self.v = self.last;
        self.before = self.last;
        self.earlier = self.last;
        self.worn = true;
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
        // The charge of every capacitor is kept; the history is a deviation from rest, and what is at
        // rest differs.
        let n = new.states;
        for k in 0..n {
            let now = (0..n).map(|c| old.to_states[(k, c)] * self.x[c]).sum::<f64>();
            self.next[k] = now + old.rest_states[k] - new.rest_states[k];
        }
        for k in 0..n {
            self.x[k] = (0..n).map(|c| new.from_states[(k, c)] * self.next[c]).sum();
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
        if std::ptr::eq(old, new) {
            // Nothing was turned: all of it, what it guesses from as well, so that not a digit moves.
            *self = Self {
                x: refilled(&mut self.x, &other.x),
                next: refilled(&mut self.next, &other.next),
                columns: refilled(&mut self.columns, &other.columns),
                values: refilled(&mut self.values, &other.values),
                p: refilled(&mut self.p, &other.p),
                p_start: refilled(&mut self.p_start, &other.p_start),
                p_last: refilled(&mut self.p_last, &other.p_last),
                p_target: refilled(&mut self.p_target, &other.p_target),
                outputs: refilled(&mut self.outputs, &other.outputs),
                zeros: refilled(&mut self.zeros, &other.zeros),
                ..*other
            };
            return true;
        }
        self.x.copy_from_slice(&other.x);
        self.p.copy_from_slice(&other.p);
        self.p_last.copy_from_slice(&other.p_last);
        self.v = other.v;
        self.last = other.last;
        self.change_plan(old, new);
        // Only guesses.
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

/// Inverse of the leading n x n part by Gauss-Jordan elimination. Rows are exchanged only where the
/// diagonal is small: the matrices are near the identity for networks of resistors and valves.
#[inline(always)]
fn inverted<const Q: usize>(left: &mut [[f64; Q]; Q], n: usize) -> [[f64; Q]; Q] {
    let mut right = [[0.0; Q]; Q];
    for k in 0..n {
        right[k][k] = 1.0;
    }
    for pivot in 0..n {
        if left[pivot][pivot].abs() < 0.05 {
            exchange(left, &mut right, n, pivot);
        }
        let scale = 1.0 / left[pivot][pivot];
        for c in 0..n {
            left[pivot][c] *= scale;
            right[pivot][c] *= scale;
        }
        let (line, known) = (left[pivot], right[pivot]);
        for row in (0..n).filter(|r| *r != pivot) {
            let factor = left[row][pivot];
            if factor == 0.0 {
                continue;
            }
            for c in pivot..n {
                left[row][c] -= factor * line[c];
            }
            for c in 0..n {
                right[row][c] -= factor * known[c];
            }
        }
    }
    right
}

#[cold]
fn exchange<const Q: usize>(
    left: &mut [[f64; Q]; Q],
    right: &mut [[f64; Q]; Q],
    n: usize,
    pivot: usize,
) {
    let size = |row: usize| left[row][pivot].abs();
    let best = (pivot..n).max_by(|&a, &b| size(a).total_cmp(&size(b))).unwrap_or(pivot);
    left.swap(best, pivot);
    right.swap(best, pivot);
}
