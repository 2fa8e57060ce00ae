//! One frame's samples, whatever its format.
//!
//! The format is told from the first bytes, never from the name. Sizes are checked before
//! anything is allocated: an allocation that fails kills the process, and no handler helps.
//! A side may be at most [`super::MAX_SIDE`] and the decoded samples at most [`MAX_DECODED_BYTES`];
//! compressed formats must also have as many bytes as their best case needs for the size that
//! they claim.

use std::fs::File;
use std::io::{Cursor, Read, SeekFrom};
use std::path::{Path, PathBuf};

use super::clip::FrameFile;
use super::fault::{Fault, FootageError};
use super::kind::{FileKind, Source, kind_of};
use super::open::open_regular;
use super::raw::RawLayout;
use super::shape::{Decoded, MAX_DECODED_BYTES, Shape};
use super::{dpx, jpeg, openexr, png, pnm, tiff, y4m};

/// What is read of a PNG or PGM for its header; comments in a PGM may take some.
const HEADER_BYTES: u64 = 16 << 10;
/// Largest file that is read whole (formats other than TIFF): the decoded limit and some room.
pub(super) const MAX_FILE_BYTES: u64 = MAX_DECODED_BYTES + (64 << 20);

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
    use crate::frame::Curve;

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
}
