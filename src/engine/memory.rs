//! How much memory a clip takes, said before its frames are read, and how many frames may be in
//! work at once so that it keeps within a budget.
//!
//! Counted is what is kept: the window, sums and pictures that [`crate::stages::average`] says it
//! keeps, the block and templates of the registration, masters, and for every frame in work what
//! decoding, correcting, finishing and encoding hold. All are bytes a sample or pixel, times the
//! number of frames. A sixth is added for what the allocator cannot use.
//! Over 16 runs of six clips on one thread (320x240 to 1920x1080, mono, mosaic, three colours) the
//! estimate was 1.04 to 1.23 times the peak that the kernel counted; `tests/memory.rs` holds three
//! runs to 0.9 to 1.6. Of small frames the blocks that are kept at once at low light are counted in any
//! light, which is not known before: a brighter clip takes less.
//!
//! A budget changes how many frames are in work ([`InWork`]), never what is done to them: results
//! do not depend on it. Frames of the window and of a block cannot be fewer without other
//! results; what does not fit for them is refused, with what would fit.
//! Left out: the system's file cache.

use serde::Serialize;

use super::source::Source;
use super::{EngineError, Work};
use crate::frame::Layout;
use crate::frame::units::Bytes;
use crate::pipeline::{Pipeline, Step};
use crate::register::block::grid;
use crate::register::gather::at_most;
use crate::sensor::stack::HEAD;
use crate::stages::average::{Average, AverageSettings, Preset};

/// The program itself, and what a thread takes that does nothing yet.
const PROGRAM: u64 = 10 << 20;
const THREAD: u64 = 2 << 20;
/// Bytes a sample of a decoded frame: samples of 16 bits, values, marks.
const DECODED: u64 = 2 + 4 + 1;
/// Bytes a pixel of the registration's templates, maps and transforms, beside the block's frames:
/// 105 to 140 were measured.
const TEMPLATES: u64 = 135;
/// Bytes a pixel of each block that is registered together with others: averages, template, masks.
const TOGETHER: u64 = 45;
/// Bytes a sample of masters: level, variance and marks; response, factors and their copies.
const DARK: u64 = 9;
const FLAT: u64 = 26;
/// Bytes a sample while a master is made: sums, means, variances, maxima.
const STACK: u64 = 46;
/// Bytes a sample of a segment's sums: total, counts, and a sum of squares for each 2 x 2.
const SEGMENT: u64 = 8;
/// Bytes a sample of nine pictures at half and quarter size, from which motion is followed.
const PYRAMIDS: u64 = 6;
/// Bytes a sample of the plane that is merged and shrunk, and of others that are ready.
const MERGING: u64 = 20;
const MERGED: u64 = 12;
/// Bytes a sample of a frame that is brought into locked coordinates, beside decoding: sites,
/// values, codes; one is there alone where one thread does everything.
const LOCKING: u64 = 14;
/// Rows of a band that a thread averages, and bytes of each of its pixels (where a segment is doubted
/// its smaller cells are there besides the larger ones).
const BAND: u64 = 96;
const BAND_PIXEL: u64 = 105;
/// Bytes that the encoder of the preview takes for each pixel of the movie, and its largest size.
const ENCODER: u64 = 60;
/// Pixels around a frame that is averaged and not steadied; a turn takes some more.
const ROOM: u64 = 10;
const MOVIE: u64 = 1280 * 1280;

/// Bytes that each part of a clip's work takes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Need {
    /// Making masters; 0 where there are none to be made.
    pub references: u64,
    /// First pass.
    pub analyse: u64,
    /// Second pass.
    pub render: u64,
    /// The preview movie.
    pub preview: u64,
}

impl Need {
    /// The most that is needed at any time.
    #[must_use]
    pub fn most(&self) -> u64 {
        self.references.max(self.analyse).max(self.render).max(self.preview)
    }

    /// The part that needs it.
    fn part(&self) -> &'static str {
        match self.most() {
            n if n == self.render => "its second pass",
            n if n == self.analyse => "its first pass",
            n if n == self.references => "its references",
            _ => "its preview",
        }
    }
}

/// Frames in work at once.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct InWork {
    /// Threads that decode, and that write.
    pub threads: usize,
    /// Results that may wait to be taken.
    pub ahead: usize,
}

