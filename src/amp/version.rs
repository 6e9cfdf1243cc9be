//! A version: changes applied to an amp, one after the other, each checked where it stands.

use std::sync::Arc;

use super::check::{Fault, check_designator, part};
use super::error::AmpError;
use super::lines::Scope;
use super::part::Part;
use super::source::Origin;
use super::spec::VersionSpec;
use super::state::{AmpState, Control, Layout, Spot, changed};
use crate::names::nearest;

/// Most steps of one knob that moves.
const MOST_STEPS: usize = 10_000;

/// Applies a version to the state it starts from; `scope` is the version's table.
pub(super) fn apply(
    start: &AmpState,
    spec: &VersionSpec,
    scope: &Scope<'_>,
    origin: &Origin,
) -> Result<AmpState, AmpError> {
    let mut state = start.clone();
    state.version.clone_from(&spec.name);
    state.note.clone_from(&spec.note);
    state.origin = origin.clone();
    remove(&mut state, spec, scope)?;
    change(&mut state, spec, scope, origin)?;
    add(&mut state, spec, scope, origin)?;
    supplies(&mut state, spec, scope)?;
    for (name, control) in &spec.controls {
        let control = Control::of_spec(name, control);
        state.positions.insert(name.clone(), control.position);
        Arc::make_mut(&mut state.layout).controls.insert(name.clone(), control);
    }
    positions(&mut state, spec, scope)?;
    // What is left of a part that was taken out may hang loose; what is put in may not.
    let put_in = |name: &str, part: &Part| {
        let old = start.layout.parts.get(name);
        old.is_none_or(|old| old.kind.nodes() != part.kind.nodes())
    };
    let problem = state.layout.check().err().or_else(|| state.layout.loose_end(put_in));
    if let Some((spot, problem)) = problem {
        return Err(at_spot(scope, &spot, problem));
    }
    state.circuit()?;
    Ok(state)
}

fn remove(state: &mut AmpState, spec: &VersionSpec, scope: &Scope<'_>) -> Result<(), AmpError> {
    let layout = Arc::make_mut(&mut state.layout);
    for (i, name) in spec.remove.iter().enumerate() {
        if layout.parts.shift_remove(name).is_none() {
            let hint = nearest(name, layout.parts.keys().map(String::as_str));
            let problem = format!("there is no part {name} to remove; {hint}");
            return Err(scope.at("remove").nth(i).wrong(problem));
        }
        // A knob whose last pot is gone is gone too.
        for control in layout.controls.values_mut() {
            control.pots.retain(|pot| pot != name);
        }
        layout.controls.retain(|_, control| !control.pots.is_empty());
    }
    let left = &layout.controls;
    state.positions.retain(|name, _| left.contains_key(name));
    state.moves.retain(|name, _| left.contains_key(name));
    Ok(())
}

fn change(
    state: &mut AmpState,
    spec: &VersionSpec,
    scope: &Scope<'_>,
    origin: &Origin,
) -> Result<(), AmpError> {
    let shelf = state.shelf.clone();
    let layout = Arc::make_mut(&mut state.layout);
    for (name, change) in &spec.change {
        let scope = scope.at("change").at(name);
        let Some(old) = layout.parts.get(name) else {
            let hint = nearest(name, layout.parts.keys().map(String::as_str));
            return Err(scope.wrong(format!("there is no part {name} to change; {hint}")));
        };
        let made = changed(old, change).and_then(|spec| part(&spec, &shelf, origin));
        put(layout, name, made, &scope)?;
    }
    Ok(())
}

/// Puts a part in its place, or says where in the file what is wrong with it stands.
fn put(
    layout: &mut Layout,
    name: &str,
    made: Result<Part, Fault>,
    scope: &Scope<'_>,
) -> Result<(), AmpError> {
    let made = made.map_err(|fault| at_fault(scope, fault))?;
    layout.parts.insert(name.to_owned(), Part { line: scope.line(), ..made });
    Ok(())
}

