//! Maximum likelihood of a shifted template against one raw frame.
//!
//! ```text
//! I(x) = a T(x - p) + noise,   var = slope a T s + floor s^2      (see PixelNoise)
//! J = sum w g g^T,  b = sum w g r,  g = -a grad T(x - p),  r = I - a T(x - p),  w = still / var
//! ```
//!
//! p and the light a are fitted together by Gauss-Newton steps; the template is shifted, never
//! the noisy frame, and it and its slopes are read from half-pixel patches (see
//! [`super::patch`]). Sums are kept for each patch so that a tile that does not fit can be left
//! out: one whose misfit is far above that of the others, and, softly, one whose own shift
//! disagrees (weight (1 + m^2 / 25)^-2, m its distance in standard deviations). The inverse of
//! the information J is the covariance of p; it is widened by the misfit of the tiles used.
//!
//! A frame is part of the template it is fitted to, and its own noise there pulls it to where it
//! was put when the template was made: by the part `own` of the information. That pull is
//! known, and taken off; without it a frame keeps up to half of its first error at low light.
//!
//! What dark frames left lies still on the sensor, in the frame as in the template, and pulls to where the
//! two lie upon each other. How much of it to expect is known ([`PixelNoise::held`](super::PixelNoise::held)),
//! and that pull is taken off too (see [`super::held`]).
//!
//! Where rows have offsets of their own ([`PixelNoise::row`](super::PixelNoise::row)), those are fitted
//! too: normal variables of that spread, one for each row of the frame over all tiles, which go out
//! of the equations again as the Schur complement. So what bars along the rows seem to tell is neither used
//! nor promised.
//!
//! A turn of the scene and a change of its magnification are fitted on request
//! ([`Target::turns`]), from how the tiles' shifts go with their places; each tile is moved as a
//! whole, as the place where its information lies, which is right to the second order. Without the request [`Fit::turning`] says how much
//! better the frame would fit with them.
//!
//! Pixels: only still ones (mask of the patches), four pixels or more inside the frame, and none whose code
//! is a mark. A clip's own frames come without marks: what is saturated is fitted as white, as the template has it.

use rayon::prelude::*;

pub use super::combine::Turning;
use super::combine::{Manner, combine};
use super::patch::Patch;
pub use super::target::{Start, Target};
pub use super::tile::FitScratch;
use super::tile::{Moves, Said, half_diagonal};
use crate::frame::FixedPlane;
use crate::frame::convert::to_f32;
use crate::math::turn::Turn;

/// The fit has settled when a step is shorter than this, in pixels.
const SETTLED: f64 = 1e-4;
/// Steps at the most.
const STEPS: usize = 8;
/// Patches that are held against a frame one after another, before the next frame: neighbours lie in
/// the same rows of a frame, and so many stay in the cache.
const NEIGHBOURS: usize = 8;
/// How fast the model's slope changes, per pixel (2 pi times 0.5 cycles a pixel at the worst).
const CURVE: f64 = 3.0;
/// What is left by steps not taken, as a part of the uncertainty: adds 0.5 % to the error at the
/// very most.
const PART: f64 = 0.1;

/// The outcome of a fit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fit {
    /// Shift of the scene in the frame against the template, in pixels.
    pub shift: [f64; 2],
    /// Turn of the scene about the middle of the frame against the template.
    pub turn: Turn,
    /// What a turn that was not fitted would have been.
    pub turning: Turning,
    /// Light of the frame relative to the template.
    pub light: f64,
    /// Standard uncertainty of the light.
    pub light_sigma: f64,
    /// Standard uncertainty of the shift along x and y, in pixels.
    pub sigma: [f64; 2],
    /// Mean squared misfit of the used tiles in units of the noise (1 when all is as modelled).
    pub misfit: f64,
    /// Part of the frame's pixels that was used.
    pub used: f64,
    /// Part of the information that came from the frame's own noise in the template.
    pub own: f64,
    /// Information along the direction that is told best and along the one that is told least, in units
    /// of what the noise left in the template alone would seem to tell: 1 where there is no texture
    /// along it.
    pub told: [f64; 2],
}

/// Fits one frame; `start` is a first guess of shift and light.
/// `None` where too little is left to fit or the fit runs away.
pub fn fit_frame(
    frame: &FixedPlane,
    target: &Target<'_>,
    start: Start,
    scratch: &mut FitScratch,
) -> Option<Fit> {
    fit_frame_above(frame, target, start, 1e-6, scratch)
}

