//! Whether a frame shows the template's texture where it was put.
//!
//! A fit always ends somewhere, also in a frame of something else, and the narrow uncertainty it states is
//! that of a frame that does show the scene. What tells is how far frame and template go together about
//! their means, tile by tile:
//!
//! ```text
//! r = cov(I, T) / sqrt(var(T) (var(I) - noise))
//! ```
//!
//! weighted by 1 over the noise's variance; 1 where the tile shows the same, also in other light, 0 on
//! average where it shows something else. Single tiles are chance where texture is coarse, and a part that
//! moves by may hide many: the frame shows the scene if tiles that hold three tenths of the texture
//! reach r = 0.5. Blur lowers r, and a frame that is so blurred that less than half is left is not believed.
//!
//! Limits: the template is read at the nearest of its half pixels, which takes a tenth off r at 0.3
//! cycles a pixel. Only frames that fit worse than the others are asked.

use super::fit::Fit;
use super::patch::{AHEAD, HALF, Patch, SIDE};
use super::target::Target;
use super::{CELL, TILE};
use crate::frame::FixedPlane;
use crate::frame::convert::{index_in, round_isize, signed, to_f32};
use crate::math::patch::marked;

/// Fits are looked at whose misfit is this many times the usual one.
const WORSE: f64 = 1.1;
/// A tile that reaches this shows what the template does.
const ALIKE: f64 = 0.5;
/// Part of the texture whose tiles must. More than half of a frame may be hidden.
const SHARE: f64 = 0.3;
/// Pixels of a tile that must be seen.
const FEWEST: f64 = 64.0;

/// Whether a fit is so much worse than usual that it is to be looked at.
pub(super) fn suspicious(fit: &Fit, usual: f64) -> bool {
    fit.misfit > WORSE * usual
}

/// Whether a frame (the `k`-th of those that `target` was made for) shows the template where it was
/// fitted.
pub(super) fn shows(frame: &FixedPlane, k: usize, target: &Target<'_>, fit: &Fit) -> bool {
    let (mut all, mut alike) = (0.0, 0.0);
    for (texture, r) in tiles(frame, k, target, fit) {
        all += texture;
        if r > ALIKE {
            alike += texture;
        }
    }
    all > 0.0 && alike >= SHARE * all
}

/// How far a frame goes with the template where it was fitted: r, the mean of all tiles by their texture; 0
/// where nothing is seen.
pub(crate) fn goes_with(frame: &FixedPlane, target: &Target<'_>, fit: &Fit) -> f64 {
    let (all, with) = tiles(frame, 0, target, fit)
        .fold((0.0, 0.0), |(all, with), (texture, r)| (all + texture, with + texture * r));
    if all > 0.0 { with / all } else { 0.0 }
}

/// Texture and likeness of all tiles of which enough is seen.
fn tiles(
    frame: &FixedPlane,
    k: usize,
    target: &Target<'_>,
    fit: &Fit,
) -> impl Iterator<Item = (f64, f64)> {
    let group = target.cover.map_or(usize::MAX, |c| c.group(k));
    target.patches.iter().filter_map(move |patch| likeness(frame, patch, (target, group), fit))
}

/// Texture of the template in a tile, in units of the noise, and how far the frame goes with it; `None`
/// where too little is seen.
fn likeness(
    frame: &FixedPlane,
    patch: &Patch,
    (target, group): (&Target<'_>, usize),
    fit: &Fit,
) -> Option<(f64, f64)> {
    let (w, h) = (frame.width, frame.height);
    let middle = [w, h].map(|n| (n as f64 - 1.0) / 2.0);
    let half = (TILE as f64 - 1.0) / 2.0;
    let from_middle = [0, 1].map(|a| patch.corner[a] as f64 + half - middle[a]);
    let turned = fit.turn.moves(from_middle);
    let shift = [0, 1].map(|a| fit.shift[a] + turned[a]);
    let whole = shift.map(round_isize);
    // The half-pixel sample next to where the tile's first pixel reads.
    let first = [0, 1].map(|a| signed(AHEAD) + round_isize(2.0 * (whole[a] as f64 - shift[a])));
    let [first_x, first_y] = first.map(isize::unsigned_abs);
    let hidden = patch.hidden.get(group).copied().unwrap_or(0);
    let light = to_f32(fit.light);
    let mut sums = [0.0_f64; 6];
    let mut pixels = 0.0;
    for (i, still) in patch.still.chunks_exact(TILE).enumerate() {
        let Some(y) = index_in(signed(patch.corner[1] + i) + whole[1], h) else { continue };
        let (codes, line) = (frame.row(y), &patch.value[(2 * i + first_y) * SIDE..][..SIDE]);
        for (j, _) in still.iter().enumerate().filter(|(_, s)| **s > 0.0) {
            let Some(x) = index_in(signed(patch.corner[0] + j) + whole[0], w) else { continue };
            let cell = i / CELL * (TILE / CELL) + j / CELL;
            if marked(codes[x]) || hidden >> cell & 1 != 0 {
                continue;
            }
            let at = 2 * j + first_x;
            let m = light * line[(at % 2) * HALF + at / 2];
            let variance = target.noise.variance(m, y * w + x) * target.variance_factor;
            let (k, m) = (f64::from(1.0 / variance), f64::from(m));
            let v = f64::from(frame.coding.decode(codes[x]));
            for (s, add) in sums.iter_mut().zip([1.0, m, v, m * m, m * v, v * v]) {
                *s += k * add;
            }
            pixels += 1.0;
        }
    }
    if pixels < FEWEST {
        return None;
    }
    let [n, m, v, mm, mv, vv] = sums;
    let (texture, both) = (mm - m * m / n, mv - m * v / n);
    let seen = vv - v * v / n - pixels;
    // At low light the frame's own texture is known poorly, and may seem to be none.
    (texture > 0.0).then(|| (texture, both / (texture * seen.max(0.25 * texture)).sqrt()))
}
