//! The driven part of a report: how far each stage is driven, and where each version breaks up.

use serde::Serialize;

use crate::amp::{AmpState, BuiltCircuit, INPUT_PART, Job};
use crate::analysis::breakup::{Breakup, Onset, THRESHOLDS_PERCENT, breakup};
use crate::analysis::stages::{Electrode, StageDrive, StageTone, StageTones, Stages, shares};
use crate::analysis::tone::Patience;
use crate::driven::{DrivenError, Quality};
use crate::parallel;
use crate::render::{ClipSource, RenderError};

/// Frequency of the tone: an octave above the A string.
pub const TONE_HZ: f64 = 220.0;
/// How far the reference tone's peak is below the job's peak volts: a guitar's sustained note lies
/// about that far below its hardest stroke (common practice, no source).
pub const TONE_BELOW_PEAK_DB: f64 = 20.0;
/// At most this much of a clip is run to see how far it drives the stages: its loudest.
pub const EXCERPT_S: f64 = 5.0;
/// What a version's break-up is said by, where all reach it (percent of THD).
pub const BREAK_UP_PERCENT: f64 = 3.0;
/// Rate of what is computed with sines.
pub const RATE_HZ: f64 = 48_000.0;

/// How far the stages are driven, and where the versions break up.
#[derive(Clone, Debug, Serialize)]
pub struct DrivenReport {
    pub quality: &'static str,
    /// So much of each clip was run, its loudest.
    pub excerpt_s: f64,
    pub tone_hz: f64,
    /// Peak of the reference tone at the input.
    pub tone_peak_volts: f64,
    /// Highest volts that full scale of a clip stands for.
    pub job_peak_volts: f64,
    pub thresholds_percent: [f64; 3],
    pub versions: Vec<DrivenVersion>,
    /// What it comes to, in sentences.
    pub words: Vec<String>,
}

/// One version.
#[derive(Clone, Debug, Serialize)]
pub struct DrivenVersion {
    pub name: String,
    /// At the reference tone.
    pub tone_thd_percent: f64,
    pub stages: Vec<StageReport>,
    pub break_up: Breakup,
}

/// How far one valve is driven.
#[derive(Clone, Debug, Serialize)]
pub struct StageReport {
    pub valve: String,
    /// What it is there for, as the amp file says.
    pub purpose: String,
    /// Grid to cathode at rest.
    pub bias_volts: f64,
    /// Where its signal leaves.
    pub leaves_at: Electrode,
    /// THD there at the reference tone, in percent.
    pub tone_thd_percent: f64,
    /// The valves that work as one stage with it, and the share of the distortion at the output that
    /// they make at the reference tone.
    pub stage: String,
    pub tone_share_of_distortion: f64,
    pub clips: Vec<ClipDrive>,
}

/// How far one clip drives a valve.
#[derive(Clone, Debug, Serialize)]
pub struct ClipDrive {
    pub clip: String,
    /// Grid to cathode.
    pub highest_grid_volts: f64,
    pub lowest_grid_volts: f64,
    /// Share of the way from bias to grid conduction that the peak goes: 1 is the edge.
    pub drive: f64,
    /// Share of the time in grid conduction.
    pub conducting_percent: f64,
    /// Peak over RMS of the grid-cathode voltage, and where the signal leaves.
    pub crest_in_db: f64,
    pub crest_out_db: f64,
}

