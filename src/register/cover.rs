//! Where the background is hidden in some of the frames only.
//!
//! A part that moves hides other background in each frame. Were all of that left out of all
//! frames, much of what a frame shows would be lost: on the scenes of the bench a tenth of the
//! accuracy, and more the longer the block. So frames are looked at in groups of a few that follow
//! each other, in cells of 4 x 4 pixels: the mean of a group is held against the median of all
//! groups there, and where it differs by more than noise and uncertain shifts explain, the cell is
//! hidden in that group, and its neighbours with it. More than half of the groups must show the
//! background; where fewer do, the pixel is not still at all (see [`super::still`]).

use rayon::prelude::*;

use super::hidden::{Cover, MOST_GROUPS};
use super::still::{Terrain, by_cell, plainly, usual_limit};
use super::template::{BAND, BandScratch, Posed, seen};
use super::{CELL, PixelNoise};
use crate::frame::Plane;
use crate::frame::convert::to_f32;
use crate::math::blur::gaussian;
use crate::math::robust::median;
use crate::math::wide::{Wide, wide};

/// Frames of a group, unless that makes too many groups.
const TOGETHER: usize = 5;
/// Standard deviations, in cells, of the surroundings that are looked at together: of the
/// deviation of single pixels and of a cell's sum, which is one number where the other is 16.
const SCALES: [[f64; 3]; 2] = [[0.5, 1.25, 2.5], [1.25, 2.5, 4.0]];
/// Groups before and after that are looked at with one.
const TIMES: [usize; 3] = [0, 1, 2];
/// A cell's deviation counts up to this, so that it does not spill far.
const MOST: f32 = 4.0;
/// Contrast of the scene, in variances of a group's mean, from which groups tell what is hidden.
const TELLING: f64 = 1.0;
/// By which part of the usual deviation a cell's must at least exceed it: of single pixels and of
/// the cell's sum, as in [`super::still::Look`].
const LEAST: [f32; 2] = [0.05, 1.25];

/// Whether groups of frames can tell what hides a part of the scene: the contrast of its still
/// parts over a few pixels must stand above the noise that a group's mean keeps. Where it
/// does not, too much that is hidden would go unseen.
#[must_use]
pub fn tells(template: &Plane, still: &[u8], noise: &PixelNoise, frames: usize) -> bool {
    let (w, h, d) = (template.width(), template.height(), template.data());
    let (mut contrast, mut variance) = (0.0_f64, 0.0_f64);
    for y in 0..h {
        for at in (y * w + CELL..y * w + w.saturating_sub(CELL)).filter(|&at| still[at] != 0) {
            let difference = d[at + CELL] - d[at - CELL];
            contrast += 0.5 * f64::from(difference * difference);
            variance += f64::from(noise.variance(d[at], at));
        }
    }
    contrast > TELLING * variance / together(frames) as f64
}

/// Frames of a group in a block of this many.
fn together(frames: usize) -> usize {
    frames.div_ceil(MOST_GROUPS).max(TOGETHER)
}

