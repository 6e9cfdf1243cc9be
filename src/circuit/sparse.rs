//! Sparse LU of `G + s C`, ordered once and run on several frequencies side by side.
//!
//! The pivots are chosen at one frequency by H. Markowitz's rule ("The elimination form of the
//! inverse", Management Science 3(3), 1957) among entries large enough to be safe, which gives a
//! straight list of multiply-subtract steps. That list is then run on eight frequencies at once.
//! As the order is fixed while the values move, every answer is checked by its residual, row by row
//! against the magnitudes that meet in the row, and refined where that is not in order: a node far
//! below the input has its digits then too (R. D. Skeel, "Iterative refinement implies numerical
//! stability for Gaussian elimination", Mathematics of Computation 35, 1980).

use std::sync::Arc;

use nalgebra::{Complex, DMatrix};

use crate::simd::{Work, widest};

/// Frequencies that one pass works on.
pub const LANES: usize = 8;

/// Real and imaginary parts of eight values.
#[derive(Clone, Copy, Debug)]
#[repr(align(64))]
struct Lane {
    re: [f64; LANES],
    im: [f64; LANES],
}

impl Lane {
    /// No derived default: its code would be a call.
    const ZERO: Self = Self { re: [0.0; LANES], im: [0.0; LANES] };

    /// self -= a * b
    #[inline(always)]
    fn subtract_product(&mut self, a: &Lane, b: &Lane) {
        for k in 0..LANES {
            self.re[k] -= a.re[k] * b.re[k] - a.im[k] * b.im[k];
            self.im[k] -= a.re[k] * b.im[k] + a.im[k] * b.re[k];
        }
    }

    /// self *= b
    #[inline(always)]
    fn multiply(&mut self, b: &Lane) {
        for k in 0..LANES {
            let re = self.re[k] * b.re[k] - self.im[k] * b.im[k];
            self.im[k] = self.re[k] * b.im[k] + self.im[k] * b.re[k];
            self.re[k] = re;
        }
    }

    #[inline(always)]
    fn reciprocal(&self) -> Lane {
        let mut out = Lane::ZERO;
        for k in 0..LANES {
            let square = self.re[k] * self.re[k] + self.im[k] * self.im[k];
            out.re[k] = self.re[k] / square;
            out.im[k] = -self.im[k] / square;
        }
        out
    }
}

/// An entry of the matrix: `static_part + s * storage`.
#[derive(Clone, Debug)]
struct Entry {
    slot: u32,
    row: u32,
    column: u32,
    static_part: f64,
    storage: f64,
}

/// One pivot and the entries below it (`lower`: slot, row) and beside it (`upper`: slot, column).
#[derive(Clone, Debug)]
struct Step {
    pivot: u32,
    row: u32,
    column: u32,
    lower: Vec<(u32, u32)>,
    upper: Vec<(u32, u32)>,
    /// (target, lower, upper) slots.
    updates: Vec<(u32, u32, u32)>,
}

/// The ordered elimination of one matrix.
#[derive(Clone, Debug)]
pub struct SparseSolver {
    size: usize,
    slots: usize,
    entries: Vec<Entry>,
    /// Shared by all that have the same shape.
    steps: Arc<[Step]>,
}

/// Reusable memory of a solve.
#[derive(Clone, Debug)]
pub struct Workspace {
    values: Vec<Lane>,
    /// The right side as given, which is real.
    given: Vec<[f64; LANES]>,
    right: Vec<Lane>,
    x: Vec<Lane>,
    /// Row sums of magnitudes.
    scale: Vec<[f64; LANES]>,
}

/// A pivot must be at least this share of the largest entry of its column.
const PIVOT_THRESHOLD: f64 = 0.05;
/// Largest residual of an answer that is taken, in proportion to the magnitudes of its row.
const RESIDUAL_LIMIT: f64 = 1e-13;
/// Rounds of refinement: the second one is for the worst of random networks.
pub(super) const REFINEMENTS: usize = 2;

