//! Fourier transform of a real picture in two dimensions.
//!
//! No normalisation in either direction: forward then inverse multiplies by `width * height`.
//! The spectrum is stored column by column: `spectrum[kx * height + ky]` with
//! `kx` in `0..=width/2` and `ky` in `0..height` (the other half follows by symmetry).
//! Powers of two and products of 2, 3, 5 are fast. Transforms of one size are planned once and
//! used from many threads; each thread brings its own [`Scratch`].

use std::fmt;
use std::ops::Range;
use std::sync::Arc;

use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};
use rustfft::num_complex::Complex32;
use rustfft::{Fft, FftPlanner};

use crate::frame::convert::floor_usize;

/// A planned transform of `height` rows of `width` values.
#[derive(Clone)]
pub struct Fft2 {
    width: usize,
    height: usize,
    rows: Arc<dyn RealToComplex<f32>>,
    rows_back: Arc<dyn ComplexToReal<f32>>,
    columns: Arc<dyn Fft<f32>>,
    columns_back: Arc<dyn Fft<f32>>,
}

impl fmt::Debug for Fft2 {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Fft2({} x {})", self.width, self.height)
    }
}

/// Working memory of one thread.
#[derive(Debug, Clone, Default)]
pub struct Scratch {
    row: Vec<f32>,
    half: Vec<Complex32>,
    work: Vec<Complex32>,
}

impl Fft2 {
    /// Plans the transform of a picture.
    #[must_use]
    pub fn new(width: usize, height: usize) -> Self {
        let mut real = RealFftPlanner::<f32>::new();
        let mut complex = FftPlanner::<f32>::new();
        Self {
            width,
            height,
            rows: real.plan_fft_forward(width),
            rows_back: real.plan_fft_inverse(width),
            columns: complex.plan_fft_forward(height),
            columns_back: complex.plan_fft_inverse(height),
        }
    }

    /// Width of the picture.
    #[must_use]
    pub fn width(&self) -> usize {
        self.width
    }

    /// Height of the picture.
    #[must_use]
    pub fn height(&self) -> usize {
        self.height
    }

    /// Number of stored columns of the spectrum, `width / 2 + 1`.
    #[must_use]
    pub fn columns(&self) -> usize {
        self.width / 2 + 1
    }

    /// Number of values of the spectrum.
    #[must_use]
    pub fn spectrum_len(&self) -> usize {
        self.columns() * self.height
    }

    fn prepare(&self, scratch: &mut Scratch) {
        scratch.row.resize(self.width, 0.0);
        scratch.half.resize(self.columns(), Complex32::default());
        let work = [
            self.rows.get_scratch_len(),
            self.rows_back.get_scratch_len(),
            self.columns.get_inplace_scratch_len(),
            self.columns_back.get_inplace_scratch_len(),
        ];
        scratch.work.resize(work.into_iter().max().unwrap_or(0), Complex32::default());
    }

    /// `picture` (row by row) to `spectrum`.
    pub fn forward(&self, picture: &[f32], spectrum: &mut Vec<Complex32>, scratch: &mut Scratch) {
        self.prepare(scratch);
        spectrum.resize(self.spectrum_len(), Complex32::default());
        for (y, row) in picture.chunks_exact(self.width).take(self.height).enumerate() {
            scratch.row.copy_from_slice(row);
            let done = self.rows.process_with_scratch(
                &mut scratch.row,
                &mut scratch.half,
                &mut scratch.work,
            );
            debug_assert!(done.is_ok(), "sizes are set by prepare");
            for (kx, &v) in scratch.half.iter().enumerate() {
                spectrum[kx * self.height + y] = v;
            }
        }
        self.columns.process_with_scratch(spectrum, &mut scratch.work);
    }

    /// `spectrum` to `picture`; the spectrum is used up as working memory.
    pub fn inverse(
        &self,
        spectrum: &mut [Complex32],
        picture: &mut Vec<f32>,
        scratch: &mut Scratch,
    ) {
        self.inverse_rows(spectrum, 0..self.height, picture, scratch);
    }

    /// Some rows of what [`Self::inverse`] gives.
    pub fn inverse_rows(
        &self,
        spectrum: &mut [Complex32],
        rows: Range<usize>,
        picture: &mut Vec<f32>,
        scratch: &mut Scratch,
    ) {
        self.prepare(scratch);
        picture.resize(self.width * rows.len(), 0.0);
        self.columns_back.process_with_scratch(spectrum, &mut scratch.work);
        for (row, y) in picture.chunks_exact_mut(self.width).zip(rows) {
            for (kx, v) in scratch.half.iter_mut().enumerate() {
                *v = spectrum[kx * self.height + y];
            }
            // A real picture has real values at these two places; rounding leaves dust.
            scratch.half[0].im = 0.0;
            if self.width.is_multiple_of(2) {
                scratch.half[self.width / 2].im = 0.0;
            }
            let done =
                self.rows_back.process_with_scratch(&mut scratch.half, row, &mut scratch.work);
            debug_assert!(done.is_ok(), "sizes are set by prepare");
        }
    }
}

