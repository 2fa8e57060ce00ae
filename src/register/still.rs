//! Which pixels of the template are still.
//!
//! A pixel is still where its temporal variance over the block is what noise and the known
//! uncertainty of the shifts make of it; the limit is set from the distribution over the frame.

use rayon::prelude::*;

use super::template::{BAND, BandScratch, LEAST_SEEN, Posed, seen};
use super::{CELL, PixelNoise};
use crate::frame::Plane;
use crate::frame::convert::to_f32;
use crate::math::blur::{gaussian, minimum};
use crate::math::robust::quantile;
use crate::math::wide::{Wide, wide};

/// Widths (standard deviations in pixels) over which the temporal variance is averaged.
const SCALES: [f64; 3] = [2.0, 5.0, 10.0];
/// A pixel is still up to this many spreads above the usual variance.
const STILL_LIMIT: f32 = 4.0;
/// Pixels taken off the rim of a still area.
const ERODE: usize = 3;
/// Frames whose residuals are added up.
const TOGETHER: usize = 5;
/// A cell's deviation counts up to this, so that a cell that moves does not spill far.
const MOST_CELL: f32 = 4.0;
/// Values of which the usual one is told; of larger pictures not every third pixel is asked.
const SAMPLE: usize = 60_000;

/// What the frames leave of a template, in units of what noise (and a shift uncertain by some
/// pixels) makes of it: 1 where the scene is still, 0 where nothing was seen.
#[derive(Debug, Clone, PartialEq)]
pub struct Deviation {
    /// Mean over frames of the squared deviation of each pixel.
    pub each: Plane,
    /// The same of sums over cells of 4 x 4 pixels and 5 frames: noise nearly cancels there, a
    /// dim part that moves by does not.
    pub sums: Plane,
}

impl Deviation {
    /// The pixels of `candidates` that are still; `count` frames saw each.
    fn still(&self, count: &Plane, candidates: &[u8]) -> Vec<u8> {
        still_pixels(&[Look::each(&self.each), Look::sums(&self.sums)], count, candidates)
    }
}

/// A map of deviations and how it is looked at.
#[derive(Debug, Clone, Copy)]
pub struct Look<'a> {
    map: &'a Plane,
    /// Widths over which it is averaged.
    scales: &'static [f64],
    /// The part by which a deviation must at least exceed the usual one: where there is hardly any
    /// noise its spread says little.
    least: f32,
}

impl<'a> Look<'a> {
    /// At the deviations of pixels.
    #[must_use]
    pub fn each(map: &'a Plane) -> Self {
        Self { map, scales: &SCALES, least: 0.02 }
    }

    /// At those of sums, which see errors of the template that mean little to a fit.
    #[must_use]
    pub fn sums(map: &'a Plane) -> Self {
        Self { map, scales: &SCALES[..2], least: 1.25 }
    }
}

/// How far `frames` lie from `template`, their shifts uncertain by `sigma` pixels.
#[must_use]
pub fn deviation(
    frames: &[Posed<'_>],
    template: &Plane,
    noise: &PixelNoise,
    sigma: f64,
) -> Deviation {
    deviation_and_sum(frames, template, (noise, sigma), None)
}

/// The same; adds what each frame leaves, in the template's light, to `left`.
fn deviation_and_sum(
    frames: &[Posed<'_>],
    template: &Plane,
    (noise, sigma): (&PixelNoise, f64),
    left: Option<&mut Plane>,
) -> Deviation {
    let (width, height) = (template.width(), template.height());
    let s2 = to_f32(sigma * sigma);
    let [mut each, mut sums] = [0, 1].map(|_| Plane::filled(width, height, 0.0));
    let rows = (BAND * width).max(1);
    let mut left: Vec<Option<&mut [f32]>> = match left {
        Some(plane) => plane.data_mut().chunks_mut(rows).map(Some).collect(),
        None => (0..height.div_ceil(BAND)).map(|_| None).collect(),
    };
    let bands = each.data_mut().par_chunks_mut(rows).zip(sums.data_mut().par_chunks_mut(rows));
    bands.zip(&mut left).enumerate().for_each_init(
        || (BandScratch::default(), Terrain::default(), Cells::default()),
        |(scratch, terrain, cells), (band, ((each, sums), left))| {
            let (y0, y1) = (band * BAND, (band * BAND + BAND).min(height));
            terrain.survey(template, noise, (y0, y1));
            cells.begin(terrain, width, s2);
            for group in frames.chunks(TOGETHER) {
                cells.residual.fill(0.0);
                for f in group {
                    let gain = to_f32(1.0 / f.light);
                    let quiet = gain * gain * f.noise_gain();
                    let weight = 1.0 / quiet;
                    scratch.rows(f, (width, y0, y1), |y, x0, values| {
                        f.runs(y, (x0, x0 + values.len()), |run| {
                            let at = (y - y0) * width + run.start;
                            let end = at + run.len();
                            wide(Residual {
                                values: &values[run.start - x0..run.end - x0],
                                model: &template.row(y)[run],
                                factors: (gain, weight),
                                each: &mut each[at..end],
                                sum: &mut cells.residual[at..end],
                            });
                        });
                    });
                }
                if let Some(left) = left {
                    left.iter_mut().zip(&cells.residual).for_each(|(l, r)| *l += r);
                }
                cells.add(&seen(group, (width, y0, y1)), terrain);
            }
            cells.spread(sums);
            let count = seen(frames, (width, y0, y1));
            let slopes = terrain.slope_x.iter().zip(&terrain.slope_y);
            let expected = terrain.variance.iter().zip(slopes).zip(&count);
            for (s, ((noise, (gx, gy)), c)) in each.iter_mut().zip(expected) {
                *s /= (noise + s2 * (gx * gx + gy * gy)) * c.max(1.0);
            }
        },
    );
    Deviation { each, sums }
}

/// What a run of a frame's row leaves of the template, as one piece of work.
struct Residual<'a> {
    values: &'a [f32],
    model: &'a [f32],
    /// What makes the frame's light that of the template, and the weight of a square.
    factors: (f32, f32),
    each: &'a mut [f32],
    sum: &'a mut [f32],
}

impl Wide for Residual<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let (gain, weight) = self.factors;
        let into = self.each.iter_mut().zip(self.sum);
        for (((s, sum), v), m) in into.zip(self.values).zip(self.model) {
            let r = gain * v - m;
            *s += weight * r * r;
            *sum += r;
        }
    }
}

