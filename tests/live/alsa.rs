//! Against a real sound stack: ALSA with its own `file` and `null` plug-ins, named in a configuration
//! of the test's own, so that what the program plays ends up in a file.

use std::fmt::Write;
use std::fs;
use std::path::Path;
use std::process::{Command, Output};

use presolder::amp::Job;
use presolder::audio::{ChannelChoice, read_wav};
use presolder::driven::Quality;
use presolder::live::{CEILING, FADE_IN_S, Looped, VoicePlan, match_versions};
use presolder::render::{ClipSource, RenderPath, VersionPlan};

use crate::common::{RATE, RATE_HZ};

const JOB: &str = "presets/jobs/demo.toml";

fn configuration(folder: &Path) {
    let file = folder.join("played.raw");
    let mut text = String::new();
    for name in ["default", "into_a_file"] {
        write!(
            text,
            "pcm.{name} {{\n type file\n slave.pcm {{ type null }}\n file \"{}\"\n format \"raw\"\n \
             hint {{ show on\n description \"Into a file\" }}\n}}\n",
            file.display()
        )
        .expect("a string");
    }
    fs::write(folder.join("asound.conf"), text).expect("the configuration");
}

fn presolder(folder: &Path, arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_presolder"))
        .args(arguments)
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .env("ALSA_CONFIG_PATH", folder.join("asound.conf"))
        .stdin(std::process::Stdio::null())
        .output()
        .expect("it runs")
}

/// The demo for ten seconds: what came out of ALSA is, from the end of the fade-in on, the offline render
/// to the last digit of single precision, and so is the recording.
#[test]
#[ignore = "needs ALSA; ./scripts/test runs it"]
fn ten_seconds_of_the_demo_are_what_is_rendered() {
    // The driven path, slow without optimisation, for a part of that.
    for (linear, seconds) in [(true, 10), (false, 3)] {
        let folder = tempfile::tempdir().expect("a folder");
        configuration(folder.path());
        let take = folder.path().join("take.wav");
        let take = take.to_str().expect("a name");
        let seconds_text = seconds.to_string();
        let mut arguments = vec![
            "live",
            JOB,
            "--clip",
            "chords",
            "--plain",
            "--seconds",
            &seconds_text,
            "--rate",
            "48000",
            "--buffer",
            "256",
            "--version",
            "low-end trim",
            "--record",
            take,
        ];
        if linear {
            arguments.push("--linear");
        }
        let output = presolder(folder.path(), &arguments);
        let words = String::from_utf8_lossy(&output.stdout);
        let wrong = String::from_utf8_lossy(&output.stderr);
        assert!(output.status.success(), "{words}\n{wrong}");
        assert!(words.contains("Never plug the speaker output"), "{words}");
        let path = if linear {
            RenderPath::Linear
        } else {
            // Nobody asked for a quality: the program says which one it takes, and plays by it.
            let chosen =
                words.lines().find_map(|l| l.split_once(" takes up to ")).expect("a choice");
            RenderPath::DrivenEvenly(Quality::from_name(chosen.0).expect("a quality"))
        };

        let bytes = fs::read(folder.path().join("played.raw")).expect("what was played");
        let played: Vec<[f32; 2]> = bytes
            .chunks_exact(8)
            .map(|b| [[b[0], b[1], b[2], b[3]], [b[4], b[5], b[6], b[7]]].map(f32::from_le_bytes))
            .collect();
        assert!(played.len() >= seconds * RATE_HZ as usize, "{} frames", played.len());

        let root = Path::new(env!("CARGO_MANIFEST_DIR"));
        let job = Job::read(&root.join(JOB)).expect("the demo");
        let spec = job.clips.iter().find(|c| c.name == "chords").expect("the chords");
        let clip =
            ClipSource::open(spec).expect("the chords").recording.read_all().expect("the chords");
        assert_eq!(clip.sample_rate_hz, RATE_HZ);
        let looped = Looped::new(&clip.samples, spec.peak.0, RATE);
        let states: Vec<_> = job.versions().cloned().collect();
        let gains = match_versions(&states, path, looped.volts(), RATE_HZ).expect("gains");
        let on = states.iter().position(|s| s.version() == "low-end trim").expect("the trim");
        // Playing may have gone on for a moment longer.
        let frames = played.len().min((seconds + 1) * RATE_HZ as usize);
        let volts: Vec<f64> = looped.volts().iter().cycle().take(frames).copied().collect();
        let rendered = VersionPlan::new(&states[on], path, RATE).expect("a plan").render(&volts);
        let delay = VoicePlan::new(&states[on], path, RATE).expect("a plan").delay_frames();
        let from = (FADE_IN_S * RATE) as usize + 1;
        let mut peak = 0.0f32;
        for n in from..frames {
            let want = (gains[on].matched * rendered[n - delay]) as f32;
            peak = peak.max(want.abs());
            assert!(f64::from(want.abs()) < CEILING, "the limiter is not at work here");
            assert_eq!(played[n], [want, want], "{path:?}, frame {n} of {frames}");
        }
        assert!(peak > 0.1, "{peak}");
        assert_eq!(played[0], [0.0, 0.0], "faded in");

        let wet = read_wav(&folder.path().join("take-wet.wav"), ChannelChoice::Mix).expect("whole");
        assert!(wet.samples.len() >= seconds * RATE_HZ as usize);
        let same = wet.samples.iter().zip(&played).all(|(w, p)| *w == f64::from(p[0]));
        assert!(same, "the recording is what was played");
        let dry = read_wav(&folder.path().join("take-dry.wav"), ChannelChoice::Mix).expect("whole");
        let volts = dry.samples.iter().zip(&volts);
        assert!(volts.clone().all(|(d, v)| *d == f64::from((v / spec.peak.0) as f32)));
        println!("{path:?}: {} frames played, peak {peak:.3}", played.len());
    }
}

