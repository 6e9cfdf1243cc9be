//! The amps that come with the program: at rest within their ratings, stable, of sensible gain,
//! and the same in ngspice.

mod common;

use std::f64::consts::TAU;
use std::path::Path;

use nalgebra::Complex;
use presolder::amp::{AmpFile, BuiltCircuit, INPUT_PART, Job, PartKind, amp_names};
use presolder::circuit::{Kind, LinearCircuit, OperatingPoint};
use presolder::units::Position;
use presolder::valves::Library;

use common::cards;
use common::ngspice::{self, Sweep};
use common::rng::Rng;
use common::{Deviation, decibels};

/// The amps and what the trade expects of each (common practice, no source).
struct Expected {
    name: &'static str,
    output_valve: &'static str,
    output_valves: usize,
    has_middle_control: bool,
    follower: bool,
}

const EXPECTED: [Expected; 4] = [
    Expected {
        name: "larkspur-22",
        output_valve: "6V6GT",
        output_valves: 2,
        has_middle_control: false,
        follower: false,
    },
    Expected {
        name: "tamarack-85",
        output_valve: "6L6GC",
        output_valves: 4,
        has_middle_control: true,
        follower: false,
    },
    Expected {
        name: "sorrel-14",
        output_valve: "6V6GT",
        output_valves: 2,
        has_middle_control: true,
        follower: false,
    },
    Expected {
        name: "hawthorn-50",
        output_valve: "EL34",
        output_valves: 2,
        has_middle_control: true,
        follower: true,
    },
];

fn amp(name: &str) -> AmpFile {
    AmpFile::preset(name).unwrap_or_else(|e| panic!("{e}"))
}

fn built(name: &str) -> BuiltCircuit {
    amp(name).state().circuit().unwrap_or_else(|e| panic!("{e}"))
}

/// Every preset at its default positions, and with each control at its ends.
fn circuits() -> Vec<(String, BuiltCircuit)> {
    let mut all = Vec::new();
    for name in amp_names() {
        let circuit = built(name);
        all.push((name.to_owned(), circuit.clone()));
        for control in circuit.controls().keys() {
            for number in [0.0, 10.0] {
                let mut turned = circuit.clone();
                let position = Position::new(number).expect("0 to 10");
                turned.turn(control, position).unwrap_or_else(|e| panic!("{e}"));
                all.push((format!("{name}, {control} at {number}"), turned));
            }
        }
    }
    all
}

#[test]
fn the_four_amps_are_what_they_are_called() {
    assert_eq!(amp_names().collect::<Vec<_>>(), EXPECTED.map(|e| e.name));
    for expected in &EXPECTED {
        let file = amp(expected.name);
        let state = file.state();
        assert!(!file.title().is_empty() && !file.notes().is_empty());
        let mut output_valves = 0;
        for (designator, part) in state.parts() {
            assert!(
                (4..100).contains(&part.purpose.len()) && !part.purpose.contains('\n'),
                "{}: {designator} needs a purpose in one line",
                expected.name
            );
            let (watts, volts) = (part.rating.watts.is_some(), part.rating.volts.is_some());
            match &part.kind {
                PartKind::Resistor { .. } | PartKind::Pot { .. } | PartKind::Rheostat { .. } => {
                    assert!(watts, "{}: {designator} needs its watts", expected.name);
                }
                PartKind::Capacitor { .. } => {
                    assert!(volts, "{}: {designator} needs its volts", expected.name);
                    assert!(part.construction.is_some(), "{designator}");
                }
                PartKind::Pentode { valve, .. } => {
                    assert_eq!(valve.name, expected.output_valve);
                    output_valves += 1;
                }
                PartKind::Transformer { windings, .. } => {
                    // Taps for 2, 4 and 8 ohms: turns from the common end go as the root of the
                    // load, inductance as the square of the turns.
                    let turns: Vec<f64> =
                        windings[2..].iter().map(|w| w.inductance.0.sqrt()).collect();
                    assert_eq!(turns.len(), 3);
                    let (two, all) = (turns[0], turns.iter().sum::<f64>());
                    assert!((two / all - 0.25f64.sqrt()).abs() < 1e-3, "{turns:?}");
                    assert!(((two + turns[1]) / all - 0.5f64.sqrt()).abs() < 1e-3, "{turns:?}");
                }
                PartKind::Speaker { speaker, .. } => {
                    assert!(speaker.range_of_use.lowest_hz > 50.0);
                }
                _ => {}
            }
        }
        assert_eq!(output_valves, expected.output_valves, "{}", expected.name);
        assert_eq!(state.controls().contains_key("middle"), expected.has_middle_control);
        let follower = state
            .parts()
            .values()
            .any(|p| matches!(&p.kind, PartKind::Triode { plate, .. } if plate == "pre"));
        assert_eq!(follower, expected.follower, "{}", expected.name);
        let circuit = built(expected.name);
        assert_eq!(circuit.speakers.len(), 1);
        assert_eq!(circuit.output_name, "LS1.pressure");
    }
}

