//! The hot path: sections in parallel beside a short FIR, a block at a time.

use super::fit::LinearPlan;
use super::section::Group;
use crate::simd::{QUAD, Quad, Work, widest};

/// State of one group of sections.
#[derive(Clone, Copy, Debug)]
struct GroupState {
    s1: Quad,
    s2: Quad,
}

/// Values smaller than this are silence; flushing them keeps the arithmetic out of denormals.
const SILENCE: f64 = 1e-30;
/// Frames worked on at once: a group's coefficients and state stay in registers for that long.
const BLOCK: usize = 64;
/// Groups worked on at once: while one waits for its own last result the others go on.
const TOGETHER: usize = 3;
/// Quads of frames of which the FIR keeps the sums in registers.
const FRAMES: usize = 4;

/// Runs a plan over samples, keeping its state between calls.
#[derive(Clone, Debug)]
pub struct LinearProcessor {
    groups: Vec<Group>,
    states: Vec<GroupState>,
    /// Newest lag first; the sections' direct part is in them.
    taps: Vec<f64>,
    /// The last `past` inputs, then room for a block.
    history: Vec<f64>,
    past: usize,
    delay_frames: usize,
    /// Sum of the groups, place by place, for each frame of a block.
    sums: Box<[Quad; BLOCK]>,
}

impl LinearPlan {
    /// A processor at rest. This allocates; [`LinearProcessor::process_into`] does not.
    pub fn processor(&self) -> LinearProcessor {
        let delay = self.delay_frames();
        let mut taps = self.taps.clone();
        taps.resize(taps.len().max(delay + 1), 0.0);
        taps[delay] += self.sections.direct();
        let past = taps.len() - 1;
        let groups = self.sections.groups.clone();
        LinearProcessor {
            states: vec![GroupState { s1: Quad::ZERO, s2: Quad::ZERO }; groups.len()],
            groups,
            taps,
            history: vec![0.0; past + BLOCK],
            past,
            delay_frames: delay,
            sums: Box::new([Quad::ZERO; BLOCK]),
        }
    }
}

impl LinearProcessor {
    /// Back to rest.
    pub fn reset(&mut self) {
        self.history.fill(0.0);
        self.states.fill(GroupState { s1: Quad::ZERO, s2: Quad::ZERO });
    }

    /// Frames by which the output lags.
    pub fn delay_frames(&self) -> usize {
        self.delay_frames
    }

    /// Processes as many frames as the shorter of the two slices has. How the frames are cut into
    /// calls makes no difference to the output.
    pub fn process_into(&mut self, input: &[f64], output: &mut [f64]) {
        widest(Stretch { processor: self, input, output });
    }

    #[inline(always)]
    fn block(&mut self, input: &[f64], output: &mut [f64]) {
        let frames = input.len();
        for n in 0..frames {
            self.history[self.past + n] = input[n];
        }
        self.fir(output);
        let delayed = &self.history[self.past - self.delay_frames..][..frames];
        let sums = &mut self.sums[..frames];
        for sum in &mut *sums {
            *sum = Quad::ZERO;
        }
        let mut first = 0;
        while first < self.groups.len() {
            let groups = &self.groups[first..];
            let states = &mut self.states[first..];
            first += match groups.len() {
                1 => run::<1>(groups, states, delayed, sums),
                2 => run::<2>(groups, states, delayed, sums),
                _ => run::<TOGETHER>(groups, states, delayed, sums),
            };
        }
        for n in 0..frames {
            output[n] += sums[n].total();
        }
        self.history.copy_within(frames..frames + self.past, 0);
        for state in &mut self.states {
            for k in 0..QUAD {
                if state.s1.0[k].abs() + state.s2.0[k].abs() < SILENCE {
                    (state.s1.0[k], state.s2.0[k]) = (0.0, 0.0);
                }
            }
        }
    }

