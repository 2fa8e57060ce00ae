//! What the sensor adds to every frame alike, where the dark frame left some of it.
//!
//! ```text
//! F(x) = mean over frames of ( I(x) - L T(x - p) )        x in sensor coordinates, still pixels
//! ```
//!
//! A scene that moves on the sensor averages out of the residual F, a pattern of the sensor stays.
//! F is taken apart into columns, rows and pixels; each part counts only where it is larger than
//! noise allows and large enough to matter, and is shrunk by how well it is known,
//! `F s^2 / (s^2 + v)`. Such a pattern does not move, so it draws shifts to zero by the part that
//! it has of all information.
//!
//! **Limit**: where the scene moves by less than 0.5 px rms on the sensor (0.4 px where a pattern is
//! known to draw the shifts, see [`super::drawn`], and in several blocks together), scene and pattern
//! cannot be told apart and nothing is taken off. Template errors at edges leave a residual
//! too; at high light that is why a pattern of single pixels must be a fair part of the noise to
//! count.

use std::ops::Range;

use rayon::prelude::*;

use super::block::Block;
use super::hidden::Hidden;
use super::path::scatter;
use super::{LEAST_VARIANCE, PixelNoise, Pose};
use crate::frame::convert::{signed, to_f32};
use crate::frame::{Coding, FixedPlane, Plane};
use crate::math::patch::marked;
use crate::math::turn::{Placement, ReadScratch, Reading};
use crate::math::wide::{Wide, wide};

/// The scene must move by this much, rms along each axis, in pixels.
pub(super) const LEAST_MOTION: f64 = 0.5;
/// The same where something fixed draws the shifts, so that a pattern is surely there.
pub(super) const LEAST_DRAWN: f64 = 0.4;
/// A part counts where its power is this many standard errors above what noise gives.
const SURE: f64 = 6.0;
/// A pattern of pixels matters from this part of a frame's noise on.
const LEAST_PIXELS: f64 = 0.05;
/// One of whole columns or rows.
const LEAST_LINES: f64 = 0.02;
/// Residuals further out than this many standard deviations are taken as this.
const CLIP: f32 = 6.0;
/// A pixel is used that this many frames saw as background.
const FEWEST: f32 = 8.0;
/// Of frames with more than twice as many pixels some are asked first whether there is a pattern.
const PLENTY: usize = 500_000;
/// Of so many of them one is at the least.
const MOST_SPARED: usize = 4;
/// What is half of a pattern to them is looked for in all.
const ASKED: f64 = 0.5;
/// Rows worked on together.
const BAND: usize = 32;

/// The mean residual of each pixel and its variance; infinite where too little was seen.
struct Residual {
    mean: Plane,
    variance: Plane,
}

/// What the sensor adds to every frame alike.
#[derive(Debug, Clone, PartialEq)]
pub struct Pattern {
    /// Its values in DN.
    pub values: Plane,
    /// Variance of what is still unknown of each pixel, before the flat, in DN^2; `None` where single pixels
    /// have none that matters.
    pub left: Option<f32>,
}

/// What all frames have in common that does not move with the scene; `None` where it does
/// not matter or cannot be told: where the scene moves by less than `least_motion` pixels rms along an
/// axis.
#[must_use]
pub fn fixed_pattern(
    frames: &[Option<&FixedPlane>],
    block: &Block,
    noise: &PixelNoise,
    least_motion: f64,
) -> Option<Pattern> {
    let seen: Vec<Seen<'_>> = frames
        .iter()
        .zip(&block.poses)
        .enumerate()
        .filter_map(|(k, (f, p))| {
            let hidden = block.cover.as_ref().map(|c| c.of(k));
            Some(Seen { frame: (*f)?, pose: (*p)?, hidden })
        })
        .collect();
    let first = seen.first()?.frame;
    let (w, h) = (first.width, first.height);
    let shifts: Vec<[f64; 2]> = seen.iter().map(|s| s.pose.shift).collect();
    if scatter(&shifts).iter().any(|s| (s / seen.len() as f64).sqrt() < least_motion) {
        return None;
    }
    let every = w * h / PLENTY;
    if every > 1 {
        let some: Vec<Seen<'_>> = seen.iter().copied().step_by(every.min(MOST_SPARED)).collect();
        taken_apart(&some, (block, noise), ASKED)?;
    }
    taken_apart(&seen, (block, noise), 1.0)
}

