//! `average`: the same place seen in neighbouring frames, averaged where it agrees.
//!
//! Works in locked coordinates, on frames that were each resampled once. For every pixel
//!
//! ```text
//! out = s * mean(window) + (1 - s) * (sum w_k I_k) / (sum w_k)
//! ```
//!
//! s says how sure it is that the place is still all through the window: its temporal variance,
//! and the difference between the window's first and last third, are what the noise model makes of
//! them, and the current frame agrees with the mean. Where it is not sure, only the nearest frames
//! are used, each with a weight w_k that tests the difference to the current frame against the
//! noise at three scales; a frame that shows something else gets no weight, so nothing ghosts. What
//! noise is left then shrinks by the map of its variance ([`crate::math::shrink`]).
//!
//! All thresholds are in units of the noise model: one setting serves dark and bright clips.
//! Running sums are whole numbers, so the result does not depend on where a run began.
//!
//! - **Order**: after every correction in sensor coordinates; steadied with the clip's poses.
//! - **Saturated** samples have no weight; a pixel saturated in all frames is given back as such.
//!   **Missing** frames and samples have no weight. At the clip's ends the window is cut.
//! - **Memory**: the window as 16-bit codes, and 24 bytes a pixel of sums.
//! - **Presets**: `quality`; `fast` (shorter window, fewer neighbours, one pass); `plain`, the
//!   honest mean of the window without any test.
//!
//! Source of the robust weighting against the noise of the difference: Hasinoff et al., "Burst
//! photography for high dynamic range and low-light imaging", ACM Trans. Graph. 35(6) (2016),
//! doi 10.1145/2980179.2980254; here by pixel instead of by frequency.
//! **Limits**: a part that moves is averaged over few frames; it is not followed.

use std::collections::VecDeque;
use std::sync::Arc;

use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use super::{Realm, SettingDoc, StageDoc, StageError};
use crate::frame::convert::to_f32;
use crate::frame::{Coding, FixedPlane, Flaw, Plane};
use crate::math::blur::{binomial, gaussian, minimum};
use crate::math::shrink::{ShrinkSettings, shrink};
use crate::register::PixelNoise;

/// Rows worked on together, and rows beyond them that the filters look at.
const BAND: usize = 96;
const HALO: usize = 16;
/// Side of the squares in which the nearest frames are tested, and the margin of the tests.
const SQUARE: usize = 32;
const MARGIN: usize = 8;
/// Sum of squared taps of the 5 x 5 binomial, and of that applied twice.
const SQUARES_1: f32 = 0.0748;
const SQUARES_2: f32 = 0.0386;
/// A Gaussian of 2.5 px averages this part of independent pixels' variance; resampled noise is
/// correlated, which makes it 1.3 times as much (measured on still noise).
const SQUARES_STILL: f32 = 0.0127 * 1.3;
/// A place counts as still up to this many standard deviations.
const STILL: f32 = 3.0;
/// Relative error of the model of a still place (light, resampling at edges).
const MODEL_ERROR: f32 = 0.002;

/// How the averaging is done.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Preset {
    /// The best that is known.
    #[default]
    Quality,
    /// About three times as fast.
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
        Self { preset: Preset::Quality, frames: 33, strength: 1.0 }
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
            default: "33",
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
    /// Variance of the raw frame's noise in units of the noise model (1 / light^2).
    pub variance_factor: f32,
    /// Part of white noise's variance that the resampling left.
    pub noise_gain: f32,
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

    /// Nearest frames on each side that are tested one by one.
    fn near(&self) -> usize {
        match self.settings.preset {
            Preset::Quality => self.reach().min(4),
            Preset::Fast => self.reach().min(2),
            Preset::Plain => 0,
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
        }
    }
}

/// Exact sums over the window, of codes.
#[derive(Debug, Clone, Default)]
struct Sums {
    total: Vec<u32>,
    squares: Vec<u64>,
    early: Vec<u32>,
    late: Vec<u32>,
    count: Vec<u8>,
    early_count: Vec<u8>,
    late_count: Vec<u8>,
    full: Vec<u8>,
}

