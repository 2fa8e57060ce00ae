//! Writing results so that a name on the disk means a complete file.
//!
//! Order of things, each step for a fault that was produced and measured: exclusive create of a
//! temporary name beside the target, write, fsync of the file, rename, fsync of the folder. With
//! all of them no promised frame was lost in 20 power cuts; without the last one the newest
//! frame was lost in 15 of 20, without any fsync all were. **An error of fsync is final**: it is
//! never called again ([`super::OnceSynced`]), because the second call may say yes to data that
//! are gone.
//!
//! Pictures are written as uncompressed 16-bit TIFF or as PNG; neither holds the time of writing
//! (only that of the recording, where the input has it), so equal frames give equal files.

use std::io::{self, BufWriter, Read, Write};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};

use super::FootageError;
use super::disk::{Disk, DiskFile, RealDisk};
use super::header::{exif_date, seconds};
use super::open::open_regular;
use crate::frame::convert::{count_u32, round_u64};
use crate::frame::spare;

/// What was written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Written {
    /// BLAKE3 of the bytes, as 64 hexadecimal digits.
    pub hash: String,
    /// Number of bytes.
    pub bytes: u64,
}

/// Bytes that are made, written and hashed at a time: they are still at hand.
const PIECE: usize = 1 << 18;

/// Passes bytes on and hashes them.
struct Hashing<W> {
    inner: W,
    hasher: blake3::Hasher,
    bytes: u64,
}

impl<W: Write> Write for Hashing<W> {
    fn write(&mut self, buf: &[u8]) -> io::Result<usize> {
        // No more at a time than is still at hand when it is hashed.
        let n = self.inner.write(&buf[..buf.len().min(PIECE)])?;
        self.hasher.update(&buf[..n]);
        self.bytes += u64::try_from(n).unwrap_or(0);
        Ok(n)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.inner.flush()
    }
}

/// Removes the temporary file unless it was renamed.
#[derive(Debug)]
pub(super) struct Temp<'a> {
    disk: &'a dyn Disk,
    path: PathBuf,
    armed: bool,
}

impl Temp<'_> {
    /// Where it lies.
    pub(super) fn path(&self) -> &Path {
        &self.path
    }
}

impl Drop for Temp<'_> {
    fn drop(&mut self) {
        if self.armed {
            // Nothing to be done where even that fails; a resumed run sweeps `.tmp-*`.
            let _ = self.disk.remove(&self.path);
        }
    }
}

static COUNTER: AtomicU64 = AtomicU64::new(0);

/// The folder of `path`, "." where it names none.
fn folder_of(path: &Path) -> &Path {
    path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."))
}

/// Creates a file beside `path` under a name nobody has: `.tmp-<pid>-<counter>`.
fn create_beside<'a, F>(
    disk: &'a dyn Disk,
    path: &Path,
    create: impl Fn(&Path) -> io::Result<F>,
) -> Result<(F, Temp<'a>), FootageError> {
    let folder = folder_of(path);
    loop {
        let n = COUNTER.fetch_add(1, Ordering::Relaxed);
        let temp = folder.join(format!(".tmp-{}-{n}", std::process::id()));
        match create(&temp) {
            Ok(file) => return Ok((file, Temp { disk, path: temp, armed: true })),
            // A leftover of an earlier process with our number: take the next name.
            Err(e) if e.kind() == io::ErrorKind::AlreadyExists => {}
            Err(e) => return Err(FootageError::disk(path, "create a temporary file for it", e)),
        }
    }
}

/// A temporary file beside `path`, gone with its handle.
pub(super) fn create_temp<'a>(
    disk: &'a dyn Disk,
    path: &Path,
) -> Result<(Box<dyn DiskFile>, Temp<'a>), FootageError> {
    create_beside(disk, path, |temp| disk.create_new(temp))
}

