//! The low-end trim: what the job's own clips lose below the speaker's range, and what the guitar keeps.

use super::model::{ClipTrim, RangeReport, StringChange, TrimReport};
use crate::amp::{AmpState, Job};
use crate::analysis::{Spectrum, SpectrumMeter};
use crate::parallel;
use crate::render::{
    ClipSet, ClipSource, RenderError, RenderPath, RenderedClip, VersionPlan, run_clip,
};

/// Bins of the spectra: sixty of them lie between 30 Hz and the low E.
const BIN_HZ: f64 = 1.0;

/// Silence after each clip, in which the answer dies away.
const TAIL_S: f64 = 3.0;
/// Over so long the end of a rendered clip, which has no such silence, is faded out.
const FADE_S: f64 = 0.1;

/// Renders every clip before and after and compares their energies; `passed` is told how many frames
/// went through.
///
/// # Errors
/// [`RenderError`].
pub fn trim_report(
    job: &Job,
    before: &AmpState,
    after: &AmpState,
    clips: &[ClipSource],
    range: Option<RangeReport>,
    strings: &[StringChange],
    passed: &(dyn Fn(u64) + Sync),
) -> Result<TrimReport, RenderError> {
    let below_hz = job.trim.below.0;
    let lowest_hz = job.trim.speaker_lowest.map(|f| f.0).or(range.map(|r| r.lowest_hz));
    let limits = Limits { below_hz, lowest_hz };
    let clips: Vec<ClipTrim> = parallel::try_map(clips, |clip| {
        let rate = f64::from(clip.sample_rate_hz());
        let (b, a) =
            rayon::join(|| spectrum(before, clip, passed), || spectrum(after, clip, passed));
        Ok::<_, RenderError>(limits.compare(&clip.name, &b?, &a?, rate))
    })?;
    let low_e = strings.first();
    let low_e_change_db = low_e.map_or(0.0, |s| s.measured_change_db);
    let wanted = job.trim.trimmed_by_at_least.0;
    let allowed = job.trim.low_e_changed_by_at_most.0;
    // A silent clip tells nothing.
    let mut judged = clips.iter().map(|c| c.below_change_db).filter(|db| db.is_finite()).peekable();
    let trimmed = judged.peek().is_some() && judged.all(|db| db <= -wanted);
    let kept = low_e_change_db.abs() <= allowed;
    let mut report = TrimReport {
        asked_for: job.trim.asked_for,
        below_hz,
        speaker_lowest_hz: lowest_hz,
        wanted_trim_db: wanted,
        allowed_low_e_db: allowed,
        low_e_hz: low_e.map_or(0.0, |s| s.frequency_hz),
        low_e_change_db,
        clips,
        as_rendered: Vec::new(),
        trimmed,
        met: trimmed && kept,
        verdict: String::new(),
    };
    report.verdict = verdict(&report, kept);
    Ok(report)
}

/// Adds what the trim did to the clips as they were rendered on the driven path, and says so in the verdict.
///
/// # Errors
/// [`RenderError`].
pub fn add_trim_as_rendered(
    report: &mut TrimReport,
    job: &Job,
    sets: &[ClipSet],
) -> Result<(), RenderError> {
    let limits = Limits { below_hz: report.below_hz, lowest_hz: report.speaker_lowest_hz };
    let index = |name: &str| job.version_names().position(|n| n == name).unwrap_or(0);
    let (b, a) = (index(&job.compare.before), index(&job.compare.after));
    report.as_rendered = parallel::try_map(sets, |set| {
        let (before, after) = (&set.versions[b], &set.versions[a]);
        let rate = f64::from(before.tape.sample_rate_hz());
        let (b, a) = rayon::join(|| spectrum_of_tape(before), || spectrum_of_tape(after));
        Ok::<_, RenderError>(limits.compare(&set.name, &b?, &a?, rate))
    })?;
    let changes =
        || report.as_rendered.iter().map(|c| c.below_change_db).filter(|db| db.is_finite());
    let (least, most) =
        (changes().fold(f64::INFINITY, f64::min), changes().fold(f64::NEG_INFINITY, f64::max));
    if least <= most {
        let range = match (format!("{least:+.1}"), format!("{most:+.1}")) {
            (least, most) if least == most => format!("{least} dB"),
            (least, most) => format!("{least} to {most} dB"),
        };
        report.verdict += &format!(
            " In the clips as rendered, with what the valves make of them, the energy below {} Hz changes by {range}.",
            report.below_hz
        );
    }
    Ok(())
}

/// What counts as low.
#[derive(Clone, Copy)]
struct Limits {
    below_hz: f64,
    lowest_hz: Option<f64>,
}

