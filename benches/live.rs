//! How long the audio callback takes for blocks of 64 frames at 48 kHz: median and 99.9th percentile
//! against the 1.33 ms that a block lasts, for every preset at every quality and on the linear path.
//!
//! `cargo bench --bench live`; with a number, that many seconds for each: `cargo bench --bench live -- 20`

use std::path::Path;
use std::sync::Arc;
use std::time::Instant;

use presolder::amp::{AmpFile, amp_names};
use presolder::audio::{ChannelChoice, read_wav};
use presolder::driven::Quality;
use presolder::live::{
    Engine, Looped, Meters, OutputChannels, OutputEnd, Slot, Source, Start, VoicePlan,
};
use presolder::render::RenderPath;

const RATE_HZ: f64 = 48_000.0;
const FRAMES: usize = 64;

fn main() {
    let seconds = std::env::args().skip(1).find_map(|a| a.parse().ok()).unwrap_or(4.0f64);
    let budget_ms = 1e3 * FRAMES as f64 / RATE_HZ;
    println!(
        "blocks of {FRAMES} frames at 48 kHz last {budget_ms:.3} ms; {seconds} s of open chords"
    );
    println!(
        "{:<14} {:<9} {:>10} {:>10} {:>16}",
        "amp", "quality", "median", "99.9 %", "of the budget"
    );
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-audio/open-chords.wav");
    let clip = read_wav(&path, ChannelChoice::Mix).expect("the chords");
    let mut paths = vec![("linear", RenderPath::Linear)];
    paths.extend(Quality::ALL.map(|q| (q.name(), RenderPath::Driven(q))));
    for name in amp_names() {
        let state = AmpFile::preset(name).expect(name).state().clone();
        for (quality, path) in &paths {
            let plan = VoicePlan::new(&state, *path, RATE_HZ).expect("a plan");
            let slot = Slot { voice: Box::new(plan.voice()), gain_as_is: 0.01, gain_matched: 0.01 };
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
            let (engine, _remote) = Engine::new(vec![slot], &start, meters.clone());
            let source = Source::Clip(Looped::new(&clip.samples, 2.0, RATE_HZ));
            let channels = OutputChannels::All;
            let mut end = OutputEnd::new(source, Box::new(engine), None, meters, RATE_HZ, channels);
            let mut block = [0.0f32; 2 * FRAMES];
            let count = (seconds * RATE_HZ) as usize / FRAMES;
            let mut times: Vec<f64> = (0..count)
                .map(|_| {
                    let start = Instant::now();
                    end.fill(&mut block, 2, 0.0);
                    1e3 * start.elapsed().as_secs_f64()
                })
                .collect();
            times.sort_by(f64::total_cmp);
            let at = |share: f64| times[((times.len() - 1) as f64 * share) as usize];
            println!(
                "{name:<14} {quality:<9} {:>7.3} ms {:>7.3} ms {:>6.1} % {:>6.1} %",
                at(0.5),
                at(0.999),
                100.0 * at(0.5) / budget_ms,
                100.0 * at(0.999) / budget_ms
            );
        }
    }
}
