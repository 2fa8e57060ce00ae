//! Every single operation on the disk fails once, in each way, and the machine stops before each:
//! what was promised is there, and the next run ends in the bytes of an unbroken one. So for a run, and
//! for one over an older one; for a clip's work in parts and for pictures and pages, which do the same
//! operations in longer runs, in two or three of the ten ways each, and in all of them in the test
//! that is ignored (`cargo test --test main disk -- --ignored`, minutes).

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::Duration;

use hushframe::engine::{Phase, Progress, Silent, Work};
use hushframe::footage::{CAN_ENCODE, Disk, OnceSynced, RealDisk, hash_file};
use hushframe::night::clip::{self, Summary};
use hushframe::night::job::ClipJob;
use hushframe::night::journal::Journal;
use hushframe::night::out::{Out, Patience};
use hushframe::night::shard::{self, Share};
use hushframe::night::{NightError, place, shoot};
use hushframe::report;

use crate::harness::{Place, kept, names, read_json, read_tiff, results, tree, write_gray};
use crate::simulated_disk::{Fault, SimulatedDisk, Survives};

/// Frames of the small clip, and of each reference.
const FRAMES: usize = 5;
const REFERENCES: usize = 3;
/// Part of the kept frames that is used, in px.
const SIDE: u32 = 40;

/// All that goes through the disk, with no more arithmetic than that needs.
const LEAN: &str = r#"name = "lean"
[[stage]]
use = "dark"
[[stage]]
use = "flat"
[[stage]]
use = "average"
preset = "plain"
frames = 3
[[stage]]
use = "steady"
"#;

/// A clip and its references so small that a run takes milliseconds.
fn small_shoot(place: &Place) {
    for (folder, n) in [("comb-pluck", FRAMES), ("black", REFERENCES), ("even", REFERENCES)] {
        corners(place, folder, folder, n);
    }
    place.write("lean.toml", LEAN);
}

/// Corners of the first `n` kept frames of a folder, and the facts that go with them.
pub(crate) fn corners(place: &Place, from: &str, to: &str, n: usize) {
    fs::create_dir_all(place.path(to)).unwrap();
    for name in names(&kept(from)).into_iter().filter(|n| n.ends_with(".tif")).take(n) {
        let ((width, _), _, data) = read_tiff(&kept(from).join(&name));
        let (side, width) = (SIDE as usize, width as usize);
        let rows = data.chunks(width).skip(40).take(side);
        let corner: Vec<u16> = rows.flat_map(|r| r[60..60 + side].to_vec()).collect();
        write_gray(&place.path(to).join(name), (SIDE, SIDE), &corner);
    }
    let facts = kept(from).join("clip.toml");
    if facts.exists() {
        fs::copy(facts, place.path(to).join("clip.toml")).unwrap();
    }
}

fn job(place: &Place, pipeline: &str) -> ClipJob {
    ClipJob {
        name: "comb-pluck".to_owned(),
        input: place.path("comb-pluck"),
        facts: Vec::new(),
        pipeline: shoot::find_pipeline(pipeline, &place.path("")).unwrap(),
        dark: Some(place.path("black")),
        flat: Some(place.path("even")),
        listed: None,
        range: None,
    }
}

/// How a clip is worked on.
#[derive(Debug, Clone, Copy)]
enum Way {
    /// By one run.
    Run,
    /// In so many parts.
    Parts(usize),
    /// By one run, with pictures, preview and pages.
    Pages,
}

/// What one go at a clip came to.
#[derive(Debug)]
struct Ended {
    summary: Summary,
    /// Whether pictures and pages were made too: where they are not, the program says so, and the
    /// clip is finished all the same.
    pages: bool,
}

