//! The settled answer of a driven circuit to a sine: DC and harmonics.

use std::f64::consts::TAU;
use std::sync::Arc;

use nalgebra::{DMatrix, DVector};

use crate::driven::{DrivenPlan, DrivenProcessor};

/// Most harmonics that are given.
pub const MOST_HARMONICS: usize = 20;
/// Longest run until the answer has settled.
const LONGEST_S: f64 = 6.0;
/// Stretches that are compared with one another.
const STRETCH_S: f64 = 0.25;
/// Settled: no harmonic changes by more than this share of the fundamental from one stretch to the next.
const SETTLED: f64 = 1e-5;
/// Harmonics above this share of the sample rate are left out: the path ends there.
const HIGHEST_SHARE: f64 = 20.0 / 48.0;

/// One harmonic of a settled answer.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Harmonic {
    /// 1 is the fundamental.
    pub number: usize,
    pub peak_volts: f64,
    /// Against cos(2 pi f t), the input being sin(2 pi f t).
    pub phase_deg: f64,
}

/// The settled answer to a sine.
#[derive(Clone, Debug, PartialEq)]
pub struct Tone {
    /// Mean voltage of the node to ground.
    pub dc_volts: f64,
    /// Harmonics 1 to 20, as far as the sample rate carries them.
    pub harmonics: Vec<Harmonic>,
    /// Whether the answer settled within six seconds.
    pub settled: bool,
}

impl Tone {
    /// Peak volts of the fundamental.
    pub fn fundamental_volts(&self) -> f64 {
        self.harmonics.first().map_or(0.0, |h| h.peak_volts)
    }

    /// Total harmonic distortion: root of the sum of squares of harmonics 2 and up, in percent of
    /// the fundamental.
    pub fn thd_percent(&self) -> f64 {
        let above: f64 = self.harmonics.iter().skip(1).map(|h| h.peak_volts.powi(2)).sum();
        100.0 * above.sqrt() / self.fundamental_volts().max(1e-300)
    }
}

/// A sine that goes on from where it was.
#[derive(Clone, Copy, Debug)]
struct Sine {
    frequency_hz: f64,
    sample_rate_hz: f64,
    /// Samples given so far.
    at: usize,
}

impl Sine {
    fn fill(&mut self, peak_volts: f64, samples: &mut [f64]) {
        for x in samples {
            let turns = self.frequency_hz * self.at as f64 / self.sample_rate_hz;
            *x = peak_volts * (TAU * turns.fract()).sin();
            self.at += 1;
        }
    }
}

/// Runs a processor with a sine until its answer settles.
#[derive(Debug)]
pub struct ToneRun {
    processor: DrivenProcessor,
    sine: Sine,
    delay: usize,
    rest_volts: f64,
}

impl ToneRun {
    /// From rest, at the plan's first output.
    pub fn new(plan: &Arc<DrivenPlan>, frequency_hz: f64) -> Self {
        let sample_rate_hz = plan.sample_rate_hz();
        Self {
            processor: plan.processor(),
            sine: Sine { frequency_hz, sample_rate_hz, at: 0 },
            delay: plan.delay_samples(),
            rest_volts: plan.rest_output_volts().first().copied().unwrap_or(0.0),
        }
    }

    /// The settled answer at one level; the run goes on from the level before.
    pub fn settle(&mut self, peak_volts: f64) -> Tone {
        self.settle_within(peak_volts, LONGEST_S, SETTLED)
    }

    /// The same with a limit on time and a looser measure of rest.
    pub fn settle_within(&mut self, peak_volts: f64, longest_s: f64, settled: f64) -> Tone {
        let length = (STRETCH_S * self.sine.sample_rate_hz) as usize;
        let (mut input, mut output) = (vec![0.0; length], vec![0.0; length]);
        let stretches = (longest_s / STRETCH_S).round().max(2.0) as usize;
        let mut before: Option<Tone> = None;
        for _ in 0..stretches {
            let start = self.sine.at;
            self.sine.fill(peak_volts, &mut input);
            self.processor.process_into(&input, &mut output);
            let mut tone = self.fit(&output, start);
            if let Some(before) = &before {
                let limit = settled * tone.fundamental_volts();
                let moved = |a: &Harmonic, b: &Harmonic| (a.peak_volts - b.peak_volts).abs();
                let dc = (tone.dc_volts - before.dc_volts).abs();
                let worst = tone.harmonics.iter().zip(&before.harmonics);
                tone.settled = worst.map(|(a, b)| moved(a, b)).fold(dc, f64::max) <= limit;
            }
            if tone.settled {
                return tone;
            }
            before = Some(tone);
        }
        before.unwrap_or(Tone { dc_volts: self.rest_volts, harmonics: vec![], settled: false })
    }

    /// The processor, for its report.
    pub fn processor(&mut self) -> &mut DrivenProcessor {
        &mut self.processor
    }

    /// Least squares over the samples that answer to input from `start` on.
    fn fit(&self, samples: &[f64], start: usize) -> Tone {
        let Sine { frequency_hz, sample_rate_hz, .. } = self.sine;
        let most = (HIGHEST_SHARE * sample_rate_hz / frequency_hz) as usize;
        let count = most.clamp(1, MOST_HARMONICS);
        let columns = 2 * count + 1;
        // Whole periods, as far as samples allow, keep the columns nearly at right angles.
        let periods = (samples.len() as f64 * frequency_hz / sample_rate_hz).floor().max(1.0);
        let used = ((periods * sample_rate_hz / frequency_hz) as usize).min(samples.len());
        let skip = samples.len() - used;
        let mut normal = DMatrix::<f64>::zeros(columns, columns);
        let mut right = DVector::<f64>::zeros(columns);
        let mut basis = vec![1.0; columns];
        for (n, y) in samples.iter().enumerate().skip(skip) {
            let t = (start + n) as f64 - self.delay as f64;
            let angle = TAU * (frequency_hz * t / sample_rate_hz).rem_euclid(1.0);
            for k in 1..=count {
                let (sin, cos) = (angle * k as f64).sin_cos();
                basis[2 * k - 1] = cos;
                basis[2 * k] = sin;
            }
            for r in 0..columns {
                right[r] += basis[r] * y;
                for c in 0..=r {
                    normal[(r, c)] += basis[r] * basis[c];
                }
            }
        }
        let fit = normal.cholesky().map_or(right.clone() * 0.0, |c| c.solve(&right));
        let harmonic = |k: usize| {
            let (c, s) = (fit[2 * k - 1], fit[2 * k]);
            let phase_deg = (-s).atan2(c).to_degrees();
            Harmonic { number: k, peak_volts: c.hypot(s), phase_deg }
        };
        Tone {
            dc_volts: self.rest_volts + fit[0],
            harmonics: (1..=count).map(harmonic).collect(),
            settled: false,
        }
    }
}
