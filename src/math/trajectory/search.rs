//! The best whole velocity of a square, on pictures of half and quarter size.

use super::{HALF, Neighbours, QUARTER, RANGE, REACH, STEPS, Window};
use crate::frame::FixedPlane;
use crate::frame::convert::{clamp_index, signed};
use crate::math::patch::{Square, raw};
use crate::math::wide::{Wide, wide};

/// The frames before, at, and after the current one that are compared.
type Three<'a> = [Option<&'a FixedPlane>; 3];

/// Half the sum of the squares of all differences of three values. Without a past or without a
/// future the square of the one that is left.
#[inline(always)]
fn apart<const PAST: bool, const FUTURE: bool>(past: f32, now: f32, future: f32) -> f32 {
    let (a, b) = (past - now, future - now);
    match (PAST, FUTURE) {
        (true, true) => a * a + b * (b - a),
        (true, false) => a * a,
        (false, true) => b * b,
        (false, false) => 0.0,
    }
}

/// What makes sums of [`apart`] a mean over pairs.
#[inline(always)]
fn per_pair([past, _, future]: Three<'_>) -> f32 {
    if past.is_some() && future.is_some() { 2.0 / 3.0 } else { 1.0 }
}

/// Costs of whole velocities, by vy and vx.
type Costs = [[f32; 16]; STEPS];

/// How badly quarter-size frames agree for all whole velocities.
#[inline(always)]
fn coarse(three: Three<'_>, at: Window) -> Costs {
    match three {
        [Some(_), Some(_), Some(_)] => coarse_of::<true, true>(three, at),
        [Some(_), Some(_), None] => coarse_of::<true, false>(three, at),
        [None, Some(_), Some(_)] => coarse_of::<false, true>(three, at),
        _ => [[0.0; 16]; STEPS],
    }
}

#[inline(always)]
fn coarse_of<const PAST: bool, const FUTURE: bool>(three: Three<'_>, at: Window) -> Costs {
    const ROWS: usize = QUARTER + 2 * RANGE;
    const ACROSS: usize = ROWS + 2;
    let mut costs = [[0.0; 16]; STEPS];
    let mut middle = [[0.0_f32; QUARTER]; QUARTER];
    let (mut after, mut before) = ([[0.0_f32; ACROSS]; ROWS], [[0.0_f32; ACROSS]; ROWS]);
    let [left, top] = at.corner.map(|v| v - signed(RANGE));
    if let Some(now) = three[1] {
        raw(now, at.corner, &mut middle);
    }
    if let Some(future) = three[2] {
        raw(future, [left, top], &mut after);
    }
    if let Some(past) = three[0] {
        // The past runs the other way: turned by half a turn, it runs along.
        raw(past, [left - 2, top], &mut before);
        before.reverse();
        for row in &mut before {
            row.reverse();
        }
    }
    for (vy, costs) in costs.iter_mut().enumerate() {
        let mut sum = [0.0_f32; 16];
        for (j, middle) in middle.iter().enumerate().take(at.y.1).skip(at.y.0) {
            let (after, before) = (&after[j + vy], &before[QUARTER - 1 - j + vy]);
            for (i, &now) in middle.iter().enumerate().take(at.x.1).skip(at.x.0) {
                let (f, p) = (&after[i..i + 16], &before[QUARTER - 1 - i..QUARTER + 15 - i]);
                for l in 0..16 {
                    sum[l] += apart::<PAST, FUTURE>(p[l], now, f[l]);
                }
            }
        }
        let scale = per_pair(three);
        for (c, s) in costs.iter_mut().zip(sum) {
            *c = s * scale;
        }
    }
    costs
}

/// Frames around a square of `N` pixels a side, in `ROWS` rows of at least as many columns.
struct Around<const N: usize, const ROWS: usize, const ACROSS: usize> {
    past: [[f32; ACROSS]; ROWS],
    now: Square<N>,
    future: [[f32; ACROSS]; ROWS],
    at: Window,
}

type Fine = Around<HALF, { HALF + 2 * RANGE }, 40>;
type Rough = Around<QUARTER, { QUARTER + 2 * RANGE }, 28>;

impl<const N: usize, const ROWS: usize, const ACROSS: usize> Around<N, ROWS, ACROSS> {
    #[inline(always)]
    fn new(three: Three<'_>, at: Window) -> Self {
        let (past, future) = ([[0.0; ACROSS]; ROWS], [[0.0; ACROSS]; ROWS]);
        let mut around = Self { past, now: [[0.0; N]; N], future, at };
        let corner = at.corner.map(|v| v - signed(RANGE));
        if let Some(p) = three[0] {
            raw(p, corner, &mut around.past);
        }
        if let Some(p) = three[1] {
            raw(p, at.corner, &mut around.now);
        }
        if let Some(p) = three[2] {
            raw(p, corner, &mut around.future);
        }
        around
    }

    /// How badly they agree for the velocity (vx, vy), counted from -RANGE.
    #[inline(always)]
    fn cost(&self, three: Three<'_>, v: [usize; 2]) -> f32 {
        match (three[0].is_some(), three[2].is_some()) {
            (true, true) => self.cost_of::<true, true>(v),
            (true, false) => self.cost_of::<true, false>(v),
            (false, true) => self.cost_of::<false, true>(v),
            (false, false) => 0.0,
        }
    }

