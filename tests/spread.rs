//! Tolerances: exact distributions of a single RC, convergence, the corner case.

use std::f64::consts::TAU;

use presolder::analysis::spread::{
    CornerPlan, Distribution, Plan, Side, Spread, Tolerance, TrimPlan, quantile, sentence, spread,
};
use presolder::analysis::values::Edge;
use presolder::circuit::{Circuit, GROUND, Kind};

const OHMS: f64 = 220e3;
const FARADS: f64 = 22e-9;

fn tolerance(part: &str, share: f64) -> Tolerance {
    Tolerance { part: part.to_owned(), share, fresh: false }
}

fn high_pass(name: &str, farads: f64, tolerances: Vec<Tolerance>) -> Side {
    let mut c = Circuit::new();
    let (input, out) = (c.node("in"), c.node("out"));
    c.add("V", Kind::Source { plus: input, minus: GROUND, volts: 0.0 }).unwrap();
    c.add("C1", Kind::Capacitor { between: [input, out], farads }).unwrap();
    c.add("R1", Kind::Resistor { between: [out, GROUND], ohms: OHMS }).unwrap();
    let corner =
        CornerPlan { name: "C1".to_owned(), from: None, to: out, edge: Edge::Low, whole: false };
    Side {
        name: name.to_owned(),
        circuit: c,
        source: "V".to_owned(),
        output: out,
        tolerances,
        corners: vec![corner],
    }
}

fn grid() -> Vec<f64> {
    (0..200).map(|k| 2.0 * 10f64.powf(k as f64 * 4.0 / 199.0)).collect()
}

fn plan(before: Side, after: Option<Side>, draws: usize, seed: u64) -> Plan {
    Plan {
        before,
        after,
        frequencies_hz: grid(),
        draws,
        seed,
        distribution: Distribution::Uniform,
        trim: None,
    }
}

fn level_db(hz: f64, ohms: f64, farads: f64) -> f64 {
    let x = TAU * hz * ohms * farads;
    10.0 * (x * x / (1.0 + x * x)).log10()
}

fn run(plan: &Plan) -> Spread {
    spread(plan, &|| ()).unwrap()
}

// Exact: with C even within 10 %, the level rises with C, so its quantiles are those of C put
// through the closed form. An estimated quantile of n draws has the standard error
// sqrt(p (1 - p) / n) in rank.
#[test]
fn a_single_toleranced_part_has_its_exact_distribution() {
    let draws = 4000;
    let found = run(&plan(high_pass("rc", FARADS, vec![tolerance("C1", 0.1)]), None, draws, 1));
    for (k, &hz) in found.frequencies_hz.iter().enumerate() {
        let band = found.before.bands_db[k];
        for (p, got) in [(0.05, band.p5), (0.5, band.p50), (0.95, band.p95)] {
            let error = 4.0 * (p * (1.0 - p) / draws as f64).sqrt();
            let at = |p: f64| level_db(hz, OHMS, FARADS * (0.9 + 0.2 * p.clamp(0.0, 1.0)));
            let (low, high) = (at(p - error), at(p + error));
            assert!(
                (low - 1e-9..=high + 1e-9).contains(&got),
                "{hz} Hz {p}: {got} not in {low}..{high}"
            );
        }
        let [low, high] = found.before.worst_db[k];
        assert!((low - level_db(hz, OHMS, 0.9 * FARADS)).abs() < 1e-9);
        assert!((high - level_db(hz, OHMS, 1.1 * FARADS)).abs() < 1e-9);
    }
}

/// P(u v <= t) for u even from 0.8 to 1.2 and v even from 0.9 to 1.1, by integration over v.
fn product_below(t: f64) -> f64 {
    let n = 4000;
    let share = |v: f64| ((t / v - 0.8) / 0.4).clamp(0.0, 1.0);
    (0..n).map(|k| share(0.9 + 0.2 * (k as f64 + 0.5) / n as f64)).sum::<f64>() / n as f64
}

// Exact: the corner is 1 / (2 pi R C); the product of two even values by integration.
#[test]
fn the_corner_of_two_toleranced_parts_has_its_exact_distribution() {
    let draws = 4000;
    let parts = vec![tolerance("C1", 0.1), tolerance("R1", 0.2)];
    let found = run(&plan(high_pass("rc", FARADS, parts), None, draws, 2));
    let corner = &found.before.corners[0];
    assert_eq!(corner.found, 1.0);
    let nominal = 1.0 / (TAU * OHMS * FARADS);
    assert!((corner.nominal_hz.unwrap() / nominal - 1.0).abs() < 2e-3);
    let hz = corner.hz.unwrap();
    for (p, got) in [(0.05, hz.p5), (0.5, hz.p50), (0.95, hz.p95)] {
        // A corner below f is a product above nominal / f.
        let below = 1.0 - product_below(nominal / got);
        let error = 4.0 * (p * (1.0 - p) / draws as f64).sqrt() + 0.005;
        assert!((below - p).abs() < error, "{p}: {got} Hz is at {below}");
    }
}

