//! Standard values for a goal: closed forms, and every combination by the plain path.

use std::f64::consts::TAU;

use presolder::analysis::dials::{Band, with_value};
use presolder::analysis::values::{Against, Answers, Choice, Edge, Goal, Method, Outcome, Search};
use presolder::circuit::{Circuit, GROUND, Kind, LinearCircuit, Node, OperatingPoint};
use presolder::units::{Farads, Ohms, Quantity, Series};
use presolder::valves::Library;

/// C1 into R1: a high-pass.
fn high_pass(farads: f64, ohms: f64) -> (Circuit, Node) {
    let mut c = Circuit::new();
    let (input, out) = (c.node("in"), c.node("out"));
    c.add("V", Kind::Source { plus: input, minus: GROUND, volts: 0.0 }).unwrap();
    c.add("C1", Kind::Capacitor { between: [input, out], farads }).unwrap();
    c.add("R1", Kind::Resistor { between: [out, GROUND], ohms }).unwrap();
    (c, out)
}

fn capacitors(series: Series, low: f64, high: f64) -> Vec<f64> {
    series.range(Farads(low), Farads(high)).map(Quantity::si).collect()
}

fn resistors(series: Series, low: f64, high: f64) -> Vec<f64> {
    series.range(Ohms(low), Ohms(high)).map(Quantity::si).collect()
}

fn choice(part: &str, values: Vec<f64>) -> Choice {
    Choice { part: part.to_owned(), values }
}

fn search(circuit: &Circuit, out: Node, choices: &[Choice], goals: Vec<Goal>) -> Answers {
    Search::new(circuit, "V", out, choices, goals).unwrap().run(10, &|| ()).unwrap()
}

// Closed form: the corner is 1 / (2 pi R C).
#[test]
fn a_corner_is_put_where_the_closed_form_says() {
    let (circuit, out) = high_pass(100e-9, 220e3);
    for hz in [12.0, 33.0, 70.0, 159.0, 400.0] {
        let goal = Goal::Corner { hz, edge: Edge::Low, from: None, to: out };
        let candidates = capacitors(Series::E24, 1e-9, 1e-6);
        let found = search(&circuit, out, &[choice("C1", candidates.clone())], vec![goal]);
        assert_eq!(found.method, Method::Exhaustive { combinations: candidates.len() });
        let corner = |c: f64| 1.0 / (TAU * 220e3 * c);
        let best = candidates
            .iter()
            .copied()
            .min_by(|a, b| {
                let miss = |c: f64| (corner(c) / hz).ln().abs();
                miss(*a).total_cmp(&miss(*b))
            })
            .unwrap();
        assert_eq!(found.answers[0].values, [best], "{hz} Hz");
        let Outcome::Corner { hz: Some(got), .. } = found.answers[0].outcomes[0] else { panic!() };
        assert!((got / corner(best) - 1.0).abs() < 2e-3, "{got} {}", corner(best));
    }
}

// Closed form: |H|^2 = x^2 / (1 + x^2), x = f / corner.
#[test]
fn levels_are_met_as_the_closed_form_says() {
    let (circuit, out) = high_pass(100e-9, 1e6);
    let reference = Against::Reference { hz: 10e3 };
    let goals = vec![
        Goal::Down { hz: 30.0, against: reference, at_least_db: Some(10.0), at_most_db: None },
        Goal::Down { hz: 82.41, against: reference, at_least_db: None, at_most_db: Some(3.5) },
    ];
    let (cs, rs) = (capacitors(Series::E6, 1e-9, 1e-6), resistors(Series::E6, 10e3, 10e6));
    let choices = [choice("C1", cs.clone()), choice("R1", rs.clone())];
    let found = search(&circuit, out, &choices, goals);
    let down = |f: f64, c: f64, r: f64| {
        let level = |f: f64| {
            let x = TAU * f * r * c;
            10.0 * (x * x / (1.0 + x * x)).log10()
        };
        level(10e3) - level(f)
    };
    let miss = |c: f64, r: f64| {
        (10.0 - down(30.0, c, r)).max(0.0).hypot((down(82.41, c, r) - 3.5).max(0.0))
    };
    let least = cs
        .iter()
        .flat_map(|&c| rs.iter().map(move |&r| (c, r)))
        .map(|(c, r)| miss(c, r))
        .fold(f64::INFINITY, f64::min);
    for answer in &found.answers {
        let expected = miss(answer.values[0], answer.values[1]);
        assert!((answer.miss_db - expected).abs() < 1e-6, "{answer:?} {expected}");
    }
    assert!((found.answers[0].miss_db - least).abs() < 1e-6, "{least}");
    // Of equals, the one that changes least: the corner is the same along R C.
    let same: Vec<f64> = found.answers.iter().map(|a| a.miss_db).collect();
    assert!(same.windows(2).all(|p| p[0] <= p[1]));
}

