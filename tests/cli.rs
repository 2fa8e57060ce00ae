//! The commands as a person meets them: exit codes, files, tables, machine-readable answers.

use std::fs;

use hushframe::footage::{OutFrame, encode_png16};

use crate::harness::{
    Ended, Place, assert_same, kept, names, read_csv, read_json, read_tiff, results, tree,
};

const HEADER: &str = "frame,time_s,shift_x_px,shift_y_px,rotation_mrad,shift_sigma_px,light_gain,\
                      noise_e,status";

fn text(path: std::path::PathBuf) -> String {
    path.into_os_string().into_string().unwrap()
}

/// The arguments of the main job on the kept clip.
fn main_job(out: &str) -> Vec<String> {
    let [clip, dark, flat] = ["comb-pluck", "black", "even"].map(|f| text(kept(f)));
    ["run", &clip, "--dark", &dark, "--flat", &flat, "--out", out].map(str::to_owned).to_vec()
}

fn run(place: &Place, args: &[String], more: &[&str]) -> Ended {
    let all: Vec<&str> = args.iter().map(String::as_str).chain(more.iter().copied()).collect();
    place.run(&all)
}

#[test]
fn the_main_job_leaves_frames_table_record_and_seal() {
    let place = Place::new();
    let originals = tree(&kept(""));
    run(&place, &main_job("out"), &[]).expect(0, &["comb-pluck: 24 frames made", "jitter was"]);
    let clip = place.path("out/comb-pluck");
    let numbers: Vec<String> = (1..=24).map(|n| format!("{n:06}.tif")).collect();
    assert_eq!(names(&clip.join("frames")), numbers);

    let table = fs::read_to_string(clip.join("frames.csv")).unwrap();
    assert_eq!(table.lines().next(), Some(HEADER));
    let rows = read_csv(&clip.join("frames.csv"));
    assert_eq!(rows.len(), 24);
    for (n, row) in (1_i32..).zip(&rows) {
        assert_eq!(row["frame"], n.to_string());
        // 10,000 frames a second, trigger frame 8.
        let time: f64 = row["time_s"].parse().unwrap();
        assert!((time - f64::from(n - 8) * 1e-4).abs() < 1e-9, "{time}");
        assert_eq!(row["status"], "ok");
        assert!(row["noise_e"].parse::<f64>().unwrap() > 0.0);
        assert!(row["shift_sigma_px"].parse::<f64>().unwrap() > 0.0);
    }

    let seal = read_json(&clip.join("complete.json"));
    let hash = |name: &str| blake3::hash(&fs::read(clip.join(name)).unwrap()).to_hex().to_string();
    assert_eq!(seal["frames_csv"], hash("frames.csv"));
    assert_eq!(seal["record_json"], hash("record.json"));
    let frames = seal["frames"].as_array().unwrap();
    assert_eq!(frames.len(), 24);
    for f in frames {
        assert_eq!(f["blake3"], hash(f["file"].as_str().unwrap()));
        let size = fs::metadata(clip.join(f["file"].as_str().unwrap())).unwrap().len();
        assert_eq!(f["bytes"], size);
    }
    assert!(tree(&kept("")) == originals, "an original was touched");
}

