//! Registration of frames to which the sensor adds something of its own.
//!
//! A fixed pattern that the dark frame left draws every shift to zero; offsets of rows draw it at
//! random. Both are measured once a first registration has told scene from sensor, and where they
//! matter they are taken off the frames, which are then registered again. The pattern is the same
//! over the clip, so it is learned from the first block that locks.
//!
//! Where a pattern has drawn the shifts so far that it looks like the scene, [`super::drawn`] finds
//! that out, and the block is laid by its coarse detail.
//!
//! Light that changes unevenly over the frame ([`super::uneven`]) draws shifts towards brighter
//! places and makes still pixels look as if they moved: where it matters frames are divided by it
//! and registered again, before rows and pattern.
//!
//! Measured (`cargo bench --bench steadying -- "row offsets" "pattern of"`, brick, 384 px): at a
//! peak of 150 e- row offsets of 2 e- leave 1.24 times the bound, a pattern of 1 e- in pixels and
//! 1 e- in columns 1.21 times; at 25 e- they leave 1.46 times (with 0.80 of that claimed) and 1.32. That
//! the offsets are unknown costs 1.06 of it: the bound is that of known ones.

use std::borrow::Cow;

use rayon::prelude::*;

use super::anchor::{anchor, near};
use super::block::{Block, laid, refine, refine_known, register};
use super::drawn::Drawn;
use super::known::Known;
use super::pattern::{LEAST_DRAWN, LEAST_MOTION, fixed_pattern, take_pattern_off};
use super::rows::{RowModel, Seen, take_off};
use super::template::Base;
use super::uneven::{Field, Scene, divide_again, matters, measure};
use super::{NoLock, PixelNoise, Pose, RegisterSettings, drawn};
use crate::frame::convert::to_f32;
use crate::frame::{FixedPlane, Plane};

/// Rounds in which a pattern is looked for: the first poses are drawn to it.
pub(super) const ROUNDS: usize = 3;

/// Rounds in which uneven light is measured and divided out: the first has the scene as the lamps
/// made it look.
const EVENED: usize = 2;

/// What the sensor adds to frames.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct SensorFaults {
    /// The same to every frame, in DN.
    pub pattern: Option<Plane>,
    /// Variance of what is still unknown of each pixel of it, in DN^2, where pixels have one.
    pub left: Option<f32>,
    /// Spread of the rows' offsets in DN, where they matter.
    pub rows: Option<f32>,
    /// Whether light changes unevenly over the frame (this is a lamps' fault, not the sensor's).
    pub uneven: bool,
}

impl SensorFaults {
    /// The noise of frames that have these faults.
    #[must_use]
    pub fn noise<'a>(&self, noise: &'a PixelNoise) -> Cow<'a, PixelNoise> {
        match (self.rows, self.left) {
            (None, None) => Cow::Borrowed(noise),
            (row, held) => Cow::Owned(PixelNoise {
                row: row.unwrap_or(noise.row),
                held: held.unwrap_or(noise.held),
                ..noise.clone()
            }),
        }
    }

    /// Looks for more of a pattern and takes it off; whether there was some.
    pub(super) fn take_pattern_off(
        &mut self,
        frames: &mut [Option<FixedPlane>],
        (block, drawn): (&Block, bool),
        noise: &PixelNoise,
    ) -> bool {
        let least = if drawn { LEAST_DRAWN } else { LEAST_MOTION };
        let Some(found) = fixed_pattern(&lent(frames), block, noise, least) else { return false };
        frames.par_iter_mut().flatten().for_each(|f| take_pattern_off(f, &found.values));
        self.left = found.left.or(self.left);
        match &mut self.pattern {
            None => self.pattern = Some(found.values),
            Some(all) => {
                let more = found.values.data();
                all.data_mut().iter_mut().zip(more).for_each(|(a, f)| *a += f);
            }
        }
        true
    }

    /// Spread of the pattern in DN.
    #[must_use]
    pub fn pattern_rms(&self) -> Option<f64> {
        let p = self.pattern.as_ref()?.data();
        let squares: f64 = p.iter().map(|&v| f64::from(v) * f64::from(v)).sum();
        Some((squares / p.len().max(1) as f64).sqrt())
    }
}

/// The first block and what it taught.
#[derive(Debug)]
pub struct Learned {
    /// The registered block.
    pub block: Block,
    /// What the sensor adds.
    pub faults: SensorFaults,
    /// What row offsets are measured against, where they matter.
    pub row_model: Option<RowModel>,
    /// What later blocks are looked up in, where that can be.
    pub known: Option<Known>,
    /// What frames were divided by where light is uneven; empty where it is even.
    pub fields: Fields,
}

