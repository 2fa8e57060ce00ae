//! Whether something that is fixed on the sensor draws the shifts to itself.
//!
//! A pattern that the dark frames left lies still on the sensor, in fine detail, pixel by pixel; a
//! scene holds most of its contrast in coarse detail. Where the scene hardly moves and there is
//! little light, frames fit best when they are laid so that the pattern lies still: all shifts come
//! out near zero, with a small stated error, and the template looks sharp. So each
//! block is registered once more on frames made four times smaller, where the pattern has averaged
//! away (columns of it are taken off as columns), and the two paths are held against each other: where all is as
//! modelled the difference of a sparing and a full estimate has the difference of their variances
//! (Hausman, Econometrica 46(6), 1251-1271 (1978), doi 10.2307/1913827). Where it is surely and
//! plainly more, and the full path moves less than the coarse one, the coarse path is right.
//!
//! **Limits**: frames of 256 px or more on the shorter side. A pattern as coarse as the scene is not
//! told from it.

use rayon::prelude::*;

use super::block::{Block, refine};
use super::path::scatter;
use super::{PixelNoise, Pose, RegisterSettings};
use crate::frame::convert::to_f32;
use crate::frame::{Coding, FixedPlane, Plane};
use crate::math::patch::marked;
use crate::math::robust::variance_deviate;
use crate::math::wide::{Wide, wide};

/// Side of the squares of pixels that are made one.
pub(super) const BY: usize = 4;
/// Shortest side of a frame that is made smaller.
pub(super) const LEAST_SIDE: usize = 256;
/// Of a scene that moves by more than this on the sensor, rms along each axis in pixels, the template
/// holds little of a pattern.
const MOST_MOTION: f64 = 1.5;
/// The paths differ where chance would show as much in one block of 10,000.
const SURE: f64 = 3.719;
/// And by at least this much, rms along each axis, in pixels.
const LEAST: f64 = 0.1;
/// And the full path moves by less than this part of what the coarse one moves.
const DRAWN: f64 = 0.8;
/// The coarse background must be at least this part of the full one.
const AS_LARGE: f64 = 0.5;

/// Whether a block's poses are drawn to the sensor.
#[derive(Debug, Clone, PartialEq)]
pub enum Drawn {
    /// No; nor are frames that are fitted to its template.
    Free,
    /// That cannot be told.
    Untold,
    /// Yes; these are not.
    To(Vec<Option<Pose>>),
}

/// Tells whether a block's poses are drawn to the sensor.
#[must_use]
pub fn undrawn(
    frames: &[Option<&FixedPlane>],
    block: &Block,
    noise: &PixelNoise,
    settings: &RegisterSettings,
) -> Drawn {
    let Some(first) = frames.iter().flatten().next() else { return Drawn::Untold };
    let poses: Vec<&Pose> = block.poses.iter().flatten().collect();
    let moves = spread(poses.iter().map(|p| p.shift)) / (2.0 * poses.len().max(1) as f64);
    if moves > MOST_MOTION * MOST_MOTION {
        return Drawn::Free;
    }
    if first.width.min(first.height) < LEAST_SIDE {
        return Drawn::Untold;
    }
    let mut small: Vec<Option<FixedPlane>> = frames.par_iter().map(|f| f.map(smaller)).collect();
    take_columns_off(&mut small);
    let noise = smaller_noise(noise);
    let path: Vec<_> =
        block.poses.iter().map(|p| p.map(|p| p.shift.map(|s| s / BY as f64))).collect();
    let lent: Vec<_> = small.iter().map(Option::as_ref).collect();
    let Ok(coarse) = refine(&lent, &noise, &settings.scaled(BY), &path) else {
        return Drawn::Untold;
    };
    let large =
        |p: &Pose| Pose { shift: p.shift.map(|s| s * BY as f64), sigma: p.sigma * BY as f64, ..*p };
    let found: Vec<Option<Pose>> = coarse.poses.iter().map(|p| p.as_ref().map(large)).collect();
    if coarse.still_share() <= AS_LARGE * block.still_share() {
        return Drawn::Untold;
    }
    if differs(&block.poses, &found) { Drawn::To(found) } else { Drawn::Free }
}

/// Whether `full` is drawn: differs from `coarse` by more than chance, and moves less.
fn differs(full: &[Option<Pose>], coarse: &[Option<Pose>]) -> bool {
    let both: Vec<(&Pose, &Pose)> =
        full.iter().zip(coarse).filter_map(|(f, c)| Some((f.as_ref()?, c.as_ref()?))).collect();
    let n = both.len() as f64;
    if 2 * both.len() < full.iter().flatten().count() || both.len() < 3 {
        return false;
    }
    let dof = 2.0 * (n - 1.0);
    let expected: f64 =
        both.iter().map(|(f, c)| (c.sigma.powi(2) - f.sigma.powi(2)).max(1e-12)).sum::<f64>() / n;
    let apart = spread(both.iter().map(|(f, c)| [0, 1].map(|a| f.shift[a] - c.shift[a])));
    let still = spread(both.iter().map(|(f, _)| f.shift));
    let moves = spread(both.iter().map(|(_, c)| c.shift));
    let moves = moves - dof * expected;
    variance_deviate(apart / (expected * dof), dof) > SURE
        && apart / dof - expected > LEAST * LEAST
        && still < DRAWN * DRAWN * moves
}

