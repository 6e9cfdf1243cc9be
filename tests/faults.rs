//! What a render leaves behind when something goes wrong in the middle of it: all files or none,
//! never a half one under a final name.
#![cfg(unix)]

mod common;

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::time::{Duration, Instant};

use common::rng::Rng;
use presolder::audio::{AudioError, ChannelChoice, Clip, OutputFormat, Recording, write_wav};

const RATE_HZ: u32 = 48_000;
const AMP: &str = include_str!("common/pair.toml");
const JOB: &str = r#"
title = "Trim"
amp = "pair.toml"
[[clips]]
name = "noise"
file = "noise.wav"
peak = "1V"
[[versions]]
name = "before"
[[versions]]
name = "after"
[versions.change]
C1 = "22n"
"#;

fn program() -> Command {
    Command::new(env!("CARGO_BIN_EXE_presolder"))
}

/// A folder with a job of two versions and a clip of so many seconds.
fn job(seconds: f64) -> tempfile::TempDir {
    let folder = tempfile::tempdir().expect("a folder");
    fs::write(folder.path().join("pair.toml"), AMP).expect("written");
    fs::write(folder.path().join("job.toml"), JOB).expect("written");
    let mut rng = Rng::new(7);
    let samples = (0..(seconds * f64::from(RATE_HZ)) as usize).map(|_| rng.between(-0.5, 0.5));
    let clip = Clip { samples: samples.collect(), sample_rate_hz: RATE_HZ };
    let file = folder.path().join("noise.wav");
    write_wav(&file, &clip, OutputFormat::Float32, false).expect("written");
    folder
}

fn render(folder: &Path, out: &str) -> Command {
    let mut command = program();
    command
        .args(["render", "job.toml", "--linear", "--out", out])
        .current_dir(folder)
        .stdout(Stdio::null())
        .stderr(Stdio::piped());
    command
}

/// Every file below a folder with its bytes, those under way apart.
fn files(folder: &Path) -> (BTreeMap<PathBuf, Vec<u8>>, usize) {
    let (mut final_ones, mut under_way) = (BTreeMap::new(), 0);
    let mut folders = vec![folder.to_owned()];
    while let Some(at) = folders.pop() {
        for entry in fs::read_dir(&at).into_iter().flatten().flatten() {
            let path = entry.path();
            if path.is_dir() {
                folders.push(path);
            } else if path.to_string_lossy().ends_with(".part") {
                under_way += 1;
            } else {
                let bytes = fs::read(&path).expect("a file");
                final_ones.insert(path.strip_prefix(folder).expect("below").to_owned(), bytes);
            }
        }
    }
    (final_ones, under_way)
}

