//! The state update of a block in the coordinates of its modes.
//!
//! A dense update of thirty states costs a thousand products in each step, most of them for what a
//! change of coordinates does away with: with the eigenvectors as a base the update is a number for
//! each real mode and a rotation for each pair of complex ones. Eigenvectors by inverse iteration.

use nalgebra::{Complex, DMatrix, DVector};

use crate::circuit::eigen::eigenvalues;

/// Largest part of the matrix that may be lost on the way to the modes and back.
const LARGEST_LOSS: f64 = 1e-11;
/// How far (as a share of the matrix) an eigenvalue is moved to keep the iteration solvable.
const SHIFT: f64 = 1e-14;
/// Rounds of inverse iteration.
const ROUNDS: usize = 3;

/// A base for the states of a block.
#[derive(Clone, Debug)]
pub struct Base {
    /// From the coordinates in this base to the states, and back.
    pub to_states: DMatrix<f64>,
    pub from_states: DMatrix<f64>,
    /// How many of the first coordinates belong together two by two: the pairs of complex modes.
    paired: usize,
}

/// An update in the coordinates of a base that makes it simple.
#[derive(Clone, Debug)]
pub struct Update {
    pub diagonal: Vec<f64>,
    /// What each coordinate takes from its neighbour (0 and 1, 2 and 3, ...).
    pub cross: Vec<f64>,
}

impl Base {
    /// The states themselves.
    pub fn of_states(count: usize) -> Self {
        let unit = DMatrix::identity(count, count);
        Self { to_states: unit.clone(), from_states: unit, paired: 0 }
    }

    /// A matrix in this base.
    pub fn seen(&self, a: &DMatrix<f64>) -> DMatrix<f64> {
        &self.from_states * a * &self.to_states
    }

    /// The update by a matrix whose modes these are; `None` if that is not so.
    pub fn update(&self, a: &DMatrix<f64>) -> Option<Update> {
        let n = a.nrows();
        let seen = self.seen(a);
        let mut middle = DMatrix::zeros(n, n);
        let (mut diagonal, mut cross) = (vec![0.0; n], vec![0.0; n]);
        for k in 0..n {
            if k < self.paired {
                let other = k ^ 1;
                let (low, high) = (k & !1, k | 1);
                diagonal[k] = 0.5 * (seen[(low, low)] + seen[(high, high)]);
                let turn = 0.5 * (seen[(low, high)] - seen[(high, low)]);
                cross[k] = if k == low { turn } else { -turn };
                middle[(k, other)] = cross[k];
            } else {
                diagonal[k] = seen[(k, k)];
            }
            middle[(k, k)] = diagonal[k];
        }
        let loss = (&self.to_states * middle * &self.from_states - a).amax();
        (loss <= LARGEST_LOSS * a.amax()).then_some(Update { diagonal, cross })
    }
}

/// The modes of a matrix; `None` if it has no well-conditioned set of them.
pub fn modes(a: &DMatrix<f64>) -> Option<Base> {
    let n = a.nrows();
    if n == 0 {
        return None;
    }
    let size = a.amax();
    let values = eigenvalues(a.clone())?;
    let mut base = DMatrix::zeros(n, n);
    let mut at = 0;
    let mut seed = 1u64;
    for value in values.iter().filter(|v| v.im > 0.0) {
        let moved = value + Complex::new(SHIFT * size, SHIFT * size);
        let shifted = a.map(|v| Complex::new(v, 0.0)) - DMatrix::identity(n, n) * moved;
        let lu = shifted.lu();
        let mut w = DVector::from_fn(n, |_, _| Complex::new(noise(&mut seed), noise(&mut seed)));
        for _ in 0..ROUNDS {
            w = lu.solve(&w)?;
            let largest = w.iter().map(|v| v.norm()).fold(0.0, f64::max);
            w /= Complex::new(largest, 0.0);
        }
        // The phase that makes the real and the imaginary part orthogonal.
        let turn = w.iter().map(|v| v * v).sum::<Complex<f64>>().arg() / 2.0;
        w *= Complex::from_polar(1.0 / w.norm(), -turn);
        base.set_column(at, &w.map(|v| v.re));
        base.set_column(at + 1, &w.map(|v| v.im));
        at += 2;
    }
    let paired = at;
    for value in values.iter().filter(|v| v.im == 0.0) {
        let lu = (a - DMatrix::identity(n, n) * (value.re + SHIFT * size)).lu();
        let mut w = DVector::from_fn(n, |_, _| noise(&mut seed));
        for _ in 0..ROUNDS {
            w = lu.solve(&w)?;
            w /= w.amax();
        }
        w /= w.norm();
        base.set_column(at, &w);
        at += 1;
    }
    if at != n || base.iter().any(|v| !v.is_finite()) {
        return None;
    }
    let lu = base.clone().full_piv_lu();
    let inverse = lu.solve(&DMatrix::identity(n, n))?;
    let base = Base { to_states: base, from_states: inverse, paired };
    base.update(a).is_some().then_some(base)
}

/// Numbers from -1 to 1, the same in every run.
fn noise(seed: &mut u64) -> f64 {
    *seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
    (*seed >> 11) as f64 / (1u64 << 52) as f64 - 1.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn modes_give_the_powers_of_a_matrix() {
        let mut seed = 5;
        for n in [1, 2, 5, 12, 30] {
            let a = DMatrix::from_fn(n, n, |_, _| noise(&mut seed) / (n as f64).sqrt());
            let base = modes(&a).expect("a random matrix has modes");
            let update = base.update(&a).expect("they are its modes");
            let x = DVector::from_fn(n, |_, _| noise(&mut seed));
            let mut s = &base.from_states * &x;
            let mut want = x;
            for _ in 0..10 {
                want = &a * want;
                s = DVector::from_fn(n, |k, _| {
                    let other = s.get(k ^ 1).copied().unwrap_or(0.0);
                    update.diagonal[k] * s[k] + update.cross[k] * other
                });
            }
            assert!((&base.to_states * s - want).amax() < 1e-9, "{n}");
            // What is made of the matrix has the same modes; another matrix has not.
            let one = DMatrix::identity(n, n);
            let made = (&one * 3.0 - &a).lu().solve(&(&one + &a)).expect("a solution");
            assert!(base.update(&made).is_some(), "{n}");
            let other = DMatrix::from_fn(n, n, |_, _| noise(&mut seed));
            assert!(n == 1 || base.update(&other).is_none(), "{n}");
        }
        // Two like modes side by side are no obstacle; a chain of two is, and says so.
        assert!(modes(&DMatrix::from_row_slice(2, 2, &[0.5, 0.0, 0.0, 0.5])).is_some());
        assert!(modes(&DMatrix::from_row_slice(2, 2, &[0.5, 1.0, 0.0, 0.5])).is_none());
    }
}
