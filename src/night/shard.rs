//! One clip's work in parts, for an engine that runs many machines: analyse, merge, render,
//! finish. The result is that of one machine, to the last byte.
//!
//! A part is a run of whole blocks of the clip ([`block::grid`]), `i` of `n`; both passes are cut
//! the same way. Parts meet in files only, each written beside, synced and renamed, with the job's
//! key and its own hash:
//!
//! ```text
//! OUT/<clip>/shards/analyse-2-of-3.json   numbers of a part's frames
//! OUT/<clip>/analysis.json                merge: as one machine writes it
//! OUT/<clip>/shards/render-2-of-3.json    which frames a part made, with their hashes
//! ```
//!
//! Any part may run again, also twice at once: it finds its work done, or writes the same bytes
//! again. A part killed on its way goes on where it was. Locks are not relied on: they may not
//! reach from machine to machine.

use std::collections::BTreeMap;
use std::ops::Range;
use std::path::{Path, PathBuf};

use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};

use super::NightError;
use super::clip::{Desk, Made, Papers, Summary, lay_out, verified, whole, with_rows};
use super::job::ClipJob;
use super::journal::{Entry, Journal};
use super::out::Out;
use super::place::{
    FRAMES, Lock, SHARDS, check_ours, check_places, check_same, clear, inputs, remove, sweep,
};
use super::sealed::Sealed;
use crate::engine::Work;
use crate::engine::analyse::{Analyst, Wanted};
use crate::engine::analysis::Analysis;
use crate::engine::correct::Corrector;
use crate::engine::outputs::Outputs;
use crate::engine::parts::{Part, join};
use crate::engine::render::Renderer;
use crate::footage::{FAILED, create_folders, hash_bytes, printable};
use crate::register::block;

/// Parts of a clip at the most: job arrays of common engines end there.
pub const MOST_PARTS: usize = 1000;

/// Which part of how many, counted from 1.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Share {
    /// Which, from 1 to `of`.
    pub part: usize,
    /// How many there are.
    pub of: usize,
}

impl Share {
    /// Part `part` of `of`.
    #[must_use]
    pub fn new(part: usize, of: usize) -> Option<Self> {
        (1..=of).contains(&part).then_some(Self { part, of }).filter(|_| of <= MOST_PARTS)
    }

    /// All parts of `of`.
    fn all(of: usize) -> impl Iterator<Item = Self> {
        (1..=of).map(move |part| Self { part, of })
    }

    /// Its share of `n` things, in order: none is left out, none is there twice.
    #[must_use]
    pub fn of(&self, n: usize) -> Range<usize> {
        (self.part - 1) * n / self.of..self.part * n / self.of
    }

    fn words(&self) -> String {
        format!("{}/{}", self.part, self.of)
    }
}

/// What a part has done, in numbers for a person.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Done {
    /// The clip.
    pub name: String,
    /// Frames of the part.
    pub frames: usize,
    /// Those that had been done before, found whole.
    pub kept: usize,
    /// Those that could not be made; the finish lists them again.
    pub failed: BTreeMap<u64, String>,
}

fn seal(
    (out, work): (&Out<'_>, &Work<'_>),
    path: &Path,
    key: &str,
    body: &impl Serialize,
) -> Result<(), NightError> {
    out.write(path, Sealed::new(key, body).text().as_bytes(), work)?;
    Ok(())
}

/// What a part's file holds; why not, in words.
fn unseal<T: DeserializeOwned>(out: &Out<'_>, path: &Path, key: &str) -> Result<T, &'static str> {
    Sealed::read(out.disk, path, key)?.value()
}

/// What a rendered part says.
#[derive(Serialize, Deserialize)]
struct Rendered {
    /// Hash of the analysis it was made with.
    analysis: String,
    done: Vec<Entry>,
    failed: BTreeMap<u64, String>,
}

/// A clip that parts are worked on.
struct Site<'a> {
    out: &'a Out<'a>,
    job: &'a ClipJob,
    folder: PathBuf,
    frames: PathBuf,
    desk: Desk,
    corrector: Corrector,
    lock: Lock,
}

