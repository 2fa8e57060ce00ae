//! A master dark of another exposure or temperature, scaled by what the clip's hot pixels say.
//!
//! A pixel's dark level is `bias + I t`, with the dark current I, which doubles every few degrees,
//! and the exposure t. Where a pixel stands out of its neighbours by far (6 robust deviations of
//! all pixels), that is dark current; what it stands out by in the mean of some of the clip's
//! frames, `r = alpha h + noise`, against what it does in the dark, h, gives the factor alpha by
//! least squares, weighted again until pixels that disagree (an edge of the scene, a blinker) do
//! not count. There is no reference of the shortest exposure to tell bias from current elsewhere, so
//! only pixels that stand out by 4 deviations or more are scaled: `level + (alpha - 1) h`.
//!
//! Uncertainty: at scaled pixels that of alpha, `sigma h`; in all others as much as if their whole
//! pattern were dark current, `|alpha - 1|` times its deviation, which is an upper bound.
//! An alpha from 0.5 to 2 with an uncertainty of at most a tenth is used; others are refused.
//!
//! Cost: two passes of medians over a plane. Source: own; the limits 0.5 and 2 are common practice,
//! no source. Limits: the mean dark current (a plane's level) and glow of the sensor's edge cannot
//! be told from the scene's light and are not scaled; sensors without hot pixels give no answer.

use super::dark::DarkScale;
use super::robust::median;
use super::{MasterDark, SensorError};
use crate::frame::convert::{index_in, signed, to_f32};
use crate::frame::{Layout, Plane};

/// Factors that are used.
pub const LEAST: f64 = 0.5;
/// See [`LEAST`].
pub const MOST: f64 = 2.0;
/// Deviations from which a pixel tells the factor, and from which it is scaled.
const TELLS: f32 = 6.0;
const SCALED: f32 = 4.0;
/// Fewest pixels that can tell, and the largest uncertainty that is accepted.
const FEWEST: usize = 20;
const WORST: f64 = 0.1;
/// A factor this near to 1, or within 3 times its uncertainty of 1, changes nothing.
const SAME: f64 = 0.1;
/// Residuals beyond this many deviations do not count (Tukey's biweight).
const BIWEIGHT: f64 = 4.685;

/// What the pixel (x, y) stands out by: its value less the median of its eight neighbours of one colour.
fn out_by(plane: &Plane, step: usize, [x, y]: [usize; 2], around: &mut Vec<f32>) -> f32 {
    let (w, h, by) = (plane.width(), plane.height(), signed(step));
    around.clear();
    for (dx, dy) in [(-1, -1), (0, -1), (1, -1), (-1, 0), (1, 0), (-1, 1), (0, 1), (1, 1)] {
        let at = index_in(signed(x) + by * dx, w).zip(index_in(signed(y) + by * dy, h));
        around.extend(at.map(|(x, y)| plane.at(x, y)));
    }
    plane.at(x, y) - median(around)
}

/// The same of all pixels.
fn stands_out(plane: &Plane, step: usize) -> Plane {
    let mut around = Vec::with_capacity(8);
    Plane::from_fn(plane.width(), plane.height(), |x, y| out_by(plane, step, [x, y], &mut around))
}

/// What stands out in a dark.
struct Hot {
    /// What each pixel stands out by, one plane a channel, and the spread of that.
    out: Vec<Plane>,
    scales: Vec<f32>,
    /// Of those that tell dark current: what they stand out by in the dark, and in the clip.
    pairs: Vec<(f64, f64)>,
}

impl Hot {
    fn of(dark: &MasterDark, means: &[Plane], layout: Layout) -> Self {
        let step = if matches!(layout, Layout::Mosaic(_)) { 2 } else { 1 };
        let out: Vec<Plane> = dark.level.iter().map(|p| stands_out(p, step)).collect();
        let scales: Vec<f32> = out.iter().map(spread).collect();
        let (mut pairs, mut around) = (Vec::new(), Vec::with_capacity(8));
        for ((h, mean), scale) in out.iter().zip(means).zip(&scales) {
            let width = h.width().max(1);
            for (at, &h) in h.data().iter().enumerate() {
                if h > TELLS * scale && h > 0.0 {
                    let r = out_by(mean, step, [at % width, at / width], &mut around);
                    pairs.push((f64::from(h), f64::from(r)));
                }
            }
        }
        Self { out, scales, pairs }
    }
}

