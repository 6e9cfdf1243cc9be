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

mod errors;
mod fitted;
mod interface;
mod ports;
mod step;

use std::any::Any;

use super::block::PlannedBlock;
use super::statistics::ValveTally;
use crate::simd::{QUAD, Quad};
use fitted::Fitted;

/// Most cut nodes through which one block is driven.
pub const MOST_TEARS: usize = QUAD;
/// Most ports of one block.
pub const MOST_PORTS: usize = 40;

/// A port is left out while less than this flows in it: a microvolt across a megohm. It is not enough to
/// ask what the current moves within a step, since what is left out always adds up in a capacitor.
pub const NO_CURRENT_A: f64 = 1e-12;

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
