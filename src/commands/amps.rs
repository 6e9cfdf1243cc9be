//! `presolder amps`: the amps that come with the program, and what is in one.

use clap::Args;

use crate::amp::{AmpFile, AmpState, BuiltCircuit, INPUT_PART, Part, PartKind, amp_names};
use crate::analysis::corners::{Corner, Side, amp_corner, decibels, section_corner, sections};
use crate::analysis::{CrossingError, LevelCurve};
use crate::circuit::{CircuitError, LinearCircuit, OperatingPoint};
use crate::units::{Amperes, Hertz, Volts, Watts};

use super::failure::Failure;
use super::output::{Table, print};

const EXAMPLE: &str = "Example:\n  presolder amps larkspur-22";

/// List the amps that come with the program, or show one amp's parts, controls, operating
/// points and corners.
#[derive(Debug, Args)]
#[command(after_help = EXAMPLE)]
pub struct Amps {
    /// An amp that comes with the program, or the path of an amp file
    amp: Option<String>,
}

pub(super) fn run(command: &Amps) -> Result<(), Failure> {
    match &command.amp {
        None => print(&list()?),
        Some(name) => print(&describe(&AmpFile::open(name)?)?),
    }
}

fn list() -> Result<String, Failure> {
    let mut table = Table::new(&["name", "amp", "controls"]);
    for name in amp_names() {
        let amp = AmpFile::preset(name)?;
        let labels: Vec<&str> = amp.state().controls().values().map(|c| c.label.as_str()).collect();
        table.row([name.to_owned(), amp.title().to_owned(), labels.join(", ")]);
    }
    Ok(table.text())
}

/// Everything about one amp, as text.
fn describe(amp: &AmpFile) -> Result<String, Failure> {
    let state = amp.state();
    let built = state.circuit()?;
    let point = OperatingPoint::solve(&built.circuit).map_err(|e| state.circuit_error(e))?;
    let linear = LinearCircuit::new(&built.circuit, &point).map_err(|e| state.circuit_error(e))?;
    let mut text = format!("{} ({})\n", amp.title(), amp.name());
    for line in amp.notes().trim().lines() {
        text.push_str(&format!("{line}\n"));
    }
    text.push_str(&format!("\nFrom {} to {}.\n", state.input(), built.output_name));
    for speaker in &built.speakers {
        let range = &speaker.range_of_use;
        text.push_str(&format!(
            "{}: {}; range of use {} to {} ({} dB below its midband).\n",
            speaker.designator,
            speaker.title,
            hertz(range.lowest_hz),
            hertz(range.highest_hz),
            range.below_midband_db
        ));
    }
    let chapters = [
        ("Controls", controls(state)),
        ("Parts", parts(state)),
        ("Supplies and valves at rest", valves(state, &built, &point)),
        ("Heat and voltage against ratings, at rest", ratings(state, &point)),
        ("Corners (-3 dB)", corners(state, &built, &linear)?),
    ];
    for (heading, body) in chapters {
        if !body.is_empty() {
            text.push_str(&format!("\n{heading}\n{body}"));
        }
    }
    text.push_str(
        "\nRatings are aids, not certificates. Valve amplifiers hold lethal voltages, also when \
         switched off:\nqualified technicians only, mains off, filter capacitors discharged and \
         measured, local electrical codes first.\n",
    );
    Ok(text)
}

fn hertz(value: f64) -> String {
    format!("{:.3}", Hertz(value))
}

fn controls(state: &AmpState) -> String {
    let mut table = Table::new(&["control", "label", "moves", "taper", "stands at"]);
    for (name, control) in state.controls() {
        let position = state.positions().get(name).copied().unwrap_or(control.position);
        let reversed = if control.reversed { ", reversed" } else { "" };
        table.row([
            name.clone(),
            control.label.clone(),
            control.pots.join(", "),
            format!("{}{reversed}", control.taper),
            format!("{position:.1} ({})", position.clock()),
        ]);
    }
    if table.is_empty() { String::new() } else { table.text() }
}

