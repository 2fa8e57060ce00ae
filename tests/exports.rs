//! Finished frames in other formats: the command, and files for independent readers.

use std::fs;
use std::path::{Path, PathBuf};

use hushframe::footage::{
    DpxTags, ExrTags, FrameFile, OmeTags, OutFrame, TiffTags, Y4mKind, Y4mWriter, decode,
    encode_dpx, encode_exr, encode_png16, encode_tiff, exif_facts, find, ome_xml,
};
use hushframe::frame::units::FrameRate;

use crate::harness::{Ended, Place, kept, names, read_json, read_tiff};

fn text(path: PathBuf) -> String {
    path.into_os_string().into_string().unwrap()
}

/// The kept clip, made by one of the standard pipelines.
fn made(pipeline: &str) -> Place {
    let place = Place::new();
    let [clip, dark, flat] = ["comb-pluck", "black", "even"].map(|f| text(kept(f)));
    let args = ["run", &clip, "--dark", &dark, "--flat", &flat, "--out", "out"];
    let more = ["--pipeline", pipeline, "--playback", "30000/1001", "--no-preview"];
    place.run(&[args.as_slice(), &more].concat()).expect(0, &["24 frames made"]);
    place
}

/// Samples of a finished frame and of an exported one, by our own reader.
fn both(place: &Place, name: &str, exported: &Path) -> (Vec<u16>, Vec<u16>, u16) {
    let finished = read_tiff(&place.path("out/comb-pluck/frames").join(name)).2;
    let d = decode(&FrameFile::single(exported)).unwrap();
    (finished, d.samples.data, d.full_scale)
}

#[test]
fn a_finished_clip_in_every_format() {
    let place = made("clean");
    let record = read_json(&place.path("out/comb-pluck/record.json"));
    let pedestal = record["output_scale"]["pedestal_dn"].as_f64().unwrap();
    for (format, end, most) in [
        ("png", "png", 0.0),
        ("ome-tiff", "ome.tif", 0.0),
        ("dpx16", "dpx", 0.0),
        ("dpx10", "dpx", 0.5 * 65_535.0 / 1023.0),
        ("exr-float", "exr", 0.51),
        // Half a step of 11 significant bits near white, and half a DN.
        ("exr", "exr", 65_535.0 / 4096.0 + 0.51),
    ] {
        let to = format!("exported/{format}");
        place.run(&["export", "out/comb-pluck", "--format", format, "--to", &to]).expect(0, &[]);
        let folder = place.path(&to);
        let files = names(&folder);
        assert_eq!(files.len(), 25, "24 frames and a note: {files:?}");
        for n in [1, 13, 24] {
            let file = folder.join(format!("{n:06}.{end}"));
            let (wanted, got, full) = both(&place, &format!("{n:06}.tif"), &file);
            let scale = 65_535.0 / f64::from(full);
            for (w, g) in wanted.iter().zip(&got) {
                let mut w = f64::from(*w);
                if end == "exr" {
                    // Black is 0.0; below it the reader clips.
                    w = ((w - pedestal) * 65_535.0 / (65_535.0 - pedestal)).max(0.0);
                }
                let g = f64::from(*g) * scale;
                assert!((g - w).abs() <= most, "{format} {n}: {g} for {w}");
            }
            let facts = exif_facts(&FrameFile::single(&file)).unwrap().facts();
            if matches!(end, "dpx" | "exr") {
                let rate = facts.playback.map(|p| p.value);
                assert_eq!(rate, FrameRate::new(30_000, 1001), "{format}");
            }
            if end == "exr" {
                assert_eq!(facts.rate.map(|r| r.value), FrameRate::new(10_000, 1));
            }
        }
    }
    // Nothing in any of the files tells where they were made.
    let here = place.path("").to_string_lossy().into_owned();
    for folder in ["exported", "out/comb-pluck/frames"] {
        for entry in walkdir::WalkDir::new(place.path(folder)) {
            let entry = entry.unwrap();
            if entry.file_type().is_file() {
                let bytes = fs::read(entry.path()).unwrap();
                let told = bytes.windows(here.len()).any(|w| w == here.as_bytes());
                assert!(!told, "{} names its folder", entry.path().display());
            }
        }
    }
    // A folder of other things, results of a run, and no folder at all are refused.
    fs::create_dir(place.path("mine")).unwrap();
    fs::write(place.path("mine/letter.txt"), b"dear").unwrap();
    let refused = |args: &[&str], word: &str| {
        let all = [&["export", "out/comb-pluck", "--format"], args].concat();
        place.run(&all).expect(2, &[word]);
    };
    refused(&["png", "--to", "mine"], "holds other files");
    refused(&["png", "--to", "out/comb-pluck/png"], "lies inside");
    refused(&["png"], "give --to");
    refused(&["bmp", "--to", "x"], "write png");
    place.run(&["export", "out", "--format", "png", "--to", "x"]).expect(2, &["clip's own folder"]);
}

