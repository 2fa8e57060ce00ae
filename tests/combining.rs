//! Several source frames in one finished frame: what it shows, what it is called, and the same
//! bytes however it is made.

use std::fs;
use std::path::PathBuf;

use hushframe::footage::find;
use serde_json::Value;

use crate::harness::{Place, assert_same, names, read_csv, read_json, results, tree};

/// Frames of the kept clip; its first number is 1, at 10 000 frames a second, trigger frame 8.
const FRAMES: usize = 24;

fn stages(list: &[&str]) -> String {
    let stage = |s: &&str| {
        let (name, settings) = s.split_once(' ').unwrap_or((s, ""));
        format!("[[stage]]\nuse = \"{name}\"\n{}\n", settings.replace("; ", "\n"))
    };
    format!("name = \"mine\"\n{}", list.iter().map(stage).collect::<String>())
}

fn place() -> Place {
    let place = Place::new();
    for folder in ["comb-pluck", "black", "even"] {
        place.copy(folder, folder);
    }
    for (name, list) in [
        ("plain", &["dark", "flat"][..]),
        ("four", &["dark", "flat", "combine frames = 4"]),
        (
            "five",
            &["dark", "flat", "defects", "average frames = 9", "steady", "combine frames = 5"],
        ),
        ("averaged", &["dark", "flat", "defects", "average frames = 9", "steady"]),
        (
            "steady",
            &["dark", "flat", "defects", "steady", "combine frames = 5; shutter = \"smooth\""],
        ),
        (
            "labels",
            &[
                "dark",
                "flat",
                "steady",
                "combine frames = 4",
                "display",
                "scale-bar",
                "caption",
                "clock",
            ],
        ),
    ] {
        place.write(&format!("{name}.toml"), &stages(list));
    }
    place
}

fn run(place: &Place, out: &str, pipeline: &str, more: &[&str]) -> crate::harness::Ended {
    let pipeline = format!("{pipeline}.toml");
    let base = ["run", "comb-pluck", "--dark", "black", "--flat", "even", "--no-preview"];
    let rest = ["--pipeline", &pipeline, "--out", out];
    place.run(&[&base[..], &rest[..], more].concat())
}

fn clip(place: &Place, out: &str) -> PathBuf {
    place.path(out).join("comb-pluck")
}

fn pictures(place: &Place, out: &str) -> Vec<String> {
    names(&clip(place, out).join("frames"))
}

/// The clip with its frames so many times over.
fn repeated(place: &Place, times: usize) -> PathBuf {
    let clip = place.path("comb-pluck");
    for n in FRAMES + 1..=times * FRAMES {
        let from = clip.join(format!("{:06}.tif", (n - 1) % FRAMES + 1));
        fs::copy(from, clip.join(format!("{n:06}.tif"))).unwrap();
    }
    clip
}

/// The mean of samples at one place; `None` where one of them was cut off at an end of the range,
/// or has the pedestal's value, as pixels have that a frame did not see.
fn mean(each: &[Vec<u16>], at: usize) -> Option<f64> {
    let all: Vec<u16> = each.iter().map(|s| s[at]).collect();
    let cut = all.iter().any(|&v| [0, 256, u16::MAX].contains(&v));
    let sum = all.iter().map(|&v| f64::from(v)).sum::<f64>();
    (!cut).then(|| sum / all.len() as f64)
}

/// Asserts that `found` is the mean of the others, each rounded to whole DN.
#[track_caller]
fn assert_mean(found: &[u16], each: &[Vec<u16>]) {
    let mut looked_at = 0;
    for (at, &v) in found.iter().enumerate() {
        if let Some(mean) = mean(each, at) {
            let all: Vec<u16> = each.iter().map(|s| s[at]).collect();
            assert!((f64::from(v) - mean).abs() <= 1.0, "{at}: {v}, not {mean} of {all:?}");
            looked_at += 1;
        }
    }
    assert!(looked_at > found.len() * 9 / 10, "{looked_at} of {}", found.len());
}

/// The samples of a finished frame.
fn samples(place: &Place, out: &str, number: usize) -> Vec<u16> {
    let frames = find(&clip(place, out).join("frames")).unwrap().frames;
    let file = frames.iter().find(|f| f.number == number as u64).unwrap();
    hushframe::footage::decode(file).unwrap().samples.data
}

