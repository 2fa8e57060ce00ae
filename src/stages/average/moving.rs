//! The nearest frames along the path of what moves, tile by tile.
//!
//! Each frame has a weight of its own at every cell, by whether its difference to the current
//! frame is noise ([`super::agree`]). The mean along the path has far less noise than the current
//! frame alone, so the segments of the window are tested once more against it: what moves slowly
//! in little light is told from what is still.

use super::agree::{
    Fours, SQUARES_2, SquareScratch, agreement_square, doubted_square, spread_doubt_square,
};
use super::band::CellBand;
use super::sums::good;
use crate::frame::FixedPlane;
use crate::frame::convert::{clamp_index, index_in, round_isize, signed, to_f32};
use crate::math::patch::{Square, any_marked, binned, binomial, cells, raw, read_as};
use crate::math::resample::valid_range;
use crate::math::trajectory::{
    FRAMES, Found, Kept, Neighbours, Path, REACH, SIDE, Scratch, Size, Window, from_whole, refine,
    search,
};
use crate::math::wide::{Wide, wide};

/// Side of a tile, and the pixels around it that are looked at; even.
pub(super) const TILE: usize = 32;
const MARGIN: usize = (SIDE - TILE) / 2;
/// Cells of a tile and of its surroundings.
pub(super) const CELLS: usize = TILE / 2;
const AROUND: usize = SIDE / 2;
const FOURS: usize = SIDE / 4;
/// Frames on each side that a path is first found through.
const FEW: usize = 2;
/// Frames that a path runs through; every second one; the ends of the nearest.
const ALONG: [isize; FRAMES] = [-4, -3, -2, -1, 0, 1, 2, 3, 4];
const SECONDS: [isize; 5] = [-4, -2, 0, 2, 4];
const ENDS: [isize; 3] = [-2, 0, 2];
/// A tile moves where the best path explains this part of what standing still leaves.
const MOVES: f32 = 0.9;

/// And a tile swings where its frames' shifts are this much more than noise, as a mean square.
const SWINGS: f64 = 3.0;

/// How far (px) the last correction may move a square along an axis that it was found with, so that it need
/// not be read again; and how far so that it is used as it is.
const NEARLY: f64 = 0.1;
const AT_ONCE: f32 = 0.03;
/// Mean square of steps from pixel to pixel at half size, in units of a pixel's variance, below which the
/// shorter kernel does where there are few frames; more of them leave less noise, and detail counts more.
const SOFT: f32 = 1.0;

/// The frames around the current one.
pub(super) struct Moving<'a> {
    pub(super) frames: Neighbours<'a>,
    /// How many frames on each side are used.
    pub(super) reach: usize,
}

/// What the nearest frames say of a tile's pixels: sums without the current frame.
#[derive(Debug, Clone)]
pub(super) struct Tile {
    pub(super) sum: Square<TILE>,
    pub(super) weight: Square<TILE>,
    pub(super) squares: Square<TILE>,
    /// Weights that remain of each segment, by cell.
    pub(super) retest: [Square<CELLS>; 4],
    /// Whether any of them is more than 0.
    pub(super) remains: [bool; 4],
}

impl Default for Tile {
    fn default() -> Self {
        let none = [[0.0; TILE]; TILE];
        Self {
            sum: none,
            weight: none,
            squares: none,
            retest: [[[0.0; CELLS]; CELLS]; 4],
            remains: [false; 4],
        }
    }
}

/// Working memory of one thread.
pub(super) type TileScratch = Scratch;

