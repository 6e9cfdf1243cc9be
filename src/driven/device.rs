//! Valve laws as the engine evaluates them: the published equations as products of tables.

use std::sync::{Arc, Mutex, PoisonError, Weak};

use super::fast::{Above, LOWEST, Proportional, SoftPower};
use super::running::{Line, NO_CURRENT_A};
use crate::circuit::system::{DeviceCurrents, DeviceLaw, MAX_PORTS};
use crate::simd::Quad;
use crate::valves::{
    DempwolfZoelzer, GridConduction, KorenPentodeConstants, KorenTriodeConstants, PentodeForm,
    TriodeForm,
};

/// Grid current as a power of a softplus.
#[derive(Clone, Debug)]
pub struct FastGrid {
    cg: f64,
    power: SoftPower,
}

impl FastGrid {
    fn new(grid: &GridConduction) -> Self {
        let power = SoftPower::new(grid.gg * grid.cg.powf(-grid.xi), grid.xi, Above::On);
        Self { cg: grid.cg, power }
    }

    #[inline(always)]
    fn value(&self, vgk: f64) -> (f64, f64) {
        let x = self.cg * vgk;
        // Most grids are far below conduction most of the time.
        if x < LOWEST {
            return (0.0, 0.0);
        }
        let (current, slope) = self.power.value(x);
        (current, self.cg * slope)
    }
}

/// `scale v^exponent` and its derivative.
fn power(scale: f64, exponent: f64, v: f64) -> (f64, f64) {
    let value = scale * v.powf(exponent);
    (value, exponent * value / v)
}

/// Koren's triode, also with the terms of Cohen and Helie, as `h(Vp) g(kp/mu + kp (Vg + Vct) r(Vp))`
/// with `r = (kvb + kvb2 Vp + Vp^2)^(-1/2)`, `g` a power of the softplus and `h` one of the voltage.
#[derive(Clone, Debug)]
pub struct FastTriode {
    kp: f64,
    kp_by_mu: f64,
    contact_volts: f64,
    by_plate: Proportional<2>,
    power: SoftPower,
    grid: FastGrid,
}

impl FastTriode {
    fn new(k: &KorenTriodeConstants, grid: &GridConduction) -> Self {
        let by_power = |v: f64, _| power(2.0 / k.kg1 * k.kp.powf(-k.ex), k.ex, v);
        let root = |v: f64, _| {
            let r = 1.0 / (k.kvb + v * (k.kvb2 + v)).sqrt();
            (r, -(0.5 * k.kvb2 + v) * r * r * r)
        };
        Self {
            kp: k.kp,
            kp_by_mu: k.kp / k.mu,
            contact_volts: k.contact_volts,
            by_plate: Proportional::new([&by_power, &root], [true, false]),
            power: SoftPower::new(1.0, k.ex, Above::Flat),
            grid: FastGrid::new(grid),
        }
    }

    #[inline(always)]
    fn currents(&self, vgk: f64, vpk: f64) -> DeviceCurrents {
        let (grid_a, grid_by_grid) = self.grid.value(vgk);
        let [(h, h_slope), (r, r_slope)] = self.by_plate.values(vpk);
        let drive = self.kp * (vgk + self.contact_volts);
        let (g, g_slope) = self.power.value(self.kp_by_mu + drive * r);
        let by_x = h * g_slope;
        DeviceCurrents {
            current_a: [grid_a, h * g, 0.0],
            by_voltage_s: [
                [grid_by_grid, 0.0, 0.0],
                [by_x * self.kp * r, h_slope * g + by_x * drive * r_slope, 0.0],
                [0.0, 0.0, 0.0],
            ],
        }
    }
}

/// Dempwolf and Zoelzer's triode.
#[derive(Clone, Debug)]
pub struct FastDempwolfZoelzer {
    c: f64,
    c_by_mu: f64,
    ig0: f64,
    power: SoftPower,
    grid: FastGrid,
}