/// Rows of the template, and what noise makes of a pixel there.
#[derive(Default)]
pub(super) struct Terrain {
    /// Variance of a frame's noise.
    pub(super) variance: Vec<f32>,
    /// Slope along x, per pixel.
    pub(super) slope_x: Vec<f32>,
    /// Slope along y, per pixel.
    pub(super) slope_y: Vec<f32>,
}

impl Terrain {
    /// Looks at rows y0..y1; slopes are central differences, one-sided at the picture's edge.
    pub(super) fn survey(
        &mut self,
        template: &Plane,
        noise: &PixelNoise,
        (y0, y1): (usize, usize),
    ) {
        let (w, h) = (template.width(), template.height());
        let Self { variance, slope_x, slope_y } = self;
        variance.clear();
        slope_x.clear();
        slope_y.clear();
        for y in y0..y1 {
            let row = template.row(y);
            variance.extend(row.iter().zip(y * w..).map(|(&v, at)| noise.variance(v, at)));
            let (above, below) =
                (template.row(y.saturating_sub(1)), template.row((y + 1).min(h - 1)));
            slope_y.extend(below.iter().zip(above).map(|(b, a)| 0.5 * (b - a)));
            let inner = row.windows(3).map(|v| 0.5 * (v[2] - v[0]));
            let edge = |a: usize, b: usize| 0.5 * (row[b.min(w - 1)] - row[a]);
            slope_x.push(edge(0, 1));
            slope_x.extend(inner);
            if w > 1 {
                slope_x.push(edge(w - 2, w - 1));
            }
        }
    }
}

/// Adds up the values of each square of [`CELL`] x [`CELL`], row of squares by row of squares; those
/// at the right and the lower edge may be smaller. `add` adds the values from an index on to a
/// row. `line` is working memory.
pub(super) fn by_cell(
    size: (usize, usize),
    add: impl Fn(usize, &mut [f32]),
    line: &mut Vec<f32>,
    out: &mut Vec<f32>,
) {
    by_square::<CELL>(size, add, line, out);
}

/// The same of squares of N x N.
fn by_square<const N: usize>(
    (width, rows): (usize, usize),
    add: impl Fn(usize, &mut [f32]),
    line: &mut Vec<f32>,
    out: &mut Vec<f32>,
) {
    out.clear();
    for first in (0..rows).step_by(N) {
        line.clear();
        line.resize(width, 0.0);
        for row in first..(first + N).min(rows) {
            add(row * width, line);
        }
        let (squares, rest) = line.as_chunks::<N>();
        out.extend(squares.iter().map(|values| values.iter().sum::<f32>()));
        if !rest.is_empty() {
            out.push(rest.iter().sum());
        }
    }
}

/// Adds the values from an index on.
pub(super) fn plainly(values: &[f32]) -> impl Fn(usize, &mut [f32]) {
    |at, line| {
        let values = &values[at..at + line.len()];
        line.iter_mut().zip(values).for_each(|(l, v)| *l += v);
    }
}