/// The parts of the frames' common residual that count, `strict` parts of what else would count.
fn taken_apart(
    seen: &[Seen<'_>],
    (block, noise): (&Block, &PixelNoise),
    strict: f64,
) -> Option<Pattern> {
    let first = seen.first()?.frame;
    let (w, h) = (first.width, first.height);
    let mut left = residual(seen, block, noise, (w, h));
    let usual = typical(&left.variance)? * seen.len() as f64 * strict;
    let mut out = Plane::filled(w, h, 0.0);
    let mut any = false;
    for vertical in [true, false] {
        let lines = lines(&left, vertical);
        let Some((kept, _)) =
            significant(&lines, (strict * SURE, LEAST_LINES * LEAST_LINES * usual))
        else {
            continue;
        };
        any = true;
        for y in 0..h {
            for (x, (o, l)) in out.row_mut(y).iter_mut().zip(left.mean.row_mut(y)).enumerate() {
                let v = kept[if vertical { x } else { y }];
                *o += v;
                *l -= v;
            }
        }
    }
    let pixels: Vec<(f32, f32)> =
        left.mean.data().iter().copied().zip(left.variance.data().iter().copied()).collect();
    let least = LEAST_PIXELS * LEAST_PIXELS * usual;
    let mut unknown = None;
    if let Some((kept, s2)) = significant(&pixels, (strict * SURE, least)) {
        any = true;
        unknown = Some(still_unknown(&pixels, s2, noise.factor.as_ref()));
        out.data_mut().iter_mut().zip(kept).for_each(|(o, v)| *o += v);
    }
    any.then_some(Pattern { values: out, left: unknown })
}

/// Mean variance of what is unknown of pixels of variance `s2` that were shrunk by how well they are known,
/// before the flat multiplied them with `factor`; of those of which anything is known, as no others are
/// used.
fn still_unknown(pixels: &[(f32, f32)], s2: f32, factor: Option<&Plane>) -> f32 {
    let (mut sum, mut n) = (0.0_f64, 0.0_f64);
    for (at, (_, v)) in pixels.iter().enumerate().filter(|(_, (_, v))| v.is_finite()) {
        let by = factor.map_or(1.0, |f| f.data()[at]);
        sum += f64::from(s2 * v / ((s2 + v) * by * by).max(LEAST_VARIANCE));
        n += 1.0;
    }
    to_f32(sum / f64::max(n, 1.0))
}

/// Takes a pattern off a frame.
pub fn take_pattern_off(frame: &mut FixedPlane, pattern: &Plane) {
    let coding = frame.coding;
    for (c, p) in frame.codes.iter_mut().zip(pattern.data()) {
        if !marked(*c) {
            *c = coding.encode(coding.decode(*c) - p);
        }
    }
}

/// A frame, where it lies, and what is hidden in it.
#[derive(Clone, Copy)]
struct Seen<'a> {
    frame: &'a FixedPlane,
    pose: Pose,
    hidden: Option<Hidden<'a>>,
}

/// Median of the finite variances.
fn typical(variance: &Plane) -> Option<f64> {
    let mut some: Vec<f32> =
        variance.data().iter().step_by(7).copied().filter(|v| v.is_finite()).collect();
    crate::math::robust::median(&mut some).map(f64::from)
}

fn residual(
    seen: &[Seen<'_>],
    block: &Block,
    noise: &PixelNoise,
    (w, h): (usize, usize),
) -> Residual {
    let [mut mean, mut variance] = [0, 1].map(|_| Plane::filled(w, h, 0.0));
    let rows = BAND * w;
    mean.data_mut()
        .par_chunks_mut(rows)
        .zip(variance.data_mut().par_chunks_mut(rows))
        .enumerate()
        .for_each_init(Scratch::default, |scratch, (band, (sum, variance))| {
            let mut count = vec![0.0_f32; sum.len()];
            for (i, ((sum, variance), count)) in sum
                .chunks_exact_mut(w)
                .zip(variance.chunks_exact_mut(w))
                .zip(count.chunks_exact_mut(w))
                .enumerate()
            {
                let y = band * BAND + i;
                for of in seen {
                    let row = Row { of, block, noise, y };
                    row.add(scratch, (sum, variance, count));
                }
                for ((s, v), c) in sum.iter_mut().zip(variance.iter_mut()).zip(&*count) {
                    if *c < FEWEST {
                        (*s, *v) = (0.0, f32::INFINITY);
                    } else {
                        *s /= c;
                        *v /= c * c;
                        let most = CLIP * v.sqrt();
                        *s = s.clamp(-most, most);
                    }
                }
            }
        });
    Residual { mean, variance }
}

#[derive(Default)]
struct Scratch {
    model: Vec<f32>,
    read: ReadScratch,
}

/// One row of one frame.
struct Row<'a> {
    of: &'a Seen<'a>,
    block: &'a Block,
    noise: &'a PixelNoise,
    y: usize,
}

