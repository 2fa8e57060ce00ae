//! Maximum likelihood of a shifted template against one raw frame.
//!
//! ```text
//! I(x) = a T(x - p) + noise,   var = slope a T s + floor s^2      (see PixelNoise)
//! J = sum w g g^T,  b = sum w g r,  g = -a grad T(x - p),  r = I - a T(x - p),  w = still / var
//! ```
//!
//! p and the light a are fitted together by Gauss-Newton steps; the template is shifted, never
//! the noisy frame, and it and its slopes are read from half-pixel patches (see
//! [`super::patch`]). Sums are kept for each patch so that a tile that does not fit can be left
//! out: one whose misfit is far above that of the others, and, softly, one whose own shift
//! disagrees (weight (1 + m^2 / 25)^-2, m its distance in standard deviations). The inverse of
//! the information J is the covariance of p; it is widened by the misfit of the tiles used.
//!
//! A frame is part of the template it is fitted to, and its own noise there pulls it to where it
//! was put when the template was made: by the part `own` of the information. That pull is
//! known, and taken off; without it a frame keeps up to half of its first error at low light.
//!
//! Pixels: only still ones (mask of the patches), four pixels or more inside the frame, with data
//! and not saturated.

use rayon::prelude::*;

use super::patch::{AHEAD, HALF, Patch, SIDE, TILE};
use super::{LEAST_VARIANCE, PixelNoise};
use crate::frame::convert::{floor_isize, round_isize, signed, to_f32};
use crate::frame::{Coding, FixedPlane, Plane};
use crate::math::linear::{Sym2, solve};
use crate::math::resample::{BEFORE, TAPS, fine_taps};
use crate::math::robust::quantile;

/// Pixels at the border of frame and template that are not used.
const BORDER: usize = 4;
/// Soft limit of a tile's disagreement, in squared standard deviations.
const SOFT: f64 = 25.0;
/// Mean weight of a tile in order: mean of (1 + m^2 / 25)^-2 for m^2 of two degrees of freedom.
const USUAL_WEIGHT: f64 = 0.86;
/// Limit of a tile's misfit above the lower quartile, in standard deviations.
const MISFIT: f64 = 5.0;
/// The fit has settled when a step is shorter than this, in pixels.
const SETTLED: f64 = 1e-4;
/// Steps at the most.
const STEPS: usize = 8;
/// How fast the model's slope changes, per pixel (2 pi times 0.5 cycles a pixel at the worst).
const CURVE: f64 = 3.0;
/// What is left by steps not taken, as a part of the uncertainty: adds 0.5 % to the error at the
/// very most.
const PART: f64 = 0.1;

/// What a frame is fitted to.
#[derive(Debug, Clone, Copy)]
pub struct Target<'a> {
    /// The low-noise picture of the scene, piece by piece.
    pub patches: &'a [Patch],
    /// Noise of the frames.
    pub noise: &'a PixelNoise,
    /// Factor on the noise variance (1 for a raw frame).
    pub variance_factor: f32,
    /// What the sensor adds to every frame, to be taken off.
    pub fixed: Option<&'a Plane>,
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

/// Sums of a tile's pixels, column by column.
type Columns = [[f32; TILE]; SUMS];
/// Number of sums.
const SUMS: usize = 11;

/// Working memory of one thread.
#[derive(Debug, Clone)]
pub struct FitScratch {
    columns: Box<Columns>,
    tiles: Vec<Sums>,
}

impl Default for FitScratch {
    fn default() -> Self {
        Self { columns: Box::new([[0.0; TILE]; SUMS]), tiles: Vec::new() }
    }
}

/// Fits one frame; `start` is a first guess of shift and light.
/// `None` where too little is left to fit or the fit runs away.
pub fn fit_frame(
    frame: &FixedPlane,
    target: &Target<'_>,
    start: ([f64; 2], f64),
    scratch: &mut FitScratch,
) -> Option<Fit> {
    fit_frame_above(frame, target, start, 1e-6, scratch)
}

