//! Controls as a technician notes them down: a dial with a pointer, the clock position and the
//! number. 7:00 is 0, 12:00 half way, 5:00 is 10, over 300 degrees.

use std::fmt::Write;

use super::escape::Text;
use crate::units::Position;

/// Degrees from 12:00, clockwise.
pub(super) fn angle_degrees(position: f64) -> f64 {
    position.clamp(0.0, 10.0) * 30.0 - 150.0
}

/// The clock position, e.g. "2:30".
pub(super) fn clock_text(position: f64) -> String {
    Position::from_turn(position / 10.0).clock()
}

/// The number to a tenth, e.g. "7.5" or "10".
pub(super) fn number_text(position: f64) -> String {
    format!("{}", (position * 10.0).round() / 10.0)
}

/// A knob's drawing with its words. `was` is where it stood in the first version.
pub(super) fn draw(label: &str, position: f64, was: Option<f64>) -> String {
    let mut out = String::new();
    // Writing to a string cannot fail.
    let _ = draw_into(&mut out, label, position, was);
    out
}

fn draw_into(out: &mut String, label: &str, position: f64, was: Option<f64>) -> std::fmt::Result {
    let moved = was.filter(|&was| (was - position).abs() > 0.04);
    out.push_str(r#"<figure class="knob"><svg viewBox="-40 -36 80 72" aria-hidden="true">"#);
    for step in 0..=10 {
        let length = if step % 5 == 0 { 7.0 } else { 4.0 };
        write!(
            out,
            r#"<path class="notch" transform="rotate({})" d="M0 -25V{}"/>"#,
            angle_degrees(f64::from(step)),
            -25.0 - length
        )?;
    }
    out.push_str(r#"<circle class="dial" r="21"/>"#);
    if let Some(was) = moved {
        write!(
            out,
            r#"<path class="was" transform="rotate({:.1})" d="M0 -6V-21"/>"#,
            angle_degrees(was)
        )?;
    }
    write!(
        out,
        r#"<path class="pointer" transform="rotate({:.1})" d="M0 -3V-21"/></svg>"#,
        angle_degrees(position)
    )?;
    write!(
        out,
        r#"<figcaption><b>{}</b> <span>{} <small>({})</small></span>"#,
        Text(label),
        clock_text(position),
        number_text(position)
    )?;
    if let Some(was) = moved {
        write!(out, r#"<small class="moved">was {}</small>"#, clock_text(was))?;
    }
    out.push_str("</figcaption></figure>");
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn clock_follows_the_dial() {
        for (position, clock) in [
            (0.0, "7:00"),
            (5.0, "12:00"),
            (10.0, "5:00"),
            (2.75, "9:45"),
            (5.5, "12:30"),
            (6.0, "1:00"),
        ] {
            assert_eq!(clock_text(position), clock);
        }
        assert_eq!(
            (angle_degrees(0.0), angle_degrees(5.0), angle_degrees(10.0)),
            (-150.0, 0.0, 150.0)
        );
    }

    #[test]
    fn a_moved_knob_says_where_it_was() {
        assert!(draw("Middle", 7.0, Some(5.0)).contains("was 12:00"));
        assert!(!draw("Middle", 7.0, Some(7.0)).contains("was"));
        assert!(draw("<b>", 1.0, None).contains("&lt;b&gt;"));
    }
}
