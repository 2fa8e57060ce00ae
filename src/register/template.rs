//! The scene with little noise: the mean of frames brought to one pose.
//!
//! It keeps some noise, which [`super::wiener`] takes out; which of its pixels are still is told by
//! [`super::still`].

use std::ops::Range;

use rayon::prelude::*;

use super::held::still_power;
use super::hidden::Hidden;
use crate::frame::convert::{signed, to_f32};
use crate::frame::{FixedPlane, Plane};
use crate::math::resample::{NoisePower, Rows, mean_power, valid_range};
use crate::math::turn::{Placement, ReadScratch, Reading, Turn};

/// A pixel is used where at least this part of the frames saw it.
pub(super) const LEAST_SEEN: f32 = 0.2;
/// Rows worked on together.
pub(super) const BAND: usize = 32;

/// A frame and the pose it is averaged with.
#[derive(Debug, Clone, Copy)]
pub struct Posed<'a> {
    /// The calibrated frame.
    pub frame: &'a FixedPlane,
    /// Shift of the scene in it.
    pub shift: [f64; 2],
    /// Its turn about the middle of the frame.
    pub turn: Turn,
    /// Its light.
    pub light: f64,
    /// What of the reference something hides in it.
    pub hidden: Option<Hidden<'a>>,
}

impl Posed<'_> {
    /// Columns, and rows of y0..y1 (the first one 0), of the reference that the frame saw.
    ///
    /// Of a frame that is turned the largest upright part.
    fn seen(&self, width: usize, y0: usize, y1: usize) -> ((usize, usize), (usize, usize)) {
        let (frame, shift) = (self.frame, self.shift);
        let range = |first: isize, a: usize, (out, length): (usize, usize)| {
            if self.turn.is_none() {
                return valid_range(first, shift[a], out, length);
            }
            let spread = self.placement().spread()[a];
            let low = valid_range(first, shift[a] - spread, out, length).0;
            let high = valid_range(first, shift[a] + spread, out, length).1;
            (low, high.max(low))
        };
        (range(0, 0, (width, frame.width)), range(signed(y0), 1, (y1 - y0, frame.height)))
    }

    /// Calls `each` with the runs of columns of x0..x1 of a row that nothing hides.
    pub(super) fn runs(
        &self,
        y: usize,
        columns: (usize, usize),
        mut each: impl FnMut(Range<usize>),
    ) {
        match &self.hidden {
            None => each(columns.0..columns.1),
            Some(hidden) => hidden.runs(y, columns, each),
        }
    }

    fn placement(&self) -> Placement {
        Placement::new(self.shift, self.turn, [self.frame.width, self.frame.height])
    }

    /// What bringing it to the reference leaves of the variance of white noise.
    pub(super) fn noise_gain(&self) -> f32 {
        Reading::new(self.placement()).noise_gain()
    }

    fn noise_power(&self) -> NoisePower {
        Reading::new(self.placement()).noise_power()
    }
}

/// Mean of posed frames.
#[derive(Debug, Clone, PartialEq)]
pub struct Average {
    /// Mean value; where no frame saw the place, that of the nearest one that was seen.
    pub mean: Plane,
    /// How many frames saw each pixel.
    pub count: Plane,
    /// Mean of the kernels' noise gains, and what they leave of white noise at each frequency.
    pub noise_gain: f32,
    pub(super) noise_power: NoisePower,
    /// Where the scene lay in the frames: shift and turn.
    pub(super) moves: Vec<([f64; 2], Turn)>,
    /// How many frames each mean was made of, where that is more than saw the scene there.
    made_of: Option<Vec<f32>>,
}

/// Frames that were averaged before in the reference's pose, and the pixels that were still in them.
#[derive(Debug, Clone, Copy)]
pub(super) struct Base<'a> {
    pub(super) average: &'a Average,
    pub(super) still: &'a [u8],
}

