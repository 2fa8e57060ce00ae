//! Whether a difference is noise: tested at three scales, on cells of 2 x 2 pixels.
//!
//! Noise alone passes the limits at one place in twenty. Where a lone cell of an otherwise quiet
//! neighbourhood does, it is taken for what it most likely is: a frame whose noise is given back
//! there shows a speck, and a part that moves changes more than one cell. So limits are raised where
//! the mean square of the differences around is what noise makes of it; and for frames that were
//! brought along a path, which was chosen because they agree.

use crate::math::blur::{BlurScratch, binomial_3_rows, binomial_rows, box_rows};
use crate::math::patch::{Square, binned, binomial_with};

/// Sum of squared taps of the 5 x 5 binomial, and of that applied twice.
const SQUARES_1: f32 = 0.0748;
pub(super) const SQUARES_2: f32 = 0.0386;
/// 1 over the square root of twice the first.
const SPREAD: f32 = 2.585_438_4;
/// Edges are repeated, so noise smoothed once, twice or over a box spreads more in the outermost lines:
/// by one over these.
const EDGE_1: [f32; 2] = [0.712_212_3, 0.947_330_9];
const EDGE_2: [f32; 4] = [0.696_867_1, 0.861_320_1, 0.980_390_3, 0.999_379];
const EDGE_BOX: [f32; 4] = [0.557_086, 0.654_653_7, 0.774_596_7, 0.904_534];
/// By how much the limits are raised in a quiet neighbourhood, and where it ceases to be one, in
/// standard deviations of its mean square.
const QUIET_RAISE: f32 = 20.0;
const QUIET: f32 = 2.0;
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

/// Weight 0 to 1 of each cell by whether `difference`, whose variance is 1 / `inverse`, is noise; of
/// cells of 2 x 2 pixels, or `large` ones of 4 x 4. `width` cells a row; `s` has room for all.
/// `quiet`: whether limits are raised in a quiet neighbourhood.
#[inline(always)]
pub(super) fn agreement(
    difference: &[f32],
    inverse: &[f32],
    (width, large, quiet): (usize, bool, bool),
    weight: &mut [f32],
    s: &mut AgreeScratch,
) {
    if large {
        agreement_coarse(difference, inverse, (width, quiet), weight, s);
    } else {
        agreement_fine(difference, inverse, (width, quiet), weight, s);
    }
}

/// [`agreement`] of cells of 2 x 2 pixels: smoothed once and twice.
#[inline(always)]
fn agreement_fine(
    difference: &[f32],
    inverse: &[f32],
    (width, quiet): (usize, bool),
    weight: &mut [f32],
    s: &mut AgreeScratch,
) {
    let n = difference.len();
    binomial_rows(difference, width, &mut s.once, &mut s.blur);
    binomial_rows(&s.once, width, &mut s.twice, &mut s.blur);
    even_edges(&mut s.once[..n], width, &EDGE_1);
    even_edges(&mut s.twice[..n], width, &EDGE_2);
    powers(difference, inverse, (width, quiet), s);
    binomial_rows(&s.power[..n], width, &mut s.around, &mut s.blur);
    even_edges(&mut s.around[..n], width, &EDGE_1);
    let (once, twice, around) = (&s.once[..n], &s.twice[..n], &s.around[..n]);
    let (weight, inverse, raise) = (&mut weight[..n], &inverse[..n], &s.low[..n]);
    for i in 0..n {
        weight[i] = weight_of(once[i], twice[i], around[i], (inverse[i], raise[i]));
    }
}

/// By how much squares exceed their variance, in units of it (`power`), and by how much limits are raised
/// for it (`low`).
#[inline(always)]
fn powers(
    difference: &[f32],
    inverse: &[f32],
    (width, quiet): (usize, bool),
    s: &mut AgreeScratch,
) {
    let n = difference.len();
    let (inverse, power) = (&inverse[..n], &mut s.power[..n]);
    for i in 0..n {
        power[i] = difference[i] * difference[i] * inverse[i] - 1.0;
    }
    let raise = &mut s.low[..n];
    if quiet {
        box_rows(power, width, raise, &mut s.blur);
        even_edges(raise, width, &EDGE_BOX);
        for r in raise {
            *r = QUIET_RAISE * decay(above(*r * BOX_SPREAD - QUIET));
        }
    } else {
        raise.fill(0.0);
    }
}

