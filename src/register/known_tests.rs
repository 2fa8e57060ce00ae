use super::super::clean::{Before, Learned, follow, learn};
use super::*;
use crate::frame::NoiseModel;
use crate::frame::convert::to_f32;
use rand::SeedableRng;
use rand_chacha::ChaCha12Rng;
use rand_distr::{Distribution, Normal};

/// A texture in electrons: waves whose directions and lengths have no period in common.
fn texture(u: f64, v: f64) -> f64 {
    let wave = |k: u32| {
        let k = f64::from(k);
        let (f, angle) = (0.05 + 0.065 * k, 2.4 * k);
        65.0 * libm::sin(f * (libm::cos(angle) * u + libm::sin(angle) * v) + 1.7 * k * k)
    };
    900.0 + (0..9).map(wave).sum::<f64>()
}

/// Frames whose scene lies at `path`; a bright plate moves by over the columns `hidden`.
fn frames(
    [w, h]: [usize; 2],
    path: &[[f64; 2]],
    hidden: std::ops::Range<usize>,
    seed: u64,
) -> Vec<Option<FixedPlane>> {
    let one = Normal::new(0.0_f32, 1.0).unwrap();
    let mut rng = ChaCha12Rng::seed_from_u64(seed);
    let frame = |(k, p): (usize, &[f64; 2])| {
        let seen = Plane::from_fn(w, h, |x, y| {
            let (u, v) = (x as f64 - p[0], y as f64 - p[1]);
            let plate = texture(1.3 * u + 0.4 * k as f64, 1.1 * v - 0.3 * k as f64) + 150.0;
            let light = to_f32(if hidden.contains(&x) { plate } else { texture(u, v) });
            light + (light + 64.0).sqrt() * one.sample(&mut rng)
        });
        Some(FixedPlane::from_plane(&seen, None, Coding::for_white(3000.0)))
    };
    path.iter().enumerate().map(frame).collect()
}

fn path(frames: usize, from: [f64; 2]) -> Vec<[f64; 2]> {
    let at = |k: usize| {
        let t = k as f64;
        [from[0] + 0.8 * libm::sin(1.1 * t), from[1] + 0.6 * libm::cos(1.7 * t)]
    };
    (0..frames).map(at).collect()
}

fn noise() -> PixelNoise {
    PixelNoise::new(&NoiseModel { gain_e_per_dn: 1.0, read_noise_e: 8.0 })
}

/// Rms error along an axis of poses, if the first block's mean error is `offset`; that error.
fn error(poses: &[Option<Pose>], truth: &[[f64; 2]], offset: [f64; 2]) -> (f64, [f64; 2]) {
    let off: Vec<[f64; 2]> = poses
        .iter()
        .zip(truth)
        .map(|(p, t)| [0, 1].map(|a| p.unwrap().shift[a] - t[a] - offset[a]))
        .collect();
    let n = off.len() as f64;
    let mean = [0, 1].map(|a| off.iter().map(|e| e[a]).sum::<f64>() / n);
    let squares: f64 = off.iter().flatten().map(|e| e * e).sum();
    ((squares / (2.0 * n)).sqrt(), mean)
}

fn first(size: [usize; 2]) -> (Learned, [f64; 2]) {
    let truth = path(16, [0.0; 2]);
    let mut clip = frames(size, &truth, 0..0, 1);
    let first = learn(&mut clip, &noise(), &RegisterSettings::default(), true).unwrap();
    let offset = error(&first.block.poses, &truth, [0.0; 2]).1;
    (first, offset)
}

fn followed(first: &Learned, mut clip: Vec<Option<FixedPlane>>) -> Vec<Option<Pose>> {
    let Learned { block, faults, known, .. } = first;
    let before = Before { first: block, faults, known: known.as_ref() };
    follow(&mut clip, &noise(), &RegisterSettings::default(), before).unwrap().poses
}

fn found(first: &Learned, clip: &[Option<FixedPlane>]) -> Option<Found> {
    let lent: Vec<_> = clip.iter().map(Option::as_ref).collect();
    let settings = RegisterSettings::default();
    first.known.as_ref().unwrap().find(&lent, (&noise(), &settings), &first.block)
}

#[test]
fn a_small_block_far_away_is_tied_to_the_first() {
    let size = [224, 192];
    let (first, offset) = first(size);
    // Further than a tile is followed from one frame to the next.
    let truth = path(16, [27.3, -14.8]);
    let clip = frames(size, &truth, 0..0, 2);
    let start = found(&first, &clip).unwrap();
    assert!(!start.fine, "small frames are registered on their own as well");
    let poses = followed(&first, clip);
    let (rms, _) = error(&poses, &truth, offset);
    let sigma = poses[3].unwrap().sigma;
    assert!(rms < 2.0 * sigma && rms < 0.02, "{rms} {sigma}");
}

#[test]
fn a_large_block_is_laid_by_the_first_alone_and_what_is_new_is_left_out() {
    let size = [768, 736];
    let (first, offset) = first(size);
    let truth = path(12, [-6.4, 3.1]);
    // Not one frame of the first block had the plate.
    let clip = frames(size, &truth, 300..420, 3);
    let start = found(&first, &clip).unwrap();
    assert!(start.fine);
    let (rms, _) = error(&start.poses, &truth, offset);
    let sigma = start.poses[3].unwrap().sigma;
    assert!(rms < 1.5 * sigma, "{rms} {sigma}");
    assert_eq!(followed(&first, clip), start.poses);
}

#[test]
fn another_scene_is_not_found() {
    let size = [224, 192];
    let (first, _) = first(size);
    let clip = frames(size, &path(12, [0.0; 2]), 0..size[0], 4);
    assert!(found(&first, &clip).is_none());
}

#[test]
fn frames_without_a_pose_are_found_near_their_neighbours() {
    let truth = path(16, [0.0; 2]);
    let mut clip = frames([224, 192], &truth, 0..0, 1);
    let settings = RegisterSettings::default();
    let Learned { block, known, .. } = learn(&mut clip, &noise(), &settings, true).unwrap();
    // One in the middle, the first and the last; and one that shows something else.
    let mut poses = block.poses.clone();
    for k in [0, 5, 9, 15] {
        poses[k] = None;
    }
    clip[9] = frames([224, 192], &[[90.0, 70.0]], 0..0, 5).pop().unwrap();
    let lent: Vec<_> = clip.iter().map(Option::as_ref).collect();
    let found = known.unwrap().missed(&lent, &poses, (&noise(), &settings), &block);
    for (k, found) in found.iter().enumerate() {
        assert_eq!(found.is_some(), [0, 5, 15].contains(&k), "{k}");
        let Some(found) = found else { continue };
        let before = block.poses[k].unwrap();
        let off = [0, 1].map(|a| (found.shift[a] - before.shift[a]).abs());
        assert!(off[0].max(off[1]) < 4.0 * found.sigma && found.sigma < 0.05, "{k} {off:?}");
    }
}
