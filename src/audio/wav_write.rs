//! Writing WAV files, whole or not at all, never with a NaN, never clipped.

use std::io::Write;
use std::path::Path;
use std::str::FromStr;

use super::atomic::{AtomicFile, CompleteFile};
use super::clip::{Clip, peak};
use super::error::AudioError;
use super::noise::Noise;

/// How samples are stored in a file that is written.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum OutputFormat {
    /// 32 bit floating point.
    #[default]
    Float32,
    /// 24 bit integers with triangular dither of ±1 step.
    Pcm24,
    /// 16 bit integers with triangular dither of ±1 step.
    Pcm16,
}

impl OutputFormat {
    fn bits(self) -> u16 {
        match self {
            OutputFormat::Float32 => 32,
            OutputFormat::Pcm24 => 24,
            OutputFormat::Pcm16 => 16,
        }
    }

    /// The step of the integers as a fraction of full scale; `None` for floating point.
    pub fn step(self) -> Option<f64> {
        match self {
            OutputFormat::Float32 => None,
            OutputFormat::Pcm24 => Some(1.0 / 8_388_608.0),
            OutputFormat::Pcm16 => Some(1.0 / 32_768.0),
        }
    }

    /// The largest magnitude that is stored without clipping: full scale, less two steps of
    /// integers, which dither and rounding may take.
    pub fn ceiling(self) -> f64 {
        1.0 - 2.0 * self.step().unwrap_or(0.0)
    }
}

impl FromStr for OutputFormat {
    type Err = String;

    /// Reads `float` (or `32`), `24` or `16`.
    fn from_str(text: &str) -> Result<OutputFormat, String> {
        match text.trim() {
            "float" | "32" => Ok(OutputFormat::Float32),
            "24" => Ok(OutputFormat::Pcm24),
            "16" => Ok(OutputFormat::Pcm16),
            _ => Err(format!("{text:?} is no sample format; give float, 24 or 16")),
        }
    }
}

/// The seed of the dither. One for all files, so that what is rendered twice has the same bytes.
const DITHER_SEED: u64 = 0x7072_6573_6f6c_6465;

/// Writes a WAV file of one channel block by block; it appears under its name only when
/// [`finish`](WavWriter::finish) succeeds.
#[derive(Debug)]
pub struct WavWriter {
    file: AtomicFile,
    format: OutputFormat,
    dither: Noise,
    promised: u64,
    given: u64,
    bytes: Vec<u8>,
    /// The sample rate of a file whose length is not known yet.
    open_ended_rate_hz: Option<u32>,
}

impl WavWriter {
    /// Starts a file of exactly `frames` frames at `sample_rate_hz`.
    ///
    /// # Errors
    /// As [`AtomicFile::create`], or if the file cannot be written.
    pub fn create(
        path: &Path,
        format: OutputFormat,
        sample_rate_hz: u32,
        frames: u64,
        force: bool,
    ) -> Result<WavWriter, AudioError> {
        let mut file = AtomicFile::create(path, force)?;
        file.write_all(&head(format, sample_rate_hz, frames))
            .map_err(|source| AudioError::Write { path: path.to_owned(), source })?;
        let dither = Noise::new(DITHER_SEED);
        Ok(WavWriter {
            file,
            format,
            dither,
            promised: frames,
            given: 0,
            bytes: Vec::new(),
            open_ended_rate_hz: None,
        })
    }

    /// Starts a file whose length is not known yet, of less than 4 GiB; it is ended with
    /// [`complete_open_ended`](WavWriter::complete_open_ended).
    ///
    /// # Errors
    /// As [`WavWriter::create`].
    pub fn create_open_ended(
        path: &Path,
        format: OutputFormat,
        sample_rate_hz: u32,
        force: bool,
    ) -> Result<WavWriter, AudioError> {
        let mut writer = WavWriter::create(path, format, sample_rate_hz, 0, force)?;
        writer.open_ended_rate_hz = Some(sample_rate_hz);
        Ok(writer)
    }

    /// Writes the length that the file came to into its head, and ends the file, which is not yet put in its
    /// place.
    ///
    /// # Errors
    /// As [`complete`](WavWriter::complete), or if the file has become too long for its head.
    pub fn complete_open_ended(mut self) -> Result<CompleteFile, AudioError> {
        let Some(rate_hz) = self.open_ended_rate_hz else { return self.complete() };
        let path = self.file.path().to_owned();
        let new = head(self.format, rate_hz, self.given);
        if new.len() as u64 != self.head_bytes() {
            return Err(AudioError::FrameCount { path, promised: 0, given: self.given });
        }
        self.file.write_over_start(&new).map_err(|source| AudioError::Write { path, source })?;
        self.promised = self.given;
        self.complete()
    }

