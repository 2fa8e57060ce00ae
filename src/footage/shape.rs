//! Size and depth of a frame, their limits, and the frame once it is decoded.

use std::fmt;

use serde::{Deserialize, Serialize};

use super::fault::Fault;
use super::kind::FileKind;
use crate::frame::{Curve, Samples};
use crate::record::Warning;

/// Largest width or height in pixels.
pub const MAX_SIDE: u64 = 65_535;
/// Largest size of a decoded frame in bytes, at two bytes a sample: 1 GiB.
pub const MAX_DECODED_BYTES: u64 = 1 << 30;

/// Size and depth of a frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Shape {
    /// Width in pixels.
    pub width: usize,
    /// Height in pixels.
    pub height: usize,
    /// 1 (mono or mosaic) or 3 (red, green, blue).
    pub channels: usize,
    /// 8 or 16; packed 10-, 12- and 14-bit samples count as 16.
    pub bits: u8,
    /// Largest sample the format allows: 255, 65535, 4095 for packed 12 bit, maxval of a PGM.
    pub full_scale: u16,
}

impl Shape {
    /// Samples of this shape.
    pub(super) fn filled(&self, data: Vec<u16>) -> Samples {
        Samples {
            width: self.width,
            height: self.height,
            channels: self.channels,
            bits: self.bits,
            data,
        }
    }

    /// A shape within the limits, with the full scale of its depth (8 or 16 bits).
    pub(super) fn checked(width: u64, height: u64, channels: u8, bits: u8) -> Result<Self, Fault> {
        if width == 0 || height == 0 {
            return Err(Fault::damaged(format!("claims a size of {width}x{height} pixels")));
        }
        if width > MAX_SIDE || height > MAX_SIDE {
            return Err(Fault::Limit(format!(
                "claims {width}x{height} pixels: the limit is {MAX_SIDE} a side"
            )));
        }
        let bytes = width * height * u64::from(channels) * 2;
        let size = (usize::try_from(width), usize::try_from(height));
        let (Ok(width), Ok(height), true) = (size.0, size.1, bytes <= MAX_DECODED_BYTES) else {
            return Err(Fault::Limit(format!(
                "claims {width}x{height} pixels of {channels} channel(s), {bytes} bytes decoded: \
                 the limit is {MAX_DECODED_BYTES}"
            )));
        };
        let full_scale = if bits == 8 { 255 } else { u16::MAX };
        Ok(Self { width, height, channels: usize::from(channels), bits, full_scale })
    }

    pub(super) fn with_full_scale(mut self, full_scale: u16) -> Self {
        self.full_scale = full_scale;
        self
    }

    /// Samples of a frame; within the limits by construction.
    #[must_use]
    pub fn samples(&self) -> usize {
        self.width * self.height * self.channels
    }
}

impl fmt::Display for Shape {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let colour = if self.channels == 3 { "RGB" } else { "mono" };
        write!(f, "{}x{} {colour}, {} bit", self.width, self.height, self.bits)?;
        if !matches!(self.full_scale, 255 | u16::MAX) {
            write!(f, " (up to {})", self.full_scale)?;
        }
        Ok(())
    }
}

/// A decoded frame and what its file says of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Decoded {
    /// The samples as written; WhiteIsZero pages of a TIFF are turned to black-is-zero, and the
    /// 1-, 2- and 4-bit or palette samples of a PNG are spread over 8 bits.
    pub samples: Samples,
    /// The file's format.
    pub kind: FileKind,
    /// Largest sample the format allows, see [`Shape::full_scale`].
    pub full_scale: u16,
    /// The display curve the samples went through; `None` where they are in proportion to light.
    pub curve: Option<Curve>,
    /// What was left out or looks wrong ("alpha-dropped", "display-coded").
    pub warnings: Vec<Warning>,
}

impl Decoded {
    pub(super) fn new(samples: Samples, kind: FileKind, full_scale: u16) -> Self {
        Self { samples, kind, full_scale, curve: kind.curve(), warnings: Vec::new() }
    }

    /// The shape of the samples.
    #[must_use]
    pub fn shape(&self) -> Shape {
        Shape {
            width: self.samples.width,
            height: self.samples.height,
            channels: self.samples.channels,
            bits: self.samples.bits,
            full_scale: self.full_scale,
        }
    }

    pub(super) fn alpha_dropped(&mut self) {
        self.warnings.push(Warning::new(
            "alpha-dropped",
            "the frames have an alpha channel, which was dropped",
            "nothing to do where it holds no information; save without alpha to be rid of this",
        ));
    }
}

/// Refuses a compressed file too small for what it claims.
///
/// `ratio` is the most decoded bytes that one byte of the file can stand for.
pub(super) fn plausible(decoded: u64, file: u64, ratio: u64) -> Result<(), Fault> {
    if decoded / ratio > file.saturating_add(1024) {
        return Err(Fault::damaged(format!(
            "claims {decoded} bytes of samples but has only {file} bytes: the file is damaged"
        )));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_too_small_for_its_claim_is_damaged() {
        assert!(plausible(2_000_000, 100, 1032).is_err());
        assert!(plausible(2_000_000, 2_000, 1032).is_ok());
    }
}
