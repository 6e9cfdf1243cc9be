//! `presolder render`: every clip through every version, as loud as the amp would be and matched in
//! loudness, with the report and the page for the owner.

use std::path::{Path, PathBuf};

use clap::Args;

use super::failure::Failure;
use super::input::{analysis_rate_hz, open_job, read_clips};
use super::page::page_of;
use super::progress::bar;
use super::report::{check, make_folder, write_report};
use crate::amp::Job;
use crate::analysis::{Spectrum, difference};
use crate::audio::{Clip, OutputFormat, write_wav, write_whole};
use crate::page::write_page;
use crate::plot::Curve;
use crate::render::{ClipSet, RenderPath, VersionPlan, render_clip};
use crate::report::{Report, make_report, spectra_figure, steps};

/// Renders a job: clips before and after, a report, plots, and the page that the owner opens.
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  presolder new my-job\n  presolder render my-job/job.toml --out rendered"
)]
pub struct RenderArgs {
    /// The job file
    job: PathBuf,
    /// Folder for everything that is written
    #[arg(long, value_name = "DIR")]
    out: PathBuf,
    /// Samples of the clips: float (32 bit), 24 or 16 (with dither)
    #[arg(long, default_value = "float")]
    format: OutputFormat,
    /// Write plots as PNG, too
    #[arg(long)]
    png: bool,
    /// Overwrite files that are there
    #[arg(long)]
    force: bool,
}

/// Runs the command.
///
/// # Errors
/// [`Failure`].
pub fn run(args: &RenderArgs) -> Result<(), Failure> {
    let job = open_job(&args.job)?;
    render_job(&job, &args.out, args.format, args.png, args.force)
}

/// Renders a job into a folder and says what became of it.
///
/// # Errors
/// [`Failure`].
pub fn render_job(
    job: &Job,
    folder: &Path,
    format: OutputFormat,
    png: bool,
    force: bool,
) -> Result<(), Failure> {
    if job.clips.is_empty() {
        return Err(Failure::input(format!(
            "{}: the job has no clip to render; add [[clips]] with a file and its peak volts",
            job.file
        )));
    }
    refuse_existing(folder, force)?;
    let clips = read_clips(job)?;
    let count = (clips.len() * job.versions().len()) as u64;
    let bar = bar(count + steps(job, clips.len()), "rendering");
    let mut sets = Vec::with_capacity(clips.len());
    for (name, clip, peak_volts) in &clips {
        let rate_hz = f64::from(clip.sample_rate_hz);
        let plans = job
            .versions()
            .map(|state| VersionPlan::new(state, RenderPath::Linear, rate_hz))
            .collect::<Result<Vec<_>, _>>()?;
        sets.push(render_clip(name, clip, *peak_volts, &plans, &|| bar.inc(1))?);
    }
    let report = make_report(job, &clips, analysis_rate_hz(&clips), &|| bar.inc(1))?;
    bar.finish_and_clear();

    make_folder(folder)?;
    println!("{}, job {}", report.title, report.digest);
    println!("Full scale of the clips is one common gain per recording; matched clips have equal");
    println!("loudness (ITU-R BS.1770) and true peaks below -1 dBTP.\n");
    println!("  {:<48} {:>8} {:>9} {:>9}", "clip", "LUFS", "matched", "gain");
    for set in &sets {
        write_set(set, job, &report, folder, format, png, force)?;
    }
    write_report(&report, folder, png, force)?;
    let page = write_page(&page_of(job, &report, &sets)?).map_err(Failure::fault)?;
    write_whole(&folder.join("audition.html"), page.html.as_bytes(), force)?;
    println!("\n{}\n", report.trim.verdict);
    println!("The report is in {}, the page", folder.join("report.txt").display());
    println!("for the owner in {}", folder.join("audition.html").display());
    println!("({:.1} MB).\n", page.html.len() as f64 / 1e6);
    println!("{}", report.cautions[0]);
    check(&report)
}

/// Before long work: a folder with a report in it is not written to without being told.
pub fn refuse_existing(folder: &Path, force: bool) -> Result<(), Failure> {
    let there = folder.join("report.json");
    if there.exists() && !force {
        return Err(Failure::input(format!(
            "{}: is there already; name another folder, or overwrite with --force",
            there.display()
        )));
    }
    Ok(())
}