impl SparseSolver {
    /// Orders the elimination of `static_part + s storage` with the values at `reference`. The
    /// places (row, column) of `room` are kept free for entries that are zero now and come with
    /// [`Self::reload`]. `None` if the matrix is singular there.
    pub fn new(
        static_part: &DMatrix<f64>,
        storage: &DMatrix<f64>,
        reference: Complex<f64>,
        room: &[(usize, usize)],
    ) -> Option<Self> {
        let n = static_part.nrows();
        let mut slot = DMatrix::from_element(n, n, u32::MAX);
        let mut slots = 0u32;
        let mut entries = Vec::new();
        let mut kept_free = DMatrix::from_element(n, n, false);
        for &at in room {
            kept_free[at] = true;
        }
        for c in 0..n {
            for r in 0..n {
                let (g, s) = (static_part[(r, c)], storage[(r, c)]);
                if g != 0.0 || s != 0.0 || kept_free[(r, c)] {
                    slot[(r, c)] = slots;
                    entries.push(Entry {
                        slot: slots,
                        row: r as u32,
                        column: c as u32,
                        static_part: g,
                        storage: s,
                    });
                    slots += 1;
                }
            }
        }
        let mut a = DMatrix::from_fn(n, n, |r, c| {
            Complex::from(static_part[(r, c)]) + reference * storage[(r, c)]
        });
        let mut left = Left::new(&a, &slot);
        let mut steps = Vec::with_capacity(n);
        while !left.columns.is_empty() {
            let (pr, pc) = left.choose_pivot()?;
            let lower_rows = left.take_out(pr, pc);
            let used = |r: usize, c: usize| slot[(r, c)] != u32::MAX;
            let upper_columns: Vec<usize> =
                left.columns.iter().copied().filter(|&c| used(pr, c)).collect();
            let mut updates = Vec::new();
            for &r in &lower_rows {
                let factor = a[(r, pc)] / a[(pr, pc)];
                for &c in &upper_columns {
                    let new = slot[(r, c)] == u32::MAX;
                    if new {
                        slot[(r, c)] = slots;
                        slots += 1;
                    }
                    let upper = a[(pr, c)];
                    a[(r, c)] -= factor * upper;
                    left.set(r, c, a[(r, c)].norm(), new);
                    updates.push((slot[(r, c)], slot[(r, pc)], slot[(pr, c)]));
                }
            }
            steps.push(Step {
                pivot: slot[(pr, pc)],
                row: pr as u32,
                column: pc as u32,
                lower: lower_rows.iter().map(|&r| (slot[(r, pc)], r as u32)).collect(),
                upper: upper_columns.iter().map(|&c| (slot[(pr, c)], c as u32)).collect(),
                updates,
            });
        }
        Some(Self { size: n, slots: slots as usize, entries, steps: steps.into() })
    }

    /// Takes the values of other matrices of the same shape and keeps the order. `false`, and
    /// nothing is to be solved any more, if they have entries where this one has no place.
    #[must_use]
    pub fn reload(&mut self, static_part: &DMatrix<f64>, storage: &DMatrix<f64>) -> bool {
        if static_part.nrows() != self.size || storage.nrows() != self.size {
            return false;
        }
        let mut taken = 0;
        for e in &mut self.entries {
            let at = (e.row as usize, e.column as usize);
            (e.static_part, e.storage) = (static_part[at], storage[at]);
            taken += usize::from(e.static_part != 0.0 || e.storage != 0.0);
        }
        let all = static_part.as_slice().iter().zip(storage.as_slice());
        let there: usize = all.map(|(g, c)| usize::from((*g != 0.0) | (*c != 0.0))).sum();
        there == taken
    }

    /// Memory for [`Self::solve`].
    pub fn workspace(&self) -> Workspace {
        Workspace {
            values: vec![Lane::ZERO; self.slots],
            given: vec![[0.0; LANES]; self.size],
            right: vec![Lane::ZERO; self.size],
            x: vec![Lane::ZERO; self.size],
            scale: vec![[0.0; LANES]; self.size],
        }
    }

    /// Solves for a right side of one 1 in `source_row` at up to [`LANES`] values of s; returns for
    /// each whether the answer's residual is in order. Read it with [`Workspace::value`].
    pub fn solve(&self, w: &mut Workspace, source_row: usize, s: &[Complex<f64>]) -> [bool; LANES] {
        self.factor(w, s);
        self.substitute(w, &[(source_row, 1.0)], s)
    }

    /// Eliminates at up to [`LANES`] values of s, for [`Self::substitute`].
    pub fn factor(&self, w: &mut Workspace, s: &[Complex<f64>]) {
        widest(Factor { solver: self, w, s: filled(s) });
    }

    #[inline(always)]
    fn eliminate(&self, w: &mut Workspace, s: &[Complex<f64>; LANES]) {
        // What the matrix has comes first, then what elimination fills.
        put_to_zero(&mut w.values[self.entries.len()..]);
        for e in &self.entries {
            let v = &mut w.values[e.slot as usize];
            for k in 0..LANES {
                v.re[k] = e.static_part + e.storage * s[k].re;
                v.im[k] = e.storage * s[k].im;
            }
        }
        for step in &*self.steps {
            let inverse = w.values[step.pivot as usize].reciprocal();
            w.values[step.pivot as usize] = inverse;
            for &(slot, _) in &step.lower {
                w.values[slot as usize].multiply(&inverse);
            }
            for &(target, lower, upper) in &step.updates {
                let (l, u) = (w.values[lower as usize], w.values[upper as usize]);
                w.values[target as usize].subtract_product(&l, &u);
            }
        }
    }

