//! Where the energy of a clip lies.

use std::f64::consts::TAU;
use std::sync::Arc;

use nalgebra::Complex;
use realfft::{RealFftPlanner, RealToComplex};
use thiserror::Error;

/// Why there is no spectrum.
#[derive(Clone, Debug, Error, PartialEq)]
pub enum SpectrumError {
    #[error("a spectrum of no samples was asked for")]
    Empty,
    #[error("the sample rate is {0} Hz; it must be finite and above 0")]
    SampleRate(f64),
    #[error("the resolution is {0} Hz; it must be finite, above 0 and below the sample rate")]
    Resolution(f64),
    #[error("sample {frame} is {value}")]
    NotFinite { frame: usize, value: f64 },
}

/// The energy of a clip, spread over frequency.
///
/// Method: periodograms of segments with a Hann window, 75 % overlap, added up (Welch, IEEE Trans.
/// Audio Electroacoust. 15(2), 1967). At that overlap the squares of the windows add up to a
/// constant, and the segments reach beyond both ends of the clip, so every sample counts alike: the
/// energies of all bins together are exactly the sum of the squares of all samples (Parseval).
///
/// The window keeps what is loud in its place: 8 bins away the leakage is below -90 dB, and falls
/// by 18 dB an octave.
#[derive(Clone, Debug, PartialEq)]
pub struct Spectrum {
    /// Width of a bin in hertz; bin k is centred at k times this. Two tones closer than 2 bins are
    /// not told apart.
    pub bin_hz: f64,
    /// Energy of each bin, from 0 to half the sample rate: part of the sum of squares of the
    /// samples. Positive and negative frequency together.
    pub energy: Vec<f64>,
    /// Samples of the clip.
    pub frames: usize,
    pub sample_rate_hz: f64,
}

/// Measures a [`Spectrum`] as the samples come, in memory of one segment.
pub struct SpectrumMeter {
    plan: Arc<dyn RealToComplex<f64>>,
    window: Vec<f64>,
    /// The last samples, as many as a segment takes.
    recent: Vec<f64>,
    since_segment: usize,
    segment: Vec<f64>,
    bins: Vec<Complex<f64>>,
    scratch: Vec<Complex<f64>>,
    energy: Vec<f64>,
    frames: usize,
    sample_rate_hz: f64,
}

/// Segments that each sample is in.
const OVERLAP: usize = 4;

impl SpectrumMeter {
    /// A meter with bins of `resolution_hz` or a little finer.
    ///
    /// # Errors
    /// If the rate or resolution is no sensible value.
    pub fn new(sample_rate_hz: f64, resolution_hz: f64) -> Result<SpectrumMeter, SpectrumError> {
        if !(sample_rate_hz.is_finite() && sample_rate_hz > 0.0) {
            return Err(SpectrumError::SampleRate(sample_rate_hz));
        }
        if !(resolution_hz > 1e-3 && resolution_hz < 0.1 * sample_rate_hz) {
            return Err(SpectrumError::Resolution(resolution_hz));
        }
        let length = ((sample_rate_hz / resolution_hz).ceil() as usize).next_power_of_two();
        let window = (0..length).map(|n| 0.5 - 0.5 * (TAU * n as f64 / length as f64).cos());
        let plan = RealFftPlanner::<f64>::new().plan_fft_forward(length);
        Ok(SpectrumMeter {
            window: window.collect(),
            recent: vec![0.0; length],
            since_segment: 0,
            segment: plan.make_input_vec(),
            bins: plan.make_output_vec(),
            scratch: plan.make_scratch_vec(),
            energy: vec![0.0; length / 2 + 1],
            frames: 0,
            sample_rate_hz,
            plan,
        })
    }

    /// The next samples.
    ///
    /// # Errors
    /// If one is not finite.
    pub fn add(&mut self, samples: &[f64]) -> Result<(), SpectrumError> {
        if let Some(at) = samples.iter().position(|s| !s.is_finite()) {
            return Err(SpectrumError::NotFinite { frame: self.frames + at, value: samples[at] });
        }
        self.frames += samples.len();
        self.feed(samples);
        Ok(())
    }

    /// Takes samples hop by hop; after each hop comes a segment, the first a quarter into the clip.
    fn feed(&mut self, mut samples: &[f64]) {
        let hop = self.recent.len() / OVERLAP;
        while !samples.is_empty() {
            let (now, later) = samples.split_at(samples.len().min(hop - self.since_segment));
            let filled = self.recent.len() - hop + self.since_segment;
            self.recent[filled..filled + now.len()].copy_from_slice(now);
            self.since_segment += now.len();
            samples = later;
            if self.since_segment == hop {
                self.take_segment();
                self.recent.copy_within(hop.., 0);
                self.since_segment = 0;
            }
        }
    }

