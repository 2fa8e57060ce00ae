//! The readers against open conformance sets and fuzz findings, read in place where they are.
//!
//! What each picture must look like comes from the list beside the data, made with independent
//! readers (Python's general-purpose TIFF and PNG libraries): size, least and greatest sample.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use hushframe::footage::{
    Decoded, FootageError, FrameFile, decode, decode_bytes, exif_facts, find, shape_of,
};

const DATA: &str = "../shared/data";

/// The folder of a data set; `None`, saying so, where it is absent.
fn data(set: &str) -> Option<PathBuf> {
    let path = Path::new(DATA).join(set);
    if path.is_dir() {
        return Some(path);
    }
    println!("skipped: no {set} here");
    None
}

fn files(dir: &Path) -> Vec<PathBuf> {
    let mut out: Vec<PathBuf> = walkdir::WalkDir::new(dir)
        .into_iter()
        .map(Result::unwrap)
        .filter(|e| e.file_type().is_file())
        .map(walkdir::DirEntry::into_path)
        .collect();
    out.sort();
    out
}

/// What the list says of one file.
struct Listed {
    shape: Vec<usize>,
    dtype: String,
    range: Option<(f64, f64)>,
}

fn list() -> BTreeMap<PathBuf, Listed> {
    let text = fs::read_to_string(Path::new(DATA).join("MANIFEST.tsv")).unwrap();
    let line = |l: &str| {
        let cols: Vec<&str> = l.split('\t').collect();
        let number = |s: &str| s.trim().parse::<f64>().ok();
        (
            Path::new(DATA).join(cols[0]),
            Listed {
                shape: cols[3].split('x').filter_map(|n| n.parse().ok()).collect(),
                dtype: cols[4].to_owned(),
                range: number(cols[5]).zip(number(cols[6])),
            },
        )
    };
    text.lines().skip(1).map(line).collect()
}

fn name(path: &Path) -> String {
    path.file_name().unwrap().to_string_lossy().into_owned()
}

/// Faults of a decoded picture against the list; empty where it agrees.
fn compare(path: &Path, d: &Decoded, listed: &Listed, tolerance: f64) -> Vec<String> {
    let s = &d.samples;
    let mut faults = Vec::new();
    assert_eq!(s.data.len(), s.width * s.height * s.channels, "{}", path.display());
    let fits = |at: usize| listed.shape.get(at..at + 2) == Some(&[s.height, s.width][..]);
    if !fits(0) && !fits(1) {
        faults.push(format!("{}: {} is listed as {:?}", path.display(), d.shape(), listed.shape));
    }
    // Where alpha was dropped or only the first of several pages was read, the listed range is
    // that of more samples.
    let whole = listed.shape.iter().product::<usize>() == s.data.len();
    if let Some((low, high)) = listed.range.filter(|_| whole) {
        let full = f64::from(d.full_scale);
        let inverted = name(path).contains("miniswhite");
        let (low, high) = if inverted { (full - high, full - low) } else { (low, high) };
        let got = (*s.data.iter().min().unwrap(), *s.data.iter().max().unwrap());
        let near = |a: u16, b: f64| (f64::from(a) - b).abs() <= tolerance;
        if !near(got.0, low) || !near(got.1, high) {
            faults.push(format!("{}: {got:?} is listed as {low}..{high}", path.display()));
        }
    }
    faults
}

/// Decodes; shape and samples must agree with each other, and EXIF must not fall over.
fn try_all(path: &Path) -> Result<Decoded, FootageError> {
    let file = FrameFile::single(path);
    let shape = shape_of(&file);
    let _ = exif_facts(&file);
    let decoded = decode(&file);
    if let Ok(d) = &decoded {
        assert_eq!(shape.unwrap(), d.shape(), "{}", path.display());
    }
    if let Err(e) = &decoded {
        let text = e.to_string();
        assert!(text.len() < 600 && !text.contains('\n'), "{text}");
    }
    decoded
}

#[test]
fn pngsuite_decodes_and_its_broken_files_are_refused() {
    let Some(dir) = data("pngsuite") else { return };
    let list = list();
    let (mut good, mut broken, mut faults) = (0, 0, Vec::new());
    for path in files(&dir).iter().filter(|p| p.extension().is_some_and(|e| e == "png")) {
        match (name(path).starts_with('x'), try_all(path)) {
            (true, Err(_)) => broken += 1,
            (true, Ok(_)) => faults.push(format!("{}: is broken but was read", path.display())),
            (false, Err(e)) => faults.push(e.to_string()),
            (false, Ok(d)) => {
                good += 1;
                let listed = &list[path];
                // The list holds palette indices and samples below 8 bits in various forms.
                let same_form = d.full_scale == 65_535 || listed.dtype == "uint8";
                faults.extend(compare(path, &d, listed, 0.0).into_iter().filter(|_| same_form));
            }
        }
    }
    assert!(faults.is_empty(), "{}", faults.join("\n"));
    assert!(good > 150 && broken >= 13, "{good} good, {broken} broken");
}

