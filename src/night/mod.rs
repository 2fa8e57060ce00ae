//! A night: clips one after another, each on its own, resumed where it stopped.
//!
//! Promise: a frame that the journal calls done is on the disk, whole, and has the hash it is
//! listed with. Any stop costs only frames not yet listed. Originals are only ever read.
//!
//! Order of writing for each frame: temporary file, fsync, rename, fsync of the folder, journal
//! line with its own checksum. `complete.json` comes last; that it is there means done.

mod changed;
pub mod check;
pub mod checksum;
pub mod clip;
mod earlier;
pub mod estimate;
pub mod failure;
pub mod farm;
pub mod fence;
pub mod hook;
pub mod init;
pub mod job;
pub mod journal;
pub mod key;
mod levels;
pub mod masters;
mod mhl;
pub mod noise;
pub mod out;
pub mod place;
pub mod references;
mod rescale;
mod sealed;
pub mod shard;
pub mod shoot;
mod spots;
pub mod status;
pub mod table;
pub mod watch;

use thiserror::Error;

use crate::engine::EngineError;
use crate::footage::FootageError;
use crate::pipeline::PipelineError;
use crate::sensor::SensorError;

/// Why a clip or a night failed.
#[derive(Debug, Error)]
pub enum NightError {
    /// The engine.
    #[error(transparent)]
    Engine(#[from] EngineError),
    /// Files.
    #[error(transparent)]
    Footage(#[from] FootageError),
    /// The pipeline.
    #[error(transparent)]
    Pipeline(#[from] PipelineError),
    /// A reference: which, and what is wrong.
    #[error("{what}: {source}")]
    Reference {
        /// "dark reference FOLDER".
        what: String,
        /// What is wrong.
        source: SensorError,
    },
    /// Somebody else is at work here.
    #[error("{place} is being worked on by {holder}: wait for it, or choose another --out")]
    Locked {
        /// The folder.
        place: String,
        /// What the lock says of its owner.
        holder: String,
    },
    /// The results of another clip lie here.
    #[error(
        "{place}: holds the results of another clip of this name ({what}): choose another --out, \
         give this clip another name in a shoot file, or move that folder away"
    )]
    OtherClip {
        /// The folder.
        place: String,
        /// What tells that it is another one.
        what: String,
    },
    /// Something the person must change.
    #[error("{0}")]
    Refused(String),
}

impl NightError {
    /// Whether it was a stop on request.
    #[must_use]
    pub fn stopped(&self) -> bool {
        matches!(self, Self::Engine(EngineError::Stopped))
    }
}
