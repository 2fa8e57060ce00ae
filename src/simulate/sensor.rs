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

#[cfg(test)]
mod tests {
    use super::*;

    fn mean(v: &[f64]) -> f64 {
        v.iter().sum::<f64>() / v.len() as f64
    }

    fn variance(v: &[f64]) -> f64 {
        let m = mean(v);
        v.iter().map(|x| (x - m) * (x - m)).sum::<f64>() / (v.len() as f64 - 1.0)
    }

    fn dn(s: &Samples) -> Vec<f64> {
        s.data.iter().map(|&d| f64::from(d)).collect()
    }

    /// Temporal variance from two frames, `var(A - B) / 2` (EMVA 1288).
    fn temporal(a: &Samples, b: &Samples) -> f64 {
        let d: Vec<f64> = dn(a).iter().zip(dn(b)).map(|(a, b)| a - b).collect();
        variance(&d) / 2.0
    }

    /// Chi-square of draws against the exact distribution, and its degrees of freedom.
    fn chi_square(lambda: f64, draws: u32) -> (f64, f64) {
        let mut rng = ChaCha8Rng::seed_from_u64(99);
        let mut counts = vec![0.0_f64; 400];
        for _ in 0..draws {
            counts[floor_isize(poisson(&mut rng, lambda)).unsigned_abs()] += 1.0;
        }
        let (mut chi, mut cells) = (0.0, 0.0);
        let (mut expected, mut seen) = (0.0, 0.0);
        let mut p = libm::exp(-lambda);
        for (k, n) in (0..400_u32).zip(&counts) {
            expected += p * f64::from(draws);
            seen += n;
            if expected > 25.0 {
                chi += (seen - expected) * (seen - expected) / expected;
                cells += 1.0;
                (expected, seen) = (0.0, 0.0);
            }
            p *= lambda / f64::from(k + 1);
        }
        (chi, cells - 1.0)
    }

    #[test]
    fn poisson_numbers_follow_the_distribution() {
        for lambda in [0.3, 3.0, 9.9, 10.0, 31.0, 150.0] {
            let (chi, dof) = chi_square(lambda, 40_000);
            // 99.99 % point by Wilson and Hilferty, z = 3.72; the seed is fixed.
            let h = 2.0 / (9.0 * dof);
            let limit = dof * (1.0 - h + 3.72 * h.sqrt()).powi(3);
            assert!(chi < limit, "lambda {lambda}: {chi} over {dof} cells, limit {limit}");
        }
        let mut rng = ChaCha8Rng::seed_from_u64(1);
        assert!(poisson(&mut rng, 0.0) <= 0.0 && poisson(&mut rng, f64::NAN) <= 0.0);
    }

    #[test]
    fn poisson_agrees_with_a_reference_library() {
        use rand_distr::Distribution as _;
        for lambda in [4.0, 60.0] {
            let mut rng = ChaCha8Rng::seed_from_u64(3);
            let own: Vec<f64> = (0..40_000).map(|_| poisson(&mut rng, lambda)).collect();
            let theirs = rand_distr::Poisson::new(lambda).unwrap();
            let reference: Vec<f64> = (0..40_000).map(|_| theirs.sample(&mut rng)).collect();
            let error = 4.0 * (2.0 * lambda / 40_000.0).sqrt();
            assert!((mean(&own) - mean(&reference)).abs() < error);
            assert!((variance(&own) / variance(&reference) - 1.0).abs() < 0.04);
        }
    }

    #[test]
    fn normal_numbers_have_normal_moments() {
        let mut rng = ChaCha8Rng::seed_from_u64(4);
        let v: Vec<f64> = (0..40_000).map(|_| normal(&mut rng)).collect();
        let fourth = v.iter().map(|x| x.powi(4)).sum::<f64>() / 40_000.0;
        assert!(mean(&v).abs() < 0.02 && (variance(&v) - 1.0).abs() < 0.03, "{}", variance(&v));
        assert!((fourth - 3.0).abs() < 0.2, "{fourth}");
    }