/// A stack: source, treble capacitor, slope, two capacitors, pots at half.
fn stack() -> (Circuit, Node) {
    let mut c = Circuit::new();
    let [input, p, t, s, b, m, out] = ["in", "p", "t", "s", "b", "m", "out"].map(|n| c.node(n));
    let resistor = |a, b, ohms| Kind::Resistor { between: [a, b], ohms };
    let capacitor = |a, b, farads| Kind::Capacitor { between: [a, b], farads };
    let end_ohms = 1.0;
    for (name, kind) in [
        ("V", Kind::Source { plus: input, minus: GROUND, volts: 0.0 }),
        ("RS", resistor(input, p, 38e3)),
        ("C1", capacitor(p, t, 250e-12)),
        ("R1", resistor(p, s, 100e3)),
        ("C2", capacitor(s, b, 100e-9)),
        ("C3", capacitor(s, m, 47e-9)),
        (
            "P1",
            Kind::Potentiometer {
                hot: t,
                wiper: out,
                cold: b,
                ohms: 250e3,
                fraction: 0.5,
                end_ohms,
            },
        ),
        ("P2", Kind::Rheostat { between: [b, m], ohms: 250e3, fraction: 0.4, end_ohms }),
        ("R2", resistor(m, GROUND, 6.8e3)),
        ("R3", resistor(out, GROUND, 1e6)),
    ] {
        c.add(name, kind).unwrap();
    }
    (c, out)
}

fn levels(circuit: &Circuit, out: Node, frequencies_hz: &[f64]) -> Vec<f64> {
    let linear = LinearCircuit::of(circuit).unwrap();
    let gains = linear.transfer("V", out).unwrap().gains(frequencies_hz).unwrap();
    gains.iter().map(|g| 20.0 * g.norm().log10()).collect()
}

fn valued(circuit: &Circuit, values: &[(&str, f64)]) -> Circuit {
    let mut circuit = circuit.clone();
    for &(name, value) in values {
        let kind = circuit.part(name).unwrap().kind.clone();
        circuit.replace(name, with_value(&kind, value)).unwrap();
    }
    circuit
}

