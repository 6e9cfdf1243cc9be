//! The linear path: a fitted IIR that runs at the clip's own rate.

mod error;
mod fit;
mod least_squares;
mod processor;
mod section;

pub use error::LinearError;
pub use fit::{
    COMPARED_SHARE, FIT_BAND_HZ, FIT_LIMIT_DB, FitError, HIGHEST_RATE_HZ, LEAST_DAMPING,
    LOWEST_RATE_HZ, LinearPlan, SILENT_GAIN,
};
pub use processor::LinearProcessor;
pub use section::Section;
