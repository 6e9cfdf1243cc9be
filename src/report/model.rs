//! What a report says, as data; the JSON form of it has this very shape.

use serde::Serialize;

use super::driven::DrivenReport;

/// Name and number of the JSON schema; the number rises when a field changes its meaning or goes.
pub const SCHEMA: &str = "presolder-report/1";

/// Everything that a report says of a job. Frequencies in hertz, levels in decibels.
#[derive(Clone, Debug, Serialize)]
pub struct Report {
    pub schema: &'static str,
    pub title: String,
    pub amp: String,
    /// Digest of the job: two people who read the same one mean the same job.
    pub digest: String,
    /// "linear": what path the audio took.
    pub path: &'static str,
    pub sample_rate_hz: f64,
    pub before: String,
    pub after: String,
    /// What changes from before to after, in plain words.
    pub changes: Vec<String>,
    pub output: String,
    /// The unit of the output per volt at the input.
    pub output_unit: &'static str,
    pub versions: Vec<VersionReport>,
    pub strings: Vec<StringChange>,
    pub range_of_use: Option<RangeReport>,
    pub trim: TrimReport,
    /// How far each stage is driven and where each version breaks up, if that was computed.
    pub driven: Option<DrivenReport>,
    pub limits: Limits,
    /// What was found wrong; empty if every figure is within its limit.
    pub failures: Vec<String>,
    pub cautions: Vec<String>,
}

/// The limits that the figures are held to.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct Limits {
    pub response_to_16_khz_db: f64,
    pub response_to_20_khz_db: f64,
    pub corner_share: f64,
}

/// What design and standard allow.
pub const LIMITS: Limits =
    Limits { response_to_16_khz_db: 0.05, response_to_20_khz_db: 0.1, corner_share: 0.005 };

/// One version, from the circuit and from audio.
#[derive(Clone, Debug, Serialize)]
pub struct VersionReport {
    pub name: String,
    pub note: String,
    pub positions: Vec<KnobReport>,
    pub curve: CurveReport,
    pub largest_difference_to_16_khz_db: f64,
    pub largest_difference_to_20_khz_db: f64,
    pub corners: Vec<CornerReport>,
}

/// Where a knob stands.
#[derive(Clone, Debug, Serialize)]
pub struct KnobReport {
    pub control: String,
    pub label: String,
    pub position: f64,
    pub clock: String,
}

/// A response on one grid: exact from the circuit, and measured through the render path.
#[derive(Clone, Debug, Default, Serialize)]
pub struct CurveReport {
    pub frequency_hz: Vec<f64>,
    pub exact_db: Vec<f64>,
    pub exact_deg: Vec<f64>,
    pub measured_db: Vec<f64>,
}

/// A corner: which part sets it, what the circuit says, what audio says.
#[derive(Clone, Debug, Serialize)]
pub struct CornerReport {
    /// "whole amp, low", or what the section does.
    pub what: String,
    /// The capacitor of the section; for the whole amp the part that moves the corner most.
    pub part: String,
    /// The part's value as printed on a schematic.
    pub value: String,
    pub theory_hz: f64,
    /// `None` where audio cannot show it.
    pub measured_hz: Option<f64>,
    /// Measured over theory, less 1.
    pub off_by_share: Option<f64>,
}

/// What a change does at an open string.
#[derive(Clone, Debug, Serialize)]
pub struct StringChange {
    pub name: String,
    pub frequency_hz: f64,
    pub exact_change_db: f64,
    pub measured_change_db: f64,
}

/// The band in which the speaker still reproduces.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct RangeReport {
    pub lowest_hz: f64,
    pub highest_hz: f64,
    pub below_midband_db: f64,
}

/// The low-end trim on the job's own clips.
#[derive(Clone, Debug, Serialize)]
pub struct TrimReport {
    /// Whether the job asks for a trim; if not, nothing is wrong where there is none.
    pub asked_for: bool,
    /// Energy below this is rumble.
    pub below_hz: f64,
    /// The speaker's lowest frequency, if one is known.
    pub speaker_lowest_hz: Option<f64>,
    pub wanted_trim_db: f64,
    pub allowed_low_e_db: f64,
    pub low_e_hz: f64,
    pub low_e_change_db: f64,
    /// What the circuit does to the clips as a filter of small signals: what a change of parts can promise.
    pub clips: Vec<ClipTrim>,
    /// The same of the clips as they were rendered on the driven path, where valves make low frequencies of their
    /// own; empty where none were.
    pub as_rendered: Vec<ClipTrim>,
    /// Whether every clip is trimmed by what was wanted, asked for or not.
    pub trimmed: bool,
    /// Whether it is and the low E is kept.
    pub met: bool,
    pub verdict: String,
}

/// Energy of one clip at the output, before and after, in dB relative to the clip's whole energy before.
#[derive(Clone, Debug, Serialize)]
pub struct ClipTrim {
    pub clip: String,
    /// Change of the energy below the rumble limit.
    pub below_change_db: f64,
    /// Change of the energy below the speaker's range of use.
    pub below_range_change_db: Option<f64>,
    /// Share of the clip's energy that lay below the rumble limit before.
    pub below_share_before_db: f64,
    pub below_share_after_db: f64,
    /// Change of the clip's whole energy.
    pub whole_change_db: f64,
}
