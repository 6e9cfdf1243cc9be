//! The linear path, rendered and measured by FFT, against the exact response; and its sections
//! against those of the `biquad` crate.

mod common;

use std::sync::atomic::{AtomicUsize, Ordering};

use biquad::{Biquad, Coefficients, DirectForm2Transposed};
use nalgebra::Complex;
use presolder::amp::{AmpFile, BuiltCircuit, INPUT_PART};
use presolder::circuit::{LinearCircuit, Transfer};
use presolder::linear::{COMPARED_SHARE, LEAST_DAMPING, LinearError, LinearPlan, SILENT_GAIN};
use presolder::units::Position;
use rayon::prelude::*;
use realfft::RealFftPlanner;

use common::networks::random_network;
use common::rng::Rng;
use common::{decibels, deck, reference, table};

const RATES_HZ: [f64; 3] = [44_100.0, 48_000.0, 96_000.0];
/// What the design asks for: up to 16 kHz, up to 20 kHz.
const LIMITS_DB: [f64; 2] = [0.05, 0.1];
/// Long enough for poles of a fraction of a hertz, at the highest of the rates.
const FRAMES: usize = 1 << 19;

/// What the sections and taps of a plan amount to, for circuits that ring longer than can be rendered;
/// that the processor does what they say is a test of its own.
fn stated_gains(plan: &LinearPlan, frequencies_hz: &[f64], rate_hz: f64) -> Vec<Complex<f64>> {
    let back = |turn: f64, k: usize| Complex::from_polar(1.0, -turn * k as f64);
    let gain = |hz: &f64| {
        let turn = std::f64::consts::TAU * hz / rate_hz;
        let sections: Complex<f64> = plan
            .sections()
            .iter()
            .map(|s| {
                (back(turn, 1) * s.b[1] + s.b[0])
                    / (back(turn, 2) * s.a[1] + back(turn, 1) * s.a[0] + 1.0)
            })
            .sum();
        let taps = plan.taps().iter().enumerate().map(|(lag, t)| back(turn, lag) * *t);
        // The plan's delay, taken out of the taps; the sections come after it.
        sections + taps.sum::<Complex<f64>>() * back(turn, plan.delay_frames()).conj()
    };
    frequencies_hz.iter().map(gain).collect()
}

/// The rendered answer to an impulse, as gains at the bins of its FFT, the delay taken out.
fn rendered_gains(plan: &LinearPlan) -> Vec<Complex<f64>> {
    let mut impulse = vec![0.0; FRAMES];
    impulse[0] = 1.0;
    let mut answer = vec![0.0; FRAMES];
    let mut processor = plan.processor();
    for (x, y) in impulse.chunks(4096).zip(answer.chunks_mut(4096)) {
        processor.process_into(x, y);
    }
    let fft = RealFftPlanner::<f64>::new().plan_fft_forward(FRAMES);
    let mut spectrum = fft.make_output_vec();
    fft.process(&mut answer, &mut spectrum).expect("lengths of the plan");
    let turn = std::f64::consts::TAU * plan.delay_frames() as f64 / FRAMES as f64;
    spectrum
        .iter()
        .enumerate()
        .map(|(bin, v)| v * Complex::from_polar(1.0, turn * bin as f64))
        .collect()
}

/// How a plan is listened to.
#[derive(Clone, Copy)]
enum Heard {
    /// By the FFT of the answer to an impulse.
    Rendered,
    /// By the sum of its sections and taps.
    Stated,
}

/// Worst deviation in dB up to 16 kHz and from there to 20 kHz, at 200 bins from 10 Hz on.
fn worst_deviation(transfer: &Transfer, rate_hz: f64, how: Heard) -> Result<[f64; 2], LinearError> {
    let plan = LinearPlan::fit(transfer, rate_hz)?;
    for section in plan.sections() {
        assert!(section.radius() < 1.0, "a section that is not stable: {section:?}");
    }
    let width_hz = rate_hz / FRAMES as f64;
    let mut bins: Vec<usize> = (0..200)
        .map(|k| (10.0 * 2000f64.powf(f64::from(k) / 199.0) / width_hz).round() as usize)
        .collect();
    bins.dedup();
    let frequencies_hz: Vec<f64> = bins.iter().map(|&b| b as f64 * width_hz).collect();
    let exact = transfer.gains(&frequencies_hz)?;
    let rendered = match how {
        Heard::Rendered => {
            let all = rendered_gains(&plan);
            bins.iter().map(|&b| all[b]).collect()
        }
        Heard::Stated => stated_gains(&plan, &frequencies_hz, rate_hz),
    };
    // A coil and a capacitor with hardly any resistance make a peak far narrower than the bins are apart,
    // and what of the response is within 100 dB of it would be a matter of where a bin falls on its slope.
    let mut resonances_hz: Vec<f64> =
        transfer.poles()?.iter().map(|p| p.im / std::f64::consts::TAU).collect();
    resonances_hz.retain(|hz| (10.0..=20_000.0).contains(hz));
    let tops = transfer.gains(&resonances_hz)?;
    let peak = exact.iter().chain(&tops).map(|g| g.norm()).fold(0.0, f64::max);
    let mut worst = [0.0; 2];
    if peak <= SILENT_GAIN {
        assert!(rendered.iter().all(|v| v.norm() <= SILENT_GAIN), "silence is not silent");
        return Ok(worst);
    }
    for ((rendered, hz), exact) in rendered.iter().zip(&frequencies_hz).zip(&exact) {
        if exact.norm() > COMPARED_SHARE * peak {
            let off = decibels(rendered / exact).abs();
            assert!(off.is_finite(), "{hz} Hz: {rendered} instead of {exact}");
            let slot = usize::from(*hz > 16_000.0);
            worst[slot] = f64::max(worst[slot], off);
        }
    }
    Ok(worst)
}

