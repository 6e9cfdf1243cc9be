//! The scale of a job's `[dials]` as the owner's page shows it.

use super::question::{Asked, Question, made, question};
use super::words::words;
use crate::amp::{AmpState, Job};
use crate::analysis::dials::{End, Likeness, Row, Scale};
use crate::commands::failure::Failure;
use crate::commands::input::Subject;
use crate::page::model::{DialRow, DialScale};

/// Positions on a page: every number of the scale and half way between.
const POSITIONS: u32 = 21;

/// One scale for each free control; none if the job's `[dials]` names no control.
///
/// # Errors
/// [`Failure`].
pub fn dial_scales(job: &Job) -> Result<Vec<DialScale>, Failure> {
    if job.dials.control.is_none() {
        return Ok(Vec::new());
    }
    let subject = Subject::Job(Box::new(job.clone()));
    let question = question(&subject, &Asked::default()).map_err(|failure| match failure {
        Failure::Input(problem) => Failure::Input(format!("{}, [dials]: {problem}", job.file)),
        fault @ Failure::Fault(_) => fault,
    })?;
    let made = made(&question, POSITIONS, &|| ())?;
    let said = words(&question, &made.scale, made.as_built.as_ref(), None);
    let as_built = made.as_built.as_ref().map(|built| built.mark.position.number());
    let scales = question.free.iter().enumerate().map(|(k, free)| {
        let rows = made.scale.rows.iter().map(|row| DialRow {
            here: row.here.number(),
            there: row
                .there
                .get(k)
                .filter(|_| !is_beyond(row, &made.scale))
                .map(|there| there.position.number()),
            residual_db: row.distance.goal_db(question.rules.offset_allowed),
            level_offset_db: row.distance.level_db,
        });
        DialScale {
            here: knob_of(&question.here, &question.control, &question),
            there: knob_of(&question.there, free, &question),
            rows: rows.collect(),
            as_built,
            same_db: question.rules.same_db,
            // Said once, below the last of them.
            notes: if k + 1 == question.free.len() { said.clone() } else { Vec::new() },
        }
    });
    Ok(scales.collect())
}

/// Whether a position here lies beyond the end of the range there.
fn is_beyond(row: &Row, scale: &Scale) -> bool {
    let past = |end: &End| match end.above {
        true => row.here.turn() > end.here.turn(),
        false => row.here.turn() < end.here.turn(),
    };
    row.likeness != Likeness::Same && scale.ends.iter().any(past)
}

/// E.g. `Middle of "proposed"` or, where the amps differ, `Middle of Tamarack 85`.
fn knob_of(state: &AmpState, control: &str, question: &Question) -> String {
    let label = state.controls().get(control).map_or(control, |c| c.label.as_str());
    let place = match (state.version(), question.here.title() == question.there.title()) {
        ("", _) => state.title().to_owned(),
        (version, true) => format!("\u{201c}{version}\u{201d}"),
        (version, false) => format!("{}, \u{201c}{version}\u{201d}", state.title()),
    };
    format!("{label} of {place}")
}
