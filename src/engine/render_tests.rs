//! Tests of [`super`].

use super::*;

#[test]
fn runs_join_what_shares_neighbours() {
    assert_eq!(runs(&[0, 1, 2, 9], 2, None), [0..3, 3..4]);
    assert_eq!(runs(&[0, 1, 2, 7], 2, None), vec![0..4]);
    assert_eq!(runs(&[0, 1, 2, 7], 2, Some(2)), [0..2, 2..3, 3..4]);
    assert!(runs(&[], 2, None).is_empty());
}

#[test]
fn output_keeps_white_within_sixteen_bits() {
    let s = OutputScale::for_white(4095.0 - 100.0);
    assert!((s.per_dn - 16.0).abs() < 1e-6);
    assert!((OutputScale::for_white(65_535.0).per_dn - 1.0).abs() < 1e-6);
}
