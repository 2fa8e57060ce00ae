//! Cells of the window: what its segments and the current frame show at each, and what the noise model
//! expects there. What is made of that is in `judge`.

use std::mem;
use std::ops::Range;

use super::agree::above;
use super::band::CellBand;
use super::judge::Judging;
use super::sums::{Segment, cells, good};
use crate::frame::convert::to_f32;
use crate::frame::{Coding, FixedPlane};
use crate::math::patch::any_marked;
use crate::math::wide::{Wide, wide};
use crate::register::{LEAST_VARIANCE, PixelNoise};

/// Relative error of the model of a still place (light, resampling at edges); none is granted in the
/// frame's outermost lines, where what is resampled ends, and a line is a quarter of a larger cell.
pub(super) const MODEL_ERROR: f32 = 0.0002;

/// What the noise of the window's frames is.
#[derive(Debug, Clone, Copy)]
pub(super) struct Level<'a> {
    pub(super) noise: &'a PixelNoise,
    /// What the frames' light does to the noise model's slope and floor: means of what they were
    /// brightened by, and of its square.
    pub(super) slope: f32,
    pub(super) floor: f32,
    /// Mean of the frames' resampling gains and pose uncertainties.
    pub(super) gain: f32,
    pub(super) sigma: f32,
    /// By how much the current frame was brightened.
    pub(super) brightened: f32,
}

/// The two rows of pixels of a row of cells (the same twice at an odd rim).
fn two<T>(data: &[T], cy: usize, w: usize, h: usize) -> (&[T], &[T]) {
    let (a, b) = (2 * cy, (2 * cy + 1).min(h - 1));
    (&data[a * w..(a + 1) * w], &data[b * w..(b + 1) * w])
}

/// Columns `of` both rows.
fn part<'a, T>(rows: (&'a [T], &'a [T]), of: &Range<usize>) -> (&'a [T], &'a [T]) {
    (&rows.0[of.clone()], &rows.1[of.clone()])
}

/// A sum, far below 2^31, as the processor converts it fastest.
#[inline(always)]
fn real(total: u32) -> f64 {
    f64::from(total.cast_signed())
}

/// One segment's part of a row of cells.
struct CellRow<'a> {
    totals: (&'a [u32], &'a [u32]),
    counts: (&'a [u8], &'a [u8]),
    /// All of these, where they are the same.
    all: Option<u8>,
    squares: &'a [f64],
    /// Whether both rows are the same one.
    rim: bool,
    coding: Coding,
    /// Means in DN, mean counts, and unexplained variances in codes.
    mean: &'a mut [f32],
    number: &'a mut [f32],
    left: &'a mut [f32],
}

/// What cells share whose pixels all have the same number n of good samples.
#[derive(Clone, Copy)]
struct Alike {
    /// 1 / 4n, twice, and 1 / 16n.
    part: f32,
    quarter: f64,
    spread: f32,
    /// 1 over the degrees of freedom.
    share: f32,
    /// 0 where there are no samples.
    known: f32,
    coding: Coding,
}

impl Alike {
    /// Means in DN and unexplained variances in codes of `N` cells side by side.
    #[inline(always)]
    fn cells<const N: usize>(
        &self,
        (a, b): (&[[u32; 2]; N], &[[u32; 2]; N]),
        squares: &[f64; N],
        (mean, left): (&mut [f32; N], &mut [f32; N]),
    ) {
        let Coding { zero, step } = self.coding;
        let (mut total, mut apart) = ([0_i32; N], [0.0_f32; N]);
        for i in 0..N {
            // Sums of four stay below 2^24: whole numbers in f32 too. The sum of total^2 is that of
            // four times their mean, and of what they differ from it.
            let t = [a[i][0], a[i][1], b[i][0], b[i][1]].map(u32::cast_signed);
            let sum = t[0].wrapping_add(t[1]).wrapping_add(t[2].wrapping_add(t[3]));
            let off = |j: usize| {
                let d = t[j].wrapping_mul(4).wrapping_sub(sum) as f32;
                d * d
            };
            total[i] = sum;
            apart[i] = (off(0) + off(1)) + (off(2) + off(3));
        }
        for i in 0..N {
            mean[i] = self.known * ((total[i] as f32 * self.part - zero) * step);
        }
        for i in 0..N {
            let whole = f64::from(total[i]);
            let all = to_f32(squares[i] - whole * whole * self.quarter);
            left[i] = (all - apart[i] * self.spread) * self.share;
        }
    }
}

