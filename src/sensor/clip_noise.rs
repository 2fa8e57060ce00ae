//! Gain and read noise from a clip alone, for want of references.
//!
//! Model: the difference of two frames shows twice the temporal variance, and besides it whatever
//! moved. The mask [1 -2 1; -2 4 -2; 1 -2 1] takes out every difference that is smooth over three
//! pixels (drift and jitter of soft texture, light), and multiplies white noise by 36 in variance:
//! `v = mean(h^2) / 72` over a block of 8 x 8 pixels of one colour. Blocks are set against their
//! level and a line `v = a + K s` is laid through their lower edge: motion only adds variance, so
//! blocks more than 1 sigma above the line are left out, and the mean of the rest is corrected
//! for the missing tail. `read noise = sqrt(a - 1/12) / K`.
//!
//! Saturated pixels: a block that holds one is not used. Memory: 24 bytes a block.
//! Give pairs that share no frame; overlapping pairs are not independent and make the stated
//! uncertainty too small.
//!
//! Source: the mask is that of J. Immerkaer, Fast noise variance estimation, Computer Vision and
//! Image Understanding 64, 1996 (from memory); the one-sided line is ours.
//! Limits: noise that was smoothed or interpolated by the camera is not white and comes out low;
//! sharp edges that jitter by much of a pixel add variance; levels that span little do not give K.

use rayon::prelude::*;

use super::SensorError;
use super::robust::{median, variance_deviate, variance_ratio};
use super::transfer::QUANTISATION;
use crate::frame::convert::to_f32;
use crate::frame::wide::{Wide, wide};
use crate::frame::{Flaw, Frame, Layout, NoiseModel, Plane};
use crate::record::Warning;

/// Side of a block in pixels of one colour.
const BLOCK: usize = 8;
/// Variance of the masked difference of two frames of unit variance.
const MASK_GAIN: f64 = 72.0;
/// Degrees of freedom of one block: `(8 / 1.8194)^2`, where 1.8194 is the sum of squared
/// correlations of the one-dimensional mask over 8 pixels, `1 + 2 (7/8 (2/3)^2 + 6/8 (1/6)^2)`.
const BLOCK_DOF: f64 = 19.33;
/// Weight of a row or column of a block in its variance: the squared mask [1 4 1] moved over the
/// block. The level is weighted alike; a plain mean smooths texture more than the variance does,
/// which made the gain 2 to 3 % low on a texture of 7 to 9 pixels (measured).
const WEIGHTS: [f64; BLOCK + 2] = [1.0, 5.0, 6.0, 6.0, 6.0, 6.0, 6.0, 6.0, 5.0, 1.0];
/// Sum of [`WEIGHTS`].
const WEIGHT_SUM: f64 = 48.0;
/// Sigma above the line at which a block is no longer used. Tight, because slow or faint motion adds
/// little more than the scatter of a block.
const UPPER: f64 = 1.0;
/// Sigma below the line at which a block is taken for a fault.
const LOWER: f64 = -5.0;
/// Mean square of a unit normal variable cut at [`UPPER`]: `1 - pdf(1) / cdf(1)`.
const CUT_SQUARE: f64 = 0.712_400;
/// Variance of the line against that of a fit to as many whole blocks: the mean square less the
/// squared mean, over the square of `1 - 0.2876 * 1.2876`, because the cut follows the line.
const CUT_COST: f64 = 1.588;
/// Largest relative uncertainty at which a gain is still given.
const WORST_GAIN: f64 = 0.3;
/// Fewest blocks.
const LEAST_BLOCKS: usize = 64;

#[derive(Debug, Clone, Copy, Default)]
struct Block {
    squares: f64,
    level: f64,
    pairs: u32,
    spoilt: bool,
}

/// One colour site of one plane.
#[derive(Debug, Clone)]
struct Site {
    plane: usize,
    x0: usize,
    y0: usize,
    step: usize,
    across: usize,
    blocks: Vec<Block>,
}

/// Gathers pairs of frames of a clip.
#[derive(Debug, Clone)]
pub struct ClipNoise {
    width: usize,
    height: usize,
    black: f32,
    white: f32,
    sites: Vec<Site>,
}

