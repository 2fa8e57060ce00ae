//! One block of frames registered, and tied to the clip's first block.
//!
//! The pose of each frame and the template are found in turn, until they settle.
//! Every block is registered on its own and then its template is fitted to the template of the
//! first block: an error of one block never reaches the next, so nothing drifts over a long clip,
//! and blocks can be worked on in any order, or on other machines, with the same result.

use super::cover::{Cover, cover, tells};
use super::fit::{Fit, FitScratch, Start, Target, Turning, fit_frame, fit_frames};
use super::patch::{Amount, TILE, patches, spread_patches};
use super::path::scatter;
use super::still::{Look, deviation, still_pixels};
use super::template::{Average, Posed, average};
use super::wiener::wiener;
use super::{NoLock, PixelNoise, Pose, RegisterSettings, ground};
use crate::footage::hash_bytes;
use crate::frame::convert::{index_in, round_isize, signed, to_f32};
use crate::frame::{Coding, FixedPlane, Plane};
use crate::math::correlate::{CorrelateScratch, Correlator};
use crate::math::robust::variance_deviate;
use crate::math::turn::Turn;
use crate::math::window::hann;

/// Frames of a block; a clip is cut into equal blocks of at most this many.
pub const BLOCK: usize = 64;
/// A shift more uncertain than this is not used, in pixels.
const MOST_SIGMA: f64 = 0.5;
/// Tiles are used until they hold this part of all information.
const ENOUGH: f64 = 0.97;
/// Uncertainty of the coarse path, in pixels.
const COARSE: f64 = 0.2;
/// Passes of template and fit at the most. The template holds a little of each frame's own noise,
/// which draws the frame towards where it was put before; at low light it takes a few passes to
/// get away from there.
const MOST_PASSES: usize = 6;
/// The passes have settled when poses change by less than this part of their uncertainty.
const SETTLED: f64 = 0.3;
/// Tiles of the passes before the last one, in frames that have more than twice as many: what
/// these passes need is poses far better than a pixel's tenth, and they lie all over the frame.
const EARLY: Amount = Amount { spread: 256, information: 0.0 };
/// Tiles of the last pass: all of a small frame; of a large one so many that shifts are known to
/// 0.005 px along each axis, half of what a still camera's clip may be moved by.
const LAST: Amount = Amount { spread: 512, information: 2.0 / (0.005 * 0.005) };
/// Part of the candidates that must not be still for it to be worth to look for what hides them in
/// some frames only.
const LEAST_HIDDEN: f64 = 0.05;
/// A fit that ends further than this from where the tiles saw the background is not believed.
const MOST_CORRECTION: f64 = 3.0;

/// Sizes of the blocks of a clip of `frames` frames: the same on every machine.
#[must_use]
pub fn grid(frames: usize) -> Vec<std::ops::Range<usize>> {
    let blocks = frames.div_ceil(BLOCK).max(1);
    (0..blocks).map(|b| b * frames / blocks..(b + 1) * frames / blocks).collect()
}

/// A registered block.
#[derive(Debug, Clone, PartialEq)]
pub struct Block {
    /// Pose of each frame in the block's own reference; `None` where it could not be measured.
    pub poses: Vec<Option<Pose>>,
    /// Mean of the frames.
    pub average: Average,
    /// The same with its noise taken out.
    pub template: Plane,
    /// 1 for pixels that are still in the frames that see them.
    pub still: Vec<u8>,
    /// Where they are hidden in some frames only; `None` where that was not looked for.
    pub cover: Option<Cover>,
    /// Frames in the average.
    pub frames: usize,
    /// Mean squared misfit of the fits, in units of the noise model: 1 when all is as modelled.
    pub misfit: f64,
}

impl Block {
    /// 1 for pixels that are still and never hidden.
    #[must_use]
    pub fn always_still(&self) -> Vec<u8> {
        match &self.cover {
            None => self.still.clone(),
            Some(cover) => cover.always(&self.still, self.template.width()),
        }
    }

