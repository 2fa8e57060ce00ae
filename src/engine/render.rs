//! Second pass: pictures.
//!
//! [`Renderer::new`] settles everything that does not depend on a single frame; then any run of
//! frames can be made. With `average`, frames are read in order into a window that the averaging
//! looks at; without it every frame is made on its own. Stages after that (display, labels),
//! encoding and writing run beside it, at most a few frames behind.

use std::borrow::Cow;
use std::sync::Arc;

use super::analysis::{Analysis, FrameFacts};
use super::correct::{Corrector, coding, luma_noise, scale_light, settle_flaws};
use super::lamps::noise_factor;
use super::ordered::ordered;
use super::outputs::Outputs;
use super::setup::{
    Factors, Tone, black_clip, crop, even_window, info_of, later_stages, locked_noise, no_crop,
    patch_means, written_noise,
};
use super::sink::{Finished, Sink, with_writers};
use super::source::Source;
use super::target::{Target, camera, placement, with_room, within};
use super::{EngineError, Phase, Work};
use crate::footage::{FrameFile, OutFrame};
use crate::frame::convert::{round_u16, to_f32};
use crate::frame::wide::{Wide, wide};
use crate::frame::{Coding, Domain, Frame, Layout, NoiseModel, Plane, spare};
use crate::math::turn::{Placement, Turn};
use crate::pipeline::Pipeline;
use crate::record::{Notes, Warning};
use crate::register::PixelNoise;
use crate::register::path::{Motion, Window};
use crate::register::rows::{RowModel, Seen, take_off};
use crate::register::uneven::Field;
use crate::stages::average::Average;
use crate::stages::combine::Combine;
use crate::stages::steady::{self, Edges, Move};
use crate::stages::{ByValue, ClipInfo, Cut, Moment, Stage};

/// Value of zero light in finished linear frames, in output DN.
pub const PEDESTAL: f32 = 256.0;

/// How values become output DN.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OutputScale {
    /// Output DN a DN above black (for linear frames).
    pub per_dn: f32,
    /// Output DN of zero.
    pub pedestal: f32,
}

impl OutputScale {
    /// The largest power of two that keeps white within 16 bits. White of 16 bits keeps its own step: the
    /// uppermost 256 DN, 0.4 % of it, read as white then.
    fn for_white(white: f32) -> Self {
        let mut per_dn = 1.0;
        while white * per_dn > 65_535.0 {
            per_dn *= 0.5;
        }
        while white * per_dn * 2.0 + PEDESTAL <= 65_535.0 {
            per_dn *= 2.0;
        }
        Self { per_dn, pedestal: PEDESTAL }
    }
}

/// A clip ready to be rendered.
#[derive(Debug)]
pub struct Renderer<'a> {
    pub(super) source: &'a Source,
    corrector: &'a Corrector,
    pub(super) analysis: &'a Analysis,
    average: Option<Arc<Average>>,
    pub(super) outputs: Outputs,
    /// Noise of what is written, where frames are combined that were not averaged.
    pub(super) noise: Vec<PixelNoise>,
    pub(super) target: Target,
    pub(super) moved: bool,
    /// Whether what a frame did not see is shown black.
    black: bool,
    pub(super) divide_light: bool,
    /// Row offsets: what they are measured against, and the noise.
    rows: Option<(Arc<RowModel>, PixelNoise)>,
    after: Vec<Box<dyn Stage>>,
    pub(super) coding: Coding,
    /// What is averaged: `window` and a margin, or room.
    pub(super) canvas: Window,
    /// Part of the reference that is written.
    pub window: Window,
    /// How values become output DN.
    pub scale: OutputScale,
    /// How the camera moved, where the still background was found.
    pub motion: Option<Motion>,
    /// Gains and brightness that were given or measured, where the pipeline has such stages.
    pub tone: Option<Tone>,
    /// What a person should know.
    pub warnings: Vec<Warning>,
}

