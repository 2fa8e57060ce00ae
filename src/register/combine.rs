//! One Gauss-Newton step from the sums of all tiles.

use super::TILE;
use super::tile::{RowSums, Said, Sums};
use crate::frame::convert::to_f32;
use crate::math::linear::{Sym2, solve_small};
use crate::math::robust::quantile;

/// Soft limit of a tile's disagreement, in squared standard deviations.
const SOFT: f64 = 25.0;
/// Mean weight of a tile in order: mean of (1 + m^2 / 25)^-2 for m^2 of two degrees of freedom.
const USUAL_WEIGHT: f64 = 0.86;
/// Limit of a tile's misfit above the lower quartile, in standard deviations.
const MISFIT: f64 = 5.0;

/// What the tiles say of a turn and a change of magnification that are not in the model.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Turning {
    /// By how much the squared misfit, in units of the noise and of the usual misfit, would go
    /// down: chi-squared of two degrees of freedom where there is neither.
    pub gain: f64,
    /// Movement of the corners by the change of magnification and by the turn, in pixels.
    pub corner: [f64; 2],
    /// Standard uncertainty of each, in pixels.
    pub sigma: f64,
}

/// One Gauss-Newton step.
pub(super) struct Step {
    pub(super) move_by: [f64; 2],
    pub(super) light_by: f64,
    /// Standard uncertainty of the light, relative to it.
    pub(super) light_sigma: f64,
    /// Change of magnification and turn, as movement of the corners in pixels.
    pub(super) turn_by: [f64; 2],
    pub(super) turning: Turning,
    pub(super) sigma: [f64; 2],
    /// See [`super::fit::Fit::told`].
    pub(super) told: [f64; 2],
    pub(super) misfit: f64,
    pub(super) pixels: f64,
}

/// How steps are found.
#[derive(Debug, Clone, Copy)]
pub(super) struct Manner {
    /// Tiles are held against at least this many times the modelled noise.
    pub(super) least: f64,
    /// Whether turn and magnification are fitted too.
    pub(super) turns: bool,
    /// Standard deviation of the offset of a row; 0 where rows have none.
    pub(super) row: f64,
    /// See [`super::target::Target::as_seen`].
    pub(super) as_seen: bool,
}

/// One tile, and its rows where they have offsets.
#[derive(Clone, Copy)]
struct Tile<'a> {
    sums: &'a Sums,
    rows: Option<&'a RowSums>,
}

/// Puts the tiles together, leaving out those that do not fit.
pub(super) fn combine(said: &Said, manner: Manner) -> Option<Step> {
    let Manner { least, turns, .. } = manner;
    let all = said.tiles.iter().enumerate();
    let all = all.map(|(i, sums)| Tile { sums, rows: said.rows.get(i) });
    let some: Vec<Tile<'_>> = all.filter(|t| t.sums.pixels >= 16.0).collect();
    let ratio = |t: &Tile<'_>| to_f32(t.sums.misfit / t.sums.pixels);
    let mut ratios: Vec<f32> = some.iter().map(ratio).collect();
    let usual = f64::from(quantile(&mut ratios, 0.25)?).max(least);
    let mut scores: Vec<f32> = some.iter().map(|t| to_f32(score(t.sums, usual))).collect();
    let low = f64::from(quantile(&mut scores, 0.25)?);
    let fits = |t: &Tile<'_>| score(t.sums, usual) <= low + MISFIT;
    let kept: Vec<Tile<'_>> = some.into_iter().filter(fits).collect();
    let mut weights = vec![1.0; kept.len()];
    let mut step = [0.0; 5];
    let unknowns = if turns { &WITH_TURN[..] } else { &WITH_TURN[..2] };
    for _ in 0..5 {
        let normal = Normal::of(&kept, &weights, unknowns, manner);
        step = normal.solve(turns)?;
        let offsets = normal.rows.offsets(step);
        for (w, t) in weights.iter_mut().zip(&kept) {
            *w = agreement(t.sums, (step, normal.rows.pull(*t, &offsets)), usual);
        }
    }
    let (mut misfit, mut pixels, mut mean_weight) = (0.0, 0.0, 0.0);
    for (w, t) in weights.iter().zip(&kept) {
        misfit += w * t.sums.misfit;
        pixels += t.sums.pixels;
        mean_weight += w * t.sums.pixels;
    }
    let misfit = misfit / mean_weight.max(1e-9);
    let widen = misfit.max(1.0).sqrt();
    // On average the soft limit takes 14 % off the weight of a tile that is in order, which
    // costs hardly any precision; only what lies below counts as lost.
    let sure: Vec<f64> = weights.iter().map(|w| (w / USUAL_WEIGHT).min(1.0)).collect();
    let known = Normal::of(&kept, &sure, unknowns, manner);
    let (sigma, turning) = if turns {
        (known.sigma()?, Turning::default())
    } else {
        let covariance = known.shift().inverse()?;
        let normal = Normal::of(&kept, &weights, &WITH_TURN, manner);
        ([covariance.xx.sqrt(), covariance.yy.sqrt()], normal.turning(misfit.max(least)))
    };
    Some(Step {
        move_by: [step[0], step[1]],
        light_by: step[2],
        light_sigma: widen / known.matrix[2][2].max(1e-30).sqrt(),
        turn_by: [step[3], step[4]],
        turning,
        sigma: sigma.map(|s| s * widen),
        told: told(&kept, &sure, known.shift()),
        misfit,
        pixels,
    })
}

