//! An MP4 file with one H.264 track, written so that it plays while it loads: `moov` before `mdat`.
//!
//! Boxes: `ftyp`, `moov` (`mvhd`, `trak` with `tkhd`, `mdia`, ... `stsd/avc1/avcC`, `stts`, `stss`,
//! `stsc`, `stsz`, `stco` or `co64`), `mdat`. Source: ISO/IEC 14496-12 (boxes), 14496-15 (`avc1`,
//! `avcC`), ITU-T H.264 annex B (start codes). The rate is exact: time scale and duration of a
//! frame come from the fraction. Memory: four bytes a frame; the stream goes through a temporary
//! file beside the movie.

use std::io::{self, BufWriter, Read, Write};
use std::path::{Path, PathBuf};

use super::write::{Temp, create_temp, write_on};
use super::{Disk, DiskFile, FootageError, Written, printable};
use crate::frame::units::FrameRate;

/// A movie being written.
#[derive(Debug)]
pub struct MovieWriter<'a> {
    place: PathBuf,
    disk: &'a dyn Disk,
    spool: BufWriter<Box<dyn DiskFile>>,
    temp: Temp<'a>,
    size: (u16, u16),
    /// Ticks a second, and ticks of a frame.
    clock: (u32, u32),
    sps: Vec<u8>,
    pps: Vec<u8>,
    sizes: Vec<u32>,
    /// Frame times that each sample is shown.
    holds: Vec<u32>,
    /// Samples that can be begun at, counted from 1.
    keys: Vec<u32>,
}

