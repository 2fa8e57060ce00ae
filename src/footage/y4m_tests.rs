use std::io::Cursor;

use super::*;
use crate::frame::Curve;

fn decode_all(bytes: &[u8]) -> Vec<Vec<u16>> {
    let mut source = Cursor::new(bytes);
    let (n, _) = frames(&mut source).unwrap();
    (0..n).map(|page| decode(&mut source, page).unwrap().samples.data).collect()
}

#[test]
fn mono_in_full_range_keeps_its_samples() {
    let f = b"YUV4MPEG2 W3 H1 F5000:1 Ip Cmono XCOLORRANGE=FULL\nFRAME\n\x01\x02\xffFRAME\n\x03\x04\x05";
    assert_eq!(decode_all(f), [[1, 2, 255], [3, 4, 5]]);
    let mut source = Cursor::new(&f[..]);
    assert_eq!(facts(&mut source).facts.rate.unwrap().value, FrameRate::new(5000, 1).unwrap());
    let d = decode(&mut source, 1).unwrap();
    assert_eq!((d.curve, d.full_scale), (Some(Curve::Bt709), 255));
    let f = b"YUV4MPEG2 W1 H1 Cmono10 XCOLORRANGE=FULL\nFRAME\n\xff\x03";
    assert_eq!(decode_all(f), [[1023]]);
}

#[test]
fn ranges_and_colours_of_bt_709() {
    // BT.709-6 item 4.6: black is 16, white 235; below and above are clipped here.
    let f = b"YUV4MPEG2 W4 H1 Cmono\nFRAME\n\x10\xeb\x00\xff";
    assert_eq!(decode_all(f), [[0, 65_535, 0, 65_535]]);
    // Primaries by the matrix, worked out by hand: Y' = 16 + 219 x 0.2126 = 62.56 and so on,
    // rounded to 8 bits: red 63 102 240, green 173 42 26, blue 32 240 118.
    let f = b"YUV4MPEG2 W3 H1 C444\nFRAME\n\x3f\xad\x20\x66\x2a\xf0\xf0\x1a\x76";
    let got = &decode_all(f)[0];
    let wanted = [65_535, 0, 0, 0, 65_535, 0, 0, 0, 65_535];
    // One code of 8 bits is 299 of 65535, times the matrix's largest entry, 1.86.
    assert!(got.iter().zip(wanted).all(|(a, b)| a.abs_diff(b) < 560), "{got:?}");
}

#[test]
fn what_is_written_is_read_within_rounding() {
    for channels in [1, 3] {
        let data: Vec<u16> = (0..5 * 3 * channels).map(|i| 3000 + i * 1200).collect();
        let frame = OutFrame { width: 5, height: 3, channels: channels.into(), data };
        // 4:2:0 does not bring colours back, grey it does.
        let kinds: &[_] = if channels == 1 {
            &[(Y4mKind::Eight420, 150), (Y4mKind::Eight444, 150), (Y4mKind::Ten444, 38)]
        } else {
            // Half a code of each of three planes: 299 x (0.5 + 0.5 x 1.86) and a little.
            &[(Y4mKind::Eight444, 450), (Y4mKind::Ten444, 113)]
        };
        for &(kind, most) in kinds {
            let mut out = Vec::new();
            let rate = FrameRate::new(30_000, 1001).unwrap();
            let mut writer = Y4mWriter::new(&mut out, kind, rate);
            writer.frame(&frame).unwrap();
            writer.frame(&frame).unwrap();
            let other = OutFrame { width: 1, height: 1, channels: 1, data: vec![0] };
            assert!(writer.frame(&other).unwrap_err().to_string().contains("1x1"));
            writer.finish().unwrap();
            let read = decode_all(&out);
            assert_eq!(read.len(), 2);
            for p in 0..15 {
                for c in 0..3 {
                    let wanted = frame.data[p * frame.channels + c % frame.channels];
                    let got = read[1][p * 3 + c];
                    assert!(got.abs_diff(wanted) <= most, "{kind:?} {p} {c}: {got} {wanted}");
                }
            }
            assert_eq!(facts(&mut Cursor::new(&out)).facts.playback.unwrap().value, rate);
        }
    }
}

#[test]
fn chroma_is_the_mean_of_what_it_covers() {
    let plane = [1.0, 3.0, 5.0, 2.0, 4.0, 7.0];
    assert_eq!(half(&plane, 3, 2), [2.5, 6.0]);
    assert_eq!(half(&plane, 2, 3), [(1.0 + 3.0 + 5.0 + 2.0) / 4.0, 5.5]);
}

#[test]
fn refusals_and_cuts() {
    let refused = |f: &[u8]| decode(&mut Cursor::new(f), 0).unwrap_err().to_string();
    for (f, part) in [
        (&b"YUV4MPEG2 W2 H2"[..], "no end"),
        (b"YUV4MPEG3 W2 H2\n", "signature"),
        (b"YUV4MPEG2 W2 Hx\n", "Hx"),
        (b"YUV4MPEG2 W2\n", "2x0"),
        (b"YUV4MPEG2 W60000 H60000\n", "limit"),
        (b"YUV4MPEG2 W99999999999999999999 H1\n", "W9999"),
        (b"YUV4MPEG2 W2 H2 It\n", "interlaced"),
        (b"YUV4MPEG2 W2 H2 C411\n", "C411"),
        (b"YUV4MPEG2 W2 H2 C420p99\n", "C420p99"),
        (b"YUV4MPEG2 W2 H2 Cmono7\n", "Cmono7"),
        (b"YUV4MPEG2 W2 H2 C\xff\xff\xff\n", "colour space"),
        (b"YUV4MPEG2 W2 H1 Cmono\nFRAME\n\x01", "no whole frame 1"),
        (b"YUV4MPEG2 W2 H1 Cmono\nFRAME Ip\n\x01\x02", "without frame parameters"),
        (b"YUV4MPEG2 W1 H1 Cmono10\nFRAME\n\x00\x04", "beyond 10 bits"),
    ] {
        let text = refused(f);
        assert!(text.contains(part), "{text}");
    }
    let mut source = Cursor::new(&b"YUV4MPEG2 W2 H1 Cmono\nFRAME\n\x01\x02FRAME\n\x01"[..]);
    assert_eq!(frames(&mut source).unwrap(), (1, true));
    assert!(decode(&mut source, usize::MAX).is_err());
}
