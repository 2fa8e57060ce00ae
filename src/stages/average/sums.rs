//! Exact sums over parts of the window, kept up to date as it moves.
//!
//! The window around the current frame is cut into segments of frames; for each one the sum and
//! the number of good codes are kept for every pixel, and the sum of squares for every cell of
//! 2 x 2 pixels. All are whole numbers: a sum is the same bits wherever the run began.

use rayon::prelude::*;

use crate::frame::{Coding, FixedPlane};
use crate::math::patch::{any_marked, marked};
use crate::math::wide::{Wide, wide};

/// Frames `first..=last`, counted from the current one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Span {
    pub(super) first: isize,
    pub(super) last: isize,
}

/// Sums over one segment.
#[derive(Debug, Clone, Default)]
pub(super) struct Segment {
    /// Sum of good codes of each pixel.
    pub(super) total: Vec<u32>,
    /// Good codes of each pixel.
    pub(super) count: Vec<u8>,
    /// Frames that there are, and codes of each row that are not good: where none, all counts are that.
    pub(super) frames: u8,
    pub(super) bad: Vec<u32>,
    /// Sum of squares of good codes of each cell: whole numbers far below 2^53.
    pub(super) squares: Vec<f64>,
}

/// All segments of a plane.
#[derive(Debug, Clone, Default)]
pub(super) struct Sums {
    pub(super) segments: Vec<Segment>,
    /// Saturated codes of each pixel in all of them.
    pub(super) full: Vec<u8>,
}

pub(super) fn good(code: u16) -> bool {
    !marked(code)
}

/// Cells across a line of `n` pixels.
pub(super) fn cells(n: usize) -> usize {
    n.div_ceil(2)
}

/// One segment's change: the frame that enters it and the one that leaves.
pub(super) type Change<'a> = (Option<&'a FixedPlane>, Option<&'a FixedPlane>);

/// Rows of cells worked on together.
const BAND: usize = 16;

impl Sums {
    /// Nothing yet of `segments` segments.
    pub(super) fn new(width: usize, height: usize, segments: usize) -> Self {
        let n = width * height;
        let empty = Segment {
            total: vec![0; n],
            count: vec![0; n],
            frames: 0,
            bad: vec![0; height],
            squares: vec![0.0; cells(width) * cells(height)],
        };
        Self { segments: vec![empty; segments], full: vec![0; n] }
    }

    /// Takes frames in and out of all segments.
    pub(super) fn change(&mut self, changes: &[Change<'_>]) {
        let Some(any) = changes.iter().find_map(|(a, b)| a.or(*b)) else { return };
        let (w, n) = (any.width, self.full.len());
        let pixels = 2 * BAND * w;
        // Bands of all segments, so that a frame's rows are at hand for each of them.
        let mut bands: Vec<Vec<Rows<'_>>> =
            (0..n.div_ceil(pixels.max(1))).map(|_| Vec::with_capacity(changes.len())).collect();
        for (segment, change) in self.segments.iter_mut().zip(changes) {
            let total = segment.total.chunks_mut(pixels);
            let more = u8::from(change.0.is_some()).wrapping_sub(u8::from(change.1.is_some()));
            segment.frames = segment.frames.wrapping_add(more);
            let count = segment.count.chunks_mut(pixels).zip(segment.bad.chunks_mut(2 * BAND));
            let squares = segment.squares.chunks_mut(BAND * cells(w));
            let rows = total.zip(count).zip(squares).zip(&mut bands);
            for (((total, (count, bad)), squares), band) in rows {
                band.push(Rows { total, count, bad, squares, change: *change });
            }
        }
        // From the bottom, where the last one to look ended; what looks next begins at the top.
        let full = self.full.par_chunks_mut(pixels).enumerate();
        full.zip(bands).rev().for_each(|((i, full), segments)| {
            wide(Changing { first: i * pixels, w, full, segments });
        });
    }
}

/// Rows of one segment and what changes them.
struct Rows<'a> {
    total: &'a mut [u32],
    count: &'a mut [u8],
    bad: &'a mut [u32],
    squares: &'a mut [f64],
    change: Change<'a>,
}

/// Rows of all segments, from pixel `first` on, as one piece of work.
struct Changing<'a> {
    first: usize,
    w: usize,
    full: &'a mut [u8],
    segments: Vec<Rows<'a>>,
}