#[test]
#[ignore = "needs ALSA; ./scripts/test runs it"]
fn devices_are_listed_and_errors_say_what_there_is() {
    let folder = tempfile::tempdir().expect("a folder");
    configuration(folder.path());
    let output = presolder(folder.path(), &["live", "--devices"]);
    let words = String::from_utf8_lossy(&output.stdout);
    assert!(output.status.success() && words.contains("into_a_file"), "{words}");
    let output = presolder(folder.path(), &["live", "--devices", "--json"]);
    let json: serde_json::Value = serde_json::from_slice(&output.stdout).expect("JSON");
    assert_eq!(json["schema"], "presolder-live-devices/1");
    let devices = json["devices"].as_array().expect("a list");
    let named = |id: &str| devices.iter().find(|d| d["id"] == id).expect("the device");
    assert_eq!(named("default")["output"]["is_default"], true);
    let rates = named("into_a_file")["output"]["rates_hz"].as_array().expect("rates");
    assert!(rates.iter().any(|r| r == 48_000), "{rates:?}");

    for (arguments, words) in [
        (
            vec!["--output", "nowhere to be found"],
            "there is no output device \"nowhere to be found\"; there are",
        ),
        (vec!["--version", "no such"], "there is no version \"no such\"; there are as received"),
        (vec!["--output-channel", "60000"], "has no channel 60000"),
        (vec!["--record", "/no/such/folder/take.wav"], "its folder /no/such/folder does not exist"),
        (vec!["--rate", "1000"], "1000 is not in 44100..=192000"),
    ] {
        let mut all =
            vec!["live", JOB, "--clip", "chords", "--linear", "--plain", "--seconds", "1"];
        all.extend(arguments);
        let output = presolder(folder.path(), &all);
        let wrong = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(2), "{all:?}: {wrong}");
        assert!(wrong.contains(words), "{all:?}: {wrong}");
    }
}

/// Ctrl-C while it records ends the sound, and the files are whole.
#[test]
#[ignore = "needs ALSA; ./scripts/test runs it"]
fn an_interrupt_leaves_whole_files() {
    let folder = tempfile::tempdir().expect("a folder");
    configuration(folder.path());
    let take = folder.path().join("take.wav");
    let child = Command::new(env!("CARGO_BIN_EXE_presolder"))
        .args(["live", JOB, "--clip", "chords", "--quality", "draft", "--plain", "--record"])
        .arg(&take)
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .env("ALSA_CONFIG_PATH", folder.path().join("asound.conf"))
        .stdin(std::process::Stdio::null())
        .stdout(std::process::Stdio::piped())
        .spawn()
        .expect("it runs");
    // It plays once something has come out.
    let played = folder.path().join("played.raw");
    let start = std::time::Instant::now();
    while fs::metadata(&played).map_or(0, |m| m.len()) < 200_000 {
        assert!(start.elapsed().as_secs() < 120, "nothing is played");
        std::thread::sleep(std::time::Duration::from_millis(20));
    }
    let sent = Command::new("kill").args(["-INT", &child.id().to_string()]).status();
    assert!(sent.expect("kill").success());
    let output = child.wait_with_output().expect("it ends");
    let words = String::from_utf8_lossy(&output.stdout);
    assert!(output.status.success() && words.contains("recorded"), "{words}");
    for name in ["take-dry.wav", "take-wet.wav"] {
        let clip = read_wav(&folder.path().join(name), ChannelChoice::Mix).expect("whole");
        assert!(clip.samples.len() > 20_000, "{name}: {}", clip.samples.len());
    }
    let left = fs::read_dir(folder.path()).expect("the folder").flatten();
    assert!(left.into_iter().all(|f| !f.file_name().to_string_lossy().ends_with(".part")));
}
