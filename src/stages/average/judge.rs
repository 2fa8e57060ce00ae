//! Which parts of the window show the same as the current frame, cell by cell.
//!
//! A segment counts where (1) its frames vary no more than the noise model says, (2) its mean
//! agrees with the current frame, (3) near segments that contradict each other are decided by which
//! of them is nearer to the current frame, and (4) a far segment agrees with what (1) to (3) kept.
//! So a place that was uncovered three frames ago is averaged over all frames since.

use super::agree::{CORRELATED, SQUARES_3, above, agreement, decay, spread_doubt};
use super::band::{CellBand, Work};
use super::slip::Shown;
use crate::math::blur::{BlurScratch, binomial_3_rows, binomial_rows};
use crate::math::wide::{Wide, wide};

/// Cells a binomial of 5 x 5 averages, four independent pixels each but for resampling.
const INDEPENDENT: f32 = 4.0 / 0.0748 / CORRELATED;
/// The same of larger cells and 3 x 3.
const INDEPENDENT_LARGE: f32 = 16.0 / SQUARES_3 / CORRELATED;
/// Standard deviations of variance above which a segment is doubted.
const STEADY: f32 = 2.0;
/// Judging a band, as one piece of work.
pub(super) struct Judging<'a> {
    pub(super) band: &'a mut CellBand,
    pub(super) step: f32,
}

impl Wide for Judging<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        self.band.judge(self.step);
    }
}

/// Asking all segments of a band whether places as a whole have shifted, as one piece of work.
struct Slipping<'a> {
    band: &'a mut CellBand,
    sigma: f32,
}

impl Wide for Slipping<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let Self { band, sigma } = self;
        let near = band.near();
        band.average(near, false);
        let shown = Shown {
            width: band.width,
            guide: &band.work.kept,
            now: &band.now,
            known: &band.known,
            variance: &band.cell_variance,
        };
        let scratch = band.slipped.get_or_insert_default();
        let mut any = false;
        let segments = band.mean.iter().zip(&band.count).zip(&mut band.weight);
        for ((mean, count), weight) in segments {
            any |= scratch.slip(shown, (mean, count), weight, sigma);
        }
        if any {
            band.surest();
        }
    }
}

impl CellBand {
    /// Takes weight off segments where places as a whole have shifted since; `sigma` is the uncertainty
    /// of the frames' poses in px.
    pub(super) fn slip(&mut self, sigma: f32) {
        wide(Slipping { band: self, sigma });
    }

    /// The largest of the weights of the segments next to the current frame.
    #[inline(always)]
    fn surest(&mut self) {
        let near = self.near();
        self.sure.fill(0.0);
        for w in &self.weight[near] {
            for (sure, w) in self.sure.iter_mut().zip(w) {
                *sure = if *w > *sure { *w } else { *sure };
            }
        }
    }

    /// Turns unexplained variance and means into weights.
    #[inline(always)]
    fn judge(&mut self, step: f32) {
        let (n, width) = (self.now.len(), self.width);
        let independent = if self.large { INDEPENDENT_LARGE } else { INDEPENDENT };
        // (1) steady in itself
        let segments = self.weight.iter_mut().zip(&self.unsteady).zip(&self.count);
        for ((w, unsteady), count) in segments {
            let (w, count, p) = (&mut w[..n], &count[..n], &self.pixel_variance[..n]);
            let unsteady = &unsteady[..n];
            for i in 0..n {
                let v = unsteady[i] * step * step / p[i] - 1.0;
                w[i] = if v < 50.0 { v } else { 50.0 };
            }
            let agreed = &mut self.work.agreed[..n];
            smooth(w, (width, self.large), agreed, &mut self.work.agree.blur);
            for i in 0..n {
                let z = agreed[i] * (above(count[i] - 1.0) * 0.5 * independent).sqrt();
                let weight = decay(above(z - STEADY));
                w[i] = if count[i] < 0.5 { 0.0 } else { weight };
            }
        }
        let near = self.near();
        // (2) near segments agree with the current frame
        for s in near.clone() {
            self.compare(s);
            self.agree(s);
        }
        // (3) near segments that contradict each other
        if near.len() == 2 {
            self.decide(near.start, near.start + 1);
        }
        // (4) far segments agree with what was kept
        if near.len() < self.mean.len() {
            self.average(near.clone(), true);
            for s in (0..self.mean.len()).filter(|s| !near.contains(s)) {
                self.compare_kept(s);
                self.agree(s);
            }
        }
        for w in &mut self.weight {
            spread_doubt(w, width, &mut self.work.agree);
        }
        self.surest();
    }

