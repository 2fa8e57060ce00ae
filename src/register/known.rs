//! Frames of a later block, looked up in the background that the clip's first block found.
//!
//! Once a clip's background is known, a block need not find it again: its first frame is laid by its
//! coarse detail over the whole picture, each next one near the one before by some well textured
//! pieces of the background together, and all are then fitted to the first block's template. So
//! every block is tied to the first and to nothing else, and no error adds up.
//!
//! Which of its pixels are still in this block as well is asked of some of the frames.
//!
//! Where frames are large and well lit (shifts known to 0.005 px or so) that is the answer: tiles that
//! fit worse over the whole block than the others do are left out, and the mean of some of the
//! frames is fitted to the template as well, because single frames share an error of some 0.01 px
//! in how they fit. Elsewhere these poses are the start of a registration on the block's own frames,
//! at low light with a template of both blocks. Where fewer than nine in ten of the frames are found
//! the block is registered as if nothing were known.
//!
//! Single frames that their block's coarse path left out, in the first block too, are looked for near
//! their neighbours in the same way when all others have their poses.
//!
//! Measured: `cargo bench --bench steadying -- later 1080`. Cost: a sixth of a first block's.

use rayon::prelude::*;
use rustfft::num_complex::Complex32;

use super::anchor::{filled, good_size, tied};
use super::block::{
    Block, EARLY, FINE, LAST, believed, fits_of, median_sigma, pose_of, posed, poses_of, start_of,
    turns,
};
use super::body::{Path, Tile, peak, total};
use super::drawn::{BY, LEAST_SIDE, smaller, smaller_noise};
use super::fit::{Fit, Start, Target, fit_frames_by_tile};
use super::patch::{Amount, Patch, Scored, rough_information, spread, spread_patches};
use super::still::still_and_mean;
use super::template::{Average, average, seen};
use super::tracks::{Follower, tile_size};
use super::{PixelNoise, Pose, RegisterSettings, TILE};
use crate::frame::convert::signed;
use crate::frame::{Coding, FixedPlane, Plane};
use crate::math::correlate::{CorrelateScratch, Correlator, nearest};
use crate::math::robust::{SPREAD, median_f64};
use crate::math::window::hann;

/// Pieces that a frame is looked up by, at the most, and at the least.
const PIECES: usize = 48;
const FEWEST_PIECES: usize = 6;
/// Of so many pieces one is asked first (where there are half of [`PIECES`]); where those are this
/// sure, the others are not asked.
const ASKED: usize = 3;
const QUITE_SURE: f64 = 0.9999;
/// A piece is used of which at least this part is still.
const STILL: f64 = 0.75;
/// Frames whose coarse detail is looked up together.
const ROUGH: usize = 8;
/// A frame lies where it was found at least with this probability.
const SURE: f64 = 0.9;
/// Tiles of the first look, if they tell all poses to this, in pixels.
const FEW: Amount = Amount { spread: 64, information: 0.0 };
const ROUGHLY: f64 = 0.03;
/// The part of the frames that must be found.
const FOUND: f64 = 0.9;
/// By how much [`FINE`] may be missed: tiles are chosen by what plain differences tell, and some are
/// left out.
const NEARLY: f64 = 1.2;
/// From this part of a frame's own noise in the template's information on, a template gains by having
/// more frames.
const GAIN: f64 = 0.1;
/// Part of the information that is used.
const ENOUGH: f64 = 0.97;
/// Tiles are left out whose misfit is this many times its usual spread above the usual one, and at
/// least by this part of it.
const WORSE: (f64, f64) = (6.0, 0.03);
/// Frames that are asked which pixels are still, and whose mean says where the block lies.
const SOME: usize = 20;
/// A block that fits worse than the first one by this factor is another scene, or has another light.
const ALIKE: f64 = 1.5;

