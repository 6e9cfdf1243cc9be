//! One amp of many: every part off its value by as much as its tolerance allows.

use serde::{Deserialize, Serialize};

use crate::analysis::dials::{value_of, with_value};
use crate::circuit::{Circuit, CircuitError, Kind};
use crate::random::{Counter, unit};

/// How far a part may be off.
#[derive(Clone, Debug, PartialEq)]
pub struct Tolerance {
    pub part: String,
    /// Share of the value: 0.1 for 10 %.
    pub share: f64,
    /// Whether this part was put in by the change that is looked at, so that it has luck of its own
    /// rather than that of the part it replaces.
    pub fresh: bool,
}

/// How values lie within their tolerance.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Distribution {
    /// Anywhere within it alike.
    #[default]
    Uniform,
    /// Around the value, with the tolerance at two standard deviations, none beyond it.
    Normal,
}

/// Standard deviations at the tolerance.
const DEVIATIONS: f64 = 2.0;

impl Distribution {
    /// A deviation as a share of the tolerance, -1 to 1.
    pub fn deviation(self, counter: Counter) -> f64 {
        match self {
            Self::Uniform => 2.0 * unit(counter) - 1.0,
            Self::Normal => {
                let mut counter = counter;
                loop {
                    // G. Box, M. Muller, "A note on the generation of random normal deviates", Ann.
                    // Math. Stat. 29(2), 1958; what lies beyond the tolerance is drawn again.
                    let radius = (-2.0 * (1.0 - unit(counter)).ln()).sqrt();
                    let angle = std::f64::consts::TAU * unit(counter.next());
                    let share = radius * angle.cos() / DEVIATIONS;
                    if share.abs() <= 1.0 {
                        return share;
                    }
                    counter = counter.next().next();
                }
            }
        }
    }
}

/// A part that is off by a factor: its value, or all currents of a valve. `None` for what has no
/// single value.
pub fn off_by(kind: &Kind, factor: f64) -> Option<Kind> {
    let mut kind = kind.clone();
    match &mut kind {
        Kind::Triode { valve, .. } => *valve = valve.scaled(factor),
        Kind::Pentode { valve, .. } => *valve = valve.scaled(factor),
        Kind::Inductor { henries, .. } => *henries *= factor,
        other => {
            let value = value_of(other)?;
            return Some(with_value(other, factor * value));
        }
    }
    Some(kind)
}

/// A circuit with every part off by the given share of its tolerance (-1 to 1).
///
/// # Errors
/// [`CircuitError::UnknownPart`].
pub fn deviated(
    circuit: &Circuit,
    tolerances: &[Tolerance],
    deviation: impl Fn(usize, &Tolerance) -> f64,
) -> Result<Circuit, CircuitError> {
    let mut circuit = circuit.clone();
    for (index, t) in tolerances.iter().enumerate() {
        let missing = || CircuitError::UnknownPart { part: t.part.clone() };
        let kind = &circuit.part(&t.part).ok_or_else(missing)?.kind;
        if let Some(new) = off_by(kind, 1.0 + t.share * deviation(index, t)) {
            circuit.replace(&t.part, new)?;
        }
    }
    Ok(circuit)
}

/// The circuit of one draw. A part of the same name has the same luck in every version, unless it
/// is fresh in one.
///
/// # Errors
/// As [`deviated`].
pub fn drawn(
    circuit: &Circuit,
    tolerances: &[Tolerance],
    distribution: Distribution,
    seed: u64,
    draw: u64,
) -> Result<Circuit, CircuitError> {
    let here = Counter::new(seed, draw);
    deviated(circuit, tolerances, |_, t| {
        let own = here.named(&t.part);
        distribution.deviation(if t.fresh { own.named("fresh") } else { own })
    })
}