    /// Weighs a segment by whether the difference at hand is noise.
    #[inline(always)]
    fn agree(&mut self, s: usize) {
        let Work { agree, difference, inverse, agreed, .. } = &mut self.work;
        agreement(difference, inverse, (self.width, self.large, true), agreed, agree);
        for (w, a) in self.weight[s].iter_mut().zip(&*agreed) {
            *w *= a;
        }
    }

    /// Difference of a segment's mean and the current frame, and the inverse of its variance.
    #[inline(always)]
    fn compare(&mut self, s: usize) {
        let n = self.now.len();
        let (mean, count) = (&self.mean[s][..n], &self.count[s][..n]);
        let (now, known, v) = (&self.now[..n], &self.known[..n], &self.cell_variance[..n]);
        let difference = &mut self.work.difference[..n];
        let inverse = &mut self.work.inverse[..n];
        for i in 0..n {
            let both = (count[i] > 0.25) & (known[i] > 0.5);
            difference[i] = if both { mean[i] - now[i] } else { 0.0 };
            let c = a_little(count[i]);
            inverse[i] = c / (v[i] * (c + 1.0));
        }
    }

    /// Difference of a segment's mean and what was kept of others, and the inverse of its variance.
    #[inline(always)]
    fn compare_kept(&mut self, s: usize) {
        let n = self.now.len();
        let (mean, count, v) = (&self.mean[s][..n], &self.count[s][..n], &self.cell_variance[..n]);
        let (kept, number) = (&self.work.kept[..n], &self.work.number[..n]);
        let difference = &mut self.work.difference[..n];
        let inverse = &mut self.work.inverse[..n];
        for i in 0..n {
            difference[i] = if count[i] > 0.5 { mean[i] - kept[i] } else { 0.0 };
            let (c, k) = (a_little(count[i]), a_little(number[i]));
            inverse[i] = c * k / (v[i] * (c + k));
        }
    }

    /// Where past and future differ, only the one nearer to the current frame is kept.
    #[inline(always)]
    fn decide(&mut self, past: usize, future: usize) {
        let n = self.now.len();
        let (a, b) = (&self.count[past][..n], &self.count[future][..n]);
        let (p, f) = (&self.mean[past][..n], &self.mean[future][..n]);
        let (now, v) = (&self.now[..n], &self.cell_variance[..n]);
        let Work { agree, difference, inverse, agreed, kept, number, .. } = &mut self.work;
        let (difference, inverse, lean) = (&mut difference[..n], &mut inverse[..n], &mut kept[..n]);
        for i in 0..n {
            let both = (a[i] > 0.5) & (b[i] > 0.5);
            let d = if both { p[i] - f[i] } else { 0.0 };
            difference[i] = d;
            let (a, b) = (a_little(a[i]), a_little(b[i]));
            inverse[i] = a * b / (v[i] * (a + b));
            // Above 0: the current frame is nearer to the past.
            lean[i] = (now[i] - 0.5 * (p[i] + f[i])) * d / v[i];
        }
        // Cells that a binomial averages.
        let cells = if self.large { 7.0 } else { 13.0 };
        agreement(difference, inverse, (self.width, self.large, false), agreed, agree);
        smooth(lean, (self.width, self.large), number, &mut agree.blur);
        let (agreed, smooth) = (&agreed[..n], &number[..n]);
        for (s, sign) in [(past, -1.0), (future, 1.0)] {
            let weight = &mut self.weight[s][..n];
            for i in 0..n {
                // Their log likelihood ratio.
                let loses = above(smooth[i] * cells * sign);
                weight[i] *= 1.0 - (1.0 - agreed[i]) * (1.0 - decay(loses));
            }
        }
    }
}

