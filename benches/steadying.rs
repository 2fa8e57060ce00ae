//! Accuracy of the registration against the Cramer-Rao bound: prints a table.
//!
//! `cargo bench --bench steadying` (all rows), `-- quick`, `-- WORD ...` (rows that contain a
//! word, such as `brick`, `tripod`, `small`, `1080`), `-- limit WORD ...` (what a template of the
//! clip's own frames allows, for the rows of the table), `-- export DIR` (scenes as raw files for
//! `benches/peers/steadying.py`).
//!
//! Each row is the same motion with several draws of the noise. `ratio` is the rms error over the
//! bound for background pixels only, `bias` the rms of what the draws' errors have in common (from
//! the products of different draws; the foreground is part of it, not all), `claimed` the given
//! uncertainty over the actual error.
#![allow(
    clippy::redundant_clone,
    clippy::expect_used,
    clippy::print_stdout,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::cast_lossless,
    reason = "a bench prints, and a fault may end it"
)]

mod scene;

use std::ops::Range;
use std::time::Instant;

use hushframe::footage::{OutFrame, encode_tiff};
use hushframe::frame::FixedPlane;
use hushframe::math::turn::Turn;
use hushframe::register::block;
use hushframe::register::clean::{Before, Learned, follow, learn};
use hushframe::register::fit::{Start, Target, fit_frames};
use hushframe::register::gather;
use hushframe::register::patch::patches;
use hushframe::register::path::stood_still;
use hushframe::register::template::{Posed, average};
use hushframe::register::wiener::wiener;
use hushframe::register::{PixelNoise, Pose, RegisterSettings};
use rand::SeedableRng;
use rand_chacha::ChaCha12Rng;
use rand_distr::{Distribution, Normal};
use rayon::prelude::*;
use scene::{Scene, Setup};

/// Draws of the noise.
const DRAWS: u64 = 3;

fn registered(scene: &Scene) -> Result<Learned, String> {
    let mut frames: Vec<_> =
        (0..scene.setup.frames).into_par_iter().map(|k| Some(scene.coded(k))).collect();
    let noise = PixelNoise::new(&scene.noise());
    learn(&mut frames, &noise, &RegisterSettings::default(), true).map_err(|e| e.to_string())
}

/// Errors of a path, its mean removed; `None` where a frame was not measured.
fn errors(poses: &[Option<Pose>], truth: &[[f64; 2]]) -> Vec<Option<[f64; 2]>> {
    let raw: Vec<Option<[f64; 2]>> = poses
        .iter()
        .zip(truth)
        .map(|(p, t)| p.as_ref().map(|p| [p.shift[0] - t[0], p.shift[1] - t[1]]))
        .collect();
    let n = raw.iter().flatten().count().max(1) as f64;
    let mean = [0, 1].map(|a| raw.iter().flatten().map(|e| e[a]).sum::<f64>() / n);
    raw.iter().map(|e| e.map(|e| [e[0] - mean[0], e[1] - mean[1]])).collect()
}

/// Errors of the frames that were measured.
fn off(poses: &[Option<Pose>], truth: &[[f64; 2]]) -> Vec<[f64; 2]> {
    let both = poses.iter().zip(truth);
    both.filter_map(|(p, t)| {
        let p = p.as_ref()?.shift;
        Some([p[0] - t[0], p[1] - t[1]])
    })
    .collect()
}

fn mean_of(errors: &[[f64; 2]]) -> [f64; 2] {
    [0, 1].map(|a| errors.iter().map(|e| e[a]).sum::<f64>() / errors.len().max(1) as f64)
}

fn apart_of(a: [f64; 2], b: [f64; 2]) -> f64 {
    (a[0] - b[0]).hypot(a[1] - b[1])
}

/// The Cramer-Rao bound per axis, rms over every sixth frame from one on.
fn bound_of(scene: &Scene, from: usize) -> f64 {
    bound_among(scene, from, 0.0)
}

/// The same where rows have unknown offsets of this spread in electrons.
fn bound_among(scene: &Scene, from: usize, rows: f64) -> f64 {
    let at: Vec<usize> = (from..scene.setup.frames).step_by(6).collect();
    let bounds = at.par_iter().map(|&k| scene.bound_among(k, rows));
    let sum: f64 = bounds.map(|b| b[0] * b[0] + b[1] * b[1]).sum();
    (sum / (2 * at.len()) as f64).sqrt()
}

