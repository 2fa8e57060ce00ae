//! What a run would find done, what it would make again, and how long that takes, from a short sample
//! that is really worked on. Nothing is written.
//!
//! A sample is the first 32 frames of a clip through both passes, encoded and hashed; clips
//! of one shape and pipeline share one. Left out: writing, references, the preview, and what the
//! masters cost a frame (they are not made for this). On a slow disk or share it takes longer.

use std::collections::BTreeMap;
use std::ffi::OsString;
use std::io::{self, ErrorKind, Read};
use std::path::Path;
use std::time::{Duration, Instant};

use super::check::{ClipCheck, Standing};
use super::clip::lay_out;
use super::job::ClipJob;
use super::journal::Journal;
use super::out::{Out, Patience};
use super::place::{FRAMES, REFERENCES, file_name};
use super::sealed::Sealed;
use super::{NightError, noise};
use crate::engine::analyse::{Wanted, analyse};
use crate::engine::analysis::Analysis;
use crate::engine::correct::{Corrector, References};
use crate::engine::outputs::Outputs;
use crate::engine::render::Renderer;
use crate::engine::sink::{Finished, Sink};
use crate::engine::source::Source;
use crate::engine::{EngineError, Silent, Work};
use crate::footage::{Disk, DiskFile, RealDisk, TiffTags, encode_tiff, hash_bytes};
use crate::frame::NoiseModel;

/// Frames of a sample.
const SAMPLE: usize = 32;

/// Seconds a frame.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Pace {
    analyse: f64,
    render: f64,
}

/// Adds to `checks`, of these jobs, what would be done and how long it takes.
///
/// # Errors
/// [`EngineError::Stopped`] on request only: what cannot be measured is left out.
pub fn estimate(
    jobs: &[ClipJob],
    checks: &mut [ClipCheck],
    out: &Path,
    work: &Work<'_>,
) -> Result<(), NightError> {
    let mut paces: BTreeMap<String, Option<Pace>> = BTreeMap::new();
    for (job, c) in jobs.iter().zip(checks) {
        if !c.faults.is_empty() {
            continue;
        }
        let Ok(source) = job.open() else { continue };
        let kind = format!(
            "{} {:?} {}",
            source.expected.shape,
            source.layout(),
            serde_json::to_string(&job.pipeline).unwrap_or_default()
        );
        let standing = standing(job, &source, out, work)?;
        let pace = match paces.get(&kind) {
            Some(known) => *known,
            None if standing.to_make == 0 => None,
            None => {
                let pace = sample(job, source, work);
                work.check()?;
                *paces.entry(kind).or_insert(pace.ok())
            }
        };
        let first = if standing.analysed { 0 } else { c.frames };
        c.expected_s = match pace {
            Some(p) => Some(p.analyse * first as f64 + p.render * standing.to_make as f64),
            None => (standing.to_make == 0 && standing.analysed).then_some(0.0),
        };
        c.standing = Some(standing);
    }
    Ok(())
}

/// What a run would find.
fn standing(
    job: &ClipJob,
    source: &Source,
    out: &Path,
    work: &Work<'_>,
) -> Result<Standing, NightError> {
    let folder = out.join(&job.name);
    let all = (source.clip.frames.len() as u64).div_ceil(job.pipeline.combined());
    let inside = |n: u64| job.range.is_none_or(|(a, b)| n >= a && n <= b);
    let asked = source.clip.frames.iter().filter(|f| inside(f.number)).count() as u64;
    let asked = asked.div_ceil(job.pipeline.combined());
    let anew = |words: String| Standing { words, analysed: false, done: 0, to_make: asked };
    let journal = folder.join("journal.jsonl");
    let Some(known) = Journal::key_of(&journal).ok().flatten() else {
        return Ok(anew("new".to_owned()));
    };
    // Masters that are not there would be made, and those of a run are there.
    let references = job.dark.is_some() || job.flat.is_some();
    if references && !out.join(REFERENCES).join("in-use").exists() {
        return Ok(anew("all frames are made again: its references are gone".to_owned()));
    }
    let patience = Patience::new(Duration::ZERO);
    let look = Out { folder: out, disk: &LookOnly, patience: &patience };
    let desk = match lay_out(job, source.clone(), &look, work) {
        Ok(desk) => desk,
        Err(e) if e.stopped() => return Err(e),
        Err(e) => return Ok(anew(format!("all frames may be made again: {e}"))),
    };
    if desk.key != known {
        let words = "all frames are made again: settings, references, version or files changed";
        return Ok(anew(words.to_owned()));
    }
    let sealed = Sealed::read(&RealDisk, &folder.join("analysis.json"), &known);
    let analysis = sealed.and_then(|s| s.value::<Analysis>()).ok();
    let frames = folder.join(FRAMES);
    let there = |n: u64, bytes: u64| {
        frames.join(file_name(n)).metadata().is_ok_and(|m| m.len() == bytes) && inside(n)
    };
    let listed = Journal::read(&RealDisk, &journal, &known).unwrap_or_default();
    let done = listed.values().filter(|e| there(e.frame, e.bytes)).count() as u64;
    let usable = match &analysis {
        Some(a) => {
            let outputs = Outputs::of(&job.pipeline, a)?;
            outputs.positions().iter().filter(|&&i| inside(a.frames[i].frame)).count() as u64
        }
        None => asked,
    };
    let to_make = usable.saturating_sub(done);
    let words = match (to_make, done) {
        (0, _) if folder.join("complete.json").is_file() => {
            format!("nothing to do: all {done} frames are done")
        }
        (0, _) => format!("all {done} frames are done; table and record are written"),
        (n, 0) => format!("{n} frames to make"),
        (n, done) => format!("{n} of {all} frames to make, {done} are done"),
    };
    Ok(Standing { words, analysed: analysis.is_some(), done, to_make })
}

