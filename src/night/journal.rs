//! The journal of a clip: one JSON line a finished frame, each with its own CRC-32, append only.
//!
//! Reading stops at the first line that is damaged (a torn last line after a power cut); frames
//! after it are simply made again.

use std::collections::BTreeMap;
use std::fs::{File, OpenOptions};
use std::io::{Read, Write};
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::NightError;
use super::place::disk;

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
    file: File,
    path: PathBuf,
}

impl Journal {
    /// What a journal of the job with this key says is done; empty where there is none.
    ///
    /// # Errors
    /// Where the file is there but cannot be read.
    pub fn read(path: &Path, key: &str) -> Result<BTreeMap<u64, Entry>, NightError> {
        let mut bytes = Vec::new();
        match File::open(path) {
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(BTreeMap::new()),
            Err(e) => return Err(disk(path, "open", e)),
            Ok(mut f) => f.read_to_end(&mut bytes).map_err(|e| disk(path, "read", e))?,
        };
        let mut lines = bytes.split_inclusive(|&b| b == b'\n').map_while(checked);
        if lines.next().is_none_or(|first| first != header(key).as_bytes()) {
            return Ok(BTreeMap::new());
        }
        Ok(lines
            .map_while(|l| serde_json::from_slice::<Entry>(l).ok())
            .map(|e| (e.frame, e))
            .collect())
    }

    /// The key of the job a journal belongs to; `None` where there is none, or its head is damaged.
    ///
    /// # Errors
    /// Where the file is there but cannot be read.
    pub fn key_of(path: &Path) -> Result<Option<String>, NightError> {
        let bytes = match std::fs::read(path) {
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(None),
            Err(e) => return Err(disk(path, "read", e)),
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
        path: &Path,
        key: &str,
        done: impl Iterator<Item = &'a Entry>,
    ) -> Result<Self, NightError> {
        let mut text = Vec::new();
        push_line(&mut text, header(key).as_bytes());
        for entry in done {
            push_line(&mut text, to_json(entry).as_bytes());
        }
        crate::footage::write_bytes(path, &text)?;
        let file = OpenOptions::new().append(true).open(path).map_err(|e| disk(path, "open", e))?;
        Ok(Self { file, path: path.to_owned() })
    }

    /// Adds a finished frame; on the disk when this returns.
    ///
    /// # Errors
    /// Where it cannot be written.
    pub fn add(&mut self, entry: &Entry) -> Result<(), NightError> {
        let mut line = Vec::new();
        push_line(&mut line, to_json(entry).as_bytes());
        self.file.write_all(&line).map_err(|e| disk(&self.path, "write", e))?;
        self.file.sync_data().map_err(|e| disk(&self.path, "sync", e))
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
        let mut j = Journal::begin(&path, "k1", [entry(1)].iter()).unwrap();
        j.add(&entry(2)).unwrap();
        j.add(&entry(3)).unwrap();
        let done = Journal::read(&path, "k1").unwrap();
        assert_eq!(done.keys().copied().collect::<Vec<_>>(), [1, 2, 3]);
        assert_eq!(done[&2], entry(2));
        assert!(Journal::read(&path, "other").unwrap().is_empty());

        // A torn last line, then a flipped bit in the second.
        let whole = std::fs::read(&path).unwrap();
        std::fs::write(&path, &whole[..whole.len() - 5]).unwrap();
        assert_eq!(Journal::read(&path, "k1").unwrap().len(), 2);
        let mut flipped = whole.clone();
        let at = whole.iter().position(|&b| b == b'\n').unwrap() + 12;
        flipped[at] ^= 1;
        std::fs::write(&path, &flipped).unwrap();
        assert!(Journal::read(&path, "k1").unwrap().is_empty());
        assert!(Journal::read(&dir.path().join("none"), "k1").unwrap().is_empty());
    }
}