    /// Part of the frame that is still.
    #[must_use]
    pub fn still_share(&self) -> f64 {
        self.still.iter().map(|&s| f64::from(s)).sum::<f64>() / self.still.len().max(1) as f64
    }

    /// BLAKE3 of what other blocks are tied to: template, still pixels and poses, to the last bit.
    #[must_use]
    pub fn hash(&self) -> String {
        let mut bytes = Vec::with_capacity(5 * self.still.len());
        for v in self.template.data() {
            bytes.extend(v.to_bits().to_le_bytes());
        }
        bytes.extend(&self.still);
        for p in &self.poses {
            let p = p.map_or([f64::NAN; 3], |p| [p.shift[0], p.shift[1], p.light]);
            p.iter().for_each(|v| bytes.extend(v.to_bits().to_le_bytes()));
        }
        hash_bytes(&bytes)
    }
}

/// Registers a block; missing frames are `None`.
///
/// # Errors
/// [`NoLock`] with the reason.
pub fn register(
    frames: &[Option<&FixedPlane>],
    noise: &PixelNoise,
    settings: &RegisterSettings,
) -> Result<Block, NoLock> {
    let path = ground::ground(frames, noise, settings)?;
    refine(frames, noise, settings, &path)
}

/// Registers a block from a coarse path of its still background.
///
/// # Errors
/// [`NoLock`] where the poses stay too uncertain.
pub fn refine(
    frames: &[Option<&FixedPlane>],
    noise: &PixelNoise,
    settings: &RegisterSettings,
    path: &[Option<[f64; 2]>],
) -> Result<Block, NoLock> {
    let candidates = candidates(frames, settings)?;
    let coarse = path
        .iter()
        .zip(frames)
        .map(|(p, f)| f.and((*p).map(|shift| Pose { shift, sigma: 0.3, ..Pose::ZERO })))
        .collect();
    let settled = settle(frames, noise, coarse, (&candidates, false))?;
    let settled = if turns(&settled.turning) {
        settle(frames, noise, settled.poses, (&candidates, true))?
    } else {
        settled
    };
    let Settled { poses, model: fine, misfit, .. } = settled;
    let (poses, mean_light) = settle_light(poses);
    let used = poses.iter().flatten().count();
    let mut fine = fine;
    for plane in [&mut fine.average.mean, &mut fine.template] {
        for v in plane.data_mut() {
            *v *= to_f32(mean_light);
        }
    }
    Ok(Block {
        poses,
        average: fine.average,
        template: fine.template,
        still: fine.still,
        cover: fine.cover,
        frames: used,
        misfit,
    })
}

/// A block of frames that lie where `poses` say.
///
/// # Errors
/// [`NoLock`] where the poses are too uncertain.
pub(super) fn laid(
    frames: &[Option<&FixedPlane>],
    noise: &PixelNoise,
    settings: &RegisterSettings,
    poses: Vec<Option<Pose>>,
) -> Result<Block, NoLock> {
    let candidates = candidates(frames, settings)?;
    let sigma = median_sigma(&poses)?;
    let posed: Vec<Posed<'_>> = posed(frames, &poses).into_iter().flatten().collect();
    let choice = Choice { candidates: &candidates, still: None, every: 1 };
    let Model { average, template, still, cover } = Model::build(&posed, (noise, sigma), choice);
    let frames = posed.len();
    Ok(Block { poses, average, template, still, cover, frames, misfit: 1.0 })
}

/// The pixels that may be still: all that the settings allow.
fn candidates(
    frames: &[Option<&FixedPlane>],
    settings: &RegisterSettings,
) -> Result<Vec<u8>, NoLock> {
    let first = frames.iter().flatten().next().ok_or(NoLock::NoTexture)?;
    let mut all = vec![1; first.width * first.height];
    restrict(&mut all, first.width, settings);
    Ok(all)
}

/// Poses that have settled.
struct Settled {
    poses: Vec<Option<Pose>>,
    model: Model,
    misfit: f64,
    /// Of each frame: what a turn that was not fitted would change.
    turning: Vec<Turning>,
}