impl Row<'_> {
    /// Adds residuals, variances and counts of the still pixels.
    fn add(&self, s: &mut Scratch, (sum, variance, count): (&mut [f32], &mut [f32], &mut [f32])) {
        let Seen { frame, pose, hidden } = self.of;
        let (w, h) = (frame.width, frame.height);
        let template = &self.block.template;
        let back: Placement = pose.placement([w, h]).inverse();
        s.model.resize(w, 0.0);
        let reading = Reading::new(back);
        reading.row(template.into(), (0, signed(self.y)), &mut s.model, &mut s.read);
        back.stretches(self.y, [w, h], |columns, (u, v)| {
            let still = &self.block.still[v * w..][..w];
            let mut add = |there: Range<usize>| {
                let from = columns.start + (there.start - u);
                let here = from..from + there.len();
                let factor = self.noise.factor.as_ref();
                wide(Adding {
                    codes: &frame.row(self.y)[here.clone()],
                    coding: frame.coding,
                    model: &s.model[here.clone()],
                    light: to_f32(pose.light),
                    still: &still[there],
                    factor: factor.map(|f| &f.row(self.y)[here.clone()]),
                    noise: [self.noise.slope, self.noise.floor],
                    out: [&mut sum[here.clone()], &mut variance[here.clone()], &mut count[here]],
                });
            };
            let there = (u, u + columns.len());
            match hidden {
                None => add(there.0..there.1),
                Some(hidden) => hidden.runs(v, there, add),
            }
        });
    }
}

/// What a run of pixels adds to residuals, variances and counts, as one piece of work.
struct Adding<'a> {
    codes: &'a [u16],
    coding: Coding,
    model: &'a [f32],
    light: f32,
    still: &'a [u8],
    factor: Option<&'a [f32]>,
    /// Slope and floor of the variance.
    noise: [f32; 2],
    /// Sums of residuals, of variances, and of pixels.
    out: [&'a mut [f32]; 3],
}

impl Wide for Adding<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        match self.factor {
            Some(factor) => {
                let factor = &factor[..self.codes.len()];
                self.each(|i| factor[i]);
            }
            None => self.each(|_| 1.0),
        }
    }
}

impl Adding<'_> {
    #[inline(always)]
    fn each(self, factor: impl Fn(usize) -> f32) {
        let n = self.codes.len();
        let (codes, model, still) = (&self.codes[..n], &self.model[..n], &self.still[..n]);
        let [sum, variance, count] = self.out.map(|r| &mut r[..n]);
        for i in 0..n {
            let expected = self.light * model[i];
            let noise = super::variance(self.noise, expected, factor(i));
            let code = codes[i];
            let good = still[i] != 0 && !marked(code);
            sum[i] += if good { self.coding.decode(code) - expected } else { 0.0 };
            variance[i] += if good { noise } else { 0.0 };
            count[i] += if good { 1.0 } else { 0.0 };
        }
    }
}

/// Weighted mean of each column, or row, and its variance; the mean of all taken off.
fn lines(left: &Residual, vertical: bool) -> Vec<(f32, f32)> {
    let (w, h) = (left.mean.width(), left.mean.height());
    let mut sums = vec![(0.0_f64, 0.0_f64); if vertical { w } else { h }];
    for y in 0..h {
        for (x, (m, v)) in left.mean.row(y).iter().zip(left.variance.row(y)).enumerate() {
            if v.is_finite() && *v > 0.0 {
                let s = &mut sums[if vertical { x } else { y }];
                s.0 += f64::from(m / v);
                s.1 += f64::from(1.0 / v);
            }
        }
    }
    let known: Vec<f64> = sums.iter().filter(|s| s.1 > 0.0).map(|s| s.0 / s.1).collect();
    let mean = known.iter().sum::<f64>() / known.len().max(1) as f64;
    sums.iter()
        .map(|s| {
            if s.1 > 0.0 {
                (to_f32(s.0 / s.1 - mean), to_f32(1.0 / s.1))
            } else {
                (0.0, f32::INFINITY)
            }
        })
        .collect()
}

/// Values shrunk by how well they are known, and the variance that they have among each other; `None` where their power is not surely above what
/// noise gives, by `sure` standard errors, or below `least`.
fn significant(values: &[(f32, f32)], (sure, least): (f64, f64)) -> Option<(Vec<f32>, f32)> {
    let (mut ratio, mut power, mut n) = (0.0_f64, 0.0_f64, 0.0_f64);
    for (m, v) in values.iter().filter(|(_, v)| v.is_finite() && *v > 0.0) {
        ratio += f64::from(m * m / v);
        power += f64::from(m * m - v);
        n += 1.0;
    }
    let above = (ratio / f64::max(n, 1.0) - 1.0) * (n / 2.0).sqrt();
    let power = power / f64::max(n, 1.0);
    if n < 16.0 || above < sure || power < least {
        return None;
    }
    let s2 = to_f32(power);
    let shrunk = |&(m, v): &(f32, f32)| if v.is_finite() { m * s2 / (s2 + v) } else { 0.0 };
    Some((values.iter().map(shrunk).collect(), s2))
}

