//! The positions of some knobs that come closest to a response.
//!
//! The whole travel of all knobs is looked at on a grid first, so that no basin is missed that is wider
//! than a step of it; the best basins are then followed down, one knob by golden section
//! (J. Kiefer, "Sequential minimax search for a maximum", Proc. AMS 4(3), 1953), several by
//! damped Gauss-Newton steps within the travel (D. Marquardt, "An algorithm for least-squares
//! estimation of nonlinear parameters", J. SIAM 11(2), 1963). No chance is involved.

use nalgebra::{DMatrix, DVector};

use crate::circuit::CircuitError;
use crate::parallel;

use super::band::{Band, Distance};
use super::dialled::{Dialled, Scratch};

/// Most knobs that can be free at once.
pub const MOST_FREE: usize = 4;
/// Grid points along each knob, by the number of free knobs.
const GRID: [usize; MOST_FREE + 1] = [1, 161, 41, 21, 11];
/// Basins that are followed down.
const BASINS: usize = 6;
const GOLDEN_STEPS: usize = 44;
const DAMPED_STEPS: usize = 40;
/// Difference quotients are taken over this share of the rotation.
const QUOTIENT_TURN: f64 = 1e-5;

/// Where knobs come closest, and how close.
#[derive(Clone, Debug, PartialEq)]
pub struct Closest {
    /// Share of the rotation of each free knob.
    pub turns: Vec<f64>,
    pub distance: Distance,
}

/// The responses of a circuit over the travel of all its knobs.
#[derive(Clone, Debug)]
pub struct Atlas<'a> {
    dialled: &'a Dialled,
    band: &'a Band,
    /// Points along each knob.
    side: usize,
    /// Levels of all grid points, one after the other.
    levels_db: Vec<f64>,
}

impl<'a> Atlas<'a> {
    /// Takes the responses; the frequencies of `dialled` must be those of `band`.
    ///
    /// # Errors
    /// As [`Dialled::levels_into`].
    pub fn new(dialled: &'a Dialled, band: &'a Band) -> Result<Self, CircuitError> {
        let knobs = dialled.knobs().len();
        let side = GRID[knobs.min(MOST_FREE)];
        let count = side.pow(knobs as u32);
        let levels = parallel::numbers_with(count, Scratch::default, |scratch, index| {
            let mut levels = Vec::new();
            dialled.levels_into(&grid_turns(index, knobs, side), scratch, &mut levels)?;
            Ok(levels)
        });
        let levels = levels.into_iter().collect::<Result<Vec<Vec<f64>>, CircuitError>>()?;
        Ok(Self { dialled, band, side, levels_db: levels.concat() })
    }

