//! Job files: an amp, clips, and versions of the amp.

use std::path::{Path, PathBuf};

use indexmap::IndexMap;

use crate::units::{Decibels, Hertz, Volts};

use super::error::AmpError;
use super::file::AmpFile;
use super::lines::{Lines, Scope, parse};
use super::sections::{DialsSection, Known, SpreadSection, ValuesSection};
use super::source::{Origin, Shelf, read_text};
use super::spec::{ClipSpec, CompareSpec, JobSpec, TrimSpec, VersionSpec};
use super::state::AmpState;
use super::version::apply;
use crate::names::nearest;

/// Most versions and clips of one job.
const MOST: usize = 100;

/// A dry recording and the level it stands for.
#[derive(Clone, Debug, PartialEq)]
pub struct Clip {
    /// Names the files that come of it.
    pub name: String,
    /// Resolved against the job's folder.
    pub path: PathBuf,
    /// Volts at the amp's input that full scale stands for (peak).
    pub peak: Volts,
    /// Counted from 1; all channels mixed if `None`.
    pub channel: Option<usize>,
    pub note: String,
    /// The line in the job file.
    pub line: Option<usize>,
}

/// The two versions that reports and difference clips hold against each other.
#[derive(Clone, Debug, PartialEq)]
pub struct Compare {
    pub before: String,
    pub after: String,
}

/// What counts as a good low-end trim.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Trim {
    /// Whether the job asks for one. Figures are given in any case.
    pub asked_for: bool,
    /// Energy below this is rumble.
    pub below: Hertz,
    /// Lowest frequency that the speaker reproduces, if the job knows it better than the
    /// speaker's file.
    pub speaker_lowest: Option<Hertz>,
    /// Least reduction of the energy below.
    pub trimmed_by_at_least: Decibels,
    /// Greatest change at the guitar's low E.
    pub low_e_changed_by_at_most: Decibels,
}

impl Default for Trim {
    /// Common practice, no source: guitar loudspeakers reproduce nothing below 30 Hz; a
    /// change of 1 dB at the lowest string is hardly noticed.
    fn default() -> Self {
        Self {
            asked_for: false,
            below: Hertz(30.0),
            speaker_lowest: None,
            trimmed_by_at_least: Decibels(6.0),
            low_e_changed_by_at_most: Decibels(1.0),
        }
    }
}

/// A piece of work: an amp, clips, versions.
#[derive(Clone, Debug)]
pub struct Job {
    /// As messages name it.
    pub file: String,
    pub title: String,
    /// Whom it is for.
    pub owner: String,
    /// What the owner reads.
    pub notes: String,
    /// The technician's own words of caution, beside the usual ones.
    pub safety: String,
    /// Where the owner's answer goes.
    pub reply_to: String,
    pub amp: AmpFile,
    pub clips: Vec<Clip>,
    pub compare: Compare,
    pub trim: Trim,
    /// Which knob `presolder dials` maps onto which.
    pub dials: DialsSection,
    /// The amp that `to_amp` of [`Self::dials`] names.
    pub dials_amp: Option<AmpFile>,
    /// What `presolder values` searches for.
    pub values: ValuesSection,
    /// How `presolder spread` draws.
    pub spread: SpreadSection,
    versions: IndexMap<String, (VersionSpec, AmpState)>,
}

impl Job {
    /// A job from a file. Clips are not opened.
    ///
    /// # Errors
    /// [`AmpError`] if the file cannot be read or something in it or its amp is wrong.
    pub fn read(path: &Path) -> Result<Self, AmpError> {
        Self::of_text(&read_text(path)?, &Origin::of_path(path))
    }

    /// A job from the text of a file; `name` stands for the file in messages, paths in it
    /// are relative to `folder`.
    ///
    /// # Errors
    /// [`AmpError`] if something in it or its amp is wrong.
    pub fn parse(text: &str, name: &str, folder: &Path) -> Result<Self, AmpError> {
        let origin = Origin { file: name.into(), folder: Some(folder.to_path_buf()) };
        Self::of_text(text, &origin)
    }

