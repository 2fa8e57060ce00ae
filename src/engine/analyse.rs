//! First pass: every frame read once, only numbers kept.
//!
//! The clip is cut into blocks of equal length ([`block::grid`]); each is registered on its own
//! and tied to the first. Memory: one block of 16-bit planes and two templates.

use std::ops::Range;
use std::sync::Arc;

use super::analysis::{Analysis, FrameFacts, FrameLight, RowFacts};
use super::correct::{Corrector, luma_noise};
use super::parts::{BlockFacts, FirstFacts, Part, Reference, join};
use super::reading::{Raw, bright, read_block};
use super::source::Source;
use super::{EngineError, Work};
use crate::footage::FrameFile;
use crate::frame::{FixedPlane, Layout, NoiseModel, spare};

use crate::pipeline::Pipeline;
use crate::record::FrameStatus;
use crate::register::block::{self, Block};
use crate::register::clean::{Before, Followed, Learned, SensorFaults, follow, learn};
use crate::register::gather;
use crate::register::known::Known;

use crate::register::rows::RowModel;
use crate::register::uneven::{Field, Scene, measure};
use crate::register::{NoLock, PixelNoise, Pose, RegisterSettings};

/// What a pipeline needs to know beforehand.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Wanted {
    /// Pose and light of each frame.
    pub poses: bool,
    /// Offsets of rows.
    pub rows: bool,
}

impl Wanted {
    /// What `pipeline` needs of this clip.
    #[must_use]
    pub fn of(pipeline: &Pipeline, source: &Source) -> Self {
        Self {
            poses: pipeline.needs_poses(),
            rows: pipeline.banding().is_some() && source.layout() == Layout::Mono,
        }
    }
}

/// Analyses a clip for what is `wanted`.
///
/// # Errors
/// [`EngineError::Stopped`] on request. A frame that cannot be read is not an error.
pub fn analyse(
    source: &Source,
    corrector: &Corrector,
    noise: &NoiseModel,
    settings: &RegisterSettings,
    wanted: Wanted,
    work: &Work<'_>,
) -> Result<Analysis, EngineError> {
    let mut analyst = Analyst::new((source, corrector), noise, settings, wanted);
    let all = 0..analyst.blocks();
    let part = analyst.part(all, work)?;
    let mut out = join(source, vec![part])?;
    out.row_model = analyst.row_model.take();
    Ok(out)
}

/// Analyses blocks of a clip, one after another.
#[derive(Debug)]
pub struct Analyst<'a> {
    source: &'a Source,
    corrector: &'a Corrector,
    settings: &'a RegisterSettings,
    noise: PixelNoise,
    wanted: Wanted,
    list: Vec<(u64, Option<FrameFile>)>,
    grid: Vec<Range<usize>>,
    /// The first block of the clip that locked, and which it is: all others are tied to it.
    first: Option<(usize, Block)>,
    row_model: Option<Arc<RowModel>>,
    /// What the sensor adds to frames, from the first block.
    faults: SensorFaults,
    /// What frames of later blocks are looked up in.
    known: Option<Known>,
    /// Blocks that were registered together with the first.
    ahead: Vec<BlockFacts>,
}

impl<'a> Analyst<'a> {
    /// Ready to begin.
    #[must_use]
    pub fn new(
        (source, corrector): (&'a Source, &'a Corrector),
        noise: &NoiseModel,
        settings: &'a RegisterSettings,
        wanted: Wanted,
    ) -> Self {
        let list = source.list();
        Self {
            source,
            corrector,
            settings,
            noise: luma_noise(noise, source.layout(), corrector),
            wanted,
            grid: block::grid(list.len()),
            list,
            first: None,
            row_model: None,
            faults: SensorFaults::default(),
            known: None,
            ahead: Vec::new(),
        }
    }

    /// Blocks of the clip.
    #[must_use]
    pub fn blocks(&self) -> usize {
        self.grid.len()
    }

    /// What is found in `blocks`, the same whoever works on the rest of the clip.
    ///
    /// Where the blocks are not the clip's first, the first that locks is registered once more:
    /// it is what poses are measured against.
    ///
    /// # Errors
    /// As [`analyse`].
    pub fn part(&mut self, blocks: Range<usize>, work: &Work<'_>) -> Result<Part, EngineError> {
        spare::clear();
        if self.wanted.poses && !blocks.is_empty() {
            for k in 0..blocks.start {
                if self.first.is_some() {
                    break;
                }
                self.block(k, work)?;
            }
        }
        let blocks = blocks.map(|k| self.block(k, work)).collect::<Result<Vec<_>, _>>()?;
        let reference = self.first.as_ref().map(|(k, b)| Reference { block: *k, hash: b.hash() });
        Ok(Part { blocks, reference })
    }

