//! The hot path: sections in parallel beside a short FIR.

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

/// Runs a plan over samples, keeping its state between calls.
#[derive(Clone, Debug)]
pub struct LinearProcessor {
    groups: Vec<(Group, GroupState)>,
    /// Taps, newest sample last, so that a window of the history is one dot product.
    reversed_taps: Vec<f64>,
    /// Last `taps + delay` inputs, each written twice so that every window is contiguous.
    history: Vec<f64>,
    position: usize,
    length: usize,
    delay_frames: usize,
}

impl LinearPlan {
    /// A processor at rest. This allocates; [`LinearProcessor::process_into`] does not.
    pub fn processor(&self) -> LinearProcessor {
        let length = self.taps.len().max(self.delay_frames() + 1);
        LinearProcessor {
            groups: self.sections.groups.iter().map(|g| (*g, GroupState::default())).collect(),
            reversed_taps: self.taps.iter().rev().copied().collect(),
            history: vec![0.0; 2 * length],
            position: 0,
            length,
            delay_frames: self.delay_frames(),
        }
    }
}

impl LinearProcessor {
    /// Back to rest.
    pub fn reset(&mut self) {
        self.history.fill(0.0);
        self.position = 0;
        for (_, state) in &mut self.groups {
            *state = GroupState::default();
        }
    }

    /// Frames by which the output lags.
    pub fn delay_frames(&self) -> usize {
        self.delay_frames
    }

    /// Processes as many frames as the shorter of the two slices has.
    pub fn process_into(&mut self, input: &[f64], output: &mut [f64]) {
        for (x, y) in input.iter().zip(output.iter_mut()) {
            *y = self.step(*x);
        }
        for (_, state) in &mut self.groups {
            for k in 0..LANES {
                if state.s1[k].abs() + state.s2[k].abs() < SILENCE {
                    (state.s1[k], state.s2[k]) = (0.0, 0.0);
                }
            }
        }
    }

    #[inline]
    fn step(&mut self, x: f64) -> f64 {
        self.history[self.position] = x;
        self.history[self.position + self.length] = x;
        let end = self.position + self.length + 1;
        let window = &self.history[end - self.reversed_taps.len()..end];
        let fir: f64 = window.iter().zip(&self.reversed_taps).map(|(h, t)| h * t).sum();
        let delayed = self.history[end - 1 - self.delay_frames];
        self.position += 1;
        if self.position == self.length {
            self.position = 0;
        }
        let mut sum = [0.0; LANES];
        for (g, state) in &mut self.groups {
            for k in 0..LANES {
                let y = g.b0[k] * delayed + state.s1[k];
                state.s1[k] = g.b1[k] * delayed - g.a1[k] * y + state.s2[k];
                state.s2[k] = -g.a2[k] * y;
                sum[k] += y;
            }
        }
        fir + sum.iter().sum::<f64>()
    }
}
