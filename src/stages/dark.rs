//! Takes the dark level off and marks saturated pixels.
//!
//! Model: `out = raw - level(x, y)`, DN; `level` from a master dark, else the clip's black level.
//! Order: first of all stages; takes raw DN, gives linear DN above black. Values below zero stay:
//! cutting them off would lift the dark parts of a dark clip.
//! Saturated pixels (`raw >= white - margin`) are marked before anything is computed and stay a
//! lower bound; pixels that already have a flaw keep it. Edges: none.
//! Cost: one pass; 0.4 ns a pixel in the plain C prototype (one core). Memory: the master.
//! Source: common practice, no source.
//! Another exposure than the clip's is reported; where either is above 2 ms the dark current of pixels
//! that stand out must have been scaled ([`crate::sensor::rescale`]), or the dark is refused.
//! Limit: only pixels that stand out are scaled.

use std::sync::Arc;

use serde::{Deserialize, Serialize};

use crate::frame::units::Duration;
use crate::frame::{Domain, Flaw, Frame, Layout};
use crate::record::{Notes, Warning};
use crate::sensor::MasterDark;
use crate::stages::{ClipInfo, Moment, Realm, SettingDoc, Stage, StageDoc, StageError};

const NAME: &str = "dark";

/// Ratio of exposures up to which a dark counts as taken at the clip's exposure.
const SAME_EXPOSURE: f64 = 1.1;

/// Exposure in s up to which dark current is far below the read noise, so that darks of another
/// exposure serve: at 500 frames a second and more no clip is exposed for longer.
pub const SHORT_S: f64 = 2e-3;

/// Share of the range by which the dark may lie off the clip's black level without a word.
const BLACK_OFF: f64 = 0.05;

/// How people see the stage.
pub const DOC: StageDoc = StageDoc {
    name: NAME,
    summary: "takes the master dark (or the black level) off and marks saturated pixels",
    takes: &[Realm::Sensor],
    gives: Some(Realm::Sensor),
    settings: &[SettingDoc {
        name: "saturation_margin",
        unit: "share of the range from black to white",
        range: "0 to 0.5",
        default: "0.005",
        meaning: "how far below the white level a pixel already counts as full",
    }],
};

/// Settings of the stage.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct DarkSettings {
    /// Distance below white at which a pixel counts as full, as a share of the range from black
    /// to white: 0 to 0.5, default 0.005.
    pub saturation_margin: f32,
}

impl Default for DarkSettings {
    fn default() -> Self {
        Self { saturation_margin: 0.005 }
    }
}

/// The built stage.
#[derive(Debug, Clone)]
pub struct Dark {
    master: Option<Arc<MasterDark>>,
    black: f32,
    full: f32,
    size: (usize, usize),
    layout: Layout,
    warnings: Vec<Warning>,
}

impl Dark {
    /// Checks everything there is to check; without `master` only the black level is taken off.
    ///
    /// # Errors
    /// [`StageError::BadSetting`] for a margin outside its range or a white level that is not
    /// above black, [`StageError::Mismatch`] for a master of another size.
    pub fn new(
        settings: DarkSettings,
        clip: &ClipInfo,
        master: Option<Arc<MasterDark>>,
    ) -> Result<Self, StageError> {
        let margin = settings.saturation_margin;
        if !(0.0..=0.5).contains(&margin) {
            return Err(StageError::BadSetting {
                stage: NAME,
                setting: "saturation_margin",
                found: margin.to_string(),
                expected: "a share from 0 to 0.5",
            });
        }
        let range = clip.white - clip.black;
        if range.is_nan() || range <= 0.0 {
            return Err(StageError::Refused {
                stage: NAME,
                why: format!(
                    "the white level {} DN is not above the black level {} DN: give --black and \
                     --white as the camera has them",
                    clip.white, clip.black
                ),
            });
        }
        if let Some(master) = &master
            && !master.shape.fits(clip.layout, clip.width, clip.height)
        {
            return Err(StageError::Mismatch {
                stage: NAME,
                what: "the dark reference".to_owned(),
                found: master.shape.to_string(),
                expected: format!("{}x{}, {:?}", clip.width, clip.height, clip.layout),
                advice: "take the darks with the same crop and mode",
            });
        }
        let other = master
            .as_ref()
            .filter(|m| m.scaled.is_none())
            .and_then(|m| other_exposure(m.exposure, clip.exposure));
        if let Some(OtherExposure { dark, own, matters: true }) = other {
            return Err(StageError::Mismatch {
                stage: NAME,
                what: "the exposure of the dark reference".to_owned(),
                found: dark.to_string(),
                expected: own.to_string(),
                advice: "above 2 ms dark current grows with the exposure: take darks at the \
                         clip's exposure",
            });
        }
        let warnings = match &master {
            Some(master) => doubts(master, clip),
            None => vec![Warning::new(
                "no-dark",
                format!(
                    "no dark reference: only the black level of {} DN was taken off, the sensor's \
                     pattern stays",
                    clip.black
                ),
                "record 64 frames with the lens covered at the clip's exposure",
            )],
        };
        Ok(Self {
            master,
            black: clip.black,
            full: clip.white - margin * range,
            size: (clip.width, clip.height),
            layout: clip.layout,
            warnings,
        })
    }

