//! The audition page: one HTML file that the amp's owner opens offline, hears the versions, sees
//! what changes, and answers.
//!
//! Everything is in the one file and nothing is requested from anywhere, which the page's own
//! Content-Security-Policy enforces. Clips are embedded as 16-bit FLAC (WAV where that is smaller)
//! in base64; the browser unpacks them, and where it has no FLAC decoder the page's own script
//! unpacks the FLAC and hands the browser a WAV.
//!
//! [`write_page`] depends on nothing but the plain data of [`model::PageModel`].

mod check;
mod data;
mod dials;
mod escape;
mod knob;
mod level;
pub mod model;
mod plot;
mod policy;
mod response;
mod sheet;
mod sound;
mod template;
mod waveform;

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use thiserror::Error;

use escape::Text;
use model::PageModel;

use crate::parallel;

/// Why no page could be made.
#[derive(Debug, Error)]
pub enum PageError {
    #[error("the page of job \"{title}\": {what}")]
    Model { title: String, what: String },
    #[error("the page's own skeleton has an unknown place {place}; this is a fault of the program")]
    Skeleton { place: String },
    #[error("the page's data could not be written as JSON; this is a fault of the program")]
    Data(#[from] serde_json::Error),
}

/// A finished page.
#[derive(Debug)]
pub struct Page {
    /// The whole file.
    pub html: String,
    /// Bytes that the clips take up in it, already in base64.
    pub sound_bytes: usize,
    /// Number of clips' takes and differences in it.
    pub sounds: usize,
}

const SKELETON: &str = include_str!("assets/page.html");
const STYLE: [&str; 3] = [
    include_str!("assets/sheet.css"),
    include_str!("assets/player.css"),
    include_str!("assets/print.css"),
];
/// In the order in which they need each other; together they are one function's body.
const SCRIPT: [&str; 12] = [
    include_str!("assets/binomial.js"),
    include_str!("assets/flac.js"),
    include_str!("assets/sounds.js"),
    include_str!("assets/deck.js"),
    include_str!("assets/transport.js"),
    include_str!("assets/strip.js"),
    include_str!("assets/listen.js"),
    include_str!("assets/trial.js"),
    include_str!("assets/plots.js"),
    include_str!("assets/answer.js"),
    include_str!("assets/keys.js"),
    include_str!("assets/start.js"),
];

/// Makes the page.
///
/// The same model gives the same bytes, whatever the number of threads.
///
/// # Errors
/// [`PageError::Model`] where the model contradicts itself: no version, a clip without a take for
/// each version, takes of unequal length, samples or levels that are not finite, a sample rate that
/// browsers don't play.
pub fn write_page(model: &PageModel) -> Result<Page, PageError> {
    check::check(model)?;
    let takes: Vec<(&[f32], u32)> = model
        .clips
        .iter()
        .flat_map(|clip| {
            let takes = clip.takes.iter().map(|take| &take.samples);
            let differences = clip.differences.iter().map(|difference| &difference.samples);
            takes.chain(differences).map(|samples| (samples.as_slice(), clip.sample_rate_hz))
        })
        .collect();
    let sounds: Vec<data::Sound> = parallel::map(&takes, |&(samples, sample_rate_hz)| {
        let quantised = sound::quantise(samples);
        let file = sound::pack(&quantised.steps, sample_rate_hz);
        data::Sound { gain: quantised.gain, text: STANDARD.encode(&file.bytes), kind: file.kind }
    });
    let sound_bytes = sounds.iter().map(|sound| sound.text.len()).sum();

    let script = format!("\"use strict\";(() => {{\n{}}})();\n", SCRIPT.concat());
    let style = STYLE.concat();
    let places = [
        ("policy", policy::content_security_policy(&script, &style)),
        ("title", Text(&model.title).to_string()),
        ("head", sheet::head(model, sound_bytes)),
        ("story", escape::paragraphs(&model.story)),
        ("listen", sheet::listen(model)?),
        ("trial", sheet::trial(model)?),
        ("work", sheet::work(model)),
        ("caution", sheet::caution(&model.safety_words)),
        ("curves", response::section(model)),
        ("answer", sheet::answer(model)?),
        ("data", escape::json_for_script(&data::PageData::new(model, &sounds))?),
        ("sounds", data::sound_elements(&sounds)),
        ("style", style),
        ("script", script),
    ];
    let places: Vec<(&str, &str)> =
        places.iter().map(|(name, value)| (*name, value.as_str())).collect();
    let html = template::fill(SKELETON, &places)?;
    Ok(Page { html, sound_bytes, sounds: sounds.len() })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn script_and_style_cannot_end_their_own_elements() {
        for text in SCRIPT.iter().chain(&STYLE) {
            let lower = text.to_ascii_lowercase();
            assert!(!lower.contains("</script") && !lower.contains("</style"));
            assert!(!lower.contains("<!--"));
        }
    }

    #[test]
    fn skeleton_has_no_inline_style_or_handler() {
        for word in [" style=", " onclick=", " onload=", "http://", "https://", " src="] {
            assert!(!SKELETON.contains(word), "{word}");
        }
    }
}
