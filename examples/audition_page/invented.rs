//! A job of four versions from invented data: plucked strings through simple filters and a soft
//! limit. It is no model of any circuit; it only has the shape of a real job.

use std::f64::consts::TAU;

use presolder::page::model::{
    BreakUp, BreakUpRow, Change, Clip, Control, Curve, DialRow, DialScale, Difference, OpenString,
    PageModel, RangeOfUse, Response, Take, Technician, Verdict, Version,
};

const RATE_HZ: u32 = 48_000;
/// Open strings after ISO 16, A4 = 440 Hz.
const STRINGS: [(&str, f64); 6] = [
    ("E2", 82.4069),
    ("A2", 110.0),
    ("D3", 146.8324),
    ("G3", 195.9977),
    ("B3", 246.9417),
    ("E4", 329.6276),
];

/// What an invented version does to the sound.
struct Sound {
    low_corner_hz: f64,
    middle_dip_db: f64,
    drive: f64,
}

const SOUNDS: [Sound; 4] = [
    Sound { low_corner_hz: 18.0, middle_dip_db: 9.0, drive: 2.0 },
    Sound { low_corner_hz: 40.0, middle_dip_db: 9.0, drive: 2.0 },
    Sound { low_corner_hz: 85.0, middle_dip_db: 9.0, drive: 1.9 },
    Sound { low_corner_hz: 85.0, middle_dip_db: 3.0, drive: 3.4 },
];

/// The whole job, its first clip so many seconds long.
pub fn job(seconds: f64) -> PageModel {
    PageModel {
        title: "Tamarack 22: less mud, earlier edge".to_owned(),
        amp: "Tamarack 22 W, two controls and a fixed middle".to_owned(),
        owner: "Quillback rehearsal rooms".to_owned(),
        story: "The amp came in from the Quillback rehearsal rooms with the complaint that it \
                turns to mud when the low strings are dug into, and that it breaks up too late to \
                be of use at home.\n\nBelow are the amp as it came in, the amp with its aged parts \
                put right, and two proposals."
            .to_owned(),
        technician: Technician {
            name: Some("Odile Brandtner, Larkspur bench".to_owned()),
            email: Some("bench@larkspur.example".to_owned()),
        },
        safety_words: "This amp has a standby switch: the first filter capacitor stays charged \
                       with it open. Do not try this at home."
            .to_owned(),
        job_digest: "0a27-c85a-f43d-8741".to_owned(),
        versions: versions(),
        clips: vec![
            clip("Open chords", "A slow strum over all six strings, then the low strings alone.", seconds, 1.6),
            clip("Palm-muted low E", "Short notes on the lowest string.", seconds / 2.0, 0.45),
        ],
        response: Some(response()),
        verdicts: vec![
            Verdict {
                text: "Energy below 30 Hz falls by 11.2 dB on \u{201c}Open chords\u{201d}; at least 6 dB were asked for."
                    .to_owned(),
                met: Some(true),
            },
            Verdict {
                text: "The open low E changes by \u{2212}3.1 dB; at most 3 dB were allowed.".to_owned(),
                met: Some(false),
            },
            Verdict { text: "Nothing above 500 Hz changes by more than 0.3 dB.".to_owned(), met: None },
        ],
        break_up: Some(break_up()),
        dials: vec![dials()],
    }
}

fn controls(positions: &[(&str, f64)]) -> Vec<Control> {
    positions
        .iter()
        .map(|&(label, position)| Control { label: label.to_owned(), position })
        .collect()
}

fn change(what: &str, effect: &str) -> Change {
    Change { what: what.to_owned(), effect: effect.to_owned() }
}