/// The same where `target.noise` is only an upper bound to the noise, which may be far lower in
/// parts (frames that were averaged): tiles are held against at least `usual` times the bound.
pub fn fit_frame_above(
    frame: &FixedPlane,
    target: &Target<'_>,
    start: Start,
    usual: f64,
    scratch: &mut FitScratch,
) -> Option<Fit> {
    let size = [frame.width, frame.height];
    let mut search = Search::new(start);
    let mut said = std::mem::take(&mut scratch.said);
    for _ in 0..STEPS {
        let moved = Moves::new((search.shift, search.turn), size);
        said.clear();
        for patch in target.patches {
            said.add((frame, target), patch, (&moved, search.light, usize::MAX), scratch);
        }
        search.step(&mut said, target.patches, (manner_of(target, usual), size));
        let settled = search.last < SETTLED;
        if search.lost || settled {
            break;
        }
    }
    scratch.said = said;
    search.found()
}

/// Fits many frames, each from its own first guess of shift and light, to one target.
///
/// All frames take their steps together, a few patches at a time: these are read from memory once
/// for all of them. A frame takes no further step where that could not change its shift by more than
/// a tenth of its uncertainty. `None` as in [`fit_frame`], and for frames that are missing.
#[must_use]
pub fn fit_frames(
    frames: &[Option<&FixedPlane>],
    target: &Target<'_>,
    starts: &[Option<Start>],
) -> Vec<Option<Fit>> {
    fit_all(frames, target, starts, None)
}

/// The same; and the last step of each frame, tile by tile.
pub(super) fn fit_frames_by_tile(
    frames: &[Option<&FixedPlane>],
    target: &Target<'_>,
    starts: &[Option<Start>],
) -> (Vec<Option<Fit>>, LastSteps) {
    let mut steps = vec![None; frames.len()];
    let fits = fit_all(frames, target, starts, Some(&mut steps));
    (fits, LastSteps(steps))
}

/// From where each frame took its last step, and what its tiles said there.
pub(super) struct LastSteps(Vec<Option<LastStep>>);

/// Of one frame: the search before the step, and what its tiles said.
type LastStep = (Search, Said);

impl LastSteps {
    /// Of each patch: the mean squared misfit over the frames, in units of the noise; `None` where
    /// none saw it. A last step is so short that it would not change that.
    pub(super) fn misfits(&self, patches: usize) -> Vec<Option<f64>> {
        let mut all = vec![[0.0; 2]; patches];
        for (_, said) in self.0.iter().flatten() {
            for ([misfit, pixels], s) in all.iter_mut().zip(&said.tiles) {
                *misfit += s.misfit;
                *pixels += s.pixels;
            }
        }
        all.into_iter().map(|[misfit, pixels]| (pixels > 0.0).then(|| misfit / pixels)).collect()
    }

    /// The last steps once more, by the patches of `target` that are to be kept.
    pub(super) fn again(
        &self,
        target: &Target<'_>,
        keep: &[bool],
        size: [usize; 2],
    ) -> Vec<Option<Fit>> {
        let patches: Vec<&Patch> =
            target.patches.iter().zip(keep).filter(|(_, keep)| **keep).map(|(p, _)| p).collect();
        self.0
            .par_iter()
            .map(|last| {
                let (mut search, mut said) = last.as_ref().map(|(s, said)| (*s, said.of(keep)))?;
                search.step(&mut said, patches.iter().copied(), (manner_of(target, 1e-6), size));
                search.found()
            })
            .collect()
    }
}

