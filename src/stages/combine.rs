//! `combine`: several captured frames make one, as a longer exposure would have.
//!
//! ```text
//! out = sum_k w_k I_k / sum_k w_k          k = 0 .. frames - 1, in linear light
//! ```
//!
//! The virtual shutter is open for L = frames x angle / 360 frame intervals, about the middle of
//! the group. Frame k stands for the interval from k to k + 1, and w_k is the part of the
//! shutter's opening that falls on it:
//!
//! - `box`: the shutter is open or shut. w_k = overlap of the interval and the opening / L. With
//!   the angle 360 that is 1 / frames.
//! - `smooth`: it opens and shuts as a raised cosine, (1 - cos(2 pi u)) / L with u = 0 to 1 along
//!   the opening, integrated over the interval. What moves ends softly; the same angle blurs less.
//!
//! The weights add up to 1 and are symmetric. Frames whose weight is 0 are not read.
//!
//! - **Groups** are counted from the clip's first number, so they never depend on what is missing.
//! - **Time** of the picture is the weighted mean of its frames' times: the middle of the group
//!   where all are there.
//! - **Missing** frames and pixels have no weight, and the other weights are scaled up to 1: less
//!   blur, more noise, another time. The run says how many pictures that is. A group without any
//!   frame of weight has no picture; a last group that the clip's end cuts short is one with
//!   missing frames.
//! - **Saturated** samples count as white at least, so the sum is a lower bound there. A pixel is
//!   marked saturated only where all of its samples were.
//! - **Noise** of frames that share none: variance = sum w_k^2 v_k (JCGM 100:2008, 5.1.2, equation
//!   10). Frames that were averaged before share theirs; for those sum w_k s_k is given (s standard
//!   deviations), which it cannot exceed (5.2.2, note 1; both from memory).
//! - **Order**: after `average` and `steady`, before `demosaic` and all that bends values.
//! - **Cost**: memory of one frame in `f64`, whatever the number of frames. Sums run in frame
//!   order, so the bits depend on nothing else.
//!
//! **Limits**: frames that were exposed for a short part of their interval show what moves fast as
//! a row of copies, not as a blur; no light can be made up for the gaps.

use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use super::{ClipInfo, Realm, SettingDoc, StageDoc, StageError};
use crate::frame::convert::{round_u64, to_f32};
use crate::frame::{Domain, Flaw, Frame, Layout, Plane, spare};
use crate::record::Warning;

const NAME: &str = "combine";
/// Most frames of a group: 10 000 a second come down to 25 with 400.
const MOST: usize = 1000;
/// Weights below this are none: rounding left them.
const LEAST: f64 = 1e-9;
/// Pixels summed in one go.
const CHUNK: usize = 1 << 14;
/// Part of its interval that a frame must be exposed for, or copies show.
const LEAST_OPEN: f64 = 0.5;

/// How the virtual shutter opens and shuts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Shutter {
    /// At once.
    #[default]
    Box,
    /// As a raised cosine.
    Smooth,
}

/// Settings of the stage.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct CombineSettings {
    /// Source frames a finished frame, 1 to 1000.
    pub frames: usize,
    /// How the shutter opens and shuts.
    pub shutter: Shutter,
    /// How long it is open, in degrees: 360 is all of the time of these frames; 1 to 360.
    pub angle: f64,
}

impl Default for CombineSettings {
    fn default() -> Self {
        Self { frames: 4, shutter: Shutter::Box, angle: 360.0 }
    }
}

/// What people see of the stage.
pub const DOC: StageDoc = StageDoc {
    name: NAME,
    summary: "combines several captured frames into one, as a longer exposure would have",
    takes: &[Realm::Sensor, Realm::Linear],
    gives: Some(Realm::Linear),
    settings: &[
        SettingDoc {
            name: "frames",
            unit: "frames",
            range: "1 to 1000",
            default: "4",
            meaning: "source frames a finished frame; the rate is divided by it",
        },
        SettingDoc {
            name: "shutter",
            unit: "-",
            range: "\"box\" or \"smooth\"",
            default: "\"box\"",
            meaning: "whether the shutter opens at once, or softly so that blur has no hard ends",
        },
        SettingDoc {
            name: "angle",
            unit: "degrees",
            range: "1 to 360",
            default: "360.0",
            meaning: "how long the shutter is open; 360 is all of the time of these frames",
        },
    ],
};

/// The built stage.
#[derive(Debug, Clone, PartialEq)]
pub struct Combine {
    weights: Vec<f64>,
    settings: CombineSettings,
}

