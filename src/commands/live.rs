//! `presolder live`: playing through the versions of a job.

use std::path::PathBuf;

use clap::Args;

use super::failure::Failure;
use super::render::quality;
use crate::driven::Quality;
use crate::units::Volts;

#[cfg(feature = "live")]
mod card;
#[cfg(feature = "live")]
mod play;

/// Plays a guitar, or a clip, through the versions of a job: sound card to sound card, in real time.
#[derive(Debug, Args)]
#[command(after_help = EXAMPLE)]
// Without the sound card the arguments are read only to be explained.
#[cfg_attr(not(feature = "live"), allow(dead_code))]
pub struct LiveArgs {
    /// The job file, or an amp
    #[arg(required_unless_present_any = ["devices", "calibrate", "measure_latency"])]
    job: Option<String>,
    /// List devices with their channels, rates and buffer sizes
    #[arg(long, conflicts_with_all = ["calibrate", "measure_latency"])]
    devices: bool,
    /// With --devices: print JSON
    #[arg(long, requires = "devices")]
    json: bool,
    /// Input device: its identifier, or a part of its name
    #[arg(long, value_name = "DEVICE")]
    input: Option<String>,
    /// Output device, likewise
    #[arg(long, value_name = "DEVICE")]
    output: Option<String>,
    /// Channel of the input that the guitar is on, counted from 1
    #[arg(long, default_value = "1", value_parser = clap::value_parser!(u16).range(1..))]
    channel: u16,
    /// The one channel of the output that sounds, counted from 1; all of them if left out
    #[arg(long, value_parser = clap::value_parser!(u16).range(1..))]
    output_channel: Option<u16>,
    /// Sample rate in Hz; 48000 if the devices have it
    #[arg(long, value_name = "HZ", value_parser = clap::value_parser!(u32).range(44_100..=192_000))]
    rate: Option<u32>,
    /// Frames of a block; 128 if the devices have it
    #[arg(long, value_name = "FRAMES", value_parser = clap::value_parser!(u32).range(8..=8192))]
    buffer: Option<u32>,
    /// Clocks of input and output: one, or two that are brought together
    #[arg(long, value_name = "one|two", value_parser = ["one", "two"])]
    clocks: Option<String>,
    /// Peak volts at the guitar's jack that full scale of the input stands for; see --calibrate
    #[arg(long, value_name = "VOLTS", value_parser = volts)]
    full_scale_volts: Option<f64>,
    /// Find --full-scale-volts: feed a sine of so many peak volts into the input meanwhile
    #[arg(long, value_name = "VOLTS", value_parser = volts, conflicts_with = "measure_latency")]
    calibrate: Option<f64>,
    /// Measure the delay from output to input, by a cable between them
    #[arg(long)]
    measure_latency: bool,
    /// Play this over and over in place of the input: a WAV file, or the name of a clip of the job
    #[arg(long, value_name = "CLIP")]
    clip: Option<String>,
    /// Record to FILE-dry.wav and FILE-wet.wav
    #[arg(long, value_name = "FILE")]
    record: Option<PathBuf>,
    /// Overwrite recordings that are there
    #[arg(long)]
    force: bool,
    /// Compute with the circuit linearised at rest
    #[arg(long)]
    linear: bool,
    /// How finely the driven path steps: draft, fair, standard or fine; auto is the finest up to standard
    /// that this computer has the time for
    #[arg(long, default_value = "auto", value_parser = fineness, conflicts_with = "linear")]
    quality: Fineness,
    /// Start with this version
    #[arg(long, value_name = "NAME")]
    version: Option<String>,
    /// Start as loud as the amp would be, rather than with all versions equally loud
    #[arg(long)]
    as_is: bool,
    /// Volume of the output in dB, -60 to 12
    #[arg(long, value_name = "DB", default_value = "0", allow_negative_numbers = true, value_parser = volume)]
    volume: f64,
    /// Start muted
    #[arg(long)]
    muted: bool,
    /// Leave out the limiter that keeps peaks at -1 dB of full scale
    #[arg(long)]
    no_limiter: bool,
    /// No screen: print lines, read lines
    #[arg(long)]
    plain: bool,
    /// End after so many seconds of sound
    #[arg(long, value_name = "S", value_parser = seconds)]
    seconds: Option<f64>,
}

const EXAMPLE: &str = "Example:
  presolder live --devices

To play, name a job and the devices: live my-job/job.toml --input NAME --output NAME; to hear one without
a guitar: live my-job/job.toml --clip chords.

Before you play: turn the loudspeakers down; sound starts faded in, and a limiter keeps it below full
scale, but neither knows how loud your loudspeakers are. Plug the guitar, a line output or a dummy load
with a line output into the interface, NEVER the speaker output of a power amplifier: its tens of volts
destroy the interface, and an amplifier without its load destroys its output transformer.";

/// A quality, or whichever keeps up.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(not(feature = "live"), allow(dead_code))]
enum Fineness {
    Auto,
    Given(Quality),
}

fn fineness(text: &str) -> Result<Fineness, String> {
    if text == "auto" { Ok(Fineness::Auto) } else { quality(text).map(Fineness::Given) }
}

fn volts(text: &str) -> Result<f64, String> {
    let read = text.trim().parse::<f64>().ok().or_else(|| text.parse::<Volts>().ok().map(|v| v.0));
    match read {
        Some(v) if v > 0.0 && v <= 100.0 => Ok(v),
        _ => {
            Err(format!("{text:?} is no level here; give peak volts above 0 up to 100, such as 2V"))
        }
    }
}

fn volume(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(db) if crate::audio::VOLUME_DB.contains(&db) => Ok(db),
        _ => Err(format!("{text:?} is no volume; give -60 to 12 dB")),
    }
}

fn seconds(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(s) if s > 0.0 && s.is_finite() => Ok(s),
        _ => Err(format!("{text:?} is no time; give seconds above 0")),
    }
}

/// Runs the command.
///
/// # Errors
/// [`Failure`].
#[cfg(feature = "live")]
pub fn run(args: &LiveArgs) -> Result<(), Failure> {
    if args.devices {
        card::list(args)
    } else if let Some(known_volts) = args.calibrate {
        card::calibrate(args, known_volts)
    } else if args.measure_latency {
        card::measure_latency(args)
    } else {
        play::run(args)
    }
}

/// Says how to get a build that has it.
///
/// # Errors
/// Always: [`Failure::Input`].
#[cfg(not(feature = "live"))]
pub fn run(_: &LiveArgs) -> Result<(), Failure> {
    Err(Failure::input(
        "this build has no sound card in it; make one that has: cargo build --release --features live \
         (on Debian and Ubuntu first: apt-get install libasound2-dev pkg-config). Without a sound card \
         presolder render makes the same sound as files.",
    ))
}
