//! From light to numbers: a model of a high-speed camera's sensor.
//!
//! ```text
//! electrons = Poisson(peak * lamp * light * vignette * prnu) + offset + row + read + spike
//! DN        = clamp(round(black + K * electrons), 0, 2^bits - 1)
//! ```
//!
//! The linear camera model of EMVA 1288 (release 3.1, 2016): temporal variance in DN^2
//! `K^2 sigma_d^2 + 1/12 + K * (mean above dark)`. Offsets (pixel, column, hot) and gains
//! (response, vignetting, dust) are fixed maps from a seed. Noise of a frame comes from a
//! counter-based generator, one stream a frame, so any frame can be made alone.
//!
//! Poisson numbers: by inversion below 10, above by the transformed rejection PTRS of
//! W. Hoermann, "The transformed rejection method for generating Poisson random variables",
//! Insurance: Mathematics and Economics 12 (1993) 39-45; normal numbers by Box and Muller. Both
//! are written out here with `libm`, so that frames come out the same on every platform.

use std::f64::consts::TAU;

use rand::Rng;
use rand::SeedableRng as _;
use rand_chacha::ChaCha8Rng;

use super::{SimulateError, demand};
use crate::frame::convert::{floor_isize, round_u16, round_usize, signed, to_f32};
use crate::frame::{NoiseModel, Plane, Samples};

/// What the sensor is. Fixed patterns are standard deviations.
#[derive(Debug, Clone, PartialEq)]
pub struct SensorSettings {
    /// Photo-electrons of light 1 under a mean lamp, before vignetting.
    pub peak_e: f64,
    /// Gain K in DN an electron.
    pub dn_per_e: f64,
    /// Temporal dark noise in electrons.
    pub read_noise_e: f64,
    /// Black level in DN.
    pub black_dn: f64,
    /// Offsets of single pixels in electrons.
    pub dsnu_pixel_e: f64,
    /// Offsets of columns in electrons.
    pub dsnu_column_e: f64,
    /// Offsets of rows in electrons, new in every frame.
    pub row_noise_e: f64,
    /// Part of the pixels that are hot.
    pub hot_fraction: f64,
    /// Mean extra signal of a hot pixel in electrons.
    pub hot_e: f64,
    /// Part of the pixels that blink.
    pub blink_fraction: f64,
    /// Extra signal of a pixel while it blinks, in electrons.
    pub blink_e: f64,
    /// Part of the frames in which a blinking pixel is on.
    pub blink_duty: f64,
    /// Spread of the response from pixel to pixel in per cent.
    pub prnu_percent: f64,
    /// Light lost in the corners, 0 to 1.
    pub corner_loss: f64,
    /// Number of dust shadows on the cover glass.
    pub dust_spots: usize,
    /// Bits of the converter, 8 to 16; samples lie in the low bits of a 16-bit container.
    pub bits: u32,
    /// Seed of the fixed maps and of all noise.
    pub seed: u64,
}

impl Default for SensorSettings {
    fn default() -> Self {
        Self {
            peak_e: 150.0,
            dn_per_e: 4.0,
            read_noise_e: 8.0,
            black_dn: 160.0,
            dsnu_pixel_e: 3.0,
            dsnu_column_e: 3.0,
            row_noise_e: 1.5,
            hot_fraction: 5e-4,
            hot_e: 150.0,
            blink_fraction: 1e-4,
            blink_e: 90.0,
            blink_duty: 0.3,
            prnu_percent: 1.5,
            corner_loss: 0.3,
            dust_spots: 9,
            bits: 12,
            seed: 7,
        }
    }
}

impl SensorSettings {
    /// The default sensor without any fixed pattern, row noise or defect: shot and read noise only.
    #[must_use]
    pub fn clean() -> Self {
        Self {
            dsnu_pixel_e: 0.0,
            dsnu_column_e: 0.0,
            row_noise_e: 0.0,
            hot_fraction: 0.0,
            blink_fraction: 0.0,
            prnu_percent: 0.0,
            corner_loss: 0.0,
            dust_spots: 0,
            ..Self::default()
        }
    }

