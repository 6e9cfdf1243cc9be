//! What the tests share: ngspice as an outside judge, its decks, and tables of reference values.

// Each test file compiles this module for itself and uses its own share of it.
#![allow(dead_code)]

pub mod aliases;
pub mod cards;
pub mod deck;
pub mod networks;
pub mod ngspice;
pub mod published;
pub mod rng;
pub mod sines;
pub mod table;
pub mod transient;

use std::path::{Path, PathBuf};

use nalgebra::Complex;

/// A file or folder below `tests/reference`.
pub fn reference(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference").join(path)
}

/// Level of a gain in dB.
pub fn decibels(gain: Complex<f64>) -> f64 {
    20.0 * gain.norm().log10()
}

/// Difference of two angles in degrees, from -180 to 180.
pub fn angle_difference_deg(a: f64, b: f64) -> f64 {
    (a - b + 180.0).rem_euclid(360.0) - 180.0
}

/// How far one gain is from another.
#[derive(Clone, Copy, Debug, Default)]
pub struct Deviation {
    pub decibels: f64,
    pub degrees: f64,
}

impl Deviation {
    /// Deviation of `gain` from `reference`.
    pub fn between(gain: Complex<f64>, reference: Complex<f64>) -> Self {
        let ratio = gain / reference;
        Self { decibels: decibels(ratio).abs(), degrees: ratio.arg().to_degrees().abs() }
    }

    /// The larger of each figure; a value that is no number stays one.
    pub fn worst(self, other: Self) -> Self {
        let larger = |a: f64, b: f64| if b > a || b.is_nan() { b } else { a };
        Self {
            decibels: larger(self.decibels, other.decibels),
            degrees: larger(self.degrees, other.degrees),
        }
    }

    /// Whether both figures are within their limits. False if one is no number.
    pub fn is_within(self, decibels: f64, degrees: f64) -> bool {
        self.decibels <= decibels && self.degrees <= degrees
    }
}
