//! Colours and line styles: plain ink on paper.

use super::figure::Weight;

pub type Rgb = [u8; 3];

pub const PAPER: Rgb = [255, 255, 255];
pub const INK: Rgb = [34, 34, 34];
pub const FAINT_INK: Rgb = [95, 95, 95];
pub const FRAME: Rgb = [110, 110, 110];
pub const GRID: Rgb = [218, 218, 218];
pub const FINE_GRID: Rgb = [238, 238, 238];
pub const ZERO: Rgb = [140, 140, 140];
pub const MARK: Rgb = [150, 132, 90];
pub const SPAN: Rgb = [243, 238, 222];

/// Lines of the curves in turn. After M. Okabe and K. Ito, "Color Universal Design" (2008), whose
/// colours readers with any colour vision tell apart; the light ones are darkened so that they hold
/// 3 : 1 against paper. The dashes tell them apart in grey.
pub const LINES: [(Rgb, &[f64]); 6] = [
    ([0, 104, 164], &[]),
    ([203, 83, 0], &[9.0, 4.0]),
    ([0, 128, 94], &[9.0, 3.0, 2.0, 3.0]),
    ([160, 75, 125], &[3.0, 3.0]),
    ([90, 70, 20], &[14.0, 4.0]),
    ([60, 60, 60], &[9.0, 3.0, 2.0, 3.0, 2.0, 3.0]),
];

/// Colour and dashes of a curve.
pub fn line(index: usize) -> (Rgb, &'static [f64]) {
    LINES[index % LINES.len()]
}

/// Width of a curve's line in px.
pub fn width_px(weight: Weight) -> f64 {
    match weight {
        Weight::Thin => 1.1,
        Weight::Normal => 2.0,
    }
}

/// The colour of a band around a curve: the curve's own, thinned with paper.
pub fn band(index: usize) -> Rgb {
    let (rgb, _) = line(index);
    rgb.map(|c| (255.0 - 0.22 * (255.0 - f64::from(c))).round() as u8)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Relative luminance of WCAG 2.1.
    fn luminance(rgb: Rgb) -> f64 {
        let [r, g, b] = rgb.map(|c| {
            let c = f64::from(c) / 255.0;
            if c <= 0.04045 { c / 12.92 } else { ((c + 0.055) / 1.055).powf(2.4) }
        });
        0.2126 * r + 0.7152 * g + 0.0722 * b
    }

    fn contrast(a: Rgb, b: Rgb) -> f64 {
        let (a, b) = (luminance(a) + 0.05, luminance(b) + 0.05);
        a.max(b) / a.min(b)
    }

    /// WCAG 2.1: 3 : 1 for graphics, 4.5 : 1 for words.
    #[test]
    fn everything_stands_out_from_the_paper() {
        for (rgb, _) in LINES {
            assert!(contrast(rgb, PAPER) >= 3.0, "{rgb:?}");
            assert!(contrast(rgb, SPAN) >= 3.0, "{rgb:?} on a shaded range");
        }
        for rgb in [INK, FAINT_INK] {
            assert!(contrast(rgb, PAPER) >= 4.5, "{rgb:?}");
        }
    }

    #[test]
    fn no_two_lines_have_the_same_dashes() {
        for (i, (_, dashes)) in LINES.iter().enumerate() {
            assert!(LINES[..i].iter().all(|(_, other)| other != dashes));
        }
    }
}
