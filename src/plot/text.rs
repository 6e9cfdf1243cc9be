//! Words on the paper: their width, how they break, and how they become pixels.

use std::sync::LazyLock;

use ab_glyph::{Font, FontRef, GlyphId, Point, PxScale, ScaleFont};

use super::lines::Place;

static REGULAR: LazyLock<Option<FontRef<'static>>> =
    LazyLock::new(|| FontRef::try_from_slice(include_bytes!("font/DejaVuSans-subset.ttf")).ok());
static BOLD: LazyLock<Option<FontRef<'static>>> = LazyLock::new(|| {
    FontRef::try_from_slice(include_bytes!("font/DejaVuSans-Bold-subset.ttf")).ok()
});

/// Which end of the words stands at the place.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Anchor {
    Start,
    Middle,
    End,
}

/// Size and weight of words.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Face {
    pub size_px: f64,
    pub bold: bool,
}

/// Words at a place on the paper.
#[derive(Clone, Debug, PartialEq)]
pub struct Text {
    pub words: String,
    /// Where the anchor stands on the baseline.
    pub at: Place,
    pub anchor: Anchor,
    pub face: Face,
    pub rgb: [u8; 3],
    /// Read from below, along a vertical axis.
    pub upward: bool,
}

impl Face {
    pub const fn regular(size_px: f64) -> Self {
        Self { size_px, bold: false }
    }

    fn font(self) -> Option<&'static FontRef<'static>> {
        if self.bold { BOLD.as_ref() } else { REGULAR.as_ref() }
    }

    /// Pixels per em as the font crate wants them: it scales by the height from descent to ascent.
    fn scale(self, font: &FontRef, enlarged: f64) -> PxScale {
        let em = font.units_per_em().unwrap_or(1000.0);
        PxScale::from((self.size_px * enlarged) as f32 * font.height_unscaled() / em)
    }

    /// Width of words in px.
    pub fn width(self, words: &str) -> f64 {
        let Some(font) = self.font() else { return 0.6 * self.size_px * words.len() as f64 };
        let scaled = font.as_scaled(self.scale(font, 1.0));
        words.chars().map(|c| f64::from(scaled.h_advance(scaled.glyph_id(c)))).sum()
    }

    /// The words, cut with an ellipsis if they are wider than the room.
    pub fn shortened(self, words: &str, room_px: f64) -> String {
        if self.width(words) <= room_px {
            return words.to_owned();
        }
        let mut kept = String::new();
        for c in words.chars() {
            kept.push(c);
            if self.width(&kept) + self.width("…") > room_px {
                kept.pop();
                break;
            }
        }
        format!("{}…", kept.trim_end())
    }

    /// The words broken into lines that fit the room.
    pub fn wrapped(self, words: &str, room_px: f64) -> Vec<String> {
        let mut lines: Vec<String> = Vec::new();
        for word in words.split_whitespace() {
            let longer = lines.last().map(|line| format!("{line} {word}"));
            match (longer, lines.last_mut()) {
                (Some(longer), Some(line)) if self.width(&longer) <= room_px => *line = longer,
                _ => lines.push(self.shortened(word, room_px)),
            }
        }
        lines
    }
}

/// A picture of three bytes a pixel.
pub struct Picture<'a> {
    pub rgb: &'a mut [u8],
    pub width: usize,
    pub height: usize,
}

impl Picture<'_> {
    fn blend(&mut self, x: i64, y: i64, rgb: [u8; 3], coverage: f32) {
        let (Ok(x), Ok(y)) = (usize::try_from(x), usize::try_from(y)) else { return };
        if x >= self.width || y >= self.height {
            return;
        }
        let at = 3 * (y * self.width + x);
        let coverage = coverage.clamp(0.0, 1.0);
        for (old, new) in self.rgb[at..at + 3].iter_mut().zip(rgb) {
            let mixed = f32::from(*old) + (f32::from(new) - f32::from(*old)) * coverage;
            *old = mixed.round() as u8;
        }
    }

    /// Draws words, `enlarged` pixels to a px.
    pub fn write(&mut self, text: &Text, enlarged: f64) {
        let Some(font) = text.face.font() else { return };
        let scale = text.face.scale(font, enlarged);
        let scaled = font.as_scaled(scale);
        let width = text.face.width(&text.words) * enlarged;
        let mut along = match text.anchor {
            Anchor::Start => 0.0,
            Anchor::Middle => -0.5 * width,
            Anchor::End => -width,
        };
        let (x, y) = (text.at.0 * enlarged, text.at.1 * enlarged);
        for c in text.words.chars() {
            let id: GlyphId = scaled.glyph_id(c);
            // Upward words are drawn level and turned, so their fraction of a pixel is that of y.
            let origin = if text.upward { (along - y, x) } else { (x + along, y) };
            let glyph =
                id.with_scale_and_position(scale, Point { x: origin.0 as f32, y: origin.1 as f32 });
            if let Some(outline) = font.outline_glyph(glyph) {
                let bounds = outline.px_bounds();
                let (left, top) = (bounds.min.x as i64, bounds.min.y as i64);
                outline.draw(|dx, dy, coverage| {
                    let (px, py) = (left + i64::from(dx), top + i64::from(dy));
                    if text.upward {
                        self.blend(py, -px - 1, text.rgb, coverage);
                    } else {
                        self.blend(px, py, text.rgb, coverage);
                    }
                });
            }
            along += f64::from(scaled.h_advance(id));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const FACE: Face = Face::regular(12.0);

    #[test]
    fn the_fonts_are_there_and_have_what_plots_need() {
        for face in [FACE, Face { bold: true, ..FACE }] {
            let font = face.font().expect("the font");
            for c in "AZaz09−–—Ωµμ°±×√≤≥→…“”éßŁжΔ".chars() {
                assert_ne!(font.glyph_id(c).0, 0, "{c} in the font");
            }
        }
    }

    /// DejaVu Sans: a digit is 1303 of 2048 units wide.
    #[test]
    fn widths_are_those_of_the_font() {
        assert!((FACE.width("0000") - 4.0 * 12.0 * 1303.0 / 2048.0).abs() < 1e-3);
    }

    #[test]
    fn long_words_are_cut_and_wrapped() {
        let cut = FACE.shortened("as received, with everything as it came", 100.0);
        assert!(cut.ends_with('…') && FACE.width(&cut) <= 100.0);
        let lines = FACE.wrapped("one two three four five six seven eight", 80.0);
        assert!(lines.len() > 2 && lines.iter().all(|l| FACE.width(l) <= 80.0));
        assert_eq!(lines.join(" "), "one two three four five six seven eight");
    }
}
