//! The triode after Dempwolf and Zoelzer.

use serde::Deserialize;

use super::grid::GridConduction;
use super::numeric::{limited, power, softplus};
use super::{TriodeCurrents, TriodeForm, TriodeLaw};

/// Constants fitted to one measured specimen.
///
/// K. Dempwolf, U. Zoelzer, "A physically-motivated triode model for circuit simulations",
/// DAFx-11, 2011:
///
/// ```text
/// Ik = g (ln(1 + exp(c (Vpk / mu + Vgk))) / c)^gamma
/// Ig = gg (ln(1 + exp(cg Vgk)) / cg)^xi + ig0
/// Ip = Ik - Ig
/// ```
///
/// The cathode current is shared out between grid and plate, so a grid that conducts takes
/// current from the plate.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DempwolfZoelzer {
    /// Perveance of the cathode current, A / V^gamma.
    pub g: f64,
    /// Amplification factor.
    pub mu: f64,
    /// Exponent of the cathode current.
    pub gamma: f64,
    /// Sharpness of the cut-off, 1 / V.
    pub c: f64,
    /// Constant grid current, A.
    pub ig0: f64,
    /// Grid conduction.
    pub grid: GridConduction,
}

impl TriodeLaw for DempwolfZoelzer {
    fn currents(&self, vgk: f64, vpk: f64) -> TriodeCurrents {
        let (soft, slope) = softplus(self.c * (limited(vpk) / self.mu + limited(vgk)));
        let (raised, by_base) = power(soft / self.c, self.gamma);
        let (cathode_a, cathode_by_grid) = (self.g * raised, self.g * by_base * slope);
        let (grid_a, grid_by_grid_s) = self.grid.current(vgk);
        let grid_a = grid_a + self.ig0;
        TriodeCurrents {
            plate_a: cathode_a - grid_a,
            grid_a,
            plate_by_grid_s: cathode_by_grid - grid_by_grid_s,
            plate_by_plate_s: cathode_by_grid / self.mu,
            grid_by_grid_s,
            grid_by_plate_s: 0.0,
        }
    }

    fn form(&self) -> TriodeForm {
        TriodeForm::DempwolfZoelzer(self.clone())
    }
}
