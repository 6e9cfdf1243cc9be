//! What can be wrong with a driven plan.

use thiserror::Error;

use crate::circuit::CircuitError;

/// Why a circuit could not be prepared for running in time.
#[derive(Clone, Debug, Error, PartialEq)]
pub enum DrivenError {
    #[error(transparent)]
    Circuit(#[from] CircuitError),
    #[error(
        "the input {part} is no voltage source of this circuit; name the source that the signal drives"
    )]
    NoInput { part: String },
    #[error("the sample rate is {sample_rate_hz} Hz; it must be from 8000 to 768000 Hz")]
    BadRate { sample_rate_hz: f64 },
    #[error("no output was asked for; name at least one node")]
    NoOutput,
    #[error(
        "the discrete equations have no single answer near part {part}: parts that fix the same voltage, or a node with no path"
    )]
    Singular { part: String },
    #[error("one feedback loop holds {ports} valve electrodes; at most 40 can be solved together")]
    TooLarge { ports: usize },
    #[error(
        "the two circuits have not the same valves and capacitors, so the state of one cannot go on in the other"
    )]
    Different,
}
