//! Whether a difference is noise: tested at three scales, on cells of 2 x 2 pixels.
//!
//! Noise alone passes the limits at one place in twenty. Where a lone cell of an otherwise quiet
//! neighbourhood does, it is taken for what it most likely is: a frame whose noise is given back
//! there shows a speck, and a part that moves changes more than one cell. So limits are raised where
//! the mean square of the differences around is what noise makes of it; and for frames that were
//! brought along a path, which was chosen because they agree.

use crate::math::blur::{BlurScratch, binomial_rows, box_rows};
use crate::math::patch::{Square, binomial};

/// Sum of squared taps of the 5 x 5 binomial, and of that applied twice.
const SQUARES_1: f32 = 0.0748;
pub(super) const SQUARES_2: f32 = 0.0386;
/// 1 over the square root of twice the first.
const SPREAD: f32 = 2.585_438_4;
/// By how much the limits are raised in a quiet neighbourhood, and where it ceases to be one, in
/// standard deviations of its mean square.
const QUIET_RAISE: f32 = 12.0;
const QUIET: f32 = 1.0;
/// By how much they are raised along a path.
const PATH_RAISE: f32 = 6.0;
/// 1 over the standard deviation of noise's mean square over a box: the root of half the number of
/// independent cells, `BOX * BOX / CORRELATED`.
const BOX_SPREAD: f32 = 5.581_563_6;
/// What resampling does to the number of independent cells (measured on still noise).
pub(super) const CORRELATED: f32 = 1.3;

/// Working memory of [`agreement`].
#[derive(Debug, Clone, Default)]
pub(super) struct AgreeScratch {
    once: Vec<f32>,
    twice: Vec<f32>,
    around: Vec<f32>,
    power: Vec<f32>,
    low: Vec<f32>,
    pub(super) blur: BlurScratch,
}

impl AgreeScratch {
    /// Room for `n` cells.
    pub(super) fn fit(&mut self, n: usize) {
        for v in [&mut self.once, &mut self.twice, &mut self.around, &mut self.power, &mut self.low]
        {
            v.resize(n, 0.0);
        }
    }
}

/// The smaller one; neither is no number.
#[inline(always)]
fn least(a: f32, b: f32) -> f32 {
    if a < b { a } else { b }
}

/// What is above 0.
#[inline(always)]
pub(super) fn above(x: f32) -> f32 {
    if x > 0.0 { x } else { 0.0 }
}

/// `exp(-x)` for `x` at least 0, 1 below, to 2 %, and the same bits everywhere.
#[inline(always)]
pub(super) fn decay(x: f32) -> f32 {
    let x = above(x) * 0.25;
    let d = 1.0 + x * (1.0 + x * (0.5 + x * (1.0 / 6.0)));
    let d = d * d;
    1.0 / (d * d)
}

/// Weight 0 to 1 of each cell by whether `difference`, whose variance is 1 / `inverse`, is noise.
/// `width` cells a row; `s` has room for all. `quiet`: whether limits are raised in a quiet
/// neighbourhood.
#[inline(always)]
pub(super) fn agreement(
    difference: &[f32],
    inverse: &[f32],
    (width, quiet): (usize, bool),
    weight: &mut [f32],
    s: &mut AgreeScratch,
) {
    let n = difference.len();
    binomial_rows(difference, width, &mut s.once, &mut s.blur);
    binomial_rows(&s.once, width, &mut s.twice, &mut s.blur);
    let (inverse, power) = (&inverse[..n], &mut s.power[..n]);
    for i in 0..n {
        power[i] = difference[i] * difference[i] * inverse[i];
    }
    let raise = &mut s.low[..n];
    if quiet {
        box_rows(power, width, raise, &mut s.blur);
        for r in raise {
            *r = QUIET_RAISE * decay(above((*r - 1.0) * BOX_SPREAD - QUIET));
        }
    } else {
        raise.fill(0.0);
    }
    binomial_rows(power, width, &mut s.around, &mut s.blur);
    let (once, twice, around) = (&s.once[..n], &s.twice[..n], &s.around[..n]);
    let weight = &mut weight[..n];
    let raise = &s.low[..n];
    for i in 0..n {
        weight[i] = weight_of(once[i], twice[i], around[i], (inverse[i], raise[i]));
    }
}

