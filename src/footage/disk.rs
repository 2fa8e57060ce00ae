//! The disk that results are written to, behind one small trait, so that a test can put another
//! one in its place and let each single operation fail (`tests/disk.rs`).
//!
//! [`RealDisk`] is the file system. [`OnceSynced`] stands before any disk and makes an error of a
//! sync final: after one, nothing more is written or promised. The reason was measured: a thin
//! volume on a full one said ENOSPC on the first fsync, EIO on the second, **yes** on the third,
//! and the file was gone after the next mount.

use std::ffi::OsString;
use std::fmt::Debug;
use std::fs::{self, File, OpenOptions};
use std::io::{self, Read, Write};
use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

use super::FootageError;
use super::open::open_regular;

/// A file being written.
pub trait DiskFile: Write + Send + Debug {
    /// Makes what was written durable.
    ///
    /// # Errors
    /// What the system says; it must not be called again after that.
    fn sync(&mut self) -> io::Result<()>;
}

/// What results are written to and read back from. Every method is one operation that can fail.
pub trait Disk: Sync + Debug {
    /// Creates a file that must not be there yet.
    ///
    /// # Errors
    /// What the system says; `AlreadyExists` where there is one.
    fn create_new(&self, path: &Path) -> io::Result<Box<dyn DiskFile>>;

    /// Opens a file to write at its end.
    ///
    /// # Errors
    /// What the system says.
    fn append(&self, path: &Path) -> io::Result<Box<dyn DiskFile>>;

    /// Opens a regular file for reading.
    ///
    /// # Errors
    /// What the system says; an error also for anything but a regular file.
    fn open(&self, path: &Path) -> io::Result<Box<dyn Read>>;

    /// Names in a folder, in no order.
    ///
    /// # Errors
    /// What the system says.
    fn list(&self, folder: &Path) -> io::Result<Vec<OsString>>;

    /// Gives a file another name in the same folder; a file of that name is replaced in one step.
    ///
    /// # Errors
    /// What the system says.
    fn rename(&self, from: &Path, to: &Path) -> io::Result<()>;

    /// Removes a file.
    ///
    /// # Errors
    /// What the system says; `NotFound` where there is none.
    fn remove(&self, path: &Path) -> io::Result<()>;

    /// Creates a folder in one that is there.
    ///
    /// # Errors
    /// What the system says; `AlreadyExists` where there is something of that name.
    fn create_folder(&self, path: &Path) -> io::Result<()>;

    /// Makes the names in a folder durable.
    ///
    /// # Errors
    /// What the system says.
    fn sync_folder(&self, folder: &Path) -> io::Result<()>;

    /// Bytes that are free where `folder` lies.
    ///
    /// # Errors
    /// What the system says.
    fn free(&self, folder: &Path) -> io::Result<u64>;
}

/// The file system.
#[derive(Debug, Clone, Copy, Default)]
pub struct RealDisk;

impl DiskFile for File {
    fn sync(&mut self) -> io::Result<()> {
        self.sync_all()
    }
}

impl Disk for RealDisk {
    fn create_new(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        Ok(Box::new(OpenOptions::new().write(true).create_new(true).open(path)?))
    }

    fn append(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        Ok(Box::new(OpenOptions::new().append(true).open(path)?))
    }

    fn open(&self, path: &Path) -> io::Result<Box<dyn Read>> {
        match open_regular(path) {
            Ok((file, _)) => Ok(Box::new(file)),
            Err(FootageError::Disk { source, .. }) => Err(source),
            Err(other) => Err(io::Error::other(other.to_string())),
        }
    }

    fn list(&self, folder: &Path) -> io::Result<Vec<OsString>> {
        fs::read_dir(folder)?.map(|e| Ok(e?.file_name())).collect()
    }

    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        fs::rename(from, to)
    }

    fn remove(&self, path: &Path) -> io::Result<()> {
        fs::remove_file(path)
    }

    fn create_folder(&self, path: &Path) -> io::Result<()> {
        fs::create_dir(path)
    }

    /// Some network shares do not know the call and order names themselves; that is no error.
    #[cfg(unix)]
    fn sync_folder(&self, folder: &Path) -> io::Result<()> {
        match File::open(folder)?.sync_all() {
            Err(e)
                if matches!(e.kind(), io::ErrorKind::InvalidInput | io::ErrorKind::Unsupported) =>
            {
                Ok(())
            }
            other => other,
        }
    }

    /// Folders cannot be opened as files here; the system orders renames itself.
    #[cfg(not(unix))]
    fn sync_folder(&self, _folder: &Path) -> io::Result<()> {
        Ok(())
    }

    fn free(&self, folder: &Path) -> io::Result<u64> {
        fs4::available_space(folder)
    }
}

/// A disk on which an error of a sync is final.
///
/// Syncs of folders go one at a time: the kernel reports an error to one caller only, so a second
/// one at the same moment could be told yes for names that are lost.
#[derive(Debug)]
pub struct OnceSynced<'a> {
    disk: &'a dyn Disk,
    lost: Arc<AtomicBool>,
    names: Mutex<()>,
}