impl Moving<'_> {
    /// How the tile at (x, y) moves; `None` where it does not. `near`: what was found for the tile
    /// before it, if that moves, and then for this one.
    pub(super) fn path(
        &self,
        at: [usize; 2],
        noise: f32,
        near: &mut Option<(Found, Path)>,
        s: &mut TileScratch,
    ) -> Option<Path> {
        s.kept = [None; FRAMES];
        let corner = at.map(|v| signed(v) - signed(MARGIN));
        let window = Window::new(corner, self.frames[REACH]?.full);
        let before = near.take();
        let found = search(&self.frames, window, before.map(|b| b.0));
        let (whole, ratio) = found;
        let half = |among| (among, Size::Half, 0.05 * noise);
        if ratio > MOVES {
            // At a clip's ends a few frames on one side would tell too little, and edges are repeated.
            if !self.whole(self.reach) || !window.is_whole() {
                return None;
            }
            return self.swings(window, half(self.around()), noise, s);
        }
        // What moves as the tile before it most likely does so all along the path.
        let before = before.filter(|b| b.0.0 == whole).map(|b| b.1);
        let mut path = before.unwrap_or_else(|| from_whole(whole));
        let (few, all) = (&ALONG[REACH - FEW..=REACH + FEW], self.around());
        let passes = match self.reach {
            // Few frames: those at the ends tell how fast, as well as all do.
            FEW if self.whole(FEW) => [Some(half(few)), None, Some((&ENDS[..], Size::Full, noise))],
            0..=FEW => [Some(half(all)), None, Some((all, Size::Full, noise))],
            _ => {
                // Every second one is enough before the last pass.
                let far = if self.reach == REACH && self.whole(REACH) { &SECONDS } else { all };
                [Some(half(few)), Some(half(far)), Some((all, Size::Full, noise))]
            }
        };
        let [first, second, last] = passes;
        let (first, second) = match (before, self.reach) {
            (None, _) => (first, second),
            (Some(_), 0..=FEW) => (None, None),
            (Some(_), _) => (None, second),
        };
        s.soft = self.reach <= FEW && self.soft(corner, noise);
        for (among, size, noise) in [first, second, last].into_iter().flatten() {
            refine(&self.frames, window, &mut path, (among, size), noise, s);
        }
        *near = Some((found, path));
        Some(path)
    }

    /// The path of a tile that goes nowhere at one speed but does not stand still either: it rings, by
    /// a pixel or less or within few frames. `None` where it stands still.
    fn swings(
        &self,
        window: Window,
        rough: (&[isize], Size, f32),
        noise: f32,
        s: &mut TileScratch,
    ) -> Option<Path> {
        let mut path = Path::default();
        let mut pass =
            |(among, size, noise)| refine(&self.frames, window, &mut path, (among, size), noise, s);
        if pass(rough)? < SWINGS {
            return None;
        }
        pass(rough);
        pass((self.around(), Size::Full, noise));
        Some(path)
    }

    /// Whether the noise of a pixel is more than what a shorter kernel loses of the detail of the square at
    /// `corner`: told by the steps from pixel to pixel of the current frame at half size.
    fn soft(&self, corner: [isize; 2], noise: f32) -> bool {
        let Some(current) = self.frames[REACH] else { return false };
        let half = &current.sizes.half;
        let mut rows = [[0.0_f32; AROUND]; AROUND];
        raw(half, corner.map(|v| v / 2), &mut rows);
        let mut sum = [0.0_f32; AROUND];
        for (a, b) in rows.iter().zip(&rows[1..]) {
            for x in 0..AROUND - 1 {
                let (d, e) = (a[x + 1] - a[x], b[x] - a[x]);
                sum[x] += d * d + e * e;
            }
        }
        let step = half.coding.step;
        let steps =
            sum.iter().sum::<f32>() * step * step / (2 * (AROUND - 1) * (AROUND - 1)) as f32;
        steps < SOFT * noise
    }

    /// Frames that are used.
    fn around(&self) -> &'static [isize] {
        &ALONG[REACH - self.reach..=REACH + self.reach]
    }

    /// Whether all frames up to `reach` on each side are there.
    fn whole(&self, reach: usize) -> bool {
        self.frames[REACH - reach..=REACH + reach].iter().all(Option::is_some)
    }

    /// Sums of the nearest frames along `path`, and the window's segments tested again.
    pub(super) fn merge(
        &self,
        at: [usize; 2],
        path: &Path,
        band: &CellBand,
        (tile, s): (&mut Tile, &mut TileScratch),
    ) {
        wide(Merging { moving: self, at, path, band, tile, s });
    }
}

/// One tile at (x, y), as one piece of work.
struct Merging<'a> {
    moving: &'a Moving<'a>,
    at: [usize; 2],
    path: &'a Path,
    band: &'a CellBand,
    tile: &'a mut Tile,
    s: &'a mut TileScratch,
}

type Around = Square<AROUND>;
const NONE: Around = [[0.0; AROUND]; AROUND];

