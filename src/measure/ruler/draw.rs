//! The picture with what was measured drawn into it, so that the eye can check.

use super::strips::Turned;
use super::ticks::Ticks;
use crate::footage::OutFrame;
use crate::frame::Plane;
use crate::frame::convert::{round_i64, round_u16, to_f32};
use crate::math::robust::quantile;

/// Colour of ticks, of every tenth tick, and of picked points and the ends of what was measured (red,
/// green, blue; 0 to 1).
const TICK: [f32; 3] = [0.1, 0.9, 0.3];
const TENTH: [f32; 3] = [1.0, 0.45, 0.0];
const POINT: [f32; 3] = [0.0, 0.75, 1.0];
/// Strength of the drawing over the picture.
const OPACITY: f32 = 0.8;

/// `picture` in grey, stretched, with the ticks drawn over the upper half of their reach (below it
/// the rule itself stays to be compared), where they were measured and with a line at either end of
/// that, or the line between two points.
#[must_use]
pub fn annotated(
    picture: &Plane,
    ticks: Option<&Ticks>,
    points: Option<([f64; 2], [f64; 2])>,
) -> OutFrame {
    let (w, h) = (picture.width(), picture.height());
    let mut sorted = picture.data().to_vec();
    let low = quantile(&mut sorted, 0.005).unwrap_or(0.0);
    let high = quantile(&mut sorted, 0.995).unwrap_or(1.0);
    let scale = 0.9 / (high - low).max(f32::MIN_POSITIVE);
    let turned = ticks.map(|t| (t, Turned::new(picture, t.angle_deg.to_radians())));
    let mut data = Vec::with_capacity(w * h * 3);
    for y in 0..h {
        for x in 0..w {
            let grey = ((picture.at(x, y) - low) * scale + 0.05).clamp(0.0, 1.0);
            let at = [x as f64, y as f64];
            let ink = match (&turned, points) {
                (Some((t, turned)), _) => tick_ink(t, turned.at(at[0], at[1])),
                (None, Some((from, to))) => line_ink(at, from, to),
                (None, None) => None,
            };
            let (colour, cover) = ink.unwrap_or((TICK, 0.0));
            let cover = cover * OPACITY;
            data.extend(colour.map(|c| round_u16(65_535.0 * (grey + cover * (c - grey)))));
        }
    }
    OutFrame { width: w, height: h, channels: 3, data }
}

/// Colour and cover of the tick nearest to a place along and square to the rule.
fn tick_ink(ticks: &Ticks, [u, v]: [f64; 2]) -> Option<([f32; 3], f32)> {
    let middle = 0.5 * (ticks.reach[0] + ticks.reach[1]);
    if v < ticks.reach[0] || v > ticks.reach[1] {
        return None;
    }
    if let Some([from, to]) = ticks.span {
        let end = (u - from).abs().min((u - to).abs());
        if end < 1.0 {
            return Some((POINT, to_f32(1.0 - end)));
        }
        if u < from || u > to {
            return None;
        }
    }
    if v > middle {
        return None;
    }
    let cycles = u / ticks.pitch_px + ticks.phase;
    let number = cycles.round();
    let distance = (cycles - number).abs() * ticks.pitch_px;
    let colour = if round_i64(number) % 10 == 0 { TENTH } else { TICK };
    Some((colour, to_f32((1.0 - distance).max(0.0))))
}

/// Colour and cover of a line with small crosses at its ends.
fn line_ink(at: [f64; 2], from: [f64; 2], to: [f64; 2]) -> Option<([f32; 3], f32)> {
    let d = [to[0] - from[0], to[1] - from[1]];
    let length = libm::hypot(d[0], d[1]);
    let (e, n) = ([d[0] / length, d[1] / length], [-d[1] / length, d[0] / length]);
    let r = [at[0] - from[0], at[1] - from[1]];
    let along = r[0] * e[0] + r[1] * e[1];
    let aside = (r[0] * n[0] + r[1] * n[1]).abs();
    let on_line = if (0.0..=length).contains(&along) { 1.0 - aside } else { 0.0 };
    let ends = along.abs().min((along - length).abs());
    let on_end = if aside < 8.0 { 1.0 - ends } else { 0.0 };
    let cover = on_line.max(on_end);
    (cover > 0.0).then(|| (POINT, to_f32(cover.min(1.0))))
}
