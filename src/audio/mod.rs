//! Sound files in and out, resampling and loudness. Knows nothing of circuits.
//!
//! Samples are `f64` with full scale at ±1; what a sample means in volts is the business of the
//! job that names the clip. Every file is written whole or not at all, see [`AtomicFile`].

mod atomic;
mod clip;
mod error;
mod loudness;
mod meter;
mod noise;
mod outputs;
mod recording;
mod resample;
mod wav_format;
mod wav_read;
mod wav_write;

pub use atomic::{AtomicFile, CompleteFile, abandon_unfinished, write_whole};
pub use clip::Clip;
pub use error::AudioError;
pub use loudness::{
    MATCHED_WITHIN_LU, MatchedClip, MatchedSet, TRUE_PEAK_CEILING_DBTP, match_loudness,
    match_measured, measure_loudness,
};
pub use meter::{Loudness, LoudnessKind, LoudnessMeter, MeasuredLoudness};
pub use noise::Noise;
pub use outputs::OutputFolder;
pub use recording::{Recording, RecordingBlocks};
pub use resample::{Resampler, WORKING_RATES_HZ, resample, to_working_rate};
pub use wav_format::{Encoding, SAMPLE_RATES_HZ, WavFormat};
pub use wav_read::{ChannelChoice, WavReader, read_wav};
pub use wav_write::{OutputFormat, WavWriter, Written, write_wav};

/// Limits of the volume of what is played.
pub const VOLUME_DB: std::ops::RangeInclusive<f64> = -60.0..=12.0;
