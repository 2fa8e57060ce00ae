//! How far a run is, what failed and why: from the files it writes, at any time, by anybody.

use std::collections::{BTreeMap, BTreeSet};
use std::ffi::{OsStr, OsString};
use std::fs;
use std::path::Path;

use serde::Serialize;

use super::NightError;
use super::journal::{Entry, Journal};
use super::place::{FRAMES, SHARDS, analysed, file_name, holder, read_json};
use crate::footage::{FAILED, RealDisk, clip_folders, hash_file, printable};
use crate::record::Failure;

const RECORD: &str = "record.json";

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
    /// Frames that were finished and whose files are gone.
    pub gone: Vec<u64>,
    /// Numbers of the sequence without a file, where known.
    pub missing: Vec<u64>,
    /// The record where it cannot be read; on request also what is not as the seal says.
    pub broken: Vec<String>,
    /// Who is at work on it: a run by its process, or parts.
    pub holder: Option<String>,
}

impl ClipStatus {
    /// Whether anything went wrong.
    #[must_use]
    pub fn faults(&self) -> bool {
        self.error.is_some()
            || !self.failed.is_empty()
            || !self.missing.is_empty()
            || !self.broken.is_empty()
            || !self.gone.is_empty()
            || self.damaged.as_ref().is_some_and(|d| !d.is_empty())
    }
}

/// Looks at every clip in an output folder; with `verify` every finished frame is read and hashed.
///
/// # Errors
/// Where the folder cannot be listed, or holds no results.
pub fn status(out: &Path, verify: bool) -> Result<Vec<ClipStatus>, NightError> {
    clip_folders(out)?.iter().map(|f| clip_status(f, verify)).collect()
}

/// What a journal lists, of whatever job.
fn journal_of(journal: &Path) -> Result<BTreeMap<u64, Entry>, NightError> {
    match Journal::key_of(journal)? {
        Some(key) => Journal::read(&RealDisk, journal, &key),
        None => Ok(BTreeMap::new()),
    }
}

/// Files beside the frames that are not what was written.
fn broken(folder: &Path, readable: bool, verify: bool) -> Vec<String> {
    let mut broken = Vec::new();
    if !readable && folder.join(RECORD).is_file() {
        broken.push(RECORD.to_owned());
    }
    let place = folder.join("complete.json");
    let seal = read_json(&place);
    if seal.is_none() && place.is_file() {
        broken.push("complete.json".to_owned());
    }
    for (name, key) in [(RECORD, "record_json"), ("frames.csv", "frames_csv")] {
        let sealed = seal.as_ref().and_then(|s| s.get(key)?.as_str()).filter(|_| verify);
        let Some(sealed) = sealed else { continue };
        let same = hash_file(&folder.join(name)).is_ok_and(|w| w.hash == sealed);
        if !same && broken.iter().all(|b| b != name) {
            broken.push(name.to_owned());
        }
    }
    broken
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
    let record = read_json(&folder.join(RECORD));
    let broken = broken(folder, record.is_some(), verify);
    let missing = record.as_ref().and_then(|r| r.pointer("/inputs/missing")?.as_array());
    let missing = missing.into_iter().flatten().filter_map(serde_json::Value::as_u64).collect();
    let failure = read_json(&folder.join(FAILED));
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
    let frames_folder = folder.join(FRAMES);
    let there: BTreeSet<OsString> = fs::read_dir(&frames_folder)
        .into_iter()
        .flatten()
        .flatten()
        .map(|e| e.file_name())
        .collect();
    let is_there = |n: &u64| there.contains(OsStr::new(&file_name(*n)));
    let gone = listed.keys().copied().filter(|n| !is_there(n)).collect();
    let damaged = verify.then(|| {
        listed
            .values()
            .filter(|e| is_there(&e.frame))
            .filter(|e| {
                !hash_file(&frames_folder.join(file_name(e.frame)))
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
        total: combined
            .or_else(|| frames.as_ref().and_then(|f| f.get("total")?.as_u64()))
            .or_else(|| u64::try_from(analysed(folder)?.len()).ok()),
        failed,
        damaged,
        gone,
        missing,
        broken,
        holder,
    })
}
