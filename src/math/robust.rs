//! Medians, quantiles and spreads that a few wild values do not move.

/// The value with fraction `q` (0 to 1) of the others below it; reorders `values`.
/// `None` where there are no values. NaN sorts above everything.
pub fn quantile(values: &mut [f32], q: f64) -> Option<f32> {
    if values.is_empty() {
        return None;
    }
    let k = crate::frame::convert::round_usize((values.len() - 1) as f64 * q.clamp(0.0, 1.0));
    let (_, v, _) = values.select_nth_unstable_by(k, f32::total_cmp);
    Some(*v)
}

/// The median (lower one of an even count); reorders `values`.
pub fn median(values: &mut [f32]) -> Option<f32> {
    let k = values.len().checked_sub(1)? / 2;
    let (_, v, _) = values.select_nth_unstable_by(k, f32::total_cmp);
    Some(*v)
}

/// The median of `f64` values, the mean of the middle two of an even count; reorders `values`.
pub fn median_f64(values: &mut [f64]) -> Option<f64> {
    let n = values.len();
    if n == 0 {
        return None;
    }
    values.sort_unstable_by(f64::total_cmp);
    Some(if n % 2 == 1 { values[n / 2] } else { 0.5 * (values[n / 2 - 1] + values[n / 2]) })
}

/// Standard deviation of a normal variable over its median absolute deviation.
pub const SPREAD: f64 = 1.4826;

/// Median and standard deviation estimated as 1.4826 times the median absolute deviation
/// (the factor makes it right for normal values).
pub fn median_and_spread(values: &mut [f32]) -> Option<(f32, f32)> {
    let centre = median(values)?;
    for v in values.iter_mut() {
        *v = (*v - centre).abs();
    }
    Some((centre, median(values)? * 1.4826))
}

/// A sample variance seen as a normal deviate: how many sigma `ratio` = v / v0 lies above what
/// `dof` degrees of freedom allow.
///
/// Source: Wilson & Hilferty, Proc. Natl. Acad. Sci. 17(12), 684-688 (1931), doi
/// 10.1073/pnas.17.12.684.
#[must_use]
pub fn variance_deviate(ratio: f64, dof: f64) -> f64 {
    let spread = 2.0 / (9.0 * dof);
    (libm::cbrt(ratio.max(0.0)) - (1.0 - spread)) / spread.sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn medians_ignore_a_wild_value() {
        let mut v = [3.0, 1.0, 1e9, 2.0, 4.0];
        assert_eq!(median(&mut v), Some(3.0));
        assert_eq!(quantile(&mut v, 0.0), Some(1.0));
        assert_eq!(median(&mut []), None);
        let (c, s) = median_and_spread(&mut [1.0, 2.0, 3.0, 4.0, 1e6]).unwrap();
        assert!((c - 3.0).abs() < 1e-6 && (s - 1.4826).abs() < 1e-4);
        assert_eq!(median_f64(&mut [1.0, 4.0, 2.0, 3.0]), Some(2.5));
    }

    #[test]
    fn deviates_match_the_chi_square_table() {
        // Upper 5 % points of chi-square: 15 dof 24.996, 63 dof 82.529 (handbook table, from
        // memory); the normal 5 % point is 1.6449.
        assert!((variance_deviate(24.996 / 15.0, 15.0) - 1.6449).abs() < 0.01);
        assert!((variance_deviate(82.529 / 63.0, 63.0) - 1.6449).abs() < 0.01);
    }
}