fn check(name: &str, rate_hz: f64, worst: [f64; 2]) {
    assert!(
        worst[0] <= LIMITS_DB[0] && worst[1] <= LIMITS_DB[1],
        "{name} at {rate_hz} Hz: {worst:?} dB off, allowed {LIMITS_DB:?}"
    );
}

#[test]
fn rendered_reference_circuits_have_the_exact_response() {
    let worst = table::files(&reference("ac"), "csv")
        .par_iter()
        .map(|path| {
            let deck = deck::read(&path.with_extension("cir"));
            let linear = LinearCircuit::of(&deck.circuit).expect("an operating point");
            let output = deck.circuit.find_node("out").expect("the node `out`");
            let transfer = linear.transfer("Vin", output).expect("a transfer");
            RATES_HZ.map(|rate_hz| {
                let worst = worst_deviation(&transfer, rate_hz, Heard::Rendered)
                    .unwrap_or_else(|e| panic!("{} at {rate_hz} Hz: {e}", path.display()));
                check(&path.display().to_string(), rate_hz, worst);
                worst
            })
        })
        .reduce(|| [[0.0; 2]; 3], larger);
    println!("worst deviation of rendered reference circuits in dB: {worst:?} at {RATES_HZ:?} Hz");
}

fn larger(a: [[f64; 2]; 3], b: [[f64; 2]; 3]) -> [[f64; 2]; 3] {
    std::array::from_fn(|r| std::array::from_fn(|k| f64::max(a[r][k], b[r][k])))
}

/// Every preset from input to the sound of its speaker, at 50 random settings of all its knobs.
#[test]
fn rendered_presets_have_the_exact_response_at_random_knob_settings() {
    let seed = Rng::announced_seed();
    for (n, name) in presolder::amp::amp_names().enumerate() {
        let amp = AmpFile::preset(name).expect("a preset");
        let mut rng = Rng::new(seed + n as u64);
        let controls: Vec<String> = amp.state().controls().keys().cloned().collect();
        let settings: Vec<BuiltCircuit> = (0..50)
            .map(|_| {
                let mut built = amp.state().circuit().expect("a circuit");
                for control in &controls {
                    // Every tenth knob or so stands at one of its ends.
                    let at = match rng.below(20) {
                        0 => 0.0,
                        1 => 10.0,
                        _ => rng.between(0.0, 10.0),
                    };
                    let position = Position::new(at).expect("a position");
                    built.turn(control, position).expect("a control");
                }
                built
            })
            .collect();
        let worst = settings
            .par_iter()
            .map(|built| {
                let linear = LinearCircuit::of(&built.circuit).expect("an operating point");
                let transfer = linear.transfer(INPUT_PART, built.output).expect("a transfer");
                RATES_HZ.map(|rate_hz| {
                    let worst = worst_deviation(&transfer, rate_hz, Heard::Rendered)
                        .unwrap_or_else(|e| panic!("{name} at {rate_hz} Hz: {e}"));
                    check(name, rate_hz, worst);
                    worst
                })
            })
            .reduce(|| [[0.0; 2]; 3], larger);
        println!("{name}: worst deviation in dB {worst:?} at {RATES_HZ:?} Hz");
    }
}

/// Random networks, those with a pole in the right half plane refused and all others held to the limits.
#[test]
fn rendered_random_networks_have_the_exact_response() {
    random_networks_have_the_exact_response(Rng::announced_seed());
}

/// A seed whose networks have a resonance with a Q of 93,000: its slopes fall below 100 dB of the top, but not
/// of the height at which a grid happens to meet it.
#[test]
fn a_network_with_a_very_sharp_resonance_has_the_exact_response() {
    random_networks_have_the_exact_response(540_080_044);
}

