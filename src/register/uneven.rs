//! Light that changes unevenly over the picture: lamps whose ripples have different phases.
//!
//! The light of frame k is `a_k L_k(x)` with
//!
//! ```text
//! L_k(u, v) = 1 + sum_j c_kj P_m(u) P_n(v),    m + n from 1 to 3,    u, v = -1 to 1 over the frame
//! ```
//!
//! P are Legendre polynomials: a ramp from side to side is one of them, and a lamp's fall over the
//! frame takes few. For each frame the gains of tiles (8 along the longer side) against the clip's
//! template, `sum w I T / sum w T^2` with `w = 1 / variance`, are fitted by a_k and c_kj in least
//! squares that are weighted again until what does not agree counts no more: first tile by tile
//! in a frame, then tiles that disagree over all frames. So no mask of still pixels is needed at
//! first, which would take what the lamps light unevenly for movement; parts that move are such
//! tiles, as long as they fill less than a third or so. Once frames are even, still pixels are told
//! apart, and only these are used.
//!
//! Whether it matters is asked once, of the clip's first block ([`matters`]), with a part of its
//! pixels: the misfit that 30 % of the tiles stay below must be 1.5 times as large with even light
//! as with L_k, and larger by half the noise. Rows of tiles may be offset there, because offsets of
//! rows look like light from above. Once frames are even the same is asked of still pixels alone.
//! Where the answer is no, nothing changes, to the last bit.
//!
//! Cost where it matters: a second and a third registration of each block, and about 1.5 times
//! the resampling of its frames. Source: own; tiles and low-order functions are common practice.
//! Limits: lamps that begin after the first block are not seen; light with edges (a shadow) is no
//! sum of these functions; more than a third of the frame moving may look like light.

use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use super::block::Block;
use super::{PixelNoise, Pose};
use crate::frame::convert::{floor_usize, signed, to_f32};
use crate::frame::{Coding, FixedPlane, Plane};
use crate::math::linear::solve;
use crate::math::patch::marked;
use crate::math::robust::{SPREAD, median_f64};
use crate::math::turn::{ReadScratch, Reading};
use crate::math::wide::{Wide, wide};

/// Orders of the functions along x and y.
const ORDERS: [(usize, usize); FUNCTIONS] =
    [(1, 0), (0, 1), (2, 0), (1, 1), (0, 2), (3, 0), (2, 1), (1, 2), (0, 3)];
/// How many there are.
pub const FUNCTIONS: usize = 9;
/// Tiles along the longer side.
const TILES: usize = 8;
/// Tiles below which nothing is fitted.
const LEAST_TILES: usize = 20;
/// A tile whose gain is less certain than this is not used.
const MOST_SIGMA: f64 = 0.2;
/// Least light relative to the mean of the frame: what is fitted further down is not believed.
const LEAST_LIGHT: f32 = 0.05;
/// Weights halve at this many deviations.
const HALF: f64 = 2.5;
/// Rounds of weighting.
const ROUNDS: usize = 12;
/// By how much the misfit must go down for uneven light to matter: as a ratio, and in units of the
/// noise.
const MATTERS: (f64, f64) = (1.5, 0.5);
/// The part of the tiles, those that fit best, of which the worst is asked.
const PART: f64 = 0.3;
/// Frames of a block, and rows of a frame, of which one is looked at to tell.
const LOOK: (usize, usize) = (4, 2);

/// Light over a frame relative to its mean: the coefficients of the functions. None: even.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Field(pub Vec<f64>);

/// P_0 to P_3 at u.
fn legendre(u: f64) -> [f64; 4] {
    [1.0, u, 1.5 * u * u - 0.5, (2.5 * u * u - 1.5) * u]
}

/// Where a place at `x` of `n` pixels lies, -1 to 1 from edge to edge.
fn place(x: f64, n: usize) -> f64 {
    (2.0 * x + 1.0) / n as f64 - 1.0
}