/// The background of a clip.
#[derive(Debug)]
pub struct Known {
    side: usize,
    pieces: Vec<Piece>,
    /// The whole picture made smaller, as a spectrum, and the noise power of its values.
    whole: Whole,
    /// Whether the first block turns.
    turns: bool,
    /// Whether nothing that is fixed on the sensor draws frames that are fitted to it.
    pub(super) undrawn: bool,
    /// What part of the information the noise of all the block's frames would be in one.
    own: f64,
    /// What frames are first fitted to: [`FEW`] or, where these say too little, [`EARLY`].
    few: Vec<Patch>,
}

/// A piece of the background.
#[derive(Debug)]
struct Piece {
    corner: (usize, usize),
    spectrum: Vec<Complex32>,
    /// How many frames' noise it has.
    frames: f32,
}

/// Where the frames of a block lie.
#[derive(Debug)]
pub(super) struct Found {
    pub(super) poses: Vec<Option<Pose>>,
    /// Whether these are as good as can be wished for.
    pub(super) fine: bool,
}

impl Known {
    /// What `first` knows, `undrawn` where nothing that is fixed on the sensor draws it; `None` where
    /// too few pieces of it are still.
    #[must_use]
    pub fn new(first: &Block, noise: &PixelNoise, undrawn: bool) -> Option<Self> {
        let mean = &first.average.mean;
        let (w, h) = (mean.width(), mean.height());
        let side = tile_size(w, h).0;
        let still = &first.still;
        let mut scored: Vec<Scored> = (0..(h + 1).saturating_sub(side))
            .step_by(TILE)
            .flat_map(|y| (0..(w + 1).saturating_sub(side)).step_by(TILE).map(move |x| [x, y]))
            .filter(|&[x, y]| {
                let row = |y: usize| still[y * w + x..][..side].iter().map(|&s| f64::from(s));
                (y..y + side).flat_map(row).sum::<f64>() > STILL * (side * side) as f64
            })
            .map(|[x, y]| {
                let tiles = (y..y + side)
                    .step_by(TILE)
                    .flat_map(|y| (x..x + side).step_by(TILE).map(move |x| [x, y]));
                ([x, y], tiles.map(|c| rough_information(&first.template, still, noise, c)).sum())
            })
            .collect();
        scored.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
        let coding = Coding::for_white(mean.data().iter().copied().fold(1.0, f32::max));
        let picture = FixedPlane::from_plane(mean, None, coding);
        let (correlator, window) = (Correlator::new(side, side), hann(side));
        let mut cutter = Follower::default();
        let mut corners: Vec<[usize; 2]> =
            spread(scored, [w, h], PIECES).0.into_iter().map(|s| s.0).collect();
        corners.sort_unstable_by_key(|&[x, y]| (y, x));
        let pieces: Vec<Piece> = corners
            .into_iter()
            .filter_map(|[x, y]| {
                let corner = [x, y].map(signed);
                cutter.cut(&picture, noise, corner, &window)?;
                let f = &mut cutter;
                correlator.fft().forward(&f.pixels, &mut f.spectrum, &mut f.correlate.fft);
                let middle = (y + side / 2) * w + x + side / 2;
                Some(Piece {
                    corner: (x, y),
                    spectrum: f.spectrum.clone(),
                    frames: first.average.seen(middle) / first.average.noise_gain,
                })
            })
            .collect();
        if pieces.len() < FEWEST_PIECES {
            return None;
        }
        let frames = first.frames.max(1) as f32 / first.average.noise_gain;
        let made_of = (Some(&first.average), ENOUGH);
        let early = spread_patches(&first.template, still, noise, made_of, EARLY);
        let information: f64 = early.iter().map(|p| p.information).sum();
        let own = early.iter().map(|p| p.own * p.information).sum::<f64>() / information;
        let few = patches_of(first, still, noise, FEW);
        let few = if told_by(&few) < ROUGHLY { few } else { foreign(early) };
        Some(Self {
            own: own * first.frames as f64,
            side,
            pieces,
            whole: whole(&[&picture], Some(still), noise, frames).0,
            turns: first.poses.iter().flatten().any(|p| !p.turn.is_none()),
            undrawn,
            few,
        })
    }

