//! Answers that have a closed form, and operating points that were published or computed elsewhere.

mod common;

use std::f64::consts::{PI, TAU};
use std::sync::Arc;

use nalgebra::Complex;
use presolder::circuit::{Circuit, GROUND, Kind, LinearCircuit, Node, OperatingPoint, Winding};
use presolder::valves::{
    PentodeCapacitances, TriodeCapacitances, TriodeCurrents, TriodeLaw, TriodeType,
};

use common::cards::PentodeCard;
use common::deck::{pentode_type, triode_type};
use common::published::KOREN_12AX7;

/// A circuit being put together, with the input `in` and parts numbered as they come.
struct Bench {
    circuit: Circuit,
}

impl Bench {
    fn new() -> Self {
        let mut bench = Self { circuit: Circuit::new() };
        bench.source("in", 0.0);
        bench
    }

    fn node(&mut self, name: &str) -> Node {
        self.circuit.node(name)
    }

    fn add(&mut self, name: &str, kind: Kind) {
        self.circuit.add(name, kind).expect("a part with good values");
    }

    /// A source from that node to ground, named `V` and the node's name.
    fn source(&mut self, node: &str, volts: f64) {
        let plus = self.node(node);
        self.add(&format!("V{node}"), Kind::Source { plus, minus: GROUND, volts });
    }

    fn resistor(&mut self, a: &str, b: &str, ohms: f64) {
        let between = [self.node(a), self.node(b)];
        self.add(&format!("R {a} {b}"), Kind::Resistor { between, ohms });
    }

    fn capacitor(&mut self, a: &str, b: &str, farads: f64) {
        let between = [self.node(a), self.node(b)];
        self.add(&format!("C {a} {b}"), Kind::Capacitor { between, farads });
    }

    fn inductor(&mut self, a: &str, b: &str, henries: f64) {
        let between = [self.node(a), self.node(b)];
        self.add(&format!("L {a} {b}"), Kind::Inductor { between, henries });
    }

    fn triode(&mut self, [plate, grid, cathode]: [&str; 3], valve: TriodeType) {
        let [plate, grid, cathode] = [plate, grid, cathode].map(|n| self.circuit.node(n));
        self.add("V1", Kind::Triode { plate, grid, cathode, valve });
    }

    fn linear(&self) -> LinearCircuit {
        LinearCircuit::of(&self.circuit).expect("a circuit that can be solved")
    }

    fn gain(&self, output: &str, hz: f64) -> Complex<f64> {
        let node = self.circuit.find_node(output).expect("the node");
        let linear = self.linear();
        linear.transfer("Vin", node).expect("a transfer").gain(hz).expect("a gain")
    }

    fn poles(&self) -> Vec<Complex<f64>> {
        self.linear().poles().expect("poles")
    }

    fn zeros(&self, output: &str) -> Vec<Complex<f64>> {
        let node = self.circuit.find_node(output).expect("the node");
        let linear = self.linear();
        linear.transfer("Vin", node).expect("a transfer").zeros().expect("zeros")
    }
}

fn assert_close(value: f64, expected: f64, relative: f64) {
    assert!(
        (value - expected).abs() <= relative * expected.abs(),
        "{value} instead of {expected} (within {relative:e})"
    );
}

fn assert_close_complex(value: Complex<f64>, expected: Complex<f64>, relative: f64) {
    assert!(
        (value - expected).norm() <= relative * expected.norm(),
        "{value} instead of {expected} (within {relative:e})"
    );
}

/// Half a unit of the last digit of the number as it is printed in the source.
fn assert_printed(value: f64, printed: &str) {
    let expected: f64 = printed.parse().expect("a number");
    let digits = printed.split_once('.').map_or(0, |(_, d)| d.len());
    let half = 0.5 * 10f64.powi(-(digits as i32));
    assert!((value - expected).abs() <= half * (1.0 + 1e-9), "{value} instead of {printed}");
}

