//! Decoding speed of each format on 1920 x 1080 frames of 12-bit noise, beside the plain decode of
//! a general library where there is one, and a raw copy of the file.
//!
//! `cargo bench --bench formats` (20 rounds) or `cargo bench --bench formats -- 50`. Files lie in
//! the page cache; medians of one thread. Prints ms a frame, MB/s of 16-bit samples.
#![allow(
    clippy::expect_used,
    clippy::print_stdout,
    clippy::cast_possible_truncation,
    reason = "a bench prints, and a fault may end it"
)]

use std::fs;
use std::io::{Cursor, Read};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Instant;

use hushframe::footage::{
    DpxTags, ExrTags, FrameFile, OutFrame, Packing, RawLayout, TiffTags, Y4mKind, Y4mWriter,
    decode, encode_dpx, encode_exr, encode_png16, encode_tiff,
};
use hushframe::frame::units::FrameRate;

const WIDTH: usize = 1920;
const HEIGHT: usize = 1080;

/// Noise that fills 12 bits.
fn noise() -> Vec<u16> {
    let mut state = 1_u32;
    let mut next = || {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        (state >> 24) as u16
    };
    (0..WIDTH * HEIGHT).map(|_| 1000 + next() + next()).collect()
}

/// Median time of a call in ms.
fn median(rounds: usize, mut call: impl FnMut()) -> f64 {
    let mut times: Vec<f64> = (0..rounds)
        .map(|_| {
            let start = Instant::now();
            call();
            start.elapsed().as_secs_f64() * 1e3
        })
        .collect();
    times.sort_by(f64::total_cmp);
    times[times.len() / 2]
}

/// A page of ready bytes: bits, photometric, compression.
fn tiff_of(body: &[u8], bits: u32, photometric: u32, compression: u32) -> Vec<u8> {
    let (w, h) = (WIDTH as u32, HEIGHT as u32);
    let tags = [
        (256_u16, w),
        (257, h),
        (258, bits),
        (259, compression),
        (262, photometric),
        (273, 8 + 2 + 12 * 9 + 4),
        (277, 1),
        (278, h),
        (279, body.len() as u32),
    ];
    let mut out = b"II\x2a\0\x08\0\0\0\x09\0".to_vec();
    for (tag, value) in tags {
        out.extend(tag.to_le_bytes());
        out.extend([4, 0, 1, 0, 0, 0]);
        out.extend(value.to_le_bytes());
    }
    out.extend([0; 4]);
    out.extend(body);
    out
}

/// Bits from the most significant, with a zero after each ff where `stuffed`.
struct Bits {
    out: Vec<u8>,
    held: u64,
    have: u32,
    stuffed: bool,
}

impl Bits {
    fn put(&mut self, value: u32, n: u32) {
        self.held = (self.held << n) | u64::from(value);
        self.have += n;
        while self.have >= 8 {
            self.have -= 8;
            let byte = (self.held >> self.have) as u8;
            self.out.push(byte);
            if byte == 0xff && self.stuffed {
                self.out.push(0);
            }
        }
        self.held &= (1 << self.have) - 1;
    }

    fn end(mut self) -> Vec<u8> {
        if self.have > 0 {
            self.put((1 << (8 - self.have)) - 1, 8 - self.have);
        }
        self.out
    }
}

fn packed(data: &[u16], bits: u32) -> Vec<u8> {
    let mut out = Bits { out: Vec::new(), held: 0, have: 0, stuffed: false };
    data.iter().for_each(|&v| out.put(u32::from(v), bits));
    out.end()
}

/// Lossless JPEG, two components, predictor 1, codes of 4 bits for sizes 0 to 14.
fn lossless(data: &[u16]) -> Vec<u8> {
    let mut out = vec![0xff, 0xd8, 0xff, 0xc3, 0, 14, 12];
    out.extend((HEIGHT as u16).to_be_bytes());
    out.extend((WIDTH as u16 / 2).to_be_bytes());
    out.extend([2, 0, 0x11, 0, 1, 0x11, 0, 0xff, 0xc4, 0, 34, 0]);
    out.extend([0, 0, 0, 15, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0]);
    out.extend(0..15_u8);
    out.extend([0xff, 0xda, 0, 10, 2, 0, 0, 1, 0, 1, 0, 0]);
    let mut bits = Bits { out, held: 0, have: 0, stuffed: true };
    for (y, row) in data.chunks(WIDTH).enumerate() {
        for (x, &v) in row.iter().enumerate() {
            let guess = match (x, y) {
                (0 | 1, 0) => 2048,
                (0 | 1, _) => data[(y - 1) * WIDTH + x],
                _ => row[x - 2],
            };
            let diff = i32::from(v) - i32::from(guess);
            let size = 32 - diff.unsigned_abs().leading_zeros();
            let low = if diff < 0 { diff - 1 } else { diff };
            bits.put(size, 4);
            bits.put(low.cast_unsigned() & ((1 << size) - 1), size);
        }
    }
    let mut out = bits.end();
    out.extend([0xff, 0xd9]);
    out
}