/// A source frame of a group and what it counts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Share {
    /// Position of the frame in its clip, counted from the first number.
    pub position: usize,
    /// Its weight; those of a group add up to 1.
    pub weight: f64,
}

/// The source frames of one finished frame.
#[derive(Debug, Clone, PartialEq)]
pub struct Group {
    /// The frames that are there and count, in order; never empty.
    pub shares: Vec<Share>,
    /// Frames of the group that should count and are not there.
    pub lacking: usize,
}

impl Group {
    /// Position of its first frame, which gives the finished frame its number.
    #[must_use]
    pub fn lead(&self) -> usize {
        self.shares.first().map_or(0, |s| s.position)
    }

    /// Time of the picture after that of its first frame, in millionths of a frame interval.
    #[must_use]
    pub fn past(&self) -> u64 {
        let lead = self.lead();
        let after = |s: &Share| s.weight * (s.position - lead) as f64;
        round_u64(1e6 * self.shares.iter().map(after).sum::<f64>())
    }
}

impl Combine {
    /// Works out the weights.
    ///
    /// # Errors
    /// [`StageError::BadSetting`] for a setting outside its range.
    pub fn new(settings: &CombineSettings) -> Result<Self, StageError> {
        let bad = |setting, found: String, expected| StageError::BadSetting {
            stage: NAME,
            setting,
            found,
            expected,
        };
        let n = settings.frames;
        if !(1..=MOST).contains(&n) {
            return Err(bad("frames", n.to_string(), "a whole number from 1 to 1000"));
        }
        if !(1.0..=360.0).contains(&settings.angle) {
            return Err(bad("angle", settings.angle.to_string(), "a number from 1 to 360"));
        }
        let open = n as f64 * settings.angle / 360.0;
        let start = (n as f64 - open) / 2.0;
        let passed = |t: usize| {
            let u = ((t as f64 - start) / open).clamp(0.0, 1.0);
            let turn = std::f64::consts::TAU;
            match settings.shutter {
                Shutter::Box => u,
                Shutter::Smooth => u - libm::sin(turn * u) / turn,
            }
        };
        let one: Vec<f64> = (0..n).map(|k| passed(k + 1) - passed(k)).collect();
        let even = (0..n).map(|k| f64::midpoint(one[k], one[n - 1 - k]));
        let even: Vec<f64> = even.map(|w| if w < LEAST { 0.0 } else { w }).collect();
        let sum: f64 = even.iter().sum();
        Ok(Self { weights: even.into_iter().map(|w| w / sum).collect(), settings: *settings })
    }

    /// Weights of the frames of a group where all are there.
    #[must_use]
    pub fn weights(&self) -> &[f64] {
        &self.weights
    }

    /// Source frames a finished frame.
    #[must_use]
    pub fn frames(&self) -> usize {
        self.weights.len()
    }

    /// How long the virtual shutter is open, in frame intervals.
    #[must_use]
    pub fn open_frames(&self) -> f64 {
        self.frames() as f64 * self.settings.angle / 360.0
    }

    /// The group to which position `at` belongs, `there` telling which positions of the clip hold
    /// a frame; `None` where no frame that counts is there.
    #[must_use]
    pub fn group(&self, at: usize, there: impl Fn(usize) -> bool) -> Option<Group> {
        let start = at / self.frames() * self.frames();
        let counting = self.weights.iter().enumerate().filter(|(_, w)| **w > 0.0);
        let all: Vec<Share> =
            counting.map(|(k, &weight)| Share { position: start + k, weight }).collect();
        let mut shares: Vec<Share> = all.iter().filter(|s| there(s.position)).copied().collect();
        let sum: f64 = shares.iter().map(|s| s.weight).sum();
        if shares.len() < all.len() {
            shares.iter_mut().for_each(|s| s.weight /= sum);
        }
        let lacking = all.len() - shares.len();
        (!shares.is_empty()).then_some(Group { shares, lacking })
    }

    /// What a person should know of how this clip was exposed.
    #[must_use]
    pub fn warning(&self, clip: &ClipInfo) -> Option<Warning> {
        let open = clip.exposure?.s() / clip.rate?.interval_s();
        let counting = self.weights.iter().filter(|w| **w > 0.0).count();
        (open < LEAST_OPEN && counting > 1).then(|| {
            Warning::new(
                "combined-gaps",
                format!(
                    "each frame was exposed for {:.1} % of its interval: what moves fast shows as \
                     {counting} copies in a combined frame, not as a blur",
                    100.0 * open
                ),
                "film with a longer exposure where motion blur is wanted",
            )
        })
    }
}

