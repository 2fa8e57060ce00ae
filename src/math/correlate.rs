//! Where one tile lies in another: correlation weighted for the noise of both.
//!
//! The cross-spectrum `conj(T) F` of a template T and a tile F is weighted with
//!
//! ```text
//! W = S / ( S (N_T + N_F) + N_T N_F )
//! ```
//!
//! S the power of the scene, N_T and N_F the noise powers (all per frequency), before it is
//! transformed back: the generalised correlation of Knapp & Carter (IEEE Trans. ASSP 24(4),
//! 320-327, 1976), with the coherence written out for a template and a tile of known noise.
//! At high signal it whitens like phase correlation, at low signal it becomes a matched filter,
//! so frequencies that hold only noise do not vote. S is the radial mean of `|T|^2 - N_T`.
//! Weighted so, the surface is a log-likelihood; a prior against long jumps is added to it.

use rustfft::num_complex::{Complex32, Complex64};

use crate::frame::convert::to_f32;
use crate::math::fft2::{Fft2, Rings, Scratch, frequency};

/// Movements longer than this, in pixels, are unlikely from one frame to the next.
const JUMP: f64 = 1.5;
/// A Hann window correlates neighbouring frequencies: the surface is the log-likelihood times this
/// (1.5, the window's equivalent noise bandwidth, for each axis).
const OVERLAP: f64 = 2.25;
/// Weight of the prior in units of the surface: 1.5, heavy-tailed, so that a knocked rig is still
/// followed.
const PRIOR: f32 = 1.5 * 2.25;

/// Natural logarithm to about 1 %, without the platform's library; `x` at least 1.
fn fast_ln(x: f32) -> f32 {
    let bits = x.to_bits();
    let exponent = f32::from(u16::try_from(bits >> 23).unwrap_or(127)) - 127.0;
    let mantissa = f32::from_bits((bits & 0x007f_ffff) | 0x3f80_0000);
    let m = mantissa - 1.0;
    std::f32::consts::LN_2 * (exponent + m * (1.3465 - 0.3465 * m))
}

/// A tile size with everything planned for correlating.
#[derive(Debug, Clone)]
pub struct Correlator {
    fft: Fft2,
    rings: Rings,
    /// What the prior is a multiple of, for each place of a surface.
    jump: Vec<f32>,
}

/// Part of a row of a surface.
struct Line<'a> {
    surface: &'a [f32],
    jump: &'a [f32],
    prior: f32,
}

impl Line<'_> {
    fn at(&self, i: usize) -> f32 {
        self.surface[i] - self.prior * self.jump[i]
    }

    /// The highest value, the prior counted in.
    fn top(&self) -> f32 {
        const LANES: usize = 8;
        let (surface, jump) = (self.surface.as_chunks::<LANES>(), self.jump.as_chunks::<LANES>());
        let mut tops = [f32::NEG_INFINITY; LANES];
        for (surface, jump) in surface.0.iter().zip(jump.0) {
            for ((t, s), j) in tops.iter_mut().zip(surface).zip(jump) {
                let v = s - self.prior * j;
                *t = if v > *t { v } else { *t };
            }
        }
        let rest = surface.1.iter().zip(jump.1).map(|(s, j)| s - self.prior * j);
        rest.chain(tops).fold(f32::NEG_INFINITY, f32::max)
    }
}

/// Working memory of one thread.
#[derive(Debug, Clone, Default)]
pub struct CorrelateScratch {
    /// For the transforms.
    pub fft: Scratch,
    cross: Vec<Complex32>,
    surface: Vec<f32>,
    /// By how much each row is turned.
    rows: Vec<Complex32>,
}

/// The peak of a correlation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Peak {
    /// Where the tile's content lies relative to the template's, x right and y down, in pixels.
    pub shift: [f64; 2],
    /// Standard uncertainty of the shift as the curvature of the likelihood gives it, the larger of
    /// the two axes, in pixels.
    pub sigma: f64,
    /// Height of the peak in units of the surface, see [`Correlator::strength`].
    height: f32,
}

impl Correlator {
    /// Plans for tiles of `width` by `height`.
    #[must_use]
    pub fn new(width: usize, height: usize) -> Self {
        let fft = Fft2::new(width, height);
        let rings = Rings::new(&fft);
        let far = |i: usize, n: usize| to_f32(frequency(i, n) * n as f64 / JUMP);
        let jump = (0..height)
            .flat_map(|y| (0..width).map(move |x| (far(x, width), far(y, height))))
            .map(|(dx, dy)| fast_ln(1.0 + dx * dx + dy * dy))
            .collect();
        Self { fft, rings, jump }
    }

    /// The transform of this size.
    #[must_use]
    pub fn fft(&self) -> &Fft2 {
        &self.fft
    }

