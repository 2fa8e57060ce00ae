//! Whether a clip and its references are what they are given as, by a few frames of each: references
//! that are exchanged, saturated or of something else, levels that nobody gave or mistyped, a colour
//! filter that was not named.
//!
//! What a person would see at a glance, and what a night would be lost to. Limits are wide: what is
//! said here is wrong by much or not at all.

use std::path::Path;

use super::NightError;
use crate::engine::source::Source;
use crate::footage::Shape;
use crate::frame::convert::to_f32;
use crate::frame::{Layout, Plane};
use crate::math::robust::quantile;
use crate::record::Warning;

/// Frames of an even field that its texture is measured in.
const LOOK: usize = 4;
/// Texture of an even field, as a share of its level, beyond what pixels differ by themselves.
const MUCH_TEXTURE: f64 = 0.05;
/// Ratio of the brightest to the darkest pixel of a 2 x 2 square, from which on a colour filter lies over
/// it: two read-out channels of a grey sensor differ by a few per cent.
const COLOURS: f64 = 1.15;

/// Light in DN below which that is not asked: rows and columns have offsets of their own.
const LEAST_LIGHT: f64 = 5.0;

/// Change of the dark frames' level, in units of their noise, from which on it is told.
const DRIFT: f64 = 0.3;

/// What was seen.
#[derive(Debug, Default)]
pub(super) struct Levels {
    /// What will spoil or fail the run.
    pub(super) faults: Vec<String>,
    /// What a person should know.
    pub(super) warnings: Vec<Warning>,
}

/// A clip's middle frame.
struct Middle {
    samples: Vec<f32>,
    sites: Option<[f64; 4]>,
}

impl Middle {
    /// `None` where that frame cannot be read.
    fn of(source: &Source) -> Option<Self> {
        let frames = &source.clip.frames;
        let read = source.read(frames.get(frames.len() / 2)?).ok()?;
        let samples = read.frame.planes.iter().flat_map(Plane::data).copied().collect();
        let one = if let [plane] = read.frame.planes.as_slice() { Some(plane) } else { None };
        Some(Self { samples, sites: one.and_then(sites) })
    }

    /// The value that a share of the samples is not above, in DN.
    fn level(&mut self, share: f64) -> f32 {
        quantile(&mut self.samples, share).unwrap_or(0.0)
    }
}

/// Means of the four pixels of the 2 x 2 squares of a plane.
fn sites(plane: &Plane) -> Option<[f64; 4]> {
    let (w, h) = (plane.width() / 2, plane.height() / 2);
    let mut sums = [0.0; 4];
    for y in 0..2 * h {
        for pair in plane.row(y).chunks_exact(2) {
            sums[2 * (y % 2)] += f64::from(pair[0]);
            sums[2 * (y % 2) + 1] += f64::from(pair[1]);
        }
    }
    (w * h > 0).then(|| sums.map(|s| s / (w * h) as f64))
}

/// Looks at the clip, its dark and its flat reference.
pub(super) fn levels([dark, flat]: [Option<&Source>; 2], clip: &Source) -> Levels {
    let mut seen = Levels::default();
    let Some(mut own) = Middle::of(clip) else { return seen };
    let mut even = flat.and_then(Middle::of);
    let mut black = dark.and_then(Middle::of);
    if let Some(even) = &mut even {
        let top = own.level(1.0).max(even.level(1.0));
        seen.warnings.extend(no_white(top, clip));
    }
    seen.faults.extend(no_light(own.level(1.0), clip));
    let middle = |m: &mut Middle| m.level(0.5);
    let (even_level, black_level) = (even.as_mut().map(middle), black.as_mut().map(middle));
    let before = seen.faults.len();
    seen.faults.extend(not_even(even_level, black_level, clip.white()));
    if seen.faults.len() > before {
        return seen;
    }
    if let Some(black) = black_level {
        seen.warnings.extend(bright_dark(own.level(0.95), black));
    }
    seen.warnings.extend(dark.and_then(drifts));
    if clip.layout() == Layout::Mono {
        let zero = black.as_ref().and_then(|b| b.sites).unwrap_or([f64::from(clip.black()); 4]);
        // An even field may be as neutral as it is even.
        let lit = [even.as_ref(), Some(&own)].into_iter().flatten();
        seen.warnings.extend(lit.filter_map(|m| colours(m.sites?, zero)).next());
    }
    if let (Some(flat), Some(level)) = (flat, even_level) {
        let zero = f64::from(black_level.unwrap_or(clip.black()));
        seen.warnings.extend(textured(flat, f64::from(level) - zero));
    }
    seen
}

