//! Binary PGM (P5) and PPM (P6), 8 and 16 bit.
//!
//! Read here because the layout is 20 lines and the largest value (`maxval`) must not be lost:
//! cameras with 10 or 12 bits write 1023 or 4095 there, and samples stay as they are written.
//!
//! Source: the open PGM and PPM format descriptions: magic, width, height and maxval separated
//! by white space, `#` starts a comment that runs to the end of the line, one white-space byte
//! after maxval, two bytes a sample (high byte first) where maxval is above 255.

use super::decode::{Decoded, Fault, FileKind, Shape};
use crate::frame::Samples;

/// What the header says, and where the samples begin.
struct Header {
    shape: Shape,
    body: usize,
}

fn header(bytes: &[u8]) -> Result<Header, Fault> {
    let channels = match bytes.get(..2) {
        Some(b"P5") => 1,
        Some(b"P6") => 3,
        Some(b"P2" | b"P3") => {
            return Err(Fault::unsupported(
                "is a text PGM/PPM: save it in the binary form P5 or P6",
            ));
        }
        _ => return Err(Fault::unsupported("is a PNM other than PGM (P5) and PPM (P6)")),
    };
    let mut at = 2;
    let width = number(bytes, &mut at)?;
    let height = number(bytes, &mut at)?;
    let maxval = number(bytes, &mut at)?;
    let full_scale = u16::try_from(maxval)
        .ok()
        .filter(|&m| m > 0)
        .ok_or_else(|| Fault::damaged(format!("maxval is {maxval}, not within 1..=65535")))?;
    if !bytes.get(at).is_some_and(u8::is_ascii_whitespace) {
        return Err(Fault::damaged("its header does not end in white space"));
    }
    let bits = if full_scale > 255 { 16 } else { 8 };
    let shape = Shape::checked(width, height, channels, bits)?.with_full_scale(full_scale);
    Ok(Header { shape, body: at + 1 })
}

/// The next number of the header, after white space and comments.
fn number(bytes: &[u8], at: &mut usize) -> Result<u64, Fault> {
    loop {
        match bytes.get(*at) {
            Some(b'#') => {
                while bytes.get(*at).is_some_and(|&b| b != b'\n' && b != b'\r') {
                    *at += 1;
                }
            }
            Some(b) if b.is_ascii_whitespace() => *at += 1,
            _ => break,
        }
    }
    let start = *at;
    let mut value: u64 = 0;
    while let Some(d) = bytes.get(*at).filter(|b| b.is_ascii_digit()) {
        value = value.saturating_mul(10).saturating_add(u64::from(d - b'0'));
        *at += 1;
    }
    if *at == start {
        return Err(Fault::damaged("its header lacks a number"));
    }
    Ok(value)
}

/// Bytes that the samples take.
fn body_bytes(shape: &Shape) -> usize {
    if shape.bits == 16 { shape.samples() * 2 } else { shape.samples() }
}

fn cut(have: u64, need: usize) -> Fault {
    Fault::damaged(format!("the file ends early: {have} of {need} bytes of samples"))
}

/// The shape by the beginning of a file of `len` bytes.
pub(super) fn shape(bytes: &[u8], len: u64) -> Result<Shape, Fault> {
    let Header { shape, body } = header(bytes)?;
    let need = body_bytes(&shape);
    let have = len.saturating_sub(u64::try_from(body).unwrap_or(u64::MAX));
    if u64::try_from(need).is_ok_and(|n| n > have) {
        return Err(cut(have, need));
    }
    Ok(shape)
}

pub(super) fn decode(bytes: &[u8]) -> Result<Decoded, Fault> {
    let Header { shape, body } = header(bytes)?;
    let need = body_bytes(&shape);
    let body = &bytes[body.min(bytes.len())..];
    let Some(body) = body.get(..need) else {
        return Err(cut(u64::try_from(body.len()).unwrap_or(u64::MAX), need));
    };
    let data = if shape.bits == 16 {
        body.as_chunks::<2>().0.iter().map(|&b| u16::from_be_bytes(b)).collect()
    } else {
        body.iter().map(|&b| u16::from(b)).collect()
    };
    Ok(Decoded::new(
        Samples {
            width: shape.width,
            height: shape.height,
            channels: shape.channels,
            bits: shape.bits,
            data,
        },
        FileKind::Pnm,
        shape.full_scale,
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn twelve_bits_in_sixteen_stay_as_written() {
        let mut f = b"P5\n# comb, tine 3\n2 1\n4095\n".to_vec();
        f.extend_from_slice(&[0x0f, 0xff, 0x00, 0x07]);
        let d = decode(&f).unwrap();
        assert_eq!(d.samples.data, [4095, 7]);
        assert_eq!((d.samples.bits, d.full_scale), (16, 4095));
    }

    #[test]
    fn eight_bit_colour() {
        let d = decode(b"P6 1 2 255\n\x01\x02\x03\x04\x05\x06").unwrap();
        assert_eq!((d.samples.channels, d.samples.bits), (3, 8));
        assert_eq!(d.samples.data, [1, 2, 3, 4, 5, 6]);
    }

    #[test]
    fn bad_headers_and_short_bodies_are_refused() {
        for (file, part) in [
            (&b"P5 2 2 255\n\x01\x02\x03"[..], "3 of 4 bytes"),
            (b"P5 2 2 0\n", "maxval is 0"),
            (b"P5 2 2 70000\n", "maxval is 70000"),
            (b"P5 0 2 255\n", "0x2"),
            (b"P5 99999999999999999999999 2 255\n", "limit"),
            (b"P5 60000 60000 65535\n", "limit"),
            (b"P5 2", "lacks a number"),
            (b"P5", "lacks a number"),
            (b"P2 1 1 255\n7\n", "binary form"),
            (b"P7\n", "other than"),
        ] {
            let text = decode(file).unwrap_err().to_string();
            assert!(text.contains(part), "{file:?}: {text}");
        }
    }
}
