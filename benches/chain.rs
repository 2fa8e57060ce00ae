//! The whole chain on frames of 1920 x 1080, beside a plain loop that reads, decodes, encodes and
//! writes the same files: frames a second, ratio, peak memory.
//!
//! `cargo bench --bench chain` (300 frames) or `cargo bench --bench chain -- 3000 quality clean`:
//! number of frames, preset of `average`, pipeline (clean or clean-and-label). Linux reports the
//! peak memory; the frames lie in a temporary folder (4 MB each, twice).
#![allow(
    clippy::expect_used,
    clippy::print_stdout,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::cast_lossless,
    reason = "a bench prints, and a fault may end it"
)]

use std::fs;
use std::path::{Path, PathBuf};
use std::sync::atomic::AtomicBool;
use std::time::{Duration, Instant};

use hushframe::engine::{Silent, Work};
use hushframe::footage::{self, Facts, OutFrame, RealDisk, TiffTags};
use hushframe::frame::Plane;
use hushframe::math::resample::shifted;
use hushframe::night::clip;
use hushframe::night::job::ClipJob;
use hushframe::night::out::{Out, Patience};
use hushframe::night::shoot::find_pipeline;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha12Rng;
use rand_distr::{Distribution, Normal};

const WIDTH: usize = 1920;
const HEIGHT: usize = 1080;
const BLACK: f32 = 400.0;

/// Noise of many frames from one table read at different places.
struct Camera {
    scene: Plane,
    noise: Vec<f32>,
    rng: ChaCha12Rng,
    place: [f64; 2],
}

impl Camera {
    fn new() -> Self {
        let path = format!("{}/test-frames/textures/gravel.png", env!("CARGO_MANIFEST_DIR"));
        let tile = image::open(path).expect("bundled texture").to_luma8();
        let scene = Plane::from_fn(WIDTH + 64, HEIGHT + 64, |x, y| {
            let v = tile.get_pixel(x as u32 % 512, y as u32 % 512).0[0];
            f32::from(v) * 8.0
        });
        let mut rng = ChaCha12Rng::seed_from_u64(7);
        let normal = Normal::new(0.0_f32, 1.0).expect("normal");
        let noise = (0..WIDTH * HEIGHT * 2 + 99_991).map(|_| normal.sample(&mut rng)).collect();
        Self { scene, noise, rng, place: [0.0, 0.0] }
    }

    /// A frame: 12-bit range, the rig trembling, a square that moves.
    fn frame(&mut self, k: usize) -> OutFrame {
        for v in &mut self.place {
            *v = (*v + self.rng.random_range(-0.4..0.4)).clamp(-8.0, 8.0);
        }
        let moved = shifted(&self.scene, 32.0 - self.place[0], 32.0 - self.place[1]);
        let from = self.rng.random_range(0..self.noise.len() - WIDTH * HEIGHT);
        let (sx, sy) = (300 + (k * 3) % 900, 300);
        let mut data = Vec::with_capacity(WIDTH * HEIGHT);
        for y in 0..HEIGHT {
            for x in 0..WIDTH {
                let inside = x >= sx && x < sx + 400 && y >= sy && y < sy + 400;
                let light = if inside {
                    self.scene.at((x - sx) + 600, (y - sy) + 500)
                } else {
                    moved.at(x, y)
                };
                let sigma = (light.max(0.0) * 0.5 + 150.0).sqrt();
                let v = light + sigma * self.noise[from + y * WIDTH + x] + BLACK;
                data.push((v + 0.5) as u16);
            }
        }
        OutFrame { width: WIDTH, height: HEIGHT, channels: 1, data }
    }
}

/// Peak resident memory so far in MB, and a way to begin counting anew.
fn peak_mb() -> f64 {
    let text = fs::read_to_string("/proc/self/status").unwrap_or_default();
    text.lines()
        .find_map(|l| l.strip_prefix("VmHWM:"))
        .and_then(|l| l.trim().trim_end_matches("kB").trim().parse::<f64>().ok())
        .map_or(f64::NAN, |kb| kb / 1024.0)
}

fn reset_peak() {
    let _ = fs::write("/proc/self/clear_refs", "5");
}

/// Reads, decodes, encodes and writes every frame, on all threads, durable as the run is.
fn floor_loop(input: &Path, out: &Path, threads: usize) -> f64 {
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

fn main() {
    let args: Vec<String> = std::env::args().skip(1).filter(|a| a != "--bench").collect();
    let frames: usize = args.first().and_then(|a| a.parse().ok()).unwrap_or(300);
    let preset = args.get(1).map_or("quality", String::as_str);
    let name = args.get(2).map_or("clean", String::as_str);
    let dir = tempfile::tempdir().expect("temporary folder");
    let input: PathBuf = dir.path().join("clip");
    fs::create_dir_all(&input).expect("folder");
    let mut camera = Camera::new();
    for k in 0..frames {
        let bytes = footage::encode_tiff(&camera.frame(k), &TiffTags::default()).expect("encode");
        fs::write(input.join(format!("{k:06}.tif")), bytes).expect("write");
    }
    drop(camera);
    fs::write(
        input.join("clip.toml"),
        "rate = 2000\nplayback = 25\nscale = \"1um\"\nblack = 400\nwhite = 4095\n",
    )
    .expect("facts");
    let threads = std::thread::available_parallelism().map_or(1, usize::from);
    let floor = floor_loop(&input, &dir.path().join("floor"), threads);
    let _ = fs::remove_dir_all(dir.path().join("floor"));
    let mut pipeline = find_pipeline(name, Path::new(".")).expect("pipeline");
    for step in &mut pipeline.steps {
        if let hushframe::pipeline::Step::Average(a) = step {
            a.preset = match preset {
                "fast" => hushframe::stages::average::Preset::Fast,
                "plain" => hushframe::stages::average::Preset::Plain,
                _ => hushframe::stages::average::Preset::Quality,
            };
        }
    }
    if preset == "none" {
        pipeline.steps.retain(|s| !matches!(s, hushframe::pipeline::Step::Average(_)));
    }
    let job = ClipJob {
        name: "clip".to_owned(),
        input,
        facts: vec![Facts::default()],
        pipeline,
        dark: None,
        flat: None,
        listed: None,
        range: None,
    };
    reset_peak();
    let stop = AtomicBool::new(false);
    let work = Work::new(threads, &stop, &Silent);
    let start = Instant::now();
    let out = Out {
        folder: &dir.path().join("out"),
        disk: &RealDisk,
        patience: &Patience::new(Duration::ZERO),
    };
    let summary = clip::run(&job, &out, &work).expect("run");
    let seconds = start.elapsed().as_secs_f64();
    println!(
        "{frames} frames 1920x1080 16 bit, {threads} threads, pipeline {name}, average {preset}:"
    );
    println!("  plain loop   {:8.1} frames/s", frames as f64 / floor);
    println!(
        "  whole chain  {:8.1} frames/s   {:.1} x the loop's time   peak memory {:.0} MB   {} made",
        frames as f64 / seconds,
        seconds / floor,
        peak_mb(),
        summary.made
    );
}