fn add(
    state: &mut AmpState,
    spec: &VersionSpec,
    scope: &Scope<'_>,
    origin: &Origin,
) -> Result<(), AmpError> {
    let shelf = state.shelf.clone();
    let layout = Arc::make_mut(&mut state.layout);
    for (name, keys) in &spec.add {
        let scope = scope.at("add").at(name);
        check_designator(name).map_err(|problem| scope.wrong(problem))?;
        if layout.parts.contains_key(name) {
            let problem = format!(
                "the amp has a part {name} already; change it under change, or add this one \
                 under a new designator"
            );
            return Err(scope.wrong(problem));
        }
        put(layout, name, part(keys, &shelf, origin), &scope)?;
    }
    Ok(())
}

fn supplies(state: &mut AmpState, spec: &VersionSpec, scope: &Scope<'_>) -> Result<(), AmpError> {
    let layout = Arc::make_mut(&mut state.layout);
    for (node, volts) in &spec.supplies {
        match layout.supplies.get_mut(node) {
            Some(old) => *old = *volts,
            None => {
                let hint = nearest(node, layout.supplies.keys().map(String::as_str));
                let problem = format!("the amp has no supply at the node {node}; {hint}");
                return Err(scope.at("supplies").at(node).wrong(problem));
            }
        }
    }
    Ok(())
}

fn positions(state: &mut AmpState, spec: &VersionSpec, scope: &Scope<'_>) -> Result<(), AmpError> {
    let controls = &state.layout.controls;
    let known = |name: &str, scope: &Scope<'_>| {
        if controls.contains_key(name) {
            return Ok(());
        }
        let hint = nearest(name, controls.keys().map(String::as_str));
        Err(scope.wrong(format!("there is no control {name}; {hint}")))
    };
    for (name, position) in &spec.positions {
        known(name, &scope.at("positions").at(name))?;
        state.positions.insert(name.clone(), *position);
    }
    for (name, steps) in &spec.moves {
        let scope = scope.at("moves").at(name);
        known(name, &scope)?;
        if steps.is_empty() || steps.len() > MOST_STEPS {
            let problem =
                format!("{} steps; write 1 to {MOST_STEPS} of [time, position]", steps.len());
            return Err(scope.wrong(problem));
        }
        for (i, pair) in steps.windows(2).enumerate() {
            let (before, after) = (pair[0].0, pair[1].0);
            if after.0 <= before.0 {
                let problem = format!("{after} comes after {before}; times must rise");
                return Err(scope.nth(i + 1).wrong(problem));
            }
        }
        state.moves.insert(name.clone(), steps.clone());
    }
    Ok(())
}

/// A fault at the key of a change, or at the change itself if the amp file set that key.
fn at_fault(scope: &Scope<'_>, fault: Fault) -> AmpError {
    let key = fault.key.map(|key| scope.at(key)).filter(Scope::is_there);
    match key {
        Some(key) => key.wrong(fault.problem),
        None => scope.wrong(fault.problem),
    }
}

/// A fault between parts, at the line of the version that causes it.
fn at_spot(scope: &Scope<'_>, spot: &Spot, problem: String) -> AmpError {
    let candidates: Vec<Scope<'_>> = match spot {
        Spot::Whole | Spot::Input | Spot::Output => Vec::new(),
        Spot::Supply(node) => vec![scope.at("supplies").at(node)],
        Spot::Part(name, _) => ["add", "change"].map(|t| scope.at(t).at(name)).to_vec(),
        Spot::Control(name, key) => {
            let control = scope.at("controls").at(name);
            vec![control.at(key), control]
        }
    };
    let subject = match spot {
        Spot::Whole => String::new(),
        Spot::Input => "input: ".to_owned(),
        Spot::Output => "output: ".to_owned(),
        Spot::Supply(name) | Spot::Part(name, _) | Spot::Control(name, _) => format!("{name}: "),
    };
    match candidates.into_iter().find(Scope::is_there) {
        Some(scope) => scope.wrong(problem),
        None => scope.wrong(format!("{subject}{problem}")),
    }
}