    /// Whether the template of a block of so many frames would gain much from more.
    #[must_use]
    pub fn gains(&self, frames: usize) -> bool {
        self.own > GAIN * frames as f64
    }

    /// Where the frames of a later block lie, in the first one's reference; `None` where the
    /// background is not found in so many of them.
    pub(super) fn find(
        &self,
        frames: &[Option<&FixedPlane>],
        (noise, settings): (&PixelNoise, &RegisterSettings),
        first: &Block,
    ) -> Option<Found> {
        let path = self.locate(frames, noise, settings.reach)?;
        let starts: Vec<Option<Start>> = path.iter().map(|p| p.map(Start::at)).collect();
        self.fit(frames, noise, first, &starts)
    }

    /// A coarse path: frame by frame, each near the one before.
    fn locate(
        &self,
        frames: &[Option<&FixedPlane>],
        noise: &PixelNoise,
        reach: usize,
    ) -> Option<Path> {
        let mut looking = self.looking(noise, reach);
        let some: Vec<&FixedPlane> = frames.iter().flatten().copied().take(ROUGH).collect();
        // Where the clip began, or where the coarse detail lies.
        let guesses = [[0.0; 2], self.rough(&some, noise)];
        let seen = guesses.into_iter().filter_map(|g| looking.look(some.first()?, g));
        let mut place = seen.max_by(|a, b| a.height.total_cmp(&b.height))?.place;
        let path: Path = frames
            .iter()
            .map(|frame| {
                let seen = looking.look((*frame)?, place).filter(|s| s.sure > SURE)?;
                place = seen.place;
                Some(place)
            })
            .collect();
        enough(&path, frames).then_some(path)
    }

    /// Poses, in the first block's reference, of frames that are there and have none in `poses`: each
    /// looked for near its neighbours and fitted to the first block's template. Only what is found
    /// surely, and fits as well as the block's own frames do, is given.
    pub(super) fn missed(
        &self,
        frames: &[Option<&FixedPlane>],
        poses: &[Option<Pose>],
        (noise, settings): (&PixelNoise, &RegisterSettings),
        first: &Block,
    ) -> Vec<Option<Pose>> {
        let missed = |k: &usize| frames[*k].is_some() && poses[*k].is_none();
        let missed: Vec<usize> = (0..frames.len()).filter(missed).collect();
        let mut out = vec![None; frames.len()];
        if missed.is_empty() {
            return out;
        }
        let mut looking = self.looking(noise, settings.reach);
        let starts = missed.iter().map(|&k| {
            let near = neighbours(poses, k)?;
            let seen = looking.look(frames[k]?, near.shift).filter(|s| s.sure > SURE)?;
            Some(Start { shift: seen.place, ..start_of(&near) })
        });
        let starts: Vec<Option<Start>> = starts.collect();
        let still = first.always_still();
        let patches = patches_of(first, &still, noise, LAST);
        let target = Target { turns: self.turns, ..Target::new(&patches, noise) };
        let some: Vec<_> = missed.iter().map(|&k| frames[k]).collect();
        for (k, fit) in
            missed.into_iter().zip(fits_of(&some, &target, (&starts, Some(first.misfit))))
        {
            out[k] = fit.filter(|f| f.misfit < ALIKE * first.misfit).map(|f| pose_of(&f));
        }
        out
    }