#[test]
fn the_record_says_how_the_clip_was_made() {
    let place = Place::new();
    run(&place, &main_job("out"), &["--playback", "30000/1001"]).expect(0, &[]);
    let clip = place.path("out/comb-pluck");
    let r = read_json(&clip.join("record.json"));
    assert_eq!(r["tool"], format!("hushframe {}", env!("CARGO_PKG_VERSION")));
    assert_eq!(r["pipeline"]["name"], "clean");
    let stages: Vec<&str> = r["pipeline"]["steps"]
        .as_array()
        .unwrap()
        .iter()
        .map(|s| s["use"].as_str().unwrap())
        .collect();
    assert_eq!(
        stages,
        ["dark", "flat", "defects", "banding", "flicker", "average", "steady", "demosaic"]
    );
    let inputs = r["inputs"]["frames"].as_array().unwrap();
    assert_eq!(inputs.len(), 24);
    let first = fs::read(kept("comb-pluck/000001.tif")).unwrap();
    assert_eq!(inputs[0][1], blake3::hash(&first).to_hex().to_string());
    let (size, _, _) = read_tiff(&clip.join("frames/000001.tif"));
    assert_eq!(r["frame_size"], serde_json::json!([size.0, size.1]));
    assert!(r["origin_px"][0].as_u64().is_some() && r["origin_px"][1].as_u64().is_some());
    // Gain 4 DN an electron, read noise 8 e-, by the note beside the frames; 3 sigma.
    let noise = &r["noise_model"];
    let off = |value: &str, sigma: &str, truth: f64| {
        (noise[value].as_f64().unwrap() - truth).abs() / noise[sigma].as_f64().unwrap()
    };
    assert!(off("gain_e_per_dn", "gain_sigma", 0.25) < 3.0, "{noise}");
    // Row offsets, new in every frame, count as read noise: sqrt(8^2 + 1.5^2) = 8.14.
    assert!(off("read_noise_e", "read_noise_sigma", 8.14) < 3.0, "{noise}");
    // (4095 - 160) x 16 + 256 is the largest power of two that fits 16 bits.
    assert_eq!(r["output_scale"]["dn_per_input_dn"], 16.0);
    assert_eq!(r["output_scale"]["pedestal_dn"], 256.0);
    // 20 um / 0.6.
    assert!((r["scale"]["um_per_px"].as_f64().unwrap() - 100.0 / 3.0).abs() < 1e-9);
    assert_eq!(r["scale"]["source"], "computed");
    assert_eq!(r["rates"]["capture"], "10000");
    assert_eq!(r["rates"]["playback"], "30000/1001");
    assert_eq!(r["facts"]["playback"]["source"], "option");
    assert_eq!(r["facts"]["rate"]["source"], "clip.toml");
    let kinds: Vec<&str> =
        r["warnings"].as_array().unwrap().iter().map(|w| w["kind"].as_str().unwrap()).collect();
    assert!(kinds.contains(&"few-darks"), "{kinds:?}");
}

#[test]
fn one_and_two_threads_give_the_same_bytes() {
    let place = Place::new();
    for pipeline in ["clean", "clean-and-label"] {
        for threads in ["1", "2", "5"] {
            let out = format!("{pipeline}-{threads}");
            run(&place, &main_job(&out), &["--pipeline", pipeline, "--threads", threads])
                .expect(0, &[]);
        }
        let one = place.path(&format!("{pipeline}-1"));
        assert_same(&one, &place.path(&format!("{pipeline}-2")));
        assert_same(&one, &place.path(&format!("{pipeline}-5")));
    }
}

#[test]
fn a_range_alone_is_the_same_as_within_the_whole() {
    let place = Place::new();
    run(&place, &main_job("whole"), &[]).expect(0, &[]);
    run(&place, &main_job("part"), &["--frames", "9-12"]).expect(0, &["4 frames made"]);
    let part = place.path("part/comb-pluck");
    assert_eq!(names(&part.join("frames")).len(), 4);
    for n in 9..=12 {
        let name = format!("comb-pluck/frames/{n:06}.tif");
        let same = fs::read(place.path("part").join(&name)).unwrap()
            == fs::read(place.path("whole").join(&name)).unwrap();
        assert!(same, "{name} differs");
    }
    assert!(!part.join("complete.json").exists());
    // The rest is made by the next whole run, which seals it.
    run(&place, &main_job("part"), &[]).expect(0, &["20 frames made, 4 were done before"]);
    assert_same(&place.path("part"), &place.path("whole"));
    // A look at part of a finished clip leaves it finished.
    run(&place, &main_job("part"), &["--frames", "3-4"]).expect(0, &["0 frames made"]);
    assert_same(&place.path("part"), &place.path("whole"));
    run(&place, &main_job("part"), &["--frames", "30-40"]).expect(2, &["1 to 24"]);
    run(&place, &main_job("part"), &["--frames", "4-3"]).expect(2, &["range of frames"]);
}

/// Three clips of one shoot, of which the middle one has no frames.
fn shoot() -> Place {
    let place = Place::new();
    for name in ["first", "third"] {
        place.copy("comb-pluck", name);
    }
    fs::create_dir(place.path("second")).unwrap();
    let clip = |name: &str| format!("\n[[clip]]\nframes = \"{name}\"\n");
    let text = ["first", "second", "third"].map(clip).concat();
    place.write("shoot.toml", &format!("[facts]\nmains = 50\n{text}"));
    place
}

