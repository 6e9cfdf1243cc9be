//! How the share of a pot's track below the wiper follows the rotation.
//!
//! One exponential law covers the tapers of the trade: with x the share of the rotation and
//! r the share of the track at half travel, R(x)/R = (b^x - 1) / (b - 1), b = (1/r - 1)^2.
//! r = 1/2 is the linear taper, r below it audio; above it reverse audio, which is the
//! audio taper seen from the other end.

use std::fmt;
use std::str::FromStr;

use serde::de::{self, Deserializer, SeqAccess, Visitor};
use serde::{Deserialize, Serialize, Serializer};

use super::error::{UnitError, quoted};
use super::position::Position;
use super::quantity::Percent;

/// The law of a potentiometer.
#[derive(Clone, Debug, PartialEq)]
pub enum Taper {
    /// Share of the track equals share of the rotation.
    Linear,
    /// Audio taper with this percentage of the track at half travel (`audio 15 %`).
    Audio(Percent),
    /// Audio taper from the other end: all but this percentage of the track is
    /// passed at half travel (`reverse audio 15 %`).
    ReverseAudio(Percent),
    /// Measured: straight lines between points.
    Measured(Measured),
}

/// Points of a measured taper, checked.
#[derive(Clone, Debug, PartialEq)]
pub struct Measured {
    /// Position 0 to 10 and percent of the track; positions rise, percents do not fall.
    points: Vec<(f64, f64)>,
}

impl Measured {
    /// Position (0 to 10) and percent of the track.
    pub fn points(&self) -> &[(f64, f64)] {
        &self.points
    }
}

/// The least and the greatest percentage at half travel of an audio taper.
const HALF_PERCENT: (f64, f64) = (0.1, 50.0);

impl Taper {
    /// Audio taper with `half` of the track at half travel.
    ///
    /// # Errors
    /// [`UnitError::Taper`] unless `half` is from 0.1 to below 50 percent.
    pub fn audio(half: Percent) -> Result<Self, UnitError> {
        checked_half(half, &format!("audio {half}")).map(Self::Audio)
    }

    /// Reverse audio taper: what [`Taper::audio`] is, seen from the other end.
    ///
    /// # Errors
    /// [`UnitError::Taper`] unless `half` is from 0.1 to below 50 percent.
    pub fn reverse_audio(half: Percent) -> Result<Self, UnitError> {
        checked_half(half, &format!("reverse audio {half}")).map(Self::ReverseAudio)
    }

    /// A measured taper from points of position (0 to 10) and percent of the track.
    ///
    /// # Errors
    /// [`UnitError::Taper`] unless the positions rise from 0 to 10 and the percentages
    /// do not fall, stay from 0 to 100 and end above 1.
    pub fn measured(points: &[(f64, f64)]) -> Result<Self, UnitError> {
        let bad = |why: String| Err(UnitError::Taper { text: print_points(points), why });
        if points.len() < 2 {
            return bad("a measured taper has at least two points".to_owned());
        }
        for &(position, percent) in points {
            if !(0.0..=10.0).contains(&position) {
                return bad(format!("position {position} is outside of 0 to 10"));
            }
            if !(0.0..=100.0).contains(&percent) {
                return bad(format!("{percent} % is outside of 0 % to 100 %"));
            }
        }
        for pair in points.windows(2) {
            let ((p, a), (q, b)) = (pair[0], pair[1]);
            if q <= p {
                return bad(format!("position {q} comes after {p}; positions must rise"));
            }
            if b < a {
                return bad(format!(
                    "{b} % at {q} comes after {a} % at {p}; the percentage must not fall"
                ));
            }
        }
        let ends = (points.first().map(|p| p.0), points.last().map(|p| p.0));
        if ends != (Some(0.0), Some(10.0)) {
            return bad("the points must start at position 0 and end at 10".to_owned());
        }
        // Shares of one instead of percent: no track ends there.
        if let Some((_, end)) = points.last().filter(|p| p.1 <= 1.0) {
            return bad(format!("it ends at {end} %; the whole track is 100 %"));
        }
        Ok(Self::Measured(Measured { points: points.to_vec() }))
    }

    /// Share of the track between the cold end and the wiper, 0 to 1.
    pub fn fraction(&self, position: Position) -> f64 {
        let x = position.turn();
        match self {
            Self::Linear => x,
            Self::Audio(half) => exponential(x, half.ratio()),
            Self::ReverseAudio(half) => 1.0 - exponential(1.0 - x, half.ratio()),
            Self::Measured(m) => interpolate(&m.points, |p| *p, position.number()) / 100.0,
        }
    }

    /// The position at which the wiper has passed this share of the track. Where a
    /// measured taper is flat, the lowest such position; shares outside of the track
    /// give the nearer end.
    pub fn position(&self, fraction: f64) -> Position {
        let f = if fraction.is_nan() { 0.0 } else { fraction.clamp(0.0, 1.0) };
        match self {
            Self::Linear => Position::from_turn(f),
            Self::Audio(half) => Position::from_turn(logarithm(f, half.ratio())),
            Self::ReverseAudio(half) => Position::from_turn(1.0 - logarithm(1.0 - f, half.ratio())),
            Self::Measured(m) => {
                let number = interpolate(&m.points, |&(p, percent)| (percent, p), f * 100.0);
                Position::from_turn(number / 10.0)
            }
        }
    }
}

