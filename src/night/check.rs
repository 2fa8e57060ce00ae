//! What can be known of a clip before its run. Nothing is written.

use std::path::{Path, PathBuf};

use serde::Serialize;

use super::job::ClipJob;
use super::levels::levels;
use super::place::{FRAMES, check_places, check_same, inputs};
use super::references::{made_by_us, sensor_shape};
use crate::engine::Work;
use crate::engine::memory::InWork;
use crate::engine::render::Renderer;
use crate::engine::source::Source;
use crate::footage::{FootageError, printable};
use crate::frame::units::Bytes;
use crate::record::Warning;
use crate::stages::dark::other_exposure;

/// What is known of one clip.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ClipCheck {
    /// Its name.
    pub name: String,
    /// Numbers in the clip.
    pub frames: u64,
    /// Those without a file.
    pub missing: u64,
    /// Those whose header cannot be read.
    pub unreadable: u64,
    /// Size, channels and depth in words.
    pub shape: String,
    /// Bytes that the finished frames will take.
    pub bytes: u64,
    /// What will make the run fail.
    pub faults: Vec<String>,
    /// What a person should know.
    pub warnings: Vec<Warning>,
    /// What a run would find done and make; [`super::estimate::estimate`] finds out.
    pub standing: Option<Standing>,
    /// How long a run would take, in s, from a sample.
    pub expected_s: Option<f64>,
    /// Memory that a run would take.
    pub memory: Option<Memory>,
}

/// What a run would find of a clip.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Standing {
    /// In words.
    pub words: String,
    /// Whether the first pass is done.
    pub analysed: bool,
    /// Finished frames that stay; their sizes were looked at, a run looks at their hashes too.
    pub done: u64,
    /// Frames to be made.
    pub to_make: u64,
}

/// Memory that a run of a clip takes, in bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Memory {
    /// Threads that it was counted for.
    pub threads: usize,
    /// What it would take where nothing limits it.
    pub usual: u64,
    /// The least it can do with.
    pub least: u64,
}

impl Memory {
    /// One line for a person.
    #[must_use]
    pub fn words(&self) -> String {
        let (usual, least) = (Bytes::of(self.usual), Bytes::of(self.least));
        format!("memory: about {usual} on {} threads, {least} at the least", self.threads)
    }
}

impl ClipCheck {
    /// One line for a person.
    #[must_use]
    pub fn headline(&self) -> String {
        if self.frames == 0 {
            return "cannot be run".to_owned();
        }
        format!(
            "{} frames of {}, {} missing, {} of results{}",
            self.frames,
            self.shape,
            self.missing,
            Bytes::of(self.bytes),
            if self.faults.is_empty() { "" } else { "; cannot be run" }
        )
    }
}

/// Room on the disk for the results of a night.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Room {
    /// Bytes that are still to be written.
    pub needed: u64,
    /// Bytes that are free; `None` where the system does not tell.
    pub free: Option<u64>,
}

impl Room {
    /// Room for what `checks` found, in `out`, which need not be there yet. Frames that are there
    /// already count as done.
    #[must_use]
    pub fn of(checks: &[ClipCheck], out: &Path) -> Self {
        let needed = checks.iter().map(|c| c.bytes.saturating_sub(made(&out.join(&c.name)))).sum();
        Self { needed, free: there(out).and_then(|p| fs4::available_space(p).ok()) }
    }

    /// What a person should know, where it is not enough.
    #[must_use]
    pub fn fault(&self) -> Option<String> {
        let free = self.free.filter(|free| *free < self.needed)?;
        Some(format!(
            "the results need {} but {} are free: make room or choose another --out",
            Bytes::of(self.needed),
            Bytes::of(free)
        ))
    }
}

/// The folder itself, or the nearest above it that is there.
fn there(out: &Path) -> Option<PathBuf> {
    let whole = std::path::absolute(out).ok()?;
    whole.ancestors().find(|p| p.exists()).map(Path::to_owned)
}

/// Why nothing can be written to `out`, which need not be there yet; `None` also where the system does
/// not tell.
#[cfg(unix)]
#[must_use]
pub fn closed(out: &Path) -> Option<String> {
    use rustix::fs::{Access, access};
    // Where a file is in the way, that is said of each clip.
    let there = there(out).filter(|p| p.is_dir())?;
    let why = access(&there, Access::WRITE_OK | Access::EXEC_OK).err()?;
    Some(format!(
        "{}: nothing can be written there: {why}: choose another --out",
        printable(&there)
    ))
}

/// The same where the system is not asked.
#[cfg(not(unix))]
#[must_use]
pub fn closed(_out: &Path) -> Option<String> {
    None
}

/// Bytes of the finished frames of a clip's folder.
fn made(folder: &Path) -> u64 {
    let entries = std::fs::read_dir(folder.join(FRAMES)).into_iter().flatten().flatten();
    entries.filter_map(|e| e.metadata().ok()).map(|m| m.len()).sum()
}

