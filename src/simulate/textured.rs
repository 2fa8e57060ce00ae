//! Plain test scenes: a still texture and a textured disc that moves over it.
//!
//! For measuring accuracy: the picture before noise, the moving part and the band that was just
//! uncovered are all known. The background is any plane, band-limited once and shifted by a
//! Kaiser-windowed sinc of 24 taps (error below 1e-4 of the contrast under 0.35 cycles a pixel;
//! a test measures it); the disc is procedural and exact. Time is in seconds: with a rate of
//! 1 frame a second, velocities read in pixels a frame.

use std::f64::consts::{PI, TAU};

use super::texture::SplineNoise;
use super::{Scene, SimulateError, View, demand};
use crate::frame::Plane;
use crate::frame::convert::{floor_isize, round_usize, signed, to_f32};

/// Taps on each side of the shift kernel.
const REACH: isize = 12;
/// Kaiser's beta: stop band 90 dB down.
const BETA: f64 = 9.0;

/// A decaying vertical swing of the disc.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ring {
    /// Amplitude at time 0 in pixels.
    pub amplitude_px: f64,
    /// Frequency in hertz.
    pub frequency_hz: f64,
    /// Time to 1/e in seconds.
    pub decay_s: f64,
}

/// The disc and how it moves.
#[derive(Debug, Clone, PartialEq)]
pub struct DiscSettings {
    /// Part of the picture's area it covers, 0 (no disc) to 0.7.
    pub fraction: f64,
    /// Its centre at time 0 relative to the middle of the picture, in pixels.
    pub centre_px: (f64, f64),
    /// Its velocity in pixels a second.
    pub velocity_px_s: (f64, f64),
    /// Its rotation in radians a second, clockwise on screen.
    pub spin_rad_s: f64,
    /// A swing on top of the velocity.
    pub ring: Option<Ring>,
    /// Mean light.
    pub mean: f32,
    /// Standard deviation of its texture.
    pub contrast: f32,
    /// Seed of its texture.
    pub seed: u64,
}

impl Default for DiscSettings {
    fn default() -> Self {
        Self {
            fraction: 0.3,
            centre_px: (0.0, 0.0),
            velocity_px_s: (0.7, 0.0),
            spin_rad_s: 0.0,
            ring: None,
            mean: 0.5,
            contrast: 0.2,
            seed: 17,
        }
    }
}

/// A still background and a moving disc.
#[derive(Debug, Clone)]
pub struct Textured {
    size: (usize, usize),
    background: Plane,
    disc: DiscSettings,
    radius: f64,
    coarse: SplineNoise,
    fine: SplineNoise,
}

impl Textured {
    /// A scene of `size` (width, height) pixels over the middle of `background`, which is
    /// mirrored at its edges where it is too small. Values of `background` are light.
    ///
    /// # Errors
    /// Where the size or the background is empty or the disc does not fit.
    pub fn new(
        size: (usize, usize),
        background: &Plane,
        disc: &DiscSettings,
    ) -> Result<Self, SimulateError> {
        let (width, height) = size;
        demand(width > 0 && height > 0, "picture", format!("{width}x{height}"), "1x1 or larger")?;
        let found = format!("{}x{}", background.width(), background.height());
        demand(!background.data().is_empty(), "background", found, "1x1 or larger")?;
        let fraction = disc.fraction;
        demand((0.0..=0.7).contains(&fraction), "part under the disc", fraction, "0 to 0.7")?;
        Ok(Self {
            size,
            background: soften(background),
            radius: (fraction * (width * height) as f64 / PI).sqrt(),
            disc: disc.clone(),
            coarse: SplineNoise::new(disc.seed),
            fine: SplineNoise::new(disc.seed.wrapping_add(1)),
        })
    }

    /// Radius of the disc in pixels.
    #[must_use]
    pub fn radius_px(&self) -> f64 {
        self.radius
    }

    /// Centre of the disc in a view without shift, in pixels.
    #[must_use]
    pub fn centre_px(&self, time_s: f64) -> (f64, f64) {
        let d = &self.disc;
        let swing = d.ring.map_or(0.0, |r| {
            let envelope = libm::exp(-time_s.max(0.0) / r.decay_s);
            r.amplitude_px * libm::cos(TAU * r.frequency_hz * time_s) * envelope
        });
        let middle = |n: usize| (n as f64 - 1.0) / 2.0;
        (
            middle(self.size.0) + d.centre_px.0 + d.velocity_px_s.0 * time_s,
            middle(self.size.1) + d.centre_px.1 + d.velocity_px_s.1 * time_s + swing,
        )
    }

