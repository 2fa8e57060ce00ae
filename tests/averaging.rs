//! The averaging stage as the engine uses it: truth known, noise from a fixed generator.

use std::sync::Arc;

use hushframe::frame::{Coding, FixedPlane, Flaw, NoiseModel, Plane};
use hushframe::math::blur::gaussian;
use hushframe::math::resample;
use hushframe::register::PixelNoise;
use hushframe::stages::average::{Average, AverageSettings, Averaged, Locked, Preset};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};

const W: usize = 72;
const H: usize = 70;
const SIGMA: f32 = 8.0;
const WHITE: f32 = 1000.0;

/// Light of a still, textured ground in electrons.
fn ground(x: usize, y: usize) -> f32 {
    let (a, b) = (x as f32, y as f32);
    150.0 + 40.0 * (0.45 * a).sin() * (0.37 * b).cos() + 25.0 * (0.2 * a + 0.31 * b).sin()
}

/// The ground with a textured block in front that moves 2 px to the right a frame.
fn scene(k: usize) -> Plane {
    let left = 4 + 2 * k;
    Plane::from_fn(W, H, |x, y| {
        if (left..left + 20).contains(&x) && (20..50).contains(&y) {
            let u = (x - left) as f32;
            260.0 + 40.0 * (0.7 * u).sin() * (0.5 * y as f32).sin()
        } else {
            ground(x, y)
        }
    })
}

fn coding() -> Coding {
    Coding::for_white(WHITE)
}

fn locked(plane: &Plane, flaws: Option<&[Flaw]>) -> Locked {
    Locked {
        planes: vec![FixedPlane::from_plane(plane, flaws, coding())],
        brightened: 1.0,
        noise_gain: 1.0,
        noise_power: resample::WHITE,
        sigma: 0.0,
    }
}

/// A frame with read noise only.
fn noisy(truth: &Plane, k: usize) -> Locked {
    let mut rng = ChaCha8Rng::seed_from_u64(5);
    rng.set_stream(k as u64);
    let normal = Normal::new(0.0, SIGMA).unwrap();
    let mut p = truth.clone();
    p.data_mut().iter_mut().for_each(|v| *v += normal.sample(&mut rng));
    locked(&p, None)
}

/// The stage for frames of read noise `sigma` and hardly any photon noise.
fn stage(preset: Preset, frames: usize, sigma: f32) -> Arc<Average> {
    let model = NoiseModel { gain_e_per_dn: 1e4, read_noise_e: 1e4 * f64::from(sigma) };
    let settings = AverageSettings { preset, frames, ..AverageSettings::default() };
    Arc::new(Average::new(&settings, vec![PixelNoise::new(&model)]).unwrap())
}

/// The result at `at` of a run that begins at frame `from`.
fn run(
    stage: &Arc<Average>,
    from: usize,
    at: usize,
    frame: &dyn Fn(usize) -> Option<Locked>,
) -> Averaged {
    let mut averager = stage.start();
    for k in from..=at + stage.reach() {
        averager.push(frame(k));
    }
    // As the engine does it: one frame after the other.
    for i in (from + stage.reach()).min(at)..at {
        let _ = averager.result(i - from);
    }
    averager.result(at - from).unwrap().swap_remove(0)
}

fn rms(a: &Plane, b: &Plane, inside: impl Fn(usize, usize) -> bool) -> f32 {
    let (mut sum, mut n) = (0.0, 0.0);
    for y in 6..H - 6 {
        for x in 6..W - 6 {
            if inside(x, y) {
                sum += (a.at(x, y) - b.at(x, y)).powi(2);
                n += 1.0;
            }
        }
    }
    (sum / n).sqrt()
}

#[test]
fn noise_falls_where_it_is_still_and_where_it_moves() {
    for (preset, still, moving) in [(Preset::Quality, 4.0, 2.0), (Preset::Fast, 3.0, 1.4)] {
        let stage = stage(preset, 31, SIGMA);
        let out = run(&stage, 0, 15, &|k| Some(noisy(&scene(k), k)));
        let truth = scene(15);
        let apart = |x: usize, y: usize| !(2..70).contains(&x) || !(14..56).contains(&y);
        let part = |x: usize, y: usize| (38..50).contains(&x) && (24..46).contains(&y);
        let (a, b) = (rms(&out.plane, &truth, apart), rms(&out.plane, &truth, part));
        println!("{preset:?}: still {a:.2} e-, moving {b:.2} e- of {SIGMA}");
        assert!(a < SIGMA / still && b < SIGMA / moving, "{preset:?}: {a} {b}");
    }
}