impl Limits {
    fn compare(self, clip: &str, b: &Spectrum, a: &Spectrum, sample_rate_hz: f64) -> ClipTrim {
        let change = |low: f64, high: f64| a.band_level_db(low, high) - b.band_level_db(low, high);
        let nyquist = 0.5 * sample_rate_hz;
        let below_hz = self.below_hz;
        ClipTrim {
            clip: clip.to_owned(),
            below_change_db: change(0.0, below_hz),
            below_range_change_db: self.lowest_hz.map(|hz| change(0.0, hz)),
            below_share_before_db: b.band_level_db(0.0, below_hz) - b.band_level_db(0.0, nyquist),
            below_share_after_db: a.band_level_db(0.0, below_hz) - a.band_level_db(0.0, nyquist),
            whole_change_db: change(0.0, nyquist),
        }
    }
}

/// The spectrum of a clip as rendered. A note that is cut off at its end is faded out, as it would spread energy
/// over all bins.
fn spectrum_of_tape(clip: &RenderedClip) -> Result<Spectrum, RenderError> {
    let rate = f64::from(clip.tape.sample_rate_hz());
    let in_version = |source| RenderError::Spectrum { version: clip.version.clone(), source };
    let mut meter = SpectrumMeter::new(rate, BIN_HZ).map_err(in_version)?;
    let fade = (FADE_S * rate).min(clip.tape.frames() as f64);
    let mut left = clip.tape.frames();
    clip.tape.for_each_block(|block| {
        for sample in block.iter_mut() {
            let share = (left as f64 / fade).min(1.0);
            *sample *= 0.5 - 0.5 * (std::f64::consts::PI * share).cos();
            left -= 1;
        }
        meter.add(block).map_err(in_version)
    })?;
    meter.finish().map_err(in_version)
}

/// The spectrum of what a version makes of a clip.
fn spectrum(
    state: &AmpState,
    clip: &ClipSource,
    passed: &(dyn Fn(u64) + Sync),
) -> Result<Spectrum, RenderError> {
    let rate = f64::from(clip.sample_rate_hz());
    let plan = VersionPlan::new(&state.without_moves(), RenderPath::Linear, rate)?;
    let in_version = |source| RenderError::Spectrum { version: state.version().to_owned(), source };
    let mut meter = SpectrumMeter::new(rate, BIN_HZ).map_err(in_version)?;
    let measure = |block: &[f64]| meter.add(block).map_err(in_version);
    // An answer that is cut off while it still rings would spread energy over all bins.
    run_clip(clip, &plan, TAIL_S, measure, passed)?;
    meter.finish().map_err(in_version)
}

/// The verdict in plain words, with the limits that it rests on.
fn verdict(report: &TrimReport, kept: bool) -> String {
    let TrimReport { below_hz, wanted_trim_db, allowed_low_e_db, low_e_hz, .. } = report;
    let changes = report.clips.iter().map(|c| c.below_change_db);
    let cut: Vec<f64> = changes.filter(|db| db.is_finite()).map(|db| -db).collect();
    let least = cut.iter().copied().fold(f64::INFINITY, f64::min);
    let low_e = format!(
        "the low E ({low_e_hz:.2} Hz) changes by {:+.2} dB (allowed: {allowed_low_e_db} dB)",
        report.low_e_change_db
    );
    if cut.is_empty() {
        return format!("No clip to judge by; {low_e}.");
    }
    let rumble = format!(
        "of every clip's energy below {below_hz} Hz the circuit takes at least {least:.1} dB (wanted: {wanted_trim_db} dB)"
    );
    let only = if least >= 0.05 {
        format!("falls by {least:.1} dB only")
    } else if least > -0.05 {
        "stays as it is".to_owned()
    } else {
        format!("rises by {:.1} dB", -least)
    };
    if !report.trimmed && !report.asked_for {
        return format!(
            "No low-end trim, and none is asked for: energy below {below_hz} Hz {only} on the least affected clip (a trim is {wanted_trim_db} dB less), and {low_e}."
        );
    }
    match (report.trimmed, kept) {
        (true, true) => {
            format!("The low end is trimmed and the guitar's own kept: {rumble}, and {low_e}.")
        }
        (true, false) => {
            format!("The low end is trimmed, but not without loss: {rumble}, yet {low_e}.")
        }
        (false, true) => format!(
            "Not trimmed enough: energy below {below_hz} Hz {only} on the least affected clip (wanted: {wanted_trim_db} dB); {low_e}."
        ),
        (false, false) => format!(
            "Neither trimmed enough nor without loss: energy below {below_hz} Hz {only} (wanted: {wanted_trim_db} dB), and {low_e}."
        ),
    }
}