impl Field {
    /// The light at (u, v).
    #[must_use]
    pub fn at(&self, u: f64, v: f64) -> f64 {
        let (p, q) = (legendre(u), legendre(v));
        1.0 + self.0.iter().zip(ORDERS).map(|(c, (m, n))| c * p[m] * q[n]).sum::<f64>()
    }

    /// Light along row `y` of a plane `width` x `height` as a cubic in u, lowest power first.
    fn row(&self, y: usize, height: usize) -> [f32; 4] {
        let q = legendre(place(y as f64, height));
        let mut p = [1.0, 0.0, 0.0, 0.0];
        for (c, (m, n)) in self.0.iter().zip(ORDERS) {
            p[m] += c * q[n];
        }
        [p[0] - 0.5 * p[2], p[1] - 1.5 * p[3], 1.5 * p[2], 2.5 * p[3]].map(to_f32)
    }

    /// Calls `f` with each value of a plane and the light there.
    pub fn each(&self, plane: &mut Plane, f: impl Fn(&mut f32, f32)) {
        let (w, h) = (plane.width(), plane.height());
        if self.0.is_empty() {
            return;
        }
        let step = 2.0 / w as f32;
        for y in 0..h {
            let [a, b, c, d] = self.row(y, h);
            for (x, v) in plane.row_mut(y).iter_mut().enumerate() {
                let u = (x as f32 + 0.5) * step - 1.0;
                f(v, (((d * u + c) * u + b) * u + a).max(LEAST_LIGHT));
            }
        }
    }

    /// Divides a picture by the light.
    pub fn divide(&self, plane: &mut Plane) {
        self.each(plane, |v, light| *v /= light);
    }

    /// Multiplies a picture with the light.
    pub fn multiply(&self, plane: &mut Plane) {
        self.each(plane, |v, light| *v *= light);
    }
}

/// Divides `frame` by `new` light, which it was divided by `old` of before.
pub fn divide_again(frame: &mut FixedPlane, old: Option<&Field>, new: &Field) {
    let flaws = frame.flaws();
    let mut values = frame.to_plane();
    if let Some(old) = old {
        old.multiply(&mut values);
    }
    new.divide(&mut values);
    *frame = FixedPlane::from_plane(&values, flaws.as_deref(), frame.coding);
}

/// What frames are measured against.
#[derive(Debug, Clone)]
pub struct Scene<'a> {
    /// Mean of frames.
    mean: &'a Plane,
    /// 1 for pixels that are used.
    good: Vec<u8>,
    noise: &'a PixelNoise,
}

impl<'a> Scene<'a> {
    /// All that half of a registered block's frames saw.
    #[must_use]
    pub fn seen(block: &'a Block, noise: &'a PixelNoise) -> Self {
        let least = 0.5 * block.frames as f32;
        let good = block.average.count.data().iter().map(|&n| u8::from(n >= least)).collect();
        Self { mean: &block.average.mean, good, noise }
    }

    /// What is still and never hidden of it.
    #[must_use]
    pub fn still(block: &'a Block, noise: &'a PixelNoise) -> Self {
        let mut scene = Self::seen(block, noise);
        scene.good.iter_mut().zip(block.always_still()).for_each(|(g, s)| *g &= s);
        scene
    }
}

/// Light of a block's frames.
#[derive(Debug, Clone, PartialEq)]
pub struct Lights {
    /// Mean light and field of each frame; `None` where they could not be measured.
    pub frames: Vec<Option<(f64, Field)>>,
    /// Misfit of a tile that 30 % of the others are below, in units of the noise, with even light,
    /// and with the fields.
    pub misfit: (f64, f64),
}

/// Gain of a tile, its standard uncertainty, and what an offset of its pixels by 1 DN adds to it.
type Gain = Option<(f64, f64, f64)>;

/// A grid of tiles over a frame.
struct Grid {
    side: usize,
    across: usize,
    down: usize,
    /// Mean over each tile of one, and of the functions.
    basis: Vec<[f64; FUNCTIONS + 1]>,
}

