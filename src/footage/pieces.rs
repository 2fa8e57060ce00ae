//! Strips and tiles of TIFF pages that the `tiff` crate refuses: packed 10-, 12- and 14-bit
//! samples, colour-filter and linear raw pages, and lossless JPEG.
//!
//! Compressions: none (1), lossless JPEG (7), deflate (8 and the older 32946), PackBits (32773);
//! with horizontal differences (predictor 2) where samples have 8 or 16 bits. Either order of
//! bits in a byte, samples side by side or in planes.
//!
//! Every piece is checked against the file and the limits before room is made for it: a tile may
//! be larger than the picture, and its size is only a claim.
//!
//! Source: TIFF Revision 6.0 (1992), sections 9, 14 and 15; deflate as Technical Note 3 to it
//! (2002); lossless JPEG as in the DNG Specification 1.4, "Compression".

use std::io::{Read, Seek, SeekFrom};

use flate2::read::ZlibDecoder;

use super::fault::{Fault, ends_early};
use super::ifd::{Directories, Page};
use super::kind::Source;
use super::ljpeg;
use super::packed::Packing;
use super::shape::{MAX_DECODED_BYTES, MAX_SIDE, Shape, plausible};

/// Most bytes that one byte of deflate can stand for.
const DEFLATE_RATIO: u64 = 1032;
/// Most bytes that one byte of PackBits can stand for: 128 from two.
const PACKBITS_RATIO: u64 = 64;
/// Most bytes that one byte of lossless JPEG can stand for: two from one bit.
const LOSSLESS_RATIO: u64 = 16;

/// Reads a page into interleaved samples, `page.samples` a pixel.
pub(super) fn read<R: Source>(
    dirs: &mut Directories<R>,
    page: &Page,
    shape: &Shape,
) -> Result<Vec<u16>, Fault> {
    let grid = Grid::of(page)?;
    let file = dirs.reader().seek(SeekFrom::End(0)).map_err(Fault::Io)?;
    let samples = usize::try_from(page.samples).unwrap_or(1);
    let total = shape.width * shape.height * samples;
    if page.compression != 1 {
        let decoded = u64::try_from(total).unwrap_or(u64::MAX) * 2;
        plausible(decoded, file, ratio(page.compression)?)?;
    }
    let mut data = vec![0_u16; total];
    let mut stored = Vec::new();
    for plane in 0..grid.planes {
        for row in 0..grid.down {
            for column in 0..grid.across {
                let index = (plane * grid.down + row) * grid.across + column;
                let piece = grid.piece(page, row, column);
                stored.clear();
                let what = Place { page, index, big_endian: dirs.big_endian(), file };
                what.samples(dirs.reader(), &grid, &piece, &mut stored)?;
                let to = Target { data: &mut data, width: shape.width, samples, plane };
                to.put(&stored, &grid, &piece);
            }
        }
    }
    Ok(data)
}

/// Most decoded bytes for a byte of the file.
fn ratio(compression: u64) -> Result<u64, Fault> {
    match compression {
        1 => Ok(1),
        7 => Ok(LOSSLESS_RATIO),
        8 | 32_946 => Ok(DEFLATE_RATIO),
        32_773 => Ok(PACKBITS_RATIO),
        other => Err(Fault::unsupported(format!(
            "has samples of this depth or kind in compression {other}: only none, deflate, \
             PackBits and lossless JPEG are read there, save it uncompressed"
        ))),
    }
}

/// The strips or tiles of a page.
struct Grid {
    /// Size of a whole piece, in pixels.
    width: usize,
    height: usize,
    across: usize,
    down: usize,
    planes: usize,
    /// Samples a pixel within a piece.
    samples: usize,
}

/// One piece: where its pixels go, and how many of its rows are stored.
struct Piece {
    x: usize,
    y: usize,
    /// Rows stored: the last strip has fewer, a tile always has all.
    rows: usize,
}

