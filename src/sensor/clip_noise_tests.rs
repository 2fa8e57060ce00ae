//! Tests of [`super`].

use super::*;
use crate::frame::{Domain, Mosaic};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal, Poisson};

const W: usize = 192;
const H: usize = 160;

/// Soft texture between 5 % and 100 % of `peak` e-, moved by `shift` px; the lower third of
/// the picture moves by 0.7 px a frame instead and is a sharp checkerboard (the mask does not
/// see stripes that lie along a row or column at all).
fn frame(peak: f64, k: f64, shift: f64, index: usize, rng: &mut ChaCha8Rng) -> Frame {
    let normal = Normal::new(0.0_f64, 1.0).unwrap();
    let plane = Plane::from_fn(W, H, |x, y| {
        let (x, y) = (x as f64 + shift, y as f64 + 0.5 * shift);
        let mut s =
            0.5 + 0.3 * libm::sin(x / 9.0) * libm::cos(y / 7.0) + 0.15 * libm::sin(x / 40.0);
        if y > 2.0 * H as f64 / 3.0 {
            let check = libm::sin((x + 0.7 * index as f64) * 1.6) * libm::sin(y * 1.1);
            s = if check > 0.0 { 0.9 } else { 0.2 };
        }
        let shot: f64 = Poisson::new(s * peak).unwrap().sample(rng);
        to_f32((64.0 + k * (shot + 8.0 * normal.sample(rng))).round())
    });
    Frame { domain: Domain::Raw, ..Frame::mono(plane) }
}

fn estimate(peak: f64, k: f64, gain: Option<f64>) -> Result<ClipNoiseEstimate, SensorError> {
    estimate_seed(peak, k, gain, 8)
}
#[test]
fn what_is_stated_as_uncertainty_is_what_is_missed() {
    let (mut gain, mut read) = (0.0, 0.0);
    for seed in 0..8 {
        let e = estimate_seed(300.0, 1.0, None, seed).unwrap();
        let z = (e.model.gain_e_per_dn - 1.0) / e.gain_sigma;
        gain += z * z / 8.0;
        let z = (e.model.read_noise_e - 8.0) / e.read_noise_sigma;
        read += z * z / 8.0;
    }
    // 8 z^2 is chi-square with 8 dof: between 1.34 and 21.95 in 99 % (handbook, from memory).
    assert!((0.17..2.75).contains(&gain) && (0.17..2.75).contains(&read), "{gain} {read}");
}

fn estimate_seed(
    peak: f64,
    k: f64,
    gain: Option<f64>,
    seed: u64,
) -> Result<ClipNoiseEstimate, SensorError> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let mut clip = ClipNoise::new(W, H, Layout::Mono, 64.0, 65_535.0);
    for pair in 0..6_u8 {
        let index = 2 * usize::from(pair);
        let a = frame(peak, k, 0.3 * f64::from(pair % 3), index, &mut rng);
        let b = frame(peak, k, 0.3 * f64::from(pair % 3) + 0.4, index + 1, &mut rng);
        clip.add_pair(&a, &b)?;
    }
    clip.finish(gain)
}

#[test]
fn a_third_of_the_frame_moving_does_not_spoil_it() {
    for (peak, k) in [(300.0, 1.0), (2_000.0, 0.5)] {
        let e = estimate(peak, k, None).unwrap();
        let gain = e.model.gain_e_per_dn * k;
        assert!((gain - 1.0).abs() < 0.06, "peak {peak}: gain {gain} {e:?}");
        assert!((e.model.gain_e_per_dn - 1.0 / k).abs() < 4.0 * e.gain_sigma, "{e:?}");
        assert!((e.model.read_noise_e - 8.0).abs() < 4.0 * e.read_noise_sigma, "{e:?}");
        assert!(e.used * 10 > e.blocks * 4 && e.used * 10 < e.blocks * 7, "{e:?}");
        assert!(e.read_noise_sigma < 0.3 * e.model.read_noise_e, "{e:?}");
    }
}

#[test]
fn a_known_gain_is_kept() {
    let e = estimate(25.0, 2.0, Some(0.5)).unwrap();
    assert!((e.model.gain_e_per_dn - 0.5).abs() < 1e-12 && e.gain_sigma.abs() < 1e-12);
    assert!((e.model.read_noise_e / 8.0 - 1.0).abs() < 0.03, "{e:?}");
}

#[test]
fn levels_that_span_nothing_are_refused() {
    let mut rng = ChaCha8Rng::seed_from_u64(1);
    let normal = Normal::new(500.0_f32, 10.0).unwrap();
    let mut clip = ClipNoise::new(W, H, Layout::Mono, 0.0, 4_095.0);
    let mut even = || Frame::mono(Plane::from_fn(W, H, |_, _| normal.sample(&mut rng)));
    clip.add_pair(&even(), &even()).unwrap();
    let text = clip.finish(None).unwrap_err().to_string();
    assert!(text.contains("span too little"), "{text}");
    let small = Frame::mono(Plane::filled(4, 4, 0.0));
    assert!(clip.add_pair(&small, &small).is_err());
}

#[test]
fn a_mosaic_is_measured_colour_by_colour() {
    let mut rng = ChaCha8Rng::seed_from_u64(2);
    let normal = Normal::new(0.0_f64, 1.0).unwrap();
    let mosaic = Mosaic::Rggb;
    let mut clip = ClipNoise::new(W, H, Layout::Mosaic(mosaic), 0.0, 65_535.0);
    let mut take = || {
        let plane = Plane::from_fn(W, H, |x, y| {
            let e = [400.0, 900.0, 150.0][mosaic.colour(x, y)] * (0.4 + x as f64 / W as f64);
            to_f32((e + (e + 64.0).sqrt() * normal.sample(&mut rng)).round())
        });
        Frame { layout: Layout::Mosaic(mosaic), ..Frame::mono(plane) }
    };
    for _ in 0..6 {
        clip.add_pair(&take(), &take()).unwrap();
    }
    let e = clip.finish(None).unwrap();
    assert!((e.model.gain_e_per_dn - 1.0).abs() < 0.05, "{e:?}");
    assert!((e.model.read_noise_e - 8.0).abs() < 0.8, "{e:?}");
}
