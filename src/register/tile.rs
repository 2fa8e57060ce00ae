//! What one tile of the template says of one frame: sums over its pixels.

use super::patch::{AHEAD, HALF, Patch, SIDE};
use super::target::Target;
use super::{CELL, TILE};
use crate::frame::convert::{floor_isize, round_isize, signed, to_f32};
use crate::frame::{Coding, FixedPlane};
use crate::math::linear::Sym2;
use crate::math::patch::marked;
use crate::math::resample::{BEFORE, TAPS, dot, fine_taps};
use crate::math::turn::Turn;
use crate::math::wide::{Wide, wide};

/// Pixels at the border of frame and template that are not used.
const BORDER: usize = 4;

/// Sums of one tile.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Sums {
    pub(super) info: Sym2,
    pub(super) pull: [f64; 2],
    /// Sum of w g M / a: how light and shift mix.
    pub(super) mix: [f64; 2],
    pub(super) light_info: f64,
    pub(super) light_pull: f64,
    pub(super) misfit: f64,
    pub(super) pixels: f64,
    /// Where its middle lies from that of the frame, in units of half the frame's diagonal.
    pub(super) at: [f64; 2],
    /// The part of `info` that is only the template's noise.
    pub(super) noise: f64,
}

/// What an offset of a row goes with: the sums of w s^2, w s g (along x, along y), w s M and w s r over
/// the row's pixels in a tile; s is what the flat multiplied an offset with.
pub(super) type RowSum = [f32; 5];

/// Those of the rows of one tile.
#[derive(Debug, Clone, Copy)]
pub(super) struct RowSums {
    /// The frame's row that the tile's first one lies on.
    pub(super) first: isize,
    pub(super) rows: [RowSum; TILE],
}

/// A frame's codes under a tile.
type Codes = [[u16; TILE]; TILE];
/// Sums of a tile's pixels, column by column.
type Columns = [[f32; TILE]; SUMS];
/// Number of sums.
const SUMS: usize = 11;

/// Working memory of one thread.
#[derive(Debug, Clone)]
pub struct FitScratch {
    columns: Box<Columns>,
    codes: Box<Codes>,
    rows: Box<[RowSum; TILE]>,
    pub(super) said: Said,
}

impl Default for FitScratch {
    fn default() -> Self {
        Self {
            columns: Box::new([[0.0; TILE]; SUMS]),
            codes: Box::new([[Coding::MISSING; TILE]; TILE]),
            rows: Box::new([[0.0; 5]; TILE]),
            said: Said::default(),
        }
    }
}

/// What the patches say of a frame.
#[derive(Debug, Clone, Default)]
pub(super) struct Said {
    pub(super) tiles: Vec<Sums>,
    /// Of each tile, where rows have offsets; else empty.
    pub(super) rows: Vec<RowSums>,
}

impl Said {
    /// Nothing yet.
    pub(super) fn clear(&mut self) {
        self.tiles.clear();
        self.rows.clear();
    }

