//! How a patch moves through a few frames: one path for all of them, found jointly.
//!
//! The path of a patch through frames k = -reach..=reach is `d(k) = velocity k + bend k^2` pixels,
//! with d(0) = 0. Search on pictures of half and quarter size over whole steps of 1 px a frame
//! (only whole pixels of those pictures, so that interpolation cannot favour any step), then least
//! squares: each frame's residual against the mean of all along the path gives the shift that
//! frame still lacks, `delta_k = -H^-1 sum g r_k`, and a parabola through those corrects the path.
//! All frames take part in every step, which is what makes it work in noise: a pair alone would
//! not do.
//!
//! Source of the least-squares step: B. D. Lucas and T. Kanade, "An iterative image registration
//! technique with an application to stereo vision", IJCAI (1981); joint over frames and with a
//! parabola here. Cost: see the averaging bench.

use crate::frame::Plane;
use crate::frame::convert::{clamp_index, signed};
use crate::math::blur::{BlurScratch, binomial, binomial_into};
use crate::math::linear::Sym2;
use crate::math::resample::{RowScratch, Shift, shifted_row};

/// Frames on each side that a path runs through.
pub const REACH: usize = 4;
/// All of them.
pub const FRAMES: usize = 2 * REACH + 1;
/// Fastest motion the search covers, in pixels a frame along each axis; the fit adds a little.
pub const FASTEST: isize = 6;

/// A picture at three sizes.
#[derive(Debug, Clone)]
pub struct Pyramid {
    /// The picture.
    pub full: Plane,
    /// Means of 2 x 2 pixels.
    pub cells: Plane,
    /// Half size, smoothed.
    pub half: Plane,
    /// Quarter size, smoothed.
    pub quarter: Plane,
}

/// Mean of each 2 x 2 pixels.
fn halved(p: &Plane) -> Plane {
    let (w, h) = (p.width().div_ceil(2), p.height().div_ceil(2));
    let mut out = Plane::filled(w, h, 0.0);
    for y in 0..h {
        let (a, b) = (p.row((2 * y).min(p.height() - 1)), p.row((2 * y + 1).min(p.height() - 1)));
        for (x, o) in out.row_mut(y).iter_mut().enumerate() {
            let r = (2 * x + 1).min(p.width() - 1);
            *o = 0.25 * (a[2 * x] + a[r] + b[2 * x] + b[r]);
        }
    }
    out
}

impl Pyramid {
    /// The three sizes of a picture that is not empty.
    #[must_use]
    pub fn new(full: Plane) -> Self {
        let cells = halved(&full);
        let half = binomial(&cells);
        let quarter = halved(&half);
        Self { full, cells, half, quarter }
    }
}

/// The path of a patch.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Path {
    /// Pixels a frame, x then y.
    pub velocity: [f64; 2],
    /// Half the acceleration, pixels a frame squared.
    pub bend: [f64; 2],
}

impl Path {
    /// Where the patch of frame 0 lies in frame `k`, relative to frame 0.
    #[must_use]
    pub fn at(&self, k: isize) -> [f64; 2] {
        let t = k as f64;
        [self.velocity[0] * t + self.bend[0] * t * t, self.velocity[1] * t + self.bend[1] * t * t]
    }
}

/// Frames -REACH..=REACH around the current one; `None` where one is missing.
pub type Neighbours<'a> = [Option<&'a Pyramid>; FRAMES];

/// A rectangle of pixels: x, y, width, height.
pub type Rect = [usize; 4];

/// Working memory of one thread.
#[derive(Debug, Clone, Default)]
pub struct Scratch {
    rows: RowScratch,
    blur: BlurScratch,
    patches: Vec<Vec<f32>>,
    mean: Vec<f32>,
    smooth: Vec<f32>,
}

/// Sum of squared differences of two rectangles of the same size at whole positions; edges
/// repeated.
fn difference(a: &Plane, b: &Plane, [x, y, w, h]: Rect, da: [isize; 2], db: [isize; 2]) -> f32 {
    let mut sum = 0.0;
    for j in 0..h {
        let ya = clamp_index(signed(y + j) + da[1], a.height());
        let yb = clamp_index(signed(y + j) + db[1], b.height());
        let (ra, rb) = (a.row(ya), b.row(yb));
        let (xa, xb) = (signed(x) + da[0], signed(x) + db[0]);
        let inside = |s: isize, n: usize| s >= 0 && s + signed(w) <= signed(n);
        if inside(xa, ra.len()) && inside(xb, rb.len()) {
            let (pa, pb) = (&ra[xa.unsigned_abs()..][..w], &rb[xb.unsigned_abs()..][..w]);
            let mut lanes = [0.0_f32; 4];
            for (u, v) in pa.as_chunks::<4>().0.iter().zip(pb.as_chunks::<4>().0) {
                for (l, (p, q)) in lanes.iter_mut().zip(u.iter().zip(v)) {
                    *l += (p - q) * (p - q);
                }
            }
            let done = w / 4 * 4;
            let rest: f32 =
                pa[done..].iter().zip(&pb[done..]).map(|(p, q)| (p - q) * (p - q)).sum();
            sum += lanes.iter().sum::<f32>() + rest;
        } else {
            for i in 0..w {
                let p = ra[clamp_index(xa + signed(i), ra.len())];
                let q = rb[clamp_index(xb + signed(i), rb.len())];
                sum += (p - q) * (p - q);
            }
        }
    }
    sum
}

