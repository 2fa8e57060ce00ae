//! Sub-pixel shifts with an eight-tap kernel whose first moment is exact.
//!
//! For a fraction `f` the taps `c_j` at positions `j - 3`, j = 0..8, minimise
//!
//! ```text
//! integral over 0..0.40 cycles/px of  W(v) | sum_j c_j e^{2 pi i v (j-3)} - e^{2 pi i v f} |^2 dv
//! W(v) = 1 / ((v / 0.1)^4 + 1) + 1e-3
//! subject to  sum c_j = 1   and   sum c_j (j-3) = f
//! ```
//!
//! The second constraint puts slow shades exactly where they belong: an ordinary normalised
//! three-lobe windowed sinc misplaces them by up to 0.02 px, which is more than the steadying
//! error wanted. Whole-pixel shifts return the input bit for bit.
//!
//! Measured response (`kernel_table` test below prints it): see `response_is_as_documented`.
//! Gain of white noise variance in one direction: 1 at f = 0 down to 0.851 at f = 0.5.
//!
//! **Edges.** Taps outside the picture repeat the edge pixel; a result whose position itself lies
//! outside is reported as missing by [`valid_range`].

use std::sync::OnceLock;

use crate::frame::Plane;
use crate::frame::convert::{clamp_index, floor_isize, floor_usize, signed, to_f32};
use crate::math::linear::solve_small;
use crate::math::wide::{Wide, wide};

/// Taps of the kernel.
pub const TAPS: usize = 8;
/// Taps before the pixel to the left of (or at) the position.
pub const BEFORE: usize = 3;
/// Highest frequency (cycles a pixel) the kernel is made for.
const TOP: f64 = 0.40;
/// Fractions in the table; between them the taps are interpolated linearly, which keeps both
/// constraints exact.
const STEPS: usize = 512;

/// What a table of taps is made for.
#[derive(Debug, Clone, Copy)]
struct Design {
    /// Highest frequency, cycles a pixel.
    top: f64,
    /// Weight of a frequency.
    weight: fn(f64) -> f64,
}

/// For pictures as they come from a sensor.
const ORDINARY: Design = Design {
    top: TOP,
    weight: |v| {
        let r = v / 0.1;
        1.0 / (r * r * r * r + 1.0) + 1e-3
    },
};

/// For pictures sampled twice as finely as their content needs.
const FINE: Design = Design { top: 0.26, weight: |_| 1.0 };

/// `integral over 0..top of W(v) cos(2 pi v d) dv` by Simpson's rule.
fn moment(of: Design, d: f64) -> f64 {
    const PANELS: usize = 128;
    let h = of.top / PANELS as f64;
    let mut sum = 0.0;
    for i in 0..=PANELS {
        let v = i as f64 * h;
        let c = if i == 0 || i == PANELS {
            1.0
        } else if i % 2 == 1 {
            4.0
        } else {
            2.0
        };
        sum += c * (of.weight)(v) * libm::cos(2.0 * std::f64::consts::PI * v * d);
    }
    sum * h / 3.0
}

fn design(of: Design, fraction: f64) -> [f64; TAPS] {
    let mut a = [[0.0; TAPS + 2]; TAPS + 2];
    let mut b = [0.0; TAPS + 2];
    let lags: [f64; TAPS] = std::array::from_fn(|d| moment(of, d as f64));
    for i in 0..TAPS {
        let xi = i as f64 - BEFORE as f64;
        for j in 0..TAPS {
            a[i][j] = lags[i.abs_diff(j)];
        }
        a[i][TAPS] = 1.0;
        a[TAPS][i] = 1.0;
        a[i][TAPS + 1] = xi;
        a[TAPS + 1][i] = xi;
        b[i] = moment(of, fraction - xi);
    }
    b[TAPS] = 1.0;
    b[TAPS + 1] = fraction;
    let mut taps = [0.0; TAPS];
    match solve_small(a, b) {
        Some(x) => taps.copy_from_slice(&x[..TAPS]),
        // The matrix is fixed and positive definite; linear interpolation if it ever were not.
        None => {
            taps[BEFORE] = 1.0 - fraction;
            taps[BEFORE + 1] = fraction;
        }
    }
    taps
}

type Table = Vec<[f32; TAPS]>;

fn make(of: Design) -> Table {
    (0..=STEPS)
        .map(|i| match i {
            0 => unit(BEFORE),
            STEPS => unit(BEFORE + 1),
            _ => design(of, i as f64 / STEPS as f64).map(to_f32),
        })
        .collect()
}

