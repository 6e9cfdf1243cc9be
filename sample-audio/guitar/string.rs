//! A plucked steel string as a digital waveguide.
//!
//! One delay line holds a period of the velocity wave that runs to and fro between nut and bridge;
//! in the loop sit a loss filter, a dispersion filter for the stiffness of the wire, and a
//! fractional delay for the pitch (J. O. Smith, "Physical modeling using digital waveguides",
//! Computer Music Journal 16(4), 1992; Jaffe and Smith, "Extensions of the Karplus-Strong
//! plucked-string algorithm", CMJ 7(2), 1983).

use std::f64::consts::{PI, TAU};

use presolder::analysis::{GUITAR_STRINGS, Pitch};
use presolder::audio::Noise;

use super::SAMPLE_RATE_HZ;

/// Length of the open strings in metres (25.5 inch; common practice, no source).
pub const SCALE_M: f64 = 0.648;

const RATE_HZ: f64 = SAMPLE_RATE_HZ as f64;

/// The wire of one string of an ordinary set of ten (.010 to .046 inch; common practice, no source).
#[derive(Clone, Copy, Debug)]
pub struct Gauge {
    pub pitch: Pitch,
    /// Diameter of the solid wire, or of the core of a wound one, in metres.
    pub core_m: f64,
    /// Outer diameter in metres.
    pub outer_m: f64,
    pub wound: bool,
    /// Time in which the open string's fundamental falls by 60 dB, in seconds (solid-body guitar;
    /// common practice, no source).
    pub fundamental_t60_s: f64,
    /// The same for partials around 2.5 kHz.
    pub bright_t60_s: f64,
}

const fn gauge(
    string: usize,
    core_inch: f64,
    outer_inch: f64,
    fundamental_t60_s: f64,
    bright_t60_s: f64,
) -> Gauge {
    let inch = 0.0254;
    Gauge {
        pitch: GUITAR_STRINGS[string],
        core_m: core_inch * inch,
        outer_m: outer_inch * inch,
        wound: outer_inch > core_inch,
        fundamental_t60_s,
        bright_t60_s,
    }
}

/// From the lowest string to the highest.
pub const GUITAR: [Gauge; 6] = [
    gauge(0, 0.018, 0.046, 17.0, 3.2),
    gauge(1, 0.016, 0.036, 15.0, 3.2),
    gauge(2, 0.014, 0.026, 13.0, 3.4),
    gauge(3, 0.017, 0.017, 11.0, 3.0),
    gauge(4, 0.013, 0.013, 10.0, 3.2),
    gauge(5, 0.010, 0.010, 9.0, 3.4),
];

/// The coefficient B of f_n = n f0 √(1 + B n²) for a stiff string between pinned ends:
/// B = π³ E d⁴ / (64 T L²), after Fletcher and Rossing, "The Physics of Musical Instruments"
/// (form from memory). The tension T follows from the pitch and the mass of the open string.
pub fn inharmonicity(gauge: &Gauge, fret: u8) -> f64 {
    /// Young's modulus and density of music wire (handbook values, from memory).
    const STEEL_PASCAL: f64 = 2.0e11;
    const STEEL_KG_PER_M3: f64 = 7_850.0;
    // A winding fills about nine tenths of the ring around the core.
    let core_area = 0.25 * PI * gauge.core_m.powi(2);
    let ring_area = 0.25 * PI * gauge.outer_m.powi(2) - core_area;
    let kg_per_m = STEEL_KG_PER_M3 * (core_area + 0.9 * ring_area);
    let tension = kg_per_m * (2.0 * SCALE_M * gauge.pitch.hz()).powi(2);
    let length = SCALE_M * (-f64::from(fret) / 12.0).exp2();
    PI.powi(3) * STEEL_PASCAL * gauge.core_m.powi(4) / (64.0 * tension * length * length)
}

/// How a string is set going and stopped. Times in seconds from the pluck.
#[derive(Clone, Copy, Debug)]
pub struct Pluck {
    pub fret: u8,
    /// Loudness from 0 to 1; louder is brighter, too.
    pub force: f64,
    /// Where the pick strikes, in metres from the bridge.
    pub pick_m: f64,
    /// Where the pickup's poles are, in metres from the bridge.
    pub pickup_m: f64,
    /// From 0 (free) to 1 (the edge of the palm rests on the bridge).
    pub palm: f64,
    /// When a finger stops the string.
    pub damped_at_s: f64,
    /// Seed of the small irregularities of each stroke.
    pub seed: u64,
}

/// The filters of one loop, worked out for a pitch.
#[derive(Clone, Debug)]
pub struct Tuned {
    delay: usize,
    /// Loss: g (1 + a) / (1 + a z⁻¹).
    loss_gain: f64,
    loss_pole: f64,
    /// Dispersion: equal first-order all-passes (c + z⁻¹) / (1 + c z⁻¹).
    disperse: f64,
    /// First-order Thiran all-pass for the rest of the delay.
    fraction: f64,
    /// Samples in one period.
    pub period: f64,
}

