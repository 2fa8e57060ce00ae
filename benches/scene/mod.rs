//! Scenes with known truth for the accuracy benches: a real texture, Fourier-shifted, behind a
//! textured disc that moves, turns and rings; photons and read noise on top.
#![allow(
    dead_code,
    missing_docs,
    missing_debug_implementations,
    unreachable_pub,
    clippy::expect_used,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::cast_lossless,
    reason = "a bench: each uses its part of this module, and a fault may end it"
)]

pub mod disc;

use hushframe::frame::{Coding, FixedPlane, NoiseModel, Plane};
use hushframe::math::fft2::{Fft2, Scratch, frequency};
use rand::SeedableRng;
use rand_chacha::ChaCha12Rng;
use rand_distr::{Distribution, Normal, Poisson};
use rustfft::num_complex::Complex32;

/// A full turn.
const TURN: f64 = 2.0 * std::f64::consts::PI;

/// A texture of test-frames/textures as light from 0.06 to 0.94: stray light keeps the overshoot
/// of an exact shift away from zero, where photons could not follow it.
pub(crate) fn texture(name: &str) -> Plane {
    let path = format!("{}/test-frames/textures/{name}.png", env!("CARGO_MANIFEST_DIR"));
    let picture = image::open(path).expect("bundled texture").to_luma8();
    let (w, h) = (picture.width() as usize, picture.height() as usize);
    Plane::from_vec(
        w,
        h,
        picture.into_raw().into_iter().map(|v| 0.06 + 0.88 * f32::from(v) / 255.0).collect(),
    )
    .expect("size of the picture")
}

/// Contrast that a perfect lens with a round stop leaves at `s` times its cutoff frequency
/// (Goodman, Introduction to Fourier Optics, section 6.4; from memory).
fn diffraction(s: f64) -> f64 {
    if s >= 1.0 {
        return 0.0;
    }
    2.0 / std::f64::consts::PI * (s.acos() - s * (1.0 - s * s).sqrt())
}

/// A periodic plane whose content can be moved exactly.
#[derive(Clone)]
pub(crate) struct Shiftable {
    fft: Fft2,
    spectrum: Vec<Complex32>,
}

impl Shiftable {
    pub(crate) fn new(plane: &Plane) -> Self {
        let fft = Fft2::new(plane.width(), plane.height());
        let mut spectrum = Vec::new();
        fft.forward(plane.data(), &mut spectrum, &mut Scratch::default());
        Self { fft, spectrum }
    }

    /// Content moved by (dx, dy): x right, y down.
    pub(crate) fn moved(&self, dx: f64, dy: f64) -> Plane {
        self.changed(|fx, fy| {
            let a = -TURN * (fx * dx + fy * dy);
            Complex32::new(a.cos() as f32, a.sin() as f32)
        })
    }

    /// Gradient along x and along y of the content moved by (dx, dy), from the spectrum:
    /// differences of neighbours would miss much of the finest detail.
    pub(crate) fn gradient(&self, dx: f64, dy: f64) -> [Plane; 2] {
        [0, 1].map(|axis| {
            self.changed(|fx, fy| {
                let f = [fx, fy][axis];
                // The sign of the highest frequency is not known: a real picture has no slope there.
                let f = if f.abs() > 0.4999 { 0.0 } else { TURN * f };
                let a = -TURN * (fx * dx + fy * dy);
                Complex32::new((-f * a.sin()) as f32, (f * a.cos()) as f32)
            })
        })
    }

    /// Seen through a lens whose detail ends at `cutoff` cycles a pixel.
    pub(crate) fn through_lens(&self, cutoff: f64) -> Self {
        let seen = self.changed(|fx, fy| {
            Complex32::new(diffraction((fx * fx + fy * fy).sqrt() / cutoff) as f32, 0.0)
        });
        Self::new(&seen)
    }

