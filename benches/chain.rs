//! The whole chain on frames of 1920 x 1080, beside a plain loop that reads, decodes, encodes and
//! writes the same files: milliseconds a frame, ratios, milliseconds that its threads were at work for a
//! frame (which other work on the machine changes less), peak memory.
//!
//! `cargo bench --bench chain` (500 frames, the shortest clip that a night is planned for) or
//! `cargo bench --bench chain -- 3000 480x270 WORD ...`: number of frames, their size, then which
//! rows (all that hold a word; `loop` is always measured first). Each row is a process of its own, so
//! that threads and peak memory (as Linux reports it) are its own; the frames lie in a temporary
//! folder (4 MB each, three times). Said first is what the machine itself gives: how many times as
//! fast a sum that touches no memory runs on all threads, before and after the rows.
//!
//! `-- 40 keep DIR` leaves frames, truth and the results of `quality` in DIR for
//! `benches/peers/chain.py`, which does the same job with general-purpose libraries.
#![allow(
    clippy::expect_used,
    clippy::print_stdout,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::cast_lossless,
    reason = "a bench prints, and a fault may end it"
)]

mod camera;

use std::fs;
use std::path::Path;
use std::sync::atomic::AtomicBool;
use std::time::{Duration, Instant};

use hushframe::engine::{Silent, Work};
use hushframe::footage::{self, OutFrame, RealDisk, TiffTags};
use hushframe::night::clip;
use hushframe::night::out::{Out, Patience};
use hushframe::night::shoot::find_pipeline;
use hushframe::pipeline::{Pipeline, Step};
use hushframe::stages::average::Preset;

use camera::{Camera, job};

/// Frames, and their size, where nothing is said.
const FRAMES: usize = 500;
const SIZE: (usize, usize) = (1920, 1080);

/// Peak resident memory so far in MB.
fn peak_mb() -> f64 {
    let text = fs::read_to_string("/proc/self/status").unwrap_or_default();
    text.lines()
        .find_map(|l| l.strip_prefix("VmHWM:"))
        .and_then(|l| l.trim().trim_end_matches("kB").trim().parse::<f64>().ok())
        .map_or(f64::NAN, |kb| kb / 1024.0)
}

/// Reads, decodes, encodes and writes every frame, on all threads, durable as the run is: seconds.
fn plain_loop(input: &Path, out: &Path, threads: usize) -> f64 {
    let found = footage::find(input).expect("frames");
    fs::create_dir_all(out).expect("folder");
    let start = Instant::now();
    hushframe::engine::ordered::ordered(
        found.frames.len(),
        (threads, 2 * threads),
        |i| {
            let decoded = footage::decode(&found.frames[i]).expect("decode");
            let s = decoded.samples;
            let frame = OutFrame { width: s.width, height: s.height, channels: 1, data: s.data };
            let bytes = footage::encode_tiff(&frame, &TiffTags::default()).expect("encode");
            footage::write_bytes(&out.join(format!("{i:06}.tif")), &bytes).expect("write");
        },
        |_, ()| Ok::<(), ()>(()),
    )
    .expect("loop");
    start.elapsed().as_secs_f64()
}

/// What is done to the frames in a row of the table; the first one is the plain loop.
const ROWS: [&str; 7] = [
    "loop",
    "calibrate",
    "calibrate + steady",
    "calibrate + steady + labels",
    "fast",
    "quality",
    "quality + labels",
];

/// The pipeline of a row: a standard one, less what the row does not say.
fn pipeline(row: &str) -> Pipeline {
    let name = if row.contains("labels") { "clean-and-label" } else { "clean" };
    let mut pipeline = find_pipeline(name, Path::new(".")).expect("pipeline");
    let averages = row.starts_with("fast") || row.starts_with("quality");
    pipeline.steps.retain(|step| match step {
        Step::Average(_) => averages,
        Step::Steady(_) | Step::Flicker(_) | Step::Banding(_) => row != "calibrate",
        _ => true,
    });
    for step in &mut pipeline.steps {
        if let Step::Average(a) = step {
            a.preset = if row.starts_with("fast") { Preset::Fast } else { Preset::Quality };
        }
    }
    pipeline
}

/// Seconds that this process's threads were at work, where the system tells: as a busy machine changes
/// them less than the time on the wall.
fn busy() -> f64 {
    let text = fs::read_to_string("/proc/self/stat").unwrap_or_default();
    // After the name in brackets; Linux counts hundredths.
    let fields = text.rsplit(')').next().unwrap_or_default().split_whitespace();
    fields.skip(11).take(2).filter_map(|v| v.parse::<f64>().ok()).sum::<f64>() / 100.0
}

/// Seconds, seconds at work and peak memory in MB of one row.
fn measure(row: &str, dir: &Path, threads: usize) -> [f64; 3] {
    let (input, out) = (dir.join("clip"), dir.join(row.replace(' ', "")));
    let seconds = if row == "loop" {
        plain_loop(&input, &out, threads)
    } else {
        let job = job(input, pipeline(row));
        let stop = AtomicBool::new(false);
        let work = Work::new(threads, &stop, &Silent);
        let patience = Patience::new(Duration::ZERO);
        let start = Instant::now();
        let out = Out { folder: &out, disk: &RealDisk, patience: &patience };
        clip::run(&job, &out, &work).expect("run");
        start.elapsed().as_secs_f64()
    };
    [seconds, busy(), peak_mb()]
}