fn random_networks_have_the_exact_response(seed: u64) {
    let networks: Vec<_> = (0..60).map(|k| random_network(&mut Rng::new(seed + k))).collect();
    let [refused, rendered] = [(); 2].map(|()| AtomicUsize::new(0));
    let results: Vec<Option<[[f64; 2]; 3]>> = networks
        .par_iter()
        .map(|network| {
            let linear = LinearCircuit::of(&network.circuit).expect("an operating point");
            let output = *network.outputs.last().expect("an output");
            let transfer = linear.transfer("Vin", output).expect("a transfer");
            let poles = transfer.poles().expect("poles");
            let unstable = poles.iter().any(|p| p.re > -LEAST_DAMPING * p.norm());
            let mut all = [[0.0; 2]; 3];
            // A coil with hardly any resistance rings on beyond the end of the rendering, and a large
            // capacitor behind a large resistor goes on charging, whose FFT is then not the response: 120
            // dB and 70 dB must fit in.
            let depth_db = |p: &Complex<f64>| if p.im == 0.0 { 70.0 } else { 120.0 };
            let seconds = |p: &Complex<f64>| depth_db(p) / 8.686 / -p.re;
            let long = poles.iter().map(seconds).fold(0.0, f64::max);
            let fits = long < FRAMES as f64 / RATES_HZ[2];
            let how = if fits { Heard::Rendered } else { Heard::Stated };
            rendered.fetch_add(usize::from(fits && !unstable), Ordering::Relaxed);
            for (slot, rate_hz) in all.iter_mut().zip(RATES_HZ) {
                match worst_deviation(&transfer, rate_hz, how) {
                    Ok(worst) => {
                        assert!(!unstable, "an unstable circuit was taken");
                        check("a random network", rate_hz, worst);
                        *slot = worst;
                    }
                    Err(LinearError::Unstable { .. }) => {
                        assert!(unstable, "a stable circuit was refused");
                        return None;
                    }
                    // About one of 6,000 such networks at 44.1 kHz: the plan says itself that it
                    // misses its limit, and is not made.
                    Err(LinearError::Fit { .. }) => {
                        refused.fetch_add(1, Ordering::Relaxed);
                    }
                    Err(other) => panic!("{other}"),
                }
            }
            Some(all)
        })
        .collect();
    let taken = results.iter().flatten().count();
    let worst = results.into_iter().flatten().fold([[0.0; 2]; 3], larger);
    let rendered = rendered.into_inner();
    println!(
        "worst of {taken} stable random networks, {rendered} of them rendered, in dB: {worst:?} at {RATES_HZ:?} Hz"
    );
    assert!(rendered >= 20, "only {rendered} of the networks could be rendered");
    let refused = refused.into_inner();
    assert!(refused <= 1, "{refused} of 60 networks could not be fitted");
    assert!(taken >= 20, "only {taken} of the networks could be compared");
}

/// The same sections, run one by one by the `biquad` crate in f64, and the taps as a plain sum.
#[test]
fn processor_does_what_the_biquad_crate_does() {
    let deck = deck::read(&reference("ac/power-feedback-speaker.cir"));
    let linear = LinearCircuit::of(&deck.circuit).expect("an operating point");
    let output = deck.circuit.find_node("out").expect("the node `out`");
    let transfer = linear.transfer("Vin", output).expect("a transfer");
    let plan = LinearPlan::fit(&transfer, 48_000.0).expect("a plan");

    let mut rng = Rng::new(5);
    let input: Vec<f64> = (0..20_000).map(|_| rng.between(-1.0, 1.0)).collect();
    let mut sections: Vec<_> = plan
        .sections()
        .iter()
        .map(|s| {
            DirectForm2Transposed::<f64>::new(Coefficients {
                b0: s.b[0],
                b1: s.b[1],
                b2: 0.0,
                a1: s.a[0],
                a2: s.a[1],
            })
        })
        .collect();
    let at = |k: usize, lag: usize| if k >= lag { input[k - lag] } else { 0.0 };
    let expected: Vec<f64> = (0..input.len())
        .map(|k| {
            let fir: f64 = plan.taps().iter().enumerate().map(|(lag, t)| t * at(k, lag)).sum();
            let delayed = at(k, plan.delay_frames());
            fir + sections.iter_mut().map(|s| s.run(delayed)).sum::<f64>()
        })
        .collect();

    // Blocks of every awkward length give the same answer.
    for block in [1, 3, 64, 1021, input.len()] {
        let mut processor = plan.processor();
        let mut output = vec![0.0; input.len()];
        for (x, y) in input.chunks(block).zip(output.chunks_mut(block)) {
            processor.process_into(x, y);
        }
        let peak = expected.iter().fold(0.0f64, |m, v| m.max(v.abs()));
        for (k, (ours, theirs)) in output.iter().zip(&expected).enumerate() {
            assert!((ours - theirs).abs() < 1e-11 * peak, "frame {k}: {ours} and {theirs}");
        }
    }
}
