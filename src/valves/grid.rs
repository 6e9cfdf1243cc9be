//! Grid conduction: current into the grid as a function of the grid voltage alone.

use serde::Deserialize;

use super::numeric::{limited, power, softplus};

/// Grid current after K. Dempwolf and U. Zoelzer, "A physically-motivated triode model for
/// circuit simulations", DAFx-11, 2011:
/// `Ig = gg (ln(1 + exp(cg Vgk)) / cg)^xi`.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct GridConduction {
    /// Perveance gg in A / V^xi.
    pub gg: f64,
    /// Sharpness cg of the onset, in 1 / V.
    pub cg: f64,
    /// Exponent xi.
    pub xi: f64,
    /// Where the three numbers come from.
    pub source: String,
}

impl GridConduction {
    /// Current (A) and its derivative (S), as published: without the ceiling that the reference decks
    /// put on the exponent for their simulator's sake (above 8 V of grid, where no deck goes). On a
    /// flat, Newton's method loses its way.
    pub fn current(&self, vgk: f64) -> (f64, f64) {
        let (soft, slope) = softplus(self.cg * limited(vgk));
        let (raised, by_base) = power(soft / self.cg, self.xi);
        (self.gg * raised, self.gg * by_base * slope)
    }
}
