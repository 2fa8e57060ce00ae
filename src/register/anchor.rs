//! How a block that was registered on its own lies to the clip's first one.
//!
//! The two templates are held against each other: by their coarse detail over the whole picture, then
//! by the fit of a frame. For blocks that are registered on their own frames; those whose frames
//! were fitted to the first one's template ([`super::known`]) are only placed as a whole.

use super::block::{Block, MOST_SIGMA, turns};
use super::fit::{FitScratch, Start, Target, fit_frame};
use super::patch::{Patch, patches};
use super::template::Average;
use super::{NoLock, PixelNoise, Pose};
use crate::frame::convert::{index_in, round_isize, signed, to_f32};
use crate::frame::{Coding, FixedPlane, Plane};
use crate::math::correlate::{CorrelateScratch, Correlator};
use crate::math::turn::Turn;
use crate::math::window::hann;

/// How a block lies to the first one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Anchor {
    /// Where the reference of the first block lies in the block's: its shift, in pixels.
    pub shift: [f64; 2],
    /// Its turn.
    pub turn: Turn,
    /// To be multiplied with the block's light.
    pub light: f64,
    /// Standard uncertainty of the shift, in pixels.
    pub sigma: f64,
}

impl Anchor {
    /// A pose of the block in the reference of the first block.
    #[must_use]
    pub fn apply(&self, pose: &Pose) -> Pose {
        let by = pose.turn.apply(self.shift);
        Pose {
            shift: [pose.shift[0] + by[0], pose.shift[1] + by[1]],
            turn: pose.turn.after(&self.turn),
            sigma: (pose.sigma * pose.sigma + self.sigma * self.sigma).sqrt(),
            light: pose.light * self.light,
            measured: pose.measured,
        }
    }

    /// The same for all poses of the block.
    #[must_use]
    pub fn apply_all(&self, poses: &[Option<Pose>]) -> Vec<Option<Pose>> {
        poses.iter().map(|p| p.as_ref().map(|p| self.apply(p))).collect()
    }
}

/// Ties `block` to `first`.
///
/// # Errors
/// [`NoLock::NotAnchored`] where the first block's background is not found in it.
pub fn anchor(block: &Block, first: &Block, noise: &PixelNoise) -> Result<Anchor, NoLock> {
    let start = coarse_offset(block, first, noise);
    let still = common_still(block, first, start);
    let patches = patches(&first.template, &still, noise, (None, 1.0));
    tied((&block.average, block.frames), first, noise, (&patches, start))
}

/// Ties an average of some frames to `first`, by patches of its template and from a first guess.
///
/// # Errors
/// As [`anchor`].
pub(super) fn tied(
    (average, frames): (&Average, usize),
    first: &Block,
    noise: &PixelNoise,
    (patches, start): (&[Patch], [f64; 2]),
) -> Result<Anchor, NoLock> {
    let coding = Coding::for_white(average.mean.data().iter().copied().fold(1.0, f32::max));
    let seen = FixedPlane::from_plane(&average.mean, None, coding);
    let target = Target {
        variance_factor: average.noise_gain / frames.max(1) as f32
            + first.average.noise_gain / first.frames.max(1) as f32,
        ..Target::new(patches, noise)
    };
    let mut scratch = FitScratch::default();
    let fit = fit_frame(&seen, &target, Start::at(start), &mut scratch);
    let fit = fit.and_then(|f| {
        if turns(&[f.turning]) {
            let target = Target { turns: true, ..target };
            fit_frame(&seen, &target, Start { light: f.light, ..Start::at(f.shift) }, &mut scratch)
        } else {
            Some(f)
        }
    });
    fit.filter(|f| f.used > 0.02 && f.sigma[0].max(f.sigma[1]) < MOST_SIGMA)
        .map(|f| Anchor {
            shift: f.shift,
            turn: f.turn,
            light: f.light,
            sigma: f.sigma[0].max(f.sigma[1]),
        })
        .ok_or(NoLock::NotAnchored)
}

/// Pixels still in both blocks, in the first one's coordinates.
fn common_still(block: &Block, first: &Block, offset: [f64; 2]) -> Vec<u8> {
    let (w, h) = (first.template.width(), first.template.height());
    let whole = offset.map(round_isize);
    (0..w * h)
        .map(|at| {
            let there = index_in(signed(at % w) + whole[0], w)
                .zip(index_in(signed(at / w) + whole[1], h))
                .map_or(0, |(x, y)| block.still[y * w + x]);
            first.still[at] & there
        })
        .collect()
}

/// Correlation of the two templates' still parts over the whole frame.
fn coarse_offset(block: &Block, first: &Block, noise: &PixelNoise) -> [f64; 2] {
    let (w, h) = (good_size(first.template.width()), good_size(first.template.height()));
    let correlator = Correlator::new(w, h);
    let mut scratch = CorrelateScratch::default();
    let (mut a, mut b) = (Vec::new(), Vec::new());
    let windows = (hann(w), hann(h));
    let of = |b: &Block| {
        let frames = b.frames.max(1) as f32 / b.average.noise_gain;
        filled((&b.average.mean, &b.still), &windows, noise, frames)
    };
    let (na, nb) = (of(first), of(block));
    correlator.fft().forward(&na.0, &mut a, &mut scratch.fft);
    correlator.fft().forward(&nb.0, &mut b, &mut scratch.fft);
    correlator.find((&a, na.1), (&b, nb.1), w.min(h) / 3, &mut scratch).shift
}

/// The still part of a picture of `frames` frames less its mean, windowed, moving parts set to 0; and
/// the noise power of its spectrum.
pub(super) fn filled(
    (p, still): (&Plane, &[u8]),
    (wx, wy): &(Vec<f32>, Vec<f32>),
    noise: &PixelNoise,
    frames: f32,
) -> (Vec<f32>, f32) {
    let at = |x: usize, y: usize| (p.at(x, y), still[y * p.width() + x]);
    let (mut sum, mut count) = (0.0_f64, 0.0_f64);
    for y in 0..wy.len() {
        for x in 0..wx.len() {
            let (v, s) = at(x, y);
            sum += f64::from(v) * f64::from(s);
            count += f64::from(s);
        }
    }
    let mean = to_f32(sum / count.max(1.0));
    let mut out = Vec::with_capacity(wx.len() * wy.len());
    for (y, &fy) in wy.iter().enumerate() {
        for (x, &fx) in wx.iter().enumerate() {
            let (v, s) = at(x, y);
            out.push((v - mean) * f32::from(s) * fx * fy);
        }
    }
    let squares = |w: &[f32]| w.iter().map(|v| v * v).sum::<f32>();
    let variance = noise.variance(mean, p.data().len() / 2) / frames;
    (out, squares(wx) * squares(wy) * variance * to_f32(count / (wx.len() * wy.len()) as f64))
}

/// The largest even product of 2, 3 and 5 that is not above `n`.
pub(super) fn good_size(n: usize) -> usize {
    (2..=n)
        .rev()
        .find(|&k| {
            let mut rest = k;
            for p in [2, 3, 5] {
                while rest % p == 0 {
                    rest /= p;
                }
            }
            rest == 1 && k % 2 == 0
        })
        .unwrap_or(2)
}
