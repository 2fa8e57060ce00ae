//! A plane of fixed pattern taken apart into smooth, row, column and pixel terms, the pixel term
//! shrunk by how much of it is noise.
//!
//! Model: `m = smooth + row + column + q`, where `q = p + e`: `p` the sensor's own pixel pattern
//! with variance `t`, `e` what is left of temporal noise, variance `n`. The best linear estimate
//! of `p` is `k q` with `k = t / (t + n)`; its mean-square error is `k n`, never more than `n`,
//! and far less where the sensor is cleaner than the noise. Smooth, row and column terms are means
//! over so many pixels that they carry only `n (1/B^2 + 1/H + 1/W)`.
//!
//! A pixel more than 4 deviations out (hot, dusty) is no member of that family: it keeps its `q`
//! whole, with error `n`.
//! The shrinkage is the linear Bayes estimate; arithmetic.

use serde::{Deserialize, Serialize};

use super::robust::{MAD_TO_SIGMA, clipped_mean, median};
use crate::frame::Plane;
use crate::frame::convert::to_f32;

/// Deviations beyond which a pixel keeps its own value.
const OUTLIER: f32 = 4.0;

/// Variances of one plane's fixed pattern, in the plane's unit squared.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FixedPattern {
    /// Variance of the sensor's own pixel pattern.
    pub pixel: f64,
    /// Variance that temporal noise leaves in a pixel of the averaged stack.
    pub noise: f64,
    /// Share of `noise` that gets into the smooth, row and column terms.
    pub structure: f64,
}

impl FixedPattern {
    /// Share of the measured pixel term that is kept, 0 to 1.
    #[must_use]
    pub fn kept(&self) -> f64 {
        let all = self.pixel + self.noise;
        if all > 0.0 { self.pixel / all } else { 1.0 }
    }

    /// Standard uncertainty of one pixel of the estimate:
    /// `sqrt(pixel noise / (pixel + noise) + structure noise)`.
    #[must_use]
    pub fn sigma(&self) -> f64 {
        self.sigma_with(1.0)
    }

    /// The same had the stack been `times` as long.
    #[must_use]
    pub fn sigma_with(&self, times: f64) -> f64 {
        let noise = self.noise / times;
        let all = self.pixel + noise;
        let pixel = if all > 0.0 { self.pixel * noise / all } else { 0.0 };
        (pixel + self.structure * noise).sqrt()
    }
}

/// A plane taken apart.
pub(super) struct Split {
    /// Smooth, row and column terms and the shrunk pixel term together.
    pub(super) estimate: Plane,
    /// The pixel term as measured.
    pub(super) residual: Plane,
    /// Robust standard deviation of `residual`.
    pub(super) scale: f32,
    /// The variances behind it.
    pub(super) pattern: FixedPattern,
}

/// Takes `mean` apart; `noise` is the variance that temporal noise leaves in each pixel of it.
pub(super) fn split(mean: &Plane, noise: f64) -> Split {
    let floor = to_f32(noise.sqrt());
    let (smooth, side) = smooth_term(mean, floor);
    let mut residual = mean.clone();
    subtract(&mut residual, &smooth);
    let columns = line_terms(&residual, floor, true);
    let rows = line_terms(&residual, floor, false);
    let level = columns.iter().sum::<f32>() / to_f32(columns.len().max(1) as f64);
    for (y, row) in rows.iter().enumerate() {
        for (v, c) in residual.row_mut(y).iter_mut().zip(&columns) {
            // Both sets of lines hold the plane's mean; it is taken off once.
            *v -= c + row - level;
        }
    }
    let (scale, total) = spread(&residual);
    let (w, h) = (mean.width().max(1) as f64, mean.height().max(1) as f64);
    let pattern = FixedPattern {
        pixel: (total - noise).max(0.0),
        noise,
        structure: 1.0 / w + 1.0 / h + 1.0 / (side * side) as f64,
    };
    let keep = to_f32(pattern.kept());
    let reach = OUTLIER * to_f32(total.sqrt());
    let mut estimate = mean.clone();
    for (e, &q) in estimate.data_mut().iter_mut().zip(residual.data()) {
        if q.abs() <= reach {
            *e -= (1.0 - keep) * q;
        }
    }
    Split { estimate, residual, scale, pattern }
}

fn subtract(from: &mut Plane, what: &Plane) {
    for (a, b) in from.data_mut().iter_mut().zip(what.data()) {
        *a -= b;
    }
}

/// Robust sigma of a plane about its median, and its variance within 4 of those.
fn spread(plane: &Plane) -> (f32, f64) {
    let mut values: Vec<f32> = plane.data().to_vec();
    let centre = median(&mut values);
    values.iter_mut().for_each(|v| *v = (*v - centre).abs());
    let scale = MAD_TO_SIGMA * median(&mut values);
    let inside = values.iter().filter(|&&d| d <= OUTLIER * scale);
    let (mut sum, mut n) = (0.0_f64, 0_u64);
    for &d in inside {
        sum += f64::from(d) * f64::from(d);
        n += 1;
    }
    (scale, sum / (n.max(1) as f64))
}