#[test]
fn a_bad_clip_does_not_stop_the_next() {
    let place = shoot();
    let ended = place.run(&["run", "shoot.toml", "--out", "out"]);
    ended.expect(1, &["second: failed", "is empty", "2 clips done, 1 failed"]);
    for name in ["first", "third"] {
        assert!(place.path("out").join(name).join("complete.json").exists(), "{name}");
    }
    // The morning's page and status know why, and a quiet night says it too.
    let why = read_json(&place.path("out/second/failed.json"));
    assert!(why["error"].as_str().unwrap().contains("is empty"), "{why}");
    let page = fs::read_to_string(place.path("out/index.html")).unwrap();
    assert!(page.contains("The last run failed: ") && page.contains("1 with faults"));
    let status = place.run(&["status", "out"]);
    assert_eq!(status.code, 1);
    assert!(status.out.contains("second                   failed"), "{}", status.out);
    assert!(status.out.contains("is empty"), "{}", status.out);
    let quiet = place.run(&["run", "shoot.toml", "--out", "out", "--quiet"]);
    quiet.expect(1, &["second: failed", "is empty"]);
    assert_eq!(quiet.err.lines().count(), 1, "{}", quiet.err);
    let check = place.run(&["check", "shoot.toml"]);
    check.expect(1, &["second: cannot be run", "is empty", "first: 24 frames"]);
}

#[test]
fn a_failure_is_forgotten_when_the_clip_is_made() {
    let place = shoot();
    let run = || place.run(&["run", "shoot.toml", "--out", "out", "--no-preview"]);
    run().expect(1, &["2 clips done, 1 failed"]);
    fs::remove_dir(place.path("second")).unwrap();
    place.copy("comb-pluck", "second");
    run().expect(0, &["3 clips done, 0 failed"]);
    assert!(!place.path("out/second/failed.json").exists());
    let status = place.run(&["status", "out"]);
    assert!(status.code == 0 && status.out.contains("second                   complete"));
}

#[test]
fn results_of_another_clip_of_the_same_name_are_not_replaced() {
    let place = Place::new();
    place.copy("comb-pluck", "a/take");
    place.copy("even", "b/take");
    let run = |frames: &str| place.run(&["run", frames, "--out", "out", "--no-preview"]);
    run("a/take").expect(0, &["24 frames made"]);
    let before = results(&place.path("out/take"));
    run("b/take").expect(2, &["another clip of this name (24 frames", "choose another --out"]);
    assert!(results(&place.path("out/take")) == before, "something was replaced");
    // The same clip in another place is no other one, nor is one of which a frame was taken away.
    place.copy("comb-pluck", "c/take");
    fs::remove_file(place.path("c/take/000001.tif")).unwrap();
    run("c/take").expect(0, &["23 frames made"]);
}

#[test]
fn what_is_no_list_and_no_master_is_not_written_over() {
    let place = Place::new();
    let own = place.write("precious.toml", "rate = 1000\n");
    let black = text(kept("black"));
    let dark = |to: &str| place.run(&["reference", "dark", &black, "-o", to]);
    let list = |to: &str| place.run(&["checksum", &black, "--to", to]);
    dark("precious.toml").expect(2, &["precious.toml", "no master reference"]);
    list("precious.toml").expect(2, &["precious.toml", "no hash list"]);
    assert_eq!(fs::read_to_string(own).unwrap(), "rate = 1000\n");
    // Their own are made anew.
    for _ in 0..2 {
        dark("dark.tif").expect(0, &[]);
        list("black.b3").expect(0, &[]);
    }
}

#[test]
fn nothing_is_written_deep_below_footage() {
    let place = Place::new();
    place.copy("comb-pluck", "clip");
    place.copy("even", "other");
    let clip = tree(&place.path("other"));
    place.run(&["run", "clip", "--out", "other/a/b"]).expect(2, &["among footage"]);
    place.run(&["demo", "other/a/b"]).expect(2, &["among footage"]);
    place.run(&["checksum", "clip", "--to", "other/a/list"]).expect(2, &["among footage"]);
    assert!(tree(&place.path("other")) == clip, "something was written");
}

#[test]
fn only_some_clips_of_a_shoot() {
    let place = shoot();
    // A folder stands for the shoot.toml in it.
    place.run(&["run", ".", "--out", "out", "--only", "third"]).expect(0, &["third: 24 frames"]);
    assert_eq!(names(&place.path("out")), ["index.html", "third"]);
    place
        .run(&["run", ".", "--out", "out", "--only", "fourth"])
        .expect(2, &["--only fourth", "first, second, third"]);
}

