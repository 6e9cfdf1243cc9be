//! `presolder breakup`: at which input level an amp distorts, and which stage gives way first.

use std::fmt::Write;
use std::sync::Arc;

use clap::{ArgGroup, Args};
use rayon::prelude::*;
use serde::Serialize;

use super::failure::Failure;
use super::input::{Subject, open_subject};
use super::output::{Table, print};
use super::progress::bar;
use super::render::quality;
use super::tone::hertz;
use crate::amp::{AmpState, INPUT_PART};
use crate::analysis::breakup::{Breakup, THRESHOLDS_PERCENT, breakup};
use crate::circuit::LinearCircuit;
use crate::driven::{DrivenPlan, Quality};
use crate::units::Position;

/// Input level at which distortion at the output reaches 1, 3 and 10 %, for each version.
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  presolder breakup larkspur-22 --quality draft",
    group = ArgGroup::new("form").args(["csv", "json"])
)]
pub struct BreakupArgs {
    /// A job file, a preset's name or an amp file
    job_or_amp: String,
    /// Frequency of the sine, in hertz
    #[arg(long, default_value_t = 220.0, value_parser = hertz)]
    frequency: f64,
    /// Instead of versions: the first version with this control at 0, 2, 4, 6, 8 and 10
    #[arg(long, value_name = "NAME")]
    control: Option<String>,
    /// How finely the driven path steps: draft, fair, standard or fine
    #[arg(long, default_value = "fair", value_parser = quality)]
    quality: Quality,
    /// Print the curve of output and distortion against input as comma-separated values
    #[arg(long)]
    csv: bool,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

#[derive(Serialize)]
struct StageJson {
    valve: String,
    drive: f64,
    conducting_percent: f64,
}

#[derive(Serialize)]
struct LevelJson {
    input_peak_volts: f64,
    output_peak: f64,
    thd_percent: f64,
    stages: Vec<StageJson>,
}

#[derive(Serialize)]
struct CaseJson {
    name: String,
    small_signal_gain_db: f64,
    onset_volts: [Option<f64>; 3],
    first_stage: Option<String>,
    levels: Vec<LevelJson>,
}

#[derive(Serialize)]
struct BreakupJson<'a> {
    schema: &'static str,
    amp: &'a str,
    frequency_hz: f64,
    thresholds_percent: [f64; 3],
    cases: Vec<CaseJson>,
}

/// A version or a control position, and what was found.
struct Case {
    name: String,
    gain_db: f64,
    found: Breakup,
}

/// Runs the command.
///
/// # Errors
/// [`Failure`].
pub fn run(args: &BreakupArgs) -> Result<(), Failure> {
    let subject = open_subject(&args.job_or_amp)?;
    let states = states(&subject, args)?;
    let bar = bar(states.len() as u64, "raising the level");
    let cases: Vec<Case> = states
        .par_iter()
        .map(|(name, state)| {
            let built = state.circuit()?;
            let gain = LinearCircuit::of(&built.circuit)?
                .transfer(INPUT_PART, built.output)?
                .gain(args.frequency)?;
            let outputs = [built.output];
            let plan =
                DrivenPlan::new(&built.circuit, INPUT_PART, &outputs, 48_000.0, args.quality)?;
            let found = breakup(&Arc::new(plan), args.frequency);
            bar.inc(1);
            Ok(Case { name: name.clone(), gain_db: 20.0 * gain.norm().log10(), found })
        })
        .collect::<Result<_, Failure>>()?;
    bar.finish_and_clear();
    let title = states.first().map_or("", |(_, s)| s.title());
    if args.json {
        return json(title, args, cases);
    }
    if args.csv {
        return csv(&cases);
    }
    print(&text(title, args, &cases))
}

