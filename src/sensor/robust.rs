//! Medians and the statistics of sample variances that this layer leans on.
//!
//! Medians of an even number of values are the mean of the middle two, as in the libraries the
//! clipping is checked against; those of `crate::math::robust` take the lower one, which is cheaper.

pub(super) use crate::math::robust::variance_deviate;

/// Median absolute deviation to standard deviation of a normal distribution.
pub(super) const MAD_TO_SIGMA: f32 = 1.482_602_2;

/// Median of `values`, which come back reordered; 0 where there are none.
pub(super) fn median(values: &mut [f32]) -> f32 {
    let n = values.len();
    if n == 0 {
        return 0.0;
    }
    let (below, &mut upper, _) = values.select_nth_unstable_by(n / 2, f32::total_cmp);
    if n % 2 == 1 {
        return upper;
    }
    let lower = below.iter().copied().fold(f32::NEG_INFINITY, f32::max);
    0.5 * (lower + upper)
}

/// Median and 1.4826 times the median absolute deviation; `values` come back changed.
pub(super) fn centre_and_scale(values: &mut [f32]) -> (f32, f32) {
    let centre = median(values);
    for v in values.iter_mut() {
        *v = (*v - centre).abs();
    }
    (centre, MAD_TO_SIGMA * median(values))
}

/// Mean of the values within 4 robust sigma of their median, the scale at least `floor`.
///
/// As efficient as the mean where nothing is wrong, deaf to hot pixels, and not stuck on a grid
/// as the median of quantised values is.
pub(super) fn clipped_mean(values: &[f32], scratch: &mut Vec<f32>, floor: f32) -> f64 {
    scratch.clear();
    scratch.extend_from_slice(values);
    let (centre, scale) = centre_and_scale(scratch);
    let reach = 4.0 * scale.max(floor);
    let mut sum = 0.0_f64;
    let mut n = 0_u32;
    for &v in values {
        let d = v - centre;
        if d.abs() <= reach {
            sum += f64::from(d);
            n += 1;
        }
    }
    f64::from(centre) + sum / f64::from(n.max(1))
}

/// The ratio v / v0 that lies `z` sigma from the middle: the inverse of [`variance_deviate`].
pub(super) fn variance_ratio(z: f64, dof: f64) -> f64 {
    let spread = 2.0 / (9.0 * dof);
    let root = (1.0 - spread + z * spread.sqrt()).max(0.0);
    root * root * root
}

/// The variance most pixels have: the mean of those sample variances that are not more than
/// 5 sigma above that mean.
///
/// `dof` is the degrees of freedom of each. It begins at the mean of all and not at their median:
/// variances of few whole numbers lie on a coarse grid, where the median says little.
pub(super) fn typical_variance(values: &[f32], dof: f64) -> f64 {
    let mut limit = f64::INFINITY;
    let mut mean = 0.0;
    for _ in 0..8 {
        let mut sum = 0.0_f64;
        let mut n = 0_u64;
        for v in values.iter().map(|&v| f64::from(v)) {
            if v <= limit {
                sum += v;
                n += 1;
            }
        }
        let next = sum / (n.max(1) as f64);
        let settled = (next - mean).abs() <= 1e-9 * next;
        mean = next;
        limit = mean * variance_ratio(5.0, dof);
        if settled {
            break;
        }
    }
    mean
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn medians_by_hand() {
        assert_eq!(median(&mut [3.0, 1.0, 2.0]).to_bits(), 2.0_f32.to_bits());
        assert_eq!(median(&mut [4.0, 1.0, 3.0, 2.0]).to_bits(), 2.5_f32.to_bits());
        assert_eq!(median(&mut []).to_bits(), 0.0_f32.to_bits());
        // 1 2 3 4 100: median 3, deviations 2 1 0 1 97, their median 1.
        let (c, s) = centre_and_scale(&mut [1.0, 2.0, 3.0, 4.0, 100.0]);
        assert!((c - 3.0).abs() < 1e-6 && (s - MAD_TO_SIGMA).abs() < 1e-6);
    }

    #[test]
    fn a_ratio_comes_back_from_its_deviate() {
        assert!((variance_ratio(variance_deviate(1.7, 15.0), 15.0) - 1.7).abs() < 1e-12);
    }

    #[test]
    fn a_few_wild_variances_do_not_count() {
        let mut values: Vec<f32> = (0..1000).map(|i| if i % 2 == 0 { 3.0 } else { 5.0 }).collect();
        values[7] = 1e6;
        values[70] = 500.0;
        assert!((typical_variance(&values, 15.0) - 4.0).abs() < 0.01);
    }

    #[test]
    fn outliers_do_not_pull_the_clipped_mean() {
        let values = vec![1.0, 1.1, 0.9, 1.05, 0.95, 1.0, 900.0];
        let m = clipped_mean(&values, &mut Vec::new(), 0.0);
        assert!((m - 1.0).abs() < 1e-3, "{m}");
    }
}
