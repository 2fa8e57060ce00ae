//! What all frames of a clip have in common when they are rendered: the part that is written, the
//! noise there, and the stages that come after averaging and steadying.

use std::borrow::Cow;

use serde::Serialize;

use super::EngineError;
use super::analysis::Analysis;
use super::correct::Corrector;
use super::source::Source;
use crate::frame::{Layout, NoiseModel, Plane};
use crate::pipeline::{Pipeline, Step};
use crate::record::{Notes, Warning};
use crate::register::PixelNoise;
use crate::register::path::{Window, common_window};
use crate::stages::{
    ClipInfo, Moment, Stage, balance, caption, clock, demosaic, display, motion, scale_bar,
};

/// The part every frame saw that lies by one of `shifts` from where it should, or all of the frame
/// where that would be too little.
pub(super) fn crop(shifts: &[[f64; 2]], info: &ClipInfo, warnings: &mut Vec<Warning>) -> Window {
    if let Some(w) = common_window(shifts, info.width, info.height) {
        // Even corners keep a colour mosaic's letters.
        let origin = w.origin.map(|o| o.div_ceil(2) * 2);
        let size = [0, 1].map(|a| (w.size[a] - (origin[a] - w.origin[a])) / 2 * 2);
        return Window { origin, size };
    }
    warnings.push(Warning::new(
        "wide-drift",
        "the picture drifts by so much that cropping to what every frame saw would leave less \
         than half of it: the frames keep their size",
        "split the clip, or take edges = \"fill\" in stage steady",
    ));
    even_window(info.width, info.height)
}

/// What is said where frames keep their size because labels have no room in what would be left.
pub(super) fn no_crop(why: &EngineError) -> Warning {
    Warning::new(
        "uncropped",
        format!("{why}; so it is in the part that every frame saw: the frames keep their size"),
        "take smaller labels (text_height), or edges = \"fill\" in stage steady",
    )
}

/// What is said where the brightest parts of a clip do not stand out of one frame's noise.
pub(super) fn black_clip(analysis: &Analysis, noise: &NoiseModel) -> Option<Warning> {
    let (bright, noise) = (f64::from(analysis.bright_dn), noise.variance(0.0).sqrt());
    (bright < noise).then(|| {
        Warning::new(
            "black-clip",
            format!(
                "the brightest parts of the picture lie {bright:.1} DN above black, in noise of \
                 {noise:.1} DN: hardly anything is to be seen"
            ),
            "see whether the lens was covered, and whether black and the dark reference belong to \
             this clip",
        )
    })
}

/// All of a frame, an odd last row or column left off (movie encoders want even sizes).
pub(super) fn even_window(width: usize, height: usize) -> Window {
    let even = |n: usize| if n > 1 { n / 2 * 2 } else { n };
    Window::whole(even(width), even(height))
}

/// What stages of this pipeline may know of a clip.
pub(super) fn info_of(pipeline: &Pipeline, source: &Source, noise: Option<NoiseModel>) -> ClipInfo {
    let combined = pipeline.combine().map_or(1, |s| s.frames);
    ClipInfo { combined, ..source.info(noise) }
}

/// What pixels were multiplied with: by the flat, and for uneven light.
pub(super) struct Factors<'a> {
    pub(super) corrector: &'a Corrector,
    pub(super) uneven: Option<&'a Plane>,
}

impl Factors<'_> {
    /// Of plane `p`; `None` where all are 1.
    fn of(&self, p: usize) -> Option<Cow<'_, Plane>> {
        match (self.corrector.factor(p), self.uneven) {
            (Some(flat), Some(light)) => {
                let mut both = flat.clone();
                both.data_mut().iter_mut().zip(light.data()).for_each(|(a, b)| *a *= b);
                Some(Cow::Owned(both))
            }
            (one, other) => one.or(other).map(Cow::Borrowed),
        }
    }
}

/// Noise of each plane of frames as they are written: mosaics whole.
pub(super) fn written_noise(
    noise: &NoiseModel,
    planes: usize,
    factors: &Factors<'_>,
    window: Window,
) -> Vec<PixelNoise> {
    let base = PixelNoise::new(noise);
    let ([x, y], [w, h]) = (window.origin, window.size);
    let factor = |p| factors.of(p).map(|f| f.crop(x, y, w, h));
    (0..planes).map(|p| PixelNoise { factor: factor(p), ..base.clone() }).collect()
}