    #[inline(always)]
    fn cost_of<const PAST: bool, const FUTURE: bool>(&self, [vx, vy]: [usize; 2]) -> f32 {
        let mut sum = [0.0_f32; N];
        let back = 2 * RANGE - vx;
        for j in self.at.y.0..self.at.y.1 {
            let now = &self.now[j];
            let p = &self.past[j + 2 * RANGE - vy][back..back + N];
            let f = &self.future[j + vy][vx..vx + N];
            for i in 0..N {
                sum[i] += apart::<PAST, FUTURE>(p[i], now[i], f[i]);
            }
        }
        sum[self.at.x.0..self.at.x.1].iter().sum()
    }
}

/// Velocities that the quarter-size pictures hand on.
const FINALISTS: usize = 3;

/// The best whole velocity of a square, and how its cost compares to standing still (1 where it is the
/// same; below where motion explains more).
pub type Found = ([isize; 2], f32);

/// Looks for the best whole velocity of a square. `near`: what was found for one beside it; where this
/// one moves alike, and that explains as much, no others are looked at.
#[must_use]
pub fn search(frames: &Neighbours<'_>, at: Window, near: Option<Found>) -> Found {
    let found =
        near.filter(|n| n.0 != [0; 2]).and_then(|near| wide(Confirming { frames, at, near }));
    found.unwrap_or_else(|| wide(Searching { frames, at }))
}

/// The frames that are compared, at half and at quarter size.
fn compared<'a>(frames: &Neighbours<'a>) -> [Three<'a>; 2] {
    let half = |i: usize| frames[i].map(|f| &f.sizes.half);
    let quarter = |i: usize| frames[i].map(|f| &f.sizes.quarter);
    let near = [half(REACH - 2), half(REACH), half(REACH + 2)];
    let far = [quarter(REACH - 4), quarter(REACH), quarter(REACH + 4)];
    [near, far]
}

/// By how much more of what standing still leaves a velocity may leave than it does beside.
const ALIKE: [f32; 2] = [1.1, 0.02];

struct Confirming<'a> {
    frames: &'a Neighbours<'a>,
    at: Window,
    near: Found,
}

/// Frames at both sizes.
struct Both<'a> {
    fine: Fine,
    rough: Rough,
    near: Three<'a>,
    far: Three<'a>,
    scale: [f32; 2],
}

impl Both<'_> {
    #[inline(always)]
    fn cost(&self, v: [usize; 2]) -> f32 {
        self.fine.cost(self.near, v) * self.scale[0] + self.rough.cost(self.far, v) * self.scale[1]
    }
}

impl Wide for Confirming<'_> {
    type Output = Option<Found>;

    #[inline(always)]
    fn call(self) -> Self::Output {
        let (velocity, ratio) = self.near;
        let [near, far] = compared(self.frames);
        let fine = Fine::new(near, self.at.smaller(2));
        let rough = Rough::new(far, self.at.smaller(4));
        // A quarter-size pixel holds the light of four half-size ones.
        let scale = [0.25 * per_pair(near), per_pair(far)];
        let both = Both { fine, rough, near, far, scale };
        let [vx, vy] = velocity.map(|v| clamp_index(v + signed(RANGE), STEPS));
        let (still, cost) = (both.cost([RANGE, RANGE]), both.cost([vx, vy]));
        if cost > still * (ALIKE[0] * ratio + ALIKE[1]) {
            return None;
        }
        let beside = |v: usize| v.saturating_sub(1)..=(v + 1).min(STEPS - 1);
        for y in beside(vy) {
            for x in beside(vx) {
                if [x, y] != [vx, vy] && both.cost([x, y]) < cost {
                    return None;
                }
            }
        }
        Some((velocity, if still > 0.0 { cost / still } else { 1.0 }))
    }
}

struct Searching<'a> {
    frames: &'a Neighbours<'a>,
    at: Window,
}

impl Wide for Searching<'_> {
    type Output = Found;

    #[inline(always)]
    fn call(self) -> Self::Output {
        let [near, far] = compared(self.frames);
        let coarse = coarse(far, self.at.smaller(4));
        let fine = Fine::new(near, self.at.smaller(2));
        // A quarter-size pixel holds the light of four half-size ones.
        let scale = 0.25 * per_pair(near);
        let mut known = [[f32::NAN; STEPS]; STEPS];
        let mut both = |[vx, vy]: [usize; 2]| {
            if known[vy][vx].is_nan() {
                known[vy][vx] = fine.cost(near, [vx, vy]) * scale + coarse[vy][vx];
            }
            known[vy][vx]
        };
        let mut finalists = [([RANGE, RANGE], f32::INFINITY); FINALISTS];
        for (vy, costs) in coarse.iter().enumerate().take(STEPS - 1).skip(1) {
            for (vx, &c) in costs.iter().enumerate().take(STEPS - 1).skip(1) {
                if let Some(place) = finalists.iter().position(|f| c < f.1) {
                    finalists[place..].rotate_right(1);
                    finalists[place] = ([vx, vy], c);
                }
            }
        }
        let still = both([RANGE, RANGE]);
        let mut best = ([RANGE, RANGE], still);
        for (v, _) in finalists {
            for vy in v[1] - 1..=v[1] + 1 {
                for vx in v[0] - 1..=v[0] + 1 {
                    let c = both([vx, vy]);
                    if c < best.1 {
                        best = ([vx, vy], c);
                    }
                }
            }
        }
        let velocity = best.0.map(|v| signed(v) - signed(RANGE));
        (velocity, if still > 0.0 { best.1 / still } else { 1.0 })
    }
}
