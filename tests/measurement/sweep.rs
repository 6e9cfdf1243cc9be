use std::f64::consts::TAU;

use nalgebra::Complex;
use presolder::analysis::{MeasureError, Separation, SweepPlan, measure};
use presolder::audio::{Clip, Noise, resample};

use super::{Section, decibels, log_grid, response, run_all};

/// The worst deviation over the band, in dB and degrees.
fn deviation(
    plan: &SweepPlan,
    process: &mut dyn FnMut(&[f64]) -> Vec<f64>,
    exact: &dyn Fn(f64) -> Complex<f64>,
) -> (f64, f64) {
    let measured = measure(plan, process).expect("measured");
    let (low_hz, high_hz) = measured.band_hz();
    let (mut worst_db, mut worst_deg): (f64, f64) = (0.0, 0.0);
    for hz in log_grid(low_hz, high_hz * (1.0 - 1e-12), 500) {
        let ratio = measured.at(hz).expect("within the band") / exact(hz);
        worst_db = worst_db.max(decibels(ratio).abs());
        worst_deg = worst_deg.max(ratio.arg().to_degrees().abs());
    }
    (worst_db, worst_deg)
}

/// Filters with poles from 0.3 Hz to a sharp resonance, at every rate, over the whole band.
#[test]
fn linear_filters_come_out_exactly() {
    for rate_hz in [44_100.0, 48_000.0, 96_000.0, 192_000.0] {
        let sections = [
            Section::high_pass(0.3, rate_hz),
            Section::high_pass(7.2, rate_hz),
            Section::resonance(75.0, 6.0, rate_hz),
            Section::resonance(2_900.0, 20.0, rate_hz),
            Section::resonance(9_000.0, 0.9, rate_hz),
        ];
        let plan = SweepPlan::new(rate_hz, 20.0, 20_000.0).expect("a plan");
        let (worst_db, worst_deg) =
            deviation(&plan, &mut |input| run_all(&sections, input), &|hz| {
                response(&sections, hz, rate_hz)
            });
        println!("{rate_hz} Hz: {worst_db:.2e} dB, {worst_deg:.2e} degrees");
        assert!(worst_db < 1e-6, "{rate_hz} Hz: off by {worst_db} dB");
        assert!(worst_deg < 1e-5, "{rate_hz} Hz: off by {worst_deg} degrees");
    }
}

#[test]
fn low_bands_and_delays() {
    let rate_hz = 48_000.0;
    let section = Section::high_pass(2.0, rate_hz);
    let plan = SweepPlan::new(rate_hz, 0.5, 200.0).expect("a plan");
    let (worst_db, _) =
        deviation(&plan, &mut |input| section.run(input), &|hz| section.at(hz, rate_hz));
    assert!(worst_db < 1e-5, "off by {worst_db} dB");

    // A pure delay is pure phase.
    let delay = 1234;
    let plan = SweepPlan::new(rate_hz, 20.0, 20_000.0).expect("a plan");
    let (worst_db, worst_deg) = deviation(
        &plan,
        &mut |input| {
            let mut output = vec![0.0; delay];
            output.extend_from_slice(&input[..input.len() - delay]);
            output
        },
        &|hz| Complex::from_polar(1.0, -TAU * hz * delay as f64 / rate_hz),
    );
    assert!(worst_db < 1e-6 && worst_deg < 1e-5, "off by {worst_db} dB, {worst_deg} degrees");
}

/// Rounding to 32 bit float costs nothing that matters; the dither of a 16 bit file never comes to
/// rest, and that is said instead of guessed around.
#[test]
fn noise_of_rendered_files() {
    let rate_hz = 44_100.0;
    let sections = [Section::high_pass(100.0, rate_hz)];
    let plan = SweepPlan::new(rate_hz, 20.0, 20_000.0)
        .and_then(|p| p.with_peak(0.5))
        .and_then(|p| p.with_duration_s(4.0))
        .expect("a plan");
    let mut noise = Noise::new(5);
    let result = measure(&plan, &mut |input| {
        let step = 1.0 / 32_768.0;
        let exact = run_all(&sections, input);
        exact.iter().map(|s| (s / step + noise.triangular()).round() * step).collect()
    });
    assert!(matches!(result, Err(MeasureError::NotSettled { .. })), "{result:?}");

    let (worst_db, _) = deviation(
        &plan,
        &mut |input| run_all(&sections, input).iter().map(|s| f64::from(*s as f32)).collect(),
        &|hz| response(&sections, hz, rate_hz),
    );
    assert!(worst_db < 1e-5, "32 bit float: off by {worst_db} dB");
}

