//! Originals protected by the system, on top of the code that only reads them.
//!
//! On Linux the thread that does a night's work, and all threads it starts, may change files in the
//! output folder only (Landlock: kernel 5.13 or later, with truncation from 6.2). The kernel says no
//! to everything else, whatever a mistake in this program, or in a decoder, tries. Elsewhere, and
//! where the kernel lacks it, originals are protected by code alone; `check` and `run` say so.
//!
//! The thread that waits stands outside. A program that the person wants run at the end is started
//! from there, so it may do what the person may.

use std::panic::resume_unwind;
use std::path::{Path, PathBuf};

use super::NightError;
use crate::footage::{Disk, FootageError, check_output, create_folders};

/// How originals are protected.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Protection {
    /// By the kernel.
    System,
    /// By this program's code alone, and why.
    Code(String),
}

/// Does `work` where files in `out` can be changed, and no others. The folder is made where it is not
/// there, and taken away again where it is still empty at the end.
///
/// # Errors
/// Where the folder cannot be made.
pub fn fenced<T: Send>(
    (disk, out): (&dyn Disk, &Path),
    inputs: &[&Path],
    work: impl FnOnce(&Protection) -> T + Send,
) -> Result<T, NightError> {
    let full = std::path::absolute(out).map_err(|e| FootageError::disk(out, "look at", e))?;
    let made: Vec<PathBuf> =
        full.ancestors().take_while(|p| !p.exists()).map(Path::to_owned).collect();
    create_folders(disk, out)?;
    // Where originals lie in the output folder, leave to change it is leave to change them.
    let above = inputs.iter().any(|i| check_output(i, &[out]).is_err());
    let inside = || {
        let protection = if above {
            Protection::Code("originals lie in the output folder".to_owned())
        } else {
            raise(out)
        };
        work(&protection)
    };
    let ended = std::thread::scope(|scope| scope.spawn(inside).join());
    for folder in made {
        // Only an empty one can be removed; nothing depends on it.
        let _ = std::fs::remove_dir(folder);
    }
    Ok(ended.unwrap_or_else(|panic| resume_unwind(panic)))
}

/// How originals would be protected here: tried in a thread of its own.
#[must_use]
pub fn probe() -> Protection {
    let tried = std::thread::scope(|scope| scope.spawn(|| raise(Path::new("."))).join());
    tried.unwrap_or_else(|panic| resume_unwind(panic))
}

/// Lets this thread change files in `out` only, from now on.
#[cfg(target_os = "linux")]
fn raise(out: &Path) -> Protection {
    use landlock::{
        ABI, AccessFs, Ruleset, RulesetAttr, RulesetCreatedAttr, RulesetError, RulesetStatus,
        path_beneath_rules,
    };
    let rights = AccessFs::from_write(ABI::V3);
    let restricted = || -> Result<RulesetStatus, RulesetError> {
        let rules = Ruleset::default().handle_access(rights)?.create()?;
        let rules = rules.add_rules(path_beneath_rules([out], rights))?;
        Ok(rules.restrict_self()?.ruleset)
    };
    match restricted() {
        Ok(RulesetStatus::FullyEnforced) => Protection::System,
        Ok(RulesetStatus::PartiallyEnforced) => {
            Protection::Code("this kernel's Landlock does not cover everything".to_owned())
        }
        Ok(RulesetStatus::NotEnforced) => {
            Protection::Code("this kernel has no Landlock, or it is off".to_owned())
        }
        Err(e) => Protection::Code(format!("Landlock cannot be used: {e}")),
    }
}

/// Nothing of the kind is known of this system.
#[cfg(not(target_os = "linux"))]
fn raise(_out: &Path) -> Protection {
    Protection::Code("this system has no Landlock".to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::footage::RealDisk;
    use std::fs;

    #[test]
    fn originals_cannot_be_changed_inside_the_fence_and_results_can() {
        let dir = tempfile::tempdir().unwrap();
        let (input, out) = (dir.path().join("comb"), dir.path().join("new/out"));
        fs::create_dir(&input).unwrap();
        let frame = input.join("000001.tif");
        fs::write(&frame, "original").unwrap();
        let tried = |protection: &Protection| {
            if let Protection::Code(why) = protection {
                println!("skipped: {why}");
                return;
            }
            let denied = std::io::ErrorKind::PermissionDenied;
            let kind = |r: std::io::Result<()>| r.unwrap_err().kind();
            assert_eq!(kind(fs::write(&frame, "x")), denied);
            assert_eq!(kind(fs::remove_file(&frame)), denied);
            assert_eq!(kind(fs::rename(&frame, input.join("b"))), denied);
            assert_eq!(kind(fs::write(input.join("new"), "x")), denied);
            let open = fs::File::options().append(true).open(&frame).map(|_| ());
            assert_eq!(kind(open), denied);
            // Also from a thread that was started inside, and out of the output folder.
            let there = std::thread::scope(|s| s.spawn(|| fs::remove_file(&frame)).join());
            assert_eq!(kind(there.unwrap()), denied);
            assert!(fs::rename(&frame, out.join("stolen")).is_err());
            assert_eq!(fs::read(&frame).unwrap(), b"original");
            fs::write(out.join("result"), "x").unwrap();
            fs::rename(out.join("result"), out.join("kept")).unwrap();
        };
        fenced((&RealDisk, &out), &[&input], tried).unwrap();
        assert_eq!(fs::read(&frame).unwrap(), b"original");
        // Outside nothing has changed.
        fs::write(dir.path().join("elsewhere"), "x").unwrap();
    }

    #[test]
    fn an_empty_output_folder_is_taken_away_again() {
        let dir = tempfile::tempdir().unwrap();
        let out = dir.path().join("a/b/out");
        fenced((&RealDisk, &out), &[], |_| ()).unwrap();
        assert!(!dir.path().join("a").exists());
        fenced((&RealDisk, &out), &[], |_| fs::write(out.join("x"), "").unwrap()).unwrap();
        assert!(out.join("x").exists());
        // An output above an original is allowed, and then only the code protects.
        let said = fenced((&RealDisk, dir.path()), &[&out], Protection::clone).unwrap();
        assert!(matches!(said, Protection::Code(why) if why.contains("lie in the output")));
    }
}