    fn looking<'a>(&self, noise: &'a PixelNoise, reach: usize) -> Looking<'a> {
        let tile = |p: &Piece| Tile::of(p.corner, p.spectrum.clone(), p.frames);
        Looking {
            correlator: Correlator::new(self.side, self.side),
            window: hann(self.side),
            tiles: self.pieces.iter().map(tile).collect(),
            noise,
            reach: reach.min(self.side / 2 - 1),
        }
    }

    /// Where some frames lie by the coarse detail of all of them.
    fn rough(&self, frames: &[&FixedPlane], noise: &PixelNoise) -> [f64; 2] {
        let ((spectrum, power), by, size) = whole(frames, None, noise, frames.len() as f32);
        let correlator = Correlator::new(size[0], size[1]);
        let found = correlator.find(
            (&self.whole.0, self.whole.1),
            (&spectrum, power),
            size[0].min(size[1]) / 3,
            &mut CorrelateScratch::default(),
        );
        found.shift.map(|s| s * by as f64)
    }

    /// Fits frames to the first block's template, from first guesses.
    fn fit(
        &self,
        frames: &[Option<&FixedPlane>],
        noise: &PixelNoise,
        first: &Block,
        starts: &[Option<Start>],
    ) -> Option<Found> {
        let first_look = |few: &[Patch]| {
            let target = Target { turns: self.turns, ..Target::new(few, noise) };
            fits_of(frames, &target, (starts, None))
        };
        let told = |fits: &[Option<Fit>]| {
            let sigma = |f: &Fit| f.sigma[0].max(f.sigma[1]);
            let there = starts.iter().zip(fits).filter(|(s, _)| s.is_some());
            there.map(|(_, f)| f.as_ref()).all(|f| f.is_some_and(|f| sigma(f) < ROUGHLY))
        };
        let mut fits = first_look(&self.few);
        if !told(&fits) && self.few.len() <= FEW.spread {
            fits = first_look(&patches_of(first, &first.still, noise, EARLY));
        }
        let seen = poses_of(&fits);
        let (still, mean) = still_now(frames, &seen, noise, first)?;
        let patches = patches_of(first, &still, noise, LAST);
        let start = (&starts_of(&fits)[..], self.turns);
        let mut found = agreed(frames, &patches, noise, start)?;
        let turning: Vec<_> = found.0.iter().flatten().map(|f| f.turning).collect();
        let turn = !self.turns && turns(&turning);
        if turn {
            found = agreed(frames, &patches, noise, (&starts_of(&found.0), true))?;
        }
        let (fits, usual) = found;
        let poses = poses_of(&fits);
        let sigma = median_sigma(&poses).ok()?;
        let large = first.still.len() > LAST.spread * TILE * TILE;
        let fine = large && self.undrawn && sigma < NEARLY * FINE;
        let alike = usual < ALIKE * first.misfit;
        if !alike || !enough(&poses, frames) {
            return None;
        }
        if !fine {
            return Some(Found { poses, fine });
        }
        // Of frames that turn a new mean is needed.
        let (seen, mean) =
            if turn { (&poses, mean_of(frames, &poses, first)) } else { (&seen, mean) };
        let poses = placed(&mean, (seen, &poses), (noise, first), &patches)?;
        Some(Found { poses, fine })
    }
}

/// Pieces of the first block's template for frames that are no part of it.
fn patches_of(first: &Block, still: &[u8], noise: &PixelNoise, amount: Amount) -> Vec<Patch> {
    let made_of = (Some(&first.average), ENOUGH);
    foreign(spread_patches(&first.template, still, noise, made_of, amount))
}

/// The same patches for frames that are no part of the template.
fn foreign(patches: Vec<Patch>) -> Vec<Patch> {
    patches.into_iter().map(|p| Patch { own: 0.0, ..p }).collect()
}

/// How well patches tell a shift, in pixels along an axis.
fn told_by(patches: &[Patch]) -> f64 {
    (2.0 / patches.iter().map(|p| p.information).sum::<f64>()).sqrt()
}

/// Which of the first block's still pixels are still in these frames too, and the mean of some of them.
fn still_now(
    frames: &[Option<&FixedPlane>],
    poses: &[Option<Pose>],
    noise: &PixelNoise,
    first: &Block,
) -> Option<(Vec<u8>, Mean)> {
    let sigma = median_sigma(poses).ok()?;
    let some = some_of(posed(frames, poses));
    let (w, h) = (first.template.width(), first.template.height());
    let count = Plane::from_vec(w, h, seen(&some, (w, 0, h)))?;
    let (still, mean) =
        still_and_mean(&some, &first.template, (noise, sigma), (&count, &first.still));
    Some((still, (Average::of(&some, mean, count), some.len())))
}

/// A mean, and of how many frames.
type Mean = (Average, usize);

