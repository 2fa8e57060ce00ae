//! DPX, in and out: grey and RGB of 8, 10, 12 and 16 bits.
//!
//! In: either byte order, one image element (luminance, RGB, or RGB with alpha, which is dropped
//! with a warning), packed into 32-bit words (packing 0) or filled by method A (padding low) or
//! B (padding high). Refused with the reason: run-length coding, separate or subsampled elements,
//! other depths, floating point, pictures that are not stored left to right, top to bottom,
//! encrypted ones. Samples coded as video come with that curve; logarithmic and printing density
//! are refused, since light cannot be told from them without a film stock.
//!
//! Facts: frame rate of the film header (the standard's "frame rate of original") or of the
//! television header, integration time, date, time code.
//!
//! Out: 10 bits filled by method A, or 16 bits, big-endian, with frame rate and time code.
//!
//! In a filled 10-bit word of an RGB picture the first sample lies in the highest bits; of a
//! luminance picture in the lowest. Programs agree on that although the standard's figures can be
//! read otherwise; checked here against two independent ones (`tests/reference`).
//!
//! Source: SMPTE ST 268-1:2014, tables 1 to 6 (offsets from memory, held by those checks).

use super::FootageError;
use super::fault::Fault;
use super::finished::OutFrame;
use super::header::{self, HeaderFacts, date_of, rate_of, time_code_bits, time_code_of};
use super::kind::FileKind;
use super::packed::Packing;
use super::shape::{Decoded, Shape};
use crate::frame::Curve;
use crate::frame::convert::count_u32;
use crate::frame::units::{Duration, FrameRate};
use crate::record::Warning;

/// Bytes of the generic, film and television headers.
pub(super) const HEADER: usize = 2048;

/// The header, and how to read numbers from it.
struct Header<'a> {
    bytes: &'a [u8],
    big_endian: bool,
}

impl Header<'_> {
    fn of(bytes: &[u8]) -> Result<Header<'_>, Fault> {
        let big_endian = match bytes.get(..4) {
            Some(b"SDPX") => true,
            Some(b"XPDS") => false,
            _ => return Err(Fault::damaged("has no DPX signature")),
        };
        match bytes.get(..HEADER) {
            Some(bytes) => Ok(Header { bytes, big_endian }),
            None => Err(Fault::damaged(format!(
                "the file ends early: {} bytes where the DPX header alone has {HEADER}",
                bytes.len()
            ))),
        }
    }

    /// Two bytes; offsets are constants within the header.
    fn short(&self, at: usize) -> u16 {
        let b = [self.bytes[at], self.bytes[at + 1]];
        if self.big_endian { u16::from_be_bytes(b) } else { u16::from_le_bytes(b) }
    }

    fn long(&self, at: usize) -> u32 {
        let b = [self.bytes[at], self.bytes[at + 1], self.bytes[at + 2], self.bytes[at + 3]];
        if self.big_endian { u32::from_be_bytes(b) } else { u32::from_le_bytes(b) }
    }

    /// A floating-point field; `None` where it is undefined (all ones) or no positive number.
    fn real(&self, at: usize) -> Option<f64> {
        let x = f64::from(f32::from_bits(self.long(at)));
        (x.is_finite() && x > 0.0).then_some(x)
    }

    fn text(&self, at: usize, len: usize) -> String {
        let field = &self.bytes[at..at + len];
        let end = field.iter().position(|&b| b == 0 || b == 0xff).unwrap_or(len);
        String::from_utf8_lossy(&field[..end]).into_owned()
    }
}

/// Where the samples of a picture lie.
struct Layout {
    shape: Shape,
    /// Samples a pixel in the file.
    stored: usize,
    depth: u8,
    /// 0 packed, 1 filled by method A, 2 by method B.
    packing: u16,
    big_endian: bool,
    data_at: u64,
    row_bytes: u64,
    /// From the beginning of a row to that of the next.
    stride: u64,
    curve: Option<Curve>,
    /// Where the samples of a pixel begin that are kept, and in which order.
    order: [usize; 3],
}

