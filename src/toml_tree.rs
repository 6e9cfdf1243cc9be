//! From a tree of TOML to what it describes, with the place in the text of whatever is wrong.
//!
//! The `toml` crate reads text into a tree in which everything knows its place. It would go on from there
//! itself, but for each type of ours compiles three readers, two of them for what no file of ours holds, and
//! each for every kind of value: a tenth of what this crate compiles. Here it is one, for what the type can
//! take, and a list with too many elements is refused besides.

use std::fmt::Display;
use std::ops::Range;

use serde::de::value::StrDeserializer;
use serde::de::{
    DeserializeOwned, DeserializeSeed, Deserializer, Error, Expected, IntoDeserializer, MapAccess,
    SeqAccess, Unexpected, Visitor,
};
use serde::forward_to_deserialize_any;
use toml::Spanned;
use toml::de::{DeString, DeTable, DeValue};

use crate::names::nearest;

/// What is wrong, and where in the text if that is known.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{message}")]
pub struct Complaint {
    /// In the words of serde, or of the `toml` crate.
    pub message: String,
    pub span: Option<Range<usize>>,
    /// Whether the text is no TOML at all.
    no_toml: bool,
}

impl Error for Complaint {
    fn custom<T: Display>(message: T) -> Self {
        Self { message: message.to_string(), span: None, no_toml: false }
    }
}

impl Complaint {
    /// The innermost place stands.
    fn at(mut self, span: Range<usize>) -> Self {
        self.span.get_or_insert(span);
        self
    }

    /// The complaint in plain words, with the number of the line in the text.
    pub fn in_text(&self, text: &str) -> String {
        let key = format!("key {}", self.name());
        let words = self.in_words(text, &key);
        match &self.span {
            Some(span) if !self.is_of_the_whole() => {
                format!("line {}: {words}", line_of(text, span.start))
            }
            _ => words,
        }
    }

    /// Whether it is about no line: what is missing in the whole file.
    pub fn is_of_the_whole(&self) -> bool {
        let nowhere = self.span.as_ref().is_none_or(|s| s.is_empty());
        nowhere && self.message.starts_with("missing field")
    }

    /// The name that it is about: serde puts names between backticks, the offending one first.
    fn name(&self) -> &str {
        self.message.split('`').nth(1).unwrap_or("")
    }

    /// What is wrong, in plain words: `key` is what there is none of where a key is unknown ("such key").
    pub fn in_words(&self, text: &str, key: &str) -> String {
        let (message, name) = (self.message.as_str(), self.name());
        // Behind the offending name those that would be right.
        let right = || nearest(name, message.split('`').skip(3).step_by(2));
        if message.starts_with("unknown field") {
            format!("there is no {key} here; {}", right())
        } else if message.starts_with("unknown variant") {
            format!("\"{name}\" is not known here; {}", right())
        } else if message.starts_with("missing field") {
            format!("the key {name} is missing")
        } else if message == "duplicate key" {
            let key = self.span.as_ref().and_then(|s| text.get(s.clone())).unwrap_or("a key");
            format!("{key} is there twice")
        } else if let Some((found, wanted)) =
            message.strip_prefix("invalid type: ").and_then(|m| m.split_once(", expected "))
        {
            let found =
                found.replace('`', "").replace("sequence", "a list").replace("map", "a table");
            let wanted = match wanted {
                "a string" => "a text in quotes".to_owned(),
                "a sequence" => "a list".to_owned(),
                "f64" => "a number".to_owned(),
                "u8" | "u16" | "u32" | "u64" | "usize" => "a whole number, not negative".to_owned(),
                _ if wanted.starts_with("struct ") => "a table".to_owned(),
                _ => wanted.replace("an array of length", "a list of"),
            };
            format!("{found} stands here, but it must be {wanted}")
        } else if let Some((found, wanted)) = message
            .strip_prefix("invalid length ")
            .and_then(|m| m.split_once(", expected an array of length "))
        {
            format!("{found} in the list, but there must be {wanted}")
        } else if self.no_toml {
            format!("this is not TOML: {message}")
        } else {
            message.to_owned()
        }
    }
}