/// Sum of the squared distances from the mean, along both axes.
fn spread(all: impl Iterator<Item = [f64; 2]>) -> f64 {
    scatter(&all.collect::<Vec<_>>()).iter().sum()
}

/// A frame of which each square of pixels has become one, the mean of its good samples; squares
/// without any are missing.
pub(super) fn smaller(frame: &FixedPlane) -> FixedPlane {
    let (w, h) = (frame.width / BY, frame.height / BY);
    let mut codes = Vec::with_capacity(w * h);
    let mut sums = Vec::new();
    for rows in frame.codes.chunks_exact(BY * frame.width).take(h) {
        sums.clear();
        sums.resize(frame.width, 0);
        if wide(Pooling { rows, sums: &mut sums }) {
            let mean = |square: &[u32; BY]| {
                let sum = square.iter().fold(0_u32, |a, v| a.wrapping_add(*v));
                // A mean of codes that are no marks is none.
                u16::try_from((sum + 8) / 16).unwrap_or(Coding::MISSING)
            };
            codes.extend(sums.as_chunks().0.iter().map(mean));
        } else {
            codes.extend((0..w).map(|x| some_mean(rows, frame.width, x * BY)));
        }
    }
    FixedPlane { width: w, height: h, codes, coding: frame.coding }
}

/// Adds up [`BY`] rows, column by column, as one piece of work; tells whether all samples are good.
struct Pooling<'a> {
    rows: &'a [u16],
    sums: &'a mut [u32],
}

impl Wide for Pooling<'_> {
    type Output = bool;

    #[inline(always)]
    fn call(self) -> bool {
        let mut bad = 0;
        for row in self.rows.chunks_exact(self.sums.len()) {
            for (sum, &code) in self.sums.iter_mut().zip(row) {
                *sum = sum.wrapping_add(u32::from(code));
                bad |= u16::from(marked(code));
            }
        }
        bad == 0
    }
}

/// The mean of the good samples of a square of `rows` that begins at column `x`.
fn some_mean(rows: &[u16], width: usize, x: usize) -> u16 {
    let square = rows.chunks_exact(width).flat_map(|row| &row[x..x + BY]);
    let good = square.filter(|c| !marked(**c));
    let (sum, count) = good.fold((0, 0), |(s, n), c| (s + u32::from(*c), n + 1));
    match count {
        0 => Coding::MISSING,
        _ => u16::try_from((sum + count / 2) / count).unwrap_or(Coding::MISSING),
    }
}

/// The noise of such frames.
pub(super) fn smaller_noise(noise: &PixelNoise) -> PixelNoise {
    let squares = (BY * BY) as f32;
    PixelNoise {
        slope: noise.slope / squares,
        floor: noise.floor / squares,
        factor: noise.factor.as_ref().map(smaller_plane),
        row: noise.row / (BY as f32).sqrt(),
        held: noise.held / squares,
    }
}

/// A plane of which each square of pixels has become one.
fn smaller_plane(plane: &Plane) -> Plane {
    Plane::from_fn(plane.width() / BY, plane.height() / BY, |x, y| {
        let row = |y: usize| plane.row(y)[x * BY..(x + 1) * BY].iter().sum::<f32>();
        (y * BY..(y + 1) * BY).map(row).sum::<f32>() / (BY * BY) as f32
    })
}

/// Takes off what columns, and rows, have in common in all frames beyond their neighbours.
fn take_columns_off(frames: &mut [Option<FixedPlane>]) {
    let Some(first) = frames.iter().flatten().next() else { return };
    let (w, h) = (first.width, first.height);
    let mut sums = [vec![0.0_f64; w], vec![0.0_f64; h]];
    let mut counts = [vec![0.0_f64; w], vec![0.0_f64; h]];
    let found: Vec<[Vec<[f64; 2]>; 2]> = frames.par_iter().flatten().map(lines).collect();
    for f in &found {
        for a in 0..2 {
            for ((s, c), [sum, n]) in sums[a].iter_mut().zip(&mut counts[a]).zip(&f[a]) {
                *s += sum;
                *c += n;
            }
        }
    }
    let [columns, rows] = [0, 1].map(|a| {
        let mean: Vec<f64> = sums[a].iter().zip(&counts[a]).map(|(s, n)| s / n.max(1.0)).collect();
        own_detail(&mean)
    });
    frames.par_iter_mut().flatten().for_each(|f| {
        let coding = f.coding;
        for (line, row) in f.codes.chunks_exact_mut(w).zip(&rows) {
            for (code, column) in line.iter_mut().zip(&columns) {
                let even = coding.encode(coding.decode(*code) - column - row);
                *code = if *code == Coding::MISSING { *code } else { even };
            }
        }
    });
}

