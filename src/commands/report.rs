//! `presolder report`: what the circuit says beside what audio says, and the verdict on the trim.

use std::path::{Path, PathBuf};

use clap::Args;

use super::failure::Failure;
use super::input::{analysis_rate_hz, open_job, read_clips};
use super::progress::bar;
use crate::audio::write_whole;
use crate::report::{
    Report, curves_csv, difference_figure, make_report, response_figure, steps, to_text,
};

/// Confirms a job by calculation and by measurement: responses, corners, low-end trim.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  presolder new my-job\n  presolder report my-job/job.toml\n\n\
Exit status: 0 if every figure from audio agrees with the circuit, 1 if one does not, 2 for input \
that has to be mended.")]
pub struct ReportArgs {
    /// The job file
    job: PathBuf,
    /// Print JSON instead of text
    #[arg(long)]
    json: bool,
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
    let clips = read_clips(&job)?;
    let bar = bar(steps(&job, clips.len()), "report");
    let report = make_report(&job, &clips, analysis_rate_hz(&clips), &|| bar.inc(1))?;
    bar.finish_and_clear();
    if args.json {
        println!("{}", to_json(&report)?);
    } else {
        print!("{}", to_text(&report));
    }
    if let Some(folder) = &args.out {
        write_report(&report, folder, args.png, args.force)?;
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

/// Writes `report.txt`, `report.json`, `curves.csv` and the plots into a folder.
///
/// # Errors
/// [`Failure`] if a file is there already and `force` is not set, or cannot be written.
pub fn write_report(report: &Report, folder: &Path, png: bool, force: bool) -> Result<(), Failure> {
    let put = |name: &str, bytes: &[u8]| write_whole(&folder.join(name), bytes, force);
    make_folder(folder)?;
    put("report.txt", to_text(report).as_bytes())?;
    put("report.json", to_json(report)?.as_bytes())?;
    put("curves.csv", curves_csv(report).as_bytes())?;
    let mut figures = vec![("response", response_figure(report))];
    if report.versions.len() > 1 {
        figures.push(("difference", difference_figure(report)));
    }
    for (name, figure) in figures {
        put(&format!("{name}.svg"), figure.to_svg().map_err(Failure::fault)?.as_bytes())?;
        if png {
            put(&format!("{name}.png"), &figure.to_png().map_err(Failure::fault)?)?;
        }
    }
    Ok(())
}

/// Makes a folder and those above it.
///
/// # Errors
/// [`Failure::Input`] naming the folder.
pub fn make_folder(folder: &Path) -> Result<(), Failure> {
    std::fs::create_dir_all(folder)
        .map_err(|e| Failure::input(format!("{}: cannot make this folder: {e}", folder.display())))
}