/// At rest every part is within its rating and every valve within its maxima, whatever the
/// controls. One exception is written into the amp's own notes: the 22 W pair stands above the
/// data sheet's plate and screen volts.
#[test]
fn operating_points_are_within_ratings() {
    let library = Library::embedded().expect("valves");
    for (what, built) in circuits() {
        let point = OperatingPoint::solve(&built.circuit).unwrap_or_else(|e| panic!("{what}: {e}"));
        for (designator, part) in built.parts() {
            let Some(rest) = point.part(designator) else {
                continue;
            };
            let here = format!("{what}: {designator}, {} V, {} W", rest.volts, rest.watts);
            if let Some(watts) = part.rating.watts {
                // Resistors are run at half of their rating at most (general practice, from memory).
                assert!(rest.watts <= 0.5 * watts.0, "{here}, rated {watts}");
            }
            if let Some(volts) = part.rating.volts {
                assert!(rest.volts.abs() <= 0.9 * volts.0, "{here}, rated {volts}");
            }
            let valve = match &part.kind {
                PartKind::Triode { valve, .. } => &valve.name,
                PartKind::Pentode { valve, .. } => &valve.name,
                _ => continue,
            };
            let maxima = &library.file(valve).expect("its own type").maxima;
            assert!(rest.amperes > 0.2e-3, "{here}: cut off");
            assert!(rest.watts <= 0.85 * maxima.plate_watts, "{here}");
            let above_sheet = what.starts_with("larkspur-22") && valve == "6V6GT";
            let plate_limit = if above_sheet { 380.0 } else { maxima.plate_volts };
            assert!(rest.volts <= plate_limit, "{here}, at most {plate_limit}");
            assert!(rest.grid_volts.is_some_and(|v| v < -0.25), "{here}: {:?}", rest.grid_volts);
            if let Some(screen) = rest.screen {
                let screen_limit =
                    if above_sheet { 380.0 } else { maxima.screen_volts.unwrap_or(0.0) };
                assert!(screen.volts <= screen_limit, "{here}: {screen:?}");
                assert!(screen.watts <= 0.6 * maxima.screen_watts.unwrap_or(0.0), "{here}");
                // Class AB: a third to nine tenths of the dissipation at rest.
                assert!(rest.watts >= 0.33 * maxima.plate_watts, "{here}");
            }
        }
        // Cold valves draw nothing: filter capacitors then see the whole supply.
        for (designator, part) in built.parts() {
            let (PartKind::Capacitor { between, .. }, Some(rated)) =
                (&part.kind, part.rating.volts)
            else {
                continue;
            };
            let filters = ["ht", "screens", "inverter", "pre"];
            if between.iter().any(|n| n == "0")
                && between.iter().any(|n| filters.contains(&n.as_str()))
            {
                let supply = built.circuit.parts().find_map(|p| match &p.kind {
                    Kind::Source { volts, .. } if *volts > 0.0 => Some(*volts),
                    _ => None,
                });
                assert!(supply.is_some_and(|v| v <= rated.0), "{what}: {designator} {supply:?}");
            }
        }
    }
}

/// The amp with the loudspeaker settles: every pole has a negative real part, at every end of
/// every control.
#[test]
fn every_pole_decays() {
    for (what, built) in circuits() {
        let linear = LinearCircuit::of(&built.circuit).unwrap_or_else(|e| panic!("{what}: {e}"));
        let poles = linear.poles().unwrap_or_else(|e| panic!("{what}: {e}"));
        assert!(poles.len() > 30, "{what}: {}", poles.len());
        for pole in &poles {
            assert!(pole.re < 0.0, "{what}: a pole at {pole} rad/s");
            // Above the audible range nothing may ring: oscillation would be near.
            let hz = pole.norm() / TAU;
            if hz > 25e3 {
                let damping = -pole.re / pole.norm();
                assert!(damping > 0.25, "{what}: a pole at {hz} Hz with damping {damping}");
            }
        }
    }
}