/// Gives the outermost lines the spread that noise has further in.
#[inline(always)]
fn even_edges(values: &mut [f32], width: usize, factors: &[f32]) {
    let rows = values.len() / width.max(1);
    for row in values.chunks_exact_mut(width) {
        for (v, f) in row.iter_mut().zip(factors) {
            *v *= f;
        }
        for (v, f) in row.iter_mut().rev().zip(factors) {
            *v *= f;
        }
    }
    for (y, f) in factors.iter().enumerate().take(rows) {
        for at in [y, rows - 1 - y] {
            values[at * width..(at + 1) * width].iter_mut().for_each(|v| *v *= f);
        }
    }
}

/// Sum of squared taps of the 3 x 3 binomial; 1 over the square root of twice that; and what noise spreads
/// less further in.
pub(super) const SQUARES_3: f32 = 0.140_625;
const SPREAD_3: f32 = 1.885_618_1;
const EDGE_3: [f32; 1] = [0.774_596_7];
/// By how much the limit of a lone cell is higher: cells are tested one by one, not smoothed.
const LONE: f32 = 2.0;

/// [`agreement`] of cells of 4 x 4 pixels: at their own scale, and at that of the 3 x 3 binomial.
#[inline(always)]
fn agreement_coarse(
    difference: &[f32],
    inverse: &[f32],
    (width, quiet): (usize, bool),
    weight: &mut [f32],
    s: &mut AgreeScratch,
) {
    let n = difference.len();
    binomial_3_rows(difference, width, &mut s.once, &mut s.blur);
    even_edges(&mut s.once[..n], width, &EDGE_3);
    powers(difference, inverse, (width, quiet), s);
    binomial_3_rows(&s.power[..n], width, &mut s.around, &mut s.blur);
    even_edges(&mut s.around[..n], width, &EDGE_3);
    let (once, around) = (&s.once[..n], &s.around[..n]);
    let (weight, inverse, raise) = (&mut weight[..n], &inverse[..n], &s.low[..n]);
    for i in 0..n {
        let t1 = difference[i] * difference[i] * inverse[i] - LONE;
        let t2 = once[i] * once[i] * (inverse[i] * (1.0 / SQUARES_3));
        weight[i] = weight_from([t1, t2, around[i] * SPREAD_3], raise[i]);
    }
}

/// The weight for a difference smoothed once and twice, and by how much its square around exceeds its
/// variance, in units of that; `raise` is added to the limits.
#[inline(always)]
fn weight_of(once: f32, twice: f32, around: f32, (inverse, raise): (f32, f32)) -> f32 {
    let t1 = once * once * (inverse * (1.0 / SQUARES_1));
    let t2 = twice * twice * (inverse * (1.0 / SQUARES_2));
    weight_from([t1, t2, around * SPREAD], raise)
}

/// The weight for squares of differences at two scales, and the mean square around, in units of what
/// noise makes them (the last from its mean on, in standard deviations).
#[inline(always)]
fn weight_from([t1, t2, t3]: [f32; 3], raise: f32) -> f32 {
    let over =
        [above(t1 - (4.0 + raise)), above(t2 - (3.0 + raise)), above(t3 - (2.0 + 0.4 * raise))];
    decay(over[0] * 0.5 + over[1] * 0.4 + over[2])
}

/// Working memory of [`agreement_square`] and [`spread_doubt_square`]; `M` is `N` + 4. Once for many
/// squares: to clear it takes as long as to use it.
pub(super) struct SquareScratch<const N: usize, const M: usize> {
    once: Square<N>,
    twice: Square<N>,
    around: Square<N>,
    power: Square<N>,
    lines: [[f32; M]; N],
}

impl<const N: usize, const M: usize> SquareScratch<N, M> {
    #[inline(always)]
    pub(super) fn new() -> Self {
        let none = [[0.0; N]; N];
        Self { once: none, twice: none, around: none, power: none, lines: [[0.0; M]; N] }
    }
}

