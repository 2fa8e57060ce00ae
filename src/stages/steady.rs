//! `steady`: holds the still background still.
//!
//! Each frame is resampled once, by its pose, so that the background lies where it lies in the
//! reference ([`crate::math::resample`]). The pose was measured from the still background
//! ([`crate::register`]); a moving mechanism does not pull on it.
//!
//! Order: after the corrections in sensor coordinates (a fixed pattern that is moved cannot be
//! taken off any more). With `average` before it the frames are averaged in the same coordinates
//! and not resampled again.
//!
//! Path: with `lock` the picture stands as from a locked-off camera. With `keep` a move that was
//! made on purpose stays: the path of the camera without what is faster than `slower_than` seconds
//! on screen (a movement of that period is halved; zero phase). With `average` before it, frames
//! are averaged where the scene stands still and the finished frame is moved along the path, which
//! is a second resampling, of a frame with little noise; a margin is cut off for it.
//!
//! Edges: `crop` writes the part of the scene that every frame saw; `fill` keeps the frame's size,
//! and what a frame did not see comes from its neighbours (with `average`) or repeats its edge.
//! Where cropping would leave less than half of the width or height, `fill` is used and said so.

use serde::{Deserialize, Serialize};

use super::{ByValue, ClipInfo, Realm, SettingDoc, StageDoc, StageError};
use crate::frame::convert::{signed, to_f32};
use crate::frame::{Coding, FixedPlane, Flaw, Frame, Layout, Plane, spare};
use crate::math::resample::{NoisePower, Shift, valid_range};
use crate::math::turn::{Placement, ReadScratch, Reading, Turn};
use crate::register::path::Window;

/// What becomes of places that not every frame saw.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Edges {
    /// Cut off.
    #[default]
    Crop,
    /// Kept.
    Fill,
}

/// What becomes of the camera's own move.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Follow {
    /// Taken out: as from a locked-off camera.
    #[default]
    Lock,
    /// Its slow part stays.
    Keep,
}

/// Settings of the stage.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct SteadySettings {
    /// What becomes of the camera's own move.
    pub path: Follow,
    /// With `keep`: movements that take longer than this on screen stay, in s; 0.2 to 60.
    pub slower_than: f64,
    /// What becomes of places that not every frame saw.
    pub edges: Edges,
    /// How far the picture may jump from one frame to the next, in pixels; 4 to 28.
    pub reach: usize,
    /// Rectangles `[x, y, width, height]` in px of the still background; none: found by itself.
    pub include: Vec<[usize; 4]>,
    /// Rectangles that are never background.
    pub exclude: Vec<[usize; 4]>,
}

impl Default for SteadySettings {
    fn default() -> Self {
        Self {
            path: Follow::Lock,
            slower_than: 2.0,
            edges: Edges::Crop,
            reach: 20,
            include: Vec::new(),
            exclude: Vec::new(),
        }
    }
}

impl SteadySettings {
    /// Checks the settings.
    ///
    /// # Errors
    /// [`StageError::BadSetting`] for a value outside its range.
    pub fn check(&self) -> Result<(), StageError> {
        let bad = |setting, found: String, expected| {
            Err(StageError::BadSetting { stage: "steady", setting, found, expected })
        };
        if !(4..=28).contains(&self.reach) {
            return bad("reach", self.reach.to_string(), "from 4 to 28 px");
        }
        if !(0.2..=60.0).contains(&self.slower_than) {
            return bad("slower_than", self.slower_than.to_string(), "from 0.2 to 60 s");
        }
        let unfit = |r: &&[usize; 4]| r[2] == 0 || r[3] == 0 || r.iter().any(|&v| v > MOST_PIXELS);
        for (setting, list) in [("include", &self.include), ("exclude", &self.exclude)] {
            if let Some(r) = list.iter().find(unfit) {
                return bad(setting, format!("{r:?}"), "[x, y, width, height] with an area");
            }
        }
        Ok(())
    }