    /// Checks every range.
    fn check(&self) -> Result<(), SimulateError> {
        let positive = |v: f64| v.is_finite() && v > 0.0;
        let natural = |v: f64| v.is_finite() && v >= 0.0;
        let part = |v: f64| (0.0..=1.0).contains(&v);
        let least = "0 or more";
        demand(positive(self.peak_e), "peak", self.peak_e, "above 0 e-")?;
        demand(positive(self.dn_per_e), "gain", self.dn_per_e, "above 0 DN/e-")?;
        demand(natural(self.read_noise_e), "read noise", self.read_noise_e, least)?;
        demand(natural(self.dsnu_pixel_e), "pixel offset", self.dsnu_pixel_e, least)?;
        demand(natural(self.dsnu_column_e), "column offset", self.dsnu_column_e, least)?;
        demand(natural(self.row_noise_e), "row noise", self.row_noise_e, least)?;
        demand(natural(self.prnu_percent), "response spread", self.prnu_percent, least)?;
        demand(natural(self.hot_e), "hot signal", self.hot_e, least)?;
        demand(natural(self.blink_e), "blink signal", self.blink_e, least)?;
        demand(part(self.hot_fraction), "part of hot pixels", self.hot_fraction, "0 to 1")?;
        demand(
            part(self.blink_fraction),
            "part of blinking pixels",
            self.blink_fraction,
            "0 to 1",
        )?;
        demand(part(self.blink_duty), "blink duty", self.blink_duty, "0 to 1")?;
        demand(part(self.corner_loss), "corner loss", self.corner_loss, "0 to 1")?;
        demand((8..=16).contains(&self.bits), "bit depth", self.bits, "8 to 16")?;
        let white = f64::from(white_dn(self.bits));
        demand(
            natural(self.black_dn) && self.black_dn < white,
            "black level",
            self.black_dn,
            "from 0 up to below white",
        )
    }
}

/// Which file of a shoot a frame is; each has its own stream of noise.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Exposure {
    /// Frame of the clip.
    Clip(u32),
    /// Black reference.
    Dark(u32),
    /// Even field.
    Flat(u32),
}

impl Exposure {
    /// The stream of its noise; stream 0 belongs to the fixed maps.
    fn stream(self) -> u64 {
        let (kind, n) = match self {
            Self::Clip(n) => (1, n),
            Self::Dark(n) => (2, n),
            Self::Flat(n) => (3, n),
        };
        (kind << 32) | u64::from(n)
    }
}

/// A sensor with its fixed maps drawn.
#[derive(Debug, Clone)]
pub struct Sensor {
    settings: SensorSettings,
    offset_e: Plane,
    response: Plane,
    hot: Vec<usize>,
    blinking: Vec<usize>,
}

impl Sensor {
    /// A sensor of `size` (width, height) pixels.
    ///
    /// # Errors
    /// Where a setting is outside its range or the size is 0.
    pub fn new(settings: &SensorSettings, size: (usize, usize)) -> Result<Self, SimulateError> {
        settings.check()?;
        let (width, height) = size;
        demand(width > 0 && height > 0, "sensor", format!("{width}x{height}"), "1x1 or larger")?;
        let mut rng = ChaCha8Rng::seed_from_u64(settings.seed);
        let columns: Vec<f64> =
            (0..width).map(|_| settings.dsnu_column_e * normal(&mut rng)).collect();
        let mut offset_e = Plane::from_fn(width, height, |x, _| {
            to_f32(columns[x] + settings.dsnu_pixel_e * normal(&mut rng))
        });
        let mut response = Plane::from_fn(width, height, |x, y| {
            let spread = 1.0 + settings.prnu_percent / 100.0 * normal(&mut rng);
            to_f32(spread.max(0.0) * vignette((x, y), size, settings.corner_loss))
        });
        for _ in 0..settings.dust_spots {
            let at = (rng.random::<f64>() * width as f64, rng.random::<f64>() * height as f64);
            let radius = 2.5 + 5.0 * rng.random::<f64>();
            let depth = 0.08 + 0.18 * rng.random::<f64>();
            dust(&mut response, at, radius, depth);
        }
        let count = |part: f64| round_usize(part * (width * height) as f64);
        let hot = places(&mut rng, count(settings.hot_fraction), width * height);
        for &i in &hot {
            // Exponentially distributed: many warm pixels, few glowing ones, none below a third.
            let glow = 0.33 - 0.67 * libm::log(1.0 - rng.random::<f64>());
            offset_e.data_mut()[i] += to_f32(settings.hot_e * glow);
        }
        let blinking = places(&mut rng, count(settings.blink_fraction), width * height);
        Ok(Self { settings: settings.clone(), offset_e, response, hot, blinking })
    }

