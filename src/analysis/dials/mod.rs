//! How the knob range of one amp maps onto another's.

mod band;
mod dialled;
mod knob;
mod parts;
mod scale;
mod search;

pub use band::{Band, BandError, Distance};
pub use dialled::{Dialled, Opened, Scratch, level_db, turned};
pub use knob::Knob;
pub use parts::{PartChange, PartChanges, single_changes, value_of, with_value};
pub use scale::{
    Effect, End, Likeness, Mark, NO_EFFECT_DB, Row, Rules, SLACK_DB, Scale, There, place, scale,
};
pub use search::{Atlas, Closest, MOST_FREE, follow};
