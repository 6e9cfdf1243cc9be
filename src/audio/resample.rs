//! Changing the sample rate of a clip, without delay and at full length.

use std::borrow::Cow;
use std::ops::RangeInclusive;

use rubato::audioadapter_buffers::direct::InterleavedSlice;
use rubato::{
    Async, FixedAsync, Resampler as _, SincInterpolationParameters, SincInterpolationType,
    WindowFunction, calculate_cutoff,
};

use super::clip::Clip;
use super::error::AudioError;

/// Rates at which circuits are rendered; clips at others are resampled first.
pub const WORKING_RATES_HZ: RangeInclusive<u32> = 44_100..=192_000;

/// Length of the anti-aliasing filter, in samples of the lower rate. At this length its response
/// from 44.1 kHz is flat to 20 kHz, and the filter is below -100 dB from half the lower rate on.
const FILTER_SAMPLES: usize = 512;
/// At most so many places between two samples of input have a filter of their own.
const MOST_PLACES: usize = 4096;
/// Where there are more, this many have, and a cubic through four neighbours serves those between.
const SPARSE_PLACES: usize = 1024;
/// Samples of input, or of output if there are more of these, that go through in one go.
const BLOCK_SAMPLES: usize = 1024;

/// Changes the sample rate of one channel as the samples come, in bounded memory.
///
/// By a linear-phase anti-aliasing filter: nothing is delayed, sample 0 stays at time 0, and the length is
/// the old one times the ratio, rounded up.
pub struct Resampler {
    inner: Async<f64>,
    from_hz: u32,
    to_hz: u32,
    /// Input waiting for a whole block.
    pending: Vec<f64>,
    block: Vec<f64>,
    /// Output samples that still belong to the filter's delay.
    to_skip: usize,
    frames_in: u64,
    frames_out: u64,
}

impl Resampler {
    /// Plans the change of rate.
    ///
    /// # Errors
    /// If either rate is 0, or the resampler cannot be built.
    pub fn new(from_hz: u32, to_hz: u32) -> Result<Resampler, AudioError> {
        let failed = |reason: String| AudioError::Resample { from_hz, to_hz, reason };
        if from_hz == 0 || to_hz == 0 {
            return Err(failed("a rate of 0".to_owned()));
        }
        // An output sample comes every `taken / given` samples of input.
        let common = greatest_common_divisor(from_hz, to_hz);
        let (taken, given) = (u64::from(from_hz / common), u64::from(to_hz / common));
        // Among the filters for places between samples there is then one for every place that occurs; or they
        // are so many that as good as every place of them is one that occurs.
        let (places, steps_of_a_place, interpolation) = if given <= MOST_PLACES as u64 {
            (given, 1, SincInterpolationType::Nearest)
        } else {
            let steps = given.div_ceil(SPARSE_PLACES as u64);
            ((given + steps / 2) / steps, steps, SincInterpolationType::Cubic)
        };
        let ratio = given as f64 / taken as f64;
        let length = (FILTER_SAMPLES as f64 / ratio.min(1.0)).ceil() as usize;
        let length = length.next_multiple_of(8);
        let parameters = SincInterpolationParameters::new(length, WindowFunction::BlackmanHarris2)
            // By default as narrow as the whole length makes it, which is of the higher rate's samples.
            .f_cutoff(calculate_cutoff(FILTER_SAMPLES, WindowFunction::BlackmanHarris2))
            .oversampling_factor(places as usize)
            .interpolation(interpolation);
        let block = ((BLOCK_SAMPLES as f64 / ratio.max(1.0)).ceil() as usize).max(1);
        let inner = Async::new_sinc(ratio, 1.0, &parameters, block, 1, FixedAsync::Input)
            .map_err(|error| failed(error.to_string()))?;
        // The middle of the filter for output sample k (from 1) lies at k taken / given + 1 / places - length / 2
        // samples of input: with so many zeros before the clip, one of them falls on its first sample.
        let half = (length / 2) as u64;
        let zeros =
            (0..taken).find(|zeros| ((half + zeros) * given) % taken == steps_of_a_place % taken);
        let zeros = zeros.unwrap_or_default();
        let to_skip = ((half + zeros) * given - steps_of_a_place) / taken - 1;
        let block = vec![0.0; inner.output_frames_max()];
        let pending = Vec::with_capacity(inner.input_frames_max());
        let mut resampler = Resampler {
            inner,
            from_hz,
            to_hz,
            pending,
            block,
            to_skip: usize::try_from(to_skip).unwrap_or(usize::MAX),
            frames_in: 0,
            frames_out: 0,
        };
        let zeros = vec![0.0; usize::try_from(zeros).unwrap_or(usize::MAX)];
        resampler.feed(&zeros, &mut Vec::new())?;
        Ok(resampler)
    }

