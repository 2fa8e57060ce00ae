//! The facts a camera wrote into its files, by EXIF.
//!
//! Read: ExposureTime, FocalPlaneXResolution with its unit (gives the pixel pitch), and
//! DateTimeOriginal (or DateTime). Not read: XResolution, which is a printing size and says
//! nothing of the object or the sensor; rates, which EXIF has no tag for.
//!
//! Source: Exif 2.32 (CIPA DC-008-2019), sections 4.6.5 and 4.6.8: FocalPlaneResolutionUnit 2
//! is the inch (also where it is absent), 3 the centimetre; TIFF/EP (ISO 12234-2) adds 4, the
//! millimetre, and 5, the micrometre (the last two from memory).

use std::fs::File;
use std::io::{BufReader, Read, Seek};

use exif::{Exif, In, Reader, Tag, Value};
use serde::{Deserialize, Serialize};

use super::clip::FrameFile;
use super::facts::{Fact, FactSource, Facts};
use super::header::HeaderFacts;
use super::kind::kind_of;
use super::open::open_regular;
use super::{FileKind, FootageError, dng, dpx, openexr, tiff, y4m};
use crate::frame::units::{Duration, Length};

/// TIFFs beyond this are not read for EXIF: the reader takes the whole file into memory.
const MAX_TIFF_BYTES: u64 = 256 << 20;
/// What is read of an OpenEXR for its attributes and offset table.
const MAX_EXR_HEADER: u64 = 16 << 20;

/// What was found; empty where the file has no EXIF.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct ExifFacts {
    /// ExposureTime.
    pub exposure: Option<Duration>,
    /// From FocalPlaneXResolution and FocalPlaneResolutionUnit.
    pub pixel_pitch: Option<Length>,
    /// DateTimeOriginal, else DateTime, as written ("2024-11-25 21:04:00"); local time without
    /// a zone.
    pub taken: Option<String>,
    /// What the format's own header says beside it.
    #[serde(default)]
    pub header: HeaderFacts,
}

impl ExifFacts {
    /// As the lowest layer of a clip's facts.
    #[must_use]
    pub fn facts(&self) -> Facts {
        let source = |tag: &str| FactSource::Exif(tag.to_owned());
        Facts {
            exposure: Fact::of(self.exposure, &source("ExposureTime")),
            pixel_pitch: Fact::of(self.pixel_pitch, &source("FocalPlaneXResolution")),
            ..Facts::default()
        }
        .or(self.header.facts.clone())
    }
}

/// The facts of a frame: EXIF of TIFF, JPEG, or PNG with an eXIf chunk; the headers of DNG, DPX,
/// OpenEXR and Y4M.
///
/// Damaged EXIF counts as none, as does that of a TIFF with 8-byte offsets (which the reader does
/// not know) or of more than 256 MiB: it must not keep a sound picture from being used.
///
/// # Errors
/// Where the file cannot be opened or is of no known format.
pub fn exif_facts(file: &FrameFile) -> Result<ExifFacts, FootageError> {
    if file.raw.is_some() {
        return Ok(ExifFacts::default());
    }
    let (mut input, meta) = open_regular(&file.path)?;
    let kind = kind_of(&mut input).map_err(|f| f.at(&file.path))?;
    let header = in_header(kind, &mut input, file.page);
    if matches!(kind, FileKind::Dpx | FileKind::Exr | FileKind::Y4m) {
        let taken = header.taken.clone();
        return Ok(ExifFacts { header, taken, ..ExifFacts::default() });
    }
    if kind == FileKind::Pnm || (kind == FileKind::Tiff && meta.len() > MAX_TIFF_BYTES) {
        return Ok(ExifFacts { header, ..ExifFacts::default() });
    }
    input.rewind().map_err(|e| FootageError::disk(&file.path, "read", e))?;
    let mut reader = Reader::new();
    reader.continue_on_error(true);
    let read = reader
        .read_from_container(&mut BufReader::new(input))
        .or_else(|e| e.distill_partial_result(|_| {}));
    let found = read.map(|exif| gather(&exif)).unwrap_or_default();
    Ok(ExifFacts { header, ..found })
}

/// The facts in the header of a format; none where it cannot be read.
fn in_header(kind: FileKind, input: &mut File, page: usize) -> HeaderFacts {
    match kind {
        FileKind::Dpx | FileKind::Exr => {
            let most = if kind == FileKind::Dpx { dpx::HEADER as u64 } else { MAX_EXR_HEADER };
            let mut bytes = Vec::new();
            if input.take(most).read_to_end(&mut bytes).is_err() {
                return HeaderFacts::default();
            }
            if kind == FileKind::Dpx { dpx::facts(&bytes) } else { openexr::facts(&bytes) }
        }
        FileKind::Y4m => y4m::facts(input),
        FileKind::Tiff => match tiff::find_page(&mut *input, page) {
            Ok((mut dirs, page)) if tiff::is_raw(&page) => dng::facts(&mut dirs, &page),
            _ => HeaderFacts::default(),
        },
        _ => HeaderFacts::default(),
    }
}

