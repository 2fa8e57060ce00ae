//! Cells judged four at a time.
//!
//! A band of cells of 4 x 4 pixels is made from one of 2 x 2, judged as that would be, and its weights
//! are given to all four: a quarter of the work, and limits of motion half as fine. Where finer ones are
//! wanted, columns in which a segment is doubted anywhere are judged once more, in cells of 2 x 2; what
//! is still for sure shows nothing that those would tell better.

use std::iter::once;
use std::ops::Range;

use super::band::CellBand;
use crate::frame::convert::to_f32;
use crate::math::wide::{Wide, wide};

/// A band, and the one of larger cells that judges it; as one piece of work.
struct Gathering<'a> {
    band: &'a CellBand,
    fixed: &'a [f32],
    coarse: &'a mut CellBand,
}

/// Weights given back.
struct Spreading<'a> {
    band: &'a mut CellBand,
    coarse: &'a CellBand,
    /// Columns (of the band) that are kept.
    kept: &'a [Range<usize>],
}

/// Cells (of 4 x 4 pixels) a side of the squares that doubt is looked for in, and columns of them that
/// are judged once more together.
const SQUARE: usize = 4;
const TOGETHER: usize = 8;
/// Mean weight of a segment in a square below which it is doubted there, and weight of a cell: noise
/// alone gets as low at one square in 10,000.
const BEYOND_DOUBT: f32 = 0.4;
const OVER: f32 = 0.01;
/// Columns of cells beyond those judged once more that the tests look at.
const BESIDE: usize = 10;

/// Rows of values, and what they count.
type Rows<'a> = (&'a [f32], &'a [f32]);

impl CellBand {
    /// Makes `coarse` the band of cells twice the size; `fixed` is the part of this one's variances that
    /// is no noise.
    pub(super) fn gather(&self, fixed: &[f32], coarse: &mut CellBand) {
        wide(Gathering { band: self, fixed, coarse });
    }

    /// Takes the weights of the band of cells twice the size, but for columns that are `kept`.
    pub(super) fn spread(&mut self, coarse: &CellBand, kept: &[Range<usize>]) {
        wide(Spreading { band: self, coarse, kept });
    }

    /// Of a band of larger cells, columns in which a segment is doubted; in cells of half the size.
    pub(super) fn doubted(&self) -> Vec<Range<usize>> {
        let mut found: Vec<Range<usize>> = Vec::new();
        for left in (0..self.width).step_by(TOGETHER) {
            let end = (left + TOGETHER).min(self.width);
            // What lies beside is looked at from there.
            let seen = left.saturating_sub(SQUARE)..(end + SQUARE).min(self.width);
            if !self.doubts(&seen) {
                continue;
            }
            match found.last_mut() {
                Some(last) if last.end == 2 * left => last.end = 2 * end,
                _ => found.push(2 * left..2 * end),
            }
        }
        found
    }

    /// Whether a segment is doubted in some columns: in a cell, or in most of a square.
    fn doubts(&self, columns: &Range<usize>) -> bool {
        self.weight.iter().zip(&self.count).any(|(weight, count)| {
            (0..self.height).step_by(SQUARE).any(|y| {
                let mut sure = [0.0_f32; TOGETHER / SQUARE + 2];
                let rows = y..(y + SQUARE).min(self.height);
                let all = to_f32((rows.len() * SQUARE) as f64);
                let mut lone = false;
                for at in rows.map(|y| y * self.width) {
                    let row = at + columns.start..at + columns.end;
                    let squares = weight[row.clone()].chunks(SQUARE);
                    let squares = squares.zip(count[row].chunks(SQUARE)).zip(&mut sure);
                    for ((weight, count), sure) in squares {
                        for (w, n) in weight.iter().zip(count) {
                            // What was never seen is not doubted, nor what is not there.
                            let w = if *n < 0.5 { 1.0 } else { *w };
                            *sure += w - 1.0;
                            lone |= w < OVER;
                        }
                    }
                }
                lone || sure.iter().any(|sure| *sure < (BEYOND_DOUBT - 1.0) * all)
            })
        })
    }

