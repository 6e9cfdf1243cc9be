//! One block while it runs: a step of Newton's method with the blocks below as linear loads.
//!
//! At the guess `v*` each device is `i = f + D (v - v*)`. With `v = p + D_u u + K i` that gives
//! `(I - D K) i = f + D (p - v*) + D D_u u`, one linear system in the currents of the ports that
//! conduct at all. Its solution is linear in the drive `u`, so the current that the block draws
//! from the block above is `j0 + Y u`: that block takes it as one more device. Going up from the
//! last block and down again is one Newton step of the whole circuit, by block elimination.
//!
//! The slopes `D` barely change from step to step, so the inverse of `I - D K` is kept. What slopes
//! of an earlier step leave in a current is known, `(D - D_kept) (v - v*)`; where that is not
//! negligible, the kept inverse is put to it once more, or the slopes are taken anew, or one more Newton
//! step makes it so. Inverting is what costs most: which of the three it is to be goes by how far the
//! guesses of the last step were off.
//!
//! A step has come to rest when what it leaves is small, not when it was short: for the laws of valves
//! the error of a line through the guess has a bound (see [`Line::bend_per_a`]).

use std::any::Any;

use super::block::PlannedBlock;
use super::discrete::THETA;
use super::inverse::{invert, unit};
use super::panels::{add_listed, add_picked, add_products, padded};
use super::statistics::ValveTally;
use crate::simd::{QUAD, Quad, Work, larger, widest};

/// Most cut nodes through which one block is driven.
pub const MOST_TEARS: usize = QUAD;
/// Most ports of one block.
pub const MOST_PORTS: usize = 40;

/// A port is left out while less than this flows in it: a microvolt across a megohm. It is not enough to
/// ask what the current moves within a step, since what is left out always adds up in a capacitor.
pub const NO_CURRENT_A: f64 = 1e-12;

/// How many times the error that may be left kept slopes may leave before a large block takes them anew: making
/// up for a few steps costs less. For a small block its inverse does.
const WORN: f64 = 3.0;
/// The same where another Newton step follows in any case. Such a step takes away all but a small part of it,
/// and what is left then is looked at again.
const LEFT_TO_THE_NEXT: f64 = 100.0;
/// How many times the error that may be left can be made up for without another Newton step, and in how many
/// goes.
const MENDABLE: f64 = 100.0;
const MOST_MENDS: usize = 3;

/// How far a guess may move, in units of what counts as come to rest, while the bends of the laws are taken
/// for parabolas.
pub const FARTHEST: f64 = 20.0;

/// What a block tells the block above and hears from it, for one child block.
#[derive(Clone, Copy, Debug, Default)]
pub struct Exchange {
    /// Voltages of the cut nodes (deviation from rest), from above.
    pub drive: [f64; MOST_TEARS],
    /// Load current at no drive, and its slope (by cut node, then by the node whose current it is),
    /// from below.
    pub load_a: [f64; MOST_TEARS],
    pub load_s: [[f64; MOST_TEARS]; MOST_TEARS],
}

/// A device, or a block below, at the guess: currents (less those at rest) and `slopes[c]`, what a volt
/// at its port `c` adds to them. Places beyond its ports are zero.
///
/// `bend_per_a` times the square of what the slopes let a current change by is more than its distance from
/// the law then, after moves up to [`FARTHEST`]. For `i = s ln(1 + exp(x))^y`, `i i'' / i'^2` lies between
/// `1 - 1/y` and one, so that the second order is at most `(di)^2 / (2 i)`.
#[derive(Clone, Copy, Debug)]
pub struct Line {
    pub current_a: Quad,
    pub slopes: [Quad; QUAD],
    pub bend_per_a: Quad,
    /// Slope that counts besides for that bound, near corners of the law.
    pub unsure_s: f64,
}

/// What the kept inverse was made of.
#[derive(Clone, Copy, Debug)]
struct Kept {
    /// One over the most that may flow where a port was left out, else zero.
    left_out: Quad,
    slopes: [Quad; QUAD],
}

/// A number for each port, then for each cut node above: `R` is four more than there can be, so that the quad
/// of the last device fits.
#[derive(Clone, Copy, Debug)]
#[repr(align(32))]
struct Ports<const R: usize>([f64; R]);

impl<const R: usize> Ports<R> {
    const ZERO: Self = Self([0.0; R]);

