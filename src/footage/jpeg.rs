//! JPEG as samples: 8-bit grey and RGB, and lossless ones (process 3) of 2 to 16 bits.
//!
//! Lossless JPEG is decoded by `ljpeg` and taken as it is, in proportion to light, of as many bits
//! as it says. Other JPEG is display-coded and lossy: callers undo the sRGB curve (`FileKind::curve`) and say so.
//! The decoder fills what is missing of a cut file with grey and calls it done, so the end
//! marker is looked for here.
//!
//! Source: ITU-T T.81 | ISO/IEC 10918-1, annex B (markers); T.871 (JFIF).

use std::io::Cursor;

use image::codecs::jpeg::JpegDecoder;
use image::{ColorType, ImageDecoder, ImageError};

use super::fault::Fault;
use super::kind::FileKind;
use super::shape::{Decoded, Shape, plausible};
use crate::frame::Samples;
use crate::record::Warning;

/// Most pixels that one byte can stand for. A block of 64 pixels takes at least two bits a
/// component in a baseline file; a progressive one can skip runs of blocks, hence far more.
const BEST_RATIO: u64 = 65_536;

fn fault(e: &ImageError) -> Fault {
    match e {
        ImageError::Unsupported(e) => Fault::unsupported(format!("is not supported: {e}")),
        ImageError::Limits(e) => Fault::Limit(format!("exceeds the limits: {e}")),
        other => Fault::damaged(format!("is damaged: {other}")),
    }
}

/// Size and components from the frame header (SOFn), and where the first scan begins.
struct Markers {
    width: u64,
    height: u64,
    components: u8,
    /// Bits a sample.
    precision: u8,
    lossless: bool,
    scan: usize,
}

/// Walks the marker segments up to the first scan.
fn markers(bytes: &[u8]) -> Result<Markers, Fault> {
    let cut = || Fault::damaged("the file ends early: copy it again from the camera");
    let mut at = 2;
    let mut frame = None;
    loop {
        if *bytes.get(at).ok_or_else(cut)? != 0xff {
            return Err(Fault::damaged(format!("has no marker at byte {at}")));
        }
        let marker = *bytes.get(at + 1).ok_or_else(cut)?;
        if matches!(marker, 0xff) {
            // A fill byte.
            at += 1;
            continue;
        }
        if matches!(marker, 0x01 | 0xd0..=0xd8) {
            at += 2;
            continue;
        }
        let length = bytes.get(at + 2..at + 4).ok_or_else(cut)?;
        let length = usize::from(u16::from_be_bytes([length[0], length[1]]));
        let body = bytes.get(at + 4..at + 2 + length.max(2)).ok_or_else(cut)?;
        match marker {
            // SOF0..SOF15 without DHT (c4), JPG (c8) and DAC (cc).
            0xc0..=0xcf if !matches!(marker, 0xc4 | 0xc8 | 0xcc) => {
                let &[precision, h1, h0, w1, w0, components, ..] = body else { return Err(cut()) };
                let lossless = marker == 0xc3 && (2..=16).contains(&precision);
                if !lossless && (precision != 8 || !matches!(marker, 0xc0..=0xc2)) {
                    return Err(Fault::unsupported(format!(
                        "is a JPEG of {precision} bits, process {}: only 8-bit baseline and \
                         progressive ones and lossless ones are read",
                        marker - 0xc0
                    )));
                }
                let size = |hi, lo| u64::from(u16::from_be_bytes([hi, lo]));
                frame = Some((size(w1, w0), size(h1, h0), components, precision, lossless));
            }
            0xda => {
                let (width, height, components, precision, lossless) =
                    frame.ok_or_else(|| Fault::damaged("has a scan before its frame header"))?;
                let scan = at + 2 + length;
                return Ok(Markers { width, height, components, precision, lossless, scan });
            }
            0xd9 => return Err(Fault::damaged("ends before its first scan")),
            _ => {}
        }
        at += 2 + length.max(2);
    }
}

fn header(bytes: &[u8], len: u64) -> Result<(Shape, Markers), Fault> {
    let m = markers(bytes)?;
    let channels = match m.components {
        1 => 1,
        3 => 3,
        n => return Err(Fault::unsupported(format!("is a JPEG of {n} components: save as RGB"))),
    };
    let bits = if m.precision > 8 { 16 } else { 8 };
    let full = u16::try_from((1_u32 << m.precision) - 1).unwrap_or(u16::MAX);
    let shape = Shape::checked(m.width, m.height, channels, bits)?.with_full_scale(full);
    // A lossless sample takes at least one bit.
    let ratio = if m.lossless { 8 } else { BEST_RATIO };
    plausible(u64::try_from(shape.samples()).unwrap_or(u64::MAX), len, ratio)?;
    Ok((shape, m))
}

