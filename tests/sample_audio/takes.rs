//! The three clips of the repository.

use std::fs;
use std::path::PathBuf;

use presolder::analysis::Spectrum;
use presolder::audio::{ChannelChoice, Clip, OutputFormat, read_wav, write_wav};

use super::guitar;

fn folder() -> PathBuf {
    PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/sample-audio"))
}

fn clip(name: &str) -> Clip {
    read_wav(&folder().join(name), ChannelChoice::Mix).expect("the clip is there")
}

fn spectrum(samples: &[f64]) -> Spectrum {
    Spectrum::measure(samples, 48_000.0, 1.0).expect("measured")
}

fn part(clip: &Clip, from_s: f64, to_s: f64) -> &[f64] {
    &clip.samples[(from_s * 48_000.0) as usize..(to_s * 48_000.0) as usize]
}

#[test]
fn are_what_the_program_makes() {
    let scratch = tempfile::tempdir().expect("a temporary folder");
    let takes = guitar::takes();
    assert_eq!(takes.len(), 3);
    for take in takes {
        let made = scratch.path().join(take.file_name);
        write_wav(&made, &take.render(), OutputFormat::Pcm24, false).expect("written");
        let same = fs::read(made).expect("read")
            == fs::read(folder().join(take.file_name)).expect("the clip is there");
        assert!(
            same,
            "{} ({}) differs; make the clips anew with `cargo run --release --example make-sample-audio`",
            take.file_name, take.about
        );
    }
}

#[test]
fn format_length_and_level() {
    for take in guitar::takes() {
        let reader = hound::WavReader::open(folder().join(take.file_name)).expect("opened");
        let spec = reader.spec();
        assert_eq!((spec.channels, spec.sample_rate, spec.bits_per_sample), (1, 48_000, 24));
        let seconds = f64::from(reader.duration()) / 48_000.0;
        assert!((8.0..=15.0).contains(&seconds), "{}: {seconds} s", take.file_name);
        // From a firm stroke to a hard strum of a passive pickup (common practice, no source).
        let peak_volts = clip(take.file_name).peak() * guitar::FULL_SCALE_VOLTS;
        assert!((0.4..1.2).contains(&peak_volts), "{}: {peak_volts} V", take.file_name);
    }
}

/// Below 30 Hz there is what hands and feet do: clearly there, clearly below the music.
#[test]
fn rumble() {
    for take in guitar::takes() {
        let clip = clip(take.file_name);
        let spectrum = spectrum(&clip.samples);
        let rumble = spectrum.band_level_db(1.0, 30.0);
        let music = spectrum.band_level_db(70.0, 5_000.0);
        let name = take.file_name;
        assert!((-56.0..-44.0).contains(&rumble), "{name}: {rumble:.1} dB below 30 Hz");
        assert!((18.0..35.0).contains(&(music - rumble)), "{name}: music {music:.1} dB");
        // The two are apart: little lies between 32 and 70 Hz.
        let between = spectrum.band_level_db(32.0, 70.0);
        assert!(between < rumble - 4.0, "{name}: {between:.1} dB between");
        // Movement goes on between the notes, too.
        let before_s = part(&clip, 0.02, 0.3);
        assert!(before_s.iter().any(|s| s.abs() > 1e-3), "{name} begins with digital silence");
    }
}

/// The pitch of a note stands out: it is far above what lies a quarter tone beside it.
fn rings(spectrum: &Spectrum, number: i16) -> f64 {
    let hz = 440.0 * ((f64::from(number) - 69.0) / 12.0).exp2();
    let band = |ratio: f64| spectrum.band_level_db(hz * ratio - 1.5, hz * ratio + 1.5);
    band(1.0) - band(0.965).max(band(1.036))
}

/// The slow strum at the end lets all six strings of an E minor chord ring: E2 B2 E3 G3 B3 E4.
#[test]
fn chord() {
    let clip = clip("open-chords.wav");
    let ringing = spectrum(part(&clip, 9.8, 12.6));
    for number in [40, 47, 52, 55, 59, 64] {
        let above = rings(&ringing, number);
        assert!(above > 15.0, "note {number} stands out by {above:.1} dB only");
    }
    // F, A flat and C sharp are not in it.
    for number in [53, 56, 61] {
        let above = rings(&ringing, number);
        assert!(above < 10.0, "note {number} stands out by {above:.1} dB");
    }
    // It dies away.
    let level = |from_s| spectrum(part(&clip, from_s, from_s + 0.5)).band_level_db(70.0, 5_000.0);
    assert!(level(9.8) - level(12.2) > 6.0);
}

/// The slow strum is slow: its strings come in one after the other within about a second.
#[test]
fn slow_strum() {
    let clip = clip("open-chords.wav");
    let level = |number: i16, from_s: f64| {
        let hz = 440.0 * ((f64::from(number) - 69.0) / 12.0).exp2();
        spectrum(part(&clip, from_s, from_s + 0.12)).band_level_db(hz - 8.0, hz + 8.0)
    };
    // The highest string sounds at the end of the strum and not at its beginning.
    assert!(level(64, 9.6) - level(64, 8.42) > 15.0);
    assert!(level(40, 8.42) > level(64, 8.42));
}

/// Palm-muted strokes are short: between two of them the level falls by a lot, though they are the
/// low E.
#[test]
fn palm_muted() {
    let clip = clip("palm-muted.wav");
    let eighth_s = 60.0 / 112.0 / 2.0;
    for step in 1..5 {
        let at_s = 0.3 + f64::from(step) * eighth_s;
        let rms = |from_s: f64, to_s: f64| {
            let part = part(&clip, from_s, to_s);
            (part.iter().map(|s| s * s).sum::<f64>() / part.len() as f64).sqrt()
        };
        let start = rms(at_s + 0.01, at_s + 0.06);
        let end = rms(at_s + 0.19, at_s + 0.24);
        assert!(start > 3.0 * end, "stroke {step}: {start:.4} and {end:.4}");
    }
    let strokes = spectrum(part(&clip, 0.3 + 2.0 * eighth_s, 0.3 + 5.0 * eighth_s));
    let low_e = strokes.band_level_db(76.0, 89.0);
    assert!(low_e > strokes.band_level_db(95.0, 155.0) + 6.0, "low E at {low_e:.1} dB");
}

/// What the pickup lets through: full to the upper mids, next to nothing above 8 kHz; and many
/// partials, not a few sines.
#[test]
fn tone() {
    for take in guitar::takes() {
        let clip = clip(take.file_name);
        let spectrum = spectrum(&clip.samples);
        let whole = spectrum.band_level_db(0.0, 24_000.0);
        let name = take.file_name;
        let upper = spectrum.band_level_db(2_000.0, 6_000.0) - whole;
        assert!((-36.0..-15.0).contains(&upper), "{name}: {upper:.1} dB from 2 to 6 kHz");
        let top = spectrum.band_level_db(8_000.0, 24_000.0) - whole;
        assert!(top < -50.0, "{name}: {top:.1} dB above 8 kHz");
        let density = spectrum.density_db();
        let loudest = density.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let lines = density
            .windows(3)
            .filter(|w| w[1] > w[0] && w[1] > w[2] && w[1] > loudest - 50.0)
            .count();
        assert!(lines > 100, "{name}: only {lines} spectral lines");
    }
}