impl CellRow<'_> {
    #[inline(always)]
    fn fill(self) {
        let even = self.totals.0.len().is_multiple_of(2) && !self.rim;
        match self.all {
            Some(count) if even => self.all(count),
            _ => self.mixed(),
        }
    }

    /// Cells whose pixels all have `count` good samples.
    #[inline(always)]
    fn all(self, count: u8) {
        self.number.fill(f32::from(count));
        let n = f64::from(count.max(1));
        let of = Alike {
            part: to_f32(0.25 / n),
            quarter: 0.25 / n,
            spread: to_f32(1.0 / (16.0 * n)),
            share: 1.0 / (4.0 * f32::from(count) - 4.0).max(1.0),
            known: if count > 0 { 1.0 } else { 0.0 },
            coding: self.coding,
        };
        const MANY: usize = 16;
        let (a, b) = (self.totals.0.as_chunks::<2>().0, self.totals.1.as_chunks::<2>().0);
        let (a, b) = (a.as_chunks::<MANY>(), b.as_chunks::<MANY>());
        let squares = self.squares.as_chunks::<MANY>();
        let (mean, left) = (self.mean.as_chunks_mut::<MANY>(), self.left.as_chunks_mut::<MANY>());
        let out = mean.0.iter_mut().zip(left.0);
        for (((a, b), squares), out) in a.0.iter().zip(b.0).zip(squares.0).zip(out) {
            of.cells((a, b), squares, out);
        }
        let out = mean.1.iter_mut().zip(left.1);
        for (((a, b), &square), (mean, left)) in a.1.iter().zip(b.1).zip(squares.1).zip(out) {
            let (mut m, mut l) = ([0.0], [0.0]);
            of.cells((&[*a], &[*b]), &[square], (&mut m, &mut l));
            ([*mean], [*left]) = (m, l);
        }
    }

    /// Cells of any counts and any width.
    #[inline(always)]
    fn mixed(self) {
        let lines = if self.rim { 2.0 } else { 1.0 };
        let n = self.totals.0.len() / 2;
        let (ta, tb) = (self.totals.0.as_chunks::<2>(), self.totals.1.as_chunks::<2>());
        let (na, nb) = (self.counts.0.as_chunks::<2>(), self.counts.1.as_chunks::<2>());
        let out = self.mean.iter_mut().zip(self.number.iter_mut()).zip(self.left.iter_mut());
        let from = ta.0.iter().zip(tb.0).zip(na.0.iter().zip(nb.0)).zip(self.squares);
        for (((mean, number), left), (((t, u), (p, q)), &square)) in out.zip(from) {
            let (t, n) = ([t[0], t[1], u[0], u[1]], [p[0], p[1], q[0], q[1]]);
            (*mean, *number, *left) = cell(t, n, square * lines, self.coding);
        }
        if let ([t], [u], [p], [q]) = (ta.1, tb.1, na.1, nb.1) {
            // An odd rim counts a pixel twice, as often in squares as it is there.
            let (t, c) = ([*t, *t, *u, *u], [*p, *p, *q, *q]);
            let square = self.squares[n] * 2.0 * lines;
            (self.mean[n], self.number[n], self.left[n]) = cell(t, c, square, self.coding);
        }
    }
}

/// Mean in DN, mean count, and unexplained variance in codes of one cell.
#[inline(always)]
fn cell(t: [u32; 4], n: [u8; 4], square: f64, coding: Coding) -> (f32, f32, f32) {
    let t = [real(t[0]), real(t[1]), real(t[2]), real(t[3])];
    let n = [f64::from(n[0]), f64::from(n[1]), f64::from(n[2]), f64::from(n[3])];
    let part = |i: usize| t[i] * t[i] / if n[i] > 1.0 { n[i] } else { 1.0 };
    let around = part(0) + part(1) + part(2) + part(3);
    let total = t[0] + t[1] + t[2] + t[3];
    let count = n[0] + n[1] + n[2] + n[3];
    let mean = to_f32(total / if count > 1.0 { count } else { 1.0 });
    let known = if count > 0.0 { 1.0 } else { 0.0 };
    let count = to_f32(count);
    let free = if count > 5.0 { count - 4.0 } else { 1.0 };
    (known * (mean - coding.zero) * coding.step, 0.25 * count, to_f32(square - around) / free)
}

