//! Which files make a clip, in which order, with which numbers.
//!
//! A clip is a folder of numbered frames, or one file of many: multi-page TIFF, Y4M, headerless
//! samples by `clip.toml` (given itself, or alone in its folder; several stacks in one folder are
//! refused). **A gap in the numbers is a missing frame and is never closed up**: time follows the
//! numbers. Pages of a file are numbered from 1; reduced copies and masks in it do not count.
//!
//! The number of a file is one run of digits in its name without the extension, the same run
//! for all files whose names differ in digits only. Which one, where several runs vary:
//! 1. only a run that differs in every file can be the number;
//! 2. of those, the last one that counts up without a gap;
//! 3. failing that, the last one.
//!
//! Where no run differs in every file, the last run is taken and the two files that share a
//! number are named in the refusal. So `2024-11-25_relay_0007.tif` is frame 7, and
//! `comb_0007_t001400us.tif` is frame 7 too as long as none is missing.
//!
//! Frames are recognised by extension here and by content when they are decoded. Hidden files,
//! texts, `clip.toml` and whatever else lies beside them are passed over; sub-folders are not
//! entered. An image without a digit in its name is passed over with a warning.

use std::collections::BTreeMap;
use std::collections::btree_map::Entry;
use std::ffi::OsStr;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use walkdir::WalkDir;

use super::clip::{Clip, FrameFile, MAX_SPAN};
use super::facts::FactsFile;
use super::kind::kind_of;
use super::open::{kind_word, open_regular};
use super::raw::RawLayout;
use super::stack::{has_extension, pages_of, raw_in, refuse_stacks, stack_in};
use super::{FootageError, printable};
use crate::record::Warning;

/// Extensions that make a file a frame, in lower case.
const EXTENSIONS: &[&str] =
    &["tif", "tiff", "png", "jpg", "jpeg", "pgm", "ppm", "pnm", "pam", "dng", "dpx", "exr", "y4m"];

/// Finds the clip at `path`: a folder of numbered frames, or one file of many (TIFF, Y4M, or
/// headerless samples that the `clip.toml` beside it describes).
///
/// # Errors
/// [`FootageError::Footage`] where there are no frames, two of one number, or `path` is neither
/// a folder nor a file of many frames; [`FootageError::Limit`] where the numbers lie further
/// apart than [`MAX_SPAN`]; [`FootageError::Facts`] where the `clip.toml` is wrong;
/// [`FootageError::Disk`] where the folder cannot be read.
pub fn find(path: &Path) -> Result<Clip, FootageError> {
    let meta = match fs::metadata(path) {
        Err(e) if e.kind() == io::ErrorKind::NotFound && path == Path::new("-") => {
            return Err(FootageError::footage(
                path,
                "is standard input, which only run takes, and only Y4M: save the stream to a file",
            ));
        }
        other => other.map_err(|e| FootageError::disk(path, "open", e))?,
    };
    if meta.is_dir() {
        return in_folder(path);
    }
    if !meta.is_file() {
        return Err(FootageError::footage(
            path,
            format!(
                "is {}: a clip is a folder of frames or a file of many (TIFF, Y4M)",
                kind_word(&meta)
            ),
        ));
    }
    let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let raw = raw_in(folder)?.filter(|raw| has_extension(path, &raw.extension));
    if raw.is_none() {
        let (mut file, _) = open_regular(path)?;
        let kind = kind_of(&mut file).map_err(|f| f.at(path))?;
        if !kind.many() {
            return Err(FootageError::footage(
                path,
                format!("is a single {kind} picture: give the folder that holds the clip's frames"),
            ));
        }
    }
    let (frames, warnings) = pages_of(path, raw.as_ref())?;
    Ok(Clip { source: path.to_owned(), name: name_of(path, true), frames, warnings })
}

