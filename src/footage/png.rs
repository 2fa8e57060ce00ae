//! PNG as samples: grey and RGB, 8 and 16 bit.
//!
//! Depths below 8 are spread over 8 bits and palettes become RGB, as the standard's section on
//! sample depth scaling and palettes says; alpha and `tRNS` are dropped with a warning. All
//! checksums are verified to the end of the file. A PNG that says its samples are sRGB-coded
//! carries a warning, since cameras write linear ones.
//!
//! Source: W3C Portable Network Graphics (PNG) Specification (Third Edition); ISO/IEC 15948.

use std::io::Cursor;

use png::{BitDepth, ColorType, Decoder, DecodingError, Limits, Transformations};

use super::FootageError;
use super::fault::{Fault, ends_early};
use super::kind::FileKind;
use super::shape::{Decoded, Shape, plausible};
use crate::frame::convert::count_u32;
use crate::record::Warning;

/// Most bytes that one byte of deflate can stand for (258 bytes from two bits).
const DEFLATE_RATIO: u64 = 1032;
/// What text, profiles and the like may take.
const SIDE_DATA_BYTES: usize = 64 << 20;

fn fault(e: DecodingError) -> Fault {
    match e {
        DecodingError::IoError(e) => ends_early(e),
        DecodingError::LimitsExceeded => {
            Fault::Limit(format!("its side data exceed {SIDE_DATA_BYTES} bytes"))
        }
        other => Fault::damaged(format!("is damaged: {other}")),
    }
}

type InMemory<'a> = Decoder<Cursor<&'a [u8]>>;

/// A decoder that has read the header and nothing else, and the shape it claims, in a file of
/// `len` bytes. Nothing is allocated for the picture yet.
fn open(bytes: &[u8], len: u64) -> Result<(InMemory<'_>, Shape), Fault> {
    let limits = Limits { bytes: SIDE_DATA_BYTES };
    let mut decoder = Decoder::new_with_limits(Cursor::new(bytes), limits);
    decoder.set_transformations(Transformations::EXPAND);
    decoder.set_ignore_text_chunk(true);
    let info = decoder.read_header_info().map_err(fault)?;
    let (width, height) = (u64::from(info.width), u64::from(info.height));
    let (channels, samples) = match info.color_type {
        ColorType::Grayscale => (1, 1),
        ColorType::GrayscaleAlpha => (1, 2),
        ColorType::Indexed | ColorType::Rgb => (3, 3),
        ColorType::Rgba => (3, 4),
    };
    let bits = if info.bit_depth == BitDepth::Sixteen { 16 } else { 8 };
    Shape::checked(width, height, samples, bits)?;
    let shape = Shape::checked(width, height, channels, bits)?;
    let pixel_bits = u64::try_from(info.bits_per_pixel()).unwrap_or(64);
    plausible((width * pixel_bits).div_ceil(8) * height, len, DEFLATE_RATIO)?;
    Ok((decoder, shape))
}

/// The shape by the beginning of a file of `len` bytes.
pub(super) fn shape(bytes: &[u8], len: u64) -> Result<Shape, Fault> {
    Ok(open(bytes, len)?.1)
}

pub(super) fn decode(bytes: &[u8]) -> Result<Decoded, Fault> {
    let (decoder, shape) = open(bytes, u64::try_from(bytes.len()).unwrap_or(u64::MAX))?;
    let mut reader = decoder.read_info().map_err(fault)?;
    let size = reader
        .output_buffer_size()
        .ok_or_else(|| Fault::Limit("does not fit this machine's address space".to_owned()))?;
    let mut buffer = vec![0_u8; size];
    reader.next_frame(&mut buffer).map_err(fault)?;
    reader.finish().map_err(fault)?;
    let (colour, depth) = reader.output_color_type();
    let in_file = colour.samples();
    let values: Vec<u16> = if depth == BitDepth::Sixteen {
        buffer.as_chunks::<2>().0.iter().map(|&b| u16::from_be_bytes(b)).collect()
    } else {
        buffer.iter().map(|&b| u16::from(b)).collect()
    };
    let data = if in_file == shape.channels {
        values
    } else {
        values.chunks_exact(in_file).flat_map(|p| &p[..shape.channels]).copied().collect()
    };
    if data.len() != shape.samples() {
        return Err(Fault::damaged(format!(
            "gave {} samples where {} are needed",
            data.len(),
            shape.samples()
        )));
    }
    let mut decoded = Decoded::new(shape.filled(data), FileKind::Png, shape.full_scale);
    if in_file != shape.channels {
        decoded.alpha_dropped();
    }
    if reader.info().srgb.is_some() {
        decoded.warnings.push(Warning::new(
            "display-coded",
            "the PNG says that its samples are sRGB-coded; they are taken as linear",
            "where it is right, export linear 16-bit frames instead",
        ));
    }
    Ok(decoded)
}

