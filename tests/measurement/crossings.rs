use std::f64::consts::PI;

use presolder::analysis::{
    CrossingError, HALF_POWER_DB, Reference, SweepPlan, crossings, half_power_corners, measure,
    one_by_one,
};

use super::{Section, decibels};

/// RC pairs: corner at 1/(2πRC), the closed form.
#[test]
fn rc_corners() {
    let (low_hz, high_hz) = (1.0 / (2.0 * PI * 1e6 * 22e-9), 1.0 / (2.0 * PI * 38e3 * 100e-12));
    let mut level = |hz: f64| {
        let low = (hz / low_hz) / (1.0 + (hz / low_hz).powi(2)).sqrt();
        let high = 1.0 / (1.0 + (hz / high_hz).powi(2)).sqrt();
        20.0 * (low * high).log10()
    };
    let found =
        half_power_corners(&mut one_by_one(&mut level), Reference::Level { db: 0.0 }, 1.0, 1e6)
            .expect("corners");
    // The other corner, four decades away, moves each by half the square of the ratio.
    for (got, want) in [(found.low_hz, low_hz), (found.high_hz, high_hz)] {
        let got = got.expect("a corner");
        assert!((got / want - 1.0).abs() < 1e-6, "{got} Hz, not {want}");
    }
    assert_eq!(found.all_hz.len(), 2);
    let at_middle =
        half_power_corners(&mut one_by_one(&mut level), Reference::At { hz: 500.0 }, 1.0, 1e6)
            .expect("corners");
    assert_eq!(at_middle.reference_hz, Some(500.0));
    assert!((at_middle.low_hz.expect("a corner") / low_hz - 1.0).abs() < 1e-3);
}

/// A resonance of quality Q has a half-power bandwidth of f0/Q, exactly, with the corners' geometric
/// mean at f0.
#[test]
fn resonance() {
    let (centre_hz, quality) = (640.0, 12.5);
    let mut level = |hz: f64| {
        let detuning = quality * (hz / centre_hz - centre_hz / hz);
        -10.0 * (1.0 + detuning * detuning).log10()
    };
    let found = half_power_corners(&mut one_by_one(&mut level), Reference::Highest, 20.0, 20_000.0)
        .expect("corners");
    let (low, high) = (found.low_hz.expect("low"), found.high_hz.expect("high"));
    assert!((found.reference_hz.expect("a peak") / centre_hz - 1.0).abs() < 1e-6);
    assert!(found.reference_db.abs() < 1e-9);
    assert!(((high - low) / (centre_hz / quality) - 1.0).abs() < 1e-7);
    assert!(((low * high).sqrt() / centre_hz - 1.0).abs() < 1e-7);
}

#[test]
fn curves_without_or_with_many_corners() {
    let mut flat = |_| 3.0;
    let found = half_power_corners(&mut one_by_one(&mut flat), Reference::Highest, 20.0, 20_000.0)
        .expect("flat");
    assert_eq!((found.low_hz, found.high_hz, found.all_hz.len()), (None, None, 0));
    // A notch, reaching minus infinity at its centre.
    let mut notch = |hz: f64| {
        let off = 2.0 * (hz / 500.0 - 500.0 / hz);
        20.0 * (off.abs() / (1.0 + off * off).sqrt()).log10()
    };
    let found = half_power_corners(
        &mut one_by_one(&mut notch),
        Reference::Level { db: 0.0 },
        20.0,
        20_000.0,
    )
    .expect("a notch");
    assert_eq!(found.all_hz.len(), 2);
    // Half power where |off| = 1: bandwidth f0/2.
    assert!((found.all_hz[1] - found.all_hz[0] - 250.0).abs() < 1e-6, "{:?}", found.all_hz);
    // Waves around a level.
    let mut waves = |hz: f64| (2.0 * PI * (hz / 100.0).log2()).sin();
    let found = crossings(&mut one_by_one(&mut waves), 0.0, 90.0, 450.0).expect("waves");
    let expected = [100.0, 141.421_356, 200.0, 282.842_712, 400.0];
    assert_eq!(found.len(), expected.len());
    for (got, want) in found.iter().zip(expected) {
        assert!((got / want - 1.0).abs() < 1e-8, "{got} Hz, not {want}");
    }
}

#[test]
fn bad_questions() {
    let mut fine = |_| 0.0;
    for (low_hz, high_hz) in [(0.0, 10.0), (10.0, 10.0), (20.0, f64::INFINITY), (f64::NAN, 1.0)] {
        let found = crossings(&mut one_by_one(&mut fine), 0.0, low_hz, high_hz);
        assert!(matches!(found, Err(CrossingError::Range { .. })));
    }
    // A value that is not a number is never taken for a corner.
    let mut broken = |hz: f64| if hz > 1_000.0 { f64::NAN } else { 0.0 };
    let found = crossings(&mut one_by_one(&mut broken), -1.0, 20.0, 20_000.0);
    assert!(matches!(found, Err(CrossingError::NotANumber { .. })));
    let found =
        half_power_corners(&mut one_by_one(&mut fine), Reference::At { hz: 5.0 }, 20.0, 20_000.0);
    assert!(matches!(found, Err(CrossingError::Reference { .. })));
}

/// The corner found by sweep in a running filter is the filter's own, far within 0.5 %.
#[test]
fn corner_of_a_measured_filter() {
    let rate_hz = 48_000.0;
    let section = Section::high_pass(72.3, rate_hz);
    let plan = SweepPlan::new(rate_hz, 5.0, 20_000.0).expect("a plan");
    let measured = measure(&plan, &mut |input| section.run(input)).expect("measured");
    let corner = |level: &mut dyn FnMut(&[f64]) -> Vec<f64>| {
        let reference = Reference::At { hz: 2_000.0 };
        let found = half_power_corners(level, reference, 5.0, 20_000.0).expect("corners");
        found.low_hz.expect("a corner")
    };
    let exact = corner(&mut one_by_one(|hz| decibels(section.at(hz, rate_hz))));
    let found = corner(&mut one_by_one(|hz| measured.at(hz).map_or(f64::NAN, decibels)));
    assert!((found / exact - 1.0).abs() < 1e-6, "{found} Hz, not {exact}");
    assert!((HALF_POWER_DB + 3.0103).abs() < 1e-6);
}
