//! Binary PGM (P5), PPM (P6) and PAM (P7), 8 and 16 bit.
//!
//! Read here because the layout is 20 lines and the largest value (`maxval`) must not be lost:
//! cameras with 10 or 12 bits write 1023 or 4095 there, and samples stay as they are written.
//!
//! Source: the open PGM and PPM format descriptions: magic, width, height and maxval separated
//! by white space, `#` starts a comment that runs to the end of the line, one white-space byte
//! after maxval, two bytes a sample (high byte first) where maxval is above 255. PAM: lines of a
//! word and its value (WIDTH, HEIGHT, DEPTH, MAXVAL, TUPLTYPE) that end with ENDHDR; depths 1
//! (grey), 2 (grey, alpha), 3 (RGB) and 4 (RGB, alpha). Alpha is dropped with a warning.

use super::fault::Fault;
use super::kind::FileKind;
use super::shape::{Decoded, Shape};

/// Longest PAM header, comments included.
const PAM_HEADER: usize = 8192;

/// What the header says, and where the samples begin.
struct Header {
    shape: Shape,
    body: usize,
    /// Samples a pixel in the file; more than the shape's where there is alpha.
    stored: usize,
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
        Some(b"P7") => return pam_header(bytes),
        _ => {
            return Err(Fault::unsupported("is a PNM other than PGM (P5), PPM (P6) and PAM (P7)"));
        }
    };
    let mut at = 2;
    let width = number(bytes, &mut at)?;
    let height = number(bytes, &mut at)?;
    let maxval = number(bytes, &mut at)?;
    let full_scale = full_scale(maxval)?;
    if !bytes.get(at).is_some_and(u8::is_ascii_whitespace) {
        return Err(Fault::damaged("its header does not end in white space"));
    }
    let bits = if full_scale > 255 { 16 } else { 8 };
    let shape = Shape::checked(width, height, channels, bits)?.with_full_scale(full_scale);
    Ok(Header { shape, body: at + 1, stored: usize::from(channels) })
}

fn full_scale(maxval: u64) -> Result<u16, Fault> {
    u16::try_from(maxval)
        .ok()
        .filter(|&m| m > 0)
        .ok_or_else(|| Fault::damaged(format!("maxval is {maxval}, not within 1..=65535")))
}