    fn block(&mut self, k: usize, work: &Work<'_>) -> Result<BlockFacts, EngineError> {
        if let Some(at) = self.ahead.iter().position(|done| done.block == k) {
            return Ok(self.ahead.swap_remove(at));
        }
        let (mut raw, mut out) = self.read(k, work)?;
        if !self.wanted.poses {
            return Ok(out);
        }
        let settings = self.settings.scaled(raw.scale);
        let found = match self.learn(&mut raw.planes, &settings) {
            None => self.follow(&mut raw.planes, &settings),
            Some(Err(why)) => Err(why),
            Some(Ok(learned)) => Ok(self.first(learned, (k, raw.planes), &settings, work)?),
        };
        tell(&mut out, found, raw.scale as f64);
        Ok(out)
    }

    /// A block's frames, and what is known of them before their poses are.
    fn read(&self, k: usize, work: &Work<'_>) -> Result<(Raw, BlockFacts), EngineError> {
        let range = self.grid[k].clone();
        let at = (range.start, self.list.len());
        let mut raw = read_block(self.source, self.corrector, &self.list[range], at, work)?;
        let facts = BlockFacts {
            block: k,
            frames: std::mem::take(&mut raw.facts),
            bright_dn: bright(&raw.planes),
            colours_dn: raw.colours,
            lock: None,
            first: None,
            warnings: std::mem::take(&mut raw.warnings),
        };
        Ok((raw, facts))
    }
}

/// Puts what the registration of a block found into its facts.
fn tell(out: &mut BlockFacts, found: Result<Posed, NoLock>, scale: f64) {
    match found {
        Ok(Posed { poses, uneven, first }) => {
            apply(&mut out.frames, &poses, scale);
            for (f, now) in out.frames.iter_mut().zip(uneven).filter(|(f, _)| f.usable()) {
                f.uneven = now.map(|now| FrameLight { now, slow: Field::default() });
            }
            out.first = first;
            out.lock = Some(Ok(()));
        }
        Err(why) => {
            let (a, b) = (out.frames.first(), out.frames.last());
            let numbers = a.zip(b).map_or((0, 0), |(a, b)| (a.frame, b.frame));
            out.lock = Some(Err(format!("frames {} to {}: {why}", numbers.0, numbers.1)));
            for f in out.frames.iter_mut().filter(|f| f.usable()) {
                f.status = FrameStatus::LowConfidence;
            }
        }
    }
}

/// What the registration of a block gave.
struct Posed {
    poses: Vec<Option<Pose>>,
    /// Uneven light of its frames; empty where it is even.
    uneven: Vec<Option<Field>>,
    first: Option<FirstFacts>,
}