/// The shape by the beginning of a file of `len` bytes.
pub(super) fn shape(bytes: &[u8], len: u64) -> Result<Shape, Fault> {
    Ok(header(bytes, len)?.0)
}

pub(super) fn decode(bytes: &[u8]) -> Result<Decoded, Fault> {
    let (shape, found) = header(bytes, u64::try_from(bytes.len()).unwrap_or(u64::MAX))?;
    if found.lossless {
        return lossless(bytes, &shape, found.precision);
    }
    let scan = found.scan;
    // Inside a scan every ff of the data is followed by 00, so ff d9 is the end marker.
    let coded = bytes.get(scan..).unwrap_or(&[]);
    if !coded.windows(2).any(|w| w == [0xff, 0xd9]) {
        return Err(Fault::damaged("the file ends early: it has no end marker"));
    }
    let decoder = JpegDecoder::new(Cursor::new(bytes)).map_err(|e| fault(&e))?;
    let got = decoder.dimensions();
    let wide = |n: u32| usize::try_from(n).unwrap_or(0);
    let channels = match decoder.color_type() {
        ColorType::L8 => 1,
        ColorType::Rgb8 => 3,
        other => return Err(Fault::unsupported(format!("is a JPEG of kind {other:?}"))),
    };
    if (wide(got.0), wide(got.1), channels) != (shape.width, shape.height, shape.channels) {
        return Err(Fault::damaged("holds two frame headers that differ"));
    }
    let mut buffer = vec![0_u8; shape.samples()];
    decoder.read_image(&mut buffer).map_err(|e| fault(&e))?;
    let samples = Samples {
        width: shape.width,
        height: shape.height,
        channels: shape.channels,
        bits: 8,
        data: buffer.into_iter().map(u16::from).collect(),
    };
    let mut decoded = Decoded::new(samples, FileKind::Jpeg, 255);
    decoded.warnings.push(Warning::new(
        "display-coded",
        "the frames are JPEG: 8 bits behind a display curve, with detail lost; the curve is taken \
         to be sRGB and undone",
        "record linear frames of 16 bits where the camera can",
    ));
    Ok(decoded)
}

/// A lossless one, which is taken to be in proportion to light.
fn lossless(bytes: &[u8], shape: &Shape, precision: u8) -> Result<Decoded, Fault> {
    let mut data = Vec::new();
    let in_row = shape.width * shape.channels;
    super::ljpeg::decode(bytes, (in_row, shape.height), precision, &mut data)?;
    let samples = shape.filled(data);
    let mut decoded = Decoded::new(samples, FileKind::Jpeg, shape.full_scale);
    decoded.curve = None;
    Ok(decoded)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn encoded(w: u32, h: u32) -> Vec<u8> {
        let pixels: Vec<u8> = (0..w * h).map(|i| u8::try_from(i % 251).unwrap()).collect();
        let mut out = Vec::new();
        image::codecs::jpeg::JpegEncoder::new_with_quality(&mut out, 90)
            .encode(&pixels, w, h, image::ExtendedColorType::L8)
            .unwrap();
        out
    }

    #[test]
    fn grey_decodes_and_says_its_curve() {
        let f = encoded(24, 16);
        let d = decode(&f).unwrap();
        assert_eq!((d.samples.width, d.samples.height, d.samples.channels), (24, 16, 1));
        assert_eq!(d.kind, FileKind::Jpeg);
        assert_eq!(shape(&f, 1000).unwrap(), d.shape());
    }

    #[test]
    fn every_cut_is_an_error() {
        let f = encoded(24, 16);
        for len in 3..f.len() {
            assert!(decode(&f[..len]).is_err(), "cut to {len} of {}", f.len());
        }
    }

    #[test]
    fn large_claims_are_refused() {
        let mut f = encoded(24, 16);
        let sof = f.windows(2).position(|w| w == [0xff, 0xc0]).unwrap();
        f[sof + 5..sof + 9].copy_from_slice(&[0xff, 0xff, 0xff, 0xff]);
        assert!(decode(&f).unwrap_err().to_string().contains("limit"));
    }
}