/// A name that is safe in a file name anywhere: letters, digits and hyphens.
pub fn file_stem(name: &str) -> String {
    let mut stem: String = name
        .chars()
        .map(|c| if c.is_alphanumeric() { c.to_ascii_lowercase() } else { '-' })
        .collect();
    while stem.contains("--") {
        stem = stem.replace("--", "-");
    }
    let stem = stem.trim_matches('-');
    if stem.is_empty() { "unnamed".to_owned() } else { stem.to_owned() }
}

fn write_set(
    set: &ClipSet,
    job: &Job,
    report: &Report,
    folder: &Path,
    format: OutputFormat,
    png: bool,
    force: bool,
) -> Result<(), Failure> {
    let clip_stem = file_stem(&set.name);
    for sub in ["as-loud-as-the-amp", "matched", "difference"] {
        make_folder(&folder.join(sub))?;
    }
    let mut spectra = Vec::new();
    for v in &set.versions {
        let name = format!("{clip_stem}--{}.wav", file_stem(&v.version));
        let loud = v.clip.scaled(set.scale);
        let written =
            write_wav(&folder.join("as-loud-as-the-amp").join(&name), &loud, format, force)?;
        say_if_scaled(&name, written.gain);
        let matched = v.clip.scaled(v.matched.gain);
        let written = write_wav(&folder.join("matched").join(&name), &matched, format, force)?;
        say_if_scaled(&name, written.gain);
        println!(
            "  {:<48} {:>8.2} {:>9.2} {:>+6.2} dB",
            name,
            v.as_loud_lufs,
            v.matched.after.lufs,
            v.matched.gain_db - 20.0 * set.scale.log10()
        );
        spectra.push(spectrum_curve(&v.version, &loud)?);
    }
    let find = |name: &str| set.versions.iter().find(|v| v.version == name);
    if let (Some(before), Some(after)) = (find(&job.compare.before), find(&job.compare.after))
        && before.version != after.version
    {
        let rest = difference(&before.clip.samples, &after.clip.samples).map_err(Failure::fault)?;
        let name = format!(
            "{clip_stem}--{}-minus-{}.wav",
            file_stem(&after.version),
            file_stem(&before.version)
        );
        let clip = Clip { samples: rest.samples, sample_rate_hz: after.clip.sample_rate_hz };
        let clip = clip.scaled(set.scale);
        let written = write_wav(&folder.join("difference").join(&name), &clip, format, force)?;
        say_if_scaled(&name, written.gain);
        println!("  {name:<48} {:>8.2} dB of what is after", rest.rest_db);
    }
    let figure = spectra_figure(report, &set.name, spectra);
    let svg = figure.to_svg().map_err(Failure::fault)?;
    write_whole(&folder.join(format!("spectrum--{clip_stem}.svg")), svg.as_bytes(), force)?;
    if png {
        let bytes = figure.to_png().map_err(Failure::fault)?;
        write_whole(&folder.join(format!("spectrum--{clip_stem}.png")), &bytes, force)?;
    }
    Ok(())
}

fn say_if_scaled(name: &str, gain: f64) {
    if gain != 1.0 {
        println!(
            "  {name}: peaks above full scale, whole clip scaled by {:.2} dB",
            20.0 * gain.log10()
        );
    }
}

/// Width of a spectrum's bins, and how many points of it a plot shows.
const BIN_HZ: f64 = 1.0;
const POINTS: usize = 500;

/// The spectrum of a clip as a curve: energy in sixteenths of an octave or so, in dB re full scale.
fn spectrum_curve(name: &str, clip: &Clip) -> Result<Curve, Failure> {
    let rate_hz = f64::from(clip.sample_rate_hz);
    let spectrum = Spectrum::measure(&clip.samples, rate_hz, BIN_HZ).map_err(Failure::fault)?;
    let ratio = (20_000.0f64 / 10.0).powf(1.0 / POINTS as f64);
    let points = (0..POINTS)
        .map(|k| {
            let low = 10.0 * ratio.powi(k as i32);
            (low * ratio.sqrt(), spectrum.band_level_db(low, low * ratio))
        })
        .collect();
    Ok(Curve::new(name, points).thin())
}