/// The mean of some of the frames.
fn mean_of(frames: &[Option<&FixedPlane>], poses: &[Option<Pose>], first: &Block) -> Mean {
    let some = some_of(posed(frames, poses));
    (average(&some, first.template.width(), first.template.height()), some.len())
}

/// Some of a block's frames, or of what belongs to them, all over the block.
fn some_of<T>(all: Vec<Option<T>>) -> Vec<T> {
    let every = all.len().div_ceil(SOME).max(1);
    all.into_iter().flatten().step_by(every).collect()
}

/// The poses once more as a whole: what single frames have in common in how they fit, such as a rest
/// of a pattern, moves all of them; the mean of some of them lies where it is. That mean is of frames
/// as they were `seen` to lie; `poses` are better.
fn placed(
    (mean, frames): &Mean,
    (seen, poses): (&[Option<Pose>], &[Option<Pose>]),
    (noise, first): (&PixelNoise, &Block),
    patches: &[Patch],
) -> Option<Vec<Option<Pose>>> {
    let mut anchor = tied((mean, *frames), first, noise, (patches, [0.0; 2])).ok()?;
    let moved = seen.iter().zip(poses).map(|(a, b)| a.as_ref().map(|a| (a, b.as_ref())));
    let moved: Vec<(&Pose, &Pose)> =
        some_of(moved.collect()).into_iter().filter_map(|(a, b)| Some((a, b?))).collect();
    let n = moved.len().max(1) as f64;
    for axis in [0, 1] {
        anchor.shift[axis] +=
            moved.iter().map(|(a, b)| a.shift[axis] - b.shift[axis]).sum::<f64>() / n;
    }
    anchor.light *= moved.iter().map(|(a, b)| a.light / b.light).sum::<f64>() / n;
    Some(anchor.apply_all(poses))
}

fn starts_of(fits: &[Option<Fit>]) -> Vec<Option<Start>> {
    poses_of(fits).iter().map(|p| p.as_ref().map(start_of)).collect()
}

/// Fits frames to the patches that agree with each other; and the usual misfit.
fn agreed(
    frames: &[Option<&FixedPlane>],
    patches: &[Patch],
    noise: &PixelNoise,
    (starts, turns): (&[Option<Start>], bool),
) -> Option<(Vec<Option<Fit>>, f64)> {
    let target = Target { turns, ..Target::new(patches, noise) };
    let (mut fits, last) = fit_frames_by_tile(frames, &target, starts);
    let (keep, usual) = agreeing(&last.misfits(patches.len()))?;
    if keep.contains(&false) {
        let size = frames.iter().flatten().next().map(|f| [f.width, f.height])?;
        fits = last.again(&target, &keep, size);
    }
    Some((believed(fits, frames, &target, (starts, None)), usual))
}

/// The pose half-way between those of a frame's nearest neighbours that have one.
fn neighbours(poses: &[Option<Pose>], k: usize) -> Option<Pose> {
    let before = poses[..k].iter().rev().flatten().next();
    let after = poses[k + 1..].iter().flatten().next();
    let (Some(a), Some(b)) = (before, after) else { return before.or(after).copied() };
    Some(Pose { shift: [0, 1].map(|i| 0.5 * (a.shift[i] + b.shift[i])), ..*a })
}

/// Pieces of the background that frames are looked up by.
struct Looking<'a> {
    correlator: Correlator,
    window: Vec<f32>,
    tiles: Vec<Tile>,
    noise: &'a PixelNoise,
    reach: usize,
}

/// Where a frame was seen.
struct Seen {
    place: [f64; 2],
    /// Probability of that place, of all within reach.
    sure: f64,
    /// Mean log-likelihood of the pieces, the best place of each being 0.
    height: f32,
}

