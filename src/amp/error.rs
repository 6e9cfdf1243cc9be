//! What can be wrong with an amp or a job, with the place in the file.

use thiserror::Error;

use crate::circuit::CircuitError;

/// Why an amp, a job or a version of it could not be had. All of these the user can mend.
#[derive(Clone, Debug, Error, PartialEq)]
pub enum AmpError {
    /// The file cannot be read at all.
    #[error("{file}: {problem}")]
    Unreadable { file: String, problem: String },
    /// Something in a file is wrong: where, what, and what would be right.
    #[error("{}{problem}", place(file, *line, key))]
    Wrong {
        file: String,
        /// Counted from 1.
        line: Option<usize>,
        /// The key, as in `parts.R1.value`; empty for the file as a whole.
        key: String,
        problem: String,
    },
    /// The parts do not make a circuit.
    #[error("{}{source}", place(file, *line, key))]
    Circuit {
        file: String,
        /// Of the part that the complaint is about, counted from 1.
        line: Option<usize>,
        /// The version that it is about; empty for the amp as its file gives it.
        key: String,
        #[source]
        source: Box<CircuitError>,
    },
    /// No amp of that name comes with the program.
    #[error(
        "no amp \"{name}\" comes with the program (the path of an amp file ends in .toml); {hint}"
    )]
    UnknownAmp { name: String, hint: String },
}

fn place(file: &str, line: Option<usize>, key: &str) -> String {
    let mut place = file.to_owned();
    if let Some(line) = line {
        place.push_str(&format!(":{line}"));
    }
    place.push_str(": ");
    if !key.is_empty() {
        place.push_str(key);
        place.push_str(": ");
    }
    place
}
