//! The parts of the sheet that are words, lists and fields.

use std::fmt::Write;

use super::PageError;
use super::escape::{Text, paragraphs};
use super::knob;
use super::level::{decibels, gain, louder_than_first_db};
use super::model::{Clip, PageModel, Version};
use super::plot::level_text;
use super::sound::{peak, rms};
use super::template::fill;
use super::waveform::{self, COLUMNS, HEIGHT};

// Writing to a string cannot fail, so results of `write!` are dropped throughout.

/// The ruled box at the top.
pub(super) fn head(model: &PageModel, sound_bytes: usize) -> String {
    let mut out = String::new();
    let mut cell = |name: &str, value: &str| {
        let _ = write!(out, "<div><dt>{name}</dt><dd>{}</dd></div>", Text(value));
    };
    cell("Amplifier", &model.amp);
    if !model.owner.is_empty() {
        cell("For", &model.owner);
    }
    if let Some(name) = &model.technician.name {
        cell("Sheet made by", name);
    }
    let names: Vec<&str> = model.versions.iter().map(|version| version.name.as_str()).collect();
    cell("Versions", &names.join(", "));
    cell("Job digest", &short_digest(&model.job_digest));
    if !model.clips.is_empty() {
        let megabytes = (sound_bytes as f64 / 1e5).ceil() / 10.0;
        cell(
            "In this file",
            &format!("{megabytes:.1} MB of sound, FLAC, 16 bit; nothing is loaded from elsewhere"),
        );
    }
    out
}

/// As much of a digest as a person compares, in groups of four.
fn short_digest(digest: &str) -> String {
    let letters: Vec<char> =
        digest.chars().filter(|letter| letter.is_alphanumeric()).take(16).collect();
    let groups: Vec<String> = letters.chunks(4).map(|group| group.iter().collect()).collect();
    groups.join("-")
}

/// Fields of the player. The script brings them to life.
pub(super) fn listen(model: &PageModel) -> Result<String, PageError> {
    let mut out = String::new();
    if model.clips.is_empty() {
        out.push_str("<p>This sheet has no clips; the curves and the work are below.</p>");
        return Ok(out);
    }
    if model.clips.len() > 1 {
        out.push_str(r#"<fieldset class="row" id="clips"><legend>Clip <kbd>N</kbd></legend>"#);
        for (index, clip) in model.clips.iter().enumerate() {
            let _ = write!(
                out,
                r#"<label class="pick"><input type="radio" name="clip" value="{index}"{}><span>{}</span></label>"#,
                checked(index == 0),
                Text(&clip.name)
            );
        }
        out.push_str("</fieldset>");
    }
    for (index, clip) in model.clips.iter().enumerate() {
        let _ = write!(
            out,
            r#"<p class="clip-note" data-clip="{index}"{}>{}</p>"#,
            hidden(index != 0),
            Text(&clip.note)
        );
    }
    out.push_str(&fill(include_str!("assets/transport.html"), &[("waves", &waves(model))])?);
    choices(&mut out, model);
    if model.clips.iter().any(|clip| !clip.differences.is_empty()) {
        out.push_str(include_str!("assets/difference.html"));
    }
    out.push_str(include_str!("assets/loudness.html"));
    Ok(out)
}

fn checked(yes: bool) -> &'static str {
    if yes { " checked" } else { "" }
}

fn hidden(yes: bool) -> &'static str {
    if yes { " hidden" } else { "" }
}

/// One outline per take and difference, in the order of the script's voices.
fn waves(model: &PageModel) -> String {
    let mut out = format!(
        r#"<svg viewBox="0 0 {COLUMNS} {HEIGHT}" preserveAspectRatio="none" aria-hidden="true">"#
    );
    for (index, clip) in model.clips.iter().enumerate() {
        let gains: Vec<f64> = clip.takes.iter().map(|take| gain(take.matched_gain_db)).collect();
        let full_scale = clip
            .takes
            .iter()
            .zip(&gains)
            .map(|(take, gain)| peak(&take.samples) * gain)
            .fold(0.0, f64::max);
        let takes = clip.takes.iter().zip(&gains).map(|(take, &gain)| (&take.samples, gain));
        let differences = clip.differences.iter().map(|difference| {
            (&difference.samples, gains.get(difference.after).copied().unwrap_or(1.0))
        });
        for (voice, (samples, gain)) in takes.chain(differences).enumerate() {
            let _ = write!(
                out,
                r#"<path class="wave" data-clip="{index}" data-voice="{voice}" d="{}"/>"#,
                waveform::outline(samples, full_scale / gain)
            );
        }
    }
    let _ = write!(
        out,
        r#"<rect class="region" y="0" width="0" height="{HEIGHT}"/><path class="head" d="M0 0V{HEIGHT}"/></svg>"#
    );
    out
}

fn choices(out: &mut String, model: &PageModel) {
    for (index, clip) in model.clips.iter().enumerate() {
        let _ = write!(
            out,
            r#"<fieldset class="choices" data-clip="{index}"{}><legend>Version</legend>"#,
            hidden(index != 0)
        );
        for (take, version) in model.versions.iter().enumerate() {
            let _ = write!(
                out,
                r#"<label class="choice v{}"><input type="radio" name="voice-{index}" value="{take}"{}><kbd>{}</kbd><span class="words"><b>{}</b> <small>{}</small></span><span class="loud" data-db="{:.1}">{}</span></label>"#,
                take % super::plot::CURVE_CLASSES,
                checked(take == 0),
                take + 1,
                Text(&version.name),
                Text(&version.note),
                louder_than_first_db(clip, take),
                loud_words(model, clip, take)
            );
        }
        for difference in 0..clip.differences.len() {
            difference_choice(out, model, index, clip, difference);
        }
        out.push_str("</fieldset>");
    }
}

