//! What people do with a command line that nobody planned: a pipe that closes, a place that is
//! somebody's footage, a number that cannot be, a picture of our own as a rule.

use std::fs;
use std::process::Stdio;

use crate::disk::corners;
use crate::harness::{Ended, Place, names, results};

/// A place with the kept clip and its references, run once as `OUT`.
fn with_run() -> Place {
    let place = with_clip();
    let done = ["--dark", "black", "--flat", "even", "--no-preview", "--out", "OUT"];
    place.run(&[&["run", "comb-pluck"], &done[..]].concat()).expect(0, &[]);
    place
}

fn with_clip() -> Place {
    let place = Place::new();
    for folder in ["comb-pluck", "black", "even"] {
        place.copy(folder, folder);
    }
    place
}

#[cfg(unix)]
#[test]
fn a_reader_that_has_seen_enough_is_no_fault() {
    let place = Place::new();
    for args in [&["completions", "bash"][..], &["stages", "--json"], &["plan", "--rate", "5"]] {
        let (reader, writer) = std::io::pipe().unwrap();
        drop(reader);
        let ended = place.command(args).stdout(writer).output().unwrap();
        let ended = Ended::of(ended);
        assert_eq!((ended.code, ended.err.as_str()), (0, ""), "{args:?}");
    }
}

#[cfg(target_os = "linux")]
#[test]
fn an_answer_that_found_no_room_is_a_fault() {
    let place = Place::new();
    for args in [&["man"][..], &["stages"], &["plan", "--rate", "5", "--json"]] {
        let full = fs::OpenOptions::new().write(true).open("/dev/full").unwrap();
        let ended = Ended::of(place.command(args).stdout(full).output().unwrap());
        ended.expect(2, &["error: standard output: could not write"]);
    }
}

#[cfg(unix)]
#[test]
fn a_night_goes_on_when_nobody_reads_its_log() {
    let place = with_clip();
    let (reader, writer) = std::io::pipe().unwrap();
    drop(reader);
    let args = ["run", "comb-pluck", "--dark", "black", "--flat", "even", "--no-preview"];
    let status = place.command(&args).stderr(Stdio::from(writer)).status().unwrap();
    assert_eq!(status.code(), Some(0));
    assert!(place.path("hushframe-out/comb-pluck/complete.json").is_file());
}

#[test]
fn a_slip_on_the_command_line_is_told_to_machines_too() {
    let ended = Place::new().run(&["run", "x", "--rate", "0", "--json"]);
    ended.expect(2, &["must be above zero"]);
    let told = ended.json()["error"].as_str().unwrap().to_owned();
    assert!(told.contains("--rate") && told.contains("above zero"), "{told}");
}

#[test]
fn the_manual_page_has_the_options_of_every_command() {
    let page = Place::new().run(&["man"]).out;
    for word in [".SH \"hushframe run\"", ".SH \"hushframe shard render\"", "wait\\-for\\-room"] {
        assert!(page.contains(word), "no {word}");
    }
    assert_eq!(page.matches(".TH ").count(), 1);
}

#[test]
fn a_commands_own_options_come_before_those_of_all() {
    let help = Place::new().run(&["run", "--help"]).out;
    let at = |word: &str| help.find(word).unwrap_or_else(|| panic!("no {word} in {help}"));
    assert!(at("--pipeline <FILE>") < at("--flat <FOLDER>"));
    assert!(at("--exclude-region <") < at("--json "));
    assert!(at("--json ") < at("--quiet "));
    assert!(at("--threads <N>") < at("Facts of the clip"));
}

#[test]
fn numbers_below_zero_are_told_as_such() {
    let place = Place::new();
    for (option, value, words) in [
        ("--rate", "-5", "is not a rate"),
        ("--exposure", "-5us", "above zero"),
        ("--magnification", "-4", "above zero"),
        ("--scale", "-1um", "above zero"),
        ("--row-time", "-5us", "above zero"),
        ("--trigger-frame", "-3", "--trigger-frame"),
    ] {
        let ended = place.run(&["run", "x", option, value]);
        ended.expect(2, &[value, words]);
        assert!(!ended.err.contains("unexpected argument"), "{}", ended.err);
    }
}

