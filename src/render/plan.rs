//! A version of an amp, ready to render at one sample rate.

use std::sync::Arc;

use nalgebra::Complex;
use thiserror::Error;

use crate::amp::{AmpError, AmpState, BuiltCircuit, INPUT_PART};
use crate::analysis::{DifferenceError, MeasureError, SpectrumError};
use crate::audio::AudioError;
use crate::circuit::{CircuitError, LinearCircuit, Node};
use crate::driven::{DrivenError, DrivenPlan, Options, Quality};
use crate::linear::{FitError, LinearError, LinearPlan};
use crate::units::{Position, Seconds};

/// Why something could not be rendered.
#[derive(Debug, Error)]
pub enum RenderError {
    #[error(transparent)]
    Amp(#[from] AmpError),
    #[error("{}{source}", of(.version))]
    Circuit { version: String, source: CircuitError },
    #[error("{}{source}", of(.version))]
    Linear { version: String, source: LinearError },
    #[error("{}{source}", of(.version))]
    Driven { version: String, source: DrivenError },
    #[error(transparent)]
    Audio(#[from] AudioError),
    #[error("{}{source}", of(.version))]
    Measure { version: String, source: MeasureError },
    #[error(transparent)]
    Difference(#[from] DifferenceError),
    #[error("{}{source}", of(.version))]
    Spectrum { version: String, source: SpectrumError },
    #[error("version \"{version}\" gave a sample that is no finite number at frame {frame}")]
    NotFinite { version: String, frame: usize },
}

/// Of which version a message is; an amp by itself is none.
fn of(version: &str) -> String {
    if version.is_empty() { String::new() } else { format!("version \"{version}\": ") }
}

impl RenderError {
    /// Whether the user can mend it; if not, the fault is ours.
    pub fn is_users(&self) -> bool {
        match self {
            Self::Amp(_) | Self::Circuit { .. } | Self::Driven { .. } => true,
            Self::Linear { source, .. } => !matches!(source, LinearError::Fit { .. }),
            Self::Audio(source) => source.is_users(),
            Self::Measure { .. }
            | Self::Spectrum { .. }
            | Self::Difference(_)
            | Self::NotFinite { .. } => false,
        }
    }
}

/// How the amp is computed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum RenderPath {
    /// The circuit linearised at its operating point: a fitted filter.
    #[default]
    Linear,
    /// The circuit with its valves as they are, run in time.
    Driven(Quality),
    /// The same in steps of one length, none of them divided: no block of a signal takes much longer than
    /// another, which is what a sound card asks for.
    DrivenEvenly(Quality),
}

impl RenderPath {
    /// How a driven path is planned; none for the linear one.
    pub fn driven_options(self) -> Option<Options> {
        match self {
            Self::Linear => None,
            Self::Driven(quality) => Some(Options { quality, ..Options::default() }),
            Self::DrivenEvenly(quality) => {
                Some(Options { quality, divide: false, ..Options::default() })
            }
        }
    }
}

/// The way that a setting takes.
#[derive(Clone, Debug)]
pub(super) enum Way {
    Linear(Box<LinearPlan>),
    Driven(Arc<DrivenPlan>),
}

/// A version with its knobs in one place, from input to one node.
#[derive(Clone, Debug)]
pub(super) struct Setting {
    /// When the knobs come to stand here, from the start of the clip.
    pub(super) from_s: f64,
    pub(super) way: Way,
}

/// A version of an amp, ready to render at one sample rate. Making it allocates and may fail.
#[derive(Clone, Debug)]
pub struct VersionPlan {
    name: String,
    pub(super) sample_rate_hz: f64,
    pub(super) settings: Vec<Setting>,
}

impl VersionPlan {
    /// Plans the way from the amp's input to the node that is heard, with the knob moves of the version.
    ///
    /// # Errors
    /// [`RenderError`].
    pub fn new(
        state: &AmpState,
        path: RenderPath,
        sample_rate_hz: f64,
    ) -> Result<Self, RenderError> {
        let mut built = state.circuit()?;
        let mut settings = Vec::new();
        for (from_s, turns) in knob_steps(state) {
            for (control, position) in turns {
                built.turn(&control, position)?;
            }
            let output = built.output;
            settings
                .push(Setting { from_s, way: way(state, &built, output, path, sample_rate_hz)? });
        }
        check_moves(state, &settings)?;
        Ok(Self { name: state.version().to_owned(), sample_rate_hz, settings })
    }

    /// Plans the linear way to any node of a circuit at its operating point, whose poles are at hand.
    ///
    /// # Errors
    /// [`RenderError`].
    pub fn linear_to_node(
        version: &str,
        linear: &LinearCircuit,
        poles: &[Complex<f64>],
        node: Node,
        sample_rate_hz: f64,
    ) -> Result<Self, RenderError> {
        let way = linear_way(version, linear, poles, node, sample_rate_hz)?;
        let settings = vec![Setting { from_s: 0.0, way }];
        Ok(Self { name: version.to_owned(), sample_rate_hz, settings })
    }

    /// The version's name.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// The linear plans among the settings.
    fn linear_plans(&self) -> impl Iterator<Item = &LinearPlan> {
        self.settings.iter().filter_map(|s| match &s.way {
            Way::Linear(plan) => Some(&**plan),
            Way::Driven(_) => None,
        })
    }

    /// How far the linear path is from the exact response, the worst of all settings; the driven
    /// path is not fitted.
    pub fn fit_error(&self) -> FitError {
        let mut worst = FitError::default();
        for e in self.linear_plans().map(LinearPlan::error) {
            worst.to_16_khz_db = worst.to_16_khz_db.max(e.to_16_khz_db);
            worst.to_20_khz_db = worst.to_20_khz_db.max(e.to_20_khz_db);
        }
        worst
    }

    /// Seconds after which the answer to a sound has died away by 180 dB.
    pub fn tail_s(&self) -> f64 {
        self.linear_plans().map(|plan| plan.settling_s(1e-9, 60.0)).fold(0.0, f64::max)
    }

    /// Frames by which a run of it lags; the same for all versions on one path at one rate.
    pub fn delay_frames(&self) -> usize {
        self.settings.first().map_or(0, |s| match &s.way {
            Way::Linear(plan) => plan.delay_frames(),
            Way::Driven(plan) => plan.delay_samples(),
        })
    }

    /// Samples per second.
    pub fn sample_rate_hz(&self) -> f64 {
        self.sample_rate_hz
    }

    /// What the amp makes of a signal in volts: as many samples, the path's delay taken out, so that
    /// all versions stay aligned with the input and with each other.
    pub fn render(&self, volts: &[f64]) -> Vec<f64> {
        let mut run = self.start();
        let delay = run.delay_frames();
        let mut answer = vec![0.0; volts.len() + delay];
        run.process_into(volts, &mut answer);
        run.process_into(&vec![0.0; delay], &mut answer[volts.len()..]);
        answer.drain(..delay);
        answer
    }
}

/// Times at which a knob comes to a new position, with the knobs that move there. The first is the
/// start, where every knob already stands.
fn knob_steps(state: &AmpState) -> Vec<(f64, Vec<(String, Position)>)> {
    let mut steps: Vec<(f64, Vec<(String, Position)>)> = vec![(0.0, Vec::new())];
    let mut all: Vec<(Seconds, &String, Position)> = state
        .moves()
        .iter()
        .flat_map(|(control, list)| list.iter().map(move |(time, at)| (*time, control, *at)))
        .collect();
    all.sort_by(|a, b| a.0.0.total_cmp(&b.0.0));
    for (time, control, position) in all {
        let turn = (control.clone(), position);
        match steps.last_mut() {
            Some((at, turns)) if *at == time.0 => turns.push(turn),
            _ => steps.push((time.0, vec![turn])),
        }
    }
    steps
}

/// A knob that moves while the driven path runs keeps the charges of all parts: whether it can is
/// found out now, not in the middle of a clip.
fn check_moves(state: &AmpState, settings: &[Setting]) -> Result<(), RenderError> {
    let mut plans = settings.iter().filter_map(|s| match &s.way {
        Way::Driven(plan) => Some(plan),
        Way::Linear(_) => None,
    });
    let Some(first) = plans.next() else { return Ok(()) };
    let mut processor = first.processor();
    for plan in plans {
        processor.change_plan(plan).map_err(|source| RenderError::Driven {
            version: state.version().to_owned(),
            source,
        })?;
    }
    Ok(())
}

fn way(
    state: &AmpState,
    built: &BuiltCircuit,
    node: Node,
    path: RenderPath,
    sample_rate_hz: f64,
) -> Result<Way, RenderError> {
    let version = || state.version().to_owned();
    let circuit = |source| RenderError::Circuit { version: version(), source };
    let Some(options) = path.driven_options() else {
        let linear = LinearCircuit::of(&built.circuit).map_err(circuit)?;
        let poles = linear.poles().map_err(circuit)?;
        return linear_way(state.version(), &linear, &poles, node, sample_rate_hz);
    };
    DrivenPlan::with_options(&built.circuit, INPUT_PART, &[node], sample_rate_hz, options)
        .map(|plan| Way::Driven(Arc::new(plan)))
        .map_err(|source| RenderError::Driven { version: version(), source })
}

fn linear_way(
    version: &str,
    linear: &LinearCircuit,
    poles: &[Complex<f64>],
    node: Node,
    sample_rate_hz: f64,
) -> Result<Way, RenderError> {
    let transfer = linear
        .transfer(INPUT_PART, node)
        .map_err(|source| RenderError::Circuit { version: version.to_owned(), source })?;
    let plan = LinearPlan::fit_to(&transfer, poles, sample_rate_hz)
        .map_err(|source| RenderError::Linear { version: version.to_owned(), source })?;
    Ok(Way::Linear(Box::new(plan)))
}
