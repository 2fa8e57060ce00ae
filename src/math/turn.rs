//! Small turns of a picture about its middle, and reading a picture that is turned and shifted.
//!
//! A [`Turn`] takes a point at the offset `d` from the middle to `(1 + stretch) R(angle) d`, x right
//! and y down: a positive angle is clockwise on screen. A [`Placement`] adds a shift.
//!
//! Reading goes along columns first, then along the row, each with the taps of
//! [`crate::math::resample`], as in the two-pass method of Catmull & Smith, Computer Graphics 14(3),
//! 279-285 (1980), doi 10.1145/965105.807505. Taps are looked up once for [`STEP`] neighbouring
//! pixels, so positions are off by up to half of that times the turn: 0.008 px at 2 mrad.

use std::ops::Range;

use serde::{Deserialize, Serialize};

use super::resample::{
    BEFORE, NoisePower, RowScratch, Rows, Shift, TAPS, dot, mean_power, rows_needed, shifted_row,
    taps,
};
use crate::frame::convert::{clamp_index, floor_isize, index_in, round_isize, signed};

/// Neighbouring pixels that are read with the same taps.
pub const STEP: usize = 8;

/// A turn and a change of magnification about the middle of a picture.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Turn {
    /// Angle in rad, clockwise on screen.
    pub angle: f64,
    /// Magnification less 1.
    pub stretch: f64,
}

impl Turn {
    /// No turn.
    pub const NONE: Self = Self { angle: 0.0, stretch: 0.0 };

    /// Whether it leaves everything where it is.
    #[must_use]
    pub fn is_none(&self) -> bool {
        *self == Self::NONE
    }

    /// How far a point at the offset `d` from the middle moves.
    #[must_use]
    pub fn moves(&self, d: [f64; 2]) -> [f64; 2] {
        moved(self.parts(), d)
    }

    /// Where a point at the offset `d` from the middle comes to lie.
    #[must_use]
    pub fn apply(&self, d: [f64; 2]) -> [f64; 2] {
        let by = self.moves(d);
        [d[0] + by[0], d[1] + by[1]]
    }

    /// This turn after another.
    #[must_use]
    pub fn after(&self, first: &Self) -> Self {
        Self {
            angle: self.angle + first.angle,
            stretch: (1.0 + self.stretch) * (1.0 + first.stretch) - 1.0,
        }
    }

    /// The turn that undoes it.
    #[must_use]
    pub fn inverse(&self) -> Self {
        Self { angle: -self.angle, stretch: 1.0 / (1.0 + self.stretch) - 1.0 }
    }

    /// The matrix less one: its diagonal, and what lies below.
    fn parts(&self) -> (f64, f64) {
        let by = 1.0 + self.stretch;
        (by * libm::cos(self.angle) - 1.0, by * libm::sin(self.angle))
    }
}

/// A turn's matrix less one, given as its diagonal and what lies below, applied to an offset.
fn moved((along, across): (f64, f64), d: [f64; 2]) -> [f64; 2] {
    [along * d[0] - across * d[1], across * d[0] + along * d[1]]
}

/// Where a picture is read: at `X + shift + turn.moves(X - middle)` for the point X.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Placement {
    /// Shift in pixels.
    pub shift: [f64; 2],
    /// Turn about the middle.
    pub turn: Turn,
    /// The middle, in pixels from the centre of the first one.
    pub middle: [f64; 2],
    /// The turn's matrix less one: asked for at every pixel.
    parts: (f64, f64),
}

impl Placement {
    /// Of a picture of this size, turned about its middle.
    #[must_use]
    pub fn new(shift: [f64; 2], turn: Turn, [width, height]: [usize; 2]) -> Self {
        Self::about([width, height].map(|n| (n as f64 - 1.0) / 2.0), shift, turn)
    }

    /// Turned about `middle`.
    #[must_use]
    pub fn about(middle: [f64; 2], shift: [f64; 2], turn: Turn) -> Self {
        Self { shift, turn, middle, parts: turn.parts() }
    }

    /// How far from a point it is read.
    #[must_use]
    pub fn at(&self, x: f64, y: f64) -> [f64; 2] {
        let by = moved(self.parts, [x - self.middle[0], y - self.middle[1]]);
        [self.shift[0] + by[0], self.shift[1] + by[1]]
    }