/// What a clip's own frames say of its noise.
#[derive(Debug, Clone, PartialEq)]
pub struct ClipNoiseEstimate {
    /// Gain in e-/DN and read noise in e-.
    pub model: NoiseModel,
    /// Standard uncertainty of the gain in e-/DN; 0 where it was given.
    pub gain_sigma: f64,
    /// Standard uncertainty of the read noise in e-.
    pub read_noise_sigma: f64,
    /// Blocks the line was laid through.
    pub used: usize,
    /// Blocks there were.
    pub blocks: usize,
}

impl ClipNoise {
    /// For frames of this size and layout; `black` and `white` in the frames' DN (black 0 where it
    /// was taken off already).
    #[must_use]
    pub fn new(width: usize, height: usize, layout: Layout, black: f32, white: f32) -> Self {
        let step = if matches!(layout, Layout::Mosaic(_)) { 2 } else { 1 };
        let mut sites = Vec::new();
        for plane in 0..layout.planes() {
            for (x0, y0) in (0..step * step).map(|s| (s % step, s / step)) {
                let blocks = |len: usize, start: usize| {
                    (len.saturating_sub(start).div_ceil(step)).saturating_sub(2) / BLOCK
                };
                let (across, down) = (blocks(width, x0), blocks(height, y0));
                let blocks = vec![Block::default(); across * down];
                sites.push(Site { plane, x0, y0, step, across, blocks });
            }
        }
        Self { width, height, black, white, sites }
    }

    /// Adds a pair of frames of the same scene, best neighbours in time.
    ///
    /// # Errors
    /// [`SensorError::Shape`] where a frame is not of the size and layout given at the start.
    pub fn add_pair(&mut self, a: &Frame, b: &Frame) -> Result<(), SensorError> {
        let planes = self.sites.iter().map(|s| s.plane + 1).max().unwrap_or(0);
        for f in [a, b] {
            let size = |p: &Plane| (p.width(), p.height()) == (self.width, self.height);
            if f.planes.len() < planes || !f.planes.iter().all(size) {
                return Err(SensorError::Shape {
                    what: "a frame of the clip".to_owned(),
                    found: format!("{}x{}, {} planes", f.width(), f.height(), f.planes.len()),
                    expected: format!("{}x{}, {planes} planes", self.width, self.height),
                });
            }
        }
        let (black, white) = (self.black, self.white);
        for site in &mut self.sites {
            let pair = Pair {
                a: &a.planes[site.plane],
                b: &b.planes[site.plane],
                flaws: [a.flaws_of(site.plane), b.flaws_of(site.plane)],
                black,
                white,
                ratio: light_ratio(&a.planes[site.plane], &b.planes[site.plane], black),
                corner: (site.x0, site.y0),
                step: site.step,
            };
            let across = site.across.max(1);
            site.blocks
                .par_chunks_mut(across)
                .enumerate()
                .for_each(|(j, row)| wide(Adding { pair: &pair, j, row }));
        }
        Ok(())
    }