/// Looks at everything that can be known beforehand of a run with the threads and the memory of `work`.
#[must_use]
pub fn check(job: &ClipJob, out: &Path, work: &Work<'_>) -> ClipCheck {
    let mut c = ClipCheck {
        name: job.name.clone(),
        frames: 0,
        missing: 0,
        unreadable: 0,
        shape: String::new(),
        bytes: 0,
        faults: Vec::new(),
        warnings: Vec::new(),
        standing: None,
        expected_s: None,
        memory: None,
    };
    let source = match job.open() {
        Ok(source) => source,
        Err(e) => {
            c.faults.push(e.to_string());
            return c;
        }
    };
    c.warnings.extend(source.warnings.iter().cloned());
    c.frames = source.clip.span();
    c.missing = source.clip.missing().count() as u64;
    c.shape = source.expected.shape.to_string();
    let finished = (source.clip.frames.len() as u64).div_ceil(job.pipeline.combined());
    c.bytes = finished * (source.expected.shape.samples() as u64 * 2 + 512);
    let plan = job.plan(&source, work.threads);
    let need = |threads, ahead| plan.need(InWork { threads, ahead }).most();
    let (threads, usual, least) = (work.threads, need(work.threads, work.ahead), need(1, 1));
    c.memory = Some(Memory { threads, usual, least });
    c.faults.extend(plan.bound(work).err().map(|e| e.to_string()));
    if let Err(e) = check_places(job, out, &inputs(job)) {
        c.faults.push(e.to_string());
    }
    if let Err(e) = check_same(&out.join(&job.name), &source) {
        c.faults.push(e.to_string());
    }
    if let Err(e) = Renderer::check(&job.pipeline, &source) {
        c.faults.push(e.to_string());
    }
    match source.check_headers() {
        Ok(bad) => unreadable(&bad, &mut c),
        Err(e) => c.faults.push(e.to_string()),
    }
    let mut found = [None, None];
    for ((what, path, needed, kind), found) in [
        ("dark reference", &job.dark, job.pipeline.dark().is_some(), "no-dark"),
        ("flat reference", &job.flat, job.pipeline.flat().is_some(), "no-flat"),
    ]
    .into_iter()
    .zip(&mut found)
    {
        match path {
            Some(path) => *found = reference(what, path, &source, &mut c),
            None if needed => c.warnings.push(Warning::new(
                kind,
                format!("no {what} is given"),
                "the run works without, and the result is worse",
            )),
            None => {}
        }
    }
    let [dark, flat] = &found;
    let seen = levels([dark.as_ref(), flat.as_ref()], &source);
    c.faults.extend(seen.faults);
    c.warnings.extend(seen.warnings);
    c
}

/// Frames whose header cannot be read: the first few by name.
fn unreadable(bad: &[(u64, FootageError)], c: &mut ClipCheck) {
    c.unreadable = bad.len() as u64;
    for (number, e) in bad.iter().take(3) {
        c.warnings.push(Warning::new(
            "bad-frame",
            format!("frame {number}: {e}"),
            "the run goes on without it and says so",
        ));
    }
    if bad.len() > 3 {
        c.warnings.push(Warning::new(
            "bad-frame",
            format!("{} frames in all have a fault", bad.len()),
            "see whether the copy from the camera was complete",
        ));
    }
}

/// A reference that can be used, with what a person should know of it.
fn reference(what: &str, path: &Path, clip: &Source, c: &mut ClipCheck) -> Option<Source> {
    let name = format!("{what} {}", printable(path));
    let source = match Source::open(path, Vec::new()) {
        Err(e) => Err(e.to_string()),
        Ok(_) if let Some(why) = made_by_us(path) => Err(why.to_owned()),
        Ok(source) => Ok(source),
    };
    let source = source.map_err(|e| c.faults.push(format!("{name}: {e}"))).ok()?;
    let n = source.clip.frames.len();
    if n < 16 {
        c.warnings.push(Warning::new(
            "short-reference",
            format!("{name} has {n} frames"),
            "take 64: what noise is left in a reference stays in every frame",
        ));
    }
    let exposure = |s: &Source| s.facts.exposure.as_ref().map(|e| e.value);
    if what.starts_with("dark")
        && let Some(other) = other_exposure(exposure(&source), exposure(clip))
    {
        let (dark, own) = (other.dark.s(), other.own.s());
        let what = format!("{name} was exposed for {dark:.6} s, the clip for {own:.6} s");
        let advice = "take darks at the clip's exposure";
        if other.matters {
            let what = format!(
                "{what}: the dark will be scaled by the clip's hot pixels, or refused where these \
                 do not tell"
            );
            c.warnings.push(Warning::new("dark-exposure", what, advice));
        } else {
            c.warnings.push(Warning::new("dark-exposure", what, advice));
        }
    }
    let fits = sensor_shape(&source).check(&name, &sensor_shape(clip));
    fits.map_err(|e| c.faults.push(e.to_string())).ok()?;
    Some(source)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn too_little_room_is_said_with_both_numbers() {
        let room = |needed, free| Room { needed, free }.fault();
        assert_eq!(room(10, Some(10)), None);
        assert_eq!(room(10, None), None);
        let text = room(3_000_000_000, Some(1_250_000_000)).unwrap();
        assert!(text.contains("3.00 GB") && text.contains("1.25 GB"), "{text}");
        let folder = tempfile::tempdir().unwrap();
        let here = Room::of(&[], &folder.path().join("not/there/yet"));
        assert!(here.needed == 0 && here.free.is_none_or(|b| b > 0));
    }
}