/// Mean product of two draws' errors, per axis.
fn product(a: &[Option<[f64; 2]>], b: &[Option<[f64; 2]>]) -> f64 {
    let both: Vec<f64> = a
        .iter()
        .zip(b)
        .filter_map(|(p, q)| Some(0.5 * ((*p)?[0] * (*q)?[0] + (*p)?[1] * (*q)?[1])))
        .collect();
    both.iter().sum::<f64>() / both.len().max(1) as f64
}

fn row(name: &str, setup: &Setup) {
    let (mut draws, mut claimed, mut still, mut lost) = (Vec::new(), 0.0, 0.0, 0);
    let mut turned: Vec<Vec<f64>> = Vec::new();
    let mut bound = 0.0;
    for noise_seed in 1..=DRAWS {
        let scene = Scene::new(Setup { noise_seed, ..setup.clone() });
        if noise_seed == 1 {
            bound = bound_of(&scene, 0);
            if setup.rows > 0.0 {
                let among = bound_among(&scene, 0, setup.rows);
                println!(
                    "    the bound is that of known row offsets; of unknown ones {among:.4} px"
                );
            }
        }
        match registered(&scene) {
            Ok(Learned { block: done, faults, .. }) => {
                if faults.rows.is_some() || faults.pattern.is_some() {
                    println!(
                        "    draw {noise_seed}: rows {}, pattern of {:.2} e- rms",
                        if faults.rows.is_some() { "taken off" } else { "as they are" },
                        faults.pattern_rms().unwrap_or(0.0)
                    );
                }
                let known: Vec<&Pose> = done.poses.iter().flatten().collect();
                lost += setup.frames - known.len();
                claimed += known.iter().map(|p| p.sigma * p.sigma).sum::<f64>()
                    / known.len().max(1) as f64;
                still += done.still_share();
                let off: Vec<f64> = done
                    .poses
                    .iter()
                    .enumerate()
                    .filter_map(|(k, p)| Some(p.as_ref()?.turn.angle - scene.roll(k)))
                    .collect();
                let mean = off.iter().sum::<f64>() / off.len().max(1) as f64;
                turned.push(off.iter().map(|e| e - mean).collect());
                draws.push(errors(&done.poses, &scene.truth));
            }
            Err(why) => println!("{name}, draw {noise_seed}: {why}"),
        }
    }
    let n = draws.len().max(1) as f64;
    let (error, bias) = spread_of(&draws);
    if setup.roll.abs() > 0.0 {
        let n = turned.iter().map(Vec::len).sum::<usize>().max(1) as f64;
        let rms = (turned.iter().flatten().map(|e| e * e).sum::<f64>() / n).sqrt();
        let corner = setup.size as f64 * std::f64::consts::FRAC_1_SQRT_2;
        println!(
            "    turn of {:.2} mrad rms, error {:.3} mrad rms, {:.4} px at the corners",
            1e3 * setup.roll.abs() * std::f64::consts::FRAC_1_SQRT_2,
            1e3 * rms,
            rms * corner
        );
    }
    println!(
        "{name:44} {error:9.4} {bound:9.4} {:6.2} {bias:8.4} {:8.2} {:6.2} {lost:5}",
        error / bound,
        (claimed / n).sqrt() / error,
        still / n
    );
}

