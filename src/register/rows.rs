//! Offsets of rows: what reading a row out added to all of its pixels, anew in every frame.
//!
//! The model is that of stage `banding`. Row offsets that matter also pull on a frame's shift, so they
//! are taken off before it is fitted, and what is left of them is fitted with it (see [`super::fit`]).
//!
//! Offsets make still pixels look as if they moved, at the frame's edges for whole rows. A row that is
//! so short of still pixels is measured on all that the template's frames saw, if most of these agree
//! on an offset: where parts move they do not, and the row is left alone.

use super::template::LEAST_SEEN;
use super::{PixelNoise, Pose};
use crate::frame::convert::{index_in, round_isize, signed, to_f32};
use crate::frame::{Flaw, Plane};
use crate::math::resample::valid_range;
use crate::math::robust::median;
use crate::math::turn::{Placement, ReadScratch, Reading};
use crate::math::wide::{Wide, wide};

/// Rows on each side whose mean is left in the picture.
const SLOW: usize = 32;
/// Still pixels below which a row is short of them, and pixels below which it is left alone.
const LEAST: usize = 32;
/// Part of a row's pixels that must lie within a standard deviation of its offset where they are not known
/// to be still: two thirds of the 68 % that do where nothing moves. At 0.55 rows of the test
/// below are left out in which nothing moves.
const AGREE: f32 = 0.45;
/// Residuals beyond this many standard deviations do not count, those before it less and less:
/// 95 % of the efficiency of least squares on normal noise.
const BIWEIGHT: f32 = 4.685;
const EFFICIENCY: f32 = 0.95;
/// Part of the template's vertical slope that its pixels may be wrong by, one by one and all
/// together.
const EDGE_EACH: f32 = 0.1;
const EDGE_ALL: f32 = 0.02;
/// Row offsets matter where their spread is at least this part of what one is uncertain by.
const SIGNIFICANT: f64 = 0.25;
/// And at least this part of what single pixels are uncertain by: a fiftieth of the noise is neither
/// seen nor does it pull.
const LEAST_PART: f64 = 0.02;
/// Frames of a block that are looked at to find that out, at the most and at the least, and how many
/// rows they should have together.
const LOOK: (usize, usize) = (16, 4);
const LOOK_ROWS: usize = 6144;

/// What row offsets are measured against.
#[derive(Debug, Clone, PartialEq)]
pub struct RowModel {
    template: Plane,
    still: Vec<u8>,
    /// Of each row of the template: whether its pixels are all that were seen, still or not.
    short: Vec<bool>,
    /// Spread of row offsets in DN.
    pub sigma: f64,
}

/// One frame of the clip: values in DN above black, flaws, pose.
#[derive(Debug, Clone, Copy)]
pub struct Seen<'a> {
    /// Values.
    pub values: &'a Plane,
    /// What is wrong with pixels; `None`: nothing.
    pub flaws: Option<&'a [Flaw]>,
    /// Where the scene lies, and the light.
    pub pose: Pose,
}

/// Offsets of a frame's rows in DN before the flat, and their variances.
struct Rows {
    offset: Vec<f32>,
    variance: Vec<f32>,
    /// Sum over the rows of what their pixels' variance is.
    pixel: f64,
}

impl RowModel {
    /// A block's `template` (DN) and `still` pixels (1), and the known spread of the offsets in DN.
    #[must_use]
    pub fn new(template: &Plane, still: Vec<u8>, sigma: f64) -> Self {
        let short = vec![false; template.height()];
        Self { template: template.clone(), still, short, sigma }
    }

    /// The same with all that many frames saw in the rows that are short of still pixels; `count`
    /// frames saw each pixel of the template.
    #[must_use]
    pub fn with_seen(mut self, count: &Plane) -> Self {
        let w = self.template.width();
        let most = count.data().iter().copied().fold(0.0, f32::max);
        let rows = self.still.chunks_mut(w.max(1)).zip(count.data().chunks(w.max(1)));
        for ((still, count), short) in rows.zip(&mut self.short) {
            *short = still.iter().filter(|s| **s != 0).count() < LEAST;
            if *short {
                let seen = count.iter().map(|&n| u8::from(n > LEAST_SEEN * most));
                still.iter_mut().zip(seen).for_each(|(s, seen)| *s = seen);
            }
        }
        self
    }

