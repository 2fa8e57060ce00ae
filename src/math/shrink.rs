//! Noise taken out of a picture by shrinking cosine coefficients, driven by a map of its variance.
//!
//! Overlapping 8 x 8 blocks, four pixels apart; in each, coefficients below a threshold are
//! dropped (first pass), then every coefficient is weighted by `c^2 / (c^2 + V)` with c from the
//! first pass (second pass). The mean of a block is never touched. V is the block's mean variance v,
//! shaped over frequency as resampling left it: `v * P + v^2 / s * (P1 - P)`, P the power of all
//! frames' noise, P1 and s that of the current one and its variance (v / s is its share in an
//! average of frames alike). Blocks are put together weighted by how quiet they are.
//!
//! Both passes go down the picture together, four rows at a time. A row is transformed along x once
//! for all blocks it is in, and comes back once: blocks one above the other are added up as
//! coefficients. Blocks side by side go through a transform at the same time.
//!
//! Cost: the averaging bench prints it. Where V is 0 the picture comes back unchanged.

use std::cell::Cell;

use rayon::prelude::*;

use crate::frame::Plane;
use crate::math::dct::{AREA, SIDE, forward, inverse};
use crate::math::resample::NoisePower;
use crate::math::wide::{Wide, wide};

/// Coefficients below this many standard deviations are noise, by the sum of their frequencies along x
/// and y: the finer, the seldomer there is more, and the more a lone one shows as dots.
const THRESHOLD: [f32; 2 * SIDE - 1] = {
    let mut of = [0.0; 2 * SIDE - 1];
    let mut k = 0;
    while k < of.len() {
        of[k] = if k < 6 { 2.6 + 0.075 * k as f32 } else { 3.05 };
        k += 1;
    }
    of
};
/// Distance of the blocks; side of the squares that the noise left is told of.
pub const STEP: usize = 4;
/// Blocks side by side that are worked on together.
const LANES: usize = 32;

/// Weights of a block's lines when blocks are put together: a Kaiser window (beta 2), so that no
/// edge of a block shows.
const TAPER: [f32; SIDE] = [
    0.438_676_3,
    0.681_324_3,
    0.876_839_9,
    0.985_822_5,
    0.985_822_5,
    0.876_839_9,
    0.681_324_3,
    0.438_676_3,
];

/// How hard to shrink.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ShrinkSettings {
    /// 1 for what the noise asks for; more takes out more, 0 nothing.
    pub strength: f32,
    /// Whether to do the second pass.
    pub wiener: bool,
    /// Power of the noise left of white noise of power 1, in the mean of what was averaged.
    pub noise: NoisePower,
    /// The one picture that is in every average.
    pub own: Own,
}

/// The picture that others were averaged with. Where few agreed with it, the noise is its own: of a
/// mean of n alike, the n-th part.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Own {
    /// Power of its noise, as of the others.
    pub noise: NoisePower,
    /// Variance of a pixel of this picture alone: `slope * value + floor`.
    pub slope: f32,
    /// Where the value is 0.
    pub floor: f32,
}

/// A picture whose noise was shrunk.
#[derive(Debug, Clone, PartialEq)]
pub struct Shrunk {
    /// The picture.
    pub plane: Plane,
    /// Variance of the noise left in each square of [`STEP`] x [`STEP`] pixels (those at the right and
    /// at the bottom may be cut): of a block's, the part of its coefficients' that was kept.
    /// Overlapping blocks are taken to err alike, so it is rather too large.
    pub left: Plane,
}

