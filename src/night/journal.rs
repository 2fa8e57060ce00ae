//! The journal of a clip: one JSON line a finished frame, each with its own CRC-32, append only.
//!
//! Reading stops at the first line that is damaged (a torn last line after a power cut); frames
//! after it are simply made again.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::NightError;
use super::out;
use super::place::fault;
use crate::footage::{Disk, DiskFile, write_on};

/// One finished frame.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Entry {
    /// Number of the source frame.
    pub frame: u64,
    /// BLAKE3 of the finished file.
    pub blake3: String,
    /// Its size in bytes.
    pub bytes: u64,
    /// Noise left at the median level in DN.
    pub noise_dn: Option<f64>,
    /// Measures of the stages.
    #[serde(default)]
    pub measures: BTreeMap<String, f64>,
}

/// An open journal.
#[derive(Debug)]
pub struct Journal {
    file: Box<dyn DiskFile>,
    path: PathBuf,
    /// Set by the first error: what a torn line is followed by would not be read.
    broken: bool,
}

impl Journal {
    /// What a journal of the job with this key says is done; empty where there is none.
    ///
    /// # Errors
    /// Where the file is there but cannot be read.
    pub fn read(
        disk: &dyn Disk,
        path: &Path,
        key: &str,
    ) -> Result<BTreeMap<u64, Entry>, NightError> {
        Ok(Self::read_with_care(disk, path, key)?.0)
    }

    /// The same, and whether all its lines are whole. A last line without its end is what a kill or a
    /// power cut leaves, and no damage.
    pub(super) fn read_with_care(
        disk: &dyn Disk,
        path: &Path,
        key: &str,
    ) -> Result<(BTreeMap<u64, Entry>, bool), NightError> {
        let bytes = match out::read(disk, path) {
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => {
                return Ok((BTreeMap::new(), true));
            }
            Err(e) => return Err(fault(path, "read", e)),
            Ok(bytes) => bytes,
        };
        let end = bytes.iter().rposition(|&b| b == b'\n').map_or(0, |at| at + 1);
        let head = bytes.split_inclusive(|&b| b == b'\n').next();
        let whole = |line| checked(line).is_some();
        let sound =
            head.is_none_or(whole) && bytes[..end].split_inclusive(|&b| b == b'\n').all(whole);
        let mut lines = bytes.split_inclusive(|&b| b == b'\n').map_while(checked);
        if lines.next().is_none_or(|first| first != header(key).as_bytes()) {
            return Ok((BTreeMap::new(), sound));
        }
        let listed = lines
            .map_while(|l| serde_json::from_slice::<Entry>(l).ok())
            .map(|e| (e.frame, e))
            .collect();
        Ok((listed, sound))
    }

    /// The key of the job a journal belongs to; `None` where there is none, or its head is damaged.
    ///
    /// # Errors
    /// Where the file is there but cannot be read.
    pub fn key_of(path: &Path) -> Result<Option<String>, NightError> {
        let bytes = match std::fs::read(path) {
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(None),
            Err(e) => return Err(fault(path, "read", e)),
            Ok(bytes) => bytes,
        };
        let first = bytes.split_inclusive(|&b| b == b'\n').next().and_then(checked);
        Ok(first.and_then(|f| {
            let head: serde_json::Value = serde_json::from_slice(f).ok()?;
            Some(head.get("key")?.as_str()?.to_owned())
        }))
    }

    /// Begins a new journal for the job with this key, with entries already known to be done.
    ///
    /// # Errors
    /// Where it cannot be written.
    pub fn begin<'a>(
        disk: &dyn Disk,
        path: &Path,
        key: &str,
        done: impl Iterator<Item = &'a Entry>,
    ) -> Result<Self, NightError> {
        let mut text = Vec::new();
        push_line(&mut text, header(key).as_bytes());
        for entry in done {
            push_line(&mut text, to_json(entry).as_bytes());
        }
        write_on(disk, path, |w| w.write_all(&text))?;
        let file = disk.append(path).map_err(|e| fault(path, "open", e))?;
        Ok(Self { file, path: path.to_owned(), broken: false })
    }

    /// Adds a finished frame; on the disk when this returns.
    ///
    /// # Errors
    /// Where it cannot be written, and always after that: a sync is never tried again.
    pub fn add(&mut self, entry: &Entry) -> Result<(), NightError> {
        if self.broken {
            let e = std::io::Error::other("it could not be written to before");
            return Err(fault(&self.path, "write", e));
        }
        let mut line = Vec::new();
        push_line(&mut line, to_json(entry).as_bytes());
        self.broken = true;
        self.file.write_all(&line).map_err(|e| fault(&self.path, "write", e))?;
        self.file.sync().map_err(|e| fault(&self.path, "sync", e))?;
        self.broken = false;
        Ok(())
    }
}

fn header(key: &str) -> String {
    format!("{{\"journal\":1,\"key\":\"{key}\"}}")
}

fn to_json(entry: &Entry) -> String {
    serde_json::to_string(entry).unwrap_or_default()
}

/// `json SPACE crc NEWLINE`.
fn push_line(out: &mut Vec<u8>, json: &[u8]) {
    out.extend_from_slice(json);
    out.extend_from_slice(format!(" {:08x}\n", crc32fast::hash(json)).as_bytes());
}

/// The JSON of a line whose checksum is right.
fn checked(line: &[u8]) -> Option<&[u8]> {
    let line = line.strip_suffix(b"\n")?;
    let (json, crc) = line.split_at(line.len().checked_sub(9)?);
    let crc = std::str::from_utf8(crc.strip_prefix(b" ")?).ok()?;
    (u32::from_str_radix(crc, 16).ok()? == crc32fast::hash(json)).then_some(json)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::footage::RealDisk;

    fn entry(frame: u64) -> Entry {
        Entry {
            frame,
            blake3: format!("{frame:064x}"),
            bytes: 10 * frame,
            noise_dn: Some(0.1 + 0.2),
            measures: BTreeMap::new(),
        }
    }

    #[test]
    fn what_was_added_is_read_back_and_damage_ends_it() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("journal.jsonl");
        let mut j = Journal::begin(&RealDisk, &path, "k1", [entry(1)].iter()).unwrap();
        j.add(&entry(2)).unwrap();
        j.add(&entry(3)).unwrap();
        let done = Journal::read(&RealDisk, &path, "k1").unwrap();
        assert_eq!(done.keys().copied().collect::<Vec<_>>(), [1, 2, 3]);
        assert_eq!(done[&2], entry(2));
        assert!(Journal::read(&RealDisk, &path, "other").unwrap().is_empty());

        // A torn last line, then a flipped bit in the second.
        let whole = std::fs::read(&path).unwrap();
        std::fs::write(&path, &whole[..whole.len() - 5]).unwrap();
        assert_eq!(Journal::read(&RealDisk, &path, "k1").unwrap().len(), 2);
        let mut flipped = whole.clone();
        let at = whole.iter().position(|&b| b == b'\n').unwrap() + 12;
        flipped[at] ^= 1;
        std::fs::write(&path, &flipped).unwrap();
        assert!(Journal::read(&RealDisk, &path, "k1").unwrap().is_empty());
        assert!(Journal::read(&RealDisk, &dir.path().join("none"), "k1").unwrap().is_empty());
    }
}
