//! Clips through the versions of a job: which path a version takes, how a clip runs through it, and
//! the sets of clips that come of it.

mod clips;
mod plan;
mod rest;
mod run;
mod source;
mod tape;

pub use clips::{ClipSet, RenderedClip, render_clips};
pub use plan::{RenderError, RenderPath, VersionPlan};
pub use rest::Rest;
pub use run::VersionRun;
pub use source::{ClipSource, run_clip};
pub use tape::{Tape, TapeWriter};
