//! Filling the audition page from a job and its rendered clips.

use crate::amp::{AmpState, Difference, INPUT_PART, Job, PartKind, What};
use crate::analysis::{GUITAR_STRINGS, tone_words};
use crate::audio::{Clip, resample};
use crate::circuit::LinearCircuit;
use crate::page::model as page;
use crate::parallel;
use crate::render::{ClipSet, RenderedClip, Rest, Tape};

use super::Failure;
use super::dials::dial_scales;

/// Highest sample rate on a page: more would only make the file larger.
const PAGE_RATE_HZ: u32 = 48_000;
/// Longer clips are heard on the page to here, so that it stays small enough for mail.
const LONGEST_S: f64 = 120.0;
/// Up to this many versions each is taken apart from the first; above, only the compared pair.
const MOST_DIFFERENCES: usize = 3;
/// Points of a curve, from 20 Hz to 20 kHz.
const POINTS: u32 = 240;
/// Where 0 dB of the response plot lies: the first version's mean in this band.
const LEVEL_BAND_HZ: [f64; 2] = [300.0, 1000.0];
/// A loudspeaker's band where an amp has no speaker: all that a person hears.
const NO_SPEAKER_HZ: [f64; 2] = [20.0, 20_000.0];

/// Everything that the page shows, but for findings that are made elsewhere (verdicts, break-up),
/// which the caller adds.
///
/// The version that the job compares with comes first on the page.
///
/// # Errors
/// [`Failure`] if a circuit has no response, or a clip cannot be measured or resampled.
pub fn page_model(job: &Job, clips: &[ClipSet]) -> Result<page::PageModel, Failure> {
    let order = order(job);
    let states: Vec<&AmpState> =
        order.iter().filter_map(|&index| job.versions().nth(index)).collect();
    let curves = curves(&states)?;
    let speaker = speaker(&states)?;
    let versions = states
        .iter()
        .zip(&curves)
        .map(|(state, curve)| version(&states, state, &curves[0], curve, speaker_hz(&speaker)))
        .collect();
    let after = job.version_names().position(|name| name == job.compare.after);
    let after = order.iter().position(|&index| Some(index) == after).unwrap_or(0);
    Ok(page::PageModel {
        title: job.title.clone(),
        amp: job.amp.state().title().to_owned(),
        owner: job.owner.clone(),
        story: job.notes.clone(),
        technician: page::Technician {
            name: None,
            email: Some(job.reply_to.clone()).filter(|address| !address.is_empty()),
        },
        safety_words: job.safety.clone(),
        job_digest: job.digest()?,
        versions,
        clips: parallel::try_map(clips, |set| clip(job, set, &order, after))?,
        response: Some(response(&states, curves, speaker)),
        dials: dial_scales(job)?,
        ..page::PageModel::default()
    })
}

/// A break-up table whose versions are counted in the job's order, as the page counts them.
pub fn in_page_order(job: &Job, mut table: page::BreakUp) -> page::BreakUp {
    let order = order(job);
    for row in &mut table.rows {
        row.version = order.iter().position(|&index| index == row.version).unwrap_or(row.version);
    }
    table.rows.sort_by_key(|row| row.version);
    table
}

/// Positions in the job of the page's versions: the one compared with first.
fn order(job: &Job) -> Vec<usize> {
    let names: Vec<&str> = job.version_names().collect();
    let first = names.iter().position(|name| *name == job.compare.before).unwrap_or(0);
    let rest = (0..names.len()).filter(|&index| index != first);
    std::iter::once(first).chain(rest).collect()
}

fn frequencies_hz() -> Vec<f64> {
    let share = |step: u32| f64::from(step) / f64::from(POINTS);
    (0..=POINTS).map(|step| 20.0 * 1000_f64.powf(share(step))).collect()
}

/// Level of a state's output in dB on the page's frequencies.
fn level_db(state: &AmpState) -> Result<Vec<f64>, Failure> {
    let built = state.circuit()?;
    let linear = LinearCircuit::of(&built.circuit)?;
    let gains = linear.transfer(INPUT_PART, built.output)?.gains(&frequencies_hz())?;
    // A silent output has no level; far below everything is what a plot can show of it.
    Ok(gains.iter().map(|gain| 20.0 * gain.norm().max(1e-15).log10()).collect())
}

fn curves(states: &[&AmpState]) -> Result<Vec<Vec<f64>>, Failure> {
    parallel::try_map(states, |state| level_db(state))
}

/// The first speaker of the first version that has one.
fn speaker(states: &[&AmpState]) -> Result<Option<page::RangeOfUse>, Failure> {
    for state in states {
        if let Some(speaker) = state.circuit()?.speakers.first() {
            let range = speaker.range_of_use;
            return Ok(Some(page::RangeOfUse {
                low_hz: range.lowest_hz,
                high_hz: range.highest_hz,
                note: format!("at \u{2212}{} dB", range.below_midband_db),
            }));
        }
    }
    Ok(None)
}

