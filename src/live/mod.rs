//! Playing through it: a guitar through an interface, or a clip, through the versions of a job, in
//! real time.
//!
//! The callback of the output ([`OutputEnd::fill`]) does everything: it draws input, runs the version
//! that is heard, fades when another is chosen or a knob has moved, limits, and puts what is recorded
//! into a ring. It never allocates, locks, waits, prints or panics; whatever may take its time (planning
//! a circuit, dropping the old one, writing files) happens on other threads, with wait-free rings in
//! between. None of this needs a sound card: a device is whatever implements [`Backend`]. It is behind the
//! feature `playing`; the real device and the screen are behind `live`.

mod action;
mod board;
mod builder;
mod calibrate;
mod capture;
#[cfg(feature = "live")]
mod device;
mod drift;
mod engine;
mod error;
mod floor;
mod glide;
mod input;
pub mod latency;
mod limiter;
mod matching;
mod meters;
mod output;
pub mod pace;
pub mod plain;
mod recorder;
#[cfg(feature = "live")]
pub mod screen;
mod session;
mod view;
mod voice;

pub use action::{Action, HELP};
pub use board::{Board, Settings, Version, from_decibels};
pub use calibrate::{Calibration, calibrate};
pub use capture::Capture;
#[cfg(feature = "live")]
pub use device::{Listed, ListedSide, SoundCard, Streams, USUAL_BUFFER_FRAMES, Wish, list_devices};
pub use drift::{Drift, Stretcher};
pub use engine::{
    Engine, FADE_S, FILTER_RUN_IN_S, Order, PIECE_FRAMES, Process, RUN_IN_S, Remote, Slot, Start,
};
pub use error::LiveError;
pub use input::{Clocks, Incoming, InputEnd, input};
pub use limiter::{CEILING, Limiter};
pub use matching::{Gains, match_versions};
pub use meters::{Count, Loads, MOST_VALVES, Meters, Peak, Value};
pub use output::{Looped, OutputChannels, OutputEnd, Source};
pub use plain::Until;
pub use recorder::{Recorded, Recorder, Tap, file_names};
pub use session::{Agreed, Backend, Delay, Event, FADE_IN_S, Plan, RETRY, Session};
pub use view::{Grid, Knob, View};
pub use voice::{Planner, Voice, VoicePlan};
