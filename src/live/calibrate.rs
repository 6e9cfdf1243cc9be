//! What volts full scale of an interface stands for, from a sine of known volts.

use super::error::LiveError;

/// Parts in which the steadiness of the sine is looked at.
const PARTS: usize = 10;
/// How far the parts may differ.
const STEADY_DB: f64 = 0.3;
/// Crest factor of a sine, and how far off it may be.
const SINE_CREST: f64 = std::f64::consts::SQRT_2;
const CREST_WITHIN: f64 = 0.06;
/// Quieter than this share of full scale the interface's noise would count.
const LEAST_RMS: f64 = 1e-3;

/// What a calibration found.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Calibration {
    /// Peak volts that full scale stands for.
    pub full_scale_volts: f64,
    /// Level of the sine in dB re full scale (peak).
    pub level_db: f64,
}

/// From a recording (full scale 1) of a sine with `known_peak_volts` at the input.
///
/// # Errors
/// [`LiveError::Calibration`] if it is no steady sine, or too quiet, or clipped.
pub fn calibrate(samples: &[f64], known_peak_volts: f64) -> Result<Calibration, LiveError> {
    let wrong = |what: String| Err(LiveError::Calibration { what });
    let rms = |x: &[f64]| (x.iter().map(|s| s * s).sum::<f64>() / x.len().max(1) as f64).sqrt();
    let all = rms(samples);
    let peak = samples.iter().fold(0.0f64, |p, s| p.max(s.abs()));
    if samples.len() < 1000 {
        return wrong("no input came; is it the right device and channel?".to_owned());
    }
    if all < LEAST_RMS {
        return wrong(format!(
            "the input is at {:.1} dB re full scale, too quiet to tell it from noise; raise the \
             known level or the gain",
            20.0 * all.max(1e-10).log10()
        ));
    }
    if peak >= 0.999 {
        return wrong("the input reaches full scale; lower the known level or the gain".to_owned());
    }
    let parts: Vec<f64> = samples.chunks(samples.len() / PARTS).take(PARTS).map(rms).collect();
    let (low, high) = parts.iter().fold((f64::MAX, 0.0f64), |(l, h), p| (l.min(*p), h.max(*p)));
    let spread_db = 20.0 * (high / low.max(1e-12)).log10();
    if spread_db > STEADY_DB {
        return wrong(format!(
            "the level changes by {spread_db:.1} dB while it is measured; a steady sine is needed"
        ));
    }
    if (peak / all / SINE_CREST - 1.0).abs() > CREST_WITHIN {
        return wrong(format!(
            "peak and RMS are {:.2} apart, a sine has 1.41: something else is at the input, or hum \
             and noise beside it",
            peak / all
        ));
    }
    // From the RMS, which noise moves least.
    let level = all * SINE_CREST;
    Ok(Calibration { full_scale_volts: known_peak_volts / level, level_db: 20.0 * level.log10() })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sine(peak: f64) -> Vec<f64> {
        (0..48_000).map(|n| peak * (0.1309 * f64::from(n)).sin()).collect()
    }

    #[test]
    fn a_sine_of_known_volts() {
        let found = calibrate(&sine(0.25), 0.5).expect("a sine");
        assert!((found.full_scale_volts - 2.0).abs() < 1e-4, "{found:?}");
        assert!((found.level_db + 12.041).abs() < 1e-2, "{found:?}");
    }

    #[test]
    fn anything_else_is_told() {
        let mut fading = sine(0.25);
        fading.iter_mut().enumerate().for_each(|(n, x)| *x *= 1.0 - n as f64 / 96_000.0);
        let square: Vec<f64> = sine(0.25).iter().map(|x| 0.3 * x.signum()).collect();
        for (samples, words) in [
            (vec![], "no input came"),
            (sine(1e-4), "too quiet"),
            (sine(1.0), "reaches full scale"),
            (fading, "a steady sine is needed"),
            (square, "a sine has 1.41"),
        ] {
            let error = calibrate(&samples, 0.5).expect_err(words).to_string();
            assert!(error.contains(words), "{error}");
        }
    }
}
