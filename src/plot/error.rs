//! What can go wrong in drawing.

use thiserror::Error;

/// Why a figure could not be drawn.
#[derive(Clone, Debug, Error, PartialEq)]
pub enum PlotError {
    #[error("the plot {title:?} has nothing to show: no curve has a point in its range")]
    Empty { title: String },
    #[error("the plot {title:?}: the {axis} axis can't run from {from} to {to}; {must}")]
    BadRange { title: String, axis: &'static str, from: f64, to: f64, must: &'static str },
    #[error("the plot {title:?} could not be drawn: {what}")]
    Drawing { title: String, what: String },
}