    /// Pixels (1, others 0) that show the background now and showed the disc at one of the times
    /// `before_s`: where a ghost would be.
    #[must_use]
    pub fn uncovered(&self, shift: (f64, f64), time_s: f64, before_s: &[f64]) -> Plane {
        let now = self.centre_px(time_s);
        let then: Vec<_> = before_s.iter().map(|&t| self.centre_px(t)).collect();
        Plane::from_fn(self.size.0, self.size.1, |x, y| {
            let at = (x as f64 - shift.0, y as f64 - shift.1);
            let free = apart(at, now) > self.radius + 1.0;
            let was = self.radius > 0.0 && then.iter().any(|&c| apart(at, c) < self.radius);
            if free && was { 1.0 } else { 0.0 }
        })
    }

    /// Texture of the disc at an offset from its centre at a time.
    fn disc_light(&self, offset: (f64, f64), time_s: f64) -> f32 {
        let (s, c) = libm::sincos(-self.disc.spin_rad_s * time_s);
        let (u, v) = (offset.0 * c - offset.1 * s, offset.0 * s + offset.1 * c);
        let sum = 0.75 * self.fine.at(u / 3.2, v / 3.2) + 0.66 * self.coarse.at(u / 9.0, v / 9.0);
        self.disc.mean + self.disc.contrast * sum
    }
}

impl Scene for Textured {
    fn size(&self) -> (usize, usize) {
        self.size
    }

    fn view(&self, shift: (f64, f64), time_s: f64) -> View {
        let (width, height) = self.size;
        let mut light = shifted(&self.background, shift, self.size);
        let mut moving = Plane::filled(width, height, 0.0);
        let centre = self.centre_px(time_s);
        for y in 0..height {
            for x in 0..width {
                let at = (x as f64 - shift.0, y as f64 - shift.1);
                let t = (0.5 - 0.5 * (apart(at, centre) - self.radius)).clamp(0.0, 1.0);
                let cover = to_f32(t * t * (3.0 - 2.0 * t));
                if cover > 0.0 && self.radius > 0.0 {
                    let disc = self.disc_light((at.0 - centre.0, at.1 - centre.1), time_s);
                    let old = light.at(x, y);
                    light.set(x, y, old + (disc - old) * cover);
                    moving.set(x, y, cover);
                }
            }
        }
        View { light, moving }
    }
}

fn apart(a: (f64, f64), b: (f64, f64)) -> f64 {
    ((a.0 - b.0) * (a.0 - b.0) + (a.1 - b.1) * (a.1 - b.1)).sqrt()
}

/// Index of a position in a line of `n` values that is mirrored at its ends (edge not repeated).
fn mirrored(i: isize, n: usize) -> usize {
    if n < 2 {
        return 0;
    }
    let period = 2 * (signed(n) - 1);
    let k = i.rem_euclid(period);
    usize::try_from(k.min(period - k)).unwrap_or(0)
}

/// Low-pass to about 0.35 cycles a pixel: binomial of four passes, 20 dB down at 0.31.
fn soften(plane: &Plane) -> Plane {
    let taps = [1.0 / 16.0, 4.0 / 16.0, 6.0 / 16.0, 4.0 / 16.0, 1.0 / 16.0].map(to_f32);
    let (w, h) = (plane.width(), plane.height());
    let sum = |x: usize, n: usize, at: &dyn Fn(usize) -> f32| -> f32 {
        (-2..).zip(taps).map(|(k, t)| t * at(mirrored(signed(x) + k, n))).sum()
    };
    let across = Plane::from_fn(w, h, |x, y| sum(x, w, &|i| plane.at(i, y)));
    Plane::from_fn(w, h, |x, y| sum(y, h, &|j| across.at(x, j)))
}

/// The middle of `plane`, `size` large, moved by `shift`.
fn shifted(plane: &Plane, shift: (f64, f64), size: (usize, usize)) -> Plane {
    let (w, h) = (plane.width(), plane.height());
    let middle = |outer: usize, inner: usize| (signed(outer) - signed(inner)).div_euclid(2);
    let (columns, wx) = kernel(shift.0);
    let (rows, wy) = kernel(shift.1);
    let (left, top) = (middle(w, size.0) + columns, middle(h, size.1) + rows);
    // Rows of the source that any output row needs, brought to output columns first.
    let span = size.1 + round_usize(2.0 * REACH as f64);
    let across = Plane::from_fn(size.0, span, |x, j| {
        let row = plane.row(mirrored(top + signed(j) - REACH + 1, h));
        (1 - REACH..).zip(&wx).map(|(k, t)| t * row[mirrored(left + signed(x) + k, w)]).sum()
    });
    Plane::from_fn(size.0, size.1, |x, y| {
        wy.iter().enumerate().map(|(k, t)| t * across.at(x, y + k)).sum()
    })
}