impl Grid {
    fn new(width: usize, height: usize) -> Self {
        let side = width.max(height).div_ceil(TILES).max(1);
        let (across, down) = (width.div_ceil(side), height.div_ceil(side));
        // Simpson's rule is exact for cubics.
        let means = |k: usize, n: usize| -> [f64; 4] {
            let (a, b) = ((k * side) as f64, (k * side + side).min(n) as f64);
            let at = |x: f64| legendre(place(x - 0.5, n));
            let (p, q, r) = (at(a), at(0.5 * (a + b)), at(b));
            std::array::from_fn(|m| (p[m] + 4.0 * q[m] + r[m]) / 6.0)
        };
        let basis = (0..across * down).map(|t| {
            let (p, q) = (means(t % across, width), means(t / across, height));
            let mut out = [1.0; FUNCTIONS + 1];
            for (o, (m, n)) in out[1..].iter_mut().zip(ORDERS) {
                *o = p[m] * q[n];
            }
            out
        });
        let basis = basis.collect();
        Self { side, across, down, basis }
    }
}

/// Whether the light of a block's frames is uneven and changes, by a part of its pixels; `divided`
/// as in [`measure`].
#[must_use]
pub fn matters(
    frames: &[Option<&FixedPlane>],
    poses: &[Option<Pose>],
    divided: &[Option<Field>],
    scene: &Scene<'_>,
) -> bool {
    let all = given(frames, poses, divided);
    let some: Vec<_> = all.into_iter().step_by(LOOK.0).collect();
    let (even, uneven) = lights(&some, scene, (LOOK.1, Offsets::Rows)).misfit;
    even > MATTERS.0 * uneven && even > uneven + MATTERS.1
}

/// Light of a block's frames, which were divided by the fields `divided` (the answer is for the
/// frames as they were before).
#[must_use]
pub fn measure(
    frames: &[Option<&FixedPlane>],
    poses: &[Option<Pose>],
    divided: &[Option<Field>],
    scene: &Scene<'_>,
) -> Lights {
    lights(&given(frames, poses, divided), scene, (1, Offsets::None))
}

fn given<'a>(
    frames: &[Option<&'a FixedPlane>],
    poses: &[Option<Pose>],
    divided: &'a [Option<Field>],
) -> Vec<Given<'a>> {
    let both = frames.iter().zip(poses).enumerate();
    both.map(|(k, (f, p))| Some(((*f)?, (*p)?, divided.get(k).and_then(Option::as_ref)))).collect()
}

/// What may be wrong with tiles besides their light.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Offsets {
    /// Nothing.
    None,
    /// Each row of tiles is offset by as much as it likes.
    Rows,
}

/// A frame, where it lies, and what it was divided by.
type Given<'a> = Option<(&'a FixedPlane, Pose, Option<&'a Field>)>;