impl Wide for Merging<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let Self { moving, at, path, band, tile, s } = self;
        let TileScratch { full, kept, soft, reading: work, fitting, .. } = s;
        let Some(current) = moving.frames[REACH] else { return };
        let corner = at.map(|v| signed(v) - signed(MARGIN));
        let cell = corner.map(|v| v / 2);
        let mut patch = [[0.0_f32; SIDE]; SIDE];
        let (mut own, mut along, mut still) = (NONE, NONE, NONE);
        cells::<SIDE, AROUND>((current.full, current.sizes.flawed), corner, &mut own);
        let mut cell_variance = NONE;
        cells_of(band, &band.cell_variance, cell, &mut cell_variance);
        let mut inverse = cell_variance;
        for v in inverse.as_flattened_mut() {
            *v = 0.5 / *v;
        }
        for sums in [&mut tile.sum, &mut tile.weight, &mut tile.squares] {
            *sums = [[0.0; TILE]; TILE];
        }
        let mut mean = own;
        let (mut total, mut squares) = ([[1.0_f32; AROUND]; AROUND], [[1.0_f32; AROUND]; AROUND]);
        let (mut evidence, mut difference, mut weight) = (NONE, NONE, NONE);
        let mut frames = 0.0_f32;
        let mut scratch = SquareScratch::<AROUND, 28>::new();
        let mut fours = Fours::<AROUND, FOURS>::new();
        let mut inverse_fours = [[0.0_f32; FOURS]; FOURS];
        binned(&inverse, &mut inverse_fours);
        for v in inverse_fours.as_flattened_mut() {
            *v *= 4.0;
        }
        for k in (-signed(moving.reach)..=signed(moving.reach)).filter(|&k| k != 0) {
            let Some(frame) = moving.frames[clamp_index(k + signed(REACH), FRAMES)] else {
                continue;
            };
            let of = (frame.full, frame.sizes.flawed);
            cells::<SIDE, AROUND>(of, corner, &mut still);
            let d = path.at(k);
            let near = kept[clamp_index(k + signed(REACH), FRAMES)]
                .filter(|kept| (0..2).all(|a| (d[a] - kept.at[a]).abs() < NEARLY));
            let (patch, gain) = match near {
                Some(Kept { slot, at, gain }) => {
                    let by = [0, 1].map(|a| to_f32(d[a] - at[a]));
                    if by.iter().any(|v| v.abs() > AT_ONCE) {
                        nudge(&mut full[slot], &fitting.mean, by);
                    }
                    (&full[slot], gain)
                }
                None => {
                    let gain = read_as::<SIDE, 56>(*soft, of, corner, d, &mut patch, work);
                    (&patch, gain)
                }
            };
            binned::<SIDE, AROUND>(patch, &mut along);
            for y in 0..AROUND {
                for x in 0..AROUND {
                    let (a, b) = (still[y][x] - own[y][x], along[y][x] - own[y][x]);
                    difference[y][x] = b;
                    evidence[y][x] += (a * a - b * b) * inverse[y][x];
                }
            }
            frames += 1.0;
            if !doubted_square(&difference, &inverse, &inverse_fours, &mut fours) {
                for y in 0..AROUND {
                    for x in 0..AROUND {
                        mean[y][x] += along[y][x];
                        total[y][x] += 1.0;
                        squares[y][x] += 1.0;
                    }
                }
                add(of, at, (d, gain), (patch, None), tile);
                continue;
            }
            agreement_square(&difference, &inverse, &mut weight, &mut scratch);
            spread_doubt_square(&mut weight, &mut scratch);
            for y in 0..AROUND {
                for x in 0..AROUND {
                    let k = weight[y][x];
                    mean[y][x] += k * along[y][x];
                    total[y][x] += k;
                    squares[y][x] += k * k;
                }
            }
            add(of, at, (d, gain), (patch, Some(&weight)), tile);
        }
        let moves = moves(&evidence, frames);
        for (m, t) in mean.as_flattened_mut().iter_mut().zip(total.as_flattened()) {
            *m /= t;
        }
        let (mut mean_s, mut count) = (NONE, NONE);
        // What surely moves leaves nothing of what stands still.
        let all_move = least_of(&moves) >= 1.0;
        for (s, (of_mean, of_count)) in band.mean.iter().zip(&band.count).enumerate().take(4) {
            tile.remains[s] = !all_move && any_weight(band, &band.weight[s], cell);
            if !tile.remains[s] {
                tile.retest[s] = [[0.0; CELLS]; CELLS];
                continue;
            }
            cells_of(band, of_mean, cell, &mut mean_s);
            cells_of(band, of_count, cell, &mut count);
            for y in 0..AROUND {
                for x in 0..AROUND {
                    let (t, n) = (total[y][x], count[y][x]);
                    let d = mean_s[y][x] - mean[y][x];
                    difference[y][x] = if n > 0.25 { d } else { 0.0 };
                    let (n, t2) = (if n > 0.25 { n } else { 0.25 }, t * t);
                    inverse[y][x] = t2 * n / (cell_variance[y][x] * (squares[y][x] * n + t2));
                }
            }
            agreement_square(&difference, &inverse, &mut weight, &mut scratch);
            for (w, m) in weight.as_flattened_mut().iter_mut().zip(moves.as_flattened()) {
                *w *= 1.0 - m;
            }
            spread_doubt_square(&mut weight, &mut scratch);
            for (out, row) in tile.retest[s].iter_mut().zip(&weight[MARGIN / 2..]) {
                out.copy_from_slice(&row[MARGIN / 2..MARGIN / 2 + CELLS]);
            }
        }
    }
}

