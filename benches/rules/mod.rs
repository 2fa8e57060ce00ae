//! Pictures of rules with known pitch and angle: ticks of several lengths, blur, shading, noise.
#![allow(
    clippy::cast_possible_truncation,
    clippy::expect_used,
    reason = "test pictures: values are small and means above zero"
)]

use hushframe::frame::Plane;
use rand::{Rng as _, SeedableRng as _};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution as _, Poisson, StandardNormal};

/// Read noise in electrons.
const READ_NOISE: f64 = 5.0;

/// A rule.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Rule {
    pub(crate) size: usize,
    pub(crate) pitch_px: f64,
    pub(crate) angle_deg: f64,
    /// Thickness of a tick in pitches.
    pub(crate) thickness: f64,
    pub(crate) blur_px: f64,
    /// Half lengths of plain, fifth and tenth ticks as parts of the picture's half.
    pub(crate) reach: [f64; 3],
    /// Position of the first tick in pitches.
    pub(crate) phase: f64,
    /// Relative light in the darkest corner.
    pub(crate) corner: f64,
    /// Relative change of the pitch over half the picture: along, and across.
    pub(crate) tilt: [f64; 2],
    /// Relative change of the pitch from the middle to the ends.
    pub(crate) distortion: f64,
    /// Where the rule begins and ends, as parts of the picture's half.
    pub(crate) ends: [f64; 2],
    pub(crate) bright_ticks: bool,
    pub(crate) electrons: f64,
    pub(crate) seed: u64,
}

impl Rule {
    /// Rule `number` of a series: pitch 8 to 40 px, angle up to 8 degrees.
    pub(crate) fn random(number: u64, size: usize, electrons: f64) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(number);
        let mut between = |a: f64, b: f64| a + (b - a) * rng.random::<f64>();
        let plain = between(0.3, 0.55);
        Self {
            size,
            pitch_px: between(8.0, 40.0_f64.min(size as f64 / 9.5)),
            angle_deg: between(-8.0, 8.0),
            thickness: between(0.15, 0.4),
            blur_px: between(0.6, 2.0),
            reach: [plain, plain + between(0.05, 0.2), plain + between(0.2, 0.4)],
            phase: between(0.0, 1.0),
            corner: between(0.5, 1.0),
            tilt: [0.0; 2],
            distortion: 0.0,
            ends: [-9.0, 9.0],
            bright_ticks: between(0.0, 1.0) > 0.7,
            electrons,
            seed: number + 1000,
        }
    }

    /// The picture in electrons.
    pub(crate) fn picture(&self) -> Plane {
        let mut rng = ChaCha8Rng::seed_from_u64(self.seed);
        let half = 0.5 * (self.size as f64 - 1.0);
        let (sin, cos) = self.angle_deg.to_radians().sin_cos();
        Plane::from_fn(self.size, self.size, |x, y| {
            let (x, y) = (x as f64 - half, y as f64 - half);
            let (u, v) = (x * cos + y * sin, y * cos - x * sin);
            let ink = self.ink(u, v, half);
            let shade = 1.0 - (1.0 - self.corner) * (x + 0.6 * y + 1.6 * half) / (3.2 * half);
            let dark = if self.bright_ticks { 0.25 + 0.75 * ink } else { 1.0 - 0.75 * ink };
            let mean = self.electrons * shade * dark;
            let shot: f64 =
                Poisson::new(mean.max(1e-9)).expect("a mean above zero").sample(&mut rng);
            let read: f64 = StandardNormal.sample(&mut rng);
            (shot + READ_NOISE * read) as f32
        })
    }

    /// Cover by a tick at a place along and across the rule, 0 to 1.
    fn ink(&self, u: f64, v: f64, half: f64) -> f64 {
        let (a, b) = (u / half, v / half);
        // Position on the rule: its derivative is 1/pitch, changed as asked.
        let bend =
            0.5 * self.tilt[0] * a * u + self.tilt[1] * b * u + self.distortion * a * a * u / 3.0;
        let at = (u - bend) / self.pitch_px + self.phase;
        let step = |x: f64| 0.5 * (1.0 + libm::erf(x / (f64::sqrt(2.0) * self.blur_px)));
        let mut ink = 0.0;
        for k in [at.floor(), at.ceil()] {
            let d = (at - k) * self.pitch_px;
            let tick = (k - self.phase) * self.pitch_px / half;
            if tick < self.ends[0] || tick > self.ends[1] {
                continue;
            }
            let wide = 0.5 * self.thickness * self.pitch_px;
            let reach = match k as i64 {
                k if k % 10 == 0 => self.reach[2],
                k if k % 5 == 0 => self.reach[1],
                _ => self.reach[0],
            };
            // Ticks begin on a common line and end at their own length.
            let along = step(v + 0.5 * half) * step((2.0 * reach - 0.5) * half - v);
            ink += (step(d + wide) - step(d - wide)) * along;
        }
        ink.min(1.0)
    }
}
