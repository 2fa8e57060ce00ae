//! Facts of a clip: what was known when it was shot, and where each fact came from.
//!
//! A fact that nobody gave stays unknown; nothing here guesses. The same facts can be given as
//! options, in `shoot.toml` and in `clip.toml` beside the frames, and some are found in the
//! frames' EXIF. The higher place wins, fact by fact: option, shoot.toml, clip.toml, EXIF.
//! The object-space scale is computed from pixel pitch and magnification only where no scale
//! was given; such a scale has no known uncertainty.

use std::fmt;
use std::fs;
use std::path::{Path, PathBuf};
use std::str::FromStr;

use serde::{Deserialize, Serialize};

use super::FootageError;
use super::clip::Clip;
use super::motion::{MotionValue, read_motion};
use super::raw::RawLayout;
use super::scale::{ScaleText, ScaleValue, Taken, read_scale};
use super::toml_text::{above_zero, finite, read_toml, times};
use crate::frame::Mosaic;
use crate::frame::units::{Duration, FrameRate, Length};
use crate::record::Warning;

/// Relative difference from which a given scale and pitch / magnification are said to disagree.
/// Nominal magnifications of objectives are off by a few per cent (common practice, no source).
const SCALE_DISAGREES: f64 = 0.1;

/// Mains frequency, for flicker of lamps (light flickers at twice this).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(into = "u64", try_from = "u64")]
pub enum Mains {
    /// 50 Hz.
    Hz50,
    /// 60 Hz.
    Hz60,
}

impl Mains {
    /// The frequency in Hz.
    #[must_use]
    pub fn hz(self) -> f64 {
        match self {
            Self::Hz50 => 50.0,
            Self::Hz60 => 60.0,
        }
    }
}

impl From<Mains> for u64 {
    fn from(mains: Mains) -> Self {
        match mains {
            Mains::Hz50 => 50,
            Mains::Hz60 => 60,
        }
    }
}

impl TryFrom<u64> for Mains {
    type Error = String;

    fn try_from(hz: u64) -> Result<Self, String> {
        match hz {
            50 => Ok(Self::Hz50),
            60 => Ok(Self::Hz60),
            other => Err(format!("{other} is no mains frequency: write 50 or 60 (Hz)")),
        }
    }
}

impl FromStr for Mains {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        match text.trim().trim_end_matches("Hz").trim_end() {
            "50" => Ok(Self::Hz50),
            "60" => Ok(Self::Hz60),
            _ => Err(format!("\"{text}\" is no mains frequency: write 50 or 60 (Hz)")),
        }
    }
}

/// Reads the four letters of a mosaic, in upper or lower case.
///
/// # Errors
/// Where they are none of RGGB, BGGR, GRBG, GBRG.
pub fn parse_mosaic(text: &str) -> Result<Mosaic, String> {
    match text.trim().to_ascii_uppercase().as_str() {
        "RGGB" => Ok(Mosaic::Rggb),
        "BGGR" => Ok(Mosaic::Bggr),
        "GRBG" => Ok(Mosaic::Grbg),
        "GBRG" => Ok(Mosaic::Gbrg),
        _ => Err(format!("\"{text}\" is no mosaic: write RGGB, BGGR, GRBG or GBRG")),
    }
}

/// Facts as one place gives them: `clip.toml`, a part of `shoot.toml`, or the options.
#[derive(Debug, Clone, PartialEq, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct FactsFile {
    /// Capture rate in frames a second.
    pub rate: Option<FrameRate>,
    /// Rate at which the result is shown, in frames a second.
    pub playback: Option<FrameRate>,
    /// Exposure time of one frame.
    pub exposure: Option<Duration>,
    /// Magnification on the sensor, sensor size : object size; above zero.
    #[serde(deserialize_with = "times")]
    pub magnification: Option<f64>,
    /// Distance of two pixels on the sensor.
    pub pixel_pitch: Option<Length>,
    /// Object size of a pixel, or a file that holds it.
    pub scale: Option<ScaleText>,
    /// Number of the frame whose time is 0.
    pub trigger_frame: Option<u64>,
    /// The colour filter over the top-left 2 x 2 pixels.
    pub mosaic: Option<Mosaic>,
    /// Black level in DN.
    #[serde(deserialize_with = "finite")]
    pub black: Option<f64>,
    /// White level (saturation) in DN.
    #[serde(deserialize_with = "above_zero")]
    pub white: Option<f64>,
    /// Mains frequency.
    pub mains: Option<Mains>,
    /// Rolling shutter: time from the start of one row's exposure to that of the next one below.
    pub row_time: Option<Duration>,
    /// Pixels of the sensor that were read as one, along a side; 1 to 16.
    #[serde(deserialize_with = "binning")]
    pub binning: Option<u64>,
    /// Folder that `hushframe measure` wrote for this clip, for stage `motion`.
    pub motion: Option<PathBuf>,
    /// How headerless frames lie in their files; in `clip.toml` only.
    pub raw: Option<RawLayout>,
}

