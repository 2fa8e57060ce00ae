//! Tests of [`super`].

use super::*;
use std::io::Cursor;

fn decode(source: impl Source, page: usize) -> Result<Decoded, Fault> {
    let (dirs, page) = find_page(source, page)?;
    super::decode(dirs, &page)
}

fn shape(source: impl Source, page: usize) -> Result<Shape, Fault> {
    let (mut dirs, page) = find_page(source, page)?;
    shape_of_page(&mut dirs, &page)
}
use tiff::encoder::{Compression, TiffEncoder, colortype};

fn stack(pages: &[(u32, u32, Vec<u16>)], compression: Compression) -> Vec<u8> {
    let mut out = Cursor::new(Vec::new());
    let mut encoder = TiffEncoder::new(&mut out).unwrap().with_compression(compression);
    for (w, h, data) in pages {
        encoder.write_image::<colortype::Gray16>(*w, *h, data).unwrap();
    }
    out.into_inner()
}

/// A page of an uncompressed one-strip file built by hand: tags as (tag, value).
fn by_hand(tags: &[(u16, u32)], body: &[u8]) -> Vec<u8> {
    let mut f = b"II\x2a\0\x08\0\0\0".to_vec();
    f.extend(u16::try_from(tags.len() + 1).unwrap().to_le_bytes());
    let body_at = u32::try_from(8 + 2 + 12 * (tags.len() + 1) + 4).unwrap();
    for &(tag, value) in tags.iter().chain(&[(273, body_at)]) {
        f.extend(tag.to_le_bytes());
        f.extend(4_u16.to_le_bytes());
        f.extend(1_u32.to_le_bytes());
        f.extend(value.to_le_bytes());
    }
    f.extend(0_u32.to_le_bytes());
    f.extend(body);
    f
}

fn ramp(n: u16) -> Vec<u16> {
    (0..n).map(|i| i.wrapping_mul(977)).collect()
}

#[test]
fn every_compression_gives_the_same_samples() {
    let data = ramp(60 * 40);
    for (name, compression) in [
        ("none", Compression::Uncompressed),
        ("lzw", Compression::Lzw),
        ("deflate", Compression::Deflate(tiff::encoder::DeflateLevel::Fast)),
        ("packbits", Compression::Packbits),
    ] {
        let file = stack(&[(60, 40, data.clone())], compression);
        let d = decode(Cursor::new(&file), 0).unwrap();
        assert_eq!(d.samples.data, data, "{name}");
        assert_eq!(shape(Cursor::new(&file), 0).unwrap(), d.shape());
    }
}

#[test]
fn pages_are_told_apart() {
    for compression in [Compression::Uncompressed, Compression::Lzw] {
        let pages: Vec<_> = (1..=5).map(|k| (7, 3, vec![k * 11; 21])).collect();
        let file = stack(&pages, compression);
        assert_eq!(page_count(Cursor::new(&file)).unwrap(), 5);
        for k in 0..5_u16 {
            let d = decode(Cursor::new(&file), usize::from(k)).unwrap();
            assert_eq!(d.samples.data, [(k + 1) * 11; 21]);
        }
        let text = decode(Cursor::new(&file), 5).unwrap_err().to_string();
        assert!(text.contains("5 page(s)") && text.contains("no page 6"), "{text}");
    }
}

#[test]
fn previews_and_masks_are_no_pages() {
    let file = |kind| {
        let tags = [(254, kind), (256, 1), (257, 1), (258, 8), (259, 1), (262, 1), (277, 1)];
        by_hand(&tags, &[7])
    };
    assert_eq!(page_count(Cursor::new(file(0))).unwrap(), 1);
    assert_eq!(page_count(Cursor::new(file(2))).unwrap(), 1, "a page of a document");
    assert_eq!(page_count(Cursor::new(file(1))).unwrap(), 0, "a reduced copy");
    assert_eq!(page_count(Cursor::new(file(4))).unwrap(), 0, "a mask");
    let text = decode(Cursor::new(file(1)), 0).unwrap_err().to_string();
    assert!(text.contains("0 page(s)"), "{text}");
}

#[test]
fn a_strip_shorter_than_its_rows_is_damage() {
    let with = |count| {
        let tags = [(256, 3), (257, 2), (258, 8), (259, 1), (262, 1), (277, 1), (279, count)];
        decode(Cursor::new(by_hand(&tags, &[0; 64])), 0)
    };
    with(6).unwrap();
    let text = with(5).unwrap_err().to_string();
    assert!(text.contains("strip 1 has 5 bytes where 6 are needed"), "{text}");
}

#[test]
fn packed_twelve_bits_unpack() {
    // Two 12-bit samples in three bytes, high bit first: 0xabc, 0xdef (TIFF 6.0, section 3).
    let tags = [(256, 2), (257, 1), (258, 12), (259, 1), (262, 32_803), (277, 1)];
    let d = decode(Cursor::new(by_hand(&tags, &[0xab, 0xcd, 0xef])), 0).unwrap();
    assert_eq!(d.samples.data, [0xabc, 0xdef]);
    assert_eq!((d.samples.bits, d.full_scale), (16, 4095));
}

#[test]
fn white_is_zero_is_turned_round() {
    let tags = [(256, 3), (257, 1), (258, 8), (259, 1), (262, 0), (277, 1)];
    let d = decode(Cursor::new(by_hand(&tags, &[0, 1, 255])), 0).unwrap();
    assert_eq!(d.samples.data, [255, 254, 0]);
}

#[test]
fn truncated_and_huge_pages_are_errors() {
    let file = stack(&[(60, 40, ramp(2400))], Compression::Uncompressed);
    for len in [0, 4, 7, 8, 9, 100, 2000, file.len() - 1] {
        assert!(decode(Cursor::new(&file[..len]), 0).is_err(), "{len}");
    }
    let claim = |w, h| [(256, w), (257, h), (258, 16), (259, 1), (262, 1), (277, 1)];
    let refused =
        |w, h| decode(Cursor::new(by_hand(&claim(w, h), &[0; 8])), 0).unwrap_err().to_string();
    assert!(refused(60_000, 60_000).contains("limit"));
    assert!(refused(70_000, 1).contains("65535 a side"));
    assert!(refused(0, 5).contains("0x5"));
    assert!(refused(20_000, 20_000).contains("ends early"));
    // The header alone shows a cut file too.
    assert!(shape(Cursor::new(&file[..file.len() - 1]), 0).is_err());
}

#[test]
fn a_compressed_page_far_too_small_for_its_claim_is_refused_early() {
    let tags = [(256, 20_000), (257, 20_000), (258, 16), (259, 5), (262, 1), (277, 1)];
    let text = decode(Cursor::new(by_hand(&tags, &[0; 64])), 0).unwrap_err().to_string();
    assert!(text.contains("claims 800000000 bytes"), "{text}");
}

#[test]
fn other_kinds_say_what_they_are() {
    let with = |bits, photometric, samples, format| {
        let tags = [
            (256, 2),
            (257, 1),
            (258, bits),
            (259, 1),
            (262, photometric),
            (277, samples),
            (339, format),
        ];
        decode(Cursor::new(by_hand(&tags, &[0; 64])), 0).unwrap_err().to_string()
    };
    assert!(with(32, 1, 1, 3).contains("floating-point"));
    assert!(with(8, 3, 1, 1).contains("palette"));
    assert!(with(8, 5, 4, 1).contains("interpretation 5"));
    assert!(with(32, 1, 1, 1).contains("32 bits"));
}
