//! Bad input: what is refused, in which words, and what goes on without it.

use std::fs;
use std::path::Path;
use std::process::{Command, Stdio};

use hushframe::footage::{DpxTags, ExrTags, OutFrame, encode_dpx, encode_exr, encode_png16};
use tiff::encoder::{TiffEncoder, colortype};

use crate::harness::{
    Ended, PROGRAM, Place, kept, names, read_csv, read_json, read_tiff, tree, write_gray,
};

/// A place with a copy of the kept clip in `clip`.
fn with_clip() -> Place {
    let place = Place::new();
    place.copy("comb-pluck", "clip");
    place
}

/// A place whose `clip` holds only the frames of these numbers.
fn with_frames(numbers: &[u32]) -> Place {
    let place = Place::new();
    fs::create_dir(place.path("clip")).unwrap();
    for n in numbers {
        let name = format!("{n:06}.tif");
        fs::copy(kept("comb-pluck").join(&name), place.path("clip").join(name)).unwrap();
    }
    place
}

/// Samples of a kept frame.
fn samples(n: u32) -> Vec<u16> {
    read_tiff(&kept(&format!("comb-pluck/{n:06}.tif"))).2
}

fn status(place: &Place, frame: &str) -> String {
    let rows = read_csv(&place.path("hushframe-out/clip/frames.csv"));
    rows.iter().find(|r| r["frame"] == frame).unwrap()["status"].clone()
}

fn made(place: &Place) -> Vec<String> {
    names(&place.path("hushframe-out/clip/frames"))
}

#[test]
fn nothing_to_work_on() {
    let place = Place::new();
    fs::create_dir(place.path("empty")).unwrap();
    place.run(&["run", "empty"]).expect(2, &["error: empty: is empty", "*.tif"]);
    place.run(&["run", "nowhere"]).expect(2, &["error: nowhere: is not there: name a shoot.toml"]);
    place.write("words/notes.txt", "no frames");
    place.run(&["run", "words"]).expect(2, &["words", "*.tif"]);
    place.write("lone.tif", "no picture");
    place.run(&["run", "lone.tif"]).expect(2, &["lone.tif"]);
    place.write("zero/000001.tif", "");
    place.run(&["run", "zero"]).expect(2, &["000001.tif", "empty"]);
    place.write("bad.toml", "[[clip]\n");
    place.run(&["run", "bad.toml"]).expect(2, &["bad.toml:1"]);
    place.run(&["run", "none.toml"]).expect(2, &["none.toml", "No such file"]);
}

#[test]
fn a_cut_frame_is_listed_and_the_others_are_made() {
    let place = with_clip();
    let path = place.path("clip/000010.tif");
    let bytes = fs::read(&path).unwrap();
    fs::write(&path, &bytes[..bytes.len() / 2]).unwrap();
    let ended = place.run(&["run", "clip"]);
    ended.expect(1, &["23 frames made", "frame 10 failed", "000010.tif"]);
    assert_eq!(made(&place).len(), 23);
    assert!(!made(&place).contains(&"000010.tif".to_owned()));
    assert_eq!(status(&place, "10"), "unreadable");
    let record = read_json(&place.path("hushframe-out/clip/record.json"));
    assert!(record["frames"]["failed"]["10"].as_str().unwrap().contains("000010.tif"));
    // Copied again from the camera, the clip is made whole.
    fs::write(&path, bytes).unwrap();
    place.run(&["run", "clip"]).expect(0, &["frames made"]);
    assert_eq!(made(&place).len(), 24);
    // And damaged after that: no picture of it is left to be taken for a good one.
    fs::write(&path, "gone").unwrap();
    place.run(&["run", "clip"]).expect(1, &["frame 10 failed"]);
    assert_eq!(made(&place).len(), 23);
}

