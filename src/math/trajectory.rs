//! How a patch moves through a few frames: one path for all of them, found jointly.
//!
//! The path of a patch through frames k = -reach..=reach is `d(k) = velocity k + bend k^2 + rest(k)` pixels,
//! with d(0) = 0. Search on pictures of half and quarter size over whole steps of 1 px a frame
//! (only whole pixels of those pictures, so that interpolation cannot favour any step), then least
//! squares: each frame's residual against the mean of all along the path gives the shift that
//! frame still lacks, `delta_k = -H^-1 sum g r_k`, and a parabola through those corrects the path.
//! All frames take part in every step, which is what makes it work in noise: a pair alone would
//! not do. Where the shifts stray from the parabola by more than noise allows (a part that rings
//! does, within half a period), each frame keeps its rest, shrunk by how much of it may be noise
//! (W. James and C. Stein, "Estimation with quadratic loss", Berkeley Symposium 4.1, 361-379 (1961)).
//!
//! Source of the least-squares step: B. D. Lucas and T. Kanade, "An iterative image registration
//! technique with an application to stereo vision", IJCAI (1981); joint over frames and with a
//! parabola here. Cost: see the averaging bench.

use crate::frame::FixedPlane;
use crate::frame::convert::{clamp_index, signed};
use crate::math::linear::Sym2;
use crate::math::patch::{Square, Work, binomial, read_as, sketch};
use crate::math::pyramid::Pyramid;
use crate::math::wide::{Wide, wide};

mod search;

pub use search::{Found, search};

/// Frames on each side that a path runs through.
pub const REACH: usize = 4;
/// All of them.
pub const FRAMES: usize = 2 * REACH + 1;
/// Fastest motion the search covers, in pixels a frame along each axis; the fit adds a little.
pub const FASTEST: isize = 6;

/// Frames stray from a parabola where their squares sum up to more than this for each that is free, and as
/// much more at all, in units of what noise gives: by chance once in 170 times where six are free, in 150
/// where two are.
const STRAYS: [f64; 2] = [2.0, 6.0];

/// Velocities that the search knows to each side: those it looks for, and their neighbours.
const RANGE: usize = 7;
/// As many, to both sides.
const STEPS: usize = 2 * RANGE + 1;

/// Side of the square of pixels that a path is found for; a multiple of 8.
pub const SIDE: usize = 48;
const HALF: usize = SIDE / 2;
const QUARTER: usize = SIDE / 4;

/// The path of a patch.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Path {
    /// Pixels a frame, x then y.
    pub velocity: [f64; 2],
    /// Half the acceleration, pixels a frame squared.
    pub bend: [f64; 2],
    /// What frames -REACH..=REACH stray from that, in pixels.
    pub rest: [[f64; 2]; FRAMES],
}

impl Path {
    /// Where the patch of frame 0 lies in frame `k`, relative to frame 0.
    #[must_use]
    pub fn at(&self, k: isize) -> [f64; 2] {
        let t = k as f64;
        let rest = self.rest[clamp_index(k + signed(REACH), FRAMES)];
        [0, 1].map(|a| self.velocity[a] * t + self.bend[a] * t * t + rest[a])
    }
}

/// A frame that a path can run through.
#[derive(Debug, Clone, Copy)]
pub struct Neighbour<'a> {
    /// The frame.
    pub full: &'a FixedPlane,
    /// The same, smaller.
    pub sizes: &'a Pyramid,
}

/// Frames -REACH..=REACH around the current one; `None` where one is missing.
pub type Neighbours<'a> = [Option<Neighbour<'a>>; FRAMES];

/// A square of a frame that the last correction read.
#[derive(Debug, Clone, Copy)]
pub struct Kept {
    /// Which of [`Scratch::full`] it is.
    pub slot: usize,
    /// Where it was read, relative to the square in frame 0.
    pub at: [f64; 2],
    /// The part of white noise's variance that this left.
    pub gain: f32,
}

/// Working memory of one thread.
#[derive(Debug, Clone)]
pub struct Scratch {
    /// Squares of the frames themselves that the last correction of a path read, and the mean of those.
    pub full: [Square<SIDE>; FRAMES],
    /// Whether frames themselves are read with the shorter kernel.
    pub soft: bool,
    /// What is known of them, by frame.
    pub kept: [Option<Kept>; FRAMES],
    half: [Square<HALF>; FRAMES],
    /// To read squares of either size with.
    pub reading: Work<SIDE, 56>,
    reading_half: Work<HALF, 32>,
    /// What they were compared with.
    pub fitting: Fitting<SIDE>,
    fitting_half: Fitting<HALF>,
}

