//! Where each frame lies: the pose of the still background, from the clip itself.
//!
//! A pose `p` says where the scene lies in a frame relative to the reference: a point at X in the
//! reference appears at X + p, x right and y down. The way to it, block by block of some sixty
//! frames:
//!
//! 1. [`tracks`]: tiles followed one by one, each against its own running template.
//! 2. [`consensus`]: groups of tiles that move together; [`body`]: tiles followed together, where
//!    none can be followed alone; [`ground`]: the layer that explains the largest area is the still
//!    background (one tile, one vote: the mechanism often has the stronger texture), if pixels
//!    that had no part in finding it confirm it.
//! 3. [`template`]: the frames brought to one pose and averaged: a picture with little noise, and
//!    which of its pixels are still; [`cover`]: where they are hidden in some frames only;
//!    [`patch`]: its tiles on a grid of half pixels.
//! 4. [`fit`]: maximum likelihood of the shifted template against each raw frame; a frame
//!    that does not show the template's texture there has no pose.
//! 5. [`block`]: 3 and 4 in turn until they settle. Turn and magnification are fitted where a test
//!    over the whole block says that they are there.
//! 6. [`clean`]: row offsets ([`rows`]) and a pattern that the dark frame left ([`pattern`]) are
//!    taken off the frames where they matter, and 5 is done again.
//! 7. Later blocks are looked up in what the first one found ([`known`]): in large frames with light
//!    enough their fits to its template are the answer, elsewhere the start of 5. Where they are
//!    not found they go from 1 to 6 on their own and are tied to the first by [`anchor`]. So
//!    nothing adds up from block to block.
//!
//! [`path`] turns poses into where the output looks.
//!
//! Accuracy (`cargo bench --bench steadying`, 384 px, 60 frames, 30 % foreground that moves, turns
//! and rings, read noise 8 e-, three draws of the noise; rms error over the Cramer-Rao bound of
//! the visible background pixels):
//!
//! ```text
//! background      25 e-   150 e-   2000 e-
//! brick            1.29     1.17      1.16
//! camera           1.34     1.20      1.19
//! grass            1.33     1.13      1.12
//! gravel           1.24     1.14      1.16
//! ```
//!
//! At 25 e- the template is noise for a good part, and the bound takes it as known: a fit of each
//! frame to the mean of the 59 others at their true poses, on pixels that are truly still, reaches
//! 1.30, 1.31, 1.35 and 1.26 times it (`-- limit "25 e-"`). The stated uncertainty is 0.89 (`brick`
//! at 25 e-) to 1.10 of the error. At more light what is lost are pixels about the foreground's rim,
//! and those it hides in more than half of the frames. Frames of more than 512 tiles are fitted by
//! those that tell 0.005 px. Registration of 1920 x 1080 takes more than decoding it (`-- 1080`).
//!
//! Limits: the background must fill at least 15 % of the frame and hold texture; where no lock is
//! found that is an answer ([`NoLock`]), never a guess. Turns are meant to be small: tiles move as a
//! whole, and the coarse path knows shifts only, so corners may turn by a pixel or two.
//! Sources: the likelihood fit and its bound follow Robinson & Milanfar, IEEE Trans. Image Process.
//! 13(9), 1185-1199 (2004), doi 10.1109/TIP.2004.832923; that a shared template beats pairwise
//! registration: Clement, Bierbaum & Sethna, arXiv 1809.05583.

pub mod anchor;
pub mod block;
pub mod body;
pub mod clean;
mod combine;
pub mod consensus;
pub mod cover;
pub mod drawn;
pub mod fit;
pub mod gather;
pub mod ground;
pub mod held;
pub mod hidden;
pub mod known;
pub mod lamp;
pub(crate) mod likeness;
pub mod patch;
pub mod path;
pub mod pattern;
pub mod rows;
pub mod still;
mod target;
pub mod template;
mod tile;
pub mod tracks;
pub mod uneven;
pub mod wiener;

use thiserror::Error;

use crate::frame::{NoiseModel, Plane};
use crate::math::turn::{Placement, Turn};

/// Side of a tile in pixels.
pub const TILE: usize = 32;
/// Side of a cell in pixels; it divides the side of a tile.
pub const CELL: usize = 4;

