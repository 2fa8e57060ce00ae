//! Small squares of a picture in 16 bits, read at any position as values.
//!
//! Everything here is of fixed size and made to be called within [`crate::math::wide`]. Outside
//! the picture its edge is repeated; samples without data, or saturated, are replaced by the last
//! good one of their row.

use crate::frame::convert::{clamp_index, floor_isize, signed, to_f32};
use crate::frame::{Coding, FixedPlane};
use crate::math::resample::{BEFORE, Shift, TAPS};

/// A square of `N` x `N` values, row by row.
pub type Square<const N: usize> = [[f32; N]; N];

/// Whether a code is a mark and no value.
#[inline(always)]
#[must_use]
pub fn marked(code: u16) -> bool {
    // The marks are 0 and 65535.
    code.wrapping_add(1) <= 1
}

/// Whether any code is a mark.
#[inline(always)]
#[must_use]
pub fn any_marked(codes: &[u16]) -> bool {
    // One less than nothing is the largest: both marks come first.
    codes.iter().fold(u16::MAX, |least, &c| least.min(c.wrapping_add(1))) <= 1
}

/// Replaces marks by the last good code of the row, those before the first by that one.
pub fn fill(row: &[u16], out: &mut [u16]) {
    let mut last = row.iter().copied().find(|&c| !marked(c)).unwrap_or(Coding::MISSING + 1);
    for (o, &c) in out.iter_mut().zip(row) {
        if !marked(c) {
            last = c;
        }
        *o = last;
    }
}

/// What `of` makes of the codes of row `y` from column `left` on.
#[inline(always)]
fn decoded<const N: usize, T>(
    (plane, flawed): (&FixedPlane, bool),
    [left, y]: [isize; 2],
    of: impl Fn(u16) -> T,
    out: &mut [T; N],
) {
    let row = plane.row(clamp_index(y, plane.height));
    let start = clamp_index(left, row.len());
    match row[start..].first_chunk::<N>() {
        Some(codes) if left >= 0 && !(flawed && any_marked(codes)) => {
            for i in 0..N {
                out[i] = of(codes[i]);
            }
        }
        _ => {
            let mut codes = [0; N];
            if flawed {
                mended(row, left, &mut codes);
            } else {
                over_the_edge(row, left, &mut codes);
            }
            for i in 0..N {
                out[i] = of(codes[i]);
            }
        }
    }
}

/// Codes from (x, y) on; `M` columns, as many rows as `out` has. Rows lie kilobytes apart: they are asked
/// for all at once, before anything is done with them.
#[inline(always)]
fn copied<const M: usize>(
    (plane, flawed): (&FixedPlane, bool),
    [x, y]: [isize; 2],
    out: &mut [[u16; M]],
) {
    let inside = x >= 0
        && y >= 0
        && x + signed(M) <= signed(plane.width)
        && y + signed(out.len()) <= signed(plane.height);
    if !inside {
        for (j, out) in out.iter_mut().enumerate() {
            decoded((plane, flawed), [x, y + signed(j)], |c| c, out);
        }
        return;
    }
    let from = clamp_index(y, plane.height) * plane.width + clamp_index(x, plane.width);
    for (out, row) in out.iter_mut().zip(plane.codes[from..].chunks(plane.width)) {
        if let Some(codes) = row.first_chunk::<M>() {
            *out = *codes;
        }
    }
    if !flawed {
        return;
    }
    for (j, out) in out.iter_mut().enumerate() {
        if any_marked(out) {
            decoded((plane, true), [x, y + signed(j)], |c| c, out);
        }
    }
}

fn over_the_edge(row: &[u16], left: isize, out: &mut [u16]) {
    let before = clamp_index(-left, out.len() + 1);
    let from = clamp_index(left, row.len());
    let there = (row.len() - from).min(out.len() - before);
    // Left of all, or right: only edges.
    let there = if left >= signed(row.len()) { 0 } else { there };
    out[..before].fill(row[0]);
    out[before..before + there].copy_from_slice(&row[from..from + there]);
    out[before + there..].fill(row[row.len() - 1]);
}

#[cold]
fn mended(row: &[u16], left: isize, out: &mut [u16]) {
    let mut whole = vec![0; row.len()];
    fill(row, &mut whole);
    over_the_edge(&whole, left, out);
}

