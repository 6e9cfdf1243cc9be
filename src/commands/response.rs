//! `presolder response`: the exact gain, or the one measured through the render path.

use std::path::PathBuf;

use clap::{ArgGroup, Args};
use serde::Serialize;

use super::failure::Failure;
use super::input::open_subject;
use super::output::print;
use crate::amp::{AmpState, BuiltCircuit, INPUT_PART};
use crate::analysis::corners::decibels;
use crate::audio::write_whole;
use crate::circuit::{LinearCircuit, Node};
use crate::plot::{self, Curve};
use crate::render::RenderError;
use crate::report::NodeSweep;

/// Gain from the input to the output or any node: exact from the circuit, or as rendered.
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  presolder response larkspur-22 --frequencies 82.41,1000 --rendered",
    group = ArgGroup::new("form").args(["csv", "json"])
)]
pub struct ResponseArgs {
    /// A preset's name, an amp file or a job file
    amp_or_job: String,
    /// Version of a job (its first if left out)
    #[arg(long)]
    version: Option<String>,
    /// Node to look at (the amp's output if left out)
    #[arg(long)]
    at: Option<String>,
    /// Frequencies in hertz, parted by commas
    #[arg(long, value_delimiter = ',', conflicts_with = "points", value_parser = frequency)]
    frequencies: Vec<f64>,
    /// Number of points from 10 Hz to 20 kHz
    #[arg(long, default_value_t = 200, value_parser = clap::value_parser!(u32).range(2..=100_000))]
    points: u32,
    /// Measure the gain through the render path, by FFT of a rendered sweep
    #[arg(long)]
    rendered: bool,
    /// Sample rate of the rendered sweep, in hertz
    #[arg(long, default_value_t = 48_000, value_parser = clap::value_parser!(u32).range(44_100..=192_000))]
    rate: u32,
    /// Print comma-separated values (the default)
    #[arg(long)]
    csv: bool,
    /// Print JSON
    #[arg(long)]
    json: bool,
    /// Write a plot as SVG
    #[arg(long, value_name = "FILE")]
    svg: Option<PathBuf>,
    /// Write a plot as PNG
    #[arg(long, value_name = "FILE")]
    png: Option<PathBuf>,
    /// Overwrite plots that are there
    #[arg(long)]
    force: bool,
}

/// Reads a frequency of the command line.
fn frequency(text: &str) -> Result<f64, String> {
    match text.trim().parse::<f64>() {
        Ok(hz) if hz.is_finite() && hz > 0.0 => Ok(hz),
        _ => Err(format!("{text:?} is no frequency; give hertz above zero, such as 82.41")),
    }
}

#[derive(Serialize)]
struct ResponseJson<'a> {
    schema: &'static str,
    amp: &'a str,
    version: &'a str,
    node: &'a str,
    rendered_at_hz: Option<u32>,
    frequency_hz: &'a [f64],
    magnitude_db: &'a [f64],
    phase_deg: &'a [f64],
}

/// Runs the command.
///
/// # Errors
/// [`Failure`].
pub fn run(args: &ResponseArgs) -> Result<(), Failure> {
    let subject = open_subject(&args.amp_or_job)?;
    let state = subject.state(args.version.as_deref())?;
    let built = state.circuit()?;
    let node = match &args.at {
        None => built.output,
        Some(name) => built.node(name)?,
    };
    let name = args.at.as_deref().unwrap_or(&built.output_name);
    let frequency_hz = grid(args);
    let gains = gains(args, &state, &built, node, &frequency_hz)?;
    let magnitude_db: Vec<f64> = gains.iter().map(|g| decibels(*g)).collect();
    let phase_deg: Vec<f64> = gains.iter().map(|g| g.arg().to_degrees()).collect();
    if args.json {
        let json = ResponseJson {
            schema: "presolder-response/1",
            amp: state.title(),
            version: state.version(),
            node: name,
            rendered_at_hz: args.rendered.then_some(args.rate),
            frequency_hz: &frequency_hz,
            magnitude_db: &magnitude_db,
            phase_deg: &phase_deg,
        };
        print(&format!("{}\n", serde_json::to_string_pretty(&json).map_err(Failure::fault)?))?;
    } else if args.csv || (args.svg.is_none() && args.png.is_none()) {
        let mut text = String::from("frequency_hz,magnitude_db,phase_deg\n");
        for ((hz, db), deg) in frequency_hz.iter().zip(&magnitude_db).zip(&phase_deg) {
            text.push_str(&format!("{hz},{db:.6},{deg:.5}\n"));
        }
        print(&text)?;
    }
    let points = frequency_hz.iter().copied().zip(magnitude_db.iter().copied()).collect();
    let title = format!("{}: response at {name}", state.title());
    let figure = plot::response(title, vec![Curve::new(state.version(), points)], &guides(&built));
    if let Some(path) = &args.svg {
        let svg = figure.to_svg().map_err(Failure::fault)?;
        write_whole(path, svg.as_bytes(), args.force)?;
    }
    if let Some(path) = &args.png {
        write_whole(path, &figure.to_png().map_err(Failure::fault)?, args.force)?;
    }
    Ok(())
}

/// What frequency axes mark: open strings, and the speaker's range of use where there is one.
pub fn guides(built: &BuiltCircuit) -> plot::Guides {
    let range = built.speakers.first().map(|s| s.range_of_use);
    plot::Guides { strings: true, range_of_use_hz: range.map(|r| (r.lowest_hz, r.highest_hz)) }
}

fn grid(args: &ResponseArgs) -> Vec<f64> {
    if !args.frequencies.is_empty() {
        return args.frequencies.clone();
    }
    let last = f64::from(args.points - 1);
    (0..args.points).map(|k| 10.0 * 2000f64.powf(f64::from(k) / last)).collect()
}

fn gains(
    args: &ResponseArgs,
    state: &AmpState,
    built: &BuiltCircuit,
    node: Node,
    frequency_hz: &[f64],
) -> Result<Vec<nalgebra::Complex<f64>>, Failure> {
    let version = state.version();
    let wrong = |source| RenderError::Circuit { version: version.to_owned(), source };
    let linear = LinearCircuit::of(&built.circuit).map_err(wrong)?;
    if args.rendered {
        let sweep = NodeSweep::new(f64::from(args.rate)).map_err(Failure::input)?;
        let poles = linear.poles().map_err(wrong)?;
        let response = sweep.measure(version, &linear, &poles, node)?;
        // A frequency outside of what audio can show is the user's to mend.
        return response.gains(frequency_hz).map_err(Failure::input);
    }
    let gains = linear.transfer(INPUT_PART, node).and_then(|t| t.gains(frequency_hz));
    Ok(gains.map_err(wrong)?)
}