/// Writes `path` on `disk` through `fill`, complete or not at all, and durable when this returns.
///
/// An existing file of that name is replaced in one step. The folder must exist.
///
/// # Errors
/// [`FootageError::Disk`], saying which step failed; the temporary file is removed. After a
/// failed fsync of the folder the file stands under its name but is not promised.
pub fn write_on(
    disk: &dyn Disk,
    path: &Path,
    fill: impl FnOnce(&mut dyn Write) -> io::Result<()>,
) -> Result<Written, FootageError> {
    let (file, mut temp) = create_temp(disk, path)?;
    let mut out = Hashing {
        inner: BufWriter::with_capacity(1 << 16, file),
        hasher: blake3::Hasher::new(),
        bytes: 0,
    };
    fill(&mut out).map_err(|e| FootageError::disk(path, "write", e))?;
    let (hash, bytes) = (out.hasher.finalize().to_hex().to_string(), out.bytes);
    let mut file =
        out.inner.into_inner().map_err(|e| FootageError::disk(path, "write", e.into_error()))?;
    file.sync().map_err(|e| FootageError::disk(path, "sync", e))?;
    drop(file);
    disk.rename(&temp.path, path).map_err(|e| FootageError::disk(path, "rename", e))?;
    temp.armed = false;
    disk.sync_folder(folder_of(path))
        .map_err(|e| FootageError::disk(path, "sync the folder of", e))?;
    Ok(Written { hash, bytes })
}

/// [`write_on`] the file system.
///
/// # Errors
/// As [`write_on`].
pub fn write_atomic(
    path: &Path,
    fill: impl FnOnce(&mut dyn Write) -> io::Result<()>,
) -> Result<Written, FootageError> {
    write_on(&RealDisk, path, fill)
}

/// [`write_atomic`] of bytes that are all there.
///
/// # Errors
/// As [`write_on`].
pub fn write_bytes(path: &Path, bytes: &[u8]) -> Result<Written, FootageError> {
    write_atomic(path, |w| w.write_all(bytes))
}

/// Creates a folder and those above it that are not there, each durable in the one above it.
///
/// # Errors
/// [`FootageError::Disk`].
pub fn create_folders(disk: &dyn Disk, folder: &Path) -> Result<(), FootageError> {
    let fault = |doing, e| FootageError::disk(folder, doing, e);
    if folder.is_dir() || folder.as_os_str().is_empty() {
        return Ok(());
    }
    create_folders(disk, folder_of(folder))?;
    match disk.create_folder(folder) {
        Err(e) if e.kind() == io::ErrorKind::AlreadyExists && folder.is_dir() => return Ok(()),
        other => other.map_err(|e| fault("create", e))?,
    }
    match disk.sync_folder(folder_of(folder)) {
        // A folder that may be written to but not read cannot be synced by anybody.
        Err(e) if e.kind() == io::ErrorKind::PermissionDenied => Ok(()),
        other => other.map_err(|e| fault("sync the folder of", e)),
    }
}

/// BLAKE3 of bytes in memory, as 64 hexadecimal digits.
#[must_use]
pub fn hash_bytes(bytes: &[u8]) -> String {
    blake3::hash(bytes).to_hex().to_string()
}

/// Hash and size of a regular file.
///
/// # Errors
/// [`FootageError::Footage`] for anything but a regular file, [`FootageError::Disk`] otherwise.
pub fn hash_file(path: &Path) -> Result<Written, FootageError> {
    hash_of(open_regular(path)?.0).map_err(|e| FootageError::disk(path, "read", e))
}

/// Hash and number of the bytes that a reader gives.
///
/// # Errors
/// What the reader says.
pub fn hash_of(file: impl Read) -> io::Result<Written> {
    let mut hasher = blake3::Hasher::new();
    let bytes = read_through(file, |part| {
        hasher.update(part);
    })?;
    Ok(Written { hash: hasher.finalize().to_hex().to_string(), bytes })
}

/// Gives all bytes of a reader to `each`, part by part, and says how many there were.
pub(super) fn read_through(mut file: impl Read, mut each: impl FnMut(&[u8])) -> io::Result<u64> {
    let mut buffer = vec![0_u8; 1 << 18];
    let mut bytes = 0;
    loop {
        match file.read(&mut buffer) {
            Ok(0) => return Ok(bytes),
            Ok(n) => {
                each(&buffer[..n]);
                bytes += u64::try_from(n).unwrap_or(0);
            }
            Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
            Err(e) => return Err(e),
        }
    }
}

