//! The driven path of random stages against transient runs of ngspice.

mod common;

use std::sync::Arc;

use common::cards::{self, TriodeCard, ValveCards};
use common::networks::{GRIDS, TRIODES};
use common::published::{COHEN_HELIE, RSD_1, RSD_2};
use common::rng::Rng;
use common::{deck, sines, transient};
use presolder::circuit::{Circuit, GROUND, Kind, Node};
use presolder::driven::{DrivenPlan, Quality};
use presolder::valves::{Library, TriodeCapacitances, TriodeType};

const CASES: u64 = 8;
/// How the message begins where ngspice, not we, has no answer.
const MUTE: &str = "ngspice gave no answer";
const RATE_HZ: f64 = 48_000.0;
/// ngspice's answer has no filter before its samples, so they lie close: what is above their band
/// would fold onto the harmonics.
const THEIR_RATE_HZ: f64 = 192_000.0;
/// When the compared stretch begins. Whether all has settled by then makes no difference: both sides
/// begin at rest.
const START_S: f64 = 0.15;

/// One or two stages, and the sine that they get.
struct Case {
    circuit: Circuit,
    valves: ValveCards,
    output: Node,
    peak_volts: f64,
    frequency_hz: f64,
}

impl Case {
    fn words(&self) -> String {
        let values: Vec<String> = self
            .circuit
            .parts()
            .map(|p| match &p.kind {
                Kind::Resistor { ohms, .. } => format!("{} {ohms:.0}", p.name),
                Kind::Capacitor { farads, .. } => format!("{} {:.3}n", p.name, farads * 1e9),
                Kind::Source { volts, .. } => format!("{} {volts:.0}", p.name),
                Kind::Triode { valve, .. } => format!("{} {}", p.name, valve.name),
                _ => p.name.clone(),
            })
            .collect();
        format!("{:.0} Hz of {:.3} V: {}", self.frequency_hz, self.peak_volts, values.join(", "))
    }
}

/// Adds parts with values of a range, evenly spread over its logarithm.
struct Bench<'a> {
    rng: &'a mut Rng,
    circuit: Circuit,
}

impl Bench<'_> {
    fn add(&mut self, name: &str, kind: Kind) {
        self.circuit.add(name, kind).expect("a part with good values");
    }

    fn resistor(&mut self, name: &str, between: [Node; 2], low: f64, high: f64) {
        let ohms = self.rng.log_between(low, high);
        self.add(name, Kind::Resistor { between, ohms });
    }

    fn capacitor(&mut self, name: &str, between: [Node; 2], low: f64, high: f64) {
        let farads = self.rng.log_between(low, high);
        self.add(name, Kind::Capacitor { between, farads });
    }

    /// A stage after the node `from`; gives the node that its sound leaves by.
    fn stage(&mut self, k: usize, from: Node, supply: Node, valves: &mut ValveCards) -> Node {
        let name = |what: &str| format!("{what}{k}");
        let [grid, plate, cathode, coupled] =
            ["grid", "plate", "cathode", "coupled"].map(|n| self.circuit.node(&name(n)));
        self.resistor(&name("Rstop"), [from, grid], 1e3, 1e5);
        self.resistor(&name("Rplate"), [supply, plate], 2.2e4, 3.3e5);
        self.resistor(&name("Rcathode"), [cathode, GROUND], 470.0, 5e3);
        if self.rng.chance(0.6) {
            self.capacitor(&name("Cbypass"), [cathode, GROUND], 1e-7, 5e-5);
        }
        self.capacitor(&name("Ccouple"), [plate, coupled], 1e-9, 1e-7);
        let mut output = coupled;
        if self.rng.chance(0.5) {
            output = self.circuit.node(&name("divided"));
            self.resistor(&name("Rupper"), [coupled, output], 1e4, 1e6);
        }
        self.resistor(&name("Rlower"), [output, GROUND], 1e5, 1e6);
        let valve = valve(self.rng, valves, k);
        self.add(&name("V"), Kind::Triode { plate, grid, cathode, valve });
        output
    }
}

/// A valve of any of the laws; its card goes to the others.
fn valve(rng: &mut Rng, valves: &mut ValveCards, number: usize) -> TriodeType {
    let library = Library::embedded().expect("valves");
    let named = |name: &str| library.triode(name).expect("a valve");
    match rng.below(6) {
        0 => {
            let name = "12AX7 RSD-1";
            valves.shared_current.insert(name.to_owned(), RSD_1);
            named(name)
        }
        1 => {
            let name = "12AX7 RSD-2";
            valves.shared_current.insert(name.to_owned(), RSD_2);
            named(name)
        }
        2 => {
            let name = "12AX7 cohen-helie";
            valves.contact.insert(name.to_owned(), COHEN_HELIE);
            named(name)
        }
        _ => {
            let [mu, ex, kg1, kp, kvb] = rng.pick(&TRIODES);
            let [gg, cg, xi] = rng.pick(&GRIDS);
            let card = TriodeCard { mu, ex, kg1, kp, kvb, gg, cg, xi };
            let name = format!("mu {mu} ({number})");
            let capacitances = TriodeCapacitances {
                grid_cathode_f: rng.log_between(0.5e-12, 5e-12),
                grid_plate_f: rng.log_between(0.5e-12, 5e-12),
                plate_cathode_f: rng.log_between(0.1e-12, 2e-12),
            };
            let valve = deck::triode_type(&name, card, capacitances);
            valves.triodes.insert(name, card);
            valve
        }
    }
}