/// [`fit_frames`]; notes last steps in `steps`.
fn fit_all(
    frames: &[Option<&FixedPlane>],
    target: &Target<'_>,
    starts: &[Option<Start>],
    mut steps: Option<&mut Vec<Option<LastStep>>>,
) -> Vec<Option<Fit>> {
    let noted = steps.is_some();
    let mut all: Vec<Option<Search>> = starts.iter().map(|s| (*s).map(Search::new)).collect();
    for _ in 0..STEPS {
        let going: Vec<(usize, &FixedPlane, Search)> = frames
            .iter()
            .zip(&all)
            .enumerate()
            .filter_map(|(k, (f, s))| Some((k, (*f)?, (*s)?)))
            .filter(|(_, _, s)| !s.lost && !s.close())
            .collect();
        if going.is_empty() {
            break;
        }
        let moved: Vec<Moves> = going
            .iter()
            .map(|(_, f, s)| Moves::new((s.shift, s.turn), [f.width, f.height]))
            .collect();
        let said: Vec<Said> = target
            .patches
            .par_chunks(NEIGHBOURS)
            .map_init(FitScratch::default, |scratch, patches| {
                let mut all = Said::default();
                all.tiles.reserve(going.len() * patches.len());
                for ((k, f, s), m) in going.iter().zip(&moved) {
                    let group = target.cover.map_or(usize::MAX, |c| c.group(*k));
                    for patch in patches {
                        all.add((f, target), patch, (m, s.light, group), scratch);
                    }
                }
                all
            })
            .collect();
        let next: Vec<(usize, Search, Option<LastStep>)> = going
            .par_iter()
            .enumerate()
            .map_init(Said::default, |all, (i, &(k, frame, mut search))| {
                all.clear();
                for (said, patches) in said.iter().zip(target.patches.chunks(NEIGHBOURS)) {
                    all.extend(said, i * patches.len()..(i + 1) * patches.len());
                }
                let step = noted.then(|| (search, all.clone()));
                let size = [frame.width, frame.height];
                search.step(all, target.patches, (manner_of(target, 1e-6), size));
                (k, search, step)
            })
            .collect();
        for (k, search, step) in next {
            all[k] = Some(search);
            if let (Some(steps), Some(step)) = (steps.as_deref_mut(), step) {
                steps[k] = Some(step);
            }
        }
    }
    all.into_iter().zip(frames).map(|(s, f)| f.and(s?.found())).collect()
}

/// How steps towards a target are found; `usual`: see [`fit_frame_above`].
fn manner_of(target: &Target<'_>, usual: f64) -> Manner {
    let row = f64::from(target.noise.row * target.variance_factor.sqrt());
    Manner { least: usual, turns: target.turns, row, as_seen: target.as_seen }
}

/// A fit on its way.
#[derive(Debug, Clone, Copy)]
pub(super) struct Search {
    start: Start,
    pub(super) shift: [f64; 2],
    pub(super) turn: Turn,
    light: f64,
    fit: Option<Fit>,
    /// Length of the last step along its longer axis, in pixels.
    last: f64,
    /// The part of the information that comes from the frame's own noise.
    own: f64,
    /// The part that comes from what lies still on the sensor, where a frame lies upon it.
    held: f64,
    lost: bool,
}

impl Search {
    fn new(start: Start) -> Self {
        let Start { shift, turn, light } = start;
        let last = f64::INFINITY;
        Self { start, shift, turn, light, fit: None, last, own: 0.0, held: 0.0, lost: false }
    }

    fn found(self) -> Option<Fit> {
        if self.lost { None } else { self.fit }
    }

    /// Whether what is left after the last step is too little to matter. A step of length s that
    /// takes the model's slope as constant leaves about [`CURVE`] s sigma (the noise has a slope
    /// of its own) and the square of [`CURVE`] times the third power of s (errors of even order
    /// cancel over a texture, as a correlation is even about its peak); and the pull of own noise
    /// is one step behind.
    fn close(&self) -> bool {
        let sigma = self.fit.map_or(0.0, |f| f.sigma[0].max(f.sigma[1]));
        let cubic = CURVE * self.last * self.last;
        self.last < SETTLED
            || self.last * (CURVE * (cubic + sigma) + self.own + self.held) < PART * sigma
    }