/// How badly frames 0 and +-`step` of one size agree for a whole velocity; 0 without a pair.
fn cost(frames: &Neighbours<'_>, rect: Rect, half: bool, v: [isize; 2]) -> f32 {
    let (step, size) = if half { (2, 2) } else { (4, 4) };
    let r = rect.map(|n| n / size);
    let get = |i: usize| frames[i].map(|p| if half { &p.half } else { &p.quarter });
    let (past, now, future) = (get(REACH - step), get(REACH), get(REACH + step));
    let (minus, zero) = ([-v[0], -v[1]], [0, 0]);
    let mut sum = 0.0;
    let mut pairs = 0.0_f32;
    for pair in [(past, minus, now, zero), (future, v, now, zero), (past, minus, future, v)] {
        if let (Some(a), da, Some(b), db) = pair {
            sum += difference(a, b, r, da, db);
            pairs += 1.0;
        }
    }
    // A quarter-size pixel holds the light of four half-size ones.
    sum * if half { 0.25 } else { 1.0 } / pairs.max(1.0)
}

/// Velocities that the quarter-size pictures hand on.
const FINALISTS: usize = 3;

/// The best whole velocity for a rectangle, and how its cost compares to standing still
/// (1 where it is the same; below where motion explains more).
#[must_use]
pub fn search(frames: &Neighbours<'_>, rect: Rect) -> ([isize; 2], f32) {
    let both = |v| cost(frames, rect, true, v) + cost(frames, rect, false, v);
    let mut finalists = [([0, 0], f32::INFINITY); FINALISTS];
    for vy in -FASTEST..=FASTEST {
        for vx in -FASTEST..=FASTEST {
            let c = cost(frames, rect, false, [vx, vy]);
            if let Some(place) = finalists.iter().position(|f| c < f.1) {
                finalists[place..].rotate_right(1);
                finalists[place] = ([vx, vy], c);
            }
        }
    }
    let still = both([0, 0]);
    let mut best = ([0, 0], still);
    for (v, _) in finalists {
        for vy in v[1] - 1..=v[1] + 1 {
            for vx in v[0] - 1..=v[0] + 1 {
                let c = both([vx, vy]);
                if c < best.1 {
                    best = ([vx, vy], c);
                }
            }
        }
    }
    (best.0, if still > 0.0 { best.1 / still } else { 1.0 })
}

/// The rectangle of a plane read at `position + offset`, row by row.
pub fn read(
    plane: &Plane,
    [x, y, w, h]: Rect,
    offset: [f64; 2],
    out: &mut Vec<f32>,
    rows: &mut RowScratch,
) -> f32 {
    let shift = Shift::new(offset[0], offset[1]);
    out.clear();
    out.resize(w * h, 0.0);
    for (j, row) in out.chunks_exact_mut(w).enumerate() {
        shifted_row(plane.into(), &shift, (signed(x), signed(y + j)), row, rows);
    }
    shift.noise_gain()
}

/// Corrects a path by one least-squares step through frames `-reach..=reach` on pictures of half
/// (`half`) or full size. `noise` is the variance of a pixel of those pictures.
pub fn refine(
    frames: &Neighbours<'_>,
    rect: Rect,
    path: &mut Path,
    (reach, half): (usize, bool),
    noise: f32,
    s: &mut Scratch,
) {
    let scale = if half { 2.0 } else { 1.0 };
    let r = if half { rect.map(|v| v / 2) } else { rect };
    let [_, _, w, h] = r;
    if w < 8 || h < 8 {
        return;
    }
    let ks: Vec<isize> = (-signed(reach)..=signed(reach))
        .filter(|&k| frames[clamp_index(k + signed(REACH), FRAMES)].is_some())
        .collect();
    if ks.len() < 3 {
        return;
    }
    s.patches.resize(FRAMES, Vec::new());
    s.mean.clear();
    s.mean.resize(w * h, 0.0);
    for (i, &k) in ks.iter().enumerate() {
        let Some(p) = frames[clamp_index(k + signed(REACH), FRAMES)] else { continue };
        let d = path.at(k);
        let plane = if half { &p.half } else { &p.full };
        read(plane, r, [d[0] / scale, d[1] / scale], &mut s.patches[i], &mut s.rows);
        for (m, v) in s.mean.iter_mut().zip(&s.patches[i]) {
            *m += v / ks.len() as f32;
        }
    }
    if half {
        s.smooth.clone_from(&s.mean);
    } else {
        binomial_into(&s.mean, w, &mut s.smooth, &mut s.blur);
    }
    let lacks = shortfalls(&s.patches[..ks.len()], &s.mean, &s.smooth, w);
    let Some((lacks, inverse)) = lacks else { return };
    correct(path, &ks, &lacks, (inverse, f64::from(noise)), scale);
}

