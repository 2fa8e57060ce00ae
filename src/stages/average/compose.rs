//! A result put together, band by band and tile by tile.

use std::cell::Cell;
use std::ops::Range;

use rayon::prelude::*;

use super::band::CellBand;
use super::coarse::doubled;
use super::moving::{Moving, TILE, Tile, TileScratch};
use super::still::{Level, Sources};
use super::sums::{Segment, cells, good};
use crate::frame::convert::to_f32;
use crate::frame::{FixedPlane, Plane};
use crate::math::patch::any_marked;
use crate::math::trajectory::{Found, Path};
use crate::math::wide::{Wide, wide};

/// Rows worked on together, and rows beyond them that the filters look at; both even. All that they
/// look at: results do not depend on where bands begin.
const BAND: usize = 128;
const HALO: usize = 20;
/// Columns of a band worked on together: what is at hand for them stays near the processor.
const STRIP: usize = 2048;
/// Mean certainty of a quarter tile below which it is looked at for motion.
const SURE: f32 = 0.85;

/// Everything needed to average one plane of one frame.
pub(super) struct Merge<'a> {
    pub(super) current: &'a FixedPlane,
    /// Whether all of the window is averaged without any test.
    pub(super) plain: bool,
    /// Whether cells are judged four at a time.
    pub(super) coarse: bool,
    pub(super) level: Level<'a>,
    pub(super) segments: &'a [Segment],
    pub(super) moving: Moving<'a>,
}

/// Rows of a result, from `first` on.
struct Part<'a> {
    first: usize,
    values: &'a mut [f32],
    variance: &'a mut [f32],
}

/// Working memory of one thread.
#[derive(Debug, Default)]
struct Scratch {
    band: CellBand,
    tile: TileScratch,
    /// Tiles of a row that move.
    tiles: Vec<Tile>,
    /// Which of those each tile of the row is.
    which: Vec<Option<usize>>,
    line: StillLine,
}

thread_local! {
    static SCRATCH: Cell<Option<Box<Scratch>>> = const { Cell::new(None) };
}

impl Merge<'_> {
    /// Values and their variances.
    pub(super) fn run(&self) -> (Plane, Plane) {
        let (w, h) = (self.current.width, self.current.height);
        let (mut values, mut variance) = (Plane::to_write(w, h), Plane::to_write(w, h));
        let bands = values.data_mut().par_chunks_mut(BAND * w);
        let bands = bands.zip(variance.data_mut().par_chunks_mut(BAND * w)).enumerate();
        bands.for_each(|(k, (values, variance))| {
            let mut scratch = SCRATCH.take().unwrap_or_default();
            let rows = (k * BAND, (k * BAND + BAND).min(h));
            self.band(rows, &mut Part { first: rows.0, values, variance }, &mut scratch);
            SCRATCH.set(Some(scratch));
        });
        (values, variance)
    }

    fn band(&self, (y0, y1): (usize, usize), part: &mut Part<'_>, scratch: &mut Scratch) {
        let (w, h) = (self.current.width, self.current.height);
        let Scratch { band, tile: scratch, tiles, which, line } = scratch;
        line.fit();
        let Self { current, segments, ref level, plain, coarse, .. } = *self;
        let of = Sources { current, segments, level, plain, coarse };
        let around = |from: usize, to: usize, n: usize| {
            from.saturating_sub(HALO) / 2..cells((to + HALO).min(n))
        };
        for x0 in (0..w).step_by(STRIP) {
            let x1 = (x0 + STRIP).min(w);
            band.make(of, &around(x0, x1, w), &around(y0, y1, h));
            for ty in (y0..y1).step_by(TILE) {
                let height = TILE.min(y1 - ty);
                let mut moving = 0;
                which.clear();
                let mut near = None;
                for tx in (x0..x1).step_by(TILE) {
                    let tile = [tx, ty, TILE.min(x1 - tx), height];
                    let path = self.moving_path(tile, band, &mut near, scratch);
                    which.push(path.map(|path| {
                        if moving == tiles.len() {
                            tiles.push(Tile::default());
                        }
                        let tile = (&mut tiles[moving], &mut *scratch);
                        self.moving.merge([tx, ty], &path, band, tile);
                        moving += 1;
                        moving - 1
                    }));
                }
                let at = [x0, ty];
                wide(Composing { of, band, at, height, tiles, which, part, line });
            }
        }
    }

    fn moving_path(
        &self,
        tile: [usize; 4],
        band: &CellBand,
        near: &mut Option<(Found, Path)>,
        s: &mut TileScratch,
    ) -> Option<Path> {
        if self.plain || !uncertain(band, tile) {
            *near = None;
            return None;
        }
        let middle = band.at(tile[0] / 2 + tile[2] / 4, tile[1] / 2 + tile[3] / 4);
        self.moving.path([tile[0], tile[1]], band.pixel_variance[middle], near, s)
    }
}

