//! The terminal screen: draws a [`View`], reads keys.

use std::time::{Duration, Instant};

use ratatui::Frame;
use ratatui::crossterm::event::{
    self, Event as TerminalEvent, KeyCode, KeyEventKind, KeyModifiers,
};
use ratatui::layout::{Constraint, Layout, Rect};
use ratatui::style::{Modifier, Style, Stylize};
use ratatui::text::{Line, Span};
use ratatui::widgets::{Block, Paragraph};

use super::action::Action;
use super::error::LiveError;
use super::plain::Until;
use super::session::{Backend, Session};
use super::view::View;

/// Time between pictures.
const PICTURE: Duration = Duration::from_millis(50);
/// How long a peak is held.
const HOLD: Duration = Duration::from_millis(800);
/// How long a message stays.
const MESSAGE: Duration = Duration::from_secs(12);
/// Steps of a knob by a key.
const FINE: f64 = 0.1;
const COARSE: f64 = 0.5;
/// Lowest level of the bars.
const FLOOR_DB: f64 = -60.0;

/// What the screen knows beside the view.
#[derive(Clone, Debug, Default)]
pub struct Look {
    /// The control that keys move.
    pub knob: usize,
    pub messages: Vec<String>,
}

fn decibels(x: f64) -> f64 {
    20.0 * x.max(1e-9).log10()
}

/// A bar of so many cells for a share from 0 to 1.
fn bar(share: f64, cells: usize) -> String {
    let full = (share.clamp(0.0, 1.0) * cells as f64).round() as usize;
    format!("{}{}", "#".repeat(full), "-".repeat(cells - full))
}

fn level_bar(db: f64, cells: usize) -> String {
    bar((db - FLOOR_DB) / -FLOOR_DB, cells)
}

/// A mark that is there or not, in the same room.
fn mark(there: bool, words: String) -> Span<'static> {
    if there { Span::from(words).bold().reversed() } else { Span::from(" ".repeat(words.len())) }
}

/// Draws everything.
pub fn draw(frame: &mut Frame<'_>, view: &View, look: &Look) {
    let rows = view.versions.len().max(view.knobs.len()).clamp(1, 12) as u16 + 2;
    let [head, middle, levels, card, foot] = Layout::vertical([
        Constraint::Length(1),
        Constraint::Length(rows),
        Constraint::Length(5),
        Constraint::Length(6),
        Constraint::Min(5),
    ])
    .areas(frame.area());
    let [left, right] =
        Layout::horizontal([Constraint::Percentage(40), Constraint::Percentage(60)]).areas(middle);
    draw_head(frame, head, view);
    draw_versions(frame, left, view);
    draw_knobs(frame, right, view, look);
    draw_levels(frame, levels, view);
    draw_card(frame, card, view);
    draw_foot(frame, foot, look);
}

fn draw_head(frame: &mut Frame<'_>, area: Rect, view: &View) {
    let state = match (view.running, view.muted) {
        (false, _) => "NO DEVICE",
        (true, true) => "MUTED",
        (true, false) => "playing",
    };
    let mut spans = vec![
        Span::from(format!(" {state} ")).reversed(),
        Span::from(format!(" {}", view.title)).bold(),
        Span::from(format!("  {}, {} Hz", view.path, view.sample_rate_hz)),
    ];
    if let Some(seconds) = view.recorded_s {
        spans.push(Span::from(format!("  recording {seconds:.0} s")).bold());
    }
    frame.render_widget(Line::from(spans), area);
}

fn draw_versions(frame: &mut Frame<'_>, area: Rect, view: &View) {
    let lines: Vec<Line<'_>> = view
        .versions
        .iter()
        .enumerate()
        .map(|(k, name)| {
            let text = format!("{} {} {name}", if k == view.on { ">" } else { " " }, k + 1);
            let style =
                if k == view.on { Style::new().add_modifier(Modifier::BOLD) } else { Style::new() };
            Line::styled(text, style)
        })
        .collect();
    let how = if view.matched { "equally loud" } else { "as loud as the amp" };
    let block = Block::bordered().title(format!(" versions, {how} "));
    frame.render_widget(Paragraph::new(lines).block(block), area);
}

