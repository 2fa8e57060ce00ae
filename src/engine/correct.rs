//! The corrections in sensor coordinates, as both passes need them.

use std::sync::Arc;

use super::EngineError;
use super::source::{RawSamples, ReadSamples, Source};
use crate::footage::FrameFile;
use crate::frame::convert::to_f32;
use crate::frame::{Coding, Domain, FixedPlane, Flaw, Frame, Layout, NoiseModel, Plane};
use crate::pipeline::Pipeline;
use crate::record::{Notes, Warning};
use crate::register::PixelNoise;
use crate::sensor::{DefectMap, MasterDark, MasterFlat};
use crate::stages::dark::{Dark, DarkSettings, SHARE, saturated_share};
use crate::stages::defects::Defects;
use crate::stages::flat::Flat;
use crate::stages::{Moment, Stage};

/// The references of a clip.
#[derive(Debug, Clone, Default)]
pub struct References {
    /// Master dark.
    pub dark: Option<Arc<MasterDark>>,
    /// Master flat.
    pub flat: Option<Arc<MasterFlat>>,
    /// Pixels that stand out of the clip's own frames, where there is no dark.
    pub spots: Option<Arc<DefectMap>>,
}

/// Pixels that are corrected at a time: with their dark and flat they fit into a fast cache.
const PIECE: usize = 4096;

/// Stages that correct a raw frame.
#[derive(Debug)]
pub struct Corrector {
    dark: Dark,
    flat: Option<Flat>,
    defects: Option<Defects>,
    /// What a person should know, once for the clip.
    pub warnings: Vec<Warning>,
}

/// A corrected frame.
#[derive(Debug)]
pub struct Corrected {
    /// Linear, DN above black.
    pub frame: Frame,
    /// BLAKE3 of its file.
    pub hash: Option<String>,
    /// Measures of the stages.
    pub notes: Notes,
}

impl Corrector {
    /// Builds the corrections that `pipeline` asks for.
    ///
    /// # Errors
    /// Where a reference does not fit the clip.
    pub fn new(
        pipeline: &Pipeline,
        source: &Source,
        references: &References,
        noise: Option<NoiseModel>,
    ) -> Result<Self, EngineError> {
        let info = source.info(noise);
        let mut warnings = Vec::new();
        let settings = pipeline.dark().copied().unwrap_or_else(DarkSettings::default);
        let dark = Dark::new(settings, &info, references.dark.clone())?;
        warnings.extend_from_slice(dark.warnings());
        let mut flat = None;
        if let Some(settings) = pipeline.flat() {
            if let Some(master) = &references.flat {
                let built = Flat::new(*settings, &info, master)?;
                warnings.extend_from_slice(built.warnings());
                flat = Some(built);
            } else {
                warnings.push(Warning::new(
                    "no-flat",
                    "no even field: shading and uneven pixels stay",
                    "film an evenly lit white surface, defocused, at the clip's lens setting",
                ));
            }
        }
        let mut defects = None;
        if let Some(settings) = pipeline.defects() {
            let maps: Vec<_> = references
                .dark
                .iter()
                .map(|d| &d.defects)
                .chain(references.flat.iter().map(|f| &f.defects))
                .chain(references.spots.iter().map(AsRef::as_ref))
                .collect();
            defects = Some(Defects::new(*settings, &info, &maps)?);
        }
        Ok(Self { dark, flat, defects, warnings })
    }

    /// Decodes and corrects a frame.
    ///
    /// # Errors
    /// Where the file cannot be decoded, or a stage refuses the frame.
    pub fn read(&self, source: &Source, file: &FrameFile) -> Result<Corrected, EngineError> {
        let ReadSamples { samples, hash, warnings } = source.read_samples(file)?;
        let mut notes = Notes { warnings, ..Notes::default() };
        let mut frame = Frame {
            planes: samples.planes(),
            layout: source.layout(),
            domain: Domain::Linear,
            flaws: Vec::new(),
        };
        self.dark.check((frame.width(), frame.height()), frame.layout)?;
        let full = self.straighten(&samples, &mut frame);
        drop(samples);
        notes.measure(SHARE, saturated_share(full, &frame));
        if let Some(defects) = &self.defects {
            let at = Moment { frame: file.number, past: 0, time_s: None };
            defects.apply(&mut frame, &at, &mut notes)?;
        }
        Ok(Corrected { frame, hash, notes })
    }

