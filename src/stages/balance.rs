//! White balance: what should be grey becomes grey.
//!
//! Model: `red *= r`, `blue *= b`, green stays. The gains are given, or they follow from the means
//! (R, G, B) (DN) of a grey patch: `r = G / R`, `b = G / B`. All constant over the clip, so that
//! colour never drifts; the patch is measured once, with [`measure_patch`].
//!
//! Order: after demosaic, in linear light, before the display curve.
//! **Saturated** pixels are set to one value in all three planes, white times the largest gain, so
//! that no highlight takes on a colour and none is darker than what lies around it. **Missing**
//! pixels are multiplied like others and stay marked.
//! Cost: two multiplications a pixel; keeps no memory. Source: common practice, no source.
//! Limit: one light for the whole picture; light of two colours is not told apart.

use serde::{Deserialize, Serialize};

use super::{ClipInfo, Moment, Realm, SettingDoc, Stage, StageDoc, StageError};
use crate::frame::convert::to_f32;
use crate::frame::{Domain, Flaw, Frame, Layout};
use crate::record::Notes;

const NAME: &str = "balance";
/// Gains outside of this are a slip of the pen or a patch that is not grey.
const LEAST: f64 = 0.1;
const MOST: f64 = 10.0;
/// Good pixels a colour that a patch needs.
const FEWEST: usize = 16;

/// Settings of the stage: two gains, or a patch.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct BalanceSettings {
    /// What red is multiplied by, relative to green: 0.1 to 10, default 1.
    pub red: f64,
    /// What blue is multiplied by, relative to green: 0.1 to 10, default 1.
    pub blue: f64,
    /// Rectangle (x, y, width, height in pixels) of a grey patch; replaces the gains.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub patch: Option<[usize; 4]>,
}

impl Default for BalanceSettings {
    fn default() -> Self {
        Self { red: 1.0, blue: 1.0, patch: None }
    }
}

/// The stage as people see it.
pub const DOC: StageDoc = StageDoc {
    name: NAME,
    summary: "white balance from two gains or from a grey patch",
    takes: &[Realm::Linear],
    gives: None,
    settings: &[
        SettingDoc {
            name: "red",
            unit: "-",
            range: "0.1 to 10",
            default: "1.0",
            meaning: "what red is multiplied by, relative to green",
        },
        SettingDoc {
            name: "blue",
            unit: "-",
            range: "0.1 to 10",
            default: "1.0",
            meaning: "what blue is multiplied by, relative to green",
        },
        SettingDoc {
            name: "patch",
            unit: "px",
            range: "[x, y, width, height]",
            default: "unset",
            meaning: "a grey place of the clip's first frame, measured instead of the gains",
        },
    ],
};

/// The built stage.
#[derive(Debug, Clone)]
pub struct Balance {
    gains: [f32; 3],
    /// What saturated pixels become.
    white: f32,
}

impl Balance {
    /// Checks the settings. `patch` holds the means of the patch (see [`measure_patch`]) where
    /// the settings name one.
    ///
    /// # Errors
    /// [`StageError::BadSetting`] for gains out of range, given or from the patch;
    /// [`StageError::MissingFact`] where a patch is named but was not measured;
    /// [`StageError::Mismatch`] for pictures without three colours.
    pub fn new(
        settings: &BalanceSettings,
        clip: &ClipInfo,
        patch: Option<[f64; 3]>,
    ) -> Result<Self, StageError> {
        if clip.layout != Layout::Rgb {
            return Err(StageError::Mismatch {
                stage: NAME,
                what: "the picture it takes".to_owned(),
                found: "Rgb".to_owned(),
                expected: format!("{:?}", clip.layout),
                advice: "put demosaic before it, or leave it out for a mono clip",
            });
        }
        let (red, blue) = match (settings.patch, patch) {
            (None, _) => (settings.red, settings.blue),
            (Some(_), Some([r, g, b])) => (g / r, g / b),
            (Some(_), None) => {
                return Err(StageError::MissingFact {
                    stage: NAME,
                    fact: "the means of the grey patch",
                    advice: "the patch is measured in the clip's first frame: see that it can be read",
                });
            }
        };
        for (setting, gain) in [("red", red), ("blue", blue)] {
            if !(LEAST..=MOST).contains(&gain) {
                let setting = if settings.patch.is_some() { "patch" } else { setting };
                return Err(StageError::BadSetting {
                    stage: NAME,
                    setting,
                    found: format!("{gain}"),
                    expected: "a gain from 0.1 to 10 (a patch must be grey and lit)",
                });
            }
        }
        let gains = [to_f32(red), 1.0, to_f32(blue)];
        let most = gains.iter().copied().fold(1.0, f32::max);
        Ok(Self { gains, white: (clip.white - clip.black) * most })
    }