impl Layout {
    fn of(head: &Header<'_>) -> Result<Self, Fault> {
        if head.short(770) != 1 {
            return Err(Fault::unsupported(format!(
                "is a DPX of {} image elements: only one that holds whole pixels is read",
                head.short(770)
            )));
        }
        if !matches!(head.short(768), 0 | 0xffff) {
            return Err(Fault::unsupported(format!(
                "is a DPX stored in orientation {}: save it left to right, top to bottom",
                head.short(768)
            )));
        }
        if !matches!(head.long(660), u32::MAX | 0) {
            return Err(Fault::unsupported("is an encrypted DPX"));
        }
        if head.long(780) == 1 {
            return Err(Fault::unsupported("is a DPX of signed samples"));
        }
        let (descriptor, transfer, depth) = (head.bytes[800], head.bytes[801], head.bytes[803]);
        let (channels, stored, order) = match descriptor {
            // 0 is "user-defined, one component".
            0 | 6 => (1, 1, [0, 0, 0]),
            50 => (3, 3, [0, 1, 2]),
            51 => (3, 4, [0, 1, 2]),
            // Alpha, blue, green, red.
            52 => (3, 4, [3, 2, 1]),
            other => {
                return Err(Fault::unsupported(format!(
                    "is a DPX with descriptor {other}: only luminance (6) and RGB (50 to 52) are \
                     read"
                )));
            }
        };
        if !matches!(depth, 8 | 10 | 12 | 16) {
            return Err(Fault::unsupported(format!(
                "is a DPX of {depth} bits a sample: only 8, 10, 12 and 16 are read"
            )));
        }
        if !matches!(head.short(806), 0 | 0xffff) {
            return Err(Fault::unsupported(
                "is a run-length coded DPX: save it without compression",
            ));
        }
        let packing = match head.short(804) {
            n @ 0..=2 => n,
            0xffff => 1,
            n => return Err(Fault::damaged(format!("claims DPX packing {n}, which is none"))),
        };
        let (width, height) = (u64::from(head.long(772)), u64::from(head.long(776)));
        let wide = u8::try_from(stored).unwrap_or(4);
        Shape::checked(width, height, wide, 16)?;
        let bits = if depth == 8 { 8 } else { 16 };
        let full = u16::try_from((1_u32 << depth) - 1).unwrap_or(u16::MAX);
        let shape = Shape::checked(width, height, channels, bits)?.with_full_scale(full);
        let samples = width * u64::from(wide);
        let row_bytes = match (depth, packing) {
            (10, 1 | 2) => samples.div_ceil(3) * 4,
            (12, 1 | 2) => (samples * 2).next_multiple_of(4),
            _ => (samples * u64::from(depth)).div_ceil(32) * 4,
        };
        let padding = Some(head.long(812)).filter(|&n| n != u32::MAX).map_or(0, u64::from);
        let stated = u64::from(head.long(808));
        let data_at =
            if matches!(head.long(808), 0 | u32::MAX) { head.long(4).into() } else { stated };
        Ok(Self {
            shape,
            stored,
            depth,
            packing,
            big_endian: head.big_endian,
            data_at,
            row_bytes,
            stride: row_bytes + padding,
            curve: curve(transfer)?,
            order,
        })
    }

    /// Fits the layout to a file of `len` bytes; refuses one that is shorter than its samples.
    ///
    /// Some programs do not fill rows of 8 or 16 bits to whole words: where the file has room
    /// for such rows only, it is read so.
    fn fit(mut self, len: u64) -> Result<Self, Fault> {
        let rows = u64::try_from(self.shape.height).unwrap_or(u64::MAX);
        let end = |s: &Self| {
            s.data_at.saturating_add(s.stride * (rows - 1) + s.row_bytes).saturating_sub(s.slack())
        };
        if end(&self) > len && matches!(self.depth, 8 | 16) {
            let bare = self.row_bytes - self.slack();
            self.stride -= self.row_bytes - bare;
            self.row_bytes = bare;
        }
        let end = end(&self);
        if end > len {
            return Err(Fault::damaged(format!(
                "the file ends early: samples run to byte {end} of {len}"
            )));
        }
        Ok(self)
    }

    /// Bytes of padding after the last row, which may be missing.
    fn slack(&self) -> u64 {
        let bits =
            u64::try_from(self.shape.width * self.stored).unwrap_or(0) * u64::from(self.depth);
        if self.packing == 0 || matches!(self.depth, 8 | 16) {
            self.row_bytes.saturating_sub(bits.div_ceil(8))
        } else {
            0
        }
    }