/// Codes as numbers, from (x, y) on; `N` columns, as many rows as `out` has.
#[inline(always)]
pub fn raw<const N: usize>(plane: &FixedPlane, [x, y]: [isize; 2], out: &mut [[f32; N]]) {
    for (j, out) in out.iter_mut().enumerate() {
        decoded((plane, false), [x, y + signed(j)], f32::from, out);
    }
}

/// Means of cells of 2 x 2 values from (x, y) on; `N` is twice `C`.
#[inline(always)]
pub fn cells<const N: usize, const C: usize>(
    of: (&FixedPlane, bool),
    [x, y]: [isize; 2],
    out: &mut Square<C>,
) {
    let Coding { zero, step } = of.0.coding;
    let mut codes = [[0_u16; N]; N];
    copied(of, [x, y], &mut codes);
    for (rows, out) in codes.as_chunks::<2>().0.iter().zip(out) {
        let (a, b) = (rows[0].as_chunks::<2>().0, rows[1].as_chunks::<2>().0);
        for i in 0..C {
            let sum = |p: [u16; 2]| u32::from(p[0]).wrapping_add(u32::from(p[1]));
            let four = sum(a[i]).wrapping_add(sum(b[i])).cast_signed();
            out[i] = (0.25 * four as f32 - zero) * step;
        }
    }
}

/// Working memory of [`read`]; `M` is `N` + 8.
#[derive(Debug, Clone)]
pub struct Work<const N: usize, const M: usize> {
    codes: [[u16; M]; M],
    source: Square<M>,
    sums: [[f32; M]; N],
}

impl<const N: usize, const M: usize> Work<N, M> {
    /// Nothing yet.
    #[inline(always)]
    #[must_use]
    pub fn new() -> Self {
        Self { codes: [[0; M]; M], source: [[0.0; M]; M], sums: [[0.0; M]; N] }
    }
}

impl<const N: usize, const M: usize> Default for Work<N, M> {
    fn default() -> Self {
        Self::new()
    }
}

/// Values from (x, y) + `offset` on, and the part of white noise's variance that reading them there
/// leaves.
#[inline(always)]
pub fn read<const N: usize, const M: usize>(
    of: (&FixedPlane, bool),
    [x, y]: [isize; 2],
    offset: [f64; 2],
    out: &mut Square<N>,
    work: &mut Work<N, M>,
) -> f32 {
    let Coding { zero, step } = of.0.coding;
    let value = |c: u16| (f32::from(c) - zero) * step;
    let shift = Shift::new(offset[0], offset[1]);
    let (x, y) = (x + shift.whole[0], y + shift.whole[1]);
    let whole = |t: &[f32; TAPS]| (t[BEFORE] - 1.0).abs() < 1e-9;
    if whole(&shift.x) && whole(&shift.y) {
        for (j, out) in out.iter_mut().enumerate() {
            decoded(of, [x, y + signed(j)], value, out);
        }
        return 1.0;
    }
    let Work { codes, source, sums } = work;
    let codes = &mut codes[..N + TAPS - 1];
    copied(of, [x - signed(BEFORE), y - signed(BEFORE)], codes);
    for (s, codes) in source.iter_mut().zip(codes) {
        for i in 0..M {
            s[i] = value(codes[i]);
        }
    }
    // All columns first: a row read right after it was written would wait for that.
    let t = shift.y;
    for (r, sum) in source.array_windows::<TAPS>().zip(&mut *sums) {
        for c in 0..M {
            sum[c] = t[0] * r[0][c]
                + t[1] * r[1][c]
                + t[2] * r[2][c]
                + t[3] * r[3][c]
                + t[4] * r[4][c]
                + t[5] * r[5][c]
                + t[6] * r[6][c]
                + t[7] * r[7][c];
        }
    }
    let t = shift.x;
    for (sum, out) in sums.iter().zip(out) {
        for i in 0..N {
            out[i] = t[0] * sum[i]
                + t[1] * sum[i + 1]
                + t[2] * sum[i + 2]
                + t[3] * sum[i + 3]
                + t[4] * sum[i + 4]
                + t[5] * sum[i + 5]
                + t[6] * sum[i + 6]
                + t[7] * sum[i + 7];
        }
    }
    shift.noise_gain()
}

