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
use crate::frame::FixedPlane;
use crate::frame::convert::{index_in, signed, to_f32};
use crate::math::correlate::{CorrelateScratch, Correlator, nearest};
use crate::math::window::hann;

/// Tiles followed at the most; of more the best textured are kept, spread over the frame.
pub const MOST_TILES: usize = 144;
/// Frames that a tile's template remembers.
const MEMORY: f32 = 24.0;

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

/// Corners of the tiles to follow.
fn corners(
    first: &FixedPlane,
    noise: &PixelNoise,
    settings: &RegisterSettings,
) -> Vec<(usize, usize)> {
    let (side, stride) = tile_size(first.width, first.height);
    if first.width < side || first.height < side {
        return Vec::new();
    }
    let place = |length: usize| {
        let n = (length - side) / stride;
        let margin = (length - side - n * stride) / 2;
        (0..=n).map(move |i| margin + i * stride)
    };
    let all: Vec<(usize, usize)> = place(first.height)
        .flat_map(|y| place(first.width).map(move |x| (x, y)))
        .filter(|&(x, y)| settings.allows([x, y, side, side]))
        .collect();
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

/// Log-likelihoods further below a tile's best are taken as this, roughly.
const SAY: f32 = -3.0;
/// Surface of a correlation to log-likelihood (the window's overlap of frequencies).
const SCALE: f32 = 1.0 / 2.25;
/// How often the frames are gone through, the first time included.
const ROUNDS: usize = 3;
/// A frame is found again when it lies this close to where it was, in pixels.
const AGAIN: f64 = 1.5;

/// `ln(exp(v) + exp(SAY))`.
fn saturated(v: f32) -> f32 {
    let (low, high) = (v.min(SAY), v.max(SAY));
    high + libm::log1pf(libm::expf(low - high))
}

/// Tiles followed as one body: one shift a frame, where the sum of their likelihoods is largest.
/// Holds on to textures by which no tile alone can be followed.
#[derive(Debug)]
pub struct Body<'a> {
    frames: &'a [Option<&'a FixedPlane>],
    noise: &'a PixelNoise,
    reach: usize,
    correlator: Correlator,
    window: Vec<f32>,
    members: Vec<Member>,
}

/// One tile of a body.
#[derive(Debug, Default)]
struct Member {
    corner: (usize, usize),
    follower: Follower,
    /// Sum of the spectra of the frames at hand, moved back.
    sum: Vec<Complex32>,
    /// Frames in the template.
    seen: f32,
    /// Noise power of the last spectrum; `None` where the tile was outside of the frame.
    noise: Option<f32>,
    surface: Vec<f32>,
}