/// Looks for what is hidden in groups of `frames`, their shifts uncertain by `sigma` pixels;
/// missing frames are `None`. `template` need not be right where the background is hidden for a
/// while.
#[must_use]
pub fn cover(
    frames: &[Option<Posed<'_>>],
    template: &Plane,
    noise: &PixelNoise,
    sigma: f64,
) -> Cover {
    let (width, height) = (template.width(), template.height());
    let together = together(frames.len());
    let groups: Vec<Vec<Posed<'_>>> = frames
        .chunks(together)
        .map(|g| g.iter().flatten().map(|f| Posed { hidden: None, ..*f }).collect())
        .collect();
    let (across, down) = (width.div_ceil(CELL), height.div_ceil(CELL));
    let bands: Vec<Vec<[f32; 2]>> = (0..height.div_ceil(BAND))
        .into_par_iter()
        .map_init(LookScratch::default, |scratch, band| {
            let rows = (band * BAND, (band * BAND + BAND).min(height));
            Looking { template, noise, s2: to_f32(sigma * sigma), rows }.band(&groups, scratch)
        })
        .collect();
    let maps: Vec<[Plane; 2]> = (0..groups.len())
        .into_par_iter()
        .map(|g| {
            [0, 1].map(|m| {
                let mut values = Vec::with_capacity(across * down);
                for band in &bands {
                    let cells = band.len() / groups.len().max(1);
                    values.extend(band[g * cells..(g + 1) * cells].iter().map(|v| v[m]));
                }
                Plane::from_fn(across, down, |x, y| values[y * across + x])
            })
        })
        .collect();
    let hidden = unusual(&maps);
    let mut cells = vec![0_u64; across * down];
    for (g, hidden) in hidden.iter().enumerate() {
        for (at, _) in hidden.iter().enumerate().filter(|h| *h.1) {
            let (x, y) = (at % across, at / across);
            for row in y.saturating_sub(1)..(y + 2).min(down) {
                for c in &mut cells[row * across..][x.saturating_sub(1)..(x + 2).min(across)] {
                    *c |= 1 << g;
                }
            }
        }
    }
    Cover { across, cells, together }
}

/// The cells of each group whose deviation is not the usual one; cells that were not seen are
/// negative.
///
/// Looked at close by first and then in wider surroundings, in the picture and in time, from
/// which what was found already is left out: at low light single cells tell little.
fn unusual(maps: &[[Plane; 2]]) -> Vec<Vec<bool>> {
    let mut usual: Vec<Vec<f32>> = maps
        .iter()
        .map(|m| m[0].data().iter().map(|&v| f32::from(u8::from(v >= 0.0))).collect())
        .collect();
    let mut out: Vec<Vec<bool>> = usual.iter().map(|u| vec![false; u.len()]).collect();
    for (look, &around) in TIMES.iter().enumerate() {
        for m in 0..2 {
            let found: Vec<Vec<bool>> = (0..maps.len())
                .into_par_iter()
                .map(|g| {
                    let smooth = smooth(maps, &usual, (g, m), (SCALES[m][look], around));
                    let open: Vec<u8> = usual[g].iter().map(|&u| u8::from(u > 0.0)).collect();
                    let Some(limit) = usual_limit(
                        (|at: usize| smooth.data()[at], smooth.width()),
                        &open,
                        LEAST[m],
                    ) else {
                        return vec![false; open.len()];
                    };
                    smooth.data().iter().zip(open).map(|(&v, o)| o != 0 && v >= limit).collect()
                })
                .collect();
            for ((found, usual), out) in found.iter().zip(&mut usual).zip(&mut out) {
                for ((&f, u), o) in found.iter().zip(usual).zip(out) {
                    if f {
                        (*u, *o) = (0.0, true);
                    }
                }
            }
        }
    }
    out
}

/// The mean of a group's map over the usual cells around each, and those of the groups around it.
fn smooth(
    maps: &[[Plane; 2]],
    usual: &[Vec<f32>],
    (g, m): (usize, usize),
    (scale, around): (f64, usize),
) -> Plane {
    let (w, h) = (maps[g][m].width(), maps[g][m].height());
    let [mut value, mut weight] = [0, 1].map(|_| Plane::filled(w, h, 0.0));
    for near in g.saturating_sub(around)..(g + around + 1).min(maps.len()) {
        let part = (around + 1 - near.abs_diff(g)) as f32;
        let into = value.data_mut().iter_mut().zip(weight.data_mut());
        for (((s, n), v), u) in into.zip(maps[near][m].data()).zip(&usual[near]) {
            *s += part * u * v;
            *n += part * u;
        }
    }
    let (mut value, weight) = (gaussian(&value, scale), gaussian(&weight, scale));
    for (s, n) in value.data_mut().iter_mut().zip(weight.data()) {
        *s /= n.max(1e-6);
    }
    value
}

/// A band of rows in which groups are held against their median.
struct Looking<'a> {
    template: &'a Plane,
    noise: &'a PixelNoise,
    s2: f32,
    rows: (usize, usize),
}

/// Working memory of one thread.
#[derive(Default)]
struct LookScratch {
    rows: BandScratch,
    terrain: Terrain,
    /// Means of the groups, one after another, and of how many frames they are.
    means: Vec<f32>,
    counts: Vec<f32>,
    middle: Vec<f32>,
    line: Vec<f32>,
    /// Sums of cells.
    cells: [Vec<f32>; 3],
}