fn parts(state: &AmpState) -> String {
    let mut table = Table::new(&["part", "kind", "value", "between", "rating", "purpose"]);
    for (name, part) in state.parts() {
        let nodes: Vec<&str> = part.kind.nodes().into_iter().map(|n| n.1).collect();
        table.row([
            name.clone(),
            part.kind_name().as_str().to_owned(),
            part.kind.to_string(),
            nodes.join(" "),
            rating(part),
            part.purpose.clone(),
        ]);
    }
    table.text()
}

fn rating(part: &Part) -> String {
    let watts = part.rating.watts.map(|w| w.to_string());
    let volts = part.rating.volts.map(|v| v.to_string());
    [watts, volts].into_iter().flatten().collect::<Vec<_>>().join(", ")
}

fn valves(state: &AmpState, built: &BuiltCircuit, point: &OperatingPoint) -> String {
    let mut text = String::new();
    let supplies: Vec<String> =
        state.supplies().iter().map(|(node, volts)| format!("{node} {volts}")).collect();
    if !supplies.is_empty() {
        text.push_str(&format!("  Supplies: {}\n", supplies.join(", ")));
    }
    let mut table = Table::new(&[
        "valve",
        "type",
        "plate",
        "screen",
        "cathode",
        "grid to cathode",
        "plate current",
        "plate heat",
        "of at most",
        "screen heat",
        "of at most",
    ]);
    let mut above = Vec::new();
    let volts = |v: f64| format!("{:.4}", Volts(v));
    let watts = |w: f64| format!("{:.3}", Watts(w));
    for (name, part) in state.parts() {
        let cathode = match &part.kind {
            PartKind::Triode { cathode, .. } | PartKind::Pentode { cathode, .. } => cathode,
            _ => continue,
        };
        let Some(rest) = point.part(name) else { continue };
        let at = built.circuit.find_node(cathode).map_or(0.0, |node| point.node_volts(node));
        let maxima = state.valve_file(part).map(|file| &file.maxima);
        let screen = rest.screen.as_ref();
        let most_in_screen = maxima.and_then(|m| m.screen_watts).filter(|_| screen.is_some());
        let limits = [
            ("plate", Some(rest.watts), maxima.map(|m| m.plate_watts), watts as fn(f64) -> String),
            ("screen", screen.map(|s| s.watts), most_in_screen, watts),
            ("plate", Some(rest.volts), maxima.map(|m| m.plate_volts), volts),
            ("screen", screen.map(|s| s.volts), maxima.and_then(|m| m.screen_volts), volts),
        ];
        for (electrode, bears, most, print) in limits {
            if let (Some(bears), Some(most)) = (bears, most)
                && bears > most
            {
                let (bears, most) = (print(bears), print(most));
                above.push(format!(
                    "  above its limit: {name}, {electrode} at {bears} of at most {most}\n"
                ));
            }
        }
        table.row([
            name.clone(),
            part.kind.to_string(),
            volts(rest.volts + at),
            screen.map_or_else(String::new, |s| volts(s.volts + at)),
            volts(at),
            rest.grid_volts.map_or_else(String::new, volts),
            format!("{:.3}", Amperes(rest.amperes)),
            watts(rest.watts),
            maxima.map_or_else(String::new, |m| watts(m.plate_watts)),
            screen.map_or_else(String::new, |s| watts(s.watts)),
            most_in_screen.map_or_else(String::new, watts),
        ]);
    }
    if !table.is_empty() {
        text.push_str(&table.text());
    }
    text + &above.concat()
}

