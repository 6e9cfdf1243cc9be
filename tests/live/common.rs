//! What the tests of this folder share.

use std::sync::Arc;

use presolder::amp::{AmpFile, AmpState, Job};
use presolder::audio::{ChannelChoice, read_wav};
use presolder::driven::Quality;
use presolder::live::{
    Engine, Meters, OutputChannels, OutputEnd, PIECE_FRAMES, Process, Remote, Slot, Source, Start,
    VoicePlan,
};
use presolder::render::RenderPath;

pub const RATE_HZ: u32 = 48_000;
pub const RATE: f64 = 48_000.0;
pub const DRAFT: RenderPath = RenderPath::Driven(Quality::Draft);

/// The versions of the job that comes with the program.
pub fn demo() -> Vec<AmpState> {
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("presets/jobs/demo.toml");
    Job::read(&path).expect("the demo").versions().cloned().collect()
}

/// A preset with its knobs where its file puts them.
pub fn preset(name: &str) -> AmpState {
    AmpFile::preset(name).expect(name).state().clone()
}

/// Chords in volts, full scale 2 V, at 48 kHz.
pub fn chords(seconds: f64) -> Vec<f64> {
    let path =
        std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-audio/open-chords.wav");
    let clip = read_wav(&path, ChannelChoice::Mix).expect("the chords");
    assert_eq!(clip.sample_rate_hz, RATE_HZ);
    clip.samples.iter().take((seconds * RATE) as usize).map(|x| 2.0 * x).collect()
}

/// How most tests start the engine: at once, with the limiter.
pub fn at_once() -> Start {
    Start {
        sample_rate_hz: RATE,
        version: 0,
        matched: false,
        volume: 1.0,
        muted: false,
        fade_in_s: 0.0,
        limiter: true,
    }
}

/// An engine with one slot for each plan, `gain` for all, twice that where matched.
pub fn engine(plans: &[VoicePlan], gain: f64, start: &Start) -> (Engine, Remote, Arc<Meters>) {
    let meters = Arc::new(Meters::default());
    let slots = plans
        .iter()
        .map(|plan| Slot {
            voice: Box::new(plan.voice()),
            gain_as_is: gain,
            gain_matched: 2.0 * gain,
        })
        .collect();
    let (engine, remote) = Engine::new(slots, start, meters.clone());
    (engine, remote, meters)
}

/// Runs an engine over volts, in pieces.
pub fn run(engine: &mut Engine, volts: &[f64]) -> Vec<f64> {
    let mut out = vec![0.0; volts.len()];
    for (x, y) in volts.chunks(PIECE_FRAMES).zip(out.chunks_mut(PIECE_FRAMES)) {
        engine.process(x, y);
    }
    out
}

/// An output end round a source and a process.
pub fn output(source: Source, process: Box<dyn Process>, meters: &Arc<Meters>) -> OutputEnd {
    OutputEnd::new(source, process, None, meters.clone(), RATE, OutputChannels::All)
}

/// Passes the input on: what is tested is the way to it and from it.
pub struct Through;

impl Process for Through {
    fn process(&mut self, input: &[f64], output: &mut [f64]) {
        output.copy_from_slice(input);
    }
}

/// Sizes that change from call to call, from 16 to 4096 frames, repeatably.
pub fn sizes() -> impl Iterator<Item = usize> {
    let mut state = 12_345u64;
    std::iter::repeat_with(move || {
        // A linear congruential generator with Knuth's multiplier (MMIX).
        state =
            state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        let share = (state >> 40) as f64 / (1u64 << 24) as f64;
        (16.0 * 256f64.powf(share)) as usize
    })
}
