//! Linear-phase halfband filters for doubling and halving the sample rate.
//!
//! A halfband filter of 4m + 3 taps has its middle tap at one half and every second of the others
//! at zero, so one of its two phases is a delay. Windowed-sinc design with a Kaiser window:
//! J. F. Kaiser, "Nonrecursive digital filter design using the I0-sinh window function", IEEE
//! ISCAS 1974; A = 2.285 (N - 1) dw + 7.95, beta = 0.1102 (A - 8.7) for A above 50 dB.

/// Attenuation that the filters are designed for.
pub const STOPBAND_DB: f64 = 110.0;

/// A halfband filter: the taps at even places (the middle tap is one half), zeros behind them.
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
        Self { even_taps: in_fours(even_taps), m }
    }

    /// Delay of doubling and halving with this filter, in samples of the higher rate.
    pub fn delay(&self) -> usize {
        4 * self.m + 1
    }

    /// All taps, for those who look at the response.
    #[cfg(test)]
    fn taps(&self) -> Vec<f64> {
        let mut taps = vec![0.0; 4 * self.m + 3];
        for (k, t) in self.even_taps.iter().enumerate().take(2 * self.m + 2) {
            taps[2 * k] = *t;
        }
        taps[2 * self.m + 1] = 0.5;
        taps
    }
}

/// The last values of a signal, newest first, in one stretch of memory.
#[derive(Clone, Debug)]
pub struct Past {
    buffer: Box<[f64]>,
    length: usize,
    at: usize,
}

impl Past {
    /// Remembers `length` values.
    pub fn new(length: usize) -> Self {
        Self { buffer: vec![0.0; 2 * length].into_boxed_slice(), length, at: 0 }
    }

    /// Takes in one value.
    #[inline(always)]
    pub fn push(&mut self, x: f64) {
        self.at = if self.at == 0 { self.length - 1 } else { self.at - 1 };
        self.buffer[self.at] = x;
        self.buffer[self.at + self.length] = x;
    }

    /// Newest first.
    #[inline(always)]
    pub fn values(&self) -> &[f64] {
        &self.buffer[self.at..self.at + self.length]
    }

    /// Forgets everything.
    pub fn clear(&mut self) {
        self.buffer.fill(0.0);
    }

    /// Remembers what another one of the same length does, without allocating.
    pub fn copy_from(&mut self, other: &Self) {
        if self.length == other.length {
            self.buffer.copy_from_slice(&other.buffer);
            self.at = other.at;
        }
    }
}

/// Sum of products of two lists of whole fours, the shorter of which decides; eight at a time.
#[inline(always)]
pub fn dot(a: &[f64], b: &[f64]) -> f64 {
    let (a, _) = a.as_chunks::<4>();
    let (b, _) = b.as_chunks::<4>();
    let count = a.len().min(b.len());
    let (a, b) = (&a[..count], &b[..count]);
    let (mut even, mut odd) = ([0.0; 4], [0.0; 4]);
    let mut at = 0;
    while at + 1 < count {
        for k in 0..4 {
            even[k] += a[at][k] * b[at][k];
        }
        for k in 0..4 {
            odd[k] += a[at + 1][k] * b[at + 1][k];
        }
        at += 2;
    }
    if at < count {
        for k in 0..4 {
            even[k] += a[at][k] * b[at][k];
        }
    }
    for k in 0..4 {
        even[k] += odd[k];
    }
    (even[0] + even[1]) + (even[2] + even[3])
}

/// A list with zeros at its end, so that it is a whole number of fours.
fn in_fours(mut list: Vec<f64>) -> Box<[f64]> {
    list.resize(list.len().next_multiple_of(4), 0.0);
    list.into_boxed_slice()
}

/// Doubles the rate: one sample in, two out.
#[derive(Clone, Debug)]
pub struct Doubler {
    past: Past,
}

impl Doubler {
    /// For one filter.
    pub fn new(filter: &Halfband) -> Self {
        Self { past: Past::new(filter.even_taps.len()) }
    }

    /// One sample at the lower rate gives two at the higher.
    #[inline(always)]
    pub fn push(&mut self, filter: &Halfband, x: f64) -> [f64; 2] {
        self.past.push(x);
        let past = self.past.values();
        [2.0 * dot(&filter.even_taps, past), past[filter.m]]
    }

    /// Forgets everything.
    pub fn reset(&mut self) {
        self.past.clear();
    }

    /// Goes on where another one for the same filter stands.
    pub fn copy_from(&mut self, other: &Self) {
        self.past.copy_from(&other.past);
    }
}

/// Halves the rate: two samples in, one out.
#[derive(Clone, Debug)]
pub struct Halver {
    first: Past,
    second: Past,
}

impl Halver {
    /// For one filter.
    pub fn new(filter: &Halfband) -> Self {
        Self { first: Past::new(filter.m + 1), second: Past::new(filter.even_taps.len()) }
    }

    /// Two samples at the higher rate give one at the lower.
    #[inline(always)]
    pub fn push(&mut self, filter: &Halfband, x: [f64; 2]) -> f64 {
        self.first.push(x[0]);
        self.second.push(x[1]);
        dot(&filter.even_taps, self.second.values()) + 0.5 * self.first.values()[filter.m]
    }

    /// Forgets everything.
    pub fn reset(&mut self) {
        self.first.clear();
        self.second.clear();
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
