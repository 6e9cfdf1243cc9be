//! What can be wrong with a valve or a valve file.

use thiserror::Error;

/// Why a valve could not be had.
#[derive(Clone, Debug, Error, PartialEq)]
pub enum ValveError {
    #[error("there is no {kind} {name}; {hint}")]
    Unknown { kind: &'static str, name: String, hint: String },
    #[error("{name} is a {is}, not a {wanted}")]
    WrongKind { name: String, is: &'static str, wanted: &'static str },
    #[error("the {name} has no law or parameter set {law}; it has {has}")]
    UnknownLaw { name: String, law: String, has: String },
    #[error("valve file {origin}: {what}")]
    BadFile { origin: String, what: String },
}
