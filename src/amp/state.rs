//! An amp in one state: its parts, supplies and controls, and where the knobs stand.

use std::sync::Arc;

use indexmap::IndexMap;

use crate::circuit::CircuitError;
use crate::units::{Position, Seconds, Taper, Volts};
use crate::valves::ValveFile;

use super::build::{self, BuiltCircuit};
use super::check::{Fault, main_key, part};
use super::difference::{Difference, differences};
use super::error::AmpError;
use super::part::{Part, PartKind};
use super::source::{Origin, Shelf};
use super::spec::{AmpSpec, Change, ControlSpec, OneOrMore, PartSpec, Scalar, in_toml};
use crate::names::nearest;

/// Most parts of an amp as written; an expanded speaker does not count.
pub(super) const MOST_PARTS: usize = 500;

/// A knob, checked.
#[derive(Clone, Debug, PartialEq)]
pub struct Control {
    pub label: String,
    /// Designators of the pots on its shaft.
    pub pots: Vec<String>,
    pub taper: Taper,
    /// Where it stands unless a version says otherwise.
    pub position: Position,
    /// Clockwise moves the wiper towards the cold end.
    pub reversed: bool,
}

impl Control {
    pub(super) fn of_spec(name: &str, spec: &ControlSpec) -> Self {
        Self {
            label: spec.label.clone().unwrap_or_else(|| name.to_owned()),
            pots: spec.pot.0.clone(),
            taper: spec.taper.clone(),
            position: spec.position,
            reversed: spec.reversed,
        }
    }

    fn spec(&self, name: &str, position: Position) -> ControlSpec {
        ControlSpec {
            label: (self.label != name).then(|| self.label.clone()),
            pot: OneOrMore(self.pots.clone()),
            taper: self.taper.clone(),
            position,
            reversed: self.reversed,
        }
    }

    /// Share of the track between the cold end and the wiper, 0 to 1.
    pub fn fraction(&self, position: Position) -> f64 {
        let share = self.taper.fraction(position);
        if self.reversed { 1.0 - share } else { share }
    }

    /// The position at which the wiper has passed a share of the track.
    pub fn position_of(&self, fraction: f64) -> Position {
        self.taper.position(if self.reversed { 1.0 - fraction } else { fraction })
    }
}

/// The parts and what belongs to them.
#[derive(Clone, Debug)]
pub(super) struct Layout {
    pub input: String,
    pub output: Option<String>,
    pub valve_files: Vec<String>,
    pub supplies: IndexMap<String, Volts>,
    pub parts: IndexMap<String, Part>,
    pub controls: IndexMap<String, Control>,
}

