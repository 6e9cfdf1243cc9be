//! The circuit's answers for each preset, from the input to the sound of its loudspeaker:
//! `cargo bench --bench circuit`.

use divan::{Bencher, black_box};
use presolder::amp::{AmpFile, BuiltCircuit, INPUT_PART};
use presolder::circuit::{LinearCircuit, OperatingPoint};
use presolder::units::Position;

fn main() {
    divan::main();
}

fn built(name: &str) -> BuiltCircuit {
    let amp = AmpFile::preset(name).expect("a preset");
    amp.state().circuit().expect("a circuit")
}

fn names() -> Vec<&'static str> {
    presolder::amp::amp_names().collect()
}

/// From the preset's text to a circuit.
#[divan::bench(args = names())]
fn read_preset(name: &str) -> BuiltCircuit {
    built(black_box(name))
}

#[divan::bench(args = names())]
fn operating_point(bencher: Bencher, name: &str) {
    let circuit = built(name).circuit;
    bencher.bench_local(|| OperatingPoint::solve(black_box(&circuit)));
}

/// 1,000 frequencies from 10 Hz to 30 kHz of a circuit that is linearised already.
#[divan::bench(args = names())]
fn response_at_1000_points(bencher: Bencher, name: &str) {
    let built = built(name);
    let linear = LinearCircuit::of(&built.circuit).expect("an operating point");
    let transfer = linear.transfer(INPUT_PART, built.output).expect("a transfer");
    let frequencies_hz: Vec<f64> =
        (0..1000).map(|i| 10.0 * 3000f64.powf(f64::from(i) / 999.0)).collect();
    bencher.bench_local(|| transfer.gains(black_box(&frequencies_hz)));
}

/// A knob is turned: the circuit linearised anew (its operating point first).
#[divan::bench(args = names())]
fn linearise_after_a_turn(bencher: Bencher, name: &str) {
    let mut built = built(name);
    let control = built.controls().keys().next().cloned().expect("a control");
    let positions = [3.0, 7.0].map(|p| Position::new(p).expect("a position"));
    let mut turn = 0;
    bencher.bench_local(|| {
        turn += 1;
        built.turn(&control, positions[turn % 2]).expect("the control");
        LinearCircuit::of(&built.circuit)
    });
}

#[divan::bench(args = names())]
fn poles(bencher: Bencher, name: &str) {
    let linear = LinearCircuit::of(&built(name).circuit).expect("an operating point");
    bencher.bench_local(|| black_box(&linear).poles());
}
