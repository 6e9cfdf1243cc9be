//! Valve laws as the engine evaluates them: the published equations over fast functions.

use std::sync::Arc;

use super::fast::{Power, Softplus};
use crate::circuit::system::{DeviceCurrents, DeviceLaw, MAX_PORTS};
use crate::valves::{
    DempwolfZoelzer, GridConduction, KorenPentodeConstants, KorenTriodeConstants, PentodeForm,
    TriodeForm,
};

/// Exponents above this are cut off, as in the exact laws.
const EXPONENT_CEILING: f64 = 80.0;

/// Grid current as powers of softplus.
#[derive(Clone, Debug)]
pub struct FastGrid {
    gg: f64,
    cg: f64,
    inverse_cg: f64,
    ceiling: f64,
    power: Power,
}

impl FastGrid {
    fn new(grid: &GridConduction, capped: bool) -> Self {
        Self {
            gg: grid.gg,
            cg: grid.cg,
            inverse_cg: 1.0 / grid.cg,
            ceiling: if capped { EXPONENT_CEILING } else { f64::INFINITY },
            power: Power::new(grid.xi - 1.0),
        }
    }

    #[inline(always)]
    fn value(&self, softplus: &Softplus, vgk: f64) -> (f64, f64) {
        let x = self.cg * vgk;
        // Below this the current is under 1e-14 A and not worth its cost.
        if x < -18.0 {
            return (0.0, 0.0);
        }
        let (soft, slope) = capped(softplus, x, self.ceiling);
        // Above the ceiling the law is flat. Newton's method goes astray on the flat, so it keeps
        // the slope of the edge: that changes its way, not where it ends.
        let slope = if x > self.ceiling { 1.0 } else { slope };
        let base = soft * self.inverse_cg;
        let below = self.gg * self.power.value(base);
        (below * base, (self.power.exponent() + 1.0) * below * slope)
    }
}

#[inline(always)]
fn capped(softplus: &Softplus, x: f64, ceiling: f64) -> (f64, f64) {
    if x > ceiling { (ceiling, 0.0) } else { softplus.value(x) }
}

/// A law in the engine's form.
#[derive(Clone, Debug)]
pub enum FastLaw {
    /// Koren's triode, also with the terms of Cohen and Helie.
    KorenTriode { k: KorenTriodeConstants, power: Power, grid: FastGrid },
    /// Dempwolf and Zoelzer's triode.
    DempwolfZoelzer { d: DempwolfZoelzer, power: Power, grid: FastGrid },
    /// Koren's pentode.
    KorenPentode { k: KorenPentodeConstants, power: Power, grid: FastGrid },
    /// Any other law, evaluated as it is.
    Exact(DeviceLaw),
}

impl FastLaw {
    /// The fast form of a law, or the law itself where there is none.
    pub fn new(law: &DeviceLaw) -> Self {
        match law {
            DeviceLaw::Triode(t) => match t.form() {
                TriodeForm::Koren(k, grid) => Self::KorenTriode {
                    power: Power::new(k.ex - 1.0),
                    grid: FastGrid::new(&grid, true),
                    k,
                },
                TriodeForm::DempwolfZoelzer(d) => Self::DempwolfZoelzer {
                    power: Power::new(d.gamma - 1.0),
                    grid: FastGrid::new(&d.grid, false),
                    d,
                },
                TriodeForm::Other => Self::Exact(law.clone()),
            },
            DeviceLaw::Pentode(p) => match p.form() {
                PentodeForm::Koren(k, grid) => Self::KorenPentode {
                    power: Power::new(k.ex - 1.0),
                    grid: FastGrid::new(&grid, true),
                    k,
                },
                PentodeForm::Other => Self::Exact(law.clone()),
            },
            DeviceLaw::Diode { .. } => Self::Exact(law.clone()),
        }
    }

    /// Largest last Newton step (volts) of each port that leaves a negligible error. The currents
    /// at the end of a step are those of the linearisation, so what is left is half the curvature
    /// of the law times the square of the step: here about 1e-9 A at a triode's plate and 1e-7 A
    /// at an output valve's, -120 dB of what flows there.
    pub fn tolerances_v(&self) -> [f64; MAX_PORTS] {
        match self {
            Self::KorenTriode { .. } | Self::DempwolfZoelzer { .. } => [1e-3, 0.05, 1.0],
            Self::KorenPentode { .. } => [3e-3, 0.03, 0.02],
            Self::Exact(_) => [1e-4; MAX_PORTS],
        }
    }

