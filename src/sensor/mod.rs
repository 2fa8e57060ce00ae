//! What reference frames say of the camera: master dark and flat, defects, photon transfer.
//!
//! The way of the data: [`stack::collect`] streams the frames of one folder into per-pixel
//! statistics; [`MasterDark`] and [`MasterFlat`] are made of those and know how uncertain they
//! are; [`transfer::photon_transfer`] makes gain and read noise of a dark and a flat stack;
//! [`clip_noise::ClipNoise`] does the same, less well, from a clip alone; [`mod@file`] keeps a master
//! in one file.
//!
//! Nothing here opens a file: frames come through a closure, masters go through a reader or
//! writer that is passed in.

pub mod clip_noise;
pub mod dark;
pub mod defects;
pub mod file;
pub mod flat;
mod pattern;
pub mod rescale;
mod robust;
pub mod spots;
pub mod stack;
pub mod transfer;
pub mod uniformity;

pub use clip_noise::{ClipNoise, ClipNoiseEstimate};
pub use dark::MasterDark;
pub use defects::{DefectCounts, DefectKind, DefectMap};
pub use flat::MasterFlat;
pub use stack::{ClipFloor, StackOptions, StackStats, collect};
pub use transfer::{PhotonTransfer, TransferPoint, photon_transfer};

use serde::{Deserialize, Serialize};
use thiserror::Error;

use crate::frame::{Layout, Samples};

/// Size, channels and depth of the frames of a stack or a clip.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Shape {
    /// Width in pixels.
    pub width: usize,
    /// Height in pixels.
    pub height: usize,
    /// 1 (mono or mosaic) or 3 (red, green, blue).
    pub channels: usize,
    /// Bits a sample takes in the file: 8 or 16.
    pub bits: u8,
}

impl Shape {
    /// The shape of a decoded file.
    #[must_use]
    pub fn of(samples: &Samples) -> Self {
        Self {
            width: samples.width,
            height: samples.height,
            channels: samples.channels,
            bits: samples.bits,
        }
    }

    /// Whether frames of this size have planes laid out as `layout`, `width` by `height`.
    #[must_use]
    pub fn fits(&self, layout: Layout, width: usize, height: usize) -> bool {
        let channels = match layout {
            Layout::Mono | Layout::Mosaic(_) => 1,
            Layout::Rgb => 3,
            Layout::Sites(_) => return false,
        };
        (self.width, self.height, self.channels) == (width, height, channels)
    }

    /// Refuses a reference that was not taken as the clip was.
    ///
    /// `what` names the reference ("dark reference").
    ///
    /// # Errors
    /// [`SensorError::Shape`] where size, channels or depth differ.
    pub fn check(&self, what: &str, clip: &Self) -> Result<(), SensorError> {
        if self == clip {
            return Ok(());
        }
        Err(SensorError::Shape {
            what: what.to_owned(),
            found: self.to_string(),
            expected: clip.to_string(),
        })
    }
}

impl std::fmt::Display for Shape {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let kind = if self.channels == 1 { "one channel" } else { "three channels" };
        write!(f, "{}x{}, {}-bit, {kind}", self.width, self.height, self.bits)
    }
}

/// Why the camera could not be learnt from what was given.
#[derive(Debug, Error, Clone, PartialEq)]
pub enum SensorError {
    /// A stack that is too short for what is asked of it.
    #[error("{what} has {found} frames but needs {least}: record more of them")]
    TooFew {
        /// Which stack.
        what: &'static str,
        /// Frames there are.
        found: usize,
        /// Frames there must be.
        least: usize,
    },
    /// A frame could not be had.
    #[error("frame {} of the stack cannot be read: {why}", .index + 1)]
    Read {
        /// Position in the stack, counted from 0.
        index: usize,
        /// What the reader said.
        why: String,
    },
    /// Frames that do not belong together.
    #[error("{what} is {found} but {expected} is needed: take it with the same crop and bit depth")]
    Shape {
        /// The frame or reference that does not fit.
        what: String,
        /// Its shape.
        found: String,
        /// The shape of the others.
        expected: String,
    },
    /// A reference that would do harm.
    #[error("{0}")]
    Refused(String),
    /// A reference file that is not whole or not ours.
    #[error("reference file: {0}")]
    File(String),
}