fn name_of(path: &Path, is_file: bool) -> String {
    let named = |p: &Path| if is_file { p.file_stem() } else { p.file_name() }.map(printable);
    // "." and ".." have no name of their own.
    named(path)
        .or_else(|| fs::canonicalize(path).ok().as_deref().and_then(named))
        .unwrap_or_else(|| "clip".to_owned())
}

fn is_image(path: &Path) -> bool {
    path.extension()
        .and_then(OsStr::to_str)
        .is_some_and(|e| EXTENSIONS.contains(&e.to_ascii_lowercase().as_str()))
}

/// Whether a folder holds any file that may be a frame, by the names; nothing but its `clip.toml` is
/// opened.
#[must_use]
pub fn may_hold_frames(folder: &Path) -> bool {
    !pictures_in(folder).is_empty()
}

/// Files directly inside a folder that may be pictures, by their names.
#[must_use]
pub fn pictures_in(folder: &Path) -> Vec<PathBuf> {
    let raw = raw_in(folder).ok().flatten();
    list(folder, raw.as_ref()).map_or_else(|_| Vec::new(), |(images, _)| images)
}

/// The files of many frames in a folder that holds several, each a clip of its own; none where the
/// folder as a whole is a clip.
#[must_use]
pub fn stacks_of(folder: &Path) -> Vec<PathBuf> {
    let Ok(raw) = raw_in(folder) else { return Vec::new() };
    let Ok((mut images, _)) = list(folder, raw.as_ref()) else { return Vec::new() };
    if refuse_stacks(&images, raw.as_ref()).is_ok() {
        return Vec::new();
    }
    images.retain(|file| stack_in(file, raw.as_ref()).is_some());
    images
}

/// Images directly inside a folder, by name, and what else was seen there by extension.
fn list(
    folder: &Path,
    raw: Option<&Arc<RawLayout>>,
) -> Result<(Vec<PathBuf>, BTreeMap<String, usize>), FootageError> {
    let mut images = Vec::new();
    let mut others = BTreeMap::new();
    for entry in WalkDir::new(folder).min_depth(1).max_depth(1).sort_by_file_name() {
        let entry = entry.map_err(|e| {
            let at = e.path().unwrap_or(folder).to_owned();
            let source = e.into_io_error().unwrap_or_else(|| io::Error::other("a loop of links"));
            FootageError::disk(&at, "list", source)
        })?;
        let path = entry.path();
        let hidden = entry.file_name().as_encoded_bytes().starts_with(b".");
        // A link to a folder is a folder; a dangling link or a pipe stays a frame that cannot be
        // read, so that it is reported and not closed up.
        if hidden || entry.file_type().is_dir() || path.is_dir() {
            continue;
        }
        // Where the folder's clip.toml describes headerless frames, those are its frames.
        if raw.map_or_else(|| is_image(path), |raw| has_extension(path, &raw.extension)) {
            images.push(path.to_owned());
        } else {
            let ext = path.extension().map_or_else(|| "(none)".to_owned(), printable);
            *others.entry(ext).or_insert(0) += 1;
        }
    }
    Ok((images, others))
}

fn in_folder(folder: &Path) -> Result<Clip, FootageError> {
    let raw = raw_in(folder)?;
    let (images, others) = list(folder, raw.as_ref())?;
    if images.is_empty() {
        FactsFile::in_folder(folder)?;
        let seen = if others.is_empty() {
            "is empty".to_owned()
        } else {
            let seen: Vec<String> =
                others.iter().take(8).map(|(ext, n)| format!("{n} {ext}")).collect();
            format!("holds no frames, only other files ({})", seen.join(", "))
        };
        let wanted =
            raw.map_or_else(|| EXTENSIONS.join(", *."), |raw| format!("{} ([raw])", raw.extension));
        return Err(FootageError::footage(
            folder,
            format!("{seen}: frames are files named *.{wanted}"),
        ));
    }
    let name = name_of(folder, false);
    let source = folder.to_owned();
    if let [only] = images.as_slice()
        && let Some((frames, warnings)) = stack_in(only, raw.as_ref())
    {
        return Ok(Clip { source, name, frames, warnings });
    }
    refuse_stacks(&images, raw.as_ref())?;
    let (frames, unnumbered) = number_files(folder, images, raw.as_ref())?;
    let mut warnings = Vec::new();
    if let Some(example) = unnumbered.first() {
        warnings.push(Warning::new(
            "unnumbered-image",
            format!(
                "{} image(s) without a number in the name were passed over, for example {}",
                unnumbered.len(),
                printable(example.file_name().unwrap_or_default())
            ),
            "number them if they are frames, or move them elsewhere",
        ));
    }
    Ok(Clip { source, name, frames, warnings })
}

