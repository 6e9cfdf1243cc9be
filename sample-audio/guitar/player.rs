//! A player: turns what is to be played into strokes with human timing and force.

use presolder::audio::{Clip, Noise};

use super::noises;
use super::pickup::Load;
use super::string::{GUITAR, Pluck, pluck};
use super::{FULL_SCALE_VOLTS, SAMPLE_RATE_HZ};

/// Frets of a chord from the lowest string to the highest; `None` where a string is not played.
pub type Shape = [Option<u8>; 6];

/// One take: what is played, and the noise around it.
pub struct Take {
    pub file_name: &'static str,
    pub about: &'static str,
    lasts_s: f64,
    /// Distance of the pickup from the bridge in metres: 0.16 at the neck, 0.045 at the bridge.
    pickup_m: f64,
    /// Volts of a firm stroke before the coil.
    stroke_volts: f64,
    rumble_volts: f64,
    strokes: Vec<Stroke>,
    noises: Vec<Handling>,
    human: Noise,
}

struct Stroke {
    at_s: f64,
    string: usize,
    fret: u8,
    force: f64,
    pick_m: f64,
    palm: f64,
    /// When the finger lifts, if it does before the string is played again.
    until_s: f64,
}

enum Handling {
    Thump { at_s: f64, volts: f64 },
    Squeak { at_s: f64, lasts_s: f64, volts: f64 },
    Touch { at_s: f64, volts: f64 },
}

impl Take {
    pub fn new(
        file_name: &'static str,
        about: &'static str,
        lasts_s: f64,
        pickup_m: f64,
        seed: u64,
    ) -> Take {
        Take {
            file_name,
            about,
            lasts_s,
            pickup_m,
            stroke_volts: 0.42,
            rumble_volts: 0.007,
            strokes: Vec::new(),
            noises: Vec::new(),
            human: Noise::new(seed),
        }
    }

    /// One note. Times wander by some milliseconds and forces by some percent, as hands do.
    pub fn note(&mut self, at_s: f64, until_s: f64, string: usize, fret: u8, force: f64) {
        self.stroke(at_s, until_s, string, fret, force, 0.0);
    }

    /// One note with the palm on the bridge.
    pub fn muted(&mut self, at_s: f64, until_s: f64, string: usize, fret: u8, force: f64) {
        let palm = 0.8 + 0.1 * self.human.triangular();
        self.stroke(at_s, until_s, string, fret, force, palm);
    }

    fn stroke(&mut self, at_s: f64, until_s: f64, string: usize, fret: u8, force: f64, palm: f64) {
        let at_s = (at_s + 0.005 * self.human.triangular()).max(0.0);
        let force = (force * (1.0 + 0.09 * self.human.triangular())).clamp(0.05, 1.0);
        let pick_m = 0.105 + 0.02 * self.human.triangular();
        self.strokes.push(Stroke { at_s, string, fret, force, pick_m, palm, until_s });
    }

    /// A strum over a chord. `spread_s` is the time from the first string to the last; downward
    /// strums begin at the lowest string, upward ones at the highest, lighter and not all through.
    pub fn strum(
        &mut self,
        at_s: f64,
        until_s: f64,
        shape: &Shape,
        force: f64,
        spread_s: f64,
        up: bool,
    ) {
        let mut strings: Vec<usize> = (0..6).filter(|&s| shape[s].is_some()).collect();
        if up {
            strings.reverse();
            strings.truncate(4);
        }
        let steps = strings.len().saturating_sub(1).max(1) as f64;
        for (step, string) in strings.into_iter().enumerate() {
            let Some(fret) = shape[string] else { continue };
            let along = step as f64 / steps;
            // The hand gathers speed, and leans on the first strings.
            let at_s = at_s + spread_s * along.powf(0.85);
            let force = force * (1.0 - 0.22 * along);
            self.note(at_s, until_s, string, fret, force);
        }
    }

