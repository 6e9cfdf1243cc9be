//! Devices: listing them, calibrating an input, measuring a loop.

use std::sync::Arc;
use std::thread;
use std::time::{Duration, Instant};

use rtrb::Consumer;
use serde::Serialize;

use super::LiveArgs;
use crate::commands::failure::Failure;
use crate::commands::output::{Table, print};
use crate::live::{
    Agreed, Backend, Capture, Clocks, Event, Listed, ListedSide, LiveError, Meters, OutputChannels,
    OutputEnd, SoundCard, Source, Wish, calibrate as find_full_scale, input, latency, list_devices,
};

impl From<LiveError> for Failure {
    fn from(error: LiveError) -> Self {
        if error.is_users() { Self::input(error) } else { Self::fault(error) }
    }
}

/// What the arguments say of devices.
pub fn wish(args: &LiveArgs, no_input: bool) -> Wish {
    Wish {
        input: args.input.clone(),
        output: args.output.clone(),
        no_input,
        rate_hz: args.rate,
        buffer_frames: args.buffer,
        input_channel: usize::from(args.channel) - 1,
        output_channel: args.output_channel.map(|c| usize::from(c) - 1),
        clocks: args.clocks.as_deref().map(|c| if c == "one" { Clocks::One } else { Clocks::Two }),
    }
}

/// Which channels of the output sound.
pub fn output_channels(args: &LiveArgs) -> OutputChannels {
    args.output_channel.map_or(OutputChannels::All, |c| OutputChannels::One(usize::from(c) - 1))
}

#[derive(Serialize)]
struct DevicesJson {
    schema: &'static str,
    devices: Vec<Listed>,
}

/// `--devices`.
pub fn list(args: &LiveArgs) -> Result<(), Failure> {
    let devices = list_devices()?;
    if args.json {
        let json = DevicesJson { schema: "presolder-live-devices/1", devices };
        let text = serde_json::to_string_pretty(&json).map_err(Failure::fault)?;
        return print(&format!("{text}\n"));
    }
    if devices.is_empty() {
        return print("There is no sound device here that could be opened.\n");
    }
    let mut table = Table::new(&["device", "", "channels", "rates in kHz", "block", "name"]);
    for device in &devices {
        for (what, side) in [("in", &device.input), ("out", &device.output)] {
            let Some(side) = side else { continue };
            let default = if side.is_default { "*" } else { "" };
            table.row([
                device.id.clone(),
                format!("{what}{default}"),
                side.most_channels.to_string(),
                rates(side),
                side.buffer_frames.map_or("?".to_owned(), |[low, high]| format!("{low}-{high}")),
                device.name.clone(),
            ]);
        }
    }
    print(&format!("{}\n  * taken if none is named\n", table.text()))
}

fn rates(side: &ListedSide) -> String {
    let list: Vec<String> =
        side.rates_hz.iter().map(|r| format!("{}", f64::from(*r) / 1000.0)).collect();
    list.join(" ")
}

/// Plays a signal while it listens; full scale of the input is 1.
fn capture(
    args: &LiveArgs,
    signal: Vec<f64>,
    seconds: impl Fn(&Agreed) -> f64,
    frames: impl Fn(&Agreed) -> usize,
) -> Result<(Vec<f64>, Agreed), Failure> {
    let mut card = SoundCard::new(wish(args, false));
    let agreed = card.agree()?;
    let rate_hz = f64::from(agreed.sample_rate_hz);
    let meters = Arc::new(Meters::default());
    let channel = usize::from(args.channel) - 1;
    let (end, incoming) = input(agreed.clocks, rate_hz, 1.0, channel, &meters)?;
    let wanted = frames(&agreed);
    let (capture, ring) = Capture::new(signal, wanted);
    let source = Source::Device(incoming);
    let channels = output_channels(args);
    let output = OutputEnd::new(source, Box::new(capture), None, meters, rate_hz, channels);
    let (sender, events) = std::sync::mpsc::channel();
    println!("{} -> {}, {} Hz", agreed.input.as_deref().unwrap_or("none"), agreed.output, rate_hz);
    let streams = card.open(&agreed, Some(end), output, sender)?;
    let start = Instant::now();
    // Three times as long as it takes is long enough to wait.
    let patience = 3.0 * seconds(&agreed) + 5.0;
    let heard = collect(ring, wanted, || {
        let lost = events.try_iter().find_map(|e| match e {
            Event::Lost(why) => Some(why),
            Event::Gap | Event::Note(_) => None,
        });
        lost.map_or(start.elapsed().as_secs_f64() < patience, |_| false)
    });
    drop(streams);
    Ok((heard, agreed))
}

fn collect(mut ring: Consumer<f64>, wanted: usize, go_on: impl Fn() -> bool) -> Vec<f64> {
    let mut heard = Vec::with_capacity(wanted);
    while heard.len() < wanted && go_on() {
        while let Ok(x) = ring.pop() {
            heard.push(x);
        }
        thread::sleep(Duration::from_millis(20));
    }
    heard
}

/// Silence while the input settles, and time that is measured.
const SETTLE_S: f64 = 1.0;
const MEASURE_S: f64 = 3.0;

/// `--calibrate`.
pub fn calibrate(args: &LiveArgs, known_peak_volts: f64) -> Result<(), Failure> {
    println!(
        "Feed a steady sine of {known_peak_volts} V peak ({:.4} V RMS), 200 Hz to 2 kHz, into the input.",
        known_peak_volts / std::f64::consts::SQRT_2
    );
    let seconds = SETTLE_S + MEASURE_S;
    let frames = |agreed: &Agreed| (seconds * f64::from(agreed.sample_rate_hz)) as usize;
    let (heard, agreed) = capture(args, Vec::new(), |_| seconds, frames)?;
    let settled = (SETTLE_S * f64::from(agreed.sample_rate_hz)) as usize;
    let found = find_full_scale(heard.get(settled..).unwrap_or_default(), known_peak_volts)?;
    print(&format!(
        "The sine is at {:.2} dB re full scale: play with\n  --full-scale-volts {:.4}\n\
         as long as the gain of the interface stays where it is.\n",
        found.level_db, found.full_scale_volts
    ))
}

/// `--measure-latency`.
pub fn measure_latency(args: &LiveArgs) -> Result<(), Failure> {
    println!(
        "Connect the output to the input by a cable, loudspeakers off: three bursts of noise are played."
    );
    let frames = |_: &Agreed| latency::frames();
    let seconds = |agreed: &Agreed| latency::frames() as f64 / f64::from(agreed.sample_rate_hz);
    let (heard, agreed) = capture(args, latency::signal(), seconds, frames)?;
    let found = latency::measure(&heard)?;
    let ms = 1e3 * found.lag_frames / f64::from(agreed.sample_rate_hz);
    print(&format!(
        "Round trip: {:.1} frames, {ms:.2} ms, blocks, converters{} and all; it came back at {:+.1} dB.\n\
         The amp's calculation adds its own delay, which the screen shows.\n",
        found.lag_frames,
        if agreed.clocks == Clocks::Two { ", resampler" } else { "" },
        found.level_db
    ))
}