    /// Samples through `dark` and `flat`, a piece at a time that stays at hand; the same as one
    /// stage after the other. Says how many pixels are full.
    fn straighten(&self, samples: &RawSamples, frame: &mut Frame) -> usize {
        let Frame { planes, flaws, .. } = frame;
        let sizes: Vec<usize> = planes.iter().map(|p| p.data().len()).collect();
        let mut full = 0;
        for (p, plane) in planes.iter_mut().enumerate() {
            for (k, part) in plane.data_mut().chunks_mut(PIECE).enumerate() {
                let from = k * PIECE;
                samples.values(p, from, part);
                let here = self.dark.count_full(part);
                let marks = from..from + part.len();
                if here > 0 {
                    if flaws.is_empty() {
                        flaws.extend(sizes.iter().map(|&n| vec![Flaw::None; n]));
                    }
                    self.dark.mark_full(part, &mut flaws[p][marks.clone()]);
                    full += here;
                }
                self.dark.take_off((p, from), part);
                if let Some(flat) = &self.flat {
                    let marked = if here > 0 { Some(&flaws[p][marks]) } else { None };
                    flat.divide((p, from), part, marked);
                }
            }
        }
        full
    }

    /// What the flat multiplies each pixel of plane `p` with.
    #[must_use]
    pub fn factor(&self, p: usize) -> Option<&Plane> {
        self.flat.as_ref().and_then(|f| f.factors().get(p))
    }
}

/// One plane of light for the registration, and how many frame pixels one of its pixels spans.
#[must_use]
pub fn luma(frame: &Frame, coding: Coding) -> (FixedPlane, usize) {
    match frame.layout {
        Layout::Mono => (values_only(&frame.planes[0], coding), 1),
        Layout::Rgb => {
            let [r, g, b] = [0, 1, 2].map(|p| frame.planes[p].data());
            let mean = r.iter().zip(g).zip(b).map(|((r, g), b)| (r + g + b) / 3.0).collect();
            let plane = Plane::from_vec(frame.width(), frame.height(), mean).unwrap_or_default();
            (values_only(&plane, coding), 1)
        }
        Layout::Mosaic(_) | Layout::Sites(_) => (values_only(&binned(&frame.planes[0]), coding), 2),
    }
}

/// Variance that rounding to whole DN leaves, in DN^2: a model without read noise would otherwise
/// have pixels without any noise.
const ROUNDING: f32 = 1.0 / 12.0;

/// Noise of what [`luma`] gives.
#[must_use]
pub fn luma_noise(model: &NoiseModel, layout: Layout, corrector: &Corrector) -> PixelNoise {
    let base = PixelNoise::new(model);
    let of = match layout {
        Layout::Mono => 1.0,
        Layout::Rgb => 3.0,
        Layout::Mosaic(_) | Layout::Sites(_) => 4.0,
    };
    let factor = match layout {
        Layout::Mono | Layout::Rgb => corrector.factor(0).cloned(),
        Layout::Mosaic(_) | Layout::Sites(_) => corrector.factor(0).map(binned),
    };
    PixelNoise {
        slope: base.slope / of,
        floor: base.floor.max(ROUNDING) / of,
        factor,
        row: 0.0,
        held: to_f32(corrector.dark.left()) / of,
    }
}

/// Mean of each 2 x 2 pixels.
fn binned(p: &Plane) -> Plane {
    Plane::from_fn(p.width() / 2, p.height() / 2, |x, y| {
        0.25 * (p.at(2 * x, 2 * y)
            + p.at(2 * x + 1, 2 * y)
            + p.at(2 * x, 2 * y + 1)
            + p.at(2 * x + 1, 2 * y + 1))
    })
}

fn values_only(plane: &Plane, coding: Coding) -> FixedPlane {
    FixedPlane::from_plane(plane, None, coding)
}

/// Share of pixels that are saturated still, now that defects are filled.
#[must_use]
pub fn share_still_full(frame: &Frame) -> f64 {
    let total: usize = frame.planes.iter().map(|p| p.data().len()).sum();
    let full = frame.flaws.iter().flatten().filter(|&&f| f == Flaw::Saturated).count();
    full as f64 / total.max(1) as f64
}