    /// Checks the settings against what is known of the clip.
    ///
    /// # Errors
    /// [`StageError::MissingFact`] where a move is to be kept and nobody said how fast the clip
    /// will be shown; [`StageError::BadSetting`] for a rectangle outside of the frame.
    pub fn check_clip(&self, clip: &ClipInfo) -> Result<(), StageError> {
        self.check()?;
        if self.path == Follow::Keep && clip.playback.is_none() {
            return Err(StageError::MissingFact {
                stage: "steady",
                fact: "the playback rate",
                advice: "give playback, for example 25, or take path = \"lock\"",
            });
        }
        let outside = |r: &&[usize; 4]| r[0] >= clip.width || r[1] >= clip.height;
        for (setting, list) in [("include", &self.include), ("exclude", &self.exclude)] {
            if let Some(r) = list.iter().find(outside) {
                return Err(StageError::BadSetting {
                    stage: "steady",
                    setting,
                    found: format!("{r:?}"),
                    expected: "inside of the frame (x, y, width, height in px)",
                });
            }
        }
        Ok(())
    }

    /// Source frames that the slowest movement to be taken out lasts on screen; `None` where the rate of
    /// showing is not known.
    #[must_use]
    pub fn period_frames(&self, clip: &ClipInfo) -> Option<f64> {
        // Of combined frames, several source frames go into each on screen.
        Some(self.slower_than * clip.playback?.per_second() * clip.combined as f64)
    }
}

/// No frame is wider or higher, in pixels.
const MOST_PIXELS: usize = 1_000_000;

/// What people see of the stage.
pub const DOC: StageDoc = StageDoc {
    name: "steady",
    summary: "resamples each frame once so that the still background stands still",
    takes: &[Realm::Sensor, Realm::Linear],
    gives: Some(Realm::Linear),
    settings: &[
        SettingDoc {
            name: "path",
            unit: "-",
            range: "\"lock\" or \"keep\"",
            default: "\"lock\"",
            meaning: "whether a move of the camera is taken out, or its slow part kept",
        },
        SettingDoc {
            name: "slower_than",
            unit: "s",
            range: "0.2 to 60",
            default: "2.0",
            meaning: "with keep: what takes longer than this on screen is kept",
        },
        SettingDoc {
            name: "edges",
            unit: "-",
            range: "\"crop\" or \"fill\"",
            default: "\"crop\"",
            meaning: "whether places that not every frame saw are cut off, or left black where they were not seen",
        },
        SettingDoc {
            name: "reach",
            unit: "px",
            range: "4 to 28",
            default: "20",
            meaning: "how far the picture may jump from one frame to the next",
        },
        SettingDoc {
            name: "include",
            unit: "px",
            range: "rectangles [x, y, width, height]",
            default: "[]",
            meaning: "where the still background is; empty: it is found",
        },
        SettingDoc {
            name: "exclude",
            unit: "px",
            range: "rectangles [x, y, width, height]",
            default: "[]",
            meaning: "where it never is",
        },
    ],
};

/// Where one frame goes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Move {
    /// Where the frame is read: shift of the scene in it against where it should lie, and its turn
    /// about the middle, in pixels of the full frame.
    pub at: Placement,
    /// Factor on the light.
    pub gain: f32,
    /// Part of the reference to write.
    pub window: Window,
}

impl Move {
    /// A shift of all of a frame, its light left as it is.
    #[must_use]
    pub fn shifted(shift: [f64; 2]) -> Self {
        let at = Placement::about([0.0, 0.0], shift, Turn::NONE);
        Self { at, gain: 1.0, window: Window::whole(0, 0) }
    }

    /// Variance that it leaves of white noise, for planes of this layout.
    #[must_use]
    pub fn noise_gain(&self, layout: Layout) -> f32 {
        Reading::new(self.for_planes(layout).at).noise_gain()
    }

    /// How much of white noise's power it leaves at each frequency, for planes of this layout.
    #[must_use]
    pub fn noise_power(&self, layout: Layout) -> NoisePower {
        Reading::new(self.for_planes(layout).at).noise_power()
    }

    /// The same for the planes that are moved: mosaics are moved by colour.
    fn for_planes(&self, layout: Layout) -> Self {
        self.for_layout(if let Layout::Mosaic(m) = layout { Layout::Sites(m) } else { layout })
    }

    /// The same for planes that hold every second pixel of the frame. Their pixels lie a quarter
    /// of their distance to either side of the frame's middle; that is left out.
    fn for_layout(&self, layout: Layout) -> Self {
        if !matches!(layout, Layout::Sites(_)) {
            return *self;
        }
        let half = |v: [f64; 2]| v.map(|v| v / 2.0);
        Self {
            at: Placement::about(
                self.at.middle.map(|m| m / 2.0 - 0.25),
                half(self.at.shift),
                self.at.turn,
            ),
            gain: self.gain,
            window: Window {
                origin: [self.window.origin[0] / 2, self.window.origin[1] / 2],
                size: [self.window.size[0] / 2, self.window.size[1] / 2],
            },
        }
    }
}