    /// What it was made from.
    #[must_use]
    pub fn settings(&self) -> &SensorSettings {
        &self.settings
    }

    /// Fixed offsets in electrons: columns, pixels, hot pixels. True dark signal.
    #[must_use]
    pub fn offset_e(&self) -> &Plane {
        &self.offset_e
    }

    /// Fixed response relative to 1: vignetting, dust, pixel spread. True flat.
    #[must_use]
    pub fn response(&self) -> &Plane {
        &self.response
    }

    /// Indices (row by row) of the hot pixels, ascending.
    #[must_use]
    pub fn hot(&self) -> &[usize] {
        &self.hot
    }

    /// Indices (row by row) of the blinking pixels, ascending.
    #[must_use]
    pub fn blinking(&self) -> &[usize] {
        &self.blinking
    }

    /// Saturation in DN.
    #[must_use]
    pub fn white_dn(&self) -> u16 {
        white_dn(self.settings.bits)
    }

    /// The true noise model: gain, and dark noise including the converter's rounding (1/12 DN^2).
    #[must_use]
    pub fn noise_model(&self) -> NoiseModel {
        let k = self.settings.dn_per_e;
        let read = self.settings.read_noise_e;
        NoiseModel {
            gain_e_per_dn: 1.0 / k,
            read_noise_e: (read * read + 1.0 / (12.0 * k * k)).sqrt(),
        }
    }

    /// Exposes `light` (of the sensor's size, else it is taken as dark where it ends) at
    /// `level` times the mean lamp.
    #[must_use]
    pub fn expose(&self, light: &Plane, level: f64, which: Exposure) -> Samples {
        let s = &self.settings;
        let (width, height) = (self.offset_e.width(), self.offset_e.height());
        let mut rng = ChaCha8Rng::seed_from_u64(s.seed);
        rng.set_stream(which.stream());
        let rows: Vec<f64> = (0..height).map(|_| s.row_noise_e * normal(&mut rng)).collect();
        let spikes: Vec<usize> =
            self.blinking.iter().copied().filter(|_| rng.random::<f64>() < s.blink_duty).collect();
        let mut spikes = spikes.into_iter().peekable();
        let mut normals = Normals::default();
        let white = f32::from(self.white_dn());
        let scale = s.peak_e * level.max(0.0);
        let mut data = Vec::with_capacity(width * height);
        for (y, row) in rows.iter().enumerate() {
            let lit: &[f32] = if y < light.height() { light.row(y) } else { &[] };
            for x in 0..width {
                let here = f64::from(lit.get(x).copied().unwrap_or(0.0));
                let mean = scale * here * f64::from(self.response.at(x, y));
                let mut e = poisson(&mut rng, mean) + f64::from(self.offset_e.at(x, y)) + row;
                e += s.read_noise_e * normals.draw(&mut rng);
                if spikes.next_if_eq(&(y * width + x)).is_some() {
                    e += s.blink_e;
                }
                data.push(round_u16(to_f32(s.black_dn + s.dn_per_e * e).min(white)));
            }
        }
        Samples { width, height, channels: 1, bits: 16, data }
    }

    /// A black reference.
    #[must_use]
    pub fn dark(&self, number: u32) -> Samples {
        self.expose(&Plane::default(), 0.0, Exposure::Dark(number))
    }

    /// An even field of `electrons` before vignetting.
    #[must_use]
    pub fn flat(&self, electrons: f64, number: u32) -> Samples {
        let even = Plane::filled(self.offset_e.width(), self.offset_e.height(), 1.0);
        self.expose(&even, electrons / self.settings.peak_e, Exposure::Flat(number))
    }
}

/// Largest DN of a converter of `bits` bits.
fn white_dn(bits: u32) -> u16 {
    u16::try_from((1_u32 << bits.min(16)) - 1).unwrap_or(u16::MAX)
}

