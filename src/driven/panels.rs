//! Small dense matrices laid out for one product with a vector per step.
//!
//! Vectors are padded to whole quads (four numbers). A matrix is cut into panels of four quads of rows,
//! then two, then one; each lies column by column, so that a product keeps its sums in registers.

use nalgebra::DMatrix;

use crate::simd::{QUAD, Quad};

/// Adds the product of a matrix, by columns of `W` quads, with as many numbers as it has columns.
#[inline(always)]
pub fn add_products<const W: usize>(sums: &mut [Quad; W], columns: &[[Quad; W]], x: &[f64]) {
    let x = &x[..columns.len()];
    add(sums, columns, columns.len(), |at| (at, x[at]));
}

/// The same for the listed columns, the others' numbers being zero.
#[inline(always)]
pub fn add_listed<const W: usize>(
    sums: &mut [Quad; W],
    columns: &[[Quad; W]],
    listed: &[usize],
    x: &[f64],
) {
    let x = &x[..columns.len()];
    add(sums, columns, listed.len(), |at| (listed[at], x[listed[at]]));
}

/// The same where the columns are only those listed.
#[inline(always)]
pub fn add_picked<const W: usize>(
    sums: &mut [Quad; W],
    columns: &[[Quad; W]],
    listed: &[usize],
    x: &[f64],
) {
    let listed = &listed[..columns.len()];
    add(sums, columns, columns.len(), |at| (at, x[listed[at]]));
}

#[inline(always)]
fn add<const W: usize>(
    sums: &mut [Quad; W],
    columns: &[[Quad; W]],
    count: usize,
    column: impl Fn(usize) -> (usize, f64),
) {
    // Two sums side by side: an addition waits for the one before it.
    let mut odd = [Quad::ZERO; W];
    let mut at = 0;
    // Four at a time: counting takes as long as adding where a column is a quad or two.
    while at + 3 < count {
        add_one(sums, columns, column(at));
        add_one(&mut odd, columns, column(at + 1));
        add_one(sums, columns, column(at + 2));
        add_one(&mut odd, columns, column(at + 3));
        at += 4;
    }
    if at + 1 < count {
        add_one(sums, columns, column(at));
        add_one(&mut odd, columns, column(at + 1));
        at += 2;
    }
    if at < count {
        add_one(sums, columns, column(at));
    }
    for q in 0..W {
        sums[q] = sums[q].plus(&odd[q]);
    }
}

/// A column times a number.
#[inline(always)]
fn add_one<const W: usize>(sums: &mut [Quad; W], columns: &[[Quad; W]], (at, x): (usize, f64)) {
    let column = &columns[at];
    for q in 0..W {
        sums[q].add(&column[q], x);
    }
}

/// A count of rows padded to whole quads.
pub fn padded(rows: usize) -> usize {
    rows.div_ceil(QUAD) * QUAD
}

/// A matrix of any size, in panels of four quads of rows, then two, then one, each column by column.
#[derive(Clone, Debug)]
pub struct Panels {
    columns: usize,
    fours: Vec<[Quad; 4]>,
    two: Vec<[Quad; 2]>,
    one: Vec<[Quad; 1]>,
}

impl Panels {
    /// Lays out a matrix.
    pub fn new(m: &DMatrix<f64>) -> Self {
        let quads = m.nrows().div_ceil(QUAD);
        let quad = |quad: usize, c: usize| {
            let at = |r: usize| if r < m.nrows() { m[(r, c)] } else { 0.0 };
            Quad(std::array::from_fn(|k| at(quad * QUAD + k)))
        };
        let mut new = Self { columns: m.ncols(), fours: vec![], two: vec![], one: vec![] };
        for first in (0..quads / 4 * 4).step_by(4) {
            new.fours.extend((0..m.ncols()).map(|c| std::array::from_fn(|q| quad(first + q, c))));
        }
        if quads & 2 != 0 {
            let first = quads / 4 * 4;
            new.two.extend((0..m.ncols()).map(|c| std::array::from_fn(|q| quad(first + q, c))));
        }
        if quads & 1 != 0 {
            new.one.extend((0..m.ncols()).map(|c| [quad(quads - 1, c)]));
        }
        new
    }