/// Shrinks `picture`, whose pixels have the variances `variance`.
#[must_use]
pub fn shrink(picture: &Plane, variance: &Plane, settings: &ShrinkSettings) -> Shrunk {
    let (w, h) = (picture.width(), picture.height());
    if settings.strength <= 0.0 || w < SIDE || h < SIDE {
        return Shrunk { plane: picture.clone(), left: squares_of(variance) };
    }
    let mut plane = Plane::to_write(w, h);
    let mut left = Plane::to_write(w.div_ceil(STEP), h.div_ceil(STEP));
    // Every four rows are made from the blocks that touch them, whatever the size of a band.
    let quads = h.div_ceil(STEP);
    let band = quads.div_ceil(2 * rayon::current_num_threads()).clamp(16, 64);
    let rows = band * STEP * w;
    let squares = left.data_mut().par_chunks_mut(band * w.div_ceil(STEP));
    let bands = plane.data_mut().par_chunks_mut(rows).zip(squares);
    // From the bottom: that was made last, and is still at hand.
    bands.enumerate().rev().for_each(|(i, (out, left))| {
        let quads = (i * band, (i * band + band).min(quads));
        let mut scratch = SCRATCH.take().unwrap_or_default();
        scratch.fit(w);
        let scratch_of = &mut *scratch;
        wide(Band { picture, variance, settings, quads, out, left, scratch: scratch_of });
        SCRATCH.set(Some(scratch));
    });
    Shrunk { plane, left }
}

/// Variances of pixels, told of squares by what their first pixels have.
#[must_use]
pub fn squares_of(variance: &Plane) -> Plane {
    let (w, h) = (variance.width().div_ceil(STEP), variance.height().div_ceil(STEP));
    Plane::from_fn(w, h, |x, y| variance.at(STEP * x, STEP * y))
}

/// One value of each of some neighbouring blocks.
type Lanes = [f32; LANES];
/// Four rows of neighbouring blocks as coefficients along x: frequency, then row.
type Half = [[Lanes; STEP]; SIDE];
/// Neighbouring blocks as coefficients: frequency along x, then along y.
type Blocks = [[Lanes; SIDE]; SIDE];
/// A row taken apart by column modulo four; the first value of each repeats the edge.
type Apart = [Vec<f32>; STEP];

/// What a pass keeps from one row of blocks to the next.
#[derive(Debug, Default)]
struct Pass {
    /// Weighted sums: of the four rows that are complete, of those that the next row of blocks adds to.
    done: Vec<Half>,
    carry: Vec<Half>,
    /// Weights, and variances left times those, of the previous row of blocks and of this one.
    quiet: [Vec<f32>; 2],
    left: [Vec<f32>; 2],
}

/// Working memory of one thread.
#[derive(Debug, Default)]
struct Scratch {
    /// Four rows of the picture each, by number modulo four; and sums of their variances.
    halves: [Vec<Half>; 4],
    powers: [Vec<f32>; 4],
    /// The same of the first pass's result, by number modulo three.
    known: [Vec<Half>; 3],
    first: Pass,
    second: Pass,
    /// Rows that come out of a pass.
    rows: [Apart; STEP],
    /// A row on its way.
    row: Apart,
    halfway: [Vec<f32>; SIDE],
    weights: Vec<f32>,
}

thread_local! {
    static SCRATCH: Cell<Option<Box<Scratch>>> = const { Cell::new(None) };
}

impl Pass {
    fn fit(&mut self, groups: usize) {
        self.done.resize(groups, [[[0.0; LANES]; STEP]; SIDE]);
        self.carry.resize(groups, [[[0.0; LANES]; STEP]; SIDE]);
        for v in self.quiet.iter_mut().chain(&mut self.left) {
            v.resize(groups * LANES, 0.0);
        }
    }
}

impl Scratch {
    /// Room for rows of `w` pixels.
    fn fit(&mut self, w: usize) {
        let groups = (w.div_ceil(STEP) + 1).div_ceil(LANES);
        let n = groups * LANES;
        for half in self.halves.iter_mut().chain(&mut self.known) {
            half.resize(groups, [[[0.0; LANES]; STEP]; SIDE]);
        }
        self.first.fit(groups);
        self.second.fit(groups);
        let rows = self.rows.iter_mut().flatten();
        for v in rows.chain(&mut self.row).chain(&mut self.powers) {
            v.resize(n + 1, 0.0);
        }
        for v in self.halfway.iter_mut().chain([&mut self.weights]) {
            v.resize(n, 0.0);
        }
    }
}

