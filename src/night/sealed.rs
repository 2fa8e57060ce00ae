//! Small files that say which job they belong to and whether they are whole: the analysis, and
//! what the parts of a clip's work hand on.

use std::path::Path;

use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};

use super::out;
use crate::footage::{Disk, hash_bytes};

/// Why a file that was written is not taken: its bytes are not those that were written.
pub(super) const DAMAGED: &str = "is damaged";

/// A value as text, with the key of its job and the hash of the text.
#[derive(Debug, Serialize, Deserialize)]
pub(super) struct Sealed {
    key: String,
    pub(super) blake3: String,
    body: String,
}

impl Sealed {
    pub(super) fn new(key: &str, value: &impl Serialize) -> Self {
        let body = serde_json::to_string(value).unwrap_or_default();
        Self { key: key.to_owned(), blake3: hash_bytes(body.as_bytes()), body }
    }

    /// A file of the job with this key, where it is whole; why not, in words.
    pub(super) fn read(disk: &dyn Disk, path: &Path, key: &str) -> Result<Self, &'static str> {
        let bytes = out::read(disk, path).map_err(|e| match e.kind() {
            std::io::ErrorKind::NotFound => "is missing",
            _ => "cannot be read",
        })?;
        let sealed: Self = serde_json::from_slice(&bytes).map_err(|_| DAMAGED)?;
        if sealed.blake3 != hash_bytes(sealed.body.as_bytes()) {
            return Err(DAMAGED);
        }
        if sealed.key != key {
            return Err("belongs to other settings, another version, or frames that have changed");
        }
        Ok(sealed)
    }

    /// The value.
    pub(super) fn value<T: DeserializeOwned>(&self) -> Result<T, &'static str> {
        serde_json::from_str(&self.body).map_err(|_| DAMAGED)
    }

    /// What is written into the file.
    pub(super) fn text(&self) -> String {
        serde_json::to_string(self).unwrap_or_default()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::footage::RealDisk;
    use std::fs;

    #[test]
    fn one_of_another_job_or_a_damaged_one_is_not_taken() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("analyse-1-of-1.json");
        let read = |key| Sealed::read(&RealDisk, &path, key).and_then(|s| s.value::<Vec<f64>>());
        assert_eq!(read("k"), Err("is missing"));
        // Numbers that do not come back to the bit when a reader rounds carelessly.
        let body: Vec<f64> = (1..2000).map(|k| 1e3 * libm::sin(f64::from(k))).collect();
        fs::write(&path, Sealed::new("k", &body).text()).unwrap();
        assert_eq!(read("k"), Ok(body));
        assert!(read("other").unwrap_err().contains("other settings"));
        let mut bytes = fs::read(&path).unwrap();
        let at = bytes.iter().position(|&b| b == b'3').unwrap();
        bytes[at] = b'4';
        fs::write(&path, bytes).unwrap();
        assert_eq!(read("k"), Err(DAMAGED));
    }
}
