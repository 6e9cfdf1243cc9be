//! Small dense matrices laid out for one product with a vector per step.

use nalgebra::DMatrix;

/// Rows of a panel: eight sums run side by side.
const WIDE: usize = 8;
/// Rows of the last panel, where four are enough.
const NARROW: usize = 4;

/// A matrix in panels of eight rows (the last one of four, if that will do), each column by column.
#[derive(Clone, Debug)]
pub struct Panels {
    columns: usize,
    wide: Box<[[f64; WIDE]]>,
    narrow: Box<[[f64; NARROW]]>,
}

/// A count of rows padded to whole panels.
pub fn padded(rows: usize) -> usize {
    rows.div_ceil(NARROW) * NARROW
}

impl Panels {
    /// Lays out a matrix.
    pub fn new(m: &DMatrix<f64>) -> Self {
        let (rows, columns) = m.shape();
        let at = |r: usize, c: usize| if r < rows { m[(r, c)] } else { 0.0 };
        let wide_rows = padded(rows) / WIDE * WIDE;
        let mut wide = Vec::new();
        for first in (0..wide_rows).step_by(WIDE) {
            wide.extend((0..columns).map(|c| std::array::from_fn(|k| at(first + k, c))));
        }
        let narrow = if wide_rows < padded(rows) { columns } else { 0 };
        let narrow = (0..narrow).map(|c| std::array::from_fn(|k| at(wide_rows + k, c)));
        Self { columns, wide: wide.into_boxed_slice(), narrow: narrow.collect() }
    }

    /// `out = start + M x` for padded `start` and `out`; `x` has as many entries as columns.
    // Loops by index: adapters of iterators are calls where the units of a crate are compiled apart.
    #[inline(always)]
    pub fn product(&self, start: &[f64], x: &[f64], out: &mut [f64]) {
        let columns = self.columns;
        let x = &x[..columns];
        let (mut row, mut first) = (0, 0);
        while row + WIDE <= out.len() {
            let panel = &self.wide[first..first + columns];
            let mut sum = [0.0; WIDE];
            for k in 0..WIDE {
                sum[k] = start[row + k];
            }
            for c in 0..columns {
                for k in 0..WIDE {
                    sum[k] += panel[c][k] * x[c];
                }
            }
            for k in 0..WIDE {
                out[row + k] = sum[k];
            }
            (row, first) = (row + WIDE, first + columns);
        }
        if row < out.len() {
            let panel = &self.narrow[..columns];
            let mut sum = [0.0; NARROW];
            for k in 0..NARROW {
                sum[k] = start[row + k];
            }
            for c in 0..columns {
                for k in 0..NARROW {
                    sum[k] += panel[c][k] * x[c];
                }
            }
            for k in 0..NARROW {
                out[row + k] = sum[k];
            }
        }
    }

    /// `out += M x`, where `x` is zero but for the listed columns.
    #[inline(always)]
    pub fn add_columns(&self, listed: &[usize], x: &[f64], out: &mut [f64]) {
        let columns = self.columns;
        let x = &x[..listed.len()];
        let (mut row, mut first) = (0, 0);
        while row + WIDE <= out.len() {
            let panel = &self.wide[first..first + columns];
            let mut sum = [0.0; WIDE];
            for k in 0..WIDE {
                sum[k] = out[row + k];
            }
            for c in 0..listed.len() {
                let column = &panel[listed[c]];
                for k in 0..WIDE {
                    sum[k] += column[k] * x[c];
                }
            }
            for k in 0..WIDE {
                out[row + k] = sum[k];
            }
            (row, first) = (row + WIDE, first + columns);
        }
        if row < out.len() {
            let mut sum = [0.0; NARROW];
            for k in 0..NARROW {
                sum[k] = out[row + k];
            }
            for c in 0..listed.len() {
                let column = &self.narrow[listed[c]];
                for k in 0..NARROW {
                    sum[k] += column[k] * x[c];
                }
            }
            for k in 0..NARROW {
                out[row + k] = sum[k];
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn products_are_those_of_the_matrix() {
        for (rows, columns) in [(1, 1), (3, 5), (4, 2), (5, 7), (8, 3), (13, 9), (20, 4)] {
            let m = DMatrix::from_fn(rows, columns, |r, c| (r * 17 + c * 5) as f64 * 0.25 - 3.0);
            let x: Vec<f64> = (0..columns).map(|c| c as f64 - 1.5).collect();
            let start = vec![2.0; padded(rows)];
            let mut out = vec![0.0; padded(rows)];
            let panels = Panels::new(&m);
            panels.product(&start, &x, &mut out);
            for r in 0..rows {
                let want: f64 = 2.0 + (0..columns).map(|c| m[(r, c)] * x[c]).sum::<f64>();
                assert_eq!(out[r], want);
            }
            let mut out = start;
            panels.add_columns(&[columns - 1, 0], &[2.0, 1.0], &mut out);
            for r in 0..rows {
                assert_eq!(out[r], 2.0 + 2.0 * m[(r, columns - 1)] + m[(r, 0)]);
            }
        }
    }
}