    fn of_text(text: &str, origin: &Origin) -> Result<Self, AmpError> {
        let (spec, lines): (JobSpec, Lines) = parse(&origin.file, text)?;
        let scope = Scope::file(&origin.file, &lines);
        let mut shelf = Shelf::embedded()?;
        shelf.add_valves(&spec.valve_files, origin, |i, problem| {
            scope.at("valve_files").nth(i).wrong(problem)
        })?;
        let amp = open_amp(&spec.amp, origin, &shelf, &scope.at("amp"))?;
        let versions = versions(&spec.versions, &amp, &shelf, origin, &scope)?;
        let known = Known { versions: versions.values().map(|(_, state)| state).collect() };
        let dials_amp = match &spec.dials.to_amp {
            Some(name) => Some(open_amp(name, origin, &shelf, &scope.at("dials").at("to_amp"))?),
            None => None,
        };
        let dials_there = dials_amp.as_ref().map(AmpFile::state);
        known.check_dials(&spec.dials, dials_there, &scope.at("dials"))?;
        known.check_values(&spec.values, &scope.at("values"))?;
        known.check_spread(&spec.spread, &scope.at("spread"))?;
        Ok(Self {
            file: origin.file.to_string(),
            clips: clips(&spec.clips, origin, &scope)?,
            compare: compare(&spec.compare, &versions, &scope)?,
            trim: trim(spec.trim, &scope)?,
            dials: spec.dials,
            dials_amp,
            values: spec.values,
            spread: spec.spread,
            title: spec.title,
            owner: spec.owner,
            notes: spec.notes,
            safety: spec.safety,
            reply_to: spec.reply_to,
            amp,
            versions,
        })
    }

    /// Names of the versions, in the order of the file.
    pub fn version_names(&self) -> impl Iterator<Item = &str> {
        self.versions.keys().map(String::as_str)
    }

    /// All versions, in the order of the file.
    pub fn versions(&self) -> impl ExactSizeIterator<Item = &AmpState> {
        self.versions.values().map(|(_, state)| state)
    }

    /// A version by name.
    ///
    /// # Errors
    /// [`AmpError::Wrong`] with the nearest right name.
    pub fn version(&self, name: &str) -> Result<&AmpState, AmpError> {
        self.entry(name).map(|(_, state)| state)
    }

    /// What stands in the file for a version.
    ///
    /// # Errors
    /// [`AmpError::Wrong`] with the nearest right name.
    pub fn version_spec(&self, name: &str) -> Result<&VersionSpec, AmpError> {
        self.entry(name).map(|(spec, _)| spec)
    }

    fn entry(&self, name: &str) -> Result<&(VersionSpec, AmpState), AmpError> {
        self.versions.get(name).ok_or_else(|| AmpError::Wrong {
            file: self.file.clone(),
            line: None,
            key: "versions".to_owned(),
            problem: no_version(name, self.version_names()),
        })
    }

    /// A short digest of everything that decides the sound: amp, versions, positions, clips'
    /// names and levels. Two people who read the same digest mean the same job.
    ///
    /// It is FNV-1a over 64 bits (Fowler, Noll, Vo; RFC 9923): against mix-ups, not forgery.
    ///
    /// # Errors
    /// [`AmpError::Unreadable`] if a version cannot be written as TOML, which the types rule out.
    pub fn digest(&self) -> Result<String, AmpError> {
        let mut hash = 0xcbf2_9ce4_8422_2325_u64;
        let mut add = |text: &str| {
            // A separator that is in no text, so that moving a letter from one to the next counts.
            for byte in text.bytes().chain([0xff]) {
                hash = (hash ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01b3);
            }
        };
        add(&self.title);
        for clip in &self.clips {
            add(&clip.name);
            add(&clip.peak.to_string());
        }
        for state in self.versions() {
            add(state.version());
            add(&state.to_toml()?);
            for (control, steps) in state.moves() {
                add(control);
                for (time, position) in steps {
                    add(&format!("{time} {position}"));
                }
            }
        }
        let hex = format!("{hash:016x}");
        Ok(format!("{}-{}-{}-{}", &hex[..4], &hex[4..8], &hex[8..12], &hex[12..]))
    }
}

