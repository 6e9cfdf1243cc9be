//! The driven path: the circuit with its valves as they are, run in time.
//!
//! [`DrivenPlan`] cuts a circuit at its grids, discretises each block by a damped trapezoidal rule and
//! lays out small dense matrices; [`DrivenProcessor`] runs it sample by sample at a raised rate,
//! solving for the valve currents by Newton's method in each step. After D. Yeh, J. Abel, J. O.
//! Smith, "Automated physical modeling of nonlinear audio circuits for real-time audio effects -
//! part I", IEEE TASLP 18(4), 2010, with the storage kept in factored form as in M. Holters, U.
//! Zoelzer, "A generalized method for the derivation of non-linear state-space models from circuit
//! schematics", EUSIPCO 2015.

// Copies in hot loops are written out: where the units of a crate are compiled apart, a slice's own
// copy is a call for a handful of numbers.
#![allow(clippy::manual_memcpy)]

mod block;
mod device;
mod discrete;
mod equaliser;
mod error;
mod fast;
mod halfband;
mod inverse;
mod modal;
mod oversample;
mod panels;
mod partition;
mod plan;
mod processor;
mod quality;
mod running;
mod sampling;
mod solver;
mod statistics;

pub use error::DrivenError;
pub use fast::RELATIVE_ERROR;
pub use halfband::STOPBAND_DB;
pub use plan::{DrivenPlan, Options, PlannedValve};
pub use processor::{DrivenProcessor, Troubles};
pub use quality::Quality;
pub use statistics::{CONDUCTION_V, Report, ValveReport};
