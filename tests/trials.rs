//! Values tried through the short paths against the whole circuit solved anew.

use presolder::analysis::spread::{Distribution, Tolerance, drawn};
use presolder::analysis::trial::{Bench, added, ports};
use presolder::circuit::{Circuit, GROUND, Kind, LinearCircuit, Node, OperatingPoint, Port};
use presolder::random::{Counter, unit};
use presolder::valves::Library;

const FREQUENCIES_HZ: [f64; 9] = [1.0, 20.0, 82.41, 300.0, 1e3, 3e3, 6e3, 20e3, 100e3];

/// Two stages with a stack between them, fed through an LC filter: every kind of part that can be tried.
fn preamp() -> (Circuit, Node) {
    let valve = Library::embedded().unwrap().triode("12AX7").unwrap();
    let mut c = Circuit::new();
    let mut node = |name: &str| c.node(name);
    let [input, g1, p1, k1, s, t, b, m, w, out] =
        ["in", "g1", "p1", "k1", "s", "t", "b", "m", "w", "out"].map(&mut node);
    let [p2, k2, hv, raw] = ["p2", "k2", "hv", "raw"].map(&mut node);
    let resistor = |a, b, ohms| Kind::Resistor { between: [a, b], ohms };
    let capacitor = |a, b, farads| Kind::Capacitor { between: [a, b], farads };
    let end_ohms = 1.0;
    for (name, kind) in [
        ("IN", Kind::Source { plus: input, minus: GROUND, volts: 0.0 }),
        ("B", Kind::Source { plus: raw, minus: GROUND, volts: 300.0 }),
        ("L1", Kind::Inductor { between: [raw, hv], henries: 10.0 }),
        ("C9", capacitor(hv, GROUND, 22e-6)),
        ("R1", resistor(input, GROUND, 1e6)),
        ("R2", resistor(input, g1, 68e3)),
        ("R3", resistor(hv, p1, 100e3)),
        ("R4", resistor(k1, GROUND, 1.5e3)),
        ("C1", capacitor(k1, GROUND, 22e-6)),
        ("V1", Kind::Triode { plate: p1, grid: g1, cathode: k1, valve: valve.clone() }),
        ("C2", capacitor(p1, t, 250e-12)),
        ("R5", resistor(p1, s, 100e3)),
        ("C3", capacitor(s, b, 100e-9)),
        ("C4", capacitor(s, m, 47e-9)),
        (
            "P1",
            Kind::Potentiometer { hot: t, wiper: w, cold: b, ohms: 250e3, fraction: 0.5, end_ohms },
        ),
        ("P2", Kind::Rheostat { between: [b, m], ohms: 250e3, fraction: 0.5, end_ohms }),
        ("R6", resistor(m, GROUND, 6.8e3)),
        ("R7", resistor(w, GROUND, 1e6)),
        ("V2", Kind::Triode { plate: p2, grid: w, cathode: k2, valve }),
        ("R8", resistor(hv, p2, 100e3)),
        ("R9", resistor(k2, GROUND, 1.5e3)),
        ("C5", capacitor(p2, out, 22e-9)),
        ("R10", resistor(out, GROUND, 220e3)),
    ] {
        c.add(name, kind).unwrap();
    }
    (c, out)
}

fn gains(linear: &LinearCircuit, out: Node) -> Vec<nalgebra::Complex<f64>> {
    linear.transfer("IN", out).unwrap().gains(&FREQUENCIES_HZ).unwrap()
}

fn apart(a: &[nalgebra::Complex<f64>], b: &[nalgebra::Complex<f64>]) -> f64 {
    let relative =
        |(a, b): (&nalgebra::Complex<f64>, &nalgebra::Complex<f64>)| (a - b).norm() / b.norm();
    a.iter().zip(b).map(relative).fold(0.0, f64::max)
}

#[test]
fn parts_without_direct_voltage_leave_the_operating_point_alone() {
    let (circuit, out) = preamp();
    let bench = Bench::new(&circuit, "IN", out).unwrap();
    let keeps: Vec<&str> =
        circuit.parts().map(|p| p.name.as_str()).filter(|n| bench.keeps_bias(n)).collect();
    // The input leak and the grid stopper carry the grid's current, which is far below the limit.
    assert_eq!(
        keeps,
        ["L1", "C9", "R1", "R2", "C1", "C2", "R5", "C3", "C4", "P1", "P2", "R6", "R7", "C5", "R10"]
    );
}