fn record(place: &Place, out: &str) -> Value {
    read_json(&clip(place, out).join("record.json"))
}

#[test]
fn a_combined_frame_is_the_mean_of_those_it_is_made_of() {
    let place = place();
    run(&place, "plain", "plain", &[]).expect(0, &["24 frames made"]);
    run(&place, "four", "four", &[]).expect(0, &["6 frames made"]);
    let status = place.run(&["status", "four", "--json"]).json();
    assert_eq!((&status[0]["done"], &status[0]["total"]), (&6.into(), &6.into()));
    assert_eq!(
        pictures(&place, "four"),
        ["000001.tif", "000005.tif", "000009.tif", "000013.tif", "000017.tif", "000021.tif"]
    );
    for first in (1..=21).step_by(4) {
        let each: Vec<Vec<u16>> = (0..4).map(|k| samples(&place, "plain", first + k)).collect();
        assert_mean(&samples(&place, "four", first), &each);
    }
    let record = record(&place, "four");
    let said = &record["combined"];
    assert_eq!((&said["frames"], &said["rate"]), (&4.into(), &"2500".into()));
    assert_eq!(said["weights"], serde_json::json!([0.25, 0.25, 0.25, 0.25]));
    assert_eq!(said["finished"][1]["sources"], serde_json::json!([5, 6, 7, 8]));
    // Frames 5 to 8 at 10 000 a second, trigger frame 8: -0.3, -0.2, -0.1 and 0 ms.
    assert!((said["finished"][1]["time_s"].as_f64().unwrap() + 1.5e-4).abs() < 1e-12);
    assert!((said["open_s"].as_f64().unwrap() - 4e-4).abs() < 1e-12);
    // 20 us of 100 us: not a blur but copies.
    assert!(record["warnings"].to_string().contains("20.0 % of its interval"), "{record}");
    assert!(clip(&place, "four").join("complete.json").is_file());
    let rows = read_csv(&clip(&place, "four").join("frames.csv"));
    assert_eq!(rows.len(), FRAMES, "one row a source frame");
    assert!(rows.iter().all(|r| r["status"] == "ok"));
}

#[test]
fn noise_stated_goes_down_by_the_root_of_the_number() {
    // JCGM 100:2008 5.1.2 equation 10, from memory. The stated noise of one frame combined with
    // none is that of the noise model.
    let place = place();
    place.write("one.toml", &stages(&["dark", "flat", "combine frames = 1"]));
    run(&place, "one", "one", &[]).expect(0, &["24 frames made"]);
    run(&place, "four", "four", &[]).expect(0, &[]);
    let noise = |out: &str, row: usize| -> Option<f64> {
        read_csv(&clip(&place, out).join("frames.csv"))[row]["noise_e"].parse().ok()
    };
    for first in [0, 4, 20] {
        let one = noise("one", first).unwrap();
        let ratio = one / noise("four", first).unwrap();
        // The median level is not quite the same in one frame and in the mean of four.
        assert!((ratio - 2.0).abs() < 0.05, "{ratio}");
        assert_eq!(noise("four", first + 1), None);
    }
    // Combining one frame changes no sample.
    run(&place, "plain", "plain", &[]).expect(0, &[]);
    for n in [1, 7, 24] {
        assert_eq!(samples(&place, "one", n), samples(&place, "plain", n));
    }
}

