//! A change of response in words that an owner understands.

/// Changes smaller than this are not worth a word, in dB.
const NOTHING_DB: f64 = 0.5;
/// From here on "less" and "more", below it "a little" of it, in dB.
const PLAIN_DB: f64 = 2.0;
/// From here on "much", in dB.
const MUCH_DB: f64 = 6.0;
/// Bands that move together to this are one change of level, in dB.
const TOGETHER_DB: f64 = 0.5;

/// A band that a player has a word for. The limits are common practice, no source.
struct Band {
    name: &'static str,
    high_hz: f64,
}

const BANDS: [Band; 5] = [
    Band { name: "bass", high_hz: 200.0 },
    Band { name: "lower middle", high_hz: 500.0 },
    Band { name: "middle", high_hz: 1200.0 },
    Band { name: "upper middle", high_hz: 3000.0 },
    Band { name: "treble", high_hz: f64::INFINITY },
];

/// Says what a change of response does.
///
/// `frequencies_hz` rise; `change_db` is the level after minus the level before at each of them.
/// `speaker_hz` is the lowest and highest frequency that the loudspeaker reproduces. Each band's
/// figure is the mean over the logarithm of frequency; below the speaker's band that from an
/// octave below it, since less of what lies deeper is ever played.
#[must_use]
pub fn tone_words(frequencies_hz: &[f64], change_db: &[f64], speaker_hz: [f64; 2]) -> String {
    let [lowest_hz, highest_hz] = speaker_hz;
    let mean = |low_hz: f64, high_hz: f64| mean_db(frequencies_hz, change_db, low_hz, high_hz);
    let mut from_hz = lowest_hz;
    let mut bands: Vec<(&str, f64)> = Vec::new();
    for band in &BANDS {
        let to_hz = band.high_hz.min(highest_hz);
        if to_hz > from_hz
            && let Some(db) = mean(from_hz, to_hz)
        {
            bands.push((band.name, db));
            from_hz = to_hz;
        }
    }
    let below = mean(lowest_hz / 2.0, lowest_hz).filter(|db| db.abs() >= NOTHING_DB);
    let mut words = Vec::new();
    let (low, high) = bands
        .iter()
        .fold((f64::MAX, f64::MIN), |(low, high), &(_, db)| (low.min(db), high.max(db)));
    let together = !bands.is_empty() && high - low < TOGETHER_DB;
    let level = bands.iter().map(|band| band.1).sum::<f64>() / bands.len().max(1) as f64;
    if together && level.abs() >= NOTHING_DB {
        let way = if level > 0.0 { "louder" } else { "softer" };
        words.push(format!("{way} as a whole ({})", signed(level)));
        if let Some(below) = below.filter(|db| (db - level).abs() >= NOTHING_DB) {
            words.push(below_words(below));
        }
        return words.join("; ");
    }
    words.extend(below.map(below_words));
    if !together {
        words.extend(
            runs(&bands)
                .into_iter()
                .map(|(names, db)| format!("{} {} ({})", amount(db), names, signed(db))),
        );
    }
    match words.len() {
        0 => format!("changes the response by less than {NOTHING_DB} dB"),
        _ => words.join("; "),
    }
}

fn below_words(db: f64) -> String {
    format!("{} below what the speaker can reproduce ({})", amount(db), signed(db))
}

/// How much.
fn amount(db: f64) -> String {
    let size = match db.abs() {
        size if size < PLAIN_DB => "a little ",
        size if size < MUCH_DB => "",
        _ => "much ",
    };
    let way = if db > 0.0 { "more" } else { "less" };
    format!("{size}{way}")
}

/// Neighbouring bands that change alike, under one name, with their mean.
fn runs(bands: &[(&str, f64)]) -> Vec<(String, f64)> {
    let mut all: Vec<(Vec<&str>, Vec<f64>)> = Vec::new();
    let mut apart = true;
    for &(name, db) in bands {
        if db.abs() < NOTHING_DB {
            apart = true;
            continue;
        }
        match all.last_mut() {
            Some((names, levels)) if !apart && alike(levels, db) => {
                names.push(name);
                levels.push(db);
            }
            _ => all.push((vec![name], vec![db])),
        }
        apart = false;
    }
    all.into_iter()
        .map(|(names, levels)| {
            let mean = levels.iter().sum::<f64>() / levels.len() as f64;
            (listed(&names), mean)
        })
        .collect()
}