impl From<toml::de::Error> for Complaint {
    fn from(error: toml::de::Error) -> Self {
        Self { message: error.message().trim().to_owned(), span: error.span(), no_toml: true }
    }
}

/// The line in which a place lies, counted from 1.
pub fn line_of(text: &str, place: usize) -> usize {
    let upto = text.as_bytes().iter().take(place);
    1 + upto.filter(|b| **b == b'\n').count()
}

/// Reads a text.
///
/// # Errors
/// [`Complaint`] if it is not TOML, or does not describe a `T`.
pub fn read_text<T: DeserializeOwned>(text: &str) -> Result<T, Complaint> {
    read(&DeTable::parse(text)?)
}

/// Reads a tree.
///
/// # Errors
/// [`Complaint`] if it does not describe a `T`.
pub fn read<T: DeserializeOwned>(tree: &Spanned<DeTable<'_>>) -> Result<T, Complaint> {
    T::deserialize(Whole(tree.get_ref())).map_err(|e| e.at(tree.span()))
}

/// The whole tree.
struct Whole<'t>(&'t DeTable<'t>);

impl<'de> Deserializer<'de> for Whole<'de> {
    type Error = Complaint;

    fn deserialize_any<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Complaint> {
        visitor.visit_map(Entries::of(self.0))
    }

    forward_to_deserialize_any! {
        bool i8 i16 i32 i64 i128 u8 u16 u32 u64 u128 f32 f64 char str string bytes byte_buf option unit
        unit_struct newtype_struct seq tuple tuple_struct map struct enum identifier ignored_any
    }
}

/// A value in it.
#[derive(Clone, Copy)]
struct Value<'t>(&'t Spanned<DeValue<'t>>);

/// A number of either kind.
enum Number {
    Whole(i64),
    Large(u64),
    Fraction(f64),
}

impl<'t> Value<'t> {
    /// The complaint that a visitor expects something else.
    fn wrong(self, expected: &dyn Expected) -> Complaint {
        let number;
        let found = match self.0.get_ref() {
            DeValue::String(text) => Unexpected::Str(text),
            DeValue::Integer(_) | DeValue::Float(_) => {
                number = self.number();
                match &number {
                    Ok(Number::Whole(whole)) => Unexpected::Signed(*whole),
                    Ok(Number::Large(whole)) => Unexpected::Unsigned(*whole),
                    Ok(Number::Fraction(fraction)) => Unexpected::Float(*fraction),
                    Err(_) => Unexpected::Other("too large a number"),
                }
            }
            DeValue::Boolean(truth) => Unexpected::Bool(*truth),
            DeValue::Datetime(_) => Unexpected::Other("a date or time"),
            DeValue::Array(_) => Unexpected::Seq,
            DeValue::Table(_) => Unexpected::Map,
        };
        self.complain(Complaint::invalid_type(found, expected))
    }

    fn complain(self, complaint: Complaint) -> Complaint {
        complaint.at(self.0.span())
    }

    fn number(self) -> Result<Number, Complaint> {
        let too_large = || self.complain(Complaint::custom("the number is too large"));
        match self.0.get_ref() {
            DeValue::Integer(whole) => {
                let (text, radix) = (whole.as_str(), whole.radix());
                match i64::from_str_radix(text, radix) {
                    Ok(whole) => Ok(Number::Whole(whole)),
                    Err(_) => {
                        u64::from_str_radix(text, radix).map(Number::Large).map_err(|_| too_large())
                    }
                }
            }
            DeValue::Float(fraction) => match fraction.as_str().parse::<f64>() {
                Ok(f) if !f.is_infinite() || fraction.as_str().contains("inf") => {
                    Ok(Number::Fraction(f))
                }
                _ => Err(too_large()),
            },
            _ => Err(self.wrong(&"a number")),
        }
    }

