//! Tiles followed as one body: one shift a frame, where the sum of their likelihoods is largest.
//!
//! Holds on to textures by which no tile alone can be followed. Each tile's correlation surface is
//! its log-likelihood of the shift; where a tile is elsewhere than the others it has a say up to a
//! limit, however clear its own peak is.
//!
//! A frame is always looked up in the mean of the *other* frames, so what a tile says of a path is
//! a prediction: its evidence is
//!
//! ```text
//! e = ln mean exp L (3 x 3 places at the path) - ln mean exp L (all places within reach)
//! ```
//!
//! above 0 where the tile's content comes back along the path, around 0 for noise, below 0 where
//! the content is elsewhere. Which tiles take part is told from it, over several stretches of time
//! ([`Body::members`]); only they are asked where a frame lies. So a body cannot change over to
//! another layer of the scene halfway through: tiles of that layer contradict the first half.
//!
//! Cost: three 64 x 64 transforms a tile and frame, once a look.

use rayon::prelude::*;
use rustfft::num_complex::Complex32;

use super::tracks::{Follower, MEMORY, Track};
use super::{PixelNoise, RegisterSettings};
use crate::frame::FixedPlane;
use crate::frame::convert::signed;
use crate::math::correlate::{Correlator, nearest};
use crate::math::robust::median_f64;
use crate::math::window::hann;

/// Log-likelihoods further below a tile's best are taken as this, roughly.
const SAY: f32 = -3.0;
/// Surface of a correlation to log-likelihood (the window's overlap of frequencies, 1.5 an axis).
const SCALE: f32 = 1.0 / 2.25;
/// How often the frames are gone through, the first time included.
const ROUNDS: usize = 3;
/// Stretches of time that are asked one by one whether a tile moves with the body.
const STRETCHES: usize = 5;
/// Evidence over all frames that makes a tile a member: odds of 100 to 1.
const EVIDENCE: f64 = 4.6;

/// Shift of a body for each frame; `None` for missing frames and for those that cannot be told.
pub type Path = Vec<Option<[f64; 2]>>;

/// Tiles that are followed together.
#[derive(Debug)]
pub struct Body<'a> {
    frames: &'a [Option<&'a FixedPlane>],
    noise: &'a PixelNoise,
    reach: usize,
    correlator: Correlator,
    window: Vec<f32>,
    tiles: Vec<Tile>,
    /// Likelihoods of overlapping tiles count the same pixels several times: by this they add up
    /// to that of the pixels.
    once: f32,
}

/// One tile of a body.
#[derive(Debug, Default)]
pub(super) struct Tile {
    corner: (usize, usize),
    pub(super) active: bool,
    follower: Follower,
    /// Sum of the spectra of the frames at hand, moved back.
    sum: Vec<Complex32>,
    /// Frames in the template.
    pub(super) seen: f32,
    /// Noise power of the last spectrum; `None` where the tile was outside of the frame.
    noise: Option<f32>,
    /// Log-likelihood of the places within reach, row by row; 0 at the best.
    surface: Vec<f32>,
    /// What the last look said of the path, frame by frame.
    evidence: Vec<Option<f32>>,
}

/// What a look at all frames found.
#[derive(Debug, Clone, PartialEq)]
pub struct Look {
    /// Where each frame lies.
    pub path: Path,
    /// What the tiles that take part say together of the path: their evidence (see the module's
    /// head) per frame, in nats. 0 for noise.
    pub evidence: f64,
    /// Probability that a frame lies where it was found (and not at a place elsewhere); 0 for
    /// missing frames.
    pub sure: Vec<f64>,
}