/// Smooths over 5 x 5 cells, or 3 x 3 `large` ones.
#[inline(always)]
fn smooth(
    values: &[f32],
    (width, large): (usize, bool),
    out: &mut [f32],
    scratch: &mut BlurScratch,
) {
    if large {
        binomial_3_rows(values, width, out, scratch);
    } else {
        binomial_rows(values, width, out, scratch);
    }
}

/// A count, at least a quarter.
#[inline(always)]
fn a_little(n: f32) -> f32 {
    if n > 0.25 { n } else { 0.25 }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A texture of waves, in cells of 2 px, moved along x by `shift` px.
    fn texture(x: usize, y: usize, shift: f32) -> f32 {
        let (x, y) = (2.0 * x as f32 - shift, 2.0 * y as f32);
        let wave = |u: f32| libm::sinf(u);
        50.0 + 12.0 * (wave(0.5 * x + 0.2 * y) + wave(0.31 * y - 0.1 * x + 1.0))
    }

    /// Cells with a standard deviation of 6 DN in the current frame; its left half has moved.
    fn band(shift: f32) -> CellBand {
        let mut band = CellBand { width: 96, height: 48, ..CellBand::default() };
        band.fit_to_judge(2);
        // Twelve even numbers added are nearly normal.
        let even = |i: usize| ((i.wrapping_mul(2_654_435_761) >> 9) % 4096) as f32 / 4096.0 - 0.5;
        let noise = |i: usize| (0..12).map(|k| even(31 * i + 7_919 * k + 5)).sum::<f32>();
        for i in 0..96 * 48 {
            let (x, y) = (i % 96, i / 96);
            let moved = if x < 48 { shift } else { 0.0 };
            band.now[i] = texture(x, y, moved) + 6.0 * noise(i);
            band.known[i] = 1.0;
            (band.pixel_variance[i], band.cell_variance[i]) = (144.0, 36.0);
            for s in 0..2 {
                band.mean[s][i] = texture(x, y, 0.0) + 6.0 / 3.0 * noise(i + (s + 1) * 10_000);
                band.count[s][i] = 9.0;
                band.weight[s][i] = 1.0;
            }
            band.sure[i] = 1.0;
        }
        band
    }

    #[test]
    fn a_square_that_moved_by_less_than_its_cells_can_tell_loses_its_weight() {
        let mut moved = band(0.8);
        moved.slip(0.01);
        let at = |x: usize, y: usize| y * 96 + x;
        for y in 12..36 {
            for x in 12..36 {
                assert!(moved.weight[0][at(x, y)] < 0.1, "{x} {y}: {}", moved.weight[0][at(x, y)]);
                assert!(moved.sure[at(x, y)] < 0.1);
                let still = moved.weight[1][at(x + 48, y)];
                assert!(still > 0.99, "{x} {y}: {still}");
            }
        }
        let before = band(0.0);
        let mut still = before.clone();
        still.slip(0.01);
        assert!(still.weight == before.weight && still.sure == before.sure);
    }

    #[test]
    fn what_moves_in_front_does_not_speak_for_what_lies_behind() {
        let mut band = band(0.0);
        for i in 0..96 * 48 {
            if i % 96 < 24 {
                band.now[i] = 200.0;
                band.weight.iter_mut().for_each(|w| w[i] = 0.0);
            }
        }
        let before = band.weight.clone();
        band.slip(0.01);
        assert!(band.weight == before);
    }
}