    #[inline(always)]
    fn fir(&self, output: &mut [f64]) {
        let (many, rest) = output.as_chunks_mut::<{ FRAMES * QUAD }>();
        let mut at = self.past;
        for out in many {
            let mut sums = [Quad::ZERO; FRAMES];
            for lag in 0..self.taps.len() {
                let window = &self.history[at - lag..][..FRAMES * QUAD];
                let (window, _) = window.as_chunks::<QUAD>();
                for q in 0..FRAMES {
                    sums[q].add(&Quad(window[q]), self.taps[lag]);
                }
            }
            let (out, _) = out.as_chunks_mut::<QUAD>();
            for q in 0..FRAMES {
                out[q] = sums[q].0;
            }
            at += FRAMES * QUAD;
        }
        for out in rest {
            // In the same order as above: how a clip is cut must not show.
            let mut sum = 0.0;
            for lag in 0..self.taps.len() {
                sum += self.history[at - lag] * self.taps[lag];
            }
            *out = sum;
            at += 1;
        }
    }
}

struct Stretch<'a> {
    processor: &'a mut LinearProcessor,
    input: &'a [f64],
    output: &'a mut [f64],
}

impl Work for Stretch<'_> {
    type Output = ();

    #[inline(always)]
    fn run(self) {
        let count = self.input.len().min(self.output.len());
        let mut done = 0;
        while done < count {
            let end = count.min(done + BLOCK);
            self.processor.block(&self.input[done..end], &mut self.output[done..end]);
            done = end;
        }
    }
}

/// Runs the first `G` groups over a block; returns `G`.
#[inline(always)]
fn run<const G: usize>(
    groups: &[Group],
    states: &mut [GroupState],
    input: &[f64],
    sums: &mut [Quad],
) -> usize {
    let (groups, states) = (&groups[..G], &mut states[..G]);
    let mut now = [GroupState { s1: Quad::ZERO, s2: Quad::ZERO }; G];
    now.copy_from_slice(states);
    for n in 0..input.len().min(sums.len()) {
        let mut sum = sums[n];
        for g in 0..G {
            let GroupState { s1, s2 } = now[g];
            sum = sum.plus(&s1);
            let mut first = s2;
            first.add(&groups[g].to_first, input[n]);
            let mut second = s1.times(&groups[g].minus_a2);
            second.add(&groups[g].to_second, input[n]);
            now[g] = GroupState { s1: first.plus(&s1.times(&groups[g].minus_a1)), s2: second };
        }
        sums[n] = sum;
    }
    states.copy_from_slice(&now);
    G
}

#[cfg(test)]
mod tests {
    use nalgebra::Complex;

    use super::*;
    use crate::linear::Section;
    use crate::linear::section::Sections;

    /// On two or four numbers at once, and however the frames are cut, not a bit is another.
    #[test]
    fn the_answer_depends_neither_on_the_processor_nor_on_blocks() {
        let poles =
            (0..9).map(|k| Complex::from_polar(0.9 + 0.01 * f64::from(k), 0.1 * f64::from(k)));
        let section =
            |p: Complex<f64>| Section { b: [p.re, -0.3 * p.im], a: [-2.0 * p.re, p.norm_sqr()] };
        let sections = Sections::new(poles.map(section).collect());
        let taps = vec![0.01, -0.2, 0.7, 0.1, 0.05];
        let groups = sections.groups.clone();
        let new = || LinearProcessor {
            states: vec![GroupState { s1: Quad::ZERO, s2: Quad::ZERO }; groups.len()],
            groups: groups.clone(),
            history: vec![0.0; taps.len() - 1 + BLOCK],
            past: taps.len() - 1,
            taps: taps.clone(),
            delay_frames: 2,
            sums: Box::new([Quad::ZERO; BLOCK]),
        };
        let input: Vec<f64> = (0..1000).map(|n| f64::from(n * 7919 % 1000) / 500.0 - 1.0).collect();
        let [mut wide, mut narrow, mut cut] = [(); 3].map(|()| vec![0.0; input.len()]);
        new().process_into(&input, &mut wide);
        Stretch { processor: &mut new(), input: &input, output: &mut narrow }.run();
        let mut processor = new();
        for (x, y) in input.chunks(13).zip(cut.chunks_mut(13)) {
            processor.process_into(x, y);
        }
        assert!(wide.iter().any(|y| y.abs() > 1.0));
        assert_eq!(wide, narrow);
        assert_eq!(wide, cut);
    }
}
