//! From poses to where the output looks.
//!
//! A camera that was moved on purpose is told from one that drifts or shakes by its path: see
//! [`motion`]. What is kept of a move is its [`smooth`] part.

use serde::{Deserialize, Serialize};

use super::Pose;
use crate::frame::convert::{floor_usize, to_f32};
use crate::math::turn::Turn;

/// A part of the reference that is written out, in whole pixels.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Window {
    /// Top-left corner in the reference, x then y.
    pub origin: [usize; 2],
    /// Width and height.
    pub size: [usize; 2],
}

impl Window {
    /// All of a frame.
    #[must_use]
    pub fn whole(width: usize, height: usize) -> Self {
        Self { origin: [0, 0], size: [width, height] }
    }
}

/// Gives unmeasured frames the pose their neighbours suggest (linear in time, the nearest one at
/// the ends); `None` where nothing was measured at all.
#[must_use]
pub fn fill_gaps(poses: &[Option<Pose>]) -> Option<Vec<Pose>> {
    let known: Vec<usize> = (0..poses.len()).filter(|&i| poses[i].is_some()).collect();
    let at = |i: usize| poses[i].unwrap_or(Pose::ZERO);
    let (first, last) = (*known.first()?, *known.last()?);
    let mut next = 0;
    Some(
        (0..poses.len())
            .map(|i| {
                if let Some(p) = poses[i] {
                    return p;
                }
                while next < known.len() && known[next] < i {
                    next += 1;
                }
                let after = known.get(next).copied().unwrap_or(last);
                let before = if next == 0 { first } else { known[next - 1] };
                between(at(before), at(after), (before, i, after))
            })
            .collect(),
    )
}

/// The pose of frame `i` between two known ones.
fn between(a: Pose, b: Pose, (before, i, after): (usize, usize, usize)) -> Pose {
    let t = if after > before { (i as f64 - before as f64) / (after - before) as f64 } else { 0.0 };
    let t = t.clamp(0.0, 1.0);
    let mix = |p: f64, q: f64| p + t * (q - p);
    // Between two frames a rig can have done anything up to the step that was seen.
    let step = (b.shift[0] - a.shift[0]).abs().max((b.shift[1] - a.shift[1]).abs());
    Pose {
        shift: [mix(a.shift[0], b.shift[0]), mix(a.shift[1], b.shift[1])],
        turn: Turn {
            angle: mix(a.turn.angle, b.turn.angle),
            stretch: mix(a.turn.stretch, b.turn.stretch),
        },
        sigma: a.sigma.max(b.sigma).max(0.5 * step).max(0.5),
        light: mix(a.light, b.light),
        light_sigma: a.light_sigma.max(b.light_sigma),
        measured: false,
    }
}

/// The part of the reference that every frame saw, of even width and height; `shifts` are those of
/// the scene in the frames.
///
/// `None` where it would be less than half of the frame in width or height.
#[must_use]
pub fn common_window(shifts: &[[f64; 2]], width: usize, height: usize) -> Option<Window> {
    let axis = |a: usize, length: usize| -> Option<(usize, usize)> {
        let low = shifts.iter().map(|p| -p[a]).fold(0.0, f64::max);
        let high = shifts.iter().map(|p| -p[a]).fold(0.0, f64::min);
        let start = floor_usize(low.ceil());
        let end = length.checked_sub(floor_usize((-high).ceil()))?;
        let size = end.checked_sub(start)? / 2 * 2;
        (2 * size >= length).then_some((start, size))
    };
    let (x, w) = axis(0, width)?;
    let (y, h) = axis(1, height)?;
    Some(Window { origin: [x, y], size: [w, h] })
}

/// Root mean square of the movement from frame to frame, both axes together, in pixels.
#[must_use]
pub fn jitter(poses: &[Pose]) -> f64 {
    let n = poses.len().saturating_sub(1).max(1) as f64;
    let sum: f64 = poses
        .windows(2)
        .map(|p| (0..2).map(|a| (p[1].shift[a] - p[0].shift[a]).powi(2)).sum::<f64>())
        .sum();
    (sum / n).sqrt()
}

