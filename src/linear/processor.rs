//! The hot path: sections in parallel beside a short FIR, a block at a time.

use super::fit::LinearPlan;
use super::section::{Group, LANES};

/// State of one group of sections, transposed direct form II.
#[derive(Clone, Copy, Debug, Default)]
struct GroupState {
    s1: [f64; LANES],
    s2: [f64; LANES],
}

/// Values smaller than this are silence; flushing them keeps the arithmetic out of denormals.
const SILENCE: f64 = 1e-30;
/// Frames worked on at once: a group's coefficients and state stay in registers for that long.
const BLOCK: usize = 64;

/// Runs a plan over samples, keeping its state between calls.
#[derive(Clone, Debug)]
pub struct LinearProcessor {
    groups: Vec<(Group, GroupState)>,
    taps: Vec<f64>,
    /// The last `past` inputs, then room for a block.
    history: Vec<f64>,
    past: usize,
    delay_frames: usize,
    /// Sum of the groups, lane by lane, for each frame of a block.
    sums: Box<[[f64; LANES]; BLOCK]>,
}

impl LinearPlan {
    /// A processor at rest. This allocates; [`LinearProcessor::process_into`] does not.
    pub fn processor(&self) -> LinearProcessor {
        let past = self.taps.len().max(self.delay_frames() + 1) - 1;
        LinearProcessor {
            groups: self.sections.groups.iter().map(|g| (*g, GroupState::default())).collect(),
            taps: self.taps.clone(),
            history: vec![0.0; past + BLOCK],
            past,
            delay_frames: self.delay_frames(),
            sums: Box::new([[0.0; LANES]; BLOCK]),
        }
    }
}

impl LinearProcessor {
    /// Back to rest.
    pub fn reset(&mut self) {
        self.history.fill(0.0);
        for (_, state) in &mut self.groups {
            *state = GroupState::default();
        }
    }

    /// Frames by which the output lags.
    pub fn delay_frames(&self) -> usize {
        self.delay_frames
    }

    /// Processes as many frames as the shorter of the two slices has. How the frames are cut into
    /// calls makes no difference to the output.
    pub fn process_into(&mut self, input: &[f64], output: &mut [f64]) {
        for (x, y) in input.chunks(BLOCK).zip(output.chunks_mut(BLOCK)) {
            let frames = x.len().min(y.len());
            self.block(&x[..frames], &mut y[..frames]);
        }
    }

    fn block(&mut self, input: &[f64], output: &mut [f64]) {
        let frames = input.len();
        self.history[self.past..self.past + frames].copy_from_slice(input);
        self.fir(output);
        let delayed = &self.history[self.past - self.delay_frames..][..frames];
        let sums = &mut self.sums[..frames];
        sums.fill([0.0; LANES]);
        let mut pairs = self.groups.chunks_exact_mut(2);
        for pair in &mut pairs {
            if let [(ga, sa), (gb, sb)] = pair {
                // Two groups at once: while one waits for its own last result the other goes on.
                for (x, sum) in delayed.iter().zip(sums.iter_mut()) {
                    run(ga, sa, *x, sum);
                    run(gb, sb, *x, sum);
                }
            }
        }
        for (g, s) in pairs.into_remainder() {
            for (x, sum) in delayed.iter().zip(sums.iter_mut()) {
                run(g, s, *x, sum);
            }
        }
        for (y, sum) in output.iter_mut().zip(sums.iter()) {
            *y += (sum[0] + sum[1]) + (sum[2] + sum[3]);
        }
        self.history.copy_within(frames..frames + self.past, 0);
        for (_, state) in &mut self.groups {
            for k in 0..LANES {
                if state.s1[k].abs() + state.s2[k].abs() < SILENCE {
                    (state.s1[k], state.s2[k]) = (0.0, 0.0);
                }
            }
        }
    }

    fn fir(&self, output: &mut [f64]) {
        output.fill(0.0);
        for (lag, tap) in self.taps.iter().enumerate() {
            let window = &self.history[self.past - lag..][..output.len()];
            for (y, x) in output.iter_mut().zip(window) {
                *y += tap * x;
            }
        }
    }
}

#[inline(always)]
fn run(g: &Group, state: &mut GroupState, x: f64, sum: &mut [f64; LANES]) {
    for k in 0..LANES {
        let y = g.b0[k] * x + state.s1[k];
        state.s1[k] = g.b1[k] * x - g.a1[k] * y + state.s2[k];
        state.s2[k] = -g.a2[k] * y;
        sum[k] += y;
    }
}