#[test]
fn json_is_one_document_and_nothing_else() {
    let place = shoot();
    place.run(&["run", "shoot.toml", "--out", "out", "--json", "--only", "first"]).json();
    let all = place.run(&["run", "shoot.toml", "--out", "out", "--json"]);
    assert_eq!(all.code, 1);
    let clips = all.json()["clips"].as_array().unwrap().clone();
    assert_eq!(clips.len(), 3);
    assert_eq!(clips[0]["kept"], 24);
    assert!(clips[1]["error"].as_str().unwrap().contains("is empty"));
    assert_eq!(clips[2]["made"], 24);
    let check = place.run(&["check", "shoot.toml", "--json"]).json();
    assert_eq!(check.as_array().unwrap().len(), 3);
    let failed = place.run(&["run", "second", "--json"]);
    assert_eq!(failed.code, 2);
    assert!(failed.json()["error"].as_str().unwrap().contains("is empty"));
    let stages = place.run(&["stages", "--json"]).json();
    assert!(stages.as_array().unwrap().iter().any(|s| s["name"] == "average"));
    let dark = text(kept("black"));
    let dark = place.run(&["reference", "dark", &dark, "-o", "dark.tif", "--json"]).json();
    assert_eq!(dark["frames"], 16);
}

#[test]
fn quiet_says_nothing_but_errors() {
    let place = Place::new();
    let ended = run(&place, &main_job("out"), &["--quiet"]);
    ended.expect(0, &[]);
    assert!(ended.err.is_empty() && ended.out.is_empty(), "{}{}", ended.err, ended.out);
    place.run(&["run", "nowhere", "--quiet"]).expect(2, &["nowhere"]);
}

#[test]
fn no_colour_is_used_where_none_is_wanted() {
    let place = Place::new();
    for args in [vec!["--help"], vec!["run", "--rate", "x"], vec!["stages"], vec!["run", "no"]] {
        let mut c = place.command(&args);
        c.env("NO_COLOR", "1").env("CLICOLOR_FORCE", "0").env("TERM", "xterm-256color");
        let ended = Ended::of(c.output().unwrap());
        assert!(!ended.out.contains('\u{1b}') && !ended.err.contains('\u{1b}'), "{args:?}");
    }
}

#[test]
fn every_command_explains_itself() {
    let place = Place::new();
    let help = place.run(&["--help"]);
    help.expect(0, &[]);
    for command in [
        "demo",
        "run",
        "check",
        "reference",
        "stages",
        "completions",
        "man",
        "init",
        "status",
        "checksum",
    ] {
        assert!(help.out.contains(command), "{command}");
        let ended = place.run(&[command, "--help"]);
        ended.expect(0, &[]);
        assert!(ended.out.contains("Usage: hushframe"), "{command}");
        for option in ["--json", "--quiet", "--threads"] {
            assert!(ended.out.contains(option), "{command} {option}");
        }
    }
    let run_help = place.run(&["run", "--help"]).out;
    for fact in ["rate", "playback", "exposure", "magnification", "pixel-pitch", "scale", "mains"] {
        assert!(run_help.contains(&format!("--{fact}")), "{fact}");
    }
    assert!(place.run(&["--version"]).out.contains(env!("CARGO_PKG_VERSION")));
    assert!(place.run(&["man"]).out.contains(".TH hushframe"));
    for shell in ["bash", "zsh", "fish", "powershell", "elvish"] {
        assert!(place.run(&["completions", shell]).out.contains("hushframe"), "{shell}");
    }
    assert_eq!(place.run(&[]).code, 2);
    assert_eq!(place.run(&["shine"]).code, 2);
    // With --json text is a string in an object.
    for (args, part) in [(&["man"][..], ".TH hushframe"), (&["completions", "bash"], "_hushframe")]
    {
        let json = place.run(&[args, &["--json"]].concat()).json();
        assert!(json["text"].as_str().unwrap().contains(part), "{args:?}: {json}");
    }
    // Facts have a heading that ends with them.
    for (command, own) in
        [("check", "--out "), ("shard analyse", "--part "), ("shard finish", "--parts ")]
    {
        let args: Vec<&str> = command.split(' ').chain(["--help"]).collect();
        let help = place.run(&args).out;
        let facts = help.find("Facts of the clip:").unwrap();
        let next = help[facts..].find("\n\n").map_or(help.len(), |n| facts + n);
        let at = help.find(own).unwrap();
        assert!(!(facts..next).contains(&at), "{command} {own}: {help}");
        assert!((facts..next).contains(&help.find("--row-time").unwrap()), "{help}");
    }
}

