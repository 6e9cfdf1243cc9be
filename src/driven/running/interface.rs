//! What the solver asks of a block.

use std::any::Any;

use super::fitted::Fitted;
use super::ports::Ports;
use super::step::{Begin, Eliminate, Finish, Substitute};
use super::{Exchange, Running};
use crate::driven::block::PlannedBlock;
use crate::driven::discrete::THETA;
use crate::driven::statistics::ValveTally;
use crate::simd::{Quad, larger, widest};

impl<const W: usize, const R: usize> Running for Fitted<W, R> {
    fn begin(&mut self, plan: &PlannedBlock, known: &[f64]) {
        widest(Begin(self, plan, known));
    }

    fn eliminate(
        &mut self,
        plan: &PlannedBlock,
        exchanges: &mut [Exchange],
        own: usize,
        renew: bool,
    ) {
        widest(Eliminate { block: self, plan, exchanges, own, renew });
    }

    fn substitute(&mut self, plan: &PlannedBlock, exchanges: &mut [Exchange], own: usize) -> f64 {
        widest(Substitute { block: self, plan, exchanges, own })
    }

    fn finish(
        &mut self,
        plan: &PlannedBlock,
        outputs: Option<&mut [f64]>,
        valves: &mut [ValveTally],
    ) {
        widest(Finish { block: self, plan, outputs, valves });
    }

    fn shorten(&mut self) {
        for (v, step) in self.v.0.iter_mut().zip(&self.step.0) {
            *v -= 0.5 * step;
        }
    }

    fn is_finite(&self) -> bool {
        self.v.0.iter().all(|v| v.is_finite())
    }

    fn abandon(&mut self) {
        self.x.fill(0.0);
        self.history_before.fill(0.0);
        let rest = self.p_start;
        (self.v, self.last) = (rest, rest);
        (self.before, self.earlier, self.oldest) = (rest, rest, rest);
        self.misses = [Ports::ZERO; 2];
        self.stale = true;
    }

    fn mark(&mut self, plan: &PlannedBlock) {
        self.marked = self.v;
        self.marked_currents.copy_from_slice(&self.x[plan.currents_at() - plan.tears..]);
    }

    fn halve(&mut self, plan: &PlannedBlock) {
        for (v, marked) in self.v.0.iter_mut().zip(&self.marked.0) {
            *v = 0.5 * (*v + marked);
        }
        let x = &mut self.x[plan.currents_at() - plan.tears..];
        for (x, marked) in x.iter_mut().zip(&self.marked_currents) {
            *x = 0.5 * (*x + marked);
        }
    }

    fn mismatch(&mut self, plan: &PlannedBlock) -> f64 {
        let currents = &self.x[plan.currents_at()..];
        let (mut largest, mut check) = (0.0, 0.0);
        for (device, line) in plan.devices.iter().zip(&mut self.lines) {
            let first = device.first_port;
            device.law.linearise(&self.v.0[first..], &device.rest_current, line);
            for k in 0..device.ports {
                let off = (line.current_a.0[k] - currents[first + k]).abs();
                largest = larger(off * self.current_exactness.0[first + k], largest);
                check += 0.0 * (off + self.v.0[first + k]);
            }
        }
        largest + check
    }

    fn start_over(&mut self) {
        self.v = self.last;
    }

    fn change_plan(&mut self, old: &PlannedBlock, new: &PlannedBlock) {
        // The charge of every capacitor is kept; the history is a deviation from rest, and what is at
        // rest differs.
        let n = new.states;
        for history in [&mut self.x, &mut self.history_before] {
            for k in 0..n {
                let there = (0..n).map(|c| old.base.to_states[(k, c)] * history[c]).sum::<f64>();
                self.next[k] = there + old.rest_states[k] - new.rest_states[k];
            }
            for k in 0..n {
                history[k] = (0..n).map(|c| new.base.from_states[(k, c)] * self.next[c]).sum();
            }
        }
        self.p_start.0[..new.ports].copy_from_slice(&new.rest_volts);
        self.set_matrices(new);
        self.before = self.last;
        self.earlier = self.last;
        self.oldest = self.last;
    }

    fn take_over(&mut self, other: &dyn Running, old: &PlannedBlock, new: &PlannedBlock) -> bool {
        let Some(other) = other.as_any().downcast_ref::<Self>() else { return false };
        if self.x.len() != other.x.len()
            || self.active.len() != other.active.len()
            || self.lines.len() != other.lines.len()
        {
            return false;
        }
        self.x.copy_from_slice(&other.x);
        self.history_before.copy_from_slice(&other.history_before);
        (self.p, self.v, self.last) = (other.p, other.v, other.last);
        if std::ptr::eq(old, new) {
            // Nothing was turned: the kept slopes as well, so that not a digit moves.
            self.p_start = other.p_start;
            self.active.copy_from_slice(&other.active);
            self.count = other.count;
            self.lines.copy_from_slice(&other.lines);
            self.kept.copy_from_slice(&other.kept);
            self.inverse.copy_from_slice(&other.inverse);
            self.by_drive = other.by_drive;
            self.load_s = other.load_s;
            self.stale = other.stale;
            self.misses = other.misses;
        } else {
            self.change_plan(old, new);
        }
        // Only guesses.
        (self.before, self.earlier, self.oldest) = (other.before, other.earlier, other.oldest);
        true
    }

    fn surprise(&self) -> f64 {
        let mut off = Quad::ZERO;
        for q in 0..W {
            off = off.larger_size(&self.misses[0].quad(q).times(&self.exactness[q]));
        }
        off.largest()
    }

    fn go_on_from(&mut self, other: &dyn Running, ratio: f64) {
        let Some(other) = other.as_any().downcast_ref::<Self>() else { return };
        // `s = z + (1 - t) h dz/dt` depends on the step `h`, but `z` and its slope do not, and are in two
        // histories of one step: `s - s_before = h dz/dt`.
        let share = (1.0 - THETA) * (1.0 - ratio);
        for k in 0..self.history_before.len() {
            let rise = other.x[k] - other.history_before[k];
            self.x[k] = other.x[k] - share * rise;
            self.history_before[k] = self.x[k] - ratio * rise;
        }
        (self.v, self.last) = (other.v, other.last);
        if ratio < 1.0 {
            // The other one has begun its step, so that what is before for it is the last solution.
            for q in 0..W {
                let rise = other.last.quad(q).less(&other.earlier.quad(q)).by(ratio);
                let mut at = other.last.quad(q);
                for past in [&mut self.before, &mut self.earlier, &mut self.oldest] {
                    at = at.less(&rise);
                    past.set_quad(q, at);
                }
            }
        }
    }

    fn as_any(&self) -> &dyn Any {
        self
    }

    fn boxed_clone(&self) -> Box<dyn Running> {
        Box::new(self.clone())
    }
}
