//! Ranges of axes, round numbers on them, and their words.

use super::error::PlotError;
use super::figure::{Axis, Figure, Scale};

/// A line of the grid.
#[derive(Clone, Debug, PartialEq)]
pub struct Tick {
    /// Place along the axis, 0 to 1.
    pub place: f64,
    /// Words below it; minor lines have none.
    pub label: Option<String>,
    /// Whether it marks zero.
    pub is_zero: bool,
}

/// An axis whose range is known.
#[derive(Clone, Debug, PartialEq)]
pub struct Fitted {
    scale: Scale,
    from: f64,
    to: f64,
    pub ticks: Vec<Tick>,
}

/// Round steps for each power of ten.
const STEPS: [f64; 3] = [1.0, 2.0, 5.0];
/// On a log axis up to this many decades, 2 and 5 are named besides 1.
const DECADES_WITH_STEPS: f64 = 4.3;

impl Fitted {
    /// Fits an axis to its data. `most_ticks` is how many labels find room.
    pub fn new(
        figure: &Figure,
        axis: &Axis,
        name: &'static str,
        data: impl Iterator<Item = f64>,
        most_ticks: usize,
    ) -> Result<Self, PlotError> {
        let bad = |from, to, must| PlotError::BadRange {
            title: figure.title.clone(),
            axis: name,
            from,
            to,
            must,
        };
        let (mut from, mut to) = match axis.range {
            Some(range) => range,
            None => {
                let (low, high) = data
                    .filter(|v| v.is_finite())
                    .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
                if low > high {
                    return Err(PlotError::Empty { title: figure.title.clone() });
                }
                (low, high)
            }
        };
        if !from.is_finite() || !to.is_finite() || from > to {
            return Err(bad(from, to, "give the smaller value first, and no infinity"));
        }
        let mut ticks;
        match axis.scale {
            Scale::Linear => {
                if from == to {
                    let room = if from == 0.0 { 1.0 } else { 0.1 * from.abs() };
                    (from, to) = (from - room, to + room);
                }
                let step = round_step((to - from) / most_ticks.max(1) as f64);
                if axis.range.is_none() {
                    from = step * (from / step).floor();
                    to = step * (to / step).ceil();
                }
                ticks = linear_ticks(from, to, step);
            }
            Scale::Log => {
                if from <= 0.0 {
                    return Err(bad(from, to, "a logarithmic axis needs values above zero"));
                }
                if from == to {
                    (from, to) = (0.5 * from, 2.0 * to);
                }
                ticks = log_ticks(from, to);
            }
        }
        let fitted = Self { scale: axis.scale, from, to, ticks: Vec::new() };
        if !axis.ticks.is_empty() {
            ticks = axis.ticks.iter().map(|(v, l)| (*v, Some(l.clone()))).collect();
        }
        let ticks = ticks
            .into_iter()
            .map(|(value, label)| Tick { place: fitted.place(value), label, is_zero: value == 0.0 })
            .filter(|t| (-1e-9..=1.0 + 1e-9).contains(&t.place))
            .collect();
        Ok(Self { ticks, ..fitted })
    }

    /// Place of a value along the axis: 0 at its start, 1 at its end. Not finite where the value is not.
    pub fn place(&self, value: f64) -> f64 {
        match self.scale {
            Scale::Linear => (value - self.from) / (self.to - self.from),
            Scale::Log => (value / self.from).ln() / (self.to / self.from).ln(),
        }
    }
}

/// The smallest of 1, 2, 5 times a power of ten that is not below `least`.
fn round_step(least: f64) -> f64 {
    let power = 10f64.powf(least.log10().floor());
    let step = STEPS.iter().map(|s| s * power).find(|s| *s >= least * (1.0 - 1e-9));
    step.unwrap_or(10.0 * power)
}

fn linear_ticks(from: f64, to: f64, step: f64) -> Vec<(f64, Option<String>)> {
    let decimals = (-step.log10().floor()).clamp(0.0, 12.0) as usize;
    let first = (from / step - 1e-9).ceil() as i64;
    let last = (to / step + 1e-9).floor() as i64;
    (first..=last)
        .map(|i| {
            let value = i as f64 * step;
            (value, Some(typeset(&format!("{value:.decimals$}"))))
        })
        .collect()
}