/// Takes a row apart, its edges repeated.
#[inline(always)]
fn take_apart(row: &[f32], out: &mut Apart) {
    let (quads, rest) = row.as_chunks::<STEP>();
    let [a, b, c, d] = out;
    let n = quads.len() + 1;
    let to = a[1..n].iter_mut().zip(&mut b[1..n]).zip(c[1..n].iter_mut().zip(&mut d[1..n]));
    for (((a, b), (c, d)), q) in to.zip(quads) {
        (*a, *b, *c, *d) = (q[0], q[1], q[2], q[3]);
    }
    for (o, v) in out.iter_mut().zip(rest) {
        o[n] = *v;
    }
    mend(out, row.len());
}

/// Repeats the edges of a row of `w` pixels that was taken apart.
#[inline(always)]
fn mend(row: &mut Apart, w: usize) {
    let (first, last) = (row[0][1], row[(w - 1) % STEP][1 + (w - 1) / STEP]);
    for (m, v) in row.iter_mut().enumerate() {
        v[0] = first;
        // Whole fours, and this column of the one that is not.
        let there = 1 + w / STEP + usize::from(m < w % STEP);
        v[there..].fill(last);
    }
}

/// Coefficients along x of row `j` of four.
#[inline(always)]
fn along_x(row: &Apart, j: usize, out: &mut [Half]) {
    const MORE: usize = LANES + 1;
    for (g, half) in out.iter_mut().enumerate() {
        let part = |m: usize| row[m][g * LANES..].first_chunk::<MORE>();
        let (Some(a), Some(b), Some(c), Some(d)) = (part(0), part(1), part(2), part(3)) else {
            return;
        };
        for i in 0..LANES {
            let x = [a[i], b[i], c[i], d[i], a[i + 1], b[i + 1], c[i + 1], d[i + 1]];
            let y = forward(x);
            for k in 0..SIDE {
                half[k][j][i] = y[k];
            }
        }
    }
}

/// The eight values of a column of one lane: four rows of one half, four of the next.
#[inline(always)]
fn column(a: &[Lanes; STEP], b: &[Lanes; STEP], i: usize) -> [f32; SIDE] {
    [a[0][i], a[1][i], a[2][i], a[3][i], b[0][i], b[1][i], b[2][i], b[3][i]]
}

type Shape = NoisePower;

/// First pass: drops coefficients below the threshold and counts those that stay.
#[inline(always)]
fn dropped(
    (a, b): (&Half, &Half),
    (v, o): (&Lanes, &Lanes),
    (shape, extra): (&Shape, &Shape),
    blocks: &mut Blocks,
    kept: &mut Lanes,
) {
    for k in 0..SIDE {
        for i in 0..LANES {
            let y = forward(column(&a[k], &b[k], i));
            let mut n = 0.0;
            for ky in 0..SIDE {
                let limit = THRESHOLD[k + ky] * THRESHOLD[k + ky];
                let limit = limit * (v[i] * shape[k][ky] + o[i] * extra[k][ky]);
                let keep = if y[ky] * y[ky] < limit { 0.0 } else { 1.0 };
                blocks[k][ky][i] = y[ky] * keep;
                n += keep;
            }
            kept[i] += n;
        }
    }
}

/// Second pass: weights coefficients by what the first one found.
#[expect(clippy::needless_range_loop, reason = "all eight rows are read at one lane")]
#[inline(always)]
fn weighted(
    (a, b): (&Half, &Half),
    (c, d): (&Half, &Half),
    (v, o): (&Lanes, &Lanes),
    (shape, extra): (&Shape, &Shape),
    blocks: &mut Blocks,
    kept: &mut Lanes,
) {
    for k in 0..SIDE {
        for i in 0..LANES {
            let known = forward(column(&c[k], &d[k], i));
            for ky in 0..SIDE {
                blocks[k][ky][i] = known[ky];
            }
        }
        for i in 0..LANES {
            let y = forward(column(&a[k], &b[k], i));
            let mut n = 0.0;
            for ky in 0..SIDE {
                let power = blocks[k][ky][i] * blocks[k][ky][i] + 1e-30;
                let noise = v[i] * shape[k][ky] + o[i] * extra[k][ky];
                let factor = power / (power + noise);
                blocks[k][ky][i] = y[ky] * factor;
                n += factor * factor;
            }
            kept[i] += n;
        }
    }
}