/// Whole pixel and weights (sum 1) that read a line at `x - shift`.
fn kernel(shift: f64) -> (isize, Vec<f32>) {
    let whole = floor_isize(-shift);
    let part = -shift - whole as f64;
    let raw: Vec<f64> = (1 - REACH..=REACH)
        .map(|k| {
            let d = k as f64 - part;
            let edge = d / REACH as f64;
            let window = bessel_i0(BETA * (1.0 - edge * edge).max(0.0).sqrt());
            window * if d.abs() < 1e-12 { 1.0 } else { libm::sin(PI * d) / (PI * d) }
        })
        .collect();
    let sum: f64 = raw.iter().sum();
    (whole, raw.iter().map(|w| to_f32(w / sum)).collect())
}

/// Modified Bessel function of order 0 by its power series.
fn bessel_i0(x: f64) -> f64 {
    let q = x * x / 4.0;
    let (mut term, mut sum) = (1.0, 1.0);
    for k in 1..40_i32 {
        term *= q / f64::from(k * k);
        sum += term;
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::simulate::texture::grain;

    #[test]
    fn waves_are_shifted_as_the_sine_says() {
        // A sampled sine of f cycles a pixel moved by s is sin(2 pi f (x - s)), exactly.
        for f in [0.05, 0.2, 0.33] {
            let wave = |x: f64| libm::sin(TAU * f * x);
            let plane = Plane::from_fn(160, 8, |x, _| to_f32(wave(x as f64)));
            for s in [0.37, -4.5, 2.0] {
                let out = shifted(&plane, (s, 0.0), (64, 8));
                for x in 0..64 {
                    let expected = wave(x as f64 + 48.0 - s);
                    let error = f64::from(out.at(x, 3)) - expected;
                    assert!(error.abs() < 1e-4, "{f} {s} {x}: {error}");
                }
            }
        }
    }

    #[test]
    fn the_disc_covers_its_part_and_moves() {
        let ground = grain((96, 80), 0.5, 0.1, 1);
        let disc = DiscSettings { velocity_px_s: (1.5, 0.8), ..DiscSettings::default() };
        let scene = Textured::new((80, 64), &ground, &disc).unwrap();
        let view = scene.view((0.3, -0.4), 2.0);
        let part = view.moving.data().iter().sum::<f32>() / (80.0 * 64.0);
        assert!((part - 0.3).abs() < 0.003, "{part}");
        // Its centre of gravity lies where the velocity and the shift put it.
        let (mut sx, mut sy, mut n) = (0.0, 0.0, 0.0);
        for y in 0..64 {
            for x in 0..80 {
                let m = f64::from(view.moving.at(x, y));
                sx += m * x as f64;
                sy += m * y as f64;
                n += m;
            }
        }
        assert!((sx / n - (39.5 + 3.0 + 0.3)).abs() < 0.02, "{}", sx / n);
        assert!((sy / n - (31.5 + 1.6 - 0.4)).abs() < 0.02, "{}", sy / n);
    }

    #[test]
    fn the_uncovered_band_shows_ground_that_was_covered() {
        let ground = grain((96, 80), 0.5, 0.1, 1);
        let disc = DiscSettings { velocity_px_s: (2.0, 0.0), ..DiscSettings::default() };
        let scene = Textured::new((80, 64), &ground, &disc).unwrap();
        let band = scene.uncovered((0.0, 0.0), 4.0, &[3.0, 2.0]);
        let now = scene.view((0.0, 0.0), 4.0).moving;
        let then = scene.view((0.0, 0.0), 2.0).moving;
        let count = band.data().iter().filter(|&&b| b > 0.5).count();
        // A disc moved by 4 px uncovers about 4 px x its diameter, less the 1 px edge.
        assert!(count > 80 && count < 200, "{count}");
        for ((b, n), t) in band.data().iter().zip(now.data()).zip(then.data()) {
            assert!(*b < 0.5 || (*n < 1e-6 && *t > 0.4));
        }
    }

    #[test]
    fn a_whole_shift_moves_pixels_and_no_disc_moves_nothing() {
        let ground = grain((64, 64), 0.5, 0.1, 9);
        let disc = DiscSettings { fraction: 0.0, ..DiscSettings::default() };
        let scene = Textured::new((32, 32), &ground, &disc).unwrap();
        let a = scene.view((0.0, 0.0), 0.0);
        let b = scene.view((3.0, -2.0), 5.0);
        assert!(a.moving.data().iter().all(|&m| m == 0.0));
        for y in 2..30 {
            for x in 3..32 {
                assert!((b.light.at(x, y - 2) - a.light.at(x - 3, y)).abs() < 1e-6);
            }
        }
        let text = Textured::new((32, 32), &ground, &DiscSettings { fraction: 0.9, ..disc });
        assert!(text.unwrap_err().to_string().contains("0 to 0.7"));
    }
}
