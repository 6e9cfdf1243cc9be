//! The page of a real job: what it says is what the circuit does, by closed forms.

use std::f64::consts::TAU;

use presolder::amp::Job;
use presolder::audio::{Clip, match_loudness};
use presolder::commands::audition::{in_page_order, page_model};
use presolder::page::model::{BreakUp, BreakUpRow};
use presolder::page::write_page;
use presolder::render::{ClipSet, RenderedClip, Tape, TapeWriter};

/// One coupling capacitor into a pot: a high-pass with a corner of 1 / (2 pi C R).
const AMP: &str = r#"
title = "Bench"
input = "jack"
output = "out"

[parts]
C7 = { kind = "capacitor", value = "100n", between = ["jack", "top"], purpose = "keeps DC out" }
VR1 = { kind = "pot", value = "220k", hot = "top", wiper = "out", cold = "0" }
R8 = { kind = "resistor", value = "220M", between = ["out", "0"], purpose = "bleed" }

[controls.volume]
label = "Volume"
pot = "VR1"
taper = "linear"
position = 5
"#;

const JOB: &str = r#"
title = "Work </script>"
owner = "The Quillback rooms"
notes = "Too much below."
safety = "Mind the rug."
reply_to = "bench@larkspur.example"
amp = "bench.toml"

[compare]
before = "as received"
after = "proposed"

[[versions]]
name = "proposed"
note = "less below"
change = { C7 = "22n" }

[[versions]]
name = "as received"

[[versions]]
name = "both"
change = { C7 = "10n", R8 = "22M" }
positions = { volume = "9:00" }

[[versions]]
name = "turned up"
positions = { volume = 10 }
"#;

fn job() -> Job {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("bench.toml"), AMP).unwrap();
    Job::parse(JOB, "work.toml", folder.path()).unwrap_or_else(|error| panic!("{error}"))
}

fn tone(amplitude: f64, rate_hz: u32) -> Clip {
    let frames = rate_hz as usize;
    let samples =
        (0..frames).map(|n| amplitude * (TAU * 997.0 * n as f64 / f64::from(rate_hz)).sin());
    Clip { samples: samples.collect(), sample_rate_hz: rate_hz }
}

fn tape(clip: &Clip) -> Tape {
    let mut tape = TapeWriter::new(clip.sample_rate_hz, &std::env::temp_dir());
    tape.write(&clip.samples).unwrap();
    tape.finish().unwrap()
}

/// Level of the high-pass in dB.
fn high_pass_db(hz: f64, farads: f64, ohms: f64) -> f64 {
    let corner_hz = 1.0 / (TAU * farads * ohms);
    -10.0 * (1.0 + (corner_hz / hz).powi(2)).log10()
}

#[test]
fn the_page_says_what_the_circuit_does() {
    let model = page_model(&job(), &[]).unwrap();
    let names: Vec<&str> = model.versions.iter().map(|version| version.name.as_str()).collect();
    assert_eq!(
        names,
        ["as received", "proposed", "both", "turned up"],
        "the one before comes first"
    );

    let response = model.response.as_ref().unwrap();
    let proposed = &response.differences[0];
    assert_eq!(proposed.version, 1);
    for (&hz, &db) in response.frequencies_hz.iter().zip(&proposed.level_db) {
        let exact = high_pass_db(hz, 22e-9, 220e3) - high_pass_db(hz, 100e-9, 220e3);
        // The bleed beside half the pot moves the corner by less than 0.1 %.
        assert!((db - exact).abs() < 0.01, "{hz} Hz: {db} dB, closed form {exact} dB");
    }
    let at_82 = response.frequencies_hz.iter().position(|&hz| hz >= 82.4069).unwrap();
    let (hz, db) = (response.frequencies_hz[at_82], proposed.level_db[at_82]);
    assert!((db - (high_pass_db(hz, 22e-9, 220e3) - high_pass_db(hz, 100e-9, 220e3))).abs() < 0.01);

    let change = &model.versions[1].changes;
    assert_eq!(change.len(), 1);
    assert_eq!(change[0].what, "C7, 100\u{a0}nF to 22\u{a0}nF");
    assert!(change[0].effect.contains("bass"), "{}", change[0].effect);
    let both: Vec<&str> = model.versions[2].changes.iter().map(|c| c.what.as_str()).collect();
    assert_eq!(
        both,
        [
            "C7, 100\u{a0}nF to 10\u{a0}nF",
            "R8, 220\u{a0}Mohm to 22\u{a0}Mohm",
            "All together, the knobs as shown"
        ]
    );
    assert_eq!(model.versions[2].controls[0].position, 2.0);
    let turned = &model.versions[3].changes;
    assert_eq!(turned.len(), 1);
    // From half of the track to all of it: 6.02 dB.
    assert_eq!(turned[0].effect, "louder as a whole (+6.0\u{a0}dB)");
    assert!(model.versions[0].changes.is_empty());
    assert_eq!(model.safety_words, "Mind the rug.");
    assert_eq!(model.technician.email.as_deref(), Some("bench@larkspur.example"));
    assert_eq!(model.job_digest, job().digest().unwrap());
}

