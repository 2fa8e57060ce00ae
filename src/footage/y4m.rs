//! Y4M (YUV4MPEG2), in from a file and out to any writer: a text header and plain planes.
//!
//! In: mono and 4:2:0, 4:2:2, 4:4:4, of 8 to 16 bits, progressive. Mono in full range keeps its
//! samples; everything else comes out with 16 bits, rounded: luma and chroma are brought from
//! their range (limited unless the header says `XCOLORRANGE=FULL`) to 0..65535, colour by the
//! matrix of BT.709, a chroma sample standing for all pixels it covers. Samples count as coded
//! with the curve of BT.709, with a warning: Y4M is a format for display. An alpha plane is
//! dropped with a warning.
//!
//! A frame is found by its number, so a clip is read in any order; that needs frame lines without
//! parameters, which is what programs write. A stream from a pipe is kept as a file first
//! (`spool`), because every frame is read twice, once to measure and once to render.
//!
//! Out: 8 bits in 4:2:0 (`C420jpeg`, chroma is the mean of the pixels it covers), or 8 or 10 bits
//! in 4:4:4, limited range, matrix and curve of BT.709 as the input gives them.
//!
//! Source: the YUV4MPEG2 format's own manual page (yuv4mpeg(5)) and the colour spaces beyond it
//! that common libraries write (from memory, held by `tests/reference`); ITU-R BT.709-6 items 3
//! and 4.6 (matrix and ranges).

use std::io::{self, Read, SeekFrom, Write};

use super::facts::Facts;
use super::fault::{Fault, ends_early};
use super::finished::OutFrame;
use super::header::HeaderFacts;
use super::kind::{FileKind, Source};
use super::shape::{Decoded, Shape};
use crate::frame::convert::{round_u16, to_f32};
use crate::frame::units::FrameRate;
use crate::record::Warning;

/// Longest header line.
const HEADER: u64 = 4096;
/// What stands before each frame.
const FRAME: &[u8] = b"FRAME\n";
/// Luma weights of red and blue, BT.709.
const KR: f32 = 0.2126;
const KB: f32 = 0.0722;

/// What the header line says.
#[derive(Debug, Clone)]
struct Header {
    width: usize,
    height: usize,
    bits: u8,
    /// Columns and rows that one chroma sample covers; `None`: mono.
    chroma: Option<(usize, usize)>,
    alpha: bool,
    full_range: bool,
    rate: Option<FrameRate>,
    /// Bytes of the header with its newline.
    len: u64,
}

impl Header {
    fn read(source: &mut impl Source) -> Result<Self, Fault> {
        source.seek(SeekFrom::Start(0)).map_err(Fault::Io)?;
        let mut bytes = Vec::new();
        source.by_ref().take(HEADER).read_to_end(&mut bytes).map_err(Fault::Io)?;
        let Some(end) = bytes.iter().position(|&b| b == b'\n') else {
            return Err(Fault::damaged("its Y4M header has no end"));
        };
        let line = String::from_utf8_lossy(&bytes[..end]).into_owned();
        let mut words = line.split(' ');
        if words.next() != Some("YUV4MPEG2") {
            return Err(Fault::damaged("has no Y4M signature"));
        }
        let (mut size, mut space) = ([0_u64; 2], "420jpeg".to_owned());
        let (mut full_range, mut rate) = (false, None);
        for word in words {
            let Some((key, value)) = word.split_at_checked(1) else { continue };
            let number = || {
                let n = value.parse::<u64>();
                n.map_err(|_| Fault::damaged(format!("its Y4M header says {key}{value}")))
            };
            match key {
                "W" => size[0] = number()?,
                "H" => size[1] = number()?,
                "C" => value.clone_into(&mut space),
                "F" => rate = fraction(value),
                "I" if !matches!(value, "p" | "?") => {
                    return Err(Fault::unsupported(format!(
                        "is an interlaced Y4M (I{value}): save it progressive"
                    )));
                }
                "X" if value == "COLORRANGE=FULL" => full_range = true,
                _ => {}
            }
        }
        let (bits, chroma, alpha) = colour_space(&space)?;
        Shape::checked(size[0], size[1], if alpha { 4 } else { 3 }, 16)?;
        let wide = |n: u64| usize::try_from(n).unwrap_or(0);
        let len = u64::try_from(end + 1).unwrap_or(0);
        // The JPEG variant of 4:2:0 names the place of chroma samples, not the range.
        let (width, height) = (wide(size[0]), wide(size[1]));
        Ok(Self { width, height, bits, chroma, alpha, full_range, rate, len })
    }

