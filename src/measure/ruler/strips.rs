//! Direction of a rule, strips along its ticks, their spectra, and the test for being a rule.

use std::f64::consts::TAU;

use rustfft::num_complex::Complex64;

use super::super::series::least_squares;
use crate::frame::Plane;
use crate::frame::convert::{floor_isize, index_in, round_usize};
use crate::math::blur::gaussian;
use crate::math::fft::plan_forward;
use crate::math::robust::{median_f64, quantile};

/// Least number of strips that support the pitch.
pub const SUPPORT: usize = 2;
/// Strips along the ticks.
const STRIPS: usize = 15;
/// Fine bins square to the rule that strips are made from.
const BINS: usize = 120;
/// Least power of a peak relative to the strip's highest.
const STRONG: f64 = 0.25;
/// Least power of a peak over the noise floor.
const OVER_NOISE: f64 = 60.0;
/// Relative difference of pitches that count as the same.
const SAME: f64 = 0.03;
/// Fewest periods that are looked for.
const FEWEST: f64 = 6.0;
/// Highest frequency looked for, in cycles a pixel.
const HIGHEST: f64 = 0.45;
/// Zero padding of spectra.
const PADDING: usize = 8;
/// Harmonics of the test at the least, and the narrowest ticks in pixels: narrow ones far apart need
/// as many as one of them goes into the pitch.
const HARMONICS: f64 = 6.0;
const NARROW: f64 = 3.0;

/// Direction of strongest change in radians, by the structure tensor of the pixels of high
/// gradient: `0.5 atan2(2 <gx gy>, <gx^2 - gy^2>)`.
pub(super) fn direction(picture: &Plane) -> f64 {
    let smooth = gaussian(picture, 1.5);
    let (w, h) = (smooth.width(), smooth.height());
    let mut gradients = Vec::with_capacity(w * h);
    for y in 1..h - 1 {
        let (above, row, below) = (smooth.row(y - 1), smooth.row(y), smooth.row(y + 1));
        for x in 1..w - 1 {
            gradients.push([row[x + 1] - row[x - 1], below[x] - above[x]]);
        }
    }
    let mut sizes: Vec<f32> = gradients.iter().map(|g| g[0] * g[0] + g[1] * g[1]).collect();
    let limit = quantile(&mut sizes, 0.8).unwrap_or(0.0);
    let (mut cross, mut differ) = (0.0, 0.0);
    for g in gradients {
        let [gx, gy] = g.map(f64::from);
        if gx * gx + gy * gy >= f64::from(limit) {
            cross += 2.0 * gx * gy;
            differ += gx * gx - gy * gy;
        }
    }
    0.5 * libm::atan2(cross, differ)
}

/// Coordinates along (u) and square to (v) a rule, from the picture's centre.
#[derive(Debug, Clone, Copy)]
pub(super) struct Turned {
    cos: f64,
    sin: f64,
    centre: [f64; 2],
    /// Half the picture's extent along u and v.
    pub half: [f64; 2],
}

/// From where to where along a rule, in pixels from the picture's centre.
pub(super) type Span = [f64; 2];

impl Turned {
    pub(super) fn new(picture: &Plane, angle: f64) -> Self {
        let (w, h) = (picture.width() as f64, picture.height() as f64);
        let (cos, sin) = (libm::cos(angle), libm::sin(angle));
        let half =
            [0.5 * ((w * cos).abs() + (h * sin).abs()), 0.5 * ((w * sin).abs() + (h * cos).abs())];
        Self { cos, sin, centre: [0.5 * (w - 1.0), 0.5 * (h - 1.0)], half }
    }

    pub(super) fn at(&self, x: f64, y: f64) -> [f64; 2] {
        let (x, y) = (x - self.centre[0], y - self.centre[1]);
        [x * self.cos + y * self.sin, y * self.cos - x * self.sin]
    }

    /// A place along (u, v) in picture coordinates.
    pub(super) fn place(&self, at: [f64; 2]) -> [f64; 2] {
        let [x, y] = self.back(at);
        [x + self.centre[0], y + self.centre[1]]
    }

    /// A vector along (u, v) in picture coordinates.
    pub(super) fn back(&self, [u, v]: [f64; 2]) -> [f64; 2] {
        [u * self.cos - v * self.sin, u * self.sin + v * self.cos]
    }
}

/// Mean values along the rule, in strips square to it.
pub(super) struct Strips {
    turned: Turned,
    length: usize,
    /// Sum of values and of weights: `BINS` rows of `length`.
    sum: Vec<[f64; 2]>,
    /// The part along the rule that is looked at.
    span: Option<Span>,
}

/// A pitch that several strips support.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Pitch {
    /// Cycles a pixel.
    pub frequency: f64,
    /// Strips with this pitch.
    pub support: usize,
    /// First and last v of these strips.
    pub reach: [f64; 2],
}