/// Signed frequency in cycles a pixel of bin `k` of `n`.
#[must_use]
pub fn frequency(k: usize, n: usize) -> f64 {
    let k = k as f64;
    let n = n as f64;
    if k > n / 2.0 { k / n - 1.0 } else { k / n }
}

/// Rings of nearly equal frequency of a spectrum, evenly spaced up to the corner frequency.
#[derive(Debug, Clone)]
pub struct Rings {
    ring: Vec<u8>,
    count: [f32; Self::COUNT],
}

impl Rings {
    /// Number of rings.
    pub const COUNT: usize = 24;

    /// The frequency in the middle of a ring, in cycles a pixel.
    #[must_use]
    pub fn frequency(ring: usize) -> f64 {
        (ring as f64 + 0.5) / Self::COUNT as f64 * std::f64::consts::FRAC_1_SQRT_2
    }

    /// The rings of a transform's spectrum.
    #[must_use]
    pub fn new(fft: &Fft2) -> Self {
        let mut count = [0.0; Self::COUNT];
        let mut ring = Vec::with_capacity(fft.spectrum_len());
        for kx in 0..fft.columns() {
            for ky in 0..fft.height() {
                let (fx, fy) = (frequency(kx, fft.width()), frequency(ky, fft.height()));
                let r = (2.0 * (fx * fx + fy * fy)).sqrt();
                let i = floor_usize(r * Self::COUNT as f64).min(Self::COUNT - 1);
                count[i] += 1.0;
                ring.push(u8::try_from(i).unwrap_or(0));
            }
        }
        Self { ring, count }
    }

    /// Mean of `|v|^2` over each ring.
    #[must_use]
    pub fn mean_power(&self, spectrum: &[Complex32]) -> [f32; Self::COUNT] {
        let mut power = [0.0; Self::COUNT];
        for (v, &r) in spectrum.iter().zip(&self.ring) {
            power[usize::from(r)] += v.norm_sqr();
        }
        for (p, n) in power.iter_mut().zip(&self.count) {
            *p /= n.max(1.0);
        }
        power
    }

    /// Mean over each ring of a function of the frequency along x and y, in cycles a pixel; `fft` is the
    /// transform of these rings.
    #[must_use]
    pub fn mean_of(&self, fft: &Fft2, value: impl Fn([f64; 2]) -> f32) -> [f32; Self::COUNT] {
        let mut mean = [0.0; Self::COUNT];
        let mut rings = self.each();
        for kx in 0..fft.columns() {
            for (ky, r) in (0..fft.height()).zip(&mut rings) {
                mean[r] += value([frequency(kx, fft.width()), frequency(ky, fft.height())]);
            }
        }
        mean.iter_mut().zip(&self.count).for_each(|(m, n)| *m /= n.max(1.0));
        mean
    }

    /// Stored spectrum values in each ring.
    #[must_use]
    pub fn counts(&self) -> &[f32; Self::COUNT] {
        &self.count
    }

    /// Ring of each spectrum value, in storage order.
    pub fn each(&self) -> impl Iterator<Item = usize> + '_ {
        self.ring.iter().map(|&r| usize::from(r))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The definition, slowly.
    fn slow(picture: &[f32], w: usize, h: usize, kx: usize, ky: usize) -> (f64, f64) {
        let (mut re, mut im) = (0.0, 0.0);
        for y in 0..h {
            for x in 0..w {
                let phase = -2.0
                    * std::f64::consts::PI
                    * (kx as f64 * x as f64 / w as f64 + ky as f64 * y as f64 / h as f64);
                re += f64::from(picture[y * w + x]) * libm::cos(phase);
                im += f64::from(picture[y * w + x]) * libm::sin(phase);
            }
        }
        (re, im)
    }

    #[test]
    fn agrees_with_the_definition_also_with_dirty_scratch() {
        let (w, h) = (12, 10);
        let picture: Vec<f32> = (0..w * h).map(|i| ((i * 37 + 11) % 29) as f32 - 14.0).collect();
        let fft = Fft2::new(w, h);
        let mut scratch = Scratch {
            row: vec![f32::NAN; 99],
            work: vec![Complex32::new(f32::NAN, 1e30); 3],
            ..Scratch::default()
        };
        let mut spectrum = vec![Complex32::new(7.0, 7.0); 5];
        fft.forward(&picture, &mut spectrum, &mut scratch);
        for kx in 0..fft.columns() {
            for ky in 0..h {
                let (re, im) = slow(&picture, w, h, kx, ky);
                let got = spectrum[kx * h + ky];
                assert!((f64::from(got.re) - re).abs() < 2e-3);
                assert!((f64::from(got.im) - im).abs() < 2e-3);
            }
        }
        let mut back = Vec::new();
        fft.inverse(&mut spectrum, &mut back, &mut scratch);
        for (a, b) in back.iter().zip(&picture) {
            assert!((a / (w * h) as f32 - b).abs() < 1e-5);
        }
    }

    #[test]
    fn frequencies_are_signed() {
        assert!((frequency(1, 8) - 0.125).abs() < 1e-12);
        assert!((frequency(7, 8) + 0.125).abs() < 1e-12);
    }
}