    fn shape(&self) -> Result<Shape, Fault> {
        let size = |n: usize| u64::try_from(n).unwrap_or(0);
        let (width, height) = (size(self.width), size(self.height));
        if self.chroma.is_some() || !self.full_range {
            return Shape::checked(width, height, if self.chroma.is_some() { 3 } else { 1 }, 16);
        }
        let full = u16::try_from((1_u32 << self.bits) - 1).unwrap_or(u16::MAX);
        let bits = if self.bits == 8 { 8 } else { 16 };
        Ok(Shape::checked(width, height, 1, bits)?.with_full_scale(full))
    }

    /// Width and height of a chroma plane.
    fn chroma_size(&self) -> (usize, usize) {
        self.chroma.map_or((0, 0), |(x, y)| (self.width.div_ceil(x), self.height.div_ceil(y)))
    }

    fn frame_bytes(&self) -> u64 {
        let (cw, ch) = self.chroma_size();
        let luma = self.width * self.height;
        let samples = luma + 2 * cw * ch + if self.alpha { luma } else { 0 };
        u64::try_from(if self.bits == 8 { samples } else { samples * 2 }).unwrap_or(u64::MAX)
    }

    fn stride(&self) -> u64 {
        self.frame_bytes() + FRAME.len() as u64
    }
}

/// "30000:1001" as a rate; 0:0 means unknown.
fn fraction(text: &str) -> Option<FrameRate> {
    let (num, den) = text.split_once(':')?;
    FrameRate::new(num.parse().ok()?, den.parse().ok()?)
}

/// Bits, what a chroma sample covers, and whether there is alpha.
type Space = (u8, Option<(usize, usize)>, bool);

fn colour_space(text: &str) -> Result<Space, Fault> {
    let unknown = || Fault::unsupported(format!("is a Y4M of colour space C{text}"));
    if let Some(depth) = text.strip_prefix("mono") {
        let bits = if depth.is_empty() { 8 } else { depth.parse().map_err(|_| unknown())? };
        return if (8..=16).contains(&bits) { Ok((bits, None, false)) } else { Err(unknown()) };
    }
    let (base, rest) = text.split_at_checked(3).ok_or_else(unknown)?;
    let covers = match base {
        "420" => (2, 2),
        "422" => (2, 1),
        "444" => (1, 1),
        _ => return Err(unknown()),
    };
    match rest {
        "" | "jpeg" | "mpeg2" | "paldv" => Ok((8, Some(covers), false)),
        "alpha" if base == "444" => Ok((8, Some(covers), true)),
        _ => {
            let bits = rest.strip_prefix('p').and_then(|d| d.parse::<u8>().ok());
            let bits = bits.filter(|b| (9..=16).contains(b)).ok_or_else(unknown)?;
            Ok((bits, Some(covers), false))
        }
    }
}

/// Whole frames in the file, and whether it ends inside another one.
pub(super) fn frames(source: &mut impl Source) -> Result<(usize, bool), Fault> {
    let header = Header::read(source)?;
    let len = source.seek(SeekFrom::End(0)).map_err(Fault::Io)?;
    let body = len.saturating_sub(header.len);
    let whole = usize::try_from(body / header.stride()).unwrap_or(usize::MAX);
    Ok((whole, body % header.stride() != 0))
}

pub(super) fn shape(source: &mut impl Source, page: usize) -> Result<Shape, Fault> {
    let header = Header::read(source)?;
    find(source, &header, page)?;
    header.shape()
}

/// Moves to the samples of a frame; they lie within the file.
fn find(source: &mut impl Source, header: &Header, page: usize) -> Result<(), Fault> {
    let len = source.seek(SeekFrom::End(0)).map_err(Fault::Io)?;
    let at = u64::try_from(page)
        .ok()
        .and_then(|page| page.checked_mul(header.stride())?.checked_add(header.len));
    let Some(at) = at.filter(|at| len.saturating_sub(*at) >= header.stride()) else {
        return Err(Fault::damaged(format!(
            "the file ends early: it has {len} bytes and no whole frame {}",
            page.saturating_add(1)
        )));
    };
    source.seek(SeekFrom::Start(at)).map_err(Fault::Io)?;
    let mut line = [0; FRAME.len()];
    source.read_exact(&mut line).map_err(ends_early)?;
    if line.as_slice() != FRAME {
        return Err(Fault::unsupported(format!(
            "has no plain FRAME line at byte {at}: write it without frame parameters"
        )));
    }
    Ok(())
}

