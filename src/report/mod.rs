//! The morning after: pages that say what was done and what went wrong.
//!
//! | file | what it holds |
//! | --- | --- |
//! | `notes` | what is noted beside a page of its pictures, and their files' names |
//! | `read` | a clip's folder as its files say it |
//! | `verdict` | what it came to, in words and few numbers |
//! | `document` | what all pages have in common |
//! | `page`, `charts`, `light`, `noise`, `tables`, `movie`, `index` | the pages |
//! | `plot`, `spectrum` | decimated plots; frequencies of a series |
//! | `html` | addresses; significant figures |
//! | `picture`, `compare` | finished frames as shown; one frame before and after |
//! | `preview` | the movie of the finished frames |
//! | `flash`, `flash_count` | whether it flashes |
//!
//! **Pages come from records alone** ([`pages`]); what needs pictures is made once, at the end of
//! a clip's run ([`pictures`]), and lies beside the page. **Nothing that comes from a record or a
//! name enters a page unescaped**: pages are `maud` templates, and the few places that put text in
//! as it is are listed in `tests/pages.rs`. A page loads nothing but files beside it.
//! A page has a bounded number of points however long the clip is.

pub mod charts;
pub mod compare;
pub mod document;
pub mod flash;
pub mod flash_count;
#[cfg(test)]
mod flash_tests;
pub mod html;
pub mod index;
pub mod light;
pub mod movie;
pub mod noise;
pub mod notes;
pub mod page;
pub mod picture;
pub mod plot;
pub mod preview;
pub mod read;
pub mod spectrum;
pub mod tables;
pub mod verdict;

use std::path::{Path, PathBuf};

use crate::engine::source::Source;
use crate::engine::{EngineError, Work};
use crate::footage::{CAN_ENCODE, Disk, Facts, FootageError, clip_folders, printable, write_on};
use crate::record::Warning;
use notes::Took;
use read::ClipFolder;

pub use index::{INDEX, MADE_IN};
pub use notes::TOOK;
pub use page::PAGE;

/// Notes that a run worked on a clip for `seconds`; runs of one job add up.
///
/// # Errors
/// Where the note cannot be written.
pub fn took((disk, folder): (&dyn Disk, &Path), seconds: f64) -> Result<(), FootageError> {
    let clip = ClipFolder::read(folder);
    let key = clip.text(&["key"]).unwrap_or("").to_owned();
    let note = Took { key, seconds: clip.took_s.unwrap_or(0.0) + seconds };
    let text = serde_json::to_string(&note).unwrap_or_default();
    write_on(disk, &folder.join(TOOK), |w| w.write_all(text.as_bytes()))?;
    Ok(())
}

/// Makes the pages of all clips in an output folder and the overview, on the disk it lies on; gives
/// their places, the overview last.
///
/// # Errors
/// Where the folder holds no results, or a page cannot be written.
pub fn pages(out: &Path, disk: &dyn Disk) -> Result<Vec<PathBuf>, FootageError> {
    let mut written = Vec::new();
    let mut lines = Vec::new();
    for folder in clip_folders(out)? {
        let clip = ClipFolder::read(&folder);
        let place = folder.join(PAGE);
        write_page(disk, &place, &page::page(&clip))?;
        written.push(place);
        lines.push(index::Line::of(&clip));
    }
    let place = out.join(INDEX);
    write_page(disk, &place, &index::index(&lines))?;
    written.push(place);
    Ok(written)
}

/// Writes a page where there is none, or one of ours: all of these speak of the program.
fn write_page(disk: &dyn Disk, place: &Path, text: &str) -> Result<(), FootageError> {
    if std::fs::read(place).is_ok_and(|t| !String::from_utf8_lossy(&t).contains("hushframe")) {
        return Err(FootageError::Output {
            path: printable(place),
            what: "is there already and is no page of a run: move it away, then hushframe report \
                   makes the pages"
                .to_owned(),
        });
    }
    write_on(disk, place, |w| w.write_all(text.as_bytes())).map(drop)
}

/// Makes what the page of a finished clip shows of its pictures: the comparison, the small picture
/// and, with `movie`, the preview; the clip's folder lies on `disk`. `input` and `facts` are those of its job; originals are only read.
///
/// Gives what did not work, as warnings: the frames are finished, and no picture of them costs the
/// clip.
///
/// # Errors
/// [`EngineError::Stopped`] on request only.
pub fn pictures(
    (disk, folder): (&dyn Disk, &Path),
    (input, facts): (&Path, &[Facts]),
    movie: bool,
    work: &Work<'_>,
) -> Result<Vec<Warning>, EngineError> {
    let clip = ClipFolder::read(folder);
    if clip.record.is_null() {
        return Ok(Vec::new());
    }
    let compared =
        Source::open(input, facts.to_vec()).and_then(|source| compare::make(&clip, disk, &source));
    let filmed = if movie && CAN_ENCODE { preview::make(&clip, disk, work) } else { Ok(()) };
    let mut warnings = Vec::new();
    for (what, kind, outcome) in
        [("comparison", "no-comparison", compared), ("preview", "no-preview", filmed)]
    {
        match outcome {
            Ok(()) => {}
            Err(EngineError::Stopped) => return Err(EngineError::Stopped),
            Err(e) => warnings.push(Warning::new(
                kind,
                format!("the {what} could not be made: {e}"),
                "the finished frames are not touched by this; run again to make it",
            )),
        }
    }
    Ok(warnings)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_of_one_job_add_up_and_another_begins_anew() {
        let dir = tempfile::tempdir().unwrap();
        let record = |key: &str| {
            let text = format!("{{\"key\": \"{key}\"}}");
            std::fs::write(dir.path().join("record.json"), text).unwrap();
        };
        let read = || ClipFolder::read(dir.path()).took_s;
        record("a");
        assert_eq!(read(), None);
        took((&crate::footage::RealDisk, dir.path()), 1.5).unwrap();
        took((&crate::footage::RealDisk, dir.path()), 2.0).unwrap();
        assert_eq!(read(), Some(3.5));
        record("b");
        assert_eq!(read(), None);
        took((&crate::footage::RealDisk, dir.path()), 0.25).unwrap();
        assert_eq!(read(), Some(0.25));
    }
}
