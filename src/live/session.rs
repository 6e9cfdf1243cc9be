//! A device, the board and the recording together: started, looked after, started again when a device
//! that was lost returns, and ended with whole files.

use std::path::PathBuf;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, Sender, channel};
use std::time::{Duration, Instant};

use super::board::Board;
use super::error::LiveError;
use super::input::{Clocks, InputEnd, input};
use super::meters::Meters;
use super::output::{Looped, OutputChannels, OutputEnd, Source};
use super::recorder::{Recorded, Recorder, file_names};

/// Sound is faded in over this time whenever it starts.
pub const FADE_IN_S: f64 = 1.0;
/// How often a lost device is looked for.
pub const RETRY: Duration = Duration::from_secs(1);

/// What a device is going to do.
#[derive(Clone, Debug, PartialEq)]
pub struct Agreed {
    pub sample_rate_hz: u32,
    pub clocks: Clocks,
    /// Names, for people.
    pub input: Option<String>,
    pub output: String,
    /// Frames of a block, if the device was told.
    pub buffer_frames: Option<u32>,
}

/// What a device tells of itself.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Event {
    /// It is gone, and why.
    Lost(String),
    /// It left out or repeated a block.
    Gap,
    /// Something else that a person should know.
    Note(String),
}

/// Something that calls [`InputEnd::take`] and [`OutputEnd::fill`]: a sound card, or a test.
pub trait Backend {
    /// Runs until it is dropped; then no callback runs any more.
    type Running;

    /// Settles rate and devices, without starting anything.
    ///
    /// # Errors
    /// [`LiveError`], saying what can be had instead.
    fn agree(&mut self) -> Result<Agreed, LiveError>;

    /// Starts. What goes wrong later is told by `events`.
    ///
    /// # Errors
    /// [`LiveError`].
    fn open(
        &mut self,
        agreed: &Agreed,
        input: Option<InputEnd>,
        output: OutputEnd,
        events: Sender<Event>,
    ) -> Result<Self::Running, LiveError>;
}

/// What is to be played, and kept.
#[derive(Clone, Debug)]
pub struct Plan {
    /// A clip in place of the device's input.
    pub clip: Option<Looped>,
    /// Volts at the amp's input that full scale of the input stands for.
    pub full_scale_volts: f64,
    /// Counted from 0.
    pub input_channel: usize,
    pub output_channels: OutputChannels,
    /// Where to record to.
    pub record: Option<PathBuf>,
    /// Whether recordings may replace files.
    pub force: bool,
}

/// See the module.
pub struct Session<B: Backend> {
    backend: B,
    agreed: Agreed,
    plan: Plan,
    pub board: Board,
    pub meters: Arc<Meters>,
    running: Option<B::Running>,
    events: Receiver<Event>,
    recorder: Option<Recorder>,
    /// Recordings that have ended, and what was wrong with the last one that could not be kept.
    recorded: Vec<Recorded>,
    unrecorded: Option<LiveError>,
    parts: u32,
    resampler_frames: usize,
    /// Since when the device is lost, and when it was last looked for.
    looked: Option<Instant>,
}

impl<B: Backend> Session<B> {
    /// Starts the sound.
    ///
    /// # Errors
    /// [`LiveError`].
    pub fn start(backend: B, agreed: Agreed, board: Board, plan: Plan) -> Result<Self, LiveError> {
        let (_, events) = channel();
        let mut session = Self {
            backend,
            agreed,
            plan,
            board,
            meters: Arc::new(Meters::default()),
            running: None,
            events,
            recorder: None,
            recorded: vec![],
            unrecorded: None,
            parts: 0,
            resampler_frames: 0,
            looked: None,
        };
        session.open()?;
        Ok(session)
    }

    fn open(&mut self) -> Result<(), LiveError> {
        let rate_hz = f64::from(self.agreed.sample_rate_hz);
        let volts = self.plan.full_scale_volts;
        let mut end = None;
        let source = match &self.plan.clip {
            Some(clip) => Source::Clip(clip.clone()),
            None => {
                let clocks = self.agreed.clocks;
                let channel = self.plan.input_channel;
                let (input_end, incoming) = input(clocks, rate_hz, volts, channel, &self.meters)?;
                self.resampler_frames = incoming.resampler_frames();
                end = Some(input_end);
                Source::Device(incoming)
            }
        };
        let mut tap = None;
        let mut recorder = None;
        if let Some(path) = &self.plan.record {
            let names = file_names(path, self.parts + 1);
            let (rate_hz, force) = (self.agreed.sample_rate_hz, self.plan.force);
            let (r, t) = Recorder::start(names, rate_hz, volts, force, &self.meters)?;
            (recorder, tap) = (Some(r), Some(t));
        }
        let engine = Box::new(self.board.engine(FADE_IN_S, &self.meters));
        let channels = self.plan.output_channels;
        let output = OutputEnd::new(source, engine, tap, self.meters.clone(), rate_hz, channels);
        let (sender, events) = channel();
        self.running = Some(self.backend.open(&self.agreed, end, output, sender)?);
        self.events = events;
        if recorder.is_some() {
            self.parts += 1;
        }
        self.recorder = recorder;
        self.looked = None;
        Ok(())
    }

