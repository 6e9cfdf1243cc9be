//! Notation, preferred values, knob positions and tapers, against the standards.

use presolder::units::{
    Amperes, Decibels, Farads, Henries, Hertz, Ohms, Percent, Position, Quantity, Seconds, Series,
    Taper, Volts, Watts,
};
use proptest::prelude::*;

fn read<Q: Quantity>(text: &str) -> f64 {
    text.parse::<Q>().unwrap_or_else(|e| panic!("{text}: {e}")).si()
}

fn refused<Q: Quantity + std::fmt::Debug>(text: &str) -> String {
    match text.parse::<Q>() {
        Ok(v) => panic!("{text} was read as {v:?}"),
        Err(e) => e.to_string(),
    }
}

// IEC 60062:2016, letter code: R47 is 0.47 ohm, 4R7, 470R, 4K7, 47K3, 4M7; p, n, u, m for farads.
#[test]
fn resistances_are_read() {
    for (text, ohms) in [
        ("R47", 0.47),
        ("4R7", 4.7),
        ("470R", 470.0),
        ("4K7", 4700.0),
        ("47K3", 47_300.0),
        ("4M7", 4.7e6),
        ("6k8", 6800.0),
        ("1M", 1e6),
        ("2M2", 2.2e6),
        ("1G", 1e9),
        ("k47", 470.0),
        ("470", 470.0),
        ("4.7", 4.7),
        (".47", 0.47),
        ("6.8k", 6800.0),
        ("6.8 k", 6800.0),
        ("6.8 kohm", 6800.0),
        ("6.8kohms", 6800.0),
        ("6.8 k\u{3a9}", 6800.0),
        ("6.8 k\u{2126}", 6800.0),
        ("4Ω7", 4.7),
        ("6k8 ohm", 6800.0),
        ("1.5 Mohm", 1.5e6),
        ("20 mohm", 0.02),
        ("100 ohm", 100.0),
        ("  68k ", 68e3),
        ("6.8e3", 6800.0),
        ("6.8e3 ohm", 6800.0),
        ("+470", 470.0),
        ("0R", 0.0),
        ("0", 0.0),
    ] {
        assert_eq!(read::<Ohms>(text), ohms, "{text}");
    }
}

#[test]
fn the_other_quantities_are_read() {
    for (text, farads) in [
        ("4n7", 4.7e-9),
        ("250p", 250e-12),
        ("p68", 0.68e-12),
        ("0u47", 0.47e-6),
        ("u47", 0.47e-6),
        ("4µ7", 4.7e-6),
        ("4\u{3bc}7", 4.7e-6),
        ("0.022 uF", 22e-9),
        ("0.022 µF", 22e-9),
        (".022 uF", 22e-9),
        ("22 nF", 22e-9),
        ("22nF", 22e-9),
        ("4n7F", 4.7e-9),
        ("2.2e-8 F", 22e-9),
        ("1m5", 1.5e-3),
        ("0", 0.0),
    ] {
        assert_eq!(read::<Farads>(text), farads, "{text}");
    }
    for (text, henries) in
        [("5 H", 5.0), ("5H", 5.0), ("4H7", 4.7), ("38.1 mH", 0.0381), ("38m1", 0.0381)]
    {
        assert_eq!(read::<Henries>(text), henries, "{text}");
    }
    for (text, volts) in [
        ("1.2 V", 1.2),
        ("80 mV", 0.08),
        ("-37 V", -37.0),
        ("\u{2212}37 V", -37.0),
        ("1V2", 1.2),
        ("320", 320.0),
        ("1.5 kV", 1500.0),
    ] {
        assert_eq!(read::<Volts>(text), volts, "{text}");
    }
    for (text, hertz) in
        [("75 Hz", 75.0), ("5 kHz", 5000.0), ("5k", 5000.0), ("4k7", 4700.0), ("82.41", 82.41)]
    {
        assert_eq!(read::<Hertz>(text), hertz, "{text}");
    }
    for (text, watts) in
        [("0.5 W", 0.5), ("1/2 W", 0.5), ("1/4W", 0.25), ("500 mW", 0.5), ("2", 2.0)]
    {
        assert_eq!(read::<Watts>(text), watts, "{text}");
    }
    assert_eq!(read::<Amperes>("40 mA"), 0.04);
    assert_eq!(read::<Seconds>("20 ms"), 0.02);
    assert_eq!(read::<Decibels>("-3 dB"), -3.0);
    assert_eq!(read::<Percent>("10 %"), 10.0);
    assert_eq!(read::<Percent>("10%"), 10.0);
}