/// How well a strip is explained by even ticks.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Test {
    pub explained: f64,
    pub slip: f64,
    pub periods: f64,
    pub skew: f64,
}

impl Strips {
    /// Of the part `span` along the rule, or all of it.
    pub(super) fn new(picture: &Plane, angle: f64, span: Option<Span>) -> Self {
        let turned = Turned::new(picture, angle);
        let length = round_usize(2.0 * turned.half[0]) + 2;
        let mut sum = vec![[0.0; 2]; BINS * length];
        for y in 0..picture.height() {
            for (x, &value) in picture.row(y).iter().enumerate() {
                let [u, v] = turned.at(x as f64, y as f64);
                let bin = floor_isize((v + turned.half[1]) / (2.0 * turned.half[1]) * BINS as f64);
                let Some(bin) = index_in(bin, BINS) else { continue };
                let at = u + turned.half[0];
                let low = floor_isize(at);
                let part = at - at.floor();
                for (i, w) in [(low, 1.0 - part), (low + 1, part)] {
                    if let Some(i) = index_in(i, length) {
                        let cell = &mut sum[bin * length + i];
                        cell[0] += w * f64::from(value);
                        cell[1] += w;
                    }
                }
            }
        }
        Self { turned, length, sum, span }
    }

    /// v of the centre of strip `j`.
    fn centre(&self, j: usize) -> f64 {
        (2.0 * (j as f64 + 0.5) / STRIPS as f64 - 1.0) * self.turned.half[1]
    }

    /// Mean profile of the strip around `v` (Gaussian, sigma a 24th of the extent), a cubic taken
    /// off.
    fn profile(&self, v: f64) -> Vec<f64> {
        let sigma = self.turned.half[1] / 12.0;
        let near = |at: f64| {
            let z = (at - v) / sigma;
            if z.abs() < 3.0 { libm::exp(-0.5 * z * z) } else { 0.0 }
        };
        detrended(self.mean(near).1)
    }

    /// Mean of the rows square to the rule by the weight of their v, over the longest stretch that
    /// the picture covers; before it, the u of its first value.
    pub(super) fn mean(&self, weight: impl Fn(f64) -> f64) -> (f64, Vec<f64>) {
        let mut total = vec![[0.0; 2]; self.length];
        for (bin, row) in self.sum.chunks_exact(self.length).enumerate() {
            let at = (2.0 * (bin as f64 + 0.5) / BINS as f64 - 1.0) * self.turned.half[1];
            let weight = weight(at);
            if weight > 0.0 {
                for (t, c) in total.iter_mut().zip(row) {
                    t[0] += weight * c[0];
                    t[1] += weight * c[1];
                }
            }
        }
        let most = total.iter().map(|t| t[1]).fold(0.0, f64::max);
        let u = |i: usize| i as f64 - self.turned.half[0];
        let inside = |i: usize| self.span.is_none_or(|s| u(i) >= s[0] && u(i) <= s[1]);
        let covered = |i: usize| total[i][1] > 0.3 * most && inside(i);
        // The longest covered run.
        let (mut best, mut start) = (0..0, 0);
        for i in 0..=total.len() {
            if i == total.len() || !covered(i) {
                if i - start > best.len() {
                    best = start..i;
                }
                start = i + 1;
            }
        }
        (u(best.start), total[best].iter().map(|t| t[0] / t[1]).collect())
    }

    /// The highest fundamental that at least two strips support.
    pub(super) fn pitch(&self) -> Option<Pitch> {
        let found: Vec<(f64, f64)> = (0..STRIPS)
            .filter_map(|j| {
                let v = self.centre(j);
                Some((v, fundamental(&self.profile(v))?))
            })
            .collect();
        let support = |f: f64| {
            let same: Vec<_> =
                found.iter().filter(|s| (s.1 / f - 1.0).abs() < SAME).copied().collect();
            (same.len() >= SUPPORT).then_some(same)
        };
        let (_, same) = found
            .iter()
            .filter_map(|&(_, f)| Some((f, support(f)?)))
            .max_by(|a, b| a.0.total_cmp(&b.0))?;
        let mut frequencies: Vec<f64> = same.iter().map(|s| s.1).collect();
        let half = self.turned.half[1] / STRIPS as f64;
        let reach = [same.first()?.0 - half, same.last()?.0 + half];
        Some(Pitch { frequency: median_f64(&mut frequencies)?, support: same.len(), reach })
    }