/// What any fit to a template of the clip itself can reach: each frame fitted to the mean of all
/// the others at their true poses, on pixels that are truly never covered. The bound takes the
/// scene as known.
fn limit(name: &str, setup: &Setup) {
    let (n, mut squares, mut bound) = (setup.size, 0.0, 0.0);
    for noise_seed in 1..=DRAWS {
        let scene = Scene::new(Setup { noise_seed, ..setup.clone() });
        bound = bound_of(&scene, 0);
        let frames: Vec<_> = (0..setup.frames).into_par_iter().map(|k| scene.coded(k)).collect();
        let noise = PixelNoise::new(&scene.noise());
        let still: Vec<u8> = (0..n * n)
            .map(|at| {
                let (x, y) = ((at % n) as f64, (at / n) as f64);
                u8::from((0..setup.frames).all(|k| scene.cover(k, x, y) <= 0.0))
            })
            .collect();
        let posed = |k: usize| Posed {
            frame: &frames[k],
            shift: scene.truth[k],
            turn: Turn::NONE,
            light: 1.0,
            hidden: None,
        };
        let poses: Vec<Option<Pose>> = (0..setup.frames)
            .into_par_iter()
            .map(|k| {
                let others: Vec<Posed<'_>> =
                    (0..setup.frames).filter(|&j| j != k).map(posed).collect();
                let template = wiener(&average(&others, n, n), &noise);
                let patches = patches(&template, &still, &noise, (None, 1.0));
                let start = Some(Start::at(scene.truth[k]));
                let target = Target::new(&patches, &noise);
                let fit = fit_frames(&[Some(&frames[k])], &target, &[start])[0]?;
                Some(Pose { shift: fit.shift, ..Pose::ZERO })
            })
            .collect();
        let e = errors(&poses, &scene.truth);
        squares += product(&e, &e) / DRAWS as f64;
    }
    println!(
        "{name:44} {:9.4} {bound:9.4} {:6.2}  limit of a template of the other frames",
        squares.sqrt(),
        squares.sqrt() / bound
    );
}

/// How well parts that hide the background are found: at the true poses.
fn covers(name: &str, setup: &Setup) {
    let n = setup.size;
    let scene = Scene::new(setup.clone());
    let frames: Vec<_> = (0..setup.frames).into_par_iter().map(|k| scene.coded(k)).collect();
    let noise = PixelNoise::new(&scene.noise());
    let mut posed: Vec<Option<Posed<'_>>> = frames
        .iter()
        .zip(&scene.truth)
        .map(|(frame, &shift)| {
            Some(Posed { frame, shift, turn: Turn::NONE, light: 1.0, hidden: None })
        })
        .collect();
    for pass in 0..2 {
        let list: Vec<Posed<'_>> = posed.iter().flatten().copied().collect();
        let template = wiener(&average(&list, n, n), &noise);
        let found = hushframe::register::cover::cover(&posed, &template, &noise, 0.02);
        let (mut truly, mut missed, mut clear, mut falsely) = (0.0, 0.0, 0.0, 0.0);
        let mut mostly = [0.0; 2];
        for y in (8..n - 8).step_by(3) {
            for x in (8..n - 8).step_by(3) {
                let (mut here, mut miss) = (0.0, 0.0);
                for k in 0..setup.frames {
                    let hidden = scene.cover(k, x as f64, y as f64) > 0.0;
                    let mut open = false;
                    found.of(k).runs(y, (x, x + 1), |r| open |= !r.is_empty());
                    truly += f64::from(u8::from(hidden));
                    missed += f64::from(u8::from(hidden && open));
                    here += f64::from(u8::from(hidden));
                    miss += f64::from(u8::from(hidden && open));
                    clear += f64::from(u8::from(!hidden));
                    falsely += f64::from(u8::from(!hidden && !open));
                }
                if here < 0.6 * setup.frames as f64 {
                    mostly[0] += here;
                    mostly[1] += miss;
                }
            }
        }
        println!(
            "{name:44} pass {pass}: missed {:.4} of the hidden ({:.4} where hidden in under 0.6 of the frames), {:.4} of the open left out",
            missed / f64::max(truly, 1.0),
            mostly[1] / f64::max(mostly[0], 1.0),
            falsely / clear
        );
        let found = Box::leak(Box::new(found));
        for (k, f) in posed.iter_mut().enumerate() {
            if let Some(f) = f {
                f.hidden = Some(found.of(k));
            }
        }
    }
}

/// A clip that does not move: what the steadying would add to it.
fn tripod(name: &str, setup: Setup) {
    let scene = Scene::new(setup);
    match registered(&scene) {
        Ok(Learned { block: done, .. }) => {
            let e = errors(&done.poses, &scene.truth);
            let poses: Vec<Pose> = done.poses.iter().flatten().copied().collect();
            let verdict = if stood_still(&poses) {
                "told to stand still: frames stay as they are, added jitter 0, sharpness loss 0"
            } else {
                "moved by what was measured"
            };
            println!("{name:44} measured jitter {:.4} px rms; {verdict}", product(&e, &e).sqrt());
        }
        Err(why) => println!("{name}: {why}"),
    }
}