impl Wide for Changing<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let Self { first, w, full, segments } = self;
        // Samples without data add nothing: a frame that is not there is made of them.
        let nothing = vec![Coding::MISSING; w];
        for Rows { total, count, bad, squares, change } in segments {
            for y in 0..total.len() / w {
                let at = y * w..(y + 1) * w;
                let from = first + y * w..first + (y + 1) * w;
                let enter = change.0.map_or(&nothing[..], |p| &p.codes[from.clone()]);
                let leave = change.1.map_or(&nothing[..], |p| &p.codes[from]);
                let total = &mut total[at.clone()];
                let squares = &mut squares[y / 2 * cells(w)..(y / 2 + 1) * cells(w)];
                if any_marked(enter) || any_marked(leave) {
                    marks(enter, leave, &mut count[at.clone()], &mut full[at]);
                    let flaws = |p: Option<_>, row| if p.is_some() { flaws(row) } else { 0 };
                    let (more, less) = (flaws(change.0, enter), flaws(change.1, leave));
                    bad[y] = bad[y].wrapping_add(more).wrapping_sub(less);
                    replace(|c| if marked(c) { 0 } else { c }, enter, leave, total, squares);
                } else {
                    replace(|c| c, enter, leave, total, squares);
                }
            }
        }
    }
}

/// How many codes are marks.
#[inline(always)]
fn flaws(row: &[u16]) -> u32 {
    row.iter().fold(0, |n: u32, &c| n.wrapping_add(u32::from(marked(c))))
}

/// Counts of a row after a change; as many enter as leave where nothing is marked.
#[inline(always)]
fn marks(enter: &[u16], leave: &[u16], count: &mut [u8], full: &mut [u8]) {
    let n = enter.len();
    let (leave, count, full) = (&leave[..n], &mut count[..n], &mut full[..n]);
    let is = |b: bool| u8::from(b);
    for x in 0..n {
        let (e, l) = (enter[x], leave[x]);
        count[x] = count[x].wrapping_add(is(!marked(e))).wrapping_sub(is(!marked(l)));
        let (more, less) = (is(e == Coding::SATURATED), is(l == Coding::SATURATED));
        full[x] = full[x].wrapping_add(more).wrapping_sub(less);
    }
}

/// Sums of a row after a change.
#[inline(always)]
fn replace(
    value: impl Fn(u16) -> u16,
    enter: &[u16],
    leave: &[u16],
    total: &mut [u32],
    squares: &mut [f64],
) {
    let n = enter.len();
    let (leave, total) = (&leave[..n], &mut total[..n]);
    for x in 0..n {
        let (e, l) = (u32::from(value(enter[x])), u32::from(value(leave[x])));
        total[x] = total[x].wrapping_add(e).wrapping_sub(l);
    }
    let difference = |e: u16, l: u16| {
        let (e, l) = (i32::from(value(e)), i32::from(value(l)));
        f64::from(e.wrapping_sub(l)) * f64::from(e.wrapping_add(l))
    };
    let (e, l) = (enter.as_chunks::<2>(), leave.as_chunks::<2>());
    for (s, (e, l)) in squares.iter_mut().zip(e.0.iter().zip(l.0)) {
        *s += difference(e[0], l[0]) + difference(e[1], l[1]);
    }
    if let (Some(s), [e], [l]) = (squares.last_mut(), e.1, l.1) {
        *s += difference(*e, *l);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::Plane;

    #[test]
    fn sums_that_moved_are_those_made_anew() {
        let frame = |k: usize| {
            let p = Plane::from_fn(33, 71, |x, y| ((x * 31 + y * 17 + k * 97) % 230) as f32);
            let mut p = FixedPlane::from_plane(&p, None, Coding::for_white(255.0));
            p.codes[k * 40] = Coding::SATURATED;
            p.codes[33 * 70 + k] = Coding::MISSING;
            p
        };
        let frames: Vec<FixedPlane> = (0..6).map(frame).collect();
        let mut moved = Sums::new(33, 71, 2);
        for k in 0..6_usize {
            let out = |n: usize| k.checked_sub(n).and_then(|k| frames.get(k));
            moved.change(&[(frames.get(k), out(2)), (out(2), out(4))]);
        }
        let mut anew = Sums::new(33, 71, 2);
        for k in [2, 3] {
            anew.change(&[(Some(&frames[k + 2]), None), (Some(&frames[k]), None)]);
        }
        for (a, b) in moved.segments.iter().zip(&anew.segments) {
            assert_eq!((&a.total, &a.count, &a.bad), (&b.total, &b.count, &b.bad));
            for (y, (&bad, row)) in a.bad.iter().zip(a.count.chunks_exact(33)).enumerate() {
                let short: u32 = row.iter().map(|&n| u32::from(a.frames - n)).sum();
                assert_eq!(bad, short, "row {y}");
            }
            assert!(a.squares.iter().zip(&b.squares).all(|(a, b)| (a - b).abs() < 0.5));
            let codes = frames[if std::ptr::eq(b, &anew.segments[0]) { 4 } else { 2 }].codes[100];
            assert!(b.total[100] > u32::from(codes) && b.count[100] == 2);
        }
        assert_eq!(moved.full, anew.full);
        assert_eq!(moved.full.iter().map(|&n| usize::from(n)).sum::<usize>(), 4);
    }
}
