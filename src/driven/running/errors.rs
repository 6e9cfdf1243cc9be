//! What a step of Newton's method leaves, and how the part that kept slopes leave is made up for.

use super::FARTHEST;
use super::fitted::Fitted;
use super::ports::{Ports, add_slopes};
use crate::driven::block::PlannedBlock;
use crate::driven::panels::{add_listed, add_picked};
use crate::simd::{QUAD, Quad, Work, larger, widest};

/// How many times the error that may be left kept slopes may leave before a large block takes them anew: making
/// up for a few steps costs less. For a small block its inverse does.
const WORN: f64 = 3.0;
/// The same where another Newton step follows in any case. Such a step takes away all but a small part of it,
/// and what is left then is looked at again.
const LEFT_TO_THE_NEXT: f64 = 100.0;
/// How many times the error that may be left can be made up for without another Newton step, and in how many
/// goes.
pub const MENDABLE: f64 = 100.0;
pub const MOST_MENDS: usize = 3;

impl<const W: usize, const R: usize> Fitted<W, R> {
    /// What true slopes add to the currents of a device or a block below where kept ones were used, after moves
    /// of its ports.
    #[inline(always)]
    pub fn missing(&self, line: usize, moves: &[f64], ports: usize) -> Quad {
        let (line, kept) = (&self.lines[line].slopes, &self.kept[line].slopes);
        let mut missing = Quad::ZERO;
        add_slopes(&mut missing, |c| line[c].less(&kept[c]), moves, ports);
        missing
    }

    /// Errors of the currents after a step of the guess, in units of what is tolerated: what kept slopes leave,
    /// and what the bends of the laws do, which no slope has; these only where asked for.
    #[inline(always)]
    pub fn errors<const BENDS: bool>(&self, plan: &PlannedBlock, step: &Ports<R>) -> (f64, f64) {
        let (mut wear, mut bends) = (Quad::ZERO, Quad::ZERO);
        let places = &plan.places[..self.lines.len()];
        let kept = &self.kept[..self.lines.len()];
        for n in 0..self.lines.len() {
            let first = places[n].0;
            let (line, own) = (&self.lines[n], &step.0[first..first + QUAD]);
            let exactness = self.current_exactness.window(first);
            let error = self.missing(n, own, places[n].1);
            wear = wear.larger_size(&error.times(&exactness));
            let flows = error.plus(&line.current_a);
            wear = wear.larger_size(&flows.times(&kept[n].left_out));
            if BENDS {
                let unsure = Quad([line.unsure_s; QUAD]);
                let mut change = Quad::ZERO;
                for c in 0..QUAD {
                    let slopes = Quad::ZERO.larger_size(&line.slopes[c]);
                    change.add(&slopes.plus(&unsure), own[c].abs());
                }
                let bend = change.times(&change).times(&line.bend_per_a);
                bends = bends.larger_size(&bend.times(&exactness));
            }
        }
        (wear.largest(), bends.largest())
    }

    /// The largest error that is left after a step of the guess: what kept slopes leave, and what moving so far
    /// leaves even with true ones.
    #[inline(always)]
    pub fn errors_after(&self, plan: &PlannedBlock, step: &Ports<R>) -> (f64, f64) {
        let mut moved = Quad::ZERO;
        for q in 0..W {
            // Ports that are no device's have an exactness of zero.
            moved = moved.larger_size(&step.quad(q).times(&self.exactness[q]));
        }
        let moved = moved.largest();
        if moved <= 1.0 {
            return (self.errors::<false>(plan, step).0, 0.0);
        }
        let (wear, bends) = self.errors::<true>(plan, step);
        (wear, larger(bends, moved / FARTHEST))
    }

    /// Whether the kept slopes will leave too large an error if the guess is as far off as it was last time.
    #[inline(always)]
    pub fn are_worn(&self, plan: &PlannedBlock) -> bool {
        let (wear, rest) = self.errors_after(plan, &self.misses[self.guesses.min(1)]);
        let another_follows = self.guesses == 0 && rest > 1.0;
        wear > if another_follows {
            LEFT_TO_THE_NEXT
        } else if W == 1 {
            1.0
        } else {
            WORN
        }
    }

    /// [`Self::errors_after`] the last step of the guess; no number if a voltage is none.
    #[inline(never)]
    pub fn left(&self, plan: &PlannedBlock) -> (f64, f64) {
        widest(Left(self, plan))
    }

    /// Makes up for what kept slopes left in the last step of the guess; returns what is left then.
    #[inline(never)]
    pub fn mend(&mut self, plan: &PlannedBlock) -> f64 {
        widest(Mend(self, plan))
    }
}

/// These as work for the widest vectors.
struct Mend<'a, const W: usize, const R: usize>(&'a mut Fitted<W, R>, &'a PlannedBlock);
struct Left<'a, const W: usize, const R: usize>(&'a Fitted<W, R>, &'a PlannedBlock);

impl<const W: usize, const R: usize> Work for Left<'_, W, R> {
    type Output = (f64, f64);

    #[inline(always)]
    fn run(self) -> (f64, f64) {
        let Self(block, plan) = self;
        let mut check = Quad::ZERO;
        for q in 0..W {
            check.add(&block.step.quad(q), 0.0);
        }
        let (wear, rest) = block.errors_after(plan, &block.step);
        (wear, rest + check.total())
    }
}

impl<const W: usize, const R: usize> Work for Mend<'_, W, R> {
    type Output = f64;

    #[inline(always)]
    fn run(self) -> f64 {
        let Self(block, plan) = self;
        let mut missing = Ports::<R>::ZERO;
        for n in 0..block.lines.len() {
            let (first, own) = plan.places[n];
            let moves = &block.unmended.0[first..first + QUAD];
            missing.set_window(first, &block.missing(n, moves, own));
        }
        let active = &block.active[..block.count];
        let mut more = [Quad::ZERO; W];
        add_picked(&mut more, &block.inverse[..block.count], active, &missing.0);
        let mut currents = Ports::<R>::ZERO;
        let mut loads = Quad::ZERO;
        let x = &mut block.x[plan.currents_at()..][..W * QUAD];
        let (quads, _) = x.as_chunks_mut::<QUAD>();
        for q in 0..W {
            currents.set_quad(q, more[q]);
            quads[q] = Quad(quads[q]).plus(&more[q]).0;
            loads = loads.larger_size(&missing.quad(q).times(&block.load_exactness.quad(q)));
        }
        let mut moved = [Quad::ZERO; W];
        add_listed(&mut moved, &block.coupling, active, &currents.0);
        let mut step = Ports::<R>::ZERO;
        for q in 0..W {
            step.set_quad(q, moved[q]);
            block.v.set_quad(q, block.v.quad(q).plus(&moved[q]));
            block.step.set_quad(q, block.step.quad(q).plus(&moved[q]));
        }
        block.unmended = step;
        larger(loads.largest(), block.errors::<false>(plan, &step).0)
    }
}