/// Files that must decode: kinds that cameras and scientific programs write.
const MUST_READ: &[&str] = &[
    "minisblack-1c-8b.tiff",
    "minisblack-1c-16b.tiff",
    "rgb-3c-8b.tiff",
    "rgb-3c-16b.tiff",
    "issue_69_lzw.tiff",
    "issue_69_packbits.tiff",
    "planar-rgb-u8.tif",
    "tiled-rgb-u8.tif",
    "tiled-rect-rgb-u8.tif",
    "no_rows_per_strip.tiff",
    "12bit.cropped.tiff",
    "12bit.cropped.rgb.tiff",
    "BigTIFF.tif",
    "BigTIFFLong.tif",
    "BigTIFFMotorola.tif",
    "miniswhite-1c-12b.tiff",
];

#[test]
fn tiff_conformance_files_decode_or_say_why_not() {
    let Some(dir) = data("tiff_image-tiff") else { return };
    let list = list();
    let (mut good, mut faults, mut read) = (0, Vec::new(), Vec::new());
    // Files of the "seq" kind carry a hash of their content in the name: equal hash, equal samples.
    let mut by_content: BTreeMap<String, (PathBuf, Vec<u16>)> = BTreeMap::new();
    for path in files(&dir) {
        let fuzz = path.components().any(|c| c.as_os_str() == "fuzz_images");
        let Ok(d) = try_all(&path) else { continue };
        read.push(name(&path));
        if fuzz || path.extension().is_some_and(|e| e == "ppm" || e == "pgm") {
            continue;
        }
        good += 1;
        // Lossy JPEG inside a TIFF: decoders may differ by rounding.
        let lossy = name(&path).contains("jp");
        faults.extend(compare(&path, &d, &list[&path], if lossy { 2.0 } else { 0.0 }));
        let stem = path.file_stem().unwrap().to_string_lossy().into_owned();
        if let Some((_, hash)) = stem.strip_prefix("seq-").and_then(|s| s.rsplit_once('-')) {
            let mut values = d.samples.data.clone();
            if stem.contains("miniswhite") {
                // Written with the same numbers, which this reader turns to black-is-zero.
                continue;
            }
            values.shrink_to_fit();
            let key = format!("{hash} {}", d.samples.channels);
            let first = by_content.entry(key).or_insert_with(|| (path.clone(), values.clone()));
            if first.1 != values {
                faults.push(format!("{} differs from {}", path.display(), first.0.display()));
            }
        }
    }
    for must in MUST_READ {
        if !read.iter().any(|r| r == must) {
            let path = files(&dir).into_iter().find(|p| name(p) == *must);
            let why = path.map(|p| decode(&FrameFile::single(&p)).unwrap_err().to_string());
            faults.push(format!("{must}: {why:?}"));
        }
    }
    for depth in [8, 10, 12, 14, 16] {
        let start = format!("seq-1c-{depth}b-");
        assert!(read.iter().any(|r| r.starts_with(&start)), "no {start} was read");
    }
    assert!(faults.is_empty(), "{}", faults.join("\n"));
    assert!(good > 60, "only {good} were read");
    // LZW as it was before TIFF 5.0, bits in the other order: refused as damage, not as a disk error.
    let old = decode(&FrameFile::single(&dir.join("images/quad-lzw-compat.tiff"))).unwrap_err();
    assert!(matches!(old, FootageError::Footage { .. }), "{old}");
}

#[test]
fn the_same_picture_in_two_files_gives_the_same_samples() {
    let Some(dir) = data("tiff_image-tiff") else { return };
    for (a, b) in [
        ("minisblack-1c-8b.tiff", "minisblack-1c-8b.pgm"),
        ("rgb-3c-8b.tiff", "rgb-3c-8b.ppm"),
        // One plane after another against tiles of whole pixels.
        ("planar-rgb-u8.tif", "tiled-rgb-u8.tif"),
    ] {
        let read = |n: &str| decode(&FrameFile::single(&dir.join("images").join(n))).unwrap();
        assert_eq!(read(a).samples, read(b).samples, "{a}");
    }
}