/// Template and poses in turn until they settle.
///
/// Large frames are first settled on a few tiles (and with the still pixels of the first pass), until
/// what is left to be gained is what their own noise in the template held back; one pass with
/// all tiles follows. Where the few cannot tell a frame's pose, all are used.
fn settle(
    frames: &[Option<&FixedPlane>],
    noise: &PixelNoise,
    mut poses: Vec<Option<Pose>>,
    (candidates, turns): (&[u8], bool),
) -> Result<Settled, NoLock> {
    let tiles = candidates.len() / (TILE * TILE);
    let mut amount = if tiles > 2 * EARLY.spread { EARLY } else { LAST };
    let (mut sigma, mut pass, mut prepared) = (COARSE, 0, false);
    let mut last: Option<Model> = None;
    loop {
        pass += 1;
        let early = amount == EARLY;
        let mut posed = posed(frames, &poses);
        let cover = last.as_ref().filter(|_| !early).and_then(|last| {
            let worth = last.hides(candidates) && last.tells(noise, frames.len());
            worth.then(|| cover(&posed, &last.template, noise, sigma))
        });
        for (k, f) in posed.iter_mut().enumerate() {
            if let Some(f) = f {
                f.hidden = cover.as_ref().map(|c| c.of(k));
            }
        }
        let posed: Vec<Posed<'_>> = posed.into_iter().flatten().collect();
        let still = last.take().filter(|_| early).map(|last| last.still);
        let choice = Choice { candidates, still, every: if early { 4 } else { 1 } };
        let built = Model::build(&posed, (noise, sigma), choice);
        let model = Model { cover, ..built };
        let fits = fit_all(frames, &model, noise, (&poses, amount, turns));
        let next: Vec<Option<Pose>> = fits.iter().map(|f| f.as_ref().map(pose_of)).collect();
        let lost = poses.iter().zip(&next).any(|(p, q)| p.is_some() && q.is_none());
        if early && lost {
            amount = LAST;
            continue;
        }
        sigma = median_sigma(&next)?;
        let moved = change(&poses, &next);
        let own = fits.iter().flatten().map(|f| f.own).fold(0.0, f64::max);
        let settled = pass >= 2 && moved < SETTLED * sigma;
        poses = next;
        if early {
            prepared = settled || own * moved < SETTLED * sigma || pass + 1 >= MOST_PASSES;
            if prepared {
                amount = LAST;
            }
        } else if prepared || settled || pass >= MOST_PASSES {
            let good: Vec<&Fit> = fits.iter().flatten().collect();
            let misfit = good.iter().map(|f| f.misfit).sum::<f64>() / good.len().max(1) as f64;
            let turning = good.iter().map(|f| f.turning).collect();
            return Ok(Settled { poses, model, misfit, turning });
        }
        last = Some(model);
    }
}

/// Leaves out what the settings do not allow.
fn restrict(candidates: &mut [u8], width: usize, settings: &RegisterSettings) {
    if settings.include.is_empty() && settings.exclude.is_empty() {
        return;
    }
    for (at, c) in candidates.iter_mut().enumerate() {
        if !settings.allows([at % width, at / width, 1, 1]) {
            *c = 0;
        }
    }
}

/// How a model is to tell which pixels are still.
struct Choice<'a> {
    /// Pixels that may be.
    candidates: &'a [u8],
    /// The answer, where it is known.
    still: Option<Vec<u8>>,
    /// Of how many frames one is asked.
    every: usize,
}

/// What frames are fitted to.
struct Model {
    average: Average,
    template: Plane,
    still: Vec<u8>,
    cover: Option<Cover>,
}