    fn text<V: Visitor<'t>>(self, text: &str, visitor: V) -> Result<V::Value, Complaint> {
        visitor.visit_str(text).map_err(|e| self.complain(e))
    }

    fn give_number<V: Visitor<'t>>(self, visitor: V) -> Result<V::Value, Complaint> {
        match self.number()? {
            Number::Whole(whole) => visitor.visit_i64(whole),
            Number::Large(whole) => visitor.visit_u64(whole),
            Number::Fraction(fraction) => visitor.visit_f64(fraction),
        }
        .map_err(|e| self.complain(e))
    }

    fn give_list<V: Visitor<'t>>(
        self,
        list: &'t [Spanned<DeValue<'t>>],
        visitor: V,
    ) -> Result<V::Value, Complaint> {
        let mut elements = list.iter();
        let value = visitor.visit_seq(Elements(&mut elements)).map_err(|e| self.complain(e))?;
        let taken = list.len() - elements.len();
        if taken == list.len() {
            return Ok(value);
        }
        let expected = format!("an array of length {taken}");
        Err(self.complain(Complaint::invalid_length(list.len(), &expected.as_str())))
    }
}

impl<'de> Deserializer<'de> for Value<'de> {
    type Error = Complaint;

    fn deserialize_any<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Complaint> {
        match self.0.get_ref() {
            DeValue::String(text) => self.text(text, visitor),
            DeValue::Integer(_) | DeValue::Float(_) => self.give_number(visitor),
            DeValue::Boolean(truth) => visitor.visit_bool(*truth).map_err(|e| self.complain(e)),
            DeValue::Datetime(_) => Err(self.wrong(&visitor)),
            DeValue::Array(list) => self.give_list(list, visitor),
            DeValue::Table(_) => self.deserialize_map(visitor),
        }
    }

    // What a type can't take is refused here, so that its reader is compiled for what it can take alone.

    fn deserialize_str<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Complaint> {
        match self.0.get_ref() {
            DeValue::String(text) => self.text(text, visitor),
            _ => Err(self.wrong(&visitor)),
        }
    }

    fn deserialize_string<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Complaint> {
        self.deserialize_str(visitor)
    }

    fn deserialize_identifier<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Complaint> {
        self.deserialize_str(visitor)
    }

    fn deserialize_f64<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Complaint> {
        match self.0.get_ref() {
            DeValue::Integer(_) | DeValue::Float(_) => self.give_number(visitor),
            _ => Err(self.wrong(&visitor)),
        }
    }

    fn deserialize_seq<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Complaint> {
        match self.0.get_ref() {
            DeValue::Array(list) => self.give_list(list, visitor),
            _ => Err(self.wrong(&visitor)),
        }
    }

    fn deserialize_tuple<V: Visitor<'de>>(
        self,
        _length: usize,
        visitor: V,
    ) -> Result<V::Value, Complaint> {
        self.deserialize_seq(visitor)
    }

    fn deserialize_map<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Complaint> {
        match self.0.get_ref() {
            DeValue::Table(table) => {
                visitor.visit_map(Entries::of(table)).map_err(|e| self.complain(e))
            }
            _ => Err(self.wrong(&visitor)),
        }
    }

    fn deserialize_struct<V: Visitor<'de>>(
        self,
        _name: &'static str,
        _fields: &'static [&'static str],
        visitor: V,
    ) -> Result<V::Value, Complaint> {
        self.deserialize_map(visitor)
    }

    fn deserialize_option<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Complaint> {
        visitor.visit_some(self)
    }

    fn deserialize_newtype_struct<V: Visitor<'de>>(
        self,
        _name: &'static str,
        visitor: V,
    ) -> Result<V::Value, Complaint> {
        visitor.visit_newtype_struct(self)
    }

    /// A name out of a few; one that carries data has a tag among its keys, and is no enumeration here.
    fn deserialize_enum<V: Visitor<'de>>(
        self,
        _name: &'static str,
        _variants: &'static [&'static str],
        visitor: V,
    ) -> Result<V::Value, Complaint> {
        match self.0.get_ref() {
            DeValue::String(text) => {
                let text: StrDeserializer<'_, Complaint> = (&**text).into_deserializer();
                visitor.visit_enum(text).map_err(|e| self.complain(e))
            }
            _ => Err(self.wrong(&"a string")),
        }
    }

    fn deserialize_ignored_any<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Complaint> {
        visitor.visit_unit()
    }

    forward_to_deserialize_any! {
        bool i8 i16 i32 i64 i128 u8 u16 u32 u64 u128 f32 char bytes byte_buf unit unit_struct tuple_struct
    }
}

