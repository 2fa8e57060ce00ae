//! Codes linear light for display.
//!
//! Model: `L = (v / span) * 2^exposure`, clamped to 0..=1, then the curve: sRGB (IEC 61966-2-1)
//! or the BT.709 transfer. `v` is the value in DN above black, `span` the white level less the
//! black level in DN (or `white_at`), `exposure` in stops. With `fit`, `span` is chosen so that the
//! clip's bright level ([`ClipInfo::bright`]) comes to 85 % of white. All numbers are constants of
//! the clip, so brightness never pumps from frame to frame.
//!
//! Order: after every correction and after the resampling; before the labels.
//! Negative values become 0 and values above white 1; saturated pixels are treated as their value
//! says. Values that are not numbers become 0.
//! Accuracy: within 1.2e-6 of the formula, a twelfth of a 16-bit step, by interpolated tables.
//! Cost: one table look-up a value; keeps one table of 160 kB for the whole program.

use serde::{Deserialize, Serialize};

use super::{ByValue, ClipInfo, Moment, Realm, SettingDoc, Stage, StageDoc, StageError};
use crate::frame::convert::to_f32;
use crate::frame::{Curve, Domain, Frame, Layout};
use crate::record::Notes;

const NAME: &str = "display";
/// Stops beyond this bring nothing but noise or black; a larger number is a slip of the pen.
const MOST_STOPS: f64 = 20.0;
/// Where `fit` puts the clip's bright level, as a share of white.
const BRIGHT: f64 = 0.85;

/// Settings of the display stage.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct DisplaySettings {
    /// Brightening in stops, -20 to 20; default 0.
    pub exposure: f64,
    /// DN above black shown as white before `exposure`; default: white level less black level.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub white_at: Option<f64>,
    /// Whether a dark clip is brightened as a whole; default false.
    pub fit: bool,
    /// Curve; default sRGB.
    pub curve: Curve,
}

impl Default for DisplaySettings {
    fn default() -> Self {
        Self { exposure: 0.0, white_at: None, fit: false, curve: Curve::Srgb }
    }
}

/// The stage as people see it.
pub const DOC: StageDoc = StageDoc {
    name: NAME,
    summary: "codes linear light for display: exposure, then the sRGB or BT.709 curve",
    takes: &[Realm::Sensor, Realm::Linear],
    gives: Some(Realm::Display),
    settings: &[
        SettingDoc {
            name: "exposure",
            unit: "stops",
            range: "-20 to 20",
            default: "0.0",
            meaning: "brightening before the curve; the same for the whole clip",
        },
        SettingDoc {
            name: "white_at",
            unit: "DN above black",
            range: "above 0",
            default: "unset",
            meaning: "the value shown as white; unset, the camera's white level less its black level",
        },
        SettingDoc {
            name: "fit",
            unit: "-",
            range: "true or false",
            default: "false",
            meaning: "brightens a dark clip as a whole, before exposure: what is brightest in it, in any \
                      colour, comes to 85 % of white",
        },
        SettingDoc {
            name: "curve",
            unit: "-",
            range: "\"srgb\" or \"bt709\"",
            default: "\"srgb\"",
            meaning: "transfer curve of the finished frames",
        },
    ],
};

/// The display stage, ready to work.
#[derive(Debug, Clone)]
pub struct Display {
    /// From DN above black to relative light.
    gain: f32,
    curve: Curve,
}

impl Display {
    /// Checks the settings against the clip.
    ///
    /// # Errors
    /// [`StageError::BadSetting`] for numbers out of range, [`StageError::Mismatch`] for mosaics and
    /// for a white level that is not above black.
    pub fn new(settings: &DisplaySettings, clip: &ClipInfo) -> Result<Self, StageError> {
        let bad = |setting, found: f64, expected| StageError::BadSetting {
            stage: NAME,
            setting,
            found: found.to_string(),
            expected,
        };
        if !(-MOST_STOPS..=MOST_STOPS).contains(&settings.exposure) {
            return Err(bad("exposure", settings.exposure, "a number of stops from -20 to 20"));
        }
        if let Some(white) = settings.white_at.filter(|w| !(w.is_finite() && *w > 0.0)) {
            return Err(bad("white_at", white, "a value in DN above 0"));
        }
        if !matches!(clip.layout, Layout::Mono | Layout::Rgb) {
            return Err(StageError::Mismatch {
                stage: NAME,
                what: "the picture it can code".to_owned(),
                found: "Mono or Rgb".to_owned(),
                expected: format!("{:?}", clip.layout),
                advice: "put demosaic before it",
            });
        }
        let bright = clip.bright.map(f64::from).filter(|b| settings.fit && *b > 0.0);
        let span = match (settings.white_at, bright) {
            (Some(white), _) => white,
            (None, Some(bright)) => bright / BRIGHT,
            (None, None) if clip.white > clip.black => {
                f64::from(clip.white) - f64::from(clip.black)
            }
            (None, None) => {
                return Err(StageError::Mismatch {
                    stage: NAME,
                    what: "the white level it needs".to_owned(),
                    found: format!("above black {}", clip.black),
                    expected: format!("white {}", clip.white),
                    advice: "give black and white of the clip, or set white_at",
                });
            }
        };
        Ok(Self { gain: to_f32(libm::exp2(settings.exposure) / span), curve: settings.curve })
    }

