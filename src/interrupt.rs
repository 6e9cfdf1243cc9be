//! An interrupt: while playing it is a request to end, not an end, since a recording is to be whole.

use std::sync::atomic::{AtomicBool, Ordering::SeqCst};

static CAUGHT: AtomicBool = AtomicBool::new(false);
static CAME: AtomicBool = AtomicBool::new(false);

/// From now on the first interrupt is noted here rather than ending the program.
pub fn catch() -> &'static AtomicBool {
    CAUGHT.store(true, SeqCst);
    &CAME
}

/// For the program's handler: notes an interrupt, and tells whether the program goes on for now. The
/// second one ends it, should the first have had no effect.
pub fn note() -> bool {
    CAUGHT.load(SeqCst) && !CAME.swap(true, SeqCst)
}
