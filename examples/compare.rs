//! Our side of `scripts/compare`: does each piece of work on one thread, takes the time, and leaves
//! in a folder what the peers need to do the very same work.
//!
//! `cargo run --release --example compare -- FOLDER`

#[path = "../tests/common/cards.rs"]
#[allow(dead_code)]
mod cards;
#[path = "../tests/common/deck.rs"]
#[allow(dead_code)]
mod deck;

use std::f64::consts::TAU;
use std::fs;
use std::path::Path;
use std::sync::Arc;
use std::time::Instant;

use presolder::amp::{AmpFile, INPUT_PART};
use presolder::analysis::SweepPlan;
use presolder::audio::Noise;
use presolder::circuit::LinearCircuit;
use presolder::driven::{DrivenPlan, Quality};
use presolder::linear::LinearPlan;

type Outcome<T> = Result<T, Box<dyn std::error::Error>>;

const RATE_HZ: f64 = 48_000.0;
const CLIP_S: f64 = 10.0;
const POINTS: usize = 1000;
const AMP: &str = "larkspur-22";
/// The power stage with feedback into a speaker, a circuit that ngspice reads, too.
const RESPONSE_DECK: &str = "tests/reference/ac/power-feedback-speaker.cir";
const DRIVEN_DECK: &str = "tests/reference/harmonics/two-stage-fixed-middle-220hz-1v.cir";
const DRIVEN_S: f64 = 0.5;

fn main() -> Outcome<()> {
    let folder = std::env::args().nth(1).ok_or("name a folder")?;
    let folder = Path::new(&folder);
    let mut times = serde_json::Map::new();
    let mut note = |what: &str, seconds: f64| {
        times.insert(what.to_owned(), seconds.into());
    };
    note("linear_s", linear_path(folder)?);
    note("clip_s", CLIP_S);
    let (deck_s, preset_s) = response(folder)?;
    note("response_s", deck_s);
    note("preset_response_s", preset_s);
    note("sweep_s", sweep(folder)?);
    note("driven_s", driven(folder)?);
    note("driven_signal_s", DRIVEN_S);
    fs::write(folder.join("ours.json"), serde_json::to_string_pretty(&times)?)?;
    Ok(())
}

/// The shortest of several runs, in seconds, and what the last one gave.
fn best<T>(mut work: impl FnMut() -> T) -> (f64, T) {
    let mut run = || {
        let start = Instant::now();
        let result = work();
        (start.elapsed().as_secs_f64(), result)
    };
    let (mut shortest, mut result) = run();
    for _ in 0..6 {
        let (seconds, again) = run();
        shortest = shortest.min(seconds);
        result = again;
    }
    (shortest, result)
}

fn write_samples(folder: &Path, name: &str, samples: &[f64]) -> Outcome<()> {
    let bytes: Vec<u8> = samples.iter().flat_map(|s| s.to_le_bytes()).collect();
    Ok(fs::write(folder.join(name), bytes)?)
}

/// Ten seconds of noise through a whole amp.
fn linear_path(folder: &Path) -> Outcome<f64> {
    let built = AmpFile::preset(AMP)?.state().circuit()?;
    let linear = LinearCircuit::of(&built.circuit)?;
    let plan = LinearPlan::fit(&linear.transfer(INPUT_PART, built.output)?, RATE_HZ)?;
    let mut noise = Noise::new(1);
    let clip: Vec<f64> = (0..(CLIP_S * RATE_HZ) as usize).map(|_| noise.triangular()).collect();
    let (seconds, answer) = best(|| {
        let mut processor = plan.processor();
        let mut answer = vec![0.0; clip.len()];
        for (x, y) in clip.chunks(4096).zip(answer.chunks_mut(4096)) {
            processor.process_into(x, y);
        }
        answer
    });
    write_samples(folder, "clip.f64", &clip)?;
    write_samples(folder, "answer.f64", &answer)?;
    let sections = plan.sections();
    let flat = |s: &presolder::linear::Section| [s.b[0], s.b[1], 0.0, 1.0, s.a[0], s.a[1]];
    let all: Vec<f64> = sections.iter().flat_map(flat).collect();
    write_samples(folder, "sections.f64", &all)?;
    write_samples(folder, "taps.f64", plan.taps())?;
    write_samples(folder, "delay.f64", &[plan.delay_frames() as f64])?;
    Ok(seconds)
}

/// 1,000 points of the deck's circuit, its operating point found in the same time; and of a preset.
fn response(folder: &Path) -> Outcome<(f64, f64)> {
    let deck = deck::read(Path::new(RESPONSE_DECK));
    let output = deck.circuit.find_node("out").ok_or("no node `out`")?;
    let hz: Vec<f64> =
        (0..POINTS).map(|k| 10.0 * 2000f64.powf(k as f64 / (POINTS - 1) as f64)).collect();
    let (seconds, gains) = best(|| {
        LinearCircuit::of(&deck.circuit)
            .and_then(|linear| linear.transfer("Vin", output)?.gains(&hz))
    });
    let flat: Vec<f64> = gains?.iter().flat_map(|g| [g.re, g.im]).collect();
    write_samples(folder, "frequencies.f64", &hz)?;
    write_samples(folder, "gains.f64", &flat)?;
    fs::copy(RESPONSE_DECK, folder.join("response.cir"))?;
    let built = AmpFile::preset(AMP)?.state().circuit()?;
    let (preset_seconds, gains) = best(|| {
        LinearCircuit::of(&built.circuit)
            .and_then(|linear| linear.transfer(INPUT_PART, built.output)?.gains(&hz))
    });
    gains?;
    Ok((seconds, preset_seconds))
}

/// From the recorded answer of a process to its response.
fn sweep(folder: &Path) -> Outcome<f64> {
    let plan = SweepPlan::new(RATE_HZ, 5.0, 20_000.0)?;
    let sweep = plan.prepare();
    let mut answer = plan.stimulus();
    answer.resize(answer.len() + (2.0 * RATE_HZ) as usize, 0.0);
    write_samples(folder, "sweep-answer.f64", &answer)?;
    write_samples(folder, "sweep-inverse.f64", &plan.analytic_inverse())?;
    let (seconds, response) = best(|| sweep.measure(2.0, &mut |_| answer.clone()));
    response?;
    Ok(seconds)
}

/// Two stages round a stack, driven well into distortion.
fn driven(folder: &Path) -> Outcome<f64> {
    let deck = deck::read(Path::new(DRIVEN_DECK));
    let output = deck.circuit.find_node("out").ok_or("no node `out`")?;
    let quality = Quality::default();
    let plan = Arc::new(DrivenPlan::new(&deck.circuit, "Vin", &[output], RATE_HZ, quality)?);
    let signal: Vec<f64> = (0..(DRIVEN_S * RATE_HZ) as usize)
        .map(|n| (TAU * 220.0 * n as f64 / RATE_HZ).sin())
        .collect();
    let (seconds, _) = best(|| {
        let mut out = vec![0.0; signal.len()];
        plan.processor().process_into(&signal, &mut out);
        out
    });
    fs::copy(DRIVEN_DECK, folder.join("driven.cir"))?;
    Ok(seconds)
}
