//! Small files of every format, made by libraries that know nothing of this project
//! (`tests/reference/make_formats.py`, compared again by CI): every sample must be the one that
//! was written. The table of formats in FORMATS.md comes from here.

use std::fs;
use std::path::{Path, PathBuf};

use hushframe::footage::{FrameFile, decode, find, shape_of};

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
}

fn listed() -> Vec<Listed> {
    let text = fs::read_to_string(Path::new(SAMPLES).join("formats.json")).unwrap();
    serde_json::from_str(&text).unwrap()
}

/// The pattern of `make_formats.py`.
fn pattern(l: &Listed, page: usize) -> Vec<u16> {
    let bits = l.pattern_bits.unwrap_or(l.depth);
    let one = |x: usize, y: usize, c: usize| {
        let key = (x * 73 + y * 151 + c * 977 + page * 3571 + 1) as u64;
        (((key * 2_654_435_761) & 0xffff_ffff) >> (32 - bits)) as u16
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
            let full = (1_u32 << l.pattern_bits.unwrap_or(l.depth)) - 1;
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
