//! Second pass: pictures.
//!
//! [`Renderer::new`] settles everything that does not depend on a single frame; then any run of
//! frames can be made. With `average`, frames are read in order into a window that the averaging
//! looks at; without it every frame is made on its own. Stages after that (display, labels),
//! encoding and writing run beside it, at most a few frames behind.

use std::sync::Arc;
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::sync::{Mutex, PoisonError};

use super::analyse::{Analysis, FrameFacts};
use super::correct::{Corrector, coding, luma_noise, scale_light, settle_flaws};
use super::ordered::ordered;
use super::setup::{crop, even_window, later_stages, locked_noise, patch_means};
use super::source::Source;
use super::target::{Target, camera, within};
use super::{EngineError, Phase, Work};
use crate::footage::{FrameFile, OutFrame};
use crate::frame::convert::{round_u16, to_f32};
use crate::frame::{Coding, Domain, Flaw, Frame, Layout, NoiseModel, Plane, spare};
use crate::math::turn::{Placement, Turn};
use crate::pipeline::Pipeline;
use crate::record::{Notes, Warning};
use crate::register::PixelNoise;
use crate::register::path::{Motion, Window};
use crate::stages::average::{Average, Averaged, Averager, Locked};
use crate::stages::banding::{RowModel, Seen, take_off};
use crate::stages::steady::{self, Edges, Move};
use crate::stages::{ClipInfo, Moment, Stage};

/// Value of zero light in finished linear frames, in output DN.
pub const PEDESTAL: f32 = 256.0;

/// A finished frame.
#[derive(Debug)]
pub struct Finished {
    /// Number of its source.
    pub frame: u64,
    /// The picture.
    pub picture: OutFrame,
    /// Standard deviation of the temporal noise left at the median level, in DN; `None` where it
    /// is not known.
    pub noise_dn: Option<f64>,
    /// Measures and warnings of the stages.
    pub notes: Notes,
}

/// Takes what the renderer makes; called from several threads.
pub trait Sink: Sync {
    /// A frame is finished: keep it. An error stops the run.
    ///
    /// # Errors
    /// Where it cannot be kept.
    fn keep(&self, finished: Finished) -> Result<(), EngineError>;

    /// A frame could not be made.
    ///
    /// # Errors
    /// Where that cannot be noted.
    fn failed(&self, frame: u64, why: String) -> Result<(), EngineError>;
}

/// How values become output DN.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OutputScale {
    /// Output DN a DN above black (for linear frames).
    pub per_dn: f32,
    /// Output DN of zero.
    pub pedestal: f32,
}

impl OutputScale {
    /// The largest power of two that keeps white within 16 bits.
    fn for_white(white: f32) -> Self {
        let mut per_dn = 1.0;
        while white * per_dn * 2.0 + PEDESTAL <= 65_535.0 {
            per_dn *= 2.0;
        }
        Self { per_dn, pedestal: PEDESTAL }
    }
}