#[test]
fn the_first_and_the_last_frame_may_be_bad_too() {
    let place = with_clip();
    fs::write(place.path("clip/000001.tif"), "no picture").unwrap();
    fs::write(place.path("clip/000024.tif"), [0_u8; 4000]).unwrap();
    place.run(&["run", "clip"]).expect(1, &["22 frames made", "frame 1 failed", "frame 24 failed"]);
    for n in 1..=24 {
        fs::write(place.path(&format!("clip/{n:06}.tif")), "no picture").unwrap();
    }
    place.run(&["run", "clip", "--out", "o"]).expect(2, &["000001.tif"]);
}

#[test]
fn a_gap_in_the_numbers_stays_a_gap_in_time() {
    let place = with_clip();
    fs::remove_file(place.path("clip/000013.tif")).unwrap();
    place
        .run(&["run", "clip"])
        .expect(1, &["23 frames made", "no file for 1 number of the sequence"]);
    assert_eq!(status(&place, "13"), "missing");
    assert_eq!(status(&place, "14"), "ok");
    assert!(!made(&place).contains(&"000013.tif".to_owned()));
    let rows = read_csv(&place.path("hushframe-out/clip/frames.csv"));
    assert_eq!(rows.len(), 24);
    assert_eq!(rows[13]["time_s"], "0.000600000");
}

#[test]
fn references_must_fit() {
    let place = with_clip();
    let small = |name: &str, size: (u32, u32)| {
        fs::create_dir(place.path(name)).unwrap();
        let data = vec![160_u16; usize::try_from(size.0 * size.1).unwrap()];
        for n in 1..=4 {
            write_gray(&place.path(&format!("{name}/{n}.tif")), size, &data);
        }
    };
    small("narrow", (128, 120));
    for option in ["--dark", "--flat"] {
        place.run(&["run", "clip", option, "narrow"]).expect(2, &["narrow", "128x120", "160x120"]);
        place.run(&["check", "clip", option, "narrow"]).expect(1, &["128x120", "160x120"]);
    }
    fs::create_dir(place.path("eight")).unwrap();
    for n in 1..=4 {
        let file = fs::File::create(place.path(&format!("eight/{n}.tif"))).unwrap();
        let mut out = TiffEncoder::new(file).unwrap();
        out.write_image::<colortype::Gray8>(160, 120, &[10; 160 * 120]).unwrap();
    }
    place.run(&["run", "clip", "--dark", "eight"]).expect(2, &["eight", "8-bit", "16-bit"]);
    fs::create_dir(place.path("none")).unwrap();
    place.run(&["run", "clip", "--dark", "none"]).expect(2, &["none", "is empty"]);
    place.run(&["run", "clip", "--dark", "nowhere"]).expect(2, &["nowhere"]);
    // A flat of no light, and one that is exchanged with the dark.
    let [black, even] = ["black", "even"].map(|k| kept(k).into_os_string().into_string().unwrap());
    place.run(&["run", "clip", "--dark", &black, "--flat", &black]).expect(2, &["flat reference"]);
    let exchanged = ["check", "clip", "--dark", &even, "--flat", &black];
    place.run(&exchanged).expect(1, &["no brighter than the dark", "exchanged"]);
    let full = ["check", "clip", "--dark", &black, "--flat", &even, "--white", "300"];
    place.run(&full).expect(1, &["it is saturated", "white is 300"]);
    place.run(&exchanged[..4]).expect(0, &["95 % of the clip lie below", "of black frames"]);
    place.run(&["check", "clip", "--dark", &black, "--flat", &even]).expect(0, &["24 frames"]);
}

