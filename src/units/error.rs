//! What can be wrong with a written quantity, position, taper or series.

use thiserror::Error;

/// Why a text is not the quantity, position, taper or series that was wanted.
/// Each message says what was read and what would be right.
#[derive(Clone, Debug, Error, PartialEq)]
pub enum UnitError {
    #[error("an empty text is no {wanted}; write it like {examples}")]
    Empty { wanted: &'static str, examples: &'static str },
    #[error("\"{text}\" is no {wanted}: {why}; write it like {examples}")]
    Unreadable { text: String, wanted: &'static str, why: String, examples: &'static str },
    #[error("\"{text}\" is {}, not {}; write it like {examples}", article(is), article(wanted))]
    WrongUnit { text: String, is: &'static str, wanted: &'static str, examples: &'static str },
    #[error("\"{text}\" has no unit; write the {wanted} like {examples}")]
    NoUnit { text: String, wanted: &'static str, examples: &'static str },
    #[error("\"{text}\" is negative, which {} cannot be", article(wanted))]
    Negative { text: String, wanted: &'static str },
    #[error(
        "\"{text}\" is no position of a knob: {why}; write 0 to 10, \"7:00\" to \"5:00\" (12:00 is half way), or \"50 %\""
    )]
    Position { text: String, why: &'static str },
    #[error(
        "\"{text}\" is no taper: {why}; write \"linear\", \"audio 15 %\", \"reverse audio 15 %\" (the share of the track at half travel), or measured points [[0, 0], [5, 15], [10, 100]] (position, percent)"
    )]
    Taper { text: String, why: String },
    #[error(
        "\"{text}\" is no series of IEC 60063 known here; the series are E3, E6, E12, E24, E48 and E96"
    )]
    Series { text: String },
}

/// The noun with its article.
pub(super) fn article(noun: &str) -> String {
    let an = noun.starts_with(['a', 'e', 'i', 'o', 'u']);
    format!("{} {noun}", if an { "an" } else { "a" })
}

/// The text as it is quoted in a message: short, on one line.
pub(super) fn quoted(text: &str) -> String {
    const LONGEST: usize = 40;
    let mut short: String =
        text.trim().chars().take(LONGEST).map(|c| if c.is_control() { '?' } else { c }).collect();
    if text.trim().chars().count() > LONGEST {
        short.push_str("...");
    }
    short
}
