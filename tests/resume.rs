//! Stopped at any moment and started again: the same bytes as an unbroken run, originals as they
//! were.

use std::fs;
use std::path::{Path, PathBuf};

use crate::harness::{
    Ended, Place, assert_same, names, read_json, results, signal, tree, wait_for,
};

/// A place with a copy of the clip and an unbroken run of it in `whole`.
fn unbroken() -> Place {
    unbroken_times(1)
}

/// The same with the clip's frames several times over: a run takes long enough to be caught in the
/// middle, on a fast machine too.
fn unbroken_times(times: usize) -> Place {
    let place = Place::new();
    for folder in ["comb-pluck", "black", "even"] {
        place.copy(folder, folder);
    }
    let clip = place.path("comb-pluck");
    for n in 25..=24 * times {
        let from = clip.join(format!("{:06}.tif", (n - 1) % 24 + 1));
        fs::copy(from, clip.join(format!("{n:06}.tif"))).unwrap();
    }
    let made = format!("{} frames made", 24 * times);
    place.run(&arguments("whole")).expect(0, &[&made]);
    place
}

/// Times the clip is repeated where a run must be caught in the middle.
const LONG: usize = 8;

fn arguments(out: &str) -> [&str; 8] {
    ["run", "comb-pluck", "--dark", "black", "--flat", "even", "--out", out]
}

fn frames(place: &Place, out: &str) -> PathBuf {
    place.path(out).join("comb-pluck/frames")
}

fn finished(dir: &Path) -> usize {
    names(dir).iter().filter(|n| n.ends_with(".tif")).count()
}

/// Names of files that a killed run had in work.
fn leftovers(dir: &Path) -> Vec<PathBuf> {
    let temporary = |p: &Path| p.file_name().unwrap().to_string_lossy().starts_with(".tmp-");
    tree(dir).into_keys().filter(|p| temporary(p)).collect()
}

#[test]
fn killed_at_any_moment_it_goes_on_to_the_same_bytes() {
    let place = unbroken_times(LONG);
    let originals = ["comb-pluck", "black", "even"].map(|f| tree(&place.path(f)));
    let mut broken = 0;
    for (k, after) in [0, 1, 2, 90, 190].into_iter().enumerate() {
        let out = format!("killed-{k}");
        let dir = frames(&place, &out);
        let mut child = place.start(&arguments(&out));
        let made = wait_for(&mut child, || dir.is_dir() && finished(&dir) >= after);
        assert!(made);
        child.kill().unwrap();
        child.wait().unwrap();
        // What stands there under its name is whole.
        for name in names(&dir).iter().filter(|n| n.ends_with(".tif")) {
            let same = fs::read(dir.join(name)).unwrap()
                == fs::read(frames(&place, "whole").join(name)).unwrap();
            assert!(same, "{out}: {name} is not whole");
        }
        let clip = place.path(&out).join("comb-pluck");
        broken += usize::from(!clip.join("complete.json").exists());
        place.run(&arguments(&out)).expect(0, &[]);
        assert_same(&place.path(&out), &place.path("whole"));
        assert_eq!(leftovers(&place.path(&out)), Vec::<PathBuf>::new(), "{out}");
    }
    assert!(broken >= 2, "only {broken} runs were killed before their end");
    let now = ["comb-pluck", "black", "even"].map(|f| tree(&place.path(f)));
    assert!(now == originals, "an original was touched");
}

#[test]
fn leftovers_of_a_killed_run_are_swept() {
    let place = unbroken();
    place.write("whole/comb-pluck/frames/.tmp-1-1", "half a frame");
    place.write("whole/comb-pluck/.tmp-1-2", "half a record");
    place.write("whole/.references/.tmp-1-3", "half a master");
    place.run(&arguments("whole")).expect(0, &[]);
    assert_eq!(leftovers(&place.path("whole")), Vec::<PathBuf>::new());
}

#[test]
fn a_finished_run_started_again_makes_nothing() {
    let place = unbroken();
    let before = results(&place.path("whole"));
    place.run(&arguments("whole")).expect(0, &["0 frames made, 24 were done before"]);
    assert!(results(&place.path("whole")) == before, "a result changed");
}

#[test]
fn damage_is_found_and_made_good() {
    let place = unbroken();
    let clip = place.path("whole/comb-pluck");
    let before = results(&place.path("whole"));
    let damage = |name: &str, at: fn(usize) -> usize| {
        let mut bytes = fs::read(clip.join(name)).unwrap();
        let i = at(bytes.len());
        bytes[i] ^= 0x10;
        fs::write(clip.join(name), bytes).unwrap();
    };
    let again = |said: &str, words: &str| {
        place.run(&arguments("whole")).expect(0, &[said, words]);
        let now = results(&place.path("whole"));
        for (name, bytes) in &before {
            assert!(now.get(name) == Some(bytes), "{} is not made good", name.display());
        }
    };
    damage("frames/000007.tif", |n| n / 2);
    let not_whole = "1 frame found not as written: made again";
    again(not_whole, "1 frame made, 23 were done before");
    fs::remove_file(clip.join("frames/000003.tif")).unwrap();
    again(not_whole, "1 frame made, 23 were done before");
    let analysis = "analysis.json: is damaged: every frame is looked at again";
    damage("analysis.json", |n| n / 2);
    again(analysis, "0 frames made, 24 were done before");
    fs::write(clip.join("analysis.json"), "{}").unwrap();
    again(analysis, "0 frames made, 24 were done before");
    let journal = "journal.jsonl: is damaged: frames that it does not speak of any more are made";
    damage("journal.jsonl", |n| n / 2);
    again(journal, "were done before");
    damage("journal.jsonl", |_| 3);
    again(journal, "24 frames made");
    fs::write(clip.join("journal.jsonl"), [0xff; 100]).unwrap();
    again(journal, "24 frames made");
    damage("record.json", |n| n / 2);
    damage("frames.csv", |n| n / 2);
    again("", "0 frames made, 24 were done before");
}