impl<'a> Site<'a> {
    fn open(job: &'a ClipJob, out: &'a Out<'_>, work: &Work<'_>) -> Result<Self, NightError> {
        let folder = out.folder.join(&job.name);
        let source = job.open()?;
        source.check_headers()?;
        Renderer::check(&job.pipeline, &source)?;
        check_places(job, out.folder, &inputs(job))?;
        check_ours(&folder)?;
        let frames = folder.join(FRAMES);
        for place in [&frames, &folder.join(SHARDS)] {
            create_folders(out.disk, place)?;
        }
        let lock = Lock::share(&folder)?;
        check_same(&folder, &source)?;
        let desk = lay_out(job, source, out, work)?;
        let model = Some(desk.noise.model);
        let corrector = Corrector::new(&job.pipeline, &desk.source, &desk.prepared.masters, model)?;
        Ok(Self { out, job, folder, frames, desk, corrector, lock })
    }

    fn file(&self, what: &str, share: Share, ending: &str) -> PathBuf {
        let name = format!("{what}-{}-of-{}.{ending}", share.part, share.of);
        self.folder.join(SHARDS).join(name)
    }

    /// Positions of a part's frames in the clip.
    fn positions(&self, share: Share, frames: usize) -> Range<usize> {
        let grid = block::grid(frames);
        let blocks = share.of(grid.len());
        match grid.get(blocks).map(|g| (g.first(), g.last())) {
            Some((Some(a), Some(b))) => a.start..b.end,
            _ => 0..0,
        }
    }

    /// The parts' files, or which cannot be used, why, and what to run.
    fn gather<T: DeserializeOwned>(
        &self,
        (what, ending): (&str, &str),
        parts: usize,
        key: &str,
    ) -> Result<Vec<(Share, T)>, NightError> {
        let mut good = Vec::new();
        let mut bad = Vec::new();
        for share in Share::all(parts) {
            match unseal(self.out, &self.file(what, share, ending), key) {
                Ok(part) => good.push((share, part)),
                Err(why) => bad.push(format!("part {} {why}", share.words())),
            }
        }
        if bad.is_empty() { Ok(good) } else { Err(self.again(what, &bad)) }
    }

    fn again(&self, what: &str, bad: &[String]) -> NightError {
        let few: Vec<&str> = bad.iter().take(5).map(String::as_str).collect();
        let more = if bad.len() > few.len() {
            format!(" and {} more", bad.len() - few.len())
        } else {
            String::new()
        };
        NightError::Refused(format!(
            "{}: {}{more}: run hushframe shard {what} with --part for each of these",
            self.job.name,
            few.join("; ")
        ))
    }

    /// The merged analysis and its hash.
    fn merged(&self) -> Result<(Analysis, String), NightError> {
        let path = self.folder.join("analysis.json");
        Sealed::read(self.out.disk, &path, &self.desk.key)
            .and_then(|s| Ok((s.value()?, s.blake3)))
            .map_err(|_| {
                NightError::Refused(format!(
                    "{}: is not there, or was not made of this clip with these settings: run \
                     hushframe shard merge first",
                    printable(&path)
                ))
            })
    }

    fn renderer<'b>(&'b self, analysis: &'b Analysis) -> Result<Renderer<'b>, NightError> {
        let model = &self.desk.noise.model;
        let source = &self.desk.source;
        Ok(Renderer::new(&self.job.pipeline, source, &self.corrector, model, analysis)?)
    }

    fn papers<'b>(&'b self, analysis: &'b Analysis, renderer: &'b Renderer<'b>) -> Papers<'b> {
        Papers {
            out: self.out,
            job: self.job,
            desk: &self.desk,
            corrector: &self.corrector,
            analysis,
            renderer,
        }
    }
}

