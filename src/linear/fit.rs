//! From a transfer function in s to sections in z.
//!
//! The poles are those of the circuit, carried over by z = exp(s T); what is fitted are the
//! numerators, by weighted complex least squares against the exact response. Sections with fixed
//! poles in parallel (B. Bank, "Perceptually motivated audio equalization using fixed-pole parallel
//! second-order filters", IEEE Signal Processing Letters 15, 2008) stay well conditioned at forty
//! poles, where a cascade of the same order would not.
//!
//! A real filter has a real gain at half the sample rate and the circuit has not, so a fit without
//! delay is off by decibels at the top. A short common delay with a short FIR beside the sections
//! takes that up; the delay is known, the same for every circuit at one rate, and is removed from
//! rendered clips.

use std::f64::consts::{PI, TAU};

use nalgebra::Complex;

use super::error::LinearError;
use super::least_squares::Equations;
use super::section::{Section, Sections};
use crate::circuit::Transfer;

/// Largest fit error up to 16 kHz that is accepted.
pub const FIT_LIMIT_DB: f64 = 0.1;
/// Least damping ratio of a pole: below it something rings practically for ever (a coil and a
/// capacitor without any resistance) or grows, and no clip of finite length is right.
pub const LEAST_DAMPING: f64 = 1e-6;
/// An output that never rises above this gain is silence: what is left there is rounding in the
/// solution of the circuit, not sound.
pub const SILENT_GAIN: f64 = 1e-8;
/// Share of its own peak above which a response is held to the limit.
pub const COMPARED_SHARE: f64 = 1e-5;
/// Where the fit must hold, from and to.
pub const FIT_BAND_HZ: [f64; 2] = [10.0, 20_000.0];
/// Lowest sample rate that leaves room for 20 kHz.
pub const LOWEST_RATE_HZ: f64 = 44_100.0;
/// Highest sample rate of a clip.
pub const HIGHEST_RATE_HZ: f64 = 192_000.0;

/// How far a fitted path is from the exact response.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct FitError {
    /// Largest deviation in magnitude from 10 Hz to 16 kHz.
    pub to_16_khz_db: f64,
    /// Largest deviation in magnitude from 16 to 20 kHz.
    pub to_20_khz_db: f64,
}

/// A fitted linear path, ready to make processors.
#[derive(Clone, Debug)]
pub struct LinearPlan {
    pub(super) sections: Sections,
    /// Taps of the FIR beside the sections; the first `delay_frames` lie before the circuit's own time zero.
    pub(super) taps: Vec<f64>,
    delay_frames: usize,
    sample_rate_hz: f64,
    error: FitError,
}

/// Below this rate the FIR is the longer one.
const LONG_FIR_BELOW_HZ: f64 = 47_000.0;

/// Number of taps and delay for a rate. Near 20 kHz the lowest rates leave a narrow margin and want
/// the longer FIR; from twice the audio band on there is room.
fn taps_and_delay(sample_rate_hz: f64) -> (usize, usize) {
    if sample_rate_hz < LONG_FIR_BELOW_HZ { (40, 18) } else { (32, 14) }
}

/// How many frequencies a fit goes by.
#[derive(Clone, Copy, Debug)]
struct Density {
    logarithmic: i32,
    even: i32,
    /// On each side of the resonance of a pole that rings.
    round_a_pole: i32,
    /// Where the error is looked at.
    check: i32,
    /// Share of the response's peak below which the absolute error counts more than the relative one.
    floor: f64,
}

/// Enough for most circuits, and quick: a knob waits for it. Of five hundred random networks one has a notch
/// that it does not see.
const SPARSE: Density =
    Density { logarithmic: 80, even: 40, round_a_pole: 2, check: 100, floor: 1e-5 };
/// For any circuit.
const DENSE: Density =
    Density { logarithmic: 320, even: 120, round_a_pole: 6, check: 400, floor: 1e-5 };
/// For those that have a peak a hundred decibels above the rest.
const DEEP: Density = Density { floor: 1e-7, ..DENSE };
/// Frequencies around a pole go this many times its damping to either side.
const AROUND_A_POLE: f64 = 2.5;
/// With a larger error, up to 16 kHz or to 20 kHz, the next density is tried, too.
const CONTENT_DB: [f64; 2] = [0.015, 0.05];

