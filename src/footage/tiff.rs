//! TIFF pages as samples: mono, mosaic and RGB, 8 and 16 bit, and packed 10, 12 and 14 bit.
//!
//! Uncompressed strips are read here, in as few reads as the file allows; what the `tiff` crate
//! refuses (packed depths, colour-filter and linear raw pages, lossless JPEG) goes through
//! `pieces`, other compressed and tiled pages through the crate. Alpha and other extra samples are dropped with a warning.
//! Pages with photometric 0 (white is zero) are turned to black-is-zero.
//! Refused with the reason: floating point and signed samples, other depths, palettes, CMYK,
//! YCbCr, Lab.
//!
//! Source: TIFF Revision 6.0 (1992); packed samples run from the most significant bit, rows
//! begin on byte boundaries (section 3 there, "FillOrder" 1).

use std::io::{self, BufReader, Read, Seek, SeekFrom};

use tiff::TiffError;
use tiff::decoder::{Decoder, DecodingResult, Limits};

use super::dng::RawPage;
use super::fault::{Fault, ends_early};
use super::ifd::{Directories, Page};
use super::kind::{FileKind, Source};
use super::packed::unpack_msb;
use super::pieces;
use super::shape::{Decoded, MAX_DECODED_BYTES, Shape, plausible};
use crate::frame::spare;

/// Most decoded bytes a compressed byte can stand for: deflate 1032, LZW of 12-bit codes and
/// PackBits far less. Rounded up generously, since horizontal prediction adds nothing.
const BEST_RATIO: u64 = 4096;
/// Bytes of uncompressed rows that are read at a time.
const PIECE: usize = 1 << 17;

const WHITE_IS_ZERO: u64 = 0;
const COLOUR_FILTER: u64 = 32_803;
const LINEAR_RAW: u64 = 34_892;

/// Pages of full pictures in the file (reduced copies and masks do not count).
pub(super) fn page_count(source: impl Source) -> Result<usize, Fault> {
    Ok(Directories::new(source)?.pages(usize::MAX)?.len())
}

/// Pages of the first page's size: more than one means a stack, not a picture with a preview.
pub(super) fn equal_pages(source: impl Source) -> Result<usize, Fault> {
    let mut dirs = Directories::new(source)?;
    let offsets = dirs.pages(usize::MAX)?;
    let mut first = None;
    let mut equal = 0;
    for offset in offsets {
        let page = dirs.page(offset)?;
        let size = (page.width, page.height);
        if size == *first.get_or_insert(size) {
            equal += 1;
        }
    }
    Ok(equal)
}

/// The page (0 is the first) of a file, and the directories it was found in.
pub(super) fn find_page<R: Source>(
    source: R,
    page: usize,
) -> Result<(Directories<R>, Page), Fault> {
    let mut dirs = Directories::new(source)?;
    let offsets = dirs.pages(page.saturating_add(1))?;
    let Some(&offset) = offsets.get(page) else {
        return Err(Fault::damaged(format!(
            "has {} page(s), so there is no page {}",
            offsets.len(),
            page.saturating_add(1)
        )));
    };
    let page = dirs.page(offset)?;
    Ok((dirs, page))
}

/// Channels kept of a page, and its bits a sample.
fn layout(page: &Page) -> Result<(u8, u8), Fault> {
    if page.format != 1 {
        let word = if page.format == 3 { "floating-point" } else { "signed or unknown" };
        return Err(Fault::unsupported(format!(
            "has {word} samples: only unsigned whole numbers are read"
        )));
    }
    let channels = match (page.photometric, page.samples) {
        (WHITE_IS_ZERO | 1 | COLOUR_FILTER, 1..=8) => 1,
        (LINEAR_RAW, 1 | 2) => 1,
        (2 | LINEAR_RAW, 3..=8) => 3,
        (3, _) => return Err(Fault::unsupported("is a palette TIFF: save it as grey or RGB")),
        (photometric, samples) => {
            return Err(Fault::unsupported(format!(
                "has photometric interpretation {photometric} with {samples} samples a pixel: \
                 only grey, RGB and colour-filter pages are read"
            )));
        }
    };
    let bits = page.bits[0];
    if page.bits.iter().any(|&b| b != bits) {
        return Err(Fault::unsupported(format!("has samples of mixed depths {:?}", page.bits)));
    }
    match bits {
        8 | 10 | 12 | 14 | 16 => Ok((channels, u8::try_from(bits).unwrap_or(16))),
        _ => Err(Fault::unsupported(format!(
            "has {bits} bits a sample: only 8, 10, 12, 14 and 16 are read"
        ))),
    }
}

