//! Valves whose currents are off those of their type: no two of one box draw the same.

use std::sync::Arc;

use super::{PentodeCurrents, PentodeLaw, PentodeType, TriodeCurrents, TriodeLaw, TriodeType};

/// A law with every current, and so every conductance, times a factor.
///
/// The perveance of the law of Child and Langmuir (I = P V^(3/2); I. Langmuir, "The effect of space
/// charge and residual gases on thermionic currents in high vacuum", Phys. Rev. 2, 1913) is such a
/// factor: it holds the distances between the electrodes, in which valves of one type differ.
#[derive(Debug)]
struct Scaled<L: ?Sized> {
    law: Arc<L>,
    factor: f64,
}

impl TriodeLaw for Scaled<dyn TriodeLaw> {
    fn currents(&self, vgk: f64, vpk: f64) -> TriodeCurrents {
        let c = self.law.currents(vgk, vpk);
        TriodeCurrents {
            plate_a: self.factor * c.plate_a,
            grid_a: self.factor * c.grid_a,
            plate_by_grid_s: self.factor * c.plate_by_grid_s,
            plate_by_plate_s: self.factor * c.plate_by_plate_s,
            grid_by_grid_s: self.factor * c.grid_by_grid_s,
            grid_by_plate_s: self.factor * c.grid_by_plate_s,
        }
    }
}

impl PentodeLaw for Scaled<dyn PentodeLaw> {
    fn currents(&self, vg1k: f64, vg2k: f64, vpk: f64) -> PentodeCurrents {
        let c = self.law.currents(vg1k, vg2k, vpk);
        PentodeCurrents {
            current_a: c.current_a.map(|i| self.factor * i),
            by_voltage_s: c.by_voltage_s.map(|row| row.map(|s| self.factor * s)),
        }
    }
}

impl TriodeType {
    /// The same type with every current times a factor above zero.
    #[must_use]
    pub fn scaled(&self, factor: f64) -> Self {
        Self { law: Arc::new(Scaled { law: self.law.clone(), factor }), ..self.clone() }
    }
}

impl PentodeType {
    /// The same type with every current times a factor above zero.
    #[must_use]
    pub fn scaled(&self, factor: f64) -> Self {
        Self { law: Arc::new(Scaled { law: self.law.clone(), factor }), ..self.clone() }
    }
}