    /// Sends what is buffered to the disk.
    ///
    /// # Errors
    /// If the disk is full.
    pub fn flush(&mut self) -> Result<(), AudioError> {
        let path = self.file.path().to_owned();
        self.file.flush().map_err(|source| AudioError::Write { path, source })
    }

    /// Whole frames that have reached the disk: after an error, those written before it.
    ///
    /// # Errors
    /// If the file cannot be asked.
    pub fn frames_on_disk(&self) -> Result<u64, AudioError> {
        let path = self.file.path();
        let length = self
            .file
            .length()
            .map_err(|source| AudioError::Write { path: path.to_owned(), source })?;
        let sound = length.saturating_sub(self.head_bytes());
        Ok(sound / u64::from(self.format.bits() / 8))
    }

    /// Cuts an open-ended file to as many frames as have reached the disk, once no more find room there.
    ///
    /// # Errors
    /// If the file cannot be cut.
    pub fn cut_to(&mut self, frames: u64) -> Result<(), AudioError> {
        let end = self.head_bytes() + data_bytes(self.format, frames);
        let path = self.file.path().to_owned();
        self.file.cut_to(end).map_err(|source| AudioError::Write { path, source })?;
        self.given = frames;
        Ok(())
    }

    fn head_bytes(&self) -> u64 {
        head(self.format, self.open_ended_rate_hz.unwrap_or(0), 0).len() as u64
    }

    /// Writes the next samples. They must be finite and within
    /// [`ceiling`](OutputFormat::ceiling): the caller scales what is louder, and says so.
    ///
    /// # Errors
    /// If a sample is not finite or too large, or the disk is full. Then the file is abandoned.
    pub fn write_block(&mut self, samples: &[f64]) -> Result<(), AudioError> {
        let ceiling = self.format.ceiling();
        // Scaling to the ceiling may miss it by a rounding error.
        let limit = ceiling * (1.0 + 4.0 * f64::EPSILON);
        self.bytes.clear();
        for (index, &sample) in samples.iter().enumerate() {
            let magnitude = sample.abs();
            if magnitude.is_nan() || magnitude > limit {
                return Err(self.refuse(index, sample));
            }
            match self.format.step() {
                None => self.bytes.extend_from_slice(&(sample as f32).to_le_bytes()),
                Some(step) => {
                    let stored = (sample / step + self.dither.triangular()).round() as i32;
                    let width = usize::from(self.format.bits() / 8);
                    self.bytes.extend_from_slice(&stored.to_le_bytes()[..width]);
                }
            }
        }
        self.given += samples.len() as u64;
        let path = self.file.path().to_owned();
        self.file.write_all(&self.bytes).map_err(|source| AudioError::Write { path, source })
    }

    /// Puts the finished file in its place.
    ///
    /// # Errors
    /// If fewer or more frames were given than promised, or as [`AtomicFile::commit`].
    pub fn finish(self) -> Result<(), AudioError> {
        self.complete()?.commit()
    }

    /// Ends the file, which is not yet put in its place.
    ///
    /// # Errors
    /// If fewer or more frames were given than promised, or the disk is full.
    pub fn complete(mut self) -> Result<CompleteFile, AudioError> {
        let path = self.file.path().to_owned();
        if self.given != self.promised {
            return Err(AudioError::FrameCount {
                path,
                promised: self.promised,
                given: self.given,
            });
        }
        if data_bytes(self.format, self.promised) % 2 == 1 {
            self.file.write_all(&[0]).map_err(|source| AudioError::Write { path, source })?;
        }
        self.file.complete()
    }

    #[cold]
    fn refuse(&self, index: usize, value: f64) -> AudioError {
        let path = self.file.path().to_owned();
        let frame = self.given + index as u64;
        if value.is_finite() {
            AudioError::AboveFullScale { path, frame, magnitude: value.abs() }
        } else {
            AudioError::NotFiniteOut { path, frame, value }
        }
    }
}

fn data_bytes(format: OutputFormat, frames: u64) -> u64 {
    frames * u64::from(format.bits() / 8)
}