    /// The strip within `reach` that even ticks of this frequency explain best.
    pub(super) fn test(&self, frequency: f64, reach: [f64; 2]) -> Option<Test> {
        let inside = |v: &f64| *v >= reach[0] && *v <= reach[1];
        (0..STRIPS)
            .map(|j| self.centre(j))
            .filter(inside)
            .filter_map(|v| explain(&self.profile(v), frequency))
            .max_by(|a, b| a.explained.total_cmp(&b.explained))
    }
}

/// Least part of its mean that a trend is divided by.
const DARKEST: f64 = 0.2;

/// Takes a cubic off, and divides by it: where there is less light, ticks are fainter.
fn detrended(mut profile: Vec<f64>) -> Vec<f64> {
    let scale = 2.0 / profile.len().max(1) as f64;
    let row = |i: usize| {
        let t = i as f64 * scale - 1.0;
        vec![1.0, t, t * t, t * t * t]
    };
    let rows = profile.iter().enumerate().map(|(i, &v)| (row(i), v, 1.0));
    let Some(fit) = least_squares(rows, 4) else { return profile };
    let mean = profile.iter().sum::<f64>() / profile.len().max(1) as f64;
    for (i, v) in profile.iter_mut().enumerate() {
        let trend = row(i).iter().zip(&fit.value).map(|(a, b)| a * b).sum::<f64>();
        *v -= trend;
        if mean > 0.0 {
            *v /= (trend / mean).max(DARKEST);
        }
    }
    profile
}

/// The lowest strong peak of a profile's spectrum, in cycles a pixel.
fn fundamental(profile: &[f64]) -> Option<f64> {
    let len = profile.len();
    if len < 32 {
        return None;
    }
    let n = (len * PADDING).next_power_of_two();
    let mut line: Vec<Complex64> = profile
        .iter()
        .enumerate()
        .map(|(i, &v)| {
            let w = 0.5 - 0.5 * libm::cos(TAU * (i as f64 + 0.5) / len as f64);
            Complex64::new(v * w, 0.0)
        })
        .collect();
    line.resize(n, Complex64::default());
    plan_forward(n).process(&mut line);
    let power: Vec<f64> = line[..n / 2].iter().map(|z| z.norm_sqr()).collect();
    let low = round_usize(FEWEST * n as f64 / len as f64);
    let high = round_usize(HIGHEST * n as f64).min(power.len().saturating_sub(1));
    let range = power.get(low..high)?;
    let most = range.iter().copied().fold(0.0, f64::max);
    // Half of noise's power lies below ln 2 of its mean.
    let floor = median_f64(&mut range.to_vec())? / std::f64::consts::LN_2;
    let k = (low.max(1)..high).find(|&k| {
        power[k] >= power[k - 1]
            && power[k] >= power[k + 1]
            && power[k] >= STRONG * most
            && power[k] > OVER_NOISE * floor
    })?;
    let log = |k: usize| libm::log(power[k] + 1e-300);
    let (offset, _) = super::super::ring::parabola_peak(log(k - 1), log(k), log(k + 1));
    let offset = if offset.is_finite() { offset.clamp(-0.5, 0.5) } else { 0.0 };
    Some((k as f64 + offset) / n as f64)
}

/// Fits harmonics of `frequency` to a profile. What is explained is what is left of a variance against that
/// before, each by its degrees of freedom: many harmonics explain some of anything.
fn explain(profile: &[f64], frequency: f64) -> Option<Test> {
    let most = (1.0 / (NARROW * frequency)).max(HARMONICS);
    let harmonics = (1..).map(f64::from).take_while(|&h: &f64| h <= most && h * frequency < 0.48);
    let harmonics: Vec<f64> = harmonics.collect();
    let row = |i: usize| -> Vec<f64> {
        let mut row = vec![1.0];
        for h in &harmonics {
            let phase = TAU * h * frequency * i as f64;
            row.extend([libm::cos(phase), libm::sin(phase)]);
        }
        row
    };
    let fit = |from: usize, to: usize| {
        let rows = (from..to).map(|i| (row(i), profile[i], 1.0));
        least_squares(rows, 1 + 2 * harmonics.len())
    };
    let n = profile.len();
    let whole = fit(0, n)?;
    let mean = profile.iter().sum::<f64>() / n as f64;
    let energy: f64 = profile.iter().map(|v| (v - mean).powi(2)).sum();
    let third: f64 = profile.iter().map(|v| (v - mean).powi(3)).sum();
    if energy <= 0.0 || harmonics.is_empty() {
        return None;
    }
    let phase = |f: &[f64]| libm::atan2(f[2], f[1]) / TAU;
    let slip = phase(&fit(0, n / 2)?.value) - phase(&fit(n / 2, n)?.value);
    Some(Test {
        explained: 1.0 - whole.misfit() / (energy / (n as f64 - 1.0)),
        slip: (slip - slip.round()).abs(),
        periods: n as f64 * frequency,
        skew: third,
    })
}
