//! From poses to where the output looks.

use super::Pose;
use crate::frame::convert::{floor_usize, to_f32};

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
        sigma: a.sigma.max(b.sigma).max(0.5 * step).max(0.5),
        light: mix(a.light, b.light),
        measured: false,
    }
}

/// The part of the reference that every frame saw, of even width and height.
///
/// `None` where it would be less than half of the frame in width or height.
#[must_use]
pub fn common_window(poses: &[Pose], width: usize, height: usize) -> Option<Window> {
    let axis = |a: usize, length: usize| -> Option<(usize, usize)> {
        let low = poses.iter().map(|p| -p.shift[a]).fold(0.0, f64::max);
        let high = poses.iter().map(|p| -p.shift[a]).fold(0.0, f64::min);
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

/// Largest distance of any frame from the reference along each axis, in pixels.
#[must_use]
pub fn excursion(poses: &[Pose]) -> [f32; 2] {
    [0, 1].map(|a| to_f32(poses.iter().map(|p| p.shift[a].abs()).fold(0.0, f64::max)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pose(x: f64, y: f64) -> Pose {
        Pose { shift: [x, y], sigma: 0.01, light: 1.0, measured: true }
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
        // The scene moves by +3.2 in one frame: its first 3.2 columns... are those a point X needs
        // X + p >= 0 and X + p <= w - 1.
        let w = common_window(&[pose(3.2, 0.0), pose(-2.5, 1.0)], 100, 80).unwrap();
        let (x0, x1) = (w.origin[0] as f64, (w.origin[0] + w.size[0] - 1) as f64);
        assert!(x0 - 2.5 >= 0.0 && x1 + 3.2 <= 99.0);
        assert_eq!(w.size[0] % 2, 0);
        assert!(common_window(&[pose(60.0, 0.0), pose(0.0, 0.0)], 100, 80).is_none());
    }
}