fn speaker_hz(speaker: &Option<page::RangeOfUse>) -> [f64; 2] {
    speaker.as_ref().map_or(NO_SPEAKER_HZ, |range| [range.low_hz, range.high_hz])
}

fn minus(after: &[f64], before: &[f64]) -> Vec<f64> {
    after.iter().zip(before).map(|(after, before)| after - before).collect()
}

fn response(
    states: &[&AmpState],
    curves: Vec<Vec<f64>>,
    speaker: Option<page::RangeOfUse>,
) -> page::Response {
    let frequencies_hz = frequencies_hz();
    let inside = |hz: f64| (LEVEL_BAND_HZ[0]..=LEVEL_BAND_HZ[1]).contains(&hz);
    let middle: Vec<f64> = frequencies_hz
        .iter()
        .zip(&curves[0])
        .filter(|(hz, _)| inside(**hz))
        .map(|(_, db)| *db)
        .collect();
    let zero_db = middle.iter().sum::<f64>() / middle.len() as f64;
    let differences = curves
        .iter()
        .enumerate()
        .skip(1)
        .map(|(version, curve)| page::Curve { version, level_db: minus(curve, &curves[0]) })
        .collect();
    let shifted = |curve: &Vec<f64>| curve.iter().map(|db| db - zero_db).collect();
    page::Response {
        reference: format!(
            "what comes out for a small signal at the input; 0 dB is the mean of \u{201c}{}\u{201d} from 300 Hz to 1 kHz",
            states[0].version()
        ),
        curves: curves
            .iter()
            .enumerate()
            .map(|(version, curve)| page::Curve { version, level_db: shifted(curve) })
            .collect(),
        differences,
        frequencies_hz,
        strings: GUITAR_STRINGS
            .iter()
            .map(|pitch| page::OpenString { name: pitch.name.to_owned(), frequency_hz: pitch.hz() })
            .collect(),
        speaker,
    }
}

fn version(
    states: &[&AmpState],
    state: &AmpState,
    first_db: &[f64],
    own_db: &[f64],
    speaker_hz: [f64; 2],
) -> page::Version {
    let first = states[0];
    let words = |db: &[f64]| tone_words(&frequencies_hz(), &minus(db, first_db), speaker_hz);
    let (moves, differences): (Vec<_>, Vec<_>) =
        first.differences_to(state).into_iter().partition(|d| d.what == What::Moves);
    let listed = differences.iter().filter(|difference| difference.what != What::Position);
    // What each change does by itself, where it can be made by itself.
    let mut changes: Vec<(page::Change, bool)> = listed
        .map(|difference| {
            let alone = alone(first, difference);
            let what = what(first, state, difference);
            let effect = match (&alone, difference.what) {
                (Some(db), _) => words(db),
                // Its purpose is its label, which stands in the line already.
                (None, What::Control) => String::new(),
                (None, _) => difference.purpose.clone(),
            };
            (page::Change { what, effect }, alone.is_some())
        })
        .collect();
    let settled = matches!(changes.as_slice(), [(_, true)]) && differences.len() == 1;
    if !differences.is_empty() && !settled {
        let what = match changes.len() {
            0 => "No part changed, the knobs as shown",
            _ => "All together, the knobs as shown",
        };
        let effect = words(own_db);
        changes.push((page::Change { what: what.to_owned(), effect }, true));
    }
    let moves = moves.iter().map(|d| page::Change { what: d.to_string(), effect: String::new() });
    let changes = changes.into_iter().map(|(change, _)| change).chain(moves).collect();
    page::Version {
        name: state.version().to_owned(),
        note: state.note().to_owned(),
        changes,
        controls: state
            .controls()
            .iter()
            .map(|(name, control)| page::Control {
                label: control.label.clone(),
                position: state.positions().get(name).copied().unwrap_or(control.position).number(),
            })
            .collect(),
    }
}

/// Level with only this one value changed; none if it cannot be made alone.
fn alone(first: &AmpState, difference: &Difference) -> Option<Vec<f64>> {
    let (What::Value, Some(_), Some(after)) =
        (difference.what, &difference.before, &difference.after)
    else {
        return None;
    };
    level_db(&first.with_value(&difference.subject, after).ok()?).ok()
}

