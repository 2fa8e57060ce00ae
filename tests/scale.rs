//! `scale` as a person runs it: the file that clips take, the picture for the eye, refusals.

use std::fs;
use std::path::Path;

use hushframe::footage::{FrameFile, OutFrame, decode, encode_png16};
use hushframe::frame::convert::round_u16;

use crate::harness::{Place, kept, names, read_json, tree};
use crate::rules::Rule;

/// A rule of 12 px a tick at 2 degrees as a 16-bit PNG.
fn picture(place: &Place, name: &str, (pitch_px, size): (f64, usize)) -> std::path::PathBuf {
    let rule = Rule { pitch_px, angle_deg: 2.0, ..Rule::random(3, size, 2000.0) };
    let data = rule.picture().data().iter().map(|v| round_u16(v * 8.0 + 400.0)).collect();
    let frame = OutFrame { width: size, height: size, channels: 1, data };
    place.write(&format!("{name}/.keep"), "");
    let path = place.path(&format!("{name}/rule.png"));
    fs::write(&path, encode_png16(&frame, None).unwrap()).unwrap();
    path
}

#[test]
fn a_rule_gives_a_file_and_a_picture() {
    let place = Place::new();
    let image = picture(&place, "shots", (12.0, 320));
    let before = tree(&place.path("shots"));
    let ended = place.run(&["scale", "shots/rule.png", "--pitch", "10um", "--tolerance", "0.1%"]);
    ended.expect(0, &["check that 10um is the step of these"]);
    assert!(ended.out.contains("um/px, standard uncertainty"), "{}", ended.out);
    assert!(ended.out.contains("at 2.0"), "{}", ended.out);
    let toml = fs::read_to_string(place.path("rule-scale.toml")).unwrap();
    let table: toml::Table = toml.parse().unwrap();
    // 10 um over 12 px; 0.1 % either way is 0.058 % (GUM 4.3.7).
    let (s, u) = (table["um_per_px"].as_float().unwrap(), table["sigma_um_per_px"].as_float());
    assert!((s / (10.0 / 12.0) - 1.0).abs() < 1e-3, "{s}");
    assert!((u.unwrap() / s - 0.00058).abs() < 1e-4, "{u:?}");
    assert_eq!(table["width_px"].as_integer(), Some(320));
    let shown = decode(&FrameFile::single(&place.path("rule-scale-annotated.png"))).unwrap();
    assert_eq!((shown.samples.width, shown.samples.height, shown.samples.channels), (320, 320, 3));
    assert!(tree(&place.path("shots")) == before, "something was written beside the picture");
    // Again: our own files may be replaced. As data:
    let json = place.run(&["scale", "shots/rule.png", "--pitch", "10um", "--json"]).json();
    assert!((json["um_per_px"].as_f64().unwrap() / s - 1.0).abs() < 1e-9);
    assert!(json["ticks"]["explained"].as_f64().unwrap() > 0.93, "{json}");
    assert!(
        json["warnings"]
            .as_array()
            .unwrap()
            .iter()
            .any(|w| { w.as_str().unwrap().contains("tolerance is not given") })
    );
    drop(image);
}

#[test]
fn nothing_is_overwritten_that_is_not_ours() {
    let place = Place::new();
    picture(&place, "shots", (12.0, 160));
    let pitch = ["--pitch", "10um"];
    let scale = |image: &str, more: &[&str]| {
        let args: Vec<&str> =
            ["scale", image].into_iter().chain(pitch).chain(more.iter().copied()).collect();
        place.run(&args)
    };
    place.write("mine.toml", "rate = 5000\n");
    scale("shots/rule.png", &["-o", "mine.toml"]).expect(2, &["mine.toml", "-o"]);
    assert_eq!(fs::read_to_string(place.path("mine.toml")).unwrap(), "rate = 5000\n");
    place.write("x-annotated.png", "mine");
    scale("shots/rule.png", &["-o", "x.toml"]).expect(2, &["x-annotated.png: is there already"]);
    scale("shots/rule.png", &["-o", "x.png"]).expect(2, &["ends in .toml"]);
    scale("shots", &[]).expect(2, &["name one picture"]);
    scale("shots/none.png", &[]).expect(2, &["none.png"]);
    // Beside the picture only where a person says so.
    fs::copy(place.path("shots/rule.png"), place.path("rule.png")).unwrap();
    scale("rule.png", &[]).expect(2, &["lies inside the input", "name a file with -o"]);
    scale("rule.png", &["-o", "rule.toml"]).expect(0, &[]);
    assert!(names(&place.path("")).contains(&"rule-annotated.png".to_owned()));
}

#[test]
fn what_is_no_rule_is_refused_with_the_reason() {
    let place = Place::new();
    for name in ["brick", "camera", "grass", "gravel"] {
        let texture = Path::new("test-frames/textures").join(format!("{name}.png"));
        let image = std::path::absolute(texture).unwrap();
        let ended = place.run(&["scale", image.to_str().unwrap(), "--pitch", "10um"]);
        ended.expect(2, &["not a rule: ", "--from, --to, --length"]);
    }
    assert_eq!(names(&place.path("")), Vec::<String>::new(), "nothing is written");
}

