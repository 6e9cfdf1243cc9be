//! Lays a figure out and draws its lines and areas; the words are handed back, to be drawn on top.

use plotters::coord::Shift;
use plotters::prelude::*;

use super::error::PlotError;
use super::figure::{Figure, Scale};
use super::lines::{Frame, Place, clip, dash, thin};
use super::scale::Fitted;
use super::style::{self, Rgb};
use super::text::{Anchor, Face, Text};

/// Width of every figure in px.
pub const WIDTH_PX: f64 = 860.0;
/// Height of the frame between the axes.
const FRAME_HEIGHT_PX: f64 = 360.0;
const EDGE: f64 = 18.0;
const TITLE: Face = Face { size_px: 16.0, bold: true };
const SUBTITLE: Face = Face::regular(12.5);
const WORDS: Face = Face::regular(12.0);
const SMALL: Face = Face::regular(11.0);
/// Line sample in the legend, the gap after it, and the gap after its name.
const SAMPLE: f64 = 30.0;
const SAMPLE_GAP: f64 = 7.0;
const ENTRY_GAP: f64 = 24.0;
const LEGEND_ROW: f64 = 20.0;
const TICK: f64 = 5.0;
/// Room for a label of an axis.
const TICK_ROOM_X: f64 = 75.0;
const TICK_ROOM_Y: f64 = 40.0;

/// What stands before a name in the legend.
#[derive(Clone, Copy, Debug)]
enum Sample {
    Line(usize),
    Area(Rgb),
    Mark,
}

/// An entry of the legend at its place.
#[derive(Clone, Debug)]
struct Entry {
    sample: Sample,
    name: String,
    left: f64,
    row: usize,
}

/// Where everything goes.
#[derive(Clone, Debug)]
pub struct Layout {
    pub height_px: f64,
    frame: Frame,
    title: Vec<String>,
    subtitle: Vec<String>,
    note: Vec<String>,
    legend: Vec<Entry>,
    legend_top: f64,
    x: Fitted,
    y: Fitted,
}

impl Layout {
    /// Fits the axes to the data and the frame to the words around it.
    pub fn new(figure: &Figure) -> Result<Self, PlotError> {
        let empty = || PlotError::Empty { title: figure.title.clone() };
        let (x, y) = fit_axes(figure)?;
        let in_range = |p: &&(f64, f64)| (0.0..=1.0).contains(&x.place(p.0)) && p.1.is_finite();
        let some_curve = figure.curves.iter().any(|c| c.points.iter().any(|p| in_range(&p)));
        if !some_curve && figure.bands.iter().all(|b| b.edges.is_empty()) {
            return Err(empty());
        }
        let widest = |f: &Fitted| {
            f.ticks
                .iter()
                .filter_map(|t| t.label.as_deref())
                .map(|l| WORDS.width(l))
                .fold(0.0, f64::max)
        };
        let left = EDGE + SMALL.size_px + 12.0 + widest(&y) + TICK + 4.0;
        let last_label = x.ticks.iter().rev().find_map(|t| t.label.as_deref());
        let right = WIDTH_PX - EDGE.max(4.0 + 0.5 * WORDS.width(last_label.unwrap_or_default()));
        let room = WIDTH_PX - 2.0 * EDGE;

        let title = TITLE.wrapped(&figure.title, room);
        let subtitle = SUBTITLE.wrapped(&figure.subtitle, room);
        let note = SMALL.wrapped(&figure.note, room);
        let legend = legend(figure, left, right);
        let rows = legend.last().map_or(0, |e| e.row + 1);

        let mut top = EDGE + 21.0 * title.len() as f64 + 18.0 * subtitle.len() as f64 + 6.0;
        let legend_top = top;
        top += LEGEND_ROW * rows as f64 + 6.0;
        if !figure.marks.is_empty() {
            top += 14.0;
        }
        let bottom = top + FRAME_HEIGHT_PX;
        let mut height_px = bottom + TICK + 18.0 + 24.0 + EDGE - 8.0;
        if !note.is_empty() {
            height_px += 4.0 + 15.0 * note.len() as f64;
        }
        let frame = Frame { left, top, right, bottom };
        Ok(Self { height_px, frame, title, subtitle, note, legend, legend_top, x, y })
    }
}

