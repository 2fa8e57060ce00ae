//! Spectrum of a series of one value a frame: where the fan is that shakes the rig.
//!
//! Welch's method (P. D. Welch, "The use of fast Fourier transform for the estimation of power
//! spectra", IEEE Trans. Audio Electroacoust. 15(2), 1967): segments that overlap by half, a
//! straight line taken off each, a Hann window, powers averaged. Given as amplitude: a sine of
//! amplitude A whose frequency falls on a line shows A at that line (between two lines down to
//! 0.85 A, the window's scalloping loss, F. J. Harris, Proc. IEEE 66(1), 1978).

use rustfft::num_complex::Complex64;

use crate::math::fft::plan_forward;

/// Longest segment in frames.
const SEGMENT: usize = 4096;
/// A series shorter than this says nothing about frequencies.
const SHORTEST: usize = 16;
/// A peak stands out where it is this many times the median of the lines from half its frequency up
/// to it, and of those from there to twice its frequency: chance alone passes it in 1 of 65,000 lines
/// (amplitudes of noise are Rayleigh distributed, with a median of 1.18 deviations), and a random
/// walk, which has more the slower it is, in about one of a hundred clips.
const OUT_OF_AROUND: f64 = 4.0;

/// Amplitudes of the lines `k / n` cycles a frame, `k` in `0..=n/2`.
#[derive(Debug, Clone, PartialEq)]
pub struct Spectrum {
    /// Frames of a segment.
    pub n: usize,
    /// Amplitude of each line, in the unit of the series.
    pub amplitude: Vec<f64>,
}

impl Spectrum {
    /// Of a series of one value a frame; `None` where it is too short.
    #[must_use]
    pub fn of(series: &[f64]) -> Option<Self> {
        let n = series.len().min(SEGMENT) / 2 * 2;
        if n < SHORTEST {
            return None;
        }
        let window: Vec<f64> = (0..n)
            .map(|i| 0.5 - 0.5 * libm::cos(std::f64::consts::TAU * i as f64 / n as f64))
            .collect();
        let sum: f64 = window.iter().sum();
        let plan = plan_forward(n);
        let mut power = vec![0.0; n / 2 + 1];
        let mut count = 0.0;
        let mut lines = vec![Complex64::default(); n];
        for start in (0..=series.len() - n).step_by(n / 2) {
            let part = without_line(&series[start..start + n]);
            for (line, (v, w)) in lines.iter_mut().zip(part.iter().zip(&window)) {
                *line = Complex64::new(v * w, 0.0);
            }
            plan.process(&mut lines);
            power.iter_mut().zip(&lines).for_each(|(p, l)| *p += l.norm_sqr());
            count += 1.0;
        }
        let amplitude = power.iter().map(|p| 2.0 * (p / count).sqrt() / sum).collect();
        Some(Self { n, amplitude })
    }

    /// Frequency of line `k` for a clip of `rate` frames a second (1 gives cycles a frame).
    #[must_use]
    pub fn frequency(&self, k: usize, rate: f64) -> f64 {
        k as f64 / self.n as f64 * rate
    }

    /// Its lines as points of a plot, at `rate` frames a second.
    #[must_use]
    pub fn points(&self, rate: f64) -> Vec<[f64; 2]> {
        self.amplitude.iter().enumerate().map(|(k, a)| [self.frequency(k, rate), *a]).collect()
    }

    /// The `most` highest peaks as (line, amplitude), highest first; a peak is higher than its
    /// neighbours and than `above`, and stands out of what is around it. The lowest two lines are
    /// drift, not a frequency.
    #[must_use]
    pub fn peaks(&self, most: usize, above: f64) -> Vec<(usize, f64)> {
        let a = &self.amplitude;
        let mut found: Vec<(usize, f64)> = (3..a.len().saturating_sub(1))
            .filter(|&k| a[k] >= above && a[k] > a[k - 1] && a[k] >= a[k + 1])
            .filter(|&k| a[k] >= OUT_OF_AROUND * self.around(k))
            .map(|k| (k, a[k]))
            .collect();
        found.sort_by(|p, q| q.1.total_cmp(&p.1).then(p.0.cmp(&q.0)));
        found.truncate(most);
        found
    }

