//! Before and after the night: the scale of a lens from a picture of a rule, the motion of a part
//! from a clip; finished frames in other formats. What reads pictures, calls the measuring layer and writes results safely.
//!
//! Nothing is written inside an input folder unless a person names that very file, and no result
//! takes the place of a file that this program did not write.

mod analysis;
mod clip;
pub mod export;
pub mod motion;
mod moved;
mod overlay;
mod plot;
pub mod scale;
mod sheet;

use std::fs::File;
use std::io::Read;
use std::path::Path;

use thiserror::Error;

use crate::engine::EngineError;
use crate::footage::FootageError;
use crate::measure::MeasureError;
use crate::night::NightError;

/// Why nothing was measured.
#[derive(Debug, Error)]
pub enum DayError {
    /// The picture or clip does not show what was asked for.
    #[error(transparent)]
    Measure(#[from] MeasureError),
    /// Files.
    #[error(transparent)]
    Footage(#[from] FootageError),
    /// Reading the clip.
    #[error(transparent)]
    Engine(#[from] EngineError),
    /// References of the clip.
    #[error(transparent)]
    Night(#[from] NightError),
    /// Something the person must change.
    #[error("{0}")]
    Refused(String),
}

impl DayError {
    /// Whether it was a stop on request.
    #[must_use]
    pub fn stopped(&self) -> bool {
        match self {
            Self::Engine(e) => matches!(e, EngineError::Stopped),
            Self::Night(e) => e.stopped(),
            _ => false,
        }
    }
}

/// Whether a file begins with `mark`; false where it cannot be read.
fn begins_with(path: &Path, mark: &str) -> bool {
    let mut head = Vec::new();
    let limit = u64::try_from(mark.len()).unwrap_or(0);
    let read = File::open(path).and_then(|f| f.take(limit).read_to_end(&mut head));
    read.is_ok() && head == mark.as_bytes()
}