/// Temporal noise of a calibrated pixel: `slope * signal * s + floor * s^2` DN^2, where `s` is
/// what the flat field multiplied the pixel with (1 without one).
#[derive(Debug, Clone)]
pub struct PixelNoise {
    /// DN^2 a DN of signal.
    pub slope: f32,
    /// DN^2 in the dark.
    pub floor: f32,
    /// Factor of the flat field at each pixel; `None` where all are 1.
    pub factor: Option<Plane>,
    /// Standard deviation of the offset of a row, before the flat, in DN; 0 where rows have none that
    /// matters.
    pub row: f32,
    /// Variance of what the dark frames left on the sensor, before the flat, in DN^2: it is the same in
    /// every frame, so it draws shifts to the sensor. 0 where there were none.
    pub held: f32,
}

/// Variance below this is taken as this, in DN^2: weights stay finite.
pub(crate) const LEAST_VARIANCE: f32 = 1e-12;

impl PixelNoise {
    /// From a noise model without a flat field.
    #[must_use]
    pub fn new(model: &NoiseModel) -> Self {
        let (slope, floor) = model.coefficients();
        Self { slope, floor, factor: None, row: 0.0, held: 0.0 }
    }

    /// Variance at a pixel (index into the plane) that shows `signal`.
    #[inline]
    #[must_use]
    pub fn variance(&self, signal: f32, at: usize) -> f32 {
        let s = self.factor.as_ref().map_or(1.0, |f| f.data()[at]);
        variance([self.slope, self.floor], signal, s)
    }

    /// Variance of what lies still on the sensor at a pixel, in DN^2.
    #[must_use]
    pub fn held(&self, at: usize) -> f32 {
        let s = self.factor.as_ref().map_or(1.0, |f| f.data()[at]);
        self.held * s * s
    }
}

/// Variance of a pixel that shows `signal` and that the flat multiplied with `factor`, by slope and
/// floor (see [`PixelNoise`]).
#[inline(always)]
pub(crate) fn variance([slope, floor]: [f32; 2], signal: f32, factor: f32) -> f32 {
    (slope * signal.max(0.0) * factor + floor * factor * factor).max(LEAST_VARIANCE)
}

/// Why the still background could not be found.
#[derive(Debug, Error, Clone, PartialEq)]
pub enum NoLock {
    /// A frame is placed by others.
    #[error("fewer than two frames are there, so there is nothing to steady them against")]
    TooFew,
    /// No tile lies in what may be background.
    #[error(
        "no square of {side} px lies within what may be still background: name larger regions or exclude less"
    )]
    NoRoom {
        /// Side of a tile in pixels.
        side: usize,
    },
    /// Hardly any frame was found.
    #[error(
        "hardly any frame could be placed against the others: there are too few frames, or too little texture for this light"
    )]
    NotPlaced,
    /// No tile has enough texture above the noise.
    #[error("no tile of the picture has texture above its noise: light it more or stop down less")]
    NoTexture,
    /// Lines side by side, shading: shifts along them cannot be told.
    #[error(
        "the still background has texture along one direction only, so shifts along the other are noise: take in something with detail both ways"
    )]
    OneWay,
    /// Tiles do not move together.
    #[error(
        "only {tiles} of {of} tiles move together, {percent:.0} % of the frame: the still background must fill at least 15 %, in 3 tiles or more"
    )]
    NoConsensus {
        /// Tiles that agree.
        tiles: usize,
        /// Tiles tried.
        of: usize,
        /// Their share of the area of all tiles, in per cent.
        percent: f64,
    },
    /// What was followed was noise: pixels that had no part in it do not confirm it.
    #[error(
        "one half of the picture does not find the frames where the other half has them (evidence {evidence:.1} nats a frame, less than 1.5): too little texture for this light"
    )]
    NotConfirmed {
        /// Evidence per frame in nats.
        evidence: f64,
    },
    /// The fit is too uncertain to be of use.
    #[error("the shift is uncertain by {sigma:.2} px, more than half a pixel")]
    TooUncertain {
        /// Median standard uncertainty in pixels.
        sigma: f64,
    },
    /// This block cannot be tied to the first one.
    #[error("the background of this part was not found in the clip's first frames")]
    NotAnchored,
}

