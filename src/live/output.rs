//! What a sound device calls: it asks for a block, and gets what the amp makes of the input.

use std::sync::Arc;
use std::time::Instant;

use super::engine::{PIECE_FRAMES, Process};
use super::floor::Floor;
use super::input::Incoming;
use super::meters::Meters;
use super::recorder::Tap;

/// Where the guitar comes from.
// There is one of it; a box would only be one more way to go in the callback.
#[allow(clippy::large_enum_variant)]
#[derive(Debug)]
pub enum Source {
    /// The device's input.
    Device(Incoming),
    /// A clip, in volts, over and over.
    Clip(Looped),
}

/// A clip that starts anew when it ends.
#[derive(Clone, Debug)]
pub struct Looped {
    volts: Arc<[f64]>,
    at: usize,
}

/// Both ends of a looped clip are faded over this time, so that it starts anew without a click.
const SEAM_S: f64 = 0.005;

impl Looped {
    /// From samples with the volts that full scale stands for.
    pub fn new(samples: &[f64], full_scale_volts: f64, sample_rate_hz: f64) -> Self {
        let seam = ((SEAM_S * sample_rate_hz) as usize).max(1);
        let last = samples.len().saturating_sub(1);
        let volts = samples.iter().enumerate().map(|(n, x)| {
            let edge = n.min(last - n) as f64 / seam as f64;
            x * full_scale_volts * edge.min(1.0)
        });
        Self { volts: volts.collect(), at: 0 }
    }

    /// The clip once through, in volts.
    pub fn volts(&self) -> &[f64] {
        &self.volts
    }

    fn draw(&mut self, volts: &mut [f64]) {
        for x in volts {
            *x = self.volts.get(self.at).copied().unwrap_or(0.0);
            self.at = if self.at + 1 < self.volts.len() { self.at + 1 } else { 0 };
        }
    }
}

/// Which of the device's channels sound.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum OutputChannels {
    All,
    /// Counted from 0.
    One(usize),
}

/// What the output's callback calls.
pub struct OutputEnd {
    source: Source,
    process: Box<dyn Process>,
    tap: Option<Tap>,
    floor: Floor,
    meters: Arc<Meters>,
    sample_rate_hz: f64,
    channels: OutputChannels,
}

impl std::fmt::Debug for OutputEnd {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("OutputEnd").field("source", &self.source).finish_non_exhaustive()
    }
}

impl OutputEnd {
    /// Puts the pieces together.
    pub fn new(
        source: Source,
        process: Box<dyn Process>,
        tap: Option<Tap>,
        meters: Arc<Meters>,
        sample_rate_hz: f64,
        channels: OutputChannels,
    ) -> Self {
        let floor = Floor::new(sample_rate_hz);
        Self { source, process, tap, floor, meters, sample_rate_hz, channels }
    }

    /// Fills a block: frames of `channels` samples each, full scale 1, at a time in seconds by the
    /// clock that also [`InputEnd::take`](super::input::InputEnd::take) is told. Neither allocates,
    /// locks, waits, prints nor panics.
    pub fn fill(&mut self, samples: &mut [f32], channels: usize, at_s: f64) {
        let start = Instant::now();
        let channels = channels.max(1);
        let block = samples.len() / channels;
        if let Source::Device(incoming) = &mut self.source {
            incoming.begin(at_s, block);
        }
        let mut peak = 0.0f64;
        for piece in samples.chunks_mut(PIECE_FRAMES * channels) {
            let frames = piece.len() / channels;
            let mut dry = [0.0; PIECE_FRAMES];
            let mut wet = [0.0; PIECE_FRAMES];
            let (dry, wet) = (&mut dry[..frames], &mut wet[..frames]);
            match &mut self.source {
                Source::Device(incoming) => incoming.draw(dry),
                Source::Clip(clip) => clip.draw(dry),
            }
            peak = dry.iter().fold(peak, |p, x| p.max(x.abs()));
            self.floor.apply(dry);
            self.process.process(dry, wet);
            if let Some(tap) = &mut self.tap {
                tap.put(dry, wet);
            }
            for (frame, y) in piece.chunks_exact_mut(channels).zip(wet.iter()) {
                match self.channels {
                    OutputChannels::All => frame.fill(*y as f32),
                    OutputChannels::One(k) => {
                        frame.fill(0.0);
                        if let Some(place) = frame.get_mut(k) {
                            *place = *y as f32;
                        }
                    }
                }
            }
        }
        self.meters.input_volts.add(peak);
        self.meters.callbacks.add(1);
        self.meters.frames.add(block as u64);
        self.meters.largest_block_frames.set(block as u64);
        if block > 0 {
            let load = start.elapsed().as_secs_f64() * self.sample_rate_hz / block as f64;
            self.meters.loads.add(load);
            self.meters.late.add(u64::from(load > 1.0));
        }
    }
}
