//! Windows that fade a tile to zero at its edges.

use crate::frame::convert::to_f32;

/// Periodic Hann window of length `n`: `0.5 - 0.5 cos(2 pi i / n)`.
///
/// For n = 8: 0, .14645, .5, .85355, 1, .85355, .5, .14645.
#[must_use]
pub fn hann(n: usize) -> Vec<f32> {
    let step = 2.0 * std::f64::consts::PI / n.max(1) as f64;
    (0..n).map(|i| to_f32(0.5 - 0.5 * libm::cos(step * i as f64))).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn hann_of_eight() {
        // The standard periodic Hann values (computed from the definition).
        let expected = [0.0, 0.146_447, 0.5, 0.853_553, 1.0, 0.853_553, 0.5, 0.146_447];
        for (a, b) in hann(8).iter().zip(expected) {
            assert!((a - b).abs() < 1e-6);
        }
    }
}
