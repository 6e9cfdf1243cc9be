//! `presolder level`: how loud a direct recording is, and what volts it may stand for.

use std::fmt::Write;
use std::path::PathBuf;

use clap::Args;
use serde::Serialize;

use super::failure::Failure;
use super::output::print;
use crate::audio::{ChannelChoice, read_wav};
use crate::units::Volts;

/// Measures a direct (DI) recording and says what volts it stands for, and what that assumes.
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  presolder new my-job\n  presolder level my-job/open-chords.wav --full-scale 2V"
)]
pub struct LevelArgs {
    /// The WAV file
    clip: PathBuf,
    /// Peak volts that full scale stands for
    #[arg(long, value_name = "VOLTS", default_value = "2V", value_parser = volts)]
    full_scale: f64,
    /// Channel, counted from 1 (all are mixed if left out)
    #[arg(long, value_parser = clap::value_parser!(u16).range(1..))]
    channel: Option<u16>,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

fn volts(text: &str) -> Result<f64, String> {
    let read = text.trim().parse::<f64>().ok().or_else(|| text.parse::<Volts>().ok().map(|v| v.0));
    match read {
        Some(v) if v.is_finite() && v > 0.0 && v <= 1000.0 => Ok(v),
        _ => Err(format!("{text:?} is no level here; give peak volts above 0, such as 2V")),
    }
}

/// Window of the loudest moment.
const WINDOW_S: f64 = 0.05;

#[derive(Serialize)]
struct LevelJson {
    schema: &'static str,
    seconds: f64,
    full_scale_peak_volts: f64,
    peak_dbfs: f64,
    peak_volts: f64,
    rms_volts: f64,
    loudest_50_ms_rms_volts: f64,
    crest_db: f64,
    samples_at_full_scale: usize,
}

/// Runs the command.
///
/// # Errors
/// [`Failure`].
pub fn run(args: &LevelArgs) -> Result<(), Failure> {
    let choice = args.channel.map_or(ChannelChoice::Mix, ChannelChoice::One);
    let clip = read_wav(&args.clip, choice)?;
    let square = |x: &[f64]| x.iter().map(|s| s * s).sum::<f64>();
    let rms = (square(&clip.samples) / clip.samples.len().max(1) as f64).sqrt();
    let window = ((WINDOW_S * f64::from(clip.sample_rate_hz)) as usize).max(1);
    let loudest = loudest_rms(&clip.samples, window);
    let peak = clip.peak();
    let decibels = |x: f64| 20.0 * x.max(1e-10).log10();
    let v = args.full_scale;
    let level = LevelJson {
        schema: "presolder-level/1",
        seconds: clip.duration_s(),
        full_scale_peak_volts: v,
        peak_dbfs: decibels(peak),
        peak_volts: peak * v,
        rms_volts: rms * v,
        loudest_50_ms_rms_volts: loudest * v,
        crest_db: decibels(peak) - decibels(rms),
        samples_at_full_scale: clip.samples.iter().filter(|s| s.abs() >= 0.9999).count(),
    };
    if args.json {
        let text = serde_json::to_string_pretty(&level).map_err(Failure::fault)?;
        return print(&format!("{text}\n"));
    }
    let mut text = format!(
        "{}: {:.2} s, full scale taken as {v} V peak\n",
        args.clip.display(),
        level.seconds
    );
    let _ = writeln!(
        text,
        "  peak            {:>8.4} V  ({:.2} dB re full scale)",
        level.peak_volts, level.peak_dbfs
    );
    let _ = writeln!(
        text,
        "  RMS             {:>8.4} V  (crest {:.1} dB)",
        level.rms_volts, level.crest_db
    );
    let _ = writeln!(text, "  loudest 50 ms   {:>8.4} V RMS", level.loudest_50_ms_rms_volts);
    if level.samples_at_full_scale > 0 {
        let _ = writeln!(
            text,
            "  {} samples stand at full scale: the recording may be clipped.",
            level.samples_at_full_scale
        );
    }
    text.push_str(
        "\n  A file does not say what volts it stands for: that depends on the gain of the interface.\n  \
         To know it, feed the interface a sine of known volts at the same gain, read its peak here,\n  \
         and give --full-scale = known peak volts / 10^(peak in dB re full scale / 20).\n  \
         Without that, compare with what pickups give (common practice, no source): 0.1 to 0.3 V\n  \
         peak from a single coil played softly, about 1 V from a hard strum, 2 V and more from\n  \
         loud double coils.\n",
    );
    print(&text)
}

/// RMS of the loudest stretch of so many samples, wherever it begins; of all there are if there are fewer.
fn loudest_rms(samples: &[f64], window: usize) -> f64 {
    let window = window.min(samples.len()).max(1);
    let (mut sum, mut largest) = (0.0f64, 0.0f64);
    for (k, new) in samples.iter().enumerate() {
        sum += new * new;
        if k >= window {
            sum -= samples[k - window] * samples[k - window];
        }
        largest = largest.max(sum);
    }
    (largest / window as f64).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_loudest_stretch_begins_anywhere() {
        // Half of the burst is in the first window that does not overlap, half in the next.
        let mut samples = vec![0.0; 1000];
        samples[80..120].fill(-0.5);
        assert!((loudest_rms(&samples, 40) - 0.5).abs() < 1e-12);
        assert!((loudest_rms(&samples, 160) - 0.25).abs() < 1e-12);
        // A short rest at the end is no window of its own.
        samples[999] = 1.0;
        assert!((loudest_rms(&samples, 40) - 0.5).abs() < 1e-12);
        assert!((loudest_rms(&[0.5, -0.5], 40) - 0.5).abs() < 1e-12);
        assert_eq!(loudest_rms(&[], 40), 0.0);
    }
}
