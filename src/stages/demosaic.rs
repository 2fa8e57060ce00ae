//! Makes three colours a pixel of a mosaic of one.
//!
//! Model (`directional`): along a row or column of the mosaic, green and the other colour take
//! turns, so their difference is what alternates. It is demodulated along both directions,
//!
//! ```text
//! d(x) = (-1)^x sum_k h_k m(x + k),   h = (3, -8, 10, -8, 3) / 16        [DN]
//! ```
//!
//! averaged over five pixels to each of the four sides and weighted by `1 / (s^2 + e^2)`, where s
//! (DN) is how unsteady the difference is on that side (mean over 3 x 3 of its change over two
//! pixels) and e is 0.3 % of white. Green is the sample plus the difference; the difference is
//! then carried to the sites of the other colours (crosswise with the same weights, diagonally by
//! a fixed kernel) and taken from green. Of the detail that one colour so lends to a weaker one only
//! as much is taken as a picture of one hue would have,
//!
//! ```text
//! c = near + min(1, near / other) (full - near)
//! ```
//!
//! (near, other: means around of the weaker colour and of the one that lends), or else the noise of a
//! strong colour draws a grid into the weak ones, which shows in shadows. `bilinear` is the plain
//! mean of the nearest samples, for comparison and for very noisy frames that were not averaged.
//!
//! While all this is done, red and blue are multiplied so that the clip's bright places are grey: then what
//! one colour lends to another is as in white light.
//!
//! Order: after everything that works on single sites (dark, flat, defects, averaging); before
//! white balance and display. Linear light; the picture may be negative.
//! **Saturated** sites: a colour that was cut off draws a coloured rim, so every pixel whose
//! nearest samples (5 x 5; 3 x 3 for `bilinear`) hold one becomes white in all three planes and
//! stays marked. **Missing** sites take the mean of their good neighbours of the same colour and
//! stay marked. Edges: mirrored, which keeps the pattern.
//! Cost: not measured yet; about ten planes of memory while it works.
//! Source: that colour differences can be demodulated: E. Dubois, "Frequency-domain methods for
//! demosaicking of Bayer-sampled color images", IEEE Signal Process. Lett. 12(12) (2005), doi
//! 10.1109/LSP.2005.859503; weighting of the four sides without thresholds: I. Pekkucuksen and
//! Y. Altunbasak, "Gradient based threshold free color filter array interpolation", ICIP (2010),
//! doi 10.1109/ICIP.2010.5654327 (both references from memory). The kernel h and the widths were
//! chosen here by PSNR on the photographs whose crops the tests use: 35.5 and 37.9 dB, 1.5 and 2.9 dB
//! above gradient-corrected linear, of which 1.0 and 1.4 come from lending by hue (`cargo test --lib
//! demosaic -- --nocapture`). Before that, on two smooth or strongly coloured pictures tried beside
//! them (a retina, a flower), gradient-corrected linear was better; not tried again since.

use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use super::{ClipInfo, Moment, Realm, SettingDoc, Stage, StageDoc, StageError};
use crate::frame::convert::{clamp_index, index_in, signed};
use crate::frame::{Domain, Flaw, Frame, Layout, Mosaic, Plane};
use crate::record::Notes;

const NAME: &str = "demosaic";
/// Mirrored pixels around the picture: even, so that the pattern goes on; the steps reach 9.
const MARGIN: usize = 10;
/// Demodulating kernel: 0 for even light, 2 for light that alternates by plus and minus one.
const KERNEL: [f32; 5] = [3.0 / 16.0, -0.5, 10.0 / 16.0, -0.5, 3.0 / 16.0];
/// Unsteadiness, as part of white, below which sides weigh the same.
const EVEN: f32 = 0.003;
/// Level below which a hue is not told, as part of [`EVEN`] times white.
const DARK: f32 = 0.1;
/// Colours are evened by this much at the most: what is weaker than that is noise.
const MOST: f32 = 8.0;
/// Diagonal carrying: the four nearest sites, and the eight beyond.
const NEAR: f32 = 10.0 / 32.0;
const FAR: f32 = -1.0 / 32.0;

/// How colours are interpolated.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Method {
    /// Along the direction in which the colour difference is steadiest.
    #[default]
    Directional,
    /// Mean of the nearest samples of each colour.
    Bilinear,
}

/// Settings of the stage.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct DemosaicSettings {
    /// How colours are interpolated; default `directional`.
    pub method: Method,
}