/// Resamples a frame; a mosaic, which is of even size, by colour.
#[must_use]
pub fn moved(frame: &Frame, to: &Move) -> Frame {
    if matches!(frame.layout, Layout::Mosaic(_)) {
        return into_mosaic(moved(&into_sites(frame.clone()), to));
    }
    moved_rows(frame, to, |_| {})
}

/// The same for a frame that is no mosaic and has no flaws, each value then worked on by `then`.
#[must_use]
pub fn moved_then(frame: &Frame, to: &Move, then: &dyn ByValue) -> Frame {
    let mut out = moved_rows(frame, to, |row| then.values(row));
    out.domain = then.gives();
    out
}

/// [`moved`], with something done to each row once it is made.
fn moved_rows(frame: &Frame, to: &Move, then: impl Fn(&mut [f32])) -> Frame {
    let to = to.for_layout(frame.layout);
    let mut planes = Vec::with_capacity(frame.planes.len());
    let mut flaws = Vec::new();
    for (p, plane) in frame.planes.iter().enumerate() {
        let mut out = Plane::to_write(to.window.size[0], to.window.size[1]);
        let mut moving = Moving::new(plane, &to);
        for y in 0..out.height() {
            moving.row(y, out.row_mut(y));
            then(out.row_mut(y));
        }
        planes.push(out);
        flaws.push(moving.flaws(frame.flaws_of(p)));
    }
    if flaws.iter().flatten().all(|&f| f == Flaw::None) {
        flaws.clear();
    }
    Frame { planes, layout: frame.layout, domain: frame.domain, flaws }
}

/// Resamples a frame into 16-bit planes; places that the frame did not see are marked missing.
#[must_use]
pub fn locked(frame: &Frame, to: &Move, coding: Coding) -> Vec<FixedPlane> {
    let to = to.for_layout(frame.layout);
    let [w, h] = to.window.size;
    frame
        .planes
        .iter()
        .enumerate()
        .map(|(p, plane)| {
            let mut codes = spare::codes(w * h);
            let mut moving = Moving::new(plane, &to);
            let mut row = vec![0.0; w];
            for y in 0..h {
                let (from, to) = moving.row(y, &mut row);
                let at = y * w;
                codes.resize(at + from, Coding::MISSING);
                codes.resize(at + to, Coding::MISSING);
                coding.encode_all(&row[from..to], &mut codes[at + from..]);
                codes.resize(at + w, Coding::MISSING);
            }
            for (c, f) in codes.iter_mut().zip(moving.flaws(frame.flaws_of(p))) {
                match f {
                    Flaw::None => {}
                    Flaw::Saturated if *c != Coding::MISSING => *c = Coding::SATURATED,
                    Flaw::Saturated | Flaw::Missing => *c = Coding::MISSING,
                }
            }
            FixedPlane { width: w, height: h, codes, coding }
        })
        .collect()
}

/// A plane that is resampled row by row.
struct Moving<'a> {
    plane: &'a Plane,
    to: &'a Move,
    reading: Reading,
    scratch: ReadScratch,
    /// Columns and rows of the result that lie inside of a plane that is not turned.
    inside: [(usize, usize); 2],
}

impl<'a> Moving<'a> {
    fn new(plane: &'a Plane, to: &'a Move) -> Self {
        let ([x0, y0], [w, h]) = (to.window.origin.map(signed), to.window.size);
        let [dx, dy] = to.at.shift;
        Self {
            plane,
            to,
            reading: Reading::new(to.at),
            scratch: ReadScratch::default(),
            inside: [valid_range(x0, dx, w, plane.width()), valid_range(y0, dy, h, plane.height())],
        }
    }

    /// Row `y` of the result; gives its columns that lie inside of the plane.
    fn row(&mut self, y: usize, row: &mut [f32]) -> (usize, usize) {
        let [x0, y0] = self.to.window.origin.map(signed);
        let at = (x0, y0 + signed(y));
        self.reading.row(self.plane.into(), at, row, &mut self.scratch);
        for v in row.iter_mut() {
            *v *= self.to.gain;
        }
        let [across, down] = self.inside;
        if !self.to.at.turn.is_none() {
            return seen(&self.to.at, at, row.len(), [self.plane.width(), self.plane.height()]);
        }
        if y >= down.0 && y < down.1 { across } else { (0, 0) }
    }

