//! What can go wrong while playing.

use std::path::PathBuf;

use thiserror::Error;

use crate::audio::AudioError;
use crate::render::RenderError;

/// Why it cannot be played through.
#[derive(Debug, Error)]
#[non_exhaustive]
pub enum LiveError {
    #[error("there is no {kind} device \"{name}\"; {known}")]
    NoDevice { kind: &'static str, name: String, known: String },
    #[error("there is no {kind} device at all; plug one in, or {instead}")]
    NoDevices { kind: &'static str, instead: &'static str },
    #[error("{device} has no channel {channel}; it has {channels}")]
    Channel { device: String, channel: usize, channels: usize },
    #[error("{device} does not run at {rate_hz} Hz; it offers {offers}")]
    Rate { device: String, rate_hz: u32, offers: String },
    #[error("{device} has no buffer of {frames} frames; it offers {offers}")]
    Buffer { device: String, frames: u32, offers: String },
    #[error("{device}: {what}")]
    Device { device: String, what: String },
    #[error("the sound stack: {what}")]
    Stack { what: String },
    #[error("the two clocks cannot be brought together: {reason}")]
    Clock { reason: String },
    #[error("{}: cannot be recorded: {what}", path.display())]
    Record { path: PathBuf, what: String },
    #[error(
        "{source}; the recording is incomplete, and the {seconds:.1} s of it could not be kept"
    )]
    Incomplete { seconds: f64, source: AudioError },
    #[error("{what}")]
    Calibration { what: String },
    #[error("{what}")]
    Latency { what: String },
    #[error("a thread could not be started: {source}")]
    Thread { source: std::io::Error },
    #[error("the terminal: {source}")]
    Terminal { source: std::io::Error },
    #[error(transparent)]
    Render(#[from] RenderError),
    #[error(transparent)]
    Audio(#[from] AudioError),
}

impl LiveError {
    /// Whether the user can mend it; if not, the fault is ours.
    pub fn is_users(&self) -> bool {
        match self {
            Self::Clock { .. } | Self::Thread { .. } => false,
            Self::Render(source) => source.is_users(),
            Self::Audio(source) | Self::Incomplete { source, .. } => source.is_users(),
            _ => true,
        }
    }
}