#[test]
fn a_pipeline_is_read_with_its_lines() {
    let place = with_clip();
    let dark = "name = \"mine\"\n[[stage]]\nuse = \"dark\"\n";
    for (more, words) in [
        ("[[stage]]\nuse = \"average\"\nfrmes = 9\n", ["p.toml:6", "frmes", "frames"]),
        ("[[stage]]\nuse = \"shine\"\n", ["p.toml:5", "\"shine\"", "average"]),
        ("[[stage]]\nuse = \"average\"\nframes = \"many\"\n", ["p.toml:6", "average", "string"]),
        (
            "[[stage]]\nuse = \"display\"\n[[stage]]\nuse = \"flat\"\n",
            ["p.toml:6", "flat needs", "after display"],
        ),
        ("[[stage]]\nuse = \"dark\"\n", ["p.toml:4", "dark", "second time"]),
        ("[[stage]]\n", ["p.toml:4", "no use", "average"]),
        ("stages = 1\n", ["p.toml:4", "stages", ""]),
        ("[[stage]]\nuse = \"average\"\nframes = 0\n", ["average", "frames", "0"]),
    ] {
        place.write("p.toml", &format!("{dark}{more}"));
        place.run(&["run", "clip", "--pipeline", "p.toml"]).expect(2, &words);
    }
    place.write("p.toml", "name = \"mine\"\n[[stage]]\nuse = \"flat\"\n");
    place.run(&["run", "clip", "--pipeline", "p.toml"]).expect(2, &["p.toml:2", "dark is missing"]);
    place.run(&["run", "clip", "--pipeline", "shine"]).expect(2, &["shine", "clean-and-label"]);
    assert_eq!(names(&place.path("")), ["clip", "p.toml"]);
}

#[test]
fn facts_that_make_no_sense_are_refused() {
    let place = with_clip();
    for (option, value, word) in [
        ("--rate", "0", "above zero"),
        ("--rate", "-5", "--rate"),
        ("--rate", "5000/0", "--rate"),
        ("--rate", "nan", "--rate"),
        ("--rate", "1e400", "--rate"),
        ("--playback", "0", "above zero"),
        ("--exposure", "50", "unit"),
        ("--exposure", "0us", "above zero"),
        ("--magnification", "0", "above zero"),
        ("--magnification", "inf", "above zero"),
        ("--pixel-pitch", "10", "unit"),
        ("--scale", "0um", "above zero"),
        ("--scale", "nowhere.toml", "nowhere.toml"),
        ("--mosaic", "RGBW", "RGGB"),
        ("--white", "0", "above zero"),
        ("--mains", "55", "50"),
        ("--threads", "0", "--threads"),
        ("--trigger-frame", "-1", "--trigger-frame"),
    ] {
        let value = format!("{option}={value}");
        let ended = place.run(&["run", "clip", &value]);
        ended.expect(2, &[word]);
    }
    place
        .run(&["run", "clip", "--black", "4095", "--white", "160"])
        .expect(2, &["160", "4095", "black"]);
    place
        .run(&["run", "clip", "--white", "65536"])
        .expect(2, &["white is 65536 DN", "above 65535"]);
    place.write("clip/clip.toml", "rate = 0\n");
    place.run(&["run", "clip"]).expect(2, &["clip.toml:1", "above zero"]);
    place.write("clip/clip.toml", "rate = 5000\nspeed = 9\n");
    place.run(&["run", "clip"]).expect(2, &["clip.toml:2", "speed"]);
    place.write("clip/clip.toml", "rate = 5000\nexposure = \"1ms\"\n");
    assert_eq!(names(&place.path("")), ["clip"]);
    // Facts that contradict each other harm no pixel: said, and the frames are made.
    place.run(&["run", "clip"]).expect(0, &["an exposure of 1ms", "does not fit", "5000 fps"]);
}

#[test]
fn no_bar_is_guessed() {
    let place = with_clip();
    fs::remove_file(place.path("clip/clip.toml")).unwrap();
    let label = |more: &[&str]| {
        let mut args = vec!["run", "clip", "--pipeline", "clean-and-label", "--white", "4095"];
        args.extend(more);
        place.run(&args)
    };
    label(&["--rate", "5000", "--playback", "25"])
        .expect(2, &["scale-bar", "object size of a pixel"]);
    label(&["--rate", "5000", "--playback", "25", "--magnification", "2"])
        .expect(2, &["scale-bar", "pixel_pitch"]);
    label(&["--scale", "10um", "--playback", "25"]).expect(2, &["rate"]);
    label(&["--scale", "10um", "--rate", "5000"]).expect(2, &["playback"]);
    assert_eq!(names(&place.path("")), ["clip"]);
    label(&["--scale", "10um", "--rate", "5000", "--playback", "25"]).expect(0, &["24 frames"]);
}

