//! Recording while playing: the callback puts frames into a ring, a thread of its own writes files.

use std::fmt;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering::SeqCst};
use std::thread::{self, JoinHandle};
use std::time::Duration;

use rtrb::{Consumer, Producer, RingBuffer};

use super::error::LiveError;
use super::meters::Meters;
use crate::audio::{AudioError, OutputFormat, WavWriter};

/// Sound that may wait for a slow disk.
const RING_S: f64 = 10.0;
/// How often the writer looks.
const PAUSE: Duration = Duration::from_millis(20);
/// Frames written at once.
const BLOCK_FRAMES: usize = 4096;
/// A file stays below 4 GiB, which players that know no longer ones can read.
const MOST_FRAMES: u64 = (u32::MAX as u64 - 4096) / 4;

/// The callback's end.
#[derive(Debug)]
pub struct Tap {
    ring: Producer<[f32; 2]>,
    meters: Arc<Meters>,
    full_scale_volts: f64,
}

impl Tap {
    /// Puts in a piece: volts, and full scale 1. What finds no room is lost, dry and wet together, and
    /// counted.
    pub fn put(&mut self, dry_volts: &[f64], wet: &[f64]) {
        let mut lost = 0;
        for (x, y) in dry_volts.iter().zip(wet) {
            let frame = [(x / self.full_scale_volts) as f32, *y as f32];
            lost += u64::from(self.ring.push(frame).is_err());
        }
        self.meters.unrecorded_frames.add(lost);
    }
}

/// What a recording came to.
#[derive(Clone, Debug, PartialEq)]
pub struct Recorded {
    pub dry: PathBuf,
    pub wet: PathBuf,
    pub frames: u64,
    pub sample_rate_hz: u32,
    /// Why it ended before it was asked to: a full disk, say.
    pub cut_short: Option<String>,
}

impl fmt::Display for Recorded {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.frames == 0 {
            return f.write_str("nothing was recorded");
        }
        let seconds = self.frames as f64 / f64::from(self.sample_rate_hz);
        let (dry, wet) = (self.dry.display(), self.wet.display());
        write!(f, "recorded {seconds:.1} s: {dry} and {wet}")?;
        self.cut_short.iter().try_for_each(|why| write!(f, "; it ends there: {why}"))
    }
}

/// A recording under way.
#[derive(Debug)]
pub struct Recorder {
    thread: JoinHandle<Result<Recorded, LiveError>>,
    stop: Arc<AtomicBool>,
    written: Arc<AtomicU64>,
}

/// Names of the two files: `take.wav` gives `take-dry.wav` and `take-wet.wav`, and from the second
/// part on `take-2-dry.wav` and so on.
pub fn file_names(path: &Path, part: u32) -> (PathBuf, PathBuf) {
    let stem = path.file_stem().unwrap_or_default().to_string_lossy();
    let number = if part > 1 { format!("-{part}") } else { String::new() };
    let name = |what: &str| path.with_file_name(format!("{stem}{number}-{what}.wav"));
    (name("dry"), name("wet"))
}

impl Recorder {
    /// Starts a recording; the files appear when it is [finished](Recorder::finish).
    ///
    /// # Errors
    /// If a file is there already and `force` is not set, or cannot be written.
    pub fn start(
        names: (PathBuf, PathBuf),
        sample_rate_hz: u32,
        full_scale_volts: f64,
        force: bool,
        meters: &Arc<Meters>,
    ) -> Result<(Self, Tap), LiveError> {
        let room = (RING_S * f64::from(sample_rate_hz)) as usize;
        let (producer, ring) = RingBuffer::new(room);
        let open = |path: &Path| {
            WavWriter::create_open_ended(path, OutputFormat::Float32, sample_rate_hz, force)
        };
        let writers = [open(&names.0)?, open(&names.1)?];
        let stop = Arc::new(AtomicBool::new(false));
        let written = Arc::new(AtomicU64::new(0));
        let job = Job {
            ring,
            writers,
            stop: stop.clone(),
            written: written.clone(),
            names,
            sample_rate_hz,
        };
        let thread = thread::Builder::new()
            .name("recorder".to_owned())
            .spawn(move || job.run())
            .map_err(|source| LiveError::Thread { source })?;
        let tap = Tap { ring: producer, meters: meters.clone(), full_scale_volts };
        Ok((Self { thread, stop, written }, tap))
    }