    /// What a person should know before the first frame; the same for every frame.
    #[must_use]
    pub fn warnings(&self) -> &[Warning] {
        &self.warnings
    }
}

/// Darks of another exposure than the clip's.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OtherExposure {
    /// Exposure of the darks.
    pub dark: Duration,
    /// Exposure of the clip.
    pub own: Duration,
    /// Whether dark current can matter at either: then such darks are refused.
    pub matters: bool,
}

/// What is to be said of the exposures of darks and clip, where both are known and differ.
#[must_use]
pub fn other_exposure(dark: Option<Duration>, own: Option<Duration>) -> Option<OtherExposure> {
    let (dark, own) = (dark?, own?);
    let same = (1.0 / SAME_EXPOSURE..=SAME_EXPOSURE).contains(&(dark.s() / own.s()));
    let matters = dark.s().max(own.s()) > SHORT_S;
    (!same).then_some(OtherExposure { dark, own, matters })
}

/// What speaks against this master for this clip.
fn doubts(master: &MasterDark, clip: &ClipInfo) -> Vec<Warning> {
    let mut out = master.warnings(clip.noise.as_ref());
    if let Some(OtherExposure { dark, own, .. }) = other_exposure(master.exposure, clip.exposure)
        && master.scaled.is_none()
    {
        out.push(Warning::new(
            "dark-exposure",
            format!("the darks were exposed for {dark} but the clip for {own}"),
            "take darks at the clip's exposure",
        ));
    }
    let level = master.mean_level(0);
    let range = f64::from(clip.white - clip.black);
    if (level - f64::from(clip.black)).abs() > BLACK_OFF * range {
        out.push(Warning::new(
            "dark-level",
            format!(
                "the dark reference has a mean of {level:.1} DN but black is {} DN",
                clip.black
            ),
            "see that the lens was covered, and that black is given as the camera has it",
        ));
    }
    out
}

impl Stage for Dark {
    fn name(&self) -> &'static str {
        NAME
    }

    fn apply(&self, frame: &mut Frame, _at: &Moment, notes: &mut Notes) -> Result<(), StageError> {
        if frame.domain != Domain::Raw {
            return Err(StageError::Refused {
                stage: NAME,
                why: "the frame is not raw any more: put dark before all other stages".to_owned(),
            });
        }
        self.check((frame.width(), frame.height()), frame.layout)?;
        let mut full = 0_usize;
        for p in 0..frame.planes.len() {
            let count = self.count_full(frame.planes[p].data());
            if count > 0 {
                // Makes the marks where there were none; then planes and marks lie side by side.
                frame.flaws_mut(p);
                self.mark_full(frame.planes[p].data(), &mut frame.flaws[p]);
            }
            full += count;
            self.take_off((p, 0), frame.planes[p].data_mut());
        }
        frame.domain = Domain::Linear;
        notes.measure(SHARE, saturated_share(full, frame));
        Ok(())
    }
}

