//! The head of a WAV file: chunks, encoding, and whether the file holds what it promises.
//!
//! RIFF/WAVE after the Multimedia Programming Interface and Data Specifications 1.0 (1991),
//! WAVE_FORMAT_EXTENSIBLE after Microsoft's "Multiple channel audio data and WAVE files" (2001),
//! files above 4 GiB (RF64) after EBU Tech 3306. Parsed here, and not by a crate, because the
//! answer to a file that lies has to be exact, and because long clips and odd but valid files
//! (64 bit float, chunks of odd length, RF64) have to be read too.

use std::io::{self, Read, Seek, SeekFrom};
use std::ops::RangeInclusive;
use std::path::Path;

use super::error::AudioError;

/// Sample rates that a clip may have. Below 8 kHz or above 768 kHz no sound interface records: it
/// is a damaged header.
pub const SAMPLE_RATES_HZ: RangeInclusive<u32> = 8_000..=768_000;

/// How one sample is stored.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Encoding {
    /// Integers in `bytes` bytes, full scale at 2^(8·bytes-1); one byte is unsigned, as the format
    /// prescribes. Fewer valid bits sit at the top of their container and read right as they are.
    Integer { bytes: u8 },
    /// IEEE 754 floating point, full scale at 1.
    Float { bytes: u8 },
}

impl Encoding {
    /// Bytes that one sample takes.
    pub fn bytes(self) -> usize {
        match self {
            Encoding::Integer { bytes } | Encoding::Float { bytes } => usize::from(bytes),
        }
    }
}

/// What the head of a WAV file says.
#[derive(Clone, Debug, PartialEq)]
pub struct WavFormat {
    pub channels: u16,
    pub sample_rate_hz: u32,
    pub encoding: Encoding,
    /// Frames (one sample of each channel) in the file.
    pub frames: u64,
}

impl WavFormat {
    /// How long the clip lasts, in seconds.
    pub fn duration_s(&self) -> f64 {
        self.frames as f64 / f64::from(self.sample_rate_hz)
    }

    pub(super) fn frame_bytes(&self) -> usize {
        usize::from(self.channels) * self.encoding.bytes()
    }
}

const TAG_PCM: u16 = 1;
const TAG_FLOAT: u16 = 3;
const TAG_EXTENSIBLE: u16 = 0xfffe;
/// The last 14 bytes of every sub-format that stands for a plain format tag.
const GUID_TAIL: [u8; 14] = [0, 0, 0, 0, 0x10, 0, 0x80, 0, 0, 0xaa, 0, 0x38, 0x9b, 0x71];
/// A file of more chunks than this before its sound is no recording.
const MOST_CHUNKS: usize = 1000;

/// Reads the head of a WAV file and leaves `reader` at the first byte of sound.
pub(super) fn read_head(
    reader: &mut (impl Read + Seek),
    path: &Path,
) -> Result<WavFormat, AudioError> {
    let mut head = Head { reader, path };
    head.read()
}

struct Head<'a, R> {
    reader: &'a mut R,
    path: &'a Path,
}

/// What the `fmt ` chunk says.
struct Layout {
    channels: u16,
    sample_rate_hz: u32,
    encoding: Encoding,
}