#[test]
fn originals_are_never_in_the_way_of_results() {
    let place = Place::new();
    place.copy("comb-pluck", "shoot/comb/frames");
    place.copy("comb-pluck", "shoot/relay");
    place.copy("black", "shoot/black");
    let two = "dark = \"black\"\n[[clip]]\nname = \"comb\"\nframes = \"comb/frames\"\n\
               [[clip]]\nframes = \"relay\"\n";
    place.write("shoot/shoot.toml", two);
    // The second clip's name is that of the first one's folder.
    place.write(
        "shoot/crossed.toml",
        "[[clip]]\nname = \"a\"\nframes = \"comb/frames\"\n[[clip]]\nname = \"comb\"\n\
         frames = \"relay\"\n",
    );
    let before = tree(&place.path("shoot"));
    for args in [
        ["run", "shoot/relay", "shoot/relay"],
        ["run", "shoot/relay", "shoot/relay/deep/out"],
        ["run", "shoot/relay", "shoot/black/../relay/x"],
        ["run", "shoot", "shoot/black/out"],
        ["run", "shoot", "shoot"],
        ["run", "shoot/crossed.toml", "shoot"],
    ] {
        let ended = place.run(&[args[0], args[1], "--out", args[2]]);
        ended.expect(2, &["input", "nothing is ever written there"]);
        assert!(tree(&place.path("shoot")) == before, "{args:?} wrote something");
    }
    #[cfg(unix)]
    {
        std::os::unix::fs::symlink("shoot/relay", place.path("elsewhere")).unwrap();
        place.run(&["run", "shoot/relay", "--out", "elsewhere/out"]).expect(2, &["lies inside"]);
        fs::create_dir_all(place.path("o/relay")).unwrap();
        std::os::unix::fs::symlink("../../shoot/relay", place.path("o/relay/frames")).unwrap();
        place.run(&["run", "shoot/relay", "--out", "o"]).expect(2, &["is the input"]);
        assert!(tree(&place.path("shoot")) == before);
    }
}

#[test]
fn mixed_sizes_and_depths_name_both_files() {
    let place = with_frames(&[1, 2, 3, 4]);
    write_gray(&place.path("clip/000005.tif"), (80, 60), &[500; 80 * 60]);
    let words = ["000005.tif", "80x60", "160x120", "000001.tif", "one size and depth"];
    place.run(&["run", "clip"]).expect(2, &words);
    assert!(!place.path("hushframe-out/clip/frames").exists(), "nothing is made of such a clip");
    place.run(&["check", "clip"]).expect(1, &words);
    let file = fs::File::create(place.path("clip/000005.tif")).unwrap();
    let mut out = TiffEncoder::new(file).unwrap();
    out.write_image::<colortype::Gray8>(160, 120, &[10; 160 * 120]).unwrap();
    place.run(&["run", "clip"]).expect(2, &["000005.tif", "000001.tif", "8 bit", "16 bit"]);
    // A file that is no picture at all costs its frame only.
    place.write("clip/000005.tif", "not a picture");
    place.run(&["check", "clip"]).expect(1, &["frame 5", "the run goes on without it"]);
    place.run(&["run", "clip"]).expect(1, &["4 frames made", "frame 5 failed"]);
}

