//! What is left of the noise after averaging, against the truth: prints tables.
//!
//! `cargo bench --bench averaging` prints every row; words after `--` choose: `quick` (one
//! texture), `clean` (the noise-free row), `time` (milliseconds for a frame of 1920 x 1080 on one core),
//! `quality`, `fast` or `plain` (that preset), `export DIR` (the frames as raw files for
//! `benches/peers/averaging.py`), `look DIR` (pictures before, after and truth). "claim" is the rms
//! error in still parts over the noise that the stage says is left there.
//!
//! "false %" is the part of the moving part (4 px and more within its rim) that was averaged over more
//! than 16 frames, which only places taken as still are. Where the part is plain, that does no harm:
//! there is nothing that moves. "smear %" is what of it does: where the error, smoothed by 2 px, is
//! also above a fifth of one frame's noise, the limit for ghosts (noise alone, of as many frames, stays
//! below at five standard deviations).
//!
//! Most rows look through a lens that softens both textures; the rows named "no lens" are the
//! scene as it was first set, and harder: there no row reaches all targets. The noise-free row
//! compares with the input frame under a nearly noiseless model, not with the truth.
#![allow(
    clippy::expect_used,
    clippy::print_stdout,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::cast_lossless,
    clippy::type_complexity,
    clippy::too_many_arguments,
    reason = "a bench prints, and a fault may end it"
)]

mod scene;

use std::sync::Arc;
use std::time::Instant;

use hushframe::frame::{Coding, FixedPlane, NoiseModel, Plane};
use hushframe::math::blur::gaussian;
use hushframe::math::pyramid::Pyramid;
use hushframe::math::resample::WHITE;
use hushframe::math::shrink::{Own, STEP, ShrinkSettings, shrink};
use hushframe::register::PixelNoise;
use hushframe::stages::average::{Average, AverageSettings, Averaged, Locked, Preset};
use scene::disc::{Disc, DiscScene};

/// Frames that are looked at: over the whole clip but for its ends.
const AT: [usize; 9] = [6, 12, 18, 24, 30, 36, 42, 48, 54];

/// Frames that a time is the mean of.
const TIMED: usize = 20;

/// Sums of squared errors by region, and what else is counted.
#[derive(Default)]
struct Score {
    error: [f64; 4],
    count: [f64; 4],
    ghost: f64,
    ghost_count: f64,
    false_still: f64,
    smeared: f64,
    inside: f64,
    gradient: [f64; 2],
    /// Sum of the variances that the stage says are left in still parts.
    claimed: f64,
}

impl Score {
    fn psnr(&self, region: usize, peak: f64) -> f64 {
        10.0 * (peak * peak / (self.error[region] / self.count[region])).log10()
    }

    fn add(&mut self, scene: &DiscScene, k: usize, out: &Averaged) {
        let truth = scene.clean(k, [0.0, 0.0]);
        let n = scene.setup.size;
        let noise = PixelNoise::new(&scene.noise());
        let error = Plane::from_fn(n, n, |x, y| out.plane.at(x, y) - truth.at(x, y));
        let slow = gaussian(&error, 2.0);
        for y in 8..n - 8 {
            for x in 8..n - 8 {
                let d = scene.outside(k, x as f64, y as f64);
                let e = f64::from(error.at(x, y)).powi(2);
                let region = if d > 4.0 {
                    1
                } else if d < -4.0 {
                    2
                } else {
                    3
                };
                for r in [0, region] {
                    self.error[r] += e;
                    self.count[r] += 1.0;
                }
                let v = noise.variance(truth.at(x, y), 0).max(1e-9);
                let was =
                    (1..=8).any(|b| k >= b && scene.outside(k - b, x as f64, y as f64) < -1.0);
                if d > 2.0 && was {
                    self.ghost += f64::from(slow.at(x, y).abs() / v.sqrt());
                    self.ghost_count += 1.0;
                }
                if region == 2 {
                    self.inside += 1.0;
                    // More than the 9 frames that can be followed, and a margin.
                    if v / out.variance.at(x, y).max(1e-12) > 16.0 {
                        self.false_still += 1.0;
                        if slow.at(x, y).abs() > 0.2 * v.sqrt() {
                            self.smeared += 1.0;
                        }
                    }
                }
                if region == 1 {
                    self.claimed += f64::from(out.left.at(x / STEP, y / STEP));
                    for (dx, dy) in [(1, 0), (0, 1)] {
                        let g = |p: &Plane| f64::from(p.at(x + dx, y + dy) - p.at(x, y));
                        self.gradient[0] += g(&out.plane) * g(&truth);
                        self.gradient[1] += g(&truth) * g(&truth);
                    }
                }
            }
        }
    }
}