    #[inline(always)]
    fn quad(&self, q: usize) -> Quad {
        let (quads, _) = self.0.as_chunks::<QUAD>();
        Quad(quads[q])
    }

    /// Four numbers from a place on.
    #[inline(always)]
    fn window(&self, first: usize) -> Quad {
        let list = &self.0[first..first + QUAD];
        Quad([list[0], list[1], list[2], list[3]])
    }

    #[inline(always)]
    fn set_window(&mut self, first: usize, to: &Quad) {
        let list = &mut self.0[first..first + QUAD];
        for k in 0..QUAD {
            list[k] = to.0[k];
        }
    }

    #[inline(always)]
    fn set_quad(&mut self, q: usize, to: Quad) {
        let (quads, _) = self.0.as_chunks_mut::<QUAD>();
        quads[q] = to.0;
    }
}

/// A block of the circuit in time, whatever its size.
pub trait Running: Send + Sync + std::fmt::Debug {
    /// Starts a step: what the history and the input alone give, and a guess.
    fn begin(&mut self, plan: &PlannedBlock, known: &[f64]);
    /// Linearises and solves for the currents as functions of the drive; with `renew` by the slopes
    /// at the guess, else by kept ones if they will do. `exchanges` has one entry for each block of
    /// the plan, `own` is this block's.
    fn eliminate(
        &mut self,
        plan: &PlannedBlock,
        exchanges: &mut [Exchange],
        own: usize,
        renew: bool,
    );
    /// Puts in the drive and moves the guess; returns the largest error that is left, in units of
    /// what is tolerated; no number if a voltage is none.
    fn substitute(&mut self, plan: &PlannedBlock, exchanges: &mut [Exchange], own: usize) -> f64;
    /// Goes half the way back to the guess before: Newton's method can swing to and fro across a corner
    /// of a law.
    fn shorten(&mut self);
    /// Ends the step: outputs (deviation from rest), how far the valves were driven, and the next
    /// history.
    fn finish(
        &mut self,
        plan: &PlannedBlock,
        outputs: Option<&mut [f64]>,
        valves: &mut [ValveTally],
    );
    /// Whether every port voltage is finite.
    fn is_finite(&self) -> bool;
    /// Gives up what has gone astray: all is at rest again.
    fn abandon(&mut self);
    /// Remembers where it stands, from where [`Running::halve`] measures.
    fn mark(&mut self, plan: &PlannedBlock);
    /// Goes half the way back to what [`Running::mark`] remembers.
    fn halve(&mut self, plan: &PlannedBlock);
    /// How far the devices' currents are from those that the voltages came of, in units of what is
    /// tolerated; no number if a voltage is none.
    fn mismatch(&mut self, plan: &PlannedBlock) -> f64;
    /// Puts the guess back to the last step's solution.
    fn start_over(&mut self);
    /// How far the first guess of the step was off, in units of what counts as come to rest.
    fn surprise(&self) -> f64;
    /// Goes on where another block stands that is the same piece of the circuit, in the same base, at another
    /// step: `ratio` is this one's step over the other's. Allocates nothing.
    fn go_on_from(&mut self, other: &dyn Running, ratio: f64);
    /// Goes on with another plan of the same shape. Allocates nothing.
    fn change_plan(&mut self, old: &PlannedBlock, new: &PlannedBlock);
    /// Goes on where another block stands, which was made for `old`, a plan of the same shape as
    /// this one's; whether it is of the same shape. Allocates nothing.
    fn take_over(&mut self, other: &dyn Running, old: &PlannedBlock, new: &PlannedBlock) -> bool;
    /// Itself, for [`Running::take_over`].
    fn as_any(&self) -> &dyn Any;
    /// A copy of itself.
    fn boxed_clone(&self) -> Box<dyn Running>;
}

/// A block at rest, with room for its ports. Each size takes more than half a second to compile: those are here
/// that preamplifiers and output stages in push-pull need, and one for all that are larger.
pub fn running(plan: &PlannedBlock) -> Box<dyn Running> {
    match (plan.ports + plan.tears).div_ceil(QUAD) {
        0..=1 => Box::new(Fitted::<1, 8>::new(plan)),
        2 => Box::new(Fitted::<2, 12>::new(plan)),
        3..=4 => Box::new(Fitted::<4, 20>::new(plan)),
        5 => Box::new(Fitted::<5, 24>::new(plan)),
        _ => Box::new(Fitted::<11, 48>::new(plan)),
    }
}

