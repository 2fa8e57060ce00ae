//! One block of frames registered, and tied to the clip's first block.
//!
//! The pose of each frame and the template are found in turn, until they settle.
//! Every block is registered on its own and then its template is fitted to the template of the
//! first block: an error of one block never reaches the next, so nothing drifts over a long clip,
//! and blocks can be worked on in any order, or on other machines, with the same result.

use rayon::prelude::*;

use super::cover::{cover, tells};
use super::fit::{Fit, Start, Target, Turning, fit_frames};
use super::hidden::Cover;
use super::likeness::{shows, suspicious};
use super::patch::{Amount, spread_patches};
use super::path::scatter;
use super::still::still_in;
use super::template::{Average, Base, Posed, average};
use super::wiener::wiener;
use super::{NoLock, PixelNoise, Pose, RegisterSettings, TILE, ground};
use crate::footage::hash_bytes;
use crate::frame::convert::to_f32;
use crate::frame::{FixedPlane, Plane};
use crate::math::robust::{median_f64, variance_deviate};

/// Frames of a block; a clip is cut into equal blocks of at most this many.
pub const BLOCK: usize = 64;
/// A shift more uncertain than this is not used, in pixels.
pub(super) const MOST_SIGMA: f64 = 0.5;
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
pub(super) const EARLY: Amount = Amount { spread: 256, information: 0.0 };
/// Tiles of the last pass: all of a small frame; of a large one so many that shifts are known to
/// [`FINE`], half of what a still camera's clip may be moved by.
pub(super) const LAST: Amount = Amount { spread: 512, information: 2.0 / (FINE * FINE) };
/// Uncertainty in pixels, along each axis, that is as good as can be wished for.
pub(super) const FINE: f64 = 0.005;
/// Where the few tiles know the poses to this many times that, the rest of the background has plenty
/// of information, and what is hidden in some frames only need not be used.
const EASY: f64 = 2.0;
/// Part of the candidates that must not be still for it to be worth to look for what hides them in
/// some frames only.
const LEAST_HIDDEN: f64 = 0.05;
/// Along each direction the template must tell so many times what its noise alone would seem to. Measured:
/// stripes and shading 0.8 to 1.43 along the direction that they do not tell; the textures of
/// `test-frames` at a peak of 25 e- and 192 px, 24 frames, 3.4 (`brick`) to 5.5, `brick` 3.0 with 8 frames
/// and 2.06 with 6.
const TOLD: f64 = 1.75;
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
    /// What a block in the same reference gains from this one.
    pub(super) fn base(&self) -> Base<'_> {
        Base { average: &self.average, still: &self.still }
    }

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
    let coarse = path
        .iter()
        .zip(frames)
        .map(|(p, f)| f.and((*p).map(|shift| Pose { shift, sigma: COARSE, ..Pose::ZERO })))
        .collect();
    let mut block = settled(frames, noise, settings, (coarse, None))?;
    let mean_light = settle_light(&mut block.poses);
    for plane in [&mut block.average.mean, &mut block.template] {
        for v in plane.data_mut() {
            *v *= to_f32(mean_light);
        }
    }
    Ok(block)
}

