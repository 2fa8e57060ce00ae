//! The stages: one file each, all of one shape (settings, built stage, kernels, tests).
//!
//! A stage never opens a file, never prints, never sees TOML, a path or another stage. What it
//! needs to know of the clip is in [`ClipInfo`]; what it measures goes into [`Notes`].

pub mod average;
pub mod balance;
pub mod banding;
pub mod caption;
pub mod clock;
pub mod combine;
pub mod dark;
pub mod defects;
pub mod demosaic;
pub mod display;
pub mod flat;
pub mod flicker;
#[cfg(test)]
mod label_tests;
pub mod motion;
pub mod scale_bar;
pub mod steady;

use std::sync::Arc;

use thiserror::Error;

use crate::footage::MotionTable;
use crate::frame::units::{Duration, FrameRate};
use crate::frame::{Domain, Frame, Layout, NoiseModel};
use crate::record::Notes;

/// Object-space size of a pixel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scale {
    /// Micrometres on the object a pixel.
    pub um_per_px: f64,
    /// Its standard uncertainty in the same unit; `None` where it was given without one.
    pub sigma_um_per_px: Option<f64>,
}

/// The part of a frame that is kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Cut {
    /// Its upper left corner, x and y.
    pub origin: [usize; 2],
    /// Width and height of the whole frame.
    pub of: (usize, usize),
}

/// What the stages may know of a clip. Facts that nobody gave are `None`, never guessed.
#[derive(Debug, Clone, PartialEq)]
pub struct ClipInfo {
    /// Width of the frames this stage gets, in pixels.
    pub width: usize,
    /// Height of the frames this stage gets, in pixels.
    pub height: usize,
    /// Layout of the frames this stage gets.
    pub layout: Layout,
    /// Capture rate.
    pub rate: Option<FrameRate>,
    /// Rate at which the result will be shown.
    pub playback: Option<FrameRate>,
    /// Source frames that are combined into a finished one; 1 where none are.
    pub combined: usize,
    /// Exposure time of one frame.
    pub exposure: Option<Duration>,
    /// Object-space scale.
    pub scale: Option<Scale>,
    /// Why the scale that was given must not be used, where `scale` is `None` for that.
    pub scale_fault: Option<String>,
    /// How a part moved, where `measure` found it.
    pub motion: Option<Arc<MotionTable>>,
    /// The part of the clip's frames that this stage gets; `None` before the first pass.
    pub cut: Option<Cut>,
    /// Number of the frame whose time is 0.
    pub trigger_frame: u64,
    /// Number of the clip's first frame.
    pub first_frame: u64,
    /// Number of the clip's last frame.
    pub last_frame: u64,
    /// Black level in DN.
    pub black: f32,
    /// White level (saturation) in DN.
    pub white: f32,
    /// Level in DN above black below which 99.8 % of the clip lies, noise averaged out, in the brightest
    /// colour where there are three; `None` before the first pass.
    pub bright: Option<f32>,
    /// Noise model in DN above black, where known.
    pub noise: Option<NoiseModel>,
}

impl ClipInfo {
    /// Rate of the finished frames: the capture rate over the number of frames combined. `None`
    /// where no rate was given, or the fraction does not fit 64 bits.
    #[must_use]
    pub fn finished_rate(&self) -> Option<FrameRate> {
        self.rate?.slowed(self.combined)
    }
}

/// Which frame a stage is working on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Moment {
    /// Number of the source frame; of several that were combined, the first.
    pub frame: u64,
    /// How far the picture's time lies after that frame's, in millionths of a frame interval: more
    /// than 0 where frames were combined.
    pub past: u64,
    /// Seconds from the trigger frame at the capture rate; `None` where no rate was given.
    pub time_s: Option<f64>,
}

/// A stage that makes a frame of a frame.
pub trait Stage: std::fmt::Debug + Send + Sync {
    /// Its name in pipeline files.
    fn name(&self) -> &'static str;

    /// Works on `frame` in place.
    ///
    /// # Errors
    /// Where the frame cannot be worked on; the frame is then reported as failed.
    fn apply(&self, frame: &mut Frame, at: &Moment, notes: &mut Notes) -> Result<(), StageError>;

    /// The same for single values, where the stage does nothing else to linear frames of any layout:
    /// rows can then be worked on as soon as they are made, while they are at hand.
    fn by_value(&self) -> Option<&dyn ByValue> {
        None
    }
}

/// What a stage does to each value, whatever lies beside it.
pub trait ByValue {
    /// Works on values in place.
    fn values(&self, values: &mut [f32]);

    /// What a linear frame is after that.
    fn gives(&self) -> Domain;
}

/// What a stage takes and gives, so that an impossible order can be refused.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Realm {
    /// Sensor coordinates and linear light: every pixel still where the sensor had it.
    Sensor,
    /// Linear light in the clip's reference coordinates.
    Linear,
    /// Coded for display.
    Display,
}

/// One setting of a stage, as people see it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SettingDoc {
    /// Key in the pipeline file.
    pub name: &'static str,
    /// Unit, or "-".
    pub unit: &'static str,
    /// Allowed values in words.
    pub range: &'static str,
    /// Default as it would be written in TOML.
    pub default: &'static str,
    /// One sentence.
    pub meaning: &'static str,
}

/// One stage, as people see it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct StageDoc {
    /// Key in the pipeline file.
    pub name: &'static str,
    /// One sentence.
    pub summary: &'static str,
    /// Realms in which it can work.
    pub takes: &'static [Realm],
    /// Realm of its result; `None` where it leaves the realm as it was.
    pub gives: Option<Realm>,
    /// Its settings.
    pub settings: &'static [SettingDoc],
}

/// Why a stage cannot be built or cannot work.
#[derive(Debug, Error, Clone, PartialEq)]
pub enum StageError {
    /// A fact nobody gave.
    #[error("stage {stage} needs {fact}, which nobody gave: {advice}")]
    MissingFact {
        /// Stage name.
        stage: &'static str,
        /// The fact in words.
        fact: &'static str,
        /// How to give it.
        advice: &'static str,
    },
    /// A setting outside its range.
    #[error("stage {stage}, setting {setting}: {found} is not {expected}")]
    BadSetting {
        /// Stage name.
        stage: &'static str,
        /// Key of the setting.
        setting: &'static str,
        /// What was written.
        found: String,
        /// What is allowed.
        expected: &'static str,
    },
    /// Something that does not fit the clip.
    #[error("stage {stage}: {what} is {found} but the clip is {expected}: {advice}")]
    Mismatch {
        /// Stage name.
        stage: &'static str,
        /// The thing that does not fit.
        what: String,
        /// What it is.
        found: String,
        /// What the clip is.
        expected: String,
        /// What to do.
        advice: &'static str,
    },
    /// The stage cannot do its work here.
    #[error("stage {stage}: {why}")]
    Refused {
        /// Stage name.
        stage: &'static str,
        /// What, number, remedy.
        why: String,
    },
}

/// Checks a label's height of capitals, in percent of the frame's height.
fn label_height(stage: &'static str, percent: f64) -> Result<(), StageError> {
    if (3.0..=10.0).contains(&percent) {
        return Ok(());
    }
    Err(StageError::BadSetting {
        stage,
        setting: "text_height",
        found: percent.to_string(),
        expected: "a percentage of the frame's height from 3 to 10",
    })
}