/// Residuals of a band added up over cells.
#[derive(Default)]
struct Cells {
    width: usize,
    rows: usize,
    /// Sum over the frames of a group, pixel by pixel.
    residual: Vec<f32>,
    /// Variance that the uncertainty of a frame's shift makes of a cell's sum.
    astray: Vec<f32>,
    /// Of each cell: sum of squares in units of their variance, and how many there were.
    found: Vec<[f32; 2]>,
    line: Vec<f32>,
    sums: [Vec<f32>; 3],
}

impl Cells {
    fn begin(&mut self, terrain: &Terrain, width: usize, s2: f32) {
        let size = terrain.variance.len();
        self.width = width;
        self.rows = size / width;
        self.residual.clear();
        self.residual.resize(size, 0.0);
        let size = (width, self.rows);
        let [gx, gy, _] = &mut self.sums;
        by_cell(size, plainly(&terrain.slope_x), &mut self.line, gx);
        by_cell(size, plainly(&terrain.slope_y), &mut self.line, gy);
        self.astray.clear();
        self.astray.extend(gx.iter().zip(gy).map(|(x, y)| s2 * (*x * *x + *y * *y)));
        self.found.clear();
        self.found.resize(self.astray.len(), [0.0; 2]);
    }

    /// Pixels of a cell.
    fn pixels(&self, cell: usize) -> f32 {
        let across = self.width.div_ceil(CELL);
        let (x, y) = (cell % across * CELL, cell / across * CELL);
        ((self.width - x).min(CELL) * (self.rows - y).min(CELL)) as f32
    }

    /// Takes in a group of frames, `count` of which saw each pixel.
    fn add(&mut self, count: &[f32], terrain: &Terrain) {
        let size = (self.width, self.rows);
        let [sum, variance, seen] = &mut self.sums;
        by_cell(size, plainly(&self.residual), &mut self.line, sum);
        let weighted = |at: usize, line: &mut [f32]| {
            let n = at..at + line.len();
            let values = count[n.clone()].iter().zip(&terrain.variance[n]);
            line.iter_mut().zip(values).for_each(|(l, (c, v))| *l += c * v);
        };
        by_cell(size, weighted, &mut self.line, variance);
        by_cell(size, plainly(count), &mut self.line, seen);
        for cell in 0..self.found.len() {
            let [sum, variance, seen] = [0, 1, 2].map(|k| self.sums[k][cell]);
            if variance > 0.0 {
                let expected = variance + seen / self.pixels(cell) * self.astray[cell];
                self.found[cell][0] += sum * sum / expected;
                self.found[cell][1] += 1.0;
            }
        }
    }

    /// Writes the mean of each cell to its pixels.
    fn spread(&self, out: &mut [f32]) {
        let across = self.width.div_ceil(CELL);
        for (y, row) in out.chunks_exact_mut(self.width).enumerate() {
            let cells = &self.found[y / CELL * across..];
            for (part, [sum, count]) in row.chunks_mut(CELL).zip(cells) {
                part.fill((sum / count.max(1.0)).min(MOST_CELL));
            }
        }
    }
}