    /// The content sampled [`FINER`] times as finely.
    fn finer(&self) -> Plane {
        let n = FINER;
        let mut out = Plane::filled(self.fft.width() * n, self.fft.height() * n, 0.0);
        for i in 0..n * n {
            let (dx, dy) = (i % n, i / n);
            let part = self.moved(-(dx as f64) / n as f64, -(dy as f64) / n as f64);
            for y in 0..part.height() {
                for x in 0..part.width() {
                    out.row_mut(y * n + dy)[x * n + dx] = part.at(x, y);
                }
            }
        }
        out
    }

    /// The picture with each value of its spectrum multiplied.
    fn changed(&self, factor: impl Fn(f64, f64) -> Complex32) -> Plane {
        let (w, h) = (self.fft.width(), self.fft.height());
        let mut s = self.spectrum.clone();
        for kx in 0..self.fft.columns() {
            for ky in 0..h {
                let by = factor(frequency(kx, w), frequency(ky, h));
                s[kx * h + ky] *= by / (w * h) as f32;
            }
        }
        let mut out = Vec::new();
        self.fft.inverse(&mut s, &mut out, &mut Scratch::default());
        Plane::from_vec(w, h, out).expect("same size")
    }
}

/// How the scene is made.
#[derive(Debug, Clone)]
pub(crate) struct Setup {
    pub(crate) size: usize,
    pub(crate) frames: usize,
    pub(crate) background: &'static str,
    pub(crate) foreground: &'static str,
    /// Part of the area that moves; 0 for none.
    pub(crate) share: f64,
    /// Pixels a frame.
    pub(crate) velocity: [f64; 2],
    /// Radians a frame.
    pub(crate) turn: f64,
    /// Pixels of ringing at 1/9 of the frame rate.
    pub(crate) ring: f64,
    /// Standard deviation of the random walk and of the vibration, pixels.
    pub(crate) walk: f64,
    pub(crate) vibration: f64,
    /// Constant motion of the camera, pixels a frame.
    pub(crate) pan: [f64; 2],
    /// Turn of the camera to and fro about the middle of the frame, rad.
    pub(crate) roll: f64,
    /// Spread of row offsets, anew in every frame; of a fixed pattern of pixels and of columns; e-.
    pub(crate) rows: f64,
    pub(crate) pattern: [f64; 2],
    /// Cutoff of the lens in cycles a pixel; `None`: the texture as sharp as its file, which no
    /// macro lens draws. 0.625 is an effective f/16 at 550 nm on pixels of 5.5 um.
    pub(crate) lens: Option<f64>,
    pub(crate) peak: f64,
    pub(crate) read: f64,
    /// Of the motion.
    pub(crate) seed: u64,
    /// Of the noise.
    pub(crate) noise_seed: u64,
}

impl Default for Setup {
    fn default() -> Self {
        Self {
            size: 384,
            frames: 60,
            background: "brick",
            foreground: "gravel",
            share: 0.3,
            velocity: [0.6, 0.35],
            turn: 0.004,
            ring: 0.8,
            walk: 0.1,
            vibration: 0.5,
            pan: [0.0, 0.0],
            roll: 0.0,
            rows: 0.0,
            pattern: [0.0; 2],
            lens: Some(0.625),
            peak: 150.0,
            read: 8.0,
            seed: 1,
            noise_seed: 1,
        }
    }
}

/// The scene, ready to give frames.
pub(crate) struct Scene {
    pub(crate) setup: Setup,
    pub(crate) background: Shiftable,
    foreground: Plane,
    /// The background sampled [`FINER`] times as finely; empty where nothing turns.
    fine: Plane,
    /// True shift of the scene in each frame, relative to the first.
    pub(crate) truth: Vec<[f64; 2]>,
}

/// How much more finely a background is sampled that is to be turned.
const FINER: usize = 4;

