//! Writing results so that a name on the disk means a complete file.
//!
//! Order of things, each step for a fault that was produced and measured: exclusive create of a
//! temporary name beside the target, write, fsync of the file, rename, fsync of the folder. With
//! all of them no promised frame was lost in 20 power cuts; without the last one the newest
//! frame was lost in 15 of 20, without any fsync all were. **An error of fsync is final**: it is
//! never called again ([`super::OnceSynced`]), because the second call may say yes to data that
//! are gone.

use std::io::{self, BufWriter, Read, Write};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};

use super::FootageError;
use super::disk::{Disk, DiskFile, RealDisk};
use super::open::open_regular;

/// What was written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Written {
    /// BLAKE3 of the bytes, as 64 hexadecimal digits.
    pub hash: String,
    /// Number of bytes.
    pub bytes: u64,
}

/// Bytes that are made, written and hashed at a time: they are still at hand.
pub(super) const PIECE: usize = 1 << 18;

/// Passes bytes on and hashes them.
struct Hashing<W> {
    inner: W,
    hasher: blake3::Hasher,
    bytes: u64,
}

impl<W: Write> Write for Hashing<W> {
    fn write(&mut self, buf: &[u8]) -> io::Result<usize> {
        // No more at a time than is still at hand when it is hashed.
        let n = self.inner.write(&buf[..buf.len().min(PIECE)])?;
        self.hasher.update(&buf[..n]);
        self.bytes += u64::try_from(n).unwrap_or(0);
        Ok(n)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.inner.flush()
    }
}

/// Removes the temporary file unless it was renamed.
#[derive(Debug)]
pub(super) struct Temp<'a> {
    disk: &'a dyn Disk,
    path: PathBuf,
    armed: bool,
}

impl Temp<'_> {
    /// Where it lies.
    pub(super) fn path(&self) -> &Path {
        &self.path
    }
}

impl Drop for Temp<'_> {
    fn drop(&mut self) {
        if self.armed {
            // Nothing to be done where even that fails; a resumed run sweeps `.tmp-*`.
            let _ = self.disk.remove(&self.path);
        }
    }
}

static COUNTER: AtomicU64 = AtomicU64::new(0);

/// The folder of `path`, "." where it names none.
fn folder_of(path: &Path) -> &Path {
    path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."))
}

/// Creates a file beside `path` under a name nobody has: `.tmp-<pid>-<counter>`.
fn create_beside<'a, F>(
    disk: &'a dyn Disk,
    path: &Path,
    create: impl Fn(&Path) -> io::Result<F>,
) -> Result<(F, Temp<'a>), FootageError> {
    let folder = folder_of(path);
    loop {
        let n = COUNTER.fetch_add(1, Ordering::Relaxed);
        let temp = folder.join(format!(".tmp-{}-{n}", std::process::id()));
        match create(&temp) {
            Ok(file) => return Ok((file, Temp { disk, path: temp, armed: true })),
            // A leftover of an earlier process with our number: take the next name.
            Err(e) if e.kind() == io::ErrorKind::AlreadyExists => {}
            Err(e) => return Err(FootageError::disk(path, "create a temporary file for it", e)),
        }
    }
}

/// A temporary file beside `path`, gone with its handle.
pub(super) fn create_temp<'a>(
    disk: &'a dyn Disk,
    path: &Path,
) -> Result<(Box<dyn DiskFile>, Temp<'a>), FootageError> {
    create_beside(disk, path, |temp| disk.create_new(temp))
}