/// A sum of frames that is being made.
#[derive(Debug)]
pub struct Sum {
    white: f32,
    layout: Layout,
    domain: Domain,
    planes: Vec<PlaneSum>,
}

#[derive(Debug)]
struct PlaneSum {
    width: usize,
    values: Vec<f64>,
    /// Weight so far of each pixel, kept from the first flaw on.
    flawed: Option<Weights>,
    /// Weight so far of pixels without flaws.
    weight: f64,
}

#[derive(Debug)]
struct Weights {
    /// Of all samples.
    all: Vec<f64>,
    /// Of those that were not saturated.
    good: Vec<f64>,
}

impl Sum {
    /// Nothing yet of frames like `frame`; `white` is the level of saturation in their unit.
    #[must_use]
    pub fn like(frame: &Frame, white: f32) -> Self {
        let new = |p: &Plane| PlaneSum {
            width: p.width(),
            values: vec![0.0; p.data().len()],
            flawed: None,
            weight: 0.0,
        };
        let planes = frame.planes.iter().map(new).collect();
        Self { white, layout: frame.layout, domain: frame.domain, planes }
    }

    /// Adds a frame of the same size and layout.
    pub fn add(&mut self, frame: &Frame, weight: f64) {
        for (p, (sum, plane)) in self.planes.iter_mut().zip(&frame.planes).enumerate() {
            sum.add(plane, frame.flaws_of(p), weight, self.white);
        }
    }

    /// The weighted mean.
    #[must_use]
    pub fn finish(self) -> Frame {
        let (planes, mut flaws): (Vec<Plane>, Vec<Vec<Flaw>>) =
            self.planes.iter().map(PlaneSum::finish).unzip();
        if flaws.iter().flatten().all(|f| *f == Flaw::None) {
            flaws.clear();
        }
        Frame { planes, layout: self.layout, domain: self.domain, flaws }
    }
}

impl PlaneSum {
    fn add(&mut self, plane: &Plane, flaws: Option<&[Flaw]>, weight: f64, white: f32) {
        if let Some(flaws) = flaws.filter(|f| f.iter().any(|f| *f != Flaw::None)) {
            let n = self.values.len();
            let fresh = || Weights { all: vec![self.weight; n], good: vec![self.weight; n] };
            let mut weights = self.flawed.take().unwrap_or_else(fresh);
            for (at, (&v, flaw)) in plane.data().iter().zip(flaws).enumerate() {
                let (counts, good, v) = match flaw {
                    Flaw::None => (weight, weight, v),
                    Flaw::Saturated => (weight, 0.0, v.max(white)),
                    Flaw::Missing => (0.0, 0.0, 0.0),
                };
                self.values[at] += counts * f64::from(v);
                weights.all[at] += counts;
                weights.good[at] += good;
            }
            self.flawed = Some(weights);
        } else {
            let chunks = self.values.par_chunks_mut(CHUNK).zip(plane.data().par_chunks(CHUNK));
            chunks.for_each(|(sums, values)| {
                for (s, &v) in sums.iter_mut().zip(values) {
                    *s += weight * f64::from(v);
                }
            });
            if let Some(weights) = &mut self.flawed {
                weights.all.iter_mut().chain(&mut weights.good).for_each(|w| *w += weight);
            }
        }
        self.weight += weight;
    }

    /// The mean, and flaws: all good where there were none.
    fn finish(&self) -> (Plane, Vec<Flaw>) {
        let n = self.values.len();
        let weight = |at: usize| self.flawed.as_ref().map_or(self.weight, |w| w.all[at]);
        let mut data = spare::values(n);
        data.extend(self.values.iter().enumerate().map(|(at, s)| {
            let w = weight(at);
            if w > 0.0 { to_f32(s / w) } else { 0.0 }
        }));
        let flaws = match &self.flawed {
            None => vec![Flaw::None; n],
            Some(w) => w.all.iter().zip(&w.good).map(|(&all, &good)| flaw(all, good)).collect(),
        };
        let height = n.checked_div(self.width).unwrap_or(0);
        (Plane::from_vec(self.width, height, data).unwrap_or_default(), flaws)
    }
}

/// What a pixel is whose samples have the weight `all`, those that were not saturated `good`.
fn flaw(all: f64, good: f64) -> Flaw {
    if all <= 0.0 {
        Flaw::Missing
    } else if good <= 0.0 {
        Flaw::Saturated
    } else {
        Flaw::None
    }
}

#[cfg(test)]
#[path = "combine_tests.rs"]
mod tests;
