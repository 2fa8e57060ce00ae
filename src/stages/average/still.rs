//! Which parts of the window show the same as the current frame, cell by cell.
//!
//! A segment counts where (1) its frames vary no more than the noise model says, (2) its mean
//! agrees with the current frame, (3) near segments that contradict each other are decided by which
//! of them is nearer to the current frame, and (4) a far segment agrees with what (1) to (3) kept.
//! So a place that was uncovered three frames ago is averaged over all frames since.

use super::agree::{AgreeScratch, agreement, decay, spread_doubt};
use super::sums::{Segment, cells, good};
use crate::frame::convert::to_f32;
use crate::frame::{Coding, FixedPlane};
use crate::math::blur::binomial_into;
use crate::math::wide::{Wide, wide};
use crate::register::PixelNoise;

/// Cells a binomial of 5 x 5 averages, four independent pixels each; resampled noise is
/// correlated, which costs a factor of 1.3 (measured on still noise).
const INDEPENDENT: f32 = 4.0 / 0.0748 / 1.3;
/// Standard deviations of variance above which a segment is doubted.
const STEADY: f32 = 2.0;
/// Relative error of the model of a still place (light, resampling at edges).
pub(super) const MODEL_ERROR: f32 = 0.001;

/// What the noise of the window's frames is.
#[derive(Debug, Clone, Copy)]
pub(super) struct Level<'a> {
    pub(super) noise: &'a PixelNoise,
    /// Mean of the frames' variance factors, resampling gains and pose uncertainties.
    pub(super) factor: f32,
    pub(super) gain: f32,
    pub(super) sigma: f32,
}

/// Cells of a band of rows: `first` is the first row of cells.
#[derive(Debug, Clone, Default)]
pub(super) struct CellBand {
    pub(super) first: usize,
    pub(super) width: usize,
    pub(super) height: usize,
    /// Current frame, DN; and whether any of its pixels is good (1) or none (0).
    pub(super) now: Vec<f32>,
    pub(super) known: Vec<f32>,
    /// Variance of one frame's cell mean; of one frame's pixel.
    pub(super) cell_variance: Vec<f32>,
    pub(super) pixel_variance: Vec<f32>,
    /// Means and mean counts of the segments.
    pub(super) mean: Vec<Vec<f32>>,
    pub(super) count: Vec<Vec<f32>>,
    /// Weights of the segments.
    pub(super) weight: Vec<Vec<f32>>,
}

/// The two rows of pixels of a row of cells (the same twice at an odd rim).
fn two<T>(data: &[T], cy: usize, w: usize, h: usize) -> (&[T], &[T]) {
    let (a, b) = (2 * cy, (2 * cy + 1).min(h - 1));
    (&data[a * w..(a + 1) * w], &data[b * w..(b + 1) * w])
}

/// Sums over the pixels of a cell, in codes.
#[derive(Debug, Clone, Copy)]
struct CellSums {
    mean: f32,
    count: f32,
    /// Sum over pixels of total^2 / count.
    around: f64,
}

/// A row of cells whose pixels all have `count` good samples, as one piece of work.
struct EvenCells<'a> {
    totals: (&'a [u32], &'a [u32]),
    squares: &'a [u64],
    count: u8,
    coding: Coding,
    /// Means in DN, and unexplained variances in codes.
    mean: &'a mut [f32],
    left: &'a mut [f32],
}