    /// The gains of red, green and blue.
    #[must_use]
    pub fn gains(&self) -> [f32; 3] {
        self.gains
    }
}

impl Stage for Balance {
    fn name(&self) -> &'static str {
        NAME
    }

    fn apply(&self, frame: &mut Frame, _at: &Moment, _notes: &mut Notes) -> Result<(), StageError> {
        if frame.domain != Domain::Linear || frame.layout != Layout::Rgb {
            return Err(StageError::Refused {
                stage: NAME,
                why: format!(
                    "the frame is {:?} {:?} but must be Linear Rgb: put balance between demosaic and display",
                    frame.domain, frame.layout
                ),
            });
        }
        for (plane, gain) in frame.planes.iter_mut().zip(self.gains) {
            for v in plane.data_mut() {
                *v *= gain;
            }
        }
        self.whiten(frame);
        Ok(())
    }
}

impl Balance {
    /// Sets pixels that are saturated in any plane to common white.
    fn whiten(&self, frame: &mut Frame) {
        let [red, green, blue] = frame.flaws.as_mut_slice() else { return };
        for (at, ((r, g), b)) in red.iter_mut().zip(green).zip(blue).enumerate() {
            if [*r, *g, *b].contains(&Flaw::Saturated) {
                (*r, *g, *b) = (Flaw::Saturated, Flaw::Saturated, Flaw::Saturated);
                for plane in &mut frame.planes {
                    plane.data_mut()[at] = self.white;
                }
            }
        }
    }
}

/// Means of red, green and blue [DN above black] in a rectangle (x, y, width, height) of a linear
/// RGB frame or mosaic; flawed pixels are left out.
///
/// # Errors
/// [`StageError::Refused`] for a rectangle outside the frame, fewer than 16 good pixels of a
/// colour, more than a hundredth saturated, or a mean that is not above 0.
pub fn measure_patch(frame: &Frame, [x, y, w, h]: [usize; 4]) -> Result<[f64; 3], StageError> {
    let refuse = |why: String| StageError::Refused { stage: NAME, why };
    let inside = x.checked_add(w).is_some_and(|e| e <= frame.width())
        && y.checked_add(h).is_some_and(|e| e <= frame.height());
    if !inside {
        return Err(refuse(format!(
            "patch [{x}, {y}, {w}, {h}] reaches outside the {}x{} frame: give a rectangle inside it",
            frame.width(),
            frame.height()
        )));
    }
    let mosaic = match frame.layout {
        Layout::Mosaic(m) => Some(m),
        Layout::Rgb => None,
        other => {
            return Err(refuse(format!(
                "the frame is {other:?}, which has no three colours: leave balance out"
            )));
        }
    };
    let mut sum = [0.0_f64; 3];
    let mut count = [0_usize; 3];
    let mut full = 0_usize;
    for (p, plane) in frame.planes.iter().enumerate() {
        let flaws = frame.flaws_of(p);
        for j in y..y + h {
            for i in x..x + w {
                let c = mosaic.map_or(p, |m| m.colour(i, j));
                match flaws.map_or(Flaw::None, |f| f[j * frame.width() + i]) {
                    Flaw::None => {
                        sum[c] += f64::from(plane.at(i, j));
                        count[c] += 1;
                    }
                    Flaw::Saturated => full += 1,
                    Flaw::Missing => {}
                }
            }
        }
    }
    let good: usize = count.iter().sum();
    if full * 100 > good + full {
        return Err(refuse(format!(
            "patch [{x}, {y}, {w}, {h}] has {full} saturated of {} samples: choose a darker grey",
            good + full
        )));
    }
    if let Some(few) = count.iter().find(|&&n| n < FEWEST) {
        return Err(refuse(format!(
            "patch [{x}, {y}, {w}, {h}] has {few} good samples of a colour but needs {FEWEST}: choose a larger one"
        )));
    }
    let means: [f64; 3] = std::array::from_fn(|c| sum[c] / count[c] as f64);
    if let Some(dark) = means.iter().find(|m| m.is_nan() || **m <= 0.0) {
        return Err(refuse(format!(
            "patch [{x}, {y}, {w}, {h}] has a mean of {dark:.2} DN above black: choose a brighter grey"
        )));
    }
    Ok(means)
}

#[cfg(test)]
mod tests {
    use super::super::label_tests::{agrees_with_doc, clip};
    use super::*;
    use crate::frame::{Mosaic, Plane};

    const AT: Moment = Moment { frame: 0, past: 0, time_s: None };