#[test]
fn the_break_up_table_follows_the_pages_order() {
    let row = |version, volts| BreakUpRow {
        version,
        input_peak_volts: vec![Some(volts)],
        first_stage: String::new(),
    };
    // In the job's order: proposed, as received, both, turned up.
    let table = BreakUp {
        distortion_percent: vec![1.0],
        tone_hz: 220.0,
        rows: vec![row(0, 0.1), row(1, 0.2), row(2, 0.3), row(3, 0.4)],
        summary: String::new(),
    };
    let table = in_page_order(&job(), table);
    let rows: Vec<(usize, f64)> =
        table.rows.iter().map(|row| (row.version, row.input_peak_volts[0].unwrap())).collect();
    // The page's order: as received, proposed, both, turned up.
    assert_eq!(rows, [(0, 0.2), (1, 0.1), (2, 0.3), (3, 0.4)]);
}

/// The same pot with another taper, asked about by the job's `[dials]`.
const DIALS: &str = r#"
title = "Another pot"
amp = "bench.toml"

[[versions]]
name = "as received"

[[versions]]
name = "audio pot"
controls = { volume = { label = "Volume", pot = "VR1", taper = "audio 15 %" } }

[dials]
version = "as received"
control = "volume"
to_version = "audio pot"
level_offset = false
"#;

#[test]
fn a_job_with_dials_shows_the_two_scales() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("bench.toml"), AMP).unwrap();
    let job = Job::parse(DIALS, "work.toml", folder.path()).unwrap();
    let model = page_model(&job, &[]).unwrap();
    let [dial] = model.dials.as_slice() else { panic!("{:?}", model.dials) };
    assert_eq!(dial.here, "Volume of \u{201c}as received\u{201d}");
    assert_eq!(dial.there, "Volume of \u{201c}audio pot\u{201d}");
    assert_eq!(dial.rows.len(), 21);
    // The closed law of the taper, R(x)/R = (b^x - 1)/(b - 1), turned round.
    let b = (1.0 / 0.15 - 1.0_f64).powi(2);
    for row in dial.rows.iter().skip(1) {
        let expected = 10.0 * (1.0 + row.here / 10.0 * (b - 1.0)).ln() / b.ln();
        let there = row.there.unwrap();
        assert!((there - expected).abs() < 0.01, "{}: {there}, not {expected}", row.here);
        assert!(row.residual_db < 0.01 && row.level_offset_db.abs() < 0.01);
    }
    let html = write_page(&model).unwrap().html;
    assert!(html.contains("Dial against dial") && html.contains("12:00 (5)"));
    // Without [dials] there is no scale, and what cannot be asked is told before any rendering.
    assert!(page_model(&self::job(), &[]).unwrap().dials.is_empty());
    for (from, to, told) in [
        ("control = \"volume\"", "control = \"volum\"", "did you mean volume?"),
        ("level_offset = false", "free = [\"treble\"]", "has no control treble"),
        ("level_offset = false", "free = [\"volume\", \"volume\"]", "free twice"),
        ("to_version = \"audio pot\"", "to_amp = \"nowhere.toml\"", "nowhere.toml"),
        ("to_version = \"audio pot\"", "to_amp = \"larkspur-2\"", "larkspur-22"),
    ] {
        let error = Job::parse(&DIALS.replace(from, to), "work.toml", folder.path()).unwrap_err();
        assert!(error.to_string().contains(told), "{error}");
        assert!(error.to_string().starts_with("work.toml:1"), "the line is told: {error}");
    }
}

#[test]
fn takes_follow_the_pages_order_and_are_matched_in_loudness() {
    // In the job's order: proposed, as received, both, turned up; one of the opposite polarity.
    let levels = [0.25, 0.5, -0.125, 1.0];
    let job = job();
    let clips = levels.map(|level| tone(level, 96_000));
    let matched = match_loudness(&clips.iter().collect::<Vec<_>>(), None).unwrap();
    let versions = clips.iter().zip(&matched.clips).zip(job.version_names());
    let set = ClipSet {
        name: "tone".to_owned(),
        scale: 1.0,
        matched_lufs: matched.lufs,
        versions: versions
            .map(|((clip, matched), name)| RenderedClip {
                version: name.to_owned(),
                peak: clip.samples.iter().fold(0.0, |most, s| s.abs().max(most)),
                tape: tape(clip),
                matched: *matched,
                as_loud_lufs: matched.before.lufs,
            })
            .collect(),
    };
    let model = page_model(&job, &[set]).unwrap();
    let clip = &model.clips[0];
    assert_eq!(clip.sample_rate_hz, 48_000, "more than that only makes the page larger");
    let gains: Vec<f64> = clip.takes.iter().map(|take| take.matched_gain_db).collect();
    for (gain, level) in gains.iter().zip([0.5, 0.25, 0.125, 1.0]) {
        let expected = gains[0] + 20.0 * (0.5_f64 / level).log10();
        assert!((gain - expected).abs() < 0.1, "{gains:?}");
    }
    assert_eq!(clip.differences.len(), 3);
    assert!(clip.differences.iter().all(|difference| difference.before == 0));
    // Only the level differs, so nothing is left.
    let rest = clip.differences[0].samples.iter().fold(0.0_f32, |most, s| most.max(s.abs()));
    assert!(rest < 1e-6, "{rest}");
    assert!((clip.differences[0].before_gain_db + 6.0206).abs() < 1e-3);
    let inverted: Vec<bool> = clip.differences.iter().map(|d| d.before_inverted).collect();
    assert_eq!(inverted, [false, true, false]);
    let page = write_page(&model).unwrap();
    assert_eq!(page.html.matches("turned over (opposite polarity)").count(), 1);
    assert!(page.html.contains("Work &lt;/script&gt;") && page.html.contains("6.0\u{a0}dB softer"));
}
