//! The report of a job: what the circuit says beside what audio says.

mod corners;
mod driven;
mod make;
mod model;
mod plots;
mod text;
mod trim;

pub use corners::{NodeMeasurements, NodeSweep, corner_nodes, corner_reports};
pub use driven::{
    ClipDrive, DrivenReport, DrivenVersion, RATE_HZ, StageReport, driven_report, driven_work,
    makers, peak_volts, words,
};
pub use make::{CAUTIONS, make_report, work};
pub use model::*;
pub use plots::{curves_csv, difference_figure, response_figure, spectra_figure};
pub use text::to_text;
pub use trim::add_trim_as_rendered;