/// A clip and its black reference as headerless files of many frames, and a description that is
/// corrected between two runs: the second must not take anything from the first.
#[test]
fn headerless_stacks_are_a_clip_and_its_reference() {
    let place = Place::new();
    let frame = |n: u16, level: u16| -> Vec<u8> {
        let one = |i: u16| level + i.wrapping_mul(37).wrapping_add(n * 11) % 64;
        (0..160 * 120).flat_map(|i| one(i).to_le_bytes()).collect()
    };
    let clip_toml = |white: u32, header: u32| {
        format!(
            "rate = 2000\nwhite = {white}\n[raw]\nwidth = 160\nheight = 120\nbits = 12\n\
             packing = \"low-byte\"\nheader = {header}\n"
        )
    };
    for (folder, level) in [("clip", 1000), ("black", 100)] {
        fs::create_dir(place.path(folder)).unwrap();
        let mut bytes: Vec<u8> = (0..8).flat_map(|n| frame(n, level)).collect();
        // As many bytes again as a frame: the description decides what the header is.
        bytes.extend(frame(8, level));
        fs::write(place.path(&format!("{folder}/take 1.raw")), bytes).unwrap();
        fs::write(place.path(&format!("{folder}/clip.toml")), clip_toml(4095, 0)).unwrap();
    }
    let run = ["run", "clip", "--dark", "black", "--out", "out", "--no-preview"];
    place.run(&run).expect(0, &["9 frames made"]);
    for folder in ["clip", "black"] {
        let text = clip_toml(4095, 160 * 120 * 2);
        fs::write(place.path(&format!("{folder}/clip.toml")), text).unwrap();
    }
    place.run(&run).expect(0, &["8 frames made"]);
}

#[test]
fn a_stream_goes_to_standard_output_and_holds_missing_frames() {
    let place = made("clean-and-label");
    let ended = |args: &[&str]| {
        let out = place.command(args).output().unwrap();
        assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
        out.stdout
    };
    let stream = ended(&["export", "out/comb-pluck", "--format", "y4m-444-10"]);
    let path = place.path("comb.y4m");
    fs::write(&path, &stream).unwrap();
    let clip = find(&path).unwrap();
    assert_eq!((clip.frames.len(), clip.warnings.len()), (24, 0));
    let d = decode(&clip.frames[12]).unwrap();
    let wanted = read_tiff(&place.path("out/comb-pluck/frames/000013.tif")).2;
    // Frames coded for display keep their codes, within half a step of 10 bits in each plane.
    let step = 65_535.0 / 876.0;
    let channels = d.samples.data.len() / wanted.len();
    for (i, w) in wanted.iter().enumerate() {
        let got = f64::from(d.samples.data[i * channels]);
        assert!((got - f64::from(*w)).abs() <= 1.5 * step, "{i}: {got} for {w}");
    }
    // The same to a file, and a part of it; a frame that is gone stays as the one before it.
    fs::remove_file(place.path("out/comb-pluck/frames/000014.tif")).unwrap();
    place
        .run(&["export", "out/comb-pluck", "--format", "y4m", "--to", "p.y4m", "--frames", "12-15"])
        .expect(0, &["no finished frame for 1 number of the sequence"]);
    let clip = find(&place.path("p.y4m")).unwrap();
    assert_eq!(clip.frames.len(), 4);
    let data = |i: usize| decode(&clip.frames[i]).unwrap().samples.data;
    assert!(data(1) == data(2) && data(1) != data(3));
    place
        .run(&["export", "out/comb-pluck", "--format", "y4m", "--to", "p.y4m"])
        .expect(2, &["is there already"]);
}

/// The pattern of `tests/reference/make_formats.py` with 16 bits.
pub(crate) fn pattern(channels: usize) -> OutFrame {
    let (width, height) = (30, 22);
    let one = |x: usize, y: usize, c: usize| {
        let key = (x * 73 + y * 151 + c * 977 + 1) as u64;
        (((key * 2_654_435_761) & 0xffff_ffff) >> 16) as u16
    };
    let at = |i: usize| one(i / channels % width, i / channels / width, i % channels);
    let data = (0..width * height * channels).map(at).collect();
    OutFrame { width, height, channels, data }
}

