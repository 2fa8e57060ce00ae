//! Whether a place as a whole lies where it lay: what moves by a fraction of a pixel changes each cell by
//! less than its noise, and a square of many cells by much more.
//!
//! In squares of 32 x 32 px, 16 px apart, and their halves (parts may be thin), the difference d of a
//! segment's mean and the current frame is held against the gradient g of what the window shows (DN/px),
//! v the variance of d (DN^2):
//!
//! ```text
//! shift = sum(d g / v) / sum(g^2 / v)        variance of the shift = 1 / sum(g^2 / v) + tolerance^2
//! ```
//!
//! for each axis; the shift of least squares, whose variance is the bound of J.-S. Lee and others for
//! small shifts of a known picture. Cells count with the weight that they have already, so what surely
//! moves in front does not speak for what lies behind it; differences above three standard deviations do
//! not count. Where a shift is more than `SURE` standard deviations, the segment loses its weight there,
//! and the place is averaged along its path instead. Noise of g has no mean effect, as the
//! derivative is odd. Cost: 30 additions and multiplications a cell and segment.
//!
//! **Limits**: what shifts by less than some 4 of these standard deviations still stands still in the
//! result. Plain places have no gradient.

use super::agree::{above, decay};

/// Cells of a block along a side; a square has two by two.
const BLOCK: usize = 8;
/// Standard deviations from which on a place is taken to have moved, and how fast the weight falls then:
/// a segment of twenty frames must be worth less than the current one soon.
const SURE: f32 = 3.3;
const STEEP: f32 = 4.0;
/// Shift in px that resampling and the poses' common error may make, beside the poses' own uncertainty.
const TOLERANCE: f32 = 0.02;
/// Square of the standard deviations above which a cell shows something else.
const OTHER: f32 = 9.0;

/// Sums over a block: d g / v and g^2 / v, of x and of y.
type Block = [f32; 4];

/// Working memory: sums in columns of a row of blocks, blocks, and factors where four blocks meet.
#[derive(Debug, Clone, Default)]
pub(super) struct SlipScratch {
    columns: Vec<[[f32; BLOCK]; 4]>,
    blocks: Vec<Block>,
    corners: Vec<f32>,
    line: Vec<f32>,
}

/// Cells of a part of the picture, `width` a row: what is shown on the whole, and by the current frame.
#[derive(Clone, Copy)]
pub(super) struct Shown<'a> {
    pub(super) width: usize,
    pub(super) guide: &'a [f32],
    pub(super) now: &'a [f32],
    pub(super) known: &'a [f32],
    pub(super) variance: &'a [f32],
}

impl SlipScratch {
    /// Blocks along x.
    fn across(&self) -> usize {
        self.columns.len()
    }

    /// Takes weight off a segment of these means and counts where it has shifted; whether any was taken.
    /// `sigma` is the uncertainty of the frames' poses in px.
    #[inline(always)]
    pub(super) fn slip(
        &mut self,
        shown: Shown<'_>,
        (mean, count): (&[f32], &[f32]),
        weight: &mut [f32],
        sigma: f32,
    ) -> bool {
        self.sums(shown, (mean, count), weight);
        let any = self.judge(sigma * sigma + TOLERANCE * TOLERANCE);
        if any {
            self.weigh(weight, shown.width);
        }
        any
    }

    /// The sums over all whole blocks.
    #[inline(always)]
    fn sums(&mut self, shown: Shown<'_>, (mean, count): (&[f32], &[f32]), weight: &[f32]) {
        let Shown { width, guide, now, known, variance } = shown;
        let height = now.len() / width.max(1);
        self.columns.resize(width / BLOCK, [[0.0; BLOCK]; 4]);
        self.blocks.clear();
        let line = |y: usize| y * width..(y + 1) * width;
        for rows in (0..height / BLOCK).map(|b| b * BLOCK..(b + 1) * BLOCK) {
            self.columns.fill([[0.0; BLOCK]; 4]);
            for y in rows {
                let (up, at, down) =
                    (line(y.saturating_sub(1)), line(y), line((y + 1).min(height - 1)));
                add(
                    &Row {
                        guide: [&guide[up], &guide[at.clone()], &guide[down]],
                        mean: &mean[at.clone()],
                        count: &count[at.clone()],
                        weight: &weight[at.clone()],
                        now: &now[at.clone()],
                        known: &known[at.clone()],
                        variance: &variance[at],
                    },
                    &mut self.columns,
                );
            }
            self.blocks.extend(self.columns.iter().map(|c| c.map(|lanes| lanes.iter().sum())));
        }
    }