/// What a correction is found with.
#[derive(Debug, Clone)]
pub struct Fitting<const N: usize> {
    /// Mean of the squares.
    pub mean: Square<N>,
    smooth: Square<N>,
    /// Gradients along x and y.
    along: Square<N>,
    down: Square<N>,
}

impl<const N: usize> Fitting<N> {
    fn new() -> Self {
        let none = [[0.0; N]; N];
        Self { mean: none, smooth: none, along: none, down: none }
    }
}

impl Default for Scratch {
    fn default() -> Self {
        Self {
            full: [[[0.0; SIDE]; SIDE]; FRAMES],
            soft: false,
            kept: [None; FRAMES],
            half: [[[0.0; HALF]; HALF]; FRAMES],
            reading: Work::new(),
            reading_half: Work::new(),
            fitting: Fitting::new(),
            fitting_half: Fitting::new(),
        }
    }
}

/// The square that a path is found for, and its columns and rows (first, one after the last) that
/// lie in the picture.
#[derive(Debug, Clone, Copy)]
pub struct Window {
    corner: [isize; 2],
    x: (usize, usize),
    y: (usize, usize),
}

impl Window {
    /// The square whose upper left corner is at `corner`.
    #[must_use]
    pub fn new(corner: [isize; 2], picture: &FixedPlane) -> Self {
        let part = |from: isize, n: usize| {
            (clamp_index(-from, SIDE + 1), clamp_index(signed(n) - from, SIDE + 1))
        };
        Self { corner, x: part(corner[0], picture.width), y: part(corner[1], picture.height) }
    }

    /// Whether all of the square lies in the picture.
    #[must_use]
    pub fn is_whole(&self) -> bool {
        (self.x, self.y) == ((0, SIDE), (0, SIDE))
    }

    /// The same in a picture `size` times smaller.
    fn smaller(self, size: usize) -> Self {
        let by = |(a, b): (usize, usize)| (a / size, b / size);
        Self { corner: self.corner.map(|v| v / signed(size)), x: by(self.x), y: by(self.y) }
    }
}

/// Pictures that a path is corrected on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Size {
    /// Half size.
    Half,
    /// The frames themselves.
    Full,
}

/// Corrects a path by one least-squares step through those of the frames `among` that are there, on
/// pictures of a size. `noise` is the variance of a pixel of those pictures. Says how large what lacked was,
/// as a mean square in units of what noise alone would give; `None` where it could not be told.
pub fn refine(
    frames: &Neighbours<'_>,
    at: Window,
    path: &mut Path,
    (among, size): (&[isize], Size),
    noise: f32,
    scratch: &mut Scratch,
) -> Option<f64> {
    let mut ks = [0; FRAMES];
    let mut n = 0;
    let there = |k: isize| frames[clamp_index(k + signed(REACH), FRAMES)].is_some();
    for &k in among.iter().filter(|k| there(**k)).take(FRAMES) {
        ks[n] = k;
        n += 1;
    }
    if n < 3 {
        return None;
    }
    let ks = &ks[..n];
    let mut gains = [1.0; FRAMES];
    let before = *path;
    let step = Step { frames, at, path, ks, soft: scratch.soft };
    let scale = if size == Size::Half { 2.0 } else { 1.0 };
    let found = match size {
        Size::Half => {
            let (patches, work) = (&mut scratch.half, &mut scratch.reading_half);
            let fitting = &mut scratch.fitting_half;
            wide(Refining::<HALF, 32, 28> { step, size, patches, work, fitting, gains: &mut gains })
        }
        Size::Full => {
            let (patches, work) = (&mut scratch.full, &mut scratch.reading);
            let fitting = &mut scratch.fitting;
            wide(Refining::<SIDE, 56, 52> { step, size, patches, work, fitting, gains: &mut gains })
        }
    };
    if size == Size::Full {
        scratch.kept = [None; FRAMES];
        for (slot, (&k, &gain)) in ks.iter().zip(&gains).enumerate() {
            let kept = Kept { slot, at: before.at(k), gain };
            scratch.kept[clamp_index(k + signed(REACH), FRAMES)] = Some(kept);
        }
    }
    let (lacks, inverse) = found?;
    // What lies outside a picture repeats its edge, which looks like straying.
    let inside = frames[REACH].is_some_and(|f| {
        let size = [f.full.width, f.full.height];
        ks.iter().all(|&k| {
            let d = before.at(k);
            (0..2).all(|a| {
                let from = at.corner[a] as f64 + d[a];
                from >= 0.0 && from + SIDE as f64 <= size[a] as f64
            })
        })
    });
    Some(correct(path, (ks, &lacks[..n]), (inverse, f64::from(noise)), (scale, inside)))
}

