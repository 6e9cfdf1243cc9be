//! `presolder report`: what the circuit says beside what audio says, and the verdict on the trim.

use std::path::{Path, PathBuf};

use clap::Args;

use super::failure::Failure;
use super::input::{analysis_rate_hz, open_clips, open_job};
use super::output::print;
use super::progress::bar;
use super::render::quality;
use crate::audio::OutputFolder;
use crate::driven::Quality;
use crate::plot::Figure;
use crate::report::{
    Report, curves_csv, difference_figure, driven_report, driven_work, make_report,
    response_figure, to_text, work,
};

/// Confirms a job by calculation and by measurement: responses, corners, low-end trim.
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  presolder new my-job\n  presolder report my-job/job.toml --linear\n\n\
Exit status: 0 if every figure from audio agrees with the circuit, 1 if one does not, 2 for input \
that has to be mended."
)]
pub struct ReportArgs {
    /// The job file
    job: PathBuf,
    /// Print JSON instead of text
    #[arg(long)]
    json: bool,
    /// Leave out how far stages are driven and where versions break up: that takes most of the time
    #[arg(long)]
    linear: bool,
    /// How finely the driven path steps: draft, fair, standard or fine
    #[arg(long, default_value = "draft", value_parser = quality, conflicts_with = "linear")]
    quality: Quality,
    /// Also write report, curves and plots into this folder
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    /// Write plots as PNG, too
    #[arg(long, requires = "out")]
    png: bool,
    /// Overwrite files that are there
    #[arg(long)]
    force: bool,
}

/// Runs the command.
///
/// # Errors
/// [`Failure`]; [`Failure::Fault`] also where a figure is outside of its limit.
pub fn run(args: &ReportArgs) -> Result<(), Failure> {
    let job = open_job(&args.job)?;
    if let Some(folder) = &args.out {
        refuse_existing(folder, args.force)?;
    }
    let clips = open_clips(&job)?;
    let driven = if args.linear { 0 } else { driven_work(&job, &clips) };
    let bar = bar(work(&job, &clips) + driven, "report");
    let mut report = make_report(&job, &clips, analysis_rate_hz(&clips), &|n| bar.inc(n))?;
    if !args.linear {
        report.driven = Some(driven_report(&job, &clips, args.quality, &|n| bar.inc(n))?);
    }
    bar.finish_and_clear();
    if args.json {
        print(&format!("{}\n", to_json(&report)?))?;
    } else {
        print(&to_text(&report))?;
    }
    if let Some(folder) = &args.out {
        let mut outputs = OutputFolder::create(folder, args.force)?;
        write_report(&report, &mut outputs, args.png)?;
        outputs.commit()?;
    }
    check(&report)
}

/// Fails if a figure of the report is outside of its limit.
///
/// # Errors
/// [`Failure::Fault`].
pub fn check(report: &Report) -> Result<(), Failure> {
    match report.failures.as_slice() {
        [] => Ok(()),
        failures => Err(Failure::fault(format!("the report failed: {}", failures.join("; ")))),
    }
}

fn to_json(report: &Report) -> Result<String, Failure> {
    serde_json::to_string_pretty(report).map_err(Failure::fault)
}

/// Writes `report.json`, `report.txt`, `curves.csv` and the plots into a folder.
///
/// # Errors
/// [`Failure`] if a file is there already and `force` is not set, or cannot be written.
pub fn write_report(report: &Report, outputs: &mut OutputFolder, png: bool) -> Result<(), Failure> {
    // First of all files, since by it another run sees that the folder is in use.
    outputs.put(REPORT_FILE, to_json(report)?.as_bytes())?;
    outputs.put("report.txt", to_text(report).as_bytes())?;
    outputs.put("curves.csv", curves_csv(report).as_bytes())?;
    let mut figures = vec![("response", response_figure(report))];
    if report.versions.len() > 1 {
        figures.push(("difference", difference_figure(report)));
    }
    for (name, figure) in figures {
        write_figure(&figure, name, outputs, png)?;
    }
    Ok(())
}

/// Writes a figure as SVG, and as PNG if asked.
///
/// # Errors
/// As [`write_report`].
pub fn write_figure(
    figure: &Figure,
    name: &str,
    outputs: &mut OutputFolder,
    png: bool,
) -> Result<(), Failure> {
    let svg = figure.to_svg().map_err(Failure::fault)?;
    outputs.put(&format!("{name}.svg"), svg.as_bytes())?;
    if png {
        outputs.put(&format!("{name}.png"), &figure.to_png().map_err(Failure::fault)?)?;
    }
    Ok(())
}

/// The file by which a folder is known to hold a report.
const REPORT_FILE: &str = "report.json";

/// Before long work: a folder with a report in it is not written to without being told.
///
/// # Errors
/// [`Failure::Input`].
pub fn refuse_existing(folder: &Path, force: bool) -> Result<(), Failure> {
    let there = folder.join(REPORT_FILE);
    if there.exists() && !force {
        return Err(Failure::input(format!(
            "{}: is there already; name another folder, or overwrite with --force",
            there.display()
        )));
    }
    Ok(())
}
