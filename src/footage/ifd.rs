//! The directories of a TIFF file: which pages there are and how each one stores its samples.
//!
//! Read here rather than by the `tiff` crate for three reasons: pages of a stack can be counted
//! without decoding any, sizes are checked before anything is allocated, and packed 10-, 12- and
//! 14-bit or colour-filter pages, which that crate refuses, can still be read.
//!
//! Source: TIFF Revision 6.0 (1992), sections 2, 7 and 8; the 64-bit variant ("BigTIFF") as the
//! `tiff` crate and the TIFF library document it (version 43, 8-byte offsets).

use std::collections::HashSet;
use std::io::{Read, Seek, SeekFrom};

use super::fault::{Fault, ends_early};

/// Pages a file may hold; a clip of more is certainly a damaged chain.
const MAX_PAGES: usize = 1_000_000;
/// Entries one directory may hold; real ones have a few dozen.
const MAX_ENTRIES: u64 = 4096;
/// Values one entry may hold: two a strip for the largest allowed height.
const MAX_VALUES: u64 = 262_144;
/// Sub-directories looked at in one directory; raw files have a handful.
const MAX_SUB_DIRECTORIES: usize = 16;

const TAG_SUBFILE: u16 = 254;
const TAG_WIDTH: u16 = 256;
const TAG_HEIGHT: u16 = 257;
const TAG_BITS: u16 = 258;
const TAG_COMPRESSION: u16 = 259;
const TAG_PHOTOMETRIC: u16 = 262;
const TAG_FILL_ORDER: u16 = 266;
const TAG_STRIP_OFFSETS: u16 = 273;
const TAG_SAMPLES: u16 = 277;
const TAG_ROWS_PER_STRIP: u16 = 278;
const TAG_STRIP_COUNTS: u16 = 279;
const TAG_PLANAR: u16 = 284;
const TAG_PREDICTOR: u16 = 317;
const TAG_TILE_WIDTH: u16 = 322;
const TAG_TILE_HEIGHT: u16 = 323;
const TAG_TILE_OFFSETS: u16 = 324;
const TAG_TILE_COUNTS: u16 = 325;
const TAG_SUB_DIRECTORIES: u16 = 330;
const TAG_FORMAT: u16 = 339;

/// How one page stores its samples.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Page {
    /// Where its directory lies in the file.
    pub(super) offset: u64,
    pub(super) width: u64,
    pub(super) height: u64,
    /// Bits of each sample of a pixel.
    pub(super) bits: Vec<u64>,
    pub(super) compression: u64,
    pub(super) photometric: u64,
    pub(super) samples: u64,
    /// 1: samples of a pixel side by side; 2: one plane after another.
    pub(super) planar: u64,
    /// 1 unsigned, 2 signed, 3 floating point.
    pub(super) format: u64,
    pub(super) fill_order: u64,
    pub(super) rows_per_strip: u64,
    pub(super) strip_offsets: Vec<u64>,
    /// Empty where the file does not say.
    pub(super) strip_counts: Vec<u64>,
    /// Width and height of a tile; the strip lists then hold the tiles.
    pub(super) tile: Option<(u64, u64)>,
    /// 1: samples as they are; 2, 3: differences.
    pub(super) predictor: u64,
}

/// Header of a TIFF file and a reader standing on it.
#[derive(Debug)]
pub(super) struct Directories<R> {
    reader: R,
    big_endian: bool,
    big: bool,
    first: u64,
}

/// One raw entry: tag, type, count and its 4 or 8 value bytes.
struct Entry {
    tag: u16,
    kind: u16,
    count: u64,
    inline: [u8; 8],
}