// Quantiles of the normal distribution cut at two standard deviations, in units of the cut: computed
// with Python's statistics.NormalDist.
#[test]
fn the_cut_normal_distribution_is_exact() {
    let side = high_pass("rc", FARADS, vec![tolerance("C1", 0.1)]);
    let draws = 4000;
    let mut plan = plan(side, None, draws, 3);
    plan.distribution = Distribution::Normal;
    let found = run(&plan);
    // At 2 Hz the level is 20 log C.
    let share = |db: f64| {
        let x = 10f64.powf(db / 10.0);
        ((x / (1.0 - x)).sqrt() / (TAU * 2.0 * OHMS * FARADS) - 1.0) / 0.1
    };
    let band = found.before.bands_db[0];
    // Standard error in rank over the density there.
    assert!((share(band.p95) - 0.736_130_820_5).abs() < 0.05, "{}", share(band.p95));
    assert!((share(band.p5) + 0.736_130_820_5).abs() < 0.05);
    assert!(share(band.p50).abs() < 0.04);
}

/// A triode whose plate and grid stand at fixed voltages, read across a plate load of 1 ohm: the gain is
/// the mutual conductance in siemens, but for a ten-thousandth.
fn fixed_bias(share: f64) -> Side {
    let mut c = Circuit::new();
    let [grid, plate, ht] = ["g", "p", "ht"].map(|n| c.node(n));
    c.add("V", Kind::Source { plus: grid, minus: GROUND, volts: -1.5 }).unwrap();
    c.add("HT", Kind::Source { plus: ht, minus: GROUND, volts: 250.0 }).unwrap();
    c.add("R1", Kind::Resistor { between: [ht, plate], ohms: 1.0 }).unwrap();
    let valve = presolder::valves::Library::embedded().unwrap().triode("12AX7").unwrap();
    c.add("V1", Kind::Triode { plate, grid, cathode: GROUND, valve }).unwrap();
    Side {
        name: "stage".to_owned(),
        circuit: c,
        source: "V".to_owned(),
        output: plate,
        tolerances: vec![tolerance("V1", share)],
        corners: Vec::new(),
    }
}

// Exact: at fixed voltages every conductance goes with the valve's currents, so the level has the
// distribution of 20 log10 of an even factor.
#[test]
fn a_valve_off_in_its_currents_has_its_exact_distribution() {
    let (draws, share) = (4000, 0.2);
    let mut plan = plan(fixed_bias(share), None, draws, 5);
    plan.frequencies_hz = vec![100.0, 200.0];
    let found = run(&plan);
    let (nominal, band) = (found.before.nominal_db[0], found.before.bands_db[0]);
    for (p, got) in [(0.05, band.p5), (0.5, band.p50), (0.95, band.p95)] {
        let error = 4.0 * (p * (1.0 - p) / draws as f64).sqrt();
        let at = |p: f64| nominal + 20.0 * (1.0 - share + 2.0 * share * p).log10();
        let (low, high) = (at(p - error) - 2e-3, at(p + error) + 2e-3);
        assert!((low..=high).contains(&got), "{p}: {got} not in {low}..{high}");
    }
    let [low, high] = found.before.worst_db[0];
    assert!((low - nominal - 20.0 * 0.8_f64.log10()).abs() < 2e-3, "{low}");
    assert!((high - nominal - 20.0 * 1.2_f64.log10()).abs() < 2e-3, "{high}");
}

// Sampling error falls with the root of the number of draws: 16 times the draws, a quarter of it.
#[test]
fn percentiles_converge() {
    let error = |draws: usize| {
        let seeds = 24;
        let sum: f64 = (0..seeds)
            .map(|seed| {
                let side = high_pass("rc", FARADS, vec![tolerance("C1", 0.1)]);
                let mut plan = plan(side, None, draws, 100 + seed);
                plan.frequencies_hz = vec![10.0, 20.0];
                let exact = level_db(10.0, OHMS, FARADS * (0.9 + 0.2 * 0.05));
                (run(&plan).before.bands_db[0].p5 - exact).powi(2)
            })
            .sum();
        (sum / seeds as f64).sqrt()
    };
    let ratio = error(100) / error(1600);
    assert!((2.5..6.5).contains(&ratio), "{ratio}");
}

