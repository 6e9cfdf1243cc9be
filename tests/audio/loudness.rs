//! The meter against EBU Tech 3341 (2023), table 1, and ITU-R BS.1770; then clips made equally loud.

use ebur128::{Channel, EbuR128, Mode};
use presolder::audio::{
    Clip, LoudnessKind, LoudnessMeter, Noise, TRUE_PEAK_CEILING_DBTP, match_loudness,
    measure_loudness,
};

use super::sine;

fn gain(level_db: f64) -> f64 {
    10f64.powf(level_db / 20.0)
}

/// Seconds and peak level in dBFS, one part after the other.
type Parts<'a> = &'a [(f64, f64)];

/// A 1 kHz sine of the given seconds and peak levels, one after the other, on both channels.
fn stereo_lufs(parts: Parts, rate_hz: u32) -> f64 {
    let total: f64 = parts.iter().map(|p| p.0).sum();
    let mut tone = sine(1_000.0, 1.0, 0.0, total, rate_hz);
    let mut at = 0;
    for &(seconds, level_db) in parts {
        let end = (at + (seconds * f64::from(rate_hz)).round() as usize).min(tone.len());
        tone[at..end].iter_mut().for_each(|s| *s *= gain(level_db));
        at = end;
    }
    let measured = measure_loudness(&[&tone, &tone], rate_hz).expect("measured");
    assert_eq!(measured.kind, LoudnessKind::Integrated);
    measured.lufs
}

/// EBU Tech 3341 (2023) table 1, cases 1 to 5, each ±0.1 LU.
#[test]
fn tech_3341_integrated() {
    let cases: [(&str, Parts, f64); 5] = [
        ("1", &[(20.0, -23.0)], -23.0),
        ("2", &[(20.0, -33.0)], -33.0),
        ("3", &[(10.0, -36.0), (60.0, -23.0), (10.0, -36.0)], -23.0),
        ("4", &[(10.0, -72.0), (10.0, -36.0), (60.0, -23.0), (10.0, -36.0), (10.0, -72.0)], -23.0),
        ("5", &[(20.0, -26.0), (20.1, -20.0), (20.0, -26.0)], -23.0),
    ];
    for (name, parts, expected) in cases {
        let got = stereo_lufs(parts, 48_000);
        assert!((got - expected).abs() <= 0.1, "case {name}: {got:.3} LUFS, not {expected}");
    }
    // The filters are prescribed at 48 kHz; at other rates they must say the same.
    for rate_hz in [44_100, 96_000, 192_000] {
        let got = stereo_lufs(&[(20.0, -23.0)], rate_hz);
        assert!((got + 23.0).abs() <= 0.1, "{rate_hz} Hz: {got:.3} LUFS");
    }
}

/// EBU Tech 3341 (2023) table 1, cases 15 to 19: +0.2 / -0.4 dB.
#[test]
fn tech_3341_true_peak() {
    let cases = [
        ("15", 4.0, 0.5, 0.0, -6.0),
        ("16", 4.0, 0.5, 45.0, -6.0),
        ("17", 6.0, 0.5, 60.0, -6.0),
        ("18", 8.0, 0.5, 67.5, -6.0),
        ("19", 4.0, 1.41, 45.0, 3.0),
    ];
    for (name, divisor, peak, phase_deg, expected) in cases {
        let mut tone = sine(48_000.0 / divisor, peak, phase_deg, 1.0, 48_000);
        // The test signals begin and end softly; a sudden end would ring in the interpolator.
        for n in 0..480 {
            let fade = n as f64 / 480.0;
            let last = tone.len() - 1 - n;
            tone[n] *= fade;
            tone[last] *= fade;
        }
        let got = measure_loudness(&[&tone, &tone], 48_000).expect("measured").true_peak_dbtp;
        let off = got - expected;
        assert!((-0.4..=0.2).contains(&off), "case {name}: {got:.3} dBTP, not {expected}");
    }
}

/// ITU-R BS.1770: a full-scale 997 Hz sine in one front channel reads -3.01 LKFS.
#[test]
fn bs_1770_anchor() {
    let tone = sine(997.0, 1.0, 0.0, 5.0, 48_000);
    let measured = measure_loudness(&[&tone], 48_000).expect("measured");
    assert!((measured.lufs + 3.01).abs() < 0.01, "{:.4} LUFS", measured.lufs);
    assert!(measured.true_peak_dbtp.abs() < 0.05, "{:.4} dBTP", measured.true_peak_dbtp);
}

/// Too short for a gating block: the level of the clip itself, as of the same tone when longer.
#[test]
fn short_clips() {
    for seconds in [0.2, 0.39] {
        let tone = sine(1_000.0, 0.1, 0.0, seconds, 48_000);
        let measured = measure_loudness(&[&tone], 48_000).expect("measured");
        assert_eq!(measured.kind, LoudnessKind::Short);
        let long =
            measure_loudness(&[&sine(1_000.0, 0.1, 0.0, 5.0, 48_000)], 48_000).expect("measured");
        assert!((measured.lufs - long.lufs).abs() < 0.1, "{} LUFS", measured.lufs);
    }
    let one = measure_loudness(&[&[0.5]], 48_000).expect("measured");
    assert_eq!(one.kind, LoudnessKind::Short);
    assert!(one.lufs.is_finite());
}

