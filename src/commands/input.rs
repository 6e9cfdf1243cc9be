//! What several commands read: an amp or a job, named as a preset or by path, and its clips.

use std::path::Path;

use super::failure::Failure;
use crate::amp::{AmpFile, AmpState, Job, amp_names};
use crate::render::{ClipSource, RenderError};

/// An amp or a job.
#[derive(Debug)]
pub enum Subject {
    Amp(Box<AmpFile>),
    Job(Box<Job>),
}

/// Opens a preset by name, or a file. A file with versions is a job.
///
/// # Errors
/// [`Failure::Input`].
pub fn open_subject(name_or_path: &str) -> Result<Subject, Failure> {
    if amp_names().any(|n| n == name_or_path) {
        return Ok(Subject::Amp(Box::new(AmpFile::preset(name_or_path)?)));
    }
    let path = Path::new(name_or_path);
    let is_job = std::fs::read_to_string(path)
        .ok()
        .and_then(|text| text.parse::<toml::Table>().ok())
        .is_some_and(|table| table.contains_key("versions") || table.contains_key("amp"));
    if is_job {
        Ok(Subject::Job(Box::new(Job::read(path)?)))
    } else {
        Ok(Subject::Amp(Box::new(AmpFile::open(name_or_path)?)))
    }
}

impl Subject {
    /// The state to analyse: the named version of a job (its first if none is named), or the amp as
    /// its file gives it.
    ///
    /// # Errors
    /// [`Failure::Input`] if there is no such version.
    pub fn state(&self, version: Option<&str>) -> Result<AmpState, Failure> {
        match (self, version) {
            (Self::Amp(amp), None) => Ok(amp.state().clone()),
            (Self::Amp(amp), Some(version)) => Err(Failure::input(format!(
                "{}: an amp file has no versions, so there is no \"{version}\"; name a job, or leave --version out",
                amp.name()
            ))),
            (Self::Job(job), Some(version)) => Ok(job.version(version)?.clone()),
            (Self::Job(job), None) => job
                .versions()
                .next()
                .cloned()
                .ok_or_else(|| Failure::input(format!("{}: the job has no version", job.file))),
        }
    }
}

/// Opens a job by path.
///
/// # Errors
/// [`Failure::Input`].
pub fn open_job(path: &Path) -> Result<Job, Failure> {
    Ok(Job::read(path)?)
}

/// Opens the clips of a job, reading each through.
///
/// # Errors
/// [`Failure::Input`] with the clip's file and what is wrong with it.
pub fn open_clips(job: &Job) -> Result<Vec<ClipSource>, Failure> {
    job.clips
        .iter()
        .map(|spec| ClipSource::open(spec).map_err(|e| at_line(job, spec.line, e)))
        .collect()
}

fn at_line(job: &Job, line: Option<usize>, error: RenderError) -> Failure {
    let place = line.map_or_else(|| job.file.clone(), |l| format!("{}:{l}", job.file));
    if error.is_users() {
        Failure::input(format!("{place}: {error}"))
    } else {
        Failure::fault(format!("{place}: {error}"))
    }
}

/// The rate at which a job is analysed: that of its first clip, 48 kHz without clips.
pub fn analysis_rate_hz(clips: &[ClipSource]) -> f64 {
    clips.first().map_or(48_000.0, |clip| f64::from(clip.sample_rate_hz()))
}
