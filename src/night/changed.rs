//! Whether a clip's files are those that its results speak of.

use std::collections::BTreeSet;

use super::NightError;
use super::job::ClipJob;
use super::key::inventory;
use crate::engine::analysis::Analysis;
use crate::engine::correct::Corrector;
use crate::engine::source::Source;
use crate::footage::printable;
use crate::record::FrameStatus;

/// Refuses to seal a clip to which frames came while it was worked on, or whose one file of many frames is
/// another than when it was begun. Single files that change or vanish are found as they are read again.
pub(super) fn unchanged(job: &ClipJob, source: &Source, before: &str) -> Result<(), NightError> {
    let refused =
        |what: String| NightError::Refused(format!("{}: {what}: run again", printable(&job.input)));
    if source.paged {
        return match inventory(source) == before {
            true => Ok(()),
            false => Err(refused("the file changed while it was worked on".to_owned())),
        };
    }
    // What cannot be listed any more is told frame by frame.
    let Ok(now) = Source::open(&job.input, job.facts.clone()) else { return Ok(()) };
    let known: BTreeSet<u64> = source.clip.frames.iter().map(|f| f.number).collect();
    let more = now.clip.frames.iter().filter(|f| !known.contains(&f.number)).count();
    match more {
        0 => Ok(()),
        n => Err(refused(format!("{n} more frames came while it was worked on"))),
    }
}

/// Whether a frame that could not be read, or was not as listed, can be read and is now: a person was told
/// to copy it again. A part of a clip is made as the whole was.
pub(super) fn healed(
    job: &ClipJob,
    kept: &Analysis,
    source: &Source,
    corrector: &Corrector,
) -> bool {
    let broken = kept.frames.iter().filter(|f| f.status == FrameStatus::Unreadable);
    let mut files = broken.filter_map(|f| source.clip.get(f.frame));
    job.range.is_none() && files.any(|file| corrector.read(source, file).is_ok())
}