/// The four taps of a cubic through four samples (a = -1/2: exact to its second order), for a
/// fraction between the inner two.
fn cubic(offset: f64) -> (isize, [f32; 4]) {
    let whole = floor_isize(offset);
    let f = to_f32(offset - whole as f64);
    let taps = [
        ((1.0 - 0.5 * f) * f - 0.5) * f,
        (1.5 * f - 2.5) * f * f + 1.0,
        ((2.0 - 1.5 * f) * f + 0.5) * f,
        0.5 * (f - 1.0) * f * f,
    ];
    (whole, taps)
}

/// [`read`] with a kernel half as long: softer, but nothing moves. The noise it leaves lies at low
/// frequencies.
#[inline(always)]
pub fn sketch<const N: usize, const M: usize>(
    of: (&FixedPlane, bool),
    [x, y]: [isize; 2],
    offset: [f64; 2],
    out: &mut Square<N>,
    work: &mut Work<N, M>,
) -> f32 {
    let Coding { zero, step } = of.0.coding;
    let value = |c: u16| (f32::from(c) - zero) * step;
    let ((dx, tx), (dy, ty)) = (cubic(offset[0]), cubic(offset[1]));
    let Work { codes, source, sums } = work;
    let codes = &mut codes[..N + 3];
    copied(of, [x + dx - 1, y + dy - 1], codes);
    for (s, codes) in source.iter_mut().zip(codes) {
        for i in 0..M {
            s[i] = value(codes[i]);
        }
    }
    for (r, sum) in source.array_windows::<4>().zip(&mut *sums) {
        for c in 0..M {
            sum[c] = (ty[0] * r[0][c] + ty[1] * r[1][c]) + (ty[2] * r[2][c] + ty[3] * r[3][c]);
        }
    }
    for (sum, out) in sums.iter().zip(out) {
        for i in 0..N {
            out[i] =
                (tx[0] * sum[i] + tx[1] * sum[i + 1]) + (tx[2] * sum[i + 2] + tx[3] * sum[i + 3]);
        }
    }
    let square = |t: [f32; 4]| (t[0] * t[0] + t[1] * t[1]) + (t[2] * t[2] + t[3] * t[3]);
    square(tx) * square(ty)
}

/// [`sketch`] where `soft`, else [`read`].
#[inline(always)]
pub fn read_as<const N: usize, const M: usize>(
    soft: bool,
    of: (&FixedPlane, bool),
    corner: [isize; 2],
    offset: [f64; 2],
    out: &mut Square<N>,
    work: &mut Work<N, M>,
) -> f32 {
    if soft {
        sketch::<N, M>(of, corner, offset, out, work)
    } else {
        read::<N, M>(of, corner, offset, out, work)
    }
}

/// Five-point binomial smoothing in both directions; edges repeated. `M` is `N` + 4.
#[inline(always)]
pub fn binomial<const N: usize, const M: usize>(source: &Square<N>, out: &mut Square<N>) {
    binomial_with::<N, M>(source, &mut [[0.0; M]; N], out);
}

/// [`binomial`] with working memory, whatever is in it.
#[inline(always)]
pub fn binomial_with<const N: usize, const M: usize>(
    source: &Square<N>,
    lines: &mut [[f32; M]; N],
    out: &mut Square<N>,
) {
    for (y, line) in lines.iter_mut().enumerate() {
        let row = |j: usize| &source[(y + j).saturating_sub(2).min(N - 1)];
        let (a, b, c, d, e) = (row(0), row(1), row(2), row(3), row(4));
        for x in 0..N {
            line[x + 2] = 0.0625 * (a[x] + e[x]) + 0.25 * (b[x] + d[x]) + 0.375 * c[x];
        }
        line[0] = line[2];
        line[1] = line[2];
        line[N + 2] = line[N + 1];
        line[N + 3] = line[N + 1];
    }
    for (line, out) in lines.iter().zip(out) {
        for x in 0..N {
            out[x] = 0.0625 * (line[x] + line[x + 4])
                + 0.25 * (line[x + 1] + line[x + 3])
                + 0.375 * line[x + 2];
        }
    }
}

