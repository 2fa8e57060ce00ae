//! What the first pass knows: of each frame, and of the clip.
//!
//! Numbers only, kept in `analysis.json`: whoever has them and the frames can make any picture of
//! the clip.

use std::sync::Arc;

use serde::{Deserialize, Serialize};

use crate::math::turn::Turn;
use crate::record::{FrameStatus, Warning};
use crate::register::Pose;
use crate::register::lamp::Ripple;
use crate::register::rows::RowModel;
use crate::register::uneven::Field;

/// What the first pass knows of one frame.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FrameFacts {
    /// Number of the source frame.
    pub frame: u64,
    /// How it fared.
    pub status: FrameStatus,
    /// Shift of the scene against the reference in px, x right and y down.
    pub shift: [f64; 2],
    /// Turn of the scene about the middle of the frame, where it turns.
    #[serde(default, skip_serializing_if = "Turn::is_none")]
    pub turn: Turn,
    /// Standard uncertainty of the shift, per axis, in px.
    pub sigma: f64,
    /// Light relative to the clip's reference level.
    pub light: f64,
    /// Standard uncertainty of the light as it was measured; 0 where it is not known.
    #[serde(default)]
    pub light_sigma: f64,
    /// Light that is uneven over the frame, where lamps make it so.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub uneven: Option<FrameLight>,
    /// BLAKE3 of the file; `None` for pages of a multi-page file and for missing frames.
    pub hash: Option<String>,
    /// What went wrong, in words.
    pub fault: Option<String>,
}

impl FrameFacts {
    /// The pose.
    #[must_use]
    pub fn pose(&self) -> Pose {
        Pose {
            shift: self.shift,
            turn: self.turn,
            sigma: self.sigma,
            light: self.light,
            light_sigma: self.light_sigma,
            measured: self.placed(),
        }
    }

    /// Whether its pose was measured; it is guessed between others where not.
    #[must_use]
    pub fn placed(&self) -> bool {
        self.status != FrameStatus::LowConfidence
    }

    /// Whether there is a picture to make.
    #[must_use]
    pub fn usable(&self) -> bool {
        !matches!(self.status, FrameStatus::Missing | FrameStatus::Unreadable)
    }
}

/// What the first pass found.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Analysis {
    /// One a number of the clip, in order.
    pub frames: Vec<FrameFacts>,
    /// Whether the still background was found; then poses mean something.
    pub locked: bool,
    /// Why not, or why not in parts.
    pub no_lock: Vec<String>,
    /// Part of the frame that is still background.
    pub still_share: f64,
    /// Mean squared misfit in units of the noise model; 1 when all is as modelled.
    pub misfit: f64,
    /// Level in DN above black below which 99.8 % of the picture lies, noise averaged out; the
    /// highest of all blocks.
    pub bright_dn: f32,
    /// The same of red, green and blue, of clips in colour.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub colours_dn: Option<[f32; 3]>,
    /// The lamp's ripple, where one was found.
    #[serde(default)]
    pub ripple: Option<Ripple>,
    /// Lamps that light the frame unevenly, where they were found.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lamps: Option<Lamps>,
    /// Offsets of rows, where they matter.
    #[serde(default)]
    pub rows: Option<RowFacts>,
    /// Pattern of the sensor that the corrections left, rms in DN, where it matters.
    #[serde(default)]
    pub pattern_dn: Option<f64>,
    /// What row offsets are measured against; not kept in the file, see [`super::analyse::row_model`].
    #[serde(skip)]
    pub row_model: Option<Arc<RowModel>>,
    /// What a person should know.
    pub warnings: Vec<Warning>,
}

impl Analysis {
    /// Whether frame `at` lies where it was measured to lie. Where others in the clip do, one with a guessed
    /// place is no part of any other frame's mean: what hid its place, a knock or a dark lamp, would go
    /// into some sixty frames.
    #[must_use]
    pub fn placed(&self, at: usize) -> bool {
        !self.locked || self.frames.get(at).is_some_and(FrameFacts::placed)
    }

    /// What to say of a pattern that the references left; in electrons where `gain` (e-/DN) is known.
    /// `dark` says whether there was a dark reference.
    #[must_use]
    pub fn pattern_warning(&self, gain: Option<f64>, dark: bool) -> Option<Warning> {
        let dn = self.pattern_dn?;
        let rms = gain.map_or_else(|| format!("{dn:.2} DN"), |g| format!("{:.2} e-", dn * g));
        Some(Warning::new(
            "fixed-pattern",
            format!(
                "{} a pattern that does not move with the scene; {rms} rms of it stands out of the \
                 clip's noise and is kept from the shifts, but it stays in the picture",
                if dark { "the dark reference leaves" } else { "the sensor shows" }
            ),
            if dark {
                "film more black frames, at the clip's exposure and temperature"
            } else {
                "give black frames (--dark); if the camera has a colour mosaic, say which (--mosaic)"
            },
        ))
    }
}

/// What the first pass found of row offsets.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct RowFacts {
    /// Their spread in DN.
    pub sigma_dn: f64,
    /// The block whose template they are measured against.
    pub block: usize,
}

/// Uneven light of one frame.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct FrameLight {
    /// Light over the frame relative to its mean.
    pub now: Field,
    /// The part of it that stays in the picture.
    #[serde(default)]
    pub slow: Field,
}

impl FrameLight {
    /// What the frame is divided by at (u, v).
    pub(super) fn at(&self, u: f64, v: f64) -> f64 {
        self.now.at(u, v) / self.slow.at(u, v)
    }
}

/// What was found of lamps that light the frame unevenly.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Lamps {
    /// Frequency of their ripple in hertz.
    pub hz: f64,
    /// 2: lamps (or groups of them) of different phase; 1: all in phase, with different depths over
    /// the frame.
    pub phases: usize,
    /// Functions that describe the light over the frame.
    pub functions: usize,
    /// Rms over frames and places of what the uneven light was, relative.
    pub rms: f64,
    /// The most it was at any place in any frame, relative.
    pub most: f64,
}

/// Adds what has not been said yet.
pub(super) fn add_once(list: &mut Vec<Warning>, warning: Warning) {
    if !list.contains(&warning) {
        list.push(warning);
    }
}