    /// The circuit whose knobs are free.
    pub fn dialled(&self) -> &'a Dialled {
        self.dialled
    }

    /// The positions that come closest to a response, over all travel.
    ///
    /// # Errors
    /// As [`Dialled::levels_into`].
    pub fn closest(
        &self,
        target_db: &[f64],
        offset_allowed: bool,
    ) -> Result<Closest, CircuitError> {
        let n = self.band.frequencies_hz().len();
        let knobs = self.dialled.knobs().len();
        let goals: Vec<f64> = self
            .levels_db
            .chunks_exact(n)
            .map(|levels| self.band.distance(target_db, levels).goal_db(offset_allowed))
            .collect();
        let mut starts: Vec<usize> =
            (0..goals.len()).filter(|&i| self.is_lowest_around(&goals, i, knobs)).collect();
        starts.sort_by(|&a, &b| goals[a].total_cmp(&goals[b]).then(a.cmp(&b)));
        starts.truncate(BASINS);
        let mut scratch = Scratch::default();
        let mut aim = self.aim(target_db, offset_allowed, &mut scratch);
        let mut best: Option<Closest> = None;
        for start in starts {
            let turns = grid_turns(start, knobs, self.side);
            let found = match knobs {
                0 => aim.at(&turns)?,
                1 => aim.golden(turns[0], 1.0 / (self.side - 1) as f64)?,
                _ => aim.damped(turns)?,
            };
            let goal = |c: &Closest| c.distance.goal_db(offset_allowed);
            // A later basin must be better by more than rounding: equal ones go to the first.
            if best.as_ref().is_none_or(|b| goal(&found) < goal(b) - 1e-9) {
                best = Some(found);
            }
        }
        match best {
            Some(best) => Ok(best),
            None => aim.at(&vec![0.5; knobs]),
        }
    }

    /// How far one knob can be turned to either side before the distance grows by `more_db`, the
    /// other knobs held: the range in which a hand need not be exact.
    ///
    /// # Errors
    /// As [`Dialled::levels_into`].
    pub fn slack(
        &self,
        target_db: &[f64],
        offset_allowed: bool,
        at: &Closest,
        knob: usize,
        more_db: f64,
    ) -> Result<[f64; 2], CircuitError> {
        let mut scratch = Scratch::default();
        let mut aim = self.aim(target_db, offset_allowed, &mut scratch);
        let limit = at.distance.goal_db(offset_allowed) + more_db;
        let mut ends = [0.0; 2];
        for (end, direction) in ends.iter_mut().zip([-1.0, 1.0]) {
            let start = at.turns[knob];
            let mut inside = start;
            let mut outside = None;
            let mut step = 1.0 / 64.0;
            while outside.is_none() {
                let next = (inside + direction * step).clamp(0.0, 1.0);
                let mut turns = at.turns.clone();
                turns[knob] = next;
                if aim.at(&turns)?.distance.goal_db(offset_allowed) > limit {
                    outside = Some(next);
                } else {
                    inside = next;
                    if next == 0.0 || next == 1.0 {
                        break;
                    }
                    step = (step * 1.5).min(0.1);
                }
            }
            if let Some(mut outside) = outside {
                for _ in 0..12 {
                    let mut turns = at.turns.clone();
                    turns[knob] = 0.5 * (inside + outside);
                    if aim.at(&turns)?.distance.goal_db(offset_allowed) > limit {
                        outside = turns[knob];
                    } else {
                        inside = turns[knob];
                    }
                }
            }
            *end = inside;
        }
        Ok(ends)
    }

    fn aim<'b>(
        &'b self,
        target_db: &'b [f64],
        offset_allowed: bool,
        scratch: &'b mut Scratch,
    ) -> Aim<'b> {
        Aim { dialled: self.dialled, band: self.band, target_db, offset_allowed, scratch }
    }

    /// Whether no neighbour along any knob is lower.
    fn is_lowest_around(&self, goals: &[f64], index: usize, knobs: usize) -> bool {
        let mut stride = 1;
        for _ in 0..knobs {
            let place = index / stride % self.side;
            let lower = |other: usize| goals[other] < goals[index];
            if (place > 0 && lower(index - stride))
                || (place + 1 < self.side && lower(index + stride))
            {
                return false;
            }
            stride *= self.side;
        }
        true
    }
}

fn grid_turns(mut index: usize, knobs: usize, side: usize) -> Vec<f64> {
    (0..knobs)
        .map(|_| {
            let place = index % side;
            index /= side;
            place as f64 / (side - 1) as f64
        })
        .collect()
}

/// From one start downhill: for trials that differ little from one whose closest is known.
///
/// # Errors
/// As [`Dialled::levels_into`].
pub fn follow(
    dialled: &Dialled,
    band: &Band,
    target_db: &[f64],
    offset_allowed: bool,
    start: &[f64],
) -> Result<Closest, CircuitError> {
    let mut scratch = Scratch::default();
    Aim { dialled, band, target_db, offset_allowed, scratch: &mut scratch }.damped(start.to_vec())
}

struct Aim<'b> {
    dialled: &'b Dialled,
    band: &'b Band,
    target_db: &'b [f64],
    offset_allowed: bool,
    scratch: &'b mut Scratch,
}

