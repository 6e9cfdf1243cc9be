//! The driven path against transient runs of ngspice, made here.

mod common;

use std::f64::consts::TAU;
use std::fmt::Write;
use std::sync::Arc;

use common::{cards, deck, reference, sines, transient};
use nalgebra::{DMatrix, DVector};
use presolder::amp::{AmpFile, INPUT_PART, amp_names};
use presolder::audio::{ChannelChoice, read_wav};
use presolder::circuit::{Circuit, Kind, LinearCircuit};
use presolder::driven::{DrivenPlan, Quality};
use presolder::valves::Library;

const RATE_HZ: f64 = 48_000.0;

/// Runs a reference deck with another source in place of its input; node voltages at 48 kHz.
fn transient(name: &str, source: &str, nodes: &[&str], seconds: f64) -> Vec<Vec<f64>> {
    let text = std::fs::read_to_string(reference("harmonics").join(format!("{name}.cir")))
        .expect("the deck");
    let mut cards = String::new();
    for line in text.lines().skip(1).filter(|l| l.trim() != ".end") {
        let line = if line.starts_with("Vin ") { source } else { line };
        let _ = writeln!(cards, "{line}");
    }
    transient::run(&cards, nodes, seconds, RATE_HZ, 16).unwrap_or_else(|said| panic!("{said}"))
}

/// The driven path of the same deck: volts of the nodes, delay taken out.
fn driven(name: &str, nodes: &[&str], signal: &[f64]) -> Vec<Vec<f64>> {
    let deck = deck::read(&reference("harmonics").join(format!("{name}.cir")));
    let outputs: Vec<_> =
        nodes.iter().map(|n| deck.circuit.find_node(n).expect("a node")).collect();
    let plan = DrivenPlan::new(&deck.circuit, "Vin", &outputs, RATE_HZ, Quality::Standard);
    run_plan(&Arc::new(plan.expect("a plan")), signal)
}

fn run_plan(plan: &Arc<DrivenPlan>, signal: &[f64]) -> Vec<Vec<f64>> {
    let mut input = signal.to_vec();
    input.resize(signal.len() + plan.delay_samples(), 0.0);
    let mut all = vec![vec![0.0; input.len()]; plan.outputs()];
    let mut processor = plan.processor();
    let mut slices: Vec<&mut [f64]> = all.iter_mut().map(Vec::as_mut_slice).collect();
    processor.process_all_into(&input, &mut slices);
    assert_eq!(processor.troubles(), Default::default());
    for (y, rest) in all.iter_mut().zip(plan.rest_output_volts()) {
        y.drain(..plan.delay_samples());
        y.iter_mut().for_each(|v| *v += rest);
    }
    all
}

/// Amplitude of a sine in a stretch, beside a constant and a slope.
fn amplitude(samples: &[f64], start: usize, frequency_hz: f64) -> f64 {
    let basis = DMatrix::from_fn(samples.len(), 4, |n, c| {
        let angle = TAU * frequency_hz * (start + n) as f64 / RATE_HZ;
        match c {
            0 => 1.0,
            1 => n as f64 / samples.len() as f64,
            2 => angle.cos(),
            _ => angle.sin(),
        }
    });
    let normal = basis.transpose() * &basis;
    let right = basis.transpose() * DVector::from_column_slice(samples);
    let fit = normal.cholesky().expect("a well-posed fit").solve(&right);
    fit[2].hypot(fit[3])
}