#[test]
fn a_magnification_may_be_written_as_times() {
    let place = Place::new();
    let clip = place.copy("comb-pluck", "comb");
    let with = |m| place.run(&["check", "comb", "--magnification", m, "--pixel-pitch", "20um"]);
    with("4x").expect(0, &[]);
    with("0x").expect(2, &["above zero", "4x"]);
    fs::write(clip.join("clip.toml"), "magnification = \"4x\"\nrate = 5000\n").unwrap();
    place.run(&["check", "comb"]).expect(0, &[]);
}

#[test]
fn stages_tells_every_setting() {
    let place = Place::new();
    let all = place.run(&["stages"]).out;
    for name in ["dark", "flat", "defects", "average", "steady", "scale-bar", "caption", "clock"] {
        assert!(all.contains(name), "{name}");
        let one = place.run(&["stages", name]);
        one.expect(0, &[]);
        assert!(one.out.contains("takes"), "{}", one.out);
    }
    place.run(&["stages", "shine"]).expect(2, &["no stage \"shine\"", "average"]);
}

#[test]
fn check_writes_nothing() {
    let place = Place::new();
    place.copy("comb-pluck", "clip");
    let before = tree(&place.path(""));
    let dark = text(kept("black"));
    place
        .run(&["check", "clip", "--dark", &dark, "--out", "out"])
        .expect(0, &["24 frames of 160x120", "0 missing", "no flat reference"]);
    assert!(tree(&place.path("")) == before && !place.path("out").exists());
    place.run(&["check", "clip", "--out", "clip/out"]).expect(1, &["lies inside the input"]);
    place.run(&["check", "nowhere"]).expect(2, &["nowhere"]);
    assert!(tree(&place.path("")) == before);
}

#[test]
fn a_night_from_the_folder_to_its_state() {
    let place = Place::new();
    for folder in ["comb-pluck", "black", "even"] {
        place.copy(folder, &format!("night/{folder}"));
    }
    place.run(&["checksum", "night", "--to", "list.txt"]).expect(0, &["57 files"]);
    // A picture of a rule lies as people leave it.
    fs::copy(place.path("night/comb-pluck/000001.tif"), place.path("night/rule 10x.tif")).unwrap();
    place
        .run(&["init", "night"])
        .expect(0, &["1 clip, 1 black reference, 1 even field, 1 scale picture ->"]);
    let text = fs::read_to_string(place.path("night/shoot.toml")).unwrap();
    assert!(text.contains("\"rule 10x.tif\" is a scale picture (1 frame, "), "{text}");
    place.run(&["init", "night"]).expect(2, &["is there already"]);
    place.run(&["init", "night/comb-pluck"]).expect(2, &["nothing is written into an input"]);
    place.run(&["run", "night", "--out", "out", "--frames", "1-5"]).expect(0, &["5 frames made"]);
    let state = |code: i32| {
        let ended = place.run(&["status", "out", "--verify", "--json"]);
        ended.expect(code, &[]);
        ended.json()[0].clone()
    };
    assert_eq!(state(0)["done"], 5);
    place.run(&["run", "night", "--out", "out"]).expect(0, &["19 frames made"]);
    assert_eq!(state(0)["done"], 24);
    fs::write(place.path("out/comb-pluck/frames/000009.tif"), "damaged").unwrap();
    assert_eq!(state(1)["damaged"], serde_json::json!([9]));
    place.run(&["status", "nowhere"]).expect(2, &["nowhere"]);
    // The originals are what they were; then one of them is not.
    fs::remove_file(place.path("night/shoot.toml")).unwrap();
    place.run(&["checksum", "night", "--verify", "list.txt"]).expect(0, &[]);
    fs::write(place.path("night/black/0002.tif"), "damaged").unwrap();
    let bad = place.run(&["checksum", "night", "--verify", "list.txt"]);
    bad.expect(1, &[]);
    assert!(bad.out.contains("black/0002.tif differs"), "{}", bad.out);
}