    /// The flaws of the result, none where the plane has none.
    fn flaws(&self, flaws: Option<&[Flaw]>) -> Vec<Flaw> {
        let kernel = Shift::new(self.to.at.shift[0], self.to.at.shift[1]);
        flaws.map_or_else(Vec::new, |f| moved_flaws(f, self.plane.width(), self.to, &kernel))
    }
}

/// Columns of a row of results that lie inside of a turned picture.
fn seen(at: &Placement, (x0, y): (isize, isize), width: usize, size: [usize; 2]) -> (usize, usize) {
    let inside = |x: usize| {
        let p = [(x0 + signed(x)) as f64, y as f64];
        let by = at.at(p[0], p[1]);
        (0..2).all(|a| (-1e-9..=size[a] as f64 - 1.0 + 1e-9).contains(&(p[a] + by[a])))
    };
    // The part inside is one piece.
    let first = (0..width).find(|&x| inside(x)).unwrap_or(0);
    let last = (first..width).rev().find(|&x| inside(x)).map_or(first, |x| x + 1);
    (first, last)
}

/// Taps lighter than this do not carry a flaw on.
const TAP: f32 = 0.05;

/// Marks every output pixel to which a flawed sample adds noticeably.
fn moved_flaws(flaws: &[Flaw], width: usize, to: &Move, kernel: &Shift) -> Vec<Flaw> {
    let [w, h] = to.window.size;
    let mut out = vec![Flaw::None; w * h];
    let heavy = |taps: &[f32]| -> Vec<isize> {
        (0..taps.len())
            .filter(|&j| taps[j].abs() > TAP)
            .map(|j| signed(j) - signed(crate::math::resample::BEFORE))
            .collect()
    };
    let back = to.at.inverse();
    let (mut across, mut down) = (heavy(&kernel.x), heavy(&kernel.y));
    let mut whole = kernel.whole;
    for (at, &flaw) in flaws.iter().enumerate().filter(|(_, f)| **f != Flaw::None) {
        let (sx, sy) = (signed(at % width), signed(at / width));
        if !to.at.turn.is_none() {
            let [dx, dy] = back.at(sx as f64, sy as f64).map(|v| -v);
            let here = Shift::new(dx, dy);
            (across, down, whole) = (heavy(&here.x), heavy(&here.y), here.whole);
        }
        for dy in &down {
            let y = sy - dy - whole[1] - signed(to.window.origin[1]);
            if y < 0 || y >= signed(h) {
                continue;
            }
            for dx in &across {
                let x = sx - dx - whole[0] - signed(to.window.origin[0]);
                if x >= 0 && x < signed(w) {
                    let o = &mut out[y.unsigned_abs() * w + x.unsigned_abs()];
                    *o = (*o).max(flaw);
                }
            }
        }
    }
    out
}

/// Takes a mosaic apart into its four half-size planes; other layouts come back as they are.
#[must_use]
pub fn into_sites(frame: Frame) -> Frame {
    let Layout::Mosaic(mosaic) = frame.layout else { return frame };
    let source = &frame.planes[0];
    let (w, h) = (source.width() / 2, source.height() / 2);
    let corner = |s: usize| (s % 2, s / 2);
    let planes = (0..4)
        .map(|s| {
            let (dx, dy) = corner(s);
            Plane::from_fn(w, h, |x, y| source.at(2 * x + dx, 2 * y + dy))
        })
        .collect();
    let flaws = frame.flaws_of(0).map_or_else(Vec::new, |f| {
        (0..4)
            .map(|s| {
                let (dx, dy) = corner(s);
                let at = |i: usize| (2 * (i / w) + dy) * source.width() + 2 * (i % w) + dx;
                (0..w * h).map(|i| f[at(i)]).collect()
            })
            .collect()
    });
    Frame { planes, layout: Layout::Sites(mosaic), domain: frame.domain, flaws }
}