#[test]
fn quiet_and_silent_clips() {
    let loud = sine(1_000.0, 0.1, 0.0, 2.0, 48_000);
    let quiet: Vec<f64> = loud.iter().map(|s| s * 1e-4).collect();
    let reference = measure_loudness(&[&loud], 48_000).expect("measured").lufs;
    let measured = measure_loudness(&[&quiet], 48_000).expect("measured");
    assert_eq!(measured.kind, LoudnessKind::BelowGate);
    assert!((measured.lufs - (reference - 80.0)).abs() < 0.01, "{} LUFS", measured.lufs);

    for silent in [vec![0.0; 48_000], Vec::new()] {
        let measured = measure_loudness(&[&silent], 48_000).expect("measured");
        assert_eq!(measured.kind, LoudnessKind::Silent);
        assert_eq!(measured.lufs, f64::NEG_INFINITY);
    }
    assert!(measure_loudness(&[&[f64::NAN; 48_000]], 48_000).is_err());
    assert!(measure_loudness(&[], 48_000).is_err());
    assert!(measure_loudness(&[&[0.0], &[0.0, 0.0]], 48_000).is_err());
}

/// Plucks that die away into silence, so that gating and crest factor differ from clip to clip.
fn plucks(seed: u64, decay_s: f64, level: f64, rate_hz: u32) -> Clip {
    let mut noise = Noise::new(seed);
    let frames = 6 * rate_hz as usize;
    let mut samples = vec![0.0; frames];
    let mut smoothed = 0.0;
    for (n, sample) in samples.iter_mut().enumerate() {
        let since = (n as f64 / f64::from(rate_hz)) % 2.0;
        smoothed += 0.2 * (noise.triangular() - smoothed);
        *sample = level * smoothed * (-since / decay_s).exp();
    }
    Clip { samples, sample_rate_hz: rate_hz }
}

fn check_matched(clips: &[&Clip], wanted_lufs: Option<f64>) {
    let set = match_loudness(clips, wanted_lufs).expect("matched");
    assert_eq!(set.clips.len(), clips.len());
    let mut highest = f64::NEG_INFINITY;
    for (clip, matched) in clips.iter().zip(&set.clips) {
        assert!((20.0 * matched.gain.log10() - matched.gain_db).abs() < 1e-9);
        // Measured anew, as anyone would measure the finished file.
        let scaled = clip.scaled(matched.gain);
        let again = measure_loudness(&[&scaled.samples], clip.sample_rate_hz).expect("measured");
        assert!((again.lufs - set.lufs).abs() < 0.1, "{} LUFS, not {}", again.lufs, set.lufs);
        assert!((again.lufs - matched.after.lufs).abs() < 1e-6);
        assert!(again.true_peak_dbtp <= TRUE_PEAK_CEILING_DBTP + 1e-6);
        highest = highest.max(again.true_peak_dbtp);
    }
    match wanted_lufs {
        // As loud as the limit allows: one clip touches it.
        None => assert!(highest > TRUE_PEAK_CEILING_DBTP - 0.01, "highest {highest} dBTP"),
        Some(wanted) => assert!(set.lufs <= wanted),
    }
}

#[test]
fn equally_loud() {
    let a = plucks(1, 0.3, 0.5, 48_000);
    let b = plucks(2, 0.05, 3.0, 48_000);
    let c = plucks(3, 1.5, 1e-3, 48_000);
    check_matched(&[&a, &b, &c], None);
    check_matched(&[&a, &b, &c], Some(-30.0));
    check_matched(&[&a, &b, &c], Some(0.0));
    // Decades apart, and down to where the gate would swallow one.
    let d = plucks(4, 0.3, 1e-5, 44_100);
    check_matched(&[&a, &d], None);
    check_matched(&[&d], None);
}

#[test]
fn silent_clips_do_not_count() {
    let a = plucks(1, 0.3, 0.5, 48_000);
    let silent = Clip { samples: vec![0.0; 48_000], sample_rate_hz: 48_000 };
    let set = match_loudness(&[&a, &silent], None).expect("matched");
    assert_eq!(set.clips[1].gain, 1.0);
    assert_eq!(set.clips[1].after.kind, LoudnessKind::Silent);
    assert!(set.lufs.is_finite());
    let alone = match_loudness(&[&silent], None).expect("matched");
    assert_eq!(alone.lufs, f64::NEG_INFINITY);
    assert!(match_loudness(&[], None).expect("nothing to do").clips.is_empty());
}

/// The gating done here, at any gain, against the integrated loudness of the crate `ebur128` for the
/// scaled samples, given in pieces of odd sizes.
#[test]
fn gating_at_any_gain() {
    let clip = plucks(7, 0.2, 0.5, 44_100);
    let mut meter = LoudnessMeter::new(1, clip.sample_rate_hz).expect("a meter");
    for piece in clip.samples.chunks(1_237) {
        meter.add(&[piece]).expect("measured");
    }
    let measured = meter.finish().expect("measured");
    assert_eq!(measured.frames(), clip.samples.len() as u64);
    assert_eq!(measured.peak(), clip.peak());
    for gain_db in [0.0, 6.0, -10.0, -25.0, -35.0, -42.0] {
        let scaled = clip.scaled(gain(gain_db));
        let mut other =
            EbuR128::new(1, clip.sample_rate_hz, Mode::I | Mode::TRUE_PEAK).expect("ok");
        other.set_channel_map(&[Channel::Center]).expect("ok");
        other.add_frames_f64(&scaled.samples).expect("ok");
        let expected = other.loudness_global().expect("ok");
        let got = measured.at_gain(gain(gain_db)).expect("measured");
        assert_eq!(got.kind, LoudnessKind::Integrated);
        assert!((got.lufs - expected).abs() < 1e-6, "{gain_db} dB: {} and {expected}", got.lufs);
        let true_peak_dbtp = 20.0 * other.true_peak(0).expect("ok").log10();
        assert!((got.true_peak_dbtp - true_peak_dbtp).abs() < 1e-3, "{}", got.true_peak_dbtp);
    }
}
