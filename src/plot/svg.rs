//! A figure as an SVG document.

use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

use super::draw::{Layout, Medium, WIDTH_PX, draw};
use super::error::PlotError;
use super::figure::Figure;
use super::text::{Anchor, Text};

/// The plotting crate puts everything on whole units: tenths of a px keep curves smooth.
const UNIT: f64 = 10.0;
/// The crate divides a font's size by this on its way into the document.
const FONT_SIZE_FACTOR: f64 = 1.24;
/// With a bottom anchor the crate lifts words by half an x height, that of the fonts named below.
const LIFT_EM: f64 = 0.5 * 0.547;
/// The first is the font that the layout is measured with, the second has its widths, too.
const FONTS: &str = "DejaVu Sans, Verdana, sans-serif";

/// Renders a figure.
pub fn render(figure: &Figure) -> Result<String, PlotError> {
    let layout = Layout::new(figure)?;
    let size = ((WIDTH_PX * UNIT) as u32, (layout.height_px * UNIT) as u32);
    let mut document = String::new();
    {
        let area = SVGBackend::with_string(&mut document, size).into_drawing_area();
        for text in draw(&area, figure, &layout, Medium { unit: UNIT, joins: true })? {
            write(&area, &text).map_err(|e| figure.drawing_error(e))?;
        }
        area.present().map_err(|e| figure.drawing_error(e))?;
    }
    let (_, body) = document
        .split_once('>')
        .ok_or_else(|| figure.drawing_error("the plotting crate wrote no document"))?;
    let (width, height) = (f64::from(size.0) / UNIT, f64::from(size.1) / UNIT);
    Ok(format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{width}\" height=\"{height}\" \
         viewBox=\"0 0 {} {}\" role=\"img\" stroke-linejoin=\"round\">\n\
         <title>{}</title>\n<desc>{}</desc>{body}",
        size.0,
        size.1,
        escaped(&figure.title),
        escaped(&description(figure)),
    ))
}

fn write<B: DrawingBackend>(
    area: &DrawingArea<B, plotters::coord::Shift>,
    text: &Text,
) -> Result<(), DrawingAreaErrorKind<B::ErrorType>> {
    let h_pos = match text.anchor {
        Anchor::Start => HPos::Left,
        Anchor::Middle => HPos::Center,
        Anchor::End => HPos::Right,
    };
    let size = text.face.size_px * UNIT;
    let mut font = (FONTS, size * FONT_SIZE_FACTOR).into_font();
    if text.face.bold {
        font = font.style(FontStyle::Bold);
    }
    let (mut x, mut y) = (text.at.0 * UNIT, text.at.1 * UNIT);
    if text.upward {
        font = font.transform(FontTransform::Rotate270);
        x += LIFT_EM * size;
    } else {
        y += LIFT_EM * size;
    }
    let [r, g, b] = text.rgb;
    let color = RGBColor(r, g, b);
    let style = TextStyle::from(font).color(&color).pos(Pos::new(h_pos, VPos::Bottom));
    area.draw_text(&text.words, &style, (x.round() as i32, y.round() as i32))
}

/// What the figure shows, in words.
fn description(figure: &Figure) -> String {
    let names: Vec<&str> =
        figure.curves.iter().map(|c| c.name.as_str()).filter(|n| !n.is_empty()).collect();
    let mut words = format!("{} against {}", figure.y.label, figure.x.label);
    if !names.is_empty() {
        words += &format!(": {}", names.join("; "));
    }
    if !figure.subtitle.is_empty() {
        words += &format!(". {}", figure.subtitle);
    }
    words
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;")
}
