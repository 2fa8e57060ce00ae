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
//! and what a frame did not see is black; with `average` only what no frame of its window saw. A frame
//! sees half a pixel beyond the middles of its outermost pixels, to where these end.
//! Where cropping would leave less than half of the width or height, `fill` is used and said so.

use serde::{Deserialize, Serialize};

use super::{ByValue, ClipInfo, Realm, SettingDoc, StageDoc, StageError};
use crate::frame::convert::{clamp_index, floor_isize, signed, to_f32};
use crate::frame::{Coding, FixedPlane, Flaw, Frame, Layout, Plane, spare};
use crate::math::resample::{NoisePower, Shift, range_within};
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
            meaning: "whether places that not every frame saw are cut off, or left black where they were not seen (with average, by no frame of the window)",
        },
        SettingDoc {
            name: "reach",
            unit: "px",
            range: "4 to 28",
            default: "20",
            meaning: "how far the picture may jump from one frame to the next; a mosaic, registered at half size, may jump twice as far, and frames below 96 px no more than 15",
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
    /// Whether places that the frame did not see are black, and marked missing; else they repeat its
    /// edge.
    pub black: bool,
}

impl Move {
    /// A shift of all of a frame, its light left as it is.
    #[must_use]
    pub fn shifted(shift: [f64; 2]) -> Self {
        let at = Placement::about([0.0, 0.0], shift, Turn::NONE);
        Self { at, gain: 1.0, window: Window::whole(0, 0), black: false }
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
            black: self.black,
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
    // What is black is of that domain already.
    out.flaws.clear();
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
        let mut marked = moving.flaws(frame.flaws_of(p));
        for y in 0..out.height() {
            let row = out.row_mut(y);
            let (from, end) = moving.row(y, row);
            if to.black && (from, end) != (0, row.len()) {
                marked.resize(to.window.size[0] * to.window.size[1], Flaw::None);
                for unseen in [0..from, end..row.len()] {
                    row[unseen.clone()].fill(0.0);
                    let at = y * row.len();
                    marked[at + unseen.start..at + unseen.end].fill(Flaw::Missing);
                }
            }
            then(row);
        }
        planes.push(out);
        flaws.push(marked);
    }
    if flaws.iter().flatten().all(|&f| f == Flaw::None) {
        flaws.clear();
    }
    // One list a plane, where there are any.
    let n = to.window.size[0] * to.window.size[1];
    flaws.iter_mut().for_each(|f| f.resize(n, Flaw::None));
    Frame { planes, layout: frame.layout, domain: frame.domain, flaws }
}

/// Resamples a frame into 16-bit planes; places that the frame did not see are marked missing, those
/// that lie between saturated samples saturated. What lies at the rim of such samples has a value
/// between those of the samples around it: what is cut off at white is a picture with edges, which
/// stay where they are from frame to frame only if they are read, not widened by what the kernel touches.
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
            if let Some(of) = frame.flaws_of(p) {
                moving.mark(of, coding, &mut codes);
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
            inside: [
                range_within(x0, dx, (w, plane.width()), BEYOND),
                range_within(y0, dy, (h, plane.height()), BEYOND),
            ],
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

    /// Marks what is flawed among the codes of the result; `of` are the plane's flaws.
    fn mark(&self, of: &[Flaw], coding: Coding, codes: &mut [u16]) {
        let w = self.to.window.size[0];
        for (at, (c, f)) in codes.iter_mut().zip(self.touched(of, ANY)).enumerate() {
            *c = match f {
                Flaw::None => *c,
                Flaw::Saturated if *c != Coding::MISSING => {
                    self.beside([at % w, at / w], of).map_or(Coding::SATURATED, |[least, most]| {
                        coding.encode(coding.decode(*c).max(least).min(most))
                    })
                }
                Flaw::Saturated | Flaw::Missing => Coding::MISSING,
            };
        }
    }

    /// The least and the largest of the four samples around the place that result (x, y) is read at;
    /// `None` where these are saturated.
    fn beside(&self, [x, y]: [usize; 2], flaws: &[Flaw]) -> Option<[f32; 2]> {
        let [x0, y0] = self.to.window.origin;
        let here = [(x0 + x) as f64, (y0 + y) as f64];
        let by = self.to.at.at(here[0], here[1]);
        let at = [here[0] + by[0], here[1] + by[1]];
        let whole = at.map(floor_isize);
        let part = [0, 1].map(|a| at[a] - whole[a] as f64);
        let size = [self.plane.width(), self.plane.height()];
        let (mut full, mut least, mut most) = (0.0, f32::INFINITY, f32::NEG_INFINITY);
        for corner in [[0, 0], [1, 0], [0, 1], [1, 1]] {
            let share = |a: usize| if corner[a] == 1 { part[a] } else { 1.0 - part[a] };
            let [i, j] = [0, 1].map(|a| clamp_index(whole[a] + corner[a], size[a]));
            if flaws[j * size[0] + i] == Flaw::Saturated {
                full += share(0) * share(1);
            }
            let v = self.plane.at(i, j) * self.to.gain;
            (least, most) = (least.min(v), most.max(v));
        }
        (full < FULL).then_some([least, most])
    }

    /// The flaws of the result, none where the plane has none.
    fn flaws(&self, flaws: Option<&[Flaw]>) -> Vec<Flaw> {
        flaws.map_or_else(Vec::new, |f| self.touched(f, TAP))
    }

    /// The flaws of the result; `lit` is the lightest tap that carries on that a sample is saturated.
    fn touched(&self, flaws: &[Flaw], lit: f32) -> Vec<Flaw> {
        let kernel = Shift::new(self.to.at.shift[0], self.to.at.shift[1]);
        moved_flaws(flaws, self.plane.width(), self.to, &kernel, lit)
    }
}

