//! What measures sound: loudness, the sweep, the spectrum of a clip. `cargo bench --bench measurement`.
//! Items are frames at 48 kHz.

use divan::counter::ItemsCount;
use divan::{Bencher, black_box};
use presolder::analysis::{Spectrum, SweepPlan};
use presolder::audio::measure_loudness;

const RATE_HZ: u32 = 48_000;
const FRAMES: usize = 10 * RATE_HZ as usize;

fn main() {
    divan::main();
}

/// Noise of 10 s.
fn noise() -> Vec<f64> {
    let mut state = 1u64;
    let mut next = || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
        (state >> 11) as f64 / (1u64 << 52) as f64 - 1.0
    };
    (0..FRAMES).map(|_| 0.3 * next()).collect()
}

#[divan::bench]
fn loudness(bencher: Bencher) {
    let samples = noise();
    bencher
        .counter(ItemsCount::new(FRAMES))
        .bench_local(|| measure_loudness(&[black_box(&samples)], RATE_HZ));
}

#[divan::bench]
fn spectrum_of_1_hz(bencher: Bencher) {
    let samples = noise();
    bencher
        .counter(ItemsCount::new(FRAMES))
        .bench_local(|| Spectrum::measure(black_box(&samples), f64::from(RATE_HZ), 1.0));
}

/// A sweep of 2 s and a tail of 4 s, answered by the signal itself: the cost of measuring alone.
#[divan::bench]
fn sweep(bencher: Bencher) {
    let plan = SweepPlan::new(f64::from(RATE_HZ), 0.5, 20_000.0).expect("a plan");
    let sweep = plan.prepare();
    bencher
        .counter(ItemsCount::new(6 * RATE_HZ as usize))
        .bench_local(|| sweep.measure(4.0, &mut |volts| black_box(volts).to_vec()));
}