impl Sums {
    fn new(n: usize) -> Self {
        Self {
            total: vec![0; n],
            squares: vec![0; n],
            early: vec![0; n],
            late: vec![0; n],
            count: vec![0; n],
            early_count: vec![0; n],
            late_count: vec![0; n],
            full: vec![0; n],
        }
    }
}

fn good(code: u16) -> bool {
    code != Coding::MISSING && code != Coding::SATURATED
}

/// Adds (or takes away) `codes` to a sum and its count.
fn tally(codes: &[u16], sum: &mut [u32], count: &mut [u8], add: bool) {
    let rows = sum.par_chunks_mut(1 << 16).zip(count.par_chunks_mut(1 << 16));
    rows.zip(codes.par_chunks(1 << 16)).for_each(|((sum, count), codes)| {
        for ((s, n), &c) in sum.iter_mut().zip(count).zip(codes) {
            let keep = u16::from(good(c));
            let (v, k) = (u32::from(c * keep), u8::from(keep == 1));
            if add {
                *s = s.wrapping_add(v);
                *n = n.wrapping_add(k);
            } else {
                *s = s.wrapping_sub(v);
                *n = n.wrapping_sub(k);
            }
        }
    });
}

/// The same for squares, and the count of saturated samples.
fn tally_squares(codes: &[u16], sum: &mut [u64], full: &mut [u8], add: bool) {
    let rows = sum.par_chunks_mut(1 << 16).zip(full.par_chunks_mut(1 << 16));
    rows.zip(codes.par_chunks(1 << 16)).for_each(|((sum, full), codes)| {
        for ((s, n), &c) in sum.iter_mut().zip(full).zip(codes) {
            let v = u64::from(c * u16::from(good(c)));
            let k = u8::from(c == Coding::SATURATED);
            if add {
                *s = s.wrapping_add(v * v);
                *n = n.wrapping_add(k);
            } else {
                *s = s.wrapping_sub(v * v);
                *n = n.wrapping_sub(k);
            }
        }
    });
}

/// Averages frames in their order.
#[derive(Debug)]
pub struct Averager {
    stage: Arc<Average>,
    ring: VecDeque<Option<Locked>>,
    /// Number (counted from the first frame pushed) of the ring's front.
    first: usize,
    centre: Option<usize>,
    sums: Vec<Sums>,
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

    /// Averages around frame `i` (counted from the first pushed). Everything up to
    /// `i + reach` must have been pushed that there is; `i` only grows. `None` where frame `i` is
    /// missing.
    pub fn result(&mut self, i: usize) -> Option<Vec<Averaged>> {
        self.move_to(i);
        let planes = self.frame(i)?.planes.len();
        Some((0..planes).map(|p| self.plane(i, p)).collect())
    }

    /// Moves the window's sums to centre `i` and forgets frames that are not needed any more.
    fn move_to(&mut self, i: usize) {
        let from = self.centre.map_or(i, |c| c + 1);
        if self.centre.is_none() {
            self.fill(i);
        } else {
            for c in from..=i {
                self.slide(c);
            }
        }
        self.centre = Some(i);
        let oldest = i.saturating_sub(self.stage.reach());
        while self.first < oldest && self.ring.len() > 1 {
            self.ring.pop_front();
            self.first += 1;
        }
    }

    fn third(&self) -> usize {
        self.stage.reach() / 3
    }

    /// Sums from nothing.
    fn fill(&mut self, i: usize) {
        let (reach, third) = (self.stage.reach(), self.third());
        for k in i.saturating_sub(reach)..=i + reach {
            self.add(k, true, true);
            if k + third < i {
                self.add_part(k, true, true);
            }
            if k > i + third {
                self.add_part(k, false, true);
            }
        }
    }

    /// Sums from those around `c - 1`. Frames that leave are still in the ring.
    fn slide(&mut self, c: usize) {
        let (reach, third) = (self.stage.reach(), self.third());
        self.add(c + reach, true, true);
        self.add_part(c + reach, false, true);
        self.add_part(c + third, false, false);
        if let Some(k) = c.checked_sub(third + 1) {
            self.add_part(k, true, true);
        }
        if let Some(k) = c.checked_sub(reach + 1) {
            self.add(k, true, false);
            self.add_part(k, true, false);
        }
    }

