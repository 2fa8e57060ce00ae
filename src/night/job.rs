//! What is to be done with one clip.

use std::path::PathBuf;

use super::NightError;
use super::checksum::of_clip;
use crate::engine::memory::Plan;
use crate::engine::source::Source;
use crate::engine::{EngineError, Work};
use crate::footage::Facts;
use crate::pipeline::Pipeline;
use crate::record::{Warning, counted};

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
            let (listed, absent) = of_clip(list, &source.clip)?;
            source.listed = listed;
            if let Some(first) = absent.first() {
                source.warnings.push(Warning::new(
                    "listed-missing",
                    format!(
                        "{} that the hash list names are not there, the first is {first}",
                        counted(absent.len() as u64, "frame")
                    ),
                    "copy them again from where they came",
                ));
            }
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