    /// Copies some columns, and what their tests look at, to `part`; gives the first column copied.
    pub(super) fn cut(&self, columns: &Range<usize>, part: &mut CellBand) -> usize {
        let from = columns.start.saturating_sub(BESIDE);
        let to = (columns.end + BESIDE).min(self.width);
        (part.width, part.height, part.large) = (to - from, self.height, false);
        part.fit(self.mean.len());
        let copy = |of: &[f32], to: &mut [f32]| {
            for (of, to) in of.chunks_exact(self.width).zip(to.chunks_exact_mut(part.width)) {
                to.copy_from_slice(&of[from..from + part.width]);
            }
        };
        copy(&self.now, &mut part.now);
        copy(&self.known, &mut part.known);
        copy(&self.pixel_variance, &mut part.pixel_variance);
        copy(&self.cell_variance, &mut part.cell_variance);
        for s in 0..self.mean.len() {
            copy(&self.mean[s], &mut part.mean[s]);
            copy(&self.count[s], &mut part.count[s]);
            copy(&self.weight[s], &mut part.weight[s]);
        }
        from
    }

    /// Takes the weights of columns that were [`Self::cut`], the first of them at `from`.
    pub(super) fn put(&mut self, columns: &Range<usize>, part: &CellBand, from: usize) {
        let end = columns.end.min(self.width);
        let inner = columns.start - from..end - from;
        let width = self.width;
        let lists = self.weight.iter_mut().zip(&part.weight);
        for (to, of) in lists.chain([(&mut self.sure, &part.sure)]) {
            for (to, of) in to.chunks_exact_mut(width).zip(of.chunks_exact(part.width)) {
                to[columns.start..end].copy_from_slice(&of[inner.clone()]);
            }
        }
    }
}

impl Wide for Gathering<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let Self { band, fixed, coarse } = self;
        for y in 0..coarse.height {
            let line = |y: usize| y * band.width..(y + 1) * band.width;
            let (a, b) = (line(2 * y), line((2 * y + 1).min(band.height - 1)));
            let out = y * coarse.width..(y + 1) * coarse.width;
            let (known, now) = (&mut coarse.known[out.clone()], &mut coarse.now[out.clone()]);
            mixed(
                (&band.now[a.clone()], &band.now[b.clone()]),
                (&band.known[a.clone()], &band.known[b.clone()]),
                now,
                known,
            );
            for s in 0..band.mean.len() {
                let count = (&band.count[s][a.clone()], &band.count[s][b.clone()]);
                let number = &mut coarse.count[s][out.clone()];
                let mean = (&band.mean[s][a.clone()], &band.mean[s][b.clone()]);
                mixed(mean, count, &mut coarse.mean[s][out.clone()], number);
                // Not weights yet, but unexplained variances.
                let left = (&band.weight[s][a.clone()], &band.weight[s][b.clone()]);
                mixed(left, count, &mut coarse.weight[s][out.clone()], number);
            }
            let pixel = (&band.pixel_variance[a.clone()], &band.pixel_variance[b.clone()]);
            halved(pixel, &mut coarse.pixel_variance[out.clone()]);
            let cell = (&band.cell_variance[a.clone()], &band.cell_variance[b.clone()]);
            let variance = &mut coarse.cell_variance[out.clone()];
            halved(cell, variance);
            // Written over below.
            let kept = &mut coarse.sure[out];
            halved((&fixed[a], &fixed[b]), kept);
            for (v, fixed) in variance.iter_mut().zip(kept) {
                *v = 0.25 * *v + 0.75 * *fixed;
            }
        }
    }
}

impl Wide for Spreading<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let Self { band, coarse, kept } = self;
        let mut left = 0;
        for next in kept.iter().cloned().chain(once(band.width..band.width)) {
            let (x0, x1) = (left, next.start);
            left = next.end.min(band.width);
            for y in 0..band.height {
                let at = y / 2 * coarse.width;
                let from = at + x0 / 2..at + x1.div_ceil(2);
                let to = y * band.width + x0..y * band.width + x1;
                for (weight, of) in band.weight.iter_mut().zip(&coarse.weight) {
                    doubled(&of[from.clone()], &mut weight[to.clone()]);
                }
                doubled(&coarse.sure[from], &mut band.sure[to]);
            }
        }
    }
}