fn table() -> &'static Table {
    static TABLE: OnceLock<Table> = OnceLock::new();
    TABLE.get_or_init(|| make(ORDINARY))
}

fn fine_table() -> &'static Table {
    static TABLE: OnceLock<Table> = OnceLock::new();
    TABLE.get_or_init(|| make(FINE))
}

fn unit(at: usize) -> [f32; TAPS] {
    let mut taps = [0.0; TAPS];
    taps[at] = 1.0;
    taps
}

/// The taps for a fraction in `0..=1`.
#[must_use]
pub fn taps(fraction: f64) -> [f32; TAPS] {
    look_up(table(), fraction)
}

/// The taps for a fraction in `0..=1` of the sampling distance of a picture that is sampled twice
/// as finely as its content needs (nothing above 0.25 cycles a sample). Response error up to
/// there: below 8e-4 (`fine_taps_are_exact_to_half_the_band`).
#[must_use]
pub fn fine_taps(fraction: f64) -> [f32; TAPS] {
    look_up(fine_table(), fraction)
}

fn look_up(table: &Table, fraction: f64) -> [f32; TAPS] {
    let at = fraction.clamp(0.0, 1.0) * STEPS as f64;
    let i = floor_usize(at).min(STEPS - 1);
    let t = to_f32(at - i as f64);
    let (a, b) = (&table[i], &table[i + 1]);
    let mut out = [0.0; TAPS];
    for (o, (x, y)) in out.iter_mut().zip(a.iter().zip(b)) {
        *o = x + t * (y - x);
    }
    out
}

/// One shift, split into whole pixels and taps for both axes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shift {
    /// Whole pixels, x then y.
    pub whole: [isize; 2],
    /// Taps along x.
    pub x: [f32; TAPS],
    /// Taps along y.
    pub y: [f32; TAPS],
}

impl Shift {
    /// The kernel that reads at `position + (dx, dy)`.
    #[must_use]
    pub fn new(dx: f64, dy: f64) -> Self {
        let (ix, iy) = (floor_isize(dx), floor_isize(dy));
        Self { whole: [ix, iy], x: taps(dx - ix as f64), y: taps(dy - iy as f64) }
    }

    /// Factor by which the variance of white noise shrinks in this shift.
    #[must_use]
    pub fn noise_gain(&self) -> f32 {
        let square = |t: &[f32; TAPS]| t.iter().map(|c| c * c).sum::<f32>();
        square(&self.x) * square(&self.y)
    }

    /// How much of white noise's power it leaves at each frequency.
    #[must_use]
    pub fn noise_power(&self) -> NoisePower {
        let [x, y] = [&self.x, &self.y].map(power_left);
        x.map(|px| y.map(|py| px * py))
    }
}

/// Power of noise by frequency along x, then along y: at k / 16 cycles a pixel, where a cosine
/// transform of eight pixels has its waves.
pub type NoisePower = [[f32; FREQUENCIES]; FREQUENCIES];
/// Frequencies of each axis.
pub const FREQUENCIES: usize = 8;

/// What taps leave of white noise's power at each frequency.
fn power_left(taps: &[f32; TAPS]) -> [f32; FREQUENCIES] {
    let mut left = [0.0; FREQUENCIES];
    for (k, left) in left.iter_mut().enumerate() {
        let turn = std::f64::consts::PI * k as f64 / FREQUENCIES as f64;
        let (mut re, mut im) = (0.0, 0.0);
        for (j, &c) in taps.iter().enumerate() {
            re += f64::from(c) * libm::cos(turn * j as f64);
            im += f64::from(c) * libm::sin(turn * j as f64);
        }
        *left = to_f32(re * re + im * im);
    }
    left
}

/// The power at a frequency in cycles a pixel, between those that are known.
#[must_use]
pub fn power_at(power: &NoisePower, frequency: [f64; 2]) -> f32 {
    let last = FREQUENCIES - 1;
    let [(i, x), (j, y)] = frequency.map(|f| {
        let k = (f.abs() * 2.0 * FREQUENCIES as f64).min(last as f64);
        let low = floor_usize(k).min(last - 1);
        (low, to_f32(k - low as f64))
    });
    let between = |a: f32, b: f32, t: f32| a + t * (b - a);
    let line = |i: usize| between(power[i][j], power[i][j + 1], y);
    between(line(i), line(i + 1), x)
}

