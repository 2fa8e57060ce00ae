//! Whether a difference is noise: tested at three scales, on cells of 2 x 2 pixels.

use crate::math::blur::{BlurScratch, binomial_into};
use crate::math::patch::{Square, binomial};

/// Sum of squared taps of the 5 x 5 binomial, and of that applied twice.
const SQUARES_1: f32 = 0.0748;
pub(super) const SQUARES_2: f32 = 0.0386;
/// 1 over the square root of twice the first.
const SPREAD: f32 = 2.585_438_4;

/// Working memory of [`agreement`].
#[derive(Debug, Clone, Default)]
pub(super) struct AgreeScratch {
    once: Vec<f32>,
    twice: Vec<f32>,
    around: Vec<f32>,
    power: Vec<f32>,
    pub(super) blur: BlurScratch,
}

/// `exp(-x)` for `x` at least 0, 1 below, to 2 %, and the same bits everywhere.
#[inline(always)]
pub(super) fn decay(x: f32) -> f32 {
    let x = x.max(0.0) * 0.25;
    let d = 1.0 + x + 0.5 * x * x + x * x * x / 6.0;
    1.0 / (d * d * d * d)
}

/// Weight 0 to 1 of each cell by whether `difference`, whose variance is `variance`, is noise.
/// `width` cells a row.
pub(super) fn agreement(
    difference: &[f32],
    variance: &[f32],
    width: usize,
    weight: &mut Vec<f32>,
    s: &mut AgreeScratch,
) {
    binomial_into(difference, width, &mut s.once, &mut s.blur);
    binomial_into(&s.once, width, &mut s.twice, &mut s.blur);
    s.power.clear();
    s.power.extend(difference.iter().zip(variance).map(|(d, v)| d * d / v));
    binomial_into(&s.power, width, &mut s.around, &mut s.blur);
    let spread = 1.0 / (2.0 * SQUARES_1).sqrt();
    weight.clear();
    weight.extend(variance.iter().zip(&s.once).zip(s.twice.iter().zip(&s.around)).map(
        |((v, once), (twice, around))| {
            let t1 = once * once / (v * SQUARES_1);
            let t2 = twice * twice / (v * SQUARES_2);
            let t3 = (around - 1.0) * spread;
            let x = (t1 - 4.0).max(0.0) / 2.0 + (t2 - 3.0).max(0.0) / 2.5 + (t3 - 2.0).max(0.0);
            decay(x)
        },
    ));
}

/// The weight for a difference smoothed once and twice, and its mean square around, all in units of
/// its variance.
#[inline(always)]
fn weight_of(once: f32, twice: f32, around: f32, v: f32) -> f32 {
    let t1 = once * once / (v * SQUARES_1);
    let t2 = twice * twice / (v * SQUARES_2);
    let t3 = (around - 1.0) * SPREAD;
    decay((t1 - 4.0).max(0.0) / 2.0 + (t2 - 3.0).max(0.0) / 2.5 + (t3 - 2.0).max(0.0))
}

/// [`agreement`] of a square.
#[inline(always)]
pub(super) fn agreement_square<const N: usize>(
    difference: &Square<N>,
    variance: &Square<N>,
    weight: &mut Square<N>,
) {
    let mut power = [[0.0_f32; N]; N];
    let (mut once, mut twice) = ([[0.0_f32; N]; N], [[0.0_f32; N]; N]);
    let mut around = [[0.0_f32; N]; N];
    for y in 0..N {
        for x in 0..N {
            power[y][x] = difference[y][x] * difference[y][x] / variance[y][x];
        }
    }
    binomial::<N, 28>(difference, &mut once);
    binomial::<N, 28>(&once, &mut twice);
    binomial::<N, 28>(&power, &mut around);
    for y in 0..N {
        for x in 0..N {
            weight[y][x] = weight_of(once[y][x], twice[y][x], around[y][x], variance[y][x]);
        }
    }
}

/// [`spread_doubt`] of a square.
#[inline(always)]
pub(super) fn spread_doubt_square<const N: usize>(weight: &mut Square<N>) {
    let mut low = *weight;
    for (row, out) in weight.iter().zip(&mut low) {
        for x in 1..N {
            out[x] = out[x].min(row[x - 1]);
        }
        for x in 1..N {
            out[x - 1] = out[x - 1].min(row[x]);
        }
    }
    for y in 0..N {
        let (up, here, down) = (&low[y.saturating_sub(1)], &low[y], &low[(y + 1).min(N - 1)]);
        let row = &mut weight[y];
        for x in 0..N {
            row[x] = 0.5 * (row[x] + up[x].min(here[x]).min(down[x]));
        }
    }
}

/// Half of each weight from the smallest of its 3 x 3 neighbours, so that doubt spreads.
pub(super) fn spread_doubt(weight: &mut [f32], width: usize, low: &mut Vec<f32>) {
    low.clear();
    low.extend_from_slice(weight);
    if width < 2 {
        return;
    }
    for (row, out) in weight.chunks_exact(width).zip(low.chunks_exact_mut(width)) {
        for (o, v) in out[1..].iter_mut().zip(row) {
            *o = o.min(*v);
        }
        for (o, v) in out.iter_mut().zip(&row[1..]) {
            *o = o.min(*v);
        }
    }
    let height = weight.len() / width;
    for (y, row) in weight.chunks_exact_mut(width).enumerate() {
        let line = |y: usize| &low[y * width..(y + 1) * width];
        let (up, here, down) = (line(y.saturating_sub(1)), line(y), line((y + 1).min(height - 1)));
        for (w, (u, (h, d))) in row.iter_mut().zip(up.iter().zip(here.iter().zip(down))) {
            *w = 0.5 * (*w + u.min(*h).min(*d));
        }
    }
}
