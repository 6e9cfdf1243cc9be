//! What each kind of quantity is called and how it is written: units, prefixes, sign.

/// One prefix: how it is written, and its power of ten.
pub(super) type Prefix = (&'static str, i32);

/// What a kind of quantity is called, and how it is written.
#[derive(Debug)]
pub(super) struct Dimension {
    pub wanted: &'static str,
    pub examples: &'static str,
    /// Unit names; the first is printed.
    pub units: &'static [&'static str],
    /// What stands for the point when there is no prefix (R, F, H).
    pub point: &'static str,
    /// Prefixes that may stand before the unit.
    pub prefixes: &'static [Prefix],
    /// Prefixes that may not be written without the unit.
    pub needs_unit: &'static [&'static str],
    /// Prefixes used in print, smallest first, with the power of ten (0: none).
    pub printed: &'static [Prefix],
    /// Without a prefix, print numbers from this power of ten on (0.5 V rather than 500 mV).
    pub from_exponent: i32,
    pub bare_numbers: bool,
    pub signed: bool,
    /// Whether 1/2 W and the like are read.
    pub fractions: bool,
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

pub(super) static ALL: [&Dimension; 10] =
    [&OHMS, &FARADS, &HENRIES, &VOLTS, &HERTZ, &WATTS, &AMPERES, &SECONDS, &DECIBELS, &PERCENT];

impl Dimension {
    /// The power of ten that a suffix (`kohm`, `k`, `R`, `nF`) stands for; `None` if it is
    /// no suffix of this quantity.
    pub fn exponent(&self, suffix: &str) -> Option<i32> {
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
    pub fn point_exponent(&self, letter: &str) -> Option<i32> {
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
    pub fn suggested_by(&self, prefix: &str) -> bool {
        let usual: &[&str] = match self.wanted {
            "capacitance" => &["p", "n", "u", "\u{b5}", "\u{3bc}"],
            "resistance" => &["k", "K", "M"],
            _ => &[],
        };
        usual.contains(&prefix)
    }

    /// Whether a suffix names a unit of this quantity (a prefix alone does not).
    pub fn owns(&self, suffix: &str) -> bool {
        self.units.iter().any(|unit| {
            suffix
                .strip_suffix(unit)
                .is_some_and(|p| p.is_empty() || self.prefixes.iter().any(|(q, _)| *q == p))
        })
    }
}
