//! How far a run is, what failed and why: from the files it writes, at any time, by anybody.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

use serde::Serialize;

use super::NightError;
use super::journal::{Entry, Journal};
use super::place::{SHARDS, file_name, holder};
use crate::footage::{FAILED, RealDisk, clip_folders, hash_file, printable};
use crate::record::Failure;

/// The state of one clip's results.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ClipStatus {
    /// Its name.
    pub name: String,
    /// "failed", "complete", "running", "stopped" or "begun".
    pub state: &'static str,
    /// Finished frames listed.
    pub done: u64,
    /// Numbers of the clip, or combined frames, where known.
    pub total: Option<u64>,
    /// Why the clip failed as a whole, where it did.
    pub error: Option<String>,
    /// Frames that failed, with the reason.
    pub failed: Vec<(u64, String)>,
    /// Frames whose file is not what the journal says; only looked for on request.
    pub damaged: Option<Vec<u64>>,
    /// Who is at work on it: a run by its process, or parts.
    pub holder: Option<String>,
}

/// Looks at every clip in an output folder; with `verify` every finished frame is read and hashed.
///
/// # Errors
/// Where the folder cannot be listed, or holds no results.
pub fn status(out: &Path, verify: bool) -> Result<Vec<ClipStatus>, NightError> {
    clip_folders(out)?.iter().map(|f| clip_status(f, verify)).collect()
}

fn json(path: &Path) -> Option<serde_json::Value> {
    serde_json::from_slice(&fs::read(path).ok()?).ok()
}

/// What a journal lists, of whatever job.
fn journal_of(journal: &Path) -> Result<BTreeMap<u64, Entry>, NightError> {
    match Journal::key_of(journal)? {
        Some(key) => Journal::read(&RealDisk, journal, &key),
        None => Ok(BTreeMap::new()),
    }
}

fn clip_status(folder: &Path, verify: bool) -> Result<ClipStatus, NightError> {
    let mut listed = journal_of(&folder.join("journal.jsonl"))?;
    let complete = folder.join("complete.json").is_file();
    if !complete {
        // Frames of parts that the last step has not seen yet.
        let time = |p: &Path| fs::metadata(p).and_then(|m| m.modified()).ok();
        let merged = time(&folder.join("analysis.json"));
        for entry in fs::read_dir(folder.join(SHARDS)).into_iter().flatten().flatten() {
            // Older than the numbers it would have been made with: of an earlier job.
            let of_now = time(&entry.path()) >= merged;
            if of_now && entry.path().extension().is_some_and(|e| e == "jsonl") {
                listed.extend(journal_of(&entry.path())?);
            }
        }
    }
    let record = json(&folder.join("record.json"));
    let failure = json(&folder.join(FAILED));
    let failure = failure.and_then(|v| serde_json::from_value::<Failure>(v).ok());
    // Whoever works here holds the lock.
    let holder = holder(folder);
    let frames = record.as_ref().and_then(|r| r.get("frames")).cloned();
    // Of combined frames there are fewer than numbers.
    let combined = record.as_ref().and_then(|r| r.pointer("/combined/finished")?.as_array());
    let combined = combined.map(|all| all.len() as u64);
    let failed = frames
        .as_ref()
        .and_then(|f| f.get("failed")?.as_object().cloned())
        .unwrap_or_default()
        .into_iter()
        .filter_map(|(n, why)| Some((n.parse().ok()?, why.as_str()?.to_owned())))
        .collect();
    let damaged = verify.then(|| {
        listed
            .values()
            .filter(|e| {
                !hash_file(&folder.join("frames").join(file_name(e.frame)))
                    .is_ok_and(|w| w.hash == e.blake3)
            })
            .map(|e| e.frame)
            .collect()
    });
    Ok(ClipStatus {
        name: folder.file_name().map(printable).unwrap_or_default(),
        state: match (holder.is_some(), complete, listed.is_empty()) {
            (true, _, _) => "running",
            _ if failure.is_some() => "failed",
            (false, true, _) => "complete",
            (false, false, false) => "stopped",
            (false, false, true) => "begun",
        },
        error: failure.map(|f| f.error),
        done: listed.len() as u64,
        total: combined.or_else(|| frames.as_ref().and_then(|f| f.get("total")?.as_u64())),
        failed,
        damaged,
        holder,
    })
}
