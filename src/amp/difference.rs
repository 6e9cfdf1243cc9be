//! What differs between two states of an amp, in plain words.

use std::fmt;

use super::part::{Part, PartKind};
use super::spec::KindName;
use super::state::AmpState;
use crate::units::{Position, Seconds};

/// What kind of thing differs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum What {
    /// Another amp altogether; nothing else is compared.
    Amp,
    /// A part's value, valve type or speaker.
    Value,
    /// The nodes that a part is connected to.
    Connection,
    /// A part's rating, tolerance or construction.
    Quality,
    /// A supply voltage.
    Supply,
    /// A control that one of the two does not have, or that is built otherwise.
    Control,
    /// Where a knob stands.
    Position,
    /// How a knob moves while a clip plays.
    Moves,
}

/// One difference; `before` is `None` for what is added, `after` for what is removed.
#[derive(Clone, Debug, PartialEq)]
pub struct Difference {
    pub what: What,
    /// Designator, supply node or control name.
    pub subject: String,
    pub before: Option<String>,
    pub after: Option<String>,
    /// The part's purpose, or the control's label.
    pub purpose: String,
}

impl fmt::Display for Difference {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.what {
            What::Supply => write!(f, "supply {}: ", self.subject)?,
            What::Control | What::Position => write!(f, "{}: ", self.purpose)?,
            What::Moves => {
                let moves = self.after.as_deref().unwrap_or("stays");
                return write!(f, "{} while a clip plays: {moves}", self.purpose);
            }
            What::Connection => write!(f, "{}: connected ", self.subject)?,
            _ => write!(f, "{}: ", self.subject)?,
        }
        match (&self.before, &self.after) {
            (Some(before), Some(after)) => write!(f, "{before} -> {after}"),
            (None, Some(after)) => write!(f, "added, {after}"),
            (Some(before), None) => write!(f, "removed, was {before}"),
            (None, None) => Ok(()),
        }
    }
}

/// What differs, parts first in the order of the files, then supplies, controls, positions and moves.
pub(super) fn differences(before: &AmpState, after: &AmpState) -> Vec<Difference> {
    if before.file != after.file {
        return vec![Difference {
            what: What::Amp,
            subject: "amp".to_owned(),
            before: Some(before.title.clone()),
            after: Some(after.title.clone()),
            purpose: String::new(),
        }];
    }
    let mut all = Vec::new();
    for (name, old) in before.parts() {
        match after.parts().get(name) {
            Some(new) => part(name, old, new, &mut all),
            None => all.push(one(What::Value, name, Some(whole(old)), None, &old.purpose)),
        }
    }
    for (name, new) in after.parts().iter().filter(|p| !before.parts().contains_key(p.0)) {
        all.push(one(What::Value, name, None, Some(whole(new)), &new.purpose));
    }
    for (node, volts) in before.supplies() {
        if let Some(new) = after.supplies().get(node)
            && new != volts
        {
            all.push(one(What::Supply, node, Some(volts.to_string()), Some(new.to_string()), ""));
        }
    }
    controls(before, after, &mut all);
    all
}

fn one(
    what: What,
    subject: &str,
    before: Option<String>,
    after: Option<String>,
    purpose: &str,
) -> Difference {
    Difference { what, subject: subject.to_owned(), before, after, purpose: purpose.to_owned() }
}

/// Value and kind: `6k8 resistor`.
fn whole(part: &Part) -> String {
    match part.kind_name() {
        KindName::Diode | KindName::Speaker => part.kind.to_string(),
        kind => format!("{} {}", part.kind, kind.as_str()),
    }
}

fn part(name: &str, old: &Part, new: &Part, all: &mut Vec<Difference>) {
    let mut push = |what, before: String, after: String| {
        if before != after {
            all.push(one(what, name, Some(before), Some(after), &new.purpose));
        }
    };
    if old.kind_name() != new.kind_name() {
        push(What::Value, whole(old), whole(new));
        return;
    }
    push(What::Value, value(old), value(new));
    push(What::Connection, nodes(&old.kind), nodes(&new.kind));
    push(What::Quality, quality(old), quality(new));
}

