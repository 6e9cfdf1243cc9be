//! A report as text for a terminal, eighty or so columns wide.

use std::fmt::Write;

use super::model::Report;

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
    writeln!(out, "\nLow-end trim on the job's clips, change of energy in dB")?;
    let below = format!("below {} Hz", t.below_hz);
    let range = t.speaker_lowest_hz.map_or("below range".to_owned(), |f| format!("below {f} Hz"));
    writeln!(out, "  {:<20} {:>14} {:>14} {:>10}", "clip", below, range, "whole")?;
    for c in &t.clips {
        let in_range = c.below_range_change_db.map_or("-".to_owned(), |d| format!("{d:+.2}"));
        writeln!(
            out,
            "  {:<20} {:>+14.2} {:>14} {:>+10.2}",
            c.clip, c.below_change_db, in_range, c.whole_change_db
        )?;
    }
    writeln!(out, "\n{}", t.verdict)
}