#[test]
fn nothing_is_written_among_footage_whoever_names_it() {
    let place = with_run();
    place.copy("comb-pluck", "other");
    let before = names(&place.path("other"));
    let picture = "OUT/comb-pluck/frames/000001.tif";
    let points = ["--from", "10,20", "--to", "110,20", "--length", "1mm"];
    let scale = [&["scale", picture, "-o", "other/s.toml"], &points[..]].concat();
    for args in [
        &scale[..],
        &["measure", "OUT/comb-pluck", "--region", "40,40,40,30", "-o", "other/m"],
        &["reference", "dark", "black", "-o", "other/d.tif"],
        &["checksum", "black", "--to", "other/n.b3"],
        &["export", "OUT/comb-pluck", "--format", "png", "--to", "other/png"],
        &["export", "OUT/comb-pluck", "--format", "y4m", "--to", "other/c.y4m"],
        &["run", "comb-pluck", "--out", "other"],
        &["init", ".", "-o", "other/shoot.toml"],
    ] {
        place.run(args).expect(2, &["holds 24 frames", "choose another folder"]);
        assert_eq!(names(&place.path("other")), before, "{args:?}");
    }
}

#[test]
fn a_finished_picture_gives_a_scale_for_its_clip() {
    let place = with_run();
    let picture = "OUT/comb-pluck/frames/000001.tif";
    let points = ["--from", "10,20", "--to", "110,20", "--length", "3mm", "-o", "s.toml"];
    place.run(&[&["scale", picture], &points[..]].concat()).expect(0, &[]);
    // Finished frames are cropped; the clip's own size is what a clip is held against.
    let text = fs::read_to_string(place.path("s.toml")).unwrap();
    assert!(text.contains("width_px = 160") && text.contains("height_px = 120"), "{text}");
    place.run(&["check", "comb-pluck", "--scale", "s.toml"]).expect(0, &[]);
    let out = ["scale", picture, "--from", "10,20", "--to", "500,20", "--length", "1mm"];
    place.run(&out).expect(2, &["the point 500,20 does not lie in the picture of"]);
}

#[test]
fn measure_says_what_cannot_be_of_region_and_row_time() {
    let place = with_run();
    let measure = |more: &[&str]| {
        place.run(&[&["measure", "OUT/comb-pluck", "-o", "m", "--region"], more].concat())
    };
    measure(&["0,40,40,30"]).expect(2, &["0,40,40,30", "closer than 8 px to an edge"]);
    measure(&["40,40,4,4"]).expect(2, &["40,40,4,4", "at least 12 px"]);
    // 120 rows, less a few that steadying cropped, at 10000 frames a second.
    assert!(measure(&["40,40,40,30", "--row-time", "5us"]).err.contains("a row time of 5us"));
    measure(&["40,40,40,30", "--row-time", "1s"])
        .expect(2, &["row time of 1s (option)", "the next one comes after 100us"]);
}

#[test]
fn a_shoot_file_elsewhere_names_folders_that_are_there() {
    let place = with_clip();
    fs::create_dir(place.path("shoot")).unwrap();
    for folder in ["comb-pluck", "black", "even"] {
        fs::rename(place.path(folder), place.path("shoot").join(folder)).unwrap();
    }
    place.run(&["init", "shoot", "-o", "plans.toml"]).expect(0, &["1 clip, 1 black reference"]);
    place.run(&["check", "plans.toml"]).expect(0, &["comb-pluck: 24 frames"]);
    place.run(&["init", "shoot"]).expect(0, &[]);
    let text = fs::read_to_string(place.path("shoot/shoot.toml")).unwrap();
    assert!(text.contains("frames = \"comb-pluck\""), "{text}");
}

#[test]
fn init_finds_frames_of_every_format() {
    let place = with_run();
    fs::create_dir(place.path("shoot")).unwrap();
    for (format, to) in [("dpx10", "shoot/a"), ("exr", "shoot/b"), ("y4m", "shoot/c/c.y4m")] {
        fs::create_dir_all(place.path("shoot/c")).unwrap();
        let args = ["export", "OUT/comb-pluck", "--format", format, "--to", to];
        place.run(&args).expect(0, &[]);
    }
    place.run(&["init", "shoot"]).expect(0, &["3 clips"]);
}

