//! Small smoothing filters and minima; the edge row or column is repeated.

use rayon::prelude::*;

use crate::frame::Plane;
use crate::frame::convert::{clamp_index, signed, to_f32};
use crate::math::wide::{Wide, wide};

/// Taps of the five-point binomial, 1 4 6 4 1 over 16.
pub const BINOMIAL: [f32; 5] = [0.0625, 0.25, 0.375, 0.25, 0.0625];

/// Convolves with a symmetric kernel of odd length in both directions.
#[must_use]
pub fn separable(plane: &Plane, kernel: &[f32]) -> Plane {
    let w = plane.width();
    let mut out = Plane::filled(w, plane.height(), 0.0);
    let rows = out.data_mut().par_chunks_mut(w.max(1)).enumerate();
    rows.for_each_init(Vec::new, |padded, (y, target)| {
        padded.clear();
        padded.resize(w + kernel.len() - 1, 0.0);
        wide(Smoothing { plane, kernel, y, padded, target });
    });
    out
}

/// One row smoothed, as one piece of work.
struct Smoothing<'a> {
    plane: &'a Plane,
    kernel: &'a [f32],
    y: usize,
    padded: &'a mut [f32],
    target: &'a mut [f32],
}

impl Wide for Smoothing<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let Self { plane, kernel, y, padded, target } = self;
        let (w, r) = (target.len(), kernel.len() / 2);
        for (j, &c) in kernel.iter().enumerate() {
            let row = plane.row(clamp_index(signed(y + j) - signed(r), plane.height()));
            for (m, &v) in padded[r..r + w].iter_mut().zip(row) {
                *m += c * v;
            }
        }
        let (a, b) = (padded[r], padded[r + w - 1]);
        padded[..r].fill(a);
        padded[r + w..].fill(b);
        for (j, &c) in kernel.iter().enumerate() {
            for (o, &v) in target.iter_mut().zip(&padded[j..j + w]) {
                *o += c * v;
            }
        }
    }
}

/// Five-point binomial smoothing in both directions.
#[must_use]
pub fn binomial(plane: &Plane) -> Plane {
    separable(plane, &BINOMIAL)
}

/// Working memory of [`binomial_into`].
#[derive(Debug, Clone, Default)]
pub struct BlurScratch {
    padded: Vec<f32>,
}

/// [`binomial`] of `source` (`width` values a row) into `out`, without allocating anew.
pub fn binomial_into(source: &[f32], width: usize, out: &mut Vec<f32>, scratch: &mut BlurScratch) {
    out.resize(source.len(), 0.0);
    binomial_rows(source, width, out, scratch);
}

/// [`binomial_into`] to be called within [`crate::math::wide`]; `out` is as long as `source`.
#[inline(always)]
pub fn binomial_rows(source: &[f32], width: usize, out: &mut [f32], scratch: &mut BlurScratch) {
    if width == 0 || source.is_empty() {
        return;
    }
    let height = source.len() / width;
    let row = |y: usize| &source[y * width..(y + 1) * width];
    scratch.padded.resize(width + 4, 0.0);
    let padded = &mut scratch.padded[..width + 4];
    for (y, out) in out.chunks_exact_mut(width).enumerate() {
        let (a, b) = (row(y.saturating_sub(2)), row(y.saturating_sub(1)));
        let (c, d, e) = (row(y), row((y + 1).min(height - 1)), row((y + 2).min(height - 1)));
        let inner = &mut padded[2..width + 2];
        for x in 0..width {
            inner[x] = 0.0625 * (a[x] + e[x]) + 0.25 * (b[x] + d[x]) + 0.375 * c[x];
        }
        let (l, r) = (padded[2], padded[width + 1]);
        padded[..2].fill(l);
        padded[width + 2..].fill(r);
        for (o, p) in out.iter_mut().zip(padded.array_windows::<5>()) {
            *o = 0.0625 * (p[0] + p[4]) + 0.25 * (p[1] + p[3]) + 0.375 * p[2];
        }
    }
}

