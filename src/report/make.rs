//! Makes the report of a job: every figure from the circuit beside the same figure from audio.

use super::corners::{NodeMeasurements, NodeSweep, corner_nodes, corner_reports};
use super::model::*;
use super::trim::trim_report;
use crate::amp::{AmpState, BuiltCircuit, INPUT_PART, Job};
use crate::analysis::corners::decibels;
use crate::analysis::{GUITAR_STRINGS, MeasuredResponse};
use crate::circuit::{LinearCircuit, Node};
use crate::parallel;
use crate::render::{ClipSource, RenderError};

/// Points of a curve, 10 Hz to 20 kHz.
const POINTS: usize = 400;
const CURVE_HZ: [f64; 2] = [10.0, 20_000.0];

/// The usual words of caution.
pub const CAUTIONS: [&str; 2] = [
    "Valve amplifiers hold lethal voltages, also when switched off. Work inside one is for qualified \
     technicians only: mains off and unplugged, filter capacitors discharged and measured; local \
     electrical codes come first.",
    "Figures come from the circuit as its file describes it; they aid a technician's judgement and \
     certify nothing.",
];

/// A version made ready for analysis.
struct Version<'a> {
    state: &'a AmpState,
    built: BuiltCircuit,
    linear: LinearCircuit,
}

/// Makes the report of a job. `clips` are the job's clips, opened already;
/// `passed` is told of the work as it is done, see [`work`].
///
/// # Errors
/// [`RenderError`].
pub fn make_report(
    job: &Job,
    clips: &[ClipSource],
    sample_rate_hz: f64,
    passed: &(dyn Fn(u64) + Sync),
) -> Result<Report, RenderError> {
    let versions: Vec<Version> = job
        .versions()
        .map(|state| {
            let built = state.circuit()?;
            let linear = LinearCircuit::of(&built.circuit).map_err(|source| {
                RenderError::Circuit { version: state.version().to_owned(), source }
            })?;
            Ok(Version { state, built, linear })
        })
        .collect::<Result<_, RenderError>>()?;
    let sweep = NodeSweep::new(sample_rate_hz)
        .map_err(|source| RenderError::Measure { version: job.compare.before.clone(), source })?;
    let analysed: Vec<(VersionReport, MeasuredResponse)> = parallel::try_map(&versions, |v| {
        let report = version_report(v, &sweep);
        passed(ANALYSIS_FRAMES);
        report
    })?;
    let index = |name: &str| versions.iter().position(|v| v.state.version() == name).unwrap_or(0);
    let (b, a) = (index(&job.compare.before), index(&job.compare.after));
    let (before, after) = (&versions[b], &versions[a]);
    let strings = string_changes(before, after, &analysed[b].1, &analysed[a].1)?;
    let range = before.built.speakers.first().map(|s| RangeReport {
        lowest_hz: s.range_of_use.lowest_hz,
        highest_hz: s.range_of_use.highest_hz,
        below_midband_db: s.range_of_use.below_midband_db,
    });
    let trim = trim_report(job, before.state, after.state, clips, range, &strings, passed)?;
    let mut report = Report {
        schema: SCHEMA,
        title: job.title.clone(),
        amp: job.amp.title().to_owned(),
        digest: job.digest()?,
        path: "linear",
        sample_rate_hz,
        before: job.compare.before.clone(),
        after: job.compare.after.clone(),
        changes: before.state.differences_to(after.state).iter().map(ToString::to_string).collect(),
        output: before.built.output_name.clone(),
        output_unit: if before.built.output_name.ends_with(".pressure") { "Pa/V" } else { "V/V" },
        versions: analysed.into_iter().map(|(report, _)| report).collect(),
        strings,
        range_of_use: range,
        trim,
        driven: None,
        limits: LIMITS,
        failures: Vec::new(),
        cautions: CAUTIONS.iter().map(|c| (*c).to_owned()).collect(),
    };
    if !job.safety.is_empty() {
        report.cautions.push(job.safety.clone());
    }
    report.failures = failures(&report);
    Ok(report)
}

/// A version's responses and corners take about as long as so many frames of a clip.
const ANALYSIS_FRAMES: u64 = 1_000_000;

/// The work of [`make_report`], in frames of a clip: each goes through two versions.
pub fn work(job: &Job, clips: &[ClipSource]) -> u64 {
    let frames: u64 = clips.iter().map(ClipSource::frames).sum();
    ANALYSIS_FRAMES * job.versions().len() as u64 + 2 * frames
}

fn in_version(v: &Version, source: crate::circuit::CircuitError) -> RenderError {
    RenderError::Circuit { version: v.state.version().to_owned(), source }
}

