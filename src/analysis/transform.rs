//! The Fourier transform of a finite signal at any frequency, from one FFT.

use std::cell::RefCell;
use std::f64::consts::{PI, TAU};

use nalgebra::Complex;
use realfft::RealFftPlanner;

/// Half the width of the interpolating kernel, in bins of the FFT.
const HALF_WIDTH: i64 = 16;
/// Shape of its Kaiser window. With the FFT at least twice as long as the signal, the window's main
/// lobe fits in the gap, and what is left outside lies below 1e-10 of the largest value nearby.
const KAISER_BETA: f64 = 24.0;

/// X(ω) = Σ x[n] e^(-jωn) of a real signal, for any ω, as exact as an FFT gives it on its bins.
///
/// A signal of N samples is limited in time, so its transform is limited in "frequency": from an FFT
/// of at least 2N points any other point follows by interpolation with a windowed sinc (the
/// sampling theorem with the roles of time and frequency exchanged; Kaiser window after Kaiser and
/// Schafer, IEEE Trans. ASSP 28(1), 1980).
#[derive(Clone, Debug)]
pub(super) struct Transform {
    /// Bins 0..=M/2 of the FFT.
    bins: Vec<Complex<f64>>,
    points: usize,
    middle: usize,
    sample_rate_hz: f64,
    bessel_at_beta: f64,
}

impl Transform {
    /// Plans and takes the FFT; no signal, no transform: an empty one counts as a single 0.
    pub(super) fn new(signal: &[f64], sample_rate_hz: f64) -> Transform {
        let points = fft_points((2 * signal.len()).max(4 * HALF_WIDTH as usize));
        let bins = ROOM.with_borrow_mut(|room| {
            room.signal.clear();
            room.signal.extend_from_slice(signal);
            room.signal.resize(points, 0.0);
            transformed(&mut room.signal, &mut room.scratch)
        });
        let middle = signal.len() / 2;
        let bessel_at_beta = bessel_i0(KAISER_BETA);
        Transform { bins, points, middle, sample_rate_hz, bessel_at_beta }
    }

    /// The transform at `hz`, sample 0 being time 0.
    pub(super) fn at(&self, hz: f64) -> Complex<f64> {
        let turns_per_sample = hz / self.sample_rate_hz;
        let place = turns_per_sample * self.points as f64;
        let nearest = place.round();
        let first = nearest as i64 - HALF_WIDTH;
        let mut sum = Complex::new(0.0, 0.0);
        for bin in first..=first + 2 * HALF_WIDTH {
            let away = place - bin as f64;
            let across = away / HALF_WIDTH as f64;
            let inside = 1.0 - across * across;
            if inside <= 0.0 {
                continue;
            }
            let window = bessel_i0(KAISER_BETA * inside.sqrt()) / self.bessel_at_beta;
            sum += self.bin(bin) * (sinc(away) * window);
        }
        sum * Complex::from_polar(1.0, -TAU * (turns_per_sample * self.middle as f64).fract())
    }

    /// Any bin, turned so that the middle of the signal is at time 0: those of negative frequency are
    /// the conjugates, and all repeat after M.
    fn bin(&self, bin: i64) -> Complex<f64> {
        let bin = bin.rem_euclid(self.points as i64) as usize;
        let value = match self.bins.get(bin) {
            Some(&value) => value,
            None => self.bins[self.points - bin].conj(),
        };
        // Whole turns are taken out in integers, so that the angle stays exact.
        let turn = (bin as u128 * self.middle as u128 % self.points as u128) as f64;
        value * Complex::from_polar(1.0, TAU * turn / self.points as f64)
    }
}

/// The smallest length from `least` on that is a power of two, or three quarters of one.
fn fft_points(least: usize) -> usize {
    let power = least.next_power_of_two();
    if power / 4 * 3 >= least { power / 4 * 3 } else { power }
}

thread_local! {
    /// Planning computes as many sines as the FFT has points: done once for a length.
    static PLANNER: RefCell<RealFftPlanner<f64>> = RefCell::new(RealFftPlanner::new());
}

