//! The amps that come with the program.

/// Name and text of each, in the order in which they are listed.
const PRESETS: &[(&str, &str)] = &[];

/// Names of the amps that come with the program.
pub fn amp_names() -> impl Iterator<Item = &'static str> {
    PRESETS.iter().map(|(name, _)| *name)
}

/// The amp file of that name as text, a good start for one's own.
pub fn amp_text(name: &str) -> Option<&'static str> {
    PRESETS.iter().find(|(known, _)| *known == name).map(|(_, text)| *text)
}
