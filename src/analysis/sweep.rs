//! Measuring a process from outside, with an exponential sweep.
//!
//! The sweep is that of A. Farina, "Simultaneous measurement of impulse response and distortion
//! with a swept-sine technique", AES 108th Convention, Paris 2000. Its spectrum is divided out by
//! that of the sweep itself, not by Farina's analytic inverse, whose ripple at the ends of the band
//! would cost more than the accuracy aimed at.

use std::f64::consts::{LN_2, TAU};
use std::sync::Arc;

use nalgebra::Complex;
use thiserror::Error;

use super::transform::{Transform, forward, inverse};

/// Why a process could not be measured.
#[derive(Clone, Debug, Error, PartialEq)]
pub enum MeasureError {
    #[error(
        "cannot measure from {low_hz} to {high_hz} Hz at a sample rate of {sample_rate_hz} Hz: the band must rise from above 0 to at most 0.47 of the rate"
    )]
    Band { low_hz: f64, high_hz: f64, sample_rate_hz: f64 },
    #[error("the sweep's {what} is {value}; it must be finite and above 0")]
    Value { what: &'static str, value: f64 },
    #[error("the measured process gave {given} samples for {expected}")]
    Length { expected: usize, given: usize },
    #[error("the measured process gave {value} at sample {frame}")]
    NotFinite { frame: usize, value: f64 },
    #[error(
        "the measured process had not come to rest {tail_s:.0} s after the sweep: it was still at {level_db:.0} dB of its peak"
    )]
    NotSettled { tail_s: f64, level_db: f64 },
    #[error("{hz} Hz is outside of the measured band, {low_hz} to {high_hz} Hz")]
    OutsideBand { hz: f64, low_hz: f64, high_hz: f64 },
}

/// What to do about distortion.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Separation {
    /// Nothing: exact for a linear process, with tails of any length.
    #[default]
    Linear,
    /// Harmonic N of an exponential sweep comes out as a response of its own, L ln N seconds
    /// before the linear one, and is cut off there. Costs accuracy near the lower end of the band,
    /// where the cut ends the ringing of the band's edge.
    Harmonics,
}

/// An exponential sweep: sin(2π f1 L (e^(t/L) - 1)) with L = T / ln(f2/f1).
#[derive(Clone, Debug, PartialEq)]
pub struct SweepPlan {
    sample_rate_hz: f64,
    low_hz: f64,
    high_hz: f64,
    start_hz: f64,
    end_hz: f64,
    duration_s: f64,
    peak: f64,
    separation: Separation,
    first_tail_s: f64,
}

/// Highest frequency that can be measured, as a fraction of the sample rate: 20.7 kHz at 44.1 kHz.
const HIGHEST: f64 = 0.47;
/// A tail is long enough when its last quarter lies this far below the peak of the whole.
const SETTLED: f64 = 1e-9;
/// What is still tolerated when it does not fall further, as noise of rounding does not.
const TOLERATED: f64 = 1e-6;
const FIRST_TAIL_S: f64 = 1.0;
const LONGEST_TAIL_S: f64 = 64.0;

impl SweepPlan {
    /// A sweep of 2 s and peak 1 with which `low_hz` to `high_hz` can be measured.
    ///
    /// # Errors
    /// If the band is empty, or reaches above 0.47 of the sample rate.
    pub fn new(sample_rate_hz: f64, low_hz: f64, high_hz: f64) -> Result<SweepPlan, MeasureError> {
        let fits = low_hz > 0.0 && low_hz < high_hz && high_hz <= HIGHEST * sample_rate_hz;
        if !fits || !sample_rate_hz.is_finite() {
            return Err(MeasureError::Band { low_hz, high_hz, sample_rate_hz });
        }
        Ok(SweepPlan {
            sample_rate_hz,
            low_hz,
            high_hz,
            // Room on both sides, so that the sweep is at full strength within the band.
            start_hz: low_hz / 2.0,
            end_hz: 0.5 * sample_rate_hz,
            duration_s: 2.0,
            peak: 1.0,
            separation: Separation::Linear,
            first_tail_s: FIRST_TAIL_S,
        })
    }

