//! From the keys of a part to a part: which keys belong to which kind, and what they may be.

use crate::units::{Ohms, Percent, Quantity, Volts, Watts};

use super::part::{Construction, Part, PartKind, Rating, usual_tolerance};
use super::source::{Origin, Shelf};
use super::spec::{KindName, OneOrMore, PartSpec, Scalar};
use crate::names::nearest;

/// A fault of a part: the key it lies at, if at one, and what is wrong.
#[derive(Clone, Debug)]
pub(super) struct Fault {
    pub key: Option<&'static str>,
    pub problem: String,
}

fn at(key: &'static str, problem: impl Into<String>) -> Fault {
    Fault { key: Some(key), problem: problem.into() }
}

/// Most windings of one transformer.
const MOST_WINDINGS: usize = 16;

/// Keys that a kind must have, and those that it may have beside them.
fn keys(kind: KindName) -> (&'static [&'static str], &'static [&'static str]) {
    match kind {
        KindName::Resistor => {
            (&["value", "between"], &["construction", "rating", "tolerance", "purpose"])
        }
        KindName::Capacitor => {
            (&["value", "between"], &["construction", "rating", "tolerance", "purpose"])
        }
        KindName::Inductor => (&["value", "between"], &["resistance", "tolerance", "purpose"]),
        KindName::Transformer => (&["coupling", "windings"], &["purpose"]),
        KindName::Pot => {
            (&["value", "hot", "wiper", "cold"], &["end", "set", "rating", "tolerance", "purpose"])
        }
        KindName::Rheostat => {
            (&["value", "between"], &["end", "set", "rating", "tolerance", "purpose"])
        }
        KindName::Triode => (&["type", "plate", "grid", "cathode"], &["tolerance", "purpose"]),
        KindName::Pentode => {
            (&["type", "plate", "screen", "grid", "cathode"], &["tolerance", "purpose"])
        }
        KindName::Diode => {
            (&["anode", "cathode", "saturation"], &["emission", "rating", "purpose"])
        }
        KindName::Source => (&["value", "between"], &["purpose"]),
        KindName::Speaker => (&["model", "between"], &["tolerance", "purpose"]),
    }
}

/// "a resistor", "an inductor".
pub(super) fn a(kind: KindName) -> String {
    let article = if kind == KindName::Inductor { "an" } else { "a" };
    format!("{article} {}", kind.as_str())
}

/// The key that a bare new value stands for, as in `C7 = "22n"`.
pub(super) fn main_key(kind: KindName) -> Option<&'static str> {
    match kind {
        KindName::Resistor
        | KindName::Capacitor
        | KindName::Inductor
        | KindName::Pot
        | KindName::Rheostat
        | KindName::Source => Some("value"),
        KindName::Triode | KindName::Pentode => Some("type"),
        KindName::Speaker => Some("model"),
        KindName::Transformer | KindName::Diode => None,
    }
}

/// Makes a part of its keys.
pub(super) fn part(spec: &PartSpec, shelf: &Shelf, origin: &Origin) -> Result<Part, Fault> {
    let Some(kind_name) = spec.kind else {
        return Err(Fault { key: None, problem: "the key kind is missing".to_owned() });
    };
    let (required, optional) = keys(kind_name);
    let set = spec.keys();
    let known = || required.iter().chain(optional).copied();
    for key in set.iter().filter(|k| **k != "kind") {
        if !known().any(|k| k == *key) {
            let hint = nearest(key, known());
            let hint = if hint.starts_with("did") {
                hint
            } else {
                format!("its keys are {}", known().collect::<Vec<_>>().join(", "))
            };
            return Err(at(key, format!("{} has no key {key}; {hint}", a(kind_name))));
        }
    }
    if let Some(missing) = required.iter().find(|k| !set.contains(k)) {
        let problem = format!("{} needs the key {missing}", a(kind_name));
        return Err(Fault { key: None, problem });
    }
    let kind = kind(kind_name, spec, shelf, origin)?;
    for (key, node) in kind.nodes() {
        check_node(node).map_err(|problem| at(key, problem))?;
    }
    let construction = construction(kind_name, spec)?;
    let tolerance = match spec.tolerance {
        Some(t) if t.0 > 0.0 && t.0 < 100.0 => t,
        Some(t) => {
            return Err(at("tolerance", format!("{t} is not above 0 % and below 100 %")));
        }
        None => {
            construction.map_or_else(|| usual_tolerance(kind_name), Construction::usual_tolerance)
        }
    };
    Ok(Part {
        kind,
        rating: rating(kind_name, spec.rating.as_ref())?,
        construction,
        tolerance,
        purpose: spec.purpose.clone().unwrap_or_default(),
        file: origin.file.clone(),
        line: None,
        spec: spec.clone(),
    })
}