impl Average {
    /// A mean of frames, `count` of which saw each pixel.
    pub(super) fn of(frames: &[Posed<'_>], mean: Plane, count: Plane) -> Self {
        let gains: f32 = frames.iter().map(Posed::noise_gain).sum();
        let noise_gain = gains / frames.len().max(1) as f32;
        let noise_power = mean_power(frames.iter().map(Posed::noise_power));
        let moves = frames.iter().map(|f| (f.shift, f.turn)).collect();
        Self { mean, count, noise_gain, noise_power, moves, made_of: None }
    }

    /// Where what lies at the offset `d` from the middle lay in them on average, against there.
    pub(super) fn centre(&self, d: [f64; 2]) -> [f64; 2] {
        let n = self.moves.len().max(1) as f64;
        self.moves.iter().fold([0.0; 2], |sum, (shift, turn)| {
            let turned = turn.moves(d);
            [0, 1].map(|a| sum[a] + (shift[a] + turned[a]) / n)
        })
    }

    /// What is left, at each frequency, of the power of what lies still on the sensor.
    pub(super) fn held_power(&self) -> NoisePower {
        still_power(self.moves.iter().map(|m| m.0))
    }

    /// How many frames the mean around a pixel was made of.
    pub(super) fn seen(&self, at: usize) -> f32 {
        self.frames()[at].max(1.0)
    }

    fn frames(&self) -> &[f32] {
        self.made_of.as_deref().unwrap_or(self.count.data())
    }

    /// Gives places that no frame saw the value of the nearest one that was seen: first along rows,
    /// then rows as a whole. A step to nothing would ring far into the picture.
    fn fill_unseen(&mut self) {
        let (w, h) = (self.mean.width(), self.mean.height());
        let seen: Vec<Option<(usize, usize)>> = (0..h)
            .map(|y| {
                let row = &self.frames()[y * w..][..w];
                row.iter().position(|&n| n > 0.0).zip(row.iter().rposition(|&n| n > 0.0))
            })
            .collect();
        let rows =
            seen.iter().position(Option::is_some).zip(seen.iter().rposition(Option::is_some));
        let Some((top, bottom)) = rows else { return };
        for (y, (from, to)) in seen.iter().enumerate().filter_map(|(y, s)| Some((y, (*s)?))) {
            let row = self.mean.row_mut(y);
            let (first, last) = (row[from], row[to]);
            row[..from].fill(first);
            row[to + 1..].fill(last);
        }
        for y in (0..top).chain(bottom + 1..h) {
            let near = self.mean.row(y.clamp(top, bottom)).to_vec();
            self.mean.row_mut(y).copy_from_slice(&near);
        }
    }

    /// The mean of its frames and, at pixels that were still in them, of those of `base`; it still
    /// counts its own.
    pub(super) fn with(mut self, base: Base<'_>) -> Self {
        let Base { average: other, still } = base;
        let mut all = self.frames().to_vec();
        let parts = still.iter().zip(other.frames()).zip(other.mean.data());
        let own = self.mean.data_mut().iter_mut().zip(&mut all);
        for ((v, n), ((_, more), o)) in own.zip(parts).filter(|(_, ((s, _), _))| **s != 0) {
            *n += more;
            *v += (o - *v) * more / n.max(1.0);
        }
        self.noise_gain = 0.5 * (self.noise_gain + other.noise_gain);
        self.noise_power = mean_power([self.noise_power, other.noise_power].into_iter());
        self.moves.extend(&other.moves);
        self.made_of = Some(all);
        self
    }

    /// The mean of the frames of several, of each at the pixels that were still in it; and the pixels
    /// that were still in any. Elsewhere it is the first one's.
    pub(super) fn together(parts: &[Base<'_>]) -> Option<(Self, Vec<u8>)> {
        let (first, others) = parts.split_first()?;
        let mut out = first.average.clone();
        let mut still = first.still.to_vec();
        let mut all = out.frames().to_vec();
        for other in others {
            let theirs =
                other.still.iter().zip(other.average.frames()).zip(other.average.mean.data());
            let ours = out.mean.data_mut().iter_mut().zip(&mut all).zip(&mut still);
            for (((v, n), is), ((_, more), o)) in
                ours.zip(theirs).filter(|(_, ((s, _), _))| **s != 0)
            {
                if *is == 0 {
                    (*v, *n, *is) = (*o, *more, 1);
                } else {
                    *n += more;
                    *v += (o - *v) * more / n.max(1.0);
                }
            }
        }
        let gains = parts.iter().map(|p| p.average.noise_gain).sum::<f32>();
        out.noise_gain = gains / parts.len() as f32;
        out.noise_power = mean_power(parts.iter().map(|p| p.average.noise_power));
        out.moves = parts.iter().flat_map(|p| p.average.moves.iter().copied()).collect();
        out.made_of = Some(all);
        Some((out, still))
    }
}

/// Averages frames in the pose of the reference.
///
/// Where what hides the background leaves few frames it is averaged too, the more the fewer: such
/// pixels are not used, but a step at their rim would spoil those that are.
#[must_use]
pub fn average(frames: &[Posed<'_>], width: usize, height: usize) -> Average {
    let [mut mean, mut count] = [0; 2].map(|_| Plane::filled(width, height, 0.0));
    let rows = (BAND * width).max(1);
    let few = LEAST_SEEN * frames.len() as f32;
    let any = frames.iter().any(|f| f.hidden.is_some());
    let made_of: Vec<Vec<f32>> = mean
        .data_mut()
        .par_chunks_mut(rows)
        .zip(count.data_mut().par_chunks_mut(rows))
        .enumerate()
        .map_init(BandScratch::default, |scratch, (band, (sum, count))| {
            let lines = (width, band * BAND, (band * BAND + BAND).min(height));
            count.copy_from_slice(&seen(frames, lines));
            let mut hidden = vec![0.0; if any { sum.len() } else { 0 }];
            for f in frames {
                let gain = to_f32(1.0 / f.light);
                scratch.rows(f, lines, |y, x0, values| {
                    let line = (y - lines.1) * width;
                    let end = x0 + values.len();
                    let add = |to: &mut [f32], run: Range<usize>| {
                        if run.is_empty() {
                            return;
                        }
                        let values = &values[run.start - x0..run.end - x0];
                        for (s, v) in to[line..][run].iter_mut().zip(values) {
                            *s += gain * v;
                        }
                    };
                    let mut from = x0;
                    f.runs(y, (x0, end), |run| {
                        add(hidden.as_mut_slice(), from..run.start);
                        from = run.end;
                        add(sum, run);
                    });
                    add(hidden.as_mut_slice(), from..end);
                });
            }
            if !any {
                for (s, c) in sum.iter_mut().zip(count) {
                    *s /= f32::max(*c, 1.0);
                }
                return Vec::new();
            }
            let open: Vec<Posed<'_>> =
                frames.iter().map(|f| Posed { hidden: None, ..*f }).collect();
            let mut made_of = seen(&open, lines);
            let found = hidden.iter().zip(count.iter());
            for ((s, n), (h, c)) in sum.iter_mut().zip(&mut made_of).zip(found) {
                let part = (1.0 - c / few).max(0.0);
                *n = c + part * (*n - c);
                *s = (*s + part * h) / n.max(1.0);
            }
            made_of
        })
        .collect();
    let made_of = any.then(|| made_of.concat());
    let mut out = Average { made_of, ..Average::of(frames, mean, count) };
    out.fill_unseen();
    out
}

/// How many frames saw each pixel of rows y0..y1: a frame sees a rectangle, so its corners say
/// it all; less those in which it was hidden.
pub(super) fn seen(frames: &[Posed<'_>], (width, y0, y1): (usize, usize, usize)) -> Vec<f32> {
    let across = width + 1;
    let mut corners = vec![0.0_f32; across * (y1 - y0 + 1)];
    for f in frames {
        let (x, y) = f.seen(width, y0, y1);
        if x.0 < x.1 && y.0 < y.1 {
            corners[y.0 * across + x.0] += 1.0;
            corners[y.0 * across + x.1] -= 1.0;
            corners[y.1 * across + x.0] -= 1.0;
            corners[y.1 * across + x.1] += 1.0;
        }
    }
    let mut above = vec![0.0; width];
    let mut out = Vec::with_capacity(width * (y1 - y0));
    for line in corners.chunks_exact(across).take(y1 - y0) {
        let mut sum = 0.0;
        for (a, c) in above.iter_mut().zip(line) {
            sum += c;
            *a += sum;
        }
        out.extend_from_slice(&above);
    }
    for f in frames.iter().filter(|f| f.hidden.is_some()) {
        let (x, y) = f.seen(width, y0, y1);
        for row in y.0..y.1 {
            let line = &mut out[row * width..(row + 1) * width];
            let mut from = x.0;
            f.runs(y0 + row, x, |run| {
                line[from..run.start].iter_mut().for_each(|c| *c -= 1.0);
                from = run.end;
            });
            line[from..x.1.max(from)].iter_mut().for_each(|c| *c -= 1.0);
        }
    }
    out
}

/// Working memory for bringing bands of frames to the reference.
#[derive(Default)]
pub(super) struct BandScratch {
    decoded: Vec<f32>,
    read: ReadScratch,
    out: Vec<f32>,
}

impl BandScratch {
    /// Calls `each(y, x0, values)` for the rows of a band of `f` in the reference's pose: `values`
    /// begin at column x0 and cover what the frame saw.
    pub(super) fn rows(
        &mut self,
        f: &Posed<'_>,
        (width, y0, y1): (usize, usize, usize),
        mut each: impl FnMut(usize, usize, &[f32]),
    ) {
        let frame = f.frame;
        let reading = Reading::new(f.placement());
        let ((x0, x1), (v0, v1)) = f.seen(width, y0, y1);
        let (columns, rows) = ((signed(x0), x1 - x0), (signed(y0), signed(y1)));
        let (a, b) = reading.rows_needed(columns, rows, frame.height);
        let codes = &frame.codes[a * frame.width..b * frame.width];
        self.decoded.resize(codes.len(), 0.0);
        frame.coding.decode_all(codes, &mut self.decoded);
        let source =
            Rows { data: &self.decoded, width: frame.width, first: a, height: frame.height };
        self.out.resize(x1 - x0, 0.0);
        for y in y0 + v0..y0 + v1 {
            reading.row(source, (signed(x0), signed(y)), &mut self.out, &mut self.read);
            each(y, x0, &self.out);
        }
    }
}
