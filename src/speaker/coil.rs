//! The voice coil's lossy inductance, and the lumped ladder that stands for it.

use std::f64::consts::{PI, TAU};

use nalgebra::Complex;

/// Eddy currents in the pole piece make a voice coil a lossy inductance:
/// Z = K (j w)^n, n between 0.5 and 1. W. M. Leach, "Loudspeaker Voice-Coil Inductance
/// Losses: Circuit Models, Parameter Estimation, and Effect on Frequency Response",
/// J. Audio Eng. Soc. 50(6), June 2002, pp. 442-450.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SemiInductance {
    /// K, in ohms for a w of 1 rad/s.
    pub coefficient: f64,
    /// n.
    pub exponent: f64,
}

/// A resistor and an inductor in parallel.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LossySection {
    pub ohms: f64,
    pub henries: f64,
}

/// Parallel resistor-inductor pairs, all in series, which together come near K (j w)^n.
#[derive(Clone, Debug, PartialEq)]
pub struct Ladder {
    pub sections: Vec<LossySection>,
    pub error: LadderError,
}

/// The largest departure of the ladder from K (j w)^n in a band.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LadderError {
    pub lowest_hz: f64,
    pub highest_hz: f64,
    /// Of the magnitude, as a part of it: 0.01 is one percent.
    pub magnitude: f64,
    pub phase_deg: f64,
}

/// The band over which the ladder is made to fit.
const BAND_HZ: [f64; 2] = [20.0, 20e3];
/// Pairs of a ladder. Each costs a state in the simulation; six come within 1 % and 0.5 degree.
const SECTIONS: usize = 6;
/// Points at which the error is taken.
const CHECK_POINTS: usize = 121;

impl SemiInductance {
    /// The impedance at a frequency, in ohms.
    pub fn impedance(&self, hz: f64) -> Complex<f64> {
        let angle = self.exponent * PI / 2.0;
        self.coefficient * (TAU * hz).powf(self.exponent) * Complex::new(angle.cos(), angle.sin())
    }

    /// The ladder, with its error over 20 Hz to 20 kHz.
    ///
    /// From the integral s^n = sin(n pi)/pi * integral of e^(n u) s / (s + e^u) du, valid for
    /// 0 < n < 1 (a Stieltjes function): the trapezoidal rule makes of it a sum of terms
    /// R s / (s + R/L), each a resistor and an inductor in parallel, all positive. What the
    /// infinite sum has below and above the band goes into one pair each, which keeps the first
    /// two terms of its expansion. The margin between the band's edges and the outermost poles is
    /// searched for the least error.
    pub fn ladder(&self) -> Ladder {
        let wanted = self.wanted();
        // By the squares, since this is asked of every ladder.
        let magnitude = |sections: &[LossySection]| {
            let ratios = wanted
                .iter()
                .map(|(hz, z)| (impedance_of(sections, *hz).norm_sqr() / z.norm_sqr()).sqrt());
            ratios.map(|r| (r - 1.0).abs()).fold(0.0, f64::max)
        };
        let ladders = (-20..=20).map(|step| self.sections_with_margin(f64::from(step) * 0.05));
        let sections = ladders
            .map(|sections| (magnitude(&sections), sections))
            .min_by(|a, b| a.0.total_cmp(&b.0))
            .map_or_else(|| self.sections_with_margin(0.4), |(_, sections)| sections);
        let [lowest_hz, highest_hz] = BAND_HZ;
        let ratios = wanted.iter().map(|(hz, z)| impedance_of(&sections, *hz) / z);
        let phase = ratios.map(|r| r.arg().to_degrees().abs());
        let error = LadderError {
            lowest_hz,
            highest_hz,
            magnitude: magnitude(&sections),
            phase_deg: phase.fold(0.0, f64::max),
        };
        Ladder { sections, error }
    }

    /// The pairs of a ladder whose poles begin `margin` steps inside the band.
    fn sections_with_margin(&self, margin: f64) -> Vec<LossySection> {
        let n = self.exponent;
        let [low, high] = BAND_HZ.map(|hz| (TAU * hz).ln());
        let inner = SECTIONS - 2;
        let step = (high - low) / ((inner - 1) as f64 + 2.0 * margin);
        let weight = self.coefficient * (n * PI).sin() / PI * step;
        // Every term has R = weight x^n and L = R / x for a pole at x rad/s.
        let poles: Vec<f64> =
            (0..inner).map(|k| (low + step * (margin + k as f64)).exp()).collect();
        // Sums of weight x^p over all x below the first or above the last pole: geometric series.
        let ratio = (-step).exp();
        let below = |p: f64| weight * poles[0].powf(p) * ratio.powf(p) / (1.0 - ratio.powf(p));
        let last = poles[inner - 1];
        let above = |p: f64| weight * last.powf(p) * ratio.powf(-p) / (1.0 - ratio.powf(-p));
        let mut sections = vec![{
            // Far above their poles: sum of R (1 - x/s).
            let ohms = below(n);
            LossySection { ohms, henries: ohms * ohms / below(n + 1.0) }
        }];
        sections.extend(poles.iter().map(|x| {
            let ohms = weight * x.powf(n);
            LossySection { ohms, henries: ohms / x }
        }));
        sections.push({
            // Far below their poles: sum of L (s - s^2/x).
            let henries = above(n - 1.0);
            LossySection { ohms: henries * henries / above(n - 2.0), henries }
        });
        sections
    }

    /// Frequencies of the band with the impedance there.
    fn wanted(&self) -> Vec<(f64, Complex<f64>)> {
        let [low, high] = BAND_HZ;
        let share = |k: usize| k as f64 / (CHECK_POINTS - 1) as f64;
        let points = (0..CHECK_POINTS).map(|k| low * (high / low).powf(share(k)));
        points.map(|hz| (hz, self.impedance(hz))).collect()
    }
}

impl Ladder {
    /// The impedance at a frequency, in ohms.
    pub fn impedance(&self, hz: f64) -> Complex<f64> {
        impedance_of(&self.sections, hz)
    }
}

/// Of a pair R j x / (1 + j x) with x = w L / R.
fn impedance_of(sections: &[LossySection], hz: f64) -> Complex<f64> {
    let pair = |section: &LossySection| {
        let x = TAU * hz * section.henries / section.ohms;
        let share = section.ohms * x / (1.0 + x * x);
        Complex::new(share * x, share)
    };
    sections.iter().map(pair).sum()
}