impl Dark {
    /// Refuses a frame of another size or layout than the clip's.
    ///
    /// # Errors
    /// [`StageError::Mismatch`].
    pub fn check(&self, found: (usize, usize), layout: Layout) -> Result<(), StageError> {
        if found == self.size && layout == self.layout {
            return Ok(());
        }
        Err(StageError::Mismatch {
            stage: NAME,
            what: "the frame".to_owned(),
            found: format!("{}x{}, {:?}", found.0, found.1, layout),
            expected: format!("{}x{}, {:?}", self.size.0, self.size.1, self.layout),
            advice: "see that the folder holds one clip only",
        })
    }

    /// Number of full pixels among raw values. A plain count, because leaving at the first one does
    /// not vectorise.
    #[must_use]
    pub fn count_full(&self, raw: &[f32]) -> usize {
        // Of so few that 32 bits hold it; a check of each addition would not vectorise either.
        let count = |part: &[f32]| {
            part.iter().fold(0_u32, |n, &v| n.wrapping_add(u32::from(v >= self.full)))
        };
        raw.chunks(COUNTED).map(|part| count(part) as usize).sum()
    }

    /// Marks good pixels that are full.
    pub fn mark_full(&self, raw: &[f32], flaws: &mut [Flaw]) {
        for (f, &v) in flaws.iter_mut().zip(raw) {
            if v >= self.full && *f == Flaw::None {
                *f = Flaw::Saturated;
            }
        }
    }

    /// Variance of what the master's own noise left in each pixel, in DN^2: a pattern that stays in every
    /// frame. 0 without a master.
    #[must_use]
    pub fn left(&self) -> f64 {
        self.master.as_ref().map_or(0.0, |m| m.left())
    }

    /// Takes the level off raw values of plane `p` from pixel `from` on.
    pub fn take_off(&self, (p, from): (usize, usize), data: &mut [f32]) {
        match &self.master {
            Some(master) => {
                for (v, l) in data.iter_mut().zip(&master.level[p].data()[from..]) {
                    *v -= l;
                }
            }
            None => data.iter_mut().for_each(|v| *v -= self.black),
        }
    }
}

/// The measure that the stage notes, and its value for a frame with `full` full pixels.
pub const SHARE: &str = "saturated_share";

/// See [`SHARE`].
#[must_use]
pub fn saturated_share(full: usize, frame: &Frame) -> f64 {
    let pixels: usize = frame.planes.iter().map(|p| p.data().len()).sum();
    full as f64 / (pixels as f64).max(1.0)
}

/// Pixels counted in 32 bits, many side by side.
const COUNTED: usize = 1 << 16;

#[cfg(test)]
mod tests {
    use super::super::label_tests::bare;
    use super::*;
    use crate::frame::Plane;
    use crate::sensor::{DefectMap, Shape};

    fn clip(width: usize, height: usize, layout: Layout) -> ClipInfo {
        ClipInfo {
            exposure: Duration::from_s(5e-5),
            ..bare((width, height), layout, (64.0, 4_095.0))
        }
    }

    fn master(width: usize, height: usize, level: f32) -> Arc<MasterDark> {
        Arc::new(MasterDark {
            shape: Shape { width, height, channels: 1, bits: 16 },
            count: 64,
            exposure: Duration::from_s(5e-5),
            level: vec![Plane::from_fn(
                width,
                height,
                |x, _| if x == 1 { level + 9.0 } else { level },
            )],
            variance: vec![Plane::filled(width, height, 1.0)],
            temporal: vec![1.0],
            pattern: vec![],
            defects: DefectMap::new(width, height, 1),
            scaled: None,
        })
    }

    fn raw(plane: Plane) -> Frame {
        Frame { domain: Domain::Raw, ..Frame::mono(plane) }
    }

    const AT: Moment = Moment { frame: 0, past: 0, time_s: None };