fn run(setup: &Disc, settings: &AverageSettings) -> Score {
    let scene = DiscScene::new(setup.clone());
    let noise = PixelNoise::new(&scene.noise());
    let stage = Arc::new(Average::new(settings, vec![noise]).expect("settings"));
    let mut averager = stage.start();
    let mut score = Score::default();
    for k in 0..setup.frames {
        averager.push(Some(scene.locked(k)));
        if k >= stage.reach() {
            result(&scene, &mut averager, k - stage.reach(), &mut score);
        }
    }
    for i in setup.frames.saturating_sub(stage.reach())..setup.frames {
        result(&scene, &mut averager, i, &mut score);
    }
    score
}

fn result(
    scene: &DiscScene,
    averager: &mut hushframe::stages::average::Averager,
    i: usize,
    score: &mut Score,
) {
    if AT.contains(&i) {
        let out = averager.result(i).expect("frame");
        score.add(scene, i, &out[0]);
    }
}

fn print_head() {
    println!(
        "{:34} {:>6} {:>6} {:>6} {:>6} {:>7} {:>8} {:>8} {:>6} {:>6}",
        "scene", "all", "still", "moving", "edge", "ghost", "false %", "smear %", "grad", "claim"
    );
}

fn print_row(name: &str, setup: &Disc, s: &Score) {
    let p = |r| s.psnr(r, setup.peak);
    println!(
        "{:34} {:6.2} {:6.2} {:6.2} {:6.2} {:7.3} {:8.2} {:8.2} {:6.3} {:6.2}",
        name,
        p(0),
        p(1),
        p(2),
        p(3),
        s.ghost / s.ghost_count.max(1.0),
        100.0 * s.false_still / s.inside.max(1.0),
        100.0 * s.smeared / s.inside.max(1.0),
        (s.gradient[0] / s.gradient[1]).powi(2),
        (s.error[1] / s.claimed.max(1e-12)).sqrt(),
    );
}

fn table(settings: &AverageSettings, quick: bool) {
    print_head();
    let pairs: &[(&'static str, &'static str)] = if quick {
        &[("brick", "gravel")]
    } else {
        &[("brick", "gravel"), ("camera", "gravel"), ("grass", "brick"), ("gravel", "camera")]
    };
    let base = Disc::default();
    for &(background, foreground) in pairs {
        for peak in [25.0, 150.0, 2000.0] {
            let setup = Disc { background, foreground, peak, ..base.clone() };
            print_row(
                &format!("{background} {foreground} {peak} e-"),
                &setup,
                &run(&setup, settings),
            );
        }
    }
    for peak in [25.0, 150.0, 2000.0] {
        let setup = Disc { peak, turn: 0.004, ..base.clone() };
        print_row(&format!("turning 4 mrad/frame, {peak} e-"), &setup, &run(&setup, settings));
        let setup = Disc { peak, velocity: [0.3, 0.1], ring: 6.0, ..base.clone() };
        print_row(&format!("ringing 6 px, {peak} e-"), &setup, &run(&setup, settings));
    }
    for peak in [25.0, 150.0, 2000.0] {
        let setup = Disc { peak, rig: 0.0, error: 0.0, ..base.clone() };
        print_row(&format!("tripod, {peak} e-"), &setup, &run(&setup, settings));
    }
    for (background, foreground) in pairs {
        for peak in [25.0, 150.0, 2000.0] {
            let setup = Disc { background, foreground, peak, lens: false, ..base.clone() };
            let name = format!("no lens: {background} {foreground} {peak} e-");
            print_row(&name, &setup, &run(&setup, settings));
        }
    }
    clean(settings);
}

/// The row of a clip without noise.
fn clean(settings: &AverageSettings) {
    let setup = Disc { read: 0.0, error: 0.0, peak: 1000.0, ..Disc::default() };
    println!("noise-free clip: worst change {:.3} % of full scale", clean_change(&setup, settings));
}

