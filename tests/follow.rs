//! A part followed against the background of simulated footage, and what it says of its motion.

use std::f64::consts::TAU;

use hushframe::frame::convert::to_f32;
use hushframe::frame::{Coding, FixedPlane, NoiseModel};
use hushframe::measure::follow::{Followed, follow, main_direction_deg, series_along};
use hushframe::measure::ring::ring_down;
use hushframe::register::{PixelNoise, Pose};
use hushframe::simulate::Scene as _;
use hushframe::simulate::texture::grain;
use hushframe::simulate::textured::{DiscSettings, Ring, Textured};
use rand::SeedableRng as _;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution as _, Poisson, StandardNormal};

const SIZE: (usize, usize) = (128, 128);
const READ: f64 = 8.0;

/// Frames of a scene in electrons with noise, the rig's shift as their poses.
fn shoot(scene: &Textured, rate: f64, count: u32, electrons: f64) -> Vec<(FixedPlane, Pose)> {
    let mut rng = ChaCha8Rng::seed_from_u64(5);
    let coding = Coding::for_white(to_f32(electrons * 2.0));
    (0..count)
        .map(|k| {
            let t = f64::from(k) / rate;
            let rig = (0.8 * libm::sin(0.11 * f64::from(k)), 0.02 * f64::from(k));
            let mut light = scene.view(rig, t).light;
            for v in light.data_mut() {
                let mean = (f64::from(*v) * electrons).max(1e-6);
                let shot: f64 = Poisson::new(mean).unwrap().sample(&mut rng);
                let read: f64 = StandardNormal.sample(&mut rng);
                *v = to_f32(shot + READ * read);
            }
            let pose = Pose { shift: [rig.0, rig.1], ..Pose::ZERO };
            (FixedPlane::from_plane(&light, None, coding), pose)
        })
        .collect()
}

fn noise() -> PixelNoise {
    PixelNoise::new(&NoiseModel { gain_e_per_dn: 1.0, read_noise_e: READ })
}

fn scene(disc: &DiscSettings) -> Textured {
    let background = grain((160, 160), 0.5, 0.15, 9);
    Textured::new(SIZE, &background, disc).unwrap()
}

/// Error of each frame against the truth, its mean taken off, in units of the claim; and rms.
fn errors(found: &[Option<Followed>], truth: impl Fn(f64) -> [f64; 2]) -> (f64, f64) {
    let mut off = [Vec::new(), Vec::new()];
    let (mut claimed, mut n) = (0.0, 0.0);
    for (k, f) in found.iter().enumerate() {
        let f = f.expect("the part is never lost");
        let t = truth(k as f64);
        for i in 0..2 {
            off[i].push(f.shift[i] - t[i]);
            claimed += f.sigma[i] * f.sigma[i];
            n += 1.0;
        }
    }
    let mut sum = 0.0;
    for o in &off {
        let mean = o.iter().sum::<f64>() / o.len() as f64;
        sum += o.iter().map(|x| (x - mean).powi(2)).sum::<f64>();
    }
    ((sum / n).sqrt(), (claimed / n).sqrt())
}

#[test]
fn a_ringing_part_gives_its_frequency_and_damping() {
    let ring = Ring { amplitude_px: 4.0, frequency_hz: 183.0, decay_s: 0.04 };
    let disc = DiscSettings {
        fraction: 0.25,
        velocity_px_s: (0.0, 0.0),
        ring: Some(ring),
        ..DiscSettings::default()
    };
    let scene = scene(&disc);
    let (rate, count) = (3000.0, 120);
    let shot = shoot(&scene, rate, count, 150.0);
    let frames: Vec<_> = shot.iter().map(|(f, p)| Some((f, *p))).collect();
    let found = follow(&frames, [46, 50, 36, 36], &noise()).unwrap();
    let at = |k: f64| scene.centre_px(k / rate);
    let (rms, claimed) = errors(&found, |k| [at(k).0, at(k).1]);
    assert!(rms < 1.3 * claimed && rms > 0.7 * claimed, "rms {rms} px, claimed {claimed} px");
    assert!((main_direction_deg(&found).abs() - 90.0).abs() < 2.0);
    let times: Vec<f64> = (0..count).map(|k| f64::from(k) / rate).collect();
    let series = series_along(&found, &times, 90.0).unwrap();
    let r = ring_down(&series, 1).unwrap();
    let m = r.modes[0];
    let (f, tau) = (m.frequency_hz, m.tau_s.unwrap());
    assert!((f.value - 183.0).abs() < 3.0 * f.sigma && f.sigma < 0.1, "{f:?}");
    assert!((tau.value - 0.04).abs() < 3.0 * tau.sigma && tau.sigma < 0.001, "{tau:?}");
    assert!((m.amplitude.value - 4.0).abs() < 4.0 * m.amplitude.sigma, "{m:?}");
    // Peak speed 2 pi f A within 1 %.
    let (speed, expected) = (m.peak_speed(), TAU * 183.0 * 4.0);
    assert!((speed.value / expected - 1.0).abs() < 0.01, "{speed:?} against {expected}");
}