impl<'a> MovieWriter<'a> {
    /// Begins a movie of `size` pixels that will lie at `place` on `disk`.
    ///
    /// # Errors
    /// [`FootageError::Limit`] for rates that a movie cannot hold exactly, [`FootageError::Disk`].
    pub fn begin(
        (disk, place): (&'a dyn Disk, &Path),
        size: (u16, u16),
        rate: FrameRate,
    ) -> Result<Self, FootageError> {
        let clock = clock(rate).ok_or_else(|| FootageError::Limit {
            path: printable(place),
            what: format!("a rate of {rate} frames a second cannot be written into a movie"),
        })?;
        let (file, temp) = create_temp(disk, place)?;
        Ok(Self {
            place: place.to_owned(),
            disk,
            spool: BufWriter::with_capacity(1 << 16, file),
            temp,
            size,
            clock,
            sps: Vec::new(),
            pps: Vec::new(),
            sizes: Vec::new(),
            holds: Vec::new(),
            keys: Vec::new(),
        })
    }

    /// Adds a coded frame (annex B stream) that is shown for `hold` frame times.
    ///
    /// # Errors
    /// [`FootageError::Limit`] for an empty or too large frame, [`FootageError::Disk`].
    pub fn add(&mut self, stream: &[u8], hold: u64) -> Result<(), FootageError> {
        let mut sample = Vec::with_capacity(stream.len() + 16);
        let mut key = false;
        for unit in units(stream) {
            match unit.first().map(|b| b & 31) {
                Some(7) => self.sps = unit.to_vec(),
                Some(8) => self.pps = unit.to_vec(),
                Some(9) | None => {}
                Some(kind) => {
                    key |= kind == 5;
                    let length = u32::try_from(unit.len()).unwrap_or(u32::MAX);
                    sample.extend_from_slice(&length.to_be_bytes());
                    sample.extend_from_slice(unit);
                }
            }
        }
        let limit = |what: &str| FootageError::Limit {
            path: printable(&self.place),
            what: what.to_owned(),
        };
        if sample.is_empty() {
            return Err(limit("the encoder gave nothing for a frame"));
        }
        let size = u32::try_from(sample.len()).map_err(|_| limit("a coded frame is too large"))?;
        let hold =
            u32::try_from(hold.max(1)).map_err(|_| limit("a gap is too long for a movie"))?;
        let spooled = self.spool.write_all(&sample);
        spooled.map_err(|e| FootageError::disk(&self.place, "write", e))?;
        self.sizes.push(size);
        self.holds.push(hold);
        if key {
            self.keys.push(u32::try_from(self.sizes.len()).unwrap_or(u32::MAX));
        }
        Ok(())
    }

    /// Writes the movie, complete or not at all.
    ///
    /// # Errors
    /// [`FootageError::Limit`] where there is nothing to write or it is too long,
    /// [`FootageError::Disk`].
    pub fn finish(mut self) -> Result<Written, FootageError> {
        let limit = |what: &str| FootageError::Limit {
            path: printable(&self.place),
            what: what.to_owned(),
        };
        if self.sizes.is_empty() || self.sps.len() < 4 || self.pps.is_empty() {
            return Err(limit("there is no coded frame to write"));
        }
        let duration = self.holds.iter().map(|h| u64::from(*h)).sum::<u64>();
        let duration = u32::try_from(duration.saturating_mul(u64::from(self.clock.1)))
            .map_err(|_| limit("it is too long for a movie"))?;
        let bytes: u64 = self.sizes.iter().map(|s| u64::from(*s)).sum();
        let head = self.head(duration, bytes);
        let disk = |e: io::Error| FootageError::disk(&self.place, "write", e);
        self.spool.flush().map_err(disk)?;
        let mut source = self.disk.open(self.temp.path()).map_err(disk)?.take(bytes);
        write_on(self.disk, &self.place, |out| {
            out.write_all(&head)?;
            let copied = io::copy(&mut source, out)?;
            if copied == bytes { Ok(()) } else { Err(io::ErrorKind::UnexpectedEof.into()) }
        })
    }

    /// Everything before the coded frames.
    fn head(&self, duration: u32, bytes: u64) -> Vec<u8> {
        let mut head = atom(b"ftyp", &[b"isom\0\0\x02\0isomiso2avc1mp41"]);
        // The place of the first sample is known once the length of moov is.
        let length = |at: u64| self.moov(duration, at).len() as u64;
        let wide = bytes + 8 > u64::from(u32::MAX);
        let mdat = if wide { 16 } else { 8 };
        let guess = if wide { u64::MAX } else { 0 };
        let start = head.len() as u64 + length(guess) + mdat;
        head.extend(self.moov(duration, if wide { start | (1 << 63) } else { start }));
        if wide {
            head.extend_from_slice(&1_u32.to_be_bytes());
            head.extend_from_slice(b"mdat");
            head.extend_from_slice(&(bytes + 16).to_be_bytes());
        } else {
            head.extend_from_slice(&u32::try_from(bytes + 8).unwrap_or(u32::MAX).to_be_bytes());
            head.extend_from_slice(b"mdat");
        }
        head
    }

    /// `moov`; the top bit of `start` asks for 64-bit places.
    fn moov(&self, duration: u32, start: u64) -> Vec<u8> {
        let (scale, d) = (be(self.clock.0), be(duration));
        let matrix: Vec<u8> = [0x1_0000_u32, 0, 0, 0, 0x1_0000, 0, 0, 0, 0x4000_0000]
            .iter()
            .flat_map(|v| v.to_be_bytes())
            .collect();
        let mvhd = full(
            b"mvhd",
            0,
            &[&[0; 8], &scale, &d, &be(0x1_0000), &[1, 0], &[0; 10], &matrix, &[0; 24], &be(2)],
        );
        let wide = |v: u16| be(u32::from(v) << 16);
        let tkhd = full(
            b"tkhd",
            3,
            &[
                &[0; 8],
                &be(1),
                &[0; 4],
                &d,
                &[0; 16],
                &matrix,
                &wide(self.size.0),
                &wide(self.size.1),
            ],
        );
        // Language "und" (ISO 639-2 in five bits a letter).
        let mdhd = full(b"mdhd", 0, &[&[0; 8], &scale, &d, &[0x55, 0xc4, 0, 0]]);
        let hdlr = full(b"hdlr", 0, &[&[0; 4], b"vide", &[0; 12], b"preview\0"]);
        let vmhd = full(b"vmhd", 1, &[&[0; 8]]);
        let url = full(b"url ", 1, &[]);
        let dinf = atom(b"dinf", &[&full(b"dref", 0, &[&be(1), &url])]);
        let minf = atom(b"minf", &[&vmhd, &dinf, &self.stbl(start)]);
        let mdia = atom(b"mdia", &[&mdhd, &hdlr, &minf]);
        atom(b"moov", &[&mvhd, &atom(b"trak", &[&tkhd, &mdia])])
    }

    fn stbl(&self, start: u64) -> Vec<u8> {
        let count = |n: usize| be(u32::try_from(n).unwrap_or(u32::MAX));
        let list = |all: &[u32]| -> Vec<u8> { all.iter().flat_map(|v| v.to_be_bytes()).collect() };
        let mut times: Vec<u32> = Vec::new();
        for hold in &self.holds {
            let ticks = hold.saturating_mul(self.clock.1);
            match times.last_chunk_mut::<2>() {
                Some([n, t]) if *t == ticks => *n += 1,
                _ => times.extend([1, ticks]),
            }
        }
        let stts = full(b"stts", 0, &[&count(times.len() / 2), &list(&times)]);
        let stss = full(b"stss", 0, &[&count(self.keys.len()), &list(&self.keys)]);
        let n = count(self.sizes.len());
        let stsc = full(b"stsc", 0, &[&be(1), &be(1), &n, &be(1)]);
        let stsz = full(b"stsz", 0, &[&be(0), &n, &list(&self.sizes)]);
        let places = if start >> 63 == 1 {
            full(b"co64", 0, &[&be(1), &(start & (u64::MAX >> 1)).to_be_bytes()])
        } else {
            full(b"stco", 0, &[&be(1), &be(u32::try_from(start).unwrap_or(u32::MAX))])
        };
        atom(b"stbl", &[&self.stsd(), &stts, &stss, &stsc, &stsz, &places])
    }

    fn stsd(&self) -> Vec<u8> {
        let short = |n: usize| u16::try_from(n).unwrap_or(u16::MAX).to_be_bytes();
        let avcc = atom(
            b"avcC",
            &[
                // Version, then profile and level of the stream; four-byte lengths; one SPS.
                &[1, self.sps[1], self.sps[2], self.sps[3], 0xff, 0xe1],
                &short(self.sps.len()),
                &self.sps,
                &[1],
                &short(self.pps.len()),
                &self.pps,
            ],
        );
        // BT.709 primaries, sRGB curve, BT.709 matrix, limited range (ISO/IEC 23091-2).
        let colr = atom(b"colr", &[b"nclx", &[0, 1, 0, 13, 0, 1, 0]]);
        let avc1 = atom(
            b"avc1",
            &[
                &[0, 0, 0, 0, 0, 0, 0, 1],
                &[0; 16],
                &self.size.0.to_be_bytes(),
                &self.size.1.to_be_bytes(),
                &be(0x48_0000),
                &be(0x48_0000),
                &[0; 4],
                &[0, 1],
                &[0; 32],
                &[0, 24, 0xff, 0xff],
                &avcc,
                &colr,
            ],
        );
        full(b"stsd", 0, &[&be(1), &avc1])
    }
}

fn be(v: u32) -> [u8; 4] {
    v.to_be_bytes()
}

/// Ticks a second and ticks of a frame for a rate, exactly; at least 1000 ticks a second where
/// that fits, for players that think in milliseconds.
fn clock(rate: FrameRate) -> Option<(u32, u32)> {
    let (num, den) = (u32::try_from(rate.num()).ok()?, u32::try_from(rate.den()).ok()?);
    let fine = if num < 1000 && den < 1000 { 1000 } else { 1 };
    Some((num * fine, den * fine))
}

fn atom(kind: &[u8; 4], parts: &[&[u8]]) -> Vec<u8> {
    let length: usize = 8 + parts.iter().map(|p| p.len()).sum::<usize>();
    let mut out = Vec::with_capacity(length);
    out.extend_from_slice(&be(u32::try_from(length).unwrap_or(u32::MAX)));
    out.extend_from_slice(kind);
    parts.iter().for_each(|p| out.extend_from_slice(p));
    out
}

/// A box with version 0 and flags.
fn full(kind: &[u8; 4], flags: u32, parts: &[&[u8]]) -> Vec<u8> {
    let flags = be(flags & 0xff_ffff);
    let mut all: Vec<&[u8]> = vec![&flags];
    all.extend_from_slice(parts);
    atom(kind, &all)
}

/// The units of an annex B stream without their start codes and trailing zeros.
fn units(stream: &[u8]) -> Vec<&[u8]> {
    let starts: Vec<usize> = (0..stream.len().saturating_sub(2))
        .filter(|&i| stream[i..i + 3] == [0, 0, 1])
        .map(|i| i + 3)
        .collect();
    starts
        .iter()
        .enumerate()
        .map(|(k, &from)| {
            let to = starts.get(k + 1).map_or(stream.len(), |next| next - 3);
            let unit = &stream[from..to];
            let end = unit.iter().rposition(|&b| b != 0).map_or(0, |i| i + 1);
            &unit[..end]
        })
        .filter(|u| !u.is_empty())
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::footage::RealDisk;

    /// A stream with parameter sets and one key slice, made up: the muxer does not look inside.
    const KEY: &[u8] =
        &[0, 0, 0, 1, 0x67, 66, 0, 31, 9, 0, 0, 0, 1, 0x68, 5, 6, 0, 0, 1, 0x65, 1, 2, 3];
    const OTHER: &[u8] = &[0, 0, 0, 1, 0x41, 8, 9];

    fn find<'a>(bytes: &'a [u8], kind: &[u8; 4]) -> &'a [u8] {
        let at = bytes.windows(4).position(|w| w == kind).unwrap();
        let length = u32::from_be_bytes(bytes[at - 4..at].try_into().unwrap());
        &bytes[at + 4..at - 4 + usize::try_from(length).unwrap()]
    }

    fn words(bytes: &[u8]) -> Vec<u32> {
        bytes.chunks_exact(4).map(|c| u32::from_be_bytes(c.try_into().unwrap())).collect()
    }

    #[test]
    fn boxes_say_what_went_in() {
        let dir = tempfile::tempdir().unwrap();
        let place = dir.path().join("a.mp4");
        let rate = FrameRate::new(30000, 1001).unwrap();
        let mut movie = MovieWriter::begin((&RealDisk, &place), (64, 48), rate).unwrap();
        movie.add(KEY, 1).unwrap();
        movie.add(OTHER, 1).unwrap();
        movie.add(OTHER, 3).unwrap();
        movie.finish().unwrap();
        let bytes = std::fs::read(&place).unwrap();
        assert_eq!(&bytes[4..8], b"ftyp");
        assert_eq!(&bytes[4 + 32 - 4 + 4..][..4], b"moov");
        // Version and flags, two dates, time scale, duration: 5 frame times of 1001/30000 s.
        assert_eq!(words(&find(&bytes, b"mdhd")[12..20]), [30000, 5005]);
        assert_eq!(words(&find(&bytes, b"stts")[4..]), [2, 2, 1001, 1, 3003]);
        assert_eq!(words(&find(&bytes, b"stsz")[4..]), [0, 3, 8, 7, 7]);
        assert_eq!(words(&find(&bytes, b"stss")[4..]), [1, 1]);
        let start = usize::try_from(words(&find(&bytes, b"stco")[4..])[1]).unwrap();
        assert_eq!(&bytes[start - 4..start], b"mdat");
        assert_eq!(&bytes[start..start + 8], [0, 0, 0, 4, 0x65, 1, 2, 3]);
        assert_eq!(bytes.len(), start + 22);
        let avcc = find(&bytes, b"avcC");
        assert_eq!(&avcc[..8], [1, 66, 0, 31, 0xff, 0xe1, 0, 5]);
        assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), 1, "the spool is gone");
    }

    #[test]
    fn rates_are_exact_and_impossible_ones_refused() {
        assert_eq!(clock(FrameRate::new(25, 1).unwrap()), Some((25_000, 1000)));
        assert_eq!(clock(FrameRate::new(24000, 1001).unwrap()), Some((24000, 1001)));
        assert_eq!(clock(FrameRate::new(1 << 40, 3).unwrap()), None);
    }

    #[test]
    fn nothing_is_not_a_movie() {
        let dir = tempfile::tempdir().unwrap();
        let rate = FrameRate::new(25, 1).unwrap();
        let mut movie =
            MovieWriter::begin((&RealDisk, &dir.path().join("a.mp4")), (64, 48), rate).unwrap();
        assert!(movie.add(&[], 1).is_err());
        assert!(movie.finish().is_err());
        assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), 0);
    }
}
