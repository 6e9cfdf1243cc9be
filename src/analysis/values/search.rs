//! The search over values: every combination where that is few enough, else one part after the other
//! from many starts.

use std::collections::BTreeMap;

use serde::Serialize;
use thiserror::Error;

use crate::analysis::dials::{value_of, with_value};
use crate::analysis::trial::{Bench, added, ports};
use crate::circuit::{
    Circuit, CircuitError, Kind, LinearCircuit, Multiport, Node, OperatingPoint, Port,
};
use crate::parallel;
use crate::random::{Counter, unit};

use super::goal::{Goal, Goals, Outcome};

/// A part and the values it may take.
#[derive(Clone, Debug, PartialEq)]
pub struct Choice {
    pub part: String,
    /// In SI units.
    pub values: Vec<f64>,
}

/// What cannot be searched.
#[derive(Clone, Debug, Error, PartialEq)]
pub enum SearchError {
    #[error("no part is named whose values are to be searched")]
    NoParts,
    #[error("no goal is given")]
    NoGoals,
    #[error(
        "part {part} has no value to search; resistors, capacitors, inductors and pots have one"
    )]
    NoValue { part: String },
    #[error("there is no standard value of part {part} in the range given")]
    NoCandidates { part: String },
    #[error(transparent)]
    Circuit(#[from] CircuitError),
}

/// How the answers were found.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(tag = "method", rename_all = "snake_case")]
pub enum Method {
    /// Every combination: nothing better exists among them.
    Exhaustive { combinations: usize },
    /// One part after the other, from several starts, until none of them alone helps: a better
    /// combination may exist.
    Coordinates { combinations: usize, starts: usize, tried: usize },
}

/// One answer.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Answer {
    /// In the order of the choices, in SI units.
    pub values: Vec<f64>,
    /// Root of the sum of squares of what is missed: 0 where every goal is met.
    pub miss_db: f64,
    /// In the order of the goals, from the whole circuit solved anew with these values.
    pub outcomes: Vec<Outcome>,
}

/// All answers, the best first.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Answers {
    #[serde(flatten)]
    pub method: Method,
    pub answers: Vec<Answer>,
    /// What the circuit does as it is.
    pub now: Answer,
}

/// Combinations of the parts that move the operating point, each of which is solved anew.
const MOST_SOLVED: usize = 16_000;
/// Combinations in all.
const MOST_TRIED: usize = 4_000_000;
const STARTS: usize = 24;
const MOST_ROUNDS: usize = 50;

/// A part being searched.
#[derive(Clone, Debug)]
struct Part {
    name: String,
    kind: Kind,
    values: Vec<f64>,
    /// Place among the choices.
    choice: usize,
}

/// A search, ready to run.
#[derive(Clone, Debug)]
pub struct Search {
    bench: Bench,
    goals: Goals,
    /// Parts that move the operating point, then those that do not.
    movers: Vec<Part>,
    others: Vec<Part>,
    present: Vec<f64>,
}

impl Search {
    /// Prepares a search on a circuit between a source and a node.
    ///
    /// # Errors
    /// [`SearchError`].
    pub fn new(
        circuit: &Circuit,
        source: &str,
        output: Node,
        choices: &[Choice],
        goals: Vec<Goal>,
    ) -> Result<Self, SearchError> {
        if choices.is_empty() {
            return Err(SearchError::NoParts);
        }
        if goals.is_empty() {
            return Err(SearchError::NoGoals);
        }
        let bench = Bench::new(circuit, source, output)?;
        let (mut movers, mut others, mut present) = (Vec::new(), Vec::new(), Vec::new());
        for (choice, c) in choices.iter().enumerate() {
            let missing = || CircuitError::UnknownPart { part: c.part.clone() };
            let kind = bench.circuit().part(&c.part).ok_or_else(missing)?.kind.clone();
            let now = match &kind {
                Kind::Inductor { henries, .. } => Some(*henries),
                other => value_of(other),
            };
            present.push(now.ok_or_else(|| SearchError::NoValue { part: c.part.clone() })?);
            if c.values.is_empty() {
                return Err(SearchError::NoCandidates { part: c.part.clone() });
            }
            let part = Part { name: c.part.clone(), kind, values: c.values.clone(), choice };
            if bench.keeps_bias(&c.part) { others.push(part) } else { movers.push(part) }
        }
        Ok(Self { bench, goals: Goals::new(goals, output), movers, others, present })
    }

    /// Number of combinations.
    pub fn combinations(&self) -> usize {
        let all = self.movers.iter().chain(&self.others);
        all.fold(1, |n: usize, p| n.saturating_mul(p.values.len()))
    }

