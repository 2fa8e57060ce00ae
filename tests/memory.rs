//! What a clip is said to need in memory, against what the kernel counts; and budgets.

use std::fs;
use std::path::Path;
use std::thread::sleep;
use std::time::Duration;

use hushframe::footage::{OutFrame, TiffTags, encode_tiff};

use crate::harness::{Ended, Place, results};

/// A clip of noise and blocks that tremble, brighter than each other by `step`.
fn clip(place: &Place, (width, height): (usize, usize), frames: usize, step: usize) {
    let folder = place.path("clip");
    fs::create_dir_all(&folder).unwrap();
    let mut state = 1_u32;
    for k in 0..frames {
        let (dx, dy) = (k % 3, k / 3 % 2);
        let data = (0..width * height).map(|i| {
            let (x, y) = (i % width + dx, i / width + dy);
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let noise = (state >> 20) % 64;
            let block = (x / 9 * 37 + y / 7 * 91) % 64 * step;
            u16::try_from(400 + block).unwrap() + u16::try_from(noise).unwrap()
        });
        let frame = OutFrame { width, height, channels: 1, data: data.collect() };
        let bytes = encode_tiff(&frame, &TiffTags::default()).unwrap();
        fs::write(folder.join(format!("{k:04}.tif")), bytes).unwrap();
    }
    place.write("clip/clip.toml", "rate = 1000\nblack = 400\nwhite = 4095\n");
}

/// Runs the program; its largest resident memory in bytes, as the kernel counts it.
fn watched(place: &Place, args: &[&str]) -> (Ended, u64) {
    let mut child = place.start(args);
    let status = format!("/proc/{}/status", child.id());
    let mut most = 0;
    while child.try_wait().unwrap().is_none() {
        let text = fs::read_to_string(&status).unwrap_or_default();
        let line = text.lines().find_map(|l| l.strip_prefix("VmHWM:"));
        let kb = line.and_then(|l| l.trim().trim_end_matches("kB").trim().parse::<u64>().ok());
        most = most.max(kb.unwrap_or(0) * 1024);
        sleep(Duration::from_millis(5));
    }
    (Ended::of(child.wait_with_output().unwrap()), most)
}

fn needs(place: &Place, pipeline: &str, threads: &str) -> [u64; 2] {
    let args = ["check", "clip", "--json", "--pipeline", pipeline, "--threads", threads];
    let said = place.run(&args).json();
    ["usual", "least"].map(|w| said[0]["memory"][w].as_u64().unwrap())
}

/// A window of 21 frames.
const AVERAGE: &str = "name = \"a\"\n[[stage]]\nuse = \"dark\"\n[[stage]]\nuse = \"average\"\n\
                       frames = 21\n[[stage]]\nuse = \"steady\"\n";

#[test]
fn what_a_clip_is_said_to_need_is_what_it_takes() {
    if !Path::new("/proc/self/status").is_file() {
        println!("skipped: this system does not tell the peak of memory");
        return;
    }
    let place = Place::new();
    // So dim that its two blocks are kept at once, as is counted of frames so small.
    clip(&place, (640, 480), 66, 1);
    place.write("average.toml", AVERAGE);
    // The second pass takes more with "clean", the first one with a short window.
    for (pipeline, threads) in [("clean", "1"), ("clean", "3"), ("average.toml", "2")] {
        let [usual, least] = needs(&place, pipeline, threads);
        let out = format!("out-{threads}");
        let mut args = vec!["run", "clip", "--out", &out, "--pipeline", pipeline];
        args.extend(["--threads", threads, "--frames", "31-34", "--no-preview"]);
        let (ended, peak) = watched(&place, &args);
        ended.expect(0, &[]);
        let ratio = usual as f64 / peak as f64;
        println!("{pipeline}, {threads} threads: {usual} said, {peak} taken, ratio {ratio:.2}");
        assert!((0.9..1.6).contains(&ratio), "{pipeline} on {threads}: {usual} for {peak}");
        assert!(least <= usual);
    }
}

#[test]
fn a_budget_is_kept_and_changes_no_byte() {
    let place = Place::new();
    clip(&place, (640, 480), 32, 12);
    place.write("average.toml", AVERAGE);
    let [usual, least] = needs(&place, "average.toml", "4");
    assert!(least < usual, "{least} {usual}");
    // A little more than one thread needs beside the pool of four.
    let budget = format!("{}kB", (least + (usual - least) / 4) / 1000);
    let run = [
        "run",
        "clip",
        "--pipeline",
        "average.toml",
        "--no-preview",
        "--threads",
        "4",
        "--frames",
        "8-15",
    ];
    place.run(&[&run[..], &["--out", "free"]].concat()).expect(0, &[]);
    let (ended, peak) =
        watched(&place, &[&run[..], &["--out", "tight", "--memory", &budget]].concat());
    ended.expect(0, &[]);
    println!("{budget} allowed, {peak} taken");
    assert!(peak < least + (usual - least) / 4, "{budget} allowed, {peak} taken");
    let [free, tight] = ["free", "tight"].map(|out| results(&place.path(out).join("clip")));
    assert!(free == tight, "the budget changed results");
}

#[test]
fn what_cannot_fit_is_refused_before_anything_is_made() {
    let place = Place::new();
    // Of frames as large as these no two blocks are kept at once.
    clip(&place, (1280, 840), 70, 12);
    let run = |more: &[&str]| place.run(&[&["run", "clip", "--threads", "1"], more].concat());
    let told = run(&["--memory", "5MB"]);
    told.expect(2, &["clip: frames of 1280x840", "5.00 MB are allowed", "take --memory"]);
    assert!(!place.path("hushframe-out").exists(), "something was written");
    // Of a window this long the second pass takes more than the first one.
    place.write("long.toml", &AVERAGE.replace("21", "121"));
    let [_, least] = needs(&place, "long.toml", "1");
    // What is advised is enough, and what is advised of frames too.
    let advised = |err: &str, from: &str, to: char| -> String {
        let (_, rest) = err.split_once(from).unwrap_or_else(|| panic!("no {from} in {err}"));
        rest.split(to).next().unwrap().to_owned()
    };
    let number = advised(&told.err, "take --memory ", ' ');
    run(&["--memory", &number, "--no-preview", "--frames", "0-2"]).expect(0, &[]);
    let tight = format!("{}kB", least / 1000 - 1_000);
    let frames =
        advised(&run(&["--memory", &tight, "--pipeline", "long.toml"]).err, "frames = ", ' ');
    place.write("fewer.toml", &AVERAGE.replace("21", &frames));
    let args = ["--memory", &tight, "--pipeline", "fewer.toml", "--frames", "0-2", "--out", "b"];
    run(&args).expect(0, &[]);
    // Parts, the shoot file and check know of it too.
    let part = ["shard", "render", "clip", "--out", "c", "--part", "1/2", "--memory", "5MB"];
    place.run(&part).expect(2, &["5.00 MB are allowed"]);
    place.write("shoot.toml", "memory = \"5MB\"\n[[clip]]\nframes = \"clip\"\n");
    place.run(&["run", "shoot.toml"]).expect(2, &["5.00 MB are allowed"]);
    place.run(&["check", "shoot.toml"]).expect(1, &["5.00 MB are allowed", "memory: about"]);
    place.write("shoot.toml", "memory = \"5\"\n[[clip]]\nframes = \"clip\"\n");
    place.run(&["run", "shoot.toml"]).expect(2, &["shoot.toml:1", "has no unit"]);
    run(&["--memory", "lots"]).expect(2, &["not a number with a unit"]);
}
