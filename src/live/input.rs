//! The way from the input's callback to the output's: two threads, and often two clocks.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering::SeqCst};

use rtrb::{Consumer, Producer, RingBuffer};

use super::drift::{Drift, Stretcher};
use super::error::LiveError;
use super::meters::Meters;

/// Room for waiting input; the largest block that any device is known to use, several times over.
const RING_FRAMES: usize = 1 << 16;
/// Kept waiting beyond what blocks need: callbacks are not on time to the sample.
const MARGIN_FRAMES: f64 = 32.0;
/// After a gap, input is raised from nothing over so many frames.
const RETURN_FRAMES: usize = 64;

/// When the last input came and how much there has been, readable without waiting: the writer makes
/// `turn` odd while the two do not belong together.
#[derive(Debug, Default)]
struct Arrival {
    turn: AtomicU64,
    at_s: AtomicU64,
    total: AtomicU64,
    largest: AtomicU64,
}

impl Arrival {
    fn note(&self, at_s: f64, frames: u64) {
        self.turn.fetch_add(1, SeqCst);
        self.at_s.store(at_s.to_bits(), SeqCst);
        self.total.fetch_add(frames, SeqCst);
        self.turn.fetch_add(1, SeqCst);
        self.largest.fetch_max(frames, SeqCst);
    }

    fn read(&self) -> Option<(f64, u64)> {
        let turn = self.turn.load(SeqCst);
        let answer = (f64::from_bits(self.at_s.load(SeqCst)), self.total.load(SeqCst));
        (turn.is_multiple_of(2) && turn == self.turn.load(SeqCst)).then_some(answer)
    }
}

/// What the input's callback feeds.
#[derive(Debug)]
pub struct InputEnd {
    ring: Producer<f32>,
    arrival: Arc<Arrival>,
    meters: Arc<Meters>,
    /// Counted from 0.
    channel: usize,
}

impl InputEnd {
    /// Takes what the device recorded: frames of `channels` samples each, full scale 1, at a time in
    /// seconds from any start. Neither allocates nor waits.
    pub fn take(&mut self, samples: &[f32], channels: usize, at_s: f64) {
        let (mut taken, mut spilt, mut clipped) = (0, 0, 0);
        for frame in samples.chunks_exact(channels.max(1)) {
            let x = frame.get(self.channel).copied().unwrap_or(0.0);
            // The largest 16 bit number is just below one.
            clipped += u64::from(x.abs() >= 0.999_9);
            match self.ring.push(x) {
                Ok(()) => taken += 1,
                Err(_) => spilt += 1,
            }
        }
        self.meters.input_clipped.add(clipped);
        self.meters.input_spilt_frames.add(spilt);
        self.arrival.note(at_s, taken);
    }
}

/// Whether input and output run by one clock.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Clocks {
    /// One device: as many samples come as go.
    One,
    /// Two devices: the input is resampled by the ratio of their clocks, which is followed.
    Two,
}

/// What the output's callback draws from.
#[derive(Debug)]
pub struct Incoming {
    ring: Consumer<f32>,
    arrival: Arc<Arrival>,
    meters: Arc<Meters>,
    rate_hz: f64,
    full_scale_volts: f64,
    stretcher: Option<Stretcher>,
    drift: Drift,
    drawn: u64,
    /// Enough input waits; if not, silence is given until it does.
    flowing: bool,
    returning: usize,
    largest_out: usize,
    extra_frames: f64,
}

/// Makes the two ends. `channel` is counted from 0.
///
/// # Errors
/// [`LiveError::Clock`] if the resampler cannot be made.
pub fn input(
    clocks: Clocks,
    rate_hz: f64,
    full_scale_volts: f64,
    channel: usize,
    meters: &Arc<Meters>,
) -> Result<(InputEnd, Incoming), LiveError> {
    let (producer, consumer) = RingBuffer::new(RING_FRAMES);
    let arrival = Arc::new(Arrival::default());
    let stretcher = match clocks {
        Clocks::One => None,
        Clocks::Two => Some(Stretcher::new()?),
    };
    let end =
        InputEnd { ring: producer, arrival: arrival.clone(), meters: meters.clone(), channel };
    let incoming = Incoming {
        ring: consumer,
        arrival,
        meters: meters.clone(),
        rate_hz,
        full_scale_volts,
        stretcher,
        drift: Drift::new(),
        drawn: 0,
        flowing: false,
        returning: 0,
        largest_out: 0,
        extra_frames: 0.0,
    };
    Ok((end, incoming))
}

