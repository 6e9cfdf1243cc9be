//! Least squares by Householder's reflections, on the widest vectors there are.
//!
//! The linear algebra library's factorisation takes its dot products one number at a time, which made it
//! the longest part of planning a filter after a knob was turned.

use crate::simd::{QUAD, Quad, Work, widest};

/// Columns that a reflection is applied to at once.
const TOGETHER: usize = 4;
/// Rounds of solving again for what is left. The first takes out the ridge's bias, the others rounding.
const ROUNDS: usize = 4;
/// Nearly equal poles make nearly equal columns: a ridge at rounding level keeps them apart.
const RIDGE: f64 = 1e-12;

/// A system of equations, more of them than unknowns, by columns.
#[derive(Clone, Debug)]
pub struct Equations {
    rows: usize,
    /// Each with room for the ridge, in whole quads.
    columns: Vec<Vec<Quad>>,
    right: Vec<Quad>,
}

/// The system factored: reflections, and what is left above the diagonal.
struct Factored {
    /// Reflections below and on the diagonal, the triangle above it.
    columns: Vec<Vec<Quad>>,
    /// Two over the square of each reflection.
    weights: Vec<f64>,
    diagonal: Vec<f64>,
}

impl Equations {
    /// So many rows and unknowns, all zero.
    pub fn new(rows: usize, unknowns: usize) -> Self {
        let quads = (rows + unknowns).div_ceil(QUAD);
        Self {
            rows,
            columns: vec![vec![Quad::ZERO; quads]; unknowns],
            right: vec![Quad::ZERO; quads],
        }
    }

    /// Sets one factor.
    pub fn set(&mut self, row: usize, unknown: usize, to: f64) {
        set(&mut self.columns[unknown], row, to);
    }

    /// Sets one right side.
    pub fn set_right(&mut self, row: usize, to: f64) {
        set(&mut self.right, row, to);
    }

    /// The unknowns, those that do nothing left at zero; `None` if one is no finite number.
    pub fn solve(self) -> Option<Vec<f64>> {
        widest(self)
    }
}

impl Work for Equations {
    type Output = Option<Vec<f64>>;

    #[inline(always)]
    fn run(mut self) -> Option<Vec<f64>> {
        let mut scales = Vec::with_capacity(self.columns.len());
        for column in &mut self.columns {
            let length = dot(column, column).sqrt();
            let scale = if length > 0.0 { 1.0 / length } else { 0.0 };
            for quad in column {
                *quad = quad.by(scale);
            }
            scales.push(scale);
        }
        let mut with_ridge = self.columns.clone();
        for (k, column) in with_ridge.iter_mut().enumerate() {
            set(column, self.rows + k, RIDGE);
        }
        let factored = Factored::new(with_ridge);
        let mut x = vec![0.0; self.columns.len()];
        let mut left = self.right;
        for _ in 0..ROUNDS {
            let step = factored.solve(left.clone());
            for k in 0..x.len() {
                x[k] += step[k];
                subtract(&mut left, &self.columns[k], step[k]);
            }
        }
        for k in 0..x.len() {
            x[k] *= scales[k];
        }
        x.iter().all(|v| v.is_finite()).then_some(x)
    }
}

impl Factored {
    #[inline(always)]
    fn new(mut columns: Vec<Vec<Quad>>) -> Self {
        let count = columns.len();
        let (mut weights, mut diagonal) = (Vec::with_capacity(count), Vec::with_capacity(count));
        for k in 0..count {
            let (done, others) = columns.split_at_mut(k + 1);
            let column = &mut done[k];
            // What is above the diagonal stays where it is, and out of the reflection.
            let first = k / QUAD;
            let above = column[first];
            for place in 0..k % QUAD {
                column[first].0[place] = 0.0;
            }
            let own = column[first].0[k % QUAD];
            let length = dot(&column[first..], &column[first..]).sqrt();
            let end = -length.copysign(own);
            column[first].0[k % QUAD] = own - end;
            let square = dot(&column[first..], &column[first..]);
            let weight = if square > 0.0 { 2.0 / square } else { 0.0 };
            let mut four = others.chunks_exact_mut(TOGETHER);
            for chunk in &mut four {
                reflect_four(&column[first..], weight, first, chunk);
            }
            for other in four.into_remainder() {
                reflect(&column[first..], weight, &mut other[first..]);
            }
            for place in 0..k % QUAD {
                column[first].0[place] = above.0[place];
            }
            weights.push(weight);
            diagonal.push(end);
        }
        Self { columns, weights, diagonal }
    }

    /// The answer for a right side.
    #[inline(always)]
    fn solve(&self, mut right: Vec<Quad>) -> Vec<f64> {
        let count = self.columns.len();
        for k in 0..count {
            let first = k / QUAD;
            let column = &self.columns[k][first..];
            let mut head = column[0];
            for place in 0..k % QUAD {
                head.0[place] = 0.0;
            }
            let right = &mut right[first..];
            let product = dot(&column[1..], &right[1..]) + head.times(&right[0]).total();
            let share = self.weights[k] * product;
            subtract(&mut right[1..], &column[1..], share);
            right[0] = right[0].less(&head.by(share));
        }
        let at = |quads: &[Quad], row: usize| quads[row / QUAD].0[row % QUAD];
        let mut x = vec![0.0; count];
        for k in (0..count).rev() {
            let value = at(&right, k) / self.diagonal[k];
            x[k] = value;
            // Down to the diagonal's quad: what is below is used up already.
            subtract(&mut right[..=k / QUAD], &self.columns[k][..=k / QUAD], value);
        }
        x
    }
}

