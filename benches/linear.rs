//! The linear path of each preset at 48 kHz, planning and processing apart:
//! `cargo bench --bench linear`. Items are frames: 48,000 of them a second are real time, so
//! 48 M items a second are 1,000 times real time.

use divan::counter::ItemsCount;
use divan::{Bencher, black_box};
use presolder::amp::{AmpFile, INPUT_PART};
use presolder::circuit::LinearCircuit;
use presolder::linear::LinearPlan;

const RATE_HZ: f64 = 48_000.0;
/// One second, in blocks as a long render has them.
const FRAMES: usize = 48_000;
const BLOCK: usize = 4096;

fn main() {
    divan::main();
}

fn names() -> Vec<&'static str> {
    presolder::amp::amp_names().collect()
}

/// Runs `then` with the transfer of a preset from its input to the sound of its loudspeaker.
fn with_plan(name: &str, then: impl FnOnce(&dyn Fn() -> LinearPlan)) {
    let amp = AmpFile::preset(name).expect("a preset");
    let built = amp.state().circuit().expect("a circuit");
    let linear = LinearCircuit::of(&built.circuit).expect("an operating point");
    let transfer = linear.transfer(INPUT_PART, built.output).expect("a transfer");
    then(&|| LinearPlan::fit(&transfer, RATE_HZ).expect("a fit"));
}

#[divan::bench(args = names())]
fn fit(bencher: Bencher, name: &str) {
    with_plan(name, |plan| bencher.bench_local(plan));
}

/// Noise, so that no state decays towards numbers too small to be fast.
#[divan::bench(args = names())]
fn process_one_second(bencher: Bencher, name: &str) {
    with_plan(name, |plan| {
        let mut processor = plan().processor();
        let mut state = 1u64;
        let input: Vec<f64> = (0..FRAMES)
            .map(|_| {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
                (state >> 11) as f64 / (1u64 << 52) as f64 - 1.0
            })
            .collect();
        let mut output = vec![0.0; FRAMES];
        bencher.counter(ItemsCount::new(FRAMES)).bench_local(|| {
            for (x, y) in input.chunks(BLOCK).zip(output.chunks_mut(BLOCK)) {
                processor.process_into(black_box(x), y);
            }
        });
    });
}
