//! A whole night: clips that are still being copied, the program run at its end, many clips.

use std::fs;
use std::path::PathBuf;

use crate::disk::corners;
use crate::harness::{Ended, Place, assert_same, tree, wait_for};

/// References and the shoot file; the clips are made by the test.
fn shoot(place: &Place, more: &str) {
    corners(place, "black", "black", 4);
    corners(place, "even", "even", 4);
    let clips = "[[clip]]\nframes = \"late\"\n[[clip]]\nframes = \"early\"\n";
    place.write("shoot.toml", &format!("dark = \"black\"\nflat = \"even\"\n{more}{clips}"));
}

#[test]
fn a_clip_begins_when_its_copy_is_complete() {
    let place = Place::new();
    shoot(&place, "");
    corners(&place, "comb-pluck", "early", 12);
    corners(&place, "comb-pluck", "kept", 12);
    let args = ["run", "shoot.toml", "--watch", "--quiet-for", "3s", "--no-preview"];
    let mut child = place.start(&args);
    // The clip that is there is done first, though it is listed last.
    let first = place.path("hushframe-out/early/complete.json");
    // Meanwhile the other is copied, slowly.
    fs::create_dir(place.path("late")).unwrap();
    let mut names: Vec<PathBuf> =
        fs::read_dir(place.path("kept")).unwrap().map(|e| e.unwrap().path()).collect();
    names.sort();
    for file in &names {
        fs::copy(file, place.path("late").join(file.file_name().unwrap())).unwrap();
        std::thread::sleep(std::time::Duration::from_millis(100));
        assert!(!place.path("hushframe-out/late").exists(), "begun in the middle of its copy");
    }
    assert!(wait_for(&mut child, || first.exists()));
    let ended = Ended::of(child.wait_with_output().unwrap());
    ended.expect(0, &["waiting until these are copied: late", "2 clips done, 0 failed"]);
    let without: Vec<&str> =
        args.iter().copied().filter(|a| !["--watch", "--quiet-for", "3s"].contains(a)).collect();
    let mut again = without;
    again.extend(["--out", "whole"]);
    place.run(&again).expect(0, &[]);
    assert_same(&place.path("hushframe-out"), &place.path("whole"));
}

#[test]
fn a_shoot_file_that_is_saved_again_is_read_again() {
    let place = Place::new();
    shoot(&place, "");
    corners(&place, "comb-pluck", "early", 12);
    let args = ["run", "shoot.toml", "--watch", "--quiet-for", "1s", "--no-preview"];
    let log = place.path("log");
    let mut command = place.command(&args);
    let mut child = command.stderr(fs::File::create(&log).unwrap()).spawn().unwrap();
    let first = place.path("hushframe-out/early/complete.json");
    assert!(wait_for(&mut child, || first.exists()));
    let said = |words: &str| fs::read_to_string(&log).unwrap().contains(words);
    let save = |text: &str| {
        place.write("shoot.toml", &format!("dark = \"black\"\nflat = \"even\"\n{text}"));
    };
    // In the middle of an edit: the clips stay as they were.
    save("[[clip]]\nframe");
    assert!(wait_for(&mut child, || said("going on with the clips as they were")));
    // The clip that never comes is taken out, another comes in, one that is done says something else.
    corners(&place, "comb-pluck", "another", 8);
    save("[[clip]]\nframes = \"another\"\n[[clip]]\nframes = \"early\"\nrate = 10\n");
    let ended = Ended::of(child.wait_with_output().unwrap());
    ended.expect(0, &[]);
    for words in [
        "shoot.toml:4",
        "shoot.toml was read again: 1 clips are to come",
        "early: was begun before",
        "run again when the night has ended",
        "2 clips done, 0 failed",
    ] {
        assert!(said(words), "no {words:?} in {}", fs::read_to_string(&log).unwrap());
    }
    assert!(place.path("hushframe-out/another/complete.json").exists());
}

#[test]
fn a_clip_that_never_comes_is_given_up_and_the_others_are_made() {
    let place = Place::new();
    shoot(&place, "");
    corners(&place, "comb-pluck", "early", 12);
    let limits = ["--quiet-for", "100ms", "--watch-limit", "1s"];
    let mut args = vec!["run", "shoot.toml", "--watch", "--no-preview"];
    args.extend(limits);
    place.run(&args).expect(2, &["100ms", "not a time to wait"]);
    args[5] = "0.1s";
    place.run(&args).expect(
        1,
        &["late: failed: there is nothing in", "nothing changed for 1 s", "1 clip done, 1 failed"],
    );
}

