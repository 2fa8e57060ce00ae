//! Writes the time from the trigger frame in the upper left corner.
//!
//! Model: `t = (frame - trigger_frame) / rate`, computed in whole numbers from the exact rate and
//! rounded once. The last figure is the largest power of ten that is not above the frame interval:
//! 1 ms at 1000 fps, 0.1 ms at 5000 and 10 000 fps, so that neighbouring frames never show the same
//! time. The unit is chosen once for the whole clip, and digits stand in cells of one width, flush
//! right, so that the number does not jitter. Times before the trigger have a minus sign.
//!
//! The time is that of the frame's number; of combined frames, the weighted mean of their times, to
//! a millionth of a frame interval, and as finely as frames are filmed. Start or middle of the exposure makes no difference, as
//! the trigger frame's is counted from the same point. Nor does a rolling shutter: each row is later
//! than the first by the same time in both, and what is left is how far the scene moved over the
//! rows since, d rows of h: at most d / h of a frame interval. It is not added; `measure` gives each
//! frame the time of the part's own row.
//!
//! Order: last, after `display` or on linear frames.
//! Cost: draws some ten glyphs and blends one plate a frame.

use serde::{Deserialize, Serialize};

use super::{ClipInfo, Moment, Realm, SettingDoc, Stage, StageDoc, StageError};
use crate::frame::Frame;
use crate::frame::units::FrameRate;
use crate::labels::LabelError;
use crate::labels::figures::{MINUS, NBSP};
use crate::labels::layout::{Canvas, Corner};
use crate::labels::panel::{self, Panel, Row};
use crate::labels::text::{Digits, Face};
use crate::record::Notes;

const NAME: &str = "clock";
/// Clips that stay below this are counted in milliseconds, in seconds.
const MILLISECONDS_BELOW_S: f64 = 10.0;
/// Parts of a frame interval that a picture's time is given in.
const PARTS: u128 = 1_000_000;
/// Most decimals of the unit: at 12 the exact numbers of any clip still fit 128 bits.
const MOST_DECIMALS: u32 = 12;

/// The unit of the clock.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum ClockUnit {
    /// Milliseconds where the clip is shorter than 10 s and frames follow within 10 ms; else
    /// seconds.
    Auto,
    /// Milliseconds.
    Ms,
    /// Seconds.
    S,
}

/// Settings of the clock.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct ClockSettings {
    /// Height of leading capitals in percent of the frame's height, 3 to 10; default 3.9.
    pub text_height: f64,
    /// Unit; default chosen for the clip.
    pub unit: ClockUnit,
}

impl Default for ClockSettings {
    fn default() -> Self {
        Self { text_height: 3.9, unit: ClockUnit::Auto }
    }
}

/// The stage as people see it.
pub const DOC: StageDoc = StageDoc {
    name: NAME,
    summary: "writes the time from the trigger frame, as finely as frames follow each other",
    takes: &[Realm::Sensor, Realm::Linear, Realm::Display],
    gives: None,
    settings: &[
        SettingDoc {
            name: "text_height",
            unit: "% of the frame's height",
            range: "3 to 10",
            default: "3.9",
            meaning: "height of leading capitals, of which the clock's are four fifths; lowered to 3 where the label would not fit",
        },
        SettingDoc {
            name: "unit",
            unit: "-",
            range: "\"auto\", \"ms\" or \"s\"",
            default: "\"auto\"",
            meaning: "unit, the same for the whole clip",
        },
    ],
};

/// How the clip's times are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Format {
    rate: FrameRate,
    trigger: u64,
    /// Milliseconds rather than seconds.
    milli: bool,
    decimals: u32,
}

/// The clock, laid out.
#[derive(Debug)]
pub struct Clock {
    face: Face,
    panel: Panel,
    white: f32,
    format: Format,
}

impl Clock {
    /// Chooses unit and decimals and lays out the plate for the clip's longest time.
    ///
    /// # Errors
    /// [`StageError::MissingFact`] without a capture rate; [`StageError::Refused`] where the clock
    /// does not fit the frame.
    pub fn new(settings: &ClockSettings, clip: &ClipInfo) -> Result<Self, StageError> {
        super::label_height(NAME, settings.text_height)?;
        let rate = clip.rate.ok_or(StageError::MissingFact {
            stage: NAME,
            fact: "the capture rate",
            advice: "give rate, for example 5000, or leave the clock out",
        })?;
        let format = Format::of(rate, clip, settings.unit);
        let refused = |e: LabelError| StageError::Refused { stage: NAME, why: e.to_string() };
        let face = Face::load().map_err(refused)?;
        let canvas = Canvas { width: clip.width, height: clip.height };
        let rows = [vec![Row::second(format.widest(clip))]];
        let corner = Corner::UpperLeft;
        let panel = panel::lines(&face, canvas, corner, &rows, settings.text_height, Digits::Cells)
            .map_err(refused)?;
        Ok(Self { face, panel, white: clip.white - clip.black, format })
    }