    /// Currents and conductances at the port voltages.
    #[inline(always)]
    pub fn currents(&self, softplus: &Softplus, volts: &[f64; MAX_PORTS]) -> DeviceCurrents {
        match self {
            Self::KorenTriode { k, power, grid } => {
                koren_triode(k, power, grid, softplus, volts[0], volts[1])
            }
            Self::DempwolfZoelzer { d, power, grid } => {
                dempwolf_zoelzer(d, power, grid, softplus, volts[0], volts[1])
            }
            Self::KorenPentode { k, power, grid } => koren_pentode(k, power, grid, softplus, volts),
            Self::Exact(law) => law.currents(volts),
        }
    }
}

#[inline(always)]
fn koren_triode(
    k: &KorenTriodeConstants,
    power: &Power,
    grid: &FastGrid,
    softplus: &Softplus,
    vgk: f64,
    vpk: f64,
) -> DeviceCurrents {
    let mut out = DeviceCurrents::default();
    let (grid_a, grid_by_grid) = grid.value(softplus, vgk);
    out.current_a[0] = grid_a;
    out.by_voltage_s[0][0] = grid_by_grid;
    if vpk > 0.0 {
        let drive = vgk + k.contact_volts;
        let root = 1.0 / (k.kvb + vpk * (k.kvb2 + vpk)).sqrt();
        let x = k.kp * (1.0 / k.mu + drive * root);
        let (soft, slope) = capped(softplus, x, EXPONENT_CEILING);
        let soft = soft * (1.0 / k.kp);
        let e1 = vpk * soft;
        let e1_by_grid = vpk * slope * root;
        let e1_by_plate = soft - e1_by_grid * drive * (0.5 * k.kvb2 + vpk) * root * root;
        let below = 2.0 / k.kg1 * power.value(e1);
        let by_e1 = k.ex * below;
        out.current_a[1] = below * e1;
        out.by_voltage_s[1] = [by_e1 * e1_by_grid, by_e1 * e1_by_plate, 0.0];
    }
    out
}

#[inline(always)]
fn dempwolf_zoelzer(
    d: &DempwolfZoelzer,
    power: &Power,
    grid: &FastGrid,
    softplus: &Softplus,
    vgk: f64,
    vpk: f64,
) -> DeviceCurrents {
    let mut out = DeviceCurrents::default();
    let (grid_a, grid_by_grid) = grid.value(softplus, vgk);
    let (soft, slope) = softplus.value(d.c * (vpk / d.mu + vgk));
    let base = soft / d.c;
    let below = d.g * power.value(base);
    let by_grid = d.gamma * below * slope;
    out.current_a = [grid_a + d.ig0, below * base - grid_a - d.ig0, 0.0];
    out.by_voltage_s[0][0] = grid_by_grid;
    out.by_voltage_s[1] = [by_grid - grid_by_grid, by_grid / d.mu, 0.0];
    out
}

#[inline(always)]
fn koren_pentode(
    k: &KorenPentodeConstants,
    power: &Power,
    grid: &FastGrid,
    softplus: &Softplus,
    volts: &[f64; MAX_PORTS],
) -> DeviceCurrents {
    let [vg, vs, vp] = *volts;
    let mut out = DeviceCurrents::default();
    let (grid_a, grid_by_grid) = grid.value(softplus, vg);
    out.current_a[0] = grid_a;
    out.by_voltage_s[0][0] = grid_by_grid;
    let bracket = vs / k.mu + vg;
    if bracket > 0.0 {
        let below = power.value(bracket) / k.kg2;
        out.current_a[1] = below * bracket;
        out.by_voltage_s[1] = [k.ex * below, k.ex * below / k.mu, 0.0];
    }
    if vs > 0.0 {
        let divisor = vs.max(1.0);
        let inverse = 1.0 / divisor;
        let (soft, slope) = capped(softplus, k.kp * (1.0 / k.mu + vg * inverse), EXPONENT_CEILING);
        let soft = soft * (1.0 / k.kp);
        let e1 = vs * soft;
        let e1_by_grid = vs * slope * inverse;
        let follows = if vs > 1.0 { 1.0 } else { 0.0 };
        let e1_by_screen = soft - follows * e1_by_grid * vg * inverse;
        let below = 2.0 / k.kg1 * power.value(e1);
        let by_e1 = k.ex * below;
        let raised = below * e1;
        let (knee, knee_slope) = knee(vp, k.kvb);
        out.current_a[2] = raised * knee;
        out.by_voltage_s[2] =
            [by_e1 * e1_by_grid * knee, by_e1 * e1_by_screen * knee, raised * knee_slope];
    }
    out
}

