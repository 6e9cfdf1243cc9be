//! Corners from the circuit beside the same corners from audio.

use indexmap::IndexMap;
use nalgebra::Complex;

use super::model::CornerReport;
use crate::amp::{BuiltCircuit, INPUT_PART};
use crate::analysis::corners::{
    Corner, SEARCH_HZ, Side, amp_corner, corner_near, decibels, section_corner, sections,
};
use crate::analysis::{
    CrossingError, LevelCurve, MeasureError, MeasuredResponse, Sweep, SweepPlan,
};
use crate::circuit::{Circuit, CircuitError, Kind, LinearCircuit, Node};
use crate::parallel;
use crate::render::{RenderError, VersionPlan};
use crate::units::Farads;

/// Responses measured through the render path, one for each node that was asked for.
pub struct NodeMeasurements<'a> {
    version: &'a str,
    linear: &'a LinearCircuit,
    poles: Vec<Complex<f64>>,
    sweep: &'a NodeSweep,
    known: IndexMap<Node, MeasuredResponse>,
}

impl<'a> NodeMeasurements<'a> {
    /// Measures the response from the input to each node of a version, several at a time.
    ///
    /// # Errors
    /// [`RenderError`].
    pub fn new(
        version: &'a str,
        linear: &'a LinearCircuit,
        sweep: &'a NodeSweep,
        nodes: &[Node],
    ) -> Result<Self, RenderError> {
        let wrong = |source| RenderError::Circuit { version: version.to_owned(), source };
        let poles = linear.poles().map_err(wrong)?;
        let known = parallel::try_map(nodes, |&node| {
            Ok::<_, RenderError>((node, sweep.measure(version, linear, &poles, node)?))
        })?;
        Ok(Self { version, linear, poles, sweep, known: known.into_iter().collect() })
    }

    /// The response from the input to a node, measured now if it was not before.
    ///
    /// # Errors
    /// [`RenderError`].
    pub fn at(&mut self, node: Node) -> Result<&MeasuredResponse, RenderError> {
        if !self.known.contains_key(&node) {
            let measured = self.sweep.measure(self.version, self.linear, &self.poles, node)?;
            self.known.insert(node, measured);
        }
        Ok(&self.known[&node])
    }
}

/// The sweep with which responses are measured.
#[derive(Clone, Debug)]
pub struct NodeSweep {
    sweep: Sweep,
    sample_rate_hz: f64,
}

impl NodeSweep {
    /// A sweep over the range in which corners are looked for.
    ///
    /// # Errors
    /// If the sample rate is too low for it.
    pub fn new(sample_rate_hz: f64) -> Result<NodeSweep, MeasureError> {
        let [low, high] = SEARCH_HZ;
        let sweep = SweepPlan::new(sample_rate_hz, low, high)?.prepare();
        Ok(NodeSweep { sweep, sample_rate_hz })
    }

    /// The response of a version from the input to a node, measured through the very path that renders;
    /// `poles` are the circuit's.
    ///
    /// # Errors
    /// [`RenderError`].
    pub fn measure(
        &self,
        version: &str,
        linear: &LinearCircuit,
        poles: &[Complex<f64>],
        node: Node,
    ) -> Result<MeasuredResponse, RenderError> {
        let plan = VersionPlan::linear_to_node(version, linear, poles, node, self.sample_rate_hz)?;
        let wrong = |source| RenderError::Measure { version: version.to_owned(), source };
        // The last quarter of the silence is looked at for what is left.
        let tail_s = 4.0 / 3.0 * plan.tail_s();
        self.sweep.measure(tail_s, &mut |volts| plan.render(volts)).map_err(wrong)
    }
}

/// Every node whose response [`corner_reports`] asks for.
///
/// # Errors
/// [`CircuitError`].
pub fn corner_nodes(linear: &LinearCircuit, output: Node) -> Result<Vec<Node>, CircuitError> {
    let mut nodes = vec![output];
    for plan in sections(linear, INPUT_PART)? {
        for node in [plan.from, plan.to] {
            if !nodes.contains(&node) {
                nodes.push(node);
            }
        }
    }
    Ok(nodes)
}

/// A curve that may fail; the first failure is kept and the curve is no number from there on.
struct Curve<F, E> {
    level: F,
    failure: Option<E>,
}

impl<F: FnMut(&[f64]) -> Result<Vec<f64>, E>, E> Curve<F, E> {
    fn new(level: F) -> Self {
        Self { level, failure: None }
    }

    fn find(
        mut self,
        search: impl FnOnce(&mut LevelCurve) -> Result<Option<Corner>, CrossingError>,
    ) -> Result<Option<Corner>, E> {
        let found = search(&mut |hz: &[f64]| match (self.level)(hz) {
            Ok(db) => db,
            Err(e) => {
                self.failure.get_or_insert(e);
                vec![f64::NAN; hz.len()]
            }
        });
        match (self.failure, found) {
            (Some(failure), _) => Err(failure),
            (None, Ok(corner)) => Ok(corner),
            // A ratio of nothing to nothing has no corner.
            (None, Err(_)) => Ok(None),
        }
    }
}