    /// The pixel next to where pixel (x, y) is read, where a picture of this size has one there.
    #[must_use]
    pub fn nearest(&self, (x, y): (usize, usize), [w, h]: [usize; 2]) -> Option<(usize, usize)> {
        let by = self.at(x as f64, y as f64);
        index_in(signed(x) + round_isize(by[0]), w).zip(index_in(signed(y) + round_isize(by[1]), h))
    }

    /// Calls `each` with the stretches of columns of row `y` that lie alike, and the pixel that their
    /// first one is next to; as [`Self::nearest`], pixel for pixel.
    pub fn stretches(
        &self,
        y: usize,
        [w, h]: [usize; 2],
        mut each: impl FnMut(Range<usize>, (usize, usize)),
    ) {
        if self.turn.is_none() {
            let by = self.shift.map(round_isize);
            let from = by[0].min(0).unsigned_abs();
            let to = w.saturating_sub(by[0].max(0).unsigned_abs());
            let row = index_in(signed(y) + by[1], h).filter(|_| from < to);
            if let Some(row) = row {
                each(from..to, ((signed(from) + by[0]).unsigned_abs(), row));
            }
            return;
        }
        let mut begun: Option<(usize, (usize, usize))> = None;
        for x in 0..w {
            let here = self.nearest((x, y), [w, h]);
            if let Some(((x0, (u0, v0)), (u, v))) = begun.zip(here)
                && v == v0
                && u == u0 + (x - x0)
            {
                continue;
            }
            if let Some((x0, at)) = begun {
                each(x0..x, at);
            }
            begun = here.map(|at| (x, at));
        }
        if let Some((x0, at)) = begun {
            each(x0..w, at);
        }
    }

    /// The placement that reads the other way.
    #[must_use]
    pub fn inverse(&self) -> Self {
        let turn = self.turn.inverse();
        let shift = turn.apply(self.shift).map(|v| -v);
        Self::about(self.middle, shift, turn)
    }

    /// Shifts at the corners of the picture whose middle it is.
    #[must_use]
    pub fn corners(&self) -> [[f64; 2]; 4] {
        let [x, y] = self.middle.map(|m| 2.0 * m);
        [self.at(0.0, 0.0), self.at(x, 0.0), self.at(0.0, y), self.at(x, y)]
    }

    /// How much further than its shift any point of the picture is moved, along x and y.
    #[must_use]
    pub fn spread(&self) -> [f64; 2] {
        [0, 1].map(|a| {
            self.corners().iter().map(|c| (c[a] - self.shift[a]).abs()).fold(0.0, f64::max)
        })
    }

    /// The shifts on a grid of places all over the picture.
    fn shifts(&self) -> impl Iterator<Item = Shift> {
        const GRID: usize = 8;
        (0..GRID * GRID).map(|i| {
            let place = |k: usize, m: f64| 2.0 * m * (k as f64 + 0.5) / GRID as f64;
            let by = self.at(place(i % GRID, self.middle[0]), place(i / GRID, self.middle[1]));
            Shift::new(by[0], by[1])
        })
    }

    /// Mean factor by which the variance of white noise shrinks.
    #[must_use]
    pub fn noise_gain(&self) -> f32 {
        let (sum, n) =
            self.shifts().fold((0.0, 0.0_f32), |(s, n), f| (s + f.noise_gain(), n + 1.0));
        sum / n
    }

    /// How much of white noise's power is left at each frequency, in the mean.
    #[must_use]
    pub fn noise_power(&self) -> NoisePower {
        mean_power(self.shifts().map(|s| s.noise_power()))
    }

    /// Source rows `first..end` that [`turned_row`] reads for `width` results from column `x0` in
    /// rows y0..y1.
    #[must_use]
    pub fn rows_needed(
        &self,
        (x0, width): (isize, usize),
        (y0, y1): (isize, isize),
        height: usize,
    ) -> (usize, usize) {
        // Whole steps of columns are read.
        let slack = (TAPS + 2 * STEP) as f64;
        let (a, b) = (x0 as f64 - slack, x0 as f64 + width as f64 + slack);
        let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
        for x in [a, b] {
            for y in [y0 as f64, y1 as f64 - 1.0] {
                let at = y + self.at(x, y)[1];
                low = low.min(at);
                high = high.max(at);
            }
        }
        let first = clamp_index(floor_isize(low) - signed(BEFORE) - 1, height);
        let last = clamp_index(floor_isize(high) + signed(TAPS - BEFORE) + 1, height);
        (first, last + 1)
    }
}