impl<'a> Renderer<'a> {
    /// Builds everything that frames have in common.
    ///
    /// # Errors
    /// Where a stage lacks a fact or a setting is out of range.
    pub fn new(
        pipeline: &Pipeline,
        source: &'a Source,
        corrector: &'a Corrector,
        noise: &NoiseModel,
        analysis: &'a Analysis,
    ) -> Result<Self, EngineError> {
        let info = info_of(pipeline, source, Some(*noise));
        let mut warnings = Vec::new();
        let outputs = Outputs::of(pipeline, analysis)?;
        warnings.extend(outputs.warning());
        warnings.extend(outputs.combine().and_then(|c| c.warning(&info)));
        warnings.extend(black_clip(analysis, noise));
        let steady = pipeline.steady();
        let steadied = steady.is_some() && analysis.locked;
        let target = Target::new(analysis, &info, steady.filter(|_| steadied));
        let whole = even_window(info.width, info.height);
        let cropped = match steady {
            Some(settings) if steadied && settings.edges == Edges::Crop => {
                crop(&target.shifts(analysis, [info.width, info.height]), &info, &mut warnings)
            }
            _ => whole,
        };
        let (motion, said) = camera(analysis, &info, steady);
        warnings.extend(said);
        let averaged = pipeline.average().is_some();
        let margin = if averaged && steadied { target.margin() } else { 0 };
        let patch = patch_means(pipeline, source, corrector, analysis)?;
        let later = |canvas: Window| {
            let window = within(canvas, margin);
            let info = ClipInfo {
                width: window.size[0],
                height: window.size[1],
                bright: Some(analysis.bright_dn),
                cut: Some(Cut { origin: window.origin, of: (info.width, info.height) }),
                ..info.clone()
            };
            let mut said = Vec::new();
            let stages = later_stages(pipeline, &info, (patch, analysis.colours_dn), &mut said)?;
            Ok::<_, EngineError>((canvas, stages, said))
        };
        let (canvas, (after, tone), said) = match later(cropped) {
            // A label with room in the frame but not in the part that all saw costs no clip.
            Err(e) if cropped != whole => {
                warnings.push(no_crop(&e));
                later(whole).map_err(|_| e)?
            }
            settled => settled?,
        };
        warnings.extend(said);
        let window = within(canvas, margin);
        let room = target.room.filter(|_| averaged).unwrap_or(0);
        let canvas = with_room(canvas, room);
        let divide_light = pipeline.flicker().is_some() && analysis.locked;
        let uneven =
            if divide_light { noise_factor(analysis, (info.width, info.height)) } else { None };
        let factors = Factors { corrector, uneven: uneven.as_ref() };
        let average = match pipeline.average() {
            Some(settings) => {
                let noise = locked_noise(noise, source.layout(), &factors, canvas, room);
                Some(Arc::new(Average::new(settings, noise)?))
            }
            None => None,
        };
        Ok(Self {
            source,
            corrector,
            analysis,
            moved: steadied || average.is_some(),
            black: steadied && window == whole,
            noise: if average.is_none() && outputs.combine().is_some() {
                written_noise(noise, source.expected.shape.channels, &factors, window)
            } else {
                Vec::new()
            },
            average,
            outputs,
            target,
            divide_light,
            rows: analysis
                .row_model
                .clone()
                .filter(|_| pipeline.banding().is_some())
                .map(|m| (m, luma_noise(noise, source.layout(), corrector))),
            after,
            tone: Some(tone).filter(|t| *t != Tone::default()),
            coding: coding(source),
            canvas,
            window,
            scale: OutputScale::for_white((info.white - info.black) * tone.most()),
            motion,
            warnings,
        })
    }

    /// Finds out whether all facts are there that the later stages need.
    ///
    /// # Errors
    /// Where a stage lacks a fact or a setting is out of range.
    pub fn check(pipeline: &Pipeline, source: &Source) -> Result<(), EngineError> {
        // A grey patch is measured later; here an even one stands for it.
        let measured = (Some([1.0; 3]), None);
        later_stages(pipeline, &info_of(pipeline, source, None), measured, &mut Vec::new())?;
        pipeline.combine().map(Combine::new).transpose()?;
        if let Some(settings) = pipeline.average() {
            Average::new(settings, Vec::new())?;
        }
        if let Some(settings) = pipeline.steady() {
            settings.check_clip(&source.info(None))?;
        }
        Ok(())
    }

    /// Frames before and after one that are needed to make it.
    #[must_use]
    pub fn reach(&self) -> usize {
        self.average.as_ref().map_or(0, |a| a.reach())
    }