/// All corners of a version, from the circuit and from audio.
///
/// # Errors
/// [`RenderError`].
pub fn corner_reports(
    linear: &LinearCircuit,
    built: &BuiltCircuit,
    nodes: &mut NodeMeasurements,
) -> Result<Vec<CornerReport>, RenderError> {
    let version = nodes.version.to_owned();
    let wrong = |source: CircuitError| RenderError::Circuit { version: version.clone(), source };
    let mut reports = Vec::new();
    for side in [Side::Low, Side::High] {
        let transfer = linear.transfer(INPUT_PART, built.output).map_err(wrong)?;
        let exact = Curve::new(|hz: &[f64]| Ok(all_decibels(transfer.gains(hz)?)));
        let Some(theory) = exact.find(|f| amp_corner(f, side)).map_err(wrong)? else { continue };
        let measured = nodes.at(built.output)?.clone();
        let curve = Curve::new(|hz: &[f64]| Ok(all_decibels(measured.gains(hz)?)));
        let found = curve
            .find(|f| corner_near(f, &theory))
            .map_err(|source| RenderError::Measure { version: version.clone(), source })?;
        let part = strongest_part(linear, built.output, theory).map_err(wrong)?;
        let what = match side {
            Side::Low => "whole amp, low",
            Side::High => "whole amp, high",
        };
        reports.push(report(linear.circuit(), what.to_owned(), part, theory, found));
    }
    for plan in sections(linear, INPUT_PART).map_err(wrong)? {
        let ratio = |hz: &[f64]| -> Result<Vec<f64>, CircuitError> {
            let g = linear.gains(INPUT_PART, &[plan.from, plan.to], hz)?;
            Ok(ratio_decibels(&g[1], &g[0]))
        };
        let exact = Curve::new(ratio).find(|f| section_corner(f, plan.driven_hz, plan.side));
        let exact = exact.map_err(wrong)?;
        let Some(theory) = exact else { continue };
        let from = nodes.at(plan.from)?.clone();
        let to = nodes.at(plan.to)?.clone();
        let found = Curve::new(|hz: &[f64]| Ok(ratio_decibels(&to.gains(hz)?, &from.gains(hz)?)))
            .find(|f| corner_near(f, &theory))
            .map_err(|source| RenderError::Measure { version: version.clone(), source })?;
        let purpose = built.owner(&plan.part).map_or("", |(_, p)| p.purpose.as_str());
        let what = match (purpose, plan.side) {
            ("", Side::Low) => "coupling".to_owned(),
            ("", Side::High) => "bypass".to_owned(),
            (purpose, _) => purpose.to_owned(),
        };
        reports.push(report(linear.circuit(), what, plan.part.clone(), theory, found));
    }
    Ok(reports)
}

fn all_decibels(gains: Vec<Complex<f64>>) -> Vec<f64> {
    gains.into_iter().map(decibels).collect()
}

fn ratio_decibels(to: &[Complex<f64>], from: &[Complex<f64>]) -> Vec<f64> {
    to.iter().zip(from).map(|(to, from)| decibels(to / from)).collect()
}

fn report(
    circuit: &Circuit,
    what: String,
    part: String,
    theory: Corner,
    measured: Option<Corner>,
) -> CornerReport {
    // An inner part of a speaker, `LS1.Cmes`, is no part that a technician could change.
    let inner = part.contains('.');
    let value = match circuit.part(&part).map(|p| &p.kind) {
        Some(Kind::Capacitor { farads, .. }) if !inner => Farads(*farads).to_string(),
        _ => String::new(),
    };
    let part = part.split('.').next().unwrap_or(&part).to_owned();
    let measured_hz = measured.map(|c| c.frequency_hz);
    CornerReport {
        what,
        part,
        value,
        theory_hz: theory.frequency_hz,
        measured_hz,
        off_by_share: measured_hz.map(|m| m / theory.frequency_hz - 1.0),
    }
}

/// The capacitor or inductance, or what in the loudspeaker makes its sound, that moves a corner of the whole amp
/// most: the one whose change by a hundredth changes the level at the corner most, relative to the reference.
fn strongest_part(
    linear: &LinearCircuit,
    output: Node,
    corner: Corner,
) -> Result<String, CircuitError> {
    let hz = [corner.frequency_hz, corner.reference_hz];
    let moved = linear.level_sensitivities(INPUT_PART, output, &hz)?;
    let mut best = (String::new(), 0.0);
    for (part, by) in moved {
        let change = (by[0] - by[1]).abs();
        if change > best.1 {
            best = (part, change);
        }
    }
    Ok(best.0)
}
