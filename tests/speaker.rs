//! The loudspeaker against Small's identities, against itself through the circuit, and ngspice.

use std::f64::consts::TAU;
use std::process::Command;

use nalgebra::Complex;
use presolder::circuit::{Circuit, GROUND, Kind, LinearCircuit, Node};
use presolder::speaker::{
    AcousticSection, Cabinet, Driver, RangeOfUse, SemiInductance, Speaker, SpeakerError, Wiring,
    preset, preset_names,
};

fn close(what: &str, value: f64, expected: f64, relative: f64) {
    let error = (value / expected - 1.0).abs();
    assert!(error <= relative, "{what}: {value}, expected {expected} within {relative}");
}

/// `steps + 1` frequencies from `from` to `to`, evenly spaced in their logarithm.
fn grid(from: f64, to: f64, steps: u32) -> Vec<f64> {
    (0..=steps).map(|k| from * (to / from).powf(f64::from(k) / f64::from(steps))).collect()
}

/// The synthetic driver whose derived constants were computed by hand from Small's formulas:
/// Re 6.5, Bl 12, Mms 25 g, Cms 0.18 mm/N, Rms 2, Sd 0.053, rho 1.18, c 345.
fn synthetic() -> Driver {
    Driver {
        coil_ohms: 6.5,
        coil_henries: 0.0,
        semi_inductance: None,
        force_factor_tm: 12.0,
        moving_mass_kg: 0.025,
        compliance_m_per_n: 0.18e-3,
        resistance_ns_per_m: 2.0,
        cone_area_m2: 0.053,
    }
}

fn speaker(driver: Driver, wiring: Wiring, cabinet: Cabinet) -> Speaker {
    Speaker {
        title: "synthetic".to_owned(),
        source: "computed".to_owned(),
        notes: String::new(),
        nominal_ohms: 8.0,
        driver,
        wiring,
        cabinet,
        cone: Vec::new(),
        range_of_use: RangeOfUse {
            below_midband_db: 3.0,
            lowest_hz: 50.0,
            highest_hz: 5e3,
            midband_hz: [1e3, 2e3],
        },
    }
}

const ONE: Wiring = Wiring { series: 1, parallel: 1 };

#[test]
fn derived_constants_of_the_synthetic_driver() {
    let d = synthetic();
    close("fs", d.resonance_hz(), 75.0264, 1e-6);
    close("Qes", d.electrical_q(), 0.531967, 2e-6);
    close("Qms", d.mechanical_q(), 5.89256, 1e-6);
    close("Qts", d.total_q(), 0.487919, 2e-6);
    close("Res", d.motional_ohms(), 72.0, 1e-12);
    close("Res by Small's ratio", d.motional_ohms(), 6.5 * 5.89256 / 0.531967, 2e-6);
    close("Zmax", d.impedance(d.resonance_hz()).norm(), 78.5, 1e-9);
    close("Vas", d.equivalent_volume_m3(), 71.014e-3, 1e-5);
    close("eta0", d.reference_efficiency(), 0.054201, 1e-5);
    let boxed = d.in_closed_box(0.040);
    close("fc", boxed.resonance_hz(), 124.989, 1e-5);
    close("Qtc", boxed.total_q(), 0.812843, 2e-6);
}

