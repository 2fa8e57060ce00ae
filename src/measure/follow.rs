//! How a part moves against the steadied background: its displacement in every frame.
//!
//! ```text
//! q(k) = p(k) + d(k)      p: pose of the background, q: where the part lies, d: its displacement
//! ```
//!
//! The same maximum likelihood as for the background (`register::fit`), on the region alone: first
//! against the first frame, then twice against the mean of a block of frames brought to the part's
//! own pose, noise taken out, of which only pixels that stay with the part count. A correlation of
//! the region finds the start for each frame, from where it was and how fast. The template is
//! fixed after that, so nothing drifts.
//!
//! Uncertainty: that of the fit and of the background, added in squares. Translation only; a part
//! that turns by more than its own texture allows is lost, or followed to somewhere else: see
//! [`super::turning`]. Cost: about 2 µs a pixel
//! of the region and frame in all.

use rustfft::num_complex::Complex32;

use super::MeasureError;
use super::series::{Sample, Series};
use crate::frame::convert::{round_isize, signed};
use crate::frame::{FixedPlane, Plane};
use crate::math::correlate::{CorrelateScratch, Correlator};
use crate::math::turn::Turn;
use crate::math::window::hann;
use crate::register::fit::{FitScratch, Start, Target, fit_frame, fit_frame_above};
use crate::register::likeness::goes_with;
use crate::register::patch::{Patch, patches};
use crate::register::still::{Look, deviation, still_pixels};
use crate::register::template::{Posed, average};
use crate::register::wiener::wiener;
use crate::register::{PixelNoise, Pose};

/// Pixels kept around the region.
pub const PAD: usize = 8;
/// Least side of a region in pixels.
pub const LEAST: usize = 12;
/// A displacement less certain than this, in pixels, is none.
const UNCERTAIN: f64 = 0.5;
/// How far a frame must go with the template (its correlation without noise, see
/// [`crate::register::likeness`]); else the part is covered, or that is something else.
const SHOWN: f64 = 0.7;
/// Times the template is made again.
const PASSES: usize = 2;
/// Least part of the region that the mask of pixels staying with the part must keep.
const KEPT: f64 = 0.25;
/// Temporal variance, in units of an upper bound to the noise, up to which a pixel may be quiet.
const QUIET: f32 = 1.5;
/// Most frames that a template is made from.
pub const BLOCK: usize = 96;

/// Where a part was in one frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Followed {
    /// Displacement against the background, x right and y down, in pixels; 0 in the first frame
    /// but for noise.
    pub shift: [f64; 2],
    /// Standard uncertainty along x and y, in pixels.
    pub sigma: [f64; 2],
    /// The part's light relative to the template's.
    pub light: f64,
    /// Squared misfit a pixel in units of the noise.
    pub misfit: f64,
}

/// Follows one region from frame to frame.
#[derive(Debug)]
pub struct Follower {
    /// Region with its padding, in reference coordinates: x, y, width, height.
    window: [usize; 4],
    template: Plane,
    still: Vec<u8>,
    patches: Vec<Patch>,
    noise: PixelNoise,
    /// Whether `noise` is only an upper bound.
    bounded: bool,
    /// Factor on the noise while the template is a single noisy frame.
    variance_factor: f32,
    correlator: Correlator,
    spectrum: Vec<Complex32>,
    fade: Vec<f32>,
    last: [f64; 2],
    speed: [f64; 2],
    fit_scratch: FitScratch,
    scratch: CorrelateScratch,
}

/// A frame's part around where the region is expected.
struct Cut {
    frame: FixedPlane,
    noise: PixelNoise,
    offset: [f64; 2],
}

/// A fit in one frame: where the region lies, in reference coordinates, and how sure.
#[derive(Clone, Copy)]
struct Found {
    place: [f64; 2],
    sigma: [f64; 2],
    light: f64,
    misfit: f64,
}

impl Follower {
    /// Learns what the region (x, y, width, height in the reference pose, at the place it has in
    /// the first frame) looks like, from a block of frames in order with their background poses.
    ///
    /// # Errors
    /// Where the region is smaller than 12 pixels or leaves the frame, or cannot be followed in
    /// half of the block.
    pub fn new(
        block: &[(&FixedPlane, Pose)],
        region: [usize; 4],
        noise: &PixelNoise,
    ) -> Result<Self, MeasureError> {
        Self::learned(block, region, noise, false)
    }

