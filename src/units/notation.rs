//! Reading and printing values: the letter code of IEC 60062 (6k8, 4n7, R47) and plain SI.
//!
//! Both directions work on the decimal digits, never by multiplying with a power of ten,
//! so `4n7` is the same number as `4.7e-9` and what is printed reads back unchanged.

use super::error::{UnitError, quoted};

/// One prefix: how it is written, and its power of ten.
type Prefix = (&'static str, i32);

/// What a kind of quantity is called, and how it is written.
#[derive(Debug)]
pub(super) struct Dimension {
    pub wanted: &'static str,
    pub examples: &'static str,
    /// Unit names; the first is printed.
    units: &'static [&'static str],
    /// What stands for the point when there is no prefix (R, F, H).
    point: &'static str,
    /// Prefixes that may stand before the unit, smallest first; printing uses
    /// those for which `printed` is true.
    prefixes: &'static [Prefix],
    /// Prefixes that may not be written without the unit.
    needs_unit: &'static [&'static str],
    /// Prefixes used in print, smallest first, with the power of ten (0: none).
    printed: &'static [Prefix],
    /// The smallest mantissa in print is 10 to this power.
    from_exponent: i32,
    bare_numbers: bool,
    signed: bool,
    /// Share in words: `1/2 W`.
    fractions: bool,
}

/// u, the micro sign, and the Greek letter that looks like it.
const MICRO: [Prefix; 3] = [("u", -6), ("\u{b5}", -6), ("\u{3bc}", -6)];

pub(super) static OHMS: Dimension = Dimension {
    wanted: "resistance",
    examples: "6k8, 470 or \"1.5 Mohm\"",
    units: &["ohm", "ohms", "Ohm", "Ohms", "\u{3a9}", "\u{2126}", "R"],
    point: "R",
    prefixes: &[("m", -3), ("k", 3), ("K", 3), ("M", 6), ("G", 9)],
    // 1m beside 1M is a slip of the shift key, not a thousandth of an ohm.
    needs_unit: &["m"],
    printed: &[("R", 0), ("k", 3), ("M", 6), ("G", 9)],
    from_exponent: 0,
    bare_numbers: true,
    signed: false,
    fractions: false,
};

pub(super) static FARADS: Dimension = Dimension {
    wanted: "capacitance",
    examples: "22n, 4n7 or \"0.022 uF\"",
    units: &["F"],
    point: "F",
    prefixes: &[("p", -12), ("n", -9), MICRO[0], MICRO[1], MICRO[2], ("m", -3)],
    needs_unit: &[],
    printed: &[("p", -12), ("n", -9), ("u", -6), ("m", -3), ("F", 0)],
    from_exponent: 0,
    bare_numbers: false,
    signed: false,
    fractions: false,
};

pub(super) static HENRIES: Dimension = Dimension {
    wanted: "inductance",
    examples: "5H, 38m1 or \"38.1 mH\"",
    units: &["H"],
    point: "H",
    prefixes: &[("n", -9), MICRO[0], MICRO[1], MICRO[2], ("m", -3)],
    needs_unit: &[],
    printed: &[("n", -9), ("u", -6), ("m", -3), ("H", 0)],
    from_exponent: 0,
    bare_numbers: false,
    signed: false,
    fractions: false,
};

pub(super) static VOLTS: Dimension = Dimension {
    wanted: "voltage",
    examples: "\"320 V\" or \"80 mV\"",
    units: &["V", "volt", "volts"],
    point: "V",
    prefixes: &[MICRO[1], MICRO[0], MICRO[2], ("m", -3), ("k", 3)],
    needs_unit: &["u", "\u{b5}", "\u{3bc}", "m", "k"],
    printed: &[("µ", -6), ("m", -3), ("", 0), ("k", 3)],
    from_exponent: -1,
    bare_numbers: true,
    signed: true,
    fractions: false,
};

pub(super) static HERTZ: Dimension = Dimension {
    wanted: "frequency",
    examples: "\"75 Hz\" or \"5 kHz\"",
    units: &["Hz", "hz"],
    point: "",
    prefixes: &[("k", 3), ("K", 3), ("M", 6)],
    needs_unit: &["M"],
    printed: &[("", 0), ("k", 3), ("M", 6)],
    from_exponent: 0,
    bare_numbers: true,
    signed: false,
    fractions: false,
};

