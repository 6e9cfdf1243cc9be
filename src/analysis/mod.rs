//! What a clip or a process shows when it is measured.

mod difference;

pub use difference::{Difference, DifferenceError, difference};