/// Cubic convolution of a plane (Keys, IEEE Trans. ASSP 29(6), 1153-1160, 1981; a = -1/2).
fn cubic(p: &Plane, x: f64, y: f64) -> f32 {
    let (fx, fy) = (x.floor(), y.floor());
    let weights = |t: f64| {
        [
            ((-0.5 * t + 1.0) * t - 0.5) * t,
            (1.5 * t - 2.5) * t * t + 1.0,
            ((-1.5 * t + 2.0) * t + 0.5) * t,
            (0.5 * t - 0.5) * t * t,
        ]
    };
    let (wx, wy) = (weights(x - fx), weights(y - fy));
    let wrap = |v: i64, n: usize| v.rem_euclid(n as i64) as usize;
    let mut sum = 0.0;
    for (j, b) in wy.iter().enumerate() {
        let row = p.row(wrap(fy as i64 + j as i64 - 1, p.height()));
        for (i, a) in wx.iter().enumerate() {
            sum += a * b * f64::from(row[wrap(fx as i64 + i as i64 - 1, p.width())]);
        }
    }
    sum as f32
}

/// Bilinear value of a periodic plane.
fn sample(p: &Plane, x: f64, y: f64) -> f32 {
    let (fx, fy) = (x.floor(), y.floor());
    let (tx, ty) = ((x - fx) as f32, (y - fy) as f32);
    let wrap = |v: f64, n: usize| (v as i64).rem_euclid(n as i64) as usize;
    let (x0, y0) = (wrap(fx, p.width()), wrap(fy, p.height()));
    let (x1, y1) = ((x0 + 1) % p.width(), (y0 + 1) % p.height());
    let top = p.at(x0, y0) * (1.0 - tx) + p.at(x1, y0) * tx;
    let low = p.at(x0, y1) * (1.0 - tx) + p.at(x1, y1) * tx;
    top * (1.0 - ty) + low * ty
}

impl Scene {
    pub(crate) fn new(setup: Setup) -> Self {
        let look = |name: &str| {
            let sharp = Shiftable::new(&texture(name));
            setup.lens.map_or_else(|| sharp.clone(), |cutoff| sharp.through_lens(cutoff))
        };
        let (background, foreground) = (look(setup.background), look(setup.foreground));
        Self::of(setup, background, foreground.moved(0.0, 0.0))
    }

    /// A small picture that repeats at its edges, without a foreground: cheap to make.
    pub(crate) fn small(setup: Setup) -> Self {
        let mut rng = ChaCha12Rng::seed_from_u64(99);
        let one = Normal::new(0.5, 0.35).expect("normal");
        let raw = Plane::from_fn(setup.size, setup.size, |_, _| one.sample(&mut rng) as f32);
        let seen = Shiftable::new(&raw).through_lens(0.35);
        let foreground = seen.moved(0.0, 0.0);
        Self::of(setup, seen, foreground)
    }

    fn of(setup: Setup, background: Shiftable, foreground: Plane) -> Self {
        let mut rng = ChaCha12Rng::seed_from_u64(setup.seed);
        let step = Normal::new(0.0, 1.0).expect("normal");
        let mut truth = Vec::new();
        let mut place = [0.0, 0.0];
        for k in 0..setup.frames {
            let mut p = place;
            for (a, v) in p.iter_mut().enumerate() {
                let phase = 2.0 * std::f64::consts::PI * k as f64 * [0.137, 0.211][a];
                *v += setup.vibration * (phase.sin() - 0.0) + setup.pan[a] * k as f64;
            }
            truth.push(p);
            for v in &mut place {
                *v += setup.walk * step.sample(&mut rng);
            }
        }
        let origin = truth[0];
        for p in &mut truth {
            *p = [p[0] - origin[0], p[1] - origin[1]];
        }
        let fine = if setup.roll.abs() > 0.0 { background.finer() } else { Plane::default() };
        Self { background, foreground, fine, truth, setup }
    }