impl Wide for EvenCells<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let count = f64::from(self.count);
        let of = to_f32(4.0 * count);
        let inverse = 1.0 / count.max(1.0);
        let part = 0.25 * inverse;
        let Coding { zero, step } = self.coding;
        let known = if of > 0.0 { 1.0 } else { 0.0 };
        let pairs = self.totals.0.as_chunks::<2>().0.iter().zip(self.totals.1.as_chunks::<2>().0);
        let out = self.mean.iter_mut().zip(self.left);
        for (((a, b), &square), (mean, left)) in pairs.zip(self.squares).zip(out) {
            let t = [f64::from(a[0]), f64::from(a[1]), f64::from(b[0]), f64::from(b[1])];
            let total = (t[0] + t[1]) + (t[2] + t[3]);
            let around = (t[0] * t[0] + t[1] * t[1]) + (t[2] * t[2] + t[3] * t[3]);
            *mean = known * ((to_f32(total * part) - zero) * step);
            *left = to_f32(square as f64 - around * inverse) / (of - 4.0).max(1.0);
        }
    }
}

/// Whether all values are `n`.
fn all_are(values: &[u8], n: u8) -> bool {
    values.iter().fold(0, |different, v| different | (v ^ n)) == 0
}

/// Cells of any counts and any width.
fn odd_cells(
    totals: (&[u32], &[u32]),
    counts: (&[u8], &[u8]),
    inverse: &[f64; 256],
    out: &mut Vec<CellSums>,
) {
    let w = totals.0.len();
    for cx in 0..w.div_ceil(2) {
        let (l, r) = (2 * cx, (2 * cx + 1).min(w - 1));
        let (mut total, mut count, mut around) = (0.0_f64, 0.0_f64, 0.0_f64);
        for (t, n) in [(totals.0, counts.0), (totals.1, counts.1)] {
            for i in [l, r] {
                let v = f64::from(t[i]);
                total += v;
                count += f64::from(n[i]);
                around += v * v * inverse[usize::from(n[i])];
            }
        }
        let mean = to_f32(total / count.max(1.0));
        out.push(CellSums { mean, count: to_f32(count), around });
    }
}

impl CellBand {
    /// Cells of rows `y0..y1` (in cells) of the window.
    pub(super) fn new(
        current: &FixedPlane,
        segments: &[Segment],
        level: &Level<'_>,
        (y0, y1): (usize, usize),
    ) -> Self {
        let (w, h) = (current.width, current.height);
        let width = cells(w);
        let n = width * (y1 - y0);
        let mut band = Self {
            first: y0,
            width,
            height: y1 - y0,
            now: Vec::with_capacity(n),
            known: Vec::with_capacity(n),
            mean: vec![vec![0.0; n]; segments.len()],
            count: vec![vec![0.0; n]; segments.len()],
            weight: vec![vec![0.0; n]; segments.len()],
            ..Self::default()
        };
        let coding = current.coding;
        let mut row = Vec::with_capacity(width);
        let inverse: [f64; 256] = std::array::from_fn(|n| 1.0 / (n as f64).max(1.0));
        for cy in y0..y1 {
            let (a, b) = two(&current.codes, cy, w, h);
            for cx in 0..width {
                let (l, r) = (2 * cx, (2 * cx + 1).min(w - 1));
                let (mut sum, mut m) = (0.0_f32, 0.0_f32);
                for c in [a[l], a[r], b[l], b[r]] {
                    let keep = if good(c) { 1.0 } else { 0.0 };
                    sum += keep * f32::from(c);
                    m += keep;
                }
                band.now.push(if m > 0.0 { (sum / m - coding.zero) * coding.step } else { 0.0 });
                band.known.push(if m > 0.0 { 1.0 } else { 0.0 });
            }
            // Odd rims count a pixel twice in the sums below, as often in squares as they are there.
            let twice = |cx: usize| {
                let x = if 2 * cx + 1 < w { 1.0 } else { 2.0 };
                if 2 * cy + 1 < h { x } else { 2.0 * x }
            };
            for (s, segment) in segments.iter().enumerate() {
                let totals = two(&segment.total, cy, w, h);
                let counts = two(&segment.count, cy, w, h);
                let at = (cy - y0) * width..(cy - y0 + 1) * width;
                let squares = &segment.squares[cy * width..(cy + 1) * width];
                let mean = &mut band.mean[s][at.clone()];
                let number = &mut band.count[s][at.clone()];
                // Unexplained variance in codes; becomes a weight below.
                let left = &mut band.weight[s][at];
                let count = counts.0[0];
                let even = w % 2 == 0 && 2 * cy + 1 < h;
                if even && all_are(counts.0, count) && all_are(counts.1, count) {
                    number.fill(f32::from(count));
                    wide(EvenCells { totals, squares, count, coding, mean, left });
                    continue;
                }
                row.clear();
                odd_cells(totals, counts, &inverse, &mut row);
                for (cx, (&square, c)) in squares.iter().zip(&row).enumerate() {
                    mean[cx] =
                        if c.count > 0.0 { (c.mean - coding.zero) * coding.step } else { 0.0 };
                    number[cx] = 0.25 * c.count;
                    let unexplained = to_f32(square as f64 * twice(cx) - c.around);
                    left[cx] = unexplained / (c.count - 4.0).max(1.0);
                }
            }
        }
        band.model(level, (w, h), coding.step);
        band.judge(coding.step);
        band
    }

