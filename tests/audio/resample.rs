use std::borrow::Cow;
use std::f64::consts::PI;

use presolder::audio::{Clip, Resampler, resample, to_working_rate};

use super::sine;

const PAIRS_HZ: [(u32, u32); 8] = [
    (44_100, 48_000),
    (48_000, 44_100),
    (48_000, 96_000),
    (96_000, 44_100),
    (192_000, 48_000),
    (22_050, 48_000),
    (44_101, 48_000),
    (48_000, 192_000),
];

/// A sine that swells and fades, so that it has no sudden ends that would ring.
fn swell(hz: f64, rate_hz: u32) -> Vec<f64> {
    let seconds = 0.5;
    let mut samples = sine(hz, 0.5, 30.0, seconds, rate_hz);
    for (n, sample) in samples.iter_mut().enumerate() {
        *sample *= (PI * n as f64 / (seconds * f64::from(rate_hz))).sin().powi(2);
    }
    samples
}

/// A sine comes out as the same sine of the new rate, sample by sample: no delay, no change of
/// level, nothing missing at the ends.
#[test]
fn sines_stay_where_they_are() {
    for (from_hz, to_hz) in PAIRS_HZ {
        // 20 kHz where both rates hold it, else 0.45 of the lower rate.
        let highest = 20_000f64.min(0.45 * f64::from(from_hz.min(to_hz)));
        for hz in [30.0, 1_000.0, highest] {
            let clip = Clip { samples: swell(hz, from_hz), sample_rate_hz: from_hz };
            let out = resample(&clip, to_hz).expect("resampled");
            assert_eq!(out.sample_rate_hz, to_hz);
            let frames = clip.samples.len() as u64;
            let exact = (frames * u64::from(to_hz)).div_ceil(u64::from(from_hz));
            assert_eq!(out.samples.len() as u64, exact);
            let worst = out
                .samples
                .iter()
                .zip(&swell(hz, to_hz))
                .map(|(got, want)| (got - want).abs())
                .fold(0.0, f64::max);
            // -114 dB of the sine's peak: 20 ps of delay at 20 kHz. The worst is 4e-7, from 44,101 Hz.
            assert!(worst < 1e-6, "{from_hz} to {to_hz} Hz, {hz} Hz: off by {worst}");
        }
    }
}

/// The centre of gravity of a band-limited pulse stays where it was, also in clips shorter than the
/// filter, and at both ends nothing is lost.
#[test]
fn pulses_stay_where_they_are() {
    for (from_hz, to_hz) in PAIRS_HZ {
        for frames in [500usize, 20_000] {
            let (from, to) = (f64::from(from_hz), f64::from(to_hz));
            let centre = frames as f64 * 0.5;
            let width = 40.0;
            let pulse = |at: f64| (-0.5 * ((at - centre) / width).powi(2)).exp();
            let samples = (0..frames).map(|n| pulse(n as f64)).collect();
            let out =
                resample(&Clip { samples, sample_rate_hz: from_hz }, to_hz).expect("resampled");
            for (n, got) in out.samples.iter().enumerate() {
                let want = pulse(n as f64 * from / to);
                assert!((got - want).abs() < 1e-5, "{from_hz} to {to_hz} Hz, frame {n}");
            }
        }
    }
}

/// What the lower rate can't hold is gone, not folded down.
#[test]
fn nothing_is_folded_down() {
    for (from_hz, to_hz, hz) in
        [(96_000, 44_100, 30_000.0), (96_000, 48_000, 24_100.0), (192_000, 48_000, 50_000.0)]
    {
        let clip = Clip { samples: sine(hz, 1.0, 0.0, 0.5, from_hz), sample_rate_hz: from_hz };
        let out = resample(&clip, to_hz).expect("resampled");
        let edge = to_hz as usize / 20;
        let inner = &out.samples[edge..out.samples.len() - edge];
        let top = inner.iter().fold(0.0f64, |top, s| top.max(s.abs()));
        assert!(20.0 * top.log10() < -100.0, "{hz} Hz leaves {} dB", 20.0 * top.log10());
    }
}

#[test]
fn working_rates() {
    let at = |sample_rate_hz| Clip { samples: vec![0.1; 1000], sample_rate_hz };
    for rate_hz in [44_100, 48_000, 88_200, 192_000] {
        let clip = at(rate_hz);
        assert!(matches!(to_working_rate(&clip), Ok(Cow::Borrowed(_))));
    }
    for (rate_hz, expected_hz) in [(8_000, 48_000), (44_099, 48_000), (384_000, 96_000)] {
        let out = to_working_rate(&at(rate_hz)).expect("resampled").into_owned();
        assert_eq!(out.sample_rate_hz, expected_hz);
    }
    let empty = Clip { samples: Vec::new(), sample_rate_hz: 44_100 };
    assert!(resample(&empty, 48_000).expect("nothing to do").samples.is_empty());
    let single = Clip { samples: vec![0.5], sample_rate_hz: 44_100 };
    assert_eq!(resample(&single, 48_000).expect("resampled").samples.len(), 2);
    assert!(resample(&single, 0).is_err());
}

#[test]
fn pieces_give_what_the_whole_gives() {
    for (from_hz, to_hz) in PAIRS_HZ {
        let clip = Clip { samples: swell(700.0, from_hz), sample_rate_hz: from_hz };
        let whole = resample(&clip, to_hz).expect("resampled").samples;
        let mut resampler = Resampler::new(from_hz, to_hz).expect("planned");
        let mut gathered = Vec::new();
        for piece in clip.samples.chunks(331) {
            // The output is handed on and emptied each time, as when streaming.
            let mut ready = Vec::new();
            resampler.push(piece, &mut ready).expect("resampled");
            gathered.extend_from_slice(&ready);
        }
        let mut rest = Vec::new();
        resampler.finish(&mut rest).expect("resampled");
        gathered.extend_from_slice(&rest);
        assert!(gathered == whole, "{from_hz} to {to_hz} Hz");
    }
}