    /// Factors where blocks meet; whether any is below 1.
    #[inline(always)]
    fn judge(&mut self, tolerance: f32) -> bool {
        let across = self.across();
        let down = self.blocks.len().checked_div(across).unwrap_or(0);
        self.corners.clear();
        let mut any = false;
        for cy in 0..=down {
            for cx in 0..=across {
                let block = |dx: usize, dy: usize| -> Block {
                    let (bx, by) = ((cx + dx).wrapping_sub(1), (cy + dy).wrapping_sub(1));
                    if bx < across && by < down { self.blocks[by * across + bx] } else { [0.0; 4] }
                };
                let [a, b, c, d] = [block(0, 0), block(1, 0), block(0, 1), block(1, 1)];
                let (upper, lower) = (sum(a, b), sum(c, d));
                let places = [upper, lower, sum(a, c), sum(b, d), sum(upper, lower)];
                let most = places.map(|p| squared(p, tolerance)).into_iter().fold(0.0, f32::max);
                let factor = decay(STEEP * above(most.sqrt() - SURE));
                any |= factor < 1.0;
                self.corners.push(factor);
            }
        }
        any
    }

    /// Multiplies weights by the factors, linear in between.
    #[inline(always)]
    fn weigh(&mut self, weight: &mut [f32], width: usize) {
        let across = self.across();
        let down = (self.corners.len() / (across + 1)).saturating_sub(1);
        for (y, row) in weight.chunks_exact_mut(width).enumerate() {
            let (by, v) = within(y, down);
            let corner = |cy: usize| &self.corners[cy * (across + 1)..(cy + 1) * (across + 1)];
            let (a, b) = (corner(by), corner((by + 1).min(down)));
            self.line.clear();
            self.line.extend(a.iter().zip(b).map(|(a, b)| a + v * (b - a)));
            if self.line.iter().all(|f| *f >= 1.0) {
                continue;
            }
            for (x, w) in row.iter_mut().enumerate() {
                let (bx, u) = within(x, across);
                let (a, b) = (self.line[bx], self.line[(bx + 1).min(across)]);
                *w *= a + u * (b - a);
            }
        }
    }
}

#[inline(always)]
fn sum(a: Block, b: Block) -> Block {
    [a[0] + b[0], a[1] + b[1], a[2] + b[2], a[3] + b[3]]
}

/// Square of the shift in standard deviations, along the axis where it is larger.
#[inline(always)]
fn squared(s: Block, tolerance: f32) -> f32 {
    let of = |with: f32, square: f32| {
        let variance = square * (1.0 + tolerance * square);
        with * with / if variance > 1e-12 { variance } else { 1e-12 }
    };
    let (x, y) = (of(s[0], s[2]), of(s[1], s[3]));
    if x > y { x } else { y }
}

/// The corner before a cell, and how far the cell's middle is to the next one.
#[inline(always)]
fn within(cell: usize, blocks: usize) -> (usize, f32) {
    let corner = (cell / BLOCK).min(blocks);
    let rest = (cell - corner * BLOCK) as f32 + 0.5;
    (corner, (rest / BLOCK as f32).min(1.0))
}

/// A row of cells, with the rows of the guide above and below it.
struct Row<'a> {
    guide: [&'a [f32]; 3],
    mean: &'a [f32],
    count: &'a [f32],
    weight: &'a [f32],
    now: &'a [f32],
    known: &'a [f32],
    variance: &'a [f32],
}

/// Adds a row to the columns of its blocks.
#[inline(always)]
fn add(row: &Row<'_>, columns: &mut [[[f32; BLOCK]; 4]]) {
    // A cell is two pixels wide, its neighbours' middles are four apart.
    const PER_PX: f32 = 0.25;
    let last = row.now.len() - 1;
    for (b, sums) in columns.iter_mut().enumerate() {
        let from = b * BLOCK;
        let block = from..from + BLOCK;
        let (mut left, mut right) = ([0.0; BLOCK], [0.0; BLOCK]);
        if from > 0 && from + BLOCK < last {
            left.copy_from_slice(&row.guide[1][from - 1..from + BLOCK - 1]);
            right.copy_from_slice(&row.guide[1][from + 1..from + BLOCK + 1]);
        } else {
            for i in 0..BLOCK {
                left[i] = row.guide[1][(from + i).saturating_sub(1)];
                right[i] = row.guide[1][(from + i + 1).min(last)];
            }
        }
        let (up, down) = (&row.guide[0][block.clone()], &row.guide[2][block.clone()]);
        let (mean, count) = (&row.mean[block.clone()], &row.count[block.clone()]);
        let (weight, now) = (&row.weight[block.clone()], &row.now[block.clone()]);
        let (known, variance) = (&row.known[block.clone()], &row.variance[block]);
        let [dgx, dgy, gxx, gyy] = sums;
        for i in 0..BLOCK {
            let (gx, gy) = ((right[i] - left[i]) * PER_PX, (down[i] - up[i]) * PER_PX);
            let d = mean[i] - now[i];
            let c = if count[i] > 0.25 { count[i] } else { 0.25 };
            let inverse = c / (variance[i] * (c + 1.0));
            let there = (count[i] > 0.5) & (known[i] > 0.5) & (d * d * inverse < OTHER);
            let w = if there { weight[i] * inverse } else { 0.0 };
            dgx[i] += w * d * gx;
            dgy[i] += w * d * gy;
            gxx[i] += w * gx * gx;
            gyy[i] += w * gy * gy;
        }
    }
}
