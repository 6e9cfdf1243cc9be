//! A clip that steps through matched positions of two amps, in turn, so that ears can judge the match.

use std::path::Path;

use super::ask::{job, say, sayln};
use super::dials::Question;
use super::failure::Failure;
use super::input::open_subject;
use super::new::SAMPLE_CLIP;
use crate::amp::AmpState;
use crate::analysis::dials::{Row, Scale};
use crate::audio::{
    ChannelChoice, Clip, OutputFormat, measure_loudness, read_wav, to_working_rate, write_wav,
};
use crate::render::{ClipSource, RenderPath, VersionPlan};
use crate::units::Volts;

/// Matched positions that are stepped through.
const STEPS: usize = 5;
/// Length of each piece, its fades at both ends, and the silence after each pair.
const PIECE_S: f64 = 2.4;
const FADE_S: f64 = 0.02;
const REST_S: f64 = 0.4;
/// Peak of the clip as written.
const PEAK: f64 = 0.8;
/// Full scale of the take that comes with the program.
const SAMPLE_PEAK_VOLTS: f64 = 2.0;

/// A dry recording in volts at the amp's input.
pub struct Take {
    volts: Vec<f64>,
    rate_hz: u32,
}

/// The take to listen with: a file, the job's first clip, or the one that comes with the program.
///
/// # Errors
/// [`Failure`].
pub fn take(clip: Option<&Path>, peak: Option<Volts>, subject: &str) -> Result<Take, Failure> {
    let (audio, peak_volts) = match clip {
        Some(path) => {
            let peak_volts = peak.map_or(SAMPLE_PEAK_VOLTS, |v| v.0);
            if !(peak_volts > 0.0 && peak_volts <= 100.0) {
                return Err(Failure::input("--peak must be above zero and at most 100 V"));
            }
            (read_wav(path, ChannelChoice::Mix)?, peak_volts)
        }
        None => match job(&open_subject(subject)?).and_then(|j| j.clips.first()) {
            Some(spec) => (ClipSource::open(spec)?.recording.read_all()?, spec.peak.0),
            None => {
                let (name, bytes) = SAMPLE_CLIP;
                let clip = Clip::from_wav_bytes(bytes, Path::new(name), ChannelChoice::Mix)?;
                (clip, SAMPLE_PEAK_VOLTS)
            }
        },
    };
    let audio = to_working_rate(&audio)?.into_owned();
    let volts = audio.samples.iter().map(|s| s * peak_volts).collect();
    Ok(Take { volts, rate_hz: audio.sample_rate_hz })
}

/// Writes the clip; says what is heard when, and what is left of loudness between the two.
///
/// # Errors
/// [`Failure`].
pub fn write(
    path: &Path,
    question: &Question,
    scale: &Scale,
    take: &Take,
    force: bool,
) -> Result<String, Failure> {
    let rate = f64::from(take.rate_hz);
    let frames = ((PIECE_S * rate) as usize).min(take.volts.len());
    // Loudness needs a gating block of 400 ms at least.
    if (frames as f64) < 0.5 * rate {
        return Err(Failure::input("the clip to listen with is shorter than half a second"));
    }
    let piece = &take.volts[..frames];
    let mut samples = Vec::new();
    let mut words = format!(
        "\n{}: the same {:.1} s here and there in turn\n\n",
        path.display(),
        frames as f64 / rate
    );
    for row in chosen(&scale.rows) {
        let here = question.here.with_position(&question.control, row.here)?;
        let mut there = question.there.clone();
        for t in &row.there {
            there = there.with_position(&t.control, t.position)?;
        }
        let made_up_db = if question.rules.offset_allowed { -row.distance.level_db } else { 0.0 };
        let a = rendered(&here, piece, rate, 0.0)?;
        let b = rendered(&there, piece, rate, made_up_db)?;
        let loudness = |s: &[f64]| -> Result<f64, Failure> {
            // The meter wants numbers near full scale; the difference does not mind the gain.
            let top = s.iter().fold(0.0f64, |m, v| m.max(v.abs())).max(f64::MIN_POSITIVE);
            let scaled: Vec<f64> = s.iter().map(|v| v / top).collect();
            Ok(measure_loudness(&[&scaled], take.rate_hz)?.lufs + 20.0 * top.log10())
        };
        let left = loudness(&b)? - loudness(&a)?;
        say!(words, "  {:>6.1} s  here {:>5}, there", samples.len() as f64 / rate, row.clock);
        for t in &row.there {
            say!(words, " {} {}", t.control, t.clock);
        }
        sayln!(
            words,
            "; level made up by {made_up_db:+.1} dB, loudness left {left:+.2} LU, shape {:.2} dB",
            row.distance.shape_db
        );
        samples.extend(a);
        samples.extend(b);
        samples.resize(samples.len() + (REST_S * rate) as usize, 0.0);
    }
    let top = samples.iter().fold(0.0f64, |m, v| m.max(v.abs()));
    if !(top > 0.0 && top.is_finite()) {
        return Err(Failure::input("the amps give no sound at these positions"));
    }
    samples.iter_mut().for_each(|s| *s *= PEAK / top);
    let clip = Clip { samples, sample_rate_hz: take.rate_hz };
    write_wav(path, &clip, OutputFormat::default(), force)?;
    Ok(words)
}

/// Evenly spaced rows, the ends among them.
fn chosen(rows: &[Row]) -> impl Iterator<Item = &Row> {
    let count = STEPS.min(rows.len());
    let last = rows.len().saturating_sub(1);
    (0..count).filter_map(move |k| rows.get(last * k / count.saturating_sub(1).max(1)))
}

fn rendered(state: &AmpState, volts: &[f64], rate: f64, gain_db: f64) -> Result<Vec<f64>, Failure> {
    let mut samples = VersionPlan::new(state, RenderPath::Linear, rate)?.render(volts);
    let gain = 10f64.powf(gain_db / 20.0);
    let fade = (FADE_S * rate) as usize;
    let n = samples.len();
    for (k, s) in samples.iter_mut().enumerate() {
        let edge = k.min(n - 1 - k) as f64 / fade.max(1) as f64;
        *s *= gain * edge.min(1.0);
    }
    Ok(samples)
}
