//! The side of the controls: which version is on, where its knobs stand, and what is being done about
//! it. It talks to the engine by rings, and to the planner by channels.

use std::sync::Arc;

use super::builder::Builder;
use super::engine::{Engine, Order, Remote, Slot, Start};
use super::error::LiveError;
use super::matching::Gains;
use super::meters::Meters;
use super::voice::VoicePlan;
use crate::amp::AmpState;
use crate::audio::VOLUME_DB;
use crate::render::RenderPath;
use crate::units::Position;

/// One version on the board.
#[derive(Debug)]
pub struct Version {
    state: AmpState,
    plan: VoicePlan,
    gains: Gains,
}

impl Version {
    /// Its parts and knobs as they are now.
    pub fn state(&self) -> &AmpState {
        &self.state
    }

    /// What is played, which may lag behind the knobs by a moment.
    pub fn plan(&self) -> &VoicePlan {
        &self.plan
    }

    /// Its gains.
    pub fn gains(&self) -> Gains {
        self.gains
    }
}

/// What can be set, and is kept when the device goes and returns.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Settings {
    pub version: usize,
    pub matched: bool,
    pub volume_db: f64,
    pub muted: bool,
    pub limiter: bool,
    /// A knob is moved in all versions that have it.
    pub together: bool,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            version: 0,
            matched: true,
            volume_db: 0.0,
            muted: false,
            limiter: true,
            together: false,
        }
    }
}

/// See the module.
#[derive(Debug)]
pub struct Board {
    versions: Vec<Version>,
    settings: Settings,
    sample_rate_hz: f64,
    builder: Builder,
    remote: Option<Remote>,
    /// Orders that found no room yet.
    backlog: Vec<Order>,
}

impl Board {
    /// Plans all versions.
    ///
    /// # Errors
    /// [`LiveError`].
    pub fn new(
        states: Vec<AmpState>,
        gains: &[Gains],
        path: RenderPath,
        sample_rate_hz: f64,
        settings: Settings,
    ) -> Result<Self, LiveError> {
        let mut versions = Vec::with_capacity(states.len());
        for (state, gains) in states.into_iter().zip(gains) {
            let plan = VoicePlan::new(&state, path, sample_rate_hz)?;
            versions.push(Version { state, plan, gains: *gains });
        }
        let builder = Builder::start(path, sample_rate_hz)?;
        let remote = None;
        Ok(Self { versions, settings, sample_rate_hz, builder, remote, backlog: Vec::new() })
    }

    /// An engine for all versions as they are, faded in; the board steers this one from now on.
    pub fn engine(&mut self, fade_in_s: f64, meters: &Arc<Meters>) -> Engine {
        let slots = self.versions.iter().map(|v| Slot {
            voice: Box::new(v.plan.voice()),
            gain_as_is: v.gains.as_is,
            gain_matched: v.gains.matched,
        });
        let start = Start {
            sample_rate_hz: self.sample_rate_hz,
            version: self.settings.version,
            matched: self.settings.matched,
            volume: from_decibels(self.settings.volume_db),
            muted: self.settings.muted,
            fade_in_s,
            limiter: self.settings.limiter,
        };
        let (engine, remote) = Engine::new(slots.collect(), &start, meters.clone());
        self.remote = Some(remote);
        self.backlog.clear();
        engine
    }

    /// The versions, in the job's order.
    pub fn versions(&self) -> &[Version] {
        &self.versions
    }

    /// How everything is set.
    pub fn settings(&self) -> Settings {
        self.settings
    }

    /// The version that is on.
    pub fn on(&self) -> Option<&Version> {
        self.versions.get(self.settings.version)
    }

    /// Frames by which the amp's calculation delays.
    pub fn delay_frames(&self) -> usize {
        self.on().map_or(0, |v| v.plan.delay_frames())
    }

    /// Fades to a version, if there is one of that number (from 0).
    pub fn choose(&mut self, version: usize) {
        if version < self.versions.len() {
            self.settings.version = version;
            self.order(Order::Choose(version));
        }
    }

    /// All versions equally loud, or as loud as the amp would be.
    pub fn set_matched(&mut self, matched: bool) {
        self.settings.matched = matched;
        self.order(Order::Matched(matched));
    }

    /// Volume of the output.
    pub fn set_volume_db(&mut self, volume_db: f64) {
        if volume_db.is_nan() {
            return;
        }
        self.settings.volume_db = volume_db.clamp(*VOLUME_DB.start(), *VOLUME_DB.end());
        self.order(Order::Volume(from_decibels(self.settings.volume_db)));
    }

    /// Silence, or not.
    pub fn set_muted(&mut self, muted: bool) {
        self.settings.muted = muted;
        self.order(Order::Muted(muted));
    }

    /// The limiter, on or off.
    pub fn set_limiter(&mut self, on: bool) {
        self.settings.limiter = on;
        self.order(Order::Limiter(on));
    }

    /// Whether a knob is moved in all versions that have it, or in the one that is on.
    pub fn set_together(&mut self, together: bool) {
        self.settings.together = together;
    }

    /// Moves a knob of the version that is on. It is heard as soon as its circuit is planned.
    ///
    /// # Errors
    /// [`LiveError::Render`] if there is no such control.
    pub fn turn(&mut self, control: &str, position: Position) -> Result<(), LiveError> {
        let on = self.settings.version;
        for (index, version) in self.versions.iter_mut().enumerate() {
            let also = self.settings.together && version.state.controls().contains_key(control);
            if index == on || also {
                let moved = version.state.with_position(control, position);
                version.state = moved.map_err(crate::render::RenderError::from)?;
                self.builder.ask(index, &version.state);
            }
        }
        Ok(())
    }

    /// To be called often: sends on what is planned, drops what has had its day. Returns what went
    /// wrong with planning.
    pub fn poll(&mut self) -> Vec<String> {
        let mut troubles = Vec::new();
        while let Some(built) = self.builder.next_built() {
            match built.outcome {
                Ok((plan, voice)) => {
                    if let Some(version) = self.versions.get_mut(built.version) {
                        version.plan = plan;
                    }
                    self.order(Order::Replace { version: built.version, voice });
                }
                Err(error) => troubles.push(error.to_string()),
            }
        }
        if let Some(remote) = &mut self.remote {
            while remote.returned.pop().is_ok() {}
        }
        for order in std::mem::take(&mut self.backlog) {
            self.order(order);
        }
        troubles
    }

    fn order(&mut self, order: Order) {
        let Some(remote) = &mut self.remote else { return };
        // In their order: while some wait, the next one waits too.
        if self.backlog.is_empty() {
            if let Err(rtrb::PushError::Full(order)) = remote.orders.push(order) {
                self.backlog.push(order);
            }
        } else {
            self.backlog.push(order);
        }
    }
}

/// The gain of a level.
pub fn from_decibels(level_db: f64) -> f64 {
    10f64.powf(level_db / 20.0)
}
