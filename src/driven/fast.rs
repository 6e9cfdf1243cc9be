//! Fast forms of the functions that valve laws are made of, with stated errors.
//!
//! Three tables of cubics, C1 at the joints, with relative errors, so that currents that vanish keep
//! their digits: a power of the softplus, `ln(1 + exp(x))^y`, over even cells, and any smooth function
//! of a positive voltage over cells whose width goes with the voltage (sixty-four for each doubling).
//! Where a law is a product of such factors no root, quotient, logarithm or power is left to compute.

/// Largest relative error of every table here; a test holds them to it.
pub const RELATIVE_ERROR: f64 = 1e-7;

/// A cubic by value and slope at both ends of a cell of width one.
fn hermite(f0: f64, d0: f64, f1: f64, d1: f64) -> [f64; 4] {
    let rise = f1 - f0;
    [f0, d0, 3.0 * rise - 2.0 * d0 - d1, d0 + d1 - 2.0 * rise]
}

/// Value and slope of a cubic.
#[inline(always)]
fn cubic(c: &[f64; 4], t: f64) -> (f64, f64) {
    (c[0] + t * (c[1] + t * (c[2] + t * c[3])), c[1] + t * (2.0 * c[2] + t * (3.0 * c[3])))
}

/// Adding this to a number well below leaves its whole part in the lowest bits.
const WHOLE: f64 = (1u64 << 52) as f64;

/// Below this the power of the softplus is taken as zero (1e-14 to the power).
pub const LOWEST: f64 = -32.0;
/// From here on the softplus is nearly straight, and wide cells do.
const STRAIGHT: f64 = 8.0;
/// Above this the function is constant or goes on, as the law has it.
pub const HIGHEST: f64 = 80.0;
const NARROW_PER_UNIT: f64 = 20.0;
const WIDE_PER_UNIT: f64 = 2.0;
const NARROW: f64 = (STRAIGHT - LOWEST) * NARROW_PER_UNIT;
const CELLS: f64 = NARROW + (HIGHEST - STRAIGHT) * WIDE_PER_UNIT;
const SOFT_CELLS: usize = 1024;

/// What follows above [`HIGHEST`].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Above {
    /// The same value; no slope.
    Flat,
    /// The function itself.
    On,
}

/// A table of `scale ln(1 + exp(x))^exponent`.
#[derive(Clone, Debug)]
pub struct SoftPower {
    cells: Box<[[f64; 4]; SOFT_CELLS]>,
    scale: f64,
    exponent: f64,
    above: Above,
}

impl SoftPower {
    /// Makes the table, for an exponent up to 1.6.
    pub fn new(scale: f64, exponent: f64, above: Above) -> Self {
        let exact = |x: f64, width: f64| {
            let e = (-x.abs()).exp();
            let slope = if x > 0.0 { 1.0 / (1.0 + e) } else { e / (1.0 + e) };
            let below = scale * (x.max(0.0) + e.ln_1p()).powf(exponent - 1.0);
            (below * (x.max(0.0) + e.ln_1p()), exponent * below * slope * width)
        };
        let mut cells = Box::new([[0.0; 4]; SOFT_CELLS]);
        for (i, cell) in cells.iter_mut().enumerate().take(CELLS as usize) {
            let i = i as f64;
            let (x0, width) = if i < NARROW {
                (LOWEST + i / NARROW_PER_UNIT, 1.0 / NARROW_PER_UNIT)
            } else {
                (STRAIGHT + (i - NARROW) / WIDE_PER_UNIT, 1.0 / WIDE_PER_UNIT)
            };
            let (mut f0, mut d0) = exact(x0, width);
            let (f1, d1) = exact(x0 + width, width);
            if i == 0.0 {
                (f0, d0) = (0.0, 0.0);
            }
            *cell = hermite(f0, d0, f1, d1);
        }
        cells[CELLS as usize] = [exact(HIGHEST, 1.0).0, 0.0, 0.0, 0.0];
        Self { cells, scale, exponent, above }
    }

    /// The function and its derivative.
    // clamp() would let a NaN pass.
    #[allow(clippy::manual_clamp)]
    #[inline(always)]
    pub fn value(&self, x: f64) -> (f64, f64) {
        if x > HIGHEST && self.above == Above::On {
            return self.beyond(x);
        }
        let narrow = (x - LOWEST) * NARROW_PER_UNIT;
        let wide = NARROW + (x - STRAIGHT) * WIDE_PER_UNIT;
        // The narrow count is the lower one below the joint, the wide one above. max() lets no NaN pass.
        let position = if narrow < wide { narrow } else { wide }.max(0.0).min(CELLS);
        let rate = if narrow < wide { NARROW_PER_UNIT } else { WIDE_PER_UNIT };
        let shifted = (position - 0.5) + WHOLE;
        let cell = &self.cells[shifted.to_bits() as usize & (SOFT_CELLS - 1)];
        let (value, slope) = cubic(cell, position - (shifted - WHOLE));
        (value, slope * rate)
    }

    #[cold]
    fn beyond(&self, x: f64) -> (f64, f64) {
        let below = self.scale * x.powf(self.exponent - 1.0);
        (below * x, self.exponent * below)
    }
}

/// Smallest and largest argument (binary exponents) of a [`Proportional`] table.
const LOWEST_EXPONENT: i32 = -18;
const HIGHEST_EXPONENT: i32 = 13;
const STEP_BITS: u32 = 6;
const SHIFT: u32 = 52 - STEP_BITS;
const PROPORTIONAL_CELLS: usize = 2048;

