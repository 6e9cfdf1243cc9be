//! Amp files: read and checked.

use std::path::Path;
use std::sync::Arc;

use indexmap::IndexMap;

use super::check::{check_designator, part};
use super::error::AmpError;
use super::lines::{Lines, Scope, parse};
use super::part::Part;
use super::presets::{amp_names, amp_text};
use super::source::{Origin, Shelf, is_path, read_text};
use super::spec::AmpSpec;
use super::state::{AmpState, Control, Layout, Spot};
use crate::names::nearest;

/// An amp as its file gives it.
#[derive(Clone, Debug)]
pub struct AmpFile {
    state: AmpState,
}

impl AmpFile {
    /// An amp that comes with the program, or one from a file: what ends in `.toml` is a path.
    ///
    /// # Errors
    /// [`AmpError`] if there is none, or if something in it is wrong.
    pub fn open(name_or_path: &str) -> Result<Self, AmpError> {
        if is_path(name_or_path) {
            Self::read(Path::new(name_or_path))
        } else {
            Self::preset(name_or_path)
        }
    }

    /// An amp that comes with the program.
    ///
    /// # Errors
    /// [`AmpError::UnknownAmp`] if there is none of that name.
    pub fn preset(name: &str) -> Result<Self, AmpError> {
        match amp_text(name) {
            Some(text) => Self::parse(text, name),
            None => Err(AmpError::UnknownAmp {
                name: name.to_owned(),
                hint: nearest(name, amp_names()),
            }),
        }
    }

    /// An amp from a file.
    ///
    /// # Errors
    /// [`AmpError`] if the file cannot be read or something in it is wrong.
    pub fn read(path: &Path) -> Result<Self, AmpError> {
        Self::of_text(&read_text(path)?, Origin::of_path(path), Shelf::embedded()?)
    }

    /// An amp from the text of a file; `name` stands for the file in messages.
    ///
    /// # Errors
    /// [`AmpError`] if something in it is wrong.
    pub fn parse(text: &str, name: &str) -> Result<Self, AmpError> {
        Self::of_text(text, Origin::embedded(name), Shelf::embedded()?)
    }

    /// The amp that a job names.
    pub(super) fn of_job(name: &str, job: &Origin, shelf: Shelf) -> Result<Self, AmpError> {
        if is_path(name) {
            let path = job.resolve(name);
            return Self::of_text(&read_text(&path)?, Origin::of_path(&path), shelf);
        }
        match amp_text(name) {
            Some(text) => Self::of_text(text, Origin::embedded(name), shelf),
            None => Err(AmpError::UnknownAmp {
                name: name.to_owned(),
                hint: nearest(name, amp_names()),
            }),
        }
    }

    fn of_text(text: &str, origin: Origin, mut shelf: Shelf) -> Result<Self, AmpError> {
        let (spec, lines): (AmpSpec, Lines) = parse(&origin.file, text)?;
        let scope = Scope::file(&origin.file, &lines);
        shelf.add_valves(&spec.valve_files, &origin, |i, problem| {
            scope.at("valve_files").nth(i).wrong(problem)
        })?;
        let mut parts = IndexMap::new();
        for (name, keys) in &spec.parts {
            let scope = scope.at("parts").at(name);
            check_designator(name).map_err(|problem| scope.wrong(problem))?;
            let made = part(keys, &shelf, &origin).map_err(|fault| {
                fault.key.map_or(scope.clone(), |key| scope.at(key)).wrong(fault.problem)
            })?;
            parts.insert(name.clone(), Part { line: scope.line(), ..made });
        }
        let controls: IndexMap<String, Control> =
            spec.controls.iter().map(|(n, c)| (n.clone(), Control::of_spec(n, c))).collect();
        let layout = Layout {
            input: spec.input,
            output: spec.output,
            valve_files: spec.valve_files,
            supplies: spec.supplies,
            parts,
            controls,
        };
        let problem = layout.check().err().or_else(|| layout.loose_end(|_, _| true));
        if let Some((spot, problem)) = problem {
            return Err(spot_scope(&scope, &spot).wrong(problem));
        }
        let positions = layout.controls.iter().map(|(n, c)| (n.clone(), c.position)).collect();
        let state = AmpState {
            file: Arc::clone(&origin.file),
            title: spec.title,
            notes: spec.notes,
            version: String::new(),
            note: String::new(),
            layout: Arc::new(layout),
            positions,
            moves: IndexMap::new(),
            shelf,
            origin: origin.clone(),
        };
        match state.circuit() {
            // The one thing that only the circuit can tell: an inner node of a speaker.
            Err(AmpError::Wrong { problem, .. }) => Err(scope.at("output").wrong(problem)),
            Err(error) => Err(error),
            Ok(_) => Ok(Self { state }),
        }
    }

    /// The amp's title.
    pub fn title(&self) -> &str {
        &self.state.title
    }

    /// What its maker notes about it.
    pub fn notes(&self) -> &str {
        &self.state.notes
    }

    /// The file or preset, as messages name it.
    pub fn name(&self) -> &str {
        &self.state.file
    }

    /// The amp in the state that the file describes.
    pub fn state(&self) -> &AmpState {
        &self.state
    }
}

/// The place in an amp file that a spot of its layout stands for.
fn spot_scope<'a>(scope: &Scope<'a>, spot: &Spot) -> Scope<'a> {
    match spot {
        Spot::Whole => scope.clone(),
        Spot::Input => scope.at("input"),
        Spot::Output => scope.at("output"),
        Spot::Supply(node) => scope.at("supplies").at(node),
        Spot::Part(name, key) => {
            let part = scope.at("parts").at(name);
            key.map_or(part.clone(), |key| part.at(key))
        }
        Spot::Control(name, key) => scope.at("controls").at(name).at(key),
    }
}
