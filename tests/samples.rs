//! Small files of every format, made by libraries that know nothing of this project
//! (`tests/reference/make_formats.py`, compared again by CI): every sample must be the one that
//! was written. The table of formats in FORMATS.md comes from here.

use std::fs;
use std::path::{Path, PathBuf};

use hushframe::footage::{
    DpxTags, ExrTags, FrameFile, OutFrame, TiffTags, Y4mKind, Y4mWriter, decode, decode_bytes,
    encode_dpx, encode_exr, encode_png16, encode_tiff, exif_facts, find, shape_of,
};
use hushframe::frame::units::FrameRate;

const SAMPLES: &str = "tests/reference/formats";

/// One line of `formats.json`.
#[derive(Debug, Clone, serde::Deserialize)]
struct Listed {
    file: String,
    format: String,
    depth: u8,
    variant: String,
    width: usize,
    height: usize,
    channels: usize,
    pages: usize,
    /// Bits of the pattern, where they are not those of the file.
    #[serde(default)]
    pattern_bits: Option<u8>,
    /// Largest difference allowed; 0 where it is not given.
    #[serde(default)]
    tolerance: u16,
    /// Whether the pattern is luma in limited range, which comes out with 16 bits.
    #[serde(default)]
    luma: bool,
    /// Left and top of the part that comes out.
    #[serde(default)]
    area: [usize; 2],
    /// Whether a table turns each value into its square / 256.
    #[serde(default)]
    squared: bool,
    /// The colour filter that the file names.
    #[serde(default)]
    mosaic: Option<String>,
}

impl Listed {
    /// Largest sample of the format as it comes out.
    fn full_out(&self) -> u32 {
        let bits = if self.luma { 16 } else { self.pattern_bits.unwrap_or(self.depth) };
        let full = (1_u32 << bits) - 1;
        if self.squared { full * full / 256 } else { full }
    }
}

fn listed() -> Vec<Listed> {
    let text = fs::read_to_string(Path::new(SAMPLES).join("formats.json")).unwrap();
    serde_json::from_str(&text).unwrap()
}

/// The pattern of `make_formats.py`.
fn pattern(l: &Listed, page: usize) -> Vec<u16> {
    let bits = l.pattern_bits.unwrap_or(l.depth);
    let one = |x: usize, y: usize, c: usize| {
        let c = if l.luma { 0 } else { c };
        let (x, y) = (x + l.area[0], y + l.area[1]);
        let key = (x * 73 + y * 151 + c * 977 + page * 3571 + 1) as u64;
        let v = (((key * 2_654_435_761) & 0xffff_ffff) >> (32 - bits)) as u16;
        if l.squared {
            return (u32::from(v) * u32::from(v) / 256) as u16;
        }
        if !l.luma {
            return v;
        }
        // BT.709-6 item 4.6: black at 16, white at 235, times 2^(bits - 8).
        let unit = f64::from(1_u32 << (bits - 8));
        let light = (f64::from(v) - 16.0 * unit) / (219.0 * unit);
        (light.clamp(0.0, 1.0) * 65_535.0).round() as u16
    };
    let mut out = Vec::new();
    for y in 0..l.height {
        for x in 0..l.width {
            out.extend((0..l.channels).map(|c| one(x, y, c)));
        }
    }
    out
}

/// The frames of a sample, as a clip would see them.
fn frames(l: &Listed) -> Vec<FrameFile> {
    let path = Path::new(SAMPLES).join(&l.file);
    if l.pages > 1 {
        return find(&path).unwrap().frames;
    }
    vec![FrameFile::single(&path)]
}

/// What is wrong with the facts of a sample; `None` where they are right.
fn facts_fault(l: &Listed, frame: &FrameFile) -> Option<String> {
    let facts = exif_facts(frame).unwrap().facts();
    let mosaic = facts.mosaic.as_ref().map(|m| format!("{:?}", m.value).to_uppercase());
    if mosaic != l.mosaic {
        return Some(format!("{}: mosaic {mosaic:?}, not {:?}", l.file, l.mosaic));
    }
    let rate = facts.rate.map(|r| r.value.per_second());
    let wanted = match l.format.as_str() {
        "OpenEXR" => Some(5000.0),
        "DPX" if !l.variant.starts_with("PyAV") => Some(5000.0),
        // The files put together by hand around lossless JPEG have no rate.
        "DNG" if !l.variant.starts_with("lossless") => Some(5000.0),
        _ => None,
    };
    (rate != wanted).then(|| format!("{}: rate {rate:?}, not {wanted:?}", l.file))
}