/// A burst of 5 V, then 20 mV: the return of the gain over 200 ms within 0.2 dB, and the shift of
/// plates and cathodes under drive within 1 % of their voltage.
#[test]
#[ignore = "needs ngspice; ./scripts/test runs it"]
fn blocking_and_bias_shift_are_those_of_ngspice() {
    let name = "two-stage-middle-25k-220hz-1v";
    let nodes = ["out", "p1", "k1", "p2", "k2"];
    let source = "Bin in 0 V = (time < 0.1 ? 5 : 0.02)*sin(6.283185307179586*220*time)";
    let theirs = transient(name, source, &nodes, 0.3);
    let signal: Vec<f64> = (0..14_400)
        .map(|n| {
            let peak = if n < 4800 { 5.0 } else { 0.02 };
            peak * (TAU * 220.0 * n as f64 / RATE_HZ).sin()
        })
        .collect();
    let ours = driven(name, &nodes, &signal);
    // Two periods at a time; the first stretch after the burst holds the filters' ringing at the edge.
    let length = 436;
    let mut worst = 0.0f64;
    for start in (4900..14_400 - length).step_by(length) {
        let a = amplitude(&ours[0][start..start + length], start, 220.0);
        let b = amplitude(&theirs[0][start..start + length], start, 220.0);
        let db = 20.0 * (a / b).log10();
        assert!(db.abs() < 0.2, "gain at {:.1} ms: {db:+.3} dB", start as f64 / 48.0);
        worst = worst.max(db.abs());
    }
    println!("return of the gain after a burst: {worst:.4} dB at worst");
    for (k, node) in nodes.iter().enumerate().skip(1) {
        // Eleven periods at the end of the burst.
        let mean = |y: &[f64]| y[2400..4800].iter().sum::<f64>() / 2400.0;
        let (a, b) = (mean(&ours[k]), mean(&theirs[k]));
        println!("{node} under drive: {a:.4} V, ngspice {b:.4} V");
        assert!((a / b - 1.0).abs() < 0.01, "{node}: {a} V instead of {b} V");
    }
}

/// 100 ms of a plucked chord of the sample audio, loud, through two stages: what is left after
/// subtraction is below -60 dB, up to 10 kHz.
#[test]
#[ignore = "needs ngspice; ./scripts/test runs it"]
fn a_guitar_gets_the_answer_of_ngspice() {
    let clip = read_wav(std::path::Path::new("sample-audio/open-chords.wav"), ChannelChoice::Mix)
        .expect("the clip");
    assert_eq!(clip.sample_rate_hz, 48_000);
    let peak = clip.peak();
    let loudest = clip.samples.iter().position(|s| s.abs() == peak).expect("a peak");
    let from = loudest.saturating_sub(1200);
    let (count, fade) = (4800, 240);
    let signal: Vec<f64> = clip.samples[from..from + count]
        .iter()
        .enumerate()
        .map(|(n, s)| {
            let edge = (n.min(count - 1 - n) as f64 / f64::from(fade)).min(1.0);
            s / peak * (0.5 - 0.5 * (std::f64::consts::PI * edge).cos())
        })
        .collect();
    // Between the samples by a windowed sinc, so that both see the same band-limited signal.
    let between = |t: f64| -> f64 {
        let middle = t.floor() as i64;
        (middle - 31..=middle + 32)
            .filter_map(|k| Some((k, signal.get(usize::try_from(k).ok()?)?)))
            .map(|(k, s)| {
                let x = t - k as f64;
                let angle = std::f64::consts::PI * x;
                let sinc = if x.abs() < 1e-9 { 1.0 } else { angle.sin() / angle };
                s * sinc * (angle / 66.0).cos().powi(2)
            })
            .sum()
    };
    let mut source = "Vin in 0 pwl(".to_owned();
    for n in 0..count * 4 {
        let t = n as f64 / 4.0;
        if n % 8 == 0 {
            source.push_str("\n+ ");
        }
        let _ = write!(source, "{:.12e} {:.9e} ", t / RATE_HZ, between(t));
    }
    source.push_str("\n+ )");
    let name = "two-stage-middle-25k-220hz-1v";
    let theirs = transient(name, &source, &["out"], 0.0999);
    let ours = driven(name, &["out"], &signal);
    let length = theirs[0].len().min(ours[0].len());
    let energy_to_10_khz = |y: &[f64]| -> f64 {
        let mut y = y.to_vec();
        let transform = realfft::RealFftPlanner::<f64>::new().plan_fft_forward(y.len());
        let mut spectrum = transform.make_output_vec();
        transform.process(&mut y, &mut spectrum).expect("a transform");
        let top = (10_000.0 / RATE_HZ * y.len() as f64) as usize;
        spectrum[..top].iter().map(|x| x.norm_sqr()).sum()
    };
    let rest: Vec<f64> =
        theirs[0][..length].iter().zip(&ours[0][..length]).map(|(a, b)| a - b).collect();
    let db = 10.0 * (energy_to_10_khz(&rest) / energy_to_10_khz(&theirs[0][..length])).log10();
    println!("100 ms of a chord at 1 V: residual {db:.1} dB");
    assert!(db < -60.0, "residual {db} dB");
}

