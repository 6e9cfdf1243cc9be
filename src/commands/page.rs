//! `presolder page`: the audition page of a job, made anew.

use std::path::{Path, PathBuf};

use clap::Args;

use super::breakup::break_up_table;
use super::failure::Failure;
use super::input::{open_clips, open_job};
use super::progress::bar;
use super::render::{quality, render_work, report_of};
use crate::amp::{AmpState, Job};
use crate::audio::write_whole;
use crate::driven::Quality;
use crate::page::model::{
    Change, Clip, Control, Curve, Difference, OpenString, PageModel, RangeOfUse, Response, Take,
    Technician, Verdict, Version,
};
use crate::page::write_page;
use crate::render::{ClipSet, RenderError, RenderPath, Rest, render_clips};
use crate::report::{Report, work};

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
    let report = report_of(&job, &clips, path, &|n| bar.inc(n))?;
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
    let states: Vec<&AmpState> = job.versions().collect();
    let Some(&first) = states.first() else {
        return Err(Failure::input(format!("{}: the job has no version", job.file)));
    };
    let not_empty = |text: &String| (!text.is_empty()).then(|| text.clone());
    Ok(PageModel {
        title: job.title.clone(),
        amp: report.amp.clone(),
        story: job.notes.clone(),
        technician: Technician { name: None, email: not_empty(&job.reply_to) },
        safety_words: job.safety.clone(),
        job_digest: report.digest.replace('-', ""),
        versions: states.iter().map(|s| version(first, s, report)).collect(),
        clips: sets.iter().map(|set| clip(job, set)).collect::<Result<Vec<_>, Failure>>()?,
        response: Some(response(report)),
        verdicts: vec![Verdict { text: report.trim.verdict.clone(), met: Some(report.trim.met) }],
        break_up: report.driven.as_ref().map(break_up_table),
        dials: Vec::new(),
    })
}

fn version(first: &AmpState, state: &AmpState, report: &Report) -> Version {
    let knobs = report.versions.iter().find(|v| v.name == state.version());
    Version {
        name: state.version().to_owned(),
        note: state.note().to_owned(),
        changes: first
            .differences_to(state)
            .iter()
            .map(|d| Change { what: d.to_string(), effect: d.purpose.clone() })
            .collect(),
        controls: knobs.map_or_else(Vec::new, |v| {
            v.positions
                .iter()
                .map(|k| Control { label: k.label.clone(), position: k.position })
                .collect()
        }),
    }
}

/// Longer clips are heard on the page to here, so that it stays small enough for mail.
const MOST_S: f64 = 120.0;

fn clip(job: &Job, set: &ClipSet) -> Result<Clip, Failure> {
    let samples = |c: crate::audio::Clip| c.samples.iter().map(|v| *v as f32).collect::<Vec<f32>>();
    let scale_db = 20.0 * set.scale.log10();
    let takes = set
        .versions
        .iter()
        .map(|v| {
            Ok(Take {
                samples: samples(v.excerpt(MOST_S, set.scale)?),
                matched_gain_db: v.matched.gain_db - scale_db,
                as_loud_gain_db: 0.0,
            })
        })
        .collect::<Result<_, RenderError>>()?;
    let at = |name: &str| set.versions.iter().position(|v| v.version == name);
    let mut differences = Vec::new();
    if let (Some(before), Some(after)) = (at(&job.compare.before), at(&job.compare.after))
        && before != after
    {
        let rest = Rest::new(&set.versions[before].tape, &set.versions[after].tape)?;
        differences.push(Difference {
            before,
            after,
            samples: samples(rest.excerpt(MOST_S, set.scale)?),
            before_gain_db: 20.0 * rest.gain.abs().log10(),
        });
    }
    let note = job.clips.iter().find(|c| c.name == set.name).map_or("", |c| &c.note);
    Ok(Clip {
        name: set.name.clone(),
        note: note.to_owned(),
        sample_rate_hz: set.versions.first().map_or(48_000, |v| v.tape.sample_rate_hz()),
        takes,
        differences,
    })
}

/// Reference frequency of the curves: in the middle of the guitar's fundamentals.
const REFERENCE_HZ: f64 = 400.0;

fn response(report: &Report) -> Response {
    let frequencies_hz =
        report.versions.first().map_or_else(Vec::new, |v| v.curve.frequency_hz.clone());
    let nearest = |v: &crate::report::VersionReport| {
        let k = v.curve.frequency_hz.iter().position(|f| *f >= REFERENCE_HZ).unwrap_or(0);
        v.curve.exact_db.get(k).copied().unwrap_or(0.0)
    };
    let zero = report.versions.first().map_or(0.0, nearest);
    let level = |db: &[f64], less: &[f64]| -> Vec<f64> {
        db.iter().zip(less).map(|(a, b)| a - b).collect()
    };
    let curves = report.versions.iter().enumerate().map(|(version, v)| Curve {
        version,
        level_db: v.curve.exact_db.iter().map(|db| db - zero).collect(),
    });
    let first = report.versions.first();
    let differences = report.versions.iter().enumerate().skip(1).filter_map(|(version, v)| {
        Some(Curve { version, level_db: level(&v.curve.exact_db, &first?.curve.exact_db) })
    });
    Response {
        curves: curves.collect(),
        differences: differences.collect(),
        reference: format!("the level of the first version at {REFERENCE_HZ} Hz"),
        strings: report
            .strings
            .iter()
            .map(|s| OpenString { name: s.name.clone(), frequency_hz: s.frequency_hz })
            .collect(),
        speaker: report.range_of_use.map(|r| RangeOfUse {
            low_hz: r.lowest_hz,
            high_hz: r.highest_hz,
            note: format!("at -{} dB", r.below_midband_db),
        }),
        frequencies_hz,
    }
}