/// Parts that bear more than half of what they are rated for, and those whose file does not say. General practice, from memory:
/// resistors run at half of their rated power or below, capacitors at 80 % of their voltage.
fn ratings(state: &AmpState, point: &OperatingPoint) -> String {
    let mut table = Table::new(&["part", "value", "bears", "rated", "share", ""]);
    let (mut rated, mut unrated) = (false, Vec::new());
    for (name, part) in state.parts() {
        let Some(rest) = point.part(name) else { continue };
        // What a part of its kind gives way to: heat, or volts.
        let rating = match part.kind {
            PartKind::Resistor { .. } | PartKind::Pot { .. } | PartKind::Rheostat { .. } => {
                part.rating.watts.is_some()
            }
            PartKind::Capacitor { .. } | PartKind::Diode { .. } => part.rating.volts.is_some(),
            _ => continue,
        };
        rated |= rating;
        if !rating {
            unrated.push(name.as_str());
        }
        let heat = part.rating.watts.map(|most| {
            let bears = format!("{:.3}", Watts(rest.watts));
            (bears, most.to_string(), rest.watts / most.0, 0.5)
        });
        let voltage = part.rating.volts.map(|most| {
            let bears = format!("{:.3}", Volts(rest.volts.abs()));
            (bears, most.to_string(), rest.volts.abs() / most.0, 0.8)
        });
        for (bears, rated, share, usual) in heat.into_iter().chain(voltage) {
            if share < 0.5 {
                continue;
            }
            let remark = if share > 1.0 {
                "above its rating"
            } else if share > usual {
                "more than usual practice"
            } else {
                ""
            };
            let share = format!("{:.0} %", share * 100.0);
            table.row([
                name.clone(),
                part.kind.to_string(),
                bears,
                rated,
                share,
                remark.to_owned(),
            ]);
        }
    }
    let mut text = if !table.is_empty() {
        table.text()
    } else if rated {
        "  every part with a rating bears less than half of it\n".to_owned()
    } else {
        "  no part has a rating in the file\n".to_owned()
    };
    if rated && !unrated.is_empty() {
        text.push_str(&format!("  not looked at, for want of a rating: {}\n", listed(&unrated)));
    }
    text
}

/// Most names that a line shows.
const MOST_NAMES: usize = 12;

fn listed(names: &[&str]) -> String {
    let shown = names.iter().take(MOST_NAMES).copied().collect::<Vec<_>>().join(", ");
    match names.len().saturating_sub(MOST_NAMES) {
        0 => shown,
        more => format!("{shown} and {more} more"),
    }
}

fn corners(
    state: &AmpState,
    built: &BuiltCircuit,
    linear: &LinearCircuit,
) -> Result<String, Failure> {
    let wrong = |e| Failure::from(state.circuit_error(e));
    let mut text = String::new();
    let transfer = linear.transfer(INPUT_PART, built.output).map_err(wrong)?;
    for side in [Side::Low, Side::High] {
        let level = |hz: &[f64]| Ok(transfer.gains(hz)?.into_iter().map(decibels).collect());
        let corner = find(state, level, |curve| amp_corner(curve, side))?;
        let edge = if side == Side::Low { "lowest" } else { "highest" };
        let found = corner.map_or_else(|| "none".to_owned(), |c| hertz(c.frequency_hz));
        text.push_str(&format!("  whole amp, {edge}: {found}\n"));
    }
    let mut table = Table::new(&["part", "value", "corner", "what it does", "purpose"]);
    for plan in sections(linear, INPUT_PART).map_err(wrong)? {
        let Some(part) = state.parts().get(&plan.part) else { continue };
        let level = |hz: &[f64]| {
            let gains = linear.gains(INPUT_PART, &[plan.from, plan.to], hz)?;
            Ok(gains[1].iter().zip(&gains[0]).map(|(to, from)| decibels(to / from)).collect())
        };
        let corner = find(state, level, |c| section_corner(c, plan.driven_hz, plan.side))?;
        let Some(corner) = corner else { continue };
        let does = match plan.side {
            Side::Low => "takes away below",
            Side::High => "more gain from about",
        };
        table.row([
            plan.part.clone(),
            part.kind.to_string(),
            hertz(corner.frequency_hz),
            does.to_owned(),
            part.purpose.clone(),
        ]);
    }
    if !table.is_empty() {
        text.push_str(&table.text());
    }
    Ok(text)
}

/// Looks for a corner on a curve that can fail.
fn find(
    state: &AmpState,
    level_db: impl Fn(&[f64]) -> Result<Vec<f64>, CircuitError>,
    search: impl FnOnce(&mut LevelCurve) -> Result<Option<Corner>, CrossingError>,
) -> Result<Option<Corner>, Failure> {
    let mut failed = None;
    let found = search(&mut |hz: &[f64]| {
        level_db(hz).unwrap_or_else(|error| {
            failed = Some(error);
            vec![f64::NAN; hz.len()]
        })
    });
    match failed {
        Some(error) => Err(state.circuit_error(error).into()),
        None => found.map_err(Failure::fault),
    }
}