#[test]
fn what_was_just_uncovered_holds_no_ghost() {
    let stage = stage(Preset::Quality, 31, SIGMA);
    let out = run(&stage, 0, 15, &|k| Some(noisy(&scene(k), k)));
    let truth = scene(15);
    let error = Plane::from_fn(W, H, |x, y| out.plane.at(x, y) - truth.at(x, y));
    let slow = gaussian(&error, 2.0);
    // The block's left rim is at 34; it uncovered 20..32 in the last six frames.
    let band: Vec<f32> =
        (24..46).flat_map(|y| (20..32).map(move |x| (x, y))).map(|(x, y)| slow.at(x, y)).collect();
    let mean = band.iter().sum::<f32>() / band.len() as f32;
    assert!(mean.abs() < 0.1 * SIGMA, "{mean}");
    let size = band.iter().map(|v| v.abs()).sum::<f32>() / band.len() as f32;
    assert!(size < 0.2 * SIGMA, "{size}");
}

#[test]
fn constant_light_and_clean_pictures_come_back() {
    for preset in [Preset::Quality, Preset::Fast, Preset::Plain] {
        let flat = Plane::filled(W, H, 300.0);
        let out = run(&stage(preset, 13, SIGMA), 0, 7, &|_| Some(locked(&flat, None)));
        for v in out.plane.data() {
            assert!((v - 300.0).abs() <= coding().step, "{preset:?}: {v}");
        }
    }
    // Without noise nothing may change by a thousandth of full scale, moving parts included.
    let stage = stage(Preset::Quality, 31, 1e-3);
    let out = run(&stage, 0, 15, &|k| Some(locked(&scene(k), None)));
    let truth = scene(15);
    let worst = out.plane.data().iter().zip(truth.data()).map(|(a, b)| (a - b).abs());
    let worst = worst.fold(0.0, f32::max);
    assert!(worst < 0.001 * WHITE, "{worst}");
}

#[test]
fn missing_frames_and_flawed_pixels() {
    let flat = Plane::filled(W, H, 300.0);
    let at = |x: usize, y: usize| y * W + x;
    let mut always = vec![Flaw::None; W * H];
    always[at(10, 10)] = Flaw::Missing;
    always[at(20, 20)] = Flaw::Saturated;
    let mut once = always.clone();
    once[at(30, 30)] = Flaw::Missing;
    once[at(40, 40)] = Flaw::Saturated;
    let mut spoilt = flat.clone();
    spoilt.set(30, 30, -500.0);
    spoilt.set(40, 40, WHITE);
    let stage = stage(Preset::Quality, 13, SIGMA);
    let out = run(&stage, 0, 8, &|k| match k {
        5 | 9 => None,
        8 => Some(locked(&spoilt, Some(&once))),
        _ => Some(locked(&flat, Some(&always))),
    });
    assert_eq!(out.flaws[at(10, 10)], Flaw::Missing);
    assert_eq!(out.flaws[at(20, 20)], Flaw::Saturated);
    // A missing pixel is what the others show, a saturated one is not.
    assert_eq!(out.flaws[at(40, 40)], Flaw::Saturated);
    assert_eq!(out.flaws.iter().filter(|f| **f != Flaw::None).count(), 3);
    for (x, y) in [(30, 30), (50, 20), (12, 13)] {
        assert!((out.plane.at(x, y) - 300.0).abs() < 1.0, "{x} {y}: {}", out.plane.at(x, y));
    }
    let mut averager = stage.start();
    averager.push(Some(locked(&flat, None)));
    averager.push(None);
    assert!(averager.result(1).is_none());
}

/// A frame of read noise in which what reaches white is cut off, and marked.
fn cut_off(truth: &Plane, k: usize) -> (Locked, Vec<Flaw>) {
    let mut rng = ChaCha8Rng::seed_from_u64(6);
    rng.set_stream(k as u64);
    let normal = Normal::new(0.0, SIGMA).unwrap();
    let mut p = truth.clone();
    p.data_mut().iter_mut().for_each(|v| *v = (*v + normal.sample(&mut rng)).min(WHITE));
    let flaw = |v: &f32| if *v >= WHITE { Flaw::Saturated } else { Flaw::None };
    let flaws: Vec<Flaw> = p.data().iter().map(flaw).collect();
    (locked(&p, Some(&flaws)), flaws)
}