/// Information along the direction that is told best and along the one that is told least, in units
/// of what the template's noise alone would seem to tell.
fn told(tiles: &[Tile<'_>], weights: &[f64], all: Sym2) -> [f64; 2] {
    let of = |t: &Tile<'_>| 0.5 * t.sums.noise * (t.sums.info.xx + t.sums.info.yy);
    let noise: f64 = tiles.iter().zip(weights).map(|(t, w)| w * of(t)).sum();
    let middle = 0.5 * (all.xx + all.yy);
    let spread = libm::hypot(0.5 * (all.xx - all.yy), all.xy);
    [middle + spread, middle - spread].map(|v| v / noise.max(1e-30))
}

/// How far a tile's misfit lies above what its pixel count allows, in standard deviations.
fn score(t: &Sums, usual: f64) -> f64 {
    (t.misfit / usual - t.pixels) / (2.0 * t.pixels).sqrt()
}

/// The unknowns but light: shift, change of magnification, turn.
const WITH_TURN: [usize; 4] = [0, 1, 3, 4];

/// The normal equations of all tiles together: shift, relative light, change of magnification and
/// turn (as movement of the corners).
struct Normal {
    matrix: [[f64; 5]; 5],
    right: [f64; 5],
    rows: Rows,
}

/// What the tiles say together of the offsets of the frame's rows from `first` on; nothing where there
/// are none.
#[derive(Default)]
struct Rows {
    first: isize,
    /// 1 over the variance of an offset.
    expected: f64,
    /// Of each row its weight, what goes with each unknown, and the residual.
    sums: Vec<[f64; 7]>,
}

impl Rows {
    fn of(tiles: &[Tile<'_>], weights: &[f64], spread: f64) -> Self {
        let first = tiles.iter().filter_map(|t| Some(t.rows?.first)).min().unwrap_or_default();
        let mut sums: Vec<[f64; 7]> = Vec::new();
        for (t, &w) in tiles.iter().zip(weights) {
            let Some(RowSums { first: row, rows }) = t.rows else { continue };
            let from = row.abs_diff(first);
            sums.resize(sums.len().max(from + TILE), [0.0; 7]);
            let [x, y] = t.sums.at;
            for (sum, row) in sums[from..].iter_mut().zip(rows) {
                let [weight, gx, gy, m, r] = row.map(f64::from);
                let of = [weight, gx, gy, m, gx * x + gy * y, gy * x - gx * y, r];
                sum.iter_mut().zip(of).for_each(|(s, v)| *s += w * v);
            }
        }
        Self { first, expected: 1.0 / (spread * spread), sums }
    }

    /// The offsets that go with a step.
    fn offsets(&self, step: [f64; 5]) -> Vec<f64> {
        let offset = |[weight, of @ .., pull]: &[f64; 7]| {
            let explained: f64 = of.iter().zip(step).map(|(g, s)| g * s).sum();
            (pull - explained) / (weight + self.expected)
        };
        self.sums.iter().map(offset).collect()
    }

    /// What offsets explain of a tile's pull.
    fn pull(&self, tile: Tile<'_>, offsets: &[f64]) -> [f64; 2] {
        let Some(RowSums { first, rows }) = tile.rows else { return [0.0; 2] };
        let offsets = &offsets[first.abs_diff(self.first)..];
        rows.iter().zip(offsets).fold([0.0; 2], |[x, y], ([_, gx, gy, ..], offset)| {
            [x + f64::from(*gx) * offset, y + f64::from(*gy) * offset]
        })
    }
}

impl Normal {
    /// Those of light and the other `unknowns`; the rest stay 0.
    fn of(tiles: &[Tile<'_>], weights: &[f64], unknowns: &[usize], manner: Manner) -> Self {
        let mut out = Self { matrix: [[0.0; 5]; 5], right: [0.0; 5], rows: Rows::default() };
        for (t, &w) in tiles.iter().zip(weights) {
            let t = t.sums;
            // How the tile's shift goes with each unknown but light.
            let [x, y] = t.at;
            let by = [[1.0, 0.0], [0.0, 1.0], [0.0, 0.0], [x, y], [-y, x]];
            for &i in unknowns {
                let pressed = t.info.times(by[i]);
                for &j in unknowns {
                    out.matrix[i][j] += w * (pressed[0] * by[j][0] + pressed[1] * by[j][1]);
                }
                let mixed = w * (t.mix[0] * by[i][0] + t.mix[1] * by[i][1]);
                out.matrix[i][2] += mixed;
                out.matrix[2][i] += mixed;
                out.right[i] += w * (t.pull[0] * by[i][0] + t.pull[1] * by[i][1]);
            }
            out.matrix[2][2] += w * t.light_info;
            out.right[2] += w * t.light_pull;
        }
        if manner.row > 0.0 {
            out.rows = Rows::of(tiles, weights, manner.row);
            out.take_rows_off(unknowns);
        }
        out
    }

    /// Takes off what the rows' offsets may explain: their Schur complement.
    fn take_rows_off(&mut self, unknowns: &[usize]) {
        let Rows { expected, sums, .. } = &self.rows;
        for [weight, of @ .., pull] in sums {
            let share = 1.0 / (weight + expected);
            for &i in unknowns.iter().chain(&[2]) {
                for &j in unknowns.iter().chain(&[2]) {
                    self.matrix[i][j] -= share * of[i] * of[j];
                }
                self.right[i] -= share * of[i] * pull;
            }
        }
    }

    /// The part of the matrix that is the shift's.
    fn shift(&self) -> Sym2 {
        let m = &self.matrix;
        Sym2 { xx: m[0][0], xy: m[0][1], yy: m[1][1] }
    }

    /// The unknowns; without `turns` the last two are 0.
    fn solve(&self, turns: bool) -> Option<[f64; 5]> {
        let m = &self.matrix;
        // Without texture along some direction there is no shift to be had.
        self.shift().inverse()?;
        if turns {
            return solve_small(*m, self.right);
        }
        let row = |i: usize| [m[i][0], m[i][1], m[i][2]];
        let [x, y, light] =
            solve_small([row(0), row(1), row(2)], [0, 1, 2].map(|i| self.right[i]))?;
        Some([x, y, light, 0.0, 0.0])
    }

    /// One column of the inverse without light; `unit` is 0, 1 for the shift, 2, 3 for the turn.
    fn inverse(&self, unit: usize) -> Option<[f64; 4]> {
        let matrix = WITH_TURN.map(|i| WITH_TURN.map(|j| self.matrix[i][j]));
        let mut right = [0.0; 4];
        right[unit] = 1.0;
        solve_small(matrix, right)
    }

    /// Standard uncertainty of the shift where the turn is fitted too.
    fn sigma(&self) -> Option<[f64; 2]> {
        Some([self.inverse(0)?[0].max(0.0).sqrt(), self.inverse(1)?[1].max(0.0).sqrt()])
    }

    /// What a turn that is not fitted would change.
    fn turning(&self, misfit: f64) -> Turning {
        let reached = |x: [f64; 5]| x.iter().zip(&self.right).map(|(x, b)| x * b).sum::<f64>();
        let (Some(without), Some(with), Some(s), Some(t)) =
            (self.solve(false), self.solve(true), self.inverse(2), self.inverse(3))
        else {
            return Turning::default();
        };
        let variance = 0.5 * (s[2] + t[3]).max(0.0) * misfit;
        Turning {
            gain: ((reached(with) - reached(without)) / misfit).max(0.0),
            corner: [with[3], with[4]],
            sigma: variance.sqrt(),
        }
    }
}

/// Weight of a tile by how well its own shift agrees with the common one; `known` is what else explains
/// its pull.
fn agreement(t: &Sums, (step, known): ([f64; 5], [f64; 2]), usual: f64) -> f64 {
    let Some(inverse) = t.info.inverse() else { return 1.0 };
    let [x, y] = t.at;
    let moved =
        t.info.times([step[0] + step[3] * x - step[4] * y, step[1] + step[3] * y + step[4] * x]);
    let left = [0, 1].map(|a| t.pull[a] - moved[a] - t.mix[a] * step[2] - known[a]);
    let v = inverse.times(left);
    let distance = (left[0] * v[0] + left[1] * v[1]) / usual;
    (1.0 + distance / SOFT).powi(-2)
}