#[test]
fn what_decoders_leave_out_is_in_the_record() {
    let place = Place::new();
    fs::create_dir(place.path("clip")).unwrap();
    let pixels: Vec<u8> = (0..64 * 48 * 4).map(|i| u8::try_from(i * 7 % 251).unwrap()).collect();
    for n in 1..=3 {
        let path = place.path(&format!("clip/{n}.png"));
        image::save_buffer(path, &pixels, 64, 48, image::ExtendedColorType::Rgba8).unwrap();
    }
    let single = "name = \"single\"\n[[stage]]\nuse = \"dark\"\n";
    place.write("single.toml", single);
    place.run(&["run", "clip", "--pipeline", "single.toml"]).expect(0, &["alpha channel"]);
    let record = read_json(&place.path("hushframe-out/clip/record.json"));
    let warnings = record["warnings"].as_array().unwrap();
    let about = |kind: &str| warnings.iter().filter(|w| w["kind"] == kind).count();
    assert_eq!(about("alpha-dropped"), 1, "said once, not once a frame: {warnings:?}");
}

#[test]
fn short_and_small_clips_are_finished_too() {
    for numbers in [&[5_u32][..], &[5, 6], &[5, 6, 7], &[5, 9]] {
        let place = with_frames(numbers);
        let gap = numbers == [5, 9];
        let frames = if numbers.len() == 1 { "1 frame made" } else { "frames made" };
        for pipeline in ["clean", "clean-and-label"] {
            place
                .run(&[
                    "run",
                    "clip",
                    "--pipeline",
                    pipeline,
                    "--out",
                    "hushframe-out",
                    "--scale",
                    "33um",
                    "--rate",
                    "10000",
                    "--playback",
                    "25",
                    "--white",
                    "4095",
                    "--black",
                    "160",
                ])
                .expect(i32::from(gap), &[frames]);
            assert_eq!(made(&place).len(), numbers.len());
        }
    }
    // 40 x 30, odd sizes, a single column.
    for (w, h) in [(40_u32, 30_u32), (41, 31), (64, 3), (1, 64), (1, 1), (2, 2), (17, 16)] {
        let place = Place::new();
        fs::create_dir(place.path("clip")).unwrap();
        for n in 1..=6 {
            let all = samples(n);
            let data: Vec<u16> = (0..h)
                .flat_map(|y| (0..w).map(move |x| (y * 160 + x) % (160 * 120)))
                .map(|i| all[usize::try_from(i).unwrap()])
                .collect();
            write_gray(&place.path(&format!("clip/{n}.tif")), (w, h), &data);
        }
        for more in [&[][..], &["--mosaic", "RGGB"]] {
            let mut args = vec!["run", "clip", "--black", "160", "--white", "4095"];
            args.extend(more);
            let ended = place.run(&args);
            assert!(ended.code == 0 || ended.code == 2, "{w}x{h} {more:?}: {}", ended.err);
            if ended.code == 2 {
                assert!(ended.err.contains("error: "), "{w}x{h}: {}", ended.err);
            } else {
                assert_eq!(made(&place).len(), 6, "{w}x{h} {more:?}");
            }
        }
    }
}