fn log_ticks(from: f64, to: f64) -> Vec<(f64, Option<String>)> {
    let named_steps = (to / from).log10() <= DECADES_WITH_STEPS;
    let first = from.log10().floor() as i32;
    let last = to.log10().ceil() as i32;
    let mut ticks = Vec::new();
    for power in first..=last {
        for digit in 1..10 {
            let value = f64::from(digit) * 10f64.powi(power);
            let named = digit == 1 || (named_steps && (digit == 2 || digit == 5));
            ticks.push((value, named.then(|| short_number(value))));
        }
    }
    ticks
}

/// 20, 500, 2k, 1M: a value with at most one figure before its zeros.
fn short_number(value: f64) -> String {
    for (scale, letter) in [(1e6, "M"), (1e3, "k")] {
        if value >= scale * (1.0 - 1e-9) {
            return format!("{:.0}{letter}", value / scale);
        }
    }
    let decimals = (-value.log10().floor()).clamp(0.0, 12.0) as usize;
    format!("{value:.decimals$}")
}

/// A number with a real minus sign.
fn typeset(number: &str) -> String {
    let is_zero = number.chars().all(|c| matches!(c, '0' | '.' | '-'));
    if is_zero { number.replace('-', "") } else { number.replace('-', "\u{2212}") }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fit(axis: &Axis, data: &[f64]) -> Result<Fitted, PlotError> {
        Fitted::new(&Figure::default(), axis, "y", data.iter().copied(), 8)
    }

    fn labels(fitted: &Fitted) -> Vec<&str> {
        fitted.ticks.iter().filter_map(|t| t.label.as_deref()).collect()
    }

    #[test]
    fn a_linear_axis_widens_to_round_numbers() {
        let fitted = fit(&Axis::default(), &[-23.4, 6.1]).expect("a range");
        assert_eq!(labels(&fitted), ["−25", "−20", "−15", "−10", "−5", "0", "5", "10"]);
        assert_eq!((fitted.place(-25.0), fitted.place(10.0)), (0.0, 1.0));
        assert!(fitted.ticks[5].is_zero);
    }

    #[test]
    fn small_steps_keep_their_decimals() {
        let fitted = fit(&Axis::default(), &[-0.004, 0.003]).expect("a range");
        assert_eq!(labels(&fitted)[0], "−0.004");
        assert!(labels(&fitted).contains(&"0.000"));
    }

    #[test]
    fn the_audio_band_has_its_usual_numbers() {
        let axis = Axis { scale: Scale::Log, range: Some((20.0, 20e3)), ..Axis::default() };
        let fitted = fit(&axis, &[]).expect("a range");
        let expected = ["20", "50", "100", "200", "500", "1k", "2k", "5k", "10k", "20k"];
        assert_eq!(labels(&fitted), expected);
        assert!((fitted.place(632.455_532_033_675_9) - 0.5).abs() < 1e-12);
    }

    #[test]
    fn a_constant_still_has_a_range() {
        for value in [0.0, 3.5, -2e-9] {
            let fitted = fit(&Axis::default(), &[value]).expect("a range");
            assert!((0.0..=1.0).contains(&fitted.place(value)));
            assert!(fitted.ticks.len() > 1);
        }
    }

    #[test]
    fn nothing_and_impossible_ranges_are_errors() {
        assert!(matches!(fit(&Axis::default(), &[f64::NAN]), Err(PlotError::Empty { .. })));
        let axis = Axis { range: Some((3.0, 1.0)), ..Axis::default() };
        assert!(matches!(fit(&axis, &[]), Err(PlotError::BadRange { .. })));
        let axis = Axis { scale: Scale::Log, range: Some((0.0, 1.0)), ..Axis::default() };
        assert!(matches!(fit(&axis, &[]), Err(PlotError::BadRange { .. })));
    }
}
