//! The phases of a step.

use super::Exchange;
use super::errors::{MENDABLE, MOST_MENDS};
use super::fitted::Fitted;
use super::ports::{Ports, add_slopes, foretold};
use crate::driven::block::PlannedBlock;
use crate::driven::inverse::{invert, unit};
use crate::driven::panels::{add_listed, add_picked, add_products};
use crate::driven::statistics::ValveTally;
use crate::simd::{QUAD, Quad, Work, widest};

impl<const W: usize, const R: usize> Fitted<W, R> {
    /// Takes the slopes at the guess: which ports conduct, the inverse of `I - D K` for them, and what
    /// follows from it. Out of the way of what is done in every step.
    #[inline(never)]
    pub fn renew(&mut self, plan: &PlannedBlock) {
        widest(Renew(self, plan));
    }
}

/// The phases of a step, as work for the widest vectors.
pub struct Begin<'a, const W: usize, const R: usize>(
    pub &'a mut Fitted<W, R>,
    pub &'a PlannedBlock,
    pub &'a [f64],
);
pub struct Renew<'a, const W: usize, const R: usize>(
    pub &'a mut Fitted<W, R>,
    pub &'a PlannedBlock,
);
pub struct Eliminate<'a, const W: usize, const R: usize> {
    pub block: &'a mut Fitted<W, R>,
    pub plan: &'a PlannedBlock,
    pub exchanges: &'a mut [Exchange],
    pub own: usize,
    pub renew: bool,
}
pub struct Substitute<'a, const W: usize, const R: usize> {
    pub block: &'a mut Fitted<W, R>,
    pub plan: &'a PlannedBlock,
    pub exchanges: &'a mut [Exchange],
    pub own: usize,
}
pub struct Finish<'a, const W: usize, const R: usize> {
    pub block: &'a mut Fitted<W, R>,
    pub plan: &'a PlannedBlock,
    pub outputs: Option<&'a mut [f64]>,
    pub valves: &'a mut [ValveTally],
}

impl<const W: usize, const R: usize> Work for Begin<'_, W, R> {
    type Output = ();

    #[inline(always)]
    fn run(self) {
        let Self(block, plan, known) = self;
        let inputs_at = plan.padded_states();
        for k in 0..plan.knowns.len() {
            block.x[inputs_at + k] = known[plan.knowns[k]];
        }
        if plan.has_no_ports() {
            return;
        }
        let mut p = [Quad::ZERO; W];
        for q in 0..W {
            p[q] = block.p_start.quad(q);
        }
        add_products(&mut p, &block.to_ports, &block.x);
        for q in 0..W {
            block.p.set_quad(q, p[q]);
            let (last, before) = (block.last.quad(q), block.before.quad(q));
            let (earlier, oldest) = (block.earlier.quad(q), block.oldest.quad(q));
            block.v.set_quad(q, foretold([&last, &before, &earlier, &oldest]));
            block.oldest.set_quad(q, earlier);
            block.earlier.set_quad(q, before);
            block.before.set_quad(q, last);
        }
        block.guesses = 0;
    }
}

impl<const W: usize, const R: usize> Work for Renew<'_, W, R> {
    type Output = ();

    #[inline(always)]
    fn run(self) {
        let Self(block, plan) = self;
        block.choose_active(plan);
        let active = &block.active[..block.count];
        let inverse = &mut block.inverse[..active.len()];
        let places = &plan.places[..block.lines.len()];
        let kept = &block.kept[..block.lines.len()];
        for at in 0..active.len() {
            // The port's column of I - D K.
            let port = active[at];
            let (mut volts, mut taken) = (Ports::<R>::ZERO, Ports::<R>::ZERO);
            for q in 0..W {
                volts.set_quad(q, block.coupling[port][q]);
            }
            for n in 0..kept.len() {
                let first = places[n].0;
                let mut sum = Quad::ZERO;
                let own = &volts.0[first..first + QUAD];
                add_slopes(&mut sum, |c| kept[n].slopes[c], own, places[n].1);
                taken.set_window(first, &sum);
            }
            let one = unit::<W>(port);
            for q in 0..W {
                inverse[at][q] = one[q].less(&taken.quad(q));
            }
        }
        invert(inverse, active);
        for t in 0..plan.tears {
            let drive = &block.drives[t];
            let mut right = Ports::<R>::ZERO;
            for n in 0..kept.len() {
                let (first, own) = plan.places[n];
                let mut sum = Quad::ZERO;
                for c in 0..own {
                    let port = first + c;
                    sum.add(&kept[n].slopes[c], drive[port / QUAD].0[port % QUAD]);
                }
                right.set_window(first, &sum);
            }
            let mut currents = [Quad::ZERO; W];
            add_picked(&mut currents, inverse, active, &right.0);
            block.by_drive[t] = currents;
        }
        block.stale = false;
        block.set_load_slopes(plan);
    }
}