    fn add(&mut self, k: usize, squares: bool, add: bool) {
        let Some(index) = k.checked_sub(self.first) else { return };
        let Some(Some(frame)) = self.ring.get(index) else { return };
        if self.sums.is_empty() {
            self.sums = frame.planes.iter().map(|p| Sums::new(p.codes.len())).collect();
        }
        for (s, p) in self.sums.iter_mut().zip(&frame.planes) {
            tally(&p.codes, &mut s.total, &mut s.count, add);
            if squares {
                tally_squares(&p.codes, &mut s.squares, &mut s.full, add);
            }
        }
    }

    fn add_part(&mut self, k: usize, early: bool, add: bool) {
        let Some(index) = k.checked_sub(self.first) else { return };
        let Some(Some(frame)) = self.ring.get(index) else { return };
        for (s, p) in self.sums.iter_mut().zip(&frame.planes) {
            if early {
                tally(&p.codes, &mut s.early, &mut s.early_count, add);
            } else {
                tally(&p.codes, &mut s.late, &mut s.late_count, add);
            }
        }
    }

    /// Frames of the window around `i`.
    fn window(&self, i: usize) -> impl Iterator<Item = &Locked> {
        let reach = self.stage.reach();
        (i.saturating_sub(reach)..=i + reach).filter_map(|k| self.frame(k))
    }

    fn plane(&self, i: usize, p: usize) -> Averaged {
        let Some(current) = self.frame(i) else {
            return Averaged {
                plane: Plane::default(),
                variance: Plane::default(),
                flaws: Vec::new(),
            };
        };
        let (w, h) = (current.planes[p].width, current.planes[p].height);
        let n = self.window(i).count().max(1) as f32;
        let mean = |f: &dyn Fn(&Locked) -> f32| self.window(i).map(f).sum::<f32>() / n;
        let merge = Merge {
            stage: &self.stage,
            noise: &self.stage.noise[p.min(self.stage.noise.len() - 1)],
            sums: &self.sums[p],
            current,
            p,
            near: (1..=self.stage.near())
                .flat_map(|k| [i.checked_sub(k), Some(i + k)])
                .filter_map(|k| self.frame(k?))
                .collect(),
            factor: mean(&|f| f.variance_factor),
            gain: mean(&|f| f.noise_gain),
            sigma: mean(&|f| f.sigma),
        };
        let bands: Vec<(usize, usize)> =
            (0..h).step_by(BAND).map(|y| (y, (y + BAND).min(h))).collect();
        let parts: Vec<Part> = bands.into_par_iter().map(|b| merge.band(b)).collect();
        let joined = |f: &dyn Fn(&Part) -> &Vec<f32>| {
            let all: Vec<f32> = parts.iter().flat_map(|q| f(q).iter().copied()).collect();
            Plane::from_vec(w, h, all).unwrap_or_default()
        };
        let (values, variance) = (joined(&|q| &q.values), joined(&|q| &q.variance));
        let plane = match self.stage.settings.preset {
            Preset::Plain => values,
            preset => shrink(
                &values,
                &variance,
                &ShrinkSettings {
                    strength: to_f32(self.stage.settings.strength),
                    step: 4,
                    wiener: preset == Preset::Quality,
                },
            ),
        };
        Averaged { plane, variance, flaws: self.flaws(p) }
    }

    /// Pixels without any good sample in the window.
    fn flaws(&self, p: usize) -> Vec<Flaw> {
        let s = &self.sums[p];
        if s.count.iter().all(|&n| n > 0) {
            return Vec::new();
        }
        s.count
            .iter()
            .zip(&s.full)
            .map(|(&n, &full)| match (n, full) {
                (1.., _) => Flaw::None,
                (0, 1..) => Flaw::Saturated,
                (0, 0) => Flaw::Missing,
            })
            .collect()
    }
}

/// Rows of a result.
struct Part {
    values: Vec<f32>,
    variance: Vec<f32>,
}

