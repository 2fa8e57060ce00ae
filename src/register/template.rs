//! The scene with little noise, and which of its pixels are still.
//!
//! The mean of the frames brought to one pose keeps some noise; its gradient, which the fit
//! lives on, keeps more. So each 64-pixel tile is passed through a Wiener filter of its own,
//! `S / (S + N)` by frequency ring, before it is used as a model.
//!
//! A pixel is still where its temporal variance over the block is what noise and the known
//! uncertainty of the shifts make of it; the limit is set from the distribution over the frame.

use rayon::prelude::*;

use super::PixelNoise;
use super::tracks::tile_size;
use crate::frame::convert::{clamp_index, signed, to_f32};
use crate::frame::{FixedPlane, Plane, spare};
use crate::math::blur::{gaussian, minimum};
use crate::math::fft2::{Fft2, Rings, Scratch};
use crate::math::resample::{RowScratch, Rows, Shift, rows_needed, shifted_row, valid_range};
use crate::math::robust::quantile;
use crate::math::window::hann;

/// Rows worked on together.
const BAND: usize = 32;
/// Widths (standard deviations in pixels) over which the temporal variance is averaged.
const SCALES: [f64; 3] = [2.0, 5.0, 10.0];
/// A pixel is used where at least this part of the frames saw it.
const LEAST_SEEN: f32 = 0.4;
/// A pixel is still up to this many spreads above the usual variance.
const STILL_LIMIT: f32 = 4.0;
/// Pixels taken off the rim of a still area.
const ERODE: usize = 3;

/// A frame and the pose it is averaged with.
#[derive(Debug, Clone, Copy)]
pub struct Posed<'a> {
    /// The calibrated frame.
    pub frame: &'a FixedPlane,
    /// Shift of the scene in it.
    pub shift: [f64; 2],
    /// Its light.
    pub light: f64,
}

impl Posed<'_> {
    /// Columns, and rows of y0..y1 (the first one 0), of the reference that the frame saw.
    fn seen(&self, width: usize, y0: usize, y1: usize) -> ((usize, usize), (usize, usize)) {
        let (frame, shift) = (self.frame, self.shift);
        (
            valid_range(0, shift[0], width, frame.width),
            valid_range(signed(y0), shift[1], y1 - y0, frame.height),
        )
    }
}

/// Mean of posed frames.
#[derive(Debug, Clone, PartialEq)]
pub struct Average {
    /// Mean value, 0 where no frame saw the place.
    pub mean: Plane,
    /// How many frames saw each pixel.
    pub count: Plane,
    /// Mean of the kernels' noise gains.
    pub noise_gain: f32,
}