impl<'a> Body<'a> {
    /// A body of the tiles of `tracks`.
    #[must_use]
    pub fn new(
        frames: &'a [Option<&'a FixedPlane>],
        noise: &'a PixelNoise,
        settings: &RegisterSettings,
        tracks: &[&Track],
    ) -> Self {
        let side = tracks.first().map_or(2, |t| t.side);
        Self {
            frames,
            noise,
            reach: settings.reach,
            correlator: Correlator::new(side, side),
            window: hann(side),
            members: tracks
                .iter()
                .map(|t| Member { corner: (t.x, t.y), ..Member::default() })
                .collect(),
        }
    }

    /// The path of the body, found in several rounds: first frame by frame with a template made on
    /// the way, then with one of all other frames.
    pub fn follow(&mut self) -> Vec<Option<[f64; 2]>> {
        let mut path = self.first_round();
        for _ in 1..ROUNDS {
            path = self.again(&path).0;
        }
        path
    }

    /// The tiles' surfaces added up.
    fn total(&self) -> Option<Vec<f32>> {
        let mut sum = vec![0.0; self.window.len() * self.window.len()];
        let mut voices = 0_usize;
        for m in self.members.iter().filter(|m| m.noise.is_some() && m.seen > 0.5) {
            voices += 1;
            for (s, v) in sum.iter_mut().zip(&m.surface) {
                *s += v;
            }
        }
        (voices > 0).then_some(sum)
    }

    fn first_round(&mut self) -> Vec<Option<[f64; 2]>> {
        let mut last = [0.0, 0.0];
        let mut path = vec![None; self.frames.len()];
        for m in &mut self.members {
            m.seen = 0.0;
        }
        for (frame, place) in self.frames.iter().zip(&mut path) {
            let Some(frame) = frame else { continue };
            let whole = nearest(last);
            let (correlator, window, noise) = (&self.correlator, &self.window, self.noise);
            self.members.par_iter_mut().for_each(|m| {
                m.see(frame, noise, (correlator, window), whole);
                m.correlate(correlator, m.seen);
            });
            if let Some(sum) = self.total() {
                let peak = self.correlator.peak(&sum, self.reach);
                last = [0, 1].map(|a| whole[a] as f64 + peak.shift[a]);
            }
            *place = Some(last);
            let moved = [0, 1].map(|a| last[a] - whole[a] as f64);
            self.members.par_iter_mut().for_each(|m| m.learn(&self.correlator, moved));
        }
        path
    }

    /// Makes templates along `path` and looks each frame up in that of all others. Also gives the
    /// part of the frames that were found where the path had them, among all places within reach:
    /// where there is only noise, hardly any are.
    pub fn again(&mut self, path: &[Option<[f64; 2]>]) -> (Vec<Option<[f64; 2]>>, f64) {
        let (correlator, window, noise) = (&self.correlator, &self.window, self.noise);
        let frames = self.frames;
        let present = || {
            frames.iter().zip(path).enumerate().filter_map(|(k, (f, p))| Some((k, (*f)?, (*p)?)))
        };
        self.members.par_iter_mut().for_each(|m| {
            m.sum.clear();
            m.seen = 0.0;
            for (_, frame, place) in present() {
                m.see(frame, noise, (correlator, window), nearest(place));
                m.add(correlator, fraction(place), 1.0);
            }
        });
        let mut out = vec![None; frames.len()];
        let (mut found, mut tried) = (0.0, 0.0_f64);
        for (k, frame, place) in present() {
            let whole = nearest(place);
            let (correlator, window) = (&self.correlator, &self.window);
            self.members.par_iter_mut().for_each(|m| {
                m.see(frame, noise, (correlator, window), whole);
                m.correlate_without(correlator, fraction(place));
            });
            out[k] = Some(place);
            let Some(sum) = self.total() else { continue };
            let peak = self.correlator.plain_peak(&sum, self.reach);
            out[k] = Some([0, 1].map(|a| whole[a] as f64 + peak.shift[a]));
            let off = [0, 1].map(|a| peak.shift[a] - fraction(place)[a]);
            tried += 1.0;
            if off[0].abs().max(off[1].abs()) < AGAIN {
                found += 1.0;
            }
        }
        (out, found / tried.max(1.0))
    }
}

/// What a place is beyond whole pixels.
fn fraction(place: [f64; 2]) -> [f64; 2] {
    let whole = nearest(place);
    [0, 1].map(|a| place[a] - whole[a] as f64)
}

impl Member {
    /// Takes the spectrum of what lies in the frame at `whole`.
    fn see(
        &mut self,
        frame: &FixedPlane,
        noise: &PixelNoise,
        (correlator, window): (&Correlator, &[f32]),
        whole: [isize; 2],
    ) {
        let at = [signed(self.corner.0) + whole[0], signed(self.corner.1) + whole[1]];
        let f = &mut self.follower;
        self.noise = f.cut(frame, noise, at, window);
        if self.noise.is_some() {
            correlator.fft().forward(&f.pixels, &mut f.spectrum, &mut f.correlate.fft);
        }
    }

    /// Correlates the last spectrum with the template, which holds `frames` frames.
    fn correlate(&mut self, correlator: &Correlator, frames: f32) {
        let Some(noise) = self.noise.filter(|_| frames > 0.5) else { return };
        let f = &mut self.follower;
        let template = (&f.template[..], noise / frames);
        let surface = correlator.correlate(template, (&f.spectrum, noise), &mut f.correlate);
        // Where a tile is elsewhere than the others it has a say up to a limit, however clear its
        // own peak is.
        let top = surface.iter().copied().fold(f32::NEG_INFINITY, f32::max);
        self.surface.clear();
        self.surface.extend(surface.iter().map(|&v| saturated((v - top) * SCALE)));
    }

