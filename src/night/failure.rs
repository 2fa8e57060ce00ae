//! The note that a clip leaves which failed as a whole, so that `status` and the pages know of it.
//!
//! It lies in the clip's folder as `failed.json` until a run gets as far as making frames.

use std::path::Path;

use super::NightError;
use super::job::ClipJob;
use super::place::{check_ours, check_places, inputs};
use crate::footage::{Disk, FAILED, create_folders, write_on};
use crate::record::Failure;

/// Notes why a clip failed; whether there is a note now. There is none where nothing may be written
/// (the place is an input, not ours, or another clip's) and where somebody else is at work.
///
/// # Errors
/// Where it cannot be written.
pub fn note(
    job: &ClipJob,
    (disk, out): (&dyn Disk, &Path),
    error: &NightError,
) -> Result<bool, NightError> {
    let folder = out.join(&job.name);
    // An input that is missing may be why it failed.
    let there: Vec<&Path> =
        inputs(job).into_iter().filter(|p| p.symlink_metadata().is_ok()).collect();
    if matches!(error, NightError::Locked { .. } | NightError::OtherClip { .. })
        || check_places(job, out, &there).is_err()
        || check_ours(&folder).is_err()
    {
        return Ok(false);
    }
    create_folders(disk, &folder)?;
    let failure = Failure { clip: job.name.clone(), error: error.to_string() };
    let text = serde_json::to_string(&failure).unwrap_or_default();
    write_on(disk, &folder.join(FAILED), |w| w.write_all(text.as_bytes()))?;
    Ok(true)
}
