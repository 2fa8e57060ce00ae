//! The format of a file, told from its first bytes and never from its name.

use std::fmt;
use std::io::{Read, Seek, SeekFrom};

use serde::{Deserialize, Serialize};

use super::fault::Fault;
use crate::frame::Curve;

/// The format of a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum FileKind {
    /// TIFF, one page or many, 4- or 8-byte offsets.
    Tiff,
    /// PNG.
    Png,
    /// JPEG, baseline or progressive, 8 bit.
    Jpeg,
    /// Binary PGM, PPM or PAM.
    Pnm,
    /// DPX.
    Dpx,
    /// OpenEXR.
    Exr,
    /// Y4M, many frames a file.
    Y4m,
    /// Headerless samples that `clip.toml` describes.
    Raw,
}

impl FileKind {
    /// The format that begins with these bytes.
    #[must_use]
    pub fn of(head: &[u8]) -> Option<Self> {
        match head {
            [b'I', b'I', 42 | 43, 0, ..] | [b'M', b'M', 0, 42 | 43, ..] => Some(Self::Tiff),
            [0x89, b'P', b'N', b'G', ..] => Some(Self::Png),
            [0xff, 0xd8, 0xff, ..] => Some(Self::Jpeg),
            [b'P', b'1'..=b'7', next, ..] if next.is_ascii_whitespace() || *next == b'#' => {
                Some(Self::Pnm)
            }
            [b'S', b'D', b'P', b'X', ..] | [b'X', b'P', b'D', b'S', ..] => Some(Self::Dpx),
            [0x76, 0x2f, 0x31, 0x01, ..] => Some(Self::Exr),
            [b'Y', b'U', b'V', b'4', b'M', b'P', b'E', b'G', ..] => Some(Self::Y4m),
            _ => None,
        }
    }

    /// The display curve its samples went through: sRGB for JPEG, that of BT.709 for Y4M, none
    /// for the others, which cameras write in proportion to light (a PNG that says otherwise
    /// carries a warning; a DPX says it in its header, see [`super::Decoded::curve`]).
    #[must_use]
    pub fn curve(self) -> Option<Curve> {
        match self {
            Self::Jpeg => Some(Curve::Srgb),
            Self::Y4m => Some(Curve::Bt709),
            Self::Tiff | Self::Png | Self::Pnm | Self::Dpx | Self::Exr | Self::Raw => None,
        }
    }

    /// Whether a file can hold many frames, which are then reached by their page.
    #[must_use]
    pub fn many(self) -> bool {
        matches!(self, Self::Tiff | Self::Y4m | Self::Raw)
    }
}

impl fmt::Display for FileKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Tiff => "TIFF",
            Self::Png => "PNG",
            Self::Jpeg => "JPEG",
            Self::Pnm => "PGM/PPM/PAM",
            Self::Dpx => "DPX",
            Self::Exr => "OpenEXR",
            Self::Y4m => "Y4M",
            Self::Raw => "headerless",
        })
    }
}

/// Anything that can be read at random.
pub(super) trait Source: Read + Seek {}
impl<T: Read + Seek> Source for T {}

/// The format of `source`, from its first bytes; leaves it at the beginning.
pub(super) fn kind_of(source: &mut impl Source) -> Result<FileKind, Fault> {
    let mut head = Vec::with_capacity(16);
    source.seek(SeekFrom::Start(0)).map_err(Fault::Io)?;
    source.by_ref().take(16).read_to_end(&mut head).map_err(Fault::Io)?;
    source.seek(SeekFrom::Start(0)).map_err(Fault::Io)?;
    if head.is_empty() {
        return Err(Fault::damaged("is empty (0 bytes): copy it again from the camera"));
    }
    FileKind::of(&head).ok_or_else(|| {
        Fault::unsupported(
            "is none of TIFF, DNG, PNG, JPEG, DPX, OpenEXR, Y4M, binary PGM, PPM or PAM by its content; \
             headerless frames need a table [raw] in clip.toml",
        )
    })
}