    /// Whether finished frames are coded for display.
    #[must_use]
    pub fn for_display(&self) -> bool {
        self.after.iter().any(|s| s.name() == "display")
    }

    /// The finished frames that the clip has.
    #[must_use]
    pub fn outputs(&self) -> &Outputs {
        &self.outputs
    }

    /// White of linear frames, in DN above black.
    pub(super) fn white(&self) -> f32 {
        self.source.white() - self.source.black()
    }

    /// Makes the finished frames at positions `wanted` (ascending, of [`Outputs::positions`]), and
    /// gives them to `sink`.
    ///
    /// # Errors
    /// [`EngineError::Stopped`] on request; what the sink fails with.
    pub fn render(
        &self,
        wanted: &[usize],
        sink: &dyn Sink,
        work: &Work<'_>,
    ) -> Result<(), EngineError> {
        spare::clear();
        let list = self.source.list();
        match &self.average {
            Some(average) => self.render_averaged(average, &list, wanted, sink, work),
            None => self.render_single(&list, wanted, sink, work),
        }
    }

    /// Frames that do not look at their neighbours.
    fn render_single(
        &self,
        list: &[(u64, Option<FrameFile>)],
        wanted: &[usize],
        sink: &dyn Sink,
        work: &Work<'_>,
    ) -> Result<(), EngineError> {
        with_writers(sink, work, |hand_over| {
            ordered(
                wanted.len(),
                (work.threads, work.ahead),
                |k| {
                    let i = wanted[k];
                    work.check()?;
                    let Some(facts) = self.analysis.frames.get(i).filter(|f| f.usable()) else {
                        return Ok(());
                    };
                    let group = self.group(i);
                    let finished = if self.outputs.combine().is_some() {
                        self.combined(list, &group, work)?
                    } else {
                        self.single(list, i).map(|(frame, notes)| (frame, None, notes))
                    };
                    let finished = finished.and_then(|(frame, noise, notes)| {
                        self.finish(frame, self.moment(&group), noise, notes)
                    });
                    hand_over(finished, facts.frame)
                },
                |k, done: Result<(), EngineError>| {
                    work.progress.step(Phase::Render, (k + 1) as u64, wanted.len() as u64);
                    done
                },
            )
        })
    }

    /// One source frame where it is to lie.
    pub(super) fn single(
        &self,
        list: &[(u64, Option<FrameFile>)],
        i: usize,
    ) -> Result<(Frame, Notes), String> {
        let facts = &self.analysis.frames[i];
        let (frame, notes) = self.read(list, i)?;
        let frame = if self.moved {
            let to = self.place(facts, self.target.place(i), self.window);
            match self.at_once(&frame) {
                Some(then) => steady::moved_then(&frame, &to, then),
                None => steady::moved(&frame, &to),
            }
        } else {
            self.cut(frame, facts)
        };
        Ok((frame, notes))
    }

    /// The first later stage, where it can work on each row of `frame` as it is moved.
    fn at_once(&self, frame: &Frame) -> Option<&dyn ByValue> {
        let plain = matches!(frame.layout, Layout::Mono | Layout::Rgb) && frame.flaws.is_empty();
        let first = self.after.first().filter(|_| plain && self.outputs.combine().is_none())?;
        first.by_value()
    }

    /// Reads one frame; the reason where it cannot be.
    pub(super) fn read(
        &self,
        list: &[(u64, Option<FrameFile>)],
        i: usize,
    ) -> Result<(Frame, Notes), String> {
        let facts = &self.analysis.frames[i];
        let file = list[i].1.as_ref().ok_or("there is no file with this number")?;
        let done = self.corrector.read(self.source, file).map_err(|e| e.to_string())?;
        if done.hash != facts.hash {
            return Err("the file changed between the two passes: run again".to_owned());
        }
        let mut frame = done.frame;
        // Rows are measured against a scene in even light.
        let light = facts.uneven.as_ref().filter(|_| self.divide_light);
        if let Some(light) = light {
            frame.planes.iter_mut().for_each(|p| light.now.divide(p));
        }
        self.even_rows(&mut frame, facts, light.map(|l| &l.now));
        if let Some(light) = light {
            frame.planes.iter_mut().for_each(|p| light.slow.multiply(p));
        }
        Ok((frame, done.notes))
    }

