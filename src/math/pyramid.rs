//! Pictures in 16 bits at half and quarter size.

use rayon::prelude::*;

use crate::frame::convert::low_u16;
use crate::frame::{FixedPlane, spare};
use crate::math::patch::{any_marked, fill};
use crate::math::wide::{Wide, wide};

/// A picture at smaller sizes, in the codes of the picture itself.
#[derive(Debug, Clone)]
pub struct Pyramid {
    /// Half size, smoothed.
    pub half: FixedPlane,
    /// Quarter size, smoothed.
    pub quarter: FixedPlane,
    /// Whether any pixel of the picture has no data or is saturated; those are filled from the left
    /// before.
    pub flawed: bool,
}

/// Rows of a smaller picture that are made together.
const BAND: usize = 32;

impl Pyramid {
    /// The sizes of a picture that is not empty.
    #[must_use]
    pub fn new(of: &FixedPlane) -> Self {
        let mut half = empty(of);
        let rows = half.codes.par_chunks_mut(BAND * half.width).enumerate();
        let halves = rows.map(|(i, out)| wide(Halving { of, y0: i * BAND, out }));
        let flawed = halves.reduce(|| false, |a, b| a || b);
        let mut quarter = empty(&half);
        let rows = quarter.codes.par_chunks_mut(BAND * quarter.width).enumerate();
        rows.for_each(|(i, out)| wide(Quartering { of: &half, y0: i * BAND, out }));
        Self { half, quarter, flawed }
    }
}

/// Room for a picture at half the size.
fn empty(p: &FixedPlane) -> FixedPlane {
    let (width, height) = (p.width.div_ceil(2), p.height.div_ceil(2));
    let mut codes = spare::codes(width * height);
    codes.resize(width * height, 0);
    FixedPlane { width, height, codes, coding: p.coding }
}

/// Rows from `y0` on of the picture at half size, as many as `out` holds; tells whether any pixel
/// under them is flawed.
struct Halving<'a> {
    of: &'a FixedPlane,
    y0: usize,
    out: &'a mut [u16],
}

impl Wide for Halving<'_> {
    type Output = bool;

    #[inline(always)]
    fn call(self) -> bool {
        let Self { of, y0, out } = self;
        let (w, h) = (of.width.div_ceil(2), of.height.div_ceil(2));
        let rows = out.len() / w;
        let mut flawed = false;
        let mut cells = vec![0_u16; (rows + 4) * w];
        let mut good = [vec![0_u16; of.width], vec![0_u16; of.width]];
        for (j, cells) in cells.chunks_exact_mut(w).enumerate() {
            let cy = (y0 + j).saturating_sub(2).min(h - 1);
            let (a, b) = (of.row(2 * cy), of.row((2 * cy + 1).min(of.height - 1)));
            if any_marked(a) || any_marked(b) {
                flawed = true;
                fill(a, &mut good[0]);
                fill(b, &mut good[1]);
                halved(&good[0], &good[1], cells);
            } else {
                halved(a, b, cells);
            }
        }
        let mut line = vec![0_u32; w + 4];
        for (y, out) in out.chunks_exact_mut(w).enumerate() {
            let five = &cells[y * w..(y + 5) * w];
            let (a, rest) = five.split_at(w);
            let (b, rest) = rest.split_at(w);
            let (c, rest) = rest.split_at(w);
            let (d, e) = rest.split_at(w);
            let inner = &mut line[2..w + 2];
            for x in 0..w {
                inner[x] = taps([a[x].into(), b[x].into(), c[x].into(), d[x].into(), e[x].into()]);
            }
            (line[0], line[1]) = (line[2], line[2]);
            (line[w + 2], line[w + 3]) = (line[w + 1], line[w + 1]);
            for (o, v) in out.iter_mut().zip(line.array_windows::<5>()) {
                *o = low_u16(taps(*v).wrapping_add(128) >> 8);
            }
        }
        flawed
    }
}

/// Rows from `y0` on of a picture at half its size, as many as `out` holds.
struct Quartering<'a> {
    of: &'a FixedPlane,
    y0: usize,
    out: &'a mut [u16],
}

impl Wide for Quartering<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let Self { of, y0, out } = self;
        for (j, out) in out.chunks_exact_mut(of.width.div_ceil(2)).enumerate() {
            let y = 2 * (y0 + j);
            halved(of.row(y), of.row((y + 1).min(of.height - 1)), out);
        }
    }
}

/// Means of 2 x 2 codes, rounded; an odd rim is a cell of its own.
#[inline(always)]
fn halved(a: &[u16], b: &[u16], out: &mut [u16]) {
    let (p, q) = (a.as_chunks::<2>(), b.as_chunks::<2>());
    for (o, (u, v)) in out.iter_mut().zip(p.0.iter().zip(q.0)) {
        let (u, v) =
            (u32::from(u[0]).wrapping_add(u[1].into()), u32::from(v[0]).wrapping_add(v[1].into()));
        *o = low_u16(u.wrapping_add(v).wrapping_add(2) >> 2);
    }
    if let ([u], [v], Some(o)) = (p.1, q.1, out.last_mut()) {
        *o = u.midpoint(*v);
    }
}

/// 1 4 6 4 1 of five numbers: 16 times their mean.
#[inline(always)]
fn taps(v: [u32; 5]) -> u32 {
    let (outer, inner) = (v[0].wrapping_add(v[4]), v[1].wrapping_add(v[3]));
    outer.wrapping_add(inner.wrapping_mul(4)).wrapping_add(v[2].wrapping_mul(6))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::{Coding, Plane};
    use crate::math::blur::binomial;

    #[test]
    fn sizes_are_means_and_smoothed_and_flaws_are_told() {
        let plane = Plane::from_fn(71, 93, |x, y| ((x * 31 + y * 17) % 23) as f32);
        let mut codes = FixedPlane::from_plane(&plane, None, Coding::for_white(30.0));
        let halved = |p: &Plane| {
            let at = |x: usize, y: usize| p.at(x.min(p.width() - 1), y.min(p.height() - 1));
            Plane::from_fn(p.width().div_ceil(2), p.height().div_ceil(2), |x, y| {
                let (x, y) = (2 * x, 2 * y);
                (at(x, y) + at(x + 1, y) + at(x, y + 1) + at(x + 1, y + 1)) / 4.0
            })
        };
        let half = binomial(&halved(&plane));
        let quarter = halved(&half);
        let sizes = Pyramid::new(&codes);
        assert!(!sizes.flawed);
        for (got, expected) in [(&sizes.half, half), (&sizes.quarter, quarter)] {
            for (a, b) in got.to_plane().data().iter().zip(expected.data()) {
                assert!((a - b).abs() < 3.0 * codes.coding.step, "{a} {b}");
            }
        }
        codes.codes[71 * 90 + 3] = Coding::SATURATED;
        let with_flaw = Pyramid::new(&codes);
        assert!(with_flaw.flawed);
        codes.codes[71 * 90 + 3] = codes.codes[71 * 90 + 2];
        assert_eq!(with_flaw.half, Pyramid::new(&codes).half);
    }
}
