//! Where each frame is to look: the target path, one place a frame, settled from the analysis
//! before any frame is rendered, so that every range of frames comes out the same.
//!
//! Without a move to keep the target is the reference. With one it is the slow part of the
//! camera's path. Averaging wants neighbours in common coordinates, so frames are then averaged in
//! stretches of fixed numbers, each in coordinates that lie by whole (even) pixels from the
//! reference, near the target of its middle frame; the finished frame goes the rest of the way.
//! The stretches are as long as that way stays short.
//!
//! Clips that are averaged and not steadied are shown as the camera saw them: each finished frame goes all
//! of the way back, turned as it was. There is room around what is averaged for that, so that nothing of a
//! frame is lost at its edges.

use super::analysis::{Analysis, FrameFacts};
use crate::frame::convert::floor_usize;
use crate::math::turn::Placement;
use crate::record::Warning;
use crate::register::path::{Motion, MotionKind, Window, half_amplitude, motion, smooth};
use crate::stages::ClipInfo;
use crate::stages::steady::{Follow, SteadySettings};

/// Lengths of a stretch, in frames, the longest first.
const STRETCHES: [usize; 6] = [64, 32, 16, 8, 4, 1];
/// A finished frame goes no further than this on its way to the target, in pixels, if a shorter
/// stretch can help it.
const REST: f64 = 8.0;

/// What is slow where nobody said how the clip is shown, in frames: 2 s at 25 frames a second.
const PERIOD: f64 = 50.0;

/// Target of each frame.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Target {
    /// Where the scene is to lie in the output of each frame, against the reference, in pixels.
    place: Vec<[f64; 2]>,
    /// Origin of the coordinates in which a frame is averaged, in whole pixels.
    base: Vec<[f64; 2]>,
    /// Frames averaged in the same coordinates; `None`: all of them.
    pub(super) stretch: Option<usize>,
    /// Where frames are shown as the camera saw them, room around what is averaged, in even pixels.
    pub(super) room: Option<usize>,
}

impl Target {
    /// The target path; `steady` where the clip is to be steadied.
    pub(super) fn new(
        analysis: &Analysis,
        info: &ClipInfo,
        steady: Option<&SteadySettings>,
    ) -> Self {
        let path: Vec<[f64; 2]> = analysis.frames.iter().map(|f| f.shift).collect();
        let n = path.len();
        let place = match steady {
            _ if !analysis.locked => vec![[0.0; 2]; n],
            // Shown where the camera saw it.
            None => path,
            Some(s) if s.path == Follow::Lock => vec![[0.0; 2]; n],
            Some(s) => s
                .period_frames(info)
                .map_or_else(|| vec![[0.0; 2]; n], |p| smooth(&path, half_amplitude(p))),
        };
        let turned = steady.is_none() && analysis.frames.iter().any(|f| !f.turn.is_none());
        if !turned && place.iter().all(|p| p.iter().all(|v| v.abs() < 1e-12)) {
            return Self { base: vec![[0.0; 2]; n], place, stretch: None, room: None };
        }
        let mut out = Self { base: Vec::new(), place, stretch: None, room: None };
        for length in STRETCHES {
            out.stretch = Some(length);
            out.base = bases(&out.place, length);
            if out.furthest() <= REST {
                break;
            }
        }
        if steady.is_none() {
            out.make_room(analysis, [info.width, info.height]);
        }
        out
    }

    /// Makes room for all of each frame around what is averaged.
    fn make_room(&mut self, analysis: &Analysis, size: [usize; 2]) {
        let usable = analysis.frames.iter().enumerate().filter(|(_, f)| f.usable());
        let furthest = usable
            .flat_map(|(i, f)| placement(f, self.base[i], size).inverse().corners())
            .flatten()
            .fold(0.0, |most: f64, v| most.max(v.abs()));
        let room = floor_usize((furthest / 2.0).ceil()) * 2;
        self.base.iter_mut().flatten().for_each(|v| *v += room as f64);
        self.room = Some(room);
    }

    /// Where the scene is to lie in frame `i`.
    pub(super) fn place(&self, i: usize) -> [f64; 2] {
        self.place[i]
    }

    /// Origin of the coordinates in which frame `i` is averaged.
    pub(super) fn base(&self, i: usize) -> [f64; 2] {
        self.base[i]
    }

