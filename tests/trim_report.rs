//! The trim of a clip that ends in the middle of a note, as takes do, against the spectrum of the clip
//! weighed with the closed form of the filter.

use std::sync::atomic::{AtomicU64, Ordering};

use presolder::amp::Job;
use presolder::audio::{ChannelChoice, Clip, OutputFormat, Recording, write_wav};
use presolder::render::ClipSource;
use presolder::report::{make_report, work};
use realfft::RealFftPlanner;

const RATE_HZ: u32 = 48_000;
/// One RC pair as an amp, and a job that makes its capacitor smaller.
const AMP: &str = include_str!("common/pair.toml");
const JOB: &str = r#"
title = "Trim"
amp = "pair.toml"
[[versions]]
name = "before"
[[versions]]
name = "after"
[versions.change]
C1 = "22n"
"#;

/// Share of the power that passes the pair at a frequency.
fn passes(hz: f64, farads: f64) -> f64 {
    let ratio = std::f64::consts::TAU * hz * 1e5 * farads;
    ratio * ratio / (1.0 + ratio * ratio)
}

#[test]
fn trim_of_a_clip_cut_off_in_a_note_is_that_of_its_spectrum() {
    let folder = tempfile::tempdir().expect("a folder");
    std::fs::write(folder.path().join("pair.toml"), AMP).expect("written");
    let job = Job::parse(JOB, "job.toml", folder.path()).expect("a job");

    // A loud A with a slow drift below it, cut off at full strength.
    let samples: Vec<f64> = (0..RATE_HZ)
        .map(|n| {
            let t = f64::from(n) / f64::from(RATE_HZ);
            0.7 * (std::f64::consts::TAU * 110.3 * t).sin() + 0.02 * (40.0 * t).cos()
        })
        .collect();

    let mut padded = samples.clone();
    padded.resize(1 << 20, 0.0);
    let fft = RealFftPlanner::<f64>::new().plan_fft_forward(padded.len());
    let mut bins = fft.make_output_vec();
    fft.process(&mut padded, &mut bins).expect("lengths of the plan");
    let width_hz = f64::from(RATE_HZ) / (1 << 20) as f64;
    let below = |farads: f64, limit_hz: f64| -> f64 {
        let in_band = bins.iter().enumerate().filter(|(k, _)| *k as f64 * width_hz < limit_hz);
        in_band.map(|(k, v)| v.norm_sqr() * passes(k as f64 * width_hz, farads)).sum()
    };
    let expected_db =
        |limit_hz: f64| 10.0 * (below(22e-9, limit_hz) / below(220e-9, limit_hz)).log10();

    let clip = folder.path().join("cut-off.wav");
    let samples = Clip { samples, sample_rate_hz: RATE_HZ };
    write_wav(&clip, &samples, OutputFormat::Float32, false).expect("written");
    let recording = Recording::open(&clip, ChannelChoice::Mix).expect("opened");
    let clips = vec![ClipSource { name: "cut off".to_owned(), recording, peak_volts: 2.0 }];
    let passed = AtomicU64::new(0);
    let count = |frames| {
        passed.fetch_add(frames, Ordering::Relaxed);
    };
    let report = make_report(&job, &clips, f64::from(RATE_HZ), &count).expect("a report");
    assert_eq!(passed.into_inner(), work(&job, &clips), "the progress bar ends where it should");
    let trim = &report.trim.clips[0];
    let expected = expected_db(30.0);
    assert!(expected < -10.0, "{expected} dB: nothing to see");
    assert!(
        (trim.below_change_db - expected).abs() < 0.2,
        "{} dB below 30 Hz, by the closed form {expected} dB",
        trim.below_change_db
    );
    let whole = expected_db(24_000.0);
    assert!((trim.whole_change_db - whole).abs() < 0.01, "{} and {whole} dB", trim.whole_change_db);
    // The corners of the one section: 1 / (2 pi R C).
    for (version, farads) in report.versions.iter().zip([220e-9, 22e-9]) {
        let hz = 1.0 / (std::f64::consts::TAU * 1e5 * farads);
        let corner = version.corners.iter().find(|c| c.part == "C1").expect("a corner");
        assert!((corner.theory_hz / hz - 1.0).abs() < 1e-4, "{} and {hz} Hz", corner.theory_hz);
        let measured_hz = corner.measured_hz.expect("measured");
        assert!((measured_hz / hz - 1.0).abs() < 0.005, "{measured_hz} and {hz} Hz");
    }
}