impl Model {
    /// Made of frames where they lie; what they hide is left to be told.
    fn build(posed: &[Posed<'_>], (noise, sigma): (&PixelNoise, f64), choice: Choice<'_>) -> Self {
        let (w, h) = posed.first().map_or((0, 0), |p| (p.frame.width, p.frame.height));
        let average = average(posed, w, h);
        let template = wiener(&average, noise);
        let still = choice.still.unwrap_or_else(|| {
            let some: Vec<Posed<'_>> = posed.iter().copied().step_by(choice.every).collect();
            let left = deviation(&some, &template, noise, sigma);
            still_pixels(
                &[Look::each(&left.each), Look::sums(&left.sums)],
                &average.count,
                choice.candidates,
            )
        });
        Self { average, template, still, cover: None }
    }

    /// Whether so many of the candidates are not still that something may hide them for a while.
    fn hides(&self, candidates: &[u8]) -> bool {
        let sum = |mask: &[u8]| mask.iter().map(|&v| f64::from(v)).sum::<f64>();
        sum(&self.still) < (1.0 - LEAST_HIDDEN) * sum(candidates)
    }

    /// Whether groups of frames can tell what hides it.
    fn tells(&self, noise: &PixelNoise, frames: usize) -> bool {
        tells(&self.template, &self.still, noise, frames)
    }
}

/// The frames and where they lie.
fn posed<'a>(frames: &[Option<&'a FixedPlane>], poses: &[Option<Pose>]) -> Vec<Option<Posed<'a>>> {
    let both = frames.iter().zip(poses);
    both.map(|(f, p)| {
        let (frame, p) = ((*f)?, (*p)?);
        Some(Posed { frame, shift: p.shift, turn: p.turn, light: p.light, hidden: None })
    })
    .collect()
}

/// Root mean square change of the poses along an axis, less what is common to all.
fn change(before: &[Option<Pose>], after: &[Option<Pose>]) -> f64 {
    let both = before.iter().zip(after);
    let moved: Vec<[f64; 2]> = both
        .filter_map(|(p, q)| (*p).zip(*q))
        .map(|(p, q)| [0, 1].map(|a| q.shift[a] - p.shift[a]))
        .collect();
    let [x, y] = scatter(&moved);
    ((x + y) / f64::max(2.0 * moved.len() as f64, 1.0)).sqrt()
}

/// Fits every frame.
fn fit_all(
    frames: &[Option<&FixedPlane>],
    model: &Model,
    noise: &PixelNoise,
    (start, amount, turns): (&[Option<Pose>], Amount, bool),
) -> Vec<Option<Fit>> {
    let made_of = (Some(&model.average), ENOUGH);
    let mut patches = spread_patches(&model.template, &model.still, noise, made_of, amount);
    if let Some(cover) = &model.cover {
        patches.iter_mut().for_each(|p| p.hidden = cover.tile(p.corner));
    }
    let cover = model.cover.as_ref();
    let target = Target { turns, cover, ..Target::new(&patches, noise) };
    let starts: Vec<Option<Start>> = start.iter().map(|p| p.as_ref().map(start_of)).collect();
    fit_frames(frames, &target, &starts)
        .into_iter()
        .zip(&starts)
        .map(|(fit, start)| {
            let (fit, start) = (fit?, (*start)?.shift);
            let moved = (fit.shift[0] - start[0]).abs().max((fit.shift[1] - start[1]).abs());
            (moved < MOST_CORRECTION && fit.sigma[0].max(fit.sigma[1]) < MOST_SIGMA).then_some(fit)
        })
        .collect()
}

fn start_of(p: &Pose) -> Start {
    Start { shift: p.shift, turn: p.turn, light: p.light }
}

fn pose_of(f: &Fit) -> Pose {
    Pose {
        shift: f.shift,
        turn: f.turn,
        sigma: (0.5 * (f.sigma[0].powi(2) + f.sigma[1].powi(2))).sqrt(),
        light: f.light,
        measured: true,
    }
}

/// Corners that move by less than this (rms over the frames) are not worth a turn, in pixels.
const LEAST_TURN: f64 = 0.05;
/// A turn counts where chance would show one as large in one block of 10,000: a normal variable's
/// 1e-4 quantile.
const TURN_SURE: f64 = 3.719;

