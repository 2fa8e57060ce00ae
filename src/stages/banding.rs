//! `banding`: takes off what reading a row out added to all of its pixels, anew in every frame.
//!
//! ```text
//! frame(x, y) = L T(x - s_x, y - s_y) + r_y f(x, y) + noise          DN above black
//! ```
//!
//! T is the clip's template (the mean of its first block of frames, steadied), s the frame's pose,
//! L its light, f what the flat multiplied the pixel with. r_y is found row by row over still
//! pixels, by weighted least squares made robust (biweight), so that what moves through hardly
//! counts. What is slow over rows may be light and is left alone: the mean over 65 rows is taken
//! off first. Each offset is then shrunk by how well it is known, `r s^2 / (s^2 + v)`, with s the
//! spread of row offsets measured on the first block and v the variance of this one; along a level
//! edge the template cannot be trusted to better than 2 % of its slope, which counts in v.
//!
//! - **Order**: in sensor coordinates, after `flat`; before `average`.
//! - **Does nothing** where row offsets are not significant in the first block, without a lock on
//!   the background, and for colour frames (their rows would need a template a channel).
//! - **Saturated and missing** pixels take no part in the measure; they are corrected like others.
//! - **Cost**: one resampling of the template a frame. Source of the robust step: A. E.
//!   Beaton and J. W. Tukey, Technometrics 16(2), 147-185 (1974), doi
//!   10.1080/00401706.1974.10489171; the rest is arithmetic.
//! - **Limit**: an offset of a column, the same in all frames, belongs to the dark reference.

use serde::{Deserialize, Serialize};

use super::{Realm, StageDoc};

/// What people see of the stage.
pub const DOC: StageDoc = StageDoc {
    name: "banding",
    summary: "takes the offset of each row off, measured on the still background",
    takes: &[Realm::Sensor],
    gives: None,
    settings: &[],
};

/// Settings of the stage: none.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BandingSettings {}