fn lights(frames: &[Given<'_>], scene: &Scene<'_>, (every, offsets): (usize, Offsets)) -> Lights {
    let grid = Grid::new(scene.mean.width(), scene.mean.height());
    let gains: Vec<Option<Vec<Gain>>> = frames
        .par_iter()
        .map(|f| {
            let (frame, pose, divided) = (*f)?;
            let sums = tile_sums((frame, pose), scene, &grid, every);
            let mut gains: Vec<Gain> = sums.iter().map(|s| s.gain(pose.light)).collect();
            if let Some(by) = divided {
                for (g, b) in gains.iter_mut().zip(&grid.basis) {
                    let light: f64 = by.0.iter().zip(&b[1..]).map(|(c, p)| c * p).sum();
                    *g = g
                        .map(|(a, s, q)| (a * (1.0 + light), s * (1.0 + light), q * (1.0 + light)));
                }
            }
            Some(gains)
        })
        .collect();
    let even = vec![1.0; grid.basis.len()];
    let fit = |trust: &[f64], size: usize| -> Vec<Option<Vec<f64>>> {
        gains.par_iter().map(|g| fitted(g.as_ref()?, &grid, (trust, size, offsets))).collect()
    };
    let all = FUNCTIONS + 1;
    let first = misfits(&gains, &grid, &fit(&even, all), (all, offsets));
    let usual = middle(&first).max(1e-9);
    let trust: Vec<f64> = first
        .iter()
        .map(|m| m.map_or(0.0, |m| 1.0 / (1.0 + (m / (4.0 * usual)).powi(2))))
        .collect();
    let fits = fit(&trust, all);
    let uneven = part_below(&misfits(&gains, &grid, &fits, (all, offsets)), PART);
    let alike = part_below(&misfits(&gains, &grid, &fit(&trust, 1), (1, offsets)), PART);
    let misfit = (alike, uneven);
    let frames = fits.into_iter().map(|b| {
        let b = b?;
        let mean = *b.first().filter(|m| **m > 0.05)?;
        Some((mean, Field(b[1..=FUNCTIONS].iter().map(|c| c / mean).collect())))
    });
    Lights { frames: frames.collect(), misfit }
}

/// Weighted sums over a tile: of the scene T, of T T and, with the frame I, of I T.
#[derive(Debug, Clone, Copy, Default)]
struct TileSums {
    t: f64,
    tt: f64,
    it: f64,
}

impl TileSums {
    fn gain(&self, light: f64) -> Gain {
        let sigma = (1.0 / self.tt.max(1e-30)).sqrt();
        (self.tt > 0.0 && sigma < MOST_SIGMA * light)
            .then(|| (self.it / self.tt, sigma, self.t / self.tt))
    }
}

/// Sums over the tiles of a frame, with the scene where it lies.
fn tile_sums(
    (frame, pose): (&FixedPlane, Pose),
    scene: &Scene<'_>,
    grid: &Grid,
    every: usize,
) -> Vec<TileSums> {
    let (w, h) = (frame.width, frame.height);
    let mut sums = vec![TileSums::default(); grid.basis.len()];
    if (w, h) != (scene.mean.width(), scene.mean.height()) {
        return sums;
    }
    let back = pose.placement([w, h]).inverse();
    let (reading, mut scratch) = (Reading::new(back), ReadScratch::default());
    let mut model = vec![0.0; w];
    let factor = scene.noise.factor.as_ref();
    for y in (0..h).step_by(every) {
        reading.row(scene.mean.into(), (0, signed(y)), &mut model, &mut scratch);
        let tiles = &mut sums[y / grid.side * grid.across..][..grid.across];
        back.stretches(y, [w, h], |columns, (u, v)| {
            let good = &scene.good[v * w + u..][..columns.len()];
            wide(Summing {
                codes: &frame.row(y)[columns.clone()],
                coding: frame.coding,
                model: &model[columns.clone()],
                light: to_f32(pose.light),
                good,
                factor: factor.map(|f| &f.row(y)[columns.clone()]),
                noise: [scene.noise.slope, scene.noise.floor],
                tiles: (&mut *tiles, grid.side, columns.start),
            });
        });
    }
    sums
}

/// Columns that are summed side by side.
const LANES: usize = 16;

/// What a run of a frame's row adds to the sums of its tiles, as one piece of work.
struct Summing<'a> {
    codes: &'a [u16],
    coding: Coding,
    model: &'a [f32],
    light: f32,
    good: &'a [u8],
    factor: Option<&'a [f32]>,
    /// Slope and floor of the variance.
    noise: [f32; 2],
    /// The row's tiles, how wide they are, and the column of the run's first pixel.
    tiles: (&'a mut [TileSums], usize, usize),
}

impl Wide for Summing<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        match self.factor {
            Some(factor) => {
                let factor = &factor[..self.codes.len()];
                self.each(|i| factor[i]);
            }
            None => self.each(|_| 1.0),
        }
    }
}

