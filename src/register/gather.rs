//! Several blocks whose frames make one template.
//!
//! At low light the mean of a block's 64 frames is too noisy to fit frames to as well as their own
//! noise would allow: at a peak of 25 e- the fits to it are a third worse than fits to the scene itself.
//! Where the first block shows that, and frames are small enough for more of them to be kept, the
//! blocks after it are read too; each is registered with those before it in its template, and then
//! every one once more, the first too, with all the others.
//!
//! Every block adds only the pixels that were still in it, so a part that moves on uncovers
//! background in later blocks and spoils none.
//!
//! Measured (`cargo bench --bench steadying -- "240 frames"`, 25 e-): 1.12 to 1.25 times the bound where
//! the part stays in its place, 1.22 to 1.28 where it travels; one block alone has 1.24 to 1.34.

use std::borrow::Cow;
use std::ops::Range;

use super::block::{Block, hide, posed};
use super::clean::{Before, Followed, Learned, ROUNDS, add_missed, follow_with, settle_in};
use super::drawn::{self, Drawn};
use super::known::Known;
use super::rows::RowModel;
use super::template::{Average, Base, average};
use super::wiener::wiener;
use super::{NoLock, PixelNoise, RegisterSettings};
use crate::frame::FixedPlane;

/// Blocks that are gathered at the most.
const MOST: usize = 4;
/// Pixels of the frames of so many blocks at the most: what one block of large frames has.
const PIXELS: usize = 1920 * 1080;

/// How many blocks are gathered at the most of frames of so many pixels, the first one counted.
#[must_use]
pub fn at_most(pixels: usize) -> usize {
    (PIXELS / pixels.max(1)).clamp(1, MOST)
}

/// How many blocks of `frames` frames of `pixels` pixels are to be gathered with the first one.
#[must_use]
pub fn wanted(first: &Learned, frames: usize, pixels: usize) -> usize {
    let gains = !first.faults.uneven && first.known.as_ref().is_some_and(|k| k.gains(frames));
    if gains { at_most(pixels) - 1 } else { 0 }
}

/// What the first blocks of a clip gave together.
#[derive(Debug)]
pub struct Gathered {
    /// The first block, whose template has the others' frames as well.
    pub learned: Learned,
    /// The others, in order.
    pub followed: Vec<Result<Followed, NoLock>>,
}

/// Registers a clip's first block, which was `learned`, and those after it together: `frames` of all of
/// them, one block for each of `ranges`. What the sensor adds is taken off.
#[must_use]
pub fn gather(
    learned: Learned,
    (frames, ranges): (&mut [Option<FixedPlane>], &[Range<usize>]),
    noise: &PixelNoise,
    settings: &RegisterSettings,
) -> Gathered {
    let by = (noise, settings);
    let known = learned.faults.noise(noise);
    let Some(range) = ranges.first() else { return Gathered { learned, followed: Vec::new() } };
    let first = Own::of(&frames[range.clone()], learned.block.clone());
    let mut all = Together { frames, ranges, by, noise: known, own: vec![Some(first)] };
    let followed = all.follow(&learned);
    if all.own.iter().flatten().count() < 2 {
        return Gathered { learned, followed };
    }
    all.settle(learned, followed)
}

/// Blocks that are registered together.
struct Together<'a> {
    frames: &'a mut [Option<FixedPlane>],
    ranges: &'a [Range<usize>],
    by: (&'a PixelNoise, &'a RegisterSettings),
    /// The noise with what is known by now of the sensor.
    noise: Cow<'a, PixelNoise>,
    /// Of each block what its own frames give; `None` where it was not found in what is known.
    own: Vec<Option<Own>>,
}

/// A block and the mean of its own frames.
struct Own {
    block: Block,
    average: Average,
}

impl Own {
    fn of(planes: &[Option<FixedPlane>], block: Block) -> Self {
        let planes: Vec<_> = planes.iter().map(Option::as_ref).collect();
        let mut posed = posed(&planes, &block.poses);
        hide(&mut posed, block.cover.as_ref());
        let posed: Vec<_> = posed.into_iter().flatten().collect();
        let (w, h) = (block.template.width(), block.template.height());
        let average = average(&posed, w, h);
        Self { block, average }
    }
}

