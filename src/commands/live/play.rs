//! Playing.

use std::io::IsTerminal;
use std::path::Path;

use super::card::{output_channels, wish};
use super::{Fineness, LiveArgs};
use crate::amp::{AmpState, Job};
use crate::audio::{ChannelChoice, Clip, read_wav, resample};
use crate::commands::SAMPLE_CLIP;
use crate::commands::failure::Failure;
use crate::commands::input::{Subject, open_subject};
use crate::commands::output::print;
use crate::live::{
    Agreed, Backend, Board, Looped, Plan, Session, Settings, SoundCard, USUAL_BUFFER_FRAMES, Until,
    match_versions, pace::quality_in_time, plain, screen,
};
use crate::render::{ClipSource, RenderPath};

/// Full scale of an input, and of a clip that the job does not know, unless it is told.
const USUAL_FULL_SCALE_V: f64 = 2.0;

/// What is said before any sound.
const CAUTION: &str = "\
Loud sound harms hearing: turn the loudspeakers down first. Sound starts faded in; the limiter keeps\n\
peaks at -1 dB of full scale, however loud that is in your loudspeakers.\n\
Never plug the speaker output of a power amplifier into an interface.\n";

/// Runs the command.
pub fn run(args: &LiveArgs) -> Result<(), Failure> {
    let subject = open_subject(args.job.as_deref().unwrap_or_default())?;
    let (title, states, job) = match &subject {
        Subject::Job(job) => (job.title.clone(), job.versions().cloned().collect(), Some(&**job)),
        Subject::Amp(amp) => (amp.state().title().to_owned(), vec![amp.state().clone()], None),
    };
    let settings = settings(args, &states)?;
    let mut card = SoundCard::new(wish(args, args.clip.is_some()));
    let agreed = card.agree()?;
    let rate_hz = agreed.sample_rate_hz;
    let (clip, full_scale_volts) = match &args.clip {
        None => (None, args.full_scale_volts.unwrap_or(USUAL_FULL_SCALE_V)),
        Some(name) => {
            let (clip, volts) = named_clip(name, job, args.full_scale_volts)?;
            let clip = resample(&clip, rate_hz)?;
            (Some(Looped::new(&clip.samples, volts, f64::from(rate_hz))), volts)
        }
    };
    let reference = reference(clip.as_ref(), job, rate_hz)?;
    print(CAUTION)?;
    say_what(args, &agreed, full_scale_volts)?;
    let count = states.len();
    let (path, path_name) = path(args, &states, &reference, &agreed)?;
    print(&format!("planning {count} version(s) and matching their loudness ...\n"))?;
    let gains = match_versions(&states, path, &reference, rate_hz)?;
    let board = Board::new(states, &gains, path, f64::from(rate_hz), settings)?;
    let plan = Plan {
        clip,
        full_scale_volts,
        input_channel: usize::from(args.channel) - 1,
        output_channels: output_channels(args),
        record: args.record.clone(),
        force: args.force,
    };
    let until = Until { interrupted: crate::interrupt::catch(), seconds: args.seconds };
    let mut session = Session::start(card, agreed, board, plan)?;
    if args.plain || !std::io::stdout().is_terminal() {
        let lines = plain::typed_lines()?;
        let say = |line: &str| print(&format!("{line}\n"));
        plain::play(&mut session, &title, &path_name, &lines, &until, say)?;
    } else {
        for line in screen::play(&mut session, &title, &path_name, &until)? {
            print(&format!("{line}\n"))?;
        }
    }
    let lost = session.meters.unrecorded_frames.get();
    let (recordings, unrecorded) = session.stop();
    for recorded in &recordings {
        print(&format!("{recorded}\n"))?;
    }
    if lost > 0 && !recordings.is_empty() {
        print(&format!("{lost} frames were not recorded: the disk was too slow or full\n"))?;
    }
    unrecorded.map_or(Ok(()), |error| Err(error.into()))
}

/// How the circuits are run, and what that is called.
fn path(
    args: &LiveArgs,
    states: &[AmpState],
    reference: &[f64],
    agreed: &Agreed,
) -> Result<(RenderPath, String), Failure> {
    if args.linear {
        return Ok((RenderPath::Linear, "linear".to_owned()));
    }
    let quality = match args.quality {
        Fineness::Given(quality) => quality,
        Fineness::Auto => {
            let frames = agreed.buffer_frames.unwrap_or(USUAL_BUFFER_FRAMES) as usize;
            let rate_hz = f64::from(agreed.sample_rate_hz);
            let pace = quality_in_time(states, reference, rate_hz, frames)?;
            print(&format!("{pace}\n"))?;
            pace.quality
        }
    };
    Ok((RenderPath::DrivenEvenly(quality), format!("driven, {}", quality.name())))
}

fn settings(args: &LiveArgs, states: &[AmpState]) -> Result<Settings, Failure> {
    let version = match &args.version {
        None => 0,
        Some(name) => states.iter().position(|s| s.version() == name).ok_or_else(|| {
            let names: Vec<&str> = states.iter().map(AmpState::version).collect();
            Failure::input(format!(
                "there is no version \"{name}\"; there are {}",
                names.join(", ")
            ))
        })?,
    };
    Ok(Settings {
        version,
        matched: !args.as_is,
        volume_db: args.volume,
        muted: args.muted,
        limiter: !args.no_limiter,
        together: false,
    })
}

/// A clip of the job by its name, or a file.
fn named_clip(
    name: &str,
    job: Option<&Job>,
    full_scale_volts: Option<f64>,
) -> Result<(Clip, f64), Failure> {
    if let Some(spec) = job.and_then(|j| j.clips.iter().find(|c| c.name == name)) {
        return Ok((
            ClipSource::open(spec)?.recording.read_all()?,
            full_scale_volts.unwrap_or(spec.peak.0),
        ));
    }
    let clip = read_wav(Path::new(name), ChannelChoice::Mix)?;
    Ok((clip, full_scale_volts.unwrap_or(USUAL_FULL_SCALE_V)))
}

/// What loudness is matched with, in volts: what is played, the job's first clip, or the program's own.
fn reference(
    played: Option<&Looped>,
    job: Option<&Job>,
    rate_hz: u32,
) -> Result<Vec<f64>, Failure> {
    if let Some(looped) = played {
        return Ok(looped.volts().to_vec());
    }
    let (clip, volts) = match job.and_then(|j| j.clips.first()) {
        Some(spec) => (ClipSource::open(spec)?.recording.read_all()?, spec.peak.0),
        None => {
            let (name, bytes) = SAMPLE_CLIP;
            let clip = Clip::from_wav_bytes(bytes, Path::new(name), ChannelChoice::Mix)?;
            (clip, USUAL_FULL_SCALE_V)
        }
    };
    Ok(resample(&clip, rate_hz)?.samples.iter().map(|x| volts * x).collect())
}

fn say_what(args: &LiveArgs, agreed: &Agreed, full_scale_volts: f64) -> Result<(), Failure> {
    let from = match (&args.clip, &agreed.input) {
        (Some(clip), _) => clip.clone(),
        (None, Some(name)) => format!("{name}, channel {}", args.channel),
        (None, None) => "nothing".to_owned(),
    };
    let block = agreed.buffer_frames.map_or(String::new(), |f| format!(", blocks of {f}"));
    let assumed = if args.full_scale_volts.is_none() && args.clip.is_none() {
        " (assumed: see --calibrate)"
    } else {
        ""
    };
    print(&format!(
        "{from} -> {}, {} Hz{block}; full scale of the input is {full_scale_volts} V{assumed}\n",
        agreed.output, agreed.sample_rate_hz
    ))
}
