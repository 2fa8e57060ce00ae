//! The engine: a clip through a pipeline, twice, in bounded memory.
//!
//! 1. **Two passes.** [`analyse`] reads every frame once and keeps only numbers: pose, light,
//!    noise. [`render`] reads again and makes pictures. Any range of frames can be rendered alone,
//!    given the numbers and some neighbours, and comes out bit for bit the same.
//! 2. **Bounded.** Frames flow through [`ordered`]: so many are in work and no more. Memory
//!    depends on the size of a frame and the look-around, never on the length of the clip.
//! 3. **Deterministic.** No sum depends on how many threads there are or where a run began:
//!    running sums are whole numbers, floating-point sums run in frame order within a row band.
//! 4. **One bad frame is one bad frame.** What cannot be decoded is noted and the run goes on.
//! 5. **No policy.** The engine does not know folders, journals or resumes; it is given the
//!    frames to make and hands over finished ones ([`sink::Sink`]).
//!
//! The simpler design, one pass with each frame registered to the one before, would save reading
//! the clip a second time; its error grows with the square root of the frame number (0.02 px a
//! step is 2 px after 10,000 frames), and a mechanism that starts to move late would be followed.

pub mod analyse;
pub mod analysis;
mod averaged;
pub mod combine;
pub mod correct;
mod desk;
pub mod lamps;
pub mod memory;
pub mod ordered;
pub mod outputs;
pub mod parts;
mod reading;
pub mod render;
mod setup;
pub mod sink;
pub mod source;
mod target;

use std::sync::atomic::{AtomicBool, Ordering};

use thiserror::Error;

use crate::footage::FootageError;
use crate::frame::units::Bytes;
use crate::sensor::SensorError;
use crate::stages::StageError;

/// Why a clip cannot be worked on.
#[derive(Debug, Error)]
pub enum EngineError {
    /// The footage or the disk.
    #[error(transparent)]
    Footage(#[from] FootageError),
    /// A reference.
    #[error(transparent)]
    Sensor(#[from] SensorError),
    /// A stage.
    #[error(transparent)]
    Stage(#[from] StageError),
    /// Something the person must change.
    #[error("{0}")]
    Refused(String),
    /// Stopped on request; what is finished stays.
    #[error("stopped on request: the same command goes on where it stopped")]
    Stopped,
}

/// Which part of the work is being done.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Phase {
    /// Reading references.
    References,
    /// First pass.
    Analyse,
    /// Second pass.
    Render,
    /// The preview movie.
    Preview,
    /// Hashing files, which need be no frames.
    Hash,
}

/// Is told how the work goes, from several threads.
pub trait Progress: Sync {
    /// `done` of `total` frames of a phase.
    fn step(&self, phase: Phase, done: u64, total: u64);

    /// Something that a person should hear of now, such as a wait.
    fn note(&self, _text: &str) {}
}

/// Says nothing to anybody.
#[derive(Debug, Clone, Copy, Default)]
pub struct Silent;

impl Progress for Silent {
    fn step(&self, _phase: Phase, _done: u64, _total: u64) {}
}

/// What a pass may use and whom it tells.
#[derive(Clone, Copy)]
pub struct Work<'a> {
    /// Threads that decode, and that write; at least 1. Results do not depend on it.
    pub threads: usize,
    /// Results that may wait to be taken in order; results do not depend on it.
    pub ahead: usize,
    /// Memory that must not be exceeded, see [`memory`]; `None`: as much as it takes.
    pub memory: Option<Bytes>,
    /// Set from outside to stop.
    pub stop: &'a AtomicBool,
    /// Is told how it goes.
    pub progress: &'a dyn Progress,
}

impl std::fmt::Debug for Work<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "Work({} threads)", self.threads)
    }
}

impl<'a> Work<'a> {
    /// Work with the usual queue and without a budget of memory.
    #[must_use]
    pub fn new(threads: usize, stop: &'a AtomicBool, progress: &'a dyn Progress) -> Self {
        Self { threads, ahead: 2 * threads, memory: None, stop, progress }
    }

    /// Fails where a stop was asked for.
    ///
    /// # Errors
    /// [`EngineError::Stopped`].
    pub fn check(&self) -> Result<(), EngineError> {
        if self.stop.load(Ordering::Relaxed) { Err(EngineError::Stopped) } else { Ok(()) }
    }
}