/// The head of a file of one channel. The plain forms of the format chunk are used: the extensible
/// one would have to name a loudspeaker for the single channel, and players that take the name at
/// its word then play it on one side only.
fn head(format: OutputFormat, sample_rate_hz: u32, frames: u64) -> Vec<u8> {
    let bytes_per_frame = u32::from(format.bits() / 8);
    let data_bytes = data_bytes(format, frames);
    let is_float = format == OutputFormat::Float32;

    let mut fmt = Vec::with_capacity(18);
    fmt.extend_from_slice(&u16::to_le_bytes(if is_float { 3 } else { 1 }));
    fmt.extend_from_slice(&1u16.to_le_bytes());
    fmt.extend_from_slice(&sample_rate_hz.to_le_bytes());
    fmt.extend_from_slice(&sample_rate_hz.saturating_mul(bytes_per_frame).to_le_bytes());
    fmt.extend_from_slice(&(bytes_per_frame as u16).to_le_bytes());
    fmt.extend_from_slice(&format.bits().to_le_bytes());
    if is_float {
        fmt.extend_from_slice(&0u16.to_le_bytes());
    }

    let mut chunks = Vec::new();
    chunks.extend_from_slice(b"fmt ");
    chunks.extend_from_slice(&(fmt.len() as u32).to_le_bytes());
    chunks.extend_from_slice(&fmt);
    if is_float {
        chunks.extend_from_slice(b"fact\x04\0\0\0");
        chunks.extend_from_slice(&u32::try_from(frames).unwrap_or(u32::MAX).to_le_bytes());
    }

    // From the word WAVE to the end; 36 more where the sizes need a ds64 chunk (EBU Tech 3306).
    let riff_bytes = 4 + chunks.len() as u64 + 8 + data_bytes + data_bytes % 2;
    let mut head = Vec::with_capacity(100);
    match (u32::try_from(riff_bytes), u32::try_from(data_bytes)) {
        (Ok(riff_bytes), Ok(data_bytes)) => {
            head.extend_from_slice(b"RIFF");
            head.extend_from_slice(&riff_bytes.to_le_bytes());
            head.extend_from_slice(b"WAVE");
            head.extend_from_slice(&chunks);
            head.extend_from_slice(b"data");
            head.extend_from_slice(&data_bytes.to_le_bytes());
        }
        _ => {
            head.extend_from_slice(b"RF64\xff\xff\xff\xffWAVEds64\x1c\0\0\0");
            head.extend_from_slice(&(riff_bytes + 36).to_le_bytes());
            head.extend_from_slice(&data_bytes.to_le_bytes());
            head.extend_from_slice(&frames.to_le_bytes());
            head.extend_from_slice(&0u32.to_le_bytes());
            head.extend_from_slice(&chunks);
            head.extend_from_slice(b"data\xff\xff\xff\xff");
        }
    }
    head
}

/// What [`write_wav`] did to a clip.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Written {
    /// The largest magnitude of the clip as given (1 is full scale).
    pub peak: f64,
    /// What every sample was multiplied by so that nothing clips: 1 unless the peak was too high.
    /// To be told to the user when it is not 1.
    pub gain: f64,
}

/// Writes a clip whole or not at all. A clip with peaks above full scale is scaled down, and the
/// gain returned.
///
/// # Errors
/// If a sample is not finite, the file exists and `force` is not set, or it cannot be written.
pub fn write_wav(
    path: &Path,
    clip: &Clip,
    format: OutputFormat,
    force: bool,
) -> Result<Written, AudioError> {
    if let Some(frame) = clip.first_not_finite() {
        let value = clip.samples[frame];
        return Err(AudioError::NotFiniteOut { path: path.to_owned(), frame: frame as u64, value });
    }
    let peak = peak(&clip.samples);
    let ceiling = format.ceiling();
    let gain = if peak > ceiling { ceiling / peak } else { 1.0 };
    let frames = clip.samples.len() as u64;
    let mut writer = WavWriter::create(path, format, clip.sample_rate_hz, frames, force)?;
    let mut scaled = Vec::with_capacity(BLOCK_FRAMES.min(clip.samples.len()));
    for block in clip.samples.chunks(BLOCK_FRAMES) {
        scaled.clear();
        scaled.extend(block.iter().map(|s| s * gain));
        writer.write_block(&scaled)?;
    }
    writer.finish()?;
    Ok(Written { peak, gain })
}

/// Frames scaled and written at once.
const BLOCK_FRAMES: usize = 1 << 14;
