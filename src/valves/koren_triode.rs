//! The triode after Koren, and the refinement of it by Cohen and Helie.

use serde::Deserialize;

use super::grid::GridConduction;
use super::numeric::{capped_softplus, limited, power};
use super::{TriodeCurrents, TriodeForm, TriodeLaw};

/// Constants of the plate current of a triode.
///
/// N. L. Koren, "Improved vacuum-tube models for SPICE simulations", Glass Audio 8(5), 1996,
/// equation 4:
///
/// ```text
/// E1 = Vpk / kp * ln(1 + exp(kp (1/mu + Vgk / sqrt(kvb + Vpk^2))))
/// Ip = 2 E1^ex / kg1  for E1 > 0, else 0
/// ```
///
/// I. Cohen and T. Helie, "Measures and models of real triodes, for the simulation of guitar
/// amplifiers", Acoustics 2012, add a linear term under the root (`kvb2`) and a contact
/// potential to the grid voltage (`contact_volts`); both are zero in Koren's form.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct KorenTriodeConstants {
    /// Amplification factor.
    pub mu: f64,
    /// Exponent.
    pub ex: f64,
    /// Divisor of the plate current.
    pub kg1: f64,
    /// Sharpness of the cut-off.
    pub kp: f64,
    /// Constant under the root, in V^2.
    pub kvb: f64,
    /// Linear term under the root, in V.
    #[serde(default)]
    pub kvb2: f64,
    /// Contact potential added to the grid voltage, in V.
    #[serde(default)]
    pub contact_volts: f64,
    /// Where the numbers come from.
    pub source: String,
}

/// A Koren triode with grid conduction in the form of Dempwolf and Zoelzer.
#[derive(Clone, Debug, PartialEq)]
pub struct KorenTriode {
    pub plate: KorenTriodeConstants,
    pub grid: GridConduction,
}

impl KorenTriodeConstants {
    /// Plate current and its derivatives by grid and plate voltage.
    fn plate_current(&self, vgk: f64, vpk: f64) -> (f64, f64, f64) {
        let (vp, drive) = (limited(vpk), limited(vgk) + self.contact_volts);
        if vp <= 0.0 {
            return (0.0, 0.0, 0.0);
        }
        let inverse_root = 1.0 / (self.kvb + vp * (self.kvb2 + vp)).sqrt();
        let (soft, slope) = capped_softplus(self.kp * (1.0 / self.mu + drive * inverse_root));
        let e1 = vp / self.kp * soft;
        let e1_by_grid = vp * slope * inverse_root;
        let root_slope = (0.5 * self.kvb2 + vp) * inverse_root * inverse_root;
        let e1_by_plate = soft / self.kp - e1_by_grid * drive * root_slope;
        let (raised, by_e1) = power(e1, self.ex);
        let scale = 2.0 / self.kg1;
        (scale * raised, scale * by_e1 * e1_by_grid, scale * by_e1 * e1_by_plate)
    }
}

impl TriodeLaw for KorenTriode {
    fn currents(&self, vgk: f64, vpk: f64) -> TriodeCurrents {
        let (plate_a, plate_by_grid_s, plate_by_plate_s) = self.plate.plate_current(vgk, vpk);
        let (grid_a, grid_by_grid_s) = self.grid.current(vgk);
        TriodeCurrents {
            plate_a,
            grid_a,
            plate_by_grid_s,
            plate_by_plate_s,
            grid_by_grid_s,
            grid_by_plate_s: 0.0,
        }
    }

    fn form(&self) -> TriodeForm {
        TriodeForm::Koren(self.plate.clone(), self.grid.clone())
    }
}
