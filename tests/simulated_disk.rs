//! A disk that keeps apart what was written and what would survive a power cut, and that fails
//! where a test wants it to.
//!
//! What is written lies in a real folder, so that it can be read in any way. Beside it this keeps
//! what is durable: bytes of a file up to its last sync, names of a folder up to its last sync.
//! Nothing else is assumed: not that a sync of a file makes its name durable, not that names
//! become durable in order. That is less than any common file system gives (A. Rebello and others,
//! "Can Applications Recover from fsync Failures?", USENIX ATC 2020; T. Pillai and others, "All File
//! Systems Are Not Created Equal", OSDI 2014): after a failed sync the bytes are readable and a
//! second sync says yes, but they are never durable.

use std::collections::{BTreeMap, BTreeSet};
use std::ffi::OsString;
use std::fs::{self, OpenOptions};
use std::io::{self, ErrorKind, Read, Write};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard};

use hushframe::footage::{Disk, DiskFile};

/// What happens to one operation.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Fault {
    /// No space left.
    Full,
    /// Input/output error.
    Io,
    /// A write takes half of the bytes; the next one finds the disk full.
    Short,
    /// The machine stops: this operation and all after it do not happen.
    Crash,
}

/// What of the not yet durable is there after a power cut.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Survives {
    Nothing,
    Everything,
    /// Any part of it, from a seed.
    Some(u64),
}

#[derive(Debug)]
struct Content {
    now: Vec<u8>,
    durable: Vec<u8>,
    /// A sync failed: nothing of it becomes durable any more.
    lost: bool,
}

#[derive(Debug, Clone)]
enum Change {
    Link(PathBuf, usize),
    Unlink(PathBuf),
    Rename(PathBuf, PathBuf, usize),
    Folder(PathBuf),
}

#[derive(Debug, Default)]
struct State {
    operations: u64,
    writes: u64,
    fault: Option<(u64, Fault)>,
    hit: Option<String>,
    dead: bool,
    full: bool,
    files: Vec<Content>,
    names: BTreeMap<PathBuf, usize>,
    durable: BTreeMap<PathBuf, usize>,
    folders: BTreeSet<PathBuf>,
    /// Changes of names that no sync of their folder followed.
    pending: Vec<(PathBuf, Change)>,
    lost_folders: BTreeSet<PathBuf>,
    /// Syncs that were tried again after they had failed.
    retried: Vec<PathBuf>,
}

/// The disk.
#[derive(Debug)]
pub(crate) struct SimulatedDisk {
    root: PathBuf,
    state: Arc<Mutex<State>>,
    /// How often the disk is still said to be nearly full.
    low: AtomicU64,
}

fn enospc() -> io::Error {
    ErrorKind::StorageFull.into()
}

/// EIO of Linux.
fn eio() -> io::Error {
    io::Error::from_raw_os_error(5)
}

fn above(path: &Path) -> PathBuf {
    path.parent().unwrap().to_owned()
}

impl State {
    /// Counts an operation and lets it fail where it should. `room`: whether it needs any.
    fn step(&mut self, what: &str, path: &Path, room: bool) -> io::Result<()> {
        self.operations += 1;
        if self.dead {
            return Err(eio());
        }
        let at = self.operations;
        match self.fault {
            Some((k, fault)) if k == at && fault != Fault::Short => {
                self.hit = Some(format!("{fault:?} at {at}: {what} {}", path.display()));
                self.dead = fault == Fault::Crash;
                Err(if fault == Fault::Full && room { enospc() } else { eio() })
            }
            _ => Ok(()),
        }
    }

    /// How many of `length` bytes a write takes.
    fn take(&mut self, length: usize, path: &Path) -> io::Result<usize> {
        self.writes += 1;
        if std::mem::take(&mut self.full) {
            return Err(enospc());
        }
        if self.fault == Some((self.writes, Fault::Short)) {
            self.hit = Some(format!("short write {} of {}", self.writes, path.display()));
            self.full = true;
            return Ok(length / 2);
        }
        Ok(length)
    }

