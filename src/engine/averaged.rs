//! Second pass with averaging: frames are read in order into a window that the averaging looks at;
//! what comes out is handed to the threads that finish and write.

use std::collections::BTreeMap;
use std::ops::Range;
use std::sync::Arc;

use super::correct::scale_light;
use super::desk::Gather;
use super::ordered::ordered;
use super::render::Renderer;
use super::sink::Sink;
use super::{EngineError, Phase, Work};
use crate::footage::FrameFile;
use crate::frame::convert::to_f32;
use crate::frame::{Domain, Flaw, Frame, Layout, Plane};
use crate::math::resample::TAPS;
use crate::register::path::Window;
use crate::stages::average::{Average, Averaged, Averager, Locked};
use crate::stages::steady::{self, Move};

impl Renderer<'_> {
    /// Frames averaged with their neighbours.
    pub(super) fn render_averaged(
        &self,
        average: &Arc<Average>,
        list: &[(u64, Option<FrameFile>)],
        wanted: &[usize],
        sink: &dyn Sink,
        work: &Work<'_>,
    ) -> Result<(), EngineError> {
        let total = wanted.len() as u64;
        let groups = wanted.iter().filter(|&&i| self.analysis.frames[i].usable());
        let sources: Vec<usize> =
            groups.flat_map(|&i| self.group(i).shares).map(|s| s.position).collect();
        self.with_desk(sink, work, |desk| {
            let mut gather = Gather::new(self, desk, sink);
            for run in runs(&sources, average.reach(), self.target.stretch) {
                let wanted_here = &sources[run];
                let (Some(&first), Some(&last)) = (wanted_here.first(), wanted_here.last()) else {
                    continue;
                };
                let from = first.saturating_sub(average.reach());
                let to = (last + average.reach() + 1).min(list.len());
                let mut averager = average.start();
                let mut waiting = wanted_here.iter().copied().peekable();
                let mut faults = BTreeMap::new();
                ordered(
                    to - from,
                    (work.threads, work.ahead),
                    |k| match from + k {
                        i if self.analysis.placed(i) => self.lock_frame(list, i, first),
                        _ => Ok(None),
                    },
                    |k, frame| {
                        work.check()?;
                        desk.check()?;
                        let newest = from + k;
                        averager.push(match frame {
                            Ok(locked) => locked,
                            Err(why) => {
                                faults.insert(newest, why);
                                None
                            }
                        });
                        while let Some(&i) = waiting.peek() {
                            if i + average.reach() > newest && newest + 1 < to {
                                break;
                            }
                            waiting.next();
                            let averaged = if self.analysis.placed(i) {
                                let averaged = self.average_one(&mut averager, (i, i - from));
                                averaged.ok_or_else(|| faults.remove(&i).unwrap_or_default())
                            } else {
                                self.alone(average, list, i, first)
                            };
                            gather.take(i, averaged)?;
                            work.progress.step(Phase::Render, gather.done, total);
                        }
                        Ok::<(), EngineError>(())
                    },
                )?;
            }
            Ok(())
        })
    }

    /// A frame as the mean of itself, its noise taken out as far as it tells by itself.
    fn alone(
        &self,
        average: &Arc<Average>,
        list: &[(u64, Option<FrameFile>)],
        i: usize,
        first: usize,
    ) -> Result<(Frame, f64), String> {
        let mut averager = average.start();
        averager.push(self.lock_frame(list, i, first)?);
        self.average_one(&mut averager, (i, 0)).ok_or_else(|| "it is not there".to_owned())
    }

    /// Averages around one frame: the result and its noise, `None` where the frame is not there.
    fn average_one(
        &self,
        averager: &mut Averager,
        (i, at): (usize, usize),
    ) -> Option<(Frame, f64)> {
        let facts = &self.analysis.frames[i];
        let planes = averager.result(at)?;
        let variances: Vec<&Plane> = planes.iter().map(|p| &p.left).collect();
        let mut noise = steady::median_of(&variances).sqrt();
        let mut frame = self.assemble(planes);
        if self.target.room.is_some() {
            // Averaged where the scene stands still, shown as the camera saw it.
            let from = self.place(facts, self.target.base(i), self.window);
            let back = Move { at: from.at.inverse(), gain: 1.0, black: false, ..from };
            frame = steady::moved(&frame, &back);
            clear_rim(&mut frame);
        } else if self.target.stretch.is_some() {
            // Averaged where the scene stands still, shown where the path has it.
            let origin = [0, 1].map(|a| self.window.origin[a] - self.canvas.origin[a]);
            let window = Window { origin, size: self.window.size };
            frame = steady::moved(&frame, &Move { window, ..Move::shifted(self.target.rest(i)) });
        }
        if !self.divide_light {
            scale_light(&mut frame, to_f32(facts.light));
            noise *= facts.light;
        }
        Some((frame, noise))
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
        Ok(Some(Locked {
            noise_gain: to.noise_gain(frame.layout),
            noise_power: to.noise_power(frame.layout),
            planes: steady::locked(&frame, &to, self.coding),
            brightened: to_f32(1.0 / facts.light),
            sigma: to_f32(facts.sigma),
        }))
    }
}

/// Takes the marks of what was not seen off a frame's outermost pixels, where it lies as it was filmed: it
/// saw all of itself. They come from beyond its edges, where no frame of the window may have seen
/// anything, and the values there go on as the frame ends.
fn clear_rim(frame: &mut Frame) {
    // What a kernel reaches, of each colour of a mosaic.
    let reach = if matches!(frame.layout, Layout::Mosaic(_)) { TAPS } else { TAPS / 2 };
    let (w, h) = (frame.width(), frame.height());
    let inner = |v: usize, n: usize| v >= reach && v + reach < n;
    for flaws in &mut frame.flaws {
        for (at, f) in flaws.iter_mut().enumerate().filter(|(_, f)| **f == Flaw::Missing) {
            if !(inner(at % w, w) && inner(at / w, h)) {
                *f = Flaw::None;
            }
        }
    }
}

/// Positions in `wanted` whose look-arounds touch: each run is rendered in one go. Runs end where
/// a `stretch` of frames with common coordinates does.
fn runs(wanted: &[usize], reach: usize, stretch: Option<usize>) -> Vec<Range<usize>> {
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
}