/// Looks at the clip and the references in these folders before a run.
///
/// # Errors
/// With what would spoil or fail it.
pub(super) fn look(
    references: [Option<&Path>; 2],
    source: &Source,
) -> Result<Vec<Warning>, NightError> {
    // One that cannot be opened is a fault that is told where it is used.
    let opened = references.map(|r| Source::open(r?, Vec::new()).ok());
    let seen = levels(opened.each_ref().map(Option::as_ref), source);
    match seen.faults.into_iter().next() {
        Some(fault) => Err(NightError::Refused(fault)),
        None => Ok(seen.warnings),
    }
}

/// No sample is near white, and nobody said that it is lower than the format's largest number. A clip may
/// be dim, an even field is not.
fn no_white(top: f32, clip: &Source) -> Option<Warning> {
    let white = [1_023.0, 4_095.0, 16_383.0].into_iter().find(|w| top <= *w)?;
    if clip.facts.white.is_some() || white >= clip.white() {
        return None;
    }
    Some(Warning::new(
        "white-level",
        format!(
            "nothing in the middle frames of clip and even field is above {top} DN, and white is taken \
             for {} DN",
            clip.white()
        ),
        format!("give the camera's white level (--white {white}), if that is what it is"),
    ))
}

/// All samples lie at or below the black level that was given.
fn no_light(top: f32, clip: &Source) -> Option<String> {
    let black = clip.facts.black.as_ref().filter(|_| top <= clip.black())?;
    Some(format!(
        "black is {} DN ({}), and no sample of the clip's middle frame lies above {top} DN: every frame \
         would be black; give the camera's black level",
        black.value, black.source
    ))
}

/// Why an even field is none.
fn not_even(even: Option<f32>, black: Option<f32>, white: f32) -> Option<String> {
    let even = even?;
    if even >= white {
        return Some(format!(
            "half of the samples of the flat reference's middle frame lie at {even} DN, and white is \
             {white}: it is saturated, take it again with half the light or exposure"
        ));
    }
    let black = black.filter(|black| even <= *black)?;
    Some(format!(
        "the flat reference is no brighter than the dark reference (medians of their middle frames: \
         {even} and {black} DN): see whether they are exchanged, or the lens was covered"
    ))
}

fn bright_dark(bright: f32, black: f32) -> Option<Warning> {
    (bright < black).then(|| {
        Warning::new(
            "bright-dark",
            format!(
                "in their middle frames 95 % of the clip lie below {bright} DN, and half of the dark \
                 reference above {black} DN"
            ),
            "see that it is of black frames, and of the clip's camera settings",
        )
    })
}

/// The level of the dark frames changes from the first to the last by a part of their noise that shows.
fn drifts(dark: &Source) -> Option<Warning> {
    let frames = &dark.clip.frames;
    let [first, last] = [frames.first()?, frames.last()?];
    if first.number == last.number && first.page == last.page {
        return None;
    }
    let read = |file| Some(dark.read(file).ok()?.frame.planes);
    let (first, last) = (read(first)?, read(last)?);
    let pairs = first.iter().zip(&last).flat_map(|(a, b)| a.data().iter().zip(b.data()));
    let (mut sum, mut squares, mut n) = (0.0, 0.0, 0.0_f64);
    for d in pairs.map(|(a, b)| f64::from(b - a)) {
        (sum, squares, n) = (sum + d, squares + d * d, n + 1.0);
    }
    let change = sum / n.max(1.0);
    let noise = (0.5 * (squares / n.max(1.0) - change * change)).max(0.0).sqrt();
    (change.abs() > DRIFT * noise && noise > 0.0).then(|| {
        Warning::new(
            "dark-drift",
            format!(
                "the level of the dark frames changes by {change:+.2} DN from the first to the last (their \
                 noise is {noise:.2} DN), and the clip's own black level is not known better"
            ),
            "let the camera warm up, and take darks right before or after the clip",
        )
    })
}

