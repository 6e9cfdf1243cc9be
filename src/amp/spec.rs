//! What stands in the files, as serde reads and writes it. Nothing is checked here beyond
//! names of keys and notation of values.

use std::fmt;

use indexmap::IndexMap;
use serde::de::value::MapAccessDeserializer;
use serde::de::{self, Deserializer, MapAccess, SeqAccess, Visitor};
use serde::{Deserialize, Serialize, Serializer};

use crate::units::{
    Amperes, Decibels, Henries, Hertz, Ohms, Percent, Position, Seconds, Taper, Volts,
};

use super::sections::{DialsSection, SpreadSection, ValuesSection};

/// The kinds of parts, as written after `kind =`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum KindName {
    Resistor,
    Capacitor,
    Inductor,
    Transformer,
    Pot,
    Rheostat,
    Triode,
    Pentode,
    Diode,
    Source,
    Speaker,
}

impl KindName {
    /// As it is written in files.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Resistor => "resistor",
            Self::Capacitor => "capacitor",
            Self::Inductor => "inductor",
            Self::Transformer => "transformer",
            Self::Pot => "pot",
            Self::Rheostat => "rheostat",
            Self::Triode => "triode",
            Self::Pentode => "pentode",
            Self::Diode => "diode",
            Self::Source => "source",
            Self::Speaker => "speaker",
        }
    }
}

/// A value before its unit is known: a text, or a number as text.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Scalar(pub String);

impl Serialize for Scalar {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(&self.0)
    }
}

struct ScalarReader;

impl Visitor<'_> for ScalarReader {
    type Value = Scalar;
    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a value such as \"22n\"")
    }
    fn visit_str<E: de::Error>(self, text: &str) -> Result<Scalar, E> {
        Ok(Scalar(text.to_owned()))
    }
    fn visit_i64<E: de::Error>(self, number: i64) -> Result<Scalar, E> {
        Ok(Scalar(number.to_string()))
    }
    fn visit_u64<E: de::Error>(self, number: u64) -> Result<Scalar, E> {
        Ok(Scalar(number.to_string()))
    }
    fn visit_f64<E: de::Error>(self, number: f64) -> Result<Scalar, E> {
        Ok(Scalar(number.to_string()))
    }
}

impl<'de> Deserialize<'de> for Scalar {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        deserializer.deserialize_any(ScalarReader)
    }
}

/// One text, or a list of them.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct OneOrMore(pub Vec<String>);

impl Serialize for OneOrMore {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        match self.0.as_slice() {
            [one] => serializer.serialize_str(one),
            more => serializer.collect_seq(more),
        }
    }
}

impl<'de> Deserialize<'de> for OneOrMore {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Reader;
        impl<'de> Visitor<'de> for Reader {
            type Value = OneOrMore;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a text in quotes or a list of them")
            }
            fn visit_str<E: de::Error>(self, text: &str) -> Result<OneOrMore, E> {
                Ok(OneOrMore(vec![text.to_owned()]))
            }
            fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<OneOrMore, A::Error> {
                let mut all = Vec::new();
                while let Some(one) = seq.next_element()? {
                    all.push(one);
                }
                Ok(OneOrMore(all))
            }
        }
        deserializer.deserialize_any(Reader)
    }
}

/// One winding of a transformer.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct WindingSpec {
    pub name: String,
    /// Start (dotted end) and finish.
    pub between: [String; 2],
    pub inductance: Henries,
    #[serde(default = "no_resistance")]
    pub resistance: Ohms,
}

fn no_resistance() -> Ohms {
    Ohms(0.0)
}

macro_rules! part_spec {
    ($($key:ident: $type:ty,)*) => {
        /// The keys of a part as they stand in a file; which of them belong to which kind
        /// is checked later.
        #[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
        #[serde(deny_unknown_fields, default)]
        pub struct PartSpec {
            $(#[serde(skip_serializing_if = "Option::is_none")] pub $key: Option<$type>,)*
        }

        impl PartSpec {
            /// The keys that are set, in the order in which they are described.
            pub fn keys(&self) -> Vec<&'static str> {
                let mut keys = Vec::new();
                $(if self.$key.is_some() {
                    keys.push(stringify!($key).trim_start_matches("r#"));
                })*
                keys
            }

            /// Takes over every key that the other one sets.
            pub fn overlay(&mut self, other: &Self) {
                $(if other.$key.is_some() {
                    self.$key.clone_from(&other.$key);
                })*
            }
        }
    };
}

part_spec! {
    kind: KindName,
    value: Scalar,
    r#type: String,
    model: String,
    between: [String; 2],
    hot: String,
    wiper: String,
    cold: String,
    plate: String,
    screen: String,
    grid: String,
    cathode: String,
    anode: String,
    end: Ohms,
    set: Percent,
    resistance: Ohms,
    coupling: f64,
    saturation: Amperes,
    emission: f64,
    construction: String,
    rating: OneOrMore,
    tolerance: Percent,
    purpose: String,
    windings: Vec<WindingSpec>,
}

/// A knob.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ControlSpec {
    /// What stands beside the knob; the name of the control if it is left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub label: Option<String>,
    /// The pot it moves, or several on one shaft.
    pub pot: OneOrMore,
    pub taper: Taper,
    #[serde(default = "half_way")]
    pub position: Position,
    /// Clockwise moves the wiper towards the cold end.
    #[serde(default, skip_serializing_if = "is_false")]
    pub reversed: bool,
}

fn half_way() -> Position {
    Position::HALF
}

#[allow(clippy::trivially_copy_pass_by_ref)] // the signature that serde wants
fn is_false(value: &bool) -> bool {
    !*value
}

