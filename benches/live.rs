//! How long the audio callback takes for blocks of 64 frames at 48 kHz: median and 99.9th percentile
//! in percent of the 1.33 ms that a block lasts, for every preset at every quality and on the linear
//! path; the same while one version fades into another, when both run; and how long it takes to plan
//! the circuit of a moved knob, which is done on another thread.
//!
//! `cargo bench --bench live`; with a number, that many seconds for each: `cargo bench --bench live -- 20`

use std::path::Path;
use std::sync::Arc;
use std::time::Instant;

use presolder::amp::{AmpFile, AmpState, amp_names};
use presolder::audio::{ChannelChoice, Clip, read_wav};
use presolder::driven::Quality;
use presolder::live::{
    Engine, Looped, Meters, Order, OutputChannels, OutputEnd, Planner, Slot, Source, Start,
    VoicePlan,
};
use presolder::render::RenderPath;
use presolder::units::Position;

const RATE_HZ: f64 = 48_000.0;
const FRAMES: usize = 64;

/// Times of the callback in ms, sorted; `fading`: two versions take turns without a pause.
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
    let source = Source::Clip(Looped::new(&clip.samples, 2.0, RATE_HZ));
    let mut end =
        OutputEnd::new(source, Box::new(engine), None, meters, RATE_HZ, OutputChannels::All);
    let mut block = [0.0f32; 2 * FRAMES];
    let mut on = 0;
    let count = (seconds * RATE_HZ) as usize / FRAMES;
    let mut times: Vec<f64> = (0..count)
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
        .collect();
    times.sort_by(f64::total_cmp);
    times
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
    println!("                           playing            while fading       planning");
    println!("amp            path        median   99.9 %    median   99.9 %    a knob");
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-audio/open-chords.wav");
    let clip = read_wav(&path, ChannelChoice::Mix).expect("the chords");
    let mut paths = vec![("linear", RenderPath::Linear)];
    paths.extend(Quality::ALL.map(|q| (q.name(), RenderPath::Driven(q))));
    for name in amp_names() {
        let state = AmpFile::preset(name).expect(name).state().clone();
        for (path_name, path) in &paths {
            let (plan, planning_ms) = planned(&state, *path);
            let playing = times_ms(&plan, &clip, seconds, false);
            let fading = times_ms(&plan, &clip, seconds, true);
            let share = |times: &[f64], of: f64| {
                100.0 * times[((times.len() - 1) as f64 * of) as usize] / budget_ms
            };
            println!(
                "{name:<14} {path_name:<9} {:>7.1} % {:>6.1} %  {:>7.1} % {:>6.1} %  {planning_ms:>7.2} ms",
                share(&playing, 0.5),
                share(&playing, 0.999),
                share(&fading, 0.5),
                share(&fading, 0.999),
            );
        }
    }
}