/// Adds blocks, by their weights, to the rows they cover.
#[inline(always)]
fn put(blocks: &Blocks, quiet: &Lanes, done: &mut Half, carry: &mut Half) {
    for k in 0..SIDE {
        for i in 0..LANES {
            let x = inverse(std::array::from_fn(|ky| blocks[k][ky][i]));
            for j in 0..STEP {
                // What was carried on is complete now; the lower half is carried on.
                done[k][j][i] = carry[k][j][i] + quiet[i] * TAPER[j] * x[j];
                carry[k][j][i] = quiet[i] * TAPER[j + STEP] * x[j + STEP];
            }
        }
    }
}

/// Some rows of a result, as one piece of work. Fours of rows are counted from the top; a row of
/// blocks r covers the fours r - 1 and r, which are the halves r and r + 1.
struct Band<'a> {
    picture: &'a Plane,
    variance: &'a Plane,
    settings: &'a ShrinkSettings,
    /// First four and the one after the last.
    quads: (usize, usize),
    out: &'a mut [f32],
    left: &'a mut [f32],
    scratch: &'a mut Scratch,
}

impl Wide for Band<'_> {
    type Output = ();

    #[inline(always)]
    fn call(mut self) {
        let (q0, q1) = self.quads;
        let ShrinkSettings { strength, noise, own, .. } = *self.settings;
        let of = Of::new(noise, own, strength);
        let last = self.picture.height().div_ceil(STEP);
        let begin = if self.settings.wiener { q0.saturating_sub(1) } else { q0 };
        let end = if self.settings.wiener { (q1 + 1).min(last) } else { q1 };
        self.load(begin);
        self.load(begin + 1);
        self.blocks(begin, &of, false);
        for q in begin..end {
            self.load(q + 2);
            self.blocks(q + 1, &of, false);
            if !self.settings.wiener {
                self.finish(false);
                self.write(q);
                continue;
            }
            self.finish(false);
            if q == 0 {
                self.know(0, |_| 0);
            }
            let below = (self.picture.height() - 1 - STEP * q).min(STEP - 1);
            self.know(q + 1, |j| j.min(below));
            let bottom = q + 1 == last && q1 == last;
            if bottom {
                self.know(last + 1, |_| below);
            }
            self.second(q, &of);
            if bottom {
                self.second(last, &of);
            }
        }
    }
}

/// What all blocks share.
struct Of {
    /// Power by frequency in units of the mean; by how much that of the current frame exceeds it.
    shape: Shape,
    extra: Shape,
    /// Variance of the current frame.
    slope: f32,
    floor: f32,
    squared: f32,
}

impl Of {
    fn new(noise: NoisePower, own: Own, strength: f32) -> Self {
        let mean = noise.as_flattened().iter().sum::<f32>() / AREA as f32;
        let (mut shape, mut extra) = (noise, own.noise);
        let both = shape.as_flattened_mut().iter_mut().zip(extra.as_flattened_mut());
        for (s, e) in both {
            (*s, *e) = (*s / mean, (*e - *s) / mean);
        }
        (shape[0][0], extra[0][0]) = (0.0, 0.0);
        Self { shape, extra, slope: own.slope, floor: own.floor, squared: strength * strength }
    }

    /// The variance of each block that is the current frame's own, from the whole and the blocks'
    /// sums along x.
    #[inline(always)]
    fn own(&self, variance: &Lanes, (a, b): (&Half, &Half)) -> Lanes {
        let mut own = [0.0; LANES];
        for i in 0..LANES {
            let sum: f32 = column(&a[0], &b[0], i).iter().sum();
            let alone = self.slope * (sum * MEAN).max(0.0) + self.floor;
            let v = variance[i];
            own[i] = if v < alone { v * v / alone } else { v };
        }
        own
    }
}