impl Looking<'_> {
    /// Of each group, one after another: its cells' deviations, of pixels and of their sum.
    fn band(&self, groups: &[Vec<Posed<'_>>], s: &mut LookScratch) -> Vec<[f32; 2]> {
        let (width, (y0, y1)) = (self.template.width(), self.rows);
        let size = width * (y1 - y0);
        s.means.clear();
        s.means.resize(size * groups.len(), 0.0);
        s.counts.clear();
        let mut quiet = Vec::with_capacity(groups.len());
        for (group, mean) in groups.iter().zip(s.means.chunks_exact_mut(size)) {
            for f in group {
                let gain = to_f32(1.0 / f.light);
                s.rows.rows(f, (width, y0, y1), |y, x0, values| {
                    for (m, v) in mean[(y - y0) * width + x0..].iter_mut().zip(values) {
                        *m += gain * v;
                    }
                });
            }
            let count = seen(group, (width, y0, y1));
            for (m, c) in mean.iter_mut().zip(&count) {
                *m /= f32::max(*c, 1.0);
            }
            s.counts.extend(count);
            quiet
                .push(group.iter().map(Posed::noise_gain).sum::<f32>() / group.len().max(1) as f32);
        }
        middles(&s.means, &s.counts, size, &mut s.middle);
        s.terrain.survey(self.template, self.noise, self.rows);
        let [gx, gy, _] = &mut s.cells;
        by_cell((width, y1 - y0), plainly(&s.terrain.slope_x), &mut s.line, gx);
        by_cell((width, y1 - y0), plainly(&s.terrain.slope_y), &mut s.line, gy);
        let astray: Vec<f32> =
            gx.iter().zip(gy).map(|(x, y)| self.s2 * (*x * *x + *y * *y)).collect();
        let mut out = Vec::with_capacity(astray.len() * groups.len());
        for (g, quiet) in quiet.into_iter().enumerate() {
            self.cells(g, quiet, (&astray, s), &mut out);
        }
        out
    }

    /// Appends what the cells of group `g` say; `astray` is the variance that an uncertain shift
    /// makes of a cell's sum.
    fn cells(
        &self,
        g: usize,
        quiet: f32,
        (astray, s): (&[f32], &mut LookScratch),
        out: &mut Vec<[f32; 2]>,
    ) {
        let (width, rows) = (self.template.width(), self.rows.1 - self.rows.0);
        let size = width * rows;
        let (mean, count) = (&s.means[g * size..][..size], &s.counts[g * size..][..size]);
        let squares = |at: usize, line: &mut [f32]| {
            let n = at..at + line.len();
            let own = Own {
                values: [&mean[n.clone()], &s.middle[n.clone()], &count[n.clone()]],
                variance: &s.terrain.variance[n.clone()],
                slopes: [&s.terrain.slope_x[n.clone()], &s.terrain.slope_y[n]],
                quiet,
                s2: self.s2,
            };
            wide(Squares { own, line });
        };
        let difference = |at: usize, line: &mut [f32]| {
            let n = at..at + line.len();
            let values = mean[n.clone()].iter().zip(&s.middle[n]);
            line.iter_mut().zip(values).for_each(|(l, (m, c))| *l += m - c);
        };
        let noise = |at: usize, line: &mut [f32]| {
            let n = at..at + line.len();
            let values = s.terrain.variance[n.clone()].iter().zip(&count[n]);
            line.iter_mut().zip(values).for_each(|(l, (v, n))| *l += v / n.max(1.0));
        };
        let [each, sum, variance] = &mut s.cells;
        by_cell((width, rows), squares, &mut s.line, each);
        by_cell((width, rows), difference, &mut s.line, sum);
        by_cell((width, rows), noise, &mut s.line, variance);
        let across = width.div_ceil(CELL);
        for (cell, astray) in astray.iter().enumerate() {
            let (x, y) = (cell % across * CELL, cell / across * CELL);
            let (x1, y1) = ((x + CELL).min(width), (y + CELL).min(rows));
            let pixels = ((x1 - x) * (y1 - y)) as f32;
            let all = (y..y1).all(|y| count[y * width..][x..x1].iter().all(|&n| n > 0.0));
            let astray = astray / count[y * width + x].max(1.0);
            let sum = s.cells[1][cell];
            out.push(if all {
                [
                    (s.cells[0][cell] / pixels).min(MOST),
                    (sum * sum / (s.cells[2][cell] + astray)).min(MOST),
                ]
            } else {
                [-1.0; 2]
            });
        }
    }
}