pub(super) static WATTS: Dimension = Dimension {
    wanted: "power",
    examples: "\"0.5 W\" or \"1/2 W\"",
    units: &["W", "watt", "watts"],
    point: "W",
    prefixes: &[MICRO[1], MICRO[0], MICRO[2], ("m", -3), ("k", 3)],
    needs_unit: &["u", "\u{b5}", "\u{3bc}", "m", "k"],
    printed: &[("µ", -6), ("m", -3), ("", 0), ("k", 3)],
    from_exponent: -1,
    bare_numbers: true,
    signed: false,
    fractions: true,
};

pub(super) static AMPERES: Dimension = Dimension {
    wanted: "current",
    examples: "\"40 mA\" or \"0.9 A\"",
    units: &["A"],
    point: "A",
    prefixes: &[("p", -12), ("n", -9), MICRO[1], MICRO[0], MICRO[2], ("m", -3)],
    needs_unit: &["p", "n", "u", "\u{b5}", "\u{3bc}", "m"],
    printed: &[("p", -12), ("n", -9), ("µ", -6), ("m", -3), ("", 0)],
    from_exponent: 0,
    bare_numbers: false,
    signed: true,
    fractions: false,
};

pub(super) static SECONDS: Dimension = Dimension {
    wanted: "time",
    examples: "\"2.5 s\" or \"20 ms\"",
    units: &["s"],
    point: "",
    prefixes: &[MICRO[1], MICRO[0], MICRO[2], ("m", -3)],
    needs_unit: &["u", "\u{b5}", "\u{3bc}", "m"],
    printed: &[("µ", -6), ("m", -3), ("", 0)],
    from_exponent: 0,
    bare_numbers: true,
    signed: false,
    fractions: false,
};

pub(super) static DECIBELS: Dimension = Dimension {
    wanted: "level in dB",
    examples: "\"12 dB\"",
    units: &["dB", "db"],
    point: "",
    prefixes: &[],
    needs_unit: &[],
    printed: &[("", 0)],
    from_exponent: 0,
    bare_numbers: true,
    signed: true,
    fractions: false,
};

pub(super) static PERCENT: Dimension = Dimension {
    wanted: "percentage",
    examples: "\"10 %\"",
    units: &["%"],
    point: "",
    prefixes: &[],
    needs_unit: &[],
    printed: &[("", 0)],
    from_exponent: 0,
    // A bare 0.1 could be a tenth or a tenth of a percent.
    bare_numbers: false,
    signed: false,
    fractions: false,
};

static ALL: [&Dimension; 10] =
    [&OHMS, &FARADS, &HENRIES, &VOLTS, &HERTZ, &WATTS, &AMPERES, &SECONDS, &DECIBELS, &PERCENT];

impl Dimension {
    /// The power of ten that a suffix (`kohm`, `k`, `R`, `nF`) stands for; `None` if it is
    /// no suffix of this quantity.
    fn exponent(&self, suffix: &str) -> Option<i32> {
        let unit = |s: &str| self.units.contains(&s);
        if unit(suffix) {
            return Some(0);
        }
        self.prefixes.iter().find_map(|(prefix, exponent)| {
            let rest = suffix.strip_prefix(prefix)?;
            let complete = if rest.is_empty() {
                !self.needs_unit.contains(prefix)
            } else {
                // "kR" is no notation of anything.
                unit(rest) && rest != "R"
            };
            complete.then_some(*exponent)
        })
    }

    /// The power of ten of a letter that stands in the place of the point: 6k8, R47, 1V2.
    fn point_exponent(&self, letter: &str) -> Option<i32> {
        if !self.point.is_empty() && (letter == self.point || self.units.contains(&letter)) {
            return Some(0);
        }
        self.prefixes
            .iter()
            .find(|(p, _)| *p == letter && !self.needs_unit.contains(p))
            .map(|p| p.1)
    }

    /// Whether a prefix alone tells that this quantity was meant: nobody writes 22n
    /// for anything but a capacitor.
    fn suggested_by(&self, prefix: &str) -> bool {
        let usual: &[&str] = match self.wanted {
            "capacitance" => &["p", "n", "u", "\u{b5}", "\u{3bc}"],
            "resistance" => &["k", "K", "M"],
            _ => &[],
        };
        usual.contains(&prefix)
    }

    /// Whether a suffix names a unit of this quantity (a prefix alone does not).
    fn owns(&self, suffix: &str) -> bool {
        self.units.iter().any(|unit| {
            suffix
                .strip_suffix(unit)
                .is_some_and(|p| p.is_empty() || self.prefixes.iter().any(|(q, _)| *q == p))
        })
    }
}

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
    let largest_that_fits = dimension.printed.iter().filter(fits).next_back();
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