#[inline(always)]
fn set(column: &mut [Quad], row: usize, to: f64) {
    column[row / QUAD].0[row % QUAD] = to;
}

#[inline(always)]
fn dot(a: &[Quad], b: &[Quad]) -> f64 {
    let count = a.len().min(b.len());
    let (a, b) = (&a[..count], &b[..count]);
    // Two sums side by side: an addition waits for the one before it.
    let (mut even, mut odd) = (Quad::ZERO, Quad::ZERO);
    let mut at = 0;
    while at + 1 < count {
        even = even.plus(&a[at].times(&b[at]));
        odd = odd.plus(&a[at + 1].times(&b[at + 1]));
        at += 2;
    }
    if at < count {
        even = even.plus(&a[at].times(&b[at]));
    }
    even.plus(&odd).total()
}

/// `from -= share what`.
#[inline(always)]
fn subtract(from: &mut [Quad], what: &[Quad], share: f64) {
    for q in 0..from.len().min(what.len()) {
        from[q].add(&what[q], -share);
    }
}

#[inline(always)]
fn reflect(by: &[Quad], weight: f64, column: &mut [Quad]) {
    let share = weight * dot(by, column);
    subtract(column, by, share);
}

/// The same for four columns, each from a quad on.
#[inline(always)]
fn reflect_four(by: &[Quad], weight: f64, first: usize, columns: &mut [Vec<Quad>]) {
    let [a, b, c, d] = columns else { return };
    let count = by.len();
    let (a, b) = (&mut a[first..][..count], &mut b[first..][..count]);
    let (c, d) = (&mut c[first..][..count], &mut d[first..][..count]);
    let mut sums = [Quad::ZERO; TOGETHER];
    for q in 0..count {
        let v = by[q];
        sums[0] = sums[0].plus(&v.times(&a[q]));
        sums[1] = sums[1].plus(&v.times(&b[q]));
        sums[2] = sums[2].plus(&v.times(&c[q]));
        sums[3] = sums[3].plus(&v.times(&d[q]));
    }
    // Not by map(), which is a call here.
    let mut shares = [0.0; TOGETHER];
    for k in 0..TOGETHER {
        shares[k] = -weight * sums[k].total();
    }
    for q in 0..count {
        let v = by[q];
        a[q].add(&v, shares[0]);
        b[q].add(&v, shares[1]);
        c[q].add(&v, shares[2]);
        d[q].add(&v, shares[3]);
    }
}

#[cfg(test)]
mod tests {
    use nalgebra::{DMatrix, DVector};

    use super::*;
    use crate::random::{Counter, unit};

    /// Against nalgebra's singular values, for sizes on and off whole quads; a column of zeros gets
    /// nothing, and two columns that are nearly the same do no harm.
    #[test]
    fn answers_are_those_of_least_squares() {
        let mut counter = Counter::new(7, 0);
        let mut random = || {
            counter = counter.next();
            2.0 * unit(counter) - 1.0
        };
        for (rows, unknowns) in [(1, 1), (9, 3), (40, 13), (101, 22), (64, 32)] {
            let matrix = DMatrix::from_fn(rows, unknowns, |_, _| random());
            let right = DVector::from_fn(rows, |_, _| random());
            let mut equations = Equations::new(rows, unknowns + 1);
            for r in 0..rows {
                for c in 0..unknowns {
                    equations.set(r, c, 1e3 * matrix[(r, c)]);
                }
                equations.set_right(r, right[r]);
            }
            let found = equations.solve().expect("an answer");
            let expected = matrix.svd(true, true).solve(&right, 1e-14).expect("an answer");
            for c in 0..unknowns {
                let off = (1e3 * found[c] - expected[c]).abs();
                assert!(off < 1e-10 * expected.amax().max(1.0), "{rows}, {unknowns}: {off}");
            }
            assert_eq!(found[unknowns], 0.0);
        }
    }

    #[test]
    fn nearly_equal_columns_are_no_trouble_and_nan_is_none() {
        let rows = 50;
        let make = |spoil: f64| {
            let mut equations = Equations::new(rows, 2);
            for r in 0..rows {
                let x = (r as f64 * 0.7).sin();
                equations.set(r, 0, x);
                equations.set(r, 1, x + 1e-15 * r as f64);
                equations.set_right(r, 3.0 * x * spoil);
            }
            equations.solve()
        };
        let found = make(1.0).expect("an answer");
        for r in 0..rows {
            let x = (r as f64 * 0.7).sin();
            let sum = found[0] * x + found[1] * (x + 1e-15 * r as f64);
            assert!((sum - 3.0 * x).abs() < 1e-9);
        }
        assert_eq!(make(f64::NAN), None);
    }
}
