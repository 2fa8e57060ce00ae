//! What is noted beside a clip's page: of the pictures for the comparison, of the preview, of the
//! time that it took; and the names of these files. Each note names the job that it belongs to.

use serde::{Deserialize, Serialize};

use super::flash::FlashReport;
use super::picture::Shown;
use crate::frame::units::FrameRate;

/// The note about the pictures for the comparison.
pub const COMPARED: &str = "compare.json";
/// The original's picture.
pub const BEFORE: &str = "compare-before.png";
/// The finished frame's picture.
pub const AFTER: &str = "compare-after.png";
/// A small picture for the overview.
pub const THUMB: &str = "thumb.png";
/// The preview movie.
pub const MOVIE: &str = "preview.mp4";
/// The note about the movie.
pub const PREVIEWED: &str = "preview.json";
/// How long a clip took; no result, so runs may differ in it.
pub const TOOK: &str = "took.json";

/// What the two pictures of the comparison are.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Compared {
    /// Number of the frame.
    pub frame: u64,
    /// Width and height of both pictures.
    pub size: [usize; 2],
    /// How the finished frame is shown.
    pub after: Shown,
    /// Whether before has the exposure of after, or only its median brightness.
    pub same_exposure: bool,
    /// Whether before is a mosaic in grey.
    pub mosaic: bool,
    /// Whether before has its colours from the nearest samples of each.
    #[serde(default)]
    pub coloured: bool,
    /// Median of the original in DN above black.
    pub median_dn: f64,
    /// The job the pictures belong to.
    pub key: String,
}

/// What the movie is.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PreviewNote {
    /// Pictures in the movie.
    pub frames: usize,
    /// Width and height in pixels.
    pub size: [usize; 2],
    /// Playback rate.
    pub rate: FrameRate,
    /// Whether the rate was given, or is the usual 25.
    pub rate_given: bool,
    /// Playing time in seconds.
    pub duration_s: f64,
    /// How frames are shown.
    pub frames_shown: Shown,
    /// Mean light of each picture, by the number of its frame, 1 at white.
    #[serde(default)]
    pub light: Vec<(u64, f64)>,
    /// The flash screening; `None` for pictures too small for it.
    pub flash: Option<FlashReport>,
    /// The job that the movie belongs to.
    pub key: String,
    /// What the movie was made of.
    pub made_of: String,
    /// BLAKE3 of the movie.
    pub blake3: String,
}

/// The note of how long a clip took.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(super) struct Took {
    /// The job it belongs to.
    pub(super) key: String,
    /// Seconds, over all runs that worked on it.
    pub(super) seconds: f64,
}
