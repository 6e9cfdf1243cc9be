//! What can go wrong with sound files.

use std::io;
use std::path::PathBuf;

use thiserror::Error;

/// What is wrong with a sound file, a clip, or a file to be written.
#[derive(Debug, Error)]
#[non_exhaustive]
pub enum AudioError {
    #[error("{}: cannot be read: {source}", path.display())]
    Read { path: PathBuf, source: io::Error },
    #[error("{}: cannot be written: {source}", path.display())]
    Write { path: PathBuf, source: io::Error },
    #[error("{}: exists already; nothing was written; give --force to replace it", path.display())]
    Exists { path: PathBuf },
    #[error(
        "{}: cannot be written, its folder {} does not exist; make the folder first",
        path.display(), folder.display()
    )]
    NoFolder { path: PathBuf, folder: PathBuf },
    #[error("{}: is a folder, not a file", path.display())]
    Folder { path: PathBuf },

    #[error("{}: is not a WAV file: {found}; export the clip as WAV (PCM or float)", path.display())]
    NotWav { path: PathBuf, found: String },
    #[error("{}: is a damaged WAV file: {what}; export the clip again", path.display())]
    Damaged { path: PathBuf, what: String },
    #[error(
        "{}: the header promises {promised_bytes} bytes of sound, the file holds {held_bytes}; it was cut short or never finished: export the clip again",
        path.display()
    )]
    CutShort { path: PathBuf, promised_bytes: u64, held_bytes: u64 },
    #[error("{}: holds no samples; export the clip again", path.display())]
    Empty { path: PathBuf },
    #[error(
        "{}: holds {found}, which is not read; export it as PCM of 8, 16, 24 or 32 bit, or as 32 or 64 bit float",
        path.display()
    )]
    Encoding { path: PathBuf, found: String },
    #[error(
        "{}: has a sample rate of {sample_rate_hz} Hz; {low_hz} to {high_hz} Hz can be read",
        path.display()
    )]
    SampleRate { path: PathBuf, sample_rate_hz: u32, low_hz: u32, high_hz: u32 },
    #[error(
        "{}: has {channels} channel(s), channel {asked} was asked for; choose from 1 to {channels}, or mix all",
        path.display()
    )]
    Channel { path: PathBuf, channels: u16, asked: u16 },
    #[error(
        "{}: frame {frame} (at {seconds:.3} s), channel {channel} is {value}, which is no sound: it must be a finite number within a million times full scale; export the clip again",
        path.display()
    )]
    NoSound { path: PathBuf, frame: u64, seconds: f64, channel: u16, value: f64 },
    #[error("{}: changed while it was read; try again when nothing writes to it", path.display())]
    Changed { path: PathBuf },

    #[error("{}: not written: sample {frame} would be {value}, not a finite number", path.display())]
    NotFiniteOut { path: PathBuf, frame: u64, value: f64 },
    #[error("{}: not written: sample {frame} has a magnitude of {magnitude:.6}, above full scale", path.display())]
    AboveFullScale { path: PathBuf, frame: u64, magnitude: f64 },
    #[error("{}: not written: {promised} frames were promised, {given} given", path.display())]
    FrameCount { path: PathBuf, promised: u64, given: u64 },

    #[error("cannot resample from {from_hz} Hz to {to_hz} Hz: {reason}")]
    Resample { from_hz: u32, to_hz: u32, reason: String },
    #[error("loudness cannot be measured: {reason}")]
    Loudness { reason: String },
}

impl AudioError {
    /// Whether the user can mend it (their file, path or choice); if not, the fault is ours.
    pub fn is_users(&self) -> bool {
        !matches!(
            self,
            AudioError::NotFiniteOut { .. }
                | AudioError::AboveFullScale { .. }
                | AudioError::FrameCount { .. }
                | AudioError::Resample { .. }
                | AudioError::Loudness { .. }
        )
    }
}