/// Three-point binomial smoothing, 1 2 1 over 4, as [`binomial_rows`] does it.
#[inline(always)]
pub fn binomial_3_rows(source: &[f32], width: usize, out: &mut [f32], scratch: &mut BlurScratch) {
    if width == 0 || source.is_empty() {
        return;
    }
    let height = source.len() / width;
    let row = |y: usize| &source[y * width..(y + 1) * width];
    scratch.padded.resize(width + 2, 0.0);
    let padded = &mut scratch.padded[..width + 2];
    for (y, out) in out.chunks_exact_mut(width).enumerate() {
        let (a, b, c) = (row(y.saturating_sub(1)), row(y), row((y + 1).min(height - 1)));
        let inner = &mut padded[1..=width];
        for x in 0..width {
            inner[x] = 0.25 * (a[x] + c[x]) + 0.5 * b[x];
        }
        (padded[0], padded[width + 1]) = (padded[1], padded[width]);
        for (o, p) in out.iter_mut().zip(padded.array_windows::<3>()) {
            *o = 0.25 * (p[0] + p[2]) + 0.5 * p[1];
        }
    }
}

/// Values along each axis that [`box_rows`] takes the mean of.
pub const BOX: usize = 9;

/// Means of squares of [`BOX`] values a side, as [`binomial_rows`] takes them; each is summed anew,
/// so that it does not depend on where the rows begin.
#[inline(always)]
pub fn box_rows(source: &[f32], width: usize, out: &mut [f32], scratch: &mut BlurScratch) {
    const REACH: usize = BOX / 2;
    if width == 0 || source.is_empty() {
        return;
    }
    let height = source.len() / width;
    scratch.padded.resize(width + 2 * REACH, 0.0);
    let padded = &mut scratch.padded[..width + 2 * REACH];
    for (y, out) in out.chunks_exact_mut(width).enumerate() {
        let inner = &mut padded[REACH..REACH + width];
        let rows: [&[f32]; BOX] = std::array::from_fn(|d| {
            let near = (y + d).saturating_sub(REACH).min(height - 1);
            &source[near * width..(near + 1) * width]
        });
        for x in 0..width {
            inner[x] = rows[1..].iter().fold(rows[0][x], |sum, row| sum + row[x]);
        }
        let (l, r) = (padded[REACH], padded[REACH + width - 1]);
        padded[..REACH].fill(l);
        padded[REACH + width..].fill(r);
        for (o, p) in out.iter_mut().zip(padded.array_windows::<BOX>()) {
            let halves = ((p[0] + p[1]) + (p[2] + p[3])) + ((p[4] + p[5]) + (p[6] + p[7]));
            *o = (halves + p[8]) * (1.0 / (BOX * BOX) as f32);
        }
    }
}

/// A Gaussian of standard deviation `sigma` pixels, cut at three sigma and normalised.
#[must_use]
pub fn gaussian_kernel(sigma: f64) -> Vec<f32> {
    let r = crate::frame::convert::floor_usize((3.0 * sigma).ceil().max(1.0));
    let values: Vec<f64> = (0..=2 * r)
        .map(|i| {
            let d = (i as f64 - r as f64) / sigma.max(1e-6);
            libm::exp(-0.5 * d * d)
        })
        .collect();
    let sum: f64 = values.iter().sum();
    values.into_iter().map(|v| to_f32(v / sum)).collect()
}

/// Gaussian smoothing.
#[must_use]
pub fn gaussian(plane: &Plane, sigma: f64) -> Plane {
    separable(plane, &gaussian_kernel(sigma))
}