    fn change(&mut self, change: Change) {
        let folder = match &change {
            Change::Link(p, _)
            | Change::Unlink(p)
            | Change::Rename(p, _, _)
            | Change::Folder(p) => above(p),
        };
        self.pending.push((folder, change));
    }

    fn settle(&mut self, change: Change) {
        match change {
            Change::Link(path, id) => {
                self.durable.insert(path, id);
            }
            Change::Unlink(path) => {
                self.durable.remove(&path);
            }
            Change::Rename(from, to, id) => {
                self.durable.remove(&from);
                self.durable.insert(to, id);
            }
            Change::Folder(path) => {
                self.folders.insert(path);
            }
        }
    }
}

impl SimulatedDisk {
    /// Over a folder; what is there already, and the folders above it, are durable.
    pub(crate) fn over(root: &Path, fault: Option<(u64, Fault)>) -> Self {
        let mut state = State { fault, ..State::default() };
        state.folders.extend(root.ancestors().map(Path::to_owned));
        state.folders.remove(root);
        if root.is_dir() {
            for entry in walkdir::WalkDir::new(root).into_iter().map(Result::unwrap) {
                let path = entry.path().to_owned();
                if entry.file_type().is_dir() {
                    state.folders.insert(path);
                } else {
                    let bytes = fs::read(&path).unwrap();
                    let id = state.files.len();
                    state.files.push(Content { now: bytes.clone(), durable: bytes, lost: false });
                    state.names.insert(path.clone(), id);
                    state.durable.insert(path, id);
                }
            }
        }
        Self { root: root.to_owned(), state: Arc::new(Mutex::new(state)), low: AtomicU64::new(0) }
    }

    fn state(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap()
    }

    /// The next `n` times it is asked, the disk is nearly full.
    pub(crate) fn low_for(self, n: u64) -> Self {
        self.low.store(n, Ordering::SeqCst);
        self
    }

    /// What was made to fail, where that operation was come to.
    pub(crate) fn hit(&self) -> Option<String> {
        self.state().hit.clone()
    }

    /// Syncs that were called again after they had failed.
    pub(crate) fn retried(&self) -> Vec<PathBuf> {
        self.state().retried.clone()
    }

    /// Cuts the power: the folder holds what survives.
    pub(crate) fn cut(&self, survives: Survives) {
        let mut s = self.state();
        let mut seed = match survives {
            Survives::Some(seed) => seed,
            _ => 0,
        };
        // D. Knuth's multiplier for 64 bits, from memory; any would do.
        let mut draw = |n: u64| {
            seed = seed
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            (seed >> 33) % n
        };
        for (_, change) in std::mem::take(&mut s.pending) {
            let stays = match survives {
                Survives::Nothing => false,
                Survives::Everything => true,
                Survives::Some(_) => draw(2) == 0,
            };
            if stays {
                s.settle(change);
            }
        }
        if self.root.exists() {
            fs::remove_dir_all(&self.root).unwrap();
        }
        let inside = |p: &&PathBuf| p.starts_with(&self.root);
        for folder in s.folders.iter().filter(inside) {
            // A folder whose own folder did not survive is gone with it.
            let _ = fs::create_dir(folder);
        }
        for (path, id) in &s.durable {
            let file = &s.files[*id];
            let bytes = match survives {
                Survives::Nothing => file.durable.clone(),
                Survives::Everything => file.now.clone(),
                Survives::Some(_) => match draw(4) {
                    0 => file.durable.clone(),
                    1 => file.now.clone(),
                    // Torn: a part of what came after the last sync, or its length without its bytes.
                    2 => {
                        let (a, b) = (file.durable.len(), file.now.len());
                        let end = a + (b - a.min(b)) / 2;
                        file.now.get(..end).unwrap_or(&file.durable).to_vec()
                    }
                    _ => {
                        let mut bytes = file.durable.clone();
                        bytes.resize(file.now.len().max(bytes.len()), 0);
                        bytes
                    }
                },
            };
            if above(path).is_dir() {
                fs::write(path, bytes).unwrap();
            }
        }
    }
}

#[derive(Debug)]
struct SimulatedFile {
    file: fs::File,
    path: PathBuf,
    id: usize,
    state: Arc<Mutex<State>>,
}

