//! Amp files and job files: TOML, checked, and turned into one circuit per version.
//!
//! Three steps, one way: [`AmpFile`] is an amp as its file gives it; [`AmpState`] is an amp
//! in one state, with the changes and control positions of a version; [`BuiltCircuit`] is the
//! circuit of a state. A [`Job`] names an amp, clips and versions. Every key of the files is
//! described in `docs/files.md`.

mod build;
mod check;
mod difference;
mod error;
mod file;
mod job;
mod lines;
mod part;
mod presets;
mod sections;
mod source;
mod spec;
mod state;
mod version;

pub use crate::names::nearest;
pub use build::{BuiltCircuit, BuiltSpeaker, INPUT_PART};
pub use difference::{Difference, What};
pub use error::AmpError;
pub use file::AmpFile;
pub use job::{Clip, Compare, Job, Trim, file_stem};
pub use part::{Construction, Part, PartKind, Rating};
pub use presets::{amp_names, amp_text};
pub use sections::{
    DialsSection, Drawer, GoalSection, LawSection, RangeSection, SideSection, SpreadSection,
    ValuesSection,
};
pub use spec::{
    Change, ControlSpec, KindName, OneOrMore, PartSpec, Scalar, VersionSpec, WindingSpec,
};
pub use state::{AmpState, Control};