#[test]
fn colour_clips_come_out_in_colour() {
    // RGB: three frames of the kept clip as channels of one.
    let place = Place::new();
    fs::create_dir(place.path("clip")).unwrap();
    for n in 1..=6 {
        let data: Vec<u16> = samples(n).into_iter().flat_map(|v| [v, v / 2 + 80, v]).collect();
        let file = fs::File::create(place.path(&format!("clip/{n}.tif"))).unwrap();
        let mut out = TiffEncoder::new(file).unwrap();
        out.write_image::<colortype::RGB16>(160, 120, &data).unwrap();
    }
    place.run(&["run", "clip", "--black", "160", "--white", "4095"]).expect(0, &["6 frames made"]);
    let (_, channels, data) = read_tiff(&place.path("hushframe-out/clip/frames/000003.tif"));
    assert_eq!(channels, 3);
    // Green holds half the light of red, pixel by pixel, in linear light above the pedestal.
    let mean = |c: usize| {
        let sum: f64 = data.iter().skip(c).step_by(3).map(|&v| f64::from(v) - 256.0).sum();
        sum / (data.len() / 3) as f64
    };
    assert!((mean(1) / mean(0) - 0.5).abs() < 0.01, "{} {}", mean(0), mean(1));

    // A sensor under a mosaic: three colours, or, without demosaic, a mosaic whose letters are
    // where they were.
    let place = with_clip();
    let black = kept("black").into_os_string().into_string().unwrap();
    let stages = ["dark", "defects", "average", "steady"];
    let text: String = stages.iter().map(|s| format!("[[stage]]\nuse = \"{s}\"\n")).collect();
    place.write("mosaic.toml", &format!("name = \"mosaic\"\n{text}"));
    for (pipeline, wanted) in [("clean", 3), ("mosaic.toml", 1)] {
        place
            .run(&["run", "clip", "--mosaic", "GBRG", "--dark", &black, "--pipeline", pipeline])
            .expect(0, &["24 frames"]);
        let (size, channels, _) = read_tiff(&place.path("hushframe-out/clip/frames/000003.tif"));
        assert!(size.0 % 2 == 0 && size.1 % 2 == 0, "{size:?}");
        assert_eq!(channels, wanted);
        let record = read_json(&place.path("hushframe-out/clip/record.json"));
        assert_eq!(record["inputs"]["layout"]["Mosaic"], "GBRG");
        assert_eq!(record["origin_px"][0].as_u64().unwrap() % 2, 0);
        assert_eq!(record["origin_px"][1].as_u64().unwrap() % 2, 0);
    }
}

/// Runs a clip in `clip` and gives the finished third frame.
fn third(place: &Place, what: &str) -> Vec<u16> {
    place.run(&["run", what, "--black", "160", "--white", "4095"]).expect(0, &["6 frames made"]);
    let name = if what == "clip" { "clip" } else { "stack" };
    read_tiff(&place.path(&format!("hushframe-out/{name}/frames/000003.tif"))).2
}

#[test]
fn every_format_with_the_same_samples_gives_the_same_frames() {
    let with = |write: &dyn Fn(&Place, u32, Vec<u16>)| {
        let place = Place::new();
        fs::create_dir(place.path("clip")).unwrap();
        for n in 1..=6 {
            write(&place, n, samples(n));
        }
        place
    };
    let tiff = with(&|place, n, data| {
        write_gray(&place.path(&format!("clip/{n}.tif")), (160, 120), &data);
    });
    let wanted = third(&tiff, "clip");
    let png = with(&|place, n, data| {
        let frame = OutFrame { width: 160, height: 120, channels: 1, data };
        let bytes = encode_png16(&frame, None).unwrap();
        fs::write(place.path(&format!("clip/{n}.png")), bytes).unwrap();
    });
    assert!(third(&png, "clip") == wanted, "PNG differs");
    let pgm = with(&|place, n, data| {
        let mut bytes = b"P5\n160 120\n65535\n".to_vec();
        bytes.extend(data.iter().flat_map(|v| v.to_be_bytes()));
        fs::write(place.path(&format!("clip/{n}.pgm")), bytes).unwrap();
    });
    assert!(third(&pgm, "clip") == wanted, "PGM differs");
    let dpx = with(&|place, n, data| {
        let frame = OutFrame { width: 160, height: 120, channels: 1, data };
        let bytes = encode_dpx(&frame, 16, &DpxTags::default()).unwrap();
        fs::write(place.path(&format!("clip/{n}.dpx")), bytes).unwrap();
    });
    assert!(third(&dpx, "clip") == wanted, "DPX differs");
    let exr = with(&|place, n, data| {
        let frame = OutFrame { width: 160, height: 120, channels: 1, data };
        let bytes = encode_exr(&frame, false, &ExrTags::default()).unwrap();
        fs::write(place.path(&format!("clip/{n}.exr")), bytes).unwrap();
    });
    assert!(third(&exr, "clip") == wanted, "OpenEXR differs");
    let raw = with(&|place, n, data| {
        let layout = "[raw]\nwidth = 160\nheight = 120\nbits = 16\npacking = \"low-byte\"\n";
        fs::write(place.path("clip/clip.toml"), layout).unwrap();
        let bytes: Vec<u8> = data.iter().flat_map(|v| v.to_le_bytes()).collect();
        fs::write(place.path(&format!("clip/{n}.raw")), bytes).unwrap();
    });
    assert!(third(&raw, "clip") == wanted, "headerless frames differ");
    let place = Place::new();
    let mut out = TiffEncoder::new(fs::File::create(place.path("stack.tif")).unwrap()).unwrap();
    for n in 1..=6 {
        out.write_image::<colortype::Gray16>(160, 120, &samples(n)).unwrap();
    }
    drop(out);
    // Pages are counted from 0 or 1; either way the third in order is meant.
    place
        .run(&["run", "stack.tif", "--black", "160", "--white", "4095"])
        .expect(0, &["6 frames made"]);
    let frames = place.path("hushframe-out/stack/frames");
    let name = names(&frames)[2].clone();
    assert!(read_tiff(&frames.join(name)).2 == wanted, "pages differ");
}