    fn take_segment(&mut self) {
        for ((value, sample), weight) in self.segment.iter_mut().zip(&self.recent).zip(&self.window)
        {
            *value = sample * weight;
        }
        let done =
            self.plan.process_with_scratch(&mut self.segment, &mut self.bins, &mut self.scratch);
        debug_assert!(done.is_ok());
        let length = self.recent.len();
        // The squares of Hann windows at this overlap add up to 3/8 of their number.
        let scale = 1.0 / (0.375 * OVERLAP as f64 * length as f64);
        for (k, (sum, bin)) in self.energy.iter_mut().zip(&self.bins).enumerate() {
            let sides = if k == 0 || k == length / 2 { 1.0 } else { 2.0 };
            *sum += sides * scale * bin.norm_sqr();
        }
    }

    /// Ends the clip.
    ///
    /// # Errors
    /// If there were no samples.
    pub fn finish(mut self) -> Result<Spectrum, SpectrumError> {
        if self.frames == 0 {
            return Err(SpectrumError::Empty);
        }
        // Until the last sample has been in as many segments as the others: it has been in one when
        // its hop is full, and three more follow.
        let hop = self.recent.len() / OVERLAP;
        let rest = (hop - self.since_segment) % hop;
        self.feed(&vec![0.0; rest + (OVERLAP - 1) * hop]);
        Ok(Spectrum {
            bin_hz: self.sample_rate_hz / self.recent.len() as f64,
            energy: self.energy,
            frames: self.frames,
            sample_rate_hz: self.sample_rate_hz,
        })
    }
}

impl Spectrum {
    /// The spectrum of `samples` with bins of `resolution_hz` or a little finer.
    ///
    /// # Errors
    /// If there are no samples, one is not finite, or the rate or resolution is no sensible value.
    pub fn measure(
        samples: &[f64],
        sample_rate_hz: f64,
        resolution_hz: f64,
    ) -> Result<Spectrum, SpectrumError> {
        let mut meter = SpectrumMeter::new(sample_rate_hz, resolution_hz)?;
        meter.add(samples)?;
        meter.finish()
    }

    /// The energy from `low_hz` to `high_hz`: part of the sum of squares of the samples. Bins that
    /// the limits cut count in proportion, so adjoining bands add up.
    pub fn band_energy(&self, low_hz: f64, high_hz: f64) -> f64 {
        let mut sum = 0.0;
        // No bin below the first or above the last can reach into the band.
        let first = (low_hz / self.bin_hz - 1.0).max(0.0) as usize;
        let count = ((high_hz - low_hz).max(0.0) / self.bin_hz + 4.0) as usize;
        for (k, energy) in self.energy.iter().enumerate().skip(first).take(count) {
            let (from, to) = self.bin_limits_hz(k);
            let inside = (to.min(high_hz) - from.max(low_hz)) / (to - from);
            sum += energy * inside.clamp(0.0, 1.0);
        }
        sum
    }

    /// Mean square from `low_hz` to `high_hz`, in dB relative to a sample value of 1 (a full-scale
    /// sine has -3.01 dB); minus infinity where there is nothing.
    pub fn band_level_db(&self, low_hz: f64, high_hz: f64) -> f64 {
        10.0 * (self.band_energy(low_hz, high_hz) / self.frames as f64).log10()
    }

    /// The same within a quarter tone around a pitch, or within 4 bins where that is wider.
    pub fn pitch_level_db(&self, pitch_hz: f64) -> f64 {
        let half_width = (pitch_hz * (2f64.powf(1.0 / 24.0) - 1.0)).max(4.0 * self.bin_hz);
        self.band_level_db(pitch_hz - half_width, pitch_hz + half_width)
    }

    /// Power spectral density of each bin in dB relative to 1 per hertz.
    pub fn density_db(&self) -> Vec<f64> {
        let all = self.energy.iter().enumerate();
        all.map(|(k, energy)| {
            let (from, to) = self.bin_limits_hz(k);
            10.0 * (energy / (self.frames as f64 * (to - from))).log10()
        })
        .collect()
    }

    /// The centre of each bin, in hertz.
    pub fn frequencies_hz(&self) -> Vec<f64> {
        (0..self.energy.len()).map(|k| k as f64 * self.bin_hz).collect()
    }

    /// A bin reaches half a bin to both sides; the first and the last have only one side.
    fn bin_limits_hz(&self, k: usize) -> (f64, f64) {
        let centre = k as f64;
        let from = (centre - 0.5).max(0.0) * self.bin_hz;
        let to = ((centre + 0.5) * self.bin_hz).min(0.5 * self.sample_rate_hz);
        (from, to)
    }
}

/// Bins of [`band_energy_db`]: narrow enough to tell 30 Hz from the low E at 82 Hz by 60 bins.
const BAND_RESOLUTION_HZ: f64 = 1.0;

/// Mean square of a clip from `low_hz` to `high_hz`, in dB relative to a sample value of 1; see
/// [`Spectrum`] for window and scaling. Bins of 1 Hz or a little finer.
///
/// # Errors
/// As [`Spectrum::measure`].
pub fn band_energy_db(
    samples: &[f64],
    sample_rate_hz: f64,
    low_hz: f64,
    high_hz: f64,
) -> Result<f64, SpectrumError> {
    let spectrum = Spectrum::measure(samples, sample_rate_hz, BAND_RESOLUTION_HZ)?;
    Ok(spectrum.band_level_db(low_hz, high_hz))
}