impl<R: Read + Seek> Head<'_, R> {
    fn read(&mut self) -> Result<WavFormat, AudioError> {
        let file_bytes = self.seek(SeekFrom::End(0))?;
        self.seek(SeekFrom::Start(0))?;
        if file_bytes == 0 {
            return Err(self.not_wav("it is empty".to_owned()));
        }
        let mut start = [0; 12];
        if file_bytes < 12 {
            return Err(self.not_wav(format!("it has only {file_bytes} bytes")));
        }
        self.fill(&mut start)?;
        let long = match &start[0..4] {
            b"RIFF" => false,
            b"RF64" | b"BW64" => true,
            other => return Err(self.not_wav(describe_start(other))),
        };
        if &start[8..12] != b"WAVE" {
            let kind = String::from_utf8_lossy(&start[8..12]).into_owned();
            return Err(self.not_wav(format!("it is a RIFF file of kind {kind:?}")));
        }

        let mut at = 12u64;
        let mut layout = None;
        let mut long_data_bytes = None;
        for _ in 0..MOST_CHUNKS {
            if at + 8 > file_bytes {
                let missing = if layout.is_some() { "data" } else { "fmt" };
                return Err(self.damaged(format!("it ends before its {missing} chunk")));
            }
            self.seek(SeekFrom::Start(at))?;
            let mut chunk = [0; 8];
            self.fill(&mut chunk)?;
            let mut length = u64::from(u32_at(&chunk, 4));
            let body = at + 8;
            let held_bytes = file_bytes - body;
            match &chunk[0..4] {
                b"data" => {
                    if long && length == u64::from(u32::MAX) {
                        length = long_data_bytes.ok_or_else(|| {
                            self.damaged("it is an RF64 file without a ds64 chunk".to_owned())
                        })?;
                    }
                    let Some(layout) = layout else {
                        return Err(
                            self.damaged("its data chunk comes before any fmt chunk".to_owned())
                        );
                    };
                    return self.finish(layout, length, held_bytes);
                }
                b"fmt " => layout = Some(self.read_layout(length, held_bytes)?),
                b"ds64" if long => {
                    let mut sizes = [0; 16];
                    if length < 24 || held_bytes < 24 {
                        return Err(self.damaged("its ds64 chunk is too short".to_owned()));
                    }
                    self.fill(&mut sizes)?;
                    long_data_bytes = Some(u64_at(&sizes, 8));
                }
                _ => {}
            }
            // Chunks start at even places; a chunk of odd length has a byte of padding.
            at = body.saturating_add(length).saturating_add(length % 2);
        }
        Err(self.damaged(format!("it has more than {MOST_CHUNKS} chunks before its sound")))
    }

    fn finish(
        &self,
        layout: Layout,
        promised_bytes: u64,
        held_bytes: u64,
    ) -> Result<WavFormat, AudioError> {
        let Layout { channels, sample_rate_hz, encoding } = layout;
        let path = self.path.to_owned();
        if promised_bytes > held_bytes {
            return Err(AudioError::CutShort { path, promised_bytes, held_bytes });
        }
        if promised_bytes == 0 {
            return Err(AudioError::Empty { path });
        }
        let frame_bytes = u64::from(channels) * encoding.bytes() as u64;
        if !promised_bytes.is_multiple_of(frame_bytes) {
            return Err(self.damaged(format!(
                "its sound takes {promised_bytes} bytes, which is no whole number of frames of {frame_bytes} bytes"
            )));
        }
        Ok(WavFormat { channels, sample_rate_hz, encoding, frames: promised_bytes / frame_bytes })
    }

    fn read_layout(&mut self, length: u64, held_bytes: u64) -> Result<Layout, AudioError> {
        if length < 16 || held_bytes < length {
            return Err(self.damaged(format!("its fmt chunk of {length} bytes is too short")));
        }
        let mut fmt = [0; 40];
        let known = length.min(40) as usize;
        self.fill(&mut fmt[..known])?;
        let mut tag = u16_at(&fmt, 0);
        let channels = u16_at(&fmt, 2);
        let sample_rate_hz = u32_at(&fmt, 4);
        let frame_bytes = u16_at(&fmt, 12);
        let bits = u16_at(&fmt, 14);
        let extensible = tag == TAG_EXTENSIBLE;
        if extensible {
            if known < 40 {
                return Err(self.damaged("its extensible fmt chunk is too short".to_owned()));
            }
            if fmt[26..40] != GUID_TAIL {
                return Err(self.encoding_error("an unknown sub-format".to_owned()));
            }
            tag = u16_at(&fmt, 24);
        }

        if channels == 0 {
            return Err(self.damaged("it has 0 channels".to_owned()));
        }
        if !SAMPLE_RATES_HZ.contains(&sample_rate_hz) {
            return Err(AudioError::SampleRate {
                path: self.path.to_owned(),
                sample_rate_hz,
                low_hz: *SAMPLE_RATES_HZ.start(),
                high_hz: *SAMPLE_RATES_HZ.end(),
            });
        }
        // In the extensible form `bits` is the container; in the plain one it is the sample, in
        // the smallest container that takes it.
        let bytes = bits.div_ceil(8);
        let encoding = match (tag, bytes) {
            (TAG_PCM, 1..=4) => Encoding::Integer { bytes: bytes as u8 },
            (TAG_FLOAT, 4 | 8) if bits.is_multiple_of(8) => Encoding::Float { bytes: bytes as u8 },
            (TAG_PCM, _) => return Err(self.encoding_error(format!("PCM of {bits} bit"))),
            (TAG_FLOAT, _) => return Err(self.encoding_error(format!("float of {bits} bit"))),
            (other, _) => {
                return Err(self.encoding_error(format!("sound of format {other:#06x}")));
            }
        };
        let expected = u32::from(channels) * u32::from(bytes);
        if u32::from(frame_bytes) != expected {
            return Err(self.damaged(format!(
                "its header gives {frame_bytes} bytes a frame, {channels} channel(s) of {bits} bit take {expected}"
            )));
        }
        Ok(Layout { channels, sample_rate_hz, encoding })
    }

    fn fill(&mut self, bytes: &mut [u8]) -> Result<(), AudioError> {
        self.reader.read_exact(bytes).map_err(|error| match error.kind() {
            io::ErrorKind::UnexpectedEof => {
                AudioError::Damaged { path: self.path.to_owned(), what: "it ends early".to_owned() }
            }
            _ => AudioError::Read { path: self.path.to_owned(), source: error },
        })
    }

    fn seek(&mut self, to: SeekFrom) -> Result<u64, AudioError> {
        self.reader
            .seek(to)
            .map_err(|source| AudioError::Read { path: self.path.to_owned(), source })
    }

    fn not_wav(&self, found: String) -> AudioError {
        AudioError::NotWav { path: self.path.to_owned(), found }
    }

    fn damaged(&self, what: String) -> AudioError {
        AudioError::Damaged { path: self.path.to_owned(), what }
    }

    fn encoding_error(&self, found: String) -> AudioError {
        AudioError::Encoding { path: self.path.to_owned(), found }
    }
}

/// Names the file kinds that are most often taken for WAV.
fn describe_start(start: &[u8]) -> String {
    match start {
        b"fLaC" => "it is FLAC".to_owned(),
        b"OggS" => "it is Ogg".to_owned(),
        b"FORM" => "it is AIFF".to_owned(),
        b"RIFX" => "it is big-endian RIFF".to_owned(),
        [b'I', b'D', b'3', _] | [0xff, 0xfa..=0xff, _, _] => "it is MP3".to_owned(),
        _ => format!("it starts with {:?}", String::from_utf8_lossy(start)),
    }
}

fn u16_at(bytes: &[u8], at: usize) -> u16 {
    u16::from_le_bytes([bytes[at], bytes[at + 1]])
}

fn u32_at(bytes: &[u8], at: usize) -> u32 {
    u32::from_le_bytes([bytes[at], bytes[at + 1], bytes[at + 2], bytes[at + 3]])
}

fn u64_at(bytes: &[u8], at: usize) -> u64 {
    u64::from(u32_at(bytes, at)) | u64::from(u32_at(bytes, at + 4)) << 32
}
