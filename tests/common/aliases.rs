//! What folds back from above half the internal rate: components that are no harmonic of a sine, and how far
//! a guitar's signal is from what a higher rate makes of it.

use std::f64::consts::TAU;
use std::sync::Arc;

use presolder::circuit::{Circuit, Node};
use presolder::driven::{DrivenPlan, Quality, Troubles};

/// Largest component between 20 Hz and 20 kHz that is no harmonic, in dB of the fundamental, at a
/// sample rate of 48 kHz. One second from 1 s on; a four-term Blackman-Harris window (sidelobes below
/// -92 dB) keeps what has not quite settled at its place.
pub fn worst_alias_db(
    plan: &Arc<DrivenPlan>,
    frequency_hz: usize,
    peak_volts: f64,
) -> (f64, Troubles) {
    assert_eq!(plan.sample_rate_hz(), 48_000.0, "a bin for each hertz");
    let signal: Vec<f64> = (0..96_000)
        .map(|n| peak_volts * (TAU * ((frequency_hz * n) % 48_000) as f64 / 48_000.0).sin())
        .collect();
    let mut out = vec![0.0; signal.len()];
    let mut processor = plan.processor();
    processor.process_into(&signal, &mut out);
    let mut window: Vec<f64> = out[48_000..]
        .iter()
        .enumerate()
        .map(|(n, y)| {
            let a = TAU * n as f64 / 48_000.0;
            y * (0.35875 - 0.48829 * a.cos() + 0.14128 * (2.0 * a).cos()
                - 0.01168 * (3.0 * a).cos())
        })
        .collect();
    let transform = realfft::RealFftPlanner::<f64>::new().plan_fft_forward(window.len());
    let mut spectrum = transform.make_output_vec();
    transform.process(&mut window, &mut spectrum).expect("a transform");
    let fundamental = spectrum[frequency_hz].norm();
    let near = |bin: usize| {
        let rest = bin % frequency_hz;
        rest <= 5 || frequency_hz - rest <= 5
    };
    let audible = spectrum.iter().enumerate().take(20_000).skip(20);
    let worst = audible.filter(|(bin, _)| !near(*bin)).map(|(_, x)| x.norm()).fold(0.0, f64::max);
    (20.0 * (worst / fundamental).log10(), processor.troubles())
}

/// How far a quality's output is from that of [`Quality::Fine`], in dB of the latter, over a signal in volts
/// at 48 kHz; the first tenth of a second is left out.
pub fn distance_from_fine_db(
    circuit: &Circuit,
    (input, output): (&str, Node),
    signal: &[f64],
    quality: Quality,
) -> f64 {
    let run = |quality| {
        let plan = DrivenPlan::new(circuit, input, &[output], 48_000.0, quality).expect("a plan");
        let plan = Arc::new(plan);
        let mut out = vec![0.0; signal.len()];
        plan.processor().process_into(signal, &mut out);
        out[plan.delay_samples()..].to_vec()
    };
    let (fine, coarse) = (run(Quality::Fine), run(quality));
    let pairs = || fine.iter().zip(&coarse).skip(4_800);
    let off: f64 = pairs().map(|(f, c)| (c - f) * (c - f)).sum();
    10.0 * (off / pairs().map(|(f, _)| f * f).sum::<f64>()).log10()
}