    /// With another silence after the sweep to begin with, in seconds, at most 64: who knows how long
    /// the process rings saves trying shorter ones.
    pub fn with_first_tail_s(mut self, tail_s: f64) -> SweepPlan {
        self.first_tail_s = tail_s.clamp(FIRST_TAIL_S, LONGEST_TAIL_S);
        self
    }

    /// With another peak: the level at which the process is measured.
    ///
    /// # Errors
    /// If `peak` is not finite and above 0.
    pub fn with_peak(mut self, peak: f64) -> Result<SweepPlan, MeasureError> {
        self.peak = positive("peak", peak)?;
        Ok(self)
    }

    /// With another length in seconds. Longer is better where the process adds noise.
    ///
    /// # Errors
    /// If `duration_s` is not finite and above 0.
    pub fn with_duration_s(mut self, duration_s: f64) -> Result<SweepPlan, MeasureError> {
        self.duration_s = positive("duration in seconds", duration_s)?;
        Ok(self)
    }

    /// With distortion cut off, or not. Sweeps that separate harmonics start an octave lower and
    /// should last 4 s or more.
    pub fn with_separation(mut self, separation: Separation) -> SweepPlan {
        self.separation = separation;
        self.start_hz = match separation {
            Separation::Linear => self.low_hz / 2.0,
            Separation::Harmonics => self.low_hz / 4.0,
        };
        self
    }

    /// L, the time in which the frequency grows by a factor of e, in seconds.
    pub fn growth_s(&self) -> f64 {
        self.duration_s / (self.end_hz / self.start_hz).ln()
    }

    /// How long before the linear response that of harmonic `order` comes, in seconds: L ln N.
    pub fn harmonic_lead_s(&self, order: u32) -> f64 {
        self.growth_s() * f64::from(order).ln()
    }

    /// The sweep, fading in below the band and out above it.
    pub fn stimulus(&self) -> Vec<f64> {
        let frames = (self.duration_s * self.sample_rate_hz).ceil() as usize;
        let growth_s = self.growth_s();
        // The fades fill the room outside of the band. Sudden ones would ring, and so would the
        // shift of an asymmetric process's working point, which the sweep switches on and off.
        let fade_in = growth_s * (self.low_hz / self.start_hz).ln() * self.sample_rate_hz;
        let fade_out = growth_s * (self.end_hz / self.high_hz).ln() * self.sample_rate_hz;
        (0..frames)
            .map(|n| {
                let t = n as f64 / self.sample_rate_hz;
                let cycles = self.start_hz * growth_s * (t / growth_s).exp_m1();
                let rise = smooth(n as f64 / fade_in);
                let fall = smooth((frames - n) as f64 / fade_out);
                self.peak * rise * fall * (TAU * cycles.fract()).sin()
            })
            .collect()
    }

    /// Farina's inverse of the sweep: reversed in time and falling by 6 dB an octave, so that
    /// sweep and inverse convolve to nearly a pulse. For listening and comparison; [`measure`] does
    /// not use it.
    pub fn analytic_inverse(&self) -> Vec<f64> {
        let growth_frames = self.growth_s() * self.sample_rate_hz;
        let sweep = self.stimulus();
        sweep
            .iter()
            .rev()
            .enumerate()
            .map(|(n, s)| s * (-(n as f64) / growth_frames).exp())
            .collect()
    }

    fn seconds_to_frames(&self, seconds: f64) -> usize {
        (seconds * self.sample_rate_hz).round() as usize
    }
}

fn positive(what: &'static str, value: f64) -> Result<f64, MeasureError> {
    if value.is_finite() && value > 0.0 {
        Ok(value)
    } else {
        Err(MeasureError::Value { what, value })
    }
}

/// From 0 to 1 without a corner, held at both ends.
fn smooth(x: f64) -> f64 {
    (0.25 * TAU * x.clamp(0.0, 1.0)).sin().powi(2)
}