    #[test]
    fn variance_follows_the_linear_camera_model() {
        // EMVA 1288 3.1: K 0.5 DN/e-, sigma_d 8 e- gives a dark variance of
        // 0.25 * 64 + 1/12 = 16.083 DN^2, and slope K above it.
        let settings = SensorSettings {
            dn_per_e: 0.5,
            read_noise_e: 8.0,
            black_dn: 100.0,
            ..SensorSettings::clean()
        };
        let sensor = Sensor::new(&settings, (256, 192)).unwrap();
        let dark = temporal(&sensor.dark(1), &sensor.dark(2));
        // The standard error over 49152 pixels is 0.6 %.
        assert!((dark / 16.083 - 1.0).abs() < 0.025, "{dark}");
        let black = mean(&dn(&sensor.dark(3)));
        assert!((black - 100.0).abs() < 0.08, "{black}");
        for electrons in [60.0, 500.0, 2000.0] {
            let (a, b) = (sensor.flat(electrons, 1), sensor.flat(electrons, 2));
            let signal = mean(&dn(&a)) - black;
            assert!((signal / (0.5 * electrons) - 1.0).abs() < 0.01, "{electrons}: {signal}");
            let expected = 16.083 + 0.5 * signal;
            let got = temporal(&a, &b);
            assert!((got / expected - 1.0).abs() < 0.025, "{electrons}: {got}, not {expected}");
            let model = sensor.noise_model().variance(signal);
            assert!((model / expected - 1.0).abs() < 1e-4, "{model}");
        }
    }

    #[test]
    fn any_frame_can_be_made_alone() {
        let sensor = Sensor::new(&SensorSettings::default(), (40, 30)).unwrap();
        let light = Plane::filled(40, 30, 0.4);
        let frames: Vec<Samples> =
            (1..4).map(|n| sensor.expose(&light, 1.0, Exposure::Clip(n))).collect();
        let again = Sensor::new(&SensorSettings::default(), (40, 30)).unwrap();
        assert_eq!(frames[2], again.expose(&light, 1.0, Exposure::Clip(3)));
        assert_ne!(frames[1], frames[2]);
        assert_ne!(sensor.dark(1), sensor.expose(&light, 0.0, Exposure::Clip(1)));
    }

    #[test]
    fn many_darks_show_the_fixed_pattern_and_few_frames_the_row_noise() {
        let settings = SensorSettings {
            hot_fraction: 0.01,
            blink_fraction: 0.02,
            blink_e: 400.0,
            ..SensorSettings::default()
        };
        let (w, h) = (64, 48);
        let sensor = Sensor::new(&settings, (w, h)).unwrap();
        let darks: Vec<Vec<f64>> = (0..64).map(|n| dn(&sensor.dark(n))).collect();
        let at = |i: usize| mean(&darks.iter().map(|d| d[i]).collect::<Vec<_>>());
        let k = settings.dn_per_e;
        assert_eq!((sensor.hot().len(), sensor.blinking().len()), (31, 61));
        let mut errors = Vec::new();
        for i in (0..w * h).filter(|i| !sensor.blinking().contains(i)) {
            let truth = settings.black_dn + k * f64::from(sensor.offset_e().data()[i]);
            errors.push(at(i) - truth);
        }
        // Read and row noise of 64 frames: sqrt(8^2 + 1.5^2) 4 / 8 = 4.07 DN.
        let spread = variance(&errors).sqrt();
        assert!((spread - 4.07).abs() < 0.35, "{spread}");
        let on = sensor
            .blinking()
            .iter()
            .map(|&i| {
                let base = settings.black_dn + k * f64::from(sensor.offset_e().data()[i]);
                darks.iter().filter(|d| d[i] > base + 800.0).count()
            })
            .sum::<usize>();
        let duty = on as f64 / (64.0 * 61.0);
        assert!((duty - settings.blink_duty).abs() < 0.03, "{duty}");
        let hottest = sensor.hot().iter().map(|&i| at(i)).fold(f64::MAX, f64::min);
        assert!(hottest > settings.black_dn + k * 0.33 * settings.hot_e - 60.0, "{hottest}");
    }

    #[test]
    fn the_sensor_fills_up_and_corners_are_darker() {
        let sensor = Sensor::new(&SensorSettings::default(), (64, 48)).unwrap();
        assert_eq!(sensor.white_dn(), 4095);
        let full = sensor.flat(1e6, 1);
        assert!(full.data.iter().all(|&d| d == 4095));
        let r = sensor.response();
        let patch = |x: usize, y: usize| {
            let c = r.crop(x, y, 6, 6);
            mean(&c.data().iter().map(|&v| f64::from(v)).collect::<Vec<_>>())
        };
        let (corner, middle) = (patch(0, 0), patch(29, 21));
        assert!(corner < 0.82 * middle, "{corner} {middle}");
    }

    #[test]
    fn refused_settings_name_the_number() {
        let bad = SensorSettings { bits: 20, ..SensorSettings::default() };
        let text = Sensor::new(&bad, (8, 8)).unwrap_err().to_string();
        assert_eq!(text, "simulated bit depth is 20 but must be 8 to 16");
        let bad = SensorSettings { black_dn: 4095.0, ..SensorSettings::default() };
        assert!(Sensor::new(&bad, (8, 8)).unwrap_err().to_string().contains("black level is 4095"));
        assert!(Sensor::new(&SensorSettings::default(), (0, 8)).is_err());
    }
}