fn claimed_shape(page: &Page) -> Result<Shape, Fault> {
    let (channels, bits) = layout(page)?;
    // The limit must hold for what is read as well as for what is kept.
    let read = u8::try_from(page.samples).unwrap_or(u8::MAX);
    Shape::checked(page.width, page.height, read.max(channels), 16)?;
    let shape = Shape::checked(page.width, page.height, channels, if bits == 8 { 8 } else { 16 })?;
    let full_scale = u16::try_from((1_u32 << bits) - 1).unwrap_or(u16::MAX);
    Ok(shape.with_full_scale(full_scale))
}

/// Whether the page is one of those that are read here, without the crate.
fn is_plain(page: &Page) -> bool {
    page.compression == 1
        && page.tile.is_none()
        && (page.planar == 1 || page.samples == 1)
        && page.fill_order == 1
        && page.predictor == 1
        && !page.strip_offsets.is_empty()
}

/// Whether the page is one that the crate refuses or does not know.
fn is_special(page: &Page) -> bool {
    !matches!(page.bits[0], 8 | 16) || is_raw(page) || (page.compression == 7 && page.bits[0] > 8)
}

/// The shape of a page; of an uncompressed one also that its samples lie within the file.
pub(super) fn shape_of_page<R: Source>(
    dirs: &mut Directories<R>,
    page: &Page,
) -> Result<Shape, Fault> {
    let shape = claimed_shape(page)?;
    if is_plain(page) {
        pieces_in_file(dirs, page, &shape)?;
    }
    Ok(if is_raw(page) { RawPage::of(dirs, page)?.shape(shape) } else { shape })
}

/// Whether a page holds raw samples, with tags of their own.
pub(super) fn is_raw(page: &Page) -> bool {
    matches!(page.photometric, COLOUR_FILTER | LINEAR_RAW)
}

/// Decodes a page found by [`find_page`].
pub(super) fn decode<R: Source>(mut dirs: Directories<R>, page: &Page) -> Result<Decoded, Fault> {
    let mut shape = claimed_shape(page)?;
    let raw = if is_raw(page) { Some(RawPage::of(&mut dirs, page)?) } else { None };
    let mut data = if is_plain(page) {
        let mut data = read_plain(&mut dirs, page, &shape)?;
        if page.photometric == WHITE_IS_ZERO {
            data.iter_mut().for_each(|v| *v = shape.full_scale - *v);
        }
        data
    } else if is_special(page) {
        if page.predictor > 2 || (page.predictor == 2 && !matches!(page.bits[0], 8 | 16)) {
            return Err(Fault::unsupported(format!(
                "has predictor {} with {} bits a sample: save it uncompressed",
                page.predictor, page.bits[0]
            )));
        }
        let mut data = pieces::read(&mut dirs, page, &shape)?;
        if page.photometric == WHITE_IS_ZERO {
            data.iter_mut().for_each(|v| *v = shape.full_scale - *v);
        }
        keep_first(data, samples_in_file(page), shape.channels)
    } else {
        read_with_crate(dirs, page, &shape)?
    };
    if let Some(raw) = &raw {
        data = raw.apply(data, &shape);
        shape = raw.shape(shape);
    }
    let mut decoded = Decoded::new(shape.filled(data), FileKind::Tiff, shape.full_scale);
    if page.samples > u64::from(u8::try_from(shape.channels).unwrap_or(0)) {
        decoded.alpha_dropped();
    }
    if let Some(raw) = &raw {
        raw.warn(&mut decoded);
    }
    Ok(decoded)
}

/// Samples a pixel as the file has them (1 to 8, checked by [`layout`]).
fn samples_in_file(page: &Page) -> usize {
    usize::try_from(page.samples).unwrap_or(1)
}

/// Bytes of a row; rows begin on whole bytes.
fn row_bytes(page: &Page) -> u64 {
    (page.width * page.samples * page.bits[0]).div_ceil(8)
}

/// The pieces of [`pieces`], refused where they reach beyond the end of the file.
fn pieces_in_file<R: Source>(
    dirs: &mut Directories<R>,
    page: &Page,
    shape: &Shape,
) -> Result<Vec<(u64, u64)>, Fault> {
    let pieces = pieces(page, shape, row_bytes(page))?;
    let len = dirs.reader().seek(SeekFrom::End(0)).map_err(Fault::Io)?;
    if let Some(&(at, need)) = pieces.iter().find(|(at, n)| at.saturating_add(*n) > len) {
        return Err(Fault::damaged(format!(
            "the file ends early: samples run to byte {} of {len}",
            at.saturating_add(need)
        )));
    }
    Ok(pieces)
}