/// What is to be corrected.
#[derive(Clone, Copy)]
struct Step<'a> {
    frames: &'a Neighbours<'a>,
    at: Window,
    path: &'a Path,
    ks: &'a [isize],
    soft: bool,
}

struct Refining<'a, const N: usize, const M: usize, const B: usize> {
    step: Step<'a>,
    size: Size,
    patches: &'a mut [Square<N>; FRAMES],
    work: &'a mut Work<N, M>,
    fitting: &'a mut Fitting<N>,
    gains: &'a mut [f32; FRAMES],
}

impl<const N: usize, const M: usize, const B: usize> Wide for Refining<'_, N, M, B> {
    type Output = Option<([[f64; 2]; FRAMES], Sym2)>;

    #[inline(always)]
    fn call(self) -> Self::Output {
        let Step { frames, at, path, ks, soft } = self.step;
        let at = if self.size == Size::Half { at.smaller(2) } else { at };
        let share = 1.0 / ks.len() as f32;
        let (work, fitting) = (self.work, self.fitting);
        fitting.mean = [[0.0; N]; N];
        for ((patch, gain), &k) in self.patches.iter_mut().zip(self.gains).zip(ks) {
            let Some(f) = frames[clamp_index(k + signed(REACH), FRAMES)] else { continue };
            let d = path.at(k);
            if self.size == Size::Half {
                let d = d.map(|v| 0.5 * v);
                sketch::<N, M>((&f.sizes.half, false), at.corner, d, patch, work);
            } else {
                let of = (f.full, f.sizes.flawed);
                *gain = read_as::<N, M>(soft, of, at.corner, d, patch, work);
            }
            for (mean, line) in fitting.mean.iter_mut().zip(&*patch) {
                for i in 0..N {
                    mean[i] += share * line[i];
                }
            }
        }
        if self.size == Size::Half {
            fitting.smooth = fitting.mean;
        } else {
            binomial::<N, B>(&fitting.mean, &mut fitting.smooth);
        }
        shortfalls(&self.patches[..ks.len()], fitting, at)
    }
}

/// Sum of products; in sixteen sums, so that none waits for another.
#[inline(always)]
fn product(a: &[f32], b: &[f32]) -> f64 {
    let mut sums = [0.0_f32; 16];
    for (a, b) in a.as_chunks::<16>().0.iter().zip(b.as_chunks::<16>().0) {
        for l in 0..16 {
            sums[l] += a[l] * b[l];
        }
    }
    sums.iter().map(|&v| f64::from(v)).sum()
}

/// The same of squares, but for their first and last rows.
#[inline(always)]
fn inner<const N: usize>(v: &Square<N>, w: &Square<N>) -> f64 {
    product(v[1..N - 1].as_flattened(), w[1..N - 1].as_flattened())
}

/// The shift each patch still lacks against the mean, and the inverse of the gradients' matrix.
#[inline(always)]
fn shortfalls<const N: usize>(
    patches: &[Square<N>],
    fitting: &mut Fitting<N>,
    at: Window,
) -> Option<([[f64; 2]; FRAMES], Sym2)> {
    // Gradients; none at the rim, where none were ever written, and outside the picture.
    let Fitting { mean, smooth, along, down } = fitting;
    for y in 1..N - 1 {
        let (up, here, below) = (&smooth[y - 1], &smooth[y], &smooth[y + 1]);
        let (gx, gy) = (&mut along[y], &mut down[y]);
        for x in 1..N - 1 {
            gx[x] = 0.5 * (here[x + 1] - here[x - 1]);
            gy[x] = 0.5 * (below[x] - up[x]);
        }
        if y <= at.y.0 || y + 1 >= at.y.1 {
            gx.fill(0.0);
            gy.fill(0.0);
        }
        if at.x == (0, N) {
            // Most squares: as single values, which a call for each would take longer than.
            (gx[0], gy[0], gx[N - 1], gy[N - 1]) = (0.0, 0.0, 0.0, 0.0);
            continue;
        }
        for g in [&mut *gx, &mut *gy] {
            g[..=at.x.0].fill(0.0);
            g[at.x.1 - 1..].fill(0.0);
        }
    }
    let mut m = Sym2 { xx: inner(along, along), xy: inner(along, down), yy: inner(down, down) };
    // A little is added so that a patch with texture along one direction only is held still across.
    let little = 1e-3 * (m.xx + m.yy) + 1e-9;
    m.xx += little;
    m.yy += little;
    let inverse = m.inverse()?;
    let mut lacks = [[0.0; 2]; FRAMES];
    for (patch, lack) in patches.iter().zip(&mut lacks) {
        // What is not explained; smoothed values are not needed any more.
        for (rest, (p, m)) in smooth.iter_mut().zip(patch.iter().zip(&*mean)) {
            for i in 0..N {
                rest[i] = p[i] - m[i];
            }
        }
        *lack =
            inverse.times([inner(along, smooth), inner(down, smooth)]).map(|v| -v.clamp(-1.0, 1.0));
    }
    Some((lacks, inverse))
}