/// The uneven light that each frame of a block was divided by; empty where light is even.
pub type Fields = Vec<Option<Field>>;

/// Another block of the clip.
#[derive(Debug)]
pub struct Followed {
    /// Poses of its frames in the first block's reference and light.
    pub poses: Vec<Option<Pose>>,
    /// As in [`Learned`].
    pub fields: Fields,
}

/// Registers a clip's first block, and learns what the sensor adds. What matters is taken off
/// `frames`. `rows` tells whether offsets of rows are to be looked for: where each pixel has its
/// own colour a row's offset cannot be told.
///
/// # Errors
/// [`NoLock`] with the reason.
pub fn learn(
    frames: &mut [Option<FixedPlane>],
    noise: &PixelNoise,
    settings: &RegisterSettings,
    rows: bool,
) -> Result<Learned, NoLock> {
    let mut faults = SensorFaults::default();
    let mut block = register(&lent(frames), noise, settings)?;
    let mut fields = Vec::new();
    if matters(&lent(frames), &block.poses, &[], &Scene::seen(&block, noise)) {
        let kept = frames.to_vec();
        match evened(frames, block.clone(), noise, settings) {
            Ok((new, by)) if confirmed(frames, &new, &by, noise) => {
                faults.uneven = true;
                (block, fields) = (new, by);
            }
            _ => frames.clone_from_slice(&kept),
        }
    }
    let mut row_model = if rows { row_model(frames, &block, noise) } else { None };
    faults.rows = row_model.as_ref().map(|m| to_f32(m.sigma));
    let plain = noise;
    let mut noise = faults.noise(plain);
    if let Some(model) = &mut row_model {
        block = without_rows(frames, &block, model, (&noise, settings, Within::Itself))?;
        *model = RowModel::new(&block.average.mean, block.always_still(), model.sigma)
            .with_seen(&block.average.count);
    }
    let mut sensor;
    (block, sensor) = undrawn(frames, block, &noise, settings)?;
    // A pattern that drew the shifts is there, also when less of it is left.
    let drawn = sensor == Sensor::Draws;
    for _ in 0..ROUNDS {
        if !faults.take_pattern_off(frames, (&block, drawn), &noise) {
            break;
        }
        noise = faults.noise(plain);
        block = again(frames, &block, &noise, (settings, Within::Itself))?;
        (block, sensor) = undrawn(frames, block, &noise, settings)?;
    }
    let known = Known::new(&block, &noise, sensor == Sensor::Free);
    if let Some(known) = &known {
        let mut poses = std::mem::take(&mut block.poses);
        add_missed(frames, &mut poses, (known, &block), (&noise, settings, row_model.as_ref()));
        block.poses = poses;
    }
    Ok(Learned { block, faults, row_model, known, fields })
}

/// Gives poses, in the first block's reference, to frames that have none, where they are found in what is
/// known. The template is left as it is.
pub(super) fn add_missed(
    frames: &mut [Option<FixedPlane>],
    poses: &mut [Option<Pose>],
    (known, first): (&Known, &Block),
    (noise, settings, rows): (&PixelNoise, &RegisterSettings, Option<&RowModel>),
) {
    let look =
        |frames: &[_], poses: &[_]| known.missed(&lent(frames), poses, (noise, settings), first);
    let mut found = look(frames, poses);
    if let Some(model) = rows
        && found.iter().any(Option::is_some)
    {
        take_rows_off(frames, &found, (model, noise));
        found = look(frames, poses);
    }
    for (pose, found) in poses.iter_mut().zip(found) {
        *pose = pose.or(found);
    }
}

/// What is known of a clip when a later block is registered.
#[derive(Debug, Clone, Copy)]
pub struct Before<'a> {
    /// The first block.
    pub first: &'a Block,
    /// What the sensor adds.
    pub faults: &'a SensorFaults,
    /// What frames are looked up in.
    pub known: Option<&'a Known>,
}

/// Registers another block of the clip. What the sensor adds is taken off `frames`.
///
/// # Errors
/// [`NoLock`] with the reason.
pub fn follow(
    frames: &mut [Option<FixedPlane>],
    noise: &PixelNoise,
    settings: &RegisterSettings,
    before: Before<'_>,
) -> Result<Followed, NoLock> {
    follow_with(frames, (noise, settings), before, None).map(|(followed, _)| followed)
}

