//! `presolder tone`: the settled answer of the circuit with its valves to a sine.

use std::fmt::Write;
use std::sync::Arc;

use clap::{ArgGroup, Args};
use serde::Serialize;

use super::failure::Failure;
use super::input::open_subject;
use super::output::print;
use super::render::quality;
use crate::amp::INPUT_PART;
use crate::analysis::tone::ToneRun;
use crate::driven::{DrivenPlan, Quality};
use crate::units::Volts;

/// The settled answer to a sine: DC, peak volts and phase of harmonics 1 to 20, THD.
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  presolder tone larkspur-22 --frequency 220 --peak 0.2 --at p1a --quality draft",
    group = ArgGroup::new("form").args(["csv", "json"])
)]
pub struct ToneArgs {
    /// A preset's name, an amp file or a job file
    amp_or_job: String,
    /// Frequency of the sine, in hertz
    #[arg(long, default_value_t = 220.0, value_parser = hertz)]
    frequency: f64,
    /// Its peak at the input, in volts
    #[arg(long, default_value_t = 0.2, value_parser = volts)]
    peak: f64,
    /// Node to look at (the amp's output if left out)
    #[arg(long)]
    at: Option<String>,
    /// Version of a job (its first if left out)
    #[arg(long)]
    version: Option<String>,
    /// How finely the driven path steps: draft, fair, standard or fine
    #[arg(long, default_value = "standard", value_parser = quality)]
    quality: Quality,
    /// Print comma-separated values
    #[arg(long)]
    csv: bool,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

/// Reads a frequency that has room for a harmonic or two.
pub(super) fn hertz(text: &str) -> Result<f64, String> {
    match text.trim().parse::<f64>() {
        Ok(hz) if (10.0..=10_000.0).contains(&hz) => Ok(hz),
        _ => Err(format!("{text:?} is no frequency here; give 10 to 10000, in hertz")),
    }
}

/// Reads a peak level, plain or with its unit.
fn volts(text: &str) -> Result<f64, String> {
    let read = text.trim().parse::<f64>().ok().or_else(|| text.parse::<Volts>().ok().map(|v| v.0));
    match read {
        Some(v) if v.is_finite() && v > 0.0 && v <= 1000.0 => Ok(v),
        _ => Err(format!("{text:?} is no level here; give volts above 0, such as 0.2")),
    }
}

#[derive(Serialize)]
struct HarmonicJson {
    harmonic: usize,
    peak_v: f64,
    phase_deg_re_cos: f64,
}

#[derive(Serialize)]
struct ToneJson<'a> {
    schema: &'static str,
    amp: &'a str,
    version: &'a str,
    node: &'a str,
    frequency_hz: f64,
    input_peak_volts: f64,
    quality: &'static str,
    settled: bool,
    dc_volts: f64,
    thd_percent: f64,
    steps_not_converged: u64,
    harmonics: Vec<HarmonicJson>,
}

/// Runs the command.
///
/// # Errors
/// [`Failure`].
pub fn run(args: &ToneArgs) -> Result<(), Failure> {
    let state = open_subject(&args.amp_or_job)?.state(args.version.as_deref())?;
    let built = state.circuit()?;
    let node = match &args.at {
        None => built.output,
        Some(name) => built.node(name)?,
    };
    let name = args.at.as_deref().unwrap_or(&built.output_name);
    let plan = DrivenPlan::new(&built.circuit, INPUT_PART, &[node], 48_000.0, args.quality)?;
    let mut run = ToneRun::new(&Arc::new(plan), args.frequency);
    let tone = run.settle(args.peak);
    let troubles = run.processor().troubles();
    if args.json {
        let json = ToneJson {
            schema: "presolder-tone/1",
            amp: state.title(),
            version: state.version(),
            node: name,
            frequency_hz: args.frequency,
            input_peak_volts: args.peak,
            quality: args.quality.name(),
            settled: tone.settled,
            dc_volts: tone.dc_volts,
            thd_percent: tone.thd_percent(),
            steps_not_converged: troubles.not_converged + troubles.not_finite,
            harmonics: tone
                .harmonics
                .iter()
                .map(|h| HarmonicJson {
                    harmonic: h.number,
                    peak_v: h.peak_volts,
                    phase_deg_re_cos: h.phase_deg,
                })
                .collect(),
        };
        let text = serde_json::to_string_pretty(&json).map_err(Failure::fault)?;
        return print(&format!("{text}\n"));
    }
    let mut text = String::new();
    let rows = |text: &mut String| {
        let _ = writeln!(text, "harmonic,peak_v,phase_deg_re_cos");
        let _ = writeln!(text, "0,{:.9e},0", tone.dc_volts);
        for h in &tone.harmonics {
            let _ = writeln!(text, "{},{:.9e},{:.3}", h.number, h.peak_volts, h.phase_deg);
        }
    };
    if args.csv {
        rows(&mut text);
        return print(&text);
    }
    let _ = writeln!(
        text,
        "{}: {} Hz of {} V peak at the input, settled answer at {name}",
        state.title(),
        args.frequency,
        args.peak
    );
    // No minus before a zero.
    let dc = if tone.dc_volts.abs() < 5e-5 { 0.0 } else { tone.dc_volts };
    let unit = if name.ends_with(".pressure") { "Pa" } else { "V" };
    let _ = writeln!(text, "  DC {:.4} {unit}, THD {:.3} %", dc, tone.thd_percent());
    let _ = writeln!(text, "  harmonic     peak {unit:<2}        dB   phase (re cosine)");
    for h in &tone.harmonics {
        let db = 20.0 * (h.peak_volts / tone.fundamental_volts().max(1e-300)).max(1e-30).log10();
        let _ = writeln!(
            text,
            "  {:>8} {:>12} {:>9.2}   {:>8.2} deg",
            h.number,
            digits(h.peak_volts),
            db,
            h.phase_deg
        );
    }
    if !tone.settled {
        let _ =
            writeln!(text, "  The answer had not settled after 6 s; these are its last values.");
    }
    if troubles.not_converged + troubles.not_finite > 0 {
        let _ = writeln!(
            text,
            "  {} steps did not converge: take the figures with care.",
            troubles.not_converged + troubles.not_finite
        );
    }
    print(&text)
}

/// A value to five digits, small ones by their power of ten.
fn digits(value: f64) -> String {
    match value {
        v if (1e-4..1e6).contains(&v) => {
            format!("{v:.*}", (4 - v.log10().floor() as i32).clamp(0, 8) as usize)
        }
        v => format!("{v:.4e}"),
    }
}
