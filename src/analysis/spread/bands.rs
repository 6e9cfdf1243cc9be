//! Percentiles of many draws.

use serde::Serialize;

/// 5, 50 and 95 %: what nine of ten amps lie within, and the middle.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct Percentiles {
    pub p5: f64,
    pub p50: f64,
    pub p95: f64,
}

/// The value below which a share of sorted values lies, by a straight line between neighbours
/// (definition 7 of R. Hyndman, Y. Fan, "Sample quantiles in statistical packages", The American
/// Statistician 50(4), 1996). `None` for no values.
pub fn quantile(sorted: &[f64], share: f64) -> Option<f64> {
    let last = sorted.len().checked_sub(1)?;
    let place = share.clamp(0.0, 1.0) * last as f64;
    let below = (place.floor() as usize).min(last);
    let above = (below + 1).min(last);
    Some(sorted[below] + (sorted[above] - sorted[below]) * (place - below as f64))
}

/// The percentiles of values in any order. `None` for no values.
pub fn percentiles(mut values: Vec<f64>) -> Option<Percentiles> {
    values.sort_by(f64::total_cmp);
    let at = |share| quantile(&values, share);
    Some(Percentiles { p5: at(0.05)?, p50: at(0.5)?, p95: at(0.95)? })
}