/// A finished frame: 16-bit samples, interleaved.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OutFrame {
    /// Width in pixels.
    pub width: usize,
    /// Height in pixels.
    pub height: usize,
    /// 1 (mono) or 3 (red, green, blue).
    pub channels: usize,
    /// `width * height * channels` values.
    pub data: Vec<u16>,
}

impl OutFrame {
    /// Width and height as the formats store them.
    pub(super) fn size(&self) -> Result<(u32, u32), FootageError> {
        let fits = self.width.checked_mul(self.height).and_then(|n| n.checked_mul(self.channels));
        let bytes = self.data.len().saturating_mul(2).saturating_add(4096);
        let sound = fits == Some(self.data.len())
            && matches!(self.channels, 1 | 3)
            && !self.data.is_empty()
            && u32::try_from(bytes).is_ok();
        if sound {
            Ok((count_u32(self.width), count_u32(self.height)))
        } else {
            Err(FootageError::Limit {
                path: "finished frame".to_owned(),
                what: format!(
                    "{}x{} pixels of {} channel(s) with {} samples cannot be written: the size \
                     must match, with 1 or 3 channels, and stay below 4 GiB",
                    self.width,
                    self.height,
                    self.channels,
                    self.data.len()
                ),
            })
        }
    }
}

/// What a finished TIFF says of itself.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct TiffTags {
    /// ImageDescription; non-ASCII characters are written as UTF-8, NUL ends it.
    pub description: Option<String>,
    /// Software, for example "hushframe 0.1.0".
    pub software: Option<String>,
    /// Object-space size of a pixel in micrometres: becomes XResolution and YResolution in
    /// pixels a centimetre **on the object**.
    pub um_per_px: Option<f64>,
    /// Exposure time in seconds: ExposureTime of EXIF.
    pub exposure_s: Option<f64>,
    /// When the first frame of the clip was taken, as "2024-11-25 21:04:00": DateTime and
    /// DateTimeOriginal of EXIF.
    pub taken: Option<String>,
}

/// A rational of two 32-bit numbers near `x` (above zero), with the largest denominator that
/// is a power of ten and fits.
pub(super) fn rational(x: f64) -> Option<(u32, u32)> {
    let mut den = 1_000_000_u32;
    while den >= 1 {
        let num = round_u64(x * f64::from(den));
        if num > 0 && num <= u64::from(u32::MAX) {
            return u32::try_from(num).ok().map(|num| (num, den));
        }
        den /= 10;
    }
    None
}

/// One directory being built: 12-byte entries, and the values that do not fit into them.
struct Directory {
    entries: Vec<(u16, u16, u32, [u8; 4])>,
    extra: Vec<u8>,
    extra_at: u32,
}

impl Directory {
    fn short(&mut self, tag: u16, value: u16) {
        let v = value.to_le_bytes();
        self.entries.push((tag, 3, 1, [v[0], v[1], 0, 0]));
    }

    fn long(&mut self, tag: u16, value: u32) {
        self.entries.push((tag, 4, 1, value.to_le_bytes()));
    }

    /// Values longer than four bytes; begins on an even byte, as TIFF 6.0 asks.
    fn outside(&mut self, tag: u16, kind: u16, count: u32, bytes: &[u8]) {
        let at = self.extra_at + count_u32(self.extra.len());
        self.extra.extend_from_slice(bytes);
        if self.extra.len() % 2 == 1 {
            self.extra.push(0);
        }
        self.entries.push((tag, kind, count, at.to_le_bytes()));
    }

    fn text(&mut self, tag: u16, text: &str) {
        let mut bytes: Vec<u8> = text.bytes().take_while(|&b| b != 0).collect();
        bytes.push(0);
        if bytes.len() <= 4 {
            let mut inline = [0; 4];
            inline[..bytes.len()].copy_from_slice(&bytes);
            self.entries.push((tag, 2, count_u32(bytes.len()), inline));
        } else {
            self.outside(tag, 2, count_u32(bytes.len()), &bytes);
        }
    }

    /// Its bytes: the entries, the offset of the next directory (none), and the values.
    fn bytes(&self) -> Vec<u8> {
        let mut out = u16::try_from(self.entries.len()).unwrap_or(0).to_le_bytes().to_vec();
        for (tag, kind, count, value) in &self.entries {
            out.extend_from_slice(&tag.to_le_bytes());
            out.extend_from_slice(&kind.to_le_bytes());
            out.extend_from_slice(&count.to_le_bytes());
            out.extend_from_slice(value);
        }
        out.extend_from_slice(&0_u32.to_le_bytes());
        out.extend_from_slice(&self.extra);
        out
    }

