//! The settled answer to a sine against `tests/reference/harmonics`, computed with ngspice 39.

mod common;

use std::sync::Arc;

use common::sines::harmonics;
use common::{deck, reference, table};
use presolder::driven::{DrivenPlan, Quality};

const RATE_HZ: f64 = 48_000.0;

/// `NAME-FREQUENCYhz-PEAKv` as its three parts.
fn split(stem: &str) -> (f64, f64) {
    let mut parts = stem.rsplit('-');
    let peak = parts.next().and_then(|p| p.trim_end_matches('v').parse().ok()).expect("peak");
    let hz = parts.next().and_then(|p| p.trim_end_matches("hz").parse().ok()).expect("frequency");
    (hz, peak)
}

/// Within 0.1 dB where a harmonic is above -60 dB of the fundamental, 1 dB down to -80 dB.
#[test]
fn harmonics_are_those_of_every_reference_table() {
    let mut failures = Vec::new();
    let tables = table::files(&reference("harmonics"), "csv");
    assert_eq!(tables.len(), 27, "tables in the folder");
    let (mut worst_loud, mut worst_soft) = (0.0f64, 0.0f64);
    for path in tables {
        let stem = path.file_stem().and_then(|s| s.to_str()).expect("a name").to_owned();
        let (frequency_hz, peak) = split(&stem);
        let expected = table::read(&path, "harmonic,peak_v,phase_deg_re_cos");
        let deck = deck::read(&path.with_extension("cir"));
        let output = deck.circuit.find_node("out").expect("the node `out`");
        let plan = DrivenPlan::new(&deck.circuit, "Vin", &[output], RATE_HZ, Quality::Standard)
            .expect("a plan");
        let plan = Arc::new(plan);
        let delay = plan.delay_samples();
        let input: Vec<f64> = (0..24_000 + delay)
            .map(|n| peak * (std::f64::consts::TAU * frequency_hz * n as f64 / RATE_HZ).sin())
            .collect();
        let mut out = vec![0.0; input.len()];
        let mut processor = plan.processor();
        let begun = std::time::Instant::now();
        processor.process_into(&input, &mut out);
        let seconds = begun.elapsed().as_secs_f64();
        let troubles = processor.troubles();
        assert_eq!(troubles, Default::default(), "{stem}");
        let window = &out[19_200 + delay..24_000 + delay];
        let got = harmonics(window, 19_200, RATE_HZ, frequency_hz, 20);
        let fundamental = expected[1][1];
        let mut line = format!(
            "{stem}: {:?}, {:.2} Newton steps, {:.1} times real time:",
            plan.block_sizes(),
            processor.mean_newton_steps(),
            0.5 / seconds
        );
        for k in 1..=10 {
            let relative = 20.0 * (expected[k][1] / fundamental).log10();
            if relative < -80.0 {
                continue;
            }
            let error = 20.0 * (got[k].0 / expected[k][1]).log10();
            line += &format!(" {k}: {error:+.3} dB");
            let loud = relative > -60.0;
            let worst = if loud { &mut worst_loud } else { &mut worst_soft };
            *worst = worst.max(error.abs());
            let limit = if loud { 0.1 } else { 1.0 };
            if error.is_nan() || error.abs() > limit {
                failures.push(format!("{stem}, harmonic {k} at {relative:.1} dB: {error:+.3} dB"));
            }
        }
        println!("{line}");
    }
    println!("worst above -60 dB: {worst_loud:.4} dB; down to -80 dB: {worst_soft:.4} dB");
    assert!(failures.is_empty(), "{failures:#?}");
}
