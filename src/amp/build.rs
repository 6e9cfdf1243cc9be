//! From the parts of an amp to a circuit.

use std::sync::Arc;

use indexmap::IndexMap;

use crate::circuit::{Circuit, CircuitError, GROUND, Kind, Node, Winding};
use crate::speaker::{RangeOfUse, SpeakerNodes};
use crate::units::Position;

use super::error::AmpError;
use super::part::{Part, PartKind};
use super::state::{AmpState, Control, Layout};
use crate::names::nearest;

/// The designator of the source that stands for the guitar.
pub const INPUT_PART: &str = "IN";

/// A speaker in a built circuit.
#[derive(Clone, Debug)]
pub struct BuiltSpeaker {
    pub designator: String,
    pub title: String,
    pub nodes: SpeakerNodes,
    pub range_of_use: RangeOfUse,
}

/// The circuit of an amp in one state, and what its parts are.
#[derive(Clone, Debug)]
pub struct BuiltCircuit {
    pub circuit: Circuit,
    /// The node that the source [`INPUT_PART`] drives against ground.
    pub input_node: Node,
    /// The node that is heard.
    pub output: Node,
    pub output_name: String,
    pub speakers: Vec<BuiltSpeaker>,
    file: Arc<str>,
    layout: Arc<Layout>,
}

impl BuiltCircuit {
    /// The part of the amp file behind a part of the circuit: an inner part of a speaker,
    /// `LS1.Re`, belongs to `LS1`. `None` for the input and the supplies.
    pub fn owner(&self, circuit_part: &str) -> Option<(&str, &Part)> {
        let designator = circuit_part.split('.').next().unwrap_or(circuit_part);
        self.layout.parts.get_key_value(designator).map(|(name, part)| (name.as_str(), part))
    }

    /// Parts by designator, with rating, tolerance and purpose.
    pub fn parts(&self) -> &IndexMap<String, Part> {
        &self.layout.parts
    }

    /// Controls by name.
    pub fn controls(&self) -> &IndexMap<String, Control> {
        &self.layout.controls
    }

    /// A node by the name it has in the amp file.
    ///
    /// # Errors
    /// [`AmpError::Wrong`] with the nearest right name.
    pub fn node(&self, name: &str) -> Result<Node, AmpError> {
        self.circuit.find_node(name).ok_or_else(|| AmpError::Wrong {
            file: self.file.to_string(),
            line: None,
            key: String::new(),
            problem: format!(
                "there is no node {name}; {}",
                nearest(name, self.circuit.node_names().filter(|n| *n != "0"))
            ),
        })
    }

    /// Turns a knob; every other part stays as it is.
    ///
    /// # Errors
    /// [`AmpError::Wrong`] if there is no such control.
    pub fn turn(&mut self, control: &str, position: Position) -> Result<(), AmpError> {
        let layout = Arc::clone(&self.layout);
        let Some(knob) = layout.controls.get(control) else {
            let hint = nearest(control, layout.controls.keys().map(String::as_str));
            return Err(AmpError::Wrong {
                file: self.file.to_string(),
                line: None,
                key: String::new(),
                problem: format!("there is no control {control}; {hint}"),
            });
        };
        for pot in &knob.pots {
            let turned = self.circuit.set_fraction(pot, knob.fraction(position));
            turned.map_err(|source| AmpError::Circuit {
                file: self.file.to_string(),
                line: None,
                key: String::new(),
                source: Box::new(source),
            })?;
        }
        Ok(())
    }
}

/// The name of the source that holds a supply node.
pub(super) fn supply_part(node: &str) -> String {
    format!("supply {node}")
}

/// Builds the circuit of a state.
pub(super) fn circuit(state: &AmpState) -> Result<BuiltCircuit, AmpError> {
    let failed = |source| state.circuit_error(source);
    let mut circuit = Circuit::new();
    let input_node = circuit.node(&state.layout.input);
    let mut speakers = Vec::new();
    add_all(state, &mut circuit, input_node, &mut speakers).map_err(failed)?;
    let output_name = state.output();
    let Some(output) = circuit.find_node(&output_name) else {
        let hint = nearest(&output_name, circuit.node_names().filter(|n| *n != "0"));
        return Err(
            state.wrong(format!("the output {output_name} is no node of the circuit; {hint}"))
        );
    };
    Ok(BuiltCircuit {
        circuit,
        input_node,
        output,
        output_name,
        speakers,
        file: Arc::clone(&state.file),
        layout: Arc::clone(&state.layout),
    })
}