/// The mean of powers; white where there are none.
#[must_use]
pub fn mean_power(powers: impl Iterator<Item = NoisePower>) -> NoisePower {
    let (mut sum, mut n) = ([[0.0_f32; FREQUENCIES]; FREQUENCIES], 0.0_f32);
    for power in powers {
        let values = power.as_flattened().iter();
        sum.as_flattened_mut().iter_mut().zip(values).for_each(|(s, p)| *s += p);
        n += 1.0;
    }
    if n > 0.0 {
        sum.as_flattened_mut().iter_mut().for_each(|s| *s /= n);
        sum
    } else {
        WHITE
    }
}

/// The power of white noise.
pub const WHITE: NoisePower = [[1.0; FREQUENCIES]; FREQUENCIES];

/// Rows that a kernel can read: a plane, or a band of one that was decoded from another form.
#[derive(Debug, Clone, Copy)]
pub struct Rows<'a> {
    /// Values of the rows at hand, one after another.
    pub data: &'a [f32],
    /// Width of a row.
    pub width: usize,
    /// Number of the first row at hand.
    pub first: usize,
    /// Height of the whole picture (for the edge rule).
    pub height: usize,
}

impl<'a> From<&'a Plane> for Rows<'a> {
    fn from(p: &'a Plane) -> Self {
        Self { data: p.data(), width: p.width(), first: 0, height: p.height() }
    }
}

impl<'a> Rows<'a> {
    /// Row `y` of the whole picture, the edge row repeated outside.
    pub(crate) fn row(&self, y: isize) -> &'a [f32] {
        let y = clamp_index(y, self.height);
        let at = y.saturating_sub(self.first);
        &self.data[at * self.width..(at + 1) * self.width]
    }
}

/// Source rows `first..end` that [`shifted_row`] reads for results in rows `y0..y1`.
#[must_use]
pub fn rows_needed(shift: &Shift, y0: isize, y1: isize, height: usize) -> (usize, usize) {
    let first = clamp_index(y0 + shift.whole[1] - signed(BEFORE), height);
    let last = clamp_index(y1 - 1 + shift.whole[1] + signed(TAPS - 1 - BEFORE), height);
    (first, last + 1)
}

/// Working memory of one thread for [`shifted_row`].
#[derive(Debug, Clone, Default)]
pub struct RowScratch {
    column_sum: Vec<f32>,
}

/// `out[i] = picture(x0 + i + dx, y + dy)` for one row.
///
/// `out` may begin and end anywhere; outside, the edge is repeated.
pub fn shifted_row(
    source: Rows<'_>,
    shift: &Shift,
    at: (isize, isize),
    out: &mut [f32],
    scratch: &mut RowScratch,
) {
    wide(Shifting { source, shift, at, out, scratch });
}

/// One row, as one piece of work.
struct Shifting<'a> {
    source: Rows<'a>,
    shift: &'a Shift,
    at: (isize, isize),
    out: &'a mut [f32],
    scratch: &'a mut RowScratch,
}

impl Wide for Shifting<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        row_shifted(self.source, self.shift, self.at, self.out, self.scratch);
    }
}

#[inline(always)]
fn row_shifted(
    source: Rows<'_>,
    shift: &Shift,
    (x0, y): (isize, isize),
    out: &mut [f32],
    scratch: &mut RowScratch,
) {
    let w = source.width;
    // Vertical first, into a row padded by the edge rule, then horizontal.
    let pad = out.len() + TAPS - 1;
    let sum = &mut scratch.column_sum;
    sum.resize(pad, 0.0);
    let left = x0 + shift.whole[0] - signed(BEFORE);
    let from = left.clamp(0, signed(w));
    let to = (left + signed(pad)).clamp(from, signed(w));
    let (from_u, to_u) = (clamp_index(from, w + 1), clamp_index(to, w + 1));
    let (a, b) = (clamp_index(from - left, pad + 1), clamp_index(to - left, pad + 1));
    let row = |j: usize| &source.row(y + shift.whole[1] + signed(j) - signed(BEFORE))[from_u..to_u];
    if shift.y.iter().all(|c| c.abs() >= 1e-12) {
        weighted(std::array::from_fn(row), &shift.y, &mut sum[a..b]);
    } else {
        sum.fill(0.0);
        for (j, &c) in shift.y.iter().enumerate().filter(|(_, c)| c.abs() >= 1e-12) {
            for (s, &v) in sum[a..b].iter_mut().zip(row(j)) {
                *s += c * v;
            }
        }
    }
    if a < b {
        let (edge_l, edge_r) = (sum[a], sum[b - 1]);
        sum[..a].fill(edge_l);
        sum[b..].fill(edge_r);
    } else {
        // The whole row lies outside: the nearest edge column, everywhere.
        let at = clamp_index(left, w);
        let mut v = 0.0;
        for (j, &c) in shift.y.iter().enumerate() {
            v += c * source.row(y + shift.whole[1] + signed(j) - signed(BEFORE))[at];
        }
        sum.fill(v);
    }
    let t = shift.x;
    for (o, s) in out.iter_mut().zip(sum.windows(TAPS)) {
        *o = dot(&t, |j| s[j]);
    }
}

