//! Which single part, with another value, would bring one amp nearest to the other.

use serde::Serialize;

use crate::circuit::{Circuit, CircuitError, Kind};
use crate::parallel;
use crate::units::{Farads, Ohms, Quantity, Series};

use super::band::Distance;
use super::dialled::{Dialled, turned};
use super::scale::Rules;
use super::search::{Atlas, follow};

/// Values are tried up to this factor above and below what is there.
const SPAN: f64 = 10.0;

/// One part with the value that helps most.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct PartChange {
    pub part: String,
    /// Ohms or farads as it is.
    pub from: f64,
    /// The value that brings the whole difference lowest, with the free knobs set anew.
    pub to: f64,
    /// Shares of the rotation of the free knobs then.
    pub turns: Vec<f64>,
    #[serde(flatten)]
    pub distance: Distance,
}

/// The single changes that could be tried, the best first.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct PartChanges {
    /// Distance as things are, with the free knobs set for the least whole difference.
    pub now: Distance,
    pub changes: Vec<PartChange>,
    /// Parts left out: another value would move the operating point of a valve.
    pub left_out: Vec<String>,
}

/// Tries every resistor, capacitor and pot of a circuit with the values of a series, and with the
/// value of the part of the same name in `model`, against a response; the free knobs of `dialled`
/// are set anew each time, and no level is made up.
///
/// # Errors
/// As [`Dialled::open`] and [`Dialled::levels_into`].
pub fn single_changes(
    target_db: &[f64],
    dialled: &Dialled,
    model: Option<&Circuit>,
    series: Series,
    rules: &Rules,
    tick: &(dyn Fn() + Sync),
) -> Result<PartChanges, CircuitError> {
    let at_best = Atlas::new(dialled, &rules.band)?.closest(target_db, false)?;
    let bench = dialled.bench();
    let mut left_out = Vec::new();
    let mut parts: Vec<(String, f64, Kind)> = Vec::new();
    for part in bench.circuit().parts() {
        let Some(value) = value_of(&part.kind) else { continue };
        if bench.keeps_bias(&part.name) {
            parts.push((part.name.clone(), value, part.kind.clone()));
        } else {
            left_out.push(part.name.clone());
        }
    }
    let tried: Vec<Option<PartChange>> = parallel::try_map(&parts, |(name, value, kind)| {
        let theirs = model.and_then(|m| m.part(name)).and_then(|p| value_of(&p.kind));
        let opened = dialled.open(name)?;
        let mut best: Option<(f64, Distance)> = None;
        for to in candidates(kind, *value, theirs, series) {
            let other = opened.with(&with_value(kind, to))?;
            let found = follow(&other, &rules.band, target_db, false, &at_best.turns)?;
            if best.is_none_or(|b| found.distance.whole_db < b.1.whole_db) {
                best = Some((to, found.distance));
            }
        }
        tick();
        // The best value's knobs are looked for once more over all their travel.
        let Some((to, _)) = best else { return Ok(None) };
        let other = opened.with(&with_value(kind, to))?;
        let closest = Atlas::new(&other, &rules.band)?.closest(target_db, false)?;
        let (turns, distance) = (closest.turns, closest.distance);
        Ok::<_, CircuitError>(Some(PartChange {
            part: name.clone(),
            from: *value,
            to,
            turns,
            distance,
        }))
    })?;
    let mut changes: Vec<PartChange> = tried.into_iter().flatten().collect();
    changes.sort_by(|a, b| a.distance.whole_db.total_cmp(&b.distance.whole_db));
    Ok(PartChanges { now: at_best.distance, changes, left_out })
}

/// Ohms or farads of what can be exchanged for another value.
pub fn value_of(kind: &Kind) -> Option<f64> {
    match kind {
        Kind::Resistor { ohms, .. }
        | Kind::Potentiometer { ohms, .. }
        | Kind::Rheostat { ohms, .. } => Some(*ohms),
        Kind::Capacitor { farads, .. } => Some(*farads),
        _ => None,
    }
}

/// The same part with another value; the wiper stays where it is.
pub fn with_value(kind: &Kind, value: f64) -> Kind {
    let mut kind = turned(kind, share(kind));
    match &mut kind {
        Kind::Resistor { ohms, .. }
        | Kind::Potentiometer { ohms, .. }
        | Kind::Rheostat { ohms, .. } => *ohms = value,
        Kind::Capacitor { farads, .. } => *farads = value,
        Kind::Inductor { henries, .. } => *henries = value,
        _ => {}
    }
    kind
}

fn share(kind: &Kind) -> f64 {
    match kind {
        Kind::Potentiometer { fraction, .. } | Kind::Rheostat { fraction, .. } => *fraction,
        _ => 0.0,
    }
}

fn candidates(kind: &Kind, value: f64, theirs: Option<f64>, series: Series) -> Vec<f64> {
    let (low, high) = (value / SPAN, value * SPAN);
    let mut values: Vec<f64> = match kind {
        Kind::Capacitor { .. } => {
            series.range(Farads(low), Farads(high)).map(Quantity::si).collect()
        }
        _ => series.range(Ohms(low), Ohms(high)).map(Quantity::si).collect(),
    };
    values.extend(theirs);
    values.retain(|v| (v / value - 1.0).abs() > 1e-9);
    values
}