#[test]
fn what_cannot_be_read_is_refused_with_what_would_be_right() {
    let ohms = "write it like 6k8, 470 or \"1.5 Mohm\"";
    for (text, message) in [
        ("22 nF", format!("\"22 nF\" is a capacitance, not a resistance; {ohms}")),
        ("5 H", format!("\"5 H\" is an inductance, not a resistance; {ohms}")),
        ("320 V", format!("\"320 V\" is a voltage, not a resistance; {ohms}")),
        ("22n", format!("\"22n\" is a capacitance, not a resistance; {ohms}")),
        ("4n7", format!("\"4n7\" is a capacitance, not a resistance; {ohms}")),
        ("", format!("an empty text is no resistance; {ohms}")),
        ("  ", format!("an empty text is no resistance; {ohms}")),
        ("-470", "\"-470\" is negative, which a resistance cannot be".to_owned()),
        (
            "1m",
            format!(
                "\"1m\" is no resistance: m alone is milli; for a million ohms write M; {ohms}"
            ),
        ),
        (
            "6,8k",
            format!("\"6,8k\" is no resistance: a decimal comma is not read, use a point; {ohms}"),
        ),
        ("4E7", format!("\"4E7\" is no resistance: \"E7\" cannot stand there; {ohms}")),
        ("abc", format!("\"abc\" is no resistance: it does not start with a number; {ohms}")),
        ("6k8k", format!("\"6k8k\" is no resistance: \"k8k\" cannot stand there; {ohms}")),
        ("6.8k2", format!("\"6.8k2\" is no resistance: \"k2\" cannot stand there; {ohms}")),
        ("6 k8", format!("\"6 k8\" is no resistance: \"k8\" cannot stand there; {ohms}")),
        (
            "12 apples",
            format!(
                "\"12 apples\" is no resistance: \"apples\" is no unit or prefix of it; {ohms}"
            ),
        ),
        ("1e999", format!("\"1e999\" is no resistance: the number is too large; {ohms}")),
        ("k", format!("\"k\" is no resistance: it does not start with a number; {ohms}")),
        (".", format!("\".\" is no resistance: it does not start with a number; {ohms}")),
        ("-", format!("\"-\" is no resistance: there is no number; {ohms}")),
    ] {
        assert_eq!(refused::<Ohms>(text), message, "{text}");
    }
    assert_eq!(
        refused::<Farads>("470"),
        "\"470\" has no unit; write the capacitance like 22n, 4n7 or \"0.022 uF\""
    );
    assert_eq!(
        refused::<Farads>("6k8"),
        "\"6k8\" is a resistance, not a capacitance; write it like 22n, 4n7 or \"0.022 uF\""
    );
    assert_eq!(
        refused::<Volts>("80m"),
        "\"80m\" is no voltage: \"m\" needs its unit, mV; write it like \"320 V\" or \"80 mV\""
    );
    assert_eq!(
        refused::<Percent>("0.1"),
        "\"0.1\" has no unit; write the percentage like \"10 %\""
    );
    let long = refused::<Ohms>(&"x".repeat(10_000));
    assert!(long.len() < 200, "{long}");
    for text in ["1/0 W", "1/2/3 W", "1.5/2 W", "/2", "1/2 V", "inf", "NaN W", "1e400 W"] {
        refused::<Watts>(text);
    }
}

