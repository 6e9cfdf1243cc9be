//! Prints the tables of aliases in docs/driven.md: circuits of the reference decks and whole amps driven hard
//! by sines, and whole amps by a guitar, at each quality.
//!
//! `cargo run --release --example alias_table`

#[path = "../tests/common/aliases.rs"]
mod aliases;
#[path = "../tests/common/cards.rs"]
#[allow(dead_code)]
mod cards;
#[path = "../tests/common/deck.rs"]
#[allow(dead_code)]
mod deck;

use std::path::Path;
use std::sync::Arc;

use presolder::amp::{AmpFile, INPUT_PART, amp_names};
use presolder::audio::{ChannelChoice, read_wav};
use presolder::circuit::{Circuit, Node};
use presolder::driven::{DrivenPlan, Quality};

type Failure = Box<dyn std::error::Error>;

/// What the row is called, the deck, the volts of the sine.
const CASES: [(&str, &str, f64); 4] = [
    ("power stage with feedback", "power-feedback-speaker-220hz-6v", 6.0),
    ("two stages round a stack", "two-stage-middle-25k-220hz-1v", 1.0),
    ("two stages round a stack", "two-stage-middle-25k-220hz-1v", 5.0),
    ("one stage", "gain-stage-1000hz-5v", 50.0),
];

/// Input volts of the whole amps' rows: a strong pickup, and one with a booster.
const AMP_PEAKS_V: [f64; 2] = [0.3, 2.0];
/// Length of the guitar's signal.
const GUITAR_S: f64 = 2.5;

/// The rows of one circuit, for both frequencies.
fn rows(
    what: &str,
    circuit: &Circuit,
    input: &str,
    output: Node,
    peak: f64,
) -> Result<(), Failure> {
    for frequency_hz in [1201, 4703] {
        print!("| {what}, {peak} V, {frequency_hz} Hz |");
        for quality in Quality::ALL {
            let plan = DrivenPlan::new(circuit, input, &[output], 48_000.0, quality)?;
            let (db, troubles) = aliases::worst_alias_db(&Arc::new(plan), frequency_hz, peak);
            print!(" {db:.0} |");
            if troubles != Default::default() {
                eprintln!("{what}, {frequency_hz} Hz, {quality:?}: {troubles:?}");
            }
        }
        println!();
    }
    Ok(())
}

fn main() -> Result<(), Failure> {
    println!("| case | `draft` | `fair` | `standard` | `fine` |\n|---|---|---|---|---|");
    let folder = Path::new(env!("CARGO_MANIFEST_DIR"));
    for (what, name, peak_volts) in CASES {
        let deck = deck::read(&folder.join(format!("tests/reference/harmonics/{name}.cir")));
        let output = deck.circuit.find_node("out").ok_or("the node `out`")?;
        rows(what, &deck.circuit, "Vin", output, peak_volts)?;
    }
    for name in amp_names() {
        let built = AmpFile::preset(name)?.state().circuit()?;
        for peak in AMP_PEAKS_V {
            rows(name, &built.circuit, INPUT_PART, built.output, peak)?;
        }
    }
    println!("\n| amp, peak | `draft` | `fair` | `standard` |\n|---|---|---|---|");
    let clip = read_wav(&folder.join("sample-audio/open-chords.wav"), ChannelChoice::Mix)?;
    for name in amp_names() {
        let built = AmpFile::preset(name)?.state().circuit()?;
        for peak in AMP_PEAKS_V {
            let gain = peak / clip.peak();
            let signal = clip.samples.iter().take((GUITAR_S * 48_000.0) as usize);
            let signal: Vec<f64> = signal.map(|x| x * gain).collect();
            print!("| {name}, {peak} V |");
            for quality in [Quality::Draft, Quality::Fair, Quality::Standard] {
                let ends = (INPUT_PART, built.output);
                let db = aliases::distance_from_fine_db(&built.circuit, ends, &signal, quality);
                print!(" {db:.0} |");
            }
            println!();
        }
    }
    Ok(())
}
