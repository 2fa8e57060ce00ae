//! Pictures for the edit: the part's box and path drawn into each frame, and beneath it the graph
//! of its displacement, which grows from frame to frame.
//!
//! The picture is the light of the frame in grey, square-rooted for the eye and stretched alike
//! in all frames. The graph's axes are fixed for the whole clip; its numbers are the largest and
//! smallest displacement and the current one, with the unit. Nothing is drawn that was not
//! measured: where the part was lost the curve has a gap and no box is drawn.

use std::path::Path;

use rayon::prelude::*;

use super::DayError;
use super::clip::Opened;
use super::moved::Step;
use crate::engine::Work;
use crate::footage::{FootageError, OutFrame, encode_png16, write_bytes};
use crate::frame::FixedPlane;
use crate::frame::convert::{round_isize, round_u16, to_f32};
use crate::labels::LabelError;
use crate::labels::figures::displacement;
use crate::labels::mask::Mask;
use crate::labels::text::{Digits, Face};
use crate::math::robust::quantile;
use crate::measure::Series;
use crate::measure::follow::Followed;

/// Height of the graph in parts of the picture's, and its least height in pixels.
const GRAPH: f64 = 0.3;
const LEAST_GRAPH: usize = 72;
/// Frames back to which the path is drawn.
const TAIL: usize = 500;
/// Height of capitals in parts of the graph's height.
const CAPITALS: f32 = 0.11;
/// Colours: paper, curve, box and path, axis, text.
const PAPER: [f32; 3] = [0.06, 0.06, 0.07];
const CURVE: [f32; 3] = [0.45, 0.75, 1.0];
const PART: [f32; 3] = [1.0, 0.55, 0.1];
const AXIS: [f32; 3] = [0.45, 0.45, 0.45];
const TEXT: [f32; 3] = [0.95, 0.95, 0.95];

/// Everything that is the same for all frames.
pub(super) struct Overlay {
    face: Face,
    size: (usize, usize),
    graph: usize,
    /// Values of black and white.
    range: (f32, f32),
    /// Displacement and its unit: factor from px.
    unit: (f64, &'static str),
    /// First and last time, lowest and highest displacement in px.
    axes: [f64; 4],
}

/// The frame that is drawn: its light, where the part is in it, and what was found until now.
pub(super) struct Now<'a> {
    pub light: &'a FixedPlane,
    /// Box of the part in the picture, x, y, width, height; `None` where it was lost.
    pub part: Option<[f64; 4]>,
    /// Middles of the part in this picture, of the last frames until now.
    pub path: Vec<[f64; 2]>,
    /// Number of samples of the series until now.
    pub samples: usize,
    pub step: &'a Step,
}