impl Analyst<'_> {
    /// Registers a block as the one that all others are tied to; `None` where there is one already,
    /// or where the block has no frames.
    fn learn(
        &self,
        planes: &mut [Option<FixedPlane>],
        settings: &RegisterSettings,
    ) -> Option<Result<Learned, NoLock>> {
        if self.first.is_some() || planes.iter().all(Option::is_none) {
            return None;
        }
        let rows = self.source.layout() == Layout::Mono;
        Some(learn(planes, &self.noise, settings, rows))
    }

    /// Keeps what the first block that locks has taught, that of the blocks after it counted in where
    /// light is low.
    fn first(
        &mut self,
        mut learned: Learned,
        (k, mut planes): (usize, Vec<Option<FixedPlane>>),
        settings: &RegisterSettings,
        work: &Work<'_>,
    ) -> Result<Posed, EngineError> {
        let pixels = planes.iter().flatten().next().map_or(0, |p| p.width * p.height);
        let more = gather::wanted(&learned, planes.len(), pixels);
        let last = (k + more).min(self.grid.len() - 1);
        if last > k {
            let (mut ranges, mut others) = (Vec::new(), Vec::new());
            ranges.push(0..planes.len());
            for k in k + 1..=last {
                let (raw, facts) = self.read(k, work)?;
                let from = planes.len();
                planes.extend(raw.planes);
                ranges.push(from..planes.len());
                others.push((facts, raw.scale as f64));
            }
            let all = gather::gather(learned, (&mut planes, &ranges), &self.noise, settings);
            learned = all.learned;
            for ((mut facts, scale), found) in others.into_iter().zip(all.followed) {
                let posed = |f: Followed| Posed { poses: f.poses, uneven: f.fields, first: None };
                tell(&mut facts, found.map(posed), scale);
                self.ahead.push(facts);
            }
            planes.truncate(ranges[0].end);
        }
        let Learned { block, faults, row_model, known, fields } = learned;
        if self.wanted.rows {
            self.row_model = row_model.map(Arc::new);
        }
        self.known = known;
        let row = |m: &Arc<RowModel>| RowFacts { sigma_dn: m.sigma, block: k };
        let facts = FirstFacts {
            still_share: block.still_share(),
            misfit: block.misfit,
            rows: self.row_model.as_ref().map(row),
            pattern_dn: faults.pattern_rms(),
        };
        let (poses, uneven) =
            self.lights(&planes, block.poses.clone(), (&block, &fields), faults.uneven);
        self.faults = faults;
        self.first = Some((k, block));
        Ok(Posed { poses, uneven, first: Some(facts) })
    }

    /// Registers a block and ties it to the first.
    fn follow(
        &self,
        planes: &mut [Option<FixedPlane>],
        settings: &RegisterSettings,
    ) -> Result<Posed, NoLock> {
        let some = planes.iter().any(Option::is_some);
        let Some((_, first)) = self.first.as_ref().filter(|_| some) else {
            let poses = vec![None; planes.len()];
            return Ok(Posed { poses, uneven: Vec::new(), first: None });
        };
        let before = Before { first, faults: &self.faults, known: self.known.as_ref() };
        let Followed { poses, fields } = follow(planes, &self.noise, settings, before)?;
        let (poses, uneven) = self.lights(planes, poses, (first, &fields), self.faults.uneven);
        Ok(Posed { poses, uneven, first: None })
    }

    /// Light of frames that were divided by `fields`, against the clip's first block, where it is
    /// `uneven`; their poses then have its mean.
    fn lights(
        &self,
        planes: &[Option<FixedPlane>],
        mut poses: Vec<Option<Pose>>,
        (first, fields): (&Block, &[Option<Field>]),
        uneven: bool,
    ) -> (Vec<Option<Pose>>, Vec<Option<Field>>) {
        if !uneven {
            return (poses, Vec::new());
        }
        let frames: Vec<_> = planes.iter().map(Option::as_ref).collect();
        let found = measure(&frames, &poses, fields, &Scene::still(first, &self.noise)).frames;
        for (pose, found) in poses.iter_mut().zip(&found) {
            // A frame whose light could not be told has no pose that could be used.
            *pose = pose.zip(found.as_ref()).map(|(p, (light, _))| Pose { light: *light, ..p });
        }
        (poses, found.into_iter().map(|f| f.map(|(_, field)| field)).collect())
    }
}

/// The row model of an analysis that was read back from its file, by the block it came from, which
/// is read and registered again: only worth it where frames are to be made.
///
/// # Errors
/// As [`analyse`].
pub fn row_model(
    source: &Source,
    corrector: &Corrector,
    noise: &NoiseModel,
    settings: &RegisterSettings,
    analysis: &Analysis,
    work: &Work<'_>,
) -> Result<Option<Arc<RowModel>>, EngineError> {
    let Some(rows) = analysis.rows else { return Ok(None) };
    let list = source.list();
    let Some(range) = block::grid(list.len()).get(rows.block).cloned() else { return Ok(None) };
    let part = (range.start, list.len());
    let mut raw = read_block(source, corrector, &list[range], part, work)?;
    let pixel_noise = luma_noise(noise, source.layout(), corrector);
    let again = learn(&mut raw.planes, &pixel_noise, settings, true);
    Ok(again.ok().and_then(|l| l.row_model).map(Arc::new))
}

/// Writes measured poses into the facts, in pixels of the full frame.
fn apply(facts: &mut [FrameFacts], poses: &[Option<Pose>], scale: f64) {
    for (f, p) in facts.iter_mut().zip(poses).filter(|(f, _)| f.usable()) {
        match p {
            Some(p) => {
                f.shift = [p.shift[0] * scale, p.shift[1] * scale];
                f.turn = p.turn;
                f.sigma = p.sigma * scale;
                f.light = p.light;
                f.light_sigma = p.light_sigma;
            }
            None => f.status = FrameStatus::LowConfidence,
        }
    }
}
