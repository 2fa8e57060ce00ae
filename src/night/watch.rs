//! Clips that are still being copied in: each begins when its folder, and those of its references,
//! have been quiet for a while.
//!
//! Quiet means: the same names, sizes and times at each look. Times alone do not tell, since a copy
//! may keep those of the original. A clip that changes after it has begun is found out by the run.
//!
//! The list of clips itself may change: a shoot file that was saved again, and has been quiet, is read
//! again ([`List`]). Clips that were begun stay as they were begun; all others are as the file says now.

use std::collections::BTreeMap;
use std::fmt;
use std::fs;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant, UNIX_EPOCH};

use super::job::ClipJob;
use super::place::inputs;
use crate::engine::{EngineError, Work};
use crate::footage::{hash_bytes, printable};

/// How long is waited, and for what.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Watching {
    /// A folder without a change for so long is complete.
    pub quiet: Duration,
    /// With no change anywhere for so long, nothing is waited for any more.
    pub limit: Duration,
}

/// How long lies between two looks.
const SHORTEST: Duration = Duration::from_millis(20);
const LONGEST: Duration = Duration::from_millis(200);

/// The file that lists the clips, and how it is read.
pub struct List<'a> {
    file: &'a Path,
    read: &'a (dyn Fn() -> Result<Vec<ClipJob>, String> + Sync),
}

impl<'a> List<'a> {
    /// The clips that `read` gives, which come from `file`.
    #[must_use]
    pub fn new(
        file: &'a Path,
        read: &'a (dyn Fn() -> Result<Vec<ClipJob>, String> + Sync),
    ) -> Self {
        Self { file, read }
    }
}

impl fmt::Debug for List<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("List").field("file", &self.file).finish_non_exhaustive()
    }
}

/// The clips of a night in the order in which they can be begun.
#[derive(Debug)]
pub struct Queue<'a> {
    waiting: Vec<ClipJob>,
    begun: Vec<ClipJob>,
    watching: Option<Watching>,
    list: Option<&'a List<'a>>,
    /// The list's state when it was read.
    known: Option<String>,
    seen: BTreeMap<PathBuf, (Option<String>, Instant)>,
    told: Vec<String>,
}

/// What comes next.
#[derive(Debug)]
pub enum Next {
    /// A clip to begin.
    Clip(Box<ClipJob>),
    /// A clip that never came to rest, and why.
    Never(Box<ClipJob>, String),
    /// All were given out.
    Done,
}

impl<'a> Queue<'a> {
    /// Of these clips; one after another where nothing is watched. `list` is where they come from,
    /// where that may change.
    #[must_use]
    pub fn new(jobs: &[ClipJob], watching: Option<Watching>, list: Option<&'a List<'a>>) -> Self {
        let waiting = jobs.iter().rev().cloned().collect();
        let known = list.and_then(|l| state(l.file));
        Self {
            waiting,
            begun: Vec::new(),
            watching,
            list,
            known,
            seen: BTreeMap::new(),
            told: Vec::new(),
        }
    }

    /// All clips, those that were given out too.
    #[must_use]
    pub fn clips(&self) -> usize {
        self.begun.len() + self.waiting.len()
    }

    fn begin(&mut self, job: ClipJob) -> Box<ClipJob> {
        self.begun.push(job.clone());
        Box::new(job)
    }

    /// The next clip; waits for one where they are watched.
    ///
    /// # Errors
    /// [`EngineError::Stopped`] on request.
    pub fn next(&mut self, work: &Work<'_>) -> Result<Next, EngineError> {
        let Some(watching) = self.watching else {
            let next = self.waiting.pop().map(|j| self.begin(j));
            return Ok(next.map_or(Next::Done, Next::Clip));
        };
        loop {
            let now = Instant::now();
            self.look(now);
            let changing = self.list_again(watching, now, work);
            if self.waiting.is_empty() && !changing {
                return Ok(Next::Done);
            }
            let still = |p: &Path| match self.seen.get(p) {
                Some((Some(_), since)) => now.duration_since(*since) >= watching.quiet,
                _ => false,
            };
            let ready = |j: &&ClipJob| inputs(j).into_iter().all(still);
            // The list is turned round: the first clip is its last.
            if let Some(at) = self.waiting.iter().rposition(|j| ready(&j))
                && !changing
            {
                let job = self.waiting.remove(at);
                return Ok(Next::Clip(self.begin(job)));
            }
            let last = self.seen.values().map(|(_, since)| *since).max().unwrap_or(now);
            if now.duration_since(last) >= watching.limit.max(watching.quiet)
                && let Some(job) = self.waiting.pop()
            {
                let why = never(&job, watching.limit);
                return Ok(Next::Never(self.begin(job), why));
            }
            self.tell(work);
            std::thread::sleep(watching.quiet.clamp(SHORTEST, LONGEST));
            work.check()?;
        }
    }

