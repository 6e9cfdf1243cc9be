//! Many draws of one version, or of two.

use serde::Serialize;
use thiserror::Error;

use crate::analysis::trial::Bench;
use crate::circuit::{Circuit, CircuitError, LinearCircuit, Node, RestWorkspace};
use crate::parallel;

use super::bands::{Percentiles, percentiles};
use super::corner::{CornerPlan, corner_hz};
use super::draw::{Distribution, Tolerance, deviated, drawn};
use super::trim::{TrimPlan, TrimSpread, trimmed};

/// Fewest and most draws; the outer percentiles of fewer say nothing.
pub const DRAWS: [usize; 2] = [20, 1_000_000];

/// What cannot be drawn.
#[derive(Clone, Debug, Error, PartialEq)]
pub enum SpreadError {
    #[error("{draws} draws; give {} to {}", DRAWS[0], DRAWS[1])]
    Draws { draws: usize },
    #[error("at least two rising frequencies above 0 Hz are needed")]
    Frequencies,
    #[error("{lost} of {draws} draws have no operating point, the first of them because: {source}")]
    Lost { lost: usize, draws: usize, source: CircuitError },
    #[error(transparent)]
    Circuit(#[from] CircuitError),
}

/// One version to be drawn.
#[derive(Clone, Debug)]
pub struct Side {
    pub name: String,
    pub circuit: Circuit,
    pub source: String,
    pub output: Node,
    pub tolerances: Vec<Tolerance>,
    pub corners: Vec<CornerPlan>,
}

/// What is asked.
#[derive(Clone, Debug)]
pub struct Plan {
    pub before: Side,
    pub after: Option<Side>,
    /// Rising.
    pub frequencies_hz: Vec<f64>,
    pub draws: usize,
    pub seed: u64,
    pub distribution: Distribution,
    pub trim: Option<TrimPlan>,
}

/// A corner over the draws.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct CornerSpread {
    pub name: String,
    /// With every part at its value.
    pub nominal_hz: Option<f64>,
    /// Over the draws that have it.
    pub hz: Option<Percentiles>,
    /// Share of draws that have it.
    pub found: f64,
}

/// One version over the draws.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct SideSpread {
    pub name: String,
    /// With every part at its value, dB.
    pub nominal_db: Vec<f64>,
    pub bands_db: Vec<Percentiles>,
    /// With every part at that end of its tolerance which lowers, or raises, the level at the
    /// frequency: the corner case, which no amp is likely to be.
    pub worst_db: Vec<[f64; 2]>,
    pub corners: Vec<CornerSpread>,
}

/// The change from before to after over the draws.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ChangeSpread {
    /// After minus before, dB, with every part at its value.
    pub nominal_db: Vec<f64>,
    /// After minus before in one and the same amp.
    pub bands_db: Vec<Percentiles>,
    /// Half the width from 5 to 95 % of the level before: what the parts' own spread amounts to.
    pub own_spread_db: Vec<f64>,
    /// Share of draws in which the change is larger than that.
    pub exceeds: Vec<f64>,
    pub trim: Option<TrimSpread>,
}

/// The answer.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Spread {
    pub draws: usize,
    pub seed: u64,
    pub distribution: Distribution,
    pub frequencies_hz: Vec<f64>,
    pub before: SideSpread,
    pub after: Option<SideSpread>,
    pub change: Option<ChangeSpread>,
}

/// One draw of one version.
#[derive(Clone, Debug)]
struct Drawn {
    levels_db: Vec<f64>,
    corners_hz: Vec<Option<f64>>,
}

/// A version, solved with every part at its value.
struct Stand<'a> {
    side: &'a Side,
    bench: Bench,
    /// All nodes that are read, the output first.
    nodes: Vec<Node>,
    frequencies_hz: &'a [f64],
}

impl<'a> Stand<'a> {
    fn new(side: &'a Side, frequencies_hz: &'a [f64]) -> Result<Self, CircuitError> {
        let bench = Bench::new(&side.circuit, &side.source, side.output)?;
        let mut nodes = vec![side.output];
        for c in &side.corners {
            nodes.extend(c.from);
            nodes.push(c.to);
        }
        nodes.dedup();
        Ok(Self { side, bench, nodes, frequencies_hz })
    }

