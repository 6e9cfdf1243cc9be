//! Versions of the amp, all loaded, one of them heard; the change from one to another.

use std::sync::Arc;

use rtrb::{Consumer, Producer, RingBuffer};

use super::glide::Glide;
use super::limiter::{CEILING, Limiter};
use super::meters::{MOST_VALVES, Meters};
use super::voice::Voice;

/// Frames that are worked on at once; a callback of any size is cut into pieces of these.
pub const PIECE_FRAMES: usize = 64;
/// Length of a cross-fade, and of every change of a gain.
pub const FADE_S: f64 = 0.02;
/// How long a version that was not heard is fed before it is faded in, its input raised from nothing,
/// and one that was heard afterwards, its input lowered to nothing: so neither starts nor is left in
/// the middle of a note.
pub const RUN_IN_S: f64 = 0.01;
/// The same for a filter that takes the place of another one, and has no charges to go on from.
pub const FILTER_RUN_IN_S: f64 = 0.04;
/// Orders that may wait at once.
const MOST_ORDERS: usize = 256;
/// Time over which grid conduction is looked at.
const WATCH_S: f64 = 0.1;

/// What turns the guitar's volts into what is heard, block by block. Nothing may allocate, lock, wait,
/// print or panic in it.
pub trait Process: Send {
    /// `output` is as long as `input`, at most [`PIECE_FRAMES`]; full scale is 1.
    fn process(&mut self, input_volts: &[f64], output: &mut [f64]);
}

/// What the engine is told to do. It does so at the start of the next piece.
#[derive(Debug)]
pub enum Order {
    /// Fade to a version.
    Choose(usize),
    /// Put another voice in a version's place: a knob was moved.
    Replace { version: usize, voice: Box<Voice> },
    /// All versions equally loud, or as loud as the amp would be.
    Matched(bool),
    /// Gain of the output.
    Volume(f64),
    /// Silence, or not.
    Muted(bool),
    /// The limiter, on or off.
    Limiter(bool),
}

/// A version as the engine is given it.
#[derive(Debug)]
pub struct Slot {
    pub voice: Box<Voice>,
    /// Gains from the unit of the output node to full scale: as loud as the amp would be, and
    /// matched in loudness.
    pub gain_as_is: f64,
    pub gain_matched: f64,
}

/// How the engine starts.
#[derive(Clone, Copy, Debug)]
pub struct Start {
    pub sample_rate_hz: f64,
    /// The version that is heard first.
    pub version: usize,
    pub matched: bool,
    pub volume: f64,
    /// Muted, or faded in over so long.
    pub muted: bool,
    pub fade_in_s: f64,
    pub limiter: bool,
}

/// The ends of the engine's queues that the rest of the program holds.
#[derive(Debug)]
pub struct Remote {
    pub orders: Producer<Order>,
    /// Voices that have had their day, to be dropped where that may take its time.
    pub returned: Consumer<Box<Voice>>,
}

/// A change under way.
#[derive(Debug)]
struct Change {
    /// The version that is faded to; the same as before if only its voice is new.
    to: usize,
    done: usize,
    run_in: usize,
    /// Whether the voice that comes is fed through a ramp, and the one that goes is after the fade.
    ramps: bool,
}

/// See the module.
#[derive(Debug)]
pub struct Engine {
    slots: Vec<Slot>,
    gains: Vec<Glide>,
    /// The newest voice that waits to take a version's place.
    waiting: Vec<Option<Box<Voice>>>,
    on: usize,
    wanted: usize,
    change: Option<Change>,
    /// The voice that takes the place of the one that is heard, during a change.
    incoming: Option<Box<Voice>>,
    matched: bool,
    volume: Glide,
    mute: Glide,
    limiter: Limiter,
    orders: Consumer<Order>,
    returns: Producer<Box<Voice>>,
    meters: Arc<Meters>,
    fade: usize,
    run_in: usize,
    filter_run_in: usize,
    watch_frames: usize,
    watched: usize,
    conduction: [(u64, u64); MOST_VALVES],
}

