//! How far each valve was driven.

use super::plan::PlannedValve;
use super::processor::Troubles;
use crate::simd::larger;

/// Grid voltage (to the cathode) above which a grid is said to conduct: the current of the
/// 12AX7's grid is there about 20 microamperes, enough to move a coupling capacitor's charge.
pub const CONDUCTION_V: f64 = 0.0;

/// Running figures of one valve.
#[derive(Clone, Debug)]
pub struct ValveTally {
    highest_v: f64,
    lowest_v: f64,
    conducting: u64,
    steps: u64,
}

impl ValveTally {
    /// At rest.
    pub fn new(valve: &PlannedValve) -> Self {
        Self { highest_v: valve.bias_volts, lowest_v: valve.bias_volts, conducting: 0, steps: 0 }
    }

    /// Takes in the grid voltage of one step.
    #[inline(always)]
    pub fn add(&mut self, grid_v: f64) {
        // Not a number makes neither larger.
        self.highest_v = larger(grid_v, self.highest_v);
        self.lowest_v = -larger(-grid_v, -self.lowest_v);
        self.conducting += u64::from(grid_v > CONDUCTION_V);
        self.steps += 1;
    }

    /// Steps, and steps with the grid above its cathode.
    pub fn conduction(&self) -> (u64, u64) {
        (self.steps, self.conducting)
    }
}

/// How far one valve was driven.
#[derive(Clone, Debug, PartialEq)]
pub struct ValveReport {
    /// Reference designator.
    pub name: String,
    /// Grid to cathode at rest.
    pub bias_volts: f64,
    /// Highest and lowest grid voltage to the cathode.
    pub highest_grid_volts: f64,
    pub lowest_grid_volts: f64,
    /// Share of the time with the grid above its cathode, in percent.
    pub conducting_percent: f64,
}

impl ValveReport {
    /// Peak swing upward as a share of the way from bias to grid conduction: 1 is the edge.
    pub fn drive(&self) -> f64 {
        (self.highest_grid_volts - self.bias_volts)
            / (CONDUCTION_V - self.bias_volts).abs().max(1e-3)
    }
}

/// What a run did.
#[derive(Clone, Debug, PartialEq)]
pub struct Report {
    pub valves: Vec<ValveReport>,
    pub troubles: Troubles,
    /// Newton steps for each internal step, on average.
    pub mean_newton_steps: f64,
}

pub(super) fn report(
    valves: &[PlannedValve],
    tallies: &[ValveTally],
    troubles: Troubles,
    mean_newton_steps: f64,
) -> Report {
    let valves = valves
        .iter()
        .zip(tallies)
        .map(|(v, t)| ValveReport {
            name: v.name.clone(),
            bias_volts: v.bias_volts,
            highest_grid_volts: t.highest_v,
            lowest_grid_volts: t.lowest_v,
            conducting_percent: 100.0 * t.conducting as f64 / t.steps.max(1) as f64,
        })
        .collect();
    Report { valves, troubles, mean_newton_steps }
}
