//! Input and output by two clocks, and what becomes of the signal on the way.

use std::f64::consts::TAU;

use presolder::live::{Capture, Clocks, Source, input, latency};

use crate::common::{RATE, Through, output, sizes};
use crate::simulated::World;

/// Level of what is left of a signal when a sine of a frequency near `near_hz` (in radians a sample
/// first, then found by the phase's advance) is taken out, in dB of the sine. The frequency is that of
/// the stretch itself, so a steady ratio of clocks counts as no error.
fn residue_db(x: &[f64], near_hz: f64) -> (f64, f64) {
    let fit = |hz: f64, x: &[f64]| {
        let w = TAU * hz / RATE;
        let (mut cc, mut cs, mut ss, mut cx, mut sx) = (0.0, 0.0, 0.0, 0.0, 0.0);
        for (n, x) in x.iter().enumerate() {
            let (s, c) = (w * n as f64).sin_cos();
            (cc, cs, ss) = (cc + c * c, cs + c * s, ss + s * s);
            (cx, sx) = (cx + c * x, sx + s * x);
        }
        let det = cc * ss - cs * cs;
        let (a, b) = ((cx * ss - sx * cs) / det, (sx * cc - cx * cs) / det);
        let rest: f64 = x
            .iter()
            .enumerate()
            .map(|(n, x)| {
                let (s, c) = (w * n as f64).sin_cos();
                (x - a * c - b * s).powi(2)
            })
            .sum();
        (a.hypot(b), (rest / x.len() as f64).sqrt())
    };
    // Golden-section search on the residue.
    let (mut low, mut high) = (near_hz * (1.0 - 1e-3), near_hz * (1.0 + 1e-3));
    let golden = 0.5 * (5f64.sqrt() - 1.0);
    for _ in 0..40 {
        let (a, b) = (high - golden * (high - low), low + golden * (high - low));
        if fit(a, x).1 < fit(b, x).1 { high = b } else { low = a }
    }
    let hz = 0.5 * (low + high);
    let (amplitude, rest) = fit(hz, x);
    (hz, 20.0 * (rest * 2f64.sqrt() / amplitude).log10())
}

/// Ten minutes with clocks that differ by 200 ppm, blocks of 16 to 4096 frames changing from call to
/// call on both sides: no gap, nothing spilt, the amount waiting stays put, the drift that is shown is
/// the true one, and a sine stays a sine of the other clock's pitch.
#[test]
fn ten_minutes_at_200_ppm() {
    for ppm in [200.0, -200.0] {
        let meters = std::sync::Arc::default();
        let (mut end, incoming) = input(Clocks::Two, RATE, 1.0, 0, &meters).expect("an input");
        let mut out = output(Source::Device(incoming), Box::new(Through), &meters);
        let w = TAU * 1000.0 / RATE;
        let signal = |n: u64| (0.5 * (w * (n % 48) as f64).sin()) as f32;
        let mut world = World::new(RATE, ppm, signal, sizes(), sizes().skip(1000));
        let (mut heard, mut frames) = (Vec::new(), 0usize);
        world.run(&mut end, &mut out, 1.0, |block| frames += block.len());
        // The first second is for filling up: the largest blocks make themselves known one by one.
        let gaps = meters.input_gaps.get();
        world.run(&mut end, &mut out, 60.0, |block| frames += block.len());
        let early = meters.waiting_frames.get();
        world.run(&mut end, &mut out, 600.0, |block| {
            frames += block.len();
            if frames > 599 * 48_000 {
                heard.extend(block.iter().map(|y| f64::from(*y)));
            }
        });
        let (shown, late) = (meters.drift_ppm.get(), meters.waiting_frames.get());
        println!("{ppm} ppm: {shown:.2} ppm shown; waiting {early:.0}, later {late:.0} frames");
        assert_eq!(meters.input_gaps.get(), gaps, "no gap after the start");
        assert_eq!(meters.input_spilt_frames.get(), 0);
        assert!((shown - ppm).abs() < 2.0, "{shown}");
        // Without correction it would have moved by 5184 frames since.
        assert!((late - early).abs() < 100.0, "{early} {late}");
        let (hz, residue) = residue_db(&heard[..24_000], 1000.0);
        println!("{hz:.4} Hz, residue {residue:.1} dB");
        assert!((hz / 1000.0 - 1.0 - ppm * 1e-6).abs() < 5e-6, "{hz}");
        assert!(residue < -70.0, "{residue}");
    }
}