/// The complex gain of a process as it was measured.
#[derive(Clone, Debug)]
pub struct MeasuredResponse {
    low_hz: f64,
    high_hz: f64,
    output: Arc<Transform>,
    /// What to divide by; `None` where `output` is the transform of an impulse response already.
    input: Option<Arc<Transform>>,
    /// Samples that the impulse response starts before time 0.
    lead_s: f64,
}

impl MeasuredResponse {
    /// The complex gain at any frequency of the band, not only on bins.
    ///
    /// # Errors
    /// If `hz` is outside of the band.
    pub fn at(&self, hz: f64) -> Result<Complex<f64>, MeasureError> {
        let MeasuredResponse { low_hz, high_hz, .. } = *self;
        if !(low_hz..=high_hz).contains(&hz) {
            return Err(MeasureError::OutsideBand { hz, low_hz, high_hz });
        }
        let gain = match &self.input {
            Some(input) => self.output.at(hz) / input.at(hz),
            None => self.output.at(hz),
        };
        Ok(gain * Complex::from_polar(1.0, TAU * hz * self.lead_s))
    }

    /// The complex gains at many frequencies.
    ///
    /// # Errors
    /// If one is outside of the band.
    pub fn gains(&self, frequencies_hz: &[f64]) -> Result<Vec<Complex<f64>>, MeasureError> {
        frequencies_hz.iter().map(|&hz| self.at(hz)).collect()
    }

    /// The lowest and highest frequency that were measured.
    pub fn band_hz(&self) -> (f64, f64) {
        (self.low_hz, self.high_hz)
    }
}

/// A sweep ready to be sent through any number of processes.
#[derive(Clone, Debug)]
pub struct Sweep {
    plan: SweepPlan,
    stimulus: Vec<f64>,
    transform: Arc<Transform>,
}

impl SweepPlan {
    /// Computes the sweep and its spectrum.
    pub fn prepare(&self) -> Sweep {
        let stimulus = self.stimulus();
        let transform = Arc::new(Transform::new(&stimulus, self.sample_rate_hz));
        Sweep { plan: self.clone(), stimulus, transform }
    }
}

/// Sends a sweep through `process` once; see [`Sweep::measure`].
///
/// # Errors
/// As there.
pub fn measure(
    plan: &SweepPlan,
    process: &mut dyn FnMut(&[f64]) -> Vec<f64>,
) -> Result<MeasuredResponse, MeasureError> {
    plan.prepare().measure(plan.first_tail_s, process)
}

impl Sweep {
    /// Sends the sweep through `process` and finds its complex gain.
    ///
    /// `process` gets the sweep followed by silence, and returns as many samples. It starts from
    /// rest at each call, and may be called again with a longer silence: the silence grows from
    /// `first_tail_s` until the answer has died away, so poles down to 0.3 Hz and below come out
    /// right.
    ///
    /// # Errors
    /// If `process` returns another number of samples, or one that is not finite, or never comes to
    /// rest.
    pub fn measure(
        &self,
        first_tail_s: f64,
        process: &mut dyn FnMut(&[f64]) -> Vec<f64>,
    ) -> Result<MeasuredResponse, MeasureError> {
        let plan = &self.plan;
        let tail_s = first_tail_s.clamp(FIRST_TAIL_S, LONGEST_TAIL_S);
        let (input, mut output) = settled_answer(plan, &self.stimulus, tail_s, process)?;
        let sweep_frames = self.stimulus.len();
        // What is left of the tail is tiny, but a sudden end would spread it over all frequencies, also
        // those where the answer itself is weak.
        let fade_from = output.len() - (output.len() - sweep_frames) / 4;
        let fade_frames = (output.len() - fade_from) as f64;
        for (n, sample) in output[fade_from..].iter_mut().enumerate() {
            *sample *= smooth(1.0 - n as f64 / fade_frames);
        }
        Ok(match plan.separation {
            Separation::Linear => MeasuredResponse {
                low_hz: plan.low_hz,
                high_hz: plan.high_hz,
                output: Arc::new(Transform::new(&output, plan.sample_rate_hz)),
                input: Some(self.transform.clone()),
                lead_s: 0.0,
            },
            Separation::Harmonics => separate(plan, &input, output),
        })
    }
}