fn draw_knobs(frame: &mut Frame<'_>, area: Rect, view: &View, look: &Look) {
    let lines: Vec<Line<'_>> = view
        .knobs
        .iter()
        .enumerate()
        .map(|(k, knob)| {
            let chosen = k == look.knob;
            let text = format!(
                "{} {:<12.12} {:>5.2}  {:>5}  {}",
                if chosen { ">" } else { " " },
                knob.label,
                knob.number,
                knob.clock,
                bar(knob.number / 10.0, 16)
            );
            if chosen { Line::from(text).bold() } else { Line::from(text) }
        })
        .collect();
    let whose = if view.together { "of all versions" } else { "of this version" };
    let block = Block::bordered().title(format!(" controls {whose} "));
    frame.render_widget(Paragraph::new(lines).block(block), area);
}

fn draw_levels(frame: &mut Frame<'_>, area: Rect, view: &View) {
    let input_db = decibels(view.input_volts / view.full_scale_volts);
    let input = Line::from(vec![
        Span::from(format!("input  {:>8.3} V   {} ", view.input_volts, level_bar(input_db, 24))),
        mark(view.input_clipped > 0, format!("CLIPPED {}", view.input_clipped)),
    ]);
    let output_db = decibels(view.output_peak);
    let output = Line::from(vec![
        Span::from(format!("output {output_db:>8.1} dB  {} ", level_bar(output_db, 24))),
        mark(view.limiter_db < -0.1, format!("LIMITED {:+.1} dB", view.limiter_db)),
        Span::from(if view.limiter { "" } else { " limiter off" }),
        Span::from(format!("  volume {:+.1} dB", view.volume_db)),
    ]);
    let mut grids = vec![Span::from("grid current ")];
    if view.grids.is_empty() {
        grids.push(Span::from("is not looked at on the linear path"));
    }
    for grid in &view.grids {
        let text = format!(" {} {:.0} % ", grid.valve, 100.0 * grid.conducting);
        grids.push(if grid.conducting > 0.0 {
            Span::from(text).bold().reversed()
        } else {
            Span::from(format!(" {} ", grid.valve))
        });
    }
    let block = Block::bordered().title(" levels ");
    let lines = vec![input, output, Line::from(grids)];
    frame.render_widget(Paragraph::new(lines).block(block), area);
}

fn draw_card(frame: &mut Frame<'_>, area: Rect, view: &View) {
    let percent =
        |share: Option<f64>| share.map_or("-".to_owned(), |s| format!("{:.0} %", 100.0 * s));
    let clocks = match view.drift_ppm {
        Some(ppm) => format!("clocks {ppm:+.1} ppm, made up for"),
        None => "one clock".to_owned(),
    };
    let lines = vec![
        Line::from(format!("{} -> {}", view.input, view.output)),
        Line::from(format!(
            "load {}, 99.9 % of blocks within {}, {} late; gaps {}, input missing {}",
            percent(view.load_median),
            percent(view.load_most),
            view.late,
            view.gaps,
            view.input_gaps
        )),
        Line::from(view.delay_line()),
        Line::from(format!(
            "{clocks}; {} steps unsolved; {} unrecorded",
            view.troubles, view.unrecorded_frames
        )),
    ];
    frame.render_widget(Paragraph::new(lines).block(Block::bordered().title(" sound card ")), area);
}

fn draw_foot(frame: &mut Frame<'_>, area: Rect, look: &Look) {
    let mut lines = vec![
        Line::from("1-9 tab version  up down control  left right move (shift: more)  a in all"),
        Line::from("space mute  m matched or as is  - + volume  l limiter  c clear marks  q end"),
        Line::from(
            "Mind your ears. Never plug a speaker output of an amplifier into an interface.",
        ),
    ];
    lines.extend(look.messages.iter().rev().map(|m| Line::from(m.clone()).bold()));
    frame.render_widget(Paragraph::new(lines), area);
}

