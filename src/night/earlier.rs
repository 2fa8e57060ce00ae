//! What an earlier run of a clip left that this one would replace.

use std::path::Path;

use super::NightError;
use super::job::ClipJob;
use super::journal::Journal;
use super::place::{FRAMES, file_name, read_json, remove};
use crate::engine::Work;
use crate::engine::source::Source;
use crate::footage::{Disk, FAILED, printable};

/// Refuses a range in which the clip has no frame.
pub(super) fn check_range(job: &ClipJob, source: &Source) -> Result<(), NightError> {
    let (first, last) = (source.clip.first(), source.clip.last());
    match job.range {
        Some((a, b)) if b < first || a > last => Err(NightError::Refused(format!(
            "{}: there are no frames {a} to {b}: the clip has {first} to {last}",
            printable(&job.input)
        ))),
        _ => Ok(()),
    }
}

/// Says how many finished frames of other settings are replaced. A run of a part of the clip that would
/// take away more of them than it makes is refused.
pub(super) fn replaces(
    job: &ClipJob,
    (disk, folder): (&dyn Disk, &Path),
    key: &str,
    work: &Work<'_>,
) -> Result<(), NightError> {
    let journal = folder.join("journal.jsonl");
    if let Some((a, b)) = job.range
        && !Journal::read_with_care(disk, &journal, key)?.1
        && numbers(&folder.join(FRAMES)).any(|n| n < a || n > b)
    {
        return Err(NightError::Refused(format!(
            "{}: is damaged, so finished frames outside of frames {a} to {b} would be gone: run the \
             whole clip",
            printable(&journal)
        )));
    }
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

/// Numbers of the finished frames in a folder.
fn numbers(frames: &Path) -> impl Iterator<Item = u64> {
    let entries = std::fs::read_dir(frames).into_iter().flatten().flatten();
    entries.filter_map(|e| e.file_name().to_str()?.strip_suffix(".tif")?.parse().ok())
}

/// Takes the seal of an earlier run away, and what it says of frames where these are of another job: in
/// this order nothing ever speaks of a frame that is gone, or of one that is not there yet.
pub(super) fn unseal(disk: &dyn Disk, folder: &Path, key: &str) -> Result<(), NightError> {
    remove(disk, &folder.join("complete.json"))?;
    remove(disk, &folder.join(FAILED))?;
    let record = folder.join("record.json");
    let other = read_json(&record).is_some_and(|r| r["key"].as_str() != Some(key));
    if other {
        remove(disk, &record)?;
        remove(disk, &folder.join("frames.csv"))?;
    }
    Ok(())
}
