//! Second-order sections in parallel.

use nalgebra::Complex;

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
}

/// Sections processed side by side.
pub const LANES: usize = 4;

/// Sections in groups, coefficient by coefficient, so that one instruction serves a group.
#[derive(Clone, Debug, Default)]
pub struct Sections {
    list: Vec<Section>,
    pub(super) groups: Vec<Group>,
}

/// Coefficients of a group; unused places are zero.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Group {
    pub b0: [f64; LANES],
    pub b1: [f64; LANES],
    pub a1: [f64; LANES],
    pub a2: [f64; LANES],
}

impl Sections {
    /// Groups the sections.
    pub fn new(list: Vec<Section>) -> Self {
        let groups = list
            .chunks(LANES)
            .map(|chunk| {
                let mut g = Group::default();
                for (k, s) in chunk.iter().enumerate() {
                    (g.b0[k], g.b1[k], g.a1[k], g.a2[k]) = (s.b[0], s.b[1], s.a[0], s.a[1]);
                }
                g
            })
            .collect();
        Self { list, groups }
    }

    /// The sections one by one.
    pub fn list(&self) -> &[Section] {
        &self.list
    }

    /// Sum of the gains at z^-1.
    pub fn gain(&self, z1: Complex<f64>) -> Complex<f64> {
        self.list.iter().map(|s| s.gain(z1)).sum()
    }
}