/// Where the scene lies in one frame: a point at X in the reference, middle M of the frame, appears
/// at `X + shift + turn.moves(X - M)`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pose {
    /// Shift of the scene against the reference, x right and y down, in pixels.
    pub shift: [f64; 2],
    /// Turn of the scene about the middle of the frame, and its change of magnification.
    pub turn: Turn,
    /// Standard uncertainty of the shift along an axis (root mean square of the two), in pixels.
    pub sigma: f64,
    /// Light of the frame relative to the reference.
    pub light: f64,
    /// Standard uncertainty of the light; 0 where it is not known.
    pub light_sigma: f64,
    /// Whether the pose was measured; false where it comes from its neighbours.
    pub measured: bool,
}

impl Pose {
    /// The pose of a frame at the reference.
    pub const ZERO: Self = Self {
        shift: [0.0, 0.0],
        turn: Turn::NONE,
        sigma: 0.0,
        light: 1.0,
        light_sigma: 0.0,
        measured: true,
    };

    /// The pose with its shift as it is at a point, in pixels of a frame of this size.
    #[must_use]
    pub fn local(&self, size: [usize; 2], [x, y]: [f64; 2]) -> Self {
        Self { shift: self.placement(size).at(x, y), ..*self }
    }

    /// Where a frame of this size reads what lies at a point of the reference.
    #[must_use]
    pub fn placement(&self, size: [usize; 2]) -> Placement {
        Placement::new(self.shift, self.turn, size)
    }
}

/// How the registration is to be done.
#[derive(Debug, Clone, PartialEq)]
pub struct RegisterSettings {
    /// How far a tile may move from one frame to the next, in pixels.
    pub reach: usize,
    /// Rectangles (x, y, width, height) of the still background; empty: all of the frame.
    pub include: Vec<[usize; 4]>,
    /// Rectangles that never belong to the still background.
    pub exclude: Vec<[usize; 4]>,
}

impl Default for RegisterSettings {
    fn default() -> Self {
        Self { reach: 20, include: Vec::new(), exclude: Vec::new() }
    }
}

impl RegisterSettings {
    /// The same for a plane whose pixels are `by` pixels of the frame wide.
    #[must_use]
    pub fn scaled(&self, by: usize) -> Self {
        let by = by.max(1);
        let all = |list: &[[usize; 4]]| -> Vec<[usize; 4]> {
            list.iter()
                .map(|&[x, y, w, h]| {
                    let (x1, y1) = ((x + w).div_ceil(by), (y + h).div_ceil(by));
                    [x / by, y / by, x1 - x / by, y1 - y / by]
                })
                .collect()
        };
        Self { reach: self.reach, include: all(&self.include), exclude: all(&self.exclude) }
    }

    /// Whether a rectangle may belong to the still background: inside an included rectangle (its
    /// centre) and touching none that is excluded.
    #[must_use]
    pub fn allows(&self, [x, y, w, h]: [usize; 4]) -> bool {
        let (cx, cy) = (x + w / 2, y + h / 2);
        let inside =
            |r: &[usize; 4]| cx >= r[0] && cx < r[0] + r[2] && cy >= r[1] && cy < r[1] + r[3];
        let touches =
            |r: &[usize; 4]| x < r[0] + r[2] && r[0] < x + w && y < r[1] + r[3] && r[1] < y + h;
        (self.include.is_empty() || self.include.iter().any(inside))
            && !self.exclude.iter().any(touches)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rectangles_of_a_mosaic_lie_on_its_half_size_plane() {
        let s = RegisterSettings {
            include: vec![[10, 21, 64, 32]],
            exclude: vec![[0, 0, 3, 3]],
            ..RegisterSettings::default()
        };
        assert_eq!(s.scaled(1), s);
        let half = s.scaled(2);
        assert_eq!(half.include, [[5, 10, 32, 17]]);
        assert_eq!(half.exclude, [[0, 0, 2, 2]]);
        assert!(half.allows([10, 12, 8, 8]) && !half.allows([60, 12, 8, 8]));
    }
}