fn fit_axes(figure: &Figure) -> Result<(Fitted, Fitted), PlotError> {
    let xs = figure.curves.iter().flat_map(|c| c.points.iter().map(|p| p.0));
    let xs = xs.chain(figure.bands.iter().flat_map(|b| b.edges.iter().map(|e| e.0)));
    let room = |px: f64, each: f64| (px / each) as usize;
    let positive = |v: &f64| figure.x.scale == Scale::Linear || *v > 0.0;
    let x = Fitted::new(figure, &figure.x, "x", xs.filter(positive), room(WIDTH_PX, TICK_ROOM_X))?;
    let inside = |v: f64| (-1e-9..=1.0 + 1e-9).contains(&x.place(v));
    let ys = figure.curves.iter().flat_map(|c| c.points.iter().copied());
    let edges = figure.bands.iter().flat_map(|b| b.edges.iter());
    let ys = ys.chain(edges.flat_map(|e| [(e.0, e.1), (e.0, e.2)]));
    let ys = ys.filter(|p| inside(p.0)).map(|p| p.1);
    let positive = |v: &f64| figure.y.scale == Scale::Linear || *v > 0.0;
    let most = room(FRAME_HEIGHT_PX, TICK_ROOM_Y);
    let y = Fitted::new(figure, &figure.y, "y", ys.filter(positive), most)?;
    Ok((x, y))
}

/// The legend's entries in rows between the edges of the frame.
fn legend(figure: &Figure, left: f64, right: f64) -> Vec<Entry> {
    let curves = figure.curves.iter().enumerate().map(|(i, c)| (Sample::Line(i), &c.name));
    let bands = figure.bands.iter().map(|b| (Sample::Area(style::band(b.of_curve)), &b.name));
    let spans = figure.spans.iter().map(|s| (Sample::Area(style::SPAN), &s.name));
    let marks = (!figure.marks.is_empty()).then_some((Sample::Mark, &figure.marks_name));
    let (mut at, mut row) = (left, 0);
    let mut entries = Vec::new();
    for (sample, name) in curves.chain(bands).chain(spans).chain(marks) {
        if name.is_empty() {
            continue;
        }
        let name = WORDS.shortened(name, 0.6 * (right - left));
        let width = SAMPLE + SAMPLE_GAP + WORDS.width(&name);
        if at > left && at + width > right {
            (at, row) = (left, row + 1);
        }
        entries.push(Entry { sample, name, left: at, row });
        at += width + ENTRY_GAP;
    }
    entries
}

/// How a backend takes figures.
#[derive(Clone, Copy, Debug)]
pub struct Medium {
    /// Its own units for one px.
    pub unit: f64,
    /// Whether it joins the pieces of a thick line by itself. The bitmap backend mitres them without
    /// a limit, so that a sharp turn would grow a spike.
    pub joins: bool,
}

/// A drawing area and what is written on it.
struct Paper<'a, B: DrawingBackend> {
    area: &'a DrawingArea<B, Shift>,
    unit: f64,
    joins: bool,
    figure: &'a Figure,
    words: Vec<Text>,
}

impl<B: DrawingBackend> Paper<'_, B> {
    fn place(&self, (x, y): Place) -> (i32, i32) {
        ((x * self.unit).round() as i32, (y * self.unit).round() as i32)
    }

    fn draw<E>(&self, element: E) -> Result<(), PlotError>
    where
        for<'b> &'b E: plotters::element::PointCollection<'b, (i32, i32)>,
        E: plotters::element::Drawable<B>,
    {
        self.area.draw(&element).map_err(|e| self.figure.drawing_error(e))
    }

    fn line(&self, line: &[Place], width_px: f64, rgb: Rgb) -> Result<(), PlotError> {
        let places: Vec<(i32, i32)> = line.iter().map(|p| self.place(*p)).collect();
        let width = (width_px * self.unit).round().max(1.0) as u32;
        let style = ink(rgb).stroke_width(width);
        if self.joins || places.len() < 3 {
            return self.draw(PathElement::new(places, style));
        }
        for pair in places.windows(2).filter(|pair| pair[0] != pair[1]) {
            self.draw(PathElement::new(pair.to_vec(), style))?;
        }
        for joint in &places[1..places.len() - 1] {
            self.draw(Circle::new(*joint, width / 2, ink(rgb).filled()))?;
        }
        Ok(())
    }

    fn area(&self, edge: &[Place], rgb: Rgb) -> Result<(), PlotError> {
        let places: Vec<(i32, i32)> = edge.iter().map(|p| self.place(*p)).collect();
        self.draw(Polygon::new(places, ink(rgb).filled()))
    }

    fn rectangle(&self, from: Place, to: Place, rgb: Rgb) -> Result<(), PlotError> {
        let corners = [self.place(from), self.place(to)];
        self.draw(Rectangle::new(corners, ink(rgb).filled()))
    }

    fn write(&mut self, words: &str, at: Place, anchor: Anchor, face: Face, rgb: Rgb) {
        let words = words.to_owned();
        self.words.push(Text { words, at, anchor, face, rgb, upward: false });
    }
}

