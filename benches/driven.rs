//! How many times as fast as real time the driven path is, on one core, at 48 kHz; and, where
//! ngspice is at hand, how many times as fast as its `.tran` on the same two stages.
//!
//! `cargo bench --bench driven`, or with a word after `--` only what has it in its name.

#[path = "../tests/common/cards.rs"]
#[allow(dead_code)]
mod cards;
#[path = "../tests/common/deck.rs"]
#[allow(dead_code)]
mod deck;

use std::f64::consts::TAU;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Arc;
use std::time::Instant;

use presolder::amp::{AmpFile, INPUT_PART, amp_names};
use presolder::circuit::{Circuit, Node};
use presolder::driven::{DrivenPlan, Quality};

const RATE_HZ: f64 = 48_000.0;
const SECONDS: f64 = 0.5;

fn reference(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/harmonics").join(name)
}

/// Best of three runs, in seconds; planning is outside.
fn seconds(circuit: &Circuit, input: &str, output: Node, quality: Quality, peak: f64) -> f64 {
    let plan = DrivenPlan::new(circuit, input, &[output], RATE_HZ, quality).expect("a plan");
    let plan = Arc::new(plan);
    let signal: Vec<f64> = (0..(SECONDS * RATE_HZ) as usize)
        .map(|n| peak * (TAU * 220.0 * n as f64 / RATE_HZ).sin())
        .collect();
    let mut out = vec![0.0; signal.len()];
    let mut best = f64::INFINITY;
    for _ in 0..3 {
        let mut processor = plan.processor();
        let start = Instant::now();
        processor.process_into(&signal, &mut out);
        best = best.min(start.elapsed().as_secs_f64());
        assert_eq!(processor.troubles(), Default::default());
    }
    best
}

fn main() {
    let wanted = std::env::args().skip(1).find(|a| !a.starts_with('-')).unwrap_or_default();
    println!("{SECONDS} s of a sine at 220 Hz, in multiples of real time on one core:");
    let mut two_stages = f64::NAN;
    for (what, name, peak) in [
        ("one triode stage, 0.5 V", "gain-stage-1000hz-5v", 0.5),
        ("one triode stage, 5 V", "gain-stage-1000hz-5v", 5.0),
        ("two stages round a stack, 1 V", "two-stage-fixed-middle-220hz-1v", 1.0),
        ("power stage with feedback, 6 V", "power-feedback-speaker-220hz-6v", 6.0),
    ] {
        if !what.contains(&wanted) {
            continue;
        }
        let deck = deck::read(&reference(&format!("{name}.cir")));
        let output = deck.circuit.find_node("out").expect("the node `out`");
        for quality in Quality::ALL {
            let took = seconds(&deck.circuit, "Vin", output, quality, peak);
            println!("  {what}, {}: {:.1}", quality.name(), SECONDS / took);
            if name.starts_with("two-stage") && quality == Quality::default() {
                two_stages = took;
            }
        }
    }
    for name in amp_names().filter(|n| n.contains(&wanted)) {
        let built = AmpFile::preset(name).and_then(|a| a.state().circuit()).expect(name);
        for quality in Quality::ALL {
            let took = seconds(&built.circuit, INPUT_PART, built.output, quality, 0.3);
            println!("  {name}, whole amp, 0.3 V, {}: {:.2}", quality.name(), SECONDS / took);
        }
    }
    if two_stages.is_nan() {
        return;
    }
    // The decks of tests/reference/tran ask for steps of 1/1.152 MHz at most; so does this one.
    let deck = std::fs::read_to_string(reference("two-stage-fixed-middle-220hz-1v.cir"))
        .expect("the deck");
    let folder = tempfile::tempdir().expect("a scratch folder");
    let deck = deck.replace(
        ".end",
        &format!(".control\ntran 20.8333u {SECONDS} 0 0.868u\nquit 0\n.endc\n.end"),
    );
    std::fs::write(folder.path().join("deck.cir"), deck).expect("writing the deck");
    let start = Instant::now();
    let run = Command::new("ngspice").args(["-n", "-b", "deck.cir"]).current_dir(&folder).output();
    match run {
        Ok(_) => {
            let took = start.elapsed().as_secs_f64();
            println!(
                "  ngspice .tran of the two stages: {took:.1} s, {:.0} times as long",
                took / two_stages
            );
        }
        Err(e) => println!("  ngspice: {e}"),
    }
}