#[test]
fn print_is_iec_60062_and_si() {
    for (ohms, text) in [
        (0.47, "R47"),
        (4.7, "4R7"),
        (470.0, "470R"),
        (4700.0, "4k7"),
        (47_300.0, "47k3"),
        (4.7e6, "4M7"),
        (1e6, "1M"),
        (0.005, "R005"),
        (0.0, "0R"),
        (1e13, "10000G"),
    ] {
        assert_eq!(Ohms(ohms).to_string(), text);
    }
    for (farads, text) in [
        (22e-9, "22n"),
        (0.1e-6, "100n"),
        (250e-12, "250p"),
        (0.68e-12, "p68"),
        (0.022e-6, "22n"),
        (47e-6, "47u"),
        (0.0, "0F"),
    ] {
        assert_eq!(Farads(farads).to_string(), text);
    }
    assert_eq!(Henries(0.0381).to_string(), "38m1");
    assert_eq!(Henries(5.0).to_string(), "5H");
    assert_eq!(Volts(0.08).to_string(), "80 mV");
    assert_eq!(Volts(-37.0).to_string(), "-37 V");
    assert_eq!(Volts(0.5).to_string(), "0.5 V");
    assert_eq!(Hertz(5000.0).to_string(), "5 kHz");
    assert_eq!(Hertz(82.41).to_string(), "82.41 Hz");
    assert_eq!(Watts(0.25).to_string(), "0.25 W");
    assert_eq!(Amperes(0.0012).to_string(), "1.2 mA");
    assert_eq!(Percent(10.0).to_string(), "10 %");
    // A precision rounds to significant digits, up over the next prefix where needed.
    assert_eq!(format!("{:.3}", Hertz(9999.6)), "10 kHz");
    assert_eq!(format!("{:.3}", Hertz(999.96)), "1 kHz");
    assert_eq!(format!("{:.3}", Ohms(6812.0)), "6k81");
    assert_eq!(format!("{:.2}", Volts(123.4)), "120 V");
}

fn round_trips<Q: Quantity>(si: f64) -> Result<(), TestCaseError> {
    let text = Q::from_si(si).to_string();
    let back = text.parse::<Q>().map_err(|e| TestCaseError::fail(e.to_string()))?;
    prop_assert_eq!(back.si(), si, "{}", text);
    let rounded = format!("{:.6}", LikeDisplay(Q::from_si(si)));
    let back = rounded.parse::<Q>().map_err(|e| TestCaseError::fail(e.to_string()))?;
    prop_assert!((back.si() - si).abs() <= 5.0e-6 * si.abs(), "{} {}", rounded, si);
    Ok(())
}

struct LikeDisplay<Q>(Q);
impl<Q: Quantity> std::fmt::Display for LikeDisplay<Q> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        self.0.fmt(f)
    }
}