impl FastDempwolfZoelzer {
    fn new(d: &DempwolfZoelzer) -> Self {
        Self {
            c: d.c,
            c_by_mu: d.c / d.mu,
            ig0: d.ig0,
            power: SoftPower::new(d.g * d.c.powf(-d.gamma), d.gamma, Above::On),
            grid: FastGrid::new(&d.grid),
        }
    }

    #[inline(always)]
    fn currents(&self, vgk: f64, vpk: f64) -> DeviceCurrents {
        let (grid_a, grid_by_grid) = self.grid.value(vgk);
        let (cathode_a, slope) = self.power.value(self.c_by_mu * vpk + self.c * vgk);
        DeviceCurrents {
            current_a: [grid_a + self.ig0, cathode_a - grid_a - self.ig0, 0.0],
            by_voltage_s: [
                [grid_by_grid, 0.0, 0.0],
                [slope * self.c - grid_by_grid, slope * self.c_by_mu, 0.0],
                [0.0, 0.0, 0.0],
            ],
        }
    }
}

/// Koren's pentode: the plate as `h(Vs) g(kp/mu + kp Vg / Vs) atan(Vp / kvb)`.
#[derive(Clone, Debug)]
pub struct FastPentode {
    kp: f64,
    kp_by_mu: f64,
    inverse_mu: f64,
    by_screen: Proportional<2>,
    knee: Proportional<1>,
    screen: Proportional<1>,
    power: SoftPower,
    grid: FastGrid,
}

impl FastPentode {
    fn new(k: &KorenPentodeConstants, grid: &GridConduction) -> Self {
        let by_power = |v: f64, _| power(2.0 / k.kg1 * k.kp.powf(-k.ex), k.ex, v);
        // One over the screen voltage, and over one volt below that: the corner is the edge of a cell.
        let inverse =
            |v: f64, cell: f64| (1.0 / v.max(1.0), if cell > 1.0 { -1.0 / (v * v) } else { 0.0 });
        let knee = |v: f64, _| ((v / k.kvb).atan(), k.kvb / (k.kvb * k.kvb + v * v));
        let screen = |v: f64, _| power(1.0 / k.kg2, k.ex, v);
        Self {
            kp: k.kp,
            kp_by_mu: k.kp / k.mu,
            inverse_mu: 1.0 / k.mu,
            by_screen: Proportional::new([&by_power, &inverse], [true, false]),
            knee: Proportional::new([&knee], [true]),
            screen: Proportional::new([&screen], [true]),
            power: SoftPower::new(1.0, k.ex, Above::Flat),
            grid: FastGrid::new(grid),
        }
    }

    #[inline(always)]
    fn currents(&self, volts: &[f64; MAX_PORTS]) -> DeviceCurrents {
        let [vg, vs, vp] = *volts;
        let (grid_a, grid_by_grid) = self.grid.value(vg);
        let [(screen_a, screen_slope)] = self.screen.values(vs * self.inverse_mu + vg);
        let [(h, h_slope), (r, r_slope)] = self.by_screen.values(vs);
        let drive = self.kp * vg;
        let (g, g_slope) = self.power.value(self.kp_by_mu + drive * r);
        let [(knee, knee_slope)] = self.knee.values(vp);
        let by_x = h * g_slope * knee;
        DeviceCurrents {
            current_a: [grid_a, screen_a, h * g * knee],
            by_voltage_s: [
                [grid_by_grid, 0.0, 0.0],
                [screen_slope, screen_slope * self.inverse_mu, 0.0],
                [
                    by_x * self.kp * r,
                    h_slope * g * knee + by_x * drive * r_slope,
                    h * g * knee_slope,
                ],
            ],
        }
    }
}

/// A law in the engine's form.
#[derive(Clone, Debug)]
pub enum FastLaw {
    Triode(FastTriode),
    DempwolfZoelzer(FastDempwolfZoelzer),
    Pentode(FastPentode),
    /// Any other law, evaluated as it is.
    Exact(DeviceLaw),
}