/// Where in a layout something is wrong.
#[derive(Clone, Debug)]
pub(super) enum Spot {
    Whole,
    Input,
    Output,
    Supply(String),
    Part(String, Option<&'static str>),
    Control(String, &'static str),
}

/// Whether a name means the reference node.
pub(super) fn is_ground(name: &str) -> bool {
    name == "0" || name.eq_ignore_ascii_case("ground")
}

impl Layout {
    /// Everything that can be wrong between parts, whose own keys are checked already.
    pub fn check(&self) -> Result<(), (Spot, String)> {
        if self.parts.len() > MOST_PARTS {
            let many = self.parts.len();
            return Err((Spot::Whole, format!("{many} parts; at most {MOST_PARTS} are read")));
        }
        self.check_ends()?;
        for (name, control) in &self.controls {
            self.check_control(name, control)
                .map_err(|(key, problem)| (Spot::Control(name.clone(), key), problem))?;
        }
        for (name, part) in &self.parts {
            if let PartKind::Pot { set, .. } | PartKind::Rheostat { set, .. } = part.kind {
                let moved = self.controls.iter().find(|c| c.1.pots.contains(name));
                let problem = match (set, moved) {
                    (None, None) => "no control moves it; add one under controls, or give its \
                                     share of the track with set = \"50 %\""
                        .to_owned(),
                    (Some(_), Some((control, _))) => {
                        format!("the control {control} moves it, so it cannot have set too")
                    }
                    _ => continue,
                };
                let key = set.map(|_| "set");
                return Err((Spot::Part(name.clone(), key), problem));
            }
        }
        Ok(())
    }

    /// Input, output and supplies.
    fn check_ends(&self) -> Result<(), (Spot, String)> {
        let nodes = self.nodes();
        let known = |name: &str| nodes.contains_key(name);
        let names = || nodes.keys().copied().filter(|n| !is_ground(n));
        if is_ground(&self.input) {
            return Err((Spot::Input, "the input cannot be ground".to_owned()));
        }
        if !known(&self.input) {
            let hint = nearest(&self.input, names());
            return Err((Spot::Input, format!("no part is at the node {}; {hint}", self.input)));
        }
        let speakers: Vec<&String> = self.speakers().collect();
        match &self.output {
            Some(output) if is_ground(output) => {
                return Err((Spot::Output, "the output cannot be ground".to_owned()));
            }
            Some(output) if !known(output) => {
                let inner: Vec<String> = speakers
                    .iter()
                    .flat_map(|s| [format!("{s}.pressure"), format!("{s}.motion")])
                    .collect();
                let inside = |s: &&&String| output.starts_with(&format!("{s}."));
                if !speakers.iter().any(|s| inside(&s)) {
                    let hint = nearest(output, names().chain(inner.iter().map(String::as_str)));
                    return Err((Spot::Output, format!("no part is at the node {output}; {hint}")));
                }
            }
            None if speakers.len() != 1 => {
                let problem = format!(
                    "the key output is missing; without it the one speaker's sound is the output, \
                     but there are {} speakers",
                    speakers.len()
                );
                return Err((Spot::Whole, problem));
            }
            _ => {}
        }
        for supply in self.supplies.keys() {
            let problem = if is_ground(supply) {
                "a supply cannot be at ground".to_owned()
            } else if *supply == self.input {
                "the input is at this node".to_owned()
            } else if !known(supply) {
                format!("no part is at the node {supply}; {}", nearest(supply, names()))
            } else {
                continue;
            };
            return Err((Spot::Supply(supply.clone()), problem));
        }
        Ok(())
    }

    fn check_control(&self, name: &str, control: &Control) -> Result<(), (&'static str, String)> {
        if control.pots.is_empty() {
            return Err(("pot", "a control moves at least one pot".to_owned()));
        }
        let turning = || self.parts.iter().filter(|p| p.1.kind.turns()).map(|p| p.0.as_str());
        for (i, pot) in control.pots.iter().enumerate() {
            let problem = match self.parts.get(pot) {
                None => format!("there is no pot {pot}; {}", nearest(pot, turning())),
                Some(p) if !p.kind.turns() => format!(
                    "{pot} is {}, which does not turn; {}",
                    super::check::a(p.kind_name()),
                    nearest(pot, turning())
                ),
                Some(_) if control.pots[..i].contains(pot) => format!("{pot} is there twice"),
                Some(_) => {
                    let other = self
                        .controls
                        .iter()
                        .find(|(other, c)| other.as_str() != name && c.pots.contains(pot));
                    match other {
                        Some((other, _)) => format!("{pot} is moved by the control {other} too"),
                        None => continue,
                    }
                }
            };
            return Err(("pot", problem));
        }
        Ok(())
    }

    /// A node that only one terminal of one part is at, most often a slip of the pen.
    /// Unused taps of transformers and ends of pots do not count; looked at are those parts that `looked_at` says.
    pub fn loose_end(&self, looked_at: impl Fn(&str, &Part) -> bool) -> Option<(Spot, String)> {
        let nodes = self.nodes();
        for (name, part) in &self.parts {
            if matches!(part.kind, PartKind::Transformer { .. } | PartKind::Pot { .. })
                || !looked_at(name, part)
            {
                continue;
            }
            for (key, node) in part.kind.nodes() {
                let outside = is_ground(node)
                    || node == self.input
                    || self.output.as_deref() == Some(node)
                    || self.supplies.contains_key(node);
                if nodes.get(node) == Some(&1) && !outside {
                    let others = nodes.keys().copied().filter(|n| *n != node).chain(["ground"]);
                    let problem = format!(
                        "nothing else is at the node {node}; connect it ({})",
                        nearest(node, others)
                    );
                    return Some((Spot::Part(name.clone(), Some(key)), problem));
                }
            }
        }
        None
    }

    /// Nodes that parts name, with the number of terminals there, in the order of the file.
    pub fn nodes(&self) -> IndexMap<&str, usize> {
        let mut nodes = IndexMap::new();
        for part in self.parts.values() {
            for (_, node) in part.kind.nodes() {
                *nodes.entry(node).or_insert(0) += 1;
            }
        }
        nodes
    }

    /// Designators of the speakers.
    pub fn speakers(&self) -> impl Iterator<Item = &String> {
        self.parts.iter().filter(|p| matches!(p.1.kind, PartKind::Speaker { .. })).map(|p| p.0)
    }
}

/// An amp in one state: the parts of a version and its control positions.
#[derive(Clone, Debug)]
pub struct AmpState {
    pub(super) file: Arc<str>,
    pub(super) title: String,
    pub(super) notes: String,
    pub(super) version: String,
    pub(super) note: String,
    pub(super) layout: Arc<Layout>,
    pub(super) positions: IndexMap<String, Position>,
    pub(super) moves: IndexMap<String, Vec<(Seconds, Position)>>,
    pub(super) shelf: Shelf,
    pub(super) origin: Origin,
}

impl AmpState {
    /// The amp's title.
    pub fn title(&self) -> &str {
        &self.title
    }

    /// The amp's file or preset, as messages name it.
    pub fn amp_file(&self) -> &str {
        &self.file
    }

    /// The version's name; empty for the amp as its file gives it.
    pub fn version(&self) -> &str {
        &self.version
    }

    /// What the version is, in the technician's words.
    pub fn note(&self) -> &str {
        &self.note
    }

    /// Parts by designator, in the order of the file.
    pub fn parts(&self) -> &IndexMap<String, Part> {
        &self.layout.parts
    }

    /// Supply voltages by node.
    pub fn supplies(&self) -> &IndexMap<String, Volts> {
        &self.layout.supplies
    }

    /// Controls by name.
    pub fn controls(&self) -> &IndexMap<String, Control> {
        &self.layout.controls
    }

    /// The node that the guitar drives.
    pub fn input(&self) -> &str {
        &self.layout.input
    }

    /// The node that is heard.
    pub fn output(&self) -> String {
        match (&self.layout.output, self.layout.speakers().next()) {
            (Some(output), _) => output.clone(),
            (None, Some(speaker)) => format!("{speaker}.pressure"),
            (None, None) => String::new(),
        }
    }

    /// Where the knobs stand, by control.
    pub fn positions(&self) -> &IndexMap<String, Position> {
        &self.positions
    }

    /// Knobs that move while a clip runs: time and position, in steps.
    pub fn moves(&self) -> &IndexMap<String, Vec<(Seconds, Position)>> {
        &self.moves
    }

    /// The data of a valve's type: data-sheet maxima and what the parameters come from.
    pub fn valve_file(&self, part: &Part) -> Option<&ValveFile> {
        let name = match &part.kind {
            PartKind::Triode { valve, .. } => &valve.name,
            PartKind::Pentode { valve, .. } => &valve.name,
            _ => return None,
        };
        let type_number = name.split_whitespace().next().unwrap_or(name);
        self.shelf.valves.file(name).or_else(|| self.shelf.valves.file(type_number))
    }

    /// What is noted about the amp.
    pub fn notes(&self) -> &str {
        &self.notes
    }

    /// Names of the nodes that the parts name.
    pub fn node_names(&self) -> Vec<String> {
        self.layout.nodes().keys().map(|n| (*n).to_owned()).collect()
    }

    /// The same amp with one knob moved.
    ///
    /// # Errors
    /// [`AmpError::Wrong`] if there is no such control.
    pub fn with_position(&self, control: &str, position: Position) -> Result<Self, AmpError> {
        self.control(control)?;
        let mut state = self.clone();
        state.positions.insert(control.to_owned(), position);
        Ok(state)
    }

    /// A control by name.
    ///
    /// # Errors
    /// [`AmpError::Wrong`] with the nearest right name.
    pub fn control(&self, name: &str) -> Result<&Control, AmpError> {
        self.layout.controls.get(name).ok_or_else(|| {
            let hint = nearest(name, self.layout.controls.keys().map(String::as_str));
            self.wrong(format!("there is no control {name}; {hint}"))
        })
    }

    /// A part by designator.
    ///
    /// # Errors
    /// [`AmpError::Wrong`] with the nearest right name.
    pub fn part(&self, name: &str) -> Result<&Part, AmpError> {
        self.layout.parts.get(name).ok_or_else(|| {
            let hint = nearest(name, self.layout.parts.keys().map(String::as_str));
            self.wrong(format!("there is no part {name}; {hint}"))
        })
    }

    /// The same amp with one part's value (or valve type, or speaker) changed.
    ///
    /// # Errors
    /// [`AmpError::Wrong`] if there is no such part or it cannot have that value.
    pub fn with_value(&self, designator: &str, value: &str) -> Result<Self, AmpError> {
        let old = self.part(designator)?;
        let change = Change::Value(Scalar(value.to_owned()));
        let spec = changed(old, &change)
            .map_err(|f| self.wrong(format!("{designator}: {}", f.problem)))?;
        let new = part(&spec, &self.shelf, &self.origin)
            .map_err(|f| self.wrong(format!("{designator}: {}", f.problem)))?;
        let mut state = self.clone();
        let parts = &mut Arc::make_mut(&mut state.layout).parts;
        parts.insert(designator.to_owned(), Part { line: old.line, ..new });
        Ok(state)
    }

    /// The same with knobs that stay where they stand while a clip plays.
    #[must_use]
    pub fn without_moves(&self) -> Self {
        Self { moves: IndexMap::new(), ..self.clone() }
    }

    /// The circuit of this state.
    ///
    /// # Errors
    /// [`AmpError::Circuit`] if the parts do not make one, [`AmpError::Wrong`] if the output
    /// is no node of it.
    pub fn circuit(&self) -> Result<BuiltCircuit, AmpError> {
        build::circuit(self)
    }

    /// What differs in `other`, in the order in which a technician would go through it.
    pub fn differences_to(&self, other: &Self) -> Vec<Difference> {
        differences(self, other)
    }

    /// The state as an amp file of its own. The controls' positions are those of this state.
    ///
    /// # Errors
    /// [`AmpError::Unreadable`] if it cannot be written as TOML, which the types rule out.
    pub fn to_toml(&self) -> Result<String, AmpError> {
        let layout = &self.layout;
        let position = |name: &str, control: &Control| {
            self.positions.get(name).copied().unwrap_or(control.position)
        };
        let spec = AmpSpec {
            title: self.title.clone(),
            notes: self.notes.clone(),
            input: layout.input.clone(),
            output: layout.output.clone(),
            valve_files: layout.valve_files.clone(),
            supplies: layout.supplies.clone(),
            parts: layout.parts.iter().map(|(n, p)| (n.clone(), p.spec.clone())).collect(),
            controls: layout
                .controls
                .iter()
                .map(|(n, c)| (n.clone(), c.spec(n, position(n, c))))
                .collect(),
        };
        in_toml(&spec).map_err(|e| AmpError::Unreadable {
            file: self.file.to_string(),
            problem: format!("cannot be written as TOML: {e}"),
        })
    }

    /// What a circuit or an analysis of this state complains about, with the place of the part.
    pub fn circuit_error(&self, source: CircuitError) -> AmpError {
        let part = match &source {
            CircuitError::DuplicatePart { part }
            | CircuitError::BadValue { part, .. }
            | CircuitError::BadSense { part, .. }
            | CircuitError::UnknownPart { part }
            | CircuitError::Singular { part, .. } => {
                let designator = part.split('.').next().unwrap_or(part);
                self.layout.parts.get(designator)
            }
            CircuitError::FloatingNode { node }
            | CircuitError::UnknownNode { node, .. }
            | CircuitError::NoOperatingPoint { node, .. } => {
                self.layout.parts.values().find(|p| p.kind.nodes().iter().any(|n| n.1 == node))
            }
            _ => None,
        };
        AmpError::Circuit {
            file: part.map_or(&self.origin.file, |p| &p.file).to_string(),
            line: part.and_then(|p| p.line),
            key: self.place(),
            source: Box::new(source),
        }
    }

    fn place(&self) -> String {
        if self.version.is_empty() {
            String::new()
        } else {
            format!("version \"{}\"", self.version)
        }
    }

    /// Something about this state is wrong, with no better place to name.
    pub(super) fn wrong(&self, problem: String) -> AmpError {
        let file = self.origin.file.to_string();
        AmpError::Wrong { file, line: None, key: self.place(), problem }
    }
}

/// The keys of a part after a change.
pub(super) fn changed(old: &Part, change: &Change) -> Result<PartSpec, Fault> {
    let mut spec = old.spec.clone();
    let kind = old.kind_name();
    match change {
        Change::Keys(keys) => {
            if keys.keys().is_empty() {
                return Err(Fault { key: None, problem: "nothing changes here".to_owned() });
            }
            if keys.kind.is_some_and(|k| k != kind) {
                let problem = format!(
                    "it is {} and stays one; remove it and add the other under a new designator",
                    super::check::a(kind)
                );
                return Err(Fault { key: Some("kind"), problem });
            }
            spec.overlay(keys);
        }
        Change::Value(value) => {
            let text = value.0.clone();
            match main_key(kind) {
                Some("value") => spec.value = Some(value.clone()),
                Some("type") => spec.r#type = Some(text),
                Some(_) => spec.model = Some(text),
                None => {
                    let problem = format!(
                        "{} has no single value; name the keys that change in braces",
                        super::check::a(kind)
                    );
                    return Err(Fault { key: None, problem });
                }
            }
        }
    }
    Ok(spec)
}
