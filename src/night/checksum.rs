//! Hash lists of originals: taken early, they tell damage from data later.
//!
//! A flipped bit in an uncompressed frame decodes without any error; only a hash that was taken
//! before can tell. The list is plain text, one file a line: 64 hexadecimal digits of BLAKE3, two
//! spaces, the path relative to the folder with `/` between its parts. A run that is given the list
//! compares every frame with it as it decodes it.
//!
//! A list whose name ends in `.mhl` is written in the ASC MHL form (`night/mhl.rs`); which form a list
//! has that is read, its text tells.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::time::SystemTime;

use rayon::prelude::*;
use serde::Serialize;
use walkdir::WalkDir;

use super::NightError;
use super::mhl::{self, Item};
use crate::engine::{Phase, Work};
use crate::footage::{
    Algorithm, Clip, Digest, FootageError, Summed, check_no_footage, check_output, printable,
    write_bytes,
};

/// What became of a folder and its list.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Checked {
    /// Files hashed.
    pub files: usize,
    /// Bytes hashed.
    pub bytes: u64,
    /// Files that are not as the list says; empty when a list was written.
    pub differ: Vec<String>,
    /// Files of the list that are not there.
    pub missing: Vec<String>,
    /// Files that the list does not know.
    pub new: Vec<String>,
}

impl Checked {
    /// Whether everything is as listed (new files are no fault).
    #[must_use]
    pub fn sound(&self) -> bool {
        self.differ.is_empty() && self.missing.is_empty()
    }
}

fn files(folder: &Path) -> Result<Vec<PathBuf>, NightError> {
    let mut all = Vec::new();
    for entry in WalkDir::new(folder).follow_links(false).sort_by_file_name() {
        let entry = entry.map_err(|e| {
            let place = e.path().unwrap_or(folder).to_owned();
            FootageError::disk(&place, "walk", e.into())
        })?;
        // A run reads a frame through a link too.
        if entry.file_type().is_file() || entry.path_is_symlink() && entry.path().is_file() {
            all.push(entry.into_path());
        }
    }
    Ok(all)
}

/// Path relative to the folder, as it is written in the list.
fn relative(folder: &Path, file: &Path) -> Result<String, NightError> {
    let inside = file.strip_prefix(folder).unwrap_or(file);
    let text = inside
        .components()
        .map(|c| c.as_os_str().to_str().map(str::to_owned))
        .collect::<Option<Vec<_>>>()
        .map(|parts| parts.join("/"))
        .filter(|t| !t.contains(['\n', '\r']));
    text.ok_or_else(|| {
        NightError::Refused(format!(
            "{}: a list of lines cannot hold this name: rename the file",
            printable(file)
        ))
    })
}

/// A file of a folder.
struct Hashed {
    path: String,
    file: PathBuf,
    summed: Summed,
}

/// Every file of a folder, in order; `how` says by its relative path how it is to be hashed.
fn hashes(
    folder: &Path,
    work: &Work<'_>,
    how: impl Fn(&str) -> Algorithm + Sync,
) -> Result<Vec<Hashed>, NightError> {
    let all = files(folder)?;
    let total = all.len() as u64;
    let done = std::sync::atomic::AtomicU64::new(0);
    all.into_par_iter()
        .map(|file| {
            work.check()?;
            let path = relative(folder, &file)?;
            let summed = Digest::of_file(&file, how(&path))?;
            let n = done.fetch_add(1, std::sync::atomic::Ordering::Relaxed) + 1;
            work.progress.step(Phase::Hash, n, total);
            Ok(Hashed { path, file, summed })
        })
        .collect()
}

/// Whether a list of this name is written in the ASC MHL form.
fn as_mhl(list: &Path) -> bool {
    list.extension().is_some_and(|e| e.eq_ignore_ascii_case("mhl"))
}