// Every combination of a small set by the plain path: the same ranking.
#[test]
fn the_exhaustive_answer_is_that_of_brute_force() {
    let (circuit, out) = stack();
    let band = Band::default();
    let wanted = valued(&circuit, &[("C1", 470e-12), ("R1", 47e3), ("C3", 15e-9), ("P1", 1e6)]);
    let levels_db = levels(&wanted, out, band.frequencies_hz());
    let sets = [
        ("C1", capacitors(Series::E3, 100e-12, 2.2e-9)),
        ("R1", resistors(Series::E3, 22e3, 220e3)),
        ("C3", capacitors(Series::E6, 10e-9, 100e-9)),
        ("P1", vec![100e3, 250e3, 500e3, 1e6]),
    ];
    let goal = |offset_allowed| Goal::Match {
        band: band.clone(),
        levels_db: levels_db.clone(),
        offset_allowed,
    };
    let choices: Vec<Choice> = sets.iter().map(|(n, v)| choice(n, v.clone())).collect();
    for offset_allowed in [true, false] {
        let found = search(&circuit, out, &choices, vec![goal(offset_allowed)]);
        let mut brute: Vec<(f64, Vec<f64>)> = Vec::new();
        for &c1 in &sets[0].1 {
            for &r1 in &sets[1].1 {
                for &c3 in &sets[2].1 {
                    for &p1 in &sets[3].1 {
                        let values = vec![c1, r1, c3, p1];
                        let trial: Vec<(&str, f64)> =
                            sets.iter().map(|s| s.0).zip(values.iter().copied()).collect();
                        let there = levels(&valued(&circuit, &trial), out, band.frequencies_hz());
                        let distance = band.distance(&levels_db, &there);
                        brute.push((distance.goal_db(offset_allowed), values));
                    }
                }
            }
        }
        brute.sort_by(|a, b| a.0.total_cmp(&b.0));
        assert_eq!(found.method, Method::Exhaustive { combinations: brute.len() });
        for (answer, (miss, values)) in found.answers.iter().zip(&brute) {
            assert_eq!(&answer.values, values);
            assert!((answer.miss_db - miss).abs() < 1e-6);
        }
        // 470p, 47k and 15n are in the lists: the wanted amp itself is found.
        assert!(found.answers[0].miss_db < 1e-6, "{:?}", found.answers[0]);
        assert_eq!(found.answers[0].values, [470e-12, 47e3, 15e-9, 1e6]);
    }
}

/// A valve stage whose plate and cathode resistors move the operating point.
fn stage() -> (Circuit, Node) {
    let valve = Library::embedded().unwrap().triode("12AX7").unwrap();
    let mut c = Circuit::new();
    let [g, p, k, hv, out] = ["g", "p", "k", "hv", "out"].map(|n| c.node(n));
    for (name, kind) in [
        ("V", Kind::Source { plus: g, minus: GROUND, volts: 0.0 }),
        ("B", Kind::Source { plus: hv, minus: GROUND, volts: 300.0 }),
        ("RP", Kind::Resistor { between: [hv, p], ohms: 100e3 }),
        ("RK", Kind::Resistor { between: [k, GROUND], ohms: 1.5e3 }),
        ("CK", Kind::Capacitor { between: [k, GROUND], farads: 22e-6 }),
        ("V1", Kind::Triode { plate: p, grid: g, cathode: k, valve }),
        ("CC", Kind::Capacitor { between: [p, out], farads: 22e-9 }),
        ("RG", Kind::Resistor { between: [out, GROUND], ohms: 1e6 }),
    ] {
        c.add(name, kind).unwrap();
    }
    (c, out)
}

#[test]
fn ratings_and_the_operating_point_are_heeded() {
    let (circuit, out) = stage();
    // More gain than there is, with the plate resistor kept cool: the hottest are left out.
    let limit = 0.08;
    let most_volts = 120.0;
    let goals = vec![
        Goal::Down {
            hz: 1e3,
            against: Against::Level { db: 40.0 },
            at_least_db: None,
            at_most_db: Some(0.0),
        },
        Goal::Rating { part: "RP".to_owned(), watts: Some(limit), volts: Some(most_volts) },
    ];
    let sets = [
        ("RP", resistors(Series::E6, 47e3, 220e3)),
        ("RK", resistors(Series::E6, 470.0, 4.7e3)),
        ("CC", capacitors(Series::E3, 4.7e-9, 100e-9)),
    ];
    let choices: Vec<Choice> = sets.iter().map(|(n, v)| choice(n, v.clone())).collect();
    let found = search(&circuit, out, &choices, goals);
    let (mut least, mut least_of_all) = (f64::INFINITY, f64::INFINITY);
    for &rp in &sets[0].1 {
        for &rk in &sets[1].1 {
            let trial = valued(&circuit, &[("RP", rp), ("RK", rk)]);
            let at_rest = OperatingPoint::solve(&trial).unwrap();
            let state = at_rest.part("RP").unwrap();
            let fits = state.watts <= limit && state.volts.abs() <= most_volts;
            for &cc in &sets[2].1 {
                let db = levels(&valued(&trial, &[("CC", cc)]), out, &[1e3])[0];
                least_of_all = least_of_all.min(40.0 - db);
                if fits {
                    least = least.min(40.0 - db);
                }
            }
        }
    }
    assert!(least.is_finite() && least > least_of_all + 0.01, "the rating must cost something");
    assert!(
        (found.answers[0].miss_db - least).abs() < 1e-6,
        "{} {least}",
        found.answers[0].miss_db
    );
    for answer in &found.answers {
        let Outcome::Rating { watts, volts, miss_db } = answer.outcomes[1] else { panic!() };
        assert_eq!(miss_db > 0.0, watts > limit || volts.abs() > most_volts);
    }
}