/// The first pass over a part.
///
/// Where the part is not the first, the clip's first block that locks is registered again: poses
/// are measured against it. That costs the reading of one block (64 frames at the most) a part;
/// where blocks at the start do not lock, of those too.
///
/// # Errors
/// As [`super::clip::run`].
pub fn analyse(
    job: &ClipJob,
    out: &Out<'_>,
    share: Share,
    work: &Work<'_>,
) -> Result<Done, NightError> {
    let work = &job.bounded_unopened(work)?;
    let site = Site::open(job, out, work)?;
    let settings = job.pipeline.register_settings();
    let wanted = Wanted::of(&job.pipeline, &site.desk.source);
    let of = (&site.desk.source, &site.corrector);
    let mut analyst = Analyst::new(of, &site.desk.noise.model, &settings, wanted);
    let frames = site.positions(share, site.desk.source.list().len()).len();
    let mut done = Done { name: job.name.clone(), frames, kept: 0, failed: BTreeMap::new() };
    let path = site.file("analyse", share, "json");
    if unseal::<Part>(out, &path, &site.desk.key).is_ok() {
        done.kept = frames;
        return Ok(done);
    }
    let part = analyst.part(share.of(analyst.blocks()), work)?;
    seal((out, work), &path, &site.desk.key, &part)?;
    Ok(done)
}

/// Puts the parts' numbers together; `analysis.json` is that of an unbroken run. Frames in it.
///
/// # Errors
/// [`NightError::Refused`] where a part is missing, damaged or of another job, or where parts
/// contradict each other: which, and what to run.
pub fn merge(
    job: &ClipJob,
    out: &Out<'_>,
    parts: usize,
    work: &Work<'_>,
) -> Result<usize, NightError> {
    let site = Site::open(job, out, work)?;
    let found = site.gather(("analyse", "json"), parts, &site.desk.key)?;
    let analysis = join(&site.desk.source, found.into_iter().map(|(_, p)| p).collect())?;
    let text = Sealed::new(&site.desk.key, &analysis).text();
    let path = site.folder.join("analysis.json");
    // Merged a second time, it leaves a finished clip as it is.
    if out.read(&path).ok().as_deref() != Some(text.as_bytes()) {
        remove(out.disk, &site.folder.join("complete.json"))?;
        remove(out.disk, &site.folder.join(FAILED))?;
        out.write(&path, text.as_bytes(), work)?;
    }
    Ok(analysis.frames.len())
}

/// Makes the frames of a part.
///
/// # Errors
/// As [`super::clip::run`]; [`NightError::Refused`] where the analysis is not that of this job. A
/// frame that cannot be made is not an error.
pub fn render(
    job: &ClipJob,
    out: &Out<'_>,
    share: Share,
    work: &Work<'_>,
) -> Result<Done, NightError> {
    let work = &job.bounded_unopened(work)?;
    let site = Site::open(job, out, work)?;
    let (mut analysis, hash) = site.merged()?;
    let positions = site.positions(share, analysis.frames.len());
    let outputs = Outputs::of(&job.pipeline, &analysis)?;
    let usable: Vec<usize> = positions.filter(|&i| outputs.has(i)).collect();
    let path = site.file("render", share, "json");
    let name = job.name.clone();
    if let Ok(r) = unseal::<Rendered>(out, &path, &site.desk.key)
        && r.analysis == hash
        && r.failed.is_empty()
        && r.done.iter().all(|e| whole(out, &site.frames, e))
    {
        let n = r.done.len();
        return Ok(Done { name, frames: n, kept: n, failed: r.failed });
    }
    let journal_path = site.file("render", share, "jsonl");
    let key = hash_bytes(format!("{} {hash}", site.desk.key).as_bytes());
    let mut done = verified((out, work), &journal_path, &site.frames, &key)?;
    let wanted: Vec<usize> =
        usable.iter().copied().filter(|&i| !done.contains_key(&analysis.frames[i].frame)).collect();
    if !wanted.is_empty() {
        with_rows(job, &site.desk, &site.corrector, &mut analysis, work)?;
    }
    let renderer = site.renderer(&analysis)?;
    let kept = done.len();
    let journal = Journal::begin(out.disk, &journal_path, &key, done.values())?;
    let papers = site.papers(&analysis, &renderer);
    let (made, failed) = papers.render(&wanted, &site.frames, journal, work)?;
    done.extend(made);
    let said =
        Rendered { analysis: hash, done: done.into_values().collect(), failed: failed.clone() };
    seal((out, work), &path, &site.desk.key, &said)?;
    Ok(Done { name, frames: usable.len(), kept, failed })
}