#[test]
fn corner_of_a_resistor_and_a_capacitor() {
    for (ohms, farads) in [(220e3, 22e-9), (1e6, 4.7e-9), (8.0, 68e-6), (47e3, 120e-12)] {
        let corner_hz = 1.0 / (TAU * ohms * farads);
        let mut high_pass = Bench::new();
        high_pass.capacitor("in", "out", farads);
        high_pass.resistor("out", "0", ohms);
        let mut low_pass = Bench::new();
        low_pass.resistor("in", "out", ohms);
        low_pass.capacitor("out", "0", farads);
        for (bench, angle) in [(&high_pass, PI / 4.0), (&low_pass, -PI / 4.0)] {
            let gain = bench.gain("out", corner_hz);
            assert_close_complex(gain, Complex::from_polar(0.5f64.sqrt(), angle), 1e-12);
            let poles = bench.poles();
            assert_eq!(poles.len(), 1);
            assert_close_complex(poles[0], Complex::from(-TAU * corner_hz), 1e-12);
        }
        let zeros = high_pass.zeros("out");
        assert_eq!(zeros.len(), 1);
        assert!(zeros[0].norm() < 1e-9 * TAU * corner_hz, "a zero at 0: {zeros:?}");
        assert!(low_pass.zeros("out").is_empty());
    }
}

/// A coupling capacitor works against both the source's and the load's resistance.
#[test]
fn corner_of_a_coupling_capacitor() {
    let (source_ohms, load_ohms, farads) = (38e3, 220e3, 22e-9);
    let mut bench = Bench::new();
    bench.resistor("in", "plate", source_ohms);
    bench.capacitor("plate", "out", farads);
    bench.resistor("out", "0", load_ohms);
    let corner_hz = 1.0 / (TAU * (source_ohms + load_ohms) * farads);
    let passband = load_ohms / (source_ohms + load_ohms);
    assert_close(bench.gain("out", corner_hz).norm(), passband * 0.5f64.sqrt(), 1e-12);
    assert_close(bench.poles()[0].norm() / TAU, corner_hz, 1e-12);
}

/// The bridged T of two capacitors C1, C2 in the arms, R1 from their joint to ground and R2 across:
/// `H = (1 + s R1 (C1 + C2) + s^2 R1 R2 C1 C2) / (1 + s (R1 (C1 + C2) + R2 C2) + s^2 R1 R2 C1 C2)`,
/// which follows from Kirchhoff's current law at its two nodes. With equal capacitors the notch is at
/// `1 / (2 pi C sqrt(R1 R2))`, and leaves `2 R1 / (2 R1 + R2)`.
#[test]
fn bridged_t() {
    let (c1, c2, r1, r2) = (4.7e-9, 22e-9, 6.8e3, 100e3);
    let closed_form = |hz: f64, c1: f64, c2: f64| {
        let s = Complex::new(0.0, TAU * hz);
        let ends = 1.0 + s * s * r1 * r2 * c1 * c2;
        (ends + s * r1 * (c1 + c2)) / (ends + s * (r1 * (c1 + c2) + r2 * c2))
    };
    let build = |c1: f64, c2: f64| {
        let mut bench = Bench::new();
        bench.capacitor("in", "joint", c1);
        bench.capacitor("joint", "out", c2);
        bench.resistor("joint", "0", r1);
        bench.resistor("in", "out", r2);
        bench
    };
    let bench = build(c1, c2);
    for hz in [10.0, 82.41, 440.0, 1e3, 3e3, 20e3, 1e5] {
        assert_close_complex(bench.gain("out", hz), closed_form(hz, c1, c2), 1e-12);
    }
    let natural = 1.0 / (r1 * r2 * c1 * c2);
    for roots in [bench.poles(), bench.zeros("out")] {
        assert_eq!(roots.len(), 2);
        assert_close_complex(roots[0] * roots[1], Complex::from(natural), 1e-10);
    }
    let sum_of_zeros: Complex<f64> = bench.zeros("out").iter().sum();
    assert_close(sum_of_zeros.re, -(c1 + c2) / (r2 * c1 * c2), 1e-10);

    let notch_hz = 1.0 / (TAU * c1 * (r1 * r2).sqrt());
    let left = build(c1, c1).gain("out", notch_hz);
    assert_close_complex(left, Complex::from(2.0 * r1 / (2.0 * r1 + r2)), 1e-12);
}

