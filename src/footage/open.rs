//! Opening inputs: read-only, regular files only, and never waiting for a pipe's other end.

use std::fs::{self, File, Metadata, OpenOptions};
use std::path::Path;

use super::FootageError;

/// Opens a regular file for reading and gives its metadata.
///
/// A FIFO would block the opening for ever and a device may do anything on reading, so the kind
/// is looked at first, and again on the handle in case the name was exchanged in between. Links
/// are followed.
///
/// # Errors
/// [`FootageError::Footage`] for anything but a regular file, [`FootageError::Disk`] otherwise.
pub(super) fn open_regular(path: &Path) -> Result<(File, Metadata), FootageError> {
    let fail = |e| FootageError::disk(path, "open", e);
    check_regular(path, &fs::metadata(path).map_err(fail)?)?;
    let mut options = OpenOptions::new();
    options.read(true);
    never_block(&mut options);
    let file = options.open(path).map_err(fail)?;
    let meta = file.metadata().map_err(fail)?;
    check_regular(path, &meta)?;
    Ok((file, meta))
}

fn check_regular(path: &Path, meta: &Metadata) -> Result<(), FootageError> {
    if meta.is_file() {
        Ok(())
    } else {
        Err(FootageError::footage(
            path,
            format!("is {}, not a regular file: frames must be plain files", kind_word(meta)),
        ))
    }
}

/// `O_NONBLOCK` where its value is certain; it does nothing to regular files.
#[cfg(all(
    target_os = "linux",
    any(target_arch = "x86_64", target_arch = "aarch64", target_arch = "riscv64")
))]
fn never_block(options: &mut OpenOptions) {
    use std::os::unix::fs::OpenOptionsExt;
    // From asm-generic/fcntl.h of the Linux kernel headers: octal 4000.
    options.custom_flags(0o4000);
}

#[cfg(not(all(
    target_os = "linux",
    any(target_arch = "x86_64", target_arch = "aarch64", target_arch = "riscv64")
)))]
fn never_block(_options: &mut OpenOptions) {}

/// "a folder", "a named pipe" ... for messages.
pub(super) fn kind_word(meta: &Metadata) -> &'static str {
    let kind = meta.file_type();
    if kind.is_dir() {
        return "a folder";
    }
    if kind.is_file() {
        return "a file";
    }
    #[cfg(unix)]
    {
        use std::os::unix::fs::FileTypeExt;
        if kind.is_fifo() {
            return "a named pipe";
        }
        if kind.is_socket() {
            return "a socket";
        }
        if kind.is_block_device() || kind.is_char_device() {
            return "a device";
        }
    }
    "a special file"
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn folders_and_absent_files_are_refused() {
        let dir = tempfile::tempdir().unwrap();
        let text = open_regular(dir.path()).unwrap_err().to_string();
        assert!(text.contains("is a folder, not a regular file"), "{text}");
        let text = open_regular(&dir.path().join("0001.tif")).unwrap_err().to_string();
        assert!(text.contains("could not open"), "{text}");
    }

    #[cfg(unix)]
    #[test]
    fn a_pipe_is_refused_without_waiting() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("0001.tif");
        let made = std::process::Command::new("mkfifo").arg(&path).status();
        if !made.is_ok_and(|s| s.success()) {
            eprintln!("skipped: no mkfifo here");
            return;
        }
        let text = open_regular(&path).unwrap_err().to_string();
        assert!(text.contains("named pipe"), "{text}");
    }

    #[cfg(target_os = "linux")]
    #[test]
    fn a_device_is_refused() {
        let text = open_regular(Path::new("/dev/zero")).unwrap_err().to_string();
        assert!(text.contains("a device"), "{text}");
    }
}
