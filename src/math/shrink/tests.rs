use super::*;
use crate::frame::convert::{clamp_index, index_in, signed};
use crate::math::resample::{Shift, WHITE};

fn noise(i: usize) -> f32 {
    // A fixed, roughly normal sequence of variance 1: a sum of twelve counter hashes.
    let mut sum = -6.0;
    for k in 0..12_u32 {
        let mut h = (u32::try_from(i).unwrap() * 12 + k).wrapping_mul(0x9E37_79B9);
        h ^= h >> 16;
        h = h.wrapping_mul(0x85EB_CA6B);
        h ^= h >> 13;
        h = h.wrapping_mul(0xC2B2_AE35);
        h ^= h >> 16;
        sum += (h >> 8) as f32 / 16_777_216.0;
    }
    sum
}

const FINE: ShrinkSettings =
    ShrinkSettings { strength: 1.0, wiener: true, noise: WHITE, own: alike(WHITE) };

/// A frame whose noise is that of all.
const fn alike(noise: NoisePower) -> Own {
    Own { noise, slope: 0.0, floor: 4.0 }
}

#[test]
fn no_noise_no_change() {
    let p = Plane::from_fn(40, 33, |x, y| ((x * 31 + y * 17) % 23) as f32);
    let q = shrink(&p, &Plane::filled(40, 33, 0.0), &FINE).plane;
    for (a, b) in q.data().iter().zip(p.data()) {
        assert!((a - b).abs() < 1e-4);
    }
}

#[test]
fn noise_goes_and_an_edge_stays() {
    let clean = Plane::from_fn(96, 96, |x, _| if x < 48 { 0.0 } else { 40.0 });
    let noisy = Plane::from_fn(96, 96, |x, y| clean.at(x, y) + 2.0 * noise(y * 96 + x));
    let q = shrink(&noisy, &Plane::filled(96, 96, 4.0), &FINE).plane;
    let rms = |a: &Plane| {
        let s: f32 = a.data().iter().zip(clean.data()).map(|(p, c)| (p - c) * (p - c)).sum();
        (s / (96.0 * 96.0)).sqrt()
    };
    assert!((rms(&noisy) - 2.0).abs() < 0.1);
    assert!(rms(&q) < 0.7, "{}", rms(&q));
    assert!((q.at(44, 50)).abs() < 1.5 && (q.at(51, 50) - 40.0).abs() < 1.5);
}

#[test]
fn the_noise_left_is_what_is_said() {
    let noisy = Plane::from_fn(128, 128, |x, y| 50.0 + 2.0 * noise(y * 128 + x));
    let q = shrink(&noisy, &Plane::filled(128, 128, 4.0), &FINE);
    let rms = |v: f64| (v / (128.0 * 128.0)).sqrt();
    let was: f64 = q.plane.data().iter().map(|v| f64::from((v - 50.0).powi(2))).sum();
    assert_eq!((q.left.width(), q.left.height()), (32, 32));
    let said: f64 = q.left.data().iter().map(|&v| 16.0 * f64::from(v)).sum();
    assert!(rms(was) < rms(said) && rms(said) < 2.0 * rms(was), "{} {}", rms(was), rms(said));
}

#[test]
fn a_constant_stays_constant() {
    let q = shrink(&Plane::filled(50, 30, 7.5), &Plane::filled(50, 30, 9.0), &FINE).plane;
    assert!(q.data().iter().all(|v| (v - 7.5).abs() < 1e-4));
}

/// Noise that is not alike along both axes.
fn uneven() -> NoisePower {
    Shift::new(0.05, 0.5).noise_power()
}

/// A frame with other noise than the others have.
fn odd() -> Own {
    Own { noise: Shift::new(0.4, 0.1).noise_power(), slope: 0.5, floor: 6.0 }
}