/// The elements of a list.
struct Elements<'a, 't>(&'a mut std::slice::Iter<'t, Spanned<DeValue<'t>>>);

impl<'de> SeqAccess<'de> for Elements<'_, 'de> {
    type Error = Complaint;

    fn next_element_seed<S: DeserializeSeed<'de>>(
        &mut self,
        seed: S,
    ) -> Result<Option<S::Value>, Complaint> {
        match self.0.next() {
            Some(element) => seed.deserialize(Value(element)).map(Some),
            None => Ok(None),
        }
    }

    fn size_hint(&self) -> Option<usize> {
        Some(self.0.len())
    }
}

/// The keys of a table and their values.
struct Entries<'t> {
    rest: Box<dyn Iterator<Item = (&'t Spanned<DeString<'t>>, &'t Spanned<DeValue<'t>>)> + 't>,
    value: Option<&'t Spanned<DeValue<'t>>>,
}

impl<'t> Entries<'t> {
    fn of(table: &'t DeTable<'t>) -> Self {
        Self { rest: Box::new(table.iter()), value: None }
    }
}

impl<'de> MapAccess<'de> for Entries<'de> {
    type Error = Complaint;

    fn next_key_seed<S: DeserializeSeed<'de>>(
        &mut self,
        seed: S,
    ) -> Result<Option<S::Value>, Complaint> {
        let Some((key, value)) = self.rest.next() else { return Ok(None) };
        self.value = Some(value);
        let name: StrDeserializer<'_, Complaint> = (&**key.get_ref()).into_deserializer();
        seed.deserialize(name).map(Some).map_err(|e| e.at(key.span()))
    }

    fn next_value_seed<S: DeserializeSeed<'de>>(&mut self, seed: S) -> Result<S::Value, Complaint> {
        match self.value.take() {
            Some(value) => seed.deserialize(Value(value)),
            None => Err(Complaint::custom("a value was asked for before its key")),
        }
    }
}

#[cfg(test)]
mod tests {
    use indexmap::IndexMap;
    use serde::Deserialize;

    use super::*;

    #[derive(Debug, PartialEq, Deserialize)]
    #[serde(rename_all = "lowercase")]
    enum Name {
        Low,
        High,
    }

    #[derive(Debug, PartialEq, Deserialize)]
    #[serde(tag = "kind", rename_all = "lowercase")]
    enum Tagged {
        Open { path: f64 },
        Shut,
    }

    #[derive(Debug, PartialEq, Deserialize)]
    #[serde(deny_unknown_fields)]
    struct Everything {
        text: String,
        whole: u32,
        seed: u64,
        negative: i8,
        fraction: f64,
        also_fraction: f64,
        truth: bool,
        left_out: Option<String>,
        given: Option<u8>,
        pair: [String; 2],
        list: Vec<(f64, f64)>,
        name: Name,
        tagged: Vec<Tagged>,
        table: IndexMap<String, Vec<u8>>,
    }

    const TEXT: &str = "text = 'a'\nwhole = 0x1f\nseed = 18446744073709551615\nnegative = -3\n\
        fraction = 1_0.5e-3\nalso_fraction = 7\ntruth = true\ngiven = 5\npair = ['x', 'y']\n\
        list = [[1, 2], [3.5, 4]]\nname = 'high'\ntagged = [{ kind = 'open', path = 2 }, { kind = 'shut' }]\n\
        [table]\nb = [1, 2]\na = []\n";