/// Reads a binning of 1 to 16.
fn binning<'de, D: serde::Deserializer<'de>>(from: D) -> Result<Option<u64>, D::Error> {
    match u64::deserialize(from)? {
        n @ 1..=16 => Ok(Some(n)),
        n => Err(serde::de::Error::custom(format!("{n} is no binning: write 1 to 16"))),
    }
}

impl FactsFile {
    /// Reads a facts file, such as `clip.toml`.
    ///
    /// # Errors
    /// [`FootageError::Facts`] naming file, line and key; [`FootageError::Disk`] otherwise.
    pub fn read(path: &Path) -> Result<Self, FootageError> {
        read_toml(path)
    }

    /// The facts in the `clip.toml` beside a clip's frames; `None` where there is none.
    ///
    /// # Errors
    /// As [`FactsFile::read`].
    pub fn of_clip(clip: &Clip) -> Result<Option<Self>, FootageError> {
        Self::in_folder(clip.folder())
    }

    /// The facts in the `clip.toml` of a folder; `None` where there is none.
    ///
    /// # Errors
    /// As [`FactsFile::read`].
    pub fn in_folder(folder: &Path) -> Result<Option<Self>, FootageError> {
        let path = folder.join("clip.toml");
        match fs::symlink_metadata(&path) {
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => Ok(None),
            Err(e) => Err(FootageError::disk(&path, "open", e)),
            Ok(_) => Self::read(&path).map(Some),
        }
    }

    /// These facts with their source; a scale file and a motion's table are read,
    /// relative to the folder `base`.
    ///
    /// # Errors
    /// Where one of these cannot be read.
    pub fn resolve(&self, source: &FactSource, base: &Path) -> Result<Facts, FootageError> {
        if self.raw.is_some() && *source != FactSource::Clip {
            return Err(FootageError::Facts {
                place: source.to_string(),
                what: "a table [raw] belongs in the clip.toml beside the frames".to_owned(),
            });
        }
        let scale = match &self.scale {
            None => None,
            Some(ScaleText::Length(l)) => Some(ScaleValue::plain(l.um())),
            Some(ScaleText::File(file)) => Some(read_scale(&base.join(file))?),
        };
        let motion = self.motion.as_ref().map(|f| read_motion(&base.join(f))).transpose()?;
        Ok(Facts {
            rate: Fact::of(self.rate, source),
            playback: Fact::of(self.playback, source),
            exposure: Fact::of(self.exposure, source),
            magnification: Fact::of(self.magnification, source),
            pixel_pitch: Fact::of(self.pixel_pitch, source),
            scale: Fact::of(scale, source),
            trigger_frame: Fact::of(self.trigger_frame, source),
            mosaic: Fact::of(self.mosaic, source),
            black: Fact::of(self.black, source),
            white: Fact::of(self.white, source),
            mains: Fact::of(self.mains, source),
            row_time: Fact::of(self.row_time, source),
            binning: Fact::of(self.binning, source),
            motion: Fact::of(motion, source),
        })
    }
}

/// Where a fact came from; written into records as its text.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(into = "String", from = "String")]
pub enum FactSource {
    /// Given on the command line.
    Option,
    /// From `shoot.toml`.
    Shoot,
    /// From `clip.toml` beside the frames.
    Clip,
    /// From this EXIF tag of a frame.
    Exif(String),
    /// From this field of a frame's own header.
    Header(String),
    /// Worked out from other facts.
    Computed,
    /// Nobody said; the documented default.
    Default,
}