    /// Adds what one patch says.
    pub(super) fn add(
        &mut self,
        (frame, target): (&FixedPlane, &Target<'_>),
        patch: &Patch,
        at: (&Moves, f64, usize),
        scratch: &mut FitScratch,
    ) {
        let (sums, first) = tile_sums(frame, target, patch, at, scratch);
        self.tiles.push(sums);
        if target.noise.row > 0.0 {
            self.rows.push(RowSums { first, rows: *scratch.rows });
        }
    }

    /// Adds what was said of the tiles `of` another.
    pub(super) fn extend(&mut self, other: &Self, of: std::ops::Range<usize>) {
        self.tiles.extend_from_slice(&other.tiles[of.clone()]);
        self.rows.extend_from_slice(other.rows.get(of).unwrap_or_default());
    }

    /// Without the tiles that are not to be kept.
    pub(super) fn of(&self, keep: &[bool]) -> Self {
        fn some<T: Copy>(all: &[T], keep: &[bool]) -> Vec<T> {
            all.iter().zip(keep).filter(|(_, keep)| **keep).map(|(t, _)| *t).collect()
        }
        Self { tiles: some(&self.tiles, keep), rows: some(&self.rows, keep) }
    }
}

/// The sums of one patch, and the frame's row that its first one lies on; those of its rows are left in
/// `scratch`.
fn tile_sums(
    frame: &FixedPlane,
    target: &Target<'_>,
    patch: &Patch,
    (moves, light, group): (&Moves, f64, usize),
    scratch: &mut FitScratch,
) -> (Sums, isize) {
    for c in scratch.columns.iter_mut() {
        c.fill(0.0);
    }
    let hidden = patch.hidden.get(group).copied().unwrap_or(0);
    let part = Part { frame, target, patch, light: to_f32(light), hidden };
    let at = moves.offset(patch);
    let moved = moves.of(at);
    part.gather(&moved, &mut scratch.codes);
    let FitScratch { columns, codes, rows, .. } = scratch;
    let rows = (target.noise.row > 0.0).then_some(&mut **rows);
    wide(Adding { part, moved, codes, columns, rows });
    let sums = Sums { at: at.map(|v| v / moves.radius), noise: patch.noise, ..reduce(columns) };
    (sums, signed(patch.corner[1]) + moved.whole[1])
}

/// Half the diagonal of a frame, in pixels.
pub(super) fn half_diagonal(size: [usize; 2]) -> f64 {
    0.5 * libm::hypot(size[0] as f64, size[1] as f64)
}

/// How the patches of a frame are moved.
pub(super) struct Moves {
    shift: [f64; 2],
    turn: Turn,
    middle: [f64; 2],
    radius: f64,
    /// Where there is no turn, all alike.
    common: Moved,
}

impl Moves {
    pub(super) fn new((shift, turn): ([f64; 2], Turn), size: [usize; 2]) -> Self {
        Self {
            shift,
            turn,
            middle: size.map(|n| (n as f64 - 1.0) / 2.0),
            radius: half_diagonal(size),
            common: Moved::new(shift),
        }
    }

    /// Where what a patch tells lies from the middle of the frame.
    fn offset(&self, patch: &Patch) -> [f64; 2] {
        [0, 1].map(|a| patch.corner[a] as f64 + patch.middle[a] - self.middle[a])
    }

    /// The shift of a patch there.
    fn of(&self, offset: [f64; 2]) -> Moved {
        if self.turn.is_none() {
            return self.common;
        }
        let by = self.turn.moves(offset);
        Moved::new([0, 1].map(|a| self.shift[a] + by[a]))
    }
}

/// A shift, as the patches take it.
#[derive(Debug, Clone, Copy)]
struct Moved {
    /// Whole pixels.
    whole: [isize; 2],
    /// Half-pixel sample of the first tap for the tile's first pixel.
    first: [usize; 2],
    taps: [[f32; TAPS]; 2],
    /// The part of a half pixel beyond the sample at or before the position.
    part: [f32; 2],
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
            part: [0, 1].map(|a| to_f32(at[a] - base[a] as f64)),
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

/// Adding up one patch against one frame, as one piece of work.
struct Adding<'a> {
    part: Part<'a>,
    moved: Moved,
    codes: &'a Codes,
    columns: &'a mut Columns,
    /// Sums of its rows one by one, where they are wanted.
    rows: Option<&'a mut [RowSum; TILE]>,
}

impl Wide for Adding<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let Self { part, moved, codes, columns, mut rows } = self;
        if let Some(rows) = &mut rows {
            **rows = [[0.0; 5]; TILE];
        }
        part.each_row(&moved, codes, |i, row, slopes| {
            part.add_row(row, slopes, columns);
            if let Some(rows) = &mut rows {
                rows[i] = part.row_sums(row, slopes);
            }
        });
    }
}

/// One patch against one frame.
#[derive(Clone, Copy)]
struct Part<'a> {
    frame: &'a FixedPlane,
    target: &'a Target<'a>,
    patch: &'a Patch,
    light: f32,
    /// Cells of the tile that something hides in the frame, a bit each.
    hidden: u64,
}