    /// The `toml` crate reads the same; the tables in the order of the text.
    #[test]
    fn reads_what_the_toml_crate_reads() {
        let here: Everything = read_text(TEXT).expect("all of it");
        assert_eq!(here, toml::from_str(TEXT).expect("all of it"));
        assert_eq!((here.whole, here.seed, here.left_out), (31, u64::MAX, None));
        assert_eq!(here.tagged, [Tagged::Open { path: 2.0 }, Tagged::Shut]);
        assert_eq!(here.table.keys().collect::<Vec<_>>(), ["b", "a"]);
    }

    /// It complains where the `toml` crate does, of the same, but for lists that are too long (which that
    /// cuts off) and what it calls otherwise.
    #[test]
    fn complains_with_the_place() {
        let cases = [
            ("text = 'a'", "text = 5", None),
            ("text = 'a'", "texts = 'a'", None),
            ("whole = 0x1f", "whole = -1", None),
            ("whole = 0x1f", "whole = 'a'", None),
            ("negative = -3", "negative = 300", None),
            ("negative = -3", "", None),
            ("fraction = 1_0.5e-3", "fraction = [1]", None),
            ("fraction = 1_0.5e-3", "fraction = 1e999", Some("the number is too large")),
            ("given = 5", "given = false", None),
            ("pair = ['x', 'y']", "pair = ['x']", None),
            ("pair = ['x', 'y']", "pair = 'x'", None),
            (
                "pair = ['x', 'y']",
                "pair = ['x', 'y', 'z']",
                Some("invalid length 3, expected an array of length 2"),
            ),
            ("[3.5, 4]", "[3.5, true]", None),
            ("'high'", "'hi'", None),
            ("'high'", "3", Some("invalid type: integer `3`, expected a string")),
            ("path = 2", "paths = 2", None),
            ("b = [1, 2]", "b = [1, 256]", None),
            (
                "b = [1, 2]",
                "b = 1979-05-27",
                Some("invalid type: a date or time, expected a sequence"),
            ),
            ("[table]", "[table", None),
            ("truth = true", "truth = true\ntruth = true", None),
        ];
        for (from, to, other) in cases {
            assert!(TEXT.contains(from), "{from}");
            let text = TEXT.replacen(from, to, 1);
            let here = read_text::<Everything>(&text).expect_err(to);
            if let Some(message) = other {
                assert_eq!(here.message, message);
                continue;
            }
            let there = toml::from_str::<Everything>(&text).expect_err(to);
            assert_eq!(here.message, there.message().trim(), "{to}");
            assert_eq!(here.span, there.span(), "{to}");
        }
    }

    #[test]
    fn complains_in_plain_words() {
        for (from, to, words) in [
            ("text = 'a'", "texts = 'a'", "line 1: there is no key texts here; did you mean text?"),
            (
                "path = 2",
                "path = 'x'",
                "line 12: string \"x\" stands here, but it must be a number",
            ),
            ("'high'", "'hig'", "line 11: \"hig\" is not known here; did you mean high?"),
            (
                "pair = ['x', 'y']",
                "pair = 'x'",
                "line 9: string \"x\" stands here, but it must be a list of 2",
            ),
            ("negative = -3\n", "", "the key negative is missing"),
            ("truth = true", "truth = true\ntruth = true", "line 8: truth is there twice"),
        ] {
            assert!(TEXT.contains(from), "{from}");
            let text = TEXT.replacen(from, to, 1);
            let complaint = read_text::<Everything>(&text).expect_err(to);
            assert_eq!(complaint.in_text(&text), words);
        }
        let complaint = read_text::<Everything>("text = ").expect_err("no value");
        assert!(complaint.in_text("text = ").starts_with("line 1: this is not TOML: "));
    }
}