proptest! {
    #[test]
    fn reading_what_was_printed_gives_the_same_number(
        mantissa in 1.0f64..10.0, exponent in -15i32..13, negative: bool,
    ) {
        let v = mantissa * 10f64.powi(exponent);
        round_trips::<Ohms>(v)?;
        round_trips::<Farads>(v)?;
        round_trips::<Henries>(v)?;
        round_trips::<Hertz>(v)?;
        round_trips::<Watts>(v)?;
        round_trips::<Seconds>(v)?;
        round_trips::<Percent>(v)?;
        let signed = if negative { -v } else { v };
        round_trips::<Volts>(signed)?;
        round_trips::<Amperes>(signed)?;
        round_trips::<Decibels>(signed)?;
    }

    #[test]
    fn every_finite_number_round_trips(bits: u64) {
        let v = f64::from_bits(bits);
        if v.is_finite() {
            round_trips::<Volts>(v)?;
            prop_assert_eq!(read::<Ohms>(&Ohms(v.abs()).to_string()), v.abs());
        }
    }

    #[test]
    fn every_standard_value_prints_short_and_reads_back(power in -12i32..7, at in 0usize..96) {
        let v = f64::from(Series::E96.decade()[at]) * 10f64.powi(power);
        let v: f64 = format!("{v:.2e}").parse().unwrap();
        prop_assert_eq!(read::<Farads>(&Farads(v).to_string()), v);
        if power >= -2 {
            prop_assert!(Ohms(v).to_string().len() <= 5, "{}", Ohms(v));
        }
    }

    #[test]
    fn no_text_makes_the_readers_panic(text in ".*", near in "[-+0-9.eERkMmnpuµFHVW%: /,atlinerudosvg]{0,12}") {
        for t in [&text, &near] {
            let _ = t.parse::<Ohms>();
            let _ = t.parse::<Farads>();
            let _ = t.parse::<Henries>();
            let _ = t.parse::<Volts>();
            let _ = t.parse::<Watts>();
            let _ = t.parse::<Percent>();
            let _ = t.parse::<Position>();
            let _ = t.parse::<Taper>();
            let _ = t.parse::<Series>();
        }
    }

    #[test]
    fn taper_and_its_inverse(turn in 0.0f64..=1.0, half in 0.5f64..49.9) {
        let p = Position::from_turn(turn);
        let half = Percent(half);
        for taper in [Taper::Linear, Taper::audio(half).unwrap(), Taper::reverse_audio(half).unwrap()] {
            let f = taper.fraction(p);
            prop_assert!((0.0..=1.0).contains(&f), "{} {}", taper, f);
            let back = taper.position(f);
            prop_assert!((back.number() - p.number()).abs() < 1e-8, "{}: {} {}", taper, p, back);
            prop_assert_eq!(&taper.to_string().parse::<Taper>().unwrap(), &taper);
        }
        // Both ways round: the reverse taper is the audio taper seen from the other end.
        let a = Taper::audio(half).unwrap().fraction(Position::from_turn(1.0 - turn));
        let r = Taper::reverse_audio(half).unwrap().fraction(p);
        prop_assert!((a + r - 1.0).abs() < 1e-12);
    }

    #[test]
    fn measured_tapers(
        steps in proptest::collection::vec((0.01f64..1.0, 0.0f64..1.0), 1..12), turn in 0.0f64..=1.0,
    ) {
        let (run, rise): (f64, f64) = steps.iter().fold((0.0, 0.0), |s, p| (s.0 + p.0, s.1 + p.1));
        prop_assume!(rise > 0.0);
        let mut points = vec![(0.0, 0.0)];
        let mut at = (0.0, 0.0);
        for (i, s) in steps.iter().enumerate() {
            at = (at.0 + s.0 / run * 10.0, at.1 + s.1 / rise * 100.0);
            let end = i + 1 == steps.len();
            points.push(if end { (10.0, 100.0) } else { (at.0, at.1.min(100.0)) });
        }
        prop_assume!(points.windows(2).all(|w| w[1].0 > w[0].0));
        let taper = Taper::measured(&points).unwrap();
        prop_assert_eq!(&taper.to_string().parse::<Taper>().unwrap(), &taper);
        let f = taper.fraction(Position::from_turn(turn));
        // A flat stretch has many positions for one share; the share must come back.
        prop_assert!((taper.fraction(taper.position(f)) - f).abs() < 1e-9);
    }

    #[test]
    fn positions_round_trip(turn in 0.0f64..=1.0) {
        let p = Position::from_turn(turn);
        prop_assert_eq!(p.to_string().parse::<Position>().unwrap(), p);
        let clock: Position = p.clock().parse().unwrap();
        prop_assert!((clock.number() - p.number()).abs() <= 0.5 / 60.0 + 1e-12);
    }

    #[test]
    fn series_neighbours(mantissa in 1.0f64..10.0, exponent in -12i32..10) {
        let v = mantissa * 10f64.powi(exponent);
        for s in Series::ALL {
            let below = s.at_or_below(Ohms(v)).unwrap().0;
            let above = s.at_or_above(Ohms(v)).unwrap().0;
            let near = s.nearest(Ohms(v)).unwrap().0;
            prop_assert!(below <= v * 1.000_000_01 && v <= above * 1.000_000_01);
            prop_assert!(near == below || near == above);
            let all: Vec<f64> = s.range(Ohms(v / 30.0), Ohms(v * 30.0)).map(|o| o.0).collect();
            prop_assert!(all.windows(2).all(|w| w[0] < w[1]));
            let best = all.iter().copied().min_by(|a, b| (a / v).ln().abs().total_cmp(&(b / v).ln().abs()));
            let distance = |x: f64| (x / v).ln().abs();
            prop_assert!((distance(best.unwrap()) - distance(near)).abs() < 1e-12);
        }
    }
}

// IEC 60063:2015: E6, E12 and E24 as listed there.
#[test]
fn the_series_are_those_of_the_standard() {
    let two = |s: Series| s.decade().iter().map(|v| v / 10).collect::<Vec<_>>();
    assert_eq!(two(Series::E6), [10, 15, 22, 33, 47, 68]);
    assert_eq!(two(Series::E12), [10, 12, 15, 18, 22, 27, 33, 39, 47, 56, 68, 82]);
    let mut e24 = two(Series::E12);
    e24.extend([11, 13, 16, 20, 24, 30, 36, 43, 51, 62, 75, 91]);
    e24.sort_unstable();
    assert_eq!(two(Series::E24), e24);
    // The trap: these of E24 are not round(10 * 10^(i/24)).
    let off: Vec<u16> = two(Series::E24)
        .into_iter()
        .enumerate()
        .filter(|(i, v)| (10.0 * 10f64.powf(*i as f64 / 24.0)).round() != f64::from(*v))
        .map(|p| p.1)
        .collect();
    assert_eq!(off, [27, 30, 33, 36, 39, 43, 47, 82]);
    // E48 and E96 are the rounded power law, without exception.
    for (series, n) in [(Series::E48, 48), (Series::E96, 96)] {
        let law: Vec<u16> = (0..n)
            .map(|i| (100.0 * 10f64.powf(f64::from(i) / f64::from(n))).round() as u16)
            .collect();
        assert_eq!(series.decade(), law);
    }
    // Coarser series are subsets of finer ones within each family.
    for pair in [Series::E3, Series::E6, Series::E12, Series::E24].windows(2) {
        assert!(pair[0].decade().iter().all(|v| pair[1].decade().contains(v)));
    }
    assert!(Series::E48.decade().iter().all(|v| Series::E96.decade().contains(v)));
}

