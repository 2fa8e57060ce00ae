//! Divides by the response of the sensor and lens to even light.
//!
//! Model: `out = in / response(x, y)`; the response is dimensionless, mean 1 over each colour.
//! Order: after dark, before anything that moves pixels; linear DN above black.
//! Saturated pixels are not divided (their ratio to the neighbours would draw coloured rims):
//! they are set to the common white level and stay marked. Dead pixels have response 1 and are for
//! the stage `defects`. Missing pixels are divided like others and stay marked. Edges: none.
//! Cost: one multiplication a pixel. Memory: one plane of factors a channel.
//! Source: common practice, no source.
//! Limit: noise is multiplied too, so corners that vignetting darkened become noisier than the
//! middle.

use std::sync::Arc;

use serde::{Deserialize, Serialize};

use crate::frame::{Domain, Flaw, Frame, Layout, Plane};
use crate::record::{Notes, Warning};
use crate::sensor::MasterFlat;
use crate::stages::{ClipInfo, Moment, Realm, SettingDoc, Stage, StageDoc, StageError};

const NAME: &str = "flat";

/// How people see the stage.
pub const DOC: StageDoc = StageDoc {
    name: NAME,
    summary: "divides by the master flat: vignetting, dust and pixel gain",
    takes: &[Realm::Sensor],
    gives: None,
    settings: &[SettingDoc {
        name: "most_gain",
        unit: "-",
        range: "1 to 20",
        default: "8",
        meaning: "largest factor a pixel may be multiplied by",
    }],
};

/// Settings of the stage.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct FlatSettings {
    /// Largest factor a pixel may be multiplied by: 1 to 20, default 8.
    pub most_gain: f32,
}

impl Default for FlatSettings {
    fn default() -> Self {
        Self { most_gain: 8.0 }
    }
}

/// The built stage.
#[derive(Debug, Clone)]
pub struct Flat {
    factors: Vec<Plane>,
    layout: Layout,
    white: f32,
    warnings: Vec<Warning>,
}

impl Flat {
    /// Checks everything there is to check and turns the response into factors.
    ///
    /// # Errors
    /// [`StageError::BadSetting`] for a factor outside its range, [`StageError::Mismatch`] for a
    /// master of another size or layout.
    pub fn new(
        settings: FlatSettings,
        clip: &ClipInfo,
        master: &Arc<MasterFlat>,
    ) -> Result<Self, StageError> {
        let most = settings.most_gain;
        if !(1.0..=20.0).contains(&most) {
            return Err(StageError::BadSetting {
                stage: NAME,
                setting: "most_gain",
                found: most.to_string(),
                expected: "a factor from 1 to 20",
            });
        }
        let fits = master.shape.fits(clip.layout, clip.width, clip.height);
        if !fits || master.layout != clip.layout {
            return Err(StageError::Mismatch {
                stage: NAME,
                what: "the flat reference".to_owned(),
                found: format!("{}, {:?}", master.shape, master.layout),
                expected: format!("{}x{}, {:?}", clip.width, clip.height, clip.layout),
                advice: "take the flats with the same crop, mode and lens setting",
            });
        }
        let factors = master
            .response
            .iter()
            .map(|r| {
                let mut f = r.clone();
                f.data_mut().iter_mut().for_each(|v| *v = (1.0 / *v).clamp(0.0, most));
                f
            })
            .collect();
        Ok(Self {
            factors,
            layout: clip.layout,
            white: clip.white - clip.black,
            warnings: master.warnings(),
        })
    }

    /// What each pixel of each plane is multiplied with.
    #[must_use]
    pub fn factors(&self) -> &[Plane] {
        &self.factors
    }

    /// What a person should know before the first frame; the same for every frame.
    #[must_use]
    pub fn warnings(&self) -> &[Warning] {
        &self.warnings
    }
}

impl Stage for Flat {
    fn name(&self) -> &'static str {
        NAME
    }

    fn apply(&self, frame: &mut Frame, _at: &Moment, _notes: &mut Notes) -> Result<(), StageError> {
        if frame.domain != Domain::Linear {
            return Err(StageError::Refused {
                stage: NAME,
                why: "the frame is not linear light above black: put dark before flat".to_owned(),
            });
        }
        let size = self.factors.first().map_or((0, 0), |f| (f.width(), f.height()));
        if (frame.width(), frame.height()) != size || frame.layout != self.layout {
            return Err(StageError::Mismatch {
                stage: NAME,
                what: "the frame".to_owned(),
                found: format!("{}x{}, {:?}", frame.width(), frame.height(), frame.layout),
                expected: format!("{}x{}, {:?}", size.0, size.1, self.layout),
                advice: "see that the folder holds one clip only",
            });
        }
        for p in 0..self.factors.len() {
            let data = frame.planes[p].data_mut();
            self.divide((p, 0), data, frame.flaws.get(p).map(Vec::as_slice));
        }
        Ok(())
    }
}