/// A clip ready to be rendered.
#[derive(Debug)]
pub struct Renderer<'a> {
    source: &'a Source,
    corrector: &'a Corrector,
    analysis: &'a Analysis,
    average: Option<Arc<Average>>,
    target: Target,
    moved: bool,
    divide_light: bool,
    /// Row offsets: what they are measured against, and the noise.
    rows: Option<(Arc<RowModel>, PixelNoise)>,
    after: Vec<Box<dyn Stage>>,
    coding: Coding,
    /// What is averaged: `window` and a margin.
    canvas: Window,
    /// Part of the reference that is written.
    pub window: Window,
    /// How values become output DN.
    pub scale: OutputScale,
    /// How the camera moved, where the still background was found.
    pub motion: Option<Motion>,
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
        let info = source.info(Some(*noise));
        let mut warnings = Vec::new();
        let steady = pipeline.steady();
        let steadied = steady.is_some() && analysis.locked;
        let target = Target::new(analysis, &info, steady.filter(|_| steadied));
        let canvas = match steady {
            Some(settings) if steadied && settings.edges == Edges::Crop => {
                crop(&target.shifts(analysis, [info.width, info.height]), &info, &mut warnings)
            }
            _ => even_window(info.width, info.height),
        };
        let (motion, said) = camera(analysis, &info, steady);
        warnings.extend(said);
        let averaged = pipeline.average().is_some();
        let margin = if averaged && steadied { target.margin() } else { 0 };
        let window = within(canvas, margin);
        let average = match pipeline.average() {
            Some(settings) => {
                let noise = locked_noise(noise, source.layout(), corrector, canvas);
                Some(Arc::new(Average::new(settings, noise)?))
            }
            None => None,
        };
        let after_info = ClipInfo {
            width: window.size[0],
            height: window.size[1],
            bright: Some(analysis.bright_dn),
            ..info.clone()
        };
        let patch = patch_means(pipeline, source, corrector, analysis)?;
        let after = later_stages(pipeline, &after_info, patch, &mut warnings)?;
        Ok(Self {
            source,
            corrector,
            analysis,
            moved: steadied || average.is_some(),
            average,
            target,
            divide_light: pipeline.flicker().is_some() && analysis.locked,
            rows: analysis
                .row_model
                .clone()
                .filter(|_| pipeline.banding().is_some())
                .map(|m| (m, luma_noise(noise, source.layout(), corrector))),
            after,
            coding: coding(source),
            canvas,
            window,
            scale: OutputScale::for_white(info.white - info.black),
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
        later_stages(pipeline, &source.info(None), Some([1.0; 3]), &mut Vec::new())?;
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

    /// Makes the frames at positions `wanted` (ascending, counted from the clip's first number),
    /// and gives them to `sink`.
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
        ordered(
            wanted.len(),
            (work.threads, 2 * work.threads),
            |k| {
                let i = wanted[k];
                work.check()?;
                let Some(facts) = self.analysis.frames.get(i).filter(|f| f.usable()) else {
                    return Ok(());
                };
                match self.read(list, i) {
                    Ok((frame, notes)) => {
                        let frame = if self.moved {
                            steady::moved(
                                &frame,
                                &self.place(facts, self.target.place(i), self.window),
                            )
                        } else {
                            self.cut(frame, facts)
                        };
                        let finished = self.finish(frame, facts, None, notes);
                        deliver(finished, facts.frame, sink)
                    }
                    Err(why) => sink.failed(facts.frame, why),
                }
            },
            |k, done: Result<(), EngineError>| {
                work.progress.step(Phase::Render, (k + 1) as u64, wanted.len() as u64);
                done
            },
        )
    }

    /// Frames averaged with their neighbours.
    fn render_averaged(
        &self,
        average: &Arc<Average>,
        list: &[(u64, Option<FrameFile>)],
        wanted: &[usize],
        sink: &dyn Sink,
        work: &Work<'_>,
    ) -> Result<(), EngineError> {
        self.with_desk(sink, work, |desk| {
            let mut done = 0;
            for run in runs(wanted, average.reach(), self.target.stretch) {
                let wanted_here = &wanted[run];
                let (Some(&first), Some(&last)) = (wanted_here.first(), wanted_here.last()) else {
                    continue;
                };
                let from = first.saturating_sub(average.reach());
                let to = (last + average.reach() + 1).min(list.len());
                let mut averager = average.start();
                let mut waiting = wanted_here.iter().copied().peekable();
                ordered(
                    to - from,
                    (work.threads, 2 * work.threads),
                    |k| self.lock_frame(list, from + k, first),
                    |k, frame| {
                        work.check()?;
                        desk.check()?;
                        let newest = from + k;
                        averager.push(match frame {
                            Ok(locked) => locked,
                            Err(why) => {
                                if wanted_here.binary_search(&newest).is_ok() {
                                    sink.failed(self.analysis.frames[newest].frame, why)?;
                                }
                                None
                            }
                        });
                        while let Some(&i) = waiting.peek() {
                            if i + average.reach() > newest && newest + 1 < to {
                                break;
                            }
                            waiting.next();
                            self.average_one(&mut averager, (i, i - from), desk)?;
                            done += 1;
                            work.progress.step(Phase::Render, done, wanted.len() as u64);
                        }
                        Ok::<(), EngineError>(())
                    },
                )?;
            }
            Ok(())
        })
    }

    /// Averages around one frame and hands it on.
    fn average_one(
        &self,
        averager: &mut Averager,
        (i, at): (usize, usize),
        desk: &Desk<'_>,
    ) -> Result<(), EngineError> {
        let facts = &self.analysis.frames[i];
        let Some(planes) = averager.result(at) else { return Ok(()) };
        let variances: Vec<&Plane> = planes.iter().map(|p| &p.left).collect();
        let noise = steady::median_of(&variances).sqrt();
        let mut frame = self.assemble(planes);
        if self.target.stretch.is_some() {
            // Averaged where the scene stands still, shown where the path has it.
            let origin = [0, 1].map(|a| self.window.origin[a] - self.canvas.origin[a]);
            let window = Window { origin, size: self.window.size };
            frame = steady::moved(&frame, &Move { window, ..Move::shifted(self.target.rest(i)) });
        }
        if !self.divide_light {
            scale_light(&mut frame, to_f32(facts.light));
        }
        desk.hand_over(i, frame, noise)
    }

    fn assemble(&self, planes: Vec<Averaged>) -> Frame {
        let layout = match self.source.layout() {
            Layout::Mosaic(m) => Layout::Sites(m),
            other => other,
        };
        let any = planes.iter().any(|p| !p.flaws.is_empty());
        let mut flaws = Vec::new();
        let mut values = Vec::new();
        for p in planes {
            if any {
                let n = p.plane.data().len();
                flaws.push(if p.flaws.is_empty() { vec![Flaw::None; n] } else { p.flaws });
            }
            values.push(p.plane);
        }
        steady::into_mosaic(Frame { planes: values, layout, domain: Domain::Linear, flaws })
    }

    /// Reads one frame; the reason where it cannot be.
    fn read(&self, list: &[(u64, Option<FrameFile>)], i: usize) -> Result<(Frame, Notes), String> {
        let facts = &self.analysis.frames[i];
        let file = list[i].1.as_ref().ok_or("there is no file with this number")?;
        let done = self.corrector.read(self.source, file).map_err(|e| e.to_string())?;
        if done.hash != facts.hash {
            return Err("the file changed between the two passes: run again".to_owned());
        }
        let mut frame = done.frame;
        self.even_rows(&mut frame, facts);
        Ok((frame, done.notes))
    }

    /// Takes the offsets of rows off, where they are known.
    fn even_rows(&self, frame: &mut Frame, facts: &FrameFacts) {
        let Some((model, noise)) = &self.rows else { return };
        let seen = Seen { values: &frame.planes[0], flaws: frame.flaws_of(0), pose: facts.pose() };
        let offsets = model.offsets(&seen, noise);
        take_off(&mut frame.planes[0], &offsets, noise.factor.as_ref());
    }

    /// Reads one frame and brings it into the coordinates in which frame `at` is averaged.
    fn lock_frame(
        &self,
        list: &[(u64, Option<FrameFile>)],
        i: usize,
        at: usize,
    ) -> Result<Option<Locked>, String> {
        let facts = &self.analysis.frames[i];
        if !facts.usable() {
            return Ok(None);
        }
        let (frame, _) = self.read(list, i)?;
        let frame = steady::into_sites(frame);
        let to = self.place(facts, self.target.base(at), self.canvas);
        let light = to_f32(1.0 / facts.light);
        Ok(Some(Locked {
            noise_gain: to.noise_gain(frame.layout),
            planes: steady::locked(&frame, &to, self.coding),
            variance_factor: light * light,
            sigma: to_f32(facts.sigma),
        }))
    }

    /// Where a frame goes whose scene is to lie at `target`.
    fn place(&self, facts: &FrameFacts, target: [f64; 2], window: Window) -> Move {
        let locked = self.analysis.locked;
        // What is to lie at `target` from where it was is turned about the middle from there.
        let turned = facts.turn.moves(target);
        let against = [0, 1].map(|a| facts.shift[a] - target[a] - turned[a]);
        let shape = &self.source.expected.shape;
        let size = [shape.width, shape.height];
        Move {
            at: if locked {
                Placement::new(against, facts.turn, size)
            } else {
                Placement::new([0.0, 0.0], Turn::NONE, size)
            },
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
    fn finish(
        &self,
        mut frame: Frame,
        facts: &FrameFacts,
        noise_dn: Option<f64>,
        mut notes: Notes,
    ) -> Result<Finished, String> {
        let white = self.source.white() - self.source.black();
        settle_flaws(&mut frame, white);
        let at = Moment { frame: facts.frame, time_s: self.source.time_s(facts.frame) };
        for stage in &self.after {
            stage.apply(&mut frame, &at, &mut notes).map_err(|e| e.to_string())?;
        }
        Ok(Finished { frame: facts.frame, picture: self.encode(&frame), noise_dn, notes })
    }

    fn encode(&self, frame: &Frame) -> OutFrame {
        let (factor, zero) = match frame.domain {
            Domain::Display(_) => (65_535.0, 0.0),
            Domain::Raw | Domain::Linear => (self.scale.per_dn, self.scale.pedestal),
        };
        let channels = frame.planes.len();
        let n = frame.width() * frame.height() * channels;
        let mut data = spare::codes(n);
        data.resize(n, 0);
        for (c, plane) in frame.planes.iter().enumerate() {
            for (o, v) in data.iter_mut().skip(c).step_by(channels).zip(plane.data()) {
                *o = round_u16(v * factor + zero);
            }
        }
        OutFrame { width: frame.width(), height: frame.height(), channels, data }
    }
}

/// Hands a frame that is finished, or is not, to the sink.
fn deliver(
    finished: Result<Finished, String>,
    frame: u64,
    sink: &dyn Sink,
) -> Result<(), EngineError> {
    match finished {
        Ok(f) => sink.keep(f),
        Err(why) => sink.failed(frame, why),
    }
}

/// A frame on its way to the later stages.
type Parcel = (usize, Frame, f64);

/// Where averaged frames are handed over to the threads that finish and write them.
struct Desk<'a> {
    entry: SyncSender<Parcel>,
    fault: &'a Mutex<Option<EngineError>>,
}

impl Desk<'_> {
    /// Fails where a finished frame could not be kept.
    fn check(&self) -> Result<(), EngineError> {
        self.fault.lock().unwrap_or_else(PoisonError::into_inner).take().map_or(Ok(()), Err)
    }

    /// Waits while too many frames are on the way.
    fn hand_over(&self, i: usize, frame: Frame, noise: f64) -> Result<(), EngineError> {
        let gone = |_| EngineError::Refused("the threads that write have ended".to_owned());
        self.entry.send((i, frame, noise)).map_err(gone)
    }
}