pub(super) fn decode(source: &mut impl Source, page: usize) -> Result<Decoded, Fault> {
    let header = Header::read(source)?;
    let shape = header.shape()?;
    find(source, &header, page)?;
    let mut bytes = vec![0; usize::try_from(header.frame_bytes()).unwrap_or(0)];
    source.read_exact(&mut bytes).map_err(ends_early)?;
    let values: Vec<u16> = if header.bits == 8 {
        bytes.iter().map(|&b| u16::from(b)).collect()
    } else {
        bytes.as_chunks::<2>().0.iter().map(|&b| u16::from_le_bytes(b)).collect()
    };
    let most = u16::try_from((1_u32 << header.bits) - 1).unwrap_or(u16::MAX);
    if let Some(v) = values.iter().find(|v| **v > most) {
        return Err(Fault::damaged(format!("has a sample of {v}, beyond {} bits", header.bits)));
    }
    let samples = shape.filled(convert(&header, values));
    let mut decoded = Decoded::new(samples, FileKind::Y4m, shape.full_scale);
    decoded.warnings.push(Warning::new(
        "display-coded",
        "the frames are Y4M: coded for display; the curve is taken to be that of ITU-R BT.709 \
         and undone",
        "record linear frames of 16 bits where the camera can",
    ));
    if header.alpha {
        decoded.alpha_dropped();
    }
    Ok(decoded)
}

/// Planes as interleaved samples.
fn convert(header: &Header, values: Vec<u16>) -> Vec<u16> {
    let pixels = header.width * header.height;
    let range = Range::of(header.bits, header.full_range);
    let Some((sx, sy)) = header.chroma else {
        if header.full_range {
            return values;
        }
        return values[..pixels].iter().map(|&v| code(range.luma(v))).collect();
    };
    let (cw, ch) = header.chroma_size();
    let (luma, rest) = values.split_at(pixels);
    let (cb, cr) = (&rest[..cw * ch], &rest[cw * ch..2 * cw * ch]);
    let mut out = Vec::with_capacity(pixels * 3);
    for (i, &y) in luma.iter().enumerate() {
        let at = (i / header.width / sy) * cw + (i % header.width) / sx;
        let rgb = rgb(range.luma(y), range.chroma(cb[at]), range.chroma(cr[at]));
        out.extend(rgb.map(code));
    }
    out
}

/// 0 to 1 as 16 bits, rounded and clipped.
fn code(v: f32) -> u16 {
    round_u16(v * 65_535.0)
}

/// The codes of a depth and range.
#[derive(Clone, Copy)]
struct Range {
    black: f32,
    span: f32,
    middle: f32,
    chroma_span: f32,
}

impl Range {
    /// BT.709-6, items 4.6 and following, scaled to the depth; full range as JFIF has it.
    fn of(bits: u8, full: bool) -> Self {
        let unit = f32::from(1_u16 << (bits - 8));
        let most = to_f32(f64::from((1_u32 << bits) - 1));
        if full {
            Self { black: 0.0, span: most, middle: 128.0 * unit, chroma_span: most }
        } else {
            Self {
                black: 16.0 * unit,
                span: 219.0 * unit,
                middle: 128.0 * unit,
                chroma_span: 224.0 * unit,
            }
        }
    }

    fn luma(self, v: u16) -> f32 {
        (f32::from(v) - self.black) / self.span
    }

    fn chroma(self, v: u16) -> f32 {
        (f32::from(v) - self.middle) / self.chroma_span
    }
}

/// R', G', B' from Y', Cb, Cr (BT.709-6, items 3.2 and 3.3 solved for the colours).
fn rgb(y: f32, cb: f32, cr: f32) -> [f32; 3] {
    let r = y + 2.0 * (1.0 - KR) * cr;
    let b = y + 2.0 * (1.0 - KB) * cb;
    [r, (y - KR * r - KB * b) / (1.0 - KR - KB), b]
}

/// The facts in a header: its rate.
pub(super) fn facts(source: &mut impl Source) -> HeaderFacts {
    let mut out = HeaderFacts { facts: Facts::default(), ..HeaderFacts::default() };
    if let Ok(header) = Header::read(source) {
        out.rate(header.rate, "Y4M frame rate");
    }
    out
}

/// How a written stream holds its samples.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Y4mKind {
    /// 8 bits, 4:2:0: what every encoder takes.
    #[default]
    Eight420,
    /// 8 bits, 4:4:4.
    Eight444,
    /// 10 bits, 4:4:4.
    Ten444,
}