impl<'a> OnceSynced<'a> {
    /// Before `disk`.
    #[must_use]
    pub fn new(disk: &'a dyn Disk) -> Self {
        Self { disk, lost: Arc::default(), names: Mutex::new(()) }
    }

    fn file(&self, file: Box<dyn DiskFile>) -> Box<dyn DiskFile> {
        Box::new(OnceFile { file, lost: Arc::clone(&self.lost) })
    }
}

/// Does `what` unless a sync failed before.
fn unless_lost<T>(lost: &AtomicBool, what: impl FnOnce() -> io::Result<T>) -> io::Result<T> {
    if lost.load(Ordering::SeqCst) {
        return Err(io::Error::other(
            "an earlier sync of this disk failed, so nothing more is written to it by this run: \
             look at the disk, then run again",
        ));
    }
    what()
}

#[derive(Debug)]
struct OnceFile {
    file: Box<dyn DiskFile>,
    lost: Arc<AtomicBool>,
}

impl Write for OnceFile {
    fn write(&mut self, buf: &[u8]) -> io::Result<usize> {
        unless_lost(&self.lost, || self.file.write(buf))
    }

    fn flush(&mut self) -> io::Result<()> {
        self.file.flush()
    }
}

impl DiskFile for OnceFile {
    fn sync(&mut self) -> io::Result<()> {
        unless_lost(&self.lost, || self.file.sync())
            .inspect_err(|_| self.lost.store(true, Ordering::SeqCst))
    }
}

impl Disk for OnceSynced<'_> {
    fn create_new(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        unless_lost(&self.lost, || self.disk.create_new(path)).map(|f| self.file(f))
    }

    fn append(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        unless_lost(&self.lost, || self.disk.append(path)).map(|f| self.file(f))
    }

    fn open(&self, path: &Path) -> io::Result<Box<dyn Read>> {
        self.disk.open(path)
    }

    fn list(&self, folder: &Path) -> io::Result<Vec<OsString>> {
        self.disk.list(folder)
    }

    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        unless_lost(&self.lost, || self.disk.rename(from, to))
    }

    fn remove(&self, path: &Path) -> io::Result<()> {
        self.disk.remove(path)
    }

    fn create_folder(&self, path: &Path) -> io::Result<()> {
        unless_lost(&self.lost, || self.disk.create_folder(path))
    }

    fn sync_folder(&self, folder: &Path) -> io::Result<()> {
        let _one = self.names.lock().unwrap_or_else(PoisonError::into_inner);
        unless_lost(&self.lost, || self.disk.sync_folder(folder)).inspect_err(|e| {
            // A folder that may not be read could not be opened: nothing was synced, nothing lost.
            if e.kind() != io::ErrorKind::PermissionDenied {
                self.lost.store(true, Ordering::SeqCst);
            }
        })
    }

    fn free(&self, folder: &Path) -> io::Result<u64> {
        self.disk.free(folder)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A disk whose first sync of names fails, and that says yes ever after.
    #[derive(Debug, Default)]
    struct Lying {
        syncs: AtomicBool,
    }

    impl Disk for Lying {
        fn create_new(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
            RealDisk.create_new(path)
        }

        fn append(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
            RealDisk.append(path)
        }

        fn open(&self, path: &Path) -> io::Result<Box<dyn Read>> {
            RealDisk.open(path)
        }

        fn list(&self, folder: &Path) -> io::Result<Vec<OsString>> {
            RealDisk.list(folder)
        }

        fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
            RealDisk.rename(from, to)
        }

        fn remove(&self, path: &Path) -> io::Result<()> {
            RealDisk.remove(path)
        }

        fn create_folder(&self, path: &Path) -> io::Result<()> {
            RealDisk.create_folder(path)
        }

        fn sync_folder(&self, _folder: &Path) -> io::Result<()> {
            let first = !self.syncs.swap(true, Ordering::SeqCst);
            if first { Err(io::ErrorKind::StorageFull.into()) } else { Ok(()) }
        }

        fn free(&self, _folder: &Path) -> io::Result<u64> {
            Ok(0)
        }
    }

    #[test]
    fn after_a_failed_sync_nothing_is_promised_any_more() {
        let dir = tempfile::tempdir().unwrap();
        let (lying, path) = (Lying::default(), dir.path().join("000001.tif"));
        let disk = OnceSynced::new(&lying);
        let mut early = disk.create_new(&path).unwrap();
        early.write_all(b"frame").unwrap();
        assert!(disk.sync_folder(dir.path()).is_err());
        let refused = |e: io::Error| e.to_string().contains("earlier sync");
        assert!(refused(disk.sync_folder(dir.path()).unwrap_err()));
        assert!(refused(early.sync().unwrap_err()));
        assert!(refused(early.write(b"x").unwrap_err()));
        assert!(refused(disk.create_new(&dir.path().join("000002.tif")).unwrap_err()));
        assert!(refused(disk.append(&path).unwrap_err()));
        assert!(refused(disk.rename(&path, &dir.path().join("b")).unwrap_err()));
        assert!(refused(disk.create_folder(&dir.path().join("c")).unwrap_err()));
        // What lies there can be looked at and cleared away.
        assert_eq!(disk.list(dir.path()).unwrap().len(), 1);
        disk.remove(&path).unwrap();
    }
}