#[test]
fn a_damaged_master_is_made_again() {
    let place = unbroken();
    let before = results(&place.path("whole"));
    let masters = place.path("whole/.references");
    for name in names(&masters) {
        let mut bytes = fs::read(masters.join(&name)).unwrap();
        let half = bytes.len() / 2;
        bytes.truncate(half);
        fs::write(masters.join(name), bytes).unwrap();
    }
    place.run(&arguments("whole")).expect(0, &["0 frames made, 24 were done before"]);
    assert!(results(&place.path("whole")) == before, "a result changed");
}

#[test]
fn other_settings_make_every_frame_again_and_leave_none_of_the_old() {
    let place = unbroken();
    let text = "name = \"mine\"\n[[stage]]\nuse = \"dark\"\n";
    place.write("mine.toml", text);
    let old = fs::read(frames(&place, "whole").join("000002.tif")).unwrap();
    // A look at three frames would take the other 21 away.
    let before = results(&place.path("whole"));
    let other = |out, more: &[&str]| {
        let given = ["--pipeline", "mine.toml"];
        place.run(&[&arguments(out)[..], &given, more].concat())
    };
    let look = ["--frames", "1-3"];
    other("whole", &look).expect(2, &["24 finished frames", "21 of which", "another --out"]);
    assert!(results(&place.path("whole")) == before, "a result changed");
    other("whole", &[]).expect(0, &["24 finished frames are made again", "24 frames made"]);
    assert!(fs::read(frames(&place, "whole").join("000002.tif")).unwrap() != old);
    other("part", &look).expect(0, &["3 frames made"]);
    assert_eq!(names(&frames(&place, "part")), ["000001.tif", "000002.tif", "000003.tif"]);
    // Part of a clip is not a finished clip.
    assert!(!place.path("part/comb-pluck/complete.json").exists());
}

#[test]
fn an_interrupt_stops_it_and_the_same_command_goes_on() {
    let place = unbroken_times(LONG);
    let dir = frames(&place, "stopped");
    let mut child = place.start(&arguments("stopped"));
    assert!(wait_for(&mut child, || finished(&dir) >= 1));
    signal(&child, "INT");
    let ended = Ended::of(child.wait_with_output().unwrap());
    ended.expect(130, &["stopping after the frames in flight", "the same command goes on"]);
    assert!(!place.path("stopped/comb-pluck/complete.json").exists());
    assert_eq!(leftovers(&place.path("stopped")), Vec::<PathBuf>::new());
    place.run(&arguments("stopped")).expect(0, &["were done before"]);
    assert_same(&place.path("stopped"), &place.path("whole"));
}

#[test]
fn of_two_runs_at_once_the_second_is_refused() {
    let place = unbroken_times(LONG);
    let dir = frames(&place, "shared");
    let mut first = place.start(&arguments("shared"));
    assert!(wait_for(&mut first, || finished(&dir) >= 1));
    // Held where it is, so that it cannot end before the second has tried.
    signal(&first, "STOP");
    let second = place.run(&arguments("shared"));
    signal(&first, "CONT");
    let ended = Ended::of(first.wait_with_output().unwrap());
    let holder = format!("process {}", child_number(&place));
    second.expect(2, &["is being worked on by", &holder, "another --out"]);
    ended.expect(0, &["192 frames made"]);
    assert_same(&place.path("shared"), &place.path("whole"));
}

/// The process number that the lock names.
fn child_number(place: &Place) -> String {
    let text = fs::read_to_string(place.path("shared/comb-pluck/lock")).unwrap();
    text.strip_prefix("process ").unwrap().to_owned()
}

#[test]
fn an_original_that_changed_is_looked_at_again() {
    let place = unbroken();
    let other = fs::read(place.path("comb-pluck/000005.tif")).unwrap();
    fs::write(place.path("comb-pluck/000006.tif"), other).unwrap();
    place.run(&arguments("whole")).expect(0, &["24 frames made"]);
    let record = read_json(&place.path("whole/comb-pluck/record.json"));
    let hashes = record["inputs"]["frames"].as_array().unwrap();
    assert_eq!(hashes[4][1], hashes[5][1]);
}

#[test]
fn pictures_that_no_run_made_are_never_replaced() {
    let place = Place::new();
    place.copy("comb-pluck", "comb-pluck");
    place.copy("comb-pluck", "out/comb-pluck/frames");
    let before = tree(&place.path("out"));
    place
        .run(&["run", "comb-pluck", "--out", "out"])
        .expect(2, &["out/comb-pluck/frames", "no run made", "another --out"]);
    assert!(tree(&place.path("out")) == before);
}