fn no_version<'a>(name: &str, known: impl Iterator<Item = &'a str>) -> String {
    format!("there is no version \"{name}\"; {}", nearest(name, known))
}

fn open_amp(
    name: &str,
    origin: &Origin,
    shelf: &Shelf,
    scope: &Scope<'_>,
) -> Result<AmpFile, AmpError> {
    AmpFile::of_job(name, origin, shelf.clone()).map_err(|error| match error {
        // What is wrong with the name is wrong here; what is wrong in the amp file is there.
        AmpError::UnknownAmp { .. } | AmpError::Unreadable { .. } => scope.wrong(error.to_string()),
        other => other,
    })
}

fn versions(
    specs: &[VersionSpec],
    amp: &AmpFile,
    shelf: &Shelf,
    origin: &Origin,
    scope: &Scope<'_>,
) -> Result<IndexMap<String, (VersionSpec, AmpState)>, AmpError> {
    let mut all: IndexMap<String, (VersionSpec, AmpState)> = IndexMap::new();
    if specs.is_empty() || specs.len() > MOST {
        let problem =
            format!("{} versions; a job has 1 to {MOST}, each under [[versions]]", specs.len());
        return Err(scope.at("versions").wrong(problem));
    }
    for (i, spec) in specs.iter().enumerate() {
        let scope = scope.at("versions").nth(i);
        check_name(&spec.name).map_err(|problem| scope.at("name").wrong(problem))?;
        if all.contains_key(&spec.name) {
            let problem = format!("there is a version \"{}\" already", spec.name);
            return Err(scope.at("name").wrong(problem));
        }
        if let Some(problem) = one_file(&spec.name, "versions", all.keys().map(String::as_str)) {
            return Err(scope.at("name").wrong(problem));
        }
        let start = match (&spec.based_on, &spec.amp) {
            (Some(_), Some(_)) => {
                let problem = "a version is based on another one or has its own amp, not both";
                return Err(scope.at("based_on").wrong(problem));
            }
            (Some(base), None) => match all.get(base) {
                Some((_, state)) => state.clone(),
                None if specs.iter().any(|s| s.name == *base) => {
                    let problem = format!("the version \"{base}\" must come before this one");
                    return Err(scope.at("based_on").wrong(problem));
                }
                None => {
                    let problem = no_version(base, all.keys().map(String::as_str));
                    return Err(scope.at("based_on").wrong(problem));
                }
            },
            (None, Some(other)) => {
                open_amp(other, origin, shelf, &scope.at("amp"))?.state().clone()
            }
            (None, None) => amp.state().clone(),
        };
        let state = apply(&start, spec, &scope, origin)?;
        all.insert(spec.name.clone(), (spec.clone(), state));
    }
    Ok(all)
}

/// Names of versions and clips become names of files.
fn check_name(name: &str) -> Result<(), String> {
    let fits = |c: char| c.is_alphanumeric() || " _-+.,()".contains(c);
    let edges = name.trim() == name && !name.starts_with('.') && !name.ends_with('.');
    if name.is_empty() || name.chars().count() > 60 || !name.chars().all(fits) || !edges {
        return Err(format!(
            "\"{}\" cannot name a file; use 1 to 60 letters, digits, blanks and _ - + . , ( ), \
             no blank or point at an end",
            name.escape_debug()
        ));
    }
    Ok(())
}

