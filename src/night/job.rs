//! What is to be done with one clip, and the key that tells whether it was done already.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::time::UNIX_EPOCH;

use serde::Serialize;

use super::NightError;
use super::checksum::of_clip;
use super::references::{Noise, Prepared};
use crate::engine::memory::Plan;
use crate::engine::source::Source;
use crate::engine::{EngineError, Work};
use crate::footage::{Digest, Facts, hash_bytes};
use crate::pipeline::Pipeline;
use crate::record::Warning;

/// Version of the arithmetic: a change makes every frame anew.
pub const VERSION: &str = env!("CARGO_PKG_VERSION");

/// One clip and what to do with it.
#[derive(Debug, Clone, PartialEq)]
pub struct ClipJob {
    /// Its name: the folder of its results.
    pub name: String,
    /// Folder of frames or multi-page TIFF.
    pub input: PathBuf,
    /// Facts from options and from `shoot.toml`, highest first.
    pub facts: Vec<Facts>,
    /// What to do.
    pub pipeline: Pipeline,
    /// Folder of the black reference.
    pub dark: Option<PathBuf>,
    /// Folder of the even field.
    pub flat: Option<PathBuf>,
    /// Hash list of the originals, taken early.
    pub listed: Option<PathBuf>,
    /// Only these source frames, first and last; all where `None`.
    pub range: Option<(u64, u64)>,
}

/// Everything that decides what the finished frames are.
#[derive(Serialize)]
struct Deciding<'a> {
    version: &'a str,
    pipeline: &'a Pipeline,
    facts: &'a Facts,
    references: &'a [Option<String>; 2],
    noise: &'a Noise,
    inventory: String,
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    listed: &'a BTreeMap<u64, Digest>,
}

impl ClipJob {
    /// `work` within its budget of memory for the clip `source`, which is this job's.
    ///
    /// # Errors
    /// Where the clip does not fit, with the number that it needs.
    pub fn bounded<'w>(&self, source: &Source, work: &Work<'w>) -> Result<Work<'w>, NightError> {
        let named = |e: EngineError| NightError::Refused(format!("{}: {e}", self.name));
        self.plan(source, work.threads).bound(work).map_err(named)
    }

    /// The same where the clip is not open yet. One that cannot be opened is not refused here.
    ///
    /// # Errors
    /// As [`Self::bounded`].
    pub fn bounded_unopened<'w>(&self, work: &Work<'w>) -> Result<Work<'w>, NightError> {
        match work.memory.and_then(|_| self.open().ok()) {
            Some(source) => self.bounded(&source, work),
            None => Ok(*work),
        }
    }

    /// What decides how much memory the clip takes on so many threads.
    pub(super) fn plan<'p>(&'p self, source: &'p Source, threads: usize) -> Plan<'p> {
        let references = [self.dark.is_some(), self.flat.is_some()];
        Plan { pipeline: &self.pipeline, source, references, pool: threads }
    }

    /// The clip, ready to be read.
    ///
    /// # Errors
    /// As [`Source::open`]; where there is a hash list that is not of this clip.
    pub fn open(&self) -> Result<Source, NightError> {
        let mut source = Source::open(&self.input, self.facts.clone())?;
        if let Some(list) = &self.listed {
            source.listed = of_clip(list, &source.clip)?;
            let without = source
                .clip
                .frames
                .iter()
                .filter(|f| !source.listed.contains_key(&f.number))
                .count();
            if without > 0 && !source.paged {
                source.warnings.push(Warning::new(
                    "not-listed",
                    format!("{without} frames are not in the hash list"),
                    "whether they are as they were when they were filmed is not known",
                ));
            }
        }
        Ok(source)
    }
}

/// Names, sizes and times of the clip's files, as one hash.
fn inventory(source: &Source) -> String {
    let mut text = String::new();
    for f in &source.clip.frames {
        let meta = std::fs::metadata(&f.path).ok();
        let size = meta.as_ref().map_or(0, std::fs::Metadata::len);
        let time = meta
            .and_then(|m| m.modified().ok())
            .and_then(|t| t.duration_since(UNIX_EPOCH).ok())
            .map_or(0, |d| d.as_nanos());
        let name = f.path.file_name().map(|n| n.to_string_lossy().into_owned());
        text.push_str(&format!(
            "{} {} {} {size} {time}\n",
            f.number,
            f.page,
            name.unwrap_or_default()
        ));
    }
    text.push_str(&headerless(source));
    hash_bytes(text.as_bytes())
}

/// How headerless frames lie in their files, which decides what they are; empty for other files.
pub(super) fn headerless(source: &Source) -> String {
    let raw = source.clip.frames.first().and_then(|f| f.raw.as_deref());
    raw.map(|raw| format!("{raw:?}\n")).unwrap_or_default()
}

/// The key of a job: same key, same bits.
#[must_use]
pub fn key(pipeline: &Pipeline, source: &Source, prepared: &Prepared, noise: &Noise) -> String {
    let deciding = Deciding {
        version: VERSION,
        pipeline,
        facts: &source.facts,
        references: &prepared.keys,
        noise,
        inventory: inventory(source),
        listed: &source.listed,
    };
    hash_bytes(serde_json::to_string(&deciding).unwrap_or_default().as_bytes())
}
