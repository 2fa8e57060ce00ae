//! How a command ended, and the exit code for it.

/// How a command ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Outcome {
    /// All well.
    Well,
    /// Finished, but some frames or clips failed; they were listed.
    Faults,
    /// Stopped by the person; the same command goes on.
    Interrupted,
}

impl Outcome {
    /// The exit code: 0 all well, 1 finished with faults, 130 interrupted (2 is an error).
    pub(super) fn code(self) -> u8 {
        match self {
            Self::Well => 0,
            Self::Faults => 1,
            Self::Interrupted => 130,
        }
    }
}
