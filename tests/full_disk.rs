//! The real program on small file systems of their own; skipped where those cannot be mounted.

use std::path::Path;
use std::process::Command;

use crate::disk::corners;
use crate::harness::{Ended, Place, assert_same, names, signal, tree, wait_for};

/// A file system in memory, gone with this.
pub(crate) struct Mounted<'a>(&'a Path);

impl<'a> Mounted<'a> {
    fn new(at: &'a Path, options: &str) -> Option<Self> {
        std::fs::create_dir(at).unwrap();
        let mut mount = Command::new("mount");
        mount.args(["-t", "tmpfs", "-o", options, "tmpfs"]).arg(at);
        if mount.output().is_ok_and(|o| o.status.success()) {
            return Some(Self(at));
        }
        println!("skipped: no file system can be mounted here");
        None
    }

    fn remount(&self, options: &str) {
        let options = format!("remount,{options}");
        let done = Command::new("mount").args(["-o", &options]).arg(self.0).status();
        assert!(done.unwrap().success());
    }
}

impl Drop for Mounted<'_> {
    fn drop(&mut self) {
        let _ = Command::new("umount").args(["-l"]).arg(self.0).status();
    }
}

fn arguments(out: &str) -> Vec<&str> {
    vec!["run", "pluck", "--dark", "black", "--flat", "even", "--no-preview", "--out", out]
}

fn small_place() -> Place {
    let place = Place::new();
    corners(&place, "comb-pluck", "pluck", 24);
    corners(&place, "black", "black", 4);
    corners(&place, "even", "even", 4);
    place.run(&arguments("whole")).expect(0, &[]);
    place
}

#[test]
fn a_full_disk_pauses_the_run_until_there_is_room() {
    let place = small_place();
    let originals = tree(&place.path("pluck"));
    let at = place.path("small");
    let Some(disk) = Mounted::new(&at, "size=4m") else { return };
    // No patience: a clear end, no seal.
    let mut args = arguments("small/out");
    args.extend(["--wait-for-room", "0"]);
    place.run(&args).expect(2, &["the disk is full", "4 MiB free", "make room"]);
    assert!(!place.path("small/out/pluck/complete.json").exists());
    // Waiting, and stopped by hand.
    let log = place.path("log");
    let waiting = || std::fs::read_to_string(&log).is_ok_and(|t| t.contains("waiting"));
    let start = || {
        let mut command = place.command(&arguments("small/out"));
        command.stderr(std::fs::File::create(&log).unwrap()).spawn().unwrap()
    };
    let mut child = start();
    assert!(wait_for(&mut child, waiting));
    signal(&child, "INT");
    let ended = Ended::of(child.wait_with_output().unwrap());
    ended.expect(130, &[]);
    // Waiting, and room comes.
    let mut child = start();
    assert!(wait_for(&mut child, waiting));
    disk.remount("size=200m");
    let ended = Ended::of(child.wait_with_output().unwrap());
    ended.expect(0, &[]);
    assert!(std::fs::read_to_string(&log).unwrap().contains("there is room again"));
    assert_same(&place.path("small/out"), &place.path("whole"));
    assert!(tree(&place.path("pluck")) == originals);
}

#[test]
fn a_disk_without_inodes_is_waited_for_too() {
    let place = small_place();
    let at = place.path("small");
    // Bytes are there, but each file needs an inode: folders, locks and a few frames take them.
    let Some(disk) = Mounted::new(&at, "size=200m,nr_inodes=16") else { return };
    let mut args = arguments("small/out");
    args.extend(["--wait-for-room", "1s"]);
    place.run(&args).expect(2, &["the disk is full"]);
    let whole = names(&place.path("whole/pluck/frames"));
    for name in names(&place.path("small/out/pluck/frames")) {
        assert!(whole.contains(&name), "{name} is left");
    }
    disk.remount("nr_inodes=1000");
    place.run(&args).expect(0, &["were done before"]);
    assert_same(&place.path("small/out"), &place.path("whole"));
}

#[test]
fn a_read_only_output_is_said() {
    let place = small_place();
    let at = place.path("small");
    let Some(disk) = Mounted::new(&at, "size=200m") else { return };
    let mut args = arguments("small/out");
    args.extend(["--frames", "1-9"]);
    place.run(&args).expect(0, &["9 frames made"]);
    let before = tree(&place.path("small"));
    disk.remount("ro");
    place.run(&arguments("small/out")).expect(2, &["small/out", "Read-only file system"]);
    place.run(&arguments("small/other")).expect(2, &["small/other", "Read-only file system"]);
    place.run(&["status", "small/out", "--verify"]).expect(0, &[]);
    assert!(tree(&place.path("small")) == before);
    disk.remount("rw");
    place.run(&arguments("small/out")).expect(0, &["15 frames made, 9 were done before"]);
    assert_same(&place.path("small/out"), &place.path("whole"));
}
