//! What the page shows, as plain data: no circuit, no file, no clip on disk.
//!
//! Whoever fills a [`PageModel`] has done all the physics. The page only lays it out, so anything
//! here may come from a job file and is treated as untrusted text.

/// Everything that one audition page shows.
#[derive(Clone, Debug, Default)]
pub struct PageModel {
    /// The job's title.
    pub title: String,
    /// Name of the amp the job is about.
    pub amp: String,
    /// Whom it is for; may be empty.
    pub owner: String,
    /// Why the job is done; paragraphs are parted by empty lines.
    pub story: String,
    /// Who made the page, shown beside the answer form.
    pub technician: Technician,
    /// The technician's own words, added to the standing caution.
    pub safety_words: String,
    /// Digest of the job in hexadecimal, so that owner and technician can tell that they mean the
    /// same one.
    pub job_digest: String,
    /// The amp's states. The first is the one that the others are compared with.
    pub versions: Vec<Version>,
    /// The clips, each in every version.
    pub clips: Vec<Clip>,
    /// Response curves, if there are any.
    pub response: Option<Response>,
    /// Sentences on what the low-end trim did.
    pub verdicts: Vec<Verdict>,
    /// Where each version breaks up, if that was computed.
    pub break_up: Option<BreakUp>,
    /// How one amp's knob maps onto another's, if the job asks for it.
    pub dials: Vec<DialScale>,
}

/// Who the owner answers to.
#[derive(Clone, Debug, Default)]
pub struct Technician {
    pub name: Option<String>,
    /// Address for the answer; without one the mail opens with no recipient.
    pub email: Option<String>,
}

/// The amp in one state.
#[derive(Clone, Debug, Default)]
pub struct Version {
    pub name: String,
    pub note: String,
    /// What is done to the amp to get here; empty for the amp as it is.
    pub changes: Vec<Change>,
    /// Where the controls stand in the clips.
    pub controls: Vec<Control>,
}

/// One change in plain words, e.g. "C7, 100 nF to 22 nF" and "less below what the speaker
/// can reproduce".
#[derive(Clone, Debug, Default)]
pub struct Change {
    pub what: String,
    /// What it does, in words an owner understands; may be empty.
    pub effect: String,
}

/// One knob.
#[derive(Clone, Debug, Default)]
pub struct Control {
    pub label: String,
    /// 0 to 10.
    pub position: f64,
}

/// One piece of playing through every version.
#[derive(Clone, Debug, Default)]
pub struct Clip {
    pub name: String,
    pub note: String,
    /// 8,000 to 96,000 Hz, what browsers promise to play.
    pub sample_rate_hz: u32,
    /// One take per version, in the versions' order, all equally long and sample-aligned.
    pub takes: Vec<Take>,
    /// What is left when one version is taken away from another.
    pub differences: Vec<Difference>,
}

/// A clip through one version, mono, full scale 1.0.
#[derive(Clone, Debug, Default)]
pub struct Take {
    pub samples: Vec<f32>,
    /// Gain that brings this take to the clip's common loudness, in dB.
    pub matched_gain_db: f64,
    /// Gain that leaves this take as loud, against the others, as the amp would be, in dB.
    pub as_loud_gain_db: f64,
}

/// After minus before, the before first scaled for the best match, so that only what changed is
/// left. The samples share the scale of the take called `after`.
#[derive(Clone, Debug, Default)]
pub struct Difference {
    /// Index into [`PageModel::versions`].
    pub before: usize,
    /// Index into [`PageModel::versions`].
    pub after: usize,
    pub samples: Vec<f32>,
    /// The gain that was given to the version before, in dB.
    pub before_gain_db: f64,
    /// Whether it was turned over, too: one version has the opposite polarity.
    pub before_inverted: bool,
}

/// Curves of response against frequency.
#[derive(Clone, Debug, Default)]
pub struct Response {
    /// Rising frequencies that every curve is sampled at, in hertz.
    pub frequencies_hz: Vec<f64>,
    /// One per version, in the versions' order: level in dB.
    pub curves: Vec<Curve>,
    /// Change against the first version, in dB.
    pub differences: Vec<Curve>,
    /// What 0 dB stands for, e.g. "sound pressure against the first version at 400 Hz".
    pub reference: String,
    /// The guitar's open strings, lowest first.
    pub strings: Vec<OpenString>,
    /// Where the loudspeaker still reproduces.
    pub speaker: Option<RangeOfUse>,
}

/// One curve on [`Response::frequencies_hz`].
#[derive(Clone, Debug, Default)]
pub struct Curve {
    /// Index into [`PageModel::versions`].
    pub version: usize,
    pub level_db: Vec<f64>,
}

/// An open string.
#[derive(Clone, Debug, Default)]
pub struct OpenString {
    /// Scientific pitch name, e.g. "E2".
    pub name: String,
    pub frequency_hz: f64,
}

/// The band a loudspeaker reproduces.
#[derive(Clone, Debug, Default)]
pub struct RangeOfUse {
    pub low_hz: f64,
    pub high_hz: f64,
    /// E.g. "at -10 dB".
    pub note: String,
}

/// One finding.
#[derive(Clone, Debug, Default)]
pub struct Verdict {
    pub text: String,
    /// Whether the aim was met; none where the line only states a figure.
    pub met: Option<bool>,
}

/// At which input level each version reaches which distortion.
#[derive(Clone, Debug, Default)]
pub struct BreakUp {
    /// Total harmonic distortion of the columns, in percent.
    pub distortion_percent: Vec<f64>,
    /// Frequency of the tone, in hertz.
    pub tone_hz: f64,
    pub rows: Vec<BreakUpRow>,
    /// A sentence for those who don't read tables; may be empty.
    pub summary: String,
}

/// One version's row of [`BreakUp`].
#[derive(Clone, Debug, Default)]
pub struct BreakUpRow {
    /// Index into [`PageModel::versions`].
    pub version: usize,
    /// Peak volts at the input for each column; none where it is never reached.
    pub input_peak_volts: Vec<Option<f64>>,
    /// The stage that gives way first.
    pub first_stage: String,
}

/// Positions of one amp's knob and the positions of another's that sound closest.
#[derive(Clone, Debug, Default)]
pub struct DialScale {
    /// E.g. "Middle of this amp as proposed".
    pub here: String,
    /// E.g. "Middle of a three-control amp".
    pub there: String,
    pub rows: Vec<DialRow>,
    /// Where the amp without the knob sits on the knob's scale, 0 to 10.
    pub as_built: Option<f64>,
    /// Two responses no further apart than this, in dB rms, are drawn as the same.
    pub same_db: f64,
    /// Sentences such as "beyond 11:00 nothing there equals this".
    pub notes: Vec<String>,
}

/// One pair of positions.
#[derive(Clone, Debug, Default)]
pub struct DialRow {
    /// 0 to 10.
    pub here: f64,
    /// 0 to 10; none where the other knob is at its end and goes no further along.
    pub there: Option<f64>,
    /// What is left between the two after matching, in dB rms.
    pub residual_db: f64,
    /// How much louder the other amp is there, in dB.
    pub level_offset_db: f64,
}