/// Registers a clip block by block, as the program does; gives the path of each block in the first
/// one's reference, `None` where it did not lock.
fn in_blocks(scene: &Scene, ranges: &[Range<usize>]) -> Vec<Option<Vec<Option<Pose>>>> {
    let noise = PixelNoise::new(&scene.noise());
    let settings = RegisterSettings::default();
    let read = |range: &Range<usize>| -> Vec<Option<FixedPlane>> {
        range.clone().into_par_iter().map(|k| Some(scene.coded(k))).collect()
    };
    let mut first: Option<Learned> = None;
    let mut out = Vec::new();
    while let Some(range) = ranges.get(out.len()) {
        let mut planes = read(range);
        let Some(first) = &first else {
            let Ok(learned) = learn(&mut planes, &noise, &settings, true) else {
                out.push(None);
                continue;
            };
            let more = gather::wanted(&learned, planes.len(), scene.setup.size * scene.setup.size);
            let together = &ranges[out.len()..][..=more.min(ranges.len() - out.len() - 1)];
            planes.extend(together.iter().skip(1).flat_map(read));
            let at: Vec<Range<usize>> =
                together.iter().map(|r| r.start - range.start..r.end - range.start).collect();
            let all = gather::gather(learned, (&mut planes, &at), &noise, &settings);
            out.push(Some(all.learned.block.poses.clone()));
            out.extend(all.followed.into_iter().map(|f| f.ok().map(|f| f.poses)));
            first = Some(all.learned);
            continue;
        };
        let before =
            Before { first: &first.block, faults: &first.faults, known: first.known.as_ref() };
        let found = follow(&mut planes, &noise, &settings, before);
        out.push(found.ok().map(|f| f.poses));
    }
    out
}

/// A clip of some blocks, all of its frames counted.
fn long(name: &str, setup: &Setup) {
    let ranges = block::grid(setup.frames);
    let (mut draws, mut claimed, mut lost, mut bound) = (Vec::new(), 0.0, 0, 0.0);
    for noise_seed in 1..=DRAWS {
        let scene = Scene::new(Setup { noise_seed, ..setup.clone() });
        bound = bound_of(&scene, 0);
        let blocks = in_blocks(&scene, &ranges);
        let each = blocks.into_iter().zip(&ranges);
        let poses: Vec<_> =
            each.flat_map(|(b, range)| b.unwrap_or_else(|| vec![None; range.len()])).collect();
        let known: Vec<&Pose> = poses.iter().flatten().collect();
        lost += setup.frames - known.len();
        claimed += known.iter().map(|p| p.sigma * p.sigma).sum::<f64>() / known.len().max(1) as f64;
        draws.push(errors(&poses, &scene.truth));
    }
    let (error, bias) = spread_of(&draws);
    println!(
        "{name:44} {error:9.4} {bound:9.4} {:6.2} {bias:8.4} {:8.2} {:6} {lost:5}",
        error / bound,
        (claimed / DRAWS as f64).sqrt() / error,
        ""
    );
}

/// Rms of the draws' errors, and of what they have in common.
fn spread_of(draws: &[Vec<Option<[f64; 2]>>]) -> (f64, f64) {
    let n = draws.len().max(1) as f64;
    let error = (draws.iter().map(|d| product(d, d)).sum::<f64>() / n).sqrt();
    let (mut common, mut pairs) = (0.0, 0.0_f64);
    for i in 0..draws.len() {
        for j in 0..i {
            common += product(&draws[i], &draws[j]);
            pairs += 1.0;
        }
    }
    (error, (common / pairs.max(1.0)).max(0.0).sqrt())
}

