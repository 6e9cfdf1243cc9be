//! The spread in one plain sentence.

use super::run::ChangeSpread;

/// In this share of amps the change has to stand out for the sentence to say that it does.
const CLEARLY: f64 = 0.9;
/// Below this nobody hears what the largest change is.
const HEARD_HZ: f64 = 20.0;

/// Whether the change stands out from the parts' own spread, and where.
pub fn sentence(frequencies_hz: &[f64], change: &ChangeSpread) -> String {
    let clear: Vec<bool> = change.exceeds.iter().map(|e| *e >= CLEARLY).collect();
    let ranges = runs(&clear);
    let Some(largest) = ranges.iter().flat_map(Clone::clone).max_by(|a, b| {
        let size = |k: usize| {
            let heard = frequencies_hz[k] >= HEARD_HZ;
            (heard, if heard { change.nominal_db[k].abs() } else { frequencies_hz[k] })
        };
        let (a, b) = (size(*a), size(*b));
        a.0.cmp(&b.0).then(a.1.total_cmp(&b.1))
    }) else {
        return "The change is smaller than the parts' own spread at every frequency: another amp of \
                the same make differs from this one by as much."
            .to_owned();
    };
    let listed: Vec<String> = ranges
        .iter()
        .map(|r| match (r.start, r.end - 1) {
            (0, last) if last + 1 == clear.len() => "at every frequency".to_owned(),
            (0, last) => format!("below {}", hertz(frequencies_hz[last])),
            (first, last) if last + 1 == clear.len() => {
                format!("above {}", hertz(frequencies_hz[first]))
            }
            (first, last) if first == last => format!("at {}", hertz(frequencies_hz[first])),
            (first, last) => {
                format!("from {} to {}", hertz(frequencies_hz[first]), hertz(frequencies_hz[last]))
            }
        })
        .collect();
    let rest = if ranges.len() == 1 && ranges[0].len() == clear.len() {
        String::new()
    } else {
        "; elsewhere the parts' own spread hides it".to_owned()
    };
    format!(
        "In at least 9 of 10 amps the change is larger than the parts' own spread {}: at {} it is {:+.1} dB \
         where the parts spread by \u{b1}{:.1} dB{rest}.",
        listed.join(", "),
        hertz(frequencies_hz[largest]),
        change.nominal_db[largest],
        change.own_spread_db[largest],
    )
}

/// Stretches of `true`.
fn runs(clear: &[bool]) -> Vec<std::ops::Range<usize>> {
    let mut ranges: Vec<std::ops::Range<usize>> = Vec::new();
    for (k, _) in clear.iter().enumerate().filter(|(_, c)| **c) {
        match ranges.last_mut() {
            Some(last) if last.end == k => last.end = k + 1,
            _ => ranges.push(k..k + 1),
        }
    }
    ranges
}

fn hertz(hz: f64) -> String {
    match hz {
        hz if hz < 99.5 => format!("{hz:.1} Hz"),
        hz if hz < 999.5 => format!("{hz:.0} Hz"),
        hz => format!("{:.2} kHz", hz / 1000.0),
    }
}