impl Write for SimulatedFile {
    fn write(&mut self, buf: &[u8]) -> io::Result<usize> {
        let mut s = self.state.lock().unwrap();
        s.step("write", &self.path, true)?;
        let n = s.take(buf.len(), &self.path)?;
        self.file.write_all(&buf[..n])?;
        s.files[self.id].now.extend_from_slice(&buf[..n]);
        Ok(n)
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

impl DiskFile for SimulatedFile {
    fn sync(&mut self) -> io::Result<()> {
        let mut s = self.state.lock().unwrap();
        if s.files[self.id].lost {
            s.retried.push(self.path.clone());
        }
        if let Err(e) = s.step("sync", &self.path, true) {
            s.files[self.id].lost |= !s.dead;
            return Err(e);
        }
        let file = &mut s.files[self.id];
        if !file.lost {
            file.durable = file.now.clone();
        }
        Ok(())
    }
}

impl Disk for SimulatedDisk {
    fn create_new(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        let mut s = self.state();
        s.step("create", path, true)?;
        let file = OpenOptions::new().write(true).create_new(true).open(path)?;
        let id = s.files.len();
        s.files.push(Content { now: Vec::new(), durable: Vec::new(), lost: false });
        s.names.insert(path.to_owned(), id);
        s.change(Change::Link(path.to_owned(), id));
        let (path, state) = (path.to_owned(), Arc::clone(&self.state));
        Ok(Box::new(SimulatedFile { file, path, id, state }))
    }

    fn append(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        let mut s = self.state();
        s.step("append", path, false)?;
        let file = OpenOptions::new().append(true).open(path)?;
        let id = s.names[path];
        let (path, state) = (path.to_owned(), Arc::clone(&self.state));
        Ok(Box::new(SimulatedFile { file, path, id, state }))
    }

    fn open(&self, path: &Path) -> io::Result<Box<dyn Read>> {
        self.state().step("open", path, false)?;
        Ok(Box::new(fs::File::open(path)?))
    }

    fn list(&self, folder: &Path) -> io::Result<Vec<OsString>> {
        self.state().step("list", folder, false)?;
        fs::read_dir(folder)?.map(|e| Ok(e?.file_name())).collect()
    }

    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        let mut s = self.state();
        s.step("rename", to, true)?;
        fs::rename(from, to)?;
        let id = s.names.remove(from).unwrap();
        s.names.insert(to.to_owned(), id);
        s.change(Change::Rename(from.to_owned(), to.to_owned(), id));
        Ok(())
    }

    fn remove(&self, path: &Path) -> io::Result<()> {
        let mut s = self.state();
        s.step("remove", path, false)?;
        fs::remove_file(path)?;
        s.names.remove(path);
        s.change(Change::Unlink(path.to_owned()));
        Ok(())
    }

    fn create_folder(&self, path: &Path) -> io::Result<()> {
        let mut s = self.state();
        s.step("create folder", path, true)?;
        fs::create_dir(path)?;
        s.change(Change::Folder(path.to_owned()));
        Ok(())
    }

    fn sync_folder(&self, folder: &Path) -> io::Result<()> {
        let mut s = self.state();
        if s.lost_folders.contains(folder) {
            s.retried.push(folder.to_owned());
        }
        let failed = s.step("sync folder", folder, true);
        if s.dead {
            return failed;
        }
        let (mine, others) =
            std::mem::take(&mut s.pending).into_iter().partition(|(f, _)| f == folder);
        s.pending = others;
        if failed.is_err() {
            // What was pending is lost, whatever a later sync says.
            s.lost_folders.insert(folder.to_owned());
            return failed;
        }
        let mine: Vec<(PathBuf, Change)> = mine;
        mine.into_iter().for_each(|(_, change)| s.settle(change));
        Ok(())
    }

    fn free(&self, folder: &Path) -> io::Result<u64> {
        self.state().step("free", folder, false)?;
        let low = self.low.fetch_update(Ordering::SeqCst, Ordering::SeqCst, |n| n.checked_sub(1));
        Ok(if low.is_ok() { 3 << 20 } else { 1 << 40 })
    }
}
