//! The three takes. The music is made up for them.

use super::player::{Shape, Take};

const fn shape(frets: [i8; 6]) -> Shape {
    let mut shape = [None; 6];
    let mut string = 0;
    while string < 6 {
        if frets[string] >= 0 {
            shape[string] = Some(frets[string] as u8);
        }
        string += 1;
    }
    shape
}

// Open chords, from the lowest string; -1 is not played.
const E_MINOR: Shape = shape([0, 2, 2, 0, 0, 0]);
const A_MINOR: Shape = shape([-1, 0, 2, 2, 1, 0]);
const D_MAJOR: Shape = shape([-1, -1, 0, 2, 3, 2]);
const G_MAJOR: Shape = shape([3, 2, 0, 0, 0, 3]);
const C_MAJOR: Shape = shape([-1, 3, 2, 0, 1, 0]);
const E_MAJOR: Shape = shape([0, 2, 2, 1, 0, 0]);

/// Distances of the pickups from the bridge, in metres.
const NECK_M: f64 = 0.160;
const MIDDLE_M: f64 = 0.100;
const BRIDGE_M: f64 = 0.045;

/// All takes, in the order of their file names.
pub fn takes() -> Vec<Take> {
    vec![open_chords(), palm_muted(), single_notes()]
}

/// Strummed open chords, neck pickup, ending with a slow strum from the low E up.
fn open_chords() -> Take {
    let lasts_s = 13.0;
    let mut take = Take::new(
        "open-chords.wav",
        "open chords, strummed, and one slow strum over all six strings",
        lasts_s,
        NECK_M,
        11,
    )
    .levels(0.42, 0.007);
    let beat = 60.0 / 92.0;
    let mut bar_s = 0.35;
    let chords = [(A_MINOR, 0.80), (D_MAJOR, 0.74), (C_MAJOR, 0.78), (G_MAJOR, 0.86)];
    for (index, (chord, force)) in chords.into_iter().enumerate() {
        let next_s = bar_s + 3.0 * beat;
        // Down, and-up, down, up: three beats of a slow walk.
        let until_s = next_s - 0.035;
        take.strum(bar_s, until_s, &chord, force, 0.026, false);
        take.strum(bar_s + 1.5 * beat, until_s, &chord, 0.55 * force, 0.018, true);
        take.strum(bar_s + 2.0 * beat, until_s, &chord, 0.85 * force, 0.022, false);
        take.strum(bar_s + 2.5 * beat, until_s, &chord, 0.5 * force, 0.018, true);
        if index > 0 {
            take.change(bar_s, index % 2 == 1);
        }
        take.knock(bar_s + 0.01, 0.02);
        take.knock(bar_s + 2.0 * beat, 0.012);
        bar_s = next_s;
    }
    take.change(bar_s + 0.1, true);
    take.knock(bar_s + 0.08, 0.034);
    take.strum(bar_s + 0.15, lasts_s + 1.0, &E_MINOR, 0.78, 1.15, false);
    take
}

/// Palm-muted low E in eighths with open chords of fifths between, bridge pickup.
fn palm_muted() -> Take {
    let lasts_s = 10.0;
    let mut take = Take::new(
        "palm-muted.wav",
        "palm-muted low E in eighths, with open fifths and one full chord",
        lasts_s,
        BRIDGE_M,
        23,
    )
    .levels(0.95, 0.012);
    let eighth = 60.0 / 112.0 / 2.0;
    let start_s = 0.3;
    // Fifths on the lower strings: root, fifth, octave.
    let fifths: [Shape; 4] = [
        shape([0, 2, 2, -1, -1, -1]),
        shape([3, 5, 5, -1, -1, -1]),
        shape([-1, 0, 2, 2, -1, -1]),
        shape([-1, 3, 5, 5, -1, -1]),
    ];
    for bar in 0..4 {
        let bar_s = start_s + bar as f64 * 8.0 * eighth;
        for step in 0..8 {
            let at_s = bar_s + step as f64 * eighth;
            match step {
                // The accents ring, on the one and before the four.
                0 | 6 => {
                    let chord = if step == 0 { fifths[0] } else { fifths[bar] };
                    let until_s = at_s + 0.92 * eighth * if step == 6 { 2.0 } else { 1.0 };
                    take.strum(at_s, until_s, &chord, 0.7, 0.011, false);
                    take.knock(at_s + 0.005, 0.02);
                    if step == 6 && bar > 0 {
                        take.change(at_s, bar == 2);
                    }
                }
                7 => {}
                _ => {
                    let force = if step % 2 == 0 { 0.97 } else { 0.85 };
                    take.muted(at_s, at_s + 0.95 * eighth, 0, 0, force);
                }
            }
        }
        take.knock(bar_s + 4.0 * eighth, 0.016);
    }
    let end_s = start_s + 32.0 * eighth;
    take.change(end_s, false);
    take.knock(end_s + 0.01, 0.04);
    take.strum(end_s, lasts_s - 0.25, &E_MAJOR, 0.68, 0.03, false);
    take
}

/// A slow line of single notes over low open strings, middle pickup.
fn single_notes() -> Take {
    let lasts_s = 12.0;
    let mut take = Take::new(
        "single-notes.wav",
        "a slow line of single notes between open low strings",
        lasts_s,
        MIDDLE_M,
        37,
    )
    .levels(0.68, 0.008);
    let beat = 60.0 / 84.0;
    // Beat, string, fret, beats held, force. A minor, from the fifth position down.
    let line: [(f64, usize, u8, f64, f64); 19] = [
        (0.0, 1, 0, 4.0, 0.70),
        (0.5, 3, 5, 0.5, 0.55),
        (1.0, 4, 5, 1.0, 0.66),
        (2.0, 4, 8, 0.5, 0.74),
        (2.5, 4, 5, 0.5, 0.56),
        (3.0, 3, 7, 0.5, 0.60),
        (3.5, 3, 5, 0.75, 0.52),
        (4.25, 2, 7, 0.75, 0.62),
        (5.0, 0, 0, 3.0, 0.76),
        (5.5, 2, 5, 0.5, 0.52),
        (6.0, 2, 7, 0.75, 0.62),
        (6.75, 3, 4, 0.25, 0.50),
        (7.0, 3, 5, 1.0, 0.66),
        (8.0, 0, 3, 1.0, 0.70),
        (9.0, 5, 5, 0.75, 0.68),
        (9.75, 5, 3, 0.25, 0.50),
        (10.0, 5, 0, 1.5, 0.58),
        (11.0, 0, 0, 8.0, 0.82),
        (11.5, 4, 0, 8.0, 0.50),
    ];
    let mut last_fret = 0u8;
    for (beats, string, fret, held, force) in line {
        let at_s = 0.35 + beats * beat;
        take.note(at_s, at_s + held * beat - 0.02, string, fret, force);
        if fret > 0 && fret.abs_diff(last_fret) > 1 {
            take.change(at_s, string < 3);
        }
        if beats.fract() == 0.0 && (beats as u32).is_multiple_of(4) {
            take.knock(at_s + 0.02, 0.022);
        }
        last_fret = fret;
    }
    take.knock(0.35 + 11.0 * beat + 0.03, 0.035);
    take
}