    /// Opacity of the foreground at reference coordinates of frame k.
    pub(crate) fn cover(&self, k: usize, x: f64, y: f64) -> f32 {
        let s = &self.setup;
        if s.share <= 0.0 {
            return 0.0;
        }
        let n = s.size as f64;
        let radius = (s.share / std::f64::consts::PI).sqrt() * n;
        let c = self.centre(k);
        let d = ((x - c[0]).powi(2) + (y - c[1]).powi(2)).sqrt();
        (radius - d + 0.5).clamp(0.0, 1.0) as f32
    }

    fn centre(&self, k: usize) -> [f64; 2] {
        let s = &self.setup;
        let n = s.size as f64;
        let t = k as f64 - s.frames as f64 / 2.0;
        let ring = s.ring * (2.0 * std::f64::consts::PI * k as f64 / 9.0).sin();
        [0.5 * n + s.velocity[0] * t + ring, 0.5 * n + s.velocity[1] * t]
    }

    /// True turn of the scene in frame k, rad.
    pub(crate) fn roll(&self, k: usize) -> f64 {
        self.setup.roll * (TURN * k as f64 * 0.093).sin()
    }

    /// Frame k without noise where the camera turns, in electrons.
    fn clean_turned(&self, k: usize) -> Plane {
        let s = &self.setup;
        let (shift, angle) = (self.truth[k], self.roll(k));
        let inset = (self.background.fft.width() - s.size) as f64 / 2.0;
        let (sin, cos) = angle.sin_cos();
        let middle = (s.size as f64 - 1.0) / 2.0;
        let fine = &self.fine;
        Plane::from_fn(s.size, s.size, |x, y| {
            let d = [x as f64 - shift[0] - middle, y as f64 - shift[1] - middle];
            let (rx, ry) = (middle + cos * d[0] + sin * d[1], middle - sin * d[0] + cos * d[1]);
            let b = cubic(fine, FINER as f64 * (rx + inset), FINER as f64 * (ry + inset));
            self.in_front(k, b, (rx, ry)).max(0.0) * s.peak as f32
        })
    }

    /// What is seen at a place of the scene whose background is `b`.
    fn in_front(&self, k: usize, b: f32, (rx, ry): (f64, f64)) -> f32 {
        let a = self.cover(k, rx, ry);
        if a <= 0.0 {
            return b;
        }
        let c = self.centre(k);
        let (sin, cos) = (self.setup.turn * k as f64).sin_cos();
        let (dx, dy) = (rx - c[0], ry - c[1]);
        let f = sample(&self.foreground, 256.0 + cos * dx + sin * dy, 256.0 - sin * dx + cos * dy);
        b + a * (f - b)
    }

    /// Frame k without noise, in electrons, with the scene moved by `shift`.
    pub(crate) fn clean(&self, k: usize, shift: [f64; 2]) -> Plane {
        let s = &self.setup;
        let moved = self.background.moved(shift[0], shift[1]);
        let inset = (moved.width() - s.size) / 2;
        Plane::from_fn(s.size, s.size, |x, y| {
            let b = moved.at(x + inset, y + inset);
            let at = (x as f64 - shift[0], y as f64 - shift[1]);
            self.in_front(k, b, at).max(0.0) * s.peak as f32
        })
    }

    /// Frame k as the camera gives it, in electrons, with its noise.
    pub(crate) fn noisy(&self, k: usize) -> Plane {
        let s = &self.setup;
        let mut rng = ChaCha12Rng::seed_from_u64(s.noise_seed.wrapping_mul(7919) + 1);
        rng.set_stream(k as u64 + 1);
        let read = Normal::new(0.0, s.read.max(1e-9)).expect("normal");
        let turned = s.roll.abs() > 0.0;
        let mut p = if turned { self.clean_turned(k) } else { self.clean(k, self.truth[k]) };
        for v in p.data_mut() {
            let shot = if *v > 0.0 {
                Poisson::new(f64::from(*v)).expect("positive").sample(&mut rng)
            } else {
                0.0
            };
            *v = (shot + read.sample(&mut rng)) as f32;
        }
        self.add_faults(&mut p, &mut rng);
        p
    }