/// The values of a band's cells from (x, y) on; edges repeated.
#[inline(always)]
fn cells_of(band: &CellBand, values: &[f32], [x, y]: [isize; 2], out: &mut Around) {
    let x = x - signed(band.left);
    for (j, out) in out.iter_mut().enumerate() {
        let line = clamp_index(y + signed(j) - signed(band.first), band.height);
        let row = &values[line * band.width..(line + 1) * band.width];
        match row[clamp_index(x, row.len())..].first_chunk::<AROUND>() {
            Some(chunk) if x >= 0 => *out = *chunk,
            _ => {
                for (i, o) in out.iter_mut().enumerate() {
                    *o = row[clamp_index(x + signed(i), row.len())];
                }
            }
        }
    }
}

/// Moves a square by a part of a pixel, to first order: by the slopes of the mean of its like, which have
/// a third of its noise.
#[inline(always)]
fn nudge(patch: &mut Square<SIDE>, mean: &Square<SIDE>, by: [f32; 2]) {
    let [dx, dy] = by.map(|v| 0.5 * v);
    for y in 1..SIDE - 1 {
        let (up, here, below) = (&mean[y - 1], &mean[y], &mean[y + 1]);
        let row = &mut patch[y];
        for x in 1..SIDE - 1 {
            row[x] += dx * (here[x + 1] - here[x - 1]) + dy * (below[x] - up[x]);
        }
    }
}

/// The smallest value.
#[inline(always)]
fn least_of(values: &Around) -> f32 {
    let mut least = [f32::INFINITY; 8];
    for chunk in values.as_flattened().as_chunks::<8>().0 {
        for l in 0..8 {
            least[l] = if chunk[l] < least[l] { chunk[l] } else { least[l] };
        }
    }
    least.iter().fold(f32::INFINITY, |a, &b| if b < a { b } else { a })
}

/// Whether any cell of the tile in the middle of the square at (x, y) has a weight.
#[inline(always)]
fn any_weight(band: &CellBand, weights: &[f32], [x, y]: [isize; 2]) -> bool {
    const BESIDE: isize = (MARGIN / 2).cast_signed();
    let from = clamp_index(x + BESIDE - signed(band.left), band.width);
    let to = (from + CELLS).min(band.width);
    let first = clamp_index(y + BESIDE - signed(band.first), band.height);
    let rows = weights[first * band.width..].chunks_exact(band.width).take(CELLS);
    rows.map(|row| &row[from..to]).any(|row| row.iter().fold(0.0_f32, |sum, w| sum + w) > 0.0)
}