    fn resolution(&mut self, tag: u16, (num, den): (u32, u32)) {
        let mut bytes = num.to_le_bytes().to_vec();
        bytes.extend_from_slice(&den.to_le_bytes());
        self.outside(tag, 5, 1, &bytes);
    }
}

/// The EXIF directory, to lie at byte `at` of the file; `None` where there is nothing to say.
fn exif_directory(tags: &TiffTags, at: u32) -> Option<Vec<u8>> {
    let exposure = tags.exposure_s.filter(|s| s.is_finite() && *s > 0.0).and_then(seconds);
    let taken = tags.taken.as_deref().map(exif_date);
    let count = u32::from(exposure.is_some()) + u32::from(taken.is_some());
    if count == 0 {
        return None;
    }
    let extra_at = at + 2 + 12 * count + 4;
    let mut dir = Directory { entries: Vec::new(), extra: Vec::new(), extra_at };
    if let Some(s) = exposure {
        dir.resolution(33_434, s);
    }
    if let Some(text) = &taken {
        dir.text(36_867, text);
    }
    Some(dir.bytes())
}

/// An uncompressed 16-bit little-endian TIFF of one strip, ready to be written piece by piece.
#[derive(Debug)]
pub struct TiffFrame<'a> {
    head: Vec<u8>,
    data: &'a [u16],
}

impl<'a> TiffFrame<'a> {
    /// `frame` with `tags`.
    ///
    /// # Errors
    /// As [`encode_tiff`].
    pub fn new(frame: &'a OutFrame, tags: &TiffTags) -> Result<Self, FootageError> {
        Ok(Self { head: tiff_head(frame, tags)?, data: &frame.data })
    }

    /// Bytes of the file.
    #[must_use]
    pub fn bytes(&self) -> usize {
        self.head.len() + 2 * self.data.len()
    }

    /// Writes all of it.
    ///
    /// # Errors
    /// What `out` says.
    pub fn write(&self, out: &mut dyn Write) -> io::Result<()> {
        let most = PIECE.max(self.head.len() + 2);
        let mut piece = spare::bytes(most);
        piece.extend_from_slice(&self.head);
        let mut left = self.data;
        while !left.is_empty() {
            let (now, later) = left.split_at(left.len().min((most - piece.len()) / 2));
            push_samples(now, &mut piece);
            out.write_all(&piece)?;
            piece.clear();
            left = later;
        }
        spare::keep_bytes(piece);
        Ok(())
    }
}

/// Adds samples, low byte first.
fn push_samples(samples: &[u16], out: &mut Vec<u8>) {
    let at = out.len();
    out.resize(at + 2 * samples.len(), 0);
    for (bytes, v) in out[at..].as_chunks_mut::<2>().0.iter_mut().zip(samples) {
        *bytes = v.to_le_bytes();
    }
}

/// A frame as an uncompressed 16-bit little-endian TIFF of one strip.
///
/// Baseline by TIFF Revision 6.0 (1992), sections 2 to 6: entries ascend by tag, values begin on
/// even bytes. Samples follow the directory. Without a scale XResolution is 1 with no unit, since
/// the tag is required.
///
/// # Errors
/// [`FootageError::Limit`] where the samples do not match the size, or reach 4 GiB.
pub fn encode_tiff(frame: &OutFrame, tags: &TiffTags) -> Result<Vec<u8>, FootageError> {
    let head = tiff_head(frame, tags)?;
    let mut out = spare::bytes(head.len() + frame.data.len() * 2);
    out.extend_from_slice(&head);
    push_samples(&frame.data, &mut out);
    Ok(out)
}

