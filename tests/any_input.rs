//! Whatever comes in, the program answers: no panic, no hang, no NaN out.
//!
//! The entry points are those of the fuzz targets in `fuzz/`; here a bounded number of cases runs on
//! stable Rust, other ones each time. SEED in the environment brings those of a run back. What may
//! come in is bounded by the program itself: files of 1 MiB, 500 parts, 16 windings, the head of a
//! WAV file against its length.

mod common;
#[path = "../fuzz/entry.rs"]
mod entry;

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use common::rng::Rng;
use rayon::prelude::*;

/// No case of any kind may take longer, on a busy machine in an unoptimised build.
const LONGEST: Duration = Duration::from_secs(30);

fn here(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(name)
}

fn files(folder: &str, ending: &str) -> Vec<Vec<u8>> {
    let mut paths: Vec<PathBuf> = std::fs::read_dir(here(folder))
        .expect("a folder")
        .map(|entry| entry.expect("an entry").path())
        .filter(|path| path.extension().is_some_and(|e| e == ending))
        .collect();
    paths.sort();
    let read = paths.iter().map(|path| std::fs::read(path).expect("a file"));
    read.collect()
}

/// Pieces that steer a mutation to where the reading branches.
const PIECES: [&[u8]; 24] = [
    b"0",
    b"-1",
    b"1e308",
    b"nan",
    b"inf",
    b"\"",
    b"[",
    b"]",
    b"{",
    b"}",
    b"=",
    b"\n",
    b",",
    b"ohm",
    b"uF",
    b"k",
    b"RIFF",
    b"RF64",
    b"data",
    b"fmt ",
    b"\xff\xff\xff\xff",
    b"\0\0\0\0",
    b"\xc2\xb5",
    b"11",
];

/// One seed with up to six changes: bytes turned, cut, doubled, pieces put in, another seed's end.
fn mutated(rng: &mut Rng, seeds: &[Vec<u8>]) -> Vec<u8> {
    let mut bytes = seeds[rng.below(seeds.len())].clone();
    for _ in 0..rng.below(7) {
        let at = rng.below(bytes.len() + 1);
        let end = (at + rng.below(40)).min(bytes.len());
        match rng.below(6) {
            0 => {
                if let Some(byte) = bytes.get_mut(at) {
                    *byte ^= 1 << rng.below(8);
                }
            }
            1 => drop(bytes.drain(at..end)),
            2 => {
                let again = bytes[at..end].to_vec();
                bytes.splice(at..at, again);
            }
            3 => {
                let piece = PIECES[rng.below(PIECES.len())];
                bytes.splice(at..end.min(at + piece.len()), piece.iter().copied());
            }
            4 => {
                let other = &seeds[rng.below(seeds.len())];
                let from = rng.below(other.len() + 1);
                bytes.truncate(at);
                bytes.extend_from_slice(&other[from..]);
            }
            _ => bytes.truncate(bytes.len() - (bytes.len() - at) / 4),
        }
    }
    bytes
}

/// Runs so many cases; a panic names the seed of its case.
fn run(cases: u64, salt: u64, case: impl Fn(&mut Rng) + Sync) {
    let first = Rng::announced_seed();
    (0..cases).into_par_iter().for_each(|k| {
        let mut rng = Rng::new(first.wrapping_add(salt).wrapping_add(k.wrapping_mul(0x9e37_79b9)));
        let start = Instant::now();
        case(&mut rng);
        let took = start.elapsed();
        assert!(took < LONGEST, "case {k} of SEED={first} took {took:?}");
    });
}

#[test]
fn any_value() {
    let seeds: Vec<Vec<u8>> = [
        "6k8",
        "4n7",
        "R47",
        "1M",
        "250p",
        "6.8 kohm",
        "0.022 uF",
        "22 nF",
        "470 \u{3a9}",
        "2\u{b5}2",
        "12:00",
        "7:30",
        "5/10",
        "50 %",
        "1e3",
        "-3V",
        "1000000000000000000000",
        "0",
        "1.5 H",
        "4R7",
    ]
    .iter()
    .map(|text| text.as_bytes().to_vec())
    .collect();
    run(70_000, 1, |rng| entry::notation(&mutated(rng, &seeds)));
}

#[test]
fn any_amp_file() {
    let mut seeds = files("presets/amps", "toml");
    seeds.extend(files("tests/bad-inputs", "toml"));
    run(6_000, 2, |rng| entry::amp_file(&mutated(rng, &seeds)));
}

#[test]
fn any_job_file() {
    let mut seeds = files("presets/jobs", "toml");
    seeds.push(std::fs::read(here("tests/bad-inputs/job.toml")).expect("a file"));
    run(6_000, 3, |rng| entry::job_file(&mutated(rng, &seeds)));
}

/// Heads of every kind with a few samples, as `tests/audio` has them, and garbage.
#[test]
fn any_wav_file() {
    let mut seeds = Vec::new();
    for (tag, bits) in [(1u16, 8u16), (1, 16), (1, 24), (1, 32), (3, 32), (3, 64)] {
        for channels in [1u16, 2, 3] {
            let frame = channels * bits / 8;
            let data: Vec<u8> = (0..u32::from(frame) * 9).map(|n| (n * 37) as u8).collect();
            let mut bytes = b"RIFF".to_vec();
            bytes.extend_from_slice(&(36 + data.len() as u32).to_le_bytes());
            bytes.extend_from_slice(b"WAVEfmt \x10\0\0\0");
            bytes.extend_from_slice(&tag.to_le_bytes());
            bytes.extend_from_slice(&channels.to_le_bytes());
            bytes.extend_from_slice(&48_000u32.to_le_bytes());
            bytes.extend_from_slice(&(48_000 * u32::from(frame)).to_le_bytes());
            bytes.extend_from_slice(&frame.to_le_bytes());
            bytes.extend_from_slice(&bits.to_le_bytes());
            bytes.extend_from_slice(b"data");
            bytes.extend_from_slice(&(data.len() as u32).to_le_bytes());
            bytes.extend_from_slice(&data);
            seeds.push(bytes);
        }
    }
    run(17_000, 4, |rng| entry::wav(&mutated(rng, &seeds)));
}

#[test]
fn any_small_circuit() {
    run(1_500, 5, |rng| {
        let bytes: Vec<u8> = (0..120).map(|_| rng.below(256) as u8).collect();
        entry::circuit(&bytes);
    });
}

/// The circuits above are no formality: a fair share of them is taken and rendered.
#[test]
fn small_circuits_are_often_sound() {
    let sound = (0..200u64)
        .filter(|k| {
            let mut rng = Rng::new(*k);
            let bytes: Vec<u8> = (0..120).map(|_| rng.below(256) as u8).collect();
            let amp = presolder::amp::AmpFile::parse(&entry::amp_text(&bytes), "amp.toml");
            amp.is_ok_and(|amp| amp.state().circuit().is_ok())
        })
        .count();
    assert!(sound >= 40, "only {sound} of 200");
}