#[test]
fn preferred_values_are_the_numbers_one_would_write() {
    assert_eq!(Series::E12.nearest(Farads(23e-9)), Some(Farads(22e-9)));
    assert_eq!(Series::E6.at_or_above(Ohms(6.81e3)), Some(Ohms(10e3)));
    assert_eq!(Series::E6.at_or_above(Ohms(6.8e3)), Some(Ohms(6.8e3)));
    assert_eq!(Series::E12.at_or_below(Ohms(99.0)), Some(Ohms(82.0)));
    // Computed values that are a standard value but for rounding stay on it.
    assert_eq!(Series::E12.at_or_above(Ohms(0.1 * 3.0 * 1.1e5)), Some(Ohms(33e3)));
    let e3: Vec<Ohms> = Series::E3.range(Ohms(1e3), Ohms(10e3)).collect();
    assert_eq!(e3, [Ohms(1e3), Ohms(2.2e3), Ohms(4.7e3), Ohms(10e3)]);
    for bad in [0.0, -1.0, f64::NAN, f64::INFINITY, 1e30, 1e-30] {
        assert_eq!(Series::E12.nearest(Ohms(bad)), None, "{bad}");
        assert_eq!(Series::E12.range(Ohms(bad), Ohms(bad)).count(), 0, "{bad}");
    }
    assert_eq!("e24".parse::<Series>().unwrap(), Series::E24);
    assert!("E13".parse::<Series>().is_err());
}

#[test]
fn positions_are_read_as_number_clock_and_percent() {
    for (text, number) in [
        ("0", 0.0),
        ("10", 10.0),
        ("5.5", 5.5),
        ("7:00", 0.0),
        ("07:00", 0.0),
        ("12:00", 5.0),
        ("5:00", 10.0),
        ("9:45", 2.75),
        ("1:30", 6.5),
        ("50 %", 5.0),
        ("100%", 10.0),
    ] {
        assert_eq!(text.parse::<Position>().unwrap().number(), number, "{text}");
    }
    let right = "write 0 to 10, \"7:00\" to \"5:00\" (12:00 is half way), or \"50 %\"";
    for (text, why) in [
        ("11", "it is outside of 0 to 10"),
        ("-1", "it is outside of 0 to 10"),
        ("101 %", "it is outside of 0 % to 100 %"),
        ("6:00", "a knob turns from 7:00 over 12:00 to 5:00"),
        ("5:01", "a knob turns from 7:00 over 12:00 to 5:00"),
        ("13:00", "the clock has hours 1 to 12 and minutes 00 to 59"),
        ("12:60", "the clock has hours 1 to 12 and minutes 00 to 59"),
        ("12:5", "it is no clock position"),
        ("noon", "it is no number"),
        ("NaN", "it is no number"),
        ("", "it is no number"),
    ] {
        let message = format!("\"{text}\" is no position of a knob: {why}; {right}");
        assert_eq!(text.parse::<Position>().unwrap_err().to_string(), message);
    }
    for (number, clock) in
        [(0.0, "7:00"), (2.75, "9:45"), (5.0, "12:00"), (6.5, "1:30"), (10.0, "5:00")]
    {
        assert_eq!(Position::new(number).unwrap().clock(), clock);
    }
}