fn add_all(
    state: &AmpState,
    circuit: &mut Circuit,
    input: Node,
    speakers: &mut Vec<BuiltSpeaker>,
) -> Result<(), CircuitError> {
    circuit.add(INPUT_PART, Kind::Source { plus: input, minus: GROUND, volts: 0.0 })?;
    for (node, volts) in &state.layout.supplies {
        let plus = circuit.node(node);
        circuit.add(&supply_part(node), Kind::Source { plus, minus: GROUND, volts: volts.0 })?;
    }
    // Share of the track of every pot that a control moves.
    let mut fractions = IndexMap::new();
    for (name, control) in &state.layout.controls {
        let position = state.positions.get(name).copied().unwrap_or(control.position);
        for pot in &control.pots {
            fractions.insert(pot.as_str(), control.fraction(position));
        }
    }
    for (name, part) in &state.layout.parts {
        let moved = fractions.get(name.as_str()).copied();
        if let Some(speaker) = add(circuit, name, &part.kind, moved)? {
            speakers.push(speaker);
        }
    }
    Ok(())
}

/// Adds one part, or the parts that stand for it.
fn add(
    circuit: &mut Circuit,
    name: &str,
    part: &PartKind,
    moved: Option<f64>,
) -> Result<Option<BuiltSpeaker>, CircuitError> {
    fn pair(circuit: &mut Circuit, names: &[String; 2]) -> [Node; 2] {
        [circuit.node(&names[0]), circuit.node(&names[1])]
    }
    let kind = match part {
        PartKind::Resistor { between, value } => {
            Kind::Resistor { between: pair(circuit, between), ohms: value.0 }
        }
        PartKind::Capacitor { between, value } => {
            Kind::Capacitor { between: pair(circuit, between), farads: value.0 }
        }
        PartKind::Inductor { between, value, resistance } => {
            let [start, finish] = pair(circuit, between);
            if resistance.0 > 0.0 {
                let inner = circuit.node(&format!("{name}.coil"));
                let ohms = resistance.0;
                let between = [start, inner];
                circuit.add(&format!("{name}.R"), Kind::Resistor { between, ohms })?;
                Kind::Inductor { between: [inner, finish], henries: value.0 }
            } else {
                Kind::Inductor { between: [start, finish], henries: value.0 }
            }
        }
        PartKind::Transformer { windings, coupling } => {
            let windings = windings
                .iter()
                .map(|w| Winding {
                    between: pair(circuit, &w.between),
                    henries: w.inductance.0,
                    ohms: w.resistance.0,
                })
                .collect();
            Kind::Windings { windings, coupling: *coupling }
        }
        PartKind::Pot { hot, wiper, cold, value, end, set } => Kind::Potentiometer {
            hot: circuit.node(hot),
            wiper: circuit.node(wiper),
            cold: circuit.node(cold),
            ohms: value.0,
            fraction: moved.or(*set).unwrap_or(0.5),
            end_ohms: end.0,
        },
        PartKind::Rheostat { between, value, end, set } => Kind::Rheostat {
            between: pair(circuit, between),
            ohms: value.0,
            fraction: moved.or(*set).unwrap_or(0.5),
            end_ohms: end.0,
        },
        PartKind::Triode { plate, grid, cathode, valve } => Kind::Triode {
            plate: circuit.node(plate),
            grid: circuit.node(grid),
            cathode: circuit.node(cathode),
            valve: valve.clone(),
        },
        PartKind::Pentode { plate, screen, grid, cathode, valve } => Kind::Pentode {
            plate: circuit.node(plate),
            screen: circuit.node(screen),
            grid: circuit.node(grid),
            cathode: circuit.node(cathode),
            valve: valve.clone(),
        },
        PartKind::Diode { anode, cathode, saturation, emission } => Kind::Diode {
            anode: circuit.node(anode),
            cathode: circuit.node(cathode),
            saturation_a: saturation.0,
            emission: *emission,
        },
        PartKind::Source { between, value } => {
            let [plus, minus] = pair(circuit, between);
            Kind::Source { plus, minus, volts: value.0 }
        }
        PartKind::Speaker { between, speaker, .. } => {
            let terminals = pair(circuit, between);
            let nodes = speaker.expand(circuit, name, terminals)?;
            return Ok(Some(BuiltSpeaker {
                designator: name.to_owned(),
                title: speaker.title.clone(),
                nodes,
                range_of_use: speaker.range_of_use,
            }));
        }
    };
    circuit.add(name, kind)?;
    Ok(None)
}
