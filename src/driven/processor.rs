//! A plan while it runs. Nothing here allocates, locks, prints or panics.

use std::sync::Arc;

use super::error::DrivenError;
use super::halfband::{LONGEST_STRETCH, Stretch};
use super::oversample::{Downsampler, MOST_FACTOR, Raised, Upsampler};
use super::plan::DrivenPlan;
use super::running::{Exchange, Running, running};
use super::statistics::{Report, ValveTally, report};
use crate::simd::{Work, widest};

/// Newton steps in one go, and after how many every other one goes only half the way.
const MOST_STEPS: usize = 24;
const FULL_STEPS: usize = 8;
/// Steps that may be tried with care, which share of what a step promises it must hold, and the least part of
/// one that is tried.
const CAREFUL_STEPS: usize = 200;
const LEAST_GAIN: f64 = 0.1;
const SHORTEST_SHARE: f64 = 1e-9;
/// Input beyond this many volts is clipped: no source in front of an amp gives more.
const LARGEST_INPUT_V: f64 = 300.0;

/// Counts of what went wrong.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Troubles {
    /// Steps in which Newton did not reach its tolerance, even with care.
    pub not_converged: u64,
    /// Steps given up because a value was not finite.
    pub not_finite: u64,
    /// Input samples that were not finite, taken as zero, or clipped.
    pub bad_input: u64,
}

/// A circuit running in time.
#[derive(Clone, Debug)]
pub struct DrivenProcessor {
    plan: Arc<DrivenPlan>,
    solver: Solver,
    up: Upsampler,
    down: Vec<Downsampler>,
    lowered: Vec<Stretch>,
    /// The input and the outputs of a stretch at the internal rate.
    raised: Box<Raised>,
    fine: Vec<Raised>,
    bad_input: u64,
}

/// A signal to run over.
struct Run<'a, 'b> {
    processor: &'a mut DrivenProcessor,
    input: &'a [f64],
    outputs: &'a mut [&'b mut [f64]],
}

impl Work for Run<'_, '_> {
    type Output = ();

    #[inline(always)]
    fn run(self) {
        let mut at = 0;
        while at < self.input.len() {
            let count = LONGEST_STRETCH.min(self.input.len() - at);
            self.processor.stretch(&self.input[at..at + count]);
            for k in 0..self.outputs.len().min(self.processor.lowered.len()) {
                let from = at.min(self.outputs[k].len());
                let to = (at + count).min(self.outputs[k].len());
                self.processor.output(k, &mut self.outputs[k][from..to]);
            }
            self.processor.end_stretch(count);
            at += count;
        }
    }
}

/// The circuit at the internal rate.
#[derive(Debug)]
struct Solver {
    blocks: Vec<Box<dyn Running>>,
    supply: Option<Box<dyn Running>>,
    /// The signal, then the supply voltages (deviation from rest) as the last steps foretell them.
    knowns: Vec<f64>,
    supply_before: Vec<f64>,
    /// What they gain in an internal step.
    supply_rise: Vec<f64>,
    exchanges: Vec<Exchange>,
    outputs: Vec<f64>,
    valves: Vec<ValveTally>,
    not_converged: u64,
    not_finite: u64,
    steps: u64,
    newton_steps: u64,
}

impl DrivenProcessor {
    pub(super) fn new(plan: Arc<DrivenPlan>) -> Self {
        let outputs = plan.outputs();
        Self {
            solver: Solver {
                blocks: plan.blocks.iter().map(running).collect(),
                supply: plan.supply.as_ref().map(|s| running(&s.block)),
                knowns: vec![0.0; 1 + plan.supply.as_ref().map_or(0, |s| s.nodes)],
                supply_before: vec![0.0; plan.supply.as_ref().map_or(0, |s| s.nodes)],
                supply_rise: vec![0.0; plan.supply.as_ref().map_or(0, |s| s.nodes)],
                exchanges: vec![Exchange::default(); plan.blocks.len()],
                outputs: vec![
                    0.0;
                    plan.supply.as_ref().map_or(outputs, |s| s.first_output + s.nodes)
                ],
                valves: plan.valves.iter().map(ValveTally::new).collect(),
                not_converged: 0,
                not_finite: 0,
                steps: 0,
                newton_steps: 0,
            },
            up: Upsampler::new(&plan.oversampling),
            down: (0..outputs).map(|_| Downsampler::new(&plan.oversampling)).collect(),
            lowered: plan
                .equalisers
                .iter()
                .map(|e| Stretch::new(e.len(), LONGEST_STRETCH))
                .collect(),
            raised: Box::new([0.0; LONGEST_STRETCH * MOST_FACTOR]),
            fine: vec![[0.0; LONGEST_STRETCH * MOST_FACTOR]; outputs],
            bad_input: 0,
            plan,
        }
    }

