//! Linear-phase halfband filters for doubling and halving the sample rate.
//!
//! A halfband filter of 4m + 3 taps has its middle tap at one half and every second of the others
//! at zero, so one of its two phases is a delay. Windowed-sinc design with a Kaiser window:
//! J. F. Kaiser, "Nonrecursive digital filter design using the I0-sinh window function", IEEE
//! ISCAS 1974; A = 2.285 (N - 1) dw + 7.95, beta = 0.1102 (A - 8.7) for A above 50 dB.

use crate::simd::{QUAD, Quad};

/// Attenuation that the filters are designed for.
pub const STOPBAND_DB: f64 = 110.0;

/// A halfband filter: the taps at even places (the middle tap is one half).
#[derive(Clone, Debug)]
pub struct Halfband {
    even_taps: Box<[f64]>,
    /// m of 4m + 3 taps.
    m: usize,
}

/// Modified Bessel function of the first kind, order zero, by its power series.
fn bessel_i0(x: f64) -> f64 {
    let (mut sum, mut term, mut k) = (1.0, 1.0, 1.0);
    while term > 1e-17 * sum {
        term *= (x / (2.0 * k)) * (x / (2.0 * k));
        sum += term;
        k += 1.0;
    }
    sum
}

impl Halfband {
    /// Designs the filter; `passband` is the edge of the band to keep as a share of the higher
    /// rate (below 0.25).
    pub fn new(passband: f64) -> Self {
        let transition = std::f64::consts::TAU * (0.5 - 2.0 * passband);
        let taps = (STOPBAND_DB - 7.95) / (2.285 * transition) + 1.0;
        let m = (((taps - 3.0) / 4.0).ceil() as usize).max(2);
        let beta = 0.1102 * (STOPBAND_DB - 8.7);
        let middle = (2 * m + 1) as f64;
        let mut even_taps: Vec<f64> = (0..2 * m + 2)
            .map(|k| {
                let x = 2.0 * k as f64 - middle;
                let angle = std::f64::consts::FRAC_PI_2 * x;
                let r = x / (middle + 1.0);
                let window = bessel_i0(beta * (1.0 - r * r).sqrt()) / bessel_i0(beta);
                0.5 * angle.sin() / angle * window
            })
            .collect();
        // Unity at zero frequency, and a perfect zero at half the higher rate.
        let sum: f64 = even_taps.iter().sum();
        even_taps.iter_mut().for_each(|t| *t *= 0.5 / sum);
        Self { even_taps: even_taps.into_boxed_slice(), m }
    }

    /// Delay of doubling and halving with this filter, in samples of the higher rate.
    pub fn delay(&self) -> usize {
        4 * self.m + 1
    }

    /// All taps, for those who look at the response.
    #[cfg(test)]
    fn taps(&self) -> Vec<f64> {
        let mut taps = vec![0.0; 4 * self.m + 3];
        for (k, t) in self.even_taps.iter().enumerate() {
            taps[2 * k] = *t;
        }
        taps[2 * self.m + 1] = 0.5;
        taps
    }
}

/// Most samples of the rate outside that go through the filters in one go.
pub const LONGEST_STRETCH: usize = 16;
/// Sums that are made side by side where there are as many to make.
const SIDE_BY_SIDE: usize = 4;

/// A signal in stretches: what is still needed of what came before, then the present stretch.
#[derive(Clone, Debug)]
pub struct Stretch {
    values: Box<[f64]>,
    before: usize,
}

impl Stretch {
    /// Remembers `before` values, and takes up to `longest` at once.
    pub fn new(before: usize, longest: usize) -> Self {
        // Sums go by whole quads, the last of which may reach beyond the stretch.
        let room = longest.next_multiple_of(QUAD);
        Self { values: vec![0.0; before + room].into_boxed_slice(), before }
    }

    /// Takes in a stretch of `count` values.
    #[inline(always)]
    pub fn take(&mut self, count: usize, value: impl Fn(usize) -> f64) {
        let own = &mut self.values[self.before..self.before + count];
        for k in 0..count {
            own[k] = value(k);
        }
    }

    /// Forgets what is no longer needed after a stretch of `count` values.
    #[inline(always)]
    pub fn end(&mut self, count: usize) {
        self.values.copy_within(count..count + self.before, 0);
    }

    /// The present stretch, delayed by up to as many values as are remembered.
    #[inline(always)]
    pub fn delayed(&self, by: usize, count: usize) -> &[f64] {
        let first = self.before - by;
        &self.values[first..first + count]
    }