impl Engine {
    /// Sets up the engine. At least one version is needed; `start.version` is clamped to those there
    /// are.
    pub fn new(slots: Vec<Slot>, start: &Start, meters: Arc<Meters>) -> (Self, Remote) {
        let (orders_in, orders) = RingBuffer::new(MOST_ORDERS);
        // Every order brings one voice at most, and each slot may hold two more.
        let (returns, returned) = RingBuffer::new(MOST_ORDERS + 2 * slots.len() + 2);
        let frames = |seconds: f64| (seconds * start.sample_rate_hz) as usize;
        let on = start.version.min(slots.len().saturating_sub(1));
        let gain = |slot: &Slot| if start.matched { slot.gain_matched } else { slot.gain_as_is };
        let mut mute = Glide::at(0.0);
        if !start.muted {
            mute.go_to(1.0, frames(start.fade_in_s));
        }
        meters.version.set(on as u64);
        meters.limiter_gain.set(1.0);
        let engine = Self {
            gains: slots.iter().map(|s| Glide::at(gain(s))).collect(),
            waiting: slots.iter().map(|_| None).collect(),
            slots,
            on,
            wanted: on,
            change: None,
            incoming: None,
            matched: start.matched,
            volume: Glide::at(start.volume),
            mute,
            limiter: Limiter::new(start.sample_rate_hz, start.limiter),
            orders,
            returns,
            meters,
            fade: frames(FADE_S).max(1),
            run_in: frames(RUN_IN_S).max(1),
            filter_run_in: frames(FILTER_RUN_IN_S).max(1),
            watch_frames: frames(WATCH_S).max(1),
            watched: 0,
            conduction: [(0, 0); MOST_VALVES],
        };
        (engine, Remote { orders: orders_in, returned })
    }

    fn take_orders(&mut self) {
        // Room to give back what an order brings, or it waits.
        while self.returns.slots() > 1 {
            let Ok(order) = self.orders.pop() else { break };
            match order {
                Order::Choose(version) if version < self.slots.len() => self.wanted = version,
                Order::Choose(_) => {}
                Order::Replace { version, voice } => match self.waiting.get_mut(version) {
                    Some(place) => {
                        let before = place.replace(voice);
                        self.give_back(before);
                    }
                    None => self.give_back(Some(voice)),
                },
                Order::Matched(matched) => {
                    self.matched = matched;
                    let coming = self.change.as_ref().map_or(self.on, |c| c.to);
                    for (version, slot) in self.slots.iter().enumerate() {
                        let gain = if matched { slot.gain_matched } else { slot.gain_as_is };
                        let heard = version == self.on || version == coming;
                        self.gains[version].go_to(gain, if heard { self.fade } else { 0 });
                    }
                }
                Order::Volume(gain) if gain.is_finite() => self.volume.go_to(gain, self.fade),
                Order::Volume(_) => {}
                Order::Muted(muted) => {
                    self.mute.go_to(if muted { 0.0 } else { 1.0 }, self.fade);
                }
                Order::Limiter(on) => self.limiter.on = on,
            }
        }
    }

    /// Sends a voice back. There is always room: no order is taken without.
    fn give_back(&mut self, voice: Option<Box<Voice>>) {
        if let Some(voice) = voice
            && let Err(rtrb::PushError::Full(voice)) = self.returns.push(voice)
        {
            // Not reached; if it were, a leak is better than a free in the callback.
            std::mem::forget(voice);
        }
    }

    /// Voices that are not heard change places at once; the one that is heard in a change.
    fn begin_changes(&mut self) {
        if self.change.is_some() || self.returns.slots() < self.slots.len() + 1 {
            return;
        }
        for version in 0..self.slots.len() {
            if version != self.on
                && let Some(voice) = self.waiting[version].take()
            {
                let old = std::mem::replace(&mut self.slots[version].voice, voice);
                self.give_back(Some(old));
            }
        }
        if self.wanted != self.on {
            self.change =
                Some(Change { to: self.wanted, done: 0, run_in: self.run_in, ramps: true });
            self.meters.version.set(self.wanted as u64);
            self.watched = 0;
        } else if let Some(mut voice) = self.waiting[self.on].take() {
            let run_in =
                if voice.take_over(&self.slots[self.on].voice) { 0 } else { self.filter_run_in };
            self.incoming = Some(voice);
            self.change = Some(Change { to: self.on, done: 0, run_in, ramps: run_in > 0 });
        }
    }

