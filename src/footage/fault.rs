//! What is wrong with a file: as a format finds it, and with its name for the person.

use std::fmt;
use std::io;
use std::path::Path;

use thiserror::Error;

use super::names::printable;

/// What went wrong with files, by who must act.
#[derive(Debug, Error)]
pub enum FootageError {
    /// The footage: a file or folder is damaged or not what is needed here.
    #[error("{path}: {what}")]
    Footage {
        /// The file or folder, as printable text.
        path: String,
        /// What is wrong with it and what to do.
        what: String,
    },
    /// The footage is sound, but of a kind that this program does not read.
    #[error("{path}: {what}")]
    Unsupported {
        /// The file, as printable text.
        path: String,
        /// Which kind it is, and which would be read.
        what: String,
    },
    /// A file claims more than the hard limits allow.
    #[error("{path}: {what}")]
    Limit {
        /// The file, as printable text.
        path: String,
        /// The number claimed and the limit.
        what: String,
    },
    /// The person's settings: a fact in a file or option does not make sense.
    #[error("{place}: {what}")]
    Facts {
        /// File, line and key, or the option.
        place: String,
        /// What is wrong and what to write instead.
        what: String,
    },
    /// The place for results: it would harm the originals.
    #[error("{path}: {what}")]
    Output {
        /// The output, as printable text.
        path: String,
        /// Why it is refused, and what to do.
        what: String,
    },
    /// The disk or the operating system.
    #[error("{path}: could not {doing}: {source}")]
    Disk {
        /// The file or folder, as printable text.
        path: String,
        /// What was being done: "open", "write" ...
        doing: &'static str,
        /// What the system said.
        source: io::Error,
    },
}

impl FootageError {
    pub(super) fn footage(path: &Path, what: impl Into<String>) -> Self {
        Self::Footage { path: printable(path), what: what.into() }
    }

    /// A fault of the disk or the operating system while `doing` ("open", "write" ...) at `path`.
    #[must_use]
    pub fn disk(path: &Path, doing: &'static str, source: io::Error) -> Self {
        Self::Disk { path: printable(path), doing, source }
    }
}

/// What is wrong with a file, before its name is attached.
#[derive(Debug)]
pub(super) enum Fault {
    Damaged(String),
    Unsupported(String),
    Limit(String),
    Io(io::Error),
}

impl Fault {
    pub(super) fn damaged(what: impl Into<String>) -> Self {
        Self::Damaged(what.into())
    }

    pub(super) fn unsupported(what: impl Into<String>) -> Self {
        Self::Unsupported(what.into())
    }

    pub(super) fn at(self, path: &Path) -> FootageError {
        let path = printable(path);
        match self {
            Self::Damaged(what) => FootageError::Footage { path, what },
            Self::Unsupported(what) => FootageError::Unsupported { path, what },
            Self::Limit(what) => FootageError::Limit { path, what },
            Self::Io(source) => FootageError::Disk { path, doing: "read", source },
        }
    }
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Damaged(t) | Self::Unsupported(t) | Self::Limit(t) => f.write_str(t),
            Self::Io(e) => e.fmt(f),
        }
    }
}

/// A reading error as a fault of the file or of the disk.
///
/// Decoders report what they do not like in a file as I/O errors too; only those that carry a
/// number of the operating system are the disk's.
pub(super) fn ends_early(e: io::Error) -> Fault {
    if e.kind() == io::ErrorKind::UnexpectedEof {
        Fault::damaged("the file ends early: copy it again from the camera")
    } else if e.raw_os_error().is_none() {
        Fault::damaged(format!("is damaged: {e}"))
    } else {
        Fault::Io(e)
    }
}
