//! Command lines and recordings that cannot be, and recordings that look odd but can: the exact
//! message, exit status 2, nothing written. The table is `tests/bad-inputs/commands.toml`.
//!
//! `WRITE_TABLE=1 cargo test --test bad_commands` prints the table with what the program says now;
//! look at every message before you keep it.
#![cfg(unix)]

use std::fs;
use std::path::Path;
use std::process::Command;

use serde::Deserialize;

#[derive(Deserialize)]
struct Cases {
    case: Vec<Case>,
}

#[derive(Deserialize)]
struct Case {
    /// The command line behind the program's name.
    run: String,
    /// The recording that the job and the command line name: a good one if left out.
    wav: Option<Wav>,
    /// Exit status.
    #[serde(default = "two")]
    status: i32,
    /// The first line on standard error.
    #[serde(default)]
    message: String,
}

fn two() -> i32 {
    2
}

/// A WAV file: what its head says and what follows.
#[derive(Deserialize)]
#[serde(default, deny_unknown_fields)]
struct Wav {
    /// 1 for integers, 3 for floating point, others as they are.
    tag: u16,
    bits: u16,
    channels: u16,
    rate_hz: u32,
    frames: u32,
    /// What the head claims for the length of the data, if not what is there.
    claims_bytes: Option<u32>,
    /// What every float sample is, if not a small sawtooth: `nan`, `inf`, `huge`.
    samples: String,
    /// Bytes kept of the whole file.
    cut_to: Option<usize>,
    /// In place of RIFF.
    magic: String,
}

impl Default for Wav {
    fn default() -> Wav {
        Wav {
            tag: 3,
            bits: 32,
            channels: 1,
            rate_hz: 48_000,
            frames: 4_800,
            claims_bytes: None,
            samples: String::new(),
            cut_to: None,
            magic: "RIFF".to_owned(),
        }
    }
}

impl Wav {
    fn bytes(&self) -> Vec<u8> {
        let frame_bytes = self.channels * (self.bits / 8);
        let mut data = Vec::new();
        for n in 0..self.frames * u32::from(self.channels) {
            let value = match self.samples.as_str() {
                "nan" if n == 1_000 => f32::NAN,
                "inf" if n == 1_000 => f32::INFINITY,
                "huge" if n == 1_000 => 1e30,
                "silence" => 0.0,
                _ => 0.01 * (n % 48) as f32 - 0.235,
            };
            match (self.tag, self.bits) {
                (3, _) => data.extend_from_slice(&value.to_le_bytes()),
                (_, 8) => data.push((128.0 + 127.0 * value) as u8),
                (_, bits) => {
                    let all = ((value * 2_147_483_648.0) as i32).to_le_bytes();
                    data.extend_from_slice(&all[4 - usize::from(bits / 8).min(4)..]);
                }
            }
        }
        let claimed = self.claims_bytes.unwrap_or(data.len() as u32);
        let mut file = self.magic.as_bytes().to_vec();
        file.extend_from_slice(&claimed.saturating_add(36).to_le_bytes());
        file.extend_from_slice(b"WAVEfmt \x10\0\0\0");
        file.extend_from_slice(&self.tag.to_le_bytes());
        file.extend_from_slice(&self.channels.to_le_bytes());
        file.extend_from_slice(&self.rate_hz.to_le_bytes());
        file.extend_from_slice(&self.rate_hz.saturating_mul(u32::from(frame_bytes)).to_le_bytes());
        file.extend_from_slice(&frame_bytes.to_le_bytes());
        file.extend_from_slice(&self.bits.to_le_bytes());
        file.extend_from_slice(b"data");
        file.extend_from_slice(&claimed.to_le_bytes());
        file.extend_from_slice(&data);
        file.truncate(self.cut_to.unwrap_or(usize::MAX));
        file
    }
}

/// Small, since the odd recordings that are taken are rendered through it.
const AMP: &str = include_str!("common/pair.toml");
const JOB: &str = r#"
title = "Trim"
amp = "pair.toml"
[[clips]]
name = "clip"
file = "clip.wav"
peak = "1V"
[[versions]]
name = "before"
[[versions]]
name = "after"
[versions.change]
C1 = "33n"
"#;

fn entries(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> = fs::read_dir(folder)
        .expect("listed")
        .map(|e| e.expect("an entry").file_name().to_string_lossy().into_owned())
        .collect();
    names.sort();
    names
}

#[test]
fn every_slip_gets_its_message_and_nothing_is_written() {
    let table = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/bad-inputs/commands.toml");
    let text = fs::read_to_string(table).expect("the table");
    let cases: Cases = toml::from_str(&text).expect("a table of cases");
    assert!(cases.case.len() >= 50);
    let mut wrong = String::new();
    for case in &cases.case {
        let folder = tempfile::tempdir().expect("a folder");
        fs::write(folder.path().join("pair.toml"), AMP).expect("written");
        fs::write(folder.path().join("job.toml"), JOB).expect("written");
        let wav = case.wav.as_ref().map_or_else(|| Wav::default().bytes(), Wav::bytes);
        fs::write(folder.path().join("clip.wav"), wav).expect("written");
        let before = entries(folder.path());
        let output = Command::new(env!("CARGO_BIN_EXE_presolder"))
            .args(case.run.split_whitespace())
            .current_dir(folder.path())
            .output()
            .expect("it runs");
        let said = String::from_utf8_lossy(&output.stderr);
        let first = said.lines().next().unwrap_or("").to_owned();
        if std::env::var_os("WRITE_TABLE").is_some() {
            println!("{}\n  {:?} {first}", case.run, output.status.code());
            continue;
        }
        if output.status.code() != Some(case.status) || first != case.message {
            wrong += &format!(
                "{}\n  said   {:?} {first}\n  wanted {} {}\n",
                case.run,
                output.status.code(),
                case.status,
                case.message
            );
        }
        if case.status == 2 && entries(folder.path()) != before {
            wrong += &format!("{}\n  left {:?}\n", case.run, entries(folder.path()));
        }
    }
    assert!(wrong.is_empty(), "\n{wrong}");
}