/// Frequencies of the fit: dense towards the top, logarithmic below, and finer round each pole that
/// rings in the band.
fn grid(sample_rate_hz: f64, poles: &[Complex<f64>], density: Density) -> Vec<f64> {
    let top = (0.5 * sample_rate_hz).min(21_500.0_f64.max(0.45 * sample_rate_hz));
    let mut f: Vec<f64> = Vec::new();
    let Density { logarithmic, even, round_a_pole, .. } = density;
    let low = 0.5;
    let ratio = (top / low).powf(1.0 / f64::from(logarithmic - 1));
    f.extend((0..logarithmic).map(|k| low * ratio.powi(k)));
    f.extend((1..even).map(|k| top * f64::from(k) / f64::from(even)));
    // At the lowest rates a narrow margin is left above the band, and the FIR has its work there.
    let near_top = if sample_rate_hz < LONG_FIR_BELOW_HZ { 64 } else { 16 };
    f.extend((1..near_top).map(|k| top * (0.7 + 0.3 * f64::from(k) / f64::from(near_top))));
    for p in poles {
        let (centre, width) = (p.im.abs() / TAU, p.re.abs() / TAU);
        if p.im > 0.0 && centre < top {
            let around = -round_a_pole..=round_a_pole;
            let step = AROUND_A_POLE / f64::from(round_a_pole) * width;
            f.extend(around.map(|k| centre + f64::from(k) * step));
        }
    }
    f.retain(|f| (low..=top).contains(f));
    f.sort_by(f64::total_cmp);
    f.dedup_by(|a, b| (*a - *b).abs() < 1e-9 * *b);
    f
}

impl LinearPlan {
    /// Fits a transfer function at a sample rate.
    ///
    /// # Errors
    /// [`LinearError::Rate`] outside 44.1 to 192 kHz, [`LinearError::Unstable`] if a pole lies in the
    /// right half plane, [`LinearError::Fit`] if the fit is off by more than [`FIT_LIMIT_DB`], and
    /// what the circuit's analysis reports.
    pub fn fit(transfer: &Transfer<'_>, sample_rate_hz: f64) -> Result<Self, LinearError> {
        Self::fit_to(transfer, &transfer.poles()?, sample_rate_hz)
    }

    /// The same with the circuit's poles at hand, which are those of every transfer in it.
    ///
    /// # Errors
    /// As [`LinearPlan::fit`].
    pub fn fit_to(
        transfer: &Transfer<'_>,
        poles: &[Complex<f64>],
        sample_rate_hz: f64,
    ) -> Result<Self, LinearError> {
        let exact = |f: &[f64]| Ok(transfer.gains(f)?);
        Self::fit_with_poles(poles, sample_rate_hz, &[DENSE, DEEP], exact)
    }

    /// The same in a third of the time, for a knob that is being turned: by fewer frequencies, unless the
    /// error at those looked at is larger than an amp's.
    ///
    /// # Errors
    /// As [`LinearPlan::fit`].
    pub fn fit_quickly(transfer: &Transfer<'_>, sample_rate_hz: f64) -> Result<Self, LinearError> {
        let exact = |f: &[f64]| Ok(transfer.gains(f)?);
        Self::fit_with_poles(&transfer.poles()?, sample_rate_hz, &[SPARSE, DENSE, DEEP], exact)
    }

