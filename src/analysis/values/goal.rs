//! What the values are to do, and by how much a trial misses it.

use serde::Serialize;

use crate::analysis::dials::{Band, Distance};
use crate::circuit::{Node, OperatingPoint};

/// -3 dB as a power ratio.
const HALF_POWER: f64 = 0.5;
/// A corner that is an octave off counts like 6 dB: the slope of one capacitor.
const DB_PER_OCTAVE: f64 = 6.020_599_913_279_624;
/// What misses a rating is no answer, however well it does the rest.
const RATING_DB: f64 = 1000.0;
/// A corner that is not there at all.
const NO_CORNER_DB: f64 = 200.0;
/// Grid of corner searches: coarse over the whole range, fine around the goal.
const CORNER_RANGE_HZ: [f64; 2] = [0.1, 200_000.0];
const COARSE_PER_DECADE: f64 = 8.0;
const FINE_PER_OCTAVE: f64 = 16.0;
const FINE_OCTAVES: f64 = 1.5;

/// Which side of a response a corner bounds.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Edge {
    /// The response falls below the corner.
    Low,
    /// The response falls above it.
    High,
}

/// What a level is held against.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Against {
    /// The level of the same response at this frequency.
    Reference { hz: f64 },
    /// A fixed level in dB, such as that of another version at the same frequency.
    Level { db: f64 },
}

/// One goal.
#[derive(Clone, Debug, PartialEq)]
pub enum Goal {
    /// A corner at a frequency: where the ratio of two nodes' voltages, or of a node's voltage to the
    /// source, is 3 dB below its highest.
    Corner { hz: f64, edge: Edge, from: Option<Node>, to: Node },
    /// The level at a frequency: down by at least so much, at most so much, or both.
    Down { hz: f64, against: Against, at_least_db: Option<f64>, at_most_db: Option<f64> },
    /// Another response, in dB at the band's frequencies.
    Match { band: Band, levels_db: Vec<f64>, offset_allowed: bool },
    /// Limits at rest of a part; for a valve, of its plate.
    Rating { part: String, watts: Option<f64>, volts: Option<f64> },
}

/// What a trial does at a goal.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum Outcome {
    Corner { hz: Option<f64>, miss_db: f64 },
    Down { db: f64, miss_db: f64 },
    Match { distance: Distance, miss_db: f64 },
    Rating { watts: f64, volts: f64, miss_db: f64 },
}

impl Outcome {
    /// By how much the goal is missed: 0 where it is met.
    pub fn miss_db(&self) -> f64 {
        match self {
            Self::Corner { miss_db, .. }
            | Self::Down { miss_db, .. }
            | Self::Match { miss_db, .. }
            | Self::Rating { miss_db, .. } => *miss_db,
        }
    }
}

/// Where a goal reads the response.
#[derive(Clone, Debug, PartialEq)]
struct Reading {
    /// Positions in the list of frequencies.
    points: Vec<usize>,
    /// Positions in the list of nodes.
    from: Option<usize>,
    to: usize,
}

/// Goals with the frequencies and nodes that they read.
#[derive(Clone, Debug)]
pub struct Goals {
    goals: Vec<Goal>,
    readings: Vec<Reading>,
    frequencies_hz: Vec<f64>,
    nodes: Vec<Node>,
}

impl Goals {
    /// Lays out what the goals read; `output` is where levels are taken.
    pub fn new(goals: Vec<Goal>, output: Node) -> Self {
        let mut made = Self {
            goals: Vec::new(),
            readings: Vec::new(),
            frequencies_hz: Vec::new(),
            nodes: vec![output],
        };
        for goal in goals {
            let reading = match &goal {
                Goal::Corner { hz, from, to, .. } => {
                    let grid = corner_grid(*hz);
                    let from = from.map(|n| made.node(n));
                    Reading { points: made.points(&grid), from, to: made.node(*to) }
                }
                Goal::Down { hz, against, .. } => {
                    let points = match against {
                        Against::Reference { hz: reference } => made.points(&[*hz, *reference]),
                        Against::Level { .. } => made.points(&[*hz]),
                    };
                    Reading { points, from: None, to: 0 }
                }
                Goal::Match { band, .. } => {
                    Reading { points: made.points(band.frequencies_hz()), from: None, to: 0 }
                }
                Goal::Rating { .. } => Reading { points: Vec::new(), from: None, to: 0 },
            };
            made.goals.push(goal);
            made.readings.push(reading);
        }
        made
    }

    fn points(&mut self, frequencies_hz: &[f64]) -> Vec<usize> {
        let mut place = |f: f64| match self.frequencies_hz.iter().position(|g| *g == f) {
            Some(at) => at,
            None => {
                self.frequencies_hz.push(f);
                self.frequencies_hz.len() - 1
            }
        };
        frequencies_hz.iter().map(|&f| place(f)).collect()
    }

    fn node(&mut self, node: Node) -> usize {
        match self.nodes.iter().position(|n| *n == node) {
            Some(at) => at,
            None => {
                self.nodes.push(node);
                self.nodes.len() - 1
            }
        }
    }

    /// The goals.
    pub fn goals(&self) -> &[Goal] {
        &self.goals
    }