impl Overlay {
    /// Lays out pictures of the size of `first`, whose levels decide the stretch.
    pub(super) fn new(
        first: &FixedPlane,
        series: &Series,
        unit: (f64, &'static str),
    ) -> Result<Self, LabelError> {
        let mut sorted = first.to_plane().data().to_vec();
        let low = quantile(&mut sorted, 0.002).unwrap_or(0.0);
        let high = quantile(&mut sorted, 0.998).unwrap_or(1.0).max(low + 1.0);
        let samples = series.samples();
        let mut axes = [samples[0].time_s, samples[samples.len() - 1].time_s, 0.0, 0.0];
        for s in samples {
            axes[2] = f64::min(axes[2], s.value);
            axes[3] = f64::max(axes[3], s.value);
        }
        let tall = crate::frame::convert::round_usize(first.height as f64 * GRAPH);
        Ok(Self {
            face: Face::load()?,
            size: (first.width, first.height),
            graph: tall.max(LEAST_GRAPH),
            range: (low, high),
            unit,
            axes,
        })
    }

    /// The picture of one frame.
    pub(super) fn draw(&self, now: &Now<'_>, series: &Series) -> Result<OutFrame, LabelError> {
        let (w, h) = self.size;
        let mut sheet = Sheet::new(w, h + self.graph);
        self.photograph(now.light, &mut sheet);
        for p in &now.path {
            sheet.dot(*p, 0.8, PART);
        }
        if let Some([x, y, bw, bh]) = now.part {
            let corners = [[x, y], [x + bw, y], [x + bw, y + bh], [x, y + bh], [x, y]];
            for c in corners.windows(2) {
                sheet.line(c[0], c[1], PART);
            }
        }
        self.plot(now, series, &mut sheet)?;
        Ok(sheet.finish())
    }

    fn photograph(&self, light: &FixedPlane, sheet: &mut Sheet) {
        let (low, high) = self.range;
        for (at, &code) in light.codes.iter().enumerate() {
            let v = (light.coding.decode(code) - low) / (high - low);
            sheet.rgb[at] = [v.clamp(0.0, 1.0).sqrt(); 3];
        }
    }

    fn plot(&self, now: &Now<'_>, series: &Series, sheet: &mut Sheet) -> Result<(), LabelError> {
        let (w, h) = (self.size.0 as f64, self.size.1 as f64);
        let tall = self.graph as f64;
        let capital = (CAPITALS * to_f32(tall)).max(7.0);
        let side = 6.0 * f64::from(capital);
        let [t0, t1, low, high] = self.axes;
        let inner = (h + 0.16 * tall, h + 0.84 * tall);
        let x = |t: f64| side + (w - side - 6.0) * (t - t0) / (t1 - t0).max(1e-12);
        let y = |v: f64| inner.1 - (inner.1 - inner.0) * (v - low) / (high - low).max(1e-9);
        sheet.line([side, y(0.0)], [w - 6.0, y(0.0)], AXIS);
        let samples = &series.samples()[..now.samples.min(series.samples().len())];
        for pair in samples.windows(2) {
            // A gap where frames were lost.
            if pair[1].time_s - pair[0].time_s < 1.5 * series.interval_s() {
                let at = |s: &crate::measure::Sample| [x(s.time_s), y(s.value)];
                sheet.line(at(&pair[0]), at(&pair[1]), CURVE);
            }
        }
        if let Some(s) = samples.last() {
            sheet.dot([x(s.time_s), y(s.value)], 2.5, PART);
        }
        let (factor, unit) = self.unit;
        let half = 0.5 * f64::from(capital);
        for v in [high, low] {
            self.write(&displacement(v * factor), [4.0, y(v) + half], capital, sheet)?;
        }
        let text = match (now.step.found, samples.last()) {
            (Some(_), Some(s)) => {
                let value = displacement(s.value * factor);
                format!("{:.3} ms   {value} {unit}", 1e3 * now.step.time_s)
            }
            _ => format!("{:.3} ms   lost", 1e3 * now.step.time_s),
        };
        self.write(&text, [side, h + tall - 3.0], capital, sheet)
    }

    /// Text with its lower left corner at a place.
    fn write(
        &self,
        text: &str,
        at: [f64; 2],
        capital: f32,
        sheet: &mut Sheet,
    ) -> Result<(), LabelError> {
        let line = self.face.line(text, capital, Digits::Cells)?;
        let mut mask = Mask::new(sheet.width, sheet.rgb.len() / sheet.width.max(1));
        self.face.draw(&line, &mut mask, to_f32(at[0]), to_f32(at[1]));
        for (row, line) in sheet.rgb.chunks_exact_mut(sheet.width).enumerate() {
            for (c, &cover) in line.iter_mut().zip(mask.row(row)) {
                blend(c, TEXT, cover);
            }
        }
        Ok(())
    }
}

fn blend(under: &mut [f32; 3], colour: [f32; 3], cover: f32) {
    for (u, c) in under.iter_mut().zip(colour) {
        *u += cover * (c - *u);
    }
}

/// A picture that can be drawn on, soft at its edges.
struct Sheet {
    width: usize,
    height: usize,
    rgb: Vec<[f32; 3]>,
}

impl Sheet {
    fn new(width: usize, height: usize) -> Self {
        Self { width, height, rgb: vec![PAPER; width * height] }
    }

    /// Covers each pixel near a place as `cover` of its distance says.
    fn around(
        &mut self,
        from: [f64; 2],
        to: [f64; 2],
        cover: impl Fn([f64; 2]) -> f64,
        c: [f32; 3],
    ) {
        let low = [0, 1].map(|i| round_isize(from[i].min(to[i]) - 4.0));
        let high = [0, 1].map(|i| round_isize(from[i].max(to[i]) + 4.0));
        for py in low[1]..=high[1] {
            for px in low[0]..=high[0] {
                let place = usize::try_from(px).ok().zip(usize::try_from(py).ok());
                let Some((x, y)) = place.filter(|(x, y)| *x < self.width && *y < self.height)
                else {
                    continue;
                };
                let part = cover([x as f64, y as f64]).clamp(0.0, 1.0);
                blend(&mut self.rgb[y * self.width + x], c, to_f32(part));
            }
        }
    }

