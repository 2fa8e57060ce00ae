//! A clip in parts, in any order, some twice, some killed: the same bytes as one machine's run.

use std::fs;
use std::path::PathBuf;
use std::process::{Command, Stdio};

use crate::harness::{
    Ended, PROGRAM, Place, kept, names, read_json, results, signal, tree, wait_for,
};

/// Frames of the kept clip, and how often it is repeated: three blocks of 64.
const FRAMES: usize = 24;
const TIMES: usize = 8;

/// A place with a clip of three blocks, its references and a shoot file with two clips.
fn shoot() -> Place {
    let place = Place::new();
    for folder in ["black", "even"] {
        place.copy(folder, folder);
    }
    let clip = place.copy("comb-pluck", "comb-pluck");
    for n in FRAMES + 1..=FRAMES * TIMES {
        let from = clip.join(format!("{:06}.tif", (n - 1) % FRAMES + 1));
        fs::copy(from, clip.join(format!("{n:06}.tif"))).unwrap();
    }
    place.copy("comb-pluck", "short");
    place.write("shoot.toml", SHOOT);
    place
}

const SHOOT: &str = "dark = \"black\"\nflat = \"even\"\n\n[[clip]]\nframes = \"comb-pluck\"\n\n\
                     [[clip]]\nframes = \"short\"\npipeline = \"clean-and-label\"\n";

fn whole(place: &Place) {
    place.run(&["run", "shoot.toml", "--out", "whole"]).expect(0, &["192 frames made"]);
}

/// Runs a step on the long clip.
fn step(place: &Place, out: &str, step: &str, share: &str) -> Ended {
    let option = if share.contains('/') { "--part" } else { "--parts" };
    place.run(&["shard", step, "shoot.toml", "--only", "comb-pluck", "--out", out, option, share])
}

/// Asserts that the long clip's results are those of the unbroken run, but for the parts' files.
#[track_caller]
fn assert_as_whole(place: &Place, out: &str, clip: &str) {
    assert_as(place, out, "whole", clip);
}

#[track_caller]
fn assert_as(place: &Place, out: &str, whole: &str, clip: &str) {
    let of = |out: &str| {
        let mut all = results(&place.path(out).join(clip));
        all.retain(|p, _| !p.starts_with("shards"));
        all
    };
    let (a, b) = (of(out), of(whole));
    assert_eq!(a.keys().collect::<Vec<_>>(), b.keys().collect::<Vec<_>>());
    assert!(a.contains_key(&PathBuf::from("complete.json")));
    for (name, bytes) in &a {
        assert!(*bytes == b[name], "{out}: {} differs", name.display());
    }
}

#[test]
fn in_one_three_or_five_parts_in_any_order_the_bytes_are_the_same() {
    let place = shoot();
    whole(&place);
    let originals = tree(&place.path("comb-pluck"));
    for (out, n, order) in
        [("one", 1, vec![1]), ("three", 3, vec![3, 1, 2]), ("five", 5, vec![4, 2, 5, 1, 3])]
    {
        for &i in &order {
            step(&place, out, "analyse", &format!("{i}/{n}")).expect(0, &["analysed"]);
        }
        // Once more: it is found done.
        step(&place, out, "analyse", &format!("{n}/{n}")).expect(0, &["of them before"]);
        step(&place, out, "merge", &n.to_string()).expect(0, &["192 frames of"]);
        for &i in order.iter().rev() {
            step(&place, out, "render", &format!("{i}/{n}")).expect(0, &["frames made"]);
        }
        step(&place, out, "finish", &n.to_string()).expect(0, &["192 frames made"]);
        assert_as_whole(&place, out, "comb-pluck");
        // A late second merge, render and finish leave it as it is.
        step(&place, out, "merge", &n.to_string()).expect(0, &[]);
        step(&place, out, "render", &format!("1/{n}")).expect(0, &[]);
        assert_as_whole(&place, out, "comb-pluck");
        step(&place, out, "finish", &n.to_string()).expect(0, &[]);
        assert_as_whole(&place, out, "comb-pluck");
    }
    // What was made in parts is done for a run on one machine, and for `status`.
    place
        .run(&["run", "shoot.toml", "--only", "comb-pluck", "--out", "three"])
        .expect(0, &["0 frames made, 192 were done before"]);
    let status = place.run(&["status", "three", "--verify", "--json"]);
    status.expect(0, &[]);
    assert_eq!(status.json()[0]["state"], "complete");
    assert!(tree(&place.path("comb-pluck")) == originals, "an original was touched");
}