impl Way {
    /// Works on a clip on a disk, its errors of sync final as in the program; waits so long for room.
    fn go(
        self,
        job: &ClipJob,
        (folder, disk): (&Path, &dyn Disk),
        limit: Duration,
    ) -> Result<Ended, NightError> {
        let patience = Patience::looking(limit, Duration::from_millis(1));
        let stop = AtomicBool::new(false);
        let work = Work::new(1, &stop, &Silent);
        let disk = OnceSynced::new(disk);
        let out = Out { folder, disk: &disk, patience: &patience };
        place::sweep_out(&disk, folder)?;
        let summary = match self {
            Self::Run | Self::Pages => clip::run(job, &out, &work)?,
            Self::Parts(n) => {
                let shares = || (1..=n).map(|k| Share::new(k, n).unwrap());
                shares().try_for_each(|s| shard::analyse(job, &out, s, &work).map(drop))?;
                shard::merge(job, &out, n, &work)?;
                shares().try_for_each(|s| shard::render(job, &out, s, &work).map(drop))?;
                shard::finish(job, &out, n, &work)?
            }
        };
        if !matches!(self, Self::Pages) {
            return Ok(Ended { summary, pages: true });
        }
        let given = (job.input.as_path(), &job.facts[..]);
        let said = report::pictures((&disk, &summary.folder), given, true, &work)?;
        let pages = report::pages(folder, &disk).is_ok();
        Ok(Ended { summary, pages: pages && said.is_empty() })
    }
}

/// One run on a disk.
fn run(job: &ClipJob, folder: &Path, disk: &dyn Disk) -> Result<Ended, NightError> {
    Way::Run.go(job, (folder, disk), Duration::ZERO)
}

/// What an output folder must hold in the end.
struct Golden {
    files: BTreeMap<PathBuf, Vec<u8>>,
    /// Pictures of the run before, which may still stand there on the way.
    before: BTreeMap<PathBuf, Vec<u8>>,
}

/// Everything that is promised by what lies in the folder is kept.
#[track_caller]
fn assert_promises(folder: &Path, golden: &Golden, point: &str) {
    let clip = folder.join("comb-pluck");
    let frames = clip.join("frames");
    let parts = names(&clip.join("shards")).into_iter().filter(|n| n.ends_with(".jsonl"));
    let journals = parts.map(|n| clip.join("shards").join(n)).chain([clip.join("journal.jsonl")]);
    for journal in journals {
        let Some(key) = Journal::key_of(&journal).unwrap() else { continue };
        for (n, entry) in Journal::read(&RealDisk, &journal, &key).unwrap() {
            let file = hash_file(&frames.join(place::file_name(n)));
            let whole = file.is_ok_and(|w| w.hash == entry.blake3);
            assert!(whole, "{point}: frame {n} is in the journal but not whole");
        }
    }
    if let (Some(key), true) =
        (Journal::key_of(&clip.join("journal.jsonl")).unwrap(), clip.join("record.json").exists())
    {
        let record = read_json(&clip.join("record.json"));
        assert_eq!(record["key"], key.as_str(), "{point}: the record speaks of another job");
    }
    if clip.join("complete.json").exists() {
        let seal = read_json(&clip.join("complete.json"));
        for frame in seal["frames"].as_array().unwrap() {
            let file = hash_file(&clip.join(frame["file"].as_str().unwrap())).map(|w| w.hash);
            assert_eq!(file.ok().as_deref(), frame["blake3"].as_str(), "{point}: the seal lies");
        }
        for (name, key) in [("frames.csv", "frames_csv"), ("record.json", "record_json")] {
            let hash = hash_file(&clip.join(name)).map(|w| w.hash);
            assert_eq!(hash.ok().as_deref(), seal[key].as_str(), "{point}: the seal lies: {name}");
        }
    }
    for name in names(&frames).iter().filter(|n| !n.starts_with('.')) {
        let bytes = fs::read(frames.join(name)).unwrap();
        let inside = PathBuf::from("comb-pluck/frames").join(name);
        let known = [&golden.files, &golden.before].iter().any(|g| g.get(&inside) == Some(&bytes));
        assert!(known, "{point}: {name} is not whole");
    }
}

/// Results without the file that only a lock is held on, and without the journals of parts.
fn made(folder: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut all = results(folder);
    all.retain(|p, _| !p.ends_with("in-use") && p.extension().is_none_or(|e| e != "jsonl"));
    all
}

