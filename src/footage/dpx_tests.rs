use super::*;

fn frame(channels: usize) -> OutFrame {
    let (width, height) = (7, 3);
    let n = u16::try_from(width * height * channels).unwrap();
    OutFrame { width, height, channels, data: (0..n).map(|i| i.wrapping_mul(3121)).collect() }
}

fn tags() -> DpxTags {
    DpxTags {
        creator: "hushframe".to_owned(),
        description: "music box".to_owned(),
        playback: FrameRate::new(25, 1),
        exposure_s: Some(50e-6),
        position: 25 * 61 + 3,
        display: false,
    }
}

#[test]
fn sixteen_bits_come_back_and_ten_bits_rounded() {
    for channels in [1, 3] {
        let f = frame(channels);
        let d = decode(&encode_dpx(&f, 16, &tags()).unwrap()).unwrap();
        assert_eq!((d.samples.data.as_slice(), d.full_scale), (f.data.as_slice(), 65_535));
        let d = decode(&encode_dpx(&f, 10, &tags()).unwrap()).unwrap();
        let wanted: Vec<u16> = f
            .data
            .iter()
            .map(|&v| crate::frame::convert::round_u16(f32::from(v) * 1023.0 / 65_535.0))
            .collect();
        assert_eq!((d.samples.data, d.full_scale), (wanted, 1023));
        assert!(d.curve.is_none() && d.warnings.is_empty());
    }
    assert!(encode_dpx(&frame(1), 12, &tags()).unwrap_err().to_string().contains("10 or 16"));
}

#[test]
fn facts_come_back_and_nothing_else_is_told() {
    let bytes = encode_dpx(&frame(1), 16, &tags()).unwrap();
    let f = facts(&bytes);
    assert_eq!(f.facts.playback.unwrap().value, FrameRate::new(25, 1).unwrap());
    assert!((f.facts.exposure.unwrap().value.s() - 50e-6).abs() < 1e-10);
    assert_eq!(f.time_code.as_deref(), Some("00:01:01:03"));
    assert_eq!(f.taken, None);
    let mut display = tags();
    display.display = true;
    let d = decode(&encode_dpx(&frame(1), 16, &display).unwrap()).unwrap();
    assert_eq!((d.curve, d.warnings[0].kind.as_str()), (Some(Curve::Bt709), "display-coded"));
}

#[test]
fn the_film_header_names_the_rate_of_the_original() {
    let mut bytes = encode_dpx(&frame(1), 16, &tags()).unwrap();
    bytes[1724..1728].copy_from_slice(&5000_f32.to_be_bytes());
    let f = facts(&bytes).facts;
    assert_eq!(f.rate.unwrap().value, FrameRate::new(5000, 1).unwrap());
    assert_eq!(f.playback.unwrap().value, FrameRate::new(25, 1).unwrap());
}

/// Samples by hand in each packing of a luminance row: 0x3ff, 0x001, 0x2aa, 0x155.
#[test]
fn packings_by_hand() {
    let head = |depth: u8, packing: u8, width: u32, words: &[u32], little: bool| {
        let f = OutFrame { width: 4, height: 1, channels: 1, data: vec![0; 4] };
        let mut b = encode_dpx(&f, 16, &DpxTags::default()).unwrap();
        b.truncate(HEADER);
        b[803] = depth;
        b[805] = packing;
        b[772..776].copy_from_slice(&width.to_be_bytes());
        if little {
            // Numbers of the header that are read, turned round.
            b[..4].copy_from_slice(b"XPDS");
            for at in [4, 772, 776, 780, 808, 812] {
                b[at..at + 4].reverse();
            }
            for at in [768, 770, 804, 806] {
                b[at..at + 2].reverse();
            }
        }
        for w in words {
            b.extend(if little { w.to_le_bytes() } else { w.to_be_bytes() });
        }
        decode(&b).unwrap().samples.data
    };
    let ten = [0x3ff, 0x001, 0x2aa, 0x155];
    let twelve = [0xfff, 0x001, 0xaaa, 0x555];
    for little in [false, true] {
        let a = [(0x2aa << 22) | (0x001 << 12) | (0x3ff << 2), 0x155 << 2];
        assert_eq!(head(10, 1, 4, &a, little), ten);
        let b = [(0x2aa << 20) | (0x001 << 10) | 0x3ff, 0x155];
        assert_eq!(head(10, 2, 4, &b, little), ten);
        // Packed: 0x3ff | 0x001 << 10 | 0x2aa << 20 | the low 2 bits of 0x155 << 30, the rest next.
        let p = [0x3ff | (0x001 << 10) | (0x2aa << 20) | (1 << 30), 0x155 >> 2];
        assert_eq!(head(10, 0, 4, &p, little), ten);
        let p = [0xfff | (0x001 << 12) | (0xaa << 24), 0xa | (0x555 << 4)];
        assert_eq!(head(12, 0, 4, &p, little), twelve);
    }
    assert_eq!(head(12, 1, 4, &[0xfff0_0010, 0xaaa0_5550], false), twelve);
    assert_eq!(head(12, 2, 4, &[0x0fff_0001, 0x0aaa_0555], false), twelve);
    // In a little-endian file each 16-bit word has its low byte first.
    assert_eq!(head(12, 2, 4, &[0x0001_0fff, 0x0555_0aaa], true), twelve);
}

#[test]
fn refusals_say_what_and_what_to_do() {
    let sound = encode_dpx(&frame(3), 10, &tags()).unwrap();
    let with = |at: usize, bytes: &[u8]| {
        let mut bad = sound.clone();
        bad[at..at + bytes.len()].copy_from_slice(bytes);
        decode(&bad).unwrap_err().to_string()
    };
    assert!(with(770, &[0, 3]).contains("3 image elements"));
    assert!(with(768, &[0, 1]).contains("orientation 1"));
    assert!(with(660, &[0, 0, 0, 9]).contains("encrypted"));
    assert!(with(780, &[0, 0, 0, 1]).contains("signed"));
    assert!(with(800, &[100]).contains("descriptor 100"));
    assert!(with(801, &[3]).contains("logarithmic"));
    assert!(with(803, &[32]).contains("32 bits"));
    assert!(with(806, &[0, 1]).contains("run-length"));
    assert!(with(772, &[0, 1, 0, 0]).contains("65535 a side"));
    assert!(with(772, &[0, 0, 0xff, 0xff]).contains("ends early"));
    assert!(with(808, &[0xff, 0, 0, 0]).contains("ends early"));
    assert!(with(776, &[0, 0, 0, 0]).contains("7x0"));
    for len in 0..sound.len() {
        assert!(decode(&sound[..len]).is_err(), "{len}");
        let _ = facts(&sound[..len]);
    }
}