/// What a band is made of.
#[derive(Clone, Copy)]
pub(super) struct Sources<'a> {
    pub(super) current: &'a FixedPlane,
    pub(super) segments: &'a [Segment],
    pub(super) level: &'a Level<'a>,
    /// Whether all of the window counts, without any test.
    pub(super) plain: bool,
    /// Whether cells are judged four at a time.
    pub(super) coarse: bool,
}

/// Making a band, as one piece of work.
struct Making<'a> {
    band: &'a mut CellBand,
    of: Sources<'a>,
}

impl Wide for Making<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let Self { band, of } = self;
        let current = of.current;
        let (w, h) = (current.width, current.height);
        let columns = 2 * band.left..(2 * (band.left + band.width)).min(w);
        for y in 0..band.height {
            let at = y * band.width..(y + 1) * band.width;
            let codes = part(two(&current.codes, band.first + y, w, h), &columns);
            let (now, known) = (&mut band.now[at.clone()], &mut band.known[at]);
            cells_now(codes, current.coding, now, known);
        }
        // One segment after the other: as they lie in memory.
        for (s, segment) in of.segments.iter().enumerate() {
            for y in 0..band.height {
                let cy = band.first + y;
                let at = y * band.width..(y + 1) * band.width;
                let first = cy * cells(w) + band.left;
                let whole = segment.bad[2 * cy..(2 * cy + 2).min(h)].iter().all(|&n| n == 0);
                let row = CellRow {
                    all: whole.then_some(segment.frames),
                    totals: part(two(&segment.total, cy, w, h), &columns),
                    counts: part(two(&segment.count, cy, w, h), &columns),
                    squares: &segment.squares[first..first + band.width],
                    rim: 2 * cy + 1 >= h,
                    coding: current.coding,
                    mean: &mut band.mean[s][at.clone()],
                    number: &mut band.count[s][at.clone()],
                    left: &mut band.unsteady[s][at],
                };
                row.fill();
            }
        }
        band.model(of.level, (w, h), current.coding.step);
        if of.plain {
            band.trust();
        }
    }
}

/// Means of the good pixels of a row of cells, and whether there are any.
#[inline(always)]
fn cells_now((a, b): (&[u16], &[u16]), coding: Coding, now: &mut [f32], known: &mut [f32]) {
    let Coding { zero, step } = coding;
    let w = a.len();
    if w.is_multiple_of(2) && !any_marked(a) && !any_marked(b) {
        known.fill(1.0);
        let pairs = a.as_chunks::<2>().0.iter().zip(b.as_chunks::<2>().0);
        for (now, (a, b)) in now.iter_mut().zip(pairs) {
            let sum = (f32::from(a[0]) + f32::from(a[1])) + (f32::from(b[0]) + f32::from(b[1]));
            *now = (0.25 * sum - zero) * step;
        }
        return;
    }
    for (cx, (now, known)) in now.iter_mut().zip(known).enumerate() {
        let (l, r) = (2 * cx, (2 * cx + 1).min(w - 1));
        let (mut sum, mut m) = (0.0_f32, 0.0_f32);
        for c in [a[l], a[r], b[l], b[r]] {
            let keep = if good(c) { 1.0 } else { 0.0 };
            sum += keep * f32::from(c);
            m += keep;
        }
        *now = if m > 0.0 { (sum / m - zero) * step } else { 0.0 };
        *known = if m > 0.0 { 1.0 } else { 0.0 };
    }
}