/// Means of cells of 2 x 2 values; `N` is twice `C`.
#[inline(always)]
pub fn binned<const N: usize, const C: usize>(source: &Square<N>, out: &mut Square<C>) {
    for (pair, out) in source.as_chunks::<2>().0.iter().zip(out) {
        let (a, b) = (pair[0].as_chunks::<2>().0, pair[1].as_chunks::<2>().0);
        for (o, (p, q)) in out.iter_mut().zip(a.iter().zip(b)) {
            *o = 0.25 * ((p[0] + q[0]) + (p[1] + q[1]));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::Plane;
    use crate::math::blur;
    use crate::math::resample::{RowScratch, shifted_row};

    fn plane() -> FixedPlane {
        let p = Plane::from_fn(70, 61, |x, y| ((x * 31 + y * 17) % 23) as f32);
        FixedPlane::from_plane(&p, None, Coding::for_white(30.0))
    }

    #[test]
    fn squares_are_what_rows_read_one_by_one_give() {
        let plane = plane();
        let values = plane.to_plane();
        let mut rows = RowScratch::default();
        for (at, offset) in [
            ([5, 7], [0.3, -1.8]),
            ([-9, -4], [-2.5, 0.25]),
            ([-40, 3], [0.0, 0.0]),
            ([-3, 55], [-30.0, 0.5]),
            ([75, 2], [0.0, 0.0]),
            ([40, 50], [3.0, 2.0]),
            ([30, 20], [70.2, -90.4]),
        ] {
            let mut out = [[0.0; 24]; 24];
            let gain = read::<24, 32>((&plane, false), at, offset, &mut out, &mut Work::new());
            let shift = Shift::new(offset[0], offset[1]);
            assert!((gain - shift.noise_gain()).abs() < 1e-6);
            for (j, line) in out.iter().enumerate() {
                let mut expected = [0.0; 24];
                let place = (at[0], at[1] + signed(j));
                shifted_row((&values).into(), &shift, place, &mut expected, &mut rows);
                assert_eq!(line.map(f32::to_bits), expected.map(f32::to_bits));
            }
        }
    }

    #[test]
    fn cells_are_means_of_what_is_read() {
        let mut plane = plane();
        plane.codes[70 * 9 + 20] = Coding::SATURATED;
        for at in [[4, 6], [-9, -4], [60, 50], [75, 2]] {
            let (mut values, mut expected) = ([[0.0; 24]; 24], [[0.0; 12]; 12]);
            read::<24, 32>((&plane, true), at, [0.0; 2], &mut values, &mut Work::new());
            binned(&values, &mut expected);
            let mut out = [[0.0; 12]; 12];
            cells::<24, 12>((&plane, true), at, &mut out);
            for (a, b) in out.as_flattened().iter().zip(expected.as_flattened()) {
                assert!((a - b).abs() < 1e-4, "{at:?}: {a} {b}");
            }
        }
    }

    #[test]
    fn marks_are_filled_from_the_left() {
        let mut plane = plane();
        let good = plane.codes.clone();
        plane.codes[70 * 9] = Coding::MISSING;
        plane.codes[70 * 9 + 20] = Coding::SATURATED;
        plane.codes[70 * 9 + 21] = Coding::MISSING;
        let mut row = [0.0; 30];
        decoded((&plane, true), [-2, 9], f32::from, &mut row);
        let row = row.map(crate::frame::convert::round_u16);
        assert_eq!(row[..3], [good[70 * 9 + 1]; 3]);
        assert_eq!(row[21..25], [19, 19, 19, 22].map(|x| good[70 * 9 + x]));
    }

    #[test]
    fn smoothing_is_that_of_planes() {
        let mut square = [[0.0; 24]; 24];
        raw(&plane(), [3, 4], &mut square);
        let whole = Plane::from_fn(24, 24, |x, y| square[y][x]);
        let mut out = [[0.0; 24]; 24];
        binomial::<24, 28>(&square, &mut out);
        for (a, b) in out.as_flattened().iter().zip(blur::binomial(&whole).data()) {
            assert!((a - b).abs() < 0.01 * b.abs().max(1.0));
        }
    }
}