/// The stage as people see it.
pub const DOC: StageDoc = StageDoc {
    name: NAME,
    summary: "makes red, green and blue at every pixel from the colour mosaic",
    takes: &[Realm::Sensor, Realm::Linear],
    gives: Some(Realm::Linear),
    settings: &[SettingDoc {
        name: "method",
        unit: "-",
        range: "\"directional\" or \"bilinear\"",
        default: "\"directional\"",
        meaning: "how colours are interpolated; directional keeps more detail",
    }],
};

/// The built stage.
#[derive(Debug, Clone)]
pub struct Demosaic {
    method: Method,
    /// DN above black at which the sensor is full.
    white: f32,
    /// What red, green and blue are multiplied by while they are interpolated.
    even: [f32; 3],
}

impl Demosaic {
    /// Checks the settings against the clip.
    ///
    /// # Errors
    /// [`StageError::Mismatch`] where the clip is not a mosaic or has no white level above black.
    pub fn new(settings: &DemosaicSettings, clip: &ClipInfo) -> Result<Self, StageError> {
        if !matches!(clip.layout, Layout::Mosaic(_)) {
            return Err(StageError::Mismatch {
                stage: NAME,
                what: "the picture it takes".to_owned(),
                found: "Mosaic".to_owned(),
                expected: format!("{:?}", clip.layout),
                advice: "leave demosaic out, or give the clip's mosaic, for example mosaic = \"RGGB\"",
            });
        }
        let white = clip.white - clip.black;
        if white.is_nan() || white <= 0.0 {
            return Err(StageError::Mismatch {
                stage: NAME,
                what: "the white level it needs".to_owned(),
                found: format!("above black {}", clip.black),
                expected: format!("white {}", clip.white),
                advice: "give black and white of the clip",
            });
        }
        Ok(Self { method: settings.method, white, even: [1.0; 3] })
    }

    /// The same for light in which the clip's bright places have these levels of red, green and blue.
    #[must_use]
    pub fn in_light(self, levels: Option<[f32; 3]>) -> Self {
        let even = levels.map_or([1.0; 3], |[r, g, b]| {
            [r, g, b]
                .map(|v| if v > 0.0 && g > 0.0 { (g / v).clamp(1.0 / MOST, MOST) } else { 1.0 })
        });
        Self { even, ..self }
    }
}

impl Stage for Demosaic {
    fn name(&self) -> &'static str {
        NAME
    }

    fn apply(&self, frame: &mut Frame, _at: &Moment, _notes: &mut Notes) -> Result<(), StageError> {
        let refuse = |why: String| StageError::Refused { stage: NAME, why };
        if frame.domain != Domain::Linear {
            return Err(refuse(format!(
                "the frame is {:?} but must be Linear: put demosaic before display",
                frame.domain
            )));
        }
        // The frame's own letters: a crop of odd offset changes them.
        let Layout::Mosaic(mosaic) = frame.layout else {
            return Err(refuse(format!(
                "the frame is {:?} but must be a mosaic: put demosaic in once",
                frame.layout
            )));
        };
        let (w, h) = (frame.width(), frame.height());
        if w < 2 || h < 2 {
            return Err(refuse(format!(
                "the frame is {w}x{h} but needs 2x2: choose a larger crop"
            )));
        }
        let flaws = frame.flaws_of(0).map(<[Flaw]>::to_vec);
        if let Some(flaws) = &flaws {
            fill_missing(&mut frame.planes[0], flaws);
        }
        let padded = Padded::new(&frame.planes[0], mosaic, self.even);
        let (mut planes, reach) = match self.method {
            Method::Directional => (padded.directional(EVEN * self.white), 2),
            Method::Bilinear => (padded.bilinear(), 1),
        };
        for (plane, even) in planes.iter_mut().zip(self.even) {
            plane.data_mut().iter_mut().for_each(|v| *v /= even);
        }
        if let Some(flaws) = flaws {
            let spread = spread_flaws(&flaws, (w, h), reach);
            for plane in &mut planes {
                for (v, &f) in plane.data_mut().iter_mut().zip(&spread) {
                    if f == Flaw::Saturated {
                        *v = self.white;
                    }
                }
            }
            frame.flaws = vec![spread.clone(), spread.clone(), spread];
        }
        frame.planes = planes;
        frame.layout = Layout::Rgb;
        Ok(())
    }
}

/// Gives missing sites the mean of the good sites of their colour around them.
fn fill_missing(plane: &mut Plane, flaws: &[Flaw]) {
    let (w, h) = (plane.width(), plane.height());
    let source = plane.clone();
    for (at, _) in flaws.iter().enumerate().filter(|(_, f)| **f == Flaw::Missing) {
        let (x, y) = (at % w, at / w);
        let (mut sum, mut n) = (0.0, 0.0);
        for dy in [-2_isize, 0, 2] {
            for dx in [-2_isize, 0, 2] {
                let near = index_in(signed(x) + dx, w).zip(index_in(signed(y) + dy, h));
                if let Some((i, j)) = near.filter(|&(i, j)| flaws[j * w + i] != Flaw::Missing) {
                    sum += source.at(i, j);
                    n += 1.0;
                }
            }
        }
        plane.set(x, y, if n > 0.0 { sum / n } else { 0.0 });
    }
}