    fn solved_combinations(&self) -> usize {
        self.movers.iter().fold(1, |n: usize, p| n.saturating_mul(p.values.len()))
    }

    /// Whether every combination will be tried.
    pub fn is_exhaustive(&self) -> bool {
        self.solved_combinations() <= MOST_SOLVED && self.combinations() <= MOST_TRIED
    }

    /// Steps that [`Self::run`] reports through its `tick`.
    pub fn steps(&self) -> usize {
        if self.is_exhaustive() { self.chunks().len() } else { STARTS }
    }

    /// Searches; the best `count` answers.
    ///
    /// # Errors
    /// As [`Bench::with_values`] for the answers; trials without an operating point are passed over.
    pub fn run(&self, count: usize, tick: &(dyn Fn() + Sync)) -> Result<Answers, SearchError> {
        let (method, found) = if self.is_exhaustive() {
            let combinations = self.combinations();
            (Method::Exhaustive { combinations }, self.every_one(count, tick))
        } else {
            self.coordinates(count, tick)
        };
        let answers = found
            .into_iter()
            .map(|trial| self.answer(&self.values_of(&trial.places)))
            .collect::<Result<Vec<_>, _>>()?;
        let mut answers: Vec<Answer> = answers;
        // Figures from the full circuit may differ in the last digits from those of the search.
        answers.sort_by(|a, b| a.miss_db.total_cmp(&b.miss_db));
        Ok(Answers { method, answers, now: self.answer(&self.present)? })
    }

    /// The values of the choices at places in the lists of movers and others.
    fn values_of(&self, places: &[usize]) -> Vec<f64> {
        let mut values = vec![0.0; places.len()];
        for (part, &place) in self.movers.iter().chain(&self.others).zip(places) {
            values[part.choice] = part.values[place];
        }
        values
    }

    /// What the whole circuit does with some values, solved anew.
    ///
    /// # Errors
    /// As [`OperatingPoint::solve`] and [`LinearCircuit::gains`].
    pub fn answer(&self, values: &[f64]) -> Result<Answer, SearchError> {
        let mut circuit = self.bench.circuit().clone();
        for part in self.movers.iter().chain(&self.others) {
            circuit.replace(&part.name, with_value(&part.kind, values[part.choice]))?;
        }
        let point = self.bench.point().map(|_| OperatingPoint::solve(&circuit)).transpose()?;
        let linear = match &point {
            Some(point) => LinearCircuit::new(&circuit, point)?,
            None => LinearCircuit::of(&circuit)?,
        };
        let squares = self.squares(&linear)?;
        let mut outcomes = self.goals.outcomes(&squares);
        for (outcome, rating) in outcomes.iter_mut().zip(self.goals.ratings(point.as_ref())) {
            if let Some(rating) = rating {
                *outcome = rating;
            }
        }
        let miss: f64 = outcomes.iter().map(|o| o.miss_db() * o.miss_db()).sum();
        Ok(Answer { values: values.to_vec(), miss_db: miss.sqrt(), outcomes })
    }

    fn squares(&self, linear: &LinearCircuit) -> Result<Vec<Vec<f64>>, CircuitError> {
        let gains =
            linear.gains(self.bench.source(), self.goals.nodes(), self.goals.frequencies_hz())?;
        Ok(gains.iter().map(|g| g.iter().map(|v| v.norm_sqr()).collect()).collect())
    }

    /// What a combination of the movers leaves: the circuit seen from the other parts, and what its
    /// ratings miss. `None` where it cannot be solved.
    fn solved(&self, places: &[usize]) -> Option<(Multiport, f64)> {
        let all: Vec<Port> = self.others.iter().flat_map(|p| ports(&p.name, &p.kind)).collect();
        let see = |linear: &LinearCircuit| {
            let (source, nodes) = (self.bench.source(), self.goals.nodes());
            Multiport::at_frequencies(linear, source, nodes, &all, self.goals.frequencies_hz()).ok()
        };
        let missed = |point: Option<&OperatingPoint>| -> f64 {
            let ratings = self.goals.ratings(point);
            ratings.iter().flatten().map(|o| o.miss_db() * o.miss_db()).sum()
        };
        if self.movers.is_empty() {
            return Some((see(self.bench.linear())?, missed(self.bench.point())));
        }
        let mut circuit = self.bench.circuit().clone();
        for (part, &place) in self.movers.iter().zip(places) {
            circuit.replace(&part.name, with_value(&part.kind, part.values[place])).ok()?;
        }
        if self.goals.has_ratings() {
            let point = OperatingPoint::solve(&circuit).ok()?;
            let linear = LinearCircuit::new(&circuit, &point).ok()?;
            return Some((see(&linear)?, missed(Some(&point))));
        }
        let mut workspace = self.bench.workspace();
        Some((see(&self.bench.solved_again(&circuit, &mut workspace).ok()?)?, 0.0))
    }