    /// One step from the sums of all tiles at the present shift, less what a frame's own noise in
    /// the template pulls back to where the frame was put before.
    fn step<'a>(
        &mut self,
        said: &mut Said,
        patches: impl IntoIterator<Item = &'a Patch>,
        (manner, size): (Manner, [usize; 2]),
    ) {
        let radius = half_diagonal(size);
        let (mut own, mut share, mut all) = (0.0, 0.0, 0.0);
        let mut rows = said.rows.iter_mut();
        for (t, p) in said.tiles.iter_mut().zip(patches) {
            let d = t.at.map(|v| v * radius);
            let (now, then) = (self.turn.moves(d), self.start.turn.moves(d));
            let gone = [0, 1].map(|a| self.shift[a] + now[a] - self.start.shift[a] - then[a]);
            let back = t.info.times(gone);
            t.pull = [0, 1].map(|a| t.pull[a] + p.own * back[a]);
            let mut gone = gone.map(|g| p.own * g);
            if let Some(held) = p.held.as_ref().filter(|_| manner.as_seen) {
                let drawn = held.draws([0, 1].map(|a| self.shift[a] + now[a]));
                let back = t.info.times(drawn);
                t.pull = [0, 1].map(|a| t.pull[a] + back[a]);
                gone = [0, 1].map(|a| gone[a] + drawn[a]);
                share += held.share() * p.information;
            }
            let gone = gone.map(to_f32);
            for [_, gx, gy, _, r] in rows.next().into_iter().flat_map(|r| &mut r.rows) {
                *r += gone[0] * *gx + gone[1] * *gy;
            }
            own += p.own * p.information;
            all += p.information;
        }
        self.own = own / f64::max(all, 1e-30);
        self.held = share / f64::max(all, 1e-30);
        let Some(step) = combine(said, manner) else {
            self.lost = true;
            return;
        };
        self.shift = [0, 1].map(|a| self.shift[a] + step.move_by[a]);
        self.light += step.light_by * self.light;
        let by = step.turn_by.map(|v| v / radius);
        self.turn = Turn { angle: self.turn.angle + by[1], stretch: self.turn.stretch + by[0] };
        let steps = [step.move_by, step.turn_by];
        self.last = steps.iter().flatten().fold(0.0, |most: f64, v| most.max(v.abs()));
        let reach = [0, 1].map(|a| (self.shift[a] - self.start.shift[a]).abs());
        self.lost = !(reach[0].max(reach[1]) < 8.0 && self.light > 0.05 && self.light < 20.0);
        self.fit = Some(Fit {
            shift: self.shift,
            turn: self.turn,
            turning: step.turning,
            light: self.light,
            light_sigma: step.light_sigma * self.light,
            sigma: step.sigma.map(|s| s / (1.0 - self.held)),
            misfit: step.misfit,
            used: step.pixels / (size[0] * size[1]) as f64,
            own: self.own,
            told: step.told,
        });
    }
}

#[cfg(test)]
mod tests {
    use super::super::PixelNoise;
    use super::super::patch::patches;
    use super::*;
    use crate::frame::NoiseModel;
    use crate::frame::{Coding, Plane};

    fn scene(x: f64, y: f64) -> f32 {
        to_f32(
            500.0
                + 120.0 * libm::sin(0.7 * x + 0.3 * y)
                + 90.0 * libm::cos(0.45 * y - 0.6 * x + 0.02 * x * y / 10.0),
        )
    }

    #[test]
    fn recovers_a_shift_and_the_light_without_noise() {
        let template = Plane::from_fn(160, 128, |x, y| scene(x as f64, y as f64));
        let p = [1.37, -0.82];
        let seen = Plane::from_fn(160, 128, |x, y| 0.93 * scene(x as f64 - p[0], y as f64 - p[1]));
        let frame = FixedPlane::from_plane(&seen, None, Coding::for_white(4095.0));
        let still = vec![1; 160 * 128];
        let noise = PixelNoise::new(&NoiseModel { gain_e_per_dn: 1.0, read_noise_e: 8.0 });
        let patches = patches(&template, &still, &noise, (None, 1.0));
        let target = Target::new(&patches, &noise);
        let fit = fit_frame(&frame, &target, Start::at([0.9, -0.4]), &mut FitScratch::default());
        let fit = fit.unwrap();
        // Limit: response of the kernel (-50 dB) and of the five-point derivative.
        assert!((fit.shift[0] - p[0]).abs() < 2e-3, "{fit:?}");
        assert!((fit.shift[1] - p[1]).abs() < 2e-3, "{fit:?}");
        assert!((fit.light - 0.93).abs() < 1e-4, "{fit:?}");
    }