impl<R: Read + Seek> Directories<R> {
    /// Reads the header.
    pub(super) fn new(mut reader: R) -> Result<Self, Fault> {
        reader.seek(SeekFrom::Start(0)).map_err(Fault::Io)?;
        let mut head = [0_u8; 8];
        reader.read_exact(&mut head).map_err(ends_early)?;
        let big_endian = match &head[..2] {
            b"II" => false,
            b"MM" => true,
            _ => return Err(Fault::damaged("has no TIFF signature")),
        };
        let mut this = Self { reader, big_endian, big: false, first: 0 };
        match this.int(&head[2..4]) {
            42 => this.first = this.int(&head[4..8]),
            43 if this.int(&head[4..6]) == 8 && this.int(&head[6..8]) == 0 => {
                this.big = true;
                let mut first = [0_u8; 8];
                this.reader.read_exact(&mut first).map_err(ends_early)?;
                this.first = this.int(&first);
            }
            other => return Err(Fault::damaged(format!("has TIFF version {other}, not 42 or 43"))),
        }
        Ok(this)
    }

    pub(super) fn big_endian(&self) -> bool {
        self.big_endian
    }

    /// Whether offsets take 8 bytes.
    pub(super) fn big(&self) -> bool {
        self.big
    }

    pub(super) fn into_inner(self) -> R {
        self.reader
    }

    pub(super) fn reader(&mut self) -> &mut R {
        &mut self.reader
    }

    /// An unsigned number of up to 8 bytes in the file's byte order.
    fn int(&self, bytes: &[u8]) -> u64 {
        let fold = |acc: u64, &b: &u8| (acc << 8) | u64::from(b);
        if self.big_endian { bytes.iter().fold(0, fold) } else { bytes.iter().rev().fold(0, fold) }
    }

    /// Reads the directory at `offset`: its entries and the offset of the next one (0: none).
    fn entries(&mut self, offset: u64) -> Result<(Vec<Entry>, u64), Fault> {
        let (count_len, entry_len, next_len) = if self.big { (8, 20, 8) } else { (2, 12, 4) };
        self.reader.seek(SeekFrom::Start(offset)).map_err(Fault::Io)?;
        let mut buf = [0_u8; 8];
        self.reader.read_exact(&mut buf[..count_len]).map_err(ends_early)?;
        let count = self.int(&buf[..count_len]);
        if count > MAX_ENTRIES {
            return Err(Fault::damaged(format!(
                "directory at byte {offset} claims {count} entries, more than {MAX_ENTRIES}"
            )));
        }
        let count = usize::try_from(count).unwrap_or(0);
        let mut block = vec![0_u8; count * entry_len + next_len];
        self.reader.read_exact(&mut block).map_err(ends_early)?;
        let (head, next) = block.split_at(count * entry_len);
        let entries = head
            .chunks_exact(entry_len)
            .map(|e| {
                let (count_end, value) = if self.big { (12, &e[12..20]) } else { (8, &e[8..12]) };
                let mut inline = [0_u8; 8];
                inline[..value.len()].copy_from_slice(value);
                Entry {
                    tag: u16::try_from(self.int(&e[0..2])).unwrap_or(0),
                    kind: u16::try_from(self.int(&e[2..4])).unwrap_or(0),
                    count: self.int(&e[4..count_end]),
                    inline,
                }
            })
            .collect();
        Ok((entries, self.int(next)))
    }

    /// The bytes of an entry's values, each `size` bytes long.
    fn value_bytes(&mut self, e: &Entry, size: usize) -> Result<Vec<u8>, Fault> {
        if e.count > MAX_VALUES {
            return Err(Fault::damaged(format!(
                "tag {} claims {} values, more than {MAX_VALUES}",
                e.tag, e.count
            )));
        }
        let len = usize::try_from(e.count).unwrap_or(0) * size;
        let room = if self.big { 8 } else { 4 };
        if len <= room {
            return Ok(e.inline[..len].to_vec());
        }
        let mut out_of_line = Vec::new();
        let at = self.int(&e.inline[..room]);
        self.reader.seek(SeekFrom::Start(at)).map_err(Fault::Io)?;
        // `take` so that a false count costs no more memory than the file has bytes.
        let want = u64::try_from(len).unwrap_or(u64::MAX);
        (&mut self.reader).take(want).read_to_end(&mut out_of_line).map_err(Fault::Io)?;
        if out_of_line.len() < len {
            return Err(Fault::damaged(format!("the file ends inside tag {}", e.tag)));
        }
        Ok(out_of_line)
    }

