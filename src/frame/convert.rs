//! The only place where numbers change type.
//!
//! Everything here saturates or rounds in a stated way, so that no other file needs an `as`
//! between floating point and integers. `as` from float to integer saturates and maps NaN to 0;
//! the functions below only give that behaviour a name.
#![expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "this file exists to hold the casts"
)]

/// The largest whole number not above `x`, which must lie in 0..2^31, as an index and as it is.
#[inline(always)]
#[must_use]
pub fn whole_part(x: f32) -> (u32, f32) {
    let i = x as i32;
    (i as u32, i as f32)
}

/// The same for `x` in 0..2^22, for many values side by side: additions, as in [`round_u16`], where
/// a conversion that saturates is done one value at a time.
#[inline(always)]
#[must_use]
pub fn whole_part_of_many(x: f32) -> (u32, f32) {
    const WHOLE: f32 = 8_388_608.0;
    let nearest = x + WHOLE;
    let above = nearest - WHOLE > x;
    let whole = nearest - WHOLE - f32::from(u8::from(above));
    (nearest.to_bits().wrapping_sub(WHOLE.to_bits()).wrapping_sub(u32::from(above)), whole)
}

/// `f64` to `f32`, rounded to nearest.
#[inline]
#[must_use]
pub fn to_f32(x: f64) -> f32 {
    x as f32
}

/// Rounds to nearest (halves away from zero) and saturates to `0..=65535`; NaN gives 0.
///
/// The same for every `f32` as `(x + 0.5) as u16`, which compilers do one value at a time: above
/// 2^23 the bits of an `f32` are a whole number, so this is additions and comparisons.
#[inline(always)]
#[must_use]
pub fn round_u16(x: f32) -> u16 {
    const WHOLE: f32 = 8_388_608.0;
    // NaN must become 0, which `clamp` would leave.
    let v = f32::min((x + 0.5).max(0.0), 65_535.0);
    let nearest = v + WHOLE;
    let above = u32::from(nearest - WHOLE > v);
    nearest.to_bits().wrapping_sub(above) as u16
}

/// Rounds to nearest and saturates to `0..=255`; NaN gives 0.
#[inline]
#[must_use]
pub fn round_u8(x: f32) -> u8 {
    (x + 0.5) as u8
}

/// Rounds to the nearest whole number, saturating; NaN gives 0.
#[inline]
#[must_use]
pub fn round_i64(x: f64) -> i64 {
    x.round() as i64
}

/// Rounds to the nearest whole number, saturating; NaN gives 0.
#[inline]
#[must_use]
pub fn round_isize(x: f64) -> isize {
    x.round() as isize
}

/// Largest whole number not above `x`, saturating; NaN gives 0.
#[inline]
#[must_use]
pub fn floor_isize(x: f64) -> isize {
    x.floor() as isize
}

/// A non-negative whole number from `x`, rounded down and saturating at 0; NaN gives 0.
#[inline]
#[must_use]
pub fn floor_usize(x: f64) -> usize {
    x as usize
}

/// A non-negative whole number from `x`, rounded to nearest, saturating at 0; NaN gives 0.
#[inline]
#[must_use]
pub fn round_usize(x: f64) -> usize {
    x.round() as usize
}

/// A non-negative whole number from `x`, rounded to nearest, saturating at 0; NaN gives 0.
#[inline]
#[must_use]
pub fn round_u64(x: f64) -> u64 {
    x.round() as u64
}

/// `usize` to `isize`; sizes of pictures never reach the limit, larger values saturate.
#[inline]
#[must_use]
pub fn signed(x: usize) -> isize {
    isize::try_from(x).unwrap_or(isize::MAX)
}

/// A position clamped into `0..len` (`len` at least 1): repeats the edge pixel.
#[inline]
#[must_use]
pub fn clamp_index(x: isize, len: usize) -> usize {
    if x < 0 { 0 } else { (x as usize).min(len.saturating_sub(1)) }
}

/// `Some(index)` where `x` lies in `0..len`.
#[inline]
#[must_use]
pub fn index_in(x: isize, len: usize) -> Option<usize> {
    usize::try_from(x).ok().filter(|&i| i < len)
}

/// A position in a ring of `mask + 1` places, where `mask + 1` is a power of two.
#[inline]
#[must_use]
pub fn ring_index(x: isize, mask: usize) -> usize {
    (x as usize) & mask
}

/// The low 16 bits.
#[inline]
#[must_use]
pub fn low_u16(x: u32) -> u16 {
    x as u16
}

/// A count as `u32`, saturating.
#[inline]
#[must_use]
pub fn count_u32(x: usize) -> u32 {
    u32::try_from(x).unwrap_or(u32::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rounding_saturates_and_survives_nan() {
        assert_eq!(round_u16(1.5), 2);
        assert_eq!(round_u16(-7.0), 0);
        assert_eq!(round_u16(70_000.0), 65_535);
        assert_eq!(round_u16(f32::NAN), 0);
        // Every exponent and sign, and values around each whole number and half.
        let odd = (0..=u32::MAX).step_by(65_521).map(f32::from_bits);
        let near = (0..=4 * 65_540_u32).map(|i| i as f32 / 4.0);
        for x in odd.chain(near.flat_map(|x| [x.next_down(), x, x.next_up()])) {
            assert_eq!(round_u16(x), (x + 0.5) as u16, "{x}");
        }
        for x in (0..80_000_u32).map(|i| i as f32 / 4.0) {
            for x in [x.next_down().max(0.0), x, x.next_up()] {
                assert_eq!(whole_part(x), (x as u32, x.floor()), "{x}");
                assert_eq!(whole_part_of_many(x), (x as u32, x.floor()), "{x}");
            }
        }
        assert_eq!(round_u8(254.6), 255);
        assert_eq!(floor_isize(-0.25), -1);
        assert_eq!(clamp_index(-3, 4), 0);
        assert_eq!(clamp_index(9, 4), 3);
        assert_eq!(index_in(-1, 4), None);
        assert_eq!(index_in(3, 4), Some(3));
        assert_eq!(ring_index(-1, 255), 255);
        assert_eq!(ring_index(257, 255), 1);
    }
}
