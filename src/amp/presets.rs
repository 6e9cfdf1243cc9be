//! The amps that come with the program.

/// Name and text of each, in the order in which they are listed.
const PRESETS: &[(&str, &str)] = &[
    ("larkspur-22", include_str!("../../presets/amps/larkspur-22.toml")),
    ("tamarack-85", include_str!("../../presets/amps/tamarack-85.toml")),
    ("sorrel-14", include_str!("../../presets/amps/sorrel-14.toml")),
    ("hawthorn-50", include_str!("../../presets/amps/hawthorn-50.toml")),
];

/// Names of the amps that come with the program.
pub fn amp_names() -> impl Iterator<Item = &'static str> {
    PRESETS.iter().map(|(name, _)| *name)
}

/// The amp file of that name as text, a good start for one's own.
pub fn amp_text(name: &str) -> Option<&'static str> {
    PRESETS.iter().find(|(known, _)| *known == name).map(|(_, text)| *text)
}