/// Averages frames in the pose of the reference.
#[must_use]
pub fn average(frames: &[Posed<'_>], width: usize, height: usize) -> Average {
    let [mut mean, mut count] = [0, 1].map(|_| Plane::filled(width, height, 0.0));
    let rows = (BAND * width).max(1);
    mean.data_mut()
        .par_chunks_mut(rows)
        .zip(count.data_mut().par_chunks_mut(rows))
        .enumerate()
        .for_each_init(BandScratch::default, |scratch, (band, (sum, count))| {
            let (y0, y1) = (band * BAND, (band * BAND + BAND).min(height));
            count.copy_from_slice(&seen(frames, (width, y0, y1)));
            for f in frames {
                let gain = to_f32(1.0 / f.light);
                scratch.rows(f, (width, y0, y1), |y, x0, values| {
                    let at = (y - y0) * width + x0;
                    for (s, v) in sum[at..].iter_mut().zip(values) {
                        *s += gain * v;
                    }
                });
            }
            for (s, c) in sum.iter_mut().zip(count) {
                *s /= f32::max(*c, 1.0);
            }
        });
    let gains: f32 = frames.iter().map(|f| Shift::new(f.shift[0], f.shift[1]).noise_gain()).sum();
    Average { mean, count, noise_gain: gains / frames.len().max(1) as f32 }
}

/// Mean over frames of squared deviation from `template` in units of what noise (and a shift
/// uncertain by `sigma` pixels) makes of it: 1 where the scene is still. 0 where nothing was seen.
#[must_use]
pub fn variance_ratio(
    frames: &[Posed<'_>],
    template: &Plane,
    noise: &PixelNoise,
    sigma: f64,
) -> Plane {
    let (width, height) = (template.width(), template.height());
    let s2 = to_f32(sigma * sigma);
    let mut ratio = Plane::filled(width, height, 0.0);
    let bands = ratio.data_mut().par_chunks_mut((BAND * width).max(1));
    bands.enumerate().for_each_init(BandScratch::default, |scratch, (band, sum)| {
        let (y0, y1) = (band * BAND, (band * BAND + BAND).min(height));
        for f in frames {
            let gain = to_f32(1.0 / f.light);
            let quiet = gain * gain * Shift::new(f.shift[0], f.shift[1]).noise_gain();
            let weight = 1.0 / quiet;
            scratch.rows(f, (width, y0, y1), |y, x0, values| {
                let at = (y - y0) * width + x0;
                let model = &template.row(y)[x0..];
                for ((s, v), m) in sum[at..].iter_mut().zip(values).zip(model) {
                    let r = gain * v - m;
                    *s += weight * r * r;
                }
            });
        }
        let count = seen(frames, (width, y0, y1));
        for ((s, c), at) in sum.iter_mut().zip(&count).zip(y0 * width..) {
            let noise = noise.variance(template.data()[at], at);
            *s /= (noise + s2 * steepness(template, at)) * c.max(1.0);
        }
    });
    ratio
}

/// Squared gradient at a pixel.
fn steepness(p: &Plane, at: usize) -> f32 {
    let (w, d) = (p.width(), p.data());
    let (x, y) = (at % w, at / w);
    let gx = d[y * w + (x + 1).min(w - 1)] - d[y * w + x.saturating_sub(1)];
    let gy = d[(y + 1).min(p.height() - 1) * w + x] - d[y.saturating_sub(1) * w + x];
    0.25 * (gx * gx + gy * gy)
}

/// How many frames saw each pixel of rows y0..y1: a frame sees a rectangle, so its corners say
/// it all.
fn seen(frames: &[Posed<'_>], (width, y0, y1): (usize, usize, usize)) -> Vec<f32> {
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
    out
}

/// Working memory for bringing bands of frames to the reference.
#[derive(Default)]
struct BandScratch {
    decoded: Vec<f32>,
    row: RowScratch,
    out: Vec<f32>,
}

impl BandScratch {
    /// Calls `each(y, x0, values)` for the rows of a band of `f` in the reference's pose: `values`
    /// begin at column x0 and cover what the frame saw.
    fn rows(
        &mut self,
        f: &Posed<'_>,
        (width, y0, y1): (usize, usize, usize),
        mut each: impl FnMut(usize, usize, &[f32]),
    ) {
        let frame = f.frame;
        let kernel = Shift::new(f.shift[0], f.shift[1]);
        let (a, b) = rows_needed(&kernel, signed(y0), signed(y1), frame.height);
        self.decoded.clear();
        let codes = &frame.codes[a * frame.width..b * frame.width];
        self.decoded.extend(codes.iter().map(|&c| frame.coding.decode(c)));
        let source =
            Rows { data: &self.decoded, width: frame.width, first: a, height: frame.height };
        let ((x0, x1), (v0, v1)) = f.seen(width, y0, y1);
        self.out.resize(x1 - x0, 0.0);
        for y in y0 + v0..y0 + v1 {
            let at = (signed(x0), signed(y));
            shifted_row(source, &kernel, at, &mut self.out, &mut self.row);
            each(y, x0, &self.out);
        }
    }
}

/// Takes the noise out of an average of frames, tile by tile.
#[must_use]
pub fn wiener(average: &Average, noise: &PixelNoise) -> Plane {
    let p = &average.mean;
    let (w, h) = (p.width(), p.height());
    let side = tile_size(w, h).0;
    let half = side / 2;
    let fft = Fft2::new(side, side);
    // Square root of Hann in and out: the overlapping squares add up to one.
    let window: Vec<f32> = hann(side).into_iter().map(f32::sqrt).collect();
    let strip_count = h.div_ceil(half) + 1;
    let rings = Rings::new(&fft);
    let strips: Vec<Vec<f32>> = (0..strip_count)
        .into_par_iter()
        .map(|ty| {
            let mut strip = spare::values_of(side * w, 0.0);
            let mut tile = TileFilter { fft: &fft, rings: &rings, window: &window, average, noise };
            for tx in 0..w.div_ceil(half) + 1 {
                let corner = [signed(tx * half) - signed(half), signed(ty * half) - signed(half)];
                tile.add(corner, &mut strip);
            }
            strip
        })
        .collect();
    let mut out = Plane::filled(w, h, 0.0);
    for (ty, strip) in strips.into_iter().enumerate() {
        for (i, line) in strip.chunks_exact(w).enumerate() {
            if let Some(y) = (ty * half + i).checked_sub(half).filter(|&y| y < h) {
                for (o, v) in out.row_mut(y).iter_mut().zip(line) {
                    *o += v;
                }
            }
        }
        spare::keep_values(strip);
    }
    out
}

/// Filters one tile at a time.
struct TileFilter<'a> {
    fft: &'a Fft2,
    rings: &'a Rings,
    window: &'a [f32],
    average: &'a Average,
    noise: &'a PixelNoise,
}

impl TileFilter<'_> {
    fn add(&mut self, corner: [isize; 2], strip: &mut [f32]) {
        let p = &self.average.mean;
        let (w, side) = (p.width(), self.window.len());
        let mut pixels = Vec::with_capacity(side * side);
        for row in 0..side {
            let line = p.row(clamp_index(corner[1] + signed(row), p.height()));
            pixels.extend((0..side).map(|c| line[clamp_index(corner[0] + signed(c), w)]));
        }
        let mean = pixels.iter().sum::<f32>() / pixels.len() as f32;
        for (line, &wy) in pixels.chunks_exact_mut(side).zip(self.window) {
            for (v, &wx) in line.iter_mut().zip(self.window) {
                *v = (*v - mean) * wx * wy;
            }
        }
        let centre = clamp_index(corner[1] + signed(side / 2), p.height()) * w
            + clamp_index(corner[0] + signed(side / 2), w);
        let seen = self.average.count.data()[centre].max(1.0);
        let squares: f32 = self.window.iter().map(|w| w * w).sum();
        let noise =
            squares * squares * self.noise.variance(mean, centre) * self.average.noise_gain / seen;
        let mut spectrum = Vec::new();
        let mut scratch = Scratch::default();
        self.fft.forward(&pixels, &mut spectrum, &mut scratch);
        let keep = self
            .rings
            .mean_power(&spectrum)
            .map(|total| if total > 0.0 { ((total - noise) / total).max(0.0) } else { 0.0 });
        let scale = 1.0 / (side * side) as f32;
        for (v, r) in spectrum.iter_mut().zip(self.rings.each()) {
            *v *= keep[r] * scale;
        }
        self.fft.inverse(&mut spectrum, &mut pixels, &mut scratch);
        for ((line, target), &wy) in
            pixels.chunks_exact(side).zip(strip.chunks_exact_mut(w)).zip(self.window)
        {
            for (c, (v, &wx)) in line.iter().zip(self.window).enumerate() {
                if let Some(x) = crate::frame::convert::index_in(corner[0] + signed(c), w) {
                    target[x] += (v + mean * wx * wy) * wx * wy;
                }
            }
        }
    }
}

/// Keeps of `candidates` the pixels whose temporal variance is usual, both close by and in their
/// wider surroundings (which tells at low light what single pixels cannot), and that many frames
/// saw.
#[must_use]
pub fn still_pixels(ratio: &Plane, count: &Plane, candidates: &[u8]) -> Vec<u8> {
    let most = count.data().iter().copied().fold(0.0, f32::max);
    let mut still: Vec<u8> = candidates
        .iter()
        .zip(count.data())
        .map(|(&c, &n)| u8::from(c != 0 && n > LEAST_SEEN * most))
        .collect();
    // Close by first, so that what is plainly moving does not spill into its surroundings when
    // the wider ones are looked at.
    for scale in SCALES {
        let smooth = smoothed(ratio, &still, scale);
        let Some(limit) = usual_limit(&smooth, &still) else { continue };
        for (s, &v) in still.iter_mut().zip(smooth.data()) {
            *s &= u8::from(v < limit);
        }
    }
    let w = ratio.width();
    let good = Plane::from_fn(w, ratio.height(), |x, y| f32::from(still[y * w + x]));
    let eroded = minimum(&good, ERODE);
    eroded.data().iter().map(|&v| u8::from(v > 0.5)).collect()
}

/// The mean of `plane` over the chosen pixels around each place.
fn smoothed(plane: &Plane, chosen: &[u8], scale: f64) -> Plane {
    let (w, h) = (plane.width(), plane.height());
    let of = |f: &dyn Fn(usize) -> f32| gaussian(&Plane::from_fn(w, h, |x, y| f(y * w + x)), scale);
    let mut sum = of(&|at| plane.data()[at] * f32::from(chosen[at]));
    let weight = of(&|at| f32::from(chosen[at]));
    for (s, w) in sum.data_mut().iter_mut().zip(weight.data()) {
        *s /= w.max(1e-6);
    }
    sum
}

/// Up to which value a smoothed variance counts as usual: from the lower part of its
/// distribution, because moving parts sit in the upper one.
fn usual_limit(smooth: &Plane, allowed: &[u8]) -> Option<f32> {
    let mut values: Vec<f32> = smooth
        .data()
        .iter()
        .zip(allowed)
        .step_by(3)
        .filter(|&(_, &a)| a != 0)
        .map(|(&v, _)| v)
        .collect();
    let (low, middle) = (quantile(&mut values, 0.1)?, quantile(&mut values, 0.3)?);
    // Quantiles of a normal distribution: -1.2816 and -0.5244 standard deviations.
    let spread = (middle - low) / (1.2816 - 0.5244);
    let centre = middle + 0.5244 * spread;
    // A floor for data with hardly any noise, where the spread says little.
    Some(centre + (STILL_LIMIT * spread).max(0.02 * centre))
}