/// Sees that every frame is there with its hash, and writes table, record and seal.
///
/// # Errors
/// [`NightError::Refused`] where a part is missing, was made with another analysis, or a frame is
/// not what its part wrote: which, and what to run.
pub fn finish(
    job: &ClipJob,
    out: &Out<'_>,
    parts: usize,
    work: &Work<'_>,
) -> Result<Summary, NightError> {
    let site = Site::open(job, out, work)?;
    let (analysis, hash) = site.merged()?;
    let (done, failed) = collected(&site, &analysis, &hash, parts, work)?;
    clear(out.disk, &site.frames, |n| done.contains_key(&n))?;
    tidy(&site)?;
    let renderer = site.renderer(&analysis)?;
    Journal::begin(out.disk, &site.folder.join("journal.jsonl"), &site.desk.key, done.values())?;
    let made = done.len() as u64;
    site.papers(&analysis, &renderer).finish((&site.folder, work), &done, failed, (0, made))
}

/// What the parts made, each frame looked at.
fn collected(
    site: &Site<'_>,
    analysis: &Analysis,
    hash: &str,
    parts: usize,
    work: &Work<'_>,
) -> Result<Made, NightError> {
    let outputs = Outputs::of(&site.job.pipeline, analysis)?;
    let (mut done, mut failed) = (BTreeMap::new(), BTreeMap::new());
    let mut bad = Vec::new();
    for (share, r) in site.gather::<Rendered>(("render", "json"), parts, &site.desk.key)? {
        let mut fault = |what: String| bad.push(format!("part {} {what}", share.words()));
        if r.analysis != hash {
            fault("was made with another analysis".to_owned());
            continue;
        }
        let positions = site.positions(share, analysis.frames.len());
        let here = positions.filter(|&i| outputs.has(i)).map(|i| analysis.frames[i].frame);
        let said: BTreeMap<u64, Option<Entry>> = r
            .done
            .into_iter()
            .map(|e| (e.frame, Some(e)))
            .chain(r.failed.keys().map(|&n| (n, None)))
            .collect();
        if !said.keys().copied().eq(here) {
            fault("does not speak of each of its frames, and of no other".to_owned());
            continue;
        }
        for entry in said.into_values().flatten() {
            work.check()?;
            if !whole(site.out, &site.frames, &entry) {
                fault(format!("wrote another frame {} than lies there", entry.frame));
                break;
            }
            done.insert(entry.frame, entry);
        }
        failed.extend(r.failed);
    }
    if bad.is_empty() { Ok((done, failed)) } else { Err(site.again("render", &bad)) }
}

/// Sweeps what killed parts left, where nobody else is seen to be at work on the clip.
fn tidy(site: &Site<'_>) -> Result<(), NightError> {
    if site.lock.alone() {
        for place in [&site.folder, &site.frames, &site.folder.join(SHARDS)] {
            sweep(site.out.disk, place)?;
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shares_cover_everything_once() {
        for n in 0..40 {
            for of in 1..=12 {
                let all: Vec<usize> = Share::all(of).flat_map(|s| s.of(n)).collect();
                assert_eq!(all, (0..n).collect::<Vec<_>>());
            }
        }
        assert_eq!(Share::new(0, 3), None);
        assert_eq!(Share::new(4, 3), None);
        assert_eq!(Share::new(1, MOST_PARTS + 1), None);
    }
}