/// Noise of each plane in locked coordinates, with `room` around the frame.
pub(super) fn locked_noise(
    noise: &NoiseModel,
    layout: Layout,
    factors: &Factors<'_>,
    window: Window,
    room: usize,
) -> Vec<PixelNoise> {
    let base = PixelNoise::new(noise);
    let [x, y] = window.origin;
    let [w, h] = window.size;
    let (planes, step) = match layout {
        Layout::Mono => (1, 1),
        Layout::Rgb => (3, 1),
        Layout::Mosaic(_) | Layout::Sites(_) => (4, 2),
    };
    (0..planes)
        .map(|p| {
            let of = factors.of(if step == 2 { 0 } else { p });
            let factor = of.map(|f| {
                let inside = |v: usize, n: usize| v.saturating_sub(room).min(n - 1);
                let at = |x, y| f.at(inside(x, f.width()), inside(y, f.height()));
                match step {
                    1 if room == 0 => f.crop(x, y, w, h),
                    1 => Plane::from_fn(w, h, |i, j| at(x + i, y + j)),
                    _ => Plane::from_fn(w / 2, h / 2, |i, j| {
                        at(x + 2 * i + p % 2, y + 2 * j + p / 2)
                    }),
                }
            });
            PixelNoise { factor, ..base.clone() }
        })
        .collect()
}

/// Means of the grey patch in the clip's first readable frame, where the pipeline names one.
pub(super) fn patch_means(
    pipeline: &Pipeline,
    source: &Source,
    corrector: &Corrector,
    analysis: &Analysis,
) -> Result<Option<[f64; 3]>, EngineError> {
    let named = pipeline.steps.iter().find_map(|s| match s {
        Step::Balance(s) => s.patch,
        _ => None,
    });
    let first = analysis.frames.iter().find(|f| f.usable()).and_then(|f| source.clip.get(f.frame));
    let (Some(patch), Some(file)) = (named, first) else { return Ok(None) };
    let mut frame = corrector.read(source, file)?.frame;
    if matches!(source.layout(), Layout::Mosaic(_)) {
        let stage = demosaic::Demosaic::new(&Default::default(), &source.info(None))?;
        let at = Moment { frame: file.number, past: 0, time_s: None };
        stage.apply(&mut frame, &at, &mut Notes::default())?;
    }
    Ok(Some(balance::measure_patch(&frame, patch)?))
}

/// What colours and brightness of the finished frames come from: what was measured of the clip, as the
/// settings that say the same.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize)]
pub struct Tone {
    /// What red was multiplied by, relative to green.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub red: Option<f32>,
    /// What blue was multiplied by.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub blue: Option<f32>,
    /// DN above black that is shown as white, exposure included.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub white_at: Option<f32>,
}

impl Tone {
    /// What the balance multiplies any colour by at the most.
    pub(super) fn most(&self) -> f32 {
        [self.red, self.blue].into_iter().flatten().fold(1.0, f32::max)
    }
}

/// The stages that come after averaging and steadying. `patch` and `colours` are what the clip has in the
/// grey patch, and its bright levels of red, green and blue in DN above black.
pub(super) fn later_stages(
    pipeline: &Pipeline,
    info: &ClipInfo,
    (patch, mut colours): (Option<[f64; 3]>, Option<[f32; 3]>),
    warnings: &mut Vec<Warning>,
) -> Result<(Vec<Box<dyn Stage>>, Tone), EngineError> {
    let mut out: Vec<Box<dyn Stage>> = Vec::new();
    let mut tone = Tone::default();
    let mut info = info.clone();
    for step in &pipeline.steps {
        match step {
            Step::Dark(_)
            | Step::Flat(_)
            | Step::Defects(_)
            | Step::Banding(_)
            | Step::Flicker(_)
            | Step::Average(_)
            | Step::Steady(_)
            | Step::Combine(_) => {}
            // The same pipeline serves mono clips: there is nothing to do for them.
            Step::Demosaic(s) if matches!(info.layout, Layout::Mosaic(_)) => {
                out.push(Box::new(demosaic::Demosaic::new(s, &info)?.in_light(colours)));
                info.layout = Layout::Rgb;
            }
            Step::Demosaic(_) => {}
            Step::Balance(s) => {
                let balance = balance::Balance::new(s, &info, patch)?;
                let gains = balance.gains();
                (tone.red, tone.blue) = (Some(gains[0]), Some(gains[2]));
                for (level, gain) in colours.iter_mut().flatten().zip(gains) {
                    *level *= gain;
                }
                out.push(Box::new(balance));
            }
            Step::Display(s) => {
                // No colour is cut off that a mean of all three would let through.
                if let Some(levels) = colours.filter(|_| info.layout == Layout::Rgb) {
                    info.bright = levels.into_iter().reduce(f32::max);
                }
                let display = display::Display::new(s, &info)?;
                tone.white_at = Some(display.white_at());
                out.push(Box::new(display));
            }
            Step::ScaleBar(s) => {
                let bar = scale_bar::ScaleBar::new(s, &info)?;
                warnings.extend(bar.warning());
                out.push(Box::new(bar));
            }
            Step::Caption(s) => out.push(Box::new(caption::Caption::new(s, &info)?)),
            Step::Clock(s) => out.push(Box::new(clock::Clock::new(s, &info)?)),
            Step::Motion(s) => {
                let motion = motion::Motion::new(s, &info)?;
                warnings.extend(motion.warning());
                out.push(Box::new(motion));
            }
        }
    }
    Ok((out, tone))
}