impl Part<'_> {
    /// Copies the frame's codes out of its rows, which lie far apart in memory: so they are all
    /// asked for at once, not one row after the other has been worked on.
    fn gather(&self, moved: &Moved, codes: &mut Codes) {
        let corner = self.patch.corner;
        let (x0, x1) = inside(corner[0], moved.whole[0], self.frame.width);
        let (y0, y1) = inside(corner[1], moved.whole[1], self.frame.height);
        if x0 >= x1 || y0 >= y1 {
            return;
        }
        let x = (signed(corner[0] + x0) + moved.whole[0]).unsigned_abs();
        let y = (signed(corner[1] + y0) + moved.whole[1]).unsigned_abs();
        let rows = self.frame.codes[y * self.frame.width..].chunks(self.frame.width);
        if x1 - x0 == TILE {
            for (row, out) in rows.zip(&mut codes[y0..y1]) {
                if let Some(seen) = row[x..].first_chunk::<TILE>() {
                    *out = *seen;
                }
            }
        } else {
            for (row, out) in rows.zip(&mut codes[y0..y1]) {
                *out = [Coding::MISSING; TILE];
                out[x0..x1].copy_from_slice(&row[x..x + x1 - x0]);
            }
        }
    }

    /// Gives each row of the tile that lies in the frame, with the template's slopes there.
    #[inline(always)]
    fn each_row(
        &self,
        moved: &Moved,
        codes: &Codes,
        mut take: impl FnMut(usize, &Row, [&[f32; TILE]; 2]),
    ) {
        let corner = self.patch.corner;
        let (x0, x1) = inside(corner[0], moved.whole[0], self.frame.width);
        let (y0, y1) = inside(corner[1], moved.whole[1], self.frame.height);
        if x0 >= x1 {
            return;
        }
        let (all_still, _) = self.patch.still.as_chunks::<TILE>();
        let coding = self.frame.coding;
        for i in y0..y1 {
            let mut still = all_still[i];
            if self.hidden != 0 {
                self.hide(i, &mut still);
            }
            let y = (signed(corner[1] + i) + moved.whole[1]).unsigned_abs();
            let x = (signed(corner[0] + x0) + moved.whole[0]).unsigned_abs();
            let mut seen = [0.0; TILE];
            let mut factor = [1.0; TILE];
            for ((v, s), &code) in seen.iter_mut().zip(&mut still).zip(&codes[i]) {
                *v = coding.decode(code);
                *s = if marked(code) { 0.0 } else { *s };
            }
            if let Some(f) = &self.target.noise.factor {
                factor[x0..x1].copy_from_slice(&f.row(y)[x..x + x1 - x0]);
            }
            let row = Row { seen, still, factor, model: interpolated(&self.patch.value, i, moved) };
            let slope_x = slopes(&self.patch.slope_x, i, moved);
            let slope_y = slopes(&self.patch.slope_y, i, moved);
            take(i, &row, [&slope_x, &slope_y]);
        }
    }

    /// What pixel `i` of a row says: value of the model, slopes, residual, weight.
    #[inline(always)]
    fn pixel(&self, row: &Row, [slope_x, slope_y]: [&[f32; TILE]; 2], i: usize) -> Pixel {
        let a = self.light;
        let m = a * row.model[i];
        let noise = [self.target.noise.slope, self.target.noise.floor];
        let scale = 1.0 / self.target.variance_factor;
        let weight = row.still[i] * scale / super::variance(noise, m, row.factor[i]);
        Pixel { m, g: [-a * slope_x[i], -a * slope_y[i]], r: row.seen[i] - m, weight }
    }

    #[inline(always)]
    fn row_sums(&self, row: &Row, slopes: [&[f32; TILE]; 2]) -> RowSum {
        let mut sums = [[0.0_f32; TILE]; 5];
        for i in 0..TILE {
            let Pixel { m, g, r, weight } = self.pixel(row, slopes, i);
            let s = row.factor[i];
            let w = weight * s;
            for (sum, v) in sums.iter_mut().zip([s, g[0], g[1], m, r]) {
                sum[i] = w * v;
            }
        }
        sums.map(|s| s.iter().sum())
    }

    /// Takes the hidden cells out of row `i`.
    #[inline(always)]
    fn hide(&self, i: usize, still: &mut [f32; TILE]) {
        let row = self.hidden >> (i / CELL * (TILE / CELL));
        for (k, s) in still.chunks_exact_mut(CELL).enumerate() {
            if row >> k & 1 != 0 {
                s.fill(0.0);
            }
        }
    }

    #[inline(always)]
    fn add_row(&self, row: &Row, slopes: [&[f32; TILE]; 2], columns: &mut Columns) {
        let [xx, xy, yy, bx, by, mx, my, mm, mr, e, count] = columns;
        for i in 0..TILE {
            let Pixel { m, g: [gx, gy], r, weight } = self.pixel(row, slopes, i);
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
            count[i] += row.still[i];
        }
    }
}

