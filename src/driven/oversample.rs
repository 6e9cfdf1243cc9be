//! Cascades of doublers and halvers, with a whole number of samples of delay.

use super::halfband::{Doubler, Halfband, Halver, LONGEST_STRETCH, Stretch};

/// Most doublings.
pub const MOST_DOUBLINGS: usize = 4;
/// Samples of the internal rate for one outside, at most.
pub const MOST_FACTOR: usize = 1 << MOST_DOUBLINGS;

/// The band that is kept, as a share of the sample rate outside: 20 kHz at 48 kHz.
const KEPT_BAND: f64 = 20.0 / 48.0;

/// Filters of all stages, lowest rate first.
#[derive(Clone, Debug)]
pub struct OversamplingPlan {
    filters: Vec<Halfband>,
    pad: usize,
    delay: usize,
}

impl OversamplingPlan {
    /// For 1 to 4 doublings.
    pub fn new(doublings: usize) -> Self {
        let filters: Vec<Halfband> =
            (1..=doublings).map(|k| Halfband::new(KEPT_BAND / f64::from(1 << k))).collect();
        let factor = 1 << doublings;
        let within: usize =
            filters.iter().enumerate().map(|(k, f)| f.delay() << (doublings - 1 - k)).sum();
        let pad = (factor - within % factor) % factor;
        Self { filters, pad, delay: (within + pad) / factor }
    }

    /// Internal samples for each one outside.
    pub fn factor(&self) -> usize {
        1 << self.filters.len()
    }

    /// Delay of going up and down, in samples outside.
    pub fn delay_samples(&self) -> usize {
        self.delay
    }
}

/// Room for the longest stretch at the highest rate.
pub type Raised = [f64; LONGEST_STRETCH * MOST_FACTOR];

/// Raises the rate of one signal.
#[derive(Clone, Debug)]
pub struct Upsampler {
    stages: Vec<Doubler>,
    pad: Stretch,
}

impl Upsampler {
    /// At silence.
    pub fn new(plan: &OversamplingPlan) -> Self {
        let stage = |(s, filter)| Doubler::new(filter, LONGEST_STRETCH << s);
        Self {
            stages: plan.filters.iter().enumerate().map(stage).collect(),
            pad: Stretch::new(plan.pad, LONGEST_STRETCH * plan.factor()),
        }
    }

    /// Up to [`LONGEST_STRETCH`] samples outside fill the first `factor` times as many entries of `out`.
    #[inline(always)]
    pub fn process(&mut self, plan: &OversamplingPlan, x: &[f64], out: &mut Raised) {
        let mut count = x.len();
        let mut lower = [0.0; LONGEST_STRETCH * MOST_FACTOR];
        lower[..count].copy_from_slice(x);
        for s in 0..self.stages.len() {
            self.stages[s].process(&plan.filters[s], &lower[..count], out);
            count *= 2;
            if s + 1 < self.stages.len() {
                lower[..count].copy_from_slice(&out[..count]);
            }
        }
        if plan.pad > 0 {
            self.pad.take(count, |k| out[k]);
            out[..count].copy_from_slice(self.pad.delayed(plan.pad, count));
            self.pad.end(count);
        }
    }

    /// Goes on where another one of the same plan stands, without allocating.
    pub fn copy_from(&mut self, other: &Self) {
        for (own, other) in self.stages.iter_mut().zip(&other.stages) {
            own.copy_from(other);
        }
        self.pad.copy_from(&other.pad);
    }
}

/// Lowers the rate of one signal.
#[derive(Clone, Debug)]
pub struct Downsampler {
    stages: Vec<Halver>,
}

impl Downsampler {
    /// At silence.
    pub fn new(plan: &OversamplingPlan) -> Self {
        let stage = |(s, filter)| Halver::new(filter, LONGEST_STRETCH << s);
        Self { stages: plan.filters.iter().enumerate().map(stage).collect() }
    }

    /// The first entries of `x`, `factor` for each sample outside, give up to [`LONGEST_STRETCH`] of these
    /// in `out`; `x` is used up.
    #[inline(always)]
    pub fn process(&mut self, plan: &OversamplingPlan, x: &mut Raised, out: &mut [f64]) {
        let mut count = out.len() * plan.factor();
        let mut lower = [0.0; LONGEST_STRETCH * MOST_FACTOR / 2];
        for s in (0..self.stages.len()).rev() {
            self.stages[s].process(&plan.filters[s], &x[..count], &mut lower);
            count /= 2;
            x[..count].copy_from_slice(&lower[..count]);
        }
        out.copy_from_slice(&x[..count]);
    }

    /// Goes on where another one of the same plan stands, without allocating.
    pub fn copy_from(&mut self, other: &Self) {
        for (own, other) in self.stages.iter_mut().zip(&other.stages) {
            own.copy_from(other);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Up and down again is the signal, delayed by the stated number of samples.
    #[test]
    fn the_round_trip_is_a_known_delay() {
        for doublings in 1..=MOST_DOUBLINGS {
            let plan = OversamplingPlan::new(doublings);
            let (mut up, mut down) = (Upsampler::new(&plan), Downsampler::new(&plan));
            let signal = |n: f64| (0.3 * n).sin() + 0.5 * (2.4 * n + 1.0).cos();
            let mut raised = [0.0; LONGEST_STRETCH * MOST_FACTOR];
            // In stretches of every length.
            let (mut n, mut length) = (0, 1);
            while n < 600 {
                let x: Vec<f64> = (n..n + length).map(|n| signal(n as f64)).collect();
                let mut y = vec![0.0; length];
                up.process(&plan, &x, &mut raised);
                down.process(&plan, &mut raised, &mut y);
                for (k, y) in y.iter().enumerate() {
                    let want = signal((n + k) as f64 - plan.delay_samples() as f64);
                    let off = (y - want).abs();
                    assert!(n < 300 || off < 5e-5, "{doublings} doublings: {y} {want}");
                }
                n += length;
                length = length % LONGEST_STRETCH + 1;
            }
        }
    }
}