/// The later blocks of a clip, tied to the first: error against the bound, and how far blocks as a
/// whole lie from the first.
fn later(name: &str, setup: &Setup) {
    let ranges: Vec<Range<usize>> =
        (0..setup.frames).step_by(60).map(|a| a..(a + 60).min(setup.frames)).collect();
    let (mut squares, mut claimed, mut apart, mut known, mut lost) = (0.0, 0.0, 0.0, 0.0_f64, 0);
    let mut bound = 0.0;
    for noise_seed in 1..=DRAWS {
        let scene = Scene::new(Setup { noise_seed, ..setup.clone() });
        bound = bound_of(&scene, 60);
        let blocks = in_blocks(&scene, &ranges);
        let Some(Some(first)) = blocks.first() else {
            println!("{name}, draw {noise_seed}: the first block did not lock");
            continue;
        };
        let from = mean_of(&off(first, &scene.truth[ranges[0].clone()]));
        for (range, poses) in ranges.iter().zip(&blocks).skip(1) {
            let Some(poses) = poses else {
                lost += range.len();
                continue;
            };
            let e = off(poses, &scene.truth[range.clone()]);
            let here = mean_of(&e);
            lost += range.len() - e.len();
            known += e.len() as f64;
            squares += e.iter().map(|e| 0.5 * apart_of(*e, here).powi(2)).sum::<f64>();
            claimed += poses.iter().flatten().map(|p| p.sigma * p.sigma).sum::<f64>();
            apart = f64::max(apart, apart_of(here, from));
        }
    }
    let error = (squares / known).sqrt();
    println!(
        "{name:44} {error:9.4} {bound:9.4} {:6.2} {:8} {:8.2} {:6} {lost:5}  the furthest block \
         {apart:.4} px from the first",
        error / bound,
        "",
        (claimed / known).sqrt() / error,
        ""
    );
}

/// Many small frames in blocks: whether the last block is as good as the first.
fn many(frames: usize) {
    let setup = Setup { size: 128, frames, share: 0.0, walk: 0.02, ..Setup::default() };
    let scene = Scene::small(setup);
    let ranges = block::grid(frames);
    let blocks = in_blocks(&scene, &ranges);
    let unlocked = blocks.iter().filter(|b| b.is_none()).count();
    let all: Vec<(f64, [f64; 2])> = blocks
        .iter()
        .zip(&ranges)
        .filter_map(|(b, range)| {
            let off = off(b.as_ref()?, &scene.truth[range.clone()]);
            let mean = mean_of(&off);
            let spread = off.iter().map(|e| 0.5 * apart_of(*e, mean).powi(2)).sum::<f64>();
            Some(((spread / off.len().max(1) as f64).sqrt(), mean))
        })
        .collect();
    let (Some(a), Some(z)) = (all.first(), all.last()) else { return };
    let offset = |m: &[f64; 2]| apart_of(*m, a.1);
    let furthest = all.iter().map(|b| offset(&b.1)).fold(0.0, f64::max);
    println!(
        "small: {frames} frames of 128 px in {} blocks ({unlocked} without lock): error in the \
         first block {:.4} px, in the last {:.4} px; the last lies {:.4} px from the first, the \
         furthest {furthest:.4} px",
        all.len(),
        a.0,
        z.0,
        offset(&z.1)
    );
}

/// Frames of the shortest clip that a night has.
const SHORT: f64 = 500.0;

