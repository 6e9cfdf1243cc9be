//! Prints the table of aliases in docs/driven.md: circuits of the reference decks driven hard, at each
//! quality.
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

use presolder::driven::{DrivenPlan, Quality};

/// What the row is called, the deck, the volts of the sine.
const CASES: [(&str, &str, f64); 4] = [
    ("power stage with feedback", "power-feedback-speaker-220hz-6v", 6.0),
    ("two stages round a stack", "two-stage-middle-25k-220hz-1v", 1.0),
    ("two stages round a stack", "two-stage-middle-25k-220hz-1v", 5.0),
    ("one stage", "gain-stage-1000hz-5v", 50.0),
];

fn main() -> Result<(), Box<dyn std::error::Error>> {
    println!("| case | `draft` | `fair` | `standard` | `fine` |\n|---|---|---|---|---|");
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/harmonics");
    for (what, name, peak_volts) in CASES {
        let deck = deck::read(&folder.join(format!("{name}.cir")));
        let output = deck.circuit.find_node("out").ok_or("the node `out`")?;
        for frequency_hz in [1201, 4703] {
            print!("| {what}, {peak_volts} V, {frequency_hz} Hz |");
            for quality in Quality::ALL {
                let plan = DrivenPlan::new(&deck.circuit, "Vin", &[output], 48_000.0, quality)?;
                let (db, troubles) =
                    aliases::worst_alias_db(&Arc::new(plan), frequency_hz, peak_volts);
                print!(" {db:.0} |");
                if troubles != Default::default() {
                    eprintln!("{name}, {frequency_hz} Hz, {quality:?}: {troubles:?}");
                }
            }
            println!();
        }
    }
    Ok(())
}