impl<'a> Body<'a> {
    /// A body of the tiles of `tracks`, all taking part.
    #[must_use]
    pub fn new(
        frames: &'a [Option<&'a FixedPlane>],
        noise: &'a PixelNoise,
        settings: &RegisterSettings,
        tracks: &[&Track],
    ) -> Self {
        let side = tracks.first().map_or(2, |t| t.side);
        let area = frames.iter().flatten().next().map_or(0, |f| f.width * f.height) as f32;
        let counted = tracks.len().max(1) as f32 * (side * side) as f32 * SCALE;
        Self {
            frames,
            noise,
            reach: settings.reach.min(side / 2 - 1),
            correlator: Correlator::new(side, side),
            window: hann(side),
            tiles: tracks
                .iter()
                .map(|t| Tile { corner: (t.x, t.y), active: true, ..Tile::default() })
                .collect(),
            once: (area / counted).min(1.0),
        }
    }

    /// Chooses the tiles that take part.
    pub fn choose(&mut self, members: &[bool]) {
        for (t, &m) in self.tiles.iter_mut().zip(members) {
            t.active = m;
        }
    }

    /// The path of the body, found in several rounds: first frame by frame with a template made on
    /// the way, then with one of all other frames.
    pub fn follow(&mut self) -> Path {
        let mut path = self.first_round();
        for _ in 1..ROUNDS {
            path = self.look(&path).path;
        }
        path
    }

    /// The surfaces of the tiles that take part, added up.
    fn total(&self) -> Option<Vec<f32>> {
        total(&self.tiles, self.once)
    }

    fn first_round(&mut self) -> Path {
        let mut last = [0.0, 0.0];
        let mut path = vec![None; self.frames.len()];
        for t in &mut self.tiles {
            t.seen = 0.0;
        }
        for (frame, place) in self.frames.iter().zip(&mut path) {
            let Some(frame) = frame else { continue };
            let whole = nearest(last);
            let (correlator, window, noise) = (&self.correlator, &self.window, self.noise);
            let reach = self.reach;
            self.tiles.par_iter_mut().filter(|t| t.active).for_each(|t| {
                t.see(frame, noise, (correlator, window), whole);
                t.correlate(correlator, t.seen, reach);
            });
            if let Some(sum) = self.total() {
                let peak = peak(&sum, reach, [0.0, 0.0]);
                last = [0, 1].map(|a| whole[a] as f64 + peak.shift[a]);
            }
            *place = Some(last);
            let moved = [0, 1].map(|a| last[a] - whole[a] as f64);
            self.tiles
                .par_iter_mut()
                .filter(|t| t.active)
                .for_each(|t| t.learn(&self.correlator, moved));
        }
        path
    }

    /// Makes templates along `path` and looks each frame up in that of all others. Frames that
    /// `path` does not have are looked for near their neighbours.
    pub fn look(&mut self, path: &[Option<[f64; 2]>]) -> Look {
        let frames = self.frames;
        let full = bridged(path);
        self.gather(path);
        let mut out =
            Look { path: vec![None; frames.len()], evidence: 0.0, sure: vec![0.0; frames.len()] };
        let (mut evidence, mut tried) = (0.0, 0.0_f64);
        for (k, frame) in frames.iter().enumerate() {
            let (Some(frame), Some(place)) = (frame, full[k]) else { continue };
            let whole = nearest(place);
            let own = path[k].map(fraction);
            let (correlator, window) = (&self.correlator, &self.window);
            let (noise, reach) = (self.noise, self.reach);
            self.tiles.par_iter_mut().for_each(|t| {
                t.see(frame, noise, (correlator, window), whole);
                t.correlate_without(correlator, own, reach);
                t.weigh(k, reach);
            });
            out.path[k] = Some(place);
            let Some(sum) = self.total() else { continue };
            let peak = peak(&sum, self.reach, self.expected(&full, k));
            out.path[k] = Some([0, 1].map(|a| whole[a] as f64 + peak.shift[a]));
            out.sure[k] = peak.sure;
            evidence += f64::from(evidence_of(&sum, reach));
            tried += 1.0;
        }
        out.evidence = evidence / tried.max(1.0);
        out
    }

    /// Where the neighbours of frame k say it is, from its whole-pixel place.
    fn expected(&self, full: &[Option<[f64; 2]>], k: usize) -> [f64; 2] {
        let before = (0..k).rev().find_map(|i| full[i]);
        let after = full[k + 1..].iter().flatten().next().copied();
        let place = full[k].unwrap_or_default();
        let whole = nearest(place);
        let between = match (before, after) {
            (Some(b), Some(a)) => [0.5 * (a[0] + b[0]), 0.5 * (a[1] + b[1])],
            (one, other) => one.or(other).unwrap_or(place),
        };
        [0, 1].map(|a| between[a] - whole[a] as f64)
    }

    /// Sums of the spectra of all frames of `path`.
    fn gather(&mut self, path: &[Option<[f64; 2]>]) {
        let (correlator, window, noise) = (&self.correlator, &self.window, self.noise);
        let frames = self.frames;
        self.tiles.par_iter_mut().for_each(|t| {
            t.sum.clear();
            t.evidence.clear();
            t.evidence.resize(frames.len(), None);
            t.seen = 0.0;
            for (frame, place) in frames.iter().zip(path) {
                if let (Some(frame), Some(place)) = (frame, place) {
                    t.see(frame, noise, (correlator, window), nearest(*place));
                    t.add(correlator, fraction(*place), 1.0);
                }
            }
        });
    }

    /// Which tiles moved with the path of the last look: the evidence is for it in all, and in
    /// more than half of the stretches of time.
    #[must_use]
    pub fn members(&self) -> Vec<bool> {
        self.tiles
            .iter()
            .map(|t| {
                let all: f64 = t.evidence.iter().flatten().map(|&e| f64::from(e)).sum();
                let length = t.evidence.len().div_ceil(STRETCHES).max(1);
                let mut parts: Vec<f64> = t
                    .evidence
                    .chunks(length)
                    .map(|c| c.iter().flatten().map(|&e| f64::from(e)).sum())
                    .collect();
                all > EVIDENCE && median_f64(&mut parts).is_some_and(|m| m > 0.0)
            })
            .collect()
    }
}

