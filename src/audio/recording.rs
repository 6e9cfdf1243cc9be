//! A recording on disk, read in blocks as often as needed, at a rate at which circuits are rendered.

use std::fs::File;
use std::io::BufReader;
use std::path::{Path, PathBuf};
use std::time::SystemTime;

use super::clip::{Clip, peak};
use super::error::AudioError;
use super::resample::{Resampler, resampled_frames, working_rate_hz};
use super::wav_read::{ChannelChoice, WavReader};

/// Frames that are read at once.
const BLOCK_FRAMES: usize = 1 << 14;

/// A WAV file that has been read through once and found sound. It is read again for each use, so
/// that a recording of any length takes little memory.
#[derive(Clone, Debug)]
pub struct Recording {
    path: PathBuf,
    choice: ChannelChoice,
    stamp: Stamp,
    sample_rate_hz: u32,
    frames: u64,
    peak: f64,
}

/// What tells that a file is still the one that was checked.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Stamp {
    bytes: u64,
    modified: Option<SystemTime>,
}

impl Recording {
    /// Opens a file and reads it through.
    ///
    /// # Errors
    /// See [`AudioError`]; a sample that is no sound is found here.
    pub fn open(path: &Path, choice: ChannelChoice) -> Result<Recording, AudioError> {
        let mut reader = WavReader::open(path, choice)?;
        let stamp = Stamp::of(path)?;
        let from_hz = reader.format().sample_rate_hz;
        let sample_rate_hz = working_rate_hz(from_hz);
        let frames = resampled_frames(reader.format().frames, from_hz, sample_rate_hz);
        let mut block = vec![0.0; BLOCK_FRAMES];
        let mut top = 0.0f64;
        loop {
            let read = reader.read_block(&mut block)?;
            if read == 0 {
                break;
            }
            top = top.max(peak(&block[..read]));
        }
        reader.check_unchanged()?;
        Ok(Recording { path: path.to_owned(), choice, stamp, sample_rate_hz, frames, peak: top })
    }

    /// The file.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// The rate at which its blocks come: the file's own, or the working rate it is resampled to.
    pub fn sample_rate_hz(&self) -> u32 {
        self.sample_rate_hz
    }

    /// Frames at that rate.
    pub fn frames(&self) -> u64 {
        self.frames
    }

    /// The largest magnitude of a sample of the file.
    pub fn peak(&self) -> f64 {
        self.peak
    }

    /// Starts to read from the beginning.
    ///
    /// # Errors
    /// If the file is gone, or no longer the one that was checked.
    pub fn blocks(&self) -> Result<RecordingBlocks, AudioError> {
        let reader = WavReader::open(&self.path, self.choice)?;
        self.check_unchanged()?;
        let from_hz = reader.format().sample_rate_hz;
        let resampler = if from_hz == self.sample_rate_hz {
            None
        } else {
            Some(Resampler::new(from_hz, self.sample_rate_hz)?)
        };
        Ok(RecordingBlocks {
            recording: self.clone(),
            reader,
            resampler,
            read: vec![0.0; BLOCK_FRAMES],
            ready: Vec::new(),
            at_end: false,
        })
    }

    /// The whole recording in memory.
    ///
    /// # Errors
    /// As [`Recording::blocks`] and [`RecordingBlocks::next_block`].
    pub fn read_all(&self) -> Result<Clip, AudioError> {
        let mut blocks = self.blocks()?;
        let mut samples = Vec::new();
        while let Some(block) = blocks.next_block()? {
            samples.extend_from_slice(block);
        }
        Ok(Clip { samples, sample_rate_hz: self.sample_rate_hz })
    }

    fn check_unchanged(&self) -> Result<(), AudioError> {
        if Stamp::of(&self.path)? == self.stamp {
            Ok(())
        } else {
            Err(AudioError::Changed { path: self.path.clone() })
        }
    }
}

impl Stamp {
    fn of(path: &Path) -> Result<Stamp, AudioError> {
        let data = std::fs::metadata(path)
            .map_err(|source| AudioError::Read { path: path.to_owned(), source })?;
        Ok(Stamp { bytes: data.len(), modified: data.modified().ok() })
    }
}

/// A recording under way.
pub struct RecordingBlocks {
    recording: Recording,
    reader: WavReader<BufReader<File>>,
    resampler: Option<Resampler>,
    read: Vec<f64>,
    ready: Vec<f64>,
    at_end: bool,
}

impl RecordingBlocks {
    /// The next samples, at the recording's working rate; `None` at the end.
    ///
    /// # Errors
    /// If the file cannot be read, or changed since it was opened.
    pub fn next_block(&mut self) -> Result<Option<&[f64]>, AudioError> {
        loop {
            if self.at_end {
                return Ok(None);
            }
            let frames = self.reader.read_block(&mut self.read)?;
            if frames == 0 {
                self.at_end = true;
                self.recording.check_unchanged()?;
            }
            if self.resampler.is_none() {
                return Ok((frames > 0).then(|| &self.read[..frames]));
            }
            self.ready.clear();
            if frames == 0 {
                if let Some(resampler) = self.resampler.take() {
                    resampler.finish(&mut self.ready)?;
                }
            } else if let Some(resampler) = &mut self.resampler {
                resampler.push(&self.read[..frames], &mut self.ready)?;
            }
            if !self.ready.is_empty() {
                return Ok(Some(&self.ready));
            }
        }
    }
}