    /// To be called often: looks after the device, the recording and the planner. Returns what a
    /// person should know.
    pub fn poll(&mut self) -> Vec<String> {
        let mut words = self.board.poll();
        let mut lost = None;
        for event in self.events.try_iter() {
            match event {
                Event::Gap => self.meters.device_gaps.add(1),
                Event::Lost(why) => lost = Some(why),
                Event::Note(word) => words.push(word),
            }
        }
        if let Some(why) = lost
            && self.running.take().is_some()
        {
            words.push(format!("{} is gone: {why}", self.agreed.output));
            words.extend(self.end_recording());
            words.push("waiting for it to return".to_owned());
            self.looked = Some(Instant::now());
        }
        if self.recorder.as_ref().is_some_and(Recorder::has_ended) {
            words.extend(self.end_recording().map(|word| word + "; the sound goes on"));
        }
        if self.looked.is_some_and(|at| at.elapsed() >= RETRY) {
            self.looked = Some(Instant::now());
            words.extend(self.try_again());
        }
        words
    }

    fn try_again(&mut self) -> Option<String> {
        let agreed = self.backend.agree().ok()?;
        if agreed.sample_rate_hz != self.agreed.sample_rate_hz {
            self.looked = None;
            return Some(format!(
                "{} is back, but at {} Hz instead of {} Hz: start again for that",
                agreed.output, agreed.sample_rate_hz, self.agreed.sample_rate_hz
            ));
        }
        self.agreed = agreed;
        match self.open() {
            Ok(()) => Some(format!("{} is back; it goes on, faded in", self.agreed.output)),
            Err(LiveError::Device { .. } | LiveError::Stack { .. }) => None,
            Err(error) => {
                self.looked = None;
                Some(format!("it does not go on: {error}"))
            }
        }
    }

    fn end_recording(&mut self) -> Option<String> {
        let recorded = self.recorder.take()?.finish();
        Some(match recorded {
            Ok(recorded) => {
                let word = recorded.to_string();
                self.recorded.push(recorded);
                word
            }
            Err(error) => {
                let word = format!("the recording ended: {error}");
                self.unrecorded = Some(error);
                word
            }
        })
    }

    /// Whether the device runs.
    pub fn is_running(&self) -> bool {
        self.running.is_some()
    }

    /// Whether the device is gone for good, so that nothing more will come.
    pub fn has_ended(&self) -> bool {
        self.running.is_none() && self.looked.is_none()
    }

    /// The device.
    pub fn backend(&mut self) -> &mut B {
        &mut self.backend
    }

    /// What the device does.
    pub fn agreed(&self) -> &Agreed {
        &self.agreed
    }

    /// What is played.
    pub fn plan(&self) -> &Plan {
        &self.plan
    }

    /// Frames recorded so far, if it is being recorded.
    pub fn recorded_frames(&self) -> Option<u64> {
        self.recorder.as_ref().map(Recorder::frames)
    }

    /// The delay from input to output as set up, in frames; the device's converters come on top.
    pub fn delay(&self) -> Delay {
        Delay {
            waiting_frames: self.meters.waiting_frames.get(),
            resampler_frames: self.resampler_frames,
            amp_frames: self.board.delay_frames(),
            output_frames: self.meters.largest_block_frames.get() as usize,
        }
    }

    /// Ends the sound, and the recording with whole files. Returns all recordings of the session, and why one
    /// could not be kept if there is such a one.
    pub fn stop(mut self) -> (Vec<Recorded>, Option<LiveError>) {
        self.running = None;
        self.end_recording();
        (self.recorded, self.unrecorded)
    }
}

/// See [`Session::delay`].
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Delay {
    /// Input kept waiting, so that blocks of both sides fit.
    pub waiting_frames: f64,
    pub resampler_frames: usize,
    /// Filters of the amp's calculation.
    pub amp_frames: usize,
    /// The block that is being filled while the one before it plays.
    pub output_frames: usize,
}

impl Delay {
    /// All of it.
    pub fn total_frames(&self) -> f64 {
        let rest = self.resampler_frames + self.amp_frames + self.output_frames;
        self.waiting_frames + rest as f64
    }
}
