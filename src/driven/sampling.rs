//! Samples of an output that moves suddenly within a step.
//!
//! What comes down from the internal rate is meant to be the signal itself, but is its values at the ends of the
//! steps. Between these a smooth signal is, but for what nobody hears, a straight line with a bend; where it is
//! not, as in a divided step, the area between the signal and that shape is missing, and as much as is missing
//! at some moments and not at others folds back as aliases. So the area is added, as three samples that have
//! its size, its place and its width: what lies within 20 kHz cannot tell them from the real thing.
//!
//! With `u` from 0 to 1 through a step, `y` at its ends and the bend `d = y[n] - 2 y[n-1] + y[n-2]` of the
//! samples, the shape is `y[n-1] + u (y[n] - y[n-1]) - d u (1 - u) / 2`. What is left over it, `r(u)`, has the
//! moments `m0`, `m1`, `m2` about the end of the step, `tau = u - 1` in steps. A sample at 0, one at 1 and one at
//! 2 steps later have the same three moments if they are `m0 - 3/2 m1 + 1/2 m2`, `2 m1 - m2` and
//! `(m2 - m1) / 2`: the polynomial of Lagrange through these three places, at `tau`. They all lie at or after the
//! end of the step, so that nothing has to wait. After a divided step the bend of the samples is not that of the
//! signal either; there its own is taken from the step's last part.

use super::plan::{DIVISIONS, PARTS};

/// Moments that there are in a step: the ends of its parts.
const MOST_POINTS: usize = PARTS.pow(DIVISIONS as u32);

/// One output.
#[derive(Clone, Copy, Debug, Default)]
struct Output {
    /// Whether its values within a step are known: not those of a supply or of the input's source, both of which
    /// are smooth.
    followed: bool,
    /// Values within the present step.
    points: [f64; MOST_POINTS],
    /// At the ends of the last two steps, newest first; and at the last moment before the end of the last one.
    before: [f64; 2],
    shortly_before: f64,
    /// What is to be added to the present sample and to the next two.
    due: [f64; 3],
}

/// What the outputs' samples need beside the values at the ends of the steps.
#[derive(Clone, Debug)]
pub struct Sampling {
    outputs: Vec<Output>,
    /// The moments of the present step, if it is divided, as shares of it; the last one is its end.
    times: [f64; MOST_POINTS],
    count: usize,
    /// How long before the end of the last step `shortly_before` was, in steps.
    shortly: f64,
}

impl Sampling {
    /// For so many outputs, the listed of which are followed within a step.
    pub fn new(outputs: usize, followed: impl Iterator<Item = usize>) -> Self {
        let mut outputs = vec![Output::default(); outputs];
        for k in followed {
            if let Some(output) = outputs.get_mut(k) {
                output.followed = true;
            }
        }
        Self { outputs, times: [0.0; MOST_POINTS], count: 0, shortly: 1.0 }
    }

    /// Takes the values at the end of a part of a step, a share of the step after its beginning.
    pub fn take(&mut self, share: f64, values: &[f64]) {
        let Some(time) = self.times.get_mut(self.count) else { return };
        *time = share;
        for (output, value) in self.outputs.iter_mut().zip(values) {
            output.points[self.count] = *value;
        }
        self.count += 1;
    }

    /// Takes the values at the end of a step.
    #[inline(always)]
    pub fn end_step(&mut self, values: &[f64]) {
        let unusual = self.count > 0 || self.shortly < 1.0;
        for k in 0..self.outputs.len() {
            let output = &mut self.outputs[k];
            output.due = [output.due[1], output.due[2], 0.0];
            if unusual && output.followed {
                output.make_up(&self.times[..self.count], self.shortly, values[k]);
            }
            output.before = [values[k], output.before[0]];
        }
        if unusual {
            self.shortly = if self.count > 1 { 1.0 - self.times[self.count - 2] } else { 1.0 };
            self.count = 0;
        }
    }

    /// What is to be added to the output's value at the end of the last step.
    #[inline(always)]
    pub fn due(&self, output: usize) -> f64 {
        self.outputs[output].due[0]
    }

    /// All is at rest again.
    pub fn forget(&mut self) {
        for output in &mut self.outputs {
            *output = Output { followed: output.followed, ..Output::default() };
        }
        (self.count, self.shortly) = (0, 1.0);
    }

    /// Goes on where another one stands. Allocates nothing.
    pub fn copy_from(&mut self, other: &Self) {
        self.outputs.copy_from_slice(&other.outputs);
        (self.times, self.count, self.shortly) = (other.times, other.count, other.shortly);
    }
}