/// Feedback gain margins from the loop itself: the resistor from the 8 ohm tap is fed from a
/// separate source, and what comes back at the tap is the loop gain.
#[test]
fn the_feedback_loop_has_phase_margin() {
    for name in amp_names() {
        let closed = built(name);
        let (feedback, part) = closed
            .parts()
            .iter()
            .find(|(_, p)| p.purpose.starts_with("feedback from the 8 ohm tap"))
            .expect("a feedback resistor");
        let PartKind::Resistor { between, value } = &part.kind else { panic!("{feedback}") };
        assert_eq!(between[0], "tap8");
        // Rebuild the circuit with the loop opened at the tap, which is stiff against the resistor.
        let mut open = presolder::circuit::Circuit::new();
        for node in closed.circuit.node_names() {
            open.node(node);
        }
        let probe = open.node("probe");
        for part in closed.circuit.parts() {
            let kind = if part.name == *feedback {
                let to = closed.node(&between[1]).expect("its node");
                Kind::Resistor { between: [probe, to], ohms: value.0 }
            } else {
                part.kind.clone()
            };
            open.add(&part.name, kind).expect("the same part");
        }
        let kind = Kind::Source { plus: probe, minus: presolder::circuit::GROUND, volts: 0.0 };
        open.add("probe", kind).expect("a source");
        let linear = LinearCircuit::of(&open).unwrap_or_else(|e| panic!("{name}: {e}"));
        let tap = closed.node("tap8").expect("the tap");
        let hz: Vec<f64> = (0..=1600).map(|k| 10f64.powf(f64::from(k) / 200.0 - 0.5)).collect();
        let gains = linear.transfer("probe", tap).expect("a transfer").gains(&hz).expect("gains");
        // Negative feedback: a positive probe brings a negative tap in the midband.
        let loop_gain: Vec<Complex<f64>> = gains.iter().map(|g| -g).collect();
        let at = |f: f64| hz.iter().position(|h| *h >= f).expect("within");
        let middle = loop_gain[at(400.0)];
        assert!(middle.re > 0.3 && middle.re > middle.im.abs(), "{name}: {middle}");
        let mut margin = f64::MAX;
        for pair in loop_gain.windows(2) {
            if (pair[0].norm() - 1.0) * (pair[1].norm() - 1.0) <= 0.0 {
                margin = margin.min(180.0 - pair[0].arg().to_degrees().abs());
            }
        }
        println!("{name}: {:.1} dB of loop gain at 400 Hz, {margin:.0} degrees", decibels(middle));
        assert!(margin > 40.0, "{name}: phase margin {margin}");
    }
}

/// Gain from the jack to the 8 ohm tap and to the sound (common practice, no source: an input of
/// some tens of millivolts drives the output to its rated power with the volume well up, and a
/// guitar's 100 mV plays at 90 to 125 dB).
#[test]
fn gain_and_range_are_sensible() {
    for name in amp_names() {
        let circuit = built(name);
        let linear = LinearCircuit::of(&circuit.circuit).unwrap_or_else(|e| panic!("{e}"));
        let hz: Vec<f64> = (0..=120).map(|k| 5.0 * 4000f64.powf(f64::from(k) / 120.0)).collect();
        let tap = circuit.node("tap8").expect("the tap");
        let gains = linear.gains(INPUT_PART, &[tap, circuit.output], &hz).expect("gains");
        let db = |which: usize, f: f64| {
            decibels(gains[which][hz.iter().position(|h| *h >= f).expect("within")])
        };
        let (tap_db, sound_db) = (db(0, 400.0), db(1, 400.0));
        println!("{name}: {tap_db:.1} dB to the tap, {sound_db:.1} dB re 1 Pa/V at 400 Hz");
        assert!((35.0..65.0).contains(&tap_db), "{name}: {tap_db} dB");
        let spl = sound_db + 20.0 * (0.1 / 2f64.sqrt() / 20e-6).log10();
        assert!((90.0..130.0).contains(&spl), "{name}: {spl} dB");
        // The sound falls off outside the speaker's range, and the plate-fed and follower-fed
        // stacks both leave a dip between bass and treble.
        let range = circuit.speakers[0].range_of_use;
        assert!(db(1, 10.0) < sound_db - 20.0, "{name}");
        assert!(db(1, range.highest_hz * 3.0) < sound_db - 6.0, "{name}");
        assert!(sound_db < db(1, 2500.0) && sound_db < db(1, 130.0) + 3.0, "{name}");
    }
}