impl Incoming {
    /// Called at the start of each output callback, with the time and the frames it will draw.
    pub fn begin(&mut self, at_s: f64, frames: usize) {
        self.largest_out = self.largest_out.max(frames);
        let Some((arrived_s, total)) = self.arrival.read() else { return };
        if total == 0 {
            return;
        }
        let largest_in = self.arrival.largest.load(SeqCst) as f64;
        // Input comes in blocks; between them it is taken as coming evenly.
        let since = ((at_s - arrived_s) * self.rate_hz).clamp(0.0, largest_in);
        let mut waiting = total.saturating_sub(self.drawn) as f64 + since;
        let target = self.largest_out as f64 + largest_in + MARGIN_FRAMES + self.extra_frames;
        if !self.flowing {
            if waiting < target {
                return;
            }
            // The input may have run for long before the output asks for the first time: what is more
            // than enough would only be delay, and a delay that the drift takes minutes to work off.
            // A little more is left alone: how large blocks get is only known by and by.
            if waiting > 2.0 * target {
                waiting -= self.skip((waiting - target) as usize) as f64;
            }
            self.flowing = true;
            self.returning = RETURN_FRAMES;
            self.drift.settle();
        }
        if waiting > 2.0 * target + 2.0 * largest_in {
            // Something stood still for long; what lies too far back is given up.
            self.skip((waiting - target) as usize);
            self.returning = RETURN_FRAMES;
            self.meters.input_gaps.add(1);
            self.drift.settle();
            return;
        }
        if let Some(stretcher) = &mut self.stretcher {
            let ratio = self.drift.follow(waiting - target, frames as f64 / self.rate_hz);
            stretcher.set(ratio);
            self.meters.drift_ppm.set(self.drift.ppm());
        }
        self.meters.waiting_frames.set(self.drift.smooth(waiting, frames as f64 / self.rate_hz));
    }

    /// Drops so many frames, or as many as there are; returns how many.
    fn skip(&mut self, frames: usize) -> usize {
        let mut skipped = 0;
        while skipped < frames && self.ring.pop().is_ok() {
            skipped += 1;
        }
        self.drawn += skipped as u64;
        skipped
    }

    /// Fills a piece with volts.
    pub fn draw(&mut self, volts: &mut [f64]) {
        let needed = self.stretcher.as_mut().map_or(volts.len(), |s| s.needs(volts.len()));
        if self.flowing && self.ring.slots() < needed {
            self.flowing = false;
            // Whatever made it run dry may come again: keep more waiting from now on.
            self.extra_frames = (self.extra_frames + MARGIN_FRAMES).min(4096.0);
            self.meters.input_gaps.add(1);
        }
        if !self.flowing {
            volts.fill(0.0);
            return;
        }
        self.drawn += needed as u64;
        let ring = &mut self.ring;
        let mut next = || f64::from(ring.pop().unwrap_or(0.0));
        match &mut self.stretcher {
            None => volts.iter_mut().for_each(|x| *x = next()),
            Some(stretcher) => stretcher.fill(volts, &mut next),
        }
        for x in volts.iter_mut() {
            *x *= self.full_scale_volts;
            if self.returning > 0 {
                *x *= 1.0 - self.returning as f64 / RETURN_FRAMES as f64;
                self.returning -= 1;
            }
        }
    }

    /// Frames by which the resampler delays, if there is one.
    pub fn resampler_frames(&self) -> usize {
        self.stretcher.as_ref().map_or(0, Stretcher::delay_frames)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Whatever waits when the output asks for the first time, no more than is needed is kept, so that
    /// the delay is from the start what it will be.
    #[test]
    fn a_late_output_starts_without_a_backlog() {
        for (clocks, blocks) in [(Clocks::One, 2), (Clocks::One, 40), (Clocks::Two, 40)] {
            let meters = Arc::new(Meters::default());
            let (mut end, mut incoming) = input(clocks, 48_000.0, 1.0, 0, &meters).expect("ends");
            let mut now_s = 0.0;
            for _ in 0..blocks {
                now_s += 256.0 / 48_000.0;
                end.take(&[0.25; 256], 1, now_s);
            }
            incoming.begin(now_s, 256);
            let waiting = incoming.ring.slots() as f64;
            let mut volts = [0.0; 256];
            incoming.draw(&mut volts);
            if blocks == 2 {
                assert_eq!((waiting, volts), (512.0, [0.0; 256]), "not enough to begin with");
            } else {
                assert!((waiting - (512.0 + MARGIN_FRAMES)).abs() <= 1.0, "{clocks:?}: {waiting}");
                // Two clocks: the resampler's own delay comes first.
                assert!(volts[255] > 0.2 || clocks == Clocks::Two);
            }
        }
    }
}
