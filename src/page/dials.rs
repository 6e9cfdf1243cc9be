//! One amp's dial against another's: two scales one above the other, equal sounds joined by lines.

use std::fmt::Write;

use super::escape::Text;
use super::knob::{clock_text, number_text};
use super::model::{DialRow, DialScale};
use super::plot::level_text;

const WIDTH: f64 = 344.0;
const MARGIN: f64 = 20.0;
const UPPER: f64 = 44.0;
const LOWER: f64 = 124.0;

fn across(position: f64) -> f64 {
    MARGIN + position / 10.0 * (WIDTH - 2.0 * MARGIN)
}

/// The drawing, its notes and its table; `number` is its place among the dials of the page's data.
/// Writing to a string cannot fail.
pub(super) fn figure(out: &mut String, number: usize, dial: &DialScale) {
    let _ = write!(
        out,
        r#"<figure class="dials" data-dial="{number}"><figcaption><h3>Dial against dial</h3><p>Above: {}. Below: {}. A line joins two positions that come closest to each other in response, dashed where they are more than {}&nbsp;dB apart even then.</p></figcaption>"#,
        Text(&dial.here),
        Text(&dial.there),
        number_text(dial.same_db)
    );
    drawing(out, dial);
    let _ = write!(
        out,
        r#"<div class="reading"><label>Read off at <input type="range" min="0" max="{}" value="0" step="1" data-dial-reading="{number}"></label><output>Point at the scales, tap them, or move the slider.</output></div>"#,
        dial.rows.len().saturating_sub(1)
    );
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
        r#"<svg class="scales" viewBox="0 0 {WIDTH} 168" data-left="{MARGIN}" data-span="{}" data-top="{UPPER}" data-bottom="{LOWER}" role="img" aria-label="Two dial scales with lines between positions that come closest. The values are in the table below.">"#,
        WIDTH - 2.0 * MARGIN
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
            let class = if row.residual_db <= dial.same_db { "join" } else { "join loose" };
            let _ = write!(
                out,
                r#"<path class="{class}" d="M{:.1} {UPPER}L{:.1} {LOWER}"/>"#,
                across(row.here),
                across(there)
            );
        }
    }
    if let Some(position) = dial.as_built {
        let x = across(position);
        let _ = write!(
            out,
            r#"<path class="built" d="M{x:.1} {UPPER}l-5 9h10z"/><text class="built-name" x="{:.1}" y="{:.1}">as built</text>"#,
            x + 8.0,
            UPPER + 14.0
        );
    }
    let _ = write!(out, r#"<path class="cursor" d="M0 {UPPER}V{LOWER}"/>"#);
    out.push_str("</svg>");
}

fn table(out: &mut String, dial: &DialScale) {
    out.push_str(
        r#"<details><summary>Dials as a table</summary><div class="scroll" tabindex="0" role="region" aria-label="Dials, table"><table><caption>Positions that come closest</caption><thead><tr><th scope="col">Here</th><th scope="col">There</th><th scope="col">Left over</th><th scope="col">Louder there</th></tr></thead><tbody>"#,
    );
    for row in &dial.rows {
        let _ = write!(out, r#"<tr><th scope="row">{}</th>"#, place(row.here));
        match row.there {
            Some(there) => {
                let _ = write!(
                    out,
                    "<td>{}</td><td>{:.1}\u{a0}dB</td><td>{}</td>",
                    place(there),
                    row.residual_db,
                    level_text(row.level_offset_db)
                );
            }
            None => {
                let _ = write!(out, r#"<td colspan="3">{BEYOND}</td>"#);
            }
        }
        out.push_str("</tr>");
    }
    out.push_str("</tbody></table></div></details>");
}

/// A position as a clock position and a number.
fn place(position: f64) -> String {
    format!("{} ({})", clock_text(position), number_text(position))
}

/// Said of a position that has none there.
const BEYOND: &str = "beyond what that knob can do";

/// One pair in words, for a finger on the scales and for a screen reader.
pub(super) fn words(row: &DialRow) -> String {
    match row.there {
        Some(there) => format!(
            "{} above, {} below: left over {:.1}\u{a0}dB, below is {} in level",
            place(row.here),
            place(there),
            row.residual_db,
            level_text(row.level_offset_db)
        ),
        None => format!("{} above: {BEYOND}", place(row.here)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn scale() -> DialScale {
        let row =
            |here, there, residual_db| DialRow { here, there, residual_db, level_offset_db: -2.0 };
        DialScale {
            here: "Middle <new>".to_owned(),
            there: "Middle".to_owned(),
            rows: vec![row(0.0, Some(0.0), 0.0), row(4.0, Some(10.0), 0.7), row(10.0, None, 3.0)],
            as_built: Some(2.72),
            same_db: 0.5,
            notes: vec!["Beyond 11:00 nothing there equals this.".to_owned()],
        }
    }

    #[test]
    fn lines_join_what_comes_close_and_none_goes_beyond_the_end() {
        let mut out = String::new();
        figure(&mut out, 0, &scale());
        assert_eq!(out.matches(r#"<path class="join""#).count(), 1);
        assert_eq!(out.matches(r#"<path class="join loose" d="M141.6 44L324.0 124"/>"#).count(), 1);
        assert!(out.contains("as built") && out.contains("Middle &lt;new&gt;"));
        assert!(out.contains(BEYOND) && out.contains("Beyond 11:00"));
    }

    #[test]
    fn a_pair_reads_as_a_sentence() {
        let rows = scale().rows;
        assert_eq!(
            words(&rows[1]),
            "11:00 (4) above, 5:00 (10) below: left over 0.7\u{a0}dB, below is \u{2212}2.0\u{a0}dB in level"
        );
        assert_eq!(words(&rows[2]), "5:00 (10) above: beyond what that knob can do");
    }
}