    /// What the clock says at `frame`.
    #[must_use]
    pub fn text(&self, frame: u64) -> String {
        self.format.text(frame, 0)
    }
}

impl Format {
    fn of(rate: FrameRate, clip: &ClipInfo, unit: ClockUnit) -> Self {
        let interval = rate.interval_s();
        let frames = clip
            .first_frame
            .abs_diff(clip.trigger_frame)
            .max(clip.last_frame.abs_diff(clip.trigger_frame));
        let longest = frames as f64 * interval;
        let milli = match unit {
            ClockUnit::Ms => true,
            ClockUnit::S => false,
            ClockUnit::Auto => longest < MILLISECONDS_BELOW_S && interval < 0.01,
        };
        // Decimals until 10^-decimals is not above the interval: den * 10^decimals >= num, exactly.
        let scale: u128 = if milli { 1000 } else { 1 };
        let mut decimals = 0;
        let (num, den) = (u128::from(rate.num()), u128::from(rate.den()) * scale);
        while decimals < MOST_DECIMALS && den * 10_u128.pow(decimals) < num {
            decimals += 1;
        }
        Self { rate, trigger: clip.trigger_frame, milli, decimals }
    }

    fn unit(&self) -> &'static str {
        if self.milli { "ms" } else { "s" }
    }

    /// The time of `frame`, and `past` millionths of an interval, rounded to nearest, halves away
    /// from zero.
    fn text(&self, frame: u64, past: u64) -> String {
        let power = 10_u128.pow(self.decimals);
        let scale = power * if self.milli { 1000 } else { 1 };
        let (num, den) = (u128::from(self.rate.num()), u128::from(self.rate.den()));
        let (at, origin) = (u128::from(frame) * PARTS + u128::from(past), self.trigger);
        let origin = u128::from(origin) * PARTS;
        // Whole frames stay whole numbers, so that nothing grows without need.
        let parts = at.abs_diff(origin);
        let whole = parts.is_multiple_of(PARTS);
        let (frames, num) = if whole { (parts / PARTS, num) } else { (parts, num * PARTS) };
        // Beyond 128 bits only for rates and numbers no clip has; then the largest number shows.
        let scaled = frames.saturating_mul(den).saturating_mul(scale);
        let steps = scaled / num + u128::from(scaled % num >= num.div_ceil(2));
        let sign = if at < origin { MINUS.to_string() } else { String::new() };
        let number = if self.decimals == 0 {
            steps.to_string()
        } else {
            let width = usize::try_from(self.decimals).unwrap_or(0);
            format!("{}.{:0width$}", steps / power, steps % power)
        };
        format!("{sign}{number}{NBSP}{}", self.unit())
    }

    /// A text as wide as any in the clip: that of its two ends with the most characters (a sign is no
    /// wider than a digit), with eights for digits.
    fn widest(&self, clip: &ClipInfo) -> String {
        let ends = [self.text(clip.first_frame, 0), self.text(clip.last_frame, 0)];
        let longest = ends.iter().max_by_key(|t| t.chars().count()).map_or("", String::as_str);
        longest.chars().map(|c| if c.is_ascii_digit() { '8' } else { c }).collect()
    }
}

impl Stage for Clock {
    fn name(&self) -> &'static str {
        NAME
    }

    fn apply(&self, frame: &mut Frame, at: &Moment, _notes: &mut Notes) -> Result<(), StageError> {
        self.panel
            .blend_text(&self.face, &self.format.text(at.frame, at.past), frame, self.white)
            .map_err(|e| StageError::Refused { stage: NAME, why: e.to_string() })
    }
}

#[cfg(test)]
mod tests {
    use super::super::label_tests::{FRAMES, agrees_with_doc, apply_at, clip, sized};
    use super::*;

    fn at(rate: &str, trigger: u64, last: u64) -> ClipInfo {
        ClipInfo {
            rate: Some(rate.parse().unwrap()),
            trigger_frame: trigger,
            first_frame: 0,
            last_frame: last,
            ..clip()
        }
    }

    fn new(clip: &ClipInfo) -> Clock {
        Clock::new(&ClockSettings::default(), clip).unwrap()
    }

    #[test]
    fn times_are_as_fine_as_the_frames() {
        // Common practice, no source: 1000 fps -> 1 ms; 5000 fps -> 0.2 ms, shown to 0.1 ms; frame
        // 1234 at 5000 fps -> 246.8 ms; 10000 fps -> 0.1 ms.
        for (rate, frame, text) in [
            ("1000", 77, "77\u{a0}ms"),
            ("5000", 1234, "246.8\u{a0}ms"),
            ("10000", 1234, "123.4\u{a0}ms"),
            ("30000", 1, "0.03\u{a0}ms"),
            ("3000", 2, "0.7\u{a0}ms"),
            ("30000/1001", 3, "0.10\u{a0}s"),
            ("25", 1, "0.04\u{a0}s"),
        ] {
            assert_eq!(new(&at(rate, 0, 1999)).text(frame), text, "{rate}");
        }
    }