/// Pieces of the file, in order, that hold whole rows; strips that touch are one piece.
fn pieces(page: &Page, shape: &Shape, row_bytes: u64) -> Result<Vec<(u64, u64)>, Fault> {
    let height = page.height;
    let rows = page.rows_per_strip.clamp(1, height);
    let strips = height.div_ceil(rows);
    let have = u64::try_from(page.strip_offsets.len()).unwrap_or(u64::MAX);
    if have < strips {
        return Err(Fault::damaged(format!("has {have} strips where {strips} are needed")));
    }
    let mut out: Vec<(u64, u64)> = Vec::new();
    let mut left = height;
    for (i, &offset) in page.strip_offsets.iter().enumerate() {
        if left == 0 {
            break;
        }
        let need = rows.min(left) * row_bytes;
        left -= rows.min(left);
        if let Some(&count) = page.strip_counts.get(i)
            && count < need
            && count != 0
        {
            return Err(Fault::damaged(format!(
                "strip {} has {count} bytes where {need} are needed for {} pixels a row",
                i + 1,
                shape.width
            )));
        }
        match out.last_mut() {
            Some((at, len)) if at.saturating_add(*len) == offset => *len += need,
            _ => out.push((offset, need)),
        }
    }
    Ok(out)
}

/// Where the samples of a page lie in the file, and whether high bytes come first, where they are
/// words of 16 bits that can be used as they are, all in one piece.
pub(super) fn in_one_piece<R: Source>(
    dirs: &mut Directories<R>,
    page: &Page,
    shape: &Shape,
) -> Result<Option<(usize, bool)>, Fault> {
    let words = page.bits[0] == 16 && samples_in_file(page) == shape.channels;
    if !is_plain(page) || !words || page.photometric == WHITE_IS_ZERO || is_raw(page) {
        return Ok(None);
    }
    match pieces_in_file(dirs, page, shape)?.as_slice() {
        [(at, _)] => Ok(usize::try_from(*at).ok().map(|at| (at, dirs.big_endian()))),
        _ => Ok(None),
    }
}

fn read_plain<R: Source>(
    dirs: &mut Directories<R>,
    page: &Page,
    shape: &Shape,
) -> Result<Vec<u16>, Fault> {
    let bits = page.bits[0];
    let pieces = pieces_in_file(dirs, page, shape)?;
    let big_endian = dirs.big_endian();
    let reader = dirs.reader();
    let in_file = samples_in_file(page);
    let mut data = spare::codes(shape.width * shape.height * in_file);
    let row_bytes = usize::try_from(row_bytes(page)).unwrap_or(usize::MAX).max(1);
    // So many whole rows at a time that they are still at hand when they are converted.
    let most = (PIECE / row_bytes).max(1).saturating_mul(row_bytes);
    let mut bytes = Vec::new();
    for (at, need) in pieces {
        reader.seek(SeekFrom::Start(at)).map_err(Fault::Io)?;
        let mut left = usize::try_from(need).unwrap_or(0);
        while left > 0 {
            bytes.resize(left.min(most), 0);
            left -= bytes.len();
            reader.read_exact(&mut bytes).map_err(ends_early)?;
            match bits {
                8 => data.extend(bytes.iter().map(|&b| u16::from(b))),
                16 if big_endian => {
                    data.extend(bytes.as_chunks::<2>().0.iter().map(|&b| u16::from_be_bytes(b)));
                }
                16 => {
                    data.extend(bytes.as_chunks::<2>().0.iter().map(|&b| u16::from_le_bytes(b)));
                }
                _ => {
                    for row in bytes.chunks_exact(row_bytes) {
                        unpack_msb(
                            row,
                            u8::try_from(bits).unwrap_or(16),
                            shape.width * in_file,
                            &mut data,
                        );
                    }
                }
            }
        }
    }
    Ok(keep_first(data, in_file, shape.channels))
}

/// Keeps the first `keep` of every `from` samples.
fn keep_first(data: Vec<u16>, from: usize, keep: usize) -> Vec<u16> {
    if from == keep {
        return data;
    }
    data.chunks_exact(from).flat_map(|pixel| &pixel[..keep]).copied().collect()
}

/// A TIFF file whose header names another first directory, so that any page is reached at once.
#[derive(Debug)]
struct Entrance<R> {
    reader: R,
    head: Vec<u8>,
    at: u64,
}

