//! A clip: its frames in order, the numbers that are missing among them, and the file of each.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::raw::RawLayout;
use crate::record::Warning;

/// Largest distance from the first number to the last, in frames. A stray file with a huge
/// number would otherwise make millions of missing frames: 10 million is an hour at 2,800 a second.
pub const MAX_SPAN: u64 = 10_000_000;

/// One frame on disk.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FrameFile {
    /// Its number in the clip.
    pub number: u64,
    /// The file that holds it.
    pub path: PathBuf,
    /// Its page in the file, counted from 0; 0 for all but files of many frames.
    pub page: usize,
    /// The layout of headerless samples, from `clip.toml`.
    pub raw: Option<Arc<RawLayout>>,
}

impl FrameFile {
    /// A single picture that is no part of a clip, with the number 0.
    #[must_use]
    pub fn single(path: &Path) -> Self {
        Self { number: 0, path: path.to_owned(), page: 0, raw: None }
    }
}

/// The frames of a clip, in order; at least one.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Clip {
    /// The folder or the multi-page file, as it was given.
    pub source: PathBuf,
    /// Name of the folder, or of the file without its extension, as printable text.
    pub name: String,
    /// The frames that are there, ascending by number, no number twice.
    pub frames: Vec<FrameFile>,
    /// What was passed over and should be known.
    pub warnings: Vec<Warning>,
}

impl Clip {
    /// Number of the first frame.
    #[must_use]
    pub fn first(&self) -> u64 {
        self.frames.first().map_or(0, |f| f.number)
    }

    /// Number of the last frame.
    #[must_use]
    pub fn last(&self) -> u64 {
        self.frames.last().map_or(0, |f| f.number)
    }

    /// Numbers from the first to the last, present or not.
    #[must_use]
    pub fn span(&self) -> u64 {
        if self.frames.is_empty() { 0 } else { self.last() - self.first() + 1 }
    }

    /// The frame with this number; `None` where it is missing.
    #[must_use]
    pub fn get(&self, number: u64) -> Option<&FrameFile> {
        let at = self.frames.binary_search_by_key(&number, |f| f.number).ok()?;
        self.frames.get(at)
    }

    /// Every number from the first to the last, with its frame; `None` where it is missing.
    pub fn numbers(&self) -> impl Iterator<Item = (u64, Option<&FrameFile>)> {
        let mut next = self.frames.iter().peekable();
        let all = if self.frames.is_empty() { 0..0 } else { self.first()..self.last() + 1 };
        all.map(move |n| (n, next.next_if(|f| f.number == n)))
    }

    /// Numbers within the clip that have no frame.
    pub fn missing(&self) -> impl Iterator<Item = u64> {
        self.numbers().filter(|(_, f)| f.is_none()).map(|(n, _)| n)
    }

    /// How headerless frames lie in their files, which decides what they are; empty for other files.
    #[must_use]
    pub fn headerless(&self) -> String {
        let raw = self.frames.first().and_then(|f| f.raw.as_deref());
        raw.map(|raw| format!("{raw:?}\n")).unwrap_or_default()
    }

    /// The folder that a `clip.toml` for this clip lies in.
    #[must_use]
    pub fn folder(&self) -> &Path {
        if self.frames.first().is_some_and(|f| f.path == self.source) {
            self.source.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."))
        } else {
            &self.source
        }
    }
}