/// All-passes of the dispersion filter: enough for the partials up to 2 kHz to be placed as in
/// f_n = n f0 √(1 + B n²) within three cents; above, they are less sharp than on a string.
const STAGES: i32 = 16;
/// Where the dispersion is matched.
const STIFF_HZ: f64 = 1_600.0;
/// Where the second decay time of a string holds.
const BRIGHT_HZ: f64 = 2_500.0;

impl Tuned {
    /// A loop whose first partial is at `hz`, with coefficient of inharmonicity `b` and the given
    /// decay times.
    pub fn new(hz: f64, b: f64, fundamental_t60_s: f64, bright_t60_s: f64) -> Tuned {
        let omega = TAU * hz / RATE_HZ;
        let period = RATE_HZ / hz;

        // Loss of one round: 60 dB in t60 at both frequencies.
        let per_round = |t60_s: f64| 10f64.powf(-3.0 / (hz * t60_s));
        let loss_gain = per_round(fundamental_t60_s);
        let ratio = (per_round(bright_t60_s) / loss_gain).powi(2).min(1.0 - 1e-12);
        let cosine = (TAU * BRIGHT_HZ / RATE_HZ).cos();
        let (p, q) = (1.0 - ratio * cosine, 1.0 - ratio);
        let loss_pole = ((p * p - q * q).sqrt() - p) / q;

        // Partial m of a stiff string is sharp: a round may take only P √((1 + B)/(1 + B m²)). The
        // all-passes have to shorten it by that much between partials 1 and m.
        let m = (STIFF_HZ / hz).round().max(2.0);
        let shorter = period * (1.0 - ((1.0 + b) / (1.0 + b * m * m)).sqrt());
        let (mut low, mut high) = (-0.98, 0.0);
        for _ in 0..60 {
            let middle = 0.5 * (low + high);
            let falls = all_pass_delay(middle, omega) - all_pass_delay(middle, m * omega);
            // The nearer to -1, the more the delay falls.
            if f64::from(STAGES) * falls > shorter {
                low = middle;
            } else {
                high = middle;
            }
        }
        let disperse = 0.5 * (low + high);

        // What is left of the period after the delays of the filters at the first partial.
        let filters = f64::from(STAGES) * all_pass_delay(disperse, omega)
            + (loss_pole * omega.sin()).atan2(1.0 + loss_pole * omega.cos()).abs() / omega;
        let rest = period - filters;
        // Between half a sample and one and a half the fractional delay is flattest.
        let delay = (rest - 0.5).floor();
        let fraction = thiran(rest - delay, omega);
        Tuned { delay: delay as usize, loss_gain, loss_pole, disperse, fraction, period }
    }
}

/// Phase delay of (c + z⁻¹)/(1 + c z⁻¹), in samples.
fn all_pass_delay(c: f64, omega: f64) -> f64 {
    let (sine, cosine) = omega.sin_cos();
    // The phase is that of e^(-jω) times the conjugate of the denominator over itself.
    (omega - 2.0 * (c * sine).atan2(1.0 + c * cosine)) / omega
}

/// The coefficient whose all-pass has exactly the wanted delay at one frequency.
fn thiran(delay: f64, omega: f64) -> f64 {
    ((1.0 - delay) * 0.5 * omega).sin() / ((1.0 + delay) * 0.5 * omega).sin()
}

/// One running loop.
struct Loop {
    tuned: Tuned,
    line: Vec<f64>,
    at: usize,
    loss_state: f64,
    stages: [(f64, f64); STAGES as usize],
    thiran_state: (f64, f64),
}

impl Loop {
    fn new(tuned: Tuned) -> Loop {
        let line = vec![0.0; tuned.delay];
        let stages = [(0.0, 0.0); STAGES as usize];
        Loop { tuned, line, at: 0, loss_state: 0.0, stages, thiran_state: (0.0, 0.0) }
    }

    /// One sample around; `hold` below 1 takes more energy out, as a finger does.
    fn step(&mut self, input: f64, hold: f64) -> f64 {
        let Tuned { loss_gain, loss_pole, disperse, fraction, .. } = self.tuned;
        let out = self.line[self.at];
        let mut value = hold * loss_gain * (1.0 + loss_pole) * out - loss_pole * self.loss_state;
        self.loss_state = value;
        for (x1, y1) in &mut self.stages {
            let y = disperse * (value - *y1) + *x1;
            (*x1, *y1) = (value, y);
            value = y;
        }
        let (x1, y1) = self.thiran_state;
        let y = fraction * (value - y1) + x1;
        self.thiran_state = (value, y);
        let into = y + input;
        self.line[self.at] = into;
        self.at += 1;
        if self.at == self.line.len() {
            self.at = 0;
        }
        into
    }
}

