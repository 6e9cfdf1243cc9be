//! Playing through it, with a simulated sound device in the place of a real one.

mod allocation;
#[cfg(all(feature = "live", target_os = "linux"))]
mod alsa;
mod clocks;
mod common;
mod device;
mod engine;
mod recording;
#[cfg(feature = "live")]
mod screen;
mod simulated;