/// Largest change of a clip without noise, against its frames in locked coordinates, in % of peak.
fn clean_change(setup: &Disc, settings: &AverageSettings) -> f64 {
    let scene = DiscScene::new(setup.clone());
    let noise = PixelNoise::new(&scene.noise());
    let stage = Arc::new(Average::new(settings, vec![noise]).expect("settings"));
    let mut averager = stage.start();
    let frames: Vec<Locked> = (0..setup.frames).map(|k| scene.locked(k)).collect();
    for f in &frames {
        averager.push(Some(f.clone()));
    }
    let mut worst = 0.0_f32;
    for i in AT {
        let out = averager.result(i).expect("frame").swap_remove(0).plane;
        let given = frames[i].planes[0].to_plane();
        for (a, b) in out.data().iter().zip(given.data()) {
            worst = worst.max((a - b).abs());
        }
    }
    100.0 * f64::from(worst) / setup.peak
}

/// Milliseconds this thread was at work, where the system tells; else those since `begun`.
fn busy_ms(begun: Instant) -> f64 {
    let stat = std::fs::read_to_string("/proc/thread-self/schedstat").unwrap_or_default();
    let own = stat.split(' ').next().and_then(|n| n.parse::<f64>().ok());
    own.map_or_else(|| begun.elapsed().as_secs_f64() * 1e3, |ns| ns * 1e-6)
}

/// Milliseconds a frame of 1920 x 1080 takes on one core, 30 % of it moving: all of it, its smaller
/// pictures, its shrinking.
fn time(preset: Preset) -> [f64; 3] {
    use rand::SeedableRng;
    use rand_distr::Distribution;
    let (w, h) = (1920, 1080);
    let (still, moving) = (scene::texture("brick"), scene::texture("gravel"));
    let mut rng = rand_chacha::ChaCha12Rng::seed_from_u64(3);
    let unit = rand_distr::Normal::new(0.0_f32, 10.0).expect("normal");
    let noise: Vec<f32> = (0..w * h + 65_536).map(|_| unit.sample(&mut rng)).collect();
    let frame = |k: usize| {
        let offset = (k * 9_173) % 65_536;
        let plane = Plane::from_fn(w, h, |x, y| {
            let inside = x < 1051 && y < 592;
            let light = if inside {
                moving.at((x + 8192 - 2 * k) % 512, (y + 8192 - k) % 512)
            } else {
                still.at(x % 512, y % 512)
            };
            150.0 * light + noise[offset + y * w + x]
        });
        Locked {
            planes: vec![FixedPlane::from_plane(&plane, None, Coding::for_white(400.0))],
            brightened: 1.0,
            noise_gain: 1.0,
            noise_power: WHITE,
            sigma: 0.01,
        }
    };
    let settings = AverageSettings { preset, ..AverageSettings::default() };
    let model = NoiseModel { gain_e_per_dn: 1.0, read_noise_e: 8.0 };
    let stage = Arc::new(Average::new(&settings, vec![PixelNoise::new(&model)]).expect("settings"));
    let pool = rayon::ThreadPoolBuilder::new().num_threads(1).build().expect("pool");
    let begun = Instant::now();
    pool.install(|| {
        let mut averager = stage.start();
        let reach = stage.reach();
        for k in 0..=2 * reach {
            averager.push(Some(frame(k)));
        }
        let _ = averager.result(reach);
        let mut spent = [0.0; 3];
        let mut lap = |part: usize, start: f64| {
            let now = busy_ms(begun);
            spent[part] += now - start;
            now
        };
        let strength = if preset == Preset::Plain { 0.0 } else { 1.0 };
        let own = Own { noise: WHITE, slope: 1.0, floor: 64.0 };
        let wiener = preset == Preset::Quality;
        let shrinking = ShrinkSettings { strength, wiener, noise: WHITE, own };
        // The system counts in steps of some milliseconds: the mean of many frames.
        for k in 1..=TIMED {
            let next = frame(2 * reach + k);
            averager.push(Some(next.clone()));
            let start = busy_ms(begun);
            let out = averager.result(reach + k).expect("frame").swap_remove(0);
            let start = lap(0, start);
            drop(Pyramid::new(&next.planes[0]));
            let start = lap(1, start);
            drop(shrink(&out.plane, &out.variance, &shrinking));
            lap(2, start);
        }
        spent.map(|ms| ms / TIMED as f64)
    })
}