/// An amp file.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct AmpSpec {
    pub title: String,
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub notes: String,
    pub input: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub output: Option<String>,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub valve_files: Vec<String>,
    #[serde(default, skip_serializing_if = "IndexMap::is_empty")]
    pub supplies: IndexMap<String, Volts>,
    pub parts: IndexMap<String, PartSpec>,
    #[serde(default, skip_serializing_if = "IndexMap::is_empty")]
    pub controls: IndexMap<String, ControlSpec>,
}

/// A change of a part: its new value, or the keys that change.
#[derive(Clone, Debug, PartialEq)]
pub enum Change {
    /// Value, valve type or speaker model.
    Value(Scalar),
    Keys(Box<PartSpec>),
}

impl Serialize for Change {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        match self {
            Self::Value(value) => value.serialize(serializer),
            Self::Keys(keys) => keys.serialize(serializer),
        }
    }
}

impl<'de> Deserialize<'de> for Change {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Reader;
        impl<'de> Visitor<'de> for Reader {
            type Value = Change;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a new value such as \"22n\", or keys such as { rating = \"1 W\" }")
            }
            fn visit_str<E: de::Error>(self, text: &str) -> Result<Change, E> {
                ScalarReader.visit_str(text).map(Change::Value)
            }
            fn visit_i64<E: de::Error>(self, number: i64) -> Result<Change, E> {
                ScalarReader.visit_i64(number).map(Change::Value)
            }
            fn visit_f64<E: de::Error>(self, number: f64) -> Result<Change, E> {
                ScalarReader.visit_f64(number).map(Change::Value)
            }
            fn visit_map<A: MapAccess<'de>>(self, map: A) -> Result<Change, A::Error> {
                PartSpec::deserialize(MapAccessDeserializer::new(map))
                    .map(|keys| Change::Keys(Box::new(keys)))
            }
        }
        deserializer.deserialize_any(Reader)
    }
}

/// A version of the amp, as a difference from the amp file or from another version.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct VersionSpec {
    pub name: String,
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub note: String,
    /// Another version whose changes come first.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub based_on: Option<String>,
    /// Another amp than the job's.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub amp: Option<String>,
    /// Parts taken out.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub remove: Vec<String>,
    /// Parts changed: new value, or new keys.
    #[serde(default, skip_serializing_if = "IndexMap::is_empty")]
    pub change: IndexMap<String, Change>,
    /// Parts put in.
    #[serde(default, skip_serializing_if = "IndexMap::is_empty")]
    pub add: IndexMap<String, PartSpec>,
    /// Supplies with another voltage.
    #[serde(default, skip_serializing_if = "IndexMap::is_empty")]
    pub supplies: IndexMap<String, Volts>,
    /// Controls added, or described anew.
    #[serde(default, skip_serializing_if = "IndexMap::is_empty")]
    pub controls: IndexMap<String, ControlSpec>,
    /// Where the knobs stand.
    #[serde(default, skip_serializing_if = "IndexMap::is_empty")]
    pub positions: IndexMap<String, Position>,
    /// Knobs that move while the clip runs: time and position, in steps.
    #[serde(default, skip_serializing_if = "IndexMap::is_empty")]
    pub moves: IndexMap<String, Vec<(Seconds, Position)>>,
}

impl VersionSpec {
    /// As it stands in a job file, ready to paste: `[[versions]]` and its tables.
    ///
    /// # Errors
    /// The serializer's, which the types rule out.
    pub fn to_toml(&self) -> Result<String, toml::ser::Error> {
        #[derive(Serialize)]
        struct Versions<'a> {
            versions: [&'a VersionSpec; 1],
        }
        in_toml(&Versions { versions: [self] })
    }
}

/// As TOML, by way of a table, which keeps the order of the keys: to the text itself there would be four
/// writers of each type to compile.
///
/// # Errors
/// The serializer's, which the types rule out.
pub(super) fn in_toml(what: &impl Serialize) -> Result<String, toml::ser::Error> {
    toml::to_string(&toml::Table::try_from(what)?)
}

/// A clip of a job.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct ClipSpec {
    #[serde(default)]
    pub name: Option<String>,
    pub file: String,
    pub peak: Volts,
    /// Counted from 1; all channels mixed if it is left out.
    #[serde(default)]
    pub channel: Option<usize>,
    #[serde(default)]
    pub note: String,
}

/// Which versions are held against each other.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct CompareSpec {
    pub before: Option<String>,
    pub after: Option<String>,
}

/// What counts as a good low-end trim.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct TrimSpec {
    pub below: Option<Hertz>,
    pub speaker_lowest: Option<Hertz>,
    pub trimmed_by_at_least: Option<Decibels>,
    pub low_e_changed_by_at_most: Option<Decibels>,
}

/// A job file.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct JobSpec {
    pub title: String,
    pub amp: String,
    #[serde(default)]
    pub owner: String,
    #[serde(default)]
    pub notes: String,
    #[serde(default)]
    pub safety: String,
    #[serde(default)]
    pub reply_to: String,
    #[serde(default)]
    pub valve_files: Vec<String>,
    #[serde(default)]
    pub clips: Vec<ClipSpec>,
    #[serde(default)]
    pub versions: Vec<VersionSpec>,
    #[serde(default)]
    pub compare: CompareSpec,
    #[serde(default)]
    pub trim: Option<TrimSpec>,
    #[serde(default)]
    pub dials: DialsSection,
    #[serde(default)]
    pub values: ValuesSection,
    #[serde(default)]
    pub spread: SpreadSection,
}
