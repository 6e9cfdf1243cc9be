//! One amp's dial against another's: two scales one above the other, equal sounds joined by lines.

use std::fmt::Write;

use super::escape::Text;
use super::knob::{clock_text, number_text};
use super::model::DialScale;

/// Residual above which a pair is drawn as only near, in dB rms.
const NEAR_DB: f64 = 1.0;

const WIDTH: f64 = 344.0;
const MARGIN: f64 = 20.0;
const UPPER: f64 = 44.0;
const LOWER: f64 = 124.0;

fn across(position: f64) -> f64 {
    MARGIN + position / 10.0 * (WIDTH - 2.0 * MARGIN)
}

/// The drawing, its notes and its table. Writing to a string cannot fail.
pub(super) fn figure(out: &mut String, dial: &DialScale) {
    let _ = write!(
        out,
        r#"<figure class="dials"><figcaption><h3>Dial against dial</h3><p>Above: {}. Below: {}. A line joins two positions that sound closest to each other.</p></figcaption>"#,
        Text(&dial.here),
        Text(&dial.there)
    );
    drawing(out, dial);
    if !dial.notes.is_empty() {
        out.push_str("<ul>");
        for note in &dial.notes {
            let _ = write!(out, "<li>{}</li>", Text(note));
        }
        out.push_str("</ul>");
    }
    table(out, dial);
    out.push_str("</figure>");
}

fn drawing(out: &mut String, dial: &DialScale) {
    let _ = write!(
        out,
        r#"<svg class="scales" viewBox="0 0 {WIDTH} 168" role="img" aria-label="Two dial scales with lines between positions that sound closest. The values are in the table below.">"#
    );
    for (y, away) in [(UPPER, -1.0), (LOWER, 1.0)] {
        let _ =
            write!(out, r#"<path class="axis" d="M{:.1} {y}H{:.1}"/>"#, across(0.0), across(10.0));
        for step in 0..=10 {
            let (position, x) = (f64::from(step), across(f64::from(step)));
            let _ = write!(out, r#"<path class="notch" d="M{x:.1} {y}v{}"/>"#, 6.0 * away);
            let (number_y, clock_y) =
                if away < 0.0 { (y - 11.0, y - 26.0) } else { (y + 20.0, y + 35.0) };
            let _ = write!(out, r#"<text class="number" x="{x:.1}" y="{number_y}">{step}</text>"#);
            if step % 2 == 1 || step == 5 {
                let _ = write!(
                    out,
                    r#"<text class="clock" x="{x:.1}" y="{clock_y}">{}</text>"#,
                    clock_text(position)
                );
            }
        }
    }
    for row in &dial.rows {
        if let Some(there) = row.there {
            let class = if row.residual_db <= NEAR_DB { "join" } else { "join loose" };
            let _ = write!(
                out,
                r#"<path class="{class}" d="M{:.1} {UPPER}L{:.1} {LOWER}"/>"#,
                across(row.here),
                across(there)
            );
        }
    }
    out.push_str("</svg>");
}

fn table(out: &mut String, dial: &DialScale) {
    out.push_str(
        r#"<details><summary>Dials as a table</summary><div class="scroll" tabindex="0" role="region" aria-label="Dials, table"><table><caption>Positions that sound closest</caption><thead><tr><th scope="col">Here</th><th scope="col">There</th><th scope="col">Left over</th><th scope="col">Louder there</th></tr></thead><tbody>"#,
    );
    for row in &dial.rows {
        let place = |position: f64| format!("{} ({})", clock_text(position), number_text(position));
        let _ = write!(out, r#"<tr><th scope="row">{}</th>"#, place(row.here));
        match row.there {
            Some(there) => {
                let _ = write!(
                    out,
                    "<td>{}</td><td>{:.1}\u{a0}dB</td><td>{}</td>",
                    place(there),
                    row.residual_db,
                    super::plot::level_text(row.level_offset_db)
                );
            }
            None => out.push_str(r#"<td colspan="3">nothing there comes near</td>"#),
        }
        out.push_str("</tr>");
    }
    out.push_str("</tbody></table></div></details>");
}