/// What a pixel says.
struct Pixel {
    m: f32,
    g: [f32; 2],
    r: f32,
    weight: f32,
}

/// Row `i` of a tile's values, moved.
#[inline(always)]
fn interpolated(samples: &[f32], i: usize, moved: &Moved) -> [f32; TILE] {
    let (rows, _) = samples.as_chunks::<SIDE>();
    let mut out = [0.0; TILE];
    let Some(r) = rows[2 * i + moved.first[1]..].first_chunk::<TAPS>() else {
        return out;
    };
    // All taps at once, so that sums stay in registers.
    let mut across = [0.0_f32; SIDE];
    for (x, a) in across.iter_mut().enumerate() {
        *a = dot(&moved.taps[1], |j| r[j][x]);
    }
    let s: [&[f32; TILE]; TAPS] = std::array::from_fn(|j| line(&across, moved.first[0] + j));
    for (x, o) in out.iter_mut().enumerate() {
        *o = dot(&moved.taps[0], |j| s[j][x]);
    }
    out
}

/// Every second half-pixel sample of a row from `sample` on.
#[inline(always)]
fn line(row: &[f32; SIDE], sample: usize) -> &[f32; TILE] {
    const NONE: [f32; TILE] = [0.0; TILE];
    let at = (sample % 2) * HALF + sample / 2;
    row[at..].first_chunk::<TILE>().unwrap_or(&NONE)
}

/// Row `i` of a tile's slopes, moved: linear between half pixels. A slope that is somewhat off
/// makes a step somewhat too long or short; where the steps end is told by the values alone.
#[inline(always)]
fn slopes(samples: &[f32], i: usize, moved: &Moved) -> [f32; TILE] {
    let (rows, _) = samples.as_chunks::<SIDE>();
    let mut out = [0.0; TILE];
    let Some([r0, r1]) = rows[2 * i + moved.first[1] + BEFORE..].first_chunk::<2>() else {
        return out;
    };
    let at = moved.first[0] + BEFORE;
    let (a0, a1, b0, b1) = (line(r0, at), line(r0, at + 1), line(r1, at), line(r1, at + 1));
    let [fx, fy] = moved.part;
    let w = [(1.0 - fx) * (1.0 - fy), fx * (1.0 - fy), (1.0 - fx) * fy, fx * fy];
    for (x, o) in out.iter_mut().enumerate() {
        *o = w[0] * a0[x] + w[1] * a1[x] + w[2] * b0[x] + w[3] * b1[x];
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
    // One value of each sum after the other, so that no sum waits for itself.
    let mut total = [0.0_f64; SUMS];
    for i in 0..TILE {
        for (t, c) in total.iter_mut().zip(columns) {
            *t += f64::from(c[i]);
        }
    }
    let [xx, xy, yy, bx, by, mx, my, mm, mr, misfit, pixels] = total;
    Sums {
        info: Sym2 { xx, xy, yy },
        pull: [bx, by],
        mix: [mx, my],
        light_info: mm,
        light_pull: mr,
        misfit,
        pixels,
        at: [0.0; 2],
        noise: 0.0,
    }
}