/// Distortion of second order (10 % at full level, oversampled so that nothing folds down) in front
/// of a filter: the sweep's harmonics are cut off, and the filter's response is what is left.
/// Without the cut the answer is far off.
#[test]
fn harmonics_are_cut_off() {
    let rate_hz = 48_000.0;
    let sections = [Section::high_pass(30.0, rate_hz), Section::resonance(1_000.0, 3.0, rate_hz)];
    let square = |input: &[f64]| {
        let clip = Clip { samples: input.to_vec(), sample_rate_hz: 48_000 };
        let mut fine = resample(&clip, 96_000).expect("resampled");
        fine.samples.iter_mut().for_each(|s| *s *= *s);
        resample(&fine, 48_000).expect("resampled").samples
    };
    let mut process = |input: &[f64]| {
        let bent: Vec<f64> = input.iter().zip(square(input)).map(|(x, s)| x + 0.2 * s).collect();
        run_all(&sections, &bent)
    };
    let exact = |hz| response(&sections, hz, rate_hz);
    let plan = SweepPlan::new(rate_hz, 20.0, 20_000.0)
        .and_then(|p| p.with_duration_s(6.0))
        .expect("a plan");
    let (mixed_db, _) = deviation(&plan, &mut process, &exact);
    let plan = plan.with_separation(Separation::Harmonics);
    let (worst_db, _) = deviation(&plan, &mut process, &exact);
    println!("with harmonics {mixed_db:.2e} dB, without {worst_db:.2e} dB");
    assert!(mixed_db > 0.05, "the distortion does not show: {mixed_db} dB");
    assert!(worst_db < 0.01, "off by {worst_db} dB");
}

/// Figures of published tables: T = 10 s from 20 Hz to 20 kHz has L = 1.447648 s, harmonics lead by
/// 1.003433, 1.590404, 2.006867 s (Farina 2000; computed).
#[test]
fn farina_figures() {
    // The sweep starts an octave below the band and ends at half the sample rate.
    let plan = SweepPlan::new(40_000.0, 40.0, 18_000.0)
        .and_then(|p| p.with_duration_s(10.0))
        .expect("a plan");
    assert!((plan.growth_s() - 1.447_648).abs() < 1e-6, "L = {}", plan.growth_s());
    for (order, lead_s) in [(2, 1.003_433), (3, 1.590_404), (4, 2.006_867)] {
        assert!((plan.harmonic_lead_s(order) - lead_s).abs() < 1e-6);
    }
    // The frequency at time t is f1 e^(t/L): counted in zero crossings around 5 s, where it is
    // 20 e^(5/1.447648) = 632.46 Hz.
    let sweep = plan.stimulus();
    let around = &sweep[(4.9 * 40_000.0) as usize..(5.1 * 40_000.0) as usize];
    let crossings = around.windows(2).filter(|w| (w[0] < 0.0) != (w[1] < 0.0)).count();
    let mean_hz = crossings as f64 / 2.0 / 0.2;
    let expected_hz = 632.46;
    assert!((mean_hz - expected_hz).abs() < 5.0, "{mean_hz} Hz");
    // The envelope of the inverse falls by 6 log2(f2/f1) = 60 dB in 10 s, 50.4 dB in 8.4 s.
    let inverse = plan.analytic_inverse();
    let top = |from_s: f64| {
        let from = (from_s * 40_000.0) as usize;
        inverse[from..from + 2_000].iter().fold(0.0f64, |top, s| top.max(s.abs()))
    };
    let fall_db = 20.0 * (top(0.3) / top(8.7)).log10();
    assert!((fall_db - 50.4).abs() < 0.3, "falls by {fall_db} dB");
}

#[test]
fn what_cannot_be_measured() {
    let plan = SweepPlan::new(44_100.0, 20.0, 20_000.0).expect("a plan");
    assert!(matches!(
        measure(&plan, &mut |input| input[1..].to_vec()),
        Err(MeasureError::Length { .. })
    ));
    assert!(matches!(
        measure(&plan, &mut |input| vec![f64::NAN; input.len()]),
        Err(MeasureError::NotFinite { frame: 0, .. })
    ));
    // An oscillator never comes to rest.
    let ringing = |input: &[f64]| (0..input.len()).map(|n| (n as f64).sin()).collect();
    assert!(matches!(measure(&plan, &mut { ringing }), Err(MeasureError::NotSettled { .. })));
    let measured = measure(&plan, &mut |input| input.to_vec()).expect("measured");
    assert!(matches!(measured.at(21_000.0), Err(MeasureError::OutsideBand { .. })));
    assert!(measured.at(f64::NAN).is_err());
    // Silence is a gain of 0, not an error.
    let silent = measure(&plan, &mut |input| vec![0.0; input.len()]).expect("measured");
    assert_eq!(silent.at(1_000.0).expect("within the band").norm(), 0.0);

    for (low_hz, high_hz) in [(0.0, 100.0), (100.0, 50.0), (20.0, 22_000.0), (f64::NAN, 1.0)] {
        assert!(SweepPlan::new(44_100.0, low_hz, high_hz).is_err());
    }
    assert!(plan.clone().with_peak(0.0).is_err());
    assert!(plan.with_duration_s(f64::INFINITY).is_err());
}