/// The definition, block by block, with the weights of each pixel added up one after another.
fn slow(p: &Plane, variance: &Plane, guide: Option<&Plane>) -> Plane {
    let (w, h) = (p.width(), p.height());
    let at = |p: &Plane, x: isize, y: isize| p.at(clamp_index(x, w), clamp_index(y, h));
    let transform = |p: &Plane, x: isize, y: isize| {
        let rows = std::array::from_fn(|j| {
            forward(std::array::from_fn(|i| at(p, x + signed(i), y + signed(j))))
        });
        turned(rows).map(forward)
    };
    let mean = uneven().as_flattened().iter().sum::<f32>() / 64.0;
    let (mut sum, mut weight) = (Plane::filled(w, h, 0.0), Plane::filled(w, h, 0.0));
    for cy in (-4..signed(h)).step_by(4) {
        for cx in (-4..signed(w)).step_by(4) {
            let mut v = 0.0;
            for (j, i) in (0..16).map(|n| (n / 4 * 2, n % 4 * 2)) {
                v += at(variance, cx + i, cy + j) / 16.0;
            }
            let mut block = transform(p, cx, cy);
            let known = guide.map(|g| transform(g, cx, cy));
            let mut kept = 1.0;
            let level = block.as_flattened()[0] / 8.0;
            let own = v * f32::min(v / (odd().slope * level.max(0.0) + odd().floor), 1.0);
            for (k, ky) in (0..64).map(|n| (n / 8, n % 8)) {
                let more = odd().noise[k][ky] - uneven()[k][ky];
                let noise = (v * uneven()[k][ky] + own * more) / mean;
                let noise = if k + ky == 0 { 0.0 } else { noise };
                let power = known.map(|g| g[k][ky] * g[k][ky]);
                let c = block[k][ky];
                let factor = match power {
                    Some(q) => q / (q + noise),
                    None if c * c < THRESHOLD[k + ky].powi(2) * noise => 0.0,
                    None => 1.0,
                };
                block[k][ky] *= factor;
                kept += factor * factor;
            }
            let block = turned(block.map(inverse)).map(inverse);
            for (j, i) in (0..64).map(|n| (n / 8, n % 8)) {
                let inside = index_in(cx + signed(i), w).zip(index_in(cy + signed(j), h));
                let Some((x, y)) = inside else { continue };
                let q = TAPER[i] * TAPER[j] / (v * kept);
                sum.set(x, y, sum.at(x, y) + q * block[j][i]);
                weight.set(x, y, weight.at(x, y) + q);
            }
        }
    }
    Plane::from_fn(w, h, |x, y| sum.at(x, y) / weight.at(x, y))
}

fn turned(b: [[f32; SIDE]; SIDE]) -> [[f32; SIDE]; SIDE] {
    std::array::from_fn(|i| std::array::from_fn(|j| b[j][i]))
}

#[test]
fn both_passes_are_as_defined_at_any_size_and_for_any_number_of_threads() {
    for (w, h) in [(8, 8), (9, 11), (133, 70), (30, 137), (128, 64)] {
        let p = Plane::from_fn(w, h, |x, y| 3.0 * noise(y * w + x) + ((x / 5 + y / 7) % 3) as f32);
        let variance = Plane::from_fn(w, h, |x, y| 4.0 + ((x + 2 * y) % 50) as f32 * 0.2);
        let first = slow(&p, &variance, None);
        for (wiener, expected) in [(false, &first), (true, &slow(&p, &variance, Some(&first)))] {
            let s = ShrinkSettings { strength: 1.0, wiener, noise: uneven(), own: odd() };
            let with = |n: usize| {
                let pool = rayon::ThreadPoolBuilder::new().num_threads(n).build().unwrap();
                pool.install(|| shrink(&p, &variance, &s))
            };
            let one = with(1);
            for (a, b) in one.plane.data().iter().zip(expected.data()) {
                assert!((a - b).abs() < 2e-4, "{w} x {h}: {a} for {b}");
            }
            assert_eq!(with(7), one);
        }
    }
}

#[test]
fn noise_that_was_moved_goes_as_white_noise_does() {
    // A standing camera's frames are not moved: their noise is white. With the power that a moved
    // frame would have, more of it is left.
    let noisy = Plane::from_fn(128, 128, |x, y| 2.0 * noise(y * 128 + x));
    let left = |noise: NoisePower| {
        let settings = ShrinkSettings { noise, own: alike(noise), ..FINE };
        let q = shrink(&noisy, &Plane::filled(128, 128, 4.0), &settings);
        q.plane.data().iter().map(|v| f64::from(v * v)).sum::<f64>()
    };
    let (white, moved) = (left(WHITE), left(Shift::new(0.5, 0.5).noise_power()));
    assert!(white < 0.7 * moved, "{white} {moved}");
}
