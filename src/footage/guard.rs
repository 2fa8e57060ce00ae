//! Output folders: none inside an input, and which clips one holds.
//!
//! Names are not enough to tell: links, bind mounts and file systems that ignore case give one
//! folder many names. So the output and every folder above it are compared with each input by
//! canonical path and, where the system has them, by device and inode.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use super::{FootageError, find, pictures_in, printable};

/// Name of the file that says why a clip failed as a whole, in its folder.
pub const FAILED: &str = "failed.json";

/// From so many numbered frames on, a folder is taken for somebody's footage.
const MANY: usize = 8;

/// The folders of clips in an output folder, in the order of their names: those with a lock.
///
/// # Errors
/// Where the folder cannot be listed, or holds no results.
pub fn clip_folders(out: &Path) -> Result<Vec<PathBuf>, FootageError> {
    let listed = fs::read_dir(out).map_err(|e| FootageError::disk(out, "list", e))?;
    let mut folders: Vec<PathBuf> = listed
        .filter_map(Result::ok)
        .map(|e| e.path())
        .filter(|p| ["lock", FAILED].iter().any(|f| p.join(f).is_file()))
        .collect();
    folders.sort();
    if folders.is_empty() {
        return Err(FootageError::Footage {
            path: printable(out),
            what: "there are no results of a run here: name the folder given as --out".to_owned(),
        });
    }
    Ok(folders)
}

/// Refuses an output folder that is an input, or lies inside one.
///
/// Call it with every folder that will be written to, so also with `OUT/<clip>`: an output above
/// the inputs is allowed as long as none of its sub-folders is one.
///
/// `out` need not exist: its nearest existing parent then stands for it. An input that is a file
/// stands for the folder it lies in only if `out` names that very file; a result beside a
/// multi-page TIFF is allowed.
///
/// # Errors
/// [`FootageError::Output`] for a refusal, [`FootageError::Disk`] where a path cannot be looked
/// at.
pub fn check_output(out: &Path, inputs: &[&Path]) -> Result<(), FootageError> {
    let resolved = resolve(out)?;
    for input in inputs {
        let canonical =
            fs::canonicalize(input).map_err(|e| FootageError::disk(input, "look at", e))?;
        let identity = identity(&canonical);
        let hit = resolved.ancestors().any(|above| {
            above == canonical || (identity.is_some() && self::identity(above) == identity)
        });
        if hit {
            let word = if resolved == canonical { "is" } else { "lies inside" };
            return Err(FootageError::Output {
                path: printable(out),
                what: format!(
                    "{word} the input {}: nothing is ever written there, choose another folder",
                    printable(input)
                ),
            });
        }
    }
    Ok(())
}

/// Refuses a folder to write into that holds a clip's frames or lies below one that does, whoever
/// named it: what is written there would lie among originals, and may be taken for a frame.
///
/// A folder counts from `MANY` frames of one name on, and with a `clip.toml` from the first; a file of many
/// frames is no folder of them. One that is not there holds nothing.
///
/// # Errors
/// [`FootageError::Output`] for a refusal.
pub fn check_no_footage(folder: &Path) -> Result<(), FootageError> {
    let folder = if folder.as_os_str().is_empty() { Path::new(".") } else { folder };
    resolve(folder)?.ancestors().try_for_each(holds_no_frames)
}

fn holds_no_frames(folder: &Path) -> Result<(), FootageError> {
    if !folder.is_dir() {
        return Ok(());
    }
    let described = folder.join("clip.toml").is_file();
    let mut alike: BTreeMap<String, usize> = BTreeMap::new();
    for frame in frames_of(folder, described) {
        *alike.entry(without_number(&frame)).or_default() += 1;
    }
    let frames = alike.into_values().max().unwrap_or(0);
    let marked = frames > 0 && described;
    if frames < MANY && !marked {
        return Ok(());
    }
    Err(FootageError::Output {
        path: printable(folder),
        what: format!(
            "holds {frames} frames: nothing is ever written among footage, choose another folder"
        ),
    })
}

/// Files of a folder that are frames of a clip. Where they are no clip that can be read (two mixed, a
/// wrong `clip.toml`), they are somebody's originals all the same: those that may be pictures by their
/// names count, beside a `clip.toml` all with a number.
fn frames_of(folder: &Path, described: bool) -> Vec<PathBuf> {
    match find(folder) {
        Ok(clip) => clip.frames.into_iter().filter(|f| f.page == 0).map(|f| f.path).collect(),
        Err(_) if described => {
            let numbered = |p: &PathBuf| without_number(p).contains('*') && p.is_file();
            let all = fs::read_dir(folder).into_iter().flatten().flatten().map(|e| e.path());
            all.filter(numbered).collect()
        }
        Err(_) => pictures_in(folder),
    }
}

/// A file's name without its last number: frames of one clip share it, pictures of several rules do not.
fn without_number(path: &Path) -> String {
    let name = path.file_stem().map(|s| s.to_string_lossy().into_owned()).unwrap_or_default();
    let digit = |c: char| c.is_ascii_digit();
    let Some(last) = name.rfind(digit) else { return name };
    let (head, tail) = name.split_at(last + 1);
    format!("{}*{tail}", head.trim_end_matches(digit))
}