impl<const W: usize, const R: usize> Work for Eliminate<'_, W, R> {
    type Output = ();

    #[inline(always)]
    fn run(self) {
        let Self { block, plan, exchanges, own, renew } = self;
        block.linearise(plan, exchanges);
        if renew || block.stale || block.are_worn(plan) {
            block.renew(plan);
        }
        let mut away = Ports::<R>::ZERO;
        for q in 0..W {
            away.set_quad(q, block.p.quad(q).less(&block.v.quad(q)));
        }
        let mut right = Ports::<R>::ZERO;
        let places = &plan.places[..block.lines.len()];
        let kept = &block.kept[..block.lines.len()];
        for n in 0..block.lines.len() {
            let first = places[n].0;
            let mut sum = block.lines[n].current_a;
            let own = &away.0[first..first + QUAD];
            add_slopes(&mut sum, |c| kept[n].slopes[c], own, places[n].1);
            // What lies beyond the device's own ports is the next one's, and written after this.
            right.set_window(first, &sum);
        }
        let mut current = [Quad::ZERO; W];
        let active = &block.active[..block.count];
        add_picked(&mut current, &block.inverse[..block.count], active, &right.0);
        block.current = current;
        if plan.loads {
            block.tell_load(plan, &mut exchanges[own]);
        }
    }
}

impl<const W: usize, const R: usize> Work for Substitute<'_, W, R> {
    type Output = f64;

    #[inline(always)]
    fn run(self) -> f64 {
        let Self { block, plan, exchanges, own } = self;
        let currents_at = plan.currents_at();
        let drive_at = currents_at - plan.tears;
        if plan.has_no_ports() {
            for t in 0..plan.tears {
                block.x[drive_at + t] = exchanges[own].drive[t];
            }
            return 0.0;
        }
        let mut new = [Quad::ZERO; W];
        for q in 0..W {
            new[q] = block.p.quad(q);
        }
        let mut current = block.current;
        for t in 0..plan.tears {
            let drive = exchanges[own].drive[t];
            block.x[drive_at + t] = drive;
            let (by_drive, drives) = (&block.by_drive[t], &block.drives[t]);
            for q in 0..W {
                current[q].add(&by_drive[q], drive);
                new[q].add(&drives[q], drive);
            }
        }
        let x = &mut block.x[currents_at..currents_at + W * QUAD];
        let (quads, _) = x.as_chunks_mut::<QUAD>();
        for q in 0..W {
            quads[q] = current[q].0;
        }
        add_listed(&mut new, &block.coupling, &block.active[..block.count], x);
        for q in 0..W {
            block.step.set_quad(q, new[q].less(&block.v.quad(q)));
            block.v.set_quad(q, new[q]);
        }
        let (mut wear, rest) = block.left(plan);
        if wear > 1.0 && wear <= MENDABLE && rest <= 1.0 {
            block.unmended = block.step;
            let mut mended = 0;
            while wear > 1.0 && mended < MOST_MENDS {
                wear = block.mend(plan);
                mended += 1;
            }
        }
        if block.guesses < block.misses.len() {
            block.misses[block.guesses] = block.step;
        }
        block.guesses += 1;
        for child in &plan.children {
            for t in 0..child.tears {
                exchanges[child.block].drive[t] = block.v.0[child.first_port + t];
            }
        }
        wear + rest
    }
}

impl<const W: usize, const R: usize> Work for Finish<'_, W, R> {
    type Output = ();

    #[inline(always)]
    fn run(self) {
        let Self { block, plan, outputs, valves } = self;
        for device in &plan.devices {
            if let Some(tally) = device.valve.and_then(|v| valves.get_mut(v)) {
                tally.add(block.v.0[device.first_port]);
            }
        }
        if let Some(outputs) = outputs
            && !plan.outputs.is_empty()
        {
            plan.to_outputs.product(&block.x, &mut block.outputs);
            for k in 0..plan.outputs.len() {
                outputs[plan.outputs[k]] = block.outputs[k];
            }
        }
        let (states, rest) = block.x.split_at_mut(plan.padded_states());
        block.history_before.copy_from_slice(states);
        if let Some(dense) = &plan.dense {
            dense.product(states, &mut block.next);
            states.copy_from_slice(&block.next);
        } else {
            let (quads, _) = states.as_chunks_mut::<QUAD>();
            let (diagonal, cross) = (&plan.diagonal[..quads.len()], &plan.cross[..quads.len()]);
            for q in 0..quads.len() {
                let s = quads[q];
                let swapped = Quad([s[1], s[0], s[3], s[2]]);
                let kept = diagonal[q].times(&Quad(s));
                quads[q] = kept.plus(&cross[q].times(&swapped)).0;
            }
        }
        plan.inputs.add_product(rest, states);
        for q in 0..W {
            block.last.set_quad(q, block.v.quad(q));
        }
    }
}
