//! Changing the sample rate of a whole clip, without delay and at full length.

use std::borrow::Cow;
use std::ops::RangeInclusive;

use rubato::audioadapter_buffers::direct::InterleavedSlice;
use rubato::{Fft, FixedSync, Resampler, WindowFunction};

use super::clip::Clip;
use super::error::AudioError;

/// Rates at which circuits are rendered; clips at others are resampled first.
pub const WORKING_RATES_HZ: RangeInclusive<u32> = 44_100..=192_000;

/// Length of the anti-aliasing filter, in samples of the lower rate. At this length its response
/// from 44.1 kHz is flat to 20 kHz, and the filter is below -100 dB from half the lower rate on.
const FILTER_SAMPLES: usize = 1024;

/// The clip at another rate, by FFT with a linear-phase anti-aliasing filter: nothing is delayed,
/// sample 0 stays at time 0, and the length is the old one times the ratio, rounded up.
///
/// # Errors
/// If either rate is 0, or the resampler cannot be built.
pub fn resample(clip: &Clip, to_hz: u32) -> Result<Clip, AudioError> {
    let from_hz = clip.sample_rate_hz;
    if from_hz == to_hz {
        return Ok(clip.clone());
    }
    let failed = |reason: String| AudioError::Resample { from_hz, to_hz, reason };
    if from_hz == 0 || to_hz == 0 {
        return Err(failed("a rate of 0".to_owned()));
    }
    let frames = clip.samples.len();
    if frames == 0 {
        return Ok(Clip { samples: Vec::new(), sample_rate_hz: to_hz });
    }

    // The filter delays by half a block on the output side, so the block must be even on both
    // sides for the trimmed clip to be aligned to the sample: an even number of the smallest
    // blocks that both rates have in common.
    let common = greatest_common_divisor(from_hz, to_hz);
    let smallest_in = (from_hz / common) as usize;
    let smaller_side = (from_hz.min(to_hz) / common) as usize;
    let blocks = FILTER_SAMPLES.div_ceil(2 * smaller_side).max(1) * 2;
    let block_in = blocks * smallest_in;
    let mut resampler = Fft::<f64>::new_custom(
        from_hz as usize,
        to_hz as usize,
        block_in,
        1,
        1,
        WindowFunction::BlackmanHarris2,
        FixedSync::Both,
    )
    .map_err(|error| failed(error.to_string()))?;
    let input = InterleavedSlice::new(&clip.samples, 1, frames)
        .map_err(|error| failed(error.to_string()))?;
    let output =
        resampler.process_all(&input, frames, None).map_err(|error| failed(error.to_string()))?;
    // The resampler finds the length in floating point, which may come out one sample long.
    let mut samples = output.take_data();
    let exact = (frames as u128 * u128::from(to_hz)).div_ceil(u128::from(from_hz));
    samples.truncate(usize::try_from(exact).unwrap_or(usize::MAX));
    Ok(Clip { samples, sample_rate_hz: to_hz })
}

/// The clip at a rate at which circuits are rendered: as it is if its rate is among
/// [`WORKING_RATES_HZ`], else resampled to 48 kHz from below, to 96 kHz from above.
///
/// # Errors
/// As [`resample`].
pub fn to_working_rate(clip: &Clip) -> Result<Cow<'_, Clip>, AudioError> {
    if WORKING_RATES_HZ.contains(&clip.sample_rate_hz) {
        return Ok(Cow::Borrowed(clip));
    }
    let to_hz = if clip.sample_rate_hz < *WORKING_RATES_HZ.start() { 48_000 } else { 96_000 };
    resample(clip, to_hz).map(Cow::Owned)
}

fn greatest_common_divisor(mut a: u32, mut b: u32) -> u32 {
    while b != 0 {
        (a, b) = (b, a % b);
    }
    a
}