/// The same with a `base` that holds more than the first block; and the block, if its frames were found
/// in what is known.
pub(super) fn follow_with(
    frames: &mut [Option<FixedPlane>],
    (noise, settings): (&PixelNoise, &RegisterSettings),
    before: Before<'_>,
    base: Option<Base<'_>>,
) -> Result<(Followed, Option<Block>), NoLock> {
    let Before { first, faults, known } = before;
    let noise = &*faults.noise(noise);
    if let Some(pattern) = &faults.pattern {
        frames.par_iter_mut().flatten().for_each(|f| take_pattern_off(f, pattern));
    }
    if let Some(known) = known.filter(|_| !faults.uneven)
        && let Some((mut poses, block)) =
            looked_up(frames, (noise, settings), before, (known, base))
    {
        // What the offsets of rows are is part of these fits; they are not taken off.
        add_missed(frames, &mut poses, (known, first), (noise, settings, None));
        return Ok((Followed { poses, fields: Vec::new() }, block));
    }
    let (block, fields) = alone(frames, noise, settings, faults)?;
    let anchor = anchor(&block, first, noise)?;
    Ok((Followed { poses: anchor.apply_all(&block.poses), fields }, None))
}

/// Poses of a block whose frames are found where the background is `known`, and the block where more
/// than that was needed; `None` where they are not found, or are drawn to the sensor.
fn looked_up(
    frames: &mut [Option<FixedPlane>],
    (noise, settings): (&PixelNoise, &RegisterSettings),
    before: Before<'_>,
    (known, base): (&Known, Option<Base<'_>>),
) -> Option<(Vec<Option<Pose>>, Option<Block>)> {
    let found = known.find(&lent(frames), (noise, settings), before.first)?;
    if found.fine && before.faults.rows.is_none() {
        return Some((found.poses, None));
    }
    let gains = known.gains(frames.len());
    let base = base.or_else(|| gains.then(|| before.first.base()));
    let block = settle_in(frames, (noise, settings), found.poses, base)?;
    if let Drawn::To(_) = drawn::undrawn(&lent(frames), &block, noise, settings) {
        return None;
    }
    let anchor = near(&block, before.first, noise, [0.0; 2]).ok()?;
    Some((anchor.apply_all(&block.poses), Some(block)))
}

/// A block from poses in the first one's reference, with the frames of `base` in its template, and with
/// offsets of rows taken off where they matter.
pub(super) fn settle_in(
    frames: &mut [Option<FixedPlane>],
    (noise, settings): (&PixelNoise, &RegisterSettings),
    poses: Vec<Option<Pose>>,
    base: Option<Base<'_>>,
) -> Option<Block> {
    let mut block = refine_known(&lent(frames), noise, settings, (poses, base)).ok()?;
    if noise.row > 0.0
        && let Some(model) = row_model(frames, &block, noise)
    {
        let within = Within::First(base);
        block = without_rows(frames, &block, &model, (noise, settings, within)).ok()?;
    }
    Some(block)
}

/// Registers a block in its own reference, with nothing known but what the sensor adds; a pattern was
/// taken off before.
fn alone(
    frames: &mut [Option<FixedPlane>],
    noise: &PixelNoise,
    settings: &RegisterSettings,
    faults: &SensorFaults,
) -> Result<(Block, Fields), NoLock> {
    let block = register(&lent(frames), noise, settings)?;
    let (mut block, _) = undrawn(frames, block, noise, settings)?;
    let mut fields = Vec::new();
    if faults.uneven {
        (block, fields) = evened(frames, block, noise, settings)?;
    }
    if faults.rows.is_some()
        && let Some(model) = row_model(frames, &block, noise)
    {
        block = without_rows(frames, &block, &model, (noise, settings, Within::Itself))?;
        (block, _) = undrawn(frames, block, noise, settings)?;
    }
    Ok((block, fields))
}

/// Whether still pixels of a block that was evened say that its light was uneven.
fn confirmed(
    frames: &[Option<FixedPlane>],
    block: &Block,
    fields: &Fields,
    noise: &PixelNoise,
) -> bool {
    matters(&lent(frames), &block.poses, fields, &Scene::still(block, noise))
}

/// Divides frames by their uneven light, and registers them again.
fn evened(
    frames: &mut [Option<FixedPlane>],
    mut block: Block,
    noise: &PixelNoise,
    settings: &RegisterSettings,
) -> Result<(Block, Fields), NoLock> {
    let mut fields: Fields = vec![None; frames.len()];
    for round in 0..EVENED {
        let of = if round == 0 { Scene::seen } else { Scene::still };
        let found = measure(&lent(frames), &block.poses, &fields, &of(&block, noise));
        let new = frames.par_iter_mut().zip(&fields).zip(&found.frames);
        new.for_each(|((frame, old), new)| {
            if let (Some(frame), Some((_, new))) = (frame, new) {
                divide_again(frame, old.as_ref(), new);
            }
        });
        for (field, new) in fields.iter_mut().zip(found.frames) {
            *field = new.map(|(_, f)| f).or(field.take());
        }
        // Frames that were lost in uneven light have no field yet, and may be found now.
        let lost = frames.iter().zip(&block.poses).any(|(f, p)| f.is_some() && p.is_none());
        block = match lost.then(|| register(&lent(frames), noise, settings)) {
            Some(Ok(found)) => found,
            _ => again(frames, &block, noise, (settings, Within::Itself))?,
        };
    }
    Ok((block, fields))
}

/// What something fixed on the sensor does to a block's shifts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Sensor {
    /// Surely nothing.
    Free,
    /// That cannot be told.
    Untold,
    /// It draws them to itself.
    Draws,
}