/// Part of a row of a group.
struct Own<'a> {
    /// The group's mean, the middle of all groups, and how many frames the mean is of.
    values: [&'a [f32]; 3],
    variance: &'a [f32],
    slopes: [&'a [f32]; 2],
    quiet: f32,
    s2: f32,
}

/// Adds squared deviations in units of what noise and uncertain shifts make of them, as one piece of
/// work.
struct Squares<'a> {
    own: Own<'a>,
    line: &'a mut [f32],
}

impl Wide for Squares<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let Own { values: [mean, middle, count], variance, slopes: [gx, gy], quiet, s2 } = self.own;
        let difference = mean.iter().zip(middle).zip(count);
        let expected = variance.iter().zip(gx.iter().zip(gy));
        for ((l, ((m, c), n)), (v, (x, y))) in self.line.iter_mut().zip(difference).zip(expected) {
            let d = m - c;
            *l += d * d * n.max(1.0) / (quiet * v + s2 * (x * x + y * y));
        }
    }
}

/// The median over the groups of each pixel, of those groups that saw it.
fn middles(means: &[f32], counts: &[f32], size: usize, out: &mut Vec<f32>) {
    let groups = means.len() / size.max(1);
    out.clear();
    let mut some = Vec::with_capacity(groups);
    for first in (0..size).step_by(LANES) {
        let n = LANES.min(size - first);
        let lines = || (0..groups).map(|g| g * size + first);
        if lines().all(|at| counts[at..at + n].iter().all(|&c| c > 0.0)) && groups > 0 {
            let mut lanes = [[0.0; LANES]; MOST_GROUPS];
            for (lane, at) in lanes.iter_mut().zip(lines()) {
                lane[..n].copy_from_slice(&means[at..at + n]);
            }
            let lanes = &mut lanes[..groups];
            wide(Sorting { lanes });
            out.extend(&lanes[(groups - 1) / 2][..n]);
            continue;
        }
        for x in 0..n {
            some.clear();
            some.extend(lines().filter(|at| counts[at + x] > 0.0).map(|at| means[at + x]));
            out.push(median(&mut some).unwrap_or(0.0));
        }
    }
}

/// Pixels sorted side by side.
const LANES: usize = 16;

/// Sorts many short lists side by side, as one piece of work: list x is made of `lanes[..][x]`.
///
/// Batcher's odd-even merge sort, in the form that takes any number (Knuth, The Art of Computer
/// Programming 3, algorithm 5.2.2M).
struct Sorting<'a> {
    lanes: &'a mut [[f32; LANES]],
}

