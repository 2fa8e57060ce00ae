//! What may happen in a long night: frames that change or vanish under the run, damaged frames,
//! links that go in circles, a hundred clips, ten thousand frames.

use std::fs;
use std::time::Instant;

use hushframe::footage::{OutFrame, encode_png16};

use crate::disk::corners;
use crate::harness::{
    Ended, Place, assert_same, names, read_csv, read_json, read_tiff, signal, tree, wait_for,
};

/// A place with references and a clip of `n` frames, the kept ones over and over.
fn place_with(clip: &str, n: usize) -> Place {
    let place = Place::new();
    corners(&place, "black", "black", 4);
    corners(&place, "even", "even", 4);
    corners(&place, "comb-pluck", clip, n.min(24));
    for k in 25..=n {
        let from = place.path(clip).join(format!("{:06}.tif", (k - 1) % 24 + 1));
        fs::hard_link(from, place.path(clip).join(format!("{k:06}.tif"))).unwrap();
    }
    place
}

const WITH: [&str; 5] = ["--dark", "black", "--flat", "even", "--no-preview"];

fn run(place: &Place, clip: &str) -> Ended {
    let mut args = vec!["run", clip];
    args.extend(WITH);
    place.run(&args)
}

#[test]
fn a_clip_that_changes_or_vanishes_under_the_run_is_found_out() {
    let place = place_with("comb", 480);
    let frames = place.path("hushframe-out/comb/frames");
    let mut args = vec!["run", "comb"];
    args.extend(WITH);
    let mut child = place.start(&args);
    // The second pass has begun: held there, so that the last frames are still to come.
    assert!(wait_for(&mut child, || names(&frames).iter().any(|n| n.ends_with(".tif"))));
    signal(&child, "STOP");
    let made = names(&frames).iter().filter(|n| n.ends_with(".tif")).count();
    assert!(made < 400, "the run was too fast to be caught: {made} frames");
    let (changed, gone) = (place.path("comb/000470.tif"), place.path("comb/000475.tif"));
    let other = fs::read(place.path("comb/000003.tif")).unwrap();
    // Frames are hard links here: another file under the name, as a copy program makes it.
    fs::remove_file(&changed).unwrap();
    fs::write(&changed, other).unwrap();
    fs::remove_file(&gone).unwrap();
    signal(&child, "CONT");
    let ended = Ended::of(child.wait_with_output().unwrap());
    ended.expect(
        1,
        &[
            "frame 470 failed: the file changed between the two passes: run again",
            "frame 475 failed",
            "000475.tif",
        ],
    );
    let here = names(&frames);
    assert!(!here.contains(&"000470.tif".to_owned()) && !here.contains(&"000475.tif".to_owned()));
    // Run again, it is the clip as it is now.
    run(&place, "comb").expect(1, &["479 frames made", "no file for 1 number of the sequence"]);
    let rows = read_csv(&place.path("hushframe-out/comb/frames.csv"));
    // Of 40 x 40 px with four dark frames little is sure, and what lies elsewhere now may not be.
    assert!(["ok", "low-confidence"].contains(&rows[469]["status"].as_str()), "{:?}", rows[469]);
    assert_eq!(rows[474]["status"], "missing");
}

#[test]
fn a_flipped_bit_is_found_where_the_format_or_a_list_can_tell() {
    let place = place_with("comb", 24);
    let list = ["checksum", "comb", "--to", "comb.b3"];
    place.run(&list).expect(0, &[]);
    // Uncompressed: it decodes without an error, and only the list taken early can tell.
    let path = place.path("comb/000009.tif");
    let whole = fs::read(&path).unwrap();
    let mut bytes = whole.clone();
    let at = bytes.len() - 999;
    bytes[at] ^= 8;
    fs::write(&path, &bytes).unwrap();
    run(&place, "comb").expect(0, &["24 frames made"]);
    let checked = place.run(&["checksum", "comb", "--verify", "comb.b3"]);
    assert_eq!(checked.code, 1, "{}{}", checked.out, checked.err);
    assert!(format!("{}{}", checked.out, checked.err).contains("000009.tif"));
    let mut with_list = vec!["run", "comb", "--checksums", "comb.b3"];
    with_list.extend(WITH);
    place.run(&with_list).expect(1, &["23 frames made", "frame 9 failed", "hash list"]);
    let frames = place.path("hushframe-out/comb/frames");
    assert!(!names(&frames).contains(&"000009.tif".to_owned()));
    // The same with a list of another form, as a card may come with one: other hashes.
    fs::write(&path, &whole).unwrap();
    place.run(&["checksum", "comb", "--to", "comb.mhl"]).expect(0, &["25 files"]);
    fs::write(&path, &bytes).unwrap();
    let checked = place.run(&["checksum", "comb", "--verify", "comb.mhl"]);
    assert_eq!((checked.code, checked.out.as_str()), (1, "000009.tif differs\n"));
    with_list[3] = "comb.mhl";
    place.run(&with_list).expect(1, &["23 frames made", "frame 9 failed", "hash list"]);
    with_list[3] = "comb.b3";
    place.run(&["checksum", "comb", "--to", "comb/list.mhl"]).expect(2, &["comb"]);
    // Copied again from the camera, every frame is made; a list of something else is refused.
    fs::write(&path, &whole).unwrap();
    place.run(&with_list).expect(0, &["24 frames made"]);
    place.write("other.b3", &format!("{}  none.tif\n", "0".repeat(64)));
    with_list[3] = "other.b3";
    place.run(&with_list).expect(2, &["other.b3", "no frame of this clip"]);
    place.run(&["check", "comb", "--checksums", "other.b3"]).expect(1, &["no frame of this clip"]);
    // Compressed with a checksum: the frame is listed, the others are made.
    fs::create_dir(place.path("png")).unwrap();
    for name in names(&place.path("comb")).iter().filter(|n| n.ends_with(".tif")) {
        let ((width, height), channels, data) = read_tiff(&place.path("comb").join(name));
        let (width, height) = (width as usize, height as usize);
        let mut png = encode_png16(&OutFrame { width, height, channels, data }, None).unwrap();
        if name.starts_with("000009") {
            let middle = png.len() / 2;
            png[middle] ^= 8;
        }
        fs::write(place.path("png").join(name.replace(".tif", ".png")), png).unwrap();
    }
    fs::copy(place.path("comb/clip.toml"), place.path("png/clip.toml")).unwrap();
    run(&place, "png").expect(1, &["23 frames made", "frame 9 failed", "000009.png"]);
}