fn ink([r, g, b]: Rgb) -> RGBColor {
    RGBColor(r, g, b)
}

/// Draws all but the words, and hands those back.
pub fn draw<B: DrawingBackend>(
    area: &DrawingArea<B, Shift>,
    figure: &Figure,
    layout: &Layout,
    medium: Medium,
) -> Result<Vec<Text>, PlotError> {
    let Medium { unit, joins } = medium;
    let mut paper = Paper { area, unit, joins, figure, words: Vec::new() };
    area.fill(&ink(style::PAPER)).map_err(|e| figure.drawing_error(e))?;
    headings(&mut paper, layout)?;
    shades(&paper, layout)?;
    grid(&mut paper, layout)?;
    bands(&paper, layout)?;
    marks(&mut paper, layout)?;
    frame(&paper, layout)?;
    curves(&paper, layout)?;
    Ok(paper.words)
}

fn headings<B: DrawingBackend>(paper: &mut Paper<B>, layout: &Layout) -> Result<(), PlotError> {
    let mut baseline = EDGE - 4.0;
    for line in &layout.title {
        baseline += 21.0;
        paper.write(line, (EDGE, baseline - 2.0), Anchor::Start, TITLE, style::INK);
    }
    for line in &layout.subtitle {
        baseline += 18.0;
        paper.write(line, (EDGE, baseline), Anchor::Start, SUBTITLE, style::FAINT_INK);
    }
    for entry in &layout.legend {
        let middle = layout.legend_top + LEGEND_ROW * (entry.row as f64 + 0.5);
        let end = entry.left + SAMPLE;
        match entry.sample {
            Sample::Line(index) => {
                let curve = &paper.figure.curves[index];
                let (rgb, pattern) = style::line(curve.style.unwrap_or(index));
                let width = style::width_px(curve.weight);
                for piece in dash(&[(entry.left, middle), (end, middle)], pattern) {
                    paper.line(&piece, width, rgb)?;
                }
            }
            Sample::Area(rgb) => {
                paper.rectangle((entry.left, middle - 6.0), (end, middle + 6.0), style::FRAME)?;
                let inner = [(entry.left + 0.8, middle - 5.2), (end - 0.8, middle + 5.2)];
                paper.rectangle(inner[0], inner[1], rgb)?;
            }
            Sample::Mark => {
                let x = entry.left + 0.5 * SAMPLE;
                paper.line(&[(x, middle - 7.0), (x, middle + 7.0)], 1.0, style::MARK)?;
            }
        }
        let at = (end + SAMPLE_GAP, middle + 4.3);
        paper.write(&entry.name, at, Anchor::Start, WORDS, style::INK);
    }
    let bottom = layout.height_px - EDGE + 6.0 - 15.0 * layout.note.len() as f64;
    for (i, line) in layout.note.iter().enumerate() {
        let at = (EDGE, bottom + 15.0 * (i as f64 + 1.0) - 4.0);
        paper.write(line, at, Anchor::Start, SMALL, style::FAINT_INK);
    }
    Ok(())
}

/// Shaded ranges of x.
fn shades<B: DrawingBackend>(paper: &Paper<B>, layout: &Layout) -> Result<(), PlotError> {
    for span in &paper.figure.spans {
        let [from, to] = [span.from, span.to].map(|v| layout.x.place(v).clamp(0.0, 1.0));
        if from < to {
            let (start, end) = (layout.frame.at(from, 1.0), layout.frame.at(to, 0.0));
            paper.rectangle(start, end, style::SPAN)?;
        }
    }
    Ok(())
}