/// R. H. Small, "Closed-Box Loudspeaker Systems", J. Audio Eng. Soc., December 1972: the system
/// fs 35 Hz, Qts 0.65, Vas 45 l in 30 l has fc 55.340 Hz, Qtc 1.02774, f3 42.993 Hz and a peak of
/// 1.411 dB; the response is a second-order high-pass of fc and Qtc.
#[test]
fn closed_box_response_is_smalls() {
    // A driver with those constants: choose Sd, Re and Qms; the rest follows.
    let (fs, qts, vas, qms, re, sd) = (35.0, 0.65, 45e-3, 5.0, 6.0, 0.053);
    let qes = qms * qts / (qms - qts);
    let cms = vas / (1.18 * 345.0 * 345.0 * sd * sd);
    let mms = 1.0 / ((TAU * fs).powi(2) * cms);
    let driver = Driver {
        coil_ohms: re,
        coil_henries: 0.0,
        semi_inductance: None,
        force_factor_tm: (TAU * fs * mms * re / qes).sqrt(),
        moving_mass_kg: mms,
        compliance_m_per_n: cms,
        resistance_ns_per_m: TAU * fs * mms / qms,
        cone_area_m2: sd,
    };
    let s = speaker(driver, ONE, Cabinet::Closed { volume_m3: 30e-3 });
    let d = s.mounted_driver();
    close("fc", d.resonance_hz(), 55.340, 1e-5);
    close("Qtc", d.total_q(), 1.02774, 1e-5);
    let far = s.pressure_per_volt(1e6).norm();
    let db = |hz: f64| 20.0 * (s.pressure_per_volt(hz).norm() / far).log10();
    assert!((db(42.993) + 3.0103).abs() < 1e-3, "f3: {} dB", db(42.993));
    let peak = (0..4000).map(|k| db(30.0 + 0.1 * f64::from(k))).fold(f64::MIN, f64::max);
    assert!((peak - 1.411).abs() < 1e-3, "peak {peak} dB");
    // The flat range has the reference efficiency: the pressure at 1 m in half space for E volts
    // is sqrt(eta0 E^2/Re rho c / (2 pi)).
    let eta0 = d.reference_efficiency();
    close("level", far, (eta0 / re * 1.18 * 345.0 / TAU).sqrt(), 1e-6);
}

/// W. M. Leach, J. Audio Eng. Soc. 50(6), 2002: Z = K (j w)^n.
#[test]
fn ladder_is_near_the_lossy_coil() {
    for exponent in [0.5, 0.6, 0.7, 0.8, 0.9] {
        let coil = SemiInductance { coefficient: 0.01, exponent };
        let z = coil.impedance(1000.0);
        close("|Z|", z.norm(), 0.01 * (TAU * 1000.0).powf(exponent), 1e-12);
        close("arg Z", z.arg().to_degrees(), 90.0 * exponent, 1e-12);
        let ladder = coil.ladder();
        let e = ladder.error;
        println!("n {exponent}: {:.3} %, {:.3} degrees", e.magnitude * 100.0, e.phase_deg);
        assert!(e.magnitude < 0.012 && e.phase_deg < 0.6, "n {exponent}: {e:?}");
        assert_eq!([e.lowest_hz, e.highest_hz], [20.0, 20e3]);
        assert!(ladder.sections.iter().all(|s| s.ohms > 0.0 && s.henries > 0.0));
        // The stated error against a finer grid, evaluated here.
        for hz in grid(20.0, 20e3, 1000) {
            let s = Complex::new(0.0, TAU * hz);
            let z: Complex<f64> = ladder
                .sections
                .iter()
                .map(|x| (Complex::from(1.0) / x.ohms + 1.0 / (s * x.henries)).inv())
                .sum();
            let ratio = z / coil.impedance(hz);
            assert!((ratio.norm() - 1.0).abs() <= e.magnitude * 1.02, "{hz} Hz");
            assert!(ratio.arg().to_degrees().abs() <= e.phase_deg * 1.02, "{hz} Hz");
        }
    }
}

/// The speaker on an ideal source: the circuit, and the node of the pressure.
fn circuit_of(speaker: &Speaker) -> (Circuit, Node) {
    let mut circuit = Circuit::new();
    let input = circuit.node("in");
    circuit
        .add("Vin", Kind::Source { plus: input, minus: GROUND, volts: 0.0 })
        .expect("a source alone");
    let nodes = speaker.expand(&mut circuit, "LS1", [input, GROUND]).expect("a sound speaker");
    (circuit, nodes.pressure)
}

/// Current (for 1 V) and pressure at each frequency, through the circuit's own equations.
fn answers(circuit: &Circuit, pressure: Node, hz: &[f64]) -> Vec<[Complex<f64>; 2]> {
    let linear = LinearCircuit::of(circuit).expect("a linear circuit");
    let after_coil_resistance = circuit
        .find_node("LS1.e")
        .or_else(|| circuit.find_node("LS1.motion"))
        .expect("a coil resistance");
    let Some(Kind::Resistor { ohms, .. }) = circuit.part("LS1.Re").map(|p| &p.kind) else {
        panic!("no LS1.Re")
    };
    let gains = linear.gains("Vin", &[after_coil_resistance, pressure], hz).expect("gains");
    gains[0].iter().zip(&gains[1]).map(|(v, p)| [(1.0 - v) / ohms, *p]).collect()
}