/// Pixels side by side differ as under a colour filter, and the frames are taken for grey.
fn colours(sites: [f64; 4], zero: [f64; 4]) -> Option<Warning> {
    let light = [0, 1, 2, 3].map(|i| sites[i] - zero[i]);
    let least = light.into_iter().fold(f64::INFINITY, f64::min);
    let ratio = light.into_iter().fold(0.0, f64::max) / least;
    (least > LEAST_LIGHT && ratio > COLOURS).then(|| {
        Warning::new(
            "no-mosaic",
            format!(
                "the four pixels of the 2 x 2 squares differ by a factor of {ratio:.2}, as under a colour \
                 filter, and the frames are taken for grey"
            ),
            "if the camera has one, say which: --mosaic RGGB, BGGR, GRBG or GBRG",
        )
    })
}

/// An even field that shows something; `above` is its level above black in DN.
fn textured(flat: &Source, above: f64) -> Option<Warning> {
    let some = flat.clip.frames.iter().take(LOOK);
    let seen: Vec<Vec<f64>> = some
        .filter_map(|f| flat.expected.decode(f).ok())
        .map(|d| d.samples.data.iter().map(|&v| f64::from(v)).collect())
        .collect();
    let look = Shown::of(&seen, flat.expected.shape);
    let share = look.texture / above;
    (above > 0.0 && share > MUCH_TEXTURE && look.texture > look.noise).then(|| {
        Warning::new(
            "textured-flat",
            format!(
                "the flat reference shows texture of {:.0} % of its light, and what it shows goes into \
                 every frame",
                100.0 * share
            ),
            "see that it is of an even field: nothing in the picture, or all of it out of focus",
        )
    })
}

/// What a few frames of a folder show, in DN.
#[derive(Debug, Clone, Copy)]
pub(super) struct Shown {
    /// Mean of all samples.
    pub(super) level: f64,
    /// Temporal noise: differences of frames; 0 with a single one.
    pub(super) noise: f64,
    /// Fine differences of the mean frame beyond what noise makes of them.
    pub(super) texture: f64,
}

impl Shown {
    /// Of frames of one shape.
    pub(super) fn of(seen: &[Vec<f64>], shape: Shape) -> Self {
        let n = seen.len() as f64;
        let Some(first) = seen.first() else {
            return Self { level: 0.0, noise: 0.0, texture: 0.0 };
        };
        let mean: Vec<f64> =
            (0..first.len()).map(|i| seen.iter().map(|f| f[i]).sum::<f64>() / n).collect();
        let level = mean.iter().sum::<f64>() / mean.len().max(1) as f64;
        // Half the squared difference of neighbours in time is the variance, whatever the picture.
        let mut variance = 0.0;
        for pair in seen.windows(2) {
            let sum: f64 = pair[0].iter().zip(&pair[1]).map(|(a, b)| (a - b) * (a - b)).sum();
            variance += sum / (2.0 * mean.len() as f64);
        }
        variance /= (n - 1.0).max(1.0);
        // Differences over a few pixels: the shading of a lens does not count as texture.
        let step = 4 * shape.channels;
        let row = shape.width * shape.channels;
        let mut fine: Vec<f32> = mean
            .chunks_exact(row)
            .flat_map(|r| r.windows(step + 1).map(|w| (w[step] - w[0]) * (w[step] - w[0])))
            .map(to_f32)
            .collect();
        // The mean of all but the largest: dust and hot pixels do not count either.
        fine.sort_unstable_by(f32::total_cmp);
        let keep = fine.len() - fine.len() / 50;
        let square = fine[..keep].iter().map(|&v| f64::from(v)).sum::<f64>() / keep.max(1) as f64;
        let texture = (square / 2.0 - variance / n).max(0.0).sqrt();
        Self { level, noise: variance.sqrt(), texture }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_colour_filter_is_told_from_a_grey_sensor() {
        let plane = |gains: [f32; 4]| {
            Plane::from_fn(6, 4, |x, y| 10.0 + 100.0 * gains[2 * (y % 2) + x % 2])
        };
        let said = |gains| colours(sites(&plane(gains)).unwrap(), [10.0; 4]);
        assert!(said([1.0, 1.05, 0.98, 1.02]).is_none());
        let w = said([0.5, 1.0, 1.0, 0.4]).unwrap();
        assert!(w.text.contains("factor of 2.50"), "{}", w.text);
        assert!(colours([9.0; 4], [10.0; 4]).is_none(), "darker than black");
    }
}