/// Runs every version with clips and tones. `passed` is told of the work as it is done, see
/// [`driven_work`].
///
/// # Errors
/// [`RenderError`].
pub fn driven_report(
    job: &Job,
    clips: &[ClipSource],
    quality: Quality,
    passed: &(dyn Fn(u64) + Sync),
) -> Result<DrivenReport, RenderError> {
    let job_peak_volts = peak_volts(job);
    let tone_peak_volts = job_peak_volts * 10f64.powf(-TONE_BELOW_PEAK_DB / 20.0);
    let excerpts = clips.iter().map(Excerpt::of).collect::<Result<Vec<_>, _>>()?;
    let states: Vec<&AmpState> = job.versions().collect();
    let each = driven_work(job, clips) / states.len().max(1) as u64;
    let versions = parallel::try_map(&states, |state| {
        let version = version(state, &excerpts, tone_peak_volts, quality)?;
        passed(each);
        Ok::<_, RenderError>(version)
    })?;
    let named: Vec<(&str, &Breakup)> =
        versions.iter().map(|v| (v.name.as_str(), &v.break_up)).collect();
    let words = words(&named);
    Ok(DrivenReport {
        quality: quality.name(),
        excerpt_s: EXCERPT_S,
        tone_hz: TONE_HZ,
        tone_peak_volts,
        job_peak_volts,
        thresholds_percent: THRESHOLDS_PERCENT,
        versions,
        words,
    })
}

/// The work of [`driven_report`], in frames of a clip on the linear path (about 200 times as fast).
pub fn driven_work(job: &Job, clips: &[ClipSource]) -> u64 {
    let tones_s = 15.0;
    let excerpts_s: f64 = clips
        .iter()
        .map(|c| (c.frames() as f64 / f64::from(c.sample_rate_hz())).min(EXCERPT_S))
        .sum();
    (200.0 * RATE_HZ * (tones_s + excerpts_s)) as u64 * job.versions().len() as u64
}

/// The highest volts that full scale of a job's clips stands for; 1 V without clips.
pub fn peak_volts(job: &Job) -> f64 {
    let highest = job.clips.iter().map(|c| c.peak.0).fold(0.0, f64::max);
    if highest > 0.0 { highest } else { 1.0 }
}

/// The loudest stretch of a clip.
struct Excerpt<'a> {
    clip: &'a str,
    sample_rate_hz: f64,
    volts: Vec<f64>,
}

impl<'a> Excerpt<'a> {
    /// Reads the clip twice: for its energy in tenths of a second, and for the loudest stretch.
    fn of(clip: &'a ClipSource) -> Result<Self, RenderError> {
        let sample_rate_hz = f64::from(clip.sample_rate_hz());
        let tenth = (0.1 * sample_rate_hz) as usize;
        let mut energies = vec![0.0];
        let mut filled = 0;
        let mut blocks = clip.recording.blocks()?;
        while let Some(block) = blocks.next_block()? {
            for x in block.iter() {
                if filled == tenth {
                    energies.push(0.0);
                    filled = 0;
                }
                if let Some(last) = energies.last_mut() {
                    *last += x * x;
                }
                filled += 1;
            }
        }
        let count = ((10.0 * EXCERPT_S) as usize).min(energies.len());
        let energy = |start: usize| energies[start..start + count].iter().sum::<f64>();
        // The first of equals.
        let starts = (0..=energies.len() - count).rev();
        let first = starts.max_by(|a, b| energy(*a).total_cmp(&energy(*b))).unwrap_or(0);
        let (from, to) = (first * tenth, (first + count) * tenth);
        let (mut at, mut volts) = (0, Vec::new());
        let mut blocks = clip.recording.blocks()?;
        while let Some(block) = blocks.next_block()? {
            for x in block.iter() {
                if (from..to).contains(&at) {
                    volts.push(x * clip.peak_volts);
                }
                at += 1;
            }
            if at >= to {
                break;
            }
        }
        Ok(Self { clip: &clip.name, sample_rate_hz, volts })
    }
}

