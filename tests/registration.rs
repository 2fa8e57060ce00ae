//! The steadying against scenes whose motion is known.

use hushframe::frame::{Coding, FixedPlane, NoiseModel, Plane};
use hushframe::math::resample::shifted;
use hushframe::register::clean::{Learned, learn};
use hushframe::register::{NoLock, PixelNoise, Pose, RegisterSettings, anchor, block, gather};
use rand::SeedableRng;
use rand_chacha::ChaCha12Rng;
use rand_distr::{Distribution, Normal, Poisson};

const SIDE: usize = 160;
const READ: f64 = 8.0;
/// Side of frames that have room for what is looked up.
const WIDE: usize = 288;

fn texture(name: &str) -> Plane {
    let path = format!("{}/test-frames/textures/{name}.png", env!("CARGO_MANIFEST_DIR"));
    let picture = image::open(path).unwrap().to_luma8();
    let (w, h) = (picture.width() as usize, picture.height() as usize);
    let values = picture.into_raw().into_iter().map(|v| 0.06 + 0.88 * f32::from(v) / 255.0);
    Plane::from_vec(w, h, values.collect()).unwrap()
}

/// Shift of the scene in frame k: drift and vibration.
fn truth(k: usize) -> [f64; 2] {
    let t = k as f64;
    [0.07 * t + 0.5 * (0.86 * t).sin(), -0.04 * t + 0.4 * (1.3 * t).sin()]
}

fn with_noise(clean: &Plane, k: usize) -> FixedPlane {
    with_noise_of(7, clean, k)
}

fn with_noise_of(seed: u64, clean: &Plane, k: usize) -> FixedPlane {
    let mut rng = ChaCha12Rng::seed_from_u64(seed);
    rng.set_stream(k as u64 + 1);
    let read = Normal::new(0.0, READ).unwrap();
    let mut p = clean.clone();
    for v in p.data_mut() {
        let shot = Poisson::new(f64::from(v.max(0.01))).unwrap().sample(&mut rng);
        *v = (shot + read.sample(&mut rng)) as f32;
    }
    FixedPlane::from_plane(&p, None, Coding::for_white(2000.0))
}

/// `grass` behind a disc of `brick` that crosses the picture, at a peak of `light` electrons.
fn frames(n: usize, light: f32, disc: bool) -> Vec<FixedPlane> {
    let (back, front) = (texture("grass"), texture("brick"));
    (0..n)
        .map(|k| {
            let p = truth(k);
            let moved = shifted(&back, -p[0], -p[1]);
            let centre = [80.0 + 0.8 * (k as f64 - 12.0), 80.0 + 0.5 * (k as f64 - 12.0)];
            let clean = Plane::from_fn(SIDE, SIDE, |x, y| {
                let (dx, dy) = (x as f64 - centre[0], y as f64 - centre[1]);
                let inside = disc && (dx * dx + dy * dy).sqrt() < 49.0;
                let v = if inside {
                    front.at((dx + 200.0) as usize, (dy + 200.0) as usize)
                } else {
                    moved.at(x + 100, y + 100)
                };
                v * light
            });
            with_noise(&clean, k)
        })
        .collect()
}

fn noise() -> PixelNoise {
    PixelNoise::new(&NoiseModel { gain_e_per_dn: 1.0, read_noise_e: READ })
}

fn rms_error(found: &[[f64; 2]]) -> f64 {
    let n = found.len() as f64;
    let mut total = 0.0;
    for a in 0..2 {
        let d: Vec<f64> = found.iter().enumerate().map(|(k, f)| f[a] - truth(k)[a]).collect();
        let mean = d.iter().sum::<f64>() / n;
        total += d.iter().map(|v| (v - mean).powi(2)).sum::<f64>();
    }
    (total / (2.0 * n)).sqrt()
}

fn shifts(done: &block::Block) -> Vec<[f64; 2]> {
    done.poses.iter().map(|p| p.unwrap().shift).collect()
}

#[test]
fn the_background_is_followed_behind_a_moving_disc() {
    let frames = frames(24, 400.0, true);
    let list: Vec<_> = frames.iter().map(Some).collect();
    let done = block::register(&list, &noise(), &RegisterSettings::default()).unwrap();
    let error = rms_error(&shifts(&done));
    println!("rms error {error:.4} px, still {:.2}", done.still_share());
    assert!(error < 0.05, "{error}");
    // The claim is of the size of the error.
    let claimed = done.poses.iter().flatten().map(|p| p.sigma).sum::<f64>() / 24.0;
    assert!(claimed > 0.5 * error && claimed < 2.0 * error, "{claimed} {error}");
    // The disc covers 30 % of the frame, and sweeps more.
    assert!(done.still_share() < 0.75, "{}", done.still_share());
}