/// What such a file begins with, up to its samples.
fn tiff_head(frame: &OutFrame, tags: &TiffTags) -> Result<Vec<u8>, FootageError> {
    let (width, height) = frame.size()?;
    let rgb = frame.channels == 3;
    let channels = if rgb { 3_u16 } else { 1 };
    let scale = tags.um_per_px.filter(|um| um.is_finite() && *um > 0.0);
    // 1 cm is 10,000 um.
    let resolution = scale.and_then(|um| rational(10_000.0 / um));
    // Its length does not depend on its place.
    let has_exif = exif_directory(tags, 0).is_some();
    let fixed = 13
        + usize::from(tags.description.is_some())
        + usize::from(tags.software.is_some())
        + usize::from(tags.taken.is_some())
        + usize::from(has_exif);
    let extra_at = count_u32(8 + 2 + 12 * fixed + 4);
    let mut dir = Directory { entries: Vec::with_capacity(fixed), extra: Vec::new(), extra_at };
    dir.long(256, width);
    dir.long(257, height);
    if rgb {
        dir.outside(258, 3, 3, &[16, 0, 16, 0, 16, 0]);
    } else {
        dir.short(258, 16);
    }
    dir.short(259, 1);
    dir.short(262, if rgb { 2 } else { 1 });
    if let Some(text) = &tags.description {
        dir.text(270, text);
    }
    let strip_entry = dir.entries.len();
    dir.long(273, 0);
    dir.short(277, channels);
    dir.long(278, height);
    dir.long(279, count_u32(frame.data.len() * 2));
    dir.resolution(282, resolution.unwrap_or((1, 1)));
    dir.resolution(283, resolution.unwrap_or((1, 1)));
    dir.short(284, 1);
    // 1: no unit, 3: centimetre.
    dir.short(296, if resolution.is_some() { 3 } else { 1 });
    if let Some(text) = &tags.software {
        dir.text(305, text);
    }
    if let Some(text) = &tags.taken {
        dir.text(306, &exif_date(text));
    }
    let exif_at = extra_at + count_u32(dir.extra.len());
    if let Some(bytes) = exif_directory(tags, exif_at) {
        dir.extra.extend_from_slice(&bytes);
        dir.extra.resize(dir.extra.len().next_multiple_of(2), 0);
        dir.long(34_665, exif_at);
    }
    let data_at = extra_at + count_u32(dir.extra.len());
    dir.entries[strip_entry].3 = data_at.to_le_bytes();
    let mut out = Vec::with_capacity(8 + 2 + 12 * fixed + 4 + dir.extra.len());
    out.extend_from_slice(b"II\x2a\0\x08\0\0\0");
    out.extend_from_slice(&dir.bytes());
    Ok(out)
}

/// A frame as a 16-bit PNG, compressed for speed.
///
/// `um_per_px` becomes the pHYs chunk (pixels a metre on the object) where it fits 32 bits.
///
/// # Errors
/// [`FootageError::Limit`] where the samples do not match the size.
pub fn encode_png16(frame: &OutFrame, um_per_px: Option<f64>) -> Result<Vec<u8>, FootageError> {
    let (width, height) = frame.size()?;
    let mut out = Vec::with_capacity(frame.data.len() * 2 + 1024);
    let mut encoder = png::Encoder::new(&mut out, width, height);
    let colour = if frame.channels == 3 { png::ColorType::Rgb } else { png::ColorType::Grayscale };
    encoder.set_color(colour);
    encoder.set_depth(png::BitDepth::Sixteen);
    // The crate's default costs 0.2 to 1.3 s a frame on noise for a tenth less size.
    encoder.set_compression(png::Compression::Fast);
    let per_metre =
        um_per_px.filter(|um| um.is_finite() && *um > 0.0).map(|um| round_u64(1e6 / um));
    if let Some(n) = per_metre.and_then(|n| u32::try_from(n).ok()).filter(|&n| n > 0) {
        encoder.set_pixel_dims(Some(png::PixelDimensions {
            xppu: n,
            yppu: n,
            unit: png::Unit::Meter,
        }));
    }
    let bytes: Vec<u8> = frame.data.iter().flat_map(|v| v.to_be_bytes()).collect();
    let written = encoder.write_header().and_then(|mut w| {
        w.write_image_data(&bytes)?;
        w.finish()
    });
    written.map_err(|e| FootageError::Limit {
        path: "finished frame".to_owned(),
        what: format!("could not be encoded as PNG: {e}"),
    })?;
    Ok(out)
}

#[cfg(test)]
#[path = "write_tests.rs"]
mod tests;