    /// The same for frames whose noise was lowered in parts: `noise` is an upper bound, and
    /// uncertainties are too.
    ///
    /// # Errors
    /// As [`Follower::new`].
    pub fn bounded(
        block: &[(&FixedPlane, Pose)],
        region: [usize; 4],
        noise: &PixelNoise,
    ) -> Result<Self, MeasureError> {
        Self::learned(block, region, noise, true)
    }

    fn learned(
        block: &[(&FixedPlane, Pose)],
        region: [usize; 4],
        noise: &PixelNoise,
        bounded: bool,
    ) -> Result<Self, MeasureError> {
        let Some(&(first, pose)) = block.first() else {
            return Err(MeasureError::input("no frame is given", "give at least one"));
        };
        let [x, y, w, h] = region;
        let fits = w >= LEAST
            && h >= LEAST
            && x >= PAD
            && y >= PAD
            && x + w + PAD <= first.width
            && y + h + PAD <= first.height;
        if !fits {
            return Err(MeasureError::input(
                format!(
                    "the region {x},{y},{w},{h} does not fit a frame of {}x{}",
                    first.width, first.height
                ),
                format!("keep {PAD} px to the edges and at least {LEAST} px on each side"),
            ));
        }
        let window = [x - PAD, y - PAD, w + 2 * PAD, h + 2 * PAD];
        let mut own = Self::blank(window, noise);
        own.bounded = bounded;
        let cut = own.cut(first, pose.shift).ok_or_else(|| {
            MeasureError::input("the region leaves the first frame", "choose it further inside")
        })?;
        let local = local(&cut, pose.shift);
        own.learn(&[Posed {
            frame: &cut.frame,
            shift: local,
            turn: Turn::NONE,
            light: 1.0,
            hidden: None,
        }]);
        own.variance_factor = 2.0;
        for _ in 0..PASSES {
            own.refine(block)?;
            own.variance_factor = 1.0;
        }
        own.restart();
        Ok(own)
    }

    fn blank(window: [usize; 4], noise: &PixelNoise) -> Self {
        let [_, _, w, h] = window;
        let mut still = vec![0; w * h];
        for row in still.chunks_exact_mut(w).skip(PAD).take(h - 2 * PAD) {
            row[PAD..w - PAD].fill(1);
        }
        let (wx, wy) = (hann(w), hann(h));
        let fade = wy.iter().flat_map(|b| wx.iter().map(move |a| a * b)).collect();
        Self {
            window,
            template: Plane::filled(w, h, 0.0),
            still,
            patches: Vec::new(),
            noise: noise.clone(),
            bounded: false,
            variance_factor: 1.0,
            correlator: Correlator::new(w, h),
            spectrum: Vec::new(),
            fade,
            last: [0.0; 2],
            speed: [0.0; 2],
            fit_scratch: FitScratch::default(),
            scratch: CorrelateScratch::default(),
        }
    }

    /// Forgets where the part was; the next frame is expected to show it at the region.
    pub fn restart(&mut self) {
        self.last = [0.0; 2];
        self.speed = [0.0; 2];
    }

    /// Region with its padding, in reference coordinates: x, y, width, height.
    pub(super) fn window(&self) -> [usize; 4] {
        self.window
    }

    /// The noise that was given.
    pub(super) fn noise(&self) -> &PixelNoise {
        &self.noise
    }

    /// Displacement of the part in the next frame; `None` where it is not found, is covered, leaves the
    /// picture, or is less certain than half a pixel.
    pub fn step(&mut self, frame: &FixedPlane, pose: &Pose) -> Option<Followed> {
        let found = self.find(frame, pose);
        let Some(f) = found else {
            self.speed = [0.0; 2];
            return None;
        };
        let shift = [f.place[0] - pose.shift[0], f.place[1] - pose.shift[1]];
        self.speed = [shift[0] - self.last[0], shift[1] - self.last[1]];
        self.last = shift;
        Some(Followed {
            shift,
            sigma: f.sigma.map(|s| libm::hypot(s, pose.sigma)),
            light: f.light,
            misfit: f.misfit,
        })
    }

