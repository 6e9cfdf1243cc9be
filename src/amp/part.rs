//! Parts of an amp, checked.

use std::fmt;
use std::sync::Arc;

use crate::speaker::Speaker;
use crate::units::{Amperes, Farads, Henries, Ohms, Percent, Volts, Watts};
use crate::valves::{PentodeType, TriodeType};

use super::spec::{KindName, PartSpec, WindingSpec};

/// What a part is, with the names of its nodes.
#[derive(Clone, Debug)]
pub enum PartKind {
    Resistor {
        between: [String; 2],
        value: Ohms,
    },
    Capacitor {
        between: [String; 2],
        value: Farads,
    },
    Inductor {
        between: [String; 2],
        value: Henries,
        /// In series; zero is allowed.
        resistance: Ohms,
    },
    Transformer {
        windings: Vec<WindingSpec>,
        /// Coupling factor of every pair, 0 to 1.
        coupling: f64,
    },
    Pot {
        hot: String,
        wiper: String,
        cold: String,
        value: Ohms,
        /// What stays at either end of travel.
        end: Ohms,
        /// Share of the track below the wiper, if no control moves it.
        set: Option<f64>,
    },
    Rheostat {
        between: [String; 2],
        value: Ohms,
        end: Ohms,
        set: Option<f64>,
    },
    Triode {
        plate: String,
        grid: String,
        cathode: String,
        valve: TriodeType,
    },
    Pentode {
        plate: String,
        screen: String,
        grid: String,
        cathode: String,
        valve: PentodeType,
    },
    Diode {
        anode: String,
        cathode: String,
        saturation: Amperes,
        emission: f64,
    },
    Source {
        between: [String; 2],
        value: Volts,
    },
    Speaker {
        between: [String; 2],
        model: String,
        speaker: Arc<Speaker>,
    },
}

/// What a part may be exposed to.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Rating {
    pub watts: Option<Watts>,
    pub volts: Option<Volts>,
}

/// How a part is made, which says how far it strays from its value.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Construction {
    CarbonComposition,
    CarbonFilm,
    MetalFilm,
    Wirewound,
    Film,
    Paper,
    Mica,
    Ceramic,
    Electrolytic,
}

impl Construction {
    const RESISTORS: [Self; 4] =
        [Self::CarbonComposition, Self::CarbonFilm, Self::MetalFilm, Self::Wirewound];
    const CAPACITORS: [Self; 5] =
        [Self::Film, Self::Paper, Self::Mica, Self::Ceramic, Self::Electrolytic];

    /// Those that a kind of part can have.
    pub fn of_kind(kind: KindName) -> &'static [Self] {
        match kind {
            KindName::Resistor => &Self::RESISTORS,
            KindName::Capacitor => &Self::CAPACITORS,
            _ => &[],
        }
    }

    /// As it is written in files.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::CarbonComposition => "carbon composition",
            Self::CarbonFilm => "carbon film",
            Self::MetalFilm => "metal film",
            Self::Wirewound => "wirewound",
            Self::Film => "film",
            Self::Paper => "paper",
            Self::Mica => "mica",
            Self::Ceramic => "ceramic",
            Self::Electrolytic => "electrolytic",
        }
    }

    /// The tolerance where a file states none: common practice, no source.
    pub fn usual_tolerance(self) -> Percent {
        Percent(match self {
            Self::MetalFilm => 1.0,
            Self::CarbonFilm | Self::Wirewound | Self::Mica => 5.0,
            Self::CarbonComposition | Self::Film => 10.0,
            Self::Paper | Self::Ceramic | Self::Electrolytic => 20.0,
        })
    }
}

/// The tolerance of a kind of part where a file states neither tolerance nor construction:
/// common practice, no source. For a valve it is that of all its currents, for a loudspeaker that
/// of each of its elements (wire, mass, compliance, losses); zero for what has no single value.
pub(super) fn usual_tolerance(kind: KindName) -> Percent {
    Percent(match kind {
        KindName::Resistor | KindName::Capacitor | KindName::Inductor | KindName::Speaker => 10.0,
        KindName::Pot | KindName::Rheostat | KindName::Triode | KindName::Pentode => 20.0,
        _ => 0.0,
    })
}

