//! The folders that results are written to: whose they are, who is at work in them, what may lie
//! there.

use std::collections::BTreeSet;
use std::fs::{self, File, OpenOptions};
use std::io::{Read, Write};
use std::path::Path;

use serde_json::Value;

use super::NightError;
use super::job::ClipJob;
use crate::engine::source::Source;
use crate::footage::{
    Disk, FAILED, FootageError, check_no_footage, check_output, clip_folders, create_folders,
    hash_bytes, hash_file, printable,
};

/// Folder of the finished frames, in the clip's folder.
pub(super) const FRAMES: &str = "frames";
/// Folder of the parts' files, in the clip's folder.
pub(super) const SHARDS: &str = "shards";
/// Folder of master references, in the output folder.
pub(super) const REFERENCES: &str = ".references";

/// Folder of kept streams, in the output folder.
const STREAMS: &str = ".input";
/// How names of temporary files begin; then come process and number.
const TEMPORARY: &str = ".tmp-";

/// Name of a finished frame.
#[must_use]
pub fn file_name(frame: u64) -> String {
    format!("{frame:06}.tif")
}

/// The folders a job reads.
#[must_use]
pub fn inputs(job: &ClipJob) -> Vec<&Path> {
    let mut all = vec![job.input.as_path()];
    all.extend(job.dark.as_deref());
    all.extend(job.flat.as_deref());
    all
}

/// Refuses an `out` where results of the job would lie in, or be, one of `inputs`.
///
/// Every folder that is written to is looked at: an output above an input is allowed, but not one
/// whose `<clip>/frames` is that input.
///
/// # Errors
/// As [`check_output`].
pub fn check_places(job: &ClipJob, out: &Path, inputs: &[&Path]) -> Result<(), FootageError> {
    let folder = out.join(&job.name);
    if let Some(file) = out.ancestors().find(|p| p.exists()).filter(|p| p.is_file()) {
        return Err(FootageError::Output {
            path: printable(out),
            what: format!("{} is a file: name a folder for the results", printable(file)),
        });
    }
    check_output(out, inputs)?;
    check_no_footage(out)?;
    check_no_footage(&folder)?;
    check_output(&out.join(REFERENCES), inputs)?;
    check_output(&folder, inputs)?;
    check_output(&folder.join(FRAMES), inputs)
}

/// Refuses a folder that holds pictures, or files of the names that are written here, though no run has
/// been there: they may be originals, or somebody's work.
pub(super) fn check_ours(folder: &Path) -> Result<(), NightError> {
    const WRITTEN: [&str; 12] = [
        "frames.csv",
        "record.json",
        "complete.json",
        "report.html",
        "preview.mp4",
        "preview.json",
        "thumb.png",
        "compare-before.png",
        "compare-after.png",
        "compare.json",
        "took.json",
        "lock",
    ];
    let traces = ["journal.jsonl", "analysis.json", FAILED];
    if traces.iter().any(|t| folder.join(t).exists()) || locked_by_us(folder) {
        return Ok(());
    }
    let frames = folder.join(FRAMES);
    let used = fs::read_dir(&frames).is_ok_and(|mut d| d.next().is_some()).then_some(frames);
    match used.or_else(|| WRITTEN.map(|n| folder.join(n)).into_iter().find(|p| p.exists())) {
        Some(place) => Err(NightError::Refused(format!(
            "{}: no run made this: choose another --out",
            printable(&place)
        ))),
        None => Ok(()),
    }
}

/// Whether the lock of a clip's folder says what ours say.
fn locked_by_us(folder: &Path) -> bool {
    let text = fs::read_to_string(folder.join("lock"));
    text.is_ok_and(|t| t.is_empty() || t.starts_with(PROCESS) || t == PARTS)
}

/// Refuses the folder of a clip with which `source` has no frame in common: its finished frames would
/// be replaced. Some frames are looked at; the same ones in another place are no other clip.
pub(super) fn check_same(folder: &Path, source: &Source) -> Result<(), NightError> {
    const LOOKED_AT: usize = 5;
    let other = |what: String| NightError::OtherClip { place: printable(folder), what };
    let record = read_json(&folder.join("record.json"));
    if source.paged {
        let known = record.as_ref().and_then(|r| r.pointer("/inputs/head")?.as_str());
        return match (known, head(source)) {
            (Some(known), Some(now)) if known != now => {
                Err(other("its file begins otherwise".to_owned()))
            }
            _ => Ok(()),
        };
    }
    let known = known_hashes(folder, record.as_ref());
    if known.is_empty() {
        return Ok(());
    }
    let frames = &source.clip.frames;
    let some = frames.iter().step_by(frames.len().div_ceil(LOOKED_AT).max(1));
    let mut hashes = some.filter_map(|f| hash_file(&f.path).ok()).peekable();
    if hashes.peek().is_none() || hashes.any(|w| known.contains(&w.hash)) {
        return Ok(());
    }
    Err(other(format!("{} frames, none of them as here", known.len())))
}

