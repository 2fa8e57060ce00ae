//! Tests of [`super`].

use super::*;
use crate::frame::convert::low_u16;
use std::io::Cursor;
use std::path::Path;

fn frame(channels: usize) -> OutFrame {
    let data = (0..7 * 5 * channels).map(|i| u16::try_from(i * 613 % 65_536).unwrap()).collect();
    OutFrame { width: 7, height: 5, channels, data }
}

fn tags() -> TiffTags {
    TiffTags {
        description: Some("music box, tine 12".to_owned()),
        software: Some("hushframe".to_owned()),
        um_per_px: Some(1.003),
        ..TiffTags::default()
    }
}

#[test]
fn exposure_and_date_are_exif_and_nothing_else_is_told() {
    let t = TiffTags {
        exposure_s: Some(50e-6),
        taken: Some("2024-11-25 21:04:00".to_owned()),
        ..tags()
    };
    let bytes = encode_tiff(&frame(1), &t).unwrap();
    let read = exif::Reader::new().read_raw(bytes).unwrap();
    let mut tags: Vec<String> =
        read.fields().map(|f| format!("{} {}", f.tag, f.display_value())).collect();
    tags.retain(|t| t.starts_with("Exposure") || t.starts_with("Date"));
    tags.sort();
    assert_eq!(
        tags,
        [
            "DateTime 2024-11-25 21:04:00",
            "DateTimeOriginal 2024-11-25 21:04:00",
            "ExposureTime 1/20000"
        ]
    );
    assert_eq!(seconds(0.4), Some((400_000, 1_000_000)));
    assert_eq!(seconds(2.5), Some((2_500_000, 1_000_000)));
}

#[test]
fn the_tiff_crate_reads_every_tag_back() {
    use tiff::tags::Tag;
    for channels in [1, 3] {
        let f = frame(channels);
        let bytes = encode_tiff(&f, &tags()).unwrap();
        let mut d = tiff::decoder::Decoder::new(Cursor::new(&bytes)).unwrap();
        assert_eq!(d.dimensions().unwrap(), (7, 5));
        let text = d.get_tag_ascii_string(Tag::ImageDescription).unwrap();
        assert_eq!(text, "music box, tine 12");
        assert_eq!(d.get_tag_ascii_string(Tag::Software).unwrap(), "hushframe");
        assert_eq!(d.get_tag_u32(Tag::ResolutionUnit).unwrap(), 3);
        match d.get_tag(Tag::XResolution).unwrap() {
            tiff::decoder::ifd::Value::Rational(n, m) => {
                let per_cm = f64::from(n) / f64::from(m);
                assert!((10_000.0 / per_cm - 1.003).abs() < 1e-6, "{n}/{m}");
            }
            other => panic!("{other:?}"),
        }
        match d.read_image().unwrap() {
            tiff::decoder::DecodingResult::U16(v) => assert_eq!(v, f.data),
            other => panic!("{other:?}"),
        }
        assert!(d.find_tag(Tag::DateTime).unwrap().is_none());
    }
}

#[test]
fn entries_ascend_and_values_lie_on_even_bytes() {
    let bytes = encode_tiff(&frame(3), &tags()).unwrap();
    let n = usize::from(u16::from_le_bytes([bytes[8], bytes[9]]));
    let entry = |i: usize| &bytes[10 + 12 * i..22 + 12 * i];
    let tag = |i: usize| u16::from_le_bytes([entry(i)[0], entry(i)[1]]);
    assert!((1..n).all(|i| tag(i - 1) < tag(i)));
    for i in 0..n {
        let e = entry(i);
        if matches!(tag(i), 258 | 270 | 273 | 282 | 283 | 305) {
            assert_eq!(e[8] % 2, 0, "tag {}", tag(i));
        }
    }
}

#[test]
fn the_image_crate_reads_both_formats_back() {
    for channels in [1, 3] {
        let f = frame(channels);
        let tiff = encode_tiff(&f, &TiffTags::default()).unwrap();
        let png = encode_png16(&f, Some(2.0)).unwrap();
        for bytes in [tiff, png] {
            let read = image::load_from_memory(&bytes).unwrap();
            let data = match read {
                image::DynamicImage::ImageLuma16(p) => p.into_raw(),
                image::DynamicImage::ImageRgb16(p) => p.into_raw(),
                other => panic!("{:?}", other.color()),
            };
            assert_eq!(data, f.data);
        }
    }
}

#[test]
fn our_own_reader_reads_both_formats_back() {
    let f = frame(3);
    for bytes in [encode_tiff(&f, &tags()).unwrap(), encode_png16(&f, None).unwrap()] {
        let d = super::super::decode_bytes(&bytes, 0, Path::new("x")).unwrap();
        assert_eq!((d.samples.data, d.warnings.len()), (f.data.clone(), 0));
    }
}

#[test]
fn a_frame_that_does_not_match_its_size_is_refused() {
    let mut f = frame(1);
    f.data.pop();
    assert!(encode_tiff(&f, &tags()).unwrap_err().to_string().contains("34 samples"));
    assert!(encode_png16(&f, None).is_err());
    let none = OutFrame { width: 0, height: 0, channels: 1, data: Vec::new() };
    assert!(encode_tiff(&none, &tags()).is_err());
}

#[test]
fn piece_by_piece_is_all_at_once() {
    for samples in [1, 7, PIECE / 2 - 300, PIECE / 2, PIECE + 5] {
        let data: Vec<u16> = (0..samples).map(|i| low_u16(count_u32(i * 7919))).collect();
        let f = OutFrame { width: samples, height: 1, channels: 1, data };
        let mut out = Vec::new();
        let tiff = TiffFrame::new(&f, &tags()).unwrap();
        tiff.write(&mut out).unwrap();
        assert_eq!(out.len(), tiff.bytes());
        assert!(out == encode_tiff(&f, &tags()).unwrap(), "{samples}");
    }
}
