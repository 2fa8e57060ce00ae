//! Exact sums over parts of the window, kept up to date as it moves.
//!
//! The window around the current frame is cut into segments of frames; for each one the sum and
//! the number of good codes are kept for every pixel, and the sum of squares for every cell of
//! 2 x 2 pixels. All are whole numbers: a sum is the same bits wherever the run began.

use rayon::prelude::*;

use crate::frame::{Coding, FixedPlane};

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
    /// Saturated codes of each pixel.
    pub(super) full: Vec<u8>,
    /// Sum of squares of good codes of each cell.
    pub(super) squares: Vec<u64>,
}

pub(super) fn good(code: u16) -> bool {
    code != Coding::MISSING && code != Coding::SATURATED
}

/// Cells across a line of `n` pixels.
pub(super) fn cells(n: usize) -> usize {
    n.div_ceil(2)
}

impl Segment {
    pub(super) fn new(width: usize, height: usize) -> Self {
        let n = width * height;
        Self {
            total: vec![0; n],
            count: vec![0; n],
            full: vec![0; n],
            squares: vec![0; cells(width) * cells(height)],
        }
    }
}

/// One segment's change: the frame that enters it and the one that leaves.
pub(super) type Change<'a> = (Option<&'a FixedPlane>, Option<&'a FixedPlane>);

/// Takes frames in and out of all segments of a plane.
pub(super) fn change(segments: &mut [Segment], changes: &[Change<'_>]) {
    segments.par_iter_mut().zip(changes).for_each(|(segment, &(enter, leave))| {
        let Some(any) = enter.or(leave) else { return };
        let pair = 2 * any.width;
        let across = cells(any.width);
        let rows = segment
            .total
            .par_chunks_mut(pair)
            .zip(segment.count.par_chunks_mut(pair))
            .zip(segment.full.par_chunks_mut(pair))
            .zip(segment.squares.par_chunks_mut(across))
            .with_min_len(16);
        rows.enumerate().for_each(|(i, (((total, count), full), squares))| {
            let codes = |p: &FixedPlane| i * pair..((i + 1) * pair).min(p.codes.len());
            if let Some(p) = enter {
                let codes = &p.codes[codes(p)];
                add(codes, total, count, full);
                add_squares(codes, any.width, squares);
            }
            if let Some(p) = leave {
                let codes = &p.codes[codes(p)];
                remove(codes, total, count, full);
                remove_squares(codes, any.width, squares);
            }
        });
    });
}

/// The code of a good sample, 0 for others; and whether it is good (1) or not (0).
#[inline]
fn parts(code: u16) -> (u16, u8) {
    // 0 and 65535 are the marks: adding one makes them 1 and 0.
    let keep = code.wrapping_add(1) > 1;
    (if keep { code } else { 0 }, u8::from(keep))
}

fn add(codes: &[u16], total: &mut [u32], count: &mut [u8], full: &mut [u8]) {
    for (((t, n), f), &c) in total.iter_mut().zip(count).zip(full).zip(codes) {
        let (v, keep) = parts(c);
        *t = t.wrapping_add(u32::from(v));
        *n = n.wrapping_add(keep);
        *f = f.wrapping_add(u8::from(c == Coding::SATURATED));
    }
}

fn remove(codes: &[u16], total: &mut [u32], count: &mut [u8], full: &mut [u8]) {
    for (((t, n), f), &c) in total.iter_mut().zip(count).zip(full).zip(codes) {
        let (v, keep) = parts(c);
        *t = t.wrapping_sub(u32::from(v));
        *n = n.wrapping_sub(keep);
        *f = f.wrapping_sub(u8::from(c == Coding::SATURATED));
    }
}

#[inline]
fn square(code: u16) -> u64 {
    let v = u32::from(parts(code).0);
    u64::from(v.wrapping_mul(v))
}

/// Adds the squares of one or two rows to a row of cells.
fn add_squares(codes: &[u16], width: usize, squares: &mut [u64]) {
    for row in codes.chunks_exact(width) {
        let (pairs, rest) = row.as_chunks::<2>();
        for (s, [a, b]) in squares.iter_mut().zip(pairs) {
            *s = s.wrapping_add(square(*a)).wrapping_add(square(*b));
        }
        if let (Some(s), [c]) = (squares.last_mut(), rest) {
            *s = s.wrapping_add(square(*c));
        }
    }
}

fn remove_squares(codes: &[u16], width: usize, squares: &mut [u64]) {
    for row in codes.chunks_exact(width) {
        let (pairs, rest) = row.as_chunks::<2>();
        for (s, [a, b]) in squares.iter_mut().zip(pairs) {
            *s = s.wrapping_sub(square(*a)).wrapping_sub(square(*b));
        }
        if let (Some(s), [c]) = (squares.last_mut(), rest) {
            *s = s.wrapping_sub(square(*c));
        }
    }
}