    /// Lays the line; `gain` in e-/DN where it is known, which then is not estimated.
    ///
    /// # Errors
    /// [`SensorError::Refused`] where too few blocks are left, or where the levels span too little
    /// to know the gain and none was given.
    pub fn finish(&self, gain: Option<f64>) -> Result<ClipNoiseEstimate, SensorError> {
        let mut dof = f64::INFINITY;
        let mut samples = Vec::new();
        for b in self.sites.iter().flat_map(|s| &s.blocks).filter(|b| !b.spoilt && b.pairs > 0) {
            let pairs = f64::from(b.pairs);
            dof = dof.min(BLOCK_DOF * pairs);
            samples.push((b.level / pairs, b.squares / pairs));
        }
        if samples.len() < LEAST_BLOCKS {
            let all: usize = self.sites.iter().map(|s| s.blocks.len()).sum();
            let what = if all < LEAST_BLOCKS {
                "the picture is too small: give darks and flats"
            } else {
                "look at the white level and the light, or give darks and flats"
            };
            return Err(SensorError::Refused(format!(
                "noise from the clip: {} of {all} blocks of {BLOCK}x{BLOCK} pixels are below \
                 saturation, {LEAST_BLOCKS} are needed: {what}",
                samples.len()
            )));
        }
        let line = lower_line(&mut samples, dof, gain.map(|g| 1.0 / g));
        let k_share = line.slope_var.sqrt() / line.slope;
        if !(line.slope > 0.0 && k_share < WORST_GAIN) {
            return Err(SensorError::Refused(format!(
                "noise from the clip: noise against level gives {:.4} DN/e- within {:.4}: the levels \
                 span too little, give darks and flats, or the gain",
                line.slope,
                line.slope_var.sqrt()
            )));
        }
        let net = (line.offset - QUANTISATION).max(0.0);
        let k = line.slope;
        let read = net.sqrt() / k;
        let offset_sigma = line.offset_var.sqrt();
        let read_noise_sigma = if net > offset_sigma {
            // d(read) = d(offset) / (2 sqrt(net) K) - read d(K) / K
            let by_offset = 1.0 / (2.0 * net.sqrt() * k);
            let by_slope = -read / k;
            (by_offset * by_offset * line.offset_var
                + by_slope * by_slope * line.slope_var
                + 2.0 * by_offset * by_slope * line.covariance)
                .max(0.0)
                .sqrt()
        } else {
            offset_sigma.sqrt() / k
        };
        Ok(ClipNoiseEstimate {
            model: NoiseModel { gain_e_per_dn: 1.0 / k, read_noise_e: read },
            gain_sigma: line.slope_var.sqrt() / (k * k),
            read_noise_sigma,
            used: line.used,
            blocks: samples.len(),
        })
    }
}

impl ClipNoiseEstimate {
    /// What a person should know of it.
    #[must_use]
    pub fn warnings(&self) -> Vec<Warning> {
        vec![Warning::new(
            "noise-from-clip",
            format!(
                "gain {:.3} +- {:.3} e-/DN and read noise {:.1} +- {:.1} e- were estimated from the \
                 clip itself",
                self.model.gain_e_per_dn,
                self.gain_sigma,
                self.model.read_noise_e,
                self.read_noise_sigma
            ),
            "give darks and flats to measure them",
        )]
    }
}

/// Two planes and where the blocks of one site lie in them.
struct Pair<'a> {
    a: &'a Plane,
    b: &'a Plane,
    flaws: [Option<&'a [Flaw]>; 2],
    black: f32,
    white: f32,
    ratio: f32,
    corner: (usize, usize),
    step: usize,
}

/// Blocks that are looked at side by side: additions of one block wait for each other, those of
/// several do not.
const ABREAST: usize = 8;
/// Pixels of a block and those around it along a side.
const SIDE: usize = BLOCK + 2;
/// The same of blocks side by side.
const STRIP: usize = ABREAST * BLOCK + 2;

/// What blocks side by side show.
struct Strip {
    spoilt: [bool; ABREAST],
    level: [f64; ABREAST],
    squares: [f64; ABREAST],
}

/// A row of blocks, as one piece of work.
struct Adding<'a> {
    pair: &'a Pair<'a>,
    j: usize,
    row: &'a mut [Block],
}

impl Wide for Adding<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        self.pair.add_row(self.j, self.row);
    }
}