impl Summing<'_> {
    #[inline(always)]
    fn each(self, factor: impl Fn(usize) -> f32) {
        let n = self.codes.len();
        let (codes, model, good) = (&self.codes[..n], &self.model[..n], &self.good[..n]);
        let (tiles, side, first) = self.tiles;
        let mut at = 0;
        while at < n {
            let tile = (first + at) / side;
            let end = ((tile + 1) * side - first).min(n);
            let [mut st, mut tt, mut it] = [[0.0_f32; LANES]; 3];
            let mut add = |lane: usize, i: usize| {
                let (code, t) = (codes[i], model[i]);
                let used = good[i] != 0 && !marked(code);
                let variance = super::variance(self.noise, self.light * t, factor(i));
                let weight = if used { 1.0 / variance.max(1e-9) } else { 0.0 };
                st[lane] += weight * t;
                tt[lane] += weight * t * t;
                it[lane] += weight * t * self.coding.decode(code);
            };
            let mut i = at;
            while i + LANES <= end {
                for lane in 0..LANES {
                    add(lane, i + lane);
                }
                i += LANES;
            }
            for (lane, i) in (i..end).enumerate() {
                add(lane, i);
            }
            let [t, tt, it] = [st, tt, it].map(|lanes| f64::from(lanes.iter().sum::<f32>()));
            if let Some(sum) = tiles.get_mut(tile) {
                *sum = TileSums { t: sum.t + t, tt: sum.tt + tt, it: sum.it + it };
            }
            at = end;
        }
    }
}

fn value(fit: &[f64], basis: &[f64]) -> f64 {
    fit.iter().zip(basis).map(|(a, b)| a * b).sum()
}

impl Grid {
    /// What a tile's gain is made of: the mean, the first functions (`size` in all), and the offset
    /// of its row, where there may be one.
    fn parts(&self, t: usize, by: f64, (size, offsets): (usize, Offsets)) -> Vec<f64> {
        let mut out = self.basis[t][..size].to_vec();
        if offsets == Offsets::Rows {
            let row = t / self.across;
            out.extend((0..self.down).map(|r| if r == row { by } else { 0.0 }));
        }
        out
    }
}

/// Coefficients of one and of the first functions in a frame, `size` in all, and offsets of rows;
/// `trust` is what each tile's word is worth.
fn fitted(
    gains: &[Gain],
    grid: &Grid,
    (trust, size, offsets): (&[f64], usize, Offsets),
) -> Option<Vec<f64>> {
    let given: Vec<(f64, f64, Vec<f64>, f64)> = gains
        .iter()
        .zip(trust)
        .enumerate()
        .filter_map(|(t, (g, k))| g.map(|(a, s, q)| (a, s, grid.parts(t, q, (size, offsets)), *k)))
        .collect();
    if given.len() < LEAST_TILES {
        return None;
    }
    let size = given.first().map_or(size, |g| g.2.len());
    let mut weights = vec![1.0; given.len()];
    let mut fit = Vec::new();
    for _ in 0..ROUNDS {
        let mut matrix = vec![vec![0.0; size]; size];
        let mut right = vec![0.0; size];
        for ((a, s, b, trust), weight) in given.iter().zip(&weights) {
            let k = trust * weight / (s * s);
            for (i, p) in b.iter().enumerate() {
                for (m, q) in matrix[i].iter_mut().zip(b) {
                    *m += k * p * q;
                }
                right[i] += k * p * a;
            }
        }
        // Tiles that are not there must not leave a function without a bound.
        for (i, row) in matrix.iter_mut().enumerate() {
            row[i] *= 1.0 + 1e-6;
        }
        fit = solve(matrix, right)?;
        let left: Vec<f64> = given.iter().map(|(a, s, b, _)| (a - value(&fit, b)) / s).collect();
        let mut sizes: Vec<f64> = left.iter().map(|r| r.abs()).collect();
        let scale = (SPREAD * median_f64(&mut sizes)?).max(1.0);
        for (weight, r) in weights.iter_mut().zip(&left) {
            *weight = 1.0 / (1.0 + (r / (HALF * scale)).powi(2));
        }
    }
    Some(fit)
}

