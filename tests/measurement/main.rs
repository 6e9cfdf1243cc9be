//! Sweeps, spectra and corners against closed forms, and against scipy.

mod crossings;
mod scipy;
mod spectrum;
mod sweep;

use nalgebra::Complex;
use std::f64::consts::TAU;

/// A second-order section, b0 + b1 z^-1 + b2 z^-2 over 1 + a1 z^-1 + a2 z^-2, and its known response.
#[derive(Clone, Copy, Debug)]
struct Section {
    b: [f64; 3],
    a: [f64; 2],
}

impl Section {
    /// First-order high-pass whose pole lies exactly at e^(-2π f/fs).
    fn high_pass(corner_hz: f64, rate_hz: f64) -> Section {
        let pole = (-TAU * corner_hz / rate_hz).exp();
        Section { b: [1.0, -1.0, 0.0], a: [-pole, 0.0] }
    }

    /// Two-pole resonance of the given quality.
    fn resonance(hz: f64, quality: f64, rate_hz: f64) -> Section {
        let omega = TAU * hz / rate_hz;
        let decay = (-omega / (2.0 * quality)).exp();
        let turn = (omega * (1.0 - 0.25 / (quality * quality)).sqrt()).cos();
        Section { b: [1.0, 0.3, 0.0], a: [-2.0 * decay * turn, decay * decay] }
    }

    fn at(&self, hz: f64, rate_hz: f64) -> Complex<f64> {
        let back = Complex::from_polar(1.0, -TAU * hz / rate_hz);
        let [b0, b1, b2] = self.b;
        let [a1, a2] = self.a;
        (back * (back * b2 + b1) + b0) / (back * (back * a2 + a1) + 1.0)
    }

    fn run(&self, input: &[f64]) -> Vec<f64> {
        let (mut s1, mut s2) = (0.0, 0.0);
        input
            .iter()
            .map(|&x| {
                let y = self.b[0] * x + s1;
                s1 = self.b[1] * x - self.a[0] * y + s2;
                s2 = self.b[2] * x - self.a[1] * y;
                y
            })
            .collect()
    }
}

fn run_all(sections: &[Section], input: &[f64]) -> Vec<f64> {
    sections.iter().fold(input.to_vec(), |signal, section| section.run(&signal))
}

fn response(sections: &[Section], hz: f64, rate_hz: f64) -> Complex<f64> {
    sections.iter().map(|s| s.at(hz, rate_hz)).product()
}

fn decibels(gain: Complex<f64>) -> f64 {
    20.0 * gain.norm().log10()
}

/// `count` frequencies from `low` to `high`, evenly spaced on a logarithmic scale.
fn log_grid(low: f64, high: f64, count: usize) -> Vec<f64> {
    (0..count).map(|n| low * (high / low).powf(n as f64 / (count - 1) as f64)).collect()
}