impl Together<'_> {
    /// Each block after the first with those before it in its template.
    fn follow(&mut self, learned: &Learned) -> Vec<Result<Followed, NoLock>> {
        let (first, faults) = (&learned.block, &learned.faults);
        let before = Before { first, faults, known: learned.known.as_ref() };
        let mut followed = Vec::new();
        for range in self.ranges.iter().skip(1) {
            let all = mean_of(self.bases(), None);
            let planes = &mut self.frames[range.clone()];
            let base = all.as_ref().map(|(average, still)| Base { average, still });
            let found = follow_with(planes, (&self.noise, self.by.1), before, base);
            let (found, block) = match found {
                Ok((found, block)) => (Ok(found), block),
                Err(why) => (Err(why), None),
            };
            self.own.push(found.as_ref().ok().zip(block).map(|(found, block)| {
                let poses = found.poses.clone();
                Own::of(planes, Block { poses, ..block })
            }));
            followed.push(found);
        }
        followed
    }

    /// All blocks, each with all others in its template, until no pattern of the sensor is left; as they
    /// were where that draws any of them to the sensor.
    fn settle(mut self, learned: Learned, mut followed: Vec<Result<Followed, NoLock>>) -> Gathered {
        let Learned { block, mut faults, row_model, known, fields } = learned;
        let mut first = block.clone();
        for _ in 0..ROUNDS {
            // At low light a pattern draws early.
            let whole = self.whole(&first);
            let pattern = whole
                .is_some_and(|w| faults.take_pattern_off(self.frames, (&w, true), &self.noise));
            if pattern {
                self.noise = faults.noise(self.by.0);
                self.read_again();
            }
            if let Some(found) = self.again() {
                first = Block { frames: self.frames_found(), ..found };
            }
            if !pattern {
                break;
            }
        }
        let Some(undrawn) = self.undrawn() else {
            return Gathered {
                learned: Learned { block, faults, row_model, known, fields },
                followed,
            };
        };
        let known = Known::new(&first, &self.noise, undrawn).or(known);
        if let Some(known) = &known {
            self.add_missed((known, &first), row_model.as_ref());
        }
        for (f, own) in followed.iter_mut().zip(self.own.iter().skip(1)) {
            if let (Ok(f), Some(own)) = (f, own) {
                f.poses.clone_from_slice(&own.block.poses);
            }
        }
        if let Some(Some(own)) = self.own.first() {
            first.poses.clone_from_slice(&own.block.poses);
        }
        Gathered { learned: Learned { block: first, faults, row_model, known, fields }, followed }
    }

    /// Poses for frames that were not found with the others of their block.
    fn add_missed(&mut self, known: (&Known, &Block), rows: Option<&RowModel>) {
        let (noise, settings) = (&*self.noise, self.by.1);
        for (own, range) in self.own.iter_mut().zip(self.ranges) {
            if let Some(own) = own {
                let frames = &mut self.frames[range.clone()];
                add_missed(frames, &mut own.block.poses, known, (noise, settings, rows));
            }
        }
    }

    /// Averages of frames that have changed.
    fn read_again(&mut self) {
        for (own, range) in self.own.iter_mut().zip(self.ranges) {
            if let Some(own) = own {
                *own = Own::of(&self.frames[range.clone()], own.block.clone());
            }
        }
    }

    /// Whether the blocks are surely not drawn to the sensor; `None` where one is.
    fn undrawn(&self) -> Option<bool> {
        let mut free = true;
        for (own, range) in self.own.iter().zip(self.ranges) {
            let Some(own) = own else { continue };
            let frames: Vec<_> = self.frames[range.clone()].iter().map(Option::as_ref).collect();
            match drawn::undrawn(&frames, &own.block, &self.noise, self.by.1) {
                Drawn::Free => {}
                Drawn::Untold => free = false,
                Drawn::To(_) => return None,
            }
        }
        Some(free)
    }

    fn frames_found(&self) -> usize {
        self.own.iter().flatten().flat_map(|own| &own.block.poses).flatten().count()
    }

    fn bases(&self) -> impl Iterator<Item = Option<Base<'_>>> {
        self.own.iter().map(|own| {
            let Own { block, average, .. } = own.as_ref()?;
            Some(Base { average, still: &block.still })
        })
    }

    /// Each block once more with all others in its template; the first one's answer.
    fn again(&mut self) -> Option<Block> {
        let kept = |own: &Own| (own.average.clone(), own.block.still.clone());
        let before: Vec<_> = self.own.iter().map(|own| own.as_ref().map(kept)).collect();
        let mut first = None;
        for (k, (own, range)) in self.own.iter_mut().zip(self.ranges).enumerate() {
            let Some(own) = own else { continue };
            let planes = &mut self.frames[range.clone()];
            let bases =
                before.iter().map(|b| b.as_ref().map(|(average, still)| Base { average, still }));
            let (average, still) = mean_of(bases, Some(k))?;
            let base = Some(Base { average: &average, still: &still });
            let poses = own.block.poses.clone();
            if let Some(block) = settle_in(planes, (&self.noise, self.by.1), poses, base) {
                if k == 0 {
                    first = Some(block.clone());
                }
                *own = Own::of(planes, block);
            }
        }
        first
    }

    /// All blocks as one: of the pixels that are still, and seen, in all frames of each.
    fn whole(&self, first: &Block) -> Option<Block> {
        let (average, _) = mean_of(self.bases(), None)?;
        let mut still = vec![1; first.still.len()];
        for own in self.own.iter().flatten() {
            still.iter_mut().zip(own.block.always_still()).for_each(|(all, one)| *all &= one);
        }
        let lost = |range: &Range<usize>| vec![None; range.len()];
        let each = self.own.iter().zip(self.ranges);
        let poses = each.flat_map(|(own, range)| {
            own.as_ref().map_or_else(|| lost(range), |own| own.block.poses.clone())
        });
        let poses: Vec<_> = poses.collect();
        let template = wiener(&average, &self.noise);
        let frames = poses.iter().flatten().count();
        Some(Block { poses, average, template, still, cover: None, frames, ..first.clone() })
    }
}

/// The mean of blocks, `without` one of them, and the pixels that are still in any.
fn mean_of<'a>(
    blocks: impl IntoIterator<Item = Option<Base<'a>>>,
    without: Option<usize>,
) -> Option<(Average, Vec<u8>)> {
    let some = blocks.into_iter().enumerate().filter(|(k, _)| Some(*k) != without);
    Average::together(&some.filter_map(|(_, base)| base).collect::<Vec<_>>())
}
