//! Where an amp breaks up: distortion and output against input level.

use std::sync::Arc;

use super::tone::ToneRun;
use crate::driven::DrivenPlan;

/// Distortions at which the input level is given, in percent.
pub const THRESHOLDS_PERCENT: [f64; 3] = [1.0, 3.0, 10.0];
/// Levels of the curve: peak volts at the input, in steps of 2 dB from the first to the last.
const FIRST_VOLTS: f64 = 0.005;
const LAST_VOLTS: f64 = 5.0;
const STEP_DB: f64 = 2.0;
/// At each level the amp gets this long to settle, to a thousandth.
const LONGEST_S: f64 = 1.0;
const SETTLED: f64 = 1e-3;

/// One valve at one level.
#[derive(Clone, Debug, PartialEq)]
pub struct StageLevel {
    pub valve: String,
    /// Upward grid swing as a share of the way from bias to grid conduction: 1 is the edge.
    pub drive: f64,
    /// Share of the time in grid conduction, percent.
    pub conducting_percent: f64,
}

/// The amp at one input level.
#[derive(Clone, Debug, PartialEq)]
pub struct Level {
    pub input_peak_volts: f64,
    /// Fundamental at the output, in the unit of the output node.
    pub output_peak: f64,
    pub thd_percent: f64,
    pub stages: Vec<StageLevel>,
}

/// Distortion and output against input, and where the thresholds lie.
#[derive(Clone, Debug, PartialEq)]
pub struct Breakup {
    pub frequency_hz: f64,
    pub levels: Vec<Level>,
    /// Input peak volts at which each of [`THRESHOLDS_PERCENT`] is first reached.
    pub onset_volts: [Option<f64>; 3],
    /// The valve whose grid is nearest to conduction (or deepest in it) at the first threshold reached.
    pub first_stage: Option<String>,
}

/// Measures a plan's first output with a sine of rising level.
pub fn breakup(plan: &Arc<DrivenPlan>, frequency_hz: f64) -> Breakup {
    let mut run = ToneRun::new(plan, frequency_hz);
    let steps = (20.0 * (LAST_VOLTS / FIRST_VOLTS).log10() / STEP_DB).round() as i32;
    let mut levels = Vec::new();
    for k in 0..=steps {
        let input_peak_volts = FIRST_VOLTS * 10f64.powf(STEP_DB * f64::from(k) / 20.0);
        run.processor().restart_report();
        let tone = run.settle_within(input_peak_volts, LONGEST_S, SETTLED);
        let stages = run.processor().report().valves;
        let stages = stages
            .iter()
            .map(|v| StageLevel {
                valve: v.name.clone(),
                drive: v.drive(),
                conducting_percent: v.conducting_percent,
            })
            .collect();
        let thd_percent = tone.thd_percent();
        levels.push(Level {
            input_peak_volts,
            output_peak: tone.fundamental_volts(),
            thd_percent,
            stages,
        });
    }
    let onset_volts = THRESHOLDS_PERCENT.map(|t| onset(&levels, t));
    let first_stage = onset_volts[0].and_then(|volts| {
        let level = levels.iter().find(|l| l.input_peak_volts >= volts)?;
        let stage = level.stages.iter().max_by(|a, b| a.drive.total_cmp(&b.drive))?;
        Some(stage.valve.clone())
    });
    Breakup { frequency_hz, levels, onset_volts, first_stage }
}

/// The level at which distortion first passes a threshold, straight between levels in decibels.
fn onset(levels: &[Level], threshold_percent: f64) -> Option<f64> {
    let at = levels.iter().position(|l| l.thd_percent >= threshold_percent)?;
    let upper = &levels[at];
    let Some(lower) = at.checked_sub(1).map(|k| &levels[k]) else {
        return Some(upper.input_peak_volts);
    };
    let (a, b) = (lower.thd_percent.max(1e-9).ln(), upper.thd_percent.ln());
    let share = ((threshold_percent.ln() - a) / (b - a)).clamp(0.0, 1.0);
    Some(lower.input_peak_volts * (upper.input_peak_volts / lower.input_peak_volts).powf(share))
}
