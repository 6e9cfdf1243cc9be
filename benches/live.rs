//! How long the audio callback takes for blocks of 64 frames at 48 kHz: median and 99.9th percentile
//! in percent of the 1.33 ms that a block lasts, for every preset at every quality and on the linear
//! path; the same while one version fades into another, when both run; and how long it takes to plan
//! the circuit of a moved knob, which is done on another thread.
//!
//! What else a machine does goes into the 99.9th percentile: the same sound is played several times over,
//! and `alone` is that of the shortest time of each block. The first line is a piece of work that is
//! always the same, measured likewise.
//!
//! `cargo bench --bench live`; with a number, that many seconds for each: `cargo bench --bench live -- 20`

use std::path::Path;
use std::sync::Arc;
use std::time::Instant;

use presolder::amp::{AmpFile, AmpState, amp_names};
use presolder::audio::{ChannelChoice, Clip, read_wav};
use presolder::driven::Quality;
use presolder::live::pace::quality_in_time;
use presolder::live::{
    Engine, Looped, Meters, Order, OutputChannels, OutputEnd, Planner, Slot, Source, Start,
    VoicePlan,
};
use presolder::render::RenderPath;
use presolder::units::Position;

const RATE_HZ: f64 = 48_000.0;
const FRAMES: usize = 64;
/// Of the clip, at the guitar's jack.
const FULL_SCALE_V: f64 = 2.0;

/// How often the same sound is played.
const ROUNDS: usize = 4;

/// Times of blocks in percent of what a block lasts: median and 99.9th percentile of one round, and the
/// latter of the shortest of all rounds.
struct Times {
    median: f64,
    high: f64,
    high_alone: f64,
}

impl Times {
    fn of(mut round_ms: impl FnMut() -> Vec<f64>) -> Self {
        let mut one = round_ms();
        let mut shortest = one.clone();
        for _ in 1..ROUNDS {
            for (least, time) in shortest.iter_mut().zip(round_ms()) {
                *least = least.min(time);
            }
        }
        let percent = |times: &mut Vec<f64>, of: f64| {
            times.sort_by(f64::total_cmp);
            times[((times.len() - 1) as f64 * of) as usize] * RATE_HZ / FRAMES as f64 / 10.0
        };
        Self {
            median: percent(&mut one, 0.5),
            high: percent(&mut one, 0.999),
            high_alone: percent(&mut shortest, 0.999),
        }
    }
}

impl std::fmt::Display for Times {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{:>7.1} {:>7.1} {:>7.1}", self.median, self.high, self.high_alone)
    }
}

/// Times of the callback in ms, by block; `fading`: two versions take turns without a pause.
fn times_ms(plan: &VoicePlan, clip: &Clip, seconds: f64, fading: bool) -> Vec<f64> {
    let slot = || Slot { voice: Box::new(plan.voice()), gain_as_is: 0.002, gain_matched: 0.002 };
    let start = Start {
        sample_rate_hz: RATE_HZ,
        version: 0,
        matched: true,
        volume: 1.0,
        muted: false,
        fade_in_s: 0.0,
        limiter: true,
    };
    let meters = Arc::new(Meters::default());
    let (engine, mut remote) = Engine::new(vec![slot(), slot()], &start, meters.clone());
    let source = Source::Clip(Looped::new(&clip.samples, FULL_SCALE_V, RATE_HZ));
    let mut end =
        OutputEnd::new(source, Box::new(engine), None, meters, RATE_HZ, OutputChannels::All);
    let mut block = [0.0f32; 2 * FRAMES];
    let mut on = 0;
    let count = (seconds * RATE_HZ) as usize / FRAMES;
    (0..count)
        .map(|k| {
            if fading && k % 10 == 0 {
                on = 1 - on;
                // A full queue only means that the engine has enough to do.
                let _ = remote.orders.push(Order::Choose(on));
            }
            let start = Instant::now();
            end.fill(&mut block, 2, 0.0);
            1e3 * start.elapsed().as_secs_f64()
        })
        .collect()
}

/// Blocks of work that is always the same, in ms.
fn same_work_ms(count: usize) -> Vec<f64> {
    let block = |_| {
        let start = Instant::now();
        let mut sum = 1.0f64;
        for k in 0..150_000 {
            sum = sum * 0.999_999 + f64::from(k);
        }
        std::hint::black_box(sum);
        1e3 * start.elapsed().as_secs_f64()
    };
    (0..count).map(block).collect()
}

/// A version's plan, and how long the plan of a moved knob takes, the shortest of several.
fn planned(state: &AmpState, path: RenderPath) -> (VoicePlan, f64) {
    let plan = VoicePlan::new(state, path, RATE_HZ).expect("a plan");
    let mut planner = Planner::new(path, RATE_HZ);
    let control = state.controls().keys().next().expect("a control");
    let mut times = (0..20).map(|k| {
        let position = Position::new(f64::from(k % 11)).expect("a position");
        let moved = state.with_position(control, position).expect("the control");
        let start = Instant::now();
        drop(planner.plan(0, &moved).expect("a plan").voice());
        1e3 * start.elapsed().as_secs_f64()
    });
    // The first one solves the amp from nothing.
    let _ = times.next();
    (plan, times.fold(f64::INFINITY, f64::min))
}

fn main() {
    let seconds = std::env::args().skip(1).find_map(|a| a.parse().ok()).unwrap_or(4.0f64);
    let budget_ms = 1e3 * FRAMES as f64 / RATE_HZ;
    println!(
        "blocks of {FRAMES} frames at 48 kHz last {budget_ms:.3} ms; {seconds} s of open chords"
    );
    println!("percent of that      playing                  while fading             planning");
    println!("amp, path          median  99.9 %   alone   median  99.9 %   alone    a knob");
    let count = (seconds * RATE_HZ) as usize / FRAMES;
    println!("{:<22} {}", "always the same", Times::of(|| same_work_ms(count)));
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-audio/open-chords.wav");
    let clip = read_wav(&path, ChannelChoice::Mix).expect("the chords");
    let mut paths = vec![("linear", RenderPath::Linear)];
    paths.extend(Quality::ALL.map(|q| (q.name(), RenderPath::DrivenEvenly(q))));
    for name in amp_names() {
        let state = AmpFile::preset(name).expect(name).state().clone();
        for (path_name, path) in &paths {
            let (plan, planning_ms) = planned(&state, *path);
            let playing = Times::of(|| times_ms(&plan, &clip, seconds, false));
            let fading = Times::of(|| times_ms(&plan, &clip, seconds, true));
            let what = format!("{name} {path_name}");
            println!("{what:<22} {playing}  {fading}  {planning_ms:>5.2} ms");
        }
        let volts: Vec<f64> = clip.samples.iter().map(|x| FULL_SCALE_V * x).collect();
        let pace = quality_in_time(&[state], &volts, RATE_HZ, FRAMES).expect("a pace");
        println!("{name} auto: {pace}");
    }
}