/// Values for pairs from single ones.
#[inline(always)]
pub(super) fn doubled(of: &[f32], pairs: &mut [f32]) {
    let (two, rest) = pairs.as_chunks_mut::<2>();
    for (pair, v) in two.iter_mut().zip(of) {
        *pair = [*v, *v];
    }
    for (o, v) in rest.iter_mut().zip(of.last()) {
        *o = *v;
    }
}

/// Means of squares of two by two values; an odd rim is a cell of its own.
#[inline(always)]
fn halved((a, b): Rows<'_>, out: &mut [f32]) {
    let ((a, c), (b, d)) = (a.as_chunks::<2>(), b.as_chunks::<2>());
    for (o, (a, b)) in out.iter_mut().zip(a.iter().zip(b)) {
        *o = 0.25 * ((a[0] + a[1]) + (b[0] + b[1]));
    }
    if let ([c], [d], Some(o)) = (c, d, out.last_mut()) {
        *o = 0.5 * (c + d);
    }
}

/// The same weighted by counts, and the mean count.
#[inline(always)]
fn mixed((a, b): Rows<'_>, (p, q): Rows<'_>, out: &mut [f32], number: &mut [f32]) {
    let ((a, c), (b, d)) = (a.as_chunks::<2>(), b.as_chunks::<2>());
    let ((p, r), (q, s)) = (p.as_chunks::<2>(), q.as_chunks::<2>());
    let n = a.len().min(b.len()).min(p.len()).min(q.len()).min(out.len()).min(number.len());
    let (a, b, p, q) = (&a[..n], &b[..n], &p[..n], &q[..n]);
    {
        let (out, number) = (&mut out[..n], &mut number[..n]);
        for i in 0..n {
            let sum =
                (a[i][0] * p[i][0] + a[i][1] * p[i][1]) + (b[i][0] * q[i][0] + b[i][1] * q[i][1]);
            let count = (p[i][0] + p[i][1]) + (q[i][0] + q[i][1]);
            out[i] = sum / if count > 0.0 { count } else { 1.0 };
            number[i] = 0.25 * count;
        }
    }
    let last = (out.last_mut(), number.last_mut());
    if let ([c], [d], [r], [s], (Some(o), Some(k))) = (c, d, r, s, last) {
        let count = r + s;
        *o = (c * r + d * s) / if count > 0.0 { count } else { 1.0 };
        *k = 0.5 * count;
    }
}

#[cfg(test)]
mod tests {
    use super::super::judge::Judging;
    use super::*;

    #[test]
    fn four_cells_are_one_and_a_rim_is_one_of_its_own() {
        let (a, b) = ([1.0, 2.0, 3.0, 4.0, 9.0], [3.0, 6.0, 5.0, 0.0, 7.0]);
        let mut out = [f32::NAN; 3];
        halved((&a, &b), &mut out);
        assert_eq!(out.to_vec(), [3.0, 3.0, 8.0]);
        // What was never seen says nothing, whatever stands there.
        let (p, q) = ([2.0, 0.0, 0.0, 0.0, 3.0], [2.0, 4.0, 0.0, 0.0, 1.0]);
        let mut number = [f32::NAN; 3];
        mixed((&a, &b), (&p, &q), &mut out, &mut number);
        assert_eq!(out.to_vec(), [4.0, 0.0, 8.5]);
        assert_eq!(number.to_vec(), [2.0, 0.0, 2.0]);
        let mut pairs = [f32::NAN; 5];
        doubled(&out, &mut pairs);
        assert_eq!(pairs.to_vec(), [4.0, 4.0, 0.0, 0.0, 8.5]);
    }