/// Everything that changes the sound, except for the nodes.
fn value(part: &Part) -> String {
    match &part.kind {
        PartKind::Inductor { value, resistance, .. } if resistance.0 > 0.0 => {
            format!("{value} with {resistance}")
        }
        PartKind::Transformer { windings, coupling } => {
            let all: Vec<String> = windings
                .iter()
                .map(|w| format!("{} {} with {}", w.name, w.inductance, w.resistance))
                .collect();
            format!("{}, coupling {coupling}", all.join(", "))
        }
        PartKind::Pot { value, end, set, .. } | PartKind::Rheostat { value, end, set, .. } => {
            let mut text = value.to_string();
            if let Some(set) = set {
                text.push_str(&format!(" set to {} %", set * 100.0));
            }
            if end.0 != 1.0 {
                text.push_str(&format!(" (ends {end})"));
            }
            text
        }
        PartKind::Diode { saturation, emission, .. } => {
            format!("diode {saturation}, emission {emission}")
        }
        other => other.to_string(),
    }
}

fn nodes(kind: &PartKind) -> String {
    let all: Vec<&str> = kind.nodes().into_iter().map(|n| n.1).collect();
    all.join(" - ")
}

fn quality(part: &Part) -> String {
    let mut words = Vec::new();
    if let Some(watts) = part.rating.watts {
        words.push(watts.to_string());
    }
    if let Some(volts) = part.rating.volts {
        words.push(volts.to_string());
    }
    if let Some(construction) = part.construction {
        words.push(construction.as_str().to_owned());
    }
    words.push(format!("tolerance {}", part.tolerance));
    words.join(", ")
}

fn controls(before: &AmpState, after: &AmpState, all: &mut Vec<Difference>) {
    for (name, old) in before.controls() {
        let described = |c: &super::Control| {
            let reversed = if c.reversed { ", reversed" } else { "" };
            format!("{} on {}{reversed}", c.taper, c.pots.join(" and "))
        };
        match after.controls().get(name) {
            None => all.push(one(What::Control, name, Some(described(old)), None, &old.label)),
            Some(new) if described(new) != described(old) => {
                let (before, after) = (Some(described(old)), Some(described(new)));
                all.push(one(What::Control, name, before, after, &new.label));
            }
            Some(_) => {}
        }
    }
    let place = |state: &AmpState, name: &str| {
        state.positions().get(name).map(|p| format!("{:.1} ({})", p, p.clock()))
    };
    for (name, new) in after.controls() {
        let (was, is) = (place(before, name), place(after, name));
        if !before.controls().contains_key(name) {
            let added = format!(
                "{} on {}, at {}",
                new.taper,
                new.pots.join(" and "),
                is.unwrap_or_default()
            );
            all.push(one(What::Control, name, None, Some(added), &new.label));
        } else if was != is {
            all.push(one(What::Position, name, was, is, &new.label));
        }
        let [was, is] = [before, after].map(|state| state.moves().get(name).map(|m| turns(m)));
        if was != is {
            all.push(one(What::Moves, name, was, is, &new.label));
        }
    }
}

/// Most steps of a moving knob that are told one by one.
const MOST_TURNS: usize = 6;

/// Where a moving knob stands from when on: `0.0 (7:00) from 0 s, 5.0 (12:00) from 2 s`.
fn turns(moves: &[(Seconds, Position)]) -> String {
    let told = moves.iter().take(MOST_TURNS);
    let told = told.map(|(from, at)| format!("{at:.1} ({}) from {} s", at.clock(), from.0));
    let mut text = told.collect::<Vec<_>>().join(", ");
    if moves.len() > MOST_TURNS {
        text.push_str(&format!(", and {} more", moves.len() - MOST_TURNS));
    }
    text
}