/// A placement that rows are read at: as a shift where nothing is turned.
#[derive(Debug, Clone, Copy)]
pub struct Reading {
    to: Placement,
    shift: Option<Shift>,
}

/// Working memory of one thread for [`Reading::row`].
#[derive(Debug, Clone, Default)]
pub struct ReadScratch {
    row: RowScratch,
    sums: Vec<f32>,
}

impl Reading {
    /// At `to`.
    #[must_use]
    pub fn new(to: Placement) -> Self {
        let shift = to.turn.is_none().then(|| Shift::new(to.shift[0], to.shift[1]));
        Self { to, shift }
    }

    /// One row, see [`shifted_row`] and [`turned_row`].
    pub fn row(
        &self,
        source: Rows<'_>,
        at: (isize, isize),
        out: &mut [f32],
        scratch: &mut ReadScratch,
    ) {
        match &self.shift {
            Some(shift) => shifted_row(source, shift, at, out, &mut scratch.row),
            None => turned_row(source, &self.to, at, out, &mut scratch.sums),
        }
    }

    /// Source rows that [`Self::row`] reads for `columns` (first, number) in rows y0..y1.
    #[must_use]
    pub fn rows_needed(
        &self,
        columns: (isize, usize),
        (y0, y1): (isize, isize),
        height: usize,
    ) -> (usize, usize) {
        match &self.shift {
            Some(shift) => rows_needed(shift, y0, y1, height),
            None => self.to.rows_needed(columns, (y0, y1), height),
        }
    }

    /// Factor by which the variance of white noise shrinks.
    #[must_use]
    pub fn noise_gain(&self) -> f32 {
        self.shift.as_ref().map_or_else(|| self.to.noise_gain(), Shift::noise_gain)
    }

    /// How much of white noise's power is left at each frequency.
    #[must_use]
    pub fn noise_power(&self) -> NoisePower {
        self.shift.as_ref().map_or_else(|| self.to.noise_power(), Shift::noise_power)
    }
}

