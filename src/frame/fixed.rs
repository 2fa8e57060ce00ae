//! Planes in 16 bits: half the memory of `f32`, and sums that are exact.
//!
//! A code `c` in `1..=65534` stands for `(c - zero) * step`; code 0 is "no data" and 65535
//! "saturated". Sums of codes are integers, so a running sum gives the same bits wherever it
//! began, which is what makes shards and resumed runs equal an unbroken one.

use super::convert::round_u16;
use super::wide::{Wide, wide};
use super::{Flaw, Plane, spare};

/// How values become 16-bit codes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Coding {
    /// The code of value 0.
    pub zero: f32,
    /// Value of one code.
    pub step: f32,
}

impl Coding {
    /// Codes 0: no data here.
    pub const MISSING: u16 = 0;
    /// Code 65535: the sensor was full here.
    pub const SATURATED: u16 = u16::MAX;

    /// A coding for linear values up to `white` DN, with room for one eighth of `white` below
    /// zero and three eighths above white (vignetting divided out makes values grow).
    #[must_use]
    pub fn for_white(white: f32) -> Self {
        let step = white.max(1.0) * 1.5 / 65_000.0;
        Self { zero: (white.max(1.0) * 0.125 / step).round(), step }
    }

    /// The white that the coding was made for.
    #[must_use]
    pub fn white(&self) -> f32 {
        self.step * (65_000.0 / 1.5)
    }

    /// The code of a good value: never one of the two marks.
    #[inline(always)]
    #[must_use]
    pub fn encode(&self, value: f32) -> u16 {
        round_u16(value / self.step + self.zero).clamp(1, 65_534)
    }

    /// The codes of many good values.
    pub fn encode_all(&self, values: &[f32], codes: &mut [u16]) {
        wide(Encoding { coding: *self, values, codes });
    }

    /// The values of many codes, as [`Self::decode`] gives them.
    pub fn decode_all(&self, codes: &[u16], values: &mut [f32]) {
        wide(Decoding { coding: *self, codes, values });
    }

    /// The value of a code; marks decode to what their number says.
    #[inline(always)]
    #[must_use]
    pub fn decode(&self, code: u16) -> f32 {
        (f32::from(code) - self.zero) * self.step
    }
}

/// Codes of many values, as one piece of work.
struct Encoding<'a> {
    coding: Coding,
    values: &'a [f32],
    codes: &'a mut [u16],
}

impl Wide for Encoding<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        for (c, &v) in self.codes.iter_mut().zip(self.values) {
            *c = self.coding.encode(v);
        }
    }
}

/// Values of many codes, as one piece of work.
struct Decoding<'a> {
    coding: Coding,
    codes: &'a [u16],
    values: &'a mut [f32],
}

impl Wide for Decoding<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        for (v, &c) in self.values.iter_mut().zip(self.codes) {
            *v = self.coding.decode(c);
        }
    }
}

/// A plane of 16-bit codes.
#[derive(Debug, Clone, PartialEq)]
pub struct FixedPlane {
    /// Width in pixels.
    pub width: usize,
    /// Height in pixels.
    pub height: usize,
    /// Codes, row by row.
    pub codes: Vec<u16>,
    /// What the codes mean.
    pub coding: Coding,
}

impl FixedPlane {
    /// Codes of a plane and its flaws.
    #[must_use]
    pub fn from_plane(plane: &Plane, flaws: Option<&[Flaw]>, coding: Coding) -> Self {
        let mut codes = spare::codes_to_write(plane.data().len());
        coding.encode_all(plane.data(), &mut codes);
        if let Some(flaws) = flaws {
            for (c, f) in codes.iter_mut().zip(flaws) {
                match f {
                    Flaw::None => {}
                    Flaw::Saturated => *c = Coding::SATURATED,
                    Flaw::Missing => *c = Coding::MISSING,
                }
            }
        }
        Self { width: plane.width(), height: plane.height(), codes, coding }
    }

    /// Row `y` of codes.
    #[must_use]
    pub fn row(&self, y: usize) -> &[u16] {
        &self.codes[y * self.width..(y + 1) * self.width]
    }

    /// The value at an index; a saturated sample gives the highest value there is.
    #[inline]
    #[must_use]
    pub fn decode_at(&self, at: usize) -> f32 {
        self.coding.decode(self.codes[at].min(65_534))
    }

    /// What its marks say; `None` where there are none.
    #[must_use]
    pub fn flaws(&self) -> Option<Vec<Flaw>> {
        let marked = |c: &u16| *c == Coding::MISSING || *c == Coding::SATURATED;
        self.codes.iter().any(marked).then(|| {
            let flaw = |c: &u16| match *c {
                Coding::MISSING => Flaw::Missing,
                Coding::SATURATED => Flaw::Saturated,
                _ => Flaw::None,
            };
            self.codes.iter().map(flaw).collect()
        })
    }

    /// The plane of values (marks decode to what their number says).
    #[must_use]
    pub fn to_plane(&self) -> Plane {
        let mut plane = Plane::to_write(self.width, self.height);
        self.coding.decode_all(&self.codes, plane.data_mut());
        plane
    }
}

impl Drop for FixedPlane {
    fn drop(&mut self) {
        spare::keep_codes(std::mem::take(&mut self.codes));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn codes_come_back_within_half_a_step() {
        let coding = Coding::for_white(4095.0);
        for v in [-300.0_f32, -0.02, 0.0, 17.3, 2048.0, 4095.0, 5000.0] {
            assert!((coding.decode(coding.encode(v)) - v).abs() <= coding.step * 0.51, "{v}");
        }
        assert!((coding.white() - 4095.0).abs() < 0.01);
        assert_eq!(coding.encode(-1e9), 1);
        assert_eq!(coding.encode(1e9), 65_534);
    }
}