/// Everything needed to average one plane of one frame.
struct Merge<'a> {
    stage: &'a Average,
    noise: &'a PixelNoise,
    sums: &'a Sums,
    current: &'a Locked,
    p: usize,
    near: Vec<&'a Locked>,
    factor: f32,
    gain: f32,
    sigma: f32,
}

/// What the window says of a band of rows, halo included.
struct Band {
    first: usize,
    mean: Plane,
    count: Plane,
    /// Variance of one resampled frame at this pixel as the model has it.
    expected: Plane,
    /// How sure it is that the pixel is still, 0 to 1.
    still: Plane,
}

impl Merge<'_> {
    fn band(&self, (y0, y1): (usize, usize)) -> Part {
        let band = self.window_band((y0, y1));
        let w = band.mean.width();
        let rows = |p: &Plane| p.data()[(y0 - band.first) * w..(y1 - band.first) * w].to_vec();
        let mut values = rows(&band.mean);
        let mut variance: Vec<f32> = rows(&band.expected)
            .iter()
            .zip(rows(&band.count))
            .map(|(v, n)| v / n.max(1.0))
            .collect();
        if self.stage.settings.preset != Preset::Plain {
            self.add_near((y0, y1), &band, &mut values, &mut variance);
        }
        Part { values, variance }
    }

    /// Means, variances and stillness of a band.
    fn window_band(&self, (y0, y1): (usize, usize)) -> Band {
        let current = &self.current.planes[self.p];
        let (w, h) = (current.width, current.height);
        let (a, b) = (y0.saturating_sub(HALO), (y1 + HALO).min(h));
        let mut mean = Plane::filled(w, b - a, 0.0);
        let mut count = Plane::filled(w, b - a, 0.0);
        for (at, (m, n)) in (a * w..b * w).zip(mean.data_mut().iter_mut().zip(count.data_mut())) {
            *n = f32::from(self.sums.count[at]);
            *m = if self.sums.count[at] > 0 {
                let sum = f64::from(self.sums.total[at]) / f64::from(self.sums.count[at]);
                (to_f32(sum) - current.coding.zero) * current.coding.step
            } else {
                // Nothing but saturated or missing samples: what the frame itself says.
                current.coding.decode(current.codes[at].min(65_534))
            };
        }
        let expected = self.expected(&mean, a);
        let still = if self.stage.settings.preset == Preset::Plain {
            Plane::filled(w, b - a, 1.0)
        } else {
            self.stillness(&mean, &count, &expected, a)
        };
        Band { first: a, mean, count, expected, still }
    }

    /// Variance that one resampled frame should have around `mean`.
    fn expected(&self, mean: &Plane, first: usize) -> Plane {
        let (w, h) = (mean.width(), mean.height());
        let step = self.current.planes[self.p].coding.step;
        let s2 = self.sigma * self.sigma;
        let quiet = self.factor * self.gain;
        let mut out = Plane::filled(w, h, 0.0);
        for y in 0..h {
            let (up, down) = (mean.row(y.saturating_sub(1)), mean.row((y + 1).min(h - 1)));
            let row = mean.row(y);
            for x in 0..w {
                let gx = row[(x + 1).min(w - 1)] - row[x.saturating_sub(1)];
                let gy = down[x] - up[x];
                let noise = self.noise.variance(row[x], (first + y) * w + x) * quiet;
                let model = MODEL_ERROR * row[x];
                let v =
                    noise + 0.25 * (gx * gx + gy * gy) * s2 + model * model + step * step / 12.0;
                out.set(x, y, v);
            }
        }
        out
    }

    /// How sure it is that each pixel of a band is still.
    fn stillness(&self, mean: &Plane, count: &Plane, expected: &Plane, first: usize) -> Plane {
        let current = &self.current.planes[self.p];
        let (w, h) = (mean.width(), mean.height());
        let step = current.coding.step;
        let mut spread = Plane::filled(w, h, 0.0);
        let mut drift = Plane::filled(w, h, 0.0);
        let mut now = Plane::filled(w, h, 0.0);
        let mut frames = 0.0_f32;
        for i in 0..w * h {
            let at = first * w + i;
            let n = u64::from(self.sums.count[at]);
            let v = expected.data()[i];
            if n >= 3 {
                let total = u64::from(self.sums.total[at]);
                let around = (n * self.sums.squares[at]).saturating_sub(total * total);
                let variance = to_f32(around as f64 / (n * (n - 1)) as f64) * step * step;
                spread.data_mut()[i] = variance / v - 1.0;
                frames = frames.max(count.data()[i]);
            }
            let (e, l) = (self.sums.early_count[at], self.sums.late_count[at]);
            if e > 0 && l > 0 {
                let part = |sum: u32, n: u8| to_f32(f64::from(sum) / f64::from(n)) * step;
                let d = part(self.sums.early[at], e) - part(self.sums.late[at], l);
                let of = v * (1.0 / f32::from(e) + 1.0 / f32::from(l));
                drift.data_mut()[i] = d * d / of - 1.0;
            }
            if good(current.codes[at]) {
                now.data_mut()[i] = current.decode_at(at) - mean.data()[i];
            }
        }
        let of_spread = 1.0 / (SQUARES_STILL * 2.0 / (frames - 1.0).max(1.0)).sqrt();
        let of_drift = 1.0 / (SQUARES_STILL * 2.0).sqrt();
        let spread = gaussian(&spread, 2.5);
        let drift = gaussian(&drift, 2.5);
        let mut sure = Plane::filled(w, h, 0.0);
        for (o, (s, d)) in sure.data_mut().iter_mut().zip(spread.data().iter().zip(drift.data())) {
            let z = (s * of_spread).max(d * of_drift);
            *o = 1.0 / (1.0 + falling(2.0 * (STILL - z)));
        }
        let mut sure = minimum(&sure, 2);
        let agree = agreement(&now, expected, self.gain, 1.0);
        for (o, a) in sure.data_mut().iter_mut().zip(agree.data()) {
            *o *= a;
        }
        sure
    }

    /// Adds what the nearest frames say wherever the place is not surely still.
    fn add_near(
        &self,
        (y0, y1): (usize, usize),
        band: &Band,
        values: &mut [f32],
        variance: &mut [f32],
    ) {
        let w = band.mean.width();
        for ty in (y0..y1).step_by(SQUARE) {
            for tx in (0..w).step_by(SQUARE) {
                let (bx, by) = ((tx + SQUARE).min(w), (ty + SQUARE).min(y1));
                let moving = (ty..by)
                    .any(|y| band.still.row(y - band.first)[tx..bx].iter().any(|&s| s < 0.98));
                if !moving {
                    continue;
                }
                let near = self.near_square((tx, ty), (bx - tx, by - ty), band);
                for y in ty..by {
                    for x in tx..bx {
                        let s = band.still.at(x, y - band.first);
                        let (v, q) = near.at(x - tx, y - ty, bx - tx);
                        let o = (y - y0) * w + x;
                        values[o] = s * values[o] + (1.0 - s) * v;
                        variance[o] = s * s * variance[o]
                            + (1.0 - s) * (1.0 - s) * q
                            + 2.0 * s * (1.0 - s) * variance[o];
                    }
                }
            }
        }
    }

    /// The average of the nearest frames in one square.
    fn near_square(&self, (tx, ty): (usize, usize), (tw, th): (usize, usize), band: &Band) -> Near {
        let current = &self.current.planes[self.p];
        let (w, h) = (current.width, current.height);
        let (ax, ay) = (tx.saturating_sub(MARGIN), ty.saturating_sub(MARGIN).max(band.first));
        let bx = (tx + tw + MARGIN).min(w);
        let by = (ty + th + MARGIN).min(h).min(band.first + band.mean.height());
        let size = (bx - ax, by - ay);
        let cut = |f: &FixedPlane| {
            Plane::from_fn(size.0, size.1, |x, y| f.decode_at((ay + y) * w + ax + x))
        };
        let here = cut(current);
        let smooth = binomial(&here);
        let own = Plane::from_fn(size.0, size.1, |x, y| {
            let at = (ay + y) * w + ax + x;
            self.noise.variance(smooth.at(x, y), at) * self.gain
                + (MODEL_ERROR * smooth.at(x, y)).powi(2)
                + current.coding.step * current.coding.step / 12.0
        });
        let good_here = |at: usize| f32::from(u8::from(good(current.codes[at])));
        let mut sum = Vec::with_capacity(tw * th);
        let mut weight = Vec::with_capacity(tw * th);
        for y in ty..ty + th {
            for x in tx..tx + tw {
                let g = good_here(y * w + x).max(1e-6);
                sum.push(g * here.at(x - ax, y - ay));
                weight.push((g, g * g));
            }
        }
        for partner in &self.near {
            let plane = &partner.planes[self.p];
            let there = cut(plane);
            let difference = Plane::from_fn(size.0, size.1, |x, y| {
                let at = (ay + y) * w + ax + x;
                if good(plane.codes[at]) && good(current.codes[at]) {
                    there.at(x, y) - here.at(x, y)
                } else {
                    0.0
                }
            });
            let both = self.current.variance_factor + partner.variance_factor;
            let agree = agreement(&difference, &own, self.gain, both);
            for (i, (s, q)) in sum.iter_mut().zip(&mut weight).enumerate() {
                let (x, y) = (tx - ax + i % tw, ty - ay + i / tw);
                let at = (ay + y) * w + ax + x;
                let k = if good(plane.codes[at]) { agree.at(x, y) } else { 0.0 };
                *s += k * there.at(x, y);
                q.0 += k;
                q.1 += k * k;
            }
        }
        let variance = weight
            .iter()
            .enumerate()
            .map(|(i, q)| {
                let (x, y) = (tx - ax + i % tw, ty - ay + i / tw);
                own.at(x, y) * self.current.variance_factor * q.1 / (q.0 * q.0)
            })
            .collect();
        Near { values: sum.iter().zip(&weight).map(|(s, q)| s / q.0).collect(), variance }
    }
}