/// The shift each patch still lacks against the mean, and the inverse of the gradients' matrix.
fn shortfalls(
    patches: &[Vec<f32>],
    mean: &[f32],
    smooth: &[f32],
    w: usize,
) -> Option<(Vec<[f64; 2]>, Sym2)> {
    let h = mean.len() / w;
    let mut m = Sym2::default();
    let mut sums = [[0.0_f64; 2]; FRAMES];
    for y in 1..h - 1 {
        let row = |p: &[f32], y: usize| -> (usize, usize) { (y * w, (y * w + w).min(p.len())) };
        let (a, b) = row(smooth, y);
        let (mut xx, mut xy, mut yy) = (0.0_f32, 0.0_f32, 0.0_f32);
        let mut line = [[0.0_f32; 2]; FRAMES];
        for i in a + 1..b - 1 {
            let gx = 0.5 * (smooth[i + 1] - smooth[i - 1]);
            let gy = 0.5 * (smooth[i + w] - smooth[i - w]);
            xx += gx * gx;
            xy += gx * gy;
            yy += gy * gy;
            for (l, p) in line.iter_mut().zip(patches) {
                let r = p[i] - mean[i];
                l[0] += gx * r;
                l[1] += gy * r;
            }
        }
        m.add(Sym2 { xx: f64::from(xx), xy: f64::from(xy), yy: f64::from(yy) }, 1.0);
        for (s, l) in sums.iter_mut().zip(line) {
            s[0] += f64::from(l[0]);
            s[1] += f64::from(l[1]);
        }
    }
    // A little is added so that a patch with texture along one direction only is held still across.
    let little = 1e-3 * (m.xx + m.yy) + 1e-9;
    m.xx += little;
    m.yy += little;
    let inverse = m.inverse()?;
    let lacks = sums[..patches.len()]
        .iter()
        .map(|s| inverse.times(*s).map(|v| -v.clamp(-1.0, 1.0)))
        .collect();
    Some((lacks, inverse))
}

/// Fits `c + velocity k + bend k^2` to the shortfalls; bends less than three standard deviations
/// are left out.
fn correct(
    path: &mut Path,
    ks: &[isize],
    lacks: &[[f64; 2]],
    (inverse, noise): (Sym2, f64),
    scale: f64,
) {
    let n = ks.len() as f64;
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
    }
}

/// A path of constant whole velocity.
#[must_use]
pub fn from_whole(v: [isize; 2]) -> Path {
    Path { velocity: v.map(|c| c as f64), bend: [0.0; 2] }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A smooth texture that moved by (dx, dy).
    fn picture(dx: f64, dy: f64) -> Pyramid {
        Pyramid::new(Plane::from_fn(96, 96, |x, y| {
            let (u, v) = (x as f64 - dx, y as f64 - dy);
            let wave = libm::sin(0.31 * u + 0.2 * v) + libm::sin(0.23 * v - 0.45 * u);
            crate::frame::convert::to_f32(100.0 + 20.0 * wave + 15.0 * libm::sin(0.11 * u * 1.3))
        }))
    }

    fn found(at: impl Fn(f64) -> [f64; 2]) -> Path {
        let frames: Vec<Pyramid> = (0..FRAMES)
            .map(|i| {
                let d = at(i as f64 - REACH as f64);
                picture(d[0], d[1])
            })
            .collect();
        let list: Neighbours<'_> = std::array::from_fn(|i| Some(&frames[i]));
        let rect = [24, 24, 48, 48];
        let (whole, ratio) = search(&list, rect);
        assert!(ratio < 0.5, "{ratio}");
        let mut path = from_whole(whole);
        let mut s = Scratch::default();
        for (reach, half) in [(2, true), (4, true), (4, false), (4, false)] {
            refine(&list, rect, &mut path, (reach, half), 1e-3, &mut s);
        }
        path
    }

    #[test]
    fn constant_and_bent_paths_are_found() {
        let straight = found(|t| [1.5 * t, 0.8 * t]);
        assert!((straight.velocity[0] - 1.5).abs() < 0.01, "{straight:?}");
        assert!((straight.velocity[1] - 0.8).abs() < 0.01, "{straight:?}");
        let bent = found(|t| [-2.2 * t, 0.4 * t + 0.1 * t * t]);
        for k in [-4_isize, 4] {
            let t = k as f64;
            let d = bent.at(k);
            assert!((d[0] + 2.2 * t).abs() < 0.08, "{bent:?}");
            assert!((d[1] - 0.4 * t - 0.1 * t * t).abs() < 0.08, "{bent:?}");
        }
    }
}
