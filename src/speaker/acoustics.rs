//! From cone acceleration to sound pressure: cabinet, cone, range of use.

use std::f64::consts::TAU;

use nalgebra::Complex;

use super::driver::{AIR_DENSITY_KG_PER_M3, Driver, SOUND_SPEED_M_PER_S};
use super::{Speaker, SpeakerError};

/// Where the pressure is given, in metres from the cone.
const DISTANCE_M: f64 = 1.0;

/// What stands behind the cone.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Cabinet {
    /// An open back: the sound of the cone's rear side, of opposite sign, comes round a path that
    /// is longer by `path_m`, and cancels the front at low frequencies.
    Open { path_m: f64 },
    /// A closed box of `volume_m3` for all drivers together; its air stiffens the suspension.
    Closed { volume_m3: f64 },
}

/// A linear section H = (n0 + n1 s + n2 s^2) / (1 + d1 s + d2 s^2) of the sound's path.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AcousticSection {
    pub numerator: [f64; 3],
    pub denominator: [f64; 2],
}

/// The band in which a speaker still reproduces.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RangeOfUse {
    /// How far below the midband the limits are, in dB.
    pub below_midband_db: f64,
    pub lowest_hz: f64,
    pub highest_hz: f64,
    /// The band whose mean level (in dB, over the logarithm of frequency) is the reference.
    pub midband_hz: [f64; 2],
}

impl AcousticSection {
    /// A resonance (or, below 0 dB, a notch) that adds `gain_db` at `hz` and nothing far from it.
    pub fn resonance(hz: f64, q: f64, gain_db: f64) -> Self {
        let w = TAU * hz;
        let gain = 10f64.powf(gain_db / 20.0);
        Self {
            numerator: [1.0, gain / (q * w), 1.0 / (w * w)],
            denominator: [1.0 / (q * w), 1.0 / (w * w)],
        }
    }

    /// A second-order low-pass.
    pub fn rolloff(hz: f64, q: f64) -> Self {
        let w = TAU * hz;
        Self { numerator: [1.0, 0.0, 0.0], denominator: [1.0 / (q * w), 1.0 / (w * w)] }
    }

    /// A first-order high-pass with the given time constant.
    fn high_pass(seconds: f64) -> Self {
        Self { numerator: [0.0, seconds, 0.0], denominator: [seconds, 0.0] }
    }

    /// Gain at a frequency.
    pub fn gain(&self, hz: f64) -> Complex<f64> {
        let s = Complex::new(0.0, TAU * hz);
        let [n0, n1, n2] = self.numerator;
        let [d1, d2] = self.denominator;
        (n0 + s * (n1 + s * n2)) / (1.0 + s * (d1 + s * d2))
    }
}

impl Speaker {
    /// One driver as it moves in this cabinet.
    pub fn mounted_driver(&self) -> Driver {
        match self.cabinet {
            Cabinet::Open { .. } => self.driver,
            Cabinet::Closed { volume_m3 } => {
                self.driver.in_closed_box(volume_m3 / self.wiring.count())
            }
        }
    }

    /// The sections between the cone's acceleration and the pressure, in their order.
    ///
    /// The open back: front and rear together give 1 - exp(-s path/c), which is s path/c at low
    /// frequencies; the first-order s T / (1 + s T) with T = path/c has that and tends to the
    /// front alone above, where the rear's sound is scattered by the room rather than in step.
    pub fn acoustic_sections(&self) -> Vec<AcousticSection> {
        let open = match self.cabinet {
            Cabinet::Open { path_m } => {
                Some(AcousticSection::high_pass(path_m / SOUND_SPEED_M_PER_S))
            }
            Cabinet::Closed { .. } => None,
        };
        open.into_iter().chain(self.cone.iter().copied()).collect()
    }

    /// Pascals at 1 m for one m/s^2 of every cone, without the acoustic sections: the drivers
    /// are small against the wavelength, in a large baffle, and in step:
    /// p = N rho Sd a / (2 pi r). L. L. Beranek, Acoustics (1954), simple source on a baffle
    /// (from memory).
    pub fn pressure_per_acceleration(&self) -> f64 {
        self.wiring.count() * AIR_DENSITY_KG_PER_M3 * self.driver.cone_area_m2 / (TAU * DISTANCE_M)
    }

    /// Impedance at the terminals of all drivers, with the exact K (j w)^n, in ohms.
    pub fn impedance(&self, hz: f64) -> Complex<f64> {
        self.mounted_driver().impedance(hz) * self.wiring.impedance_factor()
    }

    /// Pascals at 1 m on the axis per volt at the terminals.
    pub fn pressure_per_volt(&self, hz: f64) -> Complex<f64> {
        let each = self.mounted_driver().acceleration_per_volt(hz) / f64::from(self.wiring.series);
        let acoustic: Complex<f64> =
            self.acoustic_sections().iter().map(|section| section.gain(hz)).product();
        each * self.pressure_per_acceleration() * acoustic
    }

    /// The model's own limits at `range_of_use.below_midband_db`, for a source of no resistance:
    /// the nearest frequencies on both sides of the midband where it is that far down, in hertz.
    ///
    /// # Errors
    /// [`SpeakerError::NoLimit`] if it stays above on one side.
    pub fn model_range_hz(&self, file: &str) -> Result<[f64; 2], SpeakerError> {
        let range = &self.range_of_use;
        let level_db = |hz: f64| 20.0 * self.pressure_per_volt(hz).norm().log10();
        let [from, to] = range.midband_hz;
        let steps = 200;
        let midband_db = (0..=steps)
            .map(|k| level_db(from * (to / from).powf(f64::from(k) / f64::from(steps))))
            .sum::<f64>()
            / f64::from(steps + 1);
        let is_down = |hz: f64| level_db(hz) <= midband_db - range.below_midband_db;
        let limit = |start: f64, end: f64, side: &'static str| {
            // March outward in steps of 1/100 octave, then halve the last step.
            let ratio = 2f64.powf(0.01 * (end / start).ln().signum());
            let mut inside = start;
            loop {
                let outside = inside * ratio;
                if is_down(outside) {
                    return Ok(bisect(inside, outside, &is_down));
                }
                if (outside > end) == (end > start) {
                    return Err(SpeakerError::NoLimit {
                        file: file.to_owned(),
                        side,
                        below_midband_db: range.below_midband_db,
                    });
                }
                inside = outside;
            }
        };
        Ok([limit(from, 5.0, "below")?, limit(to, 40e3, "above")?])
    }
}

/// The frequency where `is_down` changes, between one that is not and one that is.
fn bisect(mut up: f64, mut down: f64, is_down: &dyn Fn(f64) -> bool) -> f64 {
    for _ in 0..50 {
        let middle = (up * down).sqrt();
        if is_down(middle) { down = middle } else { up = middle }
    }
    (up * down).sqrt()
}