/// Fits `c + velocity k + bend k^2` to the shortfalls; bends less than three standard deviations
/// are left out, and what strays from the parabola counts, where it `may`, as far as it is surely more than
/// noise. Says how large the shortfalls are, as [`refine`] does.
fn correct(
    path: &mut Path,
    (ks, lacks): (&[isize], &[[f64; 2]]),
    (inverse, noise): (Sym2, f64),
    (scale, may): (f64, bool),
) -> f64 {
    let n = ks.len() as f64;
    let mut lacking = 0.0;
    let t: Vec<f64> = ks.iter().map(|&k| k as f64).collect();
    let mean_t = t.iter().sum::<f64>() / n;
    let s2: f64 = t.iter().map(|v| (v - mean_t).powi(2)).sum();
    // Second-order polynomial orthogonal to the line.
    let mean_q = t.iter().map(|v| (v - mean_t).powi(2)).sum::<f64>() / n;
    let skew = t.iter().map(|v| (v - mean_t).powi(3)).sum::<f64>() / s2;
    let q: Vec<f64> =
        t.iter().map(|v| (v - mean_t).powi(2) - mean_q - skew * (v - mean_t)).collect();
    let s4: f64 = q.iter().map(|v| v * v).sum();
    for a in 0..2 {
        let slope: f64 = t.iter().zip(lacks).map(|(v, l)| (v - mean_t) * l[a]).sum::<f64>() / s2;
        let variance = if a == 0 { inverse.xx } else { inverse.yy } * noise;
        let mut bend = 0.0;
        if ks.len() >= 5 && s4 > 0.0 {
            let b = q.iter().zip(lacks).map(|(v, l)| v * l[a]).sum::<f64>() / s4;
            let known = path.bend[a] / scale + b;
            if known * known > 9.0 * variance / s4 {
                bend = b;
            } else {
                bend = -path.bend[a] / scale;
            }
        }
        path.bend[a] += bend * scale;
        // c + slope (t - m) + bend ((t - m)^2 - ...): the part that is linear in t.
        path.velocity[a] += scale * (slope - bend * (2.0 * mean_t + skew));
        // What the mean of n frames lacks has 1 - 1 / n of a frame's variance.
        let variance = variance.max(1e-12) * (1.0 - 1.0 / n);
        let mean = lacks.iter().map(|l| l[a]).sum::<f64>() / n;
        lacking += lacks.iter().map(|l| (l[a] - mean).powi(2)).sum::<f64>() / (n * variance);
        let mut strays = [0.0; FRAMES];
        let mut squares = 0.0;
        for (i, (stray, &k)) in strays.iter_mut().zip(ks).enumerate() {
            let fitted = mean + slope * (t[i] - mean_t) + bend * q[i];
            let before = path.rest[clamp_index(k + signed(REACH), FRAMES)][a] / scale;
            *stray = before + lacks[i][a] - fitted;
            squares += *stray * *stray;
        }
        let free = n - 3.0;
        if free < 1.0 || !may {
            continue;
        }
        let noise = (STRAYS[0] * free + STRAYS[1]) * variance;
        let kept = if squares > noise { scale * (1.0 - noise / squares) } else { 0.0 };
        let now = ks.iter().zip(&strays).find(|(k, _)| **k == 0).map_or(0.0, |(_, s)| *s);
        for (stray, &k) in strays.iter().zip(ks) {
            path.rest[clamp_index(k + signed(REACH), FRAMES)][a] = kept * (stray - now);
        }
    }
    0.5 * lacking
}

/// A path of constant whole velocity.
#[must_use]
pub fn from_whole(v: [isize; 2]) -> Path {
    Path { velocity: v.map(|c| c as f64), ..Path::default() }
}

#[cfg(test)]
#[path = "trajectory_tests.rs"]
mod tests;