/// `F` functions of one positive voltage, in 64 cells for each doubling from 4 uV to 8 kV.
/// Below, the functions are what they are at the lower end, or zero; above, what they are at the end.
#[derive(Clone, Debug)]
pub struct Proportional<const F: usize> {
    cells: Box<[[[f64; 4]; F]; PROPORTIONAL_CELLS]>,
}

impl<const F: usize> Proportional<F> {
    /// Makes the table of functions that give value and slope; `vanishes` says which of them are zero
    /// below the lower end. The second argument is the middle of the cell whose end the first one is:
    /// a function with a corner at an edge of a cell has two slopes there.
    pub fn new(functions: [&dyn Fn(f64, f64) -> (f64, f64); F], vanishes: [bool; F]) -> Self {
        let mut cells = Box::new([[[0.0; 4]; F]; PROPORTIONAL_CELLS]);
        let steps = 1 << STEP_BITS;
        for octave in LOWEST_EXPONENT..HIGHEST_EXPONENT {
            for step in 0..steps {
                let i = (octave - LOWEST_EXPONENT) * steps + step;
                let size = f64::from(octave).exp2();
                let x0 = size * (1.0 + f64::from(step) / f64::from(steps));
                let width = size / f64::from(steps);
                for k in 0..F {
                    let (mut f0, mut d0) = functions[k](x0, x0 + 0.5 * width);
                    let (f1, d1) = functions[k](x0 + width, x0 + 0.5 * width);
                    if i == 0 {
                        (f0, d0) = (if vanishes[k] { 0.0 } else { f0 }, 0.0);
                    }
                    let c = hermite(f0, d0 * width, f1, d1 * width);
                    // In volts from the lower end of the cell.
                    cells[i as usize][k] = [
                        c[0],
                        c[1] / width,
                        c[2] / (width * width),
                        c[3] / (width * width * width),
                    ];
                }
            }
        }
        Self { cells }
    }

    /// The functions and their slopes.
    // clamp() would let a NaN pass.
    #[allow(clippy::manual_clamp)]
    #[inline(always)]
    pub fn values(&self, x: f64) -> [(f64, f64); F] {
        // max() and min() take a NaN to a bound.
        let lowest = const { (1u64 << (LOWEST_EXPONENT + 63)) as f64 / (1u64 << 63) as f64 };
        let x = x.max(lowest).min(((1u64 << HIGHEST_EXPONENT) - 1) as f64);
        let bits = x.to_bits();
        let base = const { ((LOWEST_EXPONENT + 1023) as usize) << STEP_BITS };
        let cell = &self.cells[((bits >> SHIFT) as usize - base) & (PROPORTIONAL_CELLS - 1)];
        let within = x - f64::from_bits(bits & !((1 << SHIFT) - 1));
        let mut out = [(0.0, 0.0); F];
        for k in 0..F {
            out[k] = cubic(&cell[k], within);
        }
        out
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn powers_of_the_softplus_keep_their_stated_error() {
        for exponent in [1.0, 1.24, 1.3, 1.314, 1.35, 1.4, 1.26] {
            let table = SoftPower::new(0.01, exponent, Above::On);
            let mut x = LOWEST + 0.1;
            while x < 90.0 {
                let e = (-x.abs()).exp();
                let soft = x.max(0.0) + e.ln_1p();
                let exact = 0.01 * soft.powf(exponent);
                let share = if x > 0.0 { 1.0 / (1.0 + e) } else { e / (1.0 + e) };
                let slope = exponent * exact / soft * share;
                let (value, d) = table.value(x);
                assert!((value / exact - 1.0).abs() < RELATIVE_ERROR, "{x}: {value}, {exact}");
                assert!((d / slope - 1.0).abs() < 2e-5, "{x}: slope {d}, {slope}");
                x += 0.00731;
            }
            assert_eq!(table.value(-1e9), (0.0, 0.0));
            assert!(table.value(f64::NAN).0.is_finite());
        }
        let (top, slope) = SoftPower::new(1.0, 1.0, Above::Flat).value(1e9);
        assert!((top - HIGHEST).abs() < 1e-9 && slope == 0.0);
    }

    #[test]
    fn functions_of_a_voltage_keep_their_stated_error() {
        let power = |x: f64, _| (x.powf(1.4), 1.4 * x.powf(0.4));
        let root = |x: f64, _| {
            let r = 1.0 / (300.0 + x * x).sqrt();
            (r, -x * r * r * r)
        };
        let table = Proportional::new([&power, &root], [true, false]);
        let mut x = 5e-6f64;
        while x < 8e3 {
            let [p, r] = table.values(x);
            for (got, exact) in [(p, power(x, x)), (r, root(x, x))] {
                assert!((got.0 / exact.0 - 1.0).abs() < RELATIVE_ERROR, "{x}: {got:?}, {exact:?}");
                assert!((got.1 - exact.1).abs() < 1e-4 * exact.1.abs() + 1e-9, "{x}");
            }
            x *= 1.00137;
        }
        assert_eq!(table.values(-5.0)[0], (0.0, 0.0));
        assert_eq!(table.values(0.0)[0], (0.0, 0.0));
        assert!(table.values(f64::NAN)[1].0.is_finite());
    }
}
