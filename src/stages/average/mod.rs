//! `average`: the same place seen in neighbouring frames, averaged where it agrees.
//!
//! Works in locked coordinates, on frames that were each resampled once. For every pixel
//!
//! ```text
//! out = (I_0 + sum_s u_s T_s + (1 - u) sum_k w_k I_k(x + d_k)) / (sum of the same weights)
//! ```
//!
//! - T_s (DN) is the sum over one of the segments s of the window: far past, near past, near
//!   future, far future. u_s (0 to 1) says how sure it is that the place shows in all of the segment
//!   what it shows now (`still`); so what was uncovered a moment ago is averaged over all frames
//!   since, and what will be covered soon over all before. u is the larger u_s of the near ones.
//! - I_k are the nearest frames, read along the path d_k (px) of what moves in a tile
//!   (`moving`, [`crate::math::trajectory`]), each with a weight w_k of its own.
//! - All weights test differences against the noise at three scales (`agree`): what shows
//!   something else gets no weight, so nothing ghosts. Where all around is quiet, one cell must
//!   differ by 4.9 standard deviations: what shows for a single frame, no larger than ten pixels,
//!   and fainter than that, is averaged away with the noise.
//!
//! What noise is left then shrinks by the map of its variance ([`crate::math::shrink`]).
//! All thresholds are in units of the noise model: one setting serves dark and bright clips.
//! Sums are whole numbers, so the result does not depend on where a run began.
//!
//! - **Order**: after every correction in sensor coordinates; steadied with the clip's poses.
//! - **Saturated** samples have no weight. A pixel that is saturated now is given back as such unless
//!   other frames show it at white but for noise (`full`); so what flashes or glints stays white.
//!   **Missing** frames and samples have no weight. At the clip's ends the window is cut. A frame whose
//!   place was guessed between others stands for itself alone (`engine::averaged`).
//! - **Memory**: 2 bytes a pixel and frame of the window, 29 of sums (15 of `fast`), and 6 of smaller
//!   pictures around the current frame; about 9 MB a thread, up to 20 of `quality`.
//! - **Presets**: `quality`; `fast` (17 frames, two segments judged in cells of 4 x 4 pixels, also where
//!   `quality` judges once more in those of 2 x 2, paths through 5 frames, one pass of shrinking); `plain`, the honest mean of the window without any test.
//!
//! Source of the robust weighting against the noise of the difference: Hasinoff et al., "Burst
//! photography for high dynamic range and low-light imaging", ACM Trans. Graph. 35(6) (2016),
//! doi 10.1145/2980179.2980254; here by cell instead of by frequency.
//! **Limits**: a path has one velocity and bend for a tile of 32 px, and a shift for each frame where these
//! do not do; it covers 6 px a frame along each axis; what moves faster, or is smaller than a tile among other motion, has its noise
//! shrunk only. At 25 electrons, plain places of a moving part cannot be told from still ones.

mod agree;
mod band;
mod coarse;
mod compose;
mod doubt;
mod full;
mod judge;
mod moving;
mod slip;
mod still;
mod sums;

use std::collections::VecDeque;
use std::sync::Arc;

use serde::{Deserialize, Serialize};

use super::{Realm, SettingDoc, StageDoc, StageError};
use crate::frame::convert::{signed, to_f32};
use crate::frame::{FixedPlane, Flaw, Plane};
use crate::math::pyramid::Pyramid;
use crate::math::resample::{NoisePower, WHITE, mean_power};
use crate::math::shrink::{Own, ShrinkSettings, Shrunk, shrink, squares_of};
use crate::math::trajectory::{FRAMES, Neighbour, REACH};
use crate::register::PixelNoise;
use compose::Merge;
use full::Full;
use moving::Moving;
use still::Level;
use sums::{Span, Sums};

/// Frames on each side that are always a segment of their own.
const NEAR: usize = 6;
/// How the averaging is done.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Preset {
    /// The best that is known.
    #[default]
    Quality,
    /// Takes half of the time.
    Fast,
    /// The mean of the window, nothing else.
    Plain,
}