/// The header of a PAM: width, height, depth, maxval.
fn pam_header(bytes: &[u8]) -> Result<Header, Fault> {
    let (mut at, mut values) = (3, [None; 4]);
    loop {
        let rest = bytes.get(at..bytes.len().min(PAM_HEADER)).unwrap_or(&[]);
        let Some(end) = rest.iter().position(|&b| b == b'\n') else {
            return Err(Fault::damaged("its PAM header does not end with ENDHDR"));
        };
        at += end + 1;
        let line = String::from_utf8_lossy(&rest[..end]);
        let (word, value) =
            line.trim().split_once(char::is_whitespace).unwrap_or((line.trim(), ""));
        let slot = match word {
            "ENDHDR" => break,
            "WIDTH" => 0,
            "HEIGHT" => 1,
            "DEPTH" => 2,
            "MAXVAL" => 3,
            // TUPLTYPE says what the depth says already; the rest is comments.
            _ => continue,
        };
        let number = value.trim().parse::<u64>();
        values[slot] =
            Some(number.map_err(|_| {
                Fault::damaged(format!("its PAM header has {word} without a number"))
            })?);
    }
    let [Some(width), Some(height), Some(depth), Some(maxval)] = values else {
        return Err(Fault::damaged("its PAM header lacks WIDTH, HEIGHT, DEPTH or MAXVAL"));
    };
    let (channels, stored) = match depth {
        1 => (1, 1),
        2 => (1, 2),
        3 => (3, 3),
        4 => (3, 4),
        n => {
            return Err(Fault::unsupported(format!("is a PAM of {n} samples a pixel, not 1 to 4")));
        }
    };
    let full_scale = full_scale(maxval)?;
    let bits = if full_scale > 255 { 16 } else { 8 };
    Shape::checked(width, height, stored, bits)?;
    let shape = Shape::checked(width, height, channels, bits)?.with_full_scale(full_scale);
    Ok(Header { shape, body: at, stored: usize::from(stored) })
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

/// Bytes that the samples take in the file.
fn body_bytes(shape: &Shape, stored: usize) -> usize {
    let samples = shape.width * shape.height * stored;
    if shape.bits == 16 { samples * 2 } else { samples }
}

fn cut(have: u64, need: usize) -> Fault {
    Fault::damaged(format!("the file ends early: {have} of {need} bytes of samples"))
}

/// The shape by the beginning of a file of `len` bytes.
pub(super) fn shape(bytes: &[u8], len: u64) -> Result<Shape, Fault> {
    let Header { shape, body, stored } = header(bytes)?;
    let need = body_bytes(&shape, stored);
    let have = len.saturating_sub(u64::try_from(body).unwrap_or(u64::MAX));
    if u64::try_from(need).is_ok_and(|n| n > have) {
        return Err(cut(have, need));
    }
    Ok(shape)
}

pub(super) fn decode(bytes: &[u8]) -> Result<Decoded, Fault> {
    let Header { shape, body, stored } = header(bytes)?;
    let need = body_bytes(&shape, stored);
    let body = &bytes[body.min(bytes.len())..];
    let Some(body) = body.get(..need) else {
        return Err(cut(u64::try_from(body.len()).unwrap_or(u64::MAX), need));
    };
    let data: Vec<u16> = if shape.bits == 16 {
        body.as_chunks::<2>().0.iter().map(|&b| u16::from_be_bytes(b)).collect()
    } else {
        body.iter().map(|&b| u16::from(b)).collect()
    };
    let data = if stored == shape.channels {
        data
    } else {
        data.chunks_exact(stored).flat_map(|p| &p[..shape.channels]).copied().collect()
    };
    let mut decoded = Decoded::new(shape.filled(data), FileKind::Pnm, shape.full_scale);
    if stored != shape.channels {
        decoded.alpha_dropped();
    }
    Ok(decoded)
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
    fn pam_with_and_without_alpha() {
        let mut f = b"P7\nWIDTH 2\n# comb\nHEIGHT 1\nDEPTH 1\nMAXVAL 1023\n".to_vec();
        f.extend(b"TUPLTYPE GRAYSCALE\nENDHDR\n\x03\xff\x00\x07");
        let d = decode(&f).unwrap();
        assert_eq!((d.samples.data.as_slice(), d.full_scale), (&[1023, 7][..], 1023));
        assert!(d.warnings.is_empty());
        let f = b"P7\nWIDTH 1\nHEIGHT 1\nDEPTH 4\nMAXVAL 255\nENDHDR\n\x01\x02\x03\xff";
        let d = decode(f).unwrap();
        assert_eq!((d.samples.channels, d.samples.data.as_slice()), (3, &[1, 2, 3][..]));
        assert_eq!(d.warnings[0].kind, "alpha-dropped");
        assert_eq!(shape(f, 100).unwrap(), d.shape());
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
            (b"P4\n", "other than"),
            (b"P7\n", "ENDHDR"),
            (b"P7\nWIDTH 2\nENDHDR\n", "lacks WIDTH"),
            (b"P7\nWIDTH x\nENDHDR\n", "WIDTH without a number"),
            (b"P7\nWIDTH 2\nHEIGHT 1\nDEPTH 5\nMAXVAL 9\nENDHDR\n", "5 samples a pixel"),
            (b"P7\nWIDTH 2\nHEIGHT 1\nDEPTH 2\nMAXVAL 9\nENDHDR\n\x01\x02\x03", "3 of 4 bytes"),
            (b"P7\nWIDTH 60000\nHEIGHT 60000\nDEPTH 1\nMAXVAL 9\nENDHDR\n", "limit"),
        ] {
            let text = decode(file).unwrap_err().to_string();
            assert!(text.contains(part), "{file:?}: {text}");
        }
    }
}
