//! Where an amp breaks up: distortion and output against input level.

use std::sync::Arc;

use serde::Serialize;

use super::stages::{StageTone, Stages, shares};
use super::tone::{Patience, Tone, ToneRun};
use crate::circuit::{Circuit, Node};
use crate::driven::{DrivenError, DrivenPlan, Quality};

/// Distortions at which the input level is given, in percent.
pub const THRESHOLDS_PERCENT: [f64; 3] = [1.0, 3.0, 10.0];
/// Levels of the curve: peak volts at the input, in steps of 2 dB from the first to the last.
pub const FIRST_VOLTS: f64 = 0.001;
/// The first level where the distortion at the usual one is beyond the first threshold already.
const LEAST_VOLTS: f64 = 1e-5;
pub const LAST_VOLTS: f64 = 5.0;
const STEP_DB: f64 = 2.0;
/// The curve ends this far above the level of the last threshold: there is nothing more to see.
const BEYOND_DB: f64 = 12.0;
/// How long the amp gets to settle at a level of the curve, and where a threshold is looked for.
const ON_CURVE: Patience = Patience { longest_s: 0.6, settled: 3e-4 };
const AT_ONSET: Patience = Patience { longest_s: 3.0, settled: 2e-5 };
/// Shares of stages need no more than that.
const FOR_SHARES: Patience = Patience { longest_s: 1.0, settled: 2e-4 };
/// A threshold is found when the distortion is within this share of it.
const CLOSE: f64 = 2e-3;
const MOST_TRIALS: usize = 12;
/// The search begins this much (as a logarithm of volts) below and above its neighbours on the curve.
const MARGIN: f64 = 0.1;

/// One valve at one level.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct StageLevel {
    pub valve: String,
    /// Upward grid swing as a share of the way from bias to grid conduction: 1 is the edge.
    pub drive: f64,
    /// Share of the time in grid conduction, percent.
    pub conducting_percent: f64,
}

/// The amp at one input level.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Level {
    pub input_peak_volts: f64,
    /// Fundamental at the output, in the unit of the output node.
    pub output_peak: f64,
    pub thd_percent: f64,
    pub stages: Vec<StageLevel>,
}

/// The input level at which a distortion is first reached.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Onset {
    pub threshold_percent: f64,
    pub input_peak_volts: f64,
    /// The distortion that was measured there.
    pub thd_percent: f64,
    /// Each valve's part in it.
    pub stages: Vec<StageTone>,
}

impl Onset {
    /// The stage that makes most of the distortion: the one that gives way.
    pub fn first_stage(&self) -> Option<&str> {
        Some(shares(&self.stages).first()?.0)
    }
}

/// Distortion and output against input, and where the thresholds lie.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Breakup {
    pub frequency_hz: f64,
    pub levels: Vec<Level>,
    /// For each of [`THRESHOLDS_PERCENT`]; `None` if it is not reached up to [`LAST_VOLTS`].
    pub onsets: [Option<Onset>; 3],
    /// Steps that did not converge.
    pub steps_not_converged: u64,
}

impl Breakup {
    /// Input peak volts of each threshold.
    pub fn onset_volts(&self) -> [Option<f64>; 3] {
        [0, 1, 2].map(|k| self.onsets[k].as_ref().map(|o| o.input_peak_volts))
    }
}

