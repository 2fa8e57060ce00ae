//! The nearest frames along the path of what moves, tile by tile.
//!
//! Each frame has a weight of its own at every cell, by whether its difference to the current
//! frame is noise ([`super::agree`]). The mean along the path has far less noise than the current
//! frame alone, so the segments of the window are tested once more against it: what moves slowly
//! in little light is told from what is still.

use super::agree::{AgreeScratch, SQUARES_2, agreement, spread_doubt};
use super::still::CellBand;
use super::sums::good;
use crate::frame::convert::{clamp_index, index_in, round_isize, signed};
use crate::frame::{FixedPlane, Plane, spare};
use crate::math::blur::binomial_into;
use crate::math::resample::valid_range;
use crate::math::trajectory::{
    FRAMES, Neighbours, Path, REACH, Rect, Scratch, from_whole, read, refine, search,
};

/// Side of a tile, and the pixels around it that are looked at; even.
pub(super) const TILE: usize = 32;
const MARGIN: usize = 8;
/// A tile moves where the best path explains this part of what standing still leaves.
const MOVES: f32 = 0.9;

/// The frames around the current one.
pub(super) struct Moving<'a> {
    pub(super) frames: Neighbours<'a>,
    pub(super) planes: [Option<&'a FixedPlane>; FRAMES],
    /// Whether any pixel of a frame is flawed.
    pub(super) flawed: [bool; FRAMES],
    /// How many frames on each side are used.
    pub(super) reach: usize,
}

/// What the nearest frames say of a tile's pixels: sums without the current frame.
#[derive(Debug, Clone, Default)]
pub(super) struct TileSums {
    pub(super) sum: Vec<f32>,
    pub(super) weight: Vec<f32>,
    pub(super) squares: Vec<f32>,
}

/// Working memory of one thread.
#[derive(Debug, Default)]
pub(super) struct TileScratch {
    path: Scratch,
    agree: AgreeScratch,
    rows: crate::math::resample::RowScratch,
    patch: Vec<f32>,
    cells: Vec<f32>,
    now: Vec<f32>,
    variance: Vec<f32>,
    weight: Vec<f32>,
    low: Vec<f32>,
}

/// The tile with its margin, cut to the picture; its corner is even.
fn grown([x, y, w, h]: Rect, (width, height): (usize, usize)) -> Rect {
    let (ax, ay) = (x.saturating_sub(MARGIN), y.saturating_sub(MARGIN));
    [ax, ay, (x + w + MARGIN).min(width) - ax, (y + h + MARGIN).min(height) - ay]
}