    /// All frequencies that are read.
    pub fn frequencies_hz(&self) -> &[f64] {
        &self.frequencies_hz
    }

    /// All nodes that are read.
    pub fn nodes(&self) -> &[Node] {
        &self.nodes
    }

    /// What becomes of each goal that reads the response; `squares[node][frequency]` are squared
    /// magnitudes of the gains. Ratings need [`Self::ratings`] and count as met here.
    pub fn outcomes(&self, squares: &[Vec<f64>]) -> Vec<Outcome> {
        self.each(squares).collect()
    }

    /// The sum of squares of what is missed, ratings left out.
    pub fn score(&self, squares: &[Vec<f64>]) -> f64 {
        self.each(squares).map(|o| o.miss_db() * o.miss_db()).sum()
    }

    fn each<'a>(&'a self, squares: &'a [Vec<f64>]) -> impl Iterator<Item = Outcome> + 'a {
        self.goals.iter().zip(&self.readings).map(move |(goal, reading)| {
            let level = |k: usize| 10.0 * squares[reading.to][reading.points[k]].log10();
            match goal {
                Goal::Corner { hz, edge, .. } => {
                    let found = self.corner(reading, squares, *edge);
                    let miss_db =
                        found.map_or(NO_CORNER_DB, |f| ((f / hz).log2() * DB_PER_OCTAVE).abs());
                    Outcome::Corner { hz: found, miss_db }
                }
                Goal::Down { against, at_least_db, at_most_db, .. } => {
                    let base = match against {
                        Against::Reference { .. } => level(1),
                        Against::Level { db } => *db,
                    };
                    let db = base - level(0);
                    let short = at_least_db.map_or(0.0, |least| (least - db).max(0.0));
                    let over = at_most_db.map_or(0.0, |most| (db - most).max(0.0));
                    Outcome::Down { db, miss_db: short.max(over) }
                }
                Goal::Match { band, levels_db, offset_allowed } => {
                    let levels: Vec<f64> = (0..reading.points.len()).map(level).collect();
                    let distance = band.distance(levels_db, &levels);
                    Outcome::Match { distance, miss_db: distance.goal_db(*offset_allowed) }
                }
                Goal::Rating { .. } => Outcome::Rating { watts: 0.0, volts: 0.0, miss_db: 0.0 },
            }
        })
    }

    /// The crossing of half power nearest to the highest point, on one side, by a straight line in
    /// dB over log frequency.
    fn corner(&self, reading: &Reading, squares: &[Vec<f64>], edge: Edge) -> Option<f64> {
        let points = &reading.points;
        let ratio = |k: usize| {
            let p = points[k];
            squares[reading.to][p] / reading.from.map_or(1.0, |n| squares[n][p])
        };
        let n = points.len();
        let top = (1..n).fold(0, |best, k| if ratio(k) > ratio(best) { k } else { best });
        let target = ratio(top) * HALF_POWER;
        let (outside, inside) = match edge {
            Edge::Low => (0..top).rev().find(|&k| ratio(k) < target).map(|k| (k, k + 1)),
            Edge::High => (top + 1..n).find(|&k| ratio(k) < target).map(|k| (k, k - 1)),
        }?;
        let (f0, f1) = (self.frequencies_hz[points[outside]], self.frequencies_hz[points[inside]]);
        let (r0, r1) = (ratio(outside).ln(), ratio(inside).ln());
        let share = (target.ln() - r0) / (r1 - r0);
        Some(f0 * (f1 / f0).powf(share))
    }

    /// What becomes of the ratings at an operating point.
    pub fn ratings(&self, point: Option<&OperatingPoint>) -> Vec<Option<Outcome>> {
        self.goals
            .iter()
            .map(|goal| {
                let Goal::Rating { part, watts, volts } = goal else { return None };
                let state = point.and_then(|p| p.part(part)).cloned().unwrap_or_default();
                let over = |is: f64, limit: Option<f64>| match limit {
                    Some(limit) if is.abs() > limit => {
                        RATING_DB + 20.0 * (is.abs() / limit).log10()
                    }
                    _ => 0.0,
                };
                let miss_db = over(state.watts, *watts).max(over(state.volts, *volts));
                Some(Outcome::Rating { watts: state.watts, volts: state.volts, miss_db })
            })
            .collect()
    }

    /// Whether any goal is about ratings.
    pub fn has_ratings(&self) -> bool {
        self.goals.iter().any(|g| matches!(g, Goal::Rating { .. }))
    }
}

/// Rising frequencies over the whole range, close together around a goal.
fn corner_grid(hz: f64) -> Vec<f64> {
    let [low, high] = CORNER_RANGE_HZ;
    let steps = ((high / low).log10() * COARSE_PER_DECADE).round() as usize;
    let fine = (FINE_OCTAVES * FINE_PER_OCTAVE) as i32;
    let mut grid: Vec<f64> =
        (0..=steps).map(|k| low * (high / low).powf(k as f64 / steps as f64)).collect();
    grid.extend((-fine..=fine).map(|k| hz * (f64::from(k) / FINE_PER_OCTAVE).exp2()));
    grid.sort_by(f64::total_cmp);
    grid.dedup();
    grid
}