/// Settings of the stage.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct AverageSettings {
    /// How it is done.
    pub preset: Preset,
    /// Frames of the window, the current one in the middle; odd, 3 to 121.
    pub frames: usize,
    /// How hard the noise left is taken out: 0 not at all, 1 as the noise model says, up to 3.
    pub strength: f64,
}

impl Default for AverageSettings {
    fn default() -> Self {
        Self { preset: Preset::Quality, frames: 61, strength: 1.0 }
    }
}

/// What people see of the stage.
pub const DOC: StageDoc = StageDoc {
    name: "average",
    summary: "averages what neighbouring frames agree on, so that noise goes and motion stays",
    takes: &[Realm::Sensor],
    gives: Some(Realm::Linear),
    settings: &[
        SettingDoc {
            name: "preset",
            unit: "-",
            range: "\"quality\", \"fast\" or \"plain\"",
            default: "\"quality\"",
            meaning: "how it is done; plain is the mean of the window without any test",
        },
        SettingDoc {
            name: "frames",
            unit: "frames",
            range: "odd, 3 to 121",
            default: "61",
            meaning: "length of the window with the current frame in the middle",
        },
        SettingDoc {
            name: "strength",
            unit: "-",
            range: "0 to 3",
            default: "1.0",
            meaning: "how hard the noise left is taken out; 1 is what the noise model says",
        },
    ],
};

/// One frame in locked coordinates.
#[derive(Debug, Clone)]
pub struct Locked {
    /// The planes, all of one size.
    pub planes: Vec<FixedPlane>,
    /// What its values were multiplied by, 1 over its light: variance that grows with the signal goes with
    /// that, read noise with its square.
    pub brightened: f32,
    /// Part of white noise's variance that the resampling left.
    pub noise_gain: f32,
    /// The same by frequency.
    pub noise_power: NoisePower,
    /// Standard uncertainty of the frame's pose in pixels.
    pub sigma: f32,
}

/// The built stage.
#[derive(Debug, Clone)]
pub struct Average {
    settings: AverageSettings,
    noise: Vec<PixelNoise>,
}

/// One averaged plane.
#[derive(Debug, Clone)]
pub struct Averaged {
    /// Values.
    pub plane: Plane,
    /// Variance of what noise is left at each pixel, before it was shrunk.
    pub variance: Plane,
    /// The same after that, of squares of [`crate::math::shrink::STEP`] pixels a side.
    pub left: Plane,
    /// What is wrong with pixels; empty where nothing is.
    pub flaws: Vec<Flaw>,
}

impl Average {
    /// The stage for frames whose planes have the noise `noise` (one each, in locked
    /// coordinates).
    ///
    /// # Errors
    /// [`StageError::BadSetting`] for a setting outside its range.
    pub fn new(settings: &AverageSettings, noise: Vec<PixelNoise>) -> Result<Self, StageError> {
        let bad = |setting, found: String, expected| StageError::BadSetting {
            stage: "average",
            setting,
            found,
            expected,
        };
        if settings.frames.is_multiple_of(2) || !(3..=121).contains(&settings.frames) {
            let found = settings.frames.to_string();
            return Err(bad("frames", found, "an odd number from 3 to 121"));
        }
        if !(0.0..=3.0).contains(&settings.strength) {
            return Err(bad("strength", settings.strength.to_string(), "a number from 0 to 3"));
        }
        Ok(Self { settings: *settings, noise })
    }

    /// Frames before and after the current one that are looked at.
    #[must_use]
    pub fn reach(&self) -> usize {
        let half = self.settings.frames / 2;
        if self.settings.preset == Preset::Fast { half.min(8) } else { half }
    }

    /// Frames on each side through which moving parts are followed.
    fn near(&self) -> usize {
        match self.settings.preset {
            Preset::Quality => self.reach().min(REACH),
            Preset::Fast => self.reach().min(2),
            Preset::Plain => 0,
        }
    }

    /// The segments of the window, in order of time; the current frame is in none of them.
    fn spans(&self) -> Vec<Span> {
        let (reach, near) = (signed(self.reach()), signed(NEAR));
        if reach > near && self.settings.preset == Preset::Quality {
            vec![
                Span { first: -reach, last: -near - 1 },
                Span { first: -near, last: -1 },
                Span { first: 1, last: near },
                Span { first: near + 1, last: reach },
            ]
        } else {
            vec![Span { first: -reach, last: -1 }, Span { first: 1, last: reach }]
        }
    }