/// Writes the list of `folder` to `to`, which lies outside of it.
///
/// # Errors
/// Where files cannot be read, there are none, or the list would lie in the folder.
pub fn write_list(folder: &Path, to: &Path, work: &Work<'_>) -> Result<Checked, NightError> {
    check_output(to, &[folder])?;
    check_no_footage(to.parent().unwrap_or(Path::new("")))?;
    if to.is_file() && read(to).is_err() {
        return Err(NightError::Refused(format!(
            "{}: is there already and is no hash list: choose another name",
            printable(to)
        )));
    }
    if files(folder)?.is_empty() {
        return Err(NightError::Refused(format!(
            "{}: holds no files, and a list of nothing vouches for nothing: name the folder of the \
             originals",
            printable(folder)
        )));
    }
    let list = if as_mhl(to) {
        let mut list = hashes(folder, work, |_| Algorithm::Xxh128)?;
        list.retain(|h| !mhl::left_out(&h.path));
        let items = list.iter().map(item).collect::<Result<Vec<_>, _>>()?;
        write_bytes(to, mhl::text(&items, SystemTime::now()).as_bytes())?;
        list
    } else {
        let list = hashes(folder, work, |_| Algorithm::Blake3)?;
        let line = |h: &Hashed| format!("{}  {}\n", h.summed.blake3, h.path);
        write_bytes(to, list.iter().map(line).collect::<String>().as_bytes())?;
        list
    };
    let bytes = list.iter().map(|h| h.summed.bytes).sum();
    let none = Vec::new;
    Ok(Checked { files: list.len(), bytes, differ: none(), missing: none(), new: none() })
}

/// A file as it stands in a list of the ASC MHL form.
fn item(hashed: &Hashed) -> Result<Item, NightError> {
    let Hashed { path, file, summed } = hashed;
    if !mhl::can_hold(path) {
        return Err(NightError::Refused(format!(
            "{}: a list in XML cannot hold this name: rename the file, or write a list of lines",
            printable(file)
        )));
    }
    Ok(Item {
        path: path.clone(),
        bytes: summed.bytes,
        modified: std::fs::metadata(file).and_then(|m| m.modified()).ok(),
        digest: summed.digest.clone(),
    })
}

/// Path and hash of each file of a list, of either form.
fn read(list: &Path) -> Result<BTreeMap<String, Digest>, NightError> {
    let text = std::fs::read_to_string(list).map_err(|e| FootageError::disk(list, "read", e))?;
    if mhl::is_one(&text) {
        return mhl::read(&text).map_err(|(line, what)| {
            NightError::Refused(format!("{}:{line}: {what}", printable(list)))
        });
    }
    let mut known = BTreeMap::new();
    for (n, line) in text.lines().enumerate() {
        let entry = line
            .split_once("  ")
            .and_then(|(h, path)| Some((Digest::new(Algorithm::Blake3, h)?, path)));
        let Some((hash, path)) = entry else {
            return Err(NightError::Refused(format!(
                "{}:{}: is not a hash, two spaces and a path",
                printable(list),
                n + 1
            )));
        };
        known.insert(path.to_owned(), hash);
    }
    Ok(known)
}

/// Names of a list that lie in the folder of these and are called alike but for their number, and are none
/// of them.
fn beside(known: &BTreeMap<String, Digest>, names: &BTreeSet<String>) -> Vec<String> {
    let like = |name: &str| -> String {
        let (folder, file) = name.rsplit_once('/').unwrap_or(("", name));
        let form = file.chars().map(|c| if c.is_ascii_digit() { '0' } else { c });
        format!("{folder}/{}", form.collect::<String>())
    };
    let forms: BTreeSet<String> = names.iter().map(|n| like(n)).collect();
    let absent = known.keys().filter(|k| !names.contains(*k) && forms.contains(&like(k)));
    absent.cloned().collect()
}

