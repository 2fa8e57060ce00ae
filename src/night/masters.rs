//! The masters of a job, as its clip needs them.

use std::path::Path;

use super::NightError;
use super::job::ClipJob;
use super::references::{Prepared, prepare};
use super::rescale::rescale;
use super::spots::spots;
use crate::engine::Work;
use crate::engine::source::Source;
use crate::footage::Disk;

/// Makes (or finds) the masters, scales the dark where the clip's exposure or temperature is another,
/// and looks for hot pixels in the clip itself where there is none.
///
/// # Errors
/// Where a reference cannot be read or does not serve the clip; on request to stop.
pub fn masters(
    job: &ClipJob,
    source: &Source,
    kept: (&dyn Disk, &Path),
    work: &Work<'_>,
) -> Result<Prepared, NightError> {
    let stacks = [job.dark.as_deref(), job.flat.as_deref()];
    let mut prepared = prepare(source, stacks, kept, work)?;
    rescale(job, source, &mut prepared, work)?;
    spots(job, source, &mut prepared, work)?;
    Ok(prepared)
}