    /// Begins to average a run of frames.
    #[must_use]
    pub fn start(self: &Arc<Self>) -> Averager {
        Averager {
            stage: Arc::clone(self),
            ring: VecDeque::new(),
            first: 0,
            centre: None,
            sums: Vec::new(),
            pyramids: VecDeque::new(),
        }
    }
}

/// Averages frames in their order.
#[derive(Debug)]
pub struct Averager {
    stage: Arc<Average>,
    ring: VecDeque<Option<Locked>>,
    /// Number (counted from the first frame pushed) of the ring's front.
    first: usize,
    centre: Option<usize>,
    /// Sums of each plane.
    sums: Vec<Sums>,
    /// Frames around the centre at three sizes, by number; planes in order.
    pyramids: VecDeque<(usize, Vec<Pyramid>)>,
}

impl Averager {
    /// Takes the next frame; `None` for one that is missing.
    pub fn push(&mut self, frame: Option<Locked>) {
        self.ring.push_back(frame);
    }

    /// Frames taken so far, those forgotten again included.
    #[must_use]
    pub fn taken(&self) -> usize {
        self.first + self.ring.len()
    }

    fn frame(&self, i: usize) -> Option<&Locked> {
        self.ring.get(i.checked_sub(self.first)?)?.as_ref()
    }

    fn relative(&self, i: usize, k: isize) -> Option<&Locked> {
        self.frame(i.checked_add_signed(k)?)
    }

    /// Averages around frame `i` (counted from the first pushed). Everything up to
    /// `i + reach` must have been pushed that there is; `i` only grows. `None` where frame `i` is
    /// missing.
    pub fn result(&mut self, i: usize) -> Option<Vec<Averaged>> {
        self.move_to(i);
        let planes = self.frame(i)?.planes.len();
        self.look_around(i);
        Some((0..planes).map(|p| self.plane(i, p)).collect())
    }

    /// Moves the window's sums to centre `i` and forgets frames that are not needed any more.
    fn move_to(&mut self, i: usize) {
        match self.centre {
            None => self.fill(i),
            Some(c) => (c + 1..=i).for_each(|c| self.slide(c)),
        }
        self.centre = Some(i);
        // The oldest frame of the window leaves with the next slide, so it must stay.
        let oldest = i.saturating_sub(self.stage.reach());
        while self.first < oldest && self.ring.len() > 1 {
            self.ring.pop_front();
            self.first += 1;
        }
    }

    /// Sums from nothing.
    fn fill(&mut self, i: usize) {
        let spans = self.stage.spans();
        for step in 0..=2 * self.stage.reach() {
            let enter = |span: &Span| {
                let k = span.first + signed(step);
                (k <= span.last).then(|| i.checked_add_signed(k)).flatten()
            };
            let changes: Vec<_> = spans.iter().map(|s| (enter(s), None)).collect();
            self.change(&changes);
        }
    }

    /// Sums from those around `c - 1`. Frames that leave are still in the ring.
    fn slide(&mut self, c: usize) {
        let change = |s: &Span| (c.checked_add_signed(s.last), c.checked_add_signed(s.first - 1));
        let changes: Vec<_> = self.stage.spans().iter().map(change).collect();
        self.change(&changes);
    }

    /// For each segment takes one frame in and another one out.
    fn change(&mut self, changes: &[(Option<usize>, Option<usize>)]) {
        let Self { ring, first, sums, .. } = self;
        let get = |i: Option<usize>| ring.get(i?.checked_sub(*first)?).and_then(Option::as_ref);
        let frames: Vec<_> = changes.iter().map(|&(a, b)| (get(a), get(b))).collect();
        if sums.is_empty() {
            // A frame without neighbours has segments too, empty ones.
            let Some(any) = ring.iter().flatten().next() else { return };
            let new = |p: &FixedPlane| Sums::new(p.width, p.height, changes.len());
            *sums = any.planes.iter().map(new).collect();
        }
        for (p, sums) in sums.iter_mut().enumerate() {
            let of: Vec<_> =
                frames.iter().map(|&(a, b)| (plane_of(a, p), plane_of(b, p))).collect();
            sums.change(&of);
        }
    }