/// Writes frames in locked coordinates and the truth as little-endian f32, for the peers.
fn export(folder: &str, settings: &AverageSettings) {
    std::fs::create_dir_all(folder).expect("folder");
    let write = |name: &str, planes: &[Plane]| {
        let bytes: Vec<u8> =
            planes.iter().flat_map(|p| p.data().iter().flat_map(|v| v.to_le_bytes())).collect();
        std::fs::write(format!("{folder}/{name}"), bytes).expect("export");
    };
    for (background, foreground) in
        [("brick", "gravel"), ("camera", "gravel"), ("grass", "brick"), ("gravel", "camera")]
    {
        for peak in [25.0, 150.0, 2000.0] {
            let setup = Disc { background, foreground, peak, ..Disc::default() };
            let scene = DiscScene::new(setup.clone());
            let frames: Vec<Locked> = (0..setup.frames).map(|k| scene.locked(k)).collect();
            let planes: Vec<Plane> = frames.iter().map(|f| f.planes[0].to_plane()).collect();
            let truth: Vec<Plane> = AT.iter().map(|&k| scene.clean(k, [0.0, 0.0])).collect();
            let stage = Arc::new(
                Average::new(settings, vec![PixelNoise::new(&scene.noise())]).expect("settings"),
            );
            let mut averager = stage.start();
            for f in frames {
                averager.push(Some(f));
            }
            let own: Vec<Plane> = AT
                .iter()
                .filter_map(|&i| averager.result(i))
                .map(|mut o| o.swap_remove(0).plane)
                .collect();
            let masks: Vec<Plane> = AT
                .iter()
                .map(|&k| {
                    Plane::from_fn(setup.size, setup.size, |x, y| {
                        scene.outside(k, x as f64, y as f64) as f32
                    })
                })
                .collect();
            let name = format!("{background}_{foreground}_{peak}");
            write(&format!("{name}.frames"), &planes);
            write(&format!("{name}.truth"), &truth);
            write(&format!("{name}.outside"), &masks);
            write(&format!("{name}.own"), &own);
        }
    }
}

/// Pictures to look at: noisy, averaged and true, 4 times enlarged crops and whole frames.
fn look(folder: &str, settings: &AverageSettings) {
    std::fs::create_dir_all(folder).expect("folder");
    for (name, setup) in [
        ("25", Disc { peak: 25.0, ..Disc::default() }),
        ("150", Disc { peak: 150.0, ..Disc::default() }),
        (
            "grass25",
            Disc { peak: 25.0, background: "grass", foreground: "brick", ..Disc::default() },
        ),
        ("turn150", Disc { peak: 150.0, turn: 0.004, ..Disc::default() }),
    ] {
        let scene = DiscScene::new(setup.clone());
        let noise = PixelNoise::new(&scene.noise());
        let stage = Arc::new(Average::new(settings, vec![noise]).expect("settings"));
        let mut averager = stage.start();
        for k in 0..setup.frames {
            averager.push(Some(scene.locked(k)));
        }
        for k in [30, 31] {
            let out = averager.result(k).expect("frame");
            let planes = [
                scene.locked(k).planes[0].to_plane(),
                out[0].plane.clone(),
                scene.clean(k, [0.0, 0.0]),
            ];
            let n = setup.size as u32;
            let picture = image::GrayImage::from_fn(6 * n, 2 * n, |x, y| {
                let p = &planes[(x / (2 * n)) as usize];
                let v = p.at((x % (2 * n) / 2) as usize, (y / 2) as usize) / setup.peak as f32;
                image::Luma([(v.clamp(0.0, 1.0).powf(1.0 / 2.2) * 255.0) as u8])
            });
            picture.save(format!("{folder}/{name}_{k}.png")).expect("picture");
        }
    }
}

fn main() {
    let words: Vec<String> = std::env::args().collect();
    let has = |w: &str| words.iter().any(|a| a == w);
    let after = |w: &str| words.iter().position(|a| a == w).and_then(|i| words.get(i + 1));
    let preset = if has("fast") {
        Preset::Fast
    } else if has("plain") {
        Preset::Plain
    } else {
        Preset::Quality
    };
    let settings = AverageSettings { preset, ..AverageSettings::default() };
    if let Some(folder) = after("export") {
        export(folder, &settings);
    } else if let Some(folder) = after("look") {
        look(folder, &settings);
    } else if has("clean") {
        clean(&settings);
    } else {
        if !has("time") {
            table(&settings, has("quick"));
        }
        for (name, preset) in
            [("quality", Preset::Quality), ("fast", Preset::Fast), ("plain", Preset::Plain)]
        {
            if ["quality", "fast", "plain"].iter().any(|w| has(w)) && !has(name) {
                continue;
            }
            let [all, smaller, shrinking] = time(preset);
            println!(
                "{name}: {all:.1} ms a 1920x1080 frame, one core (smaller pictures {smaller:.1}, \
                 shrinking {shrinking:.1}, sums and merging the rest)"
            );
        }
    }
}