/// One with `W` quads of ports and cut nodes: a number that the compiler knows, so that a column of a
/// matrix is a handful of registers.
#[derive(Clone, Debug)]
struct Fitted<const W: usize, const R: usize> {
    /// What history and known inputs, drives and port currents add to the ports' voltages and, below
    /// them, to the currents drawn from the cut nodes; by column.
    to_ports: Vec<[Quad; W]>,
    drives: Vec<[Quad; W]>,
    coupling: Vec<[Quad; W]>,
    /// By cut node what port currents add to what is drawn there.
    drawn: Vec<[Quad; W]>,
    exactness: [Quad; W],
    current_exactness: Ports<R>,
    load_exactness: Ports<R>,

    /// Ports that conducted when the inverse was made.
    active: Vec<usize>,
    count: usize,
    lines: Vec<Line>,
    kept: Vec<Kept>,
    /// Inverse of `I - D K` by column, those of the active ports only.
    inverse: Vec<[Quad; W]>,
    /// Currents by drive, by cut node; load slopes.
    by_drive: [[Quad; W]; MOST_TEARS],
    load_s: [[f64; MOST_TEARS]; MOST_TEARS],
    /// Whether the inverse is that of other matrices or devices, and how many guesses the step has had.
    stale: bool,
    guesses: usize,
    /// Port voltages: the guess, and the solutions of the last steps.
    v: Ports<R>,
    last: Ports<R>,
    before: Ports<R>,
    earlier: Ports<R>,
    oldest: Ports<R>,
    /// How far the first guess and the second one were off in the last step that had them, and the last move
    /// of the guess.
    misses: [Ports<R>; 2],
    step: Ports<R>,
    /// The part of it that kept slopes have not been made up for.
    unmended: Ports<R>,
    /// Port currents at no drive.
    current: [Quad; W],
    /// `[s, u, i]`, the history padded; the history a step before; and room for the next history.
    x: Vec<f64>,
    history_before: Vec<f64>,
    next: Vec<f64>,
    /// Port voltages without currents and drives from above, then drawn currents likewise.
    p: Ports<R>,
    p_start: Ports<R>,
    /// Where [`Running::mark`] was called: voltages, then drives and currents.
    marked: Ports<R>,
    marked_currents: Vec<f64>,
    outputs: Vec<f64>,
}

impl<const W: usize, const R: usize> Fitted<W, R> {
    fn new(plan: &PlannedBlock) -> Self {
        let mut rest = Ports::ZERO;
        rest.0[..plan.ports].copy_from_slice(&plan.rest_volts);
        let none = [Quad::ZERO; W];
        let x = vec![0.0; plan.currents_at() + R];
        let lines = plan.lines();
        let line = Line {
            current_a: Quad::ZERO,
            slopes: [Quad::ZERO; QUAD],
            bend_per_a: Quad::ZERO,
            unsure_s: 0.0,
        };
        let kept = Kept { left_out: Quad::ZERO, slopes: line.slopes };
        let mut new = Self {
            to_ports: vec![none; plan.to_ports.ncols()],
            drives: vec![none; plan.tears],
            coupling: vec![none; plan.ports],
            drawn: vec![none; plan.tears],
            exactness: none,
            current_exactness: Ports::ZERO,
            load_exactness: Ports::ZERO,
            active: vec![0; plan.ports],
            count: 0,
            lines: vec![line; lines],
            kept: vec![kept; lines],
            inverse: vec![none; plan.ports],
            by_drive: [none; MOST_TEARS],
            load_s: [[0.0; MOST_TEARS]; MOST_TEARS],
            stale: true,
            guesses: 0,
            v: rest,
            last: rest,
            before: rest,
            earlier: rest,
            oldest: rest,
            misses: [Ports::ZERO; 2],
            step: Ports::ZERO,
            unmended: Ports::ZERO,
            current: none,
            history_before: vec![0.0; plan.padded_states()],
            next: vec![0.0; plan.padded_states()],
            x,
            p: rest,
            p_start: rest,
            marked: rest,
            marked_currents: vec![0.0; plan.tears + R],
            outputs: vec![0.0; padded(plan.outputs.len())],
        };
        new.set_matrices(plan);
        new
    }