/// The coding for a clip's linear values.
#[must_use]
pub fn coding(source: &Source) -> Coding {
    Coding::for_white(source.white() - source.black())
}

/// Multiplies every value.
pub(super) fn scale_light(frame: &mut Frame, factor: f32) {
    for v in frame.planes.iter_mut().flat_map(Plane::data_mut) {
        *v *= factor;
    }
}

/// Saturated pixels become white in every plane, missing ones dark.
pub(super) fn settle_flaws(frame: &mut Frame, white: f32) {
    if frame.flaws.is_empty() {
        return;
    }
    for (plane, flaws) in frame.planes.iter_mut().zip(&frame.flaws) {
        for (v, f) in plane.data_mut().iter_mut().zip(flaws) {
            match f {
                Flaw::None => {}
                Flaw::Saturated => *v = v.max(white),
                Flaw::Missing => *v = 0.0,
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sensor::{DefectMap, Shape};
    use crate::stages::flat::FlatSettings;

    /// A frame of two pieces and a part, some of its pixels full in the second one, as a file.
    fn frame(channels: usize, (w, h): (usize, usize)) -> Vec<u8> {
        let kind = if channels == 3 { "P6" } else { "P5" };
        let mut bytes = format!("{kind} {w} {h} 65535\n").into_bytes();
        for i in 0..w * h * channels {
            let full = i % 97 == 5 && (4_500..6_000).contains(&(i / channels));
            let value = u16::try_from(i * 7919 % 60_000).unwrap();
            bytes.extend(if full { 65_400_u16 } else { value }.to_be_bytes());
        }
        bytes
    }

    #[test]
    fn piece_by_piece_is_stage_by_stage() {
        let (w, h) = (151, 61);
        for (channels, layout) in [(1, Layout::Mono), (3, Layout::Rgb)] {
            let dir = tempfile::tempdir().unwrap();
            std::fs::write(dir.path().join("0001.ppm"), frame(channels, (w, h))).unwrap();
            let source = Source::open(dir.path(), Vec::new()).unwrap();
            let info = source.info(None);
            let shape = Shape { width: w, height: h, channels, bits: 16 };
            let planes = |f: fn(f32) -> f32| -> Vec<Plane> {
                (0..channels)
                    .map(|c| Plane::from_fn(w, h, |x, y| f((x * 31 + y * 17 + c) as f32)))
                    .collect()
            };
            let master = MasterDark {
                shape,
                count: 64,
                exposure: None,
                level: planes(|v| 100.0 + 0.37 * (v % 13.0)),
                variance: planes(|_| 1.0),
                temporal: vec![1.0; channels],
                pattern: vec![],
                scaled: None,
                defects: DefectMap::new(w, h, channels),
            };
            let response = MasterFlat {
                shape,
                layout,
                count: 64,
                response: planes(|v| 0.7 + 0.03 * (v % 19.0)),
                level: vec![5_000.0; channels],
                pattern: vec![],
                from_dark: 0.0,
                flicker: 0.0,
                defects: DefectMap::new(w, h, channels),
            };
            for (dark, with_flat) in [(None, false), (Some(Arc::new(master.clone())), true)] {
                let dark = Dark::new(DarkSettings::default(), &info, dark).unwrap();
                let response = Arc::new(response.clone());
                let flat = || Flat::new(FlatSettings::default(), &info, &response).unwrap();
                let flat = with_flat.then(flat);
                let file = &source.clip.frames[0];
                let mut notes = Notes::default();
                let mut by_stages = source.read(file).unwrap().frame;
                let at = Moment { frame: 1, past: 0, time_s: None };
                dark.apply(&mut by_stages, &at, &mut notes).unwrap();
                if let Some(flat) = &flat {
                    flat.apply(&mut by_stages, &at, &mut notes).unwrap();
                }
                let corrector = Corrector { dark, flat, defects: None, warnings: vec![] };
                let got = corrector.read(&source, file).unwrap();
                assert_eq!(got.frame, by_stages);
                assert!(got.frame.flaws.iter().flatten().any(|f| *f == Flaw::Saturated));
                assert_eq!(got.notes.measures, notes.measures);
            }
        }
    }
}