#[test]
fn the_same_bits_for_any_number_of_threads() {
    let frames = frames(8, 400.0, true);
    let list: Vec<_> = frames.iter().map(Some).collect();
    let run = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        pool.install(|| block::register(&list, &noise(), &RegisterSettings::default()).unwrap())
    };
    assert_eq!(run(1), run(3));
}

#[test]
fn a_picture_without_texture_is_no_lock() {
    let flat = Plane::filled(SIDE, SIDE, 40.0);
    for seed in [7, 8, 9] {
        for n in [16, 40] {
            let frames: Vec<_> = (0..n).map(|k| with_noise_of(seed, &flat, k)).collect();
            let list: Vec<_> = frames.iter().map(Some).collect();
            let answer = block::register(&list, &noise(), &RegisterSettings::default());
            let why = answer.map(|_| "a block").expect_err("noise was taken for a background");
            println!("seed {seed}, {n} frames: {why}");
            assert!(matches!(
                why,
                NoLock::NoTexture | NoLock::NotConfirmed { .. } | NoLock::NoConsensus { .. }
            ));
        }
    }
}

#[test]
fn a_frame_alone_is_no_lock() {
    let frame = frames(1, 400.0, true).swap_remove(0);
    let list = [None, Some(&frame), None];
    let why = block::register(&list, &noise(), &RegisterSettings::default());
    assert_eq!(why, Err(NoLock::TooFew));
}

#[test]
fn a_picture_without_noise_or_texture_is_no_lock() {
    let flat = Plane::filled(SIDE, SIDE, 40.0);
    let frame = FixedPlane::from_plane(&flat, None, Coding::for_white(2000.0));
    let list = [Some(&frame); 12];
    let why = block::register(&list, &noise(), &RegisterSettings::default());
    assert!(why.is_err(), "{why:?}");
}

/// Cells of 106 px, each going its own way: the largest thing that moves as one is a ninth of the
/// picture.
#[test]
fn a_background_of_less_than_15_percent_is_no_lock() {
    const WIDE: usize = 320;
    let picture = texture("gravel");
    for seed in [1, 2] {
        let frames: Vec<_> = (0..16)
            .map(|k| {
                let moved: Vec<Plane> = (0..9)
                    .map(|c| {
                        let angle = 0.7 * f64::from(c) + 0.3 * seed as f64;
                        let far = (0.4 + 0.15 * f64::from(c)) * k as f64;
                        shifted(&picture, far * angle.cos(), far * angle.sin())
                    })
                    .collect();
                let clean = Plane::from_fn(WIDE, WIDE, |x, y| {
                    let cell = (x * 3 / WIDE) + 3 * (y * 3 / WIDE);
                    moved[cell].at(x + 80, y + 80) * 400.0
                });
                with_noise_of(seed, &clean, k)
            })
            .collect();
        let list: Vec<_> = frames.iter().map(Some).collect();
        let answer = block::register(&list, &noise(), &RegisterSettings::default());
        let why = answer.map(|_| "a block").expect_err("one of nine cells was taken");
        println!("seed {seed}: {why}");
        assert!(why.to_string().contains('%') || matches!(why, NoLock::NotConfirmed { .. }));
    }
}

#[test]
fn rectangles_choose_the_background() {
    let frames = frames(16, 400.0, true);
    let list: Vec<_> = frames.iter().map(Some).collect();
    // Told to look at the disc only, it follows the disc.
    let disc = RegisterSettings { include: vec![[48, 48, 64, 64]], ..RegisterSettings::default() };
    let done = block::register(&list, &noise(), &disc).unwrap();
    let moved = shifts(&done)[15][0] - shifts(&done)[0][0];
    assert!((moved - 0.8 * 15.0).abs() < 1.0, "{moved}");
    assert!(done.still_share() <= 64.0 * 64.0 / (160.0 * 160.0));
    // Told to leave its surroundings out, it follows the rest and no pixel there is still.
    let rest = RegisterSettings { exclude: vec![[66, 66, 94, 94]], ..RegisterSettings::default() };
    let done = block::register(&list, &noise(), &rest).unwrap();
    let error = rms_error(&shifts(&done));
    assert!(error < 0.05, "{error}");
    assert_eq!(done.still[100 * SIDE + 100], 0);
}

