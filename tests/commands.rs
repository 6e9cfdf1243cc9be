//! The program itself, run as a user runs it.

use std::path::Path;
use std::process::{Command, Output};

fn presolder(folder: &Path, arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_presolder"))
        .current_dir(folder)
        .args(arguments)
        .output()
        .expect("the program starts")
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

/// Every file below a folder with its bytes, by relative path.
fn files(folder: &Path) -> Vec<(String, Vec<u8>)> {
    let mut found = Vec::new();
    let mut waiting = vec![folder.to_path_buf()];
    while let Some(next) = waiting.pop() {
        for entry in std::fs::read_dir(&next).expect("a folder").flatten() {
            let path = entry.path();
            if path.is_dir() {
                waiting.push(path);
            } else {
                let name = path.strip_prefix(folder).expect("below the folder");
                found.push((name.display().to_string(), std::fs::read(&path).expect("a file")));
            }
        }
    }
    found.sort();
    found
}

/// The demo end to end: aligned clips of equal loudness, a report that holds, a page; the same bytes
/// on one thread as on two.
#[test]
fn demo_renders_everything_and_the_same_on_any_number_of_threads() {
    let folder = tempfile::tempdir().expect("a folder");
    let run = |threads: &str, out: &str| {
        let output = Command::new(env!("CARGO_BIN_EXE_presolder"))
            .current_dir(folder.path())
            .env("RAYON_NUM_THREADS", threads)
            .args(["demo", "--out", out])
            .output()
            .expect("the program starts");
        assert!(output.status.success(), "{}", text(&output.stderr));
        files(&folder.path().join(out))
    };
    let (one, two) = (run("1", "one"), run("2", "two"));
    assert_eq!(
        one.iter().map(|f| &f.0).collect::<Vec<_>>(),
        two.iter().map(|f| &f.0).collect::<Vec<_>>()
    );
    for (a, b) in one.iter().zip(&two) {
        assert!(a.1 == b.1, "{} differs between one thread and two", a.0);
    }
    for name in [
        "report.txt",
        "report.json",
        "curves.csv",
        "response.svg",
        "difference.svg",
        "audition.html",
        "job.toml",
    ] {
        assert!(one.iter().any(|f| f.0 == name), "{name} is not there");
    }
    let json = &one.iter().find(|f| f.0 == "report.json").expect("the report").1;
    let report: serde_json::Value = serde_json::from_slice(json).expect("JSON");
    assert_eq!(report["schema"], "presolder-report/1");
    assert_eq!(report["failures"].as_array().map(Vec::len), Some(0));
    assert_eq!(report["trim"]["met"], true);
    for version in report["versions"].as_array().expect("versions") {
        let corners = version["corners"].as_array().expect("corners");
        assert!(corners.len() >= 8, "only {} corners", corners.len());
        for corner in corners {
            let off = corner["off_by_share"].as_f64().expect("every corner is measured");
            assert!(off.abs() < 0.005, "{corner}");
        }
    }

    // Matched clips have the loudness of each other, by a meter of its own run here.
    let mut loudness = Vec::new();
    for (name, _) in one.iter().filter(|f| f.0.starts_with("matched/chords")) {
        let path = folder.path().join("one").join(name);
        let mut reader = hound::WavReader::open(&path).expect("a WAV file");
        let rate = reader.spec().sample_rate;
        let samples: Vec<f32> = reader.samples::<f32>().map(|s| s.expect("a sample")).collect();
        let mut meter = ebur128::EbuR128::new(1, rate, ebur128::Mode::I | ebur128::Mode::TRUE_PEAK)
            .expect("a meter");
        meter.set_channel(0, ebur128::Channel::Center).expect("a channel");
        meter.add_frames_f32(&samples).expect("frames");
        loudness.push(meter.loudness_global().expect("a loudness"));
        let true_peak_db = 20.0 * meter.true_peak(0).expect("a peak").log10();
        assert!(true_peak_db <= -0.99, "{name}: true peak {true_peak_db} dB");
    }
    assert_eq!(loudness.len(), 3);
    for l in &loudness {
        assert!((l - loudness[0]).abs() < 0.1, "{loudness:?} LUFS");
    }
}

/// A corner of one RC pair that the user wrote, at 1 / (2 pi R C): exact and rendered.
#[test]
fn response_of_a_users_own_file_is_that_of_the_closed_form() {
    let folder = tempfile::tempdir().expect("a folder");
    let file = "title = \"One pair\"\ninput = \"in\"\noutput = \"out\"\n\
        [parts.C1]\nkind = \"capacitor\"\nvalue = \"22n\"\nbetween = [\"in\", \"out\"]\npurpose = \"coupling\"\n\
        [parts.R1]\nkind = \"resistor\"\nvalue = \"1M\"\nbetween = [\"out\", \"ground\"]\npurpose = \"grid leak\"\n";
    std::fs::write(folder.path().join("pair.toml"), file).expect("written");
    let corner_hz = 1.0 / (std::f64::consts::TAU * 1e6 * 22e-9);
    let frequencies = format!("{corner_hz},82.41,1000");
    for rendered in [false, true] {
        let mut arguments = vec!["response", "pair.toml", "--frequencies", &frequencies];
        if rendered {
            arguments.push("--rendered");
        }
        let output = presolder(folder.path(), &arguments);
        assert!(output.status.success(), "{}", text(&output.stderr));
        let stdout = text(&output.stdout);
        let rows: Vec<Vec<f64>> = stdout
            .lines()
            .skip(1)
            .map(|l| l.split(',').map(|v| v.parse().expect("a number")).collect())
            .collect();
        assert_eq!(stdout.lines().next(), Some("frequency_hz,magnitude_db,phase_deg"));
        for row in &rows {
            let ratio = row[0] / corner_hz;
            let db = 20.0 * (ratio / (1.0 + ratio * ratio).sqrt()).log10();
            let deg = (1.0 / ratio).atan().to_degrees();
            assert!((row[1] - db).abs() < 0.001, "{row:?}: {db} dB");
            assert!((row[2] - deg).abs() < 0.01, "{row:?}: {deg} degrees");
        }
        assert_eq!(rows.len(), 3);
    }
}

/// What a user can mend ends with status 2, one message that says what and where, and nothing written.
#[test]
fn bad_input_is_refused_with_one_message_and_nothing_written() {
    let folder = tempfile::tempdir().expect("a folder");
    let new = presolder(folder.path(), &["new", "job"]);
    assert!(new.status.success(), "{}", text(&new.stderr));
    let again = presolder(folder.path(), &["new", "job"]);
    assert_eq!(again.status.code(), Some(2), "overwrites without being told");

    let at = folder.path();
    let job = std::fs::read_to_string(at.join("job/job.toml")).expect("the job");
    let variant = |name: &str, from: &str, to: &str| {
        assert!(job.contains(from), "{from}");
        std::fs::write(at.join("job").join(name), job.replace(from, to)).expect("written");
    };
    variant("no-clip.toml", "file = \"open-chords.wav\"", "file = \"missing.wav\"");
    variant("units.toml", "peak = \"2 V\"", "peak = \"2 nF\"");
    std::fs::write(at.join("job/text.wav"), b"this is no sound").expect("written");
    variant("no-sound.toml", "file = \"open-chords.wav\"", "file = \"text.wav\"");

    let cases: [(&[&str], &str); 9] = [
        (&["render", "missing.toml", "--out", "out"], "missing.toml"),
        (&["render", "job/no-clip.toml", "--out", "out"], "missing.wav"),
        (&["render", "job/no-sound.toml", "--out", "out"], "text.wav"),
        (&["render", "job/units.toml", "--out", "out"], "peak"),
        (&["response", "larkspur-23"], "larkspur-22"),
        (&["response", "larkspur-22", "--at", "nowhere"], "nowhere"),
        (&["response", "job/job.toml", "--version", "propozed"], "proposed"),
        (&["response", "larkspur-22", "--frequencies", "-3"], "-3"),
        (&["response", "larkspur-22", "--rendered", "--frequencies", "30000"], "30000"),
    ];
    for (arguments, named) in cases {
        let output = presolder(at, arguments);
        let message = text(&output.stderr);
        assert_eq!(output.status.code(), Some(2), "{arguments:?}: {message}");
        assert!(message.contains(named), "{arguments:?}: {message}");
        assert!(!message.contains("panicked"), "{message}");
        assert!(!at.join("out").exists(), "{arguments:?} wrote something");
    }
}

/// The example at the end of each command's help works as it is typed.
#[test]
fn examples_of_the_help_work_as_typed() {
    let folder = tempfile::tempdir().expect("a folder");
    let help = text(&presolder(folder.path(), &["--help"]).stdout);
    let commands: Vec<&str> = help
        .lines()
        .skip_while(|l| !l.starts_with("Commands:"))
        .skip(1)
        .take_while(|l| l.starts_with("  "))
        .filter_map(|l| l.split_whitespace().next())
        .filter(|c| *c != "help")
        .collect();
    assert!(commands.len() >= 7, "{commands:?}");
    for command in commands {
        let help = text(&presolder(folder.path(), &[command, "--help"]).stdout);
        let examples: Vec<&str> = help
            .lines()
            .skip_while(|l| !l.starts_with("Example"))
            .filter_map(|l| l.trim().strip_prefix("presolder "))
            .collect();
        assert!(!examples.is_empty(), "{command} has no example");
        let at = tempfile::tempdir().expect("a folder");
        for example in examples {
            let arguments: Vec<&str> = example.split_whitespace().collect();
            let output = presolder(at.path(), &arguments);
            if command == "live" && !cfg!(feature = "live") {
                // Without the feature it says how to get it.
                assert_eq!(output.status.code(), Some(2));
                assert!(text(&output.stderr).contains("--features live"));
                continue;
            }
            assert!(output.status.success(), "presolder {example}: {}", text(&output.stderr));
        }
    }
}

/// A full disk behind standard output is said, by commands that print much and by those that print little.
#[cfg(target_os = "linux")]
#[test]
fn what_cannot_be_printed_is_said() {
    for args in
        [&["response", "larkspur-22"][..], &["response", "larkspur-22", "--json"], &["amps"]]
    {
        let full = std::fs::OpenOptions::new().write(true).open("/dev/full").expect("/dev/full");
        let run = std::process::Command::new(env!("CARGO_BIN_EXE_presolder"))
            .args(args)
            .stdout(full)
            .output()
            .expect("run");
        let said = String::from_utf8_lossy(&run.stderr);
        assert_eq!(run.status.code(), Some(1), "{args:?}: {said}");
        assert!(said.starts_with("presolder: cannot write to standard output: "), "{said}");
    }
}
