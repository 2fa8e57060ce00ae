//! A master reference in one file.
//!
//! Form: a TIFF of uncompressed pages that any reader shows. The first page's ImageDescription
//! is a JSON object: `format` ("hushframe reference"), `version` (1), `kind` ("dark", "flat"),
//! `shape`, `count`, `pages` (what each page is, in order), the figures of the master, and
//! `blake3`. Pages "level", "variance" and "response" are 32-bit float, one a channel; "defects"
//! are 8-bit, the bits of [`super::DefectKind`]. Figures are written as text in the shortest form
//! that gives every bit back.
//!
//! The hash is over the JSON text with 64 zeros in the hash's place, then each page's samples in
//! order, little-endian. A file that does not hash to what it says is refused, as is one of
//! another version: a wrong dark does harm to every frame, and does it silently.

use std::io::{Read, Seek, Write};

use serde::{Deserialize, Deserializer, Serialize, Serializer};
use tiff::TiffError;
use tiff::decoder::{Decoder, DecodingResult};
use tiff::encoder::colortype::{Gray8, Gray32Float};
use tiff::encoder::{TiffEncoder, TiffKindStandard};
use tiff::tags::Tag;

use super::dark::FixedPattern;
use super::{DefectMap, MasterDark, MasterFlat, SensorError, Shape};
use crate::frame::units::Duration;
use crate::frame::{Layout, Plane};

const FORMAT: &str = "hushframe reference";
const VERSION: u32 = 1;
/// In the hash's place while hashing.
const NO_HASH: &str = "0000000000000000000000000000000000000000000000000000000000000000";
/// Pixels of the largest picture that is believed, a guard against damaged sizes.
const MOST_PIXELS: usize = 1 << 28;

/// A master read from a file.
#[derive(Debug, Clone, PartialEq)]
pub enum Master {
    /// A dark.
    Dark(MasterDark),
    /// A flat.
    Flat(MasterFlat),
}

/// A number that comes back with all its bits.
#[derive(Debug, Clone, Copy)]
struct Exact(f64);

impl Serialize for Exact {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.collect_str(&self.0)
    }
}

impl<'de> Deserialize<'de> for Exact {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        String::deserialize(d)?.parse().map(Self).map_err(serde::de::Error::custom)
    }
}

/// Which kind of master.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum MasterKind {
    /// What the sensor shows without light.
    Dark,
    /// How each pixel answers to even light.
    Flat,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
enum Page {
    Level,
    Variance,
    Response,
    Defects,
}

#[derive(Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Header {
    format: String,
    version: u32,
    blake3: String,
    kind: MasterKind,
    shape: Shape,
    layout: Option<Layout>,
    count: usize,
    exposure_s: Option<Exact>,
    /// Temporal variance of a dark in DN^2, or level of a flat in DN above dark.
    figures: Vec<Exact>,
    /// Pixel, noise and structure of each fixed pattern.
    pattern: Vec<[Exact; 3]>,
    flicker: Option<Exact>,
    /// Relative uncertainty of a flat that its dark brought in.
    #[serde(default)]
    from_dark: Option<Exact>,
    pages: Vec<Page>,
}

/// Samples of one page.
enum Pixels {
    Float(Plane),
    Bits(Vec<u8>),
}

fn pack(pattern: &[FixedPattern]) -> Vec<[Exact; 3]> {
    pattern.iter().map(|p| [Exact(p.pixel), Exact(p.noise), Exact(p.structure)]).collect()
}

fn unpack(pattern: &[[Exact; 3]]) -> Vec<FixedPattern> {
    pattern
        .iter()
        .map(|&[pixel, noise, structure]| FixedPattern {
            pixel: pixel.0,
            noise: noise.0,
            structure: structure.0,
        })
        .collect()
}

fn exact(values: &[f64]) -> Vec<Exact> {
    values.iter().map(|&v| Exact(v)).collect()
}

/// Writes a master dark. Same master, same bytes.
///
/// # Errors
/// [`SensorError::File`] where `out` fails.
pub fn write_dark<W: Write + Seek>(dark: &MasterDark, out: W) -> Result<(), SensorError> {
    let mut pages: Vec<(Page, Pixels)> = Vec::new();
    pages.extend(dark.level.iter().map(|p| (Page::Level, Pixels::Float(p.clone()))));
    pages.extend(dark.variance.iter().map(|p| (Page::Variance, Pixels::Float(p.clone()))));
    push_defects(&mut pages, &dark.defects);
    let header = Header {
        format: FORMAT.to_owned(),
        version: VERSION,
        blake3: NO_HASH.to_owned(),
        kind: MasterKind::Dark,
        shape: dark.shape,
        layout: None,
        count: dark.count,
        exposure_s: dark.exposure.map(|e| Exact(e.s())),
        figures: exact(&dark.temporal),
        pattern: pack(&dark.pattern),
        flicker: None,
        from_dark: None,
        pages: pages.iter().map(|p| p.0).collect(),
    };
    write(&header, &pages, out)
}