#[test]
fn a_part_twice_at_once_and_a_killed_part_do_no_harm() {
    let place = shoot();
    whole(&place);
    let at_once = |what: &str, share: &str| {
        let args =
            ["shard", what, "shoot.toml", "--only", "comb-pluck", "--out", "out", "--part", share];
        [place.start(&args), place.start(&args)]
    };
    let both_end = |children: [std::process::Child; 2]| {
        for child in children {
            Ended::of(child.wait_with_output().unwrap()).expect(0, &[]);
        }
    };
    both_end(at_once("analyse", "2/2"));
    step(&place, "out", "analyse", "1/2").expect(0, &[]);
    step(&place, "out", "merge", "2").expect(0, &[]);
    both_end(at_once("render", "1/2"));
    // Two of the second part; one is killed on its way, the other goes on.
    let frames = place.path("out/comb-pluck/frames");
    let made = || names(&frames).iter().filter(|n| n.ends_with(".tif")).count();
    let before = made();
    let [mut killed, other] = at_once("render", "2/2");
    assert!(wait_for(&mut killed, || made() > before + 20));
    killed.kill().unwrap();
    killed.wait().unwrap();
    signal(&other, "TERM");
    let ended = Ended::of(other.wait_with_output().unwrap());
    if ended.code != 0 {
        ended.expect(130, &["the same command goes on"]);
        step(&place, "out", "finish", "2").expect(2, &["part 2/2 is missing", "shard render"]);
    }
    // Whether some of them count as made before depends on how far the first promise was: the two
    // may both have ended before it, and then the frames are made once more.
    step(&place, "out", "render", "2/2").expect(0, &["frames made"]);
    step(&place, "out", "finish", "2").expect(0, &[]);
    assert_as_whole(&place, "out", "comb-pluck");
    let left: Vec<_> = tree(&place.path("out/comb-pluck"))
        .into_keys()
        .filter(|p| p.to_string_lossy().contains(".tmp-"))
        .collect();
    assert!(left.is_empty(), "{left:?}");
}

#[test]
fn originals_are_protected_from_parts_as_from_a_run() {
    let place = Place::new();
    place.copy("comb-pluck", "comb");
    place.copy("black", "black");
    place.write("one.toml", "dark = \"black\"\n[[clip]]\nname = \"one\"\nframes = \"comb\"\n");
    let before = tree(&place.path(""));
    let step = |what: &str, share: &str, out: &str| {
        let how = if share.contains('/') { "--part" } else { "--parts" };
        place.run(&["shard", what, "one.toml", how, share, "--out", out])
    };
    for (what, share) in [("analyse", "1/1"), ("merge", "1"), ("render", "1/1"), ("finish", "1")] {
        step(what, share, "black/out").expect(2, &["nothing is ever written there"]);
        // Where the kernel may not keep originals from a part, it says so.
        step(what, share, ".").expect(0, &["originals are protected by code alone"]);
    }
    let mut now = tree(&place.path(""));
    now.retain(|p, _| before.contains_key(p));
    assert!(now == before, "an original was touched");
}

#[test]
fn gaps_damage_and_parts_of_another_job_are_refused() {
    let place = shoot();
    let part = |k: usize| place.path(&format!("out/comb-pluck/shards/analyse-{k}-of-3.json"));
    step(&place, "out", "render", "1/3").expect(2, &["analysis.json", "shard merge first"]);
    step(&place, "out", "analyse", "1/3").expect(0, &[]);
    step(&place, "out", "analyse", "3/3").expect(0, &[]);
    step(&place, "out", "merge", "3").expect(2, &["part 2/3 is missing", "shard analyse"]);
    assert!(!place.path("out/comb-pluck/analysis.json").exists());
    // Another part under its name.
    fs::copy(part(1), part(2)).unwrap();
    step(&place, "out", "merge", "3").expect(2, &["block 0 is there twice"]);
    let mut bytes = fs::read(part(1)).unwrap();
    let half = bytes.len() / 2;
    bytes[half] ^= 1;
    fs::write(part(2), bytes).unwrap();
    step(&place, "out", "merge", "3").expect(2, &["part 2/3 is damaged"]);
    // Damage is not taken for work done.
    step(&place, "out", "analyse", "2/3").expect(0, &["64 frames analysed"]);
    step(&place, "out", "merge", "3").expect(0, &[]);
    for k in 1..=3 {
        step(&place, "out", "render", &format!("{k}/3")).expect(0, &[]);
    }
    let frame = place.path("out/comb-pluck/frames/000100.tif");
    let good = fs::read(&frame).unwrap();
    let mut bad = good.clone();
    bad[5000] ^= 4;
    fs::write(&frame, bad).unwrap();
    step(&place, "out", "finish", "3")
        .expect(2, &["part 2/3 wrote another frame 100", "shard render"]);
    assert!(!place.path("out/comb-pluck/complete.json").exists());
    step(&place, "out", "render", "2/3").expect(0, &["63 of them before"]);
    assert!(fs::read(&frame).unwrap() == good);
    step(&place, "out", "finish", "3").expect(0, &[]);

    // An original that changed: nothing that was made before counts.
    let from = fs::read(place.path("comb-pluck/000005.tif")).unwrap();
    fs::write(place.path("comb-pluck/000006.tif"), from).unwrap();
    step(&place, "out", "merge", "3").expect(2, &["belongs to other settings"]);
    step(&place, "out", "render", "1/3").expect(2, &["shard merge first"]);
    step(&place, "out", "finish", "3").expect(2, &["shard merge first"]);
    place
        .run(&["shard", "analyse", "shoot.toml", "--out", "out", "--part", "4/3"])
        .expect(2, &["1/N"]);
    place
        .run(&["shard", "merge", "shoot.toml", "--out", "out", "--parts", "0"])
        .expect(2, &["1000"]);
}