/// Memory for FFTs of a million points, kept: asking the system for it anew each time shows in a profile.
#[derive(Default)]
struct Room {
    signal: Vec<f64>,
    scratch: Vec<Complex<f64>>,
}

thread_local! {
    static ROOM: RefCell<Room> = RefCell::new(Room::default());
}

/// FFT of a real signal of even length: bins 0 to N/2. The signal is used as scratch.
pub(super) fn forward(signal: &mut [f64]) -> Vec<Complex<f64>> {
    ROOM.with_borrow_mut(|room| transformed(signal, &mut room.scratch))
}

fn transformed(signal: &mut [f64], scratch: &mut Vec<Complex<f64>>) -> Vec<Complex<f64>> {
    let plan = PLANNER.with_borrow_mut(|p| p.plan_fft_forward(signal.len()));
    let mut bins = plan.make_output_vec();
    scratch.resize(plan.get_scratch_len(), Complex::new(0.0, 0.0));
    // The lengths agree by construction; the only error there is cannot occur.
    let done = plan.process_with_scratch(signal, &mut bins, scratch);
    debug_assert!(done.is_ok());
    bins
}

/// The real signal of `length` samples (even) whose FFT is `bins`.
pub(super) fn inverse(mut bins: Vec<Complex<f64>>, length: usize) -> Vec<f64> {
    // A real signal has real values at 0 Hz and at half the sample rate.
    if let Some(first) = bins.first_mut() {
        first.im = 0.0;
    }
    if let Some(last) = bins.last_mut() {
        last.im = 0.0;
    }
    let plan = PLANNER.with_borrow_mut(|p| p.plan_fft_inverse(length));
    let mut signal = plan.make_output_vec();
    let done = plan.process(&mut bins, &mut signal);
    debug_assert!(done.is_ok());
    let scale = 1.0 / length as f64;
    signal.iter_mut().for_each(|s| *s *= scale);
    signal
}

fn sinc(x: f64) -> f64 {
    if x.abs() < 1e-9 { 1.0 } else { (PI * x).sin() / (PI * x) }
}

/// Modified Bessel function of order 0, by its power series (Abramowitz and Stegun 9.6.12).
fn bessel_i0(x: f64) -> f64 {
    let quarter = 0.25 * x * x;
    let (mut sum, mut term, mut k) = (1.0, 1.0, 1.0);
    while term > sum * f64::EPSILON {
        term *= quarter / (k * k);
        sum += term;
        k += 1.0;
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audio::Noise;

    /// Against the sum that defines the transform, for lengths on both sides of a power of two.
    #[test]
    fn agrees_with_the_sum() {
        let rate = 48_000.0;
        for length in [1usize, 2, 1000, 4096, 4097, 8191] {
            let mut noise = Noise::new(length as u64);
            let signal: Vec<f64> = (0..length).map(|_| noise.triangular()).collect();
            let transform = Transform::new(&signal, rate);
            let size = signal.iter().map(|s| s * s).sum::<f64>().sqrt();
            for hz in [0.0, 0.01, 3.7, 82.4069, 1000.3, 12_345.6, 23_999.0, 24_000.0] {
                let direct: Complex<f64> = signal
                    .iter()
                    .enumerate()
                    .map(|(n, s)| {
                        s * Complex::from_polar(1.0, -TAU * (hz / rate * n as f64).fract())
                    })
                    .sum();
                let off = (transform.at(hz) - direct).norm() / size;
                assert!(off < 1e-9, "{length} samples, {hz} Hz: off by {off:.2e}");
            }
        }
    }

    #[test]
    fn there_and_back() {
        let mut noise = Noise::new(1);
        let signal: Vec<f64> = (0..1000).map(|_| noise.triangular()).collect();
        let back = inverse(forward(&mut signal.clone()), 1000);
        for (a, b) in signal.iter().zip(&back) {
            assert!((a - b).abs() < 1e-14);
        }
    }
}
