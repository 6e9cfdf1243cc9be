//! `presolder page`: the audition page of a job, made anew.

use std::path::{Path, PathBuf};

use clap::Args;

use super::audition::page_model;
use super::failure::Failure;
use super::input::{analysis_rate_hz, open_clips, open_job};
use super::progress::bar;
use super::render::render_work;
use crate::amp::Job;
use crate::audio::write_whole;
use crate::page::model::{PageModel, Verdict};
use crate::page::write_page;
use crate::render::{ClipSet, RenderPath, render_clips};
use crate::report::{Report, make_report, work};

/// Makes the page that the owner opens in a browser: clips, curves, a blind trial, an answer form.
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  presolder new my-job\n  presolder page my-job/job.toml --out audition.html"
)]
pub struct PageArgs {
    /// The job file
    job: PathBuf,
    /// The file to write
    #[arg(long, value_name = "FILE", default_value = "audition.html")]
    out: PathBuf,
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
    let bar = bar(render_work(&job, &clips) + work(&job, &clips), "page");
    // Long clips overflow next to the page: its disk is the one that has to have room.
    let folder = args.out.parent().filter(|f| !f.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let path = RenderPath::Linear;
    let sets = render_clips(&job, &clips, path, folder, &|n| bar.inc(n))?;
    let report = make_report(&job, &clips, analysis_rate_hz(&clips), &|n| bar.inc(n))?;
    bar.finish_and_clear();
    let page = write_page(&page_of(&job, &report, &sets)?).map_err(Failure::fault)?;
    write_whole(&args.out, page.html.as_bytes(), args.force)?;
    println!("{} ({:.1} MB)", args.out.display(), page.html.len() as f64 / 1e6);
    Ok(())
}

/// Everything that the page shows of a job.
///
/// # Errors
/// [`Failure`].
pub fn page_of(job: &Job, report: &Report, sets: &[ClipSet]) -> Result<PageModel, Failure> {
    let verdict = Verdict { text: report.trim.verdict.clone(), met: Some(report.trim.met) };
    Ok(PageModel { verdicts: vec![verdict], ..page_model(job, sets)? })
}