    fn find(&mut self, frame: &FixedPlane, pose: &Pose) -> Option<Found> {
        let expected = [0, 1].map(|i| pose.shift[i] + self.last[i] + self.speed[i]);
        let coarse = self.coarse(frame, expected)?;
        let cut = self.cut(frame, coarse)?;
        let target = Target {
            variance_factor: self.variance_factor,
            ..Target::new(&self.patches, &cut.noise)
        };
        let start = Start { light: pose.light, ..Start::at(local(&cut, coarse)) };
        let scratch = &mut self.fit_scratch;
        let fit = if self.bounded {
            fit_frame_above(&cut.frame, &target, start, 1.0, scratch)?
        } else {
            fit_frame(&cut.frame, &target, start, scratch)?
        };
        let sure = fit.sigma.iter().all(|&s| s.is_finite() && s < UNCERTAIN);
        // A single noisy frame as the template goes with nothing.
        let made = self.variance_factor <= 1.0;
        let shown = !made || goes_with(&cut.frame, &target, &fit) >= SHOWN;
        (sure && shown).then(|| Found {
            place: [fit.shift[0] + cut.offset[0], fit.shift[1] + cut.offset[1]],
            sigma: fit.sigma,
            light: fit.light,
            misfit: fit.misfit,
        })
    }

    /// Where the region lies by correlation, to a fraction of a pixel.
    fn coarse(&mut self, frame: &FixedPlane, expected: [f64; 2]) -> Option<[f64; 2]> {
        let cut = self.cut(frame, expected)?;
        let coding = cut.frame.coding;
        let values: Vec<f32> = cut.frame.codes.iter().map(|&c| coding.decode(c)).collect();
        let mut tile = Vec::new();
        let power = self.transform(&values, &mut tile);
        let reach = self.window[2].min(self.window[3]) / 3;
        let template_power = power * (self.variance_factor - 1.0).max(0.02);
        let peak = self.correlator.find(
            (&self.spectrum, template_power),
            (&tile, power),
            reach,
            &mut self.scratch,
        );
        Some([peak.shift[0] + cut.offset[0], peak.shift[1] + cut.offset[1]])
    }

    /// Spectrum of a faded tile; returns the noise power of each of its values.
    fn transform(&mut self, values: &[f32], spectrum: &mut Vec<Complex32>) -> f32 {
        let mean = values.iter().sum::<f32>() / values.len().max(1) as f32;
        let faded: Vec<f32> = values.iter().zip(&self.fade).map(|(v, f)| (v - mean) * f).collect();
        self.correlator.fft().forward(&faded, spectrum, &mut self.scratch.fft);
        let squares: f32 = self.fade.iter().map(|f| f * f).sum();
        squares * (self.noise.slope * mean.max(0.0) + self.noise.floor)
    }

    /// The part of a frame where the region lies when the scene is moved by about `place`;
    /// `None` where it leaves the frame.
    fn cut(&self, frame: &FixedPlane, place: [f64; 2]) -> Option<Cut> {
        let [x, y, w, h] = self.window;
        let whole = place.map(round_isize);
        let x = usize::try_from(signed(x).checked_add(whole[0])?).ok()?;
        let y = usize::try_from(signed(y).checked_add(whole[1])?).ok()?;
        if x + w > frame.width || y + h > frame.height {
            return None;
        }
        let mut codes = Vec::with_capacity(w * h);
        for row in y..y + h {
            codes.extend_from_slice(&frame.row(row)[x..x + w]);
        }
        Some(Cut {
            frame: FixedPlane { width: w, height: h, codes, coding: frame.coding },
            noise: PixelNoise {
                factor: self.noise.factor.as_ref().map(|f| f.crop(x, y, w, h)),
                ..self.noise
            },
            offset: whole.map(|v| v as f64),
        })
    }

