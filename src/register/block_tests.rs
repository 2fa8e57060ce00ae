//! Tests of [`super`].

use super::*;
use crate::frame::{Coding, NoiseModel};
use crate::math::turn::Turn;
use crate::register::anchor::Anchor;
use rand::SeedableRng;
use rand_chacha::ChaCha12Rng;
use rand_distr::{Distribution, Normal};

const SIZE: usize = 160;

fn scene(x: f64, y: f64) -> f64 {
    let grain = libm::sin(0.9 * x + 0.3 * y) * libm::cos(0.35 * x - 0.8 * y);
    400.0 + 90.0 * grain + 60.0 * libm::sin(0.21 * x + 0.013 * x * y)
}

/// Frames that jostle, and turn to and fro by `roll` rad; the truth with them.
fn clip(roll: f64) -> Vec<(FixedPlane, [f64; 2], f64)> {
    let noise = Normal::new(0.0, 1.0).unwrap();
    let middle = (SIZE as f64 - 1.0) / 2.0;
    (0..24_u32)
        .map(|k| {
            let t = f64::from(k);
            let p = [0.8 * libm::sin(1.1 * t), 0.6 * libm::cos(0.7 * t)];
            let angle = roll * libm::sin(0.5 * t);
            let (sin, cos) = (libm::sin(angle), libm::cos(angle));
            let mut rng = ChaCha12Rng::seed_from_u64(u64::from(k));
            let seen = Plane::from_fn(SIZE, SIZE, |x, y| {
                let d = [x as f64 - p[0] - middle, y as f64 - p[1] - middle];
                let v = scene(middle + cos * d[0] + sin * d[1], middle - sin * d[0] + cos * d[1]);
                to_f32(v + (v + 64.0).sqrt() * noise.sample(&mut rng))
            });
            (FixedPlane::from_plane(&seen, None, Coding::for_white(4095.0)), p, angle)
        })
        .collect()
}

/// Frames of `scene`, brighter by `light`, that jostle; the truth with them.
fn seen(light: f64, scene: impl Fn(usize, f64, f64) -> f64) -> (Vec<FixedPlane>, Vec<[f64; 2]>) {
    let noise = Normal::new(0.0, 1.0).unwrap();
    let frame = |k: usize| {
        let t = k as f64;
        let p = [0.8 * libm::sin(1.1 * t), 0.6 * libm::cos(0.7 * t)];
        let mut rng = ChaCha12Rng::seed_from_u64(k as u64 + 50);
        let seen = Plane::from_fn(SIZE, SIZE, |x, y| {
            let v = light * scene(k, x as f64 - p[0], y as f64 - p[1]);
            to_f32(v + (v + 64.0).sqrt() * noise.sample(&mut rng))
        });
        (FixedPlane::from_plane(&seen, None, Coding::for_white(4095.0)), p)
    };
    (0..24).map(frame).unzip()
}

fn try_register(clip: &[FixedPlane]) -> Result<Block, NoLock> {
    let noise = PixelNoise::new(&NoiseModel { gain_e_per_dn: 1.0, read_noise_e: 8.0 });
    let list: Vec<_> = clip.iter().map(Some).collect();
    register(&list, &noise, &RegisterSettings::default())
}

fn registered(clip: &[(FixedPlane, [f64; 2], f64)]) -> Block {
    let noise = PixelNoise::new(&NoiseModel { gain_e_per_dn: 1.0, read_noise_e: 8.0 });
    let list: Vec<_> = clip.iter().map(|c| Some(&c.0)).collect();
    register(&list, &noise, &RegisterSettings::default()).unwrap()
}

/// Spread of the differences about their mean.
fn spread(differences: &[f64]) -> f64 {
    let n = differences.len() as f64;
    let mean = differences.iter().sum::<f64>() / n;
    (differences.iter().map(|d| (d - mean).powi(2)).sum::<f64>() / n).sqrt()
}

#[test]
fn a_camera_that_turns_is_found_to_turn() {
    let clip = clip(1e-3);
    let done = registered(&clip);
    let poses: Vec<Pose> = done.poses.iter().map(|p| p.unwrap()).collect();
    let angle: Vec<f64> = poses.iter().zip(&clip).map(|(p, c)| p.turn.angle - c.2).collect();
    // Uncertainty of an angle: that of a shift over 0.29 times the diagonal (algorithms: least
    // squares over evenly spread tiles), with room for the noise of the template.
    let sigma = poses[0].sigma / (0.29 * SIZE as f64 * std::f64::consts::SQRT_2);
    assert!(spread(&angle) < 2.0 * sigma, "{} {sigma}", spread(&angle));
    for a in 0..2 {
        let off: Vec<f64> = poses.iter().zip(&clip).map(|(p, c)| p.shift[a] - c.1[a]).collect();
        assert!(spread(&off) < 2.0 * poses[0].sigma, "{}", spread(&off));
    }
}

#[test]
fn a_camera_that_does_not_turn_is_not_made_to() {
    let clip = clip(0.0);
    assert!(registered(&clip).poses.iter().all(|p| p.unwrap().turn.is_none()));
}