    /// Notes what changed since the last look.
    fn look(&mut self, now: Instant) {
        let list = self.list.map(|l| l.file);
        for path in self.waiting.iter().flat_map(inputs).chain(list) {
            let state = state(path);
            match self.seen.get_mut(path) {
                Some((known, since)) => {
                    // Several clips share a reference: looked at again, it is the same.
                    if *known != state {
                        (*known, *since) = (state, now);
                    }
                }
                None => {
                    self.seen.insert(path.to_owned(), (state, now));
                }
            }
        }
    }

    /// Reads the list again where it was saved again and has been quiet; whether it is still being
    /// changed.
    fn list_again(&mut self, watching: Watching, now: Instant, work: &Work<'_>) -> bool {
        let Some(list) = self.list else { return false };
        let Some((Some(state), since)) = self.seen.get(list.file) else { return false };
        if self.known.as_ref() == Some(state) {
            return false;
        }
        if now.duration_since(*since) < watching.quiet {
            return true;
        }
        self.known = Some(state.clone());
        let file = printable(list.file);
        let jobs = match (list.read)() {
            Ok(jobs) => jobs,
            Err(why) => {
                work.progress.note(&format!(
                    "{file} was changed, but: {why}; going on with the clips as they were"
                ));
                return false;
            }
        };
        for old in &self.begun {
            if jobs.iter().any(|j| j.name == old.name && j != old) {
                work.progress.note(&format!(
                    "{}: was begun before {file} said something else of it: run again when the \
                     night has ended",
                    old.name
                ));
            }
        }
        self.waiting = jobs
            .into_iter()
            .rev()
            .filter(|j| self.begun.iter().all(|b| b.name != j.name))
            .collect();
        work.progress
            .note(&format!("{file} was read again: {} clips are to come", self.waiting.len()));
        false
    }

    /// Says which clips are waited for, when they are others than before.
    fn tell(&mut self, work: &Work<'_>) {
        if self.waiting.is_empty() {
            return;
        }
        let names: Vec<String> = self.waiting.iter().rev().map(|j| j.name.clone()).collect();
        if names != self.told {
            work.progress.note(&format!(
                "waiting until these are copied: {}; Ctrl-C ends the wait",
                names.join(", ")
            ));
            self.told = names;
        }
    }
}

/// Why a clip was given up.
fn never(job: &ClipJob, limit: Duration) -> String {
    let missing: Vec<String> =
        inputs(job).into_iter().filter(|p| state(p).is_none()).map(printable).collect();
    let what = if missing.is_empty() {
        "it did not come to rest".to_owned()
    } else {
        format!("there is nothing in {}", missing.join(", "))
    };
    format!("{what}, and nothing changed for {} s: copy it, then run again", limit.as_secs())
}

/// Names, sizes and times of what lies at `path`, as one hash; `None` where there is nothing yet.
fn state(path: &Path) -> Option<String> {
    let mut lines = Vec::new();
    let mut line = |path: &Path| {
        let meta = fs::metadata(path).ok();
        let time = meta.as_ref().and_then(|m| m.modified().ok());
        let time = time.and_then(|t| t.duration_since(UNIX_EPOCH).ok()).map(|d| d.as_nanos());
        lines.push(format!("{path:?} {:?} {time:?}", meta.map(|m| m.len())));
    };
    if path.is_dir() {
        fs::read_dir(path).ok()?.flatten().for_each(|e| line(&e.path()));
    } else if path.is_file() {
        line(path);
    }
    lines.sort();
    (!lines.is_empty()).then(|| hash_bytes(lines.join("\n").as_bytes()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_folder_changes_with_every_name_size_and_time() {
        let dir = tempfile::tempdir().unwrap();
        assert_eq!(state(dir.path()), None);
        assert_eq!(state(&dir.path().join("none")), None);
        let mut states = Vec::new();
        for (name, text) in [("1.tif", "a"), ("2.tif", "a"), ("2.tif", "ab")] {
            fs::write(dir.path().join(name), text).unwrap();
            states.push(state(dir.path()));
        }
        // Written again, with the same bytes: a later time.
        let file = fs::File::options().append(true).open(dir.path().join("1.tif")).unwrap();
        file.set_modified(UNIX_EPOCH + Duration::from_secs(1)).unwrap();
        states.push(state(dir.path()));
        assert!((1..4).all(|i| states[i - 1] != states[i] && states[i].is_some()), "{states:?}");
        assert_eq!(state(dir.path()), states[3]);
    }
}
