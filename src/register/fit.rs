//! Maximum likelihood of a shifted template against one raw frame.
//!
//! ```text
//! I(x) = a T(x - p) + noise,   var = slope a T s + floor s^2      (see PixelNoise)
//! J = sum w g g^T,  b = sum w g r,  g = -a grad T(x - p),  r = I - a T(x - p),  w = still / var
//! ```
//!
//! p and the light a are fitted together by Gauss-Newton steps; the template is shifted, never
//! the noisy frame. Sums are kept for tiles of 32 pixels so that a tile that does not fit can be
//! left out: one whose misfit is far above that of the others, and, softly, one whose own shift
//! disagrees (weight (1 + m^2 / 25)^-2, m its distance in standard deviations). The inverse of
//! the information J is the covariance of p; it is widened by the misfit of the tiles used.
//!
//! Pixels: only still ones (mask of the template), whose place lies inside template and frame by
//! four pixels. Cost: about 6 ns a pixel and iteration.

use super::PixelNoise;
use crate::frame::convert::{round_isize, signed, to_f32};
use crate::frame::{FixedPlane, Plane};
use crate::math::linear::{Sym2, solve};
use crate::math::resample::{RowScratch, Shift, shifted_row};
use crate::math::robust::quantile;

/// Side of the tiles whose sums are kept apart.
const TILE: usize = 32;
/// Pixels at the border of frame and template that are not used.
const BORDER: usize = 4;
/// Soft limit of a tile's disagreement, in squared standard deviations.
const SOFT: f64 = 25.0;
/// Limit of a tile's misfit above the lower quartile, in standard deviations.
const MISFIT: f64 = 5.0;
/// The fit has settled when a step is shorter than this, in pixels.
const SETTLED: f64 = 1e-4;
/// Steps at the most.
const STEPS: usize = 8;

/// What a frame is fitted to.
#[derive(Debug, Clone, Copy)]
pub struct Target<'a> {
    /// The low-noise picture of the scene, in reference coordinates.
    pub template: &'a Plane,
    /// 1 for still pixels, 0 for others; of the template's size.
    pub still: &'a [u8],
    /// Noise of the frames.
    pub noise: &'a PixelNoise,
    /// Factor on the noise variance (1 for a raw frame).
    pub variance_factor: f32,
}

/// The outcome of a fit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fit {
    /// Shift of the scene in the frame against the template, in pixels.
    pub shift: [f64; 2],
    /// Light of the frame relative to the template.
    pub light: f64,
    /// Standard uncertainty of the shift along x and y, in pixels.
    pub sigma: [f64; 2],
    /// Mean squared misfit of the used tiles in units of the noise (1 when all is as modelled).
    pub misfit: f64,
    /// Part of the frame's pixels that was used.
    pub used: f64,
}

/// Sums of one tile.
#[derive(Debug, Clone, Copy, Default)]
struct Sums {
    info: Sym2,
    pull: [f64; 2],
    /// Sum of w g M / a: how light and shift mix.
    mix: [f64; 2],
    light_info: f64,
    light_pull: f64,
    misfit: f64,
    pixels: f64,
}

/// Working memory of one thread.
#[derive(Debug, Clone, Default)]
pub struct FitScratch {
    model: Vec<f32>,
    columns: Vec<f32>,
    row: RowScratch,
    tiles: Vec<Sums>,
}

/// Number of column sums kept while a band is gone through.
const SUMS: usize = 11;

/// Fits one frame; `start` is a first guess of shift and light.
/// `None` where too little is left to fit or the fit runs away.
pub fn fit_frame(
    frame: &FixedPlane,
    target: &Target<'_>,
    start: ([f64; 2], f64),
    scratch: &mut FitScratch,
) -> Option<Fit> {
    let (mut shift, mut light) = start;
    let mut fit = None;
    for _ in 0..STEPS {
        tile_sums(frame, target, (shift, light), scratch);
        let step = combine(&scratch.tiles)?;
        shift = [shift[0] + step.move_by[0], shift[1] + step.move_by[1]];
        light += step.light_by * light;
        let reach = (shift[0] - start.0[0]).abs().max((shift[1] - start.0[1]).abs());
        if !(reach < 8.0 && light > 0.05 && light < 20.0) {
            return None;
        }
        fit = Some(Fit {
            shift,
            light,
            sigma: step.sigma,
            misfit: step.misfit,
            used: step.pixels / (frame.width * frame.height) as f64,
        });
        if step.move_by[0].abs().max(step.move_by[1].abs()) < SETTLED {
            break;
        }
    }
    fit
}

