//! Tiles followed through a block of frames, each on its own.
//!
//! Each tile owns a template: the running mean of the spectra it has been found in, moved back to
//! the first frame. A new frame is searched for around the tile's last place with the correlation
//! of [`crate::math::correlate`]. A tile on the mechanism follows the mechanism; which tiles lie
//! on the background is decided afterwards, from whole trajectories.
//!
//! Cost: two 64 x 64 transforms a tile and frame; up to [`MOST_TILES`] tiles.

use rayon::prelude::*;
use rustfft::num_complex::Complex32;

use super::{PixelNoise, RegisterSettings};
use crate::frame::convert::{index_in, signed, to_f32};
use crate::frame::{Coding, FixedPlane};
use crate::math::correlate::{CorrelateScratch, Correlator, nearest};
use crate::math::wide::{Wide, wide};
use crate::math::window::hann;

/// Tiles followed at the most; of more the best textured are kept, spread over the frame.
pub const MOST_TILES: usize = 144;
/// Frames that a tile's template remembers.
pub(super) const MEMORY: f32 = 24.0;

/// A tile and where its content lay in each frame.
#[derive(Debug, Clone, PartialEq)]
pub struct Track {
    /// Top-left corner and side in the first frame, in pixels.
    pub x: usize,
    /// See `x`.
    pub y: usize,
    /// Side of the tile.
    pub side: usize,
    /// Shift against the first frame for each frame; `None` where the frame is missing or the
    /// tile has left it.
    pub shifts: Vec<Option<[f64; 2]>>,
    /// Typical standard uncertainty of a shift, in pixels (from the mean information).
    pub sigma: f64,
}

/// Side and stride of the tiles for a frame.
#[must_use]
pub fn tile_size(width: usize, height: usize) -> (usize, usize) {
    match width.min(height) {
        0..96 => (32, 16),
        96..300 => (64, 16),
        _ => (64, 32),
    }
}

/// Corners of the tiles that may be background.
pub(super) fn allowed(first: &FixedPlane, settings: &RegisterSettings) -> Vec<(usize, usize)> {
    let (side, stride) = tile_size(first.width, first.height);
    if first.width < side || first.height < side {
        return Vec::new();
    }
    let place = |length: usize| {
        let n = (length - side) / stride;
        let margin = (length - side - n * stride) / 2;
        (0..=n).map(move |i| margin + i * stride)
    };
    place(first.height)
        .flat_map(|y| place(first.width).map(move |x| (x, y)))
        .filter(|&(x, y)| settings.allows([x, y, side, side]))
        .collect()
}

/// Corners of the tiles to follow.
fn corners(
    first: &FixedPlane,
    noise: &PixelNoise,
    settings: &RegisterSettings,
) -> Vec<(usize, usize)> {
    let (side, _) = tile_size(first.width, first.height);
    let all = allowed(first, settings);
    if all.len() <= MOST_TILES {
        return all;
    }
    // The best tile of each cell of a grid with about MOST_TILES cells.
    let cell = ((first.width * first.height) as f64 / MOST_TILES as f64).sqrt();
    let mut best: std::collections::BTreeMap<(usize, usize), (f32, (usize, usize))> =
        std::collections::BTreeMap::new();
    let scored: Vec<f32> =
        all.par_iter().map(|&(x, y)| texture(first, noise, x, y, side)).collect();
    for (&(x, y), score) in all.iter().zip(scored) {
        let centre = |v: usize| crate::frame::convert::floor_usize((v + side / 2) as f64 / cell);
        let entry = best.entry((centre(y), centre(x))).or_insert((score, (x, y)));
        if score > entry.0 {
            *entry = (score, (x, y));
        }
    }
    best.into_values().map(|(_, c)| c).collect()
}

/// Texture of a tile: squared differences two pixels apart, beyond what noise makes of them.
fn texture(first: &FixedPlane, noise: &PixelNoise, x: usize, y: usize, side: usize) -> f32 {
    let (mut sum, mut expected) = (0.0_f32, 0.0_f32);
    for row in (y..y + side - 2).step_by(2) {
        for col in (x..x + side - 2).step_by(2) {
            let at = row * first.width + col;
            let value = |i: usize| first.coding.decode(first.codes[i]);
            let (v, dx, dy) = (value(at), value(at + 2), value(at + 2 * first.width));
            sum += (dx - v) * (dx - v) + (dy - v) * (dy - v);
            expected += 4.0 * noise.variance(v, at);
        }
    }
    sum - expected
}

/// Follows tiles through `frames` (missing ones are `None`); the first present frame is the
/// origin of all shifts.
#[must_use]
pub fn follow(
    frames: &[Option<&FixedPlane>],
    noise: &PixelNoise,
    settings: &RegisterSettings,
) -> Vec<Track> {
    let Some(first) = frames.iter().flatten().next() else { return Vec::new() };
    let (side, _) = tile_size(first.width, first.height);
    let correlator = Correlator::new(side, side);
    let window = hann(side);
    corners(first, noise, settings)
        .into_par_iter()
        .map_init(Follower::default, |f, (x, y)| {
            f.follow(frames, noise, settings, (&correlator, &window, x, y))
        })
        .collect()
}

/// Working memory for following one tile after another.
#[derive(Debug, Default)]
pub(super) struct Follower {
    codes: Vec<u16>,
    pub(super) pixels: Vec<f32>,
    pub(super) spectrum: Vec<Complex32>,
    pub(super) template: Vec<Complex32>,
    mean: Vec<Complex32>,
    pub(super) correlate: CorrelateScratch,
}