/// 8-bit PNG bytes of `(width, height, channels)` interleaved samples (1 or 3 channels) that are
/// coded for display; says so with an sRGB chunk.
///
/// # Errors
/// [`FootageError::Limit`] where the samples do not match the size.
pub fn encode_png8(
    (width, height, channels): (usize, usize, usize),
    data: &[u8],
) -> Result<Vec<u8>, FootageError> {
    let limit = |what: String| FootageError::Limit { path: "picture".to_owned(), what };
    if data.len() != width * height * channels || !matches!(channels, 1 | 3) {
        return Err(limit(format!(
            "{width}x{height} pixels of {channels} channel(s) do not match {} samples",
            data.len()
        )));
    }
    let mut out = Vec::with_capacity(data.len() + 1024);
    let mut encoder = png::Encoder::new(&mut out, count_u32(width), count_u32(height));
    encoder.set_color(if channels == 3 { ColorType::Rgb } else { ColorType::Grayscale });
    encoder.set_depth(BitDepth::Eight);
    encoder.set_compression(png::Compression::Fast);
    encoder.set_source_srgb(png::SrgbRenderingIntent::Perceptual);
    let written = encoder.write_header().and_then(|mut w| {
        w.write_image_data(data)?;
        w.finish()
    });
    written.map_err(|e| limit(format!("could not be encoded as PNG: {e}")))?;
    Ok(out)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn encode(colour: ColorType, depth: BitDepth, w: u32, h: u32, data: &[u8]) -> Vec<u8> {
        let mut out = Vec::new();
        let mut encoder = png::Encoder::new(&mut out, w, h);
        encoder.set_color(colour);
        encoder.set_depth(depth);
        if colour == ColorType::Indexed {
            encoder.set_palette(vec![1, 2, 3, 40, 50, 60]);
        }
        encoder.write_header().unwrap().write_image_data(data).unwrap();
        out
    }

    #[test]
    fn sixteen_bits_and_alpha() {
        let f = encode(ColorType::Grayscale, BitDepth::Sixteen, 2, 1, &[0x12, 0x34, 0xff, 0xfe]);
        let d = decode(&f).unwrap();
        assert_eq!((d.samples.data.as_slice(), d.samples.bits), (&[0x1234, 0xfffe][..], 16));
        let f = encode(ColorType::Rgba, BitDepth::Eight, 1, 1, &[9, 8, 7, 255]);
        let d = decode(&f).unwrap();
        assert_eq!(d.samples.data, [9, 8, 7]);
        assert_eq!(d.warnings[0].kind, "alpha-dropped");
        assert_eq!(shape(&f[..33], 1000).unwrap(), d.shape());
    }

    #[test]
    fn palettes_become_rgb() {
        let f = encode(ColorType::Indexed, BitDepth::Eight, 2, 1, &[1, 0]);
        assert_eq!(decode(&f).unwrap().samples.data, [40, 50, 60, 1, 2, 3]);
    }

    #[test]
    fn any_flipped_byte_or_cut_is_noticed() {
        let pixels: Vec<u8> = (0..=255).collect();
        let f = encode(ColorType::Grayscale, BitDepth::Eight, 16, 16, &pixels);
        for len in 0..f.len() {
            assert!(decode(&f[..len]).is_err(), "cut to {len}");
        }
        let mut refused = 0;
        for at in 33..f.len() {
            let mut g = f.clone();
            g[at] ^= 0x10;
            // Either refused, or a byte that carries no pixel: never other pixels.
            if let Ok(d) = decode(&g) {
                assert!(d.samples.data.iter().copied().eq(0..=255), "byte {at}");
            } else {
                refused += 1;
            }
        }
        assert!(refused > (f.len() - 33) / 2, "only {refused} of {} refused", f.len() - 33);
    }

    /// A header that claims a size, and nothing behind it.
    fn claim(width: u32, height: u32) -> Vec<u8> {
        let mut out = b"\x89PNG\r\n\x1a\n".to_vec();
        let chunk = |kind: &[u8; 4], body: &[u8], out: &mut Vec<u8>| {
            out.extend(u32::try_from(body.len()).unwrap().to_be_bytes());
            let start = out.len();
            out.extend(kind);
            out.extend(body);
            let crc = crc32fast::hash(&out[start..]);
            out.extend(crc.to_be_bytes());
        };
        let mut head = width.to_be_bytes().to_vec();
        head.extend(height.to_be_bytes());
        head.extend([16, 0, 0, 0, 0]);
        chunk(b"IHDR", &head, &mut out);
        chunk(b"IDAT", &[0x78, 0x9c, 0x03, 0, 0, 0, 0, 1], &mut out);
        chunk(b"IEND", &[], &mut out);
        out
    }

    #[test]
    fn huge_claims_are_refused_before_allocation() {
        assert!(decode(&claim(60_000, 60_000)).unwrap_err().to_string().contains("limit"));
        let text = decode(&claim(20_000, 20_000)).unwrap_err().to_string();
        assert!(text.contains("claims 800000000 bytes"), "{text}");
    }
}