/// Sums of the squared distances from the mean, along each axis.
#[must_use]
pub fn scatter(all: &[[f64; 2]]) -> [f64; 2] {
    let n = all.len().max(1) as f64;
    [0, 1].map(|a| {
        let mean = all.iter().map(|v| v[a]).sum::<f64>() / n;
        all.iter().map(|v| (v[a] - mean).powi(2)).sum::<f64>()
    })
}

/// Largest distance of any frame from the reference along each axis, in pixels.
#[must_use]
pub fn excursion(poses: &[Pose]) -> [f32; 2] {
    [0, 1].map(|a| to_f32(poses.iter().map(|p| p.shift[a].abs()).fold(0.0, f64::max)))
}

/// Weights of a smoothing window further out than this many standard deviations are left out.
const WINDOW: f64 = 4.0;

/// Standard deviation, in frames, of the Gaussian that halves movements which take `period`
/// frames to and fro: its response at the frequency f is `exp(-2 pi^2 sigma^2 f^2)`.
#[must_use]
pub fn half_amplitude(period: f64) -> f64 {
    period * (std::f64::consts::LN_2 / 2.0).sqrt() / std::f64::consts::PI
}

/// A path without its fast part: at each frame the line through the frames around it, weighted by
/// a Gaussian of `sigma` frames. Zero phase; a steady move is kept exactly, at the ends too, where
/// only one side is known.
#[must_use]
pub fn smooth(path: &[[f64; 2]], sigma: f64) -> Vec<[f64; 2]> {
    if sigma <= 0.0 {
        return path.to_vec();
    }
    let reach = floor_usize((WINDOW * sigma).ceil()).clamp(1, path.len().max(1));
    let weights: Vec<f64> =
        (0..=reach).map(|d| libm::exp(-0.5 * (d as f64 / sigma).powi(2))).collect();
    (0..path.len())
        .map(|k| {
            let (low, high) = (k.saturating_sub(reach), (k + reach + 1).min(path.len()));
            let (mut s0, mut s1, mut s2) = (0.0, 0.0, 0.0);
            let (mut y0, mut y1) = ([0.0; 2], [0.0; 2]);
            for (i, p) in path.iter().enumerate().take(high).skip(low) {
                let (w, t) = (weights[i.abs_diff(k)], i as f64 - k as f64);
                s0 += w;
                s1 += w * t;
                s2 += w * t * t;
                for a in 0..2 {
                    y0[a] += w * p[a];
                    y1[a] += w * t * p[a];
                }
            }
            let det = s0 * s2 - s1 * s1;
            [0, 1].map(|a| if det > 0.0 { (s2 * y0[a] - s1 * y1[a]) / det } else { path[k][a] })
        })
        .collect()
}

/// Whether the poses are what their uncertainties alone would give: then correcting by them would
/// add more movement than it takes out. A movement must stay below its uncertainty in every frame
/// (mean square), and its slow part below half of it.
#[must_use]
pub fn stood_still(poses: &[Pose]) -> bool {
    if poses.iter().any(|p| !p.turn.is_none()) {
        return false;
    }
    let known: Vec<&Pose> = poses.iter().filter(|p| p.measured && p.sigma > 0.0).collect();
    if known.len() < FEWEST || 2 * known.len() < poses.len() {
        return false;
    }
    let n = known.len() as f64;
    let mean = [0, 1].map(|a| known.iter().map(|p| p.shift[a]).sum::<f64>() / n);
    let off: Vec<[f64; 2]> =
        known.iter().map(|p| [0, 1].map(|a| (p.shift[a] - mean[a]) / p.sigma)).collect();
    let square =
        |path: &[[f64; 2]]| path.iter().map(|d| 0.5 * (d[0] * d[0] + d[1] * d[1])).sum::<f64>() / n;
    // Errors alone give 1, as large a movement besides 2.
    square(&off) < 2.0 && square(&smooth(&off, SLOW)) < 0.25
}