    /// Variances that the noise model expects.
    fn model(&mut self, level: &Level<'_>, (w, h): (usize, usize), step: f32) {
        let n = self.now.len();
        let mut guide = Vec::with_capacity(n);
        for i in 0..n {
            let (mut sum, mut weight) = (self.now[i] * self.known[i], self.known[i]);
            for (m, c) in self.mean.iter().zip(&self.count) {
                sum += m[i] * c[i];
                weight += c[i];
            }
            guide.push(sum / weight.max(1.0));
        }
        let (s2, rounding) = (level.sigma * level.sigma, step * step / 12.0);
        for cy in 0..self.height {
            for cx in 0..self.width {
                let at = |x: usize, y: usize| guide[y * self.width + x];
                let right = at((cx + 1).min(self.width - 1), cy) - at(cx.saturating_sub(1), cy);
                let down = at(cx, (cy + 1).min(self.height - 1)) - at(cx, cy.saturating_sub(1));
                let value = at(cx, cy);
                let (px, py) = ((2 * cx).min(w - 1), (2 * (self.first + cy)).min(h - 1));
                let noise = level.noise.variance(value, py * w + px) * level.factor;
                let slope = (right * right + down * down) / 16.0 * s2;
                let model = MODEL_ERROR * value;
                let fixed = slope + model * model;
                self.pixel_variance.push((noise * level.gain + 2.0 * fixed + rounding).max(1e-12));
                self.cell_variance.push((0.25 * (noise + rounding) + fixed).max(1e-12));
            }
        }
    }

    /// Turns unexplained variance and means into weights.
    fn judge(&mut self, step: f32) {
        let width = self.width;
        let mut scratch = AgreeScratch::default();
        let (mut difference, mut variance, mut agree, mut low) = (vec![], vec![], vec![], vec![]);
        // (1) steady in itself
        for (w, count) in self.weight.iter_mut().zip(&self.count) {
            for (v, p) in w.iter_mut().zip(&self.pixel_variance) {
                *v = (*v * step * step / p - 1.0).min(50.0);
            }
            binomial_into(w, width, &mut agree, &mut scratch.blur);
            for ((v, a), n) in w.iter_mut().zip(&agree).zip(count) {
                let z = a * ((n - 1.0).max(0.0) * 0.5 * INDEPENDENT).sqrt();
                *v = if *n < 0.5 { 0.0 } else { decay((z - STEADY).max(0.0)) };
            }
        }
        let near = self.near();
        // (2) near segments agree with the current frame
        for &s in &near {
            self.compare(s, &mut difference, &mut variance);
            agreement(&difference, &variance, width, &mut agree, &mut scratch);
            for (w, a) in self.weight[s].iter_mut().zip(&agree) {
                *w *= a;
            }
        }
        // (3) near segments that contradict each other
        if let &[past, future] = near.as_slice() {
            self.decide(past, future, &mut scratch);
        }
        // (4) far segments agree with what was kept
        let far: Vec<usize> = (0..self.mean.len()).filter(|s| !near.contains(s)).collect();
        let (kept, number) = self.kept(&near);
        for &s in &far {
            difference.clear();
            variance.clear();
            for i in 0..self.now.len() {
                let n = self.count[s][i];
                difference.push(if n > 0.5 { self.mean[s][i] - kept[i] } else { 0.0 });
                variance
                    .push(self.cell_variance[i] * (1.0 / n.max(0.25) + 1.0 / number[i].max(0.25)));
            }
            agreement(&difference, &variance, width, &mut agree, &mut scratch);
            for (w, a) in self.weight[s].iter_mut().zip(&agree) {
                *w *= a;
            }
        }
        for w in &mut self.weight {
            spread_doubt(w, width, &mut low);
        }
    }