    /// The same with the mean of all frames but the last one seen, which lies at `moved` in it.
    fn correlate_without(&mut self, correlator: &Correlator, moved: [f64; 2]) {
        if self.noise.is_none() {
            return;
        }
        let others = (self.seen - 1.0).max(0.0);
        let f = &mut self.follower;
        f.template.clone_from(&self.sum);
        correlator.accumulate(&mut f.template, &f.spectrum, moved, -1.0);
        for t in &mut f.template {
            *t *= 1.0 / others.max(1.0);
        }
        self.correlate(correlator, others);
    }

    /// Adds the last spectrum, moved back, to the sum.
    fn add(&mut self, correlator: &Correlator, moved: [f64; 2], gain: f32) {
        if self.noise.is_none() {
            return;
        }
        self.sum.resize(self.follower.spectrum.len(), Complex32::default());
        correlator.accumulate(&mut self.sum, &self.follower.spectrum, moved, gain);
        self.seen += 1.0;
    }

    /// Takes the last spectrum, moved back, into the template made on the way.
    fn learn(&mut self, correlator: &Correlator, moved: [f64; 2]) {
        if self.noise.is_none() {
            return;
        }
        let f = &mut self.follower;
        let keep = self.seen.min(MEMORY);
        f.template.resize(f.spectrum.len(), Complex32::default());
        for t in &mut f.template {
            *t *= keep / (keep + 1.0);
        }
        correlator.accumulate(&mut f.template, &f.spectrum, moved, 1.0 / (keep + 1.0));
        self.seen = keep + 1.0;
    }
}

/// Working memory for following one tile after another.
#[derive(Debug, Default)]
struct Follower {
    pixels: Vec<f32>,
    spectrum: Vec<Complex32>,
    template: Vec<Complex32>,
    mean: Vec<Complex32>,
    correlate: CorrelateScratch,
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
            for t in &mut self.template {
                *t *= keep / (keep + 1.0);
            }
            correlator.accumulate(
                &mut self.template,
                &self.spectrum,
                peak.shift,
                1.0 / (keep + 1.0),
            );
            seen += 1.0;
        }
        let sigma = if info > 0.0 { (found / info).sqrt() } else { f64::INFINITY };
        Track { x, y, side, shifts, sigma }
    }

    /// Cuts out a windowed tile, its weighted mean removed; gives the noise power of one spectrum
    /// value, or `None` where the tile is not all inside the frame.
    fn cut(
        &mut self,
        frame: &FixedPlane,
        noise: &PixelNoise,
        corner: [isize; 2],
        window: &[f32],
    ) -> Option<f32> {
        let side = window.len();
        let x = index_in(corner[0], frame.width.checked_sub(side)? + 1)?;
        let y = index_in(corner[1], frame.height.checked_sub(side)? + 1)?;
        self.pixels.clear();
        let (mut sum, mut weight) = (0.0_f64, 0.0_f64);
        for (row, &wy) in window.iter().enumerate() {
            let codes = &frame.row(y + row)[x..x + side];
            let mut line = 0.0;
            for (&c, &wx) in codes.iter().zip(window) {
                let v = frame.coding.decode(c);
                self.pixels.push(v);
                line += v * wx;
            }
            sum += f64::from(line * wy);
        }
        let across: f64 = window.iter().map(|&w| f64::from(w)).sum();
        weight += across * across;
        let mean = to_f32(sum / weight);
        let squares: f32 = window.iter().map(|w| w * w).sum();
        for (row, line) in self.pixels.chunks_exact_mut(side).enumerate() {
            for (v, &wx) in line.iter_mut().zip(window) {
                *v = (*v - mean) * wx * window[row];
            }
        }
        let centre = (y + side / 2) * frame.width + x + side / 2;
        Some(squares * squares * noise.variance(mean, centre))
    }
}
