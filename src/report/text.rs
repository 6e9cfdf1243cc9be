//! A report as text for a terminal, eighty or so columns wide.

use std::fmt::Write;

use super::driven::{DrivenReport, DrivenVersion, makers};
use super::model::{ClipTrim, Report};

/// The report in words and tables.
pub fn to_text(report: &Report) -> String {
    let mut out = String::new();
    // Writing to a String cannot fail; the result is of no use.
    let _ = write_all(&mut out, report);
    out
}

fn write_all(out: &mut String, r: &Report) -> std::fmt::Result {
    writeln!(out, "{}", r.title)?;
    writeln!(out, "{} - job {}", r.amp, r.digest)?;
    writeln!(
        out,
        "{} path at {} Hz, heard at {} ({})\n",
        r.path, r.sample_rate_hz, r.output, r.output_unit
    )?;
    writeln!(out, "From \"{}\" to \"{}\":", r.before, r.after)?;
    for change in &r.changes {
        writeln!(out, "  {change}")?;
    }
    writeln!(out, "\nResponse: rendered audio against the circuit, largest difference in dB")?;
    writeln!(out, "  {:<32} {:>12} {:>12}", "version", "to 16 kHz", "to 20 kHz")?;
    for v in &r.versions {
        writeln!(
            out,
            "  {:<32} {:>12.4} {:>12.4}",
            v.name, v.largest_difference_to_16_khz_db, v.largest_difference_to_20_khz_db
        )?;
    }
    writeln!(
        out,
        "  limits {:>38.4} {:>12.4}",
        r.limits.response_to_16_khz_db, r.limits.response_to_20_khz_db
    )?;
    for v in &r.versions {
        writeln!(out, "\nCorners (-3 dB), \"{}\"", v.name)?;
        writeln!(
            out,
            "  {:<8} {:<7} {:>11} {:>11} {:>8}  section",
            "part", "value", "circuit", "audio", "apart"
        )?;
        for c in &v.corners {
            let (measured, off) = match (c.measured_hz, c.off_by_share) {
                (Some(m), Some(o)) => (format!("{m:.2} Hz"), format!("{:+.3} %", 100.0 * o)),
                _ => ("-".to_owned(), "-".to_owned()),
            };
            writeln!(
                out,
                "  {:<8} {:<7} {:>8.2} Hz {:>11} {:>8}  {}",
                c.part, c.value, c.theory_hz, measured, off, c.what
            )?;
        }
    }
    writeln!(out, "\nAt the open strings (ISO 16), change in dB")?;
    writeln!(out, "  {:<8} {:>10} {:>10} {:>10}", "string", "Hz", "circuit", "audio")?;
    for s in &r.strings {
        writeln!(
            out,
            "  {:<8} {:>10.2} {:>+10.2} {:>+10.2}",
            s.name, s.frequency_hz, s.exact_change_db, s.measured_change_db
        )?;
    }
    write_trim(out, r)?;
    if let Some(driven) = &r.driven {
        write_driven(out, driven)?;
    }
    if r.failures.is_empty() {
        writeln!(out, "\nEvery figure from audio agrees with the circuit within its limit.")?;
    } else {
        writeln!(out, "\nNot within limits:")?;
        for f in &r.failures {
            writeln!(out, "  {f}")?;
        }
    }
    writeln!(out)?;
    for c in &r.cautions {
        writeln!(out, "{c}")?;
    }
    Ok(())
}

fn write_trim(out: &mut String, r: &Report) -> std::fmt::Result {
    let t = &r.trim;
    let below = format!("below {} Hz", t.below_hz);
    let range = t.speaker_lowest_hz.map_or("below range".to_owned(), |f| format!("below {f} Hz"));
    let mut table = |title: &str, clips: &[ClipTrim]| -> std::fmt::Result {
        writeln!(out, "\n{title}, change of energy in dB")?;
        writeln!(out, "  {:<20} {below:>14} {range:>14} {:>10}", "clip", "whole")?;
        for c in clips {
            let change = |db: f64| match db.is_finite() {
                true => format!("{db:+.2}"),
                false => "silent".to_owned(),
            };
            let in_range = c.below_range_change_db.map_or("-".to_owned(), change);
            let [low, whole] = [c.below_change_db, c.whole_change_db].map(change);
            writeln!(out, "  {:<20} {low:>14} {in_range:>14} {whole:>10}", c.clip)?;
        }
        Ok(())
    };
    table("Low-end trim of the job's clips by the circuit as a filter (small signals)", &t.clips)?;
    if !t.as_rendered.is_empty() {
        table(
            "The same in the clips as rendered, with what the valves make of them",
            &t.as_rendered,
        )?;
    }
    writeln!(out, "\n{}", t.verdict)
}