/// The same in a process of its own: rayon's threads are set by its environment.
fn measured(row: &str, dir: &Path, threads: usize) -> [f64; 3] {
    let program = std::env::current_exe().expect("this program");
    let output = std::process::Command::new(program)
        .args(["row", row, &threads.to_string()])
        .arg(dir)
        .env("RAYON_NUM_THREADS", threads.to_string())
        .output()
        .expect("a row");
    let text = String::from_utf8_lossy(&output.stdout);
    let numbers: Vec<f64> = text.split_whitespace().filter_map(|v| v.parse().ok()).collect();
    assert!(numbers.len() == 3, "{row}: {}", String::from_utf8_lossy(&output.stderr));
    [numbers[0], numbers[1], numbers[2]]
}

/// Writes the clip, and beside it what the peers' script needs to judge results.
fn film(dir: &Path, frames: usize, (width, height): (usize, usize)) {
    let mut camera = Camera::new(width, height);
    let places = camera.film(&dir.join("clip"), frames);
    let text: String = places.iter().map(|[x, y]| format!("{x} {y}\n")).collect();
    fs::write(dir.join("places.txt"), text).expect("truth");
    let scene: Vec<u8> = camera.scene.data().iter().flat_map(|v| v.to_le_bytes()).collect();
    fs::write(dir.join("scene.f32"), scene).expect("truth");
}

/// How many times as fast all threads together are as one at a sum that touches no memory: the
/// machine's own limit, which it may share with others.
fn machine() -> f64 {
    let sum = || {
        let start = Instant::now();
        let mut lanes = [0x2545_f491_4f6c_dd1d_u64; 8];
        for _ in 0..60_000_000_u64 {
            for v in &mut lanes {
                *v ^= *v << 13;
                *v ^= *v >> 7;
            }
        }
        std::hint::black_box(lanes);
        start.elapsed().as_secs_f64()
    };
    let alone = sum();
    let together: Vec<f64> = std::thread::scope(|scope| {
        let all: Vec<_> = (0..available()).map(|_| scope.spawn(sum)).collect();
        all.into_iter().map(|t| t.join().expect("a thread")).collect()
    });
    available() as f64 * alone / together.iter().copied().fold(0.0, f64::max)
}

fn main() {
    let args: Vec<String> = std::env::args().skip(1).filter(|a| a != "--bench").collect();
    if let [first, row, threads, dir] = args.as_slice()
        && first == "row"
    {
        let [seconds, busy, peak] = measure(row, Path::new(dir), threads.parse().expect("threads"));
        println!("{seconds} {busy} {peak}");
        return;
    }
    let frames: usize = args.first().and_then(|a| a.parse().ok()).unwrap_or(FRAMES);
    let size = args.iter().find_map(|a| size_of(a)).unwrap_or(SIZE);
    let words: Vec<String> =
        args.iter().skip(1).filter(|a| size_of(a).is_none()).cloned().collect();
    let words = words.as_slice();
    if let [keep, dir] = words
        && keep == "keep"
    {
        let dir = Path::new(dir);
        film(dir, frames, size);
        for row in ["loop", "fast", "quality"] {
            let [seconds, ..] = measured(row, dir, available());
            println!("{row}: {:.1} ms a frame", seconds / frames as f64 * 1e3);
        }
        return;
    }
    let dir = tempfile::tempdir().expect("temporary folder");
    film(dir.path(), frames, size);
    let (w, h) = size;
    println!("{frames} frames of {w} x {h}, 16 bit; {} threads at the most", available());
    println!("a sum that touches no memory: {:.2} times as fast on all of them", machine());
    println!(
        "{:30} {:>7} {:>10} {:>8} {:>10} {:>10} {:>10}",
        "", "threads", "ms a frame", "x loop", "x 1 thread", "ms at work", "peak MB"
    );
    let wanted = |row: &str| words.is_empty() || words.iter().any(|w| row.contains(w.as_str()));
    let mut floors = Vec::new();
    for row in ROWS.into_iter().filter(|r| *r == "loop" || wanted(r)) {
        let mut alone = None;
        for threads in [1, available()] {
            let [seconds, busy, peak] = measured(row, dir.path(), threads);
            let _ = fs::remove_dir_all(dir.path().join(row.replace(' ', "")));
            if row == "loop" {
                floors.push((threads, seconds));
            }
            let floor = floors.iter().find(|f| f.0 == threads).map_or(f64::NAN, |f| f.1);
            let alone = *alone.get_or_insert(seconds);
            println!(
                "{row:30} {threads:7} {:10.2} {:8.1} {:10.2} {:10.2} {peak:10.0}",
                seconds / frames as f64 * 1e3,
                seconds / floor,
                alone / seconds,
                busy / frames as f64 * 1e3,
            );
            if available() == 1 {
                break;
            }
        }
    }
    println!("and now: {:.2} times", machine());
}

/// A size such as `480x270`.
fn size_of(word: &str) -> Option<(usize, usize)> {
    let (w, h) = word.split_once('x')?;
    Some((w.parse().ok()?, h.parse().ok()?))
}

fn available() -> usize {
    std::thread::available_parallelism().map_or(1, usize::from)
}
