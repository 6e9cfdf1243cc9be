//! The figures and tables of curves that go with a report.

use std::fmt::Write;

use super::model::Report;
use crate::plot::{self, Curve, Figure, Guides};

/// The response of every version, with open strings and the speaker's range of use.
pub fn response_figure(report: &Report) -> Figure {
    let curves = report
        .versions
        .iter()
        .map(|v| Curve::new(v.name.clone(), pairs(&v.curve.frequency_hz, &v.curve.exact_db)))
        .collect();
    plot::response(format!("{}: response", report.amp), curves, &guides(report))
}

/// What changes from the version before to each other one: exact and as measured in audio.
pub fn difference_figure(report: &Report) -> Figure {
    let Some(before) = report.versions.iter().find(|v| v.name == report.before) else {
        return plot::difference("", Vec::new(), &guides(report));
    };
    let change = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a - b).collect::<Vec<f64>>();
    let mut curves = Vec::new();
    for (place, v) in report.versions.iter().enumerate().filter(|(_, v)| v.name != report.before) {
        let db = change(&v.curve.exact_db, &before.curve.exact_db);
        let curve = Curve::new(v.name.clone(), pairs(&v.curve.frequency_hz, &db));
        // As in the plot of the responses.
        curves.push(curve.styled(place));
    }
    let title = format!("{}: change against \"{}\"", report.amp, report.before);
    plot::difference(title, curves, &guides(report))
}

fn guides(report: &Report) -> Guides {
    let range = report.range_of_use.map(|r| (r.lowest_hz, r.highest_hz));
    Guides { strings: true, range_of_use_hz: range }
}

fn pairs(x: &[f64], y: &[f64]) -> Vec<(f64, f64)> {
    x.iter().copied().zip(y.iter().copied()).collect()
}

/// Spectra of one clip in every version: the curves as (name, hertz, dB).
pub fn spectra_figure(report: &Report, clip: &str, curves: Vec<Curve>) -> Figure {
    plot::spectra(format!("{}: spectrum of \"{clip}\"", report.amp), curves, &guides(report))
}

/// The curves of all versions as comma-separated values.
pub fn curves_csv(report: &Report) -> String {
    let mut out = String::from("version,frequency_hz,exact_db,exact_deg,measured_db\n");
    for v in &report.versions {
        let name = v.name.replace('"', "\"\"");
        let c = &v.curve;
        for k in 0..c.frequency_hz.len() {
            // Writing to a String cannot fail.
            let _ = writeln!(
                out,
                "\"{name}\",{},{:.5},{:.4},{:.5}",
                c.frequency_hz[k], c.exact_db[k], c.exact_deg[k], c.measured_db[k]
            );
        }
    }
    out
}
