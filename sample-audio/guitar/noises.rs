//! What a hand does besides playing notes.

use std::f64::consts::TAU;

use presolder::audio::Noise;

use super::SAMPLE_RATE_HZ;

const RATE_HZ: f64 = SAMPLE_RATE_HZ as f64;

/// A hand or a foot knocks: body and strings swing slowly against the pickup, mostly below 30 Hz,
/// with a dull tap on top.
pub fn thump(output: &mut [f64], at_s: f64, volts: f64, seed: u64) {
    let mut noise = Noise::new(seed);
    let slow_hz = 13.0 + 5.0 * noise.triangular();
    let tap_hz = 95.0 + 25.0 * noise.triangular();
    each_from(output, at_s, 1.2, |t, sample| {
        let rise = 1.0 - (-t / 0.012).exp();
        let slow = rise * (-t / 0.19).exp() * (TAU * slow_hz * t).sin();
        let tap = (1.0 - (-t / 0.001).exp()) * (-t / 0.018).exp() * (TAU * tap_hz * t).sin();
        *sample += volts * (slow + 0.12 * tap);
    });
}

/// A finger slides along a wound string: the ridges of the winding pass at a changing speed.
pub fn squeak(output: &mut [f64], at_s: f64, lasts_s: f64, volts: f64, seed: u64) {
    let mut noise = Noise::new(seed);
    let top_hz = 1_900.0 + 700.0 * noise.triangular();
    let (mut cycles, mut low, mut high) = (0.0, 0.0, 0.0);
    each_from(output, at_s, lasts_s, |t, sample| {
        let along = t / lasts_s;
        let speed = (std::f64::consts::PI * along).sin();
        cycles += top_hz * (0.35 + 0.65 * speed) / RATE_HZ;
        let grain = noise.triangular();
        low += 0.25 * (grain - low);
        high += 0.06 * (low - high);
        let ridges = (TAU * cycles).sin() * (0.6 + 0.4 * noise.uniform());
        *sample += volts * speed * speed * (0.45 * ridges * (0.3 + low.abs()) + 0.5 * (low - high));
    });
}

/// A fingertip presses or leaves a string: a short dry click.
pub fn touch(output: &mut [f64], at_s: f64, volts: f64, seed: u64) {
    let mut noise = Noise::new(seed);
    let body_hz = 380.0 + 120.0 * noise.triangular();
    let mut low = 0.0;
    each_from(output, at_s, 0.06, |t, sample| {
        low += 0.3 * (noise.triangular() - low);
        let shape = (1.0 - (-t / 0.0006).exp()) * (-t / 0.007).exp();
        *sample += volts * shape * (low + 0.35 * (TAU * body_hz * t).sin());
    });
}

/// What goes on all the time: the player moves and breathes (below 30 Hz), and the coil hisses.
pub fn floor(output: &mut [f64], rumble_volts: f64, hiss_volts: f64, seed: u64) {
    let mut noise = Noise::new(seed);
    // Two poles around 12 Hz, and nothing at 0 Hz: the coil answers to movement only.
    let omega = TAU * 12.0 / RATE_HZ;
    let radius = (-0.35 * omega).exp();
    let (a1, a2) = (-2.0 * radius * omega.cos(), radius * radius);
    let (mut y1, mut y2, mut x2, mut x1) = (0.0, 0.0, 0.0, 0.0);
    // White noise of variance 1/6 through the resonator comes out with about this rms.
    let rms = (1.0f64 / 6.0 / (2.0 * 0.35 * omega)).sqrt();
    for sample in output.iter_mut() {
        let x = noise.triangular();
        let y = x - x2 - a1 * y1 - a2 * y2;
        (x2, x1) = (x1, x);
        (y2, y1) = (y1, y);
        *sample += rumble_volts * y / (2.0 * rms) + hiss_volts * noise.triangular();
    }
}

fn each_from(output: &mut [f64], at_s: f64, lasts_s: f64, mut change: impl FnMut(f64, &mut f64)) {
    let from = ((at_s.max(0.0) * RATE_HZ) as usize).min(output.len());
    let to = (((at_s.max(0.0) + lasts_s) * RATE_HZ) as usize).min(output.len());
    for (n, sample) in output[from..to].iter_mut().enumerate() {
        change(n as f64 / RATE_HZ, sample);
    }
}
