//! Writes in the lower left corner how many times slower than life the clip runs.
//!
//! Model: factor = capture rate / playback rate, kept as an exact fraction and rounded once, to
//! three significant figures: 1000 at 25 gives "40× slower", 5000 at 30000/1001 gives 1001/6, so
//! "167× slower". Within half a percent of 1 it says "real time"; below, "2× faster".
//! Where frames were combined, each stands for several: 1000 at 25, four in one, is "10× slower",
//! and a line says how many went into one.
//!
//! Order: last, after `display` or on linear frames; playback is the rate of the finished frames.
//! Cost: blends one plate, drawn once; nothing outside the plate is touched.
//! Both rates must be given; they are never guessed.

use serde::{Deserialize, Serialize};

use super::{ClipInfo, Moment, Realm, SettingDoc, Stage, StageDoc, StageError};
use crate::frame::Frame;
use crate::frame::units::FrameRate;
use crate::labels::LabelError;
use crate::labels::figures::{self, NBSP};
use crate::labels::layout::{Canvas, Corner};
use crate::labels::panel::{self, Panel, Row};
use crate::labels::text::{Digits, Face};
use crate::optics;
use crate::record::Notes;

const NAME: &str = "caption";

/// Which rates stand under the factor.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Rates {
    /// The capture rate.
    Capture,
    /// Capture and playback rate.
    Both,
    /// None: the factor alone.
    None,
}

/// Settings of the caption.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct CaptionSettings {
    /// Height of leading capitals in percent of the frame's height, 3 to 10; default 3.9.
    pub text_height: f64,
    /// Which rates stand under the factor; default the capture rate.
    pub rates: Rates,
}

impl Default for CaptionSettings {
    fn default() -> Self {
        Self { text_height: 3.9, rates: Rates::Capture }
    }
}

/// The stage as people see it.
pub const DOC: StageDoc = StageDoc {
    name: NAME,
    summary: "writes how many times slower than life the clip runs, from its exact rates",
    takes: &[Realm::Sensor, Realm::Linear, Realm::Display],
    gives: None,
    settings: &[
        SettingDoc {
            name: "text_height",
            unit: "% of the frame's height",
            range: "3 to 10",
            default: "3.9",
            meaning: "height of the first line's capitals; lowered to 3 where the label would not fit",
        },
        SettingDoc {
            name: "rates",
            unit: "-",
            range: "\"capture\", \"both\" or \"none\"",
            default: "\"capture\"",
            meaning: "which rates stand under the factor",
        },
    ],
};

/// The caption, laid out and drawn.
#[derive(Debug, Clone)]
pub struct Caption {
    panel: Panel,
    white: f32,
    factor: String,
}

impl Caption {
    /// Lays out the caption for the clip.
    ///
    /// # Errors
    /// [`StageError::MissingFact`] without capture or playback rate; [`StageError::Refused`] where
    /// the caption does not fit the frame.
    pub fn new(settings: &CaptionSettings, clip: &ClipInfo) -> Result<Self, StageError> {
        super::label_height(NAME, settings.text_height)?;
        let capture = clip.rate.ok_or(StageError::MissingFact {
            stage: NAME,
            fact: "the capture rate",
            advice: "give rate, for example 5000, or leave the caption out",
        })?;
        let playback = clip.playback.ok_or(StageError::MissingFact {
            stage: NAME,
            fact: "the playback rate",
            advice: "give playback, for example 25 or 30000/1001, or leave the caption out",
        })?;
        let refused = |why: String| StageError::Refused { stage: NAME, why };
        let finished = clip.finished_rate();
        let factor = finished.and_then(|rate| factor(rate, playback)).ok_or_else(|| {
            refused(format!("{capture} over {playback} is no fraction of 64 bits: check the rates"))
        })?;
        let canvas = Canvas { width: clip.width, height: clip.height };
        let rows = arrangements(&factor, settings.rates, [capture, playback], clip.combined);
        let panel = Face::load()
            .and_then(|f| {
                let corner = Corner::LowerLeft;
                panel::lines(&f, canvas, corner, &rows, settings.text_height, Digits::Natural)
            })
            .map_err(|e: LabelError| refused(e.to_string()))?;
        Ok(Self { panel, factor, white: clip.white - clip.black })
    }

    /// The leading line in words: how much slower than life the finished frames are shown.
    #[must_use]
    pub fn factor(&self) -> &str {
        &self.factor
    }
}

/// The factor in words: "40× slower", "2× faster", "real time".
///
/// `None` where the ratio of the rates does not fit 64 bits.
#[must_use]
pub fn factor(capture: FrameRate, playback: FrameRate) -> Option<String> {
    let slower = optics::slow_down(capture, playback)?;
    let faster = optics::slow_down(playback, capture)?;
    // 30 shown at 29.97 is real time to every eye; three figures would say "1.00".
    Some(if (slower.per_second() - 1.0).abs() < 0.005 {
        format!("real{NBSP}time")
    } else if slower.per_second() > 1.0 {
        format!("{}\u{d7}{NBSP}slower", figures::three_figures(slower))
    } else {
        format!("{}\u{d7}{NBSP}faster", figures::three_figures(faster))
    })
}