/// At 20 mV most presets compress by themselves, with the volume where it comes: a whole amp with the
/// loudspeaker that loads it gives the fundamental of ngspice within 0.05 dB at the speaker's
/// terminals, however far both are from the response to small signals.
#[test]
#[ignore = "needs ngspice; ./scripts/test runs it"]
fn whole_amps_at_20_mv_are_those_of_ngspice() {
    let valves = cards::of_library(&Library::embedded().expect("valves"));
    let peak_volts = 0.02;
    for name in amp_names() {
        let built = AmpFile::preset(name).and_then(|a| a.state().circuit()).expect(name);
        let tap = built.node("tap8").expect("the tap");
        let circuit = without_sound(&built.circuit);
        let plan = DrivenPlan::new(&built.circuit, INPUT_PART, &[tap], RATE_HZ, Quality::Standard);
        let plan = Arc::new(plan.expect("a plan"));
        let linear = LinearCircuit::of(&built.circuit).expect("an operating point");
        for (frequency_hz, steps, start_s, end_s) in
            [(30.0, 1, 0.1, 0.2), (1000.0, 1, 0.02, 0.07), (4000.0, 2, 0.01, 0.03)]
        {
            // Not all has settled by then; both begin at rest.
            let deck = cards::with_sine(&circuit, &valves, INPUT_PART, peak_volts, frequency_hz);
            // No filter is before its samples: at 48 kHz the eleventh harmonic would fold onto 4 kHz.
            let rate_hz = 4.0 * RATE_HZ;
            let theirs = transient::run(&deck, &[&cards::node(tap)], end_s, rate_hz, steps)
                .unwrap_or_else(|said| panic!("{name} at {frequency_hz} Hz: {said}"));
            let signal: Vec<f64> = (0..(end_s * RATE_HZ) as usize)
                .map(|n| peak_volts * (TAU * frequency_hz * n as f64 / RATE_HZ).sin())
                .collect();
            let ours = run_plan(&plan, &signal);
            let exact = linear.gains(INPUT_PART, &[tap], &[frequency_hz]).expect("gains");
            let [a, b] = [(&ours, RATE_HZ), (&theirs, rate_hz)].map(|(all, rate_hz)| {
                let start = (start_s * rate_hz) as usize;
                let end = (end_s * rate_hz) as usize;
                let count = (20_000.0 / frequency_hz).min(10.0) as usize;
                sines::harmonics(&all[0][start..end], start, rate_hz, frequency_hz, count)[1].0
            });
            let small = peak_volts * exact[0][0].norm();
            let [off, beside, db] = [a / small, b / small, a / b].map(|r| 20.0 * r.log10());
            println!(
                "{name}, {frequency_hz} Hz: {off:+.4} dB from small signals, in ngspice \
                 {beside:+.4} dB; apart {db:+.5} dB"
            );
            assert!(db.abs() < 0.05, "{name} at {frequency_hz} Hz: {db:+.4} dB");
        }
    }
}

/// A circuit without the filter sections that make a sound of a cone's motion: they load nothing, and
/// the derivatives in them are more than ngspice can follow in time.
fn without_sound(circuit: &Circuit) -> Circuit {
    let mut electric = Circuit::new();
    for node in circuit.node_names() {
        electric.node(node);
    }
    for part in circuit.parts().filter(|p| !matches!(p.kind, Kind::Section { .. })) {
        electric.add(&part.name, part.kind.clone()).expect("a part that was there");
    }
    electric
}