/// What a set of tables is made from.
#[derive(Clone, Debug, PartialEq)]
enum Form {
    Triode(TriodeForm),
    Pentode(PentodeForm),
}

/// The tables in use. Valves of one kind share theirs: they are a hundred kilobytes or two, so sharing is
/// kind to the processor's cache, and a knob that was turned needs none made.
static IN_USE: Mutex<Vec<(Form, Weak<FastLaw>)>> = Mutex::new(Vec::new());

impl FastLaw {
    /// The fast form of a law, shared with whoever else runs it; or the law itself where there is none.
    pub fn shared(law: &DeviceLaw) -> Arc<Self> {
        let form = match law {
            DeviceLaw::Triode(t) => Form::Triode(t.form()),
            DeviceLaw::Pentode(p) => Form::Pentode(p.form()),
            DeviceLaw::Diode { .. } => return Arc::new(Self::new(law)),
        };
        // One that broke off in the middle left a list that is whole all the same.
        let mut in_use = IN_USE.lock().unwrap_or_else(PoisonError::into_inner);
        let there = in_use.iter().filter(|(f, _)| *f == form).find_map(|(_, made)| made.upgrade());
        there.unwrap_or_else(|| {
            let made = Arc::new(Self::new(law));
            if !matches!(*made, Self::Exact(_)) {
                in_use.retain(|(_, made)| made.strong_count() > 0);
                in_use.push((form, Arc::downgrade(&made)));
            }
            made
        })
    }