fn gather(exif: &Exif) -> ExifFacts {
    let ratio = |tag| match &exif.get_field(tag, In::PRIMARY)?.value {
        Value::Rational(v) => v.first().map(|r| f64::from(r.num) / f64::from(r.denom)),
        _ => None,
    };
    let unit = exif
        .get_field(Tag::FocalPlaneResolutionUnit, In::PRIMARY)
        .map_or(Some(2), |f| f.value.get_uint(0));
    let unit_m = match unit {
        Some(2) => Some(0.0254),
        Some(3) => Some(0.01),
        Some(4) => Some(1e-3),
        Some(5) => Some(1e-6),
        _ => None,
    };
    let pitch = ratio(Tag::FocalPlaneXResolution).zip(unit_m).map(|(per_unit, m)| m / per_unit);
    ExifFacts {
        exposure: ratio(Tag::ExposureTime).and_then(Duration::from_s),
        pixel_pitch: pitch.and_then(Length::from_m),
        taken: date(exif, Tag::DateTimeOriginal).or_else(|| date(exif, Tag::DateTime)),
        header: HeaderFacts::default(),
    }
}

/// "2024:11:25 21:04:00" as "2024-11-25 21:04:00"; `None` where it is no date.
fn date(exif: &Exif, tag: Tag) -> Option<String> {
    let Value::Ascii(lines) = &exif.get_field(tag, In::PRIMARY)?.value else { return None };
    let d = exif::DateTime::from_ascii(lines.first()?).ok()?;
    Some(format!(
        "{:04}-{:02}-{:02} {:02}:{:02}:{:02}",
        d.year, d.month, d.day, d.hour, d.minute, d.second
    ))
}

#[cfg(test)]
mod tests {
    use super::*;
    use exif::Field;
    use exif::experimental::Writer;
    use std::io::Cursor;

    /// The EXIF facts of a bare EXIF block.
    fn facts_of_block(block: Vec<u8>) -> ExifFacts {
        Reader::new().read_raw(block).map(|e| gather(&e)).unwrap_or_default()
    }

    /// An EXIF block made by the library's own writer.
    fn block(unit: u16) -> Vec<u8> {
        let field = |tag, value| Field { tag, ifd_num: In::PRIMARY, value };
        let rational = |num, denom| Value::Rational(vec![exif::Rational { num, denom }]);
        let fields = [
            field(Tag::ExposureTime, rational(1, 20_000)),
            field(Tag::FocalPlaneXResolution, rational(1000, 1)),
            field(Tag::FocalPlaneResolutionUnit, Value::Short(vec![unit])),
            field(Tag::DateTimeOriginal, Value::Ascii(vec![b"2024:11:25 21:04:00".to_vec()])),
        ];
        let mut writer = Writer::new();
        fields.iter().for_each(|f| writer.push_field(f));
        let mut out = Cursor::new(Vec::new());
        writer.write(&mut out, true).unwrap();
        out.into_inner()
    }

    #[test]
    fn exposure_pitch_and_date() {
        let f = facts_of_block(block(3));
        assert!((f.exposure.unwrap().s() - 50e-6).abs() < 1e-12);
        // 1000 pixels a centimetre are 10 um apart.
        assert!((f.pixel_pitch.unwrap().um() - 10.0).abs() < 1e-9);
        assert_eq!(f.taken.as_deref(), Some("2024-11-25 21:04:00"));
        assert!((facts_of_block(block(2)).pixel_pitch.unwrap().um() - 25.4).abs() < 1e-9);
        assert!(facts_of_block(block(1)).pixel_pitch.is_none());
        let facts = f.facts();
        assert_eq!(facts.exposure.unwrap().source.to_string(), "exif ExposureTime");
    }

    #[test]
    fn the_three_containers() {
        let dir = tempfile::tempdir().unwrap();
        let jpeg = {
            let mut plain = Vec::new();
            image::codecs::jpeg::JpegEncoder::new(&mut plain)
                .encode(&[9; 64], 8, 8, image::ExtendedColorType::L8)
                .unwrap();
            let mut body = b"Exif\0\0".to_vec();
            body.extend(block(3));
            let mut out = vec![0xff, 0xd8, 0xff, 0xe1];
            out.extend(u16::try_from(body.len() + 2).unwrap().to_be_bytes());
            out.extend(body);
            out.extend(&plain[2..]);
            out
        };
        let png = {
            let mut info = png::Info::with_size(1, 1);
            info.exif_metadata = Some(block(3).into());
            let mut out = Vec::new();
            let encoder = png::Encoder::with_info(&mut out, info).unwrap();
            encoder.write_header().unwrap().write_image_data(&[7]).unwrap();
            out
        };
        for (name, bytes) in [("1.jpg", jpeg), ("1.png", png), ("1.tif", block(3))] {
            let path = dir.path().join(name);
            std::fs::write(&path, bytes).unwrap();
            let f = exif_facts(&FrameFile::single(&path)).unwrap();
            assert!(f.exposure.is_some() && f.pixel_pitch.is_some(), "{name}: {f:?}");
        }
    }

    #[test]
    fn none_and_damaged_are_empty() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("1.tif");
        let sound = block(3);
        for len in 8..sound.len() {
            std::fs::write(&path, &sound[..len]).unwrap();
            // Whatever survives must be the truth.
            let f = exif_facts(&FrameFile::single(&path)).unwrap();
            assert!(f.exposure.is_none_or(|e| (e.s() - 50e-6).abs() < 1e-12), "{len}: {f:?}");
        }
        std::fs::write(&path, b"P5 1 1 255\n\x07").unwrap();
        assert_eq!(exif_facts(&FrameFile::single(&path)).unwrap(), ExifFacts::default());
        std::fs::write(&path, b"text").unwrap();
        assert!(exif_facts(&FrameFile::single(&path)).is_err());
    }
}