    /// The template from frames in the part's pose, and which of its pixels stay with the part.
    pub(super) fn learned_from(&self, posed: &[Posed<'_>]) -> (Plane, Vec<u8>) {
        let [_, _, w, h] = self.window;
        let plain = PixelNoise { factor: None, ..self.noise };
        let mean = average(posed, w, h);
        let template = wiener(&mean, &plain);
        let region = Self::blank(self.window, &self.noise).still;
        if posed.len() < 8 {
            return (template, region);
        }
        let mut ratio = deviation(posed, &template, &plain, 0.02).each;
        if self.bounded {
            ratio.data_mut().iter_mut().for_each(|v| *v = v.max(QUIET));
        }
        let kept = still_pixels(&[Look::each(&ratio)], &mean.count, &region);
        let count = |m: &[u8]| m.iter().filter(|&&s| s != 0).count() as f64;
        let enough = count(&kept) >= KEPT * count(&region);
        (template, if enough { kept } else { region })
    }

    /// Makes the template from frames in the part's pose.
    fn learn(&mut self, posed: &[Posed<'_>]) {
        let plain = PixelNoise { factor: None, ..self.noise };
        (self.template, self.still) = self.learned_from(posed);
        self.patches = patches(&self.template, &self.still, &plain, (None, 1.0));
        let values = self.template.data().to_vec();
        let mut spectrum = Vec::new();
        self.transform(&values, &mut spectrum);
        self.spectrum = spectrum;
    }

    /// Follows the block and makes the template again from what was found.
    fn refine(&mut self, block: &[(&FixedPlane, Pose)]) -> Result<(), MeasureError> {
        self.restart();
        let mut cuts = Vec::new();
        for &(frame, pose) in block.iter().take(BLOCK) {
            if let Some(f) = self.step(frame, &pose) {
                let place = [f.shift[0] + pose.shift[0], f.shift[1] + pose.shift[1]];
                if let Some(cut) = self.cut(frame, place) {
                    let shift = local(&cut, place);
                    cuts.push((cut, shift, f.light));
                }
            }
        }
        let of = block.len().min(BLOCK);
        if 2 * cuts.len() < of {
            return Err(MeasureError::refused(
                format!("the region was found in only {} of {of} frames", cuts.len()),
                "choose a region with texture that keeps its look, light it more, or a higher rate",
            ));
        }
        let posed: Vec<Posed<'_>> = cuts
            .iter()
            .map(|(cut, shift, light)| Posed {
                frame: &cut.frame,
                shift: *shift,
                turn: Turn::NONE,
                light: *light,
                hidden: None,
            })
            .collect();
        self.learn(&posed);
        Ok(())
    }
}

/// A place in the coordinates of a cut.
fn local(cut: &Cut, place: [f64; 2]) -> [f64; 2] {
    [place[0] - cut.offset[0], place[1] - cut.offset[1]]
}

/// Follows a region through all frames; `None` for those without a picture or pose, and where it
/// was lost.
///
/// # Errors
/// As [`Follower::new`], which learns from the first frames.
pub fn follow(
    frames: &[Option<(&FixedPlane, Pose)>],
    region: [usize; 4],
    noise: &PixelNoise,
) -> Result<Vec<Option<Followed>>, MeasureError> {
    let block: Vec<(&FixedPlane, Pose)> = frames.iter().flatten().take(BLOCK).copied().collect();
    let mut follower = Follower::new(&block, region, noise)?;
    Ok(frames
        .iter()
        .map(|f| f.as_ref().and_then(|(frame, pose)| follower.step(frame, pose)))
        .collect())
}

/// Displacements along a direction (degrees; 0 right, 90 down) as a series, lost frames left out.
///
/// # Errors
/// Where fewer than 8 frames are left.
pub fn series_along(
    followed: &[Option<Followed>],
    times_s: &[f64],
    direction_deg: f64,
) -> Result<Series, MeasureError> {
    let (sin, cos) = libm::sincos(direction_deg.to_radians());
    let sample = |(f, &time_s): (&Option<Followed>, &f64)| {
        f.map(|f| Sample {
            time_s,
            value: f.shift[0] * cos + f.shift[1] * sin,
            sigma: libm::hypot(f.sigma[0] * cos, f.sigma[1] * sin),
        })
    };
    Series::new(followed.iter().zip(times_s).filter_map(sample).collect())
}

/// The direction in degrees along which a part moves most: first principal axis of its path.
#[must_use]
pub fn main_direction_deg(followed: &[Option<Followed>]) -> f64 {
    let places: Vec<[f64; 2]> = followed.iter().flatten().map(|f| f.shift).collect();
    let n = places.len().max(1) as f64;
    let mean = [0, 1].map(|i| places.iter().map(|p| p[i]).sum::<f64>() / n);
    let (mut cross, mut differ) = (0.0, 0.0);
    for p in &places {
        let (x, y) = (p[0] - mean[0], p[1] - mean[1]);
        cross += 2.0 * x * y;
        differ += x * x - y * y;
    }
    (0.5 * libm::atan2(cross, differ)).to_degrees()
}

/// A length in pixels and its uncertainty on the object: µm, with the scale's own uncertainty.
#[must_use]
pub fn on_object(px: f64, sigma_px: f64, um_per_px: f64, sigma_um_per_px: f64) -> (f64, f64) {
    (px * um_per_px, libm::hypot(sigma_px * um_per_px, px * sigma_um_per_px))
}