// The exponential law b = (1/r - 1)^2 with r the share at half travel; the figures follow
// from the closed form: r = 10 %: b 81; R(1/4), R(3/4) = .0250, .3250; r = 15 %: b 32.1111;
// .04437, .40144; r = 20 %: b 16.
#[test]
fn audio_tapers_follow_the_closed_law() {
    let at = |taper: &Taper, turn: f64| taper.fraction(Position::from_turn(turn));
    for (half, b) in [(10.0, 81.0), (15.0, 32.1111), (20.0, 16.0)] {
        let taper = Taper::audio(Percent(half)).unwrap();
        assert!((at(&taper, 0.5) - half / 100.0).abs() < 1e-12);
        assert_eq!((at(&taper, 0.0), at(&taper, 1.0)), (0.0, 1.0));
        // (b^x - 1)/(b - 1) at x = 1/2 is 1/(sqrt b + 1).
        let found = (1.0 / at(&taper, 0.5) - 1.0).powi(2);
        assert!((found - b).abs() < 5e-5, "{found} {b}");
        let third = (f64::powf(found, 1.0 / 3.0) - 1.0) / (found - 1.0);
        assert!((at(&taper, 1.0 / 3.0) - third).abs() < 1e-12);
    }
    for (half, quarter, three) in [(10.0, 0.0250, 0.3250), (15.0, 0.04437, 0.40144)] {
        let taper = Taper::audio(Percent(half)).unwrap();
        assert!((at(&taper, 0.25) - quarter).abs() < 5e-6);
        assert!((at(&taper, 0.75) - three).abs() < 5e-6);
    }
    // A reverse taper is the same law with 1 - r.
    let reverse = Taper::reverse_audio(Percent(10.0)).unwrap();
    let b: f64 = 1.0 / 81.0;
    for turn in [0.0, 0.1, 0.5, 0.8, 1.0] {
        assert!((at(&reverse, turn) - (b.powf(turn) - 1.0) / (b - 1.0)).abs() < 1e-12);
    }
}

#[test]
fn bad_tapers_are_refused() {
    let right = "write \"linear\", \"audio 15 %\", \"reverse audio 15 %\" (the share of the track at half travel), or measured points [[0, 0], [5, 15], [10, 100]] (position, percent)";
    for (text, why) in [
        ("log", "the name is not known"),
        ("audio", "the percentage at half travel is missing"),
        ("audio 15", "\"15\" is no percentage"),
        ("audio 50 %", "50 % at half travel is not from 0.1 % to below 50 %"),
        ("audio 0 %", "0 % at half travel is not from 0.1 % to below 50 %"),
        ("measured 0 at 0 %", "a measured taper has at least two points"),
        ("measured 0 at 0 %, 9 at 100 %", "the points must start at position 0 and end at 10"),
        ("measured 0 at 0 %, 5 at 0.3 %, 10 at 1 %", "it ends at 1 %; the whole track is 100 %"),
        (
            "measured 0 at 0 %, 5 at 50 %, 10 at 40 %",
            "40 % at 10 comes after 50 % at 5; the percentage must not fall",
        ),
    ] {
        let message = text.parse::<Taper>().unwrap_err().to_string();
        assert!(message.ends_with(&format!("is no taper: {why}; {right}")), "{message}");
    }
}

#[test]
fn toml_carries_quantities_as_text_or_number() {
    #[derive(serde::Serialize, serde::Deserialize, PartialEq, Debug)]
    struct Table {
        ohms: Ohms,
        farads: Farads,
        volts: Volts,
        position: Position,
        taper: Taper,
        measured: Taper,
        series: Series,
    }
    let text = "ohms = 470\nfarads = \"22n\"\nvolts = \"80 mV\"\nposition = \"12:00\"\n\
                taper = \"audio 15 %\"\nmeasured = [[0, 0], [5.0, 12], [10, 100]]\nseries = \"E24\"\n";
    let table: Table = toml::from_str(text).unwrap();
    assert_eq!(table.ohms, Ohms(470.0));
    assert_eq!(table.position, Position::HALF);
    let again: Table = toml::from_str(&toml::to_string(&table).unwrap()).unwrap();
    assert_eq!(again, table);
    let error = toml::from_str::<Table>(&text.replace("\"22n\"", "22")).unwrap_err();
    assert_eq!(
        error.message(),
        "\"22\" has no unit; write the capacitance like 22n, 4n7 or \"0.022 uF\""
    );
    let error = toml::from_str::<Table>(&text.replace("\"12:00\"", "12")).unwrap_err();
    assert!(error.message().starts_with("\"12\" is no position of a knob: it is outside"));
}