/// The generated parts give the impedance and the pressure of the closed form. Without the lossy
/// part they are the same function; with it the ladder's error shows, as far as it counts.
#[test]
fn generated_parts_are_the_closed_form() {
    let plain = Driver { coil_henries: 0.3e-3, ..synthetic() };
    let lossy = SemiInductance { coefficient: 0.0105, exponent: 0.68 };
    let lossy = Driver { semi_inductance: Some(lossy), ..synthetic() };
    let closed = Cabinet::Closed { volume_m3: 0.08 };
    let open = Cabinet::Open { path_m: 0.6 };
    let cases = [
        (synthetic(), ONE, closed, 1e-9),
        (plain, ONE, closed, 1e-9),
        (plain, Wiring { series: 2, parallel: 2 }, closed, 1e-9),
        (plain, Wiring { series: 1, parallel: 2 }, open, 1e-9),
        (plain, Wiring { series: 3, parallel: 1 }, open, 1e-9),
        (lossy, ONE, open, 0.01),
        (lossy, Wiring { series: 2, parallel: 1 }, closed, 0.01),
    ];
    for (driver, wiring, cabinet, within) in cases {
        let mut speaker = speaker(driver, wiring, cabinet);
        speaker.cone =
            vec![AcousticSection::resonance(2600.0, 2.0, 6.0), AcousticSection::rolloff(4e3, 1.0)];
        let (circuit, pressure) = circuit_of(&speaker);
        let frequencies = grid(20.0, 20e3, 60);
        for (hz, [current, p]) in frequencies.iter().zip(answers(&circuit, pressure, &frequencies))
        {
            let z = (current.inv() / speaker.impedance(*hz) - 1.0).norm();
            assert!(z < within, "impedance at {hz} Hz, {wiring:?}: {z}");
            let p = (p / speaker.pressure_per_volt(*hz) - 1.0).norm();
            assert!(p < within, "pressure at {hz} Hz, {wiring:?}: {p}");
        }
    }
}

/// Two drivers in series on twice the voltage move as one does, and give twice the pressure.
#[test]
fn several_drivers_add_their_pressure() {
    let d = synthetic();
    let closed = |count: f64| Cabinet::Closed { volume_m3: 0.05 * count };
    let one = speaker(d, ONE, closed(1.0));
    let series = speaker(d, Wiring { series: 2, parallel: 1 }, closed(2.0));
    let parallel = speaker(d, Wiring { series: 1, parallel: 2 }, closed(2.0));
    for hz in [30.0, 110.0, 1000.0, 8000.0] {
        let p = one.pressure_per_volt(hz);
        assert!((series.pressure_per_volt(hz) / p - 1.0).norm() < 1e-12);
        assert!((parallel.pressure_per_volt(hz) / p - 2.0).norm() < 1e-12);
        assert!((series.impedance(hz) / one.impedance(hz) - 2.0).norm() < 1e-12);
        assert!((parallel.impedance(hz) / one.impedance(hz) - 0.5).norm() < 1e-12);
    }
}

