//! A rendered signal that may be longer than the memory.

use std::fs::File;
use std::io::{BufWriter, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

use crate::audio::AudioError;

/// Samples that stay in memory; more go to a file without a name, which vanishes with the process.
const MOST_IN_MEMORY: usize = 1 << 21;
/// Samples that are handed on at once.
pub const BLOCK_FRAMES: usize = 1 << 13;
const SAMPLE_BYTES: usize = size_of::<f64>();

/// A signal of any length, written once and read as often as needed.
#[derive(Debug)]
pub struct Tape {
    held: Held,
    frames: u64,
    sample_rate_hz: u32,
    folder: PathBuf,
}

#[derive(Debug)]
enum Held {
    Memory(Vec<f64>),
    File(Mutex<File>),
}

/// Writes a [`Tape`].
#[derive(Debug)]
pub struct TapeWriter {
    samples: Vec<f64>,
    file: Option<BufWriter<File>>,
    frames: u64,
    sample_rate_hz: u32,
    folder: PathBuf,
}

impl TapeWriter {
    /// A tape that overflows into `folder`.
    pub fn new(sample_rate_hz: u32, folder: &Path) -> TapeWriter {
        let folder = folder.to_owned();
        TapeWriter { samples: Vec::new(), file: None, frames: 0, sample_rate_hz, folder }
    }

    /// The next samples.
    ///
    /// # Errors
    /// If they do not fit into memory and the disk is full.
    pub fn write(&mut self, samples: &[f64]) -> Result<(), AudioError> {
        self.frames += samples.len() as u64;
        if self.file.is_none() && self.samples.len() + samples.len() <= MOST_IN_MEMORY {
            self.samples.extend_from_slice(samples);
            return Ok(());
        }
        let failed = |source| AudioError::Write { path: self.folder.clone(), source };
        let file = match &mut self.file {
            Some(file) => file,
            none => {
                let file = tempfile::tempfile_in(&self.folder).map_err(failed)?;
                let mut file = BufWriter::with_capacity(1 << 16, file);
                write_samples(&mut file, &self.samples).map_err(failed)?;
                self.samples = Vec::new();
                none.insert(file)
            }
        };
        write_samples(file, samples).map_err(failed)
    }

    /// Ends the writing.
    ///
    /// # Errors
    /// As [`TapeWriter::write`].
    pub fn finish(self) -> Result<Tape, AudioError> {
        let held = match self.file {
            None => Held::Memory(self.samples),
            Some(file) => {
                let file = file.into_inner().map_err(|e| AudioError::Write {
                    path: self.folder.clone(),
                    source: e.into_error(),
                })?;
                Held::File(Mutex::new(file))
            }
        };
        let TapeWriter { frames, sample_rate_hz, folder, .. } = self;
        Ok(Tape { held, frames, sample_rate_hz, folder })
    }
}

fn write_samples(file: &mut impl Write, samples: &[f64]) -> std::io::Result<()> {
    for sample in samples {
        file.write_all(&sample.to_le_bytes())?;
    }
    Ok(())
}

impl Tape {
    /// Samples on the tape.
    pub fn frames(&self) -> u64 {
        self.frames
    }

    /// Samples per second.
    pub fn sample_rate_hz(&self) -> u32 {
        self.sample_rate_hz
    }

    /// Reads from frame `from` on into `block`, and returns how many there were: fewer than asked
    /// only at the end.
    ///
    /// # Errors
    /// If the file behind it cannot be read.
    pub fn read(&self, from: u64, block: &mut [f64]) -> Result<usize, AudioError> {
        let left = usize::try_from(self.frames.saturating_sub(from)).unwrap_or(usize::MAX);
        let count = left.min(block.len());
        let block = &mut block[..count];
        match &self.held {
            Held::Memory(samples) => {
                let start = usize::try_from(from).unwrap_or(usize::MAX).min(samples.len());
                block.copy_from_slice(&samples[start..start + count]);
            }
            Held::File(file) => {
                let mut bytes = vec![0; count * SAMPLE_BYTES];
                // Nothing is half done if a thread that held the lock panicked: each reader seeks.
                let mut file = file.lock().unwrap_or_else(PoisonError::into_inner);
                file.seek(SeekFrom::Start(from * SAMPLE_BYTES as u64))
                    .and_then(|_| file.read_exact(&mut bytes))
                    .map_err(|source| AudioError::Read { path: self.folder.clone(), source })?;
                for (sample, bytes) in block.iter_mut().zip(bytes.as_chunks().0) {
                    *sample = f64::from_le_bytes(*bytes);
                }
            }
        }
        Ok(count)
    }

    /// Hands the whole tape on, block by block.
    ///
    /// # Errors
    /// As [`Tape::read`], or what `take` gives back.
    pub fn for_each_block<E: From<AudioError>>(
        &self,
        mut take: impl FnMut(&mut [f64]) -> Result<(), E>,
    ) -> Result<(), E> {
        let mut block = vec![0.0; BLOCK_FRAMES];
        let mut from = 0;
        loop {
            let count = self.read(from, &mut block)?;
            if count == 0 {
                return Ok(());
            }
            take(&mut block[..count])?;
            from += count as u64;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_overflows_into_a_file_reads_back_the_same() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let sample = |n: u64| (n as f64 * 0.7).sin();
        let frames = MOST_IN_MEMORY as u64 + 12_345;
        let mut writer = TapeWriter::new(48_000, folder.path());
        let mut n = 0;
        while n < frames {
            let block: Vec<f64> = (n..frames.min(n + 10_000)).map(sample).collect();
            writer.write(&block).expect("written");
            n += block.len() as u64;
        }
        let tape = writer.finish().expect("finished");
        assert!(matches!(tape.held, Held::File(_)));
        assert_eq!(tape.frames(), frames);
        let mut at = 0;
        tape.for_each_block(|block| -> Result<(), AudioError> {
            assert!(block.iter().enumerate().all(|(k, s)| *s == sample(at + k as u64)));
            at += block.len() as u64;
            Ok(())
        })
        .expect("read");
        assert_eq!(at, frames);
        let mut block = [0.0; 4];
        assert_eq!(tape.read(frames - 2, &mut block).expect("read"), 2);
        assert_eq!(tape.read(frames + 9, &mut block).expect("read"), 0);
        let left = std::fs::read_dir(folder.path()).expect("listed").count();
        assert_eq!(left, 0, "the file has no name");
    }
}
