//! Tests of [`super`].

use super::*;

#[test]
fn output_keeps_white_within_sixteen_bits() {
    let s = OutputScale::for_white(4095.0 - 100.0);
    assert!((s.per_dn - 16.0).abs() < 1e-6);
    assert!((OutputScale::for_white(65_535.0).per_dn - 1.0).abs() < 1e-6);
    // With what a balance multiplies a colour by.
    assert!((OutputScale::for_white(1.8 * 65_535.0).per_dn - 0.5).abs() < 1e-6);
    assert!((OutputScale::for_white(10.0 * 65_535.0).per_dn - 0.0625).abs() < 1e-6);
    assert!((OutputScale::for_white(1.8 * 3935.0).per_dn - 8.0).abs() < 1e-6);
}
