//! A clip of 10 s through two versions of an amp, end to end, on as many threads as there are:
//! `cargo bench --bench render`. Items are frames of the clip.

use std::path::Path;

use divan::Bencher;
use divan::counter::ItemsCount;
use presolder::amp::Job;
use presolder::audio::{ChannelChoice, Clip, OutputFormat, Recording, write_wav};
use presolder::render::{ClipSource, RenderPath, render_clips};

const RATE_HZ: u32 = 48_000;
const FRAMES: usize = 10 * RATE_HZ as usize;
const JOB: &str = r#"
title = "Trim"
amp = "larkspur-22"
[[versions]]
name = "before"
[[versions]]
name = "after"
[versions.change]
C9 = "33n"
C10 = "33n"
"#;

fn main() {
    divan::main();
}

#[divan::bench]
fn linear(bencher: Bencher) {
    let folder = tempfile::tempdir().expect("a folder");
    let job = Job::parse(JOB, "job.toml", folder.path()).expect("a job");
    let file = folder.path().join("clip.wav");
    let samples = (0..FRAMES).map(|n| 0.5 * (n as f64 * 0.02).sin()).collect();
    let clip = Clip { samples, sample_rate_hz: RATE_HZ };
    write_wav(&file, &clip, OutputFormat::Float32, false).expect("written");
    let recording = Recording::open(&file, ChannelChoice::Mix).expect("opened");
    let clips = [ClipSource { name: "clip".to_owned(), recording, peak_volts: 1.0 }];
    let here: &Path = folder.path();
    bencher
        .counter(ItemsCount::new(FRAMES))
        .bench_local(|| render_clips(&job, &clips, RenderPath::Linear, here, &|_| ()));
}
