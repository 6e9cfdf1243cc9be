//! The figures of a report.

use super::figure::{Axis, Band, Curve, Figure, Mark, Scale, Span};

/// The band that frequency axes show.
pub const AUDIO_BAND_HZ: (f64, f64) = (20.0, 20e3);
/// A response shows at most this much below its highest point.
const DEEPEST_RESPONSE_DB: f64 = 60.0;
/// A spectrum likewise.
const DEEPEST_SPECTRUM_DB: f64 = 90.0;
/// A difference shows at least this much above and below zero, so that nothing looks like much.
const LEAST_DIFFERENCE_DB: f64 = 3.0;

/// What a frequency axis marks besides its numbers.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Guides {
    /// Whether the guitar's open strings are marked.
    pub strings: bool,
    /// The band that the loudspeaker reproduces.
    pub range_of_use_hz: Option<(f64, f64)>,
}

/// The open strings of a guitar in standard tuning: E2 to E4 with A4 = 440 Hz (ISO 16) and equal
/// temperament.
pub fn open_strings() -> Vec<Mark> {
    [(40, "E2"), (45, "A2"), (50, "D3"), (55, "G3"), (59, "B3"), (64, "E4")]
        .map(|(key, name)| Mark {
            at: 440.0 * 2f64.powf((f64::from(key) - 69.0) / 12.0),
            label: name.to_owned(),
        })
        .to_vec()
}

/// Gains in dB against frequency, one curve for each version.
pub fn response(title: impl Into<String>, curves: Vec<Curve>, guides: &Guides) -> Figure {
    let range = deepest(&curves, DEEPEST_RESPONSE_DB);
    over_frequency(title.into(), "Gain (dB)", range, curves, guides)
}

/// Differences of gain in dB against frequency.
pub fn difference(title: impl Into<String>, curves: Vec<Curve>, guides: &Guides) -> Figure {
    let (low, high) = in_band(&curves)
        .fold((-LEAST_DIFFERENCE_DB, LEAST_DIFFERENCE_DB), |(l, h), v| (l.min(v), h.max(v)));
    let step = if high - low <= 12.0 { 1.0 } else { 5.0 };
    let range = (step * (low / step).floor(), step * (high / step).ceil());
    let label = "Change of gain (dB)";
    let mut figure = over_frequency(title.into(), label, Some(range), curves, guides);
    figure.y.zero_line = true;
    figure
}

/// Levels in dB against frequency of clips, one thin curve for each: smoothed levels (of thirds of an
/// octave, say), since bare lines of a transform hide each other.
pub fn spectra(title: impl Into<String>, curves: Vec<Curve>, guides: &Guides) -> Figure {
    let range = deepest(&curves, DEEPEST_SPECTRUM_DB);
    let curves = curves.into_iter().map(Curve::thin).collect();
    over_frequency(title.into(), "Level (dB)", range, curves, guides)
}

/// Lines over plain axes with a spread about them: dial scales, tolerance bands.
pub fn lines(
    title: impl Into<String>,
    x_label: impl Into<String>,
    y_label: impl Into<String>,
    curves: Vec<Curve>,
    bands: Vec<Band>,
) -> Figure {
    Figure {
        title: title.into(),
        x: Axis { label: x_label.into(), ..Axis::default() },
        y: Axis { label: y_label.into(), ..Axis::default() },
        curves,
        bands,
        ..Figure::default()
    }
}

fn over_frequency(
    title: String,
    y_label: &str,
    y_range: Option<(f64, f64)>,
    curves: Vec<Curve>,
    guides: &Guides,
) -> Figure {
    let spans = guides.range_of_use_hz.map(|(from, to)| Span {
        name: format!("loudspeaker’s range of use, {} to {}", in_words(from), in_words(to)),
        from,
        to,
    });
    Figure {
        title,
        x: Axis {
            label: "Frequency (Hz)".to_owned(),
            scale: Scale::Log,
            range: Some(AUDIO_BAND_HZ),
            ..Axis::default()
        },
        y: Axis { label: y_label.to_owned(), range: y_range, ..Axis::default() },
        curves,
        spans: spans.into_iter().collect(),
        marks: if guides.strings { open_strings() } else { Vec::new() },
        marks_name: "open strings".to_owned(),
        ..Figure::default()
    }
}

/// A frequency as it is said: 75 Hz, 5 kHz, 4.8 kHz.
fn in_words(hz: f64) -> String {
    if hz < 1000.0 {
        return format!("{hz:.0} Hz");
    }
    let khz = format!("{:.1}", hz / 1000.0);
    format!("{} kHz", khz.strip_suffix(".0").unwrap_or(&khz))
}

/// Finite values of the curves within the audio band.
fn in_band(curves: &[Curve]) -> impl Iterator<Item = f64> {
    let (from, to) = AUDIO_BAND_HZ;
    let points = curves.iter().flat_map(|c| &c.points);
    points.filter(move |p| (from..=to).contains(&p.0) && p.1.is_finite()).map(|p| p.1)
}

/// The range of the values, but no deeper than that below the highest; `None` if that cuts nothing.
fn deepest(curves: &[Curve], most_db: f64) -> Option<(f64, f64)> {
    let (low, high) =
        in_band(curves).fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
    let top = 10.0 * (high / 10.0).ceil();
    (high - low > most_db).then_some((top - most_db, top))
}