#[test]
fn resonance_of_a_series_circuit() {
    let (ohms, henries, farads) = (470.0, 2.5, 10e-9);
    let mut bench = Bench::new();
    bench.resistor("in", "a", ohms);
    bench.inductor("a", "out", henries);
    bench.capacitor("out", "0", farads);
    let natural = 1.0 / (henries * farads).sqrt();
    let q = (henries / farads).sqrt() / ohms;
    assert_close_complex(bench.gain("out", natural / TAU), Complex::new(0.0, -q), 1e-10);
    let real = -ohms / (2.0 * henries);
    let imaginary = (natural * natural - real * real).sqrt();
    let poles = bench.poles();
    assert_eq!(poles.len(), 2);
    for pole in poles {
        assert_close_complex(
            Complex::new(pole.re, pole.im.abs()),
            Complex::new(real, imaginary),
            1e-10,
        );
    }
}

/// An unloaded secondary gives `k sqrt(L2 / L1)` of the primary's voltage, in phase between dotted
/// ends; a loaded ideal one reflects the load times the square of the turns ratio. 8k : 8 ohm has
/// 31.62 : 1 turns.
#[test]
fn windings() {
    let (primary, coupling) = (20.0, 0.98);
    let turns = (8e3f64 / 8.0).sqrt();
    assert_printed(turns, "31.62");
    let secondary = primary / (turns * turns);
    let build = |coupling: f64, load: f64| {
        let mut bench = Bench::new();
        let [start, out] = ["start", "out"].map(|n| bench.node(n));
        let windings = vec![
            Winding { between: [start, GROUND], henries: primary, ohms: 0.0 },
            Winding { between: [out, GROUND], henries: secondary, ohms: 0.0 },
        ];
        bench.add("T1", Kind::Windings { windings, coupling });
        bench.resistor("in", "start", 8e3);
        bench.resistor("out", "0", load);
        bench
    };
    let bench = build(coupling, 1e12);
    let ratio = bench.gain("out", 100.0) / bench.gain("start", 100.0);
    assert_close_complex(ratio, Complex::from(coupling / turns), 1e-9);
    // Far above the primary's corner (8k parallel to 8k over 20 H: 32 Hz) half of the input is left.
    let matched = build(1.0, 8.0).gain("start", 1e7);
    assert_close_complex(matched, Complex::from(0.5), 1e-5);
}

/// A triode with the same mu and rp everywhere.
#[derive(Debug)]
struct StraightTriode {
    mu: f64,
    rp_ohms: f64,
}

impl TriodeLaw for StraightTriode {
    fn currents(&self, vgk: f64, vpk: f64) -> TriodeCurrents {
        TriodeCurrents {
            plate_a: (self.mu * vgk + vpk) / self.rp_ohms,
            plate_by_grid_s: self.mu / self.rp_ohms,
            plate_by_plate_s: 1.0 / self.rp_ohms,
            ..TriodeCurrents::default()
        }
    }
}

const NO_CAPACITANCES: TriodeCapacitances =
    TriodeCapacitances { grid_cathode_f: 0.0, grid_plate_f: 0.0, plate_cathode_f: 0.0 };