    fn set_matrices(&mut self, plan: &PlannedBlock) {
        let (ports, tears) = (plan.ports, plan.tears);
        let set = |column: &mut [Quad; W], row: usize, to: f64| {
            column[row / QUAD].0[row % QUAD] = to;
        };
        for r in 0..ports + tears {
            for (c, column) in self.to_ports.iter_mut().enumerate() {
                set(column, r, plan.to_ports[(r, c)]);
            }
            for (c, column) in self.drives.iter_mut().enumerate() {
                set(column, r, plan.drives[(r, c)]);
            }
            for (c, column) in self.coupling.iter_mut().enumerate() {
                set(column, r, plan.coupling[(r, c)]);
            }
        }
        for c in 0..ports {
            for (t, line) in self.drawn.iter_mut().enumerate() {
                set(line, c, plan.coupling[(ports + t, c)]);
            }
        }
        for (port, to) in plan.exactness.iter().enumerate() {
            set(&mut self.exactness, port, *to);
        }
        let exactness = &plan.current_exactness;
        self.current_exactness.0[..exactness.len()].copy_from_slice(exactness);
        self.load_exactness.0[..exactness.len()].copy_from_slice(&plan.load_exactness);
        self.stale = true;
    }

    /// Devices and blocks below at the guess.
    #[inline(always)]
    fn linearise(&mut self, plan: &PlannedBlock, exchanges: &[Exchange]) {
        let (devices, below) = self.lines.split_at_mut(plan.devices.len());
        for n in 0..devices.len() {
            let device = &plan.devices[n];
            device.law.linearise(
                &self.v.0[device.first_port..],
                &device.rest_current,
                &mut devices[n],
            );
        }
        let mut n = 0;
        for child in &plan.children {
            if !child.loads {
                continue;
            }
            let load = &exchanges[child.block];
            let line = &mut below[n];
            line.current_a = Quad(load.load_a);
            for c in 0..QUAD {
                line.slopes[c] = Quad(load.load_s[c]);
                line.current_a.add(&line.slopes[c], self.v.0[child.first_port + c]);
            }
            n += 1;
        }
    }

    /// What true slopes add to the currents of a device or a block below where kept ones were used, after moves
    /// of its ports.
    #[inline(always)]
    fn missing(&self, line: usize, moves: &[f64], ports: usize) -> Quad {
        let (line, kept) = (&self.lines[line].slopes, &self.kept[line].slopes);
        let mut missing = Quad::ZERO;
        add_slopes(&mut missing, |c| line[c].less(&kept[c]), moves, ports);
        missing
    }