    /// A model of a block's `template` (DN) and `still` pixels (1) where its `count` frames show
    /// row offsets that matter; else `None`. `frame` gives values and pose of a frame, where it has
    /// them; all have the template's size.
    #[must_use]
    pub fn measure(
        (template, still): (&Plane, &[u8]),
        noise: &PixelNoise,
        count: usize,
        frame: impl Fn(usize) -> Option<(Plane, Pose)>,
    ) -> Option<Self> {
        let mut model = Self::new(template, still.to_vec(), 0.0);
        let look = LOOK_ROWS.div_ceil(template.height().max(1)).clamp(LOOK.1, LOOK.0);
        let every = count.div_ceil(look).max(1);
        let (mut squares, mut expected, mut n, mut pixel) = (0.0, 0.0, 0.0, 0.0);
        for (values, pose) in (0..count).step_by(every).filter_map(frame) {
            let rows = model.rows(&Seen { values: &values, flaws: None, pose }, noise, true);
            for (r, v) in rows.offset.iter().zip(&rows.variance).filter(|(_, v)| v.is_finite()) {
                squares += f64::from(r * r);
                expected += f64::from(*v);
                n += 1.0;
            }
            pixel += rows.pixel;
        }
        let beyond = (squares - expected) / f64::max(n, 1.0);
        let matters = n * beyond > SIGNIFICANT * SIGNIFICANT * expected
            && n * beyond > LEAST_PART * LEAST_PART * pixel;
        model.sigma = beyond.max(0.0).sqrt();
        (n > 0.0 && matters).then_some(model)
    }

    /// Offsets to take off the rows of a frame, in DN before the flat.
    #[must_use]
    pub fn offsets(&self, frame: &Seen<'_>, noise: &PixelNoise) -> Vec<f32> {
        let mut rows = self.rows(frame, noise, false);
        let s2 = to_f32(self.sigma * self.sigma);
        for (r, v) in rows.offset.iter_mut().zip(&rows.variance) {
            *r *= if v.is_finite() { s2 / (s2 + v) } else { 0.0 };
        }
        rows.offset
    }

    /// Offsets as measured, what is slow over rows taken off; `whole`: with the pixels' variance.
    fn rows(&self, frame: &Seen<'_>, noise: &PixelNoise, whole: bool) -> Rows {
        let (w, h) = (frame.values.width(), frame.values.height());
        let mut rows = Rows { offset: vec![0.0; h], variance: vec![f32::INFINITY; h], pixel: 0.0 };
        if (w, h) != (self.template.width(), self.template.height()) {
            return rows;
        }
        let back = frame.pose.placement([w, h]).inverse();
        let (reading, mut scratch) = (Reading::new(back), ReadScratch::default());
        let mut model = vec![0.0; w];
        let mut row = Row::default();
        for y in 0..h {
            reading.row((&self.template).into(), (0, signed(y)), &mut model, &mut scratch);
            self.gather((frame, y), (&model, &back), noise, &mut row);
            if let Some((offset, variance)) = row.solve() {
                rows.offset[y] = offset;
                rows.variance[y] = variance;
                if whole {
                    rows.pixel += row.pixel();
                }
            }
        }
        take_slow_off(&mut rows);
        rows
    }