#[test]
fn init_finds_each_of_several_stacks() {
    let place = Place::new();
    fs::create_dir(place.path("shoot")).unwrap();
    for name in ["take1.tif", "take2.tif"] {
        let file = fs::File::create(place.path("shoot").join(name)).unwrap();
        let mut out = tiff::encoder::TiffEncoder::new(file).unwrap();
        for n in 0..3 {
            let frame = vec![100 * (n + 1); 32 * 24];
            out.write_image::<tiff::encoder::colortype::Gray16>(32, 24, &frame).unwrap();
        }
    }
    place.run(&["init", "shoot"]).expect(0, &["2 clips"]);
    let text = fs::read_to_string(place.path("shoot/shoot.toml")).unwrap();
    assert!(text.contains("frames = \"take1.tif\"") && text.contains("\"take2.tif\""), "{text}");
    place.run(&["check", "shoot/shoot.toml"]).expect(0, &["take2: 3 frames of 32x24"]);
    place.run(&["check", "shoot", "--only", "take1"]).expect(0, &["take1: 3 frames"]);
}

#[test]
fn a_list_of_nothing_is_refused() {
    let place = Place::new();
    fs::create_dir(place.path("card")).unwrap();
    place.run(&["checksum", "card", "--to", "n.b3"]).expect(2, &["card: holds no files"]);
    assert!(!place.path("n.b3").exists());
}

#[test]
fn references_that_do_not_fit_are_named_once() {
    let place = with_clip();
    place.run(&["reference", "dark", "black", "-o", "d.tif"]).expect(0, &[]);
    let ended = place.run(&["run", "comb-pluck", "--dark", "d.tif"]);
    ended.expect(2, &["dark reference d.tif: this is a master", "name the folder of the frames"]);
    place.run(&["check", "comb-pluck", "--dark", "d.tif"]).expect(1, &["this is a master"]);
    fs::create_dir(place.path("small")).unwrap();
    for n in 1..=4 {
        let file = place.path("small").join(format!("{n:04}.tif"));
        crate::harness::write_gray(&file, (80, 60), &[160; 80 * 60]);
    }
    let ended = place.run(&["run", "comb-pluck", "--dark", "small"]);
    ended.expect(2, &["error: dark reference small: a frame of it is 80x60, 16-bit"]);
}

#[test]
fn slips_in_a_shoot_file_are_told_by_line_and_key() {
    let place = with_clip();
    let check = |head: &str, words: &[&str]| {
        place.write("shoot.toml", &format!("{head}\n[[clip]]\nframes = \"comb-pluck\"\n"));
        place.run(&["check", "shoot.toml"]).expect(2, words);
    };
    check("[facts]\nrate = true", &["shoot.toml:2: rate: ", "a number, or a text in quotes"]);
    check("memory = 4", &["shoot.toml:1: memory: ", "no unit"]);
    check("pipline = \"clean\"", &["shoot.toml:1: pipline: ", "expected one of"]);
}

#[test]
fn slips_in_a_pipeline_are_told_in_plain_words() {
    let place = with_clip();
    let check = |stages: &str, words: &[&str]| {
        place.write("p.toml", &format!("name = \"p\"\n{stages}"));
        place.run(&["check", "comb-pluck", "--pipeline", "p.toml"]).expect(2, words);
    };
    let average = "[[stage]]\nuse = \"average\"\nframes = ";
    check(&format!("{average}-1\n"), &["p.toml:4: stage average", "expected a whole number, 0"]);
    check(&format!("{average}\"many\"\n"), &["string \"many\", expected a whole number"]);
    let dark = "[[stage]]\nuse = \"dark\"\n[[stage]]\n";
    check(&format!("{dark}use = \"balance\"\n"), &["stage balance", "put it after steady"]);
    let late = "use = \"display\"\n[[stage]]\nuse = \"flat\"\n";
    check(&format!("{dark}{late}"), &["stage flat", "after display", "move it up"]);
}