    /// Errors of the currents after a step of the guess, in units of what is tolerated: what kept slopes leave,
    /// and what the bends of the laws do, which no slope has; these only where asked for.
    #[inline(always)]
    fn errors<const BENDS: bool>(&self, plan: &PlannedBlock, step: &Ports<R>) -> (f64, f64) {
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
    fn errors_after(&self, plan: &PlannedBlock, step: &Ports<R>) -> (f64, f64) {
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
    fn are_worn(&self, plan: &PlannedBlock) -> bool {
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
    fn left(&self, plan: &PlannedBlock) -> (f64, f64) {
        widest(Left(self, plan))
    }

    /// Makes up for what kept slopes left in the last step of the guess; returns what is left then.
    #[inline(never)]
    fn mend(&mut self, plan: &PlannedBlock) -> f64 {
        widest(Mend(self, plan))
    }

    /// Which ports conduct at all, and the slopes there.
    #[inline(always)]
    fn choose_active(&mut self, plan: &PlannedBlock) {
        self.count = 0;
        for n in 0..self.lines.len() {
            let (first, own) = plan.places[n];
            let (line, kept) = (&self.lines[n], &mut self.kept[n]);
            *kept = Kept { left_out: Quad::ZERO, slopes: line.slopes };
            // What flows, and what a volt more would let flow.
            let mut flows = Quad::ZERO.larger_size(&line.current_a);
            for c in 0..QUAD {
                flows = flows.larger_size(&line.slopes[c]);
            }
            for k in 0..own {
                // A block below is always there, also while nothing flows into it.
                if n < plan.devices.len() && flows.0[k] <= NO_CURRENT_A {
                    kept.left_out.0[k] = 1.0 / NO_CURRENT_A;
                    for c in 0..own {
                        kept.slopes[c].0[k] = 0.0;
                    }
                } else {
                    self.active[self.count] = first + k;
                    self.count += 1;
                }
            }
        }
    }

    /// What a volt at each cut node lets flow there. By itself, as is [`Self::tell_load`]: a sum across a
    /// column, compiled together with what makes the column, takes that apart.
    #[inline(never)]
    fn set_load_slopes(&mut self, plan: &PlannedBlock) {
        for t in 0..plan.tears {
            for u in 0..plan.tears {
                let row = plan.ports + u;
                let own = self.drives[t][row / QUAD].0[row % QUAD];
                self.load_s[t][u] = own + total(&self.drawn[u], &self.by_drive[t]);
            }
        }
    }

    /// Tells the block above what is drawn from it.
    #[inline(never)]
    fn tell_load(&self, plan: &PlannedBlock, load: &mut Exchange) {
        load.load_s = self.load_s;
        for t in 0..plan.tears {
            load.load_a[t] = self.p.0[plan.ports + t] + total(&self.drawn[t], &self.current);
        }
    }

    /// Takes the slopes at the guess: which ports conduct, the inverse of `I - D K` for them, and what
    /// follows from it. Out of the way of what is done in every step.
    #[inline(never)]
    fn renew(&mut self, plan: &PlannedBlock) {
        widest(Renew(self, plan));
    }
}

/// What the next values will be, from the last four, newest first. A straight line is gone on with where it
/// would have foretold the last value better than the value before it, and a parabola likewise: at a corner
/// of the signal they lead far astray.
#[inline(always)]
fn foretold([last, before, earlier, oldest]: [&Quad; 4]) -> Quad {
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
fn add_slopes(sum: &mut Quad, slopes: impl Fn(usize) -> Quad, x: &[f64], ports: usize) {
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
fn total<const W: usize>(a: &[Quad; W], b: &[Quad; W]) -> f64 {
    let mut sum = Quad::ZERO;
    for q in 0..W {
        sum = sum.plus(&a[q].times(&b[q]));
    }
    sum.total()
}

/// The phases of a step, as work for the widest vectors.
struct Begin<'a, const W: usize, const R: usize>(&'a mut Fitted<W, R>, &'a PlannedBlock, &'a [f64]);
struct Renew<'a, const W: usize, const R: usize>(&'a mut Fitted<W, R>, &'a PlannedBlock);
struct Mend<'a, const W: usize, const R: usize>(&'a mut Fitted<W, R>, &'a PlannedBlock);
struct Left<'a, const W: usize, const R: usize>(&'a Fitted<W, R>, &'a PlannedBlock);
struct Eliminate<'a, const W: usize, const R: usize> {
    block: &'a mut Fitted<W, R>,
    plan: &'a PlannedBlock,
    exchanges: &'a mut [Exchange],
    own: usize,
    renew: bool,
}
struct Substitute<'a, const W: usize, const R: usize> {
    block: &'a mut Fitted<W, R>,
    plan: &'a PlannedBlock,
    exchanges: &'a mut [Exchange],
    own: usize,
}
struct Finish<'a, const W: usize, const R: usize> {
    block: &'a mut Fitted<W, R>,
    plan: &'a PlannedBlock,
    outputs: Option<&'a mut [f64]>,
    valves: &'a mut [ValveTally],
}

impl<const W: usize, const R: usize> Work for Begin<'_, W, R> {
    type Output = ();

    #[inline(always)]
    fn run(self) {
        let Self(block, plan, known) = self;
        let inputs_at = plan.padded_states();
        for k in 0..plan.knowns.len() {
            block.x[inputs_at + k] = known[plan.knowns[k]];
        }
        if plan.has_no_ports() {
            return;
        }
        let mut p = [Quad::ZERO; W];
        for q in 0..W {
            p[q] = block.p_start.quad(q);
        }
        add_products(&mut p, &block.to_ports, &block.x);
        for q in 0..W {
            block.p.set_quad(q, p[q]);
            let (last, before) = (block.last.quad(q), block.before.quad(q));
            let (earlier, oldest) = (block.earlier.quad(q), block.oldest.quad(q));
            block.v.set_quad(q, foretold([&last, &before, &earlier, &oldest]));
            block.oldest.set_quad(q, earlier);
            block.earlier.set_quad(q, before);
            block.before.set_quad(q, last);
        }
        block.guesses = 0;
    }
}