/// [`agreement`] of a square around a path.
#[inline(always)]
pub(super) fn agreement_square<const N: usize, const M: usize>(
    difference: &Square<N>,
    inverse: &Square<N>,
    weight: &mut Square<N>,
    s: &mut SquareScratch<N, M>,
) {
    let SquareScratch { once, twice, around, power, lines } = s;
    for y in 0..N {
        for x in 0..N {
            power[y][x] = difference[y][x] * difference[y][x] * inverse[y][x] - 1.0;
        }
    }
    binomial_with(difference, lines, once);
    binomial_with(once, lines, twice);
    binomial_with(power, lines, around);
    for y in 0..N {
        for x in 0..N {
            let limits = (inverse[y][x], PATH_RAISE);
            weight[y][x] = weight_of(once[y][x], twice[y][x], around[y][x], limits);
        }
    }
}

/// Mean squares of cells of 2 x 2 pixels, four together and smoothed by 3 x 3: 1 over what noise spreads.
const SPREAD_FOURS: f32 = 3.771_236_2;

/// Working memory of [`doubted_square`]; `H` is half of `N`.
pub(super) struct Fours<const N: usize, const H: usize> {
    power: Square<N>,
    cells: Square<H>,
    around: Square<H>,
    lines: Square<H>,
    once: Square<H>,
}

impl<const N: usize, const H: usize> Fours<N, H> {
    #[inline(always)]
    pub(super) fn new() -> Self {
        let none = [[0.0; H]; H];
        Self { power: [[0.0; N]; N], cells: none, around: none, lines: none, once: none }
    }
}

/// Whether [`agreement_square`] is to be asked: tested on cells of 4 x 4 pixels, whose differences have the
/// variances 1 / `inverse_fours`, at their own scale, at that of the 3 x 3 binomial, and by mean squares
/// around, with the same limits. Where none is passed, all weights are 1. The outermost cells, whose
/// neighbours are not there, are not asked.
#[inline(always)]
pub(super) fn doubted_square<const N: usize, const H: usize>(
    difference: &Square<N>,
    inverse: &Square<N>,
    inverse_fours: &Square<H>,
    s: &mut Fours<N, H>,
) -> bool {
    let Fours { power, cells, around, lines, once } = s;
    for y in 0..N {
        for x in 0..N {
            power[y][x] = difference[y][x] * difference[y][x] * inverse[y][x];
        }
    }
    binned(power, cells);
    binomial_3(cells, lines, around);
    binned(difference, cells);
    binomial_3(cells, lines, once);
    for row in cells.iter_mut() {
        (row[0], row[H - 1]) = (0.0, 0.0);
    }
    let (cells, once) = (cells[1..H - 1].as_flattened(), once[1..H - 1].as_flattened());
    let (around, inverse) = (around[1..H - 1].as_flattened(), &inverse_fours[1..H - 1]);
    let inverse = inverse.as_flattened();
    let mut most = [[0.0_f32; 8]; 3];
    let all = cells.as_chunks::<8>().0.iter().zip(once.as_chunks::<8>().0);
    let all = all.zip(around.as_chunks::<8>().0.iter().zip(inverse.as_chunks::<8>().0));
    for ((cell, once), (around, inverse)) in all {
        for l in 0..8 {
            let t = cell[l] * cell[l] * inverse[l];
            most[0][l] = if t > most[0][l] { t } else { most[0][l] };
            let t = once[l] * once[l] * inverse[l];
            most[1][l] = if t > most[1][l] { t } else { most[1][l] };
            let t = around[l];
            most[2][l] = if t > most[2][l] { t } else { most[2][l] };
        }
    }
    let limits = [
        4.0 + PATH_RAISE + LONE,
        (3.0 + PATH_RAISE) * SQUARES_3,
        1.0 + (2.0 + 0.4 * PATH_RAISE) / SPREAD_FOURS,
    ];
    most.iter().zip(limits).any(|(most, limit)| most.iter().any(|t| *t > limit))
}

/// 3 x 3 binomial smoothing; 0 at the left and right edge.
#[inline(always)]
fn binomial_3<const N: usize>(source: &Square<N>, lines: &mut Square<N>, out: &mut Square<N>) {
    for (y, line) in lines.iter_mut().enumerate() {
        let (a, b, c) = (&source[y.saturating_sub(1)], &source[y], &source[(y + 1).min(N - 1)]);
        for x in 0..N {
            line[x] = 0.25 * (a[x] + c[x]) + 0.5 * b[x];
        }
    }
    // All as one line; then the edges, where that took a neighbour of another row.
    let (line, flat) = (lines.as_flattened(), out.as_flattened_mut());
    for (o, v) in flat[1..].iter_mut().zip(line.array_windows::<3>()) {
        *o = 0.25 * (v[0] + v[2]) + 0.5 * v[1];
    }
    for out in out {
        (out[0], out[N - 1]) = (0.0, 0.0);
    }
}