#[test]
fn an_unreadable_frame_fails_the_finish_and_not_the_parts() {
    let place = shoot();
    fs::write(place.path("comb-pluck/000070.tif"), "not a picture").unwrap();
    fs::remove_file(place.path("comb-pluck/000150.tif")).unwrap();
    place.run(&["run", "shoot.toml", "--only", "comb-pluck", "--out", "whole"]).expect(1, &[]);
    for (what, shares) in
        [("analyse", ["2/2", "1/2"].as_slice()), ("merge", &["2"]), ("render", &["1/2", "2/2"])]
    {
        for share in shares {
            step(&place, "out", what, share).expect(0, &[]);
        }
    }
    step(&place, "out", "finish", "2").expect(1, &["frame 70 failed", "no file for 1 number"]);
    assert_as_whole(&place, "out", "comb-pluck");
}

#[test]
fn row_offsets_the_lamp_and_a_pipeline_without_poses_come_out_the_same_too() {
    let place = shoot();
    let rows = "name = \"mine\"\n[[stage]]\nuse = \"dark\"\n[[stage]]\nuse = \"banding\"\n\
                [[stage]]\nuse = \"flicker\"\n[[stage]]\nuse = \"steady\"\n";
    place.write("rows.toml", rows);
    place.write("plain.toml", "name = \"mine\"\n[[stage]]\nuse = \"dark\"\n");
    for pipeline in ["rows.toml", "plain.toml"] {
        let whole = format!("whole-{pipeline}");
        let out = format!("out-{pipeline}");
        let what = ["shoot.toml", "--only", "comb-pluck", "--pipeline", pipeline, "--mains", "50"];
        let run = |before: &[&str], out: &str, after: &[&str]| {
            let words = [before, &what, &["--out", out], after].concat();
            place.run(&words).expect(0, &[]);
        };
        run(&["run"], &whole, &[]);
        run(&["shard", "analyse"], &out, &["--part", "2/2", "--threads", "1"]);
        run(&["shard", "analyse"], &out, &["--part", "1/2", "--threads", "3"]);
        run(&["shard", "merge"], &out, &["--parts", "2"]);
        run(&["shard", "render"], &out, &["--part", "1/2", "--threads", "3"]);
        run(&["shard", "render"], &out, &["--part", "2/2", "--threads", "1"]);
        run(&["shard", "finish"], &out, &["--parts", "2"]);
        assert_as(&place, &out, &whole, "comb-pluck");
    }
}

/// Writes the script for Slurm and gives the words of the four jobs of each clip.
fn slurm(place: &Place, to: &str) -> PathBuf {
    place
        .run(&[
            "farm",
            "slurm",
            "shoot.toml",
            "--to",
            to,
            "--out",
            "out",
            "--parts",
            "2",
            "--program",
            PROGRAM,
        ])
        .expect(0, &["submit"]);
    let script = place.path(to);
    let parsed = Command::new("bash").arg("-n").arg(&script).output().unwrap();
    assert!(parsed.status.success(), "{}", String::from_utf8_lossy(&parsed.stderr));
    script
}

/// A stand-in for `sbatch`: notes its arguments, gives the next number; and runs nothing.
const SBATCH: &str = "#!/bin/sh\nn=$(($(cat \"$NOTES/n\" 2>/dev/null || echo 100) + 1))\necho $n \
                      >\"$NOTES/n\"\necho \"$@\" >>\"$NOTES/calls\"\necho \"$n;cluster\"\n";