impl Renderer<'_> {
    /// Runs `body` with a desk; all that was handed over is finished when this returns.
    fn with_desk(
        &self,
        sink: &dyn Sink,
        work: &Work<'_>,
        body: impl FnOnce(&Desk<'_>) -> Result<(), EngineError>,
    ) -> Result<(), EngineError> {
        let (entry, exit) = sync_channel(work.threads);
        let exit = Mutex::new(exit);
        let fault = Mutex::new(None);
        let done = std::thread::scope(|scope| {
            for _ in 0..work.threads {
                scope.spawn(|| self.finish_parcels(&exit, &fault, sink));
            }
            let desk = Desk { entry, fault: &fault };
            body(&desk)
        });
        done.and(fault.into_inner().unwrap_or_else(PoisonError::into_inner).map_or(Ok(()), Err))
    }

    /// One thread that finishes and writes; after a fault it only empties the desk.
    fn finish_parcels(
        &self,
        exit: &Mutex<Receiver<Parcel>>,
        fault: &Mutex<Option<EngineError>>,
        sink: &dyn Sink,
    ) {
        loop {
            let next = exit.lock().unwrap_or_else(PoisonError::into_inner).recv();
            let Ok((i, frame, noise)) = next else { return };
            let first = || fault.lock().unwrap_or_else(PoisonError::into_inner);
            if first().is_some() {
                continue;
            }
            let facts = &self.analysis.frames[i];
            let finished = self.finish(frame, facts, Some(noise), Notes::default());
            if let Err(e) = deliver(finished, facts.frame, sink) {
                first().get_or_insert(e);
            }
        }
    }
}