fn versions() -> Vec<Version> {
    let before = [("Volume", 5.5), ("Treble", 6.0), ("Bass", 5.0)];
    let trim = change("C7, 100 nF to 22 nF", "less energy below what the speaker can reproduce");
    vec![
        Version {
            name: "as received".to_owned(),
            note: "with the leaky coupling capacitors it came with".to_owned(),
            changes: vec![],
            controls: controls(&before),
        },
        Version {
            name: "stock".to_owned(),
            note: "aged parts renewed, values as built".to_owned(),
            changes: vec![change("C7, C8, leaky to new 100 nF", "tighter, bias steady again")],
            controls: controls(&before),
        },
        Version {
            name: "trim only".to_owned(),
            note: "the low end cut to what the speaker can use".to_owned(),
            changes: vec![trim.clone()],
            controls: controls(&[("Volume", 5.5), ("Treble", 6.0), ("Bass", 4.0)]),
        },
        Version {
            name: "proposed".to_owned(),
            note: "trim, and a middle control in place of the fixed resistor".to_owned(),
            changes: vec![
                trim,
                change(
                    "R9, fixed 6k8 to a 25k pot (Middle)",
                    "the middle can be raised, and the amp breaks up earlier",
                ),
            ],
            controls: controls(&[("Volume", 5.0), ("Treble", 6.0), ("Bass", 4.0), ("Middle", 7.0)]),
        },
    ]
}

/// One clip through every invented version. `spacing_seconds` parts the strums.
pub fn clip(name: &str, note: &str, seconds: f64, spacing_seconds: f64) -> Clip {
    let dry = strums(seconds, spacing_seconds);
    let wet: Vec<Vec<f32>> = SOUNDS.iter().map(|sound| through(&dry, sound)).collect();
    let strength: Vec<f64> = wet.iter().map(|samples| rms(samples)).collect();
    let takes = wet.iter().zip(&strength).map(|(samples, own)| Take {
        samples: samples.clone(),
        matched_gain_db: 20.0 * (strength[0] / own).log10(),
        as_loud_gain_db: 0.0,
    });
    let differences = [1, 2, 3].map(|after| {
        let (before, later) = (&wet[0], &wet[after]);
        let along: f64 = before.iter().zip(later).map(|(a, b)| f64::from(a * b)).sum();
        let gain = along / before.iter().map(|a| f64::from(a * a)).sum::<f64>();
        Difference {
            before: 0,
            after,
            samples: before.iter().zip(later).map(|(a, b)| b - gain as f32 * a).collect(),
            before_gain_db: 20.0 * gain.abs().log10(),
            before_inverted: false,
        }
    });
    Clip {
        name: name.to_owned(),
        note: note.to_owned(),
        sample_rate_hz: RATE_HZ,
        takes: takes.collect(),
        differences: differences.into(),
    }
}

fn rms(samples: &[f32]) -> f64 {
    (samples.iter().map(|s| f64::from(*s).powi(2)).sum::<f64>() / samples.len() as f64).sqrt()
}

/// Noise between -1 and 1, the same for every run.
fn noise(state: &mut u64) -> f64 {
    *state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
    (*state >> 11) as f64 / (1_u64 << 52) as f64 - 1.0
}

/// Plucked strings (Karplus and Strong, Computer Music Journal 7(2), 1983) with hum and hiss.
fn strums(seconds: f64, spacing_seconds: f64) -> Vec<f64> {
    let length = (seconds * f64::from(RATE_HZ)) as usize;
    let mut state = 11;
    let mut out: Vec<f64> = (0..length)
        .map(|n| {
            let t = n as f64 / f64::from(RATE_HZ);
            2e-4 * noise(&mut state) + 5e-3 * (TAU * 17.0 * t).sin()
        })
        .collect();
    let mut strum = 0;
    while (strum as f64) * spacing_seconds < seconds {
        for (string, (_, hz)) in STRINGS.iter().enumerate().take(6 - 2 * (strum % 3)) {
            let start = strum as f64 * spacing_seconds + 0.02 * string as f64;
            let mut line: Vec<f64> =
                (0..(f64::from(RATE_HZ) / hz) as usize).map(|_| noise(&mut state)).collect();
            let from = ((start * f64::from(RATE_HZ)) as usize).min(length);
            for n in 0..(length - from) {
                let here = n % line.len();
                let next = (n + 1) % line.len();
                out[from + n] += 0.12 * line[here];
                line[here] = 0.498 * (line[here] + line[next]);
            }
        }
        strum += 1;
    }
    out
}