    /// The segments next to the current frame.
    pub(super) fn near(&self) -> Vec<usize> {
        match self.mean.len() {
            4 => vec![1, 2],
            n => (0..n).collect(),
        }
    }

    /// Difference of a segment's mean and the current frame, and its variance.
    fn compare(&self, s: usize, difference: &mut Vec<f32>, variance: &mut Vec<f32>) {
        difference.clear();
        variance.clear();
        for i in 0..self.now.len() {
            let n = self.count[s][i];
            let both = n > 0.25 && self.known[i] > 0.5;
            difference.push(if both { self.mean[s][i] - self.now[i] } else { 0.0 });
            variance.push(self.cell_variance[i] * (1.0 + 1.0 / n.max(0.25)));
        }
    }

    /// Where past and future differ, only the one nearer to the current frame is kept.
    fn decide(&mut self, past: usize, future: usize, scr: &mut AgreeScratch) {
        let n = self.now.len();
        let (mut difference, mut variance) = (Vec::with_capacity(n), Vec::with_capacity(n));
        let mut lean = Vec::with_capacity(n);
        for i in 0..n {
            let (a, b) = (self.count[past][i], self.count[future][i]);
            let d =
                if a > 0.5 && b > 0.5 { self.mean[past][i] - self.mean[future][i] } else { 0.0 };
            difference.push(d);
            variance.push(self.cell_variance[i] * (1.0 / a.max(0.25) + 1.0 / b.max(0.25)));
            // Above 0: the current frame is nearer to the past.
            let middle = 0.5 * (self.mean[past][i] + self.mean[future][i]);
            lean.push((self.now[i] - middle) * d / self.cell_variance[i]);
        }
        let mut agree = Vec::new();
        agreement(&difference, &variance, self.width, &mut agree, scr);
        let mut smooth = Vec::new();
        binomial_into(&lean, self.width, &mut smooth, &mut scr.blur);
        for i in 0..n {
            let doubt = 1.0 - agree[i];
            // Log likelihood ratio of the 13 cells a binomial averages.
            let ratio = smooth[i] * 13.0;
            let (lose_past, lose_future) = ((-ratio).max(0.0), ratio.max(0.0));
            self.weight[past][i] *= 1.0 - doubt * (1.0 - decay(lose_past));
            self.weight[future][i] *= 1.0 - doubt * (1.0 - decay(lose_future));
        }
    }

    /// Mean of the current frame and of segments by their weights, and how many frames that is.
    pub(super) fn kept(&self, of: &[usize]) -> (Vec<f32>, Vec<f32>) {
        let mut mean = Vec::with_capacity(self.now.len());
        let mut number = Vec::with_capacity(self.now.len());
        for i in 0..self.now.len() {
            let (mut sum, mut n) = (self.known[i] * self.now[i], self.known[i]);
            for &s in of {
                let k = self.weight[s][i] * self.count[s][i];
                sum += k * self.mean[s][i];
                n += k;
            }
            mean.push(if n > 0.0 { sum / n } else { 0.0 });
            number.push(n);
        }
        (mean, number)
    }
}