/// Smooth loss towards the corners, `1 - loss r^2` with r = 1 in the corner.
fn vignette(at: (usize, usize), size: (usize, usize), loss: f64) -> f64 {
    let offset = |v: usize, n: usize| (v as f64 - (n as f64 - 1.0) / 2.0) / (n as f64 / 2.0);
    let (u, v) = (offset(at.0, size.0), offset(at.1, size.1));
    1.0 - loss * (u * u + v * v) / 2.0
}

/// A soft round shadow multiplied into `response`.
fn dust(response: &mut Plane, at: (f64, f64), radius: f64, depth: f64) {
    let reach = 3.0 * radius;
    let span = |c: f64, n: usize| {
        let low = floor_isize(c - reach).max(0);
        let high = floor_isize(c + reach).min(signed(n) - 1);
        low..=high
    };
    for y in span(at.1, response.height()) {
        for x in span(at.0, response.width()) {
            let (Ok(px), Ok(py)) = (usize::try_from(x), usize::try_from(y)) else { continue };
            let (dx, dy) = (x as f64 - at.0, y as f64 - at.1);
            let shade = 1.0 - depth * libm::exp(-(dx * dx + dy * dy) / (radius * radius));
            let old = response.at(px, py);
            response.set(px, py, old * to_f32(shade));
        }
    }
}

/// `count` different indices below `len`, ascending.
fn places(rng: &mut ChaCha8Rng, count: usize, len: usize) -> Vec<usize> {
    let mut found = std::collections::BTreeSet::new();
    while found.len() < count.min(len) {
        found.insert(rng.random_range(0..len));
    }
    found.into_iter().collect()
}

/// A standard normal number.
pub(super) fn normal(rng: &mut impl Rng) -> f64 {
    Normals::default().draw(rng)
}

/// Standard normal numbers by Box and Muller, which makes them in pairs.
#[derive(Debug, Default)]
struct Normals {
    kept: Option<f64>,
}

impl Normals {
    fn draw(&mut self, rng: &mut impl Rng) -> f64 {
        if let Some(kept) = self.kept.take() {
            return kept;
        }
        let radius = (-2.0 * libm::log(1.0 - rng.random::<f64>())).sqrt();
        let (sin, cos) = libm::sincos(TAU * rng.random::<f64>());
        self.kept = Some(radius * sin);
        radius * cos
    }
}

/// A Poisson number of the given mean; 0 where the mean is not above 0.
fn poisson(rng: &mut impl Rng, mean: f64) -> f64 {
    if !(mean > 0.0 && mean.is_finite()) {
        return 0.0;
    }
    if mean < 10.0 { poisson_small(rng, mean) } else { poisson_large(rng, mean) }
}

/// By inversion: walks up the distribution until it passes a uniform number.
fn poisson_small(rng: &mut impl Rng, mean: f64) -> f64 {
    let mut rest = rng.random::<f64>();
    let mut p = libm::exp(-mean);
    let mut k = 0.0;
    // 100 is far beyond any number a mean below 10 can reach; it bounds the walk against rounding.
    while rest > p && k < 100.0 {
        rest -= p;
        k += 1.0;
        p *= mean / k;
    }
    k
}

/// Hoermann's PTRS, for means of 10 and more.
fn poisson_large(rng: &mut impl Rng, mean: f64) -> f64 {
    let root = mean.sqrt();
    let b = 0.931 + 2.53 * root;
    let a = -0.059 + 0.02483 * b;
    let v_r = 0.9277 - 3.6224 / (b - 2.0);
    loop {
        let u = rng.random::<f64>() - 0.5;
        let v = rng.random::<f64>();
        let us = 0.5 - u.abs();
        let k = ((2.0 * a / us + b) * u + mean + 0.43).floor();
        if us >= 0.07 && v <= v_r {
            return k;
        }
        if k < 0.0 || (us < 0.013 && v > us) {
            continue;
        }
        let inverse_alpha = 1.1239 + 1.1328 / (b - 3.4);
        let left = libm::log(v * inverse_alpha / (a / (us * us) + b));
        if left <= k * libm::log(mean) - mean - libm::lgamma(k + 1.0) {
            return k;
        }
    }
}
