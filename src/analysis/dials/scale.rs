//! One scale against the other: for each position of a knob here, the closest positions there.

use serde::Serialize;

use crate::circuit::CircuitError;
use crate::parallel;
use crate::units::Position;

use super::band::{Band, Distance};
use super::dialled::{Dialled, Scratch};
use super::search::{Atlas, Closest};

/// The distance grows by this much within the stated slack of a position.
pub const SLACK_DB: f64 = 0.1;
/// A control that moves the response by less than this over all its travel has no effect.
pub const NO_EFFECT_DB: f64 = 0.05;
/// Neighbouring positions that differ by less than this are the same to anyone.
const SAME_PLACE_DB: f64 = 0.01;
/// This near to an end of travel is the end.
const END_TURN: f64 = 1e-4;
/// Halvings in the search for where a range ends: a minute of the clock is 1/600 of the travel.
const HALVINGS: usize = 12;

/// What is asked.
#[derive(Clone, Debug)]
pub struct Rules {
    pub band: Band,
    /// Whether the levels are made equal before the shapes are compared.
    pub offset_allowed: bool,
    /// Two responses no further apart than this count as the same.
    pub same_db: f64,
}

impl Default for Rules {
    fn default() -> Self {
        Self { band: Band::default(), offset_allowed: true, same_db: 0.5 }
    }
}

/// How a closest position is to be taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Likeness {
    /// Shape and level are the same.
    Same,
    /// The shape is the same, the level is not: not a match until the level is made up elsewhere.
    ShapeOnly,
    /// The closest there is, and not the same.
    Closest,
}

/// A position there.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct There {
    pub control: String,
    pub position: Position,
    pub clock: String,
    /// Between these the distance grows by no more than [`SLACK_DB`].
    pub slack: [Position; 2],
    /// Whether it stands at an end of its travel.
    pub at_end: bool,
}

/// One position here and what equals it there.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Row {
    pub here: Position,
    pub clock: String,
    pub there: Vec<There>,
    #[serde(flatten)]
    pub distance: Distance,
    pub likeness: Likeness,
}

/// Where the other range ends.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct End {
    /// Beyond this position here nothing there equals it.
    pub here: Position,
    pub clock: String,
    /// Whether beyond means above (clockwise) or below.
    pub above: bool,
    /// Distance at the far end of travel here.
    pub whole_db_at_far_end: f64,
}

/// How much a knob moves the response over all its travel.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Effect {
    pub control: String,
    /// Largest whole difference (weighted RMS) between any two of its positions that were looked at.
    pub effect_db: f64,
    /// Stretches of travel in which nothing changes.
    pub dead: Vec<[Position; 2]>,
}

impl Effect {
    /// Whether it does nothing in the band.
    pub fn is_none(&self) -> bool {
        self.effect_db < NO_EFFECT_DB
    }
}

/// The answer.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Scale {
    pub rows: Vec<Row>,
    pub ends: Vec<End>,
    /// The knob here, then those there.
    pub effects: Vec<Effect>,
}

/// Where a response without the knob sits on the knob's scale.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Mark {
    pub position: Position,
    pub clock: String,
    pub slack: [Position; 2],
    #[serde(flatten)]
    pub distance: Distance,
    pub likeness: Likeness,
}

impl Rules {
    /// How a distance is to be taken.
    pub fn likeness(&self, distance: &Distance) -> Likeness {
        if distance.whole_db <= self.same_db {
            Likeness::Same
        } else if distance.shape_db <= self.same_db {
            Likeness::ShapeOnly
        } else {
            Likeness::Closest
        }
    }
}

/// Finds, for each position of the one knob of `here`, the closest positions of the knobs of `there`.
///
/// # Errors
/// As [`Dialled::levels_into`].
pub fn scale(
    here: &Dialled,
    there: &Dialled,
    rules: &Rules,
    positions: &[Position],
    tick: &(dyn Fn() + Sync),
) -> Result<Scale, CircuitError> {
    let asker = Asker { here, atlas: Atlas::new(there, &rules.band)?, rules };
    let rows: Vec<Row> = parallel::try_map(positions, |p| {
        let row = asker.row(*p);
        tick();
        row
    })?;
    let mut ends = Vec::new();
    if let Some(first) = asker.end(&rows, false)? {
        ends.push(first);
    }
    if let Some(last) = asker.end(&rows, true)? {
        ends.push(last);
    }
    let mut effects = vec![effect(here, 0, &rules.band)?];
    for knob in 0..there.knobs().len() {
        effects.push(effect(there, knob, &rules.band)?);
    }
    Ok(Scale { rows, ends, effects })
}

/// Places a response on the scale of the one knob of `on`.
///
/// # Errors
/// As [`Dialled::levels_into`].
pub fn place(levels_db: &[f64], on: &Dialled, rules: &Rules) -> Result<Mark, CircuitError> {
    let atlas = Atlas::new(on, &rules.band)?;
    let found = atlas.closest(levels_db, rules.offset_allowed)?;
    let slack = atlas.slack(levels_db, rules.offset_allowed, &found, 0, SLACK_DB)?;
    let position = Position::from_turn(found.turns[0]);
    Ok(Mark {
        position,
        clock: position.clock(),
        slack: slack.map(Position::from_turn),
        distance: found.distance,
        likeness: rules.likeness(&found.distance),
    })
}