    /// The samples of a row, in the order of the pixels.
    fn row(&self, bytes: &[u8], out: &mut Vec<u16>) {
        let count = self.shape.width * self.stored;
        let word = |b: [u8; 4]| {
            if self.big_endian { u32::from_be_bytes(b) } else { u32::from_le_bytes(b) }
        };
        let low = |v: u32, bits: u8| u16::try_from(v & ((1 << bits) - 1)).unwrap_or(0);
        match (self.depth, self.packing) {
            (8, _) => Packing::Msb.unpack(bytes, 8, count, out),
            (16, _) if self.big_endian => Packing::HighByte.unpack(bytes, 16, count, out),
            (16, _) => Packing::LowByte.unpack(bytes, 16, count, out),
            (12, 1 | 2) => {
                let start = out.len();
                let words = if self.big_endian { Packing::HighByte } else { Packing::LowByte };
                words.unpack(bytes, 16, count, out);
                let shift = if self.packing == 1 { 4 } else { 0 };
                out[start..].iter_mut().for_each(|v| *v = (*v >> shift) & 0xfff);
            }
            (10, 1 | 2) => {
                let pad = if self.packing == 1 { 2 } else { 0 };
                let places = if self.stored == 1 { [0, 10, 20] } else { [20, 10, 0] };
                let end = out.len() + count;
                for &bytes in bytes.as_chunks::<4>().0 {
                    let three = word(bytes) >> pad;
                    out.extend_from_slice(&places.map(|p| low(three >> p, 10)));
                }
                out.truncate(end);
            }
            // Packed: a stream of bits from the lowest of each word.
            _ => {
                let words = bytes.as_chunks::<4>().0.iter();
                let ordered: Vec<u8> = words.flat_map(|&b| word(b).to_le_bytes()).collect();
                Packing::Lsb.unpack(&ordered, self.depth, count, out);
            }
        }
    }
}

/// The display curve behind a code of table 5A; `None` for samples in proportion to light.
fn curve(transfer: u8) -> Result<Option<Curve>, Fault> {
    match transfer {
        // User-defined, linear, or not said: as the camera wrote them.
        0 | 2 | 0xff => Ok(None),
        // Unspecified video and the standards of television.
        4..=8 => Ok(Some(Curve::Bt709)),
        1 | 3 => Err(Fault::unsupported(
            "is a DPX coded as film density or logarithmic: export it in proportion to light \
             (transfer 2)",
        )),
        other => Err(Fault::unsupported(format!("is a DPX with transfer characteristic {other}"))),
    }
}

/// The shape by the header at the beginning of a file of `len` bytes.
pub(super) fn shape(bytes: &[u8], len: u64) -> Result<Shape, Fault> {
    Ok(Layout::of(&Header::of(bytes)?)?.fit(len)?.shape)
}

pub(super) fn decode(bytes: &[u8]) -> Result<Decoded, Fault> {
    let layout = Layout::of(&Header::of(bytes)?)?;
    let layout = layout.fit(u64::try_from(bytes.len()).unwrap_or(u64::MAX))?;
    let size = |n: u64| usize::try_from(n).unwrap_or(usize::MAX);
    let shape = layout.shape;
    let in_row = shape.width * layout.stored;
    let mut data = Vec::with_capacity(in_row * shape.height);
    let (row_bytes, stride) = (size(layout.row_bytes), size(layout.stride));
    for y in 0..shape.height {
        let from = size(layout.data_at) + y * stride;
        let row = &bytes[from.min(bytes.len())..(from + row_bytes).min(bytes.len())];
        // The last row may lack its padding.
        let mut padded;
        let row = if row.len() < row_bytes {
            padded = row.to_vec();
            padded.resize(row_bytes, 0);
            padded.as_slice()
        } else {
            row
        };
        layout.row(row, &mut data);
    }
    let alpha = layout.stored != shape.channels;
    if alpha {
        data = data.chunks_exact(layout.stored).flat_map(|p| layout.order.map(|c| p[c])).collect();
    }
    let samples = shape.filled(data);
    let mut decoded = Decoded::new(samples, FileKind::Dpx, shape.full_scale);
    decoded.curve = layout.curve;
    if alpha {
        decoded.alpha_dropped();
    }
    if layout.curve.is_some() {
        decoded.warnings.push(Warning::new(
            "display-coded",
            "the DPX says that its samples are coded as video; the curve is taken to be that of \
             ITU-R BT.709 and undone",
            "export frames in proportion to light (transfer 2) where the converter can",
        ));
    }
    Ok(decoded)
}

/// The facts in a header.
pub(super) fn facts(bytes: &[u8]) -> HeaderFacts {
    let mut out = HeaderFacts::default();
    let Ok(head) = Header::of(bytes) else { return out };
    out.rate(head.real(1940).and_then(rate_of), "DPX temporal sampling rate");
    if let Some(rate) = head.real(1724).and_then(rate_of) {
        out.facts.rate = None;
        out.rate(Some(rate), "DPX frame rate of original");
    }
    let exposure = head.real(1968).and_then(Duration::from_s);
    out.facts.exposure = super::facts::Fact::of(exposure, &header::source("DPX integration time"));
    out.taken = date_of(&head.text(1532, 24)).or_else(|| date_of(&head.text(136, 24)));
    out.time_code = time_code_of(head.long(1920));
    out
}

