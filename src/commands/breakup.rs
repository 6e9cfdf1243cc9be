//! `presolder breakup`: at which input level an amp distorts, and which stage gives way first.

use std::path::PathBuf;

use clap::Args;
use serde::Serialize;

use super::ask::{Outlets, refuse_existing, say, sayln};
use super::failure::Failure;
use super::input::{Subject, open_subject};
use super::output::{Table, print};
use super::progress::bar;
use super::render::quality;
use super::tone::hertz;
use crate::amp::{AmpState, INPUT_PART};
use crate::analysis::breakup::{Breakup, LAST_VOLTS, Level, Onset, THRESHOLDS_PERCENT, breakup};
use crate::audio::write_whole;
use crate::circuit::LinearCircuit;
use crate::driven::Quality;
use crate::page::model::{BreakUp, BreakUpRow};
use crate::parallel;
use crate::plot::{Axis, Curve, Figure, Mark, Scale};
use crate::report::{DrivenReport, RATE_HZ, makers, peak_volts, words};
use crate::units::Position;

/// Input level at which distortion at the output reaches 1, 3 and 10 %, for each version.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  presolder breakup sorrel-14")]
pub struct BreakupArgs {
    /// A job file, a preset's name or an amp file
    job_or_amp: String,
    /// Frequency of the sine, in hertz
    #[arg(long, default_value_t = 220.0, value_parser = hertz)]
    frequency: f64,
    /// Only this version of a job
    #[arg(long)]
    version: Option<String>,
    /// Instead of versions: one version (the first, if none is named) with this control at 0 to 10
    #[arg(long, value_name = "NAME")]
    control: Option<String>,
    /// Steps of the control's number
    #[arg(long, default_value_t = 1.0, requires = "control", value_parser = step)]
    step: f64,
    /// How finely the driven path steps: draft, fair, standard or fine
    #[arg(long, default_value = "draft", value_parser = quality)]
    quality: Quality,
    /// Write a plot of distortion against input as SVG, too
    #[arg(long, value_name = "FILE")]
    distortion_svg: Option<PathBuf>,
    #[command(flatten)]
    outlets: Outlets,
}

fn step(text: &str) -> Result<f64, String> {
    match text.trim().parse::<f64>() {
        Ok(step) if (0.1..=10.0).contains(&step) => Ok(step),
        _ => Err(format!("{text:?} is no step here; give 0.1 to 10, in numbers of the control")),
    }
}

/// A version or a control position, and what was found.
#[derive(Serialize)]
struct Case {
    name: String,
    /// Where the control stands.
    position: Option<f64>,
    small_signal_gain_db: f64,
    onset_volts: [Option<f64>; 3],
    onset_re_job_peak_db: Option<[Option<f64>; 3]>,
    /// The stage that makes most of the distortion at the first threshold that is reached.
    first_stage: Option<String>,
    #[serde(flatten)]
    found: Breakup,
}

#[derive(Serialize)]
struct BreakupJson<'a> {
    schema: &'static str,
    amp: &'a str,
    quality: &'static str,
    thresholds_percent: [f64; 3],
    job_peak_volts: Option<f64>,
    control: Option<&'a str>,
    /// The position from which on the gain rises by less than half a decibel for each whole number.
    gain_flattens_at: Option<f64>,
    cases: &'a [Case],
    words: &'a [String],
}

/// A state that is looked at.
struct Setting {
    name: String,
    position: Option<f64>,
    state: AmpState,
}

/// Runs the command.
///
/// # Errors
/// [`Failure`].
pub fn run(args: &BreakupArgs) -> Result<(), Failure> {
    args.outlets.check()?;
    if let Some(path) = &args.distortion_svg {
        refuse_existing(path, args.outlets.force)?;
    }
    let subject = open_subject(&args.job_or_amp)?;
    let job_peak_volts = match &subject {
        Subject::Job(job) if !job.clips.is_empty() => Some(peak_volts(job)),
        _ => None,
    };
    let settings = settings(&subject, args)?;
    let bar = bar(settings.len() as u64, "raising the level");
    let cases: Vec<Case> = parallel::try_map(&settings, |setting| {
        let case = case(setting, args, job_peak_volts);
        bar.inc(1);
        case
    })?;
    bar.finish_and_clear();
    let title = settings.first().map_or("", |s| s.state.title());
    let words = sentences(args, &cases);
    args.outlets.write(&output_figure(title, args, &cases, job_peak_volts))?;
    if let Some(path) = &args.distortion_svg {
        let figure = distortion_figure(title, args, &cases, job_peak_volts);
        let svg = figure.to_svg().map_err(Failure::fault)?;
        write_whole(path, svg.as_bytes(), args.outlets.force)?;
    }
    if args.outlets.json {
        let all = BreakupJson {
            schema: "presolder-breakup/2",
            amp: title,
            quality: args.quality.name(),
            thresholds_percent: THRESHOLDS_PERCENT,
            job_peak_volts,
            control: args.control.as_deref(),
            gain_flattens_at: flattens(&cases).and_then(|k| cases[k].position),
            cases: &cases,
            words: &words,
        };
        let text = serde_json::to_string_pretty(&all).map_err(Failure::fault)?;
        return print(&format!("{text}\n"));
    }
    if args.outlets.csv {
        return print(&csv(&cases));
    }
    print(&text(title, args, &cases, &words, job_peak_volts))
}