/// Of each column, and of each row: the sum of its values, and of how many.
fn lines(frame: &FixedPlane) -> [Vec<[f64; 2]>; 2] {
    let (w, h) = (frame.width, frame.height);
    let mut columns = vec![[0_u32; 2]; w];
    let mut rows = Vec::with_capacity(h);
    for line in frame.codes.chunks_exact(w) {
        let (mut sum, mut n) = (0_u32, 0_u32);
        for (column, &code) in columns.iter_mut().zip(line) {
            // The mark of missing data is code 0.
            let there = u32::from(code != Coding::MISSING);
            column[0] = column[0].wrapping_add(u32::from(code));
            column[1] = column[1].wrapping_add(there);
            sum = sum.wrapping_add(u32::from(code));
            n = n.wrapping_add(there);
        }
        rows.push([sum, n]);
    }
    let (zero, step) = (f64::from(frame.coding.zero), f64::from(frame.coding.step));
    let values = |[sum, n]: [u32; 2]| {
        let n = f64::from(n);
        [(f64::from(sum) - n * zero) * step, n]
    };
    [columns, rows].map(|all| all.into_iter().map(values).collect())
}

/// Values less the mean of those around them.
fn own_detail(values: &[f64]) -> Vec<f32> {
    const AROUND: usize = 4;
    (0..values.len())
        .map(|i| {
            let near = &values[i.saturating_sub(AROUND)..(i + AROUND + 1).min(values.len())];
            to_f32(values[i] - near.iter().sum::<f64>() / near.len() as f64)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::super::block::register;
    use super::super::clean::learn;
    use super::*;
    use crate::frame::NoiseModel;
    use rand::SeedableRng;
    use rand_chacha::ChaCha12Rng;
    use rand_distr::{Distribution, Normal};

    const SIZE: usize = 256;

    /// Dim frames of a scene that trembles under a pattern of pixels and columns of `pattern` e-, and
    /// the true shifts.
    fn clip(pattern: f32) -> (Vec<Option<FixedPlane>>, Vec<[f64; 2]>) {
        let one = Normal::new(0.0_f32, 1.0).unwrap();
        let mut rng = ChaCha12Rng::seed_from_u64(9);
        let columns: Vec<f32> = (0..SIZE).map(|_| pattern * one.sample(&mut rng)).collect();
        let fixed = Plane::from_fn(SIZE, SIZE, |x, _| columns[x] + pattern * one.sample(&mut rng));
        (0..40_u32)
            .map(|k| {
                let t = f64::from(k);
                let p = [0.7 * libm::sin(1.1 * t), 0.7 * libm::cos(1.7 * t)];
                let seen = Plane::from_fn(SIZE, SIZE, |x, y| {
                    let (u, v) = (x as f64 - p[0], y as f64 - p[1]);
                    let light = 14.0
                        + 7.0 * libm::sin(0.35 * u + 0.1 * v) * libm::cos(0.1 * u - 0.4 * v)
                        + 4.0 * libm::sin(0.11 * u + 0.002 * u * v);
                    let sigma = to_f32((light + 64.0).sqrt());
                    to_f32(light) + fixed.at(x, y) + sigma * one.sample(&mut rng)
                });
                (Some(FixedPlane::from_plane(&seen, None, Coding::for_white(200.0))), p)
            })
            .unzip()
    }

    /// Rms error and mean stated uncertainty along an axis.
    fn error(block: &Block, truth: &[[f64; 2]]) -> (f64, f64) {
        let both: Vec<(Pose, [f64; 2])> =
            block.poses.iter().zip(truth).filter_map(|(p, t)| Some(((*p)?, *t))).collect();
        let squares = spread(both.iter().map(|(p, t)| [0, 1].map(|a| p.shift[a] - t[a])));
        let n = both.len() as f64;
        ((squares / (2.0 * n)).sqrt(), both.iter().map(|b| b.0.sigma).sum::<f64>() / n)
    }

    #[test]
    fn shifts_that_a_pattern_draws_to_zero_are_found_out() {
        let noise = PixelNoise::new(&NoiseModel { gain_e_per_dn: 1.0, read_noise_e: 8.0 });
        let settings = RegisterSettings::default();
        let (mut frames, truth) = clip(2.0);
        let lent: Vec<_> = frames.iter().map(Option::as_ref).collect();
        let drawn = register(&lent, &noise, &settings).unwrap();
        let (off, said) = error(&drawn, &truth);
        // What the first registration does not know: it is wrong by many times what it says.
        assert!(off > 0.3 && off > 5.0 * said, "{off} {said}");
        let learned = learn(&mut frames, &noise, &settings, true).unwrap();
        let (off, said) = error(&learned.block, &truth);
        assert!(off < 0.15 && off < 1.5 * said, "{off} {said}");
    }

    #[test]
    fn without_a_pattern_the_fine_path_is_kept() {
        let noise = PixelNoise::new(&NoiseModel { gain_e_per_dn: 1.0, read_noise_e: 8.0 });
        let (frames, _) = clip(0.0);
        let lent: Vec<_> = frames.iter().map(Option::as_ref).collect();
        let block = register(&lent, &noise, &RegisterSettings::default()).unwrap();
        assert_eq!(undrawn(&lent, &block, &noise, &RegisterSettings::default()), Drawn::Free);
    }
}
