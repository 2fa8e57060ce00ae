//! Draws a scale bar in the lower right corner.
//!
//! Model: a bar of length `L` on the object is `L / s` pixels long, with `s` in µm a pixel. `L` is
//! the longest 1-2-5 length of at most a quarter of the frame's width. Drawn to the fraction of a
//! pixel, so that no rounding adds to the scale's own uncertainty; the label never says more than
//! that uncertainty allows (see [`crate::labels::bar`]).
//!
//! Order: last, after the resampling; on linear frames or after `display`. Whoever resized the
//! picture must have scaled `s` with it: this stage believes the clip's scale.
//! Cost: blends one plate, drawn once; nothing outside the plate is touched.

use serde::{Deserialize, Serialize};

use super::{ClipInfo, Moment, Realm, SettingDoc, Stage, StageDoc, StageError};
use crate::frame::Frame;
use crate::labels::layout::{Canvas, Corner};
use crate::labels::panel::{self, Panel};
use crate::labels::text::Face;
use crate::labels::{LabelError, bar};
use crate::optics;
use crate::record::{Notes, Warning};

const NAME: &str = "scale-bar";

/// Settings of the scale bar.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct ScaleBarSettings {
    /// Height of leading capitals in percent of the frame's height, 3 to 10; default 3.9.
    pub text_height: f64,
}

impl Default for ScaleBarSettings {
    fn default() -> Self {
        Self { text_height: 3.9 }
    }
}

/// The stage as people see it.
pub const DOC: StageDoc = StageDoc {
    name: NAME,
    summary: "draws a scale bar of a round length, true to the fraction of a pixel",
    takes: &[Realm::Sensor, Realm::Linear, Realm::Display],
    gives: None,
    settings: &[SettingDoc {
        name: "text_height",
        unit: "% of the frame's height",
        range: "3 to 10",
        default: "3.9",
        meaning: "height of capitals; lowered to 3 where the label would not fit",
    }],
};

/// The scale bar, laid out and drawn.
#[derive(Debug, Clone)]
pub struct ScaleBar {
    panel: Panel,
    white: f32,
    label: String,
    length_px: f64,
    without_uncertainty: bool,
}

impl ScaleBar {
    /// Lays out the bar for the clip.
    ///
    /// # Errors
    /// [`StageError::MissingFact`] without a scale; [`StageError::Refused`] where the scale was
    /// measured in a picture taken otherwise than the clip, is no positive number, is too uncertain for one figure, or the bar does not fit the frame.
    pub fn new(settings: &ScaleBarSettings, clip: &ClipInfo) -> Result<Self, StageError> {
        super::label_height(NAME, settings.text_height)?;
        let refused = |why: String| StageError::Refused { stage: NAME, why };
        let missing = || match &clip.scale_fault {
            Some(why) => refused(why.clone()),
            None => StageError::MissingFact {
                stage: NAME,
                fact: "the object size of a pixel",
                advice: "give scale, or magnification and pixel_pitch, or leave the scale bar out",
            },
        };
        let scale = clip.scale.ok_or_else(missing)?;
        let s = scale.um_per_px;
        let length = optics::bar_length(s * clip.width as f64).ok_or_else(|| {
            refused(format!(
                "a scale of {s} \u{b5}m a pixel over {} px has no bar between 1 nm and 250 m: \
                 check the scale",
                clip.width
            ))
        })?;
        let relative = scale.sigma_um_per_px.map(|sigma| sigma / s);
        let label = bar::label(length, relative).ok_or_else(|| {
            refused(format!(
                "the scale {s} \u{b5}m a pixel is sure to {:.1} % only, and above {:.0} % not even \
                 one figure of a bar's label is known: measure the scale from a rule or graticule",
                relative.unwrap_or(f64::NAN) * 100.0,
                bar::MOST * 100.0
            ))
        })?;
        let length_px = length.um() / s;
        let canvas = Canvas { width: clip.width, height: clip.height };
        let corner = Corner::LowerRight;
        let panel = Face::load()
            .and_then(|f| panel::bar(&f, canvas, corner, &label, length_px, settings.text_height))
            .map_err(|e: LabelError| refused(e.to_string()))?;
        Ok(Self {
            panel,
            white: clip.white - clip.black,
            label,
            length_px,
            without_uncertainty: relative.is_none(),
        })
    }

    /// What the bar says.
    #[must_use]
    pub fn label(&self) -> &str {
        &self.label
    }

    /// Drawn length in pixels.
    #[must_use]
    pub fn length_px(&self) -> f64 {
        self.length_px
    }