    /// The plan that runs.
    pub fn plan(&self) -> &Arc<DrivenPlan> {
        &self.plan
    }

    /// Runs over a stretch: volts in, volts of the first output out (deviation from rest), each
    /// sample delayed by [`DrivenPlan::delay_samples`]. The shorter slice decides the length.
    pub fn process_into(&mut self, input: &[f64], output: &mut [f64]) {
        let count = input.len().min(output.len());
        self.process_all_into(&input[..count], &mut [output]);
    }

    /// The same for all outputs: `outputs` has one slice for each, as long as the input.
    pub fn process_all_into(&mut self, input: &[f64], outputs: &mut [&mut [f64]]) {
        widest(Run { processor: self, input, outputs });
    }

    /// Takes a stretch of input through the circuit, up to where the outputs' equalisers begin.
    #[inline(always)]
    fn stretch(&mut self, input: &[f64]) {
        let count = input.len();
        let mut x = [0.0; LONGEST_STRETCH];
        for n in 0..count {
            x[n] = self.usable(input[n]);
        }
        let plan = &*self.plan;
        let factor = plan.oversampling.factor();
        self.up.process(&plan.oversampling, &x[..count], &mut self.raised);
        for n in 0..count {
            for k in 0..factor {
                let at = n * factor + k;
                self.solver.step(plan, self.raised[at], k);
                for y in 0..self.fine.len() {
                    self.fine[y][at] = self.solver.outputs[y];
                }
            }
        }
        for y in 0..self.fine.len() {
            let mut low = [0.0; LONGEST_STRETCH];
            self.down[y].process(&plan.oversampling, &mut self.fine[y], &mut low[..count]);
            self.lowered[y].take(count, |n| low[n]);
        }
    }

    /// One output of the stretch.
    #[inline(always)]
    fn output(&self, k: usize, out: &mut [f64]) {
        self.lowered[k].filtered(&self.plan.equalisers[k], out.len(), |n, y| out[n] = y);
    }

    #[inline(always)]
    fn end_stretch(&mut self, count: usize) {
        for k in 0..self.lowered.len() {
            self.lowered[k].end(count);
        }
    }

    /// A sample of the input, or what is taken for it.
    #[inline(always)]
    fn usable(&mut self, x: f64) -> f64 {
        if x.is_finite() && x.abs() <= LARGEST_INPUT_V {
            return x;
        }
        self.bad_input += 1;
        if x.is_nan() { 0.0 } else { x.clamp(-LARGEST_INPUT_V, LARGEST_INPUT_V) }
    }

    /// Back to rest, with all counts at zero.
    pub fn reset(&mut self) {
        *self = Self::new(self.plan.clone());
    }

    /// Goes on with another plan of the same parts (a knob was turned, a value changed), keeping
    /// the charge of every capacitor. Allocates: not for the inside of a loop.
    ///
    /// # Errors
    /// [`DrivenError::Different`] if the plans do not have the same blocks, states and ports.
    pub fn change_plan(&mut self, plan: &Arc<DrivenPlan>) -> Result<(), DrivenError> {
        if !same_shape(&self.plan, plan) {
            return Err(DrivenError::Different);
        }
        let blocks = self.solver.blocks.iter_mut();
        for ((running, old), new) in blocks.zip(&self.plan.blocks).zip(&plan.blocks) {
            running.change_plan(old, new);
        }
        let supplies = (&mut self.solver.supply, &self.plan.supply, &plan.supply);
        if let (Some(running), Some(old), Some(new)) = supplies {
            running.change_plan(&old.block, &new.block);
        }
        self.plan = plan.clone();
        Ok(())
    }