    /// What the still pixels of a row say of its offset, one by one.
    fn gather(
        &self,
        (frame, y): (&Seen<'_>, usize),
        (model, back): (&[f32], &Placement),
        noise: &PixelNoise,
        row: &mut Row,
    ) {
        let (w, h) = (frame.values.width(), frame.values.height());
        row.begin(w);
        let light = to_f32(frame.pose.light);
        let values = frame.values.row(y);
        if frame.pose.turn.is_none() {
            return self.gather_along((frame, y), (model, back), noise, row);
        }
        let mut pixel = |x: usize, tx: usize, ty: usize| {
            let at = y * w + x;
            let good = frame.flaws.is_none_or(|f| f[at] == Flaw::None);
            if self.still[ty * w + tx] == 0 || !good {
                return;
            }
            row.short |= self.short[ty];
            let above = self.template.row(ty.saturating_sub(1))[tx];
            let below = self.template.row((ty + 1).min(h - 1))[tx];
            let factor = noise.factor.as_ref().map_or(1.0, |f| f.data()[at]);
            let seen = [values[x], light * model[x], 0.5 * light * (below - above)];
            row.set(x, said(seen, factor, [noise.slope, noise.floor]));
        };
        for x in 0..w {
            let by = back.at(x as f64, y as f64);
            let inside = x as f64 + by[0] >= -1e-9 && x as f64 + by[0] <= w as f64 - 1.0 + 1e-9;
            if let Some((tx, ty)) = back.nearest((x, y), [w, h]).filter(|_| inside) {
                pixel(x, tx, ty);
            }
        }
    }

    /// The same where nothing is turned: all pixels of a row lie alike.
    fn gather_along(
        &self,
        (frame, y): (&Seen<'_>, usize),
        (model, back): (&[f32], &Placement),
        noise: &PixelNoise,
        row: &mut Row,
    ) {
        let (w, h) = (frame.values.width(), frame.values.height());
        let by = back.at(0.0, y as f64);
        let Some(ty) = index_in(signed(y) + round_isize(by[1]), h) else { return };
        let (from, to) = valid_range(0, by[0], w, w);
        let whole = round_isize(by[0]);
        let from = from.max((-whole).max(0).unsigned_abs());
        let to = to.min((signed(w) - whole).max(0).unsigned_abs());
        if from >= to {
            return;
        }
        let here = from..to;
        let start = (signed(from) + whole).unsigned_abs();
        let there = start..start + here.len();
        let template = |y: usize| &self.template.row(y)[there.clone()];
        let still = &self.still[ty * w..][there.clone()];
        row.short = self.short[ty];
        row.used = wide(Gathering {
            values: &frame.values.row(y)[here.clone()],
            model: &model[here.clone()],
            around: [template(ty.saturating_sub(1)), template((ty + 1).min(h - 1))],
            still,
            factor: noise.factor.as_ref().map(|f| &f.row(y)[here.clone()]),
            noise: [noise.slope, noise.floor],
            light: to_f32(frame.pose.light),
            out: [
                &mut row.value[here.clone()],
                &mut row.weight[here.clone()],
                &mut row.slope[here.clone()],
            ],
        });
        let Some(flaws) = frame.flaws else { return };
        let flaws = &flaws[y * w..][here.clone()];
        for ((x, f), s) in here.zip(flaws).zip(still) {
            if *f != Flaw::None && *s != 0 {
                (row.value[x], row.weight[x], row.slope[x]) = (0.0, 0.0, 0.0);
                row.used -= 1;
            }
        }
    }
}

/// What one pixel says of its row's offset, its weight, and the template's slope there, in DN before
/// the flat, which multiplied it with `factor`; from its value, the one expected and that slope.
#[inline(always)]
fn said([value, expected, slope]: [f32; 3], factor: f32, noise: [f32; 2]) -> [f32; 3] {
    let each = EDGE_EACH * slope;
    let variance = (super::variance(noise, expected, factor) + each * each) / (factor * factor);
    [(value - expected) / factor, 1.0 / variance.max(1e-12), slope / factor]
}

/// What pixels side by side say of their row's offset, as one piece of work; gives the number of
/// those that are still.
struct Gathering<'a> {
    values: &'a [f32],
    model: &'a [f32],
    /// The template above and below.
    around: [&'a [f32]; 2],
    still: &'a [u8],
    factor: Option<&'a [f32]>,
    /// Slope and floor of the variance.
    noise: [f32; 2],
    light: f32,
    /// Values, weights and slopes.
    out: [&'a mut [f32]; 3],
}

impl Wide for Gathering<'_> {
    type Output = usize;

    #[inline(always)]
    fn call(self) -> usize {
        match self.factor {
            Some(factor) => {
                let factor = &factor[..self.values.len()];
                self.each(|i| factor[i])
            }
            None => self.each(|_| 1.0),
        }
    }
}

impl Gathering<'_> {
    #[inline(always)]
    fn each(self, factor: impl Fn(usize) -> f32) -> usize {
        let n = self.values.len();
        let (values, model, still) = (&self.values[..n], &self.model[..n], &self.still[..n]);
        let [above, below] = self.around.map(|r| &r[..n]);
        let [value, weight, slopes] = self.out.map(|r| &mut r[..n]);
        let mut used = 0_u32;
        for i in 0..n {
            let slope = 0.5 * self.light * (below[i] - above[i]);
            let [v, w, s] = said([values[i], self.light * model[i], slope], factor(i), self.noise);
            let good = still[i] != 0;
            value[i] = if good { v } else { 0.0 };
            weight[i] = if good { w } else { 0.0 };
            slopes[i] = if good { s } else { 0.0 };
            used = used.wrapping_add(u32::from(good));
        }
        used as usize
    }
}

/// Offset, weight and slope of the template as the pixels of one row have them; weight 0 where
/// they say nothing.
#[derive(Debug, Default)]
struct Row {
    value: Vec<f32>,
    weight: Vec<f32>,
    slope: Vec<f32>,
    used: usize,
    /// Whether pixels are among them that are not known to be still.
    short: bool,
    some: Vec<f32>,
}

/// Pixels added up side by side.
const LANES: usize = 16;

impl Row {
    /// `width` pixels that say nothing yet.
    fn begin(&mut self, width: usize) {
        for all in [&mut self.value, &mut self.weight, &mut self.slope] {
            all.clear();
            all.resize(width.next_multiple_of(LANES), 0.0);
        }
        self.used = 0;
        self.short = false;
    }