impl Grid {
    fn of(page: &Page) -> Result<Self, Fault> {
        let (width, height) = match page.tile {
            Some((w, h)) if w == 0 || h == 0 || w > MAX_SIDE + 1 || h > MAX_SIDE + 1 => {
                return Err(Fault::damaged(format!("claims tiles of {w}x{h} pixels")));
            }
            Some(size) => size,
            None => (page.width, page.rows_per_strip.clamp(1, page.height)),
        };
        let planes = if page.planar == 2 { page.samples } else { 1 };
        let samples = if page.planar == 2 { 1 } else { page.samples };
        let bytes = width.saturating_mul(height).saturating_mul(samples).saturating_mul(2);
        if bytes > MAX_DECODED_BYTES {
            return Err(Fault::Limit(format!(
                "claims pieces of {width}x{height} pixels, {bytes} bytes decoded: the limit is \
                 {MAX_DECODED_BYTES}"
            )));
        }
        let (across, down) = (page.width.div_ceil(width), page.height.div_ceil(height));
        let wanted = across * down * planes;
        // Pieces reach beyond the picture, so all of them together may hold far more than it.
        let all = (across * width).saturating_mul(down * height).saturating_mul(2 * page.samples);
        if all > 2 * MAX_DECODED_BYTES {
            return Err(Fault::Limit(format!(
                "claims {wanted} pieces of {width}x{height} pixels for {}x{}: the file is damaged",
                page.width, page.height
            )));
        }
        let have = u64::try_from(page.strip_offsets.len()).unwrap_or(u64::MAX);
        if have < wanted {
            let word = if page.tile.is_some() { "tiles" } else { "strips" };
            return Err(Fault::damaged(format!("has {have} {word} where {wanted} are needed")));
        }
        // All of these are at most 65,536 or checked above.
        let size = |n: u64| usize::try_from(n).unwrap_or(1);
        Ok(Self {
            width: size(width),
            height: size(height),
            across: size(across),
            down: size(down),
            planes: size(planes),
            samples: size(samples),
        })
    }

    fn piece(&self, page: &Page, row: usize, column: usize) -> Piece {
        let y = row * self.height;
        let left = usize::try_from(page.height).unwrap_or(0).saturating_sub(y);
        let rows = if page.tile.is_some() { self.height } else { self.height.min(left) };
        Piece { x: column * self.width, y, rows }
    }
}

/// One piece's place in the file and how it is stored.
struct Place<'a> {
    page: &'a Page,
    index: usize,
    big_endian: bool,
    file: u64,
}

impl Place<'_> {
    /// The samples of the piece, row by row.
    fn samples<R: Read + Seek>(
        &self,
        reader: &mut R,
        grid: &Grid,
        piece: &Piece,
        out: &mut Vec<u16>,
    ) -> Result<(), Fault> {
        let bits = u8::try_from(self.page.bits[0]).unwrap_or(16);
        let in_row = grid.width * grid.samples;
        let row_bytes = (in_row * usize::from(bits)).div_ceil(8);
        let need = row_bytes * piece.rows;
        let (at, len) = self.range(need)?;
        reader.seek(SeekFrom::Start(at)).map_err(Fault::Io)?;
        let mut stored = Vec::new();
        reader.take(len).read_to_end(&mut stored).map_err(ends_early)?;
        if self.page.compression == 7 {
            ljpeg::decode(&stored, (in_row, piece.rows), bits, out)
                .map_err(|fault| self.inside(fault))?;
            return Ok(());
        }
        let mut bytes = self.inflated(stored, need)?;
        if bytes.len() < need {
            return Err(Fault::damaged(format!(
                "piece {} has {} bytes where {need} are needed",
                self.index + 1,
                bytes.len()
            )));
        }
        if self.page.fill_order == 2 {
            bytes.iter_mut().for_each(|b| *b = b.reverse_bits());
        }
        let packing = if bits == 16 && !self.big_endian { Packing::LowByte } else { Packing::Msb };
        out.reserve(in_row * piece.rows);
        for row in bytes.chunks_exact(row_bytes).take(piece.rows) {
            packing.unpack(row, bits, in_row, out);
        }
        if self.page.predictor == 2 {
            add_up(out, in_row, grid.samples, bits);
        }
        Ok(())
    }

    /// Where the piece lies, checked against the end of the file.
    fn range(&self, need: usize) -> Result<(u64, u64), Fault> {
        let at = self.page.strip_offsets[self.index];
        let need = u64::try_from(need).unwrap_or(u64::MAX);
        let count = self.page.strip_counts.get(self.index).copied().filter(|&n| n > 0);
        let len = match count {
            Some(n) if self.page.compression != 1 => n,
            // To the end of the file where its length is not said.
            None if self.page.compression != 1 => self.file.saturating_sub(at),
            Some(n) if n < need => {
                return Err(Fault::damaged(format!(
                    "piece {} has {n} bytes where {need} are needed",
                    self.index + 1
                )));
            }
            _ => need,
        };
        if at.saturating_add(len) > self.file {
            return Err(Fault::damaged(format!(
                "the file ends early: samples run to byte {} of {}",
                at.saturating_add(len),
                self.file
            )));
        }
        if self.page.compression != 1 {
            plausible(need, len, ratio(self.page.compression)?)?;
        }
        Ok((at, len))
    }

    fn inflated(&self, stored: Vec<u8>, need: usize) -> Result<Vec<u8>, Fault> {
        let most = u64::try_from(need).unwrap_or(u64::MAX);
        match self.page.compression {
            1 => Ok(stored),
            8 | 32_946 => {
                let mut bytes = Vec::new();
                ZlibDecoder::new(stored.as_slice())
                    .take(most)
                    .read_to_end(&mut bytes)
                    .map_err(|e| self.inside(ends_early(e)))?;
                Ok(bytes)
            }
            32_773 => Ok(unpack_bits(&stored, need)),
            other => ratio(other).map(|_| Vec::new()),
        }
    }

    fn inside(&self, fault: Fault) -> Fault {
        match fault {
            Fault::Damaged(what) => Fault::Damaged(format!("piece {}: {what}", self.index + 1)),
            Fault::Unsupported(what) => {
                Fault::Unsupported(format!("piece {}: {what}", self.index + 1))
            }
            other => other,
        }
    }
}