    /// Goes on where another processor stands, of a plan with the same parts (a knob was turned),
    /// which runs on by itself: the charge of every capacitor and the signal on its way through the
    /// filters. Counts stay its own. Allocates nothing, so a sound card's callback can fade from
    /// the one to the other.
    ///
    /// # Errors
    /// [`DrivenError::Different`] if the plans do not have the same blocks, states and ports; then
    /// its state is not to be relied on.
    pub fn take_over(&mut self, other: &Self) -> Result<(), DrivenError> {
        if !same_shape(&other.plan, &self.plan) {
            return Err(DrivenError::Different);
        }
        let (own, theirs) = (&mut self.solver, &other.solver);
        let plans = other.plan.blocks.iter().zip(&self.plan.blocks);
        for ((block, running), (old, new)) in own.blocks.iter_mut().zip(&theirs.blocks).zip(plans) {
            if !block.take_over(&**running, old, new) {
                return Err(DrivenError::Different);
            }
        }
        let supplies = (&mut own.supply, &theirs.supply, &other.plan.supply, &self.plan.supply);
        if let (Some(block), Some(running), Some(old), Some(new)) = supplies
            && !block.take_over(&**running, &old.block, &new.block)
        {
            return Err(DrivenError::Different);
        }
        own.knowns.copy_from_slice(&theirs.knowns);
        own.supply_before.copy_from_slice(&theirs.supply_before);
        own.supply_rise.copy_from_slice(&theirs.supply_rise);
        own.outputs.copy_from_slice(&theirs.outputs);
        self.up.copy_from(&other.up);
        for (own, theirs) in self.down.iter_mut().zip(&other.down) {
            own.copy_from(theirs);
        }
        for (own, theirs) in self.lowered.iter_mut().zip(&other.lowered) {
            own.copy_from(theirs);
        }
        Ok(())
    }

    /// What went wrong so far.
    pub fn troubles(&self) -> Troubles {
        Troubles {
            not_converged: self.solver.not_converged,
            not_finite: self.solver.not_finite,
            bad_input: self.bad_input,
        }
    }

    /// Steps so far, and in how many of them the grid of a valve (in the plan's order) was above its
    /// cathode; since the report was last started. Zeros if there is no such valve.
    pub fn conduction(&self, valve: usize) -> (u64, u64) {
        self.solver.valves.get(valve).map_or((0, 0), ValveTally::conduction)
    }

    /// Newton steps for each internal step, on average.
    pub fn mean_newton_steps(&self) -> f64 {
        self.solver.newton_steps as f64 / (self.solver.steps.max(1)) as f64
    }

    /// Starts the report anew; the circuit runs on.
    pub fn restart_report(&mut self) {
        for (tally, valve) in self.solver.valves.iter_mut().zip(&self.plan.valves) {
            *tally = ValveTally::new(valve);
        }
    }

    /// How far each valve was driven so far. Allocates.
    pub fn report(&self) -> Report {
        let (troubles, mean) = (self.troubles(), self.mean_newton_steps());
        report(&self.plan.valves, &self.solver.valves, troubles, mean)
    }
}

/// Whether a state of the one can go on in the other.
fn same_shape(a: &DrivenPlan, b: &DrivenPlan) -> bool {
    let supply =
        |plan: &DrivenPlan| plan.supply.as_ref().map(|s| (s.block.states, s.nodes, s.first_output));
    a.blocks.len() == b.blocks.len()
        && a.oversampling() == b.oversampling()
        && a.outputs() == b.outputs()
        && supply(a) == supply(b)
        && a.blocks
            .iter()
            .zip(&b.blocks)
            .all(|(a, b)| a.states == b.states && a.ports == b.ports && a.tears == b.tears)
}

impl Solver {
    /// One internal step, the `count`th of a sample.
    // Loops by index: adapters of iterators are calls where the units of a crate are compiled apart.
    #[inline(always)]
    fn step(&mut self, plan: &DrivenPlan, u: f64, count: usize) {
        self.steps += 1;
        self.knowns[0] = u;
        for k in 0..self.blocks.len() {
            self.blocks[k].begin(&plan.blocks[k], &self.knowns);
        }
        let converged = self.newton(plan) || self.carefully(plan);
        // Nothing draws on these, so that they can wait for the rest to be solved.
        for at in 0..plan.tails.len() {
            let k = plan.tails[at];
            self.blocks[k].substitute(&plan.blocks[k], &mut self.exchanges, k);
        }
        // What converged is finite, and so are linear blocks driven by it.
        if !converged {
            self.not_converged += 1;
            if self.give_up_unless_finite() {
                return;
            }
        }
        let feeds = plan.supply.as_ref().is_some_and(|s| (count + 1).is_multiple_of(s.every));
        for k in 0..self.blocks.len() {
            let planned = &plan.blocks[k];
            // Currents drawn from the supply are needed when it makes a step.
            let outputs = if feeds || planned.asked_for { Some(&mut *self.outputs) } else { None };
            self.blocks[k].finish(planned, outputs, &mut self.valves);
        }
        if let (Some(supply), Some(planned)) = (&mut self.supply, &plan.supply) {
            if feeds {
                supply.begin(&planned.block, &self.outputs);
                supply.finish(&planned.block, Some(&mut self.outputs), &mut []);
                let share = 1.0 / planned.every as f64;
                for k in 0..planned.nodes {
                    let now = self.outputs[planned.first_output + k];
                    self.supply_rise[k] = (now - self.supply_before[k]) * share;
                    self.knowns[1 + k] = now;
                    self.supply_before[k] = now;
                }
            }
            for k in 0..planned.nodes {
                self.knowns[1 + k] += self.supply_rise[k];
            }
        }
        for at in 0..plan.straight_outputs.len() {
            self.outputs[plan.straight_outputs[at]] = u;
        }
    }