    fn set(&mut self, x: usize, [value, weight, slope]: [f32; 3]) {
        self.value[x] = value;
        self.weight[x] = weight;
        self.slope[x] = slope;
        self.used += 1;
    }

    /// Harmonic mean of the pixels' variances.
    fn pixel(&self) -> f64 {
        let sum: f64 = self.weight.iter().map(|&w| f64::from(w)).sum();
        self.used as f64 / sum.max(1e-30)
    }

    /// Part of the pixels that lie within a standard deviation of an offset.
    fn near(&self, offset: f32) -> f32 {
        let known = self.value.iter().zip(&self.weight).filter(|v| *v.1 > 0.0);
        let near = known.filter(|(v, w)| (*v - offset).powi(2) * *w < 1.0).count();
        near as f32 / self.used.max(1) as f32
    }

    /// The offset that the pixels agree on, and its variance.
    fn solve(&mut self) -> Option<(f32, f32)> {
        if self.used < LEAST {
            return None;
        }
        self.some.clear();
        let known = self.value.iter().zip(&self.weight).filter(|v| *v.1 > 0.0);
        self.some.extend(known.step_by(4).map(|v| *v.0));
        let mut offset = median(&mut self.some)?;
        let (mut slope, mut inside) = (0.0_f32, 0.0_f32);
        for _ in 0..5 {
            let (sum, all);
            [sum, all, slope, inside] = wide(Biweight { row: self, offset });
            if all <= 0.0 {
                return None;
            }
            offset += sum / all;
            slope /= all;
        }
        if self.short && self.near(offset) < AGREE {
            return None;
        }
        let together = EDGE_ALL * slope;
        Some((offset, 1.0 / (EFFICIENCY * inside) + together * together))
    }
}

/// One round of a robust mean, as one piece of work: sums of weighted distances, of weights, of
/// weighted slopes, and of the weights of all that count.
struct Biweight<'a> {
    row: &'a Row,
    offset: f32,
}

