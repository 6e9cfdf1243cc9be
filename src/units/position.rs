//! Where a knob stands: 0 to 10, or a clock position over 300 degrees of rotation.

use std::fmt;
use std::str::FromStr;

use serde::de::{self, Deserializer, Visitor};
use serde::{Deserialize, Serialize, Serializer};

use super::error::{UnitError, quoted};

/// The position of a knob, 0 (7:00) to 10 (5:00); 12:00 is half way.
///
/// On the clock 300 degrees are ten hours of 30 degrees, so an hour is one number.
#[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd)]
pub struct Position(f64);

impl Position {
    /// All the way down, 7:00.
    pub const MIN: Self = Self(0.0);
    /// Half way, 12:00.
    pub const HALF: Self = Self(5.0);
    /// All the way up, 5:00.
    pub const MAX: Self = Self(10.0);

    /// A position on the scale of 0 to 10.
    ///
    /// # Errors
    /// [`UnitError::Position`] outside of the scale.
    pub fn new(number: f64) -> Result<Self, UnitError> {
        if (0.0..=10.0).contains(&number) {
            // Turns -0.0 into 0.0, so that the two print alike.
            Ok(Self(number + 0.0))
        } else {
            Err(UnitError::Position { text: number.to_string(), why: "it is outside of 0 to 10" })
        }
    }

    /// A position from the share of the rotation, clamped to 0 to 1.
    pub fn from_turn(share: f64) -> Self {
        Self(if share.is_nan() { 0.0 } else { share.clamp(0.0, 1.0) * 10.0 })
    }

    /// On the scale of 0 to 10.
    pub fn number(self) -> f64 {
        self.0
    }

    /// Share of the rotation, 0 to 1.
    pub fn turn(self) -> f64 {
        self.0 / 10.0
    }

    /// As a clock position, to the minute (half a degree): `12:00`, `9:45`.
    pub fn clock(self) -> String {
        let minutes = (self.0 * 60.0).round() as u32 + 7 * 60;
        let hour = minutes / 60 % 12;
        format!("{}:{:02}", if hour == 0 { 12 } else { hour }, minutes % 60)
    }
}

/// On the scale of 0 to 10, with every digit or, with a precision, that many decimals.
impl fmt::Display for Position {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match f.precision() {
            Some(decimals) => write!(f, "{:.*}", decimals, self.0),
            None => write!(f, "{}", self.0),
        }
    }
}

impl FromStr for Position {
    type Err = UnitError;

    fn from_str(text: &str) -> Result<Self, UnitError> {
        let bad = |why| UnitError::Position { text: quoted(text), why };
        let trimmed = text.trim();
        if let Some((hour, minute)) = trimmed.split_once(':') {
            return clock(hour, minute).map_err(bad);
        }
        let (digits, scale) = match trimmed.strip_suffix('%') {
            Some(percent) => (percent.trim_end(), 10.0),
            None => (trimmed, 1.0),
        };
        let plain = |c: char| c.is_ascii_digit() || "+-.e".contains(c);
        if digits.is_empty() || !digits.chars().all(plain) {
            return Err(bad("it is no number"));
        }
        let number: f64 = digits.parse().map_err(|_| bad("it is no number"))?;
        Self::new(number / scale).map_err(|_| match scale {
            1.0 => bad("it is outside of 0 to 10"),
            _ => bad("it is outside of 0 % to 100 %"),
        })
    }
}

fn clock(hour: &str, minute: &str) -> Result<Position, &'static str> {
    let digits = |s: &str, least: usize| {
        let shape = (least..=2).contains(&s.len()) && s.bytes().all(|b| b.is_ascii_digit());
        shape.then(|| s.parse::<u32>().ok()).flatten()
    };
    let no_clock = "it is no clock position";
    let (hour, minute) = (digits(hour, 1).ok_or(no_clock)?, digits(minute, 2).ok_or(no_clock)?);
    if !(1..=12).contains(&hour) || minute > 59 {
        return Err("the clock has hours 1 to 12 and minutes 00 to 59");
    }
    // Hours since 7:00.
    let past = (hour + 12 - 7) % 12;
    let minutes = past * 60 + minute;
    if minutes > 600 {
        return Err("a knob turns from 7:00 over 12:00 to 5:00");
    }
    Ok(Position(f64::from(minutes) / 60.0))
}

impl Serialize for Position {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_f64(self.0)
    }
}

impl<'de> Deserialize<'de> for Position {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Reader;
        impl Visitor<'_> for Reader {
            type Value = Position;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a position: 0 to 10, or in quotes \"7:00\" to \"5:00\" or \"50 %\"")
            }
            fn visit_str<E: de::Error>(self, text: &str) -> Result<Position, E> {
                text.parse().map_err(E::custom)
            }
            fn visit_f64<E: de::Error>(self, number: f64) -> Result<Position, E> {
                Position::new(number).map_err(E::custom)
            }
            fn visit_i64<E: de::Error>(self, number: i64) -> Result<Position, E> {
                self.visit_f64(number as f64)
            }
            fn visit_u64<E: de::Error>(self, number: u64) -> Result<Position, E> {
                self.visit_f64(number as f64)
            }
        }
        deserializer.deserialize_any(Reader)
    }
}
