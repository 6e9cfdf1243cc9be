//! What the callback tells the rest of the program: numbers that are written without waiting and can
//! be read at any time.

use std::sync::atomic::{AtomicU32, AtomicU64, Ordering::Relaxed};

/// Valves whose grids are watched.
pub const MOST_VALVES: usize = 16;

/// Largest magnitude since it was last looked at.
#[derive(Debug, Default)]
pub struct Peak(AtomicU64);

impl Peak {
    /// Takes in a magnitude. Positive doubles are in the same order as their bits.
    pub fn add(&self, magnitude: f64) {
        self.0.fetch_max(magnitude.abs().to_bits(), Relaxed);
    }

    /// The largest since the last call.
    pub fn take(&self) -> f64 {
        f64::from_bits(self.0.swap(0, Relaxed))
    }
}

/// A number that is replaced whole.
#[derive(Debug, Default)]
pub struct Value(AtomicU64);

impl Value {
    /// Replaces it.
    pub fn set(&self, value: f64) {
        self.0.store(value.to_bits(), Relaxed);
    }

    /// The number.
    pub fn get(&self) -> f64 {
        f64::from_bits(self.0.load(Relaxed))
    }
}

/// Counts.
#[derive(Debug, Default)]
pub struct Count(AtomicU64);

impl Count {
    /// Adds to it.
    pub fn add(&self, more: u64) {
        if more > 0 {
            self.0.fetch_add(more, Relaxed);
        }
    }

    /// Replaces it.
    pub fn set(&self, count: u64) {
        self.0.store(count, Relaxed);
    }

    /// The count.
    pub fn get(&self) -> u64 {
        self.0.load(Relaxed)
    }
}

const PER_OCTAVE: f64 = 8.0;
const OCTAVES: usize = 20;
const CLASSES: usize = PER_OCTAVE as usize * OCTAVES;
const SMALLEST: f64 = 1.0 / 16_384.0;

/// How often the callback took which share of the time that it has: classes an eighth of an octave
/// wide, from 1/16384 of the time to 64 times as long.
#[derive(Debug)]
pub struct Loads([AtomicU32; CLASSES]);

impl Default for Loads {
    fn default() -> Self {
        Self([const { AtomicU32::new(0) }; CLASSES])
    }
}

impl Loads {
    /// Takes in a share.
    pub fn add(&self, share: f64) {
        let class = ((share / SMALLEST).log2() * PER_OCTAVE).ceil();
        let class = if class > 0.0 { (class as usize).min(CLASSES - 1) } else { 0 };
        self.0[class].fetch_add(1, Relaxed);
    }

    /// The share that so much (0 to 1) of the callbacks stayed within, to the upper edge of its class;
    /// `None` before the first.
    pub fn quantile(&self, of: f64) -> Option<f64> {
        let counts: Vec<u64> = self.0.iter().map(|c| u64::from(c.load(Relaxed))).collect();
        let total: u64 = counts.iter().sum();
        let wanted = (of * total as f64).ceil().max(1.0) as u64;
        let mut sum = 0;
        let class = counts.iter().position(|c| {
            sum += c;
            sum >= wanted
        })?;
        Some(SMALLEST * (class as f64 / PER_OCTAVE).exp2())
    }

    /// Starts anew.
    pub fn clear(&self) {
        self.0.iter().for_each(|c| c.store(0, Relaxed));
    }
}

/// All that is measured while playing.
#[derive(Debug, Default)]
pub struct Meters {
    /// Largest input, in volts at the amp's input.
    pub input_volts: Peak,
    /// Input samples at the interface's full scale.
    pub input_clipped: Count,
    /// Largest output before the limiter, as a share of full scale.
    pub output: Peak,
    /// Samples that the limiter held, or that were cut off at full scale without it.
    pub output_over: Count,
    /// Lowest gain of the limiter in the last block.
    pub limiter_gain: Value,
    /// The version that is heard, or being faded to.
    pub version: Count,
    /// Share of the time with the grid above its cathode, of each valve of the version, in the last
    /// tenth of a second.
    pub conducting: [Value; MOST_VALVES],
    /// Steps that found no answer.
    pub troubles: Count,
    pub loads: Loads,
    pub callbacks: Count,
    /// Frames played since the start.
    pub frames: Count,
    /// Callbacks that took longer than their block lasts.
    pub late: Count,
    pub largest_block_frames: Count,
    /// Gaps that the device told of.
    pub device_gaps: Count,
    /// Times that input was missing, and frames of it that found no room.
    pub input_gaps: Count,
    pub input_spilt_frames: Count,
    /// How much faster the input's clock runs than the output's.
    pub drift_ppm: Value,
    /// Input waiting before the amp, on average.
    pub waiting_frames: Value,
    /// Frames that the recording lost because its writer was too slow.
    pub unrecorded_frames: Count,
}

impl Meters {
    /// Clears marks and counts, where a person asks for it.
    pub fn clear(&self) {
        self.loads.clear();
        let counts = [
            &self.input_clipped,
            &self.output_over,
            &self.late,
            &self.device_gaps,
            &self.input_gaps,
            &self.input_spilt_frames,
            &self.unrecorded_frames,
        ];
        counts.iter().for_each(|c| c.set(0));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quantiles_are_within_a_class() {
        let loads = Loads::default();
        assert_eq!(loads.quantile(0.5), None);
        for k in 1..=1000 {
            loads.add(f64::from(k) / 1000.0);
        }
        for of in [0.01, 0.5, 0.999, 1.0] {
            let q = loads.quantile(of).expect("there are some");
            assert!((of * 0.99..=of * 1.1).contains(&q), "{of}: {q}");
        }
        loads.add(f64::INFINITY);
        loads.add(0.0);
        loads.add(f64::NAN);
        assert!(loads.quantile(1.0).is_some_and(f64::is_finite));
    }

    #[test]
    fn peaks_start_anew_when_read() {
        let peak = Peak::default();
        peak.add(-0.5);
        peak.add(0.25);
        assert_eq!((peak.take(), peak.take()), (0.5, 0.0));
    }
}
