//! The speakers that come with the program.

use super::{Speaker, SpeakerError};

/// Name and text of each, in the order of the names.
const PRESETS: [(&str, &str); 4] = [
    ("closed-two-twelve", include_str!("../../presets/speakers/closed-two-twelve.toml")),
    ("open-one-ten", include_str!("../../presets/speakers/open-one-ten.toml")),
    ("open-one-twelve", include_str!("../../presets/speakers/open-one-twelve.toml")),
    ("open-two-twelve", include_str!("../../presets/speakers/open-two-twelve.toml")),
];

/// Names of the speakers that come with the program.
pub fn preset_names() -> impl Iterator<Item = &'static str> {
    PRESETS.iter().map(|(name, _)| *name)
}

/// The speaker of that name, or `None` if there is none.
///
/// # Errors
/// [`SpeakerError`] if the file itself is wrong, which the tests rule out.
pub fn preset(name: &str) -> Option<Result<Speaker, SpeakerError>> {
    let (name, text) = PRESETS.iter().find(|(known, _)| *known == name)?;
    Some(Speaker::from_toml(&format!("presets/speakers/{name}.toml"), text))
}