    /// Radial mean of the scene's power in a template, its noise power taken off, smoothed over
    /// neighbouring rings and not below zero.
    fn scene_power(&self, template: &[Complex32], noise: f32) -> [f32; Rings::COUNT] {
        let mut power = self.rings.mean_power(template);
        for p in &mut power {
            *p = (*p - noise).max(0.0);
        }
        let raw = power;
        for r in 1..Rings::COUNT - 1 {
            power[r] = 0.25 * raw[r - 1] + 0.5 * raw[r] + 0.25 * raw[r + 1];
        }
        power
    }

    /// Finds `tile` (spectrum, noise power `tile_noise` a value) relative to `template`
    /// (spectrum, noise power `template_noise`), within `reach` pixels along each axis.
    pub fn find(
        &self,
        template: (&[Complex32], f32),
        tile: (&[Complex32], f32),
        reach: usize,
        scratch: &mut CorrelateScratch,
    ) -> Peak {
        self.correlate(template, tile, scratch);
        self.peak(&scratch.surface, reach)
    }

    /// The surface whose peak [`Self::find`] looks for: a log-likelihood of the shift, up to a
    /// factor that is the same for all tiles, so that surfaces of several tiles may be added.
    pub fn correlate<'s>(
        &self,
        (template, template_noise): (&[Complex32], f32),
        (tile, tile_noise): (&[Complex32], f32),
        scratch: &'s mut CorrelateScratch,
    ) -> &'s [f32] {
        let scene = self.scene_power(template, template_noise);
        let mut weight = [0.0_f32; Rings::COUNT];
        for (w, &s) in weight.iter_mut().zip(&scene) {
            let d = s * (template_noise + tile_noise) + template_noise * tile_noise;
            *w = if d > 0.0 { s / d } else { 0.0 };
        }
        // A scene without noise: plain correlation.
        if template_noise + tile_noise <= 0.0 {
            weight = [1.0; Rings::COUNT];
        }
        let cross = &mut scratch.cross;
        cross.clear();
        cross.extend(
            template
                .iter()
                .zip(tile)
                .zip(self.rings.each())
                .map(|((t, f), r)| t.conj() * f * weight[r]),
        );
        self.fft.inverse(cross, &mut scratch.surface, &mut scratch.fft);
        &scratch.surface
    }

    /// Highest point of a correlation surface within `reach`, refined by parabolas; the prior
    /// against long jumps counted in.
    #[must_use]
    pub fn peak(&self, surface: &[f32], reach: usize) -> Peak {
        self.peak_with(surface, reach, PRIOR)
    }

    /// The same without the prior.
    #[must_use]
    pub fn plain_peak(&self, surface: &[f32], reach: usize) -> Peak {
        self.peak_with(surface, reach, 0.0)
    }

    fn peak_with(&self, surface: &[f32], reach: usize, prior: f32) -> Peak {
        let (w, h) = (self.fft.width(), self.fft.height());
        let (rx, ry) = (reach.min(w / 2 - 1), reach.min(h / 2 - 1));
        let at = |x: usize, y: usize| surface[(y % h) * w + x % w];
        let (mut best, mut bx, mut by) = (f32::NEG_INFINITY, 0, 0);
        let wrap = |i: usize, n: usize| if i > n / 2 { i as f64 - n as f64 } else { i as f64 };
        for y in (h - ry..h).chain(0..=ry) {
            for x in [w - rx..w, 0..rx + 1] {
                let part = y * w + x.start..y * w + x.end;
                let line = Line { surface: &surface[part.clone()], jump: &self.jump[part], prior };
                let top = line.top();
                if top > best
                    && let Some(i) = (0..x.len()).find(|&i| line.at(i) >= top)
                {
                    (best, bx, by) = (top, x.start + i, y);
                }
            }
        }
        let best = at(bx, by);
        let parabola = |a: f32, b: f32, c: f32| {
            let curve = a - 2.0 * b + c;
            if curve < 0.0 {
                (f64::from((0.5 * (a - c) / curve).clamp(-0.5, 0.5)), OVERLAP / f64::from(-curve))
            } else {
                (0.0, f64::INFINITY)
            }
        };
        let (fx, vx) = parabola(at(bx + w - 1, by), best, at(bx + 1, by));
        let (fy, vy) = parabola(at(bx, by + h - 1), best, at(bx, by + 1));
        Peak { shift: [wrap(bx, w) + fx, wrap(by, h) + fy], sigma: vx.max(vy).sqrt(), height: best }
    }

    /// Height of a peak over the spread of the surface it was just found on: below about 5 it may
    /// be chance. Goes through the whole surface, so it is not part of the search.
    #[must_use]
    pub fn strength(&self, peak: &Peak, scratch: &CorrelateScratch) -> f32 {
        let surface = &scratch.surface;
        let mean = surface.iter().map(|&v| f64::from(v)).sum::<f64>() / surface.len() as f64;
        let spread = (surface.iter().map(|&v| (f64::from(v) - mean).powi(2)).sum::<f64>()
            / surface.len() as f64)
            .sqrt();
        to_f32((f64::from(peak.height) - mean) / spread.max(1e-30))
    }

    /// Makes of `sum` `keep * sum + gain * tile`, the tile's content first moved back by `shift`.
    pub fn accumulate(
        &self,
        (sum, keep): (&mut [Complex32], f32),
        (tile, gain): (&[Complex32], f32),
        shift: [f64; 2],
        scratch: &mut CorrelateScratch,
    ) {
        let (w, h) = (self.fft.width(), self.fft.height());
        let rows = &mut scratch.rows;
        rows.clear();
        rows.extend(turns(shift[1] / h as f64).take(h / 2 + 1));
        for ky in h / 2 + 1..h {
            rows.push(rows[h - ky].conj());
        }
        rows.iter_mut().for_each(|r| *r *= gain);
        for (kx, column) in turns(shift[0] / w as f64).take(self.fft.columns()).enumerate() {
            let range = kx * h..(kx + 1) * h;
            for ((s, t), r) in sum[range.clone()].iter_mut().zip(&tile[range]).zip(rows.iter()) {
                *s = *s * keep + t * column * r;
            }
        }
    }
}

