//! What an earlier run of a clip left that this one would replace.

use std::path::Path;

use super::NightError;
use super::job::ClipJob;
use super::journal::Journal;
use super::place::{FRAMES, file_name};
use crate::engine::Work;
use crate::footage::{Disk, printable};

/// Says how many finished frames of other settings are replaced. A run of a part of the clip that would
/// take away more of them than it makes is refused.
pub(super) fn replaces(
    job: &ClipJob,
    (disk, folder): (&dyn Disk, &Path),
    key: &str,
    work: &Work<'_>,
) -> Result<(), NightError> {
    let journal = folder.join("journal.jsonl");
    let Some(old) = Journal::key_of(&journal)?.filter(|old| old != key) else { return Ok(()) };
    let mut there = Journal::read(disk, &journal, &old).unwrap_or_default();
    there.retain(|&n, _| folder.join(FRAMES).join(file_name(n)).exists());
    let lost = |(a, b): (u64, u64)| there.keys().filter(|&&n| n < a || n > b).count();
    match job.range {
        Some((a, b)) if lost((a, b)) > 0 => Err(NightError::Refused(format!(
            "{}: holds {} finished frames of other settings, references or files, {} of which lie \
             outside of frames {a} to {b} and would be gone: give another --out, or run the whole clip",
            printable(folder),
            there.len(),
            lost((a, b))
        ))),
        _ if there.is_empty() => Ok(()),
        _ => {
            work.progress.note(&format!(
                "{}: settings, references, version or files changed: {} finished frames are made again",
                job.name,
                there.len()
            ));
            Ok(())
        }
    }
}