    /// The median amplitude from half the frequency of line `k` up to it, or from it to twice its
    /// frequency, whichever is larger; without that line and those beside it, which the window
    /// fills too.
    fn around(&self, k: usize) -> f64 {
        let a = &self.amplitude;
        let below = k / 2..k.saturating_sub(1);
        let above = (k + 2).min(a.len())..(2 * k + 1).min(a.len());
        [below, above]
            .into_iter()
            .filter_map(|range| crate::math::robust::median_f64(&mut a[range].to_vec()))
            .fold(0.0, f64::max)
    }

    /// The median amplitude: the floor that a peak must stand out of.
    #[must_use]
    pub fn floor(&self) -> f64 {
        let mut sorted = self.amplitude.clone();
        crate::math::robust::median_f64(&mut sorted).unwrap_or(0.0)
    }
}

/// The least-squares straight line taken off.
fn without_line(part: &[f64]) -> Vec<f64> {
    let n = part.len() as f64;
    let middle = (n - 1.0) / 2.0;
    let mean = part.iter().sum::<f64>() / n;
    let (mut up, mut down) = (0.0, 0.0);
    for (i, v) in part.iter().enumerate() {
        let t = i as f64 - middle;
        up += t * (v - mean);
        down += t * t;
    }
    let slope = if down > 0.0 { up / down } else { 0.0 };
    part.iter().enumerate().map(|(i, v)| v - mean - slope * (i as f64 - middle)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sine_on_a_line_shows_its_amplitude_there() {
        // 50 cycles in 1000 frames, with a drift that must not leak.
        let series: Vec<f64> = (0..1000)
            .map(|i| {
                let t = f64::from(i);
                0.3 * libm::sin(std::f64::consts::TAU * t * 50.0 / 1000.0) + 0.01 * t
            })
            .collect();
        let s = Spectrum::of(&series).unwrap();
        let (k, a) = s.peaks(1, 0.01)[0];
        assert_eq!(k, 50);
        assert!((s.frequency(k, 5000.0) - 250.0).abs() < 1e-9);
        assert!((a - 0.3).abs() < 0.003, "{a}");
    }

    #[test]
    fn between_two_lines_no_less_than_the_scalloping_loss() {
        let series: Vec<f64> = (0..1000)
            .map(|i| libm::sin(std::f64::consts::TAU * f64::from(i) * 50.5 / 1000.0))
            .collect();
        let (_, a) = Spectrum::of(&series).unwrap().peaks(1, 0.01)[0];
        // Harris 1978, table I: Hann window, worst case 1.42 dB.
        assert!((20.0 * libm::log10(a) + 1.42).abs() < 0.05, "{a}");
    }

    #[test]
    fn a_random_walk_has_no_peaks_and_a_hum_in_it_has_one() {
        let mut seed = 7_u64;
        let mut step = || {
            seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
            (seed >> 40) as f64 / 16_777_216.0 - 0.5
        };
        let (mut found, mut place) = (0, 0.0);
        for _ in 0..20 {
            let walk: Vec<f64> = (0..1000)
                .map(|_| {
                    place += step();
                    place
                })
                .collect();
            let s = Spectrum::of(&walk).unwrap();
            found += s.peaks(3, 6.0 * s.floor()).len();
            let hum = |i: usize| libm::sin(std::f64::consts::TAU * i as f64 * 0.1);
            let both: Vec<f64> = walk.iter().enumerate().map(|(i, v)| v + hum(i)).collect();
            let s = Spectrum::of(&both).unwrap();
            assert_eq!(s.peaks(1, 6.0 * s.floor())[0].0, 100);
        }
        // Some 250 where only the median of all lines counts.
        assert!(found <= 1, "{found} peaks in 20 random walks");
    }

    #[test]
    fn short_series() {
        assert!(Spectrum::of(&[0.0; 15]).is_none());
    }
}