#[test]
fn fuzz_findings_neither_panic_nor_hang() {
    let Some(dir) = data("fuzz_gofuzz") else { return };
    let all = files(&dir);
    let read = all.iter().filter(|p| try_all(p).is_ok()).count();
    println!("{read} of {} decoded", all.len());
    assert!(all.len() > 400);
}

#[test]
fn sequences_of_real_footage_are_found_and_read() {
    for (set, count, size) in [("seq_foam", 9, (768, 768)), ("seq_bulk_water", 60, (640, 424))] {
        let Some(dir) = data(set) else { continue };
        let clip = find(&dir).unwrap();
        assert_eq!(clip.frames.len(), count, "{set}");
        assert_eq!(clip.missing().count(), 0, "{set}");
        let shape = shape_of(&clip.frames[0]).unwrap();
        assert_eq!((shape.width, shape.height), size, "{set}");
        decode(&clip.frames[count - 1]).unwrap();
    }
}

/// Cuts and flips of a sound file of each format: an error or a picture, never a panic, and
/// never an allocation beyond the limits (which would abort).
#[test]
fn damage_of_every_kind_is_an_error_or_a_picture() {
    let frame = hushframe::footage::OutFrame {
        width: 24,
        height: 16,
        channels: 1,
        data: (0..24 * 16).map(|i| i * 97).collect(),
    };
    let tiff =
        hushframe::footage::encode_tiff(&frame, &hushframe::footage::TiffTags::default()).unwrap();
    let png = hushframe::footage::encode_png16(&frame, None).unwrap();
    let mut pgm = b"P5\n24 16\n65535\n".to_vec();
    pgm.extend(frame.data.iter().flat_map(|v| v.to_be_bytes()));
    let mut jpeg = Vec::new();
    image::codecs::jpeg::JpegEncoder::new(&mut jpeg)
        .encode(&[77; 24 * 16], 24, 16, image::ExtendedColorType::L8)
        .unwrap();
    let lzw = {
        let mut out = std::io::Cursor::new(Vec::new());
        let encoder = tiff::encoder::TiffEncoder::new(&mut out).unwrap();
        encoder
            .with_compression(tiff::encoder::Compression::Lzw)
            .write_image::<tiff::encoder::colortype::Gray16>(24, 16, &frame.data)
            .unwrap();
        out.into_inner()
    };
    let place = Path::new("relay/000412");
    for (kind, sound) in [("tiff", tiff), ("lzw", lzw), ("png", png), ("pgm", pgm), ("jpeg", jpeg)]
    {
        decode_bytes(&sound, 0, place).unwrap();
        for len in 0..sound.len() {
            let cut = decode_bytes(&sound[..len], 0, place);
            assert!(cut.is_err(), "{kind} cut to {len} of {}", sound.len());
        }
        for at in 0..sound.len() {
            for bit in [0, 3, 7] {
                let mut bad = sound.clone();
                bad[at] ^= 1 << bit;
                if let Ok(d) = decode_bytes(&bad, 0, place) {
                    let s = d.samples;
                    assert_eq!(s.data.len(), s.width * s.height * s.channels, "{kind} {at}");
                }
            }
        }
    }
}

/// Files of the reference library's own collections: sound ones with halves of every value,
/// infinities and a huge range; and findings of fuzzing, of which it reads 2 of 186 itself.
#[test]
fn open_exr_collections_are_read_or_refused() {
    for (set, least) in [("exr", 8), ("exr_damaged", 0)] {
        let Some(dir) = data(set) else { continue };
        let all = files(&dir);
        let is_exr = |p: &&PathBuf| fs::read(p).is_ok_and(|b| b.starts_with(&[0x76, 0x2f]));
        let exr: Vec<_> = all.iter().filter(is_exr).collect();
        let (mut read, mut bright) = (Vec::new(), Vec::new());
        for path in &exr {
            match try_all(path) {
                Ok(_) => read.push(name(path)),
                // Pictures of a huge range, where 1.0 is not white: decoded, then refused.
                Err(e) if e.to_string().contains("samples above 1.0") => bright.push(name(path)),
                Err(_) => {}
            }
        }
        println!("{set}: {} of {} read, {} too bright", read.len(), exr.len(), bright.len());
        assert!(read.len() + bright.len() >= least, "{set}: only {read:?} {bright:?}");
        if set == "exr_damaged" {
            assert!(read.len() < exr.len() / 4, "{read:?}");
        }
    }
}