/// Gain of a stage: `mu Rb' / (rp + Rb')`, with an unbypassed cathode resistor
/// `mu Rb' / (rp + Rb' + (mu + 1) Rk)`, of a follower `mu Rk / (rp + (mu + 1) Rk)`; worked value of a
/// tutorial: mu 100, rp 80k, 220k parallel to 470k: 65.2.
#[test]
fn gain_of_a_valve_stage() {
    let (mu, rp_ohms, rk) = (100.0, 80e3, 1.5e3);
    let valve = || TriodeType {
        name: "straight".to_owned(),
        law: Arc::new(StraightTriode { mu, rp_ohms }),
        capacitances: NO_CAPACITANCES,
    };
    let rb = 220e3 * 470e3 / (220e3 + 470e3);
    let stage = |bypassed: bool| {
        let mut bench = Bench::new();
        bench.source("supply", 300.0);
        bench.resistor("supply", "plate", 220e3);
        bench.resistor("plate", "0", 470e3);
        if bypassed {
            bench.triode(["plate", "in", "0"], valve());
        } else {
            bench.triode(["plate", "in", "cathode"], valve());
            bench.resistor("cathode", "0", rk);
        }
        bench.gain("plate", 1e3)
    };
    let bypassed = -mu * rb / (rp_ohms + rb);
    assert_close_complex(stage(true), Complex::from(bypassed), 1e-12);
    assert_printed(-bypassed, "65.2");
    let unbypassed = -mu * rb / (rp_ohms + rb + (mu + 1.0) * rk);
    assert_close_complex(stage(false), Complex::from(unbypassed), 1e-12);

    let mut follower = Bench::new();
    follower.source("supply", 300.0);
    follower.triode(["supply", "in", "cathode"], valve());
    follower.resistor("cathode", "0", 100e3);
    let expected = mu * 100e3 / (rp_ohms + (mu + 1.0) * 100e3);
    assert_close_complex(follower.gain("cathode", 1e3), Complex::from(expected), 1e-12);
}

fn koren_stage(supply_volts: f64, bypassed: bool) -> Bench {
    let mut bench = Bench::new();
    bench.source("supply", supply_volts);
    bench.resistor("supply", "plate", 100e3);
    bench.resistor("cathode", "0", 1.5e3);
    if bypassed {
        bench.capacitor("cathode", "0", 1.0);
    }
    let valve = triode_type("12AX7", KOREN_12AX7, NO_CAPACITANCES);
    bench.triode(["plate", "in", "cathode"], valve);
    bench
}

/// Values computed from Koren's equations independently of this program, to the digits printed;
/// supply, plate current in mA, gain with the cathode bypassed. The first is also a textbook's
/// example (chapter "Vacuum Tubes": 1.07 mA, 221 V, -1.61 V, 1880 uS).
#[test]
fn operating_points_of_a_koren_stage() {
    for (supply, milliamperes, gain) in
        [(330.0, "1.07419", "61.73"), (300.0, "0.970467", "61.37"), (250.0, "0.798983", "60.63")]
    {
        let bench = koren_stage(supply, true);
        let point = OperatingPoint::solve(&bench.circuit).expect("an operating point");
        assert_printed(point.part("V1").expect("the valve").amperes * 1e3, milliamperes);
        assert_printed(bench.gain("plate", 1e3).norm(), gain);
    }
    let bench = koren_stage(330.0, false);
    assert_printed(bench.gain("plate", 1e3).norm(), "31.88");
    let point = OperatingPoint::solve(&bench.circuit).expect("an operating point");
    let valve = point.part("V1").expect("the valve");
    let grid_volts = valve.grid_volts.expect("a valve has a grid");
    assert_printed(valve.volts, "220.970");
    assert_printed(grid_volts, "-1.61129");
    assert_close(valve.watts, valve.volts * valve.amperes, 1e-12);
    // The textbook's figures, to its digits.
    assert_printed(valve.amperes * 1e3, "1.07");
    assert_printed(valve.volts, "221");
    assert_printed(grid_volts, "-1.61");
    // gm and rp of the law at that point.
    let law = triode_type("12AX7", KOREN_12AX7, NO_CAPACITANCES).law;
    let at = law.currents(grid_volts, valve.volts);
    assert_printed(at.plate_by_grid_s * 1e3, "1.87717");
    assert_printed(1e-3 / at.plate_by_plate_s, "48.995");
}