    /// `out = M x` for a padded `out`; `x` has an entry for each column, or more.
    #[inline(always)]
    pub fn product(&self, x: &[f64], out: &mut [f64]) {
        self.each_panel(x, out, false);
    }

    /// `out += M x`.
    #[inline(always)]
    pub fn add_product(&self, x: &[f64], out: &mut [f64]) {
        self.each_panel(x, out, true);
    }

    #[inline(always)]
    fn each_panel(&self, x: &[f64], out: &mut [f64], add: bool) {
        let x = &x[..self.columns];
        let (mut out, _) = out.as_chunks_mut::<QUAD>();
        let mut first = 0;
        while first < self.fours.len() {
            let (own, rest) = out.split_at_mut(4);
            panel(&self.fours[first..first + self.columns], x, own, add);
            (out, first) = (rest, first + self.columns);
        }
        if !self.two.is_empty() {
            let (own, rest) = out.split_at_mut(2);
            panel(&self.two, x, own, add);
            out = rest;
        }
        if !self.one.is_empty() {
            panel(&self.one, x, out, add);
        }
    }
}

#[inline(always)]
fn panel<const R: usize>(cells: &[[Quad; R]], x: &[f64], out: &mut [[f64; QUAD]], add: bool) {
    let out = &mut out[..R];
    let mut sums = [Quad::ZERO; R];
    if add {
        for q in 0..R {
            sums[q] = Quad(out[q]);
        }
    }
    add_products(&mut sums, cells, x);
    for q in 0..R {
        out[q] = sums[q].0;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn products_are_those_of_the_matrix() {
        for (rows, columns) in
            [(1, 1), (3, 5), (4, 2), (5, 7), (8, 3), (13, 9), (20, 4), (27, 6), (32, 5)]
        {
            let m = DMatrix::from_fn(rows, columns, |r, c| (r * 17 + c * 5) as f64 * 0.25 - 3.0);
            let x: Vec<f64> = (0..columns).map(|c| c as f64 - 1.5).collect();
            let mut out = vec![2.0; padded(rows)];
            let panels = Panels::new(&m);
            panels.add_product(&x, &mut out);
            let mut alone = vec![2.0; padded(rows)];
            panels.product(&x, &mut alone);
            for r in 0..rows {
                let want: f64 = (0..columns).map(|c| m[(r, c)] * x[c]).sum();
                assert_eq!((out[r], alone[r]), (2.0 + want, want));
            }
        }
    }

    #[test]
    fn listed_columns_are_all_that_counts() {
        let columns: Vec<[Quad; 2]> = (0..9)
            .map(|c| std::array::from_fn(|q| Quad([f64::from(c * 2 + q as i32); QUAD])))
            .collect();
        let x: [f64; 9] = std::array::from_fn(|c| (c + 1) as f64);
        for listed in [
            &[][..],
            &[3],
            &[4, 1],
            &[0, 2, 3],
            &[8, 1, 2, 7],
            &[0, 1, 4, 6, 5],
            &[5, 3, 1, 0, 8, 7],
            &[0, 1, 2, 3, 4, 5, 6],
            &[8, 7, 6, 5, 4, 3, 2, 1, 0],
        ] {
            let mut sums = [Quad([1.0; QUAD]); 2];
            add_listed(&mut sums, &columns, listed, &x);
            for (q, sum) in sums.iter().enumerate() {
                let want =
                    1.0 + listed.iter().map(|&c| ((c * 2 + q) * (c + 1)) as f64).sum::<f64>();
                assert_eq!(sum.0, [want; QUAD]);
            }
        }
    }
}