struct Asker<'a> {
    here: &'a Dialled,
    atlas: Atlas<'a>,
    rules: &'a Rules,
}

impl Asker<'_> {
    fn closest(&self, here: Position) -> Result<(Vec<f64>, Closest), CircuitError> {
        let levels = self.here.levels_db(&[here.turn()])?;
        let found = self.atlas.closest(&levels, self.rules.offset_allowed)?;
        Ok((levels, found))
    }

    fn row(&self, here: Position) -> Result<Row, CircuitError> {
        let (levels, found) = self.closest(here)?;
        let mut there = Vec::new();
        for (k, knob) in self.atlas.dialled().knobs().iter().enumerate() {
            let allowed = self.rules.offset_allowed;
            let slack = self.atlas.slack(&levels, allowed, &found, k, SLACK_DB)?;
            let position = Position::from_turn(found.turns[k]);
            there.push(There {
                control: knob.name.clone(),
                position,
                clock: position.clock(),
                slack: slack.map(Position::from_turn),
                at_end: at_end(found.turns[k]),
            });
        }
        let likeness = self.rules.likeness(&found.distance);
        Ok(Row { here, clock: here.clock(), there, distance: found.distance, likeness })
    }

    /// The end of the range that equals something there, at the top or the bottom of the travel
    /// here: where the knob there reaches its stop if it is one knob and does, else where the
    /// distance passes what counts as the same.
    fn end(&self, rows: &[Row], above: bool) -> Result<Option<End>, CircuitError> {
        let order: Vec<&Row> =
            if above { rows.iter().rev().collect() } else { rows.iter().collect() };
        let Some(far) = order.first() else { return Ok(None) };
        let differs = |d: &Distance| d.goal_db(self.rules.offset_allowed) > self.rules.same_db;
        if !differs(&far.distance) {
            return Ok(None);
        }
        let stopped = far.there.len() == 1 && far.there[0].at_end;
        let beyond = |there: bool, d: &Distance| if stopped { there } else { differs(d) };
        let row_beyond = |r: &Row| beyond(r.there.first().is_some_and(|t| t.at_end), &r.distance);
        let Some(inside) = order.iter().find(|r| !row_beyond(r)) else {
            // Nothing here equals anything there: no end, and every row says so.
            return Ok(None);
        };
        // A row at the stop that is exact: the range ends exactly there.
        let last_beyond = order.iter().take_while(|r| row_beyond(r)).last().unwrap_or(far);
        let (mut good, mut bad) = (inside.here.turn(), last_beyond.here.turn());
        for _ in 0..HALVINGS {
            let middle = Position::from_turn(0.5 * (good + bad));
            let (_, found) = self.closest(middle)?;
            let stop = found.turns.first().is_some_and(|t| at_end(*t));
            if beyond(stop, &found.distance) {
                bad = middle.turn();
            } else {
                good = middle.turn();
            }
        }
        let here = Position::from_turn(0.5 * (good + bad));
        let whole_db_at_far_end = far.distance.whole_db;
        Ok(Some(End { here, clock: here.clock(), above, whole_db_at_far_end }))
    }
}

fn at_end(turn: f64) -> bool {
    !(END_TURN..=1.0 - END_TURN).contains(&turn)
}

/// What one knob does, the others where they stand in the version.
fn effect(dialled: &Dialled, knob: usize, band: &Band) -> Result<Effect, CircuitError> {
    const STEPS: usize = 40;
    let mut scratch = Scratch::default();
    let mut all: Vec<Vec<f64>> = Vec::with_capacity(STEPS + 1);
    let mut turns = dialled.present();
    for k in 0..=STEPS {
        turns[knob] = k as f64 / STEPS as f64;
        let mut levels = Vec::new();
        dialled.levels_into(&turns, &mut scratch, &mut levels)?;
        all.push(levels);
    }
    let apart = |a: usize, b: usize| band.distance(&all[a], &all[b]).whole_db;
    let pairs = (0..=STEPS).flat_map(|a| (0..a).map(move |b| (a, b)));
    let effect_db = pairs.map(|(a, b)| apart(a, b)).fold(0.0, f64::max);
    let place = |k: usize| Position::from_turn(k as f64 / STEPS as f64);
    let mut dead: Vec<[Position; 2]> = Vec::new();
    let mut start = 0;
    for k in 1..=STEPS + 1 {
        if k > STEPS || apart(start, k) >= SAME_PLACE_DB {
            // Worth a word from half a number on the scale.
            if k > start + 2 {
                dead.push([place(start), place(k - 1)]);
            }
            start = k.min(STEPS);
        }
    }
    Ok(Effect { control: dialled.knobs()[knob].name.clone(), effect_db, dead })
}
