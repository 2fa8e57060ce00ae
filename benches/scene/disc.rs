//! The averaging scene: a still bundled texture behind a textured disc that moves, with masks.

use hushframe::frame::{Coding, FixedPlane, NoiseModel, Plane};
use hushframe::math::blur::separable;
use hushframe::math::resample::{RowScratch, Shift, shifted_row};
use hushframe::stages::average::Locked;
use rand::SeedableRng;
use rand_chacha::ChaCha12Rng;
use rand_distr::{Distribution, Normal, Poisson};

use super::{Shiftable, texture};

/// Kernel of the disc's own sampling: Kaiser-windowed sinc of 16 taps, not the one under test.
const REACH: i64 = 8;

#[derive(Debug, Clone)]
pub struct Disc {
    pub size: usize,
    pub frames: usize,
    pub background: &'static str,
    pub foreground: &'static str,
    /// Part of the area under the disc.
    pub share: f64,
    /// Pixels a frame.
    pub velocity: [f64; 2],
    /// Radians a frame.
    pub turn: f64,
    /// Pixels of a swing with a period of 24 frames.
    pub ring: f64,
    /// Electrons of light 1, and read noise; 0 read noise means no noise at all.
    pub peak: f64,
    pub read: f64,
    /// Factor on the drift and vibration of the rig.
    pub rig: f64,
    /// Standard deviation of the registration error in pixels.
    pub error: f64,
    /// Whether a lens softens both textures (1 2 1 over 4, nothing left at 0.5 cycles a pixel).
    /// Without one, photographs of textures hold detail that no resampling keeps.
    pub lens: bool,
    pub seed: u64,
}

impl Default for Disc {
    fn default() -> Self {
        Self {
            size: 256,
            frames: 60,
            background: "brick",
            foreground: "gravel",
            share: 0.3,
            velocity: [1.5, 0.8],
            turn: 0.0,
            ring: 0.0,
            peak: 150.0,
            read: 8.0,
            rig: 1.0,
            error: 0.01,
            lens: true,
            seed: 1,
        }
    }
}

pub struct DiscScene {
    pub setup: Disc,
    background: Shiftable,
    foreground: Plane,
    /// Shift of the scene in each frame, and what the registration says of it.
    truth: Vec<[f64; 2]>,
    found: Vec<[f64; 2]>,
}

fn sinc_taps(t: f64) -> [f64; 16] {
    let bessel = |x: f64| {
        let (mut term, mut sum) = (1.0, 1.0);
        for k in 1..30 {
            term *= x * x / 4.0 / f64::from(k * k);
            sum += term;
        }
        sum
    };
    let mut out = [0.0; 16];
    for (i, o) in out.iter_mut().enumerate() {
        let d = i as f64 - (REACH - 1) as f64 - t;
        let edge = 1.0 - (d / REACH as f64).powi(2);
        let window = bessel(7.0 * edge.max(0.0).sqrt());
        let wave = if d.abs() < 1e-9 {
            1.0
        } else {
            (std::f64::consts::PI * d).sin() / (std::f64::consts::PI * d)
        };
        *o = window * wave;
    }
    let sum: f64 = out.iter().sum();
    out.map(|v| v / sum)
}

fn sample(p: &Plane, x: f64, y: f64) -> f32 {
    let (fx, fy) = (x.floor(), y.floor());
    let (tx, ty) = (sinc_taps(x - fx), sinc_taps(y - fy));
    let wrap = |v: i64, n: usize| v.rem_euclid(n as i64) as usize;
    let mut sum = 0.0;
    for (j, cy) in ty.iter().enumerate() {
        let row = p.row(wrap(fy as i64 + j as i64 - REACH + 1, p.height()));
        for (i, cx) in tx.iter().enumerate() {
            sum += cy * cx * f64::from(row[wrap(fx as i64 + i as i64 - REACH + 1, p.width())]);
        }
    }
    sum as f32
}