#[cfg(unix)]
#[test]
fn the_program_at_the_end_is_told_how_it_went() {
    use std::os::unix::fs::PermissionsExt;
    let place = Place::new();
    shoot(&place, "when_done = \"./tell me\"\n");
    corners(&place, "comb-pluck", "early", 12);
    let program = place.write(
        "tell me",
        "#!/bin/sh\necho \"$1 $HUSHFRAME_OUTCOME $HUSHFRAME_CLIPS $HUSHFRAME_FAILED $2\" >> said\n\
         echo printed\n",
    );
    fs::set_permissions(&program, fs::Permissions::from_mode(0o755)).unwrap();
    let said = || fs::read_to_string(place.path("said")).unwrap();
    // One clip is missing.
    let ended = place.run(&["run", "shoot.toml", "--no-preview", "--json"]);
    ended.expect(1, &["printed"]).json();
    assert_eq!(said(), "faults faults 1 1 hushframe-out\n");
    corners(&place, "comb-pluck", "late", 12);
    place.run(&["run", "shoot.toml", "--no-preview"]).expect(0, &[]);
    assert!(said().ends_with("\nwell well 2 0 hushframe-out\n"), "{}", said());
    // Not in a file of the shoot: on the command line. It cannot be started: said, no more.
    let other = ["run", "early", "--dark", "black", "--flat", "even", "--when-done", "./none"];
    place.run(&other).expect(0, &["./none", "could not be started"]);
    // It fails: the night does not.
    let fails = ["run", "early", "--dark", "black", "--flat", "even", "--when-done", "false"];
    place.run(&fails).expect(0, &["false, to be run at the end, ended with"]);
    // What could not be run at all.
    let refused = ["run", "early", "--dark", "late", "--when-done", "./tell me", "--flat", "late"];
    assert_eq!(place.run(&refused).code, 2);
    assert!(said().ends_with("\nerror error 0 1 hushframe-out\n"), "{}", said());
}

/// A place with references and 24 frames of the comb.
fn with_comb() -> Place {
    let place = Place::new();
    corners(&place, "black", "black", 4);
    corners(&place, "even", "even", 4);
    corners(&place, "comb-pluck", "comb", 24);
    place
}

#[test]
fn a_check_says_what_a_run_would_find_and_how_long_it_takes() {
    let place = with_comb();
    let with = |command: &'static str, more: &[&'static str]| {
        let mut args = vec![command, "comb", "--dark", "black", "--flat", "even"];
        args.extend(more);
        place.run(&args)
    };
    let check = |words: &[&str]| {
        let before = tree(&place.path(""));
        with("check", &[]).expect(0, words);
        assert!(tree(&place.path("")) == before, "a check wrote something");
    };
    check(&["  new, about ", "writing and previews come on top"]);
    with("run", &["--no-preview", "--frames", "1-10"]).expect(0, &["10 frames made"]);
    check(&["14 of 24 frames to make, 10 are done"]);
    with("run", &["--no-preview"]).expect(0, &["14 frames made"]);
    check(&["nothing to do: all 24 frames are done"]);
    let json = with("check", &["--json"]).json();
    assert_eq!(json[0]["standing"]["to_make"], 0);
    assert_eq!(json[0]["expected_s"], 0.0);
    fs::remove_file(place.path("hushframe-out/comb/frames/000007.tif")).unwrap();
    check(&["1 of 24 frames to make, 23 are done"]);
    let other = with("check", &["--trigger-frame", "7", "--json"]).json();
    assert_eq!(other[0]["standing"]["to_make"], 24);
    assert!(other[0]["standing"]["words"].as_str().unwrap().contains("made again"));
    fs::remove_dir_all(place.path("hushframe-out/.references")).unwrap();
    check(&["its references are gone"]);
}

#[test]
fn parts_at_work_are_seen() {
    let place = with_comb();
    let args = ["run", "comb", "--dark", "black", "--flat", "even", "--frames", "1-3"];
    place.run(&args).expect(0, &[]);
    let state = || place.run(&["status", "hushframe-out"]).out;
    assert!(state().contains("stopped") && !state().contains("at work"), "{}", state());
    let lock = fs::File::open(place.path("hushframe-out/comb/lock")).unwrap();
    lock.lock_shared().unwrap();
    assert!(state().contains("running") && state().contains("at work: process"), "{}", state());
    // Who only looked does not keep a part off, and a run is kept off by the parts.
    place.run(&args).expect(2, &["is being worked on by"]);
    lock.unlock().unwrap();
    place.run(&args).expect(0, &["3 were done before"]);
}