    /// The fast form of a law, or the law itself where there is none.
    pub fn new(law: &DeviceLaw) -> Self {
        match law {
            DeviceLaw::Triode(t) => match t.form() {
                TriodeForm::Koren(k, grid) => Self::Triode(FastTriode::new(&k, &grid)),
                TriodeForm::DempwolfZoelzer(d) => {
                    Self::DempwolfZoelzer(FastDempwolfZoelzer::new(&d))
                }
                TriodeForm::Other => Self::Exact(law.clone()),
            },
            DeviceLaw::Pentode(p) => match p.form() {
                PentodeForm::Koren(k, grid) => Self::Pentode(FastPentode::new(&k, &grid)),
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
            Self::Triode(_) | Self::DempwolfZoelzer(_) => [1e-3, 0.05, 1.0],
            Self::Pentode(_) => [3e-3, 0.03, 0.02],
            Self::Exact(_) => [1e-4; MAX_PORTS],
        }
    }

    /// Error of each port's voltage that may be left where slopes of an earlier step are used: -100 dB
    /// of what swings there at full drive, and in proportion to the square of the signal below that.
    pub fn errors_v(&self) -> [f64; MAX_PORTS] {
        match self {
            Self::Triode(_) | Self::DempwolfZoelzer(_) => [2e-5, 2e-3, 1.0],
            Self::Pentode(_) => [2e-4, 5e-3, 5e-3],
            Self::Exact(_) => [1e-6; MAX_PORTS],
        }
    }

    /// Currents and conductances at the port voltages.
    #[inline(always)]
    pub fn currents(&self, volts: &[f64; MAX_PORTS]) -> DeviceCurrents {
        match self {
            Self::Triode(t) => t.currents(volts[0], volts[1]),
            Self::DempwolfZoelzer(d) => d.currents(volts[0], volts[1]),
            Self::Pentode(p) => p.currents(volts),
            Self::Exact(law) => law.currents(volts),
        }
    }

    /// The device at the voltages of its ports (more may follow), its currents at rest taken off. What lies
    /// beyond its ports is left alone.
    // Each arm writes what it has: one result for all arms would go through memory.
    #[inline(always)]
    pub fn linearise(&self, volts: &[f64], rest_a: &[f64; MAX_PORTS], line: &mut Line) {
        match self {
            Self::Triode(t) => {
                write(&t.currents(volts[0], volts[1]), 2, rest_a, line);
                line.unsure_s = unsure_s(volts[1] < NEAR_CATHODE_V || volts[0] > HIGH_GRID_V);
            }
            Self::DempwolfZoelzer(d) => {
                let at = d.currents(volts[0], volts[1]);
                write(&at, 2, rest_a, line);
                // What always flows into the grid bends nothing.
                line.bend_per_a.0[0] = bend_per_a(at.current_a[0] - d.ig0);
                line.unsure_s = 0.0;
            }
            Self::Pentode(p) => {
                write(&p.currents(&[volts[0], volts[1], volts[2]]), 3, rest_a, line);
                let onset_v = volts[1] * p.inverse_mu + volts[0];
                let corner = onset_v.abs() < NEAR_ONSET_V;
                line.unsure_s =
                    unsure_s(volts[2] < NEAR_CATHODE_V || volts[1] < LOW_SCREEN_V || corner);
            }
            Self::Exact(law) => exact(law, volts, rest_a, line),
        }
    }
}

/// [`Line::bend_per_a`] times the current: half for the second order, and the rest for the third and for the
/// factors of a law that are no power of a softplus; a test holds all laws to it. A current that is none
/// bends as one of a picoampere.
const BEND: f64 = 0.9;
/// [`Line::unsure_s`] where the slopes do not tell what a move does: enough that the guess must come to rest.
const UNSURE_S: f64 = 1.0;
/// That is so where a plate is as near its cathode, or on the other side, for no current flows beyond; where
/// a screen is low or as near the voltage where its current sets in, and where a triode's grid is as far up,
/// for there the laws have other corners.
const NEAR_CATHODE_V: f64 = 2.0;
const LOW_SCREEN_V: f64 = 50.0;
const NEAR_ONSET_V: f64 = 0.2;
const HIGH_GRID_V: f64 = 1.0;

#[inline(always)]
fn bend_per_a(current_a: f64) -> f64 {
    BEND / (current_a.abs() + NO_CURRENT_A)
}

#[inline(always)]
fn unsure_s(is: bool) -> f64 {
    if is { UNSURE_S } else { 0.0 }
}

/// Writes what a device of so many ports gives.
#[inline(always)]
fn write(at: &DeviceCurrents, ports: usize, rest_a: &[f64; MAX_PORTS], line: &mut Line) {
    let (mut current_a, mut bend) = (Quad::ZERO, Quad::ZERO);
    for k in 0..ports {
        current_a.0[k] = at.current_a[k] - rest_a[k];
        bend.0[k] = bend_per_a(at.current_a[k]);
    }
    line.current_a = current_a;
    line.bend_per_a = bend;
    for c in 0..ports {
        let mut slopes = Quad::ZERO;
        for k in 0..ports {
            slopes.0[k] = at.by_voltage_s[k][c];
        }
        line.slopes[c] = slopes;
    }
}

#[inline(never)]
fn exact(law: &DeviceLaw, volts: &[f64], rest_a: &[f64; MAX_PORTS], line: &mut Line) {
    let ports = law.ports();
    let mut own = [0.0; MAX_PORTS];
    own[..ports].copy_from_slice(&volts[..ports]);
    write(&law.currents(&own), ports, rest_a, line);
    line.unsure_s = UNSURE_S;
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::driven::running::FARTHEST;
    use crate::simd::QUAD;
    use crate::valves::Library;

    fn laws() -> Vec<DeviceLaw> {
        let library = Library::embedded().expect("library");
        let triodes = ["12AX7", "12AX7 cohen-helie", "12AX7 RSD-1", "12AT7", "12AU7"];
        let pentodes = ["6L6GC", "EL34", "6V6GT", "EL84"];
        let triode = |n: &&str| DeviceLaw::Triode(library.triode(n).expect(n).law);
        let pentode = |n: &&str| DeviceLaw::Pentode(library.pentode(n).expect(n).law);
        triodes.iter().map(triode).chain(pentodes.iter().map(pentode)).collect()
    }

    /// Currents within 1e-6 of the exact law (or 1e-15 A), slopes within 1e-4, over the whole range
    /// that an amp reaches and beyond.
    #[test]
    fn fast_laws_follow_the_exact_ones() {
        let mut worst = 0.0f64;
        for law in laws() {
            let fast = FastLaw::new(&law);
            assert!(!matches!(fast, FastLaw::Exact(_)));
            for i in 0..60_000u32 {
                // Low-discrepancy points (golden-ratio steps).
                let r = |step: f64| (f64::from(i) * step).fract();
                let vg = -70.0 + 90.0 * r(0.618_033_988_749_895);
                let vs = -5.0 + 505.0 * r(0.754_877_666_246_693);
                let vp = -30.0 + 900.0 * r(0.569_840_290_998_053);
                let volts = if law.ports() == 2 { [0.3 * vg, vp, 0.0] } else { [vg, vs, vp] };
                let (exact, got) = (law.currents(&volts), fast.currents(&volts));
                for k in 0..MAX_PORTS {
                    let (e, g) = (exact.current_a[k], got.current_a[k]);
                    let cathode = exact.current_a.iter().map(|c| c.abs()).fold(0.0, f64::max);
                    if e.abs() > 1e-12 {
                        worst = worst.max((g - e).abs() / cathode.max(e.abs()));
                    }
                    assert!(
                        (g - e).abs() <= 1e-6 * cathode + 1e-15,
                        "{law:?} {volts:?} {k} {e} {g}"
                    );
                    for j in 0..MAX_PORTS {
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

    /// How far a current is from the line through the guess, against the bound that [`Line::bend_per_a`]
    /// gives, for moves up to [`FARTHEST`] in each port; over what the volts of [`FastLaw::errors_v`] would
    /// make as well, or 20 uV across a grid stopper of 68k.
    #[test]
    fn a_line_through_the_guess_is_as_far_from_the_law_as_its_bound_says() {
        for law in laws() {
            let fast = FastLaw::new(&law);
            let (tolerances, errors) = (fast.tolerances_v(), fast.errors_v());
            let mut worst = (0.0f64, String::new());
            for i in 0..400_000u32 {
                let r = |step: f64| (f64::from(i) * step).fract();
                let vg = -70.0 + 90.0 * r(0.618_033_988_749_895);
                let vs = -5.0 + 505.0 * r(0.754_877_666_246_693);
                let vp = -30.0 + 900.0 * r(0.569_840_290_998_053);
                let ports = law.ports();
                let volts = if ports == 2 { [0.3 * vg, vp, 0.0] } else { [vg, vs, vp] };
                let shares = [r(0.414_213_562), r(0.732_050_808), r(0.236_067_977)];
                let mut moved = volts;
                let mut moves = [0.0; MAX_PORTS];
                for k in 0..ports {
                    moves[k] = FARTHEST * tolerances[k] * (2.0 * shares[k] - 1.0);
                    moved[k] += moves[k];
                }
                let mut line = Line {
                    current_a: Quad::ZERO,
                    slopes: [Quad::ZERO; QUAD],
                    bend_per_a: Quad::ZERO,
                    unsure_s: 0.0,
                };
                fast.linearise(&volts, &[0.0; MAX_PORTS], &mut line);
                let there = fast.currents(&moved);
                for k in 0..ports {
                    let (mut along, mut change, mut allowed) = (line.current_a.0[k], 0.0, 3e-10);
                    for c in 0..ports {
                        along += line.slopes[c].0[k] * moves[c];
                        change += (line.slopes[c].0[k].abs() + line.unsure_s) * moves[c].abs();
                        allowed += line.slopes[c].0[k].abs() * errors[c];
                    }
                    let off = (there.current_a[k] - along).abs();
                    let ratio = off / (line.bend_per_a.0[k] * change * change + allowed);
                    if ratio > worst.0 {
                        worst = (ratio, format!("port {k} at {volts:?} by {moves:?}: {off:e} A"));
                    }
                }
            }
            println!("{:.2} times its bound: {}", worst.0, worst.1);
            assert!(worst.0 <= 1.0, "{:.2} times its bound: {}", worst.0, worst.1);
        }
    }
}
