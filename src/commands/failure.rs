//! How a command ends when it does not succeed.

use thiserror::Error;

/// How a command ends when it does not succeed.
#[derive(Debug, Error)]
pub enum Failure {
    /// The user can mend it: exit status 2.
    #[error("{0}")]
    Input(String),
    /// The program did not reach what it promises: exit status 1.
    #[error("{0}")]
    Fault(String),
}

impl Failure {
    /// Something the user can mend.
    pub fn input(message: impl ToString) -> Self {
        Self::Input(message.to_string())
    }

    /// Something the program is to blame for.
    pub fn fault(message: impl ToString) -> Self {
        Self::Fault(message.to_string())
    }

    /// The program's exit status.
    pub fn exit_code(&self) -> u8 {
        match self {
            Self::Input(_) => 2,
            Self::Fault(_) => 1,
        }
    }
}

impl From<crate::circuit::CircuitError> for Failure {
    fn from(error: crate::circuit::CircuitError) -> Self {
        Self::input(error)
    }
}

impl From<crate::linear::LinearError> for Failure {
    fn from(error: crate::linear::LinearError) -> Self {
        match error {
            crate::linear::LinearError::Fit { .. } => Self::fault(error),
            _ => Self::input(error),
        }
    }
}

impl From<crate::amp::AmpError> for Failure {
    fn from(error: crate::amp::AmpError) -> Self {
        Self::input(error)
    }
}

impl From<crate::audio::AudioError> for Failure {
    fn from(error: crate::audio::AudioError) -> Self {
        if error.is_users() { Self::input(error) } else { Self::fault(error) }
    }
}

impl From<crate::render::RenderError> for Failure {
    fn from(error: crate::render::RenderError) -> Self {
        if error.is_users() { Self::input(error) } else { Self::fault(error) }
    }
}

impl From<crate::driven::DrivenError> for Failure {
    fn from(error: crate::driven::DrivenError) -> Self {
        Self::input(error)
    }
}
