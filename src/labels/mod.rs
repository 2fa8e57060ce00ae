//! Lettering and bars on finished frames: text, scale bar, plates, and where they lie.
//!
//! Every label is a dark plate with white ink on it. The plate lets a constant share of the
//! light beneath it through, so that the ink stands out in every frame and nothing flickers; the
//! mixing is done in light, not in codes. Each label has a zone of the frame to itself (see
//! [`layout`]), so that labels that know nothing of each other never overlap.
//!
//! [`text`] shapes and draws one line, [`bar`] draws the bar, [`panel`] sets lines and bar on a
//! plate, [`plate`] blends the result into a frame, [`figures`] writes numbers.

pub mod bar;
pub mod figures;
mod kerning;
pub mod layout;
pub mod mask;
pub mod panel;
pub mod plate;
pub mod text;

use thiserror::Error;

/// Why a label cannot be drawn.
#[derive(Debug, Error, Clone, PartialEq)]
pub enum LabelError {
    /// The built-in font could not be read: a fault of the build.
    #[error("the built-in font cannot be read: report this as a fault of the program")]
    Font,
    /// A character the font has no drawing for.
    #[error("the font has no \"{0}\": write the label without it")]
    NoGlyph(char),
    /// The label is too large for its zone even at the least legible size.
    #[error(
        "\"{text}\" needs {needs_width} x {needs_height} px with capitals of {capitals} px, but its \
         part of a {frame_width} x {frame_height} frame holds {has_width} x {has_height} px: leave \
         this label out or crop less"
    )]
    DoesNotFit {
        /// What was to be drawn, lines joined by a stroke.
        text: String,
        /// Least width of the plate in pixels.
        needs_width: usize,
        /// Least height of the plate in pixels.
        needs_height: usize,
        /// Height of the capitals at that size, in pixels.
        capitals: usize,
        /// Width of the frame in pixels.
        frame_width: usize,
        /// Height of the frame in pixels.
        frame_height: usize,
        /// Width of the zone in pixels.
        has_width: usize,
        /// Height of the zone in pixels.
        has_height: usize,
    },
    /// Frames that are not pictures yet, or of another size than the label was made for.
    #[error("{0}")]
    Frame(String),
}