/// Writes a master flat. Same master, same bytes.
///
/// # Errors
/// [`SensorError::File`] where `out` fails.
pub fn write_flat<W: Write + Seek>(flat: &MasterFlat, out: W) -> Result<(), SensorError> {
    let mut pages: Vec<(Page, Pixels)> = Vec::new();
    pages.extend(flat.response.iter().map(|p| (Page::Response, Pixels::Float(p.clone()))));
    push_defects(&mut pages, &flat.defects);
    let header = Header {
        format: FORMAT.to_owned(),
        version: VERSION,
        blake3: NO_HASH.to_owned(),
        kind: MasterKind::Flat,
        shape: flat.shape,
        layout: Some(flat.layout),
        count: flat.count,
        exposure_s: None,
        figures: exact(&flat.level),
        pattern: pack(&flat.pattern),
        flicker: Some(Exact(flat.flicker)),
        from_dark: Some(Exact(flat.from_dark)),
        pages: pages.iter().map(|p| p.0).collect(),
    };
    write(&header, &pages, out)
}

fn push_defects(pages: &mut Vec<(Page, Pixels)>, map: &DefectMap) {
    pages.extend((0..map.planes()).map(|p| (Page::Defects, Pixels::Bits(map.bits(p).to_vec()))));
}

fn hash(header_without: &str, pages: &[(Page, Pixels)]) -> String {
    let mut hasher = blake3::Hasher::new();
    hasher.update(header_without.as_bytes());
    let mut bytes = Vec::new();
    for (_, page) in pages {
        match page {
            Pixels::Bits(bits) => {
                hasher.update(bits);
            }
            Pixels::Float(plane) => {
                for row in 0..plane.height() {
                    bytes.clear();
                    bytes.extend(plane.row(row).iter().flat_map(|v| v.to_le_bytes()));
                    hasher.update(&bytes);
                }
            }
        }
    }
    hasher.finalize().to_hex().to_string()
}

fn write<W: Write + Seek>(
    header: &Header,
    pages: &[(Page, Pixels)],
    out: W,
) -> Result<(), SensorError> {
    let fault = |e: TiffError| SensorError::File(format!("cannot be written: {e}"));
    let blank = serde_json::to_string(header)
        .map_err(|e| SensorError::File(format!("cannot be written: {e}")))?;
    let text = blank.replacen(NO_HASH, &hash(&blank, pages), 1);
    let too_large = |_| SensorError::File("the picture is too large for a TIFF".to_owned());
    let width = u32::try_from(header.shape.width).map_err(too_large)?;
    let height = u32::try_from(header.shape.height).map_err(too_large)?;
    let mut encoder = TiffEncoder::<W, TiffKindStandard>::new(out).map_err(fault)?;
    for (i, (_, page)) in pages.iter().enumerate() {
        let describe = (i == 0).then_some(text.as_str());
        match page {
            Pixels::Float(plane) => {
                let mut image = encoder.new_image::<Gray32Float>(width, height).map_err(fault)?;
                if let Some(text) = describe {
                    image.encoder().write_tag(Tag::ImageDescription, text).map_err(fault)?;
                }
                image.write_data(plane.data()).map_err(fault)?;
            }
            Pixels::Bits(bits) => {
                encoder.write_image::<Gray8>(width, height, bits).map_err(fault)?;
            }
        }
    }
    Ok(())
}

/// Reads a master back.
///
/// # Errors
/// [`SensorError::File`] where the file is not a reference, is of another version, or is damaged.
pub fn read<R: Read + Seek>(input: R) -> Result<Master, SensorError> {
    let fault = |e: TiffError| SensorError::File(format!("cannot be read: {e}"));
    let mut decoder = Decoder::new(input).map_err(fault)?;
    let text = decoder
        .get_tag_ascii_string(Tag::ImageDescription)
        .map_err(|_| SensorError::File("holds no description, so it is no reference".to_owned()))?;
    let header = parse_header(&text)?;
    let mut pages = Vec::with_capacity(header.pages.len());
    for (i, &page) in header.pages.iter().enumerate() {
        if i > 0 {
            decoder.next_image().map_err(fault)?;
        }
        pages.push((page, read_page(&mut decoder, page, &header.shape, i)?));
    }
    let blank = text.replacen(&header.blake3, NO_HASH, 1);
    if hash(&blank, &pages) != header.blake3 {
        return Err(SensorError::File(
            "is damaged, its contents do not match its hash: make it again".to_owned(),
        ));
    }
    build(&header, pages)
}