impl CellBand {
    /// Makes this the cells of some columns and rows (in cells) of the window.
    pub(super) fn make(&mut self, of: Sources<'_>, x: &Range<usize>, y: &Range<usize>) {
        (self.first, self.height) = (y.start, y.len());
        (self.left, self.width) = (x.start, x.len());
        self.large = false;
        self.fit(of.segments.len());
        let step = of.current.coding.step;
        wide(Making { band: self, of });
        if of.plain {
            return;
        }
        let mut coarse = self.coarse.take().unwrap_or_default();
        (coarse.width, coarse.height) = (self.width.div_ceil(2), self.height.div_ceil(2));
        coarse.large = true;
        coarse.fit_to_judge(of.segments.len());
        self.gather(&self.work.number, &mut coarse);
        wide(Judging { band: &mut coarse, step });
        self.spread(&coarse);
        if !of.coarse {
            let mut part = self.part.take().unwrap_or_default();
            let mut doubted = mem::take(&mut self.doubted);
            doubted.find(&coarse.weight, &coarse.count, coarse.width);
            for area in &doubted.areas {
                let from = self.cut(area, &mut part);
                wide(Judging { band: &mut part, step });
                self.put(area, &part, from);
            }
            (self.part, self.doubted) = (Some(part), doubted);
        }
        self.coarse = Some(coarse);
        self.slip(of.level.sigma);
    }

    /// Variances that the noise model expects; the part that is no noise is kept too.
    #[inline(always)]
    fn model(&mut self, level: &Level<'_>, (w, h): (usize, usize), step: f32) {
        let (n, width) = (self.now.len(), self.width);
        self.average(0..self.mean.len(), false);
        let (guide, others) = (&self.work.kept[..n], &mut self.work.number[..n]);
        let (s2, rounding) = (level.sigma * level.sigma, step * step / 12.0);
        let (padded, rest) = self.work.line.split_at_mut(width + 2);
        let (factor, error) = rest.split_at_mut(width);
        let PixelNoise { slope, floor, factor: flat, .. } = level.noise;
        let (slope, floor) = (slope * level.slope, floor * level.floor);
        factor.fill(1.0);
        for cy in 0..self.height {
            let row = |y: usize| &guide[y * width..(y + 1) * width];
            let (up, here) = (row(cy.saturating_sub(1)), row(cy));
            let below = row((cy + 1).min(self.height - 1));
            padded[1..=width].copy_from_slice(here);
            (padded[0], padded[width + 1]) = (here[0], here[width - 1]);
            if let Some(flat) = flat {
                let row = flat.row((2 * (self.first + cy)).min(h - 1));
                for (x, f) in factor.iter_mut().enumerate() {
                    *f = row[(2 * (self.left + x)).min(w - 1)];
                }
            }
            let at = cy * width..(cy + 1) * width;
            let others = &mut others[at.clone()];
            let pixel = &mut self.pixel_variance[at.clone()];
            let cell = &mut self.cell_variance[at];
            let outermost = self.first + cy == 0 || 2 * (self.first + cy) + 2 >= h;
            error.fill(if outermost { 0.0 } else { MODEL_ERROR });
            if self.left == 0 {
                error[0] = 0.0;
            }
            if 2 * (self.left + width) >= w {
                error[width - 1] = 0.0;
            }
            for (x, three) in padded.array_windows::<3>().enumerate().take(width) {
                let (right, down) = (three[2] - three[0], below[x] - up[x]);
                let (value, s) = (three[1], factor[x]);
                let noise = slope * above(value) * s + floor * s * s;
                let noise = if noise > LEAST_VARIANCE { noise } else { LEAST_VARIANCE };
                let slope = (right * right + down * down) / 16.0 * s2;
                let model = error[x] * value;
                let fixed = slope + model * model;
                // Errors of the model differ from cell to cell, those of a pose do not.
                others[x] = slope;
                let (p, c) = (
                    noise * level.gain + 2.0 * fixed + rounding,
                    0.25 * (noise + rounding) + fixed,
                );
                pixel[x] = if p > 1e-12 { p } else { 1e-12 };
                cell[x] = if c > 1e-12 { c } else { 1e-12 };
            }
        }
    }

    /// Weighs all samples that there are alike.
    #[inline(always)]
    fn trust(&mut self) {
        for (weight, count) in self.weight.iter_mut().zip(&self.count) {
            for (w, n) in weight.iter_mut().zip(count) {
                *w = if *n > 0.0 { 1.0 } else { 0.0 };
            }
        }
    }
}
