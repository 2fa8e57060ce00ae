//! Fourier transform of a line of values, in double precision.
//!
//! Plain arithmetic on every machine, whatever vector instructions it has: the same bits
//! everywhere. (Lines are few and short; what pixels go through is [`super::fft2`].) It also keeps
//! the library's vector code for doubles out of what is compiled here.

use std::sync::Arc;

use rustfft::algorithm::{BluesteinsAlgorithm, Dft, Radix4};
use rustfft::{Fft, FftDirection};

/// Plans the forward transform of `n` values, without normalisation.
#[must_use]
pub fn plan_forward(n: usize) -> Arc<dyn Fft<f64>> {
    if n < 4 {
        Arc::new(Dft::new(n, FftDirection::Forward))
    } else if n.is_power_of_two() {
        Arc::new(Radix4::new(n, FftDirection::Forward))
    } else {
        let inner = Radix4::new((2 * n).next_power_of_two(), FftDirection::Forward);
        Arc::new(BluesteinsAlgorithm::new(n, Arc::new(inner)))
    }
}

#[cfg(test)]
mod tests {
    use std::f64::consts::TAU;

    use rustfft::num_complex::Complex64;

    use super::*;

    /// The definition: the sum of `x[j] exp(-2 pi i j k / n)`.
    #[test]
    fn any_length_is_the_sum_of_the_definition() {
        for n in [1, 2, 3, 4, 8, 16, 18, 24, 31, 50, 128, 194] {
            let x: Vec<Complex64> = (0..n)
                .map(|i| {
                    Complex64::new(
                        f64::from((i * 37 + 11) % 29) - 14.0,
                        f64::from((i * 53 + 5) % 31) - 15.0,
                    )
                })
                .collect();
            let mut found = x.clone();
            plan_forward(x.len()).process(&mut found);
            for (k, found) in (0..n).zip(&found) {
                let wanted: Complex64 = (0..n)
                    .zip(&x)
                    .map(|(j, x)| {
                        let phase = -TAU * f64::from(j * k % n) / f64::from(n);
                        x * Complex64::new(libm::cos(phase), libm::sin(phase))
                    })
                    .sum();
                assert!((found - wanted).norm() < 1e-9, "{n} values, line {k}");
            }
        }
    }
}