/// The surfaces of the tiles that take part, added up, times `once`.
pub(super) fn total(tiles: &[Tile], once: f32) -> Option<Vec<f32>> {
    let mut sum: Vec<f32> = Vec::new();
    for t in tiles.iter().filter(|t| t.active && t.is_seen()) {
        sum.resize(t.surface.len(), 0.0);
        for (s, v) in sum.iter_mut().zip(&t.surface) {
            *s += v;
        }
    }
    for s in &mut sum {
        *s *= once;
    }
    (!sum.is_empty()).then_some(sum)
}

/// A path in which unknown frames lie between their neighbours.
fn bridged(path: &[Option<[f64; 2]>]) -> Path {
    (0..path.len())
        .map(|k| {
            let before = (0..=k).rev().find_map(|i| Some((k - i, path[i]?)));
            let after = (k..path.len()).find_map(|i| Some((i - k, path[i]?)));
            match (before, after) {
                (Some((m, b)), Some((n, a))) if m + n > 0 => {
                    let t = m as f64 / (m + n) as f64;
                    Some([0, 1].map(|i| b[i] + t * (a[i] - b[i])))
                }
                (one, other) => one.or(other).map(|(_, p)| p),
            }
        })
        .collect()
}

/// What a place is beyond whole pixels.
fn fraction(place: [f64; 2]) -> [f64; 2] {
    let whole = nearest(place);
    [0, 1].map(|a| place[a] - whole[a] as f64)
}

/// `ln(exp(v) + exp(SAY))` for `v` up to 0.
fn saturated(v: f32) -> f32 {
    if v < SAY - 7.0 {
        return SAY;
    }
    let (low, high) = (v.min(SAY), v.max(SAY));
    high + libm::log1pf(libm::expf(low - high))
}

/// What a surface says of the 3 x 3 places in its middle, against all.
fn evidence_of(surface: &[f32], reach: usize) -> f32 {
    let side = 2 * reach + 1;
    let top = surface.iter().copied().fold(f32::NEG_INFINITY, f32::max);
    let (mut near, mut all) = (0.0_f32, 0.0_f32);
    for (y, row) in surface.chunks_exact(side).enumerate() {
        let mut line = 0.0;
        for (x, &v) in row.iter().enumerate() {
            let e = if v < top - 20.0 { 0.0 } else { libm::expf(v - top) };
            line += e;
            if y.abs_diff(reach) <= 1 && x.abs_diff(reach) <= 1 {
                near += e;
            }
        }
        all += line;
    }
    // What lies further down than 30 nats is as good as ruled out.
    libm::logf((near / 9.0).max(1e-13)) - libm::logf(all / (side * side) as f32)
}

/// The highest point of a surface.
pub(super) struct Peak {
    pub(super) shift: [f64; 2],
    /// Probability of the 3 x 3 places around it.
    pub(super) sure: f64,
}

/// Movements longer than this from what is expected are unlikely, in pixels.
const JUMP: f64 = 1.5;
/// Weight of that: heavy-tailed, so that a knocked rig is still followed.
const PRIOR: f32 = 1.5;