/// Files of every kind that is written, for independent readers, in the folder named by
/// HUSHFRAME_WRITTEN. Run by `.ci/run`, before `tests/reference/check_written.py`.
#[test]
#[ignore = "makes files for independent readers; run by .ci/run"]
fn written_files_to_read_back() {
    let to = PathBuf::from(std::env::var_os("HUSHFRAME_WRITTEN").unwrap());
    let (capture, playback) = (FrameRate::new(5000, 1), FrameRate::new(30_000, 1001));
    for (channels, word) in [(1, "grey"), (3, "rgb")] {
        let frame = pattern(channels);
        let save = |name: String, bytes: Vec<u8>| fs::write(to.join(name), bytes).unwrap();
        for bits in [10, 16] {
            let tags = DpxTags {
                creator: "hushframe".to_owned(),
                description: "music box".to_owned(),
                playback,
                exposure_s: Some(50e-6),
                position: 61,
                display: false,
            };
            save(format!("dpx{bits}-{word}.dpx"), encode_dpx(&frame, bits, &tags).unwrap());
        }
        for (half, kind) in [(true, "half"), (false, "float")] {
            let tags = ExrTags {
                software: "hushframe".to_owned(),
                description: "music box".to_owned(),
                black_dn: 256.0,
                capture,
                playback,
                exposure_s: Some(50e-6),
                taken: Some("2024-11-25 21:04:00".to_owned()),
                um_per_px: Some(1.003),
                position: 61,
            };
            save(format!("exr-{kind}-{word}.exr"), encode_exr(&frame, half, &tags).unwrap());
        }
        save(format!("png-{word}.png"), encode_png16(&frame, Some(1.003)).unwrap());
        let mut tags = TiffTags {
            description: Some("music box".to_owned()),
            software: Some("hushframe".to_owned()),
            um_per_px: Some(1.003),
            exposure_s: Some(50e-6),
            taken: Some("2024-11-25 21:04:00".to_owned()),
        };
        save(format!("tiff-{word}.tif"), encode_tiff(&frame, &tags).unwrap());
        tags.description = Some(ome_xml(&OmeTags {
            size: (frame.width, frame.height, channels),
            name: "comb <1> & tine".to_owned(),
            description: "music box".to_owned(),
            um_per_px: Some(1.003),
            time_s: Some(-0.0002),
            exposure_s: Some(50e-6),
        }));
        save(format!("ome-{word}.ome.tif"), encode_tiff(&frame, &tags).unwrap());
        for (kind, name) in
            [(Y4mKind::Eight420, "420"), (Y4mKind::Eight444, "444"), (Y4mKind::Ten444, "444p10")]
        {
            let mut bytes = Vec::new();
            let mut writer = Y4mWriter::new(&mut bytes, kind, playback.unwrap());
            writer.frame(&frame).unwrap();
            writer.frame(&frame).unwrap();
            writer.finish().unwrap();
            save(format!("y4m-{name}-{word}.y4m"), bytes);
        }
    }
}

#[test]
fn a_stream_on_standard_input_is_a_clip_like_its_file() {
    let place = made("clean");
    let args = ["export", "out/comb-pluck", "--format", "y4m"];
    let stream = place.command(&args).output().unwrap().stdout;
    fs::write(place.path("comb.y4m"), &stream).unwrap();
    let with = |shoot: &str, out: &str, stdin: Option<&str>| {
        let args = ["run", shoot, "--out", out, "--rate", "5000", "--no-preview"];
        let mut command = place.command(&args);
        if let Some(name) = stdin {
            command.stdin(fs::File::open(place.path(name)).unwrap());
        }
        Ended::of(command.output().unwrap())
    };
    with("-", "piped", Some("comb.y4m"))
        .expect(0, &["standard input is kept as piped/.input/standard-input.y4m", "24 frames"]);
    with("comb.y4m", "read", None).expect(0, &["24 frames"]);
    let frame = |of: &str| fs::read(place.path(of).join("frames/000013.tif")).unwrap();
    assert!(frame("piped/standard-input") == frame("read/comb"), "the frames differ");
    assert!(fs::read(place.path("piped/.input/standard-input.y4m")).unwrap() == stream);
    // The pages know of one clip.
    place.run(&["report", "piped"]).expect(0, &[]);
    assert_eq!(names(&place.path("piped")), [".input", "index.html", "standard-input"]);
    // What is no Y4M leaves nothing behind; check does not eat a stream.
    with("-", "none", None).expect(2, &["standard input is empty"]);
    with("-", "none", Some("out/comb-pluck/record.json")).expect(2, &["only Y4M"]);
    assert!(!place.path("none").exists());
    place.run(&["check", "-"]).expect(1, &["which only run takes"]);
}
