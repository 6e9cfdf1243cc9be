//! Cascades of doublers and halvers, with a whole number of samples of delay.

use super::halfband::{Doubler, Halfband, Halver, Past};

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

/// Raises the rate of one signal.
#[derive(Clone, Debug)]
pub struct Upsampler {
    stages: Vec<Doubler>,
    pad: Past,
}

impl Upsampler {
    /// At silence.
    pub fn new(plan: &OversamplingPlan) -> Self {
        Self {
            stages: plan.filters.iter().map(Doubler::new).collect(),
            pad: Past::new(plan.pad + 1),
        }
    }

    /// One sample outside fills the first `factor` entries of `out`, in order of time.
    #[inline(always)]
    pub fn push(&mut self, plan: &OversamplingPlan, x: f64, out: &mut [f64; MOST_FACTOR]) {
        out[0] = x;
        let mut count = 1;
        for s in 0..self.stages.len() {
            let lower = *out;
            for k in 0..count {
                [out[2 * k], out[2 * k + 1]] = self.stages[s].push(&plan.filters[s], lower[k]);
            }
            count *= 2;
        }
        if plan.pad > 0 {
            for x in &mut out[..count] {
                self.pad.push(*x);
                *x = self.pad.values()[plan.pad];
            }
        }
    }

    /// Forgets everything.
    pub fn reset(&mut self) {
        self.stages.iter_mut().for_each(Doubler::reset);
        self.pad.clear();
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
        Self { stages: plan.filters.iter().map(Halver::new).collect() }
    }

    /// The first `factor` entries of `x`, in order of time, give one sample outside.
    #[inline(always)]
    pub fn push(&mut self, plan: &OversamplingPlan, x: &mut [f64; MOST_FACTOR]) -> f64 {
        let mut count = plan.factor();
        for s in (0..self.stages.len()).rev() {
            count /= 2;
            for k in 0..count {
                x[k] = self.stages[s].push(&plan.filters[s], [x[2 * k], x[2 * k + 1]]);
            }
        }
        x[0]
    }

    /// Forgets everything.
    pub fn reset(&mut self) {
        self.stages.iter_mut().for_each(Halver::reset);
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
            let mut buffer = [0.0; MOST_FACTOR];
            for n in 0..600 {
                up.push(&plan, signal(f64::from(n)), &mut buffer);
                let y = down.push(&plan, &mut buffer);
                if n > 300 {
                    let want = signal(f64::from(n) - plan.delay_samples() as f64);
                    assert!((y - want).abs() < 5e-5, "{doublings} doublings: {y} {want}");
                }
            }
        }
    }
}
