//! A frame whose file was read once and hashed, its samples left where they are if they can be used
//! there: 16 bit, uncompressed, one after another.

use std::io::{self, Cursor, Read};

use super::clip::FrameFile;
use super::decode::{Expected, MAX_FILE_BYTES, Place, Refusal, decode_source};
use super::fault::Fault;
use super::open::open_regular;
use super::{Decoded, FileKind, FootageError, Shape, tiff};
use crate::frame::{Curve, spare};
use crate::record::Warning;

/// What is read at a time of a file that is hashed.
const HASHED_BYTES: usize = 256 << 10;

/// A frame ready to be read from; its buffers are left to the next one.
#[derive(Debug)]
pub struct HeldFrame {
    /// Its shape.
    pub shape: Shape,
    /// The display curve its samples went through, see [`Decoded::curve`].
    pub curve: Option<Curve>,
    /// See [`Decoded::warnings`].
    pub warnings: Vec<Warning>,
    samples: Held,
}

#[derive(Debug)]
enum Held {
    Samples(Vec<u16>),
    File { bytes: Vec<u8>, from: usize, big_endian: bool },
}

/// Samples of a [`HeldFrame`] from one on.
#[derive(Debug, Clone, Copy)]
pub enum SamplesOf<'a> {
    /// As numbers.
    Numbers(&'a [u16]),
    /// As they lie in the file, low byte first.
    Little(&'a [[u8; 2]]),
    /// The same, high byte first.
    Big(&'a [[u8; 2]]),
}

impl HeldFrame {
    fn of(mut decoded: Decoded) -> Self {
        Self {
            shape: decoded.shape(),
            curve: decoded.curve,
            warnings: std::mem::take(&mut decoded.warnings),
            samples: Held::Samples(decoded.samples.data),
        }
    }

    /// `count` samples, channels side by side, from sample `first` on.
    #[must_use]
    pub fn samples(&self, first: usize, count: usize) -> SamplesOf<'_> {
        match &self.samples {
            Held::Samples(data) => SamplesOf::Numbers(&data[first..first + count]),
            Held::File { bytes, from, big_endian } => {
                let bytes = &bytes[from + 2 * first..][..2 * count];
                let pairs = bytes.as_chunks::<2>().0;
                if *big_endian { SamplesOf::Big(pairs) } else { SamplesOf::Little(pairs) }
            }
        }
    }
}

impl Drop for HeldFrame {
    fn drop(&mut self) {
        match &mut self.samples {
            Held::Samples(data) => spare::keep_codes(std::mem::take(data)),
            Held::File { bytes, .. } => spare::keep_bytes(std::mem::take(bytes)),
        }
    }
}

impl Expected {
    /// As [`Expected::decode`], from bytes read once and hashed: also gives the BLAKE3 of the
    /// file. `None` for a page of a multi-page file, which is not read whole for one page.
    ///
    /// # Errors
    /// As [`super::decode()`] and [`Expected::check`].
    pub fn hold(
        &self,
        file: &FrameFile,
        paged: bool,
    ) -> Result<(HeldFrame, Option<String>), FootageError> {
        if paged {
            return Ok((HeldFrame::of(self.decode(file)?), None));
        }
        let (source, meta) = open_regular(&file.path)?;
        if meta.len() > MAX_FILE_BYTES {
            return Err(FootageError::Limit {
                path: super::printable(&file.path),
                what: format!("has {} bytes: the limit is {MAX_FILE_BYTES}", meta.len()),
            });
        }
        // One more than the file has, so that its end is seen without asking for more room.
        let mut bytes = spare::bytes_to_write(usize::try_from(meta.len()).unwrap_or(0) + 1);
        let hash = read_hashed(source.take(MAX_FILE_BYTES), &mut bytes)
            .map_err(|e| FootageError::disk(&file.path, "read", e))?;
        let admit = |shape: &Shape| self.check(file, shape).map_err(Refusal::Shape);
        let held = hold(bytes, Place::of(file), admit).map_err(|refusal| match refusal {
            Refusal::Fault(fault) => fault.at(&file.path),
            Refusal::Shape(error) => error,
        })?;
        Ok((held, Some(hash)))
    }
}

fn hold<E: From<Fault>>(
    bytes: Vec<u8>,
    place: Place<'_>,
    admit: impl Fn(&Shape) -> Result<(), E>,
) -> Result<HeldFrame, E> {
    if place.raw.is_none() && FileKind::of(&bytes) == Some(FileKind::Tiff) {
        let (mut dirs, page) = tiff::find_page(Cursor::new(bytes.as_slice()), place.page)?;
        let shape = tiff::shape_of_page(&mut dirs, &page)?;
        admit(&shape)?;
        if let Some((from, big_endian)) = tiff::in_one_piece(&mut dirs, &page, &shape)? {
            let curve = FileKind::Tiff.curve();
            let samples = Held::File { bytes, from, big_endian };
            return Ok(HeldFrame { shape, curve, warnings: Vec::new(), samples });
        }
    }
    let decoded = decode_source(Cursor::new(bytes.as_slice()), place, admit)?;
    spare::keep_bytes(bytes);
    Ok(HeldFrame::of(decoded))
}

/// Reads all of `source` into `bytes`, whose length is a guess, and hashes it while it is at hand.
fn read_hashed(mut source: impl Read, bytes: &mut Vec<u8>) -> io::Result<String> {
    let mut hasher = blake3::Hasher::new();
    let mut end = 0;
    loop {
        if end == bytes.len() {
            // It grew since it was opened.
            bytes.resize(end + HASHED_BYTES, 0);
        }
        let piece = end..bytes.len().min(end + HASHED_BYTES);
        match source.read(&mut bytes[piece]) {
            Ok(0) => break,
            Ok(n) => {
                hasher.update(&bytes[end..end + n]);
                end += n;
            }
            Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
            Err(e) => return Err(e),
        }
    }
    bytes.truncate(end);
    Ok(hasher.finalize().to_hex().to_string())
}

#[cfg(test)]
mod tests {
    use super::super::{OutFrame, TiffTags, decode, encode_tiff, hash_bytes};
    use super::*;

    fn numbers(samples: SamplesOf<'_>) -> Vec<u16> {
        match samples {
            SamplesOf::Numbers(v) => v.to_vec(),
            SamplesOf::Little(v) => v.iter().map(|&b| u16::from_le_bytes(b)).collect(),
            SamplesOf::Big(v) => v.iter().map(|&b| u16::from_be_bytes(b)).collect(),
        }
    }

    /// Whatever is held gives the samples that decoding gives.
    fn same(name: &str, bytes: &[u8], in_file: bool) {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join(name);
        std::fs::write(&path, bytes).unwrap();
        let file = FrameFile { number: 1, path, page: 0, raw: None };
        let decoded = decode(&file).unwrap();
        let (held, hash) = Expected::of(&file).unwrap().hold(&file, false).unwrap();
        assert_eq!(matches!(held.samples, Held::File { .. }), in_file, "{name}");
        assert_eq!(held.shape, decoded.shape());
        let n = held.shape.samples();
        assert_eq!(numbers(held.samples(0, n)), decoded.samples.data, "{name}");
        assert_eq!(numbers(held.samples(3, n - 4)), decoded.samples.data[3..n - 1], "{name}");
        assert_eq!(hash, Some(hash_bytes(bytes)));
    }

    #[test]
    fn what_is_held_is_what_is_decoded() {
        for channels in [1, 3] {
            let data = (0..12 * channels).map(|i| i % 13 * 5003 + 7).collect();
            let channels = usize::from(channels);
            let frame = OutFrame { width: 4, height: 3, channels, data };
            let tags = TiffTags { software: Some("relay".to_owned()), ..TiffTags::default() };
            let little = encode_tiff(&frame, &tags).unwrap();
            same("0001.tif", &little, true);
            // White is zero: its samples must be turned round, so they cannot be used in the file.
            let mut white = little.clone();
            let at = white.windows(4).position(|w| w == [6, 1, 3, 0]).unwrap();
            if channels == 1 {
                white[at + 8] = 0;
                same("0002.tif", &white, false);
            }
        }
        let pgm = [b"P5 2 3 65535\n".as_slice(), &[1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12]].concat();
        same("0003.pgm", &pgm, false);
    }

    /// A big-endian page of two strips, the second of which lies before or right after the first:
    /// written by hand after TIFF 6.0, sections 2 and 3.
    #[test]
    fn strips_are_held_where_they_touch() {
        for (second, touching) in [(158_u32, true), (146, false)] {
            let mut b = b"MM\0\x2a\0\0\0\x08".to_vec();
            let entries: [(u16, u16, u32, u32); 9] = [
                (256, 4, 1, 2),
                (257, 4, 1, 2),
                (258, 3, 1, 16 << 16),
                (259, 3, 1, 1 << 16),
                (262, 3, 1, 1 << 16),
                (273, 4, 2, 122),
                (277, 3, 1, 1 << 16),
                (278, 4, 1, 1),
                (279, 4, 2, 130),
            ];
            b.extend(9_u16.to_be_bytes());
            for (tag, kind, count, value) in entries {
                b.extend(tag.to_be_bytes());
                b.extend(kind.to_be_bytes());
                b.extend(count.to_be_bytes());
                b.extend(value.to_be_bytes());
            }
            b.extend([0; 4]);
            for v in [154, second, 4, 4] {
                b.extend(v.to_be_bytes());
            }
            b.resize(146, 0);
            b.extend([1, 2, 3, 4, 0, 0, 0, 0, 5, 6, 7, 8, 9, 10, 11, 12]);
            same("0001.tif", &b, touching);
        }
    }
}
