//! Refusing a model that contradicts itself, before any work is done on it.

use super::PageError;
use super::model::{Clip, PageModel, Response};

/// Sample rates that the Web Audio API requires every browser to play (W3C, Web Audio API 1.1,
/// BaseAudioContext.createBuffer).
const SAMPLE_RATES_HZ: std::ops::RangeInclusive<u32> = 8_000..=96_000;
/// Longest clip: the page would outgrow any mail long before.
const LONGEST_SECONDS: usize = 600;

pub(super) fn check(model: &PageModel) -> Result<(), PageError> {
    let wrong = |what: String| PageError::Model { title: model.title.clone(), what };
    if model.versions.is_empty() {
        return Err(wrong("there is no version; it needs at least one".to_owned()));
    }
    for version in &model.versions {
        for control in &version.controls {
            if !(0.0..=10.0).contains(&control.position) {
                return Err(wrong(format!(
                    "control {} of version {} stands at {}; it must be 0 to 10",
                    control.label, version.name, control.position
                )));
            }
        }
    }
    for clip in &model.clips {
        check_clip(model, clip).map_err(|what| wrong(format!("clip {}: {what}", clip.name)))?;
    }
    if let Some(response) = &model.response {
        check_response(model, response).map_err(|what| wrong(format!("response: {what}")))?;
    }
    let rows = model.break_up.iter().flat_map(|break_up| &break_up.rows);
    for row in rows {
        if row.version >= model.versions.len() {
            return Err(wrong(format!("the break-up table names version {}", row.version)));
        }
    }
    for row in model.dials.iter().flat_map(|dial| &dial.rows) {
        let positions = [Some(row.here), row.there];
        if positions.iter().flatten().any(|position| !(0.0..=10.0).contains(position)) {
            return Err(wrong("a dial position lies outside 0 to 10".to_owned()));
        }
    }
    Ok(())
}

fn check_clip(model: &PageModel, clip: &Clip) -> Result<(), String> {
    if !SAMPLE_RATES_HZ.contains(&clip.sample_rate_hz) {
        return Err(format!(
            "the sample rate is {} Hz; browsers play 8000 to 96000 Hz, so resample it",
            clip.sample_rate_hz
        ));
    }
    if clip.takes.len() != model.versions.len() {
        return Err(format!(
            "it has {} takes for {} versions; it needs one for each",
            clip.takes.len(),
            model.versions.len()
        ));
    }
    let length = clip.takes.first().map_or(0, |take| take.samples.len());
    if length == 0 || length > LONGEST_SECONDS * clip.sample_rate_hz as usize {
        return Err(format!(
            "it has {length} samples; it must have at least one and last at most {LONGEST_SECONDS} s"
        ));
    }
    let takes = clip.takes.iter().map(|take| &take.samples);
    for samples in takes.chain(clip.differences.iter().map(|difference| &difference.samples)) {
        if samples.len() != length {
            return Err(format!(
                "its takes have {length} and {} samples; all must be equally long",
                samples.len()
            ));
        }
        if let Some(index) = samples.iter().position(|sample| !sample.is_finite()) {
            return Err(format!("sample {index} is {}; samples must be finite", samples[index]));
        }
    }
    let gains = clip.takes.iter().flat_map(|take| [take.matched_gain_db, take.as_loud_gain_db]);
    if gains.chain(clip.differences.iter().map(|d| d.before_gain_db)).any(|db| !db.is_finite()) {
        return Err("a gain is not finite".to_owned());
    }
    let known = 0..model.versions.len();
    if clip.differences.iter().any(|d| !known.contains(&d.before) || !known.contains(&d.after)) {
        return Err("a difference names a version that isn't there".to_owned());
    }
    Ok(())
}

fn check_response(model: &PageModel, response: &Response) -> Result<(), String> {
    let hz = &response.frequencies_hz;
    if hz.len() < 2 || hz.iter().any(|hz| !hz.is_finite() || *hz <= 0.0) {
        return Err("it needs at least two frequencies, all finite and above zero".to_owned());
    }
    if hz.windows(2).any(|pair| pair[0] >= pair[1]) {
        return Err("its frequencies must rise".to_owned());
    }
    for curve in response.curves.iter().chain(&response.differences) {
        if curve.version >= model.versions.len() {
            return Err(format!("a curve names version {}, which isn't there", curve.version));
        }
        if curve.level_db.len() != hz.len() {
            return Err(format!(
                "a curve has {} levels for {} frequencies",
                curve.level_db.len(),
                hz.len()
            ));
        }
        if curve.level_db.iter().any(|db| !db.is_finite()) {
            return Err("a level is not finite".to_owned());
        }
    }
    Ok(())
}