    /// The unsigned whole numbers of an entry.
    fn values(&mut self, e: &Entry) -> Result<Vec<u64>, Fault> {
        let size: usize = match e.kind {
            1 => 1,
            3 => 2,
            4 | 13 => 4,
            16 | 18 => 8,
            other => {
                return Err(Fault::damaged(format!("tag {} has the value type {other}", e.tag)));
            }
        };
        let bytes = self.value_bytes(e, size)?;
        Ok(bytes.chunks_exact(size).map(|b| self.int(b)).collect())
    }

    /// Offsets of the directories of full pictures, in file order; reduced copies
    /// (`NewSubfileType` bit 0) and masks (bit 2) are left out. At most `limit` of them.
    ///
    /// Where a reduced copy names sub-directories, the full pictures among those count: raw files
    /// keep a small preview first and the picture itself below it. Deeper nesting is not followed.
    pub(super) fn pages(&mut self, limit: usize) -> Result<Vec<u64>, Fault> {
        let mut seen = HashSet::new();
        let mut found = Vec::new();
        let mut at = self.first;
        while at != 0 && found.len() < limit {
            if !seen.insert(at) || seen.len() > MAX_PAGES {
                return Err(Fault::damaged("its list of pages runs in a circle"));
            }
            let (entries, next) = self.entries(at)?;
            if self.subfile(&entries)? & 0b101 == 0 {
                found.push(at);
            } else if let Some(e) = entries.iter().find(|e| e.tag == TAG_SUB_DIRECTORIES) {
                let below = self.values(e)?;
                for sub in below.into_iter().take(MAX_SUB_DIRECTORIES) {
                    let (entries, _) = self.entries(sub)?;
                    if self.subfile(&entries)? & 0b101 == 0 && seen.insert(sub) {
                        found.push(sub);
                    }
                }
            }
            at = next;
        }
        found.truncate(limit);
        Ok(found)
    }

    fn subfile(&mut self, entries: &[Entry]) -> Result<u64, Fault> {
        match entries.iter().find(|e| e.tag == TAG_SUBFILE) {
            Some(e) => Ok(self.values(e)?.first().copied().unwrap_or(0)),
            None => Ok(0),
        }
    }

    /// Offset of the first directory of the file.
    pub(super) fn first(&self) -> u64 {
        self.first
    }

    /// The numbers behind `tag` in the directory at `offset`, of whatever type; empty where the
    /// tag is absent or holds no numbers. Rationals are divided.
    pub(super) fn numbers(&mut self, offset: u64, tag: u16) -> Result<Vec<f64>, Fault> {
        let (entries, _) = self.entries(offset)?;
        let Some(e) = entries.iter().find(|e| e.tag == tag) else { return Ok(Vec::new()) };
        let size = match e.kind {
            1 | 2 | 6 | 7 => 1,
            3 | 8 => 2,
            4 | 9 | 11 | 13 => 4,
            5 | 10 | 12 | 16..=18 => 8,
            _ => return Ok(Vec::new()),
        };
        let bytes = self.value_bytes(e, size)?;
        Ok(bytes.chunks_exact(size).map(|b| self.number(e.kind, b)).collect())
    }

    /// One number of a value type, from its bytes.
    fn number(&self, kind: u16, b: &[u8]) -> f64 {
        let n = self.int(b);
        let (first, second) = b.split_at(b.len() / 2);
        let low = |n: u64| u32::try_from(n & 0xffff_ffff).unwrap_or(0);
        match kind {
            5 => self.int(first) as f64 / self.int(second) as f64,
            6 => f64::from(low(n).to_le_bytes()[0].cast_signed()),
            8 => f64::from(u16::try_from(n).unwrap_or(0).cast_signed()),
            9 => f64::from(low(n).cast_signed()),
            10 => {
                let part = |b| f64::from(low(self.int(b)).cast_signed());
                part(first) / part(second)
            }
            11 => f64::from(f32::from_bits(low(n))),
            12 => f64::from_bits(n),
            17 => n.cast_signed() as f64,
            _ => n as f64,
        }
    }