    /// Whether the step was given up since a voltage was no number.
    #[cold]
    fn give_up_unless_finite(&mut self) -> bool {
        let finite = self.blocks.iter().all(|b| b.is_finite());
        if !finite {
            self.not_finite += 1;
            self.blocks.iter_mut().for_each(|b| b.abandon());
        }
        !finite
    }

    /// Newton's method from the present guess; whether it came to rest.
    #[inline(always)]
    fn newton(&mut self, plan: &DrivenPlan) -> bool {
        for count in 0..MOST_STEPS {
            self.newton_steps += 1;
            // Kept slopes have their chance twice; then it is Newton's method to the letter.
            let renew = count >= 2;
            // Up through the blocks, then down.
            for at in (0..plan.core.len()).rev() {
                let k = plan.core[at];
                self.blocks[k].eliminate(&plan.blocks[k], &mut self.exchanges, k, renew);
            }
            let (mut largest, mut sum) = (0.0f64, 0.0);
            for at in 0..plan.core.len() {
                let k = plan.core[at];
                let left = self.blocks[k].substitute(&plan.blocks[k], &mut self.exchanges, k);
                largest = largest.max(left);
                sum += left;
            }
            if sum.is_nan() {
                return false;
            }
            if largest <= 1.0 {
                return true;
            }
            if count >= FULL_STEPS && count % 2 == 0 {
                self.blocks.iter_mut().for_each(|b| b.shorten());
            }
        }
        false
    }

    /// Newton's method from the last step's solution, no step of which may leave the currents further from the
    /// laws than they were: where a step does, half of it is tried, and so on. What Newton's method swings to
    /// and fro across, such as the corner where a plate crosses its cathode with the full inductance of a
    /// transformer behind it, it comes to rest at.
    #[cold]
    #[inline(never)]
    fn carefully(&mut self, plan: &DrivenPlan) -> bool {
        self.blocks.iter_mut().for_each(|b| b.start_over());
        let mut off = f64::INFINITY;
        for _ in 0..CAREFUL_STEPS {
            self.newton_steps += 1;
            for &k in plan.core.iter().rev() {
                self.blocks[k].eliminate(&plan.blocks[k], &mut self.exchanges, k, true);
                self.blocks[k].mark(&plan.blocks[k]);
            }
            for &k in &plan.core {
                self.blocks[k].substitute(&plan.blocks[k], &mut self.exchanges, k);
            }
            let (mut share, mut now) = (1.0, self.mismatch(plan));
            // What is no number gains nothing.
            let gains = |now: f64, share: f64| now <= (1.0 - LEAST_GAIN * share) * off;
            while !gains(now, share) && share > SHORTEST_SHARE {
                for &k in &plan.core {
                    self.blocks[k].halve(&plan.blocks[k]);
                }
                share *= 0.5;
                now = self.mismatch(plan);
            }
            if now <= 1.0 {
                return true;
            }
            off = now;
        }
        false
    }

    /// How far the currents are from the laws, in units of what is tolerated.
    fn mismatch(&mut self, plan: &DrivenPlan) -> f64 {
        let (mut largest, mut check) = (0.0f64, 0.0);
        for &k in &plan.core {
            let off = self.blocks[k].mismatch(&plan.blocks[k]);
            largest = largest.max(off);
            check += 0.0 * off;
        }
        largest + check
    }
}

impl Clone for Solver {
    fn clone(&self) -> Self {
        Self {
            blocks: self.blocks.iter().map(|b| b.boxed_clone()).collect(),
            supply: self.supply.as_ref().map(|s| s.boxed_clone()),
            knowns: self.knowns.clone(),
            supply_before: self.supply_before.clone(),
            supply_rise: self.supply_rise.clone(),
            exchanges: self.exchanges.clone(),
            outputs: self.outputs.clone(),
            valves: self.valves.clone(),
            ..*self
        }
    }
}
