//! Plans circuits on a thread of its own while the sound goes on.

use std::collections::BTreeMap;
use std::sync::mpsc::{Receiver, Sender, channel};
use std::thread;

use super::error::LiveError;
use super::voice::{Planner, Voice, VoicePlan};
use crate::amp::AmpState;
use crate::render::{RenderError, RenderPath};

/// A version to be planned anew.
#[derive(Debug)]
struct Request {
    version: usize,
    state: Box<AmpState>,
}

/// A version planned anew.
#[derive(Debug)]
pub struct Built {
    pub version: usize,
    pub outcome: Result<(VoicePlan, Box<Voice>), RenderError>,
}

/// The thread, and the ways to and from it. It ends when this is dropped.
#[derive(Debug)]
pub struct Builder {
    requests: Sender<Request>,
    answers: Receiver<Built>,
    open: usize,
}

impl Builder {
    /// Starts the thread.
    ///
    /// # Errors
    /// [`LiveError::Thread`].
    pub fn start(path: RenderPath, sample_rate_hz: f64) -> Result<Self, LiveError> {
        let (requests, incoming) = channel::<Request>();
        let (outgoing, answers) = channel();
        let planner = Planner::new(path, sample_rate_hz);
        thread::Builder::new()
            .name("planner".to_owned())
            .spawn(move || work(planner, &incoming, &outgoing))
            .map_err(|source| LiveError::Thread { source })?;
        Ok(Self { requests, answers, open: 0 })
    }

    /// Asks for a version to be planned. What was asked for the same version before, and is not begun
    /// yet, is left out.
    pub fn ask(&mut self, version: usize, state: &AmpState) {
        let request = Request { version, state: Box::new(state.clone()) };
        self.open += usize::from(self.requests.send(request).is_ok());
    }

    /// What is ready, if anything.
    pub fn next_built(&mut self) -> Option<Built> {
        self.answers.try_recv().ok()
    }
}

fn work(mut planner: Planner, incoming: &Receiver<Request>, outgoing: &Sender<Built>) {
    while let Ok(first) = incoming.recv() {
        let mut latest = BTreeMap::new();
        for request in std::iter::once(first).chain(incoming.try_iter()) {
            latest.insert(request.version, request.state);
        }
        for (version, state) in latest {
            let outcome = planner.plan(version, &state).map(|plan| {
                let voice = Box::new(plan.voice());
                (plan, voice)
            });
            if outgoing.send(Built { version, outcome }).is_err() {
                return;
            }
        }
    }
}