#[test]
fn a_part_that_slides_away_is_followed_to_the_edge() {
    let disc =
        DiscSettings { fraction: 0.12, velocity_px_s: (900.0, 0.0), ..DiscSettings::default() };
    let scene = scene(&disc);
    let rate = 1000.0;
    let shot = shoot(&scene, rate, 30, 150.0);
    let frames: Vec<_> = shot.iter().map(|(f, p)| Some((f, *p))).collect();
    let found = follow(&frames, [52, 52, 24, 24], &noise()).unwrap();
    let at = |k: f64| scene.centre_px(k / rate);
    let (rms, claimed) = errors(&found[..28], |k| [at(k).0, at(k).1]);
    assert!(rms < 1.4 * claimed, "rms {rms} px, claimed {claimed} px");
    let times: Vec<f64> = (0..28).map(|k| f64::from(k) / rate).collect();
    let series = series_along(&found[..28], &times, 0.0).unwrap();
    let speed = series.motion(13, 2).unwrap()[14];
    // 900 px/s, within 1 %.
    assert!((speed.velocity / 900.0 - 1.0).abs() < 0.01, "{speed:?}");
}

#[test]
fn what_cannot_be_followed_is_refused() {
    let scene = scene(&DiscSettings { fraction: 0.0, ..DiscSettings::default() });
    let shot = shoot(&scene, 1000.0, 10, 150.0);
    let frames: Vec<_> = shot.iter().map(|(f, p)| Some((f, *p))).collect();
    let text = follow(&frames, [0, 0, 30, 30], &noise()).unwrap_err().to_string();
    assert!(text.contains("does not fit a frame of 128x128"), "{text}");
    assert!(follow(&frames, [50, 50, 5, 30], &noise()).is_err());
    assert!(follow(&[None, None], [50, 50, 30, 30], &noise()).is_err());
    // An even area has nothing to follow.
    let flat = hushframe::frame::Plane::filled(128, 128, 0.0);
    let empty = FixedPlane::from_plane(&flat, None, Coding::for_white(300.0));
    let frames: Vec<_> = (0..10).map(|_| Some((&empty, Pose::ZERO))).collect();
    let text = follow(&frames, [50, 50, 30, 30], &noise()).unwrap_err().to_string();
    assert!(text.contains("only 0 of 10 frames"), "{text}");
}

#[test]
fn a_part_that_is_covered_for_a_while_is_lost_and_found_again() {
    let ring = Ring { amplitude_px: 2.0, frequency_hz: 61.0, decay_s: 1.0 };
    let disc = DiscSettings {
        fraction: 0.25,
        velocity_px_s: (0.0, 0.0),
        ring: Some(ring),
        ..DiscSettings::default()
    };
    let scene = scene(&disc);
    let (rate, count) = (1000.0, 72);
    let mut shot = shoot(&scene, rate, count, 150.0);
    // A textured plate over everything: it lies still, and is no part.
    let plate = Textured::new(
        SIZE,
        &grain((160, 160), 0.5, 0.15, 77),
        &DiscSettings { fraction: 0.01, velocity_px_s: (0.0, 0.0), ..DiscSettings::default() },
    );
    let covered = shoot(&plate.unwrap(), rate, count, 150.0);
    let behind = 30..50;
    for k in behind.clone() {
        shot[k] = covered[k].clone();
    }
    let frames: Vec<_> = shot.iter().map(|(f, p)| Some((f, *p))).collect();
    let found = follow(&frames, [46, 50, 36, 36], &noise()).unwrap();
    for (k, f) in found.iter().enumerate() {
        assert_eq!(f.is_none(), behind.contains(&k), "{k}: {f:?}");
    }
    let seen: Vec<_> = (0..count as usize).filter(|k| !behind.contains(k)).collect();
    let some: Vec<_> = seen.iter().map(|&k| found[k]).collect();
    let at = |i: f64| scene.centre_px(seen[i as usize] as f64 / rate);
    let (rms, claimed) = errors(&some, |i| [at(i).0, at(i).1]);
    assert!(rms < 1.4 * claimed, "rms {rms} px, claimed {claimed} px");
}