#[test]
fn a_change_stands_out_where_it_is_larger_than_the_spread() {
    let parts = || vec![tolerance("C1", 0.1), tolerance("R1", 0.05)];
    let fresh = || vec![Tolerance { fresh: true, ..tolerance("C1", 0.1) }, tolerance("R1", 0.05)];
    // 22n to 4n7: 13.4 dB at the bottom, nothing at the top.
    let large =
        plan(high_pass("a", FARADS, parts()), Some(high_pass("b", 4.7e-9, fresh())), 400, 5);
    let found = run(&large);
    let change = found.change.unwrap();
    assert_eq!(change.exceeds[0], 1.0);
    assert!((change.nominal_db[0] + 20.0 * (22.0f64 / 4.7).log10()).abs() < 0.1);
    assert!(sentence(&found.frequencies_hz, &change).contains("larger than the parts' own spread"));
    // 22n to 22n: another capacitor of the same value is no change.
    let same = plan(high_pass("a", FARADS, parts()), Some(high_pass("b", FARADS, fresh())), 400, 5);
    let found = run(&same);
    let change = found.change.unwrap();
    assert!(change.exceeds.iter().all(|e| *e < 0.9), "{:?}", change.exceeds);
    assert!(
        sentence(&found.frequencies_hz, &change).contains("smaller than the parts' own spread")
    );
    // The very same parts: no change in any amp.
    let none = plan(high_pass("a", FARADS, parts()), Some(high_pass("b", FARADS, parts())), 50, 5);
    let change = run(&none).change.unwrap();
    assert!(change.bands_db.iter().all(|b| b.p5 == 0.0 && b.p95 == 0.0));
}

// Closed form: energy of even noise below f through a high-pass is f - fc atan(f / fc).
#[test]
fn the_trim_is_judged_in_every_amp() {
    let parts = || vec![tolerance("C1", 0.1), tolerance("R1", 0.1)];
    let mut plan =
        plan(high_pass("a", FARADS, parts()), Some(high_pass("b", 10e-9, parts())), 400, 6);
    plan.frequencies_hz = (0..600).map(|k| 0.05 * 10f64.powf(k as f64 * 5.0 / 599.0)).collect();
    let energy = |farads: f64| {
        let corner = 1.0 / (TAU * OHMS * farads);
        30.0 - corner * (30.0f64 / corner).atan()
    };
    let lost = 10.0 * (energy(FARADS) / energy(10e-9)).log10();
    plan.trim = Some(TrimPlan {
        clip_power: vec![1.0; plan.frequencies_hz.len()],
        below_hz: 30.0,
        at_least_db: lost,
        string_hz: 82.41,
        at_most_db: 3.0,
    });
    let trim = run(&plan).change.unwrap().trim.unwrap();
    assert!((trim.lost_db - lost).abs() < 0.01, "{} {lost}", trim.lost_db);
    let string = level_db(82.41, OHMS, 10e-9) - level_db(82.41, OHMS, FARADS);
    assert!((trim.string_db - string).abs() < 0.01);
    assert!(
        trim.holds > 0.0 && trim.holds < 1.0,
        "limits in the middle of the spread: {}",
        trim.holds
    );
    assert!(trim.lost_bands_db.p5 < lost && lost < trim.lost_bands_db.p95);
}

// Definition 7 of Hyndman and Fan, worked by hand.
#[test]
fn quantiles_lie_between_neighbours() {
    let sorted = [1.0, 2.0, 4.0, 8.0, 16.0];
    assert_eq!(quantile(&sorted, 0.0), Some(1.0));
    assert_eq!(quantile(&sorted, 0.5), Some(4.0));
    assert_eq!(quantile(&sorted, 0.125), Some(1.5));
    assert_eq!(quantile(&sorted, 1.0), Some(16.0));
    assert_eq!(quantile(&[], 0.5), None);
}

#[test]
fn what_cannot_be_drawn_is_refused() {
    let side = || high_pass("rc", FARADS, vec![tolerance("C1", 0.1)]);
    assert!(
        spread(&plan(side(), None, 3, 0), &|| ()).unwrap_err().to_string().contains("give 20 to")
    );
    let mut wrong = plan(side(), None, 20, 0);
    wrong.frequencies_hz = vec![100.0, 100.0];
    assert!(spread(&wrong, &|| ()).is_err());
    let unknown = plan(high_pass("rc", FARADS, vec![tolerance("C7", 0.1)]), None, 20, 0);
    assert!(spread(&unknown, &|| ()).unwrap_err().to_string().contains("C7"));
}

#[test]
fn the_answer_does_not_depend_on_the_number_of_threads() {
    let run = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        let parts = || vec![tolerance("C1", 0.1), tolerance("R1", 0.2)];
        let plan =
            plan(high_pass("a", FARADS, parts()), Some(high_pass("b", 10e-9, parts())), 60, 9);
        pool.install(|| serde_json::to_string(&run(&plan)).unwrap())
    };
    let one = run(1);
    assert_eq!(one, run(2));
    // Another seed, other amps.
    let parts = || vec![tolerance("C1", 0.1), tolerance("R1", 0.2)];
    let other = plan(high_pass("a", FARADS, parts()), Some(high_pass("b", 10e-9, parts())), 60, 10);
    assert_ne!(one, serde_json::to_string(&spread(&other, &|| ()).unwrap()).unwrap());
}