fn write_driven(out: &mut String, d: &DrivenReport) -> std::fmt::Result {
    if d.versions.iter().all(|v| v.stages.is_empty()) {
        return writeln!(out, "\nNo version has a valve that could be driven.");
    }
    for v in d.versions.iter().filter(|v| !v.stages.is_empty()) {
        write_stages(out, d, v)?;
    }
    writeln!(
        out,
        "\nBreak-up: peak volts of a {} Hz sine at the input where THD at the output reaches",
        d.tone_hz
    )?;
    write!(out, "  {:<28}", "version")?;
    for percent in d.thresholds_percent {
        write!(out, " {:>19}", format!("{percent} %"))?;
    }
    writeln!(out, "  gives way first")?;
    for v in &d.versions {
        write!(out, "  {:<28}", v.name)?;
        for volts in v.break_up.onset_volts() {
            let said = volts.map_or("not reached".to_owned(), |volts| {
                let db = 20.0 * (volts / d.job_peak_volts).log10();
                format!("{:.1} mV ({db:+.1} dB)", 1000.0 * volts)
            });
            write!(out, " {said:>19}")?;
        }
        let first = v.break_up.onsets.iter().flatten().next();
        writeln!(out, "  {}", first.map_or_else(String::new, makers))?;
    }
    writeln!(out, "  in brackets: against the job's peak of {} V\n", d.job_peak_volts)?;
    for sentence in &d.words {
        writeln!(out, "{sentence}")?;
    }
    Ok(())
}

/// The stages of a version under the clip that drives it most, and under the reference tone.
fn write_stages(out: &mut String, d: &DrivenReport, v: &DrivenVersion) -> std::fmt::Result {
    let drive = |k: usize| -> f64 {
        let clips = v.stages.iter().filter_map(|s| s.clips.get(k));
        clips.map(|c| c.drive).sum()
    };
    let count = v.stages.iter().map(|s| s.clips.len()).max().unwrap_or(0);
    let hardest = (0..count).max_by(|a, b| drive(*a).total_cmp(&drive(*b)));
    let clip = hardest.and_then(|k| v.stages.iter().find_map(|s| s.clips.get(k)));
    writeln!(out, "\nHow far each stage is driven, \"{}\"", v.name)?;
    let under =
        clip.map_or(String::new(), |c| format!("loudest {} s of \"{}\"; ", d.excerpt_s, c.clip));
    writeln!(
        out,
        "  {under}THD of a {} Hz sine of {:.1} mV peak ({:.2} % at the output)",
        d.tone_hz,
        1000.0 * d.tone_peak_volts,
        v.tone_thd_percent
    )?;
    writeln!(
        out,
        "  {:<6} {:>9} {:>14} {:>7} {:>8} {:>8} {:>8} {:>8} {:>8}",
        "valve", "bias", "grid", "to edge", "conducts", "crest in", "out", "THD", "share"
    )?;
    for s in &v.stages {
        write!(out, "  {:<6} {:>7.2} V", s.valve, s.bias_volts)?;
        match hardest.and_then(|k| s.clips.get(k)) {
            Some(c) => write!(
                out,
                " {:>14} {:>5.0} % {:>6.2} % {:>5.1} dB {:>5.1} dB",
                format!("{:+.2} to {:+.2}", c.lowest_grid_volts, c.highest_grid_volts),
                100.0 * c.drive,
                c.conducting_percent,
                c.crest_in_db,
                c.crest_out_db
            )?,
            None => write!(out, " {:>14} {:>7} {:>8} {:>8} {:>8}", "-", "-", "-", "-", "-")?,
        }
        writeln!(
            out,
            " {:>6.2} % {:>6.0} %",
            s.tone_thd_percent,
            100.0 * s.tone_share_of_distortion
        )?;
    }
    writeln!(
        out,
        "  grid: volts to the cathode; to edge: share of the way from bias to grid conduction; conducts:\n           share of the time; THD: where the signal leaves; share: of the distortion at the output that the\n  \
         stage makes, a pair counted together"
    )
}