#[test]
fn eight_bit_pictures_work_with_a_word_about_them() {
    let place = Place::new();
    fs::create_dir(place.path("clip")).unwrap();
    for n in 1..=6 {
        let data: Vec<u8> =
            samples(n).iter().map(|v| u8::try_from((v / 8).min(255)).unwrap()).collect();
        let picture = image::GrayImage::from_raw(160, 120, data).unwrap();
        picture.save(place.path(&format!("clip/{n}.jpg"))).unwrap();
    }
    place.run(&["run", "clip"]).expect(0, &["6 frames made"]);
    assert_eq!(made(&place).len(), 6);
}

/// The program as somebody who is not root; `None`, saying so, where that cannot be had.
fn as_nobody(place: &Place, args: &[&str]) -> Option<Ended> {
    let root = Command::new("id").arg("-u").output().ok()?.stdout == b"0\n";
    if !root {
        return Some(place.run(args));
    }
    // Where the build lies may be closed to others; the copy is not.
    let program = place.path("hushframe");
    // Copied by another process: a file that this one wrote may still be open in a child that
    // another test forks just now, and a file open for writing cannot be executed.
    let copied = Command::new("cp").arg(PROGRAM).arg(&program).status().unwrap();
    assert!(copied.success(), "{copied}");
    let run = Command::new("setpriv")
        .args(["--reuid=65534", "--regid=65534", "--clear-groups"])
        .arg(program)
        .args(args)
        .current_dir(place.path(""))
        .stdin(Stdio::null())
        .output();
    let ended = run.ok().filter(|o| o.status.code() != Some(127)).map(Ended::of);
    if ended.is_none() {
        println!("skipped: root here, and no setpriv to become somebody else");
    }
    ended
}

#[cfg(unix)]
fn mode(path: &Path, bits: u32) {
    use std::os::unix::fs::PermissionsExt as _;
    fs::set_permissions(path, fs::Permissions::from_mode(bits)).unwrap();
}

#[cfg(unix)]
#[test]
fn no_permission_is_said_and_never_a_panic() {
    let place = with_clip();
    mode(&place.path(""), 0o755);
    fs::create_dir(place.path("open")).unwrap();
    mode(&place.path("open"), 0o777);
    // A place that cannot be written to.
    fs::create_dir(place.path("closed")).unwrap();
    mode(&place.path("closed"), 0o555);
    let Some(ended) = as_nobody(&place, &["run", "clip", "--out", "closed/out"]) else { return };
    ended.expect(2, &["closed/out", "Permission denied"]);
    // One frame that cannot be read.
    mode(&place.path("clip/000004.tif"), 0);
    let ended = as_nobody(&place, &["run", "clip", "--out", "open/a"]).unwrap();
    ended.expect(1, &["23 frames made", "frame 4 failed", "Permission denied"]);
    // A folder that cannot be listed.
    mode(&place.path("clip"), 0);
    let ended = as_nobody(&place, &["run", "clip", "--out", "open/b"]).unwrap();
    ended.expect(2, &["clip", "Permission denied"]);
    mode(&place.path("clip"), 0o755);
    // A table that may not be replaced would be a half-made result: refused, not passed over.
    mode(&place.path("open/a/clip"), 0o555);
    let ended = as_nobody(&place, &["run", "clip", "--out", "open/a"]).unwrap();
    ended.expect(2, &["Permission denied"]);
    mode(&place.path("open/a/clip"), 0o755);
}