/// A row of tiles put together from the current frame, the window and the nearest frames, as one
/// piece of work: line by line, as the sums lie in memory.
struct Composing<'a, 'p> {
    of: Sources<'a>,
    band: &'a CellBand,
    /// Column and row that the first tile begins at, and how many rows there are.
    at: [usize; 2],
    height: usize,
    tiles: &'a [Tile],
    which: &'a [Option<usize>],
    part: &'a mut Part<'p>,
    line: &'a mut StillLine,
}

/// A line of a tile.
type Line = [f32; TILE];

/// What a row of pixels is made from where nothing moves: by cell, and by pixel.
#[derive(Debug, Default)]
struct StillLine {
    share: Vec<f32>,
    left: Vec<f32>,
    shares: Vec<f32>,
    weights: [Vec<f32>; 4],
}

impl StillLine {
    /// Room for strips.
    fn fit(&mut self) {
        for v in
            [&mut self.share, &mut self.left, &mut self.shares].into_iter().chain(&mut self.weights)
        {
            v.resize(STRIP, 0.0);
        }
    }
}

impl Wide for Composing<'_, '_> {
    type Output = ();

    #[inline(always)]
    fn call(mut self) {
        let [left, first] = self.at;
        // Two rows of pixels are one of cells.
        for y in (0..self.height).step_by(2) {
            let rows = y..(y + 2).min(self.height);
            let clean = rows.clone().map(|y| first + y).all(|row| {
                let current = self.of.current.row(row);
                !any_marked(&current[left..(left + STRIP).min(current.len())])
                    && self.of.segments.iter().all(|s| s.bad[row] == 0)
            });
            let mut i = 0;
            while i < self.which.len() {
                let still = self.which[i..].iter().take_while(|which| which.is_none()).count();
                let (x0, x1) = (left + i * TILE, left + (i + still) * TILE);
                if clean && still > 0 {
                    self.still(x0..x1.min(self.of.current.width), first + y, rows.len());
                    i += still;
                    continue;
                }
                let which = self.which[i];
                for y in rows.clone() {
                    self.line([x0, first + y], y, which.map(|n| &self.tiles[n]));
                }
                i += 1;
            }
        }
    }
}

impl Composing<'_, '_> {
    /// Some columns of a row of cells, of one or two `rows` of pixels, where nothing moves and nothing
    /// is flawed: what cells share is done once for each cell.
    #[inline(always)]
    fn still(&mut self, columns: Range<usize>, y: usize, rows: usize) {
        match self.of.segments.len() {
            2 => self.still_of::<2>(columns, y, rows),
            4 => self.still_of::<4>(columns, y, rows),
            _ => {}
        }
    }

    #[inline(always)]
    fn still_of<const N: usize>(&mut self, columns: Range<usize>, y: usize, rows: usize) {
        let Self { of, band, part, line, .. } = self;
        let (width, n) = (of.current.width, columns.len());
        let (zero, step) = (of.current.coding.zero, of.current.coding.step);
        let from = band.at(columns.start / 2, y / 2);
        let at = from..from + n.div_ceil(2);
        let (share, left) = (&mut line.share[..at.len()], &mut line.left[..at.len()]);
        // Weights and their squares first.
        share.fill(1.0);
        left.fill(1.0);
        for (k, segment) in band.weight.iter().zip(of.segments) {
            let frames = f32::from(segment.frames);
            for ((w, s), k) in share.iter_mut().zip(&mut *left).zip(&k[at.clone()]) {
                *w += k * frames;
                *s += k * k * frames;
            }
        }
        for ((w, s), noise) in
            share.iter_mut().zip(&mut *left).zip(&band.pixel_variance[at.clone()])
        {
            *w = 1.0 / *w;
            *s = noise * (*s * *w * *w);
        }
        doubled(share, &mut line.shares[..n]);
        for (out, k) in line.weights.iter_mut().zip(&band.weight) {
            doubled(&k[at.clone()], &mut out[..n]);
        }
        let shares = &line.shares[..n];
        let weights: [&[f32]; N] = std::array::from_fn(|s| &line.weights[s][..n]);
        for y in y..y + rows {
            let at = y * width + columns.start;
            let at = at..at + n;
            let totals: [&[u32]; N] = std::array::from_fn(|s| &of.segments[s].total[at.clone()]);
            let codes = &of.current.codes[at.clone()];
            let out = at.start - part.first * width;
            let values = &mut part.values[out..out + n];
            for x in 0..n {
                let mut sum = f32::from(codes[x]);
                for s in 0..N {
                    sum += weights[s][x] * totals[s][x].cast_signed() as f32;
                }
                values[x] = (sum * shares[x] - zero) * step;
            }
            doubled(left, &mut part.variance[out..out + n]);
        }
    }

