//! What the curves say: response, difference, verdicts, break-up and dials.

use std::fmt::Write;

use super::dials;
use super::escape::Text;
use super::model::{BreakUp, Curve, PageModel, Response};
use super::plot::{
    self, CURVE_CLASSES, Mark, NARROW, Plot, Scale, WIDE, frequency_text, level_at, level_text,
};

// Writing to a string cannot fail, so results of `write!` are dropped throughout.

/// Depth of the response plot below its highest point, in dB.
const DEPTH_DB: f64 = 48.0;
/// Rows of a plot's table besides the open strings: ISO 266 octaves.
const TABLE_HZ: [f64; 10] = [31.5, 63.0, 125.0, 250.0, 500.0, 1e3, 2e3, 4e3, 8e3, 16e3];

/// Everything of this section that the model has.
pub(super) fn section(model: &PageModel) -> String {
    let mut out = String::new();
    if !model.verdicts.is_empty() {
        out.push_str(r#"<ul class="verdicts">"#);
        for verdict in &model.verdicts {
            let mark = match verdict.met {
                Some(true) => r#"<b class="met">Met.</b> "#,
                Some(false) => r#"<b class="missed">Not met.</b> "#,
                None => "",
            };
            let _ = write!(out, "<li>{mark}{}</li>", Text(&verdict.text));
        }
        out.push_str("</ul>");
    }
    if let Some(response) = &model.response {
        let mut number = 0..;
        let mut add = |title: &str, note: &str, curves: &[Curve], depth_db: f64| {
            if let (false, Some(number)) = (curves.is_empty(), number.next()) {
                figure(&mut out, model, response, number, (title, note), curves, depth_db);
            }
        };
        add("Response", &response.reference, &response.curves, DEPTH_DB);
        let first = model.versions.first().map_or("", |version| &version.name);
        let against = format!("change against {first}; above 0 is more, below is less");
        add("What changes", &against, &response.differences, DEPTH_DB);
    }
    if let Some(break_up) = &model.break_up {
        break_up_table(&mut out, model, break_up);
    }
    for (number, dial) in model.dials.iter().enumerate() {
        dials::figure(&mut out, number, dial);
    }
    if out.is_empty() {
        out.push_str("<p>This sheet has no curves.</p>");
    }
    out
}

fn name(model: &PageModel, version: usize) -> &str {
    model.versions.get(version).map_or("", |version| &version.name)
}

fn figure(
    out: &mut String,
    model: &PageModel,
    response: &Response,
    number: usize,
    (title, note): (&str, &str),
    curves: &[Curve],
    depth_db: f64,
) {
    let names: Vec<&str> = curves.iter().map(|curve| name(model, curve.version)).collect();
    let description =
        format!("{title}: curves of {}. The values are in the table below.", names.join(", "));
    let audible = response
        .frequencies_hz
        .iter()
        .enumerate()
        .filter(|(_, hz)| (20.0..=20e3).contains(*hz))
        .map(|(index, _)| index);
    let levels = curves
        .iter()
        .flat_map(|curve| audible.clone().filter_map(|index| curve.level_db.get(index).copied()));
    // A difference is read from its zero line, so that is always in the picture.
    let zero = (number > 0).then_some(0.0);
    let strings = response.strings.iter();
    let drawing = Plot {
        description: &description,
        frequencies_hz: &response.frequencies_hz,
        curves: curves.iter().map(|curve| (curve.version, curve.level_db.as_slice())).collect(),
        marks: strings
            .map(|string| Mark {
                name: string.name.get(..1).unwrap_or(&string.name),
                frequency_hz: string.frequency_hz,
            })
            .collect(),
        range_hz: response.speaker.as_ref().map(|speaker| (speaker.low_hz, speaker.high_hz)),
        scale: Scale::covering(levels.chain(zero), depth_db),
    };
    let _ = write!(
        out,
        r#"<figure class="plot" data-plot="{number}"><figcaption><h3>{title}</h3><p>{}</p><ul class="legend">"#,
        Text(note)
    );
    for curve in curves {
        let _ = write!(
            out,
            r#"<li><svg viewBox="0 0 36 8" aria-hidden="true"><path class="curve v{}" d="M0 4H36"/></svg>{}</li>"#,
            curve.version % CURVE_CLASSES,
            Text(name(model, curve.version))
        );
    }
    let _ = write!(
        out,
        "</ul></figcaption>{}{}",
        plot::draw(&drawing, &WIDE),
        plot::draw(&drawing, &NARROW)
    );
    let _ = write!(
        out,
        r#"<div class="reading"><label>Read off at <input type="range" min="0" max="{}" value="0" step="1" data-reading="{number}"></label><output data-values="{number}">Point at the plot, tap it, or move the slider.</output></div>"#,
        response.frequencies_hz.len() - 1
    );
    marks_note(out, response);
    table(out, model, response, title, curves);
    out.push_str("</figure>");
}

fn marks_note(out: &mut String, response: &Response) {
    let mut sentences = Vec::new();
    if !response.strings.is_empty() {
        sentences.push("The dotted lines are the guitar\u{2019}s open strings.".to_owned());
    }
    if let Some(speaker) = &response.speaker {
        sentences.push(format!(
            "The speaker reproduces {} to {}{}{}; beyond that the plot is shaded.",
            frequency_text(speaker.low_hz),
            frequency_text(speaker.high_hz),
            if speaker.note.is_empty() { "" } else { ", " },
            speaker.note
        ));
    }
    let _ = write!(out, r#"<p class="marks">{}</p>"#, Text(&sentences.join(" ")));
}

fn table(out: &mut String, model: &PageModel, response: &Response, title: &str, curves: &[Curve]) {
    let strings = response.strings.iter().map(|string| {
        let heading = format!("{} ({})", string.name, frequency_text(string.frequency_hz));
        (string.frequency_hz, heading)
    });
    let octaves = TABLE_HZ.iter().map(|&hz| (hz, frequency_text(hz)));
    let mut rows: Vec<(f64, String)> = strings.chain(octaves).collect();
    rows.sort_by(|a, b| a.0.total_cmp(&b.0));
    let _ = write!(
        out,
        r#"<details><summary>{title} as a table</summary><div class="scroll" tabindex="0" role="region" aria-label="{title}, table"><table><caption>{title} in dB; letters are open strings</caption><thead><tr><th scope="col">Frequency</th>"#
    );
    for curve in curves {
        let _ = write!(out, r#"<th scope="col">{}</th>"#, Text(name(model, curve.version)));
    }
    out.push_str("</tr></thead><tbody>");
    for (hz, heading) in rows {
        let levels: Option<Vec<f64>> = curves
            .iter()
            .map(|curve| level_at(&response.frequencies_hz, &curve.level_db, hz))
            .collect();
        let Some(levels) = levels else { continue };
        let _ = write!(out, r#"<tr><th scope="row">{}</th>"#, Text(&heading));
        for level in levels {
            let _ = write!(out, "<td>{}</td>", level_text(level));
        }
        out.push_str("</tr>");
    }
    out.push_str("</tbody></table></div></details>");
}

fn break_up_table(out: &mut String, model: &PageModel, break_up: &BreakUp) {
    let _ = write!(
        out,
        r#"<section class="break-up"><h3>Where it breaks up</h3><p>{}</p><div class="scroll" tabindex="0" role="region" aria-label="Break-up table"><table><caption>Peak input at which a steady {} tone is distorted by so much; less input means an earlier break-up</caption><thead><tr><th scope="col">Version</th>"#,
        Text(&break_up.summary),
        frequency_text(break_up.tone_hz)
    );
    for percent in &break_up.distortion_percent {
        let _ = write!(out, "<th scope=\"col\">{percent}\u{a0}%</th>");
    }
    out.push_str(r#"<th scope="col">First to give way</th></tr></thead><tbody>"#);
    for row in &break_up.rows {
        let _ = write!(out, r#"<tr><th scope="row">{}</th>"#, Text(name(model, row.version)));
        for column in 0..break_up.distortion_percent.len() {
            match row.input_peak_volts.get(column).copied().flatten() {
                Some(volts) => {
                    let _ = write!(out, "<td>{}</td>", volts_text(volts));
                }
                None => out.push_str("<td>not reached</td>"),
            }
        }
        let _ = write!(out, "<td>{}</td></tr>", Text(&row.first_stage));
    }
    out.push_str("</tbody></table></div></section>");
}

fn volts_text(volts: f64) -> String {
    match volts {
        volts if volts < 0.01 => format!("{:.2}\u{a0}mV", volts * 1e3),
        volts if volts < 1.0 => format!("{:.0}\u{a0}mV", volts * 1e3),
        volts => format!("{volts:.2}\u{a0}V"),
    }
}
