//! Two clocks: how far the input's runs ahead of the output's, and a resampler that makes up for it.

use rubato::audioadapter_buffers::direct::InterleavedSlice;
use rubato::{
    Adjustable, Async, FixedAsync, Resampler, Resizable, SincInterpolationParameters,
    SincInterpolationType, WindowFunction,
};

use super::engine::PIECE_FRAMES;
use super::error::LiveError;

/// Clocks of sound cards are off by some tens of parts in a million; what is beyond this is no clock.
const MOST_PPM: f64 = 2000.0;
/// Natural frequency of the loop, damped critically: settled within a minute, and too slow to be heard
/// as a change of pitch.
const LOOP_RAD_S: f64 = 0.12;
/// The amount waiting is smoothed over this time before the loop sees it.
const SMOOTH_S: f64 = 0.8;
/// The drift that is shown is smoothed over this time.
const SHOWN_S: f64 = 5.0;
/// Nominal frames in a second, for the loop's gains only.
const LOOP_RATE_HZ: f64 = 48_000.0;

/// Follows the ratio of two clocks from the amount of input that waits: a loop of second order. If the
/// input's clock runs fast by `d`, the amount grows by `rate (d - c)`, where `c` is the correction; with
/// `c = 2 w e / rate + w^2 / rate * integral of e` its error `e` dies away as `(1 + w t) exp(-w t)`.
#[derive(Clone, Debug, Default)]
pub struct Drift {
    error: Option<f64>,
    integral: f64,
    shown: f64,
    shown_waiting: Option<f64>,
}

impl Drift {
    /// Knows nothing yet.
    pub fn new() -> Self {
        Self::default()
    }

    /// The amount waiting has jumped: what is known of the clocks stays, its error starts anew.
    pub fn settle(&mut self) {
        self.error = None;
    }

    /// Takes in the error of the amount waiting (frames) after `dt_s`; gives the correction: the
    /// resampler is to draw so much more input than nominal, as a share.
    pub fn follow(&mut self, error_frames: f64, dt_s: f64) -> f64 {
        let weight = 1.0 - (-dt_s / SMOOTH_S).exp();
        let error = self.error.map_or(0.0, |e| e + weight * (error_frames - e));
        self.error = Some(error);
        let most = MOST_PPM * 1e-6;
        self.integral += LOOP_RAD_S * LOOP_RAD_S / LOOP_RATE_HZ * error * dt_s;
        self.integral = self.integral.clamp(-most, most);
        self.shown += (1.0 - (-dt_s / SHOWN_S).exp()) * (self.integral - self.shown);
        let correction = self.integral + 2.0 * LOOP_RAD_S / LOOP_RATE_HZ * error;
        correction.clamp(-most, most)
    }

    /// How much faster the input's clock runs, in parts per million.
    pub fn ppm(&self) -> f64 {
        self.shown * 1e6
    }

    /// The amount waiting, smoothed for showing.
    pub fn smooth(&mut self, waiting: f64, dt_s: f64) -> f64 {
        let weight = 1.0 - (-dt_s / SHOWN_S).exp();
        let smooth = self.shown_waiting.map_or(waiting, |w| w + weight * (waiting - w));
        self.shown_waiting = Some(smooth);
        smooth
    }
}

/// Length of the interpolating filter in samples: flat to 20 kHz from 44.1 kHz would take more, and
/// more delay; at this length it is down by 0.1 dB at 18 kHz at 48 kHz and delays by half of it.
const FILTER_SAMPLES: usize = 64;
/// Positions between samples at which the filter is worked out; between these it is interpolated.
const POSITIONS: usize = 256;
/// Room for the input of one piece.
const MOST_NEEDED: usize = 2 * PIECE_FRAMES + 2 * FILTER_SAMPLES;

/// Draws slightly more or less input than it gives output.
pub struct Stretcher {
    inner: Async<f64>,
    scratch: Vec<f64>,
}

impl std::fmt::Debug for Stretcher {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Stretcher").finish_non_exhaustive()
    }
}

impl Stretcher {
    /// Plans it; allocates.
    ///
    /// # Errors
    /// [`LiveError::Clock`].
    pub fn new() -> Result<Self, LiveError> {
        let parameters =
            SincInterpolationParameters::new(FILTER_SAMPLES, WindowFunction::BlackmanHarris2)
                .oversampling_factor(POSITIONS)
                .interpolation(SincInterpolationType::Quadratic);
        let most = 1.0 + 4.0 * MOST_PPM * 1e-6;
        let inner = Async::new_sinc(1.0, most, &parameters, PIECE_FRAMES, 1, FixedAsync::Output)
            .map_err(|e| LiveError::Clock { reason: e.to_string() })?;
        let room = inner.input_frames_max().max(MOST_NEEDED);
        Ok(Self { inner, scratch: vec![0.0; room] })
    }

    /// Draws so much more (as a share) than nominal from now on.
    pub fn set(&mut self, more: f64) {
        // The loop's limits are within the resampler's.
        let _ = self.inner.set_resample_ratio_relative(1.0 / (1.0 + more), true);
    }

    /// Frames of input that the next `frames` of output take; at most a piece.
    pub fn needs(&mut self, frames: usize) -> usize {
        // A piece is never larger than what the resampler was made for.
        let _ = self.inner.set_chunk_size(frames);
        self.inner.input_frames_next()
    }

    /// Fills `output`, as long as last asked for with [`Stretcher::needs`], drawing input from `next`.
    pub fn fill(&mut self, output: &mut [f64], mut next: impl FnMut() -> f64) {
        let needed = self.inner.input_frames_next().min(self.scratch.len());
        let frames = output.len();
        self.scratch[..needed].iter_mut().for_each(|x| *x = next());
        let done = match (
            InterleavedSlice::new(&self.scratch[..needed], 1, needed),
            InterleavedSlice::new_mut(output, 1, frames),
        ) {
            (Ok(input), Ok(mut out)) => {
                self.inner.process_into_buffer(&input, &mut out, None).is_ok()
            }
            _ => false,
        };
        if !done {
            output.fill(0.0);
        }
    }

    /// Frames by which it delays.
    pub fn delay_frames(&self) -> usize {
        self.inner.output_delay()
    }
}