/// Removes temporary files.
fn sweep_by_hand(folder: &Path) {
    for name in tree(folder).into_keys() {
        if name.file_name().unwrap().to_string_lossy().starts_with(".tmp-") {
            fs::remove_file(folder.join(name)).unwrap();
        }
    }
}

#[track_caller]
fn assert_golden(folder: &Path, golden: &Golden, point: &str) {
    let all = made(folder);
    let missing: Vec<_> = golden.files.keys().filter(|k| !all.contains_key(*k)).collect();
    let left: Vec<_> = all.keys().filter(|k| !golden.files.contains_key(*k)).collect();
    assert!(missing.is_empty() && left.is_empty(), "{point}: {missing:?} missing, {left:?} left");
    for (name, bytes) in &golden.files {
        assert!(all[name] == *bytes, "{point}: {} differs", name.display());
    }
}

/// How the disk fails and what comes after.
#[derive(Debug, Clone, Copy)]
struct Trial {
    fault: Fault,
    cut: Option<Survives>,
    /// Whether the run waits for room.
    waits: bool,
}

fn trials() -> Vec<Trial> {
    let error = |fault, cut| Trial { fault, cut, waits: false };
    vec![
        error(Fault::Full, None),
        Trial { fault: Fault::Full, cut: None, waits: true },
        Trial { fault: Fault::Short, cut: None, waits: true },
        error(Fault::Io, None),
        error(Fault::Io, Some(Survives::Nothing)),
        error(Fault::Short, None),
        error(Fault::Crash, Some(Survives::Nothing)),
        error(Fault::Crash, Some(Survives::Everything)),
        error(Fault::Crash, Some(Survives::Some(1))),
        error(Fault::Crash, Some(Survives::Some(2))),
    ]
}

/// A shoot, what a run ends in, and where runs begin.
struct Sweep<'a> {
    place: &'a Place,
    way: Way,
    job: ClipJob,
    golden: Golden,
    /// A folder that each run begins with, where it does not begin with none.
    start: Option<PathBuf>,
}

impl Sweep<'_> {
    /// Lets operation `k` fail; false where the run has no operation `k`.
    fn point(&self, folder: &Path, k: u64, trial: Trial) -> bool {
        if folder.exists() {
            fs::remove_dir_all(folder).unwrap();
        }
        if let Some(start) = &self.start {
            for (name, bytes) in tree(start) {
                let to = folder.join(name);
                fs::create_dir_all(to.parent().unwrap()).unwrap();
                fs::write(to, bytes).unwrap();
            }
        }
        let seeded = match trial.cut {
            Some(Survives::Some(seed)) => Some(Survives::Some(seed * 1_000_003 + k)),
            other => other,
        };
        let disk = SimulatedDisk::over(folder, Some((k, trial.fault)));
        let limit = Duration::from_millis(if trial.waits { 50 } else { 0 });
        let ended = self.way.go(&self.job, (folder, &disk), limit);
        let whole = ended.as_ref().is_ok_and(|e| e.pages);
        let Some(hit) = disk.hit() else {
            assert!(whole, "{ended:?}");
            // Nothing failed: what the run made stays when the power is cut after it.
            disk.cut(Survives::Nothing);
            assert_golden(folder, &self.golden, "unbroken");
            return false;
        };
        let point = format!("{hit}, {:?}", trial.cut);
        assert_eq!(disk.retried(), Vec::<PathBuf>::new(), "{point}: a sync was tried again");
        assert!(trial.fault != Fault::Crash || !whole, "{point}: said to be well");
        if let Some(survives) = seeded {
            disk.cut(survives);
        }
        if whole && hit.contains("remove") {
            // A temporary file that cannot be removed: the next run sweeps it away.
            sweep_by_hand(folder);
        }
        if whole {
            assert_golden(folder, &self.golden, &point);
        }
        assert_promises(folder, &self.golden, &point);
        let sound = SimulatedDisk::over(folder, None);
        let again = self.way.go(&self.job, (folder, &sound), Duration::ZERO);
        assert!(again.as_ref().is_ok_and(|e| e.pages), "{point}: does not go on: {again:?}");
        sound.cut(Survives::Nothing);
        assert_golden(folder, &self.golden, &point);
        true
    }

    /// All points, each in one of `spread` of the ways; how many there were.
    fn points(&self, spread: usize) -> u64 {
        let points = AtomicU64::new(0);
        let trials: Vec<(usize, Trial)> = trials().into_iter().enumerate().collect();
        let trials = std::sync::Mutex::new(trials);
        let originals = ["comb-pluck", "black", "even"].map(|f| tree(&self.place.path(f)));
        std::thread::scope(|scope| {
            for thread in 0..std::thread::available_parallelism().map_or(1, usize::from) {
                let (points, trials) = (&points, &trials);
                let folder = self.place.path(&format!("out-{thread}"));
                scope.spawn(move || {
                    loop {
                        let Some((way, trial)) = trials.lock().unwrap().pop() else { return };
                        let turn = (1 + (way % spread) as u64..).step_by(spread);
                        let n = turn.take_while(|k| self.point(&folder, *k, trial)).count();
                        points.fetch_add(n as u64, Ordering::Relaxed);
                    }
                });
            }
        });
        let now = ["comb-pluck", "black", "even"].map(|f| tree(&self.place.path(f)));
        assert!(now == originals, "an original was touched");
        points.into_inner()
    }
}

