//! The settled answer of a driven circuit to a sine: DC and harmonics.

use std::f64::consts::TAU;
use std::sync::Arc;

use nalgebra::{Cholesky, Complex, DMatrix, DVector, Dyn};

use crate::driven::{DrivenPlan, DrivenProcessor};

/// Most harmonics that are given.
pub const MOST_HARMONICS: usize = 20;
/// Longest run until the answer has settled.
const LONGEST_S: f64 = 6.0;
/// Stretches that are compared with one another: this long, and this many periods.
const STRETCH_S: f64 = 0.1;
const STRETCH_PERIODS: f64 = 10.0;
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
    /// Whether the answer settled in the time that it was given.
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

    fn of_fit(rest_volts: f64, fit: &DVector<f64>) -> Self {
        let harmonic = |k: usize| {
            let (c, s) = (fit[2 * k - 1], fit[2 * k]);
            let phase_deg = (-s).atan2(c).to_degrees();
            Harmonic { number: k, peak_volts: c.hypot(s), phase_deg }
        };
        let count = fit.len() / 2;
        Self {
            dc_volts: rest_volts + fit[0],
            harmonics: (1..=count).map(harmonic).collect(),
            settled: false,
        }
    }
}

/// When a run may stop.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Patience {
    /// Longest time that the answer gets to settle.
    pub longest_s: f64,
    /// Settled: DC and every harmonic move by less than this share of the fundamental from one
    /// stretch of 0.1 s (ten periods, if that is more) to the next.
    pub settled: f64,
}