    fn read(&self, linear: &LinearCircuit) -> Result<Drawn, CircuitError> {
        let gains = linear.gains(&self.side.source, &self.nodes, self.frequencies_hz)?;
        let level = |node: Node| -> Vec<f64> {
            let at = self.nodes.iter().position(|n| *n == node).unwrap_or(0);
            gains[at].iter().map(|g| 10.0 * g.norm_sqr().max(f64::MIN_POSITIVE).log10()).collect()
        };
        let corners_hz = self
            .side
            .corners
            .iter()
            .map(|plan| {
                let mut levels = level(plan.to);
                if let Some(from) = plan.from {
                    levels.iter_mut().zip(level(from)).for_each(|(to, from)| *to -= from);
                }
                corner_hz(self.frequencies_hz, &levels, plan)
            })
            .collect();
        Ok(Drawn { levels_db: level(self.side.output), corners_hz })
    }

    fn solved(
        &self,
        circuit: &Circuit,
        workspace: &mut Option<RestWorkspace>,
    ) -> Result<Drawn, CircuitError> {
        self.read(&self.bench.solved_again(circuit, workspace)?)
    }

    /// The corner case at each frequency, exact for the ends that the slopes point to.
    fn worst(&self, nominal: &Drawn) -> Result<Vec<[f64; 2]>, CircuitError> {
        let tolerances = &self.side.tolerances;
        let slopes = parallel::numbers_with(
            tolerances.len(),
            || self.bench.workspace(),
            |workspace, part| {
                // A small step: the sign of the slope is what counts.
                let step = |i: usize, _: &Tolerance| if i == part { 0.1 } else { 0.0 };
                let moved = deviated(&self.side.circuit, tolerances, step)?;
                let there = self.solved(&moved, workspace)?;
                let pairs = there.levels_db.iter().zip(&nominal.levels_db);
                Ok(pairs.map(|(there, here)| there - here).collect())
            },
        );
        let slopes = slopes.into_iter().collect::<Result<Vec<Vec<f64>>, CircuitError>>()?;
        let worst = parallel::numbers_with(
            self.frequencies_hz.len(),
            || self.bench.workspace(),
            |workspace, k| {
                let mut ends = [0.0; 2];
                for (end, direction) in ends.iter_mut().zip([-1.0, 1.0]) {
                    let toward = |i: usize, _: &Tolerance| direction * slopes[i][k].signum();
                    let circuit = deviated(&self.side.circuit, tolerances, toward)?;
                    let linear = self.bench.solved_again(&circuit, workspace)?;
                    let transfer = linear.transfer(&self.side.source, self.side.output)?;
                    let gain = transfer.gain(self.frequencies_hz[k])?;
                    *end = 10.0 * gain.norm_sqr().max(f64::MIN_POSITIVE).log10();
                }
                Ok(ends)
            },
        );
        worst.into_iter().collect()
    }

    fn spread(&self, nominal: &Drawn, draws: &[&Drawn]) -> Result<SideSpread, CircuitError> {
        let bands_db = columns(draws.iter().map(|d| d.levels_db.as_slice()).collect());
        let corners = self
            .side
            .corners
            .iter()
            .enumerate()
            .map(|(k, plan)| {
                let found: Vec<f64> = draws.iter().filter_map(|d| d.corners_hz[k]).collect();
                CornerSpread {
                    name: plan.name.clone(),
                    nominal_hz: nominal.corners_hz[k],
                    found: found.len() as f64 / draws.len() as f64,
                    hz: percentiles(found),
                }
            })
            .collect();
        Ok(SideSpread {
            name: self.side.name.clone(),
            nominal_db: nominal.levels_db.clone(),
            bands_db,
            worst_db: self.worst(nominal)?,
            corners,
        })
    }
}

/// Percentiles at each frequency of many curves.
fn columns(curves: Vec<&[f64]>) -> Vec<Percentiles> {
    let points = curves.first().map_or(0, |c| c.len());
    parallel::numbers(points, |k| {
        percentiles(curves.iter().map(|c| c[k]).collect()).unwrap_or_default()
    })
}