/// Finds the peak of a log-likelihood with the prior of lying near `expected`.
pub(super) fn peak(surface: &[f32], reach: usize, expected: [f64; 2]) -> Peak {
    let side = 2 * reach + 1;
    let at = |i: usize| i as f64 - reach as f64;
    let prior = |x: usize, y: usize| {
        let (dx, dy) = ((at(x) - expected[0]) / JUMP, (at(y) - expected[1]) / JUMP);
        -PRIOR * libm::logf(crate::frame::convert::to_f32(1.0 + dx * dx + dy * dy))
    };
    let (mut best, mut bx, mut by) = (f32::NEG_INFINITY, reach, reach);
    let mut posterior = Vec::with_capacity(surface.len());
    for (y, row) in surface.chunks_exact(side).enumerate() {
        for (x, &v) in row.iter().enumerate() {
            let value = v + prior(x, y);
            posterior.push(value);
            if value > best {
                (best, bx, by) = (value, x, y);
            }
        }
    }
    let value = |x: usize, y: usize| surface[y * side + x];
    let refined = |low: f32, middle: f32, high: f32| {
        let curve = low - 2.0 * middle + high;
        if curve < 0.0 { f64::from((0.5 * (low - high) / curve).clamp(-0.5, 0.5)) } else { 0.0 }
    };
    let inner = |i: usize| i > 0 && i + 1 < side;
    let middle = value(bx, by);
    let fx = if inner(bx) { refined(value(bx - 1, by), middle, value(bx + 1, by)) } else { 0.0 };
    let fy = if inner(by) { refined(value(bx, by - 1), middle, value(bx, by + 1)) } else { 0.0 };
    let (mut near, mut all) = (0.0_f64, 0.0_f64);
    for (y, row) in posterior.chunks_exact(side).enumerate() {
        for (x, &v) in row.iter().enumerate().filter(|(_, v)| **v > best - 30.0) {
            let p = f64::from(libm::expf(v - best));
            all += p;
            if x.abs_diff(bx) <= 1 && y.abs_diff(by) <= 1 {
                near += p;
            }
        }
    }
    Peak { shift: [at(bx) + fx, at(by) + fy], sure: near / all.max(1e-30) }
}

impl Tile {
    /// A tile whose content is known: a spectrum with the noise of `frames` frames.
    pub(super) fn of(corner: (usize, usize), template: Vec<Complex32>, frames: f32) -> Self {
        let mut out = Self { corner, active: true, seen: frames, ..Self::default() };
        out.follower.template = template;
        out
    }

    /// Whether it lies inside the last frame, and has a template.
    pub(super) fn is_seen(&self) -> bool {
        self.noise.is_some() && self.seen > 0.5
    }

    /// Takes the spectrum of what lies in the frame at `whole`.
    pub(super) fn see(
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
    pub(super) fn correlate(&mut self, correlator: &Correlator, frames: f32, reach: usize) {
        let Some(noise) = self.noise.filter(|_| frames > 0.5) else { return };
        let f = &mut self.follower;
        let template = (&f.template[..], noise / frames);
        let all = correlator.correlate(template, (&f.spectrum, noise), &mut f.correlate);
        let (w, h) = (correlator.fft().width(), correlator.fft().height());
        self.surface.clear();
        for y in (h - reach..h).chain(0..=reach) {
            let row = &all[y * w..(y + 1) * w];
            self.surface.extend_from_slice(&row[w - reach..]);
            self.surface.extend_from_slice(&row[..=reach]);
        }
        let top = self.surface.iter().copied().fold(f32::NEG_INFINITY, f32::max);
        for v in &mut self.surface {
            *v = saturated((*v - top) * SCALE);
        }
    }

    /// The same with the mean of all frames but the last one seen, which lies at `moved` in it
    /// (`None` where it is not part of it).
    fn correlate_without(
        &mut self,
        correlator: &Correlator,
        moved: Option<[f64; 2]>,
        reach: usize,
    ) {
        if self.noise.is_none() || self.sum.is_empty() {
            return;
        }
        let f = &mut self.follower;
        f.template.clone_from(&self.sum);
        let mut others = self.seen;
        if let Some(moved) = moved {
            others = (self.seen - 1.0).max(0.0);
            let (sum, tile) = ((&mut f.template[..], 1.0), (&f.spectrum[..], -1.0));
            correlator.accumulate(sum, tile, moved, &mut f.correlate);
        }
        for t in &mut f.template {
            *t *= 1.0 / others.max(1.0);
        }
        self.correlate(correlator, others, reach);
    }

    /// Notes what the last surface says of frame k lying where the path has it.
    fn weigh(&mut self, k: usize, reach: usize) {
        if self.noise.is_none() || self.seen < 1.5 {
            return;
        }
        self.evidence[k] = Some(evidence_of(&self.surface, reach));
    }

    /// Adds the last spectrum, moved back, to the sum.
    fn add(&mut self, correlator: &Correlator, moved: [f64; 2], gain: f32) {
        if self.noise.is_none() {
            return;
        }
        self.sum.resize(self.follower.spectrum.len(), Complex32::default());
        let f = &mut self.follower;
        let (sum, tile) = ((&mut self.sum[..], 1.0), (&f.spectrum[..], gain));
        correlator.accumulate(sum, tile, moved, &mut f.correlate);
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
        let sum = (&mut f.template[..], keep / (keep + 1.0));
        correlator.accumulate(sum, (&f.spectrum, 1.0 / (keep + 1.0)), moved, &mut f.correlate);
        self.seen = keep + 1.0;
    }
}

#[cfg(test)]
mod tests {
    use super::super::tracks::follow;
    use super::*;
    use crate::frame::{Coding, NoiseModel, Plane};
    use rand::SeedableRng;
    use rand_distr::{Distribution, Normal};