#[test]
fn every_operation_of_a_first_run_may_fail() {
    let place = Place::in_memory();
    small_shoot(&place);
    let job = job(&place, "lean.toml");
    let whole = place.path("whole");
    let ended = run(&job, &whole, &RealDisk).unwrap();
    assert_eq!(ended.summary.made, FRAMES as u64);
    let golden = Golden { files: made(&whole), before: BTreeMap::new() };
    let points = Sweep { place: &place, way: Way::Run, job, golden, start: None }.points(1);
    println!("a first run: {points} points of failure, each resumed to the golden output");
    assert!(points > 8 * 10 * FRAMES as u64, "only {points} points");
}

#[test]
fn every_operation_of_a_run_over_an_older_one_may_fail() {
    let place = Place::in_memory();
    small_shoot(&place);
    // Before: another pipeline over all frames. Now: one frame cannot be read any more.
    place.write("plain.toml", "name = \"plain\"\n[[stage]]\nuse = \"dark\"\n");
    let old = place.path("old");
    run(&job(&place, "plain.toml"), &old, &RealDisk).unwrap();
    let before = made(&old);
    fs::write(place.path("comb-pluck/000003.tif"), "no picture").unwrap();
    let job = job(&place, "lean.toml");
    let whole = place.path("whole");
    run(&job, &whole, &RealDisk).unwrap();
    let mut files = made(&whole);
    // Masters are kept by content: those of the older run are the same files.
    for (name, bytes) in &before {
        if name.starts_with(".references") {
            files.insert(name.clone(), bytes.clone());
        }
    }
    let golden = Golden { files, before };
    let points = Sweep { place: &place, way: Way::Run, job, golden, start: Some(old) }.points(1);
    println!("over an older run: {points} points of failure, each resumed to the golden output");
    assert!(points > 8 * 10 * (FRAMES as u64 - 1), "only {points} points");
}

/// Every operation of pictures and pages fails, each in one of `spread` of the ways.
fn sweep_pages(spread: usize) {
    let place = Place::in_memory();
    small_shoot(&place);
    let job = job(&place, "lean.toml");
    let (finished, whole) = (place.path("finished"), place.path("whole"));
    run(&job, &finished, &RealDisk).unwrap();
    let way = Way::Pages;
    assert!(way.go(&job, (&whole, &RealDisk), Duration::ZERO).unwrap().pages);
    let golden = Golden { files: made(&whole), before: BTreeMap::new() };
    let more = golden.files.len() - made(&finished).len();
    // Three pictures and their note; movie and note; two pages.
    assert_eq!(more, if CAN_ENCODE { 8 } else { 6 });
    let points = Sweep { place: &place, way, job, golden, start: Some(finished) }.points(spread);
    println!("pictures and pages: {points} points of failure, each made good by the next run");
    assert!(points > (6 * 5 * more / spread) as u64, "only {points} points");
}

