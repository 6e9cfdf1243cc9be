//! Preferred values of IEC 60063: E3 to E96.
//!
//! E3 to E24 are lists of the standard, not a rounded power law (27, 30, 33, 36, 39, 43, 47
//! and 82 deviate); E48 and E96 are given to three digits. All are tables here.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Deserializer, Serialize, Serializer};

use super::error::{UnitError, quoted};
use super::quantity::Quantity;

/// A series of preferred values per decade.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Series {
    E3,
    E6,
    E12,
    E24,
    E48,
    E96,
}

const E3: [u16; 3] = [100, 220, 470];
const E6: [u16; 6] = [100, 150, 220, 330, 470, 680];
const E12: [u16; 12] = [100, 120, 150, 180, 220, 270, 330, 390, 470, 560, 680, 820];
const E24: [u16; 24] = [
    100, 110, 120, 130, 150, 160, 180, 200, 220, 240, 270, 300, 330, 360, 390, 430, 470, 510, 560,
    620, 680, 750, 820, 910,
];
const E48: [u16; 48] = [
    100, 105, 110, 115, 121, 127, 133, 140, 147, 154, 162, 169, 178, 187, 196, 205, 215, 226, 237,
    249, 261, 274, 287, 301, 316, 332, 348, 365, 383, 402, 422, 442, 464, 487, 511, 536, 562, 590,
    619, 649, 681, 715, 750, 787, 825, 866, 909, 953,
];
const E96: [u16; 96] = [
    100, 102, 105, 107, 110, 113, 115, 118, 121, 124, 127, 130, 133, 137, 140, 143, 147, 150, 154,
    158, 162, 165, 169, 174, 178, 182, 187, 191, 196, 200, 205, 210, 215, 221, 226, 232, 237, 243,
    249, 255, 261, 267, 274, 280, 287, 294, 301, 309, 316, 324, 332, 340, 348, 357, 365, 374, 383,
    392, 402, 412, 422, 432, 442, 453, 464, 475, 487, 499, 511, 523, 536, 549, 562, 576, 590, 604,
    619, 634, 649, 665, 681, 698, 715, 732, 750, 768, 787, 806, 825, 845, 866, 887, 909, 931, 953,
    976,
];

/// Values this close (relative) count as equal: rounding of a calculation must not
/// push the answer to the next value.
const SAME: f64 = 1e-9;

/// Beyond these powers of ten there are no parts.
const DECADES: std::ops::RangeInclusive<i32> = -18..=15;

impl Series {
    /// All series, coarse to fine.
    pub const ALL: [Self; 6] = [Self::E3, Self::E6, Self::E12, Self::E24, Self::E48, Self::E96];

    /// One decade as three-digit numbers, 100 to below 1000.
    pub fn decade(self) -> &'static [u16] {
        match self {
            Self::E3 => &E3,
            Self::E6 => &E6,
            Self::E12 => &E12,
            Self::E24 => &E24,
            Self::E48 => &E48,
            Self::E96 => &E96,
        }
    }

    /// The name: `E12`.
    pub fn name(self) -> &'static str {
        match self {
            Self::E3 => "E3",
            Self::E6 => "E6",
            Self::E12 => "E12",
            Self::E24 => "E24",
            Self::E48 => "E48",
            Self::E96 => "E96",
        }
    }

    /// The standard value nearest in ratio; of two equally near, the smaller.
    /// `None` for zero, negative, non-finite values and beyond 1e-18 to 1e15.
    pub fn nearest<Q: Quantity>(self, value: Q) -> Option<Q> {
        let below = self.at_or_below(value);
        let above = self.at_or_above(value);
        match (below, above) {
            (Some(b), Some(a)) => {
                Some(if value.si() / b.si() <= a.si() / value.si() { b } else { a })
            }
            (b, a) => b.or(a),
        }
    }

    /// The smallest standard value that is not below `value`.
    pub fn at_or_above<Q: Quantity>(self, value: Q) -> Option<Q> {
        let v = value.si();
        let bound = v * (1.0 - SAME);
        self.near(v).find(|s| *s >= bound).map(Q::from_si)
    }

    /// The largest standard value that is not above `value`.
    pub fn at_or_below<Q: Quantity>(self, value: Q) -> Option<Q> {
        let v = value.si();
        let bound = v * (1.0 + SAME);
        self.near(v).filter(|s| *s <= bound).last().map(Q::from_si)
    }

    /// All standard values from `low` to `high`, both included, rising.
    /// Empty if `low` is not above zero or either is not finite.
    pub fn range<Q: Quantity>(self, low: Q, high: Q) -> impl Iterator<Item = Q> {
        let (low, high) = (low.si() * (1.0 - SAME), high.si() * (1.0 + SAME));
        let sane = low > 0.0 && low.is_finite() && high.is_finite();
        let first = if sane { power_of(low).max(*DECADES.start()) } else { 1 };
        let last = if sane { power_of(high).min(*DECADES.end()) } else { 0 };
        (first..=last)
            .flat_map(move |power| self.one_decade(power))
            .filter(move |v| (low..=high).contains(v))
            .map(Q::from_si)
    }

    /// The decades round a value; empty if there is no such value.
    fn near(self, value: f64) -> impl Iterator<Item = f64> {
        let decade = (value.is_finite() && value > 0.0).then(|| power_of(value));
        let known = decade.filter(|d| DECADES.contains(d));
        known.into_iter().flat_map(|d| d - 1..=d + 1).flat_map(move |p| self.one_decade(p))
    }

    /// The values from 10^power to below 10^(power + 1), each rounded once.
    fn one_decade(self, power: i32) -> impl Iterator<Item = f64> {
        let shift = power - 2;
        let scale = 10f64.powi(shift.abs());
        self.decade().iter().map(move |v| {
            let v = f64::from(*v);
            if shift >= 0 { v * scale } else { v / scale }
        })
    }
}

fn power_of(value: f64) -> i32 {
    // Saturates for what is far outside; the callers clip to DECADES.
    value.log10().floor() as i32
}

impl fmt::Display for Series {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

impl FromStr for Series {
    type Err = UnitError;
    fn from_str(text: &str) -> Result<Self, UnitError> {
        let wanted = text.trim();
        Self::ALL
            .into_iter()
            .find(|s| s.name().eq_ignore_ascii_case(wanted))
            .ok_or_else(|| UnitError::Series { text: quoted(text) })
    }
}

impl Serialize for Series {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.name())
    }
}

impl<'de> Deserialize<'de> for Series {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        String::deserialize(deserializer)?.parse().map_err(serde::de::Error::custom)
    }
}
