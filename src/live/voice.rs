//! One version of the amp, ready to be played through.

use std::collections::BTreeMap;
use std::collections::btree_map::Entry;
use std::sync::Arc;

use crate::amp::{AmpState, INPUT_PART};
use crate::analysis::trial::Bench;
use crate::circuit::{LinearCircuit, RestWorkspace};
use crate::driven::{DrivenPlan, DrivenProcessor};
use crate::linear::{LinearError, LinearPlan, LinearProcessor};
use crate::render::{RenderError, RenderPath};

/// A version planned at one sample rate, knobs where they stand. Making it allocates, may fail, and
/// takes milliseconds: never in a callback.
#[derive(Clone, Debug)]
pub enum VoicePlan {
    Linear(Arc<LinearPlan>),
    Driven(Arc<DrivenPlan>),
}

impl VoicePlan {
    /// Plans the way from the amp's input to the node that is heard.
    ///
    /// # Errors
    /// [`RenderError`].
    pub fn new(
        state: &AmpState,
        path: RenderPath,
        sample_rate_hz: f64,
    ) -> Result<Self, RenderError> {
        let version = || state.version().to_owned();
        let built = state.circuit()?;
        let Some(options) = path.driven_options() else {
            let circuit = |source| RenderError::Circuit { version: version(), source };
            let linear = LinearCircuit::of(&built.circuit).map_err(circuit)?;
            let transfer = linear.transfer(INPUT_PART, built.output).map_err(circuit)?;
            return Self::fitted(state, LinearPlan::fit(&transfer, sample_rate_hz));
        };
        let outputs = [built.output];
        DrivenPlan::with_options(&built.circuit, INPUT_PART, &outputs, sample_rate_hz, options)
            .map(|plan| Self::Driven(Arc::new(plan)))
            .map_err(|source| RenderError::Driven { version: version(), source })
    }

    fn fitted(
        state: &AmpState,
        plan: Result<LinearPlan, LinearError>,
    ) -> Result<Self, RenderError> {
        plan.map(|plan| Self::Linear(Arc::new(plan)))
            .map_err(|source| RenderError::Linear { version: state.version().to_owned(), source })
    }

    /// The plan's voice, at rest.
    pub fn voice(&self) -> Voice {
        Voice(match self {
            Self::Linear(plan) => Way::Linear(plan.processor()),
            Self::Driven(plan) => Way::Driven(Box::new(plan.processor())),
        })
    }

    /// Frames by which the output lags the input; the same for all versions of one path and rate.
    pub fn delay_frames(&self) -> usize {
        match self {
            Self::Linear(plan) => plan.delay_frames(),
            Self::Driven(plan) => plan.delay_samples(),
        }
    }

    /// The valves whose grids are watched; none where the circuit is linearised.
    pub fn valves(&self) -> Vec<String> {
        match self {
            Self::Linear(_) => Vec::new(),
            Self::Driven(plan) => plan.valves().iter().map(|v| v.name.clone()).collect(),
        }
    }
}

/// Plans versions whose knobs are turned again and again. It remembers how each was solved and fits
/// quickly, which makes the next filter of the linear path a matter of two milliseconds.
#[derive(Debug)]
pub struct Planner {
    path: RenderPath,
    sample_rate_hz: f64,
    benches: BTreeMap<usize, (Bench, Option<RestWorkspace>)>,
}

impl Planner {
    /// For one path and rate; nothing is solved yet.
    pub fn new(path: RenderPath, sample_rate_hz: f64) -> Self {
        Self { path, sample_rate_hz, benches: BTreeMap::new() }
    }

    /// As [`VoicePlan::new`], for a version that differs from what it was before in values only.
    ///
    /// # Errors
    /// As there.
    pub fn plan(&mut self, version: usize, state: &AmpState) -> Result<VoicePlan, RenderError> {
        if self.path != RenderPath::Linear {
            return VoicePlan::new(state, self.path, self.sample_rate_hz);
        }
        let circuit = |source| RenderError::Circuit { version: state.version().to_owned(), source };
        let built = state.circuit()?;
        let (bench, workspace) = match self.benches.entry(version) {
            Entry::Occupied(there) => there.into_mut(),
            Entry::Vacant(free) => {
                let bench =
                    Bench::new(&built.circuit, INPUT_PART, built.output).map_err(circuit)?;
                let workspace = bench.workspace();
                free.insert((bench, workspace))
            }
        };
        let linear = bench.solved_again(&built.circuit, workspace).map_err(circuit)?;
        let transfer = linear.transfer(INPUT_PART, built.output).map_err(circuit)?;
        VoicePlan::fitted(state, LinearPlan::fit_quickly(&transfer, self.sample_rate_hz))
    }
}

/// A version while it is played through. Processing neither allocates nor fails.
#[derive(Clone, Debug)]
pub struct Voice(Way);

#[derive(Clone, Debug)]
enum Way {
    Linear(LinearProcessor),
    Driven(Box<DrivenProcessor>),
}

impl Voice {
    /// Volts at the amp's input in, the unit of the output node out (volts, or pascals at 1 m).
    pub fn process_into(&mut self, input: &[f64], output: &mut [f64]) {
        match &mut self.0 {
            Way::Linear(processor) => processor.process_into(input, output),
            Way::Driven(processor) => processor.process_into(input, output),
        }
    }

    /// Goes on with the charges of another voice of the same parts, which runs on by itself. `false`
    /// if it cannot, because the parts differ or because a filter's state means nothing in another.
    pub fn take_over(&mut self, other: &Self) -> bool {
        match (&mut self.0, &other.0) {
            (Way::Driven(own), Way::Driven(other)) => own.take_over(other).is_ok(),
            _ => false,
        }
    }

    /// Steps so far, and in how many of them the grid of a valve was above its cathode.
    pub fn conduction(&self, valve: usize) -> (u64, u64) {
        match &self.0 {
            Way::Linear(_) => (0, 0),
            Way::Driven(processor) => processor.conduction(valve),
        }
    }

    /// Steps that did not come to an answer.
    pub fn troubles(&self) -> u64 {
        match &self.0 {
            Way::Linear(_) => 0,
            Way::Driven(processor) => {
                let t = processor.troubles();
                t.not_converged + t.not_finite
            }
        }
    }
}
