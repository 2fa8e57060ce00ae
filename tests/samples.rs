//! Small files of every format, made by libraries that know nothing of this project
//! (`tests/reference/make_formats.py`, compared again by CI): every sample must be the one that
//! was written. The table of formats in FORMATS.md comes from here.

use std::fs;
use std::path::{Path, PathBuf};

use hushframe::footage::{FrameFile, decode, exif_facts, find, shape_of};

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
    /// The colour filter that the file names.
    #[serde(default)]
    mosaic: Option<String>,
}

impl Listed {
    /// Bits of the samples as they come out.
    fn bits_out(&self) -> u8 {
        if self.luma { 16 } else { self.pattern_bits.unwrap_or(self.depth) }
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
        let key = (x * 73 + y * 151 + c * 977 + page * 3571 + 1) as u64;
        let v = (((key * 2_654_435_761) & 0xffff_ffff) >> (32 - bits)) as u16;
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

#[test]
fn every_sample_of_every_file_is_the_one_that_was_written() {
    let mut faults = Vec::new();
    for l in listed() {
        let frames = frames(&l);
        assert_eq!(frames.len(), l.pages, "{}", l.file);
        for (page, frame) in frames.iter().enumerate() {
            let d = match decode(frame) {
                Ok(d) => d,
                Err(e) => {
                    faults.push(e.to_string());
                    continue;
                }
            };
            let s = &d.samples;
            let wanted = pattern(&l, page);
            let same_shape = shape_of(frame).unwrap() == d.shape();
            let size = (s.width, s.height, s.channels) == (l.width, l.height, l.channels);
            let near = s.data.len() == wanted.len()
                && s.data.iter().zip(&wanted).all(|(a, b)| a.abs_diff(*b) <= l.tolerance);
            if !same_shape || !size || !near {
                let first = s.data.iter().zip(&wanted).position(|(a, b)| a != b);
                faults.push(format!("{} page {page}: {}, first at {first:?}", l.file, d.shape()));
            }
            faults.extend(facts_fault(&l, frame));
            let full = (1_u32 << l.bits_out()) - 1;
            if u32::from(d.full_scale) != full {
                faults.push(format!("{}: full scale {} not {full}", l.file, d.full_scale));
            }
        }
    }
    assert!(faults.is_empty(), "{}", faults.join("\n"));
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
            let _ = hushframe::footage::decode_bytes(&sound[..at], 0, &path);
            let mut bad = sound.clone();
            bad[at] ^= 1 << (at % 8);
            if let Ok(d) = hushframe::footage::decode_bytes(&bad, l.pages - 1, &path) {
                let s = d.samples;
                assert_eq!(s.data.len(), s.width * s.height * s.channels, "{} {at}", l.file);
            }
        }
    }
}