/// Each preset reads, states the range that the model has, and lies where guitar speakers do:
/// nothing below 30 Hz, little below 50, some little below 75 to 80 (common practice, no source).
#[test]
fn presets_have_their_range_of_use() {
    assert!(preset_names().count() >= 4);
    for name in preset_names() {
        let speaker = preset(name).expect("its own name").expect("a sound file");
        let range = speaker.range_of_use;
        let model = speaker.model_range_hz(name).expect("limits");
        let e = speaker.driver.semi_inductance.expect("a lossy coil").ladder().error;
        println!(
            "{name}: {:.1} Hz to {:.0} Hz; ladder {:.2} %, {:.2} degrees",
            model[0],
            model[1],
            e.magnitude * 100.0,
            e.phase_deg
        );
        close("lowest", range.lowest_hz, model[0], 0.03);
        close("highest", range.highest_hz, model[1], 0.03);
        assert!((60.0..=85.0).contains(&range.lowest_hz), "{name}");
        assert!((4500.0..=6500.0).contains(&range.highest_hz), "{name}");
        // Levels against 400 Hz.
        let db = |hz: f64| {
            20.0 * (speaker.pressure_per_volt(hz) / speaker.pressure_per_volt(400.0)).norm().log10()
        };
        assert!(db(30.0) < -20.0 && db(50.0) < -12.0, "{name}: {} {}", db(30.0), db(50.0));
        assert!((-15.0..-5.0).contains(&db(75.0)), "{name}: {}", db(75.0));
        // The load is what the tap is made for: the lowest impedance is near the nominal one, not
        // below 0.8 of it (IEC 60268-5, from memory).
        let lowest = grid(20.0, 20e3, 300)
            .into_iter()
            .map(|hz| speaker.impedance(hz).norm())
            .fold(f64::MAX, f64::min);
        assert!(lowest > 0.8 * speaker.nominal_ohms && lowest < 1.1 * speaker.nominal_ohms);
        // Usual sensitivities of guitar drivers: 95 to 103 dB for 1 W at 1 m (common practice, no
        // source), here at 400 Hz; several drivers share the watt and add their pressure.
        let pascals = speaker.pressure_per_volt(400.0).norm() * speaker.nominal_ohms.sqrt()
            / speaker.wiring.count().sqrt();
        let level = 20.0 * (pascals / 20e-6).log10();
        assert!((95.0..103.0).contains(&level), "{name}: {level} dB");
    }
}

#[test]
fn wrong_files_get_a_clear_error() {
    let text = include_str!("../presets/speakers/open-one-twelve.toml");
    let read = |from: &str, to: &str| {
        assert!(text.contains(from), "{from}");
        Speaker::from_toml("mine.toml", &text.replacen(from, to, 1))
    };
    let message = |from: &str, to: &str| read(from, to).expect_err("an error").to_string();
    let unknown = message("moving_mass_g", "moving_mas_g");
    assert!(unknown.starts_with("mine.toml: ") && unknown.contains("moving_mas_g"), "{unknown}");
    assert!(unknown.contains("line 11"), "{unknown}");
    let negative = message("moving_mass_g = 25.0", "moving_mass_g = -25.0");
    assert_eq!(
        negative,
        "mine.toml: driver.moving_mass_g is -25; it must be from 0.5 to 500 grams"
    );
    let unit = message("\"6R5\"", "\"6 farads\"");
    assert!(unit.contains("mine.toml") && unit.contains("line 7"), "{unit}");
    let nan = message("gain_db = 6.5", "gain_db = nan");
    assert!(nan.contains("cone.resonances[1].gain_db"), "{nan}");
    assert!(matches!(
        read("lowest = \"75 Hz\"", "lowest = \"50 Hz\""),
        Err(SpeakerError::Range { key: "lowest", .. })
    ));
    assert!(matches!(
        read("{ at = \"4.5 kHz\", q = 0.8 },", "{ at = \"6.5 kHz\", q = 0.8 },"),
        Err(SpeakerError::Range { key: "highest", .. })
    ));
    // A cone without a rolloff on a source of no resistance goes on beyond 40 kHz if the coil has
    // little inductance.
    let endless = text.replacen("coefficient = 0.0105", "coefficient = 1e-6", 1).replacen(
        "rolloffs = [",
        "rolloffs = []\nresonances_ = [",
        1,
    );
    assert!(Speaker::from_toml("mine.toml", &endless).is_err());
}