    /// Row `row` of the tile that begins at x. Lengths are what the tile has: loops of a length known
    /// before are unrolled, and then done one value at a time.
    #[inline(always)]
    fn line(&mut self, [tx, y]: [usize; 2], row: usize, moving: Option<&Tile>) {
        let Self { of, band, part, .. } = self;
        let w = of.current.width;
        let tw = TILE.min(w - tx);
        let (zero, step) = (of.current.coding.zero, of.current.coding.step);
        let at = y * w + tx;
        let cell = band.at(tx / 2, y / 2);
        let cells = cell..cell + tw.div_ceil(2);
        let inner = row / 2;
        // Codes first: sums of a still place are exact.
        let codes = &of.current.codes[at..at + tw];
        let (mut sum, mut weight): (Line, Line) = ([0.0; TILE], [0.0; TILE]);
        let (mut squares, mut sure): (Line, Line) = ([0.0; TILE], [0.0; TILE]);
        let (mut k, mut retest): (Line, Line) = ([0.0; TILE], [0.0; TILE]);
        let (sum, weight, squares) = (&mut sum[..tw], &mut weight[..tw], &mut squares[..tw]);
        let (sure, k, retest) = (&mut sure[..tw], &mut k[..tw], &mut retest[..tw]);
        for x in 0..tw {
            let own = if good(codes[x]) { 1.0 } else { 0.0 };
            (sum[x], weight[x], squares[x]) = (own * f32::from(codes[x]), own, own);
        }
        for (s, segment) in of.segments.iter().enumerate() {
            if moving.is_some_and(|m| !m.remains[s]) {
                continue;
            }
            doubled(&band.weight[s][cells.clone()], k);
            if let Some(m) = moving {
                doubled(&m.retest[s][inner], retest);
                for x in 0..tw {
                    k[x] *= retest[x];
                }
                if band.near().contains(&s) {
                    for x in 0..tw {
                        sure[x] = if k[x] > sure[x] { k[x] } else { sure[x] };
                    }
                }
            }
            let total = &segment.total[at..at + tw];
            let mut n = [f32::from(segment.frames); TILE];
            let n = &mut n[..tw];
            if segment.bad[y] > 0 {
                let count = &segment.count[at..at + tw];
                n.iter_mut().zip(count).for_each(|(n, c)| *n = f32::from(*c));
            }
            for x in 0..tw {
                sum[x] += k[x] * total[x].cast_signed() as f32;
                weight[x] += k[x] * n[x];
                squares[x] += k[x] * k[x] * n[x];
            }
        }
        if let Some(m) = moving {
            let (m_sum, m_weight) = (&m.sum[row][..tw], &m.weight[row][..tw]);
            let m_squares = &m.squares[row][..tw];
            for x in 0..tw {
                let share = 1.0 - sure[x];
                let n = m_weight[x];
                sum[x] += share * (m_sum[x] / step + n * zero);
                weight[x] += share * n;
                squares[x] += share * share * m_squares[x];
            }
        }
        let out = (y - part.first) * w + tx;
        let (values, variance) =
            (&mut part.values[out..out + tw], &mut part.variance[out..out + tw]);
        doubled(&band.pixel_variance[cells], variance);
        for x in 0..tw {
            let there = weight[x] > 1e-3;
            let share = 1.0 / if there { weight[x] } else { 1.0 };
            values[x] = (sum[x] * share - zero) * step;
            variance[x] *= if there { squares[x] * share * share } else { 1.0 };
        }
        if weight.iter().fold(false, |none, &w| none | (w <= 1e-3)) {
            for x in (0..tw).filter(|&x| weight[x] <= 1e-3) {
                values[x] = fallback(*of, at + x);
            }
        }
    }
}

/// A pixel without good samples that agree: the mean of all good ones, or what the frame says.
#[cold]
fn fallback(of: Sources<'_>, at: usize) -> f32 {
    let (mut sum, mut n) = (0.0, 0.0);
    for s in of.segments {
        sum += f64::from(s.total[at]);
        n += f64::from(s.count[at]);
    }
    let Sources { current, .. } = of;
    if n > 0.0 {
        (to_f32(sum / n) - current.coding.zero) * current.coding.step
    } else {
        current.decode_at(at)
    }
}

/// Whether a tile has a quarter where no near segment surely shows what the frame shows.
fn uncertain(band: &CellBand, [tx, ty, tw, th]: [usize; 4]) -> bool {
    const SIDE: usize = TILE / 4;
    let (x0, x1) = (tx / 2 - band.left, (tx / 2 - band.left + tw.div_ceil(2)).min(band.width));
    let (y0, y1) = (ty / 2 - band.first, ty / 2 - band.first + th.div_ceil(2));
    (y0..y1).step_by(SIDE).any(|qy| {
        (x0..x1).step_by(SIDE).any(|qx| {
            let (mut sum, mut n) = ([0.0_f32; SIDE], 0.0);
            for y in qy..(qy + SIDE).min(y1) {
                let row = &band.sure[y * band.width..];
                for (s, v) in sum.iter_mut().zip(&row[qx..(qx + SIDE).min(x1)]) {
                    *s += v;
                    n += 1.0;
                }
            }
            sum.iter().sum::<f32>() < SURE * n
        })
    })
}
