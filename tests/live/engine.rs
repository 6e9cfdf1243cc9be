//! The engine against the offline render, and its changes.

use std::f64::consts::TAU;

use presolder::live::{CEILING, Looped, Order, PIECE_FRAMES, Planner, Source, VoicePlan};
use presolder::render::{RenderPath, VersionPlan};
use presolder::units::Position;

use crate::common::{DRAFT, RATE, at_once, chords, demo, engine, output, preset, run, sizes};

/// Callbacks of 16 to 4096 frames, changing from call to call, give what the offline render gives,
/// sample for sample, on both paths; only the delay, which the render takes out, is left in.
#[test]
fn sounds_as_rendered() {
    // The driven path is slow without optimisation: one version, and a part of the clip.
    for (path, gain, seconds, versions) in
        [(RenderPath::Linear, 0.002, 4.0, 0..3), (DRAFT, 0.002, 0.4, 1..2)]
    {
        let volts = chords(seconds);
        for state in &demo()[versions] {
            let plan = VoicePlan::new(state, path, RATE).expect("a plan");
            let delay = plan.delay_frames();
            let (engine, _remote, meters) = engine(&[plan], gain, &at_once());
            let clip: Vec<f64> = volts.iter().map(|v| v / 2.0).collect();
            let looped = Looped::new(&clip, 2.0, RATE);
            let played = looped.volts().to_vec();
            let mut end = output(Source::Clip(looped), Box::new(engine), &meters);
            let mut live: Vec<f32> = Vec::new();
            for size in sizes() {
                let size = size.min(volts.len() - live.len());
                if size == 0 {
                    break;
                }
                let mut block = vec![0.0f32; 2 * size];
                end.fill(&mut block, 2, 0.0);
                assert!(block.chunks(2).all(|f| f[0] == f[1]), "both channels");
                live.extend(block.iter().step_by(2));
            }
            let rendered = VersionPlan::new(state, path, RATE).expect("a plan").render(&played);
            let mut peak = 0.0f32;
            for (n, y) in live.iter().enumerate().skip(delay) {
                let want = (gain * rendered[n - delay]) as f32;
                peak = peak.max(y.abs());
                assert_eq!(*y, want, "{path:?}, {}, frame {n}", state.version());
            }
            println!("{path:?}, {}: peak {peak}", state.version());
            // Not silence, and nothing that the limiter had a hand in.
            assert!(peak > 0.01 && f64::from(peak) < CEILING, "{peak}");
        }
    }
}

/// The largest step from one sample to the next.
fn largest_step(x: &[f64]) -> f64 {
    x.windows(2).map(|w| (w[1] - w[0]).abs()).fold(0.0, f64::max)
}

/// A low note, loud: a step of 20 ms in its level is far below its own steps, a click far above.
fn note(frames: usize) -> Vec<f64> {
    (0..frames).map(|n| 0.3 * (TAU * 110.0 * n as f64 / RATE).sin()).collect()
}

/// Switching back and forth makes no larger step than the louder of the two versions does by itself,
/// and the fade is over when it should be.
#[test]
fn switches_do_not_click() {
    for (path, switches) in [(RenderPath::Linear, 16), (DRAFT, 4)] {
        let plans: Vec<VoicePlan> =
            demo().iter().map(|state| VoicePlan::new(state, path, RATE).expect("a plan")).collect();
        let volts = note(12_000 * switches);
        let alone: Vec<Vec<f64>> = plans
            .iter()
            .map(|p| run(&mut engine(std::slice::from_ref(p), 0.002, &at_once()).0, &volts))
            .collect();
        let own = alone.iter().map(|a| largest_step(a)).fold(0.0, f64::max);
        let (mut engine, mut remote, meters) = engine(&plans, 0.002, &at_once());
        let mut heard = Vec::new();
        for (k, part) in volts.chunks(48_000 / 4).enumerate() {
            remote.orders.push(Order::Choose(k % 3)).expect("room");
            heard.extend(run(&mut engine, part));
            assert_eq!(meters.version.get(), (k % 3) as u64);
            // Settled: what is heard is that version, whose slow charges may still be on their way.
            let from = heard.len() - 110 * 48;
            let (rest, size) = heard[from..]
                .iter()
                .zip(&alone[k % 3][from..])
                .fold((0.0, 0.0), |(r, s), (h, a)| (r + (h - a).powi(2), s + a * a));
            assert!(rest < 0.02 * size, "{path:?}, switch {k}: {}", rest / size);
        }
        let step = largest_step(&heard);
        println!("{path:?}: largest step {step:.2e} switching, {own:.2e} playing");
        assert!(step <= 1.05 * own, "{path:?}: {step} against {own}");
    }
}