/// Hash of the beginning of a clip's file of many frames, which would take long to read whole.
pub(super) fn head(source: &Source) -> Option<String> {
    const LENGTH: u64 = 1 << 20;
    let first = source.clip.frames.first().filter(|_| source.paged)?;
    let mut bytes = Vec::new();
    File::open(&first.path).ok()?.take(LENGTH).read_to_end(&mut bytes).ok()?;
    Some(hash_bytes(&bytes))
}

/// A file of JSON, where it is one.
pub(super) fn read_json(path: &Path) -> Option<Value> {
    serde_json::from_slice(&fs::read(path).ok()?).ok()
}

/// Hashes of the frames that lie finished in a clip's folder or were at least analysed: a run that was
/// killed left no record.
fn known_hashes(folder: &Path, record: Option<&Value>) -> BTreeSet<String> {
    let listed = record.and_then(|r| r.pointer("/inputs/frames")?.as_array());
    let known: BTreeSet<String> =
        listed.into_iter().flatten().filter_map(|f| f[1].as_str().map(str::to_owned)).collect();
    if !known.is_empty() {
        return known;
    }
    let hash = |f: &Value| f.get("hash")?.as_str().map(str::to_owned);
    analysed(folder).iter().flatten().filter_map(hash).collect()
}

/// What the analysis in a clip's folder says of each frame, of whatever job it is.
pub(super) fn analysed(folder: &Path) -> Option<Vec<Value>> {
    let sealed = read_json(&folder.join("analysis.json"))?;
    let mut body: Value = serde_json::from_str(sealed.get("body")?.as_str()?).ok()?;
    match body.get_mut("frames")?.take() {
        Value::Array(frames) => Some(frames),
        _ => None,
    }
}

/// What a lock says of a run, before its number, and of parts.
const PROCESS: &str = "process ";
const PARTS: &str = "a part of a clip's work (hushframe shard)";

/// An open lock; gives way when dropped.
#[derive(Debug)]
pub(super) struct Lock {
    file: File,
}

pub(super) fn fault(path: &Path, doing: &'static str, source: std::io::Error) -> NightError {
    FootageError::disk(path, doing, source).into()
}

impl Lock {
    /// Alone in the folder.
    pub(super) fn take(folder: &Path) -> Result<Self, NightError> {
        let holder = format!("{PROCESS}{}", std::process::id());
        Self::take_by(folder, File::try_lock, &holder)
    }

    /// Together with other parts of the same clip's work. On a network share this may keep nobody
    /// off: whoever takes it must do no harm when done twice at once.
    pub(super) fn share(folder: &Path) -> Result<Self, NightError> {
        Self::take_by(folder, File::try_lock_shared, PARTS)
    }

    fn take_by(
        folder: &Path,
        lock: fn(&File) -> Result<(), fs::TryLockError>,
        holder: &str,
    ) -> Result<Self, NightError> {
        let path = folder.join("lock");
        let mut file = OpenOptions::new()
            .read(true)
            .write(true)
            .create(true)
            .truncate(false)
            .open(&path)
            .map_err(|e| fault(&path, "open", e))?;
        match tried(&file, lock) {
            Ok(()) => {}
            Err(fs::TryLockError::WouldBlock) => {
                let mut holder = String::new();
                let _ = (&file).take(200).read_to_string(&mut holder);
                return Err(NightError::Locked {
                    place: printable(folder),
                    holder: if holder.is_empty() { "another run".to_owned() } else { holder },
                });
            }
            Err(fs::TryLockError::Error(e)) => return Err(fault(&path, "lock", e)),
        }
        file.set_len(0).map_err(|e| fault(&path, "write", e))?;
        file.write_all(holder.as_bytes()).map_err(|e| fault(&path, "write", e))?;
        Ok(Self { file })
    }

    /// Whether nobody shares the folder; then nobody comes in either until this is dropped.
    pub(super) fn alone(&self) -> bool {
        let alone = self.file.try_lock().is_ok();
        if !alone {
            // Where the exclusive lock was refused, the shared one may be gone.
            let _ = self.file.try_lock_shared();
        }
        alone
    }
}

/// Tries for a moment: somebody who only looks whether there is a lock holds it as he looks.
fn tried(
    file: &File,
    lock: fn(&File) -> Result<(), fs::TryLockError>,
) -> Result<(), fs::TryLockError> {
    for _ in 0..10 {
        match lock(file) {
            Err(fs::TryLockError::WouldBlock) => {
                std::thread::sleep(std::time::Duration::from_millis(10));
            }
            other => return other,
        }
    }
    lock(file)
}