/// Mean of a block from the sum of its rows' first coefficients: each is the root of eight times the
/// row's mean.
const MEAN: f32 = 0.125 / 2.828_427;

impl Band<'_> {
    /// Reads half `t`: rows 4t - 4 to 4t - 1.
    #[inline(always)]
    fn load(&mut self, t: usize) {
        let s = &mut *self.scratch;
        let at = |j: usize| (STEP * t + j).saturating_sub(STEP).min(self.picture.height() - 1);
        for j in 0..STEP {
            take_apart(self.picture.row(at(j)), &mut s.row);
            along_x(&s.row, j, &mut s.halves[t % 4]);
        }
        // Variances are smooth: every second pixel of every second row tells.
        let power = &mut s.powers[t % 4];
        power.fill(0.0);
        for j in [0, 2] {
            let row = self.variance.row(at(j));
            let (quads, rest) = row.as_chunks::<STEP>();
            for (p, q) in power[1..].iter_mut().zip(quads) {
                *p += q[0] + q[2];
            }
            // The edges are repeated.
            let (first, last) = (row[0], row[row.len() - 1]);
            let mut after = power[quads.len() + 1..].iter_mut();
            if !rest.is_empty() {
                let of = |m: usize| rest.get(m).copied().unwrap_or(last);
                after.by_ref().take(1).for_each(|p| *p += of(0) + of(2));
            }
            after.for_each(|p| *p += last + last);
            power[0] += first + first;
        }
    }

    /// Takes the rows that came out of the first pass as half `t`.
    #[inline(always)]
    fn know(&mut self, t: usize, row: impl Fn(usize) -> usize) {
        let s = &mut *self.scratch;
        for j in 0..STEP {
            along_x(&s.rows[row(j)], j, &mut s.known[t % 3]);
        }
    }

    /// Row of blocks `r` of the second pass, and the four rows that it completes.
    #[inline(always)]
    fn second(&mut self, r: usize, of: &Of) {
        let (q0, q1) = self.quads;
        if r < q0 || r > q1 {
            return;
        }
        self.blocks(r, of, true);
        if r > q0 {
            self.finish(true);
            self.write(r - 1);
        }
    }

    /// Works on row of blocks `r`.
    #[inline(always)]
    fn blocks(&mut self, r: usize, of: &Of, second: bool) {
        let s = &mut *self.scratch;
        let pass = if second { &mut s.second } else { &mut s.first };
        pass.quiet.swap(0, 1);
        pass.left.swap(0, 1);
        let (upper, lower) = (&s.halves[r % 4], &s.halves[(r + 1) % 4]);
        let (known_upper, known_lower) = (&s.known[r % 3], &s.known[(r + 1) % 3]);
        let (p, q) = (&s.powers[r % 4], &s.powers[(r + 1) % 4]);
        let mut blocks = [[[0.0; LANES]; SIDE]; SIDE];
        for g in 0..upper.len() {
            let at = g * LANES;
            let mut variance = [0.0; LANES];
            let (p, q) = (&p[at..at + LANES + 1], &q[at..at + LANES + 1]);
            for i in 0..LANES {
                variance[i] = (p[i] + p[i + 1] + q[i] + q[i + 1]) / (AREA / 4) as f32;
            }
            let own = (&upper[g], &lower[g]);
            let mut o = of.own(&variance, own);
            let mut v = variance;
            for i in 0..LANES {
                (v[i], o[i]) = (v[i] * of.squared, o[i] * of.squared);
            }
            let mut kept = [1.0; LANES];
            if second {
                let known = (&known_upper[g], &known_lower[g]);
                weighted(own, known, (&v, &o), (&of.shape, &of.extra), &mut blocks, &mut kept);
            } else {
                dropped(own, (&v, &o), (&of.shape, &of.extra), &mut blocks, &mut kept);
            }
            let mut quiet = [0.0; LANES];
            for i in 0..LANES {
                quiet[i] = if v[i] > 0.0 { 1.0 / (v[i] * kept[i]) } else { 1e12 };
            }
            let left = &mut pass.left[1][at..at + LANES];
            for i in 0..LANES {
                left[i] = quiet[i] * variance[i] * (kept[i] / AREA as f32).min(1.0);
            }
            pass.quiet[1][at..at + LANES].copy_from_slice(&quiet);
            put(&blocks, &quiet, &mut pass.done[g], &mut pass.carry[g]);
        }
    }

    /// Brings the four rows that are complete back from coefficients.
    #[inline(always)]
    fn finish(&mut self, second: bool) {
        let w = self.picture.width();
        let s = &mut *self.scratch;
        let pass = if second { &s.second } else { &s.first };
        let mut values = [[0.0; LANES]; SIDE];
        for j in 0..STEP {
            for (g, done) in pass.done.iter().enumerate() {
                for i in 0..LANES {
                    let x = inverse(std::array::from_fn(|k| done[k][j][i]));
                    for m in 0..SIDE {
                        values[m][i] = TAPER[m] * x[m];
                    }
                }
                for (out, values) in s.halfway.iter_mut().zip(&values) {
                    out[g * LANES..(g + 1) * LANES].copy_from_slice(values);
                }
            }
            let (upper, lower) = (TAPER[j + STEP], TAPER[j]);
            mixed((&pass.quiet, upper, lower), &mut s.weights);
            let quads = w.div_ceil(STEP);
            for m in 0..STEP {
                let (right, left) = (TAPER[m + STEP], TAPER[m]);
                let (a, b) = (&s.halfway[m + STEP][..quads], &s.halfway[m][1..=quads]);
                let (p, q) = (&s.weights[..quads], &s.weights[1..=quads]);
                let out = &mut s.rows[j][m][1..=quads];
                for i in 0..quads {
                    out[i] = (a[i] + b[i]) / (right * p[i] + left * q[i]);
                }
            }
            mend(&mut s.rows[j], w);
        }
    }

    /// Writes the four rows `q` to the result.
    #[inline(always)]
    fn write(&mut self, q: usize) {
        let w = self.picture.width();
        let at = (q - self.quads.0) * STEP * w;
        for (row, out) in self.scratch.rows.iter().zip(self.out[at..].chunks_exact_mut(w)) {
            let (quads, rest) = out.as_chunks_mut::<STEP>();
            let n = quads.len() + 1;
            let from = row[0][1..n].iter().zip(&row[1][1..n]);
            let from = from.zip(row[2][1..n].iter().zip(&row[3][1..n]));
            for (o, ((a, b), (c, d))) in quads.iter_mut().zip(from) {
                *o = [*a, *b, *c, *d];
            }
            for (o, v) in rest.iter_mut().zip(row) {
                *o = v[n];
            }
        }
        let pass = if self.settings.wiener { &self.scratch.second } else { &self.scratch.first };
        let n = w.div_ceil(STEP);
        let at = (q - self.quads.0) * n;
        let out = &mut self.left[at..at + n];
        // Four blocks cover a square alike.
        let [a, b] = pass.left.each_ref().map(|v| &v[..n + 1]);
        let [p, q] = pass.quiet.each_ref().map(|v| &v[..n + 1]);
        for x in 0..n {
            out[x] = (a[x] + a[x + 1] + b[x] + b[x + 1]) / (p[x] + p[x + 1] + q[x] + q[x + 1]);
        }
    }
}

/// Values of two rows of blocks, mixed.
#[inline(always)]
fn mixed((of, upper, lower): (&[Vec<f32>; 2], f32, f32), out: &mut [f32]) {
    for (o, (a, b)) in out.iter_mut().zip(of[0].iter().zip(&of[1])) {
        *o = upper * a + lower * b;
    }
}

#[cfg(test)]
mod tests;