/// A planner that knows the version plans the same filter as one that has never seen it, knob after knob.
#[test]
fn a_planner_that_remembers_plans_the_same() {
    let mut planner = Planner::new(RenderPath::Linear, RATE);
    let volts = note(6000);
    for (version, name) in ["larkspur-22", "hawthorn-50"].into_iter().enumerate() {
        let mut state = preset(name);
        let controls: Vec<String> = state.controls().keys().cloned().collect();
        for (k, control) in controls.iter().cycle().take(8).enumerate() {
            let position = Position::new([0.0, 10.0, 3.0, 7.5][k % 4]).expect("a position");
            state = state.with_position(control, position).expect("the control");
            let [mut known, mut new] = [
                planner.plan(version, &state).expect("a plan").voice(),
                VoicePlan::new(&state, RenderPath::Linear, RATE).expect("a plan").voice(),
            ];
            let [mut a, mut b] = [(); 2].map(|()| vec![0.0; volts.len()]);
            known.process_into(&volts, &mut a);
            new.process_into(&volts, &mut b);
            let peak = b.iter().fold(0.0f64, |m, y| m.max(y.abs()));
            let off = a.iter().zip(&b).fold(0.0f64, |m, (a, b)| m.max((a - b).abs()));
            // It fits by fewer frequencies: 80 dB below the loudest, a thousandth of a decibel.
            assert!(off <= 1e-4 * peak, "{name}, {control}: {off} of {peak}");
        }
    }
}

/// Moving a knob in the middle of a note clicks neither, and goes on with the charges of the
/// capacitors; a voice that is not heard changes places at once, and the old ones come back.
#[test]
fn knob_moves_do_not_click() {
    for (path, moves) in [(RenderPath::Linear, 36), (DRAFT, 6)] {
        let state = preset("larkspur-22");
        let control = state.controls().keys().next().expect("a control").clone();
        let at = |number: f64| {
            let position = Position::new(number).expect("a position");
            let moved = state.with_position(&control, position).expect("the control");
            VoicePlan::new(&moved, path, RATE).expect("a plan")
        };
        let positions = [2.0, 5.0, 8.0, 3.0];
        let plans: Vec<VoicePlan> = positions.iter().map(|p| at(*p)).collect();
        let volts = note(4000 * moves);
        let alone = plans.iter().map(|p| {
            largest_step(&run(&mut engine(std::slice::from_ref(p), 0.002, &at_once()).0, &volts))
        });
        let own = alone.fold(0.0, f64::max);
        let (mut engine, mut remote, _) =
            engine(&[plans[0].clone(), plans[1].clone()], 0.002, &at_once());
        let mut heard = Vec::new();
        for (k, part) in volts.chunks(4000).enumerate() {
            let voice = Box::new(plans[k % plans.len()].voice());
            remote.orders.push(Order::Replace { version: 0, voice }).expect("room");
            let voice = Box::new(plans[0].voice());
            remote.orders.push(Order::Replace { version: 1, voice }).expect("room");
            heard.extend(run(&mut engine, part));
            for _ in 0..2 {
                assert!(
                    remote.returned.pop().is_ok(),
                    "{path:?}, move {k}: one back for one given"
                );
            }
        }
        let step = largest_step(&heard);
        println!("{path:?}, {control}: largest step {step:.2e} moving, {own:.2e} playing");
        assert!(step <= 1.05 * own, "{path:?}: {step} against {own}");
    }
}

/// A voice that takes over from another one with the same plan goes on as if nothing had been done:
/// charges, filters, the supply, all of it.
#[test]
fn taking_over_changes_nothing_by_itself() {
    let plan = VoicePlan::new(&preset("larkspur-22"), DRAFT, RATE).expect("a plan");
    let (mut first, mut second) = (plan.voice(), plan.voice());
    let volts: Vec<f64> = chords(0.2).iter().map(|v| 2.0 * v).collect();
    let mut out = vec![0.0; volts.len()];
    first.process_into(&volts, &mut out);
    assert!(second.take_over(&first));
    let mut other = out.clone();
    first.process_into(&volts, &mut out);
    second.process_into(&volts, &mut other);
    assert!(out.iter().any(|y| y.abs() > 0.1));
    assert_eq!(out, other);
    // Another amp's charges mean nothing here.
    let stranger = VoicePlan::new(&preset("tamarack-85"), DRAFT, RATE).expect("a plan");
    assert!(!stranger.voice().take_over(&first));
}

