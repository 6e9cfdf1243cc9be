//! What the tolerances of the parts do to an amp, and to a change of it.

mod bands;
mod corner;
mod draw;
mod run;
mod trim;
mod words;

pub use bands::{Percentiles, percentiles, quantile};
pub use corner::{CornerPlan, corner_hz};
pub use draw::{Distribution, Tolerance, deviated, drawn, off_by};
pub use run::{
    ChangeSpread, CornerSpread, DRAWS, Plan, Side, SideSpread, Spread, SpreadError, spread,
};
pub use trim::{TrimPlan, TrimSpread};
pub use words::sentence;