/// Who is at work in a clip's folder, a run or parts of it, as the lock says.
pub(super) fn holder(folder: &Path) -> Option<String> {
    let mut file = File::open(folder.join("lock")).ok()?;
    matches!(file.try_lock(), Err(fs::TryLockError::WouldBlock)).then(|| {
        let mut text = String::new();
        let _ = (&mut file).take(200).read_to_string(&mut text);
        printable(&text)
    })
}

/// Removes temporary files that a killed run left in the output folder itself, beside the clips,
/// unless somebody is at work on one of them.
///
/// # Errors
/// Where a file cannot be removed.
pub fn sweep_out(disk: &dyn Disk, out: &Path) -> Result<(), NightError> {
    let busy = clip_folders(out).is_ok_and(|all| all.iter().any(|f| holder(f).is_some()));
    if busy || !out.is_dir() {
        return Ok(());
    }
    sweep(disk, out)?;
    // Here somebody may still be writing who has no clip yet: only what the dead left goes.
    let kept = out.join(STREAMS);
    if kept.is_dir() { sweep_where(disk, &kept, dead) } else { Ok(()) }
}

/// Whether a temporary file's process is gone, where the system tells.
fn dead(name: &str) -> bool {
    let process = name.trim_start_matches(TEMPORARY).split('-').next().unwrap_or_default();
    let processes = Path::new("/proc");
    !process.is_empty() && processes.join("self").exists() && !processes.join(process).exists()
}

/// Held while master references are made or looked at, by any number of runs at once.
///
/// Who comes when nobody else is there sweeps first: what a killed run left is nobody's then.
#[derive(Debug)]
pub(super) struct Shared {
    _file: File,
}

impl Shared {
    /// Creates the folder where it is not there.
    pub(super) fn take(disk: &dyn Disk, folder: &Path) -> Result<Self, NightError> {
        create_folders(disk, folder)?;
        let path = folder.join("in-use");
        let file = OpenOptions::new()
            .write(true)
            .create(true)
            .truncate(false)
            .open(&path)
            .map_err(|e| fault(&path, "open", e))?;
        if file.try_lock().is_ok() {
            sweep(disk, folder)?;
            file.unlock().map_err(|e| fault(&path, "unlock", e))?;
        }
        file.lock_shared().map_err(|e| fault(&path, "lock", e))?;
        Ok(Self { _file: file })
    }
}

/// Removes temporary files that a killed run left; they do not come back after a power cut.
pub(super) fn sweep(disk: &dyn Disk, folder: &Path) -> Result<(), NightError> {
    sweep_where(disk, folder, |_| true)
}

fn sweep_where(
    disk: &dyn Disk,
    folder: &Path,
    goes: impl Fn(&str) -> bool,
) -> Result<(), NightError> {
    // Process and count: what is called otherwise is somebody's own.
    let numbers = |rest: &str| rest.bytes().all(|b| b.is_ascii_digit() || b == b'-');
    let mut any = false;
    for name in disk.list(folder).map_err(|e| fault(folder, "list", e))? {
        let text = name.to_string_lossy();
        if text.strip_prefix(TEMPORARY).is_some_and(numbers) && goes(&text) {
            let path = folder.join(name);
            disk.remove(&path).map_err(|e| fault(&path, "remove", e))?;
            any = true;
        }
    }
    if any { disk.sync_folder(folder).map_err(|e| fault(folder, "sync", e)) } else { Ok(()) }
}

/// Removes finished frames of an earlier job (other settings, a changed clip) unless `keep`, so that
/// no picture lies there that the table and the record do not speak of; not after a power cut either.
pub(super) fn clear(
    disk: &dyn Disk,
    frames: &Path,
    keep: impl Fn(u64) -> bool,
) -> Result<(), NightError> {
    let mut any = false;
    for name in disk.list(frames).map_err(|e| fault(frames, "list", e))? {
        let name = name.to_string_lossy().into_owned();
        let number = name.strip_suffix(".tif").and_then(|n| n.parse().ok());
        if number.is_some_and(|n| file_name(n) == name && !keep(n)) {
            any |= unlink(disk, &frames.join(name))?;
        }
    }
    if any { disk.sync_folder(frames).map_err(|e| fault(frames, "sync", e)) } else { Ok(()) }
}

/// Removes a file, which need not be there; it does not come back after a power cut.
pub(super) fn remove(disk: &dyn Disk, path: &Path) -> Result<(), NightError> {
    match path.parent() {
        Some(folder) if unlink(disk, path)? => {
            disk.sync_folder(folder).map_err(|e| fault(folder, "sync", e))
        }
        _ => Ok(()),
    }
}

/// Removes a file; whether there was one.
fn unlink(disk: &dyn Disk, path: &Path) -> Result<bool, NightError> {
    match disk.remove(path) {
        Ok(()) => Ok(true),
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => Ok(false),
        Err(e) => Err(fault(path, "remove", e)),
    }
}
