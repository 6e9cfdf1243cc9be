//! An allocator that counts, for test programs of their own: it is the program's only one.

use std::alloc::{GlobalAlloc, Layout, System};
use std::cell::Cell;

thread_local! {
    static COUNT: Cell<u64> = const { Cell::new(0) };
}

struct Counting;

fn count() {
    // A thread that is ending has no counter any more, and does not matter.
    let _ = COUNT.try_with(|c| c.set(c.get() + 1));
}

// Forwards to the system's allocator, and counts what is taken and what is given back.
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

/// What this thread has taken and given back so far.
pub fn so_far() -> u64 {
    COUNT.with(Cell::get)
}