#[test]
fn a_frame_of_something_else_has_no_pose() {
    // The scene's grain has a period, so another place of it would be the same place.
    let other = |u: f64, v: f64| {
        let [a, b] = [libm::sin(0.55 * u - 0.7 * v), libm::cos(0.8 * u + 0.2 * v)];
        400.0 + 90.0 * a * b + 60.0 * libm::sin(0.17 * v - 0.011 * u * v)
    };
    for light in [1.0, 0.3] {
        let (clip, truth) = seen(light, |k, u, v| match k {
            6 => other(v - 40.0, u + 15.0),
            17 => other(u, v),
            _ => scene(u, v),
        });
        let poses = try_register(&clip).unwrap().poses;
        let none: Vec<usize> = (0..24).filter(|&k| poses[k].is_none()).collect();
        assert_eq!(none, [6, 17], "light {light}");
        let known = poses.iter().zip(&truth).filter_map(|(p, t)| Some(((*p)?, t)));
        let off: Vec<f64> = known.map(|(p, t)| p.shift[0] - t[0]).collect();
        assert!(spread(&off) < 0.05, "light {light}: {}", spread(&off));
    }
}

#[test]
fn a_frame_that_fits_badly_but_shows_the_scene_keeps_its_pose() {
    // Blurred over 2.4 px, more than half covered, and in other light at one side.
    let (clip, truth) = seen(1.0, |k, u, v| match k {
        8 => (0..9).map(|i| scene(u + 0.3 * f64::from(i - 4), v)).sum::<f64>() / 9.0,
        13 if u > 64.0 => 900.0 + 80.0 * libm::sin(0.4 * u + 0.5 * v),
        19 => scene(u, v) * (1.0 + 0.004 * u),
        _ => scene(u, v),
    });
    let poses = try_register(&clip).unwrap().poses;
    let mean = |a: usize| {
        poses.iter().zip(&truth).map(|(p, t)| p.unwrap().shift[a] - t[a]).sum::<f64>() / 24.0
    };
    for k in [8, 13, 19] {
        let p = poses[k].unwrap();
        let off = [0, 1].map(|a| (p.shift[a] - truth[k][a] - mean(a)).abs());
        assert!(off[0].max(off[1]) < 0.15, "{k}: {off:?} {}", p.sigma);
    }
}

#[test]
fn texture_along_one_direction_only_is_no_lock() {
    let stripe = |s: f64| 400.0 + 90.0 * libm::sin(0.7 * s) + 60.0 * libm::sin(0.004 * s * s);
    let upright = seen(1.0, |_, u, _| stripe(u)).0;
    let oblique = seen(1.0, |_, u, v| stripe(0.8 * u + 0.6 * v)).0;
    for (what, clip) in [("upright", upright), ("oblique", oblique)] {
        let found = try_register(&clip).map(|b| b.poses[3]);
        assert!(found.as_ref().is_err_and(|e| *e == NoLock::OneWay), "{what}: {found:?}");
    }
}

#[test]
fn an_anchor_of_a_turned_block_is_applied_about_the_middle() {
    let turn = Turn { angle: 0.01, stretch: 0.0 };
    let anchor = Anchor { shift: [10.0, 0.0], turn, light: 1.0, sigma: 0.0 };
    let pose = Pose { shift: [1.0, 2.0], turn, ..Pose::ZERO };
    let both = anchor.apply(&pose);
    // By hand: R(0.01) (10, 0) = (9.9995, 0.099998).
    assert!((both.shift[0] - 10.9995).abs() < 1e-6 && (both.shift[1] - 2.099_998).abs() < 1e-6);
    assert!((both.turn.angle - 0.02).abs() < 1e-12);
}

#[test]
fn what_no_frame_saw_goes_on_as_its_neighbours_are() {
    let coding = Coding::for_white(200.0);
    let flat = Plane::from_fn(40, 30, |x, y| if x < 20 { 50.0 } else { 60.0 + y as f32 });
    let frame = FixedPlane::from_plane(&flat, None, coding);
    let posed = |shift| Posed { frame: &frame, shift, turn: Turn::NONE, light: 1.0, hidden: None };
    // What lies at the right and at the top was in neither frame.
    let all = average(&[posed([6.0, -4.0]), posed([8.0, -5.0])], 40, 30);
    let seen = |x: usize, y: usize| all.count.at(x, y) > 0.0;
    let unseen = (0..30).flat_map(|y| (0..40).map(move |x| (x, y))).filter(|&(x, y)| !seen(x, y));
    assert!(unseen.clone().count() > 250);
    for (x, y) in unseen {
        let row = (y..30).find(|&y| (0..40).any(|x| seen(x, y))).unwrap();
        let column = (0..=x).rev().find(|&x| seen(x, row)).unwrap();
        assert_eq!(all.mean.at(x, y).to_bits(), all.mean.at(column, row).to_bits(), "{x} {y}");
        assert!(all.mean.at(x, y) > 45.0);
    }
}