/// Frames needed to tell that a camera stood still.
const FEWEST: usize = 8;
/// Width of the window for slow movement, in frames.
const SLOW: f64 = 8.0;

/// How the camera moved.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum MotionKind {
    /// No slow movement beyond a pixel.
    Still,
    /// Slow movement without aim, as rigs have.
    Drift,
    /// A steady movement as of a hand or a slider; a long warm-up of a rig in one direction looks
    /// the same.
    Move,
}

/// The camera's movement in numbers.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Motion {
    /// What it looks like.
    pub kind: MotionKind,
    /// Distance from the first frame to the last on the smooth path, in pixels.
    pub travel_px: f64,
    /// Length of the smooth path, in pixels.
    pub length_px: f64,
    /// Root mean square of what the smooth path leaves, both axes together, in pixels.
    pub shake_px: f64,
}

/// A move goes at least this far, in pixels.
const FAR: f64 = 5.0;
/// And this many times the shake.
const ABOVE_SHAKE: f64 = 10.0;
/// And straight on: its travel is this part of its length at least. A random walk of n steps has
/// `1 / sqrt(n)` or so.
const STRAIGHT: f64 = 0.8;

/// Tells a move from drift. `sigma` as in [`smooth`].
#[must_use]
pub fn motion(path: &[[f64; 2]], sigma: f64) -> Motion {
    let slow = smooth(path, sigma);
    let apart = |p: &[f64; 2], q: &[f64; 2]| ((p[0] - q[0]).powi(2) + (p[1] - q[1]).powi(2)).sqrt();
    let travel_px = slow.first().zip(slow.last()).map_or(0.0, |(a, b)| apart(a, b));
    let length_px: f64 = slow.windows(2).map(|p| apart(&p[0], &p[1])).sum();
    let squares: f64 = path.iter().zip(&slow).map(|(p, q)| apart(p, q).powi(2)).sum();
    let shake_px = (squares / path.len().max(1) as f64).sqrt();
    let furthest =
        slow.first().map_or(0.0, |first| slow.iter().map(|p| apart(p, first)).fold(0.0, f64::max));
    let kind = if travel_px > FAR
        && travel_px > ABOVE_SHAKE * shake_px
        && travel_px > STRAIGHT * length_px
    {
        MotionKind::Move
    } else if furthest > 1.0 {
        MotionKind::Drift
    } else {
        MotionKind::Still
    };
    Motion { kind, travel_px, length_px, shake_px }
}

#[cfg(test)]
mod tests {
    use super::*;

    const TURN: f64 = 2.0 * std::f64::consts::PI;

    fn pose(x: f64, y: f64) -> Pose {
        Pose { shift: [x, y], sigma: 0.01, ..Pose::ZERO }
    }

    #[test]
    fn gaps_are_bridged_and_marked() {
        let filled =
            fill_gaps(&[None, Some(pose(1.0, 0.0)), None, Some(pose(3.0, 2.0)), None]).unwrap();
        assert!((filled[2].shift[0] - 2.0).abs() < 1e-12);
        assert!((filled[2].shift[1] - 1.0).abs() < 1e-12);
        assert!(!filled[2].measured && filled[2].sigma >= 0.5);
        assert!((filled[0].shift[0] - 1.0).abs() < 1e-12);
        assert!((filled[4].shift[1] - 2.0).abs() < 1e-12);
        assert!(fill_gaps(&[None, None]).is_none());
    }

    #[test]
    fn the_common_window_is_seen_by_every_frame() {
        // A place X of the reference lies at X + p: from 0 to the last pixel in every frame. Columns
        // 3 (3 - 2.5 >= 0) to 95 (95 + 3.2 <= 99), rows 0 to 78 (78 + 1 <= 79), of even numbers.
        let w = common_window(&[[3.2, 0.0], [-2.5, 1.0]], 100, 80).unwrap();
        assert_eq!(w, Window { origin: [3, 0], size: [92, 78] });
        assert!(common_window(&[[60.0, 0.0], [0.0, 0.0]], 100, 80).is_none());
    }