impl Pair<'_> {
    /// Adds row `j` of blocks.
    #[inline(always)]
    fn add_row(&self, j: usize, row: &mut [Block]) {
        for (k, blocks) in row.chunks_mut(ABREAST).enumerate() {
            if blocks.iter().all(|b| b.spoilt) {
                continue;
            }
            let strip = self.strip((k * ABREAST, j), blocks.len());
            for (lane, block) in blocks.iter_mut().enumerate().filter(|(_, b)| !b.spoilt) {
                if strip.spoilt[lane] {
                    block.spoilt = true;
                    continue;
                }
                block.squares += strip.squares[lane] / ((BLOCK * BLOCK) as f64 * MASK_GAIN);
                block.level += strip.level[lane] / (2.0 * WEIGHT_SUM * WEIGHT_SUM);
                block.pairs += 1;
            }
        }
    }

    /// `n` pixels of one colour.
    #[inline(always)]
    fn row(&self, data: &[f32], n: usize) -> [f32; STRIP] {
        // A copy of a length that is known needs no call.
        if let (1, STRIP, Some(all)) = (self.step, n, data.first_chunk()) {
            return *all;
        }
        let mut out = [0.0; STRIP];
        if self.step == 1 {
            out[..n].copy_from_slice(&data[..n]);
        } else {
            out.iter_mut().zip(data.iter().step_by(self.step)).take(n).for_each(|(o, v)| *o = *v);
        }
        out
    }

    /// `count` blocks from (i, j) on.
    #[inline(always)]
    fn strip(&self, (i, j): (usize, usize), count: usize) -> Strip {
        let mut out =
            Strip { spoilt: [false; ABREAST], level: [0.0; ABREAST], squares: [0.0; ABREAST] };
        let mut d = [[0.0_f32; STRIP]; SIDE];
        let n = count * BLOCK + 2;
        let x0 = self.corner.0 + i * BLOCK * self.step;
        for (dy, row) in d.iter_mut().enumerate() {
            let y = self.corner.1 + (j * BLOCK + dy) * self.step;
            let from = y * self.a.width() + x0;
            let [a, b] = [self.a, self.b].map(|p| self.row(&p.data()[from..], n));
            let mut light = [0.0_f32; STRIP];
            let mut bad = [false; STRIP];
            for s in 0..STRIP {
                bad[s] = (a[s] >= self.white || b[s] >= self.white) && s < n;
                let (a, b) = (a[s] - self.black, (b[s] - self.black) * self.ratio);
                row[s] = b - a;
                light[s] = a + b;
            }
            for flaws in self.flaws.iter().flatten() {
                let flaws = flaws[from..].iter().step_by(self.step);
                bad.iter_mut().zip(flaws).take(n).for_each(|(b, f)| *b |= *f != Flaw::None);
            }
            for (dx, weight) in WEIGHTS.iter().enumerate() {
                for (lane, level) in out.level.iter_mut().enumerate() {
                    *level += WEIGHTS[dy] * weight * f64::from(light[lane * BLOCK + dx]);
                }
            }
            for (lane, spoilt) in out.spoilt.iter_mut().enumerate() {
                *spoilt |= bad[lane * BLOCK..][..SIDE].contains(&true);
            }
        }
        let line = |r: &[f32; STRIP], x: usize| r[x - 1] - 2.0 * r[x] + r[x + 1];
        for y in 1..=BLOCK {
            let mut h = [0.0_f64; STRIP];
            for (x, h) in h.iter_mut().enumerate().take(STRIP - 1).skip(1) {
                *h = f64::from(line(&d[y - 1], x) - 2.0 * line(&d[y], x) + line(&d[y + 1], x));
            }
            for x in 1..=BLOCK {
                for (lane, squares) in out.squares.iter_mut().enumerate() {
                    let h = h[lane * BLOCK + x];
                    *squares += h * h;
                }
            }
        }
        out
    }
}

/// Light of `a` against that of `b`, so that flicker does not lift the texture; 1 in the dark.
fn light_ratio(a: &Plane, b: &Plane, black: f32) -> f32 {
    // Both at once: additions of one sum wait for each other.
    let mut sums = [0.0_f64; 2];
    for (a, b) in a.data().iter().zip(b.data()) {
        sums[0] += f64::from(a - black);
        sums[1] += f64::from(b - black);
    }
    let [a, b] = sums.map(|s| s / a.data().len().max(1) as f64);
    if a > 1.0 && b > 1.0 { to_f32((a / b).clamp(0.5, 2.0)) } else { 1.0 }
}

/// A line through the lower edge of blocks, with its variances.
struct Line {
    offset: f64,
    slope: f64,
    offset_var: f64,
    slope_var: f64,
    covariance: f64,
    used: usize,
}

impl Line {
    fn at(&self, level: f64) -> f64 {
        (self.offset + self.slope * level.max(0.0)).max(1e-6)
    }
}

/// Lays `v = offset + slope * level` through `samples` of (level, v); `slope` where it is known.
fn lower_line(samples: &mut [(f64, f64)], dof: f64, slope: Option<f64>) -> Line {
    samples.sort_unstable_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
    let mut line = first_line(samples, dof, slope);
    let upper = variance_ratio(UPPER, dof);
    let lower = variance_ratio(LOWER, dof);
    let cut = cut_mean(upper, dof);
    for _ in 0..60 {
        let mut fit = Weighted::default();
        for &(level, v) in samples.iter() {
            let expected = line.at(level);
            if v <= expected * upper && v >= expected * lower {
                fit.add(level.max(0.0), v / cut, dof / (2.0 * expected * expected));
            }
        }
        let next = fit.solve(slope);
        let moved = (next.slope - line.slope).abs() * samples[samples.len() - 1].0.abs()
            + (next.offset - line.offset).abs();
        let settled = moved < 1e-6 * next.at(0.0);
        line = next;
        if settled {
            break;
        }
    }
    widen(line, samples, dof, (lower, upper))
}