/// What [`part`] has made sure of by the table of required keys.
fn given<'a, T>(value: Option<&'a T>, key: &'static str) -> Result<&'a T, Fault> {
    value.ok_or_else(|| at(key, format!("the key {key} is missing")))
}

fn kind(
    name: KindName,
    spec: &PartSpec,
    shelf: &Shelf,
    origin: &Origin,
) -> Result<PartKind, Fault> {
    let node = |value: &Option<String>, key| given(value.as_ref(), key).cloned();
    let between = || -> Result<[String; 2], Fault> {
        let ends = given(spec.between.as_ref(), "between")?;
        if ends[0] == ends[1] {
            return Err(at("between", format!("both ends are at the node {}", ends[0])));
        }
        Ok(ends.clone())
    };
    Ok(match name {
        KindName::Resistor => {
            PartKind::Resistor { between: between()?, value: positive(spec, "resistance")? }
        }
        KindName::Capacitor => {
            PartKind::Capacitor { between: between()?, value: positive(spec, "capacitance")? }
        }
        KindName::Inductor => PartKind::Inductor {
            between: between()?,
            value: positive(spec, "inductance")?,
            resistance: spec.resistance.unwrap_or(Ohms(0.0)),
        },
        KindName::Transformer => transformer(spec)?,
        KindName::Pot => PartKind::Pot {
            hot: node(&spec.hot, "hot")?,
            wiper: node(&spec.wiper, "wiper")?,
            cold: node(&spec.cold, "cold")?,
            value: positive(spec, "resistance")?,
            end: end(spec)?,
            set: share(spec)?,
        },
        KindName::Rheostat => PartKind::Rheostat {
            between: between()?,
            value: positive(spec, "resistance")?,
            end: end(spec)?,
            set: share(spec)?,
        },
        KindName::Triode => {
            let valve = given(spec.r#type.as_ref(), "type")?;
            PartKind::Triode {
                plate: node(&spec.plate, "plate")?,
                grid: node(&spec.grid, "grid")?,
                cathode: node(&spec.cathode, "cathode")?,
                valve: shelf.valves.triode(valve).map_err(|e| at("type", e.to_string()))?,
            }
        }
        KindName::Pentode => {
            let valve = given(spec.r#type.as_ref(), "type")?;
            PartKind::Pentode {
                plate: node(&spec.plate, "plate")?,
                screen: node(&spec.screen, "screen")?,
                grid: node(&spec.grid, "grid")?,
                cathode: node(&spec.cathode, "cathode")?,
                valve: shelf.valves.pentode(valve).map_err(|e| at("type", e.to_string()))?,
            }
        }
        KindName::Diode => {
            let saturation = *given(spec.saturation.as_ref(), "saturation")?;
            // Fractions of a picoampere to a leaky power diode; the bounds keep the exponential
            // law within floating point.
            if !(1e-18..=1e-3).contains(&saturation.0) {
                let problem = format!("{saturation} is not from 1e-18 A to 1 mA");
                return Err(at("saturation", problem));
            }
            let emission = spec.emission.unwrap_or(1.0);
            if !(0.5..=10.0).contains(&emission) {
                return Err(at("emission", format!("{emission} is not from 0.5 to 10")));
            }
            PartKind::Diode {
                anode: node(&spec.anode, "anode")?,
                cathode: node(&spec.cathode, "cathode")?,
                saturation,
                emission,
            }
        }
        KindName::Source => PartKind::Source { between: between()?, value: value::<Volts>(spec)? },
        KindName::Speaker => {
            let model = given(spec.model.as_ref(), "model")?;
            PartKind::Speaker {
                between: between()?,
                model: model.clone(),
                speaker: shelf.speaker(model, origin).map_err(|e| at("model", e))?,
            }
        }
    })
}

fn transformer(spec: &PartSpec) -> Result<PartKind, Fault> {
    let coupling = *given(spec.coupling.as_ref(), "coupling")?;
    if !(0.0..1.0).contains(&coupling) {
        return Err(at("coupling", format!("{coupling} is not from 0 to below 1")));
    }
    let windings = given(spec.windings.as_ref(), "windings")?;
    if windings.is_empty() || windings.len() > MOST_WINDINGS {
        let problem =
            format!("{} windings; a transformer has 1 to {MOST_WINDINGS}", windings.len());
        return Err(at("windings", problem));
    }
    for (i, w) in windings.iter().enumerate() {
        let fault = |problem: String| at("windings", format!("winding {}: {problem}", w.name));
        if w.inductance.0 <= 0.0 {
            return Err(fault(format!(
                "the inductance is {}; it must be above zero",
                w.inductance
            )));
        }
        if w.between[0] == w.between[1] {
            return Err(fault(format!("both ends are at the node {}", w.between[0])));
        }
        if windings[..i].iter().any(|other| other.name == w.name) {
            return Err(fault("the name is there twice".to_owned()));
        }
    }
    Ok(PartKind::Transformer { windings: windings.clone(), coupling })
}

fn value<Q: Quantity>(spec: &PartSpec) -> Result<Q, Fault> {
    let Scalar(text) = given(spec.value.as_ref(), "value")?;
    text.parse().map_err(|e: Q::Err| at("value", e.to_string()))
}

fn positive<Q: Quantity>(spec: &PartSpec, what: &str) -> Result<Q, Fault> {
    let value: Q = value(spec)?;
    if value.si() > 0.0 {
        Ok(value)
    } else {
        Err(at("value", format!("the {what} is {value}; it must be above zero")))
    }
}

fn end(spec: &PartSpec) -> Result<Ohms, Fault> {
    // What a carbon track keeps at its ends: common practice, no source.
    let end = spec.end.unwrap_or(Ohms(1.0));
    let track: Ohms = value(spec)?;
    if end.0 > 0.0 && end.0 < track.0 / 2.0 {
        Ok(end)
    } else {
        Err(at("end", format!("{end} is not above zero and below half of the track, {track}")))
    }
}

fn share(spec: &PartSpec) -> Result<Option<f64>, Fault> {
    match spec.set {
        Some(s) if s.0 > 100.0 => Err(at("set", format!("{s} is not from 0 % to 100 %"))),
        set => Ok(set.map(Percent::ratio)),
    }
}

fn construction(kind: KindName, spec: &PartSpec) -> Result<Option<Construction>, Fault> {
    let Some(text) = &spec.construction else { return Ok(None) };
    let known = Construction::of_kind(kind);
    match known.iter().find(|c| c.as_str() == text.trim()) {
        Some(found) => Ok(Some(*found)),
        None => {
            let hint = nearest(text, known.iter().map(|c| c.as_str()));
            Err(at("construction", format!("\"{text}\" is no construction of {}; {hint}", a(kind))))
        }
    }
}

fn rating(kind: KindName, spec: Option<&OneOrMore>) -> Result<Rating, Fault> {
    let mut rating = Rating::default();
    let Some(OneOrMore(all)) = spec else { return Ok(rating) };
    let has_watts = !matches!(kind, KindName::Capacitor | KindName::Diode);
    let right = if has_watts {
        "write the watts and, if known, the volts it bears: \"0.5 W\" or [\"0.5 W\", \"350 V\"]"
    } else {
        "write the volts it bears, like \"400 V\""
    };
    let fault =
        |text: &str| at("rating", format!("\"{text}\" is no rating of {}; {right}", a(kind)));
    for text in all {
        // A bare number could be either.
        let bare = text.trim().parse::<f64>().is_ok();
        let (watts, volts) = (text.parse::<Watts>(), text.parse::<Volts>());
        match (watts, volts) {
            (Ok(w), Err(_)) if has_watts && w.0 > 0.0 && rating.watts.is_none() => {
                rating.watts = Some(w);
            }
            (Err(_), Ok(v)) if !bare && v.0 > 0.0 && rating.volts.is_none() => {
                rating.volts = Some(v);
            }
            _ => return Err(fault(text)),
        }
    }
    Ok(rating)
}

/// Whether a node's name can be written, printed and found again.
pub(super) fn check_node(name: &str) -> Result<(), String> {
    let fits = |c: char| c.is_alphanumeric() || "_-+.".contains(c);
    if name.is_empty() || name.chars().count() > 40 || !name.chars().all(fits) {
        return Err(format!(
            "\"{}\" is no name of a node; use 1 to 40 letters, digits, _ - + and .",
            name.escape_debug()
        ));
    }
    Ok(())
}

/// Whether a designator can be written, printed and found again.
pub(super) fn check_designator(name: &str) -> Result<(), String> {
    let fits = |c: char| c.is_alphanumeric() || c == '_' || c == '-';
    let starts = name.chars().next().is_some_and(char::is_alphabetic);
    if !starts || name.chars().count() > 20 || !name.chars().all(fits) {
        return Err(format!(
            "\"{}\" is no designator; start with a letter, then letters, digits, _ and -, like R12 or V1A",
            name.escape_debug()
        ));
    }
    if name == super::build::INPUT_PART {
        return Err(format!("{name} stands for the input itself; name the part otherwise"));
    }
    Ok(())
}