    /// Vibration of half a pixel at 0.137 and 0.211 cycles a frame, measured to 0.02 px.
    fn shaken(pan: [f64; 2], n: usize) -> Vec<[f64; 2]> {
        (0..n)
            .map(|k| {
                let t = k as f64;
                let fast = |f: f64| 0.5 * libm::sin(TURN * f * t);
                // Errors that look random and are the same everywhere.
                let error = |f: f64| 0.028 * libm::sin(TURN * f * t * t);
                [pan[0] * t + fast(0.137) + error(0.0713), pan[1] * t + fast(0.211) + error(0.0391)]
            })
            .collect()
    }

    #[test]
    fn a_slow_pan_survives_and_the_shake_does_not() {
        // 2 s on screen at 25 frames a second.
        let sigma = half_amplitude(50.0);
        let pan = [0.4, 0.3];
        let slow = smooth(&shaken(pan, 400), sigma);
        let squares: f64 = slow
            .iter()
            .enumerate()
            .map(|(k, p)| (0..2).map(|a| (p[a] - pan[a] * k as f64).powi(2)).sum::<f64>())
            .sum();
        let rms = (squares / 400.0).sqrt();
        assert!(rms < 0.05, "{rms}");
    }

    #[test]
    fn a_steady_move_is_kept_exactly_and_the_cutoff_halves() {
        let line: Vec<[f64; 2]> = (0..90_u8).map(|k| [0.5 * f64::from(k), -2.0]).collect();
        for (p, q) in line.iter().zip(smooth(&line, 12.0)) {
            assert!((p[0] - q[0]).abs() < 1e-9 && (p[1] - q[1]).abs() < 1e-9);
        }
        let wave = |k: usize| libm::cos(2.0 * std::f64::consts::PI * k as f64 / 40.0);
        let path: Vec<[f64; 2]> = (0..400).map(|k| [wave(k), 0.0]).collect();
        let slow = smooth(&path, half_amplitude(40.0));
        for (k, p) in slow.iter().enumerate().take(300).skip(100) {
            assert!((p[0] - 0.5 * wave(k)).abs() < 1e-3, "{k}");
        }
        assert!(smooth(&[], 3.0).is_empty());
        let lone = smooth(&[[1.0, 2.0]], 3.0);
        assert!((lone[0][0] - 1.0).abs() + (lone[0][1] - 2.0).abs() < 1e-12);
    }

    #[test]
    fn a_tripod_is_told_from_a_rig_that_moves() {
        let of = |f: &dyn Fn(f64) -> f64| -> Vec<Pose> {
            (0..60_u8)
                .map(|k| {
                    let t = f64::from(k);
                    // Spread of 0.71 times 1.41: that of sigma.
                    let error = |f: f64| 0.0141 * libm::sin(TURN * f * t * t);
                    pose(error(0.0713) + f(t), error(0.0391))
                })
                .collect()
        };
        assert!(stood_still(&of(&|_| 0.0)));
        assert!(!stood_still(&of(&|t| 0.03 * libm::sin(0.9 * t))));
        // A slow drift by less than two sigmas in all.
        assert!(!stood_still(&of(&|t| 0.0006 * t)));
        assert!(!stood_still(&of(&|_| 0.0)[..5]));
        assert!(!stood_still(&[]));
    }

    #[test]
    fn moves_are_told_from_drift() {
        let sigma = half_amplitude(50.0);
        let kind = |path: &[[f64; 2]]| motion(path, sigma).kind;
        assert_eq!(kind(&shaken([0.4, 0.3], 400)), MotionKind::Move);
        assert_eq!(kind(&shaken([0.0, 0.0], 400)), MotionKind::Still);
        // To and fro by 8 px: slow, but without aim.
        let drift: Vec<[f64; 2]> =
            (0..400_u16).map(|k| [8.0 * libm::sin(0.04 * f64::from(k)), 0.0]).collect();
        assert_eq!(kind(&drift), MotionKind::Drift);
        assert_eq!(kind(&[]), MotionKind::Still);
    }
}
