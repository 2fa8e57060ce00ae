//! A program of the person's own that is run when a night has ended: to put the machine to sleep, to
//! send a word. This program sends nothing itself.
//!
//! It is told how the night ended by its arguments and by its environment:
//!
//! | | |
//! | --- | --- |
//! | argument 1, `HUSHFRAME_OUTCOME` | `well`, `faults`, `interrupted` or `error` |
//! | argument 2, `HUSHFRAME_OUT` | the folder of the results |
//! | `HUSHFRAME_CLIPS`, `HUSHFRAME_FAILED` | clips that were finished, and that were not |
//!
//! It is started without a shell and reads nothing; what it prints goes to standard error. How it
//! ends changes nothing of the night.

use std::path::Path;
use std::process::{Command, Stdio};

use crate::footage::printable;

/// How a night ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Told<'a> {
    /// "well", "faults", "interrupted" or "error".
    pub outcome: &'a str,
    /// The folder of the results.
    pub out: &'a Path,
    /// Clips that were finished.
    pub clips: usize,
    /// Clips that were not.
    pub failed: usize,
}

/// Runs the program and waits for its end.
///
/// # Errors
/// In words, where it could not be started or did not end well.
pub fn run(program: &Path, told: &Told<'_>) -> Result<(), String> {
    let ended = Command::new(program)
        .arg(told.outcome)
        .arg(told.out)
        .env("HUSHFRAME_OUTCOME", told.outcome)
        .env("HUSHFRAME_OUT", told.out)
        .env("HUSHFRAME_CLIPS", told.clips.to_string())
        .env("HUSHFRAME_FAILED", told.failed.to_string())
        .stdin(Stdio::null())
        .stdout(Stdio::from(std::io::stderr()))
        .status();
    let name = printable(program);
    match ended {
        Ok(status) if status.success() => Ok(()),
        Ok(status) => Err(format!("{name}, to be run at the end, ended with {status}")),
        Err(e) => Err(format!("{name}, to be run at the end, could not be started: {e}")),
    }
}