/// The weight for a difference smoothed once and twice, and its mean square around, in units of its
/// variance; `raise` is added to the limits.
#[inline(always)]
fn weight_of(once: f32, twice: f32, around: f32, (inverse, raise): (f32, f32)) -> f32 {
    let t1 = once * once * (inverse * (1.0 / SQUARES_1));
    let t2 = twice * twice * (inverse * (1.0 / SQUARES_2));
    let t3 = (around - 1.0) * SPREAD;
    let over =
        [above(t1 - (4.0 + raise)), above(t2 - (3.0 + raise)), above(t3 - (2.0 + 0.4 * raise))];
    decay(over[0] * 0.5 + over[1] * 0.4 + over[2])
}

/// [`agreement`] of a square around a path.
#[inline(always)]
pub(super) fn agreement_square<const N: usize>(
    difference: &Square<N>,
    inverse: &Square<N>,
    weight: &mut Square<N>,
) {
    let mut power = [[0.0_f32; N]; N];
    let (mut once, mut twice) = ([[0.0_f32; N]; N], [[0.0_f32; N]; N]);
    let mut around = [[0.0_f32; N]; N];
    for y in 0..N {
        for x in 0..N {
            power[y][x] = difference[y][x] * difference[y][x] * inverse[y][x];
        }
    }
    binomial::<N, 28>(difference, &mut once);
    binomial::<N, 28>(&once, &mut twice);
    binomial::<N, 28>(&power, &mut around);
    for y in 0..N {
        for x in 0..N {
            let limits = (inverse[y][x], PATH_RAISE);
            weight[y][x] = weight_of(once[y][x], twice[y][x], around[y][x], limits);
        }
    }
}

/// [`spread_doubt`] of a square.
#[inline(always)]
pub(super) fn spread_doubt_square<const N: usize>(weight: &mut Square<N>) {
    let mut low = *weight;
    for (row, out) in weight.iter().zip(&mut low) {
        for x in 1..N {
            out[x] = least(out[x], row[x - 1]);
        }
        for x in 1..N {
            out[x - 1] = least(out[x - 1], row[x]);
        }
    }
    for y in 0..N {
        let (up, here, down) = (&low[y.saturating_sub(1)], &low[y], &low[(y + 1).min(N - 1)]);
        let row = &mut weight[y];
        for x in 0..N {
            row[x] = 0.5 * (row[x] + least(least(up[x], here[x]), down[x]));
        }
    }
}

/// Half of each weight from the smallest of its 3 x 3 neighbours, so that doubt spreads.
#[inline(always)]
pub(super) fn spread_doubt(weight: &mut [f32], width: usize, s: &mut AgreeScratch) {
    if width < 2 {
        return;
    }
    let low = &mut s.low[..weight.len()];
    for (row, out) in weight.chunks_exact(width).zip(low.chunks_exact_mut(width)) {
        for (o, t) in out[1..width - 1].iter_mut().zip(row.array_windows::<3>()) {
            *o = least(least(t[0], t[1]), t[2]);
        }
        out[0] = least(row[0], row[1]);
        out[width - 1] = least(row[width - 2], row[width - 1]);
    }
    let height = weight.len() / width;
    for (y, row) in weight.chunks_exact_mut(width).enumerate() {
        let line = |y: usize| &low[y * width..(y + 1) * width];
        let (up, here, down) = (line(y.saturating_sub(1)), line(y), line((y + 1).min(height - 1)));
        for x in 0..width {
            row[x] = 0.5 * (row[x] + least(least(up[x], here[x]), down[x]));
        }
    }
}
