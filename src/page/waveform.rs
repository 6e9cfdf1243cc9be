//! The outline of a take, to draw a loop on.

use std::fmt::Write;

/// Columns of an outline, and the width of its drawing.
pub(super) const COLUMNS: usize = 480;
/// Height of its drawing; zero lies half way.
pub(super) const HEIGHT: usize = 100;

/// SVG path of the highest and lowest sample in each column, `full_scale` touching the edges.
pub(super) fn outline(samples: &[f32], full_scale: f64) -> String {
    let scale = if full_scale > 0.0 { HEIGHT as f64 / 2.0 / full_scale } else { 0.0 };
    let place = |value: f32| HEIGHT as f64 / 2.0 - f64::from(value) * scale;
    let mut upper = String::from("M");
    let mut lower = Vec::with_capacity(COLUMNS);
    for column in 0..COLUMNS {
        let from = (column * samples.len() / COLUMNS).min(samples.len().saturating_sub(1));
        let to = ((column + 1) * samples.len() / COLUMNS).clamp(from, samples.len()).max(from + 1);
        let part = samples.get(from..to.min(samples.len())).unwrap_or(&[]);
        let high = part.iter().copied().fold(f32::MIN, f32::max).max(-1e9);
        let low = part.iter().copied().fold(f32::MAX, f32::min).min(1e9);
        // A hair's breadth at least, so that silence shows as a line. Writing to a string
        // cannot fail.
        let _ = write!(upper, "{column} {:.1} ", place(high) - 0.3);
        lower.push(format!("{column} {:.1}", place(low) + 0.3));
    }
    lower.reverse();
    format!("{upper}{}Z", lower.join(" "))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn peaks_touch_the_edges_and_silence_the_middle() {
        let mut samples = vec![0.0; 48_000];
        samples[24_000] = 1.0;
        samples[36_000] = -1.0;
        let path = outline(&samples, 1.0);
        assert!(path.starts_with("M0 49.7 "));
        assert!(path.contains(" 240 -0.3 "), "{path}");
        assert!(path.contains(" 360 100.3 "), "{path}");
        assert!(path.ends_with("0 50.3Z"));
    }

    #[test]
    fn fewer_samples_than_columns_is_no_trouble() {
        let path = outline(&[0.5, -0.5], 0.5);
        assert_eq!(path.matches(' ').count(), 4 * COLUMNS - 1);
    }
}