    fn fit_with_poles(
        poles: &[Complex<f64>],
        sample_rate_hz: f64,
        densities: &[Density],
        exact: impl Fn(&[f64]) -> Result<Vec<Complex<f64>>, LinearError>,
    ) -> Result<Self, LinearError> {
        if !(LOWEST_RATE_HZ..=HIGHEST_RATE_HZ).contains(&sample_rate_hz) {
            return Err(LinearError::Rate { sample_rate_hz });
        }
        if let Some(p) = poles.iter().find(|p| p.re > -LEAST_DAMPING * p.norm()) {
            let (frequency_hz, damping) = (p.norm() / TAU, -p.re / p.norm());
            return Err(LinearError::Unstable { frequency_hz, damping });
        }
        let (taps, delay_frames) = taps_and_delay(sample_rate_hz);
        let denominators = denominators(poles, sample_rate_hz);
        let empty = Self {
            sections: Sections::default(),
            taps: vec![0.0; taps],
            delay_frames,
            sample_rate_hz,
            error: FitError::default(),
        };
        let mut best: Option<(i32, Self)> = None;
        for &density in densities {
            let frequencies = grid(sample_rate_hz, poles, density);
            let target = exact(&frequencies)?;
            let peak = target.iter().map(|t| t.norm()).fold(0.0, f64::max);
            if peak <= SILENT_GAIN {
                return Ok(empty);
            }
            let mut plan = empty.clone();
            if !plan.solve(&denominators, &frequencies, &target, peak, density.floor) {
                continue;
            }
            let heard = frequencies.iter().zip(&target).filter(|(f, _)| {
                let [low, high] = FIT_BAND_HZ;
                (low..=high).contains(*f)
            });
            let heard_peak = heard.map(|(_, t)| t.norm()).fold(0.0, f64::max);
            plan.error = plan.measure_error(density.check, heard_peak, &exact)?;
            let FitError { to_16_khz_db, to_20_khz_db } = plan.error;
            // A sample of many frequencies says more than one of few.
            let better = best.as_ref().is_none_or(|(checked, best)| {
                density.check > *checked || to_16_khz_db < best.error.to_16_khz_db
            });
            if better {
                best = Some((density.check, plan));
            }
            if to_16_khz_db <= CONTENT_DB[0] && to_20_khz_db <= CONTENT_DB[1] {
                break;
            }
        }
        let error_db = best.as_ref().map_or(f64::INFINITY, |(_, plan)| plan.error.to_16_khz_db);
        let fits = error_db <= FIT_LIMIT_DB;
        best.filter(|_| fits).map(|(_, plan)| plan).ok_or(LinearError::Fit { error_db })
    }

    /// Weighted least squares for all numerators and taps at once; whether there is an answer.
    fn solve(
        &mut self,
        denominators: &[[f64; 2]],
        frequencies: &[f64],
        target: &[Complex<f64>],
        peak: f64,
        floor: f64,
    ) -> bool {
        let columns = 2 * denominators.len() + self.taps.len();
        let mut equations = Equations::new(2 * frequencies.len(), columns);
        for (row, (f, h)) in frequencies.iter().zip(target).enumerate() {
            // Relative error is what is heard and checked; far below the peak the absolute one, the
            // sooner below the band, where a steep slope would weigh more than all the rest.
            let floor = if *f < FIT_BAND_HZ[0] { 1e-3 } else { floor };
            let mut weight = 1.0 / (h.norm() + floor * peak);
            if *f > 20_100.0 {
                weight *= 0.05;
            }
            let z1 = Complex::from_polar(1.0, -TAU * f / self.sample_rate_hz);
            let zd = z1.powi(self.delay_frames as i32);
            let mut put = |column: usize, value: Complex<f64>| {
                equations.set(2 * row, column, value.re * weight);
                equations.set(2 * row + 1, column, value.im * weight);
            };
            for (k, d) in denominators.iter().enumerate() {
                let basis = zd / (Complex::from(1.0) + z1 * d[0] + z1 * z1 * d[1]);
                put(2 * k, basis);
                // A real pole's section has no second coefficient of its own.
                let second = if d[1] == 0.0 { Complex::new(0.0, 0.0) } else { basis * z1 };
                put(2 * k + 1, second);
            }
            let mut power = Complex::new(1.0, 0.0);
            for t in 0..self.taps.len() {
                put(2 * denominators.len() + t, power);
                power *= z1;
            }
            let shifted = h * zd * weight;
            equations.set_right(2 * row, shifted.re);
            equations.set_right(2 * row + 1, shifted.im);
        }
        let Some(x) = equations.solve() else { return false };
        let sections = denominators
            .iter()
            .enumerate()
            .map(|(k, d)| Section { b: [x[2 * k], x[2 * k + 1]], a: *d })
            .collect();
        self.sections = Sections::new(sections);
        self.taps.copy_from_slice(&x[2 * denominators.len()..]);
        true
    }