/// Time of a frame of 1920 x 1080 against decoding the same frames from TIFF, on one thread; `moving`:
/// with a textured plate of a fourth of the frame that travels over it.
fn speed(moving: bool) {
    let (w, h, n) = (1920, 1080, 64);
    let name = if moving { "1080, a fourth moves" } else { "1080" };
    let plate = |x: usize, y: usize| moving && (700..1300).contains(&x) && (100..960).contains(&y);
    let scene = Scene::new(Setup { size: 384, frames: 2 * n, share: 0.0, ..Setup::default() });
    // The small scene, repeated over the frame.
    let frames: Vec<FixedPlane> = (0..2 * n)
        .into_par_iter()
        .map(|k| {
            let moved = scene.background.moved(scene.truth[k][0], scene.truth[k][1]);
            let mut rng = ChaCha12Rng::seed_from_u64(k as u64);
            let noise = Normal::new(0.0_f32, 1.0).expect("normal");
            let travelled = scene.background.moved(1.5 * k as f64, 0.8 * k as f64);
            let p = hushframe::frame::Plane::from_fn(w, h, |x, y| {
                let on = if plate(x, y) { &travelled } else { &moved };
                let v = 150.0 * on.at(x % 512, y % 512).max(0.0);
                v + (v + 64.0).sqrt() * noise.sample(&mut rng)
            });
            FixedPlane::from_plane(&p, None, hushframe::frame::Coding::for_white(400.0))
        })
        .collect();
    let files: Vec<Vec<u8>> = frames
        .iter()
        .take(8)
        .map(|f| {
            let picture = OutFrame { width: w, height: h, channels: 1, data: f.codes.clone() };
            encode_tiff(&picture, &Default::default()).expect("a picture")
        })
        .collect();
    let list: Vec<_> = frames[..n].iter().map(Some).collect();
    let noise = PixelNoise::new(&scene.noise());
    let settings = RegisterSettings::default();
    let mut planes: Vec<_> = frames.iter().cloned().map(Some).collect();
    let (begin, later) = planes.split_at_mut(n);
    let pool = rayon::ThreadPoolBuilder::new().num_threads(1).build().expect("a thread");
    pool.install(|| {
        let start = Instant::now();
        for f in &files {
            let d = image::load_from_memory_with_format(f, image::ImageFormat::Tiff);
            assert!(d.expect("a picture").width() == w as u32);
        }
        let read = start.elapsed().as_secs_f64() / files.len() as f64;
        let say = |what: &str, took: f64| {
            println!(
                "{name}: {what}: {:.1} ms a frame on one thread, {:.1} times decoding it from \
                 16-bit TIFF",
                took * 1e3,
                took / read
            );
        };
        let print = |what: &str, start: Instant| {
            let took = start.elapsed().as_secs_f64() / n as f64;
            say(what, took);
            took
        };
        let accuracy = |poses: &[Option<Pose>], from: usize| {
            let e = errors(poses, &scene.truth[from..from + n]);
            let rms = product(&e, &e).sqrt();
            let sigma = poses.iter().flatten().map(|p| p.sigma).sum::<f64>() / n as f64;
            println!("{name}: rms error {rms:.5} px, claimed {sigma:.5} px");
        };
        let start = Instant::now();
        let path = hushframe::register::ground::ground(&list, &noise, &settings);
        let _ = print(if path.is_ok() { "coarse path" } else { "no coarse path" }, start);
        let start = Instant::now();
        let first = match learn(begin, &noise, &settings, true) {
            Ok(first) => first,
            Err(why) => return println!("{name}: {why}"),
        };
        let took = print("a clip's first block, all that is learned from it included", start);
        accuracy(&first.block.poses, 0);
        let before =
            Before { first: &first.block, faults: &first.faults, known: first.known.as_ref() };
        let start = Instant::now();
        match follow(later, &noise, &settings, before) {
            Ok(found) => {
                let then = print("a later block", start);
                accuracy(&found.poses, n);
                let begun = n as f64 / SHORT;
                say("so, a clip of 500 frames", begun * took + (1.0 - begun) * then);
            }
            Err(why) => println!("{name}: {why}"),
        }
    });
}

/// Writes frames, truth and our own answer for the peers.
fn export(folder: &std::path::Path, rows: &[(String, Setup)]) {
    std::fs::create_dir_all(folder).expect("a folder");
    let put = |name: String, values: Vec<f32>| {
        let bytes: Vec<u8> = values.iter().flat_map(|v| v.to_le_bytes()).collect();
        std::fs::write(folder.join(name), bytes).expect("written");
    };
    for (name, setup) in rows {
        let scene = Scene::new(setup.clone());
        let stem = name.replace([',', ' ', '/'], "_");
        let frames: Vec<Vec<f32>> =
            (0..setup.frames).into_par_iter().map(|k| scene.noisy(k).data().to_vec()).collect();
        put(format!("{stem}.frames"), frames.concat());
        let flat = |p: &[[f64; 2]]| p.iter().flatten().map(|&v| v as f32).collect::<Vec<f32>>();
        put(format!("{stem}.truth"), flat(&scene.truth));
        let bounds: Vec<[f64; 2]> = (0..setup.frames).step_by(6).map(|k| scene.bound(k)).collect();
        put(format!("{stem}.bound"), flat(&bounds));
        if let Ok(Learned { block: done, .. }) = registered(&scene) {
            let own: Vec<[f64; 2]> =
                done.poses.iter().map(|p| p.map_or([f64::NAN; 2], |p| p.shift)).collect();
            put(format!("{stem}.own"), flat(&own));
        }
        println!("exported {name}");
    }
}

