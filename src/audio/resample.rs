//! Changing the sample rate of a clip, without delay and at full length.

use std::borrow::Cow;
use std::ops::RangeInclusive;

use rubato::audioadapter_buffers::direct::InterleavedSlice;
use rubato::{Fft, FixedSync, Resampler as _, WindowFunction};

use super::clip::Clip;
use super::error::AudioError;

/// Rates at which circuits are rendered; clips at others are resampled first.
pub const WORKING_RATES_HZ: RangeInclusive<u32> = 44_100..=192_000;

/// Length of the anti-aliasing filter, in samples of the lower rate. At this length its response
/// from 44.1 kHz is flat to 20 kHz, and the filter is below -100 dB from half the lower rate on.
const FILTER_SAMPLES: usize = 1024;

/// Changes the sample rate of one channel as the samples come, in bounded memory.
///
/// By FFT with a linear-phase anti-aliasing filter: nothing is delayed, sample 0 stays at time 0, and
/// the length is the old one times the ratio, rounded up.
pub struct Resampler {
    inner: Fft<f64>,
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
        // The filter delays by half a block on the output side, so the block must be even on both
        // sides for the trimmed clip to be aligned to the sample: an even number of the smallest
        // blocks that both rates have in common.
        let common = greatest_common_divisor(from_hz, to_hz);
        let smallest_in = (from_hz / common) as usize;
        let smaller_side = (from_hz.min(to_hz) / common) as usize;
        let blocks = FILTER_SAMPLES.div_ceil(2 * smaller_side).max(1) * 2;
        let inner = Fft::<f64>::new_custom(
            from_hz as usize,
            to_hz as usize,
            blocks * smallest_in,
            1,
            1,
            WindowFunction::BlackmanHarris2,
            FixedSync::Both,
        )
        .map_err(|error| failed(error.to_string()))?;
        let block = vec![0.0; inner.output_frames_max()];
        let to_skip = inner.output_delay();
        let pending = Vec::with_capacity(inner.input_frames_max());
        Ok(Resampler {
            inner,
            from_hz,
            to_hz,
            pending,
            block,
            to_skip,
            frames_in: 0,
            frames_out: 0,
        })
    }

    /// Takes the next samples, and appends to `output` what is ready.
    ///
    /// # Errors
    /// If the resampler fails, which would be a fault of ours.
    pub fn push(&mut self, samples: &[f64], output: &mut Vec<f64>) -> Result<(), AudioError> {
        self.frames_in += samples.len() as u64;
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