    fn dot(&mut self, at: [f64; 2], radius: f64, colour: [f32; 3]) {
        let cover = |p: [f64; 2]| radius + 0.5 - libm::hypot(p[0] - at[0], p[1] - at[1]);
        self.around(at, at, cover, colour);
    }

    fn line(&mut self, from: [f64; 2], to: [f64; 2], colour: [f32; 3]) {
        let d = [to[0] - from[0], to[1] - from[1]];
        let squared = (d[0] * d[0] + d[1] * d[1]).max(1e-12);
        let cover = |p: [f64; 2]| {
            let r = [p[0] - from[0], p[1] - from[1]];
            let part = ((r[0] * d[0] + r[1] * d[1]) / squared).clamp(0.0, 1.0);
            1.1 - libm::hypot(r[0] - part * d[0], r[1] - part * d[1])
        };
        self.around(from, to, cover, colour);
    }

    fn finish(self) -> OutFrame {
        let data = self.rgb.into_iter().flat_map(|c| c.map(|v| round_u16(65_535.0 * v))).collect();
        OutFrame { width: self.width, height: self.height, channels: 3, data }
    }
}

/// A clip's overlay: one picture a frame into a folder.
pub(super) struct Film<'a> {
    pub clip: &'a Opened,
    /// Index of each step's frame in the clip.
    pub wanted: &'a [usize],
    pub steps: &'a [Step],
    pub series: &'a Series,
    /// The part in the reference pose, in px of the pictures.
    pub region: [f64; 4],
    pub unit: (f64, &'static str),
}

impl Film<'_> {
    /// Writes `NNNNNN.png` of every frame that can be read into `folder`; older ones of that form
    /// are removed first.
    pub(super) fn write(&self, folder: &Path, work: &Work<'_>) -> Result<(), DayError> {
        let disk = |e| DayError::Footage(FootageError::disk(folder, "write into", e));
        std::fs::create_dir_all(folder).map_err(disk)?;
        for entry in std::fs::read_dir(folder).map_err(disk)?.flatten() {
            if entry.file_name().to_str().is_some_and(ours) {
                std::fs::remove_file(entry.path()).map_err(disk)?;
            }
        }
        let (w, h) = self.clip.size;
        let read = |&i: &usize| self.clip.read(i, [0, 0, w, h]);
        let Some(first) = self.wanted.iter().find_map(read) else { return Ok(()) };
        let label = |e: LabelError| DayError::Refused(e.to_string());
        let overlay = Overlay::new(&first, self.series, self.unit).map_err(label)?;
        self.wanted.par_iter().enumerate().try_for_each(|(n, i)| {
            work.check()?;
            let Some(light) = read(i) else { return Ok(()) };
            let picture = overlay.draw(&self.now(n, &light), self.series).map_err(label)?;
            let name = format!("{:06}.png", self.steps[n].frame);
            write_bytes(&folder.join(name), &encode_png16(&picture, None)?)?;
            Ok(())
        })
    }

    fn now<'b>(&'b self, n: usize, light: &'b FixedPlane) -> Now<'b> {
        let span = self.clip.span as f64;
        let [x, y, w, h] = self.region;
        let size = [self.clip.size.0, self.clip.size.1];
        let here = [x + 0.5 * (w - 1.0), y + 0.5 * (h - 1.0)];
        let pose = self.clip.listed[self.wanted[n]].pose;
        let pose = pose.map_or([0.0; 2], |p| p.local(size, here).shift);
        let at = |f: &Followed| [0, 1].map(|i| f.shift[i] / span + pose[i]);
        let until = self.steps[..=n].iter().filter_map(|s| s.found.as_ref());
        let tail = &self.steps[n.saturating_sub(TAIL)..=n];
        let middle = |d: [f64; 2]| [x + 0.5 * (w - 1.0) + d[0], y + 0.5 * (h - 1.0) + d[1]];
        Now {
            light,
            part: self.steps[n].found.as_ref().map(at).map(|d| [x + d[0], y + d[1], w, h]),
            path: tail.iter().filter_map(|s| Some(middle(at(s.found.as_ref()?)))).collect(),
            samples: until.count(),
            step: &self.steps[n],
        }
    }
}

/// Whether a file's name is one of ours: six digits or more and ".png".
fn ours(name: &str) -> bool {
    name.strip_suffix(".png").is_some_and(|n| n.len() >= 6 && n.bytes().all(|b| b.is_ascii_digit()))
}