/// Clipped mean of every column (or row).
fn line_terms(plane: &Plane, floor: f32, columns: bool) -> Vec<f32> {
    let (w, h) = (plane.width(), plane.height());
    let (lines, along) = if columns { (w, h) } else { (h, w) };
    let mut values = Vec::with_capacity(along);
    let mut scratch = Vec::with_capacity(along);
    (0..lines)
        .map(|line| {
            values.clear();
            if columns {
                values.extend((0..h).map(|y| plane.at(line, y)));
            } else {
                values.extend_from_slice(plane.row(line));
            }
            to_f32(clipped_mean(&values, &mut scratch, floor))
        })
        .collect()
}

/// Clipped means of blocks, joined by straight lines (carried on beyond the outer centres), and
/// the side of a block in pixels.
pub(super) fn smooth_term(plane: &Plane, floor: f32) -> (Plane, usize) {
    let (w, h) = (plane.width(), plane.height());
    let side = (w.min(h) / 8).clamp(8, 32);
    let xs = edges(w, side);
    let ys = edges(h, side);
    let mut values = Vec::with_capacity(side * side * 2);
    let mut scratch = Vec::new();
    let mut grid = Vec::with_capacity(xs.len() * ys.len());
    for y in ys.windows(2) {
        for x in xs.windows(2) {
            values.clear();
            for row in y[0]..y[1] {
                values.extend_from_slice(&plane.row(row)[x[0]..x[1]]);
            }
            grid.push(to_f32(clipped_mean(&values, &mut scratch, floor)));
        }
    }
    let across = xs.len() - 1;
    let places: Vec<(usize, f32)> = (0..w).map(|x| place(x, &xs)).collect();
    let mut out = Plane::filled(w, h, 0.0);
    for y in 0..h {
        let (j, v) = place(y, &ys);
        let below = &grid[j * across..];
        let above = &grid[(j + 1).min(ys.len() - 2) * across..];
        for (o, &(i, u)) in out.row_mut(y).iter_mut().zip(&places) {
            let next = (i + 1).min(across - 1);
            let a = below[i] + u * (below[next] - below[i]);
            let b = above[i] + u * (above[next] - above[i]);
            *o = a + v * (b - a);
        }
    }
    (out, side)
}

/// Edges of blocks of about `side` that cover `0..len`; at least one block.
fn edges(len: usize, side: usize) -> Vec<usize> {
    let n = (len / side).max(1);
    (0..=n).map(|i| i * len / n).collect()
}

/// Block before position `x` and how far on to the next centre it lies.
fn place(x: usize, edges: &[usize]) -> (usize, f32) {
    let blocks = edges.len() - 1;
    if blocks < 2 {
        return (0, 0.0);
    }
    // Twice the centre, so that it is a whole number.
    let centre = |i: usize| edges[i] + edges[i + 1] - 1;
    let mut i = 0;
    while i + 2 < blocks && centre(i + 1) <= 2 * x {
        i += 1;
    }
    let (a, b) = (centre(i) as f64, centre(i + 1) as f64);
    (i, to_f32((2.0 * x as f64 - a) / (b - a)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, Normal};

    fn rms(a: &Plane, b: &Plane) -> f64 {
        let sum: f64 =
            a.data().iter().zip(b.data()).map(|(x, y)| f64::from((x - y) * (x - y))).sum();
        (sum / a.data().len() as f64).sqrt()
    }

    #[test]
    fn a_plane_of_straight_lines_is_all_structure() {
        let p = Plane::from_fn(70, 50, |x, y| to_f32(3.0 + 0.1 * x as f64 - 0.2 * y as f64));
        let s = split(&p, 0.0);
        assert!(rms(&s.estimate, &p) < 1e-5);
        assert!(s.residual.data().iter().all(|q| q.abs() < 1e-4), "{}", s.scale);
    }

    #[test]
    fn shrinkage_beats_the_plain_mean_and_states_its_error() {
        // Pattern: 1 a pixel, 2 a column, a slope; noise left in the mean: 2.
        let mut rng = ChaCha8Rng::seed_from_u64(7);
        let normal = Normal::new(0.0_f32, 1.0).unwrap();
        let columns: Vec<f32> = (0..192).map(|_| 2.0 * normal.sample(&mut rng)).collect();
        let truth = Plane::from_fn(192, 160, |x, y| {
            100.0 + 0.02 * to_f32(y as f64) + columns[x] + normal.sample(&mut rng)
        });
        let mut seen = truth.clone();
        seen.data_mut().iter_mut().for_each(|v| *v += 2.0 * normal.sample(&mut rng));
        let s = split(&seen, 4.0);
        let error = rms(&s.estimate, &truth);
        // Linear Bayes: sqrt(1 * 4 / 5) = 0.894, and a little for structure.
        assert!((error - s.pattern.sigma()).abs() < 0.03 * error, "{error} {:?}", s.pattern);
        assert!(error < 0.95 && rms(&seen, &truth) > 1.9);
    }

    #[test]
    fn a_hot_pixel_keeps_its_height() {
        let mut p = Plane::filled(64, 64, 10.0);
        p.set(20, 30, 90.0);
        let s = split(&p, 1.0);
        assert!((s.estimate.at(20, 30) - 90.0).abs() < 1e-3);
        assert!((s.estimate.at(21, 30) - 10.0).abs() < 1e-3);
    }
}
