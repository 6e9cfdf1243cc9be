//! Small dense matrices laid out for one product with a vector per sample.

use nalgebra::DMatrix;

/// Rows are padded to a multiple of this.
pub const LANES: usize = 4;

/// A matrix in panels of four rows, each panel column by column, so that four sums run side by side.
#[derive(Clone, Debug)]
pub struct Panels {
    columns: usize,
    data: Box<[f64]>,
}

/// A count of rows padded to whole panels.
pub fn padded(rows: usize) -> usize {
    rows.div_ceil(LANES) * LANES
}

impl Panels {
    /// Lays out a matrix.
    pub fn new(m: &DMatrix<f64>) -> Self {
        let (rows, columns) = m.shape();
        let mut data = vec![0.0; padded(rows) * columns];
        for i in 0..rows {
            for j in 0..columns {
                data[(i / LANES * columns + j) * LANES + i % LANES] = m[(i, j)];
            }
        }
        Self { columns, data: data.into_boxed_slice() }
    }

    /// `out = start + M x` for padded `start` and `out`; `x` has as many entries as columns.
    #[inline(always)]
    pub fn product(&self, start: &[f64], x: &[f64], out: &mut [f64]) {
        let panels = self.data.chunks_exact((self.columns * LANES).max(1));
        let rows = start.chunks_exact(LANES).zip(out.chunks_exact_mut(LANES));
        for (panel, (start, out)) in panels.zip(rows) {
            let mut sum = [start[0], start[1], start[2], start[3]];
            for (column, &x) in panel.chunks_exact(LANES).zip(x) {
                for k in 0..LANES {
                    sum[k] += column[k] * x;
                }
            }
            out.copy_from_slice(&sum);
        }
    }
}
