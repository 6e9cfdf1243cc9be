//! Reading WAV files, in blocks or as a whole.

use std::fs::{File, Metadata};
use std::io::{BufReader, Cursor, Read, Seek};
use std::path::{Path, PathBuf};
use std::str::FromStr;

use super::clip::Clip;
use super::error::AudioError;
use super::wav_format::{Encoding, WavFormat, read_head};

/// What becomes of the channels of a file: a guitar is one signal.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum ChannelChoice {
    /// The mean of all channels.
    #[default]
    Mix,
    /// One channel alone, counted from 1.
    One(u16),
}

impl FromStr for ChannelChoice {
    type Err = String;

    /// Reads `mix` or the number of a channel, counted from 1.
    fn from_str(text: &str) -> Result<ChannelChoice, String> {
        match text.trim() {
            "mix" => Ok(ChannelChoice::Mix),
            other => match other.parse() {
                Ok(number) if number > 0 => Ok(ChannelChoice::One(number)),
                _ => Err(format!("{text:?} is no channel; give `mix` or a number from 1")),
            },
        }
    }
}

/// Reads a WAV file block by block, so that a clip of any length takes little memory.
#[derive(Debug)]
pub struct WavReader<R> {
    reader: R,
    path: PathBuf,
    format: WavFormat,
    choice: ChannelChoice,
    frames_read: u64,
    bytes: Vec<u8>,
    opened: Option<Metadata>,
}

/// Bytes that are read at once; a frame of the most channels (65535 bytes) fits.
const BLOCK_BYTES: usize = 1 << 18;

impl WavReader<BufReader<File>> {
    /// Opens a file and checks its head.
    ///
    /// # Errors
    /// If there is no such file, or it is not a WAV file that can be read: see [`AudioError`].
    pub fn open(
        path: &Path,
        choice: ChannelChoice,
    ) -> Result<WavReader<BufReader<File>>, AudioError> {
        let read_error = |source| AudioError::Read { path: path.to_owned(), source };
        let file = File::open(path).map_err(read_error)?;
        let opened = file.metadata().map_err(read_error)?;
        if opened.is_dir() {
            return Err(AudioError::Folder { path: path.to_owned() });
        }
        let mut reader = WavReader::new(BufReader::new(file), path, choice)?;
        reader.opened = Some(opened);
        Ok(reader)
    }

    /// Call at the end: tells whether the file changed while it was read, as far as its length and
    /// time of change show it.
    ///
    /// # Errors
    /// [`AudioError::Changed`] if it did.
    pub fn check_unchanged(&self) -> Result<(), AudioError> {
        let Some(opened) = &self.opened else { return Ok(()) };
        let read_error = |source| AudioError::Read { path: self.path.clone(), source };
        let now = self.reader.get_ref().metadata().map_err(read_error)?;
        let same = now.len() == opened.len()
            && match (now.modified(), opened.modified()) {
                (Ok(after), Ok(before)) => after == before,
                _ => true,
            };
        if same { Ok(()) } else { Err(AudioError::Changed { path: self.path.clone() }) }
    }
}

impl<R: Read + Seek> WavReader<R> {
    /// Reads the head of a WAV file from anything; `path` is only for messages.
    ///
    /// # Errors
    /// See [`AudioError`].
    pub fn new(
        mut reader: R,
        path: &Path,
        choice: ChannelChoice,
    ) -> Result<WavReader<R>, AudioError> {
        let format = read_head(&mut reader, path)?;
        if let ChannelChoice::One(asked) = choice
            && !(1..=format.channels).contains(&asked)
        {
            return Err(AudioError::Channel {
                path: path.to_owned(),
                channels: format.channels,
                asked,
            });
        }
        let block_frames = (BLOCK_BYTES / format.frame_bytes()).max(1);
        let bytes = vec![0; block_frames * format.frame_bytes()];
        Ok(WavReader {
            reader,
            path: path.to_owned(),
            format,
            choice,
            frames_read: 0,
            bytes,
            opened: None,
        })
    }

    /// What the head of the file says.
    pub fn format(&self) -> &WavFormat {
        &self.format
    }

    /// Fills `samples` from its start with the next frames, one sample each, and returns how many
    /// there were: fewer than asked only at the end of the clip, 0 when nothing is left.
    ///
    /// # Errors
    /// If the file cannot be read, ends before what its head promised, or a sample is no sound
    /// (not finite, or beyond a million times full scale).
    pub fn read_block(&mut self, samples: &mut [f64]) -> Result<usize, AudioError> {
        let frame_bytes = self.format.frame_bytes();
        let mut done = 0;
        while done < samples.len() {
            let left = self.format.frames - self.frames_read;
            let fits = (self.bytes.len() / frame_bytes).min(samples.len() - done);
            let frames = usize::try_from(left).unwrap_or(usize::MAX).min(fits);
            if frames == 0 {
                break;
            }
            let block = &mut self.bytes[..frames * frame_bytes];
            self.reader.read_exact(block).map_err(|source| {
                if source.kind() == std::io::ErrorKind::UnexpectedEof {
                    // Its length was right when it was opened.
                    AudioError::Changed { path: self.path.clone() }
                } else {
                    AudioError::Read { path: self.path.clone(), source }
                }
            })?;
            let out = &mut samples[done..done + frames];
            decode(block, &self.format, self.choice, out);
            if let Some(bad) = out.iter().position(|s| !is_sound(*s)) {
                return Err(self.no_sound(bad));
            }
            self.frames_read += frames as u64;
            done += frames;
        }
        Ok(done)
    }