#[test]
fn two_points_by_hand() {
    let place = Place::new();
    picture(&place, "shots", (12.0, 320));
    // 800 um within 1.5 um over 300 px, each point to 0.5 px: u = sqrt((0.866/800)^2 +
    // (0.7071/300)^2) = 0.2594 % (GUM 5.1.2, worked by hand).
    let line = ["--from", "10,160", "--to", "310,160", "--length", "800um", "--tolerance", "1.5um"];
    let args: Vec<&str> = ["scale", "shots/rule.png", "--json"].into_iter().chain(line).collect();
    let json = place.run(&args).json();
    assert!((json["um_per_px"].as_f64().unwrap() - 800.0 / 300.0).abs() < 1e-9, "{json}");
    assert!((json["relative_sigma"].as_f64().unwrap() - 0.002594).abs() < 1e-6, "{json}");
    let run = |more: &[&str]| {
        let args: Vec<&str> =
            ["scale", "shots/rule.png"].into_iter().chain(more.iter().copied()).collect();
        place.run(&args)
    };
    run(&[]).expect(2, &["--pitch"]);
    run(&["--pitch", "10"]).expect(2, &["no unit"]);
    run(&["--pitch", "10um", "--from", "1,2"]).expect(2, &["cannot be used with"]);
    run(&["--from", "1,2", "--to", "3,4"]).expect(2, &["--length"]);
    run(&["--from", "12", "--to", "3,4", "--length", "1mm"]).expect(2, &["X,Y in px"]);
    run(&["--from", "1,2", "--to", "3,4", "--length", "1mm"]).expect(2, &["at least 10 px"]);
    run(&["--pitch", "10um", "--tolerance", "good"]).expect(2, &["class (I, II, III)"]);
}

#[test]
fn a_part_of_the_picture() {
    let place = Place::new();
    picture(&place, "shots", (12.0, 320));
    let args = ["scale", "shots/rule.png", "--pitch", "10um", "--json", "--region"];
    let at = |region: &str| place.run(&[&args[..], &[region]].concat());
    let json = at("40,60,240,220").json();
    assert!((json["pitch_px"].as_f64().unwrap() / 12.0 - 1.0).abs() < 2e-3, "{json}");
    assert_eq!((&json["width_px"], &json["height_px"]), (&320.into(), &320.into()));
    at("200,0,200,100").expect(2, &["leaves the picture of 320x320"]);
    at("1,2,3").expect(2, &["X,Y,W,H"]);
}

#[test]
fn a_run_takes_the_file_and_refuses_one_taken_otherwise() {
    let place = Place::new();
    // The kept clip has 160 x 120 px at 0.6x.
    let scale = |name: &str, size: (usize, usize), more: &str| {
        let text = format!(
            "um_per_px = 33.3\nsigma_um_per_px = 0.05\nwidth_px = {}\nheight_px = {}\n{more}",
            size.0, size.1
        );
        place.write(name, &text);
    };
    scale("good.toml", (160, 120), "magnification = 0.6\n");
    scale("crop.toml", (320, 240), "");
    scale("lens.toml", (160, 120), "magnification = 2.0\n");
    scale("binned.toml", (160, 120), "binning = 2\n");
    let [clip, dark, flat] =
        ["comb-pluck", "black", "even"].map(|f| kept(f).into_os_string().into_string().unwrap());
    let run = |file: &str, pipeline: &str, more: &[&str]| {
        let out = format!("out-{pipeline}-{file}");
        let base = ["run", &clip, "--dark", &dark, "--flat", &flat, "--scale", file];
        let rest = ["--pipeline", pipeline, "--out", &out, "--frames", "8-9"];
        place.run(&[&base[..], &rest[..], more].concat())
    };
    run("good.toml", "clean-and-label", &[]).expect(0, &["2 frames made"]);
    let record = read_json(&place.path("out-clean-and-label-good.toml/comb-pluck/record.json"));
    assert_eq!(record["scale"]["um_per_px"], 33.3);
    assert_eq!(record["scale"]["sigma_um_per_px"], 0.05);
    // A bar would be wrong: refused before anything is written.
    run("crop.toml", "clean-and-label", &[]).expect(2, &["scale-bar", "320x240", "160x120"]);
    run("lens.toml", "clean-and-label", &[])
        .expect(2, &["scale-bar", "at 2x but the clip at 0.6x"]);
    run("binned.toml", "clean-and-label", &["--binning", "1"])
        .expect(2, &["scale-bar", "binning 2 but the clip at 1"]);
    assert!(!place.path("out-clean-and-label-crop.toml").exists());
    // Without a bar the clip is made, and has no scale.
    run("crop.toml", "clean", &[]).expect(0, &["crop or binning differ", "has no scale"]);
    let record = read_json(&place.path("out-clean-crop.toml/comb-pluck/record.json"));
    assert!(record["scale"].is_null(), "{}", record["scale"]);
}