/// Columns of a row of results that lie inside of a turned picture.
fn seen(at: &Placement, (x0, y): (isize, isize), width: usize, size: [usize; 2]) -> (usize, usize) {
    let inside = |x: usize| {
        let p = [(x0 + signed(x)) as f64, y as f64];
        let by = at.at(p[0], p[1]);
        (0..2).all(|a| (-BEYOND..=size[a] as f64 - 1.0 + BEYOND).contains(&(p[a] + by[a])))
    };
    // The part inside is one piece.
    let first = (0..width).find(|&x| inside(x)).unwrap_or(0);
    let last = (first..width).rev().find(|&x| inside(x)).map_or(first, |x| x + 1);
    (first, last)
}

/// Pixels beyond the middles of the outermost ones that a frame sees.
const BEYOND: f64 = 0.5;

/// Taps lighter than this do not carry a flaw on; those that add anything at all.
const TAP: f32 = 0.05;
const ANY: f32 = 0.001;
/// A place that lies this much among saturated samples, by its distances to the four around it, is
/// saturated itself.
const FULL: f64 = 0.9;

/// Marks every output pixel to which a flawed sample adds noticeably, a saturated one by a tap of `lit`.
fn moved_flaws(flaws: &[Flaw], width: usize, to: &Move, kernel: &Shift, lit: f32) -> Vec<Flaw> {
    let [w, h] = to.window.size;
    let mut out = vec![Flaw::None; w * h];
    let heavy = |taps: &[f32], flaw: Flaw| -> Vec<isize> {
        let least = if flaw == Flaw::Saturated { lit } else { TAP };
        (0..taps.len())
            .filter(|&j| taps[j].abs() > least)
            .map(|j| signed(j) - signed(crate::math::resample::BEFORE))
            .collect()
    };
    let all = |kernel: &Shift, flaw| [heavy(&kernel.x, flaw), heavy(&kernel.y, flaw)];
    let back = to.at.inverse();
    let mut full = all(kernel, Flaw::Saturated);
    let mut missing = all(kernel, Flaw::Missing);
    let mut whole = kernel.whole;
    for (at, &flaw) in flaws.iter().enumerate().filter(|(_, f)| **f != Flaw::None) {
        let (sx, sy) = (signed(at % width), signed(at / width));
        let taps = if flaw == Flaw::Saturated { &mut full } else { &mut missing };
        if !to.at.turn.is_none() {
            let [dx, dy] = back.at(sx as f64, sy as f64).map(|v| -v);
            let here = Shift::new(dx, dy);
            *taps = all(&here, flaw);
            whole = here.whole;
        }
        let [across, down] = &*taps;
        for dy in down {
            let y = sy - dy - whole[1] - signed(to.window.origin[1]);
            if y < 0 || y >= signed(h) {
                continue;
            }
            for dx in across {
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
#[path = "steady_tests.rs"]
mod tests;