/// The same where `target.noise` is only an upper bound to the noise, which may be far lower in
/// parts (frames that were averaged): tiles are held against at least `usual` times the bound.
pub fn fit_frame_above(
    frame: &FixedPlane,
    target: &Target<'_>,
    start: ([f64; 2], f64),
    usual: f64,
    scratch: &mut FitScratch,
) -> Option<Fit> {
    let mut search = Search::new(start);
    for _ in 0..STEPS {
        let moved = Moved::new(search.shift);
        let mut tiles = std::mem::take(&mut scratch.tiles);
        tiles.clear();
        tiles.extend(
            target
                .patches
                .iter()
                .map(|patch| tile_sums(frame, target, patch, (&moved, search.light), scratch)),
        );
        search.step(&mut tiles, target, (usual, frame.width * frame.height));
        scratch.tiles = tiles;
        let settled = search.last < SETTLED;
        if search.lost || settled {
            break;
        }
    }
    search.found()
}

/// Fits many frames, each from its own first guess of shift and light, to one target.
///
/// All frames take their steps together, patch by patch: a patch is read from memory once for
/// all of them. A frame takes no further step where that could not change its shift by more than
/// a tenth of its uncertainty. `None` as in [`fit_frame`], and for frames that are missing.
#[must_use]
pub fn fit_frames(
    frames: &[Option<&FixedPlane>],
    target: &Target<'_>,
    starts: &[Option<([f64; 2], f64)>],
) -> Vec<Option<Fit>> {
    let mut all: Vec<Option<Search>> = starts.iter().map(|s| (*s).map(Search::new)).collect();
    for _ in 0..STEPS {
        let going: Vec<(usize, &FixedPlane, Search)> = frames
            .iter()
            .zip(&all)
            .enumerate()
            .filter_map(|(k, (f, s))| Some((k, (*f)?, (*s)?)))
            .filter(|(_, _, s)| !s.lost && !s.close())
            .collect();
        if going.is_empty() {
            break;
        }
        let moved: Vec<Moved> = going.iter().map(|(_, _, s)| Moved::new(s.shift)).collect();
        let sums: Vec<Vec<Sums>> = target
            .patches
            .par_iter()
            .map_init(FitScratch::default, |scratch, patch| {
                going
                    .iter()
                    .zip(&moved)
                    .map(|((_, f, s), m)| tile_sums(f, target, patch, (m, s.light), scratch))
                    .collect()
            })
            .collect();
        let next: Vec<(usize, Search)> = going
            .par_iter()
            .enumerate()
            .map_init(Vec::new, |tiles, (i, &(k, frame, mut search))| {
                tiles.clear();
                tiles.extend(sums.iter().map(|patch| patch[i]));
                search.step(tiles, target, (1e-6, frame.width * frame.height));
                (k, search)
            })
            .collect();
        for (k, search) in next {
            all[k] = Some(search);
        }
    }
    all.into_iter().zip(frames).map(|(s, f)| f.and(s?.found())).collect()
}

/// A fit on its way.
#[derive(Debug, Clone, Copy)]
struct Search {
    start: [f64; 2],
    shift: [f64; 2],
    light: f64,
    fit: Option<Fit>,
    /// Length of the last step along its longer axis, in pixels.
    last: f64,
    /// The part of the information that comes from the frame's own noise.
    own: f64,
    lost: bool,
}

impl Search {
    fn new((start, light): ([f64; 2], f64)) -> Self {
        let last = f64::INFINITY;
        Self { start, shift: start, light, fit: None, last, own: 0.0, lost: false }
    }

    fn found(self) -> Option<Fit> {
        if self.lost { None } else { self.fit }
    }

    /// Whether what is left after the last step is too little to matter. A step of length s that
    /// takes the model's slope as constant leaves about [`CURVE`] s sigma (the noise has a slope
    /// of its own) and the square of [`CURVE`] times the third power of s (errors of even order
    /// cancel over a texture, as a correlation is even about its peak); and the pull of own noise
    /// is one step behind.
    fn close(&self) -> bool {
        let sigma = self.fit.map_or(0.0, |f| f.sigma[0].max(f.sigma[1]));
        let cubic = CURVE * self.last * self.last;
        self.last < SETTLED || self.last * (CURVE * (cubic + sigma) + self.own) < PART * sigma
    }