impl Moving<'_> {
    /// How the tile moves; `None` where it does not.
    pub(super) fn path(&self, tile: Rect, noise: f32, s: &mut TileScratch) -> Option<Path> {
        let now = self.planes[REACH]?;
        let rect = grown(tile, (now.width, now.height));
        let (whole, ratio) = search(&self.frames, rect);
        if ratio > MOVES || whole == [0, 0] && ratio > 0.999 && self.reach == 0 {
            return None;
        }
        let mut path = from_whole(whole);
        let short = self.reach.min(2);
        refine(&self.frames, rect, &mut path, (short, true), 0.05 * noise, &mut s.path);
        refine(&self.frames, rect, &mut path, (self.reach, true), 0.05 * noise, &mut s.path);
        refine(&self.frames, rect, &mut path, (self.reach, false), noise, &mut s.path);
        Some(path)
    }

    /// Sums of the nearest frames along `path`, and the window's segments tested again: their
    /// weights in `retest` (one list for each segment, cells of the tile row by row).
    pub(super) fn merge(
        &self,
        tile: Rect,
        path: &Path,
        band: &CellBand,
        retest: &mut Vec<Vec<f32>>,
        s: &mut TileScratch,
    ) -> TileSums {
        let Some(now) = self.planes[REACH] else { return TileSums::default() };
        let Some(current) = self.frames[REACH] else { return TileSums::default() };
        let rect = grown(tile, (now.width, now.height));
        let (cw, ch) = (rect[2].div_ceil(2), rect[3].div_ceil(2));
        let at = |c: usize| (rect[1] / 2 + c / cw - band.first) * band.width + rect[0] / 2 + c % cw;
        read(&current.full, rect, [0.0, 0.0], &mut s.patch, &mut s.rows);
        let mut own = Vec::new();
        binned(&s.patch, rect[2], &mut own);
        s.now.clone_from(&s.patch);
        s.variance.clear();
        s.variance.extend((0..cw * ch).map(|c| 2.0 * band.cell_variance[at(c)]));
        let mut out = TileSums {
            sum: vec![0.0; tile[2] * tile[3]],
            weight: vec![0.0; tile[2] * tile[3]],
            squares: vec![0.0; tile[2] * tile[3]],
        };
        let mut mean = own.clone();
        let mut total = vec![(1.0_f32, 1.0_f32); cw * ch];
        let mut evidence = vec![0.0_f32; cw * ch];
        let mut frames = 0.0_f32;
        for k in (-signed(self.reach)..=signed(self.reach)).filter(|&k| k != 0) {
            let index = clamp_index(k + signed(REACH), FRAMES);
            let Some(frame) = self.frames[index] else { continue };
            let d = path.at(k);
            let gain = read(&frame.full, rect, d, &mut s.patch, &mut s.rows);
            binned(&s.patch, rect[2], &mut s.cells);
            let mut difference = std::mem::take(&mut s.low);
            difference.clear();
            difference.extend(s.cells.iter().zip(&own).map(|(a, b)| a - b));
            agreement(&difference, &s.variance, cw, &mut s.weight, &mut s.agree);
            s.low = difference;
            spread_doubt(&mut s.weight, cw, &mut s.low);
            for (c, (m, t)) in mean.iter_mut().zip(&mut total).enumerate() {
                let k = s.weight[c];
                *m += k * s.cells[c];
                *t = (t.0 + k, t.1 + k * k);
            }
            for (y, e) in evidence.chunks_exact_mut(cw).enumerate() {
                let still = &frame.cells.row(rect[1] / 2 + y)[rect[0] / 2..][..cw];
                let line = y * cw..(y + 1) * cw;
                let (own, along) = (&own[line.clone()], &s.cells[line.clone()]);
                let variance = &s.variance[line];
                for x in 0..cw {
                    let (a, b) = (still[x] - own[x], along[x] - own[x]);
                    e[x] += (a * a - b * b) / variance[x];
                }
            }
            frames += 1.0;
            self.add(index, (tile, rect), (d, gain), s, &mut out);
        }
        let moves = moves(&evidence, cw, frames, s);
        retest.clear();
        for (mean_s, count_s) in band.mean.iter().zip(&band.count) {
            let mut difference = Vec::with_capacity(cw * ch);
            let mut variance = Vec::with_capacity(cw * ch);
            for c in 0..cw * ch {
                let i = at(c);
                let (t, n) = (total[c], count_s[i]);
                difference.push(if n > 0.25 { mean_s[i] - mean[c] / t.0 } else { 0.0 });
                let parts = t.1 / (t.0 * t.0) + 1.0 / n.max(0.25);
                variance.push(band.cell_variance[i] * parts);
            }
            agreement(&difference, &variance, cw, &mut s.weight, &mut s.agree);
            for (w, m) in s.weight.iter_mut().zip(&moves) {
                *w *= 1.0 - m;
            }
            spread_doubt(&mut s.weight, cw, &mut s.low);
            let (ox, oy) = ((tile[0] - rect[0]) / 2, (tile[1] - rect[1]) / 2);
            let inner = (0..tile[3].div_ceil(2)).flat_map(|y| {
                let row = (oy + y) * cw + ox;
                s.weight[row..row + tile[2].div_ceil(2)].iter().copied()
            });
            retest.push(inner.collect());
        }
        out
    }

    /// Adds one frame, read at `d`, to a tile's sums.
    fn add(
        &self,
        index: usize,
        (tile, rect): (Rect, Rect),
        (d, gain): ([f64; 2], f32),
        s: &TileScratch,
        out: &mut TileSums,
    ) {
        let Some(plane) = self.planes[index] else { return };
        let cw = rect[2].div_ceil(2);
        let (ox, oy) = (tile[0] - rect[0], tile[1] - rect[1]);
        let (x0, x1) = valid_range(signed(tile[0]), d[0], tile[2], plane.width);
        let (y0, y1) = valid_range(signed(tile[1]), d[1], tile[3], plane.height);
        for y in y0..y1 {
            let weights = &s.weight[(oy + y) / 2 * cw..];
            let values = &s.patch[(oy + y) * rect[2] + ox..];
            let line = y * tile[2];
            let mut w = [0.0_f32; TILE];
            for (x, w) in w[x0..x1].iter_mut().enumerate() {
                *w = weights[(ox + x0 + x) / 2];
            }
            if self.flawed[index] {
                for (x, w) in w[..tile[2]].iter_mut().enumerate() {
                    if near_flaw(plane, tile[0] + x, tile[1] + y, d) {
                        *w = 0.0;
                    }
                }
            }
            let sums = out.sum[line..].iter_mut().zip(&mut out.weight[line..]);
            let sums = sums.zip(&mut out.squares[line..]).zip(w[..tile[2]].iter().zip(values));
            for (((sum, weight), squares), (w, v)) in sums {
                *sum += w * v;
                *weight += w;
                *squares += w * w * gain;
            }
        }
    }
}