    /// Pieces of the whole for the workers: places of all movers and of the last other part.
    fn chunks(&self) -> Vec<Vec<usize>> {
        let mut chunks = vec![Vec::new()];
        for part in &self.movers {
            chunks = chunks
                .iter()
                .flat_map(|c| (0..part.values.len()).map(move |k| [c.as_slice(), &[k]].concat()))
                .collect();
        }
        chunks
    }

    fn every_one(&self, count: usize, tick: &(dyn Fn() + Sync)) -> Vec<Trial> {
        let lists: Vec<Vec<Trial>> = parallel::map(&self.chunks(), |movers| {
            let mut best = Best { count, trials: Vec::new() };
            if let Some((multiport, missed)) = self.solved(movers) {
                best = self.all_others(movers, &multiport, missed, count);
            }
            tick();
            best.trials
        });
        let mut best = Best { count, trials: Vec::new() };
        lists.into_iter().flatten().for_each(|t| best.offer(t));
        best.trials
    }

    /// Every combination of the parts that leave the operating point alone; the last of them is
    /// shared out among the workers.
    fn all_others(
        &self,
        movers: &[usize],
        multiport: &Multiport,
        missed: f64,
        count: usize,
    ) -> Best {
        let depth = self.others.len();
        let Some(last) = self.others.last() else {
            let mut best = Best { count, trials: Vec::new() };
            let mut squares = vec![vec![0.0; multiport.points()]; self.goals.nodes().len()];
            best.offer(self.judged(movers.to_vec(), multiport, missed, &mut squares));
            return best;
        };
        let lists: Vec<Vec<Trial>> = parallel::numbers(last.values.len(), |place| {
            let mut walk = Walk {
                search: self,
                missed,
                places: [movers, &vec![0; depth]].concat(),
                levels: vec![Multiport::default(); depth],
                spare: Multiport::default(),
                squares: vec![vec![0.0; multiport.points()]; self.goals.nodes().len()],
                best: Best { count, trials: Vec::new() },
            };
            walk.take(multiport, depth - 1, place);
            walk.best.trials
        });
        let mut best = Best { count, trials: Vec::new() };
        lists.into_iter().flatten().for_each(|t| best.offer(t));
        best
    }

    fn judged(
        &self,
        places: Vec<usize>,
        multiport: &Multiport,
        missed: f64,
        squares: &mut [Vec<f64>],
    ) -> Trial {
        for (node, squares) in squares.iter_mut().enumerate() {
            multiport.squares_into(node, squares);
        }
        let score = self.goals.score(squares) + missed;
        let moved = self.moved(&places);
        Trial { score: if score.is_finite() { score } else { f64::MAX }, moved, places }
    }

    /// How far the values are from those that are there: of equal answers the one that changes least.
    fn moved(&self, places: &[usize]) -> f64 {
        let parts = self.movers.iter().chain(&self.others);
        parts.zip(places).map(|(p, &k)| (p.values[k] / self.present[p.choice]).ln().abs()).sum()
    }

    /// One part after the other: all its values with the rest held, the best kept, round after round.
    fn coordinates(&self, count: usize, tick: &(dyn Fn() + Sync)) -> (Method, Vec<Trial>) {
        let parts: Vec<&Part> = self.movers.iter().chain(&self.others).collect();
        let runs: Vec<BTreeMap<Vec<usize>, Trial>> = parallel::numbers(STARTS, |start| {
            let mut seen = BTreeMap::new();
            let mut at: Vec<usize> = parts
                .iter()
                .map(|p| match start {
                    0 => nearest_place(&p.values, self.present[p.choice]),
                    _ => {
                        let draw = Counter::new(0, start as u64).named(&p.name);
                        ((unit(draw) * p.values.len() as f64) as usize).min(p.values.len() - 1)
                    }
                })
                .collect();
            for _ in 0..MOST_ROUNDS {
                let before = at.clone();
                for k in 0..parts.len() {
                    at = self.best_along(&at, k, &mut seen);
                }
                if at == before {
                    break;
                }
            }
            tick();
            seen
        });
        let mut known = BTreeMap::new();
        runs.into_iter().for_each(|r| known.extend(r));
        let method = Method::Coordinates {
            combinations: self.combinations(),
            starts: STARTS,
            tried: known.len(),
        };
        let mut best = Best { count, trials: Vec::new() };
        known.into_values().for_each(|t| best.offer(t));
        (method, best.trials)
    }