#[cfg(unix)]
#[test]
fn links_that_go_in_circles_are_not_followed_for_ever() {
    use std::os::unix::fs::symlink;
    let place = place_with("night/comb", 24);
    symlink("..", place.path("night/comb/up")).unwrap();
    symlink(place.path("night"), place.path("night/again")).unwrap();
    symlink("b.tif", place.path("night/a.tif")).unwrap();
    symlink("a.tif", place.path("night/b.tif")).unwrap();
    place.run(&["init", "night"]).expect(0, &[]);
    let text = fs::read_to_string(place.path("night/shoot.toml")).unwrap();
    let clips = text.lines().filter(|l| l.starts_with("frames = ")).count();
    assert_eq!(clips, 1, "{text}");
    place.run(&["checksum", "night", "--to", "list"]).expect(0, &[]);
    run(&place, "night/comb").expect(0, &["24 frames made"]);
    // A frame that is such a link is one bad frame.
    symlink("000025.tif", place.path("night/comb/000025.tif")).unwrap();
    run(&place, "night/comb").expect(1, &["24 frames made", "000025.tif"]);
}

#[test]
fn a_shoot_of_a_hundred_clips() {
    let place = place_with("seed", 6);
    let mut shoot = "dark = \"black\"\nflat = \"even\"\n".to_owned();
    for k in 1..=100 {
        let clip = format!("clip-{k:03}");
        fs::create_dir(place.path(&clip)).unwrap();
        for name in names(&place.path("seed")) {
            let from = place.path("seed").join(&name);
            fs::hard_link(from, place.path(&clip).join(&name)).unwrap();
        }
        shoot.push_str(&format!("[[clip]]\nframes = \"{clip}\"\n"));
    }
    // One of them is no clip: the others do not wait for it.
    fs::remove_dir_all(place.path("clip-050")).unwrap();
    place.write("shoot.toml", &shoot);
    let args = ["run", "shoot.toml", "--no-preview"];
    place.run(&args).expect(1, &["clip-050: failed", "99 clips done, 1 failed"]);
    for k in (2..=100).filter(|k| *k != 50) {
        let clip = place.path(&format!("hushframe-out/clip-{k:03}/frames"));
        assert!(tree(&clip) == tree(&place.path("hushframe-out/clip-001/frames")), "clip {k}");
    }
    let index = fs::read_to_string(place.path("hushframe-out/index.html")).unwrap();
    assert!(index.contains("clip-001") && index.contains("clip-100"));
    let ended = place.run(&["status", "hushframe-out"]);
    assert_eq!(ended.out.lines().filter(|l| l.contains("complete")).count(), 99);
}

/// `cargo test --test main ten_thousand -- --ignored --nocapture` prints the times.
#[test]
#[ignore = "most of a minute; a step of .ci/run by itself"]
fn a_finished_clip_of_ten_thousand_frames_is_resumed_in_seconds() {
    let place = place_with("comb", 10_000);
    let timed = |what: &str, words: &[&str]| {
        let from = Instant::now();
        run(&place, "comb").expect(0, words);
        println!("{what}: {:.1} s", from.elapsed().as_secs_f64());
    };
    timed("10,000 frames of 40x40 px made", &["10000 frames made"]);
    let first = read_json(&place.path("hushframe-out/comb/complete.json"));
    assert_eq!(first["frames"].as_array().unwrap().len(), 10_000);
    fs::rename(place.path("hushframe-out"), place.path("whole")).unwrap();
    let mut copy = std::process::Command::new("cp");
    copy.arg("-a").arg(place.path("whole")).arg(place.path("hushframe-out"));
    assert!(copy.status().unwrap().success());
    timed("resumed when finished", &["0 frames made, 10000 were done before"]);
    assert_same(&place.path("hushframe-out"), &place.path("whole"));
    fs::remove_file(place.path("hushframe-out/comb/frames/005000.tif")).unwrap();
    timed("resumed with one frame missing", &["1 frame made, 9999 were done before"]);
    assert_same(&place.path("hushframe-out"), &place.path("whole"));
}
