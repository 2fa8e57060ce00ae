//! Small raw files built by hand, tag by tag. Files of an independent writer, read by another
//! independent reader too, are in `tests/reference/formats`.

use std::io::Cursor;

use super::super::tiff;
use super::*;

/// A value of a tag: type, count, bytes.
type Value = (u16, u32, Vec<u8>);

fn shorts(v: &[u16]) -> Value {
    (3, u32::try_from(v.len()).unwrap(), v.iter().flat_map(|x| x.to_le_bytes()).collect())
}

fn long(v: u32) -> Value {
    (4, 1, v.to_le_bytes().to_vec())
}

fn bytes(v: &[u8]) -> Value {
    (1, u32::try_from(v.len()).unwrap(), v.to_vec())
}

fn ratios(v: &[(u32, u32)]) -> Value {
    let all = v.iter().flat_map(|(a, b)| [a.to_le_bytes(), b.to_le_bytes()].concat()).collect();
    (5, u32::try_from(v.len()).unwrap(), all)
}

/// A preview directory that points to a raw one of 6x4 pixels, 16 bits, RGGB.
fn file(raw: &[(u16, Value)], first: &[(u16, Value)]) -> Vec<u8> {
    let samples: Vec<u8> = (0..24_u16).flat_map(|i| (i * 100).to_le_bytes()).collect();
    let mut out = b"II\x2a\0\x08\0\0\0".to_vec();
    let one = |tags: &mut Vec<(u16, Value)>, out: &mut Vec<u8>, link: Option<u16>| {
        tags.sort_by_key(|t| t.0);
        let start = out.len();
        let end = start + 2 + 12 * tags.len() + 4;
        let extra: usize = tags.iter().map(|t| if t.1.2.len() > 4 { t.1.2.len() } else { 0 }).sum();
        out.extend(u16::try_from(tags.len()).unwrap().to_le_bytes());
        let mut at = end;
        let mut behind: Vec<u8> = Vec::new();
        for (tag, (kind, count, value)) in tags {
            out.extend(tag.to_le_bytes());
            out.extend(kind.to_le_bytes());
            out.extend(count.to_le_bytes());
            if Some(*tag) == link {
                out.extend(u32::try_from(end + extra).unwrap().to_le_bytes());
            } else if value.len() > 4 {
                out.extend(u32::try_from(at).unwrap().to_le_bytes());
                at += value.len();
                behind.extend(value.iter());
            } else {
                let mut four = value.clone();
                four.resize(4, 0);
                out.extend(four);
            }
        }
        out.extend([0; 4]);
        out.extend(behind);
    };
    let mut tags = vec![(254, long(1)), (330, long(0))];
    tags.extend(first.iter().cloned());
    one(&mut tags, &mut out, Some(330));
    let mut tags = vec![
        (254, long(0)),
        (256, long(6)),
        (257, long(4)),
        (258, shorts(&[16])),
        (259, shorts(&[1])),
        (262, shorts(&[32_803])),
        (273, long(0)),
        (277, shorts(&[1])),
        (278, long(4)),
        (279, long(48)),
        (CFA_REPEAT, shorts(&[2, 2])),
        (CFA_PATTERN, bytes(&[0, 1, 1, 2])),
    ];
    for (tag, value) in raw {
        tags.retain(|t| t.0 != *tag);
        tags.push((*tag, value.clone()));
    }
    one(&mut tags, &mut out, Some(273));
    out.extend(samples);
    out
}

fn decode(file: &[u8]) -> Result<Decoded, Fault> {
    let (dirs, page) = tiff::find_page(Cursor::new(file), 0)?;
    tiff::decode(dirs, &page)
}

fn facts_of(file: &[u8]) -> HeaderFacts {
    let (mut dirs, page) = tiff::find_page(Cursor::new(file), 0).unwrap();
    facts(&mut dirs, &page)
}

#[test]
fn the_raw_picture_below_a_preview_is_the_page() {
    let f = file(&[], &[]);
    let d = decode(&f).unwrap();
    assert_eq!((d.samples.width, d.samples.height), (6, 4));
    assert_eq!(d.samples.data[..7], [0, 100, 200, 300, 400, 500, 600]);
    let facts = facts_of(&f).facts;
    assert_eq!(facts.mosaic.unwrap().value, Mosaic::Rggb);
    assert!(facts.black.is_none() && facts.white.is_none());
}