/// Goes through the frame band by band and leaves the sums of all tiles in the scratch.
fn tile_sums(
    frame: &FixedPlane,
    target: &Target<'_>,
    (shift, light): ([f64; 2], f64),
    scratch: &mut FitScratch,
) {
    let (w, h) = (frame.width, frame.height);
    let kernel = Shift::new(-shift[0], -shift[1]);
    let whole = [round_isize(shift[0]), round_isize(shift[1])];
    let tiles_across = w.div_ceil(TILE);
    scratch.tiles.clear();
    scratch.tiles.resize(tiles_across * h.div_ceil(TILE), Sums::default());
    scratch.columns.resize(SUMS * w, 0.0);
    scratch.model.resize((TILE + 4) * w, 0.0);
    for (band, y0) in (0..h).step_by(TILE).enumerate() {
        let y1 = (y0 + TILE).min(h);
        if !band_has_still(target, whole, (y0, y1)) {
            continue;
        }
        for (i, line) in scratch.model.chunks_exact_mut(w).take(y1 - y0 + 4).enumerate() {
            let y = signed(y0 + i) - 2;
            shifted_row(target.template.into(), &kernel, (0, y), line, &mut scratch.row);
        }
        scratch.columns.fill(0.0);
        for y in y0.max(BORDER)..y1.min(h.saturating_sub(BORDER)) {
            let model: [&[f32]; 5] =
                std::array::from_fn(|i| &scratch.model[(y - y0 + i) * w..(y - y0 + i + 1) * w]);
            let row = RowInput { frame, target, whole, light: to_f32(light), y };
            row.add(&model, &mut scratch.columns);
        }
        reduce(&scratch.columns, w, &mut scratch.tiles[band * tiles_across..]);
    }
}

/// Whether any pixel of a band of rows is still.
fn band_has_still(target: &Target<'_>, whole: [isize; 2], (y0, y1): (usize, usize)) -> bool {
    let (w, h) = (target.template.width(), target.template.height());
    let at = |y: usize| (signed(y) - whole[1]).clamp(0, signed(h));
    let (a, b) = (at(y0).unsigned_abs(), at(y1).unsigned_abs());
    target.still[a * w..b * w].iter().any(|&s| s != 0)
}

/// What is needed to add one row of a frame to the column sums.
struct RowInput<'a> {
    frame: &'a FixedPlane,
    target: &'a Target<'a>,
    whole: [isize; 2],
    light: f32,
    y: usize,
}