/// Powers, from 0, of a turn by this part of a circle.
fn turns(part: f64) -> impl Iterator<Item = Complex32> {
    let angle = 2.0 * std::f64::consts::PI * part;
    let step = Complex64::new(libm::cos(angle), libm::sin(angle));
    std::iter::successors(Some(Complex64::new(1.0, 0.0)), move |v| Some(v * step))
        .map(|v| Complex32::new(to_f32(v.re), to_f32(v.im)))
}

/// Whole-pixel nearest to a shift.
#[must_use]
pub fn nearest(shift: [f64; 2]) -> [isize; 2] {
    [crate::frame::convert::round_isize(shift[0]), crate::frame::convert::round_isize(shift[1])]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::math::window::hann;

    fn texture(x: f64, y: f64) -> f32 {
        to_f32(
            40.0 * libm::sin(0.9 * x + 0.4 * y)
                + 30.0 * libm::cos(0.55 * x - 1.1 * y + 1.0)
                + 25.0 * libm::sin(1.3 * y + 0.2 * x * x / 40.0),
        )
    }

    fn windowed(dx: f64, dy: f64) -> Vec<f32> {
        let w = hann(64);
        (0..64 * 64)
            .map(|i| {
                let (x, y) = (i % 64, i / 64);
                texture(x as f64 - dx, y as f64 - dy) * w[x] * w[y]
            })
            .collect()
    }

    #[test]
    fn finds_a_shift_and_its_sign() {
        let c = Correlator::new(64, 64);
        let mut s = CorrelateScratch::default();
        let (mut t, mut f) = (Vec::new(), Vec::new());
        c.fft().forward(&windowed(0.0, 0.0), &mut t, &mut s.fft);
        c.fft().forward(&windowed(2.3, -1.4), &mut f, &mut s.fft);
        let p = c.find((&t, 1.0), (&f, 1.0), 20, &mut s);
        assert!((p.shift[0] - 2.3).abs() < 0.1, "{p:?}");
        assert!((p.shift[1] + 1.4).abs() < 0.1, "{p:?}");
        assert!(c.strength(&p, &s) > 4.0, "{p:?}");
    }

    #[test]
    fn accumulate_moves_content_back() {
        let c = Correlator::new(64, 64);
        let mut s = CorrelateScratch::default();
        let (mut t, mut f) = (Vec::new(), Vec::new());
        c.fft().forward(&windowed(0.0, 0.0), &mut t, &mut s.fft);
        // A circular whole-pixel shift is exact in the transform.
        let base = windowed(0.0, 0.0);
        let moved: Vec<f32> = (0..64 * 64)
            .map(|i| base[((i / 64 + 64 - 5) % 64) * 64 + (i % 64 + 64 - 3) % 64])
            .collect();
        c.fft().forward(&moved, &mut f, &mut s.fft);
        let mut sum = vec![Complex32::default(); t.len()];
        c.accumulate((&mut sum, 1.0), (&f, 1.0), [3.0, 5.0], &mut s);
        for (a, b) in sum.iter().zip(&t) {
            assert!((a - b).norm() < 0.05, "{a} {b}");
        }
    }
}