/// Positions in `wanted` whose look-arounds touch: each run is rendered in one go. Runs end where
/// a `stretch` of frames with common coordinates does.
fn runs(wanted: &[usize], reach: usize, stretch: Option<usize>) -> Vec<std::ops::Range<usize>> {
    let mut out = Vec::new();
    let mut start = 0;
    let apart = |a: usize, b: usize| {
        b > a + 2 * reach + 1 || stretch.is_some_and(|length| a / length != b / length)
    };
    for k in 1..=wanted.len() {
        if k == wanted.len() || apart(wanted[k - 1], wanted[k]) {
            out.push(start..k);
            start = k;
        }
    }
    if wanted.is_empty() { Vec::new() } else { out }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn runs_join_what_shares_neighbours() {
        assert_eq!(runs(&[0, 1, 2, 9], 2, None), [0..3, 3..4]);
        assert_eq!(runs(&[0, 1, 2, 7], 2, None), vec![0..4]);
        assert_eq!(runs(&[0, 1, 2, 7], 2, Some(2)), [0..2, 2..3, 3..4]);
        assert!(runs(&[], 2, None).is_empty());
    }

    #[test]
    fn output_keeps_white_within_sixteen_bits() {
        let s = OutputScale::for_white(4095.0 - 100.0);
        assert!((s.per_dn - 16.0).abs() < 1e-6);
        assert!((OutputScale::for_white(65_535.0).per_dn - 1.0).abs() < 1e-6);
    }
}