    /// Takes the offsets of rows off, where they are known, of a frame divided by `light`.
    fn even_rows(&self, frame: &mut Frame, facts: &FrameFacts, light: Option<&Field>) {
        // Against the scene at a guessed place, the scene itself would pass for offsets.
        let Some((model, noise)) = self.rows.as_ref().filter(|_| facts.placed()) else { return };
        let seen = Seen { values: &frame.planes[0], flaws: frame.flaws_of(0), pose: facts.pose() };
        let mut noise = Cow::Borrowed(noise);
        if let Some(light) = light {
            let size = (frame.width(), frame.height());
            let mut factor =
                noise.factor.clone().unwrap_or_else(|| Plane::filled(size.0, size.1, 1.0));
            light.divide(&mut factor);
            noise.to_mut().factor = Some(factor);
        }
        let offsets = model.offsets(&seen, &noise);
        take_off(&mut frame.planes[0], &offsets, noise.factor.as_ref());
    }

    /// Where a frame goes whose scene is to lie at `target`.
    pub(super) fn place(&self, facts: &FrameFacts, target: [f64; 2], window: Window) -> Move {
        let shape = &self.source.expected.shape;
        let size = [shape.width, shape.height];
        Move {
            at: if self.analysis.locked {
                placement(facts, target, size)
            } else {
                Placement::new([0.0, 0.0], Turn::NONE, size)
            },
            black: self.black,
            gain: if self.average.is_some() || self.divide_light {
                to_f32(1.0 / facts.light)
            } else {
                1.0
            },
            window,
        }
    }

    /// A frame that is not moved: only cut to the window, which then begins at the corner, and its
    /// light divided out.
    fn cut(&self, mut frame: Frame, facts: &FrameFacts) -> Frame {
        let [w, h] = self.window.size;
        if (frame.width(), frame.height()) != (w, h) {
            let to = Move { window: self.window, ..Move::shifted([0.0, 0.0]) };
            frame = steady::moved(&frame, &to);
        }
        if self.divide_light {
            scale_light(&mut frame, to_f32(1.0 / facts.light));
        }
        frame
    }

    /// The later stages and the encoding of values.
    pub(super) fn finish(
        &self,
        mut frame: Frame,
        at: Moment,
        noise_dn: Option<f64>,
        mut notes: Notes,
    ) -> Result<Finished, String> {
        settle_flaws(&mut frame, self.white());
        // See `at_once`.
        let done = usize::from(frame.domain != Domain::Linear);
        for stage in self.after.iter().skip(done) {
            stage.apply(&mut frame, &at, &mut notes).map_err(|e| e.to_string())?;
        }
        Ok(Finished { frame: at.frame, picture: self.encode(&frame), noise_dn, notes })
    }

    fn encode(&self, frame: &Frame) -> OutFrame {
        let (factor, zero) = match frame.domain {
            Domain::Display(_) => (65_535.0, 0.0),
            Domain::Raw | Domain::Linear => (self.scale.per_dn, self.scale.pedestal),
        };
        let channels = frame.planes.len();
        let n = frame.width() * frame.height() * channels;
        let mut data = spare::codes_to_write(n);
        match frame.planes.as_slice() {
            [plane] => wide(Writing { values: plane.data(), factor, zero, out: &mut data }),
            planes => {
                for (c, plane) in planes.iter().enumerate() {
                    for (o, v) in data.iter_mut().skip(c).step_by(channels).zip(plane.data()) {
                        *o = round_u16(v * factor + zero);
                    }
                }
            }
        }
        OutFrame { width: frame.width(), height: frame.height(), channels, data }
    }
}

/// Output DN of many values, as one piece of work.
struct Writing<'a> {
    values: &'a [f32],
    factor: f32,
    zero: f32,
    out: &'a mut [u16],
}

impl Wide for Writing<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        for (o, v) in self.out.iter_mut().zip(self.values) {
            *o = round_u16(v * self.factor + self.zero);
        }
    }
}

#[cfg(test)]
#[path = "render_tests.rs"]
mod tests;
