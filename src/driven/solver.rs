//! A circuit's steps at the internal rate. Nothing here allocates, locks, prints or panics, but making it.

use super::block::PlannedBlock;
use super::plan::{DrivenPlan, PARTS};
use super::running::{Exchange, Running, running};
use super::sampling::Sampling;
use super::statistics::ValveTally;

/// Newton steps in one go, and after how many every other one goes only half the way.
const MOST_STEPS: usize = 24;
const FULL_STEPS: usize = 8;
/// Steps that may be tried with care, which share of what a step promises it must hold, and the least part of
/// one that is tried.
const CAREFUL_STEPS: usize = 200;
const LEAST_GAIN: f64 = 0.1;
const SHORTEST_SHARE: f64 = 1e-9;
/// A step is divided where its first guess was off by so many times what counts as come to rest (by 80 mV at a
/// triode's plate): where within the step a valve was cut off or a plate flew up matters then, and would come out
/// as aliases. A part is as sudden where that, times its share of the step, is as much: the error of a part is
/// as long as the part. With 60, cases of docs/driven.md come within 1 dB of the -80 dB that they are to keep.
const SUDDEN: f64 = 40.0;

/// The circuit at the internal rate.
#[derive(Debug)]
pub struct Solver {
    blocks: Vec<Box<dyn Running>>,
    /// The same for the parts of a divided step, and for the parts of such parts; none where no step is divided.
    finer: Vec<Vec<Box<dyn Running>>>,
    /// The input of the last four steps, newest first.
    input: [f64; 4],
    supply: Option<Box<dyn Running>>,
    /// The signal, then the supply voltages (deviation from rest) as the last steps foretell them.
    knowns: Vec<f64>,
    supply_before: Vec<f64>,
    /// What they gain in an internal step.
    supply_rise: Vec<f64>,
    exchanges: Vec<Exchange>,
    outputs: Vec<f64>,
    sampling: Sampling,
    pub valves: Vec<ValveTally>,
    pub not_converged: u64,
    pub not_finite: u64,
    pub steps: u64,
    pub divided_steps: u64,
    pub newton_steps: u64,
}

impl Solver {
    /// At rest.
    pub fn new(plan: &DrivenPlan) -> Self {
        let (outputs, nodes) = (plan.outputs(), plan.supply.as_ref().map_or(0, |s| s.nodes));
        let all_outputs = plan.supply.as_ref().map_or(outputs, |s| s.first_output + s.nodes);
        Self {
            blocks: plan.blocks.iter().map(running).collect(),
            finer: plan.finer.iter().map(|f| f.iter().map(running).collect()).collect(),
            input: [0.0; 4],
            supply: plan.supply.as_ref().map(|s| running(&s.block)),
            knowns: vec![0.0; 1 + nodes],
            supply_before: vec![0.0; nodes],
            supply_rise: vec![0.0; nodes],
            exchanges: vec![Exchange::default(); plan.blocks.len()],
            outputs: vec![0.0; all_outputs],
            sampling: Sampling::new(
                outputs,
                plan.blocks.iter().flat_map(|b| b.outputs.iter().copied()),
            ),
            valves: plan.valves.iter().map(ValveTally::new).collect(),
            not_converged: 0,
            not_finite: 0,
            steps: 0,
            divided_steps: 0,
            newton_steps: 0,
        }
    }

    /// Goes on with another plan of the same shape.
    pub fn change_plan(&mut self, old: &DrivenPlan, new: &DrivenPlan) {
        let running = self.blocks.iter_mut().chain(self.finer.iter_mut().flatten());
        for (block, (old, new)) in running.zip(old.all_blocks().zip(new.all_blocks())) {
            block.change_plan(old, new);
        }
        if let (Some(block), Some(old), Some(new)) = (&mut self.supply, &old.supply, &new.supply) {
            block.change_plan(&old.block, &new.block);
        }
    }

    /// Goes on where another one stands, which was made for `old`, a plan of the same shape as this one's;
    /// whether it is of the same shape. Counts stay its own. Allocates nothing.
    pub fn take_over(&mut self, other: &Self, old: &DrivenPlan, new: &DrivenPlan) -> bool {
        let own = self.blocks.iter_mut().chain(self.finer.iter_mut().flatten());
        let both = own.zip(other.blocks.iter().chain(other.finer.iter().flatten()));
        for ((own, theirs), (old, new)) in both.zip(old.all_blocks().zip(new.all_blocks())) {
            if !own.take_over(&**theirs, old, new) {
                return false;
            }
        }
        let supplies = (&mut self.supply, &other.supply, &old.supply, &new.supply);
        if let (Some(own), Some(theirs), Some(old), Some(new)) = supplies
            && !own.take_over(&**theirs, &old.block, &new.block)
        {
            return false;
        }
        self.input = other.input;
        self.knowns.copy_from_slice(&other.knowns);
        self.supply_before.copy_from_slice(&other.supply_before);
        self.supply_rise.copy_from_slice(&other.supply_rise);
        self.outputs.copy_from_slice(&other.outputs);
        self.sampling.copy_from(&other.sampling);
        true
    }