/// Writes frames that are coded for display as a Y4M stream.
#[derive(Debug)]
pub struct Y4mWriter<W> {
    out: W,
    kind: Y4mKind,
    size: Option<(usize, usize)>,
    rate: FrameRate,
}

impl<W: Write> Y4mWriter<W> {
    /// A stream that is shown at `rate`; the header is written with the first frame.
    pub fn new(out: W, kind: Y4mKind, rate: FrameRate) -> Self {
        Self { out, kind, size: None, rate }
    }

    /// Appends a frame: R'G'B' or Y' of 16 bits, rounded to the stream's depth.
    ///
    /// # Errors
    /// Where the writer fails, or a frame has another size than the first.
    pub fn frame(&mut self, frame: &OutFrame) -> io::Result<()> {
        let size = (frame.width, frame.height);
        match self.size {
            None => {
                let space = match self.kind {
                    Y4mKind::Eight420 => "420jpeg",
                    Y4mKind::Eight444 => "444",
                    Y4mKind::Ten444 => "444p10 XYSCSS=444P10",
                };
                writeln!(
                    self.out,
                    "YUV4MPEG2 W{} H{} F{}:{} Ip A1:1 C{space} XCOLORRANGE=LIMITED",
                    size.0,
                    size.1,
                    self.rate.num(),
                    self.rate.den()
                )?;
                self.size = Some(size);
            }
            Some(first) if first != size => {
                return Err(io::Error::other(format!(
                    "a frame is {}x{} but the stream is {}x{}",
                    size.0, size.1, first.0, first.1
                )));
            }
            Some(_) => {}
        }
        self.out.write_all(FRAME)?;
        let bits = if self.kind == Y4mKind::Ten444 { 10 } else { 8 };
        let planes = planes(frame, self.kind == Y4mKind::Eight420);
        let range = Range::of(bits, false);
        for (i, plane) in planes.iter().enumerate() {
            let (span, zero) =
                if i == 0 { (range.span, range.black) } else { (range.chroma_span, range.middle) };
            let codes = plane.iter().map(|&v| round_u16(v * span + zero));
            let bytes: Vec<u8> = if bits == 8 {
                codes.map(|c| c.min(255).to_le_bytes()[0]).collect()
            } else {
                codes.flat_map(|c| c.min(1023).to_le_bytes()).collect()
            };
            self.out.write_all(&bytes)?;
        }
        Ok(())
    }

    /// Flushes what is left.
    ///
    /// # Errors
    /// Where the writer fails.
    pub fn finish(mut self) -> io::Result<()> {
        self.out.flush()
    }
}

/// Y' from 0 to 1, Cb and Cr from -0.5 to 0.5; chroma halved both ways where asked.
fn planes(frame: &OutFrame, halved: bool) -> [Vec<f32>; 3] {
    let one = |v: u16| f32::from(v) / 65_535.0;
    let pixels = frame.width * frame.height;
    let (cw, ch) = if halved {
        (frame.width.div_ceil(2), frame.height.div_ceil(2))
    } else {
        (frame.width, frame.height)
    };
    if frame.channels == 1 {
        let luma = frame.data.iter().map(|&v| one(v)).collect();
        return [luma, vec![0.0; cw * ch], vec![0.0; cw * ch]];
    }
    let mut out = [const { Vec::new() }; 3];
    out.iter_mut().for_each(|p| p.reserve(pixels));
    for p in frame.data.chunks_exact(3) {
        let [r, g, b] = [one(p[0]), one(p[1]), one(p[2])];
        let y = KR * r + (1.0 - KR - KB) * g + KB * b;
        out[0].push(y);
        out[1].push((b - y) / (2.0 * (1.0 - KB)));
        out[2].push((r - y) / (2.0 * (1.0 - KR)));
    }
    if halved {
        for plane in &mut out[1..] {
            *plane = half(plane, frame.width, frame.height);
        }
    }
    out
}

/// The mean of each two by two pixels; at an odd edge of those that are there.
fn half(plane: &[f32], width: usize, height: usize) -> Vec<f32> {
    let mut out = Vec::with_capacity(width.div_ceil(2) * height.div_ceil(2));
    for y in (0..height).step_by(2) {
        let below = (y + 1).min(height - 1);
        for x in (0..width).step_by(2) {
            let right = (x + 1).min(width - 1);
            let at = |x: usize, y: usize| plane[y * width + x];
            out.push((at(x, y) + at(right, y) + at(x, below) + at(right, below)) / 4.0);
        }
    }
    out
}

#[cfg(test)]
#[path = "y4m_tests.rs"]
mod tests;