#[test]
fn references_are_made_and_used() {
    let place = Place::new();
    let (dark, flat) = (text(kept("black")), text(kept("even")));
    place
        .run(&["reference", "dark", &dark, "-o", "dark.tif"])
        .expect(0, &["dark of 16 frames", "dark.tif"]);
    place
        .run(&["reference", "flat", &flat, "--dark", "dark.tif", "-o", "flat.tif"])
        .expect(0, &["flat of 16 frames", "flat.tif"]);
    place.run(&["reference", "flat", &flat, "--dark", &dark, "-o", "flat-2.tif"]).expect(0, &[]);
    let bytes = |name: &str| fs::read(place.path(name)).unwrap();
    assert!(bytes("flat.tif") == bytes("flat-2.tif"), "file and folder differ");
    place
        .run(&["reference", "flat", &flat, "--dark", "flat.tif", "-o", "x.tif"])
        .expect(2, &["this is a flat", "a dark is needed"]);
    let copy = text(place.copy("black", "black"));
    place
        .run(&["reference", "dark", &copy, "-o", "black/master.tif"])
        .expect(2, &["lies inside the input"]);
    assert_eq!(names(&place.path("black")).len(), 16);
    // What the master says of itself: the black level of 160 DN.
    let told = place.run(&["reference", "dark", &dark, "-o", "dark.tif", "--json"]).json();
    assert!((told["level_dn"].as_f64().unwrap() - 160.0).abs() < 2.0, "{told}");
}

#[test]
fn facts_come_from_options_first() {
    let place = Place::new();
    place.copy("comb-pluck", "clip");
    place.run(&["run", "clip", "--rate", "5000", "--trigger-frame", "1"]).expect(0, &[]);
    let rows = read_csv(&place.path("hushframe-out/clip/frames.csv"));
    assert_eq!(rows[1]["time_s"], "0.000200000");
}

#[test]
fn a_mistake_leaves_no_folders_behind() {
    let place = Place::new();
    fs::create_dir(place.path("empty")).unwrap();
    place.run(&["run", "empty"]).expect(2, &["is empty"]);
    place.run(&["run", "nowhere"]).expect(2, &["nowhere"]);
    assert_eq!(names(&place.path("")), ["empty"]);
}

#[test]
fn results_hold_nothing_private() {
    let place = Place::new();
    place.copy("comb-pluck", "clip");
    let full = text(place.path("clip"));
    // Names that nothing else holds, where programs usually look for them.
    let private = ["tine-owner-7301", "tine-bench-7302", "tine-home-7303"];
    let run = |args: &[&str]| {
        let mut command = place.command(args);
        for (key, value) in [
            ("USER", private[0]),
            ("LOGNAME", private[0]),
            ("HOSTNAME", private[1]),
            ("HOME", private[2]),
        ] {
            command.env(key, value);
        }
        Ended::of(command.output().unwrap()).expect(0, &[]);
    };
    let facts = ["--playback", "25", "--mains", "50"];
    run(&[&["run", &full, "--out", "out", "--pipeline", "clean-and-label"][..], &facts].concat());
    for format in ["png", "ome-tiff", "dpx16", "dpx10", "exr", "exr-float"] {
        run(&["export", "out/clip", "--format", format, "--to", &format!("out/exported/{format}")]);
    }
    let root = text(place.path(""));
    let host = fs::read_to_string("/proc/sys/kernel/hostname").unwrap_or_default();
    let mut words: Vec<&str> = private.to_vec();
    words.push(root.trim_end_matches('/'));
    // A short name of a machine may stand in compressed samples by chance.
    words.extend(Some(host.trim()).filter(|h| h.len() >= 6));
    let mut files = 0;
    for (name, bytes) in tree(&place.path("out")) {
        files += 1;
        for word in &words {
            let found = bytes.windows(word.len()).any(|w| w == word.as_bytes());
            assert!(!found, "{} names {word}", name.display());
        }
    }
    assert!(files > 6 * 24, "only {files} files were looked at");
}

/// Writes finished frames as PNG for `tests/reference/read_back.py`: from the clip's folder in
/// HUSHFRAME_CLIP into the folder in HUSHFRAME_PNG. Run by `.ci/run`.
#[test]
#[ignore = "makes files for an independent reader; run by .ci/run"]
fn png_files_to_read_back() {
    let folder = |name: &str| std::path::PathBuf::from(std::env::var_os(name).unwrap());
    let (clip, to) = (folder("HUSHFRAME_CLIP"), folder("HUSHFRAME_PNG"));
    for name in names(&clip.join("frames")).iter().take(4) {
        let (size, channels, data) = read_tiff(&clip.join("frames").join(name));
        let side = |n: u32| usize::try_from(n).unwrap();
        let frame = OutFrame { width: side(size.0), height: side(size.1), channels, data };
        let bytes = encode_png16(&frame, Some(10.0)).unwrap();
        fs::write(to.join(name.replace(".tif", ".png")), bytes).unwrap();
    }
}