impl<const W: usize, const R: usize> Work for Renew<'_, W, R> {
    type Output = ();

    #[inline(always)]
    fn run(self) {
        let Self(block, plan) = self;
        block.choose_active(plan);
        let active = &block.active[..block.count];
        let inverse = &mut block.inverse[..active.len()];
        let places = &plan.places[..block.lines.len()];
        let kept = &block.kept[..block.lines.len()];
        for at in 0..active.len() {
            // The port's column of I - D K.
            let port = active[at];
            let (mut volts, mut taken) = (Ports::<R>::ZERO, Ports::<R>::ZERO);
            for q in 0..W {
                volts.set_quad(q, block.coupling[port][q]);
            }
            for n in 0..kept.len() {
                let first = places[n].0;
                let mut sum = Quad::ZERO;
                let own = &volts.0[first..first + QUAD];
                add_slopes(&mut sum, |c| kept[n].slopes[c], own, places[n].1);
                taken.set_window(first, &sum);
            }
            let one = unit::<W>(port);
            for q in 0..W {
                inverse[at][q] = one[q].less(&taken.quad(q));
            }
        }
        invert(inverse, active);
        for t in 0..plan.tears {
            let drive = &block.drives[t];
            let mut right = Ports::<R>::ZERO;
            for n in 0..kept.len() {
                let (first, own) = plan.places[n];
                let mut sum = Quad::ZERO;
                for c in 0..own {
                    let port = first + c;
                    sum.add(&kept[n].slopes[c], drive[port / QUAD].0[port % QUAD]);
                }
                right.set_window(first, &sum);
            }
            let mut currents = [Quad::ZERO; W];
            add_picked(&mut currents, inverse, active, &right.0);
            block.by_drive[t] = currents;
        }
        block.stale = false;
        block.set_load_slopes(plan);
    }
}

impl<const W: usize, const R: usize> Work for Eliminate<'_, W, R> {
    type Output = ();

    #[inline(always)]
    fn run(self) {
        let Self { block, plan, exchanges, own, renew } = self;
        block.linearise(plan, exchanges);
        if renew || block.stale || block.are_worn(plan) {
            block.renew(plan);
        }
        let mut away = Ports::<R>::ZERO;
        for q in 0..W {
            away.set_quad(q, block.p.quad(q).less(&block.v.quad(q)));
        }
        let mut right = Ports::<R>::ZERO;
        let places = &plan.places[..block.lines.len()];
        let kept = &block.kept[..block.lines.len()];
        for n in 0..block.lines.len() {
            let first = places[n].0;
            let mut sum = block.lines[n].current_a;
            let own = &away.0[first..first + QUAD];
            add_slopes(&mut sum, |c| kept[n].slopes[c], own, places[n].1);
            // What lies beyond the device's own ports is the next one's, and written after this.
            right.set_window(first, &sum);
        }
        let mut current = [Quad::ZERO; W];
        let active = &block.active[..block.count];
        add_picked(&mut current, &block.inverse[..block.count], active, &right.0);
        block.current = current;
        if plan.loads {
            block.tell_load(plan, &mut exchanges[own]);
        }
    }
}

impl<const W: usize, const R: usize> Work for Substitute<'_, W, R> {
    type Output = f64;

    #[inline(always)]
    fn run(self) -> f64 {
        let Self { block, plan, exchanges, own } = self;
        let currents_at = plan.currents_at();
        let drive_at = currents_at - plan.tears;
        if plan.has_no_ports() {
            for t in 0..plan.tears {
                block.x[drive_at + t] = exchanges[own].drive[t];
            }
            return 0.0;
        }
        let mut new = [Quad::ZERO; W];
        for q in 0..W {
            new[q] = block.p.quad(q);
        }
        let mut current = block.current;
        for t in 0..plan.tears {
            let drive = exchanges[own].drive[t];
            block.x[drive_at + t] = drive;
            let (by_drive, drives) = (&block.by_drive[t], &block.drives[t]);
            for q in 0..W {
                current[q].add(&by_drive[q], drive);
                new[q].add(&drives[q], drive);
            }
        }
        let x = &mut block.x[currents_at..currents_at + W * QUAD];
        let (quads, _) = x.as_chunks_mut::<QUAD>();
        for q in 0..W {
            quads[q] = current[q].0;
        }
        add_listed(&mut new, &block.coupling, &block.active[..block.count], x);
        for q in 0..W {
            block.step.set_quad(q, new[q].less(&block.v.quad(q)));
            block.v.set_quad(q, new[q]);
        }
        let (mut wear, rest) = block.left(plan);
        if wear > 1.0 && wear <= MENDABLE && rest <= 1.0 {
            block.unmended = block.step;
            let mut mended = 0;
            while wear > 1.0 && mended < MOST_MENDS {
                wear = block.mend(plan);
                mended += 1;
            }
        }
        if block.guesses < block.misses.len() {
            block.misses[block.guesses] = block.step;
        }
        block.guesses += 1;
        for child in &plan.children {
            for t in 0..child.tears {
                exchanges[child.block].drive[t] = block.v.0[child.first_port + t];
            }
        }
        wear + rest
    }
}

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