/// Draws the versions, the same parts with the same luck in both.
///
/// # Errors
/// [`SpreadError`].
pub fn spread(plan: &Plan, tick: &(dyn Fn() + Sync)) -> Result<Spread, SpreadError> {
    if !(DRAWS[0]..=DRAWS[1]).contains(&plan.draws) {
        return Err(SpreadError::Draws { draws: plan.draws });
    }
    let f = &plan.frequencies_hz;
    if f.len() < 2 || f[0] <= 0.0 || f[0].is_nan() || !f.windows(2).all(|p| p[0] < p[1]) {
        return Err(SpreadError::Frequencies);
    }
    let before = Stand::new(&plan.before, f)?;
    let after = plan.after.as_ref().map(|a| Stand::new(a, f)).transpose()?;
    let stands: Vec<&Stand> = std::iter::once(&before).chain(after.as_ref()).collect();
    let nominal: Vec<Drawn> =
        stands.iter().map(|s| s.read(s.bench.linear())).collect::<Result<_, _>>()?;
    let all: Vec<Result<Vec<Drawn>, CircuitError>> = parallel::numbers_with(
        plan.draws,
        || stands.iter().map(|s| s.bench.workspace()).collect::<Vec<_>>(),
        |workspaces, draw| {
            let one = stands
                .iter()
                .zip(workspaces)
                .map(|(stand, workspace)| {
                    let s = stand.side;
                    let circuit = drawn(
                        &s.circuit,
                        &s.tolerances,
                        plan.distribution,
                        plan.seed,
                        draw as u64,
                    )?;
                    stand.solved(&circuit, workspace)
                })
                .collect();
            tick();
            one
        },
    );
    // An amp that does not bias up at all is worth an error rather than a gap in the percentiles.
    let lost = all.iter().filter(|d| d.is_err()).count();
    if let Some(Err(source)) = all.iter().find(|d| d.is_err()) {
        return Err(SpreadError::Lost { lost, draws: plan.draws, source: source.clone() });
    }
    let all: Vec<Vec<Drawn>> = all.into_iter().flatten().collect();
    let of = |side: usize| all.iter().map(|d| &d[side]).collect::<Vec<&Drawn>>();
    let before_draws = of(0);
    let before_spread = before.spread(&nominal[0], &before_draws)?;
    let (after_spread, change) = match &after {
        None => (None, None),
        Some(after) => {
            let after_draws = of(1);
            let pairs: Vec<[&[f64]; 2]> = before_draws
                .iter()
                .zip(&after_draws)
                .map(|(b, a)| [b.levels_db.as_slice(), a.levels_db.as_slice()])
                .collect();
            let levels = [nominal[0].levels_db.as_slice(), nominal[1].levels_db.as_slice()];
            let change = changed(plan, levels, &pairs, &before_spread.bands_db);
            (Some(after.spread(&nominal[1], &after_draws)?), Some(change))
        }
    };
    Ok(Spread {
        draws: plan.draws,
        seed: plan.seed,
        distribution: plan.distribution,
        frequencies_hz: f.clone(),
        before: before_spread,
        after: after_spread,
        change,
    })
}

fn changed(
    plan: &Plan,
    nominal: [&[f64]; 2],
    pairs: &[[&[f64]; 2]],
    before: &[Percentiles],
) -> ChangeSpread {
    let minus = |[b, a]: [&[f64]; 2]| -> Vec<f64> { a.iter().zip(b).map(|(a, b)| a - b).collect() };
    let changes: Vec<Vec<f64>> = pairs.iter().map(|p| minus(*p)).collect();
    let own_spread_db: Vec<f64> = before.iter().map(|p| 0.5 * (p.p95 - p.p5)).collect();
    let exceeds = own_spread_db
        .iter()
        .enumerate()
        .map(|(k, own)| {
            changes.iter().filter(|c| c[k].abs() > *own).count() as f64 / changes.len() as f64
        })
        .collect();
    ChangeSpread {
        nominal_db: minus(nominal),
        bands_db: columns(changes.iter().map(Vec::as_slice).collect()),
        own_spread_db,
        exceeds,
        trim: plan.trim.as_ref().map(|t| trimmed(t, &plan.frequencies_hz, nominal, pairs)),
    }
}