/// `grass` at low light behind a disc of `brick` that travels: 24 frames from one on.
fn travelling(from: usize, seed: u64) -> Vec<Option<FixedPlane>> {
    let (back, front) = (texture("grass"), texture("brick"));
    (from..from + 24)
        .map(|k| {
            let p = truth(k);
            let moved = shifted(&back, -p[0], -p[1]);
            let centre = [90.0 + 0.8 * k as f64, 110.0 + 0.4 * k as f64];
            let clean = Plane::from_fn(WIDE, WIDE, |x, y| {
                let (dx, dy) = (x as f64 - centre[0], y as f64 - centre[1]);
                let inside = (dx * dx + dy * dy).sqrt() < 80.0;
                let at = |v: f64| (v + 200.0) as usize;
                25.0 * if inside { front.at(at(dx), at(dy)) } else { moved.at(x + 100, y + 100) }
            });
            Some(with_noise_of(seed, &clean, k))
        })
        .collect()
}

fn lent(frames: &[Option<FixedPlane>]) -> Vec<Option<&FixedPlane>> {
    frames.iter().map(Option::as_ref).collect()
}

/// Mean of what poses of frames `from` on are off by, and the rms about it.
fn off(poses: &[Option<Pose>], from: usize) -> ([f64; 2], f64) {
    let off: Vec<[f64; 2]> = poses
        .iter()
        .enumerate()
        .filter_map(|(k, p)| {
            let (found, truth) = (p.as_ref()?.shift, truth(from + k));
            Some([found[0] - truth[0], found[1] - truth[1]])
        })
        .collect();
    let n = off.len() as f64;
    let mean = [0, 1].map(|a| off.iter().map(|e| e[a]).sum::<f64>() / n);
    let squares: f64 =
        off.iter().flat_map(|e| [e[0] - mean[0], e[1] - mean[1]]).map(|d| d * d).sum();
    (mean, (squares / (2.0 * n)).sqrt())
}

#[test]
fn a_part_that_has_moved_on_does_not_pass_for_the_background() {
    let (a, b) = (travelling(0, 11), travelling(48, 12));
    let settings = RegisterSettings::default();
    let first = block::register(&lent(&a), &noise(), &settings).unwrap();
    let later = block::register(&lent(&b), &noise(), &settings).unwrap();
    let tied = anchor::anchor(&later, &first, &noise()).unwrap();
    let (from, here) = (off(&first.poses, 0).0, off(&tied.apply_all(&later.poses), 48).0);
    let apart = (here[0] - from[0]).hypot(here[1] - from[1]);
    println!("{apart:.4} px apart, claimed {:.4}", tied.sigma);
    // The disc has moved on by 43 px.
    assert!(apart < 0.15, "{apart}");
}

#[test]
fn at_low_light_blocks_of_small_frames_are_steadied_together() {
    let settings = RegisterSettings::default();
    let mut planes: Vec<_> = (0..4).flat_map(|b| travelling(24 * b, 20 + b as u64)).collect();
    let learned: Learned = learn(&mut planes[..24], &noise(), &settings, true).unwrap();
    assert_eq!(gather::wanted(&learned, 24, WIDE * WIDE), 3);
    let alone = off(&learned.block.poses, 0).1;
    let ranges: Vec<_> = (0..4).map(|b| 24 * b..24 * (b + 1)).collect();
    let all = gather::gather(learned, (&mut planes, &ranges), &noise(), &settings);
    let (from, first) = off(&all.learned.block.poses, 0);
    println!("first block: {alone:.4} px alone, {first:.4} px with the others");
    assert!(first < 0.9 * alone, "{first} {alone}");
    for (k, followed) in all.followed.iter().enumerate() {
        let (mean, rms) = off(&followed.as_ref().unwrap().poses, 24 * (k + 1));
        let apart = (mean[0] - from[0]).hypot(mean[1] - from[1]);
        println!("block {}: {rms:.4} px, {apart:.4} px from the first", k + 1);
        // The disc covers more of the later ones.
        assert!(rms < 1.2 * alone && apart < 0.1, "block {}: {rms} {apart}", k + 1);
    }
}

#[test]
fn large_frames_and_good_light_gather_nothing() {
    // One block of 1920 x 1080 pixels is as much as is kept at once.
    assert_eq!(
        [[1920, 1080], [1280, 720], [384, 384]].map(|[w, h]| gather::at_most(w * h)),
        [1, 2, 4]
    );
    let mut bright: Vec<_> = frames(24, 400.0, true).into_iter().map(Some).collect();
    let learned = learn(&mut bright, &noise(), &RegisterSettings::default(), true).unwrap();
    assert_eq!(gather::wanted(&learned, 24, SIDE * SIDE), 0);
}