impl Aim<'_> {
    fn at(&mut self, turns: &[f64]) -> Result<Closest, CircuitError> {
        let mut levels = Vec::new();
        self.dialled.levels_into(turns, self.scratch, &mut levels)?;
        let distance = self.band.distance(self.target_db, &levels);
        Ok(Closest { turns: turns.to_vec(), distance })
    }

    /// One knob: golden section in the two grid steps around a start, its ends included.
    fn golden(&mut self, start: f64, step: f64) -> Result<Closest, CircuitError> {
        let (mut low, mut high) = ((start - step).max(0.0), (start + step).min(1.0));
        let ratio = (5.0f64.sqrt() - 1.0) / 2.0;
        let ends = [self.at(&[low])?, self.at(&[high])?, self.at(&[start])?];
        let mut left = self.at(&[high - ratio * (high - low)])?;
        let mut right = self.at(&[low + ratio * (high - low)])?;
        let allowed = self.offset_allowed;
        let goal = |c: &Closest| c.distance.goal_db(allowed);
        for _ in 0..GOLDEN_STEPS {
            if goal(&left) <= goal(&right) {
                high = right.turns[0];
                right = left;
                left = self.at(&[high - ratio * (high - low)])?;
            } else {
                low = left.turns[0];
                left = right;
                right = self.at(&[low + ratio * (high - low)])?;
            }
        }
        let mut best = if goal(&left) <= goal(&right) { left } else { right };
        for end in ends {
            if goal(&end) < goal(&best) {
                best = end;
            }
        }
        Ok(best)
    }

    /// The weighted differences whose squares sum to the goal's square.
    fn differences(&mut self, turns: &[f64]) -> Result<DVector<f64>, CircuitError> {
        let mut levels = Vec::new();
        self.dialled.levels_into(turns, self.scratch, &mut levels)?;
        let weights = self.band.weights();
        let mean = if self.offset_allowed {
            self.band.distance(self.target_db, &levels).level_db
        } else {
            0.0
        };
        let of = |k: usize| weights[k].sqrt() * (levels[k] - self.target_db[k] - mean);
        Ok(DVector::from_fn(levels.len(), |k, _| of(k)))
    }

    /// Several knobs: damped Gauss-Newton steps; a knob at an end that wants beyond it is held there.
    fn damped(&mut self, mut turns: Vec<f64>) -> Result<Closest, CircuitError> {
        let knobs = turns.len();
        let mut now = self.differences(&turns)?;
        let mut damping = 1e-3;
        for _ in 0..DAMPED_STEPS {
            let mut slopes = DMatrix::zeros(now.len(), knobs);
            for k in 0..knobs {
                let toward = if turns[k] > 0.5 { -QUOTIENT_TURN } else { QUOTIENT_TURN };
                let mut moved = turns.clone();
                moved[k] += toward;
                slopes.set_column(k, &((self.differences(&moved)? - &now) / toward));
            }
            let gradient = slopes.transpose() * &now;
            let held: Vec<bool> = (0..knobs)
                .map(|k| {
                    (turns[k] <= 0.0 && gradient[k] > 0.0) || (turns[k] >= 1.0 && gradient[k] < 0.0)
                })
                .collect();
            let mut moved = false;
            for _ in 0..12 {
                let mut normal = slopes.transpose() * &slopes;
                let mut right = -gradient.clone();
                for k in 0..knobs {
                    normal[(k, k)] += damping * normal[(k, k)] + 1e-12;
                    if held[k] {
                        for j in 0..knobs {
                            normal[(k, j)] = 0.0;
                            normal[(j, k)] = 0.0;
                        }
                        normal[(k, k)] = 1.0;
                        right[k] = 0.0;
                    }
                }
                let Some(step) = normal.lu().solve(&right) else { break };
                let next: Vec<f64> =
                    turns.iter().zip(step.iter()).map(|(t, s)| (t + s).clamp(0.0, 1.0)).collect();
                let trial = self.differences(&next)?;
                if trial.norm_squared() < now.norm_squared() {
                    let gained = now.norm_squared() - trial.norm_squared();
                    moved = gained > 1e-14 * now.norm_squared();
                    (turns, now) = (next, trial);
                    damping = (damping * 0.2).max(1e-9);
                    break;
                }
                damping *= 6.0;
            }
            if !moved {
                break;
            }
        }
        self.at(&turns)
    }
}