/// Taps times the samples under them, added up in this order.
#[inline(always)]
pub(crate) fn dot(t: &[f32; TAPS], sample: impl Fn(usize) -> f32) -> f32 {
    t[0] * sample(0)
        + t[1] * sample(1)
        + t[2] * sample(2)
        + t[3] * sample(3)
        + t[4] * sample(4)
        + t[5] * sample(5)
        + t[6] * sample(6)
        + t[7] * sample(7)
}

/// Rows of one length times their taps, added up: all at once, so that sums stay in registers.
#[inline(always)]
fn weighted(rows: [&[f32]; TAPS], t: &[f32; TAPS], out: &mut [f32]) {
    let n = out.len();
    let r = rows.map(|row| &row[..n]);
    for (i, o) in out.iter_mut().enumerate() {
        *o = dot(t, |j| r[j][i]);
    }
}

/// The plane read at `position + (dx, dy)`: content moves by `(-dx, -dy)`. Same size, edges
/// repeated.
#[must_use]
pub fn shifted(plane: &Plane, dx: f64, dy: f64) -> Plane {
    let shift = Shift::new(dx, dy);
    let mut out = Plane::filled(plane.width(), plane.height(), 0.0);
    let mut scratch = RowScratch::default();
    for y in 0..plane.height() {
        shifted_row(plane.into(), &shift, (0, signed(y)), out.row_mut(y), &mut scratch);
    }
    out
}

/// Positions `i` in `0..out` for which `i + first + shift` lies inside `0..=len-1`:
/// a half-open range (empty where there is none).
#[must_use]
pub fn valid_range(first: isize, shift: f64, out: usize, len: usize) -> (usize, usize) {
    // A position that rounding error puts 1e-9 outside is still inside.
    range_within(first, shift, (out, len), 1e-9)
}

