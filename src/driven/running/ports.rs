//! A number for each port of a block, and what is done with such lists.

use crate::simd::{QUAD, Quad};

/// A number for each port, then for each cut node above: `R` is four more than there can be, so that the quad
/// of the last device fits.
#[derive(Clone, Copy, Debug)]
#[repr(align(32))]
pub struct Ports<const R: usize>(pub [f64; R]);

impl<const R: usize> Ports<R> {
    pub const ZERO: Self = Self([0.0; R]);

    #[inline(always)]
    pub fn quad(&self, q: usize) -> Quad {
        let (quads, _) = self.0.as_chunks::<QUAD>();
        Quad(quads[q])
    }

    /// Four numbers from a place on.
    #[inline(always)]
    pub fn window(&self, first: usize) -> Quad {
        let list = &self.0[first..first + QUAD];
        Quad([list[0], list[1], list[2], list[3]])
    }

    #[inline(always)]
    pub fn set_window(&mut self, first: usize, to: &Quad) {
        let list = &mut self.0[first..first + QUAD];
        for k in 0..QUAD {
            list[k] = to.0[k];
        }
    }

    #[inline(always)]
    pub fn set_quad(&mut self, q: usize, to: Quad) {
        let (quads, _) = self.0.as_chunks_mut::<QUAD>();
        quads[q] = to.0;
    }
}

/// What the next values will be, from the last four, newest first. A straight line is gone on with where it
/// would have foretold the last value better than the value before it, and a parabola likewise: at a corner
/// of the signal they lead far astray.
#[inline(always)]
pub fn foretold([last, before, earlier, oldest]: [&Quad; 4]) -> Quad {
    let (rise, rise_before) = (last.less(before), before.less(earlier));
    let bend = rise.less(&rise_before);
    let bend_before = rise_before.less(&earlier.less(oldest));
    let twist = bend.less(&bend_before);
    let mut next = *last;
    for k in 0..QUAD {
        let line = bend.0[k].abs() < rise.0[k].abs();
        let parabola = line & (twist.0[k].abs() < bend.0[k].abs());
        next.0[k] += if line { rise.0[k] } else { 0.0 };
        next.0[k] += if parabola { bend.0[k] } else { 0.0 };
    }
    next
}

/// What the slopes of a device of so many ports make of a number at each of them; beyond its ports there are none.
#[inline(always)]
pub fn add_slopes(sum: &mut Quad, slopes: impl Fn(usize) -> Quad, x: &[f64], ports: usize) {
    // Written out: a loop over so few is slower than they are.
    sum.add(&slopes(0), x[0]);
    if ports > 1 {
        sum.add(&slopes(1), x[1]);
    }
    if ports > 2 {
        sum.add(&slopes(2), x[2]);
        if ports > 3 {
            sum.add(&slopes(3), x[3]);
        }
    }
}

/// Sum of products.
#[inline(always)]
pub fn total<const W: usize>(a: &[Quad; W], b: &[Quad; W]) -> f64 {
    let mut sum = Quad::ZERO;
    for q in 0..W {
        sum = sum.plus(&a[q].times(&b[q]));
    }
    sum.total()
}