impl<R: Source> Entrance<R> {
    fn new(dirs: Directories<R>, offset: u64) -> Self {
        let (big_endian, big) = (dirs.big_endian(), dirs.big());
        let mut head = if big_endian { b"MM".to_vec() } else { b"II".to_vec() };
        let mut put = |value: u64, len: usize| {
            let bytes = if big_endian {
                value.to_be_bytes()[8 - len..].to_vec()
            } else {
                value.to_le_bytes()[..len].to_vec()
            };
            head.extend(bytes);
        };
        if big {
            put(43, 2);
            put(8, 2);
            put(0, 2);
            put(offset, 8);
        } else {
            put(42, 2);
            put(offset, 4);
        }
        Self { reader: dirs.into_inner(), head, at: 0 }
    }
}

impl<R: Source> Read for Entrance<R> {
    fn read(&mut self, buf: &mut [u8]) -> io::Result<usize> {
        let from_head = usize::try_from(self.at).ok().and_then(|at| self.head.get(at..));
        let n = match from_head.filter(|rest| !rest.is_empty()) {
            Some(mut rest) => {
                let n = rest.read(buf)?;
                // The reader below must follow, or what comes after the head would be wrong.
                self.reader.seek(SeekFrom::Start(self.at.saturating_add(to_u64(n))))?;
                n
            }
            None => self.reader.read(buf)?,
        };
        self.at = self.at.saturating_add(to_u64(n));
        Ok(n)
    }
}

impl<R: Source> Seek for Entrance<R> {
    fn seek(&mut self, pos: SeekFrom) -> io::Result<u64> {
        self.at = match pos {
            SeekFrom::Start(at) => self.reader.seek(SeekFrom::Start(at))?,
            SeekFrom::End(d) => self.reader.seek(SeekFrom::End(d))?,
            SeekFrom::Current(d) => {
                let at = self.at.checked_add_signed(d).ok_or(io::ErrorKind::InvalidInput)?;
                self.reader.seek(SeekFrom::Start(at))?
            }
        };
        Ok(self.at)
    }
}

fn to_u64(n: usize) -> u64 {
    u64::try_from(n).unwrap_or(u64::MAX)
}

fn from_crate(e: TiffError) -> Fault {
    match e {
        TiffError::UnsupportedError(e) => Fault::unsupported(format!("is not supported: {e}")),
        TiffError::IoError(e) => ends_early(e),
        TiffError::LimitsExceeded | TiffError::IntSizeError => {
            Fault::Limit("is larger inside than its size allows: the file is damaged".to_owned())
        }
        other => Fault::damaged(format!("is damaged: {other}")),
    }
}

fn read_with_crate<R: Source>(
    mut dirs: Directories<R>,
    page: &Page,
    shape: &Shape,
) -> Result<Vec<u16>, Fault> {
    let in_file = samples_in_file(page);
    let needed = to_u64(shape.width * shape.height * in_file) * if shape.bits == 8 { 1 } else { 2 };
    let len = dirs.reader().seek(SeekFrom::End(0)).map_err(Fault::Io)?;
    plausible(needed, len, BEST_RATIO)?;
    let mut limits = Limits::default();
    let budget = usize::try_from(needed.min(MAX_DECODED_BYTES)).unwrap_or(usize::MAX);
    limits.decoding_buffer_size = budget.saturating_mul(2).saturating_add(1 << 20);
    limits.intermediate_buffer_size = budget.saturating_mul(2).saturating_add(1 << 20);
    let source = BufReader::new(Entrance::new(dirs, page.offset));
    let mut decoder = Decoder::new(source).map_err(from_crate)?.with_limits(limits);
    let mut result = DecodingResult::U8(Vec::new());
    let layout = decoder.read_image_to_buffer(&mut result).map_err(from_crate)?;
    let planes = layout.planes.max(1);
    let data: Vec<u16> = match result {
        DecodingResult::U8(v) => v.into_iter().map(u16::from).collect(),
        DecodingResult::U16(v) => v,
        _ => return Err(Fault::unsupported("has samples that are no unsigned 8 or 16 bits")),
    };
    let expected = shape.width * shape.height * in_file;
    if data.len() != expected {
        return Err(Fault::unsupported(format!(
            "its {}-bit samples in this compression are not read: save it uncompressed",
            page.bits[0]
        )));
    }
    if planes == 1 {
        return Ok(keep_first(data, in_file, shape.channels));
    }
    let pixels = shape.width * shape.height;
    Ok((0..pixels)
        .flat_map(|i| (0..shape.channels).map(move |c| (c, i)))
        .map(|(c, i)| data[c * pixels + i])
        .collect())
}

#[cfg(test)]
#[path = "tiff_tests.rs"]
mod tests;
