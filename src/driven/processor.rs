//! A plan while it runs. Nothing here allocates, locks, prints or panics.

use std::sync::Arc;

use super::block::RunningBlock;
use super::error::DrivenError;
use super::halfband::{Past, dot};
use super::oversample::{Downsampler, MOST_FACTOR, Upsampler};
use super::plan::DrivenPlan;
use super::statistics::{Report, ValveTally, report};

/// Newton has converged when no device's port moves further than this. What is left of the
/// error is of second order: below a microvolt at a plate.
const TOLERANCE_V: f64 = 1e-4;
/// Plain Newton steps before the damping sets in.
const PLAIN_STEPS: usize = 8;
/// Steps after which the best that was found is taken.
const MOST_STEPS: usize = 60;
/// Input beyond this many volts is clipped: no source in front of an amp gives more.
const LARGEST_INPUT_V: f64 = 1e4;

/// Counts of what went wrong.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Troubles {
    /// Steps in which Newton did not reach its tolerance.
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
    blocks: Vec<RunningBlock>,
    up: Upsampler,
    down: Vec<Downsampler>,
    past: Vec<Past>,
    /// Outputs of one sample at the internal rate.
    fine: Vec<[f64; MOST_FACTOR]>,
    step_outputs: Vec<f64>,
    valves: Vec<ValveTally>,
    troubles: Troubles,
    steps: u64,
    newton_steps: u64,
}

impl DrivenProcessor {
    pub(super) fn new(plan: Arc<DrivenPlan>) -> Self {
        let outputs = plan.outputs();
        Self {
            blocks: plan.blocks.iter().map(RunningBlock::new).collect(),
            up: Upsampler::new(&plan.oversampling),
            down: (0..outputs).map(|_| Downsampler::new(&plan.oversampling)).collect(),
            past: plan.equalisers.iter().map(|e| Past::new(e.len())).collect(),
            fine: vec![[0.0; MOST_FACTOR]; outputs],
            step_outputs: vec![0.0; outputs],
            valves: plan.valves.iter().map(ValveTally::new).collect(),
            troubles: Troubles::default(),
            steps: 0,
            newton_steps: 0,
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
        for (x, y) in input.iter().zip(output) {
            self.sample(*x);
            *y = self.output(0);
        }
    }

    /// The same for all outputs: `outputs` has one slice for each, as long as the input.
    pub fn process_all_into(&mut self, input: &[f64], outputs: &mut [&mut [f64]]) {
        for (n, x) in input.iter().enumerate() {
            self.sample(*x);
            for (k, out) in outputs.iter_mut().enumerate().take(self.fine.len()) {
                if let Some(y) = out.get_mut(n) {
                    *y = self.output(k);
                }
            }
        }
    }

    fn output(&self, k: usize) -> f64 {
        dot(&self.plan.equalisers[k], self.past[k].values())
    }

    fn sample(&mut self, x: f64) {
        let x = if x.is_finite() && x.abs() <= LARGEST_INPUT_V {
            x
        } else {
            self.troubles.bad_input += 1;
            if x.is_nan() { 0.0 } else { x.clamp(-LARGEST_INPUT_V, LARGEST_INPUT_V) }
        };
        let plan = Arc::clone(&self.plan);
        let mut raised = [0.0; MOST_FACTOR];
        self.up.push(&plan.oversampling, x, &mut raised);
        for (k, &u) in raised[..plan.oversampling.factor()].iter().enumerate() {
            self.step(&plan, u);
            for (fine, &y) in self.fine.iter_mut().zip(&self.step_outputs) {
                fine[k] = y;
            }
        }
        for ((down, fine), past) in self.down.iter_mut().zip(&mut self.fine).zip(&mut self.past) {
            past.push(down.push(&plan.oversampling, fine));
        }
    }

    /// One internal step.
    fn step(&mut self, plan: &DrivenPlan, u: f64) {
        self.steps += 1;
        for (block, planned) in self.blocks.iter_mut().zip(&plan.blocks) {
            block.begin(planned, u);
        }
        let mut share = 1.0;
        let mut converged = false;
        for count in 0..MOST_STEPS {
            self.newton_steps += 1;
            let largest = self.newton(plan, share);
            if largest <= TOLERANCE_V {
                converged = true;
                break;
            }
            if !largest.is_finite() || count == PLAIN_STEPS {
                self.blocks.iter_mut().for_each(RunningBlock::restart);
                share = 0.7;
            } else if count > PLAIN_STEPS && count % 12 == 0 {
                share *= 0.6;
            }
        }
        if !self.blocks.iter().all(RunningBlock::is_finite) {
            self.troubles.not_finite += 1;
            self.blocks.iter_mut().for_each(RunningBlock::abandon);
            return;
        }
        if !converged {
            self.troubles.not_converged += 1;
        }
        for (block, planned) in self.blocks.iter_mut().zip(&plan.blocks) {
            for device in &planned.devices {
                if let Some(tally) = device.valve.and_then(|v| self.valves.get_mut(v)) {
                    tally.add(block.v[device.first_port]);
                }
            }
            block.finish(planned, &mut self.step_outputs);
        }
        for &k in &plan.straight_outputs {
            self.step_outputs[k] = u;
        }
    }

    /// One Newton step of the whole circuit: up through the blocks, then down.
    #[inline(always)]
    fn newton(&mut self, plan: &DrivenPlan, share: f64) -> f64 {
        for index in (0..self.blocks.len()).rev() {
            let (upper, lower) = self.blocks.split_at_mut(index + 1);
            upper[index].eliminate(&plan.blocks[index], &plan.softplus, lower, index + 1);
        }
        let mut largest = 0.0f64;
        for index in 0..self.blocks.len() {
            let (above, here) = self.blocks.split_at_mut(index);
            let planned = &plan.blocks[index];
            let parent = planned.parent.map(|p| &above[p]);
            let moved = here[0].substitute(planned, parent, share);
            largest = if moved <= largest { largest } else { moved };
        }
        largest
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
        let same = self.plan.blocks.len() == plan.blocks.len()
            && self.plan.oversampling() == plan.oversampling()
            && self.plan.outputs() == plan.outputs()
            && self
                .plan
                .blocks
                .iter()
                .zip(&plan.blocks)
                .all(|(a, b)| a.states == b.states && a.ports == b.ports && a.tears == b.tears);
        if !same {
            return Err(DrivenError::Different);
        }
        for ((running, old), new) in self.blocks.iter_mut().zip(&self.plan.blocks).zip(&plan.blocks)
        {
            running.change_plan(old, new);
        }
        self.plan = plan.clone();
        Ok(())
    }

    /// What went wrong so far.
    pub fn troubles(&self) -> Troubles {
        self.troubles
    }

    /// Newton steps for each internal step, on average.
    pub fn mean_newton_steps(&self) -> f64 {
        self.newton_steps as f64 / (self.steps.max(1)) as f64
    }

    /// How far each valve was driven so far. Allocates.
    pub fn report(&self) -> Report {
        report(&self.plan.valves, &self.valves, self.troubles, self.mean_newton_steps())
    }
}
