//! A stream on standard input, kept as a file because every frame is read twice.
//!
//! Y4M only: the one format here that programs hand on through pipes. The copy is written beside,
//! synced and renamed, so under its name it is always whole, but for an empty file that holds the
//! name until then; a stream that is no Y4M leaves nothing behind. Whether its frames are whole is found when they are read, as for any file.

use std::fs::OpenOptions;
use std::io::{self, Read};
use std::path::{Path, PathBuf};

use super::{Disk, FootageError, create_folders, hash_file, write_on};

/// How a Y4M begins.
const SIGNATURE: &[u8] = b"YUV4MPEG2 ";
/// Folder of the copy, in the folder of the results.
const FOLDER: &str = ".input";
/// The copy; the clip is named after it.
const NAME: &str = "standard-input";

/// Keeps the stream `from` under `out`, and gives the place of the copy. Copies of other streams stay:
/// they are the only ones there are.
///
/// # Errors
/// [`FootageError::Footage`] where it is no Y4M; [`FootageError::Disk`] where it cannot be kept.
pub fn spool(from: &mut dyn Read, disk: &dyn Disk, out: &Path) -> Result<PathBuf, FootageError> {
    let stream = Path::new("-");
    let mut head = Vec::new();
    let wanted = SIGNATURE.len() as u64;
    let read = Read::take(&mut *from, wanted).read_to_end(&mut head);
    read.map_err(|e| FootageError::disk(stream, "read", e))?;
    if head != SIGNATURE {
        let found = if head.is_empty() { "is empty" } else { "does not begin like a Y4M" };
        return Err(FootageError::footage(
            stream,
            format!(
                "standard input {found}: only Y4M is read from a pipe (a first line beginning \
                 \"YUV4MPEG2\"); save other formats as files"
            ),
        ));
    }
    let folder = out.join(FOLDER);
    create_folders(disk, &folder)?;
    let numbered = (1..).map(|n| folder.join(name(n)));
    let earlier: Vec<PathBuf> = numbered.take_while(|p| p.exists()).collect();
    let place = claimed(&folder, earlier.len() + 1)?;
    let written = write_on(disk, &place, |to| {
        to.write_all(&head)?;
        io::copy(from, to).map(|_| ())
    })
    .inspect_err(|_| {
        let _ = disk.remove(&place);
    })?;
    let same = |p: &PathBuf| hash_file(p).is_ok_and(|w| w.hash == written.hash);
    match earlier.into_iter().find(same) {
        // The same stream once more goes on where it was.
        Some(known) => {
            disk.remove(&place).map_err(|e| FootageError::disk(&place, "remove", e))?;
            Ok(known)
        }
        None => Ok(place),
    }
}

/// The first name from the `n`th on that nobody has, taken by an empty file: two streams that come at once
/// must not take the same.
fn claimed(folder: &Path, mut n: usize) -> Result<PathBuf, FootageError> {
    loop {
        let place = folder.join(name(n));
        match OpenOptions::new().write(true).create_new(true).open(&place) {
            Ok(_) => return Ok(place),
            Err(e) if e.kind() == io::ErrorKind::AlreadyExists => n += 1,
            Err(e) => return Err(FootageError::disk(&place, "create", e)),
        }
    }
}

/// Name of the copy of the `n`th stream.
fn name(n: usize) -> String {
    if n == 1 { format!("{NAME}.y4m") } else { format!("{NAME}-{n}.y4m") }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::footage::RealDisk;

    #[test]
    fn a_y4m_is_kept_whole_and_nothing_else_leaves_a_trace() {
        let dir = tempfile::tempdir().unwrap();
        let out = dir.path().join("out");
        for (bytes, word) in [(&b""[..], "is empty"), (b"P5 3 3 255 ...", "does not begin")] {
            let said = spool(&mut &*bytes, &RealDisk, &out).unwrap_err().to_string();
            assert!(said.contains(word), "{said}");
            assert!(!out.exists());
        }
        let bytes = b"YUV4MPEG2 W1 H1 F25:1 Cmono\nFRAME\n\x80";
        let place = spool(&mut &bytes[..], &RealDisk, &out).unwrap();
        assert_eq!(std::fs::read(&place).unwrap(), bytes);
        let other = b"YUV4MPEG2 W1 H1 F25:1 Cmono\nFRAME\n\x81";
        let second = spool(&mut &other[..], &RealDisk, &out).unwrap();
        assert!(second.ends_with("standard-input-2.y4m"));
        assert_eq!(spool(&mut &bytes[..], &RealDisk, &out).unwrap(), place);
        assert_eq!(spool(&mut &other[..], &RealDisk, &out).unwrap(), second);
        assert_eq!(std::fs::read_dir(out.join(FOLDER)).unwrap().count(), 2);
    }
}
