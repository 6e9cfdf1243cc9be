//! A corner read off a curve, for each draw.

use crate::analysis::values::Edge;
use crate::circuit::Node;

/// -3 dB: half the power.
const CORNER_DB: f64 = 3.010_299_956_639_812;
/// A maximum this far below the highest is a hump on a slope.
const HUMP_DB: f64 = 20.0;

/// A corner to be followed through the draws.
#[derive(Clone, Debug, PartialEq)]
pub struct CornerPlan {
    pub name: String,
    /// Ratio of the voltage at `to` to that at `from`, or to the source.
    pub from: Option<Node>,
    pub to: Node,
    pub edge: Edge,
    /// Of the whole amp rather than of one section: 3 dB below the outermost maximum on that side
    /// instead of the highest.
    pub whole: bool,
}

/// The corner of levels in dB over rising frequencies, by a straight line over log frequency.
pub fn corner_hz(frequencies_hz: &[f64], levels_db: &[f64], plan: &CornerPlan) -> Option<f64> {
    let n = levels_db.len();
    let top = (1..n).fold(0, |b, k| if levels_db[k] > levels_db[b] { k } else { b });
    let start = if plan.whole {
        let is_maximum = |k: &usize| {
            let left = *k == 0 || levels_db[*k] >= levels_db[k - 1];
            let right = k + 1 == n || levels_db[*k] > levels_db[k + 1];
            left && right && levels_db[*k] > levels_db[top] - HUMP_DB
        };
        let mut maxima = (0..n).filter(is_maximum);
        match plan.edge {
            Edge::Low => maxima.next(),
            Edge::High => maxima.next_back(),
        }?
    } else {
        top
    };
    let target = levels_db[start] - CORNER_DB;
    let (outside, inside) = match plan.edge {
        Edge::Low => (0..start).rev().find(|&k| levels_db[k] < target).map(|k| (k, k + 1)),
        Edge::High => (start + 1..n).find(|&k| levels_db[k] < target).map(|k| (k, k - 1)),
    }?;
    let share = (target - levels_db[outside]) / (levels_db[inside] - levels_db[outside]);
    let (f0, f1) = (frequencies_hz[outside], frequencies_hz[inside]);
    Some(f0 * (f1 / f0).powf(share))
}
