//! Plots: plain engineering figures as SVG or PNG.
//!
//! A [`Figure`] says what is shown; [`Figure::to_svg`] and [`Figure::to_png`] draw it. Functions
//! such as [`response`] and [`difference`] make the figures of a report.

mod draw;
mod error;
mod figure;
mod figures;
mod lines;
mod png;
mod scale;
mod style;
mod svg;
mod text;

pub use error::PlotError;
pub use figure::{Axis, Band, Curve, Figure, Mark, Scale, Span, Weight};
pub use figures::{AUDIO_BAND_HZ, Guides, difference, lines, open_strings, response, spectra};
