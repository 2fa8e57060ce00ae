//! How a block that was registered on its own lies to the clip's first one.
//!
//! The two templates are held against each other: by their coarse detail over the whole picture, then
//! by the fit of a frame. For blocks that are registered on their own frames; those whose frames
//! were fitted to the first one's template ([`super::known`]) are only placed as a whole.

use rustfft::num_complex::Complex32;

use super::block::{Block, MOST_SIGMA, turns};
use super::fit::{FitScratch, Start, Target, fit_frame};
use super::patch::{Patch, patches};
use super::template::Average;
use super::{NoLock, PixelNoise, Pose};
use crate::frame::convert::{index_in, round_isize, signed, to_f32};
use crate::frame::{Coding, FixedPlane, Plane};
use crate::math::blur::gaussian;
use crate::math::fft2::{Fft2, Scratch};
use crate::math::turn::Turn;

/// Structure coarser than this is not looked at over the whole frame, in pixels.
const DETAIL: f64 = 6.0;
/// Blocks are held against each other where they have at least this part of their still pixels in
/// common.
const LEAST_COMMON: f32 = 0.25;
/// A block is tied where at least this part of the frame fits. Much more cannot be asked: where light
/// is plenty small faults of the templates make most tiles fit badly.
const LEAST_USED: f64 = 0.02;

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
            light_sigma: pose.light_sigma * self.light,
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
    let coarse = coarse_offset(block, first);
    let also = Some([0.0; 2]).filter(|_| coarse.map(round_isize) != [0, 0]);
    let starts = std::iter::once(coarse).chain(also);
    let found = starts.filter_map(|start| near(block, first, noise, start).ok());
    found.min_by(|a, b| a.sigma.total_cmp(&b.sigma)).ok_or(NoLock::NotAnchored)
}

/// Ties `block` to `first`, near which it lies by `start`.
///
/// # Errors
/// As [`anchor`].
pub(super) fn near(
    block: &Block,
    first: &Block,
    noise: &PixelNoise,
    start: [f64; 2],
) -> Result<Anchor, NoLock> {
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
        as_seen: false,
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
    fit.filter(|f| f.used > LEAST_USED && f.sigma[0].max(f.sigma[1]) < MOST_SIGMA)
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

/// Where the still parts of the two templates fit best over the whole frame, in whole pixels: the
/// correlation of two pictures of which parts are masked (Padfield, IEEE Trans. Image Processing
/// 21(5), 2706-2718, 2012). What is left out counts in neither of them; were it only set to a mean,
/// a part that moved on would be found by the hole it leaves.
fn coarse_offset(block: &Block, first: &Block) -> [f64; 2] {
    let (w, h) = (first.template.width(), first.template.height());
    let reach = w.min(h) / 3;
    let fft = Fft2::new(good_size_above(w + reach), good_size_above(h + reach));
    let mut scratch = Scratch::default();
    let spectra = [first, block].map(|b| masked_spectra(b, &fft, &mut scratch));
    let mut product = |a: &[Complex32], b: &[Complex32]| {
        let mut both: Vec<Complex32> = a.iter().zip(b).map(|(a, b)| a.conj() * b).collect();
        let mut out = Vec::new();
        fft.inverse(&mut both, &mut out, &mut scratch);
        out
    };
    let [one, other] = &spectra;
    let likeness = product(&one.detail, &other.detail);
    let powers = [product(&one.power, &other.still), product(&one.still, &other.power)];
    let common = product(&one.still, &other.still);
    let least = LEAST_COMMON * common.iter().copied().fold(0.0, f32::max);
    let mut best = (f32::NEG_INFINITY, [0.0; 2]);
    let far = signed(reach);
    for dy in -far..=far {
        for dx in -far..=far {
            let wrap = |d: isize, n: usize| d.rem_euclid(signed(n)).unsigned_abs();
            let at = wrap(dy, fft.height()) * fft.width() + wrap(dx, fft.width());
            let power = powers[0][at] * powers[1][at];
            if common[at] < least || power <= 0.0 {
                continue;
            }
            // In standard deviations of what unlike pictures would give.
            let sure = likeness[at] / power.sqrt() * common[at].sqrt();
            if sure > best.0 {
                best = (sure, [dx as f64, dy as f64]);
            }
        }
    }
    best.1
}

/// Spectra of a block's still parts: of their detail, its square, and of where they are.
struct Masked {
    detail: Vec<Complex32>,
    power: Vec<Complex32>,
    still: Vec<Complex32>,
}

fn masked_spectra(block: &Block, fft: &Fft2, scratch: &mut Scratch) -> Masked {
    let (w, h) = (block.template.width(), block.template.height());
    let smooth = gaussian(&block.template, DETAIL);
    let mut spectrum = |of: &dyn Fn(f32, f32) -> f32| {
        let mut plane = vec![0.0; fft.width() * fft.height()];
        for (y, row) in plane.chunks_exact_mut(fft.width()).take(h).enumerate() {
            let values = block.template.row(y).iter().zip(smooth.row(y));
            let still = &block.still[y * w..];
            for ((p, (v, s)), is) in row.iter_mut().zip(values).zip(still) {
                *p = of(v - s, f32::from(*is));
            }
        }
        let mut out = Vec::new();
        fft.forward(&plane, &mut out, scratch);
        out
    };
    Masked {
        detail: spectrum(&|v, is| v * is),
        power: spectrum(&|v, is| v * v * is),
        still: spectrum(&|_, is| is),
    }
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
    (2..=n).rev().find(|&k| is_good(k)).unwrap_or(2)
}

/// The smallest one that is not below `n`.
fn good_size_above(n: usize) -> usize {
    (n..=2 * n).find(|&k| is_good(k)).unwrap_or(2 * n)
}

fn is_good(k: usize) -> bool {
    let mut rest = k;
    for p in [2, 3, 5] {
        while rest > 0 && rest.is_multiple_of(p) {
            rest /= p;
        }
    }
    rest == 1 && k.is_multiple_of(2)
}