/// Adds one frame, read at `d`, to a tile's sums; without weights all of it counts.
#[inline(always)]
fn add(
    (plane, flawed): (&FixedPlane, bool),
    at: [usize; 2],
    (d, gain): ([f64; 2], f32),
    (patch, weight): (&Square<SIDE>, Option<&Around>),
    tile: &mut Tile,
) {
    let (x0, x1) = valid_range(signed(at[0]), d[0], TILE, plane.width);
    let (y0, y1) = valid_range(signed(at[1]), d[1], TILE, plane.height);
    let flawed = flawed && flaws_near(plane, at, d);
    for y in y0..y1 {
        let values = &patch[MARGIN + y][MARGIN..MARGIN + TILE];
        let mut w = [1.0_f32; TILE];
        if let Some(weight) = weight {
            let weights = &weight[(MARGIN + y) / 2][MARGIN / 2..MARGIN / 2 + CELLS];
            for (pair, v) in w.as_chunks_mut::<2>().0.iter_mut().zip(weights) {
                *pair = [*v, *v];
            }
        }
        if (x0, x1) != (0, TILE) {
            w[..x0].fill(0.0);
            w[x1..].fill(0.0);
        }
        if flawed {
            for (x, w) in w.iter_mut().enumerate() {
                if near_flaw(plane, [at[0] + x, at[1] + y], d) {
                    *w = 0.0;
                }
            }
        }
        let (sum, of_weight) = (&mut tile.sum[y], &mut tile.weight[y]);
        let squares = &mut tile.squares[y];
        for x in 0..TILE {
            sum[x] += w[x] * values[x];
            of_weight[x] += w[x];
            squares[x] += w[x] * w[x] * gain;
        }
    }
}

/// How sure it is (0 to 1) that each cell goes along the path rather than stands still.
///
/// `evidence` sums, over `frames` frames, what standing still leaves less what the path leaves, in
/// units of the difference's variance: each has variance 3 where there is nothing to tell.
#[inline(always)]
fn moves(evidence: &Around, frames: f32) -> Around {
    let (mut once, mut twice) = (NONE, NONE);
    binomial::<AROUND, 28>(evidence, &mut once);
    binomial::<AROUND, 28>(&once, &mut twice);
    let scale = 1.0 / (3.0 * frames.max(1.0) * SQUARES_2).sqrt();
    for e in twice.as_flattened_mut() {
        *e = (0.5 * (*e * scale + 1.0)).clamp(0.0, 1.0);
    }
    twice
}

/// Whether any pixel near a tile read at `d` is flawed.
fn flaws_near(plane: &FixedPlane, at: [usize; 2], d: [f64; 2]) -> bool {
    let edge = |v: usize, d: f64, n: usize| {
        let from = signed(v) + round_isize(d) - 1;
        (clamp_index(from, n), clamp_index(from + signed(TILE) + 2, n + 1))
    };
    let ((x0, x1), (y0, y1)) = (edge(at[0], d[0], plane.width), edge(at[1], d[1], plane.height));
    (y0..y1).any(|y| any_marked(&plane.row(y)[x0.min(x1)..x1]))
}

/// Whether a pixel that the position (x, y) + d touches is flawed.
fn near_flaw(plane: &FixedPlane, [x, y]: [usize; 2], d: [f64; 2]) -> bool {
    let (cx, cy) = (signed(x) + round_isize(d[0]), signed(y) + round_isize(d[1]));
    (cy - 1..=cy + 1).any(|j| {
        (cx - 1..=cx + 1).any(|i| {
            let near = index_in(i, plane.width).zip(index_in(j, plane.height));
            near.is_some_and(|(i, j)| !good(plane.codes[j * plane.width + i]))
        })
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_square_that_is_moved_a_little_is_one_read_there() {
        // Nothing above 0.1 cycles a pixel: slopes of neighbours are those of the picture to 6 %.
        let wave = |x: f64, y: f64| to_f32(50.0 + 20.0 * libm::sin(0.5 * x + 0.3 * y));
        let at = |[dx, dy]: [f64; 2]| -> Square<SIDE> {
            std::array::from_fn(|y| std::array::from_fn(|x| wave(x as f64 + dx, y as f64 + dy)))
        };
        let d = [0.09, -0.07];
        let (mut patch, mean) = (at([0.0; 2]), at([0.0; 2]));
        nudge(&mut patch, &mean, d.map(to_f32));
        let there = at(d);
        for y in 1..SIDE - 1 {
            for x in 1..SIDE - 1 {
                // 20 * 0.024 rad would be missing without: 0.5.
                assert!((patch[y][x] - there[y][x]).abs() < 0.05, "{x} {y}");
            }
        }
    }
}