/// Works on the first frames of a clip and gives the time of each.
fn sample(job: &ClipJob, mut source: Source, work: &Work<'_>) -> Result<Pace, NightError> {
    source.clip.frames.truncate(SAMPLE);
    let n = source.clip.frames.len().max(1) as f64;
    let work = &Work { progress: &Silent, ..*work };
    let none = References::default();
    let assumed = NoiseModel { gain_e_per_dn: 1.0, read_noise_e: 1.0 };
    let model = noise::from_clip(&source, &job.pipeline, &none, work)
        .map_or(assumed, |(noise, _)| noise.model);
    let corrector = Corrector::new(&job.pipeline, &source, &none, Some(model))?;
    let settings = job.pipeline.register_settings();
    let wanted = Wanted::of(&job.pipeline, &source);
    let from = Instant::now();
    let analysis = analyse(&source, &corrector, &model, &settings, wanted, work)?;
    let analysed = from.elapsed().as_secs_f64();
    let renderer = Renderer::new(&job.pipeline, &source, &corrector, &model, &analysis)?;
    let wanted = renderer.outputs().positions();
    let from = Instant::now();
    renderer.render(wanted, &Counted, work)?;
    let rendered = from.elapsed().as_secs_f64() / wanted.len().max(1) as f64;
    Ok(Pace { analyse: analysed / n, render: rendered })
}

/// Encodes and hashes a frame as a run does, and keeps nothing.
struct Counted;

impl Sink for Counted {
    fn keep(&self, finished: Finished) -> Result<(), EngineError> {
        let _ = hash_bytes(&encode_tiff(&finished.picture, &TiffTags::default())?);
        Ok(())
    }

    fn failed(&self, _frame: u64, _why: String) -> Result<(), EngineError> {
        Ok(())
    }
}

/// A disk that is only read.
#[derive(Debug)]
struct LookOnly;

fn refused<T>() -> io::Result<T> {
    Err(io::Error::new(ErrorKind::ReadOnlyFilesystem, "a check writes nothing"))
}

impl Disk for LookOnly {
    fn create_new(&self, _path: &Path) -> io::Result<Box<dyn DiskFile>> {
        refused()
    }

    fn append(&self, _path: &Path) -> io::Result<Box<dyn DiskFile>> {
        refused()
    }

    fn open(&self, path: &Path) -> io::Result<Box<dyn Read>> {
        RealDisk.open(path)
    }

    /// Leftovers of a killed run are not seen, so that nobody wants to sweep them.
    fn list(&self, folder: &Path) -> io::Result<Vec<OsString>> {
        let mut names = RealDisk.list(folder)?;
        names.retain(|n| !n.to_string_lossy().starts_with(".tmp-"));
        Ok(names)
    }

    fn rename(&self, _from: &Path, _to: &Path) -> io::Result<()> {
        refused()
    }

    fn remove(&self, _path: &Path) -> io::Result<()> {
        refused()
    }

    fn create_folder(&self, _path: &Path) -> io::Result<()> {
        refused()
    }

    fn sync_folder(&self, _folder: &Path) -> io::Result<()> {
        refused()
    }

    fn free(&self, folder: &Path) -> io::Result<u64> {
        RealDisk.free(folder)
    }
}
