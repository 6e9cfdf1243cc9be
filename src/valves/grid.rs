//! Grid conduction: current into the grid as a function of the grid voltage alone.

use serde::Deserialize;

use super::numeric::{capped_softplus, limited, power, softplus};

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
    /// Current (A) and its derivative (S), with the exponent capped at 80 as the Koren decks
    /// have it: above 80 / cg volts the current rises no more.
    pub fn capped(&self, vgk: f64) -> (f64, f64) {
        self.shape(capped_softplus(self.cg * limited(vgk)))
    }

    /// Current (A) and its derivative (S), as published.
    pub fn uncapped(&self, vgk: f64) -> (f64, f64) {
        self.shape(softplus(self.cg * limited(vgk)))
    }

    fn shape(&self, (soft, slope): (f64, f64)) -> (f64, f64) {
        let (raised, by_base) = power(soft / self.cg, self.xi);
        (self.gg * raised, self.gg * by_base * slope)
    }
}