/// The resampler keeps the band: gain at some frequencies, against one.
#[test]
fn the_resampler_is_flat() {
    for (hz, allowed_db) in [(100.0, 0.01), (5000.0, 0.01), (10_000.0, 0.02), (16_000.0, 0.1)] {
        let meters = std::sync::Arc::default();
        let (mut end, incoming) = input(Clocks::Two, RATE, 1.0, 0, &meters).expect("an input");
        let mut out = output(Source::Device(incoming), Box::new(Through), &meters);
        let signal = move |n: u64| (0.5 * (TAU * hz * n as f64 / RATE).sin()) as f32;
        let mut world = World::new(RATE, 0.0, signal, std::iter::repeat(64), std::iter::repeat(64));
        let mut heard = Vec::new();
        world.run(&mut end, &mut out, 4.0, |b| heard.extend(b.iter().map(|y| f64::from(*y))));
        let tail = &heard[heard.len() - 48_000..];
        let rms = (tail.iter().map(|y| y * y).sum::<f64>() / tail.len() as f64).sqrt();
        let db = 20.0 * (rms * 2f64.sqrt() / 0.5).log10();
        println!("{hz} Hz: {db:+.4} dB");
        assert!(db.abs() < allowed_db, "{hz} Hz: {db} dB");
    }
}

/// By one clock nothing is resampled: what goes in comes out, sample for sample, whatever the blocks.
#[test]
fn one_clock_changes_nothing() {
    let meters = std::sync::Arc::default();
    let (mut end, incoming) = input(Clocks::One, RATE, 2.0, 0, &meters).expect("an input");
    let mut out = output(Source::Device(incoming), Box::new(Through), &meters);
    // Numbers that tell their place, and are doubled by the volts of full scale.
    let signal = |n: u64| (n % 65_536) as f32 / 131_072.0 + 1.0 / 4096.0;
    let mut world = World::new(RATE, 0.0, signal, sizes(), sizes().skip(500));
    let mut heard = Vec::new();
    world.run(&mut end, &mut out, 30.0, |block| heard.extend_from_slice(block));
    let settled = &heard[heard.len() - 20 * 48_000..];
    let step = 2.0 / 131_072.0;
    let steady = settled.windows(2).filter(|w| (w[1] - w[0] - step).abs() < 1e-9).count();
    // All but the places where the numbers start over.
    let turns = settled.len() / 65_536 + 1;
    assert!(steady + turns >= settled.len() - 1, "{steady} of {}", settled.len());
    assert_eq!(meters.drift_ppm.get(), 0.0);
}

/// When the input stops for a while and comes back, the output is silent meanwhile and goes on
/// afterwards; it is counted.
#[test]
fn input_may_pause() {
    let meters = std::sync::Arc::default();
    let (mut end, incoming) = input(Clocks::Two, RATE, 1.0, 0, &meters).expect("an input");
    let mut out = output(Source::Device(incoming), Box::new(Through), &meters);
    let block_in = [0.5f32; 64];
    let mut block = [0.0f32; 64];
    let mut heard = Vec::new();
    for k in 0..3000 {
        let now_s = f64::from(k) * 64.0 / RATE;
        if !(1000..1500).contains(&k) {
            end.take(&block_in, 1, now_s);
        }
        out.fill(&mut block, 1, now_s);
        heard.push(block[63]);
    }
    let steady = |k: usize| (heard[k] - 0.5).abs() < 1e-3;
    // What stands for silence is a picovolt.
    let places = [900, 1300, 1600, 2900].map(|k| heard[k]);
    assert!(steady(900) && heard[1300].abs() < 1e-11 && steady(1600) && steady(2900), "{places:?}");
    assert_eq!(meters.input_gaps.get(), 1);
}

/// A cable from output to input: the burst is found, to the sample, where the simulated device and the
/// waiting input put it.
#[test]
fn a_loop_is_measured() {
    let meters = std::sync::Arc::default();
    let (mut end, incoming) = input(Clocks::One, RATE, 1.0, 0, &meters).expect("an input");
    let (capture, mut ring) = Capture::new(latency::signal(), latency::frames());
    let mut out = output(Source::Device(incoming), Box::new(capture), &meters);
    // The converters and the cable take 500 frames.
    let mut cable = std::collections::VecDeque::from(vec![0.0f32; 500]);
    let (mut block_in, mut block) = ([0.0f32; 64], [0.0f32; 64]);
    for k in 0..latency::frames() / 64 + 1 {
        let now_s = (64 * k) as f64 / RATE;
        block_in.iter_mut().for_each(|x| *x = cable.pop_front().expect("a sample"));
        end.take(&block_in, 1, now_s);
        out.fill(&mut block, 1, now_s);
        // Half of it comes back, upside down.
        cable.extend(block.iter().map(|y| -0.5 * y));
    }
    let mut heard = Vec::new();
    while let Ok(x) = ring.pop() {
        heard.push(x);
    }
    let found = latency::measure(&heard).expect("a loop");
    // What waits is counted with the block that is about to be drawn.
    let expected = 500.0 + meters.waiting_frames.get() - 64.0;
    println!("{found:?}, expected {expected:.1}");
    assert!((found.lag_frames - expected).abs() < 0.1, "{found:?}, {expected}");
    assert!((found.level_db + 6.02).abs() < 0.3, "{found:?}");
}