#[test]
fn a_glint_that_moves_or_flashes_stays_white_and_leaves_no_trail() {
    // A disc of a radius of 6 px that moves 3 px a frame, and a spark of 3 x 3 px in one frame only.
    let disc = |k: usize, x: usize, y: usize| {
        (x as f32 - 3.0 * k as f32).powi(2) + (y as f32 - 30.0).powi(2) < 36.0
    };
    let spark =
        |k: usize, x: usize, y: usize| k == 13 && (50..53).contains(&x) && (50..53).contains(&y);
    let lit = |k: usize, x: usize, y: usize| disc(k, x, y) || spark(k, x, y);
    let scene = |k: usize| {
        Plane::from_fn(W, H, |x, y| if lit(k, x, y) { 4.0 * WHITE } else { ground(x, y) })
    };
    for preset in [Preset::Quality, Preset::Fast, Preset::Plain] {
        let stage = stage(preset, 21, SIGMA);
        let out = run(&stage, 0, 13, &|k| Some(cut_off(&scene(k), k).0));
        for at in 0..W * H {
            let (x, y) = (at % W, at / W);
            assert_eq!(out.flaws[at] == Flaw::Saturated, lit(13, x, y), "{preset:?} {x} {y}");
            // Shrinking takes a little of a spark; what is flagged counts as white at least.
            if lit(13, x, y) {
                assert!(out.plane.at(x, y) > 0.97 * WHITE, "{preset:?} {x} {y}");
            }
            // What it has left, and what it has yet to reach, shows itself.
            let passed = disc(9, x, y) || disc(17, x, y);
            let error = out.plane.at(x, y) - ground(x, y);
            assert!(!passed || error.abs() < 4.5 * SIGMA, "{preset:?} {x} {y}: {error}");
        }
    }
}

#[test]
fn what_noise_alone_saturates_is_averaged_and_what_is_not_now_shows_itself() {
    // Two standard deviations below white: one sample of 44 is cut off.
    let level = WHITE - 2.0 * SIGMA;
    let bright = Plane::filled(W, H, level);
    for preset in [Preset::Quality, Preset::Fast, Preset::Plain] {
        let stage = stage(preset, 21, SIGMA);
        let out = run(&stage, 0, 12, &|k| Some(cut_off(&bright, k).0));
        let full = cut_off(&bright, 12).1;
        assert!(full.iter().filter(|f| **f == Flaw::Saturated).count() > 50);
        for (at, _) in full.iter().enumerate().filter(|(_, f)| **f == Flaw::Saturated) {
            assert!(out.flaws.is_empty() || out.flaws[at] == Flaw::None, "{preset:?}");
            let error = out.plane.data()[at] - level;
            assert!(error.abs() < 1.5 * SIGMA, "{preset:?}: {error}");
        }
        // A shadow over what glares in all other frames.
        let glaring = Plane::filled(W, H, 3.0 * WHITE);
        let out = run(&stage, 0, 12, &|k| {
            let shadow = Plane::from_fn(W, H, |x, y| {
                if (20..40).contains(&x) { ground(x, y) } else { 3.0 * WHITE }
            });
            Some(cut_off(if k == 12 { &shadow } else { &glaring }, k).0)
        });
        for y in 0..H {
            for x in 0..W {
                let shadow = (20..40).contains(&x);
                assert_eq!(out.flaws[y * W + x] == Flaw::Saturated, !shadow, "{x} {y}");
                let error = out.plane.at(x, y) - ground(x, y);
                assert!(!shadow || error.abs() < 5.0 * SIGMA, "{preset:?} {x} {y}: {error}");
            }
        }
    }
}

#[test]
fn the_same_bits_from_any_start_and_with_any_number_of_threads() {
    for preset in [Preset::Quality, Preset::Fast] {
        let stage = stage(preset, 17, SIGMA);
        let frame = |k: usize| (k != 11).then(|| noisy(&scene(k % 20), k));
        let pool = |n| rayon::ThreadPoolBuilder::new().num_threads(n).build().unwrap();
        let long = pool(2).install(|| run(&stage, 0, 16, &frame));
        let short = pool(1).install(|| run(&stage, 16 - stage.reach(), 16, &frame));
        let bits = |p: &Plane| p.data().iter().map(|v| v.to_bits()).collect::<Vec<_>>();
        assert_eq!(bits(&long.plane), bits(&short.plane), "{preset:?}");
        assert_eq!(bits(&long.variance), bits(&short.variance), "{preset:?}");
    }
}

#[test]
fn settings_out_of_range_are_refused_with_the_number() {
    let noise = || vec![PixelNoise { slope: 1.0, floor: 1.0, factor: None, row: 0.0, held: 0.0 }];
    let with =
        |frames, strength| AverageSettings { frames, strength, ..AverageSettings::default() };
    let text = |s| Average::new(&s, noise()).unwrap_err().to_string();
    assert!(text(with(32, 1.0)).contains("32 is not an odd number"));
    assert!(text(with(1001, 1.0)).contains("1001"));
    assert!(text(with(33, f64::NAN)).contains("NaN"));
}