/// A library's plain decode of a file's bytes, by name.
type Plain = (&'static str, fn(&[u8]));

fn with_image(bytes: &[u8]) {
    std::hint::black_box(image::load_from_memory(bytes).expect("decode"));
}

fn with_tiff(bytes: &[u8]) {
    let mut d = tiff::decoder::Decoder::new(Cursor::new(bytes)).expect("header");
    std::hint::black_box(d.read_image().expect("decode"));
}

fn with_png(bytes: &[u8]) {
    let mut reader = png::Decoder::new(Cursor::new(bytes)).read_info().expect("header");
    let mut out = vec![0; reader.output_buffer_size().expect("size")];
    reader.next_frame(&mut out).expect("decode");
    std::hint::black_box(out);
}

fn with_exr(bytes: &[u8]) {
    use exr::prelude::{ReadChannels, ReadLayers, read};
    let image = read()
        .no_deep_data()
        .largest_resolution_level()
        .all_channels()
        .first_valid_layer()
        .all_attributes()
        .non_parallel()
        .from_buffered(Cursor::new(bytes))
        .expect("decode");
    std::hint::black_box(image.layer_data.size);
}

fn y4m(frame: &OutFrame) -> Vec<u8> {
    let mut bytes = Vec::new();
    let rate = FrameRate::new(25, 1).expect("rate");
    let mut writer = Y4mWriter::new(&mut bytes, Y4mKind::Eight420, rate);
    writer.frame(frame).expect("write");
    writer.finish().expect("write");
    bytes
}

fn files() -> Vec<(&'static str, Vec<u8>, Option<Plain>, bool)> {
    let data = noise();
    let frame = OutFrame { width: WIDTH, height: HEIGHT, channels: 1, data: data.clone() };
    let mut pgm = format!("P5\n{WIDTH} {HEIGHT}\n4095\n").into_bytes();
    pgm.extend(data.iter().flat_map(|v| v.to_be_bytes()));
    let jpeg = {
        let eight: Vec<u8> = data.iter().map(|v| (v >> 4) as u8).collect();
        let mut out = Vec::new();
        image::codecs::jpeg::JpegEncoder::new(&mut out)
            .encode(&eight, WIDTH as u32, HEIGHT as u32, image::ExtendedColorType::L8)
            .expect("encode");
        out
    };
    let (dpx, exr) = (DpxTags::default(), ExrTags::default());
    let plain_tiff = encode_tiff(&frame, &TiffTags::default()).expect("encode");
    vec![
        ("TIFF 16", plain_tiff, Some(("tiff", with_tiff as fn(&[u8]))), false),
        ("TIFF 12 packed", tiff_of(&packed(&data, 12), 12, 1, 1), None, false),
        ("DNG 12 packed", tiff_of(&packed(&data, 12), 12, 32_803, 1), None, false),
        ("DNG 12 lossless JPEG", tiff_of(&lossless(&data), 12, 32_803, 7), None, false),
        ("PNG 16", encode_png16(&frame, None).expect("encode"), Some(("png", with_png)), false),
        ("PGM 16", pgm, Some(("image", with_image)), false),
        ("DPX 10", encode_dpx(&frame, 10, &dpx).expect("encode"), None, false),
        ("DPX 16", encode_dpx(&frame, 16, &dpx).expect("encode"), None, false),
        (
            "OpenEXR half, ZIP",
            encode_exr(&frame, true, &exr).expect("encode"),
            Some(("exr", with_exr)),
            false,
        ),
        (
            "OpenEXR single, ZIP",
            encode_exr(&frame, false, &exr).expect("encode"),
            Some(("exr", with_exr)),
            false,
        ),
        ("Y4M 8, 4:2:0", y4m(&frame), None, false),
        ("JPEG 8", jpeg, Some(("image", with_image)), false),
        ("headerless 12, lsb", packed(&data, 12), None, true),
    ]
}

fn copy(from: &Path, to: &Path) {
    let mut bytes = Vec::new();
    fs::File::open(from).and_then(|mut f| f.read_to_end(&mut bytes)).expect("read");
    fs::write(to, &bytes).expect("write");
}

fn main() {
    let rounds = std::env::args().filter_map(|a| a.parse().ok()).next().unwrap_or(20);
    let dir = tempfile::tempdir().expect("temporary folder");
    let raw = Arc::new(RawLayout {
        width: WIDTH as u64,
        height: HEIGHT as u64,
        bits: 12,
        packing: Some(Packing::Lsb),
        header: 0,
        frame_header: 0,
        channels: 1,
        extension: "raw".to_owned(),
    });
    println!("1920 x 1080, grey, {rounds} rounds, median ms (MB/s of 16-bit samples)");
    println!("{:22} {:>8} {:>18} {:>22} {:>10}", "format", "MB", "here", "library", "raw copy");
    let mega = (WIDTH * HEIGHT * 2) as f64 / 1e6;
    for (name, bytes, library, headerless) in files() {
        let path: PathBuf = dir.path().join("1.frame");
        fs::write(&path, &bytes).expect("write");
        let raw = headerless.then(|| raw.clone());
        let file = FrameFile { number: 1, path: path.clone(), page: 0, raw };
        let here = median(rounds, || {
            std::hint::black_box(decode(&file).expect("decode"));
        });
        let plain = library.map(|(word, call)| {
            let ms = median(rounds, || call(&fs::read(&path).expect("read")));
            format!("{ms:.2} ({word})")
        });
        let copied = median(rounds, || copy(&path, &dir.path().join("copy")));
        println!(
            "{name:22} {:8.2} {here:9.2} ({:6.0}) {:>22} {copied:10.2}",
            bytes.len() as f64 / 1e6,
            mega / here * 1e3,
            plain.unwrap_or_else(|| "refused or none".to_owned()),
        );
    }
}
