//! Recording: whole files, whatever happens.

use std::sync::Arc;

use presolder::audio::{ChannelChoice, read_wav};
use presolder::live::{Meters, Recorder, file_names};

use crate::common::RATE_HZ;

#[test]
fn files_hold_what_was_put_in() {
    let folder = tempfile::tempdir().expect("a folder");
    let meters = Arc::new(Meters::default());
    let names = file_names(&folder.path().join("take.wav"), 1);
    let (recorder, mut tap) =
        Recorder::start(names.clone(), RATE_HZ, 2.0, false, &meters).expect("a recorder");
    let dry: Vec<f64> = (0..100_000).map(|n| (f64::from(n) * 0.01).sin()).collect();
    let wet: Vec<f64> = dry.iter().map(|x| -0.5 * x).collect();
    for (x, y) in dry.chunks(100).zip(wet.chunks(100)) {
        tap.put(x, y);
    }
    // Nothing half done is there under the final name.
    assert!(!names.0.exists() && !names.1.exists());
    let recorded = recorder.finish().expect("a recording");
    assert_eq!((recorded.frames, meters.unrecorded_frames.get()), (100_000, 0));
    for (name, samples, gain) in [(&names.0, &dry, 0.5), (&names.1, &wet, 1.0)] {
        let clip = read_wav(name, ChannelChoice::Mix).expect("a whole file");
        assert_eq!((clip.samples.len(), clip.sample_rate_hz), (100_000, RATE_HZ));
        let same =
            clip.samples.iter().zip(samples).all(|(a, b)| *a == f64::from((b * gain) as f32));
        assert!(same, "{}", name.display());
        // An independent reader thinks so, too.
        assert_eq!(hound::WavReader::open(name).expect("a file").duration(), 100_000);
    }
    let again = Recorder::start(names, RATE_HZ, 2.0, false, &meters);
    assert!(again.is_err_and(|e| e.to_string().contains("--force")));
    assert!(file_names(&folder.path().join("take.wav"), 2).1.ends_with("take-2-wet.wav"));
}

/// A callback that fills the ring faster than any disk could empty it is not held up: it loses frames,
/// counts them, and the files are whole.
#[test]
fn a_slow_writer_loses_frames_and_says_so() {
    let folder = tempfile::tempdir().expect("a folder");
    let meters = Arc::new(Meters::default());
    let names = file_names(&folder.path().join("take.wav"), 1);
    let (recorder, mut tap) =
        Recorder::start(names.clone(), RATE_HZ, 2.0, false, &meters).expect("a recorder");
    // Five minutes at once: the ring has room for ten seconds.
    let block = vec![0.1; 4800];
    for _ in 0..3000 {
        tap.put(&block, &block);
    }
    let recorded = recorder.finish().expect("a recording");
    assert!(meters.unrecorded_frames.get() > 0);
    assert_eq!(recorded.frames + meters.unrecorded_frames.get(), 3000 * 4800);
    let clip = read_wav(&names.1, ChannelChoice::Mix).expect("a whole file");
    assert_eq!(clip.samples.len() as u64, recorded.frames);
}

/// Linux has a device that is always full.
#[cfg(target_os = "linux")]
#[test]
fn a_folder_that_cannot_be_written_to_is_told_at_once() {
    let meters = Arc::new(Meters::default());
    let names = file_names(std::path::Path::new("/proc/nowhere/take.wav"), 1);
    let failed = Recorder::start(names, RATE_HZ, 2.0, false, &meters);
    assert!(failed.is_err());
}