    #[test]
    fn a_band_of_odd_size_gives_its_weights_back() {
        let band = |width: usize, height: usize| {
            let plane = |from: f32| (0..width * height).map(|i| from + i as f32).collect();
            let list: Vec<Vec<f32>> = vec![plane(1.0), plane(2.0)];
            CellBand {
                width,
                height,
                now: plane(3.0),
                known: vec![1.0; width * height],
                mean: list.clone(),
                count: vec![vec![8.0; width * height]; 2],
                weight: list,
                pixel_variance: vec![4.0; width * height],
                cell_variance: vec![1.0; width * height],
                sure: plane(0.0),
                ..CellBand::default()
            }
        };
        let (mut fine, mut coarse) = (band(5, 3), band(3, 2));
        fine.gather(&[0.2; 15], &mut coarse);
        // Of cells 0, 1, 5 and 6; 2, 3, 7 and 8; 4 and 9; and of the last row alone.
        assert_eq!(coarse.now, [6.0, 8.0, 9.5, 13.5, 15.5, 17.0]);
        assert_eq!(coarse.count[1], [8.0; 6]);
        assert!(coarse.cell_variance.iter().all(|v| (v - 0.4).abs() < 1e-6));
        coarse.sure = vec![0.0, 1.0, 2.0, 3.0, 4.0, 5.0];
        fine.spread(&coarse, &[]);
        let (a, b) = ([0.0, 0.0, 1.0, 1.0, 2.0], [3.0, 3.0, 4.0, 4.0, 5.0]);
        assert_eq!(fine.sure, [a, a, b].concat());
        assert_eq!(fine.weight[0][12..14], coarse.weight[0][4..5].repeat(2));
    }

    /// A band of small cells that noise alone made differ, but for a part that moved through the past.
    fn judged(width: usize) -> CellBand {
        let mut band = CellBand { width, height: 40, ..CellBand::default() };
        band.fit(2);
        let noise = |i: usize| ((i.wrapping_mul(2_654_435_761) >> 8) % 1000) as f32 / 289.0 - 1.73;
        for i in 0..width * 40 {
            band.now[i] = 50.0 + noise(i);
            band.known[i] = 1.0;
            (band.pixel_variance[i], band.cell_variance[i]) = (4.0, 1.0);
            for s in 0..2 {
                band.mean[s][i] = 50.0 + 0.3 * noise(i * 7 + s);
                band.count[s][i] = 10.0;
                // What segments have before they are judged: unexplained variance.
                let moved =
                    s == 0 && (70..74).contains(&(i % width)) && (20..24).contains(&(i / width));
                band.weight[s][i] = if moved { 40.0 } else { 4.0 };
            }
        }
        band
    }

    #[test]
    fn what_moved_is_judged_in_small_cells_and_nothing_else() {
        for width in [130, 131] {
            let mut band = judged(width);
            let mut coarse = CellBand {
                width: width.div_ceil(2),
                height: 20,
                large: true,
                ..CellBand::default()
            };
            coarse.fit(2);
            band.gather(&vec![0.0; width * 40], &mut coarse);
            wide(Judging { band: &mut coarse, step: 1.0 });
            let doubted = coarse.doubted();
            assert_eq!((doubted.len(), doubted[0].clone()), (1, 48..96));
            let mut all = band.clone();
            wide(Judging { band: &mut all, step: 1.0 });
            let mut part = CellBand::default();
            let from = band.cut(&doubted[0], &mut part);
            wide(Judging { band: &mut part, step: 1.0 });
            band.put(&doubted[0], &part, from);
            band.spread(&coarse, &doubted);
            for (i, (a, b)) in band.weight[0].iter().zip(&all.weight[0]).enumerate() {
                if doubted[0].contains(&(i % width)) {
                    assert_eq!(a.to_bits(), b.to_bits(), "{i}");
                } else {
                    assert!(*a > 0.5, "{i}: {a}");
                }
            }
            assert!(band.weight[0][22 * width + 72] < 0.01);
            // Columns to the very end, of odd width too.
            band.spread(&coarse, &[64..70, 90..2 * coarse.width]);
        }
    }
}
