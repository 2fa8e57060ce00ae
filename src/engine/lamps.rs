//! The light of frames over the whole clip: what lamps on the mains explain of it.
//!
//! Even light is that of [`lamp_light`]. Where the first pass measured uneven light
//! ([`crate::register::uneven`]), the coefficients times the frame's light are sums of what the
//! lamps do; each is fitted by slow change and ripple ([`lamp_parts`]). A function is used where its
//! ripple stands out and the fit explains it over the whole clip. Frames are then divided by
//! ripple and slow change, and multiplied with the slow change: what is slow, a shadow or a lamp
//! that is turned on, stays in the picture.

use super::analysis::{Analysis, FrameFacts, FrameLight, Lamps};
use super::source::Source;
use crate::frame::Plane;
use crate::frame::convert::to_f32;
use crate::record::Warning;
use crate::register::lamp::{Parts, lamp_light, lamp_parts};
use crate::register::uneven::{FUNCTIONS, Field};

/// Frames that the mean noise is taken from.
const SOME: usize = 64;
/// Points along each side at which the size of uneven light is looked at.
const POINTS: usize = 5;

fn measured(f: &FrameFacts) -> bool {
    f.usable() && f.placed()
}

/// Light of frames that were not measured, as the lamps give it; to be set once their poses are.
#[derive(Debug, Default)]
pub(super) struct Gaps(Vec<(usize, f64)>);

impl Gaps {
    /// Sets it.
    pub(super) fn fill(self, out: &mut Analysis) {
        for (i, light) in self.0 {
            out.frames[i].light = light;
        }
    }
}

/// Takes noise out of the measured light where a lamp explains it, and settles uneven light.
pub(super) fn lamps(source: &Source, out: &mut Analysis) -> Gaps {
    let times: Option<Vec<f64>> = out.frames.iter().map(|f| source.time_s(f.frame)).collect();
    let Some(times) = times else {
        forget(out);
        return Gaps::default();
    };
    let light: Vec<Option<f64>> =
        out.frames.iter().map(|f| measured(f).then_some(f.light)).collect();
    let mains = source.facts.mains.as_ref().map(|m| m.value.hz());
    let known = |(l, f): (&Option<f64>, &FrameFacts)| l.map(|l| (l, f.light_sigma));
    let known: Vec<Option<(f64, f64)>> = light.iter().zip(&out.frames).map(known).collect();
    let (better, ripple) = lamp_light(&times, &known, mains);
    let gaps = uneven(&times, (&light, &better), mains, out);
    for (f, light) in out.frames.iter_mut().zip(better) {
        f.light = light.unwrap_or(f.light);
    }
    out.ripple = ripple;
    gaps
}

/// No uneven light is known.
fn forget(out: &mut Analysis) {
    out.frames.iter_mut().for_each(|f| f.uneven = None);
}

/// Settles uneven light from what was measured of it.
fn uneven(
    times: &[f64],
    (light, better): (&[Option<f64>], &[Option<f64>]),
    mains: Option<f64>,
    out: &mut Analysis,
) -> Gaps {
    if out.frames.iter().all(|f| f.uneven.is_none()) {
        return Gaps::default();
    }
    let series: Vec<Vec<Option<f64>>> = (0..FUNCTIONS)
        .map(|j| {
            let of = |(f, l): (&FrameFacts, &Option<f64>)| {
                Some((*l)? * f.uneven.as_ref()?.now.0.get(j)?)
            };
            out.frames.iter().zip(light).map(of).collect()
        })
        .collect();
    let mains = mains.or_else(|| likely_mains(times, &series));
    let fits: Vec<Vec<Option<Parts>>> =
        series.iter().map(|s| lamp_parts(times, s, mains)).collect();
    // Light that is uneven in the same way all the time has the ripple of the mean light.
    let relative = |j: usize| {
        let of = |(c, l): (&Option<f64>, &Option<f64>)| Some((*c)? / (*l)?);
        let series: Vec<Option<f64>> = series[j].iter().zip(light).map(of).collect();
        lamp_parts(times, &series, mains).iter().flatten().any(Parts::significant)
    };
    let found: Vec<bool> = (0..FUNCTIONS).map(relative).collect();
    let sure = |p: &Vec<Option<Parts>>| p.iter().flatten().all(|p| p.explained);
    let used: Vec<bool> = fits.iter().zip(&found).map(|(p, f)| *f && sure(p)).collect();
    if !used.contains(&true) {
        if found.contains(&true) {
            out.warnings.push(unexplained());
        }
        forget(out);
        return Gaps::default();
    }
    let [level, slow_level] = levels(times, light, better, mains);
    let mut frames = vec![FrameLight::default(); out.frames.len()];
    for (j, parts) in fits.iter().enumerate() {
        let zero = |f: &mut Field| f.0.resize(j + 1, 0.0);
        frames.iter_mut().for_each(|f| [&mut f.now, &mut f.slow].into_iter().for_each(zero));
        for p in parts.iter().flatten().filter(|_| used[j]) {
            for (i, (now, slow)) in p.frames.clone().zip(&p.values) {
                frames[i].now.0[j] = now / level[i];
                frames[i].slow.0[j] = slow / slow_level[i];
            }
        }
    }
    let (rms, most) = size(&frames);
    let hz = fits.iter().zip(&used).filter(|(_, u)| **u).flat_map(|(p, _)| p.iter().flatten());
    let hz = hz.max_by(|a, b| strength(a).total_cmp(&strength(b))).map_or(0.0, |p| p.hz);
    let functions = used.iter().filter(|u| **u).count();
    let phases = phases(&fits, &used, &lamp_parts(times, light, mains));
    out.lamps = Some(Lamps { hz, phases, functions, rms, most });
    for (f, l) in out.frames.iter_mut().zip(frames) {
        f.uneven = f.usable().then_some(l);
    }
    let gaps = out.frames.iter().zip(level).enumerate();
    Gaps(gaps.filter(|(_, (f, _))| f.usable() && !measured(f)).map(|(i, (_, l))| (i, l)).collect())
}