impl Default for Patience {
    fn default() -> Self {
        Self { longest_s: LONGEST_S, settled: SETTLED }
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
#[derive(Clone, Debug)]
pub struct ToneRun {
    processor: DrivenProcessor,
    sine: Sine,
    delay: usize,
    rest_volts: Vec<f64>,
    input: Vec<f64>,
    /// The last stretch of each output.
    outputs: Vec<Vec<f64>>,
}

impl ToneRun {
    /// From rest.
    pub fn new(plan: &Arc<DrivenPlan>, frequency_hz: f64) -> Self {
        let sample_rate_hz = plan.sample_rate_hz();
        let seconds = STRETCH_S.max(STRETCH_PERIODS / frequency_hz);
        let length = (seconds * sample_rate_hz) as usize;
        Self {
            processor: plan.processor(),
            sine: Sine { frequency_hz, sample_rate_hz, at: 0 },
            delay: plan.delay_samples(),
            rest_volts: plan.rest_output_volts().to_vec(),
            input: vec![0.0; length],
            outputs: vec![vec![0.0; length]; plan.outputs()],
        }
    }

    /// The settled answer of the first output at one level; the run goes on from the level before.
    pub fn settle(&mut self, peak_volts: f64) -> Tone {
        self.settle_within(peak_volts, Patience::default())
    }

    /// The same with other limits.
    pub fn settle_within(&mut self, peak_volts: f64, patience: Patience) -> Tone {
        let mut all = self.settle_all(peak_volts, patience);
        if all.is_empty() {
            return Tone { dc_volts: 0.0, harmonics: vec![], settled: false };
        }
        all.swap_remove(0)
    }

    /// The answer of every output of the plan, settled when the first one is.
    pub fn settle_all(&mut self, peak_volts: f64, patience: Patience) -> Vec<Tone> {
        let seconds = self.input.len() as f64 / self.sine.sample_rate_hz;
        let stretches = (patience.longest_s / seconds).round().max(2.0) as usize;
        let mut before: Option<Tone> = None;
        for left in (0..stretches).rev() {
            let start = self.sine.at;
            self.sine.fill(peak_volts, &mut self.input);
            let mut outputs: Vec<&mut [f64]> =
                self.outputs.iter_mut().map(Vec::as_mut_slice).collect();
            self.processor.process_all_into(&self.input, &mut outputs);
            let fit = Fit::new(self.sine, start as f64 - self.delay as f64, self.input.len());
            let tone = |k: usize| Tone::of_fit(self.rest_volts[k], &fit.of(&self.outputs[k]));
            let first = tone(0);
            let settled = before.as_ref().is_some_and(|before| {
                let moved = |(a, b): (&Harmonic, &Harmonic)| (a.peak_volts - b.peak_volts).abs();
                let dc = (first.dc_volts - before.dc_volts).abs();
                let worst = first.harmonics.iter().zip(&before.harmonics).map(moved);
                worst.fold(dc, f64::max) <= patience.settled * first.fundamental_volts()
            });
            if settled || left == 0 {
                let all = (0..self.outputs.len()).map(tone);
                return all.map(|tone| Tone { settled, ..tone }).collect();
            }
            before = Some(first);
        }
        vec![]
    }

    /// What the last stretch of an output was, as deviation from rest: for what harmonics do not say.
    pub fn last_stretch(&self, output: usize) -> &[f64] {
        self.outputs.get(output).map_or(&[], Vec::as_slice)
    }

    /// DC and harmonics of any signal over the last stretch, each as a complex peak against
    /// exp(j 2 pi k f t): entry 0 is the mean.
    pub fn harmonics_of(&self, samples: &[f64]) -> Vec<Complex<f64>> {
        let start = self.sine.at.saturating_sub(self.input.len());
        let fit = Fit::new(self.sine, start as f64 - self.delay as f64, self.input.len());
        let found = fit.of(samples);
        let part = |k: usize| match k {
            0 => Complex::from(found[0]),
            _ => Complex::new(found[2 * k - 1], -found[2 * k]),
        };
        (0..=found.len() / 2).map(part).collect()
    }

    /// The processor, for its report.
    pub fn processor(&mut self) -> &mut DrivenProcessor {
        &mut self.processor
    }
}

/// Least squares of DC, cosines and sines over a stretch.
struct Fit {
    sine: Sine,
    /// Sample number of the stretch's first sample, by the input's count.
    start: f64,
    /// Samples at the stretch's begin that are left out, so that it holds whole periods: that keeps
    /// the columns nearly at right angles.
    skip: usize,
    harmonics: usize,
    normal: Option<Cholesky<f64, Dyn>>,
}

impl Fit {
    fn new(sine: Sine, start: f64, length: usize) -> Self {
        let Sine { frequency_hz, sample_rate_hz, .. } = sine;
        let most = (HIGHEST_SHARE * sample_rate_hz / frequency_hz) as usize;
        let harmonics = most.clamp(1, MOST_HARMONICS);
        let periods = (length as f64 * frequency_hz / sample_rate_hz).floor().max(1.0);
        let used = ((periods * sample_rate_hz / frequency_hz).round() as usize).min(length);
        let skip = length - used;
        // The products of columns are sums and differences of cos m a and sin m a: their sums over
        // the stretch are all that the normal equations need.
        let mut sums = vec![Complex::from(0.0); 2 * harmonics + 1];
        for n in skip..length {
            let turn = turn(&sine, start + n as f64);
            let mut power = Complex::from(1.0);
            for sum in &mut sums {
                *sum += power;
                power *= turn;
            }
        }
        let sum = |m: isize| {
            let s = sums[m.unsigned_abs()];
            if m < 0 { s.conj() } else { s }
        };
        // Column 0 is 1 (a cosine of 0), 2k - 1 is cos k a, 2k is sin k a.
        let normal = DMatrix::from_fn(2 * harmonics + 1, 2 * harmonics + 1, |r, c| {
            let (j, k) = (r.div_ceil(2) as isize, c.div_ceil(2) as isize);
            let (less, more) = (sum(j - k), sum(j + k));
            match (is_sine(r), is_sine(c)) {
                (false, false) => 0.5 * (less.re + more.re),
                (true, true) => 0.5 * (less.re - more.re),
                (true, false) => 0.5 * (more.im + less.im),
                (false, true) => 0.5 * (more.im - less.im),
            }
        });
        Self { sine, start, skip, harmonics, normal: normal.cholesky() }
    }

    /// DC, then cosine and sine of each harmonic.
    fn of(&self, samples: &[f64]) -> DVector<f64> {
        let mut right = DVector::zeros(2 * self.harmonics + 1);
        for (n, y) in samples.iter().enumerate().skip(self.skip) {
            let turn = turn(&self.sine, self.start + n as f64);
            right[0] += y;
            let mut power = turn;
            for k in 1..=self.harmonics {
                right[2 * k - 1] += y * power.re;
                right[2 * k] += y * power.im;
                power *= turn;
            }
        }
        // Columns over whole periods are independent, so there is a factor.
        self.normal.as_ref().map_or_else(|| 0.0 * &right, |n| n.solve(&right))
    }
}

fn is_sine(column: usize) -> bool {
    column > 0 && column.is_multiple_of(2)
}

/// exp(j 2 pi f t) at a sample.
fn turn(sine: &Sine, sample: f64) -> Complex<f64> {
    let turns = (sine.frequency_hz * sample / sine.sample_rate_hz).rem_euclid(1.0);
    Complex::from_polar(1.0, TAU * turns)
}