#[cfg(test)]
mod tests {
    use super::super::block::register;
    use super::super::clean::learn;
    use super::super::{NoLock, RegisterSettings};
    use super::*;
    use crate::frame::NoiseModel;
    use rand::SeedableRng;
    use rand_chacha::ChaCha12Rng;
    use rand_distr::{Distribution, Normal};

    const SIZE: usize = 160;

    /// A pattern of columns and pixels, 3 e- each.
    fn pattern() -> Plane {
        let mut rng = ChaCha12Rng::seed_from_u64(5);
        let one = Normal::new(0.0_f32, 3.0).unwrap();
        let columns: Vec<f32> = (0..SIZE).map(|_| one.sample(&mut rng)).collect();
        Plane::from_fn(SIZE, SIZE, |x, _| columns[x] + one.sample(&mut rng))
    }

    /// Frames of a scene that jostles under the pattern, and the true shifts.
    fn clip(pattern: Option<&Plane>) -> (Vec<Option<FixedPlane>>, Vec<[f64; 2]>) {
        let noise = Normal::new(0.0, 1.0).unwrap();
        (0..32_u32)
            .map(|k| {
                let t = f64::from(k);
                let p = [2.1 * libm::sin(1.1 * t), 1.7 * libm::cos(0.7 * t)];
                let mut rng = ChaCha12Rng::seed_from_u64(u64::from(k) + 100);
                let seen = Plane::from_fn(SIZE, SIZE, |x, y| {
                    let (u, v) = (x as f64 - p[0], y as f64 - p[1]);
                    let light = 70.0
                        + 22.0 * libm::sin(0.7 * u + 0.3 * v) * libm::cos(0.3 * u - 0.6 * v)
                        + 15.0 * libm::sin(0.17 * u + 0.004 * u * v);
                    let added = pattern.map_or(0.0, |p| f64::from(p.at(x, y)));
                    to_f32(light + added + (light + 64.0).sqrt() * noise.sample(&mut rng))
                });
                (Some(FixedPlane::from_plane(&seen, None, Coding::for_white(400.0))), p)
            })
            .unzip()
    }

    fn noise() -> PixelNoise {
        PixelNoise::new(&NoiseModel { gain_e_per_dn: 1.0, read_noise_e: 8.0 })
    }

    /// Spread of the errors along both axes.
    fn error(poses: &[Option<Pose>], truth: &[[f64; 2]]) -> f64 {
        let mut sum = 0.0;
        for a in 0..2 {
            let off: Vec<f64> =
                poses.iter().zip(truth).map(|(p, t)| p.unwrap().shift[a] - t[a]).collect();
            let mean = off.iter().sum::<f64>() / off.len() as f64;
            sum += off.iter().map(|d| (d - mean).powi(2)).sum::<f64>() / off.len() as f64;
        }
        (0.5 * sum).sqrt()
    }

    #[test]
    fn a_pattern_is_found_and_no_longer_pulls() -> Result<(), NoLock> {
        let truth_of = pattern();
        let (mut frames, truth) = clip(Some(&truth_of));
        let lent: Vec<_> = frames.iter().map(Option::as_ref).collect();
        let before = register(&lent, &noise(), &RegisterSettings::default())?;
        let learned = learn(&mut frames, &noise(), &RegisterSettings::default(), true)?;
        let found = learned.faults.pattern.unwrap();
        // Correlation of what was found with what was added.
        let (mut ab, mut aa, mut bb) = (0.0, 0.0, 0.0);
        for (a, b) in found.data().iter().zip(truth_of.data()) {
            (ab, aa, bb) = (ab + a * b, aa + a * a, bb + b * b);
        }
        assert!(ab / (aa * bb).sqrt() > 0.8, "{}", ab / (aa * bb).sqrt());
        let (then, now) = (error(&before.poses, &truth), error(&learned.block.poses, &truth));
        // What a clip without a pattern allows.
        let (mut clean, _) = clip(None);
        let best = learn(&mut clean, &noise(), &RegisterSettings::default(), true)?;
        assert!(best.faults.pattern.is_none(), "a pattern where there is none");
        let best = error(&best.block.poses, &truth);
        assert!(now < 0.9 * then && now < 1.1 * best, "{then} {now} {best}");
        Ok(())
    }
}