fn scenes(quick: bool) -> Vec<(String, Setup)> {
    let pairs: &[(&'static str, &'static str)] = if quick {
        &[("brick", "gravel")]
    } else {
        &[("brick", "gravel"), ("camera", "gravel"), ("grass", "brick"), ("gravel", "camera")]
    };
    let mut rows = Vec::new();
    for &(background, foreground) in pairs {
        for peak in [25.0, 150.0, 2000.0] {
            rows.push((
                format!("{background} behind {foreground}, {peak} e-"),
                Setup { background, foreground, peak, ..Setup::default() },
            ));
        }
    }
    let base = Setup::default();
    rows.push((
        "slow foreground 0.15 px/frame, 150 e-".into(),
        Setup { velocity: [0.13, 0.07], ring: 0.0, turn: 0.0, ..base.clone() },
    ));
    rows.push(("no foreground, 150 e-".into(), Setup { share: 0.0, ..base.clone() }));
    if !quick {
        rows.push(("drift 10 px, 150 e-".into(), Setup { pan: [0.16, 0.08], ..base.clone() }));
        rows.push(("drift 30 px, 150 e-".into(), Setup { pan: [0.5, 0.2], ..base.clone() }));
        for peak in [25.0, 150.0] {
            let rows_of = Setup { rows: 2.0, peak, ..base.clone() };
            rows.push((format!("row offsets of 2 e-, {peak} e-"), rows_of));
            let pattern = Setup { pattern: [1.0, 1.0], peak, ..base.clone() };
            rows.push((format!("pattern of 1 e- pixel and 1 e- column, {peak} e-"), pattern));
        }
        for peak in [25.0, 150.0, 2000.0] {
            let setup = Setup { roll: 1.5e-3, peak, ..base.clone() };
            rows.push((format!("turning by 1.5 mrad to and fro, {peak} e-"), setup));
        }
    }
    rows
}

fn main() {
    let words: Vec<String> = std::env::args().skip(1).filter(|a| !a.starts_with('-')).collect();
    let quick = words.iter().any(|a| a == "quick");
    if let Some(at) = words.iter().position(|a| a == "export") {
        let folder = words.get(at + 1).expect("export DIR");
        let wanted = &words[at + 2..];
        let rows: Vec<_> = scenes(false)
            .into_iter()
            .filter(|(n, _)| wanted.is_empty() || wanted.iter().any(|w| n.contains(w.as_str())))
            .collect();
        return export(std::path::Path::new(folder), &rows);
    }
    let wanted =
        |name: &str| words.is_empty() || quick || words.iter().any(|w| name.contains(w.as_str()));
    println!(
        "{:44} {:>9} {:>9} {:>6} {:>8} {:>8} {:>6} {:>5}",
        "scene", "rms px", "bound px", "ratio", "bias px", "claimed", "still", "lost"
    );
    for (name, setup) in scenes(quick).iter().filter(|(n, _)| wanted(n)) {
        if words.iter().any(|w| w == "limit") {
            limit(name, setup);
        } else if words.iter().any(|w| w == "cover") {
            covers(name, setup);
        } else {
            row(name, setup);
        }
    }
    if words.iter().any(|w| w == "limit" || w == "cover") {
        return;
    }
    let still = Setup { walk: 0.0, vibration: 0.0, ..Setup::default() };
    for (name, setup) in [
        ("tripod, 30 % foreground, 25 e-", Setup { peak: 25.0, ..still.clone() }),
        ("tripod, 30 % foreground, 150 e-", still.clone()),
        ("tripod, 30 % foreground, 2000 e-", Setup { peak: 2000.0, ..still.clone() }),
    ] {
        if wanted(name) {
            tripod(name, setup);
        }
    }
    let dim = |s: &Setup| s.peak < 100.0 && s.roll.abs() <= 0.0;
    for (name, setup) in scenes(quick).into_iter().filter(|(_, s)| dim(s)) {
        let moves = [("in place", [0.0; 2]), ("travelling", setup.velocity)];
        for (how, velocity) in moves {
            let name = format!("240 frames, {how}: {name}");
            if wanted(&name) {
                long(&name, &Setup { frames: 240, velocity, ..setup.clone() });
            }
        }
    }
    for peak in [25.0, 150.0, 2000.0] {
        let name = format!("later blocks, {peak} e-");
        if wanted(&name) {
            later(&name, &Setup { peak, frames: 180, ..Setup::default() });
        }
    }
    if wanted("1080") {
        speed(false);
        speed(true);
    }
    if wanted("small") && !quick {
        many(20_000);
    }
}