fn checked_half(half: Percent, text: &str) -> Result<Percent, UnitError> {
    let (least, below) = HALF_PERCENT;
    if half.0 >= least && half.0 < below {
        return Ok(half);
    }
    let why = format!("{half} at half travel is not from {least} % to below {below} %");
    Err(UnitError::Taper { text: quoted(text), why })
}

/// ln b of the exponential law.
fn ln_base(half: f64) -> f64 {
    let (least, below) = HALF_PERCENT;
    2.0 * (1.0 / half.clamp(least / 100.0, below / 100.0) - 1.0).ln()
}

fn exponential(x: f64, half: f64) -> f64 {
    let k = ln_base(half);
    if k < 1e-12 { x } else { (k * x).exp_m1() / k.exp_m1() }
}

/// The inverse of [`exponential`].
fn logarithm(fraction: f64, half: f64) -> f64 {
    let k = ln_base(half);
    if k < 1e-12 { fraction } else { (fraction * k.exp_m1()).ln_1p() / k }
}

/// Straight lines through points whose abscissas do not fall; beyond the ends, the ends.
fn interpolate(points: &[(f64, f64)], axes: fn(&(f64, f64)) -> (f64, f64), at: f64) -> f64 {
    let mut previous: Option<(f64, f64)> = None;
    for point in points {
        let (x1, y1) = axes(point);
        if at <= x1 {
            return match previous {
                Some((x0, y0)) => y0 + (y1 - y0) * (at - x0) / (x1 - x0),
                None => y1,
            };
        }
        previous = Some((x1, y1));
    }
    previous.map_or(0.0, |p| p.1)
}

fn print_points(points: &[(f64, f64)]) -> String {
    let listed: Vec<String> = points.iter().map(|(p, f)| format!("[{p}, {f}]")).collect();
    quoted(&format!("[{}]", listed.join(", ")))
}

impl fmt::Display for Taper {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Linear => f.write_str("linear"),
            Self::Audio(half) => write!(f, "audio {half}"),
            Self::ReverseAudio(half) => write!(f, "reverse audio {half}"),
            Self::Measured(m) => {
                f.write_str("measured")?;
                for (i, (p, percent)) in m.points.iter().enumerate() {
                    write!(f, "{} {p} at {}", if i == 0 { "" } else { "," }, Percent(*percent))?;
                }
                Ok(())
            }
        }
    }
}

impl FromStr for Taper {
    type Err = UnitError;

    /// Reads `linear`, `audio 15 %`, `reverse audio 10 %`, and what is printed for a
    /// measured taper: `measured 0 at 0 %, 5 at 12 %, 10 at 100 %`.
    fn from_str(text: &str) -> Result<Self, UnitError> {
        let bad = |why: String| UnitError::Taper { text: quoted(text), why };
        let trimmed = text.trim();
        let half = |rest: &str| -> Result<Percent, UnitError> {
            if rest.trim().is_empty() {
                return Err(bad("the percentage at half travel is missing".to_owned()));
            }
            let half = rest
                .parse::<Percent>()
                .map_err(|_| bad(format!("\"{}\" is no percentage", quoted(rest))))?;
            checked_half(half, trimmed)
        };
        if trimmed == "linear" {
            return Ok(Self::Linear);
        }
        if let Some(rest) = trimmed.strip_prefix("reverse audio") {
            return half(rest).map(Self::ReverseAudio);
        }
        if let Some(rest) = trimmed.strip_prefix("audio") {
            return half(rest).map(Self::Audio);
        }
        if let Some(rest) = trimmed.strip_prefix("measured") {
            let mut points = Vec::new();
            for point in rest.split(',') {
                let unreadable = || bad(format!("\"{}\" is no point", quoted(point)));
                let (position, percent) = point.split_once(" at ").ok_or_else(unreadable)?;
                let position: Position = position.parse().map_err(|_| unreadable())?;
                let percent: Percent = percent.parse().map_err(|_| unreadable())?;
                points.push((position.number(), percent.0));
            }
            return Self::measured(&points);
        }
        Err(bad("the name is not known".to_owned()))
    }
}

impl Serialize for Taper {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        match self {
            Self::Measured(m) => serializer.collect_seq(&m.points),
            _ => serializer.collect_str(self),
        }
    }
}

impl<'de> Deserialize<'de> for Taper {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Reader;
        impl<'de> Visitor<'de> for Reader {
            type Value = Taper;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(
                    "a taper: \"linear\", \"audio 15 %\", \"reverse audio 15 %\", or measured \
                     points [[0, 0], [5, 15], [10, 100]] (position, percent)",
                )
            }
            fn visit_str<E: de::Error>(self, text: &str) -> Result<Taper, E> {
                text.parse().map_err(E::custom)
            }
            fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<Taper, A::Error> {
                let mut points = Vec::new();
                while let Some(point) = seq.next_element::<(f64, f64)>()? {
                    points.push(point);
                }
                Taper::measured(&points).map_err(de::Error::custom)
            }
        }
        deserializer.deserialize_any(Reader)
    }
}