/// The block as it is, or laid by its coarse detail where something fixed on the sensor draws its
/// fine detail.
fn undrawn(
    frames: &[Option<FixedPlane>],
    block: Block,
    noise: &PixelNoise,
    settings: &RegisterSettings,
) -> Result<(Block, Sensor), NoLock> {
    let frames = lent(frames);
    match drawn::undrawn(&frames, &block, noise, settings) {
        Drawn::To(poses) => Ok((laid(&frames, noise, settings, poses)?, Sensor::Draws)),
        Drawn::Free => Ok((block, Sensor::Free)),
        Drawn::Untold => Ok((block, Sensor::Untold)),
    }
}

fn lent(frames: &[Option<FixedPlane>]) -> Vec<Option<&FixedPlane>> {
    frames.iter().map(Option::as_ref).collect()
}

/// The reference of a block's poses.
#[derive(Debug, Clone, Copy)]
enum Within<'a> {
    /// Its own, in its own light.
    Itself,
    /// That of the first block; frames of others are part of the template if they are given.
    First(Option<Base<'a>>),
}

/// The block once more, from where its frames were found.
fn again(
    frames: &[Option<FixedPlane>],
    block: &Block,
    noise: &PixelNoise,
    (settings, within): (&RegisterSettings, Within<'_>),
) -> Result<Block, NoLock> {
    if let Within::First(base) = within {
        return refine_known(&lent(frames), noise, settings, (block.poses.clone(), base));
    }
    let path: Vec<_> = block.poses.iter().map(|p| p.map(|p| p.shift)).collect();
    refine(&lent(frames), noise, settings, &path)
}

/// Row offsets of a block, where they matter.
fn row_model(frames: &[Option<FixedPlane>], block: &Block, noise: &PixelNoise) -> Option<RowModel> {
    let frame = |i: usize| Some((frames[i].as_ref()?.to_plane(), block.poses[i]?));
    let still = block.always_still();
    let found = RowModel::measure((&block.average.mean, &still), noise, frames.len(), frame)?;
    Some(found.with_seen(&block.average.count))
}

/// The block once more with the offsets of its rows taken off.
///
/// A frame that lies wrong shows offsets at the scene's edges, and these are taken off too; a fit that
/// knows of offsets (`noise`) is not drawn by what is left of them.
fn without_rows(
    frames: &mut [Option<FixedPlane>],
    block: &Block,
    model: &RowModel,
    (noise, settings, within): (&PixelNoise, &RegisterSettings, Within<'_>),
) -> Result<Block, NoLock> {
    take_rows_off(frames, &block.poses, (model, noise));
    again(frames, block, noise, (settings, within))
}

/// Takes their rows' offsets off the frames.
fn take_rows_off(
    frames: &mut [Option<FixedPlane>],
    poses: &[Option<Pose>],
    (model, noise): (&RowModel, &PixelNoise),
) {
    let posed = frames.par_iter_mut().zip(poses).filter_map(|(f, p)| Some((f.as_mut()?, (*p)?)));
    posed.for_each(|(frame, pose)| {
        let mut values = frame.to_plane();
        let flaws = frame.flaws();
        let seen = Seen { values: &values, flaws: flaws.as_deref(), pose };
        let offsets = model.offsets(&seen, noise);
        take_off(&mut values, &offsets, noise.factor.as_ref());
        *frame = FixedPlane::from_plane(&values, flaws.as_deref(), frame.coding);
    });
}