/// The sweep with its silence, and the answer that has died away in it.
fn settled_answer(
    plan: &SweepPlan,
    stimulus: &[f64],
    mut tail_s: f64,
    process: &mut dyn FnMut(&[f64]) -> Vec<f64>,
) -> Result<(Vec<f64>, Vec<f64>), MeasureError> {
    let mut input = stimulus.to_vec();
    let mut last_level = f64::INFINITY;
    loop {
        input.resize(stimulus.len() + plan.seconds_to_frames(tail_s), 0.0);
        let output = process(&input);
        if output.len() != input.len() {
            return Err(MeasureError::Length { expected: input.len(), given: output.len() });
        }
        if let Some(frame) = output.iter().position(|s| !s.is_finite()) {
            return Err(MeasureError::NotFinite { frame, value: output[frame] });
        }
        let level = end_level(&output, stimulus.len());
        if level <= SETTLED {
            return Ok((input, output));
        }
        let falls = level < 0.5 * last_level;
        if (!falls || tail_s >= LONGEST_TAIL_S) && level <= TOLERATED {
            return Ok((input, output));
        }
        if tail_s >= LONGEST_TAIL_S {
            let level_db = 20.0 * level.log10();
            return Err(MeasureError::NotSettled { tail_s, level_db });
        }
        last_level = level;
        tail_s *= 2.0;
    }
}

/// The largest magnitude in the last quarter of the tail, relative to the largest of all.
fn end_level(output: &[f64], sweep_frames: usize) -> f64 {
    let top = |samples: &[f64]| samples.iter().fold(0.0f64, |top, s| top.max(s.abs()));
    let whole = top(output);
    let quarter = (output.len() - sweep_frames) / 4;
    if whole > 0.0 { top(&output[output.len() - quarter..]) / whole } else { 0.0 }
}

/// Deconvolves, and keeps the linear response alone.
fn separate(plan: &SweepPlan, input: &[f64], output: Vec<f64>) -> MeasuredResponse {
    let points = (2 * output.len()).next_power_of_two();
    let padded = |signal: &[f64]| {
        let mut padded = signal.to_vec();
        padded.resize(points, 0.0);
        forward(&mut padded)
    };
    let sweep = padded(input);
    let mut gains = padded(&output);
    let bin_hz = plan.sample_rate_hz / points as f64;
    for (bin, (gain, x)) in gains.iter_mut().zip(&sweep).enumerate() {
        let hz = bin as f64 * bin_hz;
        // Only where the sweep is strong; the soft edges keep the response short in time.
        let low = smooth((hz / plan.start_hz).log2() / (plan.low_hz / plan.start_hz).log2());
        let high = smooth((plan.end_hz - hz) / (plan.end_hz - plan.high_hz));
        let weight = if hz > 0.0 { low * high } else { 0.0 };
        *gain = if weight > 0.0 { *gain * x.conj() * (weight / x.norm_sqr()) } else { 0.0.into() };
    }
    let response = inverse(gains, points);

    // Responses before time 0 have wrapped around to the end. Half way to the second harmonic the
    // window has faded out.
    let lead = plan.seconds_to_frames(0.5 * plan.growth_s() * LN_2).clamp(2, points / 4);
    let tail = output.len();
    let mut kept = Vec::with_capacity(lead + tail);
    for n in 0..lead {
        kept.push(response[points - lead + n] * smooth(2.0 * n as f64 / lead as f64));
    }
    kept.extend_from_slice(&response[..tail.min(points - lead)]);
    MeasuredResponse {
        low_hz: plan.low_hz,
        high_hz: plan.high_hz,
        output: Arc::new(Transform::new(&kept, plan.sample_rate_hz)),
        input: None,
        lead_s: lead as f64 / plan.sample_rate_hz,
    }
}