fn unexplained() -> Warning {
    Warning::new(
        "uneven-light",
        "light changes from frame to frame by other parts at other places, and no lamp on the \
         mains explains it: it stays in the picture",
        "light with lamps that do not flicker, or give the mains' frequency (mains = 60)",
    )
}

fn strength(p: &Parts) -> f64 {
    libm::hypot(p.wave[0], p.wave[1]) / p.sigma.max(1e-12)
}

/// 50 or 60 Hz, whichever the strongest ripple has.
fn likely_mains(times: &[f64], series: &[Vec<Option<f64>>]) -> Option<f64> {
    let all: Vec<Parts> =
        series.iter().flat_map(|s| lamp_parts(times, s, None)).flatten().collect();
    let best = all.iter().max_by(|a, b| strength(a).total_cmp(&strength(b)))?;
    Some(if best.hz > 110.0 { 60.0 } else { 50.0 })
}

/// Mean light of each frame without noise, and the slow part of it.
fn levels(
    times: &[f64],
    light: &[Option<f64>],
    better: &[Option<f64>],
    mains: Option<f64>,
) -> [Vec<f64>; 2] {
    let known: Vec<f64> = light.iter().flatten().copied().collect();
    let mean = known.iter().sum::<f64>() / known.len().max(1) as f64;
    let mut level: Vec<f64> = better.iter().map(|l| l.unwrap_or(mean)).collect();
    let mut slow = vec![mean; light.len()];
    for p in lamp_parts(times, light, mains).into_iter().flatten().filter(|p| p.explained) {
        for (i, (now, s)) in p.frames.clone().zip(&p.values) {
            slow[i] = *s;
            if light[i].is_none() {
                level[i] = *now;
            }
        }
    }
    [level, slow]
}

/// Rms and largest deviation of what frames are divided by.
fn size(frames: &[FrameLight]) -> (f64, f64) {
    let at = |k: usize| (2 * k) as f64 / (POINTS - 1) as f64 - 1.0;
    let (mut squares, mut most, mut n) = (0.0, 0.0_f64, 0.0);
    for f in frames {
        for k in 0..POINTS * POINTS {
            let d = f.at(at(k % POINTS), at(k / POINTS)) - 1.0;
            squares += d * d;
            most = most.max(d.abs());
            n += 1.0;
        }
    }
    ((squares / f64::max(n, 1.0)).sqrt(), most)
}

/// Whether the ripples of the functions and of the mean light have one phase or more: whether the
/// second singular value of their cosines and sines stands out of the noise in any stretch.
fn phases(fits: &[Vec<Option<Parts>>], used: &[bool], light: &[Option<Parts>]) -> usize {
    let two = |k: usize| {
        let all = fits.iter().zip(used).filter(|(_, u)| **u).map(|(p, _)| p.get(k));
        let all: Vec<&Parts> = all.chain([light.get(k)]).filter_map(|p| p?.as_ref()).collect();
        let sum = |f: &dyn Fn(&Parts) -> f64| all.iter().map(|p| f(p)).sum::<f64>();
        let (a, b) = (sum(&|p| p.wave[0].powi(2)), sum(&|p| p.wave[1].powi(2)));
        let c = sum(&|p| p.wave[0] * p.wave[1]);
        let least = 0.5 * (a + b) - libm::hypot(0.5 * (a - b), c);
        // Of noise alone it would be about the sum of the variances; five deviations beyond that.
        least > 25.0 * sum(&|p| p.sigma.powi(2))
    };
    if (0..light.len()).any(two) { 2 } else { 1 }
}

/// What dividing by uneven light makes of the noise at each pixel of a frame: the factor on its
/// deviation, root mean square over the clip, relative to what the frames' mean light does to it.
/// `None` where light is even.
#[must_use]
pub fn noise_factor(analysis: &Analysis, (width, height): (usize, usize)) -> Option<Plane> {
    analysis.lamps?;
    let all: Vec<(&FrameLight, f64)> =
        analysis.frames.iter().filter_map(|f| Some((f.uneven.as_ref()?, f.light))).collect();
    let some: Vec<_> = all.iter().step_by(all.len().div_ceil(SOME).max(1)).collect();
    let whole: f64 = some.iter().map(|(_, l)| 1.0 / (l * l)).sum();
    let mut sum = Plane::filled(width, height, 0.0);
    for (f, l) in some {
        let weight = to_f32(1.0 / (l * l) / whole);
        let mut light = Plane::filled(width, height, 1.0);
        f.now.multiply(&mut light);
        f.slow.divide(&mut light);
        for (s, v) in sum.data_mut().iter_mut().zip(light.data()) {
            *s += weight / (v * v);
        }
    }
    sum.data_mut().iter_mut().for_each(|v| *v = v.sqrt());
    Some(sum)
}