/// What a key means.
pub fn action(
    code: KeyCode,
    modifiers: KeyModifiers,
    view: &View,
    look: &mut Look,
) -> Option<Action> {
    let last = view.knobs.len().saturating_sub(1);
    look.knob = look.knob.min(last);
    let turn = |sign: f64| {
        let step = if modifiers.contains(KeyModifiers::SHIFT) { COARSE } else { FINE };
        let knob = view.knobs.get(look.knob)?;
        Some(Action::TurnBy { control: knob.name.clone(), by: sign * step })
    };
    match code {
        KeyCode::Char('c') if modifiers.contains(KeyModifiers::CONTROL) => Some(Action::Quit),
        KeyCode::Char('q') | KeyCode::Esc => Some(Action::Quit),
        KeyCode::Char(digit @ '1'..='9') => Some(Action::Choose(digit as usize - '1' as usize)),
        KeyCode::Tab => Some(Action::Step(1)),
        KeyCode::BackTab => Some(Action::Step(-1)),
        KeyCode::Up => {
            look.knob = look.knob.saturating_sub(1);
            None
        }
        KeyCode::Down => {
            look.knob = (look.knob + 1).min(last);
            None
        }
        KeyCode::Left => turn(-1.0),
        KeyCode::Right => turn(1.0),
        KeyCode::Char(' ') => Some(Action::Muted(None)),
        KeyCode::Char('m') => Some(Action::Matched(None)),
        KeyCode::Char('l') => Some(Action::Limiter(None)),
        KeyCode::Char('a') => Some(Action::Together(None)),
        KeyCode::Char('+' | '=') => Some(Action::VolumeBy(1.0)),
        KeyCode::Char('-') => Some(Action::VolumeBy(-1.0)),
        KeyCode::Char('c') => Some(Action::Clear),
        _ => None,
    }
}

/// Holds peaks, so that they can be read.
#[derive(Debug)]
struct Held {
    value: f64,
    since: Instant,
}

impl Held {
    fn show(&mut self, now: f64) -> f64 {
        if now >= self.value || self.since.elapsed() > HOLD {
            *self = Self { value: now, since: Instant::now() };
        }
        self.value
    }
}

/// Plays with the screen until it is told to end; the terminal is as before afterwards.
///
/// # Errors
/// [`LiveError::Terminal`].
pub fn play<B: Backend>(
    session: &mut Session<B>,
    title: &str,
    path: &str,
    until: &Until<'_>,
) -> Result<Vec<String>, LiveError> {
    let mut terminal = ratatui::try_init().map_err(|source| LiveError::Terminal { source })?;
    let mut said = Vec::new();
    let outcome = run(session, title, path, until, &mut said, &mut |view, look| {
        terminal.draw(|frame| draw(frame, view, look)).map(drop)
    });
    ratatui::try_restore().map_err(|source| LiveError::Terminal { source })?;
    outcome.map_err(|source| LiveError::Terminal { source })?;
    Ok(said)
}

fn run<B: Backend>(
    session: &mut Session<B>,
    title: &str,
    path: &str,
    until: &Until<'_>,
    said: &mut Vec<String>,
    picture: &mut dyn FnMut(&View, &Look) -> std::io::Result<()>,
) -> std::io::Result<()> {
    let mut look = Look::default();
    let mut stamps: Vec<Instant> = Vec::new();
    let held = || Held { value: 0.0, since: Instant::now() };
    let (mut input, mut output) = (held(), held());
    loop {
        let mut words = session.poll();
        let ended = until.is_now(session);
        let mut view = View::of(session, title, path);
        view.input_volts = input.show(view.input_volts);
        view.output_peak = output.show(view.output_peak);
        let mut quit = ended;
        let mut wait = PICTURE;
        while event::poll(wait)? {
            wait = Duration::ZERO;
            let TerminalEvent::Key(key) = event::read()? else { continue };
            if key.kind == KeyEventKind::Release {
                continue;
            }
            match action(key.code, key.modifiers, &view, &mut look) {
                Some(Action::Quit) => quit = true,
                Some(Action::Clear) => session.meters.clear(),
                Some(action) => {
                    words.extend(action.apply(&mut session.board).err().map(|e| e.to_string()));
                }
                None => {}
            }
        }
        for word in words {
            said.push(word.clone());
            look.messages.push(word);
            stamps.push(Instant::now());
        }
        while stamps.first().is_some_and(|s| s.elapsed() > MESSAGE) || stamps.len() > 5 {
            stamps.remove(0);
            look.messages.remove(0);
        }
        picture(&view, &look)?;
        if quit {
            return Ok(());
        }
    }
}