/// Puts four half-size planes together again; other layouts come back as they are.
#[must_use]
pub fn into_mosaic(frame: Frame) -> Frame {
    let Layout::Sites(mosaic) = frame.layout else { return frame };
    let (w, h) = (frame.width(), frame.height());
    let site = |x: usize, y: usize| (y % 2) * 2 + x % 2;
    let plane = Plane::from_fn(2 * w, 2 * h, |x, y| frame.planes[site(x, y)].at(x / 2, y / 2));
    let flaws = if frame.flaws.is_empty() {
        Vec::new()
    } else {
        let at = |i: usize| (i % (2 * w), i / (2 * w));
        let one = (0..4 * w * h)
            .map(|i| {
                let (x, y) = at(i);
                frame.flaws[site(x, y)].get((y / 2) * w + x / 2).copied().unwrap_or_default()
            })
            .collect();
        vec![one]
    };
    Frame { planes: vec![plane], layout: Layout::Mosaic(mosaic), domain: frame.domain, flaws }
}

/// Median of the variances of all planes, for the record; 0 without pixels.
#[must_use]
pub fn median_of(planes: &[&Plane]) -> f64 {
    let mut all: Vec<f32> =
        planes.iter().flat_map(|p| p.data().iter().step_by(7)).copied().collect();
    f64::from(crate::math::robust::median(&mut all).unwrap_or(to_f32(0.0)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::{Domain, Mosaic};

    fn to(shift: [f64; 2], size: [usize; 2]) -> Move {
        Move { window: Window { origin: [0, 0], size }, ..Move::shifted(shift) }
    }

    #[test]
    fn nothing_to_move_changes_no_bit() {
        let p = Plane::from_fn(20, 16, |x, y| (x * 31 + y * 7) as f32 * 0.37);
        let f = moved(&Frame::mono(p.clone()), &to([0.0, 0.0], [20, 16]));
        assert_eq!(f.planes[0], p);
        assert!(f.flaws.is_empty());
    }

    #[test]
    fn content_comes_back_to_where_it_was() {
        let wave = |x: f64| to_f32(100.0 + 30.0 * libm::sin(0.4 * x));
        let seen = Plane::from_fn(64, 20, |x, _| wave(x as f64 - 2.3));
        let f = moved(&Frame::mono(seen), &to([2.3, 0.0], [60, 20]));
        for x in 6..54 {
            assert!((f.planes[0].at(x, 10) - wave(x as f64)).abs() < 0.2);
        }
    }

    #[test]
    fn a_saturated_sample_marks_what_it_touches_and_the_unseen_is_missing() {
        let mut frame = Frame::mono(Plane::filled(16, 16, 5.0));
        frame.flaws_mut(0)[8 * 16 + 8] = Flaw::Saturated;
        let coding = Coding::for_white(4000.0);
        let l = &locked(&frame, &to([1.5, 0.0], [16, 16]), coding)[0];
        assert_eq!(l.codes[8 * 16 + 7], Coding::SATURATED);
        assert_eq!(l.codes[8 * 16 + 6], Coding::SATURATED);
        assert_ne!(l.codes[8 * 16 + 12], Coding::SATURATED);
        assert_eq!(l.codes[8 * 16 + 15], Coding::MISSING);
    }

    #[test]
    fn colours_of_a_mosaic_are_not_mixed() {
        let plane = Plane::from_fn(40, 32, |x, y| [900.0, 300.0, 310.0, 50.0][y % 2 * 2 + x % 2]);
        let frame = Frame { layout: Layout::Mosaic(Mosaic::Rggb), ..Frame::mono(plane.clone()) };
        let by = Move {
            window: Window { origin: [4, 4], size: [32, 24] },
            ..Move::shifted([0.7, -1.3])
        };
        let out = moved(&frame, &by);
        assert_eq!(out.layout, frame.layout);
        for (found, seen) in out.planes[0].data().iter().zip(plane.crop(4, 4, 32, 24).data()) {
            assert!((found - seen).abs() < 1e-3, "{found} {seen}");
        }
    }

    #[test]
    fn a_mosaic_comes_apart_and_together() {
        let plane = Plane::from_fn(8, 6, |x, y| (y * 8 + x) as f32);
        let mut frame = Frame {
            planes: vec![plane],
            layout: Layout::Mosaic(Mosaic::Rggb),
            domain: Domain::Linear,
            flaws: Vec::new(),
        };
        frame.flaws_mut(0)[11] = Flaw::Saturated;
        let sites = into_sites(frame.clone());
        assert_eq!(sites.planes.len(), 4);
        assert!((sites.planes[3].at(0, 0) - 9.0).abs() < 1e-6);
        assert_eq!(into_mosaic(sites), frame);
    }
}