#[cfg(unix)]
#[test]
fn names_and_keys_from_others_are_harmless() {
    let place = Place::new();
    let evil = "comb \u{fc}\u{97f3} \u{1b}[2J\n\u{202e}pluck";
    place.copy("comb-pluck", evil);
    let path = place.path(evil);
    fs::rename(path.join("000003.tif"), path.join("\u{1b}[31m000003.tif")).unwrap();
    fs::write(path.join("000007.tif"), "no picture").unwrap();
    place.write("evil.toml", "name = \"x\"\n[[stage]]\nuse = \"dark\"\n\"\\u001b[2Jx\" = 1\n");
    place.write("stage.toml", "name = \"x\"\n[[stage]]\nuse = \"\\u001b[2J\"\n");
    place.write("shoot.toml", "[[clip]]\nframes = \"\\u001b[2Jgone\"\n");
    let clip = place.copy("comb-pluck", "plain").into_os_string().into_string().unwrap();
    for args in [
        vec!["run", evil],
        vec!["check", evil],
        vec!["run", evil, "--dark", evil, "--json"],
        vec!["run", &clip, "--pipeline", "evil.toml"],
        vec!["run", &clip, "--pipeline", "stage.toml"],
        vec!["run", &clip, "--pipeline", "\u{1b}[2J"],
        vec!["run", "shoot.toml"],
        vec!["run", &clip, "--dark", "\u{1b}[2J"],
        vec!["stages", "\u{1b}[2J"],
        vec!["reference", "dark", evil, "-o", "\u{1b}[2J/x.tif"],
    ] {
        let ended = place.run(&args);
        for text in [&ended.out, &ended.err] {
            let bad: Vec<char> = text
                .chars()
                .filter(|c| (c.is_control() && *c != '\n') || *c == '\u{202e}')
                .collect();
            assert!(bad.is_empty(), "{args:?}: {bad:?} in {text}");
        }
    }
    for folder in names(&place.path("hushframe-out")) {
        let plain = |c: char| c.is_alphanumeric() || ".-_".contains(c);
        assert!(folder.chars().all(plain), "{folder:?}");
    }
}

#[test]
fn names_with_spaces_and_letters_of_the_world_are_worked_on() {
    let place = Place::new();
    place.copy("comb-pluck", "a night/comb \u{fc}\u{97f3} 1");
    place
        .run(&["run", "a night/comb \u{fc}\u{97f3} 1", "--out", "r\u{e9}sultats du soir"])
        .expect(0, &["24 frames made", "r\u{e9}sultats du soir"]);
    // The clip's folder and the overview.
    assert_eq!(names(&place.path("r\u{e9}sultats du soir")).len(), 2);
}

#[cfg(unix)]
#[test]
fn a_pipe_among_the_frames_is_not_waited_for() {
    let place = with_clip();
    let pipe = place.path("clip/000025.tif");
    if !Command::new("mkfifo").arg(&pipe).status().is_ok_and(|s| s.success()) {
        println!("skipped: no mkfifo here");
        return;
    }
    let ended = place.run(&["run", "clip"]);
    assert!(ended.code == 1 || ended.code == 2, "{}", ended.err);
    assert!(ended.err.contains("000025.tif"), "{}", ended.err);
}