/// The voltage of a pickup of ideal coil over one plucked note, `frames` samples from the pluck.
/// Scaled so that a firm stroke on an open string gives peaks of about 1.
pub fn pluck(gauge: &Gauge, pluck: &Pluck, frames: usize) -> Vec<f64> {
    let mut noise = Noise::new(pluck.seed);
    let hz = gauge.pitch.hz() * (f64::from(pluck.fret) / 12.0).exp2();
    let b = inharmonicity(gauge, pluck.fret);
    // A fretted string is shorter and rings shorter; the palm takes most of it.
    let shorter = (-f64::from(pluck.fret) / 20.0).exp2();
    let t60 = |free_s: f64, muted_s: f64| free_s * shorter * (muted_s / free_s).powf(pluck.palm);
    let fundamental_t60_s = t60(gauge.fundamental_t60_s, 0.45);
    let bright_t60_s = t60(gauge.bright_t60_s, 0.10);

    // The string swings along and across the pickup; the bridge gives way differently, so the
    // two have slightly different pitch and decay, and the sum beats and dies in two stages.
    let along = Tuned::new(hz, b, fundamental_t60_s, bright_t60_s);
    let spread = 1.0 + 2.5e-4 * (1.0 + 0.3 * noise.triangular());
    let across = Tuned::new(hz * spread, b, 0.6 * fundamental_t60_s, 0.8 * bright_t60_s);

    let excitation = excitation(gauge, pluck, &along, hz, &mut noise);
    // The wave passes the pickup, is turned over at the bridge, and passes again.
    let round_trip_s = |metres: f64| 2.0 * metres / (2.0 * SCALE_M * gauge.pitch.hz());
    let echo = round_trip_s(pluck.pickup_m) * RATE_HZ;
    let (echo_whole, echo_part) = (echo.floor() as usize, echo.fract());

    let mut loops = [Loop::new(along), Loop::new(across)];
    let shares = [0.8, 0.35];
    let damp_from = (pluck.damped_at_s * RATE_HZ) as usize;
    let stop_per_round = 10f64.powf(-3.0 / (hz * 0.09));
    let mut waves = Vec::with_capacity(frames);
    let mut output = Vec::with_capacity(frames);
    for n in 0..frames {
        let input = excitation.get(n).copied().unwrap_or(0.0);
        // The finger comes down within 12 ms.
        let pressed = (n.saturating_sub(damp_from) as f64 / (0.012 * RATE_HZ)).min(1.0);
        let hold = 1.0 + pressed * (stop_per_round - 1.0);
        let mut wave = 0.0;
        for (string, share) in loops.iter_mut().zip(shares) {
            wave += string.step(input * share, hold);
        }
        waves.push(wave);
        let before = |back: usize| n.checked_sub(back).map_or(0.0, |at| waves[at]);
        let returned = before(echo_whole) * (1.0 - echo_part) + before(echo_whole + 1) * echo_part;
        output.push(0.5 * (wave - returned));
    }
    output
}

/// The velocity wave of a string let go from a triangle: over one period a pulse as long as the
/// way from pick to bridge and back, the rest making up for its mean. Rounded by the width and
/// softness of the pick, with a little of its scratch.
fn excitation(gauge: &Gauge, pluck: &Pluck, tuned: &Tuned, hz: f64, noise: &mut Noise) -> Vec<f64> {
    let period = tuned.period;
    let length_m = SCALE_M * gauge.pitch.hz() / hz;
    let pick_m = pluck.pick_m * (1.0 + 0.06 * noise.triangular());
    let share = (pick_m / length_m).clamp(0.02, 0.5);
    // A soft stroke leaves the string over a third of a millisecond, a hard one much faster.
    let rounding_s = 0.34e-3 - 0.24e-3 * pluck.force + 0.1e-3 * pluck.palm;
    let half = (rounding_s * RATE_HZ).max(1.0);
    let height = 0.85 * pluck.force.powf(1.4);

    let round_up = |x: f64| 0.5 - 0.5 * (PI * (0.5 + 0.5 * x / half).clamp(0.0, 1.0)).cos();
    let start = half + 1.0;
    let whole = period.ceil() as usize;
    let frames = whole + 2 * start as usize + 2;
    let edge = share * period;
    // The wire is let go at one moment: the pulse begins and ends with the same rounding.
    let mut shape: Vec<f64> = (0..frames)
        .map(|n| {
            let t = n as f64 - start;
            let pulse = round_up(t) - round_up(t - edge);
            let base = share * (round_up(t) - round_up(t - period));
            height * (pulse - base) / (1.0 - share)
        })
        .collect();
    let mut smoothed = 0.0;
    let scratch_s = if gauge.wound { 6e-3 } else { 3e-3 };
    for (n, value) in shape.iter_mut().enumerate() {
        smoothed += 0.35 * (noise.triangular() - smoothed);
        let age = n as f64 / RATE_HZ / scratch_s;
        *value += 0.05 * height * smoothed * (-age * age).exp();
    }
    shape
}