impl Wide for Biweight<'_> {
    type Output = [f32; 4];

    #[inline(always)]
    fn call(self) -> [f32; 4] {
        let Row { value, weight, slope, .. } = self.row;
        let mut sums = [[0.0_f32; LANES]; 4];
        let all = value.as_chunks::<LANES>().0.iter().zip(weight.as_chunks::<LANES>().0);
        for ((v, w), s) in all.zip(slope.as_chunks::<LANES>().0) {
            for i in 0..LANES {
                let d = v[i] - self.offset;
                let part = (1.0 - d * d * w[i] / (BIWEIGHT * BIWEIGHT)).max(0.0);
                let k = w[i] * part * part;
                sums[0][i] += k * d;
                sums[1][i] += k;
                sums[2][i] += k * s[i];
                sums[3][i] += if part > 0.0 { w[i] } else { 0.0 };
            }
        }
        sums.map(|lanes| lanes.iter().sum())
    }
}

/// Takes the weighted mean over 65 rows off each row.
fn take_slow_off(rows: &mut Rows) {
    let weight = |v: &f32| if v.is_finite() { 1.0 / f64::from(*v) } else { 0.0 };
    let mut sums = vec![(0.0_f64, 0.0_f64)];
    for (r, v) in rows.offset.iter().zip(&rows.variance) {
        let (a, b) = sums[sums.len() - 1];
        sums.push((a + weight(v) * f64::from(*r), b + weight(v)));
    }
    let n = rows.offset.len();
    for (y, r) in rows.offset.iter_mut().enumerate() {
        let (from, to) = (sums[y.saturating_sub(SLOW)], sums[(y + SLOW + 1).min(n)]);
        let all = to.1 - from.1;
        if all > 0.0 {
            *r -= to_f32((to.0 - from.0) / all);
        }
    }
}

