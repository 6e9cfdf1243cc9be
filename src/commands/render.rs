//! `presolder render`: every clip through every version, as loud as the amp would be and matched in
//! loudness, with the report and the page for the owner.

use std::path::{Path, PathBuf};

use clap::Args;

use super::failure::Failure;
use super::input::{analysis_rate_hz, open_clips, open_job};
use super::output::print;
use super::page::page_of;
use super::progress::bar;
use super::report::{check, refuse_existing, write_figure, write_report};
use crate::amp::{Job, file_stem};
use crate::analysis::SpectrumMeter;
use crate::audio::{OutputFolder, OutputFormat, WavWriter};
use crate::driven::Quality;
use crate::page::write_page;
use crate::plot::Curve;
use crate::render::{ClipSet, ClipSource, RenderError, RenderPath, Rest, Tape, render_clips};
use crate::report::{
    Report, add_trim_as_rendered, driven_report, driven_work, make_report, spectra_figure, work,
};

/// Renders a job: clips before and after, a report, plots, and the page that the owner opens.
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  presolder new my-job\n  presolder render my-job/job.toml --linear --out rendered"
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
    /// Compute with the circuit linearised at rest: clean at any level, and much faster
    #[arg(long)]
    linear: bool,
    /// How finely the driven path steps: draft, fair, standard or fine
    #[arg(long, default_value = "standard", value_parser = quality, conflicts_with = "linear")]
    quality: Quality,
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
    let path = if args.linear { RenderPath::Linear } else { RenderPath::Driven(args.quality) };
    let way = Way { path, format: args.format, png: args.png, force: args.force };
    render_job(&job, &args.out, way)
}

/// Reads a quality of the command line.
pub(super) fn quality(text: &str) -> Result<Quality, String> {
    Quality::from_name(text).ok_or_else(|| {
        let names = Quality::ALL.map(Quality::name).join(", ");
        format!("{text:?} is no quality; give one of {names}")
    })
}

/// How a job is rendered.
#[derive(Clone, Copy, Debug)]
pub struct Way {
    pub path: RenderPath,
    pub format: OutputFormat,
    pub png: bool,
    pub force: bool,
}

/// Renders a job into a folder and says what became of it. All files appear at the end, together.
///
/// # Errors
/// [`Failure`].
pub fn render_job(job: &Job, folder: &Path, way: Way) -> Result<(), Failure> {
    if job.clips.is_empty() {
        return Err(Failure::input(format!(
            "{}: the job has no clip to render; add [[clips]] with a file and its peak volts",
            job.file
        )));
    }
    refuse_existing(folder, way.force)?;
    let clips = open_clips(job)?;
    let mut outputs = OutputFolder::create(folder, way.force)?;
    let bar = bar(render_work(job, &clips, way.path) + work(job, &clips), "rendering");
    let sets = render_clips(job, &clips, way.path, folder, &|n| bar.inc(n))?;
    let mut report = report_of(job, &clips, way.path, &|n| bar.inc(n))?;
    if way.path != RenderPath::Linear {
        add_trim_as_rendered(&mut report.trim, job, &sets)?;
    }
    write_report(&report, &mut outputs, way.png)?;
    bar.set_message("writing");
    let write_sets = || {
        let each = sets.iter().map(|set| write_set(set, job, &report, &mut outputs, way));
        each.collect::<Result<String, Failure>>()
    };
    let make_page = || {
        let model = page_of(job, &report, &sets)?;
        write_page(&model).map_err(Failure::fault)
    };
    let (lines, page) = rayon::join(write_sets, make_page);
    let (lines, page) = (lines?, page?);
    outputs.put(PAGE_FILE, page.html.as_bytes())?;
    outputs.commit()?;
    bar.finish_and_clear();
    print(&summary(&report, folder, &lines, page.html.len()))?;
    check(&report)
}

/// The page among the files of a rendering.
const PAGE_FILE: &str = "audition.html";

/// The report of a job, with its driven part where clips take the driven path. That part runs at the
/// coarsest quality: its figures are of low harmonics and of whole signals.
pub(super) fn report_of(
    job: &Job,
    clips: &[ClipSource],
    path: RenderPath,
    passed: &(dyn Fn(u64) + Sync),
) -> Result<Report, RenderError> {
    let mut report = make_report(job, clips, analysis_rate_hz(clips), passed)?;
    if path != RenderPath::Linear {
        report.driven = Some(driven_report(job, clips, Quality::Draft, passed)?);
    }
    Ok(report)
}

/// The work of rendering, in frames that go through a version.
pub fn render_work(job: &Job, clips: &[ClipSource], path: RenderPath) -> u64 {
    let frames = job.versions().len() as u64 * clips.iter().map(ClipSource::frames).sum::<u64>();
    match path {
        RenderPath::Linear => frames,
        RenderPath::Driven(_) | RenderPath::DrivenEvenly(_) => frames + driven_work(job, clips),
    }
}

fn summary(report: &Report, folder: &Path, lines: &str, page_bytes: usize) -> String {
    let caution = report.cautions.first().map_or("", |c| c);
    format!(
        "{}, job {}\n\
         Full scale of the clips is one common gain per recording; matched clips have equal\n\
         loudness (ITU-R BS.1770) and true peaks below -1 dBTP.\n\n  \
         {:<48} {:>8} {:>9} {:>9}\n{lines}\n{}\n\n\
         The report is in {}, the page\n\
         for the owner in {}\n\
         ({:.1} MB).\n\n{caution}\n",
        report.title,
        report.digest,
        "clip",
        "LUFS",
        "matched",
        "gain",
        report.trim.verdict,
        folder.join("report.txt").display(),
        folder.join(PAGE_FILE).display(),
        page_bytes as f64 / 1e6
    )
}