impl<const W: usize, const R: usize> Work for Finish<'_, W, R> {
    type Output = ();

    #[inline(always)]
    fn run(self) {
        let Self { block, plan, outputs, valves } = self;
        for device in &plan.devices {
            if let Some(tally) = device.valve.and_then(|v| valves.get_mut(v)) {
                tally.add(block.v.0[device.first_port]);
            }
        }
        if let Some(outputs) = outputs
            && !plan.outputs.is_empty()
        {
            plan.to_outputs.product(&block.x, &mut block.outputs);
            for k in 0..plan.outputs.len() {
                outputs[plan.outputs[k]] = block.outputs[k];
            }
        }
        let (states, rest) = block.x.split_at_mut(plan.padded_states());
        block.history_before.copy_from_slice(states);
        if let Some(dense) = &plan.dense {
            dense.product(states, &mut block.next);
            states.copy_from_slice(&block.next);
        } else {
            let (quads, _) = states.as_chunks_mut::<QUAD>();
            let (diagonal, cross) = (&plan.diagonal[..quads.len()], &plan.cross[..quads.len()]);
            for q in 0..quads.len() {
                let s = quads[q];
                let swapped = Quad([s[1], s[0], s[3], s[2]]);
                let kept = diagonal[q].times(&Quad(s));
                quads[q] = kept.plus(&cross[q].times(&swapped)).0;
            }
        }
        plan.inputs.add_product(rest, states);
        for q in 0..W {
            block.last.set_quad(q, block.v.quad(q));
        }
    }
}

impl<const W: usize, const R: usize> Running for Fitted<W, R> {
    fn begin(&mut self, plan: &PlannedBlock, known: &[f64]) {
        widest(Begin(self, plan, known));
    }

    fn eliminate(
        &mut self,
        plan: &PlannedBlock,
        exchanges: &mut [Exchange],
        own: usize,
        renew: bool,
    ) {
        widest(Eliminate { block: self, plan, exchanges, own, renew });
    }

    fn substitute(&mut self, plan: &PlannedBlock, exchanges: &mut [Exchange], own: usize) -> f64 {
        widest(Substitute { block: self, plan, exchanges, own })
    }

    fn finish(
        &mut self,
        plan: &PlannedBlock,
        outputs: Option<&mut [f64]>,
        valves: &mut [ValveTally],
    ) {
        widest(Finish { block: self, plan, outputs, valves });
    }

    fn shorten(&mut self) {
        for (v, step) in self.v.0.iter_mut().zip(&self.step.0) {
            *v -= 0.5 * step;
        }
    }

    fn is_finite(&self) -> bool {
        self.v.0.iter().all(|v| v.is_finite())
    }

    fn abandon(&mut self) {
        self.x.fill(0.0);
        self.history_before.fill(0.0);
        let rest = self.p_start;
        (self.v, self.last) = (rest, rest);
        (self.before, self.earlier, self.oldest) = (rest, rest, rest);
        self.misses = [Ports::ZERO; 2];
        self.stale = true;
    }

    fn mark(&mut self, plan: &PlannedBlock) {
        self.marked = self.v;
        self.marked_currents.copy_from_slice(&self.x[plan.currents_at() - plan.tears..]);
    }

    fn halve(&mut self, plan: &PlannedBlock) {
        for (v, marked) in self.v.0.iter_mut().zip(&self.marked.0) {
            *v = 0.5 * (*v + marked);
        }
        let x = &mut self.x[plan.currents_at() - plan.tears..];
        for (x, marked) in x.iter_mut().zip(&self.marked_currents) {
            *x = 0.5 * (*x + marked);
        }
    }