/// One-pole high-pass, a dip round 500 Hz, a soft limit, and a one-pole low-pass.
fn through(dry: &[f64], sound: &Sound) -> Vec<f32> {
    let rate = f64::from(RATE_HZ);
    let (high, low) = (TAU * sound.low_corner_hz / rate, 1.0 - (-TAU * 4_500.0 / rate).exp());
    let (f, q) = (2.0 * (TAU / 2.0 * 500.0 / rate).sin(), 1.2);
    let dip = 1.0 - 10_f64.powf(-sound.middle_dip_db / 20.0);
    let (mut slow, mut band, mut deep, mut smooth) = (0.0, 0.0, 0.0, 0.0);
    dry.iter()
        .map(|&x| {
            slow += high * (x - slow);
            let trimmed = x - slow;
            let top = trimmed - deep - q * band;
            band += f * top;
            deep += f * band;
            let shaped = trimmed - dip * q * band;
            smooth += low * ((sound.drive * shaped).tanh() - smooth);
            (0.7 * smooth) as f32
        })
        .collect()
}

fn response() -> Response {
    let frequencies_hz: Vec<f64> =
        (0..=180).map(|step| 20.0 * 1000_f64.powf(f64::from(step) / 180.0)).collect();
    let level = |sound: &Sound, hz: f64| {
        let high = hz / sound.low_corner_hz;
        let dip = sound.middle_dip_db * (-((hz / 500.0).ln() / 1.1).powi(2)).exp();
        10.0 * (high * high / (1.0 + high * high)).log10()
            - dip
            - 10.0 * (1.0 + (hz / 4_500.0).powi(4)).log10()
            - 20.0 * (1.0 + (70.0 / hz).powi(4)).log10() / 2.0
    };
    let curve = |version: usize| Curve {
        version,
        level_db: frequencies_hz.iter().map(|&hz| level(&SOUNDS[version], hz)).collect(),
    };
    let curves: Vec<Curve> = (0..4).map(curve).collect();
    let against_first = |curve: &Curve| Curve {
        version: curve.version,
        level_db: curve.level_db.iter().zip(&curves[0].level_db).map(|(a, b)| a - b).collect(),
    };
    Response {
        differences: curves[1..].iter().map(against_first).collect(),
        frequencies_hz,
        curves,
        reference:
            "sound pressure for a small signal at the input; 0 dB is the level in the band's middle"
                .to_owned(),
        strings: STRINGS
            .iter()
            .map(|&(name, frequency_hz)| OpenString { name: name.to_owned(), frequency_hz })
            .collect(),
        speaker: Some(RangeOfUse {
            low_hz: 75.0,
            high_hz: 5_000.0,
            note: "at \u{2212}10 dB".to_owned(),
        }),
    }
}

fn break_up() -> BreakUp {
    let row = |version, volts: [Option<f64>; 3], stage: &str| BreakUpRow {
        version,
        input_peak_volts: volts.to_vec(),
        first_stage: stage.to_owned(),
    };
    BreakUp {
        distortion_percent: vec![1.0, 3.0, 10.0],
        tone_hz: 220.0,
        rows: vec![
            row(0, [Some(0.061), Some(0.104), Some(0.22)], "V3, output pair"),
            row(1, [Some(0.063), Some(0.107), Some(0.226)], "V3, output pair"),
            row(2, [Some(0.064), Some(0.109), None], "V3, output pair"),
            row(3, [Some(0.037), Some(0.061), Some(0.131)], "V1B, recovery stage"),
        ],
        summary: "\u{201c}proposed\u{201d} reaches 3 % with 4.6 dB less at the input than \u{201c}as received\u{201d}.".to_owned(),
    }
}

fn dials() -> DialScale {
    let row = |step: u8| {
        let here = f64::from(step);
        let there = here * 2.5;
        DialRow {
            here,
            there: (there <= 10.0).then_some(there),
            residual_db: 0.2 + 0.3 * here,
            level_offset_db: 0.1 * here,
        }
    };
    DialScale {
        here: "Middle of \u{201c}proposed\u{201d}, a 25k pot".to_owned(),
        there: "Middle of a three-control amp, a 10k pot".to_owned(),
        rows: (0..=10).map(row).collect(),
        as_built: Some(2.72),
        same_db: 0.5,
        notes: vec![
            "As built, with the fixed 6k8, the knob would stand at 9:45.".to_owned(),
            "Beyond 11:00 nothing there equals this.".to_owned(),
        ],
    }
}
