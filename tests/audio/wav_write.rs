use std::fs;
use std::path::Path;

use hound::SampleFormat;
use presolder::audio::{
    AudioError, ChannelChoice, Clip, OutputFormat, WavWriter, read_wav, write_wav,
};
use tempfile::tempdir;

use super::sine;

const FORMATS: [OutputFormat; 3] =
    [OutputFormat::Float32, OutputFormat::Pcm24, OutputFormat::Pcm16];

fn clip(samples: Vec<f64>) -> Clip {
    Clip { samples, sample_rate_hz: 48_000 }
}

/// What `hound` makes of the file, with full scale at 1.
fn read_by_hound(path: &Path) -> (hound::WavSpec, Vec<f64>) {
    let mut reader = hound::WavReader::open(path).expect("hound opens it");
    let spec = reader.spec();
    let samples = match spec.sample_format {
        SampleFormat::Float => {
            reader.samples::<f32>().map(|s| f64::from(s.expect("a sample"))).collect()
        }
        SampleFormat::Int => {
            let full_scale = (1i64 << (spec.bits_per_sample - 1)) as f64;
            reader.samples::<i32>().map(|s| f64::from(s.expect("a sample")) / full_scale).collect()
        }
    };
    (spec, samples)
}

/// `hound` and our own reader see the same samples, and they are the given ones within what the
/// format can hold: half a step of rounding and one of dither.
#[test]
fn others_read_what_we_write() {
    let folder = tempdir().expect("a temporary folder");
    let given = clip(sine(440.0, 0.9, 10.0, 0.2, 48_000));
    for format in FORMATS {
        let path = folder.path().join(format!("{format:?}.wav"));
        let written = write_wav(&path, &given, format, false).expect("written");
        assert_eq!(written.gain, 1.0);
        assert!((written.peak - 0.9).abs() < 1e-4);
        let (spec, samples) = read_by_hound(&path);
        assert_eq!((spec.channels, spec.sample_rate), (1, 48_000));
        assert_eq!(samples, read_wav(&path, ChannelChoice::Mix).expect("read").samples);
        assert_eq!(samples.len(), given.samples.len());
        let allowed = format.step().map_or(1e-7, |step| 1.5 * step);
        for (got, want) in samples.iter().zip(&given.samples) {
            assert!((got - want).abs() <= allowed, "{format:?}: {got} is not {want}");
        }
    }
}

/// Triangular dither with rounding: the total error has zero mean and a variance of 1/4 step²,
/// whatever the signal (Lipshitz, Wannamaker, Vanderkooy, JAES 40(5), 1992: 3·step²/12).
#[test]
fn dither_error_is_independent_of_the_signal() {
    let folder = tempdir().expect("a temporary folder");
    let step = OutputFormat::Pcm16.step().expect("integers");
    for level_steps in [0.0, 0.25, 0.5, 100.3] {
        let count = 100_000;
        let given = clip(vec![level_steps * step; count]);
        let path = folder.path().join(format!("{level_steps}.wav"));
        write_wav(&path, &given, OutputFormat::Pcm16, false).expect("written");
        let read = read_wav(&path, ChannelChoice::Mix).expect("read");
        let errors: Vec<f64> = read.samples.iter().map(|s| s / step - level_steps).collect();
        let mean = errors.iter().sum::<f64>() / count as f64;
        let variance = errors.iter().map(|e| (e - mean).powi(2)).sum::<f64>() / count as f64;
        assert!(mean.abs() < 0.01, "mean error {mean} steps at {level_steps}");
        assert!((variance - 0.25).abs() < 0.01, "variance {variance} at {level_steps}");
    }
}

#[test]
fn same_clip_same_bytes() {
    let folder = tempdir().expect("a temporary folder");
    let given = clip(sine(1000.0, 0.5, 0.0, 0.1, 48_000));
    let (a, b) = (folder.path().join("a.wav"), folder.path().join("b.wav"));
    write_wav(&a, &given, OutputFormat::Pcm16, false).expect("written");
    write_wav(&b, &given, OutputFormat::Pcm16, false).expect("written");
    assert_eq!(fs::read(a).expect("read"), fs::read(b).expect("read"));
}