#[test]
fn a_large_search_says_that_it_is_not_exhaustive() {
    let (circuit, out) = stack();
    let band = Band::default();
    let wanted = valued(
        &circuit,
        &[("C1", 330e-12), ("R1", 68e3), ("C2", 47e-9), ("C3", 22e-9), ("R2", 10e3)],
    );
    let levels_db = levels(&wanted, out, band.frequencies_hz());
    let choices = [
        choice("C1", capacitors(Series::E12, 100e-12, 10e-9)),
        choice("R1", resistors(Series::E12, 10e3, 1e6)),
        choice("C2", capacitors(Series::E12, 10e-9, 1e-6)),
        choice("C3", capacitors(Series::E12, 4.7e-9, 470e-9)),
        choice("R2", resistors(Series::E12, 1e3, 100e3)),
    ];
    let goal = Goal::Match { band, levels_db, offset_allowed: false };
    let search = Search::new(&circuit, "V", out, &choices, vec![goal]).unwrap();
    assert!(!search.is_exhaustive());
    let found = search.run(5, &|| ()).unwrap();
    let Method::Coordinates { combinations, starts, tried } = found.method else { panic!() };
    assert_eq!(combinations, 25usize.pow(5));
    assert!(starts > 1 && tried < combinations);
    // No single part of the best answer can be bettered.
    let best = &found.answers[0];
    assert!(best.miss_db < found.now.miss_db);
    for (k, choice) in choices.iter().enumerate() {
        for &value in &choice.values {
            let mut values = best.values.clone();
            values[k] = value;
            let other = search.answer(&values).unwrap();
            assert!(other.miss_db >= best.miss_db - 1e-9, "{other:?}");
        }
    }
}

#[test]
fn what_cannot_be_searched_is_refused() {
    let (circuit, out) = high_pass(1e-9, 1e6);
    let goal = || vec![Goal::Corner { hz: 70.0, edge: Edge::Low, from: None, to: out }];
    let refused = |choices: &[Choice], goals: Vec<Goal>| {
        Search::new(&circuit, "V", out, choices, goals).unwrap_err().to_string()
    };
    assert!(refused(&[], goal()).contains("no part"));
    assert!(refused(&[choice("C1", vec![1e-9])], vec![]).contains("no goal"));
    assert!(refused(&[choice("C9", vec![1e-9])], goal()).contains("C9"));
    assert!(refused(&[choice("V", vec![1.0])], goal()).contains("has no value"));
    assert!(refused(&[choice("C1", vec![])], goal()).contains("no standard value"));
}

#[test]
fn the_answer_does_not_depend_on_the_number_of_threads() {
    let run = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        pool.install(|| {
            let (circuit, out) = stack();
            let band = Band::default();
            let levels_db = levels(&valued(&circuit, &[("R1", 56e3)]), out, band.frequencies_hz());
            let choices = [
                choice("C1", capacitors(Series::E6, 100e-12, 1e-9)),
                choice("R1", resistors(Series::E6, 10e3, 100e3)),
                choice("C3", capacitors(Series::E6, 10e-9, 100e-9)),
            ];
            let goal = Goal::Match { band, levels_db, offset_allowed: true };
            serde_json::to_string(&search(&circuit, out, &choices, vec![goal])).unwrap()
        })
    };
    assert_eq!(run(1), run(2));
}
