//! Quantities in SI base units, one type each, so that an ohm is never taken for a farad.

use std::fmt;
use std::str::FromStr;

use serde::de::{self, Deserializer, Visitor};
use serde::{Deserialize, Serialize, Serializer};

use super::dimension::{self, Dimension};
use super::error::{UnitError, article};
use super::notation;

/// A physical quantity held as a number in its SI base unit.
pub trait Quantity: Copy + fmt::Display + FromStr<Err = UnitError> {
    /// From a number in the SI base unit.
    fn from_si(value: f64) -> Self;
    /// The number in the SI base unit.
    fn si(self) -> f64;
}

macro_rules! quantity {
    ($(#[$doc:meta])* $name:ident, $dimension:path, $print:path) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
        pub struct $name(pub f64);

        impl Quantity for $name {
            fn from_si(value: f64) -> Self {
                Self(value)
            }
            fn si(self) -> f64 {
                self.0
            }
        }

        /// Reads the notation of IEC 60062 and plain SI; see the docs of the files for both.
        impl FromStr for $name {
            type Err = UnitError;
            fn from_str(text: &str) -> Result<Self, UnitError> {
                notation::read(text, &$dimension).map(Self)
            }
        }

        /// Prints every digit, so that reading gives the same number again; with a
        /// precision (`{:.3}`), that many significant digits.
        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(&$print(self.0, f.precision(), &$dimension))
            }
        }

        impl Serialize for $name {
            fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
                serializer.collect_str(self)
            }
        }

        impl<'de> Deserialize<'de> for $name {
            fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
                deserializer.deserialize_any(Reader(&$dimension)).map(Self)
            }
        }
    };
}

quantity!(/// Resistance in ohms.
    Ohms, dimension::OHMS, notation::print_coded);
quantity!(/// Capacitance in farads.
    Farads, dimension::FARADS, notation::print_coded);
quantity!(/// Inductance in henries.
    Henries, dimension::HENRIES, notation::print_coded);
quantity!(/// Electric potential difference in volts.
    Volts, dimension::VOLTS, notation::print_plain);
quantity!(/// Frequency in hertz.
    Hertz, dimension::HERTZ, notation::print_plain);
quantity!(/// Power in watts.
    Watts, dimension::WATTS, notation::print_plain);
quantity!(/// Current in amperes.
    Amperes, dimension::AMPERES, notation::print_plain);
quantity!(/// Time in seconds.
    Seconds, dimension::SECONDS, notation::print_plain);
quantity!(/// A ratio in decibels.
    Decibels, dimension::DECIBELS, notation::print_plain);
quantity!(/// A ratio in percent: `Percent(10.0)` is a tenth.
    Percent, dimension::PERCENT, notation::print_plain);

impl Percent {
    /// The ratio: 0.1 for 10 %.
    pub fn ratio(self) -> f64 {
        self.0 / 100.0
    }
}

/// Takes a quantity from a text, or from a bare number where that is unambiguous.
struct Reader(&'static Dimension);

impl Visitor<'_> for Reader {
    type Value = f64;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} like {}", article(self.0.wanted), self.0.examples)
    }

    fn visit_str<E: de::Error>(self, text: &str) -> Result<f64, E> {
        notation::read(text, self.0).map_err(E::custom)
    }

    fn visit_f64<E: de::Error>(self, number: f64) -> Result<f64, E> {
        self.visit_str(&number.to_string())
    }

    fn visit_i64<E: de::Error>(self, number: i64) -> Result<f64, E> {
        self.visit_str(&number.to_string())
    }

    fn visit_u64<E: de::Error>(self, number: u64) -> Result<f64, E> {
        self.visit_str(&number.to_string())
    }
}
