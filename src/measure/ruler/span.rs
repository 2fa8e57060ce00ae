//! From where to where along a rule its ticks are there.
//!
//! ```text
//! z(u)     the ticks' fundamental in a Hann window of 4 periods around u, of the mean over their reach
//! span     from where |z| is highest to both sides, until it falls below half of what it was on the
//!          last 6 periods; 1.5 periods are left out there
//! ```
//!
//! Half is where the last tick lies in the middle of the window. What the level is held against moves
//! along, so light that falls off evenly does not end a rule.

use std::f64::consts::TAU;

use rustfft::num_complex::Complex64;

use super::strips::{Pitch, Span, Strips};
use crate::frame::convert::round_usize;
use crate::math::robust::median_f64;

/// Length of the window, in periods.
const WINDOW: f64 = 4.0;
/// Places a period at which it is asked.
const PLACES: f64 = 4.0;
/// Places over which the level is taken: 6 periods.
const LEVEL: usize = 24;
/// Part of the level at which the ticks end.
const END: f64 = 0.5;
/// Periods left out at an end that is seen.
const MARGIN: f64 = 1.5;

/// The span of the ticks; `None` where they run through all of the picture.
pub(super) fn span(strips: &Strips, pitch: &Pitch) -> Option<Span> {
    let inside = |v: f64| if v >= pitch.reach[0] && v <= pitch.reach[1] { 1.0 } else { 0.0 };
    let (first, profile) = strips.mean(inside);
    let step = 1.0 / (PLACES * pitch.frequency);
    let count = round_usize(profile.len() as f64 / step);
    let sizes: Vec<f64> =
        (0..count).map(|i| size(&profile, i as f64 * step, pitch.frequency)).collect();
    let best = (0..count).max_by(|&a, &b| sizes[a].total_cmp(&sizes[b]))?;
    let end = |places: &mut dyn Iterator<Item = usize>| {
        let mut level = Vec::new();
        for i in places {
            let most = level.len().saturating_sub(LEVEL);
            let before = median_f64(&mut level[most..].to_vec());
            if before.is_some_and(|b| sizes[i] < END * b) {
                return Some(i);
            }
            level.push(sizes[i]);
        }
        None
    };
    let (low, high) = (end(&mut (0..=best).rev()), end(&mut (best..count)));
    if low.is_none() && high.is_none() {
        return None;
    }
    let u = |i: usize| first + i as f64 * step;
    let margin = MARGIN / pitch.frequency;
    let last = first + profile.len() as f64;
    Some([low.map_or(first, |i| u(i) + margin), high.map_or(last, |i| u(i) - margin)])
}

/// Size of the fundamental around `middle`; a window that is cut off by more than a part counts what is
/// there.
fn size(profile: &[f64], middle: f64, frequency: f64) -> f64 {
    let half = 0.5 * WINDOW / frequency;
    let from = round_usize((middle - half).max(0.0));
    let to = round_usize((middle + half).max(0.0)).min(profile.len());
    let (mut sum, mut weights) = ([Complex64::default(); 2], [0.0; 2]);
    for (i, &v) in profile.iter().enumerate().take(to).skip(from) {
        let at = (i as f64 - middle) / half;
        let w = 0.5 + 0.5 * libm::cos(0.5 * TAU * at);
        let phase = TAU * frequency * i as f64;
        let wheel = Complex64::new(libm::cos(phase), -libm::sin(phase)) * w;
        sum = [sum[0] + wheel * v, sum[1] + wheel];
        weights = [weights[0] + w, weights[1] + w * v];
    }
    if weights[0] <= 0.0 {
        return 0.0;
    }
    (sum[0] - sum[1] * (weights[1] / weights[0])).norm() / weights[0]
}
