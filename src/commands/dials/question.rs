//! Which knob is held against which, from the command line, a job, or both; and the answer.

use clap::Args;
use serde::Serialize;

use crate::amp::{AmpState, BuiltCircuit, DialsSection};
use crate::analysis::dials::{Dialled, MOST_FREE, Mark, Rules, Scale, place, scale};
use crate::commands::ask::{band, dialled, frequency, job, knob, other_amp, title};
use crate::commands::failure::Failure;
use crate::commands::input::Subject;
use crate::units::{Decibels, Hertz, Position};

/// What a command line says beyond the job; nothing of it is needed where the job says it.
#[derive(Debug, Default, Args)]
pub struct Asked {
    /// The other amp: a preset's name or an amp file (a version of the job if left out)
    there: Option<String>,
    /// Version of a job whose control is asked about (its last if left out)
    #[arg(long)]
    version: Option<String>,
    /// Version of the job that is to equal it (its first if left out)
    #[arg(long)]
    to_version: Option<String>,
    /// The control whose positions are asked about
    #[arg(long)]
    control: Option<String>,
    /// Free controls there, parted by commas, at most four (the one of the same name if left out)
    #[arg(long, value_delimiter = ',')]
    free: Vec<String>,
    /// Lowest frequency that counts, in hertz
    #[arg(long, value_parser = frequency)]
    low: Option<Hertz>,
    /// Highest frequency that counts, in hertz
    #[arg(long, value_parser = frequency)]
    high: Option<Hertz>,
    /// Hold the levels against each other, too, instead of making them equal first
    #[arg(long)]
    no_level_offset: bool,
    /// How far apart two responses may be and still count as the same, in dB (weighted RMS)
    #[arg(long, value_name = "DB")]
    same: Option<f64>,
    /// A version without the control, to be found on its scale (in a job, the first that lacks it)
    #[arg(long, value_name = "VERSION")]
    as_built: Option<String>,
}

/// What is asked, with everything said.
pub(in crate::commands) struct Question {
    pub here: AmpState,
    pub there: AmpState,
    pub control: String,
    pub free: Vec<String>,
    pub rules: Rules,
    as_built: Option<AmpState>,
}

/// Where a version without the control sits on its scale.
#[derive(Serialize)]
pub(super) struct AsBuilt {
    pub version: String,
    #[serde(flatten)]
    pub mark: Mark,
}