    /// Solves for a right side, given as (row, value), each row once, at the values of s that were
    /// factored; returns for each whether the answer's residual is in order.
    pub fn substitute(
        &self,
        w: &mut Workspace,
        right: &[(usize, f64)],
        s: &[Complex<f64>],
    ) -> [bool; LANES] {
        w.given.fill([0.0; LANES]);
        for &(row, value) in right {
            w.given[row] = [value; LANES];
        }
        widest(Substitute { solver: self, w, s: filled(s) })
    }

    /// The same for up to [`LANES`] right sides at one value of s, which was factored alone.
    pub fn substitute_several(
        &self,
        w: &mut Workspace,
        right: &[Vec<(usize, f64)>],
        s: Complex<f64>,
    ) -> [bool; LANES] {
        w.given.fill([0.0; LANES]);
        for (lane, right) in right.iter().enumerate() {
            for &(row, value) in right {
                w.given[row][lane] += value;
            }
        }
        widest(Substitute { solver: self, w, s: [s; LANES] })
    }

    #[inline(always)]
    fn solve_refined(&self, w: &mut Workspace, s: &[Complex<f64>; LANES]) -> [bool; LANES] {
        for row in 0..self.size {
            w.right[row] = Lane { re: w.given[row], im: [0.0; LANES] };
        }
        self.substitute_through(w);
        let mut fine = self.check(w, s);
        for _ in 0..REFINEMENTS {
            if fine == [true; LANES] {
                break;
            }
            self.refine(w);
            fine = self.check(w, s);
        }
        fine
    }

    /// From the right side to the unknowns, forward and back.
    #[inline(always)]
    fn substitute_through(&self, w: &mut Workspace) {
        for step in &*self.steps {
            let upper = w.right[step.row as usize];
            for &(slot, row) in &step.lower {
                w.right[row as usize].subtract_product(&w.values[slot as usize], &upper);
            }
        }
        for step in self.steps.iter().rev() {
            let mut sum = w.right[step.row as usize];
            for &(slot, column) in &step.upper {
                sum.subtract_product(&w.values[slot as usize], &w.x[column as usize]);
            }
            sum.multiply(&w.values[step.pivot as usize]);
            w.x[step.column as usize] = sum;
        }
    }

    /// Takes the error that belongs to the residual (which [`Self::check`] left as the right side)
    /// off the answer.
    #[inline(always)]
    fn refine(&self, w: &mut Workspace) {
        let rough = w.x.clone();
        self.substitute_through(w);
        for (x, rough) in w.x.iter_mut().zip(&rough) {
            for k in 0..LANES {
                x.re[k] = rough.re[k] - x.re[k];
                x.im[k] = rough.im[k] - x.im[k];
            }
        }
    }

    /// The residual of each answer against the sum of magnitudes in each row.
    #[inline(always)]
    fn check(&self, w: &mut Workspace, s: &[Complex<f64>; LANES]) -> [bool; LANES] {
        for row in 0..self.size {
            let (mut right, mut scale) = (Lane::ZERO, [0.0; LANES]);
            for k in 0..LANES {
                right.re[k] = -w.given[row][k];
                scale[k] = w.given[row][k].abs();
            }
            w.right[row] = right;
            w.scale[row] = scale;
        }
        let (s_re, s_im) = (s.map(|s| s.re), s.map(|s| s.im));
        for e in &self.entries {
            // Copies, since the compiler has to think that the places overlap.
            let x = w.x[e.column as usize];
            let (mut r, mut m) = (w.right[e.row as usize], w.scale[e.row as usize]);
            for k in 0..LANES {
                let re = e.static_part + e.storage * s_re[k];
                let im = e.storage * s_im[k];
                r.re[k] += re * x.re[k] - im * x.im[k];
                r.im[k] += re * x.im[k] + im * x.re[k];
                m[k] += (re.abs() + im.abs()) * (x.re[k].abs() + x.im[k].abs());
            }
            w.right[e.row as usize] = r;
            w.scale[e.row as usize] = m;
        }
        let mut wrong = [0.0; LANES];
        for row in 0..self.size {
            let (r, m) = (w.right[row], w.scale[row]);
            for k in 0..LANES {
                // Written so that NaN counts as wrong.
                let fine = r.re[k].abs() + r.im[k].abs() <= RESIDUAL_LIMIT * m[k];
                wrong[k] += if fine { 0.0 } else { 1.0 };
            }
        }
        wrong.map(|rows| rows == 0.0)
    }
}