/// Whether the scene turns, or its magnification changes, from frame to frame: together the frames
/// fit better by far more than chance allows, and the corners move.
fn turns(found: &[Turning]) -> bool {
    if found.is_empty() {
        return false;
    }
    let n = found.len() as f64;
    let total: f64 = found.iter().map(|t| t.gain).sum();
    let own: f64 = found.iter().map(|t| 2.0 * t.sigma * t.sigma).sum::<f64>() / n;
    let moved =
        found.iter().map(|t| t.corner[0].powi(2) + t.corner[1].powi(2)).sum::<f64>() / n - own;
    let deviate = variance_deviate(total / (2.0 * n), 2.0 * n);
    deviate > TURN_SURE && moved > LEAST_TURN * LEAST_TURN
}

/// The median uncertainty of measured poses.
fn median_sigma(poses: &[Option<Pose>]) -> Result<f64, NoLock> {
    let mut sigma: Vec<f64> = poses.iter().flatten().map(|p| p.sigma).collect();
    let measured = sigma.len();
    let median = crate::math::robust::median_f64(&mut sigma);
    match median {
        Some(s) if s < MOST_SIGMA && 2 * measured >= poses.len().min(2) => Ok(s),
        Some(s) => Err(NoLock::TooUncertain { sigma: s }),
        None => Err(NoLock::TooUncertain { sigma: f64::INFINITY }),
    }
}

/// Makes the mean light of the block 1; also gives what it was.
fn settle_light(mut poses: Vec<Option<Pose>>) -> (Vec<Option<Pose>>, f64) {
    let n = poses.iter().flatten().count().max(1) as f64;
    let mean = poses.iter().flatten().map(|p| p.light).sum::<f64>() / n;
    for p in poses.iter_mut().flatten() {
        p.light /= mean;
    }
    (poses, mean)
}

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
    /// The anchor of the first block.
    pub const FIRST: Self = Self { shift: [0.0, 0.0], turn: Turn::NONE, light: 1.0, sigma: 0.0 };

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
}

/// Ties `block` to `first`.
///
/// # Errors
/// [`NoLock::NotAnchored`] where the first block's background is not found in it.
pub fn anchor(block: &Block, first: &Block, noise: &PixelNoise) -> Result<Anchor, NoLock> {
    let start = coarse_offset(block, first, noise);
    let coding = Coding::for_white(block.average.mean.data().iter().copied().fold(1.0, f32::max));
    let seen = FixedPlane::from_plane(&block.average.mean, None, coding);
    let still = common_still(block, first, start);
    let patches = patches(&first.template, &still, noise, (None, 1.0));
    let target = Target {
        variance_factor: block.average.noise_gain / block.frames.max(1) as f32
            + first.average.noise_gain / first.frames.max(1) as f32,
        ..Target::new(&patches, noise)
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
    let na = filled(first, &windows, noise);
    let nb = filled(block, &windows, noise);
    correlator.fft().forward(&na.0, &mut a, &mut scratch.fft);
    correlator.fft().forward(&nb.0, &mut b, &mut scratch.fft);
    correlator.find((&a, na.1), (&b, nb.1), w.min(h) / 3, &mut scratch).shift
}

/// The still part of a template less its mean, windowed, moving parts set to 0; and the noise
/// power of its spectrum.
fn filled(block: &Block, (wx, wy): &(Vec<f32>, Vec<f32>), noise: &PixelNoise) -> (Vec<f32>, f32) {
    let p = &block.average.mean;
    let at = |x: usize, y: usize| (p.at(x, y), block.still[y * p.width() + x]);
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
    let variance = noise.variance(mean, p.data().len() / 2) * block.average.noise_gain
        / block.frames.max(1) as f32;
    (out, squares(wx) * squares(wy) * variance * to_f32(count / (wx.len() * wy.len()) as f64))
}

/// The largest even product of 2, 3 and 5 that is not above `n`.
fn good_size(n: usize) -> usize {
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

#[cfg(test)]
#[path = "block_tests.rs"]
mod tests;