/// [`spread_doubt`] of a square.
#[inline(always)]
pub(super) fn spread_doubt_square<const N: usize, const M: usize>(
    weight: &mut Square<N>,
    s: &mut SquareScratch<N, M>,
) {
    let low = &mut s.power;
    for (row, out) in weight.iter().zip(&mut *low) {
        for (o, t) in out[1..N - 1].iter_mut().zip(row.array_windows::<3>()) {
            *o = least(least(t[0], t[1]), t[2]);
        }
        out[0] = least(row[0], row[1]);
        out[N - 1] = least(row[N - 2], row[N - 1]);
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

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, StandardNormal};

    /// The mean weight of noise by distance to the left edge, and the part of all cells that noise
    /// takes most of the weight from.
    fn noise_only(quiet: bool, large: bool) -> (Vec<f32>, f32) {
        const N: usize = 48;
        let mut rng = ChaCha8Rng::seed_from_u64(7);
        let (mut mean, mut lost) = (vec![0.0; N / 2], 0.0);
        let (mut weight, mut s) = (vec![0.0; N * N], AgreeScratch::default());
        s.fit(N * N);
        let draws = 100;
        for _ in 0..draws {
            let noise: Vec<f32> = (0..N * N).map(|_| StandardNormal.sample(&mut rng)).collect();
            let inverse = vec![1.0; N * N];
            agreement(&noise, &inverse, (N, large, quiet), &mut weight, &mut s);
            for row in weight.chunks_exact(N) {
                for (m, w) in mean.iter_mut().zip(row) {
                    *m += w / (draws * N) as f32;
                }
                lost += row.iter().filter(|w| **w < 0.3).count() as f32 / (draws * N * N) as f32;
            }
        }
        (mean, lost)
    }

    #[test]
    fn noise_is_taken_for_noise_and_where_it_is_quiet_hardly_ever_not() {
        for large in [false, true] {
            let (_, often) = noise_only(false, large);
            let (_, seldom) = noise_only(true, large);
            // exp(-(t - 4) / 2) below 0.3 is 2.5 standard deviations: 1.1 % of a normal variable, and
            // there are three tests.
            assert!((0.005..0.04).contains(&often), "{often}");
            assert!(seldom < 0.05 * often, "{seldom} {often}");
        }
    }

    #[test]
    fn noise_along_a_path_is_seldom_doubted_and_what_differs_always() {
        const N: usize = 24;
        let mut rng = ChaCha8Rng::seed_from_u64(11);
        let (inverse, inverse_fours) = ([[1.0; N]; N], [[4.0; 12]; 12]);
        let (mut s, mut square) = (Fours::<N, 12>::new(), SquareScratch::<N, 28>::new());
        let (mut doubted, mut found, draws) = (0, 0, 400);
        for draw in 0..draws {
            let mut difference: Square<N> =
                std::array::from_fn(|_| std::array::from_fn(|_| StandardNormal.sample(&mut rng)));
            doubted += usize::from(doubted_square(&difference, &inverse, &inverse_fours, &mut s));
            // A corner of something else, four cells a side, that the finer tests take out.
            let (left, top) = (1 + draw % 18, 1 + draw / 20 % 18);
            for row in &mut difference[top..top + 4] {
                row[left..left + 4].iter_mut().for_each(|d| *d += 4.0);
            }
            let mut weight = [[0.0; N]; N];
            agreement_square(&difference, &inverse, &mut weight, &mut square);
            assert!(weight[top + 1][left + 1] < 0.1, "{left} {top}");
            found += usize::from(doubted_square(&difference, &inverse, &inverse_fours, &mut s));
        }
        // 88 when last printed: they cost time and nothing else.
        assert!(doubted * 3 < draws, "{doubted}");
        assert_eq!(found, draws);
    }

    #[test]
    fn noise_at_an_edge_weighs_as_much_as_further_in() {
        for large in [false, true] {
            let (mean, _) = noise_only(false, large);
            for (x, m) in mean.iter().enumerate() {
                assert!((m - mean[20]).abs() < 0.02, "{x}: {m} for {}", mean[20]);
            }
        }
    }
}