fn version_report(
    v: &Version,
    sweep: &NodeSweep,
) -> Result<(VersionReport, MeasuredResponse), RenderError> {
    let [low, high] = CURVE_HZ;
    let frequency_hz: Vec<f64> =
        (0..POINTS).map(|k| low * (high / low).powf(k as f64 / (POINTS - 1) as f64)).collect();
    let exact = v
        .linear
        .transfer(INPUT_PART, v.built.output)
        .and_then(|t| t.gains(&frequency_hz))
        .map_err(|e| in_version(v, e))?;
    let asked = corner_nodes(&v.linear, v.built.output).map_err(|e| in_version(v, e))?;
    let mut nodes = NodeMeasurements::new(v.state.version(), &v.linear, sweep, &asked)?;
    let measured = nodes.at(v.built.output)?.clone();
    let gains = measured
        .gains(&frequency_hz)
        .map_err(|source| RenderError::Measure { version: v.state.version().to_owned(), source })?;
    let curve = CurveReport {
        exact_db: exact.iter().map(|g| decibels(*g)).collect(),
        exact_deg: exact.iter().map(|g| g.arg().to_degrees()).collect(),
        measured_db: gains.iter().map(|g| decibels(*g)).collect(),
        frequency_hz,
    };
    let mut worst = [0.0f64; 2];
    for ((hz, e), m) in curve.frequency_hz.iter().zip(&curve.exact_db).zip(&curve.measured_db) {
        let slot = usize::from(*hz > 16_000.0);
        worst[slot] = worst[slot].max((m - e).abs());
    }
    let corners = corner_reports(&v.linear, &v.built, &mut nodes)?;
    let report = VersionReport {
        name: v.state.version().to_owned(),
        note: v.state.note().to_owned(),
        positions: knobs(v.state),
        curve,
        largest_difference_to_16_khz_db: worst[0],
        largest_difference_to_20_khz_db: worst[1],
        corners,
    };
    Ok((report, measured))
}

fn knobs(state: &AmpState) -> Vec<KnobReport> {
    let positions = state.positions();
    state
        .controls()
        .iter()
        .map(|(name, control)| {
            let position = positions.get(name).copied().unwrap_or(control.position);
            KnobReport {
                control: name.clone(),
                label: control.label.clone(),
                position: position.number(),
                clock: position.clock(),
            }
        })
        .collect()
}

fn string_changes(
    before: &Version,
    after: &Version,
    measured_before: &MeasuredResponse,
    measured_after: &MeasuredResponse,
) -> Result<Vec<StringChange>, RenderError> {
    let hz: Vec<f64> = GUITAR_STRINGS.iter().map(|p| p.hz()).collect();
    let exact = |v: &Version, node: Node| {
        v.linear.transfer(INPUT_PART, node).and_then(|t| t.gains(&hz)).map_err(|e| in_version(v, e))
    };
    let (b, a) = (exact(before, before.built.output)?, exact(after, after.built.output)?);
    let measured = |v: &Version, m: &MeasuredResponse| {
        m.gains(&hz).map_err(|source| RenderError::Measure {
            version: v.state.version().to_owned(),
            source,
        })
    };
    let (mb, ma) = (measured(before, measured_before)?, measured(after, measured_after)?);
    Ok(GUITAR_STRINGS
        .iter()
        .enumerate()
        .map(|(k, pitch)| StringChange {
            name: pitch.name.to_owned(),
            frequency_hz: hz[k],
            exact_change_db: decibels(a[k] / b[k]),
            measured_change_db: decibels(ma[k] / mb[k]),
        })
        .collect())
}

/// Every figure that is outside of its limit, in words.
fn failures(report: &Report) -> Vec<String> {
    let mut found = Vec::new();
    for v in &report.versions {
        for (off, limit, to) in [
            (v.largest_difference_to_16_khz_db, LIMITS.response_to_16_khz_db, 16),
            (v.largest_difference_to_20_khz_db, LIMITS.response_to_20_khz_db, 20),
        ] {
            // A value that is no number is outside, too.
            if off.is_nan() || off > limit {
                found.push(format!(
                    "version \"{}\": the rendered response is {off:.3} dB off below {to} kHz, limit {limit} dB",
                    v.name
                ));
            }
        }
        for c in &v.corners {
            if let (Some(measured), Some(off)) = (c.measured_hz, c.off_by_share)
                && (off.is_nan() || off.abs() > LIMITS.corner_share)
            {
                found.push(format!(
                    "version \"{}\", {} ({}): {measured:.2} Hz in audio, {:.2} Hz in the circuit, {:.2} % apart",
                    v.name,
                    c.what,
                    c.part,
                    c.theory_hz,
                    100.0 * off
                ));
            }
        }
    }
    found
}