/// Hurried fingers: many switches and moves within a few milliseconds end with the last one.
#[test]
fn the_last_order_wins() {
    let plans: Vec<VoicePlan> = demo()
        .iter()
        .map(|state| VoicePlan::new(state, RenderPath::Linear, RATE).expect("a plan"))
        .collect();
    let (mut engine, mut remote, meters) = engine(&plans, 0.002, &at_once());
    let volts = note(48_000);
    for (k, part) in volts[..64 * 60].chunks(64).enumerate() {
        remote.orders.push(Order::Choose((k * 7) % 3)).expect("room");
        let voice = Box::new(plans[k % 3].voice());
        remote.orders.push(Order::Replace { version: k % 3, voice }).expect("room");
        run(&mut engine, part);
        while remote.returned.pop().is_ok() {}
    }
    remote.orders.push(Order::Choose(2)).expect("room");
    remote.orders.push(Order::Choose(99)).expect("room");
    let heard = run(&mut engine, &volts);
    assert_eq!(meters.version.get(), 2);
    assert!(heard.iter().all(|y| y.is_finite()) && heard.iter().any(|y| y.abs() > 1e-3));
}

/// Mute, volume and matching are glides; at rest they change nothing.
#[test]
fn gains_glide() {
    let plan = VoicePlan::new(&demo()[0], RenderPath::Linear, RATE).expect("a plan");
    let volts = note(48_000);
    let alone = run(&mut engine(std::slice::from_ref(&plan), 0.002, &at_once()).0, &volts);
    let (mut engine, mut remote, _) = engine(&[plan], 0.002, &at_once());
    let mut heard = run(&mut engine, &volts[..9600]);
    for order in [
        Order::Muted(true),
        Order::Muted(false),
        Order::Volume(0.5),
        Order::Volume(1.0),
        Order::Matched(true),
    ] {
        remote.orders.push(order).expect("room");
        let from = heard.len();
        heard.extend(run(&mut engine, &volts[from..from + 4800]));
    }
    let gain_after = |from: usize| heard[from + 4000] / alone[from + 4000];
    for (from, gain) in [(9600, 0.0), (14_400, 1.0), (19_200, 0.5), (24_000, 1.0), (28_800, 2.0)] {
        assert!((gain_after(from) - gain).abs() < 1e-12, "{from}: {}", gain_after(from));
    }
    assert!(largest_step(&heard) <= 2.1 * largest_step(&alone));
}

/// Whatever the guitar does, the limiter keeps the output at or below -1 dB; it is said to be at work.
#[test]
fn the_limiter_holds() {
    let plan = VoicePlan::new(&preset("tamarack-85"), DRAFT, RATE).expect("a plan");
    let (mut engine, _remote, meters) = engine(&[plan], 1.0, &at_once());
    let mut volts = note(9600);
    volts.iter_mut().for_each(|v| *v *= 30.0);
    let heard = run(&mut engine, &volts);
    let peak = heard.iter().fold(0.0f64, |p, y| p.max(y.abs()));
    assert!((0.8..=CEILING).contains(&peak), "{peak}");
    assert!(meters.output.take() > 1.0 && meters.output_over.get() > 0);
    assert!(meters.limiter_gain.get() < 1.0);
    // A grid that conducts is marked.
    assert!((0..4).any(|k| meters.conducting[k].get() > 0.05));
}

/// Long digital silence after a chord never brings the arithmetic to denormal numbers.
#[test]
fn silence_stays_clear_of_denormals() {
    for path in [RenderPath::Linear, DRAFT] {
        let seconds = if path == RenderPath::Linear { 120 } else { 3 };
        let plan = VoicePlan::new(&preset("sorrel-14"), path, RATE).expect("a plan");
        let (engine, _remote, meters) = engine(&[plan], 1.0, &at_once());
        let mut clip = chords(0.5);
        clip.resize(48_000 * seconds, 0.0);
        let mut end =
            output(Source::Clip(Looped::new(&clip, 2.0, RATE)), Box::new(Watch(engine)), &meters);
        let mut block = vec![0.0f32; 4800];
        for _ in 0..10 * seconds {
            end.fill(&mut block, 1, 0.0);
        }
    }
}

struct Watch(presolder::live::Engine);

impl presolder::live::Process for Watch {
    fn process(&mut self, input: &[f64], output: &mut [f64]) {
        assert!(input.len() <= PIECE_FRAMES);
        self.0.process(input, output);
        assert!(output.iter().all(|y| !y.is_subnormal()), "a denormal number");
    }
}