    /// Names the sample of frame `bad` of the current block that spoils it.
    #[cold]
    fn no_sound(&self, bad: usize) -> AudioError {
        let width = self.format.encoding.bytes();
        let frame_bytes = self.format.frame_bytes();
        let frame_start = bad * frame_bytes;
        let frame = &self.bytes[frame_start..frame_start + frame_bytes];
        let values =
            frame.chunks_exact(width).map(|sample| decode_one(sample, self.format.encoding));
        let (mut channel, mut value) = (1, f64::NAN);
        for (index, found) in values.enumerate() {
            if !is_sound(found) {
                (channel, value) = (index as u16 + 1, found);
                break;
            }
        }
        let frame = self.frames_read + bad as u64;
        AudioError::NoSound {
            path: self.path.clone(),
            frame,
            seconds: frame as f64 / f64::from(self.format.sample_rate_hz),
            channel,
            value,
        }
    }
}

/// Float files may go above full scale, but not so far that the squares of samples overflow.
fn is_sound(sample: f64) -> bool {
    sample.abs() <= 1e6
}

/// Turns whole frames into one sample each.
fn decode(block: &[u8], format: &WavFormat, choice: ChannelChoice, out: &mut [f64]) {
    let width = format.encoding.bytes();
    let frames = block.chunks_exact(format.frame_bytes());
    match choice {
        ChannelChoice::One(number) => {
            let at = (usize::from(number) - 1) * width;
            for (sample, frame) in out.iter_mut().zip(frames) {
                *sample = decode_one(&frame[at..at + width], format.encoding);
            }
        }
        ChannelChoice::Mix => {
            let share = 1.0 / f64::from(format.channels);
            for (sample, frame) in out.iter_mut().zip(frames) {
                let sum: f64 =
                    frame.chunks_exact(width).map(|s| decode_one(s, format.encoding)).sum();
                *sample = sum * share;
            }
        }
    }
}

fn decode_one(sample: &[u8], encoding: Encoding) -> f64 {
    match (encoding, sample) {
        (Encoding::Integer { .. }, &[a]) => (f64::from(a) - 128.0) / 128.0,
        (Encoding::Integer { .. }, &[a, b]) => f64::from(i16::from_le_bytes([a, b])) / 32_768.0,
        (Encoding::Integer { .. }, &[a, b, c]) => {
            // Into the top of 32 bits, so that the sign comes out right.
            f64::from(i32::from_le_bytes([0, a, b, c])) / 2_147_483_648.0
        }
        (Encoding::Integer { .. }, &[a, b, c, d]) => {
            f64::from(i32::from_le_bytes([a, b, c, d])) / 2_147_483_648.0
        }
        (Encoding::Float { .. }, &[a, b, c, d]) => f64::from(f32::from_le_bytes([a, b, c, d])),
        (Encoding::Float { .. }, &[a, b, c, d, e, f, g, h]) => {
            f64::from_le_bytes([a, b, c, d, e, f, g, h])
        }
        // The head allows no other width; were it to, this is caught as a sample not finite.
        _ => f64::NAN,
    }
}

/// Reads a whole WAV file as one channel.
///
/// # Errors
/// See [`AudioError`].
pub fn read_wav(path: &Path, choice: ChannelChoice) -> Result<Clip, AudioError> {
    let mut reader = WavReader::open(path, choice)?;
    let clip = read_all(&mut reader)?;
    reader.check_unchanged()?;
    Ok(clip)
}

impl Clip {
    /// Reads a whole WAV file that is in memory; `name` is only for messages.
    ///
    /// # Errors
    /// See [`AudioError`].
    pub fn from_wav_bytes(
        bytes: &[u8],
        name: &Path,
        choice: ChannelChoice,
    ) -> Result<Clip, AudioError> {
        read_all(&mut WavReader::new(Cursor::new(bytes), name, choice)?)
    }
}

fn read_all<R: Read + Seek>(reader: &mut WavReader<R>) -> Result<Clip, AudioError> {
    // The head has been held against the length of the file: the claim is no lie.
    let frames = reader.format.frames;
    let too_long = || AudioError::Read {
        path: reader.path.clone(),
        source: std::io::Error::new(std::io::ErrorKind::OutOfMemory, "too long for the memory"),
    };
    let count = usize::try_from(frames).map_err(|_| too_long())?;
    let mut samples = Vec::new();
    samples.try_reserve_exact(count).map_err(|_| too_long())?;
    samples.resize(count, 0.0);
    reader.read_block(&mut samples)?;
    Ok(Clip { samples, sample_rate_hz: reader.format.sample_rate_hz })
}