    #[test]
    fn offsets_of_rows_do_not_move_a_fit_that_knows_of_them() {
        // Bars along the rows: most of what tells the shift down the picture looks like offsets, and
        // these offsets look like a shift.
        let bars = |x: f64, y: f64| scene(x, y) + to_f32(150.0 * libm::sin(0.4 * y));
        let template = Plane::from_fn(160, 128, |x, y| bars(x as f64, y as f64));
        let p = [0.37, -0.22];
        let offset = |y: usize| to_f32(12.0 * libm::cos(0.4 * y as f64));
        let still = vec![1; 160 * 128];
        let model = NoiseModel { gain_e_per_dn: 1.0, read_noise_e: 8.0 };
        let seen =
            Plane::from_fn(160, 128, |x, y| bars(x as f64 - p[0], y as f64 - p[1]) + offset(y));
        let frame = FixedPlane::from_plane(&seen, None, Coding::for_white(4095.0));
        let fit = |row: f32| {
            let noise = PixelNoise { row, ..PixelNoise::new(&model) };
            let patches = patches(&template, &still, &noise, (None, 1.0));
            let target = Target::new(&patches, &noise);
            let start = Start::at([0.3, -0.3]);
            fit_frame(&frame, &target, start, &mut FitScratch::default()).unwrap()
        };
        let (blind, knowing) = (fit(0.0), fit(10.0));
        let error = |f: &Fit| (f.shift[1] - p[1]).abs();
        assert!(error(&blind) > 0.05, "{blind:?}");
        assert!(error(&knowing) < 0.2 * error(&blind), "{knowing:?} {blind:?}");
        assert!((knowing.shift[0] - p[0]).abs() < 2e-3, "{knowing:?}");
        // What bars alone could tell is not promised. With it, both would be known alike: their mean square
        // slopes are 4440 along the rows and 3990 across, of which the bars have 1800.
        assert!(knowing.sigma[1] > 1.2 * knowing.sigma[0], "{knowing:?}");
        assert!(knowing.used > 0.85, "{knowing:?}");
    }

    #[test]
    fn a_picture_without_texture_gives_no_answer() {
        let template = Plane::filled(96, 96, 300.0);
        let frame = FixedPlane::from_plane(&template, None, Coding::for_white(4095.0));
        let noise = PixelNoise::new(&NoiseModel { gain_e_per_dn: 1.0, read_noise_e: 8.0 });
        let still = vec![1; 96 * 96];
        let patches = patches(&template, &still, &noise, (None, 1.0));
        let target = Target::new(&patches, &noise);
        assert!(
            fit_frame(&frame, &target, Start::at([0.0; 2]), &mut FitScratch::default()).is_none()
        );
    }

    #[test]
    fn last_steps_without_a_bad_tile_are_those_of_a_fit_without_it() {
        let template = Plane::from_fn(160, 128, |x, y| scene(x as f64, y as f64));
        let p = [0.31, -0.24];
        let noise = PixelNoise::new(&NoiseModel { gain_e_per_dn: 1.0, read_noise_e: 8.0 });
        let still = vec![1; 160 * 128];
        let patches = patches(&template, &still, &noise, (None, 1.0));
        // What moved on lies over one tile of the frame.
        let bad = patches.iter().position(|p| p.corner == [64, 32]).unwrap();
        let seen = Plane::from_fn(160, 128, |x, y| {
            let on = if (60..100).contains(&x) && (28..68).contains(&y) { 1.6 } else { 0.0 };
            scene(x as f64 - p[0] - on, y as f64 - p[1] + on)
        });
        let frame = FixedPlane::from_plane(&seen, None, Coding::for_white(4095.0));
        let frames = [Some(&frame), None];
        let starts = [Some(Start::at([0.3, -0.2])), None];
        let (fits, last) = fit_frames_by_tile(&frames, &Target::new(&patches, &noise), &starts);
        assert!(fits[1].is_none());
        let misfits = last.misfits(patches.len());
        let worst = (0..patches.len())
            .max_by(|&a, &b| misfits[a].unwrap().total_cmp(&misfits[b].unwrap()))
            .unwrap();
        assert_eq!(worst, bad);
        let keep: Vec<bool> = (0..patches.len()).map(|k| misfits[k].unwrap() < 1.0).collect();
        assert!(!keep[bad] && keep.iter().filter(|k| **k).count() > patches.len() / 2);
        let again = last.again(&Target::new(&patches, &noise), &keep, [160, 128])[0].unwrap();
        let mut keeping = keep.iter();
        let good: Vec<Patch> = patches.into_iter().filter(|_| *keeping.next().unwrap()).collect();
        let alone = fit_frames(&frames, &Target::new(&good, &noise), &starts)[0].unwrap();
        for ((again, alone), true_shift) in again.shift.iter().zip(alone.shift).zip(p) {
            // The last step is taken from where the bad tile had drawn the fit.
            assert!((again - alone).abs() < 2e-3, "{again} {alone}");
            assert!((again - true_shift).abs() < 4e-3, "{again} {true_shift}");
        }
    }
}