/// Writes the clips of a set and their spectra; returns what is to be said of them.
fn write_set(
    set: &ClipSet,
    job: &Job,
    report: &Report,
    outputs: &mut OutputFolder,
    way: Way,
) -> Result<String, Failure> {
    let clip_stem = file_stem(&set.name);
    let mut lines = String::new();
    let mut spectra = Vec::new();
    for v in &set.versions {
        let name = format!("{clip_stem}--{}.wav", file_stem(&v.version));
        for (folder, gain) in [("as-loud-as-the-amp", set.scale), ("matched", v.matched.gain)] {
            let held =
                Held { frames: v.tape.frames(), rate_hz: v.tape.sample_rate_hz(), peak: v.peak };
            let file = format!("{folder}/{name}");
            let blocks = |take: &mut Take| v.tape.for_each_block(take);
            lines += &write_clip(outputs, &file, held, gain, way.format, blocks)?;
        }
        lines += &format!(
            "  {:<48} {:>8.2} {:>9.2} {:>+6.2} dB\n",
            name,
            v.as_loud_lufs,
            v.matched.after.lufs,
            v.matched.gain_db - 20.0 * set.scale.log10()
        );
        // Silence has no spectrum.
        if v.peak > 0.0 {
            spectra.push(spectrum_curve(&v.version, &v.tape, set.scale)?);
        }
    }
    let find = |name: &str| set.versions.iter().find(|v| v.version == name);
    if let (Some(before), Some(after)) = (find(&job.compare.before), find(&job.compare.after))
        && before.version != after.version
    {
        let rest = Rest::new(&before.tape, &after.tape)?;
        let name = format!(
            "{clip_stem}--{}-minus-{}.wav",
            file_stem(&after.version),
            file_stem(&before.version)
        );
        let held = Held { frames: rest.frames(), rate_hz: rest.sample_rate_hz(), peak: rest.peak };
        let file = format!("difference/{name}");
        let blocks = |take: &mut Take| rest.for_each_block(take);
        lines += &write_clip(outputs, &file, held, set.scale, way.format, blocks)?;
        let inverted = if rest.gain < 0.0 { "; opposite polarity, taken out first" } else { "" };
        lines += &format!("  {name:<48} {:>8.2} dB of what is after{inverted}\n", rest.rest_db);
    }
    if !spectra.is_empty() {
        let figure = spectra_figure(report, &set.name, spectra);
        write_figure(&figure, &format!("spectrum--{clip_stem}"), outputs, way.png)?;
    }
    Ok(lines)
}

/// A signal that is to be written.
struct Held {
    frames: u64,
    rate_hz: u32,
    peak: f64,
}

/// Takes the blocks of a signal.
type Take<'a> = dyn FnMut(&mut [f64]) -> Result<(), RenderError> + 'a;

/// Writes a signal times `gain`, less if it would clip; returns what is to be said then.
fn write_clip(
    outputs: &mut OutputFolder,
    name: &str,
    held: Held,
    gain: f64,
    format: OutputFormat,
    blocks: impl FnOnce(&mut Take) -> Result<(), RenderError>,
) -> Result<String, Failure> {
    let peak = held.peak * gain.abs();
    let less = if peak > format.ceiling() { format.ceiling() / peak } else { 1.0 };
    let path = outputs.path(name)?;
    let mut writer = WavWriter::create(&path, format, held.rate_hz, held.frames, outputs.force())?;
    blocks(&mut |block: &mut [f64]| {
        block.iter_mut().for_each(|s| *s *= gain * less);
        Ok(writer.write_block(block)?)
    })?;
    outputs.keep(writer.complete()?);
    Ok(if less == 1.0 {
        String::new()
    } else {
        let less_db = 20.0 * less.log10();
        format!("  {name}: peaks above full scale, whole clip scaled by {less_db:.2} dB\n")
    })
}

/// Width of a spectrum's bins, and how many points of it a plot shows.
const BIN_HZ: f64 = 1.0;
const POINTS: usize = 500;

/// The spectrum of a clip as a curve: energy in sixteenths of an octave or so, in dB re full scale.
fn spectrum_curve(name: &str, tape: &Tape, gain: f64) -> Result<Curve, Failure> {
    let rate_hz = f64::from(tape.sample_rate_hz());
    let mut meter = SpectrumMeter::new(rate_hz, BIN_HZ).map_err(Failure::fault)?;
    tape.for_each_block(|block| {
        block.iter_mut().for_each(|s| *s *= gain);
        meter.add(block).map_err(Failure::fault)
    })?;
    let spectrum = meter.finish().map_err(Failure::fault)?;
    let ratio = (20_000.0f64 / 10.0).powf(1.0 / POINTS as f64);
    let points = (0..POINTS)
        .map(|k| {
            let low = 10.0 * ratio.powi(k as i32);
            (low * ratio.sqrt(), spectrum.band_level_db(low, low * ratio))
        })
        .collect();
    Ok(Curve::new(name, points).thin())
}