/// Saturation spread by `reach` pixels; missing sites stay where they are.
fn spread_flaws(flaws: &[Flaw], (w, h): (usize, usize), reach: usize) -> Vec<Flaw> {
    let mut out = flaws.to_vec();
    for (at, _) in flaws.iter().enumerate().filter(|(_, f)| **f == Flaw::Saturated) {
        let (x, y) = (at % w, at / w);
        for j in y.saturating_sub(reach)..(y + reach + 1).min(h) {
            for i in x.saturating_sub(reach)..(x + reach + 1).min(w) {
                out[j * w + i] = Flaw::Saturated;
            }
        }
    }
    out
}

/// A mosaic with a mirrored margin, so that no step needs to look at edges.
struct Padded {
    /// Width and height with the margin.
    w: usize,
    h: usize,
    data: Vec<f32>,
    mosaic: Mosaic,
}

/// Position mirrored at the ends of a line of `n` (the end itself not repeated).
fn mirrored(i: isize, n: usize) -> usize {
    let period = 2 * signed(n.max(2) - 1);
    let k = i.rem_euclid(period);
    clamp_index(k.min(period - k), n)
}

impl Padded {
    fn new(plane: &Plane, mosaic: Mosaic, even: [f32; 3]) -> Self {
        let (w, h) = (plane.width() + 2 * MARGIN, plane.height() + 2 * MARGIN);
        let columns: Vec<usize> =
            (0..w).map(|x| mirrored(signed(x) - signed(MARGIN), plane.width())).collect();
        let mut data = Vec::with_capacity(w * h);
        for y in 0..h {
            let row = plane.row(mirrored(signed(y) - signed(MARGIN), plane.height()));
            // The margin is even: it keeps the pattern.
            let gains = [0, 1].map(|x| even[mosaic.colour(x, y)]);
            data.extend(columns.iter().enumerate().map(|(i, &x)| gains[i % 2] * row[x]));
        }
        Self { w, h, data, mosaic }
    }

    /// A padded plane whose pixel (index `at`, column, row) is `f`; pixels nearer to the rim than
    /// `rim` are 0.
    fn map(&self, rim: usize, f: impl Fn(usize, usize, usize) -> f32 + Sync) -> Vec<f32> {
        let mut out = vec![0.0; self.data.len()];
        out.par_chunks_mut(self.w).enumerate().for_each(|(y, row)| {
            if y >= rim && y + rim < self.h {
                let end = self.w - rim;
                for (x, o) in row[..end].iter_mut().enumerate().skip(rim) {
                    *o = f(y * self.w + x, x, y);
                }
            }
        });
        out
    }

    fn cropped(&self, padded: &[f32]) -> Plane {
        let (w, h) = (self.w - 2 * MARGIN, self.h - 2 * MARGIN);
        let mut out = Plane::filled(w, h, 0.0);
        for y in 0..h {
            let at = (y + MARGIN) * self.w + MARGIN;
            out.row_mut(y).copy_from_slice(&padded[at..at + w]);
        }
        out
    }