fn said(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

/// What an undisturbed render writes.
fn undisturbed(folder: &Path) -> (BTreeMap<PathBuf, Vec<u8>>, Duration) {
    let start = Instant::now();
    let output = render(folder, "good").output().expect("it runs");
    assert!(output.status.success() || output.status.code() == Some(1), "{}", said(&output));
    let took = start.elapsed();
    let (good, under_way) = files(&folder.join("good"));
    assert!(good.len() >= 9 && under_way == 0, "{:?}", good.keys());
    (good, took)
}

/// Killed outright at 20 random moments: what has its name is whole.
#[test]
fn killed_at_any_moment_leaves_no_half_file() {
    let mut rng = Rng::new(Rng::announced_seed());
    let folder = job(2.0);
    let (good, took) = undisturbed(folder.path());
    let mut early = 0;
    for round in 0..20 {
        let out = format!("out-{round}");
        let mut child = render(folder.path(), &out).spawn().expect("it runs");
        std::thread::sleep(took.mul_f64(rng.between(0.0, 1.1)));
        child.kill().expect("killed");
        child.wait().expect("ended");
        let (left, _) = files(&folder.path().join(&out));
        early += usize::from(left.len() < good.len());
        for (name, bytes) in left {
            assert!(good.get(&name) == Some(&bytes), "{} is not whole", name.display());
        }
    }
    assert!(early > 0, "never killed before the end");
}

/// An interrupt leaves neither files nor folders, and says so.
#[test]
fn ctrl_c_leaves_nothing() {
    let mut rng = Rng::new(Rng::announced_seed());
    let folder = job(20.0);
    let mut interrupted = 0;
    for round in 0..6 {
        let out = format!("out-{round}");
        let child = render(folder.path(), &out).spawn().expect("it runs");
        std::thread::sleep(Duration::from_millis(50 + rng.below(600) as u64));
        let signal = ["-INT", &child.id().to_string()].map(str::to_owned);
        let sent = Command::new("kill").args(signal).status().expect("kill runs");
        let output = child.wait_with_output().expect("ended");
        if sent.success() && output.status.code() == Some(130) {
            interrupted += 1;
            assert!(said(&output).contains("interrupted"), "{}", said(&output));
            assert!(!folder.path().join(&out).exists(), "something is left of {out}");
        }
    }
    assert!(interrupted > 0, "every render was over before the interrupt");
}

/// A limit on the size of files stands for a disk that is full: the same errors come from the system,
/// only under another number.
#[test]
fn a_full_disk_is_told_and_leaves_nothing() {
    let folder = job(2.0);
    let program = env!("CARGO_BIN_EXE_presolder");
    // Blocks of 512 or 1024 bytes: less than one rendered clip, more than the smaller files.
    let script =
        format!("trap '' XFSZ; ulimit -f 200; exec '{program}' render job.toml --linear --out out");
    let output = Command::new("sh")
        .args(["-c", &script])
        .current_dir(folder.path())
        .output()
        .expect("a shell");
    assert_eq!(output.status.code(), Some(2), "{}", said(&output));
    assert!(said(&output).contains("cannot be written"), "{}", said(&output));
    assert!(!folder.path().join("out").exists(), "something is left");
}

/// A folder that cannot be: below a file, and where the system lets nobody write.
#[test]
fn an_impossible_folder_is_told_at_once() {
    let folder = job(0.5);
    for out in ["noise.wav/out", "/proc/presolder/out"] {
        let output = render(folder.path(), out).output().expect("it runs");
        assert_eq!(output.status.code(), Some(2), "{out}: {}", said(&output));
        assert!(said(&output).contains(out), "{}", said(&output));
    }
}

/// Two renders into one folder at the same time: one wins whole, the other says why it lost.
#[test]
fn two_renders_into_one_folder_do_not_mix() {
    let folder = job(1.0);
    let (good, _) = undisturbed(folder.path());
    for round in 0..3 {
        let out = format!("both-{round}");
        let start = || render(folder.path(), &out).spawn().expect("it runs");
        let ended = [start(), start()].map(|c| c.wait_with_output().expect("ended"));
        let lost: Vec<&Output> = ended.iter().filter(|o| o.status.code() == Some(2)).collect();
        assert_eq!(lost.len(), 1, "{} / {}", said(&ended[0]), said(&ended[1]));
        assert!(said(lost[0]).contains("already"), "{}", said(lost[0]));
        let (left, under_way) = files(&folder.path().join(&out));
        assert_eq!(under_way, 0);
        assert!(left == good, "round {round}: a mixture");
    }
}

/// A recording that changes between two readings is refused, not rendered half old and half new.
#[test]
fn a_clip_that_changes_is_told() {
    let folder = job(1.0);
    let file = folder.path().join("noise.wav");
    let recording = Recording::open(&file, ChannelChoice::Mix).expect("sound");
    let mut blocks = recording.blocks().expect("unchanged");
    assert!(blocks.next_block().expect("a block").is_some());
    let clip = Clip { samples: vec![0.1; 5 * RATE_HZ as usize], sample_rate_hz: RATE_HZ };
    // Written in place, as an editor would: the file that is open sees it.
    let other = folder.path().join("other.wav");
    write_wav(&other, &clip, OutputFormat::Float32, false).expect("written");
    fs::write(&file, fs::read(&other).expect("read")).expect("written");
    let mut end = Ok(());
    loop {
        match blocks.next_block() {
            Ok(Some(_)) => {}
            Ok(None) => break,
            Err(error) => {
                end = Err(error);
                break;
            }
        }
    }
    assert!(matches!(end, Err(AudioError::Changed { .. })), "{end:?}");
    assert!(matches!(recording.blocks(), Err(AudioError::Changed { .. })));
}