/// How sure it is (0 to 1) that each cell goes along the path rather than stands still.
///
/// `evidence` sums, over `frames` frames, what standing still leaves less what the path leaves, in
/// units of the difference's variance: each has variance 3 where there is nothing to tell.
fn moves(evidence: &[f32], cw: usize, frames: f32, s: &mut TileScratch) -> Vec<f32> {
    let (mut once, mut twice) = (Vec::new(), Vec::new());
    binomial_into(evidence, cw, &mut once, &mut s.agree.blur);
    binomial_into(&once, cw, &mut twice, &mut s.agree.blur);
    let scale = 1.0 / (3.0 * frames.max(1.0) * SQUARES_2).sqrt();
    twice.iter().map(|e| (0.5 * (e * scale + 1.0)).clamp(0.0, 1.0)).collect()
}

/// Whether a pixel that the position (x, y) + d touches is flawed.
fn near_flaw(plane: &FixedPlane, x: usize, y: usize, d: [f64; 2]) -> bool {
    let (cx, cy) = (signed(x) + round_isize(d[0]), signed(y) + round_isize(d[1]));
    (cy - 1..=cy + 1).any(|j| {
        (cx - 1..=cx + 1).any(|i| {
            let near = index_in(i, plane.width).zip(index_in(j, plane.height));
            near.is_some_and(|(i, j)| !good(plane.codes[j * plane.width + i]))
        })
    })
}

/// Means of cells of 2 x 2 pixels of a patch `width` wide; an odd rim is a cell of its own.
fn binned(patch: &[f32], width: usize, out: &mut Vec<f32>) {
    out.clear();
    let rows = patch.len() / width.max(1);
    for y in (0..rows).step_by(2) {
        let a = &patch[y * width..(y + 1) * width];
        let b = &patch[(y + 1).min(rows - 1) * width..][..width];
        for (p, q) in a.chunks(2).zip(b.chunks(2)) {
            let (l, r) = (p[0] + q[0], p[p.len() - 1] + q[q.len() - 1]);
            out.push(0.25 * (l + r));
        }
    }
}

/// The values of a plane of codes, flawed ones replaced by the last good one of their row.
pub(super) fn filled(plane: &FixedPlane) -> (Plane, bool) {
    let mut flawed = false;
    let mut values = spare::values(plane.codes.len());
    for y in 0..plane.height {
        let row = plane.row(y);
        let mut last = row.iter().copied().find(|&c| good(c)).unwrap_or(1);
        for &c in row {
            if good(c) {
                last = c;
            } else {
                flawed = true;
            }
            values.push(plane.coding.decode(last));
        }
    }
    (Plane::from_vec(plane.width, plane.height, values).unwrap_or_default(), flawed)
}
