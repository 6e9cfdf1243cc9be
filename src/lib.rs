//! Hear a modification of a guitar valve amplifier before the iron is hot,
//! and prove afterwards that it did what was promised.

#![deny(unsafe_code)]

pub mod amp;
pub mod analysis;
pub mod audio;
pub mod circuit;
pub mod commands;
pub mod driven;
pub mod interrupt;
pub mod linear;
#[cfg(feature = "playing")]
pub mod live;
mod names;
pub mod page;
pub mod parallel;
pub mod plot;
pub mod random;
pub mod render;
pub mod report;
pub mod simd;
pub mod speaker;
mod toml_tree;
pub mod units;
pub mod valves;