/// Registers a later block from poses in the reference of the first one, and in its light, where it
/// stays; the template is the mean of its frames and of those of `base`.
///
/// # Errors
/// [`NoLock`] where the poses stay too uncertain.
pub(super) fn refine_known(
    frames: &[Option<&FixedPlane>],
    noise: &PixelNoise,
    settings: &RegisterSettings,
    (poses, base): (Vec<Option<Pose>>, Option<Base<'_>>),
) -> Result<Block, NoLock> {
    settled(frames, noise, settings, (poses, base))
}

/// A block whose poses have settled.
fn settled(
    frames: &[Option<&FixedPlane>],
    noise: &PixelNoise,
    settings: &RegisterSettings,
    (poses, base): (Vec<Option<Pose>>, Option<Base<'_>>),
) -> Result<Block, NoLock> {
    let candidates = candidates(frames, settings)?;
    let turned = poses.iter().flatten().any(|p| !p.turn.is_none());
    let mut settled = settle(frames, noise, poses, (&candidates, turned, base))?;
    if !turned && turns(&settled.turning) {
        settled = settle(frames, noise, settled.poses, (&candidates, true, base))?;
    }
    let Settled { poses, model, misfit, .. } = settled;
    let Model { average, template, still, cover } = model;
    let frames = poses.iter().flatten().count();
    Ok(Block { poses, average, template, still, cover, frames, misfit })
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
    let choice = Choice { candidates: &candidates, still: None, every: 1, base: None };
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
    (candidates, turns, base): (&[u8], bool, Option<Base<'_>>),
) -> Result<Settled, NoLock> {
    let tiles = candidates.len() / (TILE * TILE);
    let mut amount = if tiles > 2 * EARLY.spread { EARLY } else { LAST };
    let mut plenty = false;
    let mut sigma = COARSE;
    let (mut pass, mut prepared) = (0, false);
    let mut last: Option<Model> = None;
    loop {
        pass += 1;
        let early = amount == EARLY;
        let mut posed = posed(frames, &poses);
        let cover = last.as_ref().filter(|_| !early).and_then(|last| {
            let worth = !plenty && last.hides(candidates) && last.tells(noise, frames.len());
            worth.then(|| cover(&posed, &last.template, noise, sigma))
        });
        hide(&mut posed, cover.as_ref());
        let posed: Vec<Posed<'_>> = posed.into_iter().flatten().collect();
        let still = last.take().filter(|_| early).map(|last| last.still);
        let every = match (early, plenty) {
            (true, _) => 4,
            (false, true) => 2,
            (false, false) => 1,
        };
        let choice = Choice { candidates, still, every, base };
        let built = Model::build(&posed, (noise, sigma), choice);
        let model = Model { cover, ..built };
        let fits = fit_all(frames, &model, noise, (&poses, amount, turns));
        let next = poses_of(&fits);
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
                plenty = sigma < EASY * FINE;
            }
        } else if prepared || settled || pass >= MOST_PASSES {
            let good: Vec<&Fit> = fits.iter().flatten().collect();
            two_ways(&good)?;
            let misfit = good.iter().map(|f| f.misfit).sum::<f64>() / good.len().max(1) as f64;
            let turning = good.iter().map(|f| f.turning).collect();
            return Ok(Settled { poses, model, misfit, turning });
        }
        last = Some(model);
    }
}

/// Whether the template has texture along both directions.
fn two_ways(fits: &[&Fit]) -> Result<(), NoLock> {
    let told = |way: usize| {
        let mut all: Vec<f64> = fits.iter().map(|f| f.told[way]).collect();
        median_f64(&mut all).unwrap_or(0.0)
    };
    match (told(0) > TOLD, told(1) > TOLD) {
        (_, true) => Ok(()),
        (true, false) => Err(NoLock::OneWay),
        (false, false) => Err(NoLock::NoTexture),
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
    /// Frames that are averaged too.
    base: Option<Base<'a>>,
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
        let own = average(posed, w, h);
        let average = match choice.base {
            Some(base) => own.with(base),
            None => own,
        };
        let template = wiener(&average, noise);
        let still = choice.still.unwrap_or_else(|| {
            let some: Vec<Posed<'_>> = posed.iter().copied().step_by(choice.every).collect();
            let asked = (&average.count, choice.candidates);
            still_in(&some, &template, (noise, sigma), asked)
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
pub(super) fn posed<'a>(
    frames: &[Option<&'a FixedPlane>],
    poses: &[Option<Pose>],
) -> Vec<Option<Posed<'a>>> {
    let both = frames.iter().zip(poses);
    both.map(|(f, p)| {
        let (frame, p) = ((*f)?, (*p)?);
        Some(Posed { frame, shift: p.shift, turn: p.turn, light: p.light, hidden: None })
    })
    .collect()
}

/// Tells of each frame what is hidden in it.
pub(super) fn hide<'a>(posed: &mut [Option<Posed<'a>>], cover: Option<&'a Cover>) {
    for (k, f) in posed.iter_mut().enumerate() {
        if let Some(f) = f {
            f.hidden = cover.map(|c| c.of(k));
        }
    }
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
    fits_of(frames, &target, (&starts, None))
}

/// Fits frames from first guesses; `None` where a fit is not believed. `usual` is the misfit that frames
/// have, where that is known.
pub(super) fn fits_of(
    frames: &[Option<&FixedPlane>],
    target: &Target<'_>,
    (starts, usual): (&[Option<Start>], Option<f64>),
) -> Vec<Option<Fit>> {
    believed(fit_frames(frames, target, starts), frames, target, (starts, usual))
}

/// The fits that are believed: they end near where they began, are certain enough, and the frame shows
/// there what the template does.
pub(super) fn believed(
    fits: Vec<Option<Fit>>,
    frames: &[Option<&FixedPlane>],
    target: &Target<'_>,
    (starts, usual): (&[Option<Start>], Option<f64>),
) -> Vec<Option<Fit>> {
    let mut misfits: Vec<f64> = fits.iter().flatten().map(|f| f.misfit).collect();
    let usual = usual.or_else(|| median_f64(&mut misfits)).unwrap_or(f64::INFINITY);
    let believed = |(k, fit): (usize, Option<Fit>)| {
        let (frame, fit, start) = (frames[k]?, fit?, starts[k]?.shift);
        let moved = (fit.shift[0] - start[0]).abs().max((fit.shift[1] - start[1]).abs());
        let sure = moved < MOST_CORRECTION && fit.sigma[0].max(fit.sigma[1]) < MOST_SIGMA;
        let there = sure && (!suspicious(&fit, usual) || shows(frame, k, target, &fit));
        there.then_some(fit)
    };
    fits.into_par_iter().enumerate().map(believed).collect()
}

pub(super) fn start_of(p: &Pose) -> Start {
    Start { shift: p.shift, turn: p.turn, light: p.light }
}

/// Poses that were fitted.
pub(super) fn poses_of(fits: &[Option<Fit>]) -> Vec<Option<Pose>> {
    fits.iter().map(|f| f.as_ref().map(pose_of)).collect()
}

pub(super) fn pose_of(f: &Fit) -> Pose {
    Pose {
        shift: f.shift,
        turn: f.turn,
        sigma: (0.5 * (f.sigma[0].powi(2) + f.sigma[1].powi(2))).sqrt(),
        light: f.light,
        light_sigma: f.light_sigma,
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
pub(super) fn turns(found: &[Turning]) -> bool {
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
pub(super) fn median_sigma(poses: &[Option<Pose>]) -> Result<f64, NoLock> {
    let mut sigma: Vec<f64> = poses.iter().flatten().map(|p| p.sigma).collect();
    let measured = sigma.len();
    let median = median_f64(&mut sigma);
    match median {
        Some(s) if s < MOST_SIGMA && 2 * measured >= poses.len().min(2) => Ok(s),
        Some(s) if s >= MOST_SIGMA => Err(NoLock::TooUncertain { sigma: s }),
        _ => Err(NoLock::NotPlaced),
    }
}

/// Makes the mean light of the block 1; also gives what it was.
fn settle_light(poses: &mut [Option<Pose>]) -> f64 {
    let n = poses.iter().flatten().count().max(1) as f64;
    let mean = poses.iter().flatten().map(|p| p.light).sum::<f64>() / n;
    for p in poses.iter_mut().flatten() {
        p.light /= mean;
        p.light_sigma /= mean;
    }
    mean
}

#[cfg(test)]
#[path = "block_tests.rs"]
mod tests;
