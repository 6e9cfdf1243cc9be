//! Second-order sections in parallel.

use nalgebra::Complex;

use crate::simd::{QUAD, Quad};

/// (b0 + b1 z^-1) / (1 + a1 z^-1 + a2 z^-2).
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Section {
    /// Numerator.
    pub b: [f64; 2],
    /// Denominator after its leading 1.
    pub a: [f64; 2],
}

impl Section {
    /// Gain at z^-1.
    pub fn gain(&self, z1: Complex<f64>) -> Complex<f64> {
        (z1 * self.b[1] + self.b[0]) / (z1 * (z1 * self.a[1] + self.a[0]) + 1.0)
    }

    /// Largest distance of a pole from the origin; below 1 the section is stable.
    pub fn radius(&self) -> f64 {
        let half = -0.5 * self.a[0];
        let square = half * half - self.a[1];
        if square < 0.0 { self.a[1].sqrt() } else { half.abs() + square.sqrt() }
    }

    /// Angle of its poles in radians for each frame: zero for real ones.
    pub fn angle(&self) -> f64 {
        let half = -0.5 * self.a[0];
        let square = half * half - self.a[1];
        if square < 0.0 { (-square).sqrt().atan2(half) } else { 0.0 }
    }
}

/// Sections in groups, coefficient by coefficient, so that one instruction serves a group.
#[derive(Clone, Debug, Default)]
pub struct Sections {
    list: Vec<Section>,
    pub(super) groups: Vec<Group>,
}

/// Coefficients of a group of sections in the form that has the shortest way from one frame to the next,
///
/// ```text
/// y   = b0 x + s1
/// s1' = (b1 - a1 b0) x - a1 s1 + s2
/// s2' =     (-a2 b0) x - a2 s1
/// ```
///
/// What `b0 x` adds is the same for all sections and left to the taps; unused places are zero.
#[derive(Clone, Copy, Debug)]
pub(super) struct Group {
    pub to_first: Quad,
    pub to_second: Quad,
    pub minus_a1: Quad,
    pub minus_a2: Quad,
}

impl Sections {
    /// Groups the sections.
    pub fn new(list: Vec<Section>) -> Self {
        let groups = list
            .chunks(QUAD)
            .map(|chunk| {
                let place = |of: fn(&Section) -> f64| {
                    Quad(std::array::from_fn(|k| chunk.get(k).map_or(0.0, of)))
                };
                Group {
                    to_first: place(|s| s.b[1] - s.a[0] * s.b[0]),
                    to_second: place(|s| -s.a[1] * s.b[0]),
                    minus_a1: place(|s| -s.a[0]),
                    minus_a2: place(|s| -s.a[1]),
                }
            })
            .collect();
        Self { list, groups }
    }

    /// The sections one by one.
    pub fn list(&self) -> &[Section] {
        &self.list
    }

    /// What all sections together add at once, for each unit of input.
    pub(super) fn direct(&self) -> f64 {
        self.list.iter().map(|s| s.b[0]).sum()
    }

    /// Sum of the gains at z^-1.
    pub fn gain(&self, z1: Complex<f64>) -> Complex<f64> {
        self.list.iter().map(|s| s.gain(z1)).sum()
    }
}
