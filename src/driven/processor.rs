//! A plan while it runs. Nothing here allocates, locks, prints or panics.

use std::sync::Arc;

use super::error::DrivenError;
use super::halfband::{LONGEST_STRETCH, Stretch};
use super::oversample::{Downsampler, MOST_FACTOR, Raised, Upsampler};
use super::plan::DrivenPlan;
use super::solver::Solver;
use super::statistics::{Report, ValveTally, report};
use crate::simd::{Work, widest};

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

impl DrivenProcessor {
    pub(super) fn new(plan: Arc<DrivenPlan>) -> Self {
        let outputs = plan.outputs();
        Self {
            solver: Solver::new(&plan),
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
                    self.fine[y][at] = self.solver.output(y);
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
        self.solver.change_plan(&self.plan, plan);
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
        if !same_shape(&other.plan, &self.plan)
            || !self.solver.take_over(&other.solver, &other.plan, &self.plan)
        {
            return Err(DrivenError::Different);
        }
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

    /// Internal steps so far, and how many of them were divided.
    pub fn steps(&self) -> (u64, u64) {
        (self.solver.steps, self.solver.divided_steps)
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
        && a.finer.len() == b.finer.len()
        && a.oversampling() == b.oversampling()
        && a.outputs() == b.outputs()
        && supply(a) == supply(b)
        && a.blocks
            .iter()
            .zip(&b.blocks)
            .all(|(a, b)| a.states == b.states && a.ports == b.ports && a.tears == b.tears)
}