    #[test]
    fn by_hand_on_four_by_four() {
        let stage =
            Dark::new(DarkSettings::default(), &clip(4, 4, Layout::Mono), Some(master(4, 4, 70.0)))
                .unwrap();
        assert!(stage.warnings().is_empty(), "{:?}", stage.warnings());
        let mut frame = raw(Plane::filled(4, 4, 60.0));
        frame.planes[0].set(2, 3, 4_090.0);
        let mut notes = Notes::default();
        stage.apply(&mut frame, &AT, &mut notes).unwrap();
        assert_eq!(frame.domain, Domain::Linear);
        assert_eq!(&frame.planes[0].row(0), &[-10.0, -19.0, -10.0, -10.0]);
        // Full from 4095 - 0.005 * 4031 = 4074.8 on.
        let full: Vec<usize> = (0..16).filter(|&i| frame.flaws[0][i] == Flaw::Saturated).collect();
        assert_eq!(full, [14]);
        assert!((frame.planes[0].at(2, 3) - 4_020.0).abs() < 1e-3);
        assert!((notes.measures["saturated_share"] - 1.0 / 16.0).abs() < 1e-12);
    }

    #[test]
    fn without_a_master_the_black_level_goes_and_it_is_said() {
        let stage = Dark::new(DarkSettings::default(), &clip(4, 4, Layout::Mono), None).unwrap();
        assert_eq!(stage.warnings()[0].kind, "no-dark");
        assert!(stage.warnings()[0].text.contains("64 DN"));
        let mut frame = raw(Plane::filled(4, 4, 60.0));
        stage.apply(&mut frame, &AT, &mut Notes::default()).unwrap();
        assert!(frame.planes[0].data().iter().all(|&v| (v + 4.0).abs() < 1e-6));
        assert!(frame.flaws.is_empty());
        let text = stage.apply(&mut frame, &AT, &mut Notes::default()).unwrap_err().to_string();
        assert!(text.contains("put dark before"), "{text}");
    }

    #[test]
    fn what_does_not_fit_is_refused_with_both_sizes() {
        let settings = DarkSettings::default();
        let info = clip(6, 4, Layout::Mono);
        let text = Dark::new(settings, &info, Some(master(4, 4, 64.0))).unwrap_err().to_string();
        assert!(text.contains("4x4") && text.contains("6x4") && text.contains("crop"), "{text}");
        let info = clip(4, 4, Layout::Rgb);
        assert!(Dark::new(settings, &info, Some(master(4, 4, 64.0))).is_err());
        let wide = DarkSettings { saturation_margin: f32::NAN };
        let text = Dark::new(wide, &clip(4, 4, Layout::Mono), None).unwrap_err().to_string();
        assert!(text.contains("saturation_margin") && text.contains("NaN"), "{text}");
        let stage = Dark::new(settings, &clip(4, 4, Layout::Mono), None).unwrap();
        let mut frame = raw(Plane::filled(5, 4, 0.0));
        assert!(stage.apply(&mut frame, &AT, &mut Notes::default()).is_err());
    }

    #[test]
    fn a_dark_of_another_exposure_or_level_is_doubted() {
        let mut info = clip(4, 4, Layout::Mono);
        info.exposure = Duration::from_s(2e-4);
        let stage = Dark::new(DarkSettings::default(), &info, Some(master(4, 4, 900.0))).unwrap();
        let kinds: Vec<&str> = stage.warnings().iter().map(|w| w.kind.as_str()).collect();
        assert_eq!(kinds, ["dark-exposure", "dark-level"]);
        assert!(
            stage.warnings()[0].text.contains("50us") && stage.warnings()[0].text.contains("200us")
        );
    }

    #[test]
    fn a_dark_of_another_long_exposure_is_refused() {
        let mut info = clip(4, 4, Layout::Mono);
        info.exposure = Duration::from_s(5e-3);
        let text = Dark::new(DarkSettings::default(), &info, Some(master(4, 4, 160.0)))
            .unwrap_err()
            .to_string();
        assert!(["50us", "5ms", "dark current"].iter().all(|w| text.contains(w)), "{text}");
    }

    #[test]
    fn settings_with_an_unknown_key_are_refused() {
        assert!(toml::from_str::<DarkSettings>("saturation_margin = 0.01").is_ok());
        assert!(toml::from_str::<DarkSettings>("margin = 0.01").is_err());
    }
}
