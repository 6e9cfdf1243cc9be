//! What a figure shows, without a word on how it is drawn.

use super::error::PlotError;
use super::{png, svg};

/// How values map to places along an axis.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Scale {
    #[default]
    Linear,
    /// Every value must be above zero.
    Log,
}

/// An axis.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Axis {
    /// What it measures, with the unit: `Frequency (Hz)`.
    pub label: String,
    pub scale: Scale,
    /// First and last value; from the data, widened to round numbers, if there is none.
    pub range: Option<(f64, f64)>,
    /// Values to mark with these words instead of the axis's own round numbers.
    pub ticks: Vec<(f64, String)>,
    /// Whether the line at zero is drawn stronger than the other lines.
    pub zero_line: bool,
}

/// How strong a line is drawn.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Weight {
    /// For measured and noisy lines.
    Thin,
    #[default]
    Normal,
}

/// A line through points. A point that is not finite leaves a gap.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Curve {
    /// Name in the legend; an empty name is left out there.
    pub name: String,
    /// x and y.
    pub points: Vec<(f64, f64)>,
    pub weight: Weight,
    /// Place in the row of line styles, if not that in the figure: what has one style in a figure has the
    /// same in the next one.
    pub style: Option<usize>,
}

impl Curve {
    /// A curve of normal weight.
    pub fn new(name: impl Into<String>, points: Vec<(f64, f64)>) -> Self {
        Self { name: name.into(), points, weight: Weight::Normal, style: None }
    }

    /// The same in the style of another place.
    pub fn styled(self, place: usize) -> Self {
        Self { style: Some(place), ..self }
    }

    /// The same as a thin line.
    pub fn thin(self) -> Self {
        Self { weight: Weight::Thin, ..self }
    }
}

/// A shaded band between a lower and an upper edge: the spread of a curve.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Band {
    /// Name in the legend.
    pub name: String,
    /// x, lower y, upper y.
    pub edges: Vec<(f64, f64, f64)>,
    /// Index of the curve whose colour it takes.
    pub of_curve: usize,
}

/// A shaded range of x over the whole height.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Span {
    /// Name in the legend.
    pub name: String,
    pub from: f64,
    pub to: f64,
}

/// A value of x that is marked by a vertical line with a short word above it.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Mark {
    pub at: f64,
    pub label: String,
}

/// A figure: one pair of axes and what stands between them.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Figure {
    pub title: String,
    /// A second line below the title; may be empty.
    pub subtitle: String,
    pub x: Axis,
    pub y: Axis,
    pub curves: Vec<Curve>,
    pub bands: Vec<Band>,
    pub spans: Vec<Span>,
    pub marks: Vec<Mark>,
    /// What the marks are, for the legend; may be empty.
    pub marks_name: String,
    /// A line of small print below the figure; may be empty.
    pub note: String,
}

impl Figure {
    /// The figure as an SVG document, with its title and a description for screen readers.
    /// The same figure gives the same bytes.
    ///
    /// # Errors
    /// [`PlotError::Empty`], [`PlotError::BadRange`].
    pub fn to_svg(&self) -> Result<String, PlotError> {
        svg::render(self)
    }

    /// The figure as a PNG file of twice the SVG's size in pixels.
    /// The same figure gives the same bytes.
    ///
    /// # Errors
    /// [`PlotError::Empty`], [`PlotError::BadRange`].
    pub fn to_png(&self) -> Result<Vec<u8>, PlotError> {
        png::render(self)
    }

    pub(super) fn drawing_error(&self, what: impl ToString) -> PlotError {
        PlotError::Drawing { title: self.title.clone(), what: what.to_string() }
    }
}