/// Hashes that a list has of a clip's frames, by number, and the names that it has beside these but are
/// not there. The list may be of the clip's folder, or of any folder above it: paths are compared from
/// their ends.
///
/// # Errors
/// Where the list cannot be read or holds no frame of the clip, and where a clip of pages in one file
/// is not the listed file.
pub fn of_clip(
    list: &Path,
    clip: &Clip,
) -> Result<(BTreeMap<u64, Digest>, Vec<String>), NightError> {
    let known = read(list)?;
    let of = |path: &Path| -> Option<(String, Digest)> {
        let full = std::path::absolute(path).ok()?;
        let mut end = String::new();
        let mut found = None;
        for part in full.components().rev() {
            let part = part.as_os_str().to_str()?;
            end = if end.is_empty() { part.to_owned() } else { format!("{part}/{end}") };
            found = known.get(&end).map(|hash| (end.clone(), hash.clone())).or(found);
        }
        found
    };
    let refused = |what: &str| NightError::Refused(format!("{}: {what}", printable(list)));
    let paged = clip.frames.len() > 1 && clip.frames.iter().all(|f| f.path == clip.frames[0].path);
    let mut listed = BTreeMap::new();
    let mut names = BTreeSet::new();
    for f in clip.frames.iter().filter(|f| f.page == 0) {
        if let Some((name, hash)) = of(&f.path) {
            listed.insert(f.number, hash);
            names.insert(name);
        }
    }
    match listed.values().next() {
        None => {
            Err(refused("holds no frame of this clip: name the list that was made of its folder"))
        }
        Some(hash)
            if paged
                && Digest::of_file(&clip.frames[0].path, hash.algorithm())?.digest != *hash =>
        {
            Err(refused(
                "has another hash of this clip's file: it was damaged or replaced since; copy it \
                 again",
            ))
        }
        Some(_) => {
            let absent = if paged { Vec::new() } else { beside(&known, &names) };
            Ok((listed, absent))
        }
    }
}

/// Compares `folder` with a list.
///
/// # Errors
/// Where the list or files cannot be read.
pub fn verify(folder: &Path, list: &Path, work: &Work<'_>) -> Result<Checked, NightError> {
    let mut known = read(list)?;
    let how = |path: &str| known.get(path).map_or(Algorithm::Blake3, Digest::algorithm);
    let now = hashes(folder, work, how)?;
    let mut out = Checked {
        files: now.len(),
        bytes: now.iter().map(|h| h.summed.bytes).sum(),
        differ: Vec::new(),
        missing: Vec::new(),
        new: Vec::new(),
    };
    for Hashed { path, summed, .. } in now {
        match known.remove(&path) {
            None => out.new.push(path),
            Some(old) if old != summed.digest => out.differ.push(path),
            Some(_) => {}
        }
    }
    out.missing = known.into_keys().collect();
    Ok(out)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::Silent;
    use std::fs;
    use std::sync::atomic::AtomicBool;

    #[test]
    fn damage_loss_and_news_are_told_apart() {
        let dir = tempfile::tempdir().unwrap();
        let shoot = dir.path().join("shoot");
        fs::create_dir_all(shoot.join("comb")).unwrap();
        for i in 0..3 {
            fs::write(shoot.join("comb").join(format!("{i}.tif")), [i; 100]).unwrap();
        }
        let stop = AtomicBool::new(false);
        let work = Work::new(1, &stop, &Silent);
        let list = dir.path().join("list.txt");
        assert_eq!(write_list(&shoot, &list, &work).unwrap().files, 3);
        assert!(verify(&shoot, &list, &work).unwrap().sound());
        let mut bytes = fs::read(shoot.join("comb/1.tif")).unwrap();
        bytes[50] ^= 1;
        fs::write(shoot.join("comb/1.tif"), bytes).unwrap();
        fs::remove_file(shoot.join("comb/2.tif")).unwrap();
        fs::write(shoot.join("comb/3.tif"), "new").unwrap();
        let c = verify(&shoot, &list, &work).unwrap();
        assert_eq!(
            (c.differ, c.missing, c.new),
            (
                vec!["comb/1.tif".to_owned()],
                vec!["comb/2.tif".to_owned()],
                vec!["comb/3.tif".to_owned()],
            )
        );
        assert!(write_list(&shoot, &shoot.join("list.txt"), &work).is_err());
    }
}