fn settings(subject: &Subject, args: &BreakupArgs) -> Result<Vec<Setting>, Failure> {
    let version = args.version.as_deref();
    if let Some(control) = &args.control {
        let state = subject.state(version)?;
        state.control(control)?;
        let steps = (10.0 / args.step + 1e-9).floor() as usize;
        return (0..=steps)
            .map(|k| {
                // To a hundredth, so that 0.1 does not add up to 0.30000000000000004.
                let number = (100.0 * args.step * k as f64).round() / 100.0;
                let at = Position::new(number).map_err(Failure::fault)?;
                let state = state.with_position(control, at)?;
                Ok(Setting { name: format!("{control} {number}"), position: Some(number), state })
            })
            .collect();
    }
    let setting = |name: &str, state: &AmpState| Setting {
        name: name.to_owned(),
        position: None,
        state: state.clone(),
    };
    Ok(match subject {
        Subject::Job(job) if version.is_none() => {
            job.versions().map(|v| setting(v.version(), v)).collect()
        }
        Subject::Job(_) => {
            let state = subject.state(version)?;
            vec![setting(state.version(), &state)]
        }
        Subject::Amp(amp) => vec![setting(amp.name(), &subject.state(version)?)],
    })
}

fn case(
    setting: &Setting,
    args: &BreakupArgs,
    job_peak_volts: Option<f64>,
) -> Result<Case, Failure> {
    let built = setting.state.circuit()?;
    let gain = LinearCircuit::of(&built.circuit)?
        .transfer(INPUT_PART, built.output)?
        .gain(args.frequency)?;
    let found =
        breakup(&built.circuit, INPUT_PART, built.output, args.frequency, RATE_HZ, args.quality)?;
    let onset_volts = found.onset_volts();
    Ok(Case {
        name: setting.name.clone(),
        position: setting.position,
        small_signal_gain_db: decibels(gain.norm()),
        onset_volts,
        onset_re_job_peak_db: job_peak_volts
            .map(|peak| onset_volts.map(|volts| volts.map(|v| decibels(v / peak)))),
        first_stage: found
            .onsets
            .iter()
            .flatten()
            .next()
            .and_then(|onset| Some(onset.first_stage()?.to_owned())),
        found,
    })
}

fn decibels(ratio: f64) -> f64 {
    20.0 * ratio.max(1e-30).log10()
}

/// What the table comes to.
fn sentences(args: &BreakupArgs, cases: &[Case]) -> Vec<String> {
    let Some(control) = &args.control else {
        let named: Vec<(&str, &Breakup)> =
            cases.iter().map(|c| (c.name.as_str(), &c.found)).collect();
        return if cases.len() > 1 { words(&named) } else { vec![] };
    };
    let (Some(first), Some(last)) = (cases.first(), cases.last()) else { return vec![] };
    let mut said = vec![format!(
        "From 0 to 10, {control} changes the gain by {:+.1} dB.",
        last.small_signal_gain_db - first.small_signal_gain_db
    )];
    match flattens(cases).and_then(|k| cases[k].position) {
        Some(at) if at > 0.0 => said.push(format!(
            "Beyond {at} it flattens: each further number changes the gain by less than {FLAT_DB} dB."
        )),
        Some(_) => said.push(format!(
            "No whole number of it changes the gain by {FLAT_DB} dB or more at this frequency."
        )),
        None => said.push("The gain changes up to the end of its range.".to_owned()),
    }
    said
}

/// A change of gain for each whole number of a control that no longer counts.
const FLAT_DB: f64 = 0.5;

/// The first case of a control from which on the gain changes by less than [`FLAT_DB`] for each whole
/// number.
fn flattens(cases: &[Case]) -> Option<usize> {
    let steep = |w: &[Case]| match (w[0].position, w[1].position) {
        (Some(a), Some(b)) => {
            (w[1].small_signal_gain_db - w[0].small_signal_gain_db).abs() >= FLAT_DB * (b - a)
        }
        _ => true,
    };
    let after = cases.windows(2).rposition(steep).map_or(0, |k| k + 1);
    (after + 1 < cases.len()).then_some(after)
}

fn cell(case: &Case, first: Option<&Case>, k: usize, job_peak_volts: Option<f64>) -> String {
    let Some(volts) = case.onset_volts[k] else { return format!("not up to {LAST_VOLTS} V") };
    let volts_said = format!("{:.1} mV", 1000.0 * volts);
    match (job_peak_volts, first.and_then(|f| f.onset_volts[k])) {
        (Some(peak), _) => format!("{volts_said} ({:+.1} dB)", decibels(volts / peak)),
        (None, Some(from)) => format!("{volts_said} ({:+.1} dB)", decibels(volts / from)),
        (None, None) => volts_said,
    }
}