impl Looking<'_> {
    /// Looks for a frame around a place.
    fn look(&mut self, frame: &FixedPlane, around: [f64; 2]) -> Option<Seen> {
        let few = self.tiles.len() >= PIECES / 2;
        let first = few.then(|| self.look_by(ASKED, frame, around)).flatten();
        first.filter(|s| s.sure > QUITE_SURE).or_else(|| self.look_by(1, frame, around))
    }

    /// The same by one of so many pieces.
    fn look_by(&mut self, every: usize, frame: &FixedPlane, around: [f64; 2]) -> Option<Seen> {
        let Self { correlator, window, tiles, noise, reach } = self;
        let whole = nearest(around);
        tiles.iter_mut().enumerate().for_each(|(k, t)| t.active = k % every == 0);
        tiles.par_iter_mut().filter(|t| t.active).for_each(|t| {
            t.see(frame, noise, (correlator, window), whole);
            t.correlate(correlator, t.seen, *reach);
        });
        let here = [0, 1].map(|a| whole[a] as f64);
        let sum = total(tiles, 1.0)?;
        let peak = peak(&sum, *reach, [0, 1].map(|a| around[a] - here[a]));
        let seen = tiles.iter().filter(|t| t.active && t.is_seen()).count();
        let height = sum.iter().copied().fold(f32::NEG_INFINITY, f32::max) / seen.max(1) as f32;
        let place = [0, 1].map(|a| here[a] + peak.shift[a]);
        Some(Seen { place, sure: peak.sure, height })
    }
}

/// Whether so many of the frames that are there were found that the others may be filled in.
fn enough<T>(found: &[Option<T>], frames: &[Option<&FixedPlane>]) -> bool {
    let (there, found) = (frames.iter().flatten().count(), found.iter().flatten().count());
    there > 0 && found as f64 >= FOUND * there as f64
}

/// Which patches fit as well as the others, and the usual misfit; `None` where none says anything.
fn agreeing(misfits: &[Option<f64>]) -> Option<(Vec<bool>, f64)> {
    let mut known: Vec<f64> = misfits.iter().flatten().copied().collect();
    let usual = median_f64(&mut known)?;
    let mut off: Vec<f64> = known.iter().map(|m| (m - usual).abs()).collect();
    let spread = SPREAD * median_f64(&mut off)?;
    let limit = usual + f64::max(WORSE.0 * spread, WORSE.1 * usual);
    Some((misfits.iter().map(|m| m.is_none_or(|m| m <= limit)).collect(), usual))
}

/// A picture made smaller, windowed, as a spectrum; the noise power of its values.
type Whole = (Vec<Complex32>, f32);

/// The mean of pictures made smaller, what is not `still` left out, if together they are worth
/// `frames` frames; by how much they were made smaller, and the size of the spectrum.
fn whole(
    pictures: &[&FixedPlane],
    still: Option<&[u8]>,
    noise: &PixelNoise,
    frames: f32,
) -> (Whole, usize, [usize; 2]) {
    let (width, height) = pictures.first().map_or((0, 0), |p| (p.width, p.height));
    let small = width.min(height) >= LEAST_SIDE;
    let by = if small { BY } else { 1 };
    let (w, h) = (width / by, height / by);
    let mut mean = Plane::filled(w, h, 0.0);
    for p in pictures {
        let one = if small { smaller(p).to_plane() } else { p.to_plane() };
        let part = 1.0 / pictures.len() as f32;
        mean.data_mut().iter_mut().zip(one.data()).for_each(|(m, v)| *m += part * v);
    }
    let noise = if small { smaller_noise(noise) } else { noise.clone() };
    let still: Vec<u8> = match still {
        Some(s) => {
            (0..w * h).map(|at| s[(at / w * by + by / 2) * width + at % w * by + by / 2]).collect()
        }
        None => vec![1; w * h],
    };
    let size = [good_size(w), good_size(h)];
    let windows = (hann(size[0]), hann(size[1]));
    let (pixels, power) = filled((&mean, &still), &windows, &noise, frames);
    let (mut spectrum, mut scratch) = (Vec::new(), CorrelateScratch::default());
    Correlator::new(size[0], size[1]).fft().forward(&pixels, &mut spectrum, &mut scratch.fft);
    ((spectrum, power), by, size)
}

#[cfg(test)]
#[path = "known_tests.rs"]
mod tests;
