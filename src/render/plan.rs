//! A version of an amp, ready to render at one sample rate.

use thiserror::Error;

use crate::amp::{AmpError, AmpState, BuiltCircuit, INPUT_PART};
use crate::analysis::MeasureError;
use crate::audio::AudioError;
use crate::circuit::{CircuitError, LinearCircuit, Node};
use crate::linear::{FitError, LinearError, LinearPlan};
use crate::units::{Position, Seconds};

/// Why something could not be rendered.
#[derive(Debug, Error)]
pub enum RenderError {
    #[error(transparent)]
    Amp(#[from] AmpError),
    #[error("version \"{version}\": {source}")]
    Circuit { version: String, source: CircuitError },
    #[error("version \"{version}\": {source}")]
    Linear { version: String, source: LinearError },
    #[error(transparent)]
    Audio(#[from] AudioError),
    #[error("version \"{version}\": {source}")]
    Measure { version: String, source: MeasureError },
    #[error("version \"{version}\" gave a sample that is no finite number at frame {frame}")]
    NotFinite { version: String, frame: usize },
}

impl RenderError {
    /// Whether the user can mend it; if not, the fault is ours.
    pub fn is_users(&self) -> bool {
        match self {
            Self::Amp(_) | Self::Circuit { .. } => true,
            Self::Linear { source, .. } => !matches!(source, LinearError::Fit { .. }),
            Self::Audio(source) => source.is_users(),
            Self::Measure { .. } | Self::NotFinite { .. } => false,
        }
    }
}

/// How the amp is computed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum RenderPath {
    /// The circuit linearised at its operating point: a fitted filter.
    #[default]
    Linear,
}

/// A version with its knobs in one place, from input to one node.
#[derive(Clone, Debug)]
struct Setting {
    /// When the knobs come to stand here, from the start of the clip.
    from_s: f64,
    plan: LinearPlan,
}

/// A version of an amp, ready to render at one sample rate. Making it allocates and may fail.
#[derive(Clone, Debug)]
pub struct VersionPlan {
    name: String,
    settings: Vec<Setting>,
}

/// Length of the cross-fade from one knob position to the next.
const KNOB_FADE_S: f64 = 0.02;

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
                .push(Setting { from_s, plan: plan(state, &built, output, path, sample_rate_hz)? });
        }
        Ok(Self { name: state.version().to_owned(), settings })
    }

    /// Plans the way from the amp's input to any node, knobs where the version puts them at first.
    ///
    /// # Errors
    /// [`RenderError`].
    pub fn to_node(
        state: &AmpState,
        built: &BuiltCircuit,
        node: Node,
        path: RenderPath,
        sample_rate_hz: f64,
    ) -> Result<Self, RenderError> {
        let plan = plan(state, built, node, path, sample_rate_hz)?;
        let settings = vec![Setting { from_s: 0.0, plan }];
        Ok(Self { name: state.version().to_owned(), settings })
    }

    /// The version's name.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// How far the path is from the exact response, the worst of all settings.
    pub fn fit_error(&self) -> FitError {
        let mut worst = FitError::default();
        for e in self.settings.iter().map(|s| s.plan.error()) {
            worst.to_16_khz_db = worst.to_16_khz_db.max(e.to_16_khz_db);
            worst.to_20_khz_db = worst.to_20_khz_db.max(e.to_20_khz_db);
        }
        worst
    }

    /// Seconds after which the slowest part of the path has died away by 180 dB.
    pub fn tail_s(&self) -> f64 {
        self.settings.iter().map(|s| 3.0 * s.plan.tail_s(60.0)).fold(0.0, f64::max)
    }

    /// What the amp makes of a signal in volts: as many samples, the path's delay taken out, so that
    /// all versions stay aligned with the input and with each other.
    pub fn render(&self, volts: &[f64]) -> Vec<f64> {
        let mut answer = Vec::new();
        for (k, setting) in self.settings.iter().enumerate() {
            let part = render_aligned(&setting.plan, volts);
            if k == 0 {
                answer = part;
            } else {
                fade_to(&mut answer, &part, setting.from_s, setting.plan.sample_rate_hz());
            }
        }
        answer
    }
}

fn render_aligned(plan: &LinearPlan, volts: &[f64]) -> Vec<f64> {
    let mut processor = plan.processor();
    let delay = plan.delay_frames();
    let mut answer = vec![0.0; volts.len() + delay];
    processor.process_into(volts, &mut answer);
    processor.process_into(&vec![0.0; delay], &mut answer[volts.len()..]);
    answer.drain(..delay);
    answer
}

/// Goes over from `answer` to `next` at a time, in a short linear cross-fade: the two are nearly the
/// same signal, so their sum keeps its level.
fn fade_to(answer: &mut [f64], next: &[f64], from_s: f64, sample_rate_hz: f64) {
    let start = (from_s * sample_rate_hz) as usize;
    let length = (KNOB_FADE_S * sample_rate_hz).max(1.0);
    for (k, (a, n)) in answer.iter_mut().zip(next).enumerate().skip(start) {
        let share = ((k - start) as f64 / length).min(1.0);
        *a += share * (n - *a);
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

fn plan(
    state: &AmpState,
    built: &BuiltCircuit,
    node: Node,
    path: RenderPath,
    sample_rate_hz: f64,
) -> Result<LinearPlan, RenderError> {
    let version = || state.version().to_owned();
    let circuit = |source| RenderError::Circuit { version: version(), source };
    match path {
        RenderPath::Linear => {
            let linear = LinearCircuit::of(&built.circuit).map_err(circuit)?;
            let transfer = linear.transfer(INPUT_PART, node).map_err(circuit)?;
            LinearPlan::fit(&transfer, sample_rate_hz)
                .map_err(|source| RenderError::Linear { version: version(), source })
        }
    }
}