fn states(subject: &Subject, args: &BreakupArgs) -> Result<Vec<(String, AmpState)>, Failure> {
    if let Some(control) = &args.control {
        let state = subject.state(None)?;
        return (0..=5)
            .map(|k| {
                let position = f64::from(2 * k);
                let at: Position = position.to_string().parse().map_err(Failure::fault)?;
                Ok((format!("{control} {position}"), state.with_position(control, at)?))
            })
            .collect();
    }
    Ok(match subject {
        Subject::Amp(amp) => vec![(amp.name().to_owned(), amp.state().clone())],
        Subject::Job(job) => job.versions().map(|v| (v.version().to_owned(), v.clone())).collect(),
    })
}

fn volts_and_difference(case: &Case, first: &Case, k: usize) -> String {
    match (case.found.onset_volts[k], first.found.onset_volts[k]) {
        (Some(v), Some(f)) => format!("{v:.4} V ({:+.1} dB)", 20.0 * (v / f).log10()),
        (Some(v), None) => format!("{v:.4} V"),
        (None, _) => "not up to 5 V".to_owned(),
    }
}

fn text(title: &str, args: &BreakupArgs, cases: &[Case]) -> String {
    let mut text = format!(
        "{title}: {} Hz, peak volts at the input where THD at the output reaches\n\n",
        args.frequency
    );
    let mut table =
        Table::new(&["", "gain", "1 %", "3 %", "10 %", "nearest to grid conduction at 1 %"]);
    for case in cases {
        let mut cells = vec![case.name.clone(), format!("{:+.2} dB", case.gain_db)];
        cells.extend((0..3).map(|k| volts_and_difference(case, &cases[0], k)));
        cells.push(case.found.first_stage.clone().unwrap_or_default());
        table.row(cells);
    }
    text.push_str(&table.text());
    text.push_str(
        "\n  Negative decibels: breaks up earlier than the first line. Gain is the small-signal\n  \
         gain at this frequency, in the unit of the output node per volt.\n",
    );
    if args.control.is_some()
        && let Some(flat) = flattens(cases)
    {
        let _ = writeln!(
            text,
            "  From {flat} on the gain rises by less than 0.5 dB for each step of 2."
        );
    }
    text
}

/// The first position from which no further step raises the gain by half a decibel.
fn flattens(cases: &[Case]) -> Option<&str> {
    let rises: Vec<f64> = cases.windows(2).map(|w| w[1].gain_db - w[0].gain_db).collect();
    let at = rises.iter().rposition(|r| r.abs() >= 0.5).map_or(0, |k| k + 1);
    (at < rises.len()).then(|| cases[at].name.as_str())
}

fn csv(cases: &[Case]) -> Result<(), Failure> {
    let mut text = "case,input_peak_v,output_peak,thd_percent\n".to_owned();
    for case in cases {
        let name = case.name.replace('"', "\"\"");
        for l in &case.found.levels {
            let _ = writeln!(
                text,
                "\"{name}\",{:.6},{:.6e},{:.6}",
                l.input_peak_volts, l.output_peak, l.thd_percent
            );
        }
    }
    print(&text)
}

fn json(title: &str, args: &BreakupArgs, cases: Vec<Case>) -> Result<(), Failure> {
    let level = |l: crate::analysis::breakup::Level| LevelJson {
        input_peak_volts: l.input_peak_volts,
        output_peak: l.output_peak,
        thd_percent: l.thd_percent,
        stages: l
            .stages
            .into_iter()
            .map(|s| StageJson {
                valve: s.valve,
                drive: s.drive,
                conducting_percent: s.conducting_percent,
            })
            .collect(),
    };
    let cases = cases
        .into_iter()
        .map(|c| CaseJson {
            name: c.name,
            small_signal_gain_db: c.gain_db,
            onset_volts: c.found.onset_volts,
            first_stage: c.found.first_stage,
            levels: c.found.levels.into_iter().map(level).collect(),
        })
        .collect();
    let all = BreakupJson {
        schema: "presolder-breakup/1",
        amp: title,
        frequency_hz: args.frequency,
        thresholds_percent: THRESHOLDS_PERCENT,
        cases,
    };
    let text = serde_json::to_string_pretty(&all).map_err(Failure::fault)?;
    print(&format!("{text}\n"))
}