    /// A sample of an output at the end of the last step.
    #[inline(always)]
    pub fn output(&self, k: usize) -> f64 {
        self.outputs[k] + self.sampling.due(k)
    }

    /// One internal step, the `count`th of a sample.
    // Loops by index: adapters of iterators are calls where the units of a crate are compiled apart.
    #[inline(always)]
    pub fn step(&mut self, plan: &DrivenPlan, u: f64, count: usize) {
        self.steps += 1;
        self.input = [u, self.input[0], self.input[1], self.input[2]];
        // Currents drawn from the supply are needed when it makes a step.
        let feeds = plan.supply.as_ref().is_some_and(|s| (count + 1).is_multiple_of(s.every));
        if !self.solve(plan, feeds) {
            self.sampling.forget();
            return;
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
        self.sampling.end_step(&self.outputs);
    }

    /// Takes the blocks to the end of a step; whether they are there.
    #[inline(always)]
    fn solve(&mut self, plan: &DrivenPlan, feeds: bool) -> bool {
        self.knowns[0] = self.input[0];
        self.begin(&plan.blocks);
        let converged = self.newton(plan, &plan.blocks);
        if self.finer.is_empty() {
            if !converged && !self.give_it_time(plan, &plan.blocks) {
                return false;
            }
        } else if !converged || self.is_sudden(plan, 1.0) {
            self.divided_steps += 1;
            return self.divided(plan, 0, (0.0, 1.0), feeds);
        }
        self.finish(plan, &plan.blocks, feeds, true);
        true
    }

    #[inline(always)]
    fn begin(&mut self, planned: &[PlannedBlock]) {
        for k in 0..self.blocks.len() {
            self.blocks[k].begin(&planned[k], &self.knowns);
        }
    }

    /// Ends a step, or a part of one; only the `last` tells the supply and the valves' tallies.
    #[inline(always)]
    fn finish(&mut self, plan: &DrivenPlan, planned: &[PlannedBlock], feeds: bool, last: bool) {
        // Nothing draws on these, so that they can wait for the rest to be solved.
        for at in 0..plan.tails.len() {
            let k = plan.tails[at];
            self.blocks[k].substitute(&planned[k], &mut self.exchanges, k);
        }
        for k in 0..self.blocks.len() {
            let asked_for = planned[k].asked_for || (last && feeds);
            let outputs = if asked_for { Some(&mut *self.outputs) } else { None };
            let valves = if last { &mut *self.valves } else { &mut [] };
            self.blocks[k].finish(&planned[k], outputs, valves);
        }
    }

    /// Whether the circuit did something sudden in this share of a step.
    #[inline(always)]
    fn is_sudden(&self, plan: &DrivenPlan, share: f64) -> bool {
        let mut sudden = false;
        for at in 0..plan.core.len() {
            sudden |= self.blocks[plan.core[at]].surprise() * share > SUDDEN;
        }
        sudden
    }

    /// Goes through a step, or a part of one (where it begins and how long it is, as shares of the step), in
    /// parts, and through those of them likewise in which it is still sudden, down to the finest; whether it came
    /// through.
    #[cold]
    #[inline(never)]
    fn divided(
        &mut self,
        plan: &DrivenPlan,
        depth: usize,
        (start, whole): (f64, f64),
        feeds: bool,
    ) -> bool {
        const SHARE: f64 = 1.0 / PARTS as f64;
        let planned = &plan.finer[depth];
        for (finer, coarser) in self.finer[depth].iter_mut().zip(&self.blocks) {
            finer.go_on_from(&**coarser, SHARE);
        }
        std::mem::swap(&mut self.blocks, &mut self.finer[depth]);
        let length = whole * SHARE;
        let mut came_through = true;
        for part in 0..PARTS {
            let begun = start + part as f64 * length;
            let end = begun + length;
            self.knowns[0] = self.input_at(end);
            self.begin(planned);
            let converged = self.newton(plan, planned);
            let finest = depth + 1 == plan.finer.len();
            came_through = if !finest && (!converged || self.is_sudden(plan, length)) {
                self.divided(plan, depth + 1, (begun, length), feeds)
            } else if converged || self.give_it_time(plan, planned) {
                self.finish(plan, planned, feeds, end == 1.0);
                self.sampling.take(end, &self.outputs);
                true
            } else {
                false
            };
            if !came_through {
                break;
            }
        }
        std::mem::swap(&mut self.blocks, &mut self.finer[depth]);
        for (coarser, finer) in self.blocks.iter_mut().zip(&self.finer[depth]) {
            if came_through {
                coarser.go_on_from(&**finer, PARTS as f64);
            } else {
                coarser.abandon();
            }
        }
        came_through
    }

    /// The input within the present step, `share` of it after its beginning: a cubic through the last four
    /// samples. Of 20 kHz at eight times 48 kHz it is off by 5e-4.
    fn input_at(&self, share: f64) -> f64 {
        let t = share - 1.0;
        let [now, before, earlier, oldest] = self.input;
        let (rise, bend) = (now - before, now - 2.0 * before + earlier);
        let twist = bend - (before - 2.0 * earlier + oldest);
        now + t * (rise + (t + 1.0) / 2.0 * (bend + (t + 2.0) / 3.0 * twist))
    }

    /// What Newton's method failed at, once more with care; whether there is an answer, though not to the
    /// tolerance: without one, all is at rest again.
    #[cold]
    #[inline(never)]
    fn give_it_time(&mut self, plan: &DrivenPlan, planned: &[PlannedBlock]) -> bool {
        // What converged is finite, and so are linear blocks driven by it.
        if self.carefully(plan, planned) {
            return true;
        }
        self.not_converged += 1;
        let finite = self.blocks.iter().all(|b| b.is_finite());
        if !finite {
            self.not_finite += 1;
            self.blocks.iter_mut().for_each(|b| b.abandon());
        }
        finite
    }

    /// Newton's method from the present guess; whether it came to rest.
    #[inline(always)]
    fn newton(&mut self, plan: &DrivenPlan, planned: &[PlannedBlock]) -> bool {
        for count in 0..MOST_STEPS {
            self.newton_steps += 1;
            // Kept slopes have their chance twice; then it is Newton's method to the letter.
            let renew = count >= 2;
            // Up through the blocks, then down.
            for at in (0..plan.core.len()).rev() {
                let k = plan.core[at];
                self.blocks[k].eliminate(&planned[k], &mut self.exchanges, k, renew);
            }
            let (mut largest, mut sum) = (0.0f64, 0.0);
            for at in 0..plan.core.len() {
                let k = plan.core[at];
                let left = self.blocks[k].substitute(&planned[k], &mut self.exchanges, k);
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
    fn carefully(&mut self, plan: &DrivenPlan, planned: &[PlannedBlock]) -> bool {
        self.blocks.iter_mut().for_each(|b| b.start_over());
        let mut off = f64::INFINITY;
        for _ in 0..CAREFUL_STEPS {
            self.newton_steps += 1;
            for &k in plan.core.iter().rev() {
                self.blocks[k].eliminate(&planned[k], &mut self.exchanges, k, true);
                self.blocks[k].mark(&planned[k]);
            }
            for &k in &plan.core {
                self.blocks[k].substitute(&planned[k], &mut self.exchanges, k);
            }
            let (mut share, mut now) = (1.0, self.mismatch(plan, planned));
            // What is no number gains nothing.
            let gains = |now: f64, share: f64| now <= (1.0 - LEAST_GAIN * share) * off;
            while !gains(now, share) && share > SHORTEST_SHARE {
                for &k in &plan.core {
                    self.blocks[k].halve(&planned[k]);
                }
                share *= 0.5;
                now = self.mismatch(plan, planned);
            }
            if now <= 1.0 {
                return true;
            }
            off = now;
        }
        false
    }

    /// How far the currents are from the laws, in units of what is tolerated.
    fn mismatch(&mut self, plan: &DrivenPlan, planned: &[PlannedBlock]) -> f64 {
        let (mut largest, mut check) = (0.0f64, 0.0);
        for &k in &plan.core {
            let off = self.blocks[k].mismatch(&planned[k]);
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
            finer: self.finer.iter().map(|f| f.iter().map(|b| b.boxed_clone()).collect()).collect(),
            supply: self.supply.as_ref().map(|s| s.boxed_clone()),
            knowns: self.knowns.clone(),
            supply_before: self.supply_before.clone(),
            supply_rise: self.supply_rise.clone(),
            exchanges: self.exchanges.clone(),
            outputs: self.outputs.clone(),
            sampling: self.sampling.clone(),
            valves: self.valves.clone(),
            ..*self
        }
    }
}