/// Puts together what the command line and the job say.
///
/// # Errors
/// [`Failure::Input`].
pub(super) fn question(subject: &Subject, args: &Asked) -> Result<Question, Failure> {
    let own = job(subject);
    let none = DialsSection::default();
    let section = own.map_or(&none, |j| &j.dials);
    let version = args.version.clone().or(section.version.clone());
    let here = match (own, version) {
        (Some(job), None) => job
            .versions()
            .last()
            .cloned()
            .ok_or_else(|| Failure::input(format!("{}: the job has no version", job.file)))?,
        (_, version) => subject.state(version.as_deref())?,
    };
    let control = match args.control.clone().or(section.control.clone()) {
        Some(control) => control,
        None => {
            let known: Vec<&str> = here.controls().keys().map(String::as_str).collect();
            if known.is_empty() {
                return Err(Failure::input(format!(
                    "{} has no control to turn; name an amp or a version that has one first",
                    title(&here)
                )));
            }
            return Err(Failure::input(format!(
                "which control? name one of {} with --control: {}",
                title(&here),
                known.join(", ")
            )));
        }
    };
    here.control(&control)?;
    let there = there(args, section, subject)?;
    let mut free = if args.free.is_empty() { section.free.clone() } else { args.free.clone() };
    if free.is_empty() {
        if !there.controls().contains_key(&control) {
            let known: Vec<&str> = there.controls().keys().map(String::as_str).collect();
            let title = title(&there);
            return Err(Failure::input(match known.is_empty() {
                true => format!("{title} has no control at all; there is no scale to map onto"),
                false => format!(
                    "{title} has no control {control}; name its free controls with --free: {}",
                    known.join(", ")
                ),
            }));
        }
        free.push(control.clone());
    }
    if free.len() > MOST_FREE {
        return Err(Failure::input(format!(
            "{} free controls; at most {MOST_FREE} can be searched together",
            free.len()
        )));
    }
    for (k, name) in free.iter().enumerate() {
        there.control(name)?;
        if free[..k].contains(name) {
            return Err(Failure::input(format!("the control {name} is free twice")));
        }
    }
    let usual = band(section.band)?;
    let low = args.low.unwrap_or(Hertz(usual.low_hz()));
    let high = args.high.unwrap_or(Hertz(usual.high_hz()));
    let mut chosen = band(Some([low, high]))?;
    if !section.weights.is_empty() {
        let weights: Vec<(f64, f64)> = section.weights.iter().map(|(f, w)| (f.0, *w)).collect();
        chosen = chosen.weighted(&weights).map_err(Failure::input)?;
    }
    let same_db = args.same.or(section.same.map(|d: Decibels| d.0)).unwrap_or(0.5);
    if !(same_db > 0.0 && same_db <= 60.0) {
        return Err(Failure::input(format!("{same_db} dB is not above 0 dB and at most 60 dB")));
    }
    let rules = Rules {
        band: chosen,
        offset_allowed: !args.no_level_offset && section.level_offset.unwrap_or(true),
        same_db,
    };
    let as_built = match (own, args.as_built.clone().or(section.as_built.clone())) {
        (_, Some(name)) => Some(subject.state(Some(&name))?),
        (Some(job), None) => job.versions().find(|v| !v.controls().contains_key(&control)).cloned(),
        (None, None) => None,
    };
    Ok(Question { here, there, control, free, rules, as_built })
}

fn there(args: &Asked, section: &DialsSection, subject: &Subject) -> Result<AmpState, Failure> {
    if let Some(name) = &args.there {
        return other_amp(name);
    }
    if let Some(version) = &args.to_version {
        return subject.state(Some(version));
    }
    match job(subject).and_then(|job| job.dials_amp.as_ref()) {
        Some(amp) => Ok(amp.state().clone()),
        None => subject.state(section.to_version.as_deref()),
    }
}

/// The answer, with the circuits that gave it.
pub(in crate::commands) struct Made {
    pub here: Dialled,
    pub there: Dialled,
    pub built: BuiltCircuit,
    pub scale: Scale,
    pub as_built: Option<AsBuilt>,
}

/// Finds the answer at evenly spaced positions, both ends among them.
///
/// # Errors
/// [`Failure`].
pub(super) fn made(
    question: &Question,
    positions: u32,
    tick: &(dyn Fn() + Sync),
) -> Result<Made, Failure> {
    let rules = &question.rules;
    let frequencies_hz = rules.band.frequencies_hz();
    let built = question.here.circuit()?;
    let own = knob(&question.here, &question.control)?;
    let here = dialled(&question.here, &built, std::slice::from_ref(&own), frequencies_hz)?;
    let free =
        question.free.iter().map(|n| knob(&question.there, n)).collect::<Result<Vec<_>, _>>()?;
    let built_there = question.there.circuit()?;
    let there = dialled(&question.there, &built_there, &free, frequencies_hz)?;
    let last = f64::from(positions.saturating_sub(1).max(1));
    let positions: Vec<Position> =
        (0..positions).map(|k| Position::from_turn(f64::from(k) / last)).collect();
    let scale = scale(&here, &there, rules, &positions, tick)?;
    let as_built = match &question.as_built {
        None => None,
        Some(state) => {
            let fixed = state.circuit()?;
            let levels = dialled(state, &fixed, &[], frequencies_hz)?.levels_db(&[])?;
            let mark = place(&levels, &here, rules)?;
            Some(AsBuilt { version: state.version().to_owned(), mark })
        }
    };
    Ok(Made { here, there, built, scale, as_built })
}