#[test]
fn what_lies_in_the_way_of_results_is_known_beforehand() {
    let place = with_clip();
    place.write("a-file", "");
    for out in ["a-file", "a-file/out"] {
        let words = ["a-file is a file: name a folder for the results"];
        place.run(&["run", "comb-pluck", "--out", out]).expect(2, &words);
        place.run(&["check", "comb-pluck", "--out", out]).expect(1, &words);
    }
    let args = ["run", "comb-pluck", "--no-preview", "--when-done", "./tell-me"];
    let said = place.run(&args).err;
    let at = |word: &str| said.find(word).unwrap_or_else(|| panic!("no {word} in {said}"));
    assert!(at("./tell-me, to be run at the end, is not there") < at("analyse 24 of 24"));
}

#[cfg(unix)]
#[test]
fn check_sees_that_a_folder_is_closed() {
    use std::os::unix::fs::PermissionsExt;
    let place = with_clip();
    let shut = place.path("shut");
    fs::create_dir(&shut).unwrap();
    fs::set_permissions(&shut, fs::Permissions::from_mode(0o555)).unwrap();
    if fs::write(shut.join("x"), "").is_ok() {
        println!("skipped: this user may write everywhere");
        return;
    }
    let words = ["nothing can be written there", "choose another --out"];
    place.run(&["check", "comb-pluck", "--out", "shut/out"]).expect(1, &words);
    let told = place.run(&["check", "comb-pluck", "--out", "shut/out", "--json"]).json();
    let faults = told[0]["faults"].as_array().unwrap();
    assert!(faults.iter().any(|f| f.as_str().unwrap().contains(words[0])), "{told}");
}

#[test]
fn a_moment_tells_no_pace() {
    let place = with_clip();
    let said = place.run(&["run", "comb-pluck", "--dark", "black", "--no-preview"]).err;
    // A clip this small may take long on a busy machine; no count is ever faster than its files.
    for line in said.lines().filter(|l| l.contains(" frames/s")) {
        let rate = line.split(", ").find_map(|p| p.strip_suffix(" frames/s")).unwrap();
        assert!(rate.parse::<f64>().unwrap() <= 32.0, "{line}");
    }
    assert!(said.contains("analyse 24 of 24\n") || said.contains("analyse 24 of 24, "), "{said}");
}

/// A small clip with references and a hash list, and what its run is called with.
fn listed(place: &Place) -> Vec<&'static str> {
    for (folder, n) in [("comb-pluck", 12), ("black", 3), ("even", 3)] {
        corners(place, folder, folder, n);
    }
    place.run(&["checksum", "comb-pluck", "--to", "night.b3"]).expect(0, &[]);
    let words = "run comb-pluck --dark black --flat even --pipeline clean --no-preview --checksums night.b3";
    words.split(' ').collect()
}

#[test]
fn a_frame_that_was_copied_again_is_made() {
    let place = Place::new();
    let words = listed(&place);
    let path = place.path("comb-pluck/000008.tif");
    let good = fs::read(&path).unwrap();
    let time = fs::metadata(&path).unwrap().modified().unwrap();
    let put = |bytes: &[u8]| {
        fs::write(&path, bytes).unwrap();
        fs::File::options().append(true).open(&path).unwrap().set_modified(time).unwrap();
    };
    let run = |out: &str| place.run(&[&words[..], &["--out", out]].concat());
    let mut bad = good.clone();
    let middle = bad.len() / 2;
    bad[middle] ^= 0x55;
    put(&bad);
    run("out").expect(1, &["copy it again"]);
    // It still is not as listed: nothing is done twice.
    run("out").expect(1, &["11 were done before"]);
    put(&good);
    run("out").expect(0, &["whole now", "12 frames made"]);
    run("whole").expect(0, &[]);
    assert!(results(&place.path("out")) == results(&place.path("whole")));
    run("out").expect(0, &["12 were done before"]);
}

#[test]
fn frames_that_only_the_hash_list_has_are_missed() {
    let place = Place::new();
    let words = listed(&place);
    for n in [11, 12] {
        fs::remove_file(place.path(&format!("comb-pluck/{n:06}.tif"))).unwrap();
    }
    let run = place.run(&[&words[..], &["--out", "out"]].concat());
    run.expect(1, &["2 frames that the hash list names are not there", "the first is 000011.tif"]);
}