/// Averages of the nearest frames in one square.
struct Near {
    values: Vec<f32>,
    variance: Vec<f32>,
}

impl Near {
    fn at(&self, x: usize, y: usize, width: usize) -> (f32, f32) {
        (self.values[y * width + x], self.variance[y * width + x])
    }
}

/// `exp(-x)` for `x` at least 0, 1 below, to 2 %, and the same bits everywhere.
fn decay(x: f32) -> f32 {
    let x = x.max(0.0) * 0.25;
    let d = 1.0 + x + 0.5 * x * x + x * x * x / 6.0;
    1.0 / (d * d * d * d)
}

/// `exp(x)` for any `x` within -20..20, to 2 %.
fn falling(x: f32) -> f32 {
    if x < 0.0 { decay(-x.max(-20.0)) } else { 1.0 / decay(x.min(20.0)) }
}

/// Weight of each pixel by whether `difference` is noise: tested at three scales against
/// `factor` times the variance `expected` (which resampling had reduced by `gain`; slow parts of
/// the noise it leaves as they were).
fn agreement(difference: &Plane, expected: &Plane, gain: f32, factor: f32) -> Plane {
    let once = binomial(difference);
    let twice = binomial(&once);
    let mut ratio = difference.clone();
    for (r, v) in ratio.data_mut().iter_mut().zip(expected.data()) {
        *r = *r * *r / (factor * v);
    }
    let around = crate::math::blur::separable(&ratio, &[1.0 / 7.0; 7]);
    let mut weight = Plane::filled(difference.width(), difference.height(), 0.0);
    for (i, o) in weight.data_mut().iter_mut().enumerate() {
        let slow = factor * expected.data()[i] / gain;
        let t1 = once.data()[i].powi(2) / (slow * SQUARES_1);
        let t2 = twice.data()[i].powi(2) / (slow * SQUARES_2);
        let t3 = (around.data()[i] - 1.0) * 24.5_f32.sqrt();
        let x = (t1 - 4.0).max(0.0) / 2.0 + (t2 - 3.0).max(0.0) / 2.5 + (t3 - 1.5).max(0.0) / 1.5;
        *o = decay(x);
    }
    let low = minimum(&weight, 1);
    for (o, m) in weight.data_mut().iter_mut().zip(low.data()) {
        *o = 0.5 * (*o + m);
    }
    weight
}