impl Flat {
    /// Divides values of plane `p` from pixel `from` on; `flaws` are theirs.
    pub fn divide(&self, (p, from): (usize, usize), data: &mut [f32], flaws: Option<&[Flaw]>) {
        for (v, f) in data.iter_mut().zip(&self.factors[p].data()[from..]) {
            *v *= f;
        }
        // Saturated pixels become white.
        for (v, f) in data.iter_mut().zip(flaws.unwrap_or_default()) {
            if *f == Flaw::Saturated {
                *v = self.white;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::label_tests::bare;
    use super::*;
    use crate::frame::Mosaic;
    use crate::sensor::{DefectMap, Shape};

    fn clip(width: usize, height: usize, layout: Layout) -> ClipInfo {
        bare((width, height), layout, (100.0, 1_100.0))
    }

    fn master(response: Plane, layout: Layout) -> Arc<MasterFlat> {
        let (width, height) = (response.width(), response.height());
        Arc::new(MasterFlat {
            shape: Shape { width, height, channels: 1, bits: 16 },
            layout,
            count: 64,
            response: vec![response],
            level: vec![5_000.0],
            pattern: vec![],
            from_dark: 0.0,
            flicker: 0.0,
            defects: DefectMap::new(width, height, 1),
        })
    }

    const AT: Moment = Moment { frame: 0, past: 0, time_s: None };

    #[test]
    fn by_hand_on_four_by_four() {
        let response = Plane::from_fn(4, 4, |x, _| [0.5, 1.0, 1.25, 0.1][x]);
        let stage = Flat::new(
            FlatSettings::default(),
            &clip(4, 4, Layout::Mono),
            &master(response, Layout::Mono),
        )
        .unwrap();
        let mut frame = Frame::mono(Plane::filled(4, 4, -10.0));
        frame.planes[0].set(0, 1, 999.0);
        frame.flaws_mut(0)[4] = Flaw::Saturated;
        stage.apply(&mut frame, &AT, &mut Notes::default()).unwrap();
        // 1 / 0.1 = 10 is held at 8; the full pixel is white and no more.
        assert_eq!(&frame.planes[0].row(0), &[-20.0, -10.0, -8.0, -80.0]);
        assert!((frame.planes[0].at(0, 1) - 1_000.0).abs() < 1e-4);
        assert_eq!(frame.flaws[0][4], Flaw::Saturated);
    }

    #[test]
    fn what_was_put_on_comes_off() {
        let response = Plane::from_fn(33, 20, |x, y| {
            1.0 - 0.01 * f32::from(u8::try_from(x).unwrap())
                + 0.02 * f32::from(u8::try_from(y).unwrap())
        });
        let scene = Plane::from_fn(33, 20, |x, y| f32::from(u16::try_from(x * y).unwrap()));
        let mut frame = Frame::mono(scene.clone());
        for (v, r) in frame.planes[0].data_mut().iter_mut().zip(response.data()) {
            *v *= r;
        }
        let info = clip(33, 20, Layout::Mono);
        let stage =
            Flat::new(FlatSettings::default(), &info, &master(response, Layout::Mono)).unwrap();
        stage.apply(&mut frame, &AT, &mut Notes::default()).unwrap();
        for (a, b) in frame.planes[0].data().iter().zip(scene.data()) {
            assert!((a - b).abs() <= 3e-7 * b.abs(), "{a} {b}");
        }
    }

    #[test]
    fn what_does_not_fit_is_refused() {
        let flat = master(Plane::filled(4, 4, 1.0), Layout::Mosaic(Mosaic::Rggb));
        let info = clip(4, 4, Layout::Mosaic(Mosaic::Bggr));
        let text = Flat::new(FlatSettings::default(), &info, &flat).unwrap_err().to_string();
        assert!(text.contains("Rggb") && text.contains("Bggr"), "{text}");
        let info = clip(4, 8, Layout::Mosaic(Mosaic::Rggb));
        let text = Flat::new(FlatSettings::default(), &info, &flat).unwrap_err().to_string();
        assert!(text.contains("4x4") && text.contains("4x8"), "{text}");
        let info = clip(4, 4, Layout::Mosaic(Mosaic::Rggb));
        let text =
            Flat::new(FlatSettings { most_gain: 0.5 }, &info, &flat).unwrap_err().to_string();
        assert!(text.contains("most_gain") && text.contains("0.5"), "{text}");
        let stage = Flat::new(FlatSettings::default(), &info, &flat).unwrap();
        let mut frame = Frame::mono(Plane::filled(4, 4, 1.0));
        frame.domain = Domain::Raw;
        let text = stage.apply(&mut frame, &AT, &mut Notes::default()).unwrap_err().to_string();
        assert!(text.contains("put dark before flat"), "{text}");
    }
}