/// The deck of a speaker's parts, with the current of each capacitor measured by a source of 0 V.
fn deck_of(circuit: &Circuit) -> String {
    let n = |node: &Node| circuit.node_name(*node).replace('.', "_");
    let mut deck = String::from("* a loudspeaker\n");
    for part in circuit.parts() {
        let label = part.name.replace('.', "_");
        deck += &match &part.kind {
            Kind::Source { plus, minus, .. } => {
                format!("V{label} {} {} dc 0 ac 1\n", n(plus), n(minus))
            }
            Kind::Resistor { between: [a, b], ohms } => {
                format!("R{label} {} {} {ohms:e}\n", n(a), n(b))
            }
            Kind::Inductor { between: [a, b], henries } => {
                format!("L{label} {} {} {henries:e}\n", n(a), n(b))
            }
            Kind::Capacitor { between: [a, b], farads } => {
                format!("V{label} {} x_{label} 0\nC{label} x_{label} {} {farads:e}\n", n(a), n(b))
            }
            Kind::CurrentControlledSource { plus, minus, sensed, ohms } => {
                let sensed = sensed.replace('.', "_");
                format!("H{label} {} {} V{sensed} {ohms:e}\n", n(plus), n(minus))
            }
            Kind::Section { input, output, numerator: [n0, n1, n2], denominator: [d1, d2] } => {
                // The element wants a leading coefficient that is not zero.
                let (top, bottom, rest) = if *d2 == 0.0 {
                    (format!("{n1:e} {n0:e}"), format!("{d1:e} 1"), "0")
                } else {
                    (format!("{n2:e} {n1:e} {n0:e}"), format!("{d2:e} {d1:e} 1"), "0 0")
                };
                format!(
                    "A{label} {} {} f{label}\n.model f{label} s_xfer(gain=1 num_coeff=[{top}] den_coeff=[{bottom}] int_ic=[{rest}])\n",
                    n(input),
                    n(output)
                )
            }
            other => panic!("no part of a speaker: {other:?}"),
        };
    }
    deck
}

/// The generated parts in ngspice: coil current and pressure of each preset.
#[test]
#[ignore = "needs ngspice; ./scripts/test runs it"]
fn generated_parts_in_ngspice() {
    for name in preset_names() {
        let speaker = preset(name).expect("its own name").expect("a sound file");
        let (circuit, pressure) = circuit_of(&speaker);
        let dir = tempfile::tempdir().expect("a directory");
        let path = |file: &str| dir.path().join(file);
        let deck = deck_of(&circuit)
            + &format!(
                ".control\nset numdgt=15\nac dec 10 20 20k\nset wr_singlescale\nwrdata {} i(VVin) v({})\n.endc\n.end\n",
                path("out").display(),
                circuit.node_name(pressure).replace('.', "_")
            );
        std::fs::write(path("deck.cir"), deck).expect("a writable directory");
        let run = Command::new("ngspice")
            .arg("-b")
            .arg(path("deck.cir"))
            .output()
            .expect("ngspice is not installed; ./scripts/test installs it");
        let said = String::from_utf8_lossy(&run.stdout) + String::from_utf8_lossy(&run.stderr);
        let table = std::fs::read_to_string(path("out.data"))
            .or_else(|_| std::fs::read_to_string(path("out")))
            .unwrap_or_else(|_| panic!("{said}"));
        let rows: Vec<Vec<f64>> = table
            .lines()
            .map(|line| line.split_whitespace().filter_map(|w| w.parse().ok()).collect())
            .collect();
        assert_eq!(rows.len(), 31, "{said}");
        let frequencies: Vec<f64> = rows.iter().map(|row| row[0]).collect();
        for (row, [current, p]) in rows.iter().zip(answers(&circuit, pressure, &frequencies)) {
            let [hz, i_re, i_im, p_re, p_im] = row[..] else { panic!("no row of five: {row:?}") };
            let i = (Complex::new(-i_re, -i_im) / current - 1.0).norm();
            let p = (Complex::new(p_re, p_im) / p - 1.0).norm();
            assert!(i < 1e-6 && p < 1e-6, "{name} at {hz} Hz: {i} {p}");
        }
    }
}

/// The example and the table of `docs/speakers.md` are true.
#[test]
fn the_documentation_is_true() {
    let text = include_str!("../docs/speakers.md");
    let example = text.split("```toml\n").nth(1).and_then(|rest| rest.split("```").next());
    Speaker::from_toml("docs/speakers.md", example.expect("an example"))
        .unwrap_or_else(|e| panic!("{e}"));
    let mut rows = 0;
    for name in preset_names() {
        let driver = preset(name).expect("its own name").expect("a sound file").driver;
        let expected = format!(
            "| `{name}` | {:.1} Hz | {:.3} | {:.0} l |",
            driver.resonance_hz(),
            driver.total_q(),
            driver.equivalent_volume_m3() * 1e3
        );
        assert!(text.contains(&expected), "docs/speakers.md lacks: {expected}");
        rows += 1;
    }
    assert_eq!(text.matches(" l | ").count(), rows);
}
