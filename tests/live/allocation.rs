//! Nothing is allocated or freed in a callback, whatever happens in it.

#[path = "../common/counting.rs"]
mod counting;

use presolder::live::{
    Clocks, Order, OutputChannels, OutputEnd, Recorder, Source, VoicePlan, file_names, input,
};
use presolder::render::RenderPath;

use crate::common::{DRAFT, RATE, RATE_HZ, at_once, demo, engine, sizes};

#[test]
fn callbacks_allocate_nothing() {
    let folder = tempfile::tempdir().expect("a folder");
    for (path, clocks, callbacks) in
        [(RenderPath::Linear, Clocks::One, 200), (DRAFT, Clocks::Two, 24)]
    {
        let plans: Vec<VoicePlan> =
            demo().iter().map(|state| VoicePlan::new(state, path, RATE).expect("a plan")).collect();
        let (engine, mut remote, meters) = engine(&plans, 0.002, &at_once());
        let (mut end, incoming) = input(clocks, RATE, 2.0, 0, &meters).expect("an input");
        let names = file_names(&folder.path().join(format!("{clocks:?}.wav")), 1);
        let (recorder, tap) =
            Recorder::start(names, RATE_HZ, 2.0, false, &meters).expect("a recorder");
        let mut output = OutputEnd::new(
            Source::Device(incoming),
            Box::new(engine),
            Some(tap),
            meters.clone(),
            RATE,
            OutputChannels::All,
        );
        let mut recorded = vec![0.25f32; 4096];
        recorded[100] = f32::NAN;
        let mut played = vec![0.0f32; 8192];
        let mut now_s = 0.0;
        let mut sounded = false;
        for (k, size) in sizes().take(callbacks).enumerate() {
            // Orders of every kind on the way; also a ring that runs over, and one that runs dry.
            let voice = Box::new(plans[(k + 1) % 3].voice());
            let orders = [
                Order::Choose(k % 3),
                Order::Replace { version: (k / 2) % 3, voice },
                Order::Volume(0.5 + 0.01 * (k % 10) as f64),
                Order::Matched(k % 2 == 0),
                Order::Limiter(k % 5 != 0),
                Order::Muted(k % 50 == 0),
            ];
            for order in orders {
                remote.orders.push(order).expect("room");
            }
            let before = counting::so_far();
            for _ in 0..if k == 20 { 40 } else { usize::from(k % 10 != 9) } {
                end.take(&recorded[..if k == 20 { 4096 } else { size }], 1, now_s);
            }
            output.fill(&mut played[..2 * size], 2, now_s);
            assert_eq!(counting::so_far() - before, 0, "{path:?}, callback {k}");
            sounded |= played[..2 * size].iter().any(|y| y.abs() > 1e-6);
            now_s += size as f64 / RATE;
            while remote.returned.pop().is_ok() {}
        }
        assert!(sounded && meters.input_spilt_frames.get() > 0 && meters.input_gaps.get() > 0);
        drop(output);
        assert!(recorder.finish().expect("a recording").frames > 0);
        assert!(counting::so_far() > 0, "the counter counts");
    }
}