    /// Shift of a finished average of frame `i` to its target: where it lies against where it
    /// should.
    pub(super) fn rest(&self, i: usize) -> [f64; 2] {
        [0, 1].map(|a| self.base[i][a] - self.place[i][a])
    }

    fn furthest(&self) -> f64 {
        (0..self.place.len()).flat_map(|i| self.rest(i)).fold(0.0, |most: f64, v| most.max(v.abs()))
    }

    /// Pixels to be cut off at each side because finished averages are moved; even.
    pub(super) fn margin(&self) -> usize {
        floor_usize((self.furthest() / 2.0).ceil()) * 2
    }

    /// The shifts of usable frames against their targets; of frames that are turned, those of
    /// their corners.
    pub(super) fn shifts(&self, analysis: &Analysis, size: [usize; 2]) -> Vec<[f64; 2]> {
        let mut out = Vec::new();
        for (i, f) in analysis.frames.iter().enumerate().filter(|(_, f)| f.usable()) {
            let corners = f.pose().placement(size).corners();
            let of = if f.turn.is_none() { &corners[..1] } else { &corners[..] };
            out.extend(of.iter().map(|c| [0, 1].map(|a| c[a] - self.place[i][a])));
        }
        out
    }
}

/// Where a frame is read whose scene is to lie at `target`; `size` is that of the frame.
pub(super) fn placement(facts: &FrameFacts, target: [f64; 2], size: [usize; 2]) -> Placement {
    // What is to lie at `target` from where it was is turned about the middle from there.
    let turned = facts.turn.moves(target);
    let against = [0, 1].map(|a| facts.shift[a] - target[a] - turned[a]);
    Placement::new(against, facts.turn, size)
}

/// How the camera moved, where the background was found; and what to say of it.
pub(super) fn camera(
    analysis: &Analysis,
    info: &ClipInfo,
    steady: Option<&SteadySettings>,
) -> (Option<Motion>, Option<Warning>) {
    if !analysis.locked {
        return (None, None);
    }
    let path: Vec<[f64; 2]> = analysis.frames.iter().map(|f| f.shift).collect();
    let period = steady.and_then(|s| s.period_frames(info)).unwrap_or(PERIOD);
    let found = motion(&path, half_amplitude(period));
    let taken_out = steady.is_some_and(|s| s.path == Follow::Lock);
    let warning = (found.kind == MotionKind::Move && taken_out).then(|| {
        Warning::new(
            "camera-move",
            format!(
                "the camera moves steadily by {:.1} px over the clip, which is taken out",
                found.travel_px
            ),
            "if the move is meant, keep it with path = \"keep\" in stage steady",
        )
    });
    (Some(found), warning)
}

/// The target of the middle frame of each stretch in even pixels.
fn bases(place: &[[f64; 2]], length: usize) -> Vec<[f64; 2]> {
    (0..place.len())
        .map(|i| {
            let start = i / length * length;
            let middle = (start + length / 2).min(place.len() - 1);
            place[middle].map(|v| 2.0 * (v / 2.0).round())
        })
        .collect()
}

/// A window with room on all sides, from the corner on.
pub(super) fn with_room(window: Window, room: usize) -> Window {
    Window { size: window.size.map(|s| s + 2 * room), ..window }
}

/// A window with a margin taken off each side, where it is wide enough.
pub(super) fn within(window: Window, margin: usize) -> Window {
    let fits = window.size.iter().all(|&s| s > 4 * margin);
    let m = if fits { margin } else { 0 };
    Window { origin: window.origin.map(|o| o + m), size: window.size.map(|s| s - 2 * m) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bases_are_even_and_the_same_along_a_stretch() {
        let place: Vec<[f64; 2]> = (0..50_u8).map(f64::from).map(|i| [0.5 * i, -0.3 * i]).collect();
        let b = bases(&place, 16);
        let same = |p: [f64; 2], q: [f64; 2]| (p[0] - q[0]).abs() + (p[1] - q[1]).abs() < 1e-12;
        assert!(same(b[0], [4.0, -2.0]));
        assert!(b[..16].iter().all(|v| same(*v, b[0])));
        assert!(same(b[16], [12.0, -8.0]));
        // The last stretch is short.
        assert!(same(b[49], [24.0, -14.0]));
    }

    #[test]
    fn margins_leave_something() {
        let w = Window { origin: [2, 4], size: [100, 80] };
        assert_eq!(within(w, 6), Window { origin: [8, 10], size: [88, 68] });
        assert_eq!(within(w, 40), w);
    }
}