    /// What the sensor adds: rows anew, pixels and columns always alike.
    fn add_faults(&self, p: &mut Plane, rng: &mut ChaCha12Rng) {
        let s = &self.setup;
        let one = Normal::new(0.0, 1.0).expect("normal");
        if s.rows > 0.0 {
            for y in 0..p.height() {
                let by = (s.rows * one.sample(rng)) as f32;
                p.row_mut(y).iter_mut().for_each(|v| *v += by);
            }
        }
        if s.pattern.iter().any(|&v| v > 0.0) {
            let mut rng = ChaCha12Rng::seed_from_u64(4711);
            let columns: Vec<f64> =
                (0..p.width()).map(|_| s.pattern[1] * one.sample(&mut rng)).collect();
            for y in 0..p.height() {
                for (v, c) in p.row_mut(y).iter_mut().zip(&columns) {
                    *v += (s.pattern[0] * one.sample(&mut rng) + c) as f32;
                }
            }
        }
    }

    /// The noise model of the frames: one DN is one electron.
    pub(crate) fn noise(&self) -> NoiseModel {
        NoiseModel { gain_e_per_dn: 1.0, read_noise_e: self.setup.read }
    }

    /// The frame as the registration takes it.
    pub(crate) fn coded(&self, k: usize) -> FixedPlane {
        let white = (self.setup.peak * 2.0).max(400.0) as f32;
        FixedPlane::from_plane(&self.noisy(k), None, Coding::for_white(white))
    }

    /// Cramer-Rao bound of the shift (x and y) from background pixels only, with a known template:
    /// J = sum grad grad^T (1/v + 1/(2 v^2)).
    pub(crate) fn bound(&self, k: usize) -> [f64; 2] {
        self.bound_among(k, 0.0)
    }

    /// The same where each row has an unknown offset of standard deviation `rows` (electrons): J less what
    /// the offsets may explain, by its Schur complement.
    pub(crate) fn bound_among(&self, k: usize, rows: f64) -> [f64; 2] {
        let s = &self.setup;
        let shift = self.truth[k];
        let moved = self.background.moved(shift[0], shift[1]);
        let [sx, sy] = self.background.gradient(shift[0], shift[1]);
        let inset = (moved.width() - s.size) / 2;
        let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
        for y in 0..s.size {
            let mut row = [0.0; 3];
            for x in 0..s.size {
                if self.cover(k, x as f64 - shift[0], y as f64 - shift[1]) > 0.0 {
                    continue;
                }
                let at = |p: &Plane| f64::from(p.at(x + inset, y + inset)) * s.peak;
                let v = at(&moved).max(0.0) + s.read * s.read;
                let (gx, gy) = (at(&sx), at(&sy));
                let w = 1.0 / v + 0.5 / (v * v);
                xx += w * gx * gx;
                xy += w * gx * gy;
                yy += w * gy * gy;
                row.iter_mut().zip([1.0, gx, gy]).for_each(|(s, v)| *s += w * v);
            }
            if rows > 0.0 {
                let share = 1.0 / (row[0] + 1.0 / (rows * rows));
                xx -= share * row[1] * row[1];
                xy -= share * row[1] * row[2];
                yy -= share * row[2] * row[2];
            }
        }
        let det = xx * yy - xy * xy;
        [(yy / det).sqrt(), (xx / det).sqrt()]
    }
}

/// Root mean square error over frames and both axes, a constant offset removed.
pub(crate) fn rms_error(found: &[[f64; 2]], truth: &[[f64; 2]]) -> f64 {
    let n = found.len() as f64;
    let mut total = 0.0;
    for a in 0..2 {
        let d: Vec<f64> = found.iter().zip(truth).map(|(f, t)| f[a] - t[a]).collect();
        let mean = d.iter().sum::<f64>() / n;
        total += d.iter().map(|v| (v - mean).powi(2)).sum::<f64>();
    }
    (total / (2.0 * n)).sqrt()
}
