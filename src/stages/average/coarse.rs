//! Cells judged four at a time.
//!
//! A band of cells of 4 x 4 pixels is made from one of 2 x 2, judged as that would be, and its weights
//! are given to all four: a quarter of the work, and limits of motion half as fine. Where finer ones are
//! wanted, areas in which a segment is doubted (`doubt`) are judged once more, in cells of 2 x 2.

use super::band::CellBand;
use super::doubt::{Area, BESIDE};
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
}

/// Rows of values, and what they count.
type Rows<'a> = (&'a [f32], &'a [f32]);

impl CellBand {
    /// Makes `coarse` the band of cells twice the size; `fixed` is the part of this one's variances that
    /// is no noise.
    pub(super) fn gather(&self, fixed: &[f32], coarse: &mut CellBand) {
        wide(Gathering { band: self, fixed, coarse });
    }

    /// Takes the weights of the band of cells twice the size.
    pub(super) fn spread(&mut self, coarse: &CellBand) {
        wide(Spreading { band: self, coarse });
    }

    /// Copies an area, and what its tests look at, to `part`; gives the first column and row copied.
    pub(super) fn cut(&self, area: &Area, part: &mut CellBand) -> [usize; 2] {
        let [left, top] = [&area.x, &area.y].map(|of| of.start.saturating_sub(BESIDE));
        let (right, end) = (area.x.end + BESIDE, area.y.end + BESIDE);
        part.width = right.min(self.width) - left;
        part.height = end.min(self.height) - top;
        part.large = false;
        part.fit_to_judge(self.mean.len());
        let copy = |of: &[f32], to: &mut [f32]| {
            let rows = of[top * self.width..].chunks_exact(self.width);
            for (of, to) in rows.zip(to.chunks_exact_mut(part.width)) {
                to.copy_from_slice(&of[left..left + part.width]);
            }
        };
        copy(&self.now, &mut part.now);
        copy(&self.known, &mut part.known);
        copy(&self.pixel_variance, &mut part.pixel_variance);
        copy(&self.cell_variance, &mut part.cell_variance);
        for s in 0..self.mean.len() {
            copy(&self.mean[s], &mut part.mean[s]);
            copy(&self.count[s], &mut part.count[s]);
            copy(&self.unsteady[s], &mut part.unsteady[s]);
        }
        [left, top]
    }

    /// Takes the weights of an area that was [`Self::cut`] (as far as there are cells), the first column and
    /// row of that at `from`.
    pub(super) fn put(&mut self, area: &Area, part: &CellBand, from: [usize; 2]) {
        let x = area.x.start..area.x.end.min(self.width);
        let y = area.y.start..area.y.end.min(self.height);
        let inner = x.start - from[0]..x.end - from[0];
        let (width, rows) = (self.width, y.start * self.width..y.end * self.width);
        let lists = self.weight.iter_mut().zip(&part.weight);
        for (to, of) in lists.chain([(&mut self.sure, &part.sure)]) {
            let of = of[(y.start - from[1]) * part.width..].chunks_exact(part.width);
            for (to, of) in to[rows.clone()].chunks_exact_mut(width).zip(of) {
                to[x.clone()].copy_from_slice(&of[inner.clone()]);
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
                let unsteady = (&band.unsteady[s][a.clone()], &band.unsteady[s][b.clone()]);
                mixed(unsteady, count, &mut coarse.unsteady[s][out.clone()], number);
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
        let Self { band, coarse } = self;
        for (y, row) in coarse.sure.chunks_exact(coarse.width).enumerate() {
            let at = y * coarse.width..(y + 1) * coarse.width;
            for y in 2 * y..(2 * y + 2).min(band.height) {
                let to = y * band.width..(y + 1) * band.width;
                for (weight, of) in band.weight.iter_mut().zip(&coarse.weight) {
                    doubled(&of[at.clone()], &mut weight[to.clone()]);
                }
                doubled(row, &mut band.sure[to]);
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
    use super::super::doubt::Doubted;
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
                unsteady: list.clone(),
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
        fine.spread(&coarse);
        let (a, b) = ([0.0, 0.0, 1.0, 1.0, 2.0], [3.0, 3.0, 4.0, 4.0, 5.0]);
        assert_eq!(fine.sure, [a, a, b].concat());
        assert_eq!(fine.weight[0][12..14], coarse.weight[0][4..5].repeat(2));
    }

    /// A band of small cells that noise alone made differ, but for a part that moved through the past.
    fn judged(width: usize) -> CellBand {
        let mut band = CellBand { width, height: 40, ..CellBand::default() };
        band.fit_to_judge(2);
        let noise = |i: usize| ((i.wrapping_mul(2_654_435_761) >> 8) % 1000) as f32 / 289.0 - 1.73;
        for i in 0..width * 40 {
            band.now[i] = 50.0 + noise(i);
            band.known[i] = 1.0;
            (band.pixel_variance[i], band.cell_variance[i]) = (4.0, 1.0);
            for s in 0..2 {
                band.mean[s][i] = 50.0 + 0.3 * noise(i * 7 + s);
                band.count[s][i] = 10.0;
                let moved =
                    s == 0 && (70..74).contains(&(i % width)) && (20..24).contains(&(i / width));
                band.unsteady[s][i] = if moved { 40.0 } else { 4.0 };
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
            coarse.fit_to_judge(2);
            band.gather(&vec![0.0; width * 40], &mut coarse);
            wide(Judging { band: &mut coarse, step: 1.0 });
            let mut doubted = Doubted::default();
            doubted.find(&coarse.weight, &coarse.count, coarse.width);
            assert_eq!(doubted.areas, [Area { x: 56..88, y: 8..40 }]);
            let area = &doubted.areas[0];
            let mut all = band.clone();
            wide(Judging { band: &mut all, step: 1.0 });
            band.spread(&coarse);
            let mut part = CellBand::default();
            let from = band.cut(area, &mut part);
            wide(Judging { band: &mut part, step: 1.0 });
            band.put(area, &part, from);
            for (i, (a, b)) in band.weight[0].iter().zip(&all.weight[0]).enumerate() {
                if area.x.contains(&(i % width)) && area.y.contains(&(i / width)) {
                    assert_eq!(a.to_bits(), b.to_bits(), "{i}");
                } else {
                    assert!(*a > 0.5, "{i}: {a}");
                }
            }
            assert!(band.weight[0][22 * width + 72] < 0.01);
            // To the very end, of odd width too.
            let rest = Area { x: 120..width, y: 30..40 };
            let from = band.cut(&rest, &mut part);
            wide(Judging { band: &mut part, step: 1.0 });
            band.put(&rest, &part, from);
            let last = 39 * width + width - 1;
            assert_eq!(band.weight[1][last].to_bits(), all.weight[1][last].to_bits());
        }
    }
}
