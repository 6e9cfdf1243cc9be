//! Sound files, resampling and loudness against the crate `hound`, closed forms and EBU Tech 3341.

mod atomic;
mod loudness;
mod resample;
mod wav_read;
mod wav_write;

use std::f64::consts::TAU;

/// A sine of `peak` at `hz`, starting at `phase_deg`.
fn sine(hz: f64, peak: f64, phase_deg: f64, seconds: f64, rate_hz: u32) -> Vec<f64> {
    let rate = f64::from(rate_hz);
    let frames = (seconds * rate).round() as usize;
    (0..frames)
        .map(|n| peak * (TAU * hz * n as f64 / rate + phase_deg.to_radians()).sin())
        .collect()
}
