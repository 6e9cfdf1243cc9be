//! `presolder page`: the audition page of a job, made anew.

use std::path::{Path, PathBuf};

use clap::Args;

use super::audition::{in_page_order, page_model};
use super::breakup::break_up_table;
use super::failure::Failure;
use super::input::{open_clips, open_job};
use super::output::print;
use super::progress::bar;
use super::render::{quality, render_work, report_of};
use crate::amp::Job;
use crate::audio::write_whole;
use crate::driven::Quality;
use crate::page::model::{PageModel, Verdict};
use crate::page::write_page;
use crate::render::{ClipSet, RenderPath, render_clips};
use crate::report::{Report, add_trim_as_rendered, work};

/// Makes the page that the owner opens in a browser: clips, curves, a blind trial, an answer form.
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  presolder new my-job\n  presolder page my-job/job.toml --linear --out audition.html"
)]
pub struct PageArgs {
    /// The job file
    job: PathBuf,
    /// The file to write
    #[arg(long, value_name = "FILE", default_value = "audition.html")]
    out: PathBuf,
    /// Compute with the circuit linearised at rest: clean at any level, and much faster
    #[arg(long)]
    linear: bool,
    /// How finely the driven path steps: draft, fair, standard or fine
    #[arg(long, default_value = "standard", value_parser = quality, conflicts_with = "linear")]
    quality: Quality,
    /// Overwrite the file if it is there
    #[arg(long)]
    force: bool,
}

/// Runs the command.
///
/// # Errors
/// [`Failure`].
pub fn run(args: &PageArgs) -> Result<(), Failure> {
    if args.out.exists() && !args.force {
        return Err(Failure::input(format!(
            "{}: is there already; name another file, or overwrite with --force",
            args.out.display()
        )));
    }
    let job = open_job(&args.job)?;
    let clips = open_clips(&job)?;
    let path = if args.linear { RenderPath::Linear } else { RenderPath::Driven(args.quality) };
    let bar = bar(render_work(&job, &clips, path) + work(&job, &clips), "page");
    // Long clips overflow next to the page: its disk is the one that has to have room.
    let folder = args.out.parent().filter(|f| !f.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let sets = render_clips(&job, &clips, path, folder, &|n| bar.inc(n))?;
    let mut report = report_of(&job, &clips, path, &|n| bar.inc(n))?;
    if path != RenderPath::Linear {
        add_trim_as_rendered(&mut report.trim, &job, &sets)?;
    }
    bar.finish_and_clear();
    let page = write_page(&page_of(&job, &report, &sets)?).map_err(Failure::fault)?;
    write_whole(&args.out, page.html.as_bytes(), args.force)?;
    print(&format!("{} ({:.1} MB)\n", args.out.display(), page.html.len() as f64 / 1e6))
}

/// Everything that the page shows of a job.
///
/// # Errors
/// [`Failure`].
pub fn page_of(job: &Job, report: &Report, sets: &[ClipSet]) -> Result<PageModel, Failure> {
    let trim = &report.trim;
    let judged = trim.asked_for || trim.trimmed;
    let verdict = Verdict { text: trim.verdict.clone(), met: judged.then_some(trim.met) };
    let break_up = report.driven.as_ref().map(|driven| in_page_order(job, break_up_table(driven)));
    Ok(PageModel { verdicts: vec![verdict], break_up, ..page_model(job, sets)? })
}