    /// What a person should know about this bar, once a clip.
    #[must_use]
    pub fn warning(&self) -> Option<Warning> {
        self.without_uncertainty.then(|| {
            Warning::new(
                "scale-without-uncertainty",
                format!("the bar of {} rests on a scale given without uncertainty", self.label),
                "measure the scale from a rule or graticule: what is engraved on a lens is nominal",
            )
        })
    }
}

impl Stage for ScaleBar {
    fn name(&self) -> &'static str {
        NAME
    }

    fn apply(&self, frame: &mut Frame, _at: &Moment, _notes: &mut Notes) -> Result<(), StageError> {
        self.panel
            .blend(frame, self.white)
            .map_err(|e| StageError::Refused { stage: NAME, why: e.to_string() })
    }
}

#[cfg(test)]
mod tests {
    use super::super::Scale;
    use super::super::label_tests::{FRAMES, agrees_with_doc, apply, clip, sized};
    use super::*;

    fn scaled(um_per_px: f64, sigma: Option<f64>) -> ClipInfo {
        ClipInfo { scale: Some(Scale { um_per_px, sigma_um_per_px: sigma }), ..clip() }
    }

    fn new(clip: &ClipInfo) -> Result<ScaleBar, StageError> {
        ScaleBar::new(&ScaleBarSettings::default(), clip)
    }

    #[test]
    fn usual_fields_get_their_usual_bars() {
        // Common practice, no source: 12.8 mm wide at 2x -> 2 mm; 1.28 mm wide at 1 µm a pixel ->
        // 200 µm; 100 µm at 0.5005 µm a pixel is 199.8 px.
        for (s, label, px) in [
            (10.0, "2\u{a0}mm", 200.0),
            (1.0, "200\u{a0}\u{b5}m", 200.0),
            (0.5005, "100\u{a0}\u{b5}m", 199.8002),
            (0.2, "50\u{a0}\u{b5}m", 250.0),
        ] {
            let stage = new(&scaled(s, Some(s * 0.001))).unwrap();
            assert_eq!(stage.label(), label);
            assert!((stage.length_px() - px).abs() < 1e-3);
            assert_eq!(stage.warning(), None);
        }
    }

    #[test]
    fn no_scale_no_bar() {
        let text = new(&ClipInfo { scale: None, ..clip() }).unwrap_err().to_string();
        assert!(
            text.contains("object size of a pixel") && text.contains("magnification"),
            "{text}"
        );
        let fault = Some("the scale was taken at 10x but the clip at 5x".to_owned());
        let text = new(&ClipInfo { scale: None, scale_fault: fault, ..clip() }).unwrap_err();
        assert!(text.to_string().contains("10x but the clip at 5x"), "{text}");
        let text = new(&scaled(1.0, Some(0.12))).unwrap_err().to_string();
        assert!(text.contains("12.0 %"), "{text}");
        assert_eq!(new(&scaled(1.0, Some(0.08))).unwrap().label(), "\u{2248}200\u{a0}\u{b5}m");
        assert_eq!(
            new(&scaled(1.0, None)).unwrap().warning().unwrap().kind,
            "scale-without-uncertainty"
        );
        for bad in [0.0, -1.0, f64::NAN, f64::INFINITY] {
            assert!(new(&scaled(bad, None)).is_err());
        }
    }

    #[test]
    fn the_bar_in_the_frame_has_the_length_it_says() {
        // 200 µm at 1 µm a pixel, 100 µm at 0.5005: the ends lie between pixels. Measured on a black
        // linear frame from the light it adds to the row with the most of it.
        for (um_per_px, px) in [(1.0, 200.0), (0.5005, 199.8002)] {
            let clip = scaled(um_per_px, None);
            let frame = apply(&new(&clip).unwrap(), &clip, 0.0);
            let light = |y| frame.planes[0].row(y).iter().map(|&v| f64::from(v) / 4000.0).sum();
            let most = (0..clip.height).map(light).fold(0.0, f64::max);
            assert!((most - px).abs() < 0.01, "{most} {px}");
        }
    }

    #[test]
    fn every_usual_frame_holds_a_bar() {
        for &(width, height) in FRAMES {
            for (s, sigma) in [(1.0, 0.0), (1.249, 0.0), (0.333, 0.0), (0.9, 0.05)] {
                let clip = ClipInfo { scale: scaled(s, Some(sigma)).scale, ..sized(width, height) };
                new(&clip).unwrap_or_else(|e| panic!("{width}x{height}: {e}"));
            }
        }
        let text = new(&ClipInfo { scale: scaled(1.0, None).scale, ..sized(48, 32) }).unwrap_err();
        assert!(text.to_string().contains("48 x 32"), "{text}");
    }

    #[test]
    fn doc_and_default_agree() {
        agrees_with_doc(&ScaleBarSettings::default(), &DOC);
    }
}