    /// Takes the next samples, and appends to `output` what is ready.
    ///
    /// # Errors
    /// If the resampler fails, which would be a fault of ours.
    pub fn push(&mut self, samples: &[f64], output: &mut Vec<f64>) -> Result<(), AudioError> {
        self.frames_in += samples.len() as u64;
        self.feed(samples, output)
    }

    fn feed(&mut self, samples: &[f64], output: &mut Vec<f64>) -> Result<(), AudioError> {
        let mut rest = samples;
        loop {
            let missing = self.inner.input_frames_next() - self.pending.len();
            let (now, later) = rest.split_at(missing.min(rest.len()));
            self.pending.extend_from_slice(now);
            if now.len() < missing {
                return Ok(());
            }
            rest = later;
            self.run_block(output)?;
        }
    }

    /// Ends the clip, and appends the rest of it to `output`.
    ///
    /// # Errors
    /// As [`push`](Resampler::push).
    pub fn finish(mut self, output: &mut Vec<f64>) -> Result<(), AudioError> {
        let total = resampled_frames(self.frames_in, self.from_hz, self.to_hz);
        while self.frames_out < total {
            self.pending.resize(self.inner.input_frames_next(), 0.0);
            self.run_block(output)?;
        }
        let surplus = self.frames_out - total;
        let surplus = usize::try_from(surplus).unwrap_or(usize::MAX).min(output.len());
        output.truncate(output.len() - surplus);
        Ok(())
    }

    fn run_block(&mut self, output: &mut Vec<f64>) -> Result<(), AudioError> {
        let Resampler { inner, from_hz, to_hz, pending, block, .. } = self;
        let failed =
            |reason: String| AudioError::Resample { from_hz: *from_hz, to_hz: *to_hz, reason };
        let (frames, room) = (pending.len(), block.len());
        let input =
            InterleavedSlice::new(pending, 1, frames).map_err(|error| failed(error.to_string()))?;
        let mut out =
            InterleavedSlice::new_mut(block, 1, room).map_err(|error| failed(error.to_string()))?;
        let (_, made) = inner
            .process_into_buffer(&input, &mut out, None)
            .map_err(|error| failed(error.to_string()))?;
        pending.clear();
        let skipped = self.to_skip.min(made);
        self.to_skip -= skipped;
        self.frames_out += (made - skipped) as u64;
        output.extend_from_slice(&self.block[skipped..made]);
        Ok(())
    }
}

/// A whole clip at another rate; see [`Resampler`].
///
/// # Errors
/// As [`Resampler::new`].
pub fn resample(clip: &Clip, to_hz: u32) -> Result<Clip, AudioError> {
    if clip.sample_rate_hz == to_hz {
        return Ok(clip.clone());
    }
    let mut resampler = Resampler::new(clip.sample_rate_hz, to_hz)?;
    let mut samples = Vec::new();
    resampler.push(&clip.samples, &mut samples)?;
    resampler.finish(&mut samples)?;
    Ok(Clip { samples, sample_rate_hz: to_hz })
}

/// The clip at a rate at which circuits are rendered: as it is if its rate is among
/// [`WORKING_RATES_HZ`], else resampled to 48 kHz from below, to 96 kHz from above.
///
/// # Errors
/// As [`resample`].
pub fn to_working_rate(clip: &Clip) -> Result<Cow<'_, Clip>, AudioError> {
    match working_rate_hz(clip.sample_rate_hz) {
        rate_hz if rate_hz == clip.sample_rate_hz => Ok(Cow::Borrowed(clip)),
        rate_hz => resample(clip, rate_hz).map(Cow::Owned),
    }
}

/// The rate at which a clip of `rate_hz` is rendered; see [`to_working_rate`].
pub(super) fn working_rate_hz(rate_hz: u32) -> u32 {
    if WORKING_RATES_HZ.contains(&rate_hz) {
        rate_hz
    } else if rate_hz < *WORKING_RATES_HZ.start() {
        48_000
    } else {
        96_000
    }
}

/// Frames of a clip of `frames` at another rate: in proportion, rounded up.
pub(super) fn resampled_frames(frames: u64, from_hz: u32, to_hz: u32) -> u64 {
    let exact = (u128::from(frames) * u128::from(to_hz)).div_ceil(u128::from(from_hz.max(1)));
    u64::try_from(exact).unwrap_or(u64::MAX)
}

fn greatest_common_divisor(mut a: u32, mut b: u32) -> u32 {
    while b != 0 {
        (a, b) = (b, a % b);
    }
    a
}