/// The smallest value within `radius` pixels along each axis (a square), of a picture so wide; what
/// lies outside does not count.
#[must_use]
pub fn minimum(values: &[u8], width: usize, radius: usize) -> Vec<u8> {
    let (w, h) = (width.max(1), values.len() / width.max(1));
    let lower = |(o, &v): (&mut u8, &u8)| *o = v.min(*o);
    let mut rows = values.to_vec();
    rows.par_chunks_mut(w).zip(values.par_chunks(w)).for_each(|(line, source)| {
        for d in 1..=radius.min(w - 1) {
            line[d..].iter_mut().zip(source).for_each(lower);
            line.iter_mut().zip(&source[d..]).for_each(lower);
        }
    });
    let mut out = rows.clone();
    out.par_chunks_mut(w).enumerate().for_each(|(y, line)| {
        for near in y.saturating_sub(radius)..(y + radius + 1).min(h) {
            line.iter_mut().zip(&rows[near * w..]).for_each(lower);
        }
    });
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn constants_stay_and_an_impulse_spreads_as_the_taps_say() {
        let p = Plane::filled(9, 7, 3.0);
        for v in binomial(&p).data() {
            assert!((v - 3.0).abs() < 1e-6);
        }
        let mut p = Plane::filled(9, 9, 0.0);
        p.set(4, 4, 1.0);
        let b = binomial(&p);
        assert!((b.at(4, 4) - 0.375 * 0.375).abs() < 1e-7);
        assert!((b.at(2, 5) - 0.0625 * 0.25).abs() < 1e-7);
    }

    #[test]
    fn the_version_without_allocation_agrees_also_with_dirty_scratch() {
        let p = Plane::from_fn(11, 6, |x, y| ((x * 7 + y * 5) % 13) as f32);
        let mut out = vec![9.0; 400];
        let mut scratch = BlurScratch { padded: vec![f32::NAN; 99] };
        binomial_into(p.data(), 11, &mut out, &mut scratch);
        for (a, b) in out.iter().zip(binomial(&p).data()) {
            assert!((a - b).abs() < 1e-5);
        }
    }

    #[test]
    fn three_points_are_taken_as_five_are() {
        let p = Plane::from_fn(11, 6, |x, y| ((x * 7 + y * 5) % 13) as f32);
        let mut out = vec![f32::NAN; 66];
        binomial_3_rows(p.data(), 11, &mut out, &mut BlurScratch { padded: vec![f32::NAN; 99] });
        for (a, b) in out.iter().zip(separable(&p, &[0.25, 0.5, 0.25]).data()) {
            assert!((a - b).abs() < 1e-5);
        }
    }

    #[test]
    fn a_box_is_the_mean_of_its_square_also_at_the_edges() {
        let (w, h) = (13, 11);
        let p = Plane::from_fn(w, h, |x, y| ((x * 7 + y * 5) % 13) as f32);
        let mut out = vec![f32::NAN; w * h];
        box_rows(p.data(), w, &mut out, &mut BlurScratch { padded: vec![f32::NAN; 99] });
        for (at, &found) in out.iter().enumerate() {
            let mut sum = 0.0;
            for (dx, dy) in (-4..=4).flat_map(|dy| (-4..=4).map(move |dx| (dx, dy))) {
                sum +=
                    p.at(clamp_index(signed(at % w) + dx, w), clamp_index(signed(at / w) + dy, h));
            }
            assert!((found - sum / 81.0).abs() < 1e-4, "{at}: {found}, {}", sum / 81.0);
        }
    }

    #[test]
    fn minimum_reaches_as_far_as_it_says() {
        let mut p = vec![1; 81];
        p[4 * 9 + 4] = 0;
        let m = minimum(&p, 9, 2);
        let at = |x: usize, y: usize| m[y * 9 + x];
        assert!(at(2, 6) == 0 && at(1, 4) == 1 && at(4, 7) == 1);
    }

    #[test]
    fn gaussian_kernel_has_its_spread() {
        let k = gaussian_kernel(2.0);
        let r = (k.len() / 2) as f32;
        let var: f32 = k.iter().enumerate().map(|(i, c)| c * (i as f32 - r).powi(2)).sum();
        assert!((var.sqrt() - 2.0).abs() < 0.05);
    }
}