fn version(
    state: &AmpState,
    excerpts: &[Excerpt],
    tone_peak_volts: f64,
    quality: Quality,
) -> Result<DrivenVersion, RenderError> {
    let failed =
        |source: DrivenError| RenderError::Driven { version: state.version().to_owned(), source };
    let built = state.circuit()?;
    let stages = |rate_hz: f64| {
        Stages::new(&built.circuit, INPUT_PART, built.output, rate_hz, quality).map_err(failed)
    };
    let tones = stages(RATE_HZ)?
        .tone(TONE_HZ, tone_peak_volts, Patience::default())
        .map_err(|e| failed(e.into()))?;
    let mut drives: Vec<(&str, Vec<StageDrive>)> = Vec::new();
    for excerpt in excerpts {
        drives.push((excerpt.clip, stages(excerpt.sample_rate_hz)?.drive(&excerpt.volts)));
    }
    let break_up = breakup(&built.circuit, INPUT_PART, built.output, TONE_HZ, RATE_HZ, quality)
        .map_err(failed)?;
    Ok(DrivenVersion {
        name: state.version().to_owned(),
        tone_thd_percent: tones.output.thd_percent(),
        stages: stage_reports(&built, &tones, &drives),
        break_up,
    })
}

fn stage_reports(
    built: &BuiltCircuit,
    tones: &StageTones,
    drives: &[(&str, Vec<StageDrive>)],
) -> Vec<StageReport> {
    let report = |tone: &StageTone| {
        let clips: Vec<ClipDrive> = drives
            .iter()
            .filter_map(|(clip, stages)| {
                let drive = stages.iter().find(|d| d.grid.name == tone.valve)?;
                Some(ClipDrive {
                    clip: (*clip).to_owned(),
                    highest_grid_volts: drive.grid.highest_grid_volts,
                    lowest_grid_volts: drive.grid.lowest_grid_volts,
                    drive: drive.grid.drive(),
                    conducting_percent: drive.grid.conducting_percent,
                    crest_in_db: drive.crest_in_db,
                    crest_out_db: drive.crest_out_db,
                })
            })
            .collect();
        StageReport {
            valve: tone.valve.clone(),
            purpose: built
                .owner(&tone.valve)
                .map_or_else(String::new, |(_, part)| part.purpose.clone()),
            bias_volts: tone.bias_volts,
            leaves_at: tone.leaves_at,
            tone_thd_percent: tone.thd_percent,
            stage: tone.stage.clone(),
            tone_share_of_distortion: tone.stage_share,
            clips,
        }
    };
    tones.stages.iter().map(report).collect()
}

/// Sentences on where versions break up, each held against the first.
pub fn words(versions: &[(&str, &Breakup)]) -> Vec<String> {
    let Some(((first, found), others)) = versions.split_first() else { return vec![] };
    let mut words = Vec::new();
    // The break-up level, or the highest below it that every version reaches.
    let reached = |k: &usize| versions.iter().all(|(_, b)| b.onsets[*k].is_some());
    let usual = THRESHOLDS_PERCENT.iter().position(|t| *t == BREAK_UP_PERCENT).unwrap_or(0);
    let Some(k) = (0..=usual).rev().find(reached) else {
        words.push(format!(
            "Not every version reaches {} % of THD with the levels that a guitar gives.",
            THRESHOLDS_PERCENT[0]
        ));
        return words;
    };
    let percent = THRESHOLDS_PERCENT[k];
    let at = |b: &Breakup| b.onsets[k].as_ref().map_or(f64::NAN, |o| o.input_peak_volts);
    for (name, other) in others {
        let earlier_db = 20.0 * (at(found) / at(other)).log10();
        words.push(if earlier_db.abs() < 0.05 {
            format!("\"{name}\" reaches break-up ({percent} % of THD) where \"{first}\" does.")
        } else {
            format!(
                "\"{name}\" reaches break-up ({percent} % of THD) {:.1} dB {} than \"{first}\".",
                earlier_db.abs(),
                if earlier_db > 0.0 { "earlier" } else { "later" }
            )
        });
    }
    words
}

/// What made the distortion at an onset: `V3+V4 (71 %), V1B (20 %)`, stages with a tenth or more.
pub fn makers(onset: &Onset) -> String {
    let stages = shares(&onset.stages);
    let said = stages.iter().enumerate().filter(|(k, (_, share))| *k == 0 || *share >= 0.1);
    said.map(|(_, (stage, share))| format!("{stage} ({:.0} %)", 100.0 * share))
        .collect::<Vec<_>>()
        .join(", ")
}
