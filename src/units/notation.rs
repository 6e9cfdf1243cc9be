//! Reading and printing values: the letter code of IEC 60062 (6k8, 4n7, R47) and plain SI.
//!
//! Both directions work on the decimal digits, never by multiplying with a power of ten,
//! so `4n7` is the same number as `4.7e-9` and what is printed reads back unchanged.

use super::dimension::{ALL, Dimension, Prefix};
use super::error::{UnitError, quoted};

/// A number as written: digits before and after the point, and a power of ten.
struct Decimal<'a> {
    whole: &'a str,
    decimals: &'a str,
    has_point: bool,
    exponent: i32,
}

/// The leading ASCII digits of a text, and what follows.
fn digits(text: &str) -> (&str, &str) {
    text.split_at(text.bytes().take_while(u8::is_ascii_digit).count())
}

/// Takes a plain number (`6`, `6.8`, `.022`, `2.2e-8`) off the front of a text.
fn number(text: &str) -> (Decimal<'_>, &str) {
    let (whole, mut rest) = digits(text);
    let mut decimals = "";
    let mut has_point = false;
    if let Some(after) = rest.strip_prefix('.') {
        let (d, r) = digits(after);
        if !(whole.is_empty() && d.is_empty()) {
            (decimals, rest, has_point) = (d, r, true);
        }
    }
    let mut exponent = 0;
    // Only a small e is read as a power of ten: 4E7 is 4.7 ohm on some drawings.
    if let Some(after) = rest.strip_prefix('e')
        && !(whole.is_empty() && decimals.is_empty())
    {
        let unsigned = after.strip_prefix(['-', '+']).unwrap_or(after);
        let (d, r) = digits(unsigned);
        if let Ok(power) = d.parse::<i32>()
            && power < 10_000
        {
            exponent = if after.starts_with('-') { -power } else { power };
            rest = r;
        }
    }
    (Decimal { whole, decimals, has_point, exponent }, rest)
}

/// Puts digits and a power of ten together, rounding once.
fn value(whole: &str, decimals: &str, exponent: i32) -> Option<f64> {
    format!("0{whole}.{decimals}0e{exponent}").parse().ok().filter(|v: &f64| v.is_finite())
}

/// Reads a quantity.
///
/// # Errors
/// [`UnitError`] with what was read and what would be right.
pub(super) fn read(text: &str, dimension: &Dimension) -> Result<f64, UnitError> {
    let trimmed = text.trim();
    let (wanted, examples) = (dimension.wanted, dimension.examples);
    let unreadable =
        |why: String| UnitError::Unreadable { text: quoted(text), wanted, why, examples };
    if trimmed.is_empty() {
        return Err(UnitError::Empty { wanted, examples });
    }
    let unsigned = trimmed.strip_prefix(['-', '−', '+']).map(str::trim_start);
    let negative = unsigned.is_some() && !trimmed.starts_with('+');
    let body = unsigned.unwrap_or(trimmed);

    let magnitude = magnitude(body, dimension).map_err(|problem| match problem {
        Problem::Why(why) => unreadable(why),
        Problem::NoUnit => UnitError::NoUnit { text: quoted(text), wanted, examples },
        Problem::Is(is) => UnitError::WrongUnit { text: quoted(text), is, wanted, examples },
    })?;
    if negative && !dimension.signed {
        return Err(UnitError::Negative { text: quoted(text), wanted });
    }
    Ok(if negative { -magnitude } else { magnitude })
}