/// Decoding a tile, taking its weighted mean off and windowing it, as one piece of work.
struct Windowing<'a> {
    codes: &'a [u16],
    window: &'a [f32],
    coding: Coding,
    pixels: &'a mut [f32],
}

/// Partial sums of a row.
const LANES: usize = 16;

impl Wide for Windowing<'_> {
    /// The mean that was taken off.
    type Output = f32;

    #[inline(always)]
    fn call(self) -> f32 {
        let Self { codes, window, coding, pixels } = self;
        let side = window.len();
        let mut sum = 0.0_f64;
        let rows = codes.chunks_exact(side).zip(pixels.chunks_exact_mut(side));
        for ((codes, line), &wy) in rows.zip(window) {
            for (v, &c) in line.iter_mut().zip(codes) {
                *v = coding.decode(c);
            }
            let mut lanes = [0.0_f32; LANES];
            let parts = line.as_chunks::<LANES>().0.iter().zip(window.as_chunks::<LANES>().0);
            for (v, w) in parts {
                for ((l, v), w) in lanes.iter_mut().zip(v).zip(w) {
                    *l += v * w;
                }
            }
            sum += f64::from(lanes.iter().sum::<f32>() * wy);
        }
        let across: f64 = window.iter().map(|&w| f64::from(w)).sum();
        let mean = to_f32(sum / (across * across));
        for (line, &wy) in pixels.chunks_exact_mut(side).zip(window) {
            for (v, &wx) in line.iter_mut().zip(window) {
                *v = (*v - mean) * wx * wy;
            }
        }
        mean
    }
}

impl Follower {
    fn follow(
        &mut self,
        frames: &[Option<&FixedPlane>],
        noise: &PixelNoise,
        settings: &RegisterSettings,
        (correlator, window, x, y): (&Correlator, &[f32], usize, usize),
    ) -> Track {
        let side = window.len();
        let mut shifts = vec![None; frames.len()];
        let (mut seen, mut last) = (0.0_f32, [0.0, 0.0]);
        // Mean information, so that a few lost frames do not make a good tile look vague.
        let (mut info, mut found) = (0.0, 0.0_f64);
        for (frame, shift) in frames.iter().zip(&mut shifts) {
            let Some(frame) = frame else { continue };
            // The window stays inside the frame even where the content begins to leave it.
            let place = |a: usize, from: usize, length: usize| {
                let at = signed(from) + nearest(last)[a];
                at.clamp(0, signed(length.saturating_sub(side)))
            };
            let corner = [place(0, x, frame.width), place(1, y, frame.height)];
            let whole = [corner[0] - signed(x), corner[1] - signed(y)];
            let outside = (0..2).any(|a| (last[a] - whole[a] as f64).abs() > side as f64 / 4.0);
            if outside {
                continue;
            }
            let Some(noise_power) = self.cut(frame, noise, corner, window) else { continue };
            correlator.fft().forward(&self.pixels, &mut self.spectrum, &mut self.correlate.fft);
            if seen < 0.5 {
                self.template.clear();
                self.template.extend_from_slice(&self.spectrum);
                *shift = Some(last);
                seen = 1.0;
                continue;
            }
            let scale = 1.0 / seen.min(MEMORY);
            self.mean.clear();
            self.mean.extend_from_slice(&self.template);
            let peak = correlator.find(
                (&self.mean, noise_power * scale),
                (&self.spectrum, noise_power),
                settings.reach,
                &mut self.correlate,
            );
            last = [whole[0] as f64 + peak.shift[0], whole[1] as f64 + peak.shift[1]];
            *shift = Some(last);
            info += peak.sigma.max(1e-3).powi(-2);
            found += 1.0;
            let keep = seen.min(MEMORY);
            correlator.accumulate(
                (&mut self.template, keep / (keep + 1.0)),
                (&self.spectrum, 1.0 / (keep + 1.0)),
                peak.shift,
                &mut self.correlate,
            );
            seen += 1.0;
        }
        let sigma = if info > 0.0 { (found / info).sqrt() } else { f64::INFINITY };
        Track { x, y, side, shifts, sigma }
    }

    /// Cuts out a windowed tile, its weighted mean removed; gives the noise power of one spectrum
    /// value, or `None` where the tile is not all inside the frame.
    pub(super) fn cut(
        &mut self,
        frame: &FixedPlane,
        noise: &PixelNoise,
        corner: [isize; 2],
        window: &[f32],
    ) -> Option<f32> {
        let side = window.len();
        let x = index_in(corner[0], frame.width.checked_sub(side)? + 1)?;
        let y = index_in(corner[1], frame.height.checked_sub(side)? + 1)?;
        // Rows lie far apart in memory: all are asked for before one is worked on.
        self.codes.clear();
        for row in frame.codes[y * frame.width..].chunks(frame.width).take(side) {
            self.codes.extend_from_slice(&row[x..x + side]);
        }
        self.pixels.resize(side * side, 0.0);
        let (codes, pixels) = (&self.codes, &mut self.pixels);
        let mean = wide(Windowing { codes, window, coding: frame.coding, pixels });
        let squares: f32 = window.iter().map(|w| w * w).sum();
        let centre = (y + side / 2) * frame.width + x + side / 2;
        Some(squares * squares * noise.variance(mean, centre))
    }
}
