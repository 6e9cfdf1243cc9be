//! `presolder demo`: the job that comes with the program, written out as files and rendered.

use std::path::PathBuf;

use clap::Args;

use super::failure::Failure;
use super::input::open_job;
use super::render::{Way, render_job};
use super::report::refuse_existing;
use crate::audio::{OutputFolder, OutputFormat};
use crate::render::RenderPath;

/// Renders the job that comes with the program: a low-end trim and a middle control on a 22 W amp.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  presolder demo --out demo --force")]
pub struct DemoArgs {
    /// Folder for the job, the clips, the report and the page
    #[arg(long, value_name = "DIR", default_value = "presolder-demo")]
    out: PathBuf,
    /// Write plots as PNG, too
    #[arg(long)]
    png: bool,
    /// Overwrite files that are there
    #[arg(long)]
    force: bool,
}

/// The job as it stands in the repository, where the clips lie in another folder.
const JOB: &str = include_str!("../../presets/jobs/demo.toml");
const CLIPS_THERE: &str = "../../sample-audio/";
const CLIPS_HERE: &str = "dry/";
const JOB_FILE: &str = "job.toml";
/// The job's clips.
const CLIPS: [(&str, &[u8]); 2] = [
    ("open-chords.wav", include_bytes!("../../sample-audio/open-chords.wav")),
    ("palm-muted.wav", include_bytes!("../../sample-audio/palm-muted.wav")),
];

/// Runs the command.
///
/// # Errors
/// [`Failure`].
pub fn run(args: &DemoArgs) -> Result<(), Failure> {
    refuse_existing(&args.out, args.force)?;
    let mut inputs = OutputFolder::create(&args.out, args.force)?;
    for (name, bytes) in CLIPS {
        inputs.put(&format!("{CLIPS_HERE}{name}"), bytes)?;
    }
    inputs.put(JOB_FILE, JOB.replace(CLIPS_THERE, CLIPS_HERE).as_bytes())?;
    inputs.commit()?;
    // The demonstration is about tone, not break-up: the linear path is done in seconds.
    let job = open_job(&args.out.join(JOB_FILE))?;
    let path = RenderPath::Linear;
    let way = Way { path, format: OutputFormat::Float32, png: args.png, force: args.force };
    render_job(&job, &args.out, way)
}
