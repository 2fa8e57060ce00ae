//! One frame's samples, whatever its format.
//!
//! The format is told from the first bytes, never from the name. Sizes are checked before
//! anything is allocated: an allocation that fails kills the process, and no handler helps.
//! A side may be at most [`MAX_SIDE`] and the decoded samples at most [`MAX_DECODED_BYTES`];
//! compressed formats must also have as many bytes as their best case needs for the size that
//! they claim.

use std::fmt;
use std::fs::File;
use std::io::{self, Cursor, Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::find::FrameFile;
use super::open::open_regular;
use super::raw::RawLayout;
use super::{FootageError, dpx, jpeg, openexr, png, pnm, tiff, y4m};
use crate::frame::{Curve, Samples};
use crate::record::Warning;

/// Largest width or height in pixels.
pub const MAX_SIDE: u64 = 65_535;
/// Largest size of a decoded frame in bytes, at two bytes a sample: 1 GiB.
pub const MAX_DECODED_BYTES: u64 = 1 << 30;
/// What is read of a PNG or PGM for its header; comments in a PGM may take some.
const HEADER_BYTES: u64 = 16 << 10;
/// Largest file that is read whole (formats other than TIFF): the decoded limit and some room.
pub(super) const MAX_FILE_BYTES: u64 = MAX_DECODED_BYTES + (64 << 20);

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
    /// carries a warning; a DPX says it in its header, see [`Decoded::curve`]).
    #[must_use]
    pub fn curve(self) -> Option<Curve> {
        match self {
            Self::Jpeg => Some(Curve::Srgb),
            Self::Y4m => Some(y4m::CURVE),
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

/// What is wrong with a file, before its name is attached.
#[derive(Debug)]
pub(super) enum Fault {
    Damaged(String),
    Unsupported(String),
    Limit(String),
    Io(io::Error),
}

impl Fault {
    pub(super) fn damaged(what: impl Into<String>) -> Self {
        Self::Damaged(what.into())
    }

    pub(super) fn unsupported(what: impl Into<String>) -> Self {
        Self::Unsupported(what.into())
    }

    pub(super) fn at(self, path: &Path) -> FootageError {
        let path = super::printable(path);
        match self {
            Self::Damaged(what) => FootageError::Footage { path, what },
            Self::Unsupported(what) => FootageError::Unsupported { path, what },
            Self::Limit(what) => FootageError::Limit { path, what },
            Self::Io(source) => FootageError::Disk { path, doing: "read", source },
        }
    }
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Damaged(t) | Self::Unsupported(t) | Self::Limit(t) => f.write_str(t),
            Self::Io(e) => e.fmt(f),
        }
    }
}

/// A reading error as a fault of the file or of the disk.
///
/// Decoders report what they do not like in a file as I/O errors too; only those that carry a
/// number of the operating system are the disk's.
pub(super) fn ends_early(e: io::Error) -> Fault {
    if e.kind() == io::ErrorKind::UnexpectedEof {
        Fault::damaged("the file ends early: copy it again from the camera")
    } else if e.raw_os_error().is_none() {
        Fault::damaged(format!("is damaged: {e}"))
    } else {
        Fault::Io(e)
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

/// The first `most` bytes of a file (formats other than TIFF), and the length of all of it.
fn read_bytes(source: &mut impl Source, most: u64) -> Result<(Vec<u8>, u64), Fault> {
    let len = source.seek(SeekFrom::End(0)).map_err(Fault::Io)?;
    if len > MAX_FILE_BYTES {
        return Err(Fault::Limit(format!("has {len} bytes: the limit is {MAX_FILE_BYTES}")));
    }
    source.seek(SeekFrom::Start(0)).map_err(Fault::Io)?;
    let mut bytes = Vec::with_capacity(usize::try_from(len.min(most)).unwrap_or(0));
    source.take(most).read_to_end(&mut bytes).map_err(Fault::Io)?;
    Ok((bytes, len))
}

/// Where a frame lies in its source: the page, and the layout of headerless samples.
#[derive(Clone, Copy)]
pub(super) struct Place<'a> {
    pub(super) page: usize,
    pub(super) raw: Option<&'a RawLayout>,
}

impl<'a> Place<'a> {
    pub(super) fn of(file: &'a FrameFile) -> Self {
        Self { page: file.page, raw: file.raw.as_deref() }
    }
}

/// Decodes; `admit` sees the shape before any sample is allocated and may refuse it.
pub(super) fn decode_source<E: From<Fault>>(
    mut source: impl Source,
    place: Place<'_>,
    admit: impl Fn(&Shape) -> Result<(), E>,
) -> Result<Decoded, E> {
    if let Some(layout) = place.raw {
        admit(&layout.shape_of(&mut source)?)?;
        return Ok(layout.decode(&mut source, place.page)?);
    }
    let kind = kind_of(&mut source)?;
    if kind == FileKind::Tiff {
        let (mut dirs, page) = tiff::find_page(source, place.page)?;
        admit(&tiff::shape_of_page(&mut dirs, &page)?)?;
        return Ok(tiff::decode(dirs, &page)?);
    }
    if kind == FileKind::Y4m {
        admit(&y4m::shape(&mut source, place.page)?)?;
        return Ok(y4m::decode(&mut source, place.page)?);
    }
    let (bytes, len) = read_bytes(&mut source, MAX_FILE_BYTES)?;
    admit(&shape_in(kind, &bytes, len)?)?;
    Ok(match kind {
        FileKind::Png => png::decode(&bytes)?,
        FileKind::Jpeg => jpeg::decode(&bytes)?,
        FileKind::Dpx => dpx::decode(&bytes)?,
        FileKind::Exr => openexr::decode(&bytes)?,
        FileKind::Tiff | FileKind::Y4m | FileKind::Raw | FileKind::Pnm => pnm::decode(&bytes)?,
    })
}

/// The shape by a header within `bytes`, the beginning of a file of `len` bytes.
fn shape_in(kind: FileKind, bytes: &[u8], len: u64) -> Result<Shape, Fault> {
    match kind {
        FileKind::Png => png::shape(bytes, len),
        FileKind::Jpeg => jpeg::shape(bytes, len),
        FileKind::Dpx => dpx::shape(bytes, len),
        FileKind::Exr => openexr::shape(bytes, len),
        FileKind::Tiff | FileKind::Y4m | FileKind::Raw | FileKind::Pnm => pnm::shape(bytes, len),
    }
}

fn shape_source(mut source: impl Source, place: Place<'_>) -> Result<Shape, Fault> {
    if let Some(layout) = place.raw {
        return layout.shape_of(&mut source);
    }
    let kind = kind_of(&mut source)?;
    if kind == FileKind::Tiff {
        let (mut dirs, page) = tiff::find_page(source, place.page)?;
        return tiff::shape_of_page(&mut dirs, &page);
    }
    if kind == FileKind::Y4m {
        return y4m::shape(&mut source, place.page);
    }
    // The segments before the frame header of a JPEG (profiles, previews) can be of any length,
    // as can the attributes of an OpenEXR.
    let most =
        if matches!(kind, FileKind::Jpeg | FileKind::Exr) { MAX_FILE_BYTES } else { HEADER_BYTES };
    let (bytes, len) = read_bytes(&mut source, most)?;
    shape_in(kind, &bytes, len)
}

fn open(file: &FrameFile) -> Result<File, FootageError> {
    Ok(open_regular(&file.path)?.0)
}

/// Decodes one frame.
///
/// Page `n` of a multi-page TIFF costs `n` short reads to reach.
///
/// # Errors
/// See [`FootageError`]: damaged, unsupported, beyond the limits, or not readable.
pub fn decode(file: &FrameFile) -> Result<Decoded, FootageError> {
    decode_source::<Fault>(open(file)?, Place::of(file), |_| Ok(())).map_err(|f| f.at(&file.path))
}

/// Decodes page `page` (0 is the first; 0 for all formats but TIFF and Y4M) of a file that lies in
/// memory; `path` is for messages only.
///
/// # Errors
/// As [`decode`].
pub fn decode_bytes(bytes: &[u8], page: usize, path: &Path) -> Result<Decoded, FootageError> {
    let place = Place { page, raw: None };
    decode_source::<Fault>(Cursor::new(bytes), place, |_| Ok(())).map_err(|f| f.at(path))
}

/// Size and depth of a frame, from its header alone.
///
/// Also notices an uncompressed file (TIFF, PGM, PPM) that is shorter than its samples.
///
/// # Errors
/// As [`decode`].
pub fn shape_of(file: &FrameFile) -> Result<Shape, FootageError> {
    shape_source(open(file)?, Place::of(file)).map_err(|f| f.at(&file.path))
}

/// Why an expected frame was not decoded.
pub(super) enum Refusal {
    Fault(Fault),
    Shape(FootageError),
}

impl From<Fault> for Refusal {
    fn from(fault: Fault) -> Self {
        Self::Fault(fault)
    }
}

/// What every frame of a clip must look like: the shape of its first good frame.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Expected {
    /// The shape.
    pub shape: Shape,
    /// The file it was read from, for messages.
    pub path: PathBuf,
}

impl Expected {
    /// The shape of `file` as what the others must have.
    ///
    /// # Errors
    /// As [`shape_of`].
    pub fn of(file: &FrameFile) -> Result<Self, FootageError> {
        Ok(Self { shape: shape_of(file)?, path: file.path.clone() })
    }

    /// Refuses a frame of another shape.
    ///
    /// # Errors
    /// [`FootageError::Footage`], naming both files and both shapes.
    pub fn check(&self, file: &FrameFile, shape: &Shape) -> Result<(), FootageError> {
        if *shape == self.shape {
            return Ok(());
        }
        Err(FootageError::footage(
            &file.path,
            format!(
                "frame {} is {shape} but {} is {}: a clip has one size and depth throughout",
                file.number,
                super::printable(&self.path),
                self.shape
            ),
        ))
    }

    /// Decodes a frame and refuses one of another shape, before its samples are allocated.
    ///
    /// # Errors
    /// As [`decode`] and [`Expected::check`].
    pub fn decode(&self, file: &FrameFile) -> Result<Decoded, FootageError> {
        let admit = |shape: &Shape| self.check(file, shape).map_err(Refusal::Shape);
        decode_source(open(file)?, Place::of(file), admit).map_err(|refusal| match refusal {
            Refusal::Fault(fault) => fault.at(&file.path),
            Refusal::Shape(error) => error,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn refusal(bytes: &[u8]) -> String {
        decode_bytes(bytes, 0, Path::new("relay/0001.tif")).unwrap_err().to_string()
    }

    #[test]
    fn content_decides_not_the_name() {
        let d = decode_bytes(b"P5 1 1 255\n\x09", 0, Path::new("relay/0001.tif")).unwrap();
        assert_eq!((d.kind, d.samples.data.as_slice()), (FileKind::Pnm, &[9][..]));
        assert_eq!(d.kind.curve(), None);
        assert_eq!(FileKind::Jpeg.curve(), Some(Curve::Srgb));
    }

    #[test]
    fn empty_and_foreign_files_say_so() {
        assert!(refusal(b"").contains("0 bytes"));
        assert!(refusal(b"hello").contains("none of TIFF"));
        assert!(refusal(b"hello").starts_with("relay/0001.tif: "));
    }

    #[test]
    fn mixed_shapes_name_both_files() {
        let dir = tempfile::tempdir().unwrap();
        let file = |n: u64, head: &[u8], body: usize| {
            let path = dir.path().join(format!("{n:04}.pgm"));
            let mut bytes = head.to_vec();
            bytes.resize(head.len() + body, 7);
            std::fs::write(&path, bytes).unwrap();
            FrameFile { number: n, path, page: 0, raw: None }
        };
        let a = file(1, b"P5 4 2 255\n", 8);
        let b = file(2, b"P5 2 4 255\n", 8);
        let c = file(3, b"P5 4 2 4095\n", 16);
        let expected = Expected::of(&a).unwrap();
        assert_eq!(expected.decode(&a).unwrap().samples.data, [7; 8]);
        let text = expected.decode(&b).unwrap_err().to_string();
        assert!(text.contains("0001.pgm") && text.contains("0002.pgm"), "{text}");
        assert!(text.contains("2x4") && text.contains("4x2"), "{text}");
        let text = expected.decode(&c).unwrap_err().to_string();
        assert!(text.contains("16 bit (up to 4095)"), "{text}");
    }

    #[test]
    fn a_file_too_small_for_its_claim_is_damaged() {
        assert!(plausible(2_000_000, 100, 1032).is_err());
        assert!(plausible(2_000_000, 2_000, 1032).is_ok());
    }
}