/// Koren's pentodes (same table) held at fixed voltages by sources; plate and screen current in mA,
/// computed independently of this program.
#[test]
fn operating_points_of_koren_pentodes() {
    let grid = [1e-3, 10.0, 1.3];
    let cases = [
        (
            "6L6GC",
            [8.7, 1.35, 1460.0, 4500.0, 48.0, 12.0],
            [250.0, 250.0, -14.0],
            ["80.984", "8.396"],
        ),
        (
            "6L6GC",
            [8.7, 1.35, 1460.0, 4500.0, 48.0, 12.0],
            [450.0, 400.0, -37.0],
            ["56.65", "4.30"],
        ),
        (
            "EL34",
            [11.0, 1.35, 650.0, 4200.0, 60.0, 24.0],
            [250.0, 250.0, -13.5],
            ["96.962", "4.782"],
        ),
        ("KT88", [8.8, 1.35, 730.0, 4200.0, 32.0, 16.0], [250.0, 250.0, -15.0], ["155.48", "7.92"]),
    ];
    for (name, [mu, ex, kg1, kg2, kp, kvb], [plate_volts, screen_volts, grid_volts], printed) in
        cases
    {
        let card = PentodeCard { mu, ex, kg1, kg2, kp, kvb, gg: grid[0], cg: grid[1], xi: grid[2] };
        let capacitances = PentodeCapacitances { grid_plate_f: 0.0, grid_cathode_f: 0.0 };
        let mut bench = Bench::new();
        bench.source("plate", plate_volts);
        bench.source("screen", screen_volts);
        bench.source("grid", grid_volts);
        let [plate, screen, grid] = ["plate", "screen", "grid"].map(|n| bench.node(n));
        let valve = pentode_type(name, card, capacitances);
        bench.add("V1", Kind::Pentode { plate, screen, grid, cathode: GROUND, valve });
        let point = OperatingPoint::solve(&bench.circuit).expect("an operating point");
        let valve = point.part("V1").expect("the valve");
        assert_printed(valve.amperes * 1e3, printed[0]);
        assert_printed(valve.screen.expect("a pentode has a screen").amperes * 1e3, printed[1]);
    }
}

/// A section with all its poles and zeros lower by 1 % is itself at frequencies higher by 1 %.
#[test]
fn a_sections_sensitivity_is_its_shift_in_frequency() {
    let mut bench = Bench::new();
    let (input, output) = (bench.node("in"), bench.node("out"));
    let (w0, q) = (TAU * 2600.0, 3.0);
    let (numerator, denominator) =
        ([1.0, 2.0 / (q * w0), 0.7 / (w0 * w0)], [1.0 / (q * w0), 1.0 / (w0 * w0)]);
    bench.add("S1", Kind::Section { input, output, numerator, denominator });
    let point = OperatingPoint::solve(&bench.circuit).expect("at rest");
    let linear = LinearCircuit::new(&bench.circuit, &point).expect("a linear circuit");
    let level_db = |hz: f64| {
        let s = Complex::new(0.0, TAU * hz);
        let [n0, n1, n2] = numerator;
        let h = (n0 + s * (n1 + s * n2)) / (1.0 + s * (denominator[0] + s * denominator[1]));
        20.0 * h.norm().log10()
    };
    let hz = [300.0, 2000.0, 2700.0, 9000.0];
    let found = linear.level_sensitivities("Vin", output, &hz).expect("sensitivities");
    let (_, by) = found.iter().find(|(name, _)| name == "S1").expect("the section");
    for (hz, by) in hz.iter().zip(by) {
        let step = 1e-4;
        let shift =
            (level_db(hz * (1.0 + step)) - level_db(hz * (1.0 - step))) / (2.0 * step) * 0.01;
        assert!((by - shift).abs() < 1e-6, "{hz} Hz: {by} and {shift} dB");
    }
}