fn loud_words(model: &PageModel, clip: &Clip, take: usize) -> String {
    let louder = louder_than_first_db(clip, take);
    let first = model.versions.first().map_or("", |version| &version.name);
    match take {
        0 => String::new(),
        _ if louder.abs() < 0.05 => format!("as loud as {}", Text(first)),
        _ => format!(
            "{:.1}\u{a0}dB {} than {}",
            louder.abs(),
            if louder > 0.0 { "louder" } else { "softer" },
            Text(first)
        ),
    }
}

fn difference_choice(
    out: &mut String,
    model: &PageModel,
    index: usize,
    clip: &Clip,
    number: usize,
) {
    let Some(difference) = clip.differences.get(number) else { return };
    let name = |version: usize| model.versions.get(version).map_or("", |version| &version.name);
    let after = clip.takes.get(difference.after).map_or(&[][..], |take| &take.samples);
    let (strength, whole) = (rms(&difference.samples), rms(after));
    // What 32 bits leave of nothing is nothing.
    let below = if strength > 1e-7 * whole && whole > 0.0 {
        format!("{:.0}\u{a0}dB below {}", decibels(whole / strength), Text(name(difference.after)))
    } else {
        "silent: nothing changed".to_owned()
    };
    let _ = write!(
        out,
        r#"<label class="choice difference"><input type="radio" name="voice-{index}" value="{}"><kbd>D</kbd><span class="words"><b>Only what changes: {} less {}</b> <small>{} set {}{} first, for the closest match</small></span><span class="loud">{below}</span></label>"#,
        clip.takes.len() + number,
        Text(name(difference.after)),
        Text(name(difference.before)),
        Text(name(difference.before)),
        level_text(difference.before_gain_db),
        if difference.before_inverted { " and turned over (opposite polarity)" } else { "" },
    );
}

/// Fields of the blind trial.
pub(super) fn trial(model: &PageModel) -> Result<String, PageError> {
    if model.versions.len() < 2 || model.clips.is_empty() {
        return Ok("<p>There are no two versions to tell apart.</p>".to_owned());
    }
    let options = |chosen: usize| -> String {
        let option = |(index, version): (usize, &Version)| {
            let selected = if index == chosen { " selected" } else { "" };
            format!(r#"<option value="{index}"{selected}>{}</option>"#, Text(&version.name))
        };
        model.versions.iter().enumerate().map(option).collect()
    };
    let (first, second) = (options(0), options(model.versions.len() - 1));
    fill(include_str!("assets/trial.html"), &[("first", &first), ("second", &second)])
}

/// What is done to the amp, version by version, and where its controls stand.
pub(super) fn work(model: &PageModel) -> String {
    let mut out = String::new();
    let first = model.versions.first();
    for (index, version) in model.versions.iter().enumerate() {
        let _ = write!(
            out,
            r#"<article class="version v{}"><h3>{}</h3><p class="note">{}</p>"#,
            index % super::plot::CURVE_CLASSES,
            Text(&version.name),
            Text(&version.note)
        );
        if version.changes.is_empty() {
            out.push_str(r#"<p class="no-change">No part is changed.</p>"#);
        } else {
            out.push_str(r#"<ul class="changes">"#);
            for change in &version.changes {
                let _ = write!(out, "<li><b>{}</b>", Text(&change.what));
                if !change.effect.is_empty() {
                    let _ = write!(out, ": {}", Text(&change.effect));
                }
                out.push_str("</li>");
            }
            out.push_str("</ul>");
        }
        if !version.controls.is_empty() {
            out.push_str(r#"<div class="knobs">"#);
            for control in &version.controls {
                let was = first
                    .filter(|_| index > 0)
                    .and_then(|first| first.controls.iter().find(|c| c.label == control.label))
                    .map(|control| control.position);
                out.push_str(&knob::draw(&control.label, control.position, was));
            }
            out.push_str("</div>");
        }
        out.push_str("</article>");
    }
    out
}

/// The usual caution and the technician's own words.
pub(super) fn caution(own_words: &str) -> String {
    format!("{}{}", include_str!("assets/caution.html"), paragraphs(own_words))
}

/// Fields of the answer.
pub(super) fn answer(model: &PageModel) -> Result<String, PageError> {
    let mut picks = String::new();
    for (index, version) in model.versions.iter().enumerate() {
        let _ = write!(
            picks,
            r#"<label class="pick"><input type="radio" name="answer" value="{index}"><span>{}</span></label>"#,
            Text(&version.name)
        );
    }
    let technician = model.technician.name.as_deref().unwrap_or("the technician");
    let digest = Text(&short_digest(&model.job_digest)).to_string();
    let technician = Text(technician).to_string();
    fill(
        include_str!("assets/answer.html"),
        &[("digest", &digest), ("versions", &picks), ("technician", &technician)],
    )
}
