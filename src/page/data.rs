//! What the page's script needs to know, as JSON, and the clips as text.

use std::fmt::Write;

use serde::Serialize;

use super::dials;
use super::level::{Levels, gain, lift_db, louder_than_first_db};
use super::model::{Clip, Curve, DialRow, PageModel};
use super::sound::Kind;

/// A packed take.
pub(super) struct Sound {
    /// Factor that undoes the scaling to full scale.
    pub gain: f64,
    /// The file in base64.
    pub text: String,
    pub kind: Kind,
}

/// The clips, each in an element that no browser runs.
pub(super) fn sound_elements(sounds: &[Sound]) -> String {
    let mut out = String::with_capacity(sounds.iter().map(|sound| sound.text.len() + 80).sum());
    for (index, sound) in sounds.iter().enumerate() {
        let kind = match sound.kind {
            Kind::Flac => "flac",
            Kind::Wav => "wav",
        };
        // Writing to a string cannot fail.
        let _ = writeln!(
            out,
            r#"<script type="text/plain" id="sound-{index}" data-kind="{kind}">{}</script>"#,
            sound.text
        );
    }
    out
}

/// The root of the JSON.
#[derive(Serialize)]
#[serde(rename_all = "camelCase")]
pub(super) struct PageData<'a> {
    title: &'a str,
    amp: &'a str,
    digest: &'a str,
    email: &'a str,
    versions: Vec<VersionData<'a>>,
    clips: Vec<ClipData<'a>>,
    plots: Vec<PlotData<'a>>,
    dials: Vec<Vec<DialRowData>>,
}

/// One pair of positions and what is said of it.
#[derive(Serialize)]
struct DialRowData {
    here: f64,
    there: Option<f64>,
    words: String,
}

#[derive(Serialize)]
struct VersionData<'a> {
    name: &'a str,
    controls: Vec<(&'a str, f64)>,
}

#[derive(Serialize)]
#[serde(rename_all = "camelCase")]
struct ClipData<'a> {
    name: &'a str,
    rate: u32,
    seconds: f64,
    voices: Vec<Voice>,
}

/// Something that can be listened to: a take or a difference.
#[derive(Serialize)]
#[serde(rename_all = "camelCase")]
struct Voice {
    /// Number of the sound's element.
    sound: usize,
    /// Factors for the file's samples in the two ways to listen.
    matched: f64,
    as_loud: f64,
    /// Against the first version, as the amp would be, in dB.
    louder_db: f64,
    /// Factor for a difference that is to be lifted; 1 for a take.
    lift: f64,
}

#[derive(Serialize)]
struct PlotData<'a> {
    hz: Vec<f64>,
    series: Vec<Series<'a>>,
}

#[derive(Serialize)]
struct Series<'a> {
    name: &'a str,
    db: Vec<f64>,
}

impl<'a> PageData<'a> {
    /// `sounds` in the order takes, differences of the first clip, then the next clip's.
    pub(super) fn new(model: &'a PageModel, sounds: &[Sound]) -> Self {
        let mut next = 0..sounds.len();
        let clips = model.clips.iter().map(|clip| clip_data(clip, sounds, &mut next)).collect();
        let plots = model.response.iter().flat_map(|response| {
            [&response.curves, &response.differences]
                .into_iter()
                .filter(|curves| !curves.is_empty())
                .map(|curves| plot_data(model, &response.frequencies_hz, curves))
        });
        Self {
            title: &model.title,
            amp: &model.amp,
            digest: &model.job_digest,
            email: model.technician.email.as_deref().unwrap_or(""),
            versions: model
                .versions
                .iter()
                .map(|version| VersionData {
                    name: &version.name,
                    controls: version
                        .controls
                        .iter()
                        .map(|control| (control.label.as_str(), control.position))
                        .collect(),
                })
                .collect(),
            clips,
            plots: plots.collect(),
            dials: model
                .dials
                .iter()
                .map(|dial| {
                    let row = |row: &DialRow| DialRowData {
                        here: row.here,
                        there: row.there,
                        words: dials::words(row),
                    };
                    dial.rows.iter().map(row).collect()
                })
                .collect(),
        }
    }
}

fn clip_data<'a>(
    clip: &'a Clip,
    sounds: &[Sound],
    next: &mut std::ops::Range<usize>,
) -> ClipData<'a> {
    let (matched, as_loud) = (Levels::matched(clip), Levels::as_loud(clip));
    let samples = clip.takes.first().map_or(0, |take| take.samples.len());
    let takes = clip.takes.iter().enumerate().map(|(take, _)| (take, 1.0));
    let differences = clip.differences.iter().map(|difference| {
        let after = clip.takes.get(difference.after).map_or(&[][..], |take| &take.samples);
        let after_gain = matched.gain(difference.after).max(as_loud.gain(difference.after));
        (difference.after, gain(lift_db(&difference.samples, after, after_gain)))
    });
    let voices = takes
        .chain(differences)
        .zip(next)
        .filter_map(|((take, lift), sound)| {
            let stored = sounds.get(sound)?.gain;
            Some(Voice {
                sound,
                matched: matched.gain(take) * stored,
                as_loud: as_loud.gain(take) * stored,
                louder_db: louder_than_first_db(clip, take),
                lift,
            })
        })
        .collect();
    ClipData {
        name: &clip.name,
        rate: clip.sample_rate_hz,
        seconds: samples as f64 / f64::from(clip.sample_rate_hz),
        voices,
    }
}

fn plot_data<'a>(model: &'a PageModel, hz: &[f64], curves: &[Curve]) -> PlotData<'a> {
    let hundredths = |value: &f64| (value * 100.0).round() / 100.0;
    PlotData {
        hz: hz.iter().map(hundredths).collect(),
        series: curves
            .iter()
            .map(|curve| Series {
                name: model.versions.get(curve.version).map_or("", |version| &version.name),
                db: curve.level_db.iter().map(hundredths).collect(),
            })
            .collect(),
    }
}
