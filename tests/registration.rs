//! The steadying against scenes whose motion is known.

use hushframe::frame::{Coding, FixedPlane, NoiseModel, Plane};
use hushframe::math::resample::shifted;
use hushframe::register::{NoLock, PixelNoise, RegisterSettings, block};
use rand::SeedableRng;
use rand_chacha::ChaCha12Rng;
use rand_distr::{Distribution, Normal, Poisson};

const SIDE: usize = 160;
const READ: f64 = 8.0;

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