/// Mean squared misfit of each tile over the frames, in units of its noise.
fn misfits(
    gains: &[Option<Vec<Gain>>],
    grid: &Grid,
    fits: &[Option<Vec<f64>>],
    kind: (usize, Offsets),
) -> Vec<Option<f64>> {
    let both: Vec<_> =
        gains.iter().zip(fits).filter_map(|(g, f)| g.as_ref().zip(f.as_ref())).collect();
    let of = |t: usize| {
        let (mut sum, mut n) = (0.0, 0.0);
        for (gains, fit) in &both {
            if let Some((a, s, q)) = gains[t] {
                sum += ((a - value(fit, &grid.parts(t, q, kind))) / s).powi(2);
                n += 1.0;
            }
        }
        (n > 0.0).then(|| sum / n)
    };
    (0..grid.across * grid.down).map(of).collect()
}

fn middle(values: &[Option<f64>]) -> f64 {
    part_below(values, 0.5)
}

/// What this part of the tiles stays below.
fn part_below(values: &[Option<f64>], part: f64) -> f64 {
    let mut all: Vec<f64> = values.iter().flatten().copied().collect();
    all.sort_by(f64::total_cmp);
    let last = all.len().saturating_sub(1);
    all.get(floor_usize(part * last as f64)).copied().unwrap_or(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::NoiseModel;

    fn field() -> Field {
        Field(vec![0.12, -0.05, 0.02, 0.03, -0.01, 0.015, -0.02, 0.01, 0.005])
    }

    #[test]
    fn a_picture_is_divided_by_what_the_field_says() {
        let (w, h) = (37, 22);
        let mut plane = Plane::filled(w, h, 100.0);
        field().multiply(&mut plane);
        for (x, y) in [(0, 0), (36, 21), (17, 4)] {
            let light = field().at(place(x as f64, w), place(y as f64, h));
            assert!((f64::from(plane.at(x, y)) - 100.0 * light).abs() < 1e-3);
        }
        field().divide(&mut plane);
        assert!(plane.data().iter().all(|v| (v - 100.0).abs() < 1e-3));
        let before = plane.clone();
        Field::default().divide(&mut plane);
        assert_eq!(plane, before, "no functions, no change");
    }

    #[test]
    fn a_field_is_found_and_what_frames_were_divided_by_is_given_back() {
        let (w, h) = (160, 120);
        let scene = Plane::from_fn(w, h, |x, y| 300.0 + 40.0 * ((x * 7 + y * 13) % 11) as f32);
        let seen = |field: &Field| {
            let mut plane = scene.clone();
            field.multiply(&mut plane);
            plane.data_mut().iter_mut().for_each(|v| *v *= 0.9);
            FixedPlane::from_plane(&plane, None, Coding::for_white(4095.0))
        };
        let noise = PixelNoise::new(&NoiseModel { gain_e_per_dn: 1.0, read_noise_e: 8.0 });
        let scene = Scene { mean: &scene, good: vec![1; w * h], noise: &noise };
        let pose = Some(Pose { light: 0.9, ..Pose::ZERO });
        let frame = seen(&field());
        let found = measure(&[Some(&frame)], &[pose], &[], &scene);
        let half = Field(field().0.iter().map(|c| 0.5 * c).collect());
        let mut divided = frame.clone();
        divide_again(&mut divided, None, &half);
        let again = measure(&[Some(&divided)], &[pose], &[Some(half)], &scene);
        // Limit: light is the same over a tile's texture only on average.
        for (light, f) in [found, again].into_iter().filter_map(|l| l.frames[0].clone()) {
            assert!((light - 0.9).abs() < 1e-3, "{light}");
            for (a, b) in f.0.iter().zip(field().0) {
                assert!((a - b).abs() < 3e-3, "{f:?}");
            }
        }
        let even = seen(&Field::default());
        assert!(!matters(&[Some(&even)], &[pose], &[], &scene));
        assert!(matters(&[Some(&frame)], &[pose], &[], &scene));
    }
}
