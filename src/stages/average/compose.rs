//! A result put together, band by band and tile by tile.

use std::cell::Cell;

use rayon::prelude::*;

use super::moving::{CELLS, Moving, TILE, Tile, TileScratch};
use super::still::{CellBand, Level, Sources};
use super::sums::{Segment, cells, good};
use crate::frame::convert::to_f32;
use crate::frame::{FixedPlane, Plane};
use crate::math::patch::any_marked;
use crate::math::trajectory::Path;
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
        let Scratch { band, tile: scratch, tiles, which } = scratch;
        let of = Sources { current: self.current, segments: self.segments, level: &self.level };
        let around = |from: usize, to: usize, n: usize| {
            from.saturating_sub(HALO) / 2..cells((to + HALO).min(n))
        };
        for x0 in (0..w).step_by(STRIP) {
            let x1 = (x0 + STRIP).min(w);
            band.make(of, &around(x0, x1, w), &around(y0, y1, h));
            if self.plain {
                for (weight, count) in band.weight.iter_mut().zip(&band.count) {
                    for (v, n) in weight.iter_mut().zip(count) {
                        *v = if *n > 0.0 { 1.0 } else { 0.0 };
                    }
                }
            }
            for ty in (y0..y1).step_by(TILE) {
                let height = TILE.min(y1 - ty);
                let mut moving = 0;
                which.clear();
                for tx in (x0..x1).step_by(TILE) {
                    let tile = [tx, ty, TILE.min(x1 - tx), height];
                    let path = self.moving_path(tile, band, scratch);
                    which.push(path.map(|path| {
                        if moving == tiles.len() {
                            tiles.push(Tile::default());
                        }
                        self.moving.merge([tx, ty], &path, band, &mut tiles[moving]);
                        moving += 1;
                        moving - 1
                    }));
                }
                wide(Composing { of, band, at: [x0, ty], height, tiles, which, part });
            }
        }
    }

    fn moving_path(&self, tile: [usize; 4], band: &CellBand, s: &mut TileScratch) -> Option<Path> {
        if self.plain || !uncertain(band, tile) {
            return None;
        }
        let middle = band.at(tile[0] / 2 + tile[2] / 4, tile[1] / 2 + tile[3] / 4);
        self.moving.path([tile[0], tile[1]], band.pixel_variance[middle], s)
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
}

/// A line of a tile.
type Line = [f32; TILE];

/// Values for pixels from values for cells.
#[inline(always)]
fn doubled(cells: &[f32]) -> Line {
    let mut out = [0.0; TILE];
    for (pair, v) in out.as_chunks_mut::<2>().0.iter_mut().zip(cells) {
        *pair = [*v, *v];
    }
    out
}

/// The first values of a list, as many as a line has; 0 after its end.
#[inline(always)]
fn line_of<T: Copy + Default>(values: &[T]) -> [T; TILE] {
    if let Some(line) = values.first_chunk::<TILE>() {
        return *line;
    }
    let mut line = [T::default(); TILE];
    line[..values.len()].copy_from_slice(values);
    line
}

impl Wide for Composing<'_, '_> {
    type Output = ();

    #[inline(always)]
    fn call(mut self) {
        let [left, first] = self.at;
        for y in 0..self.height {
            let row = first + y;
            let current = self.of.current.row(row);
            let clean = !any_marked(&current[left..(left + STRIP).min(current.len())])
                && self.of.segments.iter().all(|s| s.bad[row] == 0);
            for (i, which) in self.which.iter().enumerate() {
                let at = [left + i * TILE, row];
                match which {
                    None if clean && at[0] + TILE <= current.len() => self.still(at),
                    _ => self.line(at, y, which.map(|n| &self.tiles[n])),
                }
            }
        }
    }
}