/// Robust standard deviation about 0.
fn spread(plane: &Plane) -> f32 {
    let mut sizes: Vec<f32> = plane.data().iter().map(|v| v.abs()).collect();
    1.4826 * median(&mut sizes)
}

/// Factor, uncertainty and pixels; `None` where too few tell it.
fn fitted(pairs: &[(f64, f64)]) -> Option<(f64, f64, usize)> {
    if pairs.len() < FEWEST {
        return None;
    }
    // A robust start: the median of the ratios.
    let mut ratios: Vec<f32> = pairs.iter().map(|(h, r)| to_f32(r / h)).collect();
    let mut factor = f64::from(median(&mut ratios));
    let mut sigma = f64::INFINITY;
    for _ in 0..10 {
        let mut left: Vec<f32> =
            pairs.iter().map(|(h, r)| to_f32((r - factor * h).abs())).collect();
        let scale = (1.4826 * f64::from(median(&mut left))).max(1e-6);
        let (mut hr, mut hh, mut squares) = (0.0, 0.0, 0.0);
        for (h, r) in pairs {
            let d = (r - factor * h) / (BIWEIGHT * scale);
            let weight = (1.0 - d * d).max(0.0).powi(2);
            hr += weight * h * r;
            hh += weight * h * h;
            squares += weight * weight * h * h;
        }
        if hh <= 0.0 {
            return None;
        }
        factor = hr / hh;
        sigma = scale * squares.sqrt() / hh;
    }
    Some((factor, sigma, pairs.len()))
}

/// How many times the dark current of `dark` the hot pixels of a clip show, and its standard uncertainty;
/// `None` where that is 1, or cannot be told. `means` as in [`rescaled`].
#[must_use]
pub fn told(dark: &MasterDark, means: &[Plane], layout: Layout) -> Option<(f64, f64)> {
    let hot = Hot::of(dark, means, layout);
    let (factor, sigma, _) = fitted(&hot.pairs).filter(|f| f.1 <= WORST)?;
    ((factor - 1.0).abs() > SAME.max(3.0 * sigma)).then_some((factor, sigma))
}

/// Scales `dark` for a clip whose frames have these means (raw DN, one plane a channel; values that
/// were full are left to the fit). `other` says that the exposures are known to differ: then a
/// factor that cannot be told is refused; else the dark stays as it is. `None` where nothing is to
/// be changed.
///
/// # Errors
/// [`SensorError::Refused`] with the factor and what to do.
pub fn rescaled(
    dark: &MasterDark,
    means: &[Plane],
    layout: Layout,
    other: bool,
) -> Result<Option<MasterDark>, SensorError> {
    let advice = "take darks at the clip's exposure and temperature";
    let Hot { out, scales, pairs } = Hot::of(dark, means, layout);
    let Some((factor, sigma, told_by)) = fitted(&pairs).filter(|f| f.1 <= WORST) else {
        if !other {
            return Ok(None);
        }
        return Err(SensorError::Refused(format!(
            "the darks have another exposure than the clip, above 2 ms, and {} hot pixels are too \
             few, or too uncertain, to scale them by: {advice}",
            pairs.len()
        )));
    };
    if !other && (factor - 1.0).abs() <= SAME.max(3.0 * sigma) {
        return Ok(None);
    }
    if !(LEAST..=MOST).contains(&factor) {
        return Err(SensorError::Refused(format!(
            "the clip's hot pixels show {factor:.2} +- {sigma:.2} times the dark current of the \
             darks, which is not within {LEAST} to {MOST}: {advice}"
        )));
    }
    let mut new = dark.clone();
    let (mut scaled, mut squares, mut count) = (0, 0.0, 0.0);
    for ((level, h), scale) in new.level.iter_mut().zip(&out).zip(&scales) {
        for (v, h) in level.data_mut().iter_mut().zip(h.data()) {
            count += 1.0;
            if *h > SCALED * scale && *h > 0.0 {
                *v += to_f32(factor - 1.0) * h;
                scaled += 1;
                squares += (sigma * f64::from(*h)).powi(2);
            } else {
                squares += ((factor - 1.0) * f64::from(*scale)).powi(2);
            }
        }
    }
    let uncertain_dn = (squares / f64::max(count, 1.0)).sqrt();
    new.scaled = Some(DarkScale { factor, sigma, told_by, scaled, uncertain_dn });
    Ok(Some(new))
}
