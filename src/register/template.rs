//! The scene with little noise, and which of its pixels are still.
//!
//! The mean of the frames brought to one pose keeps some noise, which [`super::wiener`] takes out.
//!
//! A pixel is still where its temporal variance over the block is what noise and the known
//! uncertainty of the shifts make of it; the limit is set from the distribution over the frame.

use std::ops::Range;

use rayon::prelude::*;

use super::PixelNoise;
use super::cover::{CELL, Hidden};
use crate::frame::convert::{signed, to_f32};
use crate::frame::{FixedPlane, Plane};
use crate::math::blur::{gaussian, minimum};
use crate::math::resample::{RowScratch, Rows, Shift, rows_needed, shifted_row, valid_range};
use crate::math::robust::quantile;
use crate::math::turn::{Placement, Turn, turned_row};

/// Rows worked on together.
pub(super) const BAND: usize = 32;
/// Widths (standard deviations in pixels) over which the temporal variance is averaged.
const SCALES: [f64; 3] = [2.0, 5.0, 10.0];
/// A pixel is used where at least this part of the frames saw it.
const LEAST_SEEN: f32 = 0.4;
/// A pixel is still up to this many spreads above the usual variance.
const STILL_LIMIT: f32 = 4.0;
/// Pixels taken off the rim of a still area.
const ERODE: usize = 3;
/// Frames whose residuals are added up.
const TOGETHER: usize = 5;

/// A frame and the pose it is averaged with.
#[derive(Debug, Clone, Copy)]
pub struct Posed<'a> {
    /// The calibrated frame.
    pub frame: &'a FixedPlane,
    /// Shift of the scene in it.
    pub shift: [f64; 2],
    /// Its turn about the middle of the frame.
    pub turn: Turn,
    /// Its light.
    pub light: f64,
    /// What of the reference something hides in it.
    pub hidden: Option<Hidden<'a>>,
}

impl Posed<'_> {
    /// Columns, and rows of y0..y1 (the first one 0), of the reference that the frame saw.
    ///
    /// Of a frame that is turned the largest upright part.
    fn seen(&self, width: usize, y0: usize, y1: usize) -> ((usize, usize), (usize, usize)) {
        let (frame, shift) = (self.frame, self.shift);
        let range = |first: isize, a: usize, (out, length): (usize, usize)| {
            if self.turn.is_none() {
                return valid_range(first, shift[a], out, length);
            }
            let spread = self.placement().spread()[a];
            let low = valid_range(first, shift[a] - spread, out, length).0;
            let high = valid_range(first, shift[a] + spread, out, length).1;
            (low, high.max(low))
        };
        (range(0, 0, (width, frame.width)), range(signed(y0), 1, (y1 - y0, frame.height)))
    }

    /// Calls `each` with the runs of columns of x0..x1 of a row that nothing hides.
    fn runs(&self, y: usize, columns: (usize, usize), mut each: impl FnMut(Range<usize>)) {
        match &self.hidden {
            None => each(columns.0..columns.1),
            Some(hidden) => hidden.runs(y, columns, each),
        }
    }

    fn placement(&self) -> Placement {
        Placement::new(self.shift, self.turn, [self.frame.width, self.frame.height])
    }

    /// What bringing it to the reference leaves of the variance of white noise.
    pub(super) fn noise_gain(&self) -> f32 {
        if self.turn.is_none() {
            Shift::new(self.shift[0], self.shift[1]).noise_gain()
        } else {
            self.placement().noise_gain()
        }
    }
}

/// Mean of posed frames.
#[derive(Debug, Clone, PartialEq)]
pub struct Average {
    /// Mean value, 0 where no frame saw the place.
    pub mean: Plane,
    /// How many frames saw each pixel.
    pub count: Plane,
    /// Mean of the kernels' noise gains.
    pub noise_gain: f32,
    /// How many frames each mean was made of, where that is more than saw the scene there.
    made_of: Option<Vec<f32>>,
}