/// Each whole amp, sound included, at its own and at random control positions, in ngspice.
#[test]
#[ignore = "needs ngspice; ./scripts/test runs it"]
fn whole_amps_answer_as_in_ngspice() {
    let cards = cards::of_library(&Library::embedded().expect("valves"));
    let mut rng = Rng::new(Rng::announced_seed());
    for name in amp_names() {
        let mut worst = Deviation::default();
        for round in 0..4 {
            let mut circuit = built(name);
            if round > 0 {
                let controls: Vec<String> = circuit.controls().keys().cloned().collect();
                for control in controls {
                    let position = Position::new(rng.between(0.3, 10.0)).expect("0 to 10");
                    circuit.turn(&control, position).unwrap_or_else(|e| panic!("{e}"));
                }
            }
            let outputs = [circuit.output, circuit.node("tap8").expect("the tap")];
            let sweep = Sweep::Decades { each: 8, from_hz: 10.0, to_hz: 100e3 };
            let theirs = ngspice::analyse(&circuit.circuit, &cards, INPUT_PART, &outputs, sweep)
                .unwrap_or_else(|said| panic!("{name}: {said}"));
            let point = OperatingPoint::solve(&circuit.circuit).expect("an operating point");
            let tap_rest = point.node_volts(outputs[1]);
            assert!((tap_rest - theirs.rest_volts[1]).abs() < 1e-6, "{name}: {tap_rest}");
            let linear = LinearCircuit::new(&circuit.circuit, &point).expect("a response");
            let ours = linear.gains(INPUT_PART, &outputs, &theirs.frequencies_hz).expect("gains");
            for (ours, theirs) in ours.iter().flatten().zip(theirs.gains.iter().flatten()) {
                // Below that, rounding in either shows.
                if decibels(*theirs) > -120.0 {
                    worst = worst.worst(Deviation::between(*ours, *theirs));
                }
            }
        }
        println!("{name}: {worst:?}");
        assert!(worst.is_within(0.001, 0.01), "{name}: {worst:?}");
    }
}

/// The demonstration job: its versions build, settle, trim what the speaker can't give, and leave
/// the open strings (ISO 16, A4 = 440 Hz) alone.
#[test]
fn the_demo_job_trims_the_low_end() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("presets/jobs");
    let job = Job::read(&folder.join("demo.toml")).unwrap_or_else(|e| panic!("{e}"));
    let names: Vec<&str> = job.version_names().collect();
    assert_eq!(names, ["as received", "low-end trim", "trim and middle control"]);
    let hz = [10.0, 20.0, 30.0, 82.4069, 110.0, 146.8324, 195.9977, 246.9417, 329.6276];
    let levels: Vec<Vec<f64>> = job
        .versions()
        .map(|state| {
            let circuit = state.circuit().unwrap_or_else(|e| panic!("{e}"));
            let linear = LinearCircuit::of(&circuit.circuit).unwrap_or_else(|e| panic!("{e}"));
            assert!(linear.poles().expect("poles").iter().all(|p| p.re < 0.0));
            let transfer = linear.transfer(INPUT_PART, circuit.output).expect("a transfer");
            transfer.gains(&hz).expect("gains").into_iter().map(decibels).collect()
        })
        .collect();
    let change: Vec<f64> = levels[1].iter().zip(&levels[0]).map(|(a, b)| a - b).collect();
    println!("{change:.2?}");
    assert!(change[0] < -20.0 && change[1] < -12.0 && change[2] < -6.0, "{change:?}");
    for (hz, change) in hz[3..].iter().zip(&change[3..]) {
        assert!(change.abs() < 1.2, "{hz} Hz: {change} dB");
    }
    assert!(change[3].abs() < job.trim.low_e_changed_by_at_most.0, "{change:?}");
    // The middle control at 12:00 is well above the fixed leg: the dip fills up.
    let middle = levels[2][8] - levels[1][8];
    assert!((1.0..8.0).contains(&middle), "{middle} dB at the high E");
}