#[test]
fn noise_stated_is_the_noise_that_is_there() {
    // Differences of two pictures of the same hold twice the variance of one (EMVA 1288, temporal
    // noise from two images). Frames of an even field, of which nothing else differs.
    let place = place();
    place.copy("even", "panel");
    place.write("one.toml", &stages(&["dark", "combine frames = 1"]));
    place.write("four.toml", &stages(&["dark", "combine frames = 4"]));
    place.write("soft.toml", &stages(&["dark", "combine frames = 4; shutter = \"smooth\""]));
    for pipeline in ["one", "four", "soft"] {
        let file = format!("{pipeline}.toml");
        let base = ["run", "panel", "--dark", "black", "--flat", "even", "--no-preview"];
        let facts = ["--black", "160", "--white", "4095", "--exposure", "20us"];
        place
            .run(&[&base[..], &facts[..], &["--pipeline", &file, "--out", pipeline]].concat())
            .expect(0, &[]);
        let folder = place.path(pipeline).join("panel");
        let rows = read_csv(&folder.join("frames.csv"));
        let record = read_json(&folder.join("record.json"));
        let stated: f64 = rows[0]["noise_e"].parse().unwrap();
        let per_e = record["output_scale"]["dn_per_electron"].as_f64().unwrap();
        let files = find(&folder.join("frames")).unwrap().frames;
        let read = |k: usize| hushframe::footage::decode(&files[k]).unwrap().samples.data;
        let (a, b) = (read(0), read(1));
        let mut d: Vec<f64> =
            a.iter().zip(&b).map(|(a, b)| f64::from(*a) - f64::from(*b)).collect();
        d.sort_by(f64::total_cmp);
        // Half the width of the middle 68.27 % is the standard deviation of a normal distribution.
        let at = |part: f64| d[(part * d.len() as f64) as usize];
        let found = (at(0.84134) - at(0.15866)) / 2.0 / 2.0_f64.sqrt() / per_e;
        println!("{pipeline}: stated {stated:.3} e, found {found:.3} e, {} pixels", d.len());
        assert!((found / stated - 1.0).abs() < 0.05, "{pipeline}: {found} {stated}");
    }
}

#[test]
fn averaged_frames_are_combined_too_and_promise_no_less_noise_than_they_share() {
    let place = place();
    run(&place, "averaged", "averaged", &[]).expect(0, &[]);
    run(&place, "five", "five", &[]).expect(0, &["5 frames made"]);
    let each: Vec<Vec<u16>> = (6..=10).map(|n| samples(&place, "averaged", n)).collect();
    assert_mean(&samples(&place, "five", 6), &each);
    let noise = |out: &str| -> Vec<f64> {
        let rows = read_csv(&clip(&place, out).join("frames.csv"));
        rows.iter().map(|r| r["noise_e"].parse().unwrap_or(f64::NAN)).collect()
    };
    let shared = noise("averaged")[5..10].iter().sum::<f64>() / 5.0;
    assert!((noise("five")[5] - shared).abs() < 1e-3, "{} {shared}", noise("five")[5]);
    // The last group has 4 frames of 5; that is said.
    let warnings = record(&place, "five")["warnings"].to_string();
    assert!(
        warnings.contains("of the groups of 5 frames, 1 is incomplete")
            && warnings.contains("frame 21")
    );
}

#[test]
fn stopped_in_part_or_on_other_threads_it_makes_the_same_bytes() {
    let place = place();
    let originals = tree(&place.path("comb-pluck"));
    for pipeline in ["five", "steady"] {
        let whole = format!("{pipeline}-whole");
        run(&place, &whole, pipeline, &["--threads", "1"]).expect(0, &["5 frames made"]);
        let before = results(&place.path(&whole));
        let other = format!("{pipeline}-other");
        run(&place, &other, pipeline, &["--threads", "3"]).expect(0, &[]);
        assert_same(&place.path(&other), &place.path(&whole));
        // A lost frame is made again, and that one only.
        fs::remove_file(clip(&place, &whole).join("frames/000011.tif")).unwrap();
        let again = "1 frame made, 4 were done before";
        run(&place, &whole, pipeline, &[]).expect(0, &[again]);
        assert!(results(&place.path(&whole)) == before, "{pipeline}: it differs");
        run(&place, &whole, pipeline, &[]).expect(0, &["0 frames made, 5 were done before"]);
        // A range has the frames whose numbers lie in it; the rest follows.
        let part = format!("{pipeline}-part");
        run(&place, &part, pipeline, &["--frames", "8-18"]).expect(0, &["2 frames made"]);
        assert_eq!(pictures(&place, &part), ["000011.tif", "000016.tif"]);
        assert!(!clip(&place, &part).join("complete.json").exists());
        for name in pictures(&place, &part) {
            let read = |out: &str| fs::read(clip(&place, out).join("frames").join(&name)).unwrap();
            assert!(read(&part) == read(&whole), "{pipeline}: {name} differs");
        }
        run(&place, &part, pipeline, &[]).expect(0, &["3 frames made, 2 were done before"]);
        assert_same(&place.path(&part), &place.path(&whole));
    }
    assert!(tree(&place.path("comb-pluck")) == originals, "an original was touched");
}