#[test]
fn table_area_levels_and_rate() {
    let table: Vec<u16> = (0..1000).map(|i| i * 2).collect();
    let f = file(
        &[
            (LINEARIZATION, shorts(&table)),
            (ACTIVE_AREA, shorts(&[1, 2, 3, 6])),
            (BLACK_LEVEL, ratios(&[(127, 2), (64, 1), (64, 1), (129, 2)])),
            (WHITE_LEVEL, long(1900)),
        ],
        &[
            (FRAME_RATE, (10, 1, [5000_u32.to_le_bytes(), 1_u32.to_le_bytes()].concat())),
            (TIME_CODES, bytes(&[0x03, 0x61 - 0x58, 0x01, 0x00, 0, 0, 0, 0])),
        ],
    );
    let d = decode(&f).unwrap();
    // Rows 1 and 2, columns 2 to 5; 800 is looked up, 1000 and above take the last entry.
    assert_eq!((d.samples.width, d.samples.height), (4, 2));
    assert_eq!(d.samples.data, [1600, 1800, 1998, 1998, 1998, 1998, 1998, 1998]);
    assert_eq!(d.full_scale, 1998);
    assert!(d.warnings.is_empty(), "half a DN is no difference");
    let h = facts_of(&f);
    assert!((h.facts.black.unwrap().value - 64.0).abs() < 1e-9);
    assert!((h.facts.white.unwrap().value - 1900.0).abs() < 1e-9);
    assert_eq!(h.facts.rate.unwrap().source.to_string(), "header DNG FrameRate");
    assert_eq!(h.time_code.as_deref(), Some("00:01:09:03"));
}

#[test]
fn other_filters_areas_and_levels() {
    let refused = |tags: &[(u16, Value)]| decode(&file(tags, &[])).unwrap_err().to_string();
    assert!(refused(&[(CFA_REPEAT, shorts(&[6, 6]))]).contains("two by two"));
    assert!(refused(&[(CFA_PATTERN, bytes(&[0, 1, 2, 1]))]).contains("two by two"));
    assert!(refused(&[(ACTIVE_AREA, shorts(&[0, 0, 5, 6]))]).contains("not inside"));
    assert!(refused(&[(ACTIVE_AREA, shorts(&[3, 0, 2, 6]))]).contains("not inside"));
    assert!(refused(&[(259, shorts(&[34_892]))]).contains("compression 34892"));
    let d = decode(&file(&[(BLACK_LEVEL, shorts(&[60, 64, 64, 68]))], &[])).unwrap();
    assert_eq!(d.warnings[0].kind, "black-levels-differ");
    let sound = file(&[(LINEARIZATION, shorts(&[1, 2, 3]))], &[]);
    for len in 0..sound.len() {
        assert!(decode(&sound[..len]).is_err(), "{len}");
    }
}

#[test]
fn white_balance_and_opcodes_are_told_and_change_no_sample() {
    let plain = decode(&file(&[], &[])).unwrap();
    // Neutral (0.5, 1, 0.625): red is to be doubled, blue times 1.6. One opcode in the second list,
    // none in the third.
    let opcodes = [(51_009, bytes(&[0, 0, 0, 1, 9, 9])), (51_022, bytes(&[0, 0, 0, 0]))];
    let f = file(&opcodes, &[(NEUTRAL, ratios(&[(1, 2), (1, 1), (5, 8)]))]);
    let d = decode(&f).unwrap();
    assert_eq!(d.samples, plain.samples);
    let kinds: Vec<&str> = d.warnings.iter().map(|w| w.kind.as_str()).collect();
    assert_eq!(kinds, ["white-balance", "opcodes-left-out"]);
    assert!(d.warnings[0].text.contains("red 2.000, blue 1.600"), "{:?}", d.warnings);
    let none = decode(&file(&opcodes[1..], &[])).unwrap();
    assert!(none.warnings.is_empty(), "{:?}", none.warnings);
}