/// Largest difference of a sample's file from what was written; faults in words.
fn worst(l: &Listed, faults: &mut Vec<String>) -> u16 {
    let frames = frames(l);
    assert_eq!(frames.len(), l.pages, "{}", l.file);
    let mut worst = 0;
    for (page, frame) in frames.iter().enumerate() {
        let d = match decode(frame) {
            Ok(d) => d,
            Err(e) => {
                faults.push(e.to_string());
                continue;
            }
        };
        let s = &d.samples;
        let wanted = pattern(l, page);
        let size = (s.width, s.height, s.channels) == (l.width, l.height, l.channels);
        if shape_of(frame).unwrap() != d.shape() || !size || s.data.len() != wanted.len() {
            faults.push(format!("{} page {page}: {}", l.file, d.shape()));
            continue;
        }
        let off = s.data.iter().zip(&wanted).map(|(a, b)| a.abs_diff(*b)).max().unwrap();
        worst = worst.max(off);
        if off > l.tolerance {
            let first = s.data.iter().zip(&wanted).position(|(a, b)| a != b);
            faults.push(format!("{} page {page}: off by {off}, first at {first:?}", l.file));
        }
        faults.extend(facts_fault(l, frame));
        let full = l.full_out();
        if u32::from(d.full_scale) != full {
            faults.push(format!("{}: full scale {} not {full}", l.file, d.full_scale));
        }
    }
    worst
}

#[test]
fn every_sample_of_every_file_is_the_one_that_was_written() {
    let mut faults = Vec::new();
    for l in listed() {
        worst(&l, &mut faults);
    }
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}

/// Who made the samples, and reads back what is written.
fn independent(format: &str) -> &'static str {
    match format {
        "TIFF" => "tifffile, imagecodecs",
        "DNG" => "tifffile, imagecodecs, LibRaw",
        "PNG" | "JPEG" => "imagecodecs",
        "PGM" | "PPM" | "PAM" | "Y4M" => "PyAV",
        "DPX" => "OpenImageIO, PyAV",
        "OpenEXR" => "OpenEXR",
        other => panic!("{other}: name its independent writer"),
    }
}

/// The table of what is read, as measured.
fn read_table() -> String {
    let mut groups: Vec<(String, u8, Vec<String>, u16, u32)> = Vec::new();
    for l in listed() {
        let off = worst(&l, &mut Vec::new());
        let full = l.full_out();
        let mut variant = l.variant.clone();
        if l.channels == 3 && !variant.contains("RGB") && l.format != "Y4M" {
            variant.push_str(", RGB");
        }
        match groups.iter_mut().find(|g| g.0 == l.format && g.1 == l.depth) {
            Some(g) => {
                g.3 = g.3.max(off);
                if !g.2.contains(&variant) {
                    g.2.push(variant);
                }
            }
            None => groups.push((l.format.clone(), l.depth, vec![variant], off, full)),
        }
    }
    let mut out = String::from(
        "| format | bits | variants | samples come out | written by |\n| --- | --- | --- | --- | --- |\n",
    );
    for (format, depth, variants, off, full) in groups {
        let how = if off == 0 { "exactly".to_owned() } else { format!("within {off} of {full}") };
        let who = independent(&format);
        let variants = variants.join("; ");
        out.push_str(&format!("| {format} | {depth} | {variants} | {how} | {who} |\n"));
    }
    out
}

/// Every writer, by name: bits, and its bytes for a frame.
type Writer = (&'static str, &'static str, fn(&OutFrame) -> Vec<u8>);

fn y4m(frame: &OutFrame, kind: Y4mKind) -> Vec<u8> {
    let mut bytes = Vec::new();
    let mut writer = Y4mWriter::new(&mut bytes, kind, FrameRate::new(25, 1).unwrap());
    writer.frame(frame).unwrap();
    writer.finish().unwrap();
    bytes
}