#[test]
fn the_script_for_slurm_makes_the_same_bytes_whatever_the_folder_is_called() {
    let plain = shoot();
    whole(&plain);
    // A folder whose name would do harm, were it not quoted.
    let odd = "it's $(touch harm) \"x\"\n;touch harm;@OUT@";
    let dir = plain.path(odd);
    fs::create_dir(&dir).unwrap();
    for name in ["comb-pluck", "short", "black", "even", "shoot.toml"] {
        fs::rename(plain.path(name), dir.join(name)).unwrap();
    }
    let written = plain
        .command(&["farm", "slurm", "shoot.toml", "--to", "night.sh", "--parts", "2"])
        .args(["--out", "out", "--program", PROGRAM])
        .current_dir(&dir)
        .output()
        .unwrap();
    Ended::of(written).expect(0, &["submit"]);
    let task = |step: &str, clip: &str, id: &str| {
        let done = Command::new("bash")
            .arg(dir.join("night.sh"))
            .args(["task", step, clip, "2"])
            .env("SLURM_ARRAY_TASK_ID", id)
            .env("SLURM_CPUS_PER_TASK", "2")
            .current_dir(plain.path(""))
            .stdin(Stdio::null())
            .output()
            .unwrap();
        Ended::of(done).expect(0, &[]);
    };
    for clip in ["comb-pluck", "short"] {
        for (step, ids) in [
            ("analyse", ["2", "1"].as_slice()),
            ("merge", &[""]),
            ("render", &["2", "1"]),
            ("finish", &[""]),
        ] {
            ids.iter().for_each(|id| task(step, clip, id));
        }
        assert_as_whole(&plain, &format!("{odd}/out"), clip);
    }
    assert!(!plain.path("harm").exists() && !dir.join("harm").exists());
}

#[test]
fn the_script_for_slurm_submits_arrays_that_wait_for_each_other() {
    let place = shoot();
    let script = slurm(&place, "night.sh");
    let sbatch = place.write("bin/sbatch", SBATCH);
    assert!(Command::new("chmod").arg("+x").arg(&sbatch).status().unwrap().success());
    let path = format!("{}:{}", place.path("bin").display(), std::env::var("PATH").unwrap());
    let submit = |clips: &[&str]| {
        let mut c = Command::new("bash");
        c.arg(&script).arg("submit").args(clips).env("PATH", &path).env("NOTES", place.path(""));
        Ended::of(c.current_dir(place.path("")).output().unwrap())
    };
    let ended = submit(&[]);
    ended.expect(0, &[]);
    assert_eq!(
        ended.out,
        "comb-pluck: jobs 101 102 103 104\nshort: jobs 105 106 107 108\n\
                pages: job 109\n"
    );
    let calls = fs::read_to_string(place.path("calls")).unwrap();
    let common = "--parsable --requeue --kill-on-invalid-dep=yes --job-name=";
    let s = script.display();
    let wanted = [
        format!("{common}analyse-comb-pluck --array=1-2 {s} task analyse comb-pluck 2"),
        format!("{common}merge-comb-pluck --dependency=afterok:101 {s} task merge comb-pluck 2"),
        format!(
            "{common}render-comb-pluck --array=1-2 --dependency=afterok:102 {s} task render comb-pluck 2"
        ),
        format!("{common}finish-comb-pluck --dependency=afterok:103 {s} task finish comb-pluck 2"),
    ];
    assert_eq!(calls.lines().take(4).collect::<Vec<_>>(), wanted);
    submit(&["short"]).expect(0, &[]);
    let calls = fs::read_to_string(place.path("calls")).unwrap();
    assert_eq!(calls.lines().count(), 14);
    let pages = format!("--job-name=pages --dependency=afterany:113 {s} task pages");
    assert!(calls.lines().nth(13).unwrap().ends_with(&pages), "{calls}");
    assert!(calls.lines().nth(12).unwrap().ends_with("task finish short 2"));
    submit(&["shrt"]).expect(2, &["there is no clip shrt"]);
}

#[test]
fn farm_files_never_lie_among_originals_and_need_a_shoot_file() {
    let place = shoot();
    let before = tree(&place.path("comb-pluck"));
    place
        .run(&["farm", "slurm", "shoot.toml", "--to", "comb-pluck/night.sh"])
        .expect(2, &["comb-pluck"]);
    place
        .run(&["farm", "openjd", "comb-pluck", "--to", "night.json"])
        .expect(2, &["hushframe init"]);
    place.run(&["farm", "openjd", "shoot.toml", "--to", "shoot.toml"]).expect(2, &["another --to"]);
    assert!(tree(&place.path("comb-pluck")) == before);
    place.run(&["farm", "openjd", ".", "--to", "night.json"]).expect(0, &["Shoot and Out"]);
    let t = read_json(&place.path("night.json"));
    assert_eq!(t["specificationVersion"], "jobtemplate-2023-09");
    assert_eq!(t["steps"].as_array().unwrap().len(), 9);
    let text = fs::read_to_string(place.path("night.json")).unwrap();
    assert!(!text.contains(&*place.path("").to_string_lossy()), "a path of this machine");
    assert!(kept("comb-pluck").exists());
}