/// What a written DPX says of itself.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct DpxTags {
    /// Program, for example "hushframe 0.1.0".
    pub creator: String,
    /// What was done, at most 199 bytes are kept.
    pub description: String,
    /// Rate at which it is shown.
    pub playback: Option<FrameRate>,
    /// Exposure time in seconds.
    pub exposure_s: Option<f64>,
    /// Frames from the first of the sequence: becomes the time code at the playback rate.
    pub position: u64,
    /// Whether the samples are coded for display.
    pub display: bool,
}

/// A frame as DPX of 10 (rounded to nearest) or 16 bits, big-endian, filled by method A.
///
/// Fields that would name a person, a machine or a path stay undefined; there is no date, so
/// equal frames give equal files.
///
/// # Errors
/// [`FootageError::Limit`] where the samples do not match the size, or the depth is another.
pub fn encode_dpx(frame: &OutFrame, bits: u8, tags: &DpxTags) -> Result<Vec<u8>, FootageError> {
    let (width, height) = frame.size()?;
    if !matches!(bits, 10 | 16) {
        return Err(FootageError::Limit {
            path: "finished frame".to_owned(),
            what: format!("DPX of {bits} bits is not written: 10 or 16"),
        });
    }
    let in_row = frame.width * frame.channels;
    let row_bytes =
        if bits == 10 { in_row.div_ceil(3) * 4 } else { (in_row * 2).next_multiple_of(4) };
    let total = HEADER + row_bytes * frame.height;
    let mut out = vec![0xff_u8; HEADER];
    out.reserve_exact(total - HEADER);
    let mut put = |at: usize, bytes: &[u8]| out[at..at + bytes.len()].copy_from_slice(bytes);
    put(0, b"SDPX");
    for (at, value) in [
        (4, count_u32(HEADER)),
        (16, count_u32(total)),
        // Not the same as the frame before; lengths of the three headers.
        (20, 1),
        (24, 1664),
        (28, 384),
        (32, 0),
        (772, width),
        (776, height),
        (780, 0),
        (784, 0),
        (792, (1 << bits) - 1),
        (808, count_u32(HEADER)),
        (812, 0),
        (816, 0),
    ] {
        put(at, &value.to_be_bytes());
    }
    text(&mut put, (8, 8), "V2.0");
    for (at, len) in [(36, 100), (136, 24), (200 + 60, 200), (460, 200), (664, 104)] {
        put(at, &vec![0; len]);
    }
    text(&mut put, (160, 100), &tags.creator);
    text(&mut put, (260, 200), &tags.description);
    put(768, &[0, 0, 0, 1]);
    let transfer = if tags.display { 4 } else { 2 };
    put(800, &[if frame.channels == 3 { 50 } else { 6 }, transfer, transfer, bits]);
    // Filled by method A; no run lengths.
    put(804, &[0, u8::from(bits == 10), 0, 0]);
    for (at, len) in [(820, 32), (1432, 100), (1532, 24), (1556, 64), (1664, 48), (1732, 132)] {
        put(at, &vec![0; len]);
    }
    let real = |x: f64| crate::frame::convert::to_f32(x).to_be_bytes();
    if let Some(rate) = tags.playback {
        put(1940, &real(rate.per_second()));
        let whole = crate::frame::convert::round_u64(rate.per_second());
        put(1920, &time_code_bits(tags.position, whole).to_be_bytes());
    }
    if let Some(s) = tags.exposure_s.filter(|s| s.is_finite() && *s > 0.0) {
        put(1968, &real(s));
    }
    for row in frame.data.chunks_exact(in_row) {
        if bits == 10 {
            row_of_ten(row, frame.channels == 1, &mut out);
        } else {
            out.extend(row.iter().flat_map(|v| v.to_be_bytes()));
        }
        out.resize(out.len().next_multiple_of(4), 0);
    }
    Ok(out)
}

/// A text field, cut to leave its NUL.
fn text(put: &mut impl FnMut(usize, &[u8]), (at, len): (usize, usize), text: &str) {
    let mut field: Vec<u8> = text.bytes().filter(u8::is_ascii).take(len - 1).collect();
    field.resize(len, 0);
    put(at, &field);
}

/// Three samples of 10 bits a word, the two lowest bits 0.
fn row_of_ten(row: &[u16], first_low: bool, out: &mut Vec<u8>) {
    let places = if first_low { [2, 12, 22] } else { [22, 12, 2] };
    for three in row.chunks(3) {
        let word = three.iter().zip(places).fold(0_u32, |w, (&v, place)| {
            // Rounded to nearest.
            w | (((u32::from(v) * 1023 + 32_767) / 65_535) << place)
        });
        out.extend(word.to_be_bytes());
    }
}

#[cfg(test)]
#[path = "dpx_tests.rs"]
mod tests;