    /// The voices' sum, with their gains.
    fn voices(&mut self, input: &[f64], output: &mut [f64]) {
        let Some(change) = &mut self.change else {
            self.slots[self.on].voice.process_into(input, output);
            let gain = &mut self.gains[self.on];
            output.iter_mut().for_each(|y| *y *= gain.next_value());
            return;
        };
        let (run_in, fade) = (change.run_in, self.fade);
        let ramp = self.run_in as f64;
        let end = run_in + fade + if change.ramps { self.run_in } else { 0 };
        let mut going_in = [0.0; PIECE_FRAMES];
        let mut coming_in = [0.0; PIECE_FRAMES];
        let mut coming_out = [0.0; PIECE_FRAMES];
        let frames = input.len();
        for (k, x) in input.iter().enumerate() {
            let n = change.done + k;
            let raised = if change.ramps { (n as f64 / ramp).min(1.0) } else { 1.0 };
            let lowered = if n < run_in + fade {
                1.0
            } else {
                1.0 - ((n - run_in - fade) as f64 / ramp).min(1.0)
            };
            coming_in[k] = x * raised;
            going_in[k] = x * lowered;
        }
        self.slots[self.on].voice.process_into(&going_in[..frames], output);
        let coming = match &mut self.incoming {
            Some(voice) => voice,
            None => &mut self.slots[change.to].voice,
        };
        coming.process_into(&coming_in[..frames], &mut coming_out[..frames]);
        for (k, y) in output.iter_mut().enumerate() {
            let n = change.done + k;
            // In a straight line: the two come of one input and are nearly the same signal, so gains
            // that add up to one keep the level, where equal power would raise it by 3 dB half way.
            let share = (n.saturating_sub(run_in) as f64 / fade as f64).min(1.0);
            let going_gain = self.gains[self.on].next_value();
            let coming_gain =
                if change.to == self.on { going_gain } else { self.gains[change.to].next_value() };
            let (old, new) = (*y * going_gain, coming_out[k] * coming_gain);
            *y = if share >= 1.0 { new } else { old + share * (new - old) };
        }
        change.done += frames;
        if change.done >= end {
            self.end_change();
        }
    }

    fn end_change(&mut self) {
        let Some(change) = self.change.take() else { return };
        match self.incoming.take() {
            Some(voice) => {
                let old = std::mem::replace(&mut self.slots[self.on].voice, voice);
                self.give_back(Some(old));
            }
            None => self.on = change.to,
        }
        self.watched = 0;
    }

    /// Looks at the grids of the version that is heard.
    fn watch(&mut self, frames: usize) {
        let voice = &self.slots[self.on].voice;
        if self.watched == 0 {
            for (valve, count) in self.conduction.iter_mut().enumerate() {
                *count = voice.conduction(valve);
            }
        }
        self.watched += frames;
        if self.watched >= self.watch_frames {
            for (valve, before) in self.conduction.iter().enumerate() {
                let now = voice.conduction(valve);
                let steps = now.0.saturating_sub(before.0).max(1);
                let share = now.1.saturating_sub(before.1) as f64 / steps as f64;
                self.meters.conducting[valve].set(share);
            }
            self.meters.troubles.set(voice.troubles());
            self.watched = 0;
        }
    }
}

impl Process for Engine {
    fn process(&mut self, input_volts: &[f64], output: &mut [f64]) {
        self.take_orders();
        self.begin_changes();
        self.voices(input_volts, output);
        if self.change.is_none() {
            self.watch(input_volts.len());
        }
        let (mut peak, mut over) = (0.0f64, 0);
        let limit = if self.limiter.on { CEILING } else { 1.0 };
        for y in output {
            let x = *y * self.volume.next_value() * self.mute.next_value();
            peak = peak.max(x.abs());
            over += u64::from(x.abs() > limit);
            *y = self.limiter.sample(x);
        }
        self.meters.output.add(peak);
        self.meters.output_over.add(over);
        self.meters.limiter_gain.set(self.limiter.take_lowest());
    }
}