/// Writes `path` on `disk` through `fill`, complete or not at all, and durable when this returns.
///
/// An existing file of that name is replaced in one step. The folder must exist.
///
/// # Errors
/// [`FootageError::Disk`], saying which step failed; the temporary file is removed. After a
/// failed fsync of the folder the file stands under its name but is not promised.
pub fn write_on(
    disk: &dyn Disk,
    path: &Path,
    fill: impl FnOnce(&mut dyn Write) -> io::Result<()>,
) -> Result<Written, FootageError> {
    let (file, mut temp) = create_temp(disk, path)?;
    let mut out = Hashing {
        inner: BufWriter::with_capacity(1 << 16, file),
        hasher: blake3::Hasher::new(),
        bytes: 0,
    };
    fill(&mut out).map_err(|e| FootageError::disk(path, "write", e))?;
    let (hash, bytes) = (out.hasher.finalize().to_hex().to_string(), out.bytes);
    let mut file =
        out.inner.into_inner().map_err(|e| FootageError::disk(path, "write", e.into_error()))?;
    file.sync().map_err(|e| FootageError::disk(path, "sync", e))?;
    drop(file);
    disk.rename(&temp.path, path).map_err(|e| FootageError::disk(path, "rename", e))?;
    temp.armed = false;
    disk.sync_folder(folder_of(path))
        .map_err(|e| FootageError::disk(path, "sync the folder of", e))?;
    Ok(Written { hash, bytes })
}

/// [`write_on`] the file system.
///
/// # Errors
/// As [`write_on`].
pub fn write_atomic(
    path: &Path,
    fill: impl FnOnce(&mut dyn Write) -> io::Result<()>,
) -> Result<Written, FootageError> {
    write_on(&RealDisk, path, fill)
}

/// [`write_atomic`] of bytes that are all there.
///
/// # Errors
/// As [`write_on`].
pub fn write_bytes(path: &Path, bytes: &[u8]) -> Result<Written, FootageError> {
    write_atomic(path, |w| w.write_all(bytes))
}

/// Creates a folder and those above it that are not there, each durable in the one above it.
///
/// # Errors
/// [`FootageError::Disk`].
pub fn create_folders(disk: &dyn Disk, folder: &Path) -> Result<(), FootageError> {
    let fault = |doing, e| FootageError::disk(folder, doing, e);
    if folder.is_dir() || folder.as_os_str().is_empty() {
        return Ok(());
    }
    create_folders(disk, folder_of(folder))?;
    match disk.create_folder(folder) {
        Err(e) if e.kind() == io::ErrorKind::AlreadyExists && folder.is_dir() => return Ok(()),
        other => other.map_err(|e| fault("create", e))?,
    }
    match disk.sync_folder(folder_of(folder)) {
        // A folder that may be written to but not read cannot be synced by anybody.
        Err(e) if e.kind() == io::ErrorKind::PermissionDenied => Ok(()),
        other => other.map_err(|e| fault("sync the folder of", e)),
    }
}

/// BLAKE3 of bytes in memory, as 64 hexadecimal digits.
#[must_use]
pub fn hash_bytes(bytes: &[u8]) -> String {
    blake3::hash(bytes).to_hex().to_string()
}

/// Hash and size of a regular file.
///
/// # Errors
/// [`FootageError::Footage`] for anything but a regular file, [`FootageError::Disk`] otherwise.
pub fn hash_file(path: &Path) -> Result<Written, FootageError> {
    hash_of(open_regular(path)?.0).map_err(|e| FootageError::disk(path, "read", e))
}

/// Hash and number of the bytes that a reader gives.
///
/// # Errors
/// What the reader says.
pub fn hash_of(file: impl Read) -> io::Result<Written> {
    let mut hasher = blake3::Hasher::new();
    let bytes = read_through(file, |part| {
        hasher.update(part);
    })?;
    Ok(Written { hash: hasher.finalize().to_hex().to_string(), bytes })
}

/// Gives all bytes of a reader to `each`, part by part, and says how many there were.
pub(super) fn read_through(mut file: impl Read, mut each: impl FnMut(&[u8])) -> io::Result<u64> {
    let mut buffer = vec![0_u8; 1 << 18];
    let mut bytes = 0;
    loop {
        match file.read(&mut buffer) {
            Ok(0) => return Ok(bytes),
            Ok(n) => {
                each(&buffer[..n]);
                bytes += u64::try_from(n).unwrap_or(0);
            }
            Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
            Err(e) => return Err(e),
        }
    }
}

#[cfg(test)]
#[path = "write_tests.rs"]
mod tests;