/// The same of a clip's work in parts.
fn sweep_parts(spread: usize) {
    let place = Place::in_memory();
    small_shoot(&place);
    let job = job(&place, "lean.toml");
    let (one, whole) = (place.path("one"), place.path("whole"));
    run(&job, &one, &RealDisk).unwrap();
    // Blocks are longer than this clip: one of the two parts is empty.
    let way = Way::Parts(2);
    way.go(&job, (&whole, &RealDisk), Duration::ZERO).unwrap();
    let golden = Golden { files: made(&whole), before: BTreeMap::new() };
    // But for the parts' own files it is what one run makes.
    let mut without = golden.files.clone();
    without.retain(|p, _| !p.starts_with("comb-pluck/shards"));
    assert!(without == made(&one));
    let points = Sweep { place: &place, way, job, golden, start: None }.points(spread);
    println!("in parts: {points} points of failure, each resumed to the golden output");
    assert!(points > (16 * 10 * FRAMES / spread) as u64, "only {points} points");
}

#[test]
fn operations_of_pictures_and_pages_may_fail() {
    sweep_pages(3);
}

#[test]
fn operations_of_a_clips_work_in_parts_may_fail() {
    sweep_parts(4);
}

#[test]
#[ignore = "takes minutes: every operation of work in parts and of pages in every way"]
fn every_operation_may_fail_in_every_way() {
    sweep_pages(1);
    sweep_parts(1);
}

/// Keeps what is said, and asks to stop at the first word.
#[derive(Default)]
struct Said {
    words: std::sync::Mutex<Vec<String>>,
    stop: AtomicBool,
    stops: bool,
}

impl Progress for Said {
    fn step(&self, _phase: Phase, _done: u64, _total: u64) {}

    fn note(&self, text: &str) {
        self.words.lock().unwrap().push(text.to_owned());
        self.stop.store(self.stops, Ordering::SeqCst);
    }
}

/// One run on a disk that is nearly full for `low` looks; waits as long.
fn run_low(place: &Place, low: u64, limit_ms: u64, said: &Said) -> Result<Summary, NightError> {
    let folder = place.path("out");
    let disk = SimulatedDisk::over(&folder, None).low_for(low);
    let millis = Duration::from_millis;
    let patience = Patience::looking(millis(limit_ms), millis(5));
    let out = Out { folder: &folder, disk: &disk, patience: &patience };
    let work = Work::new(1, &said.stop, said);
    clip::run(&job(place, "clean"), &out, &work)
}

#[test]
fn a_full_disk_is_waited_for_with_a_word_and_a_limit() {
    let place = Place::new();
    small_shoot(&place);
    // It stays full: a clear end, and nothing but what a later run can use.
    let said = Said::default();
    let e = run_low(&place, u64::MAX, 20, &said).unwrap_err().to_string();
    for words in ["the disk is full", "3 MiB free", "9 MiB needed", "the same command goes on"] {
        assert!(e.contains(words), "{e}");
    }
    assert_eq!(said.words.lock().unwrap().len(), 1);
    assert!(!place.path("out/comb-pluck/complete.json").exists());
    // Asked to stop while it waits.
    let said = Said { stops: true, ..Said::default() };
    assert!(run_low(&place, u64::MAX, 60_000, &said).unwrap_err().stopped());
    // Room comes.
    let said = Said::default();
    let made = run_low(&place, 6, 60_000, &said).unwrap();
    assert_eq!(made.made, FRAMES as u64);
    let words = said.words.lock().unwrap();
    assert!(words[0].contains("waiting") && words[1].contains("room again"), "{words:?}");
}
