//! Why there is no plan.

use thiserror::Error;

/// Why there is no plan.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum PlanError {
    /// A value that cannot be read or makes no sense.
    #[error("{option}: {why}")]
    Value {
        /// The option.
        option: String,
        /// What is wrong and what to write.
        why: String,
    },
    /// No such option.
    #[error("there is no quantity \"{name}\" to plan with: {names}")]
    Unknown {
        /// What was asked for.
        name: String,
        /// Those that are like it; all where none is.
        names: String,
    },
    /// Values that do not fit together.
    #[error("{what}: {remedy}")]
    Contradiction {
        /// Which values and by which formula.
        what: String,
        /// What to do.
        remedy: String,
    },
    /// A wish that cannot be fulfilled.
    #[error("{what}: {remedy}")]
    Impossible {
        /// The wish and the limit.
        what: String,
        /// What would do.
        remedy: String,
    },
    /// What was asked for does not follow.
    #[error("{0}")]
    Missing(String),
    /// Nothing was given, or more than one list.
    #[error("{0}")]
    Input(String),
}