/// Takes `offsets` off the rows of a plane that a flat multiplied with `factor`.
pub fn take_off(plane: &mut Plane, offsets: &[f32], factor: Option<&Plane>) {
    for (y, r) in offsets.iter().enumerate().take(plane.height()) {
        match factor {
            None => plane.row_mut(y).iter_mut().for_each(|v| *v -= r),
            Some(f) => {
                for (v, f) in plane.row_mut(y).iter_mut().zip(f.row(y)) {
                    *v -= r * f;
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::NoiseModel;
    use crate::math::resample::shifted;
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, Normal};

    const W: usize = 1920;
    const H: usize = 160;
    const READ: f32 = 8.0;

    /// A scene of 150 electrons at its brightest: slow texture, and level bars with sharp edges.
    fn scene() -> Plane {
        Plane::from_fn(W, H, |x, y| {
            let (u, v) = (x as f32, y as f32);
            let texture = (u * 0.21).sin() * (v * 0.17).cos() + (u * 0.043 + v * 0.09).sin();
            let bar = if (y / 20) % 2 == 0 { 40.0 } else { 0.0 };
            70.0 + 18.0 * texture + bar
        })
    }

    fn noise() -> PixelNoise {
        PixelNoise::new(&NoiseModel { gain_e_per_dn: 1.0, read_noise_e: f64::from(READ) })
    }

    /// Still pixels: not where the dark block is, but for 40 columns that it covers unexpectedly.
    fn still() -> Vec<u8> {
        (0..W * H).map(|at| u8::from(!(380..860).contains(&(at % W)))).collect()
    }

    /// A frame with the scene at `shift`, rows of spread `spread`, covered by a dark block.
    fn frame(shift: [f64; 2], spread: f32, rng: &mut ChaCha8Rng) -> (Plane, Vec<f32>) {
        let normal = Normal::new(0.0_f32, 1.0).unwrap();
        let offsets: Vec<f32> = (0..H).map(|_| spread * normal.sample(rng)).collect();
        let mut out = shifted(&scene(), -shift[0], -shift[1]);
        for (y, offset) in offsets.iter().enumerate() {
            for x in 0..W {
                let covered = x > 400 && x < 900;
                let light = if covered { 10.0 } else { out.at(x, y) };
                let sigma = (light.max(0.0) + READ * READ).sqrt();
                out.set(x, y, light + offset + sigma * normal.sample(rng));
            }
        }
        (out, offsets)
    }

    fn pose(shift: [f64; 2]) -> Pose {
        Pose { shift, sigma: 0.01, ..Pose::ZERO }
    }

    fn model(spread: f32, rng: &mut ChaCha8Rng) -> Option<RowModel> {
        let poses = [[0.0, 0.0], [0.4, -0.7], [1.3, 0.5], [-0.6, 0.2]];
        let frames: Vec<Plane> = poses.iter().map(|&p| frame(p, spread, rng).0).collect();
        let of = |i: usize| Some((frames[i].clone(), pose(poses[i])));
        RowModel::measure((&scene(), &still()), &noise(), 4, of)
    }

    /// Spread of what is left of the row offsets, what is slow over rows not counted.
    fn left(offsets: &[f32], found: &[f32]) -> f64 {
        let mut rows = Rows {
            offset: offsets.iter().zip(found).map(|(a, b)| a - b).collect(),
            variance: vec![1.0; H],
            pixel: 0.0,
        };
        take_slow_off(&mut rows);
        let inner = &rows.offset[4..H - 4];
        (inner.iter().map(|r| f64::from(r * r)).sum::<f64>() / inner.len() as f64).sqrt()
    }

    #[test]
    fn two_electrons_of_row_noise_become_less_than_0_4() {
        let mut rng = ChaCha8Rng::seed_from_u64(11);
        let model = model(2.0, &mut rng).expect("2 e- of row noise matter");
        assert!((model.sigma / 2.0 - 1.0).abs() < 0.1, "{}", model.sigma);
        let at = [0.3, -1.4];
        let (values, offsets) = frame(at, 2.0, &mut rng);
        let seen = Seen { values: &values, flaws: None, pose: pose(at) };
        let rest = left(&offsets, &model.offsets(&seen, &noise()));
        println!("row noise of 2 e- at 1920 wide and 150 e-: {rest:.3} e- left");
        assert!(rest < 0.4, "{rest}");
    }

    #[test]
    fn a_strip_without_still_pixels_is_measured_where_nothing_moves() {
        let mut rng = ChaCha8Rng::seed_from_u64(13);
        let (values, offsets) = frame([0.0, 0.0], 6.0, &mut rng);
        let seen = Seen { values: &values, flaws: None, pose: pose([0.0, 0.0]) };
        // What the offsets themselves made look as if it moved: the lowest rows.
        let strip = H - 18..H;
        let mut mask = still();
        mask[strip.start * W..].fill(0);
        let count = Plane::filled(W, H, 4.0);
        let bare = RowModel::new(&scene(), mask, 6.0);
        let error = |model: &RowModel| {
            let found = model.offsets(&seen, &noise());
            let rest: Vec<f32> = offsets.iter().zip(&found).map(|(a, b)| a - b).collect();
            let slow = rest[H - 40..H - 18].iter().sum::<f32>() / 22.0;
            let squares: f32 = rest[strip.clone()].iter().map(|r| (r - slow).powi(2)).sum();
            (squares / strip.len() as f32).sqrt()
        };
        assert!(error(&bare) > 4.0, "{}", error(&bare));
        let model = bare.with_seen(&count);
        assert!(error(&model) < 1.2, "{}", error(&model));
    }

    #[test]
    fn without_row_noise_nothing_is_done() {
        let mut rng = ChaCha8Rng::seed_from_u64(12);
        assert!(model(0.0, &mut rng).is_none());
    }

    #[test]
    fn the_slow_and_the_flat_are_respected() {
        let mut rows = Rows { offset: vec![3.0; 100], variance: vec![1.0; 100], pixel: 0.0 };
        take_slow_off(&mut rows);
        assert!(rows.offset.iter().all(|r| r.abs() < 1e-5), "a change of light stays");
        let mut plane = Plane::filled(3, 2, 10.0);
        let factor = Plane::from_fn(3, 2, |x, _| 1.0 + x as f32);
        take_off(&mut plane, &[1.0, 2.0], Some(&factor));
        assert_eq!(plane.data(), [9.0, 8.0, 7.0, 8.0, 6.0, 4.0]);
    }
}