const WRITERS: &[Writer] = &[
    ("TIFF (with or without OME)", "16", |f| encode_tiff(f, &TiffTags::default()).unwrap()),
    ("PNG", "16", |f| encode_png16(f, None).unwrap()),
    ("DPX, method A", "10", |f| encode_dpx(f, 10, &DpxTags::default()).unwrap()),
    ("DPX", "16", |f| encode_dpx(f, 16, &DpxTags::default()).unwrap()),
    ("OpenEXR, ZIP", "half", |f| encode_exr(f, true, &ExrTags::default()).unwrap()),
    ("OpenEXR, ZIP", "single", |f| encode_exr(f, false, &ExrTags::default()).unwrap()),
    ("Y4M 4:2:0", "8", |f| y4m(f, Y4mKind::Eight420)),
    ("Y4M 4:4:4", "8", |f| y4m(f, Y4mKind::Eight444)),
    ("Y4M 4:4:4", "10", |f| y4m(f, Y4mKind::Ten444)),
];

/// The table of what is written: largest difference after reading it again.
fn written_table() -> String {
    let mut out = String::from(
        "| format | bits | grey comes back | RGB comes back | read back by |\n| --- | --- | --- | --- | --- |\n",
    );
    for (name, bits, write) in WRITERS {
        let back = |channels: usize| {
            let frame = crate::exports::pattern(channels);
            let d = decode_bytes(&write(&frame), 0, Path::new(name)).unwrap();
            let full = f64::from(d.full_scale);
            let stored = d.samples.channels;
            let off = (0..frame.data.len()).map(|i| {
                let got = d.samples.data[i / channels * stored + i % channels];
                (f64::from(got) * 65_535.0 / full - f64::from(frame.data[i])).abs()
            });
            let off = off.fold(0.0, f64::max);
            if off == 0.0 { "exactly".to_owned() } else { format!("within {off:.0} of 65535") }
        };
        let rgb = if name.contains("4:2:0") { "halved chroma".to_owned() } else { back(3) };
        let who = match *name {
            n if n.starts_with("TIFF") => "tifffile",
            n if n.starts_with("PNG") => "OpenImageIO, Pillow",
            n => independent(n.split([' ', ',']).next().unwrap()),
        };
        out.push_str(&format!("| {name} | {bits} | {} | {rgb} | {who} |\n", back(1)));
    }
    out
}

/// FORMATS.md holds the tables as they are measured here; HUSHFRAME_WRITE_TABLES=1 writes them.
#[test]
fn the_tables_of_formats_are_what_is_measured() {
    let text = fs::read_to_string("FORMATS.md").unwrap();
    let mut wanted = text.clone();
    for (mark, table) in [("read", read_table()), ("written", written_table())] {
        let (begin, end) = (format!("<!-- {mark} -->\n"), format!("<!-- end {mark} -->"));
        let from = wanted.find(&begin).unwrap() + begin.len();
        let to = wanted.find(&end).unwrap();
        wanted.replace_range(from..to, &table);
    }
    if std::env::var_os("HUSHFRAME_WRITE_TABLES").is_some() {
        fs::write("FORMATS.md", &wanted).unwrap();
    } else {
        assert!(text == wanted, "FORMATS.md is not what is measured; it should be:\n{wanted}");
    }
}

/// Every sample file cut short at every length, and with single bits turned: an error or a
/// picture, never a panic.
#[test]
fn cut_and_turned_samples_are_errors_or_pictures() {
    for l in listed() {
        let path: PathBuf = Path::new(SAMPLES).join(&l.file);
        let sound = fs::read(&path).unwrap();
        let step = (sound.len() / 300).max(1);
        for at in (0..sound.len()).step_by(step).chain(0..sound.len().min(200)) {
            let _ = decode_bytes(&sound[..at], 0, &path);
            let mut bad = sound.clone();
            bad[at] ^= 1 << (at % 8);
            if let Ok(d) = decode_bytes(&bad, l.pages - 1, &path) {
                let s = d.samples;
                assert_eq!(s.data.len(), s.width * s.height * s.channels, "{} {at}", l.file);
            }
        }
    }
}