fn parse_header(text: &str) -> Result<Header, SensorError> {
    let any: serde_json::Value = serde_json::from_str(text)
        .map_err(|_| SensorError::File("has no description of ours".to_owned()))?;
    if any.get("format").and_then(|f| f.as_str()) != Some(FORMAT) {
        return Err(SensorError::File("has no description of ours".to_owned()));
    }
    let version = any.get("version").and_then(serde_json::Value::as_u64);
    if version != Some(u64::from(VERSION)) {
        let found = version.map_or_else(|| "unknown".to_owned(), |v| v.to_string());
        return Err(SensorError::File(format!(
            "is of version {found} but this program reads {VERSION}: make it again"
        )));
    }
    let header: Header = serde_json::from_str(text)
        .map_err(|e| SensorError::File(format!("has a description that is damaged: {e}")))?;
    let shape = header.shape;
    let pixels = shape.width.checked_mul(shape.height).filter(|&n| n > 0 && n <= MOST_PIXELS);
    let expected: Vec<Page> = match header.kind {
        MasterKind::Dark => [Page::Level, Page::Variance, Page::Defects].to_vec(),
        MasterKind::Flat => [Page::Response, Page::Defects].to_vec(),
    };
    let channels = if matches!(shape.channels, 1 | 3) { shape.channels } else { 0 };
    let expected: Vec<Page> =
        expected.iter().flat_map(|&p| std::iter::repeat_n(p, channels)).collect();
    if pixels.is_none() || channels == 0 || header.pages != expected {
        return Err(SensorError::File(format!(
            "is damaged: {} pages of {shape} make no reference",
            header.pages.len()
        )));
    }
    Ok(header)
}

fn read_page<R: Read + Seek>(
    decoder: &mut Decoder<R>,
    page: Page,
    shape: &Shape,
    index: usize,
) -> Result<Pixels, SensorError> {
    let fault = |e: TiffError| SensorError::File(format!("page {index} cannot be read: {e}"));
    let (w, h) = decoder.dimensions().map_err(fault)?;
    let wrong = || {
        SensorError::File(format!("is damaged: page {index} of {w}x{h} is not what {shape} needs"))
    };
    if usize::try_from(w) != Ok(shape.width) || usize::try_from(h) != Ok(shape.height) {
        return Err(wrong());
    }
    match (page, decoder.read_image().map_err(fault)?) {
        (Page::Defects, DecodingResult::U8(bits)) if bits.len() == shape.width * shape.height => {
            Ok(Pixels::Bits(bits))
        }
        (Page::Level | Page::Variance | Page::Response, DecodingResult::F32(values)) => {
            Plane::from_vec(shape.width, shape.height, values).map(Pixels::Float).ok_or_else(wrong)
        }
        _ => Err(wrong()),
    }
}