#[test]
fn groups_across_the_ends_of_stretches_are_whole() {
    // Averaged without steadying, frames lie in coordinates that change after 64 frames at most;
    // frames 61 to 65 are a group.
    let place = place();
    repeated(&place, 3);
    place.write("each.toml", &stages(&["dark", "flat", "average frames = 9"]));
    place.write("sum.toml", &stages(&["dark", "flat", "average frames = 9", "combine frames = 5"]));
    run(&place, "each", "each", &[]).expect(0, &["72 frames made"]);
    run(&place, "sum", "sum", &[]).expect(0, &["15 frames made"]);
    let each: Vec<Vec<u16>> = (61..=65).map(|n| samples(&place, "each", n)).collect();
    assert_mean(&samples(&place, "sum", 61), &each);
    run(&place, "alone", "sum", &["--frames", "61-61"]).expect(0, &["1 frame made"]);
    let read = |out: &str| fs::read(clip(&place, out).join("frames/000061.tif")).unwrap();
    assert!(read("alone") == read("sum"));
}

#[test]
fn groups_across_the_borders_of_parts_are_whole() {
    let place = place();
    // Three blocks of 56 frames: groups of 5 lie across each border.
    let clip = repeated(&place, 7);
    fs::remove_file(clip.join("000056.tif")).unwrap();
    let shoot = "dark = \"black\"\nflat = \"even\"\npipeline = \"five.toml\"\n\n[[clip]]\nframes = \
                 \"comb-pluck\"\n";
    place.write("shoot.toml", shoot);
    place.run(&["run", "shoot.toml", "--out", "whole"]).expect(1, &["34 frames made"]);
    assert!(pictures(&place, "whole").contains(&"000057.tif".to_owned()));
    let step = |what: &str, share: &str| {
        let option = if share.contains('/') { "--part" } else { "--parts" };
        place.run(&["shard", what, "shoot.toml", "--out", "parts", option, share])
    };
    for share in ["2/3", "1/3", "3/3"] {
        step("analyse", share).expect(0, &[]);
    }
    step("merge", "3").expect(0, &[]);
    for share in ["3/3", "1/3", "2/3"] {
        step("render", share).expect(0, &["frames made"]);
    }
    step("finish", "3").expect(1, &["34 frames made"]);
    let of = |out: &str| {
        let mut all = results(&place.path(out).join("comb-pluck"));
        all.retain(|p, _| !p.starts_with("shards"));
        all
    };
    let (parts, whole) = (of("parts"), of("whole"));
    assert!(parts.contains_key(&PathBuf::from("complete.json")));
    for (name, bytes) in &whole {
        assert!(parts.get(name) == Some(bytes), "{} differs", name.display());
    }
}

#[test]
fn a_frame_that_changes_under_the_run_fails_what_it_goes_into() {
    let place = place();
    for (pipeline, lost, kept) in [("four", 5, 5), ("five", 6, 4)] {
        let shoot = format!(
            "dark = \"black\"\nflat = \"even\"\npipeline = \"{pipeline}.toml\"\n\n[[clip]]\n\
             frames = \"comb-pluck\"\n"
        );
        place.write("shoot.toml", &shoot);
        let step = |what: &str, share: &str| {
            let option = if share.contains('/') { "--part" } else { "--parts" };
            place.run(&["shard", what, "shoot.toml", "--out", pipeline, option, share])
        };
        step("analyse", "1/1").expect(0, &[]);
        step("merge", "1").expect(0, &[]);
        // One bit of frame 7, at the same size and time.
        let path = place.path("comb-pluck/000007.tif");
        let time = fs::metadata(&path).unwrap().modified().unwrap();
        let mut bytes = fs::read(&path).unwrap();
        let (before, half) = (bytes.clone(), bytes.len() / 2);
        bytes[half] ^= 1;
        let write = |bytes: &[u8]| {
            fs::write(&path, bytes).unwrap();
            fs::File::options().write(true).open(&path).unwrap().set_modified(time).unwrap();
        };
        write(&bytes);
        step("render", "1/1");
        step("finish", "1").expect(1, &[&format!("{kept} frames made")]);
        let failed = &record(&place, pipeline)["frames"]["failed"];
        assert_eq!(failed.as_object().unwrap().len(), 1, "{failed}");
        let why = failed[lost.to_string()].as_str().unwrap();
        assert!(why.starts_with("frame 7, which goes into it: the file changed"), "{why}");
        assert_eq!(pictures(&place, pipeline).len(), kept);
        write(&before);
    }
}