/// A change as a line of the work list.
fn what(before: &AmpState, after: &AmpState, difference: &Difference) -> String {
    let plain = |state: &AmpState, words: &str| {
        let part = state.parts().get(&difference.subject);
        part.and_then(|part| plain_value(&part.kind)).unwrap_or_else(|| words.to_owned())
    };
    let subject = match difference.what {
        What::Control | What::Position => &difference.purpose,
        _ => &difference.subject,
    };
    match (difference.what, &difference.before, &difference.after) {
        (What::Value, Some(was), Some(is)) => {
            format!("{subject}, {} to {}", plain(before, was), plain(after, is))
        }
        (What::Connection, Some(_), Some(is)) => format!("{subject}, now connected {is}"),
        (What::Supply, Some(was), Some(is)) => format!("supply {subject}, {was} to {is}"),
        (What::Amp, _, Some(is)) => format!("another amplifier: {is}"),
        (What::Control, None, Some(_)) => format!("New control, {subject}"),
        (What::Control, Some(_), None) => format!("Control {subject} taken out"),
        (_, Some(was), Some(is)) => format!("{subject}, {was} to {is}"),
        (_, None, Some(is)) => format!("{subject} added, {is}"),
        (_, Some(was), None) => format!("{subject} taken out, {was}"),
        (_, None, None) => subject.clone(),
    }
}

/// Values of everyday parts as an owner reads them, e.g. "22 nF" and "6.8 kohm".
fn plain_value(kind: &PartKind) -> Option<String> {
    match kind {
        PartKind::Resistor { value, .. } | PartKind::Rheostat { value, .. } => {
            Some(scaled(value.0, "ohm"))
        }
        PartKind::Pot { value, .. } => Some(scaled(value.0, "ohm")),
        PartKind::Capacitor { value, .. } => Some(scaled(value.0, "F")),
        _ => None,
    }
}

fn scaled(value: f64, unit: &str) -> String {
    const PREFIXES: [(&str, f64); 6] =
        [("M", 1e6), ("k", 1e3), ("", 1.0), ("\u{b5}", 1e-6), ("n", 1e-9), ("p", 1e-12)];
    let fits = |size: f64| value.abs() >= size * 0.9995;
    let (prefix, size) = PREFIXES.into_iter().find(|&(_, size)| fits(size)).unwrap_or(PREFIXES[5]);
    let number = (value / size * 1e3).round() / 1e3;
    format!("{number}\u{a0}{prefix}{unit}")
}

fn clip(job: &Job, set: &ClipSet, order: &[usize], after: usize) -> Result<page::Clip, Failure> {
    let rendered: Vec<&RenderedClip> =
        order.iter().filter_map(|&index| set.versions.get(index)).collect();
    let scale_db = 20.0 * set.scale.log10();
    // All takes are on one scale, so that is how loud the amp would be; the page itself keeps peaks
    // below full scale.
    let takes = rendered.iter().map(|version| {
        Ok(page::Take {
            samples: playable(version.excerpt(LONGEST_S, set.scale)?)?,
            matched_gain_db: version.matched.gain_db - scale_db,
            as_loud_gain_db: 0.0,
        })
    });
    let pairs = match rendered.len() {
        many if many <= MOST_DIFFERENCES + 1 => 1..many.max(1),
        _ => after..after + usize::from(after > 0),
    };
    let differences = pairs.map(|after| {
        let rest = Rest::new(&rendered[0].tape, &rendered[after].tape)?;
        Ok(page::Difference {
            before: 0,
            after,
            samples: playable(rest.excerpt(LONGEST_S, set.scale)?)?,
            before_gain_db: 20.0 * rest.gain.abs().max(1e-15).log10(),
            before_inverted: rest.gain < 0.0,
        })
    });
    let tape = rendered.first().map(|version| &version.tape);
    let rate_hz = tape.map_or(PAGE_RATE_HZ, Tape::sample_rate_hz);
    let is_longer = tape.is_some_and(|tape| tape.frames() as f64 > LONGEST_S * f64::from(rate_hz));
    let note = job.clips.iter().find(|clip| clip.name == set.name).map_or("", |clip| &clip.note);
    let cut = is_longer.then(|| format!("The first {LONGEST_S:.0} seconds of it."));
    let note = [note, cut.as_deref().unwrap_or_default()].join(" ").trim().to_owned();
    Ok(page::Clip {
        name: set.name.clone(),
        note,
        sample_rate_hz: rate_hz.min(PAGE_RATE_HZ),
        takes: takes.collect::<Result<_, Failure>>()?,
        differences: differences.collect::<Result<_, Failure>>()?,
    })
}

/// Samples at a rate that is worth its bytes.
fn playable(sound: Clip) -> Result<Vec<f32>, Failure> {
    let sound = match sound.sample_rate_hz > PAGE_RATE_HZ {
        true => resample(&sound, PAGE_RATE_HZ)?,
        false => sound,
    };
    Ok(sound.samples.iter().map(|&sample| sample as f32).collect())
}