    #[test]
    fn neighbouring_frames_never_show_the_same_time() {
        for rate in ["999", "1000", "3333", "7000", "30000/1001", "24", "123457"] {
            let clock = new(&at(rate, 500, 1000));
            let mut before = String::new();
            for frame in 0..=1000 {
                let text = clock.text(frame);
                assert_ne!(text, before, "{rate}: frame {frame}");
                before = text;
            }
        }
    }

    #[test]
    fn combined_frames_have_the_time_of_their_middle() {
        // Frames 0 to 3 at 1000 a second: 1.5 ms, shown to 1 ms, halves away from zero.
        let clock = new(&at("1000", 0, 999));
        assert_eq!(clock.format.text(0, 1_500_000), "2\u{a0}ms");
        assert_eq!(clock.format.text(0, 1_499_999), "1\u{a0}ms");
        // Frames 10 to 14 at 5000 a second: 12 x 0.2 ms.
        let clock = new(&at("5000", 0, 999));
        assert_eq!(clock.format.text(10, 2_000_000), "2.4\u{a0}ms");
        // Around the trigger frame 100: -0.3 ms, 0 and 0.1 ms.
        let clock = new(&at("5000", 100, 999));
        assert_eq!(clock.format.text(97, 1_500_000), "\u{2212}0.3\u{a0}ms");
        assert_eq!(clock.format.text(98, 2_000_000), "0.0\u{a0}ms");
        assert_eq!(clock.format.text(98, 2_500_000), "0.1\u{a0}ms");
    }

    #[test]
    fn before_the_trigger_there_is_a_minus_sign() {
        let clock = new(&at("5000", 100, 1000));
        assert_eq!(clock.text(99), "\u{2212}0.2\u{a0}ms");
        assert_eq!(clock.text(100), "0.0\u{a0}ms");
        assert_eq!(clock.text(0), "\u{2212}20.0\u{a0}ms");
    }

    #[test]
    fn the_unit_is_chosen_for_the_whole_clip() {
        // 60 000 frames at 5000 fps last 12 s.
        let clock = new(&at("5000", 0, 60_000));
        assert_eq!(
            (clock.text(0), clock.text(60_000)),
            ("0.0000\u{a0}s".into(), "12.0000\u{a0}s".into())
        );
        let forced = ClockSettings { unit: ClockUnit::S, ..ClockSettings::default() };
        let clock = Clock::new(&forced, &at("1000", 0, 500)).unwrap();
        assert_eq!(clock.text(77), "0.077\u{a0}s");
        assert!(Clock::new(&forced, &ClipInfo { rate: None, ..clip() }).is_err());
    }

    #[test]
    fn the_unit_stands_still_from_frame_to_frame() {
        // The columns of "ms" hold the same light at every time.
        let clip = at("5000", 400, 4000);
        let clock = new(&clip);
        let area = clock.panel.area;
        let padding = area.width() - clock.panel.plate().width();
        assert_eq!(padding, 0);
        let unit = |frame: u64| -> Vec<f32> {
            let f = apply_at(&clock, &clip, 500.0, frame);
            let from = area.x1 - area.height() / 2;
            (area.y0..area.y1).flat_map(|y| f.planes[0].row(y)[from..area.x1].to_vec()).collect()
        };
        let first = unit(0);
        for frame in [11, 400, 411, 3999, 4000] {
            let worst =
                unit(frame).iter().zip(&first).map(|(a, b)| (a - b).abs()).fold(0.0_f32, f32::max);
            // Of 4000 DN of white: glyph positions differ by single-precision rounding only.
            assert!(worst < 4.0, "frame {frame}: {worst}");
        }
    }

    #[test]
    fn every_usual_frame_holds_a_clock() {
        for &(width, height) in FRAMES {
            let clip = ClipInfo { trigger_frame: 100, last_frame: 20_000, ..sized(width, height) };
            let clock = Clock::new(&ClockSettings::default(), &clip)
                .unwrap_or_else(|e| panic!("{width}x{height}: {e}"));
            apply_at(&clock, &clip, 100.0, 0);
            apply_at(&clock, &clip, 100.0, 20_000);
        }
        let clip = sized(1280, 720);
        let clock = new(&clip);
        let mut frame = Frame::mono(crate::frame::Plane::filled(1280, 720, 0.0));
        let moment = Moment { frame: 900_000_000, past: 0, time_s: None };
        let error = clock.apply(&mut frame, &moment, &mut Notes::default()).unwrap_err();
        assert!(error.to_string().contains("its plate was made for"), "{error}");
    }

    #[test]
    fn doc_and_default_agree() {
        agrees_with_doc(&ClockSettings::default(), &DOC);
    }
}