#[test]
fn what_is_missing_is_left_out_and_said() {
    let place = place();
    run(&place, "plain", "plain", &[]).expect(0, &[]);
    let frames = place.path("comb-pluck");
    for n in [5, 10, 13, 14, 15, 16] {
        fs::remove_file(frames.join(format!("{n:06}.tif"))).unwrap();
    }
    run(&place, "four", "four", &[]).expect(1, &["5 frames made"]);
    // Group 5 to 8 is called 6 now; 13 to 16 has no picture.
    assert_eq!(
        pictures(&place, "four"),
        ["000001.tif", "000006.tif", "000009.tif", "000017.tif", "000021.tif"]
    );
    let said = record(&place, "four");
    assert_eq!(said["combined"]["finished"][1]["sources"], serde_json::json!([6, 7, 8]));
    // Frames 9, 11, 12: their mean is 32/3, from the trigger frame 8 at 10 000 a second.
    let time = said["combined"]["finished"][2]["time_s"].as_f64().unwrap();
    assert!((time - (32.0 / 3.0 - 8.0) * 1e-4).abs() < 1e-10, "{time}");
    let warnings = said["warnings"].to_string();
    assert!(warnings.contains("of the groups of 4 frames, 3 are incomplete"), "{warnings}");
    assert!(clip(&place, "four").join("complete.json").is_file());
    let each: Vec<Vec<u16>> = [9, 11, 12].map(|n| samples(&place, "plain", n)).into();
    assert_mean(&samples(&place, "four", 9), &each);
}

#[test]
fn labels_preview_export_and_measure_know_of_it() {
    let place = place();
    let base = ["run", "comb-pluck", "--dark", "black", "--flat", "even"];
    let rest = ["--pipeline", "labels.toml", "--out", "out"];
    place.run(&[&base[..], &rest[..]].concat()).expect(0, &["6 frames made"]);
    if let Ok(text) = fs::read_to_string(clip(&place, "out").join("preview.json")) {
        let note: Value = serde_json::from_str(&text).unwrap();
        assert_eq!(note["frames"], 6);
        // Six frames at 25 a second, not twenty-four.
        assert!((note["duration_s"].as_f64().unwrap() - 0.24).abs() < 1e-9, "{note}");
    }
    let page = fs::read_to_string(clip(&place, "out").join("report.html")).unwrap();
    assert!(page.contains("4 combined into one: 2500 frames/s"));
    assert!(page.contains("All 6 frames are made."));
    let folder = "out/comb-pluck";
    let export = ["export", folder, "--format", "ome-tiff", "--to", "ome", "--json"];
    let ended = place.run(&export);
    ended.expect(0, &[]);
    assert_eq!((&ended.json()["frames"], &ended.json()["left_out"]), (&6.into(), &0.into()));
    let first = fs::read(place.path("ome/000001.ome.tif")).unwrap();
    let text = String::from_utf8_lossy(&first);
    // Frames 1 to 4, trigger 8: 5.5 frames before it.
    let delta = text.split_once("DeltaT=\"").and_then(|(_, t)| t.split_once('"')).unwrap().0;
    assert!((delta.parse::<f64>().unwrap() + 5.5e-4).abs() < 1e-12, "{delta}");
    run(&place, "four", "steady", &[]).expect(0, &[]);
    place
        .run(&["measure", "four/comb-pluck", "--region", "20,20,16,16"])
        .expect(2, &["combined", "measure the raw clip"]);
}

#[test]
fn wrong_settings_are_refused_before_anything_is_written() {
    let place = place();
    place.write("bad.toml", &stages(&["dark", "combine frames = 0"]));
    run(&place, "bad", "bad", &[]).expect(2, &["stage combine", "frames", "0"]);
    place.write("bad.toml", &stages(&["dark", "display", "combine"]));
    run(&place, "bad", "bad", &[]).expect(2, &["combine", "linear light", "move it up"]);
    assert!(!place.path("bad").exists());
}
