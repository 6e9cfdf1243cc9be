//! Clips through the versions of a job: which path a version takes, and the sets of clips that
//! come of it.

mod clips;
mod plan;

pub use clips::{ClipSet, RenderedClip, load_clip, render_clip};
pub use plan::{RenderError, RenderPath, VersionPlan};