/// The lines, from the widest arrangement to the narrowest.
fn arrangements(
    factor: &str,
    rates: Rates,
    [capture, playback]: [FrameRate; 2],
    combined: usize,
) -> Vec<Vec<Row>> {
    let fps = |rate: FrameRate| format!("{}{NBSP}fps", figures::rate(rate));
    let filmed = format!("filmed at {}", fps(capture));
    let shown = format!("shown at {}", fps(playback));
    let broken: &[String] = &["filmed at".to_owned(), fps(capture)];
    let both_broken: &[String] =
        &["filmed at".to_owned(), fps(capture), "shown at".to_owned(), fps(playback)];
    let mut seconds: Vec<Vec<String>> = match rates {
        Rates::None => vec![vec![]],
        Rates::Capture => vec![vec![filmed], broken.to_vec()],
        Rates::Both => {
            let one = format!("{filmed}, {shown}");
            vec![vec![one], vec![filmed, shown], both_broken.to_vec()]
        }
    };
    if combined > 1 && rates != Rates::None {
        // Without it the rates would seem to contradict the factor.
        let rows = seconds.iter_mut();
        rows.for_each(|rows| rows.push(format!("{combined}{NBSP}frames in one")));
    }
    let lead = |rows: &[String]| {
        let mut all = vec![Row::lead(factor)];
        all.extend(rows.iter().map(Row::second));
        all
    };
    let mut all: Vec<Vec<Row>> = seconds.iter().map(|rows| lead(rows)).collect();
    // Last resort of narrow, tall frames: the leading line is broken too.
    if let (Some((number, word)), Some(narrowest)) = (factor.split_once(NBSP), all.last()) {
        let mut rows = vec![Row::lead(number), Row::lead(word)];
        rows.extend(narrowest.iter().skip(1).cloned());
        all.push(rows);
    }
    all
}

impl Stage for Caption {
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
    use super::super::label_tests::{FRAMES, agrees_with_doc, clip, sized};
    use super::*;

    fn rate(text: &str) -> FrameRate {
        text.parse().unwrap()
    }

    #[test]
    fn factors_in_words() {
        // Arithmetic on exact rates; three figures are common practice, no source.
        for (capture, playback, words) in [
            ("1000", "25", "40\u{d7}\u{a0}slower"),
            ("10000", "25", "400\u{d7}\u{a0}slower"),
            ("5000", "30000/1001", "167\u{d7}\u{a0}slower"),
            ("1000", "24000/1001", "41.7\u{d7}\u{a0}slower"),
            ("2000", "24", "83.3\u{d7}\u{a0}slower"),
            ("25", "25", "real\u{a0}time"),
            ("30", "30000/1001", "real\u{a0}time"),
            ("25", "50", "2\u{d7}\u{a0}faster"),
            ("24", "25", "1.04\u{d7}\u{a0}faster"),
        ] {
            assert_eq!(factor(rate(capture), rate(playback)).unwrap(), words);
        }
    }

    #[test]
    fn combined_frames_are_slowed_less() {
        let clip = |combined| ClipInfo { combined, ..clip() };
        let rows = |combined| {
            let caption = Caption::new(&CaptionSettings::default(), &clip(combined)).unwrap();
            (caption.factor().to_owned(), caption.panel.area.height())
        };
        // 5000 at 25: 200; 20 in one stand for 250 frames a second: 10.
        assert_eq!(rows(1).0, "200\u{d7}\u{a0}slower");
        assert_eq!(rows(20).0, "10\u{d7}\u{a0}slower");
        assert_eq!(rows(200).0, "real\u{a0}time");
        assert_eq!(clip(3).finished_rate(), Some(rate("5000/3")));
        // A line more says so.
        assert!(rows(20).1 > rows(1).1);
        let rates = [rate("1000"), rate("25")];
        let none = arrangements("10\u{d7}\u{a0}slower", Rates::None, rates, 4);
        assert_eq!(none[0].len(), 1);
    }

    #[test]
    fn rates_are_never_guessed() {
        let text =
            |c: ClipInfo| Caption::new(&CaptionSettings::default(), &c).unwrap_err().to_string();
        assert!(text(ClipInfo { rate: None, ..clip() }).contains("capture rate"));
        assert!(text(ClipInfo { playback: None, ..clip() }).contains("playback rate"));
        let settings = CaptionSettings { text_height: 2.0, ..CaptionSettings::default() };
        let text = Caption::new(&settings, &clip()).unwrap_err().to_string();
        assert!(text.contains("text_height: 2 is not"), "{text}");
    }

    #[test]
    fn every_usual_frame_holds_a_caption() {
        for &(width, height) in FRAMES {
            for rates in [Rates::Capture, Rates::Both, Rates::None] {
                let settings = CaptionSettings { rates, ..CaptionSettings::default() };
                // Two rates take more room than the smallest frames have.
                if rates != Rates::Both || width.min(height) >= 256 {
                    Caption::new(&settings, &sized(width, height))
                        .unwrap_or_else(|e| panic!("{width}x{height} {rates:?}: {e}"));
                }
            }
        }
        let error = Caption::new(&CaptionSettings::default(), &sized(64, 48)).unwrap_err();
        assert!(error.to_string().contains("64 x 48"), "{error}");
    }

    #[test]
    fn doc_and_default_agree() {
        agrees_with_doc(&CaptionSettings::default(), &DOC);
    }
}