/// The canonical path of `path`, the part that does not exist yet appended as it is written.
fn resolve(path: &Path) -> Result<PathBuf, FootageError> {
    let absolute = std::path::absolute(path).map_err(|e| FootageError::disk(path, "look at", e))?;
    let mut rest = Vec::new();
    let mut at = absolute.as_path();
    loop {
        // symlink_metadata: a dangling link exists, and what it names must not be guessed.
        match fs::symlink_metadata(at) {
            Ok(_) => break,
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => {}
            Err(e) => return Err(FootageError::disk(at, "look at", e)),
        }
        let (Some(parent), Some(last)) = (at.parent(), at.components().next_back()) else { break };
        rest.push(last.as_os_str().to_owned());
        at = parent;
    }
    let mut resolved = fs::canonicalize(at).map_err(|e| FootageError::disk(at, "look at", e))?;
    for part in rest.iter().rev() {
        if part == ".." {
            resolved.pop();
        } else if part != "." {
            resolved.push(part);
        }
    }
    Ok(resolved)
}

/// Device and inode of what exists at `path`.
#[cfg(unix)]
fn identity(path: &Path) -> Option<(u64, u64)> {
    use std::os::unix::fs::MetadataExt;
    fs::metadata(path).ok().map(|m| (m.dev(), m.ino()))
}

#[cfg(not(unix))]
fn identity(_path: &Path) -> Option<(u64, u64)> {
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn inside_equal_and_beside() {
        let dir = tempfile::tempdir().unwrap();
        let input = dir.path().join("comb");
        fs::create_dir_all(input.join("deep")).unwrap();
        let refused = |out: PathBuf| check_output(&out, &[&input]).unwrap_err().to_string();
        assert!(refused(input.clone()).contains("is the input"));
        assert!(refused(input.join("deep")).contains("lies inside"));
        assert!(refused(input.join("not/yet/there")).contains("lies inside"));
        assert!(refused(dir.path().join("comb/../comb/x")).contains("lies inside"));
        assert!(refused(dir.path().join("new/../comb/x")).contains("lies inside"));
        check_output(&dir.path().join("out"), &[&input]).unwrap();
        check_output(&dir.path().join("comb-out/x/y"), &[&input]).unwrap();
        assert!(check_output(&dir.path().join("out"), &[&dir.path().join("absent")]).is_err());
    }

    #[test]
    fn pictures_of_many_rules_are_no_footage() {
        assert_eq!(without_number(Path::new("a/comb_0042_raw.tif")), "comb_*_raw");
        assert_eq!(without_number(Path::new("rule.png")), "rule");
        let dir = tempfile::tempdir().unwrap();
        for n in 1..=2 * MANY {
            fs::write(dir.path().join(format!("rule-{n}x_{n}.tif")), "").unwrap();
        }
        check_no_footage(dir.path()).unwrap();
    }

    #[test]
    fn footage_is_not_written_among() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path();
        let frames = |n: std::ops::RangeInclusive<usize>| {
            n.for_each(|n| fs::write(path.join(format!("{n:04}.tif")), "").unwrap());
        };
        check_no_footage(&path.join("absent")).unwrap();
        frames(1..=MANY - 1);
        check_no_footage(path).unwrap();
        fs::write(path.join("clip.toml"), "rate = 5000\n").unwrap();
        assert!(check_no_footage(path).unwrap_err().to_string().contains("holds 7 frames"));
        fs::remove_file(path.join("clip.toml")).unwrap();
        frames(MANY..=MANY);
        assert!(check_no_footage(path).unwrap_err().to_string().contains("holds 8 frames"));
    }

    #[test]
    fn footage_that_cannot_be_read_is_not_written_among_either() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path();
        for n in 1..=MANY {
            fs::write(path.join(format!("a_{n:04}.tif")), "").unwrap();
            fs::write(path.join(format!("b_{n:04}.tif")), "").unwrap();
        }
        assert!(find(path).is_err());
        assert!(check_no_footage(path).unwrap_err().to_string().contains("holds 8 frames"));
        let other = path.join("other");
        fs::create_dir(&other).unwrap();
        fs::write(other.join("frame 1.bin"), "").unwrap();
        // The folder above holds frames; here it is this one that is asked.
        holds_no_frames(&other).unwrap();
        fs::write(other.join("clip.toml"), "[raw]\nwidth = 0\n").unwrap();
        assert!(find(&other).is_err());
        assert!(holds_no_frames(&other).unwrap_err().to_string().contains("holds 1 frames"));
    }

    #[cfg(unix)]
    #[test]
    fn links_do_not_hide_an_input() {
        let dir = tempfile::tempdir().unwrap();
        let input = dir.path().join("comb");
        fs::create_dir(&input).unwrap();
        let link = dir.path().join("elsewhere");
        std::os::unix::fs::symlink(&input, &link).unwrap();
        assert!(check_output(&link.join("out"), &[&input]).is_err());
        assert!(check_output(&input.join("out"), &[&link]).is_err());
        let dangling = dir.path().join("dangling");
        std::os::unix::fs::symlink(dir.path().join("nowhere"), &dangling).unwrap();
        assert!(check_output(&dangling, &[&input]).is_err(), "a dangling link is not guessed");
    }

    #[test]
    fn relative_outputs_are_resolved() {
        // The working folder of the tests is the crate's own.
        assert!(check_output(Path::new("some-output"), &[Path::new(".")]).is_err());
        assert!(check_output(Path::new("some-output"), &[Path::new("src")]).is_ok());
    }
}