// Sherman-Morrison steps against the whole circuit, operating point and all.
#[test]
fn changes_at_ports_equal_the_circuit_solved_anew() {
    let (circuit, out) = preamp();
    let bench = Bench::new(&circuit, "IN", out).unwrap();
    let tried = ["L1", "C9", "C1", "C2", "R5", "C3", "C4", "P1", "P2", "R6", "R7", "C5"];
    let kinds: Vec<Kind> = tried.iter().map(|n| circuit.part(n).unwrap().kind.clone()).collect();
    let all: Vec<Port> = tried.iter().zip(&kinds).flat_map(|(n, k)| ports(n, k)).collect();
    let seen = bench.seen_from(&all, &FREQUENCIES_HZ).unwrap();
    let mut worst = 0.0f64;
    for draw in 0..40 {
        let mut other = circuit.clone();
        let mut changes = Vec::new();
        for (name, kind) in tried.iter().zip(&kinds) {
            // Two decades either way; the first draws move one part each.
            let counter = Counter::new(7, draw).named(name);
            let still = draw < 12 && tried[draw as usize] != *name;
            let factor = if still { 1.0 } else { 100f64.powf(2.0 * unit(counter) - 1.0) };
            let new = match kind.clone() {
                Kind::Resistor { between, ohms } => Kind::Resistor { between, ohms: ohms * factor },
                Kind::Capacitor { between, farads } => {
                    Kind::Capacitor { between, farads: farads * factor }
                }
                Kind::Inductor { between, henries } => {
                    Kind::Inductor { between, henries: henries * factor }
                }
                turning => {
                    let share = if still { 0.5 } else { unit(counter.next()) };
                    presolder::analysis::dials::turned(&turning, share)
                }
            };
            changes.extend(added(kind, &new));
            other.replace(name, new).unwrap();
        }
        let short = seen.with(&changes).gains(0);
        worst = worst.max(apart(&short, &gains(&LinearCircuit::of(&other).unwrap(), out)));
    }
    // R7 passes the grid's current on: its tiny bias is what is left, below 0.0001 dB.
    assert!(worst < 1e-5, "{worst:e}");
    println!("worst relative difference {worst:e}");
}

#[test]
fn the_near_search_finds_what_the_full_search_finds() {
    let (circuit, out) = preamp();
    let bench = Bench::new(&circuit, "IN", out).unwrap();
    let mut workspace = bench.workspace();
    assert!(workspace.is_some());
    let tolerances: Vec<Tolerance> = circuit
        .parts()
        .map(|p| Tolerance { part: p.name.clone(), share: 0.2, fresh: false })
        .collect();
    for draw in 0..40 {
        let other = drawn(&circuit, &tolerances, Distribution::Uniform, 3, draw).unwrap();
        let near = bench.solved_again(&other, &mut workspace).unwrap();
        let point = OperatingPoint::solve(&other).unwrap();
        let full = LinearCircuit::new(&other, &point).unwrap();
        let apart = apart(&gains(&near, out), &gains(&full, out));
        assert!(apart < 1e-7, "draw {draw}: {apart:e}");
    }
    // Far off it hands over to the full search.
    let mut far = circuit.clone();
    far.replace(
        "R3",
        Kind::Resistor {
            between: [far_node(&circuit, "hv"), far_node(&circuit, "p1")],
            ohms: 10e6,
        },
    )
    .unwrap();
    let near = bench.solved_again(&far, &mut workspace).unwrap();
    assert!(apart(&gains(&near, out), &gains(&LinearCircuit::of(&far).unwrap(), out)) < 1e-6);
}

fn far_node(circuit: &Circuit, name: &str) -> Node {
    circuit.find_node(name).unwrap()
}

#[test]
fn another_shape_is_noticed() {
    // A capacitor between nodes that had none: the kept order has no place for it.
    let (mut circuit, out) = preamp();
    let bench = Bench::new(&circuit, "IN", out).unwrap();
    let between = [far_node(&circuit, "in"), far_node(&circuit, "out")];
    circuit.add("CX", Kind::Capacitor { between, farads: 1e-12 }).unwrap();
    let again = bench.solved_again(&circuit, &mut bench.workspace()).unwrap();
    assert!(apart(&gains(&again, out), &gains(&LinearCircuit::of(&circuit).unwrap(), out)) < 1e-8);
}