    /// The error at so many points. `peak` is the largest gain among the fit's own frequencies, some of which
    /// lie on the very top of each resonance: points apart from those see a sharp one somewhere on its slope.
    fn measure_error(
        &self,
        points: i32,
        peak: f64,
        exact: &impl Fn(&[f64]) -> Result<Vec<Complex<f64>>, LinearError>,
    ) -> Result<FitError, LinearError> {
        let [low, high] = FIT_BAND_HZ;
        let f: Vec<f64> = (0..points)
            .map(|k| low * (high / low).powf(f64::from(k) / f64::from(points - 1)))
            .collect();
        let want = exact(&f)?;
        let peak = want.iter().map(|t| t.norm()).fold(peak, f64::max);
        let mut error = FitError::default();
        for (f, want) in f.iter().zip(&want) {
            // What is 100 dB below the response's own peak is not heard, whatever its decibels.
            if want.norm() <= COMPARED_SHARE * peak {
                continue;
            }
            let db = 20.0 * (self.gain(*f).norm() / want.norm()).log10();
            let slot =
                if *f <= 16_000.0 { &mut error.to_16_khz_db } else { &mut error.to_20_khz_db };
            *slot = if db.is_finite() { slot.max(db.abs()) } else { f64::INFINITY };
        }
        Ok(error)
    }

    /// Gain of the fitted path at a frequency, its delay taken out.
    pub fn gain(&self, frequency_hz: f64) -> Complex<f64> {
        let z1 = Complex::from_polar(1.0, -TAU * frequency_hz / self.sample_rate_hz);
        let fir: Complex<f64> =
            self.taps.iter().rev().fold(Complex::new(0.0, 0.0), |sum, t| sum * z1 + t);
        self.sections.gain(z1) + fir * z1.powi(-(self.delay_frames as i32))
    }

    /// How far the fit is from the exact response.
    pub fn error(&self) -> FitError {
        self.error
    }

    /// Frames by which the processor's output lags the circuit's own.
    pub fn delay_frames(&self) -> usize {
        self.delay_frames
    }

    /// The rate that the plan is for.
    pub fn sample_rate_hz(&self) -> f64 {
        self.sample_rate_hz
    }

    /// The second-order sections, for inspection and for comparisons.
    pub fn sections(&self) -> &[Section] {
        self.sections.list()
    }

    /// The taps of the FIR beside the sections.
    pub fn taps(&self) -> &[f64] {
        &self.taps
    }

    /// Seconds after which no section is left with more than `share` of the largest gain in the band, at
    /// most `limit_s`: how long the path's answer to a sound in the band goes on.
    pub fn settling_s(&self, share: f64, limit_s: f64) -> f64 {
        let [low, high] = FIT_BAND_HZ;
        let points = 60;
        let band = |k: i32| low * (high / low).powf(f64::from(k) / f64::from(points));
        let peak = (0..=points).map(|k| self.gain(band(k)).norm()).fold(0.0, f64::max);
        let least = share * peak;
        let one = Complex::new(1.0, 0.0);
        let frames = self.sections.list().iter().map(|s| {
            let radius = s.radius();
            // Its largest gain: of a slow pole at no frequency, of one that rings where it does.
            let angle = Complex::from_polar(1.0, -s.angle());
            let size = s.gain(one).norm().max(s.gain(angle).norm());
            if size <= least { 0.0 } else { (size / least).ln() / -radius.ln() }
        });
        (frames.fold(0.0, f64::max) / self.sample_rate_hz).min(limit_s)
    }
}

/// Denominators 1 + a1 z^-1 + a2 z^-2 of the sections: pairs of poles mapped by exp(s T). Poles far
/// above the band are left to the FIR; real ones are paired by magnitude.
fn denominators(poles: &[Complex<f64>], sample_rate_hz: f64) -> Vec<[f64; 2]> {
    let limit = PI * sample_rate_hz;
    let mut out = Vec::new();
    let mut waiting: Option<f64> = None;
    for p in poles.iter().filter(|p| p.norm() < limit) {
        let z = (p / sample_rate_hz).exp();
        if p.im.abs() <= 1e-9 * p.norm() {
            match waiting.take() {
                None => waiting = Some(z.re),
                Some(other) => out.push([-(z.re + other), z.re * other]),
            }
        } else if p.im > 0.0 {
            out.push([-2.0 * z.re, z.norm_sqr()]);
        }
    }
    if let Some(z) = waiting {
        out.push([-z, 0.0]);
    }
    out
}