    fn directional(&self, even: f32) -> Vec<Plane> {
        let (w, m) = (self.w, self.mosaic);
        let demodulated = |step: usize| {
            self.map(2, |at, x, y| {
                let sum: f32 =
                    (0..5).map(|k| KERNEL[k] * self.data[at + k * step - 2 * step]).sum();
                if m.colour(x, y) == 1 { sum } else { -sum }
            })
        };
        let (across, down) = (demodulated(1), demodulated(w));
        let unsteady = |d: &[f32], step: usize| {
            let change = self.map(3, |at, _, _| (d[at + step] - d[at - step]).abs());
            self.map(4, |at, _, _| {
                let line = |a: usize| change[a - 1] + change[a] + change[a + 1];
                line(at - w) + line(at) + line(at + w)
            })
        };
        let (ragged_x, ragged_y) = (unsteady(&across, 1), unsteady(&down, w));
        // Sums of nine changes, so `even` is for the mean.
        let floor = 81.0 * even * even;
        let sides = |at: usize| {
            let weight = |s: f32| 1.0 / (s * s + floor);
            [
                weight(ragged_x[at + 1]),
                weight(ragged_x[at - 1]),
                weight(ragged_y[at + w]),
                weight(ragged_y[at - w]),
            ]
        };
        let mean = |d: &[f32], at: usize, ahead: bool, step: usize| {
            let first = if ahead { at } else { at - 4 * step };
            (0..5).map(|k| d[first + k * step]).sum::<f32>() * 0.2
        };
        let carry = |full: f32, near: f32, other: f32| carried((full, near, other), DARK * even);
        // Green less the site's own colour, at red and blue sites.
        let own = self.map(6, |at, x, y| {
            if m.colour(x, y) == 1 {
                return 0.0;
            }
            let [e, o, s, n] = sides(at);
            let sum = e * mean(&across, at, true, 1)
                + o * mean(&across, at, false, 1)
                + s * mean(&down, at, true, w)
                + n * mean(&down, at, false, w);
            let d = &self.data;
            let near = e * d[at + 1] + o * d[at - 1] + s * d[at + w] + n * d[at - w];
            let [sum, near] = [sum, near].map(|v| v / (e + o + s + n));
            carry(d[at] + sum, near, near - sum) - d[at]
        });
        let green =
            self.map(
                6,
                |at, x, y| {
                    if m.colour(x, y) == 1 { self.data[at] } else { self.data[at] + own[at] }
                },
            );
        // The other colour's difference at red and blue sites, from the diagonals.
        let other =
            self.map(9, |at, x, y| if m.colour(x, y) == 1 { 0.0 } else { diagonal(&own, at, w) });
        let colour = |c: usize| {
            let difference = |at: usize, x: usize, y: usize| {
                if m.colour(x, y) == c { own[at] } else { other[at] }
            };
            let plane = self.map(10, |at, x, y| {
                if m.colour(x, y) == c {
                    return self.data[at];
                }
                if m.colour(x, y) != 1 {
                    let d = &self.data;
                    let near = d[at - w - 1] + d[at - w + 1] + d[at + w - 1] + d[at + w + 1];
                    return carry(green[at] - other[at], 0.25 * near, 0.25 * near + other[at]);
                }
                let [e, o, s, n] = sides(at);
                let sum = e * difference(at + 1, x + 1, y)
                    + o * difference(at - 1, x - 1, y)
                    + s * difference(at + w, x, y + 1)
                    + n * difference(at - w, x, y - 1);
                let step = if m.colour(x + 1, y) == c { 1 } else { w };
                let near = 0.5 * (self.data[at - step] + self.data[at + step]);
                let less = sum / (e + o + s + n);
                carry(green[at] - less, near, near + less)
            });
            self.cropped(&plane)
        };
        vec![colour(0), self.cropped(&green), colour(2)]
    }

    fn bilinear(&self) -> Vec<Plane> {
        let (w, m, d) = (self.w, self.mosaic, &self.data);
        let cross = |at: usize| 0.25 * (d[at - 1] + d[at + 1] + d[at - w] + d[at + w]);
        let colour = |c: usize| {
            let plane = self.map(MARGIN, |at, x, y| match (m.colour(x, y), c) {
                (own, c) if own == c => d[at],
                (_, 1) => cross(at),
                (1, c) if m.colour(x + 1, y) == c => 0.5 * (d[at - 1] + d[at + 1]),
                (1, _) => 0.5 * (d[at - w] + d[at + w]),
                _ => 0.25 * (d[at - w - 1] + d[at - w + 1] + d[at + w - 1] + d[at + w + 1]),
            });
            self.cropped(&plane)
        };
        vec![colour(0), colour(1), colour(2)]
    }
}

/// A colour at a site of another: `near`, the mean of its samples around, and of what `full` has beyond
/// that (the detail of the other colour, whose mean there is `other`) no more than a picture of one hue
/// would have: the part `near / other`. `dark` is a level, in DN, below which nothing is told.
#[inline]
fn carried((full, near, other): (f32, f32, f32), dark: f32) -> f32 {
    let part = (near.max(0.0) + dark) / (other.max(0.0) + dark);
    near + part.min(1.0) * (full - near)
}

/// Value between diagonal neighbours: the four nearest, sharpened by the eight beyond.
fn diagonal(d: &[f32], at: usize, w: usize) -> f32 {
    let near = d[at - w - 1] + d[at - w + 1] + d[at + w - 1] + d[at + w + 1];
    let far = d[at - 3 * w - 1]
        + d[at - 3 * w + 1]
        + d[at + 3 * w - 1]
        + d[at + 3 * w + 1]
        + d[at - w - 3]
        + d[at - w + 3]
        + d[at + w - 3]
        + d[at + w + 3];
    NEAR * near + FAR * far
}

#[cfg(test)]
#[path = "demosaic_tests.rs"]
mod tests;