/// `out[i] = picture(P + displacement)` for the points P = (x0 + i, y) of a row; outside, the edge
/// is repeated. `sums` is working memory.
pub fn turned_row(
    source: Rows<'_>,
    to: &Placement,
    (x0, y): (isize, isize),
    out: &mut [f32],
    sums: &mut Vec<f32>,
) {
    if out.is_empty() {
        return;
    }
    let row = y as f64;
    let across = |x: f64| x + to.at(x, row)[0];
    let ends = [across(x0 as f64), across(x0 as f64 + out.len() as f64 - 1.0)];
    // Source columns, in whole steps from a fixed origin.
    let low = floor_isize(ends[0].min(ends[1])) - signed(BEFORE);
    let first = low.div_euclid(signed(STEP)) * signed(STEP);
    let high = floor_isize(ends[0].max(ends[1])) + signed(TAPS - BEFORE) + 1;
    let steps = (high - first).unsigned_abs().div_ceil(STEP) + 1;
    sums.clear();
    sums.resize(steps * STEP, 0.0);
    // Which point of the row reads the source column u: across(x) = u, a straight line.
    let rise = across(1.0) - across(0.0);
    for (s, sum) in sums.chunks_exact_mut(STEP).enumerate() {
        let u = first + signed(s * STEP);
        let x = (u as f64 + (STEP as f64 - 1.0) / 2.0 - across(0.0)) / rise;
        let v = row + to.at(x, row)[1];
        let whole = floor_isize(v);
        let taps = taps(v - whole as f64);
        let lines: [&[f32]; TAPS] =
            std::array::from_fn(|j| source.row(whole + signed(j) - signed(BEFORE)));
        let inside = u >= 0 && u + signed(STEP) <= signed(source.width);
        if inside {
            let u = u.unsigned_abs();
            let lines = lines.map(|l| &l[u..u + STEP]);
            for (i, o) in sum.iter_mut().enumerate() {
                *o = dot(&taps, |j| lines[j][i]);
            }
        } else {
            for (i, o) in sum.iter_mut().enumerate() {
                let at = clamp_index(u + signed(i), source.width);
                *o = dot(&taps, |j| lines[j][at]);
            }
        }
    }
    for (s, part) in out.chunks_mut(STEP).enumerate() {
        let x = x0 + signed(s * STEP);
        let middle = x as f64 + (STEP as f64 - 1.0) / 2.0;
        let by = to.at(middle, row)[0];
        let whole = floor_isize(by);
        let taps = taps(by - whole as f64);
        let at = (x + whole - signed(BEFORE) - first).max(0).unsigned_abs();
        for (o, s) in part.iter_mut().zip(sums[at..].windows(TAPS)) {
            *o = dot(&taps, |j| s[j]);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::resample::shifted;
    use super::*;
    use crate::frame::Plane;
    use crate::frame::convert::to_f32;

    fn wave(x: f64, y: f64) -> f64 {
        100.0 + 30.0 * libm::sin(0.6 * x + 0.2 * y) + 20.0 * libm::cos(0.3 * x - 0.7 * y)
    }

    #[test]
    fn a_turned_picture_is_read_where_it_lies() {
        let (w, h) = (150, 110);
        let turn = Turn { angle: 2e-3, stretch: -1.5e-3 };
        let to = Placement::new([1.3, -2.6], turn, [w, h]);
        let source = Plane::from_fn(w, h, |x, y| to_f32(wave(x as f64, y as f64)));
        let (mut out, mut sums) = (vec![0.0; w - 7], Vec::new());
        let mut worst = 0.0_f64;
        for y in 8..h - 8 {
            turned_row((&source).into(), &to, (3, signed(y)), &mut out, &mut sums);
            for (i, &v) in out.iter().enumerate().take(w - 17).skip(8) {
                let (x, y) = (i as f64 + 3.0, y as f64);
                let by = to.at(x, y);
                worst = worst.max((f64::from(v) - wave(x + by[0], y + by[1])).abs());
            }
        }
        // Slope up to 26 a pixel times half a step's 0.007 px, and the kernel's own 0.3
        // (see the tests of resample).
        assert!(worst < 0.5, "{worst}");
    }

    #[test]
    fn without_a_turn_it_is_a_shift() {
        let p = Plane::from_fn(61, 40, |x, y| ((x * 31 + y * 17) % 23) as f32);
        let to = Placement::new([0.37, -1.61], Turn::NONE, [61, 40]);
        let want = shifted(&p, 0.37, -1.61);
        let (mut out, mut sums) = (vec![0.0; 61], Vec::new());
        for y in 0..40 {
            turned_row((&p).into(), &to, (0, signed(y)), &mut out, &mut sums);
            for (a, b) in out.iter().zip(want.row(y)) {
                assert!((a - b).abs() < 1e-4, "{a} {b}");
            }
        }
    }

    #[test]
    fn rows_at_hand_are_all_that_is_read() {
        let p = Plane::from_fn(90, 80, |x, y| to_f32(wave(x as f64, y as f64)));
        let to = Placement::new([-2.2, 3.4], Turn { angle: -0.01, stretch: 2e-3 }, [90, 80]);
        let (first, end) = to.rows_needed((0, 90), (32, 48), 80);
        let band = Rows { data: &p.data()[first * 90..end * 90], width: 90, first, height: 80 };
        let (mut a, mut b, mut sums) = (vec![0.0; 90], vec![0.0; 90], Vec::new());
        for y in 32..48 {
            turned_row((&p).into(), &to, (0, y), &mut a, &mut sums);
            turned_row(band, &to, (0, y), &mut b, &mut sums);
            assert_eq!(a, b, "row {y}");
        }
    }

    #[test]
    fn placements_undo_each_other() {
        let to = Placement::new([3.0, -5.0], Turn { angle: 0.02, stretch: 0.01 }, [640, 480]);
        let back = to.inverse();
        for (x, y) in [(0.0, 0.0), (639.0, 10.0), (200.0, 479.0)] {
            let by = to.at(x, y);
            let (u, v) = (x + by[0], y + by[1]);
            let home = back.at(u, v);
            assert!((u + home[0] - x).abs() < 1e-9 && (v + home[1] - y).abs() < 1e-9);
        }
    }

    #[test]
    fn a_positive_angle_is_clockwise_on_screen() {
        // What lies right of the middle moves down.
        let by = Turn { angle: 0.01, stretch: 0.0 }.moves([100.0, 0.0]);
        assert!(by[1] > 0.99 && by[0].abs() < 0.01);
    }
}
