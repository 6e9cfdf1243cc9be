//! A block with room for so many ports: what it holds, and how it is made.

use super::ports::{Ports, total};
use super::{Exchange, Line, MOST_TEARS, NO_CURRENT_A};
use crate::driven::block::PlannedBlock;
use crate::driven::panels::padded;
use crate::simd::{QUAD, Quad};

/// What the kept inverse was made of.
#[derive(Clone, Copy, Debug)]
pub struct Kept {
    /// One over the most that may flow where a port was left out, else zero.
    pub left_out: Quad,
    pub slopes: [Quad; QUAD],
}

/// One with `W` quads of ports and cut nodes: a number that the compiler knows, so that a column of a
/// matrix is a handful of registers.
#[derive(Clone, Debug)]
pub struct Fitted<const W: usize, const R: usize> {
    /// What history and known inputs, drives and port currents add to the ports' voltages and, below
    /// them, to the currents drawn from the cut nodes; by column.
    pub to_ports: Vec<[Quad; W]>,
    pub drives: Vec<[Quad; W]>,
    pub coupling: Vec<[Quad; W]>,
    /// By cut node what port currents add to what is drawn there.
    pub drawn: Vec<[Quad; W]>,
    pub exactness: [Quad; W],
    pub current_exactness: Ports<R>,
    pub load_exactness: Ports<R>,

    /// Ports that conducted when the inverse was made.
    pub active: Vec<usize>,
    pub count: usize,
    pub lines: Vec<Line>,
    pub kept: Vec<Kept>,
    /// Inverse of `I - D K` by column, those of the active ports only.
    pub inverse: Vec<[Quad; W]>,
    /// Currents by drive, by cut node; load slopes.
    pub by_drive: [[Quad; W]; MOST_TEARS],
    pub load_s: [[f64; MOST_TEARS]; MOST_TEARS],
    /// Whether the inverse is that of other matrices or devices, and how many guesses the step has had.
    pub stale: bool,
    pub guesses: usize,
    /// Port voltages: the guess, and the solutions of the last steps.
    pub v: Ports<R>,
    pub last: Ports<R>,
    pub before: Ports<R>,
    pub earlier: Ports<R>,
    pub oldest: Ports<R>,
    /// How far the first guess and the second one were off in the last step that had them, and the last move
    /// of the guess.
    pub misses: [Ports<R>; 2],
    pub step: Ports<R>,
    /// The part of it that kept slopes have not been made up for.
    pub unmended: Ports<R>,
    /// Port currents at no drive.
    pub current: [Quad; W],
    /// `[s, u, i]`, the history padded; the history a step before; and room for the next history.
    pub x: Vec<f64>,
    pub history_before: Vec<f64>,
    pub next: Vec<f64>,
    /// Port voltages without currents and drives from above, then drawn currents likewise.
    pub p: Ports<R>,
    pub p_start: Ports<R>,
    /// Where [`Running::mark`] was called: voltages, then drives and currents.
    pub marked: Ports<R>,
    pub marked_currents: Vec<f64>,
    pub outputs: Vec<f64>,
}

impl<const W: usize, const R: usize> Fitted<W, R> {
    pub fn new(plan: &PlannedBlock) -> Self {
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

    pub fn set_matrices(&mut self, plan: &PlannedBlock) {
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
    pub fn linearise(&mut self, plan: &PlannedBlock, exchanges: &[Exchange]) {
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

    /// Which ports conduct at all, and the slopes there.
    #[inline(always)]
    pub fn choose_active(&mut self, plan: &PlannedBlock) {
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
    pub fn set_load_slopes(&mut self, plan: &PlannedBlock) {
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
    pub fn tell_load(&self, plan: &PlannedBlock, load: &mut Exchange) {
        load.load_s = self.load_s;
        for t in 0..plan.tears {
            load.load_a[t] = self.p.0[plan.ports + t] + total(&self.drawn[t], &self.current);
        }
    }
}