    /// One step from the sums of all tiles at the present shift, less what a frame's own noise in
    /// the template pulls back to where the frame was put before.
    fn step(&mut self, tiles: &mut [Sums], target: &Target<'_>, (usual, area): (f64, usize)) {
        let gone = [0, 1].map(|a| self.shift[a] - self.start[a]);
        let (mut own, mut all) = (0.0, 0.0);
        for (t, p) in tiles.iter_mut().zip(target.patches) {
            let back = t.info.times(gone);
            t.pull = [0, 1].map(|a| t.pull[a] + p.own * back[a]);
            own += p.own * p.information;
            all += p.information;
        }
        self.own = own / f64::max(all, 1e-30);
        let Some(step) = combine(tiles, usual) else {
            self.lost = true;
            return;
        };
        self.shift = [0, 1].map(|a| self.shift[a] + step.move_by[a]);
        self.light += step.light_by * self.light;
        self.last = step.move_by[0].abs().max(step.move_by[1].abs());
        let reach = [0, 1].map(|a| (self.shift[a] - self.start[a]).abs());
        self.lost = !(reach[0].max(reach[1]) < 8.0 && self.light > 0.05 && self.light < 20.0);
        self.fit = Some(Fit {
            shift: self.shift,
            light: self.light,
            sigma: step.sigma,
            misfit: step.misfit,
            used: step.pixels / area as f64,
        });
    }
}

/// The sums of one patch.
fn tile_sums(
    frame: &FixedPlane,
    target: &Target<'_>,
    patch: &Patch,
    (moved, light): (&Moved, f64),
    scratch: &mut FitScratch,
) -> Sums {
    for c in scratch.columns.iter_mut() {
        c.fill(0.0);
    }
    let part = Part { frame, target, patch, light: to_f32(light) };
    part.add(moved, &mut scratch.columns);
    reduce(&scratch.columns)
}

/// A shift, as the patches take it.
struct Moved {
    /// Whole pixels.
    whole: [isize; 2],
    /// Half-pixel sample of the first tap for the tile's first pixel.
    first: [usize; 2],
    taps: [[f32; TAPS]; 2],
}

impl Moved {
    fn new(shift: [f64; 2]) -> Self {
        let whole = shift.map(round_isize);
        // Where pixel 0 of the tile reads the template, in half pixels: from -1 to 1.
        let at = [0, 1].map(|a| (2.0 * (whole[a] as f64 - shift[a])).clamp(-1.0, 1.0));
        let base = at.map(floor_isize);
        let sample = |v: isize| (signed(AHEAD) + v).unsigned_abs();
        Self {
            whole,
            first: base.map(|b| sample(b - signed(BEFORE))),
            taps: [0, 1].map(|a| fine_taps(at[a] - base[a] as f64)),
        }
    }
}

/// The rows, or columns, of a tile that lie in a frame of this length by `BORDER` pixels.
fn inside(corner: usize, whole: isize, length: usize) -> (usize, usize) {
    let start = signed(corner) + whole;
    let low = (signed(BORDER) - start).clamp(0, signed(TILE));
    let high = (signed(length) - signed(BORDER) - start).clamp(low, signed(TILE));
    (low.unsigned_abs(), high.unsigned_abs())
}

/// One patch against one frame.
struct Part<'a> {
    frame: &'a FixedPlane,
    target: &'a Target<'a>,
    patch: &'a Patch,
    light: f32,
}

