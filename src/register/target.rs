//! What a frame is fitted to, and where a fit begins.

use super::PixelNoise;
use super::hidden::Cover;
use super::patch::Patch;
use crate::math::turn::Turn;

/// What a frame is fitted to.
#[derive(Debug, Clone, Copy)]
pub struct Target<'a> {
    /// The low-noise picture of the scene, piece by piece.
    pub patches: &'a [Patch],
    /// Noise of the frames.
    pub noise: &'a PixelNoise,
    /// Factor on the noise variance (1 for a raw frame).
    pub variance_factor: f32,
    /// Whether what is fitted is as the sensor saw it, with what lies still on the sensor in its place.
    pub as_seen: bool,
    /// Whether turn and magnification are fitted too.
    pub turns: bool,
    /// What the patches know of parts that hide the background for a while; the frames of
    /// [`super::fit::fit_frames`] are those it was made for.
    pub cover: Option<&'a Cover>,
}

impl<'a> Target<'a> {
    /// Patches against raw frames that are not turned.
    #[must_use]
    pub fn new(patches: &'a [Patch], noise: &'a PixelNoise) -> Self {
        Self { patches, noise, variance_factor: 1.0, as_seen: true, turns: false, cover: None }
    }
}

/// A first guess of a frame's pose.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Start {
    /// Shift of the scene in pixels.
    pub shift: [f64; 2],
    /// Its turn.
    pub turn: Turn,
    /// Light relative to the template.
    pub light: f64,
}

impl Start {
    /// A shift in the template's own light.
    #[must_use]
    pub fn at(shift: [f64; 2]) -> Self {
        Self { shift, turn: Turn::NONE, light: 1.0 }
    }
}