    const SIDE: usize = 192;
    const FRAMES: usize = 30;

    /// Texture of some pixels' size: smoothed noise, periodic enough nowhere.
    fn texture(seed: u64) -> Plane {
        let mut rng = rand_chacha::ChaCha12Rng::seed_from_u64(seed);
        let one = Normal::new(0.0_f32, 1.0).unwrap();
        let raw = Plane::from_fn(320, 320, |_, _| one.sample(&mut rng));
        crate::math::blur::gaussian(&raw, 1.5)
    }

    /// A still background; from column 112 on something else moves by (0.7, 0.4) px a frame.
    fn frames() -> Vec<FixedPlane> {
        let (back, front) = (texture(1), texture(2));
        let mut rng = rand_chacha::ChaCha12Rng::seed_from_u64(3);
        let noise = Normal::new(0.0_f32, 8.0).unwrap();
        (0..FRAMES)
            .map(|k| {
                let shift = [-0.7 * k as f64, -0.4 * k as f64];
                let moved = crate::math::resample::shifted(&front, shift[0], shift[1]);
                let p = Plane::from_fn(SIDE, SIDE, |x, y| {
                    let (from, gain) = if x < 112 { (&back, 20.0) } else { (&moved, 60.0) };
                    100.0 + gain * from.at(x + 40, y + 40) + noise.sample(&mut rng)
                });
                FixedPlane::from_plane(&p, None, Coding::for_white(1000.0))
            })
            .collect()
    }

    #[test]
    fn a_path_that_changes_over_to_the_mover_is_brought_back() {
        let frames = frames();
        let list: Vec<_> = frames.iter().map(Some).collect();
        let noise = PixelNoise::new(&NoiseModel { gain_e_per_dn: 1e9, read_noise_e: 8e9 });
        let settings = RegisterSettings::default();
        let tracks = follow(&list, &noise, &settings);
        let all: Vec<&Track> = tracks.iter().collect();
        let mut body = Body::new(&list, &noise, &settings, &all);
        // Right for two thirds, then on the mover, whose texture is three times as strong.
        let path: Path = (0..FRAMES)
            .map(|k| Some(if k < 20 { [0.0, 0.0] } else { [0.7 * k as f64, 0.4 * k as f64] }))
            .collect();
        body.look(&path);
        let mut members = body.members();
        for (t, m) in tracks.iter().zip(&members) {
            if t.x + t.side <= 112 {
                assert!(m, "the background at {} is left out", t.x);
            }
            if t.x >= 112 {
                assert!(!m, "the mover at {} has a say", t.x);
            }
        }
        // In turn, as `ground` does it.
        let mut path = path;
        for _ in 0..4 {
            body.choose(&members);
            path = body.look(&path).path;
            members = body.members();
        }
        let look = body.look(&path);
        for (k, p) in look.path.iter().enumerate() {
            let p = p.unwrap();
            assert!(p[0].abs().max(p[1].abs()) < 0.5, "frame {k} at {p:?}");
            // What `ground` asks of a frame.
            assert!(look.sure[k] > 0.9, "frame {k}: {}", look.sure[k]);
        }
        assert!(look.evidence > 0.5);
    }

    #[test]
    fn unknown_frames_lie_between_their_neighbours() {
        let p = bridged(&[None, Some([1.0, 0.0]), None, None, Some([4.0, 3.0]), None]);
        let x: Vec<f64> = p.iter().map(|p| p.unwrap()[0]).collect();
        assert_eq!(x, [1.0, 1.0, 2.0, 3.0, 4.0, 4.0]);
        assert!(bridged(&[None, None]).iter().all(Option::is_none));
    }

    #[test]
    fn a_flat_likelihood_is_no_evidence_and_not_sure() {
        let flat = vec![0.0; 41 * 41];
        assert!(evidence_of(&flat, 20).abs() < 1e-3);
        // Of 1681 places 9, weighted with the prior.
        assert!(peak(&flat, 20, [0.0, 0.0]).sure < 0.5);
        let mut one = vec![SAY; 41 * 41];
        one[20 * 41 + 20] = 30.0;
        assert!(evidence_of(&one, 20) > 4.0);
        assert!(peak(&one, 20, [0.0, 0.0]).sure > 0.99);
    }
}