/// A name cut into runs of digits and what lies between them.
#[derive(Debug, PartialEq, Eq, PartialOrd, Ord)]
struct Parts {
    /// Texts before, between and after the runs: one more than there are runs.
    texts: Vec<Vec<u8>>,
    /// The runs of digits.
    runs: Vec<Vec<u8>>,
}

fn cut(stem: &OsStr) -> Parts {
    let mut parts = Parts { texts: vec![Vec::new()], runs: Vec::new() };
    let mut in_run = false;
    for &b in stem.as_encoded_bytes() {
        let digit = b.is_ascii_digit();
        if digit != in_run {
            let list = if digit { &mut parts.runs } else { &mut parts.texts };
            list.push(Vec::new());
            in_run = digit;
        }
        let list = if digit { &mut parts.runs } else { &mut parts.texts };
        if let Some(last) = list.last_mut() {
            last.push(b);
        }
    }
    parts
}

/// Value of a run of ASCII digits; `None` beyond 64 bits.
fn value(run: &[u8]) -> Option<u64> {
    run.iter().try_fold(0_u64, |n, &d| n.checked_mul(10)?.checked_add(u64::from(d - b'0')))
}

/// Which run of digits is the number, for files whose names differ in digits only.
fn choose(group: &[(PathBuf, Parts)], runs: usize) -> usize {
    let last = runs - 1;
    let mut distinct = None;
    for run in (0..runs).rev() {
        let values: Option<Vec<u64>> = group.iter().map(|(_, p)| value(&p.runs[run])).collect();
        let Some(mut values) = values else { continue };
        values.sort_unstable();
        if values.windows(2).any(|w| w[0] == w[1]) {
            continue;
        }
        distinct = distinct.or(Some(run));
        if values.windows(2).all(|w| w[1] - w[0] == 1) {
            return run;
        }
    }
    distinct.unwrap_or(last)
}

/// Gives each image its number; also those without one. Frames ascend by number.
fn number_files(
    folder: &Path,
    images: Vec<PathBuf>,
    raw: Option<&Arc<RawLayout>>,
) -> Result<(Vec<FrameFile>, Vec<PathBuf>), FootageError> {
    let mut groups: BTreeMap<Vec<Vec<u8>>, Vec<(PathBuf, Parts)>> = BTreeMap::new();
    let mut unnumbered = Vec::new();
    for path in images {
        let parts = cut(path.file_stem().unwrap_or_default());
        if parts.runs.is_empty() {
            unnumbered.push(path);
        } else {
            groups.entry(parts.texts.clone()).or_default().push((path, parts));
        }
    }
    let mut by_number: BTreeMap<u64, PathBuf> = BTreeMap::new();
    for group in groups.into_values() {
        let run = choose(&group, group[0].1.runs.len());
        for (path, parts) in group {
            let number = value(&parts.runs[run]).filter(|&n| n < u64::MAX).ok_or_else(|| {
                FootageError::footage(&path, "has a number beyond 64 bits: rename it")
            })?;
            match by_number.entry(number) {
                Entry::Vacant(slot) => {
                    slot.insert(path);
                }
                Entry::Occupied(there) => {
                    return Err(FootageError::footage(
                        &path,
                        format!(
                            "and {} are both frame {number}: keep one clip and one format a folder",
                            printable(there.get().file_name().unwrap_or_default())
                        ),
                    ));
                }
            }
        }
    }
    let frames: Vec<FrameFile> = by_number
        .into_iter()
        .map(|(number, path)| FrameFile { number, path, page: 0, raw: raw.cloned() })
        .collect();
    check_span(folder, &frames)?;
    if frames.is_empty() {
        let example = unnumbered.first().and_then(|p| p.file_name()).unwrap_or_default();
        return Err(FootageError::footage(
            folder,
            format!(
                "none of its {} image(s) has a number in its name, for example {}: number them",
                unnumbered.len(),
                printable(example)
            ),
        ));
    }
    Ok((frames, unnumbered))
}