impl RowInput<'_> {
    /// The columns of this row that can be used, and the mask there.
    fn usable(&self) -> Option<(usize, usize, &[u8])> {
        let (tw, th) = (self.target.template.width(), self.target.template.height());
        let ty = signed(self.y) - self.whole[1];
        if ty < signed(BORDER) || ty >= signed(th) - signed(BORDER) {
            return None;
        }
        let x0 = (signed(BORDER) + self.whole[0]).max(signed(BORDER));
        let x1 = (signed(tw) - signed(BORDER) + self.whole[0])
            .min(signed(self.frame.width) - signed(BORDER));
        if x1 <= x0 {
            return None;
        }
        let start = ty.unsigned_abs() * tw + (x0 - self.whole[0]).unsigned_abs();
        let length = (x1 - x0).unsigned_abs();
        Some((x0.unsigned_abs(), length, &self.target.still[start..start + length]))
    }

    /// Adds the row; `model` holds template rows y-2 to y+2.
    fn add(&self, model: &[&[f32]; 5], columns: &mut [f32]) {
        let Some((x0, n, still)) = self.usable() else { return };
        let w = self.frame.width;
        let codes = &self.frame.row(self.y)[x0..x0 + n];
        let coding = self.frame.coding;
        let noise = self.target.noise;
        let factor = noise.factor.as_ref().map(|f| &f.row(self.y)[x0..x0 + n]);
        let (slope, floor) = (noise.slope, noise.floor);
        let a = self.light;
        let (m2, m1, m0, p1, p2) = (model[0], model[1], model[2], model[3], model[4]);
        let mut sums = columns.chunks_exact_mut(w).map(|c| &mut c[x0..x0 + n]);
        let mut next = || sums.next().unwrap_or_default();
        let (xx, xy, yy, bx, by) = (next(), next(), next(), next(), next());
        let (mx, my, mm, mr, e, count) = (next(), next(), next(), next(), next(), next());
        for i in 0..n {
            let x = x0 + i;
            let s = factor.map_or(1.0, |f| f[i]);
            let m = a * m0[x];
            let v = (slope * m.max(0.0) * s + floor * s * s) * self.target.variance_factor;
            let good = f32::from(still[i]);
            let weight = good / v;
            let gx = -a * (8.0 * (m0[x + 1] - m0[x - 1]) - (m0[x + 2] - m0[x - 2])) / 12.0;
            let gy = -a * (8.0 * (p1[x] - m1[x]) - (p2[x] - m2[x])) / 12.0;
            let r = (f32::from(codes[i]) - coding.zero) * coding.step - m;
            let (wgx, wgy, wm) = (weight * gx, weight * gy, weight * m);
            xx[i] += wgx * gx;
            xy[i] += wgx * gy;
            yy[i] += wgy * gy;
            bx[i] += wgx * r;
            by[i] += wgy * r;
            mx[i] += wgx * m;
            my[i] += wgy * m;
            mm[i] += wm * m;
            mr[i] += wm * r;
            e[i] += weight * r * r;
            count[i] += good;
        }
    }
}

/// Column sums of a band to the sums of its tiles.
fn reduce(columns: &[f32], width: usize, tiles: &mut [Sums]) {
    for (t, x0) in (0..width).step_by(TILE).enumerate() {
        let x1 = (x0 + TILE).min(width);
        let total = |k: usize| -> f64 {
            columns[k * width + x0..k * width + x1].iter().map(|&v| f64::from(v)).sum()
        };
        tiles[t] = Sums {
            info: Sym2 { xx: total(0), xy: total(1), yy: total(2) },
            pull: [total(3), total(4)],
            mix: [total(5), total(6)],
            light_info: total(7),
            light_pull: total(8),
            misfit: total(9),
            pixels: total(10),
        };
    }
}

/// One Gauss-Newton step.
struct Step {
    move_by: [f64; 2],
    light_by: f64,
    sigma: [f64; 2],
    misfit: f64,
    pixels: f64,
}

/// Puts the tiles together, leaving out those that do not fit.
fn combine(tiles: &[Sums]) -> Option<Step> {
    let some: Vec<&Sums> = tiles.iter().filter(|t| t.pixels >= 16.0).collect();
    let mut ratios: Vec<f32> = some.iter().map(|t| to_f32(t.misfit / t.pixels)).collect();
    let usual = f64::from(quantile(&mut ratios, 0.25)?).max(1e-6);
    let mut scores: Vec<f32> = some.iter().map(|t| to_f32(score(t, usual))).collect();
    let low = f64::from(quantile(&mut scores, 0.25)?);
    let kept: Vec<&Sums> = some.into_iter().filter(|t| score(t, usual) <= low + MISFIT).collect();
    let mut weights = vec![1.0; kept.len()];
    let mut step = [0.0; 3];
    for _ in 0..5 {
        step = solve_weighted(&kept, &weights)?;
        for (w, t) in weights.iter_mut().zip(&kept) {
            *w = agreement(t, step, usual);
        }
    }
    let mut info = Sym2::default();
    let (mut misfit, mut pixels, mut mean_weight) = (0.0, 0.0, 0.0);
    for (w, t) in weights.iter().zip(&kept) {
        info.add(t.info, *w);
        misfit += w * t.misfit;
        pixels += t.pixels;
        mean_weight += w * t.pixels;
    }
    let misfit = misfit / mean_weight.max(1e-9);
    let covariance = info.inverse()?;
    let widen = misfit.max(1.0).sqrt();
    Some(Step {
        move_by: [step[0], step[1]],
        light_by: step[2],
        sigma: [covariance.xx.sqrt() * widen, covariance.yy.sqrt() * widen],
        misfit,
        pixels,
    })
}

