//! Nothing is allocated while the driven path runs.

mod common;

use std::alloc::{GlobalAlloc, Layout, System};
use std::cell::Cell;
use std::sync::Arc;

use common::{deck, reference};
use presolder::driven::{DrivenPlan, Quality};

thread_local! {
    static COUNT: Cell<u64> = const { Cell::new(0) };
}

struct Counting;

fn count() {
    // A thread that is ending has no counter any more, and does not matter.
    let _ = COUNT.try_with(|c| c.set(c.get() + 1));
}

// Forwards to the system's allocator, and counts.
unsafe impl GlobalAlloc for Counting {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        count();
        unsafe { System.alloc(layout) }
    }

    unsafe fn dealloc(&self, pointer: *mut u8, layout: Layout) {
        count();
        unsafe { System.dealloc(pointer, layout) }
    }

    unsafe fn realloc(&self, pointer: *mut u8, layout: Layout, size: usize) -> *mut u8 {
        count();
        unsafe { System.realloc(pointer, layout, size) }
    }
}

#[global_allocator]
static ALLOCATOR: Counting = Counting;

#[test]
fn processing_allocates_nothing() {
    for name in ["two-stage-middle-25k-220hz-1v", "power-open-loop-speaker-220hz-6v"] {
        let deck = deck::read(&reference("harmonics").join(format!("{name}.cir")));
        let output = deck.circuit.find_node("out").expect("the node `out`");
        let plan = DrivenPlan::new(&deck.circuit, "Vin", &[output], 48_000.0, Quality::Draft);
        let mut processor = Arc::new(plan.expect("a plan")).processor();
        // Loud enough for the fallback to be taken, too.
        let input: Vec<f64> =
            (0..4800).map(|n| if n / 50 % 2 == 0 { 60.0 } else { -60.0 }).collect();
        let mut output = vec![0.0; input.len()];
        let before = COUNT.with(Cell::get);
        processor.process_into(&input, &mut output);
        assert_eq!(COUNT.with(Cell::get) - before, 0, "{name}");
        assert!(output.iter().any(|y| *y != 0.0));
        let seen = COUNT.with(Cell::get);
        assert!(seen > 0, "the counter counts");
    }
}