fn draw(rng: &mut Rng) -> Case {
    let mut bench = Bench { rng, circuit: Circuit::new() };
    let mut valves = ValveCards::default();
    let [input, supply] = ["in", "supply"].map(|n| bench.circuit.node(n));
    let source = |plus, volts| Kind::Source { plus, minus: GROUND, volts };
    bench.add("Vin", source(input, 0.0));
    let supply_volts = bench.rng.between(150.0, 420.0);
    bench.add("Vb", source(supply, supply_volts));
    let mut output = input;
    for k in 1..=1 + bench.rng.below(2) {
        output = bench.stage(k, output, supply, &mut valves);
    }
    let Bench { rng, circuit } = bench;
    let peak_volts = rng.log_between(0.05, 10.0);
    // The tenth harmonic stays below 15 kHz, where the path is flat.
    Case { circuit, valves, output, peak_volts, frequency_hz: rng.log_between(60.0, 1500.0) }
}

/// Harmonics 0 to 20 over whole periods, 0.1 s of them or a little more.
fn harmonics(samples: &[f64], rate_hz: f64, frequency_hz: f64) -> Vec<(f64, f64)> {
    let start = (START_S * rate_hz) as usize;
    let periods = (0.1 * frequency_hz).ceil();
    let length = (periods * rate_hz / frequency_hz).round() as usize;
    let count = 20.min((20_000.0 / frequency_hz) as usize);
    sines::harmonics(&samples[start..start + length], start, rate_hz, frequency_hz, count)
}

/// The worst deviation above -60 dB, and down to -80 dB.
fn compare(case: &Case) -> Result<[f64; 2], String> {
    let Case { circuit, valves, output, peak_volts, frequency_hz } = case;
    let seconds = START_S + 0.1 + 2.0 / frequency_hz;
    let cards = cards::with_sine(circuit, valves, "Vin", *peak_volts, *frequency_hz);
    let theirs = transient::run(&cards, &[&cards::node(*output)], seconds, THEIR_RATE_HZ, 4)
        .map_err(|said| format!("{MUTE}: {said}"))?;
    let theirs = harmonics(&theirs[0], THEIR_RATE_HZ, *frequency_hz);

    let plan = DrivenPlan::new(circuit, "Vin", &[*output], RATE_HZ, Quality::Standard);
    let plan = Arc::new(plan.map_err(|e| e.to_string())?);
    let delay = plan.delay_samples();
    let input: Vec<f64> = (0..(seconds * RATE_HZ) as usize + delay)
        .map(|n| {
            let turns = frequency_hz * n as f64 / RATE_HZ;
            peak_volts * (std::f64::consts::TAU * turns.fract()).sin()
        })
        .collect();
    let mut ours = vec![0.0; input.len()];
    let mut processor = plan.processor();
    processor.process_into(&input, &mut ours);
    if processor.troubles() != Default::default() {
        return Err(format!("{:?}", processor.troubles()));
    }
    let ours = harmonics(&ours[delay..], RATE_HZ, *frequency_hz);

    let mut worst = [0.0f64; 2];
    for k in 1..=10 {
        let relative_db = 20.0 * (theirs[k].0 / theirs[1].0).log10();
        if relative_db < -80.0 {
            continue;
        }
        let error_db = 20.0 * (ours[k].0 / theirs[k].0).log10();
        let (which, limit_db) = if relative_db > -60.0 { (0, 0.1) } else { (1, 1.0) };
        if error_db.is_nan() || error_db.abs() > limit_db {
            return Err(format!("harmonic {k} at {relative_db:.1} dB: {error_db:+.4} dB"));
        }
        worst[which] = worst[which].max(error_db.abs());
    }
    Ok(worst)
}

/// Within 0.1 dB where a harmonic is above -60 dB of the fundamental, 1 dB down to -80 dB.
#[test]
#[ignore = "needs ngspice; ./scripts/test runs it"]
fn random_stages_give_the_harmonics_of_ngspice() {
    let seed = Rng::announced_seed();
    let mut worst = [0.0f64; 2];
    let (mut failures, mut mute) = (Vec::new(), 0);
    for k in 0..CASES {
        let draw = |k| draw(&mut Rng::new(seed.wrapping_mul(1_000_003) + k));
        let mut case = draw(k);
        let mut answer = compare(&case);
        // Now and then ngspice does not get to the end; then another case is asked.
        if answer.as_ref().is_err_and(|said| said.starts_with(MUTE)) {
            mute += 1;
            case = draw(k + CASES);
            answer = compare(&case);
        }
        let words = case.words();
        match answer {
            Ok(of_case) => {
                println!("{of_case:.4?} dB, {words}");
                worst = [0, 1].map(|k| worst[k].max(of_case[k]));
            }
            Err(what) => failures.push(format!("case {k} of seed {seed}: {what}\n{words}")),
        }
    }
    println!("worst above -60 dB: {:.4} dB; down to -80 dB: {:.4} dB", worst[0], worst[1]);
    assert!(mute <= 1, "ngspice gave no answer for {mute} of {CASES}");
    assert!(failures.is_empty(), "{} of {CASES}:\n{}", failures.len(), failures.join("\n"));
}
