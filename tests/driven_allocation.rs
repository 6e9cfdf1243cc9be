//! Nothing is allocated while the driven path runs.

#[path = "common/counting.rs"]
mod counting;

mod common;

use std::sync::Arc;

use common::{deck, reference};
use presolder::driven::{DrivenPlan, Quality};

#[test]
fn processing_allocates_nothing() {
    for name in ["two-stage-middle-25k-220hz-1v", "power-open-loop-speaker-220hz-6v"] {
        let deck = deck::read(&reference("harmonics").join(format!("{name}.cir")));
        let output = deck.circuit.find_node("out").expect("the node `out`");
        for quality in [Quality::Draft, Quality::default()] {
            let plan = DrivenPlan::new(&deck.circuit, "Vin", &[output], 48_000.0, quality);
            let mut processor = Arc::new(plan.expect("a plan")).processor();
            // Loud enough for the fallback to be taken, too, and for steps to be divided.
            let input: Vec<f64> =
                (0..4800).map(|n| if n / 50 % 2 == 0 { 60.0 } else { -60.0 }).collect();
            let mut out = vec![0.0; input.len()];
            let before = counting::so_far();
            processor.process_into(&input, &mut out);
            assert_eq!(counting::so_far() - before, 0, "{name}");
            assert!(out.iter().any(|y| *y != 0.0));
            assert_eq!(processor.steps().1 > 0, quality != Quality::Draft, "{name}");
            let seen = counting::so_far();
            assert!(seen > 0, "the counter counts");
        }
    }
}
