//! Where the results of a night go: a folder, and the disk it lies on.

use std::io::{self, Read};
use std::path::Path;

use crate::footage::{Disk, FootageError, Written, hash_of, write_on};

/// A folder for results on a disk.
#[derive(Debug, Clone, Copy)]
pub struct Out<'a> {
    /// The folder given as `--out`; it need not be there yet.
    pub folder: &'a Path,
    /// What it lies on.
    pub disk: &'a dyn Disk,
}

impl Out<'_> {
    /// Writes a file, whole or not at all; durable when this returns.
    ///
    /// # Errors
    /// As [`write_on`].
    pub fn write(&self, path: &Path, bytes: &[u8]) -> Result<Written, FootageError> {
        write_on(self.disk, path, |w| w.write_all(bytes))
    }

    /// The bytes of a file.
    pub(super) fn read(&self, path: &Path) -> io::Result<Vec<u8>> {
        read(self.disk, path)
    }

    /// Hash and size of a file.
    pub(super) fn hash(&self, path: &Path) -> io::Result<Written> {
        hash_of(self.disk.open(path)?)
    }
}

/// The bytes of a file on a disk.
pub(super) fn read(disk: &dyn Disk, path: &Path) -> io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    disk.open(path)?.read_to_end(&mut bytes)?;
    Ok(bytes)
}