/// E.g. "bass, lower middle and middle".
fn listed(names: &[&str]) -> String {
    match names {
        [] => String::new(),
        [only] => (*only).to_owned(),
        [first @ .., last] => format!("{} and {last}", first.join(", ")),
    }
}

/// Whether one amount of words fits both.
fn alike(levels: &[f64], db: f64) -> bool {
    levels.iter().all(|&level| amount(level) == amount(db) && (level - db).abs() < 2.0)
}

fn signed(db: f64) -> String {
    let sign = if db < 0.0 { '\u{2212}' } else { '+' };
    format!("{sign}{:.1}\u{a0}dB", db.abs())
}

/// Mean over the logarithm of frequency by the trapezoidal rule on the points inside a band.
fn mean_db(frequencies_hz: &[f64], change_db: &[f64], low_hz: f64, high_hz: f64) -> Option<f64> {
    let (mut area, mut width) = (0.0, 0.0);
    let points = frequencies_hz.iter().zip(change_db);
    for ((&f0, &d0), (&f1, &d1)) in points.clone().zip(points.skip(1)) {
        let (from, to) = (f0.max(low_hz), f1.min(high_hz));
        if to > from {
            let at = |hz: f64| d0 + (d1 - d0) * (hz / f0).ln() / (f1 / f0).ln();
            let span = (to / from).ln();
            area += 0.5 * (at(from) + at(to)) * span;
            width += span;
        }
    }
    (width > 0.0).then(|| area / width)
}

#[cfg(test)]
mod tests {
    use super::*;

    const SPEAKER_HZ: [f64; 2] = [75.0, 5000.0];

    fn grid() -> Vec<f64> {
        (0..=200).map(|n| 20.0 * 1000_f64.powf(f64::from(n) / 200.0)).collect()
    }

    fn words(change: impl Fn(f64) -> f64) -> String {
        let hz = grid();
        let db: Vec<f64> = hz.iter().map(|&hz| change(hz)).collect();
        tone_words(&hz, &db, SPEAKER_HZ)
    }

    /// First-order high-pass at `corner_hz`.
    fn high_pass(hz: f64, corner_hz: f64) -> f64 {
        -10.0 * (1.0 + (corner_hz / hz).powi(2)).log10()
    }

    #[test]
    fn a_trim_takes_what_the_speaker_cannot_use() {
        let text = words(|hz| high_pass(hz, 60.0) - high_pass(hz, 7.0));
        assert!(text.starts_with("less below what the speaker can reproduce (\u{2212}"));
        assert!(text.contains("a little less bass"), "{text}");
        assert!(!text.contains("middle") && !text.contains("treble"), "{text}");
    }

    #[test]
    fn a_mean_is_taken_over_the_logarithm() {
        // A line over the logarithm has its mean half way.
        let hz = grid();
        let db: Vec<f64> = hz.iter().map(|hz| hz.ln()).collect();
        let mean = mean_db(&hz, &db, 100.0, 400.0).unwrap();
        assert!((mean - 200_f64.ln()).abs() < 1e-9);
        assert_eq!(mean_db(&hz, &db, 30_000.0, 40_000.0), None);
    }

    #[test]
    fn level_alone_is_level() {
        assert_eq!(words(|_| 4.0), "louder as a whole (+4.0\u{a0}dB)");
        assert_eq!(words(|_| -1.0), "softer as a whole (\u{2212}1.0\u{a0}dB)");
        assert_eq!(words(|_| 0.2), "changes the response by less than 0.5 dB");
    }

    #[test]
    fn bands_are_named() {
        let hump = |hz: f64| 7.0 * (-((hz / 750.0).ln() / 0.5).powi(2)).exp();
        let text = words(hump);
        assert!(text.contains("middle") && text.contains("more"), "{text}");
        assert!(!text.contains("treble") && !text.contains("bass"), "{text}");
        let text = words(|hz| -9.0 * ((hz / 2900.0).ln() / 0.1).clamp(0.0, 1.0));
        // From 3 to 5 kHz: 0.0661 of ln(5/3) at a mean of -6.03 dB, the rest at -9 dB.
        assert_eq!(text, "much less treble (\u{2212}8.6\u{a0}dB)");
        assert_eq!(listed(&["bass", "lower middle", "middle"]), "bass, lower middle and middle");
        assert_eq!(listed(&["bass"]), "bass");
    }
}
