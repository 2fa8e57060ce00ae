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

/// What speaks against a program that is to be run hours from now: nothing of that name is there, or
/// it is no program. It may still come, so this is for a word beforehand.
#[must_use]
pub fn doubt(program: &Path) -> Option<String> {
    let found = if program.components().count() > 1 {
        startable(program)
    } else {
        let path = std::env::var_os("PATH").unwrap_or_default();
        std::env::split_paths(&path).any(|folder| startable(&folder.join(program)))
    };
    (!found).then(|| {
        format!(
            "{}, to be run at the end, is not there or cannot be started: correct it before the \
             night is over",
            printable(program)
        )
    })
}

#[cfg(unix)]
fn startable(file: &Path) -> bool {
    use std::os::unix::fs::PermissionsExt;
    std::fs::metadata(file).is_ok_and(|m| m.is_file() && m.permissions().mode() & 0o111 != 0)
}

#[cfg(not(unix))]
fn startable(file: &Path) -> bool {
    // The system adds endings of its own.
    file.is_file() || file.with_extension("exe").is_file()
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