/// A clip and what is to be done with it.
#[derive(Debug, Clone, Copy)]
pub struct Plan<'a> {
    /// What is done.
    pub pipeline: &'a Pipeline,
    /// The clip.
    pub source: &'a Source,
    /// Whether there is a black reference, and an even field.
    pub references: [bool; 2],
    /// Threads of the pool that averages and registers.
    pub pool: usize,
}

/// Sizes of a clip, in pixels, samples and bytes.
struct Sizes {
    width: u64,
    pixels: u64,
    samples: u64,
    luma: u64,
    frames: u64,
    /// A frame while it is read and corrected.
    read: u64,
}

impl Plan<'_> {
    fn sizes(&self) -> Sizes {
        let shape = &self.source.expected.shape;
        let (pixels, samples) = ((shape.width * shape.height) as u64, shape.samples() as u64);
        let file = self.source.clip.frames.first().map(|f| &f.path).filter(|_| !self.source.paged);
        let file = file.and_then(|p| p.metadata().ok()).map_or(2 * samples, |m| m.len());
        let luma = match self.source.layout() {
            Layout::Mono | Layout::Rgb => pixels,
            Layout::Mosaic(_) | Layout::Sites(_) => pixels / 4,
        };
        // A file of many frames is not read whole.
        let read = file.min(8 * samples) + DECODED * samples;
        let frames = self.source.clip.span();
        Sizes { width: shape.width as u64, pixels, samples, luma, frames, read }
    }

    /// What the clip needs with so many frames in work.
    #[must_use]
    pub fn need(&self, at: InWork) -> Need {
        let s = self.sizes();
        let (threads, ahead) = (at.threads as u64, at.ahead as u64);
        let queued = if threads > 1 { ahead } else { 1 };
        let [dark, flat] = self.references.map(u64::from);
        let masters = (DARK * dark + FLAT * flat) * s.samples;
        // Without black frames the clip's own are looked at for hot pixels.
        let stacked = dark + flat > 0 || self.pipeline.defects().is_some();
        let base = PROGRAM + THREAD * (threads + self.pool as u64);
        let stack = (2 * HEAD as u64 + STACK) * s.samples + s.read;
        let grid = grid(self.source.list().len());
        let block = grid.iter().map(ExactSizeIterator::len).max();
        let poses = u64::from(self.pipeline.needs_poses());
        let pixels = usize::try_from(s.luma).unwrap_or(usize::MAX);
        let together = if poses > 0 { at_most(pixels).min(grid.len()) } else { 1 };
        let block = (block.unwrap_or(0) * together) as u64;
        let together = if together > 1 { TOGETHER * together as u64 } else { 0 };
        let analyse = (2 * block + TEMPLATES * poses + together) * s.luma
            + threads * s.read
            + queued * 2 * s.luma;
        let render = match self.pipeline.average() {
            Some(settings) => self.averaged(&s, settings, (threads, queued)),
            None => {
                let sums = if self.pipeline.combine().is_some() { 12 } else { 0 };
                let written = if threads > 1 { 4 * self.written(&s) } else { 0 };
                threads * (s.read + (4 + sums) * s.samples + self.finishing(&s) + written)
            }
        };
        let rows = if self.pipeline.banding().is_some() { 5 * s.luma } else { 0 };
        let of = |bytes: u64| base + bytes + bytes / 6;
        Need {
            references: if stacked { of(stack + masters) } else { 0 },
            analyse: of(analyse + masters),
            render: of(render + rows + masters),
            preview: of(threads * 16 * s.samples + (queued + ENCODER) * MOVIE.min(s.pixels)),
        }
    }

    /// Frames in their window, sums and pictures, and all that is on its way in and out.
    fn averaged(
        &self,
        s: &Sizes,
        settings: &AverageSettings,
        (threads, queued): (u64, u64),
    ) -> u64 {
        let reach = Average::new(settings, Vec::new()).map_or(0, |a| a.reach()) as u64;
        let window = 2 * (2 * reach + 2).min(s.frames);
        let (segments, pyramids) = match settings.preset {
            Preset::Quality => (4, PYRAMIDS),
            Preset::Fast => (2, PYRAMIDS),
            Preset::Plain => (2, 0),
        };
        let planes = self.source.layout().planes().max(1) as u64;
        let planes = if planes == 1 && s.luma < s.pixels { 4 } else { planes };
        let kept = window + segments * SEGMENT + pyramids + 2 * queued;
        let merging = (MERGING + (MERGED + 4) * (planes - 1)) * s.samples / planes;
        // Frames that are not steadied are averaged with room around.
        let room = if self.pipeline.steady().is_some() { 0 } else { 2 * ROOM };
        let beside = room * (s.width + s.pixels / s.width.max(1) + room);
        let canvas = s.samples + s.samples * beside / s.pixels.max(1);
        let locking = s.read + LOCKING * s.samples;
        let inside = if threads > 1 { merging + threads * locking } else { merging.max(locking) };
        let leaving = (threads + 1) * 4 * s.samples + threads * self.finishing(s);
        let bands = (self.pool as u64 - 1) * BAND * s.width * BAND_PIXEL;
        kept * canvas + inside + leaving + bands
    }

    /// A frame while it is finished and encoded: values, samples of 16 bits, and the file of those.
    fn finishing(&self, s: &Sizes) -> u64 {
        let has = |wanted: fn(&Step) -> bool| self.pipeline.steps.iter().any(wanted);
        let coloured = has(|s| matches!(s, Step::Demosaic(_))) && s.luma < s.pixels;
        let scratch = if coloured { 8 * s.pixels } else { 0 };
        (4 + 2 + 2) * self.written(s) + scratch
    }

    /// Samples of a finished frame.
    fn written(&self, s: &Sizes) -> u64 {
        let coloured = self.pipeline.steps.iter().any(|s| matches!(s, Step::Demosaic(_)));
        if coloured && s.luma < s.pixels { 3 * s.pixels } else { s.samples }
    }

    /// How the clip is worked on within a budget: as many threads as fit, and the longest queue.
    ///
    /// # Errors
    /// [`EngineError::Refused`] where it does not fit at all, with the number that it needs.
    pub fn within(&self, at: InWork, budget: Bytes) -> Result<InWork, EngineError> {
        let fits = |at: &InWork| self.need(*at).most() <= budget.count();
        let threads = (1..=at.threads.max(1)).rev();
        let mut all = threads.flat_map(|threads| {
            let most = at.ahead.min(2 * threads).max(1);
            let least = threads.min(most);
            (least..=most).rev().map(move |ahead| InWork { threads, ahead })
        });
        if let Some(found) = all.find(fits) {
            return Ok(found);
        }
        let need = self.need(InWork { threads: 1, ahead: 1 });
        let fewer = self.fewer_frames(budget).map_or_else(String::new, |n| {
            format!(", or average fewer frames (frames = {n} in stage average fits)")
        });
        Err(EngineError::Refused(format!(
            "frames of {} need {} of memory in {}, but {budget} are allowed: take --memory {} or \
             more{fewer}",
            self.source.expected.shape,
            Bytes::of(need.most()),
            need.part(),
            Bytes::of(need.most()).rounded_up()
        )))
    }

    /// The longest window that fits, where the averaging is what does not.
    fn fewer_frames(&self, budget: Bytes) -> Option<usize> {
        let settings = *self.pipeline.average()?;
        let fits = |frames: &usize| {
            let mut pipeline = self.pipeline.clone();
            for step in &mut pipeline.steps {
                if let Step::Average(s) = step {
                    s.frames = *frames;
                }
            }
            let plan = Plan { pipeline: &pipeline, ..*self };
            plan.need(InWork { threads: 1, ahead: 1 }).most() <= budget.count()
        };
        (3..settings.frames).rev().filter(|n| n % 2 == 1).find(fits)
    }

    /// `work` within its budget, where there is one.
    ///
    /// # Errors
    /// As [`Plan::within`].
    pub fn bound<'w>(&self, work: &Work<'w>) -> Result<Work<'w>, EngineError> {
        let Some(budget) = work.memory else { return Ok(*work) };
        let at = InWork { threads: work.threads, ahead: work.ahead };
        let InWork { threads, ahead } = self.within(at, budget)?;
        Ok(Work { threads, ahead, ..*work })
    }
}