    /// The present stretch through a filter of at most one tap more than values are remembered, newest first.
    // Quads of sums go over the taps together: a tap is read once for all of them, and no sum waits for
    // another. Each adds in the order of the taps, so how a signal is cut into stretches does not matter.
    #[inline(always)]
    pub fn filtered(&self, taps: &[f64], count: usize, mut put: impl FnMut(usize, f64)) {
        let mut at = 0;
        while at + (SIDE_BY_SIDE - 1) * QUAD < count {
            let sums = self.sums::<SIDE_BY_SIDE>(taps, at);
            for k in 0..(SIDE_BY_SIDE * QUAD).min(count - at) {
                put(at + k, sums[k / QUAD].0[k % QUAD]);
            }
            at += SIDE_BY_SIDE * QUAD;
        }
        while at < count {
            let [sums] = self.sums::<1>(taps, at);
            for k in 0..QUAD.min(count - at) {
                put(at + k, sums.0[k]);
            }
            at += QUAD;
        }
    }

    #[inline(always)]
    fn sums<const W: usize>(&self, taps: &[f64], at: usize) -> [Quad; W] {
        let mut sums = [Quad::ZERO; W];
        let newest = self.before + at;
        for k in 0..taps.len() {
            let (list, _) = self.values[newest - k..newest - k + W * QUAD].as_chunks::<QUAD>();
            for q in 0..W {
                sums[q].add(&Quad(list[q]), taps[k]);
            }
        }
        sums
    }

    /// Remembers what another one of the same lengths does, without allocating.
    pub fn copy_from(&mut self, other: &Self) {
        if self.values.len() == other.values.len() && self.before == other.before {
            self.values.copy_from_slice(&other.values);
        }
    }
}

/// Doubles the rate.
#[derive(Clone, Debug)]
pub struct Doubler {
    signal: Stretch,
}

impl Doubler {
    /// For one filter, and stretches of up to `longest` samples at the lower rate.
    pub fn new(filter: &Halfband, longest: usize) -> Self {
        Self { signal: Stretch::new(filter.even_taps.len(), longest) }
    }

    /// A stretch of samples at the lower rate gives one of twice as many at the higher.
    #[inline(always)]
    pub fn process(&mut self, filter: &Halfband, lower: &[f64], higher: &mut [f64]) {
        let count = lower.len();
        let (higher, _) = higher[..2 * count].as_chunks_mut::<2>();
        self.signal.take(count, |k| lower[k]);
        self.signal.filtered(&filter.even_taps, count, |k, sum| higher[k][0] = 2.0 * sum);
        let delayed = self.signal.delayed(filter.m, count);
        for k in 0..count {
            higher[k][1] = delayed[k];
        }
        self.signal.end(count);
    }

    /// Goes on where another one for the same filter stands.
    pub fn copy_from(&mut self, other: &Self) {
        self.signal.copy_from(&other.signal);
    }
}

/// Halves the rate.
#[derive(Clone, Debug)]
pub struct Halver {
    first: Stretch,
    second: Stretch,
}

impl Halver {
    /// For one filter, and stretches of up to `longest` samples at the lower rate.
    pub fn new(filter: &Halfband, longest: usize) -> Self {
        Self {
            first: Stretch::new(filter.m, longest),
            second: Stretch::new(filter.even_taps.len(), longest),
        }
    }

    /// A stretch of samples at the higher rate gives one of half as many at the lower.
    #[inline(always)]
    pub fn process(&mut self, filter: &Halfband, higher: &[f64], lower: &mut [f64]) {
        let (higher, _) = higher.as_chunks::<2>();
        let count = higher.len();
        self.first.take(count, |k| higher[k][0]);
        self.second.take(count, |k| higher[k][1]);
        let delayed = self.first.delayed(filter.m, count);
        self.second.filtered(&filter.even_taps, count, |k, sum| lower[k] = sum + 0.5 * delayed[k]);
        self.first.end(count);
        self.second.end(count);
    }

    /// Goes on where another one for the same filter stands.
    pub fn copy_from(&mut self, other: &Self) {
        self.first.copy_from(&other.first);
        self.second.copy_from(&other.second);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Every filter keeps its band within 0.001 dB and stops by 100 dB.
    #[test]
    fn filters_keep_and_stop() {
        for passband in [20.0 / 96.0, 20.0 / 192.0, 20.0 / 384.0, 20.0 / 768.0] {
            let taps = Halfband::new(passband).taps();
            let gain = |f: f64| {
                let middle = (taps.len() - 1) as f64 / 2.0;
                let part = |(k, t): (usize, &f64)| {
                    t * (std::f64::consts::TAU * f * (k as f64 - middle)).cos()
                };
                taps.iter().enumerate().map(part).sum::<f64>()
            };
            for k in 0..=400 {
                let f = f64::from(k) / 400.0;
                let keep = 20.0 * gain(f * passband).abs().log10();
                assert!(keep.abs() < 1e-3, "{passband} {f}: {keep} dB");
                let stop = gain(0.5 - f * passband).abs();
                assert!(stop < 1e-5, "{passband} {f}: {stop}");
            }
        }
    }
}