/// Mean of a unit sample variance of `dof` degrees of freedom, given that it lies below `upper`:
/// the mean of a chi-square cut off at `c` is `n P(c; n + 2) / P(c; n)`.
fn cut_mean(upper: f64, dof: f64) -> f64 {
    let below = |ratio: f64, dof: f64| {
        0.5 * libm::erfc(-variance_deviate(ratio, dof) * std::f64::consts::FRAC_1_SQRT_2)
    };
    below(upper * dof / (dof + 2.0), dof + 2.0) / below(upper, dof)
}

/// A line through the lower quartiles of bins of level, each corrected to the middle.
fn first_line(samples: &[(f64, f64)], dof: f64, slope: Option<f64>) -> Line {
    let bins = (samples.len() / 32).clamp(2, 16);
    let quartile = variance_ratio(-0.6745, dof);
    let mut fit = Weighted::default();
    for b in 0..bins {
        let part = &samples[b * samples.len() / bins..(b + 1) * samples.len() / bins];
        let mut v: Vec<f32> = part.iter().map(|s| to_f32(s.1)).collect();
        let (low, _, _) = {
            let at = v.len() / 4;
            v.select_nth_unstable_by(at, f32::total_cmp)
        };
        let top = low.iter().copied().fold(0.0_f32, f32::max);
        let value = f64::from(top) / quartile;
        let mut levels: Vec<f32> = part.iter().map(|s| to_f32(s.0.max(0.0))).collect();
        fit.add(f64::from(median(&mut levels)), value, 1.0 / (value * value).max(1e-12));
    }
    let mut line = fit.solve(slope);
    line.slope = line.slope.max(0.0);
    line
}

/// Widens the variances where the blocks scatter more than their degrees of freedom allow.
fn widen(mut line: Line, samples: &[(f64, f64)], dof: f64, (lower, upper): (f64, f64)) -> Line {
    let (mut chi2, mut n) = (0.0, 0.0);
    for &(level, v) in samples {
        let expected = line.at(level);
        if v <= expected * upper && v >= expected * lower {
            let z = (v / expected - 1.0) / (2.0 / dof).sqrt();
            chi2 += z * z;
            n += 1.0;
        }
    }
    let scale = (chi2 / (CUT_SQUARE * f64::max(n - 2.0, 1.0))).max(1.0) * CUT_COST;
    line.offset_var *= scale;
    line.slope_var *= scale;
    line.covariance *= scale;
    line
}

/// Sums of a weighted straight-line fit.
#[derive(Debug, Default)]
struct Weighted {
    w: f64,
    x: f64,
    y: f64,
    xx: f64,
    xy: f64,
    n: usize,
}

impl Weighted {
    fn add(&mut self, x: f64, y: f64, w: f64) {
        self.w += w;
        self.x += w * x;
        self.y += w * y;
        self.xx += w * x * x;
        self.xy += w * x * y;
        self.n += 1;
    }

    fn solve(&self, slope: Option<f64>) -> Line {
        if let Some(slope) = slope {
            let w = self.w.max(f64::MIN_POSITIVE);
            return Line {
                offset: (self.y - slope * self.x) / w,
                slope,
                offset_var: 1.0 / w,
                slope_var: 0.0,
                covariance: 0.0,
                used: self.n,
            };
        }
        let det = (self.w * self.xx - self.x * self.x).max(f64::MIN_POSITIVE);
        Line {
            offset: (self.xx * self.y - self.x * self.xy) / det,
            slope: (self.w * self.xy - self.x * self.y) / det,
            offset_var: self.xx / det,
            slope_var: self.w / det,
            covariance: -self.x / det,
            used: self.n,
        }
    }
}

#[cfg(test)]
#[path = "clip_noise_tests.rs"]
mod tests;