    /// Makes what following needs of the frames around `i`.
    fn look_around(&mut self, i: usize) {
        if self.stage.near() == 0 {
            return;
        }
        while self.pyramids.front().is_some_and(|(k, _)| k + REACH < i) {
            self.pyramids.pop_front();
        }
        let next = self.pyramids.back().map_or(i.saturating_sub(REACH), |(k, _)| k + 1);
        for k in next..=i + REACH {
            if let Some(frame) = self.frame(k) {
                let sizes = frame.planes.iter().map(Pyramid::new).collect();
                self.pyramids.push_back((k, sizes));
            }
        }
    }

    fn sized(&self, i: usize, k: isize, p: usize) -> Option<&Pyramid> {
        let at = i.checked_add_signed(k)?;
        self.pyramids.iter().find(|(n, _)| *n == at).and_then(|(_, s)| s.get(p))
    }

    /// Frames of the window around `i`.
    fn window(&self, i: usize) -> impl Iterator<Item = &Locked> {
        let reach = self.stage.reach();
        (i.saturating_sub(reach)..=i + reach).filter_map(|k| self.frame(k))
    }

    fn plane(&self, i: usize, p: usize) -> Averaged {
        let n = self.window(i).count().max(1) as f32;
        let mean = |f: &dyn Fn(&Locked) -> f32| self.window(i).map(f).sum::<f32>() / n;
        let around: [isize; FRAMES] = std::array::from_fn(|j| signed(j) - signed(REACH));
        let seen = |k: isize| {
            let full = &self.relative(i, k)?.planes[p];
            Some(Neighbour { full, sizes: self.sized(i, k, p)? })
        };
        let Some(current) = self.relative(i, 0).map(|f| &f.planes[p]) else {
            let (plane, variance) = (Plane::default(), Plane::default());
            return Averaged { plane, left: variance.clone(), variance, flaws: Vec::new() };
        };
        let merge = Merge {
            current,
            plain: self.stage.settings.preset == Preset::Plain,
            coarse: self.stage.settings.preset == Preset::Fast,
            level: Level {
                noise: &self.stage.noise[p.min(self.stage.noise.len() - 1)],
                slope: mean(&|f| f.brightened),
                floor: mean(&|f| f.brightened * f.brightened),
                gain: mean(&|f| f.noise_gain),
                sigma: mean(&|f| f.sigma),
                brightened: self.relative(i, 0).map_or(1.0, |f| f.brightened),
            },
            segments: &self.sums[p].segments,
            moving: Moving { frames: around.map(seen), reach: self.stage.near() },
        };
        let (mut values, variance) = merge.run();
        let flaws = Full { current, sums: &self.sums[p], level: &merge.level }.settle(&mut values);
        let strength = to_f32(self.stage.settings.strength);
        let noise = mean_power(self.window(i).map(|f| f.noise_power));
        let own = self.own(i, &merge.level);
        let settings = match self.stage.settings.preset {
            Preset::Plain => None,
            Preset::Fast => Some(ShrinkSettings { strength, wiener: false, noise, own }),
            Preset::Quality => Some(ShrinkSettings { strength, wiener: true, noise, own }),
        };
        let Shrunk { plane, left } = match settings {
            None => Shrunk { plane: values, left: squares_of(&variance) },
            Some(s) => shrink(&values, &variance, &s),
        };
        Averaged { plane, variance, left, flaws }
    }

    /// Noise of frame `i` alone.
    fn own(&self, i: usize, level: &Level<'_>) -> Own {
        let noise = self.relative(i, 0).map_or(WHITE, |f| f.noise_power);
        Own {
            noise,
            slope: level.gain * level.slope * level.noise.slope,
            floor: level.gain * level.floor * level.noise.floor,
        }
    }
}

fn plane_of(frame: Option<&Locked>, p: usize) -> Option<&FixedPlane> {
    frame.and_then(|f| f.planes.get(p))
}