    /// DN above black that is shown as white, exposure included.
    #[must_use]
    pub fn white_at(&self) -> f32 {
        1.0 / self.gain
    }
}

impl Stage for Display {
    fn name(&self) -> &'static str {
        NAME
    }

    fn apply(&self, frame: &mut Frame, _at: &Moment, _notes: &mut Notes) -> Result<(), StageError> {
        if frame.domain != Domain::Linear {
            return Err(StageError::Refused {
                stage: NAME,
                why: format!(
                    "the frame is {:?} but must be Linear: put display after the corrections, once",
                    frame.domain
                ),
            });
        }
        for plane in &mut frame.planes {
            self.values(plane.data_mut());
        }
        frame.domain = self.gives();
        Ok(())
    }

    fn by_value(&self) -> Option<&dyn ByValue> {
        Some(self)
    }
}

impl ByValue for Display {
    fn values(&self, values: &mut [f32]) {
        self.curve.tables().encode_all(values, self.gain);
    }

    fn gives(&self) -> Domain {
        Domain::Display(self.curve)
    }
}

#[cfg(test)]
mod tests {
    use super::super::label_tests::{agrees_with_doc, clip};
    use super::*;
    use crate::frame::Plane;

    const AT: Moment = Moment { frame: 0, past: 0, time_s: None };

    fn shown(settings: &DisplaySettings, values: &[f32]) -> Vec<f32> {
        let plane = Plane::from_vec(values.len(), 1, values.to_vec()).unwrap();
        let mut frame = Frame::mono(plane);
        let stage = Display::new(settings, &clip()).unwrap();
        stage.apply(&mut frame, &AT, &mut Notes::default()).unwrap();
        assert_eq!(frame.domain, Domain::Display(settings.curve));
        frame.planes[0].data().to_vec()
    }

    #[test]
    fn fit_brings_the_bright_level_to_85_percent() {
        let info = ClipInfo { bright: Some(100.0), ..clip() };
        let settings = DisplaySettings { fit: true, ..DisplaySettings::default() };
        let stage = Display::new(&settings, &info).unwrap();
        let mut frame = Frame::mono(Plane::filled(1, 1, 100.0));
        stage.apply(&mut frame, &AT, &mut Notes::default()).unwrap();
        let expected = to_f32(Curve::Srgb.encode(0.85));
        assert!((frame.planes[0].data()[0] - expected).abs() < 2e-6);
    }

    #[test]
    fn published_values_through_the_whole_stage() {
        // White less black of the test clip is 4000 DN. sRGB(0.18) = 0.4613561 and BT.709(0.18)
        // = 0.4090077: check values of a general colour library's documentation.
        let srgb = DisplaySettings::default();
        let bt709 = DisplaySettings { curve: Curve::Bt709, ..DisplaySettings::default() };
        assert!((shown(&srgb, &[720.0])[0] - 0.461_356_1).abs() < 2e-6);
        assert!((shown(&bt709, &[720.0])[0] - 0.409_007_7).abs() < 2e-6);
        assert!((shown(&srgb, &[2000.0])[0] - 0.735_357).abs() < 2e-6);
        assert!((shown(&bt709, &[40.0])[0] - 0.045).abs() < 2e-6);
    }

    #[test]
    fn stops_double_and_ends_clip() {
        let two = DisplaySettings { exposure: 2.0, ..DisplaySettings::default() };
        let plain = DisplaySettings::default();
        assert!((shown(&two, &[180.0])[0] - shown(&plain, &[720.0])[0]).abs() < 1e-6);
        let white = DisplaySettings { white_at: Some(1000.0), ..DisplaySettings::default() };
        assert!((shown(&white, &[180.0])[0] - shown(&plain, &[720.0])[0]).abs() < 1e-6);
        let ends = shown(&plain, &[-50.0, 0.0, 4000.0, 9e9, f32::NAN]);
        assert_eq!(ends, [0.0, 0.0, 1.0, 1.0, 0.0]);
    }

    #[test]
    fn impossible_settings_are_refused_with_the_number() {
        let text = |s: &DisplaySettings| Display::new(s, &clip()).unwrap_err().to_string();
        let s = DisplaySettings { exposure: f64::NAN, ..DisplaySettings::default() };
        assert!(text(&s).contains("NaN"));
        let s = DisplaySettings { white_at: Some(-2.0), ..DisplaySettings::default() };
        assert!(text(&s).contains("-2 is not"));
        let mut c = clip();
        c.white = c.black;
        assert!(Display::new(&DisplaySettings::default(), &c).is_err());
        let mut frame = Frame::mono(Plane::filled(1, 1, 0.0));
        frame.domain = Domain::Display(Curve::Srgb);
        let stage = Display::new(&DisplaySettings::default(), &clip()).unwrap();
        assert!(stage.apply(&mut frame, &AT, &mut Notes::default()).is_err());
    }

    #[test]
    fn doc_and_default_agree() {
        agrees_with_doc(&DisplaySettings::default(), &DOC);
    }
}