impl Composing<'_, '_> {
    /// A row of a whole tile that does not move and has no flaws: what cells share is done once for
    /// each cell.
    #[inline(always)]
    fn still(&mut self, [tx, y]: [usize; 2]) {
        let Self { of, band, part, .. } = self;
        let (at, cell) = (y * of.current.width + tx, band.at(tx / 2, y / 2));
        let (zero, step) = (of.current.coding.zero, of.current.coding.step);
        let (mut weight, mut squares) = ([1.0_f32; CELLS], [1.0_f32; CELLS]);
        let mut sum = [0.0_f32; TILE];
        for (sum, c) in sum.iter_mut().zip(&of.current.codes[at..at + TILE]) {
            *sum = f32::from(*c);
        }
        for (k, segment) in band.weight.iter().zip(of.segments) {
            let Some(k) = k[cell..].first_chunk::<CELLS>() else { return };
            let Some(total) = segment.total[at..].first_chunk::<TILE>() else { return };
            let n = f32::from(segment.frames);
            for i in 0..CELLS {
                weight[i] += k[i] * n;
                squares[i] += k[i] * k[i] * n;
            }
            for i in 0..CELLS {
                sum[2 * i] += k[i] * total[2 * i].cast_signed() as f32;
                sum[2 * i + 1] += k[i] * total[2 * i + 1].cast_signed() as f32;
            }
        }
        let Some(noise) = band.pixel_variance[cell..].first_chunk::<CELLS>() else { return };
        let out = (y - part.first) * of.current.width + tx;
        let Some(values) = part.values[out..].first_chunk_mut::<TILE>() else { return };
        let Some(variance) = part.variance[out..].first_chunk_mut::<TILE>() else { return };
        for i in 0..CELLS {
            let share = 1.0 / weight[i];
            let v = noise[i] * (squares[i] * share * share);
            values[2 * i] = (sum[2 * i] * share - zero) * step;
            values[2 * i + 1] = (sum[2 * i + 1] * share - zero) * step;
            (variance[2 * i], variance[2 * i + 1]) = (v, v);
        }
    }

    /// Row `row` of the tile that begins at x.
    #[inline(always)]
    fn line(&mut self, [tx, y]: [usize; 2], row: usize, moving: Option<&Tile>) {
        let Self { of, band, part, .. } = self;
        let w = of.current.width;
        let tw = TILE.min(w - tx);
        let (zero, step) = (of.current.coding.zero, of.current.coding.step);
        let at = y * w + tx;
        let cell = band.at(tx / 2, y / 2);
        let inner = row / 2;
        let here = |values: &[f32]| doubled(&values[cell..cell + tw.div_ceil(2)]);
        // Codes first: sums of a still place are exact.
        let codes = line_of(&of.current.codes[at..at + tw]);
        let (mut sum, mut weight) = ([0.0; TILE], [0.0; TILE]);
        for x in 0..TILE {
            let own = if good(codes[x]) { 1.0 } else { 0.0 };
            (sum[x], weight[x]) = (own * f32::from(codes[x]), own);
        }
        let mut squares = weight;
        let mut sure = [0.0_f32; TILE];
        for (s, segment) in of.segments.iter().enumerate() {
            let mut k = here(&band.weight[s]);
            if let Some(m) = moving {
                let retest = doubled(&m.retest[s][inner]);
                for x in 0..TILE {
                    k[x] *= retest[x];
                }
                if band.near().contains(&s) {
                    for x in 0..TILE {
                        sure[x] = if k[x] > sure[x] { k[x] } else { sure[x] };
                    }
                }
            }
            let total = line_of(&segment.total[at..at + tw]);
            let mut count = [segment.frames; TILE];
            if segment.bad[y] > 0 {
                count = line_of(&segment.count[at..at + tw]);
            }
            for x in 0..TILE {
                let n = f32::from(count[x]);
                sum[x] += k[x] * total[x].cast_signed() as f32;
                weight[x] += k[x] * n;
                squares[x] += k[x] * k[x] * n;
            }
        }
        if let Some(m) = moving {
            let (m_sum, m_weight) = (&m.sum[row], &m.weight[row]);
            let m_squares = &m.squares[row];
            for x in 0..TILE {
                let share = 1.0 - sure[x];
                let n = m_weight[x];
                sum[x] += share * (m_sum[x] / step + n * zero);
                weight[x] += share * n;
                squares[x] += share * share * m_squares[x];
            }
        }
        let noise = here(&band.pixel_variance);
        let (mut values, mut variance) = ([0.0; TILE], [0.0; TILE]);
        let mut none = false;
        for x in 0..TILE {
            let there = weight[x] > 1e-3;
            none |= !there;
            let share = 1.0 / if there { weight[x] } else { 1.0 };
            values[x] = (sum[x] * share - zero) * step;
            variance[x] = noise[x] * if there { squares[x] * share * share } else { 1.0 };
        }
        if none {
            for x in (0..tw).filter(|&x| weight[x] <= 1e-3) {
                values[x] = fallback(*of, at + x);
            }
        }
        let out = (y - part.first) * w + tx;
        part.values[out..out + tw].copy_from_slice(&values[..tw]);
        part.variance[out..out + tw].copy_from_slice(&variance[..tw]);
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