/// Lines of the grid, their words, and the names of the axes.
fn grid<B: DrawingBackend>(paper: &mut Paper<B>, layout: &Layout) -> Result<(), PlotError> {
    let frame = layout.frame;
    // Fine lines first, so that the named ones lie on top.
    for named in [false, true] {
        let rgb = if named { style::GRID } else { style::FINE_GRID };
        for tick in layout.x.ticks.iter().filter(|t| t.label.is_some() == named) {
            paper.line(&[frame.at(tick.place, 0.0), frame.at(tick.place, 1.0)], 0.8, rgb)?;
        }
        for tick in layout.y.ticks.iter().filter(|t| t.label.is_some() == named) {
            paper.line(&[frame.at(0.0, tick.place), frame.at(1.0, tick.place)], 0.8, rgb)?;
        }
    }
    if paper.figure.y.zero_line {
        for tick in layout.y.ticks.iter().filter(|t| t.is_zero) {
            let ends = [frame.at(0.0, tick.place), frame.at(1.0, tick.place)];
            paper.line(&ends, 1.2, style::ZERO)?;
        }
    }
    let mut free_from = f64::NEG_INFINITY;
    for tick in &layout.x.ticks {
        let Some(label) = &tick.label else { continue };
        let (x, y) = frame.at(tick.place, 0.0);
        paper.line(&[(x, y), (x, y + TICK)], 1.0, style::FRAME)?;
        let half = 0.5 * WORDS.width(label);
        if x - half > free_from {
            paper.write(label, (x, y + TICK + 14.0), Anchor::Middle, WORDS, style::INK);
            free_from = x + half + 6.0;
        }
    }
    for tick in &layout.y.ticks {
        let Some(label) = &tick.label else { continue };
        let (x, y) = frame.at(0.0, tick.place);
        paper.line(&[(x, y), (x - TICK, y)], 1.0, style::FRAME)?;
        paper.write(label, (x - TICK - 4.0, y + 4.3), Anchor::End, WORDS, style::INK);
    }
    let (x_label, y_label) = (paper.figure.x.label.clone(), paper.figure.y.label.clone());
    let at = (0.5 * (frame.left + frame.right), frame.bottom + TICK + 36.0);
    paper.write(&x_label, at, Anchor::Middle, WORDS, style::INK);
    paper.words.push(Text {
        words: WORDS.shortened(&y_label, frame.height() + 40.0),
        at: (EDGE + SMALL.size_px, 0.5 * (frame.top + frame.bottom)),
        anchor: Anchor::Middle,
        face: WORDS,
        rgb: style::INK,
        upward: true,
    });
    Ok(())
}

/// Bands between two edges.
fn bands<B: DrawingBackend>(paper: &Paper<B>, layout: &Layout) -> Result<(), PlotError> {
    for band in &paper.figure.bands {
        let mut outline = Vec::with_capacity(2 * band.edges.len());
        let mut back = Vec::with_capacity(band.edges.len());
        for (x, low, high) in &band.edges {
            let place = layout.x.place(*x);
            let edges = [*low, *high].map(|v| layout.y.place(v).clamp(0.0, 1.0));
            let inside = (-1e-9..=1.0 + 1e-9).contains(&place);
            if inside && edges.iter().all(|e| e.is_finite()) {
                outline.push(layout.frame.at(place, edges[0]));
                back.push(layout.frame.at(place, edges[1]));
            }
        }
        outline.extend(back.into_iter().rev());
        if outline.len() >= 6 {
            paper.area(&outline, style::band(band.of_curve))?;
        }
    }
    Ok(())
}

/// Vertical lines with a word above the frame, where it finds room.
fn marks<B: DrawingBackend>(paper: &mut Paper<B>, layout: &Layout) -> Result<(), PlotError> {
    let figure = paper.figure;
    let mut free_from = f64::NEG_INFINITY;
    for mark in &figure.marks {
        let place = layout.x.place(mark.at);
        if !(0.0..=1.0).contains(&place) {
            continue;
        }
        let (x, top) = layout.frame.at(place, 1.0);
        for piece in dash(&[(x, layout.frame.bottom), (x, top)], &[1.5, 2.5]) {
            paper.line(&piece, 1.0, style::MARK)?;
        }
        let half = 0.5 * SMALL.width(&mark.label);
        if x - half > free_from {
            paper.write(&mark.label, (x, top - 5.0), Anchor::Middle, SMALL, style::FAINT_INK);
            free_from = x + half + 4.0;
        }
    }
    Ok(())
}

fn frame<B: DrawingBackend>(paper: &Paper<B>, layout: &Layout) -> Result<(), PlotError> {
    let at = |x, y| layout.frame.at(x, y);
    let around = [at(0.0, 0.0), at(0.0, 1.0), at(1.0, 1.0), at(1.0, 0.0), at(0.0, 0.0)];
    for side in around.windows(2) {
        paper.line(side, 1.0, style::FRAME)?;
    }
    Ok(())
}

/// In turn, so that a dashed line on an unbroken one leaves both to be seen.
fn curves<B: DrawingBackend>(paper: &Paper<B>, layout: &Layout) -> Result<(), PlotError> {
    for (index, curve) in paper.figure.curves.iter().enumerate() {
        let (rgb, pattern) = style::line(curve.style.unwrap_or(index));
        let on_paper = |&(x, y): &(f64, f64)| layout.frame.at(layout.x.place(x), layout.y.place(y));
        let places: Vec<Place> = curve.points.iter().map(on_paper).collect();
        for piece in clip(&thin(places), &layout.frame) {
            for dash in dash(&piece, pattern) {
                paper.line(&dash, style::width_px(curve.weight), rgb)?;
            }
        }
    }
    Ok(())
}