/// atan(v / kvb) and its derivative by v.
#[inline(always)]
fn knee(v: f64, kvb: f64) -> (f64, f64) {
    (arctangent(v / kvb), kvb / (kvb * kvb + v * v))
}

/// Arc tangent: one halving of the angle, then the series; relative error below 1e-8.
///
/// With t reduced to at most 1 by atan t = pi/2 - atan 1/t, the identity
/// atan t = 2 atan(t / (1 + sqrt(1 + t^2))), applied twice, brings the argument below 0.2.
#[inline(always)]
fn arctangent(x: f64) -> f64 {
    let a = x.abs();
    let t = if a > 1.0 { 1.0 / a } else { a };
    let t = t / (1.0 + (1.0 + t * t).sqrt());
    let t = t / (1.0 + (1.0 + t * t).sqrt());
    let s = t * t;
    let series = 1.0 / 9.0 - s * (1.0 / 11.0 - s * (1.0 / 13.0));
    let series = t * (1.0 - s * (1.0 / 3.0 - s * (1.0 / 5.0 - s * (1.0 / 7.0 - s * series))));
    let angle = 4.0 * series;
    let angle = if a > 1.0 { std::f64::consts::FRAC_PI_2 - angle } else { angle };
    angle.copysign(x)
}

/// Shares one softplus table between all devices of a plan.
pub type SharedSoftplus = Arc<Softplus>;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::valves::Library;

    /// Currents within 1e-6 of the exact law (or 1e-14 A: deep in cut-off the fast softplus leaves a
    /// hundredth of a picoampere), slopes within 1e-4, over the whole
    /// range that an amp reaches and beyond.
    #[test]
    fn fast_laws_follow_the_exact_ones() {
        let library = Library::embedded().expect("library");
        let softplus = Softplus::new();
        let triodes = ["12AX7", "12AX7 cohen-helie", "12AX7 RSD-1", "12AT7", "12AU7"];
        let laws =
            triodes.iter().map(|n| DeviceLaw::Triode(library.triode(n).expect(n).law)).chain(
                ["6L6GC", "EL34", "6V6GT", "EL84"]
                    .iter()
                    .map(|n| DeviceLaw::Pentode(library.pentode(n).expect(n).law)),
            );
        let mut worst = 0.0f64;
        for law in laws {
            let fast = FastLaw::new(&law);
            assert!(!matches!(fast, FastLaw::Exact(_)));
            for i in 0..60_000u32 {
                // Low-discrepancy points (golden-ratio steps).
                let r = |step: f64| (f64::from(i) * step).fract();
                let vg = -70.0 + 90.0 * r(0.618_033_988_749_895);
                let vs = -5.0 + 505.0 * r(0.754_877_666_246_693);
                let vp = -30.0 + 900.0 * r(0.569_840_290_998_053);
                let volts = if law.ports() == 2 { [0.3 * vg, vp, 0.0] } else { [vg, vs, vp] };
                let (exact, got) = (law.currents(&volts), fast.currents(&softplus, &volts));
                for k in 0..MAX_PORTS {
                    let (e, g) = (exact.current_a[k], got.current_a[k]);
                    let cathode = exact.current_a.iter().map(|c| c.abs()).fold(0.0, f64::max);
                    if e.abs() > 1e-12 {
                        worst = worst.max((g - e).abs() / cathode.max(e.abs()));
                    }
                    assert!(
                        (g - e).abs() <= 1e-6 * cathode + 1e-14,
                        "{law:?} {volts:?} {k} {e} {g}"
                    );
                    for j in 0..MAX_PORTS {
                        if k == 0 && volts[0] > 8.0 {
                            // Beyond the ceiling the engine keeps the slope of the edge.
                            continue;
                        }
                        let (e, g) = (exact.by_voltage_s[k][j], got.by_voltage_s[k][j]);
                        assert!(
                            (g - e).abs() <= 1e-4 * e.abs() + 1e-9,
                            "{law:?} {volts:?} {k}{j} {e} {g}"
                        );
                    }
                }
            }
        }
        println!("largest relative error of a current: {worst:.1e}");
    }

    #[test]
    fn arctangent_follows_the_exact_one() {
        let mut x = -1e3;
        while x < 1e3 {
            assert!((arctangent(x) - x.atan()).abs() < 2e-9, "{x}");
            x += 0.0371;
        }
    }
}