/// Measures the way from a source to a node with a sine of rising level.
///
/// # Errors
/// As [`DrivenPlan::new`].
pub fn breakup(
    circuit: &Circuit,
    input: &str,
    output: Node,
    frequency_hz: f64,
    sample_rate_hz: f64,
    quality: Quality,
) -> Result<Breakup, DrivenError> {
    let plan = DrivenPlan::new(circuit, input, &[output], sample_rate_hz, quality)?;
    let mut run = ToneRun::new(&Arc::new(plan), frequency_hz);
    // The way that the run came: at each level of the curve a run stands ready to go back to.
    let mut levels: Vec<Level> = Vec::new();
    let mut found: [Option<(f64, f64)>; 3] = [None; 3];
    let mut below = None;
    let (mut first_volts, mut k) = (FIRST_VOLTS, 0);
    loop {
        let volts = (first_volts * 10f64.powf(STEP_DB * f64::from(k) / 20.0)).min(LAST_VOLTS);
        k += 1;
        let ready = run.clone();
        run.processor().restart_report();
        let tone = run.settle_within(volts, ON_CURVE);
        let thd = tone.thd_percent();
        if levels.is_empty() && first_volts > LEAST_VOLTS && thd >= THRESHOLDS_PERCENT[0] {
            (first_volts, k, run) = (LEAST_VOLTS, 0, ready);
            continue;
        }
        for (slot, threshold) in found.iter_mut().zip(THRESHOLDS_PERCENT) {
            if slot.is_none() && thd >= threshold {
                *slot = Some(onset(&ready, below, (volts, thd), threshold));
            }
        }
        below = Some((volts, thd));
        levels.push(level(&mut run, volts, &tone));
        let far = |(at, _): (f64, f64)| 20.0 * (volts / at).log10() > BEYOND_DB;
        if volts >= LAST_VOLTS || found[2].is_some_and(far) {
            break;
        }
    }
    let stages = Stages::new(circuit, input, output, sample_rate_hz, quality)?;
    let mut onsets = [None, None, None];
    for ((onset, found), threshold) in onsets.iter_mut().zip(found).zip(THRESHOLDS_PERCENT) {
        let Some((input_peak_volts, thd_percent)) = found else { continue };
        let tones = stages.tone(frequency_hz, input_peak_volts, FOR_SHARES)?;
        *onset = Some(Onset {
            threshold_percent: threshold,
            input_peak_volts,
            thd_percent,
            stages: tones.stages,
        });
    }
    let troubles = run.processor().troubles();
    let steps_not_converged = troubles.not_converged + troubles.not_finite;
    Ok(Breakup { frequency_hz, levels, onsets, steps_not_converged })
}

fn level(run: &mut ToneRun, input_peak_volts: f64, tone: &Tone) -> Level {
    let report = run.processor().report();
    let stage = |v: &crate::driven::ValveReport| StageLevel {
        valve: v.name.clone(),
        drive: v.drive(),
        conducting_percent: v.conducting_percent,
    };
    Level {
        input_peak_volts,
        output_peak: tone.fundamental_volts(),
        thd_percent: tone.thd_percent(),
        stages: report.valves.iter().map(stage).collect(),
    }
}

/// The level between two neighbours of the curve, each (volts, THD), at which the distortion is the
/// threshold: by false position over the logarithms of both, the answer given time to settle at each
/// trial. Gives (volts, THD).
fn onset(
    ready: &ToneRun,
    below: Option<(f64, f64)>,
    above: (f64, f64),
    threshold_percent: f64,
) -> (f64, f64) {
    let mut run = ready.clone();
    let over = |thd: f64| (thd.max(1e-9) / threshold_percent).ln();
    let Some(below) = below else { return above };
    // The curve's answers had little time to settle, so the threshold may lie a little outside.
    let mut low = (below.0.ln() - MARGIN, over(below.1));
    let mut high = (above.0.ln() + MARGIN, over(above.1));
    let mut best = above;
    for _ in 0..MOST_TRIALS {
        let share = if high.1 > low.1 { low.1 / (low.1 - high.1) } else { 0.5 };
        let at = low.0 + share.clamp(0.05, 0.95) * (high.0 - low.0);
        let thd = run.settle_within(at.exp(), AT_ONSET).thd_percent();
        best = (at.exp(), thd);
        let over = over(thd);
        if over.abs() < CLOSE {
            break;
        }
        if over < 0.0 {
            low = (at, over);
        } else {
            high = (at, over);
        }
    }
    best
}
