//! SIGKILL at random moments over a small shoot: each time the same command goes on, and in the end
//! there are the bytes of an unbroken run, no temporary file, and the originals as they were.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use hushframe::footage::hash_file;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::disk::corners;
use crate::harness::{Place, assert_same, names, tree};

const RUN: [&str; 4] = ["run", "shoot.toml", "--threads", "2"];

/// Two clips of 24 frames with references, 40 px wide.
fn shoot(place: &Place) {
    corners(place, "comb-pluck", "pluck", 24);
    corners(place, "comb-pluck", "again", 24);
    corners(place, "black", "black", 4);
    corners(place, "even", "even", 4);
    place.write(
        "shoot.toml",
        "dark = \"black\"\nflat = \"even\"\n[[clip]]\nframes = \"pluck\"\n[[clip]]\nframes = \"again\"\n",
    );
}

fn run(place: &Place, out: &str) {
    let mut args = RUN.to_vec();
    args.extend(["--out", out]);
    place.run(&args).expect(0, &[]);
}

/// Hash and time of every original.
fn originals(place: &Place) -> BTreeMap<PathBuf, (String, std::time::SystemTime)> {
    ["pluck", "again", "black", "even"]
        .iter()
        .flat_map(|f| walkdir::WalkDir::new(place.path(f)))
        .map(|e| e.unwrap().into_path())
        .filter(|p| p.is_file())
        .map(|p| {
            let time = fs::metadata(&p).unwrap().modified().unwrap();
            let hash = hash_file(&p).unwrap().hash;
            (p, (hash, time))
        })
        .collect()
}

fn temporaries(dir: &Path) -> Vec<PathBuf> {
    if !dir.exists() {
        return Vec::new();
    }
    let left = |p: &PathBuf| p.file_name().unwrap().to_string_lossy().starts_with(".tmp-");
    tree(dir).into_keys().filter(left).collect()
}

/// Kills `kills` runs. A run that was killed goes on and may be killed again, until one ends.
fn kill_at_random(kills: usize, seed: u64) {
    let place = Place::new();
    shoot(&place);
    let before = originals(&place);
    // The first run is slower than others: the system reads the program.
    run(&place, "warm");
    let start = Instant::now();
    run(&place, "whole");
    let whole = start.elapsed();
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let (mut done, mut finished, mut temps, mut torn, mut rounds) = (0, 0, 0, 0, 0);
    while done < kills {
        rounds += 1;
        assert!(rounds < 20 * kills + 20, "runs end before they can be killed");
        let mut args = RUN.to_vec();
        args.extend(["--out", "out"]);
        let mut child = place.start(&args);
        let moment = whole.mul_f64(random.random_range(0.0..1.0));
        let asleep = Instant::now();
        while asleep.elapsed() < moment && child.try_wait().unwrap().is_none() {
            std::thread::sleep(Duration::from_micros(500));
        }
        let ended = child.try_wait().unwrap().is_some();
        child.kill().unwrap();
        child.wait().unwrap();
        if ended {
            finished += 1;
            fs::remove_dir_all(place.path("out")).unwrap();
            continue;
        }
        done += 1;
        for clip in ["pluck", "again"] {
            let (here, golden) = (format!("out/{clip}/frames"), format!("whole/{clip}/frames"));
            for name in names(&place.path(&here)).iter().filter(|n| !n.starts_with('.')) {
                let bytes = |folder: &str| fs::read(place.path(folder).join(name)).unwrap();
                assert!(bytes(&here) == bytes(&golden), "seed {seed}, kill {done}: {name}");
            }
        }
        temps += usize::from(!temporaries(&place.path("out")).is_empty());
        torn += usize::from(!place.path("out/again/complete.json").exists());
        // Half of the killed runs are killed again on their way, the others come to their end.
        if random.random_range(0..2) == 0 {
            run(&place, "out");
            assert_same(&place.path("out"), &place.path("whole"));
            assert_eq!(temporaries(&place.path("out")), Vec::<PathBuf>::new(), "seed {seed}");
            fs::remove_dir_all(place.path("out")).unwrap();
        }
    }
    run(&place, "out");
    assert_same(&place.path("out"), &place.path("whole"));
    assert_eq!(temporaries(&place.path("out")), Vec::<PathBuf>::new(), "seed {seed}");
    assert!(originals(&place) == before, "an original was touched");
    println!(
        "seed {seed}: {done} kills within {:.2} s, {torn} before the last seal, {temps} with \
         temporary files left, {finished} runs ended first; the same bytes every time",
        whole.as_secs_f64()
    );
    assert!(torn > 0, "no run was killed before its end");
}

#[test]
fn killed_at_random_moments() {
    kill_at_random(8, 1);
}

/// The long form: `cargo test --release --test main killed_two_hundred -- --ignored --nocapture`.
#[test]
#[ignore = "minutes; before a release"]
fn killed_two_hundred_times() {
    kill_at_random(200, 2);
}