/// Refuses numbers further apart than [`MAX_SPAN`], naming both sides of the widest gap.
fn check_span(folder: &Path, frames: &[FrameFile]) -> Result<(), FootageError> {
    let (Some(first), Some(last)) = (frames.first(), frames.last()) else { return Ok(()) };
    if last.number - first.number < MAX_SPAN {
        return Ok(());
    }
    let widest = frames.windows(2).max_by_key(|w| w[1].number - w[0].number);
    let (a, b) = widest.map_or((first, last), |w| (&w[0], &w[1]));
    let name = |f: &FrameFile| printable(f.path.file_name().unwrap_or_default());
    Err(FootageError::Limit {
        path: printable(folder),
        what: format!(
            "its numbers run from {} to {}, more than {MAX_SPAN} apart, with nothing between {} \
             and {}: move the stray file away",
            first.number,
            last.number,
            name(a),
            name(b)
        ),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn folder(names: &[&str]) -> tempfile::TempDir {
        let dir = tempfile::tempdir().unwrap();
        for name in names {
            fs::write(dir.path().join(name), b"P5 1 1 255\n\x07").unwrap();
        }
        dir
    }

    fn numbers(names: &[&str]) -> Vec<u64> {
        find(folder(names).path()).unwrap().frames.iter().map(|f| f.number).collect()
    }

    fn refusal(names: &[&str]) -> String {
        find(folder(names).path()).unwrap_err().to_string()
    }

    #[test]
    fn order_is_that_of_the_numbers() {
        assert_eq!(numbers(&["f10.pgm", "f9.pgm", "f100.PGM"]), [9, 10, 100]);
        assert_eq!(numbers(&["1.pgm", "2.pgm", "01000.pgm"]), [1, 2, 1000]);
    }

    #[test]
    fn the_number_is_the_run_that_counts() {
        assert_eq!(numbers(&["2024-11-25_c_0007.pgm", "2024-11-25_c_0009.pgm"]), [7, 9]);
        assert_eq!(numbers(&["shot_0001_cam1.pgm", "shot_0004_cam1.pgm"]), [1, 4]);
        let timed = ["a_0001_t000200us.pgm", "a_0002_t000400us.pgm", "a_0003_t000600us.pgm"];
        assert_eq!(numbers(&timed), [1, 2, 3]);
        // The other way round: time first, number last.
        assert_eq!(numbers(&["t0200_1.pgm", "t0400_2.pgm"]), [1, 2]);
    }

    #[test]
    fn gaps_stay_open() {
        let dir = folder(&["0003.pgm", "0005.pgm", "0006.pgm"]);
        let clip = find(dir.path()).unwrap();
        let seen: Vec<_> = clip.numbers().map(|(n, f)| (n, f.is_some())).collect();
        assert_eq!(seen, [(3, true), (4, false), (5, true), (6, true)]);
        assert_eq!(clip.missing().collect::<Vec<_>>(), [4]);
        assert_eq!((clip.first(), clip.last(), clip.span()), (3, 6, 4));
        assert!(clip.get(4).is_none() && clip.get(5).is_some());
    }

    #[test]
    fn a_number_twice_names_both_files() {
        let text = refusal(&["a_0001.pgm", "b_0001.pgm"]);
        assert!(text.contains("a_0001.pgm") && text.contains("b_0001.pgm"), "{text}");
        let text = refusal(&["1.pgm", "01.pgm", "2.pgm"]);
        assert!(text.contains("both frame 1"), "{text}");
        assert!(refusal(&["1.pgm", "1.tif"]).contains("both frame 1"));
    }

    #[test]
    fn other_files_and_folders_are_passed_over() {
        let dir = folder(&[
            "1.pgm",
            "2.pgm",
            ".3.pgm",
            "clip.toml",
            "notes 4.txt",
            "5.pgm.xmp",
            "poster.pgm",
            "6.cr",
        ]);
        fs::create_dir(dir.path().join("7.pgm")).unwrap();
        let clip = find(dir.path()).unwrap();
        assert_eq!(clip.frames.len(), 2);
        assert_eq!(clip.warnings.len(), 1);
        assert!(clip.warnings[0].text.contains("poster.pgm"));
        assert_eq!(clip.folder(), dir.path());
    }

    #[test]
    fn nothing_to_find_says_what_was_seen() {
        assert!(refusal(&[]).contains("is empty"));
        let text = refusal(&["a.cr", "b.cr", "c.txt"]);
        assert!(text.contains("2 cr, 1 txt") && text.contains("*.tif"), "{text}");
        assert!(refusal(&["poster.pgm"]).contains("number them"));
        let dir = folder(&["1.pgm"]);
        let text = find(&dir.path().join("1.pgm")).unwrap_err().to_string();
        assert!(text.contains("single PGM/PPM/PAM picture"), "{text}");
        assert!(find(Path::new("-")).unwrap_err().to_string().contains("standard input"));
        let text = find(&dir.path().join("absent")).unwrap_err().to_string();
        assert!(text.contains("could not open"), "{text}");
    }

    #[test]
    fn strays_with_absurd_numbers_are_refused() {
        let text = refusal(&["1.pgm", "2.pgm", "99999999999.pgm"]);
        assert!(text.contains("2.pgm and 99999999999.pgm"), "{text}");
        assert!(refusal(&["1.pgm", "99999999999999999999999.pgm"]).contains("beyond 64 bits"));
    }

    #[test]
    fn a_multi_page_tiff_is_a_clip_from_frame_one() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("relay_contact_12.tif");
        let mut file = fs::File::create(&path).unwrap();
        let mut encoder = ::tiff::encoder::TiffEncoder::new(&mut file).unwrap();
        for k in 0..3_u8 {
            let pixels = [k; 6];
            encoder.write_image::<::tiff::encoder::colortype::Gray8>(3, 2, &pixels).unwrap();
        }
        for given in [path.as_path(), dir.path()] {
            let clip = find(given).unwrap();
            let seen: Vec<_> = clip.frames.iter().map(|f| (f.number, f.page)).collect();
            assert_eq!(seen, [(1, 0), (2, 1), (3, 2)]);
            assert_eq!(clip.folder(), dir.path());
        }
        assert_eq!(find(&path).unwrap().name, "relay_contact_12");
        fs::copy(&path, dir.path().join("relay_contact_13.tif")).unwrap();
        let text = find(dir.path()).unwrap_err().to_string();
        assert!(text.contains("stack of 3 frames among 1 other"), "{text}");
    }

    #[cfg(unix)]
    #[test]
    fn a_dangling_link_stays_a_frame() {
        let dir = folder(&["1.pgm", "3.pgm"]);
        std::os::unix::fs::symlink("nowhere", dir.path().join("2.pgm")).unwrap();
        let clip = find(dir.path()).unwrap();
        assert_eq!(clip.frames.len(), 3);
        assert!(super::super::decode(&clip.frames[1]).is_err());
    }
}
