//! The pentode (and beam tetrode) after Koren.

use serde::Deserialize;

use super::grid::GridConduction;
use super::numeric::{capped_softplus, limited, power};
use super::{PentodeCurrents, PentodeForm, PentodeLaw};

/// Constants of the plate and screen currents of a pentode.
///
/// N. L. Koren, Glass Audio 8(5), 1996, in the form of the author's SPICE listing:
///
/// ```text
/// E1  = Vg2k / kp * ln(1 + exp(kp (1/mu + Vg1k / max(Vg2k, 1 V))))
/// Ip  = 2 E1^ex / kg1 * atan(Vpk / kvb)      for E1 > 0, else 0
/// Ig2 = (Vg2k / mu + Vg1k)^ex / kg2          for a positive bracket, else 0
/// ```
///
/// The `max(Vg2k, 1 V)` keeps the quotient finite when the screen is at rest. Below a plate voltage
/// of zero the published form would let the plate give current, the more the higher the grid: with
/// feedback round it that has no single answer. A cold plate emits nothing, so the current is zero
/// there.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct KorenPentodeConstants {
    /// Amplification factor from grid to screen.
    pub mu: f64,
    /// Exponent.
    pub ex: f64,
    /// Divisor of the plate current.
    pub kg1: f64,
    /// Divisor of the screen current.
    pub kg2: f64,
    /// Sharpness of the cut-off.
    pub kp: f64,
    /// Plate voltage of the knee, in V.
    pub kvb: f64,
    /// Where the numbers come from.
    pub source: String,
}

/// A Koren pentode with grid conduction in the form of Dempwolf and Zoelzer.
#[derive(Clone, Debug, PartialEq)]
pub struct KorenPentode {
    pub constants: KorenPentodeConstants,
    pub grid: GridConduction,
}

/// Screen voltage below which the quotient Vg1k / Vg2k uses this instead.
const LEAST_SCREEN_VOLTS: f64 = 1.0;

impl PentodeLaw for KorenPentode {
    fn currents(&self, vg1k: f64, vg2k: f64, vpk: f64) -> PentodeCurrents {
        let k = &self.constants;
        let (vg, vs, vp) = (limited(vg1k), limited(vg2k), limited(vpk));
        let divisor = vs.max(LEAST_SCREEN_VOLTS);
        let (soft, slope) = capped_softplus(k.kp * (1.0 / k.mu + vg / divisor));
        let e1 = vs / k.kp * soft;
        let mut plate = [0.0; 4];
        if e1 > 0.0 && vp > 0.0 {
            let e1_by_grid = vs * slope / divisor;
            let follows = if vs > LEAST_SCREEN_VOLTS { 1.0 } else { 0.0 };
            let e1_by_screen = soft / k.kp - follows * e1_by_grid * vg / divisor;
            let (raised, by_e1) = power(e1, k.ex);
            let scale = 2.0 / k.kg1;
            let knee = (vp / k.kvb).atan();
            let knee_slope = k.kvb / (k.kvb * k.kvb + vp * vp);
            plate = [
                scale * raised * knee,
                scale * by_e1 * e1_by_grid * knee,
                scale * by_e1 * e1_by_screen * knee,
                scale * raised * knee_slope,
            ];
        }
        let (raised, by_bracket) = power((vs / k.mu + vg).max(0.0), k.ex);
        let (grid, grid_slope) = self.grid.current(vg);
        PentodeCurrents {
            current_a: [grid, raised / k.kg2, plate[0]],
            by_voltage_s: [
                [grid_slope, 0.0, 0.0],
                [by_bracket / k.kg2, by_bracket / (k.kg2 * k.mu), 0.0],
                [plate[1], plate[2], plate[3]],
            ],
        }
    }

    fn form(&self) -> PentodeForm {
        PentodeForm::Koren(self.constants.clone(), self.grid.clone())
    }
}
