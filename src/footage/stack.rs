//! Files that hold many frames: multi-page TIFF, Y4M, headerless samples.

use std::ffi::OsStr;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::clip::{FrameFile, MAX_SPAN};
use super::facts::FactsFile;
use super::kind::{FileKind, kind_of};
use super::open::open_regular;
use super::raw::RawLayout;
use super::{FootageError, printable, tiff, y4m};
use crate::record::Warning;

/// The layout of headerless frames that the `clip.toml` of a folder gives, checked.
pub(super) fn raw_in(folder: &Path) -> Result<Option<Arc<RawLayout>>, FootageError> {
    // A clip.toml that cannot be read is told by who needs its facts, or where no frame is found.
    let Some(raw) = FactsFile::in_folder(folder).ok().flatten().and_then(|facts| facts.raw) else {
        return Ok(None);
    };
    raw.check()
        .map_err(|what| FootageError::Facts { place: printable(folder.join("clip.toml")), what })?;
    Ok(Some(Arc::new(raw)))
}

/// Every page of a file as a frame, numbered from 1.
pub(super) fn pages_of(
    path: &Path,
    raw: Option<&Arc<RawLayout>>,
) -> Result<(Vec<FrameFile>, Vec<Warning>), FootageError> {
    let (mut file, meta) = open_regular(path)?;
    let mut warnings = Vec::new();
    let count = if let Some(raw) = raw {
        raw.frames(meta.len())
    } else if kind_of(&mut file).map_err(|f| f.at(path))? == FileKind::Y4m {
        y4m::frames(&mut file).map(|(n, cut)| {
            warnings.extend(cut.then(|| cut_stream(n)));
            n
        })
    } else {
        tiff::page_count(file)
    };
    let pages = count.map_err(|f| f.at(path))?;
    if pages == 0 {
        return Err(FootageError::footage(path, "holds no whole frame"));
    }
    if u64::try_from(pages).is_ok_and(|n| n > MAX_SPAN) {
        return Err(FootageError::Limit {
            path: printable(path),
            what: format!("holds {pages} frames: the limit is {MAX_SPAN}"),
        });
    }
    let frames = (1_u64..)
        .zip(0..pages)
        .map(|(number, page)| FrameFile { number, path: path.to_owned(), page, raw: raw.cloned() })
        .collect();
    Ok((frames, warnings))
}

fn cut_stream(frames: usize) -> Warning {
    Warning::new(
        "stream-cut",
        format!("the file ends inside frame {}, which is left out", frames + 1),
        "copy the file again where that frame matters",
    )
}

pub(super) fn has_extension(path: &Path, wanted: &str) -> bool {
    path.extension().and_then(OsStr::to_str).is_some_and(|e| e.eq_ignore_ascii_case(wanted))
}

/// The pages of the only file of a folder, where it holds more than one.
pub(super) fn stack_in(
    path: &Path,
    raw: Option<&Arc<RawLayout>>,
) -> Option<(Vec<FrameFile>, Vec<Warning>)> {
    let (mut file, _) = open_regular(path).ok()?;
    if raw.is_none() && !kind_of(&mut file).ok()?.many() {
        return None;
    }
    pages_of(path, raw).ok().filter(|(pages, _)| pages.len() > 1)
}

/// Refuses a folder of several stacks: only the first page of each would be used.
///
/// The first file stands for all. What cannot be read here is told when it is decoded.
pub(super) fn refuse_stacks(
    images: &[PathBuf],
    raw: Option<&Arc<RawLayout>>,
) -> Result<(), FootageError> {
    let Some(first) = images.first() else { return Ok(()) };
    let pages =
        open_regular(first).ok().and_then(|(mut file, meta)| match (raw, kind_of(&mut file)) {
            (Some(raw), _) => raw.frames(meta.len()).ok(),
            (None, Ok(FileKind::Tiff)) => tiff::equal_pages(file).ok(),
            (None, Ok(FileKind::Y4m)) => y4m::frames(&mut file).ok().map(|(n, _)| n),
            _ => None,
        });
    match pages {
        Some(pages) if pages > 1 && images.len() > 1 => Err(FootageError::footage(
            first,
            format!(
                "is a stack of {pages} frames among {} other file(s): name the file itself, a \
                 stack is a clip of its own",
                images.len() - 1
            ),
        )),
        _ => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use std::fs;

    use super::super::{decode, exif_facts, find, shape_of};

    const RAW: &str = "[raw]\nwidth = 2\nheight = 1\nbits = 8\nheader = 1\n";

    #[test]
    fn headerless_frames_by_clip_toml() {
        let dir = tempfile::tempdir().unwrap();
        fs::write(dir.path().join("clip.toml"), format!("rate = 5000\n{RAW}")).unwrap();
        fs::write(dir.path().join("comb 0007.raw"), [9, 1, 2]).unwrap();
        fs::write(dir.path().join("comb 0008.raw"), [9, 3, 4]).unwrap();
        fs::write(dir.path().join("0009.tif"), [9, 3, 4]).unwrap();
        let clip = find(dir.path()).unwrap();
        assert_eq!((clip.first(), clip.last()), (7, 8));
        assert_eq!(decode(&clip.frames[1]).unwrap().samples.data, [3, 4]);
        assert_eq!(shape_of(&clip.frames[0]).unwrap().width, 2);
        exif_facts(&clip.frames[0]).unwrap();
        // A stack: alone in its folder, or given itself; not among others.
        fs::write(dir.path().join("comb 0008.raw"), [9, 3, 4, 5, 6]).unwrap();
        fs::write(dir.path().join("comb 0007.raw"), [9, 3, 4, 5, 6]).unwrap();
        let text = find(dir.path()).unwrap_err().to_string();
        assert!(text.contains("stack of 2 frames"), "{text}");
        let clip = find(&dir.path().join("comb 0008.raw")).unwrap();
        assert_eq!(decode(&clip.frames[1]).unwrap().samples.data, [5, 6]);
        fs::remove_file(dir.path().join("comb 0007.raw")).unwrap();
        assert_eq!(find(dir.path()).unwrap().frames.len(), 2);
    }

    #[test]
    fn a_wrong_description_is_told() {
        let dir = tempfile::tempdir().unwrap();
        let place = dir.path().join("clip.toml");
        fs::write(dir.path().join("1.raw"), [1, 2, 3]).unwrap();
        let fault = || find(dir.path()).unwrap_err().to_string();
        fs::write(&place, "[raw]\nwidth = 2\n").unwrap();
        assert!(fault().contains("clip.toml") && fault().contains("height"), "{}", fault());
        fs::write(&place, RAW.replace("8", "12")).unwrap();
        assert!(fault().contains("no packing"), "{}", fault());
        fs::write(&place, RAW.replace("header = 1", "extension = \"bin\"")).unwrap();
        assert!(fault().contains("*.bin ([raw])"), "{}", fault());
    }

    #[test]
    fn a_stream_that_was_cut_says_so() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("comb.y4m");
        let stream = b"YUV4MPEG2 W2 H1 Cmono\nFRAME\n\x10\xebFRAME\n\xeb\x10FRAME\n\x01";
        fs::write(&path, stream).unwrap();
        for clip in [find(&path).unwrap(), find(dir.path()).unwrap()] {
            assert_eq!(clip.frames.len(), 2);
            assert_eq!(clip.warnings[0].kind, "stream-cut");
            assert_eq!(decode(&clip.frames[1]).unwrap().samples.data, [65_535, 0]);
        }
    }
}