    /// Frames in the files so far.
    pub fn frames(&self) -> u64 {
        self.written.load(SeqCst)
    }

    /// Whether the writer has given up (a full disk, say) or has reached the largest file.
    pub fn has_ended(&self) -> bool {
        self.thread.is_finished()
    }

    /// Writes what waits and closes the files. The callback should have ended.
    ///
    /// # Errors
    /// [`LiveError::Record`], or [`LiveError::Incomplete`] where not even what had been written before the disk
    /// was full could be kept: then no file is left.
    pub fn finish(self) -> Result<Recorded, LiveError> {
        self.stop.store(true, SeqCst);
        match self.thread.join() {
            Ok(answer) => answer,
            Err(_) => Err(LiveError::Record {
                path: PathBuf::new(),
                what: "its writer ended unexpectedly".to_owned(),
            }),
        }
    }
}

struct Job {
    ring: Consumer<[f32; 2]>,
    writers: [WavWriter; 2],
    stop: Arc<AtomicBool>,
    written: Arc<AtomicU64>,
    names: (PathBuf, PathBuf),
    sample_rate_hz: u32,
}

impl Job {
    fn run(mut self) -> Result<Recorded, LiveError> {
        let mut frames = 0;
        let mut blocks = [Vec::with_capacity(BLOCK_FRAMES), Vec::with_capacity(BLOCK_FRAMES)];
        loop {
            // Looked at before the ring, so that nothing put in before the end is missed.
            let last = self.stop.load(SeqCst) || self.ring.is_abandoned();
            while !self.ring.is_empty() && frames < MOST_FRAMES {
                match self.block(&mut blocks) {
                    Ok(more) => frames += more,
                    Err(source) => return self.cut_short(source),
                }
                self.written.store(frames, SeqCst);
            }
            if last || frames >= MOST_FRAMES {
                break;
            }
            thread::sleep(PAUSE);
        }
        match self.writers.iter_mut().try_for_each(WavWriter::flush) {
            Ok(()) => self.close(frames, None),
            Err(source) => self.cut_short(source),
        }
    }

    /// Keeps what both files hold when no more can be written. Their heads lie where something was written
    /// before, so a full disk has room for them.
    fn cut_short(mut self, why: AudioError) -> Result<Recorded, LiveError> {
        let mut kept = self.writers.iter().map(WavWriter::frames_on_disk);
        let kept = kept.try_fold(u64::MAX, |least, frames| Ok(least.min(frames?)));
        let frames = kept.map_err(|source| incomplete(0, self.sample_rate_hz, source))?;
        if frames == 0 {
            return Err(incomplete(0, self.sample_rate_hz, why));
        }
        let cut = self.writers.iter_mut().try_for_each(|writer| writer.cut_to(frames));
        cut.map_err(|source| incomplete(frames, self.sample_rate_hz, source))?;
        self.close(frames, Some(why.to_string()))
    }

    /// Puts both files in their places, neither before both are whole.
    fn close(self, frames: u64, cut_short: Option<String>) -> Result<Recorded, LiveError> {
        let Self { writers, names: (dry, wet), sample_rate_hz, .. } = self;
        let incomplete = |source| incomplete(frames, sample_rate_hz, source);
        // A device that never started leaves no empty files.
        if frames > 0 {
            let [first, second] = writers.map(WavWriter::complete_open_ended);
            let (first, second) = (first.map_err(incomplete)?, second.map_err(incomplete)?);
            first.commit().and_then(|()| second.commit()).map_err(incomplete)?;
        }
        Ok(Recorded { dry, wet, frames, sample_rate_hz, cut_short })
    }

    fn block(&mut self, blocks: &mut [Vec<f64>; 2]) -> Result<u64, AudioError> {
        blocks.iter_mut().for_each(Vec::clear);
        while blocks[0].len() < BLOCK_FRAMES
            && let Ok(frame) = self.ring.pop()
        {
            for (block, x) in blocks.iter_mut().zip(frame) {
                let x = if x.is_finite() { f64::from(x) } else { 0.0 };
                block.push(x.clamp(-1.0, 1.0));
            }
        }
        for (writer, block) in self.writers.iter_mut().zip(&*blocks) {
            writer.write_block(block)?;
        }
        Ok(blocks[0].len() as u64)
    }
}

fn incomplete(frames: u64, sample_rate_hz: u32, source: AudioError) -> LiveError {
    LiveError::Incomplete { seconds: frames as f64 / f64::from(sample_rate_hz), source }
}