impl fmt::Display for FactSource {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Option => f.write_str("option"),
            Self::Shoot => f.write_str("shoot.toml"),
            Self::Clip => f.write_str("clip.toml"),
            Self::Exif(tag) => write!(f, "exif {tag}"),
            Self::Header(field) => write!(f, "header {field}"),
            Self::Computed => f.write_str("computed"),
            Self::Default => f.write_str("default"),
        }
    }
}

impl From<FactSource> for String {
    fn from(source: FactSource) -> Self {
        source.to_string()
    }
}

impl From<String> for FactSource {
    fn from(text: String) -> Self {
        match text.as_str() {
            "option" => Self::Option,
            "shoot.toml" => Self::Shoot,
            "clip.toml" => Self::Clip,
            "computed" => Self::Computed,
            "default" => Self::Default,
            other => match other.strip_prefix("header ") {
                Some(field) => Self::Header(field.to_owned()),
                None => Self::Exif(other.strip_prefix("exif ").unwrap_or(other).to_owned()),
            },
        }
    }
}

/// A fact and where it came from.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Fact<T> {
    /// The fact.
    pub value: T,
    /// Where it came from.
    pub source: FactSource,
}

impl<T> Fact<T> {
    /// `value` with its source; `None` stays `None`.
    #[must_use]
    pub fn of(value: Option<T>, source: &FactSource) -> Option<Self> {
        value.map(|value| Self { value, source: source.clone() })
    }
}

/// The facts of a clip, each with its source; `None` where nobody gave it.
///
/// Units are those of [`FactsFile`]. Written into records: rates as exact fractions, lengths and
/// times as text with six figures, the scale as a number.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Facts {
    /// Capture rate in frames a second.
    pub rate: Option<Fact<FrameRate>>,
    /// Rate at which the result is shown, in frames a second.
    pub playback: Option<Fact<FrameRate>>,
    /// Exposure time of one frame.
    pub exposure: Option<Fact<Duration>>,
    /// Magnification on the sensor.
    pub magnification: Option<Fact<f64>>,
    /// Distance of two pixels on the sensor.
    pub pixel_pitch: Option<Fact<Length>>,
    /// Object size of a pixel.
    pub scale: Option<Fact<ScaleValue>>,
    /// Number of the frame whose time is 0.
    pub trigger_frame: Option<Fact<u64>>,
    /// The colour filter over the top-left 2 x 2 pixels.
    pub mosaic: Option<Fact<Mosaic>>,
    /// Black level in DN.
    pub black: Option<Fact<f64>>,
    /// White level in DN.
    pub white: Option<Fact<f64>>,
    /// Mains frequency.
    pub mains: Option<Fact<Mains>>,
    /// Rolling shutter: time from row to row.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub row_time: Option<Fact<Duration>>,
    /// Pixels of the sensor that were read as one, along a side.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub binning: Option<Fact<u64>>,
    /// How a part of the clip moved, as `measure` found it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub motion: Option<Fact<MotionValue>>,
}

impl Facts {
    /// These facts, and those of `lower` where these know nothing.
    #[must_use]
    pub fn or(self, lower: Self) -> Self {
        Self {
            rate: self.rate.or(lower.rate),
            playback: self.playback.or(lower.playback),
            exposure: self.exposure.or(lower.exposure),
            magnification: self.magnification.or(lower.magnification),
            pixel_pitch: self.pixel_pitch.or(lower.pixel_pitch),
            scale: self.scale.or(lower.scale),
            trigger_frame: self.trigger_frame.or(lower.trigger_frame),
            mosaic: self.mosaic.or(lower.mosaic),
            black: self.black.or(lower.black),
            white: self.white.or(lower.white),
            mains: self.mains.or(lower.mains),
            row_time: self.row_time.or(lower.row_time),
            binning: self.binning.or(lower.binning),
            motion: self.motion.or(lower.motion),
        }
    }

    /// Layers of facts, the highest first (option, shoot.toml, clip.toml, EXIF), as one.
    #[must_use]
    pub fn merge(layers: impl IntoIterator<Item = Self>) -> Self {
        layers.into_iter().fold(Self::default(), Self::or)
    }