fn text(
    title: &str,
    args: &BreakupArgs,
    cases: &[Case],
    words: &[String],
    job_peak_volts: Option<f64>,
) -> String {
    let mut text = String::new();
    sayln!(
        text,
        "{title}: {} Hz, peak at the input where THD at the output reaches\n",
        args.frequency
    );
    let mut table = Table::new(&["", "gain", "1 %", "3 %", "10 %", "what gives way first"]);
    for case in cases {
        let first = cases.first().filter(|_| cases.len() > 1);
        let mut cells = vec![case.name.clone(), format!("{:+.2} dB", case.small_signal_gain_db)];
        cells.extend((0..3).map(|k| cell(case, first, k, job_peak_volts)));
        cells.push(case.found.onsets.iter().flatten().next().map_or_else(String::new, makers));
        table.row(cells);
    }
    text.push_str(&table.text());
    text.push('\n');
    match job_peak_volts {
        Some(peak) => sayln!(
            text,
            "  In brackets: against the job's peak of {peak} V, which full scale of its clips stands for."
        ),
        None if cases.len() > 1 => sayln!(text, "  In brackets: against the first line."),
        None => {}
    }
    sayln!(
        text,
        "  Gain: of small signals at this frequency. What gives way first: the stages that make the\n  \
         distortion at the first level of the line, with the share of each."
    );
    if !words.is_empty() {
        text.push('\n');
    }
    for sentence in words {
        sayln!(text, "  {sentence}");
    }
    for case in cases.iter().filter(|c| c.found.steps_not_converged > 0) {
        sayln!(
            text,
            "  {}: {} steps did not converge; take its figures with care.",
            case.name,
            case.found.steps_not_converged
        );
    }
    text
}

fn csv(cases: &[Case]) -> String {
    let mut text = "case,input_peak_v,output_peak,thd_percent\n".to_owned();
    for case in cases {
        let name = case.name.replace('"', "\"\"");
        for l in &case.found.levels {
            say!(
                text,
                "\"{name}\",{:.6},{:.6e},{:.6}\n",
                l.input_peak_volts,
                l.output_peak,
                l.thd_percent
            );
        }
    }
    text
}

fn curves(cases: &[Case], y: impl Fn(&Level) -> f64) -> Vec<Curve> {
    let points = |c: &Case| c.found.levels.iter().map(|l| (l.input_peak_volts, y(l))).collect();
    cases.iter().map(|c| Curve::new(c.name.clone(), points(c))).collect()
}

/// Axes over input level, with the job's peak.
fn over_input(
    what: String,
    y: Axis,
    args: &BreakupArgs,
    curves: Vec<Curve>,
    job_peak_volts: Option<f64>,
) -> Figure {
    Figure {
        title: what,
        subtitle: format!("a sine of {} Hz, settled", args.frequency),
        x: Axis { label: "Peak at the input (V)".to_owned(), scale: Scale::Log, ..Axis::default() },
        y,
        curves,
        marks: job_peak_volts.map(|at| Mark { at, label: "peak".to_owned() }).into_iter().collect(),
        marks_name: if job_peak_volts.is_some() {
            "peak volts of the job's clips".to_owned()
        } else {
            String::new()
        },
        ..Figure::default()
    }
}

/// Output against input: the fundamental, against that of the first line at its lowest level.
fn output_figure(
    title: &str,
    args: &BreakupArgs,
    cases: &[Case],
    job_peak_volts: Option<f64>,
) -> Figure {
    let reference =
        cases.iter().flat_map(|c| &c.found.levels).map(|l| l.output_peak).fold(0.0, f64::max);
    let y = Axis { label: "Output, below the highest (dB)".to_owned(), ..Axis::default() };
    let curves = curves(cases, |l| decibels(l.output_peak / reference.max(1e-300)));
    over_input(format!("{title}: output against input"), y, args, curves, job_peak_volts)
}

/// Distortion against input, with the band of the thresholds.
fn distortion_figure(
    title: &str,
    args: &BreakupArgs,
    cases: &[Case],
    job_peak_volts: Option<f64>,
) -> Figure {
    let y = Axis {
        label: "THD at the output (%)".to_owned(),
        scale: Scale::Log,
        range: Some((0.01, 100.0)),
        ticks: [0.01, 0.1, 1.0, 3.0, 10.0, 100.0].map(|v| (v, v.to_string())).to_vec(),
        ..Axis::default()
    };
    let curves = curves(cases, |l| l.thd_percent.clamp(0.01, 100.0));
    over_input(format!("{title}: distortion against input"), y, args, curves, job_peak_volts)
}

/// The table of the page for the owner.
pub(super) fn break_up_table(driven: &DrivenReport) -> BreakUp {
    let rows = driven.versions.iter().enumerate().map(|(version, v)| {
        let first = v.break_up.onsets.iter().flatten().next().and_then(Onset::first_stage);
        BreakUpRow {
            version,
            input_peak_volts: v.break_up.onset_volts().to_vec(),
            first_stage: first.unwrap_or_default().to_owned(),
        }
    });
    BreakUp {
        distortion_percent: driven.thresholds_percent.to_vec(),
        tone_hz: driven.tone_hz,
        rows: rows.collect(),
        summary: driven.words.join(" "),
    }
}