    /// The layout of the page whose directory lies at `offset`.
    pub(super) fn page(&mut self, offset: u64) -> Result<Page, Fault> {
        let (entries, _) = self.entries(offset)?;
        let mut page = Page {
            offset,
            width: 0,
            height: 0,
            bits: Vec::new(),
            compression: 1,
            photometric: 1,
            samples: 1,
            planar: 1,
            format: 1,
            fill_order: 1,
            rows_per_strip: u64::MAX,
            strip_offsets: Vec::new(),
            strip_counts: Vec::new(),
            tile: None,
            predictor: 1,
        };
        let mut tile = (0, 0);
        for e in &entries {
            let one = |v: Vec<u64>| v.first().copied().unwrap_or(0);
            match e.tag {
                TAG_WIDTH => page.width = one(self.values(e)?),
                TAG_HEIGHT => page.height = one(self.values(e)?),
                TAG_BITS => page.bits = self.values(e)?,
                TAG_COMPRESSION => page.compression = one(self.values(e)?),
                TAG_PHOTOMETRIC => page.photometric = one(self.values(e)?),
                TAG_FILL_ORDER => page.fill_order = one(self.values(e)?),
                TAG_STRIP_OFFSETS | TAG_TILE_OFFSETS => page.strip_offsets = self.values(e)?,
                TAG_SAMPLES => page.samples = one(self.values(e)?),
                TAG_ROWS_PER_STRIP => page.rows_per_strip = one(self.values(e)?),
                TAG_STRIP_COUNTS | TAG_TILE_COUNTS => page.strip_counts = self.values(e)?,
                TAG_PLANAR => page.planar = one(self.values(e)?),
                TAG_FORMAT => page.format = one(self.values(e)?),
                TAG_PREDICTOR => page.predictor = one(self.values(e)?),
                TAG_TILE_WIDTH => tile.0 = one(self.values(e)?),
                TAG_TILE_HEIGHT => tile.1 = one(self.values(e)?),
                _ => {}
            }
        }
        page.tile = (tile != (0, 0)).then_some(tile);
        if page.bits.is_empty() {
            // TIFF 6.0: BitsPerSample is 1 where it is not given.
            page.bits.push(1);
        }
        Ok(page)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Cursor;

    /// A little-endian file whose only directory names itself as the next one.
    fn circle() -> Vec<u8> {
        let mut f = b"II\x2a\0\x08\0\0\0".to_vec();
        f.extend_from_slice(&[0, 0]);
        f.extend_from_slice(&8_u32.to_le_bytes());
        f
    }

    #[test]
    fn a_circle_of_pages_is_damage() {
        let mut d = Directories::new(Cursor::new(circle())).unwrap();
        assert!(d.pages(usize::MAX).unwrap_err().to_string().contains("circle"));
    }

    #[test]
    fn false_counts_cost_nothing() {
        let mut f = b"II\x2a\0\x08\0\0\0".to_vec();
        f.extend_from_slice(&1_u16.to_le_bytes());
        f.extend_from_slice(&TAG_STRIP_OFFSETS.to_le_bytes());
        f.extend_from_slice(&4_u16.to_le_bytes());
        f.extend_from_slice(&200_000_u32.to_le_bytes());
        f.extend_from_slice(&8_u32.to_le_bytes());
        f.extend_from_slice(&0_u32.to_le_bytes());
        let mut d = Directories::new(Cursor::new(f)).unwrap();
        assert!(d.page(8).unwrap_err().to_string().contains("ends inside tag 273"));
    }

    #[test]
    fn short_and_foreign_headers_are_damage() {
        assert!(Directories::new(Cursor::new(b"II".to_vec())).is_err());
        assert!(Directories::new(Cursor::new(b"XX\x2a\0\x08\0\0\0".to_vec())).is_err());
        assert!(Directories::new(Cursor::new(b"II\x29\0\x08\0\0\0".to_vec())).is_err());
    }
}