/// The two halves of a solution, as work for the widest vectors.
struct Factor<'a> {
    solver: &'a SparseSolver,
    w: &'a mut Workspace,
    s: [Complex<f64>; LANES],
}
struct Substitute<'a> {
    solver: &'a SparseSolver,
    w: &'a mut Workspace,
    s: [Complex<f64>; LANES],
}

impl Work for Factor<'_> {
    type Output = ();

    #[inline(always)]
    fn run(self) {
        self.solver.eliminate(self.w, &self.s);
    }
}

impl Work for Substitute<'_> {
    type Output = [bool; LANES];

    #[inline(always)]
    fn run(self) -> [bool; LANES] {
        self.solver.solve_refined(self.w, &self.s)
    }
}

/// Here, since the library's own is a call that knows only narrow vectors.
#[inline(always)]
fn put_to_zero(list: &mut [Lane]) {
    for lane in list {
        *lane = Lane::ZERO;
    }
}

/// As many values as there are lanes: the last one again and again.
fn filled(s: &[Complex<f64>]) -> [Complex<f64>; LANES] {
    let last = s.last().copied().unwrap_or_default();
    std::array::from_fn(|k| s.get(k).copied().unwrap_or(last))
}

impl Workspace {
    /// Unknown `index` of the answer in `lane`.
    pub fn value(&self, index: usize, lane: usize) -> Complex<f64> {
        Complex::new(self.x[index].re[lane], self.x[index].im[lane])
    }
}

/// What is left of a matrix while its elimination is put in order.
struct Left {
    columns: Vec<usize>,
    /// By column: the rows that have an entry there, rising; by row: how many entries there are.
    rows: Vec<Vec<usize>>,
    counts: Vec<usize>,
    /// Magnitudes of the entries.
    sizes: DMatrix<f64>,
}

impl Left {
    fn new(a: &DMatrix<Complex<f64>>, slot: &DMatrix<u32>) -> Self {
        let n = a.ncols();
        let used = |r: usize, c: usize| slot[(r, c)] != u32::MAX;
        Self {
            columns: (0..n).collect(),
            rows: (0..n).map(|c| (0..n).filter(|&r| used(r, c)).collect()).collect(),
            counts: (0..n).map(|r| (0..n).filter(|&c| used(r, c)).count()).collect(),
            sizes: DMatrix::from_fn(n, n, |r, c| if used(r, c) { a[(r, c)].norm() } else { 0.0 }),
        }
    }

    /// The cheapest entry (fewest updates) among those large enough in their column.
    fn choose_pivot(&self) -> Option<(usize, usize)> {
        let mut best: Option<(usize, f64, usize, usize)> = None;
        for &c in &self.columns {
            let rows = &self.rows[c];
            let largest = rows.iter().map(|&r| self.sizes[(r, c)]).fold(0.0, f64::max);
            for &r in rows {
                let size = self.sizes[(r, c)];
                if size == 0.0 || !size.is_finite() || size < PIVOT_THRESHOLD * largest {
                    continue;
                }
                let cost = (self.counts[r] - 1) * (rows.len() - 1);
                let better = match best {
                    None => true,
                    Some((least, share, ..)) => {
                        cost < least || (cost == least && size / largest > share)
                    }
                };
                if better {
                    best = Some((cost, size / largest, r, c));
                }
            }
        }
        best.map(|(_, _, r, c)| (r, c))
    }

    /// Takes out a pivot's row and column; returns the other rows that have an entry in the column.
    fn take_out(&mut self, row: usize, column: usize) -> Vec<usize> {
        self.columns.retain(|&c| c != column);
        for &c in &self.columns {
            self.rows[c].retain(|&r| r != row);
        }
        let mut rows = std::mem::take(&mut self.rows[column]);
        rows.retain(|&r| r != row);
        for &r in &rows {
            self.counts[r] -= 1;
        }
        rows
    }

    /// Notes an entry's size, and the entry itself if it is new.
    fn set(&mut self, row: usize, column: usize, size: f64, new: bool) {
        self.sizes[(row, column)] = size;
        if new {
            self.counts[row] += 1;
            let rows = &mut self.rows[column];
            let at = rows.partition_point(|&r| r < row);
            rows.insert(at, row);
        }
    }
}