    fn mismatch(&mut self, plan: &PlannedBlock) -> f64 {
        let currents = &self.x[plan.currents_at()..];
        let (mut largest, mut check) = (0.0, 0.0);
        for (device, line) in plan.devices.iter().zip(&mut self.lines) {
            let first = device.first_port;
            device.law.linearise(&self.v.0[first..], &device.rest_current, line);
            for k in 0..device.ports {
                let off = (line.current_a.0[k] - currents[first + k]).abs();
                largest = larger(off * self.current_exactness.0[first + k], largest);
                check += 0.0 * (off + self.v.0[first + k]);
            }
        }
        largest + check
    }

    fn start_over(&mut self) {
        self.v = self.last;
    }

    fn change_plan(&mut self, old: &PlannedBlock, new: &PlannedBlock) {
        // The charge of every capacitor is kept; the history is a deviation from rest, and what is at
        // rest differs.
        let n = new.states;
        for history in [&mut self.x, &mut self.history_before] {
            for k in 0..n {
                let there = (0..n).map(|c| old.base.to_states[(k, c)] * history[c]).sum::<f64>();
                self.next[k] = there + old.rest_states[k] - new.rest_states[k];
            }
            for k in 0..n {
                history[k] = (0..n).map(|c| new.base.from_states[(k, c)] * self.next[c]).sum();
            }
        }
        self.p_start.0[..new.ports].copy_from_slice(&new.rest_volts);
        self.set_matrices(new);
        self.before = self.last;
        self.earlier = self.last;
        self.oldest = self.last;
    }

    fn take_over(&mut self, other: &dyn Running, old: &PlannedBlock, new: &PlannedBlock) -> bool {
        let Some(other) = other.as_any().downcast_ref::<Self>() else { return false };
        if self.x.len() != other.x.len()
            || self.active.len() != other.active.len()
            || self.lines.len() != other.lines.len()
        {
            return false;
        }
        self.x.copy_from_slice(&other.x);
        self.history_before.copy_from_slice(&other.history_before);
        (self.p, self.v, self.last) = (other.p, other.v, other.last);
        if std::ptr::eq(old, new) {
            // Nothing was turned: the kept slopes as well, so that not a digit moves.
            self.p_start = other.p_start;
            self.active.copy_from_slice(&other.active);
            self.count = other.count;
            self.lines.copy_from_slice(&other.lines);
            self.kept.copy_from_slice(&other.kept);
            self.inverse.copy_from_slice(&other.inverse);
            self.by_drive = other.by_drive;
            self.load_s = other.load_s;
            self.stale = other.stale;
            self.misses = other.misses;
        } else {
            self.change_plan(old, new);
        }
        // Only guesses.
        (self.before, self.earlier, self.oldest) = (other.before, other.earlier, other.oldest);
        true
    }

    fn surprise(&self) -> f64 {
        let mut off = Quad::ZERO;
        for q in 0..W {
            off = off.larger_size(&self.misses[0].quad(q).times(&self.exactness[q]));
        }
        off.largest()
    }

    fn go_on_from(&mut self, other: &dyn Running, ratio: f64) {
        let Some(other) = other.as_any().downcast_ref::<Self>() else { return };
        // `s = z + (1 - t) h dz/dt` depends on the step `h`, but `z` and its slope do not, and are in two
        // histories of one step: `s - s_before = h dz/dt`.
        let share = (1.0 - THETA) * (1.0 - ratio);
        for k in 0..self.history_before.len() {
            let rise = other.x[k] - other.history_before[k];
            self.x[k] = other.x[k] - share * rise;
            self.history_before[k] = self.x[k] - ratio * rise;
        }
        (self.v, self.last) = (other.v, other.last);
        if ratio < 1.0 {
            // The other one has begun its step, so that what is before for it is the last solution.
            for q in 0..W {
                let rise = other.last.quad(q).less(&other.earlier.quad(q)).by(ratio);
                let mut at = other.last.quad(q);
                for past in [&mut self.before, &mut self.earlier, &mut self.oldest] {
                    at = at.less(&rise);
                    past.set_quad(q, at);
                }
            }
        }
    }

    fn as_any(&self) -> &dyn Any {
        self
    }

    fn boxed_clone(&self) -> Box<dyn Running> {
        Box::new(self.clone())
    }
}