/// What is wrong with a name whose files would be those of another one.
fn one_file<'a>(
    name: &str,
    what: &str,
    mut others: impl Iterator<Item = &'a str>,
) -> Option<String> {
    let stem = file_stem(name);
    // Some disks take letters for the same in either case.
    let other = others.find(|other| file_stem(other).to_lowercase() == stem.to_lowercase())?;
    Some(format!(
        "the {what} \"{other}\" and \"{name}\" would both be called {stem} in the names of files; give this one another name"
    ))
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

fn clips(specs: &[ClipSpec], origin: &Origin, scope: &Scope<'_>) -> Result<Vec<Clip>, AmpError> {
    let mut all: Vec<Clip> = Vec::new();
    if specs.len() > MOST {
        let problem = format!("{} clips; at most {MOST} are read", specs.len());
        return Err(scope.at("clips").wrong(problem));
    }
    for (i, spec) in specs.iter().enumerate() {
        let scope = scope.at("clips").nth(i);
        let path = origin.resolve(&spec.file);
        let stem = || path.file_stem().map(|s| s.to_string_lossy().into_owned());
        let name = spec.name.clone().or_else(stem).unwrap_or_default();
        let named = if spec.name.is_some() { "name" } else { "file" };
        check_name(&name).map_err(|problem| scope.at(named).wrong(problem))?;
        if all.iter().any(|c| c.name == name) {
            let problem = format!("there is a clip \"{name}\" already; give this one another name");
            return Err(scope.at(named).wrong(problem));
        }
        if let Some(problem) = one_file(&name, "clips", all.iter().map(|c| c.name.as_str())) {
            return Err(scope.at(named).wrong(problem));
        }
        if !(spec.peak.0 > 0.0 && spec.peak.0 <= 100.0) {
            let problem = format!("{} is not above zero and at most 100 V", spec.peak);
            return Err(scope.at("peak").wrong(problem));
        }
        if spec.channel == Some(0) {
            return Err(scope.at("channel").wrong("channels are counted from 1"));
        }
        all.push(Clip {
            name,
            path,
            peak: spec.peak,
            channel: spec.channel,
            note: spec.note.clone(),
            line: scope.line(),
        });
    }
    Ok(all)
}

fn compare(
    spec: &CompareSpec,
    versions: &IndexMap<String, (VersionSpec, AmpState)>,
    scope: &Scope<'_>,
) -> Result<Compare, AmpError> {
    let scope = scope.at("compare");
    let named = |name: &Option<String>, key: &str, usual: Option<&String>| match name {
        Some(name) if !versions.contains_key(name) => {
            let problem = no_version(name, versions.keys().map(String::as_str));
            Err(scope.at(key).wrong(problem))
        }
        Some(name) => Ok(name.clone()),
        None => Ok(usual.cloned().unwrap_or_default()),
    };
    Ok(Compare {
        before: named(&spec.before, "before", versions.keys().next())?,
        after: named(&spec.after, "after", versions.keys().next_back())?,
    })
}

fn trim(spec: Option<TrimSpec>, scope: &Scope<'_>) -> Result<Trim, AmpError> {
    let scope = scope.at("trim");
    let usual = Trim::default();
    let Some(spec) = spec else { return Ok(usual) };
    let trim = Trim {
        asked_for: true,
        below: spec.below.unwrap_or(usual.below),
        speaker_lowest: spec.speaker_lowest,
        trimmed_by_at_least: spec.trimmed_by_at_least.unwrap_or(usual.trimmed_by_at_least),
        low_e_changed_by_at_most: spec
            .low_e_changed_by_at_most
            .unwrap_or(usual.low_e_changed_by_at_most),
    };
    let frequencies = [("below", Some(trim.below)), ("speaker_lowest", trim.speaker_lowest)];
    for (key, value) in frequencies {
        if let Some(hertz) = value
            && !(1.0..=1000.0).contains(&hertz.0)
        {
            return Err(scope.at(key).wrong(format!("{hertz} is not from 1 Hz to 1 kHz")));
        }
    }
    let levels = [
        ("trimmed_by_at_least", trim.trimmed_by_at_least),
        ("low_e_changed_by_at_most", trim.low_e_changed_by_at_most),
    ];
    for (key, level) in levels {
        if !(0.0..=120.0).contains(&level.0) {
            return Err(scope.at(key).wrong(format!("{level} is not from 0 dB to 120 dB")));
        }
    }
    Ok(trim)
}