/// The pixels of `candidates` that are still in `frames`, `count` of which saw each, by how far they lie
/// from `template`, their shifts uncertain by `sigma` pixels.
#[must_use]
pub fn still_in(
    frames: &[Posed<'_>],
    template: &Plane,
    (noise, sigma): (&PixelNoise, f64),
    (count, candidates): (&Plane, &[u8]),
) -> Vec<u8> {
    deviation(frames, template, noise, sigma).still(count, candidates)
}

/// The same; and the mean of the frames, that is the template where none saw it.
pub(super) fn still_and_mean(
    frames: &[Posed<'_>],
    template: &Plane,
    noise: (&PixelNoise, f64),
    (count, candidates): (&Plane, &[u8]),
) -> (Vec<u8>, Plane) {
    let mut mean = Plane::filled(template.width(), template.height(), 0.0);
    let left = deviation_and_sum(frames, template, noise, Some(&mut mean));
    for ((v, t), n) in mean.data_mut().iter_mut().zip(template.data()).zip(count.data()) {
        *v = t + *v / n.max(1.0);
    }
    (left.still(count, candidates), mean)
}

/// Keeps of `candidates` the pixels that many frames saw and whose deviation is usual in each of
/// `maps`, both close by and in their wider surroundings (which tells at low light what single
/// pixels cannot).
#[must_use]
pub fn still_pixels(maps: &[Look<'_>], count: &Plane, candidates: &[u8]) -> Vec<u8> {
    let most = count.data().iter().copied().fold(0.0, f32::max);
    let mut still: Vec<u8> = candidates
        .iter()
        .zip(count.data())
        .map(|(&c, &n)| u8::from(c != 0 && n > LEAST_SEEN * most))
        .collect();
    // Close by first, so that what is plainly moving does not spill into its surroundings when
    // the wider ones are looked at.
    for (look, &scale) in maps.iter().flat_map(|m| m.scales.iter().map(move |s| (m, s))) {
        let smooth = Smooth::of(look.map, &still, scale);
        let value = |at: usize| smooth.at(at);
        if let Some(limit) = usual_limit((value, smooth.width), &still, look.least) {
            smooth.keep_below(limit, &mut still);
        }
    }
    minimum(&still, count.width(), ERODE)
}

/// The mean of a map over the chosen pixels around each place, one for each square of pixels: wide
/// means hardly change within one.
struct Smooth {
    squares: Plane,
    side: usize,
    /// Of the map, in pixels.
    width: usize,
}

impl Smooth {
    fn of(map: &Plane, chosen: &[u8], scale: f64) -> Self {
        const FINE: usize = CELL / 2;
        let side = if scale < CELL as f64 { FINE } else { CELL };
        let (w, h) = (map.width(), map.height());
        let (across, down) = (w.div_ceil(side), h.div_ceil(side));
        let [mut sum, mut weight] = [0, 1].map(|_| Plane::filled(across, down, 0.0));
        let rows = across * (BAND / side);
        let bands = sum.data_mut().par_chunks_mut(rows).zip(weight.data_mut().par_chunks_mut(rows));
        bands.enumerate().for_each_init(Default::default, |(line, out), (band, (sum, weight))| {
            let size = (w, BAND.min(h - band * BAND));
            let pixels = band * BAND * w..(band * BAND + size.1) * w;
            let (values, chosen) = (&map.data()[pixels.clone()], &chosen[pixels]);
            let product = |at: usize, line: &mut [f32]| {
                let both = values[at..].iter().zip(&chosen[at..]);
                line.iter_mut().zip(both).for_each(|(l, (v, &c))| *l += v * f32::from(c));
            };
            let number = |at: usize, line: &mut [f32]| {
                line.iter_mut().zip(&chosen[at..]).for_each(|(l, &c)| *l += f32::from(c));
            };
            if side == FINE {
                by_square::<FINE>(size, product, line, out);
                sum.copy_from_slice(out);
                by_square::<FINE>(size, number, line, out);
            } else {
                by_cell(size, product, line, out);
                sum.copy_from_slice(out);
                by_cell(size, number, line, out);
            }
            weight.copy_from_slice(out);
        });
        let scale = scale / side as f64;
        let (mut squares, weight) = (gaussian(&sum, scale), gaussian(&weight, scale));
        for (s, n) in squares.data_mut().iter_mut().zip(weight.data()) {
            *s /= n.max(1e-6);
        }
        Self { squares, side, width: w }
    }

    /// The mean around a pixel of the map.
    fn at(&self, pixel: usize) -> f32 {
        self.squares.at(pixel % self.width / self.side, pixel / self.width / self.side)
    }

    /// Keeps of `chosen` where the mean is below a limit.
    fn keep_below(&self, limit: f32, chosen: &mut [u8]) {
        let (w, side) = (self.width, self.side);
        let bands = chosen.par_chunks_mut(w * side).enumerate();
        bands.for_each_init(Vec::new, |keep, (y, rows)| {
            keep.clear();
            for &v in self.squares.row(y) {
                keep.extend(std::iter::repeat_n(u8::from(v < limit), side));
            }
            for row in rows.chunks_mut(w) {
                row.iter_mut().zip(keep.iter()).for_each(|(c, k)| *c &= k);
            }
        });
    }
}

/// Up to which value a smoothed variance counts as usual: from the lower part of its
/// distribution, because moving parts sit in the upper one. `value` gives it at each place of a picture
/// so wide.
pub(super) fn usual_limit(
    (value, width): (impl Fn(usize) -> f32, usize),
    allowed: &[u8],
    least: f32,
) -> Option<f32> {
    let asked = (0..allowed.len()).step_by(asked(allowed.len(), width));
    let mut values: Vec<f32> = asked.filter(|&at| allowed[at] != 0).map(value).collect();
    let (low, middle) = (quantile(&mut values, 0.1)?, quantile(&mut values, 0.3)?);
    // Quantiles of a normal distribution: -1.2816 and -0.5244 standard deviations.
    let spread = (middle - low) / (1.2816 - 0.5244);
    let centre = middle + 0.5244 * spread;
    Some(centre + (STILL_LIMIT * spread).max(least * centre))
}

/// Every how many-th pixel is asked for its value: the third, or of large pictures so that some
/// [`SAMPLE`] are, spread over all columns.
fn asked(pixels: usize, width: usize) -> usize {
    let apart = |a: usize| {
        let (mut a, mut b) = (a, width.max(1));
        while b != 0 {
            (a, b) = (b, a % b);
        }
        a == 1
    };
    let least = pixels / SAMPLE;
    if least <= 3 { 3 } else { (least..).find(|&s| apart(s)).unwrap_or(least) }
}