impl Average {
    /// How many frames the mean around a pixel was made of.
    pub(super) fn seen(&self, at: usize) -> f32 {
        self.made_of.as_deref().unwrap_or(self.count.data())[at].max(1.0)
    }
}

/// Averages frames in the pose of the reference.
///
/// Where what hides the background leaves few frames it is averaged too, the more the fewer: such
/// pixels are not used, but a step at their rim would spoil those that are.
#[must_use]
pub fn average(frames: &[Posed<'_>], width: usize, height: usize) -> Average {
    let [mut mean, mut count] = [0; 2].map(|_| Plane::filled(width, height, 0.0));
    let rows = (BAND * width).max(1);
    let few = LEAST_SEEN * frames.len() as f32;
    let any = frames.iter().any(|f| f.hidden.is_some());
    let made_of: Vec<Vec<f32>> = mean
        .data_mut()
        .par_chunks_mut(rows)
        .zip(count.data_mut().par_chunks_mut(rows))
        .enumerate()
        .map_init(BandScratch::default, |scratch, (band, (sum, count))| {
            let lines = (width, band * BAND, (band * BAND + BAND).min(height));
            count.copy_from_slice(&seen(frames, lines));
            let mut hidden = vec![0.0; if any { sum.len() } else { 0 }];
            for f in frames {
                let gain = to_f32(1.0 / f.light);
                scratch.rows(f, lines, |y, x0, values| {
                    let line = (y - lines.1) * width;
                    let end = x0 + values.len();
                    let add = |to: &mut [f32], run: Range<usize>| {
                        if run.is_empty() {
                            return;
                        }
                        let values = &values[run.start - x0..run.end - x0];
                        for (s, v) in to[line..][run].iter_mut().zip(values) {
                            *s += gain * v;
                        }
                    };
                    let mut from = x0;
                    f.runs(y, (x0, end), |run| {
                        add(hidden.as_mut_slice(), from..run.start);
                        from = run.end;
                        add(sum, run);
                    });
                    add(hidden.as_mut_slice(), from..end);
                });
            }
            if !any {
                for (s, c) in sum.iter_mut().zip(count) {
                    *s /= f32::max(*c, 1.0);
                }
                return Vec::new();
            }
            let open: Vec<Posed<'_>> =
                frames.iter().map(|f| Posed { hidden: None, ..*f }).collect();
            let mut made_of = seen(&open, lines);
            let found = hidden.iter().zip(count.iter());
            for ((s, n), (h, c)) in sum.iter_mut().zip(&mut made_of).zip(found) {
                let part = (1.0 - c / few).max(0.0);
                *n = c + part * (*n - c);
                *s = (*s + part * h) / n.max(1.0);
            }
            made_of
        })
        .collect();
    let gains: f32 = frames.iter().map(Posed::noise_gain).sum();
    Average {
        mean,
        count,
        noise_gain: gains / frames.len().max(1) as f32,
        made_of: any.then(|| made_of.concat()),
    }
}

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

/// A cell's deviation counts up to this, so that a cell that moves does not spill far.
const MOST_CELL: f32 = 4.0;

/// How far `frames` lie from `template`, their shifts uncertain by `sigma` pixels.
#[must_use]
pub fn deviation(
    frames: &[Posed<'_>],
    template: &Plane,
    noise: &PixelNoise,
    sigma: f64,
) -> Deviation {
    let (width, height) = (template.width(), template.height());
    let s2 = to_f32(sigma * sigma);
    let [mut each, mut sums] = [0, 1].map(|_| Plane::filled(width, height, 0.0));
    let rows = (BAND * width).max(1);
    let bands = each.data_mut().par_chunks_mut(rows).zip(sums.data_mut().par_chunks_mut(rows));
    bands.enumerate().for_each_init(
        || (BandScratch::default(), Cells::default()),
        |(scratch, cells), (band, (each, sums))| {
            let (y0, y1) = (band * BAND, (band * BAND + BAND).min(height));
            cells.begin(template, noise, (y0, y1), s2);
            for group in frames.chunks(TOGETHER) {
                cells.residual.fill(0.0);
                for f in group {
                    let gain = to_f32(1.0 / f.light);
                    let quiet = gain * gain * f.noise_gain();
                    let weight = 1.0 / quiet;
                    scratch.rows(f, (width, y0, y1), |y, x0, values| {
                        f.runs(y, (x0, x0 + values.len()), |run| {
                            let at = (y - y0) * width + run.start;
                            let model = &template.row(y)[run.clone()];
                            let residual = &mut cells.residual[at..];
                            let into = each[at..].iter_mut().zip(residual);
                            let values = &values[run.start - x0..];
                            for (((s, sum), v), m) in into.zip(values).zip(model) {
                                let r = gain * v - m;
                                *s += weight * r * r;
                                *sum += r;
                            }
                        });
                    });
                }
                cells.add(&seen(group, (width, y0, y1)));
            }
            cells.spread(sums);
            let count = seen(frames, (width, y0, y1));
            for ((s, c), at) in each.iter_mut().zip(&count).zip(y0 * width..) {
                let noise = noise.variance(template.data()[at], at);
                *s /= (noise + s2 * steepness(template, at)) * c.max(1.0);
            }
        },
    );
    Deviation { each, sums }
}

/// Residuals of a band added up over cells.
#[derive(Default)]
struct Cells {
    width: usize,
    rows: usize,
    /// Sum over the frames of a group, pixel by pixel.
    residual: Vec<f32>,
    /// Variance of a frame's noise in each pixel.
    variance: Vec<f32>,
    /// Variance that the uncertainty of a frame's shift makes of a cell's sum.
    astray: Vec<f32>,
    /// Of each cell: sum of squares in units of their variance, and how many there were.
    found: Vec<[f32; 2]>,
}

impl Cells {
    fn begin(&mut self, template: &Plane, noise: &PixelNoise, (y0, y1): (usize, usize), s2: f32) {
        self.width = template.width();
        self.rows = y1 - y0;
        let first = y0 * self.width;
        let values = &template.data()[first..y1 * self.width];
        self.residual.resize(values.len(), 0.0);
        self.residual.truncate(values.len());
        self.variance.clear();
        self.variance.extend(values.iter().zip(first..).map(|(&v, at)| noise.variance(v, at)));
        let cells = self.width.div_ceil(CELL) * self.rows.div_ceil(CELL);
        self.found.clear();
        self.found.resize(cells, [0.0; 2]);
        self.astray.clear();
        for cell in 0..cells {
            let (mut gx, mut gy) = (0.0, 0.0);
            self.each(cell, |at| {
                let [x, y] = gradient(template, first + at);
                gx += x;
                gy += y;
            });
            self.astray.push(s2 * (gx * gx + gy * gy));
        }
    }

    /// Calls `of` with the index, in the band, of each pixel of a cell.
    fn each(&self, cell: usize, mut of: impl FnMut(usize)) {
        let across = self.width.div_ceil(CELL);
        let (x, y) = (cell % across * CELL, cell / across * CELL);
        for row in y..(y + CELL).min(self.rows) {
            for at in row * self.width + x..row * self.width + (x + CELL).min(self.width) {
                of(at);
            }
        }
    }

    /// Takes in a group of frames, `count` of which saw each pixel.
    fn add(&mut self, count: &[f32]) {
        for cell in 0..self.found.len() {
            let (mut sum, mut variance, mut seen, mut pixels) = (0.0, 0.0, 0.0, 0.0);
            self.each(cell, |at| {
                sum += self.residual[at];
                variance += count[at] * self.variance[at];
                seen += count[at];
                pixels += 1.0;
            });
            if variance > 0.0 {
                let expected = variance + seen / f32::max(pixels, 1.0) * self.astray[cell];
                self.found[cell][0] += sum * sum / expected;
                self.found[cell][1] += 1.0;
            }
        }
    }

    /// Writes the mean of each cell to its pixels.
    fn spread(&self, out: &mut [f32]) {
        for (cell, [sum, count]) in self.found.iter().enumerate() {
            let mean = (sum / count.max(1.0)).min(MOST_CELL);
            self.each(cell, |at| out[at] = mean);
        }
    }
}

/// Slope along x and y at a pixel.
pub(super) fn gradient(p: &Plane, at: usize) -> [f32; 2] {
    let (w, d) = (p.width(), p.data());
    let (x, y) = (at % w, at / w);
    let gx = d[y * w + (x + 1).min(w - 1)] - d[y * w + x.saturating_sub(1)];
    let gy = d[(y + 1).min(p.height() - 1) * w + x] - d[y.saturating_sub(1) * w + x];
    [0.5 * gx, 0.5 * gy]
}

/// Squared gradient at a pixel.
fn steepness(p: &Plane, at: usize) -> f32 {
    let [gx, gy] = gradient(p, at);
    gx * gx + gy * gy
}

/// How many frames saw each pixel of rows y0..y1: a frame sees a rectangle, so its corners say
/// it all; less those in which it was hidden.
pub(super) fn seen(frames: &[Posed<'_>], (width, y0, y1): (usize, usize, usize)) -> Vec<f32> {
    let across = width + 1;
    let mut corners = vec![0.0_f32; across * (y1 - y0 + 1)];
    for f in frames {
        let (x, y) = f.seen(width, y0, y1);
        if x.0 < x.1 && y.0 < y.1 {
            corners[y.0 * across + x.0] += 1.0;
            corners[y.0 * across + x.1] -= 1.0;
            corners[y.1 * across + x.0] -= 1.0;
            corners[y.1 * across + x.1] += 1.0;
        }
    }
    let mut above = vec![0.0; width];
    let mut out = Vec::with_capacity(width * (y1 - y0));
    for line in corners.chunks_exact(across).take(y1 - y0) {
        let mut sum = 0.0;
        for (a, c) in above.iter_mut().zip(line) {
            sum += c;
            *a += sum;
        }
        out.extend_from_slice(&above);
    }
    for f in frames.iter().filter(|f| f.hidden.is_some()) {
        let (x, y) = f.seen(width, y0, y1);
        for row in y.0..y.1 {
            let line = &mut out[row * width..(row + 1) * width];
            let mut from = x.0;
            f.runs(y0 + row, x, |run| {
                line[from..run.start].iter_mut().for_each(|c| *c -= 1.0);
                from = run.end;
            });
            line[from..x.1.max(from)].iter_mut().for_each(|c| *c -= 1.0);
        }
    }
    out
}

/// Working memory for bringing bands of frames to the reference.
#[derive(Default)]
pub(super) struct BandScratch {
    decoded: Vec<f32>,
    row: RowScratch,
    turned: Vec<f32>,
    out: Vec<f32>,
}

impl BandScratch {
    /// Calls `each(y, x0, values)` for the rows of a band of `f` in the reference's pose: `values`
    /// begin at column x0 and cover what the frame saw.
    pub(super) fn rows(
        &mut self,
        f: &Posed<'_>,
        (width, y0, y1): (usize, usize, usize),
        mut each: impl FnMut(usize, usize, &[f32]),
    ) {
        let frame = f.frame;
        let kernel = Shift::new(f.shift[0], f.shift[1]);
        let to = f.placement();
        let ((x0, x1), (v0, v1)) = f.seen(width, y0, y1);
        let (a, b) = if f.turn.is_none() {
            rows_needed(&kernel, signed(y0), signed(y1), frame.height)
        } else {
            to.rows_needed((signed(x0), x1 - x0), (signed(y0), signed(y1)), frame.height)
        };
        self.decoded.clear();
        let codes = &frame.codes[a * frame.width..b * frame.width];
        self.decoded.extend(codes.iter().map(|&c| frame.coding.decode(c)));
        let source =
            Rows { data: &self.decoded, width: frame.width, first: a, height: frame.height };
        self.out.resize(x1 - x0, 0.0);
        for y in y0 + v0..y0 + v1 {
            let at = (signed(x0), signed(y));
            if f.turn.is_none() {
                shifted_row(source, &kernel, at, &mut self.out, &mut self.row);
            } else {
                turned_row(source, &to, at, &mut self.out, &mut self.turned);
            }
            each(y, x0, &self.out);
        }
    }
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
        let smooth = smoothed(look.map, &still, scale);
        let Some(limit) = usual_limit(&smooth, &still, look.least) else { continue };
        for (s, &v) in still.iter_mut().zip(smooth.data()) {
            *s &= u8::from(v < limit);
        }
    }
    let w = count.width();
    let good = Plane::from_fn(w, count.height(), |x, y| f32::from(still[y * w + x]));
    let eroded = minimum(&good, ERODE);
    eroded.data().iter().map(|&v| u8::from(v > 0.5)).collect()
}

/// The mean of `plane` over the chosen pixels around each place.
///
/// Wide means are taken over cells of [`CELL`] x [`CELL`] pixels: they hardly change within one.
fn smoothed(plane: &Plane, chosen: &[u8], scale: f64) -> Plane {
    let (w, h) = (plane.width(), plane.height());
    let side = if scale < CELL as f64 { 1 } else { CELL };
    let (cw, ch) = (w.div_ceil(side), h.div_ceil(side));
    let [mut sum, mut weight] = [0, 1].map(|_| Plane::filled(cw, ch, 0.0));
    let lines = sum.data_mut().par_chunks_mut(cw).zip(weight.data_mut().par_chunks_mut(cw));
    lines.enumerate().for_each(|(cy, (sum, weight))| {
        for y in cy * side..(cy * side + side).min(h) {
            let values = plane.row(y).chunks(side).zip(chosen[y * w..(y + 1) * w].chunks(side));
            for ((s, n), (values, chosen)) in sum.iter_mut().zip(weight.iter_mut()).zip(values) {
                for (v, &c) in values.iter().zip(chosen) {
                    *s += v * f32::from(c);
                    *n += f32::from(c);
                }
            }
        }
    });
    let scale = scale / side as f64;
    let (mut sum, weight) = (gaussian(&sum, scale), gaussian(&weight, scale));
    for (s, n) in sum.data_mut().iter_mut().zip(weight.data()) {
        *s /= n.max(1e-6);
    }
    if side == 1 {
        return sum;
    }
    let mut out = Plane::filled(w, h, 0.0);
    out.data_mut().par_chunks_mut(w).enumerate().for_each(|(y, row)| {
        for (part, &v) in row.chunks_mut(side).zip(sum.row(y / side)) {
            part.fill(v);
        }
    });
    out
}

/// Up to which value a smoothed variance counts as usual: from the lower part of its
/// distribution, because moving parts sit in the upper one.
pub(super) fn usual_limit(smooth: &Plane, allowed: &[u8], least: f32) -> Option<f32> {
    let mut values: Vec<f32> = smooth
        .data()
        .iter()
        .zip(allowed)
        .step_by(3)
        .filter(|&(_, &a)| a != 0)
        .map(|(&v, _)| v)
        .collect();
    let (low, middle) = (quantile(&mut values, 0.1)?, quantile(&mut values, 0.3)?);
    // Quantiles of a normal distribution: -1.2816 and -0.5244 standard deviations.
    let spread = (middle - low) / (1.2816 - 0.5244);
    let centre = middle + 0.5244 * spread;
    Some(centre + (STILL_LIMIT * spread).max(least * centre))
}