/// PackBits (TIFF 6.0, section 9), at most `need` bytes.
fn unpack_bits(stored: &[u8], need: usize) -> Vec<u8> {
    let mut out = Vec::new();
    let mut rest = stored;
    while let [n, tail @ ..] = rest
        && out.len() < need
    {
        let n = n.cast_signed();
        if n >= 0 {
            let len = (usize::from(n.unsigned_abs()) + 1).min(tail.len());
            out.extend_from_slice(&tail[..len]);
            rest = &tail[len..];
        } else if n == i8::MIN {
            rest = tail;
        } else {
            let [value, after @ ..] = tail else { break };
            out.resize(out.len() + usize::from(n.unsigned_abs()) + 1, *value);
            rest = after;
        }
    }
    out
}

/// Undoes horizontal differences, modulo the depth.
fn add_up(data: &mut [u16], in_row: usize, step: usize, bits: u8) {
    let mask = u16::try_from((1_u32 << bits) - 1).unwrap_or(u16::MAX);
    for row in data.chunks_exact_mut(in_row) {
        for i in step..row.len() {
            row[i] = row[i].wrapping_add(row[i - step]) & mask;
        }
    }
}

/// Where pieces are put.
struct Target<'a> {
    data: &'a mut [u16],
    width: usize,
    samples: usize,
    plane: usize,
}

impl Target<'_> {
    fn put(self, stored: &[u16], grid: &Grid, piece: &Piece) {
        let keep = grid.width.min(self.width.saturating_sub(piece.x));
        let rows = self.data.chunks_exact_mut(self.width * self.samples).skip(piece.y);
        for (to, from) in rows.zip(stored.chunks_exact(grid.width * grid.samples)) {
            let to = &mut to[piece.x * self.samples..(piece.x + keep) * self.samples];
            if grid.planes == 1 {
                to.copy_from_slice(&from[..keep * self.samples]);
            } else {
                let places = to.iter_mut().skip(self.plane).step_by(self.samples);
                places.zip(from).for_each(|(to, from)| *to = *from);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pack_bits_of_the_standard() {
        // The example of TIFF 6.0's section 9 (as printed there).
        let packed = [
            0xfe, 0xaa, 0x02, 0x80, 0x00, 0x2a, 0xfd, 0xaa, 0x03, 0x80, 0x00, 0x2a, 0x22, 0xf7,
            0xaa,
        ];
        let mut wanted = vec![0xaa; 3];
        wanted.extend([0x80, 0x00, 0x2a]);
        wanted.extend([0xaa; 4]);
        wanted.extend([0x80, 0x00, 0x2a, 0x22]);
        wanted.extend([0xaa; 10]);
        assert_eq!(unpack_bits(&packed, 24), wanted);
        for len in 0..packed.len() {
            assert!(unpack_bits(&packed[..len], 24).len() <= 24);
        }
    }

    #[test]
    fn differences_wrap_at_the_depth() {
        let mut row = [250, 10, 1, 5];
        add_up(&mut row, 4, 1, 8);
        assert_eq!(row, [250, 4, 5, 10]);
        let mut pairs = [65_535, 1, 2, 3];
        add_up(&mut pairs, 4, 2, 16);
        assert_eq!(pairs, [65_535, 1, 1, 4]);
    }
}
