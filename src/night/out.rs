//! Where the results of a night go: a folder, the disk it lies on, and how long a run waits for
//! room there.

use std::io::{self, Read, Write};
use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

use super::NightError;
use crate::engine::Work;
use crate::footage::{Disk, FootageError, Written, hash_of, printable, write_on};

/// Bytes that are kept free for what is written beside the frames: journal, table, record, seal.
pub const RESERVE: u64 = 8 << 20;
/// How long a run waits for room where nothing else is said: a night.
pub const PATIENCE: Duration = Duration::from_secs(8 * 3600);
/// How often it looks whether there is room again.
const LOOK_EVERY: Duration = Duration::from_secs(2);

/// How long a run waits for room, all its pauses together.
#[derive(Debug)]
pub struct Patience {
    limit: Duration,
    look: Duration,
    left: Mutex<Duration>,
    /// Whether the person was told of a wait that is not over.
    told: AtomicBool,
}

impl Patience {
    /// With a limit; zero fails at once.
    #[must_use]
    pub fn new(limit: Duration) -> Self {
        Self::looking(limit, LOOK_EVERY)
    }

    /// The same, looking at the disk that often.
    #[must_use]
    pub fn looking(limit: Duration, look: Duration) -> Self {
        Self { limit, look, left: Mutex::new(limit), told: AtomicBool::new(false) }
    }
}

/// A folder for results on a disk.
#[derive(Debug, Clone, Copy)]
pub struct Out<'a> {
    /// The folder given as `--out`; it need not be there yet.
    pub folder: &'a Path,
    /// What it lies on.
    pub disk: &'a dyn Disk,
    /// What is done when it is full.
    pub patience: &'a Patience,
}

impl Out<'_> {
    /// Writes a file, whole or not at all; durable when this returns. Where the disk is full it waits
    /// for room and writes again; after a failed sync it does not.
    ///
    /// # Errors
    /// As [`write_on`]; [`NightError::Refused`] where no room came.
    pub fn write(&self, path: &Path, bytes: &[u8], work: &Work<'_>) -> Result<Written, NightError> {
        self.write_by(path, bytes.len() as u64, work, |w| w.write_all(bytes))
    }

    /// The same of `needed` bytes that `fill` writes, each time that it is asked to.
    ///
    /// # Errors
    /// As [`Self::write`].
    pub fn write_by(
        &self,
        path: &Path,
        needed: u64,
        work: &Work<'_>,
        fill: impl Fn(&mut dyn Write) -> io::Result<()>,
    ) -> Result<Written, NightError> {
        self.room_for(needed, work)?;
        loop {
            match write_on(self.disk, path, &fill) {
                // A quota, or somebody was faster.
                Err(e) if no_room(&e) => self.pause(needed, work, |_| false)?,
                other => {
                    self.going_on(work);
                    return Ok(other?);
                }
            }
        }
    }

    /// Waits until `bytes` and [`RESERVE`] are free. Where the system does not tell, there is room.
    ///
    /// # Errors
    /// [`NightError::Refused`] where no room came in time; stopped on request.
    pub fn room_for(&self, bytes: u64, work: &Work<'_>) -> Result<(), NightError> {
        let needed = bytes.saturating_add(RESERVE);
        let enough = |free: Option<u64>| free.is_none_or(|f| f >= needed);
        if enough(self.free()) { Ok(()) } else { self.pause(needed, work, enough) }
    }

    fn free(&self) -> Option<u64> {
        // The folder may not be there yet.
        let there = self.folder.ancestors().find(|p| p.exists()).unwrap_or(Path::new("."));
        self.disk.free(there).ok()
    }

    /// Waits until `enough`, or for one look where that cannot be told. One thread waits; others that
    /// come meanwhile wait for it.
    fn pause(
        &self,
        needed: u64,
        work: &Work<'_>,
        enough: impl Fn(Option<u64>) -> bool,
    ) -> Result<(), NightError> {
        let mut left = self.patience.left.lock().unwrap_or_else(PoisonError::into_inner);
        loop {
            let free = self.free();
            if enough(free) {
                self.going_on(work);
                return Ok(());
            }
            let short = self.short(free, needed);
            if left.is_zero() {
                return Err(NightError::Refused(format!(
                    "{short}; no room came within {} s: make room, then the same command goes on",
                    self.patience.limit.as_secs()
                )));
            }
            if !self.patience.told.swap(true, Ordering::SeqCst) {
                work.progress.note(&format!(
                    "{short}; waiting {} s at the most: make room, or stop with Ctrl-C",
                    left.as_secs()
                ));
            }
            let from = Instant::now();
            let until = self.patience.look.min(*left);
            while from.elapsed() < until {
                work.check()?;
                std::thread::sleep(Duration::from_millis(100).min(until));
            }
            *left = left.saturating_sub(from.elapsed().max(until));
            if free.is_none_or(|f| f >= needed) {
                return Ok(());
            }
        }
    }

    /// Tells the person that a wait is over, where there was one.
    fn going_on(&self, work: &Work<'_>) {
        if self.patience.told.swap(false, Ordering::SeqCst) {
            let place = printable(self.folder);
            work.progress.note(&format!("{place}: there is room again; going on"));
        }
    }

    fn short(&self, free: Option<u64>, needed: u64) -> String {
        let place = printable(self.folder);
        let mib = |bytes: u64| bytes.div_ceil(1 << 20);
        match free {
            Some(free) if free < needed => format!(
                "{place}: the disk is full: {} MiB free, {} MiB needed for what comes next",
                mib(free),
                mib(needed)
            ),
            _ => format!(
                "{place}: the disk is full: it takes no more files though it may say that bytes \
                 are free (a quota, or no inodes)"
            ),
        }
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

/// Whether a file could not be written for want of room. Never after a failed sync: that is final.
fn no_room(e: &FootageError) -> bool {
    let full = |e: &io::Error| {
        matches!(e.kind(), io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded)
    };
    matches!(e, FootageError::Disk { doing, source, .. }
        if !doing.starts_with("sync") && full(source))
}

/// The bytes of a file on a disk.
pub(super) fn read(disk: &dyn Disk, path: &Path) -> io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    disk.open(path)?.read_to_end(&mut bytes)?;
    Ok(bytes)
}
