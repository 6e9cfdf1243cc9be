//! What changed between two renderings, with the mere change of level taken out.

use super::plan::RenderError;
use super::tape::{BLOCK_FRAMES, Tape};
use crate::analysis::DifferenceFit;
use crate::audio::Clip;

/// `after - gain * before`, with the gain that leaves least; see [`DifferenceFit`].
#[derive(Debug)]
pub struct Rest<'a> {
    before: &'a Tape,
    after: &'a Tape,
    /// The factor on `before`.
    pub gain: f64,
    /// The largest magnitude of the rest.
    pub peak: f64,
    /// Energy of the rest relative to that of `after`, in dB: 0 if they have nothing in common,
    /// minus infinity if they differ by level alone.
    pub rest_db: f64,
}

impl<'a> Rest<'a> {
    /// Finds the gain and measures what is left. The tapes are of one length, as all versions of a
    /// clip are.
    ///
    /// # Errors
    /// [`RenderError::Audio`], [`RenderError::Difference`].
    pub fn new(before: &'a Tape, after: &'a Tape) -> Result<Rest<'a>, RenderError> {
        let mut fit = DifferenceFit::default();
        let mut rest = Rest { before, after, gain: 0.0, peak: 0.0, rest_db: 0.0 };
        rest.pairs(u64::MAX, |b, a| Ok(fit.add(b, a)?))?;
        rest.gain = fit.gain();
        let (gain, mut peak, mut left, mut whole) = (rest.gain, 0.0f64, 0.0, 0.0);
        rest.pairs(u64::MAX, |b, a| {
            for (b, a) in b.iter().zip(a.iter()) {
                let r = a - gain * b;
                peak = peak.max(r.abs());
                left += r * r;
                whole += a * a;
            }
            Ok(())
        })?;
        rest.peak = peak;
        rest.rest_db = if left > 0.0 { 10.0 * (left / whole).log10() } else { f64::NEG_INFINITY };
        Ok(rest)
    }

    /// Samples of the rest.
    pub fn frames(&self) -> u64 {
        self.before.frames().min(self.after.frames())
    }

    /// Samples per second.
    pub fn sample_rate_hz(&self) -> u32 {
        self.after.sample_rate_hz()
    }

    /// Hands the whole rest on, block by block.
    ///
    /// # Errors
    /// As [`Rest::new`], or what `take` gives back.
    pub fn for_each_block(
        &self,
        mut take: impl FnMut(&mut [f64]) -> Result<(), RenderError>,
    ) -> Result<(), RenderError> {
        self.pairs(u64::MAX, |b, a| {
            for (b, a) in b.iter().zip(a.iter_mut()) {
                *a -= self.gain * b;
            }
            take(a)
        })
    }

    /// The start of it, at most so long, times `gain`.
    ///
    /// # Errors
    /// As [`Rest::new`].
    pub fn excerpt(&self, most_s: f64, gain: f64) -> Result<Clip, RenderError> {
        let sample_rate_hz = self.sample_rate_hz();
        let mut samples = Vec::new();
        self.pairs((most_s * f64::from(sample_rate_hz)) as u64, |b, a| {
            samples.extend(b.iter().zip(a.iter()).map(|(b, a)| gain * (a - self.gain * b)));
            Ok(())
        })?;
        Ok(Clip { samples, sample_rate_hz })
    }

    /// Both tapes side by side, as far as frame `most`.
    fn pairs(
        &self,
        most: u64,
        mut take: impl FnMut(&[f64], &mut [f64]) -> Result<(), RenderError>,
    ) -> Result<(), RenderError> {
        let (mut b, mut a) = (vec![0.0; BLOCK_FRAMES], vec![0.0; BLOCK_FRAMES]);
        let (mut from, end) = (0, self.frames().min(most));
        while from < end {
            let count = (end - from).min(BLOCK_FRAMES as u64) as usize;
            self.before.read(from, &mut b[..count])?;
            self.after.read(from, &mut a[..count])?;
            take(&b[..count], &mut a[..count])?;
            from += count as u64;
        }
        Ok(())
    }
}