/// The same for positions up to `beyond` outside.
#[must_use]
pub fn range_within(
    first: isize,
    shift: f64,
    (out, len): (usize, usize),
    beyond: f64,
) -> (usize, usize) {
    let at = first as f64 + shift;
    let lo = (-at - beyond).ceil().max(0.0);
    let hi = ((len as f64 - 1.0) - at + beyond).floor() + 1.0;
    let lo = floor_usize(lo).min(out);
    let hi = floor_usize(hi.max(0.0)).min(out);
    (lo, hi.max(lo))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Mean-square response error up to `top`, over 32 fractions, in dB.
    fn response_error_db(top: f64) -> f64 {
        let (mut sum, mut n) = (0.0, 0.0);
        for i in 0..32 {
            let f = f64::from(i) / 32.0;
            let t = taps(f);
            let mut v = 0.0;
            while v <= top {
                let (mut re, mut im) = (0.0, 0.0);
                for (j, &c) in t.iter().enumerate() {
                    let phase = 2.0 * std::f64::consts::PI * v * (j as f64 - 3.0 - f);
                    re += f64::from(c) * libm::cos(phase);
                    im += f64::from(c) * libm::sin(phase);
                }
                sum += (re - 1.0) * (re - 1.0) + im * im;
                n += 1.0;
                v += 0.005;
            }
        }
        10.0 * libm::log10(sum / n)
    }

    #[test]
    fn response_is_as_documented() {
        // Measured by this very test; the bounds leave 1 dB.
        for (top, bound) in [(0.15, -55.0), (0.25, -48.5), (0.35, -38.5), (0.45, -20.0)] {
            let db = response_error_db(top);
            println!("response error up to {top} cycles/px: {db:.1} dB");
            assert!(db < bound, "{top}: {db}");
        }
    }

    #[test]
    fn fine_taps_are_exact_to_half_the_band() {
        let mut worst = 0.0_f64;
        for i in 0..=32 {
            let f = f64::from(i) / 32.0;
            let t = fine_taps(f);
            for n in 0..=50 {
                let v = 0.005 * f64::from(n);
                let (mut re, mut im) = (0.0, 0.0);
                for (j, &c) in t.iter().enumerate() {
                    let phase = 2.0 * std::f64::consts::PI * v * (j as f64 - 3.0 - f);
                    re += f64::from(c) * libm::cos(phase);
                    im += f64::from(c) * libm::sin(phase);
                }
                worst = worst.max(((re - 1.0) * (re - 1.0) + im * im).sqrt());
            }
        }
        assert!(worst < 8e-4, "{worst}");
    }

    #[test]
    fn both_constraints_hold_for_every_fraction() {
        for i in 0..=1000 {
            let f = f64::from(i) / 1000.0;
            let t = taps(f);
            let sum: f64 = t.iter().map(|&c| f64::from(c)).sum();
            let first: f64 =
                t.iter().enumerate().map(|(j, &c)| f64::from(c) * (j as f64 - 3.0)).sum();
            assert!((sum - 1.0).abs() < 1e-6, "{f}: {sum}");
            assert!((first - f).abs() < 2e-6, "{f}: {first}");
        }
    }

    #[test]
    fn noise_gain_stays_above_seven_tenths() {
        let g = |f: f64| taps(f).iter().map(|c| c * c).sum::<f32>();
        assert!((g(0.0) - 1.0).abs() < 1e-6);
        let half = g(0.5);
        println!("noise gain at half a pixel: {half:.3}");
        assert!((0.83..0.88).contains(&half), "{half}");
    }

    #[test]
    fn whole_shifts_copy_and_half_shifts_follow_a_smooth_wave() {
        let wave = |x: f64, y: f64| to_f32(100.0 + 40.0 * libm::sin(0.5 * x + 0.3 * y));
        let p = Plane::from_fn(40, 30, |x, y| wave(x as f64, y as f64));
        let q = shifted(&p, 3.0, -2.0);
        for y in 2..30 {
            for x in 0..37 {
                assert!((q.at(x, y) - p.at(x + 3, y - 2)).abs() < f32::EPSILON);
            }
        }
        let q = shifted(&p, 0.37, -1.61);
        for y in 6..24 {
            for x in 6..34 {
                let truth = wave(x as f64 + 0.37, y as f64 - 1.61);
                // Amplitude 40 at -55 dB a direction (table above), at the worst phase.
                let error = (q.at(x, y) - truth).abs();
                assert!(error < 0.3, "{x} {y}: {error}");
            }
        }
    }

    #[test]
    fn rows_far_outside_repeat_the_edge() {
        let p = Plane::from_fn(10, 10, |x, _| x as f32);
        let mut out = [0.0; 4];
        let mut s = RowScratch::default();
        shifted_row((&p).into(), &Shift::new(100.0, 50.5), (0, 0), &mut out, &mut s);
        assert!(out.iter().all(|v| (v - 9.0).abs() < 1e-4));
        shifted_row((&p).into(), &Shift::new(-100.0, -50.5), (0, 0), &mut out, &mut s);
        assert!(out.iter().all(|v| v.abs() < 1e-4));
    }

    #[test]
    fn valid_range_is_where_the_position_is_inside() {
        assert_eq!(valid_range(0, 0.5, 10, 10), (0, 9));
        assert_eq!(valid_range(0, -0.5, 10, 10), (1, 10));
        assert_eq!(valid_range(0, 0.0, 10, 10), (0, 10));
        assert_eq!(valid_range(0, 20.0, 10, 10), (0, 0));
        assert_eq!(valid_range(5, -5.0, 5, 10), (0, 5));
        assert_eq!(range_within(0, 0.003, (10, 10), 0.5), (0, 10));
        assert_eq!(range_within(0, -0.6, (10, 10), 0.5), (1, 10));
    }

    #[test]
    fn power_lies_between_its_nodes_and_agrees_with_the_gain() {
        let shift = Shift::new(0.5, 0.25);
        let power = shift.noise_power();
        assert!((power_at(&power, [3.0 / 16.0, -5.0 / 16.0]) - power[3][5]).abs() < 1e-6);
        let middle = power_at(&power, [0.0, 1.5 / 16.0]);
        assert!((middle - 0.5 * (power[0][1] + power[0][2])).abs() < 1e-6);
        // Parseval: the mean over all frequencies is the sum of the squared taps. What lies beyond the
        // last node is taken as that one.
        let n = 64;
        let all = (0..n * n).map(|i| {
            let f = |k: usize| (k as f64 + 0.5) / (2 * n) as f64;
            f64::from(power_at(&power, [f(i % n), f(i / n)]))
        });
        let mean = all.sum::<f64>() / (n * n) as f64;
        assert!((mean / f64::from(shift.noise_gain()) - 1.0).abs() < 0.06, "{mean}");
    }
}