impl Part<'_> {
    fn add(&self, moved: &Moved, columns: &mut Columns) {
        let corner = self.patch.corner;
        let (x0, x1) = inside(corner[0], moved.whole[0], self.frame.width);
        let (y0, y1) = inside(corner[1], moved.whole[1], self.frame.height);
        if x0 >= x1 {
            return;
        }
        for i in y0..y1 {
            let mut still = [0.0; TILE];
            still[x0..x1].copy_from_slice(&self.patch.still[i * TILE + x0..i * TILE + x1]);
            let y = (signed(corner[1] + i) + moved.whole[1]).unsigned_abs();
            let x = (signed(corner[0] + x0) + moved.whole[0]).unsigned_abs();
            let mut seen = [0.0; TILE];
            let mut factor = [1.0; TILE];
            let coding = self.frame.coding;
            let codes = &self.frame.row(y)[x..x + x1 - x0];
            for ((v, s), &code) in seen[x0..x1].iter_mut().zip(&mut still[x0..x1]).zip(codes) {
                *v = coding.decode(code);
                if code == Coding::MISSING || code == Coding::SATURATED {
                    *s = 0.0;
                }
            }
            if let Some(f) = &self.target.noise.factor {
                factor[x0..x1].copy_from_slice(&f.row(y)[x..x + x1 - x0]);
            }
            if let Some(f) = self.target.fixed {
                for (v, f) in seen[x0..x1].iter_mut().zip(&f.row(y)[x..]) {
                    *v -= f;
                }
            }
            let row = Row { seen, still, factor, model: interpolated(&self.patch.value, i, moved) };
            let slopes =
                [&self.patch.slope_x, &self.patch.slope_y].map(|s| interpolated(s, i, moved));
            self.add_row(&row, &slopes, columns);
        }
    }

    fn add_row(&self, row: &Row, [slope_x, slope_y]: &[[f32; TILE]; 2], columns: &mut Columns) {
        let a = self.light;
        let noise = self.target.noise;
        let (slope, floor) = (noise.slope, noise.floor);
        let scale = 1.0 / self.target.variance_factor;
        let [xx, xy, yy, bx, by, mx, my, mm, mr, e, count] = columns;
        for i in 0..TILE {
            let s = row.factor[i];
            let m = a * row.model[i];
            let good = row.still[i];
            let variance = (slope * m.max(0.0) * s + floor * s * s).max(LEAST_VARIANCE);
            let weight = good * scale / variance;
            let (gx, gy) = (-a * slope_x[i], -a * slope_y[i]);
            let r = row.seen[i] - m;
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

/// Row `i` of a tile, moved.
fn interpolated(samples: &[f32], i: usize, moved: &Moved) -> [f32; TILE] {
    let (rows, _) = samples.as_chunks::<SIDE>();
    let Some(r) = rows[2 * i + moved.first[1]..].first_chunk::<TAPS>() else {
        return [0.0; TILE];
    };
    // All taps at once, so that sums stay in registers.
    let mut across = [0.0_f32; SIDE];
    let t = moved.taps[1];
    for (x, a) in across.iter_mut().enumerate() {
        *a = t[0] * r[0][x]
            + t[1] * r[1][x]
            + t[2] * r[2][x]
            + t[3] * r[3][x]
            + t[4] * r[4][x]
            + t[5] * r[5][x]
            + t[6] * r[6][x]
            + t[7] * r[7][x];
    }
    let s: [&[f32]; TAPS] = std::array::from_fn(|j| {
        let sample = moved.first[0] + j;
        let at = (sample % 2) * HALF + sample / 2;
        &across[at..at + TILE]
    });
    let mut out = [0.0; TILE];
    let t = moved.taps[0];
    for (x, o) in out.iter_mut().enumerate() {
        *o = t[0] * s[0][x]
            + t[1] * s[1][x]
            + t[2] * s[2][x]
            + t[3] * s[3][x]
            + t[4] * s[4][x]
            + t[5] * s[5][x]
            + t[6] * s[6][x]
            + t[7] * s[7][x];
    }
    out
}

/// One row of a tile.
struct Row {
    seen: [f32; TILE],
    still: [f32; TILE],
    factor: [f32; TILE],
    model: [f32; TILE],
}

/// Column sums of a tile to the sums of the tile.
fn reduce(columns: &Columns) -> Sums {
    let total = |k: usize| -> f64 { columns[k].iter().map(|&v| f64::from(v)).sum() };
    Sums {
        info: Sym2 { xx: total(0), xy: total(1), yy: total(2) },
        pull: [total(3), total(4)],
        mix: [total(5), total(6)],
        light_info: total(7),
        light_pull: total(8),
        misfit: total(9),
        pixels: total(10),
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
fn combine(tiles: &[Sums], least: f64) -> Option<Step> {
    let some: Vec<&Sums> = tiles.iter().filter(|t| t.pixels >= 16.0).collect();
    let mut ratios: Vec<f32> = some.iter().map(|t| to_f32(t.misfit / t.pixels)).collect();
    let usual = f64::from(quantile(&mut ratios, 0.25)?).max(least);
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
        // On average the soft limit takes 14 % off the weight of a tile that is in order, which
        // costs hardly any precision; only what lies below counts as lost.
        info.add(t.info, (*w / USUAL_WEIGHT).min(1.0));
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
    use super::super::patch::patches;
    use super::*;
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
        let patches = patches(&template, &still, &noise, (None, 1.0));
        let target = Target { patches: &patches, noise: &noise, variance_factor: 1.0, fixed: None };
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
        let patches = patches(&template, &still, &noise, (None, 1.0));
        let target = Target { patches: &patches, noise: &noise, variance_factor: 1.0, fixed: None };
        assert!(fit_frame(&frame, &target, ([0.0; 2], 1.0), &mut FitScratch::default()).is_none());
    }
}