/// A part of an amp.
#[derive(Clone, Debug)]
pub struct Part {
    pub kind: PartKind,
    pub rating: Rating,
    pub construction: Option<Construction>,
    /// Stated, or usual for the construction or the kind.
    pub tolerance: Percent,
    /// What it is there for, in one line.
    pub purpose: String,
    /// The file that gave or last changed it, and the line there.
    pub file: Arc<str>,
    pub line: Option<usize>,
    pub(super) spec: PartSpec,
}

impl Part {
    /// The kind's name as it is written in files.
    pub fn kind_name(&self) -> KindName {
        self.kind.name()
    }

    /// The keys as they stand in a file.
    pub fn spec(&self) -> &PartSpec {
        &self.spec
    }
}

impl PartKind {
    /// The kind's name as it is written in files.
    pub fn name(&self) -> KindName {
        match self {
            Self::Resistor { .. } => KindName::Resistor,
            Self::Capacitor { .. } => KindName::Capacitor,
            Self::Inductor { .. } => KindName::Inductor,
            Self::Transformer { .. } => KindName::Transformer,
            Self::Pot { .. } => KindName::Pot,
            Self::Rheostat { .. } => KindName::Rheostat,
            Self::Triode { .. } => KindName::Triode,
            Self::Pentode { .. } => KindName::Pentode,
            Self::Diode { .. } => KindName::Diode,
            Self::Source { .. } => KindName::Source,
            Self::Speaker { .. } => KindName::Speaker,
        }
    }

    /// The nodes that the file names, each with the key that names it.
    pub fn nodes(&self) -> Vec<(&'static str, &str)> {
        match self {
            Self::Resistor { between, .. }
            | Self::Capacitor { between, .. }
            | Self::Inductor { between, .. }
            | Self::Rheostat { between, .. }
            | Self::Source { between, .. }
            | Self::Speaker { between, .. } => {
                between.iter().map(|n| ("between", n.as_str())).collect()
            }
            Self::Transformer { windings, .. } => windings
                .iter()
                .flat_map(|w| w.between.iter().map(|n| ("windings", n.as_str())))
                .collect(),
            Self::Pot { hot, wiper, cold, .. } => {
                vec![("hot", hot), ("wiper", wiper), ("cold", cold)]
            }
            Self::Triode { plate, grid, cathode, .. } => {
                vec![("plate", plate), ("grid", grid), ("cathode", cathode)]
            }
            Self::Pentode { plate, screen, grid, cathode, .. } => {
                vec![("plate", plate), ("screen", screen), ("grid", grid), ("cathode", cathode)]
            }
            Self::Diode { anode, cathode, .. } => vec![("anode", anode), ("cathode", cathode)],
        }
    }

    /// Whether a control can move it.
    pub fn turns(&self) -> bool {
        matches!(self, Self::Pot { .. } | Self::Rheostat { .. })
    }
}

/// The value in a few characters: `100n`, `250k`, `12AX7`, `5H:5H:38m1`.
impl fmt::Display for PartKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Resistor { value, .. }
            | Self::Pot { value, .. }
            | Self::Rheostat { value, .. } => write!(f, "{value}"),
            Self::Capacitor { value, .. } => write!(f, "{value}"),
            Self::Inductor { value, .. } => write!(f, "{value}"),
            Self::Source { value, .. } => write!(f, "{value}"),
            Self::Triode { valve, .. } => f.write_str(&valve.name),
            Self::Pentode { valve, .. } => f.write_str(&valve.name),
            Self::Speaker { model, .. } => f.write_str(model),
            Self::Diode { saturation, .. } => write!(f, "diode {saturation}"),
            Self::Transformer { windings, .. } => {
                for (i, w) in windings.iter().enumerate() {
                    write!(f, "{}{}", if i == 0 { "" } else { ":" }, w.inductance)?;
                }
                Ok(())
            }
        }
    }
}
