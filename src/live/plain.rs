//! Playing without a screen: lines in, lines out.

use std::io::BufRead;
use std::sync::atomic::{AtomicBool, Ordering::SeqCst};
use std::sync::mpsc::{Receiver, channel};
use std::thread;
use std::time::{Duration, Instant};

use super::action::{Action, HELP};
use super::error::LiveError;
use super::session::{Backend, Session};
use super::view::View;

/// How often keys and devices are looked at, and how often a line is printed.
const LOOK: Duration = Duration::from_millis(20);
const LINE: Duration = Duration::from_secs(5);

/// Lines of standard input, read on a thread of its own since reading waits.
pub fn typed_lines() -> Result<Receiver<String>, LiveError> {
    let (sender, lines) = channel();
    thread::Builder::new()
        .name("keys".to_owned())
        .spawn(move || {
            for line in std::io::stdin().lock().lines().map_while(Result::ok) {
                if sender.send(line).is_err() {
                    return;
                }
            }
        })
        .map_err(|source| LiveError::Thread { source })?;
    Ok(lines)
}

/// When playing ends by itself.
#[derive(Clone, Copy, Debug)]
pub struct Until<'a> {
    /// An interrupt came.
    pub interrupted: &'a AtomicBool,
    /// After so much sound.
    pub seconds: Option<f64>,
}

impl Until<'_> {
    /// Whether that is now.
    pub fn is_now<B: Backend>(&self, session: &Session<B>) -> bool {
        let played_s =
            session.meters.frames.get() as f64 / f64::from(session.agreed().sample_rate_hz);
        session.has_ended()
            || self.interrupted.load(SeqCst)
            || self.seconds.is_some_and(|s| played_s >= s)
    }
}

/// Plays until it is told to end. `say` prints a line.
///
/// # Errors
/// What `say` says.
pub fn play<B: Backend, E>(
    session: &mut Session<B>,
    title: &str,
    path: &str,
    lines: &Receiver<String>,
    until: &Until<'_>,
    mut say: impl FnMut(&str) -> Result<(), E>,
) -> Result<(), E> {
    let start = Instant::now();
    let mut printed = Instant::now();
    let mut first = true;
    loop {
        for word in session.poll() {
            say(&word)?;
        }
        if until.is_now(session) {
            return Ok(());
        }
        for line in lines.try_iter().filter(|l| !l.trim().is_empty()) {
            let controls: Vec<String> = session
                .board
                .on()
                .map(|v| v.state().controls().keys().cloned().collect())
                .unwrap_or_default();
            match Action::parse(&line, &controls) {
                Ok(Action::Quit) => return Ok(()),
                Ok(Action::Help) => say(HELP.trim_end())?,
                Ok(Action::Clear) => session.meters.clear(),
                Ok(action) => {
                    let done = action.apply(&mut session.board);
                    let view = View::of(session, title, path);
                    let word = done.map_or_else(|e| e.to_string(), |()| view.line());
                    say(&word)?;
                }
                Err(wrong) => say(&wrong)?,
            }
        }
        if printed.elapsed() >= LINE || (first && start.elapsed() >= Duration::from_secs(1)) {
            let view = View::of(session, title, path);
            if first {
                say(&view.delay_line())?;
            }
            say(&view.line())?;
            printed = Instant::now();
            first = false;
        }
        thread::sleep(LOOK);
    }
}
