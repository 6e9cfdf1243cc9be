//! The hot path of a version: a clip runs through it block by block.

use std::sync::Arc;

use super::plan::{Setting, VersionPlan, Way};
use crate::driven::{DrivenPlan, DrivenProcessor};
use crate::linear::LinearProcessor;

/// Time over which one position of a knob fades into the next: linearly, since the two are nearly the
/// same signal and their sum keeps its level.
const KNOB_FADE_S: f64 = 0.02;
/// Frames worked on at once.
const BLOCK: usize = 512;

/// A version under way. [`VersionRun::process_into`] does not fail, and allocates only where a knob
/// moves on the driven path.
pub struct VersionRun {
    kind: Kind,
    /// Frames of input so far.
    at: u64,
    delay: usize,
    scratch: [f64; BLOCK],
}

enum Kind {
    Linear { settings: Vec<Filter>, fade_frames: f64 },
    Driven(Box<Driven>),
}

/// The circuit running in time, with the plans that it changes to at certain frames of input.
struct Driven {
    processor: DrivenProcessor,
    later: Vec<(u64, Arc<DrivenPlan>)>,
    next: usize,
    /// The circuit with its knobs where they were, and the frame of output where it begins to fade.
    before: Option<(DrivenProcessor, u64)>,
    fade_frames: f64,
}

/// The filter of one position of the knobs.
struct Filter {
    /// First frame of output in which it is heard.
    from: u64,
    processor: LinearProcessor,
}

impl VersionPlan {
    /// A run from rest. This allocates.
    pub fn start(&self) -> VersionRun {
        let delay = self.delay_frames();
        let from = |s: &Setting| (s.from_s * self.sample_rate_hz).round() as u64;
        let filters: Vec<Filter> = self
            .settings
            .iter()
            .filter_map(|s| match &s.way {
                // What is heard lags by the delay, and so does the change.
                Way::Linear(plan) => {
                    Some(Filter { from: from(s) + delay as u64, processor: plan.processor() })
                }
                Way::Driven(_) => None,
            })
            .collect();
        let mut driven = self.settings.iter().filter_map(|s| match &s.way {
            Way::Driven(plan) => Some((from(s), Arc::clone(plan))),
            Way::Linear(_) => None,
        });
        let fade_frames = (KNOB_FADE_S * self.sample_rate_hz).max(1.0);
        let kind = match driven.next() {
            Some((_, first)) => Kind::Driven(Box::new(Driven {
                processor: first.processor(),
                later: driven.collect(),
                next: 0,
                before: None,
                fade_frames,
            })),
            None => Kind::Linear { settings: filters, fade_frames },
        };
        VersionRun { kind, at: 0, delay, scratch: [0.0; BLOCK] }
    }
}

impl VersionRun {
    /// Frames by which the output lags.
    pub fn delay_frames(&self) -> usize {
        self.delay
    }

    /// How the valves were driven so far; `None` on the linear path.
    pub fn driven(&self) -> Option<&DrivenProcessor> {
        match &self.kind {
            Kind::Driven(driven) => Some(&driven.processor),
            Kind::Linear { .. } => None,
        }
    }

    /// Processes as many frames as the shorter of the two slices has. How the frames are cut into
    /// calls makes no difference to the output.
    pub fn process_into(&mut self, volts: &[f64], answer: &mut [f64]) {
        for (x, y) in volts.chunks(BLOCK).zip(answer.chunks_mut(BLOCK)) {
            let frames = x.len().min(y.len());
            self.block(&x[..frames], &mut y[..frames]);
            self.at += frames as u64;
        }
    }

    fn block(&mut self, volts: &[f64], answer: &mut [f64]) {
        let frames = volts.len();
        match &mut self.kind {
            Kind::Driven(driven) => {
                driven.block(self.at, self.delay as u64, volts, answer, &mut self.scratch);
            }
            Kind::Linear { settings, fade_frames } => {
                answer.fill(0.0);
                let over = |from: u64| self.at as f64 >= from as f64 + *fade_frames;
                // A filter whose successor has taken over is heard no more.
                let first = settings.iter().rposition(|s| over(s.from)).unwrap_or(0);
                for (k, filter) in settings.iter_mut().enumerate().skip(first) {
                    let next = &mut self.scratch[..frames];
                    filter.processor.process_into(volts, next);
                    for (n, (a, x)) in answer.iter_mut().zip(next).enumerate() {
                        let into = (self.at + n as u64) as f64 - filter.from as f64;
                        let share = if k == first { 1.0 } else { into / *fade_frames };
                        // Once over it is the new one itself, not a sum that rounds.
                        *a = if share >= 1.0 { *x } else { *a + share.max(0.0) * (*x - *a) };
                    }
                }
            }
        }
    }
}

impl Driven {
    /// Runs a block that begins at a frame of the input.
    fn block(
        &mut self,
        at: u64,
        delay: u64,
        volts: &[f64],
        answer: &mut [f64],
        scratch: &mut [f64; BLOCK],
    ) {
        let mut done = 0;
        while done < volts.len() {
            let now = at + done as u64;
            while let Some((_, plan)) = self.later.get(self.next).filter(|(from, _)| *from <= now) {
                // What is heard lags by the delay, and so does the fade. A move that comes before the
                // last one has faded joins it.
                if self.before.is_none() {
                    self.before = Some((self.processor.clone(), now + delay));
                }
                // A knob changes no part of the list, so the charges always carry over.
                let _ = self.processor.change_plan(plan);
                self.next += 1;
            }
            let until = self.later.get(self.next).map_or(volts.len(), |(from, _)| {
                usize::try_from(from - at).unwrap_or(usize::MAX).min(volts.len())
            });
            let (part, heard) = (&volts[done..until], &mut answer[done..until]);
            self.processor.process_into(part, heard);
            if let Some((before, from)) = &mut self.before {
                let past = &mut scratch[..part.len()];
                before.process_into(part, past);
                let share = |n: usize| ((now + n as u64) as f64 - *from as f64) / self.fade_frames;
                for (n, (y, past)) in heard.iter_mut().zip(past).enumerate() {
                    *y = *past + share(n).clamp(0.0, 1.0) * (*y - *past);
                }
                if share(part.len()) >= 1.0 {
                    self.before = None;
                }
            }
            done = until;
        }
    }
}