impl DiscScene {
    pub fn new(setup: Disc) -> Self {
        let mut rng = ChaCha12Rng::seed_from_u64(setup.seed);
        let unit = Normal::new(0.0, 1.0).expect("normal");
        let (mut truth, mut found, mut place) = (Vec::new(), Vec::new(), [0.0, 0.0]);
        for k in 0..setup.frames {
            let phase = 2.0 * std::f64::consts::PI * k as f64;
            let p =
                [place[0] + 0.5 * (0.137 * phase).sin(), place[1] + 0.5 * (0.211 * phase).sin()];
            let p = p.map(|v| setup.rig * v);
            truth.push(p);
            found.push(p.map(|v| v + setup.error * unit.sample(&mut rng)));
            for v in &mut place {
                *v += 0.1 * unit.sample(&mut rng);
            }
        }
        let seen = |name: &str| {
            let t = texture(name);
            if setup.lens { separable(&t, &[0.25, 0.5, 0.25]) } else { t }
        };
        Self {
            background: Shiftable::new(&seen(setup.background)),
            foreground: seen(setup.foreground),
            truth,
            found,
            setup,
        }
    }

    pub fn centre(&self, k: usize) -> [f64; 2] {
        let s = &self.setup;
        let t = k as f64 - s.frames as f64 / 2.0;
        let ring = s.ring * (2.0 * std::f64::consts::PI * k as f64 / 24.0).sin();
        let n = 0.5 * s.size as f64;
        [n + s.velocity[0] * t + ring, n + s.velocity[1] * t]
    }

    pub fn radius(&self) -> f64 {
        (self.setup.share / std::f64::consts::PI).sqrt() * self.setup.size as f64
    }

    /// Distance in pixels of locked position (x, y) to the disc's rim in frame k; below 0 inside.
    pub fn outside(&self, k: usize, x: f64, y: f64) -> f64 {
        let c = self.centre(k);
        ((x - c[0]).powi(2) + (y - c[1]).powi(2)).sqrt() - self.radius()
    }

    /// Frame k without noise in electrons, the scene moved by `shift`.
    pub fn clean(&self, k: usize, shift: [f64; 2]) -> Plane {
        let s = &self.setup;
        let moved = self.background.moved(shift[0], shift[1]);
        let inset = (moved.width() - s.size) / 2;
        let c = self.centre(k);
        let (sin, cos) = (s.turn * k as f64).sin_cos();
        Plane::from_fn(s.size, s.size, |x, y| {
            let b = moved.at(x + inset, y + inset);
            let (rx, ry) = (x as f64 - shift[0], y as f64 - shift[1]);
            let a = (0.5 - self.outside(k, rx, ry)).clamp(0.0, 1.0) as f32;
            let v = if a > 0.0 && s.share > 0.0 {
                let (dx, dy) = (rx - c[0], ry - c[1]);
                let f = sample(
                    &self.foreground,
                    256.0 + cos * dx + sin * dy,
                    256.0 - sin * dx + cos * dy,
                );
                b + a * (f - b)
            } else {
                b
            };
            v.max(0.0) * s.peak as f32
        })
    }

    /// Frame k as the camera gives it, in electrons.
    pub fn noisy(&self, k: usize) -> Plane {
        let s = &self.setup;
        let mut p = self.clean(k, self.truth[k]);
        if s.read > 0.0 {
            let mut rng = ChaCha12Rng::seed_from_u64(s.seed.wrapping_mul(7919) + 1);
            rng.set_stream(k as u64 + 1);
            let read = Normal::new(0.0, s.read).expect("normal");
            for v in p.data_mut() {
                let shot = if *v > 0.0 {
                    Poisson::new(f64::from(*v)).expect("positive").sample(&mut rng)
                } else {
                    0.0
                };
                *v = (shot + read.sample(&mut rng)) as f32;
            }
        }
        p
    }

    /// Frame k brought into locked coordinates with the pose that was found.
    pub fn locked(&self, k: usize) -> Locked {
        let s = &self.setup;
        let frame = self.noisy(k);
        let shift = Shift::new(self.found[k][0], self.found[k][1]);
        let mut out = Plane::filled(s.size, s.size, 0.0);
        let mut scratch = RowScratch::default();
        for y in 0..s.size {
            shifted_row((&frame).into(), &shift, (0, y as isize), out.row_mut(y), &mut scratch);
        }
        let coding = Coding::for_white((2.0 * s.peak).max(400.0) as f32);
        Locked {
            planes: vec![FixedPlane::from_plane(&out, None, coding)],
            brightened: 1.0,
            noise_gain: shift.noise_gain(),
            noise_power: shift.noise_power(),
            sigma: s.error as f32,
        }
    }

    /// The noise model of the frames: one DN is one electron; hardly any noise where there is none.
    pub fn noise(&self) -> NoiseModel {
        let gain_e_per_dn = if self.setup.read > 0.0 { 1.0 } else { 1e9 };
        NoiseModel { gain_e_per_dn, read_noise_e: self.setup.read }
    }
}