    /// Adds the computed scale where none was given, and checks the facts against each other.
    ///
    /// # Errors
    /// [`FootageError::Facts`] where white is not above black.
    pub fn complete(mut self) -> Result<(Self, Vec<Warning>), FootageError> {
        if let (Some(black), Some(white)) = (&self.black, &self.white)
            && white.value <= black.value
        {
            return Err(FootageError::Facts {
                place: format!("white ({})", white.source),
                what: format!(
                    "{} DN is not above the black level of {} DN ({}): correct one of them",
                    white.value, black.value, black.source
                ),
            });
        }
        let mut warnings = Vec::new();
        warnings.extend(self.exposure_fits());
        if let Some(um) = self.nominal_um_per_px() {
            match &self.scale {
                None => {
                    self.scale = Fact::of(Some(ScaleValue::plain(um)), &FactSource::Computed);
                }
                Some(given) => warnings.extend(scale_agrees(given, um)),
            }
        }
        Ok((self, warnings))
    }

    /// Pixel pitch x binning / magnification in micrometres.
    ///
    /// EXIF counts the pixels of the picture, so a pitch from there has the binning in it.
    fn nominal_um_per_px(&self) -> Option<f64> {
        let pitch = self.pixel_pitch.as_ref()?;
        let binned = self.binning.as_ref().filter(|_| !matches!(pitch.source, FactSource::Exif(_)));
        let together = binned.map_or(1.0, |b| b.value as f64);
        let um = pitch.value.um() * together / self.magnification.as_ref()?.value;
        (um.is_finite() && um > 0.0).then_some(um)
    }

    /// How the clip was taken, to be held against a scale's picture.
    #[must_use]
    pub fn taken(&self, size: (usize, usize)) -> Taken {
        Taken {
            size: Some(size),
            magnification: self.magnification.as_ref().map(|m| m.value),
            binning: self.binning.as_ref().map(|b| b.value),
        }
    }

    /// A warning where one exposure is longer than the time from frame to frame.
    fn exposure_fits(&self) -> Option<Warning> {
        let (exposure, rate) = (self.exposure.as_ref()?, self.rate.as_ref()?);
        let interval = Duration::from_s(rate.value.interval_s())?;
        // A millionth for the rounding of written times.
        (exposure.value.s() > interval.s() * (1.0 + 1e-6)).then(|| {
            Warning::new(
                "exposure-longer-than-frame",
                format!(
                    "an exposure of {} ({}) does not fit into the {} of a frame at {} fps ({})",
                    exposure.value, exposure.source, interval, rate.value, rate.source
                ),
                "correct the exposure or the capture rate: a slow-down drawn from it would be wrong",
            )
        })
    }

    /// A warning where a frame of so many rows would be read out for longer than it takes until the
    /// next one comes.
    #[must_use]
    pub fn rows_take_too_long(&self, rows: usize) -> Option<Warning> {
        let (row, rate) = (self.row_time.as_ref()?, self.rate.as_ref()?);
        let frame = Duration::from_s(row.value.s() * rows as f64)?;
        let interval = Duration::from_s(rate.value.interval_s())?;
        (frame.s() > interval.s() * (1.0 + 1e-6)).then(|| {
            Warning::new(
                "rows-longer-than-frame",
                format!(
                    "a row time of {} ({}) makes {frame} for the {rows} rows of a frame, but at {} \
                     fps ({}) the next one comes after {interval}",
                    row.value, row.source, rate.value, rate.source
                ),
                "correct the row time or the capture rate: times by the row would be wrong",
            )
        })
    }
}

/// A warning where the given scale is far from pixel pitch / magnification.
fn scale_agrees(given: &Fact<ScaleValue>, nominal: f64) -> Option<Warning> {
    let ratio = given.value.um_per_px / nominal;
    ((ratio - 1.0).abs() > SCALE_DISAGREES).then(|| {
        Warning::new(
            "scale-disagrees",
            format!(
                "the scale of {:.4} um a pixel ({}) is {ratio:.2} times the {nominal:.4} um of \
                 pixel pitch x binning / magnification",
                given.value.um_per_px, given.source
            ),
            "the given scale is used; check it, the magnification and the pixel pitch",
        )
    })
}

#[cfg(test)]
#[path = "facts_tests.rs"]
mod tests;
