//! Measuring: the scale from a picture of a rule, motion from displacement series.
//!
//! Pure functions of pictures and numbers, but for [`ruler::run`], which reads its picture. What
//! cannot be measured is refused with the number that speaks against it.

pub mod events;
pub mod follow;
pub mod ring;
pub mod ruler;
mod series;
pub mod turning;

use thiserror::Error;

use crate::footage::FootageError;

pub use series::{Motion, Sample, Series};

/// Why something could not be measured.
#[derive(Debug, Error)]
pub enum MeasureError {
    /// Numbers that were handed in make no sense.
    #[error("{what}: {remedy}")]
    Input {
        /// Which and why.
        what: String,
        /// What to do.
        remedy: String,
    },
    /// The data do not show what was asked for.
    #[error("{what}: {remedy}")]
    Refused {
        /// What was found instead, with its number and the limit.
        what: String,
        /// What may help.
        remedy: String,
    },
    /// A picture that cannot be read.
    #[error(transparent)]
    Footage(#[from] FootageError),
}

impl MeasureError {
    fn input(what: impl Into<String>, remedy: impl Into<String>) -> Self {
        Self::Input { what: what.into(), remedy: remedy.into() }
    }

    fn refused(what: impl Into<String>, remedy: impl Into<String>) -> Self {
        Self::Refused { what: what.into(), remedy: remedy.into() }
    }
}