/// A change that lets more through below is no failed trim unless the job asks for one; what the owner opens says
/// so, too.
#[test]
fn a_job_that_asks_for_no_trim_fails_none() {
    let folder = tempfile::tempdir().expect("a folder");
    let write = |name: &str, text: &str| {
        std::fs::write(folder.path().join(name), text).expect("written");
    };
    write("pair.toml", AMP);
    let note = (0..RATE_HZ).map(|n| {
        let t = f64::from(n) / f64::from(RATE_HZ);
        0.2 * (std::f64::consts::TAU * 110.0 * t).sin()
            + 0.5 * (std::f64::consts::TAU * 8.0 * t).sin()
    });
    let clip = Clip { samples: note.collect(), sample_rate_hz: RATE_HZ };
    write_wav(&folder.path().join("note.wav"), &clip, OutputFormat::Float32, false)
        .expect("written");
    // 7.2 Hz becomes 0.7 Hz: 10 lg((1 + (7.2/8)^2) / (1 + (0.72/8)^2)) = 2.6 dB more of the 8 Hz.
    let job = JOB.replace("C1 = \"22n\"", "C1 = \"2u2\"")
        + "[[clips]]\nfile = \"note.wav\"\npeak = \"1 V\"\n";
    let run = |args: &[&str]| {
        let mut program = std::process::Command::new(env!("CARGO_BIN_EXE_presolder"));
        let run = program.args(args).current_dir(&folder).output().expect("run");
        assert!(run.status.success(), "{}", String::from_utf8_lossy(&run.stderr));
        String::from_utf8(run.stdout).expect("text")
    };
    for (ending, verdict, mark) in [
        (
            "",
            "No low-end trim, and none is asked for: energy below 30 Hz rises by 2.6 dB on the least",
            false,
        ),
        ("[trim]\n", "Not trimmed enough: energy below 30 Hz rises by 2.6 dB on the least", true),
    ] {
        write("job.toml", &format!("{job}{ending}"));
        let report = run(&["report", "job.toml", "--linear"]);
        assert!(report.contains(verdict), "{report}");
        run(&["page", "job.toml", "--linear", "--out", "page.html", "--force"]);
        let page = std::fs::read_to_string(folder.path().join("page.html")).expect("a page");
        assert!(page.contains(verdict));
        assert_eq!(page.contains("Not met."), mark, "{ending}");
    }

    // Rendered on the driven path, what has no valve does to a clip what it does as a filter.
    run(&["render", "job.toml", "--quality", "draft", "--out", "out"]);
    let written = folder.path().join("out/report.json");
    let report: serde_json::Value =
        serde_json::from_str(&std::fs::read_to_string(written).expect("a report")).expect("JSON");
    let change =
        |list: &str| report["trim"][list][0]["below_change_db"].as_f64().expect("a number");
    let (filter_db, rendered_db) = (change("clips"), change("as_rendered"));
    assert!((filter_db - rendered_db).abs() < 0.05, "{filter_db} and {rendered_db} dB");
    let verdict = report["trim"]["verdict"].as_str().expect("words");
    assert!(verdict.ends_with("the energy below 30 Hz changes by +2.6 dB."), "{verdict}");
}

/// A silent clip is not judged, and a knob that moves while a clip plays is none of the circuit's filter.
#[test]
fn silence_and_moving_knobs_do_not_judge_a_trim() {
    let folder = tempfile::tempdir().expect("a folder");
    let amp = AMP.to_owned()
        + "[parts.VR1]\nkind = \"pot\"\nvalue = \"100k\"\nhot = \"out\"\nwiper = \"tap\"\ncold = \"0\"\n\
           [parts.R2]\nkind = \"resistor\"\nvalue = \"10M\"\nbetween = [\"tap\", \"0\"]\n\
           [controls.volume]\npot = \"VR1\"\ntaper = \"linear\"\nposition = 5\n";
    let amp = amp.replace("output = \"out\"", "output = \"tap\"");
    std::fs::write(folder.path().join("pair.toml"), amp).expect("written");
    let note = (0..RATE_HZ)
        .map(|n| (std::f64::consts::TAU * 8.0 * f64::from(n) / f64::from(RATE_HZ)).sin());
    for (name, samples) in [("note", note.collect()), ("silence", vec![0.0; RATE_HZ as usize])] {
        let clip = Clip { samples, sample_rate_hz: RATE_HZ };
        let path = folder.path().join(format!("{name}.wav"));
        write_wav(&path, &clip, OutputFormat::Float32, false).expect("written");
    }
    let job = JOB.to_owned()
        + "[versions.moves]\nvolume = [[0, 5], [\"0.5 s\", 0]]\n\
           [[clips]]\nfile = \"note.wav\"\npeak = \"1 V\"\n[[clips]]\nfile = \"silence.wav\"\npeak = \"1 V\"\n\
           [trim]\nlow_e_changed_by_at_most = \"20 dB\"\n";
    std::fs::write(folder.path().join("job.toml"), job).expect("written");
    let run = std::process::Command::new(env!("CARGO_BIN_EXE_presolder"))
        .args(["report", "job.toml", "--linear"])
        .current_dir(&folder)
        .output()
        .expect("run");
    let text = String::from_utf8(run.stdout).expect("text");
    assert!(run.status.success(), "{}", String::from_utf8_lossy(&run.stderr));
    let silence = text.lines().find(|l| l.starts_with("  silence")).expect("a row");
    assert!(silence.contains("silent") && !text.contains("NaN") && !text.contains("inf"), "{text}");
    let found = text.lines().find(|l| l.starts_with("The low end is trimmed")).expect("a verdict");
    // 50k seen by the capacitor, 14.5 Hz, becomes 145 Hz: 10 lg((1 + (145/8)^2) / (1 + (14.5/8)^2)).
    assert!(found.contains("the circuit takes at least 18.8 dB"), "{found}");
}