enum Problem {
    Why(String),
    NoUnit,
    Is(&'static str),
}

fn magnitude(body: &str, dimension: &Dimension) -> Result<f64, Problem> {
    let why = |w: &str| Problem::Why(w.to_owned());
    let too_large = || why("the number is too large");
    if body.contains(',') {
        return Err(why("a decimal comma is not read, use a point"));
    }
    let (number, after) = number(body);
    let has_number = !(number.whole.is_empty() && number.decimals.is_empty());
    if let Some(over) = after.strip_prefix('/')
        && dimension.fractions
    {
        return fraction(&number, over, dimension);
    }
    let rest = after.trim_start();
    if rest.is_empty() {
        if !has_number {
            return Err(why("there is no number"));
        }
        let v = value(number.whole, number.decimals, number.exponent).ok_or_else(too_large)?;
        // Zero is zero in every unit.
        return if dimension.bare_numbers || v == 0.0 { Ok(v) } else { Err(Problem::NoUnit) };
    }

    // A letter in the place of the point: 6k8, R47, 4n7F.
    let letter_end = rest.find(|c: char| c.is_ascii_digit()).unwrap_or(rest.len());
    let (letter, tail) = rest.split_at(letter_end);
    if !tail.is_empty() {
        let (decimals, unit) = digits(tail);
        let unit = unit.trim();
        let is_code = rest.len() == after.len() && !number.has_point && number.exponent == 0;
        let unit_fits =
            |d: &Dimension| unit.is_empty() || (d.units.contains(&unit) && unit != letter);
        if is_code
            && let Some(exponent) = dimension.point_exponent(letter)
            && unit_fits(dimension)
        {
            return value(number.whole, decimals, exponent).ok_or_else(too_large);
        }
        let other = ALL.iter().find(|d| {
            is_code
                && d.wanted != dimension.wanted
                && if unit.is_empty() {
                    d.point == letter || d.suggested_by(letter)
                } else {
                    d.units.contains(&unit) && d.point_exponent(letter).is_some()
                }
        });
        return Err(match other {
            Some(other) => Problem::Is(other.wanted),
            None if !has_number && !is_code => why("it does not start with a number"),
            None => Problem::Why(format!("\"{}\" cannot stand there", quoted(rest))),
        });
    }

    if !has_number {
        return Err(why("it does not start with a number"));
    }
    let suffix = letter.trim_end();
    if let Some(exponent) = dimension.exponent(suffix) {
        return value(number.whole, number.decimals, number.exponent + exponent)
            .ok_or_else(too_large);
    }
    if dimension.needs_unit.contains(&suffix) {
        return Err(match (suffix, dimension.units.first()) {
            ("m", Some(&"ohm")) => why("m alone is milli; for a million ohms write M"),
            (_, Some(unit)) => Problem::Why(format!("\"{suffix}\" needs its unit, {suffix}{unit}")),
            (_, None) => Problem::NoUnit,
        });
    }
    let other = ALL
        .iter()
        .find(|d| d.wanted != dimension.wanted && (d.owns(suffix) || d.suggested_by(suffix)));
    Err(match other {
        Some(other) => Problem::Is(other.wanted),
        None => Problem::Why(format!("\"{}\" is no unit or prefix of it", quoted(suffix))),
    })
}

/// `1/2 W`: the way a rating is often written.
fn fraction(over: &Decimal<'_>, rest: &str, dimension: &Dimension) -> Result<f64, Problem> {
    let bad = || Problem::Why("a fraction is written like 1/2 W or 1/4 W".to_owned());
    let (below, suffix) = digits(rest);
    if over.has_point || over.exponent != 0 {
        return Err(bad());
    }
    let top: f64 = over.whole.parse().map_err(|_| bad())?;
    let bottom: f64 = below.parse().map_err(|_| bad())?;
    let suffix = suffix.trim();
    if !suffix.is_empty() && dimension.exponent(suffix) != Some(0) {
        return Err(bad());
    }
    let v = top / bottom;
    if v.is_finite() { Ok(v) } else { Err(bad()) }
}

/// Significant digits without the point, and the power of ten of the first digit.
fn scientific(value: f64, significant: Option<usize>) -> (String, i32) {
    let text = match significant {
        Some(n) => format!("{value:.*e}", n.clamp(1, 17) - 1),
        None => format!("{value:e}"),
    };
    let (mantissa, exponent) = text.split_once('e').unwrap_or((&text, "0"));
    let mut all: String = mantissa.chars().filter(char::is_ascii_digit).collect();
    all.truncate(all.trim_end_matches('0').len().max(1));
    (all, exponent.parse().unwrap_or(0))
}

/// Splits a positive number into the digits before and after the point for the best prefix.
fn scaled(
    value: f64,
    significant: Option<usize>,
    dimension: &Dimension,
) -> (String, String, &'static str) {
    let (all, first) = scientific(value, significant);
    let fits = |p: &&Prefix| {
        let base = if p.1 == 0 { dimension.from_exponent } else { 0 };
        first >= p.1 + base
    };
    let largest_that_fits = dimension.printed.iter().rfind(fits);
    let &(prefix, power) = largest_that_fits.or(dimension.printed.first()).unwrap_or(&("", 0));
    // Digits before the point; zero or below: the number starts with that many zeros.
    let before = first - power + 1;
    let (mut whole, mut decimals) = (String::new(), String::new());
    let count = i32::try_from(all.len()).unwrap_or(i32::MAX);
    for place in 0..before.max(0) {
        let at = usize::try_from(place).ok().and_then(|p| all.get(p..=p));
        whole.push_str(at.unwrap_or("0"));
    }
    for place in before.min(0)..count {
        if place < 0 {
            decimals.push('0');
        } else if place >= before.max(0) {
            let at = usize::try_from(place).ok().and_then(|p| all.get(p..=p));
            decimals.push_str(at.unwrap_or("0"));
        }
    }
    (whole, decimals, prefix)
}

/// Prints in the code of IEC 60062: 6k8, 22n, R47.
pub(super) fn print_coded(value: f64, significant: Option<usize>, dimension: &Dimension) -> String {
    if !value.is_finite() {
        return format!("{value}");
    }
    if value == 0.0 {
        return format!("0{}", dimension.point);
    }
    let sign = if value < 0.0 { "-" } else { "" };
    let (whole, decimals, prefix) = scaled(value.abs(), significant, dimension);
    format!("{sign}{whole}{prefix}{decimals}")
}

/// Prints plain SI: 320 V, 80 mV, 5 kHz.
pub(super) fn print_plain(value: f64, significant: Option<usize>, dimension: &Dimension) -> String {
    let unit = dimension.units.first().copied().unwrap_or("");
    if !value.is_finite() {
        return format!("{value} {unit}");
    }
    if value == 0.0 {
        return format!("0 {unit}");
    }
    let sign = if value < 0.0 { "-" } else { "" };
    let (mut whole, decimals, prefix) = scaled(value.abs(), significant, dimension);
    if whole.is_empty() {
        whole.push('0');
    }
    let point = if decimals.is_empty() { "" } else { "." };
    format!("{sign}{whole}{point}{decimals} {prefix}{unit}")
}