impl Wide for Sorting<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let n = self.lanes.len();
        let top = n.next_power_of_two() / 2;
        let mut p = top;
        while p > 0 {
            let (mut q, mut r, mut d) = (top, 0, p);
            loop {
                for i in 0..n - d {
                    if i & p == r {
                        let (low, high) = self.lanes.split_at_mut(i + d);
                        for (a, b) in low[i].iter_mut().zip(&mut high[0]) {
                            (*a, *b) = if *b < *a { (*b, *a) } else { (*a, *b) };
                        }
                    }
                }
                if q == p {
                    break;
                }
                (d, q, r) = (q - p, q / 2, p);
            }
            p /= 2;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::TILE;
    use super::super::template::average;
    use super::super::wiener::wiener;
    use super::*;
    use crate::frame::{Coding, FixedPlane, NoiseModel};
    use crate::math::turn::Turn;
    use rand::SeedableRng;
    use rand_chacha::ChaCha12Rng;
    use rand_distr::{Distribution, Normal};

    const SIZE: usize = 128;
    const FRAMES: usize = 40;

    /// Left edge of the square that passes by, rows 40 to 79.
    fn square(k: usize) -> usize {
        20 + k
    }

    fn hides(k: usize, x: usize, y: usize) -> bool {
        (40..80).contains(&y) && (square(k)..square(k) + 40).contains(&x)
    }

    fn clip() -> Vec<FixedPlane> {
        let grain = |x: f64, y: f64| libm::sin(0.9 * x + 0.3 * y) * libm::cos(0.35 * x - 0.8 * y);
        let noise = Normal::new(0.0, 1.0).unwrap();
        (0..FRAMES)
            .map(|k| {
                let mut rng = ChaCha12Rng::seed_from_u64(k as u64);
                let seen = Plane::from_fn(SIZE, SIZE, |x, y| {
                    let v = if hides(k, x, y) {
                        400.0 + 90.0 * grain(1.7 * (x as f64 - k as f64), 0.4 * y as f64)
                    } else {
                        400.0 + 90.0 * grain(x as f64, y as f64)
                    };
                    to_f32(v + (v + 64.0).sqrt() * noise.sample(&mut rng))
                });
                FixedPlane::from_plane(&seen, None, Coding::for_white(4095.0))
            })
            .collect()
    }

    #[test]
    fn what_passes_by_is_hidden_while_it_does() {
        let frames = clip();
        let noise = PixelNoise::new(&NoiseModel { gain_e_per_dn: 1.0, read_noise_e: 8.0 });
        let posed: Vec<Option<Posed<'_>>> = frames
            .iter()
            .map(|frame| {
                let (shift, turn) = ([0.0; 2], Turn::NONE);
                Some(Posed { frame, shift, turn, light: 1.0, hidden: None })
            })
            .collect();
        let list: Vec<Posed<'_>> = posed.iter().flatten().copied().collect();
        let template = wiener(&average(&list, SIZE, SIZE), &noise);
        assert!(tells(&template, &vec![1; SIZE * SIZE], &noise, FRAMES));
        let found = cover(&posed, &template, &noise, 0.01);
        let open = |k: usize, x: usize, y: usize| {
            let mut open = false;
            found.of(k).runs(y, (x, x + 1), |r| open |= r.start <= x && x < r.end);
            open
        };
        let (mut missed, mut hidden, mut lost, mut away) = (0, 0, 0, 0);
        for k in 0..FRAMES {
            let tiles = found.tile([32, 64]);
            for y in 0..SIZE {
                for x in 0..SIZE {
                    // Hidden in fewer than half of the frames: the median is the background.
                    let times = (0..FRAMES).filter(|&j| hides(j, x, y)).count();
                    if hides(k, x, y) && 5 * times < 2 * FRAMES {
                        hidden += 1;
                        missed += i32::from(open(k, x, y));
                    }
                    if times == 0 && !(30..90).contains(&y) {
                        away += 1;
                        lost += i32::from(!open(k, x, y));
                    }
                    if (32..64).contains(&x) && (64..96).contains(&y) {
                        let bit = (y - 64) / CELL * (TILE / CELL) + (x - 32) / CELL;
                        let set = tiles[found.group(k)] >> bit & 1 != 0;
                        assert_eq!(set, !open(k, x, y), "a tile's bits are those of its runs");
                    }
                }
            }
        }
        assert!(hidden > 5_000 && away > 100_000, "{hidden} {away}");
        assert_eq!(missed, 0, "of {hidden}");
        // Cells beyond four spreads by chance, the eight about each, and what spills from the
        // square: 3.9 % when this was written.
        assert!(f64::from(lost) < 0.06 * f64::from(away), "{lost} of {away}");
    }

    #[test]
    fn in_little_light_nothing_is_told() {
        let noise = PixelNoise::new(&NoiseModel { gain_e_per_dn: 1.0, read_noise_e: 8.0 });
        let faint = Plane::from_fn(64, 64, |x, y| to_f32(9.0 + 3.0 * libm::sin((x + y) as f64)));
        assert!(!tells(&faint, &[1; 64 * 64], &noise, 60));
    }
}