    fn rgb_clip() -> ClipInfo {
        ClipInfo { layout: Layout::Rgb, ..clip() }
    }

    fn rgb(values: [f32; 3]) -> Frame {
        Frame {
            planes: values.iter().map(|&v| Plane::filled(12, 10, v)).collect(),
            layout: Layout::Rgb,
            domain: Domain::Linear,
            flaws: Vec::new(),
        }
    }

    #[test]
    fn gains_multiply_and_saturated_pixels_are_white() {
        let s = BalanceSettings { red: 1.5, blue: 0.5, patch: None };
        let stage = Balance::new(&s, &rgb_clip(), None).unwrap();
        let mut f = rgb([100.0, 200.0, 400.0]);
        f.flaws_mut(0)[3] = Flaw::Saturated;
        stage.apply(&mut f, &AT, &mut Notes::default()).unwrap();
        let at = |f: &Frame, i: usize| [0, 1, 2].map(|p| f.planes[p].data()[i]);
        let near = |a: [f32; 3], b: [f32; 3]| a.iter().zip(b).all(|(x, y)| (x - y).abs() < 1e-3);
        assert!(near(at(&f, 0), [150.0, 200.0, 200.0]));
        // White less black of the test clip is 4000 DN.
        assert!(near(at(&f, 3), [6000.0; 3]));
        assert!(f.flaws.iter().all(|p| p[3] == Flaw::Saturated));
    }

    #[test]
    fn a_patch_becomes_grey() {
        let mut f = rgb([120.0, 300.0, 80.0]);
        f.planes[1].set(2, 2, 1e6);
        f.flaws_mut(1)[2 * 12 + 2] = Flaw::Missing;
        let means = measure_patch(&f, [1, 1, 6, 5]).unwrap();
        let s = BalanceSettings { patch: Some([1, 1, 6, 5]), ..BalanceSettings::default() };
        let stage = Balance::new(&s, &rgb_clip(), Some(means)).unwrap();
        let mut f = rgb([120.0, 300.0, 80.0]);
        stage.apply(&mut f, &AT, &mut Notes::default()).unwrap();
        for p in &f.planes {
            assert!((p.at(5, 5) - 300.0).abs() < 1e-3);
        }
        let text = Balance::new(&s, &rgb_clip(), None).unwrap_err().to_string();
        assert!(text.contains("grey patch"), "{text}");
    }

    #[test]
    fn a_patch_of_a_mosaic_is_measured_by_its_letters() {
        let m = Mosaic::Gbrg;
        let plane = Plane::from_fn(16, 16, |x, y| [10.0, 20.0, 30.0][m.colour(x, y)]);
        let f = Frame { layout: Layout::Mosaic(m), ..Frame::mono(plane) };
        let means = measure_patch(&f, [3, 1, 10, 10]).unwrap();
        for (found, wanted) in means.iter().zip([10.0, 20.0, 30.0]) {
            assert!((found - wanted).abs() < 1e-9);
        }
    }

    #[test]
    fn what_cannot_be_is_refused_with_the_number() {
        let text =
            |s: BalanceSettings, c: &ClipInfo, m| Balance::new(&s, c, m).unwrap_err().to_string();
        let s = BalanceSettings { red: 30.0, ..BalanceSettings::default() };
        assert!(text(s, &rgb_clip(), None).contains("30"));
        assert!(text(BalanceSettings::default(), &clip(), None).contains("demosaic"));
        let s = BalanceSettings { patch: Some([0, 0, 4, 4]), ..BalanceSettings::default() };
        assert!(text(s, &rgb_clip(), Some([1.0, 90.0, 30.0])).contains("90"));
        let patch = |f: &Frame, r| measure_patch(f, r).unwrap_err().to_string();
        let mut f = rgb([1.0, 2.0, 3.0]);
        assert!(patch(&f, [8, 0, 6, 4]).contains("12x10"));
        assert!(patch(&f, [usize::MAX, 0, 6, 4]).contains("outside"));
        assert!(patch(&f, [0, 0, 3, 3]).contains("needs 16"));
        assert!(patch(&rgb([1.0, -2.0, 3.0]), [0, 0, 6, 6]).contains("-2.00"));
        f.flaws_mut(0)[0] = Flaw::Saturated;
        f.flaws_mut(0)[1] = Flaw::Saturated;
        assert!(patch(&f, [0, 0, 6, 6]).contains("2 saturated"));
        assert!(patch(&Frame::mono(Plane::filled(9, 9, 1.0)), [0, 0, 8, 8]).contains("Mono"));
    }

    #[test]
    fn doc_and_default_agree() {
        agrees_with_doc(&BalanceSettings::default(), &DOC);
    }
}