    /// The left hand leaves one chord for the next: fingers lift, slide, and land.
    pub fn change(&mut self, at_s: f64, slides: bool) {
        let touch_volts = 0.012 * (1.0 + 0.4 * self.human.triangular());
        self.noises.push(Handling::Touch { at_s: at_s - 0.06, volts: touch_volts });
        self.noises.push(Handling::Touch { at_s: at_s - 0.015, volts: 0.8 * touch_volts });
        if slides {
            let lasts_s = 0.11 + 0.03 * self.human.triangular();
            let volts = 0.011 * (1.0 + 0.4 * self.human.triangular());
            self.noises.push(Handling::Squeak { at_s: at_s - 0.05 - lasts_s, lasts_s, volts });
        }
    }

    /// A hand or foot knocks.
    pub fn knock(&mut self, at_s: f64, volts: f64) {
        let volts = volts * (1.0 + 0.3 * self.human.triangular());
        self.noises.push(Handling::Thump { at_s, volts });
    }

    /// How hard the player hits and knocks about, before all else.
    pub fn levels(mut self, stroke_volts: f64, rumble_volts: f64) -> Take {
        self.stroke_volts = stroke_volts;
        self.rumble_volts = rumble_volts;
        self
    }

    /// Plays the take.
    pub fn render(&self) -> Clip {
        let rate_hz = f64::from(SAMPLE_RATE_HZ);
        let frames = (self.lasts_s * rate_hz) as usize;
        let mut volts = vec![0.0; frames];
        for (index, stroke) in self.strokes.iter().enumerate() {
            let from = (stroke.at_s * rate_hz) as usize;
            if from >= frames {
                continue;
            }
            // The pick touches a string just before it plucks it anew.
            let next = self
                .strokes
                .iter()
                .filter(|s| s.string == stroke.string && s.at_s > stroke.at_s)
                .map(|s| s.at_s - 0.014)
                .fold(stroke.until_s, f64::min);
            let played = Pluck {
                fret: stroke.fret,
                force: stroke.force,
                pick_m: stroke.pick_m,
                pickup_m: self.pickup_m,
                palm: stroke.palm,
                damped_at_s: (next - stroke.at_s).max(0.02),
                seed: 1_000 + index as u64,
            };
            // Half a second after the finger comes down nothing is left.
            let sounding = ((played.damped_at_s + 0.5) * rate_hz) as usize;
            let note = pluck(&GUITAR[stroke.string], &played, sounding.min(frames - from));
            for (sum, value) in volts[from..].iter_mut().zip(&note) {
                *sum += self.stroke_volts * value;
            }
        }
        for (index, noise) in self.noises.iter().enumerate() {
            let seed = 50_000 + index as u64;
            match *noise {
                Handling::Thump { at_s, volts: v } => noises::thump(&mut volts, at_s, v, seed),
                Handling::Squeak { at_s, lasts_s, volts: v } => {
                    noises::squeak(&mut volts, at_s, lasts_s, v, seed);
                }
                Handling::Touch { at_s, volts: v } => noises::touch(&mut volts, at_s, v, seed),
            }
        }
        noises::floor(&mut volts, self.rumble_volts, 3e-5, 90_000);
        Load::default().run(&mut volts);
        fade(&mut volts, rate_hz);
        let samples = volts.iter().map(|v| v / FULL_SCALE_VOLTS).collect();
        Clip { samples, sample_rate_hz: SAMPLE_RATE_HZ }
    }
}

/// A recording is cut softly at both ends: 10 ms in, 150 ms out.
fn fade(volts: &mut [f64], rate_hz: f64) {
    let (fade_in, fade_out) = ((0.01 * rate_hz) as usize, (0.15 * rate_hz) as usize);
    for n in 0..fade_in.min(volts.len()) {
        volts[n] *= n as f64 / fade_in as f64;
    }
    let frames = volts.len();
    for n in 0..fade_out.min(frames) {
        let level = n as f64 / fade_out as f64;
        volts[frames - 1 - n] *= level * level * (3.0 - 2.0 * level);
    }
}
