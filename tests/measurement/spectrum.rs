use std::f64::consts::TAU;

use presolder::analysis::{GUITAR_STRINGS, Spectrum, SpectrumError, SpectrumMeter, band_energy_db};
use presolder::audio::Noise;

fn tone(hz: f64, peak: f64, seconds: f64, rate_hz: f64) -> Vec<f64> {
    let frames = (seconds * rate_hz) as usize;
    (0..frames).map(|n| peak * (TAU * hz * n as f64 / rate_hz).sin()).collect()
}

/// Parseval: the bins hold the whole energy, wherever in the clip it is, also at its ends.
#[test]
fn no_energy_is_lost() {
    for frames in [1usize, 100, 48_000, 100_001] {
        let mut noise = Noise::new(frames as u64);
        let samples: Vec<f64> = (0..frames).map(|_| noise.triangular()).collect();
        let spectrum = Spectrum::measure(&samples, 48_000.0, 2.0).expect("measured");
        let sum: f64 = samples.iter().map(|s| s * s).sum();
        let found = spectrum.band_energy(0.0, 24_000.0);
        assert!((found / sum - 1.0).abs() < 1e-9, "{frames} samples: {found} of {sum}");
        let split = spectrum.band_energy(0.0, 1_234.5) + spectrum.band_energy(1_234.5, 24_000.0);
        assert!((split / sum - 1.0).abs() < 1e-9);
    }
}

/// A sine has a mean square of half its peak squared, found in its band and nowhere else: what the
/// low E leaks below 30 Hz must not hide what a trim does there.
#[test]
fn sines_stay_in_their_band() {
    let rate_hz = 44_100.0;
    for pitch in GUITAR_STRINGS {
        let mut samples = tone(pitch.hz(), 0.5, 10.0, rate_hz);
        // It swells and fades, since a sudden end has low frequencies of its own.
        let length = samples.len() as f64;
        for (n, sample) in samples.iter_mut().enumerate() {
            *sample *= (0.5 * TAU * n as f64 / length).sin().powi(2);
        }
        let spectrum = Spectrum::measure(&samples, rate_hz, 1.0).expect("measured");
        // The mean of sin^4 is 3/8.
        let expected_db = 10.0 * (0.125 * 0.375f64).log10();
        let at_pitch = spectrum.pitch_level_db(pitch.hz());
        assert!((at_pitch - expected_db).abs() < 0.06, "{}: {at_pitch} dB", pitch.name);
        let below = band_energy_db(&samples, rate_hz, 0.0, 30.0).expect("measured");
        assert!(below < expected_db - 90.0, "{}: {below} dB below 30 Hz", pitch.name);
    }
}

/// White noise of variance 1/6 has that density over half the rate, flat.
#[test]
fn density_of_white_noise() {
    let rate_hz = 48_000.0;
    let mut noise = Noise::new(3);
    let samples: Vec<f64> = (0..480_000).map(|_| noise.triangular()).collect();
    let spectrum = Spectrum::measure(&samples, rate_hz, 50.0).expect("measured");
    let expected_db = 10.0 * (1.0 / 6.0 / 24_000.0f64).log10();
    let density = spectrum.density_db();
    assert_eq!(density.len(), spectrum.frequencies_hz().len());
    for (hz, level) in spectrum.frequencies_hz().iter().zip(&density) {
        assert!((level - expected_db).abs() < 1.5, "{hz} Hz: {level} dB, not {expected_db}");
    }
    let mean = density.iter().sum::<f64>() / density.len() as f64;
    assert!((mean - expected_db).abs() < 0.05, "mean {mean} dB, not {expected_db}");
}

#[test]
fn changes_of_level_are_exact() {
    let before = tone(30.0, 0.1, 3.0, 48_000.0);
    let after: Vec<f64> = before.iter().map(|s| s * 0.25).collect();
    let level = |samples: &[f64]| band_energy_db(samples, 48_000.0, 0.0, 50.0).expect("measured");
    let change = level(&after) - level(&before);
    assert!((change - 20.0 * 0.25f64.log10()).abs() < 1e-9, "{change} dB");
}

#[test]
fn what_has_no_spectrum() {
    assert_eq!(Spectrum::measure(&[], 48_000.0, 1.0), Err(SpectrumError::Empty));
    assert!(matches!(Spectrum::measure(&[0.0], 0.0, 1.0), Err(SpectrumError::SampleRate(_))));
    for resolution_hz in [0.0, f64::NAN, 40_000.0] {
        assert!(Spectrum::measure(&[0.0], 48_000.0, resolution_hz).is_err());
    }
    assert!(matches!(
        Spectrum::measure(&[0.0, f64::INFINITY], 48_000.0, 1.0),
        Err(SpectrumError::NotFinite { frame: 1, .. })
    ));
    let silent = Spectrum::measure(&[0.0; 100], 48_000.0, 10.0).expect("measured");
    assert_eq!(silent.band_level_db(0.0, 100.0), f64::NEG_INFINITY);
}

#[test]
fn pieces_give_what_the_whole_gives() {
    let mut noise = Noise::new(21);
    let samples: Vec<f64> = (0..123_457).map(|_| noise.triangular()).collect();
    let whole = Spectrum::measure(&samples, 44_100.0, 3.0).expect("measured");
    let mut meter = SpectrumMeter::new(44_100.0, 3.0).expect("a meter");
    for piece in samples.chunks(1_111) {
        meter.add(piece).expect("measured");
    }
    assert_eq!(meter.finish().expect("measured"), whole);
}
