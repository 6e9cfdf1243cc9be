//! Fast forms of the two functions that valve laws are made of, with stated errors.
//!
//! Softplus ln(1 + exp(x)) is a table of cubics, C1 at the joints; a power is split as
//! (2^e m)^y = 2^(e y) m^y with a table for the first factor and short cubics in m for the
//! second. Both errors are relative, so currents that vanish keep their digits.

/// Largest relative error of [`Softplus::value`] and of [`Power::value`]; a test holds both to it.
pub const RELATIVE_ERROR: f64 = 1e-7;

const CELLS_PER_UNIT: f64 = 16.0;
/// Below this ln(1 + exp(x)) is taken as zero (4e-18).
const LOWEST: f64 = -40.0;
/// Above this the function is x to within 4e-18.
const HIGHEST: f64 = 40.0;

/// A table of ln(1 + exp(x)).
#[derive(Clone, Debug)]
pub struct Softplus {
    cells: Box<[[f64; 4]]>,
}

impl Default for Softplus {
    fn default() -> Self {
        Self::new()
    }
}

impl Softplus {
    /// Makes the table: cubic Hermite pieces of width 1/16, error h^4 / 384 of the fourth derivative.
    pub fn new() -> Self {
        let exact = |x: f64| {
            let e = (-x.abs()).exp();
            let slope = if x > 0.0 { 1.0 / (1.0 + e) } else { e / (1.0 + e) };
            (x.max(0.0) + e.ln_1p(), slope / CELLS_PER_UNIT)
        };
        let count = ((HIGHEST - LOWEST) * CELLS_PER_UNIT) as usize;
        let cells = (0..count)
            .map(|i| {
                let (f0, d0) = exact(LOWEST + i as f64 / CELLS_PER_UNIT);
                let (f1, d1) = exact(LOWEST + (i + 1) as f64 / CELLS_PER_UNIT);
                let rise = f1 - f0;
                [f0, d0, 3.0 * rise - 2.0 * d0 - d1, d0 + d1 - 2.0 * rise]
            })
            .collect();
        Self { cells }
    }

    /// ln(1 + exp(x)) and its derivative.
    #[inline(always)]
    pub fn value(&self, x: f64) -> (f64, f64) {
        let position = (x - LOWEST) * CELLS_PER_UNIT;
        // The cast saturates, and takes a NaN to zero.
        let index = position as usize;
        match self.cells.get(index) {
            Some(c) if position >= 0.0 => {
                let t = position - index as f64;
                let value = c[0] + t * (c[1] + t * (c[2] + t * c[3]));
                let slope = c[1] + t * (2.0 * c[2] + t * (3.0 * c[3]));
                (value, slope * CELLS_PER_UNIT)
            }
            _ if x > 0.0 => (x, 1.0),
            _ => (0.0, 0.0),
        }
    }
}

const MANTISSA_CELLS: usize = 32;
const MANTISSA_SHIFT: u32 = 52 - 5;
/// Smallest and largest binary exponent of the base: below, the power is zero.
const LOWEST_EXPONENT: i64 = -120;
const HIGHEST_EXPONENT: i64 = 60;

/// base^exponent for one exponent between 0 and 4 and any base of zero or above.
#[derive(Clone, Debug)]
pub struct Power {
    exponent: f64,
    scales: Box<[f64]>,
    cells: Box<[[f64; 4]]>,
}

impl Power {
    /// Makes the tables for one exponent.
    pub fn new(exponent: f64) -> Self {
        let scales =
            (LOWEST_EXPONENT..=HIGHEST_EXPONENT).map(|e| (e as f64 * exponent).exp2()).collect();
        let width = 1.0 / MANTISSA_CELLS as f64;
        let cells = (0..MANTISSA_CELLS)
            .map(|i| {
                let m0 = 1.0 + i as f64 * width;
                let m1 = m0 + width;
                let (f0, f1) = (m0.powf(exponent), m1.powf(exponent));
                let (d0, d1) = (exponent * f0 / m0 * width, exponent * f1 / m1 * width);
                let rise = f1 - f0;
                [f0, d0, 3.0 * rise - 2.0 * d0 - d1, d0 + d1 - 2.0 * rise]
            })
            .collect();
        Self { exponent, scales, cells }
    }

    /// The exponent.
    pub fn exponent(&self) -> f64 {
        self.exponent
    }

    /// base^exponent.
    #[inline(always)]
    pub fn value(&self, base: f64) -> f64 {
        let bits = base.to_bits();
        // A negative base has the sign bit set and falls outside the table.
        let exponent = (bits >> 52) as i64 - 1023 - LOWEST_EXPONENT;
        let Some(scale) = usize::try_from(exponent).ok().and_then(|e| self.scales.get(e)) else {
            return self.outside(base);
        };
        let mantissa = bits & ((1 << 52) - 1);
        let cell = (mantissa >> MANTISSA_SHIFT) as usize & (MANTISSA_CELLS - 1);
        let within = mantissa & ((1 << MANTISSA_SHIFT) - 1);
        let t = within as f64 * (1.0 / (1u64 << MANTISSA_SHIFT) as f64);
        let c = self.cells[cell];
        scale * (c[0] + t * (c[1] + t * (c[2] + t * c[3])))
    }

    #[cold]
    fn outside(&self, base: f64) -> f64 {
        if base > 1.0 { base.powf(self.exponent) } else { 0.0 }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn softplus_keeps_its_stated_error() {
        let table = Softplus::new();
        let mut x = -39.9f64;
        while x < 60.0 {
            let e = (-x.abs()).exp();
            let exact = x.max(0.0) + e.ln_1p();
            let slope = if x > 0.0 { 1.0 / (1.0 + e) } else { e / (1.0 + e) };
            let (value, d) = table.value(x);
            assert!((value / exact - 1.0).abs() < RELATIVE_ERROR, "{x}: {value}, {exact}");
            assert!((d / slope - 1.0).abs() < 1e-5, "{x}: slope {d}, {slope}");
            x += 0.00731;
        }
        assert_eq!(table.value(-1e9), (0.0, 0.0));
        assert_eq!(table.value(1e9), (1e9, 1.0));
        assert!(table.value(f64::NAN).0.is_finite());
    }

    #[test]
    fn powers_keep_their_stated_error() {
        for exponent in [0.24, 0.3, 0.314, 0.35, 0.4, 0.26, 1.4] {
            let table = Power::new(exponent);
            let mut x = 1e-30f64;
            while x < 1e12 {
                let exact = x.powf(exponent);
                assert!((table.value(x) / exact - 1.0).abs() < RELATIVE_ERROR, "{x}^{exponent}");
                x *= 1.0137;
            }
            assert_eq!(table.value(0.0), 0.0);
            assert_eq!(table.value(-3.0), 0.0);
        }
    }
}