    fn best_along(
        &self,
        at: &[usize],
        coordinate: usize,
        seen: &mut BTreeMap<Vec<usize>, Trial>,
    ) -> Vec<usize> {
        let movers = self.movers.len();
        let along = if coordinate < movers {
            &self.movers[coordinate]
        } else {
            &self.others[coordinate - movers]
        };
        // One solution serves all values of a part that leaves the operating point alone.
        let shared = (coordinate >= movers).then(|| self.solved(&at[..movers])).flatten();
        let mut best: Option<Trial> = None;
        for place in 0..along.values.len() {
            let mut places = at.to_vec();
            places[coordinate] = place;
            let trial = match seen.get(&places) {
                Some(trial) => trial.clone(),
                None => {
                    let own = if shared.is_none() { self.solved(&places[..movers]) } else { None };
                    let trial = match shared.as_ref().or(own.as_ref()) {
                        Some((multiport, missed)) => self.full(places.clone(), multiport, *missed),
                        None => Trial { score: f64::MAX, moved: 0.0, places: places.clone() },
                    };
                    seen.insert(places, trial.clone());
                    trial
                }
            };
            if best.as_ref().is_none_or(|b| trial.before(b)) {
                best = Some(trial);
            }
        }
        best.map_or_else(|| at.to_vec(), |b| b.places)
    }

    /// One combination through a multiport.
    fn full(&self, places: Vec<usize>, multiport: &Multiport, missed: f64) -> Trial {
        let movers = self.movers.len();
        let changes: Vec<_> = self
            .others
            .iter()
            .zip(&places[movers..])
            .flat_map(|(p, &k)| {
                added(&p.kind, &with_value(&p.kind, p.values[k])).collect::<Vec<_>>()
            })
            .collect();
        let done = multiport.with(&changes);
        let mut squares = vec![vec![0.0; done.points()]; self.goals.nodes().len()];
        self.judged(places, &done, missed, &mut squares)
    }
}

fn nearest_place(values: &[f64], to: f64) -> usize {
    let away = |v: f64| (v / to).ln().abs();
    (1..values.len()).fold(0, |b, k| if away(values[k]) < away(values[b]) { k } else { b })
}

/// The nested loops over parts that leave the operating point alone: one part put in at each depth.
struct Walk<'a> {
    search: &'a Search,
    missed: f64,
    places: Vec<usize>,
    /// What is left at each depth.
    levels: Vec<Multiport>,
    spare: Multiport,
    squares: Vec<Vec<f64>>,
    best: Best,
}

impl Walk<'_> {
    /// Puts the part at `depth` in with one of its values, then goes through all parts before it.
    fn take(&mut self, from: &Multiport, depth: usize, place: usize) {
        let search = self.search;
        let part = &search.others[depth];
        self.places[search.movers.len() + depth] = place;
        let mut level = std::mem::take(&mut self.levels[depth]);
        let to = with_value(&part.kind, part.values[place]);
        let changes: Vec<_> = added(&part.kind, &to).collect();
        let mut first = true;
        for &change in changes.iter().rev() {
            if first {
                from.absorb_into(change, &mut level);
            } else {
                level.absorb_into(change, &mut self.spare);
                std::mem::swap(&mut level, &mut self.spare);
            }
            first = false;
        }
        if depth == 0 {
            let places = self.places.clone();
            let trial = search.judged(places, &level, self.missed, &mut self.squares);
            self.best.offer(trial);
        } else {
            for place in 0..search.others[depth - 1].values.len() {
                self.take(&level, depth - 1, place);
            }
        }
        self.levels[depth] = level;
    }
}

#[derive(Clone, Debug)]
struct Trial {
    score: f64,
    moved: f64,
    places: Vec<usize>,
}

impl Trial {
    /// A total order: by score, then by how little is changed, then by place.
    fn before(&self, other: &Self) -> bool {
        let order = self.score.total_cmp(&other.score);
        order
            .then(self.moved.total_cmp(&other.moved))
            .then_with(|| self.places.cmp(&other.places))
            .is_lt()
    }
}

/// The best few.
#[derive(Clone, Debug)]
struct Best {
    count: usize,
    trials: Vec<Trial>,
}

impl Best {
    fn offer(&mut self, trial: Trial) {
        if self.trials.len() >= self.count {
            match self.trials.last() {
                Some(last) if trial.before(last) => {}
                _ => return,
            }
        }
        let at = self.trials.partition_point(|t| t.before(&trial));
        self.trials.insert(at, trial);
        self.trials.truncate(self.count);
    }
}