#[test]
fn what_is_too_loud_is_scaled_and_reported() {
    let folder = tempdir().expect("a temporary folder");
    let given = clip(sine(100.0, 4.0, 0.0, 0.5, 48_000));
    for format in FORMATS {
        let path = folder.path().join(format!("{format:?}.wav"));
        let written = write_wav(&path, &given, format, false).expect("written");
        assert!((written.peak - 4.0).abs() < 1e-12, "peak {}", written.peak);
        assert_eq!(written.gain, format.ceiling() / written.peak);
        let read = read_wav(&path, ChannelChoice::Mix).expect("read");
        let allowed = format.step().map_or(1e-7, |step| 1.5 * step);
        for (got, want) in read.samples.iter().zip(&given.samples) {
            assert!((got - written.gain * want).abs() <= allowed, "{format:?}");
        }
    }
    // Up to full scale nothing is touched.
    let full = clip(vec![1.0, -1.0]);
    let path = folder.path().join("full.wav");
    let written = write_wav(&path, &full, OutputFormat::Float32, false).expect("written");
    assert_eq!(written.gain, 1.0);
    assert_eq!(read_wav(&path, ChannelChoice::Mix).expect("read").samples, [1.0, -1.0]);
}

#[test]
fn no_nan_is_ever_written() {
    let folder = tempdir().expect("a temporary folder");
    for bad in [f64::NAN, f64::INFINITY] {
        let path = folder.path().join("bad.wav");
        let error = write_wav(&path, &clip(vec![0.0, 0.5, bad]), OutputFormat::Float32, false)
            .expect_err("not finite");
        assert!(matches!(error, AudioError::NotFiniteOut { frame: 2, .. }), "{error}");
        let mut writer =
            WavWriter::create(&path, OutputFormat::Pcm24, 48_000, 4, false).expect("created");
        writer.write_block(&[0.0, 0.1]).expect("good so far");
        let error = writer.write_block(&[0.2, bad]).expect_err("not finite");
        assert!(matches!(error, AudioError::NotFiniteOut { frame: 3, .. }), "{error}");
        drop(writer);
        assert_eq!(fs::read_dir(folder.path()).expect("listed").count(), 0);
    }
}

#[test]
fn blocks_must_keep_their_promise() {
    let folder = tempdir().expect("a temporary folder");
    let path = folder.path().join("short.wav");
    let mut writer =
        WavWriter::create(&path, OutputFormat::Pcm24, 48_000, 3, false).expect("created");
    writer.write_block(&[0.0, 0.1]).expect("written");
    assert!(matches!(writer.finish(), Err(AudioError::FrameCount { promised: 3, given: 2, .. })));
    let mut writer =
        WavWriter::create(&path, OutputFormat::Pcm24, 48_000, 1, false).expect("created");
    assert!(matches!(writer.write_block(&[1.1]), Err(AudioError::AboveFullScale { .. })));
    drop(writer);
    assert!(!path.exists());
    // An odd number of bytes is padded, so that the file is as long as its head says.
    let mut writer =
        WavWriter::create(&path, OutputFormat::Pcm24, 48_000, 1, false).expect("created");
    writer.write_block(&[0.5]).expect("written");
    writer.finish().expect("finished");
    let bytes = fs::read(&path).expect("read");
    let outer = u32::from_le_bytes([bytes[4], bytes[5], bytes[6], bytes[7]]);
    assert_eq!(outer as usize + 8, bytes.len());
    assert_eq!(bytes.len(), 44 + 3 + 1);
}

#[test]
fn an_existing_file_stays() {
    let folder = tempdir().expect("a temporary folder");
    let path = folder.path().join("a.wav");
    fs::write(&path, b"precious").expect("written");
    let given = clip(vec![0.0; 10]);
    let error = write_wav(&path, &given, OutputFormat::Float32, false).expect_err("exists");
    assert!(matches!(error, AudioError::Exists { .. }), "{error}");
    assert_eq!(fs::read(&path).expect("read"), b"precious");
    write_wav(&path, &given, OutputFormat::Float32, true).expect("forced");
    assert_eq!(read_wav(&path, ChannelChoice::Mix).expect("read").samples.len(), 10);
}