/// How far a tile's misfit lies above what its pixel count allows, in standard deviations.
fn score(t: &Sums, usual: f64) -> f64 {
    (t.misfit / usual - t.pixels) / (2.0 * t.pixels).sqrt()
}

/// Shift and relative light of all tiles together.
fn solve_weighted(tiles: &[&Sums], weights: &[f64]) -> Option<[f64; 3]> {
    let mut a = vec![vec![0.0; 3]; 3];
    let mut b = vec![0.0; 3];
    for (t, &w) in tiles.iter().zip(weights) {
        a[0][0] += w * t.info.xx;
        a[0][1] += w * t.info.xy;
        a[1][1] += w * t.info.yy;
        a[0][2] += w * t.mix[0];
        a[1][2] += w * t.mix[1];
        a[2][2] += w * t.light_info;
        b[0] += w * t.pull[0];
        b[1] += w * t.pull[1];
        b[2] += w * t.light_pull;
    }
    (a[1][0], a[2][0], a[2][1]) = (a[0][1], a[0][2], a[1][2]);
    // Without texture along some direction there is no shift to be had.
    Sym2 { xx: a[0][0], xy: a[0][1], yy: a[1][1] }.inverse()?;
    let x = solve(a, b)?;
    Some([x[0], x[1], x[2]])
}

/// Weight of a tile by how well its own shift agrees with the common one.
fn agreement(t: &Sums, step: [f64; 3], usual: f64) -> f64 {
    let Some(inverse) = t.info.inverse() else { return 1.0 };
    let moved = t.info.times([step[0], step[1]]);
    let left =
        [t.pull[0] - moved[0] - t.mix[0] * step[2], t.pull[1] - moved[1] - t.mix[1] * step[2]];
    let v = inverse.times(left);
    let distance = (left[0] * v[0] + left[1] * v[1]) / usual;
    (1.0 + distance / SOFT).powi(-2)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::Coding;
    use crate::frame::NoiseModel;

    fn scene(x: f64, y: f64) -> f32 {
        to_f32(
            500.0
                + 120.0 * libm::sin(0.7 * x + 0.3 * y)
                + 90.0 * libm::cos(0.45 * y - 0.6 * x + 0.02 * x * y / 10.0),
        )
    }

    #[test]
    fn recovers_a_shift_and_the_light_without_noise() {
        let template = Plane::from_fn(160, 128, |x, y| scene(x as f64, y as f64));
        let p = [1.37, -0.82];
        let seen = Plane::from_fn(160, 128, |x, y| 0.93 * scene(x as f64 - p[0], y as f64 - p[1]));
        let frame = FixedPlane::from_plane(&seen, None, Coding::for_white(4095.0));
        let still = vec![1; 160 * 128];
        let noise = PixelNoise::new(&NoiseModel { gain_e_per_dn: 1.0, read_noise_e: 8.0 });
        let target =
            Target { template: &template, still: &still, noise: &noise, variance_factor: 1.0 };
        let fit = fit_frame(&frame, &target, ([0.9, -0.4], 1.0), &mut FitScratch::default());
        let fit = fit.unwrap();
        // Limit: response of the kernel (-50 dB) and of the five-point derivative.
        assert!((fit.shift[0] - p[0]).abs() < 2e-3, "{fit:?}");
        assert!((fit.shift[1] - p[1]).abs() < 2e-3, "{fit:?}");
        assert!((fit.light - 0.93).abs() < 1e-4, "{fit:?}");
    }

    #[test]
    fn a_picture_without_texture_gives_no_answer() {
        let template = Plane::filled(96, 96, 300.0);
        let frame = FixedPlane::from_plane(&template, None, Coding::for_white(4095.0));
        let noise = PixelNoise::new(&NoiseModel { gain_e_per_dn: 1.0, read_noise_e: 8.0 });
        let still = vec![1; 96 * 96];
        let target =
            Target { template: &template, still: &still, noise: &noise, variance_factor: 1.0 };
        assert!(fit_frame(&frame, &target, ([0.0; 2], 1.0), &mut FitScratch::default()).is_none());
    }
}