fn build(header: &Header, pages: Vec<(Page, Pixels)>) -> Result<Master, SensorError> {
    let shape = header.shape;
    let (mut level, mut variance, mut response, mut bits) = (vec![], vec![], vec![], vec![]);
    for (page, pixels) in pages {
        match (page, pixels) {
            (Page::Level, Pixels::Float(p)) => level.push(p),
            (Page::Variance, Pixels::Float(p)) => variance.push(p),
            (Page::Response, Pixels::Float(p)) => response.push(p),
            (_, Pixels::Bits(b)) => bits.push(b),
            (Page::Defects, Pixels::Float(_)) => {}
        }
    }
    let defects = DefectMap::from_bits(shape.width, shape.height, bits)
        .ok_or_else(|| SensorError::File("is damaged: its defects do not fit".to_owned()))?;
    let figures = header.figures.iter().map(|e| e.0).collect();
    let pattern = unpack(&header.pattern);
    match (header.kind, header.layout) {
        (MasterKind::Dark, _) => Ok(Master::Dark(MasterDark {
            shape,
            count: header.count,
            exposure: header.exposure_s.and_then(|e| Duration::from_s(e.0)),
            level,
            variance,
            temporal: figures,
            pattern,
            defects,
            scaled: None,
        })),
        (MasterKind::Flat, Some(layout)) => Ok(Master::Flat(MasterFlat {
            shape,
            layout,
            count: header.count,
            response,
            level: figures,
            pattern,
            flicker: header.flicker.map_or(0.0, |f| f.0),
            from_dark: header.from_dark.map_or(0.0, |f| f.0),
            defects,
        })),
        (MasterKind::Flat, None) => {
            Err(SensorError::File("is damaged: the flat does not say its layout".to_owned()))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::Mosaic;
    use crate::frame::convert::to_f32;
    use crate::sensor::DefectKind;
    use std::io::Cursor;

    fn dark(channels: usize) -> MasterDark {
        let shape = Shape { width: 13, height: 9, channels, bits: 16 };
        let plane = |k: f64| Plane::from_fn(13, 9, |x, y| to_f32(k + (x * y) as f64 / 7.0));
        let mut defects = DefectMap::new(13, 9, channels);
        defects.mark(0, 17, DefectKind::Blinking);
        MasterDark {
            shape,
            count: 20,
            exposure: Duration::from_s(1.0 / 3.0 * 1e-4),
            level: (0..channels).map(|c| plane(100.0 + c as f64)).collect(),
            variance: (0..channels).map(|_| plane(-1e-9)).collect(),
            temporal: vec![16.083_333_333_333_333; channels],
            pattern: vec![
                FixedPattern { pixel: 0.1 + 0.2, noise: 1.0 / 3.0, structure: 1e-3 };
                channels
            ],
            defects,
            scaled: None,
        }
    }

    fn flat() -> MasterFlat {
        MasterFlat {
            shape: Shape { width: 6, height: 4, channels: 1, bits: 8 },
            layout: Layout::Mosaic(Mosaic::Gbrg),
            count: 3,
            response: vec![Plane::from_fn(6, 4, |x, _| to_f32(1.0 / (x as f64 + 0.3)))],
            level: vec![1.0 / 7.0, 2.0, 3.0],
            pattern: vec![FixedPattern { pixel: 0.5, noise: 0.25, structure: 0.1 }; 4],
            flicker: 0.01,
            from_dark: 0.002,
            defects: DefectMap::new(6, 4, 1),
        }
    }

    fn bytes(dark: &MasterDark) -> Vec<u8> {
        let mut out = Cursor::new(Vec::new());
        write_dark(dark, &mut out).unwrap();
        out.into_inner()
    }

    #[test]
    fn masters_come_back_bit_for_bit() {
        for channels in [1, 3] {
            let dark = dark(channels);
            let file = bytes(&dark);
            assert_eq!(file, bytes(&dark));
            assert_eq!(read(Cursor::new(file)).unwrap(), Master::Dark(dark));
        }
        let mut out = Cursor::new(Vec::new());
        write_flat(&flat(), &mut out).unwrap();
        out.set_position(0);
        assert_eq!(read(out).unwrap(), Master::Flat(flat()));
    }

    #[test]
    fn every_flipped_byte_is_noticed_or_harmless_and_never_a_panic() {
        let dark = dark(1);
        let whole = bytes(&dark);
        let mut refused = 0;
        for i in 0..whole.len() {
            let mut broken = whole.clone();
            broken[i] ^= 0x21;
            match read(Cursor::new(broken)) {
                Err(_) => refused += 1,
                // Bytes of the container that carry nothing of the master (resolution, padding).
                Ok(master) => assert_eq!(master, Master::Dark(dark.clone()), "byte {i}"),
            }
        }
        assert!(refused * 10 > whole.len() * 8, "{refused} of {}", whole.len());
    }

    #[test]
    fn cut_off_and_foreign_files_are_refused() {
        let whole = bytes(&dark(1));
        for cut in (0..whole.len()).step_by(37) {
            assert!(read(Cursor::new(whole[..cut].to_vec())).is_err(), "cut at {cut}");
        }
        let mut plain = Cursor::new(Vec::new());
        TiffEncoder::new(&mut plain).unwrap().write_image::<Gray8>(2, 1, &[1, 2]).unwrap();
        plain.set_position(0);
        let text = read(plain).unwrap_err().to_string();
        assert!(text.contains("no description"), "{text}");
        let later = String::from_utf8_lossy(&whole).into_owned();
        assert!(later.contains("\"version\":1"));
        let text = parse_header("{\"format\":\"hushframe reference\",\"version\":2}").unwrap_err();
        assert!(text.to_string().contains("version 2"), "{text}");
    }
}