impl Output {
    /// Adds what the shape of the step leaves out; `now` is the value at its end.
    #[cold]
    #[inline(never)]
    fn make_up(&mut self, times: &[f64], shortly: f64, now: f64) {
        let [last, earlier] = self.before;
        let at_first = (-shortly, if shortly < 1.0 { self.shortly_before } else { earlier });
        let own = |k: usize| (times[k], self.points[k]);
        let mut moments = [0.0; 3];
        let mut add = |from: (f64, f64), to: (f64, f64), bend: f64| {
            let width = to.0 - from.0;
            let over = |(u, y): (f64, f64)| y - (last + u * (now - last));
            let middle = 0.5 * (over(from) + over(to)) - bend * width * width / 8.0;
            // Simpson's rule.
            for (u, weight, over) in [
                (from.0, 1.0, over(from)),
                (0.5 * (from.0 + to.0), 4.0, middle),
                (to.0, 1.0, over(to)),
            ] {
                let mut weighted = width / 6.0 * weight * over;
                for moment in &mut moments {
                    *moment += weighted;
                    weighted *= u - 1.0;
                }
            }
        };
        if times.is_empty() {
            add((0.0, last), (1.0, now), bend(at_first, (0.0, last), (1.0, now)));
        }
        let (mut before, mut from) = (at_first, (0.0, last));
        for k in 0..times.len() {
            // Of the bends at both ends of a part the smaller one: a corner is in one of them.
            let mut least = bend(before, from, own(k));
            if k + 1 < times.len() {
                let other = bend(from, own(k), own(k + 1));
                least = if other.abs() < least.abs() { other } else { least };
            }
            add(from, own(k), least);
            (before, from) = (from, own(k));
        }
        self.shortly_before = before.1;
        // The integrals of u (1 - u) / 2 times 1, u - 1 and its square.
        let samples_bend = now - 2.0 * last + earlier;
        let shape = [1.0 / 12.0, -1.0 / 24.0, 1.0 / 40.0];
        let [m0, m1, m2]: [f64; 3] = std::array::from_fn(|k| moments[k] + samples_bend * shape[k]);
        self.due[0] += m0 - 1.5 * m1 + 0.5 * m2;
        self.due[1] += 2.0 * m1 - m2;
        self.due[2] += 0.5 * (m2 - m1);
    }
}

/// The second derivative of a parabola through three points.
fn bend(a: (f64, f64), b: (f64, f64), c: (f64, f64)) -> f64 {
    let slope = |a: (f64, f64), b: (f64, f64)| (b.1 - a.1) / (b.0 - a.0);
    2.0 * (slope(b, c) - slope(a, b)) / (c.0 - a.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::{PI, TAU};

    /// A triangle wave's corners, in steps divided: what is no harmonic vanishes, and harmonics are those
    /// of its Fourier series, `8 / (pi n)^2` for odd n (a closed form); at steps' ends alone it aliases.
    #[test]
    fn a_triangle_wave_has_the_harmonics_of_its_series() {
        const RATE_HZ: f64 = 384_000.0;
        const BASE_HZ: f64 = 4_703.0;
        let wave = |t: f64| 1.0 - 4.0 * ((t * BASE_HZ).fract() - 0.5).abs();
        let count = RATE_HZ as usize;
        let mut sampling = Sampling::new(1, 0..1);
        let (mut plain, mut mended) = (Vec::with_capacity(count), Vec::with_capacity(count));
        for n in 0..count {
            let [end, start, before] = [10, 9, 8].map(|late| (n + late) as f64 / RATE_HZ);
            // As the solver finds them: where a line through the last two values misses.
            if (wave(end) - 2.0 * wave(start) + wave(before)).abs() > 1e-6 {
                for part in 1..=PARTS {
                    let share = part as f64 / PARTS as f64;
                    sampling.take(share, &[wave(start + share / RATE_HZ)]);
                }
            }
            sampling.end_step(&[wave(end)]);
            plain.push(wave(end));
            mended.push(wave(end) + sampling.due(0));
        }
        // One second: bins of one hertz.
        let amplitude = |samples: &[f64], hz: usize| {
            let turn = |n: usize| TAU * ((hz * n) % count) as f64 / RATE_HZ;
            let parts = samples.iter().enumerate();
            let [re, im] = parts.fold([0.0, 0.0], |[re, im], (n, y)| {
                [re + y * turn(n).cos(), im + y * turn(n).sin()]
            });
            2.0 * f64::hypot(re, im) / RATE_HZ
        };
        // The 81st harmonic folds to 3,057 Hz, the 83rd to 6,349.
        for (hz, least) in [(3_057, 1e-4), (6_349, 1e-4)] {
            let (plain, mended) = (amplitude(&plain, hz), amplitude(&mended, hz));
            println!("{hz} Hz: {plain:.2e}, mended {mended:.2e}");
            assert!(plain > least && mended < 0.05 * plain, "{hz} Hz: {plain:.2e}, {mended:.2e}");
        }
        for n in [1, 3] {
            let want = 8.0 / (PI * f64::from(n)).powi(2);
            let got = amplitude(&mended, 4_703 * n as usize);
            assert!((got / want - 1.0).abs() < 1e-3, "harmonic {n}: {got} instead of {want}");
        }
    }
}
